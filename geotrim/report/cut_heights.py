"""Heights to cut to as a crew reads them: rounded so that no more is taken than was reckoned."""

from __future__ import annotations

import math

#: Steps in a foot of a height that is told. Less than a millionth of one is error of arithmetic.
STEPS, NOTHING = 10.0, 1e-6
#: Inches in a foot.
INCHES = 12


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


def inches_up(height_ft: float) -> int:
    """A height on the stick, up to the next whole inch. [in].

    Examples
    --------
    >>> inches_up(12.47), inches_up(12.5), inches_up(6.0)
    (150, 150, 72)
    """
    return math.ceil(height_ft * INCHES - NOTHING)


def inches_down(height_ft: float) -> int:
    """A height on the stick, down to the last whole inch. [in].

    Examples
    --------
    >>> inches_down(9.98), inches_down(10.0)
    (119, 120)
    """
    return math.floor(height_ft * INCHES + NOTHING)


def feet_and_inches(inches: int) -> str:
    """A mark of the stick in words.

    Examples
    --------
    >>> feet_and_inches(150), feet_and_inches(72), feet_and_inches(5)
    ('12 ft 6 in', '6 ft 0 in', '0 ft 5 in')
    """
    feet, rest = divmod(inches, INCHES)
    return f"{feet} ft {rest} in"


def stick_words(low_ft: float, high_ft: float = math.inf) -> str:
    """What is taken off a tree as marks of the stick, in inches and the same in decimal feet.

    Parameters
    ----------
    low_ft : float
        The height a top is lowered to, or the lower side of a band. [ft]
    high_ft : float
        The upper side of a band; infinite for a top. [ft]

    Notes
    -----
    A top and the lower side of a band go up to the next inch, the upper side down to the last, and
    decimals follow the inch: no more is taken than was reckoned.

    Examples
    --------
    >>> stick_words(12.47), stick_words(6.04, 9.98)
    ('12 ft 6 in (12.50 ft)', '6 ft 1 in to 9 ft 11 in (6.09 to 9.91 ft)')
    >>> stick_words(6.01, 6.08)
    'less than an inch at 6 ft 1 in'
    """
    low = inches_up(low_ft)
    if math.isinf(high_ft):
        return f"{feet_and_inches(low)} ({decimal_up(low)} ft)"
    high = inches_down(high_ft)
    if high <= low:
        return f"less than an inch at {feet_and_inches(low)}"
    marks = f"{feet_and_inches(low)} to {feet_and_inches(high)}"
    return f"{marks} ({decimal_up(low)} to {decimal_down(high)} ft)"


def decimal_up(inches: int) -> str:
    """Inches as decimal feet, up to the next hundredth.

    Examples
    --------
    >>> decimal_up(149), decimal_up(150)
    ('12.42', '12.50')
    """
    return f"{-(-inches * 100 // INCHES) / 100:.2f}"


def decimal_down(inches: int) -> str:
    """Inches as decimal feet, down to the last hundredth.

    Examples
    --------
    >>> decimal_down(149), decimal_down(150)
    ('12.41', '12.50')
    """
    return f"{inches * 100 // INCHES / 100:.2f}"
