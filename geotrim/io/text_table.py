"""Delimited text in and out: tables as crews and spreadsheets write them, every cell as text.

What spreadsheets do to text is undone here: byte order marks, a ``sep=`` line, ``;`` or tabs for
commas, empty rows and columns at the end, ``="007"`` for text, and the apostrophe that keeps a cell
from being run as a formula. Nothing is made a number (:mod:`geotrim.io.text_numbers`).
"""

from __future__ import annotations

import codecs
import csv
import io
import os
import re
from pathlib import Path
from typing import Any

from geotrim.errors import FileError, LayerError
from geotrim.io.files import local_path
from geotrim.io.repair import counted, listed
from geotrim.io.text_numbers import is_number
from geotrim.model import Note

#: What text tables are called.
TEXT_SUFFIXES = (".csv", ".tsv", ".txt", ".tab")
DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs"}
#: First letters by which a spreadsheet takes a cell for a formula, or for something to be run.
#: Source: common practice (advice against formulas smuggled into CSV files); no standard says it.
RUN_BY = "=+-@\t\r"

_GUARDED = re.compile(rf"'+[{re.escape(RUN_BY)}]")
_TO_GUARD = re.compile(rf"'*[{re.escape(RUN_BY)}]")
_AS_TEXT = re.compile(r'="((?:[^"]|"")*)"')
_SEP_LINE = re.compile(r'\A"?sep=([,;\t])"?\r?\n', re.IGNORECASE)
_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)

Row = tuple[int, list[str]]


def read_text_table(
    path: str | os.PathLike[str], *, subject: str = "table", comment: str | None = None
) -> tuple[Any, tuple[Note, ...]]:
    """A delimited text file with a header, every cell as text.

    Comma, semicolon and tab are told apart by the file itself: the one is taken by which no row
    has more cells than the header, and of several the one that makes most columns. UTF-8 and UTF-16
    are read; other text as Windows-1252, which is told. Lines that begin with ``comment``, where
    that is given, are passed over.

    Returns
    -------
    table : DataFrame
        Columns as the header names them, cells str or None (empty). The index is the line of
        the file on which each row begins.
    notes : tuple of Note

    Raises
    ------
    FileError
        If the file is no text, or cannot be parted into rows and columns.
    LayerError
        If it has no header or no rows, or a column no name or that of another.
    """
    import pandas as pd

    found = local_path(path, subject)
    text, notes = _decoded(found, subject)
    if comment is not None:
        text = re.sub(rf'(?m)^"?{re.escape(comment)}[^\r\n]*', "", text)
    rows, delimiter = _parted(text, found, subject)
    (line, header), *body = rows
    names = _checked_header(header, body, line, found, subject)
    if not body:
        raise LayerError(
            subject,
            f"{found.name}, with a header and no rows",
            "one row or more",
            "export the table again",
        )
    keep = [at for at, name in enumerate(names) if name]
    cells = [[_cell(row[at]) if at < len(row) else None for at in keep] for _, row in body]
    index = pd.Index([number for number, _ in body], name="line")
    table = pd.DataFrame(cells, columns=[names[at] for at in keep], index=index, dtype=object)
    text = f"{counted(len(table), 'row')} of {found.name}, columns parted by "
    notes.append(Note(subject, text + DELIMITERS[delimiter], "info"))
    return table.where(table.notna(), None), tuple(notes)


