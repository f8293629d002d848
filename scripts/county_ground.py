"""The ground of the invented county: squares with a shore, canals, islands and lots.

A county is rows of square neighbourhoods. Each is a pure function of the seed and its number: open
water in the south, a winding shore that runs on from square to square, a row of lots along it with
a second row across a street, and finger canals with lots on both banks, each row backed by another.
So about half of the lots have shore.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely

Array = npt.NDArray[np.float64]

#: Map units are US survey feet: NAD83(2011) / Florida West. The place is no real one.
CRS = "EPSG:6443"
WEST, SOUTH = 300_000.0, 900_000.0
CELL_FT = 1.5
CANAL_FT, LOT_DEPTH_FT, STREET_FT = 70.0, 120.0, 50.0
#: From one canal to the next: the canal, two rows of lots on each side, and streets between.
CANAL_STEP_FT = CANAL_FT + 4 * LOT_DEPTH_FT + 2 * STREET_FT + 50.0
#: No tree is planted nearer to the edge of a square: a raster tile needs its own trees only.
MARGIN_FT = 15.0
LARGE, SMALL = 3072.0, 768.0


@dataclass(frozen=True, slots=True)
class County:
    """How large the county is and how it is made.

    side : of a square. [map units]
    across : squares in a row.
    """

    seed: int
    n_lots: int
    n_crowns: int
    side: float
    n_squares: int
    across: int
    cell: float = CELL_FT

    def corner(self, square: int) -> tuple[float, float]:
        """South-west corner of a square."""
        row, col = divmod(square, self.across)
        return WEST + col * self.side, SOUTH + row * self.side

    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north of all squares."""
        rows = math.ceil(self.n_squares / self.across)
        return WEST, SOUTH, WEST + self.across * self.side, SOUTH + rows * self.side

    def rng(self, square: int, what: int) -> np.random.Generator:
        """Random numbers of one square for one purpose."""
        return np.random.default_rng([self.seed, square, what])

    def crowns_of(self, square: int) -> tuple[int, int]:
        """First crown of a square, and the one after its last."""
        return (
            square * self.n_crowns // self.n_squares,
            (square + 1) * self.n_crowns // self.n_squares,
        )


def plan_county(n_lots: int, n_crowns: int, seed: int = 1, cell: float = CELL_FT) -> County:
    """Lay a county out for a number of lots: squares of one size, as many as it takes.

    The size depends on the number of lots only: squares of 768 ft under 400 lots, else of 3072 ft.
    """
    side = SMALL if n_lots < 400 else LARGE
    one = County(seed, n_lots, n_crowns, side, 1, 1, cell)
    n_squares, found = 0, 0
    while found < n_lots:
        found += len(lots_of(one, n_squares).shapes)
        n_squares += 1
    across = max(1, math.isqrt(n_squares - 1) + 1) if n_squares > 1 else 1
    return County(seed, n_lots, n_crowns, side, n_squares, across, cell)


@dataclass(frozen=True, slots=True, eq=False)
class Lots:
    """Lots of one square in the square's own coordinates, and what is told of them."""

    shapes: npt.NDArray[np.object_]
    kind: list[str]


def _wave(county: County, square: int) -> Array:
    """Northing of the open shore by easting, at every 12 ft of a square: it joins the next one's.

    A sine that is whole over a square, and for some squares a cove or a headland.
    """
    rng = county.rng(square, 0)
    side = county.side
    x = np.linspace(0.0, side, round(side / 12.0) + 1)
    scale = side / LARGE
    y = 0.2 * side + 60 * scale * np.sin(2 * np.pi * x / side) + 9 * np.sin(14 * np.pi * x / side)
    size = rng.choice([-70.0, 0.0, 90.0]) * scale
    middle = rng.uniform(0.35, 0.65) * side
    y += (
        size
        * np.exp(-(((x - middle) / (130.0 * math.sqrt(scale))) ** 2))
        * np.sin(np.pi * x / side)
    )
    return np.stack([x, y], axis=1)


@dataclass(frozen=True, slots=True, eq=False)
class Canal:
    """A canal's banks from the open shore to its head. west, east : (n, 2) south to north."""

    west: Array
    east: Array


