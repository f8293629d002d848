"""Species as a crew must tell them apart before it cuts."""

from __future__ import annotations

from collections.abc import Iterable

from geotrim.rules.species import (
    caution,
    look_alikes,
    species_key,
    species_table,
    species_words,
    tolerance,
)

#: The mangroves of the act among them, for trees of unknown species.
MANGROVES = ("rhizophora_mangle", "avicennia_germinans", "laguncularia_racemosa")
UNKNOWN = "species not known"
FIND_OUT = "find out which species it is first; if in doubt, leave it"
NO_MANGROVE = (
    "No mangrove under the state act, by the species told; a local tree code may apply; confirm "
    "first"
)


def name_of(species: object) -> str:
    """Names of a species, as told where the table does not know it.

    Examples
    --------
    >>> name_of("Conocarpus erectus"), name_of(None), name_of("tamarind")
    ('buttonwood (Conocarpus erectus)', 'species not known', 'tamarind (a name not known here)')
    """
    key = species_key(species)
    if key is not None:
        return species_words(key)
    if isinstance(species, str) and species.strip():
        return f"{species.strip()} (a name not known here)"
    return UNKNOWN


def checks_of(species: object) -> tuple[str, ...]:
    """What to look for at one tree: the marks that part it from plants the act sees otherwise."""
    key = species_key(species)
    if key is None:
        return (FIND_OUT,)
    table = species_table()
    is_mangrove = bool(table[key]["is_mangrove"])
    out = [
        pair.field_mark
        for pair in look_alikes(key)
        if bool(table[pair.key]["is_mangrove"]) != is_mangrove
    ]
    warned = caution(key)
    return (*out, *([warned.words.rstrip(".")] if warned is not None else []))


def marks_of(species: Iterable[object]) -> tuple[str, ...]:
    """Marks that part the species of a list from what looks like them, each once, with source."""
    keys: dict[str, None] = {}
    for one in species:
        key = species_key(one)
        keys.update(dict.fromkeys(MANGROVES if key is None else (key,)))
    found: dict[str, str] = {}
    for key in keys:
        for pair in look_alikes(key):
            found.setdefault(pair.field_mark, f"{pair.field_mark} ({pair.source})")
    return tuple(found.values())


def stands_cutting(species: Iterable[object]) -> tuple[str, ...]:
    """What the species of a list stand when they are cut, each remark with its source."""
    out: dict[str, None] = {}
    for key in dict.fromkeys(key for one in species if (key := species_key(one))):
        for remark in tolerance(key):
            name = species_table()[key]["common"]
            out[f"{name}: {remark.words} ({remark.source}; {remark.confidence})"] = None
    return tuple(out)
