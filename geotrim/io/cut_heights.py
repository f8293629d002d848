"""Heights as crews write them: numbers in a stated unit, or feet and inches."""

from __future__ import annotations

import re
from collections.abc import Sequence
from fractions import Fraction
from typing import Any

import numpy as np

from geotrim.errors import UnitError
from geotrim.io.field_table import split_unit
from geotrim.io.table_points import plain_name
from geotrim.io.text_numbers import decimal_mark, numbers_of
from geotrim.units import VERTICAL_UNITS_M, feet_per_vertical_unit

_FEET = r"(?:'|\N{RIGHT SINGLE QUOTATION MARK}|\N{PRIME}|ft\.?|feet|foot)"
_INCHES = r'(?:"|\N{RIGHT DOUBLE QUOTATION MARK}|\N{DOUBLE PRIME}|\'\'|in\.?|inch(?:es)?)'
_PART = r"(?P<inches>\d+(?:\.\d+)?)?(?:\s*(?P<over>\d+)/(?P<under>[1-9]\d*))?"
_BOTH = re.compile(
    rf"(?P<feet>\d+(?:\.\d+)?)\s*{_FEET}(?:\s*-?\s*{_PART}\s*{_INCHES}?)?", re.IGNORECASE
)
_ONLY_INCHES = re.compile(rf"{_PART}\s*{_INCHES}", re.IGNORECASE)
#: Inches in a foot.
INCHES = 12


def feet_of(text: str) -> float | None:
    r"""Feet of a height in feet and inches, None where it is written otherwise.

    Examples
    --------
    >>> feet_of("12' 6\""), feet_of("12 ft 3 in"), feet_of("7'"), feet_of('6 1/2"')
    (12.5, 12.25, 7.0, 0.5416666666666666)
    >>> feet_of("12.5"), feet_of("12' 14\""), feet_of("twelve")
    (None, None, None)
    """
    plain = " ".join(text.split())
    found = _BOTH.fullmatch(plain)
    feet = 0.0
    if found is not None:
        feet = float(found["feet"])
    else:
        found = _ONLY_INCHES.fullmatch(plain)
        if found is None or not (found["inches"] or found["over"]):
            return None
    part = _inches(found["inches"], found["over"], found["under"])
    if "feet" in found.re.groupindex and part is not None and (part >= INCHES or feet % 1):
        return None if part else feet
    return feet + float(part or 0) / INCHES


def _inches(whole: str | None, over: str | None, under: str | None) -> Fraction | None:
    if whole is None and over is None:
        return None
    fraction = Fraction(int(over), int(under)) if over and under else Fraction(0)
    return Fraction(whole or "0") + fraction


def heights_of(
    cells: Sequence[Any], column: str, unit: str | None, where: str, names: Sequence[str]
) -> Any:
    """Heights of a column in feet, NaN for empty cells.

    Parameters
    ----------
    cells : sequence of str or None
    column : str
        Its name, whose last word may be a unit.
    unit : str, optional
        Of numbers, where the column tells none.
    where : str
        The column, for messages.
    names : sequence of str
        What to call each row in messages.

    Raises
    ------
    UnitError
        If numbers have no unit, or two; or a column in another unit holds feet and inches.
    LayerError
        If a cell is neither a number nor feet and inches.
    """
    spelled = [None if cell is None else feet_of(str(cell)) for cell in cells]
    own = split_unit(column)[1]
    is_spelled = [value is not None for value in spelled]
    if any(is_spelled) and "m" in (own, unit):
        k = is_spelled.index(True)
        found = f"{cells[k]!r} in {names[k]}, in a column in metres"
        raise UnitError(where, found, "one unit a column", "write all of it in one unit")
    rest = [None if value is not None else cell for cell, value in zip(cells, spelled, strict=True)]
    mark = decimal_mark(rest, where)
    numbers = numbers_of(rest, mark, where, names)
    if np.isfinite(numbers).any():
        numbers = numbers * feet_per_vertical_unit(_unit(own, unit, column, where), where)
    out = [n if value is None else value for n, value in zip(numbers, spelled, strict=True)]
    return np.array(out, dtype=np.float64)


def _unit(own: str | None, stated: str | None, column: str, where: str) -> str:
    if own is not None and own not in VERTICAL_UNITS_M:
        raise UnitError(where, f"the unit {own!r}", "ft, us-ft or m", "convert the column")
    if own and stated and own != stated:
        found = f"{own} in the column's name, {stated} as stated"
        raise UnitError(where, found, "one unit", "leave out height_unit, or rename the column")
    if not own and not stated:
        raise UnitError(
            where,
            "heights without a unit",
            "their unit: ft, us-ft or m",
            f"state height_unit, or name the column {plain_name(column)}_ft or _m",
        )
    return str(own or stated)
