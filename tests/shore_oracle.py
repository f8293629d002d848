"""A second, slow answer to who owns which foot of a shore, for comparison only.

Points are set out along the shore and each is asked by itself, with nothing but the rules in the
docstring of ``geotrim.core.claims``. No interval, bisection or index is used.
"""

from __future__ import annotations

from itertools import groupby, pairwise

import numpy as np
import shapely

TINY = 1e-6


class UnsureError(Exception):
    """The lot lies as much on one side of the shore as on the other."""


def set_out(xy, step):
    """Middles of pieces no longer than ``step``: points, directions, lengths, positions."""
    parts, start = [], 0.0
    for a, b in pairwise(xy):
        length = float(np.hypot(*(b - a)))
        n = max(1, int(np.ceil(length / step)))
        t = (np.arange(n) + 0.5) / n
        way = np.repeat(((b - a) / length)[None], n, axis=0)
        parts.append((a + t[:, None] * (b - a), way, np.full(n, length / n), start + t * length))
        start += length
    return tuple(np.concatenate(column) for column in zip(*parts, strict=True))


def faced(lot, points, ways, shore, reach):
    """Which points a lot edge faces (rule 2): from the left, from the right, from on the line."""
    left, right, on = (np.zeros(len(points), dtype=bool) for _ in range(3))
    square = np.stack([-ways[:, 1], ways[:, 0]], axis=1)
    rings = [shapely.get_coordinates(r) for r in shapely.get_rings(shapely.get_parts(lot))]
    for a, b in (edge for ring in rings for edge in pairwise(ring)):
        span = b - a
        with np.errstate(divide="ignore", invalid="ignore"):
            across = square[:, 0] * span[1] - square[:, 1] * span[0]
            to = a - points
            h = (to[:, 0] * span[1] - to[:, 1] * span[0]) / across
            u = (to[:, 0] * square[:, 1] - to[:, 1] * square[:, 0]) / across
        is_along = np.abs(ways @ span) >= np.hypot(*span) * np.cos(np.radians(45.0))
        k = np.nonzero(is_along & (u >= 0) & (u <= 1) & (np.abs(h) <= reach + TINY))[0]
        met = points[k] + h[k, None] * square[k]
        sight = shapely.linestrings(np.stack([points[k], met], axis=1))
        is_clear = shapely.length(shapely.intersection(sight, lot)) <= 2 * TINY
        k = k[is_clear & (shapely.distance(shapely.points(met), shore) >= np.abs(h[k]) - TINY)]
        on[k[np.abs(h[k]) <= TINY]] = True
        left[k[h[k] > TINY]], right[k[h[k] < -TINY]] = True, True
    return left, right, on


def land_side(lot, points, ways):
    """1 where the lot lies to the left of the points taken together, -1 to the right."""
    square = np.stack([-ways[:, 1], ways[:, 0]], axis=1)
    score = 0.0
    for away in (0.5, 1.5, 5.0, 15.0, 40.0, 100.0):
        for side in (1, -1):
            score += side * shapely.intersects_xy(lot, *(points + side * away * square).T).mean()
    if abs(score) < 0.3:
        raise UnsureError
    return np.sign(score)


def bridged(got, near, is_closed):
    """Rule 3: gaps between two claims that stay near are claimed too."""
    if not got.any():
        return got
    first = int(np.argmax(got)) if is_closed else 0
    got, near = np.roll(got, -first), np.roll(near, -first)
    out, at = got.copy(), 0
    for is_claim, group in groupby(got):
        stop = at + len(list(group))
        is_between = is_closed or (got[:at].any() and got[stop:].any())
        if not is_claim and is_between and near[at:stop].all():
            out[at:stop] = True
        at = stop
    return np.roll(out, first)


def owners(lots, shore, reach, step):
    """For each chain: lengths and positions of its points, and the number of the owner or -1.

    The last of a chain's arrays says where two lots hold a point equally.
    """
    lines = shapely.union_all([shapely.LineString(chain.xy) for chain in shore.chains])
    shapely.prepare(lines)
    out = []
    for chain in shore.chains:
        points, ways, lengths, s = set_out(chain.xy, step)
        hold = np.full((len(lots), len(points)), np.inf)
        for number, lot in enumerate(lots):
            away = shapely.distance(shapely.points(points), lot)
            near = np.nonzero(away <= reach + TINY)[0]
            left, right, sure = (np.zeros(len(points), dtype=bool) for _ in range(3))
            left[near], right[near], sure[near] = faced(lot, points[near], ways[near], lines, reach)
            sure |= away <= 1e-9
            any_ = np.nonzero(left | right | sure)[0]
            if any_.size == 0:
                continue
            side = land_side(lot, points[any_], ways[any_])
            got = sure | (left if side > 0 else right)
            got = bridged(got, away <= reach + TINY, chain.is_closed)
            depth = shapely.distance(shapely.points(points), shapely.boundary(lot))
            hold[number, got] = np.where(away > 0, away, -depth)[got]
        best = hold.min(axis=0)
        owner = np.where(np.isfinite(best), np.argmax(hold <= best + TINY, axis=0), -1)
        is_tie = np.isfinite(best) & ((hold <= best + 10 * TINY).sum(axis=0) > 1)
        out.append((lengths, s, owner, is_tie))
    return out


def disagreements(lots, shore, reach, claims, step=0.1):
    """Stretches longer than four steps where claims and oracle differ: (length, chain, from, to).

    What the coarse steps cannot tell is asked again in finer ones.
    """
    found = []
    for number, (lengths, s, owner, is_tie) in enumerate(owners(lots, shore, reach, step)):
        got = np.full(len(s), -1)
        for claim in claims:
            if claim.chain == number:
                got[(s > claim.low) & (s < claim.high)] = claim.lot
        bad = np.nonzero((owner != got) & ~(is_tie & (got >= 0)))[0]
        for run in np.split(bad, np.nonzero(np.diff(bad) > 1)[0] + 1):
            if lengths[run].sum() > 4 * step:
                found.append((lengths[run].sum(), number, s[run[0]], s[run[-1]]))
    if found and step > 0.005:
        return disagreements(lots, shore, reach, claims, step / 5)
    return found
