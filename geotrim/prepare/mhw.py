"""``geotrim prepare mhw``: the MHW line from a ground model and an MHW elevation.

Method: the contour of a ground model at a published MHW elevation (after USGS Open-File Report
2005-1027). Its horizontal error is the vertical error over the slope of the ground.
"""

from __future__ import annotations

from typing import Any

from geotrim.core import datums
from geotrim.io.layers import write_layer
from geotrim.io.repair import counted
from geotrim.model import Note
from geotrim.prepare.mhw_ground import Ground, open_ground, place_of
from geotrim.prepare.mhw_level import MhwLevel, settle_level
from geotrim.prepare.mhw_line import finish_lines, line_figures, line_layers, trace
from geotrim.prepare.places import input_file
from geotrim.prepare.task import Prepared, Task

#: A change of the line's length beyond this share, over the error of the level, is told.
TOLD_CHANGE_FRAC = 0.1
#: What no stated error covers. Source: USGS data release, corrected elevation model of Collier
#: County (2019): lidar 34.3 cm high on average at 15,223 points in marsh, mangrove and cypress.
GROUND_CAUTION = (
    "taken to be bare ground at the level. Lidar ground in wetlands of southwest Florida was found "
    "1.1 ft high on average (USGS 2019), which draws the line too far towards the water; so does "
    "water of the day of flight taken for ground"
)


def prepare_mhw(task: Task) -> Prepared:
    """Draw the MHW line; see the declaration in :mod:`geotrim.prepare.catalogue`."""
    task.progress("open the ground model")
    ground = open_ground(task)
    with ground.raster:
        level = settle_level(task, ground.datum, ground.epoch, place_of(ground))
        error_ft = None  # of the level against the ground; unknown where the ground's own is
        if ground.raster.rmse_ft is not None:
            error_ft = datums.combined_error(ground.raster.rmse_ft, level.error_ft)
        task.progress(f"contour at {level.elevation_ft:+.2f} ft {level.datum}")
        traced = trace(task, ground, level, error_ft)
        lines, notes, figures = finish_lines(task, ground, traced)
        figures |= line_figures(task, ground, traced, lines, level, error_ft)
        layers = line_layers(task, ground, traced, lines, level, error_ft)
        for name, table in layers.items():
            write_layer(table, task.folder / "mhw_line.gpkg", layer=name)
        task.progress("draw the figure")
        _draw(task, ground, layers, level, error_ft)
    notes = [*ground.notes, *level.notes, *notes, *_notes(task, ground, level, figures, error_ft)]
    return Prepared(
        {
            "mhw_line.gpkg": f"layers {', '.join(layers)}",
            "mhw_line.png": "the line on the ground model",
            "mhw_line.svg": "the same, as a drawing",
        },
        {"mhw_line": _site_table(level, figures)},
        {**figures, **level.figures, "mhw_elevation_from": level.how},
        tuple(notes),
        _words(figures, level),
        _inputs(task, ground, level),
    )


def _site_table(level: MhwLevel, figures: dict[str, Any]) -> dict[str, Any]:
    table = {
        "file": "mhw_line.gpkg",
        "layer": "mhw_line",
        "origin": "datum-and-ground",
        "epoch": level.epoch,
        "vertical_datum": level.datum,
        "elevation_ft": round(level.elevation_ft, 4),
    }
    if "position_error_rms_ft" in figures:
        table["position_rmse_ft"] = round(figures["position_error_rms_ft"], 2)
        is_least = figures["error_is_lower_bound"]
        table["position_rmse_is"] = "lower-bound" if is_least else "whole"
    return table


def _inputs(task: Task, ground: Ground, level: MhwLevel) -> tuple[Any, ...]:
    told = input_file(
        task.files["ground"][0], "ground", crs=ground.raster.crs, detail=ground.raster.describe()
    )
    return (told, *([ground.lots.told] if ground.lots else []), *level.inputs)


