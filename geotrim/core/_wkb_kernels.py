"""Compiled loops over well-known binary. Bytes are not trusted: nothing is read past its row.

A number is put together byte by byte, which the compiler turns into one load, in either order. A
coordinate is kept as the 64 bits it is made of, to be looked at as a double afterwards.
"""

from __future__ import annotations

import numpy as np

from geotrim.core._kernels import _jit

#: Faults of a row.
FINE, BROKEN, NO_POLYGON, NOT_FINITE, OPEN = 0, 1, 2, 3, 4
#: Codes of geometries.
POLYGON, MULTIPOLYGON = 3, 6
# What is wrong is handed back as minus the fault, where a number or a place is handed back else.

# Bits of a double that are all set in one that is not finite. Source: IEEE 754.
_EXPONENT = np.uint64(0x7FF0000000000000)
_UNSIGNED = np.uint64(0x7FFFFFFFFFFFFFFF)
_BYTE = tuple(np.uint64(8 * k) for k in range(8))


@_jit
def number(data, at, is_little):  # type: ignore[no-untyped-def]
    """Four bytes as a whole number."""
    if is_little:
        return (
            np.int64(data[at])
            | np.int64(data[at + 1]) << 8
            | np.int64(data[at + 2]) << 16
            | np.int64(data[at + 3]) << 24
        )
    return (
        np.int64(data[at]) << 24
        | np.int64(data[at + 1]) << 16
        | np.int64(data[at + 2]) << 8
        | np.int64(data[at + 3])
    )


@_jit
def double(data, at, is_little):  # type: ignore[no-untyped-def]
    """The 64 bits of a coordinate."""
    if is_little:
        return (
            np.uint64(data[at])
            | np.uint64(data[at + 1]) << _BYTE[1]
            | np.uint64(data[at + 2]) << _BYTE[2]
            | np.uint64(data[at + 3]) << _BYTE[3]
            | np.uint64(data[at + 4]) << _BYTE[4]
            | np.uint64(data[at + 5]) << _BYTE[5]
            | np.uint64(data[at + 6]) << _BYTE[6]
            | np.uint64(data[at + 7]) << _BYTE[7]
        )
    return (
        np.uint64(data[at]) << _BYTE[7]
        | np.uint64(data[at + 1]) << _BYTE[6]
        | np.uint64(data[at + 2]) << _BYTE[5]
        | np.uint64(data[at + 3]) << _BYTE[4]
        | np.uint64(data[at + 4]) << _BYTE[3]
        | np.uint64(data[at + 5]) << _BYTE[2]
        | np.uint64(data[at + 6]) << _BYTE[1]
        | np.uint64(data[at + 7])
    )


@_jit
def header(data, at, end):  # type: ignore[no-untyped-def]
    """Kind, bytes of a vertex, byte order, and the place behind the header of a geometry.

    The kind is minus ``BROKEN`` where there is no whole header.
    """
    if at + 5 > end or data[at] > 1:
        return -BROKEN, 0, False, at
    is_little = data[at] == 1
    code = number(data, at + 1, is_little)
    at += 5
    n_more = 0
    if code & 0x80000000:
        n_more += 1
    if code & 0x40000000:
        n_more += 1
    if code & 0x20000000:
        at += 4
    code &= 0x1FFFFFFF
    group = code // 1000
    if group > 3:
        return -BROKEN, 0, is_little, at
    n_iso = 2 if group == 3 else (1 if group > 0 else 0)
    return code % 1000, 16 + 8 * max(n_more, n_iso), is_little, at


@_jit
def survey_ring(data, at, end, stride, is_little):  # type: ignore[no-untyped-def]
    """Number of vertices of a ring, or minus its fault."""
    if at + 4 > end:
        return -BROKEN
    n = number(data, at, is_little)
    at += 4
    if n * stride > end - at:
        return -BROKEN
    for i in range(n):
        x = double(data, at + i * stride, is_little)
        y = double(data, at + i * stride + 8, is_little)
        if x & _EXPONENT == _EXPONENT or y & _EXPONENT == _EXPONENT:
            return -NOT_FINITE
    if n > 0:
        last = at + (n - 1) * stride
        for k in (0, 8):
            one, other = double(data, at + k, is_little), double(data, last + k, is_little)
            # 0 and -0 are equal and differ in their sign bit
            if one != other and (one | other) & _UNSIGNED != np.uint64(0):
                return -OPEN
        if n < 3:
            return -OPEN
    return n


