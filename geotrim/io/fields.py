"""Fields and ids: found by name, compared forgivingly, made into text once."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from geotrim.errors import LayerError
from geotrim.io.repair import listed


def text_id(value: Any) -> str | None:
    """An id as text; None for a missing one.

    Examples
    --------
    >>> text_id(12.0), text_id("12"), text_id(" A-12 "), text_id(float("nan")), text_id(2.5)
    ('12', '12', 'A-12', None, '2.5')
    """
    if value is None or (isinstance(value, (float, np.floating)) and math.isnan(value)):
        return None
    if isinstance(value, (float, np.floating)) and float(value).is_integer():
        return str(int(value))
    text = str(value).strip()
    return None if text in ("", "<NA>", "NaT") else text


def text_ids(values: Any) -> list[str | None]:
    """``text_id`` of each."""
    return [text_id(value) for value in values]


def field_names(table: Any) -> list[str]:
    """Names of the attribute fields."""
    return [str(name) for name in table.columns if name != table.geometry.name]


def find_field(table: Any, name: str, subject: str) -> str:
    """The field of that name, in either case.

    Raises
    ------
    LayerError
        If there is none; the fields are listed.
    """
    return one_named(
        name, field_names(table), subject, "field", "name one of these, or leave it out"
    )


def one_named(name: str, known: list[str], subject: str, noun: str, mend: str) -> str:
    """The one of the known names that was meant, in either case.

    Raises
    ------
    LayerError
        If there is none, or several but for their case; those known are listed.
    """
    same = [k for k in known if k == name] or [k for k in known if k.lower() == name.lower()]
    if len(same) == 1:
        return same[0]
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    raise LayerError(
        subject,
        f"no {noun} {name!r}",
        f"one of the {noun}s: {listed(known, 12) or 'none at all'}",
        f"say {near[0]!r} if you meant that" if near else mend,
    )


def usual_field(table: Any, *names: str) -> str | None:
    """The first of the usual names that the table has, in either case."""
    fields = {name.lower(): name for name in reversed(field_names(table))}
    return next((fields[name] for name in names if name in fields), None)


def match_where(table: Any, where: Mapping[str, Any], subject: str) -> Any:
    """Which rows have the wanted values; 12, 12.0 and "12" are the same value.

    Raises
    ------
    LayerError
        If a field does not exist, or no row matches.
    """
    keep = np.ones(len(table), dtype=bool)
    for name, wanted in where.items():
        field = find_field(table, name, subject)
        have = text_ids(table[field])
        asked = set(text_ids(wanted if isinstance(wanted, (list, tuple, set)) else [wanted]))
        keep &= np.array([value in asked for value in have], dtype=bool)
        if not keep.any():
            present = sorted({value for value in have if value is not None})
            raise LayerError(
                subject,
                f"no feature where {name} is {listed(sorted(map(str, asked)))}",
                f"a value that the field holds: {listed(present)}",
                "check the value and its spelling",
            )
    return keep
