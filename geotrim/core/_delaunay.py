"""Compiled loops that triangulate points. They check nothing.

A triangulation is two arrays. ``corners`` (t, 3) lists the points of each triangle anticlockwise;
``beyond`` (t, 3) the triangle across the side that faces each corner, -1 on the hull.

Coordinates must be such that the difference of any two is exact, as it is for whole multiples of
one small number: then the side of a line a point lies on is known without error, and no triangle
can come out flat or turned over.
"""

from __future__ import annotations

import numpy as np

from geotrim.core._kernels import _jit

#: A determinant smaller than this share of its own terms may have the wrong sign in doubles.
#: Source: Shewchuk 1997, Discrete Comput. Geom. 18, first error bounds: (3 + 16 e) e for the side
#: of a line and (10 + 96 e) e for the circle, e = 2**-53; here a little wider (from memory).
SIDE_NOISE = 4e-16
CIRCLE_NOISE = 2e-15
#: 2**27 + 1, which splits a double into two halves. Source: Dekker 1971, Numer. Math. 18.
SPLIT = 134217729.0
#: Points are taken in the order of x + SLANT y, a line of no lattice: returns in rows would meet an
#: upright front all at once, and each would undo what the one before it made. Few enough bits, so
#: that the order is exact.
SLANT = 1265.0 / 2048.0


@_jit
def _tail(a, b, product):  # type: ignore[no-untyped-def]
    """What a rounded product lacks of the exact one (Dekker 1971)."""
    big = SPLIT * a
    a_high = big - (big - a)
    a_low = a - a_high
    big = SPLIT * b
    b_high = big - (big - b)
    b_low = b - b_high
    return a_low * b_low - (((product - a_high * b_high) - a_low * b_high) - a_high * b_low)


@_jit
def _comes_before(ax, ay, bx, by):  # type: ignore[no-untyped-def]
    """Whether a comes before b in the order of x + SLANT y, then x; exact."""
    dx, dy = ax - bx, ay - by
    slanted = SLANT * dy
    total = slanted + dx
    if abs(total) <= SIDE_NOISE * (abs(slanted) + abs(dx)):
        back = total - slanted  # what the sum lacks (Knuth), and what the product lacks
        lost = (slanted - (total - back)) + (dx - back)
        total += lost + _tail(SLANT, dy, slanted)
    return total < 0.0 or (total == 0.0 and dx < 0.0)


@_jit
def sort(order, x, y):  # type: ignore[no-untyped-def]
    """Mend, in place, an order by ``x + SLANT y`` in doubles into the exact one."""
    for i in range(1, order.size):
        point, j = order[i], i
        while j > 0 and _comes_before(x[point], y[point], x[order[j - 1]], y[order[j - 1]]):
            order[j] = order[j - 1]
            j -= 1
        order[j] = point


@_jit
def side(ax, ay, bx, by, cx, cy):  # type: ignore[no-untyped-def]
    """Twice the area of a, b, c, above 0 anticlockwise; its sign, or 0, is exact."""
    acx, acy, bcx, bcy = ax - cx, ay - cy, bx - cx, by - cy
    left, right = acx * bcy, acy * bcx
    area = left - right
    if abs(area) > SIDE_NOISE * (abs(left) + abs(right)):
        return area
    return area + (_tail(acx, bcy, left) - _tail(acy, bcx, right))


@_jit
def in_circle(ax, ay, bx, by, cx, cy, dx, dy):  # type: ignore[no-untyped-def]
    """Above 0 with d inside the circle of a, b, c (anticlockwise); 0 when doubles cannot tell."""
    adx, ady, bdx, bdy, cdx, cdy = ax - dx, ay - dy, bx - dx, by - dy, cx - dx, cy - dy
    alift, blift = adx * adx + ady * ady, bdx * bdx + bdy * bdy
    clift = cdx * cdx + cdy * cdy
    bc, cb, ca, ac, ab, ba = bdx * cdy, cdx * bdy, cdx * ady, adx * cdy, adx * bdy, bdx * ady
    det = alift * (bc - cb) + blift * (ca - ac) + clift * (ab - ba)
    terms = alift * (abs(bc) + abs(cb)) + blift * (abs(ca) + abs(ac)) + clift * (abs(ab) + abs(ba))
    return det if abs(det) > CIRCLE_NOISE * terms else 0.0


@_jit
def _slot(beyond, triangle, other):  # type: ignore[no-untyped-def]
    """Which side of a triangle another lies beyond."""
    if beyond[triangle, 0] == other:
        return 0
    return 1 if beyond[triangle, 1] == other else 2


@_jit
def _flip(corners, beyond, t, k, u, j):  # type: ignore[no-untyped-def]
    """Turn the side that t shows its corner k, and u its corner j, to run between those corners.

    Afterwards t is (p, a, q) and u is (q, b, p): p at k and q at j before, a and b after p in t.
    """
    p, a, b = corners[t, k], corners[t, (k + 1) % 3], corners[t, (k + 2) % 3]
    q = corners[u, j]
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


