"""Treetops: highest points of a smoothed canopy, in a window that grows with height."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotrim.core.coverage import Floats, Ints, Transform, check_transform
from geotrim.errors import RangeError

Flags = npt.NDArray[np.bool_]
#: A Gaussian is cut off at this many standard deviations; what lies beyond weighs under 0.3 %.
CUT_SIGMA = 3.0
#: Smoothed heights are rounded: what was level must not become hilly by rounding errors. [ft]
SMOOTH_DECIMALS = 6
#: Sides of a cell may differ from square corners by this much (cosine of the angle).
SQUARE_CORNER = 1e-6


@dataclass(frozen=True, slots=True)
class CellSize:
    """Sides of a cell of a grid with square corners: along a row, and along a column. [ft]."""

    along_row_ft: float
    along_col_ft: float

    @property
    def area_ft2(self) -> float:
        return self.along_row_ft * self.along_col_ft


def cell_size(transform: Transform, feet_per_map_unit: float, what: str = "heights") -> CellSize:
    """Sides of a cell in feet.

    Raises
    ------
    RangeError
        If cells have no area, or their corners are not square: distances between cells are then
        not told by their sides.

    Examples
    --------
    >>> cell_size((2.0, 0.0, 100.0, 0.0, -1.0, 50.0), 3.0)
    CellSize(along_row_ft=6.0, along_col_ft=3.0)
    """
    check_transform(transform)
    a, b, _, d, e, _ = transform
    wide, high = float(np.hypot(a, d)), float(np.hypot(b, e))
    if abs(a * b + d * e) > SQUARE_CORNER * wide * high:
        raise RangeError(
            what,
            "a grid whose cells are sheared",
            "cells with square corners",
            "warp the raster to a grid with square corners",
        )
    return CellSize(wide * feet_per_map_unit, high * feet_per_map_unit)


def smoothing_reach(sigma_ft: float, size: CellSize) -> tuple[int, int]:
    """Rows and columns that a smoothing looks to either side."""
    rows = int(CUT_SIGMA * sigma_ft / size.along_col_ft + 0.5)
    cols = int(CUT_SIGMA * sigma_ft / size.along_row_ft + 0.5)
    return rows, cols


def smooth_heights(height_ft: npt.ArrayLike, sigma_ft: float, size: CellSize) -> Floats:
    """Heights under a Gaussian that does not mix in what is not known.

    Parameters
    ----------
    height_ft : (rows, cols) array
        NaN for no data; it stays NaN and weighs nothing. [ft]
    sigma_ft : float
        Standard deviation of the Gaussian; 0 leaves the heights as they are. [ft]
    size : CellSize

    Notes
    -----
    Normalised convolution: the weighted sum over known cells is divided by the sum of their
    weights, so a canopy of one height stays at that height beside a gap in the data.

    References
    ----------
    Knutsson and Westin 1993, normalized and differential convolution (from memory).

    Examples
    --------
    >>> smooth_heights([[9.0, np.nan, 9.0]], 2.0, CellSize(1.0, 1.0)).round(9).tolist()
    [[9.0, nan, 9.0]]
    """
    from scipy import ndimage

    heights = np.asarray(height_ft, dtype=np.float64)
    rows, cols = smoothing_reach(sigma_ft, size)
    if rows == 0 and cols == 0:
        return heights.copy()
    known = np.isfinite(heights)
    how = {
        "sigma": (sigma_ft / size.along_col_ft, sigma_ft / size.along_row_ft),
        "radius": (rows, cols),
        "mode": "constant",
    }
    total = ndimage.gaussian_filter(np.where(known, heights, 0.0), **how)
    weight = ndimage.gaussian_filter(known.astype(np.float64), **how)
    out: Floats = np.full(heights.shape, np.nan)
    np.divide(total, weight, out=out, where=known)
    return np.round(out, SMOOTH_DECIMALS)


def window_radius(
    height_ft: npt.ArrayLike, base_ft: float, slope_frac: float, most_ft: float
) -> Floats:
    """Radius of the search window: ``base + slope * height``, at most ``most`` [ft].

    Examples
    --------
    >>> window_radius([10.0, 500.0], 3.0, 0.1, 40.0).tolist()
    [4.0, 40.0]
    """
    heights = np.asarray(height_ft, dtype=np.float64)
    return np.minimum(base_ft + slope_frac * heights, most_ft)


def flat_tops(smooth_ft: Floats, height_min_ft: float) -> Ints:
    """Number of the flat top each cell belongs to, from 1; 0 for cells that are no top.

    A flat top is a patch of cells of one height, mostly a single one, whose eight neighbours are
    all lower, at ``height_min_ft`` or over.

    Examples
    --------
    >>> flat_tops(np.array([[5.0, 5.0, 1.0, 7.0]]), 4.0).tolist()
    [[1, 1, 0, 2]]
    """
    from scipy import ndimage
    from skimage.morphology import local_maxima

    # a rim of nothing, so that canopy of one height all over is a flat top too
    known = np.pad(np.where(np.isfinite(smooth_ft), smooth_ft, -np.inf), 1, constant_values=-np.inf)
    is_high = local_maxima(known, connectivity=2)  # type: ignore[no-untyped-call]
    is_high = (is_high & (known >= height_min_ft))[1:-1, 1:-1]
    labels, _ = ndimage.label(is_high, structure=np.ones((3, 3), dtype=np.int64))
    return np.asarray(labels, dtype=np.int64)


def find_treetops(
    smooth_ft: Floats,
    flats: Ints,
    size: CellSize,
    *,
    base_ft: float,
    slope_frac: float,
    most_ft: float,
) -> Ints:
    """Cells that nothing overtops within a window as wide as a crown of their height.

    Parameters
    ----------
    smooth_ft : (rows, cols) array
        Smoothed heights, NaN for no data. [ft]
    flats : (rows, cols) array
        Candidates, from :func:`flat_tops`.
    size : CellSize
    base_ft, slope_frac, most_ft : float
        The window, see :func:`window_radius`.

    Returns
    -------
    tops : (n, 2) array of row, column
        Row by row.

    Notes
    -----
    Local maxima in a circle whose radius follows from the height at its centre. A flat top of
    several cells counts once, at the cell nearest to its middle. Of two tops of one height inside
    each other's windows the first, row by row, is kept. Neither depends on where the grid begins.

    References
    ----------
    Popescu and Wynne 2004, Seeing the trees in the forest, Photogrammetric Engineering and Remote
    Sensing 70: local maxima with a window of variable size (from memory).
    """
    tops = middles(flats)
    if len(tops) == 0:
        return tops
    height = smooth_ft[tops[:, 0], tops[:, 1]]
    radius = window_radius(height, base_ft, slope_frac, most_ft)
    reach = float(radius.max())
    pad = np.array([int(reach / size.along_col_ft), int(reach / size.along_row_ft)])
    around = np.pad(
        np.where(np.isfinite(smooth_ft), smooth_ft, -np.inf),
        [(pad[0], pad[0]), (pad[1], pad[1])],
        constant_values=-np.inf,
    )
    is_top: Flags = np.zeros(around.shape, dtype=np.bool_)
    is_top[tuple((tops + pad).T)] = True
    left = np.arange(len(tops))
    for step, distance in _steps(pad, size, reach):
        there = tuple((tops[left] + pad + step).T)
        is_overtopped = around[there] > height[left]
        if tuple(step) < (0, 0):  # of equals, the first row by row is kept
            is_overtopped |= (around[there] == height[left]) & is_top[there]
        left = left[~(is_overtopped & (distance <= radius[left]))]
    return tops[left]


def middles(labels: Ints) -> Ints:
    """The cell nearest to the middle of each labelled patch, the first row by row of such.

    Parameters
    ----------
    labels : (rows, cols) array of 0 for none, else 1 to n

    Returns
    -------
    cells : (n, 2) array of row, column, row by row

    Examples
    --------
    >>> middles(np.array([[1, 1, 1, 0], [0, 0, 0, 2]])).tolist()
    [[0, 1], [1, 3]]
    """
    rows, cols = np.nonzero(labels)
    patch = labels[rows, cols]
    n = np.bincount(patch)
    sums = [np.zeros(n.size, dtype=np.int64) for _ in range(2)]
    for total, place in zip(sums, (rows, cols), strict=True):
        np.add.at(total, patch, place)
    # distances times the number of cells: whole numbers, the same wherever the grid begins
    off = [n[patch] * place - total[patch] for total, place in zip(sums, (rows, cols), strict=True)]
    order = np.lexsort((cols, rows, np.hypot(*off), patch))
    _, first = np.unique(patch[order], return_index=True)
    cells = np.column_stack([rows, cols])[order[first]].astype(np.int64)
    return cells[np.lexsort((cells[:, 1], cells[:, 0]))]


def _steps(pad: Ints, size: CellSize, reach: float) -> list[tuple[Ints, float]]:
    """Steps from a cell to every other in a circle, nearest first, and their lengths. [ft]."""
    rows, cols = np.mgrid[-pad[0] : pad[0] + 1, -pad[1] : pad[1] + 1]
    steps = np.column_stack([rows.ravel(), cols.ravel()])
    lengths = np.hypot(steps[:, 0] * size.along_col_ft, steps[:, 1] * size.along_row_ft)
    order = np.lexsort((steps[:, 1], steps[:, 0], lengths))
    chosen = [k for k in order if 0.0 < lengths[k] <= reach]
    return [(steps[k], float(lengths[k])) for k in chosen]
