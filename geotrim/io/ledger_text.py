"""An entry as text that has one form only, so that a hash of it can be taken, and back.

The text is JSON (RFC 8259) in plain ASCII with sorted keys and no spaces. JSON has no NaN and no
infinity: such a number is written as ``{"float": "nan"}``; a mapping that might be taken for one is
written inside ``{"mapping": ...}``.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import fields
from datetime import date
from typing import Any

from geotrim.io.ledger_entry import Entry, TreeEntry

#: Keys of mappings that stand for something else.
MARKS = ("float", "mapping")


def canonical(value: Any) -> str:
    """The one text of a value.

    Examples
    --------
    >>> canonical({"b": [1, None], "a": float("nan")})
    '{"a":{"float":"nan"},"b":[1,null]}'
    """
    return json.dumps(
        _plain(value), sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False
    )


def value_of(text: str) -> Any:
    """The value of a text that :func:`canonical` made.

    Raises
    ------
    ValueError
        If it is no JSON, or a number is none.
    """
    return _back(json.loads(text))


def sha256_of_text(text: str) -> str:
    """SHA-256 of a text, hexadecimal."""
    return hashlib.sha256(text.encode("ascii", "backslashreplace")).hexdigest()


def link(number: int, written_utc: str, geotrim: str, body: str, previous_sha256: str) -> str:
    """The hash of an entry: over all that is told of it and the hash of the one before it.

    It is the SHA-256 of the JSON object of ``entry`` (as ``body`` has it), ``geotrim``,
    ``number``, ``previous_sha256`` and ``written_utc``, in that order, without spaces.
    """
    told = [
        f'"entry":{body}',
        f'"geotrim":{canonical(geotrim)}',
        f'"number":{canonical(number)}',
        f'"previous_sha256":{canonical(previous_sha256)}',
        f'"written_utc":{canonical(written_utc)}',
    ]
    return sha256_of_text("{" + ",".join(told) + "}")


def entry_text(entry: Entry) -> str:
    """An entry as text; lists in ``details`` come back as lists, whatever they were."""
    told = {one.name: getattr(entry, one.name) for one in fields(Entry)}
    told["day"] = entry.day.isoformat()
    told["trees"] = [
        {one.name: getattr(tree, one.name) for one in fields(TreeEntry)} for tree in entry.trees
    ]
    return canonical(told)


def entry_of(text: str) -> Entry:
    """The entry of a text that :func:`entry_text` made.

    Raises
    ------
    ValueError, TypeError, KeyError
        If it is none.
    """
    told = value_of(text)
    if not isinstance(told, dict):
        raise TypeError(f"an entry is a mapping, not {type(told).__name__}")
    told["day"] = date.fromisoformat(told["day"])
    told["trees"] = tuple(TreeEntry(**tree) for tree in told["trees"])
    return Entry(**told)


def _plain(value: Any) -> Any:
    """A value in JSON's own kinds."""
    if isinstance(value, float):
        number = float(value)
        return number if math.isfinite(number) else {"float": str(number)}
    if value is None or isinstance(value, (str, bool, int)):
        return value
    if isinstance(value, Mapping):
        if not all(isinstance(key, str) for key in value):
            raise TypeError("keys of what is kept are text")
        inner = {key: _plain(item) for key, item in value.items()}
        return {"mapping": inner} if len(inner) == 1 and next(iter(inner)) in MARKS else inner
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if hasattr(value, "item"):  # a number of an array
        return _plain(value.item())
    raise TypeError(f"{type(value).__name__} cannot be kept in a ledger")


def _back(value: Any) -> Any:
    """A value from JSON's own kinds."""
    if isinstance(value, list):
        return [_back(item) for item in value]
    if not isinstance(value, dict):
        return value
    if len(value) == 1 and "float" in value:
        return float(value["float"])
    if len(value) == 1 and "mapping" in value:
        value = value["mapping"]
    return {key: _back(item) for key, item in value.items()}
