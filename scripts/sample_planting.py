"""Plants invented trees along a shore: where, how tall, which species, what shape."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from sample_parts import US_FOOT_FT, Crown, outline

RED, BLACK, WHITE = "Rhizophora mangle", "Avicennia germinans", "Laguncularia racemosa"
BUTTONWOOD = "Conocarpus erectus"
SEAGRAPE, PEPPER = "Coccoloba uvifera", "Schinus terebinthifolia"
HIBISCUS, PALM = "Talipariti tiliaceum", "Sabal palmetto"
#: The species the state act calls mangroves: s. 403.9325(3) F.S.
MANGROVES = (RED, BLACK, WHITE)

#: Close to 6, 10, 16 and 24 ft on both sides, and the two ends of the range.
TELLING_HEIGHTS_FT = (4.1, 5.8, 6.2, 9.6, 9.9, 10.3, 15.7, 16.2, 20.5, 23.8, 24.3, 27.4)
#: Just under and just over 6 ft; kept clear of taller crowns.
CLEAR_HEIGHTS_FT = (5.8, 6.2)

World = Callable[[float, float], tuple[float, float]]


@dataclass(frozen=True)
class Spot:
    """A tree to be: station and offset over the water of its trunk, feet as the map counts them.

    ``is_fixed`` keeps the crown's centre on the trunk and its outline point-symmetric, so that the
    trunk, the crown's centroid and the stated place are one.
    """

    station: float
    offset: float
    height_ft: float
    radius: float
    species: str | None
    is_fixed: bool = False
    dome: str | None = None


@dataclass(frozen=True)
class Grid:
    """Where cell centres fall, and the vertical unit: feet in one unit of the site's raster."""

    west: float
    north: float
    cell: float
    feet: float

    def snap(self, x: float, y: float) -> tuple[float, float]:
        """Nearest cell centre, so that the raster holds the tip itself."""
        col = math.floor((x - self.west) / self.cell)
        row = math.floor((self.north - y) / self.cell)
        return (
            round(self.west + (col + 0.5) * self.cell, 3),
            round(self.north - (row + 0.5) * self.cell, 3),
        )


def radius_for(height_ft: float) -> float:
    """Crown radius that looks right for a height; a drawing rule, no allometry."""
    return round(min(7.5, 2.4 + 0.2 * height_ft), 2)


def mixed_heights(rng: np.random.Generator, n: int, low: float, high: float) -> list[float]:
    """The telling heights first, then others spread between two limits."""
    more = [round(low + (high - low) * rng.random() ** 1.4, 1) for _ in range(n)]
    return [*TELLING_HEIGHTS_FT, *more][:n]


def pick_species(rng: np.random.Generator, offset: float, seaward_from: float) -> str | None:
    """Reds at the water, blacks and whites behind, a few nobody has named."""
    draw = rng.random()
    if draw < 0.06:
        return None
    if offset >= seaward_from:
        return RED if draw < 0.80 else (WHITE if draw < 0.92 else BLACK)
    return BLACK if draw < 0.50 else (WHITE if draw < 0.88 else RED)


def scatter(
    rng: np.random.Generator,
    heights_ft: list[float],
    stations: tuple[float, float],
    offsets: tuple[float, float],
    placed: list[Spot],
    seaward_from: float,
) -> list[Spot]:
    """Throw trees into a strip; crowns may overlap by a sixth of their spacing.

    Two go first and keep clear of the rest, or a taller neighbour's dome would be their top.
    """
    out: list[Spot] = []
    for height in sorted(heights_ft, key=lambda h: (h not in CLEAR_HEIGHTS_FT, -h)):
        radius = radius_for(height)
        for attempt in range(600):
            if attempt % 150 == 149:
                radius = round(radius * 0.88, 2)
            station = round(stations[0] + (stations[1] - stations[0]) * rng.random(), 1)
            offset = round(offsets[0] + (offsets[1] - offsets[0]) * rng.random(), 1)
            near = (
                math.hypot(station - s.station, offset - s.offset)
                - (1.3 if s.height_ft in CLEAR_HEIGHTS_FT else 0.84) * (radius + s.radius)
                for s in (*placed, *out)
            )
            if min(near, default=1.0) > 0:
                species = pick_species(rng, offset, seaward_from)
                out.append(Spot(station, offset, height, radius, species))
                break
    return out


def pick_dome(rng: np.random.Generator, species: str | None) -> str:
    """Whites are often hedged flat, blacks are round, reds spread."""
    if species == WHITE and rng.random() < 0.5:
        return "flat"
    return "paraboloid" if species in (RED, WHITE, None) else "half-ellipsoid"


def grow(
    rng: np.random.Generator,
    spots: list[Spot],
    world: World,
    grid: Grid,
    name: str,
    no_trunk_every: int = 0,
) -> list[Crown]:
    """Crowns of the spots, numbered along the shore."""
    crowns = []
    for number, spot in enumerate(sorted(spots, key=lambda s: (s.station, s.offset)), start=1):
        trunk = world(spot.station, spot.offset)
        centre = trunk if spot.is_fixed else grid.snap(*trunk)
        dome = spot.dome or pick_dome(rng, spot.species)
        tip = spot.height_ft / grid.feet
        rim = tip if dome == "flat" else tip * (0.40 + 0.25 * rng.random())
        base = (0.55 + 0.3 * rng.random()) * (rim if dome != "flat" else 0.6 * tip)
        has_base, has_trunk = rng.random() < 0.7, True
        if no_trunk_every and number % no_trunk_every == 0 and not spot.is_fixed:
            has_trunk = False
        crowns.append(
            Crown(
                crown_id=name.format(number),
                species=spot.species,
                centre=centre,
                trunk=trunk if has_trunk else None,
                ring=outline(rng, centre, spot.radius / US_FOOT_FT, is_even=spot.is_fixed),
                tip=tip,
                rim=round(rim, 2) if dome != "flat" else tip,
                dome=dome,
                base=round(base, 1) if has_base else None,
            )
        )
    return crowns
