"""Lidar returns with their height above the ground, tile by tile, for profiles of crowns."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from pyproj import Transformer

from geotrim.core.cloud_heights import TileLimits
from geotrim.core.resample import bilinear
from geotrim.io.cloud_tiles import TILE_POINTS, Progress, tile_clouds
from geotrim.io.crs import same_crs
from geotrim.io.rasters import HeightRaster
from geotrim.model import Note
from geotrim.prepare.cloud_work import (
    NOT_PLANTS,
    OpenClouds,
    TileReturns,
    cell_of,
    sieve_of,
    tiles_with_heights,
)

Floats = npt.NDArray[np.float64]
Bounds = tuple[float, float, float, float]


def returns_near(
    clouds: OpenClouds,
    box: Bounds,
    raster: HeightRaster | None,
    params: Mapping[str, Any],
    *,
    folder: Path,
    progress: Progress,
    notes: list[Note],
    tile_points: int = TILE_POINTS,
) -> Iterator[TileReturns]:
    """Returns near a box with their heights: above a ground raster, else above the cloud's ground.

    Parameters
    ----------
    clouds : OpenClouds
    box : west, south, east, north
        Around the crowns, in the plane of the clouds. [map units]
    raster : HeightRaster, optional
        Elevations of the ground.
    params : mapping
        ``ground_gap_ft`` and ``ground_from`` of the preparation.
    folder : Path
        Where to spool a cloud that does not fit one tile.
    notes : list
        Gets what there is to tell.
    """
    gap = params["ground_gap_ft"] / clouds.feet_per_map_unit
    reach = 2.0 * TileLimits(gap=gap).widest  # so far ground returns can matter
    near = (box[0] - reach, box[1] - reach, box[2] + reach, box[3] + reach)
    if raster is None:
        yield from tiles_with_heights(
            clouds,
            gap_ft=params["ground_gap_ft"],
            ground_from=params["ground_from"],
            near=near,
            near_what="the crowns",
            folder=folder,
            tile_points=tile_points,
            progress=progress,
            notes=notes,
        )
        return
    notes += clouds.notes
    notes.append(Note("ground", f"from the raster {Path(raster.path).name}"))
    elevation, feet = Elevation(raster, clouds.crs), clouds.feet_per_z_unit
    with tile_clouds(
        clouds.clouds,
        cell=cell_of(clouds, None),
        sieve=sieve_of(keeps_overlap=True, left_out=NOT_PLANTS),
        near=box,
        near_what="the crowns",
        tile_points=tile_points,
        folder=folder,
        progress=progress,
    ) as tiled:
        for tile in tiled.tiles():
            own = tile.own
            yield TileReturns(own, own.z * feet - elevation.at_ft(own.x, own.y))


class Elevation:
    """A ground raster, asked at places of the cloud."""

    def __init__(self, raster: HeightRaster, crs: Any) -> None:
        self.raster = raster
        self.move = None
        if not same_crs(raster.crs, crs):
            self.move = Transformer.from_crs(crs, raster.crs, always_xy=True).transform

    def at_ft(self, x: Floats, y: Floats) -> Floats:
        """Elevation between the middles of cells; NaN off the raster or on no data. [ft]."""
        raster = self.raster
        if self.move is not None:
            x, y = self.move(x, y)
        a, b, c, d, e, f = raster.transform
        whole = a * e - b * d
        col = (e * (x - c) - b * (y - f)) / whole
        row = (a * (y - f) - d * (x - c)) / whole
        n_rows, n_cols = raster.shape
        is_on = (row >= 0) & (row < n_rows) & (col >= 0) & (col < n_cols)
        out = np.full(x.shape, np.nan)
        if not is_on.any():
            return out
        row0, row1 = _span(row[is_on], n_rows)
        col0, col1 = _span(col[is_on], n_cols)
        cells = raster.read(row0, row1, col0, col1)
        out[is_on] = bilinear(cells, row[is_on] - row0, col[is_on] - col0) * raster.feet_per_unit
        return out


def _span(at: Floats, n: int) -> tuple[int, int]:
    """First and last cell to read, one more on each side to look between."""
    return max(int(at.min()) - 1, 0), min(int(at.max()) + 2, n)
