"""Compiled loops for point clouds: triangulations and cells. They check nothing.

A triangulation is two arrays. ``corners`` (t, 3) lists the points of each triangle anticlockwise;
``beyond`` (t, 3) the triangle across the side that faces each corner, -1 on the hull.
"""

from __future__ import annotations

import numpy as np

from geotrim.core._kernels import _jit

#: A determinant smaller than this share of its own terms may have the wrong sign in doubles.
#: Source: Shewchuk 1997, Discrete Comput. Geom. 18, first error bounds: (3 + 16 e) e for the side
#: of a line and (10 + 96 e) e for the circle, e = 2**-53; here a little wider.
SIDE_NOISE = 4e-16
CIRCLE_NOISE = 2e-15
#: A point this share of a triangle's area outside of it still counts as on its side.
ON_SIDE = 1e-11


@_jit
def _side(ax, ay, bx, by, cx, cy):  # type: ignore[no-untyped-def]
    """Twice the area of a, b, c; 0 when its sign is not certain."""
    left, right = (ax - cx) * (by - cy), (ay - cy) * (bx - cx)
    area = left - right
    return area if abs(area) > SIDE_NOISE * (abs(left) + abs(right)) else 0.0


@_jit
def _circle(ax, ay, bx, by, cx, cy, dx, dy):  # type: ignore[no-untyped-def]
    """Above 0 with d inside the circle of a, b, c (anticlockwise); 0 when not certain."""
    adx, ady, bdx, bdy, cdx, cdy = ax - dx, ay - dy, bx - dx, by - dy, cx - dx, cy - dy
    alift, blift = adx * adx + ady * ady, bdx * bdx + bdy * bdy
    clift = cdx * cdx + cdy * cdy
    det = (
        alift * (bdx * cdy - cdx * bdy)
        + blift * (cdx * ady - adx * cdy)
        + clift * (adx * bdy - bdx * ady)
    )
    terms = (
        alift * (abs(bdx * cdy) + abs(cdx * bdy))
        + blift * (abs(cdx * ady) + abs(adx * cdy))
        + clift * (abs(adx * bdy) + abs(bdx * ady))
    )
    return det if abs(det) > CIRCLE_NOISE * terms else 0.0


@_jit
def _slot(beyond, triangle, other):  # type: ignore[no-untyped-def]
    """Which side of a triangle another lies beyond."""
    if beyond[triangle, 0] == other:
        return 0
    return 1 if beyond[triangle, 1] == other else 2


@_jit
def settle(x, y, corners, beyond):  # type: ignore[no-untyped-def]
    """Flip sides, in place, until the triangulation is Delaunay.

    Of four points on one circle the diagonal that is kept ends in the first of them by x, then y,
    so the outcome does not hang on the order of the points. Returns the number of flips.

    Method: Lawson 1977, flips of sides whose circle holds the opposite corner.
    """
    n = corners.shape[0]
    stack, is_waiting = np.arange(n), np.ones(n, np.bool_)
    size, flips = n, 0
    while size > 0 and flips < 100 * n:
        size -= 1
        t = stack[size]
        is_waiting[t] = False
        for k in range(3):
            u = beyond[t, k]
            if u < 0:
                continue
            j = _slot(beyond, u, t)
            p, a, b = corners[t, k], corners[t, (k + 1) % 3], corners[t, (k + 2) % 3]
            q = corners[u, j]
            inside = _circle(x[p], y[p], x[a], y[a], x[b], y[b], x[q], y[q])
            if inside < 0.0:
                continue
            if inside == 0.0:
                first = p
                for other in (q, a, b):
                    if x[other] < x[first] or (x[other] == x[first] and y[other] < y[first]):
                        first = other
                if first != p and first != q:
                    continue
            if _side(x[p], y[p], x[a], y[a], x[q], y[q]) <= 0.0:
                continue
            if _side(x[q], y[q], x[b], y[b], x[p], y[p]) <= 0.0:
                continue
            over_bp, over_pa = beyond[t, (k + 1) % 3], beyond[t, (k + 2) % 3]
            over_aq, over_qb = beyond[u, (j + 1) % 3], beyond[u, (j + 2) % 3]
            corners[t, 0], corners[t, 1], corners[t, 2] = p, a, q
            beyond[t, 0], beyond[t, 1], beyond[t, 2] = over_aq, u, over_pa
            corners[u, 0], corners[u, 1], corners[u, 2] = q, b, p
            beyond[u, 0], beyond[u, 1], beyond[u, 2] = over_bp, t, over_qb
            if over_aq >= 0:
                beyond[over_aq, _slot(beyond, over_aq, u)] = t
            if over_bp >= 0:
                beyond[over_bp, _slot(beyond, over_bp, t)] = u
            flips += 1
            for v in (over_bp, over_pa, over_aq, over_qb, u, t):
                if v >= 0 and not is_waiting[v]:
                    is_waiting[v] = True
                    stack[size] = v
                    size += 1
            break
    return flips


