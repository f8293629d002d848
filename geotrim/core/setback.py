"""Setbacks: strips around a reference, and how far crowns and trunks stand inside or outside.

Map units of one plane CRS. The strip of a setback is every point nearer to its reference than its
distance. The margin of a shape is its distance to the reference less the setback's distance:
positive is clear, negative is how far it reaches in. Inside a polygon reference (an exclusion, an
easement) the distance is negative: the depth of the deepest corner that stands in it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

#: Segments in a quarter circle of a strip's round ends: 25 ft is true to 0.002 ft.
ROUNDNESS = 64


def strip(reference: Any, distance: float) -> Any:
    """Every point within ``distance`` of the reference; the reference itself for 0.

    A line with distance 0 has an empty strip.
    """
    if distance > 0:
        return shapely.buffer(reference, distance, quad_segs=ROUNDNESS)
    return reference if _polygons(reference) is not None else shapely.Polygon()


def margins(shapes: Any, reference: Any, distance: float) -> npt.NDArray[np.float64]:
    """Signed margin of each shape: distance to the reference less the setback's own.

    Parameters
    ----------
    shapes : (n,) array of geometries
        Polygons or points.
    reference : geometry
    distance : float

    Examples
    --------
    >>> line = shapely.LineString([(0, 0), (0, 50)])
    >>> margins(shapely.points([[30.0, 10.0], [20.0, 10.0]]), line, 25.0).tolist()
    [5.0, -5.0]
    """
    shapes = np.asarray(shapes, dtype=object)
    away = _distances(shapes, reference)
    area = _polygons(reference)
    if area is not None and shapes.size:
        away = away - _depths(shapes, area)
    return np.asarray(away - distance, dtype=np.float64)


def _distances(shapes: Any, reference: Any) -> npt.NDArray[np.float64]:
    """Distance of each shape to a reference of many parts, by an index of these; NaN for none."""
    out = np.full(shapes.size, np.nan)
    tree = shapely.STRtree(_pieces(reference))
    there = np.flatnonzero(~(shapely.is_missing(shapes) | shapely.is_empty(shapes)))
    if len(tree) and there.size:
        (k, _), away = tree.query_nearest(shapes[there], return_distance=True, all_matches=False)
        out[there[k]] = away
    return out


def _pieces(reference: Any) -> Any:
    """Polygons, points, and lines segment by segment: what is as near as the whole."""
    parts = shapely.get_parts(reference)
    is_line = np.isin(shapely.get_type_id(parts), (1, 2))
    xy, line = shapely.get_coordinates(parts[is_line], return_index=True)
    same = line[1:] == line[:-1]
    segments = shapely.linestrings(np.stack([xy[:-1][same], xy[1:][same]], axis=1))
    return np.concatenate([parts[~is_line], segments])


def _polygons(reference: Any) -> Any:
    """The polygon part of a reference, or None."""
    parts = [p for p in shapely.get_parts(reference) if shapely.get_type_id(p) == 3]
    return shapely.union_all(parts) if parts else None


def _depths(shapes: Any, area: Any) -> npt.NDArray[np.float64]:
    """How deep the deepest corner of each shape's part inside ``area`` stands in it."""
    edge = shapely.boundary(area)
    out = np.zeros(shapes.size)
    for k in np.nonzero(shapely.intersects(shapes, area))[0]:
        inside = shapely.intersection(shapes[k], area)
        corners = shapely.points(shapely.get_coordinates(inside))
        out[k] = shapely.distance(corners, edge).max()
    return out


def inside_shares(crowns: Any, zone: Any) -> npt.NDArray[np.float64]:
    """Share of each crown's area inside a strip, 0 to 1; exactly 0 where it only touches."""
    crowns = np.asarray(crowns, dtype=object)
    out = np.zeros(crowns.size)
    parts = shapely.get_parts(zone)  # of a valid strip they do not lie on one another
    crown, part = shapely.STRtree(parts).query(crowns, predicate="intersects")
    inside = shapely.area(shapely.intersection(crowns[crown], parts[part]))
    hit = np.unique(crown)
    out[hit] = np.bincount(crown, inside, crowns.size)[hit] / shapely.area(crowns[hit])
    return np.clip(out, 0.0, 1.0)


def parts_of(strips: list[Any]) -> list[Any]:
    """An index of the polygons of each strip, for :func:`near`."""
    return [shapely.STRtree(shapely.get_parts(one)) for one in strips]


def near(base: Any, parts: list[Any]) -> list[Any]:
    """Of each strip what may meet a shape: what lies elsewhere takes nothing from it.

    Parameters
    ----------
    base : Polygon or MultiPolygon
    parts : list of STRtree
        Of :func:`parts_of`.
    """
    out = []
    for tree in parts:
        mine = tree.geometries[np.sort(tree.query(base))]
        out.append(mine[0] if mine.size == 1 else shapely.multipolygons(mine))
    return out


def taken(base: Any, strips: list[Any]) -> tuple[list[float], list[float], Any]:
    """What strips take from a shape.

    Returns
    -------
    each : list of float
        Area each strip takes, whether or not another takes it too.
    alone : list of float
        Area that only this strip takes: what would come back without it.
    rest : geometry
        What is left after all.
    """
    cut = [shapely.intersection(base, one) for one in strips]
    alone = []
    for k, piece in enumerate(cut):
        others = [one for i, one in enumerate(strips) if i != k and not shapely.is_empty(one)]
        only = shapely.difference(piece, shapely.union_all(others)) if others else piece
        alone.append(float(shapely.area(only)))
    rest = shapely.difference(base, shapely.union_all(strips)) if strips else base
    return [float(shapely.area(piece)) for piece in cut], alone, rest
