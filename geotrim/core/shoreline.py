"""A shoreline as chains: positions, directions and corners along it.

Everything here is in map units of one plane CRS. A *chain* is a connected line without branches; a
position on it is its arc length ``s`` from the chain's start. The *smoothed direction* at ``s`` is
the direction of the chord from ``s - w/2`` to ``s + w/2``, ``w`` the smoothing length: it is the
exact tangent of the moving average of the line over ``w``. Smoothing never reaches across a corner
or past the end of a chain.
"""

from __future__ import annotations

from bisect import bisect
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

Array = npt.NDArray[np.float64]

#: Positions closer than this are one, in map units: far below survey accuracy, far above rounding.
TINY = 1e-6
#: Distances from the line at which it is asked on which side the lot lies. [ft]
SIDE_DISTANCES_FT = (0.5, 1.5, 5.0, 15.0, 40.0, 100.0)


def arc_lengths(xy: Array) -> Array:
    """Length along a line up to each of its vertices, (n,).

    >>> arc_lengths(np.array([[0.0, 0.0], [3.0, 4.0], [3.0, 5.0]])).tolist()
    [0.0, 5.0, 6.0]
    """
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(xy, axis=0), axis=1))])


@dataclass(frozen=True, slots=True, eq=False)
class Chain:
    """One connected line.

    xy : (n, 2) vertices. s : (n,) arc length at each. corners : (k,) positions where the line turns
    sharply, rising. On a closed chain the first vertex is repeated at the end.
    """

    xy: Array
    s: Array
    is_closed: bool
    corners: Array

    @property
    def length(self) -> float:
        return float(self.s[-1])

    def at(self, s: npt.ArrayLike) -> Array:
        """Points at positions ``s``, (..., 2): wrapped on a closed chain, else clipped."""
        where = np.asarray(s, dtype=np.float64)
        if self.is_closed:
            # The closing position itself is kept: 0 and length are the same point.
            where = np.where((where < 0) | (where > self.length), where % self.length, where)
        x = np.interp(where, self.s, self.xy[:, 0])
        y = np.interp(where, self.s, self.xy[:, 1])
        return np.stack([x, y], axis=-1)

    def leg(self, s: Array, side: int = 0) -> tuple[Array, Array]:
        """Ends of the corner-free leg that holds each position.

        ``side`` says which leg a position on a corner belongs to: -1 the one before, +1 the one
        after, 0 the one after except at the very end.
        """
        if self.is_closed and self.corners.size == 0:
            return s - self.length / 2, s + self.length / 2
        if self.is_closed:
            period = self.length
            bounds = np.concatenate(
                [[self.corners[-1] - period], self.corners, [self.corners[0] + period]]
            )
        else:
            bounds = np.concatenate([[0.0], self.corners, [self.length]])
        nudge = 1e-7 * max(self.length, 1.0)
        where = s + (nudge if side >= 0 else -nudge)
        k = np.clip(np.searchsorted(bounds, where, side="right") - 1, 0, bounds.size - 2)
        return bounds[k], bounds[k + 1]

    def direction(self, s: npt.ArrayLike, smoothing: float, side: int = 0) -> Array:
        """Unit vectors of the smoothed line at ``s``, along the chain, (..., 2)."""
        where = np.asarray(s, dtype=np.float64)
        low, high = self.leg(where, side)
        half = max(smoothing / 2, 1e-6 * max(self.length, 1e-9))
        chord = self.at(np.minimum(where + half, high)) - self.at(np.maximum(where - half, low))
        size = np.linalg.norm(chord, axis=-1, keepdims=True)
        # A window that closes on itself (a loop shorter than it) has no chord: take the whole leg.
        whole = self.at(high) - self.at(low)
        chord = np.where(size > 1e-12 * max(self.length, 1e-9), chord, whole)
        size = np.linalg.norm(chord, axis=-1, keepdims=True)
        return np.divide(chord, size, out=np.full_like(chord, np.nan), where=size > 0)

    def part(self, low: float, high: float) -> Array:
        """Vertices from position ``low`` to ``high`` (``high`` may pass a closed chain's end)."""
        inside = self._vertices(low, high)
        if self.is_closed and high > self.length:
            again = self._vertices(max(low - self.length, 0.0), high - self.length)
            inside = np.concatenate([inside, again + self.length])
        return self.at(np.concatenate([[low], np.unique(inside), [high]]))

    def _vertices(self, low: float, high: float) -> Array:
        """Positions of the vertices strictly between two positions."""
        first = np.searchsorted(self.s, low, side="right")
        return self.s[first : max(first, np.searchsorted(self.s, high, side="left"))]


