"""Which points of a cloud lie in which crowns."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from geotrim.core.coverage import Floats, Ints

#: Most squares along a side of the grid that points are sorted by.
MOST_SQUARES = 4000
#: Pairs of a point and a crown near it that are looked at in one go; some 200 MB.
PAIRS = 4_000_000


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

    Notes
    -----
    Points are sorted into squares about as wide as a crown, row by row, so that those near a crown
    are a few runs; each of these is then asked of the polygon itself.

    Examples
    --------
    >>> crowns = np.array([shapely.box(0, 0, 2, 2), shapely.box(1, 1, 3, 3)])
    >>> x, y = np.array([1.5, 9.0, 3.0]), np.array([1.5, 9.0, 2.0])
    >>> point, crown = points_in_crowns(x, y, crowns)
    >>> point.tolist(), crown.tolist()
    ([0, 0, 2], [0, 1, 1])
    """
    bounds = shapely.bounds(shapes).reshape(-1, 4)
    used = np.flatnonzero(~np.isnan(bounds[:, 0]))
    none = np.empty(0, np.int64)
    if not x.size or not used.size:
        return none, none
    used, starts, ends, order = _runs(x, y, used, bounds)
    found: list[tuple[Ints, Ints]] = []
    many = np.cumsum(ends - starts) // PAIRS
    for group in np.split(np.arange(used.size), np.flatnonzero(np.diff(many)) + 1):
        length = (ends - starts)[group]
        first = np.repeat(starts[group] - (np.cumsum(length) - length), length)
        point, crown = order[first + np.arange(first.size)], np.repeat(used[group], length)
        inside = shapely.intersects_xy(shapes[crown], x[point], y[point])
        found.append((point[inside], crown[inside]))
    point, crown = (np.concatenate([pair[k] for pair in found]) for k in (0, 1))
    sort = np.lexsort((point, crown))
    return point[sort], crown[sort]


def _runs(x: Floats, y: Floats, used: Ints, bounds: Floats) -> tuple[Ints, Ints, Ints, Ints]:
    """Runs of points near crowns: crown, start and end in an order of the points; the order."""
    west, south, east, north = x.min(), y.min(), x.max(), y.max()
    typical = float(np.median(bounds[used, 2:] - bounds[used, :2]))
    side = max(typical, (east - west) / MOST_SQUARES, (north - south) / MOST_SQUARES, 1e-9)
    across = int((east - west) / side) + 1
    key = ((y - south) / side).astype(np.int64) * across + ((x - west) / side).astype(np.int64)
    order = np.argsort(key, kind="stable")
    key = key[order]
    box = bounds[used]
    is_near = (box[:, 2] >= west) & (box[:, 0] <= east)
    is_near &= (box[:, 3] >= south) & (box[:, 1] <= north)
    used, box = used[is_near], box[is_near]
    col0, col1 = ((np.clip(box[:, k], west, east) - west) / side for k in (0, 2))
    row0, row1 = ((np.clip(box[:, k], south, north) - south) / side for k in (1, 3))
    col0, col1, row0, row1 = (a.astype(np.int64) for a in (col0, col1, row0, row1))
    n_rows = row1 - row0 + 1
    at = np.repeat(np.arange(used.size), n_rows)
    row = row0[at] + np.arange(at.size) - np.repeat(np.cumsum(n_rows) - n_rows, n_rows)
    starts = np.searchsorted(key, row * across + col0[at], side="left")
    ends = np.searchsorted(key, row * across + col1[at], side="right")
    return used[at], starts, ends, order
