"""One cross-section on paper: substrate, water, trunks, canopy as it stands and as proposed."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geotrim.report.sheets.canopy_parts import (
    SideCrown,
    Step,
    areas,
    polygons,
    reached,
    silhouettes,
    standing,
    taken,
)
from geotrim.report.sheets.drawing import WHITE, Array, Drawing, Pen
from geotrim.report.sheets.hatch import hatch
from geotrim.report.sheets.labels import Label, place
from geotrim.report.sheets.lettering import folded, width_pt
from geotrim.report.sheets.section_read import Section, Water
from geotrim.report.sheets.side_marks import (
    CROWN_LINE,
    EARTH,
    NOW_DASH,
    SMALL_PT,
    STAYS,
    STEM,
    USUAL_PT,
    draw_arrow,
    draw_hatched,
    draw_over,
    draw_scale_bar,
    draw_shape,
    look_of,
    signed,
    spread,
)
from geotrim.report.sheets.upright import Scales, Upright, upright
from geotrim.report.statement_figures import figure
from geotrim.report.statement_parts import clean

#: Paper beside the plot for heights and words, at the left and at the right. [pt]
LEFT_PT, RIGHT_PT = 34.0, 84.0
#: Paper over the plot for names, and between canopy and its upper edge for numbers. [pt]
HEAD_PT, LINE_PT, SKY_PT = 14.0, 9.0, 26.0
#: Ground strip under the substrate, numbers of trunks, each dimension, scale at the foot. [pt]
EARTH_PT, NUMBERS_PT, DIMENSION_PT, FOOT_PT = 7.0, 22.0, 15.0, 34.0
#: The limit of the depth is drawn where the depth comes to this share of it. A drawing rule.
NEAR_FRAC = 0.8
#: A number wider than this is folded. [pt]
MOST_NUMBER_PT = 60.0
#: Least distance between two figures of a scale. [pt]
TICK_PT = 24.0
WATER_LOOK: dict[str, Any] = {"stroke": "#0072B2", "width_pt": 0.9, "dash_pt": (9.0, 2.0, 1.5, 2.0)}
MARK_LOOK: dict[str, Any] = {"width_pt": 0.7, "dash_pt": (7.0, 2.5)}
UNKNOWN_LOOK: dict[str, Any] = {"stroke": EARTH, "width_pt": 1.2, "dash_pt": (3.5, 2.5)}
UNKNOWN_WORDS = "substrate not known: drawn level at {}"
#: A stem is drawn this high, less in low trees; its dashes where the trunk is not known. [ft, pt]
STEM_FT, CENTRE_DASH = 4.0, (2.0, 1.5)
#: What a depth was measured between -> words.
BETWEEN = {
    "trunk": "trunk to trunk",
    "centre": "crown centre to crown centre",
    "trunk and centre": "trunks, or crown centres where not known",
    "edge": "canopy edge to canopy edge",
}
_STEPS_FT = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0)


@dataclass(frozen=True, slots=True)
class Look:
    """What a section needs beside its own measures.

    steps : of the plan. band_ft : the two marks above the substrate. limit_ft : of the depth.
    water : words of the water's level and of the line. lines : words under the name.
    """

    steps: tuple[Step, ...]
    band_ft: tuple[float, float]
    limit_ft: float
    water: Water
    lines: tuple[str, ...] = ()


def is_near(section: Section, limit_ft: float) -> bool:
    """Whether the limit of the depth is drawn too."""
    depth = float(section.row["fringe_depth_ft"])
    return math.isfinite(depth) and depth >= NEAR_FRAC * limit_ft


def ends_of(section: Section, limit_ft: float) -> tuple[float, float]:
    """Offsets that are drawn: the section, and the limit where it is drawn too. [ft]."""
    low, high = section.ends_ft
    if is_near(section, limit_ft):
        high = max(high, float(section.row["landward_trunk_ft"]) + limit_ft + 1.0)
    return low, high


def heights_of(section: Section, look: Look) -> tuple[float, float]:
    """Lowest and highest place that is drawn, above the MHW level. [ft]."""
    x0, x1 = ends_of(section, look.limit_ft)
    ground = section.ground.line(x0, x1)[:, 1]
    return min(0.0, float(ground.min())), max(section.top_ft, float(ground.max()) + look.band_ft[1])


def paper_height(section: Section, look: Look, scales: Scales) -> float:
    """Height of a section's drawing. [pt]."""
    low, high = heights_of(section, look)
    canopy = (high - low) * 72.0 / scales.up_ft
    return _head(look) + SKY_PT + canopy + _under(section, look, scales) + FOOT_PT