@_jit
def _fan(x, y, corners, beyond, after, before, inner):  # type: ignore[no-untyped-def]
    """Triangles of the first point off the line through those before it; how many points, or 0.

    after, before : next and last point along the hull, anticlockwise.
    inner : triangle within the hull's side from a point to the next.
    """
    n, k = x.size, 2
    turn = 0.0
    while k < n:
        turn = side(x[0], y[0], x[1], y[1], x[k], y[k])
        if turn != 0.0:
            break
        k += 1
    if k == n:
        return 0
    for i in range(k - 1):
        back, on = i - 1, i + 1 if i < k - 2 else -1
        near, far = (i, i + 1) if turn > 0.0 else (i + 1, i)
        over_far, over_near = (back, on) if turn > 0.0 else (on, back)
        corners[i, 0], corners[i, 1], corners[i, 2] = k, near, far
        beyond[i, 0], beyond[i, 1], beyond[i, 2] = -1, over_near, over_far
        after[near], before[far], inner[near] = far, near, i
    first, last = (0, k - 1) if turn > 0.0 else (k - 1, 0)
    after[last], before[k], after[k], before[first] = k, last, first, k
    inner[k], inner[last] = (0, k - 2) if turn > 0.0 else (k - 2, 0)
    return k + 1


@_jit
def _reach(x, y, p, n, corners, beyond, after, before, inner):  # type: ignore[no-untyped-def]
    """Join point p, beyond all before it, to every side of the hull it sees; number of triangles.

    n : triangles so far. The last point before p is on the hull, and p sees a side beside it.
    """
    v = p - 1
    while side(x[before[v]], y[before[v]], x[v], y[v], x[p], y[p]) < 0.0:
        v = before[v]
    first, last = v, -1
    while side(x[v], y[v], x[after[v]], y[after[v]], x[p], y[p]) < 0.0:
        w, t = after[v], inner[v]
        corners[n, 0], corners[n, 1], corners[n, 2] = p, w, v
        beyond[n, 0], beyond[n, 1], beyond[n, 2] = t, last, -1
        k = 0 if corners[t, 1] == v else (1 if corners[t, 2] == v else 2)
        beyond[t, k] = n
        if last >= 0:
            beyond[last, 2] = n
        else:
            inner[first] = n
        last, v = n, w
        n += 1
    after[first], before[p], after[p], before[v] = p, first, v, p
    inner[p] = last
    return n


@_jit
def _mend(x, y, p, stack, size, corners, beyond, inner):  # type: ignore[no-untyped-def]
    """Flip the sides that face p until no circle of its triangles holds a point."""
    while size > 0:
        size -= 1
        t = stack[size]
        k = 0 if corners[t, 0] == p else (1 if corners[t, 1] == p else 2)
        u = beyond[t, k]
        if u < 0:
            continue
        j = _slot(beyond, u, t)
        a, b, q = corners[t, (k + 1) % 3], corners[t, (k + 2) % 3], corners[u, j]
        if in_circle(x[p], y[p], x[a], y[a], x[b], y[b], x[q], y[q]) <= 0.0:
            continue
        _flip(corners, beyond, t, k, u, j)
        if beyond[t, 0] < 0:  # of the four sides around, two have changed triangles
            inner[a] = t
        if beyond[u, 0] < 0:
            inner[b] = u
        stack[size], stack[size + 1] = t, u
        size += 2


@_jit
def sweep(x, y, corners, beyond):  # type: ignore[no-untyped-def]
    """Triangulate points in the order of :func:`sort`, each place once; the number of triangles.

    corners, beyond : (2 n, 3) room. 0 triangles mean that all points lie on one line.

    Method: points are added as a slanted front passes over them. Each is joined to the sides of
    the hull it sees, and sides are flipped until the triangulation is Delaunay again (Lawson 1977,
    *Software for C1 surface interpolation*, from memory).
    """
    n = x.size
    after, before = np.zeros(n, np.int32), np.zeros(n, np.int32)
    inner = np.zeros(n, np.int32)
    size = _fan(x, y, corners, beyond, after, before, inner)
    triangles = size - 2 if size > 0 else 0
    if size == 0:
        return 0
    stack = np.zeros(4 * n + 8, np.int32)
    for p in range(size, n):
        begun = triangles
        triangles = _reach(x, y, p, begun, corners, beyond, after, before, inner)
        for t in range(begun, triangles):
            stack[t - begun] = t
        _mend(x, y, p, stack, triangles - begun, corners, beyond, inner)
    return triangles


@_jit
def settle(x, y, corners, beyond):  # type: ignore[no-untyped-def]
    """Choose, in place, among triangulations that are all Delaunay; the number of flips.

    Of four points on one circle the diagonal that is kept ends in the first of them in the order of
    :func:`sort`, the least number. What comes out does not hang on how the points came in, nor on
    points elsewhere.
    """
    n = corners.shape[0]
    stack, is_waiting = np.arange(n).astype(np.int32), np.ones(n, np.bool_)
    size, flips = n, 0
    while size > 0 and flips < 100 * n:  # near ties could go round for ever
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
            if min(a, b) < min(p, q):  # as it should be, on a circle or off
                continue
            if in_circle(x[p], y[p], x[a], y[a], x[b], y[b], x[q], y[q]) < 0.0:
                continue
            if side(x[p], y[p], x[a], y[a], x[q], y[q]) <= 0.0:
                continue
            if side(x[q], y[q], x[b], y[b], x[p], y[p]) <= 0.0:
                continue
            _flip(corners, beyond, t, k, u, j)
            flips += 1
            for v in (beyond[t, 0], beyond[t, 2], beyond[u, 0], beyond[u, 2], u, t):
                if v >= 0 and not is_waiting[v]:
                    is_waiting[v] = True
                    stack[size] = v
                    size += 1
            break
    return flips
