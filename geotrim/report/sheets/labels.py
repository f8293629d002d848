"""Words that find room of their own: no two overlap, none leaves the paper.

Each label is tried where it belongs (in its crown, along its line). What finds no room there is
set around it at a growing distance with a thin leader, as long as the leader crosses no other
words. The search is greedy: the labels with the fewest free places go first. What finds no place
at all is handed back, so that the caller can draw the part larger.

References
----------
J. Christensen, J. Marks and S. Shieber, "An empirical study of algorithms for point-feature label
placement", ACM Transactions on Graphics 14 (1995): candidate places and greedy choice.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import shapely

from geotrim.report.sheets.drawing import WHITE, Array, Path, Text
from geotrim.report.sheets.lettering import FALL, RISE, width_pt

#: Free paper between words, and from words to the edge of the room. [pt]
GAP_PT = 1.0
#: From one line of a label to the next, of the size.
LEADING = 1.22
#: Places around an anchor: directions, and steps of the distance. [pt]
N_WAYS, STEP_PT = 24, 6.0
#: What covering one soft shape costs beside a leader that is longer by a point. [pt]
SOFT_PT = 30.0
#: Likewise a leader over one obstacle, such as a line. [pt]
CROSS_PT = 12.0
LEADER_PT = 0.35


@dataclass(frozen=True, slots=True, eq=False)
class Label:
    """Words that look for a place.

    words : lines parted by a line break.
    anchor : (2,) where a leader ends. [pt]
    spots : (k, 3) centre x, y and turn to try first, the best first. [pt, pt, deg]
    home : shape that must hold ``home_frac`` of the words at a spot; None asks for nothing.
    reach_pt : how far from the anchor the words may stand on a leader; 0 allows none.
    rank : lower ranks are placed before higher ones.
    key : what the caller knows it by.
    also : the same label in other words or on more lines, tried before a leader is.
    is_shy : whether it goes on a leader rather than cover something soft.
    """

    words: str
    anchor: Any
    spots: Any = ()
    home: Any = None
    home_frac: float = 0.9
    reach_pt: float = 0.0
    size_pt: float = 6.0
    is_bold: bool = False
    is_italic: bool = False
    rank: int = 0
    key: str = ""
    plate: str | None = WHITE
    also: tuple[Label, ...] = ()
    is_shy: bool = False

    @property
    def lines(self) -> list[str]:
        """The words line by line."""
        return self.words.split("\n")

    @property
    def extent_pt(self) -> tuple[float, float]:
        """Width and height of the words."""
        width = max(width_pt(line, self.size_pt, is_bold=self.is_bold) for line in self.lines)
        high = (RISE + FALL + LEADING * (len(self.lines) - 1)) * self.size_pt
        return width, high


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """A label at its place.

    x_pt, y_pt, turn_deg : centre of its box and its turn, counter-clockwise.
    leader : (2, 2) from the words to the anchor; None where none is needed. [pt]
    """

    label: Label
    x_pt: float
    y_pt: float
    turn_deg: float = 0.0
    leader: Array | None = None

    @property
    def box(self) -> Any:
        """The room the words take, as a polygon. [pt]."""
        return _boxes(self.label, np.array([[self.x_pt, self.y_pt, self.turn_deg]]), 0.0)[0]

    @property
    def shapes(self) -> list[Any]:
        """What words and leader take of the paper. [pt]."""
        return [self.box] if self.leader is None else [self.box, shapely.LineString(self.leader)]

    def items(self) -> list[Path | Text]:
        """The leader and the words, ready to be drawn."""
        found: list[Path | Text] = []
        if self.leader is not None:
            found.append(Path((self.leader,), width_pt=LEADER_PT, name="leader"))
        label, turn = self.label, math.radians(self.turn_deg)
        down = np.array([math.sin(turn), math.cos(turn)])
        first = -label.extent_pt[1] / 2 + RISE * label.size_pt
        for k, line in enumerate(label.lines):
            x, y = np.array([self.x_pt, self.y_pt]) + down * (first + k * LEADING * label.size_pt)
            found.append(
                Text(
                    float(x), float(y), line, label.size_pt, "middle", self.turn_deg,
                    label.is_bold, label.is_italic, plate=label.plate, name=label.key,
                )
            )  # fmt: skip
        return found


@dataclass(frozen=True, slots=True, eq=False)
class Placing:
    """What became of labels: those with a place, those without, both in the order given."""

    placed: tuple[Placed, ...]
    left: tuple[Label, ...]


def place(
    labels: Sequence[Label], obstacles: Iterable[Any], room: Any, soft: Iterable[Any] = ()
) -> Placing:
    """Find a place for every label.

    Parameters
    ----------
    labels : sequence of Label
        Of one rank, those with the smallest home come first.
    obstacles : shapely geometries
        No words may touch them. [pt]
    room : shapely polygon
        No words may leave it. [pt]
    soft : shapely geometries
        Words beside their home rather keep off them. [pt]
    """
    paper = _Paper(room, list(obstacles), list(soft))
    found: dict[int, Placed] = {}
    order = sorted(range(len(labels)), key=lambda k: (labels[k].rank, _area(labels[k].home)))
    for k in order:
        placed = _at_spot(labels[k], paper)
        if placed is not None:
            found[k] = placed
    rest = [k for k in order if k not in found and labels[k].reach_pt > 0.0]
    rings = {k: _ring(labels[k], paper) for k in rest}
    for k in sorted(rest, key=lambda k: (labels[k].rank, len(rings[k]))):
        placed = _on_leader(labels[k], rings[k], paper)
        for other in labels[k].also if placed is None else ():
            placed = placed or _on_leader(other, _ring(other, paper), paper)
        if placed is None and labels[k].is_shy:
            placed = _at_spot(replace(labels[k], is_shy=False), paper)
        if placed is not None:
            found[k] = placed
    left = tuple(label for k, label in enumerate(labels) if k not in found)
    return Placing(tuple(found[k] for k in sorted(found)), left)


def _area(shape: Any) -> float:
    return 0.0 if shape is None else float(shapely.area(shape))


@dataclass(slots=True)
class _Paper:
    """The room and what stands in it already."""

    room: Any
    obstacles: list[Any]
    soft: list[Any]
    taken: list[Any] = field(default_factory=list)
    tree: Any = None
    soft_tree: Any = None

    def __post_init__(self) -> None:
        shapely.prepare(self.room)
        self.tree = shapely.STRtree([s for s in self.obstacles if not shapely.is_empty(s)])
        self.soft_tree = shapely.STRtree([s for s in self.soft if not shapely.is_empty(s)])

    def free(self, boxes: Any) -> Any:
        """Which boxes lie in the room and on no obstacle."""
        is_free = shapely.contains_properly(self.room, boxes)
        is_free[self.tree.query(boxes, predicate="intersects")[0]] = False
        return is_free

    def n_soft(self, boxes: Any) -> Any:
        """How many soft shapes each box covers."""
        hit = self.soft_tree.query(boxes, predicate="intersects")[0]
        return np.bincount(hit, minlength=len(boxes))

    def clear(self, shapes: Any) -> Any:
        """Which shapes touch no words and no leader that stand there already."""
        is_clear = np.ones(len(shapes), dtype=bool)
        if self.taken:  # built anew for each label: quicker than one by one
            is_clear[shapely.STRtree(self.taken).query(shapes, predicate="intersects")[0]] = False
        return is_clear

    def take(self, placed: Placed) -> Placed:
        """Note words and leader as standing there."""
        self.taken += placed.shapes
        return placed


def _boxes(label: Label, spots: Any, gap_pt: float) -> Any:
    """Polygons of a label's room at spots (k, 3)."""
    width, high = label.extent_pt
    half = np.array([width / 2 + gap_pt, high / 2 + gap_pt])
    corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * half
    turn = np.radians(spots[:, 2])
    c, s = np.cos(turn)[:, None], np.sin(turn)[:, None]
    x = spots[:, :1] + corners[:, 0] * c + corners[:, 1] * s
    y = spots[:, 1:2] - corners[:, 0] * s + corners[:, 1] * c
    return shapely.polygons(np.stack([x, y], axis=2))


