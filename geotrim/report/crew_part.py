"""Which part of a crown the plan cuts, where the crown reaches out of the zone: in sides and feet.

A plan takes only what lies in the zone; what reaches out of it stays as it is, at every height. A
crew cannot see the zone's edge, so the part that stays is told as all that lies beyond a line on
one side of the trunk: to the right or left, landward or waterward. Such a line never lies outside
the zone's edge, so that more may stay than the plan has, but no less.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geotrim.io.package_read import Package
from geotrim.report.crew_places import number_of
from geotrim.report.window_facts import text_of

#: Pieces of a crown that are narrower come of outlines that are drawn in steps. [ft]
NARROW_FT = 0.5
#: Lines are told in these steps, towards the trunk. [ft]
STEP_FT = 0.5
#: The shore's direction at a tree is taken over so much of it, to each side. [ft]
SHORE_FT = 15.0
#: Cells of a canopy grid at a crown's edge may count as outside by so much. [ft]
RIM_FT = 1.0
#: Of the rim at the zone's edge a side of the crown has at least this share to be named.
RIM_FRAC = 0.1
#: A piece whose edge follows a riparian line this closely lies beyond that line. [ft]
ON_LINE_FT = 0.5
#: Of what may be cut at most this share may stay for the sake of a line that can be told.
MOST_LOST = 0.5
#: A top that stays this much over the mark is that of a part that is not cut. [ft]
STAYS_FT = 0.05
#: Less than this is error of arithmetic. [ft, ft2]
NOTHING = 1e-3
#: How a side is told: what lies there, and where a line lies. Axes: along the shore, off it.
SIDES = {
    (1, 0): ("to the right", "right"),
    (-1, 0): ("to the left", "left"),
    (0, -1): ("landward", "landward"),
    (0, 1): ("waterward", "waterward"),
}
_OPPOSITE = {"right": "left", "left": "right", "landward": "waterward", "waterward": "landward"}
STAYS = "stays as it is, at every height"
_FAR_FT = 1e4
Side = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Part:
    """The part of a crown that is cut.

    words : what stays as it is; "" where the whole crown is cut.
    hold : what must be done first where words do not do; "" for nothing.
    """

    words: str = ""
    hold: str = ""


#: What is told where no line on one side of the trunk does.
UNTOLD = Part(
    "the zone's edge runs through its crown in a way that cannot be told in words: what lies "
    "outside the zone stays as it is, at every height",
    "mark the zone's edge on the tree first",
)


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """What is known of a lot's zone, read once.

    zone : None where the package has none.
    """

    package: Package
    lot_id: str
    zone: Any
    shore: Mapping[str, Any]
    trunks: Mapping[str, Any]
    shapes: Mapping[str, Any]


def parts_known(package: Package, lot_id: str) -> Parts:
    """The zone of a lot, its shore, and the crowns and trunks of the package."""
    zone = package.rows("zone", lot_id)
    shore = package.rows("frontage", lot_id)
    crowns, trunks = package.rows("crowns"), package.rows("trunks")
    return Parts(
        package,
        lot_id,
        shapely.union_all(zone.geometry.to_numpy()) if len(zone) else None,
        dict(zip(shore["stretch_id"].astype(str), shore.geometry, strict=True)),
        dict(zip(trunks["crown_id"].astype(str), trunks.geometry, strict=True))
        if len(trunks)
        else {},
        dict(zip(crowns["crown_id"].astype(str), crowns.geometry, strict=True)),
    )


def part_of(known: Parts, row: Mapping[str, Any], *, is_over: bool = False) -> Part:
    """What of a crown may be cut in a window.

    Parameters
    ----------
    known : Parts
    row : mapping
        The tree's row of the crowns.
    is_over : bool
        Whether the cut, made on the whole crown, takes more than it may.

    Notes
    -----
    Every piece of the crown outside the zone is put beyond a line across one of four directions
    from the trunk, the one that leaves the least of the zone's part beyond it. Lines of one side
    are one line, the nearest of them. Where they would leave more than ``MOST_LOST`` of what the
    plan may cut, no line is told and the tree is held.

    A plan counts cells of a grid, each as its middle lies. So it may leave cells at the edge of a
    crown whose outline ends where the zone does: then the rim on that side stays.
    """
    crown = known.shapes[str(row["crown_id"])]
    if known.zone is None:
        return UNTOLD
    outside = shapely.difference(crown, known.zone)
    is_part = is_over or _is_part(row)
    pieces = _pieces(outside, known.package.feet_per_unit)
    if not pieces and not is_part:
        return Part()
    frame = _frame(known, row, crown)
    if frame is None:
        return UNTOLD
    if not pieces:
        return _rim(known, frame, crown)
    inside = frame.of(shapely.intersection(crown, known.zone))
    lines: dict[Side, float] = {}
    why: dict[Side, list[str]] = {}
    for piece in pieces:
        side, line_ft = _line(frame.of(piece), inside)
        lines[side] = min(line_ft, lines.get(side, math.inf))
        why.setdefault(side, []).append(_why(known, piece))
    beyond = shapely.union_all([_beyond(side, at) for side, at in lines.items()])
    if _area(inside, beyond) > MOST_LOST * inside.area:
        return UNTOLD
    stem = "the trunk" if frame.is_trunk else "the middle of the crown"
    told = [_words(side, lines[side], stem, why[side]) for side in SIDES if side in lines]
    return Part(f"{' and '.join(told)} {STAYS}")


@dataclass(frozen=True, slots=True, eq=False)
class _Frame:
    """Feet to the right and feet waterward of a tree."""

    at: Any
    right: Any
    feet: float
    is_trunk: bool

    def of(self, shape: Any) -> Any:
        """A shape of the map in this frame."""
        turn = np.array([[self.right[0], -self.right[1]], [self.right[1], self.right[0]]])
        return shapely.transform(shape, lambda xy: (xy - self.at) @ turn * self.feet)


def _frame(known: Parts, row: Mapping[str, Any], crown: Any) -> _Frame | None:
    """A tree's own frame; None where no shore of the lot tells left from right.

    The shore runs from its left end to its right as one looks to the water.
    """
    lines = known.shore
    trunk = known.trunks.get(str(row["crown_id"]))
    is_trunk = trunk is not None and not trunk.is_empty
    stem = trunk if is_trunk else shapely.centroid(crown)
    line = lines.get(str(row.get("stretch_id")))
    if line is None and lines:
        line = min(lines.values(), key=lambda one: float(shapely.distance(one, stem)))
    if line is None or line.length == 0:
        return None
    feet = known.package.feet_per_unit
    station = float(shapely.line_locate_point(line, stem))
    reach = SHORE_FT / feet
    ends = [
        shapely.line_interpolate_point(line, min(max(station + step, 0.0), line.length))
        for step in (-reach, reach)
    ]
    way = shapely.get_coordinates(ends[1])[0] - shapely.get_coordinates(ends[0])[0]
    if not np.hypot(*way) > 0:
        return None
    return _Frame(shapely.get_coordinates(stem)[0], way / np.hypot(*way), feet, is_trunk)


def _is_part(row: Mapping[str, Any]) -> bool:
    """Whether the plan itself says that a part of the tree stays taller than its mark."""
    after, low = number_of(row, "height_after_ft"), number_of(row, "cut_low_ft")
    return text_of(row.get("treatment")) == "lower-top" and after > low + STAYS_FT


def _pieces(outside: Any, feet: float) -> list[Any]:
    """Pieces outside the zone that are wide enough to matter."""
    narrow = NARROW_FT / 2 / feet
    return [
        one
        for one in shapely.get_parts(outside)
        if one.area * feet**2 > NOTHING
        and not shapely.buffer(one, -narrow, join_style="mitre").is_empty
    ]


def _rim(known: Parts, frame: _Frame, crown: Any) -> Part:
    """The crown's edge where the zone ends with it, by sides of the trunk."""
    feet = known.package.feet_per_unit
    rim = shapely.difference(crown, shapely.buffer(known.zone, -RIM_FT / feet, join_style="mitre"))
    here = frame.of(rim)
    far = _FAR_FT
    sides = []
    for (x, y), (_, name) in SIDES.items():  # the quarter of the ground on that side
        quarter = [
            (0, 0),
            (x * far - y * far, y * far + x * far),
            (x * far + y * far, y * far - x * far),
        ]
        if here.area > 0 and _area(here, shapely.Polygon(quarter)) > RIM_FRAC * here.area:
            sides.append(name)
    if not sides:
        return UNTOLD
    named = f"{', '.join(sides[:-1])} and {sides[-1]}" if len(sides) > 1 else sides[0]
    on = "all round" if len(sides) == len(SIDES) else f"on its {named} side"
    return Part(f"the outermost {RIM_FT:g} ft of the crown {on} (edge of the zone) {STAYS}")


