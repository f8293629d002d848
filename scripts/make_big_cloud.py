"""Make an invented lidar cloud of any size, with a fixed seed: ``make_big_cloud.py FILE``.

The place is a square of eight returns to the square metre: water in the west, a gentle slope with
bumps, crowns of half ellipsoids on a loose grid. It is written strip by strip from south to north,
as a plane would fly it, so memory stays small. LAS 1.4, point format 6, US survey feet, NAVD88.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import laspy
import numpy as np
from pyproj import CRS

#: Florida West and NAVD88, both in US survey feet.
COMPOUND = 8727
WEST, SOUTH = 430_000.0, 1_260_000.0
RETURNS_A_FT2 = 8.0 * 0.3048**2
#: Crowns stand on a grid of this spacing, each moved at random. [ft]
SPACING_FT = 24.0
WATER_SHARE = 0.04
CHUNK = 1_000_000


def side_of(n_points: int) -> float:
    """Side of the square. [ft]."""
    return float(np.sqrt(n_points / RETURNS_A_FT2))


def ground_ft(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Elevation of the ground at places from the corner. [ft]."""
    return 0.002 * x + 0.8 * np.sin(x / 90.0) * np.cos(y / 130.0)


def canopy_ft(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Height of the canopy over the ground, 0 between the crowns. [ft]."""
    col, row = np.floor(x / SPACING_FT), np.floor(y / SPACING_FT)
    best = np.zeros(x.size)
    for step in ((0, 0), (0, 1), (1, 0), (1, 1)):
        i = col + (step[0] if step[0] == 0 else np.where(x / SPACING_FT - col < 0.5, -1, 1))
        j = row + (step[1] if step[1] == 0 else np.where(y / SPACING_FT - row < 0.5, -1, 1))
        a, b, c = (_hash(i, j, k) for k in (1, 2, 3))
        away = np.hypot(x - (i + 0.3 + 0.4 * a) * SPACING_FT, y - (j + 0.3 + 0.4 * b) * SPACING_FT)
        radius = 6.0 + 8.0 * c
        inside = np.maximum(1.0 - (away / radius) ** 2, 0.0)
        best = np.maximum(best, np.where(inside > 0, 6.0 + 22.0 * c * np.sqrt(inside), 0.0))
    return best


def _hash(i: np.ndarray, j: np.ndarray, k: int) -> np.ndarray:
    """A number from 0 to 1 that looks random, the same for the same whole numbers."""
    value = np.sin(i * 127.1 + j * 311.7 + k * 74.7) * 43758.5453
    return value - np.floor(value)


def make_cloud(path: Path, n_points: int, seed: int = 7) -> None:
    """Write the cloud, LAZ or LAS by its suffix."""
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = np.full(3, 0.01), np.array([WEST, SOUTH, 0.0])
    header.add_crs(CRS.from_epsg(COMPOUND))
    rng, side = np.random.default_rng(seed), side_of(n_points)
    with laspy.open(path, "w", header=header) as writer:
        done = 0
        while done < n_points:
            n = min(CHUNK, n_points - done)
            low, high = side * done / n_points, side * (done + n) / n_points
            writer.write_points(_strip(header, rng, n, side, low, high))
            done += n


def _strip(
    header: laspy.LasHeader, rng: np.random.Generator, n: int, side: float, low: float, high: float
) -> laspy.ScaleAwarePointRecord:
    x, y = rng.uniform(0, side, n), np.sort(rng.uniform(low, high, n))
    ground, canopy = ground_ft(x, y), canopy_ft(x, y)
    is_water = x < WATER_SHARE * side
    is_under = (canopy > 0) & ~is_water
    is_top = is_under & (rng.uniform(0, 1, n) < 0.7)
    z = ground + np.where(is_top, canopy * rng.uniform(0.6, 1.0, n), 0.0)
    z = np.where(is_water, -1.0, z) + rng.normal(0, 0.05, n)
    points = laspy.ScaleAwarePointRecord.zeros(n, header=header)
    points.x, points.y, points.z = WEST + x, SOUTH + y, z
    points.classification = np.where(is_water, 9, np.where(is_top, 5, 2)).astype(np.uint8)
    points.return_number = np.where(is_under & ~is_top, 2, 1).astype(np.uint8)
    points.number_of_returns = np.where(is_under, 2, 1).astype(np.uint8)
    points.gps_time = np.linspace(0.0, 1.0, n)
    points.intensity = rng.integers(0, 2000, n).astype(np.uint16)
    return points


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("file", type=Path)
    parser.add_argument("--points", type=int, default=50_000_000)
    parser.add_argument("--seed", type=int, default=7)
    asked = parser.parse_args()
    make_cloud(asked.file, asked.points, asked.seed)
    print(f"{asked.points:,} returns in {asked.file}, {asked.file.stat().st_size / 1e6:.0f} MB")


if __name__ == "__main__":
    main()
