"""The plain way to share out a shore, a lot at a time with geometries, kept for comparison.

This is the code that the compiled loops of ``geotrim.core.claims`` took the place of, but for two
things. Pieces are put to the question of the land's side in order along the shore; there the tree
of an index decided. And an edge is faced from its outer side alone; there it was seen from within
the lot too, which added nothing but what had slipped between the places asked.
"""

from __future__ import annotations

from collections import defaultdict
from itertools import pairwise

import numpy as np
import shapely

from geotrim.core.claims import SLIVER_FT, Claim
from geotrim.core.shoreline import land_score

#: An edge that runs within this of the shore faces it; one that runs more across it is a side line.
FACING_COS = np.cos(np.radians(45.0))
#: Positions closer than this are one, in map units: far below survey accuracy, far above rounding.
TINY = 1e-6
SAMPLES = 9

#: Segment number, from, to (shares of the segment), and the side the lot's edge is on: -1 right of
#: the segment, +1 left, 0 on it or inside the lot.


class Segments:
    """The shore's segments in one table: ends, chain and position of each."""

    def __init__(self, shore):
        starts = [chain.xy[:-1] for chain in shore.chains]
        ends = [chain.xy[1:] for chain in shore.chains]
        self.a = np.concatenate(starts) if starts else np.empty((0, 2))
        self.b = np.concatenate(ends) if ends else np.empty((0, 2))
        self.chain = np.repeat(np.arange(len(starts)), [len(part) for part in starts])
        self.s = np.concatenate([chain.s[:-1] for chain in shore.chains]) if starts else np.empty(0)
        self.length = np.linalg.norm(self.b - self.a, axis=1)
        self.lines = shapely.linestrings(np.stack([self.a, self.b], axis=1))
        self.tree = shapely.STRtree(self.lines)

    def positions(self, k, t):
        return float(self.s[k] + t * self.length[k])


def _lot_edges(lot):
    """Both ends of every boundary edge of a lot, and 1 where the lot is on its left, else -1."""
    starts, ends, left = [], [], []
    for part in shapely.get_parts(lot):
        for number, ring in enumerate(shapely.get_rings(part)):
            xy = shapely.get_coordinates(ring)
            starts.append(xy[:-1])
            ends.append(xy[1:])
            left.append(np.full(len(xy) - 1, 1 if shapely.is_ccw(ring) == (number == 0) else -1))
    return np.concatenate(starts), np.concatenate(ends), np.concatenate(left)


def _inside(lot, segments, near):
    """Pieces where the shore runs inside the lot or along its edge."""
    out = []
    parts, index = shapely.get_parts(
        shapely.intersection(segments.lines[near], lot), return_index=True
    )
    for part, k in zip(parts, near[index], strict=True):
        if shapely.get_type_id(part) != 1 or shapely.is_empty(part):
            continue  # the shore touches the lot at a point, or not at all
        xy = shapely.get_coordinates(part)
        along = ((xy - segments.a[k]) @ (segments.b[k] - segments.a[k])) / segments.length[k] ** 2
        out.append((int(k), float(along.min()), float(along.max()), 0))
    return out


