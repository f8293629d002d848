"""Panels of the shoreline elevation on paper: as it stands, and after each step of the plan."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geotrim.report.sheets.canopy_parts import SideCrown, Step, areas, polygons, reached, standing
from geotrim.report.sheets.drawing import BLACK, WHITE, Drawing, Pen
from geotrim.report.sheets.elevation_read import Shore, Stretch
from geotrim.report.sheets.hatch import hatch
from geotrim.report.sheets.labels import Label, place
from geotrim.report.sheets.lettering import folded, width_pt
from geotrim.report.sheets.section_drawing import step_ft
from geotrim.report.sheets.side_marks import (
    EARTH,
    NOW_DASH,
    SMALL_PT,
    STEM,
    USUAL_PT,
    draw_hatched,
    draw_over,
    draw_shape,
    look_of,
    signed,
)
from geotrim.report.sheets.upright import Scales, Upright, upright

#: Paper beside a panel: heights at the left, their limits at the right. [pt]
LEFT_PT, RIGHT_PT = 18.0, 24.0
#: Paper over a panel for its name, for brackets and a level of their words, over the trees. [pt]
NAME_PT, BRACKET_PT, LEVEL_PT, SKY_PT = 13.0, 6.0, 8.5, 13.0
#: Ground strip, stations, title of the stations. [pt]
EARTH_PT, STATION_PT, TITLE_PT = 5.0, 14.0, 9.0
#: Fill of a tree, and of one that is cut in any year; the outline says the same on a poor copy.
LEFT_ALONE, WORKED_ON = "#EDF1EA", "#CBD8C6"
LEFT_EDGE_PT, CUT_EDGE_PT = 0.4, 1.2
#: Behind the number of a tree a part of which stands outside the zone.
PART_SIGN = "+"
SPAN_LOOK: dict[str, Any] = {"stroke": "#C04A00", "width_pt": 1.3}
SIDE_LOOK: dict[str, Any] = {"stroke": "#C04A00", "width_pt": 0.6, "dash_pt": (1.0, 1.6)}
END_LOOK: dict[str, Any] = {"width_pt": 0.7, "dash_pt": (6.0, 1.8, 1.2, 1.8)}
MATCH_LOOK: dict[str, Any] = {"width_pt": 1.4, "dash_pt": (9.0, 3.0)}
BAND_LOOK: dict[str, Any] = {"width_pt": 0.7, "dash_pt": (7.0, 2.5)}
LIMIT_LOOK: dict[str, Any] = {"width_pt": 0.35, "dash_pt": (2.0, 2.0), "stroke": "#505050"}
#: A cut of which no more than a strip of this width is in sight gets no number. [pt]
LEAST_SIGHT_PT = 1.5
#: Where a leader ends. [pt]
LEADER_DOT_PT = 0.9
#: Size of a tree's number, and how wide it may get before it is folded. [pt]
NUMBER_PT, MOST_NUMBER_PT = 6.0, 60.0


@dataclass(frozen=True, slots=True)
class Part:
    """What of a shore is on one sheet.

    x0, x1 : both ends on the drawing. [ft]
    is_cut_left, is_cut_right : whether the shore goes on past a match line there.
    """

    x0: float
    x1: float
    is_cut_left: bool = False
    is_cut_right: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Panel:
    """One panel.

    name : what it shows; aside : more words at its right end.
    step : number of the step it follows, from 1; 0 as it stands.
    """

    name: str
    step: int = 0
    aside: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """What all panels of a lot share.

    shapes : crown by crown, what stands now and after each step, as the crowns of the shore. [ft]
    together : what stands of all crowns, now and after each step. [ft]
    sights : for now the crowns whose highest place is in sight, for each step what it is seen to
        take; by the crown's place. [ft]
    band_ft, limits_ft : heights that are marked. [ft]
    top_ft : highest place that is drawn. [ft]
    """

    shore: Shore
    steps: tuple[Step, ...]
    shapes: tuple[tuple[Any, ...], ...]
    together: tuple[Any, ...]
    sights: tuple[dict[int, Any], ...]
    band_ft: tuple[float, float]
    limits_ft: tuple[float, ...]
    top_ft: float


def scene_of(
    shore: Shore, steps: Sequence[Step], band_ft: tuple[float, float], limits_ft: Sequence[float]
) -> Scene:
    """A shore with what stands of every crown after each step."""
    shapes = tuple(tuple(standing(crown, steps)) for crown in shore.crowns)
    cuts = tuple(tuple(reached(crown, steps)) for crown in shore.crowns)
    stages = range(len(steps) + 1)
    together = tuple(areas(shapely.union_all([each[k] for each in shapes])) for k in stages)
    sights = (_tops_in_sight(shapes), *(in_sight(shapes, cuts, k) for k in stages[1:]))
    top_ft = max(shore.top_ft, band_ft[1])
    limits = tuple(limits_ft)
    return Scene(shore, tuple(steps), shapes, together, sights, band_ft, limits, top_ft)


def panel_height(scene: Scene, scales: Scales, n_levels: int) -> float:
    """Height of one panel with its words. [pt]."""
    trees = scene.top_ft * 72.0 / scales.up_ft
    return NAME_PT + _brackets(n_levels) + SKY_PT + trees + EARTH_PT + STATION_PT


def _brackets(n_levels: int) -> float:
    return BRACKET_PT + LEVEL_PT * n_levels if n_levels else 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Sheet:
    """A panel on its way to paper; ``window`` is what of the shore it shows. [ft]."""

    pen: Pen
    scene: Scene
    part: Part
    at: Upright
    top_pt: float
    foot_pt: float
    sides_pt: tuple[float, float]
    scales: Scales

    @property
    def window(self) -> Any:
        return shapely.box(self.part.x0, -1.0, self.part.x1, self.scene.top_ft + 10.0)

    def clipped(self, shape: Any) -> Any:
        x0, _, x1, _ = shapely.bounds(shape)
        if shapely.is_empty(shape) or (x0 >= self.part.x0 and x1 <= self.part.x1):
            return shape
        if x1 <= self.part.x0 or x0 >= self.part.x1:
            return shapely.Polygon()
        return areas(shapely.intersection(shape, self.window))


def draw_panels(
    scene: Scene, part: Part, panels: Sequence[Panel], scales: Scales, width: float
) -> Drawing:
    """Panels under each other, to one scale.

    Parameters
    ----------
    scene : Scene
    part : Part
    panels : sequence of Panel
    scales : Scales
    width : float
        Of the drawing. [pt]
    """
    pen = Pen()
    levels = span_levels(scene, part, scales)
    n_levels = 1 + max((level for *_, level in levels), default=-1)
    each = panel_height(scene, scales, n_levels)
    long = (part.x1 - part.x0) * 72.0 / scales.along_ft
    left = LEFT_PT + max(0.0, (width - LEFT_PT - RIGHT_PT - long) / 2)
    for k, panel in enumerate(panels):
        top = k * each
        plot = top + NAME_PT + _brackets(n_levels)
        foot = top + each - STATION_PT
        at = upright(part.x0, 0.0, (left, foot - EARTH_PT), scales)
        sheet = _Sheet(pen, scene, part, at, plot, foot, (left, left + long), scales)
        pen.text(left, top + 9.0, panel.name, size_pt=8.5, is_bold=True)
        pen.text(width, top + 9.0, panel.aside, size_pt=USUAL_PT, anchor="end")
        draw_panel(sheet, panel, levels)
    middle = left + long / 2
    words = "station along the shore, ft, from its left end looking to the water"
    pen.text(middle, len(panels) * each + 5.5, words, size_pt=SMALL_PT, anchor="middle")
    alt = "Shoreline elevation from the land: " + "; ".join(panel.name for panel in panels)
    return pen.drawing(width, len(panels) * each + TITLE_PT, alt=alt)


def draw_panel(sheet: _Sheet, panel: Panel, levels: Sequence[tuple[Any, ...]]) -> None:
    """One panel: trees, heights, stations, spans, numbers."""
    _levels_behind(sheet)
    if panel.step:
        _after(sheet, panel.step)
    else:
        _now(sheet)
    _earth(sheet)
    _marks(sheet)
    boxes = [*_stations(sheet), *_spans(sheet, levels)]
    _numbers(sheet, panel, boxes)


def _now(sheet: _Sheet) -> None:
    """Every crown as it stands, near ones in front."""
    for crown, shapes in zip(sheet.scene.shore.crowns, sheet.scene.shapes, strict=True):
        _stem(sheet, crown, shapes[0])
        shape, name = sheet.clipped(shapes[0]), f"crown-{crown.crown_id}"
        draw_shape(sheet.pen, sheet.at.rings, shape, name=name, **tree_look(crown))


def tree_look(crown: SideCrown) -> dict[str, Any]:
    """Fill and outline of a tree: of one that is cut in any year, and of one left as it is."""
    if crown.cuts:
        return {"fill": WORKED_ON, "width_pt": CUT_EDGE_PT}
    return {"fill": LEFT_ALONE, "width_pt": LEFT_EDGE_PT}


def _after(sheet: _Sheet, step: int) -> None:
    """What stands after a step; over it what the step takes, as far as it is in sight."""
    pen, place_ = sheet.pen, sheet.at.rings
    crowns, every = sheet.scene.shore.crowns, sheet.scene.shapes
    for crown, shapes in zip(crowns, every, strict=True):
        shape = sheet.clipped(shapes[step])
        _stem(sheet, crown, shapes[step])
        draw_shape(pen, place_, shape, name=f"stands-{crown.crown_id}", **tree_look(crown))
    now, stays = (sheet.clipped(sheet.scene.together[k]) for k in (0, step))
    for hit in sheet.scene.sights[step].values():
        shape = sheet.clipped(hit)
        if shapely.is_empty(shape):
            continue
        look = look_of(step - 1)
        for one in polygons(areas(shapely.difference(shape, stays))):
            draw_hatched(pen, place_(one), look, f"opens-{step}")
        for one in polygons(areas(shapely.intersection(shape, stays))):
            draw_over(pen, place_(one), look, f"behind-{step}")
        draw_shape(pen, place_, shape, width_pt=0.5, dash_pt=NOW_DASH, name=f"taken-{step}")
    _gone(sheet, now, stays)


def _gone(sheet: _Sheet, now: Any, stays: Any) -> None:
    """Today's outline where it is no longer that of what stands. [ft]."""
    edge = shapely.difference(shapely.boundary(now), shapely.buffer(shapely.boundary(stays), 0.05))
    edge = shapely.line_merge(edge)
    lines = [one for one in shapely.get_parts(edge) if one.length > 0.2]
    parts = [sheet.at.points(shapely.get_coordinates(one)) for one in lines]
    sheet.pen.lines(parts, width_pt=0.6, dash_pt=NOW_DASH, name="existing")


