"""Crowns of a partition drafted from the heights, where the input has none.

A draft does not hang on how the raster is cut (:mod:`geotrim.core.crown_draft`), so two partitions
that see the same tree see the same crown; it is named by the cell of its treetop.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS, Transformer

from geotrim.core.crown_draft import draft_crowns
from geotrim.model import HeightSource, Note, Result
from geotrim.units import feet_per_map_unit

#: Cells along a side of a block: small, since shores are narrow and blocks are worked whole.
BLOCK_CELLS = 256
COLUMNS = ("crown_id", "species", "base_height_ft", "is_draft")
NOTE = Note(
    "crowns",
    "none given: drafted by machine from the heights, on lots with a shore and in the water before "
    "them; outlines, numbers of trees and all that follows from them are drafts, and no species is "
    "known: confirm in the field",
    "assumed",
)


def drafted(heights: HeightSource, lots: Any, frontage: Result, water: float) -> Any:
    """Crowns on lots that have a shore, and in the water before them.

    Parameters
    ----------
    heights : HeightSource
        Heights above the substrate, in any projected CRS.
    lots : GeoDataFrame
        ``lot_id`` and polygons, in the site's CRS.
    frontage : Result
        Of these lots.
    water : float
        How far over the water trees are looked for. [map units]

    Returns
    -------
    GeoDataFrame
        ``COLUMNS``, ``crown_number`` (number of the treetop's cell in the raster), ``is_home``
        (False: nobody reports one that stands on no lot) and polygons, in the order of their
        numbers.

    Raises
    ------
    RangeError
        If the heights are no heights above the substrate.
    """
    stretches = frontage["frontage"]
    fronting = lots[lots["lot_id"].isin(set(stretches["lot_id"]))]
    if not len(fronting):
        return _table(np.empty(0, np.int64), np.empty(0, dtype=object), lots.crs)
    area = shapely.union_all(
        [*fronting.geometry.array, *shapely.buffer(np.asarray(stretches.geometry.array), water)]
    )
    grid = lots.crs if heights.crs is None else CRS.from_user_input(heights.crs)
    is_same = grid.equals(lots.crs, ignore_axis_order=True)
    near = area if is_same else _moved(area, lots.crs, grid)
    feet = feet_per_map_unit(grid, "heights")
    draft = draft_crowns(heights, feet, near=near, block_cells=BLOCK_CELLS)
    outlines = draft.outlines if is_same else _moved(draft.outlines, grid, lots.crs)
    return _table(_cell_numbers(draft.top_xy, heights), outlines, lots.crs)


def _moved(shapes: Any, source: CRS, target: CRS) -> Any:
    move = Transformer.from_crs(source, target, always_xy=True).transform
    return shapely.transform(shapes, move, interleaved=False)


def _cell_numbers(xy: Any, heights: HeightSource) -> Any:
    """Number of the raster's cell, row by row, that holds each point."""
    a, b, c, d, e, f = heights.transform
    x, y = xy[:, 0] - c, xy[:, 1] - f
    det = a * e - b * d
    col, row = np.floor((e * x - b * y) / det), np.floor((a * y - d * x) / det)
    return (row * heights.shape[1] + col).astype(np.int64)


def _table(numbers: Any, outlines: Any, crs: Any) -> Any:
    order = np.argsort(numbers, kind="stable")
    n = len(order)
    ids = [f"D{number}" for number in numbers[order]]
    columns = {
        "crown_number": numbers[order],
        "crown_id": pd.Series(ids, dtype=object),
        "name": pd.Series(ids, dtype=object),
        "species": pd.Series([None] * n, dtype=object),
        "base_height_ft": np.full(n, np.nan),
        "is_draft": np.ones(n, dtype=bool),
        "is_home": np.zeros(n, dtype=bool),
    }
    return gpd.GeoDataFrame(columns, geometry=np.asarray(outlines, dtype=object)[order], crs=crs)
