"""Time lines of sight, beside a plain march along each ray in numpy.

Run it as ``python scripts/bench_sight.py --quick`` (a small scene, a few seconds) or without it:
500 rays over 200 x 200 cells of 1 ft, 100 trees, 300 options. The canopy is invented, with a fixed
seed.

march      per ray: points a step apart, what each hides counted in bins of angle; the step is
           halved until no ray is off by more than the goal, and only that last run is timed
open       the same view, exact
elements   what opens together under 300 options, exact: what the choice of a window starts from

All run in one process on one core, compiled beforehand; times are the processor's. Ratios are
medians of the ratios of each round.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable

import numpy as np

from geotrim.core.sight import elements, open_share
from geotrim.core.sight_rays import eye_rays
from geotrim.core.sight_scene import Rays, Scene, curvature_per_ft
from geotrim.core.window_problem import Options

#: Greatest error of a ray's open share the march is allowed.
GOAL_FRAC = 1e-3
BINS = 4000


def made_scene(n: int, n_trees: int, seed: int = 5) -> Scene:
    """A fringe along the north side of a square of n cells: crowns like caps, rough on top."""
    rng = np.random.default_rng(seed)
    rows, cols = np.mgrid[:n, :n] + 0.5
    tree, top = np.full((n, n), -1), np.full((n, n), np.nan)
    for number in range(n_trees):
        col, row = rng.uniform(0, n), rng.uniform(0, 0.3 * n)
        near = ((cols - col) ** 2 + (rows - row) ** 2) / rng.uniform(4.0, 9.0) ** 2
        cap = rng.uniform(9.0, 22.0) * (0.6 + 0.4 * np.sqrt(np.clip(1.0 - near, 0.0, None)))
        height = cap + rng.normal(0.0, 0.5, (n, n))
        is_in = (near < 1.0) & ~(height <= top)
        tree[is_in], top[is_in] = number, height[is_in]
    base = rng.uniform(0.0, 8.0, n_trees)
    level = np.zeros((n, n))
    return Scene(top, tree, tree >= 0, base, level, (1.0, 0.0, 0.0, 0.0, -1.0, float(n)), 1.0)


def made_options(n_trees: int) -> Options:
    """For each tree: clear 6 to 10 ft, lower to 6 ft, lower to 10 ft."""
    n = 3 * n_trees
    one = np.ones(n)
    low, high = np.tile([6.0, 6.0, 10.0], n_trees), np.tile([10.0, np.inf, np.inf], n_trees)
    return Options(np.repeat(np.arange(n_trees), 3), low, high, one, one, np.full(n, -1))


def marched(scene: Scene, rays: Rays, step_ft: float) -> np.ndarray:
    """Open share of each ray, by points along it. For a grid that is not turned."""
    n_rows = scene.tree.shape[0]
    shares = np.empty(len(rays))
    for i in range(len(rays)):
        d = np.arange(step_ft / 2, rays.length_ft[i], step_ft)
        col = np.floor(rays.x[i] + d * rays.dx[i]).astype(int)
        row = np.floor(n_rows - rays.y[i] - d * rays.dy[i]).astype(int)
        is_in = (row >= 0) & (col >= 0) & (row < n_rows) & (col < scene.tree.shape[1])
        d, row, col = d[is_in], row[is_in], col[is_in]
        number = scene.tree[row, col]
        d, row, col, number = (v[number >= 0] for v in (d, row, col, number))
        drop = rays.eye_ft + rays.curvature * d**2
        low = np.degrees(np.arctan2(scene.base_ft[number] - drop, d))
        high = np.degrees(np.arctan2(scene.top_ft[row, col] - drop, d))
        width = (rays.high[i] - rays.low[i]) / BINS
        first = np.clip(np.ceil((low - rays.low[i]) / width - 0.5), 0, BINS).astype(int)
        after = np.clip(np.floor((high - rays.low[i]) / width + 0.5), 0, BINS).astype(int)
        is_some = (after > first) & (scene.top_ft[row, col] > scene.base_ft[number])
        hidden = np.bincount(first[is_some], minlength=BINS + 1)
        hidden = hidden - np.bincount(after[is_some], minlength=BINS + 1)
        shares[i] = np.mean(np.cumsum(hidden)[:BINS] == 0)
    return shares


def timed(work: Callable[[], object]) -> float:
    """Seconds of the processor, which other work on the machine disturbs least."""
    start = time.process_time()
    work()
    return time.process_time() - start


def step_for(scene: Scene, rays: Rays, exact: np.ndarray) -> tuple[float, float]:
    """Longest step of 1, 1/2, 1/4 ... ft that keeps the goal, and the error it leaves."""
    step = 1.0
    while True:
        error = float(np.abs(marched(scene, rays, step) - exact).max())
        if error <= GOAL_FRAC or step < 1e-4:
            return step, error
        step /= 2.0


def report(n: int, n_trees: int, n_rays: int, n_rounds: int) -> None:
    scene, options = made_scene(n, n_trees), made_options(n_trees)
    shore = np.array([(0.0, float(n)), (float(n), float(n))])
    span = 2.0 * math.degrees(math.atan(0.5 * n / (0.9 * n)))
    rays = eye_rays(
        0.5 * n, 0.1 * n, 18.0, [shore], scene, azimuth_step_deg=span / n_rays,
        curvature=curvature_per_ft(),
    )  # fmt: skip
    share, by_ray = open_share(scene, rays)
    found = elements(scene, [rays], options)
    step, error = step_for(scene, rays, by_ray)
    print(f"{len(rays)} rays, {n} x {n} cells, {n_trees} trees, {len(options)} options")
    print(f"open {share:.4f}, {len(found)} elements worth {found.weight_frac.sum():.4f}")
    print(f"march: step {step:g} ft, {BINS} bins, greatest error of a ray {error:.1e}")
    rows = []
    for _ in range(n_rounds):
        rows.append(
            [
                timed(lambda: marched(scene, rays, step)),
                timed(lambda: open_share(scene, rays)),
                timed(lambda: elements(scene, [rays], options)),
            ]
        )
    times = np.array(rows)
    march, opened, parts = np.median(times, axis=0)
    print(f"march {march:.3f} s, open {opened:.4f} s, elements {parts:.4f} s ({n_rounds} rounds)")
    ratios = np.median(times[:, :1] / times[:, 1:], axis=0)
    print(f"ratio: the march takes {ratios[0]:.0f} x open, {ratios[1]:.0f} x elements")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--cells", type=int, default=200, help="along a side")
    parser.add_argument("--trees", type=int, default=100)
    parser.add_argument("--rays", type=int, default=500)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--quick", action="store_true", help="a small scene, once")
    asked = parser.parse_args()
    if asked.quick:
        asked.cells, asked.trees, asked.rays, asked.rounds = 40, 12, 30, 1
    report(asked.cells, asked.trees, asked.rays, asked.rounds)


if __name__ == "__main__":
    main()