@_jit
def drop_flat(x, y, corners, beyond):  # type: ignore[no-untyped-def]
    """Mark triangles without area on the hull (corner 0 becomes -1) and open the hull to them."""
    n = corners.shape[0]
    stack = np.zeros(4 * n, np.int64)
    stack[:n] = np.arange(n)
    size = n
    while size > 0:
        size -= 1
        t = stack[size]
        a, b, c = corners[t, 0], corners[t, 1], corners[t, 2]
        if a < 0 or (beyond[t, 0] >= 0 and beyond[t, 1] >= 0 and beyond[t, 2] >= 0):
            continue
        if _side(x[a], y[a], x[b], y[b], x[c], y[c]) > 0.0:
            continue
        corners[t, 0] = -1
        for k in range(3):
            u = beyond[t, k]
            if u >= 0:
                beyond[u, _slot(beyond, u, t)] = -1
                stack[size] = u
                size += 1


@_jit
def seed(x, y, corners, west, south, side, wide, high):  # type: ignore[no-untyped-def]
    """For each cell of a coarse grid a triangle to start a walk from: one centred in it, or near.

    Returns a (high * wide,) array, rows from the south.
    """
    seeds = np.full(high * wide, -1, np.int64)
    for t in range(corners.shape[0]):
        a, b, c = corners[t, 0], corners[t, 1], corners[t, 2]
        if a >= 0:
            col = int(((x[a] + x[b] + x[c]) / 3.0 - west) / side)
            row = int(((y[a] + y[b] + y[c]) / 3.0 - south) / side)
            seeds[min(row, high - 1) * wide + min(col, wide - 1)] = t
    last = -1
    for i in range(seeds.size):
        last = seeds[i] if seeds[i] >= 0 else last
        seeds[i] = last
    for i in range(seeds.size - 1, -1, -1):
        last = seeds[i] if seeds[i] >= 0 else last
        seeds[i] = last
    return seeds


@_jit
def _walk(qx, qy, start, x, y, corners, beyond):  # type: ignore[no-untyped-def]
    """Triangle that holds a point, -1 outside the hull."""
    t = start
    for _ in range(corners.shape[0] + 1):
        a, b, c = corners[t, 0], corners[t, 1], corners[t, 2]
        ax, ay, bx, by = x[a] - qx, y[a] - qy, x[b] - qx, y[b] - qy
        cx, cy = x[c] - qx, y[c] - qy
        wa, wb, wc = bx * cy - by * cx, cx * ay - cy * ax, ax * by - ay * bx
        k, least = 0, wa
        if wb < least:
            k, least = 1, wb
        if wc < least:
            k, least = 2, wc
        whole = wa + wb + wc
        if whole > 0.0 and least >= -ON_SIDE * whole:
            return t
        t = beyond[t, k]
        if t < 0:
            return -1
    return -1


@_jit
def find(  # type: ignore[no-untyped-def]
    qx, qy, x, y, corners, beyond, seeds, west, south, side, wide, high, out
):
    """Into ``out``, the triangle that holds each point, -1 outside the hull or where not finite.

    A walk starts from the triangle found last when that is near, else from the seed of the cell.
    Method: the visibility walk, which always ends in a Delaunay triangulation (Devillers, Pion and
    Teillaud 2002, Int. J. Found. Comput. Sci. 13).
    """
    last, last_col, last_row = -1, 0, 0
    for i in range(qx.size):
        px, py = qx[i], qy[i]
        col, row = (px - west) / side, (py - south) / side
        # the hull lies within the grid; NaN fails here too
        if not (col >= -1e-6 and row >= -1e-6 and col <= wide + 1e-6 and row <= high + 1e-6):
            out[i] = -1
            continue
        c, r = min(max(int(col), 0), wide - 1), min(max(int(row), 0), high - 1)
        is_near = last >= 0 and abs(c - last_col) <= 1 and abs(r - last_row) <= 1
        start = last if is_near else seeds[r * wide + c]
        t = _walk(px, py, start, x, y, corners, beyond)
        out[i] = t
        if t >= 0:
            last, last_col, last_row = t, c, r


