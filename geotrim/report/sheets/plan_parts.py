"""Layers of the plan view from the ground up; each tells its line of the legend."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely

from geotrim.report.shapes import parts_of
from geotrim.report.sheets import plan_looks as looks
from geotrim.report.sheets.drawing import BLACK, WHITE, Array, Pen
from geotrim.report.sheets.legend import Entry
from geotrim.report.sheets.plan_frame import View, at_station
from geotrim.report.sheets.plan_looks import LOOKS, Look
from geotrim.report.sheets.plan_lot import Named, PlanLot, Stretch, Tree

#: Station ticks: lengths between them, and the least room of one on paper. [ft, pt]
TICKS_FT, LEAST_TICK_PT = (10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0), 11.0
#: A tick this near to an end, of a step, is the end's.
NEAR = 0.02
TICK_PT = 3.6
#: Crowns smaller than this on paper are drawn with thinner strokes, without trunks. [pt]
SMALL_PT = 9.0
#: Ends of a section line: the heavy part, and the circle with its letter. [pt]
HEAD_PT, LETTER_PT = 7.0, 5.2
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


@dataclass(slots=True, eq=False)
class Canvas:
    """A map while it is drawn.

    clip : what may be drawn on, on paper. obstacles : what words keep off. soft : what words on
    leaders rather keep off.
    """

    pen: Pen
    lot: PlanLot
    view: View
    clip: Any
    entries: list[Entry] = field(default_factory=list)
    obstacles: list[Any] = field(default_factory=list)
    soft: list[Any] = field(default_factory=list)
    covered: tuple[int, Any] | None = None

    def paper(self, shape: Any) -> Any:
        """A shape of the ground on paper, not clipped."""
        return shapely.transform(shape, self.view.frame.points)

    def seen(self, shape: Any) -> Any:
        """A shape of the ground on paper, clipped to the map."""
        return shapely.intersection(self.paper(shape), self.clip)

    def cover(self) -> Any:
        """Crowns on the map and a narrow strip round them, as one shape."""
        if self.covered is None or self.covered[0] != len(self.soft):
            shape = shapely.buffer(shapely.union_all(self.soft), 2.0, quad_segs=2)
            self.covered = len(self.soft), shape
        return self.covered[1]

    def draw(self, shape: Any, look: Look, name: str, *, is_obstacle: bool = False) -> bool:
        """Draw a shape of the ground; whether any of it is on the map."""
        if shape is None or shapely.is_empty(shape):
            return False
        on_paper = self.paper(shape)
        if not looks.paint(self.pen, on_paper, look, name, self.clip):
            return False
        if is_obstacle:
            line = shapely.boundary(on_paper) if shapely.area(on_paper) else on_paper
            self.obstacles.append(shapely.buffer(shapely.intersection(line, self.clip), 0.8))
        return True

    def tell(self, words: str, swatch: Any = None, rank: int = 5) -> None:
        """Add a line to the legend; lower ranks stand higher."""
        self.entries.append(Entry(words, swatch, rank))


def map_room(view: View) -> Any:
    """The map's rectangle on paper."""
    return shapely.box(0.0, 0.0, view.layout.map_width_pt, view.layout.map_height_pt)


def canvas_of(lot: PlanLot, view: View) -> Canvas:
    """An empty map."""
    clip = map_room(view)
    if view.clip is not None:
        clip = shapely.intersection(clip, shapely.transform(view.clip, view.frame.points))
    shapely.prepare(clip)
    return Canvas(Pen(), lot, view, clip)


def draw_layers(canvas: Canvas) -> None:
    """Draw everything but words."""
    _grounds(canvas)
    _crowns(canvas)
    _outlines(canvas)
    _lines(canvas)
    _stations(canvas)
    _marks(canvas)
    canvas.entries.sort(key=lambda entry: entry.rank)


