"""What a raster's own label says of its vertical datum."""

from __future__ import annotations

import warnings
from pathlib import Path

import rasterio
from pyproj import CRS
from pyproj.exceptions import CRSError as ProjCRSError
from rasterio.errors import NotGeoreferencedWarning, RasterioError

from geotrim.errors import CRSError

#: What heights of a three-dimensional CRS without a vertical datum are above.
ELLIPSOID = "the ellipsoid"


def vertical_datum(path: str | Path, subject: str) -> str | None:
    """Name of the vertical part of a raster's compound CRS, or None where it has none.

    Parameters
    ----------
    path : path-like
        A raster that has been opened before: what cannot be read here is no label.
    subject : str
        How the user knows it, for messages.

    Raises
    ------
    CRSError
        If the label says depths, which grow downwards.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            with rasterio.open(path) as dataset:
                wkt = dataset.crs.to_wkt(version="WKT2_2019") if dataset.crs else ""
        crs = CRS.from_wkt(wkt) if wkt else None
    except (RasterioError, ProjCRSError):
        return None
    if crs is None:
        return None
    while crs.is_bound and crs.source_crs is not None:
        crs = crs.source_crs
    if not crs.is_compound:
        return ELLIPSOID if len(crs.axis_info) > 2 else None
    parts = [part for part in crs.sub_crs_list if part.is_vertical]
    if parts and parts[0].axis_info[0].direction == "down":
        raise CRSError(
            subject,
            f"depths, which grow downwards ({parts[0].name})",
            "elevations, which grow upwards",
            "turn the sign of the raster and label it as heights",
        )
    return str(parts[0].name) if parts else None