def in_sight(
    every: Sequence[Sequence[Any]], cuts: Sequence[Sequence[Any]], step: int
) -> dict[int, Any]:
    """What a step takes of each crown, by its place, less what stood nearer before it. [ft].

    Parameters
    ----------
    every : sequence of sequences
        Crown by crown, the farthest first: what stands now and after each step. [ft]
    cuts : sequence of sequences
        Likewise what each step takes, whether or not a part outside the zone stands there too. [ft]
    step : int
        From 1.
    """
    nearer, out = shapely.Polygon(), dict[int, Any]()
    for k in range(len(every) - 1, -1, -1):
        if not shapely.is_empty(cuts[k][step - 1]):
            shape = areas(shapely.difference(cuts[k][step - 1], nearer))
            if not shapely.is_empty(shape):
                out[k] = shape
        nearer = shapely.union(nearer, every[k][step - 1])
    return out


def _stem(sheet: _Sheet, crown: SideCrown, shape: Any) -> None:
    """A stem up to the highest piece of a crown, where nothing of it stands under that piece."""
    pieces = polygons(shape)
    if not pieces or not np.isfinite(crown.x_ft):
        return
    low = max(float(piece.bounds[1]) for piece in pieces)
    if low > 0.0 and sheet.part.x0 <= crown.x_ft <= sheet.part.x1:
        line = sheet.at.points([(crown.x_ft, 0.0), (crown.x_ft, low)])
        sheet.pen.line(line, stroke=STEM, width_pt=1.2, name=f"stem-{crown.crown_id}")


