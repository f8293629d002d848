"""Compiled loops for lines of sight. They check nothing.

A line is walked from one grid line to the next, so every cell it meets is found, with the exact
distances at which it enters and leaves. Distances are in ft, elevation angles in degrees; a point
at distance d appears ``curvature * d**2`` lower than it stands.

*Layers.* Options take spans of heights off a tree, so the ends of its options cut its canopy into
layers: layer k of tree t lies between ``edge[edge_start[t] + k - 1]`` and the next edge, the first
and the last layer being open below and above. An option takes whole layers, and they follow each
other. So an option clears all layers in the way if and only if it takes the lowest and the highest
of them.
"""

from __future__ import annotations

import math

import numpy as np

from geotrim.core._kernels import _jit

#: A part of a line shorter than this is no crossing of a cell but rounding at its corner. [cells]
LEAST_CROSSING = 1e-9
#: Ground not higher than this over the water is not told from it. [ft]
WET = 1e-9
DEGREES = 180.0 / math.pi


@_jit
def first_hits(dx, dy, p, q, segment, distance):  # type: ignore[no-untyped-def]
    """First segment each ray from the origin meets, -1 where none, and how far off.

    dx, dy : (r,) directions of length 1. p, q : (s, 2) ends of segments.
    """
    for i in range(dx.size):
        segment[i], distance[i] = -1, np.inf
        for j in range(p.shape[0]):
            px, py, qx, qy = p[j, 0], p[j, 1], q[j, 0], q[j, 1]
            # half open, so that a ray through a vertex between two segments meets one of them
            if (dx[i] * py - dy[i] * px >= 0.0) == (dx[i] * qy - dy[i] * qx >= 0.0):
                continue
            along = (px * qy - py * qx) / (dx[i] * (qy - py) - dy[i] * (qx - px))
            if 0.0 < along < distance[i]:
                segment[i], distance[i] = j, along


@_jit
def walk(col, row, col_rate, row_rate, end, n_rows, n_cols, at, rows, cols):  # type: ignore[no-untyped-def]
    """Cells a line meets between distance 0 and ``end``.

    col, row : where it begins, counted from the corner of the grid. col_rate, row_rate : a unit.
    at : written: distances of the n + 1 crossings. rows, cols : written: the n cells between them.

    Returns n. The scratch arrays hold ``n_rows + n_cols + 3``.
    """
    start = 0.0
    if col_rate == 0.0:
        if col < 0.0 or col >= n_cols:
            return 0
    else:
        a, b = -col / col_rate, (n_cols - col) / col_rate
        start, end = max(start, min(a, b)), min(end, max(a, b))
    if row_rate == 0.0:
        if row < 0.0 or row >= n_rows:
            return 0
    else:
        a, b = -row / row_rate, (n_rows - row) / row_rate
        start, end = max(start, min(a, b)), min(end, max(a, b))
    if not start < end:
        return 0
    least = LEAST_CROSSING / max(abs(col_rate), abs(row_rate))
    col_step = 1.0 if col_rate > 0.0 else -1.0
    row_step = 1.0 if row_rate > 0.0 else -1.0
    col_line = np.floor((col + col_rate * start) * col_step) * col_step + col_step
    row_line = np.floor((row + row_rate * start) * row_step) * row_step + row_step
    at[0] = start
    n = 0
    while True:
        to_col = (col_line - col) / col_rate if col_rate != 0.0 else np.inf
        to_row = (row_line - row) / row_rate if row_rate != 0.0 else np.inf
        to = min(to_col, to_row, end)
        if to - at[n] > least:
            middle = 0.5 * (at[n] + to)
            cols[n] = min(max(int(np.floor(col + col_rate * middle)), 0), n_cols - 1)
            rows[n] = min(max(int(np.floor(row + row_rate * middle)), 0), n_rows - 1)
            n += 1
            at[n] = to
        if to >= end:
            return n
        if to_col <= to:
            col_line += col_step
        if to_row <= to:
            row_line += row_step


