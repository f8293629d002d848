"""Where a lot holds or faces the shore: the pieces it may claim, before gaps and rivals.

See :mod:`geotrim.core.claims` for the rules in words.
"""

from __future__ import annotations

from collections import defaultdict
from itertools import pairwise
from typing import Any

import numpy as np
import shapely

from geotrim.core.shoreline import Array, Shore, land_score

#: An edge that runs within this of the shore faces it; one that runs more across it is a side line.
FACING_COS = np.cos(np.radians(45.0))
#: Positions closer than this are one, in map units: far below survey accuracy, far above rounding.
TINY = 1e-6
SAMPLES = 9

#: Segment number, from, to (shares of the segment), and the side the lot's edge is on: -1 right of
#: the segment, +1 left, 0 on it or inside the lot.
Piece = tuple[int, float, float, int]


class Segments:
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


def gaps_to(shapes: Any, shore: Shore) -> Array:
    """Distance from each shape to the shore. [map units]."""
    gaps = np.full(len(shapes), np.inf)
    (index, _), gap = Segments(shore).tree.query_nearest(
        shapes, return_distance=True, all_matches=False
    )
    gaps[index] = gap
    return gaps


def _lot_edges(lot: Any) -> tuple[Array, Array]:
    """Both ends of every boundary edge of a lot."""
    starts, ends = [], []
    for ring in shapely.get_rings(shapely.get_parts(lot)):
        xy = shapely.get_coordinates(ring)
        starts.append(xy[:-1])
        ends.append(xy[1:])
    return np.concatenate(starts), np.concatenate(ends)


def _inside(lot: Any, segments: Segments, near: Any) -> list[Piece]:
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


def _shadows(
    segments: Segments, k: Any, a: Array, b: Array, near: float, far: float
) -> tuple[Any, Array, Array, Array, Array, Array]:
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


def _is_faced(lot: Any, beside: Any, p: Array, q: Array) -> Any:
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


def _true_parts(
    test: Any, low: Array, high: Array, longest: float
) -> list[tuple[int, float, float]]:
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


def _facing(lot: Any, segments: Segments, near: Any, reach: float) -> list[Piece]:
    """Pieces where a lot edge faces the shore within the reach, on whichever side."""
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
        rest = np.nonzero(is_any & ~on_line)[0]
        shadows.append((np.full(rest.size, side), rest, *(part[rest] for part in shadow)))
    sides, pair, t0, t1, u0, u1 = (np.concatenate(column) for column in zip(*shadows, strict=True))
    if pair.size == 0:
        return out
    k, edge = k[pair], edge[pair]
    way, span = segments.b[k] - segments.a[k], b[edge] - a[edge]
    beside = shapely.multilinestrings(segments.lines[near])
    shapely.prepare(beside)

    def test(row: Any, w: Array) -> Any:
        t = t0[row] + w * (t1[row] - t0[row])
        u = u0[row] + w * (u1[row] - u0[row])
        p = segments.a[k[row]] + t[:, None] * way[row]
        q = a[edge[row]] + u[:, None] * span[row]
        return _is_faced(lot, beside, p, q)

    longest = float((np.abs(t1 - t0) * segments.length[k]).max())
    for row, low, high in _true_parts(test, t0, t1, longest):
        out.append((int(k[row]), min(low, high), max(low, high), int(sides[row])))
    return out


def pieces_of(
    lot: Any, segments: Segments, shore: Shore, near: Any, reach: float, unit: float
) -> list[Piece]:
    """Pieces of shore that lie in a lot or that it faces from its land side.

    A shore has land on one side all along, so a lot that spreads out over the water does not face
    the line from there. Which side is land is asked of each chain as a whole.
    """
    inside, facing = _inside(lot, segments, near), _facing(lot, segments, near, reach)
    chains = {int(segments.chain[k]) for k, _, _, side in facing if side != 0}
    wrong = {}
    for number in sorted(chains):
        mine = [(k, t0, t1) for k, t0, t1, _ in inside + facing if segments.chain[k] == number]
        k, t0, t1 = (np.array(column) for column in zip(*mine, strict=True))
        way = segments.b[k] - segments.a[k]
        ends = [segments.a[k] + way * t[:, None] for t in (t0, t1)]
        score = land_score(ends[0], ends[1], lot, unit)
        wrong[number] = int(np.sign(score))  # land on the right (score > 0): the left is wrong
    kept = [p for p in facing if p[3] == 0 or p[3] != wrong[int(segments.chain[p[0]])]]
    return inside + kept
