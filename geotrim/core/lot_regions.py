"""Where a tree belongs to a lot: the lot, the water between its limits, and the strip between.

The strip closes the gap of a lot that stops short of the shore by up to the reach. All lots are
worked at once, so that the cost of each does not hang on how many there are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core.shoreline import Array

Shapes = npt.NDArray[np.object_]
Numbers = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class LotParts:
    """What the regions of n lots are made of.

    lots : (n,) polygons as they were given.
    parts, owner : (m,) valid polygons, and the number of the lot each is part of; a lot's own
        polygon first, then its water, then its strips.
    """

    lots: Shapes
    parts: Shapes
    owner: Numbers


def valid_parts(shapes: Shapes) -> Shapes:
    """The same shapes, those that cross themselves made valid."""
    is_bad = ~shapely.is_valid(shapes)
    if not is_bad.any():
        return shapes
    out = shapes.copy()
    out[is_bad] = shapely.make_valid(shapes[is_bad], method="structure")
    return out


def parts_of(
    lots: Shapes,
    water: Shapes,
    water_owner: Numbers,
    runs: Shapes,
    run_owner: Numbers,
    reach: float,
) -> LotParts:
    """Parts of the regions of all lots.

    Parameters
    ----------
    lots : (n,) array of Polygon or MultiPolygon
    water : (m,) array of Polygon or MultiPolygon
        Water between limits, or around an island; ``water_owner`` is the number of its lot.
    runs : (k,) array of LineString
        Stretches of frontage, water on their left; ``run_owner`` likewise.
    reach : float
        [map units]
    """
    parts, owner = [lots, water], [np.arange(len(lots)), water_owner]
    if reach > 0 and len(runs):
        parts.append(shapely.buffer(runs, -reach, single_sided=True))
        owner.append(run_owner)
    every, whose = np.concatenate(parts), np.concatenate(owner).astype(np.intp)
    order = np.argsort(whose, kind="stable")
    return LotParts(lots, valid_parts(every[order]), whose[order])


def unions(parts: LotParts) -> Shapes:
    """The whole region of each lot, (n,)."""
    n = len(parts.lots)
    out = np.full(n, None, dtype=object)
    start = np.searchsorted(parts.owner, np.arange(n + 1))
    count = np.diff(start)
    for size in np.unique(count):
        which = np.flatnonzero(count == size)
        out[which] = shapely.union_all(parts.parts[start[which][:, None] + np.arange(size)], axis=1)
    return out


def first_holders(points: Array, parts: LotParts) -> Numbers:
    """Number of the first lot each point stands in, else of the first whose region holds it; or -1.

    Parameters
    ----------
    points : (p, 2) array
    parts : LotParts
    """
    none = max(len(parts.lots), 1)
    if len(points) == 0 or len(parts.lots) == 0:
        return np.full(len(points), -1, dtype=np.intp)
    tree = shapely.STRtree(shapely.points(points))
    out = np.full(len(points), none, dtype=np.intp)
    for shapes, owner in ((parts.lots, np.arange(len(parts.lots))), (parts.parts, parts.owner)):
        shape, point = tree.query(shapes, predicate="intersects")
        free = out[point] == none
        holder = np.full(len(points), none, dtype=np.intp)
        np.minimum.at(holder, point[free], owner[shape[free]])
        out = np.where(out == none, holder, out)
    return np.where(out == none, -1, out)