def _earth(sheet: _Sheet) -> None:
    """The substrate, drawn level, as a hatched strip, with breaks between stretches."""
    pen = sheet.pen
    for stretch in sheet.scene.shore.stretches:
        low, high = stretch.ends_ft
        low, high = max(low, sheet.part.x0), min(high, sheet.part.x1)
        if high <= low:
            continue
        a, b = sheet.at.points([(low, 0.0), (high, 0.0)])
        strip = shapely.box(a[0], a[1], b[0], a[1] + EARTH_PT)
        pen.lines(hatch(strip, 3.2, 45.0), stroke=EARTH, width_pt=0.4)
        pen.line([a, b], stroke=EARTH, width_pt=1.3, name="substrate")


def _levels_behind(sheet: _Sheet) -> None:
    """Limits between height classes, behind the trees."""
    (left, right), pen = sheet.sides_pt, sheet.pen
    for limit in sheet.scene.limits_ft:
        if limit not in sheet.scene.band_ft and limit < sheet.scene.top_ft:
            y = sheet.at.y_pt(limit)
            pen.line([(left, y), (right, y)], name=f"level-{limit:g}", **LIMIT_LOOK)


def _marks(sheet: _Sheet) -> None:
    """The two marks over the trees, and figures of all heights at both sides."""
    (left, right), pen, at = sheet.sides_pt, sheet.pen, sheet.at
    for mark in sheet.scene.band_ft:
        y = at.y_pt(mark)
        pen.line([(left, y), (right, y)], name=f"mark-{mark:g}", **BAND_LOOK)
    top = at.y_pt(sheet.scene.top_ft) - 4.0
    pen.line([(left, top), (left, at.y_pt(0.0))], width_pt=0.6)
    pen.line([(right, top), (right, at.y_pt(0.0))], width_pt=0.6)
    heights = {0.0, *sheet.scene.band_ft, *sheet.scene.limits_ft}
    for height in sorted(h for h in heights if h <= sheet.scene.top_ft):
        y = at.y_pt(height)
        pen.line([(left - 3.0, y), (left, y)], width_pt=0.6, name="height-tick")
        pen.line([(right, y), (right + 3.0, y)], width_pt=0.6)
        pen.text(left - 5.0, y + 2.2, f"{height:g}", size_pt=SMALL_PT, anchor="end")
        pen.text(right + 5.0, y + 2.2, f"{height:g} ft", size_pt=SMALL_PT)


