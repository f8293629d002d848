"""The shore as plain arrays, and which of its segments are near a lot.

Segments are put in order along a curve that fills the plane (Morton, A computer oriented geodetic
data base and a new technique in file sequencing, IBM 1966), so that those that follow one another
lie together. Boxes around every few of them, and around every few boxes, are the index.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core import _near_kernels
from geotrim.core._shore_kernels import Shoreline
from geotrim.core.shoreline import Array, Shore

Ints = npt.NDArray[np.int64]


def shoreline_of(shore: Shore) -> Shoreline:
    """A shore as plain arrays; chains end in the same node where their ends are the same point.

    Examples
    --------
    >>> from geotrim.core.shoreline import build_shore
    >>> lines = [shapely.LineString([(0, 0), (3, 4), (9, 4)]), shapely.LineString([(9, 4), (9, 9)])]
    >>> shoreline_of(build_shore(lines, 50.0)).length.tolist()
    [5.0, 6.0, 5.0]
    """
    chains = shore.chains
    sizes = np.array([len(chain.s) for chain in chains], dtype=np.int64)
    first = np.concatenate([[0], np.cumsum(sizes)])
    xy = np.concatenate([np.empty((0, 2)), *[chain.xy for chain in chains]])
    s = np.concatenate([np.empty(0), *[chain.s for chain in chains]])
    is_start = np.ones(len(xy), dtype=bool)
    is_start[first[1:] - 1] = False
    start = np.flatnonzero(is_start)
    ends = np.ascontiguousarray(np.concatenate([xy[start], xy[start + 1]], axis=1))
    length = np.linalg.norm(ends[:, 2:] - ends[:, :2], axis=1)
    tips = np.concatenate([xy[first[:-1]], xy[first[1:] - 1]])
    _, node = np.unique(tips, axis=0, return_inverse=True)
    nodes = np.ascontiguousarray(node.reshape(2, -1).T.astype(np.int64))
    is_closed = np.array([chain.is_closed for chain in chains], dtype=bool)
    chain = np.repeat(np.arange(len(chains)), sizes - 1)
    return Shoreline(ends, length, chain, np.ascontiguousarray(xy), s, first, is_closed, nodes)


def near_segments(ends: Array, bounds: Array, reach: float) -> tuple[Ints, Ints]:
    """Segments whose boxes come within a reach of boxes.

    Parameters
    ----------
    ends : (k, 4) array
        Of each segment.
    bounds : (n, 4) array
        West, south, east, north; NaN is near nothing.
    reach : float

    Returns
    -------
    near, offsets : (m,) and (n + 1,) whole numbers
        Segments of box i are ``near[offsets[i]:offsets[i + 1]]``, rising.

    Examples
    --------
    >>> ends = np.array([[0.0, 0, 9, 0], [9, 0, 9, 30], [9, 30, 9, 60]])
    >>> near, offsets = near_segments(ends, np.array([[0.0, -9, 5, -1], [0, 0, 7, 40]]), 3.5)
    >>> near.tolist(), offsets.tolist()
    ([0, 0, 1, 2], [0, 1, 4])
    """
    boxes = np.column_stack(
        [np.minimum(ends[:, :2], ends[:, 2:]), np.maximum(ends[:, :2], ends[:, 2:])]
    )
    order = np.argsort(_along_curve(boxes), kind="stable")
    levels, starts = _boxes_around(boxes[order])
    near, offsets = _near_kernels.boxes_near(levels, starts, order, bounds, reach)
    return near, offsets


def _along_curve(boxes: Array) -> Any:
    """Where the middle of each box comes along a curve through a grid of 65536 x 65536 cells."""
    middle = boxes[:, :2] + boxes[:, 2:]
    low = middle.min(axis=0, initial=np.inf)
    span = max(float((middle - low).max(initial=0.0)), 1e-300)
    cell = ((middle - low) / span * 65535.0).astype(np.uint64)
    for shift, mask in ((8, 0x00FF00FF), (4, 0x0F0F0F0F), (2, 0x33333333), (1, 0x55555555)):
        cell = (cell | (cell << np.uint64(shift))) & np.uint64(mask)
    return cell[:, 0] | (cell[:, 1] << np.uint64(1))


def _boxes_around(boxes: Array) -> tuple[Array, Ints]:
    """Boxes, boxes around every few of them and so on up to one, and where each level starts."""
    levels = [boxes]
    while len(levels[-1]) > 1:
        first = np.arange(0, len(levels[-1]), _near_kernels.FANOUT)
        low = np.minimum.reduceat(levels[-1][:, :2], first)
        levels.append(np.column_stack([low, np.maximum.reduceat(levels[-1][:, 2:], first)]))
    starts = np.concatenate([[0], np.cumsum([len(level) for level in levels])])
    return np.ascontiguousarray(np.concatenate(levels)), starts.astype(np.int64)


def gaps_to(shapes: Any, shore: Shore) -> Array:
    """Distance from each shape to the shore. [map units]."""
    gaps = np.full(len(shapes), np.inf)
    ends = shoreline_of(shore).ends.reshape(-1, 2, 2)
    tree = shapely.STRtree(shapely.linestrings(ends))
    (index, _), gap = tree.query_nearest(shapes, return_distance=True, all_matches=False)
    gaps[index] = gap
    return gaps
