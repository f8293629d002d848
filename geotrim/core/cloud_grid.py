"""Cells for points of a cloud: which cell holds a point, and what falls in each.

Grids are anchored at whole multiples of the cell from the origin of the coordinates, so tiles,
reruns and neighbouring lots fall on one lattice. A point on the side of two cells belongs to the
cell in the east and the south, always, and no point within the bounds of a grid is lost.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotrim.core import _cloud_kernels as kernels
from geotrim.core.coverage import Floats, Ints
from geotrim.core.ground import Flags, places
from geotrim.errors import RangeError, ShapeError

#: A raster of more cells than this is taken for a mistake in the cell or its unit.
MOST_CELLS = 4_000_000_000


@dataclass(frozen=True, slots=True)
class CloudGrid:
    """A north-up grid of square cells on the lattice of multiples of its cell.

    cell : side of a cell. [map units]
    row0, col0 : number of the first row and column on the lattice. Column 0 of the lattice begins
        at x = 0, row 0 at y = 0; rows are counted to the south.
    rows, cols : shape.
    """

    cell: float
    row0: int
    col0: int
    rows: int
    cols: int

    @property
    def shape(self) -> tuple[int, int]:
        return self.rows, self.cols

    @property
    def west(self) -> float:
        return self.col0 * self.cell

    @property
    def north(self) -> float:
        return -self.row0 * self.cell

    @property
    def transform(self) -> tuple[float, float, float, float, float, float]:
        """(a, b, c, d, e, f): x = a col + b row + c, y = d col + e row + f."""
        return self.cell, 0.0, self.west, 0.0, -self.cell, self.north

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north. [map units]."""
        south, east = -(self.row0 + self.rows), self.col0 + self.cols
        return self.west, south * self.cell, east * self.cell, self.north

    def centres(self) -> tuple[Floats, Floats]:
        """Coordinates x, y of the middle of every cell, each of the grid's shape."""
        x = (self.col0 + np.arange(self.cols) + 0.5) * self.cell
        y = -(self.row0 + np.arange(self.rows) + 0.5) * self.cell
        return np.broadcast_to(x, self.shape), np.broadcast_to(y[:, None], self.shape)

    def part(self, row0: int, row1: int, col0: int, col1: int) -> CloudGrid:
        """The grid of some of the rows and columns; they may lie beyond this one."""
        return CloudGrid(self.cell, self.row0 + row0, self.col0 + col0, row1 - row0, col1 - col0)


def grid_of(bounds: tuple[float, float, float, float], cell: float) -> CloudGrid:
    """The grid on the lattice that holds every point within bounds, their sides included.

    Parameters
    ----------
    bounds : (west, south, east, north) [map units]
    cell : float
        Side of a cell. [map units]

    Examples
    --------
    A point at x = 6 lies in the column that begins there, so there are three.

    >>> grid = grid_of((2.5, 10.0, 6.0, 12.5), 2.0)
    >>> grid.shape, grid.west, grid.north
    ((3, 3), 2.0, 14.0)
    """
    west, south, east, north = (float(value) for value in bounds)
    if not (np.isfinite([west, south, east, north]).all() and west <= east and south <= north):
        raise RangeError(
            "bounds", f"{bounds}", "west, south, east, north, rising", "check the extent"
        )
    if not (np.isfinite(cell) and cell > 0):
        raise RangeError("cell", f"{cell}", "a length above 0", "give it in map units")
    col0, col1 = int(_column(west, cell)), int(_column(east, cell))
    row0, row1 = int(_row(north, cell)), int(_row(south, cell))
    grid = CloudGrid(float(cell), row0, col0, row1 - row0 + 1, col1 - col0 + 1)
    if grid.rows * grid.cols > MOST_CELLS:
        raise RangeError(
            "cell",
            f"{cell:g}, which makes {grid.rows} by {grid.cols} cells",
            f"at most {MOST_CELLS:,} cells",
            "take a larger cell, and see that its unit is the map's",
        )
    return grid


def cells_of(x: npt.ArrayLike, y: npt.ArrayLike, grid: CloudGrid) -> tuple[Ints, Ints]:
    """Row and column of the cell of each point, counted in the grid.

    Points outside the grid get numbers outside its shape; the measures below pass over them, and
    over what is not finite (row and column -1).

    Examples
    --------
    >>> grid = grid_of((0, 0, 4, 4), 2.0)
    >>> [a.tolist() for a in cells_of([0.0, 2.0, 4.0], [4.0, 2.0, 0.0], grid)]
    [[0, 1, 2], [0, 1, 2]]
    """
    east, north = places(x, y)
    row, col = _row(north, grid.cell), _column(east, grid.cell)
    is_there = np.isfinite(row) & np.isfinite(col)
    if not is_there.all():
        row, col = np.where(is_there, row, grid.row0 - 1), np.where(is_there, col, grid.col0 - 1)
    return row.astype(np.int64) - grid.row0, col.astype(np.int64) - grid.col0


