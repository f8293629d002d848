"""What every preparation from a lidar cloud does: open, sift, tile, find the ground."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from geotrim.core.cloud_heights import TileLimits, heights_above, reach_of, surface_of
from geotrim.core.ground import GroundSurface
from geotrim.core.ground_filter import FilterLimits, find_ground
from geotrim.errors import LayerError, RangeError
from geotrim.io.cloud_tiles import TILE_POINTS, Progress, Sieve, Tile, TiledCloud, tile_clouds
from geotrim.io.clouds import (
    CLASS_NAMES,
    GROUND,
    HIGH_NOISE,
    LOW_NOISE,
    OVERLAP,
    SYNTHETIC,
    WATER,
    WITHHELD,
    Cloud,
    Points,
    open_cloud,
)
from geotrim.io.crs import is_measurable
from geotrim.model import Note
from geotrim.prepare.task import GivenFile

#: Tiles worked on at once; the slow parts let go of Python's lock.
THREADS = 2
#: First returns a cell should hold, on average, when its size is chosen: falling at random they
#: leave exp(-4), 1.8 %, of the cells empty. Holes of a few such cells are filled (``fill_cells``):
#: wider cells would have fewer, but blur one crown into the next. Common practice, no source.
FIRST_A_CELL = 4.0
#: A chosen cell is a multiple of this. [map units: feet, metres]
CELL_STEP_FT, CELL_STEP_M = 0.5, 0.25
#: What stands on the ground and is no plant. Source: LAS specification 1.4-R15, classes.
NOT_PLANTS = (6, 13, 14, 15, 16, 17, 19)

#: What the filter does to heights. Source: ground of both kinds under the same two open clouds
#: (a suburb in Oregon, 26,107 ground returns; 39 plots of pine sandhill in Florida), cell by cell.
FILTER_BIAS = (
    "Such ground lies rather high: over two classed clouds by 0.25 and 0.14 ft on average, by more "
    "than 1.4 and 0.9 ft in one cell of twenty; heights read as much too low"
)

In = TypeVar("In")
Out = TypeVar("Out")


@dataclass(frozen=True, slots=True, eq=False)
class OpenClouds:
    """Files of one cloud.

    crs : plane of their points.
    notes : what was assumed of them.
    """

    clouds: tuple[Cloud, ...]
    notes: tuple[Note, ...]

    @property
    def crs(self) -> Any:
        return self.clouds[0].crs

    @property
    def vertical(self) -> Any:
        """Vertical CRS, from the first file that says it."""
        return next((c.vertical for c in self.clouds if c.vertical is not None), None)

    @property
    def feet_per_map_unit(self) -> float:
        return self.clouds[0].feet_per_map_unit

    @property
    def feet_per_z_unit(self) -> float:
        return self.clouds[0].feet_per_unit

    def default_cell(self) -> float:
        """A cell that holds about ``FIRST_A_CELL`` first returns, a round number. [map units]."""
        step = CELL_STEP_M if self.feet_per_map_unit > 2.0 else CELL_STEP_FT
        return max(step * float(np.ceil(np.sqrt(FIRST_A_CELL / self.density()) / step)), step)

    def density(self) -> float:
        """First returns on a square map unit, by the headers' counts and boxes."""
        area = sum((c.bounds[2] - c.bounds[0]) * (c.bounds[3] - c.bounds[1]) for c in self.clouds)
        n = sum(c.n_first for c in self.clouds)
        return n / area if area > 0 else float(n)


def open_clouds(given: Sequence[GivenFile]) -> OpenClouds:
    """Every file of a cloud, in one plane.

    Files in degrees are brought to the plane of the first that is not, or to one chosen from the
    place of the first. A file named twice is read once.

    Raises
    ------
    GeotrimError
        If a file cannot be read, or they are not one cloud.
    """
    opened: list[Cloud] = []
    notes: list[Note] = []
    seen: dict[Path, str] = {}
    for item in given:
        cloud = _opened(item)
        same = cloud.path.resolve()
        if same in seen:
            notes.append(Note(item.subject, f"{cloud.path.name} was named twice, read once"))
            continue
        seen[same] = item.subject
        opened.append(cloud)
    target = next((c.crs for c in opened if is_measurable(c.file_crs)), opened[0].crs)
    kept = [
        c if is_measurable(c.file_crs) else _opened(item, target)
        for c, item in zip(opened, _first_named(given, opened), strict=True)
    ]
    for k, cloud in enumerate(kept):
        twins = [c for c in kept[:k] if (c.n_points, c.bounds) == (cloud.n_points, cloud.bounds)]
        if twins:
            text = f"{cloud.path.name} and {twins[0].path.name} have the same extent and number of "
            notes.append(Note(cloud.subject, f"{text}returns: the same cloud twice?", "assumed"))
    notes += [note for cloud in kept for note in cloud.notes]
    return OpenClouds(tuple(kept), tuple(dict.fromkeys(notes)))


