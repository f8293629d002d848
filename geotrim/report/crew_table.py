"""The crew list as a table and as waypoints."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from geotrim.io.gpx import Waypoint
from geotrim.report.crew_tree import CrewLot, CrewTree
from geotrim.report.crew_words import share_words
from geotrim.report.cut_heights import INCHES, inches_down, inches_up

COLUMNS = (
    "order", "lot_id", "crown_id", "year", "kind", "what", "part", "cut_from_ft", "cut_to_ft",
    "cut_from_in", "cut_to_in", "earliest_date", "species", "top_height_ft", "height_error_ft",
    "share_frac", "share_limit_frac", "look_first", "read_first", "hold", "station_ft",
    "offset_ft", "is_trunk", "lon_deg", "lat_deg", "checks", "keep_off",
)  # fmt: skip
#: Decimals of a length: as printed. Of a degree: a centimetre.
LENGTH_DECIMALS, DEGREE_DECIMALS = 2, 7


def crew_table(lots: Sequence[CrewLot]) -> Any:
    """One row a tree, in the order of work; trees that are left come last, without a number.

    Returns
    -------
    DataFrame
        ``COLUMNS``. ``cut_from_ft`` and ``cut_to_ft`` are the marks of the stick, ``..._in`` the
        same in inches; a top has no ``cut_to``. ``part`` is what stays of a crown that is cut only
        in part. None and NaN are unknown, or do not apply.
    """
    import pandas as pd

    rows = [_row(lot, tree) for lot in lots for tree in (*lot.work, *lot.left)]
    return pd.DataFrame(rows, columns=list(COLUMNS), dtype=object)


def marks_in(tree: CrewTree) -> tuple[int | None, int | None]:
    """Lower and upper mark of the stick; None where there is none. [in]."""
    if tree.cut is None:
        return None, None
    high = None if tree.cut.is_top else inches_down(tree.cut.high_ft)
    return inches_up(tree.cut.low_ft), high


def _row(lot: CrewLot, tree: CrewTree) -> dict[str, Any]:
    low, high = marks_in(tree)
    cut = tree.cut
    return {
        "order": tree.number or None,
        "lot_id": tree.lot_id,
        "crown_id": tree.crown_id,
        "year": lot.year,
        "kind": tree.kind,
        "what": tree.what,
        "part": tree.part or None,
        "cut_from_ft": None if low is None else math.ceil(low * 100 / INCHES) / 100,
        "cut_to_ft": None if high is None else math.floor(high * 100 / INCHES) / 100,
        "cut_from_in": low,
        "cut_to_in": high,
        "earliest_date": lot.date or None,
        "species": tree.species,
        "top_height_ft": _rounded(tree.top_ft),
        "height_error_ft": _rounded(tree.top_error_ft),
        "share_frac": None if cut is None else _rounded(cut.share_frac, 4),
        "share_limit_frac": None if cut is None else _rounded(cut.share_limit_frac, 4),
        "look_first": tree.foliage or None,
        "read_first": tree.first or None,
        "hold": tree.hold or None,
        "station_ft": _rounded(tree.place.station_ft),
        "offset_ft": _rounded(tree.place.offset_ft),
        "is_trunk": tree.place.is_trunk,
        "lon_deg": round(tree.place.lon_deg, DEGREE_DECIMALS),
        "lat_deg": round(tree.place.lat_deg, DEGREE_DECIMALS),
        "checks": "; ".join(tree.checks) or None,
        "keep_off": "; ".join(tree.keep_off) or None,
    }


def _rounded(value: float, decimals: int = LENGTH_DECIMALS) -> float | None:
    return round(value, decimals) if math.isfinite(value) else None


def waypoints(lots: Sequence[CrewLot]) -> list[Waypoint]:
    """A waypoint a tree: its number as the name, what is done as the description.

    The comment has the lot and what else a receiver has room for. Trees that are left are told so.
    """
    return [_waypoint(lot, tree) for lot in lots for tree in (*lot.work, *lot.left)]


def _waypoint(lot: CrewLot, tree: CrewTree) -> Waypoint:
    words = f"LEAVE. {tree.what}" if tree.is_left else f"{tree.number}. {tree.what}"
    part = f"ONLY IN PART: {tree.part}" if tree.part else ""
    told = [f"HOLD: {tree.hold}" if tree.hold else "", words, part, tree.foliage, tree.first]
    parts = [f"lot {lot.lot_id}, year {lot.year}", tree.species, share_words(tree)]
    return Waypoint(
        tree.place.lon_deg,
        tree.place.lat_deg,
        tree.crown_id,
        "; ".join(part for part in parts if part),
        " ".join(f"{part.rstrip('.')}." for part in told if part),
    )
