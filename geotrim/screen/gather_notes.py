"""Notes of a screening, each once with how often it was told."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from geotrim.model import Note
from geotrim.screen.store import Store, read_batches

LEVELS = ("missing", "assumed", "repaired", "info")
#: Lots and crowns that a note names before the rest is only counted.
MOST_NAMED = 5
COLUMNS = ("level", "about", "text", "n", "named")


class NoteCounts:
    """Notes counted; those that only differ in the lot or the crown they are about are one."""

    def __init__(self) -> None:
        self._found: dict[tuple[str, str, str], list[Any]] = {}

    def add(self, about: str, text: str, level: str) -> None:
        """Count a note."""
        kind, _, name = about.partition(" ")
        is_one = kind in ("lot", "crown") and bool(name)
        key = (level, f"{kind}s" if is_one else about, text)
        seen = self._found.setdefault(key, [0, []])
        seen[0] += 1
        if is_one and len(seen[1]) < MOST_NAMED and name not in seen[1]:
            seen[1].append(name)

    def table(self) -> Any:
        """The notes, what is missing first, then the most frequent.

        Returns
        -------
        DataFrame
            ``COLUMNS``; ``named``: the first lots or crowns it was told of.
        """
        import pandas as pd

        rows = [
            (level, about, text, n, "; ".join(names))
            for (level, about, text), (n, names) in self._found.items()
        ]
        rows.sort(key=lambda row: (LEVELS.index(row[0]), -row[3], row[1], row[2]))
        return pd.DataFrame(rows, columns=list(COLUMNS))


def gathered_notes(store: Store, n_partitions: int, more: Iterable[Note]) -> NoteCounts:
    """Notes of reading, of all partitions and of gathering."""
    counts = NoteCounts()
    for note in more:
        counts.add(note.about, note.text, note.level)
    for k in range(n_partitions):
        for about, text, level in _of(store.done(k, "notes")):
            counts.add(about, text, level)
    return counts


def _of(path: Path) -> Iterable[tuple[str, str, str]]:
    if not path.exists():
        return
    for batch in read_batches(path):
        columns = (batch[name].to_pylist() for name in ("about", "text", "level"))
        yield from zip(*columns, strict=True)
