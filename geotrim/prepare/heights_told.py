"""What heights from two rasters are made of, counted as, and told by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from pyproj import CRS

from geotrim.core import height_difference as core
from geotrim.core.resample import FloatArray
from geotrim.errors import LayerError
from geotrim.io.aligned import Aligned, Grid
from geotrim.io.crs import named
from geotrim.model import InputFile, Note
from geotrim.prepare.task import Task

#: A picture of the heights has at most this many cells along its longer side.
PICTURE_CELLS = 1200
#: Bins of the histogram. [ft]
BIN_FT, LAST_BIN_FT = 1.0, 200.0
#: More cells than this share far below the ground point to a wrong unit, datum or place.
MANY_BELOW_FRAC = 0.02
#: A height over this is told: no mangrove is as tall. Published records of the trade stay under
#: half of it (from memory). [ft]
ODD_HEIGHT_FT = 200.0


@dataclass(slots=True, eq=False)
class Work:
    """Everything that is read, on one grid."""

    grid: Grid
    surface: Aligned
    ground: Aligned
    water: Any = None
    returns: Aligned | None = None
    distance: Aligned | None = None
    notes: list[Note] = field(default_factory=list)
    inputs: list[InputFile] = field(default_factory=list)


@dataclass(slots=True, eq=False)
class Tally:
    """What is counted while the heights are made."""

    picture_height: FloatArray
    picture_reason: npt.NDArray[np.uint8]
    step: int
    counts: npt.NDArray[np.int64] = field(
        default_factory=lambda: np.zeros(len(core.REASONS) + 1, np.int64)
    )
    bins: npt.NDArray[np.int64] = field(
        default_factory=lambda: np.zeros(round(LAST_BIN_FT / BIN_FT), np.int64)
    )
    n_raised: int = 0
    highest_ft: float = -np.inf
    lowest_ft: float = 0.0

    @classmethod
    def of_grid(cls, grid: Grid) -> Tally:
        """Empty, with a picture thin enough to hold."""
        step = max(-(-max(grid.shape) // PICTURE_CELLS), 1)
        shape = tuple(-(-n // step) for n in grid.shape)
        return cls(np.full(shape, np.nan), np.zeros(shape, np.uint8), step)

    def add(self, made: core.Difference, row0: int, col0: int) -> None:
        """Count one window."""
        self.counts += core.counts_of(made.reason)
        self.n_raised += int(made.is_raised.sum())
        self.lowest_ft = min(self.lowest_ft, made.below_ft)
        known = made.height_ft[made.reason == core.MEASURED]
        if known.size:
            self.highest_ft = max(self.highest_ft, float(known.max()))
            at = np.minimum(known / BIN_FT, len(self.bins) - 1).astype(np.int64)
            self.bins += np.bincount(at, minlength=len(self.bins))
        first_row, first_col = -row0 % self.step, -col0 % self.step
        height = made.height_ft[first_row :: self.step, first_col :: self.step]
        row, col = -(-row0 // self.step), -(-col0 // self.step)
        here = np.s_[row : row + height.shape[0], col : col + height.shape[1]]
        self.picture_height[here] = height
        self.picture_reason[here] = made.reason[first_row :: self.step, first_col :: self.step]


def told_notes(
    task: Task, work: Work, tally: Tally, rmse_ft: float | None, below_ft: float
) -> list[Note]:
    """What a reader of the heights must know of how they came about."""
    notes = []
    if rmse_ft is None:
        text = "no standard error: it needs that of the surface and that of the ground"
        notes.append(Note("heights", f"{text} (--surface-rmse-ft, --ground-rmse-ft)", "missing"))
        if task.params["below_ground_ft"] is None:
            text = f"a surface up to {below_ft:.2f} ft below the ground is taken to be at it: "
            text += f"{core.BELOW_SIGMAS:g} times the error usual for lidar, as none is stated"
            notes.append(Note("heights", text, "assumed"))
    if work.water is None and task.params["flight_water_level_ft"] is None:
        text = "where water stood at the time of flight is not stated; the ground under water was "
        text += "not seen, and heights there stand on a guess of the model's maker"
        notes.append(Note("water", text, "missing"))
    if work.returns is None and work.distance is None:
        text = "where the ground was really seen is not stated; under dense mangrove it is often "
        text += "filled in from far off"
        notes.append(Note("ground", text, "missing"))
    n_seen = int(tally.counts.sum() - tally.counts[core.NO_SURFACE])
    n_below = int(tally.counts[core.BELOW_GROUND])
    if n_below > MANY_BELOW_FRAC * n_seen:
        text = f"{100 * n_below / n_seen:.1f} % of the cells lie more than {below_ft:.2f} ft below "
        text += "the ground; check the units, the datums and the places of both rasters"
        notes.append(Note("heights", text, "assumed"))
    if tally.highest_ft > ODD_HEIGHT_FT:
        text = f"heights up to {tally.highest_ft:,.0f} ft: towers, birds, or a wrong unit"
        notes.append(Note("heights", text, "assumed"))
    return notes


def figures_of(work: Work, tally: Tally, rmse_ft: float | None, below_ft: float) -> dict[str, Any]:
    """The results by name."""
    names = ("no_surface", "off_ground", "no_ground", "under_water", "ground_gap", "below_ground")
    rows, cols = work.grid.cell_ft()
    return {
        "n_rows": work.grid.shape[0],
        "n_cols": work.grid.shape[1],
        "cell_height_ft": rows,
        "cell_width_ft": cols,
        "n_cells": int(tally.counts.sum()),
        "n_measured": int(tally.counts[core.MEASURED]),
        **{f"n_{name}": int(tally.counts[k]) for k, name in enumerate(names, 1)},
        "n_set_to_0": tally.n_raised,
        "below_ground_ft": below_ft,
        "lowest_left_out_ft": tally.lowest_ft if tally.counts[core.BELOW_GROUND] else None,
        "height_max_ft": tally.highest_ft,
        "rmse_ft": None if rmse_ft is None else round(rmse_ft, 4),
    }


def words_of(work: Work, figures: dict[str, Any]) -> str:
    """The findings as the terminal prints them."""
    n, rows, cols = figures["n_cells"], figures["n_rows"], figures["n_cols"]
    side, wide = figures["cell_height_ft"], figures["cell_width_ft"]
    cell = f"{side:.3g} ft" if abs(side - wide) < 1e-6 * side else f"{wide:.3g} x {side:.3g} ft"
    lines = [
        "Heights above the substrate, surface less ground",
        f"  grid: {rows:,} x {cols:,} cells of {cell}, {named(CRS.from_user_input(work.grid.crs))}",
        line("cells", f"{n:,}"),
        counted("with a height", figures["n_measured"], n),
    ]
    for key, text in zip(list(figures)[6:12], core.REASONS.values(), strict=True):
        if figures[key]:
            lines.append(counted(f"left out: {text}", figures[key], n))
    if figures["n_set_to_0"]:
        text = f"set to 0, up to {figures['below_ground_ft']:.2f} ft below the ground"
        lines.append(counted(text, figures["n_set_to_0"], n))
    lines.append(line("highest", f"{figures['height_max_ft']:.1f} ft"))
    if figures["lowest_left_out_ft"] is not None:
        lines.append(line("lowest, left out", f"{figures['lowest_left_out_ft']:.1f} ft"))
    rmse = figures["rmse_ft"]
    lines.append(line("error of one height", "not stated" if rmse is None else f"{rmse:.2f} ft"))
    return "\n".join(lines)


def check_some(counts: Any, reasons: Mapping[int, str], need: str, mend: str) -> None:
    """At least one cell must have a height.

    Parameters
    ----------
    counts : cells of each code; those with a height come first.
    reasons : code -> why a cell has none.
    need, mend : what else it takes, and one way to get it.
    """
    if counts[0]:
        return
    found = ", ".join(f"{counts[k]:,} {text}" for k, text in reasons.items() if counts[k])
    raise LayerError("prepare heights", f"no cell with a height ({found})", need, mend)


def line(label: str, value: str) -> str:
    """One finding as the terminal prints it."""
    return f"  {label:<46}{value:>14}"


def counted(label: str, count: int, of: int) -> str:
    """A number of cells, and its share of all."""
    return f"{line(label, f'{count:,}')}  {100 * count / of:5.1f} %"
