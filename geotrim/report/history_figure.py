"""The life of a tree or a lot as a figure: which one, and to which file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from geotrim.errors import FileError, LayerError
from geotrim.io.aside import new_file
from geotrim.io.ledger import Ledger
from geotrim.report.history_lines import lines_of
from geotrim.report.palette import style
from geotrim.report.save import letters_watched

#: Suffix -> what is written into a file of that kind beside the figure.
KINDS: dict[str, dict[str, Any]] = {
    ".png": {"Software": "geotrim"},
    ".svg": {"Date": None, "Creator": "geotrim"},
    ".pdf": {"CreationDate": None, "Creator": "geotrim"},
}
DPI = 170


def draw_history(
    path: Path,
    ledger: Ledger,
    lot_id: str | None,
    crown_id: str | None,
    *,
    is_replacing: bool = False,
) -> set[str]:
    """Draw a tree's life where a tree is named, else a lot's, to a file.

    Returns
    -------
    set of str
        Letters that the figure's type does not have; they are drawn as boxes.

    Raises
    ------
    LayerError
        If neither is named and the ledger tells of several lots, or of none.
    FileError
        If the suffix is none that can be drawn, or the file cannot be written.
    """
    from geotrim.report.history_lot import lot_figure
    from geotrim.report.history_tree import tree_figure

    suffix = path.suffix.lower()
    if suffix not in KINDS:
        raise FileError(
            "--figure", path.name, f"a name that ends in {', '.join(KINDS)}", "choose one of these"
        )
    with style(), letters_watched() as unknown:
        if crown_id is not None:
            figure = tree_figure(ledger.site, crown_id, lines_of(ledger, lot_id, crown_id))
        else:
            lot = lot_id if lot_id is not None else _only_lot(ledger)
            figure = lot_figure(ledger.site, lot, lines_of(ledger, lot))
        with new_file(path, overwrite=is_replacing) as aside:
            figure.savefig(aside, format=suffix[1:], dpi=DPI, metadata=KINDS[suffix])
    return unknown


def _only_lot(ledger: Ledger) -> str:
    lots = list(dict.fromkeys(one.entry.lot_id for one in ledger.entries if one.entry.lot_id))
    if len(lots) == 1:
        return lots[0]
    found = f"{len(lots)} lots in it" if lots else "no lot in it"
    raise LayerError("--figure", found, "one lot, or one tree", "say --lot or --tree")
