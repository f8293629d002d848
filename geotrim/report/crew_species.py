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
NO_MANGROVE = "NO MANGROVE: LEAVE UNLESS ORDERED (by the species told)"
LOCAL_CODE = (
    "only if the owner orders it and the local code allows: confirm the species and ask first; "
    "else leave it"
)
#: A field mark of this many letters stands beside the name of a look-alike on paper.
SHORT = 20


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


def short_checks_of(species: object) -> tuple[str, ...]:
    """The same in few words, for a page whose first page has the marks in full.

    Examples
    --------
    >>> short_checks_of("white mangrove")
    ('Taken for it (page 1): buttonwood (leaves alternate), exotic lumnitzera (leaves alternate)',)
    >>> short_checks_of("red mangrove")
    ('Taken for it (page 1): oriental mangrove',)
    """
    key = species_key(species)
    if key is None:
        return (FIND_OUT.capitalize(),)
    table = species_table()
    names = []
    for pair in look_alikes(key):
        other = table[pair.key]
        if bool(other["is_mangrove"]) == bool(table[key]["is_mangrove"]):
            continue
        name = str(other["common"])
        clauses = (clause.strip() for clause in pair.field_mark.split(";"))
        mark = next((c for c in clauses if c.startswith(f"{name}: ")), "").removeprefix(f"{name}: ")
        names.append(f"{name} ({mark})" if 0 < len(mark) <= SHORT else name)
    warned = caution(key)
    return (
        *([f"Taken for it (page 1): {', '.join(names)}"] if names else []),
        *([warned.words.rstrip(".")] if warned is not None else []),
    )


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
