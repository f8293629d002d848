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

#: A step of the section has at least this many sample points of a cell along it, so that none that
#: a cell covers is left out.
SAMPLES_A_STEP = 2.0


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
        Middles of the steps in which the crown has cells, rising: odd multiples of half a step.
    top_ft : (m,) array
        NaN where the cells there say nothing.

    Notes
    -----
    A cell covers its whole square, so that a raster coarser than the step leaves no gaps: it is
    looked at in a lattice of points half a step apart at most, of which those count that lie in
    the strip and in the crown's outline.
    """
    a, b, c, d, e, f = transform
    side_ft = max(float(np.hypot(a, d)), float(np.hypot(b, e))) * line.feet
    x, y = a * (col + 0.5) + b * (row + 0.5) + c, d * (col + 0.5) + e * (row + 0.5) + f
    _, aside = line.places(np.column_stack([x, y]))
    near = np.flatnonzero(np.abs(aside) <= half_ft + side_ft)
    n = max(1, int(np.ceil(SAMPLES_A_STEP * side_ft / step_ft)))
    part = (np.arange(n) + 0.5) / n
    u, v = (lattice.ravel() for lattice in np.meshgrid(part, part))
    across, down = col[near, None] + u, row[near, None] + v
    xy = np.stack([a * across + b * down + c, d * across + e * down + f], axis=-1).reshape(-1, 2)
    top = np.repeat(top_ft[near], n * n)
    offset, aside = line.places(xy)
    inside = np.abs(aside) <= half_ft
    shapely.prepare(shape)
    inside[inside] = shapely.intersects_xy(shape, xy[inside, 0], xy[inside, 1])
    step, which = np.unique(np.floor(offset[inside] / step_ft), return_inverse=True)
    highest = np.full(step.size, -np.inf)
    np.maximum.at(highest, which, np.where(np.isnan(top[inside]), -np.inf, top[inside]))
    highest[np.isneginf(highest)] = np.nan
    return (step + 0.5) * step_ft, highest