@_jit
def canopy_crossings(  # type: ignore[no-untyped-def]
    start, rate, length, top, tree, base, count, is_counting, near, far, cell
):
    """Where rays cross columns of canopy, ray by ray.

    start, rate : (r, 2) column and row where each begins, and what a foot along it adds.
    length : (r,) [ft]. top, tree, base : as in ``Scene``.
    count : (r,) written while counting: columns on each ray.
    near, far, cell : written otherwise: distances of entry and exit, and the cell (row by row).
    """
    n_rows, n_cols = tree.shape
    at = np.empty(n_rows + n_cols + 3)
    rows = np.empty(n_rows + n_cols + 3, np.int64)
    cols = np.empty(n_rows + n_cols + 3, np.int64)
    n_all = 0
    for i in range(length.size):
        n = walk(
            start[i, 0], start[i, 1], rate[i, 0], rate[i, 1], length[i], n_rows, n_cols,
            at, rows, cols,
        )  # fmt: skip
        n_before = n_all
        for j in range(n):
            t = tree[rows[j], cols[j]]
            if t < 0 or not top[rows[j], cols[j]] > base[t]:
                continue
            if not is_counting:
                near[n_all], far[n_all] = at[j], at[j + 1]
                cell[n_all] = rows[j] * n_cols + cols[j]
            n_all += 1
        if is_counting:
            count[i] = n_all - n_before


@_jit
def _angle(rise, distance):  # type: ignore[no-untyped-def]
    """Elevation angle of a point so much above the eye; at the eye's own place straight up or down.

    At its very height and place it is level, as a level line is in the limit.
    """
    return math.atan2(rise, distance) * DEGREES


@_jit
def lowest_angle(z, near, far, eye, curvature):  # type: ignore[no-untyped-def]
    """Least elevation angle of the level line at elevation z between two distances.

    ``(z - eye) / d - curvature * d`` falls all the way, or rises and then falls: an end is least.
    """
    return min(
        _angle(z - eye - curvature * near * near, near),
        _angle(z - eye - curvature * far * far, far),
    )


@_jit
def highest_angle(z, near, far, eye, curvature):  # type: ignore[no-untyped-def]
    """Greatest elevation angle of the level line at elevation z between two distances.

    Below the eye it rises up to the distance where the line is seen at the horizon of its own
    height, ``sqrt((eye - z) / curvature)``, and falls from there.
    """
    best = max(
        _angle(z - eye - curvature * near * near, near),
        _angle(z - eye - curvature * far * far, far),
    )
    if z < eye and curvature > 0.0:
        d = math.sqrt((eye - z) / curvature)
        if near < d < far:
            best = max(best, _angle(z - eye - curvature * d * d, d))
    return best


@_jit
def layers(  # type: ignore[no-untyped-def]
    near, far, cell, top, tree, base, substrate, is_clearable, eye, water, curvature, edge_start,
    edge, count, is_counting, low, high, low_ft, high_ft, layer,
):  # fmt: skip
    """Cut the columns that rays cross into layers, with what each hides.

    near ... cell : (n,) crossings. top ... is_clearable : as in ``Scene``, flat.
    eye : NaN for parallel rays, which are hidden between heights.
    water : elevation of the water: what stands under it hides nothing, as it is met behind it.
    count : (n,) written while counting: layers of each column.
    low, high : written otherwise: interval hidden, as angle or height. low_ft, high_ft : heights
    of the layer. layer : its number; -1 for what no option can take.
    """
    n_all = 0
    is_level = math.isnan(eye)
    for i in range(cell.size):
        t = tree[cell[i]]
        first, last = edge_start[t], edge_start[t + 1]
        n_before = n_all
        is_cut = is_clearable[cell[i]] and last > first
        for k in range(last - first + 1 if is_cut else 1):
            a, b = base[t], top[cell[i]]
            if is_cut and k > 0:
                a = max(a, edge[first + k - 1])
            if is_cut and k < last - first:
                b = min(b, edge[first + k])
            z = substrate[cell[i]]
            if not (a < b and (is_level or z + b > water)):
                continue
            if not is_counting:
                low_ft[n_all], high_ft[n_all] = a, b
                layer[n_all] = k if is_cut else -1
                if is_level:
                    low[n_all], high[n_all] = a, b
                else:
                    low[n_all] = lowest_angle(max(z + a, water), near[i], far[i], eye, curvature)
                    high[n_all] = highest_angle(z + b, near[i], far[i], eye, curvature)
            n_all += 1
        if is_counting:
            count[i] = n_all - n_before