def _stations(sheet: _Sheet) -> list[Any]:
    """Stations along the foot, ends of stretches, match lines; returns the room of their words."""
    boxes = []
    pen, (left, right) = sheet.pen, sheet.sides_pt
    for stretch in sheet.scene.shore.stretches:
        _stations_of(sheet, stretch)
    top = sheet.top_pt + 2.0
    for is_cut, x, x_ft in (
        (sheet.part.is_cut_left, left, sheet.part.x0),
        (sheet.part.is_cut_right, right, sheet.part.x1),
    ):
        if is_cut:
            pen.line([(x, top), (x, sheet.foot_pt + 3.0)], name="match-line", **MATCH_LOOK)
            words = f"match line, station {_station(sheet.scene.shore, x_ft):.0f}"
            way = 1 if x == left else -1
            anchor = "start" if x == left else "end"
            pen.text(x + 3.0 * way, top + 5.0, words, size_pt=6.0, anchor=anchor, plate=WHITE)
            end = x + way * (width_pt(words, 6.0) + 5.0)
            boxes.append(shapely.box(min(x, end), top - 1.0, max(x, end), top + 8.0))
    return boxes


def _station(shore: Shore, x_ft: float) -> float:
    """Station of a place on the drawing."""
    for stretch in reversed(shore.stretches):
        if x_ft >= stretch.ends_ft[0]:
            return x_ft - stretch.shift_ft
    return x_ft