def _grounds(canvas: Canvas) -> None:
    """What lies under the crowns: lots, hatches, tints, the zone."""
    lot = canvas.lot
    spans = shapely.union_all([span.shape for span in lot.spans]) if lot.spans else None
    canvas.draw(spans, LOOKS["span-ground"], "span-ground")
    for k, one in enumerate(lot.setbacks):
        if canvas.draw(one.shape, looks.setback_look(k), f"setback-{k}"):
            source = f" ({one.more})" if one.more else ""
            canvas.tell(f"setback: {one.name}{source}", area_swatch(looks.setback_look(k)), 8)
    for rows, key, word in (
        (lot.exclusions, "exclusion", "exclusion"), (lot.set_aside, "set-aside", "set aside")
    ):  # fmt: skip
        for one in rows:
            if canvas.draw(one.shape, LOOKS[key], key):
                more = f", {one.more}" if one.more else ""
                canvas.tell(f"{word}: {one.name}{more}", area_swatch(LOOKS[key]), 8)
    if sum(canvas.draw(one.shape, LOOKS["neighbour"], "neighbour") for one in lot.neighbours):
        canvas.tell("line of a neighbouring lot", line_swatch(LOOKS["neighbour"]), 3)


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
        canvas.tell("trunk, as surveyed", _trunk_swatch, 7)


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
            yield Entry(f"{words} ({n})", crown_swatch(looks.crown_look(kind, "left")), 6)
    whats = {what: sum(n for key, n in seen.items() if key[1] == what) for what in _WHAT_WORDS}
    if {key[1] for key in seen} - {"left"}:
        for what, words in _WHAT_WORDS.items():
            if whats[what]:
                look = looks.crown_look("mangrove", what)
                yield Entry(f"{words} ({whats[what]})", crown_swatch(look), 6)
    n_kept = sum(n for key, n in seen.items() if key[2])
    if n_kept:
        look = looks.crown_look("mangrove", "left", is_kept=True)
        yield Entry(f"double outline: to be kept, as you said ({n_kept})", crown_swatch(look), 6)
    if n_far:
        words = f"crown not counted for this lot ({n_far})"
        yield Entry(words, crown_swatch(LOOKS["far-crown"]), 6)


def _outlines(canvas: Canvas) -> None:
    """Outlines over the crowns: zone, fringe, windows, the lot."""
    lot = canvas.lot
    for shape, key, words in (
        (lot.zone, "zone", "zone where trimming may be considered, not where it is allowed"),
        (lot.fringe, "fringe", "mangrove fringe, outline of its canopy"),
    ):
        if canvas.draw(shape, LOOKS[key], key):
            canvas.tell(words, line_swatch(LOOKS[key]), 3)
    n_seen = sum([canvas.draw(s.shape, LOOKS["span"], f"span {s.name}") for s in lot.spans])
    if n_seen:
        swatch = area_swatch(Look(1.3, fill=looks.TINT))
        canvas.tell("window w1, w2 ...: between two stations", swatch, 4)
    if canvas.draw(lot_line(lot), LOOKS["lot"], "lot", is_obstacle=True):
        canvas.tell("lot line, as given", line_swatch(LOOKS["lot"]), 2)


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
            canvas.tell(words, line_swatch(LOOKS[key]))
    drawn = [canvas.draw(r.shape, LOOKS["riparian"], "riparian", is_obstacle=True)
             for r in lot.riparian]  # fmt: skip
    if any(drawn):
        canvas.tell(f"riparian line, {lot.riparian[0].name}", line_swatch(LOOKS["riparian"]), 1)
    if canvas.draw(lot.mhw, LOOKS["mhw"], "mhw", is_obstacle=True):
        canvas.tell(lot.mhw_label, line_swatch(LOOKS["mhw"]), 0)
    if sum(_section(canvas, one) for one in lot.sections):
        canvas.tell("cross-section, looked at along its arrows", _section_swatch, 4)
    _deepest(canvas)


def _deepest(canvas: Canvas) -> None:
    one = canvas.lot.deepest
    if one is None or not canvas.draw(one.shape, LOOKS["deepest"], "deepest", is_obstacle=True):
        return
    looks.bars(canvas.pen, canvas.paper(one.shape), 3.0, "deepest-end")
    canvas.tell(f"greatest depth of the fringe: {one.name}, {one.more}", _depth_swatch, 4)