def other_height(section: Section, look: Look) -> float:
    """Most of what is not to scale in a section's drawing may take of its height. [pt]."""
    return _head(look) + SKY_PT + _under(section, look, None) + FOOT_PT


def _head(look: Look) -> float:
    return HEAD_PT + LINE_PT * len(look.lines)


def _under(section: Section, look: Look, scales: Scales | None) -> float:
    """Paper between the lowest place and the foot of the plot. [pt]."""
    n_lines = bool(_unknown(section, look)) + _has_own_line(section, look, scales)
    n_dimensions = 1 + is_near(section, look.limit_ft)
    return EARTH_PT + NUMBERS_PT + n_dimensions * DIMENSION_PT + n_lines * LINE_PT


def _unknown(section: Section, look: Look) -> list[tuple[float, float]]:
    return section.ground.unknown(*ends_of(section, look.limit_ft))


def _has_own_line(section: Section, look: Look, scales: Scales | None) -> bool:
    """Whether the depth's words find room neither in nor beside their dimension."""
    row = section.row
    low, high = float(row["landward_trunk_ft"]), float(row["waterward_trunk_ft"])
    if scales is None or not math.isfinite(low) or not math.isfinite(high):
        return scales is None
    x0, x1 = ends_of(section, look.limit_ft)
    widest = max(high - low, low - x0, x1 - high) * 72.0 / scales.along_ft
    return _words_pt(depth_words(section, look)) > widest


def _words_pt(words: str) -> float:
    return width_pt(words, USUAL_PT, is_bold=True) + 16.0


def depth_words(section: Section, look: Look) -> str:
    """The depth at a section and what it is measured between."""
    row = section.row
    depth = figure(float(row["fringe_depth_ft"]), "ft", look.limit_ft)
    return f"{depth}, {BETWEEN.get(row['reference'], '')}".rstrip(", ")


def name_of(section: Section) -> str:
    """Name and place of a section."""
    row = section.row
    return f"Section {clean(section.section_id)}: station {float(row['station_ft']):.1f} ft"


def draw_section(
    section: Section, look: Look, scales: Scales, width: float
) -> tuple[Drawing, list[str]]:
    """One section, and the numbers that found no room.

    Parameters
    ----------
    section : Section
    look : Look
    scales : Scales
        At which it fits the width.
    width : float
        Of the drawing. [pt]
    """
    pen, height = Pen(), paper_height(section, look, scales)
    x0, x1 = ends_of(section, look.limit_ft)
    _, high = heights_of(section, look)
    long = (x1 - x0) * 72.0 / scales.along_ft
    left = LEFT_PT + max(0.0, (width - LEFT_PT - RIGHT_PT - long) / 2)
    at = upright(x0, high, (left, _head(look) + SKY_PT), scales)
    sheet = _Sheet(pen, section, look, at, x0, x1, (left, left + long), height, scales)
    _heading(sheet, width)
    _earth(sheet)
    _canopy(sheet)
    _levels(sheet)
    _stems(sheet)
    _dimensions(sheet)
    _frame(sheet)
    left_out = _numbers(sheet)
    words = f"Cross-section {section.section_id} of the fringe, land left and water right"
    return pen.drawing(width, height, alt=words), left_out


@dataclass(frozen=True, slots=True, eq=False)
class _Sheet:
    """A section on its way to paper. ``sides_pt`` are the left and right edge of the plot."""

    pen: Pen
    of: Section
    look: Look
    at: Upright
    x0: float
    x1: float
    sides_pt: tuple[float, float]
    height: float
    scales: Scales

    @property
    def foot_pt(self) -> float:
        """Lower edge of the plot."""
        return self.height - FOOT_PT

    @property
    def top_pt(self) -> float:
        """Upper edge of the plot."""
        return _head(self.look)

    @property
    def first_dimension_pt(self) -> float:
        """Where the first dimension's line lies."""
        n_dimensions = 1 + is_near(self.of, self.look.limit_ft)
        own = LINE_PT * self.has_own_line
        return self.foot_pt - n_dimensions * DIMENSION_PT - own + 10.0

    @property
    def has_own_line(self) -> bool:
        """Whether the depth's words stand under their dimension."""
        return _has_own_line(self.of, self.look, self.scales)

    def over_ground(self, xh: Any) -> Array:
        """Points of places above the substrate. [ft] -> [pt]."""
        xh = np.asarray(xh, dtype=float)
        return self.at.points(np.column_stack([xh[:, 0], xh[:, 1] + self.of.ground.at(xh[:, 0])]))

    def rings(self, shape: Any) -> list[Array]:
        """Rings of a polygon above the substrate, their level sides bent with it. [pt]."""
        rings = [shape.exterior, *shape.interiors]
        if self.of.ground.runs:  # ring by ring: of a polygon the result is mended, thus changed
            rings = [shapely.segmentize(ring, 0.5) for ring in rings]
        return [self.over_ground(shapely.get_coordinates(ring)) for ring in rings]


