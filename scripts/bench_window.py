"""Time the search for the best window on an invented shore, and print how sure its answer is.

Run it as ``python scripts/bench_window.py`` (1,000 ft, stations of 1 ft) or with ``--length 300``;
``--quick`` takes 120 ft. Trees are invented with a fixed seed: three rows, crowns and heights as
they come in a fringe, a seventh of them kept. The view is cut up by the product's own lines of
sight, from an eye behind the middle of the shore and by stations. A row for each set of rules:

budget     most of the foliage that may be taken
share      most of its foliage a tree may lose: 0.578 is a quarter a year of what stands, 3 years
elements   parts of the view that open together; in brackets those that are left to choose from
columns    variables of the mixed-integer program, and its rows
opened     view the plan opens, over what is open with nothing cut
bound      what no plan within the limits can open more than
gap        (bound - opened) / opened
centred    opened by the best single span about the middle, for no more foliage and no longer
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np

from geotrim.core.sight import elements
from geotrim.core.sight_rays import eye_rays, shore_rays
from geotrim.core.sight_scene import Scene, curvature_per_ft
from geotrim.core.window_bars import what_binds
from geotrim.core.window_frontier import best_centred, frontier
from geotrim.core.window_limits import evaluate
from geotrim.core.window_model import window_model
from geotrim.core.window_presolve import presolve
from geotrim.core.window_problem import Options, WindowProblem, spans_of
from geotrim.core.window_solve import solve

CELL_FT = 1.5
BAND_FT = (6.0, 10.0)
LOWER_TO_FT = (6.5, 10.0)
DEPTH_FT = 45.0
#: A quarter of what stands each year, for 3 years: 1 - 0.75 ** 3.
THREE_YEARS = 0.578125


def make_scene(length_ft: float, rng: np.random.Generator) -> tuple[Scene, np.ndarray, np.ndarray]:
    """Canopy of three rows of trees on a grid, where along the shore each stands, its radius."""
    rows_ft = np.array([8.0, 20.0, 32.0])
    per_row = int(length_ft / 7.0)
    x = np.concatenate([(np.arange(per_row) + rng.uniform(0, 1, per_row)) * 7.0 for _ in rows_ft])
    y = np.repeat(rows_ft, per_row) + rng.uniform(-4, 4, 3 * per_row)
    radius = rng.uniform(3.0, 7.0, len(x))
    top = rng.uniform(7.0, 22.0, len(x))
    base = np.minimum(rng.uniform(1.0, 6.0, len(x)), top * 0.6)
    shape = (int(DEPTH_FT / CELL_FT), int(length_ft / CELL_FT))
    cell_y, cell_x = (np.indices(shape) + 0.5) * CELL_FT
    height = np.full(shape, np.nan)
    tree = np.full(shape, -1)
    for k in range(len(x)):
        off = np.hypot(cell_x - x[k], cell_y - y[k]) / radius[k]
        dome = top[k] * (1.0 - 0.3 * off**2) + rng.normal(0.0, 0.4, shape)
        is_higher = (off < 1.0) & (dome > np.where(np.isnan(height), base[k], height))
        height[is_higher], tree[is_higher] = dome[is_higher], k
    level = np.zeros(shape)
    transform = (CELL_FT, 0.0, 0.0, 0.0, CELL_FT, 0.0)
    return Scene(height, tree, tree >= 0, base, level, transform, 1.0), x, radius


def make_options(scene: Scene, is_kept: np.ndarray) -> tuple[Options, np.ndarray]:
    """The band cleared under a kept top, or the top lowered; and the foliage of each tree."""
    rows = []
    whole = np.zeros(len(scene.base_ft))
    for k, base in enumerate(scene.base_ft):
        height = scene.top_ft[scene.tree == k]
        whole[k] = CELL_FT**2 * (height - base).sum()
        if len(height) == 0:
            continue
        cuts = [BAND_FT] if height.max() > BAND_FT[1] else []
        cuts += [(to, np.inf) for to in LOWER_TO_FT if height.max() > to]
        for low, high in cuts:
            taken = np.maximum(np.minimum(height, high) - max(low, base), 0.0).sum() * CELL_FT**2
            if taken > 0.0:
                rows.append((k, low, high, taken, taken / whole[k], 0 if is_kept[k] else -1))
    tree, low, high, volume, share, bar = (np.array(c) for c in zip(*rows, strict=True))
    return Options(tree, low, high, volume, share, bar), whole


def make_problem(length_ft: float, view: str, seed: int) -> tuple[WindowProblem, float]:
    """The shore with the rules a lot starts with, and all its foliage."""
    rng = np.random.default_rng(seed)
    scene, x, radius = make_scene(length_ft, rng)
    is_kept = rng.random(len(x)) < 0.15
    options, whole = make_options(scene, is_kept)
    n = int(length_ft)
    if view == "eye":
        line = np.array([(0.0, 0.0), (length_ft, 0.0)])
        rays = eye_rays(
            length_ft / 2.0, -60.0, 12.0, [line], scene,
            azimuth_step_deg=0.25, curvature=curvature_per_ft(),
        )  # fmt: skip
    else:
        at = np.arange(n) + 0.5
        rays = shore_rays(at, np.full(n, -1.0), 0.0 * at, 0.0 * at + 1.0, 60.0, 1.0, BAND_FT)
    along = [
        np.arange(max(int(a), 0), min(int(b) + 1, n))
        for a, b in zip(x - radius, x + radius, strict=True)
    ]
    area = CELL_FT**2 * np.bincount(scene.tree[scene.tree >= 0], minlength=len(x))
    problem = WindowProblem(
        np.arange(n, dtype=float),
        np.ones(n),
        np.arange(n) == 0,
        np.ones(n, dtype=bool),
        np.clip(x.astype(int), 0, n - 1),
        options,
        elements(scene, [rays], options),
        ("keep",),
        span_min_ft=5.0,
        gap_min_ft=5.0,
        n_spans_max=3,
        length_max_ft=0.65 * length_ft,
        is_counted=np.ones(len(x), dtype=bool),
        area_ft2=area,
        trees_max=int(0.65 * len(x)),
        area_max_ft2=0.65 * float(area.sum()),
        cover_start=np.cumsum([0] + [len(one) for one in along]),
        cover_station=np.concatenate(along),
    )
    return problem, float(whole.sum())


def report(problem: WindowProblem, words: str, seconds: float) -> None:
    """One row."""
    start = time.perf_counter()
    found = solve(problem, seconds=seconds)
    spent = time.perf_counter() - start
    assert not evaluate(problem, found.plan).broken()
    small = presolve(problem)
    model = window_model(problem, small)
    now = problem.elements.open_frac
    opened, bound = found.view_frac - now, found.bound_frac - now
    length = evaluate(problem, found.plan).window_length_ft
    centred = best_centred(problem, found.foliage_ft3, length_max_ft=length, seconds=seconds)
    beside = centred.view_frac - now
    spans = ", ".join(f"{a}-{b + 1}" for a, b in spans_of(problem, found.plan.is_open))
    print(
        f"{words}  elements {len(problem.elements)} ({len(small.weights)})  columns "
        f"{len(model.program.cost)}, rows {len(model.program.most)}\n"
        f"    {spent:.1f} s  opened {opened:.5f}  bound {bound:.5f}  gap "
        f"{(bound - opened) / opened if opened else 0.0:.3%}  "
        f"{'proven' if found.is_optimal else 'not proven'}  "
        f"centred {beside:.5f} ({opened / beside if beside else np.inf:.2f} times)  "
        f"spans {spans}",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--length", type=float, default=1000.0, help="shore [ft]")
    parser.add_argument("--seconds", type=float, default=60.0, help="for each search")
    parser.add_argument("--seed", type=int, default=20261126)
    parser.add_argument("--frontier", type=int, default=8, help="points of the frontier; 0: none")
    parser.add_argument("--quick", action="store_true", help="120 ft, few searches")
    asked = parser.parse_args()
    if asked.quick:
        asked.length, asked.frontier = 120.0, 4
    for view in ("eye", "stations"):
        start = time.perf_counter()
        problem, whole = make_problem(asked.length, view, asked.seed)
        print(
            f"view by {view}: {asked.length:g} ft, {problem.n_trees} trees, made in "
            f"{time.perf_counter() - start:.1f} s, open now {problem.elements.open_frac:.4f}"
        )
        for share in (THREE_YEARS, 0.9):
            shared = replace(problem, share_max_frac=np.full(problem.n_trees, share))
            for budget in (None, 0.1) if asked.quick else (None, 0.1, 0.03):
                most = None if budget is None else budget * whole
                ruled = replace(shared, foliage_max_ft3=most)
                report(ruled, f"budget {budget or 1.0:g}, share {share:.3f}", asked.seconds)
            if not asked.quick:
                ruled = replace(shared, span_max_ft=40.0)
                report(ruled, f"spans to 40 ft, share {share:.3f}", asked.seconds)
        if asked.frontier:
            start = time.perf_counter()
            points = frontier(shared, asked.frontier, seconds=asked.seconds)
            n_proven = sum(one.is_optimal for one in points)
            spent = time.perf_counter() - start
            start = time.perf_counter()
            costs = what_binds(shared, points[-1], seconds=asked.seconds)
            told = ", ".join(f"{name} {view:.4f}" for name, view in costs.items())
            print(
                f"frontier, share {share:.3f}: {len(points)} plans, {n_proven} proven, "
                f"{spent:.1f} s\nlimits that cost view, and the view without each: {told}; "
                f"{time.perf_counter() - start:.1f} s"
            )


if __name__ == "__main__":
    main()
