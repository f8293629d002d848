"""The fringe along a shore: where trees stand on it, and how deep it is square to it.

Map units of one plane CRS. The *baseline* of a stretch is its smoothed line: the moving average
over the smoothing length, whose tangent is the smoothed direction. A tree's *station* is the place
on the baseline from which it stands square; its *offset* is how far it stands from there, positive
to the water. Depth is a difference of offsets, so it does not matter where between land and water
the line was drawn.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core import _fringe_kernels as kernels
from geotrim.core.riparian import left_of
from geotrim.core.shoreline import Array, Chain, Shore, arc_lengths

#: A baseline has a vertex at least this often. [ft]
BASELINE_STEP_FT = 2.0
#: Crown outlines are followed in steps no longer than this. [ft]
OUTLINE_STEP_FT = 0.5


def moving_average(xy: Array, smoothing: float, where: Array) -> Array:
    """Smoothed line: the mean of the line over a window centred on each position.

    The window shrinks towards the ends, so that they stay where they are. The mean of a polyline
    over an interval is exact: its integral is piecewise quadratic.

    Parameters
    ----------
    xy : (n, 2) array
    smoothing : float
        Width of the window; 0 keeps the line. [map units]
    where : (m,) array
        Arc lengths on the line at which it is asked for. [map units]

    Returns
    -------
    smoothed : (m, 2) array
    """
    middle = xy.mean(axis=0)  # sums of coordinates in the millions would lose digits
    xy = xy - middle
    size = np.linalg.norm(np.diff(xy, axis=0), axis=1)
    s = np.concatenate([[0.0], np.cumsum(size)])
    length = float(s[-1])
    half = np.minimum(smoothing / 2, np.minimum(where, length - where))
    area = np.concatenate([[[0.0, 0.0]], np.cumsum((xy[1:] + xy[:-1]) / 2 * size[:, None], 0)])

    def integral(at: Array) -> Array:
        k = np.clip(np.searchsorted(s, at, side="right") - 1, 0, size.size - 1)
        into = (at - s[k])[:, None]
        way = np.divide(xy[k + 1] - xy[k], size[k][:, None])
        return area[k] + xy[k] * into + way * into**2 / 2

    mean = np.stack([np.interp(where, s, xy[:, 0]), np.interp(where, s, xy[:, 1])], axis=1)
    wide = half > 1e-9 * max(length, 1.0)
    mean[wide] = (integral((where + half)[wide]) - integral((where - half)[wide])) / (
        2 * half[wide][:, None]
    )
    return mean + middle


@dataclass(frozen=True, slots=True, eq=False)
class Baseline:
    """The smoothed line of one stretch, water on its left.

    xy : (n, 2) vertices. s : (n,) distance along the stretch that each belongs to (along the line
    as drawn, so stations run from 0 to the stretch's length).
    """

    xy: Array
    s: Array
    is_closed: bool

    @property
    def length(self) -> float:
        return float(self.s[-1])

    def at(self, s: npt.ArrayLike) -> Array:
        """Points of the smoothed line at stations, (m, 2)."""
        where = np.asarray(s, dtype=np.float64)
        return np.stack(
            [np.interp(where, self.s, self.xy[:, 0]), np.interp(where, self.s, self.xy[:, 1])], -1
        )

    def normal(self, s: npt.ArrayLike) -> Array:
        """Unit vectors to the water, square to the smoothed line, (m, 2)."""
        chain = Chain(self.xy, arc_lengths(self.xy), False, np.empty(0))
        along = np.interp(np.asarray(s, dtype=np.float64), self.s, chain.s)
        # The line is smooth already: a short chord only bridges its vertices.
        return left_of(chain.direction(along, 2.0 * float(np.diff(chain.s).max())))

    def stand(self, points: Array) -> tuple[Array, Array, npt.NDArray[np.bool_]]:
        """Station and offset of points, and whether they stand square to the line.

        A point beyond an end gets that end's station, and the offset square to the line there. A
        closed line has no ends.
        """
        return self.stand_away(points)[:3]

    def stand_away(self, points: Array) -> tuple[Array, Array, npt.NDArray[np.bool_], Array]:
        """The same, and how far each point is from the line."""
        xy, s = self._columns()
        points = np.ascontiguousarray(points, dtype=np.float64).reshape(-1, 2)
        found: tuple[Array, Array, npt.NDArray[np.bool_], Array] = kernels.stand_points(
            xy, s, self.is_closed, points
        )
        return found

    def outlines(self, rings: Rings, which: Any, step: float) -> tuple[Array, Array, Any]:
        """Station and offset along the outlines of some shapes, and what is linked to the last."""
        xy, s = self._columns()
        found: tuple[Array, Array, Any] = kernels.stand_outlines(
            xy, s, self.is_closed, rings.xy, rings.ring_offsets, rings.shape_offsets, which, step
        )
        return found

    def _columns(self) -> tuple[Array, Array]:
        return np.ascontiguousarray(self.xy), np.ascontiguousarray(self.s)


@dataclass(frozen=True, slots=True, eq=False)
class Rings:
    """Outlines of n shapes, one after the other.

    xy : (v, 2) vertices. ring_offsets : (r + 1,) where each ring starts. shape_offsets : (n + 1,)
    the first ring of each shape.
    """

    xy: Array
    ring_offsets: npt.NDArray[np.intp]
    shape_offsets: npt.NDArray[np.intp]

    @classmethod
    def of(cls, shapes: Any) -> Rings:
        """Rings of polygons; shapes of other kinds have none."""
        shapes = np.asarray(shapes, dtype=object)
        parts, shape = shapely.get_parts(shapes, return_index=True)
        rings, part = shapely.get_rings(parts, return_index=True)
        xy, ring = shapely.get_coordinates(rings, return_index=True)
        ring_offsets = np.searchsorted(ring, np.arange(len(rings) + 1))
        return cls(xy, ring_offsets, np.searchsorted(shape[part], np.arange(len(shapes) + 1)))


def baseline_of(xy: Array, smoothing: float, unit: float, shore: Shore | None = None) -> Baseline:
    """Baseline of a stretch.

    Parameters
    ----------
    xy : (n, 2) array
        The stretch, water on its left.
    smoothing : float
        [map units]
    unit : float
        Map units in a foot.
    shore : Shore, optional
        The shoreline the stretch was cut from: it is smoothed with what lies beyond its ends, as
        far as the next corner, so that neighbours' baselines meet.
    """
    before, after = _beyond(xy, smoothing, shore)
    whole = np.concatenate([before, xy, after])
    keep = np.concatenate([[True], np.linalg.norm(np.diff(whole, axis=0), axis=1) > 0])
    start = arc_lengths(np.concatenate([before, xy[:1]]))[-1]
    own = arc_lengths(xy)
    count = max(2, int(np.ceil(own[-1] / (BASELINE_STEP_FT * unit))) + 1)
    s = np.linspace(0.0, own[-1], count)
    s = np.unique(np.concatenate([s, own])) if smoothing == 0 else s
    line = moving_average(whole[keep], smoothing, start + s)
    is_closed = bool((xy[0] == xy[-1]).all())
    if is_closed:
        line[-1] = line[0]
    keep = np.concatenate([[True], np.linalg.norm(np.diff(line, axis=0), axis=1) > 0])
    return Baseline(line[keep], s[keep], is_closed)


def _beyond(xy: Array, smoothing: float, shore: Shore | None) -> tuple[Array, Array]:
    """Half a smoothing length of shore before and after a stretch, no farther than a corner.

    A stretch that closes on itself goes on where it began.
    """
    none = np.empty((0, 2))
    if shore is None or smoothing == 0:
        return none, none
    if (xy[0] == xy[-1]).all():
        if shore.chains[shore.locate(shapely.Point(xy[0]))[0]].corners.size:
            return none, none  # it starts and ends at its only corner
        along = arc_lengths(xy)
        ring = Chain(xy, along, True, np.empty(0))
        half = min(smoothing, ring.length) / 2
        return ring.part(ring.length - half, ring.length)[:-1], ring.part(0.0, half)[1:]
    parts = []
    for end, inner in ((xy[0], xy[1]), (xy[-1], xy[-2])):
        number, s = shore.locate(shapely.Point(end))
        chain = shore.chains[number]
        step = min(1e-3 * float(np.linalg.norm(inner - end)), smoothing / 100)
        ahead, back = (
            np.linalg.norm(chain.at(np.array([s + d]))[0] - (end + (inner - end) * 1e-3))
            for d in (step, -step)
        )
        side = -1 if ahead <= back else 1  # away from the stretch
        low, high = chain.leg(np.array([s]), side)
        if side < 0:
            piece = chain.part(max(s - smoothing / 2, float(low[0])), s)
        else:
            piece = chain.part(s, min(s + smoothing / 2, float(high[0])))[::-1]
        parts.append(piece[:-1])
    return parts[0], parts[1][::-1]


def stations(length: float, spacing: float) -> tuple[Array, Array]:
    """Stations at the middles of equal cells no longer than the spacing, and the cells' edges.

    Examples
    --------
    >>> middles, edges = stations(25.0, 10.0)
    >>> edges.round(3).tolist()
    [0.0, 8.333, 16.667, 25.0]
    """
    count = max(1, int(np.ceil(length / spacing - 1e-9)))
    edges = np.linspace(0.0, length, count + 1)
    return (edges[1:] + edges[:-1]) / 2, edges


def swath_depths(
    stations_: Array, station: Array, offset: Array, swath: float
) -> tuple[Array, Array, npt.NDArray[np.intp]]:
    """Innermost and outermost offset of the trees within half a swath of each station, and count.

    NaN where no tree stands there. Their difference is the depth of the fringe: s. 403.9325(7)
    F.S., trunk to trunk, square to the shoreline.
    """
    low = np.full(stations_.size, np.nan)
    high = np.full(stations_.size, np.nan)
    count = np.zeros(stations_.size, dtype=np.intp)
    order = np.argsort(station, kind="stable")
    station, offset = station[order], offset[order]
    first = np.searchsorted(station, stations_ - swath / 2 - 1e-9, side="left")
    last = np.searchsorted(station, stations_ + swath / 2 + 1e-9, side="right")
    for k, (i, j) in enumerate(zip(first, last, strict=True)):
        if j > i:
            low[k], high[k], count[k] = offset[i:j].min(), offset[i:j].max(), j - i
    return low, high, count


def edge_depths(base: Baseline, at: Array, crowns: Any, search: float) -> tuple[Array, Array]:
    """Innermost and outermost canopy edge along the square through each station; NaN for none."""
    low, high = np.full(at.size, np.nan), np.full(at.size, np.nan)
    if shapely.is_empty(crowns) or at.size == 0:
        return low, high
    origin, out = base.at(at), base.normal(at)
    rays = shapely.linestrings(np.stack([origin - out * search, origin + out * search], axis=1))
    cut, index = shapely.get_coordinates(shapely.intersection(rays, crowns), return_index=True)
    offset = ((cut - origin[index]) * out[index]).sum(1)
    for k in np.unique(index):
        mine = offset[index == k]
        low[k], high[k] = mine.min(), mine.max()
    return low, high


def canopy_extent(
    base: Baseline, crowns: Any, spacing: float, step: float
) -> tuple[Array, Array, Array]:
    """Innermost and outermost canopy edge in cells along a stretch.

    Crown outlines are taken to station and offset, so the extents move smoothly with the crowns;
    cells are cut anew where the canopy begins and ends.

    Parameters
    ----------
    base : Baseline
    crowns : (n,) array of Polygon or MultiPolygon
    spacing : float
        Greatest length of a cell. [map units]
    step : float
        Outlines are followed in steps no longer than this. [map units]

    Returns
    -------
    edges : (m + 1,) array
        Stations of the cells' edges.
    low, high : (m,) arrays
        Offsets; NaN where no canopy stands.
    """
    rings = Rings.of(crowns)
    return canopy_cells(base, rings, np.arange(rings.shape_offsets.size - 1), spacing, step)


def canopy_cells(
    base: Baseline, rings: Rings, which: npt.NDArray[np.intp], spacing: float, step: float
) -> tuple[Array, Array, Array]:
    """The same of some of many crowns whose outlines are at hand.

    which : (k,) rows of ``rings``.
    """
    station, offset, is_linked = base.outlines(rings, which, step)
    spans = kernels.outline_spans(station, is_linked, base.is_closed, base.length)
    covered = _union(spans[:, 0], spans[:, 1])
    _, edges = stations(base.length, spacing)
    edges = np.unique(np.concatenate([edges, covered.ravel()]))
    low, high = kernels.outline_extremes(
        edges, station, offset, is_linked, base.is_closed, base.length
    )
    middle = (edges[1:] + edges[:-1]) / 2
    # Cells between two crowns hold their touching edges' offsets, but no canopy.
    k = np.searchsorted(covered[:, 0], middle) - 1
    bare = (k < 0) | (middle > covered[k, 1]) if len(covered) else np.ones(middle.size, dtype=bool)
    low[bare], high[bare] = np.nan, np.nan
    return edges, low, high


def covered_length(base: Baseline, shapes: Any, step: float) -> float:
    """Length of a stretch that shapes stand square to, counted once where they stand abreast.

    Parameters
    ----------
    base : Baseline
    shapes : (n,) array of Polygon or MultiPolygon
    step : float
        Outlines are followed in steps no longer than this. [map units]
    """
    covered = covered_spans(base, shapes, step)
    return float((covered[:, 1] - covered[:, 0]).sum())


def covered_spans(base: Baseline, shapes: Any, step: float) -> Array:
    """Parts of a stretch that shapes stand square to: (n, 2) stations, rising and apart.

    Parameters are those of :func:`covered_length`; stations are in map units.
    """
    rings = Rings.of(shapes)
    which = np.arange(rings.shape_offsets.size - 1)
    station, _, is_linked = base.outlines(rings, which, step)
    spans = kernels.outline_spans(station, is_linked, base.is_closed, base.length)
    return _union(spans[:, 0], spans[:, 1])


def _union(low: Array, high: Array) -> Array:
    """Union of intervals that have a length, (n, 2), rising."""
    if low.size == 0:
        return np.empty((0, 2))
    order = np.argsort(low, kind="stable")
    low, high = low[order], np.maximum.accumulate(high[order])
    starts = np.nonzero(np.concatenate([[True], low[1:] > high[:-1]]))[0]
    out = np.stack([low[starts], high[np.append(starts[1:], low.size) - 1]], axis=1)
    return out[out[:, 1] > out[:, 0]]


def strip_polygon(base: Baseline, edges: Array, low: Array, high: Array) -> Any:
    """Cells between station edges, each from its innermost to its outermost offset, as one shape.

    Cells that meet are drawn as one ring, down one side and back the other, so that no seam or
    sliver is left between them. NaN leaves a gap.
    """
    origin, out = base.at(edges), base.normal(edges)
    is_cell = np.isfinite(low) & (np.nan_to_num(high) > np.nan_to_num(low))
    meets = is_cell[1:] & is_cell[:-1]
    meets[meets] = (low[1:] < high[:-1])[meets] & (high[1:] > low[:-1])[meets]
    runs: list[list[int]] = []
    for k in np.nonzero(is_cell)[0]:
        if runs and runs[-1][-1] == k - 1 and meets[k - 1]:
            runs[-1].append(int(k))
        else:
            runs.append([int(k)])
    shapes = []
    for run in runs:
        cells = np.asarray(run)
        corner = np.stack([cells, cells + 1], axis=1).ravel()
        near = origin[corner] + out[corner] * np.repeat(low[cells], 2)[:, None]
        far = origin[corner] + out[corner] * np.repeat(high[cells], 2)[:, None]
        ring = shapely.Polygon(np.concatenate([near, far[::-1]]))
        # Where squares cross (a tight cove) the ring folds: what it covers twice still counts.
        shapes.append(shapely.make_valid(ring, method="structure"))
    return shapely.union_all(shapes) if shapes else shapely.Polygon()
