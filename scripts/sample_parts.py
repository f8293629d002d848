"""Invented crowns: outlines, canopy domes and what they hold, by formula.

A crown is a star-shaped polygon about its centre. Its canopy surface falls from the tip to the rim
along similar (scaled) copies of the outline, so with ``rho`` = 0 at the centre and 1 on the outline

==============  ============================  ==========================
dome            height at ``rho``             share of area above ``t``
==============  ============================  ==========================
paraboloid      rim + (tip - rim)(1 - rho^2)  (tip - t) / (tip - rim)
half-ellipsoid  rim + (tip - rim)sqrt(1-rho^2)  1 - ((t - rim)/(tip - rim))^2
flat            tip                           1
==============  ============================  ==========================

because scaling a plane figure by ``rho`` scales its area by ``rho^2``. Volumes under the column
model (solid to the ground) are integrals of the last column over height, in closed form.

Nothing here imports geotrim: the answers must not come from what they check. Only
``Generator.random`` is drawn on, whose stream numpy keeps from release to release.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely

#: One US survey foot in international feet. Source: EPSG units 9003 and 9002, exact.
US_FOOT_FT = (1200.0 / 3937.0) / 0.3048

DOMES = ("paraboloid", "half-ellipsoid", "flat")


@dataclass(frozen=True)
class Frame:
    """Local axes of a straight shore: x along it to the right, y over the water, in map units."""

    east: float
    north: float
    turn_deg: float

    def world(self, x: float, y: float) -> tuple[float, float]:
        c, s = math.cos(math.radians(self.turn_deg)), math.sin(math.radians(self.turn_deg))
        return (
            round(self.east + c * x - s * y, 3),
            round(self.north + s * x + c * y, 3),
        )

    def many(self, points: list[tuple[float, float]]) -> list[tuple[float, float]]:
        return [self.world(x, y) for x, y in points]


@dataclass(frozen=True)
class Crown:
    """One invented tree. Heights in the site's own vertical unit; coordinates in map units."""

    crown_id: str
    species: str | None
    centre: tuple[float, float]
    trunk: tuple[float, float] | None
    ring: np.ndarray  # (n, 2), counter-clockwise, not closed
    tip: float
    rim: float
    dome: str
    base: float | None

    @property
    def polygon(self) -> shapely.Polygon:
        return shapely.Polygon(self.ring)

    def rho(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """0 at the centre, 1 on the outline, more than 1 outside."""
        px, py = x - self.centre[0], y - self.centre[1]
        out = np.full(x.shape, np.inf)
        corners = self.ring - np.array(self.centre)
        for (ax, ay), (bx, by) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            det = ax * by - ay * bx
            along_a, along_b = (px * by - py * bx) / det, (ax * py - ay * px) / det
            inside = (along_a >= 0) & (along_b >= 0)
            out[inside] = np.minimum(out[inside], (along_a + along_b)[inside])
        return out

    def surface(self, x: np.ndarray, y: np.ndarray, skirt: float = 0.0) -> np.ndarray:
        """Canopy top; outside the outline it keeps the rim's height over ``skirt``, then 0."""
        rho = self.rho(x, y)
        if skirt:
            near = shapely.distance(self.polygon, shapely.points(x, y)) <= skirt
            rho = np.where(near, np.minimum(rho, 1.0), rho)
        fall = np.clip(1.0 - np.minimum(rho, 1.0) ** 2, 0.0, 1.0)
        part = {"paraboloid": fall, "half-ellipsoid": np.sqrt(fall), "flat": np.ones_like(rho)}
        return np.where(rho <= 1.0, self.rim + (self.tip - self.rim) * part[self.dome], 0.0)

    def volume(self, low: float, high: float, feet: float) -> float:
        """Volume between two heights under the column model, in closed form, in ft3.

        Heights are in feet; ``feet`` is the international feet in one vertical unit of the site.
        """
        tip, rim = self.tip * feet, self.rim * feet
        area = self.polygon.area * US_FOOT_FT**2
        return area * (self._held(min(high, tip), tip, rim) - self._held(min(low, tip), tip, rim))

    def _held(self, t: float, tip: float, rim: float) -> float:
        """Integral of the area share above a height, from the ground to ``t``, in ft."""
        if t <= rim or self.dome == "flat":
            return t
        up = (t - rim) / (tip - rim)
        if self.dome == "paraboloid":
            return rim + (tip - rim) * (up - up**2 / 2.0)
        return rim + (tip - rim) * (up - up**3 / 3.0)


def outline(
    rng: np.random.Generator, centre: tuple[float, float], radius: float, is_even: bool = False
) -> np.ndarray:
    """A lumpy ring about a centre; ``is_even`` makes it point-symmetric, so centred for sure."""
    half = 7 + int(rng.random() * 4)
    n = 2 * half
    phase2, phase3 = rng.random(2) * 2 * math.pi
    long, lobes = 0.08 + 0.16 * rng.random(), 0.04 + 0.09 * rng.random()
    jitter_angle = (rng.random(n) - 0.5) * 0.5 * (2 * math.pi / n)
    jitter_radius = 1.0 + (rng.random(n) - 0.5) * 0.16
    if is_even:
        jitter_angle, jitter_radius = (
            np.tile(jitter_angle[:half], 2),
            np.tile(jitter_radius[:half], 2),
        )
        lobes = 0.0
    angle = np.arange(n) * 2 * math.pi / n + jitter_angle
    stretch = 1.0 + long * np.cos(2 * angle + phase2) + lobes * np.cos(3 * angle + phase3)
    reach = radius * stretch * jitter_radius
    ring = np.column_stack([centre[0] + reach * np.cos(angle), centre[1] + reach * np.sin(angle)])
    return np.round(ring, 3)


def paint(crowns: list[Crown], west: float, north: float, cell: float, shape: tuple[int, int]):
    """Height raster: the dome over each cell centre, the highest where crowns overlap, else 0.

    The rim reaches three quarters of a cell past the outline: a cell that a crown covers in part
    must not read 0 because its centre lies outside (half a cell's diagonal is 0.71 of its side).
    """
    rows, cols = shape
    x = west + (np.arange(cols) + 0.5) * cell
    y = north - (np.arange(rows) + 0.5) * cell
    heights = np.zeros(shape)
    for crown in crowns:
        skirt = 0.75 * cell
        (x0, y0), (x1, y1) = crown.ring.min(axis=0) - skirt, crown.ring.max(axis=0) + skirt
        at_c, at_r = np.flatnonzero((x >= x0) & (x <= x1)), np.flatnonzero((y >= y0) & (y <= y1))
        if not at_c.size or not at_r.size:
            continue
        window = np.ix_(at_r, at_c)
        grid_x, grid_y = np.meshgrid(x[at_c], y[at_r])
        heights[window] = np.maximum(heights[window], crown.surface(grid_x, grid_y, skirt))
    return heights


@dataclass(frozen=True)
class Cells:
    """What a crown holds, cell by cell, with every cell cut by shapely. Lengths in feet."""

    area_ft2: float
    covered_frac: float
    top_ft: float
    volume_ft3: float
    band_ft3: float


def measure_cells(
    polygon: shapely.Polygon,
    heights: np.ndarray,
    west: float,
    north: float,
    cell: float,
    feet: float,
    band: tuple[float, float],
) -> Cells:
    """Brute force: intersect the crown with every cell it may touch (NaN = no data)."""
    x0, y0, x1, y1 = polygon.bounds
    rows, cols = heights.shape
    c0, c1 = max(0, math.floor((x0 - west) / cell)), min(cols, math.ceil((x1 - west) / cell))
    r0, r1 = max(0, math.floor((north - y1) / cell)), min(rows, math.ceil((north - y0) / cell))
    col, row = np.meshgrid(np.arange(c0, c1), np.arange(r0, r1))
    left, top = west + col * cell, north - row * cell
    part = shapely.area(
        shapely.intersection(polygon, shapely.box(left, top - cell, left + cell, top))
    )
    height = heights[r0:r1, c0:c1] * feet
    known = np.isfinite(height) & (part > 0)
    area, high = part[known] * US_FOOT_FT**2, height[known]
    whole = polygon.area * US_FOOT_FT**2
    return Cells(
        area_ft2=whole,
        covered_frac=float(area.sum() / whole),
        top_ft=float(high[part[known] >= 0.01 * cell**2].max(initial=0.0)),
        volume_ft3=float((area * high).sum()),
        band_ft3=float((area * np.clip(high - band[0], 0.0, band[1] - band[0])).sum()),
    )
