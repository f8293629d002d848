"""Words on the plan view: each finds a place of its own, numbers of trees last."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import shapely
from shapely.ops import substring

from geotrim.report.shapes import parts_of
from geotrim.report.sheets.labels import Label, Placing, place, spots_along, spots_around
from geotrim.report.sheets.plan_canvas import Canvas, map_room
from geotrim.report.sheets.plan_frame import View, place_of
from geotrim.report.sheets.plan_lot import Named, PlanLot, Stretch, Tree
from geotrim.report.sheets.plan_marks import eye_arrow, tick_at, ticks_on
from geotrim.report.sheets.title_block import lot_name

#: Sizes of lettering: names of lines and areas, numbers of trees. [pt]
NAME_PT, NUMBER_PT, STATION_PT = 7.0, 6.0, 6.0
#: How far a number may stand from its tree, a name from its line. [pt]
NUMBER_REACH_PT, NAME_REACH_PT = 90.0, 110.0
#: From one short name of the shore line to the next, about; key of all its names. [pt]
REPEAT_PT, SHORE = 160.0, "shore"
#: Fewer trees than this have room around them for leaders, however small their crowns.
MANY = 60
#: Steps of the grid of places tried in a crown.
GRID = 7


def place_words(canvas: Canvas, *, has_leaders: bool = True) -> Placing:
    """Find places for all words of a map; those of trees have the tree's number as their key.

    Without leaders a number stands in its crown or not at all.
    """
    room = shapely.buffer(map_room(canvas.view), -1.5)
    numbers = [label if has_leaders else replace(label, reach_pt=0.0) for label in _numbers(canvas)]
    words = place([*_names(canvas), *numbers], canvas.obstacles, room, canvas.soft)
    return with_repeats(canvas, words, room)


def with_repeats(canvas: Canvas, words: Placing, room: Any) -> Placing:
    """The shore line's short name again and again along it, where the other words leave room."""
    shore = canvas.lot.mhw
    if shore is None:
        return words
    there = [shape for one in words.placed for shape in one.shapes]
    named = [one.box for one in words.placed if one.label.key == SHORE]
    near = shapely.buffer(shapely.union_all(named), REPEAT_PT / 4)
    label = Label(canvas.lot.mhw_label.split(",")[0], (0.0, 0.0), size_pt=NAME_PT, key=SHORE)
    again = []
    for part in parts_of(shapely.line_merge(canvas.seen(shore)), 1):
        n = max(round(part.length / REPEAT_PT), 1)
        for k in range(n):
            piece = substring(part, k / n, (k + 0.7) / n, normalized=True)
            spots = spots_along(shapely.difference(piece, near), label.extent_pt, 2.6, 15)
            again.append(replace(label, spots=spots, is_shy=True))
    more = place(again, [*canvas.obstacles, *there], room, canvas.soft)
    return Placing((*words.placed, *more.placed), words.left)


def is_hopeless(lot: PlanLot, view: View, least: float) -> bool:
    """Whether many crowns are so small beside their numbers that most would stand on leaders.

    ``least`` is how wide a crown has to be, of its number's width.
    """
    own = [tree for tree in lot.own if tree.number in view.numbers]
    if len(own) < MANY:
        return False
    across = np.sqrt(shapely.area([tree.shape for tree in own]))
    across *= view.frame.length_pt(lot.feet_per_unit)
    wide = [Label(tree.number, (0.0, 0.0), size_pt=NUMBER_PT).extent_pt[0] for tree in own]
    return bool(np.median(across / np.array(wide)) < least)


def _names(canvas: Canvas) -> Iterator[Label]:
    """Names of lines, areas and places, the weightiest first."""
    lot = canvas.lot
    for edge, words in canvas.view.matches:
        yield from _on_line(canvas, edge, words, rank=0, is_bold=True, reach=NAME_REACH_PT)
    for span in lot.spans:
        yield from _at_area(canvas, span, f"{span.name}: {span.more} ft", rank=0, is_bold=True)
    if lot.mhw is not None:
        yield from _on_line(
            canvas, lot.mhw, lot.mhw_label, rank=2, reach=NAME_REACH_PT, is_shy=True, key=SHORE
        )
    for one in lot.riparian:
        yield from _on_line(canvas, one.shape, f"riparian line, {one.name}", rank=1)
    if lot.deepest is not None:
        words = f"fringe {lot.deepest.name.split(' at ')[0]} deep"
        yield from _on_line(canvas, lot.deepest.shape, words, rank=1, reach=NAME_REACH_PT)
    for stretch in lot.stretches:
        yield from _figures(canvas, stretch)
    for eye in lot.eyes:
        yield from _eye(canvas, eye)
    yield from _in_areas(canvas)
    yield from _water(canvas)


