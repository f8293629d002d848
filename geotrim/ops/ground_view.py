"""The ground as a site sees it: elevations at places, or on a grid in the site's CRS."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from pyproj import CRS, Transformer

from geotrim.core.coverage import Floats, Transform, check_transform
from geotrim.core.sight_scene import Ground
from geotrim.errors import RangeError
from geotrim.model import HeightSource, Note
from geotrim.ops.canopy import UNMOVED
from geotrim.ops.canopy_cells import at_cells, fitted_transform

Box = tuple[float, float, float, float]
#: First row, past the last one, first column, past the last one.
Window = tuple[int, int, int, int]
#: Places along each side of a box that are taken to another CRS to find what it covers there.
ALONG_SIDE = 9
#: More cells than this are not read at once for places near each other.
MOST_AT_ONCE = 4_000_000


class GroundView:
    """A ground raster, read only where it is asked about.

    Parameters
    ----------
    source : HeightSource
        Elevations, in any CRS.
    crs : the site's CRS
    """

    def __init__(self, source: HeightSource, crs: Any) -> None:
        check_transform(source.transform, "ground")
        self.source = source
        self._to_grid: Any = None
        self._to_site: Any = None
        if source.crs is not None:
            site, grid = CRS.from_user_input(crs), CRS.from_user_input(source.crs)
            if not grid.equals(site, ignore_axis_order=True):
                self._to_grid = Transformer.from_crs(site, grid, always_xy=True).transform
                self._to_site = Transformer.from_crs(grid, site, always_xy=True).transform
                if self._is_same_place():  # another name for the same CRS
                    self._to_grid = self._to_site = None

    def _is_same_place(self) -> bool:
        """Whether the corners of the raster lie where they do in the site's CRS."""
        n_rows, n_cols = self.source.shape
        x, y = at_cells(self.source.transform, [0, 0, n_rows, n_rows], [0, n_cols, 0, n_cols])
        moved = np.abs(np.array(self._to_site(x, y)) - [x, y]).max()
        return bool(moved < UNMOVED)

    def at_each(self, x: npt.ArrayLike, y: npt.ArrayLike) -> Floats:
        """(n,) elevation at single places, four cells read for each; NaN where unknown. [ft]."""
        col, row = self._pixels(np.asarray(x, np.float64), np.asarray(y, np.float64))
        out = np.full(col.size, np.nan)
        for i in np.flatnonzero(np.isfinite(col) & np.isfinite(row)).tolist():
            window = self._window(col[i], row[i], col[i], row[i])
            if window is not None:
                values = self._read(window)
                at = col[i : i + 1] - window[2], row[i : i + 1] - window[0]
                out[i] = bilinear_at(values, *at)[0]
        return out

    def along(self, x: npt.ArrayLike, y: npt.ArrayLike) -> Floats:
        """(n,) elevation at places near each other, all their cells read at once. [ft].

        NaN where unknown.
        """
        col, row = self._pixels(np.asarray(x, np.float64), np.asarray(y, np.float64))
        out = np.full(col.size, np.nan)
        fits = np.isfinite(col) & np.isfinite(row)
        if not fits.any():
            return out
        ends = col[fits].min(), row[fits].min(), col[fits].max(), row[fits].max()
        window = self._window(*ends)
        if window is None:
            return out
        if (window[1] - window[0]) * (window[3] - window[2]) > MOST_AT_ONCE:
            return self.at_each(x, y)
        out[fits] = bilinear_at(self._read(window), col[fits] - window[2], row[fits] - window[0])
        return out

    def grid(self, box: Box, most_cells: int) -> tuple[Ground | None, list[Note]]:
        """Elevations over a box; None where the raster does not reach it.

        Parameters
        ----------
        box : (west, south, east, north)
            [map units]
        most_cells : int
            More are refused.

        Returns
        -------
        ground : Ground or None
            The raster's own cells where it is in the site's CRS; else cells of their size along the
            site's axes, bilinear between the raster's.
        notes : list of Note

        Raises
        ------
        RangeError
            If there are more cells than that.
        """
        window = self._over(box)
        if window is None:
            return None, []
        if self._to_grid is not None:
            return self._regular(self._within(box), window, most_cells)
        _refuse_many(window, most_cells)
        a, b, c, d, e, f = self.source.transform
        row0, _, col0, _ = window
        part = (a, b, a * col0 + b * row0 + c, d, e, d * col0 + e * row0 + f)
        return Ground(self._read(window), part), []

    def reaches(self, box: Box) -> bool:
        """Whether the raster reaches a box of the site."""
        return self._over(box) is not None

    def _within(self, box: Box) -> Box:
        """The part of a box that the raster may reach: where its outline lies in the site's CRS.

        With a twentieth to spare on each side, for an outline that is bent between the places.
        """
        n_rows, n_cols = self.source.shape
        along = np.linspace(0.0, 1.0, ALONG_SIDE)
        col, row = (side.ravel() for side in np.meshgrid(n_cols * along, n_rows * along))
        a, b, c, d, e, f = self.source.transform
        x, y = self._to_site(a * col + b * row + c, d * col + e * row + f)
        fits = np.isfinite(x) & np.isfinite(y)
        if not fits.any():
            return box
        x, y = np.asarray(x)[fits], np.asarray(y)[fits]
        spare = 0.05 * max(np.ptp(x), np.ptp(y))
        west, south, east, north = box
        return (
            max(west, float(x.min() - spare)),
            max(south, float(y.min() - spare)),
            min(east, float(x.max() + spare)),
            min(north, float(y.max() + spare)),
        )

    def _regular(
        self, box: Box, window: Window, most_cells: int
    ) -> tuple[Ground | None, list[Note]]:
        """A grid along the site's axes, of cells as large as the raster's there."""
        rows, cols = np.array(window[:2]), np.array(window[2:])
        fit, _ = fitted_transform(self.source.transform, self._to_site, rows, cols)
        side = float(np.sqrt(abs(fit[0] * fit[4] - fit[1] * fit[3])))
        west, south, east, north = box
        wide = int(np.ceil((east - west) / side)) + 2  # a cell to spare on each side
        high = int(np.ceil((north - south) / side)) + 2
        _refuse_many((0, high, 0, wide), most_cells)
        more = 3.0 * side
        window = self._over((west - more, south - more, east + more, north + more)) or window
        _refuse_many(window, most_cells)
        transform = (side, 0.0, west - side, 0.0, -side, north + side)
        row, col = (index.ravel() for index in np.indices((high, wide)))
        at_col, at_row = self._pixels(*at_cells(transform, row, col))
        values = self._read(window)
        elevation = bilinear_at(values, at_col - window[2], at_row - window[0])
        text = (
            "the raster is in another CRS than the site: elevations are taken from it, straight "
            "between its cells, to a grid along the site's axes with cells as large"
        )
        ground = Ground(elevation.reshape(high, wide), transform)
        return ground, [Note("ground", text, "info")]

    def _pixels(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Column and row, counted from the corner of the first cell."""
        if self._to_grid is not None:
            x, y = (np.asarray(side, np.float64) for side in self._to_grid(x, y))
        return pixels_of(self.source.transform, x, y)

    def _over(self, box: Box) -> Window | None:
        """Rows and columns that a box of the site touches; None where it is off the raster."""
        west, south, east, north = box
        lattice = np.meshgrid(
            np.linspace(west, east, ALONG_SIDE), np.linspace(south, north, ALONG_SIDE)
        )
        col, row = self._pixels(*(side.ravel() for side in lattice))
        fits = np.isfinite(col) & np.isfinite(row)
        if not fits.any():
            return None
        col, row = col[fits], row[fits]
        return self._window(col.min(), row.min(), col.max(), row.max())

    def _window(self, col0: float, row0: float, col1: float, row1: float) -> Window | None:
        """Rows and columns around a box told in them, one to spare; None off the raster."""
        n_rows, n_cols = self.source.shape
        if col1 < 0.0 or row1 < 0.0 or col0 > n_cols or row0 > n_rows:
            return None
        left, top = max(int(np.floor(col0)) - 1, 0), max(int(np.floor(row0)) - 1, 0)
        right = min(int(np.floor(col1)) + 2, n_cols)
        bottom = min(int(np.floor(row1)) + 2, n_rows)
        return top, bottom, left, right

    def _read(self, window: Window) -> Floats:
        """Elevations of a window; NaN where there are none. [ft]."""
        read = self.source.read(*window)
        values = np.asarray(read, dtype=np.float64) * self.source.feet_per_unit
        return np.where(np.isfinite(values), values, np.nan)


def pixels_of(transform: Transform, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Column and row of places in map units, counted from the corner of the first cell.

    Examples
    --------
    >>> pixels_of((2.0, 0.0, 100.0, 0.0, -2.0, 50.0), np.array([103.0]), np.array([49.0]))
    (array([1.5]), array([0.5]))
    """
    a, b, c, d, e, f = transform
    det = a * e - b * d
    with np.errstate(invalid="ignore"):
        return (e * (x - c) - b * (y - f)) / det, (a * (y - f) - d * (x - c)) / det


def bilinear(values: Floats, transform: Transform, x: Floats, y: Floats) -> Floats:
    """Values at places, straight between the centres of cells; see :func:`bilinear_at`."""
    return bilinear_at(values, *pixels_of(transform, x, y))


def bilinear_at(values: Floats, col: Floats, row: Floats) -> Floats:
    """Values at places told in columns and rows.

    Parameters
    ----------
    values : (rows, cols) array
        NaN where nothing is known.
    col, row : (n,) arrays
        Counted from the corner of the first cell.

    Returns
    -------
    (n,) array
        NaN off the grid, and where none of the cells around is known; where some are, they alone
        count. In the half cell along the grid's edge the nearest cells do.

    Examples
    --------
    >>> bilinear_at(np.array([[0.0, 4.0]]), np.array([1.0, 0.2]), np.array([0.5, 0.9])).tolist()
    [2.0, 0.0]
    """
    n_rows, n_cols = values.shape
    with np.errstate(invalid="ignore"):
        is_on = (col >= 0.0) & (col <= n_cols) & (row >= 0.0) & (row <= n_rows)
    across = np.clip(np.where(is_on, col, 0.5) - 0.5, 0.0, n_cols - 1.0)
    down = np.clip(np.where(is_on, row, 0.5) - 0.5, 0.0, n_rows - 1.0)
    left, top = np.floor(across).astype(np.int64), np.floor(down).astype(np.int64)
    u, v = across - left, down - top
    right, bottom = np.minimum(left + 1, n_cols - 1), np.minimum(top + 1, n_rows - 1)
    total, weight = np.zeros(col.shape), np.zeros(col.shape)
    for r, c, w in (
        (top, left, (1 - v) * (1 - u)),
        (top, right, (1 - v) * u),
        (bottom, left, v * (1 - u)),
        (bottom, right, v * u),
    ):
        value = values[r, c]
        share = np.where(np.isnan(value), 0.0, w)
        total += share * np.nan_to_num(value)
        weight += share
    out = np.full(col.shape, np.nan)
    np.divide(total, weight, out=out, where=is_on & (weight > 0.0))
    return out


def _refuse_many(window: Window, most: int) -> None:
    """Refuse more cells than can be held."""
    n = (window[1] - window[0]) * (window[3] - window[2])
    if n > most:
        raise RangeError(
            "ground",
            f"{n:,} cells around the scene",
            f"at most {most:,}",
            "use a coarser raster of the ground, or measure fewer lots at a time",
        )
