"""Canopies to look through, and the same view by brute force: points along the ray, fine bins."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from geotrim.core.sight_scene import Ground, Rays, Scene, Shared


def strip(columns, *, clearable=True, ground=None, substrate=0.0, water_ft=0.0, n_cols=200):
    """Five rows of cells of 1 ft; a ray along y = 2.5 from x = 0 crosses column i at i to i + 1.

    columns : (first, last, base, top, tree) each: canopy from distance ``first`` to ``last``.
    """
    tree = np.full((5, n_cols), -1)
    top = np.full((5, n_cols), np.nan)
    n_trees = max((one[4] for one in columns), default=-1) + 1
    base = np.zeros(n_trees)
    for first, last, low, high, number in columns:
        tree[:, first:last], top[:, first:last], base[number] = number, high, low
    flat = np.full((5, n_cols), float(substrate))
    flags = np.full((5, n_cols), clearable)
    where = (1.0, 0.0, 0.0, 0.0, -1.0, 5.0)
    return Scene(top, tree, flags, base, flat, where, 1.0, ground, water_ft)


def east(eye_ft, low, high, *, length=200.0, curvature=0.0):
    """One ray along the strip."""
    one = np.ones(1)
    return Rays(
        0.0 * one, 2.5 * one, one, 0.0 * one, length * one, eye_ft, low * one, high * one,
        one / (high - low), curvature,
    )  # fmt: skip


def slope(tangent):
    """Elevation angle in degrees."""
    return math.degrees(math.atan(tangent))


def forest(seed, *, n=16, n_trees=7, cell_ft=2.0, turn_deg=0.0, feet=1.0, south_up=False,
           hills=False, at=(0.0, 0.0)):  # fmt: skip
    """Random crowns on a random grid whose middle is at ``at``: bumpy tops, gaps, own bases."""
    rng = np.random.default_rng(seed)
    rows, cols = np.mgrid[:n, :n] + 0.5
    tree, top = np.full((n, n), -1), np.full((n, n), np.nan)
    for number in range(n_trees):
        col, row, reach = rng.uniform(0, n), rng.uniform(0, n), rng.uniform(1.0, 2.8)
        is_in = (cols - col) ** 2 + (rows - row) ** 2 < reach**2
        tree[is_in] = number
        top[is_in] = rng.uniform(4.0, 13.0) + rng.normal(0.0, 1.0, is_in.sum())
    top[rng.random((n, n)) < 0.05] = np.nan
    size = cell_ft / feet
    cos, sin = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    flip = 1.0 if south_up else -1.0
    a, b, d, e = size * cos, -flip * size * sin, size * sin, flip * size * cos
    where = (a, b, at[0] - (a + b) * n / 2, d, e, at[1] - (d + e) * n / 2)
    substrate = rng.uniform(-0.5, 0.5, (n, n))
    ground = None
    if hills:
        bumps = rng.uniform(-2.0, 1.5, (n, n))
        bumps[rng.random((n, n)) < 0.04] = np.nan
        ground = Ground(bumps, where)
    is_clearable = rng.random((n, n)) < 0.97
    base = rng.uniform(0.0, 4.0, n_trees)
    return Scene(top, tree, is_clearable, base, substrate, where, feet, ground, 0.0)


def shared(scene, seed, share=0.4):
    """The same canopy with a column of another tree, or of two, on some of its cells."""
    rng = np.random.default_rng(seed + 5000)
    own = scene.tree.reshape(-1)
    has = (own >= 0) & (scene.top_ft.reshape(-1) > scene.base_ft[own])
    cells = np.flatnonzero(has & (rng.random(own.size) < share))
    cell = np.sort(np.concatenate([cells, cells[rng.random(cells.size) < 0.3]]))
    tree = rng.integers(0, scene.base_ft.size, cell.size)
    top = rng.uniform(2.0, 13.0, cell.size)
    return replace(scene, shared=Shared(cell, tree, top, rng.random(cell.size) < 0.9))


def _on_cell(scene, row, col):
    """Columns on a cell: (tree, top, whether it can be cut)."""
    found = [(scene.tree[row, col], scene.top_ft[row, col], scene.is_clearable[row, col])]
    more = scene.shared
    if more is not None:
        at = np.flatnonzero(more.cell == row * scene.tree.shape[1] + col)
        found += [(more.tree[k], more.top_ft[k], more.is_clearable[k]) for k in at]
    return [one for one in found if one[0] >= 0 and one[1] > scene.base_ft[one[0]]]


def rays_through(seed, n_rays, *, eye_ft, length_ft, feet=1.0, at=(0.0, 0.0), curvature=0.0,
                 low=-14.0, high=6.0):  # fmt: skip
    """Rays across the middle from about 20 ft off, some along the axes and the diagonals."""
    rng = np.random.default_rng(seed + 1000)
    azimuth = np.concatenate([[0.0, 45.0, 90.0], rng.uniform(0.0, 360.0, n_rays - 3)])
    turn = np.radians(azimuth)
    dx, dy = np.sin(turn), np.cos(turn)
    back = rng.uniform(17.0, 22.0) / feet
    x, y = at[0] + 0.31 - back * dx, at[1] - 0.17 - back * dy  # off the grid lines
    full = np.ones(n_rays)
    return Rays(
        x, y, dx, dy, length_ft * full, eye_ft, low * full,
        high * full, full / (n_rays * (high - low)), curvature,
    )  # fmt: skip


def _pixels(transform, x, y):
    a, b, c, d, e, f = transform
    return np.linalg.solve(np.array([[a, b], [d, e]]), np.array([x - c, y - f]))


def _pieces(low, high, spans):
    """What is left of low to high without spans."""
    left = [(low, high)]
    for a, b in spans:
        left = [
            piece
            for u, v in left
            for piece in ((u, min(v, a)), (max(u, b), v))
            if piece[0] < piece[1]
        ]
    return left


def _ground_at(ground, x, y):
    """Bilinear between the centres, point by point; NaN outside."""
    col, row = _pixels(ground.transform, x, y) - 0.5
    z = ground.elevation_ft
    i, j = np.floor(row).astype(int), np.floor(col).astype(int)
    is_in = (i >= 0) & (j >= 0) & (i < z.shape[0] - 1) & (j < z.shape[1] - 1)
    i, j = np.where(is_in, i, 0), np.where(is_in, j, 0)
    v, u = row - i, col - j
    out = (1 - v) * ((1 - u) * z[i, j] + u * z[i, j + 1])
    out = out + v * ((1 - u) * z[i + 1, j] + u * z[i + 1, j + 1])
    return np.where(is_in, out, np.nan)


def marched(scene, rays, cuts=((), (), ()), *, step_ft=0.004, n_bins=20_000):
    """Open share of each ray by steps in distance and bins in angle (or height)."""
    spans = {}
    for tree, low, high in zip(*cuts, strict=True):
        spans.setdefault(int(tree), []).append((low, high))
    shares = []
    for i in range(len(rays)):
        d = np.arange(step_ft / 2, rays.length_ft[i], step_ft)
        x = rays.x[i] + d / scene.feet * rays.dx[i]
        y = rays.y[i] + d / scene.feet * rays.dy[i]
        col, row = np.floor(_pixels(scene.transform, x, y)).astype(int)
        is_in = (row >= 0) & (col >= 0) & (row < scene.tree.shape[0]) & (col < scene.tree.shape[1])
        d_low, lows, highs = [], [], []
        place = np.flatnonzero(is_in)
        cells = np.stack([row[place], col[place]], axis=1)
        for r, c in np.unique(cells, axis=0):
            at = place[(cells == (r, c)).all(axis=1)]
            left = [
                piece
                for number, top, can_cut in _on_cell(scene, r, c)
                for piece in _pieces(
                    scene.base_ft[number], top, spans.get(int(number), []) if can_cut else []
                )
            ]
            for low, high in left:
                d_low.append(d[at])
                foot = scene.substrate_ft[r, c]
                lows.append(np.full(at.size, max(low + foot, scene.water_ft)))
                highs.append(np.full(at.size, max(high + foot, scene.water_ft)))
                if math.isnan(rays.eye_ft):
                    lows[-1], highs[-1] = np.full(at.size, low), np.full(at.size, high)
        if scene.ground is not None and not math.isnan(rays.eye_ft):
            z = _ground_at(scene.ground, x, y)
            is_known = np.nan_to_num(z, nan=-1e9) > scene.water_ft
            d_low.append(d[is_known])
            lows.append(np.full(int(is_known.sum()), scene.water_ft))
            highs.append(z[is_known])
        dist, low, high = (np.concatenate([np.zeros(0), *v]) for v in (d_low, lows, highs))
        if not math.isnan(rays.eye_ft):
            drop = rays.eye_ft + rays.curvature * dist**2
            low = np.degrees(np.arctan2(low - drop, dist))
            high = np.degrees(np.arctan2(high - drop, dist))
        width = (rays.high[i] - rays.low[i]) / n_bins
        first = np.clip(np.ceil((low - rays.low[i]) / width - 0.5), 0, n_bins).astype(int)
        after = np.clip(np.floor((high - rays.low[i]) / width + 0.5), 0, n_bins).astype(int)
        first, after = first[after > first], after[after > first]
        hidden = np.zeros(n_bins + 1, int)
        np.add.at(hidden, first, 1)
        np.add.at(hidden, after, -1)
        shares.append(float((np.cumsum(hidden)[:n_bins] == 0).mean()))
    return np.array(shares)