def _stations_of(sheet: _Sheet, stretch: Stretch) -> None:
    pen, foot, part = sheet.pen, sheet.foot_pt, sheet.part
    per_ft = 72.0 / sheet.scales.along_ft
    step = step_ft(per_ft, 26.0)
    first, last = stretch.from_ft, stretch.to_ft
    clear = 18.0 / per_ft
    every = np.arange(math.ceil(first / step), math.floor(last / step) + 1) * step
    inner = [float(s) for s in every if first + clear < s < last - clear]
    for station in (first, *inner, last):
        x_ft = station + stretch.shift_ft
        if not part.x0 - 1e-6 <= x_ft <= part.x1 + 1e-6:
            continue
        x = sheet.at.x_pt(x_ft)
        pen.line([(x, foot), (x, foot + 3.5)], width_pt=0.6, name="station-tick")
        pen.text(x, foot + 10.0, f"{round(station)}", size_pt=SMALL_PT, anchor="middle")
        if station in (first, last):
            pen.line([(x, sheet.top_pt + 4.0), (x, foot)], name="stretch-end", **END_LOOK)


def span_levels(
    scene: Scene, part: Part, scales: Scales
) -> list[tuple[float, float, float, str, int]]:
    """Spans on a part: both ends [ft], the middle of the words [ft], the words, their level."""
    ends: list[float] = []
    out = []
    per_ft = 72.0 / scales.along_ft
    for span in scene.shore.spans:
        low, high = max(span.from_ft, part.x0), min(span.to_ft, part.x1)
        if high - low <= 1e-6:
            continue
        half = (width_pt(span.words, SMALL_PT, is_bold=True) / 2 + 4.0) / per_ft
        middle = min(max((low + high) / 2, part.x0 + half), max(part.x1 - half, part.x0 + half))
        level = next((k for k, end in enumerate(ends) if middle - half >= end), len(ends))
        ends[level : level + 1] = [middle + half]
        out.append((low, high, middle, span.words, level))
    return out


def _spans(sheet: _Sheet, levels: Sequence[tuple[Any, ...]]) -> list[Any]:
    """Brackets with the stations of every span, its sides down to the substrate."""
    pen, top = sheet.pen, sheet.top_pt
    boxes = []
    for low, high, middle, words, level in levels:
        a, b = sheet.at.x_pt(low), sheet.at.x_pt(high)
        pen.line([(a, top + 3), (a, top - 2), (b, top - 2), (b, top + 3)], name="span", **SPAN_LOOK)
        for x in (a, b):
            pen.line([(x, top + 3), (x, sheet.at.y_pt(0.0))], name="span-side", **SIDE_LOOK)
            boxes.append(shapely.box(x - 0.5, top, x + 0.5, top + 4))
        y = top - 4.5 - LEVEL_PT * level
        look: dict[str, Any] = {"is_bold": True, "anchor": "middle", "size_pt": SMALL_PT}
        pen.text(sheet.at.x_pt(middle), y, words, **look)
    return boxes


