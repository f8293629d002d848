"""Preparation ``heights``: surface less ground, from two rasters; from a cloud it is handed on."""

from __future__ import annotations

from contextlib import ExitStack

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS

from geotrim.core import height_difference as core
from geotrim.errors import GeotrimError, LayerError
from geotrim.io.aligned import Aligned, grid_crs, result_grid
from geotrim.io.crs import move_note, named
from geotrim.io.datum_match import check_same_datum, settled_datum
from geotrim.io.files import local_path
from geotrim.io.raster_write import new_raster
from geotrim.io.rasters import HeightRaster, open_heights
from geotrim.model import InputFile, Note
from geotrim.prepare.heights_told import (
    BIN_FT,
    Tally,
    Work,
    check_some,
    figures_of,
    told_notes,
    words_of,
)
from geotrim.prepare.places import bounds_near, input_file, read_shapes
from geotrim.prepare.task import GivenFile, Prepared, Task
from geotrim.report.heights_figure import HeightsPicture, draw_heights
from geotrim.units import feet_per_map_unit

HEIGHTS = "heights.tif"
#: Parameters that only a cloud can answer to.
CLOUD_PARAMS = ("tops", "ground_from", "leave_out_classes", "overlap", "fill_cells")


def prepare_heights(task: Task) -> Prepared:
    """Heights above the substrate, from a surface and a ground raster or from a lidar cloud.

    Raises
    ------
    GeotrimError
        If both a surface and a cloud are given, or neither; or an input does not fit.
    """
    has_cloud, has_surface = bool(task.all("cloud")), task.one("surface") is not None
    if has_cloud == has_surface:
        raise GeotrimError(
            "prepare heights",
            "both a surface and a cloud" if has_cloud else "neither a surface nor a cloud",
            "one of them: --surface with --ground, or --cloud",
            "leave one out" if has_cloud else "name the surface and the ground, or the cloud",
        )
    if not has_cloud and (strange := [name for name in CLOUD_PARAMS if name in task.stated]):
        raise GeotrimError(
            strange[0],
            "a choice about a cloud beside a surface raster",
            "--cloud, or a surface without it",
            "leave it out: a raster's returns have been chosen by its maker",
        )
    if has_cloud:
        from geotrim.prepare.heights_cloud import prepare_heights_cloud

        return prepare_heights_cloud(task)
    return _from_rasters(task)


def _from_rasters(task: Task) -> Prepared:
    """Surface less ground, window by window."""
    with ExitStack() as open_files:
        work = _opened(task, open_files)
        rmse_ft = _rmse(work)
        below_ft = _below(task, rmse_ft)
        tally = _made(task, work, rmse_ft, below_ft)
    check_some(
        tally.counts,
        core.REASONS,
        "a surface and a ground that cover the same place, in one datum",
        "check the CRS, unit and extent of both, and the water's outline",
    )
    work.notes += told_notes(task, work, tally, rmse_ft, below_ft)
    _draw(task, work, tally)
    figures = figures_of(work, tally, rmse_ft, below_ft)
    return Prepared(
        files={HEIGHTS: "heights above the substrate, ft", "heights.png": "a picture of them"},
        site={"heights": {"file": HEIGHTS, "unit": "ft", "rmse_ft": figures["rmse_ft"]}},
        figures=figures,
        notes=tuple(work.notes),
        words=words_of(work, figures),
        inputs=tuple(work.inputs),
    )


# ------------------------------------------------------------------------------ what is read


def _opened(task: Task, open_files: ExitStack) -> Work:
    """Every file opened, its unit, CRS and datum made sure of, on the grid of the result."""
    given_surface, given_ground = task.one("surface"), task.one("ground")
    assert given_surface is not None
    if given_ground is None:
        raise GeotrimError(
            "--ground",
            "a surface without a ground model",
            "a raster of ground elevations, to take from the surface",
            "say --ground FILE",
        )
    _check_two(given_surface, given_ground)
    surface = open_files.enter_context(_raster(given_surface))
    ground = open_files.enter_context(_raster(given_ground))
    notes = [*surface.notes, *ground.notes, *_datum_notes(given_surface, given_ground)]
    crs, told = grid_crs(surface)
    notes += told
    near, inputs = None, []
    if (lots := task.one("lots")) is not None:
        shapes = read_shapes(lots, "lots")
        near = bounds_near(shapes, task.params["margin_ft"], crs)
        notes += shapes.notes
        inputs.append(shapes.told)
    grid = result_grid(surface, crs, cell_ft=task.params["cell_ft"], near=near)
    work = Work(
        grid, Aligned(surface, grid, "pick"), Aligned(ground, grid, "bilinear"), notes=notes
    )
    work.inputs += [_told_file(given_surface, "surface", surface)]
    work.inputs += [_told_file(given_ground, "ground", ground), *inputs]
    _add_returns(task, work, open_files)
    _add_water(task, work)
    work.notes += [_way_note(work.surface), _way_note(work.ground), *_move_notes(work)]
    return work


