"""Writes the invented sites: GeoPackages and GeoTIFFs with fixed bytes, TOML, hashes."""

from __future__ import annotations

import hashlib
import math
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pyogrio
import rasterio
from affine import Affine
from rasterio.crs import CRS

#: NAD83(2011) / Florida West, US survey feet.
EPSG = 6443
NODATA = -9999.0
#: A GeoPackage stores when it was last changed; a fixed day keeps its bytes the same.
FIXED_DATE = "2026-01-01T00:00:00.000Z"


def write_layers(path: Path, layers: dict[str, geopandas.GeoDataFrame]) -> None:
    """One GeoPackage, a layer for each table, in the order given."""
    path.unlink(missing_ok=True)
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": FIXED_DATE})
    try:
        for name, table in layers.items():
            pyogrio.write_dataframe(
                table,
                path,
                layer=name,
                driver="GPKG",
                append=path.exists(),
                layer_options={"SPATIAL_INDEX": "NO"},  # tiny layers; it would double the file
            )
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def write_heights(
    path: Path,
    heights: np.ndarray,
    west: float,
    north: float,
    cell: float,
    unit: str | None = None,
    about: str = "canopy height above substrate (invented)",
    tags: dict[str, str] | None = None,
) -> None:
    """One float32 GeoTIFF, tiled and deflated; NaN becomes the no-data value."""
    rows, cols = heights.shape
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=cols,
        height=rows,
        count=1,
        dtype="float32",
        crs=CRS.from_epsg(EPSG),
        transform=Affine(cell, 0.0, west, 0.0, -cell, north),
        nodata=NODATA,
        tiled=True,
        blockxsize=64,
        blockysize=64,
        compress="deflate",
        predictor=3,
    ) as out:
        out.write(np.where(np.isnan(heights), NODATA, heights).astype(np.float32), 1)
        out.set_band_description(1, about)
        if tags:
            out.update_tags(**tags)
        if unit:
            out.units = (unit,)


def write_text(path: Path, text: str) -> None:
    """UTF-8 with plain line ends on every system, so that hashes agree."""
    path.write_bytes(text.encode("utf-8"))


def toml_value(value: Any) -> str:
    """One value as TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {toml_value(item)}" for key, item in value.items()) + " }"
    if isinstance(value, int):
        return str(value)
    number = float(f"{value:.10g}")
    return "nan" if math.isnan(number) else repr(number)


def toml_table(header: str, rows: dict[str, Any]) -> str:
    """One table: its header line and its keys."""
    lines = [header, *(f"{key} = {toml_value(value)}" for key, value in rows.items())]
    return "\n".join(lines) + "\n"


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