def _section(canvas: Canvas, one: Named) -> bool:
    """A section line with its letter at both ends and arrows the way it is looked along."""
    line = canvas.seen(one.shape)
    found = parts_of(line, 1)
    if not found:
        return False
    looks.stroke_lines(canvas.pen, found, LOOKS["section"], f"section {one.name}")
    canvas.obstacles.append(shapely.buffer(line, 0.8))
    whole = shapely.get_coordinates(canvas.paper(one.shape))
    way = (whole[-1] - whole[0]) / max(float(np.hypot(*(whole[-1] - whole[0]))), 1e-9)
    for end, sign in ((whole[0], -1.0), (whole[-1], 1.0)):
        if shapely.intersects_xy(canvas.clip, *end):
            _section_end(canvas, one.name, end, sign * way, way)
    return True


def _section_end(canvas: Canvas, letter: str, end: Array, out: Array, way: Array) -> None:
    """Heavy end, arrow and letter of one end of a section.

    The water is on the right of the drawn section, so it is looked at with the water on the right
    hand: the land end first, that is the line's left on paper.
    """
    look = np.array([way[1], -way[0]])  # left of the way, y down
    at = end + out * (LETTER_PT + 0.4)
    tip = at + look * (LETTER_PT + 5.0)
    wing = out * (LETTER_PT + 0.6)
    canvas.pen.area([[at + wing, tip, at - wing]], fill=BLACK, width_pt=0.3, name="section-arrow")
    looks.dot(
        canvas.pen,
        float(at[0]),
        float(at[1]),
        LETTER_PT,
        fill=WHITE,
        width_pt=0.9,
        name="section-letter",
    )
    canvas.pen.text(
        at[0], at[1] + 2.5, letter, size_pt=7.0, anchor="middle", is_bold=True, name="section"
    )
    canvas.obstacles.append(shapely.MultiPoint([at - look * 4, at, tip]).convex_hull.buffer(5.0))


def tick_step(scale_ft: float) -> float:
    """Feet between two station ticks: the least step with room on paper."""
    wide = (step for step in TICKS_FT if step * 72.0 / scale_ft >= LEAST_TICK_PT)
    return next(wide, TICKS_FT[-1])


def ticks_of(stretch: Stretch, step: float) -> list[tuple[float, bool]]:
    """Stations of the ticks of a stretch, and whether a figure stands there."""
    low, high = stretch.from_ft, stretch.to_ft
    inner = np.arange(np.ceil(low / step + NEAR), np.floor(high / step - NEAR) + 1) * step
    figured = [
        (float(s), round(s / step) % 2 == 0 and min(s - low, high - s) > 0.9 * step) for s in inner
    ]
    return [(low, True), *figured, (high, True)]


def _stations(canvas: Canvas) -> None:
    """Ticks on the land side of the frontage."""
    step = tick_step(canvas.view.frame.scale_ft)
    n_seen = 0
    for stretch in canvas.lot.stretches:
        for station, is_figured in ticks_of(stretch, step):
            here, land = tick_at(canvas, stretch, station)
            if not shapely.intersects_xy(shapely.buffer(canvas.clip, 0.5), *here):
                continue
            ends = [here, here + land * TICK_PT * (1.5 if is_figured else 1.0)]
            canvas.pen.line(ends, width_pt=0.9, name=f"tick {station:.2f}")
            n_seen += 1
    if n_seen:
        canvas.tell(
            f"station tick each {step:g} ft along the MHW line, from the left end looking to the"
            " water (figures with \u2032)", _tick_swatch, 0,
        )  # fmt: skip


def tick_at(canvas: Canvas, stretch: Stretch, station_ft: float) -> tuple[Array, Array]:
    """Where a tick starts on paper, and the direction to the land there."""
    here, way = at_station(stretch, station_ft)
    land = np.array([way[1], -way[0]])
    step = 1.0 / canvas.lot.feet_per_unit
    a, b = canvas.view.frame.points(np.array([here, here + land * step]))
    return a, (b - a) / max(float(np.hypot(*(b - a))), 1e-12)


def eye_arrow(canvas: Canvas, eye: Named) -> tuple[Array, Array] | None:
    """Tip and direction of the arrow to an eye beyond the map; None for one in it."""
    x, y = shapely.get_coordinates(canvas.paper(eye.shape))[0]
    if shapely.intersects_xy(shapely.buffer(map_room(canvas.view), -looks.EYE_PT - 1.0), x, y):
        return None
    room = shapely.buffer(map_room(canvas.view), -4.0)
    middle = shapely.get_coordinates(room.centroid)[0]
    ray = shapely.intersection(shapely.LineString([middle, (x, y)]), room)
    way = np.array([x, y]) - middle
    return shapely.get_coordinates(ray)[-1], way / max(float(np.hypot(*way)), 1e-9)


