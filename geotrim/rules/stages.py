"""Stages: how many years a cut takes when only a share may be taken each year."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
#: A share this little over a whole number of stages does not need another year.
WHOLE = 1e-9


def years_needed(removed_frac: npt.ArrayLike, yearly_frac: float, reading: str) -> Floats:
    """Years to take a share of a crown, at most so much a year.

    Parameters
    ----------
    removed_frac : array
        Share of the crown to be taken in all; NaN is unknown.
    yearly_frac : float
        Most of it in one year.
    reading : str
        ``standing-each-year``: of what stands at the start of each year, so that 1 - (1 - q)^n is
        taken in n years; ``original``: of what stood before the first cut. Regrowth is not counted.

    Returns
    -------
    years : array
        Whole numbers; 0 where nothing is taken, NaN where the share is unknown or, of what stands
        each year, where all of it would have to go.

    Examples
    --------
    >>> [float(years_needed(0.6, 0.25, how)) for how in ("original", "standing-each-year")]
    [3.0, 4.0]
    """
    share = np.asarray(removed_frac, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        if reading == "original":
            exact = share / yearly_frac
        else:
            exact = np.log1p(-share) / np.log1p(-yearly_frac)
    years: Floats = np.ceil(exact - WHOLE)
    return np.where(np.isfinite(exact), np.maximum(years, 0.0), np.nan)


def yearly_share(removed_frac: npt.ArrayLike, n_years: int, reading: str) -> Floats:
    """Share taken in each year when a cut is spread evenly over some years.

    Examples
    --------
    >>> float(yearly_share(0.75, 3, "original"))
    0.25
    """
    share = np.asarray(removed_frac, dtype=np.float64)
    if reading == "original":
        return share / n_years
    even: Floats = 1.0 - np.power(1.0 - np.clip(share, 0.0, 1.0), 1.0 / n_years)
    return np.where(np.isnan(share), np.nan, even)
