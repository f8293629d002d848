"""Crowns as named solids of revolution: volumes of slices, and the cut that takes off a share.

A solid stands on its base at height B, ends at its top at height H, and has the crown's polygon as
its widest section, so that pi R^2 is the polygon's area. With ``d`` the depth under the top as a
share of H - B, each solid has a form factor (volume over area x depth) and a closed share of the
volume within ``d`` of the top:

==============  ===========  =================  =============================
solid           form factor  share within d     widest
==============  ===========  =================  =============================
cylinder        1            d                  everywhere
cone            1/3          d^3                at the base, point on top
paraboloid      1/2          d^2                at the base, round on top
half-ellipsoid  2/3          d^2 (3 - d) / 2    at the base, round on top
ellipsoid       2/3          d^2 (3 - 2 d)      half way up
neiloid         1/4          d^4                at the base, hollow sides
==============  ===========  =================  =============================

Source: formulas of standard handbooks and forest-mensuration texts, from memory; the tests derive
each again by quadrature of its section.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from geotrim.core.coverage import Floats
from geotrim.errors import RangeError

#: Solid -> volume over polygon area and depth.
FORM_FACTORS = {
    "cylinder": 1.0,
    "cone": 1.0 / 3.0,
    "paraboloid": 1.0 / 2.0,
    "half-ellipsoid": 2.0 / 3.0,
    "ellipsoid": 2.0 / 3.0,
    "neiloid": 1.0 / 4.0,
}

_SHARE_WITHIN: dict[str, Callable[[Floats], Floats]] = {
    "cylinder": lambda d: d,
    "cone": lambda d: d**3,
    "paraboloid": lambda d: d**2,
    "half-ellipsoid": lambda d: d**2 * (3.0 - d) / 2.0,
    "ellipsoid": lambda d: d**2 * (3.0 - 2.0 * d),
    "neiloid": lambda d: d**4,
}


def _half_ellipsoid_depth(share: Floats) -> Floats:
    """Root in 0..1 of d^3 - 3 d^2 + 2 share: the trigonometric root of the cubic."""
    turn = 2.0 / 3.0 * np.arcsin(np.sqrt(share / 2.0))
    depth: Floats = 2.0 * np.sin(turn / 2.0) ** 2 + np.sqrt(3.0) * np.sin(turn)
    return depth


def _ellipsoid_depth(share: Floats) -> Floats:
    """Root in 0..1 of 2 d^3 - 3 d^2 + share: the trigonometric root of the cubic."""
    turn = 2.0 / 3.0 * np.arcsin(np.sqrt(share))
    depth: Floats = np.sin(turn / 2.0) ** 2 + np.sqrt(3.0) / 2.0 * np.sin(turn)
    return depth


_DEPTH_OF: dict[str, Callable[[Floats], Floats]] = {
    "cylinder": lambda s: s,
    "cone": np.cbrt,
    "paraboloid": np.sqrt,
    "half-ellipsoid": _half_ellipsoid_depth,
    "ellipsoid": _ellipsoid_depth,
    "neiloid": lambda s: np.sqrt(np.sqrt(s)),
}


def check_solid(solid: str) -> None:
    """Refuse a solid that is not in the table above."""
    if solid not in FORM_FACTORS:
        raise RangeError(
            "solid", f"{solid!r}", f"one of {', '.join(FORM_FACTORS)}", "choose one of these"
        )


def solid_above_ft3(
    solid: str,
    area_ft2: npt.ArrayLike,
    base_ft: npt.ArrayLike,
    top_ft: npt.ArrayLike,
    height_ft: npt.ArrayLike,
) -> Floats:
    """Volume of a solid above a height; arrays are broadcast.

    Parameters
    ----------
    solid : str
        A key of ``FORM_FACTORS``.
    area_ft2 : array
        Of the widest section. [ft2]
    base_ft, top_ft : array
        A solid whose base is at its top or over it holds nothing. NaN gives NaN. [ft]
    height_ft : array
        The volume above this. [ft]

    Raises
    ------
    RangeError
        If there is no such solid.

    Examples
    --------
    A paraboloid 8 ft deep on 100 ft2 holds 400 ft3, a quarter of it in the upper half.

    >>> float(solid_above_ft3("paraboloid", 100.0, 2.0, 10.0, [6.0])[0])
    100.0
    """
    check_solid(solid)
    area, base, top, height = (
        np.asarray(a, dtype=np.float64) for a in (area_ft2, base_ft, top_ft, height_ft)
    )
    depth = np.maximum(top - base, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.clip((top - height) / depth, 0.0, 1.0)
    share = np.where(depth == 0.0, 0.0, share)
    volume: Floats = FORM_FACTORS[solid] * area * depth * _SHARE_WITHIN[solid](share)
    return volume


def solid_slice_ft3(
    solid: str,
    area_ft2: npt.ArrayLike,
    base_ft: npt.ArrayLike,
    top_ft: npt.ArrayLike,
    low_ft: npt.ArrayLike,
    high_ft: npt.ArrayLike,
) -> Floats:
    """Volume of a solid between two heights; what lies under its base or over its top is nothing.

    Examples
    --------
    >>> float(solid_slice_ft3("cylinder", 100.0, 4.0, 16.0, 6.0, 10.0))
    400.0
    """
    low = solid_above_ft3(solid, area_ft2, base_ft, top_ft, low_ft)
    return low - solid_above_ft3(solid, area_ft2, base_ft, top_ft, high_ft)


def cut_height_ft(
    solid: str, base_ft: npt.ArrayLike, top_ft: npt.ArrayLike, removed_frac: npt.ArrayLike
) -> Floats:
    """Height of the level cut that takes a share of the volume off the top.

    Raises
    ------
    RangeError
        If there is no such solid, or a share is outside 0 to 1.

    Examples
    --------
    >>> float(cut_height_ft("paraboloid", 4.0, 16.0, 0.25))
    10.0
    """
    check_solid(solid)
    base, top, removed = (np.asarray(a, dtype=np.float64) for a in (base_ft, top_ft, removed_frac))
    if ((removed < 0.0) | (removed > 1.0)).any():
        raise RangeError(
            "removed_frac",
            f"{removed.tolist()}",
            "shares from 0 to 1",
            "divide a percentage by 100",
        )
    height: Floats = top - np.maximum(top - base, 0.0) * _DEPTH_OF[solid](removed)
    return height
