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
import shapely
from shapely.ops import substring

from geotrim.core.claims import Claim
from geotrim.core.shoreline import TINY, Array, Shore, arc_lengths, land_score


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
    numbers = sorted({c.chain for c in claims})
    corners = [
        point
        for n in numbers
        for point in shapely.points(shore.chains[n].at(shore.chains[n].corners))
    ]
    runs = []
    for line in lines:
        xy = shapely.get_coordinates(line)
        score = land_score(xy[:-1], xy[1:], lot, unit)
        if score < 0:
            xy = xy[::-1]
        is_closed = bool(np.linalg.norm(xy[0] - xy[-1]) <= TINY and len(xy) > 3)
        if is_closed:
            xy = _start_ring(xy, corners, lot)
        runs.append(Run(_cut_at(xy, corners), is_closed, abs(score) > 0.02))
    return _in_order(runs, lot)


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
