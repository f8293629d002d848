"""Layers of the plan view from the ground up; each tells its line of the legend."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely

from geotrim.report.sheets import plan_looks as looks
from geotrim.report.sheets import plan_swatches as swatches
from geotrim.report.sheets.legend import Entry
from geotrim.report.sheets.plan_canvas import Canvas
from geotrim.report.sheets.plan_looks import LOOKS, Look
from geotrim.report.sheets.plan_lot import PlanLot, Tree
from geotrim.report.sheets.plan_marks import draw_marks, draw_section, draw_stations

#: Crowns smaller than this on paper are drawn with thinner strokes, without trunks. [pt]
SMALL_PT = 9.0
_EDGE_WORDS = {
    "mangrove": "mangrove crown",
    "other": "crown of a plant that is no mangrove",
    "unknown": "crown, species unknown",
}
_WHAT_WORDS = {
    "left": "no hatch: left as it is",
    "top": "slanted hatch: top lowered",
    "band": "level hatch: band cleared under a kept top",
}


def draw_layers(canvas: Canvas) -> None:
    """Draw everything but words."""
    _grounds(canvas)
    _crowns(canvas)
    _outlines(canvas)
    _lines(canvas)
    draw_stations(canvas)
    draw_marks(canvas)
    for words in canvas.lot.told:
        canvas.tell(words, None, -1)
    canvas.entries.sort(key=lambda entry: entry.rank)


def _grounds(canvas: Canvas) -> None:
    """What lies under the crowns: lots, hatches, tints, the zone."""
    lot = canvas.lot
    spans = shapely.union_all([span.shape for span in lot.spans]) if lot.spans else None
    canvas.draw(spans, LOOKS["span-ground"], "span-ground")
    for k, one in enumerate(lot.setbacks):
        if canvas.draw(one.shape, looks.setback_look(k), f"setback-{k}"):
            source = f" ({one.more})" if one.more else ""
            canvas.tell(
                f"setback: {one.name}{source}", swatches.area_swatch(looks.setback_look(k)), 8
            )
    for rows, key, word in (
        (lot.exclusions, "exclusion", "exclusion"), (lot.set_aside, "set-aside", "set aside")
    ):  # fmt: skip
        for one in rows:
            if canvas.draw(one.shape, LOOKS[key], key):
                more = f", {one.more}" if one.more else ""
                canvas.tell(f"{word}: {one.name}{more}", swatches.area_swatch(LOOKS[key]), 8)
    if sum(canvas.draw(one.shape, LOOKS["neighbour"], "neighbour") for one in lot.neighbours):
        canvas.tell("line of a neighbouring lot", swatches.line_swatch(LOOKS["neighbour"]), 3)


def _crowns(canvas: Canvas) -> None:
    """Crowns, low ones first, then the dots of trunks."""
    seen: dict[tuple[str, str, bool], int] = {}
    n_far = 0
    thin = _thin(canvas)
    on_map: list[Tree] = []
    for tree in canvas.lot.trees:
        look = LOOKS["far-crown"]
        if tree.is_own:
            look = looks.crown_look(tree.kind, tree.what, is_kept=tree.is_kept, thin=thin)
        if not canvas.draw(tree.shape, look, f"crown {tree.number}"):
            continue
        on_map.append(tree)
        canvas.soft.append(canvas.paper(tree.shape))
        if tree.is_own:
            key = tree.kind, tree.what, tree.is_kept
            seen[key] = seen.get(key, 0) + 1
        n_far += not tree.is_own
    canvas.entries += _crown_entries(seen, n_far)
    if thin < 1.0:  # dots would fill such small crowns
        return
    for tree in on_map:
        _trunk(canvas, tree)
    if any(tree.trunk is not None for tree in on_map):
        canvas.tell("trunk, as surveyed", swatches.trunk_swatch, 7)


def _thin(canvas: Canvas) -> float:
    """How much thinner strokes of crowns are drawn where crowns are small on paper."""
    own = canvas.lot.own
    if not own:
        return 1.0
    across = np.sqrt(np.median(shapely.area([canvas.paper(tree.shape) for tree in own])))
    return 1.0 if across >= SMALL_PT else float(max(across / SMALL_PT, 0.3))


def _trunk(canvas: Canvas, tree: Tree) -> None:
    if tree.trunk is None or shapely.is_empty(tree.trunk):
        return
    x, y = shapely.get_coordinates(canvas.paper(tree.trunk))[0]
    if shapely.intersects_xy(canvas.clip, x, y):
        looks.trunk(canvas.pen, x, y, is_own=tree.is_own)
        if tree.is_own:
            canvas.obstacles.append(shapely.Point(x, y).buffer(looks.DOT_PT + 0.2))


def _crown_entries(seen: dict[tuple[str, str, bool], int], n_far: int) -> Iterator[Entry]:
    """Edges by kind of plant, hatches by what is planned, one entry each; how many there are."""
    for kind, words in _EDGE_WORDS.items():
        n = sum(count for key, count in seen.items() if key[0] == kind)
        if n:
            yield Entry(f"{words} ({n})", swatches.crown_swatch(looks.crown_look(kind, "left")), 6)
    whats = {what: sum(n for key, n in seen.items() if key[1] == what) for what in _WHAT_WORDS}
    if {key[1] for key in seen} - {"left"}:
        for what, words in _WHAT_WORDS.items():
            if whats[what]:
                look = looks.crown_look("mangrove", what)
                yield Entry(f"{words} ({whats[what]})", swatches.crown_swatch(look), 6)
    n_kept = sum(n for key, n in seen.items() if key[2])
    if n_kept:
        look = looks.crown_look("mangrove", "left", is_kept=True)
        yield Entry(
            f"double outline: to be kept, as you said ({n_kept})", swatches.crown_swatch(look), 6
        )
    if n_far:
        words = f"crown not counted for this lot ({n_far})"
        yield Entry(words, swatches.crown_swatch(LOOKS["far-crown"]), 6)


def _outlines(canvas: Canvas) -> None:
    """Outlines over the crowns: zone, fringe, windows, the lot."""
    lot = canvas.lot
    for shape, key, words in (
        (lot.zone, "zone", "zone where trimming may be considered, not where it is allowed"),
        (lot.fringe, "fringe", "mangrove fringe, outline of its canopy"),
    ):
        if canvas.draw(shape, LOOKS[key], key):
            canvas.tell(words, swatches.line_swatch(LOOKS[key]), 3)
    n_seen = sum([canvas.draw(s.shape, LOOKS["span"], f"span {s.name}") for s in lot.spans])
    if n_seen:
        swatch = swatches.area_swatch(Look(1.1, fill=looks.TINT))
        canvas.tell("window w1, w2 ...: between two stations", swatch, 4)
    if canvas.draw(lot_line(lot), LOOKS["lot"], "lot", is_obstacle=True):
        canvas.tell("lot line, as given", swatches.line_swatch(LOOKS["lot"]), 2)


def lot_line(lot: PlanLot) -> Any:
    """The lot's outline but for what runs along the MHW line, which is drawn as that."""
    if lot.lot is None or lot.mhw is None:
        return lot.lot
    line = shapely.boundary(lot.lot)
    near = shapely.buffer(lot.mhw, 1.0 / lot.feet_per_unit)
    rest = shapely.difference(line, near)
    return rest if not shapely.is_empty(rest) else line


