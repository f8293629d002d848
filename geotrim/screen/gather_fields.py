"""The lots' own fields: from JSON in one column to a column each, with its own name and type."""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from typing import Any

import pyarrow as pa

#: Names a map layer keeps for itself, whatever our columns are.
TAKEN = ("fid", "ogc_fid", "geom", "geometry", "bbox")
#: Put behind the name of a field that one of our columns has.
SUFFIX = "_field"
_LONGEST = 2**63


@dataclass(frozen=True, slots=True)
class FieldColumn:
    """A field of the lots: ``key`` as the input names it, ``name`` as the results do."""

    key: str
    name: str
    type: Any


@dataclass(slots=True)
class FieldsSeen:
    """What the fields of all lots hold, gathered row by row.

    kinds : key -> kinds of its values: ``bool``, ``int``, ``float``, ``text``.
    """

    kinds: dict[str, set[str]] = field(default_factory=dict)

    def add(self, texts: Iterable[str | None]) -> None:
        """Look at the JSON of some lots."""
        for text in texts:
            for key, value in parsed(text).items():
                seen = self.kinds.setdefault(key, set())
                if value is not None:
                    seen.add(_kind(value))

    def columns(self, ours: Collection[str]) -> tuple[FieldColumn, ...]:
        """A column for each field, in the order they were first seen.

        Parameters
        ----------
        ours : collection of str
            Names that are taken. Upper and lower case are the same: in a GeoPackage they are.
        """
        taken = {name.casefold() for name in (*ours, *TAKEN)}
        found = []
        for key, kinds in self.kinds.items():
            name = _free(re.sub(r"[\x00-\x1f\x7f]", " ", key).strip() or "field", taken)
            taken.add(name.casefold())
            found.append(FieldColumn(key, name, _type(kinds)))
        return tuple(found)


def parsed(text: str | None) -> dict[str, Any]:
    """Fields of one lot.

    Examples
    --------
    >>> parsed('{"OWNER": "A"}'), parsed(None)
    ({'OWNER': 'A'}, {})
    """
    return json.loads(text) if text else {}


def unpacked(texts: Iterable[str | None], columns: tuple[FieldColumn, ...]) -> list[pa.Array]:
    """The columns of some lots' fields; a lot without a field has nothing there."""
    rows = [parsed(text) for text in texts]
    return [
        pa.array([_as(row.get(one.key), one.type) for row in rows], one.type) for one in columns
    ]


def _free(name: str, taken: set[str]) -> str:
    if name.casefold() not in taken:
        return name
    free, n = f"{name}{SUFFIX}", 2
    while free.casefold() in taken:
        free, n = f"{name}{SUFFIX}_{n}", n + 1
    return free


def _kind(value: Any) -> str:
    if isinstance(value, bool):
        return "bool"
    if isinstance(value, int) and -_LONGEST <= value < _LONGEST:
        return "int"
    return "float" if isinstance(value, float) else "text"


def _type(kinds: set[str]) -> Any:
    """The narrowest type that holds all values as they are; text where they are mixed."""
    if kinds == {"bool"}:
        return pa.bool_()
    if kinds == {"int"}:
        return pa.int64()
    return pa.float64() if kinds and kinds <= {"int", "float"} else pa.string()


def _as(value: Any, kind: Any) -> Any:
    if value is None or not pa.types.is_string(kind):
        return value
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
