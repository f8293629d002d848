"""Compiled loops that find which stretches of the shore a lot may claim. They check nothing.

The rules in words are those of :mod:`geotrim.core.claims`. A lot is the table of its edges, as in
:mod:`geotrim.core._plane_kernels`. A *piece* is a row: number of the segment, from, to (shares of
the segment), and the side the lot's edge is on: -1 right of the segment, +1 left, 0 on it or inside
the lot. Tables that grow are handed in and handed back, so that they are made once for all lots.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from geotrim.core._kernels import _jit
from geotrim.core._plane_kernels import depth, do_meet, gap_to_segment, place, room, sort_rows, turn
from geotrim.core.shoreline import SIDE_DISTANCES_FT, TINY

#: To count from: the compiler takes a bare 0 for a kind of its own and compiles twice.
ZERO: Any = np.int64(0)
#: An edge that runs within 45 degrees of the shore faces it; one more across it is a side line.
FACING_COS = math.cos(math.radians(45.0))
#: Places asked on a piece, ends included, to see how many parts of it are faced. Intervals: 8.
LAST_SAMPLE = 8
#: The left and the right of a segment.
SIDES = (1.0, -1.0)
#: Places along the shore at which the side of the land is asked.
N_SIDES = 40


class Shoreline(NamedTuple):
    """A shore as plain arrays: k segments, v vertices, c chains.

    ends : (k, 4) of each segment. length, chain : (k,).
    xy, s : (v, 2) and (v,) vertices, chain after chain. first : (c + 1,) vertex of each chain.
    is_closed : (c,). nodes : (c, 2) numbers of the points where chains start and end.
    """

    ends: npt.NDArray[np.float64]
    length: npt.NDArray[np.float64]
    chain: npt.NDArray[np.int64]
    xy: npt.NDArray[np.float64]
    s: npt.NDArray[np.float64]
    first: npt.NDArray[np.int64]
    is_closed: npt.NDArray[np.bool_]
    nodes: npt.NDArray[np.int64]


@_jit
def set_piece(pieces, n, k, t0, t1, side):  # type: ignore[no-untyped-def]
    """Write a row, from the lesser of two shares to the greater; returns how many there are."""
    pieces[n, 0], pieces[n, 1], pieces[n, 2], pieces[n, 3] = k, min(t0, t1), max(t0, t1), side
    return n + 1


@_jit
def inside_pieces(shore, k, close, edges, cuts, pieces, n):  # type: ignore[no-untyped-def]
    """Add the pieces of a segment that lie in the lot or on its edge.

    close : the lot's edges that may meet the segment. edges : all of them. cuts : scratch (rows of
    one number).
    """
    ax, ay, bx, by = shore.ends[k, 0], shore.ends[k, 1], shore.ends[k, 2], shore.ends[k, 3]
    west, east, south, north = min(ax, bx), max(ax, bx), min(ay, by), max(ay, by)
    dx, dy, whole = bx - ax, by - ay, shore.length[k] ** 2
    n_cuts = 0
    for i in range(close.shape[0]):
        cx, cy, ex, ey = close[i, 0], close[i, 1], close[i, 2], close[i, 3]
        if max(cx, ex) < west or min(cx, ex) > east or max(cy, ey) < south or min(cy, ey) > north:
            continue
        turn_c, turn_e = turn(ax, ay, bx, by, cx, cy), turn(ax, ay, bx, by, ex, ey)
        if turn_c * turn_e > 0:
            continue
        cuts = room(cuts, n_cuts + 4)
        if turn_c == 0 or turn_e == 0:
            if turn_c == 0:
                cuts[n_cuts, 0] = ((cx - ax) * dx + (cy - ay) * dy) / whole
                n_cuts += 1
            if turn_e == 0:
                cuts[n_cuts, 0] = ((ex - ax) * dx + (ey - ay) * dy) / whole
                n_cuts += 1
            continue
        turn_a, turn_b = turn(cx, cy, ex, ey, ax, ay), turn(cx, cy, ex, ey, bx, by)
        if turn_a * turn_b < 0:
            across = dx * (ey - cy) - dy * (ex - cx)
            cuts[n_cuts, 0] = ((cx - ax) * (ey - cy) - (cy - ay) * (ex - cx)) / across
            n_cuts += 1
    cuts = room(cuts, n_cuts + 2)
    cuts[n_cuts, 0], cuts[n_cuts + 1, 0] = 0.0, 1.0
    n_cuts += 2
    sort_rows(cuts, 0, n_cuts, 1)
    start = -1.0  # where the piece that is being gathered begins; below 0 there is none
    for i in range(n_cuts - 1):
        t0, t1 = max(cuts[i, 0], 0.0), min(cuts[i + 1, 0], 1.0)
        if t1 <= t0:
            continue
        middle = (t0 + t1) / 2.0
        if place(edges, ax + middle * dx, ay + middle * dy) >= 0:
            start = t0 if start < 0.0 else start
        elif start >= 0.0:
            pieces = room(pieces, n + 1)
            n = set_piece(pieces, n, k, start, t0, 0.0)
            start = -1.0
    if start >= 0.0:
        pieces = room(pieces, n + 1)
        n = set_piece(pieces, n, k, start, 1.0, 0.0)
    return cuts, pieces, n


@_jit
def add_shadows(shore, k, edges, n_edges, reach, shadows, n):  # type: ignore[no-untyped-def]
    """Add where edges, seen square to a shore segment, fall on it: ``shadows`` has room for all.

    Of an edge that runs along the segment what stands up to the reach on the side to which it turns
    its outer side is a shadow, and what lies on the segment. A row: segment, ends of the edge (4),
    side (0 where the edge lies on the segment), from and to on the segment, the matching places on
    the edge.

    An edge that turns its inner side to a place is seen from there through the lot.
    """
    length = shore.length[k]
    x, y = shore.ends[k, 0], shore.ends[k, 1]
    dx, dy = (shore.ends[k, 2] - x) / length, (shore.ends[k, 3] - y) / length
    for i in range(n_edges):
        gx, gy = edges[i, 2] - edges[i, 0], edges[i, 3] - edges[i, 1]
        size = math.sqrt(gx * gx + gy * gy)
        if not (size > 0.0 and abs(gx * dx + gy * dy) / size >= FACING_COS):
            continue
        ax, ay, bx, by = edges[i, 0] - x, edges[i, 1] - y, edges[i, 2] - x, edges[i, 3] - y
        along_a, along_b = ax * dx + ay * dy, bx * dx + by * dy
        off_a, off_b = ay * dx - ax * dy, by * dx - bx * dy
        run, rise = along_b - along_a, off_b - off_a
        # limits from the segment's ends ...
        at_start, at_end = (0.0 - along_a) / run, (length - along_a) / run
        first, last = max(0.0, min(at_start, at_end)), min(1.0, max(at_start, at_end))
        if not last > first:
            continue
        for side in SIDES:
            # ... and from the distances.
            near, far = (0.0, reach) if side > 0.0 else (-reach, 0.0)
            u0, u1 = first, last
            if abs(rise) >= 1e-12:
                at_near, at_far = (near - off_a) / rise, (far - off_a) / rise
                u0, u1 = max(u0, min(at_near, at_far)), min(u1, max(at_near, at_far))
            elif not near <= off_a <= far:
                continue
            t0, t1 = (along_a + u0 * run) / length, (along_a + u1 * run) / length
            if not u1 > u0 or t0 == t1:
                continue
            is_on = max(abs(off_a + u0 * rise), abs(off_a + u1 * rise)) <= TINY
            # an edge left of the segment that runs its way has the segment on its right
            if not is_on and (side > 0.0) != (run * edges[i, 4] > 0.0):
                continue
            shadows[n, 0] = k
            for col in range(4):
                shadows[n, col + 1] = edges[i, col]
            shadows[n, 5] = 0.0 if is_on else side
            shadows[n, 6], shadows[n, 7], shadows[n, 8], shadows[n, 9] = t0, t1, u0, u1
            n += 1
    return n


@_jit
def is_off(ax, ay, bx, by, west, east, south, north):  # type: ignore[no-untyped-def]
    """Whether the box of a segment lies wholly beside another box."""
    return max(ax, bx) < west or min(ax, bx) > east or max(ay, by) < south or min(ay, by) > north


@_jit
def rows_near(table, ends, far, out):  # type: ignore[no-untyped-def]
    """Copy the segments of a table whose boxes come within ``far`` of the box of a segment.

    Returns how many there are: ``out`` has room for all.
    """
    west, east = min(ends[0], ends[2]) - far, max(ends[0], ends[2]) + far
    south, north = min(ends[1], ends[3]) - far, max(ends[1], ends[3]) + far
    n = 0
    for i in range(table.shape[0]):
        ax, ay, bx, by = table[i, 0], table[i, 1], table[i, 2], table[i, 3]
        if is_off(ax, ay, bx, by, west, east, south, north):
            continue
        for col in range(table.shape[1]):
            out[n, col] = table[i, col]
        n += 1
    return n


@_jit
def segments_near(shore, near, k, far, out):  # type: ignore[no-untyped-def]
    """The same of the shore near a lot, for a segment of it, which is left out itself."""
    ends = shore.ends[k]
    west, east = min(ends[0], ends[2]) - far, max(ends[0], ends[2]) + far
    south, north = min(ends[1], ends[3]) - far, max(ends[1], ends[3]) + far
    n = 0
    for other in near:
        ax, ay = shore.ends[other, 0], shore.ends[other, 1]
        bx, by = shore.ends[other, 2], shore.ends[other, 3]
        if other == k or is_off(ax, ay, bx, by, west, east, south, north):
            continue
        out[n, 0], out[n, 1], out[n, 2], out[n, 3] = ax, ay, bx, by
        n += 1
    return n


@_jit
def sight(ends, shadow, w):  # type: ignore[no-untyped-def]
    """Both ends of a sight, on the shore and on the edge, at a share ``w`` of a shadow."""
    t = shadow[6] + w * (shadow[7] - shadow[6])
    u = shadow[8] + w * (shadow[9] - shadow[8])
    return (
        ends[0] + t * (ends[2] - ends[0]),
        ends[1] + t * (ends[3] - ends[1]),
        shadow[1] + u * (shadow[3] - shadow[1]),
        shadow[2] + u * (shadow[4] - shadow[2]),
    )


@_jit
def keep_beside(ends, shadow, beside, n_beside, out):  # type: ignore[no-untyped-def]
    """Copy the pieces of shore that may be nearer to an edge than the shore in its shadow is.

    Returns how many there are: ``out`` has room for all.
    """
    px, py, qx, qy = sight(ends, shadow, 0.0)
    vx, vy, wx, wy = sight(ends, shadow, 1.0)
    # the gap grows evenly from one end to the other, so the greatest is at an end
    far = math.sqrt(max((px - qx) ** 2 + (py - qy) ** 2, (vx - wx) ** 2 + (vy - wy) ** 2)) + TINY
    west, east = min(qx, wx) - far, max(qx, wx) + far
    south, north = min(qy, wy) - far, max(qy, wy) + far
    n = 0
    for i in range(n_beside):
        ax, ay, bx, by = beside[i, 0], beside[i, 1], beside[i, 2], beside[i, 3]
        if is_off(ax, ay, bx, by, west, east, south, north):
            continue
        out[n, 0], out[n, 1], out[n, 2], out[n, 3] = ax, ay, bx, by
        n += 1
    return n


@_jit
def keep_close(ends, shadow, close, n_close, out):  # type: ignore[no-untyped-def]
    """Copy the lot's edges that may stand between an edge and its shadow; the same as above.

    The edge itself is left out: a sight ends a little before it.
    """
    px, py, qx, qy = sight(ends, shadow, 0.0)
    vx, vy, wx, wy = sight(ends, shadow, 1.0)
    west, east = min(px, qx, vx, wx) - TINY, max(px, qx, vx, wx) + TINY
    south, north = min(py, qy, vy, wy) - TINY, max(py, qy, vy, wy) + TINY
    n = 0
    for i in range(n_close):
        ax, ay, bx, by = close[i, 0], close[i, 1], close[i, 2], close[i, 3]
        if is_off(ax, ay, bx, by, west, east, south, north):
            continue
        if ax == shadow[1] and ay == shadow[2] and bx == shadow[3] and by == shadow[4]:
            continue
        out[n, 0], out[n, 1], out[n, 2], out[n, 3] = ax, ay, bx, by
        n += 1
    return n


@_jit
def is_nearer(beside, i, gap, qx, qy):  # type: ignore[no-untyped-def]
    """Whether a piece of shore is nearer to the edge at q than the shore it faces, a gap off."""
    nearer = gap * (1.0 - 1e-9) - TINY
    if gap <= TINY or nearer < 0.0:
        return False
    ax, ay, bx, by = beside[i, 0], beside[i, 1], beside[i, 2], beside[i, 3]
    return gap_to_segment(ax, ay, bx, by, qx, qy) <= nearer * nearer


@_jit
def hidden(ends, beside, n_beside, close, n_close, edges, shadow, w):  # type: ignore[no-untyped-def]
    """0 where the edge truly faces the shore at a share ``w`` of a shadow (rules of claim 2).

    Else the number, from 1, of the piece of shore that is nearer to the edge, or -1 where the lot
    stands in between.

    ends : of the segment. beside : the shore that may be nearer. close : the lot's edges that may
    stand in between. edges : all of them.
    """
    px, py, qx, qy = sight(ends, shadow, w)
    gap = math.sqrt((px - qx) ** 2 + (py - qy) ** 2)
    if gap <= TINY:
        return 0
    for i in range(n_beside):
        if is_nearer(beside, i, gap, qx, qy):
            return i + 1
    # The sight starts a little off the edge, which is the lot's own.
    off = max(1.0 - 2.0 * TINY / gap, 0.0)
    sx, sy = px + off * (qx - px), py + off * (qy - py)
    for i in range(n_close):
        if do_meet(px, py, sx, sy, close[i, 0], close[i, 1], close[i, 2], close[i, 3]):
            return 0 if place(edges, px, py) >= 0 else -1
    return 0  # seen from outside past nothing, or from a place in the lot


@_jit
def end_by_one(ends, beside, i, shadow, w, is_good, n_halvings):  # type: ignore[no-untyped-def]
    """Last place before and first after the end that one piece of shore makes, by halving."""
    left, right = w, w + 1.0 / LAST_SAMPLE
    for _ in range(n_halvings):
        middle = (left + right) / 2.0
        px, py, qx, qy = sight(ends, shadow, middle)
        gap = math.sqrt((px - qx) ** 2 + (py - qy) ** 2)
        if is_nearer(beside, i, gap, qx, qy) != is_good:
            left = middle
        else:
            right = middle
    return left, right


@_jit
def find_end(  # type: ignore[no-untyped-def]
    ends, beside, n_beside, close, n_close, edges, shadow, w, is_good, by, n_halvings
):
    """Where, between a place asked and the next, what is faced begins or ends: found by halving.

    w : the first of the two. is_good : whether it is faced. by : what hides the other.
    """
    if by > 0:
        # Most ends are made by one piece of shore. It alone is asked, and the end then tried.
        left, right = end_by_one(ends, beside, by - 1, shadow, w, is_good, n_halvings)
        is_left = hidden(ends, beside, n_beside, close, n_close, edges, shadow, left) == 0
        is_right = hidden(ends, beside, n_beside, close, n_close, edges, shadow, right) == 0
        if is_left == is_good and is_right != is_good:
            return (left + right) / 2.0
    left, right = w, w + 1.0 / LAST_SAMPLE
    for _ in range(n_halvings):
        middle = (left + right) / 2.0
        found = hidden(ends, beside, n_beside, close, n_close, edges, shadow, middle)
        if (found == 0) == is_good:
            left = middle
        else:
            right = middle
    return (left + right) / 2.0


@_jit
def add_faced(  # type: ignore[no-untyped-def]
    ends, beside, n_beside, close, n_close, edges, shadow, n_halvings, pieces, n
):
    """Add the parts of a shadow that are faced: asked at nine places, their ends found by halving.

    Returns how many pieces there are: the table has room for five more.
    """
    k, side, start = shadow[0], shadow[5], shadow[6]
    span = shadow[7] - shadow[6]
    before = hidden(ends, beside, n_beside, close, n_close, edges, shadow, 0.0)
    for i in range(LAST_SAMPLE):
        w = i / LAST_SAMPLE
        after = hidden(ends, beside, n_beside, close, n_close, edges, shadow, (i + 1) / LAST_SAMPLE)
        if (before == 0) != (after == 0):
            by = max(before, after)
            w = find_end(
                ends, beside, n_beside, close, n_close, edges, shadow, w, before == 0, by,
                n_halvings,
            )  # fmt: skip
            cut = shadow[6] + w * span
            if before == 0:
                n = set_piece(pieces, n, k, start, cut, side)
            start = cut
        before = after
    if before == 0:
        n = set_piece(pieces, n, k, start, shadow[6] + span, side)
    return n


@_jit
def pieces_of_lot(shore, near, edges, reach, shadows, cuts, close, beside, pieces):  # type: ignore[no-untyped-def]
    """All pieces of shore that lie in a lot or that it faces, on whichever side.

    Returns the tables and how many pieces there are.
    """
    n = n_shadows = ZERO
    # twice as much room as there are: those that matter to a shadow stand behind all of them
    close, beside = room(close, 2 * edges.shape[0]), room(beside, 2 * near.size)
    for k in near:
        n_close = rows_near(edges, shore.ends[k], reach, close)
        if n_close == 0:
            if place(edges, shore.ends[k, 0], shore.ends[k, 1]) > 0:
                pieces = room(pieces, n + 1)
                n = set_piece(pieces, n, k, 0.0, 1.0, 0.0)
            continue
        cuts, pieces, n = inside_pieces(shore, k, close[:n_close], edges, cuts, pieces, n)
        shadows = room(shadows, n_shadows + 2 * n_close)
        n_shadows = add_shadows(shore, k, close, n_close, reach, shadows, n_shadows)
    longest = 0.0
    for i in range(n_shadows):
        t0, t1 = shadows[i, 6], shadows[i, 7]
        if shadows[i, 5] == 0.0:
            # Edges that lie on the line face it without further question; the rest are tested.
            pieces = room(pieces, n + 1)
            n = set_piece(pieces, n, shadows[i, 0], t0, t1, 0.0)
        else:
            longest = max(longest, abs(t1 - t0) * shore.length[int(shadows[i, 0])])
    n_halvings = math.ceil(math.log2(max(longest / TINY, 1.0)))
    here = -1
    n_close = n_beside = 0
    for i in range(n_shadows):
        if shadows[i, 5] == 0.0:
            continue
        k = int(shadows[i, 0])
        ends = shore.ends[k]
        if k != here:
            here = k
            n_close = rows_near(edges, ends, reach, close)
            n_beside = segments_near(shore, near, k, 2.0 * reach, beside)
        pieces = room(pieces, n + 5)
        m_beside = keep_beside(ends, shadows[i], beside, n_beside, beside[n_beside:])
        m_close = keep_close(ends, shadows[i], close, n_close, close[n_close:])
        n = add_faced(
            ends, beside[n_beside:], m_beside, close[n_close:], m_close, edges, shadows[i],
            n_halvings, pieces, n,
        )  # fmt: skip
    return shadows, cuts, close, beside, pieces, n


@_jit
def box_of(edges):  # type: ignore[no-untyped-def]
    """West, south, east and north of a lot."""
    west, south, east, north = np.inf, np.inf, -np.inf, -np.inf
    for i in range(edges.shape[0]):  # rings close, so the starts of the edges are all there is
        west, east = min(west, edges[i, 0]), max(east, edges[i, 0])
        south, north = min(south, edges[i, 1]), max(north, edges[i, 1])
    return west, south, east, north


@_jit
def is_in(edges, box, x, y):  # type: ignore[no-untyped-def]
    """1 for a point in a lot or on its edge, else 0."""
    if x < box[0] or y < box[1] or x > box[2] or y > box[3]:
        return 0
    return 1 if place(edges, x, y) >= 0 else 0


@_jit
def is_clear(lines, n, edges, unit, side):  # type: ignore[no-untyped-def]
    """Whether a lot keeps out of all places asked on one side of lines (1 left, -1 right).

    True only if that is sure: no edge comes into the strip between the sides of a line, beyond the
    nearest place asked or a little short of it, and one place there is outside the lot.
    """
    least = 0.8 * SIDE_DISTANCES_FT[0] * unit
    for i in range(n):
        x, y, dx, dy = (
            lines[i, 0],
            lines[i, 1],
            lines[i, 2] - lines[i, 0],
            lines[i, 3] - lines[i, 1],
        )
        size = math.sqrt(dx * dx + dy * dy)
        if size == 0.0:
            continue
        dx, dy = dx / size, dy / size
        for j in range(edges.shape[0]):
            ax, ay, bx, by = edges[j, 0] - x, edges[j, 1] - y, edges[j, 2] - x, edges[j, 3] - y
            off_a, off_b = side * (ay * dx - ax * dy), side * (by * dx - bx * dy)
            if max(off_a, off_b) <= least:
                continue
            along_a, along_b = ax * dx + ay * dy, bx * dx + by * dy
            run = along_b - along_a
            if max(along_a, along_b) < -TINY or min(along_a, along_b) > size + TINY:
                continue
            if run != 0.0:  # the part of the edge between the sides of the strip
                at_start, at_end = (-TINY - along_a) / run, (size + TINY - along_a) / run
                u0, u1 = max(0.0, min(at_start, at_end)), min(1.0, max(at_start, at_end))
                rise = off_b - off_a
                off_a, off_b = off_a + u0 * rise, off_a + u1 * rise
            if max(off_a, off_b) > least:
                return False
        middle, off = size / 2.0, side * SIDE_DISTANCES_FT[0] * unit
        if place(edges, x + middle * dx - off * dy, y + middle * dy + off * dx) >= 0:
            return False
    return True


@_jit
def lean(lines, n, edges, unit, margin):  # type: ignore[no-untyped-def]
    """How many more places of a lot lie right of lines than left of them, of 240 on either side.

    Asked at 40 places spread evenly along the lines and six distances from them. Stops where what
    is left to ask cannot bring the answer back to within ``margin`` of 0, or to the other side.

    lines : (n, 4) ends, all in one sense along the shore.
    """
    whole = 0.0
    for i in range(n):
        whole += math.sqrt((lines[i, 2] - lines[i, 0]) ** 2 + (lines[i, 3] - lines[i, 1]) ** 2)
    if whole <= 0.0:
        return 0
    box = box_of(edges)
    is_right_only = is_clear(lines, n, edges, unit, 1.0)
    is_left_only = not is_right_only and is_clear(lines, n, edges, unit, -1.0)
    found, left_to_ask = 0, N_SIDES * len(SIDE_DISTANCES_FT)
    line, start = 0, 0.0
    dx, dy = lines[0, 2] - lines[0, 0], lines[0, 3] - lines[0, 1]
    size = math.sqrt(dx * dx + dy * dy)
    for i in range(N_SIDES):
        where = (i + 0.5) / N_SIDES * whole
        while line < n - 1 and start + size <= where:
            start += size
            line += 1
            dx, dy = lines[line, 2] - lines[line, 0], lines[line, 3] - lines[line, 1]
            size = math.sqrt(dx * dx + dy * dy)
        way_x, way_y = dx / size, dy / size
        x = lines[line, 0] + way_x * (where - start)
        y = lines[line, 1] + way_y * (where - start)
        for distance in SIDE_DISTANCES_FT:
            away_x, away_y = distance * unit * way_y, distance * unit * -way_x
            if not is_left_only:
                found += is_in(edges, box, x + away_x, y + away_y)
            if not is_right_only:
                found -= is_in(edges, box, x - away_x, y - away_y)
        left_to_ask -= len(SIDE_DISTANCES_FT)
        # where one side is empty no answer can take back another
        can_fall = 0 if is_right_only or is_left_only else left_to_ask
        if abs(found) > can_fall + margin:
            return found
    return found


@_jit
def drop_wrong_side(shore, edges, unit, lines, pieces, n):  # type: ignore[no-untyped-def]
    """Leave out pieces that are faced from the water.

    A shore has land on one side all along, so a lot that spreads out over the water does not face
    the line from there. Which side is land is asked of each chain as a whole.
    """
    n_kept = 0
    for i in range(n):
        chain = shore.chain[int(pieces[i, 0])]
        # A chain is asked once: then the sides of its pieces are doubled, or where they are wrong
        # taken times four.
        if abs(pieces[i, 3]) != 1.0:
            continue
        n_lines = ZERO
        for j in range(n):
            k = int(pieces[j, 0])
            if shore.chain[k] != chain:
                continue
            lines = room(lines, n_lines + 1)
            ax, ay, bx, by = shore.ends[k, 0], shore.ends[k, 1], shore.ends[k, 2], shore.ends[k, 3]
            lines[n_lines, 0], lines[n_lines, 1] = (
                ax + pieces[j, 1] * (bx - ax),
                ay + pieces[j, 1] * (by - ay),
            )
            lines[n_lines, 2], lines[n_lines, 3] = (
                ax + pieces[j, 2] * (bx - ax),
                ay + pieces[j, 2] * (by - ay),
            )
            n_lines += 1
        land = lean(lines, n_lines, edges, unit, 0.0)
        for j in range(n):  # land on the right: the left is wrong
            if pieces[j, 3] != 0.0 and shore.chain[int(pieces[j, 0])] == chain:
                pieces[j, 3] *= 4.0 if pieces[j, 3] * land > 0.0 else 2.0
    for i in range(n):
        if abs(pieces[i, 3]) < 3.0:
            for col in range(3):
                pieces[n_kept, col] = pieces[i, col]
            n_kept += 1
    return lines, n_kept


@_jit
def chain_length(shore, chain):  # type: ignore[no-untyped-def]
    return shore.s[shore.first[chain + 1] - 1]


@_jit
def vertex_before(shore, s, low, high):  # type: ignore[no-untyped-def]
    """Last of the vertices from low to high - 1 that is not past a position, else low."""
    while high - low > 1:
        middle = (low + high) // 2
        if shore.s[middle] <= s:
            low = middle
        else:
            high = middle
    return low


@_jit
def at(shore, chain, s):  # type: ignore[no-untyped-def]
    """Point at a position of a chain: wrapped on a closed chain, else clipped."""
    first, last = shore.first[chain], shore.first[chain + 1] - 1
    length = shore.s[last]
    if shore.is_closed[chain] and (s < 0.0 or s > length):
        s = s % length
    return at_between(shore, min(max(s, 0.0), length), first, last)


@_jit
def at_between(shore, s, first, last):  # type: ignore[no-untyped-def]
    """Point at a position that lies between two vertices of a chain."""
    if s >= shore.s[last]:
        return shore.xy[last, 0], shore.xy[last, 1]
    low = vertex_before(shore, s, first, last)
    x, y, ahead = shore.xy[low, 0], shore.xy[low, 1], s - shore.s[low]
    span = shore.s[low + 1] - shore.s[low]
    return (
        (shore.xy[low + 1, 0] - x) / span * ahead + x,
        (shore.xy[low + 1, 1] - y) / span * ahead + y,
    )


@_jit
def away_at(shore, chain, s, edges):  # type: ignore[no-untyped-def]
    """Distance from a position of a chain to the lot: 0 inside."""
    x, y = at(shore, chain, s)
    return max(depth(edges, x, y), 0.0)


@_jit
def stays_near(shore, chain, low, high, edges, reach, spans):  # type: ignore[no-untyped-def]
    """Whether the chain from low to high is never farther than the reach from the lot.

    The distance to the lot changes no faster than the position along the chain, so between two
    places it is at most the mean of theirs and half of what lies between them. Where that does not
    settle it the place halfway is asked too.

    spans : scratch: from, to and the distances there.
    """
    step = (high - low) / 4.0
    spans = room(spans, 4)
    s0, away0 = low, away_at(shore, chain, low, edges)
    n = 0
    for i in range(1, 5):
        s1 = high if i == 4 else low + i * step
        away1 = away_at(shore, chain, s1, edges)
        if max(away0, away1) > reach:
            return spans, False
        spans[n, 0], spans[n, 1], spans[n, 2], spans[n, 3] = s0, s1, away0, away1
        n += 1
        s0, away0 = s1, away1
    while n > 0:
        n -= 1
        s0, s1, away0, away1 = spans[n, 0], spans[n, 1], spans[n, 2], spans[n, 3]
        span = s1 - s0
        if away0 + away1 + span <= 2.0 * reach or span <= max(reach / 500.0, 1000.0 * TINY):
            continue
        half = (s0 + s1) / 2.0
        away = away_at(shore, chain, half, edges)
        if away > reach:
            return spans, False
        spans = room(spans, n + 2)
        spans[n, 0], spans[n, 1], spans[n, 2], spans[n, 3] = s0, half, away0, away
        spans[n + 1, 0], spans[n + 1, 1], spans[n + 1, 2], spans[n + 1, 3] = half, s1, away, away1
        n += 2
    return spans, True


@_jit
def to_positions(shore, pieces, n):  # type: ignore[no-untyped-def]
    """Turn pieces into rows chain, from, to, in place; returns how many have a length."""
    n_kept = 0
    for i in range(n):
        k = int(pieces[i, 0])
        chain = shore.chain[k]
        start = shore.s[k + chain]  # a chain has one vertex more than segments
        low = start + max(pieces[i, 1], 0.0) * shore.length[k]
        high = start + min(pieces[i, 2], 1.0) * shore.length[k]
        if high > low:
            pieces[n_kept, 0], pieces[n_kept, 1], pieces[n_kept, 2] = chain, low, high
            n_kept += 1
    return n_kept


@_jit
def merge_rows(rows, first, n, gap):  # type: ignore[no-untyped-def]
    """Join sorted rows chain, from, to of a chain that are closer than ``gap``, in place.

    Returns where they end.
    """
    out = first
    for i in range(first, n):
        if out > first and rows[i, 0] == rows[out - 1, 0] and rows[i, 1] <= rows[out - 1, 2] + gap:
            rows[out - 1, 2] = max(rows[out - 1, 2], rows[i, 2])
        else:
            rows[out, 0], rows[out, 1], rows[out, 2] = rows[i, 0], rows[i, 1], rows[i, 2]
            out += 1
    return out


@_jit
def fill_gaps(shore, rows, n, edges, reach, spans):  # type: ignore[no-untyped-def]
    """Join claims on one chain across gaps that stay within the reach of the lot, in place."""
    out = first = 0  # of the rows kept, and of those the first of this chain
    i = 0
    while i < n:
        chain = int(rows[i, 0])
        first = out
        rows[out, 0], rows[out, 1], rows[out, 2] = rows[i, 0], rows[i, 1], rows[i, 2]
        out += 1
        i += 1
        before = rows[out - 1, 2]
        while i < n and rows[i, 0] == chain:
            low, high = rows[i, 1], rows[i, 2]
            spans, is_near = stays_near(shore, chain, before, low, edges, reach, spans)
            if is_near:
                rows[out - 1, 2] = high
            else:
                rows[out, 0], rows[out, 1], rows[out, 2] = chain, low, high
                out += 1
            before = high
            i += 1
        length = chain_length(shore, chain)
        is_open = rows[first, 1] > TINY or rows[out - 1, 2] < length - TINY
        if shore.is_closed[chain] and is_open:  # round past the start
            low, high = rows[out - 1, 2], rows[first, 1] + length
            spans, is_near = stays_near(shore, chain, low, high, edges, reach, spans)
            if is_near:
                rows[first, 1], rows[out - 1, 2] = 0.0, length
    return spans, out


@_jit
def ends_of(shore, row):  # type: ignore[no-untyped-def]
    """Nodes where a claim reaches the start and the end of an open chain; -1 where it does not."""
    chain = int(row[0])
    if shore.is_closed[chain]:
        return -1, -1
    is_last = row[2] >= chain_length(shore, chain) - TINY
    start = shore.nodes[chain, 0] if row[1] <= TINY else -1
    return start, (shore.nodes[chain, 1] if is_last else -1)


@_jit
def drop_spurs(shore, rows, n, reach, spurs):  # type: ignore[no-untyped-def]
    """Leave out short dead ends that branch off the frontage into the lot, in place.

    A pier drawn from a little way inside the land leaves such a stub. It is dropped where it is no
    longer than the reach and the shore runs on to both sides of the place where it starts.

    spurs : scratch (rows of one number).
    """
    spurs = room(spurs, n)
    for i in range(n):
        spurs[i, 0] = 0.0
        if rows[i, 2] - rows[i, 1] > reach:
            continue
        n_met, is_branching = 0, False
        for node in ends_of(shore, rows[i]):
            n_ends = 0
            for j in range(n if node >= 0 else 0):
                start, end = ends_of(shore, rows[j])
                n_ends += int(start == node) + int(end == node)
            is_branching = is_branching or n_ends >= 3
            n_met += int(n_ends >= 2)
        spurs[i, 0] = 1.0 if is_branching and n_met == 1 else 0.0
    out = 0
    for i in range(n):
        if spurs[i, 0] == 0.0:
            rows[out, 0], rows[out, 1], rows[out, 2] = rows[i, 0], rows[i, 1], rows[i, 2]
            out += 1
    return spurs, out


@_jit
def claims_of_lots(shore, near, near_offsets, edges, edge_offsets, reach, unit, sliver):  # type: ignore[no-untyped-def]
    """Stretches each lot may claim, before rivals are heard: rows chain, from, to, lot.

    near, near_offsets : numbers of the segments near each lot, rising; (n + 1,).
    edges, edge_offsets : edges of all lots, (e, 4); (n + 1,).
    """
    wanted = np.empty((near_offsets.size, 4))
    pieces, shadows, lines = np.empty((64, 4)), np.empty((64, 10)), np.empty((64, 4))
    cuts, spans, spurs = np.empty((64, 1)), np.empty((64, 4)), np.empty((64, 1))
    close, beside = np.empty((64, 5)), np.empty((64, 4))
    n_wanted = 0
    for lot in range(near_offsets.size - 1):
        mine = edges[edge_offsets[lot] : edge_offsets[lot + 1]]
        segments = near[near_offsets[lot] : near_offsets[lot + 1]]
        shadows, cuts, close, beside, pieces, n = pieces_of_lot(
            shore, segments, mine, reach, shadows, cuts, close, beside, pieces
        )
        sort_rows(pieces, 0, n, 3)  # along the shore, whatever the order of the lot's edges
        lines, n = drop_wrong_side(shore, mine, unit, lines, pieces, n)
        n = to_positions(shore, pieces, n)
        sort_rows(pieces, 0, n, 3)
        n = merge_rows(pieces, 0, n, sliver)
        n_whole = ZERO
        for i in range(n):
            if pieces[i, 2] - pieces[i, 1] > sliver:
                for col in range(3):
                    pieces[n_whole, col] = pieces[i, col]
                n_whole += 1
        spans, n = fill_gaps(shore, pieces, n_whole, mine, reach, spans)
        spurs, n = drop_spurs(shore, pieces, n, reach, spurs)
        wanted = room(wanted, n_wanted + n)
        for i in range(n):
            for col in range(3):
                wanted[n_wanted, col] = pieces[i, col]
            wanted[n_wanted, 3] = lot
            n_wanted += 1
    return wanted[:n_wanted]
