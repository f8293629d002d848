"""The table of plants as a file: read, and refused where it lacks something or contradicts itself.

``species.toml`` explains its keys. A plant without an answer, a source or a confidence is refused;
so are two plants of one name.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from geotrim.errors import RuleError
from geotrim.rules.rule_file import CONFIDENCES
from geotrim.rules.species_names import Names, names_of

#: Key of a plant -> what kind of value it holds, and whether it must be there.
_PLANT = {
    "scientific": ("text", True),
    "synonyms": ("texts", False),
    "common": ("text", True),
    "names": ("texts", True),
    "short": ("texts", False),
    "is_mangrove": ("yes-no", True),
    "source": ("text", True),
    "source_confidence": ("confidence", True),
    "tolerance": ("remarks", False),
    "caution": ("remark", False),
}
_LOOK_ALIKE = {
    "plants": ("texts", True),
    "field_mark": ("text", True),
    "source": ("text", True),
    "confidence": ("confidence", True),
}
_REMARK = {
    "words": ("text", True),
    "source": ("text", True),
    "confidence": ("confidence", True),
}
_OTHER_PLANTS = {"standing": ("remark", True), "practice": ("remark", True)}
_WORDS = dict.fromkeys(("states", "nouns", "authors", "before_authors", "general"), ("texts", True))
_FILE = ("species", "look_alike", "words", "other_plants")
_NEEDS = {
    "text": "text, in quotes, not empty",
    "texts": "a list of texts, none of them empty",
    "yes-no": "true or false, without quotes",
    "confidence": f"one of {', '.join(CONFIDENCES)}",
    "remark": "a table of words, source and confidence",
    "remarks": "a list of tables of words, source and confidence",
}


@dataclass(frozen=True, slots=True)
class Remark:
    """Something said of a plant, who says so, and how sure it is that they do."""

    words: str
    source: str
    confidence: str

    def __str__(self) -> str:
        """As it is printed: the words, then the source and its confidence."""
        said = dict.fromkeys((self.source, self.confidence))
        return f"{self.words} ({', '.join(said)})"


@dataclass(frozen=True, slots=True)
class LookAlike:
    """A plant that is taken for another, and the mark that tells the two.

    key : of the other plant.
    """

    key: str
    field_mark: str
    source: str
    confidence: str


@dataclass(frozen=True, slots=True)
class SpeciesFile:
    """The table of plants, checked.

    plants : key -> the plant as the file has it.
    look_alikes : key -> what it is taken for; every pair stands under both of its plants.
    tolerance : key -> what the plant stands when it is cut; empty where nothing is known.
    caution : key -> what it does to the person who cuts it, where anything is known.
    other_plants : what is said of plants that are not mangroves under the act.
    names : what free text is matched with.
    """

    plants: dict[str, dict[str, Any]]
    look_alikes: Mapping[str, tuple[LookAlike, ...]]
    tolerance: Mapping[str, tuple[Remark, ...]]
    caution: Mapping[str, Remark]
    other_plants: Mapping[str, Remark]
    names: Names


def read_species(table: Mapping[str, Any], where: str = "species.toml") -> SpeciesFile:
    """The table of plants from a parsed file.

    Parameters
    ----------
    table : mapping
        As TOML gives it; the keys are explained in ``species.toml``.
    where : str
        How the user knows the file, for the messages.

    Raises
    ------
    RuleError
        If a key is missing, unknown or of the wrong kind, if the key of a plant is not its
        scientific name, if two plants share a name, or if a plant is called by a general word.
    """
    for part in _FILE:
        kind = list if part == "look_alike" else dict
        if not isinstance(table.get(part), kind) or not table[part]:
            raise RuleError(where, f"no [{part}]", "one that says something", "write it")
    _check_keys(table, _FILE, where)
    words = table["words"]
    _check(words, _WORDS, f"{where}, [words]")
    _check(table["other_plants"], _OTHER_PLANTS, f"{where}, [other_plants]")
    plants = table["species"]
    for key, plant in plants.items():
        _check_plant(key, plant, f"{where}, [species.{key}]")
    remarks = {key: plant.get("tolerance", ()) for key, plant in plants.items()}
    cautions = {key: plant["caution"] for key, plant in plants.items() if "caution" in plant}
    return SpeciesFile(
        plants=plants,
        look_alikes=_look_alikes(table["look_alike"], plants, where),
        tolerance={key: tuple(Remark(**one) for one in some) for key, some in remarks.items()},
        caution={key: Remark(**one) for key, one in cautions.items()},
        other_plants={key: Remark(**one) for key, one in table["other_plants"].items()},
        names=names_of(plants, words, where),
    )


def _check_plant(key: str, plant: Any, where: str) -> None:
    _check(plant, _PLANT, where)
    scientific = plant["scientific"]
    need = scientific.lower().replace(" ", "_").replace("-", "_")
    if key != need or len(scientific.split()) != 2:
        raise RuleError(
            where,
            f"scientific = {scientific!r}",
            "genus and species, and the two as the key of the plant",
            f"write [species.{need}] or correct the name",
        )


def _look_alikes(
    rows: list[Any], plants: Mapping[str, Any], where: str
) -> dict[str, tuple[LookAlike, ...]]:
    """Each pair under both of its plants, in the order of the file."""
    found: dict[str, dict[str, LookAlike]] = {key: {} for key in plants}
    for row, pair in enumerate(rows, start=1):
        place = f"{where}, [[look_alike]] {row}"
        _check(pair, _LOOK_ALIKE, place)
        keys = pair["plants"]
        if len(set(keys)) != 2 or len(keys) != 2 or not set(keys) <= set(plants):
            need = "the keys of two plants of the table"
            raise RuleError(place, f"plants = {keys}", need, "correct the keys")
        if keys[1] in found[keys[0]]:
            raise RuleError(place, f"a second mark for {keys}", "one a pair", "join the two")
        for one, other in (keys, keys[::-1]):
            found[one][other] = LookAlike(
                other, pair["field_mark"], pair["source"], pair["confidence"]
            )
    return {key: tuple(some.values()) for key, some in found.items()}


def _check(table: Any, keys: Mapping[str, tuple[str, bool]], where: str) -> None:
    """Refuse a table that lacks a key, holds an unknown one or one of the wrong kind."""
    if not isinstance(table, dict):
        raise RuleError(where, f"{table!r}", "a table", "write its keys")
    _check_keys(table, keys, where)
    for key, (kind, is_needed) in keys.items():
        if key not in table and is_needed:
            raise RuleError(where, f"no {key!r}", _NEEDS[kind], f"add {key}")
        if key in table:
            _check_value(table[key], kind, key, where)


def _check_keys(table: Mapping[str, Any], known: Any, where: str) -> None:
    for key in table:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            mend = f"say {near[0]!r} if you meant that" if near else "take it out"
            raise RuleError(where, f"the unknown key {key!r}", f"{', '.join(known)}", mend)


def _check_value(value: Any, kind: str, key: str, where: str) -> None:
    if kind in ("remark", "remarks"):
        rows = value if kind == "remarks" and isinstance(value, list) else [value]
        for row in rows:
            _check(row, _REMARK, f"{where}, {key}")
        return
    fits = {
        "text": _is_text(value),
        "texts": isinstance(value, list) and all(map(_is_text, value)),
        "yes-no": isinstance(value, bool),
        "confidence": isinstance(value, str) and value in CONFIDENCES,
    }
    if not fits[kind]:
        raise RuleError(where, f"{key} = {value!r}", _NEEDS[kind], f"correct {key}")


def _is_text(value: Any) -> bool:
    return isinstance(value, str) and bool(value.strip())
