"""Compiled loops that smooth the lines of many stretches. They check nothing.

The rules in words are those of :func:`geotrim.core.fringe.baseline_of`; every step is reckoned in
the same order, so that the lines are the same to the last bit.
"""

from __future__ import annotations

import numpy as np

from geotrim.core._kernels import _jit


@_jit
def interpolated(at, s, values):  # type: ignore[no-untyped-def]
    """Value of a polyline through (s, values) at one position, the end values beyond its ends."""
    n = s.size
    if at <= s[0]:
        return values[0]
    if at >= s[n - 1]:
        return values[n - 1]
    k = np.searchsorted(s, at, side="right") - 1
    if s[k] == at:
        return values[k]
    return (values[k + 1] - values[k]) / (s[k + 1] - s[k]) * (at - s[k]) + values[k]


@_jit
def on_chain(at, s, is_closed):  # type: ignore[no-untyped-def]
    """A position on a chain: wrapped on a closed one."""
    length = s[s.size - 1]
    if is_closed and (at < 0 or at > length):
        return at % length
    return at


@_jit
def leg_of(at, length, is_closed, corners, side):  # type: ignore[no-untyped-def]
    """Ends of the corner-free leg that holds a position; see ``Chain.leg``."""
    m = corners.size
    if is_closed and m == 0:
        return at - length / 2, at + length / 2
    where = at + 1e-7 * max(length, 1.0) * (1.0 if side >= 0 else -1.0)
    k = np.searchsorted(corners, where, side="right")  # corners at or before it
    before_first = corners[m - 1] - length if is_closed else 0.0
    after_last = corners[0] + length if is_closed else length
    low = before_first if k == 0 else corners[k - 1]
    high = after_last if k == m else corners[k]
    return low, high


@_jit
def part_of(x, y, s, is_closed, low, high):  # type: ignore[no-untyped-def]
    """Vertices of a chain from one position to another; see ``Chain.part``."""
    length = s[s.size - 1]
    first = np.searchsorted(s, low, side="right")
    last = max(first, np.searchsorted(s, high, side="left"))
    places = s[first:last]
    if is_closed and high > length:
        first = np.searchsorted(s, max(low - length, 0.0), side="right")
        last = max(first, np.searchsorted(s, high - length, side="left"))
        places = np.unique(np.concatenate((places, s[first:last] + length)))
    out = np.empty((places.size + 2, 2))
    for j in range(places.size + 2):
        at = low if j == 0 else (high if j == places.size + 1 else places[j - 1])
        at = on_chain(at, s, is_closed)
        out[j, 0], out[j, 1] = interpolated(at, s, x), interpolated(at, s, y)
    return out


@_jit
def beyond_end(x, y, s, is_closed, corners, at, end, inner, smoothing):  # type: ignore[no-untyped-def]
    """Half a smoothing length of shore beyond an end of a stretch, no farther than a corner.

    end, inner : the last vertex of the stretch and the one before it. Farthest point first, the end
    itself left out.
    """
    ahead = inner - end
    step = min(1e-3 * np.sqrt(ahead[0] * ahead[0] + ahead[1] * ahead[1]), smoothing / 100)
    gaps = np.empty(2)
    for j in range(2):
        place = on_chain(at + step if j == 0 else at - step, s, is_closed)
        gap_x = interpolated(place, s, x) - (end[0] + ahead[0] * 1e-3)
        gap_y = interpolated(place, s, y) - (end[1] + ahead[1] * 1e-3)
        gaps[j] = np.sqrt(gap_x * gap_x + gap_y * gap_y)
    side = -1 if gaps[0] <= gaps[1] else 1  # away from the stretch
    low, high = leg_of(at, s[s.size - 1], is_closed, corners, side)
    if side < 0:
        return part_of(x, y, s, is_closed, max(at - smoothing / 2, low), at)[:-1]
    return part_of(x, y, s, is_closed, at, min(at + smoothing / 2, high))[::-1][:-1]


@_jit
def arcs(xy):  # type: ignore[no-untyped-def]
    """Arc length up to each vertex."""
    s = np.zeros(xy.shape[0])
    for i in range(xy.shape[0] - 1):
        dx, dy = xy[i + 1, 0] - xy[i, 0], xy[i + 1, 1] - xy[i, 1]
        s[i + 1] = s[i] + np.sqrt(dx * dx + dy * dy)
    return s


