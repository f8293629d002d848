"""What a sheet is: a title and blocks under each other, drawings, tables and words.

Words may hold ``**bold**`` and nothing else of a markup; everything else is printed as it stands.
Words of a user's, which may hold anything, are given as runs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from geotrim.report.sheets.drawing import Drawing

#: Letter paper, upright or on its side; every sheet of a set lies on its side. [pt]
LONG_PT, SHORT_PT = 792.0, 612.0
#: From the edge of the paper to the frame, and from the frame to what is in it. [pt]
MARGIN_PT, PAD_PT = 28.8, 8.0
#: Height of the title block at the foot, and of the line with the title at the head. [pt]
BLOCK_PT, HEAD_PT = 62.0, 22.0
#: Room for the blocks of one sheet. A drawing that is larger is an error. [pt]
BODY_WIDTH_PT = LONG_PT - 2 * MARGIN_PT - 2 * PAD_PT
BODY_HEIGHT_PT = SHORT_PT - 2 * MARGIN_PT - BLOCK_PT - HEAD_PT - 2 * PAD_PT
#: Between the two sides of blocks beside each other. [pt]
GAP_PT = 14.0
#: Of the cell at the right of the title block that holds the sheet's number, and of the line with
#: the caution under the others. [pt]
NUMBER_PT, CAUTION_PT = 86.0, 14.0
#: Left and right of the words in a cell of a table, and of one of the title block. [pt]
CELL_PT, FOOT_CELL_PT = 3.5, 4.0


@dataclass(frozen=True, slots=True)
class Run:
    """Words of one look; nothing in them is a mark."""

    text: str
    is_bold: bool = False
    is_small: bool = False


#: Words of a paragraph or of a cell of a table; a line feed begins a new line.
Cell = str | tuple[Run, ...]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    share : of the table's width, beside the shares of the other columns; 0 is as wide as its words.
    align : ``left``, ``right`` or ``center``.
    """

    heading: str
    share: float = 1.0
    align: str = "left"


@dataclass(frozen=True, slots=True)
class Table:
    """A table that runs over as many sheets as it needs, its heading repeated on each.

    rows : cells as words.
    is_striped : whether every other row is tinted, so that wide rows are read across.
    heading : words over it, kept on the sheet of its first rows.
    """

    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    size_pt: float = 7.5
    is_striped: bool = True
    heading: str = ""


@dataclass(frozen=True, slots=True)
class Words:
    """Paragraphs under an optional heading.

    is_list : whether each paragraph has a bullet.
    n_columns : columns side by side.
    """

    paragraphs: tuple[Cell, ...]
    heading: str = ""
    size_pt: float = 8.5
    is_list: bool = False
    n_columns: int = 1


@dataclass(frozen=True, slots=True)
class Index:
    """The titles of all sheets of the set with their numbers."""

    heading: str = "Sheets"
    size_pt: float = 8.0


@dataclass(frozen=True, slots=True)
class Beside:
    """Blocks on the left and on the right, their words set smaller where they would run over.

    left_pt : width of the left side; the right one has what is left less a gap.
    """

    left: tuple[Drawing | Table | Words | Index, ...]
    right: tuple[Drawing | Table | Words | Index, ...]
    left_pt: float = BODY_WIDTH_PT / 2


#: What a sheet is made of.
Block = Drawing | Table | Words | Index | Beside


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet, or as many as its table and words run over.

    title : also the bookmark. note : short words at the right of the title, such as a scale.
    is_run_on : whether it begins below the sheet before it, on the same paper.
    """

    title: str
    blocks: tuple[Block, ...]
    note: str = ""
    is_run_on: bool = False


@dataclass(frozen=True, slots=True)
class TitleBlock:
    """What stands at the foot of every sheet.

    cells : heading -> words, in the order they stand; a cell without words keeps its room, for
        a hand to fill in.
    caution : one sentence over the whole width.
    """

    project: str
    cells: Mapping[str, str] = field(default_factory=dict)
    caution: str = ""


@dataclass(frozen=True, slots=True)
class SheetSet:
    """A set of sheets with what is told of the file itself.

    date : ISO text of the day it was made; it goes into the file's metadata.
    """

    title: str
    author: str
    subject: str
    keywords: tuple[str, ...]
    block: TitleBlock
    sheets: Sequence[Sheet]
    date: str = ""