def _numbers(sheet: _Sheet, panel: Panel, boxes: list[Any]) -> None:
    """Numbers of the trees in sight as they stand; after a step, of those it is seen to cut."""
    crowns, labels = sheet.scene.shore.crowns, []
    for k, shape in sheet.scene.sights[panel.step].items():
        label = _label(sheet, crowns[k], shape, bool(panel.step))
        labels += [] if label is None else [label]
    left, right = sheet.sides_pt
    room = shapely.box(left + 0.5, sheet.top_pt + 1.0, right - 0.5, sheet.at.y_pt(0.0) - 0.5)
    for one in place(labels, boxes, room).placed:
        if one.leader is not None:
            turn = np.linspace(0.0, 2 * np.pi, 9)[:-1]
            ring = one.label.anchor + LEADER_DOT_PT * np.column_stack([np.cos(turn), np.sin(turn)])
            sheet.pen.area([ring], stroke=None, fill=BLACK, name="leader-dot")
        sheet.pen.items += one.items()


def _tops_in_sight(every: Sequence[Sequence[Any]]) -> dict[int, Any]:
    """Crowns as they stand whose highest place no nearer crown hides, by their place."""
    whole = np.array([shapes[0] for shapes in every], dtype=object)
    tree, out = shapely.STRtree(whole), dict[int, Any]()
    for k, shape in enumerate(whole):
        peak = _peak(shape)
        if peak is not None:
            spot = shapely.Point(peak[0], peak[1] - 0.2)
            if not (tree.query(spot, predicate="intersects") > k).any():
                out[k] = shape
    return out


def _peak(shape: Any) -> tuple[float, float] | None:
    """The highest place of a shape, the middle of a flat one. [ft]."""
    xh = shapely.get_coordinates(shape)
    if not len(xh):
        return None
    high = xh[xh[:, 1] >= xh[:, 1].max() - 0.05]
    return float((high[:, 0].min() + high[:, 0].max()) / 2), float(xh[:, 1].max())


def number_of(crown: SideCrown) -> str:
    """A tree's number with the signs of its species and of a part outside the zone."""
    return signed(crown.crown_id, signs_of(crown))


def signs_of(crown: SideCrown) -> str:
    """Signs behind a tree's number: of its species, and of a part outside the zone."""
    return crown.sign + (PART_SIGN if crown.kept is not None and crown.cuts else "")


def _label(sheet: _Sheet, crown: SideCrown, shape: Any, is_after: bool) -> Label | None:
    """A tree's number over its top, or over what is seen to be cut; else on a leader to it."""
    shape = sheet.clipped(shape) if is_after else shape
    peak = _peak(_largest(shape) if is_after else shape)
    if peak is None or not sheet.part.x0 <= peak[0] <= sheet.part.x1:
        return None
    strip_ft = LEAST_SIGHT_PT / 72.0 * sheet.scales.along_ft
    if is_after and shapely.is_empty(shapely.buffer(shape, -strip_ft / 2)):
        return None
    words = "\n".join(folded(number_of(crown), NUMBER_PT, MOST_NUMBER_PT))
    top = sheet.at.points([peak])[0]
    wide, tall = Label(words, top, size_pt=NUMBER_PT).extent_pt
    lift = tall / 2 + 1.0
    spots = [(top[0] + dx, top[1] - lift, 0.0) for dx in (0.0, -wide / 3, wide / 3)]
    anchor = top
    if is_after:
        inside = shapely.point_on_surface(_largest(shape))
        anchor = sheet.at.points(shapely.get_coordinates(inside))[0]
        if _is_small(sheet, shape, wide):
            spots = []
    return Label(
        words, anchor, spots, size_pt=NUMBER_PT, is_bold=bool(crown.cuts),
        reach_pt=40.0 if is_after else 24.0, rank=0 if crown.cuts else 1,
        key=f"number-{crown.crown_id}",
    )  # fmt: skip


def _largest(shape: Any) -> Any:
    """The largest piece of a shape."""
    return max(polygons(shape), key=lambda one: one.area, default=shapely.Polygon())


def _is_small(sheet: _Sheet, shape: Any, wide_pt: float) -> bool:
    """Whether a number over what is seen of a cut would be taken for that of a tree behind it."""
    x0, _, x1, _ = shapely.bounds(_largest(shape))
    return bool((x1 - x0) * 72.0 / sheet.scales.along_ft < 0.6 * wide_pt)
