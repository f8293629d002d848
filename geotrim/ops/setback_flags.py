"""Operation ``setbacks``: which crowns and trunks stand inside a setback, and by how much."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely

from geotrim.checks import check_columns, check_kind, check_lines, check_lots, check_same_crs
from geotrim.core import setback as core
from geotrim.core.stretches import joined, side_lines
from geotrim.errors import LayerError
from geotrim.model import Note, Result, Setback
from geotrim.ops.catalogue import SETBACKS
from geotrim.ops.tables import join_tables, rows_by, shape_table
from geotrim.units import feet_per_map_unit

FLAG_COLUMNS = [
    "crown_id",
    "setback_name",
    "inside",
    "inside_area_frac",
    "setback_margin_ft",
    "is_past_setback",
    "trunk_margin_ft",
    "is_trunk_past_setback",
]


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """A setback drawn: its reference, the strip around it, and where both come from."""

    name: str
    reference_kind: str
    distance_ft: float
    source: str
    reference: Any
    shape: Any


def setbacks(
    lots: Any,
    mhw_line: Any,
    crowns: Any,
    frontage: Result,
    riparian_lines: Result,
    *,
    trunks: Any = None,
    channel: Any = None,
    exclusions: Any = None,
    setbacks: tuple[Setback, ...] | None = (),
) -> Result:
    """Flag each crown and trunk against each setback and exclusion.

    Parameters
    ----------
    lots, mhw_line, crowns, trunks, channel, exclusions : GeoDataFrame
        As at the top of :mod:`geotrim.model`.
    frontage, riparian_lines : Result
        Of those operations: they give the references ``lot-lines`` (the waterfront left out) and
        ``riparian-lines``.
    setbacks : tuple of Setback
        Exclusions count as setbacks of 0 ft from their polygon.

    Returns
    -------
    Result
        ``setbacks``: the strips. ``setback_flags``: a row for each crown and setback: ``inside`` is
        wholly, partly or not; ``inside_area_frac`` the share of its area inside;
        ``setback_margin_ft`` how far it is clear (negative: how far it reaches in); the same for
        its trunk, NaN where the trunk is not known.

    Notes
    -----
    A crown that only touches a strip is not past it.
    """
    check_columns(crowns, ("crown_id",), "crowns")
    check_kind(crowns, {"Polygon", "MultiPolygon"}, "polygons", "crowns", may_be_empty=True)
    check_same_crs({"lots": lots, "crowns": crowns, "trunks": trunks})
    feet = feet_per_map_unit(lots.crs, "lots")
    strips, notes = draw_strips(
        lots, mhw_line, frontage, riparian_lines, channel, exclusions, setbacks or ()
    )
    shapes = np.asarray(crowns.geometry.array, dtype=object)
    ids = crowns["crown_id"].astype(str).to_numpy()
    trunk = _trunk_points(ids, trunks)
    parts = [_flags(one, ids, shapes, trunk, feet) for one in strips]
    flags = join_tables(parts, FLAG_COLUMNS)
    if not strips:
        notes.append(Note("setbacks", "none given, and no exclusions: nothing to flag", "info"))
    tables = {"setbacks": _strip_table(strips, feet, lots.crs), "setback_flags": flags}
    return Result("setbacks", tables, tuple(notes), SETBACKS.check({}))


def draw_strips(
    lots: Any,
    mhw_line: Any,
    frontage: Result,
    riparian_lines: Result,
    channel: Any,
    exclusions: Any,
    setbacks: tuple[Setback, ...],
) -> tuple[list[Strip], list[Note]]:
    """Strips of all setbacks and exclusions, in the order given."""
    check_lots(lots)
    check_lines(mhw_line, "MHW line")
    check_same_crs(
        {"lots": lots, "MHW line": mhw_line, "channel": channel, "exclusions": exclusions}
    )
    feet = feet_per_map_unit(lots.crs, "lots")
    names = [one.name for one in setbacks]
    strips, notes = [], []
    for one in setbacks:
        if names.count(one.name) > 1:
            raise LayerError(
                "setbacks",
                f"the name {one.name!r} twice",
                "a name of its own for each",
                "rename one",
            )
        reference = _reference(one, lots, mhw_line, frontage, riparian_lines, channel)
        if shapely.is_empty(reference):
            notes.append(Note(f"setback {one.name}", "its reference is empty here", "missing"))
        shape = core.strip(reference, one.distance_ft / feet)
        strips.append(Strip(one.name, one.reference, one.distance_ft, one.source, reference, shape))
    for name, shape in _excluded(exclusions):
        strips.append(Strip(name, "exclusion", 0.0, "exclusion area as given", shape, shape))
    return strips, notes


def _excluded(exclusions: Any) -> Iterator[tuple[str, Any]]:
    """Exclusions by name; those without one are numbered."""
    if exclusions is None:
        return
    for number, row in enumerate(exclusions.itertuples(), start=1):
        name = getattr(row, "name", None)
        yield (
            (f"exclusion {number}" if not isinstance(name, str) or not name else name),
            row.geometry,
        )


def _reference(
    one: Setback, lots: Any, mhw_line: Any, frontage: Result, riparian_lines: Result, channel: Any
) -> Any:
    """What a setback is measured from, as one geometry."""
    if one.reference == "file":
        shape = one.geometry
        return shapely.union_all(getattr(shape, "array", np.atleast_1d(shape)))
    if one.reference == "riparian-lines":
        return shapely.union_all(riparian_lines["riparian_lines"].geometry.array)
    if one.reference == "mhw-line":
        return shapely.union_all(mhw_line.geometry.array)
    if one.reference == "channel":
        if channel is None:
            raise LayerError(
                f"setback {one.name!r}", "no channel", "a channel line", "give one, or drop it"
            )
        return shapely.union_all(channel.geometry.array)
    return _side_lines(lots, frontage)


def _side_lines(lots: Any, frontage: Result) -> Any:
    """Lot lines of the measured lots, their waterfront left out."""
    stretches = frontage["frontage"]
    shapes = np.asarray(stretches.geometry.array, dtype=object)
    of_lot, run = rows_by(stretches["lot_id"]), stretches["run_id"].to_numpy(dtype=object)
    none = np.empty(0, dtype=np.intp)
    measured = lots[lots["is_measured"].to_numpy(dtype=bool)]
    lines = []
    for lot_id, lot in zip(measured["lot_id"].astype(str), measured.geometry.array, strict=True):
        mine = of_lot.get(lot_id, none)
        runs = [joined(shapes[mine[rows]]) for rows in rows_by(run[mine]).values()]
        lines.append(side_lines(lot, runs))
    return shapely.union_all(lines)


def _trunk_points(ids: Any, trunks: Any) -> Any:
    """Trunk of each crown, None where it is not known."""
    out = np.full(len(ids), None, dtype=object)
    if trunks is not None and len(trunks):
        check_columns(trunks, ("crown_id",), "trunks")
        known = dict(zip(trunks["crown_id"].astype(str), trunks.geometry.array, strict=True))
        out[:] = [known.get(crown_id) for crown_id in ids]
    return out


def _flags(one: Strip, ids: Any, shapes: Any, trunk: Any, feet: float) -> Any:
    """Flags of every crown against one strip."""
    distance = one.distance_ft / feet
    if shapely.is_empty(one.reference):
        share, margin = np.zeros(len(ids)), np.full(len(ids), np.nan)
    else:
        share = core.inside_shares(shapes, one.shape)
        margin = core.margins(shapes, one.reference, distance) * feet
    stem = np.full(len(ids), np.nan)
    known = np.array([point is not None for point in trunk], dtype=bool)
    if known.any() and not shapely.is_empty(one.reference):
        stem[known] = core.margins(trunk[known], one.reference, distance) * feet
    inside = np.where(share >= 1 - 1e-9, "wholly", np.where(share > 0, "partly", "not"))
    is_stem_past = pd.array(np.where(known, stem < 0, False), dtype="boolean")
    is_stem_past[~known] = pd.NA
    return pd.DataFrame(
        {
            "crown_id": ids,
            "setback_name": one.name,
            "inside": inside,
            "inside_area_frac": share,
            "setback_margin_ft": margin,
            "is_past_setback": (share > 0) | (margin < 0),
            "trunk_margin_ft": stem,
            "is_trunk_past_setback": is_stem_past,
        }
    )


def _strip_table(strips: list[Strip], feet: float, crs: Any) -> Any:
    rows = [
        {
            "setback_name": one.name,
            "reference": one.reference_kind,
            "distance_ft": one.distance_ft,
            "source": one.source,
            "setback_area_ft2": float(shapely.area(one.shape)) * feet**2,
            "geometry": one.shape,
        }
        for one in strips
    ]
    columns = ["setback_name", "reference", "distance_ft", "source", "setback_area_ft2"]
    return shape_table(rows, columns, crs)