def _on_line(
    canvas: Canvas,
    shape: Any,
    words: str,
    *,
    rank: int,
    reach: float = 0.0,
    is_bold: bool = False,
    is_shy: bool = False,
    key: str = "",
) -> Iterator[Label]:
    """A name along the longest part of a line on the map, on two lines where one is too long."""
    within = map_room(canvas.view) if is_bold else canvas.clip
    seen = shapely.intersection(canvas.paper(shape), within)
    parts = sorted(parts_of(shapely.line_merge(seen), 1), key=shapely.length, reverse=True)
    if not parts:
        return
    bare = shapely.difference(seen, canvas.cover())
    best = max(parts_of(bare, 1), key=shapely.length, default=parts[0])
    middle = shapely.get_coordinates(shapely.line_interpolate_point(best, 0.5, normalized=True))
    ways = []
    for text in dict.fromkeys((words, halved(words))):
        label = Label(
            text, middle[0], size_pt=NAME_PT, rank=rank, is_bold=is_bold, reach_pt=reach, key=key
        )
        spots = [spots_along(part, label.extent_pt, 2.2, 41) for part in parts[:3]]
        ways.append(replace(label, spots=np.concatenate(spots)))
    yield replace(ways[0], also=tuple(ways[1:]), is_shy=is_shy)


def halved(words: str) -> str:
    r"""Words on two lines, broken at the space or comma nearest to their middle.

    Examples
    --------
    >>> halved("riparian line, proposed")
    'riparian line,\nproposed'
    """
    gaps = [k for k, letter in enumerate(words) if letter == " "]
    if not gaps:
        return words
    best = min(gaps, key=lambda k: abs(k - len(words) / 2) - 6 * (words[k - 1] == ","))
    return f"{words[:best]}\n{words[best + 1 :]}"


def _at_area(
    canvas: Canvas, one: Named, words: str, *, rank: int, is_bold: bool = False
) -> Iterator[Label]:
    """A name outside an area, on its water side first, or on a leader."""
    seen = canvas.seen(one.shape)
    if not parts_of(seen, 2):
        return
    x0, y0, x1, y1 = shapely.bounds(seen)
    middle = (x0 + x1) / 2
    corners = shapely.get_coordinates(seen)
    top = corners[np.argmin(corners[:, 1] + 0.05 * abs(corners[:, 0] - middle))]
    label = Label(words, top, size_pt=NAME_PT, rank=rank, is_bold=is_bold)
    high = label.extent_pt[1] / 2
    # not further aside than a narrow area is wide: the words stand over it, or on a leader
    room = max(x1 - x0 - label.extent_pt[0], 0.3 * (x1 - x0)) / 2
    shifts = np.array([0.0, 0.33, -0.33, 0.67, -0.67, 1.0, -1.0]) * room
    ups = (3.0, 8.0, 14.0, 20.0, 26.0, 32.0, 38.0, 44.0)  # the last over the letter of a section
    spots = [(middle + dx, y0 - high - up, 0.0) for up in ups for dx in shifts]
    spots += [(middle + dx, y1 + high + up, 0.0) for up in ups for dx in shifts]
    yield replace(label, spots=spots, reach_pt=NAME_REACH_PT, is_shy=True)


def _figures(canvas: Canvas, stretch: Stretch) -> Iterator[Label]:
    """Figures of stations by their ticks, with the sign of feet: numbers of trees have none."""
    for station, is_figured in ticks_on(canvas, stretch):
        here, land = tick_at(canvas, stretch, station)
        if is_figured and shapely.intersects_xy(shapely.buffer(canvas.clip, 0.5), *here):
            label = Label(
                f"{station:.0f}\u2032", here, size_pt=STATION_PT, rank=0, is_italic=True,
                key="station",
            )  # fmt: skip
            along = np.array([land[1], -land[0]])
            spots = [
                (*(here + land * far + along * aside), 0.0)
                for far in (12.0, 13.5, 16.0, -8.0, 20.0, -12.0)
                for aside in (0.0, 8.0, -8.0, 12.0, -12.0)
            ]
            yield replace(label, spots=spots)


def _eye(canvas: Canvas, eye: Named) -> Iterator[Label]:
    """The name beside an eye, or at the arrow to one beyond the map, with how far it lies off."""
    x, y = shapely.get_coordinates(canvas.paper(eye.shape))[0]
    arrow = eye_arrow(canvas, eye)
    words, at = f"eye: {eye.name}", np.array([x, y])
    if arrow is not None:
        off = float(np.hypot(*(at - arrow[0]))) * canvas.view.frame.scale_ft / 72.0
        words, at = f"{words}, {off:.0f} ft beyond", arrow[0] - arrow[1] * 4.0
    label = Label(words, at, size_pt=NAME_PT, rank=2, reach_pt=40.0)
    yield replace(
        label, spots=spots_around(float(at[0]), float(at[1]), label.extent_pt, 6.0)[[2, 3, 0, 1]]
    )


def _in_areas(canvas: Canvas) -> Iterator[Label]:
    """Names of lots and of areas, where free ground is."""
    lot = canvas.lot
    named = [(lot.lot, lot_name(lot.lot_id, "LOT"), True)]
    named += [(one.shape, lot_name(one.name), False) for one in lot.neighbours]
    named += [(one.shape, f"setback: {one.name}", False) for one in lot.setbacks]
    named += [(one.shape, f"excluded: {one.name}", False) for one in lot.exclusions]
    named += [(one.shape, f"set aside: {one.name}", False) for one in lot.set_aside]
    cover = canvas.cover()
    for shape, words, is_bold in named:
        parts = [] if shape is None else parts_of(canvas.seen(shape), 2)
        for part in sorted(parts, key=shapely.area, reverse=True)[:3]:
            yield from _in_area(part, cover, words, is_bold=is_bold)


