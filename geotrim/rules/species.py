"""Plants by name: a mangrove under the state act, not one, or unknown; and how to tell them.

The plants are data, ``species.toml``. Free text is matched by
:mod:`geotrim.rules.species_names`; a name that is not known, is doubted or fits two plants is
unknown, never guessed.
"""

from __future__ import annotations

import tomllib
from functools import lru_cache
from importlib.resources import files
from typing import Any

from geotrim.errors import RangeError
from geotrim.rules.species_file import LookAlike, Remark, SpeciesFile, read_species
from geotrim.rules.species_names import words_of

#: The species the act treats apart: notice before its first trimming, s. 403.9326(1)(b)4 F.S.
RED_KEY = "rhizophora_mangle"


@lru_cache(maxsize=1)
def _file() -> SpeciesFile:
    text = files("geotrim.rules").joinpath("species.toml").read_text(encoding="utf-8")
    return read_species(tomllib.loads(text))


def species_table() -> dict[str, dict[str, Any]]:
    """Every plant of ``species.toml`` by key; each says its source."""
    return _file().plants


def species_key(name: object) -> str | None:
    """Key of the plant a name stands for, or None for a name that is not known.

    Case, spacing, hyphens and points do not matter, nor whether the tree is dead. Two names in one
    text must be of the same plant. How text is read: :mod:`geotrim.rules.species_names`.

    Examples
    --------
    >>> species_key(" Red-Mangrove trees"), species_key("R.mangle")
    ('rhizophora_mangle', 'rhizophora_mangle')
    >>> species_key("mangrove"), species_key("red mangrove (Avicennia germinans)")
    (None, None)
    """
    return _find(name) if isinstance(name, str) else None


@lru_cache(maxsize=4096)
def _find(name: str) -> str | None:
    return _file().names.find(name)


def is_unlisted(name: str) -> bool:
    """Whether a name says something, but nothing the table knows.

    Examples
    --------
    >>> is_unlisted("tamarind"), is_unlisted("red mangrove"), is_unlisted(" - ")
    (True, False, False)
    """
    return species_key(name) is None and bool(words_of(name))


def is_mangrove(name: object) -> bool | None:
    """Whether a plant is a mangrove under the state act; None where the name does not tell.

    Source: s. 403.9325(3) F.S. names three species and no others.

    Examples
    --------
    >>> is_mangrove("Avicennia germinans"), is_mangrove("button mangrove"), is_mangrove(None)
    (True, False, None)
    """
    key = species_key(name)
    return None if key is None else bool(species_table()[key]["is_mangrove"])


def is_red(name: object) -> bool | None:
    """Whether a plant is red mangrove, *Rhizophora mangle*; None where the name does not tell.

    Examples
    --------
    >>> is_red("dead red mangrove"), is_red("white mangrove"), is_red("mangrove")
    (True, False, None)
    """
    key = species_key(name)
    return None if key is None else key == RED_KEY


def species_words(key: str) -> str:
    """Common and scientific name of a plant.

    Raises
    ------
    RangeError
        If the table has no such key.

    Examples
    --------
    >>> species_words("laguncularia_racemosa")
    'white mangrove (Laguncularia racemosa)'
    """
    plant = _plant(key)
    return f"{plant['common']} ({plant['scientific']})"


def standing_words(key: str) -> str:
    """What the act makes of a plant, with the source; a plant it leaves out may have other rules.

    Raises
    ------
    RangeError
        If the table has no such key.

    Examples
    --------
    >>> standing_words("avicennia_germinans")
    'a mangrove under the act (s. 403.9325(3) F.S., read in source)'
    """
    plant = _plant(key)
    if not plant["is_mangrove"]:
        return str(_file().other_plants["standing"])
    return str(Remark("a mangrove under the act", plant["source"], plant["source_confidence"]))


def tolerance(key: str) -> tuple[Remark, ...]:
    """What a plant stands when it is cut, each remark with its source; empty if nothing is known.

    Raises
    ------
    RangeError
        If the table has no such key.

    Examples
    --------
    >>> [remark.confidence for remark in tolerance("rhizophora_mangle")]
    ['from memory', 'read second-hand', 'read second-hand']
    """
    _plant(key)
    return _file().tolerance[key]


def caution(key: str) -> Remark | None:
    """What a plant does to the person who cuts it; None if nothing is known.

    Raises
    ------
    RangeError
        If the table has no such key.
    """
    _plant(key)
    return _file().caution.get(key)


def look_alikes(key: str) -> tuple[LookAlike, ...]:
    """Plants that are taken for this one, each with the mark that tells the two.

    Raises
    ------
    RangeError
        If the table has no such key.

    Examples
    --------
    >>> print(look_alikes("conocarpus_erectus")[0].field_mark.split("; both")[0])
    buttonwood: leaves alternate; white mangrove: leaves opposite
    """
    _plant(key)
    return _file().look_alikes[key]


def other_plants_practice() -> Remark:
    """What the trade does with plants that are not mangroves: common practice, no source."""
    return _file().other_plants["practice"]


def _plant(key: str) -> dict[str, Any]:
    table = species_table()
    if key not in table:
        need = "a key of the table of species"
        raise RangeError("species", repr(key), need, "find the key with species_key(name)")
    return table[key]
