"""One grid read at places of another: between cells, or the highest of several.

Positions are pixel coordinates: (row, column) counted from the outer corner of the first cell, so
the middle of the first cell is (0.5, 0.5). NaN marks a cell without data.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.floating[Any]]
#: What is known of a place on a grid.
OUTSIDE, NO_DATA, KNOWN = 0, 1, 2


def cell_state(cells: FloatArray, rows: FloatArray, cols: FloatArray) -> npt.NDArray[np.uint8]:
    """Whether each place lies on the grid, and whether the cell it lies in is known.

    Parameters
    ----------
    cells : (n, m) array
    rows, cols : arrays of one shape
        Pixel coordinates; what is not finite lies outside.

    Returns
    -------
    state : array of the same shape
        ``OUTSIDE``, ``NO_DATA`` or ``KNOWN``.

    Examples
    --------
    >>> cells = np.array([[1.0, np.nan]])
    >>> cell_state(cells, np.array([0.5, 0.5, 0.5]), np.array([0.9, 1.1, 2.1])).tolist()
    [2, 1, 0]
    """
    n, m = cells.shape
    is_on = (rows >= 0) & (rows < n) & (cols >= 0) & (cols < m)
    state = np.full(rows.shape, OUTSIDE, np.uint8)
    at_row, at_col = rows[is_on].astype(np.int64), cols[is_on].astype(np.int64)
    state[is_on] = np.where(np.isfinite(cells[at_row, at_col]), KNOWN, NO_DATA)
    return state


def nearest(cells: FloatArray, rows: FloatArray, cols: FloatArray) -> FloatArray:
    """Value of the cell that holds each place, NaN outside.

    Examples
    --------
    >>> nearest(np.array([[1.0, 5.0]]), np.array([0.5, 0.5]), np.array([0.9, 1.1])).tolist()
    [1.0, 5.0]
    """
    n, m = cells.shape
    is_on = (rows >= 0) & (rows < n) & (cols >= 0) & (cols < m)
    out = np.full(rows.shape, np.nan)
    out[is_on] = cells[rows[is_on].astype(np.int64), cols[is_on].astype(np.int64)]
    return out


def bilinear(cells: FloatArray, rows: FloatArray, cols: FloatArray) -> FloatArray:
    """Value between the middles of the four cells round each place.

    A place is known where the cell that holds it is known. There, neighbours without data lose
    their weight to those that have some, so a no-data value never bleeds into a known one and the
    known area neither grows nor shrinks.

    Parameters
    ----------
    cells : (n, m) array, NaN for no data
    rows, cols : arrays of one shape
        Pixel coordinates.

    Returns
    -------
    values : array of the same shape, NaN where nothing is known.

    Examples
    --------
    >>> cells = np.array([[1.0, 5.0, np.nan]])
    >>> bilinear(cells, np.full(4, 0.5), np.array([0.2, 1.0, 1.8, 2.2])).tolist()
    [1.0, 3.0, 5.0, nan]
    """
    n, m = cells.shape
    total, weight = np.zeros(rows.shape), np.zeros(rows.shape)
    is_known = cell_state(cells, rows, cols) == KNOWN
    at_r, at_c = rows[is_known] - 0.5, cols[is_known] - 0.5
    r0, c0 = np.floor(at_r).astype(np.int64), np.floor(at_c).astype(np.int64)
    up, left = at_r - r0, at_c - c0
    some, share = np.zeros(at_r.shape), np.zeros(at_r.shape)
    for down, right in ((0, 0), (0, 1), (1, 0), (1, 1)):
        r, c = r0 + down, c0 + right
        value = cells[np.clip(r, 0, n - 1), np.clip(c, 0, m - 1)].astype(np.float64)  # rim: again
        part = (up if down else 1.0 - up) * (left if right else 1.0 - left)
        part[~np.isfinite(value)] = 0.0
        some += np.where(part > 0, value, 0.0) * part
        share += part
    total[is_known], weight[is_known] = some, share
    return np.divide(total, weight, out=np.full(rows.shape, np.nan), where=weight > 0)


def highest(
    cells: FloatArray, rows: FloatArray, cols: FloatArray, shape: tuple[int, int]
) -> FloatArray:
    """The highest of the cells whose middles fall into each cell of a coarser grid.

    Parameters
    ----------
    cells : (n, m) array, NaN for no data
    rows, cols : (n, m) arrays
        Where the middle of each cell lies on the coarser grid, in its pixel coordinates.
    shape : rows, columns of the coarser grid

    Returns
    -------
    values : array of that shape, NaN where no known cell falls.

    Examples
    --------
    >>> cells = np.array([[1.0, 4.0, np.nan, 2.0]])
    >>> at = np.array([[0.25, 0.75, 1.25, 1.75]])
    >>> highest(cells, np.full((1, 4), 0.5), at, (1, 3)).tolist()
    [[4.0, 2.0, nan]]
    """
    n, m = shape
    is_in = np.isfinite(cells) & (rows >= 0) & (rows < n) & (cols >= 0) & (cols < m)
    out = np.full(n * m, -np.inf)
    at = rows[is_in].astype(np.int64) * m + cols[is_in].astype(np.int64)
    np.maximum.at(out, at, cells[is_in].astype(np.float64))
    out[np.isneginf(out)] = np.nan
    return out.reshape(shape)
