"""Compiled loops. They check nothing: every caller is a shell that has checked shapes and limits.

Two ideas carry this file.

*Signed area.* An edge of a ring sweeps, over each row of cells it crosses, a strip that reaches to
the right. What the strip takes of the cells it starts in is a trapezoid with a closed form; all
cells farther right take its full height. Writing only the differences between neighbouring cells
and summing along the row afterwards gives the exact area of ring and cell, for any number of rings
with their signs: shells count up, holes count down.

*One pass.* The running sum along a row is the cell's coverage at that moment, so every statistic
is taken there and then, and the scratch row is wiped behind it.

With ``NUMBA_DISABLE_JIT=1`` the same lines run as plain Python and give the same numbers: no loop
is reordered and no product is fused.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numba import njit

#: A running sum is not exactly 0 outside a crown; what is covered less than this is not covered.
#: Rounding leaves some 1e-16 for each edge and cell.
LEAST_COVERAGE = 1e-12
#: Two weights closer than this (relative) are the same weight, for the percentile's edge.
SAME_WEIGHT = 1e-9


def _jit(function: Callable[..., Any]) -> Any:
    try:
        return njit(cache=True, nogil=True, error_model="numpy")(function)
    except RuntimeError:  # nowhere to write the cache: compile anew in each process
        return njit(nogil=True, error_model="numpy")(function)


@_jit
def blank(heights, nodata, huge):  # type: ignore[no-untyped-def]
    """NaN, in place, where a height is the no-data value, not finite or absurdly large."""
    flat = heights.reshape(heights.size)
    for i in range(flat.size):
        h = flat[i]
        is_bad = (h == nodata) | (not (abs(h) < huge))
        flat[i] = np.nan if is_bad else h


@_jit
def to_pixels(  # type: ignore[no-untyped-def]
    xy, ring_offsets, is_hole, crown_offsets, transform, n_rows, n_cols, out, signs, areas, windows
):
    """Take every vertex through the inverse of a transform, and see what each crown touches.

    out : (v, 2) column, row.
    signs : (r,) sign that makes each ring count up (shell) or down (hole), whichever way it runs.
    areas : (n,) shells less holes. [cells]
    windows : (n, 4) row0, row1, col0, col1 inside the grid; left at 0 for a crown off the grid or
        with a vertex that is not finite.
    """
    a, b, c = transform[0], transform[1], transform[2]
    d, e, f = transform[3], transform[4], transform[5]
    det = a * e - b * d
    col_x, col_y, row_x, row_y = e / det, -b / det, -d / det, a / det
    for crown in range(crown_offsets.size - 1):
        west, east, north, south = np.inf, -np.inf, np.inf, -np.inf
        is_finite = True
        area = 0.0
        for ring in range(crown_offsets[crown], crown_offsets[crown + 1]):
            twice = 0.0
            col_first, row_first, col_before, row_before = 0.0, 0.0, 0.0, 0.0
            first = ring_offsets[ring]
            for i in range(first, ring_offsets[ring + 1]):
                # the origin first, so that large coordinates lose nothing
                x, y = xy[i, 0] - c, xy[i, 1] - f
                col, row = col_x * x + col_y * y, row_x * x + row_y * y
                out[i, 0], out[i, 1] = col, row
                is_finite = is_finite and abs(col) < np.inf and abs(row) < np.inf
                west, east = min(west, col), max(east, col)
                north, south = min(north, row), max(south, row)
                if i == first:
                    col_first, row_first = col, row
                # from the ring's first point: far from 0 the sum would lose what it is to find
                col, row = col - col_first, row - row_first
                twice += col_before * row - col * row_before
                col_before, row_before = col, row
            want = -1.0 if is_hole[ring] else 1.0
            # A strip reaches to the right, so an edge down the rows counts up when the inside is
            # on its right: with rows growing downward, that is a ring of negative area.
            signs[ring] = -want if twice > 0.0 else want
            area += want * abs(twice) / 2.0
        areas[crown] = area
        if is_finite and east > 0.0 and south > 0.0 and west < n_cols and north < n_rows:
            windows[crown, 0] = int(np.floor(max(north, 0.0)))
            windows[crown, 1] = int(np.ceil(min(south, float(n_rows))))
            windows[crown, 2] = int(np.floor(max(west, 0.0)))
            windows[crown, 3] = int(np.ceil(min(east, float(n_cols))))


@_jit
def add_ring(acc, n_rows, n_cols, xy, first, last, sign, row0, col0):  # type: ignore[no-untyped-def]
    """Add one closed ring to the differences of a window.

    acc : at least n_rows * (n_cols + 2), row by row: two cells to spare beside each row.
    xy : (column, row) coordinates; ``row0``, ``col0`` is the window's corner.
    """
    stride = n_cols + 2
    wide = float(n_cols)
    high = float(n_rows)
    xb = xy[first, 0] - col0
    yb = xy[first, 1] - row0
    for i in range(first + 1, last):
        xa, ya = xb, yb
        xb = xy[i, 0] - col0
        yb = xy[i, 1] - row0
        if ya == yb:
            continue
        if ya < yb:
            x_top, y_top, x_end, y_end, way = xa, ya, xb, yb, sign
        else:
            x_top, y_top, x_end, y_end, way = xb, yb, xa, ya, -sign
        if y_end <= 0.0 or y_top >= high:
            continue
        across = x_end - x_top
        slope = across / (y_end - y_top)
        # height gained over one column; an upright edge never gets to use it
        per_col = way * (y_end - y_top) / abs(across) if across != 0.0 else 0.0
        x0, y0 = x_top, y_top
        if y_top < 0.0:
            x0, y0 = x_top - y_top * slope, 0.0
        row = int(y0)
        while row < n_rows and y0 < y_end:
            y1 = row + 1.0
            if y1 < y_end:
                x1 = x_top + (y1 - y_top) * slope
            else:
                x1, y1 = x_end, y_end
            part = way * (y1 - y0)
            left, right = min(x0, x1), max(x0, x1)
            x0, y0 = x1, y1
            start = row * stride
            row += 1
            if left < 0.0:
                if right <= 0.0:  # left of the window: every cell of the row is to its right
                    acc[start] += part
                    continue
                share = -left / (right - left)
                acc[start] += part * share
                part -= part * share
                left = 0.0
            if right >= wide:
                if left >= wide:
                    continue
                part *= (wide - left) / (right - left)
                right = wide
            # What the strip takes left of a column x is ``part * (x - middle)`` for x beyond the
            # edge, and ``per_col * (right - x)**2 / 2`` more for x still on it.
            middle = 0.5 * (left + right)
            col = int(left)
            cell = start + col
            beyond = max(right - (col + 1.0), 0.0)
            covered = part * (col + 1.0 - middle) + 0.5 * per_col * beyond * beyond
            acc[cell] += covered
            if beyond <= 1.0:  # in one cell or two
                both = part * (col + 2.0 - middle)
                acc[cell + 1] += both - covered - covered
                acc[cell + 2] += part - (both - covered)
                continue
            # Across many cells: the height reached rises evenly from column to column, and a
            # cell's coverage is the mean of it over the cell.
            grown = per_col * (col + 1.0 - left)
            while beyond > 1.0:
                cell += 1
                now = grown + 0.5 * per_col
                acc[cell] += now - covered
                covered = now
                grown += per_col
                beyond -= 1.0
            now = grown + per_col * beyond * (1.0 - 0.5 * beyond)
            acc[cell + 1] += now - covered
            acc[cell + 2] += part - now


@_jit
def add_crown(acc, n_rows, n_cols, xy, ring_offsets, signs, first_ring, last_ring, row0, col0):  # type: ignore[no-untyped-def]
    """Add every ring of one crown to the differences of a window."""
    for ring in range(first_ring, last_ring):
        first, last = ring_offsets[ring], ring_offsets[ring + 1]
        if last > first:
            add_ring(acc, n_rows, n_cols, xy, first, last, signs[ring], row0, col0)


@_jit
def coverage(acc, n_rows, n_cols, out):  # type: ignore[no-untyped-def]
    """Sum the differences along each row into coverage, wiping them."""
    cell = 0
    for row in range(n_rows):
        run = 0.0
        for col in range(n_cols):
            run += acc[cell]
            acc[cell] = 0.0
            cell += 1
            out[row, col] = run if run > LEAST_COVERAGE else 0.0
        acc[cell] = 0.0
        acc[cell + 1] = 0.0
        cell += 2


@_jit
def push(height, weight, n, h, w):  # type: ignore[no-untyped-def]
    """Add to a heap of n cells whose lowest height is at the root."""
    at = n
    while at > 0:
        parent = (at - 1) // 2
        if height[parent] <= h:
            break
        height[at], weight[at] = height[parent], weight[parent]
        at = parent
    height[at], weight[at] = h, w


@_jit
def pop(height, weight, n):  # type: ignore[no-untyped-def]
    """Take the root off a heap of n cells."""
    n -= 1
    h, w = height[n], weight[n]
    at, child = 0, 1
    while child < n:
        if child + 1 < n and height[child + 1] < height[child]:
            child += 1
        if h <= height[child]:
            break
        height[at], weight[at] = height[child], weight[child]
        at, child = child, 2 * child + 1
    height[at], weight[at] = h, w


@_jit
def keep_top(height, weight, n, heaped, limit, h, w):  # type: ignore[no-untyped-def]
    """Offer a cell to the heap of the highest cells; returns its new size and weight.

    The heap keeps just enough: without its lowest cell it would hold no more than ``limit``. So a
    percentile that leaves at most ``limit`` above it is the height of a cell in the heap.
    """
    if heaped > limit and h <= height[0]:
        return n, heaped
    push(height, weight, n, h, w)
    n += 1
    heaped += w
    while n > 1 and heaped - weight[0] > limit:
        heaped -= weight[0]
        pop(height, weight, n)
        n -= 1
    return n, heaped


@_jit
def least_allowed(height, weight, n, allowed):  # type: ignore[no-untyped-def]
    """Least height of a heap with at most ``allowed`` weight above it. Empties the heap."""
    above = 0.0
    for i in range(n):
        above += weight[i]
    h = np.nan
    while n > 0:
        h = height[0]
        while n > 0 and height[0] == h:
            above -= weight[0]
            pop(height, weight, n)
            n -= 1
        if above <= allowed:
            break
    return h


@_jit
def measure_block(  # type: ignore[no-untyped-def]
    xy,
    ring_offsets,
    signs,
    crown_offsets,
    windows,
    members,
    heights,
    block_cols,
    block_row,
    block_col,
    breaks,
    bases,
    least_coverage,
    limits,
    acc,
    seen,
    counted,
    height_sum,
    top,
    above,
    above_frac,
    p99,
    heap_height,
    heap_weight,
    spill_crown,
    spill_height,
    spill_weight,
):
    """Measure every crown of ``members`` over one block of heights, what others hold left out.

    xy : (v, 2) pixel coordinates (column, row) of the source.
    windows : (n, 4) row0, row1, col0, col1 of each crown, inside the source.
    heights : cells of the block row by row, ``block_cols`` wide, whose corner is ``block_row``,
        ``block_col``; a height that is not finite is no data.
    breaks, bases : (k,) and (n,), in the unit of the heights. Canopy is solid from the base to the
        height, so over a break it holds ``height - max(break, base)``. k is 3 or more.
    limits : (n,) weight that may lie above the percentile, at most; below 0 to leave it out.
    acc : scratch, all 0 at the start and at the end.
    seen, counted, height_sum, top, above : (m,) and (m, k) of ``above``, for the m crowns of
        ``members``: what this block holds of them. Area is in cells. ``counted`` holds the cells
        that count for the top and the percentile. Left as they are where nothing is held.
    p99 : (n,) written for crowns that lie wholly in the block, which need not wait.
    spill_crown, spill_height, spill_weight : for the highest cells of the others.

    Returns the number of cells spilled.
    """
    n_breaks = breaks.size
    block_rows = heights.size // block_cols
    n_spilled = 0
    for member in range(members.size):
        crown = members[member]
        row0 = max(windows[crown, 0], block_row)
        row1 = min(windows[crown, 1], block_row + block_rows)
        col0 = max(windows[crown, 2], block_col)
        col1 = min(windows[crown, 3], block_col + block_cols)
        n_rows, n_cols = row1 - row0, col1 - col0
        if n_rows <= 0 or n_cols <= 0:
            continue
        first_ring, last_ring = crown_offsets[crown], crown_offsets[crown + 1]
        add_crown(acc, n_rows, n_cols, xy, ring_offsets, signs, first_ring, last_ring, row0, col0)
        base, limit = bases[crown], limits[crown]
        low, middle, high = max(breaks[0], base), max(breaks[1], base), max(breaks[2], base)
        over_low, over_middle, over_high = 0.0, 0.0, 0.0
        seen_here, counted_here, sum_here, top_here = 0.0, 0.0, 0.0, -np.inf
        n_heap, heaped = 0, 0.0
        bar = -np.inf if limit >= 0.0 else np.inf  # what a height must be over to matter
        cell = 0
        for row in range(row0 - block_row, row1 - block_row):
            at = row * block_cols + col0 - block_col
            run = 0.0
            for _ in range(n_cols):
                run += acc[cell]
                w = run if run > LEAST_COVERAGE else 0.0
                h = np.float64(heights[at])
                at += 1
                is_seen = abs(h) < np.inf
                acc[cell] = w if is_seen else 0.0  # for the breaks beyond the third
                cell += 1
                if is_seen:
                    seen_here += w
                    sum_here += w * h
                    over_low += w * max(h - low, 0.0)
                    over_middle += w * max(h - middle, 0.0)
                    over_high += w * max(h - high, 0.0)
                    if w >= least_coverage:
                        counted_here += w
                        if h > top_here:
                            top_here = h
                        if h > bar:
                            n_heap, heaped = keep_top(
                                heap_height, heap_weight, n_heap, heaped, limit, h, w
                            )
                            if heaped > limit:
                                bar = heap_height[0]
            acc[cell] = 0.0
            acc[cell + 1] = 0.0
            cell += 2
        seen[member] = seen_here
        counted[member] = counted_here
        height_sum[member] = sum_here
        above[member, 0] = over_low
        above[member, 1] = over_middle
        above[member, 2] = over_high
        top[member] = top_here
        is_whole = (
            n_rows == windows[crown, 1] - windows[crown, 0]
            and n_cols == windows[crown, 3] - windows[crown, 2]
        )
        if is_whole and n_heap > 0:
            allowed = above_frac * counted_here * (1.0 + SAME_WEIGHT)
            p99[crown] = least_allowed(heap_height, heap_weight, n_heap, allowed)
            n_heap = 0
        for i in range(n_heap):
            spill_crown[n_spilled] = crown
            spill_height[n_spilled] = heap_height[i]
            spill_weight[n_spilled] = heap_weight[i]
            n_spilled += 1
        for k in range(3, n_breaks):
            low = max(breaks[k], base)
            over_low = 0.0
            cell = 0
            for row in range(row0 - block_row, row1 - block_row):
                at = row * block_cols + col0 - block_col
                for _ in range(n_cols):
                    if acc[cell] > 0.0:
                        over_low += acc[cell] * max(np.float64(heights[at]) - low, 0.0)
                    at += 1
                    cell += 1
                cell += 2
            above[member, k] = over_low
        for i in range(n_rows * (n_cols + 2)):
            acc[i] = 0.0
    return n_spilled


@_jit
def add_up(crowns, part, part_above, part_top, total, above, top):  # type: ignore[no-untyped-def]
    """Add what each block holds of each crown to the crown, in the order of the list.

    crowns : (m,) the owner of each part.
    part, total : (3, m) and (3, n) what is simply added.
    part_above, above : (m, k) and (n, k), added too.
    part_top, top : (m,) and (n,), of which the greatest counts.
    """
    for i in range(crowns.size):
        crown = crowns[i]
        for k in range(3):
            total[k, crown] += part[k, i]
        for k in range(above.shape[1]):
            above[crown, k] += part_above[i, k]
        top[crown] = max(top[crown], part_top[i])


@_jit
def percentiles(starts, crown, height, weight, counted, above_frac, limits, out):  # type: ignore[no-untyped-def]
    """Percentile of each crown from the highest cells of its blocks, which lie together.

    starts : first cell of each crown in the list, and the end of the list.
    """
    for group in range(starts.size - 1):
        first, last = starts[group], starts[group + 1]
        owner = crown[first]
        n, heaped = 0, 0.0
        for i in range(first, last):
            h, w = height[i], weight[i]
            n, heaped = keep_top(height[first:], weight[first:], n, heaped, limits[owner], h, w)
        allowed = above_frac * counted[owner] * (1.0 + SAME_WEIGHT)
        out[owner] = least_allowed(height[first:], weight[first:], n, allowed)
