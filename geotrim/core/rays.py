"""How wide shapes are across a stretch: their length along squares to its smoothed line."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core import _ray_kernels as kernels
from geotrim.core.fringe import Baseline, Rings
from geotrim.core.shoreline import Array


def widths(base: Baseline, at: npt.ArrayLike, shape: Any, search: float) -> Array:
    """Length of a polygon along the square through each station, as far as ``search`` both ways.

    Rays that lie on an edge of the shape, where rounding decides, are cut by an overlay; all others
    by a compiled loop. [map units]
    """
    origin, out, length, is_on = _rays(base, at, shape, search)
    length[is_on] = _overlaid(origin[is_on], out[is_on], shape, search)
    return length


def greatest_width(base: Baseline, at: npt.ArrayLike, shape: Any, search: float) -> float:
    """The greatest of :func:`widths`; an overlay cuts only rays that may be the longest."""
    origin, out, length, is_on = _rays(base, at, shape, search)
    sure = float(length[~is_on].max(initial=0.0))
    ask = is_on & (length > sure - 1e-6)
    return max(sure, float(_overlaid(origin[ask], out[ask], shape, search).max(initial=0.0)))


def _rays(
    base: Baseline, at: npt.ArrayLike, shape: Any, search: float
) -> tuple[Array, Array, Array, npt.NDArray[np.bool_]]:
    """Origins and ways of rays, their lengths, and which of them lie on an edge."""
    where = np.ascontiguousarray(at, dtype=np.float64)
    origin, out = kernels.squares(np.ascontiguousarray(base.xy), base.s, where)
    rings = Rings.of(np.array([shape], dtype=object))
    length, is_on = kernels.across(origin, out, search, rings.xy, rings.ring_offsets)
    return origin, out, length, is_on


def _overlaid(origin: Array, out: Array, shape: Any, search: float) -> Array:
    if not len(origin):
        return np.empty(0)
    rays = shapely.linestrings(np.stack([origin - out * search, origin + out * search], 1))
    length: Array = shapely.length(shapely.intersection(rays, shape))
    return length
