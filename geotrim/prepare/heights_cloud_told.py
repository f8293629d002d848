"""What heights from a lidar cloud are made of, counted as, and told by."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.core import cloud_heights as core
from geotrim.core.cloud_grid import CloudGrid
from geotrim.core.cloud_heights import TileHeights
from geotrim.io.clouds import vertical_name
from geotrim.io.crs import named
from geotrim.model import InputFile, Note
from geotrim.prepare.cloud_work import GroundWay, OpenClouds, class_name
from geotrim.prepare.heights_told import (
    BIN_FT,
    LAST_BIN_FT,
    ODD_HEIGHT_FT,
    PICTURE_CELLS,
    counted,
    line,
)
from geotrim.prepare.task import Task

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


@dataclass(slots=True, eq=False)
class CloudWork:
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
class CloudTally:
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
    def of_grid(cls, grid: CloudGrid) -> CloudTally:
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


def cell_notes(task: Task, work: CloudWork) -> list[Note]:
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


def class_notes(counts: Any) -> list[Note]:
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


def told_notes(task: Task, work: CloudWork, way: GroundWay, tally: CloudTally) -> list[Note]:
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


def _ground_note(task: Task, work: CloudWork, tally: CloudTally) -> Note:
    """How dense the ground was seen, and what the gap allowed takes away."""
    n_gap, per_ft2 = int(tally.counts[core.GROUND_GAP]), _ground_per_ft2(work, tally)
    text = f"{tally.n_ground:,} ground returns, {100 * per_ft2:,.1f} on 100 ft2 of dry cells with "
    text += f"returns; {n_gap:,} cells ({100 * n_gap / tally.counts.sum():.2g} %) are left out, "
    text += f"mostly as farther than {task.params['ground_gap_ft']:g} ft from the nearest"
    if n_gap:
        text += ". A wider ground_gap_ft keeps more of them, over ground that was seen less"
    return Note("ground_gap_ft", text, "info")


def _ground_per_ft2(work: CloudWork, tally: CloudTally) -> float:
    """Ground returns on a square foot of the dry cells that returns fell in."""
    without = (core.NO_RETURNS, core.UNDER_WATER)
    n_cells = int(tally.counts.sum() - sum(tally.counts[k] for k in without)) - tally.n_filled
    return tally.n_ground / (max(n_cells, 1) * (work.cell * work.feet_per_map_unit) ** 2)


def figures_of(work: CloudWork, way: GroundWay, tally: CloudTally) -> dict[str, Any]:
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


def words_of(work: CloudWork, figures: dict[str, Any]) -> str:
    """The findings as the terminal prints them."""
    n, rmse = figures["n_cells"], figures["rmse_ft"]
    how = "a filter" if figures["ground_from"] == "filter" else "class 2"
    lines = [
        "Heights above the substrate, from a lidar cloud",
        f"  grid: {figures['n_rows']:,} x {figures['n_cols']:,} cells of "
        f"{figures['cell_size_ft']:.4g} ft, {named(work.clouds.crs)}",
        *work.classes,
        f"  ground: triangles through the returns found by {how}",
        line("cells", f"{n:,}"),
        counted("with a height", figures["n_measured"], n),
    ]
    for key, code in (
        ("n_under_water", core.UNDER_WATER),
        ("n_ground_gap", core.GROUND_GAP),
        ("n_off_ground", core.OFF_GROUND),
        ("n_no_returns", core.NO_RETURNS),
        ("n_below_ground", core.BELOW_GROUND),
    ):
        if figures[key]:
            lines.append(counted(f"left out: {core.REASONS[code]}", figures[key], n))
    for key, text in (("n_filled", "filled from around"), ("n_set_to_0", "set to 0")):
        if figures[key]:
            lines.append(counted(text, figures[key], n))
    lines.append(line("highest", f"{figures['height_max_ft']:.1f} ft"))
    lines.append(line("error of one height", "not stated" if rmse is None else f"{rmse:.2f} ft"))
    return "\n".join(lines)
