"""What sections and elevations share on paper: hatches of steps, legends, scale bars, arrows."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geotrim.report.cut_marks import Mark
from geotrim.report.palette import BLUE, GREY, PURPLE, VERMILION
from geotrim.report.sheets.canopy_parts import Step, polygons
from geotrim.report.sheets.drawing import BLACK, WHITE, Pen
from geotrim.report.sheets.hatch import hatch
from geotrim.report.sheets.lettering import folded
from geotrim.report.sheets.upright import Upright
from geotrim.report.statement_parts import clean

#: Size of most words. [pt]
SMALL_PT, USUAL_PT = 6.5, 7.0
#: What stays, of all trees; lines of single crowns in it.
STAYS, CROWN_LINE = "#DFE6DB", "#6A6A6A"
#: Outline of what stands now.
NOW_DASH = (3.2, 1.8)
#: Substrate and stems.
EARTH, STEM = "#4A3B2A", "#4A3B2A"


@dataclass(frozen=True, slots=True)
class StepLook:
    """How what one step takes is drawn on a tint: a pattern that no hatch of the plan has.

    pattern : ``lines`` upright, ``pairs`` of them, ``dots``, ``plus`` signs or ``rings``.
    spacing_pt : between two lines, or two signs.
    """

    colour: str
    tint: str
    pattern: str
    spacing_pt: float


#: The plan view says by slanted lines that a top is lowered, by level ones that a band is cleared,
#: and by crossed ones what is set aside; so years have upright lines and signs.
LOOKS = (
    StepLook(VERMILION, "#FBEBE0", "lines", 2.6),
    StepLook(BLUE, "#E2EFF7", "dots", 3.2),
    StepLook(PURPLE, "#F6E8F1", "plus", 5.0),
    StepLook(GREY, "#F0F0F0", "rings", 5.0),
    StepLook(BLACK, "#F7F7F7", "pairs", 5.6),
)
#: Sign of a pattern, about its middle: lines through points. [pt]
_TURN = np.linspace(0.0, 2 * np.pi, 9)
SIGNS = {
    "dots": (np.array([(-0.01, 0.0), (0.01, 0.0)]),),
    "plus": (np.array([(-1.5, 0.0), (1.5, 0.0)]), np.array([(0.0, -1.5), (0.0, 1.5)])),
    "rings": (1.3 * np.column_stack([np.cos(_TURN), np.sin(_TURN)]),),
}
#: Weight of the lines of a pattern, of a dot whose ends are round, and a pair apart. [pt]
PATTERN_PT, DOT_PT, PAIR_PT = 0.45, 1.1, 1.4


def look_of(k: int) -> StepLook:
    """Look of the k-th step, 0 for the first."""
    return LOOKS[min(k, len(LOOKS) - 1)]


def pattern_of(shape: Any, look: StepLook) -> list[Any]:
    """Lines of a step's pattern in a shape on paper, on one grid for the whole paper. [pt]."""
    if look.pattern in ("lines", "pairs"):
        lines = hatch(shape, look.spacing_pt, 90.0)
        if look.pattern == "lines":
            return lines
        aside = shapely.transform(shape, lambda xy: xy - (PAIR_PT, 0.0))
        more = hatch(aside, look.spacing_pt, 90.0)
        return [*lines, *(np.add(line, (PAIR_PT, 0.0)) for line in more)]
    if shapely.is_empty(shape):
        return []
    x0, y0, x1, y1 = shapely.bounds(shape)
    step = look.spacing_pt
    rows = np.arange(math.ceil(y0 / step), math.floor(y1 / step) + 1)
    columns = np.arange(math.ceil(x0 / step) - 1, math.floor(x1 / step) + 1)
    x, y = (part.ravel() for part in np.meshgrid(columns, rows))
    at = np.column_stack([(x + 0.5 * (y % 2)) * step, y * step])
    at = at[shapely.contains_xy(shape, *at.T)] if len(at) else at
    return [place + sign for place in at for sign in SIGNS[look.pattern]]


def draw_pattern(pen: Pen, shape: Any, look: StepLook, name: str = "") -> None:
    """A step's pattern alone, over what is drawn already."""
    width = DOT_PT if look.pattern == "dots" else PATTERN_PT
    pen.lines(pattern_of(shape, look), stroke=look.colour, width_pt=width, name=name)


