"""Operation ``zone``: where trimming may be considered, and what was taken from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geotrim.core import setback as core
from geotrim.core.fringe import OUTLINE_STEP_FT, Baseline, covered_length, stations
from geotrim.core.rays import greatest_width, widths
from geotrim.core.shoreline import Array
from geotrim.model import Note, Result, Setback
from geotrim.ops.catalogue import ZONE
from geotrim.ops.fringes import baselines, regions_of
from geotrim.ops.setback_flags import Strip, draw_strips
from geotrim.ops.tables import plain_table, rows_by, shape_table
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
    shores = _shores(frontage, fringe, lines)
    search = float(fringe.parameters["search_ft"]) / feet
    ids, bases = _bases(lots, frontage, riparian_lines, fringe, feet)
    parts = core.parts_of([one.shape for one in strips])
    rows, stations, takes, notes = [], [], [], []
    for lot_id, base in zip(ids, bases, strict=True):
        each, alone, rest = core.taken(base, core.near(base, parts))
        takes += _taken_rows(lot_id, strips, each, alone, feet)
        mine = shores.get(lot_id, [])
        stations += [_widths(lot_id, rest, shore, search, feet) for shore in mine]
        length, widest = _extent(rest, mine, search, feet)
        rows.append(_zone_row(lot_id, base, rest, length, widest, feet))
        if rows[-1]["status"] != "ok":
            notes.append(Note(f"lot {lot_id}", rows[-1]["reason"], "missing"))
    tables = {
        "zone": shape_table(rows, ZONE_COLUMNS, lots.crs),
        "zone_stations": _station_table(stations),
        "zone_taken": plain_table(takes, TAKEN_COLUMNS),
    }
    return Result("zone", tables, tuple(notes), ZONE.check({}))


@dataclass(frozen=True, slots=True, eq=False)
class _Shore:
    """One stretch of a lot: its smoothed line, its fringe, and where its transects stand."""

    stretch_id: str
    station0_ft: float
    base: Baseline
    fringe: Any
    station_ft: Array
    span_ft: Array


def _shores(frontage: Result, fringe: Result, lines: list[Baseline]) -> dict[str, list[_Shore]]:
    """Stretches of each lot, in their order."""
    transects, outlines = fringe["transects"], fringe["fringe"]
    at = rows_by(transects["stretch_id"])
    shape = dict(zip(outlines["stretch_id"], outlines.geometry.array, strict=True))
    station, span = (transects[name].to_numpy() for name in ("station_ft", "span_ft"))
    columns = [frontage["frontage"][name] for name in ("lot_id", "stretch_id", "station_from_ft")]
    none = np.empty(0, dtype=np.intp)
    out: dict[str, list[_Shore]] = {}
    for lot_id, name, first, line in zip(*columns, lines, strict=True):
        rows = at.get(name, none)
        shore = _Shore(name, float(first), line, shape[name], station[rows], span[rows])
        out.setdefault(str(lot_id), []).append(shore)
    return out


def _bases(
    lots: Any, frontage: Result, riparian_lines: Result, fringe: Result, feet: float
) -> tuple[list[str], Any]:
    """Ids of the measured lots, and the fringe of each inside its lot lines and riparian lines."""
    reach = float(frontage.parameters.get("reach_ft", 5.0)) / feet
    regions = regions_of(lots, frontage, riparian_lines, reach)
    ids = lots.loc[lots["is_measured"], "lot_id"].astype(str).tolist()
    shapes = np.asarray(fringe["fringe"].geometry.array, dtype=object)
    of_lot = rows_by(fringe["fringe"]["lot_id"])
    none = np.empty(0, dtype=np.intp)
    whole = np.full(len(ids), None, dtype=object)
    for k, lot_id in enumerate(ids):
        mine = shapes[of_lot.get(lot_id, none)]
        is_one = len(mine) == 1 and not shapely.is_empty(mine[0])
        whole[k] = mine[0] if is_one else shapely.union_all(mine)
    inside = np.array([regions[lot_id][1] for lot_id in ids], dtype=object)
    return ids, shapely.intersection(whole, inside)


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


def _widths(lot_id: str, rest: Any, shore: _Shore, search: float, feet: float) -> dict[str, Any]:
    """Width of the zone of a lot at each transect of one stretch, as columns."""
    local = (shore.station_ft - shore.station0_ft) / feet
    n = len(local)
    return {
        "lot_id": np.full(n, lot_id, dtype=object),
        "stretch_id": np.full(n, shore.stretch_id, dtype=object),
        "station_ft": shore.station_ft,
        "span_ft": shore.span_ft,
        "zone_width_ft": widths(shore.base, local, rest, search) * feet,
    }


def _station_table(parts: list[dict[str, Any]]) -> Any:
    """Widths one under the other."""
    if not parts:
        return plain_table([], STATION_COLUMNS)
    columns = {name: np.concatenate([part[name] for part in parts]) for name in STATION_COLUMNS}
    return plain_table(columns, STATION_COLUMNS)


def _extent(rest: Any, shores: list[_Shore], search: float, feet: float) -> tuple[float, float]:
    """Length of shore the zone of a lot stands on, and its greatest width. [ft]."""
    length, widest = 0.0, 0.0
    for shore in shores:
        mine = rest if len(shores) == 1 else shapely.intersection(rest, shore.fringe)
        part = _polygons_only(mine)
        if shapely.is_empty(part):
            continue
        length += covered_length(shore.base, [part], OUTLINE_STEP_FT / feet) * feet
        at, _ = stations(shore.base.length, WIDTH_STEP_FT / feet)
        widest = max(widest, greatest_width(shore.base, at, part, search) * feet)
    return length, widest


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
    if shapely.get_type_id(shape) == 3 and not shapely.is_empty(shape):
        return shape
    parts = [p for p in shapely.get_parts(shape) if shapely.get_type_id(p) in (3, 6)]
    return shapely.union_all(parts) if parts else shapely.Polygon()
