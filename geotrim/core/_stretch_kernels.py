"""Compiled loops that cut frontages into stretches. They check nothing."""

from __future__ import annotations

import numpy as np

from geotrim.core._kernels import _jit
from geotrim.core._plane_kernels import room
from geotrim.core._shore_kernels import ZERO, at_between, lean, vertex_before
from geotrim.core.shoreline import TINY


@_jit
def add_part(shore, first, last, low, high, xy, n):  # type: ignore[no-untyped-def]
    """Add the points of a chain from one position to another, vertices closer to the ends left out.

    first, last : vertices of the chain. Returns the table and how many points there are.
    """
    here = vertex_before(shore, low, first, last)
    stop = vertex_before(shore, high, first, last)
    xy = room(xy, n + stop - here + 2)
    xy[n, 0], xy[n, 1] = at_between(shore, low, first, last)
    n += 1
    for vertex in range(here, stop + 1):
        if low + TINY < shore.s[vertex] < high - TINY:
            xy[n, 0], xy[n, 1] = shore.xy[vertex, 0], shore.xy[vertex, 1]
            n += 1
    xy[n, 0], xy[n, 1] = at_between(shore, high, first, last)
    return xy, n + 1


@_jit
def turn_round(xy, first, last):  # type: ignore[no-untyped-def]
    """Put rows in the other order, in place."""
    while first < last - 1:
        last -= 1
        x, y = xy[first, 0], xy[first, 1]
        xy[first, 0], xy[first, 1] = xy[last, 0], xy[last, 1]
        xy[last, 0], xy[last, 1] = x, y
        first += 1


@_jit
def turn_ends(ends, first, last, both):  # type: ignore[no-untyped-def]
    """Put rows in the other order and take each off a number, in place."""
    for i in range((last - first + 1) // 2):
        one, other = first + i, last - 1 - i
        end = ends[one, 0]
        ends[one, 0], ends[other, 0] = both - ends[other, 0], both - end


@_jit
def first_past(values, s, low, high):  # type: ignore[no-untyped-def]
    """First of the rising values from low to high - 1 that is past a position, else high."""
    while low < high:
        middle = (low + high) // 2
        if values[middle] > s:
            high = middle
        else:
            low = middle + 1
    return low


@_jit
def cut_claims(shore, corners, corner_first, chain, low, high, edges, edge_offsets, unit, margin):  # type: ignore[no-untyped-def]
    """Stretches of claims that are each a lot's only one: cut at corners, the water on their left.

    corners, corner_first : positions of corners, chain after chain; (c + 1,).
    chain, low, high : (n,) claims. edges, edge_offsets : of the lot of each.
    margin : the side is sure where the lot leans by more than this, as ``lean`` counts.

    Returns points, (k, 1) where the points of each stretch end, (k, 1) its claim, and (n,) how each
    lot leans.
    """
    xy, ends, owners = (
        np.empty((1024, 2)),
        np.empty((256, 1), np.int64),
        np.empty((256, 1), np.int64),
    )
    leans = np.empty(chain.size, np.int64)
    lines = np.empty((64, 4))
    n = n_ends = ZERO
    for i in range(chain.size):
        first, last = shore.first[chain[i]], shore.first[chain[i] + 1] - 1
        start_xy, start_ends, start = n, n_ends, low[i]
        corner, n_corners = corner_first[chain[i]], corner_first[chain[i] + 1]
        corner = first_past(corners, low[i] + 10.0 * TINY, corner, n_corners)
        is_last = False
        while not is_last:
            is_last = corner == n_corners or corners[corner] >= high[i] - 10.0 * TINY
            stop = high[i] if is_last else corners[corner]
            corner += 1
            xy, n = add_part(shore, first, last, start, stop, xy, n)
            ends, owners = room(ends, n_ends + 1), room(owners, n_ends + 1)
            ends[n_ends, 0], owners[n_ends, 0] = n, i
            n_ends += 1
            start = stop
        lines = room(lines, n - start_xy)
        n_lines = ZERO
        for j in range(
            start_xy, n - 1
        ):  # the last of a stretch is the first of the next: no length
            lines[n_lines, 0], lines[n_lines, 1] = xy[j, 0], xy[j, 1]
            lines[n_lines, 2], lines[n_lines, 3] = xy[j + 1, 0], xy[j + 1, 1]
            n_lines += 1
        lot = edges[edge_offsets[i] : edge_offsets[i + 1]]
        leans[i] = lean(lines, n_lines, lot, unit, margin)
        if leans[i] < 0:
            turn_round(xy, start_xy, n)
            turn_ends(ends, start_ends, n_ends - 1, start_xy + n)
    return xy[:n], ends[:n_ends, 0].copy(), owners[:n_ends, 0].copy(), leans