def _canals(county: County, square: int, wave: Array) -> list[Canal]:
    """Canals of a square, evenly spread, bent a little."""
    rng = county.rng(square, 1)
    count = max(1, int(county.side // CANAL_STEP_FT))
    out = []
    for k in range(count):
        middle = (k + 0.5) * county.side / count
        head = county.side * rng.uniform(0.8, 0.9) if county.side > SMALL else 0.95 * county.side
        bend, phase = rng.uniform(3.0, 12.0), rng.uniform(0.0, 2 * np.pi)
        banks = []
        for offset in (-CANAL_FT / 2, CANAL_FT / 2):
            foot = float(np.interp(middle + offset, wave[:, 0], wave[:, 1]))
            y = np.linspace(foot, head, max(4, round((head - foot) / 15.0)))
            # Straight where it leaves the open shore, so that the rows of lots there are simple
            ease = np.clip((y - foot - 320.0) / 200.0, 0.0, 1.0)
            x = middle + offset + bend * ease * np.sin(y / 180.0 + phase)
            banks.append(np.stack([x, y], axis=1))
        out.append(Canal(banks[0], banks[1]))
    return out


def shore_of(county: County, square: int) -> list[Array]:
    """Mean high water lines of a square in its own coordinates.

    The first runs from the west edge to the east edge, in and out of every canal, with the land
    on its left; islands follow as closed lines.
    """
    wave = _wave(county, square)
    canals = _canals(county, square, wave)
    parts, start = [], 0.0
    for canal in canals:
        left, right = canal.west[0, 0], canal.east[0, 0]
        inside = (wave[:, 0] > start) & (wave[:, 0] < left - 1e-6)
        first = wave[:1] if start == 0.0 else np.empty((0, 2))
        parts += [first, wave[inside], canal.west, canal.east[::-1]]
        start = right + 1e-6
    parts += [wave[wave[:, 0] > start]]
    return [np.concatenate(parts), *_islands(county, square)]


def _islands(county: County, square: int) -> list[Array]:
    """None, one or two islands in the open water, as closed rings."""
    if county.side < LARGE:
        return []
    rng = county.rng(square, 2)
    out = []
    for k in range(int(rng.integers(0, 3))):
        centre = np.array([(0.25 + 0.5 * k) * county.side + rng.uniform(-200, 200), 250.0])
        turn = np.linspace(0.0, 2 * np.pi, 49)[:-1]
        radius = rng.uniform(80.0, 140.0) * (1 + 0.08 * np.sin(3 * turn + rng.uniform(0, 6)))
        ring = centre + radius[:, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1)
        out.append(np.concatenate([ring, ring[:1]]))
    return out


def lots_of(county: County, square: int) -> Lots:
    """Lots of a square: those on the open shore first, canal by canal, islands last.

    Of those on the water about two in five stop up to 4 ft short of the line, as many run up to
    4 ft past it, and the others end on it.
    """
    rng = county.rng(square, 3)
    wave = _wave(county, square)
    canals = _canals(county, square, wave)
    shapes: list[shapely.Polygon] = []
    kind: list[str] = []

    def put(front: Array, back: Array, name: str) -> None:
        shapes.append(shapely.Polygon(np.concatenate([front, back[::-1]])))
        kind.append(name)

    gaps = [0.0, *[x for c in canals for x in (c.west[0, 0], c.east[0, 0])], county.side]
    for low, high in zip(gaps[::2], gaps[1::2], strict=True):
        for a, b in _cut(rng, low, high):
            front = _part(wave, a, b)
            inner = _north(front, LOT_DEPTH_FT)
            # A corner lot at a canal ends where the bank begins: it has shore on two sides.
            put(_north(front, _short(rng)), inner, "waterfront")
            outer = _north(inner, STREET_FT)
            put(outer, _north(outer, LOT_DEPTH_FT), "upland")
    for canal in canals:
        for bank, inland in ((canal.west, -1.0), (canal.east, 1.0)):
            low = bank[0, 1] + 2 * LOT_DEPTH_FT + STREET_FT + 60.0
            for a, b in _cut(rng, low, float(bank[-1, 1])):
                front = _part(bank[:, ::-1], a, b)[:, ::-1]
                away = np.array([inland, 0.0])
                inner = np.stack([np.full(len(front), bank[0, 0]), front[:, 1]], axis=1)
                inner = inner + away * LOT_DEPTH_FT
                put(front + away * _short(rng), inner, "waterfront")
                outer = inner[[0, -1]] + away * STREET_FT
                put(outer, outer + away * LOT_DEPTH_FT, "upland")
        head = np.stack([canal.west[-1], canal.east[-1]])
        if head[0, 1] + 12.0 + LOT_DEPTH_FT < county.side:
            head = head + np.array([[-15.0, _short(rng)], [15.0, 0.0]])
            put(head, _north(head, LOT_DEPTH_FT), "waterfront")
    for ring in _islands(county, square):
        shapes.append(shapely.Polygon(ring))
        kind.append("island")
    return Lots(np.asarray(shapes, dtype=object), kind)


def _north(line: Array, by: float) -> Array:
    return line + np.array([0.0, by])


def _cut(rng: np.random.Generator, low: float, high: float) -> list[tuple[float, float]]:
    """A length cut into frontages of 60 to 120 ft."""
    if high - low < 60.0:
        return []
    count = max(1, round((high - low) / 90.0))
    share = rng.uniform(0.8, 1.2, count)
    edges = low + np.concatenate([[0.0], np.cumsum(share)]) / share.sum() * (high - low)
    return [(float(a), float(b)) for a, b in pairwise(edges)]


def _part(line: Array, low: float, high: float) -> Array:
    """Vertices of a line between two values of its first, rising coordinate."""
    inside = line[(line[:, 0] > low) & (line[:, 0] < high)]
    ends = [[v, float(np.interp(v, line[:, 0], line[:, 1]))] for v in (low, high)]
    return np.concatenate([[ends[0]], inside, [ends[1]]])


def _short(rng: np.random.Generator) -> float:
    """How far a lot stops short of the line; negative where it runs past it. [ft]."""
    size = float(rng.uniform(0.5, 4.0))
    return float(rng.choice([size, -size, 0.0], p=[0.4, 0.4, 0.2]))