def _notes(
    task: Task, ground: Ground, level: MhwLevel, told: dict[str, Any], error_ft: float | None
) -> list[Note]:
    notes = [Note("ground", GROUND_CAUTION, "assumed")]
    if ground.lots is not None:
        text = (
            f"drawn within about {task.params['margin_ft']:,g} ft of the lots; islands and ponds "
        )
        notes.append(Note("MHW line", text + "cut there count as shore"))
    if error_ft is None:
        text = "not known: the ground's standard error is not stated (--ground-rmse-ft), so there "
        return [*notes, Note("position of the line", text + "is no band", "missing")]
    if told["capped_frac"] > 0:
        most = f"{task.params['most_error_ft']:g} ft"
        text = f"on {told['capped_frac']:.1%} of its length the ground is so flat that the error "
        text += f"is {most} or more; told as {most} there"
        notes.append(Note("position of the line", text, "assumed"))
    if told["error_is_lower_bound"]:
        notes.append(Note("position of the line", _lower_bound(level, told), "missing"))
    if error_ft > 0:
        notes.append(_sensitivity(told, error_ft))
    return notes


def _lower_bound(level: MhwLevel, told: dict[str, Any]) -> str:
    """Why the error that is told is less than the line's."""
    why = []
    if level.error_ft is None:
        why.append("the error of the MHW elevation is not known")
    elif not level.is_error_whole:
        why.append("the error of the MHW elevation is known in part")
    if told["capped_frac"] > 0:
        why.append("it is cut off on flat ground")
    at_least = f"{told['position_error_rms_ft']:,.1f} ft"
    return f"its error is a lower bound ({at_least} or more): {' and '.join(why)}"


def _sensitivity(told: dict[str, Any], error_ft: float) -> Note:
    """How much the length of the contour depends on the level."""
    at, low, high = (told[f"length_{key}_ft"] for key in ("at_level", "at_low", "at_high"))
    text = f"{low:,.0f} ft of contour {error_ft:.2f} ft lower, {at:,.0f} ft at the level, "
    text += f"{high:,.0f} ft as much higher"
    if max(abs(low - at), abs(high - at)) > TOLD_CHANGE_FRAC * at:
        return Note("MHW line", f"{text}: the length depends on the level", "assumed")
    return Note("MHW line", text)


def _draw(
    task: Task, ground: Ground, layers: dict[str, Any], level: MhwLevel, error_ft: float | None
) -> None:
    from geotrim.report.mhw_figure import MhwSheet, mhw_figure
    from geotrim.report.save import save_figure

    lots = None if ground.lots is None else ground.lots.table
    title = f"Mean high water line at {level.elevation_ft:+.2f} ft {level.datum}"
    sheet = MhwSheet(
        title, level.how, level.epoch, ground.crs, ground.raster, layers, lots, error_ft
    )
    save_figure(mhw_figure(sheet), task.folder / "mhw_line")


def _words(told: dict[str, Any], level: MhwLevel) -> str:
    lines = [
        f"MHW at {level.elevation_ft:+.2f} ft {level.datum}, epoch {level.epoch} ({level.how})",
        f"contour: {told['length_at_level_ft']:,.1f} ft in "
        f"{counted(told['n_contour_pieces'], 'piece')}; "
        f"kept: {told['n_shore']} shore, {told['n_island']} island, {told['n_pond']} pond",
        f"MHW line: {told['line_length_ft']:,.1f} ft in {counted(told['n_lines'], 'piece')}"
        + (" (ponds apart)" if told["n_ponds_apart"] else ""),
    ]
    if "position_error_rms_ft" in told:
        least = "at least " if told["error_is_lower_bound"] else ""
        lines.append(
            f"position: off by {least}{told['position_error_median_ft']:,.1f} ft at the median, "
            f"{told['position_error_p90_ft']:,.1f} ft or more on the worst tenth, "
            f"root mean square {told['position_error_rms_ft']:,.1f} ft"
        )
    return "\n".join(lines)
