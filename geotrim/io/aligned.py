"""One raster read on another's grid, window by window, whatever its own grid, CRS and extent."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from pyproj import CRS

from geotrim.core.resample import (
    KNOWN,
    NO_DATA,
    OUTSIDE,
    FloatArray,
    bilinear,
    cell_state,
    highest,
    nearest,
)
from geotrim.errors import RangeError
from geotrim.io.bounds import Bounds, moved_bounds
from geotrim.io.crs import Move, choose_site_crs, is_measurable, plan_move, same_crs
from geotrim.io.rasters import HeightRaster
from geotrim.model import Note
from geotrim.units import feet_per_map_unit

Six = tuple[float, float, float, float, float, float]
#: Cells a side of the windows the work is done in.
BLOCK = 512
#: Cells of another raster held at a time; a window that needs more is read in parts.
MOST_CELLS = 4_000_000
#: A cell this many times as long as those it is made of takes the highest of them; a smaller one
#: takes the one that holds its middle.
HIGHEST_FROM = 1.5
#: Two grids lie cell on cell when no corner is farther off than this. [cells]
SAME_PLACE = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Where the cells of a raster lie.

    crs : projected CRS.
    transform : as :class:`geotrim.model.HeightSource` has it.
    shape : rows, columns.
    """

    crs: Any
    transform: Six
    shape: tuple[int, int]

    def places(self, rows: FloatArray, cols: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Coordinates of pixel coordinates. [map units]."""
        a, b, c, d, e, f = self.transform
        return a * cols + b * rows + c, d * cols + e * rows + f

    def middles(self, row0: int, row1: int, col0: int, col1: int) -> tuple[FloatArray, FloatArray]:
        """Coordinates of the middles of a window's cells, two (rows, columns) arrays."""
        cols, rows = np.meshgrid(np.arange(col0, col1) + 0.5, np.arange(row0, row1) + 0.5)
        return self.places(rows, cols)

    def bounds(self) -> Bounds:
        """West, south, east, north of all corners. [map units]."""
        n, m = self.shape
        x, y = self.places(np.array([0.0, 0.0, n, n]), np.array([0.0, m, 0.0, m]))
        return float(x.min()), float(y.min()), float(x.max()), float(y.max())

    def cell_ft(self) -> tuple[float, float]:
        """Height and width of a cell. [ft]."""
        a, b, _, d, e, _ = self.transform
        factor = feet_per_map_unit(self.crs, "grid")
        return float(np.hypot(b, e)) * factor, float(np.hypot(a, d)) * factor

    def blocks(self, size: int = BLOCK) -> Iterator[tuple[int, int, int, int]]:
        """Windows that cover the grid: row0, row1, col0, col1."""
        for row in range(0, self.shape[0], size):
            for col in range(0, self.shape[1], size):
                last_row, last_col = min(row + size, self.shape[0]), min(col + size, self.shape[1])
                yield row, last_row, col, last_col


def own_grid(raster: HeightRaster) -> Grid:
    """The grid of a raster file."""
    return Grid(raster.crs, raster.transform, raster.shape)


def grid_crs(raster: HeightRaster) -> tuple[Any, tuple[Note, ...]]:
    """CRS to work in: the raster's own, or a projected one chosen from its place."""
    own = CRS.from_user_input(raster.crs)
    if is_measurable(own):
        return own, ()
    crs, notes = choose_site_crs(
        own, own_grid(raster).bounds(), None, raster.subject, raster.subject
    )
    return crs, notes


def result_grid(
    raster: HeightRaster, crs: Any, *, cell_ft: float | None = None, near: Bounds | None = None
) -> Grid:
    """Grid of a result: the raster's own where that will do, else north up on whole cells.

    Parameters
    ----------
    raster : HeightRaster
    crs : CRS
        From :func:`grid_crs`.
    cell_ft : float, optional
        Side of a cell; the raster's own by default. [ft]
    near : west, south, east, north, optional
        Only cells that touch this are kept. [map units of ``crs``]

    Raises
    ------
    RangeError
        If nothing of the raster lies there.
    """
    grid = own_grid(raster)
    if cell_ft is not None or not same_crs(CRS.from_user_input(raster.crs), crs):
        grid = _north_up(raster, crs, cell_ft)
    return grid if near is None else _cut(grid, near, raster.subject)


def _north_up(raster: HeightRaster, crs: Any, cell_ft: float | None) -> Grid:
    """Square cells whose corners are whole multiples of their side."""
    own = own_grid(raster)
    west, south, east, north = moved_bounds(own.bounds(), raster.crs, crs, raster.subject)
    if cell_ft is None:  # as many cells as the raster has over the same area
        cell = math.sqrt((east - west) * (north - south) / (own.shape[0] * own.shape[1]))
    else:
        cell = cell_ft / feet_per_map_unit(crs, raster.subject)
    left, top = math.floor(west / cell + 1e-9) * cell, math.ceil(north / cell - 1e-9) * cell
    rows, cols = math.ceil((top - south) / cell - 1e-9), math.ceil((east - left) / cell - 1e-9)
    return Grid(crs, (cell, 0.0, left, 0.0, -cell, top), (max(rows, 1), max(cols, 1)))


def _cut(grid: Grid, near: Bounds, subject: str) -> Grid:
    """The part of a grid that touches a rectangle."""
    x = np.array([near[0], near[2], near[0], near[2]])
    y = np.array([near[1], near[1], near[3], near[3]])
    rows, cols = _pixels(grid.transform, x, y)
    row0, row1 = max(math.floor(rows.min()), 0), min(math.ceil(rows.max()), grid.shape[0])
    col0, col1 = max(math.floor(cols.min()), 0), min(math.ceil(cols.max()), grid.shape[1])
    if row0 >= row1 or col0 >= col1:
        raise RangeError(
            subject,
            "that it does not reach the lots",
            "a raster that covers the lots",
            "check both CRSs, or name the raster of the lots' own place",
        )
    a, b, _, d, e, _ = grid.transform
    west, north = grid.places(np.array(float(row0)), np.array(float(col0)))
    six = (a, b, float(west), d, e, float(north))
    return Grid(grid.crs, six, (row1 - row0, col1 - col0))


def _pixels(transform: Six, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Rows and columns of coordinates."""
    a, b, c, d, e, f = transform
    det = a * e - b * d
    x, y = x - c, y - f
    return (a * y - d * x) / det, (e * x - b * y) / det


class Aligned:
    """A raster read on a grid; see :meth:`read`.

    Parameters
    ----------
    raster : HeightRaster
    grid : Grid
    how : str
        ``bilinear`` for surfaces without steps such as the ground; ``pick`` for those with edges
        that must not be blended, such as a canopy: of smaller cells the highest, else the one that
        holds the middle. Where the cells of both lie on each other they are read as they are.
    """

    def __init__(self, raster: HeightRaster, grid: Grid, how: str) -> None:
        self.raster, self.grid, self.how = raster, grid, how
        own, other = CRS.from_user_input(raster.crs), CRS.from_user_input(grid.crs)
        self.move: Move | None = None
        self._back: Move | None = None
        if not same_crs(own, other):
            self.move = plan_move(other, own, np.array(grid.bounds()), raster.subject)
            bounds = moved_bounds(grid.bounds(), other, own, raster.subject)
            self._back = plan_move(own, other, np.array(bounds), raster.subject)
        self._shift = self._whole_shift()
        sides = self._cells_along()
        self._half = math.ceil(math.sqrt(0.5) * max(sides)) + 1  # half the diagonal of a cell
        is_coarser = min(sides) >= HIGHEST_FROM
        self.takes_highest = how == "pick" and self._shift is None and is_coarser

    @property
    def is_resampled(self) -> bool:
        """Whether values are moved, blended or picked, and not read cell on cell."""
        return self._shift is None

    def read(
        self, row0: int, row1: int, col0: int, col1: int
    ) -> tuple[FloatArray, npt.NDArray[np.uint8]]:
        """Values of a window of the grid, and what is known of each cell.

        The window may reach beyond the grid.

        Returns
        -------
        values : (rows, columns) array, NaN where nothing is known. [the raster's unit]
        state : (rows, columns) codes of :mod:`geotrim.core.resample`
        """
        if self._shift is not None:
            down, right = self._shift
            return self._plain(row0 + down, row1 + down, col0 + right, col1 + right)
        rows, cols = self._places(row0, row1, col0, col1)
        window = self._window(rows, cols, self._half if self.takes_highest else 2)
        if window is None:
            shape = (row1 - row0, col1 - col0)
            return np.full(shape, np.nan), np.full(shape, OUTSIDE, np.uint8)
        n_cells = (window[1] - window[0]) * (window[3] - window[2])
        if n_cells > MOST_CELLS and rows.size > 1:
            return self._in_parts(row0, row1, col0, col1)
        cells = self.raster.read(*window)
        rows, cols = rows - window[0], cols - window[2]
        state = cell_state(cells, rows, cols)
        if self.takes_highest:
            values = self._highest(cells, window, (row0, row1, col0, col1))
            return values, np.where(np.isfinite(values), KNOWN, np.minimum(state, NO_DATA))
        values = (bilinear if self.how == "bilinear" else nearest)(cells, rows, cols)
        return values, state

    def _plain(
        self, row0: int, row1: int, col0: int, col1: int
    ) -> tuple[FloatArray, npt.NDArray[np.uint8]]:
        """Cells as they are, with what lies outside marked."""
        values = np.full((row1 - row0, col1 - col0), np.nan)
        state = np.full(values.shape, OUTSIDE, np.uint8)
        r0, r1 = max(row0, 0), min(row1, self.raster.shape[0])
        c0, c1 = max(col0, 0), min(col1, self.raster.shape[1])
        if r0 < r1 and c0 < c1:
            cells = self.raster.read(r0, r1, c0, c1)
            here = np.s_[r0 - row0 : r1 - row0, c0 - col0 : c1 - col0]
            values[here] = cells
            state[here] = np.where(np.isfinite(cells), KNOWN, NO_DATA)
        return values, state

    def _in_parts(
        self, row0: int, row1: int, col0: int, col1: int
    ) -> tuple[FloatArray, npt.NDArray[np.uint8]]:
        """The two halves of a window, one after the other."""
        if row1 - row0 >= col1 - col0:
            middle, axis = (row0 + row1) // 2, 0
            halves = ((row0, middle, col0, col1), (middle, row1, col0, col1))
        else:
            middle, axis = (col0 + col1) // 2, 1
            halves = ((row0, row1, col0, middle), (row0, row1, middle, col1))
        parts = [self.read(*half) for half in halves]
        values, state = (np.concatenate([part[k] for part in parts], axis) for k in (0, 1))
        return values, state

    def _places(self, row0: int, row1: int, col0: int, col1: int) -> tuple[FloatArray, FloatArray]:
        """The raster's pixel coordinates of the middles of the grid's cells."""
        x, y = self.grid.middles(row0, row1, col0, col1)
        if self.move is not None:
            moved = self.move.apply(np.column_stack([x.ravel(), y.ravel()]))
            x, y = (moved[:, k].reshape(x.shape) for k in (0, 1))
        return _pixels(self.raster.transform, x, y)

    def _window(
        self, rows: FloatArray, cols: FloatArray, pad: int
    ) -> tuple[int, int, int, int] | None:
        """The raster's window round some places, or None where there is nothing of it."""
        is_good = np.isfinite(rows) & np.isfinite(cols)
        if not is_good.any():
            return None
        n, m = self.raster.shape
        low_r, high_r = rows[is_good].min(), rows[is_good].max()
        low_c, high_c = cols[is_good].min(), cols[is_good].max()
        if high_r < -pad or high_c < -pad or low_r > n + pad or low_c > m + pad:
            return None
        row0, row1 = max(math.floor(low_r) - pad, 0), min(math.ceil(high_r) + pad, n)
        col0, col1 = max(math.floor(low_c) - pad, 0), min(math.ceil(high_c) + pad, m)
        return (row0, row1, col0, col1) if row0 < row1 and col0 < col1 else None

    def _highest(
        self, cells: FloatArray, window: tuple[int, int, int, int], block: tuple[int, int, int, int]
    ) -> FloatArray:
        """The highest of the raster's cells in each of the grid's."""
        x, y = own_grid(self.raster).middles(*window)
        if self._back is not None:
            moved = self._back.apply(np.column_stack([x.ravel(), y.ravel()]))
            x, y = (moved[:, k].reshape(x.shape) for k in (0, 1))
        rows, cols = _pixels(self.grid.transform, x, y)
        row0, row1, col0, col1 = block
        return highest(cells, rows - row0, cols - col0, (row1 - row0, col1 - col0))

    def _cells_along(self) -> tuple[float, float]:
        """How many of the raster's cells go along each side of one of the grid's."""
        row, col = self.grid.shape[0] // 2, self.grid.shape[1] // 2
        rows, cols = self._places(row, row + 2, col, col + 2)
        along = math.hypot(rows[0, 1] - rows[0, 0], cols[0, 1] - cols[0, 0])
        down = math.hypot(rows[1, 0] - rows[0, 0], cols[1, 0] - cols[0, 0])
        return along, down

    def _whole_shift(self) -> tuple[int, int] | None:
        """Rows and columns between the two grids where their cells lie on each other."""
        if self.move is not None:
            return None
        n, m = self.grid.shape
        corner_row = np.array([0.0, 0.0, n, n])
        corner_col = np.array([0.0, m, 0.0, m])
        rows, cols = _pixels(self.raster.transform, *self.grid.places(corner_row, corner_col))
        down, right = round(float(rows[0])), round(float(cols[0]))
        off = max(np.abs(rows - corner_row - down).max(), np.abs(cols - corner_col - right).max())
        return (down, right) if off < SAME_PLACE else None
