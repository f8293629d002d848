"""A section square to the shore: places along it, and the highest canopy step by step.

The *offset* of a place is its distance along the section from where the MHW line lies, negative to
the land and positive to the water. Its distance from the section is how far *aside* it lies.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core.coverage import Floats, Ints, Transform

#: Sample points in a step of a section, and in a cell, each way: enough that none is passed over.
SAMPLES = 2.0
#: Sample points are not nearer to each other than this. [ft]
LEAST_APART_FT = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class SectionLine:
    """A straight line across the shore.

    zero : (2,) where offset 0 lies. [map units]
    out : (2,) unit vector to the water.
    feet : international feet in one map unit.
    """

    zero: Floats
    out: Floats
    feet: float

    def at(self, offset_ft: npt.ArrayLike) -> Floats:
        """Places at offsets, (m, 2). [map units]."""
        off = np.asarray(offset_ft, dtype=np.float64)[..., None] / self.feet
        return np.asarray(self.zero + off * self.out)

    def places(self, xy: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Offset of places, and how far aside they lie, positive to the right. [ft].

        To the right of one who looks to the water.

        Examples
        --------
        >>> line = SectionLine(np.array([10.0, 0.0]), np.array([0.0, 1.0]), 1.0)
        >>> [side.tolist() for side in line.places([[12.0, 5.0]])]
        [[5.0], [2.0]]
        """
        gap = (np.asarray(xy, dtype=np.float64) - self.zero) * self.feet
        right = np.array([self.out[1], -self.out[0]])
        return gap @ self.out, gap @ right

    def strip(self, land_ft: float, water_ft: float, half_ft: float) -> Any:
        """Rectangle along the section between two offsets. [map units]."""
        right = np.array([self.out[1], -self.out[0]]) * half_ft / self.feet
        near, far = self.at([land_ft, water_ft])
        return shapely.Polygon([near - right, near + right, far + right, far - right])

    def line(self, land_ft: float, water_ft: float) -> Any:
        """The section between two offsets, its land end first."""
        return shapely.LineString(self.at([land_ft, water_ft]))


def crossing_ft(line: SectionLine, shore: Any, reach_ft: float) -> float | None:
    """Offset at which a section meets a shore line, the nearest to its zero; None for none near.

    Parameters
    ----------
    line : SectionLine
    shore : LineString or MultiLineString
    reach_ft : float
        How far from its zero it is looked for. [ft]
    """
    met = shapely.intersection(line.line(-reach_ft, reach_ft), shore)
    if shapely.is_empty(met):
        return None
    offset, _ = line.places(shapely.get_coordinates(met))
    return float(offset[np.argmin(np.abs(offset))])


def highest_along(
    line: SectionLine,
    shape: Any,
    transform: Transform,
    row: Ints,
    col: Ints,
    top_ft: Floats,
    *,
    half_ft: float,
    step_ft: float,
) -> tuple[Floats, Floats]:
    """Highest cell of one crown in each step of a section.

    Parameters
    ----------
    line : SectionLine
    shape : Polygon or MultiPolygon
        The crown. [map units]
    transform : six floats
        From (column, row) to map units.
    row, col, top_ft : (k,) arrays
        The crown's cells and their heights; NaN where nothing is known. [ft]
    half_ft, step_ft : float
        Half the width of the strip that is looked at, and the length of a step. [ft]

    Returns
    -------
    offset_ft : (m,) array
        Middles of the steps that the crown reaches into, rising: odd multiples of half a step.
    top_ft : (m,) array
        NaN where its cells there say nothing.

    Notes
    -----
    The strip is looked at in a lattice of points, at least two in a cell and in a step each way
    (but see ``LEAST_APART_FT``); those in the crown's outline count, each with the cell it lies in.
    """
    offset, aside = _lattice(line, shape, transform, half_ft, step_ft)
    right = np.array([line.out[1], -line.out[0]])
    xy = line.at(offset) + aside[:, None] / line.feet * right
    shapely.prepare(shape)
    inside = shapely.intersects_xy(shape, xy[:, 0], xy[:, 1])
    height = _heights_at(xy[inside], transform, row, col, top_ft)
    step, which = np.unique(np.floor(offset[inside] / step_ft), return_inverse=True)
    highest = np.full(step.size, -np.inf)
    np.maximum.at(highest, which, np.where(np.isnan(height), -np.inf, height))
    highest[np.isneginf(highest)] = np.nan
    return (step + 0.5) * step_ft, highest


def _lattice(
    line: SectionLine, shape: Any, transform: Transform, half_ft: float, step_ft: float
) -> tuple[Floats, Floats]:
    """Offset and place aside of sample points in the part of the strip a crown may reach. [ft]."""
    a, b, _, d, e, _ = transform
    cell_ft = float(np.sqrt(abs(a * e - b * d))) * line.feet
    apart = max(min(step_ft, cell_ft) / SAMPLES, LEAST_APART_FT)
    reach, beside = line.places(shapely.get_coordinates(shape))
    n = max(int(np.ceil(step_ft / apart)), 1)
    steps = np.arange(np.floor(reach.min() / step_ft), np.ceil(reach.max() / step_ft))
    offset = ((steps[:, None] + (np.arange(n) + 0.5) / n) * step_ft).ravel()
    n = max(int(np.ceil(2.0 * half_ft / apart)), 1)
    aside = -half_ft + (np.arange(n) + 0.5) / n * 2.0 * half_ft
    aside = aside[(aside >= beside.min()) & (aside <= beside.max())]
    every = np.meshgrid(offset, aside)
    return every[0].ravel(), every[1].ravel()


def _heights_at(xy: Floats, transform: Transform, row: Ints, col: Ints, top_ft: Floats) -> Floats:
    """Height of the cell each place lies in; NaN in none of these cells. [ft]."""
    if not row.size:
        return np.full(len(xy), np.nan)
    a, b, c, d, e, f = transform
    det = a * e - b * d
    x, y = xy[:, 0] - c, xy[:, 1] - f
    across = np.floor((e * x - b * y) / det).astype(np.int64) - col.min()
    down = np.floor((a * y - d * x) / det).astype(np.int64) - row.min()
    grid = np.full((int(np.ptp(row)) + 1, int(np.ptp(col)) + 1), np.nan)
    grid[row - row.min(), col - col.min()] = top_ft
    is_on = (across >= 0) & (across < grid.shape[1]) & (down >= 0) & (down < grid.shape[0])
    out = np.full(len(xy), np.nan)
    out[is_on] = grid[down[is_on], across[is_on]]
    return out
