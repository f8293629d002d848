"""Height tiles of the invented county, each a pure function of the seed and its place.

A tile holds heights above the substrate: a dome for every crown, the highest where they overlap,
with noise like leaves; next to nothing, as noisy data have it, on bare ground and water. A tile
that is there already is left as it is, so a set can be made in parts, and only where a benchmark
needs it.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from county_ground import CRS, County
from county_trees import Trees, trees_of

TILE = 1024  # cells; a small square is one tile of 512
BLOCK = 256
#: Heights are rounded to about a centimetre; without that, noise does not compress at all.
GRAIN_FT = 1 / 32
STENCIL_FT = 30.0


def tile_cells(county: County) -> int:
    """Cells of a tile along its side."""
    return min(TILE, round(county.side / county.cell))


def make_tiles(
    county: County,
    folder: Path,
    squares: Iterable[int],
    workers: int = 1,
    compress: str = "deflate",
) -> int:
    """Write the tiles of some squares and return their number."""
    folder.mkdir(parents=True, exist_ok=True)
    todo = list(squares)
    make = partial(_tiles_of, county, folder, compress)
    if workers == 1:
        return sum(map(make, todo))
    with ProcessPoolExecutor(workers) as pool:
        return sum(pool.map(make, todo))


def _tiles_of(county: County, folder: Path, compress: str, square: int) -> int:
    """Write the tiles of one square."""
    cells = tile_cells(county)
    across = round(county.side / county.cell / cells)
    trees = trees_of(county, square)
    west, south = county.corner(square)
    for row in range(across):
        for col in range(across):
            path = folder / f"heights_{square:05d}_{row}{col}.tif"
            if path.exists():
                continue
            reach = cells * county.cell
            corner = (col * reach, row * reach)  # of the tile in its square, south-west
            rng = county.rng(square, 100 + row * across + col)
            data = heights_of(trees, corner, cells, county.cell, rng)
            north = south + corner[1] + reach
            transform = Affine(county.cell, 0.0, west + corner[0], 0.0, -county.cell, north)
            _write(path, data, transform, compress)
    return across * across


def heights_of(
    trees: Trees, corner: tuple[float, float], cells: int, cell: float, rng: np.random.Generator
) -> np.ndarray:
    """Heights of one tile. [ft], (cells, cells), first row in the north."""
    out = np.zeros((cells, cells))
    radius = trees.radius.mean(axis=1)
    x, y = (trees.centre - np.asarray(corner)).T
    reach = cells * cell
    near = (np.abs(x - reach / 2) < reach / 2 + 15) & (np.abs(y - reach / 2) < reach / 2 + 15)
    x, y, r, top = x[near], y[near], radius[near] * 1.1, trees.top[near]
    half = int(np.ceil(STENCIL_FT / 2 / cell))
    step = np.arange(-half, half + 1)
    for some in np.array_split(np.arange(x.size), max(1, x.size // 2000)):
        col = np.floor(x[some] / cell).astype(int)[:, None, None] + step[None, None, :]
        row = np.floor((reach - y[some]) / cell).astype(int)[:, None, None] + step[None, :, None]
        dx = (col + 0.5) * cell - x[some, None, None]
        dy = (row + 0.5) * cell - (reach - y[some, None, None])
        far = (dx**2 + dy**2) / r[some, None, None] ** 2
        dome = top[some, None, None] * (1.0 - 0.45 * far)
        inside = (far < 1) & (col >= 0) & (col < cells) & (row >= 0) & (row < cells)
        k = (row * cells + col)[inside]
        np.maximum.at(out.reshape(-1), k, dome[inside])
    noise = rng.standard_normal((cells, cells), dtype=np.float32)
    out = np.where(out > 0, np.maximum(out + 0.5 * noise, 0.2), np.abs(0.1 * noise))
    return (np.round(out / GRAIN_FT) * GRAIN_FT).astype(np.float32)


def _write(path: Path, data: np.ndarray, transform: Affine, compress: str) -> None:
    """Write a tile aside and rename it, so that a broken run leaves no half tile."""
    aside = path.with_suffix(f".{os.getpid()}.part")
    profile = {
        "driver": "GTiff",
        "width": data.shape[1],
        "height": data.shape[0],
        "count": 1,
        "dtype": "float32",
        "crs": CRS,
        "transform": transform,
        "nodata": -9999.0,
        "tiled": True,
        "blockxsize": BLOCK,
        "blockysize": BLOCK,
        "compress": compress,
        "predictor": 3,
    }
    with rasterio.open(aside, "w", **profile) as out:
        out.set_band_unit(1, "ft")
        out.write(data, 1)
    aside.rename(path)
