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
BUNDLE = 4


@_jit
def bundles(xy):  # type: ignore[no-untyped-def]
    """What a line's places are looked up with.

    Returns
    -------
    along : (n + 1,) arc lengths at the vertices.
    ways : (n, 4) of each segment its two components, its length and that squared.
    boxes : (b, 4) west, south, east, north of bundles of segments.
    """
    n = xy.shape[0] - 1
    along, ways = np.zeros(n + 1), np.empty((n, 4))
    boxes = np.empty(((n + BUNDLE - 1) // BUNDLE, 4))
    for i in range(n):
        x0, y0, x1, y1 = xy[i, 0], xy[i, 1], xy[i + 1, 0], xy[i + 1, 1]
        dx, dy = x1 - x0, y1 - y0
        squared = dx * dx + dy * dy
        ways[i, 0], ways[i, 1], ways[i, 2], ways[i, 3] = dx, dy, np.sqrt(squared), squared
        along[i + 1] = along[i] + ways[i, 2]
        b = i // BUNDLE
        if i % BUNDLE == 0:
            boxes[b, 0], boxes[b, 1], boxes[b, 2], boxes[b, 3] = x0, y0, x0, y0
        boxes[b, 0] = min(boxes[b, 0], x0, x1)
        boxes[b, 1] = min(boxes[b, 1], y0, y1)
        boxes[b, 2] = max(boxes[b, 2], x0, x1)
        boxes[b, 3] = max(boxes[b, 3], y0, y1)
    return along, ways, boxes


@_jit
def stand_points(xy, stations, is_closed, points):  # type: ignore[no-untyped-def]
    """Station and offset of points, whether they stand square to the line, and their distance.

    One long loop: arrays handed from one compiled function to another would be counted at every
    point, which takes longer than the search.
    """
    along, ways, boxes = bundles(xy)
    n = xy.shape[0] - 1
    station, offset = np.empty(points.shape[0]), np.empty(points.shape[0])
    away, is_square = np.empty(points.shape[0]), np.ones(points.shape[0], dtype=np.bool_)
    best = 0
    for j in range(points.shape[0]):
        x, y = points[j, 0], points[j, 1]
        # The nearest segment, the first of several; the one of the point before is a guess.
        guess = best
        at, share = np.inf, 0.0
        enough = np.inf  # what is farther than this, squared, is not nearer
        for b in range(-1, boxes.shape[0]):
            first, last = guess, guess + 1
            if b >= 0:
                dx = max(boxes[b, 0] - x, 0.0, x - boxes[b, 2])
                dy = max(boxes[b, 1] - y, 0.0, y - boxes[b, 3])
                if dx * dx + dy * dy > enough:
                    continue
                first, last = b * BUNDLE, min((b + 1) * BUNDLE, n)
            for i in range(first, last):
                dx, dy = ways[i, 0], ways[i, 1]
                from_x, from_y = x - xy[i, 0], y - xy[i, 1]
                cross = from_x * dy - from_y * dx
                if cross * cross > enough * ways[i, 3] or (b >= 0 and i == guess):
                    continue
                r = (from_x * dx + from_y * dy) / ways[i, 3]
                if r <= 0.0:
                    r, d = 0.0, np.sqrt(from_x * from_x + from_y * from_y)
                elif r >= 1.0:
                    from_x, from_y = x - xy[i + 1, 0], y - xy[i + 1, 1]
                    r, d = 1.0, np.sqrt(from_x * from_x + from_y * from_y)
                else:
                    d = abs((-from_y * dx + from_x * dy) / ways[i, 3]) * ways[i, 2]
                if d < at or (d == at and i < best):
                    best, at, share = i, d, r
                    enough = at * at * (1 + 1e-9) + 1e-9
        s = along[best + 1] if share >= 1.0 else along[best] + share * ways[best, 2]
        k = best  # a vertex belongs to the segment after it
        while k < n - 1 and along[k + 1] <= s:
            k += 1
        while k > 0 and along[k] > s:
            k -= 1
        w = (s - along[k]) / ways[k, 2]
        foot_x, foot_y = ways[k, 0] * w + xy[k, 0], ways[k, 1] * w + xy[k, 1]
        station[j] = stations[k]
        if s >= along[n]:
            foot_x, foot_y, station[j] = xy[n, 0], xy[n, 1], stations[n]
        elif s != along[k]:
            slope = (stations[k + 1] - stations[k]) / (along[k + 1] - along[k])
            station[j] = slope * (s - along[k]) + stations[k]
        way_x, way_y = ways[k, 0] / ways[k, 2], ways[k, 1] / ways[k, 2]
        gap_x, gap_y = x - foot_x, y - foot_y
        side = -way_y * gap_x + way_x * gap_y
        away[j] = np.sqrt(gap_x * gap_x + gap_y * gap_y)
        offset[j] = np.copysign(away[j], side)
        if (s <= 0 or s >= along[n]) and not is_closed:
            skew = abs(way_x * gap_x + way_y * gap_y)
            is_square[j] = skew <= 1e-6 + 1e-9 * away[j]
            if not is_square[j]:
                offset[j] = side
    return station, offset, is_square, away


@_jit
def follow_outlines(  # type: ignore[no-untyped-def]
    coordinates, ring_offsets, shape_offsets, which, step
):
    """Points along the outlines of some shapes, no farther apart than a step.

    Returns
    -------
    points : (p, 2)
    is_next : (p,) whether a point follows the one before it on the same ring.
    """
    count = 0
    for shape in which:
        for ring in range(shape_offsets[shape], shape_offsets[shape + 1]):
            for i in range(ring_offsets[ring], ring_offsets[ring + 1] - 1):
                dx = coordinates[i + 1, 0] - coordinates[i, 0]
                dy = coordinates[i + 1, 1] - coordinates[i, 1]
                count += max(1, int(np.ceil(np.sqrt(dx * dx + dy * dy) / step)))
            count += 1
    points = np.empty((count, 2))
    is_next = np.ones(count, dtype=np.bool_)
    at = 0
    for shape in which:
        for ring in range(shape_offsets[shape], shape_offsets[shape + 1]):
            is_next[at] = False
            last = ring_offsets[ring + 1] - 1
            for i in range(ring_offsets[ring], last):
                x0, y0 = coordinates[i, 0], coordinates[i, 1]
                dx, dy = coordinates[i + 1, 0] - x0, coordinates[i + 1, 1] - y0
                length = np.sqrt(dx * dx + dy * dy)
                pieces = max(1, int(np.ceil(length / step)))
                points[at, 0], points[at, 1] = x0, y0
                at += 1
                for j in range(1, pieces):
                    w = (j * (length / pieces)) / length
                    points[at, 0], points[at, 1] = x0 + w * dx, y0 + w * dy
                    at += 1
            points[at, 0], points[at, 1] = coordinates[last, 0], coordinates[last, 1]
            at += 1
    return points, is_next


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
    points, is_linked = follow_outlines(coordinates, ring_offsets, shape_offsets, which, step)
    station, offset, is_square, _ = stand_points(xy, stations, is_closed, points)
    for j in range(is_linked.size):
        is_linked[j] = is_linked[j] and is_square[j] and is_square[j - 1]
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
