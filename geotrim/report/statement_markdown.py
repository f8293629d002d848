"""A statement of findings as Markdown, tables in the GitHub way."""

from __future__ import annotations

import re
from itertools import groupby

from geotrim.report.statement_parts import (
    Block,
    Bullets,
    Callout,
    Cell,
    Heading,
    Line,
    Page,
    Paragraph,
    Picture,
    Table,
)

_SPECIAL = re.compile(r"([\\`*_\[\]<>|#~&])")
#: Sign on either side of each kind of text; of the others it is that of strong text.
_SIGNS = {"": "", "small": "*"}
#: What would open a list, a heading or a quotation at the start of a line.
_OPENING = re.compile(r"^(?:([-+=])(?=\s|$|[-+=])|(\d+)([.)])(?=\s|$))")


def markdown(page: Page) -> str:
    """The page as Markdown text, one line feed at the end.

    Parameters
    ----------
    page : Page

    Notes
    -----
    Written to be read as it stands, too: marks and words as in the HTML, sources in italics.
    """
    parts = [_block(block) for block in page.blocks]
    return "\n\n".join(part for part in parts if part) + "\n"


def escaped(text: str) -> str:
    r"""Text that Markdown shows as it is.

    Examples
    --------
    >>> print(escaped("a|b *c* <d>"), escaped("1. May"))
    a\|b \*c\* \<d\> 1\. May
    """
    return _OPENING.sub(
        lambda m: f"\\{m[1]}" if m[1] else f"{m[2]}\\{m[3]}", _SPECIAL.sub(r"\\\1", text)
    )


def _block(block: Block) -> str:
    match block:
        case Heading():
            return f"{'#' * block.level} {escaped(block.text)}"
        case Paragraph():
            return _line(block.line)
        case Bullets():
            return "\n".join(f"- {_line(one)}" for one in block.lines)
        case Callout():
            items = "".join(f"\n> - {_line(one)}" for one in block.lines)
            return f"> {_line(block.lead)}" + (f"\n>{items}" if items else "")
        case Table():
            return _table(block)
        case Picture():
            return f"![{escaped(block.words)}]({block.name})"


def _table(table: Table) -> str:
    if not table.rows:
        return ""
    heads = " | ".join(escaped(head) or " " for head in table.heads)
    lines = [f"| {heads} |", f"|{' --- |' * len(table.heads)}"]
    lines += [f"| {' | '.join(_cell(one) for one in row)} |" for row in table.rows]
    return "\n".join(lines)


def _cell(cell: Cell) -> str:
    return "<br>".join(_line(one) for one in cell) or " "


def _line(line: Line) -> str:
    """Pieces of one look are set together, since two of them side by side would not be read."""
    groups = groupby(line, key=lambda span: _SIGNS.get(span.kind, "**"))
    return "".join(_text("".join(s.text for s in spans), sign) for sign, spans in groups).strip()


def _text(text: str, sign: str) -> str:
    """Emphasis stands inside the blanks at either end, or it would not be taken for one."""
    core = text.strip()
    if not core or not sign:
        return escaped(text)
    head, tail = text[: text.index(core[0])], text[len(text.rstrip()) :]
    return f"{head}{sign}{escaped(core)}{sign}{tail}"
