"""Which stretch of the shore each lot may claim, and how rival claims are settled.

A lot claims a point ``p`` of the shoreline when

1. ``p`` lies in the lot; or
2. a lot edge *faces* it from the land: the edge runs within 45 degrees of the shore there, the
   shore's square through ``p`` meets it within the reach, the lot does not stand in between, and no
   other piece of shore is nearer to the place where it meets (so a lot cannot reach across a bend,
   a pier or a second line to claim what lies behind); or
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

from collections import defaultdict
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import shapely

from geotrim.core.facing import TINY, Segments, pieces_of
from geotrim.core.shoreline import Array, Chain, Shore

#: A claim shorter than this is a sight through a pinhole, or rounding: it claims nothing and
#: anchors no gap. Less than any survey can tell. [ft]
SLIVER_FT = 0.01

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Claim:
    """A stretch of one chain, from ``low`` to ``high``, owned by lot number ``lot``."""

    lot: int
    chain: int
    low: float
    high: float


def merge_intervals(intervals: list[Interval], gap: float = TINY) -> list[Interval]:
    """Union of intervals; those closer than ``gap`` become one.

    >>> merge_intervals([(2.0, 3.0), (0.0, 1.0), (1.0, 1.5)])
    [(0.0, 1.5), (2.0, 3.0)]
    """
    out: list[Interval] = []
    for low, high in sorted(intervals):
        if out and low <= out[-1][1] + gap:
            out[-1] = (out[-1][0], max(out[-1][1], high))
        else:
            out.append((low, high))
    return out


def _fill_gaps(lot: Any, chain: Chain, claims: list[Interval], reach: float) -> list[Interval]:
    """Join claims on one chain across gaps that stay within the reach of the lot."""
    out = [claims[0]]
    gaps = [(a[1], b[0]) for a, b in pairwise(claims)]
    for (low, high), claim in zip(gaps, claims[1:], strict=True):
        if _stays_near(lot, chain, low, high, reach):
            out[-1] = (out[-1][0], claim[1])
        else:
            out.append(claim)
    if chain.is_closed and (out[0][0] > TINY or out[-1][1] < chain.length - TINY):
        low, high = out[-1][1], out[0][0] + chain.length
        if _stays_near(lot, chain, low, high, reach):
            out = merge_intervals([(0.0, out[0][1]), *out[1:], (out[-1][0], chain.length)])
    return out


def _stays_near(lot: Any, chain: Chain, low: float, high: float, reach: float) -> bool:
    """Whether the chain from low to high is never farther than the reach from the lot.

    The distance to the lot changes no faster than the position along the chain, so between two
    places it is at most the mean of theirs and half of what lies between them. Where that does not
    settle it the place halfway is asked too.
    """
    s = np.linspace(low, high, 5)
    away = shapely.distance(shapely.points(chain.at(s)), lot)
    s, away = np.stack([s[:-1], s[1:]]), np.stack([away[:-1], away[1:]])
    while s.size and away.max() <= reach:
        span = s[1] - s[0]
        is_open = (away.sum(0) + span > 2 * reach) & (span > max(reach / 500, 1000 * TINY))
        (s0, s1), (away0, away1) = s[:, is_open], away[:, is_open]
        half = (s0 + s1) / 2
        away_half = shapely.distance(shapely.points(chain.at(half)), lot)
        s = np.stack([np.append(s0, half), np.append(half, s1)])
        away = np.stack([np.append(away0, away_half), np.append(away_half, away1)])
    return s.size == 0


def claims_of(
    lot: Any, segments: Segments, shore: Shore, reach: float, unit: float = 1.0
) -> dict[int, list[Interval]]:
    """Chain number -> stretches one lot may claim, before rivals are heard."""
    reach = reach + TINY  # the reach itself is within it, whatever rounding says
    near = np.sort(segments.tree.query(lot, predicate="dwithin", distance=reach))
    if near.size == 0:
        return {}
    shapely.prepare(lot)
    by_chain: dict[int, list[Interval]] = defaultdict(list)
    for k, t0, t1, _ in pieces_of(lot, segments, shore, near, reach, unit):
        low, high = segments.positions(k, max(t0, 0.0)), segments.positions(k, min(t1, 1.0))
        if high > low:
            by_chain[int(segments.chain[k])].append((low, high))
    out = {}
    for number, intervals in sorted(by_chain.items()):
        chain = shore.chains[number]
        sliver = SLIVER_FT * unit
        whole = [(lo, hi) for lo, hi in merge_intervals(intervals, sliver) if hi - lo > sliver]
        if whole:
            out[number] = _fill_gaps(lot, chain, whole, reach)
    return _drop_spurs(out, shore, reach)


def _drop_spurs(
    claims: dict[int, list[Interval]], shore: Shore, reach: float
) -> dict[int, list[Interval]]:
    """Leave out short dead ends that branch off the frontage into the lot.

    A pier drawn from a little way inside the land leaves such a stub. It is dropped where it is no
    longer than the reach and the shore runs on to both sides of the place where it starts.
    """
    ends: dict[tuple[float, float], int] = defaultdict(int)
    pieces = []
    for number, intervals in claims.items():
        chain = shore.chains[number]
        for low, high in intervals:
            nodes = []
            if low <= TINY and not chain.is_closed:
                nodes.append(tuple(chain.xy[0]))
            if high >= chain.length - TINY and not chain.is_closed:
                nodes.append(tuple(chain.xy[-1]))
            for node in nodes:
                ends[node] += 1
            pieces.append((number, low, high, nodes))
    out: dict[int, list[Interval]] = defaultdict(list)
    for number, low, high, nodes in pieces:
        branching = [node for node in nodes if ends[node] >= 3]
        is_dead_end = sum(ends[node] >= 2 for node in nodes) == 1
        if not (branching and is_dead_end and high - low <= reach):
            out[number].append((low, high))
    return dict(out)


def _hold(lots: Any, boundaries: Any, lot: Any, xy: Array) -> Array:
    """How firmly lots hold points: minus the depth inside, or the distance outside."""
    points = shapely.points(xy)
    outside = shapely.distance(points, lots[lot])
    depth = shapely.distance(points, boundaries[lot])
    return np.where(outside > 0, outside, -depth)


def _settle(
    chain: Chain,
    low: float,
    high: float,
    rivals: list[int],
    lots: Any,
    boundaries: Any,
    unit: float,
) -> list[tuple[int, float, float]]:
    """Divide one interval among the lots that all claim it: asked every foot, cuts by bisection."""
    rival = np.asarray(rivals)

    def owner(s: Array) -> Any:
        xy = chain.at(s)
        hold = np.stack([_hold(lots, boundaries, np.full(len(s), r), xy) for r in rival])
        # Within rounding the lot that comes first has it, whatever noise says.
        best = hold.min(axis=0)
        return np.argmax(hold <= best + TINY, axis=0)

    s = np.linspace(low, high, max(33, int(np.ceil((high - low) / unit)) + 1))
    inset = (s[1] - s[0]) * 1e-6
    s[0], s[-1] = low + inset, high - inset  # at the very ends a rival begins: a tie
    who = owner(s)
    change = np.nonzero(who[1:] != who[:-1])[0]
    left, right = s[change], s[change + 1]
    while change.size and (right - left).max() > TINY:
        middle = (left + right) / 2
        same = owner(middle) == who[change]
        left, right = np.where(same, middle, left), np.where(same, right, middle)
    edges = [low, *((left + right) / 2).tolist(), high]
    first = [0, *(change + 1).tolist()]
    return [
        (int(rival[who[j]]), start, stop)
        for j, (start, stop) in zip(first, pairwise(edges), strict=True)
    ]


def share_shore(
    lots: Any, shore: Shore, reach: float, unit: float = 1.0
) -> tuple[list[Claim], list[tuple[int, int, float]]]:
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
    claims : list of Claim
        No two overlap. Ordered by lot, chain and position.
    shared : list of (lot, lot, length)
        Lengths claimed by two lots before they were divided. [map units]
    """
    lots = np.asarray(lots, dtype=object)
    segments = Segments(shore)
    boundaries = shapely.boundary(lots)
    wanted: dict[int, list[tuple[int, float, float]]] = defaultdict(list)
    if len(shore.chains):
        for number, lot in enumerate(lots):
            for where, intervals in claims_of(lot, segments, shore, reach, unit).items():
                wanted[where] += [(number, low, high) for low, high in intervals]
    won: dict[tuple[int, int], list[Interval]] = defaultdict(list)
    shared: dict[tuple[int, int], float] = defaultdict(float)
    for number, asked in wanted.items():
        chain = shore.chains[number]
        cuts = np.unique([edge for _, low, high in asked for edge in (low, high)])
        between: list[list[int]] = [[] for _ in cuts[1:]]
        for lot, low, high in asked:
            for k in range(*np.searchsorted(cuts, [low, high])):
                between[k].append(lot)
        for low, high, rivals in zip(cuts[:-1].tolist(), cuts[1:].tolist(), between, strict=True):
            if len(rivals) == 1 or (rivals and high - low <= TINY):
                won[rivals[0], number].append((low, high))
            elif rivals:
                for i, one in enumerate(rivals):
                    for other in rivals[i + 1 :]:
                        shared[one, other] += high - low
                for lot, a, b in _settle(chain, low, high, rivals, lots, boundaries, unit):
                    won[lot, number].append((a, b))
    claims = [
        Claim(lot, chain, low, high)
        for (lot, chain), intervals in sorted(won.items())
        for low, high in merge_intervals(intervals)
        if high - low > 10 * TINY
    ]
    return claims, [(a, b, length) for (a, b), length in sorted(shared.items())]
