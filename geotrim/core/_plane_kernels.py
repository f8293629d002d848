"""Compiled questions about points, segments and polygons of the plane. They check nothing.

A polygon, with its holes and parts, is the table of its edges, (n, 5): from x, y to x, y, and 1
where the inside is on the left of the edge, -1 where it is on the right. What is in it follows from
the number of edges crossed, so the order and sense of the edges do not matter.

Which side of a line a point lies on is decided without rounding, as far as twice the usual number
of digits goes (Shewchuk, Adaptive precision floating-point arithmetic and fast robust geometric
predicates, Discrete & Computational Geometry 18, 1997: the bound of the first stage, two-sum and
two-product).
"""

from __future__ import annotations

import math

import numpy as np

from geotrim.core._kernels import _jit

#: What rounding may make of the first, plain answer: (3 + 16 e) e, e half a unit in the last place.
_PLAIN_BOUND = (3.0 + 16.0 * 2.0**-53) * 2.0**-53
#: Cuts a number into two halves of 26 bits.
_SPLITTER = 2.0**27 + 1.0


@_jit
def less(a, b):  # type: ignore[no-untyped-def]
    """Difference a - b, and what rounding took off it."""
    found = a - b
    back = a - found
    around = found + back
    return found, (a - around) + (back - b)


@_jit
def times(a, b):  # type: ignore[no-untyped-def]
    """Product a * b, and what rounding took off it."""
    found = a * b
    big = _SPLITTER * a
    a_high = big - (big - a)
    a_low = a - a_high
    big = _SPLITTER * b
    b_high = big - (big - b)
    b_low = b - b_high
    return found, a_low * b_low - (((found - a_high * b_high) - a_low * b_high) - a_high * b_low)


@_jit
def turn(ax, ay, bx, by, x, y):  # type: ignore[no-untyped-def]
    """1 where the point lies left of the line from a to b, -1 right of it, 0 on it."""
    left = (ax - x) * (by - y)
    right = (ay - y) * (bx - x)
    plain = left - right
    bound = _PLAIN_BOUND * (abs(left) + abs(right))
    if plain > bound:
        return 1
    if -plain > bound:
        return -1
    dx, dx_low = less(bx, ax)
    dy, dy_low = less(by, ay)
    px, px_low = less(x, bx)
    py, py_low = less(y, by)
    one, one_low = times(dx, py)
    other, other_low = times(dy, px)
    one_low += dx * py_low + dx_low * py
    other_low += dy * px_low + dy_low * px
    found, found_low = less(one, other)
    exact = found + (found_low + (one_low - other_low))
    if exact > 0.0:
        return 1
    if exact < 0.0:
        return -1
    return 0


@_jit
def place(edges, x, y):  # type: ignore[no-untyped-def]
    """1 where a point lies in a polygon, 0 on its edge, -1 outside."""
    is_in = False
    for i in range(edges.shape[0]):
        ay, by = edges[i, 1] - y, edges[i, 3] - y
        if ay * by > 0.0:  # all of it above the point, or below
            continue
        where = crossing(edges[i, 0], edges[i, 1], edges[i, 2], edges[i, 3], x, y)
        if where == 0:
            return 0
        is_in = is_in != (where > 0)
    return 1 if is_in else -1


@_jit
def crossing(ax, ay, bx, by, x, y):  # type: ignore[no-untyped-def]
    """1 where an edge crosses the line that runs east from a point, -1 where not, 0 if on it."""
    if ax < x and bx < x:
        return -1
    if (bx == x and by == y) or (ax == x and ay == y):
        return 0
    if ay == y and by == y:
        return 0 if min(ax, bx) <= x <= max(ax, bx) else -1
    if (ay > y) == (by > y):  # it ends at this height and does not pass it
        return -1
    if ax > x and bx > x:
        return 1
    side = turn(ax, ay, bx, by, x, y)
    if side == 0:
        return 0
    return 1 if (side > 0) == (by > ay) else -1


