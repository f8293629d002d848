"""Operation ``frontage``: each lot's stretches of the shore."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import pandas as pd
import shapely

from geotrim.checks import check_lines, check_lots, check_same_crs
from geotrim.core.claims import Shares, shares_of
from geotrim.core.near_shore import gaps_to
from geotrim.core.shoreline import Shore, build_shore
from geotrim.core.stretches import Stretches, stretches_of
from geotrim.model import Note, Result
from geotrim.ops.catalogue import FRONTAGE
from geotrim.ops.tables import shape_table
from geotrim.units import feet_per_map_unit

STRETCH_COLUMNS = [
    "lot_id",
    "stretch_id",
    "run_id",
    "frontage_length_ft",
    "frontage_chord_ft",
    "station_from_ft",
    "station_to_ft",
]
LOT_COLUMNS = [
    "lot_id",
    "status",
    "reason",
    "n_stretches",
    "frontage_length_ft",
    "frontage_chord_ft",
    "lot_area_ft2",
]


def frontage(
    lots: Any,
    mhw_line: Any,
    *,
    reach_ft: float = 5.0,
    smoothing_length_ft: float = 50.0,
    corner_deg: float = 60.0,
) -> Result:
    """Share the shore out among the lots and measure each lot's stretches.

    Parameters
    ----------
    lots : GeoDataFrame
        ``lot_id``, ``is_measured`` and polygons. Lots that are not measured still take their share.
    mhw_line : GeoDataFrame
        Lines of the shore, in the lots' CRS.
    reach_ft : float
        How far a lot may stop short of the line and still front it. Adds nothing at the ends.
    smoothing_length_ft, corner_deg : float
        A stretch ends where the shore turns by more than ``corner_deg`` as seen over half the
        smoothing length on either side.

    Returns
    -------
    Result
        ``frontage``: a stretch a row, directed with the water on its left. ``frontage_length_ft``
        is along the line, ``frontage_chord_ft`` straight; stations run on from stretch to stretch.
        ``lots``: a measured lot a row, stretches summed, ``status`` and ``reason``.
        ``neighbour_frontage``: the same as ``frontage`` for the lots that are not measured.

    Raises
    ------
    CRSError
        If the inputs' CRSs differ or are not projected.

    Notes
    -----
    Every point of the shore has one owner at most: see :mod:`geotrim.core.claims`.

    Examples
    --------
    A 100 ft lot on a straight shore, its corner stopping 2 ft short of the line.

    >>> import geopandas as gpd
    >>> lot = gpd.GeoDataFrame({"lot_id": ["A"], "is_measured": [True]},
    ...     geometry=[shapely.box(0, -80, 100, -2)], crs=2236)
    >>> line = shapely.LineString([(-500, 0), (500, 0)])
    >>> shore = gpd.GeoDataFrame(geometry=[line], crs=2236)
    >>> float(frontage(lot, shore)["lots"]["frontage_length_ft"].iloc[0].round(3))
    100.0
    """
    parameters = FRONTAGE.check(
        {
            "reach_ft": reach_ft,
            "smoothing_length_ft": smoothing_length_ft,
            "corner_deg": corner_deg,
        }
    )
    check_lots(lots)
    check_lines(mhw_line, "MHW line")
    check_same_crs({"lots": lots, "MHW line": mhw_line})
    feet = feet_per_map_unit(lots.crs, "lots")
    shore = build_shore(mhw_line.geometry.array, smoothing_length_ft / feet, corner_deg)
    shapes = np.asarray(lots.geometry.array, dtype=object)
    ids = [str(lot_id) for lot_id in lots["lot_id"]]
    is_measured = lots["is_measured"].to_numpy(dtype=bool)
    shares = shares_of(shapes, shore, reach_ft / feet, 1 / feet)
    cut = stretches_of(shares, shore, shapes, 1 / feet)
    stretches = _stretch_table(cut, ids, feet)
    rows = _lot_table(stretches, cut.lot, ids, shapes, feet)
    rows["reason"] = _reasons(
        rows["n_stretches"].to_numpy(), is_measured, shapes, shore, reach_ft, feet
    )
    rows = rows[is_measured]
    notes = _overlap_notes(shares, ids, feet) + _lot_notes(cut, rows)
    tables = {
        "frontage": stretches[is_measured[cut.lot]],
        "neighbour_frontage": stretches[~is_measured[cut.lot]],
        "lots": rows,
    }
    columns = dict.fromkeys(tables, STRETCH_COLUMNS) | {"lots": LOT_COLUMNS}
    shaped = {
        name: shape_table(table.reset_index(drop=True), columns[name], lots.crs)
        for name, table in tables.items()
    }
    return Result("frontage", shaped, tuple(notes), parameters)


def _stretch_table(cut: Stretches, ids: list[str], feet: float) -> pd.DataFrame:
    """Rows of the frontage table, stations running on in each lot."""
    n = len(cut.lot)
    # the stretch of the lot each row is, from 0: rows are lot by lot
    first = np.flatnonzero(np.diff(cut.lot, prepend=-1))
    number = np.arange(n) - np.repeat(first, np.diff(first, append=n))
    length_ft = cut.length * feet
    start, stop = np.zeros(n), length_ft.copy()
    for k in range(1, int(number.max(initial=0)) + 1):
        row = np.flatnonzero(number == k)
        start[row] = stop[row - 1]
        stop[row] = start[row] + length_ft[row]
    named = [ids[lot] for lot in cut.lot.tolist()]
    return pd.DataFrame(
        {
            "lot_id": named,
            "stretch_id": [f"{name}/{k + 1}" for name, k in zip(named, number, strict=True)],
            "run_id": [f"{name}/r{k + 1}" for name, k in zip(named, cut.run, strict=True)],
            "frontage_length_ft": length_ft,
            "frontage_chord_ft": cut.chord * feet,
            "station_from_ft": start,
            "station_to_ft": stop,
            "geometry": cut.line,
        }
    )


def _lot_table(
    stretches: pd.DataFrame, lot: Any, ids: list[str], shapes: Any, feet: float
) -> pd.DataFrame:
    """Every lot's figures: stretches summed."""
    n_stretches = np.bincount(lot, minlength=len(ids))
    length, chord = (
        np.bincount(lot, weights=stretches[name].to_numpy(), minlength=len(ids))
        for name in ("frontage_length_ft", "frontage_chord_ft")
    )
    return pd.DataFrame(
        {
            "lot_id": ids,
            "status": np.where(n_stretches > 0, "ok", "no-frontage").tolist(),
            "n_stretches": n_stretches,
            "frontage_length_ft": length,
            "frontage_chord_ft": chord,
            "lot_area_ft2": shapely.area(shapes) * feet**2,
            "geometry": shapes,
        }
    )


