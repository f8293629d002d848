"""From a lot's claims to its stretches: joined, turned to the water, cut at corners, stationed.

A *run* is a connected piece of a lot's frontage. A run is cut into *stretches* where the shore
turns a corner. Runs are directed so that the water is on their left: station 0 is the left end for
someone who looks to the water.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from shapely.ops import substring

from geotrim.core import _shore_kernels, _stretch_kernels
from geotrim.core.claims import Claim, Shares, edges_of
from geotrim.core.coverage import Ints, rings_of
from geotrim.core.near_shore import shoreline_of
from geotrim.core.shoreline import (
    SIDE_DISTANCES_FT,
    TINY,
    Array,
    Shore,
    arc_lengths,
    land_score,
)

#: A lot whose share on one side is greater than on the other by no more than this lies on both.
SURE_FRAC = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """A connected piece of frontage.

    stretches : vertices of each stretch, water on the left, left to right.
    is_closed : the whole shore of an island: no ends.
    is_side_sure : False where the lot lies as much on one side as on the other.
    """

    stretches: tuple[Array, ...]
    is_closed: bool
    is_side_sure: bool


def length_of(xy: Array) -> float:
    """Length along a line of vertices."""
    return float(np.linalg.norm(np.diff(xy, axis=0), axis=1).sum())


def chord_of(xy: Array) -> float:
    """Straight distance between its ends."""
    return float(np.linalg.norm(xy[-1] - xy[0]))


def _cut_at(xy: Array, corners: Any) -> tuple[Array, ...]:
    """Cut a line of vertices at those points that lie on it, ends apart."""
    line = shapely.LineString(xy)
    on_it = [c for c in corners if shapely.distance(line, c) <= TINY]
    where = np.sort([float(shapely.line_locate_point(line, c)) for c in on_it])
    where = where[(where > 10 * TINY) & (where < line.length - 10 * TINY)]
    s = arc_lengths(xy)
    edges = np.concatenate([[0.0], where, [s[-1]]])
    out = []
    for low, high in pairwise(edges):
        inner = s[(s > low + TINY) & (s < high - TINY)]
        places = np.concatenate([[low], inner, [high]])
        out.append(np.stack([np.interp(places, s, xy[:, 0]), np.interp(places, s, xy[:, 1])], 1))
    return tuple(out)


def _start_ring(xy: Array, corners: Any, lot: Any) -> Array:
    """Turn a closed run so that it starts at a corner, or else at its southernmost vertex."""
    ring = xy[:-1]
    start = int(np.lexsort((ring[:, 0], ring[:, 1]))[0])
    for corner in corners:
        gap = np.linalg.norm(ring - shapely.get_coordinates(corner)[0], axis=1)
        if gap.min() <= TINY:
            start = int(gap.argmin())
            break
    ring = np.roll(ring, -start, axis=0)
    return np.concatenate([ring, ring[:1]])


def runs_of(claims: Sequence[Claim], shore: Shore, lot: Any, unit: float) -> list[Run]:
    """Runs of one lot's frontage, in order around the lot.

    Parameters
    ----------
    claims : of this lot alone
    shore : Shore
    lot : Polygon or MultiPolygon
    unit : float
        Map units in a foot.
    """
    if not claims:
        return []
    pieces = [shore.chains[c.chain].part(c.low, c.high) for c in claims]
    merged = shapely.line_merge(shapely.multilinestrings([shapely.linestrings(p) for p in pieces]))
    lines = [part for part in shapely.get_parts(merged) if shapely.length(part) > 10 * TINY]
    corners = _corners_on(claims, shore)
    runs = []
    for line in lines:
        xy = shapely.get_coordinates(line)
        score = land_score(xy[:-1], xy[1:], lot, unit)
        if score < 0:
            xy = xy[::-1]
        is_closed = bool(np.linalg.norm(xy[0] - xy[-1]) <= TINY and len(xy) > 3)
        if is_closed:
            xy = _start_ring(xy, corners, lot)
        runs.append(Run(_cut_at(xy, corners), is_closed, abs(score) > SURE_FRAC))
    return _in_order(runs, lot)


def _corners_on(claims: Sequence[Claim], shore: Shore) -> list[Any]:
    """Corners of the shore that lie on claims, chain by chain, as points."""
    out: list[Any] = []
    for number in sorted({c.chain for c in claims}):
        chain = shore.chains[number]
        at = chain.corners
        mine = [(c.low, c.high) for c in claims if c.chain == number]
        is_on = [(at >= low - TINY) & (at <= high + TINY) for low, high in mine]
        out.extend(shapely.points(chain.at(at[np.any(is_on, axis=0)])))
    return out


def _in_order(runs: list[Run], lot: Any) -> list[Run]:
    """Order runs clockwise around the lot, starting after the longest way without frontage."""
    if len(runs) < 2:
        return runs
    parts = shapely.get_parts(lot)
    ring = shapely.get_exterior_ring(parts[int(np.argmax(shapely.area(parts)))])
    ring = ring if not shapely.is_ccw(ring) else shapely.reverse(ring)
    around = float(ring.length)

    def place(run: Run, end: int) -> float:
        xy = run.stretches[0][0] if end == 0 else run.stretches[-1][-1]
        return float(shapely.line_locate_point(ring, shapely.Point(xy)))

    ordered = sorted(runs, key=lambda run: place(run, 0))
    gaps = [(place(run, 0) - place(ordered[i - 1], 1)) % around for i, run in enumerate(ordered)]
    first = int(np.argmax(gaps))
    return ordered[first:] + ordered[:first]


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """Stretches of many lots, lot by lot, each lot's in order around it.

    lot : (m,) number of the lot. run : (m,) number of the run within the lot, from 0.
    is_side_sure : (m,) of the run.
    length, chord : (m,) along the line and straight. [map units]
    line : (m,) array of LineString, water on the left.
    """

    lot: Ints
    run: Ints
    is_side_sure: npt.NDArray[np.bool_]
    length: Array
    chord: Array
    line: Any


def stretches_of(shares: Shares, shore: Shore, lots: Any, unit: float) -> Stretches:
    """Stretches of all lots that have some.

    A lot with one claim, which does not go all the way round a shore, is cut by compiled code; for
    the others see :func:`runs_of`. Both give the same.

    Parameters
    ----------
    shares : Shares
    shore : Shore
    lots : (n,) array of Polygon or MultiPolygon
    unit : float
        Map units in a foot.
    """
    is_closed = np.array([chain.is_closed for chain in shore.chains], dtype=bool)
    ends = np.array([chain.length for chain in shore.chains])
    is_round = is_closed[shares.chain] & (shares.low <= TINY)
    is_round &= shares.high >= ends[shares.chain] - TINY
    is_one = (np.bincount(shares.lot, minlength=len(lots))[shares.lot] == 1) & ~is_round
    one = _cut_alone(shares, np.flatnonzero(is_one), shore, lots, unit)
    rest = _cut_rest(shares, np.flatnonzero(~is_one), shore, lots, unit)
    order = np.argsort(np.concatenate([one.lot, rest.lot]), kind="stable")
    return Stretches(
        *(np.concatenate([getattr(part, name) for part in (one, rest)])[order] for name in _NAMES)
    )


_NAMES = tuple(Stretches.__slots__)


def _cut_alone(shares: Shares, which: Ints, shore: Shore, lots: Any, unit: float) -> Stretches:
    """Stretches of claims that are each a lot's only one."""
    corners = [chain.corners for chain in shore.chains]
    first = np.concatenate([[0], np.cumsum([len(part) for part in corners])]).astype(np.int64)
    lot = shares.lot[which]
    edges, edge_offsets = edges_of(rings_of(lots[lot], "lots"))
    xy, stops, owner, leans = _stretch_kernels.cut_claims(
        shoreline_of(shore),
        np.concatenate([np.empty(0), *corners]),
        first,
        shares.chain[which],
        shares.low[which],
        shares.high[which],
        edges,
        edge_offsets,
        unit,
        SURE_FRAC * _shore_kernels.N_SIDES * len(SIDE_DISTANCES_FT),
    )
    sizes = np.diff(stops, prepend=0)
    number = np.repeat(np.arange(len(stops)), sizes)
    step = np.append(np.linalg.norm(np.diff(xy, axis=0), axis=1), 0.0)
    step[stops - 1] = 0.0  # from a stretch to the next
    length = np.bincount(number, weights=step, minlength=len(stops)).astype(np.float64)
    chord = np.linalg.norm(xy[stops - 1] - xy[stops - sizes], axis=1)
    is_sure = (np.abs(leans) > SURE_FRAC * _shore_kernels.N_SIDES * len(SIDE_DISTANCES_FT))[owner]
    run = np.zeros(len(stops), dtype=np.int64)
    lines = shapely.linestrings(xy, indices=number)
    return Stretches(lot[owner], run, is_sure, length, chord, lines)


