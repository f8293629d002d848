"""Many functions of height at once, each straight between knots of its own number.

How much of a tree lies above a height falls as the height rises. For a tree of columns (cells with
a height each) it is straight between the heights of its cells; for leaf-area layers between their
sides. Both are kept as knots from the top down, one run of knots a tree.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotrim.core.coverage import Floats, Ints
from geotrim.core.leaf_weights import AT_EDGE, LayerWeights


@dataclass(frozen=True, slots=True, eq=False)
class RaggedLines:
    """What lies above a height, for n trees.

    start : (n + 1,) knots of tree i are ``start[i]`` up to the next.
    height_ft : (k,) of each knot, falling within a tree. [ft]
    above : (k,) what lies above the knot, rising from 0 within a tree.
    per_ft : (k,) what each foot down from the knot adds, to the next knot; under the last one for
        ever.
    """

    start: Ints
    height_ft: Floats
    above: Floats
    per_ft: Floats


def lines_of_columns(n_trees: int, tree: Ints, height_ft: Floats, area_ft2: Floats) -> RaggedLines:
    """Volume above a height of trees made of columns, which go on down for ever. [ft3].

    Parameters
    ----------
    n_trees : int
    tree, height_ft, area_ft2 : (k,) arrays
        One column each, in any order, with finite heights.

    Examples
    --------
    A column of 2 ft2 to 10 ft beside one of 3 ft2 to 6 ft.

    >>> two = lines_of_columns(1, np.array([0, 0]), np.array([6.0, 10.0]), np.array([3.0, 2.0]))
    >>> above_at(two, np.array([0, 0]), np.array([8.0, 5.0])).tolist()
    [4.0, 13.0]
    """
    order = np.lexsort((-height_ft, tree))
    height, area = height_ft[order], area_ft2[order]
    start = np.searchsorted(tree[order], np.arange(n_trees + 1))
    per_ft = _run_sums(area, start)
    steps = np.zeros(height.size)
    steps[1:] = (height[:-1] - height[1:]) * per_ft[:-1]
    steps[start[:-1][start[:-1] < start[1:]]] = 0.0  # the top of each tree
    return RaggedLines(start, height, _run_sums(steps, start), per_ft)


def lines_of_layers(layers: LayerWeights) -> RaggedLines:
    """Share of the leaf area above a height of trees with leaf-area layers.

    Examples
    --------
    >>> from geotrim.core.leaf_weights import layer_weights
    >>> one = lines_of_layers(layer_weights(1, [0, 0], [0.0, 3.0], [2.0, 4.0], [0.25, 0.75]))
    >>> above_at(one, np.array([0, 0, 0]), np.array([3.5, 2.5, 1.0])).tolist()
    [0.375, 0.75, 0.875]
    """
    used = np.flatnonzero(layers.weight_frac > 0.0)[::-1]
    used = used[np.argsort(layers.crown[used], kind="stable")]  # tree by tree, from the top down
    tree, weight = layers.crown[used], layers.weight_frac[used]
    high, low = layers.high_ft[used], layers.low_ft[used]
    heights = np.column_stack([high, low]).ravel()
    per_ft = np.column_stack([weight / (high - low), np.zeros(weight.size)]).ravel()
    start = np.searchsorted(tree, np.arange(layers.n_crowns + 1)) * 2
    above = _run_sums(np.column_stack([np.zeros(weight.size), weight]).ravel(), start)
    return RaggedLines(start, heights, above, per_ft)


def above_at(lines: RaggedLines, tree: Ints, height_ft: Floats) -> Floats:
    """What lies above heights of trees; 0 for a tree without knots, NaN for a NaN height.

    Parameters
    ----------
    lines : RaggedLines
    tree, height_ft : arrays
        Of one shape.
    """
    if lines.height_ft.size == 0:
        return np.where(np.isnan(height_ft), np.nan, 0.0)
    last = _first_not(lines.height_ft, lines.start, tree, height_ft, is_rising=False) - 1
    has = last >= lines.start[tree]
    at = np.maximum(last, 0)
    with np.errstate(invalid="ignore"):  # 0 times a height of minus infinity
        depth = lines.height_ft[at] - height_ft
        down = np.where(lines.per_ft[at] > 0.0, depth * lines.per_ft[at], 0.0)
    found = np.where(has, lines.above[at] + down, 0.0)
    return np.where(np.isnan(height_ft), np.nan, found)


def height_at(lines: RaggedLines, tree: Ints, above: Floats, slack: Floats) -> Floats:
    """Height above which so much lies: the highest one; NaN for a tree without knots. [ft].

    Parameters
    ----------
    lines : RaggedLines
    tree, above, slack : arrays
        Of one shape. An amount within the slack of a knot's is at the knot.

    Examples
    --------
    >>> two = lines_of_columns(1, np.array([0, 0]), np.array([6.0, 10.0]), np.array([3.0, 2.0]))
    >>> height_at(two, np.zeros(3, int), np.array([0.0, 4.0, 13.0]), np.zeros(3)).tolist()
    [10.0, 8.0, 5.0]
    """
    if lines.height_ft.size == 0:
        return np.full(np.shape(above), np.nan)
    first, stop = lines.start[tree], lines.start[tree + 1]
    after = _first_not(lines.above, lines.start, tree, above - slack, is_rising=True)
    end = lines.height_ft.size - 1
    at, below = np.clip(after - 1, 0, end), np.minimum(after, end)
    with np.errstate(invalid="ignore", divide="ignore"):
        depth = (above - lines.above[at]) / lines.per_ft[at]
    depth = np.where(lines.per_ft[at] > 0.0, depth, 0.0)
    found = lines.height_ft[at] - depth
    found = np.where(after < stop, np.maximum(found, lines.height_ft[below]), found)
    found = np.where(after == first, lines.height_ft[np.minimum(first, end)], found)
    return np.where((first < stop) & ~np.isnan(above), found, np.nan)


def slack_of(whole: npt.ArrayLike) -> Floats:
    """What rounding may make of an amount, of a tree that holds so much in all."""
    return AT_EDGE * np.asarray(whole, dtype=np.float64)


def _run_sums(values: Floats, start: Ints) -> Floats:
    """Running sums that begin anew with each tree: one over all would round to the largest."""
    out = np.empty(values.size)
    for first, stop in zip(start[:-1].tolist(), start[1:].tolist(), strict=True):
        np.cumsum(values[first:stop], out=out[first:stop])
    return out


def _first_not(values: Floats, start: Ints, tree: Ints, mark: Floats, *, is_rising: bool) -> Ints:
    """First knot of each tree that is not yet past a mark: a search by halves for all at once."""
    low, high = start[tree], start[tree + 1]
    while True:
        is_open = low < high
        if not is_open.any():
            return low
        middle = (low + high) // 2
        value = values[np.minimum(middle, values.size - 1)]
        goes = is_open & ((value < mark) if is_rising else (value > mark))
        low, high = np.where(goes, middle + 1, low), np.where(is_open & ~goes, middle, high)
