"""North arrow, scale bar and legend of a drawing to scale."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from geotrim.report.sheets.drawing import BLACK, WHITE, Pen
from geotrim.report.sheets.lettering import folded, width_pt
from geotrim.report.sheets.plan_looks import dot

#: Sizes of the legend's words, the first that fits is taken. [pt]
SIZES_PT = (7.0, 6.5, 6.0, 5.5)
#: Width of a swatch and of the gap beside it. [pt]
SWATCH_PT, GAP_PT = 24.0, 6.0
#: Lengths a scale bar may stand for. [ft]
BARS_FT = (10, 20, 30, 40, 50, 60, 100, 150, 200, 300, 400, 500, 600, 1000, 2000, 3000, 5000, 10000)


@dataclass(frozen=True, slots=True)
class Entry:
    """A line of the legend.

    swatch : draws into the box (x, y, width, height) it is given; without one the words take all
    of the width. rank : lower ones stand higher.
    """

    words: str
    swatch: Callable[[Pen, float, float, float, float], None] | None = None
    rank: int = 5


def draw_legend(
    pen: Pen, entries: Sequence[Entry], box: tuple[float, float, float, float], n_columns: int = 1
) -> list[Entry]:
    """Draw a legend into a box of left, top, width and height; entries without room come back."""
    left, top, width, height = box
    wide = (width - (n_columns - 1) * 12.0) / n_columns
    for size in SIZES_PT:
        columns, rest = _columns(entries, wide, height, size, n_columns)
        if not rest:
            break
    for k, column in enumerate(columns):
        y = top
        for entry, lines in column:
            _draw_entry(pen, entry, lines, left + k * (wide + 12.0), y, size)
            y += _height(lines, size)
    return rest


_Column = list[tuple[Entry, list[str]]]


def _columns(
    entries: Sequence[Entry], wide: float, height: float, size: float, n_columns: int
) -> tuple[list[_Column], list[Entry]]:
    """Entries into columns, filled one after the other."""
    columns: list[_Column] = [[] for _ in range(n_columns)]
    k, used = 0, 0.0
    for place, entry in enumerate(entries):
        lines = folded(entry.words, size, wide - _inset(entry))
        high = _height(lines, size)
        if used + high > height + 0.1:
            k, used = k + 1, 0.0
        if k == n_columns:
            return columns, list(entries[place:])
        columns[k].append((entry, lines))
        used += high
    return columns, []


def _inset(entry: Entry) -> float:
    return 0.0 if entry.swatch is None else SWATCH_PT + GAP_PT


def _height(lines: list[str], size: float) -> float:
    return len(lines) * 1.2 * size + 0.55 * size


def _draw_entry(
    pen: Pen, entry: Entry, lines: list[str], left: float, top: float, size: float
) -> None:
    if entry.swatch is not None:
        entry.swatch(pen, left, top, SWATCH_PT, 1.2 * size)
    for k, words in enumerate(lines):
        y = top + (0.95 + 1.2 * k) * size
        pen.text(left + _inset(entry), y, words, size_pt=size, name="legend")


def draw_north(pen: Pen, x: float, y: float, north_deg: float, size_pt: float = 17.0) -> None:
    """An arrow to grid north in a circle around (x, y), as the frame was turned."""
    turn = math.radians(north_deg)
    up = np.array([-math.sin(turn), -math.cos(turn)])
    side = np.array([-up[1], up[0]])
    tip, foot = np.array([x, y]) + up * size_pt, np.array([x, y]) - up * size_pt
    dot(pen, x, y, size_pt * 0.62, width_pt=0.5, fill=WHITE, name="north-circle")
    pen.line([foot, tip], width_pt=0.9, name="north-arrow")
    head = tip - up * size_pt * 0.62
    pen.area(
        [[tip, head + side * size_pt * 0.2, head]], fill=BLACK, width_pt=0.5, name="north-head"
    )
    pen.area(
        [[tip, head - side * size_pt * 0.2, head]], fill=WHITE, width_pt=0.5, name="north-head"
    )
    at = tip + up * 6.5
    pen.text(at[0], at[1] + 2.6, "N", size_pt=7.5, anchor="middle", is_bold=True, name="north")


def draw_bar(pen: Pen, x: float, y: float, scale_ft: float, room_pt: float) -> float:
    """A scale bar with its figures over it, its left end at x; its length comes back. [pt]."""
    per_foot = 72.0 / scale_ft
    unit = " ft"
    room = room_pt - width_pt(f"000{unit}", 6.5)
    length = max([ft for ft in BARS_FT if ft * per_foot <= room], default=BARS_FT[0])
    step, high = length * per_foot / 4, 3.6
    for k in range(4):
        fill = BLACK if k % 2 == 0 else WHITE
        pen.box(x + k * step, y, step, high, fill=fill, width_pt=0.5, name=f"scale-bar-{length}")
    for k in (0, 2, 4):
        words = f"{k * length / 4:g}" + (unit if k == 4 else "")
        at = x + k * step
        back = width_pt(f"{k * length / 4:g}", 6.5) / 2
        pen.text(at - back, y - 2.6, words, size_pt=6.5, name="scale-figure")
    return length * per_foot
