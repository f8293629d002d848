"""Which stretch of the shore each lot may claim, and how rival claims are settled.

A lot claims a point ``p`` of the shoreline when

1. ``p`` lies in the lot; or
2. a lot edge *faces* it: the edge runs within 45 degrees of the shore there, the shore's square
   through ``p`` meets it within the reach, the lot does not stand in between, and no other piece
   of shore is nearer to the place where it meets (so a lot cannot reach across a bend, a pier or a
   second line to claim what lies behind); or
3. ``p`` lies between two such claims and every point of the gap is within the reach of the lot.

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

from geotrim.core.shoreline import Array, Chain, Shore

#: An edge that runs within this of the shore faces it; one that runs more across it is a side line.
FACING_COS = np.cos(np.radians(45.0))
#: Positions closer than this are one, in map units: far below survey accuracy, far above rounding.
TINY = 1e-6
SAMPLES = 9
BISECTIONS = 40

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


class _Segments:
    """The shore's segments in one table: ends, chain and position of each."""

    def __init__(self, shore: Shore) -> None:
        starts = [chain.xy[:-1] for chain in shore.chains]
        ends = [chain.xy[1:] for chain in shore.chains]
        self.a = np.concatenate(starts) if starts else np.empty((0, 2))
        self.b = np.concatenate(ends) if ends else np.empty((0, 2))
        self.chain = np.repeat(np.arange(len(starts)), [len(part) for part in starts])
        self.s = np.concatenate([chain.s[:-1] for chain in shore.chains]) if starts else np.empty(0)
        self.length = np.linalg.norm(self.b - self.a, axis=1)
        self.lines = shapely.linestrings(np.stack([self.a, self.b], axis=1))
        self.tree = shapely.STRtree(self.lines)

    def positions(self, k: int, t: float) -> float:
        return float(self.s[k] + t * self.length[k])


def _lot_edges(lot: Any) -> tuple[Array, Array]:
    """Both ends of every boundary edge of a lot."""
    starts, ends = [], []
    for ring in shapely.get_rings(shapely.get_parts(lot)):
        xy = shapely.get_coordinates(ring)
        starts.append(xy[:-1])
        ends.append(xy[1:])
    return np.concatenate(starts), np.concatenate(ends)


def _inside(lot: Any, segments: _Segments, near: Any) -> list[tuple[int, float, float]]:
    """(segment, t0, t1) where the shore runs inside the lot or along its edge."""
    out = []
    parts, index = shapely.get_parts(
        shapely.intersection(segments.lines[near], lot), return_index=True
    )
    for part, k in zip(parts, near[index], strict=True):
        if shapely.get_type_id(part) != 1 or shapely.is_empty(part):
            continue  # the shore touches the lot at a point, or not at all
        xy = shapely.get_coordinates(part)
        along = ((xy - segments.a[k]) @ (segments.b[k] - segments.a[k])) / segments.length[k] ** 2
        out.append((int(k), float(along.min()), float(along.max())))
    return out


def _shadows(
    segments: _Segments, k: Any, a: Array, b: Array, reach: float
) -> tuple[Any, Array, Array, Array, Array, Array]:
    """Where lot edges a-b, seen square to shore segments ``k``, fall on them within the reach.

    Returns (is_any, t0, t1, u0, u1, offset): whether there is a shadow, its ends on the segment,
    the matching places on the edge, and the greatest distance between the two.
    """
    d = (segments.b[k] - segments.a[k]) / segments.length[k][:, None]
    normal = np.stack([-d[:, 1], d[:, 0]], axis=1)
    along_a = ((a - segments.a[k]) * d).sum(1)
    along_b = ((b - segments.a[k]) * d).sum(1)
    off_a, off_b = ((a - segments.a[k]) * normal).sum(1), ((b - segments.a[k]) * normal).sum(1)
    with np.errstate(divide="ignore", invalid="ignore"):
        # u-limits from the segment's ends ...
        run = along_b - along_a
        u_start, u_end = (0.0 - along_a) / run, (segments.length[k] - along_a) / run
        # ... and from the reach on either side.
        rise = off_b - off_a
        u_minus, u_plus = (-reach - off_a) / rise, (reach - off_a) / rise
    flat = np.abs(rise) < 1e-12
    inside = np.abs(off_a) <= reach
    low_r = np.where(flat, np.where(inside, -np.inf, np.inf), np.minimum(u_minus, u_plus))
    high_r = np.where(flat, np.where(inside, np.inf, -np.inf), np.maximum(u_minus, u_plus))
    u0 = np.maximum.reduce([np.zeros_like(run), np.minimum(u_start, u_end), low_r])
    u1 = np.minimum.reduce([np.ones_like(run), np.maximum(u_start, u_end), high_r])
    t0 = (along_a + u0 * run) / segments.length[k]
    t1 = (along_a + u1 * run) / segments.length[k]
    offset = np.maximum(np.abs(off_a + u0 * rise), np.abs(off_a + u1 * rise))
    return (u1 > u0) & (t0 != t1), t0, t1, u0, u1, offset


