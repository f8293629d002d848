"""Side limits of a lot over the water, by four methods.

Map units of one plane CRS. A limit starts at an end of a lot's frontage and runs over the water.
The methods restate the recipes of the state survey bureau's *Guidelines for Allocation of Riparian
Rights* (2013): square to the smoothed shore (conclusion 2), square to a channel or thread
(conclusions 3 and 4), lot lines prolonged, and, in a cove or on a headland, in proportion to
frontage. Each is a proposal; no one rule holds everywhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import shapely

from geotrim.core.shoreline import Array, Shore, arc_lengths

#: A side line ends where it turns by more than 15 degrees.
STRAIGHT_COS = math.cos(math.radians(15.0))
#: Two bends closer than this belong to one place: a limit at a corner is square to its bisector.
CORNER_REACH_FT = 1.0


def left_of(direction: Array) -> Array:
    """The direction turned a quarter to the left: to the water, walking with it on the left.

    >>> left_of(np.array([1.0, 0.0])).tolist()
    [-0.0, 1.0]
    """
    return np.stack([-direction[..., 1], direction[..., 0]], axis=-1)


def bearing_deg(direction: Array) -> float:
    """Bearing of a direction, clockwise from grid north. [deg].

    >>> bearing_deg(np.array([1.0, 0.0])), bearing_deg(np.array([0.0, -1.0]))
    (90.0, 180.0)
    """
    return float(np.degrees(np.arctan2(direction[0], direction[1])) % 360.0)


def square_to_shore(
    shore: Shore, place: tuple[int, float], run: Array, end: int, smoothing: float, unit: float
) -> Array:
    """Unit vector to the water, square to the smoothed shore at an end of a frontage.

    Parameters
    ----------
    shore : Shore
        The whole shoreline, so that neighbours who share the point get the same answer.
    place : (int, float)
        Chain of the shore the end lies on, and its position there.
    run : (n, 2) array
        The frontage the point ends, water on its left; it says which side is water.
    end : int
        0 for the left end of the frontage, -1 for the right.
    smoothing, unit : float
        Smoothing length, and map units in a foot. [map units]
    """
    number, s = place
    chain = shore.chains[number]
    along = chain.direction(np.array([s]), smoothing)[0]
    if chain.corners.size:
        gap = np.abs(chain.corners - s)
        if chain.is_closed:
            gap = np.minimum(gap, chain.length - gap)
        if gap.min() <= CORNER_REACH_FT * unit:
            corner = chain.corners[[int(gap.argmin())]]
            both = chain.direction(corner, smoothing, -1) + chain.direction(corner, smoothing, 1)
            along = both[0] / np.linalg.norm(both[0])
    local = run[1] - run[0] if end == 0 else run[-1] - run[-2]
    sense = float(along @ local)
    if abs(sense) < 0.2 * np.linalg.norm(local):  # a jag at the very end: ask the whole frontage
        whole = run[-1] - run[0]
        sense = float(along @ whole) if np.linalg.norm(whole) > 0 else sense
    return left_of(along if sense >= 0 else -along)


def lot_line_direction(lot: Any, point: Array, run: Array, unit: float) -> Array | None:
    """Unit vector along a lot's side line towards the water, at the end of its frontage.

    The side line is the straight part of the lot's boundary that leaves the frontage at ``point``
    inland; it ends where the boundary turns by more than 15 degrees. None where the lot has no
    boundary that leaves the shore there.
    """
    frontage = shapely.LineString(run)
    best: tuple[float, Array] | None = None
    here = shapely.Point(point)
    for ring in shapely.get_rings(shapely.get_parts(lot)):
        gap = shapely.distance(ring, here)
        if best is not None and gap >= best[0]:
            continue
        found = [_way(line, here, unit) for line in (ring, shapely.reverse(ring))]
        ways = [way for way in found if way is not None]
        if not ways:
            continue
        away = [float(shapely.distance(frontage, shapely.Point(way[1]))) for way in ways]
        start, stop = ways[int(np.argmax(away))]
        if max(away) > 1e-3 * unit:
            best = (gap, (start - stop) / np.linalg.norm(start - stop))
    return None if best is None else best[1]


def _way(ring: Any, here: Any, unit: float) -> tuple[Array, Array] | None:
    """Start and stop of the straight part of a ring that sets out from the place nearest here."""
    xy = shapely.get_coordinates(ring)[:-1]
    s0 = float(shapely.line_locate_point(ring, here))
    start = shapely.get_coordinates(shapely.line_interpolate_point(ring, s0))[0]
    s = arc_lengths(xy)
    # The first vertex more than half a foot on: a corner is where the way starts, not its lead.
    ahead = (s - s0 - 0.5 * unit) % ring.length
    walk = np.roll(xy, -int(np.argmin(ahead)), axis=0)
    x0, y0 = start.tolist()
    steps = walk.tolist()
    lead_x, lead_y = steps[0][0] - x0, steps[0][1] - y0
    lead = math.hypot(lead_x, lead_y)
    stop = steps[0]
    for (x, y), nxt in pairwise(steps):
        turn_x, turn_y = nxt[0] - x, nxt[1] - y
        size = max(lead * math.hypot(turn_x, turn_y), 1e-30)
        if (lead_x * turn_x + lead_y * turn_y) / size < STRAIGHT_COS:
            break
        stop = nxt
    return None if stop == [x0, y0] else (start, np.array(stop))


def square_to_line(point: Array, line: Any) -> Array:
    """Where the shortest way from a point meets a line: the foot of its perpendicular, (2,)."""
    way = shapely.shortest_line(shapely.Point(point), line)
    return shapely.get_coordinates(way)[-1]


def proportional_cuts(frontage_lengths: Sequence[float], mouth_length: float) -> Array:
    """Positions along a mouth line that divide it in proportion to frontages.

    Examples
    --------
    Frontages of 100, 200 and 300 on a mouth of 240 get 40, 80 and 120.

    >>> proportional_cuts([100.0, 200.0, 300.0], 240.0).tolist()
    [0.0, 40.0, 120.0, 240.0]
    """
    share = np.concatenate([[0.0], np.cumsum(np.asarray(frontage_lengths, dtype=np.float64))])
    return share / share[-1] * mouth_length


def water_polygon(run: Array, left: Array, right: Array, outer: Array) -> Any:
    """The water in front of a frontage: between its limits, out to ``outer``.

    Parameters
    ----------
    run : (n, 2) array
        The frontage, left to right.
    left, right : (2, 2) arrays
        The limits, from the shore outward. Where they cross, both end at the crossing.
    outer : (m, 2) array
        The seaward edge, from the left limit to the right one.

    Returns
    -------
    Polygon or MultiPolygon
        May be empty.
    """
    one, other = shapely.LineString(left), shapely.LineString(right)
    cross = shapely.intersection(one, other)
    if not shapely.is_empty(cross):
        tip = shapely.get_coordinates(cross)[:1]
        ring = np.concatenate([run, tip])
    else:
        ring = np.concatenate([run, outer[::-1]])
    shape = shapely.make_valid(shapely.Polygon(ring), method="structure")
    parts = [p for p in shapely.get_parts(shape) if shapely.get_type_id(p) == 3]
    front = shapely.LineString(run)
    # A fold far from the shore is no one's water: keep what touches the frontage.
    near = [p for p in parts if shapely.distance(p, front) <= 1e-6]
    return shapely.union_all(near) if near else shapely.Polygon()


def water_around(ring: Array, length: float) -> Any:
    """The water within ``length`` of a shore that closes on itself, water on its left."""
    inside = shapely.make_valid(shapely.Polygon(ring))
    near = shapely.buffer(shapely.LinearRing(ring), length)
    if shapely.is_ccw(shapely.LinearRing(ring)):  # a pond: the water is inside
        return shapely.intersection(near, inside)
    return shapely.difference(near, inside)


def crossings(lines: Sequence[Any]) -> list[tuple[int, int]]:
    """Pairs of limits that cross away from their shore ends.

    Limits that two neighbours share, or that meet only where they start or end, do not cross.
    """
    out: list[tuple[int, int]] = []
    if not lines:
        return out
    first, second = shapely.STRtree(list(lines)).query(list(lines), predicate="intersects")
    for i, j in zip(first, second, strict=True):
        if i >= j:
            continue
        point = shapely.intersection(lines[i], lines[j])
        if shapely.get_type_id(point) != 0:
            continue  # they run together: the same limit
        ends = [
            shapely.Point(shapely.get_coordinates(lines[k])[e]) for k in (i, j) for e in (0, -1)
        ]
        if all(shapely.distance(point, end) > 1e-6 for end in ends):
            out.append((int(i), int(j)))
    return out
