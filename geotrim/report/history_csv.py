"""The life of a lot or tree as a table in a file: a row for each entry and tree."""

from __future__ import annotations

import math
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from geotrim.io.aside import new_file
from geotrim.report.history_lines import Line

COLUMNS = (
    "number", "date", "kind", "who", "lot_id", "crown_id", "year", "planned_from", "is_done",
    "height_ft", "height_error_ft", "cut_low_ft", "cut_high_ft", "removed_frac",
    "removed_error_frac", "species", "reader", "words", "entry_words", "corrects", "corrected_by",
    "plan_sha256", "written_utc", "sha256",
)  # fmt: skip


def write_lines(path: Path, lines: Iterable[Line], *, is_replacing: bool = False) -> None:
    """Write lines as CSV; what is not known is empty, the upper side of a lowered top is ``top``.

    Raises
    ------
    FileError
        If the file exists and may not go, or cannot be written.
    """
    import pandas as pd

    from geotrim.io.text_table import write_text_table

    table = pd.DataFrame([_row(line) for line in lines], columns=list(COLUMNS), dtype=object)
    with new_file(path, overwrite=is_replacing) as aside:
        write_text_table(aside, table)


def _row(line: Line) -> dict[str, Any]:
    kept, entry, tree = line.kept, line.entry, line.tree
    out: dict[str, Any] = {
        "number": kept.number,
        "date": line.day.isoformat(),
        "kind": entry.kind,
        "who": entry.who,
        "lot_id": entry.lot_id,
        "entry_words": entry.words,
        "corrects": entry.corrects,
        "corrected_by": line.corrected_by,
        "plan_sha256": entry.plan_sha256,
        "written_utc": kept.written_utc,
        "sha256": kept.sha256,
    }
    if tree is None:
        return out
    names = [name for name in COLUMNS if hasattr(tree, name)]
    out |= {name: getattr(tree, name) for name in names}
    out["year"] = tree.year or None
    out["planned_from"] = tree.date if entry.kind == "plan" else None
    out["cut_high_ft"] = "top" if math.isinf(tree.cut_high_ft) else tree.cut_high_ft
    out["is_done"] = None if tree.is_done is None else "yes" if tree.is_done else "no"
    return out | {"date": line.day.isoformat()}