def _heading(sheet: _Sheet, width: float) -> None:
    sheet.pen.text(0.0, 9.5, name_of(sheet.of), size_pt=9.0, is_bold=True)
    for k, line in enumerate(sheet.look.lines):
        sheet.pen.text(0.0, HEAD_PT + 6.5 + k * LINE_PT, line, size_pt=USUAL_PT)
    bar = 72.0
    x = width - bar - 12.0
    draw_scale_bar(sheet.pen, sheet.at, sheet.scales.along_ft, x, 2.0)


def _earth(sheet: _Sheet) -> None:
    """The substrate as a hatched strip; a dashed level line where it is not known."""
    pen, ground = sheet.pen, sheet.of.ground
    for run in ground.runs:
        inner = run[(run[:, 0] > sheet.x0) & (run[:, 0] < sheet.x1)]
        ends = np.clip(run[[0, -1], 0], sheet.x0, sheet.x1)
        x = np.r_[ends[0], inner[:, 0], ends[1]]
        line = sheet.at.points(np.column_stack([x, ground.at(x)]))
        strip = np.vstack([line, np.add(line[::-1], (0.0, EARTH_PT))])
        shape = shapely.make_valid(shapely.Polygon(strip))
        pen.lines(hatch(shape, 3.2, 45.0), stroke=EARTH, width_pt=0.4, name="substrate-hatch")
        pen.line(line, stroke=EARTH, width_pt=1.4, name="substrate")
    for low, high in ground.unknown(sheet.x0, sheet.x1):
        # a little under the level, so that both lines are seen
        line = np.add(sheet.at.points([(low, 0.0), (high, 0.0)]), (0.0, 1.6))
        pen.line(line, name="substrate-unknown", **UNKNOWN_LOOK)


def _canopy(sheet: _Sheet) -> None:
    """What stays, what each step takes, single crowns, and both outlines."""
    pen, steps = sheet.pen, sheet.look.steps
    whole = silhouettes(sheet.of.crowns, steps)
    draw_shape(pen, sheet.rings, whole[-1], stroke=None, fill=STAYS, name="proposed-fill")
    for k in range(len(steps)):
        for one in polygons(taken(whole[k], whole[k + 1])):
            draw_hatched(pen, sheet.rings(one), look_of(k), f"taken-{k}")
    thin: dict[str, Any] = {"stroke": CROWN_LINE, "width_pt": 0.35}
    for crown in sheet.of.crowns:
        kept = standing(crown, steps)[-1]
        draw_shape(pen, sheet.rings, kept, name=f"crown-{crown.crown_id}", **thin)
    for k, hidden in enumerate(hidden_cuts(sheet.of.crowns, steps, whole[-1])):
        for one in polygons(hidden):
            rings = sheet.rings(one)
            draw_over(pen, rings, look_of(k), f"behind-{k}")
            pen.area(rings, width_pt=0.5, dash_pt=NOW_DASH, name="behind-edge")
    if steps:
        draw_shape(pen, sheet.rings, whole[0], width_pt=0.7, dash_pt=NOW_DASH, name="existing")
    draw_shape(pen, sheet.rings, whole[-1], width_pt=1.0, name="proposed" if steps else "existing")


def hidden_cuts(crowns: Sequence[SideCrown], steps: Sequence[Step], stays: Any) -> list[Any]:
    """What each step takes where something stands in the end: another tree, or what is kept.

    Parameters
    ----------
    crowns, steps
    stays : shapely geometry
        What stands of all crowns in the end. [ft]
    """
    each = [reached(crown, steps) for crown in crowns if crown.cuts]
    every = [shapely.union_all([one[k] for one in each]) for k in range(len(steps))]
    return [areas(shapely.intersection(one, stays)) for one in every]