@_jit
def distinct(xy):  # type: ignore[no-untyped-def]
    """Which vertices are not where the one before them is."""
    keep = np.ones(xy.shape[0], dtype=np.bool_)
    for i in range(1, xy.shape[0]):
        dx, dy = xy[i, 0] - xy[i - 1, 0], xy[i, 1] - xy[i - 1, 1]
        keep[i] = np.sqrt(dx * dx + dy * dy) > 0
    return keep


@_jit
def averaged(xy, smoothing, where):  # type: ignore[no-untyped-def]
    """Mean of a line over a window centred on each position; see ``moving_average``."""
    n = xy.shape[0]
    middle = np.zeros(2)
    for i in range(n):
        middle += xy[i]
    middle /= n
    x, y = xy[:, 0] - middle[0], xy[:, 1] - middle[1]
    size, s = np.empty(n - 1), np.zeros(n)
    area_x, area_y = np.zeros(n), np.zeros(n)
    for i in range(n - 1):
        dx, dy = x[i + 1] - x[i], y[i + 1] - y[i]
        size[i] = np.sqrt(dx * dx + dy * dy)
        s[i + 1] = s[i] + size[i]
        area_x[i + 1] = area_x[i] + (x[i + 1] + x[i]) / 2 * size[i]
        area_y[i + 1] = area_y[i] + (y[i + 1] + y[i]) / 2 * size[i]
    length = s[n - 1]
    out = np.empty((where.size, 2))
    for j in range(where.size):
        at = where[j]
        half = min(smoothing / 2, min(at, length - at))
        if not half > 1e-9 * max(length, 1.0):
            out[j, 0] = interpolated(at, s, x) + middle[0]
            out[j, 1] = interpolated(at, s, y) + middle[1]
            continue
        sum_x, sum_y = 0.0, 0.0
        for sign in (1.0, -1.0):
            place = at + half if sign > 0 else at - half
            k = min(max(np.searchsorted(s, place, side="right") - 1, 0), n - 2)
            into = place - s[k]
            way_x, way_y = (x[k + 1] - x[k]) / size[k], (y[k + 1] - y[k]) / size[k]
            sum_x += sign * (area_x[k] + x[k] * into + way_x * (into * into) / 2)
            sum_y += sign * (area_y[k] + y[k] * into + way_y * (into * into) / 2)
        out[j, 0] = sum_x / (2 * half) + middle[0]
        out[j, 1] = sum_y / (2 * half) + middle[1]
    return out


@_jit
def smoothed_line(xy, before, after, smoothing, spacing):  # type: ignore[no-untyped-def]
    """Vertices of the smoothed line of a stretch that does not close, and their stations."""
    whole = np.concatenate((before, xy, after))
    start = arcs(np.concatenate((before, xy[:1])))[-1]
    own = arcs(xy)
    length = own[-1]
    count = max(2, int(np.ceil(length / spacing)) + 1)
    s = np.arange(count) * (length / (count - 1))
    s[count - 1] = length
    if smoothing == 0:
        s = np.unique(np.concatenate((s, own)))
    line = averaged(whole[distinct(whole)], smoothing, start + s)
    keep = distinct(line)
    return line[keep], s[keep]


@_jit
def smoothed_lines(  # type: ignore[no-untyped-def]
    xy, offsets, chain, at, chains_xy, chains_s, chain_offsets, is_closed,
    corners, corner_offsets, smoothing, spacing, lines, stations, sizes,
):  # fmt: skip
    """Smoothed lines of many stretches, written one after the other.

    xy, offsets : vertices of m stretches. chain, at : (m, 2) where their ends lie on the shore.
    chains_* : the shore's chains. lines, stations : room enough for the answer. sizes : (m,)
    vertices of each.
    """
    none = np.empty((0, 2))
    filled = 0
    for m in range(offsets.size - 1):
        own = xy[offsets[m] : offsets[m + 1]]
        before, after = none, none
        if smoothing > 0:
            for e in range(2):
                c = chain[m, e]
                first, last = chain_offsets[c], chain_offsets[c + 1]
                x, y = chains_xy[0, first:last], chains_xy[1, first:last]
                s = chains_s[first:last]
                turns = corners[corner_offsets[c] : corner_offsets[c + 1]]
                end, inner = (own[0], own[1]) if e == 0 else (own[-1], own[-2])
                piece = beyond_end(x, y, s, is_closed[c], turns, at[m, e], end, inner, smoothing)
                if e == 0:
                    before = piece.copy()
                else:
                    after = piece[::-1].copy()
        line, station = smoothed_line(own, before, after, smoothing, spacing)
        n = station.size
        lines[filled : filled + n], stations[filled : filled + n] = line, station
        sizes[m] = n
        filled += n