def highest_in_cells(
    row: Ints,
    col: Ints,
    value: npt.ArrayLike,
    shape: tuple[int, int],
    *,
    into: Floats | None = None,
) -> Floats:
    """Greatest value in each cell, NaN where there is none; values that are NaN do not count.

    ``into`` is a result to go on with, for a cloud that comes in pieces; it is changed in place.

    Examples
    --------
    >>> highest_in_cells(np.array([0, 0]), np.array([1, 1]), [3.0, 5.0], (1, 2)).tolist()
    [[nan, 5.0]]
    """
    values = np.ascontiguousarray(value, dtype=np.float64)
    _fit(row, col, values)
    out = np.full(shape, np.nan) if into is None else into
    kernels.highest(row, col, values, out)
    return out


def lowest_in_cells(
    row: Ints,
    col: Ints,
    value: npt.ArrayLike,
    shape: tuple[int, int],
    *,
    into: Floats | None = None,
) -> Floats:
    """Least value in each cell, NaN where there is none; as :func:`highest_in_cells`."""
    values = np.ascontiguousarray(value, dtype=np.float64)
    _fit(row, col, values)
    out = np.full(shape, np.nan) if into is None else into
    kernels.lowest(row, col, values, out)
    return out


def count_in_cells(
    row: Ints, col: Ints, shape: tuple[int, int], *, into: Ints | None = None
) -> Ints:
    """Number of points in each cell; ``into`` as in :func:`highest_in_cells`.

    Examples
    --------
    >>> count_in_cells(np.array([0, 0, 7]), np.array([1, 1, 0]), (1, 2)).tolist()
    [[0, 2]]
    """
    _fit(row, col, row)
    out = np.zeros(shape, dtype=np.int64) if into is None else into
    kernels.count(row, col, out)
    return out


def fill_small_holes(height: npt.ArrayLike, most_cells: int) -> tuple[Floats, Flags]:
    """Fill holes of a few cells from their neighbours, and say which cells were filled.

    Parameters
    ----------
    height : (rows, cols) array, NaN where there is no value
    most_cells : int
        Holes of more cells are left as they are. Cells hang together by their sides.

    Returns
    -------
    filled : (rows, cols) array
        A filled cell gets the mean of its neighbours (8) that have a value; cells without any wait
        for the next round, so a hole fills from its rim inward.
    is_filled : (rows, cols) array of bool

    Notes
    -----
    A hole that meets the rim of the array is left: its size is not known. With a buffer of
    ``most_cells + 1`` cells a tile therefore fills what the whole raster would, in the same way.
    """
    from scipy.ndimage import label

    out = np.array(height, dtype=np.float64)
    if out.ndim != 2:
        raise ShapeError("height", f"shape {out.shape}", "rows and columns", "pass a raster")
    number, _ = label(np.isnan(out))
    is_small = np.bincount(number.ravel()) <= most_cells
    rim = np.concatenate([number[0], number[-1], number[:, 0], number[:, -1]])
    is_small[rim] = False
    is_small[0] = False  # 0 numbers what is no hole
    is_filled = is_small[number]
    row, col = np.nonzero(is_filled)
    while row.size:
        around = np.array([out[row + i, col + j] for i in (-1, 0, 1) for j in (-1, 0, 1)])
        n = np.isfinite(around).sum(axis=0)
        ready = n > 0
        out[row[ready], col[ready]] = np.nansum(around[:, ready], axis=0) / n[ready]
        row, col = row[~ready], col[~ready]
    return out, is_filled


def _column(x: npt.ArrayLike, cell: float) -> Floats:
    return np.asarray(np.floor(np.asarray(x) / cell))


def _row(y: npt.ArrayLike, cell: float) -> Floats:
    return np.asarray(np.floor(-np.asarray(y) / cell))


def _fit(row: Ints, col: Ints, values: npt.NDArray[np.generic]) -> None:
    if not (row.shape == col.shape == values.shape and row.ndim == 1):
        raise ShapeError(
            "row, col and value",
            f"shapes {row.shape}, {col.shape} and {values.shape}",
            "three lists of one length",
            "give a row, a column and a value for each point",
        )
