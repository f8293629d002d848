"""Which stretch of the shore each lot may claim, and how rival claims are settled.

A lot claims a point ``p`` of the shoreline when

1. ``p`` lies in the lot; or
2. a lot edge *faces* it from the land: the edge runs within 45 degrees of the shore there with its
   outer side to it, the shore's square through ``p`` meets it within the reach, the lot does not
   stand in between, and no other piece of shore is nearer to the place where it meets (so a lot
   cannot reach across a bend, a pier or a second line to claim what lies behind); or
3. ``p`` lies between two such claims and every point of the gap is within the reach of the lot.

Claims and gaps shorter than a hundredth of a foot are not told apart from nothing.

A dead end no longer than the reach that branches off into the lot (a pier drawn from a little way
inside the land) is not frontage.

The side lines of a lot run across the shore, so they claim nothing: a lot that stops short of the
line gets the stretch straight in front of it, and a reach of any size adds nothing at the ends.

Where lots claim the same point, the one that holds it deepest (or is nearest to it) has it: the
division falls midway in an overlap and midway in a gap. Every point has one owner at most, so
frontages add up to the shore they cover.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core import _plane_kernels, _rival_kernels, _shore_kernels
from geotrim.core.coverage import Ints, Rings, rings_of
from geotrim.core.near_shore import near_segments, shoreline_of
from geotrim.core.shoreline import TINY, Array, Shore

#: A claim shorter than this is a sight through a pinhole, or rounding: it claims nothing and
#: anchors no gap. Less than any survey can tell. [ft]
SLIVER_FT = 0.01


@dataclass(frozen=True, slots=True)
class Claim:
    """A stretch of one chain, from ``low`` to ``high``, owned by lot number ``lot``."""

    lot: int
    chain: int
    low: float
    high: float


@dataclass(frozen=True, slots=True, eq=False)
class Shares:
    """A shoreline divided among lots.

    lot, chain, low, high : (n,) arrays
        Stretches, no two of which overlap, ordered by lot, chain and position. [map units]
    one, other, length : (p,) arrays
        Pairs of lots and the lengths both claimed before they were divided. [map units]
    """

    lot: Ints
    chain: Ints
    low: Array
    high: Array
    one: Ints
    other: Ints
    length: Array


def shares_of(lots: Any, shore: Shore, reach: float, unit: float = 1.0) -> Shares:
    """Divide a shoreline among lots.

    Parameters
    ----------
    lots : (n,) array of Polygon or MultiPolygon
    shore : Shore
    reach : float
        How far a lot may stop short of the shore. [map units]
    unit : float
        Map units in a foot.

    Returns
    -------
    Shares

    Notes
    -----
    Lots whose boxes are not within the reach of the shore's are left out at once; what is left is
    done by compiled code, lot by lot, then along each chain. The ends of what a lot faces are found
    to a tenth of a millionth of a map unit, cuts between rivals to a millionth.

    Examples
    --------
    Two lots that run 20 ft past the line, one 10 ft over the other.

    >>> from geotrim.core.shoreline import build_shore
    >>> shore = build_shore([shapely.LineString([(-9, 0), (99, 0)])], 50.0)
    >>> found = shares_of([shapely.box(0, -50, 30, 20), shapely.box(20, -50, 50, 20)], shore, 5.0)
    >>> found.low.round(5).tolist(), found.high.round(5).tolist(), found.length.round(5).tolist()
    ([9.0, 34.0], [34.0, 59.0], [10.0])
    """
    shapes = np.asarray(lots, dtype=object)
    reach = reach + TINY  # the reach itself is within it, whatever rounding says
    table = shoreline_of(shore)
    near, offsets = near_segments(table.ends, shapely.bounds(shapes), reach)
    which = np.flatnonzero(np.diff(offsets))
    offsets = np.append(offsets[which], near.size)
    edges, edge_offsets = edges_of(rings_of(shapes[which], "lots"))
    wanted = _shore_kernels.claims_of_lots(
        table, near, offsets, edges, edge_offsets, reach, unit, SLIVER_FT * unit
    )
    wanted = np.ascontiguousarray(wanted[np.lexsort((wanted[:, 3], wanted[:, 1], wanted[:, 0]))])
    won, shared = _rival_kernels.share_out(table, wanted, edges, edge_offsets, unit)
    won = won[np.lexsort((won[:, 2], won[:, 1], won[:, 0]))]
    won = _joined(won)
    pairs, of_pair = np.unique(shared[:, :2].astype(np.int64), axis=0, return_inverse=True)
    length: Array = np.bincount(
        of_pair.reshape(-1), weights=shared[:, 2], minlength=len(pairs)
    ).astype(np.float64)
    return Shares(
        which[won[:, 0].astype(np.int64)],
        won[:, 1].astype(np.int64),
        won[:, 2],
        won[:, 3],
        which[pairs[:, 0]],
        which[pairs[:, 1]],
        length,
    )


def share_shore(
    lots: Any, shore: Shore, reach: float, unit: float = 1.0
) -> tuple[list[Claim], list[tuple[int, int, float]]]:
    """The same as :func:`shares_of`, a claim and a pair of lots each by itself.

    Returns
    -------
    claims : list of Claim
    shared : list of (lot, lot, length)
    """
    found = shares_of(lots, shore, reach, unit)
    claims = (found.lot, found.chain, found.low, found.high)
    pairs = (found.one, found.other, found.length)
    claim_rows, pair_rows = (
        zip(*(part.tolist() for part in parts), strict=True) for parts in (claims, pairs)
    )
    return [Claim(*row) for row in claim_rows], list(pair_rows)


def edges_of(rings: Rings) -> tuple[Array, Ints]:
    """Edges of polygons as rows of their ends and the side the inside is on: 1 left, -1 right.

    Returns
    -------
    edges, offsets : (e, 5) and (n + 1,)
        Edges of polygon i are ``edges[offsets[i]:offsets[i + 1]]``.

    Examples
    --------
    >>> edges, offsets = edges_of(rings_of([shapely.box(0, 0, 2, 1)]))
    >>> edges[0].tolist(), offsets.tolist()
    ([2.0, 0.0, 2.0, 1.0, 1.0], [0, 4])
    """
    n_edges = np.maximum(np.diff(rings.ring_offsets) - 1, 0)
    offsets = np.concatenate([[0], np.cumsum(n_edges)])
    edges = np.empty((int(offsets[-1]), 5))
    _plane_kernels.edges_of_rings(rings.xy, rings.ring_offsets, rings.is_hole, edges)
    return edges, offsets[rings.crown_offsets]


def _joined(won: Array) -> npt.NDArray[np.float64]:
    """Join sorted rows lot, chain, from, to that touch; what is left shorter than rounding goes."""
    if len(won) == 0:
        return won
    is_new = np.ones(len(won), dtype=bool)
    # the parts of a lot on a chain follow one another: none reaches past the next
    is_new[1:] = (won[1:, :2] != won[:-1, :2]).any(axis=1) | (won[1:, 2] > won[:-1, 3] + TINY)
    first = np.flatnonzero(is_new)
    joined = won[first]
    joined[:, 3] = won[np.append(first[1:], len(won)) - 1, 3]
    return joined[joined[:, 3] - joined[:, 2] > 10 * TINY]
