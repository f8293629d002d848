"""Notes of a screening, each once with how often it was told."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from geotrim.model import Note
from geotrim.ops.route_notes import facts_named, facts_note
from geotrim.screen.store import Store, read_batches

LEVELS = ("missing", "assumed", "repaired", "info")
#: Lots and crowns that a note names before the rest is only counted.
MOST_NAMED = 5
#: A number that stands by itself: not one of an id, a range or a section of a law.
FIGURE = re.compile(r"(?<![\w.,/-])\d{1,15}(?:,\d{3})*(?:\.\d+)?(?![\w/-]|[.,]\d|\()")
COLUMNS = ("level", "about", "text", "n", "named")


class NoteCounts:
    """Notes counted; those that differ only in their figures, or in what lot they name, are one.

    Partitions tell the same with figures of their own; figures that differ become a range.
    """

    def __init__(self) -> None:
        self._found: dict[tuple[str, str, str], _Told] = {}

    def add(self, about: str, text: str, level: str) -> None:
        """Count a note."""
        kind, _, name = about.partition(" ")
        is_one = kind in ("lot", "crown") and bool(name)
        key = (level, f"{kind}s" if is_one else about, FIGURE.sub("#", text))
        told = self._found.setdefault(key, _Told(text))
        told.n += 1
        told.widen(FIGURE.findall(text))
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


class _Told:
    """One note: its first text, how often it came, and the least and greatest of its figures."""

    def __init__(self, text: str) -> None:
        self.text, self.n, self.names = text, 0, list[str]()
        self.low = self.high = FIGURE.findall(text)

    def widen(self, figures: list[str]) -> None:
        self.low = [min(pair, key=_value) for pair in zip(self.low, figures, strict=True)]
        self.high = [max(pair, key=_value) for pair in zip(self.high, figures, strict=True)]

    def words(self) -> str:
        ranges = iter(
            low if _value(low) == _value(high) else f"{low} to {high}"
            for low, high in zip(self.low, self.high, strict=True)
        )
        return FIGURE.sub(lambda _: next(ranges), self.text)


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
