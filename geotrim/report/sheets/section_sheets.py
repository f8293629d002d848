"""The cross-section sheets of a plan set: true to scale, two sections a sheet where they fit."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from geotrim.io.package_read import Package
from geotrim.report.sheets.canopy_parts import MOST_STEPS, SideCrown, Step, steps_of
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.drawing import Drawing, Pen
from geotrim.report.sheets.lettering import folded, width_pt
from geotrim.report.sheets.section_drawing import (
    CENTRE_DASH,
    LEFT_PT,
    MARK_LOOK,
    RIGHT_PT,
    UNKNOWN_LOOK,
    UNKNOWN_WORDS,
    WATER_LOOK,
    Look,
    draw_foot,
    draw_section,
    ends_of,
    heights_of,
    other_height,
    paper_height,
)
from geotrim.report.sheets.section_read import Section, facts_of_water, sections_of
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
    step_entries,
)
from geotrim.report.sheets.true_scale import SCALES_FT
from geotrim.report.sheets.upright import READABLE_FT, Scales, scales_that_fit
from geotrim.report.statement_parts import clean
from geotrim.report.window_facts import plan_of, text_of

#: Columns of the legend, of the list of trees; height of a line of the list. [pt]
N_LEGEND, N_LIST, LIST_PT = 4, 3, 8.6
#: Lines of the list of trees that a scale leaves room for, its heading among them.
LEAST_ROWS = 4
#: Free paper between two blocks of a sheet. [pt]
GAP_PT = 4.0
BASIS = (
    "What is taken off is drawn over the whole crown; it is cut within the zone only. Heights of "
    "trees and both marks are above the substrate under each tree, not above the water."
)


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
    told = [(one, _look(package, lot_id, one, steps)) for one in sections]
    entries = _entries(sections, steps, told[0][1] if told else None)
    scales = _scales(told, entries)
    return [
        _sheet(package, lot_id, group, scales, entries) for group in _paged(told, scales, entries)
    ]


Told = tuple[Section, Look]


def _look(package: Package, lot_id: str, section: Section, steps: tuple[Step, ...]) -> Look:
    water, origin = facts_of_water(package, section)
    low, high = package.parameter("slices", "band_ft", (6.0, 10.0))
    limit = float(package.parameter("fringe", "fringe_limit_ft", 50.0))
    half = float(section.row["half_width_ft"])
    why = clean(text_of(section.row.get("why"))) or "chosen by hand"
    words = f"Why here: {why.rstrip('.')}. Trees within {half:g} ft on either side are drawn."
    lines = tuple(folded(words, USUAL_PT, BODY_WIDTH_PT - 110.0))
    return Look(steps, (float(low), float(high)), limit, clean(water), clean(origin), lines)


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


def _paged(told: Sequence[Told], scales: Scales, entries: Sequence[Entry]) -> Iterator[list[Told]]:
    """Sections in the groups that share a sheet: two where both fit with their trees."""
    room = BODY_HEIGHT_PT - _legend_pt(entries)
    k = 0
    while k < len(told):
        pair = told[k : k + 2]
        used = sum(paper_height(*one, scales) + _list_pt(one[0]) + GAP_PT for one in pair)
        n = 2 if len(pair) == 2 and used <= room else 1
        yield list(told[k : k + n])
        k += n


def _legend_pt(entries: Sequence[Entry]) -> float:
    """Height of the legend with the words under it. [pt]."""
    return legend_height(entries, BODY_WIDTH_PT, N_LEGEND) + 14.0 + GAP_PT


def _list_pt(section: Section) -> float:
    """Height of the list of trees at its usual width. [pt]."""
    return LIST_PT * (1 + -(-len(section.crowns) // N_LIST)) + 6.0


def _sheet(
    package: Package, lot_id: str, group: list[Told], scales: Scales, entries: Sequence[Entry]
) -> Sheet:
    names = [clean(one.section_id) for one, _ in group]
    title = (
        f"Cross-section{'s' if len(names) > 1 else ''} {' and '.join(names)}, lot {clean(lot_id)}"
    )
    tops = _tops(package, lot_id)
    blocks: list[Drawing] = []
    free = BODY_HEIGHT_PT - _legend_pt(entries) - GAP_PT * len(group)
    free -= sum(paper_height(section, look, scales) for section, look in group)
    for section, look in group:
        drawn = draw_section(section, look, scales, BODY_WIDTH_PT)
        blocks.append(_with_list(drawn, section, tops, free / len(group)))
    blocks.append(_legend(entries))
    return Sheet(title, tuple(blocks), scales.words)


def _tops(package: Package, lot_id: str) -> dict[str, float]:
    rows = package.rows("crowns", lot_id)
    if not len(rows) or "top_height_ft" not in rows.columns:
        return {}
    return dict(zip(rows["crown_id"].astype(str), rows["top_height_ft"].astype(float), strict=True))


def _with_list(drawn: Drawing, section: Section, tops: dict[str, float], free: float) -> Drawing:
    """A section's drawing with the list of its trees under it, as far as there is room."""
    pen = Pen(list(drawn.items))
    words = [_tree_words(crown, tops) for crown in section.crowns]
    widest = max((width_pt(line, USUAL_PT) for line in words), default=0.0)
    n_columns = min(max(int(drawn.width_pt // (widest + 10.0)), 1), N_LIST)
    room = int((free - LIST_PT - 6.0) // LIST_PT) * n_columns
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
    height = drawn.height_pt + LIST_PT * (rows + 1) + 4.0
    return pen.drawing(drawn.width_pt, height, alt=drawn.alt)


def _tree_words(crown: SideCrown, tops: dict[str, float]) -> str:
    top = tops.get(crown.crown_id, float("nan"))
    now = f"{top:.1f} ft" if np.isfinite(top) else "height not known"
    return f"{clean(crown.crown_id)}: {now}; {cut_words(crown) if crown.cuts else 'left as it is'}"


def _entries(
    sections: Sequence[Section], steps: tuple[Step, ...], look: Look | None
) -> list[Entry]:
    """Legend of a lot's sections: what is drawn in any of them."""
    if look is None:
        return []
    low, high = look.band_ft
    entries = [
        line_entry("substrate", stroke=EARTH, width_pt=1.4),
        line_entry("MHW level", **WATER_LOOK),
        line_entry(f"{low:g} and {high:g} ft above the substrate", **MARK_LOOK),
        Entry("trunk, its number under it", _draw_trunk),
        box_entry("outline of a single crown in the section", stroke=CROWN_LINE, width_pt=0.35),
    ]
    if not any(one.ground.runs for one in sections):
        entries = entries[1:]
    if any(one.ground.unknown(*one.ends_ft) for one in sections):
        entries.insert(0, line_entry(UNKNOWN_WORDS, **UNKNOWN_LOOK))
    if any(not trunk.is_known for one in sections for trunk in one.trunks):
        entries.insert(-1, Entry("centre of a crown whose trunk is not known", _draw_centre))
    if not steps:
        return [*entries, box_entry("canopy as it stands", fill=STAYS, width_pt=1.0)]
    return [
        *entries,
        box_entry("existing outline", width_pt=0.7, dash_pt=NOW_DASH),
        box_entry("proposed outline: what stands in the end", fill=STAYS, width_pt=1.0),
        *step_entries(steps),
        Entry("number of a crown; bold: something is taken off", _draw_number),
    ]


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
    pen.text(0.0, height + 11.0, BASIS, size_pt=6.3)
    look: dict[str, Any] = {"alt": "Legend of the cross-sections"}
    return pen.drawing(BODY_WIDTH_PT, height + 14.0, **look)
