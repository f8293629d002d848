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
def ring_signs(xy, ring_offsets, is_hole, signs, areas):  # type: ignore[no-untyped-def]
    """Sign that makes each ring count up (shell) or down (hole), and its signed area.

    Coordinates are taken from the ring's first point: far from the origin the shoelace sum would
    lose what it is to find.
    """
    for ring in range(ring_offsets.size - 1):
        first, last = ring_offsets[ring], ring_offsets[ring + 1]
        twice = 0.0
        if last > first:
            x_first, y_first = xy[first, 0], xy[first, 1]
            for i in range(first, last - 1):
                x0, y0 = xy[i, 0] - x_first, xy[i, 1] - y_first
                x1, y1 = xy[i + 1, 0] - x_first, xy[i + 1, 1] - y_first
                twice += x0 * y1 - x1 * y0
        want = -1.0 if is_hole[ring] else 1.0
        # A strip reaches to the right, so an edge that goes down the rows counts up when the
        # inside is on its right; with rows growing downward that is a negative shoelace area.
        signs[ring] = -want if twice > 0.0 else want
        areas[ring] = want * abs(twice) / 2.0


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
        slope = (x_end - x_top) / (y_end - y_top)
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
            if x0 < x1:
                left, right = x0, x1
            else:
                left, right = x1, x0
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
            if right > wide:
                if left >= wide:
                    continue
                part *= (wide - left) / (right - left)
                right = wide
            col = int(left)
            cell = start + col
            if right <= col + 1.0:  # inside one cell
                beyond = 0.5 * (left + right) - col
                acc[cell] += part - part * beyond
                acc[cell + 1] += part * beyond
                continue
            # Across several cells. At a column x the strip has reached ``grown`` of its height,
            # which rises evenly along the edge; a cell's coverage is the mean of it over the cell.
            per_cell = part / (right - left)
            into = col + 1.0 - left
            covered = 0.5 * into * into * per_cell
            grown = into * per_cell
            acc[cell] += covered
            col += 1
            cell += 1
            while right > col + 1.0:
                now = grown + 0.5 * per_cell
                acc[cell] += now - covered
                covered = now
                grown += per_cell
                col += 1
                cell += 1
            into = right - col
            now = grown + into * per_cell * (1.0 - 0.5 * into)
            acc[cell] += now - covered
            acc[cell + 1] += part - now


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
def top_weighted(height, weight, n, above_frac):  # type: ignore[no-untyped-def]
    """Least height with no more than ``above_frac`` of the weight above it. Reorders its input.

    A quickselect that walks down from the top: ``above`` is the weight known to lie above every
    height still in play, which is ``height[low:high]``.
    """
    total = 0.0
    for i in range(n):
        total += weight[i]
    allowed = above_frac * total * (1.0 + SAME_WEIGHT)
    low, high, above = 0, n, 0.0
    pivot = np.nan
    while low < high:
        a, b, c = height[low], height[(low + high) // 2], height[high - 1]
        pivot = max(min(a, b), min(max(a, b), c))  # the middle one
        # three groups: over, level with, and under the pivot
        over, at, under = low, low, high
        over_weight, level_weight = 0.0, 0.0
        while at < under:
            h, w = height[at], weight[at]
            if h > pivot:
                over_weight += w
                height[at], weight[at] = height[over], weight[over]
                height[over], weight[over] = h, w
                over += 1
                at += 1
            elif h == pivot:
                level_weight += w
                at += 1
            else:
                under -= 1
                height[at], weight[at] = height[under], weight[under]
                height[under], weight[under] = h, w
        if above + over_weight > allowed:
            high = over
        elif above + over_weight + level_weight > allowed:
            return pivot
        else:
            above += over_weight + level_weight
            low = at
    return pivot


@_jit
def measure_block(  # type: ignore[no-untyped-def]
    xy,
    ring_offsets,
    signs,
    crown_offsets,
    windows,
    members,
    heights,
    block_row,
    block_col,
    breaks,
    bases,
    min_coverage,
    acc,
    floors,
    seen,
    unseen,
    height_sum,
    top,
    above,
    want_p99,
    p99,
    pair_height,
    pair_weight,
    spill_crown,
    spill_height,
    spill_weight,
):
    """Measure every crown of ``members`` over one block of heights; results are added.

    xy : (v, 2) pixel coordinates (column, row) of the source.
    windows : (n, 4) row0, row1, col0, col1 of each crown, inside the source.
    heights : (rows, cols) of the block whose corner is ``block_row``, ``block_col``; a height that
        is not finite is no data.
    breaks, bases : (k,) and (n,), in the unit of the heights. Canopy is solid from the base to the
        height, so over a break it holds ``height - max(break, base)``.
    acc : scratch, all 0 at the start and at the end.
    floors : (k,) scratch.
    seen, unseen, height_sum, top, above : (n,) and (n, k) of ``above``; area is in cells.
    p99 : (n,), written for crowns that lie wholly in the block; the others' cells are spilled.

    Returns the number of cells spilled.
    """
    block_rows, block_cols = heights.shape
    n_breaks = breaks.size
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
        add_crown(
            acc,
            n_rows,
            n_cols,
            xy,
            ring_offsets,
            signs,
            crown_offsets[crown],
            crown_offsets[crown + 1],
            row0,
            col0,
        )
        base = bases[crown]
        for k in range(n_breaks):
            floors[k] = max(breaks[k], base)
        seen_cells, unseen_cells, sum_here, top_here = 0.0, 0.0, 0.0, -np.inf
        n_pairs = 0
        cell = 0
        for row in range(row0 - block_row, row1 - block_row):
            run = 0.0
            for col in range(col0 - block_col, col1 - block_col):
                run += acc[cell]
                acc[cell] = 0.0
                cell += 1
                if run <= LEAST_COVERAGE:
                    continue
                h = np.float64(heights[row, col])
                if not (-np.inf < h < np.inf):
                    unseen_cells += run
                    continue
                seen_cells += run
                sum_here += run * h
                for k in range(n_breaks):
                    if h > floors[k]:
                        above[crown, k] += run * (h - floors[k])
                if run >= min_coverage:
                    if h > top_here:
                        top_here = h
                    if want_p99:
                        pair_height[n_pairs] = h
                        pair_weight[n_pairs] = run
                        n_pairs += 1
            acc[cell] = 0.0
            acc[cell + 1] = 0.0
            cell += 2
        seen[crown] += seen_cells
        unseen[crown] += unseen_cells
        height_sum[crown] += sum_here
        if top_here > top[crown]:
            top[crown] = top_here
        if not want_p99:
            continue
        is_whole = (
            row0 == windows[crown, 0]
            and row1 == windows[crown, 1]
            and col0 == windows[crown, 2]
            and col1 == windows[crown, 3]
        )
        if is_whole:
            if n_pairs > 0:
                p99[crown] = top_weighted(pair_height, pair_weight, n_pairs, 0.01)
        else:
            for i in range(n_pairs):
                spill_crown[n_spilled] = crown
                spill_height[n_spilled] = pair_height[i]
                spill_weight[n_spilled] = pair_weight[i]
                n_spilled += 1
    return n_spilled
