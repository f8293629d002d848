"""What sections and elevations share on paper: hatches of steps, legends, scale bars, arrows."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geotrim.report.cut_heights import band_words, top_to
from geotrim.report.palette import BLUE, GREY, PURPLE, VERMILION
from geotrim.report.sheets.canopy_parts import SideCrown, Step, polygons
from geotrim.report.sheets.drawing import BLACK, WHITE, Pen
from geotrim.report.sheets.hatch import hatch
from geotrim.report.sheets.lettering import folded, width_pt
from geotrim.report.sheets.upright import Upright

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
    """How what one step takes is drawn: hatch lines (spacing in pt, angles) on a tint."""

    colour: str
    tint: str
    spacing_pt: float
    angles_deg: tuple[float, ...]


LOOKS = (
    StepLook(VERMILION, "#FBEBE0", 3.0, (45.0,)),
    StepLook(BLUE, "#E2EFF7", 3.0, (135.0,)),
    StepLook(PURPLE, "#F6E8F1", 3.6, (0.0, 90.0)),
    StepLook(GREY, "#F0F0F0", 3.6, (45.0, 135.0)),
    StepLook(BLACK, "#F7F7F7", 2.6, (0.0,)),
)


def look_of(k: int) -> StepLook:
    """Look of the k-th step, 0 for the first."""
    return LOOKS[min(k, len(LOOKS) - 1)]


def draw_hatched(pen: Pen, rings: Sequence[Any], look: StepLook, name: str = "") -> None:
    """One area of a step's look, from its rings on paper."""
    pen.area(rings, stroke=None, fill=look.tint, name=name)
    shape = shapely.Polygon(rings[0], [ring for ring in rings[1:] if len(ring) > 3])
    for angle in look.angles_deg:
        lines = hatch(shapely.make_valid(shape), look.spacing_pt, angle)
        pen.lines(lines, stroke=look.colour, width_pt=0.45)


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


def cut_words(crown: SideCrown) -> str:
    """What is taken off a crown in the end, by heights above the substrate, and in which years.

    Heights are rounded so that no more is taken than was reckoned.

    Examples
    --------
    >>> from geotrim.report.window_facts import Cut
    >>> two = Cut("7", 1, 17.3, math.inf), Cut("7", 2, 15.78, 17.3)
    >>> cut_words(SideCrown("7", shapely.Point(), 0.0, two))
    'top to 15.8 ft, years 1 and 2'
    >>> cut_words(SideCrown("7", shapely.Point(), 0.0, (Cut("7", 0, 6.0, 10.0),)))
    '6.0 to 10.0 ft cleared'
    """
    top, bands = math.inf, list[tuple[float, float]]()
    for cut in crown.cuts:
        if cut.high_ft >= top - 1e-9:
            top = min(top, cut.low_ft)
        elif bands and abs(bands[-1][1] - cut.low_ft) < 1e-9:
            bands[-1] = bands[-1][0], cut.high_ft
        elif bands and abs(bands[-1][0] - cut.high_ft) < 1e-9:
            bands[-1] = cut.low_ft, bands[-1][1]
        else:
            bands.append((cut.low_ft, cut.high_ft))
    told = [f"top to {top_to(top):.1f} ft"] if math.isfinite(top) else []
    told += [f"{band_words(*band)} cleared" for band in bands]
    years = tuple(sorted({cut.year for cut in crown.cuts if cut.year}))
    when = f", {Step(years).name}" if years and years[-1] - years[0] == len(years) - 1 else ""
    when = when or (f", years {', '.join(map(str, years))}" if years else "")
    return " and ".join(told) + when


def fits(words: str, size_pt: float, room_pt: float) -> bool:
    """Whether words find room on one line."""
    return width_pt(words, size_pt) <= room_pt