def _cut_rest(shares: Shares, which: Ints, shore: Shore, lots: Any, unit: float) -> Stretches:
    """Stretches of lots with several claims, or with a whole island, a lot at a time."""
    claims: dict[int, list[Claim]] = {}
    for i in which.tolist():
        claim = Claim(
            int(shares.lot[i]), int(shares.chain[i]), float(shares.low[i]), float(shares.high[i])
        )
        claims.setdefault(claim.lot, []).append(claim)
    found = [
        (lot, number, run.is_side_sure, xy)
        for lot, mine in claims.items()
        for number, run in enumerate(runs_of(mine, shore, lots[lot], unit))
        for xy in run.stretches
    ]
    lines = np.empty(len(found), dtype=object)
    lines[:] = [shapely.LineString(xy) for *_, xy in found]
    return Stretches(
        np.array([row[0] for row in found], dtype=np.int64),
        np.array([row[1] for row in found], dtype=np.int64),
        np.array([row[2] for row in found], dtype=bool),
        np.array([length_of(row[3]) for row in found]),
        np.array([chord_of(row[3]) for row in found]),
        lines,
    )


def lot_region(lot: Any, water: Any, runs: Sequence[Array], reach: float) -> Any:
    """Where a tree belongs to a lot: the lot, the water between its limits, and the strip between.

    The strip closes the gap of a lot that stops short of the shore by up to the reach.
    """
    parts = [lot, water]
    if reach > 0:
        lines = [shapely.LineString(xy) for xy in runs]
        parts += [shapely.buffer(line, -reach, single_sided=True) for line in lines]
    return shapely.union_all([shapely.make_valid(part, method="structure") for part in parts])


