"""Whether heights after a cut look as if they were read in a wrong unit."""

from __future__ import annotations

from typing import Any

import numpy as np

from geotrim.core.coverage import Floats

#: Unit that heights seem to be in -> what they then read of their height, where feet are meant and
#: where metres are. An international foot is 0.3048 m exactly (NIST Special Publication 811, B.6).
FACTORS = {"metres": 0.3048, "feet": 1.0 / 0.3048}
#: A height is taken for one in another unit where it is as near as this to its height before in
#: that unit: a share; growth and errors of some years. Common practice, no source.
NEAR_FRAC = 0.12
#: Trees fewer than this tell nothing.
FEWEST = 3


def seems_in(found_ft: Floats, before_ft: Floats, is_left: Any) -> str | None:
    """The unit that heights seem to be in, None where they fit the one that was told.

    Parameters
    ----------
    found_ft, before_ft : (n,) float64
        Heights under the new raster and before the cut, NaN where not known. [ft]
    is_left : (n,) bool
        Trees that no cut of the plan lowers: they should read as before. Where fewer than
        ``FEWEST`` of them are known, every tree is looked at.

    Notes
    -----
    Most of the trees must read about 0.3048, or 3.28, of their height before. A crew that cuts many
    trees too low does not leave the others at three tenths of their height.

    Examples
    --------
    >>> before = np.array([20.0, 15.0, 30.0, 10.0])
    >>> left = np.array([True, True, True, False])
    >>> seems_in(before * 0.3048, before, left), seems_in(before / 0.3048, before, left)
    ('metres', 'feet')
    >>> seems_in(np.array([20.0, 15.0, 30.0, 3.0]), before, left) is None
    True
    """
    ratio = np.divide(found_ft, before_ft, out=np.full(len(before_ft), np.nan), where=before_ft > 0)
    known = np.isfinite(ratio)
    mine = known & np.asarray(is_left, dtype=bool)
    if mine.sum() < FEWEST:
        mine = known
    if mine.sum() < FEWEST:
        return None
    for unit, factor in FACTORS.items():
        if (np.abs(ratio[mine] / factor - 1.0) <= NEAR_FRAC).mean() > 0.5:
            return unit
    return None
