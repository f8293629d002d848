"""Figures of a statement as text: never rounded onto the other side of a limit, or onto it."""

from __future__ import annotations

import datetime
import math

from geotrim.rules.rule_file import number_words

#: Digits behind the point: usual, and most, where a limit is near.
DIGITS = {"ft": 1, "frac": 0, "ft2": 0, "days": 0, "months": 0, "years": 0}
MOST_DIGITS = 4
NOT_KNOWN = "not known"
_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip


def figure(value: float, unit: str, *limits: float) -> str:
    """A value with its unit, with digits enough to tell it from every limit it is not at.

    Parameters
    ----------
    value : float
        NaN for not known.
    unit : str
        As in rule files: ``ft``, ``frac``, ``yes-no``, ``days`` ...
    *limits : float
        Numbers it is held against, in the same unit.

    Examples
    --------
    >>> figure(38.0, "ft", 50.0), figure(10.01, "ft", 10.0), figure(10.0, "ft", 10.0)
    ('38.0 ft', '10.01 ft', '10.0 ft')
    >>> figure(0.654, "frac", 0.65), figure(1.0, "yes-no"), figure(float("nan"), "ft")
    ('65.4 %', 'yes', 'not known')
    """
    if not math.isfinite(value):
        return NOT_KNOWN
    if unit == "yes-no" or unit not in DIGITS:
        return number_words(round(value, 4) + 0.0, unit)
    scale = 100.0 if unit == "frac" else 1.0
    text = _rounded(value * scale, [limit * scale for limit in limits], DIGITS[unit])
    words = {"frac": "%", "ft2": "sq ft"}.get(unit, unit)
    return f"{text} {words[:-1] if text == '1' and words in ('days', 'months', 'years') else words}"


def span(low: float, high: float, unit: str, *limits: float) -> str:
    """Two values with their unit, or one where they are the same.

    Examples
    --------
    >>> span(4.0, 9.5, "ft"), span(4.0, 4.0, "ft")
    ('4.0 to 9.5 ft', '4.0 ft')
    """
    first, last = figure(low, unit, *limits), figure(high, unit, *limits)
    if first == last:
        return first
    tail = " " + last.split(" ", 1)[1] if " " in last else ""
    return f"{first.removesuffix(tail)} to {last}"


def with_error(value: float, error: float, unit: str, *limits: float) -> str:
    """A value with its standard error, which is told apart from one that is not known.

    Examples
    --------
    >>> with_error(9.8, 0.5, "ft", 10.0), with_error(9.8, float("nan"), "ft")
    ('9.8 ft (error 0.5 ft)', '9.8 ft (error not stated)')
    """
    text = figure(value, unit, *limits)
    if not math.isfinite(value) or unit == "yes-no":
        return text
    if not math.isfinite(error):
        return f"{text} (error not stated)"
    return text if error == 0.0 else f"{text} (error {figure(error, unit, 0.0)})"


def margin(value: float, unit: str) -> str:
    """What a value has to spare to its limit, or how far it is past it; "" where that says nothing.

    Examples
    --------
    >>> margin(12.0, "ft"), margin(-0.4, "ft"), margin(1.0, "yes-no")
    ('12.0 ft to spare', '0.4 ft past the limit', '')
    """
    if not math.isfinite(value) or unit in ("yes-no", "ratio", "usd-per-ft2"):
        return ""
    if abs(value) < 10.0**-MOST_DIGITS:
        return "at the limit"
    words = "to spare" if value > 0 else "past the limit"
    return f"{figure(abs(value), unit, 0.0)} {words}"


def day(text: str) -> str:
    """A day of a table, ISO text, as a letter writes it; "" for none.

    Examples
    --------
    >>> day("2026-12-04"), day("")
    ('December 4, 2026', '')
    """
    if not isinstance(text, str) or not text:
        return ""
    when = datetime.date.fromisoformat(text)
    return f"{_MONTHS[when.month - 1]} {when.day}, {when.year}"


def _rounded(value: float, limits: list[float], digits: int) -> str:
    near = [limit for limit in limits if abs(value - limit) >= 0.5 * 10.0**-MOST_DIGITS]
    while digits < MOST_DIGITS and any(round(value, digits) == round(x, digits) for x in near):
        digits += 1
    return f"{round(value, digits) + 0.0:,.{digits}f}"
