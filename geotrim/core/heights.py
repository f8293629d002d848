"""Heights against limits: classes, margins, and what is too close to call."""

from __future__ import annotations

from itertools import pairwise
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from geotrim.core.coverage import Floats, Ints

#: Heights closer to a limit than this are at the limit. A raster in single precision, or in
#: metres, cannot hold most heights in feet exactly: 3.048 m comes back as 10.0000003 ft.
AT_LIMIT_FT = 1e-5


def class_names(limits_ft: npt.ArrayLike) -> list[str]:
    """Names of the height classes that rising limits make.

    Examples
    --------
    >>> class_names([6, 10, 16, 24])
    ['under 6 ft', '6-10 ft', '10-16 ft', '16-24 ft', 'over 24 ft']
    """
    shown = [f"{limit:g}" for limit in np.asarray(limits_ft, dtype=np.float64)]
    between = [f"{low}-{high} ft" for low, high in pairwise(shown)]
    return [f"under {shown[0]} ft", *between, f"over {shown[-1]} ft"]


def height_classes(
    top_ft: npt.ArrayLike, limits_ft: npt.ArrayLike, upward_ft: npt.ArrayLike = ()
) -> Ints:
    """Number of the class each height falls in, from 0; -1 for NaN.

    Parameters
    ----------
    top_ft : (n,) array
    limits_ft : (k,) rising array
    upward_ft : array
        Limits whose own value belongs to the class above. At every other limit it belongs to the
        class below, as under a cap that may not be exceeded.

    Examples
    --------
    >>> height_classes([5.9, 6.0, 10.0, 10.01], [6.0, 10.0], upward_ft=[6.0]).tolist()
    [0, 1, 1, 2]
    """
    top = np.asarray(top_ft, dtype=np.float64)
    limits = np.asarray(limits_ft, dtype=np.float64)
    sides = np.where(np.isin(limits, np.asarray(upward_ft)), -AT_LIMIT_FT, AT_LIMIT_FT)
    classes: Ints = np.asarray((top[:, None] > limits + sides).sum(axis=1), dtype=np.int64)
    classes[np.isnan(top)] = -1
    return classes


def nearest_limits(top_ft: npt.ArrayLike, limits_ft: npt.ArrayLike) -> tuple[Floats, Floats]:
    """The limit nearest to each height, the lower of two as near, and height minus limit.

    Examples
    --------
    >>> nearest, margin = nearest_limits([9.5, 8.0], [6.0, 10.0])
    >>> nearest.tolist(), margin.tolist()
    ([10.0, 6.0], [-0.5, 2.0])
    """
    top = np.asarray(top_ft, dtype=np.float64)
    limits = np.asarray(limits_ft, dtype=np.float64)
    distance = np.abs(np.nan_to_num(top)[:, None] - limits)
    nearest = np.where(np.isnan(top), np.nan, limits[np.argmin(distance, axis=1)])
    return nearest, top - nearest


def quantile_two_sided(confidence_frac: float) -> float:
    """How many standard errors either way hold this share of a normal distribution.

    Examples
    --------
    >>> round(quantile_two_sided(0.95), 4)
    1.96
    """
    return NormalDist().inv_cdf(0.5 + confidence_frac / 2.0)