def _first_named(given: Sequence[GivenFile], opened: Sequence[Cloud]) -> list[GivenFile]:
    by_path = {Path(item.path).expanduser().resolve(): item for item in reversed(given)}
    return [by_path[cloud.path.resolve()] for cloud in opened]


def _opened(item: GivenFile, to_crs: Any = None) -> Cloud:
    return open_cloud(
        item.path,
        crs=item.get("crs"),
        unit=item.get("unit"),
        to_crs=to_crs,
        subject=item.subject,
    )


def cell_of(clouds: OpenClouds, cell_ft: float | None) -> float:
    """Side of a cell in map units: as stated, or chosen from the density of returns.

    A stated length within 1e-5 of a round number of map units is that number: feet and US survey
    feet differ by less.
    """
    if cell_ft is None:
        return clouds.default_cell()
    cell = cell_ft / clouds.feet_per_map_unit
    near = round(cell, 3)
    return near if near > 0 and abs(cell / near - 1.0) < 1e-5 else cell


def class_numbers(text: str, subject: str) -> tuple[int, ...]:
    """Class numbers written with commas between; nothing, or a dash, is none.

    Examples
    --------
    >>> class_numbers("6, 13", "leave_out_classes"), class_numbers("-", "leave_out_classes")
    ((6, 13), ())
    """
    words = [word.strip() for word in text.split(",") if word.strip() not in ("", "-")]
    if not all(word.isdecimal() and int(word) < 256 for word in words):
        raise RangeError(
            subject, f"{text!r}", "class numbers from 0 to 255", "write them as 6, 13, 14"
        )
    return tuple(sorted({int(word) for word in words}))


def sieve_of(*, keeps_overlap: bool, left_out: Iterable[int]) -> Sieve:
    """What is left out of every cloud: withheld, synthetic and noise always, the rest as asked."""
    asked = list(left_out)

    def sieve(points: Points) -> dict[str, npt.NDArray[np.bool_]]:
        kind, flags = points.kind, points.flags
        out = {
            "withheld": (flags & WITHHELD) > 0,
            "synthetic": (flags & SYNTHETIC) > 0,
            "noise": (kind == LOW_NOISE) | (kind == HIGH_NOISE),
        }
        if not keeps_overlap:
            out["overlap of flight lines"] = (flags & OVERLAP) > 0
        if asked:
            out["of a class left out"] = np.isin(kind, asked)
        return out

    return sieve


@dataclass(frozen=True, slots=True, eq=False)
class GroundWay:
    """How ground is told from the rest: by its class, or by the filter."""

    uses_filter: bool
    limits: TileLimits
    feet_per_map_unit: float
    feet_per_z_unit: float
    filter_limits: FilterLimits = field(default_factory=FilterLimits)

    def reach(self, cell: float) -> float:
        """How far returns around a tile must be known. [map units]."""
        extra = self.filter_limits.reach_ft / self.feet_per_map_unit if self.uses_filter else 0.0
        return reach_of(self.limits, cell) + extra

    def surface(self, tile: Tile) -> GroundSurface | None:
        """The ground under a tile, None where it has too few ground returns."""
        own, around = tile.own, tile.around
        x, y, z = (
            np.concatenate([getattr(own, axis), getattr(around, axis)]) for axis in ("x", "y", "z")
        )
        if not self.uses_filter:
            is_ground = np.concatenate([own.kind, around.kind]) == GROUND
            return surface_of(x[is_ground], y[is_ground], z[is_ground])
        numbers = np.concatenate([own.return_number, around.return_number])
        is_last = numbers >= np.concatenate([own.n_returns, around.n_returns])
        is_last &= np.concatenate([own.kind, around.kind]) != WATER
        x, y, z = x[is_last], y[is_last], z[is_last]
        if x.size < 3:
            return None
        is_ground = find_ground(
            x,
            y,
            z,
            feet_per_map_unit=self.feet_per_map_unit,
            feet_per_z_unit=self.feet_per_z_unit,
            limits=self.filter_limits,
        )
        return surface_of(x[is_ground], y[is_ground], z[is_ground])


