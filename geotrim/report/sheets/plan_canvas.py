"""A map while it is drawn: what is on it, where words may not stand, what the legend tells."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import shapely

from geotrim.report.sheets import plan_looks as looks
from geotrim.report.sheets.drawing import Pen
from geotrim.report.sheets.legend import Entry
from geotrim.report.sheets.plan_frame import View
from geotrim.report.sheets.plan_looks import Look
from geotrim.report.sheets.plan_lot import PlanLot


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
