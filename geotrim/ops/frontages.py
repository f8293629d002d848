"""Operation ``frontage``: each lot's stretches of the shore."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from geotrim.checks import check_lines, check_lots, check_same_crs
from geotrim.core.claims import Claim, share_shore
from geotrim.core.near_shore import gaps_to
from geotrim.core.shoreline import build_shore
from geotrim.core.stretches import Run, chord_of, length_of, runs_of
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
    claims, shared = share_shore(shapes, shore, reach_ft / feet, 1 / feet)
    ids = lots["lot_id"].to_numpy()
    by_lot: dict[int, list[Claim]] = {}
    for claim in claims:
        by_lot.setdefault(claim.lot, []).append(claim)
    without = [number for number in range(len(shapes)) if number not in by_lot]
    gap_ft = dict(zip(without, (gaps_to(shapes[without], shore) * feet).tolist(), strict=True))
    notes = _overlap_notes(shared, ids, feet)
    stretches: list[dict[str, Any]] = []
    rows: list[dict[str, Any]] = []
    beside: list[dict[str, Any]] = []
    for number, is_measured in enumerate(lots["is_measured"].to_numpy(dtype=bool)):
        runs = runs_of(by_lot.get(number, []), shore, shapes[number], 1 / feet)
        new = _stretch_rows(str(ids[number]), runs, feet)
        (stretches if is_measured else beside).extend(new)
        if not is_measured:
            continue
        gap = gap_ft.get(number, 0.0)
        rows.append(_lot_row(str(ids[number]), new, shapes[number], gap, reach_ft, feet))
        notes += [_side_note(str(ids[number])) for run in runs if not run.is_side_sure]
        if not new:
            notes.append(Note(f"lot {ids[number]}", rows[-1]["reason"], "missing"))
    tables = {
        "frontage": shape_table(stretches, STRETCH_COLUMNS, lots.crs),
        "neighbour_frontage": shape_table(beside, STRETCH_COLUMNS, lots.crs),
        "lots": shape_table(rows, LOT_COLUMNS, lots.crs),
    }
    return Result("frontage", tables, tuple(notes), parameters)


def _stretch_rows(lot_id: str, runs: list[Run], feet: float) -> list[dict[str, Any]]:
    """Rows of the frontage table for one lot, stations running on."""
    rows: list[dict[str, Any]] = []
    station = 0.0
    for r, run in enumerate(runs, start=1):
        for xy in run.stretches:
            length = length_of(xy) * feet
            rows.append(
                {
                    "lot_id": lot_id,
                    "stretch_id": f"{lot_id}/{len(rows) + 1}",
                    "run_id": f"{lot_id}/r{r}",
                    "frontage_length_ft": length,
                    "frontage_chord_ft": chord_of(xy) * feet,
                    "station_from_ft": station,
                    "station_to_ft": station + length,
                    "geometry": shapely.LineString(xy),
                }
            )
            station += length
    return rows


def _lot_row(
    lot_id: str,
    stretches: list[dict[str, Any]],
    lot: Any,
    gap: float,
    reach: float,
    feet: float,
) -> dict[str, Any]:
    """One lot's figures: stretches summed, and a reason where there are none."""
    row = {"lot_id": lot_id, "status": "ok", "reason": ""}
    if not stretches:
        row["status"] = "no-frontage"
        row["reason"] = (
            f"no frontage: the line is {gap:.1f} ft from the lot at its nearest, and the reach is "
            f"{reach:g} ft; check title and line"
            if gap > reach
            else "no frontage: the line comes within reach, but no lot edge faces it or another "
            "lot holds it"
        )
    return row | {
        "n_stretches": len(stretches),
        "frontage_length_ft": sum(s["frontage_length_ft"] for s in stretches),
        "frontage_chord_ft": sum(s["frontage_chord_ft"] for s in stretches),
        "lot_area_ft2": float(shapely.area(lot)) * feet**2,
        "geometry": lot,
    }


def _overlap_notes(shared: list[tuple[int, int, float]], ids: Any, feet: float) -> list[Note]:
    """Tell where two lots could claim the same foot of shore: over a foot is worth a look."""
    return [
        Note(
            f"lots {ids[a]} and {ids[b]}",
            f"both could claim {length * feet:.1f} ft of the shore; it was divided between them, "
            "each foot to the lot that holds it deepest",
            "assumed",
        )
        for a, b, length in shared
        if length * feet > 1.0
    ]


def _side_note(lot_id: str) -> Note:
    return Note(
        f"lot {lot_id}",
        "the lot lies as much on one side of the line as on the other; which side is water was "
        "taken from the smaller part, check the left and right ends",
        "assumed",
    )
