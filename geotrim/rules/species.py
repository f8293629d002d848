"""Plants by name: a mangrove under the state act, not one, or unknown."""

from __future__ import annotations

import tomllib
from functools import lru_cache
from importlib.resources import files
from typing import Any


@lru_cache(maxsize=1)
def species_table() -> dict[str, dict[str, Any]]:
    """Every plant of ``species.toml`` by key; each says its source."""
    text = files("geotrim.rules").joinpath("species.toml").read_text(encoding="utf-8")
    table: dict[str, dict[str, Any]] = tomllib.loads(text)["species"]
    return table


@lru_cache(maxsize=1)
def _by_name() -> dict[str, str]:
    names: dict[str, str] = {}
    for key, plant in species_table().items():
        for name in (plant["scientific"], plant["common"], *plant["names"]):
            names[name.casefold()] = key
    return names


def species_key(name: object) -> str | None:
    """Key of the plant a name stands for, or None for a name that is not known.

    Case and spacing do not matter; a spelling that is not in the table is unknown, not guessed.

    Examples
    --------
    >>> species_key(" Red  Mangrove"), species_key("mangrove")
    ('rhizophora_mangle', None)
    """
    if not isinstance(name, str):
        return None
    return _by_name().get(" ".join(name.split()).casefold())


def is_unlisted(name: str) -> bool:
    """Whether a name says something, but nothing the table knows.

    Examples
    --------
    >>> is_unlisted("tamarind"), is_unlisted("red mangrove"), is_unlisted("  ")
    (True, False, False)
    """
    return bool(name.strip()) and species_key(name) is None


def is_mangrove(name: object) -> bool | None:
    """Whether a plant is a mangrove under the state act; None where the name does not tell.

    Source: s. 403.9325(3) F.S. names three species and no others.

    Examples
    --------
    >>> is_mangrove("Avicennia germinans"), is_mangrove("buttonwood"), is_mangrove(None)
    (True, False, None)
    """
    key = species_key(name)
    return None if key is None else bool(species_table()[key]["is_mangrove"])


def is_red(name: object) -> bool | None:
    """Whether a plant is a red mangrove; None where the name does not tell.

    Examples
    --------
    >>> is_red("red mangrove"), is_red("white mangrove"), is_red("mangrove")
    (True, False, None)
    """
    key = species_key(name)
    return None if key is None else key == "rhizophora_mangle"
