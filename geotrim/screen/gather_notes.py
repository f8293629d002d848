"""Notes of a screening, each once with how often it was told."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import Any

from geotrim.io.repair import listed
from geotrim.model import Note
from geotrim.ops.route_notes import facts_named, facts_note
from geotrim.screen.store import Store, read_batches

LEVELS = ("missing", "assumed", "repaired", "info")
#: Lots and crowns that a note names before the rest is only counted.
MOST_NAMED = 5
#: Names that one line of a list shows.
MOST_LISTED = 20
#: A number that stands by itself: not one of an id, a range or a section of a law.
FIGURE = re.compile(r"(?<![\w.,/-])\d{1,15}(?:,\d{3})*(?:\.\d+)?(?![\w/-]|[.,]\d|\()")
#: Where a text names things, of which no range can be made: after these words up to a semicolon; in
#: brackets; in quotes; a number right after the word for what it numbers.
NAMES = re.compile(
    r"(?<=at lots )(?P<lots>[^;]+)|(?<=to be kept \(keep\): )(?P<trees>[^;]+)"
    r"|(?<=\s)\((?P<inside>[^()]*)\)"
    r"|(?<!\w)'[^']*'(?!\w)|\"[^\"]*\""
    r"|\b(?<!at )(?:lots?|crowns?|trees?|rows?|ids?|numbers?) \d[\w.-]*(?:(?:, | and )\d[\w.-]*)*"
    r"|\bat \d[\w.-]*(?= \()"
)
#: What brackets hold where it is a figure with its unit, or two of them.
MEASURE = re.compile(r"[\d.,]+ [^\W\d][^,]*")
COLUMNS = ("level", "about", "text", "n", "named")
Piece = tuple[str, str]


class NoteCounts:
    """Notes counted; those that differ only in their figures, or in what lot they name, are one.

    Partitions tell the same with figures of their own; figures that differ become a range, and
    lists of names one list. Any other number that may be a name keeps its note apart.
    """

    def __init__(self) -> None:
        self._found: dict[tuple[Any, ...], _Told] = {}

    def add(self, about: str, text: str, level: str) -> None:
        """Count a note."""
        kind, _, name = about.partition(" ")
        is_one = kind in ("lot", "crown") and bool(name)
        pieces = list(_pieces(text))
        fixed = tuple((kind, "" if kind != "text" else words) for kind, words in pieces)
        about = f"{kind}s" if is_one else about
        told = self._found.setdefault((level, about, fixed), _Told(pieces))
        told.n += 1
        told.widen(pieces)
        if is_one and len(told.names) < MOST_NAMED and name not in told.names:
            told.names.append(name)

    def table(self) -> Any:
        """The notes, what is missing first, then the most frequent.

        Returns
        -------
        DataFrame
            ``COLUMNS``; ``named``: the first lots or crowns it was told of.
        """
        import pandas as pd

        rows = [
            (level, about, told.words(), told.n, "; ".join(told.names))
            for (level, about, _), told in self._found.items()
        ]
        rows.sort(key=lambda row: (LEVELS.index(row[0]), -row[3], row[1], row[2]))
        return pd.DataFrame(rows, columns=list(COLUMNS))


def _pieces(text: str) -> Iterator[Piece]:
    """A text taken apart: ``text`` as it is, ``figure``, ``list`` of names, ``some`` of a list.

    Examples
    --------
    >>> list(_pieces("2 of them cross at lots 7, 9"))
    [('figure', '2'), ('text', ' of them cross at lots '), ('list', '7, 9')]
    >>> list(_pieces("1 crown (12): unseen"))
    [('figure', '1'), ('text', ' crown ('), ('some', '12'), ('text', '): unseen')]
    """
    whole, at = list[Piece](), 0
    for found in NAMES.finditer(text):
        whole += _figures(text[at : found.start()])
        at, inside = found.end(), found["inside"]
        if inside is not None:
            is_names = bool(re.search(r"\d", inside)) and not MEASURE.fullmatch(inside)
            middle = [("some", inside)] if is_names else _figures(inside)
            whole += [("text", "("), *middle, ("text", ")")]
        else:
            is_list = found["lots"] or found["trees"]
            whole.append(("list" if found["lots"] else "some" if is_list else "text", found[0]))
    filled = [piece for piece in [*whole, *_figures(text[at:])] if piece[1]]
    for kind, run in groupby(filled, key=itemgetter(0)):
        if kind == "text":
            yield kind, "".join(words for _, words in run)
        else:
            yield from run


def _figures(text: str) -> Iterator[Piece]:
    at = 0
    for found in FIGURE.finditer(text):
        yield "text", text[at : found.start()]
        yield "figure", found[0]
        at = found.end()
    yield "text", text[at:]


class _Told:
    """One note: its pieces, how often it came, ranges of its figures, and names of its lists."""

    def __init__(self, pieces: list[Piece]) -> None:
        self.pieces, self.n, self.names = pieces, 0, list[str]()
        self.low, self.high = ([words for _, words in pieces] for _ in range(2))
        self.listed: list[dict[str, None]] = [{} for _ in pieces]

    def widen(self, pieces: list[Piece]) -> None:
        """Take in the same note with other figures: its pieces are of the same kinds."""
        for place, (kind, words) in enumerate(pieces):
            if kind == "figure":
                self.low[place] = min(self.low[place], words, key=_value)
                self.high[place] = max(self.high[place], words, key=_value)
            elif kind != "text":
                self.listed[place].update(dict.fromkeys(words.split(", ")))

    def words(self) -> str:
        """The note as it is told."""
        return "".join(self._of_piece(place, *piece) for place, piece in enumerate(self.pieces))

    def _of_piece(self, place: int, kind: str, words: str) -> str:
        low, high = self.low[place], self.high[place]
        if kind == "figure":
            return low if _value(low) == _value(high) else f"{low} to {high}"
        if kind == "list":
            return listed(self.listed[place], MOST_LISTED)
        if kind == "some":  # lists that may break off themselves
            names = [name for name in self.listed[place] if name != "..."]
            has_more = len(names) > MOST_NAMED or "..." in self.listed[place]
            return ", ".join([*names[:MOST_NAMED], *(["..."] if has_more else [])])
        return words


def _value(figure: str) -> float:
    """A figure as it was written, thousands parted by commas.

    Examples
    --------
    >>> _value("1,452"), _value("2.5")
    (1452.0, 2.5)
    """
    return float(figure.replace(",", ""))


def gathered_notes(store: Store, n_partitions: int, more: Iterable[Note]) -> NoteCounts:
    """Notes of reading, of all partitions and of gathering; missing facts are told once."""
    counts = NoteCounts()
    for note in more:
        counts.add(note.about, note.text, note.level)
    missing: set[str] = set()
    for k in range(n_partitions):
        for about, text, level in _of(store.done(k, "notes")):
            if keys := facts_named(about, text):
                missing |= keys
            else:
                counts.add(about, text, level)
    for note in facts_note(missing):
        counts.add(note.about, note.text, note.level)
    return counts


def _of(path: Path) -> Iterable[tuple[str, str, str]]:
    if not path.exists():
        return
    for batch in read_batches(path):
        columns = (batch[name].to_pylist() for name in ("about", "text", "level"))
        yield from zip(*columns, strict=True)
