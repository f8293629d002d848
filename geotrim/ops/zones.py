"""Operation ``zone``: where trimming may be considered, and what was taken from it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely

from geotrim.core import setback as core
from geotrim.core.fringe import OUTLINE_STEP_FT, Baseline, covered_length, stations
from geotrim.core.stretches import lot_region
from geotrim.model import Note, Result, Setback
from geotrim.ops.catalogue import ZONE
from geotrim.ops.fringes import baselines
from geotrim.ops.setback_flags import Strip, draw_strips
from geotrim.ops.tables import join_tables, plain_table, shape_table
from geotrim.units import feet_per_map_unit

ZONE_COLUMNS = [
    "lot_id",
    "status",
    "reason",
    "zone_area_ft2",
    "zone_length_ft",
    "zone_width_max_ft",
    "zone_width_mean_ft",
]
#: The zone's width is looked up this often for its greatest. [ft]
WIDTH_STEP_FT = 1.0
STATION_COLUMNS = ["lot_id", "stretch_id", "station_ft", "span_ft", "zone_width_ft"]
TAKEN_COLUMNS = [
    "lot_id",
    "setback_name",
    "source",
    "distance_ft",
    "taken_area_ft2",
    "taken_alone_area_ft2",
]


def zone(
    lots: Any,
    mhw_line: Any,
    frontage: Result,
    riparian_lines: Result,
    fringe: Result,
    *,
    channel: Any = None,
    exclusions: Any = None,
    setbacks: tuple[Setback, ...] | None = (),
) -> Result:
    """Draw the zone: the fringe inside the lot's limits, less setbacks and exclusions.

    Parameters
    ----------
    lots, mhw_line, channel, exclusions : GeoDataFrame
        As at the top of :mod:`geotrim.model`.
    frontage, riparian_lines, fringe : Result
        Of those operations.
    setbacks : tuple of Setback

    Returns
    -------
    Result
        ``zone``: a lot a row. ``zone_length_ft`` is the shore the zone stands square to;
        ``zone_width_max_ft`` its greatest width across the shore, ``zone_width_mean_ft`` its area
        over its length.
        ``zone_stations``: width by station. ``zone_taken``: for each setback the area it takes,
        and the area that it alone takes.
    """
    feet = feet_per_map_unit(lots.crs, "lots")
    strips, _ = draw_strips(
        lots, mhw_line, frontage, riparian_lines, channel, exclusions, setbacks or ()
    )
    lines = baselines(frontage, mhw_line, float(fringe.parameters["smoothing_length_ft"]), feet)
    rows, stations, takes, notes = [], [], [], []
    for row in lots[lots["is_measured"]].itertuples():
        lot_id = str(row.lot_id)
        base = _base(row, frontage, riparian_lines, fringe, feet)
        each, alone, rest = core.taken(base, [one.shape for one in strips])
        takes += _taken_rows(lot_id, strips, each, alone, feet)
        widths = _widths(lot_id, rest, frontage, lines, fringe, feet)
        stations.append(widths)
        length, widest = _extent(lot_id, rest, frontage, lines, fringe, feet)
        rows.append(_zone_row(lot_id, base, rest, length, widest, feet))
        if rows[-1]["status"] != "ok":
            notes.append(Note(f"lot {lot_id}", rows[-1]["reason"], "missing"))
    tables = {
        "zone": shape_table(rows, ZONE_COLUMNS, lots.crs),
        "zone_stations": join_tables(stations, STATION_COLUMNS),
        "zone_taken": plain_table(takes, TAKEN_COLUMNS),
    }
    return Result("zone", tables, tuple(notes), ZONE.check({}))


def _base(row: Any, frontage: Result, riparian_lines: Result, fringe: Result, feet: float) -> Any:
    """The fringe of one lot inside its lot lines and riparian lines."""
    lot_id = str(row.lot_id)

    def mine(table: Any) -> Any:
        return table.geometry.array[(table["lot_id"] == lot_id).to_numpy(dtype=bool)]

    water = shapely.union_all(mine(riparian_lines["riparian_areas"]))
    runs = [shapely.get_coordinates(line) for line in mine(frontage["frontage"])]
    reach = float(frontage.parameters.get("reach_ft", 5.0)) / feet
    region = lot_region(row.geometry, water, runs, reach)
    return shapely.intersection(shapely.union_all(mine(fringe["fringe"])), region)


def _taken_rows(
    lot_id: str, strips: list[Strip], each: list[float], alone: list[float], feet: float
) -> list[dict[str, Any]]:
    return [
        {
            "lot_id": lot_id,
            "setback_name": one.name,
            "source": one.source,
            "distance_ft": one.distance_ft,
            "taken_area_ft2": a * feet**2,
            "taken_alone_area_ft2": b * feet**2,
        }
        for one, a, b in zip(strips, each, alone, strict=True)
    ]


def _widths(
    lot_id: str, rest: Any, frontage: Result, lines: list[Baseline], fringe: Result, feet: float
) -> Any:
    """Width of the zone at each transect of a lot."""
    search = float(fringe.parameters["search_ft"]) / feet
    transects = fringe["transects"]
    parts = []
    for stretch, base in zip(frontage["frontage"].itertuples(), lines, strict=True):
        if str(stretch.lot_id) != lot_id:
            continue
        at = transects[transects["stretch_id"] == stretch.stretch_id]
        local = (at["station_ft"].to_numpy() - stretch.station_from_ft) / feet
        parts.append(
            pd.DataFrame(
                {
                    "lot_id": lot_id,
                    "stretch_id": stretch.stretch_id,
                    "station_ft": at["station_ft"].to_numpy(),
                    "span_ft": at["span_ft"].to_numpy(),
                    "zone_width_ft": _across(base, local, rest, search) * feet,
                }
            )
        )
    return join_tables(parts, STATION_COLUMNS)


def _extent(
    lot_id: str, rest: Any, frontage: Result, lines: list[Baseline], fringe: Result, feet: float
) -> tuple[float, float]:
    """Length of shore the zone of a lot stands on, and its greatest width. [ft]."""
    search = float(fringe.parameters["search_ft"]) / feet
    length, widest = 0.0, 0.0
    shapes = fringe["fringe"].set_index("stretch_id").geometry
    for stretch, base in zip(frontage["frontage"].itertuples(), lines, strict=True):
        part = _polygons_only(shapely.intersection(rest, shapes[stretch.stretch_id]))
        if str(stretch.lot_id) != lot_id or shapely.is_empty(part):
            continue
        length += covered_length(base, [part], OUTLINE_STEP_FT / feet) * feet
        at, _ = stations(base.length, WIDTH_STEP_FT / feet)
        widest = max(widest, float(_across(base, at, part, search).max()) * feet)
    return length, widest


def _across(base: Baseline, at: Any, shape: Any, search: float) -> Any:
    """Length of a shape along the square through each station."""
    origin, out = base.at(at), base.normal(at)
    rays = shapely.linestrings(np.stack([origin - out * search, origin + out * search], 1))
    return shapely.length(shapely.intersection(rays, shape))


def _zone_row(
    lot_id: str, base: Any, rest: Any, length: float, widest: float, feet: float
) -> dict[str, Any]:
    area = float(shapely.area(rest)) * feet**2
    reason = ""
    if area == 0:
        reason = (
            "no zone: no fringe inside its limits"
            if shapely.area(base) == 0
            else "no zone: setbacks and exclusions take all of the fringe"
        )
    return {
        "lot_id": lot_id,
        "status": "ok" if area > 0 else "no-zone",
        "reason": reason,
        "zone_area_ft2": area,
        "zone_length_ft": length,
        "zone_width_max_ft": widest,
        "zone_width_mean_ft": area / length if length > 0 else 0.0,
        "geometry": _polygons_only(rest),
    }


def _polygons_only(shape: Any) -> Any:
    """The polygons of a shape; lines left by a touching cut are dropped."""
    parts = [p for p in shapely.get_parts(shape) if shapely.get_type_id(p) in (3, 6)]
    return shapely.union_all(parts) if parts else shapely.Polygon()