@_jit
def gap_to_segment(ax, ay, bx, by, x, y):  # type: ignore[no-untyped-def]
    """Square of the distance from a point to a segment."""
    dx, dy = bx - ax, by - ay
    px, py = x - ax, y - ay
    whole = dx * dx + dy * dy
    along = px * dx + py * dy
    if along <= 0.0 or whole == 0.0:
        return px * px + py * py
    if along >= whole:
        px, py = x - bx, y - by
        return px * px + py * py
    across = px * dy - py * dx
    return across * across / whole


@_jit
def depth(edges, x, y):  # type: ignore[no-untyped-def]
    """Distance from a point to the edge of a polygon: negative inside, 0 on the edge."""
    least = np.inf
    is_in = False
    for i in range(edges.shape[0]):
        ax, ay, bx, by = edges[i, 0], edges[i, 1], edges[i, 2], edges[i, 3]
        least = min(least, gap_to_segment(ax, ay, bx, by, x, y))
        if (ay - y) * (by - y) > 0.0:
            continue
        where = crossing(ax, ay, bx, by, x, y)
        if where == 0:
            return 0.0
        is_in = is_in != (where > 0)
    return -math.sqrt(least) if is_in else math.sqrt(least)


@_jit
def do_meet(ax, ay, bx, by, cx, cy, dx, dy):  # type: ignore[no-untyped-def]
    """Whether segments a-b and c-d have a point in common, ends counted."""
    if min(ax, bx) > max(cx, dx) or max(ax, bx) < min(cx, dx):
        return False
    if min(ay, by) > max(cy, dy) or max(ay, by) < min(cy, dy):
        return False
    if turn(ax, ay, bx, by, cx, cy) * turn(ax, ay, bx, by, dx, dy) > 0:
        return False
    return turn(cx, cy, dx, dy, ax, ay) * turn(cx, cy, dx, dy, bx, by) <= 0


@_jit
def edges_of_rings(xy, ring_offsets, is_hole, edges):  # type: ignore[no-untyped-def]
    """Edges of closed rings, ring after ring.

    edges : written, (v - r, 5) for v vertices in r rings with vertices.
    """
    n = 0
    for ring in range(ring_offsets.size - 1):
        first, last = ring_offsets[ring], ring_offsets[ring + 1]
        if first == last:
            continue
        twice = 0.0
        x, y = xy[first, 0], xy[first, 1]  # far from 0 the sum would lose what it is to find
        for i in range(first, last - 1):
            twice += (xy[i, 0] - x) * (xy[i + 1, 1] - y) - (xy[i + 1, 0] - x) * (xy[i, 1] - y)
        left = 1.0 if (twice > 0.0) != is_hole[ring] else -1.0
        for i in range(first, last - 1):
            edges[n, 0], edges[n, 1] = xy[i, 0], xy[i, 1]
            edges[n, 2], edges[n, 3] = xy[i + 1, 0], xy[i + 1, 1]
            edges[n, 4] = left
            n += 1


@_jit
def room(table, n):  # type: ignore[no-untyped-def]
    """The same table, with room for at least n rows."""
    if n <= table.shape[0]:
        return table
    wider = np.empty((max(n, 2 * table.shape[0]), table.shape[1]), table.dtype)
    for i in range(table.shape[0]):  # a loop: the compiler takes seconds over a slice
        for col in range(table.shape[1]):
            wider[i, col] = table[i, col]
    return wider


@_jit
def sort_rows(table, first, last, n_keys):  # type: ignore[no-untyped-def]
    """Sort rows first to last by their first columns, rising, in place (by Shell's method)."""
    n_cols = table.shape[1]
    step = 1
    while step < (last - first) // 3:
        step = 3 * step + 1
    while step >= 1:
        for i in range(first + step, last):
            j = i
            while j - step >= first:
                is_less = False
                for key in range(n_keys):
                    if table[j, key] != table[j - step, key]:
                        is_less = table[j, key] < table[j - step, key]
                        break
                if not is_less:
                    break
                for col in range(n_cols):
                    held = table[j, col]
                    table[j, col] = table[j - step, col]
                    table[j - step, col] = held
                j -= step
        step //= 3
