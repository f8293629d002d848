"""The parts a statement of findings is made of; Markdown and HTML are written from the same ones.

Text is kept plain here: escaping is the writers' work. A piece of text carries a kind, which says
what it is (a verdict, a source), never how it looks.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass

#: Verdicts and standings -> kind of their text, and a mark that grey paper shows as well.
MARKS = {
    "met": ("good", "\u2713"),
    "open": ("good", "\u25cf"),
    "not met": ("bad", "\u2715"),
    "closed": ("bad", "\u2715"),
    "too close": ("close", "\u2248"),
    "other plan": ("close", "\u25c7"),
    "unknown": ("doubt", "?"),
    "depends": ("doubt", "\u25d0"),
    "not cut": ("idle", "\u25cb"),
    "not binding": ("idle", "\u25cb"),
}


@dataclass(frozen=True, slots=True)
class Span:
    """A piece of text.

    kind : "" (plain), ``strong``, ``small``, ``warn``, or a kind of ``MARKS``.
    target : anchor on the same page that it leads to, "" for none.
    """

    text: str
    kind: str = ""
    target: str = ""


Line = tuple[Span, ...]
Cell = tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading; level 1 is the title of the page. ``anchor`` must be plain letters and digits."""

    text: str
    level: int
    anchor: str = ""
    is_new_page: bool = False


@dataclass(frozen=True, slots=True)
class Paragraph:
    """One paragraph. kind : "" or ``small``."""

    line: Line
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list."""

    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class Callout:
    """What matters most, set apart: a lead and a list under it."""

    lead: Line
    lines: tuple[Line, ...] = ()


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of cells, as many in each row as there are heads. Without rows nothing is written.

    kind : "" or the name of a look, for the widths of its columns.
    """

    heads: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    kind: str = ""

    def __post_init__(self) -> None:
        wrong = [row for row in self.rows if len(row) != len(self.heads)]
        assert not wrong, f"{len(wrong[0])} cells under {len(self.heads)} heads"


@dataclass(frozen=True, slots=True)
class Picture:
    """A PNG.

    name : file it is in.
    data : its bytes, for a page that stands alone.
    least_px : width under which its letters cannot be read; a narrower screen scrolls sideways
        within a box. 0 for a picture that shrinks to any screen.
    """

    words: str
    name: str
    data: bytes
    least_px: int = 0


Block = Heading | Paragraph | Bullets | Callout | Table | Picture


@dataclass(frozen=True, slots=True)
class Page:
    """A whole statement."""

    title: str
    blocks: tuple[Block, ...]


def clean(text: object) -> str:
    r"""Text on one line, without control and direction characters, fit for any file.

    Examples
    --------
    >>> clean(" lot\n 1\x00 ")
    'lot 1'
    """
    plain = " ".join(str(text).split())
    return "".join(c for c in plain if unicodedata.category(c) not in ("Cc", "Cf", "Cs"))


def line(*parts: str | Span) -> Line:
    """A line from text and pieces of text; empty ones are left out."""
    spans = [part if isinstance(part, Span) else Span(part) for part in parts]
    kept = [Span(_kept_ends(span.text), span.kind, span.target) for span in spans]
    return tuple(span for span in kept if span.text)


def cell(*lines: str | Line) -> Cell:
    """A cell from lines; empty ones are left out."""
    every = [line(one) if isinstance(one, str) else one for one in lines]
    return tuple(one for one in every if one)


def row(*cells: str | Line | Cell) -> tuple[Cell, ...]:
    """A row of a table, from cells, lines and text."""
    return tuple(_as_cell(one) for one in cells)


def mark(word: str, more: str = "") -> Span:
    """A verdict or a standing: its mark and the word, or other words in its place."""
    kind, sign = MARKS[word]
    return Span(f"{sign} {more or word}", kind)


def strong(text: str) -> Span:
    return Span(text, "strong")


def small(text: str) -> Span:
    return Span(text, "small")


def some(ids: Iterable[str], most: int = 12) -> str:
    """The first few of a list, and how many more there are.

    Examples
    --------
    >>> some(["a", "b", "c"], 2), some(["a"])
    ('a, b and 1 more', 'a')
    """
    every = list(ids)
    shown = ", ".join(every[:most])
    return shown if len(every) <= most else f"{shown} and {len(every) - most} more"


def count(n: int, one: str, many: str = "") -> str:
    """A number with its noun.

    Examples
    --------
    >>> count(1, "tree"), count(2, "tree"), count(2, "is", "are")
    ('1 tree', '2 trees', '2 are')
    """
    return f"{n} {one if n == 1 else many or one + 's'}"


def listed(words: Iterable[str], last: str = "and") -> str:
    """Words as a sentence lists them.

    Examples
    --------
    >>> listed(["a"]), listed(["a", "b"]), listed(["a", "b", "c"])
    ('a', 'a and b', 'a, b and c')
    """
    every = list(words)
    if len(every) < 2:
        return "".join(every)
    return f"{', '.join(every[:-1])} {last} {every[-1]}"


def sentence(text: str) -> str:
    """Text that opens with a capital letter and ends with a full stop.

    Examples
    --------
    >>> sentence("who owns the land"), sentence("6 ft?")
    ('Who owns the land.', '6 ft?')
    """
    plain = clean(text)
    if not plain:
        return ""
    return plain[0].upper() + plain[1:] + ("" if plain[-1] in ".?!:" else ".")


def _kept_ends(text: str) -> str:
    """Cleaned text that keeps a blank at either end, since the next piece follows it."""
    plain = clean(text)
    if not plain:
        return ""
    lead = " " if text[:1].isspace() else ""
    return lead + plain + (" " if text[-1:].isspace() else "")


def _as_cell(one: str | Line | Cell) -> Cell:
    if isinstance(one, str):
        return cell(one)
    if one and isinstance(one[0], Span):
        return cell(one)
    return one  # type: ignore[return-value]