def joined(lines: Any) -> Array:
    """Vertices of stretches that follow one another, as one line."""
    parts = [shapely.get_coordinates(line) for line in lines]
    return np.concatenate([parts[0], *[part[1:] for part in parts[1:]]])


def side_lines(lot: Any, runs: Sequence[Array]) -> Any:
    """Boundary of a lot without its waterfront.

    The waterfront of a run is the part of the boundary between the places nearest to the run's two
    ends, on the side where the run is; the whole boundary where the run closes on itself.
    """
    rest = []
    for ring in shapely.get_rings(shapely.get_parts(lot)):
        keep = ring
        for xy in runs:
            front = shapely.LineString(xy)
            if np.linalg.norm(xy[0] - xy[-1]) <= TINY:
                same = shapely.hausdorff_distance(ring, front) < ring.length / 100
                keep = shapely.LineString() if same else keep
                continue
            low, high = sorted(float(ring.project(shapely.Point(xy[e]))) for e in (0, -1))
            if high - low <= 10 * TINY:
                continue
            within = substring(ring, low, high)
            around = shapely.union_all(
                [substring(ring, 0, low), substring(ring, high, ring.length)]
            )
            arcs = (within, around)
            gap = [float(shapely.distance(_middle(arc), front)) for arc in arcs]
            near = arcs[int(np.argmin(gap))]
            if min(gap) <= front.length / 2:
                keep = shapely.intersection(keep, arcs[1 - int(np.argmin(gap))]) if near else keep
        rest.append(keep)
    return shapely.union_all(rest)


def _middle(arc: Any) -> Any:
    """A point halfway along an arc that may come in two pieces around a ring's start."""
    line = shapely.line_merge(arc)
    line = line if shapely.get_type_id(line) == 1 else shapely.get_parts(line)[0]
    return line.interpolate(0.5, normalized=True)