def _at_spot(label: Label, paper: _Paper) -> Placed | None:
    """The first free spot; words without a home cover something soft only as a last resort."""
    ways = (label, *label.also)
    tries: tuple[int | None, ...] = (None,) if label.home is not None else (0, None)
    for most in tries[:1] if label.is_shy else tries:
        for one in ways:
            placed = _first_spot(one, paper, most)
            if placed is not None:
                return placed
    return None


def _first_spot(label: Label, paper: _Paper, most_soft: int | None) -> Placed | None:
    """The first of a label's own spots that is free."""
    spots = np.asarray(label.spots, dtype=float).reshape(-1, 3)
    if not len(spots):
        return None
    boxes = _boxes(label, spots, GAP_PT)
    is_free = paper.free(boxes)
    order = np.arange(len(spots))
    if label.home is None:
        n_soft = paper.n_soft(boxes)
        is_free &= True if most_soft is None else n_soft <= most_soft
        order = np.argsort(n_soft, kind="stable")
    order = order[is_free[order]]
    order = order[paper.clear(boxes[order])] if len(order) else order
    if label.home is not None and len(order):  # last: it is the dearest to ask
        bare = _boxes(label, spots[order], 0.0)
        inside = shapely.area(shapely.intersection(bare, label.home))
        order = order[inside >= label.home_frac * shapely.area(bare)]
    if not len(order):
        return None
    x, y, turn = (float(value) for value in spots[order[0]])
    return paper.take(Placed(label, x, y, turn))