def _is_faced(lot: Any, segments: _Segments, p: Array, q: Array) -> Any:
    """Whether the lot's edge at ``q`` truly faces the shore at ``p`` (rules of claim 2)."""
    gap = np.linalg.norm(p - q, axis=1)
    close = gap <= TINY
    _, nearest = segments.tree.query_nearest(
        shapely.points(q), return_distance=True, all_matches=False
    )
    is_nearest = nearest >= gap * (1 - 1e-9) - TINY
    sight = shapely.linestrings(np.stack([p, q], axis=1))
    blocked = shapely.length(shapely.intersection(sight, lot)) > TINY + 1e-9 * gap
    in_lot = shapely.intersects_xy(lot, p[:, 0], p[:, 1])
    return close | (is_nearest & (~blocked | in_lot))


def _true_parts(test: Any, low: Array, high: Array) -> list[tuple[int, float, float]]:
    """Parts of parameter intervals where ``test(row, w)`` holds, ends found by bisection.

    ``w`` runs from 0 to 1 over each interval; the sampled pattern decides how many parts there are.
    """
    rows = np.repeat(np.arange(low.size), SAMPLES)
    w = np.tile(np.linspace(0.0, 1.0, SAMPLES), low.size)
    good = test(rows, w).reshape(-1, SAMPLES)
    grid = np.linspace(0.0, 1.0, SAMPLES)
    row, col = np.nonzero(good[:, 1:] != good[:, :-1])
    left, right = grid[col].copy(), grid[col + 1].copy()
    is_left_good = good[row, col]
    for _ in range(BISECTIONS if row.size else 0):
        middle = (left + right) / 2
        same = test(row, middle) == is_left_good
        left, right = np.where(same, middle, left), np.where(same, right, middle)
    cuts: dict[int, list[float]] = defaultdict(list)
    for changed, place in zip(row.tolist(), ((left + right) / 2).tolist(), strict=True):
        cuts[changed].append(place)
    out: list[tuple[int, float, float]] = []
    for k in range(int(low.size)):
        edges = [0.0, *sorted(cuts[k]), 1.0]
        state = bool(good[k, 0])
        for w0, w1 in pairwise(edges):
            if state:
                span = high[k] - low[k]
                out.append((k, float(low[k] + w0 * span), float(low[k] + w1 * span)))
            state = not state
    return out


def _facing(
    lot: Any, segments: _Segments, near: Any, reach: float
) -> list[tuple[int, float, float]]:
    """(segment, t0, t1) where a lot edge faces the shore within the reach."""
    a, b = _lot_edges(lot)
    edges = shapely.linestrings(np.stack([a, b], axis=1))
    tree = shapely.STRtree(edges)
    which, edge = tree.query(segments.lines[near], predicate="dwithin", distance=reach)
    k = near[which]
    span = b[edge] - a[edge]
    size = np.linalg.norm(span, axis=1)
    d = (segments.b[k] - segments.a[k]) / segments.length[k][:, None]
    cos = np.abs((span * d).sum(1)) / np.where(size > 0, size, 1.0)
    keep = (size > 0) & (cos >= FACING_COS)
    k, edge = k[keep], edge[keep]
    is_any, *shadow = _shadows(segments, k, a[edge], b[edge], reach)
    # Edges that lie on the line face it without further question; the rest are tested.
    on_line = is_any & (shadow[4] <= TINY)
    out = [
        (int(s), float(min(lo, hi)), float(max(lo, hi)))
        for s, lo, hi in zip(k[on_line], shadow[0][on_line], shadow[1][on_line], strict=True)
    ]
    rest = is_any & ~on_line
    k, edge = k[rest], edge[rest]
    t0, t1, u0, u1 = (part[rest] for part in shadow[:4])
    if k.size == 0:
        return out

    def test(row: Any, w: Array) -> Any:
        t = t0[row] + w * (t1[row] - t0[row])
        u = u0[row] + w * (u1[row] - u0[row])
        p = segments.a[k[row]] + t[:, None] * (segments.b[k[row]] - segments.a[k[row]])
        q = a[edge[row]] + u[:, None] * (b[edge[row]] - a[edge[row]])
        return _is_faced(lot, segments, p, q)

    for row, lo, hi in _true_parts(test, t0, t1):
        out.append((int(k[row]), min(lo, hi), max(lo, hi)))
    return out


