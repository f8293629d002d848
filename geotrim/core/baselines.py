"""Smoothed lines of many stretches at once, and where points lie on a long shore.

One by one a stretch costs as much as the shore is long, because its ends are looked up along all of
it. Here the shore's pieces are indexed once.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core import _baseline_kernels as kernels
from geotrim.core.fringe import BASELINE_STEP_FT, Baseline, baseline_of
from geotrim.core.shoreline import Array, Shore

Places = tuple[npt.NDArray[np.intp], Array]


class ShoreIndex:
    """Where points lie on a shore: the answers of :meth:`Shore.locate`, at a cost of their own."""

    def __init__(self, shore: Shore) -> None:
        self.shore = shore
        ends = [np.concatenate([c.xy[:-1], c.xy[1:]], axis=1) for c in shore.chains]
        sizes = [len(one) for one in ends]
        self.chain = np.repeat(np.arange(len(sizes)), sizes)
        self.start = np.concatenate([c.s[:-1] for c in shore.chains] or [np.empty(0)])
        self.ends = np.concatenate(ends or [np.empty((0, 4))])
        self.tree = shapely.STRtree(shapely.linestrings(self.ends.reshape(-1, 2, 2)))

    def locate(self, points: Array) -> Places:
        """Number of the nearest chain to each point, and the position on it, (n,) each.

        Where chains are equally near, as where they meet, the shore itself is asked.
        """
        points = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        shapes = shapely.points(points)
        which, segment = self.tree.query_nearest(shapes, all_matches=True)
        order = np.lexsort((segment, which))  # of segments equally near, the first counts
        which, segment = which[order], segment[order]
        first = np.searchsorted(which, np.arange(len(points) + 1))
        at = segment[first[:-1]]
        chain, s = self.chain[at], self._along(points, at)
        lasting = self.chain[segment[first[1:] - 1]]
        for k in np.flatnonzero(lasting != chain):
            chain[k], s[k] = self.shore.locate(shapes[k])
        return chain, s

    def _along(self, points: Array, segment: npt.NDArray[np.intp]) -> Array:
        """Position of the place on a segment that is nearest to each point."""
        a, way = self.ends[segment, :2], self.ends[segment, 2:] - self.ends[segment, :2]
        squared = way[:, 0] * way[:, 0] + way[:, 1] * way[:, 1]
        gap = points - a
        share = (gap[:, 0] * way[:, 0] + gap[:, 1] * way[:, 1]) / squared
        along: Array = self.start[segment] + np.clip(share, 0.0, 1.0) * np.sqrt(squared)
        return along


def baselines_of(
    stretches: Sequence[Array], smoothing: float, unit: float, shore: Shore
) -> list[Baseline]:
    """Baselines of many stretches of a shore, as :func:`geotrim.core.fringe.baseline_of` has them.

    Parameters
    ----------
    stretches : sequence of (n, 2) arrays
        Vertices, water on their left.
    smoothing, unit : float
        Smoothing length, and map units in a foot. [map units]
    shore : Shore
        The shoreline they were cut from.
    """
    out: list[Baseline | None] = [None] * len(stretches)
    loops = [k for k, xy in enumerate(stretches) if (xy[0] == xy[-1]).all()]
    for k in loops:  # rare, and they go on where they began
        out[k] = baseline_of(stretches[k], smoothing, unit, shore)
    rest = sorted(set(range(len(stretches))) - set(loops))
    if rest:
        lines = _smoothed([stretches[k] for k in rest], smoothing, unit, shore)
        for k, line in zip(rest, lines, strict=True):
            out[k] = line
    return [line for line in out if line is not None]


def _smoothed(
    stretches: Sequence[Array], smoothing: float, unit: float, shore: Shore
) -> list[Baseline]:
    """Of stretches that do not close."""
    xy = np.concatenate(stretches)
    offsets = _offsets(stretches)
    chain, at = np.zeros((len(stretches), 2), dtype=np.intp), np.zeros((len(stretches), 2))
    if smoothing > 0:
        ends = np.stack([xy[offsets[:-1]], xy[offsets[1:] - 1]], axis=1)
        numbers, places = ShoreIndex(shore).locate(ends)
        chain, at = numbers.reshape(-1, 2), places.reshape(-1, 2)
    chains = shore.chains
    spacing = BASELINE_STEP_FT * unit
    lengths = np.linalg.norm(np.diff(xy, axis=0), axis=1)
    room = int(np.ceil(lengths.sum() / spacing)) + 3 * len(stretches) + len(xy)
    lines, stations = np.empty((room, 2)), np.empty(room)
    sizes = np.empty(len(stretches), dtype=np.intp)
    kernels.smoothed_lines(
        np.ascontiguousarray(xy), offsets, chain, at,
        np.ascontiguousarray(np.concatenate([c.xy for c in chains]).T),
        np.concatenate([c.s for c in chains]), _offsets([c.s for c in chains]),
        np.array([c.is_closed for c in chains]),
        np.concatenate([c.corners for c in chains]), _offsets([c.corners for c in chains]),
        smoothing, spacing, lines, stations, sizes,
    )  # fmt: skip
    stops = np.cumsum(sizes)
    return [
        Baseline(lines[stop - n : stop], stations[stop - n : stop], False)
        for n, stop in zip(sizes.tolist(), stops.tolist(), strict=True)
    ]


def _offsets(parts: Sequence[Any]) -> npt.NDArray[np.intp]:
    """Where each part begins in all of them together, and the end."""
    return np.concatenate([[0], np.cumsum([len(part) for part in parts])]).astype(np.intp)
