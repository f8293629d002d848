"""Preparation ``heights`` from a lidar cloud: ground, highest returns above it, cell by cell."""

from __future__ import annotations

import math
from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS
from pyproj.crs import CompoundCRS

from geotrim.core import cloud_heights as core
from geotrim.core.cloud_grid import CloudGrid, grid_of
from geotrim.core.cloud_heights import TileHeights, TileLimits
from geotrim.core.height_difference import BELOW_SIGMAS, USUAL_RMSE_FT, middles_inside
from geotrim.errors import GeotrimError, LayerError, RangeError
from geotrim.io.cloud_tiles import TILE_POINTS, Tile, tile_clouds
from geotrim.io.clouds import GROUND, WATER, Points, vertical_name
from geotrim.io.crs import named
from geotrim.io.raster_write import new_raster
from geotrim.model import InputFile, Note
from geotrim.prepare.cloud_work import (
    GroundWay,
    OpenClouds,
    cell_of,
    class_name,
    class_numbers,
    class_table,
    ground_way,
    in_threads,
    open_clouds,
    sieve_of,
)
from geotrim.prepare.places import bounds_near, input_file, read_shapes
from geotrim.prepare.task import Prepared, Task
from geotrim.report.heights_figure import HeightsPicture, draw_heights

HEIGHTS, GROUND_FILE = "heights.tif", "ground.tif"
#: EPSG code of NAVD88 heights in international feet. Source: EPSG registry.
NAVD88_FT = 8228
#: A picture of the heights has at most this many cells along its longer side.
PICTURE_CELLS = 1200
#: Bins of the histogram. [ft]
BIN_FT, LAST_BIN_FT = 1.0, 200.0
#: A height over this is told: no mangrove is as tall (from memory). [ft]
ODD_HEIGHT_FT = 200.0
#: Class of what is built -> what lies over a shore and may have it. Source: LAS specification
#: 1.4-R15, classes 6 (building) and 17 (bridge deck); docks have none of their own.
BUILT = {6: "roofs", 17: "bridges and docks"}
#: Wider cells are told: a mangrove of 6 ft, the lowest the rules ask about, is seldom wider (from
#: memory). [ft]
WIDEST_CELL_FT = 6.0
#: What a reader of such heights must know. Source: measured bias in southwest Florida wetlands
#: (USGS data release, corrected Collier County DEM, 2019); the rest general knowledge.
CAUTIONS = (
    "lidar ground under mangrove often reads high (on average 1.1 ft in a study of southwest "
    "Florida wetlands), so heights read low: unsafe for the limits of 10, 16 and 24 ft. The size "
    "of it does not carry over from site to site; stick readings go before it (geotrim calibrate)",
    "water swallows near-infrared pulses, and prop roots and pneumatophores return as ground: what "
    "substrate was seen hangs on the tide at the time of flight",
    "treetops are seldom hit exactly: heights read low by tenths of a foot or more at few returns, "
    "most on pointed crowns",
)


def prepare_heights_cloud(task: Task, *, tile_points: int = TILE_POINTS) -> Prepared:
    """Heights above the substrate, and the ground, from LAS or LAZ files.

    Parameters
    ----------
    task : Task
    tile_points : int
        Returns worked on at a time, about; the result does not hang on it.

    Raises
    ------
    GeotrimError
        If a file cannot be read, the files are not one cloud, or no cell gets a height.
    """
    _check_alone(task)
    work = _opened(task)
    params = task.params
    way_limits = _limits(task, work)
    sieve = sieve_of(
        keeps_overlap=params["overlap"] == "keep",
        left_out=_left_out(params["leave_out_classes"]),
    )
    widest_reach = GroundWay(True, way_limits, work.feet_per_map_unit, 1.0).reach(work.cell)
    with tile_clouds(
        work.clouds.clouds,
        cell=work.cell,
        sieve=sieve,
        near=None if work.near is None else _wider(work.near, widest_reach),
        tile_points=tile_points,
        folder=task.folder,
        progress=task.progress,
    ) as tiled:
        way, told = ground_way(tiled, work.clouds, params["ground_from"], way_limits)
        work.notes.append(told)
        work.grid = _grid(tiled.bounds, work)
        tally = _made(task, work, way, tiled)
        work.classes = class_table(tiled)
        work.notes += _class_notes(tiled.counts)
    _check_some(tally)
    work.notes += _told(task, work, way, tally)
    _draw(task, work, tally)
    figures = _figures(work, way, tally)
    files = {
        HEIGHTS: "heights above the substrate, ft",
        GROUND_FILE: "elevation of the ground, ft",
        "heights.png": "a picture of the heights",
    }
    return Prepared(
        files=files,
        site={"heights": {"file": HEIGHTS, "unit": "ft", "rmse_ft": figures["rmse_ft"]}},
        figures=figures,
        notes=tuple(work.notes),
        words=_words(work, figures),
        inputs=tuple(work.inputs),
    )