@_jit
def waterlines(over, slope, bend):  # type: ignore[no-untyped-def]
    """Distances at which ``over + slope d + bend d**2`` is 0; -1 where there is none.

    One root comes from the other by their product, so that no digits are lost in a difference.
    """
    root = slope * slope - 4.0 * over * bend
    if not root >= 0.0:
        return -1.0, -1.0
    q = -0.5 * (slope + math.copysign(math.sqrt(root), slope))
    one = over / q if q != 0.0 else -1.0
    two = q / bend if bend != 0.0 else -1.0
    return one, two


@_jit
def ground_runs(  # type: ignore[no-untyped-def]
    start, rate, length, ground, eye, water, curvature, count, is_counting, low, high, distance,
):  # fmt: skip
    """Runs of dry ground along rays, and what each hides.

    start, rate : (r, 2) column and row counted from the *centre* of the first cell.
    water : elevation of the water; ground under it is the bottom, which hides nothing.
    count : (r,) written while counting: runs on each ray.
    low, high, distance : written otherwise: angles from the water at the near end of a run, -90
    under the eye itself, to the highest it reaches, and where. The water in front of land is seen.

    Between four centres the ground is bilinear, so along the ray ``z = a + b d + c d**2``, and the
    tangent of its angle ``(a - eye) / d + b + (c - curvature) d`` has its one stationary point at
    ``sqrt((a - eye) / (c - curvature))``: a maximum where both are negative. Waterlines part what
    is dry from what is under water.
    """
    n_rows, n_cols = ground.shape[0] - 1, ground.shape[1] - 1
    at = np.empty(n_rows + n_cols + 5)
    rows = np.empty(n_rows + n_cols + 5, np.int64)
    cols = np.empty(n_rows + n_cols + 5, np.int64)
    n_all = 0
    for i in range(length.size):
        n_before = n_all
        is_in_run = False
        u_rate, v_rate = rate[i, 0], rate[i, 1]
        n = walk(
            start[i, 0], start[i, 1], u_rate, v_rate, length[i], n_rows, n_cols, at, rows, cols
        )
        for j in range(n):
            row, col = rows[j], cols[j]
            corner = ground[row, col]
            across, down = ground[row, col + 1] - corner, ground[row + 1, col] - corner
            twist = ground[row + 1, col + 1] - ground[row, col + 1] - down
            u, v = start[i, 0] - col, start[i, 1] - row
            a = corner + across * u + down * v + twist * u * v - eye
            b = across * u_rate + down * v_rate + twist * (u * v_rate + v * u_rate)
            c = twist * u_rate * v_rate - curvature
            over, bend = a + eye - water, c + curvature
            turn = math.sqrt(a / c) if a < 0.0 and c < 0.0 else -1.0
            one, two = waterlines(over, b, bend)
            start_d = at[j]
            for stop in (min(one, two), max(one, two), at[j + 1]):
                stop_d = min(max(stop, at[j]), at[j + 1])
                if not stop_d > start_d:
                    continue
                middle = 0.5 * (start_d + stop_d)
                # never dry where a corner is NaN
                is_dry = over + middle * (b + middle * bend) > WET
                if is_dry and not is_in_run:
                    if not is_counting:
                        low[n_all] = -90.0
                        if start_d > 0.0:
                            drop = curvature * start_d * start_d
                            low[n_all] = _angle(water - eye - drop, start_d)
                        high[n_all], distance[n_all] = -90.0, start_d
                    n_all += 1
                is_in_run = is_dry
                if is_dry and not is_counting:
                    for d in (start_d, stop_d, min(max(turn, start_d), stop_d)):
                        angle = _angle(a + d * (b + d * c), d)
                        if angle > high[n_all - 1]:
                            high[n_all - 1], distance[n_all - 1] = angle, d
                start_d = stop_d
        if is_counting:
            count[i] = n_all - n_before