@_jit
def survey_polygon(data, at, end, stride, is_little):  # type: ignore[no-untyped-def]
    """Rings with vertices, vertices, and the place behind the polygon, or minus its fault."""
    n_rings, n_vertices = 0, 0
    if at + 4 > end:
        return 0, 0, -BROKEN
    n = number(data, at, is_little)
    at += 4
    for ring in range(n):
        found = survey_ring(data, at, end, stride, is_little)
        if found < 0:
            return 0, 0, found
        if found > 0 and ring > 0 and n_rings == 0:
            return 0, 0, -BROKEN  # holes in no shell
        at += 4 + found * stride
        n_vertices += found
        if found > 0:
            n_rings += 1
    return n_rings, n_vertices, at


@_jit
def survey_row(data, at, end):  # type: ignore[no-untyped-def]
    """Rings, vertices and the fault of one row."""
    kind, stride, is_little, at = header(data, at, end)
    if kind < 0:
        return 0, 0, BROKEN
    if kind == POLYGON:
        n_rings, n_vertices, at = survey_polygon(data, at, end, stride, is_little)
        return n_rings, n_vertices, -at if at < 0 else FINE
    if kind != MULTIPOLYGON:
        return 0, 0, NO_POLYGON
    if at + 4 > end:
        return 0, 0, BROKEN
    n_rings, n_vertices = 0, 0
    n_parts = number(data, at, is_little)
    at += 4
    for _ in range(n_parts):
        kind, stride, is_little, at = header(data, at, end)
        if kind != POLYGON:
            return 0, 0, BROKEN
        rings_here, vertices_here, at = survey_polygon(data, at, end, stride, is_little)
        if at < 0:
            return 0, 0, -at
        n_rings += rings_here
        n_vertices += vertices_here
    return n_rings, n_vertices, FINE


@_jit
def survey(data, starts, skip, faults, n_rings, n_vertices):  # type: ignore[no-untyped-def]
    """What each row needs room for. All outputs are (n,) and 0 at the start."""
    for row in range(starts.size - 1):
        if skip[row] or starts[row + 1] == starts[row]:
            continue
        n_rings[row], n_vertices[row], faults[row] = survey_row(data, starts[row], starts[row + 1])


@_jit
def fill_polygon(data, at, stride, is_little, ring, vertex, bits, ends, is_hole):  # type: ignore[no-untyped-def]
    """Write one polygon that was found fine; returns the places behind what was read, written."""
    n = number(data, at, is_little)
    at += 4
    for hole in range(n):
        n_points = number(data, at, is_little)
        at += 4
        if n_points == 0:
            continue
        for _ in range(n_points):
            bits[vertex, 0] = double(data, at, is_little)
            bits[vertex, 1] = double(data, at + 8, is_little)
            vertex += 1
            at += stride
        ends[ring] = vertex
        is_hole[ring] = hole > 0
        ring += 1
    return at, ring, vertex


@_jit
def fill(data, starts, crown_offsets, vertices, bits, ends, is_hole):  # type: ignore[no-untyped-def]
    """Write the vertices of every row that has rings.

    bits : (v, 2) coordinates. ends : (r,) the place behind each ring.
    """
    for row in range(starts.size - 1):
        ring, vertex = crown_offsets[row], vertices[row]
        if crown_offsets[row + 1] == ring:
            continue
        end = starts[row + 1]
        kind, stride, is_little, at = header(data, starts[row], end)
        if kind == POLYGON:
            fill_polygon(data, at, stride, is_little, ring, vertex, bits, ends, is_hole)
            continue
        n_parts = number(data, at, is_little)
        at += 4
        for _ in range(n_parts):
            kind, stride, is_little, at = header(data, at, end)
            at, ring, vertex = fill_polygon(
                data, at, stride, is_little, ring, vertex, bits, ends, is_hole
            )


