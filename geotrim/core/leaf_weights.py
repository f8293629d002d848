"""Shares of a crown's leaf area from the weights of its layers.

Layers of a crown may have any depth, and gaps between them hold nothing. Inside a layer leaf area
lies evenly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotrim.core.coverage import Floats, Ints
from geotrim.errors import RangeError

#: Shares nearer than this to the edge of a layer are at the edge; rounding is far smaller.
AT_EDGE = 1e-12
#: Layers that overlap by less lie side by side; rounded decimals do. [ft]
SAME_FT = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class LayerWeights:
    """Layers of n crowns, crown by crown, each from the ground up.

    n_crowns : crowns, those without layers among them.
    crown : (r,) number of the crown a layer belongs to, rising.
    low_ft, high_ft : (r,) sides of the layer. [ft]
    weight_frac : (r,) share of its crown's leaf area; those of a crown add up to 1.
    """

    n_crowns: int
    crown: Ints
    low_ft: Floats
    high_ft: Floats
    weight_frac: Floats

    @property
    def is_known(self) -> npt.NDArray[np.bool_]:
        """(n,) the crown has layers."""
        return np.bincount(self.crown, minlength=self.n_crowns) > 0


def layer_weights(
    n_crowns: int,
    crown: npt.ArrayLike,
    low_ft: npt.ArrayLike,
    high_ft: npt.ArrayLike,
    weight_frac: npt.ArrayLike,
) -> LayerWeights:
    """Layers sorted and held to the rules; weights of a crown are scaled to add up to 1.

    Raises
    ------
    RangeError
        If a layer has no depth or begins under the substrate, a weight is negative or not finite,
        two layers of a crown overlap, or all weights of a crown are 0.

    Examples
    --------
    >>> found = layer_weights(2, [0, 0], [2.0, 0.0], [4.0, 2.0], [3.0, 1.0])
    >>> found.low_ft.tolist(), found.weight_frac.tolist(), found.is_known.tolist()
    ([0.0, 2.0], [0.25, 0.75], [True, False])
    """
    which = np.asarray(crown, dtype=np.int64)
    low, high, weight = (np.asarray(a, dtype=np.float64) for a in (low_ft, high_ft, weight_frac))
    order = np.lexsort((low, which))
    which, low, high, weight = which[order], low[order], high[order], weight[order]
    starts = np.flatnonzero(np.diff(which, prepend=-1))
    for own in np.split(np.arange(which.size), starts[1:]):
        fault = fault_of_layers(low[own], high[own], weight[own]) if own.size else None
        if fault is not None:
            raise RangeError(f"layers of crown {which[own[0]] + 1}", *fault, "correct them")
    total = np.bincount(which, weights=weight, minlength=n_crowns)
    return LayerWeights(n_crowns, which, low, high, weight / total[which])


def fault_of_layers(low_ft: Floats, high_ft: Floats, weight_frac: Floats) -> tuple[str, str] | None:
    """What is wrong with the layers of one crown, and what is needed; None where all is well.

    Examples
    --------
    >>> fault_of_layers(np.array([0.0, 1.0]), np.array([2.0, 3.0]), np.ones(2))
    ('two layers that overlap', 'layers side by side')
    """
    if not ((low_ft >= 0.0) & (high_ft > low_ft) & np.isfinite(high_ft)).all():
        return "a layer without depth, or under 0 ft", "layers from 0 ft up, each with a depth"
    if not ((weight_frac >= 0.0) & np.isfinite(weight_frac)).all():
        return "a weight under 0, or none", "weights of 0 or more"
    order = np.argsort(low_ft, kind="stable")
    if (low_ft[order][1:] < high_ft[order][:-1] - SAME_FT).any():
        return "two layers that overlap", "layers side by side"
    if not weight_frac.sum() > 0.0:
        return "weights that are all 0", "a layer with some weight"
    return None


def share_above(layers: LayerWeights, height_ft: npt.ArrayLike) -> Floats:
    """Share of each crown's leaf area above a height; NaN for a crown without layers.

    Parameters
    ----------
    layers : LayerWeights
    height_ft : float or (n,) array
        NaN gives NaN. [ft]

    Examples
    --------
    >>> layers = layer_weights(1, [0, 0], [0.0, 2.0], [2.0, 4.0], [0.25, 0.75])
    >>> share_above(layers, 3.0).tolist(), share_above(layers, 1.0).tolist()
    ([0.375], [0.875])
    """
    height = np.broadcast_to(np.asarray(height_ft, dtype=np.float64), layers.n_crowns)
    at = height[layers.crown]
    part = np.clip((layers.high_ft - at) / (layers.high_ft - layers.low_ft), 0.0, 1.0)
    share = np.bincount(layers.crown, weights=layers.weight_frac * part, minlength=layers.n_crowns)
    known: Floats = np.where(layers.is_known & ~np.isnan(height), np.minimum(share, 1.0), np.nan)
    return known


def share_between(layers: LayerWeights, low_ft: npt.ArrayLike, high_ft: npt.ArrayLike) -> Floats:
    """Share of each crown's leaf area between two heights; NaN for a crown without layers.

    Examples
    --------
    >>> layers = layer_weights(1, [0, 0], [0.0, 2.0], [2.0, 4.0], [0.25, 0.75])
    >>> share_between(layers, 1.0, 3.0).tolist()
    [0.5]
    """
    return share_above(layers, low_ft) - share_above(layers, high_ft)


def cut_heights_ft(layers: LayerWeights, removed_frac: float) -> Floats:
    """Height of the level cut that takes a share of each crown's leaf area off its top.

    Parameters
    ----------
    layers : LayerWeights
    removed_frac : float
        0 to 1. Where a gap in the foliage leaves a choice the highest cut is told.

    Returns
    -------
    height_ft : (n,) array
        NaN for a crown without layers. [ft]

    Raises
    ------
    RangeError
        If the share is outside 0 to 1.

    Examples
    --------
    >>> layers = layer_weights(1, [0, 0], [0.0, 2.0], [2.0, 4.0], [0.25, 0.75])
    >>> cut_heights_ft(layers, 0.375).tolist(), cut_heights_ft(layers, 0.75).tolist()
    ([3.0], [2.0])
    """
    if not 0.0 <= removed_frac <= 1.0:
        raise RangeError(
            "removed_frac", f"{removed_frac:g}", "a share from 0 to 1", "divide a percentage by 100"
        )
    out = np.full(layers.n_crowns, np.nan)
    used = np.flatnonzero(layers.weight_frac > 0.0)  # crown by crown, so each is one run
    starts = np.flatnonzero(np.diff(layers.crown[used], prepend=-1))
    for start, stop in zip(starts, [*starts[1:], used.size], strict=True):
        mine = used[start:stop][::-1]  # from the top down
        taken = np.cumsum(layers.weight_frac[mine])
        k = min(int(np.searchsorted(taken, removed_frac - AT_EDGE)), mine.size - 1)
        at = mine[k]
        rest = removed_frac - (taken[k] - layers.weight_frac[at])
        depth = layers.high_ft[at] - layers.low_ft[at]
        cut = layers.high_ft[at] - depth * rest / layers.weight_frac[at]
        out[layers.crown[at]] = min(max(cut, layers.low_ft[at]), layers.high_ft[at])
    return out


def foliage_bases_ft(layers: LayerWeights, least_frac: float = 0.0) -> Floats:
    """Lower side of the lowest layer that holds more than a share; NaN where none does. [ft].

    Examples
    --------
    >>> layers = layer_weights(1, [0, 0, 0], [0.0, 2.0, 4.0], [2.0, 4.0, 6.0], [0.0, 0.1, 0.9])
    >>> foliage_bases_ft(layers).tolist(), foliage_bases_ft(layers, 0.1).tolist()
    ([2.0], [4.0])
    """
    used = layers.weight_frac > least_frac
    out = np.full(layers.n_crowns, np.inf)
    np.minimum.at(out, layers.crown[used], layers.low_ft[used])
    return np.where(np.isfinite(out), out, np.nan)


def foliage_tops_ft(layers: LayerWeights) -> tuple[Floats, Floats]:
    """Lower and upper side of the highest layer with any weight; NaN without layers. [ft]."""
    used = layers.weight_frac > 0.0
    low, high = np.full((2, layers.n_crowns), -np.inf)
    np.maximum.at(low, layers.crown[used], layers.low_ft[used])
    np.maximum.at(high, layers.crown[used], layers.high_ft[used])
    return np.where(np.isfinite(low), low, np.nan), np.where(np.isfinite(high), high, np.nan)
