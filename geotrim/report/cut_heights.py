"""Heights to cut to as a crew reads them: rounded so that no more is taken than was reckoned."""

from __future__ import annotations

import math

#: Steps in a foot of a height that is told. Less than a millionth of one is error of arithmetic.
STEPS, NOTHING = 10.0, 1e-6


def top_to(height_ft: float) -> float:
    """The height a top is lowered to, rounded up to a tenth of a foot. [ft].

    Examples
    --------
    >>> top_to(10.02), top_to(10.0), top_to(0.1 + 0.2)
    (10.1, 10.0, 0.3)
    """
    return math.ceil(height_ft * STEPS - NOTHING) / STEPS


def cleared_up_to(height_ft: float) -> float:
    """The upper side of a band that is cleared, rounded down to a tenth of a foot. [ft].

    Examples
    --------
    >>> cleared_up_to(9.98), cleared_up_to(10.0), cleared_up_to(0.1 + 0.2)
    (9.9, 10.0, 0.3)
    """
    return math.floor(height_ft * STEPS + NOTHING) / STEPS


def band_words(low_ft: float, high_ft: float) -> str:
    """A band that is cleared, its lower side rounded up and its upper down.

    Examples
    --------
    >>> band_words(6.04, 9.98), band_words(6.0, 10.0)
    ('6.1 to 9.9 ft', '6.0 to 10.0 ft')
    >>> band_words(6.02, 6.08)
    'less than 0.1 ft at 6.1 ft'
    """
    low, high = top_to(low_ft), cleared_up_to(high_ft)
    if high <= low:
        return f"less than 0.1 ft at {low:.1f} ft"
    return f"{low:.1f} to {high:.1f} ft"
