"""Small pieces of each look for the legend."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import shapely

from geotrim.report.sheets import plan_looks as looks
from geotrim.report.sheets.drawing import WHITE, Pen
from geotrim.report.sheets.plan_looks import LOOKS, Look

#: How long a station tick is. [pt]
TICK_PT = 5.0

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


def depth_swatch(pen: Pen, x: float, y: float, w: float, h: float) -> None:
    line = shapely.LineString([(x + 1, y + h / 2), (x + w - 1, y + h / 2)])
    looks.paint(pen, line, LOOKS["deepest"], "swatch")
    looks.bars(pen, line, 3.0, "swatch")


def section_swatch(pen: Pen, x: float, y: float, w: float, h: float) -> None:
    line = shapely.LineString([(x, y + h / 2), (x + w - 9, y + h / 2)])
    looks.paint(pen, line, LOOKS["section"], "swatch")
    looks.dot(pen, x + w - 4.5, y + h / 2, 4.2, fill=WHITE, width_pt=0.9, name="swatch")


def tick_swatch(pen: Pen, x: float, y: float, w: float, h: float) -> None:
    looks.paint(
        pen, shapely.LineString([(x, y + h / 2), (x + w, y + h / 2)]), LOOKS["mhw"], "swatch"
    )
    for k in range(3):
        at = x + (0.15 + 0.35 * k) * w
        pen.line([(at, y + h / 2), (at, y + h / 2 + TICK_PT)], width_pt=0.9, name="swatch")


def eye_swatch(pen: Pen, x: float, y: float, w: float, h: float) -> None:
    looks.eye(pen, x + w / 2, y + h / 2)


def arrow_swatch(pen: Pen, x: float, y: float, w: float, h: float) -> None:
    looks.arrow(pen, np.array([x + w / 2 + 4.0, y + h / 2]), np.array([1.0, 0.0]), "swatch")


def trunk_swatch(pen: Pen, x: float, y: float, w: float, h: float) -> None:
    looks.trunk(pen, x + w / 2, y + h / 2)
