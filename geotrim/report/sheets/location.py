"""The location sketch: the lot among its neighbours, on the grid of its coordinates.

Nothing is fetched: there is no map under it but what the inputs hold.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import shapely

from geotrim.io.package_read import Package
from geotrim.report.shapes import parts_of
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.drawing import Pen
from geotrim.report.sheets.labels import Label, place, spots_along
from geotrim.report.sheets.legend import draw_bar, draw_legend, draw_north
from geotrim.report.sheets.lettering import folded
from geotrim.report.sheets.plan_canvas import Canvas, canvas_of, map_room
from geotrim.report.sheets.plan_frame import (
    BESIDE,
    HEIGHT_PT,
    OVERALL_FT,
    WIDTH_PT,
    View,
    framed,
    overall_view,
)
from geotrim.report.sheets.plan_labels import NAME_PT, grid_in
from geotrim.report.sheets.plan_looks import GREY, LOOKS, MID, TINT, Look
from geotrim.report.sheets.plan_lot import PlanLot, plan_lot
from geotrim.report.sheets.plan_swatches import line_swatch
from geotrim.report.sheets.sheet import Sheet
from geotrim.report.sheets.title_block import lot_name
from geotrim.report.sheets.true_scale import scale_that_fits
from geotrim.report.statement_parts import clean

#: Ground shown around the lot and the lots beside it, of their size on each side.
AROUND = 0.15
#: Sides of the lot that are told by their length, and the shortest of them. [ft]
MOST_SIDES, LEAST_SIDE_FT = 14, 6.0
#: Steps between grid ticks, and the least room between two. [map units, pt]
STEPS = tuple(a * 10.0**k for k in range(0, 6) for a in (1, 2, 5))
LEAST_STEP_PT, TICK_PT = 90.0, 6.0
_FRAME_LOOK = Look(0.6, (1.0, 2.2), stroke=GREY)


def location_sheets(package: Package, lot_id: str, choices: Choices) -> list[Sheet]:
    """The location sketch of one lot; none where its polygon is not there."""
    lot = plan_lot(package, lot_id)
    if lot.lot is None:
        return []
    view = location_view(lot)
    canvas = canvas_of(lot, view)
    _draw(canvas, choices)
    ticks = _grid(canvas)
    room = shapely.buffer(map_room(view), -2.0)
    words = place([*_names(canvas), *_sides(canvas)], [*canvas.obstacles, *ticks], room)
    for placed in words.placed:
        canvas.pen.items += placed.items()
    pen = canvas.pen
    pen.box(0.0, 0.0, view.layout.map_width_pt, view.layout.map_height_pt, width_pt=0.8, name="map")
    scale = f"1 in = {view.frame.scale_ft:g} ft"
    note = (
        f"{scale} on paper of 8.5 x 11 in, printed at full size. No base map: nothing is fetched,"
        " only what the inputs hold is drawn. Sides are grid lengths of the lot as given."
    )
    for k, line in enumerate(folded(note, 6.5, view.layout.map_width_pt)):
        pen.text(0.0, view.layout.map_height_pt + 8.5 + 8.2 * k, line, size_pt=6.5, name="note")
    _beside(canvas, package, lot_id)
    alt = f"Location of {lot_name(lot_id)} among its neighbours, {scale}, grid north up."
    return [Sheet("Location", (pen.drawing(WIDTH_PT, HEIGHT_PT, alt=alt),), scale)]


def location_view(lot: PlanLot) -> View:
    """North up, the lot in the middle with ground around it."""
    shapes = [lot.lot, *(one.shape for one in lot.riparian)]
    x0, y0, x1, y1 = shapely.total_bounds(shapes)
    size = max(x1 - x0, y1 - y0)
    near = shapely.buffer(lot.lot, 1.0 / lot.feet_per_unit)
    beside = [one.shape for one in lot.neighbours if shapely.intersects(one.shape, near)]
    most = shapely.box(x0 - size, y0 - size, x1 + size, y1 + size)
    x0, y0, x1, y1 = shapely.total_bounds([*shapes, *shapely.intersection(beside, most)])
    wide = AROUND * max(x1 - x0, y1 - y0)
    ground = np.array([(x0 - wide, y0 - wide), (x1 + wide, y1 + wide)])
    width, high = np.ptp(ground, axis=0) * lot.feet_per_unit
    layout = BESIDE
    scale = scale_that_fits(
        width, high, layout.map_width_pt, layout.map_height_pt, OVERALL_FT
    ) or _next_round(width, high)  # fmt: skip
    frame = framed(ground, 0.0, lot.feet_per_unit, scale, layout)
    return View(frame, layout, frozenset(), "Location")


def _next_round(width_ft: float, height_ft: float) -> int:
    """A whole thousand of feet in an inch that holds even a very large lot."""
    room = max(width_ft / BESIDE.map_width_pt, height_ft / BESIDE.map_height_pt) * 72.0
    return math.ceil(room / 1000.0) * 1000


def _draw(canvas: Canvas, choices: Choices) -> None:
    """Lots, shore, riparian lines and the frame of the plan view."""
    lot = canvas.lot
    if sum(canvas.draw(one.shape, LOOKS["neighbour"], "neighbour") for one in lot.neighbours):
        canvas.tell("line of a neighbouring lot", line_swatch(LOOKS["neighbour"]))
    canvas.draw(lot.lot, Look(stroke=None, fill=TINT), "lot-ground")
    for shape, key, words in (
        (lot.channel, "channel", "channel line"), (lot.mouth, "mouth", "mouth line")
    ):  # fmt: skip
        if canvas.draw(shape, LOOKS[key], key, is_obstacle=True):
            canvas.tell(words, line_swatch(LOOKS[key]))
    canvas.draw(lot.lot, LOOKS["lot"], "lot", is_obstacle=True)
    canvas.tell("the lot of this plan, tinted", line_swatch(LOOKS["lot"]))
    drawn = [canvas.draw(r.shape, LOOKS["riparian"], "riparian") for r in lot.riparian]
    if any(drawn):
        canvas.tell(f"riparian line, {lot.riparian[0].name}", line_swatch(LOOKS["riparian"]))
    if canvas.draw(lot.mhw, LOOKS["mhw"], "mhw", is_obstacle=True):
        canvas.tell(lot.mhw_label, line_swatch(LOOKS["mhw"]))
    if canvas.draw(_plan_outline(lot, choices), _FRAME_LOOK, "plan-frame"):
        canvas.tell("ground of the plan view", line_swatch(_FRAME_LOOK))


def _plan_outline(lot: PlanLot, choices: Choices) -> Any:
    """The ground the plan view shows, a turned rectangle. [map units]."""
    frame = overall_view(lot, choices.scale_ft).frame
    turn = math.radians(-frame.turn_deg)
    half = np.array([frame.width_pt, frame.height_pt]) / 2 / frame.length_pt(1.0)
    corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * half / frame.feet_per_unit
    c, s = math.cos(turn), math.sin(turn)
    return shapely.Polygon(corners @ np.array([[c, s], [-s, c]]) + [frame.x0, frame.y0])


def _grid(canvas: Canvas) -> list[Any]:
    """Crosses of the grid, ticks on the edges and their coordinates; room of the figures."""
    frame = canvas.view.frame
    wide, high = frame.width_pt, frame.height_pt
    per_unit = frame.length_pt(frame.feet_per_unit)
    step = next((s for s in STEPS if s * per_unit >= LEAST_STEP_PT), STEPS[-1])
    xs = _round_values(frame.x0, wide / 2 / per_unit, step)
    ys = _round_values(frame.y0, high / 2 / per_unit, step)
    rooms = []
    at_x = [frame.points([(x, frame.y0)])[0][0] for x in xs]
    at_y = [frame.points([(frame.x0, y)])[0][1] for y in ys]
    for value, x in zip(xs, at_x, strict=True):
        ticks = [[(x, 0), (x, TICK_PT)], [(x, high - TICK_PT), (x, high)]]
        canvas.pen.lines(ticks, width_pt=0.6, name=f"grid-tick E {value:.0f}")
        rooms.append(_figure(canvas.pen, x, high - TICK_PT - 3.0, f"E {value:,.0f}", 0.0))
    for value, y in zip(ys, at_y, strict=True):
        ticks = [[(0, y), (TICK_PT, y)], [(wide - TICK_PT, y), (wide, y)]]
        canvas.pen.lines(ticks, width_pt=0.6, name=f"grid-tick N {value:.0f}")
        rooms.append(_figure(canvas.pen, TICK_PT + 8.0, y, f"N {value:,.0f}", 90.0))
    crosses = [
        line for x in at_x for y in at_y
        for line in ([(x - 3, y), (x + 3, y)], [(x, y - 3), (x, y + 3)])
    ]  # fmt: skip
    canvas.pen.lines(crosses, width_pt=0.35, stroke=MID, name="grid-cross")
    return rooms


def _round_values(middle: float, half: float, step: float) -> list[float]:
    """Round coordinates within a half width of a middle, not too near to the edge."""
    low, high = middle - 0.94 * half, middle + 0.94 * half
    return (np.arange(math.ceil(low / step), math.floor(high / step) + 1) * step).tolist()


def _figure(pen: Pen, x: float, y: float, words: str, turn: float) -> Any:
    """A coordinate, centred; its room."""
    label = Label(words, (x, y), size_pt=6.0)
    pen.text(x, y, words, size_pt=6.0, anchor="middle", turn_deg=turn, colour=GREY, plate="#ffffff",
             name="coordinate")  # fmt: skip
    w, h = label.extent_pt
    half = (h, w / 2) if turn else (w / 2, h)
    return shapely.box(x - half[0], y - half[1], x + half[0], y + half[1])


def _names(canvas: Canvas) -> Iterator[Label]:
    """Names of lots and of the water."""
    lot = canvas.lot
    rows = [(lot.lot, lot_name(lot.lot_id, "LOT"), True, 9.0)]
    rows += [(one.shape, lot_name(one.name), False, NAME_PT) for one in lot.neighbours]
    for shape, words, is_bold, size in rows:
        for part in parts_of(canvas.seen(shape), 2)[:1]:
            spots = grid_in(part, 15)
            deep = shapely.distance(shapely.boundary(part), shapely.points(spots[:, :2]))
            spots = spots[np.argsort(-deep, kind="stable")][:60]
            label = Label(words, (0.0, 0.0), spots, part, 0.98, size_pt=size, is_bold=is_bold)
            yield replace(label, rank=0 if is_bold else 2)
    if lot.mhw is not None:
        yield from _along(canvas, lot.mhw, lot.mhw_label.split(",")[0])
    for shape, words in ((lot.channel, "channel"), (lot.mouth, "mouth")):
        if shape is not None:
            yield from _along(canvas, shape, words)


def _along(canvas: Canvas, shape: Any, words: str) -> Iterator[Label]:
    seen = parts_of(shapely.line_merge(canvas.seen(shape)), 1)
    label = Label(words, (0.0, 0.0), size_pt=NAME_PT, rank=1)
    spots = [spots_along(part, label.extent_pt, 2.2) for part in seen]
    if spots:
        yield replace(label, spots=np.concatenate(spots))


def _sides(canvas: Canvas) -> Iterator[Label]:
    """Lengths of the lot's sides, where it has few: inside, along each."""
    lot = canvas.lot
    shore = None if lot.mhw is None else shapely.buffer(lot.mhw, 1.0 / lot.feet_per_unit)
    for part in parts_of(shapely.simplify(lot.lot, 0.1 / lot.feet_per_unit), 2):
        xy = shapely.get_coordinates(part.exterior)
        edges = list(pairwise(xy))
        if shore is not None:  # what runs along the MHW line is told as frontage
            edges = [e for e in edges if not shapely.covers(shore, shapely.LineString(e))]
        for a, b in edges if len(edges) <= MOST_SIDES else []:
            length = float(np.hypot(*(b - a))) * lot.feet_per_unit
            if length < LEAST_SIDE_FT:
                continue
            line = canvas.seen(shapely.LineString([a, b]))
            label = Label(f"{length:.1f} ft", (0.0, 0.0), size_pt=6.5, rank=1, key="side")
            for piece in parts_of(line, 1):
                yield replace(label, spots=spots_along(piece, label.extent_pt, 2.4, 9))


