"""The cross-section sheets of a plan set: true to scale, two sections a sheet where they fit."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from geotrim.io.package_read import Package
from geotrim.report.cut_marks import marks_of
from geotrim.report.sheets.canopy_kept import rests_of
from geotrim.report.sheets.canopy_parts import MOST_STEPS, SideCrown, Step, steps_of
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.drawing import Drawing, Path, Pen, Text
from geotrim.report.sheets.lettering import folded, width_pt
from geotrim.report.sheets.section_drawing import (
    CENTRE_DASH,
    LEFT_PT,
    MARK_LOOK,
    RIGHT_PT,
    UNKNOWN_LOOK,
    WATER_LOOK,
    Look,
    draw_foot,
    draw_section,
    ends_of,
    heights_of,
    other_height,
    paper_height,
    unknown_words,
)
from geotrim.report.sheets.section_read import Section, sections_of, water_of
from geotrim.report.sheets.sheet import BODY_HEIGHT_PT, BODY_WIDTH_PT, Sheet
from geotrim.report.sheets.side_marks import (
    CROWN_LINE,
    EARTH,
    NOW_DASH,
    STAYS,
    STEM,
    USUAL_PT,
    Entry,
    box_entry,
    cut_words,
    draw_legend,
    legend_height,
    line_entry,
    sign_drawer,
    step_entries,
)
from geotrim.report.sheets.true_scale import SCALES_FT
from geotrim.report.sheets.upright import READABLE_FT, Scales, scales_that_fit
from geotrim.report.statement_figures import figure
from geotrim.report.statement_parts import clean
from geotrim.report.window_facts import Plan, plan_of, text_of

#: Columns of the legend, of the list of trees; height of a line of the list. [pt]
N_LEGEND, N_LIST, LIST_PT = 4, 3, 8.6
#: Lines of the list of trees that a scale leaves room for, its heading among them.
LEAST_ROWS = 4
#: Free paper between two blocks of a sheet. [pt]
GAP_PT = 4.0
#: Between two sections side by side. [pt]
BESIDE_PT = 16.0
BASIS = (
    "It is cut within the zone only: what of a crown stands outside it is drawn as it stays. "
    "Patterned on white nothing stands there in the end; patterned on grey it is cut too, but "
    "another tree of the strip, or a part outside the zone, still stands there. Heights of trees "
    "and both marks are above the substrate under each tree, not above the water."
)
BASIS_PT = 6.3
#: What is told of a tree that is drawn by its trunk alone.
NO_CANOPY = "trunk alone, no canopy in the strip"


def section_sheets(package: Package, lot_id: str, choices: Choices) -> list[Sheet]:
    """Cross-sections of one lot with its substrate, trunks, canopy now and as proposed.

    Parameters
    ----------
    package : Package
    lot_id : str
    choices : Choices
        Its scale is the plan view's; a section has its own, the largest engineer's scale that fits.

    Returns
    -------
    list of Sheet
        Empty where the package holds no section of the lot.
    """
    plan = plan_of(package.results, lot_id)
    steps = tuple(steps_of(plan, MOST_STEPS))
    sections = sections_of(package, lot_id, plan)
    told = [(one, _look(package, one, steps)) for one in sections]
    entries = _entries(sections, steps, told[0][1] if told else None)
    scales = _scales(told, entries)
    trees = _tree_lines(package, lot_id, plan)
    groups = _paged(told, scales, entries, trees)
    return [_sheet(lot_id, group, scales, entries, trees) for group in groups]


Told = tuple[Section, Look]


@dataclass(frozen=True, slots=True)
class _Group:
    """Sections that share a sheet, under each other or side by side."""

    told: tuple[Told, ...]
    is_beside: bool = False

    @property
    def width_pt(self) -> float:
        """Of each section's drawing."""
        return (BODY_WIDTH_PT - BESIDE_PT) / 2 if self.is_beside else BODY_WIDTH_PT


def _look(package: Package, section: Section, steps: tuple[Step, ...]) -> Look:
    low, high = package.parameter("slices", "band_ft", (6.0, 10.0))
    limit = float(package.parameter("fringe", "fringe_limit_ft", 50.0))
    half = float(section.row["half_width_ft"])
    why = clean(text_of(section.row.get("why"))) or "chosen by hand"
    words = f"Why here: {why.rstrip('.')}. Trees within {half:g} ft on either side are drawn."
    look = Look(steps, (float(low), float(high)), limit, water_of(package, section), (words,))
    return _folded(look, BODY_WIDTH_PT)


