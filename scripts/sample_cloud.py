"""The invented bare lot: nothing but a lidar cloud, tide stations and a lot polygon.

The ground, the trees and the flight are formulas, so what a measure of the lot must come to is
known beforehand: where the MHW line runs, how deep the fringe is, how tall each tree. Nothing here
imports geotrim. Only ``Generator.random`` is drawn on, whose stream numpy keeps.

Lengths are US survey feet, heights US survey feet above NAVD 88. Local axes: x along the shore, y
over the water; *offset* is how far a place lies over the water from the MHW line, straight in y.
"""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas
import laspy
import numpy as np
from laspy.vlrs.known import WktCoordinateSystemVlr
from pyproj import CRS, Transformer
from sample_files import EPSG, toml_table, write_layers, write_text
from sample_parts import US_FOOT_FT, Frame
from shapely.geometry import Polygon

FOLDER, LOT_ID = "bare_lot", "SW-11"
SEED = 20261126
FRAME = Frame(276_000.0, 1_176_000.0, 9.0)
LENGTH, DEPTH = 120.0, 150.0
#: The flight reaches from and to: x, then y.
FLOWN_X, FLOWN_Y = (-36.0, 156.0), (-165.0, 60.0)
#: One pulse somewhere in each square of this side, so no gap is wider than its diagonal twice.
PULSE_SIDE = 0.7
#: Where the MHW line is: y = BOW sin(2 pi (x + 30) / WAVE).
BOW, WAVE = 2.5, 200.0
#: MHW above NAVD 88 at the station named in the example; see ``STATIONS``. [ft]
MHW_FT = 0.34
#: Offset over the water, elevation over MHW: the section of the ground.
SECTION = ((-400.0, 4.6), (-60.0, 3.4), (-30.0, 2.4), (200.0, -16.0))
SLOPE = 0.08
#: Water at the time of flight, this far over the water from the MHW line; no ground is seen there.
WATER_OFFSET = 18.0
#: Standard error of one elevation in the cloud. [ft]
NOISE = 0.02
HOUSE = (38.0, 82.0, -126.0, -92.0)
ROOF = (11.0, 16.5)
#: Trees of the lot, innermost and outermost first: x, offset of the trunk, height, crown radius.
FIXED = ((60.0, -24.0, 15.5, 4.4), (64.0, 12.0, 11.5, 3.6))
N_TREES, N_BESIDE = 35, 8
#: Shape of a crown: its rim is this share of its height up, and it falls as a paraboloid.
RIM = 0.55
#: Crowns keep this clear of each other: a cell of 2 ft lies between, so a draft can part them.
CLEAR = 2.0
#: Shares of pulses: on through a crown to a second return, and on to the ground under it.
SECOND, THROUGH = 0.55, 0.12
STATIONS = (
    # id, east of the lot's middle, over the water from it, heights above the station's own MLLW
    ("INV-101", 9_000.0, 2_500.0, 1.96, 1.62, 0.90, 0.93, 0.21, 1.28),
    ("INV-102", -31_000.0, 4_000.0, 2.10, 1.77, 0.99, 1.01, 0.23, 1.36),
)
USED_STATION = "INV-101"
GROUND, LOW_PLANTS, BUILDING, NOISE_CLASS, WATER, PLANTS = 2, 3, 6, 7, 9, 5