def _beside(canvas: Canvas, package: Package, lot_id: str) -> None:
    """North arrow, scale bar, what is told of the place, legend."""
    pen, view = canvas.pen, canvas.view
    left, top, width, height = view.layout.legend_box
    draw_north(pen, left + 26.0, top + 29.0, view.frame.north_deg)
    pen.text(left + 58.0, top + 18.0, f"1 in = {view.frame.scale_ft:g} ft", size_pt=8.5,
             is_bold=True, name="scale")  # fmt: skip
    draw_bar(pen, left + 58.0, top + 34.0, view.frame.scale_ft, width - 58.0)
    y = top + 76.0
    for heading, words in place_facts(package, lot_id, canvas.lot):
        pen.text(left, y, heading, size_pt=6.5, colour=GREY, name="fact-heading")
        for line in folded(words, 7.5, width):
            y += 9.4
            pen.text(left, y, line, size_pt=7.5, name="fact")
        y += 13.5
    draw_legend(pen, canvas.entries, (left, y, width, top + height - y))


def place_facts(package: Package, lot_id: str, lot: PlanLot) -> list[tuple[str, str]]:
    """What is known of the place: heading and words."""
    facts = package.record.get("facts", {}).get(lot_id, {})
    rows = [
        ("Site", clean(package.site_name)),
        ("Lot", f"{clean(lot_id)}, {shapely.area(lot.lot) * lot.feet_per_unit**2:,.0f} sq ft"),
    ]
    front = package.rows("lots")
    front = front[front["lot_id"].astype(str) == lot_id]["frontage_length_ft"]
    if len(front) and np.isfinite(front.iloc[0]):
        rows.append(("Frontage", f"{front.iloc[0]:,.1f} ft of shore"))
    if facts.get("local_government"):
        rows.append(("County, town or city, as told", clean(facts["local_government"])))
    rows.append(("Water side", _water_side(package)))
    rows.append(("Middle of the lot", middle_words(package.crs, lot.lot)))
    rows.append(("Coordinates", _crs_words(package)))
    return rows


