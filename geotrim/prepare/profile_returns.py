"""Lidar returns with their height above the ground, tile by tile, for profiles of crowns."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from pyproj import Transformer

from geotrim.core.cloud_heights import heights_above, surface_of
from geotrim.core.resample import bilinear
from geotrim.errors import LayerError
from geotrim.io.cloud_tiles import Tile, TiledCloud, tile_clouds
from geotrim.io.clouds import GROUND, HIGH_NOISE, LOW_NOISE, SYNTHETIC, WITHHELD, Cloud, Points
from geotrim.io.crs import same_crs
from geotrim.io.rasters import HeightRaster

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

#: Classes of things that are built: no foliage, though they stop pulses. Source: LAS specification
#: 1.4-R15, standard point classes (building, rail, road, wires and their towers, bridge, overhead).
BUILT = (6, 10, 11, 13, 14, 15, 16, 17, 19)
#: Cells are only a way to cut the cloud into tiles here. [ft]
TILE_CELL_FT = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """Where the ground is known from.

    raster : a ground model, or None for the cloud's own returns of the class of ground.
    widest_ft : radius of the widest hole between ground returns that is bridged. [ft]
    """

    raster: HeightRaster | None
    widest_ft: float


def sieve(points: Points) -> dict[str, Flags]:
    """Returns that are left out, by reason."""
    return {
        "withheld": (points.flags & WITHHELD) > 0,
        "of no pulse (synthetic)": (points.flags & SYNTHETIC) > 0,
        "noise": np.isin(points.kind, (LOW_NOISE, HIGH_NOISE)),
        "built things": np.isin(points.kind, BUILT),
    }


def tiled(
    clouds: Sequence[Cloud],
    ground: Ground,
    around: tuple[float, float, float, float],
    progress: Callable[[str], None],
) -> TiledCloud:
    """The clouds near a box, ready by tile; to be closed."""
    feet = clouds[0].feet_per_map_unit
    reach = 2.0 * ground.widest_ft / feet
    west, south, east, north = around
    near = (west - reach, south - reach, east + reach, north + reach)
    return tile_clouds(clouds, cell=TILE_CELL_FT / feet, sieve=sieve, near=near, progress=progress)


def returns_above_ground(
    cloud: TiledCloud, first: Cloud, ground: Ground, progress: Callable[[str], None]
) -> Iterator[tuple[Points, Floats]]:
    """Returns of each tile and their heights above the ground; NaN where that is not known. [ft].

    Raises
    ------
    LayerError
        If there is no ground raster and no return of the class of ground.
    """
    if ground.raster is None and cloud.n_ground == 0:
        raise LayerError(
            first.subject,
            "no return of the class of ground near the crowns",
            "a cloud whose ground is classified, or a ground raster",
            "make one with geotrim prepare heights (ground.tif) and give it as --ground",
        )
    elevation = None if ground.raster is None else _Elevation(ground.raster, first.crs)
    widest = ground.widest_ft / first.feet_per_map_unit
    n_tiles = cloud.n_tiles()
    for number, tile in enumerate(cloud.tiles(2.0 * widest), 1):
        progress(f"counting returns: tile {number} of {n_tiles}")
        own = tile.own
        if elevation is None:
            height = _above_surface(tile, widest) * first.feet_per_unit
        else:
            height = own.z * first.feet_per_unit - elevation.at_ft(own.x, own.y)
        yield own, height


def _above_surface(tile: Tile, widest: float) -> Floats:
    """Heights above the tile's own ground and that around it. [unit of z]."""
    base = Points.join([tile.own, tile.around])
    base = base.take(base.kind == GROUND)
    surface = surface_of(base.x, base.y, base.z)
    return heights_above(surface, tile.own.x, tile.own.y, tile.own.z, widest)


class _Elevation:
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