def _line(piece: Any, inside: Any) -> tuple[Side, float]:
    """The side of the trunk a piece lies on, and a line on that side that it lies beyond. [ft]."""
    xy = shapely.get_coordinates(piece)
    found = {}
    for side in SIDES:
        nearest = float((xy @ np.array(side, dtype=np.float64)).min())
        found[side] = math.floor(nearest / STEP_FT + NOTHING) * STEP_FT
    side = min(found, key=lambda one: _area(inside, _beyond(one, found[one])))
    return side, found[side]


def _beyond(side: Side, at_ft: float) -> Any:
    """All that lies beyond a line on one side of the trunk."""
    x, y = side
    if x:
        return shapely.box(
            min(x * at_ft, x * _FAR_FT), -_FAR_FT, max(x * at_ft, x * _FAR_FT), _FAR_FT
        )
    return shapely.box(-_FAR_FT, min(y * at_ft, y * _FAR_FT), _FAR_FT, max(y * at_ft, y * _FAR_FT))


def _area(one: Any, other: Any) -> float:
    return float(shapely.area(shapely.intersection(one, other)))


def _words(side: Side, at_ft: float, stem: str, why: list[str]) -> str:
    """What lies beyond a line, and why it stays.

    Examples
    --------
    >>> _words((1, 0), 3.5, "the trunk", ["beyond the riparian line"])
    'all to the right of a line 3.5 ft right of the trunk (beyond the riparian line)'
    >>> _words((0, -1), -1.0, "the trunk", ["outside the fringe"])
    'all landward of a line 1.0 ft waterward of the trunk (outside the fringe)'
    """
    there, name = SIDES[side]
    if at_ft == 0:
        where = stem
    else:
        way = name if at_ft > 0 else _OPPOSITE[name]
        where = f"a line {abs(at_ft):.1f} ft {way} of {stem}"
    return f"all {there} of {where} ({' and '.join(dict.fromkeys(why))})"


def _why(known: Parts, piece: Any) -> str:
    """What a piece of a crown lies outside of."""
    package, lot_id = known.package, known.lot_id
    near = ON_LINE_FT / package.feet_per_unit
    rows = package.rows("riparian_lines", lot_id)
    if len(rows):
        edge = shapely.intersection(shapely.boundary(piece), shapely.boundary(known.zone))
        lines = shapely.buffer(shapely.union_all(rows.geometry.to_numpy()), near)
        if edge.length > 0 and shapely.intersection(edge, lines).length > 0.5 * edge.length:
            return "beyond the riparian line"
    for row in package.rows("setbacks").itertuples():
        if shapely.intersection(piece, row.geometry).area > 0.5 * piece.area:
            return f"in the setback: {text_of(row.setback_name)}"
    mine = [package.rows(name, lot_id) for name in ("lots", "riparian_areas")]
    shapes = [rows.geometry.to_numpy() for rows in mine if len(rows)]
    own = shapely.union_all(np.concatenate(shapes)) if shapes else None
    if own is not None and shapely.intersection(piece, own).area < 0.5 * piece.area:
        return "beyond the lot's limits"
    return "outside the fringe"
