"""Words made to fit the room they have on paper: the title block, and words without a blank."""

from __future__ import annotations

from typing import Any

from geotrim.report.sheets import sheet as sheets
from geotrim.report.sheets.lettering import folded, width_pt
from geotrim.report.sheets.sheet import TitleBlock

#: A place where a word may be broken, without a sign.
BREAK = "\u200b"
#: Letters of a word that is broken where the width of its column is not known beforehand.
LONGEST = 28
#: Sizes words of the title block are tried in, largest first, and that of its headings. [pt]
SIZES_PT = (7.0, 6.5, 6.0, 5.5)
HEADING_PT = 5.5
#: Sizes a sheet's title is tried in, and that of its note. [pt]
HEAD_SIZES_PT, NOTE_PT = (12.0, 10.0, 8.5), 8.5
#: What stands behind the title of a sheet that goes on.
MORE = " (continued)"
#: From one baseline to the next, in sizes.
LINE = 1.24
#: Words that stand for what there was no room for.
CUT = " ..."
#: Least and greatest width of a cell, in letters.
LEAST, MOST = 20.0, 44.0


def breakable(text: str, size_pt: float, room_pt: float | None, *, is_bold: bool = False) -> str:
    """Words with places to break those that are wider than their room.

    Parameters
    ----------
    room_pt : float or None
        Width of the room; None where it is not known. Words are then broken by their letters.

    Examples
    --------
    >>> breakable("red mangrove", 10.0, 30.0).replace(BREAK, "|"), breakable("red", 10.0, 30.0)
    ('red mang|rove', 'red')
    """
    longest = len(text)
    if longest < 4 or (room_pt is None and longest <= LONGEST):
        return text
    return "\n".join(
        " ".join(_broken(word, size_pt, room_pt, is_bold) for word in line.split(" "))
        for line in text.split("\n")
    )


def _broken(word: str, size_pt: float, room_pt: float | None, is_bold: bool) -> str:
    if room_pt is None:
        return BREAK.join(word[k : k + LONGEST] for k in range(0, len(word), LONGEST))
    if width_pt(word, size_pt, is_bold=is_bold) <= room_pt:
        return word
    return BREAK.join(folded(word, size_pt, room_pt, is_bold=is_bold))


def foot_cells(block: TitleBlock) -> dict[str, Any]:
    """The title block as the template reads it: widths of cells, sizes and lines of words."""
    room = sheets.LONG_PT - 2 * sheets.MARGIN_PT - sheets.NUMBER_PT
    height = sheets.BLOCK_PT - sheets.CAUTION_PT - 2 * 3.0 - HEADING_PT * LINE
    weights = {name: _weight(name, value) for name, value in block.cells.items()}
    whole = sum(weights.values())
    cells = []
    for name, value in block.cells.items():
        width = room * weights[name] / whole
        size, lines = fitted(value, width - 2 * sheets.FOOT_CELL_PT, height)
        cells.append({"name": name, "width": width, "size": size, "value": "\n".join(lines)})
    size, lines = fitted(block.caution, room - 2 * sheets.FOOT_CELL_PT, sheets.CAUTION_PT - 1.0)
    return {"cells": cells, "caution": "\n".join(lines), "caution_size": size}


def head_line(title: str, note: str) -> dict[str, Any]:
    """A title on one line beside its note: smaller, and cut in the end, where it is long.

    The bookmark and the index have the whole title.

    Examples
    --------
    >>> head_line("Plan view", "1 in = 20 ft")
    {'title': 'Plan view', 'size': 12.0, 'note': '1 in = 20 ft'}
    """
    room = sheets.BODY_WIDTH_PT - width_pt(note, NOTE_PT) - sheets.GAP_PT
    for size in HEAD_SIZES_PT:
        own = room - width_pt(MORE, size, is_bold=True)
        if width_pt(title, size, is_bold=True) <= own:
            return {"title": title, "size": size, "note": note}
    while title and width_pt(title + CUT, size, is_bold=True) > own:
        title = title[:-1]
    return {"title": title.rstrip() + CUT, "size": size, "note": note}


def fitted(words: str, width_pt: float, height_pt: float) -> tuple[float, list[str]]:
    """The largest size in which words fit a room, and their lines; the last one is cut if need be.

    Examples
    --------
    >>> fitted("red mangrove", 60.0, 10.0)
    (7.0, ['red mangrove'])
    >>> fitted("red mangrove " * 9, 60.0, 15.0)
    (5.5, ['red mangrove red', 'mangrove red ...'])
    """
    for size in SIZES_PT:
        lines = [part for line in words.split("\n") for part in folded(line, size, width_pt)]
        if len(lines) * size * LINE <= height_pt:
            return size, lines
    n = max(1, int(height_pt // (size * LINE)))
    return size, [*lines[: n - 1], _ended(lines[n - 1], size, width_pt)]


def _ended(line: str, size: float, room: float) -> str:
    """A line with the sign that more was to come."""
    while line and width_pt(line + CUT, size) > room:
        line = line[:-1]
    return line.rstrip() + CUT


def _weight(name: str, value: str) -> float:
    """Width of a cell beside the others, by what stands in it; long words go into two lines."""
    longest = max(len(line) for line in value.split("\n"))
    return min(max(longest, len(name), LEAST), MOST)