def _marks(canvas: Canvas) -> None:
    """Eyes, or arrows to those beyond the map; match lines."""
    for one in canvas.lot.eyes:
        arrow = eye_arrow(canvas, one)
        if arrow is None:
            x, y = shapely.get_coordinates(canvas.paper(one.shape))[0]
            looks.eye(canvas.pen, x, y)
            canvas.obstacles.append(shapely.Point(x, y).buffer(looks.EYE_PT + 0.6))
        else:
            tip, way = arrow
            side = np.array([-way[1], way[0]]) * 2.6
            head = [tip, tip - way * 8.0 + side, tip - way * 8.0 - side]
            canvas.pen.area([head], fill=BLACK, width_pt=0.3, name="eye-arrow")
            canvas.obstacles.append(shapely.Polygon(head))
    if canvas.lot.eyes:
        canvas.tell("eye: a place to look from (arrow: beyond the map)", _eye_swatch)
    for edge, _ in canvas.view.matches:
        line = shapely.intersection(canvas.paper(edge), map_room(canvas.view))
        looks.stroke_lines(canvas.pen, parts_of(line, 1), LOOKS["match"], "match-line")
        canvas.obstacles.append(shapely.buffer(line, 1.0))
    if canvas.view.matches:
        canvas.tell("match line: goes on on the next part", line_swatch(LOOKS["match"]), 4)


Swatch = Callable[[Pen, float, float, float, float], None]


def line_swatch(look: Look) -> Swatch:
    """A piece of a line."""

    def draw(pen: Pen, x: float, y: float, w: float, h: float) -> None:
        line = shapely.LineString([(x, y + h / 2), (x + w, y + h / 2)])
        looks.paint(pen, line, look, "swatch")

    return draw


def area_swatch(look: Look) -> Swatch:
    """A small rectangle."""

    def draw(pen: Pen, x: float, y: float, w: float, h: float) -> None:
        looks.paint(pen, shapely.box(x, y - 0.2, x + w, y + h + 0.2), look, "swatch")

    return draw


def crown_swatch(look: Look) -> Swatch:
    """A small crown."""

    def draw(pen: Pen, x: float, y: float, w: float, h: float) -> None:
        round_ = shapely.Point(0.0, 0.0).buffer(1.0, quad_segs=6)
        shape = shapely.transform(
            round_, lambda xy: xy * [w * 0.42, h * 0.6] + [x + w / 2, y + h / 2]
        )
        looks.paint(pen, shape, look, "swatch")

    return draw


def _depth_swatch(pen: Pen, x: float, y: float, w: float, h: float) -> None:
    line = shapely.LineString([(x + 1, y + h / 2), (x + w - 1, y + h / 2)])
    looks.paint(pen, line, LOOKS["deepest"], "swatch")
    looks.bars(pen, line, 3.0, "swatch")


def _section_swatch(pen: Pen, x: float, y: float, w: float, h: float) -> None:
    line = shapely.LineString([(x, y + h / 2), (x + w - 9, y + h / 2)])
    looks.paint(pen, line, LOOKS["section"], "swatch")
    looks.dot(pen, x + w - 4.5, y + h / 2, 4.2, fill=WHITE, width_pt=0.9, name="swatch")


def _tick_swatch(pen: Pen, x: float, y: float, w: float, h: float) -> None:
    looks.paint(
        pen, shapely.LineString([(x, y + h / 2), (x + w, y + h / 2)]), LOOKS["mhw"], "swatch"
    )
    for k in range(3):
        at = x + (0.15 + 0.35 * k) * w
        pen.line([(at, y + h / 2), (at, y + h / 2 + TICK_PT)], width_pt=0.9, name="swatch")


def _eye_swatch(pen: Pen, x: float, y: float, w: float, h: float) -> None:
    looks.eye(pen, x + w / 2, y + h / 2)


def _trunk_swatch(pen: Pen, x: float, y: float, w: float, h: float) -> None:
    looks.trunk(pen, x + w / 2, y + h / 2)
