"""What an eye meets on each line of sight: angles parted among layers, the first one counting."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geotrim.core.coverage import Floats, Ints

#: Narrower pieces are the rounding of two ways to one angle, and are dropped. [deg]
SLIVER_DEG = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """Intervals of one kind, in any order; they may overlap.

    ray : (k,) line of sight. low_deg, high_deg : (k,) [deg]. tree : (k,) tree, -1 for none.
    distance_ft : (k,) from the eye. [ft]
    """

    ray: Ints
    low_deg: Floats
    high_deg: Floats
    tree: Ints
    distance_ft: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """Disjoint intervals, ray by ray from the lowest up.

    layer : (p,) number of the layer each belongs to. tree, distance_ft : (p,) of the nearest of
    that layer's intervals that reaches into the piece. The rest as in :class:`Layer`.
    """

    ray: Ints
    low_deg: Floats
    high_deg: Floats
    layer: Ints
    tree: Ints
    distance_ft: Floats

    def __len__(self) -> int:
        return len(self.ray)


def pieces_of(layers: Sequence[Layer]) -> Pieces:
    """Part the angles of every ray among layers; where several cover one angle the first has it.

    Parameters
    ----------
    layers : sequence of Layer
        The one that goes before comes first.

    Returns
    -------
    Pieces
        Together they cover what the layers cover, each angle once; touching ones of a layer are
        one piece.

    Notes
    -----
    A sweep over the sorted ends of all intervals, with a count of the open ones in each layer.

    Examples
    --------
    Ground up to 2 deg in front of a tree from 1 to 5 deg.

    >>> one = np.array([0])
    >>> ground = Layer(one, np.array([-9.0]), np.array([2.0]), np.array([-1]), np.array([30.0]))
    >>> canopy = Layer(one, np.array([1.0]), np.array([5.0]), np.array([7]), np.array([40.0]))
    >>> parts = pieces_of([ground, canopy])
    >>> parts.low_deg.tolist(), parts.high_deg.tolist(), parts.tree.tolist()
    ([-9.0, 2.0], [2.0, 5.0], [-1, 7])
    """
    ray = np.concatenate([np.tile(one.ray, 2) for one in layers]).astype(np.int64)
    at = np.concatenate([np.concatenate([one.low_deg, one.high_deg]) for one in layers])
    step = np.zeros((ray.size, len(layers)), dtype=np.int64)
    start = 0
    for k, one in enumerate(layers):
        n = len(one.ray)
        step[start : start + n, k], step[start + n : start + 2 * n, k] = 1, -1
        start += 2 * n
    order = np.lexsort((at, ray))
    ray, at, n_open = ray[order], at[order], np.cumsum(step[order], axis=0)
    covers = n_open > 0
    layer = np.where(covers.any(axis=1), covers.argmax(axis=1), -1)
    keep = (layer[:-1] >= 0) & (at[1:] > at[:-1])  # none is open where a ray ends
    low, high = at[:-1][keep], at[1:][keep]
    ray, layer = ray[:-1][keep], layer[:-1][keep]
    is_new = np.ones(ray.size, dtype=bool)
    is_new[1:] = (ray[1:] != ray[:-1]) | (layer[1:] != layer[:-1]) | (low[1:] > high[:-1])
    first = np.flatnonzero(is_new)
    last = np.concatenate([first[1:], [ray.size]]) - 1 if first.size else first
    is_wide = high[last] - low[first] > SLIVER_DEG
    first, last = first[is_wide], last[is_wide]
    ray, low, high, layer = ray[first], low[first], high[last], layer[first]
    tree, away = _nearest(layers, ray, low, high, layer)
    return Pieces(ray, low, high, layer, tree, away)


def _nearest(
    layers: Sequence[Layer], ray: Ints, low: Floats, high: Floats, layer: Ints
) -> tuple[Ints, Floats]:
    """Tree and distance of the nearest interval of its layer that reaches into each piece."""
    tree, away = np.full(ray.size, -1, dtype=np.int64), np.full(ray.size, np.nan)
    for k, one in enumerate(layers):
        by_ray = np.lexsort((one.distance_ft, one.ray))
        sorted_ray = one.ray[by_ray]
        mine = np.flatnonzero(layer == k)
        begin = np.searchsorted(sorted_ray, ray[mine], side="left")
        end = np.searchsorted(sorted_ray, ray[mine], side="right")
        for piece, b, e in zip(mine, begin, end, strict=True):
            near = by_ray[b:e]  # the nearest first
            reaches = (one.low_deg[near] < high[piece]) & (one.high_deg[near] > low[piece])
            hit = near[int(reaches.argmax())]
            tree[piece], away[piece] = one.tree[hit], one.distance_ft[hit]
    return tree, away