@_jit
def bounds(xy, ring_offsets, crown_offsets, out):  # type: ignore[no-untyped-def]
    """West, south, east, north; left as it is for a crown without vertices."""
    for crown in range(crown_offsets.size - 1):
        first = ring_offsets[crown_offsets[crown]]
        last = ring_offsets[crown_offsets[crown + 1]]
        if last == first:
            continue
        west, east, south, north = np.inf, -np.inf, np.inf, -np.inf
        for i in range(first, last):
            west, east = min(west, xy[i, 0]), max(east, xy[i, 0])
            south, north = min(south, xy[i, 1]), max(north, xy[i, 1])
        out[crown, 0], out[crown, 1], out[crown, 2], out[crown, 3] = west, south, east, north


@_jit
def moments(xy, first, last, x0, y0):  # type: ignore[no-untyped-def]
    """Twice the signed area of a ring, and six times its moments, about a point."""
    twice, mx, my = 0.0, 0.0, 0.0
    for i in range(first, last - 1):
        xa, ya = xy[i, 0] - x0, xy[i, 1] - y0
        xb, yb = xy[i + 1, 0] - x0, xy[i + 1, 1] - y0
        cross = xa * yb - xb * ya
        twice += cross
        mx += cross * (xa + xb)
        my += cross * (ya + yb)
    return twice, mx, my


@_jit
def outline(xy, first, last, x0, y0):  # type: ignore[no-untyped-def]
    """Length of a ring, and its moments, about a point."""
    length, mx, my = 0.0, 0.0, 0.0
    for i in range(first, last - 1):
        dx, dy = xy[i + 1, 0] - xy[i, 0], xy[i + 1, 1] - xy[i, 1]
        step = np.sqrt(dx * dx + dy * dy)
        length += step
        mx += step * (xy[i, 0] + 0.5 * dx - x0)
        my += step * (xy[i, 1] + 0.5 * dy - y0)
    return length, mx, my


@_jit
def areas(xy, ring_offsets, is_hole, crown_offsets, out):  # type: ignore[no-untyped-def]
    """Add the area of shells and take off that of holes."""
    for crown in range(crown_offsets.size - 1):
        for ring in range(crown_offsets[crown], crown_offsets[crown + 1]):
            first, last = ring_offsets[ring], ring_offsets[ring + 1]
            if last > first:
                twice, _, _ = moments(xy, first, last, xy[first, 0], xy[first, 1])
                out[crown] += -0.5 * abs(twice) if is_hole[ring] else 0.5 * abs(twice)


@_jit
def centres(xy, ring_offsets, is_hole, crown_offsets, out):  # type: ignore[no-untyped-def]
    """Centroids; left as they are for a crown without vertices.

    About the crown's first vertex, so that large coordinates lose nothing.
    """
    for crown in range(crown_offsets.size - 1):
        ring0, ring1 = crown_offsets[crown], crown_offsets[crown + 1]
        begin, end = ring_offsets[ring0], ring_offsets[ring1]
        if end == begin:
            continue
        x0, y0 = xy[begin, 0], xy[begin, 1]
        twice, mx, my = 0.0, 0.0, 0.0
        length, lx, ly = 0.0, 0.0, 0.0
        for ring in range(ring0, ring1):
            first, last = ring_offsets[ring], ring_offsets[ring + 1]
            a, b, c = moments(xy, first, last, x0, y0)
            sign = 1.0 if (a > 0.0) != is_hole[ring] else -1.0
            twice += sign * a
            mx += sign * b
            my += sign * c
            a, b, c = outline(xy, first, last, x0, y0)
            length += a
            lx += b
            ly += c
        if twice != 0.0:
            out[crown, 0], out[crown, 1] = x0 + mx / (3.0 * twice), y0 + my / (3.0 * twice)
        elif length > 0.0:
            out[crown, 0], out[crown, 1] = x0 + lx / length, y0 + ly / length
        else:
            out[crown, 0], out[crown, 1] = x0, y0
