"""Results as text on a terminal: narrow tables whose headings carry the unit."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from geotrim.model import Note, Result
from geotrim.units import heading, unit_of

#: Rows printed of one table before the rest is only counted.
ROWS_SHOWN = 40
DECIMALS = {"ft": 1, "ft2": 0, "ft3": 0, "deg": 1, "frac": 3, "usd": 0}
NOTHING = "-"
#: Columns of a terminal; a wider table is folded.
WIDTH = 80
#: Characters of a text that are printed; a file holds it whole.
LONGEST_TEXT = 40


def result_text(result: Result, rows: int = ROWS_SHOWN) -> str:
    """Every table of a result, then its notes."""
    parts = [
        f"{name.replace('_', ' ')}\n{table_text(table, rows)}"
        for name, table in result.tables.items()
    ]
    notes = notes_text(result.notes)
    return "\n\n".join([*parts, notes] if notes else parts)


def table_text(table: Any, rows: int = ROWS_SHOWN) -> str:
    """A table in columns as narrow as its values; shapes are left out.

    Examples
    --------
    >>> import pandas as pd
    >>> print(table_text(pd.DataFrame({"lot_id": ["A"], "frontage_length_ft": [120.04]})))
    lot  frontage
         length,
         ft
    A       120.0
    """
    columns = [c for c in table.columns if c != "geometry"]
    if len(table) == 0:
        return "(no rows)"
    shown = table.head(rows)
    cells = [[cell_text(value, c) for value in shown[c]] for c in columns]
    right = [_is_figure(shown[c]) for c in columns]
    heads = [_heading(c).split() for c in columns]
    lines: list[str] = []
    for block in _blocks(columns, heads, cells):
        lines += [""] if lines else []
        lines += _columns(
            [heads[k] for k in block], [cells[k] for k in block], [right[k] for k in block]
        )
    if len(table) > rows:
        lines.append(f"... and {len(table) - rows} more rows; --all prints them")
    return "\n".join(lines)


def cell_text(value: Any, column: str) -> str:
    """One value as it is printed.

    Examples
    --------
    >>> cell_text(12345.678, "volume_ft3"), cell_text(True, "is_past"), cell_text(None, "species")
    ('12,346', 'yes', '-')
    """
    if _is_missing(value):
        return NOTHING
    if isinstance(value, bool) or type(value).__name__ == "bool":
        return "yes" if value else "no"
    if _is_number(value) and not column.startswith("n_"):
        return f"{value:,.{DECIMALS.get(unit_of(column) or '', 1)}f}"
    text = str(value)
    return text if len(text) <= LONGEST_TEXT else text[: LONGEST_TEXT - 3] + "..."


def notes_text(notes: Iterable[Note]) -> str:
    """Notes, those on what is missing first."""
    order = ("missing", "assumed", "repaired", "info")
    told = sorted(notes, key=lambda note: order.index(note.level))
    return "\n".join(f"{note.level}: {note}" for note in told)


def _heading(column: str) -> str:
    """Heading of a column; what is called a share needs no unit to say so."""
    if column.startswith("share_"):
        return column.removesuffix("_frac").replace("_", " ")
    return heading(column.removesuffix("_id"))


def _blocks(columns: list[str], heads: list[list[str]], cells: list[list[str]]) -> list[list[int]]:
    """Numbers of the columns that fit a terminal side by side; ids and stations come again."""
    wide = [
        max(map(len, (*words, *column))) + 2 for words, column in zip(heads, cells, strict=True)
    ]
    n_keys = next((k for k, c in enumerate(columns) if not c.endswith("_id")), len(columns))
    keys = list(range(min(n_keys, 2)))
    if n_keys < len(columns) and columns[n_keys] == "station_ft":
        keys.append(n_keys)
    blocks: list[list[int]] = [[]]
    for k in range(len(columns)):
        block = blocks[-1]
        if block and sum(wide[j] for j in (*block, k)) - 2 > WIDTH and len(block) > len(keys):
            block = list(keys)
            blocks.append(block)
        block.append(k)
    return blocks


def _columns(heads: list[list[str]], cells: list[list[str]], right: list[bool]) -> list[str]:
    """Lines of a table; heading words are stacked so that columns stay narrow."""
    deep = max(len(words) for words in heads)
    lines = []
    widths = [
        max(len(text) for text in (*words, *column))
        for words, column in zip(heads, cells, strict=True)
    ]
    for depth in range(deep):
        words = [head[depth] if depth < len(head) else "" for head in heads]
        lines.append([f"{word:<{width}}" for word, width in zip(words, widths, strict=True)])
    for row in zip(*cells, strict=True):
        lines.append(
            [
                f"{text:>{width}}" if is_right else f"{text:<{width}}"
                for text, width, is_right in zip(row, widths, right, strict=True)
            ]
        )
    return ["  ".join(line).rstrip() for line in lines]


def _is_figure(column: Any) -> bool:
    given = [value for value in column if not _is_missing(value)]
    return bool(given) and all(_is_number(value) for value in given)


def _is_missing(value: Any) -> bool:
    """None, NaN or pandas' NA, which has no truth value of its own."""
    return value is None or str(value) in ("nan", "<NA>", "NaT")


def _is_number(value: Any) -> bool:
    from numbers import Real

    return isinstance(value, Real) and not isinstance(value, bool)