def _levels(sheet: _Sheet) -> None:
    """The MHW level and the marks above the substrate, with their words at the right."""
    pen, at = sheet.pen, sheet.at
    pen.line(at.points([(sheet.x0, 0.0), (sheet.x1, 0.0)]), name="mhw-level", **WATER_LOOK)
    line = sheet.of.ground.line(sheet.x0, sheet.x1)
    words: list[tuple[float, str, bool]] = []
    for mark in sheet.look.band_ft:
        pen.line(at.points(np.add(line, (0.0, mark))), name=f"mark-{mark:g}", **MARK_LOOK)
        words.append((at.y_pt(float(line[-1, 1]) + mark), f"{mark:g} ft mark", True))
    words += [(at.y_pt(0.0), text, k == 0) for k, text in enumerate(_water_words(sheet))]
    _right_words(sheet, words)
    x = at.x_pt(sheet.x1) - 9.0
    y = at.y_pt(0.0)
    pen.area([[(x, y), (x - 3.0, y - 5.0), (x + 3.0, y - 5.0)]], width_pt=0.6, fill=WHITE)


def _water_words(sheet: _Sheet) -> Iterator[str]:
    room = RIGHT_PT - 26.0
    yield from folded(clean(sheet.look.water.level), SMALL_PT, room)


def _right_words(sheet: _Sheet, words: Sequence[tuple[float, str, bool]]) -> None:
    """Words beside the right edge, pushed apart, each with a line to its level."""
    x = sheet.sides_pt[1]
    places = spread([y + 1e-3 * k for k, (y, _, _) in enumerate(words)], 8.2)
    for (y, text, has_line), place_y in zip(words, places, strict=True):
        if has_line:
            sheet.pen.line([(x, y), (x + 20.0, place_y), (x + 24.0, place_y)], width_pt=0.35)
        sheet.pen.text(x + 26.0, place_y + 2.3, text, size_pt=SMALL_PT)


def _stems(sheet: _Sheet) -> None:
    """A stem for every trunk, dashed where only the crown's centre is known."""
    crowns = {crown.crown_id: crown for crown in sheet.of.crowns}
    for one in sheet.of.trunks:
        pts = sheet.over_ground(
            [(one.offset_ft, 0.0), (one.offset_ft, _stem_ft(sheet, crowns, one.crown_id))]
        )
        dash = () if one.is_known else CENTRE_DASH
        name = f"stem-{one.crown_id}"
        sheet.pen.line(pts, stroke=STEM, width_pt=1.8, dash_pt=dash, name=name)
        draw_foot(sheet.pen, *pts[0], is_known=one.is_known)


def _stem_ft(sheet: _Sheet, crowns: Mapping[str, SideCrown], crown_id: str) -> float:
    """How high a stem is drawn: into what stays, through a cleared band. [ft]."""
    if crown_id not in crowns:
        return STEM_FT
    kept = polygons(standing(crowns[crown_id], sheet.look.steps)[-1])
    if not kept:
        return STEM_FT
    bounds = shapely.bounds(np.asarray(kept, dtype=object))
    return max(min(STEM_FT, 0.6 * float(bounds[:, 3].max())), float(bounds[:, 1].max()) + 0.5)


def draw_foot(pen: Pen, x: float, y: float, *, is_known: bool = True) -> None:
    """A dot at a trunk's foot; none where only the crown's centre is known."""
    if not is_known:
        return
    turn = np.linspace(0.0, 2 * np.pi, 13)[:-1]
    pen.area([np.column_stack([x + 1.9 * np.cos(turn), y + 1.9 * np.sin(turn)])],
             fill=WHITE, width_pt=0.8)  # fmt: skip


def _dimensions(sheet: _Sheet) -> None:
    """From trunk to trunk, and the limit under it where it is near."""
    row, look = sheet.of.row, sheet.look
    depth, low = float(row["fringe_depth_ft"]), float(row["landward_trunk_ft"])
    y = sheet.first_dimension_pt
    if not math.isfinite(depth) or not math.isfinite(low):
        middle = sum(sheet.sides_pt) / 2
        words = "no tree of the fringe here to measure a depth between"
        sheet.pen.text(middle, y + 2.0, words, size_pt=USUAL_PT, anchor="middle")
        return
    _dimension(
        sheet, low, float(row["waterward_trunk_ft"]), y, depth_words(sheet.of, look), "depth"
    )
    if is_near(sheet.of, look.limit_ft):
        words, end = f"limit of the depth: {look.limit_ft:g} ft", low + look.limit_ft
        y += DIMENSION_PT + LINE_PT * sheet.has_own_line
        _dimension(sheet, low, end, y, words, "limit", dash_pt=(2.0, 2.0))


