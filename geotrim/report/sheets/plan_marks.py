"""Marks on the plan view: station ticks, sections, eyes, match lines."""

from __future__ import annotations

import numpy as np
import shapely

from geotrim.report.shapes import parts_of
from geotrim.report.sheets import plan_looks as looks
from geotrim.report.sheets import plan_swatches as swatches
from geotrim.report.sheets.drawing import BLACK, WHITE, Array, Path
from geotrim.report.sheets.plan_canvas import Canvas, map_room
from geotrim.report.sheets.plan_frame import at_station
from geotrim.report.sheets.plan_looks import LOOKS
from geotrim.report.sheets.plan_lot import Named, Stretch
from geotrim.report.station_ticks import tick_step, ticks_of

#: Least room of a station tick on paper. [pt]
LEAST_TICK_PT = 11.0
#: Half of the circle with the letter of a section. [pt]
LETTER_PT = 5.2


def ticks_on(canvas: Canvas, stretch: Stretch) -> list[tuple[float, bool]]:
    """Stations of the ticks of a stretch on this map, and whether a figure stands there."""
    return ticks_of(stretch.from_ft, stretch.to_ft, step_on(canvas))


def step_on(canvas: Canvas) -> float:
    """Feet between two ticks on this map."""
    return tick_step(LEAST_TICK_PT * canvas.view.frame.scale_ft / 72.0)


def draw_stations(canvas: Canvas) -> None:
    """Ticks on the land side of the frontage, over the crowns, with a rim of paper."""
    n_seen = 0
    for stretch in canvas.lot.stretches:
        for station, is_figured in ticks_on(canvas, stretch):
            here, land = tick_at(canvas, stretch, station)
            if not shapely.intersects_xy(shapely.buffer(canvas.clip, 0.5), *here):
                continue
            ends = [here, here + land * swatches.TICK_PT * (1.5 if is_figured else 1.0)]
            line = shapely.LineString(ends)
            looks.stroke_lines(canvas.pen, [line], LOOKS["tick"], f"tick {station:.2f}")
            canvas.obstacles.append(shapely.buffer(line, 0.6))
            n_seen += 1
    if n_seen:
        canvas.tell(
            f"station tick each {step_on(canvas):g} ft along the frontage, from the left end"
            " looking to the water (figures with \u2032)", swatches.tick_swatch, 0,
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


def draw_marks(canvas: Canvas) -> None:
    """Eyes, or arrows to those beyond the map; match lines."""
    has_ring = has_arrow = False
    for one in canvas.lot.eyes:
        arrow = eye_arrow(canvas, one)
        if arrow is None:
            x, y = shapely.get_coordinates(canvas.paper(one.shape))[0]
            looks.eye(canvas.pen, x, y)
            canvas.obstacles.append(shapely.Point(x, y).buffer(looks.EYE_PT + 0.6))
            has_ring = True
        else:
            has_arrow = True
            head = looks.arrow(canvas.pen, *arrow, "eye-arrow")
            canvas.obstacles.append(shapely.Polygon(head))
    if has_ring:
        canvas.tell("eye: a place to look from", swatches.eye_swatch)
    if has_arrow:
        canvas.tell("arrow to an eye, a place to look from, beyond the map", swatches.arrow_swatch)
    for edge, _ in canvas.view.matches:
        line = shapely.intersection(canvas.paper(edge), map_room(canvas.view))
        looks.stroke_lines(canvas.pen, parts_of(line, 1), LOOKS["match"], "match-line")
        canvas.obstacles.append(shapely.buffer(line, 1.0))
    if canvas.view.matches:
        canvas.tell("match line: goes on on the next part", swatches.line_swatch(LOOKS["match"]), 4)


def draw_section(canvas: Canvas, one: Named) -> bool:
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


def _free_of_letters(canvas: Canvas, at: Array, out: Array) -> Array:
    """The place of a letter, further out where another section's stands there already."""
    there = [
        np.mean(item.parts[0], axis=0)
        for item in canvas.pen.items
        if isinstance(item, Path) and item.name == "section-letter"
    ]
    apart = 2 * LETTER_PT + 1.5
    for _ in range(len(there)):
        if all(float(np.hypot(*(at - one))) >= apart for one in there):
            break
        at = at + out * apart
    return at


def _section_end(canvas: Canvas, letter: str, end: Array, out: Array, way: Array) -> None:
    """Heavy end, arrow and letter of one end of a section.

    The water is on the right of the drawn section, so it is looked at with the water on the right
    hand: the land end first, that is the line's left on paper.
    """
    look = np.array([way[1], -way[0]])  # left of the way, y down
    at = _free_of_letters(canvas, end + out * (LETTER_PT + 0.4), out)
    if not np.allclose(at, end + out * (LETTER_PT + 0.4)):
        looks.stroke_lines(
            canvas.pen, [shapely.LineString([end, at])], LOOKS["section"], f"section {letter}"
        )
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
