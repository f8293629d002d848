"""Outlines of many lots as whole numbers of a small step: small enough for a page and a map.

Shapes are thinned by less than anyone sees; figures are never taken from them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.units import feet_per_map_unit

Ints = npt.NDArray[np.int64]

#: Up to so many lots -> step and thinning. [ft]
STEPS = ((2_000, 0.1), (20_000, 0.5))
COARSE_FT = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Outlines:
    """Rings of lines or areas on a fine grid.

    origin : (2,) west and south. [map units]
    step : of the grid. [map units]
    xy : (v, 2) whole steps from the origin, ring after ring; an area's ring is not closed again.
    rings : (r + 1,) ring k has ``xy[rings[k]]`` up to the next.
    shapes : (n + 1,) shape k has rings ``shapes[k]`` up to the next; none where it has no shape.
    """

    origin: npt.NDArray[np.float64]
    step: float
    xy: Ints
    rings: Ints
    shapes: Ints

    @property
    def n_shapes(self) -> int:
        return self.shapes.size - 1

    def places(self) -> npt.NDArray[np.float64]:
        """(v, 2) coordinates. [map units]."""
        out: npt.NDArray[np.float64] = self.origin + self.xy * self.step
        return out

    def bounds(self) -> tuple[float, float, float, float] | None:
        """West, south, east, north of all; None where there is nothing. [map units]."""
        if not len(self.xy):
            return None
        low, high = self.places().min(axis=0), self.places().max(axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def step_ft(n_lots: int) -> float:
    """Step of the grid for so many lots. [ft].

    Examples
    --------
    >>> step_ft(300), step_ft(100_000)
    (0.1, 1.0)
    """
    return next((step for most, step in STEPS if n_lots <= most), COARSE_FT)


class OutlinesSeen:
    """Outlines gathered piece by piece.

    Parameters
    ----------
    crs_wkt : str
    n_lots : int
        By which the step is chosen.
    """

    def __init__(self, crs_wkt: str, n_lots: int) -> None:
        self.step = step_ft(n_lots) / feet_per_map_unit(crs_wkt, "site crs")
        self._xy: list[Ints] = []
        self._per_ring: list[Ints] = []
        self._per_shape: list[Ints] = []

    def add(self, shapes: Any) -> None:
        """Take in some shapes, lines or areas; None keeps its place and has no ring."""
        shapes = np.asarray(shapes, dtype=object)
        thin = shapely.simplify(shapes, self.step)  # no ring is lost
        parts, owner = shapely.get_parts(thin, return_index=True)
        is_area = shapely.get_dimensions(parts) == 2
        rings, of_part = _rings(parts, is_area)
        owner, is_area = owner[of_part], is_area[of_part]
        xy, of_ring = shapely.get_coordinates(rings, return_index=True)
        whole = np.round(xy / self.step).astype(np.int64)
        # A closed ring's last place is its first.
        last = np.diff(of_ring, append=-1) != 0
        keep = ~(last & is_area[of_ring])
        self._xy.append(whole[keep])
        self._per_ring.append(np.bincount(of_ring[keep], minlength=len(rings)))
        self._per_shape.append(np.bincount(owner, minlength=len(shapes)))

    def outlines(self, origin: npt.NDArray[np.float64] | None = None) -> Outlines:
        """All that was taken in.

        Parameters
        ----------
        origin : (2,) array, optional
            That of other outlines on the same grid; the least of all coordinates by default.
        """
        xy = np.concatenate([np.empty((0, 2), np.int64), *self._xy])
        if origin is None:
            low = xy.min(axis=0) if len(xy) else np.zeros(2, np.int64)
        else:
            low = np.round(origin / self.step).astype(np.int64)
        return Outlines(
            np.asarray(low * self.step, dtype=np.float64),
            self.step,
            xy - low,
            _starts(self._per_ring),
            _starts(self._per_shape),
        )


def _starts(counts: list[Ints]) -> Ints:
    every = np.concatenate([np.empty(0, np.int64), *counts])
    return np.concatenate([[0], np.cumsum(every)]).astype(np.int64)


def _rings(parts: Any, is_area: Any) -> tuple[Any, Ints]:
    """Rings of areas, and lines as they are, in the order of the parts; the part of each."""
    if not len(parts):
        return parts, np.empty(0, np.int64)
    rings, of_area = shapely.get_rings(parts[is_area], return_index=True)
    rows = np.concatenate([np.flatnonzero(is_area)[of_area], np.flatnonzero(~is_area)])
    every = np.concatenate([rings, parts[~is_area]])
    order = np.argsort(rows, kind="stable")
    return every[order], rows[order]
