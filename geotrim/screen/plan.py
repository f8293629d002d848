"""Cutting a screening into partitions, none of which needs another's answer.

Lots are put in order along a curve that fills the plane, so that those of a partition lie together,
and cut into equal parts. What a lot's figures hang on reaches over the cut: neighbours share out
the shore, trees stand in a neighbour's water. So a partition measures the lots *near* its own along
with them and throws their rows away, and lots *beside* those take their share of the shore. How far
that is follows from the options, not from a guess:

near    twice the reach of the side limits over the water and of a lot to the shore, and the widest
        setback from such limits: from farther away no tree of one lot can stand on another's land
        or in its water. A lot without a shore only has trees on its land, so only lots that lie
        over it are near;
beside  twice the reach: from farther away no foot of shore is claimed by both.

Limits that divide a whole cove (``riparian_method = "proportional"``) hang on all its lots at once;
a screening refuses them (:mod:`geotrim.screen.screen_file`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS

from geotrim.core.line_clip import LineIndex
from geotrim.core.wkb_rings import bounds_of_wkb
from geotrim.io.aside import new_file
from geotrim.io.wkb_columns import wkb_column
from geotrim.ops.catalogue import option_params
from geotrim.screen.store import Common, Store, Task, read_batches, read_table, write_pickle
from geotrim.units import feet_per_map_unit

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Lots in a partition where nothing else is asked for: some tens of thousands of crowns.
PER_PARTITION = 400
#: Crowns in a partition on average, at most; and lots all the same, at least.
CROWNS_IN_PARTITION, LEAST_LOTS = 40_000, 20
#: Side limits square to a channel run to its point nearest to the end of a frontage, which may lie
#: farther off than that nearest to the lot: by no more than this, where water is as wide as a lot.
#: Our choice, no source.
OBLIQUE = 2.0
#: Setbacks from these reach from one lot over another.
SHARED_REFERENCES = ("riparian-lines", "lot-lines")
#: How a lot may lie over another.
OVERLAPS = ("overlaps", "contains", "within")
#: Shore kept around a partition beyond what its lots may claim, in smoothing lengths, so that the
#: general direction of the shore and its corners come out as on the whole line.
SHORE_MARGIN = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class Order:
    """Lots in the order of partitions.

    rows : (n,) rows of the input, partition by partition, rising within each.
    starts : (p + 1,) partition k has ``rows[starts[k]]`` up to the next.
    """

    rows: Ints
    starts: Ints

    @property
    def n_partitions(self) -> int:
        return self.starts.size - 1


def partition_lots(
    points: Floats, *, n_crowns: int = 0, per_partition: int = PER_PARTITION
) -> Order:
    """Cut lots into partitions of neighbours.

    Parameters
    ----------
    points : (n, 2) array
        A point of each lot. [map units]
    n_crowns : int
        Crowns of all lots: where there are many for a lot, a partition has fewer lots, so that the
        memory it takes hangs on no input.
    per_partition : int
        Lots in a partition at most.

    Notes
    -----
    The order is that of a Hilbert curve: D. Hilbert, Mathematische Annalen 38, 1891, from memory.
    """
    from geopandas import GeoSeries, points_from_xy

    n = len(points)
    by_crowns = min(-(-n_crowns // CROWNS_IN_PARTITION), n // LEAST_LOTS)
    n_parts = max(-(-n // per_partition), by_crowns, 1)
    edges = partition_starts(n, n_parts)
    if not n:
        return Order(np.empty(0, np.int64), np.array([0, 0]))
    low, high = points.min(axis=0), points.max(axis=0)
    side = max(float((high - low).max()), 1e-9)  # a square, so that the curve is not stretched
    box = (*low, *(low + side))
    key = GeoSeries(points_from_xy(points[:, 0], points[:, 1])).hilbert_distance(box, level=16)
    order = np.argsort(key.to_numpy(), kind="stable")
    rows = np.concatenate([np.sort(part) for part in np.split(order, edges[1:-1])])
    return Order(rows.astype(np.int64), edges)


def partition_starts(n_lots: int, n_partitions: int) -> Ints:
    """First place of each partition in the order, and the end: parts as equal as can be."""
    return np.linspace(0, n_lots, n_partitions + 1).round().astype(np.int64)


def homes(order: Order, lot_points: Floats, crown_points: Floats) -> npt.NDArray[np.int32]:
    """Partition in which each crown is at home: that of the lot whose point is nearest.

    Parameters
    ----------
    order : Order
    lot_points : (n, 2) array
        As given to :func:`partition_lots`.
    crown_points : (m, 2) array
    """
    from scipy.spatial import cKDTree

    partition = np.empty(len(lot_points), dtype=np.int32)
    partition[order.rows] = np.repeat(np.arange(order.n_partitions), np.diff(order.starts))
    if not len(crown_points):
        return np.empty(0, np.int32)
    _, nearest = cKDTree(lot_points).query(crown_points)
    return partition[nearest]


def make_tasks(store: Store, n_partitions: int) -> int:
    """Write a task and its piece of the shore for each partition; their number comes back.

    Parameters
    ----------
    store : Store
        With lots, lines, crowns and what all share.
    n_partitions : int
        As :class:`Order` had them when the lots were written.
    """
    common = store.read_common()
    lots = shapely.from_wkb(read_table(store.lots)["wkb"].to_numpy(zero_copy_only=False))
    starts = partition_starts(len(lots), n_partitions)
    around = _Around(common, lots, _shore(store))
    crowns = [_bounds_of_crowns(store, k) for k in range(n_partitions)]
    for k in range(n_partitions):
        own = np.arange(starts[k], starts[k + 1])
        front, water = around.front(own)
        near, beside = around.near_and_beside(own, front, water)
        bounds = _grown(shapely.total_bounds(lots[own]), water + around.reach)
        _write_lines(store, k, around.shore_of(own, front, water))
        files = [j for j, found in enumerate(crowns) if j == k or _meet(found, bounds)]
        task = Task(
            number=k,
            own=(int(starts[k]), int(starts[k + 1])),
            front=tuple(front.tolist()),
            near=tuple(near.tolist()),
            beside=tuple(beside.tolist()),
            crown_files=tuple(files),
            bounds=bounds,
            reach=water + around.reach,
        )
        write_pickle(store.task(k), task)
    return n_partitions


class _Around:
    """What lies around the lots of a partition, and how far their figures hang on it."""

    def __init__(self, common: Common, lots: Any, shore: LineIndex) -> None:
        self.reach, self.water, self.smoothing = reaches(common)
        self.lots, self.shore = lots, shore
        self.tree = shapely.STRtree(lots)
        self.runs = shapely.STRtree(shore.lines())
        is_to_channel = common.options.get("riparian_method") == "square-to-channel"
        shapes = common.channel.geometry.array if is_to_channel else None
        self.channel = None if shapes is None else shapely.union_all(np.asarray(shapes))
        feet = feet_per_map_unit(CRS.from_wkt(common.crs_wkt), "site crs")
        strips = [s.distance_ft for s in common.setbacks if s.reference in SHARED_REFERENCES]
        self.setback = max(strips, default=0.0) / feet

    def front(self, own: Ints) -> tuple[Ints, float]:
        """Own lots that may have a shore, and how far their side limits run over the water."""
        at, _ = self.runs.query(self.lots[own], predicate="dwithin", distance=2 * self.reach)
        front = own[np.unique(at)]
        if self.channel is None or not front.size:
            return front, self.water
        gap = float(shapely.distance(self.lots[front], self.channel).max())
        return front, max(self.water, OBLIQUE * gap + self.water)

    def near_and_beside(self, own: Ints, front: Ints, water: float) -> tuple[Ints, Ints]:
        """Rows of lots to be measured along, and of those that only take their share.

        Of a long lot near by, a road or a park, only the part near the own lots counts: what
        stands beside the rest of it changes nothing here.
        """
        far = 2 * (water + self.reach) + self.setback
        near = self._within(self.lots[front], far) if front.size else np.empty(0, np.int64)
        inland = self.lots[np.setdiff1d(own, front)]
        over = [self.tree.query(inland, predicate=kind)[1] for kind in OVERLAPS]
        near = np.setdiff1d(np.concatenate([near, *over]), own)
        if not front.size:
            return near, np.empty(0, np.int64)
        box = _grown(shapely.total_bounds(self.lots[front]), far)
        parts = [self.lots[front], shapely.clip_by_rect(self.lots[near], *box)]
        beside = self._within(np.concatenate(parts), 2 * self.reach)
        return near, np.setdiff1d(beside, np.concatenate([own, near]))

    def shore_of(self, own: Ints, front: Ints, water: float) -> list[Floats]:
        """Pieces of the shore around the lots that front it, and what is nearest to the others."""
        if not len(self.runs.geometries):
            return []
        nearest = np.unique(self.runs.nearest(self.lots[own]))
        if not front.size:
            return self.shore.clip((np.inf, np.inf, -np.inf, -np.inf), nearest)
        far = 3 * (water + self.reach) + self.setback + SHORE_MARGIN * self.smoothing
        return self.shore.clip(_grown(shapely.total_bounds(self.lots[front]), far), nearest)

    def _within(self, shapes: Any, distance: float) -> Ints:
        """Rows of all lots that are no farther than a distance from any of these shapes."""
        _, found = self.tree.query(shapes, predicate="dwithin", distance=distance)
        return np.unique(found)


def reaches(common: Common) -> tuple[float, float, float]:
    """Reach of a lot to the shore, of its side limits over the water, smoothing. [map units]."""
    feet = feet_per_map_unit(CRS.from_wkt(common.crs_wkt), "site crs")
    asked = _options(common.options, "reach_ft", "riparian_length_ft", "smoothing_length_ft")
    reach, water, smoothing = (value / feet for value in asked)
    return reach, water, smoothing


def _options(given: Mapping[str, Any], *names: str) -> list[float]:
    params = option_params()
    return [float(given.get(name, params[name].default)) for name in names]


def _shore(store: Store) -> LineIndex:
    with np.load(store.lines) as read:
        return LineIndex.of(read["xy"], read["starts"])


def _grown(bounds: Any, by: float) -> tuple[float, float, float, float]:
    west, south, east, north = (float(value) for value in bounds)
    return west - by, south - by, east + by, north + by


def _write_lines(store: Store, k: int, pieces: list[Floats]) -> None:
    path = store.shore(k)
    path.parent.mkdir(parents=True, exist_ok=True)
    starts = np.cumsum([0, *(len(piece) for piece in pieces)])
    xy = np.vstack(pieces) if pieces else np.empty((0, 2))
    with new_file(path) as aside:
        np.savez(aside, xy=xy, starts=starts)


def _bounds_of_crowns(store: Store, k: int) -> Any:
    """Bounds of all crowns that are at home in a partition; None where there are none."""
    path = store.crowns(k)
    if not path.exists():
        return None
    found = np.vstack([np.empty((0, 4)), *(bounds_of_shapes(part) for part in read_batches(path))])
    if not len(found):
        return None
    return np.array([*found[:, :2].min(axis=0), *found[:, 2:].max(axis=0)])


def bounds_of_shapes(table: Any) -> Floats:
    """(n, 4) west, south, east, north of the polygons of a table or batch. [map units]."""
    shapes = wkb_column(table.column("wkb"), "shapes")
    return bounds_of_wkb(shapes.data, shapes.offsets, is_null=shapes.is_null)


def _meet(bounds: Any, box: tuple[float, float, float, float]) -> bool:
    return bounds is not None and bool(meets(bounds, box))


def meets(bounds: Any, box: tuple[float, float, float, float]) -> Any:
    """Which bounds, (..., 4) west, south, east, north, meet a box; NaN never does."""
    west, south, east, north = np.moveaxis(np.asarray(bounds), -1, 0)
    return (west <= box[2]) & (east >= box[0]) & (south <= box[3]) & (north >= box[1])