def _folded(look: Look, width: float) -> Look:
    """A look with its words in lines that fit a drawing's width."""
    return replace(look, lines=tuple(folded(" ".join(look.lines), USUAL_PT, width - 10.0)))


def _scales(told: Sequence[Told], entries: Sequence[Entry]) -> Scales:
    """One scale for all sections of a lot, so that they can be compared by eye."""
    if not told:
        return Scales(10, 10)
    room = BODY_WIDTH_PT - LEFT_PT - RIGHT_PT
    free = BODY_HEIGHT_PT - _legend_pt(entries) - GAP_PT - LEAST_ROWS * LIST_PT
    widest = max(x1 - x0 for x0, x1 in (ends_of(one, look.limit_ft) for one, look in told))
    for scale in (s for s in SCALES_FT if s <= READABLE_FT and widest * 72.0 <= room * s):
        scales = Scales(scale, scale)
        if all(paper_height(*one, scales) <= free for one in told):
            return scales
    tallest = max(high - low for low, high in (heights_of(*one) for one in told))
    other = max(other_height(*one) for one in told)
    return scales_that_fit(widest, tallest, room, free - other)


def _paged(
    told: Sequence[Told], scales: Scales, entries: Sequence[Entry], trees: Mapping[str, str]
) -> Iterator[_Group]:
    """Sections in the groups that share a sheet: two where both fit with their trees."""
    k = 0
    while k < len(told):
        pair = told[k : k + 2]
        group = _pair(pair, scales, entries, trees) if len(pair) == 2 else None
        group = group or _Group((told[k],))
        yield group
        k += len(group.told)


def _pair(
    pair: Sequence[Told], scales: Scales, entries: Sequence[Entry], trees: Mapping[str, str]
) -> _Group | None:
    """Two sections on one sheet: under each other, else side by side; None without room."""
    room = BODY_HEIGHT_PT - _legend_pt(entries)
    if sum(_whole_pt(one, scales, trees, BODY_WIDTH_PT) for one in pair) <= room:
        return _Group(tuple(pair))
    beside = _Group(tuple(pair), is_beside=True)
    narrow = tuple((one, _folded(look, beside.width_pt)) for one, look in pair)
    ends = [ends_of(one, look.limit_ft) for one, look in narrow]
    wide = max(x1 - x0 for x0, x1 in ends) * 72.0 / scales.along_ft + LEFT_PT + RIGHT_PT
    high = max(_whole_pt(one, scales, trees, beside.width_pt) for one in narrow)
    fits = wide <= beside.width_pt and high <= room
    return replace(beside, told=narrow) if fits else None


def _legend_pt(entries: Sequence[Entry]) -> float:
    """Height of the legend with the words under it. [pt]."""
    return legend_height(entries, BODY_WIDTH_PT, N_LEGEND) + 6.0 + 8.0 * len(_basis()) + GAP_PT


def _basis() -> list[str]:
    return folded(BASIS, BASIS_PT, BODY_WIDTH_PT - 4.0)


