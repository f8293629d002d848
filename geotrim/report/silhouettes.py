"""Crowns seen from the land: how far each reaches along the shore, and how high.

The side view of a crown is its shadow on a vertical plane along the shore. Its width comes from the
polygon; its top, station by station, is the highest cell of the raster across the shore, or a
rounded top where there is no raster.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.errors import GeotrimError
from geotrim.model import HeightSource

Array = npt.NDArray[np.float64]
#: A rounded top falls to this share of the crown's height at its edges; a drawing rule.
SHOULDER_FRAC = 0.6
#: A crown of more cells than this is drawn with a rounded top; reading it would be slow.
MAX_CELLS = 250_000


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
class Seen:
    """One crown of a drawing: its row, its side view (None without a height) and its place."""

    row: Any
    side: Silhouette | None
    x_ft: float
    half_ft: float
    offset_ft: float


def outline(one: Seen, is_to_the_ground: bool) -> tuple[Array, float]:
    """Outline of a crown with a side view, (n, 2), and where it begins above the substrate. [ft].

    Parameters
    ----------
    one : Seen
    is_to_the_ground : bool
        Whether canopy counts down to the substrate, whatever the crown's own base.
    """
    assert one.side is not None
    base = float(one.row["base_height_ft"])
    low = 0.0 if is_to_the_ground or not np.isfinite(base) else base
    x, y = one.side.station_ft, np.maximum(one.side.top_ft, low)
    return np.column_stack([np.r_[x[0], x, x[-1]], np.r_[low, y, low]]), low


def silhouette(
    shape: Any,
    along: tuple[float, float],
    station_ft: float,
    top_ft: float,
    feet: float,
    source: HeightSource | None = None,
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
    source : HeightSource, optional
        In the CRS of ``shape``; without it the top is rounded.
    """
    if not np.isfinite(top_ft):
        return None
    way = np.asarray(along, dtype=float)
    centre = shapely.get_coordinates(shapely.centroid(shape))[0]
    reach = ((shapely.get_coordinates(shape) - centre) @ way) * feet
    low, high = float(reach.min()), float(reach.max())
    seen = None if source is None else _from_raster(shape, centre, way, feet, source)
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


def _from_raster(
    shape: Any, centre: Array, way: Array, feet: float, source: HeightSource
) -> tuple[Array, Array] | None:
    """Offset along the shore and highest cell there, one a bin of about a cell. [ft]."""
    a, b, c, d, e, f = source.transform
    det = a * e - b * d
    x0, y0, x1, y1 = shape.bounds
    corners = np.array([(x0, y0), (x0, y1), (x1, y0), (x1, y1)]) - (c, f)
    col = (e * corners[:, 0] - b * corners[:, 1]) / det
    row = (a * corners[:, 1] - d * corners[:, 0]) / det
    rows, cols = source.shape
    c0, c1 = max(int(np.floor(col.min())), 0), min(int(np.ceil(col.max())), cols)
    r0, r1 = max(int(np.floor(row.min())), 0), min(int(np.ceil(row.max())), rows)
    if c1 <= c0 or r1 <= r0 or (c1 - c0) * (r1 - r0) > MAX_CELLS:
        return None
    try:
        heights = np.asarray(source.read(r0, r1, c0, c1), dtype=float) * source.feet_per_unit
    except GeotrimError:
        return None  # a raster that cannot be read here: the figure is drawn all the same
    gc, gr = np.meshgrid(np.arange(c0, c1) + 0.5, np.arange(r0, r1) + 0.5)
    x, y = c + a * gc + b * gr, f + d * gc + e * gr
    use = np.isfinite(heights) & shapely.intersects_xy(shape, x, y)
    if use.sum() < 4:
        return None
    u = ((x[use] - centre[0]) * way[0] + (y[use] - centre[1]) * way[1]) * feet
    cell = float(np.sqrt(abs(det))) * feet
    edges = np.arange(u.min(), u.max() + 1.25 * cell, 1.25 * cell)
    if edges.size < 3:
        return None
    place = np.clip(np.digitize(u, edges) - 1, 0, edges.size - 2)
    top = np.full(edges.size - 1, -np.inf)
    np.maximum.at(top, place, heights[use])
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
