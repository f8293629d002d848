"""The shoreline elevation sheets of a plan set: as it stands, and after each step of the plan."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import shapely

from geotrim.io.package_read import Package
from geotrim.report.sheets.canopy_parts import polygons, steps_of
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.drawing import Drawing, Pen
from geotrim.report.sheets.elevation_drawing import (
    BAND_LOOK,
    CUT_EDGE_PT,
    END_LOOK,
    LEFT_ALONE,
    LEFT_EDGE_PT,
    LEFT_PT,
    LIMIT_LOOK,
    PART_SIGN,
    RIGHT_PT,
    SIDE_LOOK,
    TITLE_PT,
    WORKED_ON,
    Panel,
    Part,
    Scene,
    draw_panels,
    panel_height,
    scene_of,
    signs_of,
    span_levels,
)
from geotrim.report.sheets.elevation_read import shore_of
from geotrim.report.sheets.lettering import folded
from geotrim.report.sheets.sheet import BODY_HEIGHT_PT, BODY_WIDTH_PT, Sheet
from geotrim.report.sheets.side_marks import (
    NOW_DASH,
    STEM,
    Entry,
    box_entry,
    draw_legend,
    draw_scale_bar,
    legend_height,
    line_entry,
    look_of,
    sign_drawer,
    step_entry,
)
from geotrim.report.sheets.upright import Scales, upright
from geotrim.report.statement_parts import clean
from geotrim.report.window_facts import Plan, plan_of, row_of

#: Scales a whole shore is drawn to if it fits; a longer one is cut at match lines. [ft an inch]
WHOLE_FT, CUT_FT = (10, 20, 30), (20, 30, 40, 50, 60, 100)
N_LEGEND, BASIS_PT = 4, 6.3
#: Free paper at both ends of a shore. [ft]
PAST_FT = 0.3


def elevation_sheets(package: Package, lot_id: str, choices: Choices) -> list[Sheet]:
    """The trees of one lot from the land, as they stand and after each step of the plan.

    Parameters
    ----------
    package : Package
    lot_id : str
    choices : Choices
        Its scale is the plan view's; the elevation has its own.

    Returns
    -------
    list of Sheet
        Empty where no crown of the lot is seen from the side. The first panel of every sheet is
        the shore as it stands; years are drawn one by one, many of them in groups, none left out.
    """
    plan = plan_of(package.results, lot_id)
    shore = shore_of(package, lot_id, plan)
    if shore is None or not shore.crowns:
        return []
    scene = scene_of(shore, steps_of(plan), _band(package), _limits(package))
    panels = _panels(package, lot_id, scene, plan)
    # legends of one step and of three differ by a row: the room is reckoned with the most
    legend_pt = _legend_pt(scene, panels[:3], _whole(scene))
    scales, parts = _laid_out(scene, legend_pt)
    free = BODY_HEIGHT_PT - legend_pt - 8.0
    out = []
    for k, part in enumerate(parts):
        for group in _groups(scene, part, panels, scales, free):
            drawing = draw_panels(scene, part, group, scales, BODY_WIDTH_PT)
            legend = _legend(scene, group, part, scales)
            out.append(Sheet(_title(lot_id, k, parts, group), (drawing, legend), scales.words))
    return out


def _band(package: Package) -> tuple[float, float]:
    low, high = package.parameter("slices", "band_ft", (6.0, 10.0))
    return float(low), float(high)


def _limits(package: Package) -> tuple[float, ...]:
    limits = package.parameter("heights", "height_limits_ft", (6.0, 10.0, 16.0, 24.0))
    return tuple(float(limit) for limit in limits)


def _panels(package: Package, lot_id: str, scene: Scene, plan: Plan | None) -> list[Panel]:
    """As it stands, then a panel a step, with the share of the view that is open at both ends."""
    row = row_of(package.results, "window", "window_lots", lot_id)
    now, after = ("", "") if row is None else _view_words(row, plan)
    out = [Panel("As it stands", 0, now)]
    for k, step in enumerate(scene.steps):
        is_last = k == len(scene.steps) - 1
        name = "After the cut" if step.years == (0,) else f"After {step.name}"
        name += f" ({step.when})" if step.years != (0,) else ""
        out.append(Panel(name, k + 1, after if is_last else ""))
    return out


def _view_words(row: dict[str, Any], plan: Plan | None) -> tuple[str, str]:
    """The share of the view that is open now, and when the whole window is cut."""
    is_eyes = row["view_of"] == "eyes"
    of = "view of the water open" if is_eyes else "view at the stations open"
    now, after = float(row["view_before_frac"]), float(row["view_after_frac"])
    told = f"{of} now: {100 * now:.1f} %" if np.isfinite(now) else ""
    if plan is None or not plan.is_window or not np.isfinite(after):
        return told, ""
    return told, f"{of} with the whole window cut: {100 * after:.1f} %"


def _laid_out(scene: Scene, legend_pt: float) -> tuple[Scales, list[Part]]:
    """Scale and parts: the whole shore where it is readable so, else pieces of equal length."""
    room = BODY_WIDTH_PT - LEFT_PT - RIGHT_PT
    ends = [stretch.ends_ft for stretch in scene.shore.stretches]
    whole = _whole(scene)
    x0, x1 = whole.x0, whole.x1
    n_panels = 1 + bool(scene.steps)
    for scale in WHOLE_FT:
        scales = Scales(scale, scale)
        if (x1 - x0) * 72.0 <= room * scale and _fits(scene, [whole], scales, n_panels, legend_pt):
            return scales, [whole]
    for scale in CUT_FT:
        scales = Scales(scale, scale)
        parts = _cut(ends, room * scale / 72.0)
        if _fits(scene, parts, scales, n_panels, legend_pt):
            return scales, parts
    return Scales(CUT_FT[-1], CUT_FT[-1]), _cut(ends, room * CUT_FT[-1] / 72.0)


def _whole(scene: Scene) -> Part:
    """The whole shore with a little room."""
    ends = [stretch.ends_ft for stretch in scene.shore.stretches]
    return Part(ends[0][0] - PAST_FT, ends[-1][1] + PAST_FT)


def _fits(
    scene: Scene, parts: Sequence[Part], scales: Scales, n_panels: int, legend_pt: float
) -> bool:
    free = BODY_HEIGHT_PT - legend_pt - 8.0 - TITLE_PT
    return all(_panel_pt(scene, part, scales) * n_panels <= free for part in parts)


def _panel_pt(scene: Scene, part: Part, scales: Scales) -> float:
    levels = 1 + max((level for *_, level in span_levels(scene, part, scales)), default=-1)
    return panel_height(scene, scales, levels)


def _cut(ends: Sequence[tuple[float, float]], most_ft: float) -> list[Part]:
    """Stretches that fit together on one sheet, and pieces of those that are too long."""
    out: list[Part] = []
    for low, high in ends:
        if out and not out[-1].is_cut_left and high + PAST_FT - out[-1].x0 <= most_ft:
            out[-1] = Part(out[-1].x0, high + PAST_FT)
            continue
        low, high = low - PAST_FT, high + PAST_FT
        n = max(1, math.ceil((high - low) / most_ft - 1e-9))
        at = np.linspace(low, high, n + 1)
        out += [Part(float(at[k]), float(at[k + 1]), k > 0, k < n - 1) for k in range(n)]
    return out


def _groups(
    scene: Scene, part: Part, panels: Sequence[Panel], scales: Scales, free: float
) -> Iterator[list[Panel]]:
    """Panels of each sheet: as it stands on top, then as many steps as there is room for."""
    most = max(2, int((free - TITLE_PT) // _panel_pt(scene, part, scales)))
    later = panels[1:]
    if not later:
        yield list(panels)
    n_sheets = math.ceil(len(later) / (most - 1))
    each = math.ceil(len(later) / n_sheets) if n_sheets else 1
    for k in range(0, len(later), each):
        yield [panels[0], *later[k : k + each]]


def _title(lot_id: str, k: int, parts: Sequence[Part], group: Sequence[Panel]) -> str:
    title = f"Shoreline elevation, lot {clean(lot_id)}"
    if len(parts) > 1:
        title += f", part {k + 1} of {len(parts)}"
    names = [panel.name.partition(" (")[0].removeprefix("After ") for panel in group[1:]]
    told = f" and after {', '.join(names)}" if names else ""
    return f"{title}: as it stands{told}"


def _entries(scene: Scene, group: Sequence[Panel], part: Part) -> list[Entry]:
    """Legend of one sheet: what is drawn on it."""
    low, high = scene.band_ft
    steps = [panel.step for panel in group if panel.step]
    here = [k for k, one in enumerate(scene.shore.crowns) if _is_on(one.whole, part)]
    crowns = [scene.shore.crowns[k] for k in here]
    is_cut = [bool(crown.cuts) for crown in crowns]
    cut_words = "tree that is cut in any year, its number bold" + (": what stands" if steps else "")
    signs = {sign for crown in crowns for sign in signs_of(crown)}
    limits = [limit for limit in scene.limits_ft if limit not in scene.band_ft]
    found = [
        (True, line_entry(f"{low:g} and {high:g} ft above the substrate", **BAND_LOOK)),
        (
            any(limit < scene.top_ft for limit in limits),
            line_entry("other limits of the height classes", **LIMIT_LOOK),
        ),
        (_has_end(scene, part), line_entry("end of a stretch of the lot's shore", **END_LOOK)),
        (
            any(_has_stem(scene, k, panel.step, part) for k in here for panel in group),
            line_entry("stem, where nothing of its crown stands", stroke=STEM, width_pt=1.2),
        ),
        (
            not all(is_cut),
            box_entry("tree that is left as it is", fill=LEFT_ALONE, width_pt=LEFT_EDGE_PT),
        ),
        (any(is_cut), box_entry(cut_words, fill=WORKED_ON, width_pt=CUT_EDGE_PT)),
    ]
    for step in steps:
        is_seen = any(_is_on(shape, part) for shape in scene.sights[step].values())
        words = f"taken in {scene.steps[step - 1].name}"
        found.append((is_seen, step_entry(words, look_of(step - 1))))
    found += [
        (bool(steps), box_entry("outline of all trees today", width_pt=0.6, dash_pt=NOW_DASH)),
        (
            bool(span_levels(scene, part, Scales(10, 10))),
            line_entry("sides of a window span", **{**SIDE_LOOK, "width_pt": 1.0}),
        ),
        ("x" in signs, Entry("behind a number: not a mangrove", sign_drawer("x"))),
        ("?" in signs, Entry("behind a number: species not known", sign_drawer("?"))),
        (
            PART_SIGN in signs,
            Entry(
                "behind a number: a part stands outside the zone and stays, as high as the "
                "schedule tells",
                sign_drawer(PART_SIGN),
            ),
        ),
    ]
    return [entry for is_drawn, entry in found if is_drawn]


def _is_on(shape: Any, part: Part) -> bool:
    low, _, high, _ = shapely.bounds(shape)
    return bool(high > part.x0 and low < part.x1)


def _has_end(scene: Scene, part: Part) -> bool:
    """Whether an end of a stretch lies on a part."""
    ends = [s + one.shift_ft for one in scene.shore.stretches for s in (one.from_ft, one.to_ft)]
    return any(part.x0 <= end <= part.x1 for end in ends)


def _has_stem(scene: Scene, k: int, step: int, part: Part) -> bool:
    """Whether a crown's stem is drawn, as nothing of it stands under its highest piece."""
    x_ft, pieces = scene.shore.crowns[k].x_ft, polygons(scene.shapes[k][step])
    return part.x0 <= x_ft <= part.x1 and any(piece.bounds[1] > 0.0 for piece in pieces)