@_jit
def open_lengths(offset, low, high, view_low, view_high, out):  # type: ignore[no-untyped-def]
    """Measure of each view that no interval hides.

    offset : (r + 1,) intervals of ray i are ``offset[i]`` to ``offset[i + 1]``, by rising ``low``.
    """
    for i in range(view_low.size):
        seen, hidden_to = 0.0, view_low[i]
        for k in range(offset[i], offset[i + 1]):
            if low[k] > hidden_to:
                seen += max(min(low[k], view_high[i]) - hidden_to, 0.0)
            hidden_to = max(hidden_to, high[k])
        out[i] = seen + max(view_high[i] - hidden_to, 0.0)


@_jit
def widest_hull(lowest, highest, first_layer, last_layer, first, last, n_layers):  # type: ignore[no-untyped-def]
    """Name of the set of options that take layers ``lowest`` to ``highest``; -1: there is none.

    The name is the layers that all those options have in common, so equal sets have equal names:
    whoever takes these layers takes the common ones, and the other way round.
    """
    a, b = -1, n_layers
    for option in range(first, last):
        if first_layer[option] <= lowest and last_layer[option] >= highest:
            a, b = max(a, first_layer[option]), min(b, last_layer[option])
    return a * n_layers + b if a >= 0 else -1


@_jit
def _look_up(present, n, name, n_sets, place, hashed, item_start, item):  # type: ignore[no-untyped-def]
    """Number of the set of groups (tree, name) in force; ``n_sets``, written down, if it is new.

    present : trees in the way, rising; the first n count.
    place : open addresses, a power of 2, -1 where free. hashed, item_start, item : of each set.
    """
    value = 0
    for i in range(n):
        value = (value * 1_000_003 + present[i] + 1) % 2_147_483_647
        value = (value * 1_000_003 + name[present[i]] + 1) % 2_147_483_647
    slot = value & (place.size - 1)
    while place[slot] >= 0:
        known = place[slot]
        first = item_start[known]
        is_same = hashed[known] == value and item_start[known + 1] - first == n
        for i in range(n if is_same else 0):
            if item[first + i, 0] != present[i] or item[first + i, 1] != name[present[i]]:
                is_same = False
        if is_same:
            return known
        slot = (slot + 1) & (place.size - 1)
    place[slot], hashed[n_sets] = n_sets, value
    first = item_start[n_sets]
    for i in range(n):
        item[first + i, 0], item[first + i, 1] = present[i], name[present[i]]
    item_start[n_sets + 1] = first + n
    return n_sets


@_jit
def _enter(present, n, tree):  # type: ignore[no-untyped-def]
    """Add a tree to the rising ones; returns how many there are."""
    i = n
    while i > 0 and present[i - 1] > tree:
        present[i] = present[i - 1]
        i -= 1
    present[i] = tree
    return n + 1


@_jit
def _leave(present, n, tree):  # type: ignore[no-untyped-def]
    """Take a tree out of the rising ones; returns how many are left."""
    i = 0
    while present[i] != tree:
        i += 1
    for j in range(i + 1, n):
        present[j - 1] = present[j]
    return n - 1


@_jit
def _set_in_the_way(standing, tree, layer_start, option_start, first_layer, last_layer):  # type: ignore[no-untyped-def]
    """Name of the set of options that clear all of a tree that stands in the way; -2: nothing."""
    lowest, highest = -1, -1
    n_layers = layer_start[tree + 1] - layer_start[tree]
    for k in range(n_layers):
        if standing[layer_start[tree] + k] > 0:
            lowest = k if lowest < 0 else lowest
            highest = k
    if lowest < 0:
        return -2
    return widest_hull(
        lowest, highest, first_layer, last_layer, option_start[tree], option_start[tree + 1],
        n_layers,
    )  # fmt: skip


