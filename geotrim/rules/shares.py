"""The cap of 65 %: how many mangroves, how much fringe, how much canopy it leaves."""

from __future__ import annotations

import math

from geotrim.errors import RangeError

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


def unit_length_ft(length_ft: float, n_units: int) -> float:
    """Length of shore for each unit of a multifamily parcel, were it shared in equal parts. [ft].

    Parameters
    ----------
    length_ft : float
    n_units : int

    Raises
    ------
    RangeError
        If there is no unit, or the length is below 0.

    Notes
    -----
    The act asks for an equitable distribution and gives no formula (s. 403.9323(5) F.S.): equal
    parts are a figure to start from. Whether they are equitable is not for geotrim to say.

    Examples
    --------
    >>> unit_length_ft(120.0, 4)
    30.0
    """
    if n_units < 1:
        raise RangeError("n_units", f"{n_units}", "a count from 1 up", "correct the count")
    if length_ft < 0:
        raise RangeError("length_ft", f"{length_ft:g}", "0 or more", "correct the length")
    return length_ft / n_units


def unit_words(length_ft: float, n_units: int) -> str:
    """The share of each unit of a multifamily parcel, in words.

    Examples
    --------
    >>> unit_words(120.0, 4)
    'In equal parts each of 4 units has 30.0 ft of the shoreline. The act asks for an equitable \
distribution and gives no formula (s. 403.9323(5) F.S.); what is equitable is not told here.'
    """
    each = unit_length_ft(length_ft, n_units)
    units = "the one unit" if n_units == 1 else f"each of {n_units} units"
    return (
        f"In equal parts {units} has {each:.1f} ft of the shoreline. The act asks for an equitable "
        "distribution and gives no formula (s. 403.9323(5) F.S.); what is equitable is not told "
        "here."
    )