def _basis(scene: Scene) -> list[str]:
    """What the sheets rest on, in lines."""
    words = "Seen from the land looking to the water, stations as on the plan view. Crowns nearer "
    words += "the land are drawn in front. Heights are above the substrate under each tree, which "
    words += "is drawn level. A number without room, or of a cut hardly in sight, is left off: "
    words += "see the plan view."
    if scene.steps:
        words += " It is cut within the zone only. Patterned on white the view opens; patterned on "
        words += "grey it is cut too, but other trees, or a part outside the zone, stand there."
    if any(len(step.years) > 1 for step in scene.steps):
        words += " Years are drawn in groups; the tree schedule tells each of them."
    return folded(words, BASIS_PT, BODY_WIDTH_PT - 4.0)


def _legend_pt(scene: Scene, group: Sequence[Panel], part: Part) -> float:
    n_lines = len(_basis(scene))
    height = legend_height(_entries(scene, group, part), BODY_WIDTH_PT - 100.0, N_LEGEND)
    return height + 8.0 * n_lines + 6.0


def _legend(scene: Scene, group: Sequence[Panel], part: Part, scales: Scales) -> Drawing:
    pen, height = Pen(), _legend_pt(scene, group, part)
    entries = _entries(scene, group, part)
    pen.line([(0, 1.0), (BODY_WIDTH_PT, 1.0)], width_pt=0.4)
    draw_legend(pen, entries, 0.0, 4.0, BODY_WIDTH_PT - 100.0, N_LEGEND)
    at = upright(0.0, 0.0, (0.0, 0.0), scales)
    draw_scale_bar(pen, at, scales.along_ft, BODY_WIDTH_PT - 90.0, 7.0)
    lines = _basis(scene)
    for k, line in enumerate(lines):
        pen.text(0.0, height - 8.0 * (len(lines) - 1 - k) - 2.0, line, size_pt=BASIS_PT)
    return pen.drawing(BODY_WIDTH_PT, height, alt="Legend of the shoreline elevation")
