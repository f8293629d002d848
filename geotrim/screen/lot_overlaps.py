"""Lots that lie over each other: measured as they are drawn, and told, since they share a shore."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.io.repair import listed

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Lots that share this much of the smaller one are told; less is taken for careless drawing. Our
#: choice, no source.
LEAST_TOLD_FRAC = 0.05
#: A lot of which this much is shared lies within the other. Our choice, no source.
WHOLE_FRAC = 0.995
#: Other lots that a note names.
MOST_NAMED = 3
SHORE_WORDS = "shore that both could claim goes, foot by foot, to the lot that holds it deepest"
_ROWS_AT_ONCE, _PAIRS_AT_ONCE = 50_000, 20_000


def overlaps(
    bounds: Floats, areas: Floats, shapes_of: Callable[[Ints], Any]
) -> Iterator[tuple[int, int, float]]:
    """Pairs of rows that lie over each other, and the area they share.

    Parameters
    ----------
    bounds : (n, 4) array
    areas : (n,) array
        [map units squared]
    shapes_of : callable
        Takes rows, returns their shapes.

    Notes
    -----
    Two lots share no more than their bounds do; only pairs whose bounds share enough are cut.
    """
    for pairs in _candidates(bounds, areas):
        for some in np.array_split(pairs, max(1, -(-len(pairs) // _PAIRS_AT_ONCE))):
            rows, at = np.unique(some, return_inverse=True)
            if not len(rows):
                continue
            shapes = shapes_of(rows)[at.reshape(-1, 2)]
            shared = shapely.area(shapely.intersection(shapes[:, 0], shapes[:, 1]))
            keep = np.flatnonzero(shared > LEAST_TOLD_FRAC * areas[some].min(axis=1))
            for one, other, area in zip(*some[keep].T, shared[keep], strict=True):
                yield int(one), int(other), float(area)


def _candidates(bounds: Floats, areas: Floats) -> Iterator[Ints]:
    boxes = shapely.box(*bounds.T)
    tree = shapely.STRtree(boxes)
    for start in range(0, len(boxes), _ROWS_AT_ONCE):
        first, second = tree.query(boxes[start : start + _ROWS_AT_ONCE])
        first = first + start
        is_new = first < second
        one, other = first[is_new], second[is_new]
        low = np.maximum(bounds[one, :2], bounds[other, :2])
        high = np.minimum(bounds[one, 2:], bounds[other, 2:])
        most = np.maximum(high - low, 0.0).prod(axis=1)
        pairs = np.column_stack([one, other])[
            most > LEAST_TOLD_FRAC * np.minimum(areas[one], areas[other])
        ]
        yield pairs[np.lexsort(pairs.T[::-1])]


def overlap_words(area_ft2: float, others: list[tuple[str, float, float]]) -> str:
    """What is told of a lot.

    Parameters
    ----------
    area_ft2 : float
        Of the lot.
    others : list of (name, area, shared)
        Lots that lie over it. [ft2]

    Examples
    --------
    >>> overlap_words(10_000.0, [("'B'", 8_000.0, 2_500.0)]).partition(":")[0]
    "it shares ground with lot 'B' (2,500 ft2, 25 % of it)"
    >>> overlap_words(10_000.0, [("'C'", 40_000.0, 10_000.0)]).partition(":")[0]
    "it lies within lot 'C'"
    """
    largest = sorted(others, key=lambda other: -other[2])
    within, around, beside = list[str](), list[str](), list[str]()
    for name, area, shared in largest:
        if shared >= WHOLE_FRAC * area_ft2:
            within.append(name)
        elif shared >= WHOLE_FRAC * area:
            around.append(f"{name} ({shared:,.0f} ft2)")
        else:
            share = 100.0 * shared / area_ft2
            beside.append(f"{name} ({shared:,.0f} ft2, {share:.2g} % of it)")
    told = [
        f"it {verb} {'lot' if len(names) == 1 else 'lots'} {listed(names, MOST_NAMED)}"
        for verb, names in (
            ("lies within", within),
            ("holds", around),
            ("shares ground with", beside),
        )
        if names
    ]
    return f"{', '.join(told)}: {SHORE_WORDS}"
