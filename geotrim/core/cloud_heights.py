"""Heights above the ground of a tile of a lidar cloud, by return and by cell.

A return's height is its elevation less that of the ground surface at its own place; a cell's is
that of its highest return, and only where the ground under its middle is known too: so whatever is
asked of the ground (a water level, a map) is asked of every height. Every cell gets one reason, the
first that holds in the order of ``REASONS``, so the counts of a raster add up to its cells.

Nothing here depends on where a tile ends, if the ground returns given reach far enough beyond it
(:func:`reach_of`). A triangle of ground is used only where the circle through its corners, which
holds no other return, is no wider than ``widest``; every return that could change it is then known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.core import _tile_kernels as kernels
from geotrim.core.cloud_grid import (
    CloudGrid,
    cells_of,
    count_in_cells,
    fill_small_holes,
    highest_in_cells,
)
from geotrim.core.coverage import Floats, Ints
from geotrim.core.ground import Flags, GroundSurface
from geotrim.errors import ShapeError

Codes = npt.NDArray[np.uint8]

#: Code of a cell -> why it has no height, as it is told; 0 is a measured cell.
MEASURED, UNDER_WATER, NO_RETURNS, GROUND_GAP, OFF_GROUND, BELOW_GROUND = range(6)
REASONS = {
    UNDER_WATER: "under water at the time of flight",
    NO_RETURNS: "no returns",
    GROUND_GAP: "no ground returns nearby",
    OFF_GROUND: "no ground under the cell's middle",
    BELOW_GROUND: "returns far below the ground",
}
#: Places are asked for this much to the side: a return right over a ground return lies in no one
#: triangle, and which is found must not hang on the tile. In a direction no side is likely to run.
#: [map units]
ASIDE = (1e-6, 0.6180339887e-6)
#: A return this little under the ground is at it, for the count of those that are not. [unit of z]
NOISE = 1e-4
#: The widest hole between ground returns that the surface bridges, in gaps: its radius. A cell at
#: its rim may still lie within the gap of a return. Common practice, no source.
WIDEST_GAPS = 4.0


@dataclass(frozen=True, slots=True)
class TileLimits:
    """What a height needs.

    gap : the farthest a cell's middle may lie from a ground return. [map units]
    water_level : ground under it was under water; None where not stated. [unit of z]
    below : a cell's highest return this far under the ground still counts as at it. [unit of z]
    fill_cells : holes of at most this many cells without returns are filled from around; 0: none.
    """

    gap: float
    water_level: float | None = None
    below: float = np.inf
    fill_cells: int = 0

    @property
    def widest(self) -> float:
        """Radius of the widest hole between ground returns that is bridged. [map units]."""
        return WIDEST_GAPS * self.gap

    @property
    def margin_cells(self) -> int:
        """Cells around a tile that are worked out too, so that holes fill as in one piece."""
        return self.fill_cells + 1 if self.fill_cells else 0


@dataclass(frozen=True, slots=True, eq=False)
class TileHeights:
    """The cells of one tile.

    height : (rows, cols) highest return above the ground, at least 0; NaN where there is none.
        [unit of z]
    ground : (rows, cols) elevation of the ground at the middle of each cell; NaN in gaps and under
        water. It is known wherever a height is. [unit of z]
    reason : (rows, cols) codes, 0 where there is a height.
    is_filled : (rows, cols), where the height is from the cells around.
    is_raised : (rows, cols), where the highest return lay a little under the ground: set to 0.
    """

    height: Floats
    ground: Floats
    reason: Codes
    is_filled: Flags
    is_raised: Flags


def reach_of(limits: TileLimits, cell: float) -> float:
    """How far ground returns must reach beyond a tile. [map units]."""
    return 2.0 * limits.widest + limits.margin_cells * cell


def surface_of(x: Floats, y: Floats, z: Floats) -> GroundSurface | None:
    """The ground through returns, or None where they span no triangle."""
    try:
        return GroundSurface(x, y, z)
    except ShapeError:
        return None


def heights_above(
    surface: GroundSurface | None, x: Floats, y: Floats, z: Floats, widest: float
) -> Floats:
    """Height of returns above the ground, NaN where the ground is not known. [unit of z]."""
    if surface is None or x.size == 0:
        return np.full(x.shape, np.nan)
    _, order = _blocks(x, y, *_block_grid(x, y, 32.0))  # neighbours follow each other
    out = np.empty(x.size)
    at = x[order] + ASIDE[0], y[order] + ASIDE[1]
    out[order] = z[order] - surface.at(*at, widest=widest)
    return out


def tile_heights(
    grid: CloudGrid,
    x: Floats,
    y: Floats,
    height: Floats,
    surface: GroundSurface | None,
    limits: TileLimits,
    *,
    water_xy: tuple[Floats, Floats] | None = None,
    is_wet: Any = None,
) -> TileHeights:
    """The cells of a tile, from its returns and their heights above the ground.

    Parameters
    ----------
    grid : CloudGrid
        The tile, without its margin.
    x, y, height : (n,) arrays
        Returns in the tile and ``limits.margin_cells`` around it; height NaN where the ground is
        not known. [map units, unit of z]
    surface : GroundSurface or None
        Of returns that reach :func:`reach_of` beyond the tile.
    limits : TileLimits
    water_xy : two (m,) arrays, optional
        Water returns. A cell is under water where one lies nearer to its middle than any ground
        return, within the gap. [map units]
    is_wet : callable, optional
        Takes x, y of the middles of cells, and tells which lie in water that a map shows.
    """
    m = limits.margin_cells
    wide = grid.part(-m, grid.rows + m, -m, grid.cols + m)
    row, col = cells_of(x, y, wide)
    n_returns = count_in_cells(row, col, wide.shape)
    top = highest_in_cells(row, col, height, wide.shape)
    ground, far = _ground(surface, wide, limits)
    wet = _wet(wide, ground, far, limits, water_xy, is_wet)
    reason = np.select(
        [
            wet,
            n_returns == 0,
            far > limits.gap,
            np.isnan(ground),
            np.isnan(top),
            top < -limits.below,
        ],
        [UNDER_WATER, NO_RETURNS, GROUND_GAP, OFF_GROUND, GROUND_GAP, BELOW_GROUND],
        MEASURED,
    ).astype(np.uint8)
    is_raised = (top < -NOISE) & (reason == MEASURED)
    top = np.where(top < 0, 0.0, top)
    top[reason != MEASURED] = np.nan
    ground[wet | (far > limits.gap)] = np.nan
    is_filled = np.zeros(wide.shape, bool)
    if limits.fill_cells:
        filled, _ = fill_small_holes(top, limits.fill_cells)
        is_filled = (reason == NO_RETURNS) & np.isfinite(filled) & np.isfinite(ground)
        top[is_filled], reason[is_filled] = filled[is_filled], MEASURED
    own = np.s_[m : m + grid.rows, m : m + grid.cols]
    return TileHeights(top[own], ground[own], reason[own], is_filled[own], is_raised[own])


def _ground(
    surface: GroundSurface | None, grid: CloudGrid, limits: TileLimits
) -> tuple[Floats, Floats]:
    """Ground at the middle of each cell; the nearest ground return, inf beyond the gap."""
    if surface is None:
        return np.full(grid.shape, np.nan), np.full(grid.shape, np.inf)
    x, y = (middles.T for middles in grid.centres())  # columns first: so the surface is kept
    ground = surface.at(x + ASIDE[0], y + ASIDE[1], widest=limits.widest)
    far = distances(x - surface.west, y - surface.south, surface.x, surface.y, limits.gap)
    return np.ascontiguousarray(ground.T), far.T


def distances(px: Floats, py: Floats, x: Floats, y: Floats, gap: float) -> Floats:
    """Distance of places from the nearest of some points, inf where it is over ``gap``.

    Examples
    --------
    >>> distances(np.array([0.0, 9.0]), np.array([3.0, 0.0]), np.zeros(1), np.zeros(1), 5.0)
    array([ 3., inf])
    """
    out = np.full(px.shape, np.inf)
    if x.size == 0 or px.size == 0:
        return out
    box = x.min(), y.min(), x.max(), y.max()
    if gap > max(box[2] - box[0], box[3] - box[1]):  # the whole extent would be searched
        from scipy.spatial import cKDTree

        tree = cKDTree(np.column_stack([x, y]))
        found = tree.query(np.column_stack([px.ravel(), py.ravel()]))[0].reshape(px.shape)
        return np.asarray(np.where(found <= gap, found, np.inf))
    grid = _block_grid(x, y, 2.0, least=gap / 50.0)
    starts, order = _blocks(x, y, *grid)
    flat = out.reshape(-1)
    kernels.nearest(px.ravel(), py.ravel(), x, y, *grid, starts, order, gap, flat)
    return out


def _wet(
    grid: CloudGrid,
    ground: Floats,
    far: Floats,
    limits: TileLimits,
    water_xy: tuple[Floats, Floats] | None,
    is_wet: Any,
) -> Flags:
    """Cells in water: by water returns, by a stated level, by a map."""
    wet = np.zeros(grid.shape, bool)
    x, y = grid.centres()
    if water_xy is not None and water_xy[0].size:
        wet |= distances(x, y, *water_xy, limits.gap) < far
    if limits.water_level is not None:
        wet |= ground < limits.water_level
    if is_wet is not None:
        wet |= is_wet(x, y)
    return wet


def _block_grid(
    x: Floats, y: Floats, points: float, least: float = 0.0
) -> tuple[float, float, float, int, int]:
    """West, south, side, columns and rows of blocks that hold about so many points."""
    west, south = float(x.min()), float(y.min())
    across, along = float(x.max()) - west, float(y.max()) - south
    side = max(np.sqrt(across * along * points / x.size), across / 4000, along / 4000, least, 1e-9)
    return west, south, side, int(across / side) + 1, int(along / side) + 1


def _blocks(
    x: Floats, y: Floats, west: float, south: float, side: float, wide: int, high: int
) -> tuple[Ints, Ints]:
    """Points by block: where each block starts, and the points in that order."""
    starts, order = np.zeros(wide * high + 1, np.int64), np.empty(x.size, np.int64)
    kernels.blocks(x, y, west, south, side, wide, high, starts, order)
    return starts, order