def _whole_pt(told: Told, scales: Scales, trees: Mapping[str, str], width: float) -> float:
    """Height of a section with the list of all its trees. [pt]."""
    words = _listed(told[0], trees)
    rows = -(-len(words) // _n_columns(words, width))
    return paper_height(*told, scales) + LIST_PT * (1 + rows) + 6.0 + GAP_PT


def _n_columns(words: Sequence[str], width: float) -> int:
    """Columns of a list of trees that find room side by side."""
    widest = max((width_pt(line, USUAL_PT) for line in words), default=0.0)
    return min(max(int(width // (widest + 10.0)), 1), N_LIST)


def _sheet(
    lot_id: str, group: _Group, scales: Scales, entries: Sequence[Entry], trees: Mapping[str, str]
) -> Sheet:
    names = [clean(one.section_id) for one, _ in group.told]
    several = "s" if len(names) > 1 else ""
    title = f"Cross-section{several} {' and '.join(names)}, lot {clean(lot_id)}"
    each = [paper_height(section, look, scales) for section, look in group.told]
    n_rows = 1 if group.is_beside else len(each)
    used = max(each) if group.is_beside else sum(each)
    free = BODY_HEIGHT_PT - _legend_pt(entries) - GAP_PT * n_rows - used
    blocks = []
    for section, look in group.told:
        drawn, left_out = draw_section(section, look, scales, group.width_pt)
        blocks.append(_with_list(drawn, section, trees, left_out, free / n_rows))
    if group.is_beside:
        blocks = [_beside(blocks, group.width_pt + BESIDE_PT)]
    return Sheet(title, (*blocks, _legend(entries)), scales.words)


def _beside(drawings: Sequence[Drawing], step_pt: float) -> Drawing:
    """Drawings side by side as one."""
    items: list[Path | Text] = []
    for k, drawing in enumerate(drawings):
        for item in drawing.items:
            if isinstance(item, Text):
                items.append(replace(item, x_pt=item.x_pt + k * step_pt))
            else:
                parts = tuple(np.add(part, (k * step_pt, 0.0)) for part in item.parts)
                items.append(replace(item, parts=parts))
    height = max(one.height_pt for one in drawings)
    alt = "; ".join(one.alt for one in drawings)
    return Drawing(BODY_WIDTH_PT, height, tuple(items), alt)


def _with_list(
    drawn: Drawing, section: Section, trees: Mapping[str, str], left_out: Sequence[str], free: float
) -> Drawing:
    """A section's drawing with the list of its trees under it, as far as there is room."""
    pen = Pen(list(drawn.items))
    words = _listed(section, trees)
    n_columns = _n_columns(words, drawn.width_pt)
    note = _without_room(left_out, drawn.width_pt)
    room = int((free - LIST_PT * (1 + len(note)) - 6.0) // LIST_PT) * n_columns
    if room < 1 or not words:
        return drawn
    if len(words) > room:
        rest = len(words) - room + 1
        words = [*words[: room - 1], f"and {rest} more: see the tree schedule"]
    rows = -(-len(words) // n_columns)
    y = drawn.height_pt + LIST_PT - 1.0
    head = "Trees in the section, top now above the substrate, and what is taken off"
    pen.text(0.0, y, head, size_pt=USUAL_PT, is_bold=True)
    for k, line in enumerate(words):
        column, row = divmod(k, rows)
        x = column * drawn.width_pt / n_columns
        pen.text(x, y + (row + 1) * LIST_PT, line, size_pt=USUAL_PT)
    for k, line in enumerate(note):
        pen.text(0.0, y + (rows + 1 + k) * LIST_PT, line, size_pt=USUAL_PT, is_italic=True)
    height = drawn.height_pt + LIST_PT * (rows + 1 + len(note)) + 4.0
    return pen.drawing(drawn.width_pt, height, alt=drawn.alt)


def _without_room(left_out: Sequence[str], width: float) -> list[str]:
    """Which numbers are not on the drawing, on one line; nothing where all are."""
    if not left_out:
        return []
    names = [clean(one) for one in left_out]
    for n in range(len(names), 0, -1):
        more = "" if n == len(names) else f" and {len(names) - n} more"
        words = f"No room on the drawing for the number of: {', '.join(names[:n])}{more}"
        if width_pt(words, USUAL_PT) <= width - 4.0:
            return [words]
    return [f"No room on the drawing for the numbers of {len(names)} trees"]


def _tree_lines(package: Package, lot_id: str, plan: Plan | None) -> dict[str, str]:
    """Tree -> how tall it is and what is taken off it, in words."""
    marks = marks_of(package.results, lot_id)
    rests = rests_of(package, lot_id, plan)
    out = {}
    for row in package.rows("crowns").to_dict("records"):
        crown_id = str(row["crown_id"])
        top = float(row.get("top_height_ft", float("nan")))
        now = f"{top:.1f} ft" if np.isfinite(top) else "height not known"
        mine = marks.get(crown_id, ())
        told = f"{now}; {cut_words(mine) if mine else 'left as it is'}"
        if crown_id in rests:
            told += _stays_words(rests[crown_id].stays_ft)
        out[crown_id] = told
    return out


def _stays_words(stays_ft: float) -> str:
    if np.isfinite(stays_ft):
        return f"; outside the zone it stays at {figure(stays_ft, 'ft')}"
    return "; what stands outside the zone stays"


def _listed(section: Section, trees: Mapping[str, str]) -> list[str]:
    """The trees whose canopy is drawn, then those of which only the trunk stands in the strip."""
    drawn = [crown.crown_id for crown in section.crowns]
    bare = [trunk.crown_id for trunk in section.trunks if trunk.crown_id not in drawn]
    told = [f"{clean(one)}: {NO_CANOPY}" for one in dict.fromkeys(bare)]
    return [*(_tree_words(one, trees) for one in drawn), *told]


def _tree_words(crown_id: str, trees: Mapping[str, str]) -> str:
    return f"{clean(crown_id)}: {trees.get(crown_id, 'height not known; left as it is')}"


def _entries(
    sections: Sequence[Section], steps: tuple[Step, ...], look: Look | None
) -> list[Entry]:
    """Legend of a lot's sections: what is drawn in any of them."""
    if look is None:
        return []
    low, high = look.band_ft
    trunks = [trunk.is_known for one in sections for trunk in one.trunks]
    crowns = [crown for one in sections for crown in one.crowns]
    level = f"level of {look.water.short}" if look.water.short != "MHW" else "MHW level"
    ends = [(one, ends_of(one, look.limit_ft)) for one in sections]
    found: list[tuple[bool, Entry]] = [
        (
            any(one.ground.unknown(*both) for one, both in ends),
            line_entry(unknown_words(look), **UNKNOWN_LOOK),
        ),
        (
            any(one.ground.runs for one in sections),
            line_entry("substrate", stroke=EARTH, width_pt=1.4),
        ),
        (True, line_entry(level, **WATER_LOOK)),
        (True, line_entry(f"{low:g} and {high:g} ft above the substrate", **MARK_LOOK)),
        (any(trunks), Entry("trunk, its number under it", _draw_trunk)),
        (not all(trunks), Entry("centre of a crown whose trunk is not known", _draw_centre)),
        (
            bool(crowns),
            box_entry("outline of a single crown in the section", stroke=CROWN_LINE, width_pt=0.35),
        ),
        (bool(crowns) and not steps, box_entry("canopy as it stands", fill=STAYS, width_pt=1.0)),
    ]
    if crowns and steps:
        found += [
            (True, box_entry("existing outline", width_pt=0.7, dash_pt=NOW_DASH)),
            (True, box_entry("proposed outline: what stands in the end", fill=STAYS, width_pt=1.0)),
        ]
    met = [k for k, one in enumerate(steps) if any(_is_in(crown, one) for crown in crowns)]
    every = step_entries(steps)
    found += [(True, every[k]) for k in met]
    is_cut = bool(met)
    found += [(is_cut, Entry("number of a crown; bold: something is taken off", _draw_number))]
    signs = {crown.sign for crown in crowns}
    found += [("x" in signs, Entry("behind a number: not a mangrove", sign_drawer("x")))]
    found += [("?" in signs, Entry("behind a number: species not known", sign_drawer("?")))]
    return [entry for is_drawn, entry in found if is_drawn]


def _is_in(crown: SideCrown, step: Step) -> bool:
    return any(cut.year in step.years for cut in crown.cuts)


def _draw_trunk(pen: Pen, x: float, y: float) -> None:
    pen.line([(x + 10, y + 7), (x + 10, y - 1)], stroke=STEM, width_pt=1.8)
    draw_foot(pen, x + 10, y + 7)


def _draw_centre(pen: Pen, x: float, y: float) -> None:
    pen.line([(x + 10, y + 8), (x + 10, y - 1)], stroke=STEM, width_pt=1.8, dash_pt=CENTRE_DASH)


def _draw_number(pen: Pen, x: float, y: float) -> None:
    pen.text(x + 10, y + 6.5, "12", size_pt=USUAL_PT, is_bold=True, anchor="middle")


def _legend(entries: Sequence[Entry]) -> Drawing:
    pen = Pen()
    height = legend_height(entries, BODY_WIDTH_PT, N_LEGEND)
    pen.line([(0, 1.0), (BODY_WIDTH_PT, 1.0)], width_pt=0.4)
    draw_legend(pen, entries, 0.0, 4.0, BODY_WIDTH_PT, N_LEGEND)
    lines = _basis()
    for k, line in enumerate(lines):
        pen.text(0.0, height + 11.0 + 8.0 * k, line, size_pt=BASIS_PT)
    height += 6.0 + 8.0 * len(lines)
    return pen.drawing(BODY_WIDTH_PT, height, alt="Legend of the cross-sections")