def _fill_gaps(lot: Any, chain: Chain, claims: list[Interval], reach: float) -> list[Interval]:
    """Join claims on one chain across gaps that stay within the reach of the lot."""
    if not claims:
        return claims
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
    """Whether the chain from low to high is never farther than the reach from the lot."""
    if high - low > 1000 * reach:
        return False
    count = max(5, int(np.ceil((high - low) / max(reach / 4, TINY))) + 1)
    xy = np.concatenate([chain.at(np.linspace(low, high, count)), chain.part(low, high)])
    return bool((shapely.distance(shapely.points(xy), lot) <= reach + TINY).all())


def claims_of(
    lot: Any, segments: _Segments, shore: Shore, reach: float
) -> dict[int, list[Interval]]:
    """Chain number -> stretches one lot may claim, before rivals are heard."""
    reach = reach + TINY  # the reach itself is within it, whatever rounding says
    near = np.sort(segments.tree.query(lot, predicate="dwithin", distance=reach))
    if near.size == 0:
        return {}
    by_chain: dict[int, list[Interval]] = defaultdict(list)
    pieces = _inside(lot, segments, near) + _facing(lot, segments, near, reach)
    for k, t0, t1 in pieces:
        low, high = segments.positions(k, max(t0, 0.0)), segments.positions(k, min(t1, 1.0))
        if high > low:
            by_chain[int(segments.chain[k])].append((low, high))
    out = {}
    for number, intervals in sorted(by_chain.items()):
        chain = shore.chains[number]
        joined = _fill_gaps(lot, chain, merge_intervals(intervals), reach)
        joined = [(lo, hi) for lo, hi in joined if hi - lo > 10 * TINY]
        if joined:
            out[number] = joined
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
    chain: Chain, low: float, high: float, rivals: list[int], lots: Any, boundaries: Any
) -> list[tuple[int, float, float]]:
    """Divide one interval among the lots that all claim it."""
    rival = np.asarray(rivals)

    def owner(s: Array) -> Any:
        xy = chain.at(s)
        hold = np.stack([_hold(lots, boundaries, np.full(len(s), r), xy) for r in rival])
        # Within rounding the lot that comes first has it, whatever noise says.
        best = hold.min(axis=0)
        return np.argmax(hold <= best + TINY, axis=0)

    count = 33
    s = np.linspace(low, high, count)
    inner = np.concatenate([[s[0] + (s[1] - s[0]) * 1e-6], s[1:-1], [s[-1] - (s[1] - s[0]) * 1e-6]])
    who = owner(inner)
    out = []
    start = low
    for j in np.nonzero(who[1:] != who[:-1])[0]:
        left, right = float(inner[j]), float(inner[j + 1])
        for _ in range(BISECTIONS):
            middle = (left + right) / 2
            if owner(np.array([middle]))[0] == who[j]:
                left = middle
            else:
                right = middle
        cut = (left + right) / 2
        out.append((int(rival[who[j]]), start, cut))
        start = cut
    out.append((int(rival[who[-1]]), start, high))
    return out


def share_shore(
    lots: Any, shore: Shore, reach: float
) -> tuple[list[Claim], list[tuple[int, int, float]]]:
    """Divide a shoreline among lots.

    Parameters
    ----------
    lots : (n,) array of Polygon or MultiPolygon
    shore : Shore
    reach : float
        How far a lot may stop short of the shore, or run past it. [map units]

    Returns
    -------
    claims : list of Claim
        No two overlap. Ordered by lot, chain and position.
    shared : list of (lot, lot, length)
        Lengths claimed by two lots before they were divided. [map units]
    """
    lots = np.asarray(lots, dtype=object)
    segments = _Segments(shore)
    boundaries = shapely.boundary(lots)
    wanted: dict[int, list[tuple[int, float, float]]] = defaultdict(list)
    if len(shore.chains):
        for number, lot in enumerate(lots):
            for where, intervals in claims_of(lot, segments, shore, reach).items():
                wanted[where] += [(number, low, high) for low, high in intervals]
    won: dict[tuple[int, int], list[Interval]] = defaultdict(list)
    shared: dict[tuple[int, int], float] = defaultdict(float)
    for number, asked in wanted.items():
        chain = shore.chains[number]
        cuts = np.unique([edge for _, low, high in asked for edge in (low, high)])
        for low, high in pairwise(cuts):
            middle = (low + high) / 2
            rivals = [lot for lot, a, b in asked if a <= middle <= b]
            if len(rivals) == 1 or (rivals and high - low <= TINY):
                won[rivals[0], number].append((float(low), float(high)))
            elif rivals:
                for i, one in enumerate(rivals):
                    for other in rivals[i + 1 :]:
                        shared[one, other] += float(high - low)
                for lot, a, b in _settle(chain, low, high, rivals, lots, boundaries):
                    won[lot, number].append((a, b))
    claims = [
        Claim(lot, chain, low, high)
        for (lot, chain), intervals in sorted(won.items())
        for low, high in merge_intervals(intervals)
        if high - low > 10 * TINY
    ]
    return claims, [(a, b, length) for (a, b), length in sorted(shared.items())]
