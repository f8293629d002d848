"""Parts of a statement of findings as blocks of a sheet: the same words on both."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from geotrim.report import statement_parts as parts
from geotrim.report.sheets.sheet import Cell, Column, Run, Table, Words

#: Kinds of a statement's text that are set bold; all are told in words and marks as well.
PLAIN = ("", "small", "idle")
#: Kinds that tell of a source.
SMALL = ("small", "warn")


def sheet_blocks(
    blocks: Iterable[parts.Block],
    shares: Mapping[str, Sequence[float]] | None = None,
    size_pt: float = 7.5,
) -> Iterator[Table | Words]:
    """Blocks of a statement as those of a sheet; pictures are left out.

    Parameters
    ----------
    blocks : iterable
    shares : mapping, optional
        Kind of a table -> shares of its columns' widths; equal ones by default.
    size_pt : float
        Of the words.
    """
    heading = ""
    for block in blocks:
        match block:
            case parts.Heading():
                if heading:
                    yield Words((), heading, size_pt)
                heading = block.text
                continue
            case parts.Paragraph():
                yield Words((runs(block.line),), heading, size_pt)
            case parts.Bullets():
                yield Words(tuple(map(runs, block.lines)), heading, size_pt, is_list=True)
            case parts.Callout():
                yield Words((runs(block.lead),), heading, size_pt + 1)
                yield Words(tuple(map(runs, block.lines)), "", size_pt, is_list=True)
            case parts.Table():
                yield _table(block, (shares or {}).get(block.kind), heading, size_pt)
            case parts.Picture():
                continue
        heading = ""


def runs(line: parts.Line) -> tuple[Run, ...]:
    """A line of a statement as runs."""
    return tuple(
        Run(span.text, is_bold=span.kind not in PLAIN, is_small=span.kind in SMALL) for span in line
    )


def cell(lines: parts.Cell) -> Cell:
    """A cell of a statement's table, its lines under each other."""
    out: list[Run] = []
    for k, line in enumerate(lines):
        out += [Run("\n")] * (k > 0)
        out += runs(line)
    return tuple(out)


def _table(
    table: parts.Table, shares: Sequence[float] | None, heading: str, size_pt: float
) -> Table:
    widths = shares or [1.0] * len(table.heads)
    columns = tuple(Column(head, share) for head, share in zip(table.heads, widths, strict=True))
    rows = tuple(tuple(cell(one) for one in row) for row in table.rows)
    return Table(columns, rows, size_pt, is_striped=False, heading=heading)
