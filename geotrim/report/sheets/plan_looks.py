"""How each thing on the plan is drawn; the legend draws its swatches with the same strokes.

Black on white: every difference is carried by weight, dash or hatch. Weights fall from what the law
asks about (lot, MHW line, riparian lines, window) to what only stands there (neighbours, hatches).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geotrim.report.shapes import parts_of
from geotrim.report.sheets.drawing import BLACK, WHITE, Array, Pen
from geotrim.report.sheets.hatch import hatch

GREY, MID, PALE, TINT = "#606060", "#8a8a8a", "#bdbdbd", "#e9e9e9"
DOT_PT, EYE_PT = 1.1, 3.2


@dataclass(frozen=True, slots=True)
class Look:
    """Strokes of a line or an area.

    fill : colour, None for none.
    hatches : (spacing, angle) of each set of lines; ``hatch_pt``, ``hatch_colour`` their look.
    inner_pt : a second outline this far inside; 0 for none.
    """

    width_pt: float = 0.6
    dash_pt: tuple[float, ...] = ()
    stroke: str | None = BLACK
    fill: str | None = None
    hatches: tuple[tuple[float, float], ...] = ()
    hatch_pt: float = 0.3
    hatch_colour: str = BLACK
    inner_pt: float = 0.0
    casing_pt: float = 0.0


#: Hatches of setbacks in turn.
_SETBACKS = ((7.0, 30.0), (7.0, -30.0), (7.0, 75.0), (7.0, -75.0), (9.0, 0.0), (9.0, 90.0))
_WHAT = {"left": (), "top": ((2.6, 45.0),), "band": ((2.2, 0.0),)}
_EDGE: dict[str, tuple[float, tuple[float, ...]]] = {
    "mangrove": (0.7, ()),
    "other": (0.9, (3.2, 1.6)),
    "unknown": (1.0, (0.9, 1.5)),
}
#: As on the overview map and in the DXF, the lot is solid and the MHW line long dash and short.
LOOKS = {
    "neighbour": Look(0.5, stroke=GREY),
    "lot": Look(2.0, casing_pt=0.6),
    "zone": Look(2.8, stroke=PALE),
    "fringe": Look(0.6, (3.0, 1.8)),
    "exclusion": Look(0.8, stroke=GREY, hatches=((6.0, 45.0), (6.0, 135.0)), hatch_colour=MID),
    "set-aside": Look(
        0.8, (2.0, 2.0), stroke=GREY, hatches=((6.0, 0.0), (6.0, 90.0)), hatch_colour=MID
    ),
    "mhw": Look(1.9, (18.0, 3.4, 3.0, 3.4), casing_pt=0.7),
    "riparian": Look(1.0, (6.0, 3.0), casing_pt=0.6),
    "channel": Look(0.7, (1.2, 1.8)),
    "mouth": Look(0.7, (8.0, 1.6, 1.0, 1.6, 1.0, 1.6)),
    "deepest": Look(1.2, casing_pt=0.6),
    "section": Look(0.8, (12.0, 2.2, 2.2, 2.2), casing_pt=0.5),
    "span-ground": Look(stroke=None, fill=TINT),
    "span": Look(1.1, casing_pt=0.6),
    "match": Look(1.3, (16.0, 2.6, 2.6, 2.6, 2.6, 2.6)),
    "tick": Look(0.9, casing_pt=0.7),
    "far-crown": Look(0.4, stroke=MID),
}


def setback_look(k: int) -> Look:
    """The look of the setback at a place in the list."""
    return Look(0.5, stroke=MID, hatches=(_SETBACKS[k % len(_SETBACKS)],), hatch_colour=MID)


def crown_look(kind: str, what: str, *, is_kept: bool = False, thin: float = 1.0) -> Look:
    """The look of a crown: edge by kind of plant, hatch by what is planned; thinner if small."""
    width, dash = _EDGE[kind]
    return Look(
        width * thin, tuple(part * thin for part in dash), fill=WHITE, hatches=_WHAT[what],
        hatch_colour=GREY, inner_pt=1.7 if is_kept else 0.0,
    )  # fmt: skip


def paint(pen: Pen, shape: Any, look: Look, name: str, clip: Any = None) -> bool:
    """Draw a shape on paper, clipped; whether anything was drawn.

    The outline of an area is clipped as a line, so that the edge of the paper draws none.
    """
    if clip is not None and not shapely.intersects(clip, shape):
        return False
    if clip is not None and shapely.contains_properly(clip, shape):
        clip = None
    seen = shape if clip is None else shapely.intersection(shape, clip)
    areas, lines = parts_of(seen, 2), parts_of(seen, 1)
    for area in areas:
        rings = rings_of(area)
        if look.fill is not None:
            pen.area(rings, stroke=None, fill=look.fill, name=name)
        for spacing, angle in look.hatches:
            pen.lines(
                hatch(area, spacing, angle), stroke=look.hatch_colour, width_pt=look.hatch_pt,
                name=f"{name}-hatch",
            )  # fmt: skip
    edges = [shapely.boundary(shape)] if shapely.get_dimensions(shape) == 2 else []
    if look.inner_pt and areas:
        edges.append(shapely.boundary(shapely.buffer(shape, -look.inner_pt)))
    if edges:
        found = edges if clip is None else [shapely.intersection(edge, clip) for edge in edges]
        lines = [part for edge in found for part in parts_of(shapely.line_merge(edge), 1)]
    stroke_lines(pen, lines, look, name)
    return bool(areas or lines)


def stroke_lines(pen: Pen, lines: Any, look: Look, name: str) -> None:
    """Lines with their casing of paper."""
    if look.stroke is None or not lines:
        return
    parts = [shapely.get_coordinates(line) for line in lines]
    if look.casing_pt:
        wide = look.width_pt + 2 * look.casing_pt
        pen.lines(parts, stroke=WHITE, width_pt=wide, name=f"{name}-casing")
    pen.lines(parts, stroke=look.stroke, width_pt=look.width_pt, dash_pt=look.dash_pt, name=name)


def rings_of(area: Any) -> list[Array]:
    """Outline and holes of a polygon."""
    return [shapely.get_coordinates(ring) for ring in (area.exterior, *area.interiors)]


def dot(pen: Pen, x: float, y: float, radius_pt: float, **look: Any) -> None:
    """A round dot."""
    turn = np.linspace(0.0, 2 * np.pi, 17)[:-1]
    pen.area(
        [np.column_stack([x + radius_pt * np.cos(turn), y + radius_pt * np.sin(turn)])], **look
    )


def trunk(pen: Pen, x: float, y: float, *, is_own: bool = True) -> None:
    """The dot of a trunk."""
    colour = BLACK if is_own else MID
    dot(pen, x, y, DOT_PT, stroke=None, fill=colour, name="trunk")


def eye(pen: Pen, x: float, y: float) -> None:
    """A ring with a dot: a place to look from."""
    dot(pen, x, y, EYE_PT, fill=WHITE, width_pt=0.9, name="eye")
    dot(pen, x, y, EYE_PT * 0.42, stroke=None, fill=BLACK, name="eye-dot")


def arrow(pen: Pen, tip: Array, way: Array, name: str) -> list[Array]:
    """A filled head that points along a unit direction; its corners."""
    side = np.array([-way[1], way[0]]) * 2.6
    head = [tip, tip - way * 8.0 + side, tip - way * 8.0 - side]
    pen.area([head], fill=BLACK, width_pt=0.3, name=name)
    return head


def bars(pen: Pen, line: Any, half_pt: float, name: str) -> None:
    """Short bars across both ends of a line, as of a dimension."""
    xy = shapely.get_coordinates(line)
    way = xy[-1] - xy[0]
    way = way / max(float(np.hypot(*way)), 1e-9)
    side = np.array([-way[1], way[0]]) * half_pt
    pen.lines([[end - side, end + side] for end in (xy[0], xy[-1])], width_pt=1.2, name=name)
