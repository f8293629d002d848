"""Local governments that decide on mangroves in place of the state department."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from functools import lru_cache
from importlib.resources import files
from typing import Any

from geotrim.errors import RuleError
from geotrim.rules.rule_file import CONFIDENCES

KINDS = ("county", "city", "town")

_KEYS = ("name", "kind", "names", "as_of", "source", "confidence", "read_on")
_MECHANICS_KEYS = ("words", "source", "confidence", "read_on")
#: "County of X" and "X County"; "Co." is short for county. The state's name may follow.
_STATE = re.compile(r"[,\s]+(florida|fla\.?|fl\.?)$")
_BEFORE = re.compile(r"^(?:the )?(county|city|town|village) of (.+)$")
_AFTER = re.compile(r"^(.+?) (county|co\.?|city|town|village)$")


@lru_cache(maxsize=1)
def delegated_list() -> dict[str, Any]:
    """The whole list as read: ``list``, ``government`` by key and ``mechanics`` by key."""
    text = files("geotrim.rules").joinpath("delegated.toml").read_text(encoding="utf-8")
    return read_delegated(text, "delegated.toml")


def read_delegated(text: str, where: str) -> dict[str, Any]:
    """Read and check a list of delegated local governments.

    Parameters
    ----------
    text : str
        TOML, as explained at the top of ``delegated.toml``.
    where : str
        What to call it in messages.

    Raises
    ------
    RuleError
        If an entry lacks a key, a source, a date or a confidence, or two share a name.
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RuleError(where, f"text that is no TOML ({error})", "TOML", "correct it") from error
    if not table.get("list", {}).get("as_of"):
        raise RuleError(f"{where} [list]", "no as_of", "the year of the list", "add as_of = ...")
    taken: set[tuple[str, str]] = set()
    for key, one in table.get("government", {}).items():
        at = f"{where}, [government.{key}]"
        _check(one, _KEYS, ("since",), at)
        if one["kind"] not in KINDS:
            raise RuleError(f"{at} kind", repr(one["kind"]), ", ".join(KINDS), "choose one")
        for name in {_plain(name) for name in one["names"]}:
            if (name, one["kind"]) in taken:
                raise RuleError(f"{at} names", repr(name), "a name of its own", "take it out")
            taken.add((name, one["kind"]))
    for key, one in table.get("mechanics", {}).items():
        _check(one, _MECHANICS_KEYS, (), f"{where}, [mechanics.{key}]")
    return table


def delegated(name: object) -> dict[str, Any] | None:
    """The delegated local government a name stands for, or None for one that is not on the list.

    Parameters
    ----------
    name : str or None
        A county, city or town, with or without that word. Without it the county, city or town on
        the list is taken; with another (the City of Sarasota) it is not on the list.

    Returns
    -------
    dict or None
        ``key``, ``name``, ``kind``, ``since`` (text, "" where not known), ``as_of``, ``source``,
        ``confidence``, ``read_on`` and ``words``.

    Notes
    -----
    Case, hyphens and spacing do not matter. A spelling that is not in the list is not guessed.

    Examples
    --------
    >>> delegated("PINELLAS")["name"], delegated("city of Sanibel")["kind"]
    ('Pinellas County', 'city')
    >>> delegated("City of Sarasota"), delegated("Monroe County")
    (None, None)
    """
    if not isinstance(name, str):
        return None
    kind, plain = _parted(name)
    for key, one in delegated_list()["government"].items():
        if kind in ("", one["kind"]) and plain in {_plain(other) for other in one["names"]}:
            since = one.get("since")
            return {
                "key": key,
                **{field: one[field] for field in _KEYS if field != "names"},
                "since": "" if since is None else since.isoformat(),
                "words": _delegated_words(one),
            }
    return None


def delegated_words(name: object) -> str:
    """What the list says of a county, city or town, in one or two sentences.

    Examples
    --------
    >>> delegated_words("Broward")
    'Broward County is delegated by the list as of 2021: it decides in place of the department; \
check its own rules.'
    """
    found = delegated(name)
    if found is not None:
        return str(found["words"])
    as_of = delegated_list()["list"]["as_of"]
    if not (isinstance(name, str) and name.strip()):
        return (
            "The county, city or town is not given, so whether a delegated local government "
            "decides is not known; ask the department."
        )
    place = " ".join(name.split())
    return (
        f"{place} is not on the list of delegated local governments as of {as_of}; "
        "check with the department. A city or town may lie in a delegated county: look that up too."
    )


def mechanics() -> list[dict[str, str]]:
    """How delegation works: rows of ``words``, ``source``, ``confidence`` and ``read_on``."""
    return [dict(one) for one in delegated_list()["mechanics"].values()]


def _delegated_words(one: Mapping[str, Any]) -> str:
    since = f" (since {one['since'].isoformat()})" if "since" in one else ""
    return (
        f"{one['name']}{since} is delegated by the list as of {one['as_of']}: it decides in place "
        "of the department; check its own rules."
    )


def _parted(name: str) -> tuple[str, str]:
    """Kind of place, "" if not said, and the name without it."""
    text = _STATE.sub("", " ".join(name.split()).casefold()).rstrip(" .,")
    if match := _BEFORE.match(text):
        return match[1], _plain(match[2])
    if match := _AFTER.match(text):
        kind = "county" if match[2].startswith("co") else match[2]
        return kind, _plain(match[1])
    return "", _plain(text)


def _plain(name: str) -> str:
    """A name without case, hyphens, dashes and doubled spaces."""
    return " ".join(re.sub(r"[-\u2010-\u2015]", " ", name.casefold()).split())


def _check(table: Any, keys: tuple[str, ...], optional: tuple[str, ...], where: str) -> None:
    if not isinstance(table, dict) or set(table) - set(optional) != set(keys):
        raise RuleError(where, "missing or unknown keys", ", ".join(keys), "correct the keys")
    for key in keys:
        if not table[key] or (isinstance(table[key], str) and not table[key].strip()):
            raise RuleError(f"{where} {key}", repr(table[key]), "something", "fill it in")
    if table["confidence"] not in CONFIDENCES:
        raise RuleError(
            f"{where} confidence", repr(table["confidence"]), ", ".join(CONFIDENCES), "choose one"
        )
    if table["confidence"].startswith("read") == (table["read_on"] == "not read"):
        need = "the month of reading for what was read, else 'not read'"
        raise RuleError(f"{where} read_on", repr(table["read_on"]), need, "correct one of the two")