def _dimension(
    sheet: _Sheet, low: float, high: float, y: float, words: str, name: str, **look: Any
) -> None:
    """A line with arrows between two offsets, and thin lines up to the substrate."""
    pen, ground = sheet.pen, sheet.of.ground
    a, b = sheet.at.x_pt(low), sheet.at.x_pt(high)
    for x, offset in ((a, low), (b, high)):
        foot = sheet.at.y_pt(float(ground.at(offset)[0])) + 3.0
        pen.line([(x, foot), (x, y + 2.5)], width_pt=0.35)
    pen.line([(a, y), (b, y)], width_pt=0.7, name=name, **look)
    room = _words_pt(words)
    if b - a >= 10.0:
        draw_arrow(pen, b, y, 1)
        draw_arrow(pen, a, y, -1)
    bold: dict[str, Any] = {"size_pt": USUAL_PT, "is_bold": True, "plate": WHITE}
    left, right = sheet.sides_pt
    if b - a >= room:
        pen.text((a + b) / 2, y + 2.5, words, anchor="middle", **bold)
    elif max(a - left, right - b) < room:
        middle = min(max((a + b) / 2, left + room / 2), right - room / 2)
        pen.text(middle, y + 11.0, words, anchor="middle", **bold)
    elif a - left > right - b:
        pen.text(a - 6.0, y + 2.5, words, anchor="end", **bold)
    else:
        pen.text(b + 6.0, y + 2.5, words, **bold)


def step_ft(per_ft_pt: float, least_pt: float = TICK_PT) -> float:
    """Round step of a scale whose figures stand well apart. [ft].

    Examples
    --------
    >>> step_ft(7.2), step_ft(1.2)
    (5.0, 20.0)
    """
    return next((s for s in _STEPS_FT if s * per_ft_pt >= least_pt), 500.0)


def _frame(sheet: _Sheet) -> None:
    """Edges of the plot, heights at both sides, offsets along the foot, which way is which."""
    pen, (left, right) = sheet.pen, sheet.sides_pt
    top, foot = sheet.top_pt + 4.0, sheet.foot_pt
    pen.line([(left, top), (left, foot), (right, foot), (right, top)], width_pt=0.7)
    _heights(sheet, top)
    per_ft = 72.0 / sheet.scales.along_ft
    step = step_ft(per_ft)
    for x_ft in np.arange(math.ceil(sheet.x0 / step), math.floor(sheet.x1 / step) + 1) * step:
        x = sheet.at.x_pt(float(x_ft))
        pen.line([(x, foot), (x, foot + 4.0)], width_pt=0.6, name="offset-tick")
        pen.text(x, foot + 10.5, _signed(x_ft), size_pt=SMALL_PT, anchor="middle")
    water = sheet.look.water
    words = f"offset from the {water.line}, ft (landward \N{MINUS SIGN}, waterward +)"
    words += f"; {clean(water.origin)}, at 0" if water.origin else ""
    room = right - left + 2 * min(LEFT_PT, RIGHT_PT)
    for k, line in enumerate(folded(words, SMALL_PT, room)[:2]):
        y = foot + 19.5 + 7.8 * k
        pen.text((left + right) / 2, y, line, size_pt=SMALL_PT, anchor="middle")
    big: dict[str, Any] = {"size_pt": 8.0, "is_bold": True, "plate": WHITE}
    pen.text(left + 15.0, top + 7.0, "LAND", **big)
    draw_arrow(pen, left + 5.0, top + 4.2, -1, 7.0)
    pen.text(right - 15.0, top + 7.0, "WATER", anchor="end", **big)
    draw_arrow(pen, right - 5.0, top + 4.2, 1, 7.0)


def _heights(sheet: _Sheet, top: float) -> None:
    """Feet above the water's level at both sides."""
    pen, (left, right) = sheet.pen, sheet.sides_pt
    step = step_ft(72.0 / sheet.scales.up_ft, 12.0)
    low, high = heights_of(sheet.of, sheet.look)
    for z in np.arange(math.ceil(low / step), math.floor((high + 1.0) / step) + 1) * step:
        y = sheet.at.y_pt(float(z))
        if y < top + 2.0 or y > sheet.foot_pt:
            continue
        pen.line([(left - 4.0, y), (left, y)], width_pt=0.6, name="height-tick")
        pen.line([(right - 4.0, y), (right, y)], width_pt=0.6)
        pen.text(left - 6.0, y + 2.2, _signed(z), size_pt=6.0, anchor="end")
    y = (top + sheet.foot_pt) / 2
    words = f"ft above {sheet.look.water.above}"
    pen.text(left - 26.0, y, words, size_pt=SMALL_PT, anchor="middle", turn_deg=90.0)


