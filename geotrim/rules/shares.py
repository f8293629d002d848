"""The cap of 65 %: how many mangroves, how much fringe, how much canopy it leaves."""

from __future__ import annotations

import math

#: Parts of a tree this small, lost in arithmetic, are given back before rounding down.
WHOLE = 1e-9


def allowed_trees(n_trees: int, share_frac: float) -> int:
    """Whole trees in a share, rounded down.

    Examples
    --------
    >>> allowed_trees(40, 0.65), allowed_trees(30, 0.65)
    (26, 19)
    """
    return math.floor(n_trees * share_frac + WHOLE)


def allowed_length_ft(
    length_ft: float, share_frac: float, limit_ft: float, reading: str = "as-written"
) -> float:
    """Length of fringe that a cap over a limit of shoreline leaves. [ft].

    Parameters
    ----------
    length_ft : float
    share_frac : float
    limit_ft : float
        Shoreline up to which there is no cap.
    reading : str
        ``as-written``, or ``at-least-150``: never less than the limit itself.

    Examples
    --------
    >>> [round(allowed_length_ft(ft, 0.65, 150.0), 2) for ft in (150.0, 151.0, 300.0)]
    [150.0, 98.15, 195.0]
    """
    if length_ft <= limit_ft:
        return length_ft
    return capped_share(length_ft, share_frac, limit_ft, reading) * length_ft


def capped_share(
    length_ft: float, share_frac: float, limit_ft: float, reading: str = "as-written"
) -> float:
    """Share that a cap leaves where it binds, whether or not the length is over the limit.

    Examples
    --------
    >>> capped_share(200.0, 0.65, 150.0), capped_share(200.0, 0.65, 150.0, "at-least-150")
    (0.65, 0.75)
    """
    if reading == "at-least-150" and length_ft > 0:
        return min(max(share_frac, limit_ft / length_ft), 1.0)
    return share_frac


def parity_length_ft(share_frac: float, limit_ft: float) -> float:
    """Shoreline at which the cap leaves as much as the limit again. [ft].

    Examples
    --------
    >>> round(parity_length_ft(0.65, 150.0), 2)
    230.77
    """
    return limit_ft / share_frac