def _water_side(package: Package) -> str:
    """Names of the water in words."""
    return "; ".join(water_names(package)) or "no name was given"


def water_names(package: Package) -> list[str]:
    """Names of the water as far as layers hold any, each once."""
    names = [
        clean(str(row["name"]))
        for table in ("channel", "mouth_line")
        for row in package.rows(table).to_dict("records")
        if isinstance(row.get("name"), str) and row["name"].strip()
    ]
    return list(dict.fromkeys(names))


def middle_words(crs: Any, shape: Any) -> str:
    """Latitude and longitude of a lot's middle, in the datum of its coordinates."""
    from pyproj import CRS, Transformer

    grid = CRS.from_user_input(crs)
    degrees = grid.geodetic_crs
    x, y = shapely.get_coordinates(shapely.centroid(shape))[0]
    change = Transformer.from_crs(grid, degrees, always_xy=True)
    longitude, latitude = (float(value) for value in change.transform(x, y))
    name = degrees.name if degrees is not None else ""
    return f"{_degrees(latitude, 'N', 'S')}, {_degrees(longitude, 'E', 'W')} ({name})"


def _degrees(value: float, plus: str, minus: str) -> str:
    r"""An angle in degrees, minutes and tenths of a second, about 10 ft.

    Examples
    --------
    >>> ascii(_degrees(26.999999, "N", "S"))
    "'27\\xb0 00\\u2032 00.0\\u2033 N'"
    """
    tenths = round(abs(value) * 36000.0)
    whole, rest = divmod(tenths, 36000)
    minutes, tenths = divmod(rest, 600)
    side = plus if value >= 0 else minus
    return f"{whole}\u00b0 {minutes:02d}\u2032 {tenths / 10:04.1f}\u2033 {side}"


def _crs_words(package: Package) -> str:
    """The grid the coordinates are of, with its unit and its factor here."""
    told = package.record["crs"]
    words = f"{clean(told['name'])}"
    if told.get("code"):
        words += f" ({told['code']})"
    unit = str(told["map_unit"])
    unit = unit.replace("foot", "feet") if "foot" in unit else f"{unit}s"
    words += f", {unit}; E and N are its grid coordinates"
    if told.get("grid_scale_factor_at_site") is not None:
        words += f"; grid scale factor here {told['grid_scale_factor_at_site']:.7f}"
    return words
