"""Ground among returns that carry no class, by a morphological filter.

The lowest return of each cell makes a raster. Opening it with ever wider discs cuts off what rises
more steeply from its surroundings than ground does: first shrubs, then trees, then houses. What is
left, filled in again, is a first ground; returns near it are ground.

Method: T. J. Pingel, K. C. Clarke and W. A. McBride (2013), *An improved simple morphological
filter for the terrain classification of airborne LIDAR data*, ISPRS Journal of Photogrammetry and
Remote Sensing 77, 21-30; after K. Zhang et al. (2003), IEEE TGRS 41(4). Equations and default
numbers from memory. What differs here:

* Low noise is told from ground by blocks as wide as the widest window, before the opening, and by
  single cells after it. The published test, a cell lower than its neighbours, takes a lone ground
  return in a gap of tall canopy for noise.
* Holes are filled over triangles, and heights read between cells linearly, not by splines.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotrim.core import _cloud_kernels as kernels
from geotrim.core.cloud_grid import CloudGrid, cells_of, count_in_cells, grid_of, lowest_in_cells
from geotrim.core.coverage import Floats
from geotrim.core.ground import Flags, GroundSurface
from geotrim.errors import RangeError, ShapeError
from geotrim.units import FOOT_M

#: At most this many returns of a block, far under the blocks around, are noise and not a hollow.
MOST_LONE = 3
#: A pit of at most this many cells, side by side or corner to corner, is noise and not a ditch.
MOST_PIT_CELLS = 2


@dataclass(frozen=True, slots=True)
class FilterLimits:
    """What the filter takes for ground. Defaults are those of the paper, one set for all places.

    cell_ft : side of a cell (1 m). [ft]
    window_ft : radius of the widest disc (18 m). Roofs and thickets wider than twice this pass for
        ground; a lower number keeps knolls and dunes whole. [ft]
    slope_frac : the steepest ground, rise over run; what is steeper stands on the ground.
    tolerance_ft : a return this far above or under the first ground is still ground (0.5 m). [ft]
    slope_tolerance_ft : added to the tolerance for each unit of slope (1.25 m). [ft]
    """

    cell_ft: float = 1.0 / FOOT_M
    window_ft: float = 18.0 / FOOT_M
    slope_frac: float = 0.15
    tolerance_ft: float = 0.5 / FOOT_M
    slope_tolerance_ft: float = 1.25 / FOOT_M

    def __post_init__(self) -> None:
        for name in ("cell_ft", "window_ft", "slope_frac", "tolerance_ft", "slope_tolerance_ft"):
            value = getattr(self, name)
            may_be_0 = name == "slope_tolerance_ft"
            if not (np.isfinite(value) and (value > 0 or (may_be_0 and value == 0))):
                need = "0 or more" if may_be_0 else "a number above 0"
                raise RangeError(name, f"{value}", need, "leave it out for the default")
        if self.window_ft < self.cell_ft:
            raise RangeError(
                "window_ft",
                f"{self.window_ft:g} ft with cells of {self.cell_ft:g} ft",
                "at least one cell",
                "widen the window or take smaller cells",
            )

    @property
    def reach_ft(self) -> float:
        """How far the returns of a tile must reach beyond it for much the same answer. [ft].

        Twice the widest disc for the opening, and a block more for low noise. Holes wider than
        that are filled from what the tile has.
        """
        return 3.0 * self.window_ft


def find_ground(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    z: npt.ArrayLike,
    *,
    feet_per_map_unit: float,
    feet_per_z_unit: float,
    limits: FilterLimits | None = None,
) -> Flags:
    """Which returns are ground.

    Parameters
    ----------
    x, y : (n,) arrays
        Where the returns lie. [map units]
    z : (n,) array
        Their elevations. [vertical units]. Give every return but those flagged as noise or
        withheld; of pulses with many returns the last ones are enough.
    feet_per_map_unit, feet_per_z_unit : float
        International feet in one unit.
    limits : FilterLimits, optional

    Returns
    -------
    (n,) array of bool

    Raises
    ------
    ShapeError, RangeError
        If the arrays differ in length, are empty or hold what is not finite, or a factor is not
        above 0.
    """
    limits = limits or FilterLimits()
    east, north, height = _checked(x, y, z, feet_per_map_unit, feet_per_z_unit)
    height = (height - height.min()) * feet_per_z_unit
    is_low = low_noise(east, north, height, feet_per_map_unit, limits)
    surface, grid = first_ground(east, north, height, ~is_low, feet_per_map_unit, limits)
    slope = _slope(surface, limits.cell_ft)
    at_row = -north / grid.cell - grid.row0 - 0.5
    at_col = east / grid.cell - grid.col0 - 0.5
    expected, steep = np.empty(height.size), np.empty(height.size)
    kernels.between_cells(at_row, at_col, surface, expected)
    kernels.between_cells(at_row, at_col, slope, steep)
    off = np.abs(height - expected)
    return np.asarray(off <= limits.tolerance_ft + limits.slope_tolerance_ft * steep)


def low_noise(
    x: Floats, y: Floats, z_ft: Floats, feet_per_map_unit: float, limits: FilterLimits
) -> Flags:
    """Few returns far under everything around: multipath, not ground.

    In blocks as wide as the widest disc, a return is low when it lies under the third lowest of
    the eight blocks around (of their lowest returns) by more than the tolerance and the steepest
    slope over a block. Up to ``MOST_LONE`` in a block are noise; more are a hollow. Noise in three
    or more of the blocks around hides what lies in the middle one: take returns classed as noise
    out before.
    """
    side = limits.window_ft / feet_per_map_unit
    grid = grid_of((x.min(), y.min(), x.max(), y.max()), side)
    row, col = cells_of(x, y, grid)
    lowest = np.pad(lowest_in_cells(row, col, z_ft, grid.shape), 1, constant_values=np.nan)
    rows, cols = grid.shape
    around = np.array(
        [lowest[i : i + rows, j : j + cols] for i in range(3) for j in range(3) if (i, j) != (1, 1)]
    )
    third = np.sort(around, axis=0)[2]  # NaN, which sorts last, where fewer than three are known
    floor = third - limits.tolerance_ft - limits.slope_frac * limits.window_ft
    is_under = z_ft < floor[row, col]
    n_under = count_in_cells(row[is_under], col[is_under], grid.shape)
    return np.asarray(is_under & (n_under[row, col] <= MOST_LONE))


def first_ground(
    x: Floats,
    y: Floats,
    z_ft: Floats,
    counts: Flags,
    feet_per_map_unit: float,
    limits: FilterLimits,
) -> tuple[Floats, CloudGrid]:
    """The raster of ground that the opening leaves, holes filled, and its grid. [ft].

    counts : (n,) which returns take part; the grid holds all of them.
    """
    grid = grid_of((x.min(), y.min(), x.max(), y.max()), limits.cell_ft / feet_per_map_unit)
    row, col = cells_of(x[counts], y[counts], grid)
    lowest = lowest_in_cells(row, col, z_ft[counts], grid.shape)
    is_object = rising_cells(fill(lowest), limits)
    ground = np.where(is_object, np.nan, lowest)
    if np.isnan(ground).all():
        ground = lowest
    ground = np.where(_pits(fill(ground), limits), np.nan, ground)
    return fill(ground), grid


def rising_cells(surface: Floats, limits: FilterLimits) -> Flags:
    """Cells that an opening with a disc of radius r lowers by more than the slope over r.

    surface : (rows, cols) array without gaps [ft]

    Equation: ``z(r-1) - z(r) > slope_frac * r * cell`` for r = 1, 2, ... cells, each opening made
    of the one before.
    """
    is_object = np.zeros(surface.shape, dtype=bool)
    before = surface
    for radius in range(1, int(np.ceil(limits.window_ft / limits.cell_ft - 1e-9)) + 1):
        opened = opening(before, radius)
        is_object |= before - opened > limits.slope_frac * radius * limits.cell_ft
        before = opened
    return is_object


def opening(surface: Floats, radius: int) -> Floats:
    """Grey opening with a disc of cells; beyond the rim there is nothing, not a height.

    A disc is a stack of bars, so the least under it is the least of the least under each bar.
    """
    return -_least_in_disc(-_least_in_disc(surface, radius), radius)


def fill(surface: Floats) -> Floats:
    """Cells without a value, over triangles between those with one; the nearest outside of them."""
    from scipy.ndimage import binary_dilation, distance_transform_edt

    is_gap = np.isnan(surface)
    if not is_gap.any() or is_gap.all():
        return surface
    out = surface.copy()
    nearest = distance_transform_edt(is_gap, return_distances=False, return_indices=True)
    out[is_gap] = surface[tuple(index[is_gap] for index in nearest)]
    rim_row, rim_col = np.nonzero(~is_gap & binary_dilation(is_gap, np.ones((3, 3), dtype=bool)))
    try:
        between = GroundSurface(rim_col, rim_row, surface[rim_row, rim_col])
    except ShapeError:  # two cells, or a line of them
        return out
    row, col = np.nonzero(is_gap)
    value = between.at(col, row)
    is_known = np.isfinite(value)
    out[row[is_known], col[is_known]] = value[is_known]
    return out


def _least_in_disc(surface: Floats, radius: int) -> Floats:
    from scipy.ndimage import minimum_filter1d

    out = np.full(surface.shape, np.inf)
    rows = surface.shape[0]
    for step in range(min(radius, rows - 1) + 1):
        half = int(np.sqrt(radius * radius - step * step))
        bar = minimum_filter1d(surface, 2 * half + 1, axis=1, mode="constant", cval=np.inf)
        np.minimum(out[: rows - step], bar[step:], out=out[: rows - step])
        np.minimum(out[step:], bar[: rows - step], out=out[step:])
    return out


def _pits(ground: Floats, limits: FilterLimits) -> Flags:
    """Cells one or two at a time that lie under all around them by more than the tolerance."""
    from scipy.ndimage import label

    depth = -opening(-ground, 1) - ground
    is_deep = depth > limits.tolerance_ft + limits.slope_frac * limits.cell_ft
    number, _ = label(is_deep, np.ones((3, 3), dtype=bool))
    return np.asarray(is_deep & (np.bincount(number.ravel()) <= MOST_PIT_CELLS)[number])


def _slope(surface: Floats, cell_ft: float) -> Floats:
    """Rise over run at each cell, by differences over two cells, one at the rim."""
    down = np.gradient(surface, cell_ft, axis=0) if surface.shape[0] > 1 else 0.0
    across = np.gradient(surface, cell_ft, axis=1) if surface.shape[1] > 1 else 0.0
    return np.asarray(np.hypot(down, across) + np.zeros(surface.shape))


def _checked(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    z: npt.ArrayLike,
    feet_per_map_unit: float,
    feet_per_z_unit: float,
) -> tuple[Floats, Floats, Floats]:
    for name, factor in (
        ("feet_per_map_unit", feet_per_map_unit),
        ("feet_per_z_unit", feet_per_z_unit),
    ):
        if not (np.isfinite(factor) and factor > 0):
            raise RangeError(name, f"{factor}", "feet in one unit, above 0", "take it from the CRS")
    east, north, height = (np.asarray(v, dtype=np.float64) for v in (x, y, z))
    if east.ndim != 1 or not east.shape == north.shape == height.shape or east.size == 0:
        raise ShapeError(
            "returns",
            f"x, y and z of shapes {east.shape}, {north.shape} and {height.shape}",
            "three lists of one length, not empty",
            "give them alike, and an area that holds returns",
        )
    if not all(np.isfinite(v).all() for v in (east, north, height)):
        raise ShapeError(
            "returns", "a coordinate that is not finite", "finite numbers", "leave these out"
        )
    return east, north, height