@dataclass(frozen=True)
class Tree:
    """One invented tree; x along the shore and y over the water of its trunk."""

    x: float
    y: float
    height: float
    radius: float

    def top(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Elevation of the crown's surface, NaN outside it."""
        share = ((x - self.x) ** 2 + (y - self.y) ** 2) / self.radius**2
        fall = RIM + (1.0 - RIM) * (1.0 - share)
        foot = float(ground(np.array([self.x]), np.array([self.y]))[0])
        return np.where(share <= 1.0, foot + self.height * fall, np.nan)


def shore_y(x: Any) -> Any:
    """Where the MHW line lies."""
    return BOW * np.sin(2 * math.pi * (np.asarray(x) + 30.0) / WAVE)


def ground(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Elevation of the ground. [ft above NAVD 88]."""
    offsets, over = zip(*SECTION, strict=True)
    return MHW_FT + np.interp(y - shore_y(x), offsets, over)


def plant(rng: np.random.Generator) -> list[Tree]:
    """Trees of the fringe on the lot, then those beside it."""
    trees = [Tree(x, float(shore_y(x)) + offset, h, r) for x, offset, h, r in FIXED]
    strips = ((6.0, LENGTH - 6.0, N_TREES), (-30.0, -6.0, 4), (LENGTH + 6.0, LENGTH + 30.0, 4))
    for first, last, wanted in strips:
        n = 0 if first != 6.0 else len(FIXED)
        for _ in range(20_000):
            if n == wanted:
                break
            height = round(7.0 + 12.0 * rng.random() ** 1.3, 1)
            radius = radius_of(height)
            x = first + (last - first) * rng.random()
            tree = Tree(x, float(shore_y(x)) - 22.0 + 32.0 * rng.random(), height, radius)
            if all(is_apart(tree, other) for other in trees):
                trees.append(tree)
                n += 1
        if n < wanted:
            raise RuntimeError(f"only {n} of {wanted} trees fit")
    return trees


def radius_of(height: float) -> float:
    """Crown radius that looks right for a height; a drawing rule, no allometry."""
    return round(1.8 + 0.14 * height, 2)


def is_apart(tree: Tree, other: Tree) -> bool:
    """Whether two crowns keep clear of each other."""
    away = math.hypot(tree.x - other.x, tree.y - other.y)
    return away >= tree.radius + other.radius + CLEAR


@dataclass
class Returns:
    """Returns of the flight, a row each."""

    rows: list[np.ndarray]

    def add(self, pulse, x, y, z, number, of, kind) -> None:
        cols = np.broadcast_arrays(pulse, x, y, z, number, of, kind)
        self.rows.append(np.column_stack([np.asarray(c, float) for c in cols]))


def fly(rng: np.random.Generator, trees: list[Tree]) -> np.ndarray:
    """Columns pulse, x, y, z, return number, of how many, class; in the order of the flight."""
    n_x = round((FLOWN_X[1] - FLOWN_X[0]) / PULSE_SIDE)
    n_y = round((FLOWN_Y[1] - FLOWN_Y[0]) / PULSE_SIDE)
    col, line = np.meshgrid(np.arange(n_x), np.arange(n_y))
    col = np.where(line % 2 == 0, col, n_x - 1 - col).ravel()  # there and back again
    line = line.ravel()
    n = col.size
    u = rng.random((7, n))
    x, y = FLOWN_X[0] + (col + u[0]) * PULSE_SIDE, FLOWN_Y[0] + (line + u[1]) * PULSE_SIDE
    pulse = np.arange(n)
    floor = ground(x, y)
    noise = NOISE * math.sqrt(3.0) * (2.0 * u[2] - 1.0)  # even, of that standard deviation
    top = np.full(n, np.nan)
    for tree in trees:
        top = np.fmax(top, tree.top(x, y))
    is_wet = y - shore_y(x) > WATER_OFFSET
    is_crown = np.isfinite(top)
    x0, x1, y0, y1 = HOUSE
    is_roof = (x >= x0) & (x <= x1) & (y >= y0) & (y <= y1)
    is_seen_water = is_wet & ~is_crown & (u[3] < 0.05)
    is_grass = ~is_wet & ~is_crown & ~is_roof & (y - shore_y(x) < -30.0) & (u[3] < 0.2)
    is_bare = ~is_wet & ~is_crown & ~is_roof & ~is_grass
    out = Returns([])
    out.add(pulse[is_bare], x[is_bare], y[is_bare], (floor + noise)[is_bare], 1, 1, GROUND)
    blade = floor + 0.1 + 0.4 * u[4]
    out.add(pulse[is_grass], x[is_grass], y[is_grass], blade[is_grass], 1, 1, LOW_PLANTS)
    ridge = 1.0 - np.abs(2.0 * (y - y0) / (y1 - y0) - 1.0)
    roof = floor + ROOF[0] + (ROOF[1] - ROOF[0]) * ridge + noise
    out.add(pulse[is_roof], x[is_roof], y[is_roof], roof[is_roof], 1, 1, BUILDING)
    level = MHW_FT - SLOPE * WATER_OFFSET + noise
    wet = is_seen_water
    out.add(pulse[wet], x[wet], y[wet], level[wet], 1, 1, WATER)
    through = is_crown & ~is_wet & (u[6] < THROUGH)
    second = is_crown & (u[5] < SECOND)
    n_of = 1 + second.astype(int) + through
    out.add(
        pulse[is_crown],
        x[is_crown],
        y[is_crown],
        (top + noise)[is_crown],
        1,
        n_of[is_crown],
        PLANTS,
    )
    inner = floor + (top - floor) * (0.35 + 0.6 * u[4])
    out.add(pulse[second], x[second], y[second], inner[second], 2, n_of[second], PLANTS)
    last = (floor + noise)[through]
    out.add(pulse[through], x[through], y[through], last, n_of[through], n_of[through], GROUND)
    low = rng.random((3, 12))  # a few errors far off, marked as such
    odd_x = FLOWN_X[0] + low[0] * (FLOWN_X[1] - FLOWN_X[0])
    odd_y = FLOWN_Y[0] + low[1] * (FLOWN_Y[1] - FLOWN_Y[0])
    out.add(
        n + np.arange(12), odd_x, odd_y, np.where(low[2] < 0.5, -40.0, 150.0), 1, 1, NOISE_CLASS
    )
    rows = np.concatenate(out.rows)
    return rows[np.lexsort((rows[:, 4], rows[:, 0]))]


def write_cloud(path: Path, rows: np.ndarray) -> None:
    """LAZ 1.4, point format 6, the compound CRS as WKT; the same bytes every time."""
    header = laspy.LasHeader(version="1.4", point_format=6)
    header.scales, header.offsets = [0.01, 0.01, 0.01], [FRAME.east, FRAME.north, 0.0]
    header.creation_date = datetime.date(2026, 1, 1)
    header.generating_software, header.system_identifier = "sample_cloud.py", "invented"
    crs = CRS.from_user_input(f"EPSG:{EPSG}+6360")
    header.vlrs.append(WktCoordinateSystemVlr(crs.to_wkt("WKT1_GDAL")))
    header.global_encoding.wkt = True
    cloud = laspy.LasData(header)
    turn = math.radians(FRAME.turn_deg)
    c, s = math.cos(turn), math.sin(turn)
    cloud.x = FRAME.east + c * rows[:, 1] - s * rows[:, 2]
    cloud.y = FRAME.north + s * rows[:, 1] + c * rows[:, 2]
    cloud.z = rows[:, 3]
    cloud.return_number = rows[:, 4].astype(np.uint8)
    cloud.number_of_returns = rows[:, 5].astype(np.uint8)
    cloud.classification = rows[:, 6].astype(np.uint8)
    cloud.gps_time = 1000.0 + 0.0001 * rows[:, 0]
    with path.open("wb") as stream:
        cloud.write(stream, do_compress=True, laz_backend=laspy.LazBackend.Lazrs)


def stations_text() -> str:
    """Invented stations in the columns of published tables."""
    to_degrees = Transformer.from_crs(EPSG, 6318, always_xy=True)
    lines = [
        "# Invented tide stations and datums; no such station exists.",
        "station_id,state,lon,lat,ref_datum,epoch,MHHW_ft,MHW_ft,MTL_ft,MSL_ft,MLW_ft,MLLW_ft,NAVD88_ft",
    ]
    for name, east, over, mhhw, mhw, mtl, msl, mlw, navd in STATIONS:
        lon, lat = to_degrees.transform(*FRAME.world(LENGTH / 2 + east, over))
        heights = ",".join(f"{value:.2f}" for value in (mhhw, mhw, mtl, msl, mlw, 0.0, navd))
        lines.append(f"{name},FL,{lon:.5f},{lat:.5f},MLLW,1983-2001,{heights}")
    return "\n".join(lines) + "\n"


def lot_ring() -> list[tuple[float, float]]:
    """Corners of the lot; its front is drawn straight, as deeds are."""
    return FRAME.many([(0, 0), (LENGTH, 0), (LENGTH, -DEPTH), (0, -DEPTH)])


def shore_length(first: float, last: float) -> float:
    """Length of the MHW line between two places along the shore, by chords of 0.01 ft."""
    x = np.linspace(first, last, round((last - first) / 0.01) + 1)
    return float(np.hypot(np.diff(x), np.diff(shore_y(x))).sum())


def feet(map_units: float) -> float:
    return map_units * US_FOOT_FT


def truth(trees: list[Tree]) -> dict[str, Any]:
    """What a measure of the lot must come to, with how and how near."""
    inner, outer = FIXED[0][1], FIXED[1][1]
    wiggle = NOISE / SLOPE
    on_lot = [tree for tree in trees if 0 < tree.x < LENGTH]
    tall = max(on_lot, key=lambda tree: tree.height)
    slack = crown_slack()
    chord = math.hypot(LENGTH, float(shore_y(LENGTH) - shore_y(0.0)))
    return {
        "mhw_elevation_ft": (MHW_FT, 0.005, "MHW less NAVD88 of the station, US survey feet aside"),
        "mhw_line_off_ft": (
            0.0,
            feet(3 * wiggle + 0.1),
            "3 standard errors of one elevation over the slope, and the bend of the line in a cell",
        ),
        "frontage_length_ft": (
            feet(shore_length(0.0, LENGTH)),
            feet(0.025 * LENGTH),
            "arc of the sine; a line that shakes by s each d feet is longer by s2/d2, s = 0.25 ft "
            "of noise over slope, d = 1.6 ft, between crossings of cells of 2 ft",
        ),
        "frontage_chord_ft": (feet(chord), feet(2 * 3 * wiggle), "its ends, each off by 3 times s"),
        "n_fringe_trees": (len(on_lot), 0, "as planted between the side lines"),
        "fringe_depth_max_ft": (
            feet(outer - inner),
            feet(2.0),
            "offsets of the innermost and outermost trunk; the middle of a round crown drawn in "
            "cells of 2 ft lies within half a cell of its trunk",
        ),
        "tallest_ft": (feet(tall.height), feet(slack), "see [[trees]]"),
    }


def crown_slack() -> float:
    """How much lower than its tip a crown may read.

    A pulse falls in every square of 0.7 ft, so one strikes within its diagonal, 1 ft, of the
    tip; the least crown falls by (1 - RIM) h (1 / r)2 there. Noise and ground add 0.1 ft.
    """
    reach = PULSE_SIDE * math.sqrt(2.0)
    falls = [(1 - RIM) * h * (reach / radius_of(h)) ** 2 for h in (7.0, 19.0)]
    return max(falls) + 0.1


def tree_answers(trees: list[Tree]) -> list[dict[str, Any]]:
    """Where each tree of the lot stands and how tall it is."""
    rows = []
    for tree in sorted(trees, key=lambda one: one.x):
        if not 0 < tree.x < LENGTH:
            continue
        east, north = FRAME.world(tree.x, tree.y)
        rows.append(
            {
                "trunk_east": east,
                "trunk_north": north,
                "height_ft": round(feet(tree.height), 4),
                "crown_radius_ft": round(feet(tree.radius), 4),
            }
        )
    return rows


def answers_text(trees: list[Tree]) -> str:
    """The known answers, as TOML."""
    rows = {
        key: {"value": value, "tolerance": slack, "how": how}
        for key, (value, slack, how) in truth(trees).items()
    }
    heights = {
        "height_tolerance_ft": feet(crown_slack()),
        "how": "a pulse in every square of 0.7 ft strikes within 1 ft of each tip; crowns are "
        "paraboloids; 0.1 ft for noise and ground",
    }
    parts = [
        "# Known answers of an invented lot, from the formulas its cloud was drawn by. Lengths in\n"
        "# international feet; trunk_east and trunk_north are coordinates of EPSG:6443.\n",
        toml_table(f'[lots."{LOT_ID}"]', rows),
        toml_table("[told_of_trees]", heights),
        *(toml_table("[[trees]]", row) for row in tree_answers(trees)),
    ]
    return "\n".join(parts)


def write_bare_lot(folder: Path) -> tuple[str, ...]:
    """Every file of the sample; their names."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(SEED)
    trees = plant(rng)
    write_cloud(folder / "cloud.laz", fly(rng, trees))
    write_text(folder / "stations.csv", stations_text())
    lot = geopandas.GeoDataFrame(
        {"lot_id": [LOT_ID]}, geometry=[Polygon(lot_ring())], crs=f"EPSG:{EPSG}"
    )
    write_layers(folder / "lot.gpkg", {"lots": lot})
    write_text(folder / "answers.toml", answers_text(trees))
    return ("cloud.laz", "stations.csv", "lot.gpkg", "answers.toml")
