"""Preparation ``heights`` from a lidar cloud: ground, highest returns above it, cell by cell."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from typing import Any

import numpy as np
import shapely
from pyproj import CRS
from pyproj.crs import CompoundCRS

from geotrim.core import cloud_heights as core
from geotrim.core.cloud_grid import CloudGrid, cells_of, count_in_cells, grid_of
from geotrim.core.cloud_heights import TileHeights, TileLimits
from geotrim.core.datums import DATUM_NAMES, datum_named
from geotrim.core.ground import GroundSurface
from geotrim.core.height_difference import BELOW_SIGMAS, USUAL_RMSE_FT, middles_inside
from geotrim.errors import GeotrimError, LayerError, RangeError
from geotrim.io.cloud_tiles import TILE_POINTS, Tile, tile_clouds
from geotrim.io.clouds import GROUND, WATER, Points, vertical_name
from geotrim.io.crs import named
from geotrim.io.raster_write import new_raster
from geotrim.prepare.cloud_work import (
    GroundWay,
    cell_of,
    class_numbers,
    class_table,
    ground_way,
    in_threads,
    open_clouds,
    sieve_of,
)
from geotrim.prepare.heights_cloud_told import (
    CloudTally,
    CloudWork,
    cell_notes,
    class_notes,
    figures_of,
    told_notes,
    words_of,
)
from geotrim.prepare.heights_told import BIN_FT, check_some
from geotrim.prepare.places import bounds_near, input_file, read_shapes
from geotrim.prepare.task import Prepared, Task
from geotrim.report.heights_figure import HeightsPicture, draw_heights

HEIGHTS, GROUND_FILE = "heights.tif", "ground.tif"
#: EPSG code of NAVD88 heights in international feet. Source: EPSG registry.
NAVD88_FT = 8228


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
        work.notes += class_notes(tiled.counts)
    check_some(
        tally.counts,
        core.REASONS,
        "ground returns near the canopy",
        "widen ground_gap_ft, see which classes the cloud has, or correct the water level",
    )
    work.notes += told_notes(task, work, way, tally)
    _draw(task, work, tally)
    figures = figures_of(work, way, tally)
    files = {
        HEIGHTS: "heights above the substrate, ft",
        GROUND_FILE: "elevation of the ground, ft",
        "heights.png": "a picture of the heights",
    }
    return Prepared(
        files=files,
        site=_site_tables(work, figures),
        figures=figures,
        notes=tuple(work.notes),
        words=words_of(work, figures),
        inputs=tuple(work.inputs),
    )


def _site_tables(work: CloudWork, figures: Mapping[str, Any]) -> dict[str, Any]:
    """Tables of a site file; the ground only where the MHW line can be above its datum too."""
    tables: dict[str, Any] = {
        "heights": {"file": HEIGHTS, "unit": "ft", "rmse_ft": figures["rmse_ft"]}
    }
    datum = vertical_name(work.clouds.vertical)
    if datum is not None and datum_named(datum) in DATUM_NAMES:
        tables["ground"] = {"file": GROUND_FILE, "unit": "ft", "vertical_datum": datum}
    return tables


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


def _opened(task: Task) -> CloudWork:
    """Every file opened, in one plane."""
    given = task.all("cloud")
    clouds = open_clouds(given)
    said: dict[str, float] = {}
    for item in given:
        for key in ("top_rmse_ft", "ground_rmse_ft"):
            if item.get(key) is not None:
                said[key] = max(float(item.get(key)), said.get(key, 0.0))
    cell = cell_of(clouds, task.params["cell_ft"])
    work = CloudWork(clouds, cell, said.get("top_rmse_ft"), said.get("ground_rmse_ft"))
    work.notes += clouds.notes
    by_path = {str(cloud.path): cloud for cloud in clouds.clouds}
    for item in given:
        if (cloud := by_path.pop(str(_path(item.path)), None)) is not None:
            detail = cloud.describe()
            detail.pop("path")
            work.inputs.append(input_file(item, "cloud", crs=cloud.file_crs, detail=detail))
    work.notes += cell_notes(task, work)
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


def _path(text: str) -> Any:
    from pathlib import Path

    return Path(text).expanduser()


def _limits(task: Task, work: CloudWork) -> TileLimits:
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


def _grid(found: tuple[float, float, float, float], work: CloudWork) -> CloudGrid:
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


def _made(task: Task, work: CloudWork, way: GroundWay, tiled: Any) -> CloudTally:
    """Write heights and ground, tile by tile, and count them."""
    grid, tally = work.grid, CloudTally.of_grid(work.grid)
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
    tile: Tile, part: CloudGrid, way: GroundWay, work: CloudWork, only_first: bool
) -> tuple[TileHeights, int]:
    """Heights of one tile, and how many ground returns lie in its dry cells."""
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
    return made, _dry_ground(surface, part, made)


def _dry_ground(surface: GroundSurface | None, part: CloudGrid, made: TileHeights) -> int:
    """Ground returns in the cells of a tile that are not under water."""
    if surface is None:
        return 0
    row, col = cells_of(surface.x + surface.west, surface.y + surface.south, part)
    n = count_in_cells(row, col, part.shape)
    return int(n[made.reason != core.UNDER_WATER].sum())


def _rim(around: Points, part: CloudGrid, margin: int) -> Points:
    """Returns in so many cells around a tile, and up to one cell beyond."""
    wide = part.part(-margin - 1, part.rows + margin + 1, -margin - 1, part.cols + margin + 1)
    west, south, east, north = wide.bounds
    is_in = (around.x >= west) & (around.x <= east) & (around.y >= south) & (around.y <= north)
    return around.take(is_in)


def _files(task: Task, work: CloudWork) -> tuple[Any, Any]:
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


def _draw(task: Task, work: CloudWork, tally: CloudTally) -> None:
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
