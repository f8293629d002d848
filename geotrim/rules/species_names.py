"""Free text against the names of plants: one plant, or none. Nothing is guessed.

How a text is read:

- Case, accents, spaces and points, hyphens and the like make no difference: ``R.MANGLE``,
  ``red_mangrove`` and ``redmangrove`` are names. Plurals count, and the noun may come first:
  ``Mangrove, red``.
- Words for the state of a tree may stand at either end, words for a plant at the end: ``dead red
  mangrove tree``. Authors may follow a scientific name: ``Rhizophora mangle L.``
- Brackets, commas, slashes and ``& + ; | =`` part a text. Every part must name the same plant:
  ``white mangrove (Laguncularia racemosa)`` does, ``red mangrove / buttonwood`` does not.
- A short name (``red``) stands alone, or beside a full name of the same plant.
- A question mark is a doubt, and what is doubted is unknown. So is any text with a word left over,
  and a general word such as ``mangrove``. A genus alone is unknown too, unless it is among the
  short names: of the three mangroves and buttonwood, each the only one of its genus here.

A near miss is not matched: a wrong plant would give a wrong answer about the law, an unknown one is
told and asked for.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import product, takewhile
from typing import Any

from geotrim.errors import RuleError

_WORD = re.compile(r"[^\W_]+")
_APART = re.compile(r"[;/\\|+=\u00d7]")
_PARTS = re.compile(r"([()\[\]{},&])")  # may also stand among the authors of a name
_MOST_WORDS = 40  # more than any name with its authors: a longer text is no name
_YEAR = re.compile(r"1[789]\d\d|20\d\d")

Words = tuple[str, ...]


def folded(text: str) -> str:
    """Text without case, accents and other ways to write the same letter.

    Examples
    --------
    >>> folded("Mangle BOTÓN")
    'mangle boton'
    """
    plain = unicodedata.normalize("NFKD", text.casefold())
    return "".join(c for c in plain if not unicodedata.combining(c)).casefold()


def words_of(text: str) -> Words:
    """The words of a text, folded; whatever is neither letter nor digit parts them.

    Examples
    --------
    >>> words_of("R.mangle"), words_of("Red_Mangrove ")
    (('r', 'mangle'), ('red', 'mangrove'))
    """
    return tuple(_WORD.findall(folded(text)))


@dataclass(frozen=True, slots=True)
class Names:
    """What text is matched with.

    full : letters of a name, without spaces -> key of the plant
    short : the same, of names that count only when nothing else is said
    turned : the same, of names with the noun first ("mangrove red")
    scientific : words of scientific names and their abbreviations; authors may follow these
    """

    full: Mapping[str, str]
    short: Mapping[str, str]
    turned: Mapping[str, str]
    scientific: frozenset[Words]
    states: frozenset[str]
    nouns: frozenset[str]
    authors: frozenset[str]
    before_authors: frozenset[str]

    def find(self, text: str) -> str | None:
        """Key of the one plant a text names, or None."""
        plain = folded(text)
        if "?" in plain:
            return None
        whole = words_of(plain)
        if len(whole) > _MOST_WORDS:
            return None
        key = self.short.get("".join(whole))
        if key is None and "&" not in plain and not _APART.search(plain):
            key = _first(self.turned.get("".join(words)) for words in self._barer(whole))
        return key or self._agreed(plain)

    def _agreed(self, plain: str) -> str | None:
        """The plant that every part of a text names, one of them at least in full."""
        parts = [words for text in _APART.split(plain) for words in self._parts(text)]
        in_full = [self._full(words) for words in parts]
        keys = {
            key or self.short.get("".join(words)) for key, words in zip(in_full, parts, strict=True)
        }
        return keys.pop() if len(keys) == 1 and any(in_full) else None

    def _parts(self, text: str) -> list[Words]:
        """What brackets, commas and "&" part, but authors are left beside what they follow."""
        parts: list[Words] = []
        pieces = _PARTS.split(text)
        for mark, piece in zip(["", *pieces[1::2]], pieces[::2], strict=True):
            words = words_of(piece)
            if all(word in self.states | self.nouns for word in words):
                continue  # says nothing about the plant
            are_authors = all(map(self._is_author, words))
            if parts and are_authors and (mark != "&" or self._is_author(parts[-1][-1])):
                parts[-1] += words
            else:
                parts.append(words)
        return parts

    def _full(self, words: Words) -> str | None:
        """The plant of a part: one full name, or two of the same plant side by side."""
        halves = ((words[:cut], words[cut:]) for cut in range(1, len(words)))
        pairs = ((self._one(first), self._one(second)) for first, second in halves)
        return self._one(words) or _first(one for one, other in pairs if one == other)

    def _one(self, words: Words) -> str | None:
        return _first(
            self.full.get("".join(bare)) or self._scientific(bare) for bare in self._barer(words)
        )

    def _scientific(self, words: Words) -> str | None:
        """The plant of a scientific name, with or without its authors."""
        for cut in range(2, len(words) + 1):
            head, tail = words[:cut], words[cut:]
            is_whole = not tail or tail[-1] not in self.before_authors
            if head in self.scientific and is_whole and all(map(self._is_author, tail)):
                return self.full["".join(head)]
        return None

    def _is_author(self, word: str) -> bool:
        return word in self.authors | self.before_authors or _YEAR.fullmatch(word) is not None

    def _barer(self, words: Words) -> Iterator[Words]:
        """Words, then with fewer and fewer of those that do not change the plant at either end."""
        n_before = len(list(takewhile(self.states.__contains__, words)))
        n_after = len(list(takewhile((self.states | self.nouns).__contains__, words[::-1])))
        for start, cut in product(range(n_before + 1), range(n_after + 1)):
            yield words[start : len(words) - cut]


def _first(keys: Iterable[str | None]) -> str | None:
    return next((key for key in keys if key is not None), None)


def names_of(
    plants: Mapping[str, Any], words: Mapping[str, list[str]], where: str = "species.toml"
) -> Names:
    """Names of a table of plants, and the words that may stand beside them.

    Parameters
    ----------
    plants, words : mapping
        ``[species]`` and ``[words]`` of the file, their kinds checked.
    where : str
        How the user knows the file, for the messages.

    Raises
    ------
    RuleError
        If two plants share a name, an abbreviation fits two or is not of its own plant, or a name
        is a general word.
    """
    found = _Collected(where, {"".join(words_of(one)) for one in words["general"]})
    for key, plant in plants.items():
        found.add(key, _scientific(plant))
        found.add(key, _common(plant))
    for key, plant in plants.items():
        _check_abbreviations(key, plant, plants, f"{where}, [species.{key}]")
    full = dict(found.keys)
    for key, plant in plants.items():
        found.add(key, plant.get("short", ()))
    short = found.beyond(full)
    for key, plant in plants.items():
        found.add(key, _turned(_common(plant), full))
    return Names(
        full=full,
        short=short,
        turned=found.beyond({**full, **short}),
        scientific=frozenset(words_of(n) for p in plants.values() for n in _scientific(p)),
        states=_single_words(words["states"]),
        nouns=_single_words(words["nouns"]),
        authors=_single_words(words["authors"]),
        before_authors=_single_words(words["before_authors"]),
    )


class _Collected:
    """Names by their letters, each of one plant."""

    def __init__(self, where: str, general: set[str]) -> None:
        self.keys: dict[str, str] = {}
        self._where, self._general = where, general

    def add(self, key: str, names: Iterable[str]) -> None:
        for name in names:
            letters = "".join(words_of(name))
            place = f"{self._where}, [species.{key}]"
            if not letters or letters in self._general:
                need = "a name that no other plant could have"
                raise RuleError(place, f"the name {name!r}", need, "take it out")
            owner = self.keys.setdefault(letters, key)
            if owner != key:
                found = f"the name {name!r}, which [species.{owner}] has too"
                raise RuleError(place, found, "names of one plant each", "take it out of both")

    def beyond(self, before: Mapping[str, str]) -> dict[str, str]:
        """Names that were added since."""
        return {name: key for name, key in self.keys.items() if name not in before}


def _check_abbreviations(
    key: str, plant: Mapping[str, Any], plants: Mapping[str, Any], where: str
) -> None:
    """Refuse an abbreviation that fits another plant as well ("L. racemosa"), or not its own."""
    for name in filter(_is_abbreviation, plant["names"]):
        owners = [
            one
            for one, other in plants.items()
            for full in (other["scientific"], *other.get("synonyms", ()))
            if _abbreviated(full) == words_of(name)
        ]
        if set(owners) != {key}:
            found = f"the name {name!r}, which abbreviates {', '.join(owners) or 'no name here'}"
            need = "abbreviations of this plant alone"
            raise RuleError(where, found, need, "take it out, or add the synonym it stands for")


def _abbreviated(scientific: str) -> Words:
    genus, *rest = words_of(scientific)
    return (genus[0], *rest)


def _single_words(texts: Iterable[str]) -> frozenset[str]:
    return frozenset(word for text in texts for word in words_of(text))


def _scientific(plant: Mapping[str, Any]) -> Iterator[str]:
    """Scientific names of a plant and their abbreviations."""
    yield plant["scientific"]
    yield from plant.get("synonyms", ())
    yield from (name for name in plant["names"] if _is_abbreviation(name))


def _common(plant: Mapping[str, Any]) -> Iterator[str]:
    """Common names of a plant and their plurals."""
    for name in (plant["common"], *plant["names"]):
        if not _is_abbreviation(name):
            yield from (name, _plural(name))


def _is_abbreviation(name: str) -> bool:
    words = words_of(name)
    return len(words) > 1 and len(words[0]) == 1


def _plural(name: str) -> str:
    """The plural of an English name.

    Examples
    --------
    >>> _plural("red mangrove"), _plural("marlberry"), _plural("saltbush")
    ('red mangroves', 'marlberries', 'saltbushes')
    """
    if re.search(r"[^aeiou]y$", name):
        return f"{name[:-1]}ies"
    return f"{name}es" if re.search(r"(s|x|sh|ch)$", name) else f"{name}s"


def _turned(names: Iterable[str], full: Mapping[str, str]) -> Iterator[str]:
    """Names of several words, the noun first, unless what is left is a plant's name itself.

    "Mangrove, red" is one plant; "mangrove, buttonwood" may be two.
    """
    for name in names:
        *rest, noun = words_of(name)
        if rest and "".join(rest) not in full:
            yield " ".join((noun, *rest))