@_jit
def interpolate(qx, qy, triangle, x, y, z, corners, out):  # type: ignore[no-untyped-def]
    """Into ``out``, the height of the plane through the corners of each point's triangle."""
    for i in range(qx.size):
        t = triangle[i]
        if t < 0:
            out[i] = np.nan
            continue
        a, b, c = corners[t, 0], corners[t, 1], corners[t, 2]
        bx, by, cx, cy = x[b] - x[a], y[b] - y[a], x[c] - x[a], y[c] - y[a]
        px, py = qx[i] - x[a], qy[i] - y[a]
        whole = bx * cy - by * cx
        wb, wc = px * cy - py * cx, bx * py - by * px
        out[i] = z[a] + (wb * (z[b] - z[a]) + wc * (z[c] - z[a])) / whole


@_jit
def circles(x, y, corners, out):  # type: ignore[no-untyped-def]
    """Into ``out`` (t, 3), centre and radius of the circle through each triangle's corners."""
    for t in range(corners.shape[0]):
        a, b, c = corners[t, 0], corners[t, 1], corners[t, 2]
        if a < 0:
            out[t] = np.nan
            continue
        bx, by, cx, cy = x[b] - x[a], y[b] - y[a], x[c] - x[a], y[c] - y[a]
        twice = 2.0 * (bx * cy - by * cx)
        b2, c2 = bx * bx + by * by, cx * cx + cy * cy
        ux, uy = (cy * b2 - by * c2) / twice, (bx * c2 - cx * b2) / twice
        out[t, 0], out[t, 1], out[t, 2] = x[a] + ux, y[a] + uy, np.sqrt(ux * ux + uy * uy)


@_jit
def highest(row, col, value, out):  # type: ignore[no-untyped-def]
    """Raise each cell of ``out`` to the greatest value that falls in it; NaN is nothing."""
    for i in range(row.size):
        r, c, v = row[i], col[i], value[i]
        if 0 <= r < out.shape[0] and 0 <= c < out.shape[1] and not (v <= out[r, c]) and v == v:
            out[r, c] = v


@_jit
def lowest(row, col, value, out):  # type: ignore[no-untyped-def]
    """Lower each cell of ``out`` to the least value that falls in it; NaN is nothing."""
    for i in range(row.size):
        r, c, v = row[i], col[i], value[i]
        if 0 <= r < out.shape[0] and 0 <= c < out.shape[1] and not (v >= out[r, c]) and v == v:
            out[r, c] = v


@_jit
def count(row, col, out):  # type: ignore[no-untyped-def]
    """Add the points that fall in each cell to ``out``."""
    for i in range(row.size):
        r, c = row[i], col[i]
        if 0 <= r < out.shape[0] and 0 <= c < out.shape[1]:
            out[r, c] += 1


@_jit
def between_cells(row, col, raster, out):  # type: ignore[no-untyped-def]
    """Into ``out``, heights read linearly between the middles of four cells; the rim goes on flat.

    row, col : (n,) places, 0 the middle of the first cell.
    """
    rows, cols = raster.shape
    for i in range(row.size):
        r, c = min(max(row[i], 0.0), rows - 1.0), min(max(col[i], 0.0), cols - 1.0)
        r0, c0 = int(r), int(c)
        r1, c1 = min(r0 + 1, rows - 1), min(c0 + 1, cols - 1)
        south, east = r - r0, c - c0
        upper = raster[r0, c0] + east * (raster[r0, c1] - raster[r0, c0])
        lower = raster[r1, c0] + east * (raster[r1, c1] - raster[r1, c0])
        out[i] = upper + south * (lower - upper)