def write_text_table(path: Path, table: Any) -> None:
    """Write a table as CSV that a spreadsheet opens well and does not run: UTF-8 with its mark.

    Text that begins like a formula gets an apostrophe before it; :func:`read_text_table` takes it
    off again. Numbers are written in full, with a decimal point; None and NaN as nothing.
    """
    with path.open("w", encoding="utf-8-sig", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\r\n")  # RFC 4180
        writer.writerow(table.columns)
        for row in table.itertuples(index=False, name=None):
            writer.writerow([guarded(value) for value in row])


def guarded(value: Any) -> Any:
    """A cell as it may be written: text that a spreadsheet would run gets an apostrophe.

    Examples
    --------
    >>> guarded("=1+1"), guarded("'=1"), guarded("red mangrove"), guarded(-81.5)
    ("'=1+1", "''=1", 'red mangrove', -81.5)
    """
    if value is None or value != value:
        return ""
    if isinstance(value, str):
        return f"'{value}" if _TO_GUARD.match(value) else value
    return value.item() if hasattr(value, "item") else value


def _cell(text: str) -> str | None:
    """A cell as it was meant.

    Examples
    --------
    >>> _cell('="007"'), _cell("'=x"), _cell(" \N{NO-BREAK SPACE}"), _cell("'quoted'")
    ('007', '=x', None, "'quoted'")
    """
    plain = text.replace("\N{NO-BREAK SPACE}", " ").strip()
    if as_text := _AS_TEXT.fullmatch(plain):
        plain = as_text[1].replace('""', '"')
    if _GUARDED.match(plain):
        plain = plain[1:]
    return plain or None


def _decoded(path: Path, subject: str) -> tuple[str, list[Note]]:
    data = path.read_bytes()
    if data.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        raise FileError(
            subject,
            f"{path.name}, a workbook or an archive and no text",
            "a table as text (CSV)",
            "save the sheet as CSV UTF-8 and name that file",
        )
    encoding = next((name for mark, name in _MARKS if data.startswith(mark)), "utf-8")
    try:
        text, notes = data.decode(encoding), []
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")
        told = f"{path.name} is no UTF-8; read as Windows-1252"
        notes = [Note(subject, told, "assumed")]
    if "\0" in text:
        raise FileError(
            subject, f"{path.name}, which is no text", "a table as text (CSV)", "export it as CSV"
        )
    return text, notes


def _parted(text: str, path: Path, subject: str) -> tuple[list[Row], str]:
    """Rows and the delimiter that parts them best."""
    told = _SEP_LINE.match(text)
    choices = told[1] if told else "".join(DELIMITERS)
    body, skipped = (text[told.end() :], 1) if told else (text, 0)
    tried: list[tuple[bool, int, list[Row], str]] = []
    faults: list[str] = []
    for delimiter in choices:
        try:
            rows = _rows(body, delimiter, skipped)
        except csv.Error as error:
            faults.append(str(error))
            continue
        if rows:
            fits = all(len(row) <= len(rows[0][1]) for _, row in rows)
            tried.append((fits, len(rows[0][1]), rows, delimiter))
    several = [one for one in tried if one[1] > 1]
    if not several and faults:
        raise FileError(
            subject,
            f"{path.name}, which cannot be parted into cells ({faults[0]})",
            "cells whose quotes are closed",
            "save it again as CSV from a spreadsheet",
        )
    if not tried:
        raise LayerError(subject, f"{path.name}, without a row", "a header and rows", "export it")
    fits, n_columns, rows, delimiter = max(several or tried, key=lambda one: one[:2])
    if not fits:
        line, row = next((line, row) for line, row in rows if len(row) > n_columns)
        raise LayerError(
            subject,
            f"{len(row)} cells in line {line} of {path.name} under {n_columns} columns",
            "no more cells than the header has",
            "put text that holds the delimiter in quotes; with decimal commas part by semicolons",
        )
    return rows, delimiter


def _rows(text: str, delimiter: str, skipped: int) -> list[Row]:
    """Rows that hold something, with the line they begin on; empty cells at the end cut off."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows, line = [], skipped + 1
    for row in reader:
        while row and not row[-1].strip():
            row.pop()
        if row:
            rows.append((line, row))
        line = skipped + reader.line_num + 1
    return rows


def _checked_header(
    header: list[str], body: list[Row], line: int, path: Path, subject: str
) -> list[str]:
    """Names of the columns; "" for a column that is empty throughout."""
    names = [" ".join((_cell(name) or "").split()) for name in header]
    if numbers := [name for name in names if is_number(name)]:
        raise LayerError(
            subject,
            f"numbers ({listed(numbers, 3)}) where {path.name} should name its columns",
            f"a header in line {line}",
            "put a line with the names of the columns first",
        )
    for at, name in enumerate(names):
        if not name and any(at < len(row) and row[at].strip() for _, row in body):
            raise LayerError(
                subject,
                f"column {at + 1} of {path.name} without a name",
                "a name for each column",
                "name it in the header, or take it out",
            )
    folded = [name.casefold() for name in names if name]
    if twice := sorted({name for name in folded if folded.count(name) > 1}):
        raise LayerError(
            subject,
            f"columns of one name in {path.name}: {listed(twice)}",
            "a name for each column",
            "rename one of them",
        )
    return names
