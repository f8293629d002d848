"""Places on the ground to points on paper, to an engineering scale, exactly.

A frame turns the ground so that the water is at the top of the paper and stations grow to the
right, as a person on the land sees them; the north arrow tells how far it was turned. Grid lengths
are drawn: a length between two coordinates, in international feet, is that many feet on the scale.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from geotrim.report.sheets.drawing import POINTS, Array

#: Feet on the ground in an inch of paper, from the largest drawing to the smallest. Engineer's
#: scales; source: common practice, no source.
SCALES_FT = (10, 20, 30, 40, 50, 60, 100)


@dataclass(frozen=True, slots=True)
class Frame:
    """How the ground lies on a drawing.

    x0, y0 : the place at the drawing's centre, in the site's CRS. [map units]
    feet_per_unit : international feet in a map unit.
    turn_deg : the ground is turned counter-clockwise by this much on paper.
    scale_ft : feet in an inch of paper.
    width_pt, height_pt : of the drawing.
    """

    x0: float
    y0: float
    feet_per_unit: float
    turn_deg: float
    scale_ft: float
    width_pt: float
    height_pt: float

    def points(self, xy: Any) -> Array:
        """Points on the drawing of places, (n, 2) in map units."""
        xy = np.atleast_2d(np.asarray(xy, dtype=float))[:, :2]
        turn = math.radians(self.turn_deg)
        dx, dy = xy[:, 0] - self.x0, xy[:, 1] - self.y0
        right = dx * math.cos(turn) - dy * math.sin(turn)
        up = dx * math.sin(turn) + dy * math.cos(turn)
        per_unit = self.feet_per_unit * POINTS / self.scale_ft
        return np.column_stack(
            [self.width_pt / 2 + right * per_unit, self.height_pt / 2 - up * per_unit]
        )

    def length_pt(self, length_ft: float) -> float:
        """How long a length on the ground is on paper."""
        return length_ft * POINTS / self.scale_ft

    @property
    def north_deg(self) -> float:
        """Where grid north points on paper, counter-clockwise from up."""
        return self.turn_deg


def scale_that_fits(
    width_ft: float,
    height_ft: float,
    width_pt: float,
    height_pt: float,
    scales_ft: Sequence[int] = SCALES_FT,
) -> int | None:
    """The largest drawing whose ground fits on paper; None where even the smallest does not.

    Examples
    --------
    >>> scale_that_fits(180.0, 90.0, 720.0, 432.0)
    20
    >>> scale_that_fits(1200.0, 90.0, 720.0, 432.0) is None
    True
    """  # fmt: skip
    for scale in scales_ft:
        fits = width_ft * POINTS <= width_pt * scale and height_ft * POINTS <= height_pt * scale
        if fits:
            return scale
    return None