def _signed(value: float) -> str:
    return f"{value:g}".replace("-", "\N{MINUS SIGN}")


def unknown_words(look: Look) -> str:
    """What is told where the substrate is not known."""
    return UNKNOWN_WORDS.format(look.water.short)


def _numbers(sheet: _Sheet) -> list[str]:
    """Numbers over the crowns and under the trunks, none on another or on other words.

    Those without room come back.
    """
    left, right = sheet.sides_pt
    room = shapely.box(left + 1, sheet.top_pt + 5.0, right - 1, sheet.foot_pt - 1.0)
    ends = shapely.box(left, sheet.top_pt, left + 46, sheet.top_pt + 14)
    other = shapely.box(right - 56, sheet.top_pt, right, sheet.top_pt + 14)
    above = 6.0 + LINE_PT * bool(_unknown(sheet.of, sheet.look))
    row = shapely.box(left, sheet.first_dimension_pt - above, right, sheet.foot_pt)
    found = place(_crown_labels(sheet), [ends, other, row], room)
    # trunks' numbers stay under the substrate
    line = sheet.at.points(sheet.of.ground.line(sheet.x0, sheet.x1))
    over = np.vstack([np.add(line, (0.0, EARTH_PT - 1.0)), (right, 0.0), (left, 0.0)])
    under = place(_trunk_labels(sheet), [shapely.make_valid(shapely.Polygon(over)), row], room)
    for one in (*found.placed, *under.placed):
        sheet.pen.items += one.items()
    for low, high in sorted(_unknown(sheet.of, sheet.look), key=lambda e: e[0] - e[1])[:1]:
        words = unknown_words(sheet.look)
        half = width_pt(words, SMALL_PT) / 2 + 3.0
        x = min(max(sheet.at.x_pt((low + high) / 2), left + half), right - half)
        y = sheet.first_dimension_pt - 12.0
        look: dict[str, Any] = {"size_pt": SMALL_PT, "is_italic": True, "anchor": "middle"}
        sheet.pen.text(x, y, words, plate=WHITE, **look)
    crowns = [one.key.removeprefix("number-") for one in found.left]
    trunks = [one.key.removeprefix("trunk-") for one in under.left]
    return list(dict.fromkeys(crowns + trunks))


def _crown_labels(sheet: _Sheet) -> list[Label]:
    """A number over the highest place of every crown as it stands."""
    out = []
    for crown in sheet.of.crowns:
        pts = sheet.over_ground(shapely.get_coordinates(crown.whole))
        peak = pts[pts[:, 1] <= pts[:, 1].min() + 0.3].mean(axis=0)
        number = signed(crown.crown_id, crown.sign)
        words = "\n".join(folded(number, SMALL_PT, MOST_NUMBER_PT))
        lift = Label(words, peak, size_pt=SMALL_PT).extent_pt[1] / 2 + 1.5
        spots = [(peak[0] + dx, peak[1] - lift, 0.0) for dx in (0.0, -6.0, 6.0)]
        out.append(
            Label(
                words, peak, spots, size_pt=SMALL_PT, is_bold=bool(crown.cuts), reach_pt=48.0,
                key=f"number-{crown.crown_id}",
            )
        )  # fmt: skip
    return out


def _trunk_labels(sheet: _Sheet) -> list[Label]:
    """A number under the foot of every trunk."""
    out = []
    for one in sheet.of.trunks:
        crown = one.crown_id
        foot = np.add(sheet.over_ground([(one.offset_ft, 0.0)])[0], (0.0, EARTH_PT))
        spots = [(foot[0] + dx, foot[1] + 4.5, 0.0) for dx in (0.0, -4.0, 4.0, -8.0, 8.0)]
        words = "\n".join(folded(clean(crown), 6.0, MOST_NUMBER_PT))
        label = Label(
            words, foot, spots, size_pt=6.0, is_italic=True, reach_pt=36.0, key=f"trunk-{crown}"
        )
        out.append(label)
    return out