def _check_two(surface: GivenFile, ground: GivenFile) -> None:
    """The surface and the ground must be two rasters."""
    same_file = (
        local_path(surface.path, surface.subject).resolve()
        == local_path(ground.path, ground.subject).resolve()
    )
    if same_file and surface.get("band", 1) == ground.get("band", 1):
        raise LayerError(
            ground.subject,
            "the raster that is the surface too",
            "two rasters: the canopy's top and the bare ground",
            "name the other file, or another band with --ground-band",
        )


def _raster(
    given: GivenFile, unit: str | None = None, *, holds: str = "elevations"
) -> HeightRaster:
    return open_heights(
        local_path(given.path, given.subject),
        unit=given.get("unit") or unit,
        band=given.get("band", 1),
        rmse_ft=given.get("rmse_ft"),
        crs=given.get("crs"),
        subject=given.subject,
        holds=holds,
    )


def _told_file(given: GivenFile, role: str, opened: HeightRaster) -> InputFile:
    detail = opened.describe()
    detail.pop("path")
    return input_file(given, role, crs=opened.crs, detail=detail)


def _datum_notes(surface: GivenFile, ground: GivenFile) -> list[Note]:
    """Refuse two datums; tell where one is not known."""
    of = [settled_datum(item.path, item.get("datum"), item.subject) for item in (surface, ground)]
    check_same_datum(of[0], of[1], (surface.subject, ground.subject))
    if of[0] is not None and of[1] is not None:
        return [Note("heights", f"surface and ground are both in {of[0]}", "info")]
    unknown = [name for name, one in zip(("surface", "ground"), of, strict=True) if one is None]
    text = f"the vertical datum of the {' and the '.join(unknown)} is not stated; "
    text += "both are taken to be in one datum, and any difference would be read as height"
    return [Note("heights", text, "assumed")]


def _add_returns(task: Task, work: Work, open_files: ExitStack) -> None:
    """Rasters that tell where the ground was really seen."""
    if (given := task.one("ground_returns")) is not None:
        # counts have no unit; feet stand in for it and nothing is converted
        opened = open_files.enter_context(_raster(given, unit="ft", holds="anything"))
        work.returns = Aligned(opened, work.grid, "pick")
        work.inputs.append(_told_file(given, "ground_returns", opened))
    if (given := task.one("ground_distance")) is not None:
        opened = open_files.enter_context(_raster(given, holds="anything"))
        work.distance = Aligned(opened, work.grid, "pick")
        work.inputs.append(_told_file(given, "ground_distance", opened))
        work.notes += opened.notes


def _add_water(task: Task, work: Work) -> None:
    """Water at the time of flight, one area in the grid's CRS."""
    if (given := task.one("water")) is None:
        return
    shapes = read_shapes(given, "water", crs=work.grid.crs)
    work.water = shapely.union_all(np.asarray(shapes.table.geometry.array))
    work.notes += shapes.notes
    work.inputs.append(shapes.told)


def _way_note(one: Aligned) -> Note:
    """How a raster was brought onto the grid."""
    about = one.raster.subject
    if not one.is_resampled:
        return Note(about, "read cell on cell, nothing resampled", "info")
    if one.takes_highest:
        text = "each cell takes the highest of the smaller cells whose middles lie in it"
    elif one.how == "pick":
        text = "each cell takes the value of the cell that holds its middle"
    else:
        text = "read at the middle of each cell, between the four cells round it (bilinear)"
    return Note(about, text, "info")