def draw_hatched(pen: Pen, rings: Sequence[Any], look: StepLook, name: str = "") -> None:
    """One area of a step's look, from its rings on paper."""
    pen.area(rings, stroke=None, fill=look.tint, name=name)
    draw_pattern(pen, paper_shape(rings), look)


def draw_over(pen: Pen, rings: Sequence[Any], look: StepLook, name: str) -> None:
    """One area of a step's look over what stands there, from its rings on paper."""
    draw_pattern(pen, paper_shape(rings), look, name)


def paper_shape(rings: Sequence[Any]) -> Any:
    """Rings on paper as a shape."""
    holes = [ring for ring in rings[1:] if len(ring) > 3]
    return shapely.make_valid(shapely.Polygon(rings[0], holes))


def draw_shape(pen: Pen, place: Callable[[Any], Sequence[Any]], shape: Any, **look: Any) -> None:
    """Every polygon of a shape, put on paper by ``place``."""
    for one in polygons(shape):
        pen.area(place(one), **look)


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a legend: ``draw`` fills a swatch whose upper left corner it is handed."""

    words: str
    draw: Callable[[Pen, float, float], None]


#: Size of a swatch, and the height of a line of the legend. [pt]
SWATCH_PT = (20.0, 8.0)
ROW_PT, FOLD_PT = 11.5, 7.8


def legend_height(entries: Sequence[Entry], width: float, n_columns: int) -> float:
    """Height a legend takes. [pt]."""
    return max(_column_heights(entries, width, n_columns), default=0.0)


def draw_legend(
    pen: Pen, entries: Sequence[Entry], x: float, y: float, width: float, n_columns: int
) -> None:
    """Entries in columns, read downward, from an upper left corner."""
    each = width / n_columns
    for column, mine in enumerate(_columns(entries, n_columns)):
        at = y
        for entry in mine:
            left = x + column * each
            entry.draw(pen, left, at + 0.5)
            lines = _lines(entry, each)
            for k, line in enumerate(lines):
                pen.text(left + SWATCH_PT[0] + 5, at + 7.0 + k * FOLD_PT, line, size_pt=SMALL_PT)
            at += ROW_PT + FOLD_PT * (len(lines) - 1)


def _columns(entries: Sequence[Entry], n_columns: int) -> list[Sequence[Entry]]:
    n = math.ceil(len(entries) / n_columns)
    return [entries[k * n : (k + 1) * n] for k in range(n_columns)] if n else []


def _column_heights(entries: Sequence[Entry], width: float, n_columns: int) -> list[float]:
    each = width / n_columns
    return [
        sum(ROW_PT + FOLD_PT * (len(_lines(entry, each)) - 1) for entry in mine)
        for mine in _columns(entries, n_columns)
    ]


def _lines(entry: Entry, each: float) -> list[str]:
    return folded(entry.words, SMALL_PT, each - SWATCH_PT[0] - 12)


def box_entry(words: str, **look: Any) -> Entry:
    """A legend entry of an area."""
    return Entry(words, lambda pen, x, y: pen.box(x, y, *SWATCH_PT, **look))


def signed(crown_id: str, signs: str) -> str:
    """A tree's number with its signs apart, so that they are not read as a part of it.

    Examples
    --------
    >>> signed("SB-10-x", "x"), signed("SB-11", "")
    ('SB-10-x (x)', 'SB-11')
    """
    return f"{clean(crown_id)} ({signs})" if signs else clean(crown_id)


def sign_drawer(sign: str) -> Callable[[Pen, float, float], None]:
    """A swatch of a sign in words."""

    def draw(pen: Pen, x: float, y: float) -> None:
        pen.text(x + SWATCH_PT[0] / 2, y + 6.5, f"({sign})", size_pt=USUAL_PT, anchor="middle")

    return draw


def line_entry(words: str, **look: Any) -> Entry:
    """A legend entry of a line."""

    def draw(pen: Pen, x: float, y: float) -> None:
        pen.line([(x, y + 4), (x + SWATCH_PT[0], y + 4)], **look)

    return Entry(words, draw)


def step_entry(words: str, look: StepLook) -> Entry:
    """A legend entry of what a step takes."""

    def draw(pen: Pen, x: float, y: float) -> None:
        w, h = SWATCH_PT
        ring = np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)])
        draw_hatched(pen, [ring], look)
        pen.area([ring], width_pt=0.5, dash_pt=NOW_DASH)

    return Entry(words, draw)


def step_entries(steps: Sequence[Step]) -> list[Entry]:
    """Legend entries of every step."""
    out = []
    for k, step in enumerate(steps):
        words = "taken off" if step.years == (0,) and len(steps) == 1 else f"taken in {step.name}"
        words = "taken, year not planned" if step.years == (0,) and len(steps) > 1 else words
        out.append(step_entry(f"{words} ({step.when})", look_of(k)))
    return out


def draw_scale_bar(pen: Pen, at: Upright, scale_ft: int, x: float, y: float) -> float:
    """A bar of one inch in four parts from its left end; returns its width with words. [pt]."""
    length = at.frame.length_pt(float(scale_ft))
    for k in range(4):
        fill = BLACK if k % 2 == 0 else WHITE
        pen.box(x + k * length / 4, y, length / 4, 3.4, width_pt=0.5, fill=fill)
    for share in (0.0, 0.5, 1.0):
        words = f"{share * scale_ft:g}" + (" ft" if share == 1.0 else "")
        pen.text(x + share * length, y + 10.0, words, size_pt=6.0, anchor="middle")
    return length


def draw_arrow(pen: Pen, x: float, y: float, way: int, size_pt: float = 4.5) -> None:
    """A filled arrow head that points right (1) or left (-1), its point at the place."""
    ring = [(x, y), (x - way * size_pt, y - size_pt / 3), (x - way * size_pt, y + size_pt / 3)]
    pen.area([ring], stroke=None, fill=BLACK)


def spread(wanted: Sequence[float], gap: float) -> list[float]:
    """Places as near as can be to those wanted, none nearer to another than a gap.

    Examples
    --------
    >>> spread([10.0, 10.0, 40.0], 8.0)
    [6.0, 14.0, 40.0]
    """
    order = sorted(range(len(wanted)), key=lambda k: wanted[k])
    groups: list[tuple[float, int]] = []  # middle and number of places pushed together
    for k in order:
        middle, n = wanted[k], 1
        while groups and groups[-1][0] + groups[-1][1] * gap / 2 > middle - n * gap / 2 + 1e-9:
            last, m = groups.pop()
            middle, n = (last * m + middle * n) / (m + n), m + n
        groups.append((middle, n))
    flat = [mid + (j - (n - 1) / 2) * gap for mid, n in groups for j in range(n)]
    out = [0.0] * len(order)
    for k, place in zip(order, flat, strict=True):
        out[k] = place
    return out


def cut_words(marks: Sequence[Mark]) -> str:
    """What is taken off a tree in the end, in the heights of the crew list, and in which years.

    Examples
    --------
    >>> cut_words([Mark(1, 208, None), Mark(2, 190, None)])
    'top to 15.84 ft, years 1 and 2'
    >>> cut_words([Mark(0, 72, 120)])
    '6.00 to 10.00 ft cleared'
    >>> cut_words([Mark(1, 72, 94), Mark(2, 94, 109)])
    '6.00 to 7.83 ft cleared, year 1, and 7.84 to 9.08 ft cleared, year 2'
    """
    done = [mark for mark in marks if not mark.is_nothing] or list(marks[:1])
    tops = [mark for mark in done if mark.high_in is None]
    told = []
    if tops:
        last = min(tops, key=lambda mark: mark.low_in)
        told.append(last.words + _years({mark.year for mark in tops}))
    bands = [mark for mark in done if mark.high_in is not None]
    return ", and ".join(told + [f"{mark.words} cleared{_years({mark.year})}" for mark in bands])


def _years(found: set[int]) -> str:
    years = tuple(sorted(found - {0}))
    if not years:
        return ""
    if years[-1] - years[0] == len(years) - 1:
        return f", {Step(years).name}"
    return f", years {', '.join(map(str, years))}"
