"""How much ground the plan view shows, how it is turned, and to which engineering scale."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely.ops import substring

from geotrim.errors import RangeError
from geotrim.io.package_read import Package
from geotrim.report.sheets import sheet
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.drawing import Array
from geotrim.report.sheets.plan_lot import PlanLot, Stretch, Tree, plan_lot
from geotrim.report.sheets.true_scale import SCALES_FT, Frame, scale_that_fits

#: The whole drawing on a sheet, the line of words under the map and the gap beside it. [pt]
WIDTH_PT, HEIGHT_PT = sheet.BODY_WIDTH_PT, sheet.BODY_HEIGHT_PT - 6.0
LINE_PT, GAP_PT = 20.0, 9.0
#: Width of a legend beside the map, height of one under it. [pt]
SIDE_PT, FOOT_PT = 166.0, 96.0
#: Free paper between what must be seen and the edge of the map. [pt]
EDGE_PT = 16.0
#: Ground shown landward of the frontage, and of the riparian lines over the water. [ft]
LAND_FT, RIPARIAN_FT = 14.0, 26.0
#: Farthest a shore line lies from a lot without a frontage, to be shown with it. [ft]
SHORE_FT = 100.0
#: Scales of an overall view, beyond those of the plan. Common practice, no source.
OVERALL_FT = (*SCALES_FT, 200, 300, 400, 500, 600, 1000, 2000, 5000)
#: Strips part at whole multiples of this many feet where the shore is long enough. [ft]
MATCH_FT = 10.0


@dataclass(frozen=True, slots=True)
class Layout:
    """Where map and legend lie on the sheet. [pt]."""

    map_width_pt: float
    map_height_pt: float
    is_legend_below: bool

    @property
    def legend_box(self) -> tuple[float, float, float, float]:
        """Left, top, width and height of the legend with its arrow and bar."""
        if self.is_legend_below:
            return 0.0, HEIGHT_PT - FOOT_PT, WIDTH_PT, FOOT_PT
        return self.map_width_pt + GAP_PT, 0.0, SIDE_PT, HEIGHT_PT


BESIDE = Layout(WIDTH_PT - SIDE_PT - GAP_PT, HEIGHT_PT - LINE_PT, is_legend_below=False)
BELOW = Layout(WIDTH_PT, HEIGHT_PT - LINE_PT - FOOT_PT - 4.0, is_legend_below=True)


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """One map: its frame, its layout and the part of the shore it is about.

    clip : what is shown, in map units; None shows all that is in the frame.
    numbers : trees whose number must stand on it.
    title : of the sheet. matches : match lines with their words.
    """

    frame: Frame
    layout: Layout
    numbers: frozenset[str]
    title: str
    clip: Any = None
    matches: tuple[tuple[Any, str], ...] = ()


def plan_frame(package: Package, lot_id: str, choices: Choices | None = None) -> Frame:
    """The frame of a lot's plan view, the overall one where the lot needs several sheets.

    Raises
    ------
    RangeError
        If the plan does not fit on a sheet at the scale that was asked for.
    """
    scale_ft = choices.scale_ft if choices is not None else None
    return overall_view(plan_lot(package, lot_id), scale_ft).frame


def overall_view(lot: PlanLot, scale_ft: int | None = None) -> View:
    """The view of the whole plan at the largest scale that fits, or at the one asked for."""
    ground = subject(lot)
    turn = turn_of([stretch.line for stretch in lot.stretches])
    layout, scale = best_layout(ground, turn, lot.feet_per_unit, OVERALL_FT)
    if scale_ft is not None:
        least = scale
        layout, found = best_layout(ground, turn, lot.feet_per_unit, (scale_ft,))
        if found is None:
            raise RangeError(
                "scale of the plan view", f"1 in = {scale_ft:g} ft, on which the plan does not fit",
                f"1 in = {least} ft or a smaller drawing" if least else "a smaller drawing",
                "choose another scale, or none for the largest drawing that fits",
            )  # fmt: skip
        scale = found
    if scale is None:
        raise RangeError(
            f"lot {lot.lot_id}", f"a plan that does not fit at 1 in = {OVERALL_FT[-1]} ft",
            "a shore that does", "measure the lot in parts",
        )  # fmt: skip
    numbers = frozenset(tree.number for tree in lot.own)
    return View(
        framed(ground, turn, lot.feet_per_unit, scale, layout), layout, numbers, "Plan view"
    )


def subject(lot: PlanLot) -> Array:
    """Places that must be seen: shore, fringe, zone, crowns, windows, sections; (n, 2)."""
    feet = lot.feet_per_unit
    shapes = [lot.fringe, lot.zone, *(tree.shape for tree in lot.own)]
    shapes += [one.shape for one in (*lot.spans, *lot.sections)]
    shapes += [shapely.buffer(stretch.line, LAND_FT / feet) for stretch in lot.stretches]
    shapes += [substring(one.shape, 0.0, RIPARIAN_FT / feet) for one in lot.riparian]
    if not lot.stretches and not lot.own and lot.lot is not None:
        shapes.append(lot.lot)
    if not lot.stretches and lot.mhw is not None:
        shapes += _shore_beside(lot)
    there = [shape for shape in shapes if shape is not None and not shapely.is_empty(shape)]
    return shapely.get_coordinates(there)


def _shore_beside(lot: PlanLot) -> list[Any]:
    """The shore line before a lot without a frontage, where it is near, so that it is seen."""
    own = shapely.union_all([s for s in (lot.lot, *(t.shape for t in lot.own)) if s is not None])
    if shapely.is_empty(own):
        return []
    far = float(shapely.distance(own, lot.mhw))
    if far * lot.feet_per_unit > SHORE_FT:
        return []
    return [shapely.intersection(lot.mhw, shapely.buffer(own, far + LAND_FT / lot.feet_per_unit))]


def is_blank(lot: PlanLot) -> bool:
    """Whether the package holds nothing of a lot that a plan view could show."""
    return len(subject(lot)) == 0


def turn_of(lines: Sequence[Any]) -> float:
    """How far the ground is turned so that stations grow to the right, water up. [deg]."""
    ends = [shapely.get_coordinates(line)[[0, -1]] for line in lines]
    way = np.sum([pair[1] - pair[0] for pair in ends], axis=0) if ends else np.zeros(2)
    if float(np.hypot(*way)) < 1e-6 * max((line.length for line in lines), default=1.0):
        return 0.0  # round an island: north is up
    return -math.degrees(math.atan2(way[1], way[0]))


def turned(xy: Array, turn_deg: float) -> Array:
    """Places turned counter-clockwise about the origin."""
    turn = math.radians(turn_deg)
    c, s = math.cos(turn), math.sin(turn)
    return np.column_stack([xy[:, 0] * c - xy[:, 1] * s, xy[:, 0] * s + xy[:, 1] * c])


def best_layout(
    ground: Array, turn_deg: float, feet: float, scales_ft: Sequence[int]
) -> tuple[Layout, int | None]:
    """The layout that allows the larger drawing; beside the map where both do."""
    high = np.ptp(turned(ground, turn_deg), axis=0) * feet
    fits = {
        layout: scale_that_fits(
            float(high[0]), float(high[1]), layout.map_width_pt - 2 * EDGE_PT,
            layout.map_height_pt - 2 * EDGE_PT, scales_ft,
        )
        for layout in (BESIDE, BELOW)
    }  # fmt: skip
    beside, below = fits[BESIDE], fits[BELOW]
    if below is not None and (beside is None or below < beside):
        return BELOW, below
    return BESIDE, beside


def framed(ground: Array, turn_deg: float, feet: float, scale_ft: float, layout: Layout) -> Frame:
    """A frame with the ground in the middle of the map."""
    xy = turned(ground, turn_deg)
    middle = (xy.min(axis=0) + xy.max(axis=0)) / 2
    x0, y0 = turned(middle[None, :], -turn_deg)[0]
    return Frame(
        float(x0), float(y0), feet, turn_deg, scale_ft, layout.map_width_pt, layout.map_height_pt
    )


def strips(lot: PlanLot, scale_ft: int) -> list[View] | None:
    """Enlarged views along the shore to one scale; None where one of them does not fit.

    Every tree of the lot is on the strip of the stretch and the station it is nearest to.
    """
    nearest = _nearest(lot)
    found: list[tuple[Stretch, float, float, list[Tree]]] = []
    room_ft = (BELOW.map_width_pt - 4 * EDGE_PT) * scale_ft / 72.0
    for k, stretch in enumerate(lot.stretches):
        mine = [(tree, at) for tree, (own, at) in nearest if own == k]
        for low, high in parts(stretch.from_ft, stretch.to_ft, 0.92 * room_ft):
            is_first, is_last = low == stretch.from_ft, high == stretch.to_ft
            trees = [
                tree for tree, at in mine
                if (at >= low or is_first) and (at < high or is_last)
            ]  # fmt: skip
            found.append((stretch, low, high, trees))
    views = []
    for k, (stretch, low, high, trees) in enumerate(found):
        part = f" (part {k + 1} of {len(found)})" if len(found) > 1 else ", enlarged"
        title = f"Plan view, stations {low:.0f} to {high:.0f} ft{part}"
        view = _strip(lot, stretch, (low, high), trees, scale_ft, title)
        if view is None:
            return None
        views.append(view)
    return views


def parts(low: float, high: float, most: float) -> Iterator[tuple[float, float]]:
    """A stretch in equal parts no longer than a length, parted at round stations.

    Examples
    --------
    >>> list(parts(0.0, 1200.0, 450.0))
    [(0.0, 400.0), (400.0, 800.0), (800.0, 1200.0)]
    >>> list(parts(84.0, 146.0, 100.0))
    [(84.0, 146.0)]
    """
    n = max(math.ceil((high - low) / max(most, 1e-6) - 1e-9), 1)
    cuts = np.linspace(low, high, n + 1)
    if (high - low) / n > 4 * MATCH_FT:
        cuts[1:-1] = np.round(cuts[1:-1] / MATCH_FT) * MATCH_FT
    return zip(cuts[:-1].tolist(), cuts[1:].tolist(), strict=True)


def _nearest(lot: PlanLot) -> list[tuple[Tree, tuple[int, float]]]:
    """Each own tree with the place of its stretch in the list, and its station there."""
    out = []
    for tree in lot.own:
        spot = place_of(tree)
        far = [shapely.distance(stretch.line, spot) for stretch in lot.stretches]
        k = int(np.argmin(far))
        out.append((tree, (k, station_at(lot.stretches[k], spot))))
    return out


def place_of(tree: Tree) -> Any:
    """The trunk, or a point in the crown where none was surveyed."""
    if tree.trunk is not None and not shapely.is_empty(tree.trunk):
        return tree.trunk
    return shapely.point_on_surface(tree.shape)


def station_at(stretch: Stretch, spot: Any) -> float:
    """Station of the place of a stretch nearest to a spot. [ft]."""
    share = shapely.line_locate_point(stretch.line, spot, normalized=True)
    return stretch.from_ft + float(share) * (stretch.to_ft - stretch.from_ft)


def at_station(stretch: Stretch, station_ft: float) -> tuple[Array, Array]:
    """Place and direction of the shore at a station, water on the left; each (2,)."""
    span = max(stretch.to_ft - stretch.from_ft, 1e-9)
    share = min(max((station_ft - stretch.from_ft) / span, 0.0), 1.0)
    length = stretch.line.length
    reach = min(5e-3 * length, length * 5.0 / span)
    ends = [min(max(share * length + step, 0.0), length) for step in (-reach, reach)]
    a, b = shapely.get_coordinates(shapely.line_interpolate_point(stretch.line, ends))
    here = shapely.get_coordinates(shapely.line_interpolate_point(stretch.line, share * length))[0]
    return here, (b - a) / max(float(np.hypot(*(b - a))), 1e-12)


def _strip(
    lot: PlanLot, stretch: Stretch, span: tuple[float, float], trees: list[Tree], scale_ft: int,
    title: str,
) -> View | None:  # fmt: skip
    """One strip: the ground between two match lines, and the trees that belong to it."""
    feet = lot.feet_per_unit
    share = [(s - stretch.from_ft) / max(stretch.to_ft - stretch.from_ft, 1e-9) for s in span]
    line = substring(stretch.line, *share, normalized=True)
    turn = turn_of([line])
    clip, edges = _between(lot, stretch, span)
    shapes = [tree.shape for tree in trees]
    own = shapely.union_all([clip, *shapes])
    seen = [shapely.intersection(s, clip) for s in (lot.fringe, lot.zone) if s is not None]
    seen += [shapely.buffer(line, LAND_FT / feet), *shapes]
    if not shapely.get_coordinates(line).size:
        return None
    ground = shapely.get_coordinates([s for s in seen if not shapely.is_empty(s)])
    layout, scale = best_layout(ground, turn, feet, (scale_ft,))
    if scale is None:
        return None
    others = tuple((edge, f"match line, station {at:.0f} ft") for edge, at in edges)
    numbers = frozenset(tree.number for tree in trees)
    return View(framed(ground, turn, feet, scale, layout), layout, numbers, title, own, others)


def _between(
    lot: PlanLot, stretch: Stretch, span: tuple[float, float]
) -> tuple[Any, list[tuple[Any, float]]]:
    """The ground between two stations, wide open at the ends of the stretch; its match lines."""
    reach = _reach(lot) / lot.feet_per_unit
    corners, edges = [], []
    for station, sign, end in zip(span, (-1.0, 1.0), (stretch.from_ft, stretch.to_ft), strict=True):
        here, way = at_station(stretch, station)
        water = np.array([-way[1], way[0]])
        if station == end:
            here = here + sign * way * reach
        else:
            edges.append(
                (shapely.LineString([here - water * reach, here + water * reach]), station)
            )
        corners += [here - water * reach, here + water * reach]
    share = [(s - stretch.from_ft) / max(stretch.to_ft - stretch.from_ft, 1e-9) for s in span]
    line = substring(stretch.line, *share, normalized=True)
    hull = shapely.convex_hull(shapely.union(shapely.MultiPoint(np.array(corners)), line))
    return hull, edges


def _reach(lot: PlanLot) -> float:
    """How far from the shore anything of the plan lies, and some more. [ft]."""
    shore = shapely.union_all([stretch.line for stretch in lot.stretches])
    shapes = [s for s in (lot.fringe, lot.zone, *(t.shape for t in lot.own)) if s is not None]
    far = shapely.distance(shore, shapely.points(shapely.get_coordinates(shapes)))
    most = float(far.max()) if len(far) else 0.0
    return most * lot.feet_per_unit + 2 * LAND_FT
