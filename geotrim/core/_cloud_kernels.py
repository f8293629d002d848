"""Compiled loops for point clouds: finding triangles, and filling cells. They check nothing.

Triangulations are as in ``_delaunay.py``: ``corners`` (t, 3) and ``beyond`` (t, 3).
"""

from __future__ import annotations

import numpy as np

from geotrim.core._kernels import _jit

#: A point this share of a triangle's area outside of it still counts as on its side.
ON_SIDE = 1e-9


@_jit
def seed(x, y, corners, west, south, side, wide, high):  # type: ignore[no-untyped-def]
    """For each cell of a coarse grid a triangle to start a walk from: one centred in it, or near.

    Returns a (high * wide,) array, rows from the south.
    """
    seeds = np.full(high * wide, -1, np.int64)
    for t in range(corners.shape[0]):
        a, b, c = corners[t, 0], corners[t, 1], corners[t, 2]
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
        if least >= -ON_SIDE * (wa + wb + wc):
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
def radii(x, y, corners, out):  # type: ignore[no-untyped-def]
    """Into ``out`` (t,), the radius of the circle through each triangle's corners."""
    for t in range(corners.shape[0]):
        a, b, c = corners[t, 0], corners[t, 1], corners[t, 2]
        bx, by, cx, cy = x[b] - x[a], y[b] - y[a], x[c] - x[a], y[c] - y[a]
        twice = 2.0 * (bx * cy - by * cx)
        b2, c2 = bx * bx + by * by, cx * cx + cy * cy
        ux, uy = (cy * b2 - by * c2) / twice, (bx * c2 - cx * b2) / twice
        out[t] = np.sqrt(ux * ux + uy * uy)


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
