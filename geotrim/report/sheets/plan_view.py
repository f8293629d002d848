"""The plan view to a true engineering scale: one sheet, or an overall view and enlarged parts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from geotrim.io.package_read import Package
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.drawing import Drawing, Pen
from geotrim.report.sheets.labels import Placing
from geotrim.report.sheets.legend import Entry, draw_bar, draw_legend, draw_north
from geotrim.report.sheets.lettering import folded
from geotrim.report.sheets.plan_canvas import Canvas, canvas_of
from geotrim.report.sheets.plan_frame import (
    FOOT_PT,
    HEIGHT_PT,
    WIDTH_PT,
    View,
    is_blank,
    overall_view,
    strips,
)
from geotrim.report.sheets.plan_labels import is_hopeless, place_words
from geotrim.report.sheets.plan_lot import PlanLot, plan_lot
from geotrim.report.sheets.plan_parts import draw_layers
from geotrim.report.sheets.sheet import Sheet, Words
from geotrim.report.sheets.title_block import lot_name
from geotrim.report.sheets.true_scale import SCALES_FT
from geotrim.report.statement_parts import count

#: Part of the numbers that may stand on leaders on an enlarged part.
MOST_LEADERS = 0.35
#: Least width of a usual crown, of its number's: on one sheet for all, and on an enlarged part.
HOPELESS, LEAST_CROWN = 0.6, 0.9


def plan_view_sheets(package: Package, lot_id: str, choices: Choices) -> list[Sheet]:
    """Sheets of the plan view of one lot.

    Raises
    ------
    RangeError
        If the plan does not fit on a sheet at the scale that was asked for.

    Notes
    -----
    None where the package holds nothing of the lot that could be drawn. At a scale that was asked
    for, enlarged parts follow only where a number finds no place.
    """
    lot = plan_lot(package, lot_id)
    if is_blank(lot):
        return []
    crs = str(package.record["crs"]["name"])
    overall = overall_view(lot, choices.scale_ft)
    canvas = drawn(lot, overall)
    told = "numbers of all trees are on the enlarged parts"
    is_asked = choices.scale_ft is not None
    may_do = is_asked or not is_hopeless(lot, overall, HOPELESS)
    if overall.frame.scale_ft <= SCALES_FT[-1] and may_do:
        words = place_words(canvas)
        missing = _without_place(words, overall)
        if not missing:
            return _sheets(canvas, words, crs)
        if is_asked:
            n = count(len(missing), "tree has", "trees have")
            told = f"at the scale that was asked for, {n} no room for a number"
            told += ": all numbers are on parts to a larger one"
    parts = _enlarged(lot, overall.frame.scale_ft)
    if not parts:
        words = place_words(canvas)
        return _sheets(canvas, words, crs, _without_place(words, overall))
    edges = {words: edge for more, _ in parts for edge, words in more.view.matches}
    matches = tuple((edge, words) for words, edge in edges.items())
    canvas = drawn(lot, replace(overall, matches=matches, title="Plan view, overall"))
    words = place_words(canvas, has_leaders=False)
    sheets = _sheets(canvas, words, crs, told=told)
    for more, placed in parts:
        sheets += _sheets(more, placed, crs, _without_place(placed, more.view))
    return sheets


def drawn(lot: PlanLot, view: View) -> Canvas:
    """A map without its words."""
    canvas = canvas_of(lot, view)
    draw_layers(canvas)
    return canvas


def _without_place(words: Placing, view: View) -> list[str]:
    """Trees whose number found no place, in their order."""
    left = {label.key for label in words.left}
    return sorted(number for number in view.numbers if f"number {number}" in left)


def _enlarged(lot: PlanLot, overall_ft: float) -> list[tuple[Canvas, Placing]]:
    """Parts along the shore, at the smallest drawing on which numbers stand well.

    That is where every number has a place, most of them in their crowns; else where the fewest are
    left over.
    """
    scales = [scale for scale in reversed(SCALES_FT) if scale < overall_ft]
    made = [views for views in (strips(lot, scale) for scale in scales) if views]
    likely = [
        views for views in made if not any(is_hopeless(lot, view, LEAST_CROWN) for view in views)
    ]
    best: list[tuple[Canvas, Placing]] = []
    least = (math.inf, math.inf)
    for views in likely or made[-1:]:
        canvases = [drawn(lot, view) for view in views]
        found = [(canvas, place_words(canvas)) for canvas in canvases]
        n_left = sum(len(_without_place(words, canvas.view)) for canvas, words in found)
        share = max(_leader_share([words for _, words in found]), MOST_LEADERS)
        if (n_left, share) < least:
            best, least = found, (n_left, share)
        if not n_left and share == MOST_LEADERS:
            break
    return best


def _leader_share(found: list[Placing]) -> float:
    """Part of the numbers that stand on leaders."""
    numbers = [
        one for words in found for one in words.placed if one.label.key.startswith("number ")
    ]  # fmt: skip
    return sum(one.leader is not None for one in numbers) / max(len(numbers), 1)


def _sheets(
    canvas: Canvas, words: Placing, crs: str, missing: Sequence[str] = (), told: str = ""
) -> list[Sheet]:
    """The sheet of one view; a legend that is too long goes on on another one."""
    view, pen = canvas.view, canvas.pen
    for placed in words.placed:
        pen.items += placed.items()
    pen.box(0.0, 0.0, view.layout.map_width_pt, view.layout.map_height_pt, width_pt=0.8, name="map")
    rest = _furniture(canvas)
    scale = f"1 in = {view.frame.scale_ft:g} ft"
    line = f"{scale} on paper of 8.5 x 11 in, printed at full size. "
    line += f"Lengths and north are those of the grid of {crs}."
    if told:
        line += f" {told[0].upper()}{told[1:]}."
    for k, words_of_line in enumerate(folded(line, 6.5, view.layout.map_width_pt)):
        y = view.layout.map_height_pt + 8.5 + 8.2 * k
        pen.text(0.0, y, words_of_line, size_pt=6.5, name="note")
    alt = (
        f"Plan view of {lot_name(canvas.lot.lot_id)}, {scale}, {len(view.numbers)} trees by number."
    )
    blocks: list[Drawing | Words] = [pen.drawing(WIDTH_PT, HEIGHT_PT, alt=alt)]
    sheets = [Sheet(view.title, tuple(blocks), scale)]
    if missing:
        note = "Trees on this part whose number found no room on it: " + ", ".join(missing) + "."
        sheets.append(Sheet(f"{view.title}: trees without room for a number", (Words((note,)),)))
    if rest:
        sheets.append(_legend_sheet(view.title, rest))
    return sheets


def _furniture(canvas: Canvas) -> list[Entry]:
    """North arrow, scale bar and legend in their box; entries without room come back."""
    view, pen = canvas.view, canvas.pen
    left, top, width, height = view.layout.legend_box
    turn, scale = view.frame.north_deg, view.frame.scale_ft
    if view.layout.is_legend_below:
        draw_north(pen, left + 26.0, top + 34.0, turn)
        draw_bar(pen, left + 6.0, top + FOOT_PT - 12.0, scale, 150.0)
        box = left + 170.0, top + 4.0, width - 170.0, height - 4.0
        return draw_legend(pen, canvas.entries, box, 3)
    draw_north(pen, left + 26.0, top + 29.0, turn)
    draw_bar(pen, left + 58.0, top + 34.0, scale, width - 58.0)
    pen.text(
        left + 58.0, top + 18.0, f"1 in = {scale:g} ft", size_pt=8.5, is_bold=True, name="scale"
    )
    box = left, top + 66.0, width, height - 66.0
    return draw_legend(pen, canvas.entries, box)


def _legend_sheet(title: str, entries: list[Entry]) -> Sheet:
    pen = Pen()
    draw_legend(pen, entries, (0.0, 4.0, WIDTH_PT, HEIGHT_PT - 8.0), 3)
    return Sheet(f"{title}: rest of the legend", (pen.drawing(WIDTH_PT, HEIGHT_PT, alt="Legend."),))