def _reasons(
    n_stretches: Any, is_measured: Any, shapes: Any, shore: Shore, reach: float, feet: float
) -> list[str]:
    """Why a measured lot has no frontage; empty where it has some."""
    out = [""] * len(shapes)
    without = np.flatnonzero((n_stretches == 0) & is_measured)
    if without.size == 0:
        return out
    gaps_ft = gaps_to(shapes[without], shore) * feet
    for number, gap in zip(without.tolist(), gaps_ft.tolist(), strict=True):
        out[number] = (
            f"no frontage: the line is {gap:.1f} ft from the lot at its nearest, and the reach is "
            f"{reach:g} ft; check title and line"
            if gap > reach
            else "no frontage: the line comes within reach, but no lot edge faces it or another "
            "lot holds it"
        )
    return out


def _lot_notes(cut: Stretches, rows: pd.DataFrame) -> list[Note]:
    """Of measured lots: a run whose side is a guess, and what has no frontage."""
    unsure = np.flatnonzero(~cut.is_side_sure)
    runs = np.unique(np.stack([cut.lot[unsure], cut.run[unsure]], axis=1), axis=0)
    n_unsure = Counter(runs[:, 0].tolist())
    is_told = (rows["n_stretches"].to_numpy() == 0) | rows.index.isin(list(n_unsure))
    told = rows[is_told]
    out: list[Note] = []
    for number, lot_id, reason in zip(told.index, told["lot_id"], told["reason"], strict=True):
        out += [_side_note(lot_id)] * n_unsure[number]
        if reason:
            out.append(Note(f"lot {lot_id}", reason, "missing"))
    return out


def _overlap_notes(shares: Shares, ids: list[str], feet: float) -> list[Note]:
    """Tell where two lots could claim the same foot of shore: over a foot is worth a look."""
    pairs = zip(shares.one.tolist(), shares.other.tolist(), shares.length.tolist(), strict=True)
    return [
        Note(
            f"lots {ids[a]} and {ids[b]}",
            f"both could claim {length * feet:.1f} ft of the shore; it was divided between them, "
            "each foot to the lot that holds it deepest",
            "assumed",
        )
        for a, b, length in pairs
        if length * feet > 1.0
    ]


def _side_note(lot_id: str) -> Note:
    return Note(
        f"lot {lot_id}",
        "the lot lies as much on one side of the line as on the other; which side is water was "
        "taken from the smaller part, check the left and right ends",
        "assumed",
    )
