"""Upright drawings: distances along x and heights upward, both to scale on paper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from geotrim.report.sheets.drawing import POINTS, Array
from geotrim.report.sheets.true_scale import SCALES_FT, Frame

#: Scales of heights that leave the 6 and 10 ft marks well apart: at 1 in = 40 ft they stand 7 pt
#: apart, about the size of a word. A drawing rule, no source.
READABLE_FT, STRETCHED_FT = 40, 20


@dataclass(frozen=True, slots=True)
class Scales:
    """Feet in an inch of paper, along and upward; they are the same unless heights are stretched.

    Examples
    --------
    >>> Scales(20, 20).words
    '1 in = 20 ft, along and upward (true scale)'
    >>> Scales(60, 20).words
    '1 in = 60 ft along, 1 in = 20 ft upward: HEIGHTS DRAWN x3'
    """

    along_ft: int
    up_ft: int

    @property
    def factor(self) -> float:
        """How much heights are stretched."""
        return self.along_ft / self.up_ft

    @property
    def words(self) -> str:
        """The scale as it stands beside a sheet's title."""
        if self.along_ft == self.up_ft:
            return f"1 in = {self.along_ft} ft, along and upward (true scale)"
        both = f"1 in = {self.along_ft} ft along, 1 in = {self.up_ft} ft upward"
        return f"{both}: HEIGHTS DRAWN x{self.factor:g}"


@dataclass(frozen=True, slots=True)
class Upright:
    """Where a distance and a height lie on a drawing.

    frame : of the distances, and of heights times ``factor``; one unit of it is one foot.
    """

    frame: Frame
    factor: float

    def points(self, xz: Any) -> Array:
        """Points on the drawing of distances and heights, (n, 2). [ft] -> [pt]."""
        xz = np.atleast_2d(np.asarray(xz, dtype=float))
        return self.frame.points(xz * (1.0, self.factor))

    def x_pt(self, x_ft: float) -> float:
        """Where a distance lies. [pt]."""
        return float(self.points([(x_ft, 0.0)])[0, 0])

    def y_pt(self, z_ft: float) -> float:
        """Where a height lies. [pt]."""
        return float(self.points([(0.0, z_ft)])[0, 1])

    def rings(self, shape: Any) -> list[Array]:
        """Rings of a polygon, its holes among them. [pt]."""
        import shapely

        return [self.points(shapely.get_coordinates(r)) for r in (shape.exterior, *shape.interiors)]


def upright(x_ft: float, z_ft: float, at_pt: tuple[float, float], scales: Scales) -> Upright:
    """Scales with one place of the ground put onto one place of the paper.

    Parameters
    ----------
    x_ft, z_ft : float
        Distance and height of the place. [ft]
    at_pt : (float, float)
        Where it lies on the drawing. [pt]
    scales : Scales

    Examples
    --------
    >>> one = upright(0.0, 0.0, (36.0, 100.0), Scales(10, 10))
    >>> one.points([(10.0, 5.0)]).round(6).tolist()
    [[108.0, 64.0]]
    >>> upright(0.0, 5.0, (36.0, 100.0), Scales(60, 20)).points([(60.0, 15.0)]).round(6).tolist()
    [[108.0, 64.0]]
    """
    frame = Frame(
        x_ft, z_ft * scales.factor, 1.0, 0.0, float(scales.along_ft), 2 * at_pt[0], 2 * at_pt[1]
    )
    return Upright(frame, scales.factor)


def scales_that_fit(
    width_ft: float,
    height_ft: float,
    width_pt: float,
    height_pt: float,
    scales_ft: Sequence[int] = SCALES_FT,
) -> Scales:
    """The largest drawing that fits, heights true; stretched only where they could not be read.

    Parameters
    ----------
    width_ft, height_ft : float
        Of what is drawn. [ft]
    width_pt, height_pt : float
        Room on paper. [pt]

    Examples
    --------
    >>> scales_that_fit(90.0, 30.0, 650.0, 250.0)
    Scales(along_ft=10, up_ft=10)
    >>> scales_that_fit(500.0, 30.0, 650.0, 250.0)
    Scales(along_ft=60, up_ft=20)
    """
    along = next((s for s in scales_ft if width_ft * POINTS <= width_pt * s), scales_ft[-1])
    up = next((s for s in scales_ft if height_ft * POINTS <= height_pt * s), scales_ft[-1])
    if max(along, up) <= READABLE_FT or up > STRETCHED_FT:
        return Scales(max(along, up), max(along, up))
    return Scales(along, STRETCHED_FT)