def ground_way(
    tiled: TiledCloud, clouds: OpenClouds, asked: str, limits: TileLimits
) -> tuple[GroundWay, Note]:
    """The class of ground where the cloud has it and the filter where not, unless one is asked for.

    Parameters
    ----------
    asked : ``auto``, ``class`` or ``filter``

    Raises
    ------
    LayerError
        If the class is asked for and no return has it.
    """
    n, subject = tiled.n_ground, clouds.clouds[0].subject
    if asked == "class" and n == 0:
        raise LayerError(
            subject,
            "no return of class 2 (ground)",
            "a cloud whose ground is classed",
            "leave ground_from out: a filter then finds the ground",
        )
    uses_filter = asked == "filter" or n == 0
    way = GroundWay(uses_filter, limits, clouds.feet_per_map_unit, clouds.feet_per_z_unit)
    if not uses_filter:
        return way, Note("ground", f"triangulated from {n:,} returns of class 2 (ground)")
    why = "as asked" if asked == "filter" else "the cloud has no return of class 2 (ground)"
    text = f"found by a filter (Pingel, Clarke and McBride 2013): {why}. Under dense mangrove "
    text += "roots and low branches may pass for ground; a classed cloud goes before this. "
    text += FILTER_BIAS
    return way, Note("ground", text, "assumed")


@dataclass(frozen=True, slots=True, eq=False)
class TileReturns:
    """Returns of one tile with their heights; no return is in two tiles.

    height_ft : above the ground; NaN where the ground is not known. [ft]
    """

    points: Points
    height_ft: npt.NDArray[np.float64]


def tiles_with_heights(
    clouds: OpenClouds,
    *,
    gap_ft: float,
    cell_ft: float | None = None,
    ground_from: str = "auto",
    keeps_overlap: bool = True,
    left_out: Iterable[int] = NOT_PLANTS,
    near: tuple[float, float, float, float] | None = None,
    near_what: str = "the lots",
    folder: Path | None = None,
    tile_points: int = TILE_POINTS,
    progress: Progress = lambda _: None,
    notes: list[Note] | None = None,
) -> Iterator[TileReturns]:
    """Every kept return with its height above the ground, tile by tile.

    Parameters
    ----------
    clouds : OpenClouds
    gap_ft : float
        Holes between ground returns are bridged up to a radius of four times this. [ft]
    ground_from, keeps_overlap, left_out
        As :func:`ground_way` and :func:`sieve_of` have it.
    near : west, south, east, north, optional
        Only returns inside. Ground near its sides is less sure. [map units]
    near_what : str
        What that lies around, in words.
    folder : Path, optional
        Where to spool a cloud that does not fit one tile.
    notes : list, optional
        Gets what there is to tell.
    """
    cell = cell_of(clouds, cell_ft)
    limits = TileLimits(gap=gap_ft / clouds.feet_per_map_unit)
    sieve = sieve_of(keeps_overlap=keeps_overlap, left_out=left_out)
    with tile_clouds(
        clouds.clouds,
        cell=cell,
        sieve=sieve,
        near=near,
        near_what=near_what,
        tile_points=tile_points,
        folder=folder,
        progress=progress,
    ) as tiled:
        way, told = ground_way(tiled, clouds, ground_from, limits)
        if notes is not None:
            notes += [*clouds.notes, told]

        def work(tile: Tile) -> TileReturns:
            own = tile.own
            above = heights_above(way.surface(tile), own.x, own.y, own.z, limits.widest)
            return TileReturns(own, above * way.feet_per_z_unit)

        tiles = tiled.tiles(way.reach(cell), only_base=not way.uses_filter)
        yield from in_threads(work, tiles)


def in_threads(work: Callable[[In], Out], items: Iterable[In], n: int = THREADS) -> Iterator[Out]:
    """Work on items in a few threads; results in order, and few items at a time in memory."""
    waiting: deque[Future[Out]] = deque()
    pool = ThreadPoolExecutor(n)
    try:
        for item in items:
            waiting.append(pool.submit(work, item))
            del item
            if len(waiting) > n:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def class_table(tiled: TiledCloud) -> list[str]:
    """Returns by class, as the terminal prints them."""
    counts = tiled.counts
    kept = counts.kept
    lines = []
    for kind in np.flatnonzero(counts.read).tolist():
        reasons = [r for r, n in counts.left_out.items() if n[kind]]
        gone = int(counts.read[kind] - kept[kind])
        told = f"  {gone:,} left out: {', '.join(reasons)}" if gone else ""
        lines.append(f"  {class_name(kind):<46}{int(counts.read[kind]):>14,}{told}")
    return lines


def class_name(kind: int) -> str:
    """Number and name of a class.

    Examples
    --------
    >>> class_name(2), class_name(40), class_name(70)
    ('class 2 (ground)', 'class 40 (reserved)', "class 70 (the maker's own)")
    """
    own = "reserved" if kind < 64 else "the maker's own"
    return f"class {kind} ({CLASS_NAMES.get(kind, own)})"
