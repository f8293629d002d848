"""What a raster's own label says of its vertical datum."""

from __future__ import annotations

import warnings
from pathlib import Path

import rasterio
from pyproj import CRS
from pyproj.exceptions import CRSError as ProjCRSError
from rasterio.errors import NotGeoreferencedWarning, RasterioError


def vertical_datum(path: str | Path) -> str | None:
    """Name of the vertical part of a raster's compound CRS, or None where it has none.

    The raster has been opened before: what cannot be read here is no label.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            with rasterio.open(path) as dataset:
                wkt = dataset.crs.to_wkt() if dataset.crs else ""
        crs = CRS.from_wkt(wkt) if wkt else None
    except (RasterioError, ProjCRSError):
        return None
    if crs is None or not crs.is_compound:
        return None
    parts = [part for part in crs.sub_crs_list if part.is_vertical]
    return str(parts[0].name) if parts else None
