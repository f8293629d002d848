"""Compiled loops along a smoothed line. They check nothing: every caller is a shell that did.

The nearest place on a line, and the point there, are reckoned step by step as GEOS reckons them, so
that the figures are the same to the last bit whichever of the two is asked. What is saved is the
search: segments are bundled, and a bundle whose box is farther than the best place so far is not
looked into.
"""

from __future__ import annotations

import numpy as np

from geotrim.core._kernels import _jit

#: Segments in a bundle.
BUNDLE = 8


@_jit
def bundles(xy):  # type: ignore[no-untyped-def]
    """Arc lengths at the vertices, and the boxes (west, south, east, north) of bundles."""
    n = xy.shape[0] - 1
    along = np.zeros(n + 1)
    boxes = np.empty(((n + BUNDLE - 1) // BUNDLE, 4))
    for i in range(n):
        x0, y0, x1, y1 = xy[i, 0], xy[i, 1], xy[i + 1, 0], xy[i + 1, 1]
        along[i + 1] = along[i] + np.sqrt((x1 - x0) * (x1 - x0) + (y1 - y0) * (y1 - y0))
        b = i // BUNDLE
        if i % BUNDLE == 0:
            boxes[b, 0], boxes[b, 1], boxes[b, 2], boxes[b, 3] = x0, y0, x0, y0
        boxes[b, 0] = min(boxes[b, 0], x0, x1)
        boxes[b, 1] = min(boxes[b, 1], y0, y1)
        boxes[b, 2] = max(boxes[b, 2], x0, x1)
        boxes[b, 3] = max(boxes[b, 3], y0, y1)
    return along, boxes


@_jit
def to_segment(xy, i, x, y):  # type: ignore[no-untyped-def]
    """Distance of a point to one segment, and the share of the segment at its foot."""
    x0, y0, x1, y1 = xy[i, 0], xy[i, 1], xy[i + 1, 0], xy[i + 1, 1]
    dx, dy = x1 - x0, y1 - y0
    squared = dx * dx + dy * dy
    r = ((x - x0) * dx + (y - y0) * dy) / squared
    if r <= 0.0:
        return np.sqrt((x - x0) * (x - x0) + (y - y0) * (y - y0)), 0.0
    if r >= 1.0:
        return np.sqrt((x - x1) * (x - x1) + (y - y1) * (y - y1)), 1.0
    s = ((y0 - y) * dx - (x0 - x) * dy) / squared
    return abs(s) * np.sqrt(squared), r


@_jit
def nearest_segment(xy, boxes, x, y, guess):  # type: ignore[no-untyped-def]
    """Nearest segment to a point (the first of several), its distance and the share of it."""
    n = xy.shape[0] - 1
    best, at = guess, np.inf
    at, share = to_segment(xy, guess, x, y)
    for b in range(boxes.shape[0]):
        dx = max(boxes[b, 0] - x, 0.0, x - boxes[b, 2])
        dy = max(boxes[b, 1] - y, 0.0, y - boxes[b, 3])
        if np.sqrt(dx * dx + dy * dy) > at * (1 + 1e-9) + 1e-9:
            continue
        for i in range(b * BUNDLE, min((b + 1) * BUNDLE, n)):
            d, r = to_segment(xy, i, x, y)
            if d < at or (d == at and i < best):
                best, at, share = i, d, r
    return best, at, share


@_jit
def place_along(xy, along, boxes, x, y, guess):  # type: ignore[no-untyped-def]
    """Arc length of the nearest place on a line, its segment (the one after a vertex), its point.

    The last number is the nearest segment, a guess for the next point.
    """
    n = xy.shape[0] - 1
    i, _, share = nearest_segment(xy, boxes, x, y, guess)
    if share <= 0.0:
        s = along[i]
    elif share >= 1.0:
        s = along[i + 1]
    else:
        x0, y0, x1, y1 = xy[i, 0], xy[i, 1], xy[i + 1, 0], xy[i + 1, 1]
        s = along[i] + share * np.sqrt((x1 - x0) * (x1 - x0) + (y1 - y0) * (y1 - y0))
    k = i
    while k < n - 1 and along[k + 1] <= s:
        k += 1
    while k > 0 and along[k] > s:
        k -= 1
    if s >= along[n]:
        return s, n - 1, xy[n, 0], xy[n, 1], i
    x0, y0, x1, y1 = xy[k, 0], xy[k, 1], xy[k + 1, 0], xy[k + 1, 1]
    w = (s - along[k]) / np.sqrt((x1 - x0) * (x1 - x0) + (y1 - y0) * (y1 - y0))
    return s, k, (x1 - x0) * w + x0, (y1 - y0) * w + y0, i


@_jit
def _stand_one(xy, along, boxes, stations, is_closed, x, y, guess):  # type: ignore[no-untyped-def]
    """Station, offset, whether square, distance and next guess of one point."""
    n = xy.shape[0] - 1
    s, k, foot_x, foot_y, i = place_along(xy, along, boxes, x, y, guess)
    station = stations[k]
    if s >= along[n]:
        station = stations[n]
    elif s != along[k]:
        slope = (stations[k + 1] - stations[k]) / (along[k + 1] - along[k])
        station = slope * (s - along[k]) + stations[k]
    x0, y0, x1, y1 = xy[k, 0], xy[k, 1], xy[k + 1, 0], xy[k + 1, 1]
    size = np.sqrt((x1 - x0) * (x1 - x0) + (y1 - y0) * (y1 - y0))
    way_x, way_y = (x1 - x0) / size, (y1 - y0) / size
    gap_x, gap_y = x - foot_x, y - foot_y
    side = -way_y * gap_x + way_x * gap_y
    away = np.sqrt(gap_x * gap_x + gap_y * gap_y)
    offset = np.copysign(away, side)
    skew = abs(way_x * gap_x + way_y * gap_y)
    is_end = (s <= 0 or s >= along[n]) and not is_closed
    is_square = not is_end or skew <= 1e-6 + 1e-9 * abs(offset)
    return station, offset if is_square else side, is_square, away, i


@_jit
def stand_points(xy, stations, is_closed, points):  # type: ignore[no-untyped-def]
    """Station, offset, whether square and distance of points."""
    n = points.shape[0]
    along, boxes = bundles(xy)
    station, offset, away = np.empty(n), np.empty(n), np.empty(n)
    is_square = np.empty(n, dtype=np.bool_)
    guess = 0
    for j in range(n):
        station[j], offset[j], is_square[j], away[j], guess = _stand_one(
            xy, along, boxes, stations, is_closed, points[j, 0], points[j, 1], guess
        )
    return station, offset, is_square, away


@_jit
def _pieces_of(xy, i, step):  # type: ignore[no-untyped-def]
    """How many steps no longer than ``step`` an edge is followed in."""
    dx, dy = xy[i + 1, 0] - xy[i, 0], xy[i + 1, 1] - xy[i, 1]
    length = np.sqrt(dx * dx + dy * dy)
    return max(1, int(np.ceil(length / step))), length


@_jit
def stand_outlines(  # type: ignore[no-untyped-def]
    xy, stations, is_closed, coordinates, ring_offsets, shape_offsets, which, step
):
    """Station and offset along the outlines of some shapes, followed in steps.

    Returns
    -------
    station, offset : (p,) arrays
    is_linked : (p,) whether a point and the one before it are the ends of a piece of outline that
        stands square to the line.
    """
    count = 0
    for shape in which:
        for ring in range(shape_offsets[shape], shape_offsets[shape + 1]):
            for i in range(ring_offsets[ring], ring_offsets[ring + 1] - 1):
                count += _pieces_of(coordinates, i, step)[0]
            count += 1
    along, boxes = bundles(xy)
    station, offset = np.empty(count), np.empty(count)
    is_linked = np.zeros(count, dtype=np.bool_)
    at, guess = 0, 0
    for shape in which:
        for ring in range(shape_offsets[shape], shape_offsets[shape + 1]):
            first, last = ring_offsets[ring], ring_offsets[ring + 1] - 1
            was_square = False
            for i in range(first, last):
                x0, y0 = coordinates[i, 0], coordinates[i, 1]
                x1, y1 = coordinates[i + 1, 0], coordinates[i + 1, 1]
                pieces, length = _pieces_of(coordinates, i, step)
                size = length / pieces
                for j in range(pieces):
                    w = (j * size) / length if j > 0 else 0.0
                    s, off, is_square, _, guess = _stand_one(
                        xy, along, boxes, stations, is_closed,
                        x0 + w * (x1 - x0), y0 + w * (y1 - y0), guess,
                    )  # fmt: skip
                    station[at], offset[at] = s, off
                    is_linked[at] = was_square and is_square
                    was_square = is_square
                    at += 1
            s, off, is_square, _, guess = _stand_one(
                xy, along, boxes, stations, is_closed,
                coordinates[last, 0], coordinates[last, 1], guess,
            )  # fmt: skip
            station[at], offset[at] = s, off
            is_linked[at] = was_square and is_square
            at += 1
    return station, offset, is_linked


@_jit
def outline_spans(station, is_linked, is_closed, length):  # type: ignore[no-untyped-def]
    """Spans of the line that connected outlines stand along, (n, 2); they may overlap.

    On a closed line a piece that passes its seam ends one span and begins another.
    """
    out = np.empty((station.size + 1, 2))
    n = 0
    is_open = False
    low, high = 0.0, 0.0
    for j in range(1, station.size):
        if not is_linked[j]:
            if is_open:
                out[n, 0], out[n, 1] = low, high
                n += 1
            is_open = False
            continue
        s0, s1 = station[j - 1], station[j]
        if not is_open:
            low, high = s0, s0
        if is_closed and abs(s1 - s0) > length / 2:
            end = length if s0 > s1 else 0.0
            out[n, 0], out[n, 1] = min(low, end), max(high, end)
            n += 1
            low, high = min(length - end, s1), max(length - end, s1)
        else:
            low, high = min(low, s1), max(high, s1)
        is_open = True
    if is_open:
        out[n, 0], out[n, 1] = low, high
        n += 1
    return out[:n]


@_jit
def _cell_of(edges, s):  # type: ignore[no-untyped-def]
    """Cell that holds a station; one on an edge belongs to the cell after."""
    return min(max(np.searchsorted(edges, s, side="right") - 1, 0), edges.size - 2)


@_jit
def _put_piece(edges, low, high, s0, off0, s1, off1):  # type: ignore[no-untyped-def]
    """Let the cells a piece of outline touches know its offsets; it is cut at their edges."""
    one, other = _cell_of(edges, s0), _cell_of(edges, s1)
    low[one], high[one] = min(low[one], off0), max(high[one], off0)
    low[other], high[other] = min(low[other], off1), max(high[other], off1)
    for edge in range(min(one, other) + 1, max(one, other) + 1):
        w = (edges[edge] - s0) / (s1 - s0)
        w = 0.0 if np.isnan(w) else min(max(w, 0.0), 1.0)
        at = off0 + w * (off1 - off0)
        low[edge - 1], high[edge - 1] = min(low[edge - 1], at), max(high[edge - 1], at)
        low[edge], high[edge] = min(low[edge], at), max(high[edge], at)


@_jit
def outline_extremes(  # type: ignore[no-untyped-def]
    edges, station, offset, is_linked, is_closed, length
):
    """Least and greatest offset of outlines in each cell; NaN for none."""
    low = np.full(edges.size - 1, np.inf)
    high = np.full(edges.size - 1, -np.inf)
    for j in range(1, station.size):
        if not is_linked[j]:
            continue
        s0, s1, off0, off1 = station[j - 1], station[j], offset[j - 1], offset[j]
        if is_closed and abs(s1 - s0) > length / 2:
            end = length if s0 > s1 else 0.0
            middle = (off0 + off1) / 2
            _put_piece(edges, low, high, s0, off0, end, middle)
            _put_piece(edges, low, high, length - end, middle, s1, off1)
        else:
            _put_piece(edges, low, high, s0, off0, s1, off1)
    for k in range(low.size):
        if high[k] < low[k]:
            low[k], high[k] = np.nan, np.nan
    return low, high
