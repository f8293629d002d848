"""Numbers written as text, with decimal points or decimal commas; what could be either is asked."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from geotrim.errors import LayerError

POINT, COMMA = "point", "comma"
_EXPONENT = r"(?:[eE][+-]?\d+)?"
_POINTED = re.compile(rf"[+-]?(?:\d+|[1-9]\d{{0,2}}(?:,\d{{3}})+)?(?:\.\d*)?{_EXPONENT}")
_COMMAED = re.compile(rf"[+-]?(?:\d+|[1-9]\d{{0,2}}(?:\.\d{{3}})+)?(?:,\d*)?{_EXPONENT}")


def value_of(text: str, mark: str) -> float | None:
    """The number a text stands for, or None.

    Examples
    --------
    >>> value_of("12.5", "point"), value_of("1,234.5", "point"), value_of("12,5", "comma")
    (12.5, 1234.5, 12.5)
    >>> value_of("12,5", "point"), value_of("12.5 ft", "point"), value_of("-", "point")
    (None, None, None)
    """
    plain = text.strip().replace("\N{MINUS SIGN}", "-")
    pattern, groups, decimal = (_POINTED, ",", ".") if mark == POINT else (_COMMAED, ".", ",")
    if not any(sign.isdigit() for sign in plain) or not pattern.fullmatch(plain):
        return None
    value = float(plain.replace(groups, "").replace(decimal, "."))
    return value if np.isfinite(value) else None


def is_number(text: str) -> bool:
    """Whether a text is a number in one way of writing or the other."""
    return value_of(text, POINT) is not None or value_of(text, COMMA) is not None


def decimal_mark(texts: Iterable[Any], subject: str, stated: str | None = None) -> str:
    """Whether the numbers of a table have decimal points or decimal commas.

    "12.5" can only have a point, "12,5" only a comma; "1,234" may be either, and is decided by the
    others or asked for. "1.234" is taken with a point where nothing speaks for commas.

    Raises
    ------
    LayerError
        If the table has both, or cannot be read without being told.
    """
    if stated is not None:
        if stated not in (POINT, COMMA):
            need = f"{POINT} or {COMMA}"
            raise LayerError(f"{subject} decimal", f"{stated!r}", need, "say one of them")
        return stated
    pointed, commaed, either = None, None, None
    for text in texts:
        if not isinstance(text, str):
            continue
        as_point, as_comma = value_of(text, POINT), value_of(text, COMMA)
        if as_point is None and as_comma is not None:
            commaed = commaed or text
        elif as_comma is None and as_point is not None:
            pointed = pointed or text
        elif as_point is not None and as_point != as_comma and "," in text:
            either = either or text
    if pointed and commaed:
        raise LayerError(
            subject,
            f"numbers with a decimal point ({pointed}) and with a decimal comma ({commaed})",
            "one way of writing numbers",
            "write them all with a point",
        )
    if either and not pointed and not commaed:
        raise LayerError(
            subject,
            f"{either}, which may have a decimal comma or mean thousands",
            "to know which",
            "write decimals with a point, or state decimal",
        )
    return COMMA if commaed else POINT


def numbers_of(values: Sequence[Any], mark: str, where: str, names: Sequence[str]) -> Any:
    """Numbers of cells that are text or numbers already; NaN for empty ones.

    Parameters
    ----------
    values : sequence of str, number or None
    mark : str
        From :func:`decimal_mark`.
    where : str
        The field, for messages.
    names : sequence of str
        What to call each row in messages.

    Returns
    -------
    (n,) float array

    Raises
    ------
    LayerError
        If a cell holds something else; names the row.
    """
    out = np.full(len(values), np.nan)
    for at, value in enumerate(values):
        if value is None or value != value or (isinstance(value, str) and not value.strip()):
            continue
        number = value_of(value, mark) if isinstance(value, str) else _plain(value)
        if number is None:
            raise LayerError(
                where,
                f"{_shown(value)} in {names[at]}",
                "a number, or nothing",
                "write digits alone; the unit goes into the column's name",
            )
        out[at] = number
    return out


def _plain(value: Any) -> float | None:
    """A cell that is a number already."""
    if isinstance(value, (bool, np.bool_)):
        return None
    try:
        number = float(value)
    except (TypeError, ValueError):
        return None
    return number if np.isfinite(number) else None


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 40 else f"{text[:37]}..."