def _in_area(part: Any, cover: Any, words: str, *, is_bold: bool) -> Iterator[Label]:
    """A name in an area, off the crowns: level, or turned along it; on one line or on two."""
    free = shapely.difference(part, cover)
    if shapely.is_empty(free):
        return
    ways = []
    spots = grid_in(part, 17)
    deep = shapely.distance(shapely.boundary(free), shapely.points(spots[:, :2]))
    spots = spots[np.argsort(-deep, kind="stable")][:60]
    for turn in (0.0, _long_way(part)):
        for text in dict.fromkeys((words, halved(words))):
            size = 8.5 if is_bold else NAME_PT
            at = np.column_stack([spots[:, :2], np.full(len(spots), turn)])
            label = Label(text, (0.0, 0.0), size_pt=size, rank=3, is_bold=is_bold)
            ways.append(replace(label, spots=at, home=free, home_frac=0.97))
    yield replace(ways[0], also=tuple(ways[1:]))


def _long_way(shape: Any) -> float:
    """Turn of an area's long side, counter-clockwise on paper, never upside down. [deg]."""
    corners = shapely.get_coordinates(shapely.oriented_envelope(shape))
    sides = np.diff(corners[:3], axis=0)
    way = (
        sides[int(np.argmax(np.hypot(sides[:, 0], sides[:, 1])))] if len(sides) == 2 else (1.0, 0.0)
    )
    turn = float(np.degrees(np.arctan2(-way[1], way[0])))
    return (turn + 89.9) % 180.0 - 89.9


def _water(canvas: Canvas) -> Iterator[Label]:
    """The word water, well off the shore."""
    lot = canvas.lot
    if not lot.stretches:
        return
    shore = shapely.union_all([canvas.paper(stretch.line) for stretch in lot.stretches])
    side = shapely.union_all(
        [canvas.paper(_waterside(stretch, canvas.view.frame.scale_ft * 6.0 / lot.feet_per_unit))
         for stretch in lot.stretches]
    )  # fmt: skip
    side = shapely.intersection(side, shapely.buffer(map_room(canvas.view), -8.0))
    side = shapely.difference(side, shapely.union(canvas.cover(), shapely.buffer(shore, 12.0)))
    label = Label("w a t e r", (0.0, 0.0), size_pt=8.5, rank=3, is_italic=True)
    for part in sorted(parts_of(side, 2), key=shapely.area, reverse=True)[:1]:
        spots = grid_in(part, 21)
        far = shapely.distance(shapely.boundary(part), shapely.points(spots[:, :2]))
        spots = spots[np.argsort(-far, kind="stable")][:120]
        yield replace(label, spots=spots, home=part, home_frac=0.99)


def _waterside(stretch: Stretch, wide: float) -> Any:
    """A strip on the water's side of a stretch. [map units]."""
    return shapely.buffer(stretch.line, wide, single_sided=True)


def grid_in(shape: Any, n: int) -> Any:
    """Places in a shape on a grid over its box, (k, 3)."""
    x0, y0, x1, y1 = shapely.bounds(shape)
    x, y = np.meshgrid(np.linspace(x0, x1, n + 2)[1:-1], np.linspace(y0, y1, n + 2)[1:-1])
    inside = shapely.intersects_xy(shape, x.ravel(), y.ravel())
    return np.column_stack([x.ravel()[inside], y.ravel()[inside], np.zeros(int(inside.sum()))])


def _numbers(canvas: Canvas) -> Iterator[Label]:
    """Numbers of trees: beside the trunk in the crown, elsewhere in it, or on a leader."""
    for tree in canvas.lot.trees:
        is_needed = tree.number in canvas.view.numbers and tree.is_own
        shape = canvas.paper(tree.shape)
        if is_needed or (not tree.is_own and shapely.within(shape, canvas.clip)):
            yield _number(canvas, tree, shape, is_needed=is_needed)


def _number(canvas: Canvas, tree: Tree, shape: Any, *, is_needed: bool) -> Label:
    x, y = shapely.get_coordinates(canvas.paper(place_of(tree)))[0]
    reach = NUMBER_REACH_PT if is_needed else 0.0
    label = Label(
        tree.number, (x, y), home=shape, size_pt=NUMBER_PT, rank=4 if is_needed else 5,
        reach_pt=reach, key=f"number {tree.number}",
    )  # fmt: skip
    around = spots_around(x, y, label.extent_pt, 2.0)
    grid = grid_in(shape, GRID)
    near = np.hypot(grid[:, 0] - x, grid[:, 1] - y)
    return replace(label, spots=np.concatenate([around, grid[np.argsort(near, kind="stable")]]))
