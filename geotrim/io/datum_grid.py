"""Gridded tidal datums: the height of mean high water above local mean sea level at a place.

GTX, an open layout of datum grids, and any other raster that GDAL reads. Grids of this kind hold
values over water only, count longitudes from 0 to 360 as often as from -180 to 180, and mark what
has no value by -88.8888.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from pyproj import CRS, Geod, Transformer

from geotrim.core.datums import within_grid
from geotrim.errors import LayerError, RangeError
from geotrim.io.rasters import HeightRaster, open_heights
from geotrim.units import FOOT_M

#: What GTX grids hold where there is no value; some copies lose the declaration. [their unit]
NO_VALUE, NO_VALUE_WITHIN = -88.8888, 1e-3
#: No mean high water is farther than this from mean sea level. [ft]
MOST_FT = 60.0
#: How far the nearest value is looked for, to tell of it. [ft]
LOOK_FT = 100_000.0
#: Cells a side of the window it is looked for in, at most.
LOOK_CELLS = 2001


@dataclass(frozen=True, slots=True)
class GridValue:
    """A value read off a grid.

    value_ft : MHW above local mean sea level.
    known_frac : share of the weight of the four neighbours that had a value.
    away_ft : 0 where the neighbours gave the value; else how far the one cell taken lies.
    """

    value_ft: float
    known_frac: float
    away_ft: float = 0.0


def open_datum_grid(
    path: str, *, unit: str | None = None, band: int = 1, crs: Any = None, subject: str
) -> HeightRaster:
    """Open a datum grid. Its layout has no unit, so one must be stated; the CRS it may know.

    Raises
    ------
    GeotrimError
        As :func:`geotrim.io.rasters.open_heights`.
    """
    return open_heights(path, unit=unit, band=band, crs=crs, subject=subject, holds="anything")


def grid_value(grid: HeightRaster, lon: float, lat: float, *, reach_ft: float = 0.0) -> GridValue:
    """Value of a datum grid at a place: bilinear between the four cell centres around it.

    Where some of the four have no value, the others' weights are brought to a sum of 1; where the
    ones with a value hold less than half of the weight, the nearest cell with one is taken if it is
    within ``reach_ft``.

    Parameters
    ----------
    grid : HeightRaster
    lon, lat : float
        The place. [deg]
    reach_ft : float
        How far the nearest value may lie.

    Raises
    ------
    LayerError
        If there is no value at the place or near enough; the nearest is told.
    RangeError
        If the value cannot be a tidal datum.
    """
    col, row = _pixel(grid, lon, lat)
    col0, row0 = int(np.floor(col - 0.5)), int(np.floor(row - 0.5))
    corners = _cells(grid, row0, row0 + 2, col0, col0 + 2)
    value, known = within_grid(corners, col - 0.5 - col0, row - 0.5 - row0)
    if value is not None:
        return GridValue(_checked_ft(grid, value), known)
    nearest = _nearest(grid, lon, lat, max(reach_ft, LOOK_FT))
    if nearest is not None and nearest[1] <= reach_ft:
        return GridValue(_checked_ft(grid, nearest[0]), known, nearest[1])
    told = (
        "and none is within 100,000 ft"
        if nearest is None
        else f"the nearest is {nearest[1]:,.0f} ft away"
    )
    raise LayerError(
        grid.subject,
        f"no value at {lat:.5f}, {lon:.5f} ({told})",
        "a value where the lot is; grids of tidal datums hold values over water only",
        "another grid, or a station"
        if nearest is None
        else f"let the nearest value count with --grid-reach-ft {np.ceil(nearest[1]):.0f}, if the "
        "tide there is the tide here",
    )


def _checked_ft(grid: HeightRaster, value: float) -> float:
    feet = value * grid.feet_per_unit
    if abs(feet) > MOST_FT:
        raise RangeError(
            grid.subject,
            f"a value of {feet:,.2f} ft",
            f"MHW above local mean sea level, within {MOST_FT:g} ft",
            "check the grid, its unit and its no-data value",
        )
    return feet


def _pixel(grid: HeightRaster, lon: float, lat: float) -> tuple[float, float]:
    """Column and row of a place; longitudes are turned round until they fall on the grid."""
    a, b, c, d, e, f = grid.transform
    n_rows, n_cols = grid.shape
    best = (np.nan, np.nan)
    for turn in (0.0, 360.0, -360.0):
        x, y = lon + turn, lat
        if not grid.crs.is_geographic:
            way = Transformer.from_crs(CRS.from_epsg(4326), grid.crs, always_xy=True)
            x, y = way.transform(lon, lat)
        det = a * e - b * d
        col, row = (e * (x - c) - b * (y - f)) / det, (a * (y - f) - d * (x - c)) / det
        best = (col, row) if turn == 0.0 else best
        if 0 <= col <= n_cols and 0 <= row <= n_rows:
            return float(col), float(row)
    if not np.isfinite(best).all():
        raise LayerError(
            grid.subject, f"no cell at {lat:.5f}, {lon:.5f}", "a grid of the place", "name another"
        )
    return float(best[0]), float(best[1])


def _cells(
    grid: HeightRaster, row0: int, row1: int, col0: int, col1: int
) -> npt.NDArray[np.float64]:
    """A window as floats; NaN off the grid and where there is no value."""
    out = np.full((row1 - row0, col1 - col0), np.nan)
    n_rows, n_cols = grid.shape
    top, bottom, left, right = max(row0, 0), min(row1, n_rows), max(col0, 0), min(col1, n_cols)
    if top < bottom and left < right:
        inner = grid.read(top, bottom, left, right).astype(np.float64)
        inner[np.abs(inner - NO_VALUE) < NO_VALUE_WITHIN] = np.nan
        out[top - row0 : bottom - row0, left - col0 : right - col0] = inner
    return out


def _nearest(
    grid: HeightRaster, lon: float, lat: float, reach_ft: float
) -> tuple[float, float] | None:
    """Nearest value and its distance along the ground [ft], if there is one in reach."""
    col, row = _pixel(grid, lon, lat)
    a, b, c, d, e, f = grid.transform
    per_unit = (
        111_000.0 / FOOT_M
        if grid.crs.is_geographic
        else grid.crs.axis_info[0].unit_conversion_factor / FOOT_M
    )
    short = per_unit * (max(np.cos(np.radians(lat)), 0.05) if grid.crs.is_geographic else 1.0)
    half = int(
        min(np.ceil(reach_ft / (min(np.hypot(a, d), np.hypot(b, e)) * short)) + 1, LOOK_CELLS // 2)
    )
    row0, col0 = int(row) - half, int(col) - half
    cells = _cells(grid, row0, row0 + 2 * half + 1, col0, col0 + 2 * half + 1)
    at_row, at_col = np.nonzero(np.isfinite(cells))
    if not len(at_row):
        return None
    px, py = at_col + col0 + 0.5, at_row + row0 + 0.5
    x, y = a * px + b * py + c, d * px + e * py + f
    if not grid.crs.is_geographic:
        x, y = Transformer.from_crs(grid.crs, CRS.from_epsg(4326), always_xy=True).transform(x, y)
    _, _, away = Geod(ellps="GRS80").inv(np.full(len(x), lon), np.full(len(x), lat), x, y)
    k = int(np.argmin(away))
    distance = float(away[k]) / FOOT_M
    return (float(cells[at_row[k], at_col[k]]), distance) if distance <= reach_ft else None
