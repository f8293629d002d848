"""A ledger as lines: one for each entry and tree, corrected entries marked."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from geotrim.errors import LayerError
from geotrim.io.ledger import Kept, Ledger, superseded
from geotrim.io.ledger_check import as_it_stands
from geotrim.io.ledger_entry import Entry, TreeEntry


@dataclass(frozen=True, slots=True)
class Line:
    """One entry, as it stands, and one of its trees.

    tree : None where the entry tells of no tree.
    corrected_by : number of the entry that counts in its place, None where it counts itself.
    """

    kept: Kept
    entry: Entry
    tree: TreeEntry | None
    corrected_by: int | None = None

    @property
    def day(self) -> date:
        """The day of what is told; of a planned cut the day of the plan."""
        return day_of(self.entry, self.tree)


def lines_of(
    ledger: Ledger, lot_id: str | None = None, crown_id: str | None = None, *, is_all: bool = False
) -> list[Line]:
    """The lines of a lot or a tree, by day and number.

    Parameters
    ----------
    lot_id, crown_id : str, optional
        All where they are not told. With a tree, lines that tell of no tree are left out.
    is_all : bool
        Whether entries that were corrected come too.

    Raises
    ------
    LayerError
        If the ledger tells of no such lot or tree.
    """
    _check_known(ledger, lot_id, crown_id)
    gone = superseded(ledger.entries)
    out = []
    for kept in ledger.entries:
        entry = as_it_stands(kept.entry)
        if (kept.number in gone and not is_all) or lot_id not in (None, entry.lot_id):
            continue
        trees: Iterable[TreeEntry | None] = entry.trees or (None,)
        for tree in trees:
            if crown_id is None or (tree is not None and tree.crown_id == crown_id):
                out.append(Line(kept, entry, tree, gone.get(kept.number)))
    return sorted(out, key=lambda line: (line.day, line.kept.number))


def day_of(entry: Entry, tree: TreeEntry | None) -> date:
    """The day on which a tree was cut or read; what a plan tells has the plan's day."""
    if tree is None or not tree.date or entry.kind == "plan":
        return entry.day
    try:
        return date.fromisoformat(tree.date)
    except ValueError:
        return entry.day


def _check_known(ledger: Ledger, lot_id: str | None, crown_id: str | None) -> None:
    """Refuse a lot or tree that no entry, corrected ones among them, tells of."""
    lots = dict.fromkeys(one.entry.lot_id for one in ledger.entries)
    if lot_id is not None and lot_id not in lots:
        some = ", ".join(_near(lot_id, [lot for lot in lots if lot])) or "none yet"
        raise LayerError("--lot", f"no lot {lot_id!r} in it", f"one it tells of: {some}", "choose")
    trees: dict[str, dict[str, None]] = {}  # lot -> its trees, in the order they were told
    for one in ledger.entries:
        if lot_id in (None, one.entry.lot_id):
            own = trees.setdefault(one.entry.lot_id, {})
            own |= dict.fromkeys(tree.crown_id for tree in one.entry.trees)
    if crown_id is None or any(crown_id in own for own in trees.values()):
        return
    near = [
        f"{', '.join(_near(crown_id, [*own]))} (lot {lot or 'none'})"
        for lot, own in trees.items()
        if own
    ]
    raise LayerError(
        "--tree",
        f"no tree {crown_id!r} in it",
        f"one it tells of, such as {'; '.join(near) or 'none yet'}",
        "check the id; --csv lists every tree",
    )


def _near(value: str, known: list[str], n: int = 5) -> list[str]:
    """Names most like one; the first of all where none is like it."""
    return difflib.get_close_matches(value, known, n=n) or sorted(known)[:n]
