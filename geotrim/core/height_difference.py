"""Height above the substrate: canopy surface less ground, and why a cell has none.

Every cell gets one reason, the first that holds in the order of ``REASONS``, so the counts of a
raster add up to its cells. All lengths in feet.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core.resample import NO_DATA, OUTSIDE

FloatArray = npt.NDArray[np.floating[Any]]
Codes = npt.NDArray[np.uint8]

#: Code of a cell -> why it has no height, as it is told; 0 is a measured cell.
MEASURED, NO_SURFACE, OFF_GROUND, NO_GROUND, UNDER_WATER, GROUND_GAP, BELOW_GROUND = range(7)
REASONS = {
    NO_SURFACE: "no surface",
    OFF_GROUND: "outside the ground model",
    NO_GROUND: "no ground (no data)",
    UNDER_WATER: "under water at the time of flight",
    GROUND_GAP: "no ground returns nearby",
    BELOW_GROUND: "surface far below the ground",
}
#: A surface is taken to be at the ground where it lies below it by up to this many standard errors.
#: Common practice for random errors, no source.
BELOW_SIGMAS = 2.0
#: Standard error taken for that where none is stated: 10 cm and 10 cm, root of the sum of squares
#: (error propagation; 10 cm is the limit for the two finer quality levels of airborne lidar, USGS
#: Lidar Base Specification, from memory). [ft]
USUAL_RMSE_FT = math.hypot(0.10, 0.10) / 0.3048


@dataclass(frozen=True, slots=True, eq=False)
class Difference:
    """Heights of one window, and a reason for every cell without.

    height_ft : (rows, cols), NaN where there is none. [ft]
    reason : (rows, cols) codes, 0 where there is a height.
    is_raised : (rows, cols), where a height a little below 0 was set to 0.
    below_ft : the lowest difference left out as far below the ground, 0 if none. [ft]
    """

    height_ft: FloatArray
    reason: Codes
    is_raised: npt.NDArray[np.bool_]
    below_ft: float


def height_difference(
    surface_ft: FloatArray,
    ground_ft: FloatArray,
    ground_state: Codes,
    *,
    is_under_water: npt.NDArray[np.bool_] | None = None,
    is_gap: npt.NDArray[np.bool_] | None = None,
    water_level_ft: float | None = None,
    below_ft: float = BELOW_SIGMAS * USUAL_RMSE_FT,
) -> Difference:
    """Surface less ground, cell by cell.

    Parameters
    ----------
    surface_ft, ground_ft : (rows, cols) arrays
        Elevations in one vertical datum, NaN for no data. [ft]
    ground_state : (rows, cols) codes
        ``OUTSIDE``, ``NO_DATA`` or ``KNOWN`` of :mod:`geotrim.core.resample`.
    is_under_water, is_gap : (rows, cols) arrays of bool, optional
        Cells in water, and cells with no ground returns near them.
    water_level_ft : float, optional
        Elevation of the water at the time of flight; ground below it was not seen. [ft]
    below_ft : float
        A surface lower than the ground by up to this is taken to be at the ground. [ft]

    Returns
    -------
    Difference
    """
    height = np.asarray(surface_ft, np.float64) - ground_ft
    water = np.zeros(height.shape, bool) if is_under_water is None else is_under_water.copy()
    if water_level_ft is not None:
        water |= ground_ft < water_level_ft
    gap = np.zeros(height.shape, bool) if is_gap is None else is_gap
    is_low = height < -below_ft
    reason = np.select(
        [
            ~np.isfinite(surface_ft),
            ground_state == OUTSIDE,
            (ground_state == NO_DATA) | ~np.isfinite(ground_ft),
            water,
            gap,
            is_low,
        ],
        [NO_SURFACE, OFF_GROUND, NO_GROUND, UNDER_WATER, GROUND_GAP, BELOW_GROUND],
        MEASURED,
    ).astype(np.uint8)
    lowest = float(height[reason == BELOW_GROUND].min(initial=0.0))
    height[reason != MEASURED] = np.nan
    is_raised = height < 0
    height[is_raised] = 0.0
    return Difference(height, reason, is_raised, lowest)


def counts_of(reason: Codes) -> npt.NDArray[np.int64]:
    """Cells of each code, from ``MEASURED`` on.

    Examples
    --------
    >>> counts_of(np.array([[0, 4], [4, 1]], np.uint8)).tolist()
    [1, 1, 0, 0, 2, 0, 0]
    """
    return np.bincount(reason.ravel(), minlength=len(REASONS) + 1)


def difference_rmse_ft(surface_rmse_ft: float, ground_rmse_ft: float) -> float:
    """Standard error of a height from those of the two surfaces, taken as independent. [ft].

    Root of the sum of squares (propagation of random errors).

    Examples
    --------
    10 cm and 10 cm; 10 cm and 28.2 cm:

    >>> [round(difference_rmse_ft(0.1 / 0.3048, m / 0.3048), 2) for m in (0.1, 0.282)]
    [0.46, 0.98]
    """
    return math.hypot(surface_rmse_ft, ground_rmse_ft)


def far_from_returns(
    n_returns: FloatArray, cell_ft: tuple[float, float], reach_ft: float
) -> npt.NDArray[np.bool_]:
    """Cells whose middle is farther than a reach from the middle of any cell with a return.

    Parameters
    ----------
    n_returns : (rows, cols) array
        Ground returns in each cell; NaN counts as none.
    cell_ft : height, width of a cell. [ft]
    reach_ft : float

    Examples
    --------
    >>> far_from_returns(np.array([[1.0, 0.0, 0.0, 0.0]]), (2.0, 2.0), 4.0).tolist()
    [[False, False, False, True]]
    """
    from scipy.ndimage import distance_transform_edt

    is_empty = ~(n_returns > 0)
    if is_empty.all():
        return is_empty
    away = distance_transform_edt(is_empty, sampling=cell_ft)
    return np.asarray(away > reach_ft * (1 + 1e-9))


def middles_inside(area: Any, x: FloatArray, y: FloatArray) -> npt.NDArray[np.bool_]:
    """Which cells have their middle inside an area; a middle on its edge is not inside.

    Parameters
    ----------
    area : (multi)polygon, prepared for speed here
    x, y : (rows, cols) arrays
        Middles of the cells, in the area's CRS. [map units]
    """
    out = np.zeros(x.shape, bool)
    if area is None or area.is_empty or x.size == 0:
        return out
    west, south, east, north = area.bounds
    near = (x > west) & (x < east) & (y > south) & (y < north)
    if near.any():
        shapely.prepare(area)
        out[near] = shapely.contains_xy(area, x[near], y[near])
    return out
