"""Compiled loops for squares across a stretch: where they stand, and what they cross of a shape.

The outline of a fringe runs along squares, so a ray often lies on edges of it, and rounding chooses
the side. Such rays are told apart; their lengths are the greatest they can be.
"""

from __future__ import annotations

import numpy as np

from geotrim.core._baseline_kernels import arcs, interpolated
from geotrim.core._kernels import _jit

#: A vertex this close to a ray is on it, as a share of the ray's coordinates: what an overlay may
#: move a vertex by to make its work robust.
ON_RAY = 2e-12


@_jit
def squares(xy, stations, where):  # type: ignore[no-untyped-def]
    """Points of a smoothed line at stations, and unit vectors square to it, to its left.

    As ``Baseline.at`` and ``Baseline.normal`` have them, to the last bit.
    """
    s = arcs(xy)
    x, y = xy[:, 0].copy(), xy[:, 1].copy()
    length = s[-1]
    longest = 0.0
    for i in range(s.size - 1):
        longest = max(longest, s[i + 1] - s[i])
    half = max(2.0 * longest / 2, 1e-6 * max(length, 1e-9))
    origin, out = np.empty((where.size, 2)), np.empty((where.size, 2))
    for j in range(where.size):
        origin[j, 0] = interpolated(where[j], stations, x)
        origin[j, 1] = interpolated(where[j], stations, y)
        along = interpolated(where[j], stations, s)
        ahead, back = min(along + half, length), max(along - half, 0.0)
        dx = interpolated(ahead, s, x) - interpolated(back, s, x)
        dy = interpolated(ahead, s, y) - interpolated(back, s, y)
        size = np.sqrt(dx * dx + dy * dy)
        if not size > 1e-12 * max(length, 1e-9):
            dx, dy = x[-1] - x[0], y[-1] - y[0]
            size = np.sqrt(dx * dx + dy * dy)
        out[j, 0], out[j, 1] = (-dy / size, dx / size) if size > 0 else (np.nan, np.nan)
    return origin, out


@_jit
def _odd_length(places, n, size):  # type: ignore[no-untyped-def]
    """Length between the first and second place, the third and fourth, ... within 0 to size."""
    places[:n].sort()
    total = 0.0
    for i in range(0, n - 1, 2):
        total += max(0.0, min(places[i + 1], size) - max(places[i], 0.0))
    return total


@_jit
def _shared_length(one, n, other, m, size):  # type: ignore[no-untyped-def]
    """Length that two sorted lists of places share, each taken two by two."""
    total = 0.0
    i, j = 0, 0
    while i < n - 1 and j < m - 1:
        low, high = max(one[i], other[j], 0.0), min(one[i + 1], other[j + 1], size)
        total += max(0.0, high - low)
        if one[i + 1] < other[j + 1]:
            i += 2
        else:
            j += 2
    return total


@_jit
def across(origin, out, search, xy, ring_offsets):  # type: ignore[no-untyped-def]
    """Length of polygons on each ray, from ``search`` behind its origin to as far ahead of it.

    xy, ring_offsets : closed rings, shells and holes alike, of polygons that do not overlap.

    Returns
    -------
    lengths : (n,) what lies on an edge counts as inside: a ray along an edge is asked just left and
        just right of it, and what is inside on either side counts.
    is_on : (n,) whether a vertex is on the ray: the length is then the greatest it can be.
    """
    n_rays, n_rings = origin.shape[0], ring_offsets.size - 1
    lengths, is_on = np.zeros(n_rays), np.zeros(n_rays, dtype=np.bool_)
    left, right = np.empty(xy.shape[0]), np.empty(xy.shape[0])
    for k in range(n_rays):
        ax, ay = origin[k, 0] - out[k, 0] * search, origin[k, 1] - out[k, 1] * search
        bx, by = origin[k, 0] + out[k, 0] * search, origin[k, 1] + out[k, 1] * search
        size = np.sqrt((bx - ax) * (bx - ax) + (by - ay) * (by - ay))
        way_x, way_y = (bx - ax) / size, (by - ay) / size
        close = ON_RAY * (abs(ax) + abs(ay))
        n_left, n_right = 0, 0
        for ring in range(n_rings):
            before, before_at = 0.0, 0.0
            for i in range(ring_offsets[ring], ring_offsets[ring + 1]):
                x, y = xy[i, 0], xy[i, 1]
                side = way_x * (y - ay) - way_y * (x - ax)
                side = 0.0 if abs(side) <= close else side
                at = (x - ax) * way_x + (y - ay) * way_y
                is_on[k] = is_on[k] or side == 0.0
                if i > ring_offsets[ring]:
                    is_left, is_right = (side > 0) != (before > 0), (side < 0) != (before < 0)
                    if is_left or is_right:
                        place = before_at + before / (before - side) * (at - before_at)
                        if is_left:
                            left[n_left] = place
                            n_left += 1
                        if is_right:
                            right[n_right] = place
                            n_right += 1
                before, before_at = side, at
        lengths[k] = _odd_length(left, n_left, size)
        if is_on[k]:
            lengths[k] += _odd_length(right, n_right, size)
            lengths[k] -= _shared_length(left, n_left, right, n_right, size)
    return lengths, is_on