def _ring(label: Label, paper: _Paper) -> Any:
    """Places around the anchor on a leader, free of obstacles; (k, 4) with what each costs."""
    width, high = label.extent_pt
    distances = np.arange(STEP_PT, label.reach_pt + 1e-9, STEP_PT)
    turn = np.radians(np.arange(N_WAYS) * 360.0 / N_WAYS + 15.0)
    ways = np.column_stack([np.cos(turn), -np.sin(turn)])
    far = distances[:, None] * ways[None, :, :].transpose(2, 0, 1).reshape(2, 1, -1)
    x = label.anchor[0] + far[0] + np.sign(ways[:, 0].round(6)) * width / 2 * abs(ways[:, 0])
    y = label.anchor[1] + far[1] + np.sign(ways[:, 1].round(6)) * high / 2
    spots = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    boxes = _boxes(label, spots, GAP_PT)
    is_free = paper.free(boxes)
    cost = np.repeat(distances, N_WAYS) + SOFT_PT * paper.n_soft(boxes)
    order = np.argsort(cost, kind="stable")
    order = order[is_free[order]]
    return np.column_stack([spots[order], cost[order]])


def _on_leader(label: Label, spots: Any, paper: _Paper) -> Placed | None:
    """The best place whose words and leader touch nothing that stands there."""
    if not len(spots):
        return None
    spots = spots[paper.clear(_boxes(label, spots, GAP_PT))]
    lines = shapely.shortest_line(_boxes(label, spots, 0.0), shapely.Point(label.anchor))
    is_clear = paper.clear(lines)
    if not is_clear.any():
        return None
    crossed = paper.tree.query(lines, predicate="intersects")[0]
    cost = spots[:, 3] + CROSS_PT * np.bincount(crossed, minlength=len(lines))
    best = int(np.argmin(np.where(is_clear, cost, np.inf)))
    x, y = (float(value) for value in spots[best, :2])
    leader = shapely.get_coordinates(lines[best])
    return paper.take(Placed(label, x, y, 0.0, leader if lines[best].length >= GAP_PT else None))


def spots_around(x: float, y: float, label: tuple[float, float], gap_pt: float) -> Array:
    """Places on a dot's four sides and corners, the right side first; (8, 3). [pt].

    Parameters
    ----------
    label : (2,)
        Width and height of the words. [pt]
    gap_pt : float
        From the dot's middle to the words. [pt]
    """
    w, h = label[0] / 2 + gap_pt, label[1] / 2 + gap_pt
    ways = [(0, -h), (0, h), (w, 0), (-w, 0), (w, -h), (-w, -h), (w, h), (-w, h)]
    return np.array([(x + dx, y + dy, 0.0) for dx, dy in ways])


def spots_along(line: Any, label: tuple[float, float], lift_pt: float, n: int = 25) -> Array:
    """Places along a line, on both sides, turned with it and never upside down; (k, 3).

    Parameters
    ----------
    line : shapely LineString
        On the paper. [pt]
    label : (2,)
        Width and height of the words. [pt]
    lift_pt : float
        Free paper between line and words. [pt]
    n : int
        Places on each side, from the middle outwards.
    """
    length = float(line.length)
    if length < label[0]:
        return np.empty((0, 3))
    low, high = label[0] / 2, length - label[0] / 2
    shares = np.linspace(low, high, n)
    shares = shares[np.argsort(abs(shares - length / 2), kind="stable")]
    before = shapely.get_coordinates(shapely.line_interpolate_point(line, shares - label[0] / 2))
    after = shapely.get_coordinates(shapely.line_interpolate_point(line, shares + label[0] / 2))
    here = shapely.get_coordinates(shapely.line_interpolate_point(line, shares))
    way = after - before
    way *= np.where(way[:, :1] < -1e-9, -1.0, 1.0)
    turn = np.degrees(np.arctan2(-way[:, 1], way[:, 0]))
    up = np.column_stack([-np.sin(np.radians(turn)), -np.cos(np.radians(turn))])
    lift = label[1] / 2 + lift_pt
    found = [np.column_stack([here + side * lift * up, turn]) for side in (1.0, -1.0)]
    return np.stack(found, axis=1).reshape(-1, 3)