def _move_notes(work: Work) -> list[Note]:
    """What is known of every change of CRS."""
    notes = []
    for one in (work.surface, work.ground, work.returns, work.distance):
        if one is None or one.move is None:
            continue
        own, crs = CRS.from_user_input(one.raster.crs), CRS.from_user_input(work.grid.crs)
        note = move_note(own, crs, one.move, one.raster.subject)
        notes.append(Note(note.about, note.text.replace("the site's ", ""), note.level))
    return notes


def _rmse(work: Work) -> float | None:
    """Standard error of one height, where both are stated. [ft]."""
    top, ground = work.surface.raster.rmse_ft, work.ground.raster.rmse_ft
    return None if top is None or ground is None else core.difference_rmse_ft(top, ground)


def _below(task: Task, rmse_ft: float | None) -> float:
    """How far below the ground a surface still counts as at the ground. [ft]."""
    if task.params["below_ground_ft"] is not None:
        return float(task.params["below_ground_ft"])
    return core.BELOW_SIGMAS * (core.USUAL_RMSE_FT if rmse_ft is None else rmse_ft)


# ------------------------------------------------------------------------------ what is made


def _made(task: Task, work: Work, rmse_ft: float | None, below_ft: float) -> Tally:
    """Write the heights, window by window, and count them."""
    grid, tally = work.grid, Tally.of_grid(work.grid)
    tags = {"made_by": "geotrim prepare heights", "holds": "heights"}
    if rmse_ft is not None:
        tags["rmse_ft"] = f"{rmse_ft:.4f}"
    blocks = list(grid.blocks())
    path = task.folder / HEIGHTS
    with new_raster(
        path, shape=grid.shape, transform=grid.transform, crs=grid.crs, unit="ft", tags=tags
    ) as out:
        for k, block in enumerate(blocks):
            task.progress(f"heights: window {k + 1} of {len(blocks)}")
            made = _window(task, work, block, below_ft)
            out.write(made.height_ft, block[0], block[2])
            tally.add(made, block[0], block[2])
    return tally


def _window(
    task: Task, work: Work, block: tuple[int, int, int, int], below_ft: float
) -> core.Difference:
    """Heights of one window."""
    surface, _ = work.surface.read(*block)
    ground, state = work.ground.read(*block)
    return core.height_difference(
        surface * work.surface.raster.feet_per_unit,
        ground * work.ground.raster.feet_per_unit,
        state,
        is_under_water=core.middles_inside(work.water, *work.grid.middles(*block)),
        is_gap=_gap(work, block, task.params["ground_gap_ft"]),
        water_level_ft=task.params["flight_water_level_ft"],
        below_ft=below_ft,
    )


def _gap(
    work: Work, block: tuple[int, int, int, int], reach_ft: float
) -> npt.NDArray[np.bool_] | None:
    """Cells with no ground return within reach; returns beyond the window's edge are seen."""
    is_gap = None
    row0, row1, col0, col1 = block
    if work.returns is not None:
        cell = work.grid.cell_ft()
        down, right = (int(reach_ft // side) + 1 for side in cell)
        n_returns, _ = work.returns.read(row0 - down, row1 + down, col0 - right, col1 + right)
        far = core.far_from_returns(n_returns, cell, reach_ft)
        is_gap = far[down : down + row1 - row0, right : right + col1 - col0]
    if work.distance is not None:
        away, _ = work.distance.read(*block)
        far = ~(away * work.distance.raster.feet_per_unit <= reach_ft)
        is_gap = far if is_gap is None else is_gap | far
    return is_gap


def _draw(task: Task, work: Work, tally: Tally) -> None:
    """The picture, north up on the page where the grid is."""
    a, b, c, d, e, f = work.grid.transform
    step = tally.step
    task.progress("drawing the heights")
    draw_heights(
        task.folder / "heights.png",
        HeightsPicture(
            height_ft=tally.picture_height,
            reason=tally.picture_reason,
            transform=(a * step, b * step, c, d * step, e * step, f),
            feet_per_unit=feet_per_map_unit(work.grid.crs, "heights"),
            crs=named(CRS.from_user_input(work.grid.crs)),
            counts=tally.counts,
            bins=tally.bins,
            bin_ft=BIN_FT,
        ),
        core.REASONS,
    )
