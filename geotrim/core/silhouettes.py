"""Crowns seen from the land: how far each reaches along the shore, and how high.

The side view of a crown is its shadow on a vertical plane along the shore. Its width comes from the
polygon; its top, station by station, is the highest cell of the raster across the shore, or a
rounded top where there are no cells.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

Array = npt.NDArray[np.float64]
#: A rounded top falls to this share of the crown's height at its edges; a drawing rule.
SHOULDER_FRAC = 0.6
#: A crown of fewer cells than this shows no shape of its own; a drawing rule.
LEAST_CELLS = 4
#: Width of a step along the shore, in cells, so that each step has some; a drawing rule.
STEP_CELLS = 1.25


@dataclass(frozen=True, slots=True, eq=False)
class Silhouette:
    """One crown from the side.

    station_ft, top_ft : outline of the top, left to right. [ft]
    is_from_raster : whether the top was read or only rounded.
    """

    station_ft: Array
    top_ft: Array
    is_from_raster: bool


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Cells of a raster in and around a crown.

    x, y : (k,) their centres. [map units]
    height_ft : (k,) NaN where nothing is known. [ft]
    side : side of a cell. [map units]
    """

    x: Array
    y: Array
    height_ft: Array
    side: float


def side_view(
    shape: Any,
    along: tuple[float, float],
    station_ft: float,
    top_ft: float,
    feet: float,
    cells: Cells | None = None,
) -> Silhouette | None:
    """Side view of one crown.

    Parameters
    ----------
    shape : Polygon or MultiPolygon
    along : (2,) unit vector
        Direction in which stations grow, at the crown. [map units]
    station_ft : float
        Station of the crown's centre. [ft]
    top_ft : float
        Its top height; NaN gives None. [ft]
    feet : float
        International feet in one map unit.
    cells : Cells, optional
        In the CRS of ``shape``; those whose centre lies in it count. Without them the top is
        rounded.
    """
    if not np.isfinite(top_ft):
        return None
    way = np.asarray(along, dtype=float)
    centre = shapely.get_coordinates(shapely.centroid(shape))[0]
    reach = ((shapely.get_coordinates(shape) - centre) @ way) * feet
    low, high = float(reach.min()), float(reach.max())
    seen = None if cells is None else _tops_along(shape, centre, way, feet, cells)
    if seen is not None:
        u, top = seen
        inside = (u >= low) & (u <= high)
        if inside.sum() >= 2:
            u, top = u[inside], top[inside]
            u = np.concatenate([[low], u, [high]])
            top = np.concatenate([[top[0]], top, [top[-1]]])
            return Silhouette(station_ft + u, top, True)
    u = np.linspace(low, high, 25)
    middle, half = (low + high) / 2, max((high - low) / 2, 1e-9)
    dome = np.sqrt(np.clip(1.0 - ((u - middle) / half) ** 2, 0.0, 1.0))
    return Silhouette(
        station_ft + u, top_ft * (SHOULDER_FRAC + (1.0 - SHOULDER_FRAC) * dome), False
    )


def _tops_along(
    shape: Any, centre: Array, way: Array, feet: float, cells: Cells
) -> tuple[Array, Array] | None:
    """Offset along the shore and highest cell there, one a step of about a cell. [ft]."""
    use = np.isfinite(cells.height_ft) & shapely.intersects_xy(shape, cells.x, cells.y)
    if use.sum() < LEAST_CELLS:
        return None
    u = ((cells.x[use] - centre[0]) * way[0] + (cells.y[use] - centre[1]) * way[1]) * feet
    step = STEP_CELLS * (cells.side * feet)
    edges = np.arange(u.min(), u.max() + step, step)
    if edges.size < 3:
        return None
    place = np.clip(np.digitize(u, edges) - 1, 0, edges.size - 2)
    top = np.full(edges.size - 1, -np.inf)
    np.maximum.at(top, place, cells.height_ft[use])
    known = np.isfinite(top)
    middle = (edges[:-1] + edges[1:]) / 2
    return middle[known], top[known]


def place_on(line: Any, point: Any, start_ft: float, feet: float) -> tuple[float, Array]:
    """Station of a point on a stretch, run on straight past its ends, and the direction there.

    Parameters
    ----------
    line : LineString
        Directed with the water on its left, so that stations grow to the right of one who looks
        to the water.
    point : Point
    start_ft : float
        Station of the line's start. [ft]
    feet : float
        International feet in one map unit.
    """
    s = float(line.project(point))
    reach = min(10.0 / feet, line.length / 2)
    a = shapely.get_coordinates(line.interpolate(max(s - reach, 0.0)))[0]
    b = shapely.get_coordinates(line.interpolate(min(s + reach, line.length)))[0]
    way = (b - a) / max(float(np.hypot(*(b - a))), 1e-12)
    here = shapely.get_coordinates(line.interpolate(s))[0]
    past = 0.0
    if s <= 0.0 or s >= line.length:
        past = float((shapely.get_coordinates(point)[0] - here) @ way)
    return start_ft + (s + past) * feet, way
