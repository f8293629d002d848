"""Time frontages of many lots, beside an overlay of lots and shore segments.

Run it as ``python scripts/bench_frontage.py --quick`` (some thousand lots, a few seconds) or
without it: 200,000 lots, one in ten on the water, and a shore of 50,000 vertices. Lots and shore
are invented, with a fixed seed: a winding shore with lots all along it, some that stop short of the
line and some that lie over their neighbour, and rows of lots behind them.

overlay    geopandas: ``overlay(lots, segments, how="intersection")``, lengths summed by lot. The
           segments are a GeoDataFrame already, and the spatial index is built beforehand. This
           way round is the quicker of the two.
share      geotrim: the same lots and the shore's chains to the length of every lot's frontage,
           index and all
chains     what geotrim does once for a shore: its line made into chains, corners found

An overlay knows only what lies in a lot, so the two mean the same thing where a lot holds its shore
and no other claims it; the greatest difference among those lots is printed.

All run in one process on one core, compiled beforehand; times are the processor's. Ratios are
medians of the ratios of each round.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from geotrim import frontage
from geotrim.core.claims import shares_of
from geotrim.core.shoreline import Shore, build_shore

GOAL = 6.0
REACH_FT = 5.0
CRS = 6438  # Florida East, ft
#: Behind each lot on the water.
ROWS_BEHIND = 9
PER_LOT = 2.5  # vertices of the shore


def made_site(n_waterfront: int, seed: int = 7) -> tuple[Any, np.ndarray, np.ndarray]:
    """Shore, lots (those on the water first) and what each lot on the water does.

    The shore winds with bends of some hundred feet and is rough by a foot or so. Side lines run
    square to the way the shore winds, so lots side by side share them. Of ten lots on the water
    seven run some feet past the line, two stop short of it and one lies a few feet over the next:
    numbers 0, 1 and 2.
    """
    rng = np.random.default_rng(seed)
    edges = np.concatenate([[0.0], np.cumsum(rng.uniform(60.0, 140.0, n_waterfront))])
    turn = rng.uniform(0.0, 2.0 * np.pi, 2)

    def on_shore(s: np.ndarray, off: Any) -> np.ndarray:
        """Points at a distance to the left of the winding middle line."""
        y = 300.0 * np.sin(s / 2900.0 + turn[0]) + 60.0 * np.sin(s / 700.0 + turn[1])
        slope = 300.0 / 2900.0 * np.cos(s / 2900.0 + turn[0])
        slope = slope + 60.0 / 700.0 * np.cos(s / 700.0 + turn[1])
        size = np.hypot(1.0, slope)
        return np.stack([s - off * slope / size + 6e5, y + off / size + 1e6], axis=-1)

    s = np.linspace(-200.0, edges[-1] + 200.0, int(PER_LOT * n_waterfront))
    line = shapely.LineString(on_shore(s, rng.normal(0.0, 0.5, s.size)))
    does = rng.choice([0, 1, 2], n_waterfront, p=[0.7, 0.2, 0.1])
    past = np.where(does == 1, rng.uniform(-4.0, -2.0, n_waterfront), 4.0)
    over = np.where(does == 2, rng.uniform(2.0, 8.0, n_waterfront), 0.0)
    share = np.linspace(0.0, 1.0, 4)
    low, high = edges[:-1, None], edges[1:, None] + over[:, None]
    across = low + share * (high - low)
    front = on_shore(across, past[:, None] + rng.uniform(-0.5, 0.5, across.shape))
    depth = np.concatenate([[110.0], 110.0 + 60.0 + 100.0 * np.arange(ROWS_BEHIND + 1)])
    back = on_shore(across[:, [-1, 0]], np.full((n_waterfront, 2), -depth[0]))
    rings = np.concatenate([front, back, front[:, :1]], axis=1)
    lots = [shapely.polygons(rings)]
    for near, far in pairwise(depth[1:]):
        ends = [on_shore(edges, np.full(edges.size, -away)) for away in (near, far)]
        rings = np.stack([ends[0][:-1], ends[0][1:], ends[1][1:], ends[1][:-1]], axis=1)
        lots.append(shapely.polygons(rings))
    return line, np.concatenate(lots), does


def overlaid(segments: Any, lots: Any) -> np.ndarray:
    """Length of shore in each lot, by an overlay."""
    parts = gpd.overlay(lots, segments, how="intersection", keep_geom_type=False)
    lengths = parts.geometry.length.groupby(parts["lot"]).sum()
    return lengths.reindex(range(len(lots)), fill_value=0.0).to_numpy()


def shared(lots: Any, shore: Shore) -> np.ndarray:
    """Frontage of each lot."""
    found = shares_of(lots.geometry.array, shore, REACH_FT)
    return np.bincount(found.lot, weights=found.high - found.low, minlength=len(lots))


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    """Seconds of the processor, which other work on the machine disturbs least, and what came."""
    start = time.process_time()
    found = work()
    return time.process_time() - start, found


def report(n_waterfront: int, n_rounds: int) -> None:
    line, shapes, does = made_site(n_waterfront)
    lots = gpd.GeoDataFrame({"lot": np.arange(len(shapes))}, geometry=shapes, crs=CRS)
    xy = shapely.get_coordinates(line)
    pieces = shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1))
    segments = gpd.GeoDataFrame(geometry=pieces, crs=CRS)
    assert segments.has_sindex or segments.sindex is not None
    assert lots.has_sindex or lots.sindex is not None
    few = lots.iloc[:3]
    shared(few, build_shore([line], 50.0))  # compiled, or read from where compiled code is kept
    print(f"{len(lots):,} lots, {n_waterfront:,} on the water, {len(xy):,} vertices of shore")
    times = []
    for _ in range(n_rounds):
        overlay_s, by_overlay = timed(lambda: overlaid(segments, lots))
        chains_s, shore = timed(lambda: build_shore([line], 50.0))
        share_s, ours = timed(lambda shore=shore: shared(lots, shore))
        times.append((overlay_s, share_s, chains_s))
    seconds = np.array(times)
    overlay_s, share_s, chains_s = np.median(seconds, axis=0)
    rate = len(lots) / np.array([overlay_s, share_s])
    print(f"overlay {overlay_s:.3f} s, {rate[0]:,.0f} lots/s")
    print(f"share   {share_s:.3f} s, {rate[1]:,.0f} lots/s; chains, once {chains_s:.3f} s")
    ratio = np.median(seconds[:, 0] / seconds[:, 1])
    whole = np.median(seconds[:, 0] / seconds[:, 1:].sum(axis=1))
    print(f"ratio: the overlay takes {ratio:.1f} x share (goal: at least {GOAL:g}),", end=" ")
    print(f"{whole:.1f} x share and chains ({n_rounds} rounds)")
    agreement(by_overlay, ours, does)


def agreement(by_overlay: np.ndarray, ours: np.ndarray, does: np.ndarray) -> None:
    """Print how far the two are apart, for each kind of lot."""
    is_over = does == 2
    is_alone = (does == 0) & ~np.append(False, is_over[:-1])  # the lot before lies over none of it
    apart = np.abs(by_overlay - ours)[: does.size]
    print(f"lots that hold their shore alone: {is_alone.sum():,}, apart by at most", end=" ")
    print(f"{apart[is_alone].max():.1e} ft")
    print(f"lots that stop short: {(does == 1).sum():,}, found by the overlay", end=" ")
    print(f"{(by_overlay[: does.size][does == 1] > 1.0).sum():,}, by geotrim", end=" ")
    print(f"{(ours[: does.size][does == 1] > 1.0).sum():,}")
    total = by_overlay.sum(), ours.sum()
    print(f"in all: overlay {total[0]:,.0f} ft, with what lies in two lots twice; ", end="")
    print(f"geotrim {total[1]:,.0f} ft, no foot twice")


def report_operation(n_waterfront: int) -> None:
    """Print what the whole operation takes: runs, stretches, stations and tables."""
    line, shapes, _ = made_site(n_waterfront)
    lots = gpd.GeoDataFrame(
        {"lot_id": [f"L{i}" for i in range(n_waterfront)], "is_measured": True},
        geometry=shapes[:n_waterfront],
        crs=CRS,
    )
    shore = gpd.GeoDataFrame(geometry=[line], crs=CRS)
    frontage(lots.iloc[:3], shore)
    seconds, found = timed(lambda: frontage(lots, shore, reach_ft=REACH_FT))
    print(f"operation frontage: {seconds / n_waterfront * 1e3:.3f} ms a lot on the water", end=" ")
    print(f"(goal: at most 0.3), {n_waterfront:,} lots, {len(found['frontage']):,} stretches")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--waterfront", type=int, default=20_000, help="lots on the water")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--quick", action="store_true", help="2,000 lots on the water, once")
    asked = parser.parse_args()
    if asked.quick:
        asked.waterfront, asked.rounds = 2_000, 1
    report(asked.waterfront, asked.rounds)
    report_operation(min(asked.waterfront, 5_000))


if __name__ == "__main__":
    main()
