"""Compiled loops over well-known binary. Bytes are not trusted: nothing is read past its row.

The vertices of a ring are copied as the bytes they are and turned round afterwards if they are in
the other order. A row that turns out bad is written over by the next one, so all is gone through
once.
"""

from __future__ import annotations

import sys

import numpy as np

from geotrim.core._kernels import _jit

#: Faults of a row.
FINE, BROKEN, NO_POLYGON, NOT_FINITE, OPEN = 0, 1, 2, 3, 4
#: Codes of geometries.
POLYGON, MULTIPOLYGON = 3, 6
# What is wrong is handed back as minus the fault, where a number or a place is handed back else.

#: Bytes of the shortest ring that is one: its count and three vertices.
LEAST_RING = 4 + 3 * 16
HOST_IS_LITTLE = sys.byteorder == "little"
# Bits of a double that are all set in one that is not finite. Source: IEEE 754.
_EXPONENT = np.uint64(0x7FF0000000000000)
_UNSIGNED = np.uint64(0x7FFFFFFFFFFFFFFF)
_NOTHING, _EIGHT, _OCTET = np.uint64(0), np.uint64(8), np.uint64(0xFF)


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
def swapped(bits):  # type: ignore[no-untyped-def]
    """Eight bytes in the other order."""
    out = np.uint64(0)
    for _ in range(8):
        out = out << _EIGHT | bits & _OCTET
        bits = bits >> _EIGHT
    return out


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
def read_ring(data, at, end, stride, is_little, vertex, bits, octets):  # type: ignore[no-untyped-def]
    """Write the vertices of a ring; returns their number, or minus the ring's fault.

    bits, octets : (v, 2) and (16 v,) the same memory, looked at in two ways.
    """
    if at + 4 > end:
        return -BROKEN
    n = number(data, at, is_little)
    at += 4
    if n * stride > end - at:
        return -BROKEN
    if n == 0:
        return n
    if stride == 16:
        octets[16 * vertex : 16 * (vertex + n)] = data[at : at + 16 * n]
    else:
        for i in range(n):
            k, start = 16 * (vertex + i), at + i * stride
            octets[k : k + 16] = data[start : start + 16]
    if is_little != HOST_IS_LITTLE:
        for i in range(vertex, vertex + n):
            bits[i, 0], bits[i, 1] = swapped(bits[i, 0]), swapped(bits[i, 1])
    is_bad = False
    for i in range(vertex, vertex + n):
        x, y = bits[i, 0] & _EXPONENT, bits[i, 1] & _EXPONENT
        is_bad |= (x == _EXPONENT) | (y == _EXPONENT)
    if is_bad:
        return -NOT_FINITE
    for k in range(2):
        one, other = bits[vertex, k], bits[vertex + n - 1, k]
        # 0 and -0 are equal and differ in their sign bit
        if one != other and (one | other) & _UNSIGNED != _NOTHING:
            return -OPEN
    return n if n >= 3 else -OPEN


@_jit
def read_polygon(data, at, end, stride, is_little, ring, vertex, bits, octets, ends, is_hole):  # type: ignore[no-untyped-def]
    """Write one polygon; returns the next ring, the next vertex, and the place behind the polygon.

    Instead of the place minus the fault, where there is one.
    """
    if at + 4 > end:
        return ring, vertex, -BROKEN
    n_rings = number(data, at, is_little)
    at += 4
    shell = ring
    for number_of in range(n_rings):
        n = read_ring(data, at, end, stride, is_little, vertex, bits, octets)
        if n < 0:
            return ring, vertex, n
        at += 4 + n * stride
        if n == 0:
            continue
        if number_of > 0 and ring == shell:
            return ring, vertex, -BROKEN  # a hole in no shell
        vertex += n
        ends[ring] = vertex
        is_hole[ring] = number_of > 0
        ring += 1
    return ring, vertex, at


@_jit
def read_row(data, at, end, ring, vertex, bits, octets, ends, is_hole):  # type: ignore[no-untyped-def]
    """Write one row; returns the next ring, the next vertex, and the row's fault."""
    kind, stride, is_little, at = header(data, at, end)
    if kind < 0:
        return ring, vertex, BROKEN
    if kind == POLYGON:
        ring, vertex, at = read_polygon(
            data, at, end, stride, is_little, ring, vertex, bits, octets, ends, is_hole
        )
        return ring, vertex, -at if at < 0 else FINE
    if kind != MULTIPOLYGON:
        return ring, vertex, NO_POLYGON
    if at + 4 > end:
        return ring, vertex, BROKEN
    n_parts = number(data, at, is_little)
    at += 4
    for _ in range(n_parts):
        kind, stride, is_little, at = header(data, at, end)
        if kind != POLYGON:
            return ring, vertex, BROKEN
        ring, vertex, at = read_polygon(
            data, at, end, stride, is_little, ring, vertex, bits, octets, ends, is_hole
        )
        if at < 0:
            return ring, vertex, -at
    return ring, vertex, FINE


@_jit
def read_rows(data, starts, skip, faults, bits, octets, ends, is_hole, crown_ends):  # type: ignore[no-untyped-def]
    """Write every row, one after the other; one that is not fine leaves nothing.

    bits, octets : room for ``data.size // 16`` vertices, looked at in two ways.
    ends, is_hole : room for ``data.size // LEAST_RING`` rings. ``ends`` is the vertex behind each.
    crown_ends : (n,) the place behind the rings of each row.
    faults : (n,) 0 at the start.
    """
    ring, vertex = 0, 0
    for row in range(starts.size - 1):
        if not skip[row] and starts[row + 1] > starts[row]:
            next_ring, next_vertex, faults[row] = read_row(
                data, starts[row], starts[row + 1], ring, vertex, bits, octets, ends, is_hole
            )
            if faults[row] == FINE:
                ring, vertex = next_ring, next_vertex
        crown_ends[row] = ring
    return ring, vertex


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