@dataclass(slots=True, eq=False)
class _Work:
    """The cloud, and what it is worked on with.

    cell : side of a cell. [map units]
    near : only here heights are made, in the cloud's plane; None is everywhere.
    water : area of water, in the cloud's plane.
    """

    clouds: OpenClouds
    cell: float
    top_rmse_ft: float | None
    ground_rmse_ft: float | None
    near: tuple[float, float, float, float] | None = None
    water: Any = None
    grid: CloudGrid = field(default_factory=lambda: CloudGrid(1.0, 0, 0, 1, 1))
    classes: list[str] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    inputs: list[InputFile] = field(default_factory=list)

    @property
    def feet_per_map_unit(self) -> float:
        return self.clouds.feet_per_map_unit

    @property
    def rmse_ft(self) -> float | None:
        """Standard error of one height, where those of top and ground are stated. [ft]."""
        if self.top_rmse_ft is None or self.ground_rmse_ft is None:
            return None
        return math.hypot(self.top_rmse_ft, self.ground_rmse_ft)


@dataclass(slots=True, eq=False)
class _Tally:
    """What is counted while the heights are made."""

    picture_height: npt.NDArray[np.float64]
    picture_reason: npt.NDArray[np.uint8]
    step: int
    counts: npt.NDArray[np.int64]
    bins: npt.NDArray[np.int64]
    n_raised: int = 0
    n_filled: int = 0
    n_ground: int = 0
    highest_ft: float = -np.inf

    @classmethod
    def of_grid(cls, grid: CloudGrid) -> _Tally:
        """Every cell without returns, and a picture thin enough to hold."""
        step = max(-(-max(grid.shape) // PICTURE_CELLS), 1)
        shape = tuple(-(-n // step) for n in grid.shape)
        counts = np.zeros(len(core.REASONS) + 1, np.int64)
        counts[core.NO_RETURNS] = grid.rows * grid.cols
        reason = np.full(shape, core.NO_RETURNS, np.uint8)
        bins = np.zeros(round(LAST_BIN_FT / BIN_FT), np.int64)
        return cls(np.full(shape, np.nan), reason, step, counts, bins)

    def add(self, made: TileHeights, height_ft: npt.NDArray[Any], row0: int, col0: int) -> None:
        """Count one window in place of as many cells without returns."""
        self.counts += np.bincount(made.reason.ravel(), minlength=len(self.counts))
        self.counts[core.NO_RETURNS] -= made.reason.size
        self.n_raised += int(made.is_raised.sum())
        self.n_filled += int(made.is_filled.sum())
        known = height_ft[made.reason == core.MEASURED]
        if known.size:
            self.highest_ft = max(self.highest_ft, float(known.max()))
            at = np.minimum(known / BIN_FT, len(self.bins) - 1).astype(np.int64)
            self.bins += np.bincount(at, minlength=len(self.bins))
        thin = np.s_[-row0 % self.step :: self.step, -col0 % self.step :: self.step]
        row, col = -(-row0 // self.step), -(-col0 // self.step)
        rows, cols = made.reason[thin].shape
        self.picture_height[row : row + rows, col : col + cols] = height_ft[thin]
        self.picture_reason[row : row + rows, col : col + cols] = made.reason[thin]


# ------------------------------------------------------------------------------ what is read


def _check_alone(task: Task) -> None:
    """A ground raster beside a cloud would be passed over without a word."""
    for source in ("ground", "ground_returns", "ground_distance"):
        if (given := task.one(source)) is not None:
            raise GeotrimError(
                given.subject,
                "a raster of the ground beside a cloud",
                "one or the other: a cloud's ground is made from its own returns",
                "leave it out, or give a surface raster in place of the cloud",
            )


def _left_out(text: str) -> tuple[int, ...]:
    """Classes to leave out; without the ground's a filter would take its place unasked."""
    numbers = class_numbers(text, "leave_out_classes")
    if GROUND in numbers:
        raise RangeError(
            "leave_out_classes",
            f"{text!r}, with class 2 (ground) in it",
            "classes that stand on the ground and are no plants",
            "take 2 out; say ground_from filter if the class of ground is not to be trusted",
        )
    return numbers


def _opened(task: Task) -> _Work:
    """Every file opened, in one plane."""
    given = task.all("cloud")
    clouds = open_clouds(given)
    said: dict[str, float] = {}
    for item in given:
        for key in ("top_rmse_ft", "ground_rmse_ft"):
            if item.get(key) is not None:
                said[key] = max(float(item.get(key)), said.get(key, 0.0))
    cell = cell_of(clouds, task.params["cell_ft"])
    work = _Work(clouds, cell, said.get("top_rmse_ft"), said.get("ground_rmse_ft"))
    work.notes += clouds.notes
    by_path = {str(cloud.path): cloud for cloud in clouds.clouds}
    for item in given:
        if (cloud := by_path.pop(str(_path(item.path)), None)) is not None:
            detail = cloud.describe()
            detail.pop("path")
            work.inputs.append(input_file(item, "cloud", crs=cloud.file_crs, detail=detail))
    work.notes += _cell_notes(task, work)
    if (lots := task.one("lots")) is not None:
        shapes = read_shapes(lots, "lots")
        work.near = bounds_near(shapes, task.params["margin_ft"], clouds.crs)
        work.notes += shapes.notes
        work.inputs.append(shapes.told)
    if (water := task.one("water")) is not None:
        shapes = read_shapes(water, "water", crs=clouds.crs)
        work.water = shapely.union_all(np.asarray(shapes.table.geometry.array))
        work.notes += shapes.notes
        work.inputs.append(shapes.told)
    return work


def _cell_notes(task: Task, work: _Work) -> list[Note]:
    """How large the cells are, and what that takes away."""
    notes, cell_ft = [], work.cell * work.feet_per_map_unit
    if task.params["cell_ft"] is None:
        n_first = work.clouds.density() * work.cell**2
        text = f"cells of {cell_ft:.4g} ft hold {n_first:.1f} first returns on average, by the "
        text += f"files' headers; falling at random they leave {100 * math.exp(-n_first):.2g} % of "
        text += "the cells empty"
        notes.append(Note("cell_ft", text, "info"))
    if cell_ft > WIDEST_CELL_FT:
        text = f"cells of {cell_ft:.4g} ft are as wide as many crowns: crowns cannot be told apart "
        text += "in them, and a cell's one highest return stands for all of it"
        notes.append(Note("cell_ft", text, "assumed"))
    return notes


def _path(text: str) -> Any:
    from pathlib import Path

    return Path(text).expanduser()


def _limits(task: Task, work: _Work) -> TileLimits:
    params, feet_per_z = task.params, work.clouds.feet_per_z_unit
    level, below = params["flight_water_level_ft"], params["below_ground_ft"]
    if below is None:
        below = BELOW_SIGMAS * (USUAL_RMSE_FT if work.rmse_ft is None else work.rmse_ft)
    return TileLimits(
        gap=params["ground_gap_ft"] / work.feet_per_map_unit,
        water_level=None if level is None else level / feet_per_z,
        below=below / feet_per_z,
        fill_cells=params["fill_cells"],
    )


def _wider(
    bounds: tuple[float, float, float, float], by: float
) -> tuple[float, float, float, float]:
    west, south, east, north = bounds
    return west - by, south - by, east + by, north + by


def _grid(found: tuple[float, float, float, float], work: _Work) -> CloudGrid:
    """Cells that hold every kept return, near the lots if there are some."""
    if work.near is None:
        return grid_of(found, work.cell)
    west, south = (max(found[k], work.near[k]) for k in (0, 1))
    east, north = (min(found[k], work.near[k]) for k in (2, 3))
    if west > east or south > north:
        raise LayerError(
            "lots",
            "no return near the lots",
            "a cloud where the lots are",
            "check the CRS of both, or widen margin_ft",
        )
    return grid_of((west, south, east, north), work.cell)


# ------------------------------------------------------------------------------ what is made


def _made(task: Task, work: _Work, way: GroundWay, tiled: Any) -> _Tally:
    """Write heights and ground, tile by tile, and count them."""
    grid, tally = work.grid, _Tally.of_grid(work.grid)
    feet_per_z, limits = work.clouds.feet_per_z_unit, way.limits
    only_first = task.params["tops"] == "first"
    n = tiled.n_tiles()

    def one(tile: Tile) -> tuple[TileHeights, int, int, int] | None:
        part = _part(tile, grid)
        if part is None:
            return None
        cells, row0, col0 = part
        made, n_ground = _tile(tile, cells, way, work, only_first)
        return made, n_ground, row0, col0

    only_base = not way.uses_filter and not limits.fill_cells
    with ExitStack() as files:
        heights, ground = (files.enter_context(file) for file in _files(task, work))
        tiles = tiled.tiles(way.reach(work.cell), only_base=only_base)
        for k, done in enumerate(in_threads(one, tiles)):
            task.progress(f"heights: tile {k + 1} of {n}")
            if done is None:
                continue
            made, n_ground, row0, col0 = done
            tally.n_ground += n_ground
            height_ft = made.height * feet_per_z
            heights.write(height_ft, row0, col0)
            ground.write(made.ground * feet_per_z, row0, col0)
            tally.add(made, height_ft, row0, col0)
    return tally


def _part(tile: Tile, grid: CloudGrid) -> tuple[CloudGrid, int, int] | None:
    """The tile's cells that are on the grid, and where; None where there are none."""
    row0, row1 = max(tile.row0, grid.row0), min(tile.row1, grid.row0 + grid.rows)
    col0, col1 = max(tile.col0, grid.col0), min(tile.col1, grid.col0 + grid.cols)
    if row0 >= row1 or col0 >= col1:
        return None
    part = CloudGrid(grid.cell, row0, col0, row1 - row0, col1 - col0)
    return part, row0 - grid.row0, col0 - grid.col0


def _tile(
    tile: Tile, part: CloudGrid, way: GroundWay, work: _Work, only_first: bool
) -> tuple[TileHeights, int]:
    """Heights of one tile, and how many ground returns lie in it."""
    surface = way.surface(tile)
    returns = tile.own
    if margin := way.limits.margin_cells:
        returns = Points.join([tile.own, _rim(tile.around, part, margin)])
    is_top = returns.kind != WATER
    if only_first:
        is_top &= returns.return_number <= 1  # 0 where the maker counts none
    x, y, z = returns.x[is_top], returns.y[is_top], returns.z[is_top]
    height = core.heights_above(surface, x, y, z, way.limits.widest)
    if not way.uses_filter:
        height[returns.kind[is_top] == GROUND] = 0.0  # also on the hull, where no triangle is sure
    near = (tile.own, tile.around)
    water_xy = (
        np.concatenate([p.x[p.kind == WATER] for p in near]),
        np.concatenate([p.y[p.kind == WATER] for p in near]),
    )
    is_wet = None if work.water is None else (lambda x, y: middles_inside(work.water, x, y))
    made = core.tile_heights(
        part, x, y, height, surface, way.limits, water_xy=water_xy, is_wet=is_wet
    )
    return made, 0 if surface is None else surface.n_returns_in(part.bounds)


def _rim(around: Points, part: CloudGrid, margin: int) -> Points:
    """Returns in so many cells around a tile, and up to one cell beyond."""
    wide = part.part(-margin - 1, part.rows + margin + 1, -margin - 1, part.cols + margin + 1)
    west, south, east, north = wide.bounds
    is_in = (around.x >= west) & (around.x <= east) & (around.y >= south) & (around.y <= north)
    return around.take(is_in)


def _files(task: Task, work: _Work) -> tuple[Any, Any]:
    """The two rasters, to be opened."""
    grid, clouds = work.grid, work.clouds
    datum = vertical_name(clouds.vertical)
    tags = {"made_by": "geotrim prepare heights"}
    height_tags, ground_tags = {**tags, "holds": "heights"}, {**tags, "holds": "elevations"}
    if work.rmse_ft is not None:
        height_tags["rmse_ft"] = f"{work.rmse_ft:.4f}"
    if work.ground_rmse_ft is not None:
        ground_tags["rmse_ft"] = f"{work.ground_rmse_ft:.4f}"
    ground_crs = clouds.crs
    if datum is not None:
        ground_tags["vertical_datum"] = datum
    if datum == "NAVD88":  # other datums have no code for feet, and would be written as metres
        vertical = CRS.from_epsg(NAVD88_FT)
        ground_crs = CompoundCRS(f"{clouds.crs.name} + {vertical.name}", [clouds.crs, vertical])
    shape, transform = grid.shape, grid.transform
    return (
        new_raster(
            task.folder / HEIGHTS,
            shape=shape,
            transform=transform,
            crs=clouds.crs,
            unit="ft",
            tags=height_tags,
        ),
        new_raster(
            task.folder / GROUND_FILE,
            shape=shape,
            transform=transform,
            crs=ground_crs,
            unit="ft",
            tags=ground_tags,
        ),
    )


def _check_some(tally: _Tally) -> None:
    """At least one cell must have a height."""
    if tally.counts[core.MEASURED]:
        return
    told = [f"{tally.counts[k]:,} {text}" for k, text in core.REASONS.items() if tally.counts[k]]
    raise LayerError(
        "prepare heights",
        f"no cell with a height ({', '.join(told)})",
        "ground returns near the canopy",
        "widen ground_gap_ft, see which classes the cloud has, or correct the water level",
    )


# ------------------------------------------------------------------------------ what is told


def _class_notes(counts: Any) -> list[Note]:
    """Classes that were left out as no plants, and returns whose class nobody judged."""
    notes = []
    gone = counts.left_out.get("of a class left out")
    if gone is not None:
        told = ", ".join(f"{n:,} of {class_name(k)}" for k, n in enumerate(gone.tolist()) if n)
        notes.append(Note("cloud", f"left out as no plants: {told} (leave_out_classes)", "info"))
    things = [(k, text) for k, text in BUILT.items() if not counts.read[k]]
    if things:
        classes = " nor ".join(class_name(k) for k, _ in things)
        text = f"no return is of {classes}: {' and '.join(text for _, text in things)}, if there "
        text += "are any, stand in the heights as canopy. See the picture"
        notes.append(Note("cloud", text, "assumed"))
    return notes


def _told(task: Task, work: _Work, way: GroundWay, tally: _Tally) -> list[Note]:
    """What a reader of the heights must know of how they came about."""
    notes = [Note("heights", text, "info") for text in CAUTIONS]
    if work.rmse_ft is None:
        text = "no standard error: it needs that of the tops and that of the ground "
        text += "(--cloud-top-rmse-ft, --cloud-ground-rmse-ft)"
        notes.append(Note("heights", text, "missing"))
    is_water_told = work.water is not None or task.params["flight_water_level_ft"] is not None
    if not is_water_told and not tally.counts[core.UNDER_WATER]:
        text = "where water stood at the time of flight is not stated, and the cloud has no water "
        text += "returns near the cells; ground under water is not seen"
        notes.append(Note("water", text, "missing"))
    if vertical_name(work.clouds.vertical) is None:
        text = "the vertical datum is not in the file; ground.tif carries none"
        notes.append(Note("ground", text, "missing"))
    if tally.highest_ft > ODD_HEIGHT_FT:
        text = f"heights up to {tally.highest_ft:,.0f} ft: towers, birds, or a wrong unit"
        notes.append(Note("heights", text, "assumed"))
    notes.append(_ground_note(task, work, tally))
    if tally.n_filled:
        share = 100 * tally.n_filled / max(int(tally.counts[core.MEASURED]), 1)
        text = f"{tally.n_filled:,} cells that no return fell in ({share:.2g} % of those with a "
        text += f"height), in holes of up to {task.params['fill_cells']}, got the mean of the "
        text += "cells around: never over the highest of them, so a top that was missed reads low "
        text += "(fill_cells 0 leaves them out)"
        notes.append(Note("heights", text, "assumed"))
    if task.params["tops"] == "first":
        text = "the highest first return of each cell; a later return was met on the way by leaves "
        text += "outside of its cell"
        notes.append(Note("heights", text, "info"))
    return notes


def _ground_note(task: Task, work: _Work, tally: _Tally) -> Note:
    """How dense the ground was seen, and what the gap allowed takes away."""
    n_gap, per_ft2 = int(tally.counts[core.GROUND_GAP]), _ground_per_ft2(work, tally)
    text = f"{tally.n_ground:,} ground returns, {100 * per_ft2:.2g} on 100 ft2 of dry cells with "
    text += f"returns; {n_gap:,} cells ({100 * n_gap / tally.counts.sum():.2g} %) are left out, "
    text += f"mostly as farther than {task.params['ground_gap_ft']:g} ft from the nearest. A wider "
    text += "ground_gap_ft keeps more of them, over ground that was seen less"
    return Note("ground_gap_ft", text, "info")


def _ground_per_ft2(work: _Work, tally: _Tally) -> float:
    """Ground returns on a square foot of the dry cells that returns fell in."""
    without = (core.NO_RETURNS, core.UNDER_WATER)
    n_cells = int(tally.counts.sum() - sum(tally.counts[k] for k in without)) - tally.n_filled
    return tally.n_ground / (max(n_cells, 1) * (work.cell * work.feet_per_map_unit) ** 2)


def _figures(work: _Work, way: GroundWay, tally: _Tally) -> dict[str, Any]:
    """The results by name."""
    counts, rmse = tally.counts, work.rmse_ft
    return {
        "n_rows": work.grid.rows,
        "n_cols": work.grid.cols,
        "cell_size_ft": work.cell * work.feet_per_map_unit,
        "n_cells": int(counts.sum()),
        "n_measured": int(counts[core.MEASURED]),
        "n_under_water": int(counts[core.UNDER_WATER]),
        "n_ground_gap": int(counts[core.GROUND_GAP]),
        "n_off_ground": int(counts[core.OFF_GROUND]),
        "n_no_returns": int(counts[core.NO_RETURNS]),
        "n_below_ground": int(counts[core.BELOW_GROUND]),
        "n_filled": tally.n_filled,
        "n_ground_returns": tally.n_ground,
        "ground_returns_per_ft2": _ground_per_ft2(work, tally),
        "n_set_to_0": tally.n_raised,
        "height_max_ft": tally.highest_ft,
        "rmse_ft": None if rmse is None else round(rmse, 4),
        "ground_from": "filter" if way.uses_filter else "class",
        "vertical_datum": vertical_name(work.clouds.vertical),
    }


def _words(work: _Work, figures: dict[str, Any]) -> str:
    """The findings as the terminal prints them."""
    n, rmse = figures["n_cells"], figures["rmse_ft"]
    how = "a filter" if figures["ground_from"] == "filter" else "class 2"
    lines = [
        "Heights above the substrate, from a lidar cloud",
        f"  grid: {figures['n_rows']:,} x {figures['n_cols']:,} cells of "
        f"{figures['cell_size_ft']:.4g} ft, {named(work.clouds.crs)}",
        *work.classes,
        f"  ground: triangles through the returns found by {how}",
        _line("cells", f"{n:,}"),
        _counted("with a height", figures["n_measured"], n),
    ]
    for key, code in (
        ("n_under_water", core.UNDER_WATER),
        ("n_ground_gap", core.GROUND_GAP),
        ("n_off_ground", core.OFF_GROUND),
        ("n_no_returns", core.NO_RETURNS),
        ("n_below_ground", core.BELOW_GROUND),
    ):
        if figures[key]:
            lines.append(_counted(f"left out: {core.REASONS[code]}", figures[key], n))
    for key, text in (("n_filled", "filled from around"), ("n_set_to_0", "set to 0")):
        if figures[key]:
            lines.append(_counted(text, figures[key], n))
    lines.append(_line("highest", f"{figures['height_max_ft']:.1f} ft"))
    lines.append(_line("error of one height", "not stated" if rmse is None else f"{rmse:.2f} ft"))
    return "\n".join(lines)


def _line(label: str, value: str) -> str:
    return f"  {label:<46}{value:>14}"


def _counted(label: str, count: int, of: int) -> str:
    return f"{_line(label, f'{count:,}')}  {100 * count / of:5.1f} %"


def _draw(task: Task, work: _Work, tally: _Tally) -> None:
    """The picture."""
    a, b, c, d, e, f = work.grid.transform
    step = tally.step
    task.progress("drawing the heights")
    picture = HeightsPicture(
        height_ft=tally.picture_height,
        reason=tally.picture_reason,
        transform=(a * step, b * step, c, d * step, e * step, f),
        feet_per_unit=work.feet_per_map_unit,
        crs=named(work.clouds.crs),
        counts=tally.counts,
        bins=tally.bins,
        bin_ft=BIN_FT,
    )
    draw_heights(task.folder / "heights.png", picture, core.REASONS)