@_jit
def sweep(  # type: ignore[no-untyped-def]
    offset, where, tree, layer, change, view_low, view_high, weight,
    layer_start, option_start, first_layer, last_layer,
):  # fmt: skip
    """Go up each view, from end to end of its intervals, and gather the parts that open together.

    offset : (r + 1,) ends on each ray. where : (e,) ends, rising on each ray and within the view.
    tree, layer : (e,) of the interval; layer -1 opens never. change : (e,) 1 where it begins, -1
    where it ends.
    layer_start : (t + 1,) numbers of all layers of all trees, tree by tree.
    option_start : (t + 1,) options of each tree, which take ``first_layer`` to ``last_layer``.

    Returns the shares of the sets of groups, (v,); where each one's groups begin, (v + 1,); and of
    each group the tree and the name of its options (see ``widest_hull``), (g, 2). The set without
    groups is what is open.
    """
    n_trees = option_start.size - 1
    most = where.size + view_low.size + 1
    size = 1024
    while size < 2 * most:
        size *= 2
    place = np.full(size, -1, np.int64)
    hashed = np.empty(most, np.int64)
    share = np.zeros(most)
    item_start = np.zeros(most + 1, np.int64)
    item = np.empty((1024, 2), np.int64)
    n_sets = 0
    standing = np.zeros(layer_start[n_trees] + 1, np.int64)  # in the way now, by number of layer
    name = np.full(n_trees + 1, -2, np.int64)
    present = np.empty(n_trees + 1, np.int64)
    for i in range(view_low.size):
        n_for_good, n_present = 0, 0
        at = view_low[i]
        known = -1  # number of the set in force; -1: not looked up since the last change
        for k in range(offset[i], offset[i + 1] + 1):
            is_end = k == offset[i + 1]
            to = view_high[i] if is_end else where[k]
            if to > at and n_for_good == 0:
                if known < 0:
                    if item_start[n_sets] + n_present > item.shape[0]:
                        more = np.empty((2 * item.shape[0] + n_present, 2), np.int64)
                        for j in range(item_start[n_sets]):
                            more[j, 0], more[j, 1] = item[j, 0], item[j, 1]
                        item = more
                    known = _look_up(
                        present, n_present, name, n_sets, place, hashed, item_start, item
                    )
                    n_sets = max(n_sets, known + 1)
                share[known] += (to - at) * weight[i]
            at = max(at, to)
            if is_end:
                break
            if layer[k] < 0:
                n_for_good += change[k]
                continue
            t = tree[k]
            standing[layer_start[t] + layer[k]] += change[k]
            now = _set_in_the_way(standing, t, layer_start, option_start, first_layer, last_layer)
            if now == name[t]:
                continue
            n_for_good += (1 if now == -1 else 0) - (1 if name[t] == -1 else 0)
            if name[t] < 0 <= now:
                n_present = _enter(present, n_present, t)
            elif now < 0 <= name[t]:
                n_present = _leave(present, n_present, t)
            name[t] = now
            known = -1
    return share[:n_sets], item_start[: n_sets + 1], item[: item_start[n_sets]]


@_jit
def options_of_groups(  # type: ignore[no-untyped-def]
    groups, layer_start, option_start, first_layer, last_layer, start, is_counting, out
):
    """Options of each group: those that take all the layers its name stands for.

    start : (g + 1,) written while counting. out : written otherwise: numbers of options.
    """
    n = 0
    for g in range(groups.shape[0]):
        t = groups[g, 0]
        n_layers = layer_start[t + 1] - layer_start[t]
        lowest, highest = groups[g, 1] // n_layers, groups[g, 1] % n_layers
        for option in range(option_start[t], option_start[t + 1]):
            if first_layer[option] <= lowest and last_layer[option] >= highest:
                if not is_counting:
                    out[n] = option
                n += 1
        if is_counting:
            start[g + 1] = n