def _shadows(segments, k, a, b, near, far):
    """Where lot edges a-b, seen square to shore segments ``k``, fall on them.

    Only the part of an edge that stands ``near`` to ``far`` from its segment counts, positive to
    the left. Returns (is_any, t0, t1, u0, u1, offset): whether there is a shadow, its ends on the
    segment, the matching places on the edge, and the greatest distance between the two.
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
        # ... and from the distances.
        rise = off_b - off_a
        u_near, u_far = (near - off_a) / rise, (far - off_a) / rise
    flat = np.abs(rise) < 1e-12
    inside = (off_a >= near) & (off_a <= far)
    low_r = np.where(flat, np.where(inside, -np.inf, np.inf), np.minimum(u_near, u_far))
    high_r = np.where(flat, np.where(inside, np.inf, -np.inf), np.maximum(u_near, u_far))
    u0 = np.maximum.reduce([np.zeros_like(run), np.minimum(u_start, u_end), low_r])
    u1 = np.minimum.reduce([np.ones_like(run), np.maximum(u_start, u_end), high_r])
    is_any = u1 > u0
    u0, u1 = np.where(is_any, u0, 0.0), np.where(is_any, u1, 0.0)
    t0 = (along_a + u0 * run) / segments.length[k]
    t1 = (along_a + u1 * run) / segments.length[k]
    offset = np.maximum(np.abs(off_a + u0 * rise), np.abs(off_a + u1 * rise))
    return is_any & (t0 != t1), t0, t1, u0, u1, offset


def _is_faced(lot, beside, p, q):
    """Whether the lot's edge at ``q`` truly faces the shore at ``p`` (rules of claim 2).

    ``beside`` is all shore within the reach of the lot, prepared like the lot.
    """
    gap = np.linalg.norm(p - q, axis=1)
    faced = gap <= TINY
    ask = np.nonzero(~faced)[0]
    q_points = shapely.points(q[ask])
    ask = ask[~shapely.dwithin(beside, q_points, gap[ask] * (1 - 1e-9) - TINY)]
    # The sight starts a little off the edge, which is the lot's own.
    off = np.maximum(1 - 2 * TINY / gap[ask], 0.0)[:, None]
    sight = np.stack([p[ask], p[ask] + off * (q[ask] - p[ask])], axis=1)
    blocked = shapely.intersects(lot, shapely.linestrings(sight))
    faced[ask] = ~blocked | shapely.intersects_xy(lot, p[ask, 0], p[ask, 1])
    return faced


def _true_parts(test, low, high, longest):
    """Parts of parameter intervals where ``test(row, w)`` holds, ends found by bisection.

    ``w`` runs from 0 to 1 over each interval; the sampled pattern decides how many parts there are.
    ``longest`` is the length of the longest, in map units: ends are found to a tenth of TINY.
    """
    rows = np.repeat(np.arange(low.size), SAMPLES)
    w = np.tile(np.linspace(0.0, 1.0, SAMPLES), low.size)
    good = test(rows, w).reshape(-1, SAMPLES)
    grid = np.linspace(0.0, 1.0, SAMPLES)
    row, col = np.nonzero(good[:, 1:] != good[:, :-1])
    left, right = grid[col].copy(), grid[col + 1].copy()
    is_left_good = good[row, col]
    steps = int(np.ceil(np.log2(max(longest / TINY, 1.0))))
    for _ in range(steps if row.size else 0):
        middle = (left + right) / 2
        same = test(row, middle) == is_left_good
        left, right = np.where(same, middle, left), np.where(same, right, middle)
    cuts = defaultdict(list)
    for changed, place in zip(row.tolist(), ((left + right) / 2).tolist(), strict=True):
        cuts[changed].append(place)
    out = []
    for k in range(int(low.size)):
        edges = [0.0, *sorted(cuts[k]), 1.0]
        state = bool(good[k, 0])
        for w0, w1 in pairwise(edges):
            if state:
                span = high[k] - low[k]
                out.append((k, float(low[k] + w0 * span), float(low[k] + w1 * span)))
            state = not state
    return out


def _facing(lot, segments, near, reach):
    """Pieces where a lot edge faces the shore within the reach, on whichever side."""
    a, b, left = _lot_edges(lot)
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
    # An edge may cross the shore: what stands left of it and what stands right are told apart.
    out, shadows = [], []
    for side, band in ((1, (0.0, reach)), (-1, (-reach, 0.0))):
        is_any, *shadow, offset = _shadows(segments, k, a[edge], b[edge], *band)
        # Edges that lie on the line face it without further question; the rest are tested.
        on_line = is_any & (offset <= TINY)
        out += [
            (int(n), float(min(t0, t1)), float(max(t0, t1)), 0)
            for n, t0, t1 in zip(k[on_line], shadow[0][on_line], shadow[1][on_line], strict=True)
        ]
        # Only the outer side of an edge is seen: where it runs along, the lot is on its far side.
        is_outer = ((b[edge] - a[edge]) * d[keep]).sum(1) * left[edge] * side > 0
        rest = np.nonzero(is_any & ~on_line & is_outer)[0]
        shadows.append((np.full(rest.size, side), rest, *(part[rest] for part in shadow)))
    sides, pair, t0, t1, u0, u1 = (np.concatenate(column) for column in zip(*shadows, strict=True))
    if pair.size == 0:
        return out
    k, edge = k[pair], edge[pair]
    way, span = segments.b[k] - segments.a[k], b[edge] - a[edge]
    beside = shapely.multilinestrings(segments.lines[near])
    shapely.prepare(beside)

    def test(row, w):
        t = t0[row] + w * (t1[row] - t0[row])
        u = u0[row] + w * (u1[row] - u0[row])
        p = segments.a[k[row]] + t[:, None] * way[row]
        q = a[edge[row]] + u[:, None] * span[row]
        return _is_faced(lot, beside, p, q)

    longest = float((np.abs(t1 - t0) * segments.length[k]).max())
    for row, low, high in _true_parts(test, t0, t1, longest):
        out.append((int(k[row]), min(low, high), max(low, high), int(sides[row])))
    return out


def pieces_of(lot, segments, shore, near, reach, unit):
    """Pieces of shore that lie in a lot or that it faces from its land side.

    A shore has land on one side all along, so a lot that spreads out over the water does not face
    the line from there. Which side is land is asked of each chain as a whole.
    """
    inside, facing = _inside(lot, segments, near), _facing(lot, segments, near, reach)
    chains = {int(segments.chain[k]) for k, _, _, side in facing if side != 0}
    wrong = {}
    along = sorted(inside + facing)
    for number in sorted(chains):
        mine = [(k, t0, t1) for k, t0, t1, _ in along if segments.chain[k] == number]
        k, t0, t1 = (np.array(column) for column in zip(*mine, strict=True))
        way = segments.b[k] - segments.a[k]
        ends = [segments.a[k] + way * t[:, None] for t in (t0, t1)]
        score = land_score(ends[0], ends[1], lot, unit)
        wrong[number] = int(np.sign(score))  # land on the right (score > 0): the left is wrong
    kept = [p for p in facing if p[3] == 0 or p[3] != wrong[int(segments.chain[p[0]])]]
    return inside + kept


def merge_intervals(intervals, gap=TINY):
    """Union of intervals; those closer than ``gap`` become one.

    >>> merge_intervals([(2.0, 3.0), (0.0, 1.0), (1.0, 1.5)])
    [(0.0, 1.5), (2.0, 3.0)]
    """
    out = []
    for low, high in sorted(intervals):
        if out and low <= out[-1][1] + gap:
            out[-1] = (out[-1][0], max(out[-1][1], high))
        else:
            out.append((low, high))
    return out


def _fill_gaps(lot, chain, claims, reach):
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


def _stays_near(lot, chain, low, high, reach):
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


def claims_of(lot, segments, shore, reach, unit=1.0):
    """Chain number -> stretches one lot may claim, before rivals are heard."""
    reach = reach + TINY  # the reach itself is within it, whatever rounding says
    near = np.sort(segments.tree.query(lot, predicate="dwithin", distance=reach))
    if near.size == 0:
        return {}
    shapely.prepare(lot)
    by_chain = defaultdict(list)
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


def _drop_spurs(claims, shore, reach):
    """Leave out short dead ends that branch off the frontage into the lot.

    A pier drawn from a little way inside the land leaves such a stub. It is dropped where it is no
    longer than the reach and the shore runs on to both sides of the place where it starts.
    """
    ends = defaultdict(int)
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
    out = defaultdict(list)
    for number, low, high, nodes in pieces:
        branching = [node for node in nodes if ends[node] >= 3]
        is_dead_end = sum(ends[node] >= 2 for node in nodes) == 1
        if not (branching and is_dead_end and high - low <= reach):
            out[number].append((low, high))
    return dict(out)


def _hold(lots, boundaries, lot, xy):
    """How firmly lots hold points: minus the depth inside, or the distance outside."""
    points = shapely.points(xy)
    outside = shapely.distance(points, lots[lot])
    depth = shapely.distance(points, boundaries[lot])
    return np.where(outside > 0, outside, -depth)


def _settle(
    chain,
    low,
    high,
    rivals,
    lots,
    boundaries,
    unit,
):
    """Divide one interval among the lots that all claim it: asked every foot, cuts by bisection."""
    rival = np.asarray(rivals)

    def owner(s):
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


def share_shore(lots, shore, reach, unit=1.0):
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
    wanted = defaultdict(list)
    if len(shore.chains):
        for number, lot in enumerate(lots):
            for where, intervals in claims_of(lot, segments, shore, reach, unit).items():
                wanted[where] += [(number, low, high) for low, high in intervals]
    won = defaultdict(list)
    shared = defaultdict(float)
    for number, asked in wanted.items():
        chain = shore.chains[number]
        cuts = np.unique([edge for _, low, high in asked for edge in (low, high)])
        between = [[] for _ in cuts[1:]]
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
