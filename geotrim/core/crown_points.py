"""Which points of a cloud lie in which crowns."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from geotrim.core.coverage import Floats, Ints


def points_in_crowns(x: Floats, y: Floats, shapes: Any) -> tuple[Ints, Ints]:
    """Pairs of a point and a crown that holds it.

    Parameters
    ----------
    x, y : (n,) arrays
    shapes : (m,) array of polygons
        Prepared ones (``shapely.prepare``) are quick. None or empty holds nothing.

    Returns
    -------
    point, crown : (k,) arrays
        Places in the arrays, crown by crown. A point in two crowns, or on the edge of one, counts
        for each.

    Examples
    --------
    >>> crowns = np.array([shapely.box(0, 0, 2, 2), shapely.box(1, 1, 3, 3)])
    >>> x, y = np.array([1.5, 9.0, 3.0]), np.array([1.5, 9.0, 2.0])
    >>> point, crown = points_in_crowns(x, y, crowns)
    >>> point.tolist(), crown.tolist()
    ([0, 0, 2], [0, 1, 1])
    """
    bounds = shapely.bounds(shapes).reshape(-1, 4)
    order = np.argsort(x, kind="stable")
    first = np.searchsorted(x[order], bounds[:, 0], side="left")
    last = np.searchsorted(x[order], bounds[:, 2], side="right")
    points: list[Ints] = [np.empty(0, np.int64)]
    crowns: list[Ints] = [np.empty(0, np.int64)]
    for at in np.flatnonzero((last > first) & ~np.isnan(bounds[:, 0])):
        near = order[first[at] : last[at]]
        near = near[(y[near] >= bounds[at, 1]) & (y[near] <= bounds[at, 3])]
        inside = near[shapely.intersects_xy(shapes[at], x[near], y[near])]
        points.append(np.sort(inside))
        crowns.append(np.full(inside.size, at))
    return np.concatenate(points), np.concatenate(crowns)
