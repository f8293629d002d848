"""Rasters out: tiled, compressed, with their unit, and never wider than a window in memory."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import rasterio
from affine import Affine
from rasterio.errors import RasterioError
from rasterio.windows import Window

from geotrim.errors import FileError

#: Cells a side of a tile of the file.
TILE = 512


class RasterWriter:
    """An open raster of one band; see :func:`new_raster`."""

    def __init__(self, dataset: Any) -> None:
        self._dataset = dataset

    def write(self, cells: npt.NDArray[Any], row0: int, col0: int) -> None:
        """Write one window, NaN where there is no data, from its first row and column on."""
        rows, cols = cells.shape
        window = Window(col0, row0, cols, rows)
        self._dataset.write(cells.astype(np.float32, copy=False), 1, window=window)


@contextmanager
def new_raster(
    path: Path,
    *,
    shape: tuple[int, int],
    transform: tuple[float, float, float, float, float, float],
    crs: Any,
    unit: str = "ft",
    tags: Mapping[str, str] | None = None,
) -> Iterator[RasterWriter]:
    """A GeoTIFF to fill window by window; cells never written are no data.

    Parameters
    ----------
    path : Path
        In a folder that is set aside, or itself a name aside.
    shape : rows, columns
    transform : (a, b, c, d, e, f)
        As :class:`geotrim.model.HeightSource` has it.
    crs : anything pyproj understands
        Compound where the vertical datum is known.
    unit : str
        ``ft``, ``us-ft`` or ``m``; written as the unit of the band.
    tags : mapping, optional
        Further facts, as text; ``rmse_ft`` is read back by :func:`geotrim.io.rasters.open_heights`.

    Raises
    ------
    FileError
        If it cannot be written.
    """
    from pyproj import CRS

    rows, cols = shape
    layout: dict[str, Any] = {}
    if rows > TILE or cols > TILE:  # a small file is one strip
        layout = {"tiled": True, "blockxsize": TILE, "blockysize": TILE}
    try:
        with rasterio.open(
            path,
            "w",
            driver="GTiff",
            height=rows,
            width=cols,
            count=1,
            dtype="float32",
            crs=CRS.from_user_input(crs).to_wkt(),
            transform=Affine(*transform),
            nodata=float("nan"),
            compress="deflate",
            predictor=3,
            bigtiff="if_safer",
            sparse_ok=True,
            **layout,
        ) as dataset:
            dataset.set_band_unit(1, unit)
            if tags:
                dataset.update_tags(**tags)
            yield RasterWriter(dataset)
    except RasterioError as error:
        raise FileError(
            str(path),
            f"that it cannot be written ({error})",
            "a place that can be written to, with room",
            "choose another folder, or make room on the disk",
        ) from error
