"""What stands between an eye and the water: the canopy as columns on a grid, and the ground."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotrim.core.coverage import Floats, Ints

Transform = tuple[float, float, float, float, float, float]
#: Mean radius of the earth. Source: IUGG mean radius R1 of GRS 80, 6,371,008.8 m. [ft]
EARTH_RADIUS_FT = 6_371_008.8 / 0.3048
#: Share of the earth's curvature that refraction takes back near the ground by day.
#: Common practice of surveyors since Gauss; from memory.
REFRACTION = 0.13


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """Elevation of the ground on a grid: bilinear between the centres of cells.

    elevation_ft : (rows, cols); NaN where nothing is known, which blocks nothing. [ft]
    transform : (a, b, c, d, e, f) from (column, row), counted from the corner of the first cell,
        to the site's map units: x = a col + b row + c, y = d col + e row + f.
    """

    elevation_ft: Floats
    transform: Transform


@dataclass(frozen=True, slots=True, eq=False)
class Shared:
    """More columns on cells that several crowns share, beside the one in the grids of a scene.

    Each hides until its own tree is cut, so a shared cell opens only where all of its trees are.

    cell : (s,) numbers of cells, row by row, rising; every one has canopy in the grids as well.
    tree, top_ft, is_clearable : (s,) as the grids of :class:`Scene`.
    """

    cell: Ints
    tree: Ints
    top_ft: Floats
    is_clearable: npt.NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.cell)


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """The canopy as columns, one a cell, and more where crowns share a cell.

    top_ft : (rows, cols) height of the canopy above the substrate; NaN: none. [ft]
    tree : (rows, cols) number of the tree a cell's canopy belongs to; -1: none, an empty cell.
    is_clearable : (rows, cols) an option of the tree works on this cell; False where the cell lies
        outside the zone.
    base_ft : (t,) where each tree's canopy begins above the substrate; 0: at the substrate. [ft]
    substrate_ft : (rows, cols) elevation the heights stand on. [ft]
    transform : as in :class:`Ground`.
    feet : international feet in one map unit.
    ground : the ground that blocks the view; None: level, and it blocks nothing.
    water_ft : elevation of the water's surface. [ft]
    shared : further columns on shared cells; None: there are none.
    """

    top_ft: Floats
    tree: Ints
    is_clearable: npt.NDArray[np.bool_]
    base_ft: Floats
    substrate_ft: Floats
    transform: Transform
    feet: float
    ground: Ground | None = None
    water_ft: float = 0.0
    shared: Shared | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Rays:
    """Lines of sight from one eye, or parallel ones square to the shore.

    x, y : (r,) where each begins. [map units]
    dx, dy : (r,) direction, of length 1.
    length_ft : (r,) how far anything can block: from an eye, to the water's near edge and past it
        to the last canopy of the scene and the end of its ground, or to the horizon. [ft]
    eye_ft : elevation of the eye; NaN for parallel rays, whose up-and-down measure is then height
        in ft above the substrate, not an angle. [ft]
    low, high : (r,) bottom and top of the view on each ray: elevation angles of the water's near
        edge and of the horizon [deg], or heights above the substrate [ft].
    weight : (r,) share of the whole view that one unit (deg or ft) of a ray is.
    curvature : 1 / ft: a point at distance d lies ``d^2 * curvature`` lower; 0 for a flat earth.
    """

    x: Floats
    y: Floats
    dx: Floats
    dy: Floats
    length_ft: Floats
    eye_ft: float
    low: Floats
    high: Floats
    weight: Floats
    curvature: float = 0.0

    def __len__(self) -> int:
        return len(self.x)


def curvature_per_ft(is_flat: bool = False, refraction: float = REFRACTION) -> float:
    """What :attr:`Rays.curvature` is: ``(1 - k) / (2 R)``. [1/ft].

    Examples
    --------
    A mile off, the earth has dropped by 8 inches; with refraction by 7.

    >>> round(5280.0**2 * curvature_per_ft(refraction=0.0) * 12.0, 1)
    8.0
    >>> round(5280.0**2 * curvature_per_ft() * 12.0, 1)
    7.0
    """
    return 0.0 if is_flat else (1.0 - refraction) / (2.0 * EARTH_RADIUS_FT)