def _lines(canvas: Canvas) -> None:
    """Lines over everything: channel, riparian lines, MHW line, depth, sections."""
    lot = canvas.lot
    for shape, key, words in (
        (lot.channel, "channel", "channel line"), (lot.mouth, "mouth", "mouth line")
    ):  # fmt: skip
        if canvas.draw(shape, LOOKS[key], key, is_obstacle=True):
            canvas.tell(words, swatches.line_swatch(LOOKS[key]))
    drawn = [canvas.draw(r.shape, LOOKS["riparian"], "riparian", is_obstacle=True)
             for r in lot.riparian]  # fmt: skip
    if any(drawn):
        canvas.tell(
            f"riparian line, {lot.riparian[0].name}", swatches.line_swatch(LOOKS["riparian"]), 1
        )
    if canvas.draw(lot.mhw, LOOKS["mhw"], "mhw", is_obstacle=True):
        canvas.tell(lot.mhw_label, swatches.line_swatch(LOOKS["mhw"]), 0)
    if sum(draw_section(canvas, one) for one in lot.sections):
        canvas.tell("cross-section, looked at along its arrows", swatches.section_swatch, 4)
    _deepest(canvas)


def _deepest(canvas: Canvas) -> None:
    one = canvas.lot.deepest
    if one is None or not canvas.draw(one.shape, LOOKS["deepest"], "deepest", is_obstacle=True):
        return
    looks.bars(canvas.pen, canvas.paper(one.shape), 3.0, "deepest-end")
    canvas.tell(f"greatest depth of the fringe: {one.name}, {one.more}", swatches.depth_swatch, 4)