@dataclass(frozen=True, slots=True, eq=False)
class Shore:
    """All chains of a shoreline, with an index to find the nearest."""

    chains: tuple[Chain, ...]
    tree: Any

    def locate(self, point: Any) -> tuple[int, float]:
        """Nearest chain to a point, and the position on it."""
        index = int(self.tree.nearest(point))
        return index, float(shapely.line_locate_point(self.tree.geometries[index], point))


def turn_deg(chain_xy: Array, s: Array, is_closed: bool, reach: float) -> Array:
    """How far the line turns at each vertex, seen over ``reach`` on either side. [deg].

    The angle between the chord that arrives at the vertex and the one that leaves it. 0 where a
    side is shorter than a quarter of ``reach``: too little line to tell a corner from a wiggle.
    """
    bare = Chain(chain_xy, s, is_closed, np.empty(0))
    here = chain_xy
    back = here - bare.at(s - reach)
    ahead = bare.at(s + reach) - here
    cross = back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0]
    turn = np.degrees(np.abs(np.arctan2(cross, (back * ahead).sum(axis=1))))
    if not is_closed:
        turn[(s < reach / 4) | (s > s[-1] - reach / 4)] = 0.0
    return turn


def find_corners(
    xy: Array, s: Array, is_closed: bool, smoothing: float, corner_deg: float
) -> Array:
    """Positions where the line turns by more than ``corner_deg`` within the smoothing length.

    Of several vertices around one bend the sharpest is the corner; the next corner is at least
    half a smoothing length away.
    """
    reach = max(smoothing / 2, 1e-6 * float(s[-1]))
    turn = turn_deg(xy, s, is_closed, reach)
    around = float(s[-1]) if is_closed else np.inf
    corners: list[float] = []  # rising
    for k in np.argsort(-turn, kind="stable"):
        if turn[k] <= corner_deg:
            break
        here = float(s[k])
        place = bisect(corners, here)
        beside = [corners[place - 1], corners[place % len(corners)]] if corners else []
        gaps = [abs(here - other) for other in beside]
        if all(min(gap, around - gap) >= reach for gap in gaps):
            corners.insert(place, here)
    return np.asarray(corners, dtype=np.float64)


def build_shore(lines: Any, smoothing: float, corner_deg: float = 60.0) -> Shore:
    """Chains of a shoreline given as any lines: duplicates dropped, crossings made into nodes.

    Parameters
    ----------
    lines : array of LineString or MultiLineString
        In one plane CRS.
    smoothing : float
        Smoothing length. [map units]
    corner_deg : float
        Turn that makes a corner. [deg]
    """
    merged = shapely.line_merge(shapely.unary_union(shapely.force_2d(np.asarray(lines))))
    parts = [part for part in shapely.get_parts(merged) if shapely.length(part) > 0]
    parts = [part for part in parts if shapely.get_type_id(part) == 1]
    chains = []
    for part in parts:
        xy = shapely.get_coordinates(part)
        step = np.linalg.norm(np.diff(xy, axis=0), axis=1)
        xy = xy[np.concatenate([[True], step > 0])]
        s = np.concatenate([[0.0], np.cumsum(step[step > 0])])
        is_closed = bool((xy[0] == xy[-1]).all())
        corners = find_corners(xy, s, is_closed, smoothing, corner_deg)
        xy = np.asfortranarray(xy)  # x and y each in one piece: positions are read column by column
        chains.append(Chain(xy, s, is_closed, corners))
    return Shore(tuple(chains), shapely.STRtree([shapely.LineString(c.xy) for c in chains]))


def land_score(a: Array, b: Array, lot: Any, unit: float) -> float:
    """How much more of the lot lies to the right of line pieces than to their left, -1 to 1.

    Asked at 40 places spread evenly along the pieces and at several distances from them.

    Parameters
    ----------
    a, b : (n, 2) arrays
        Start and end of each piece, all in one sense along the shore.
    lot : Polygon or MultiPolygon
    unit : float
        Map units in a foot.
    """
    step = b - a
    size = np.linalg.norm(step, axis=1)
    s = np.concatenate([[0.0], np.cumsum(size)])
    if s[-1] <= 0:
        return 0.0
    where = (np.arange(40) + 0.5) / 40 * s[-1]
    k = np.clip(np.searchsorted(s, where, side="right") - 1, 0, len(size) - 1)
    way = step[k] / size[k][:, None]
    here = a[k] + way * (where - s[k])[:, None]
    right = np.stack([way[:, 1], -way[:, 0]], axis=1)
    away = np.array(SIDE_DISTANCES_FT)[:, None, None] * unit * right
    ask = np.concatenate([(here + away).reshape(-1, 2), (here - away).reshape(-1, 2)])
    found = shapely.intersects_xy(lot, ask[:, 0], ask[:, 1])
    half = len(ask) // 2
    return float(found[:half].sum() - found[half:].sum()) / half
