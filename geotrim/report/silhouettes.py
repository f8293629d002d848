"""Crowns of the elevation figure: their side views, made from the height raster where there is one.

What a side view is, :mod:`geotrim.core.silhouettes` says; here the raster is read for one crown.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from geotrim.core.silhouettes import Array, Cells, Silhouette, side_view
from geotrim.errors import GeotrimError
from geotrim.model import HeightSource

#: A crown of more cells than this is drawn with a rounded top; reading it would be slow.
MAX_CELLS = 250_000


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """One crown of a drawing: its row, its side view (None without a height) and its place."""

    row: Any
    side: Silhouette | None
    x_ft: float
    half_ft: float
    offset_ft: float


def outline(one: Seen, is_to_the_ground: bool) -> tuple[Array, float]:
    """Outline of a crown with a side view, (n, 2), and where it begins above the substrate. [ft].

    Parameters
    ----------
    one : Seen
    is_to_the_ground : bool
        Whether canopy counts down to the substrate, whatever the crown's own base.
    """
    assert one.side is not None
    base = float(one.row["base_height_ft"])
    low = 0.0 if is_to_the_ground or not np.isfinite(base) else base
    x, y = one.side.station_ft, np.maximum(one.side.top_ft, low)
    return np.column_stack([np.r_[x[0], x, x[-1]], np.r_[low, y, low]]), low


def silhouette(
    shape: Any,
    along: tuple[float, float],
    station_ft: float,
    top_ft: float,
    feet: float,
    source: HeightSource | None = None,
) -> Silhouette | None:
    """Side view of one crown, its cells read from a raster.

    Parameters
    ----------
    shape, along, station_ft, top_ft, feet :
        As of :func:`geotrim.core.silhouettes.side_view`.
    source : HeightSource, optional
        In the CRS of ``shape``; without it the top is rounded.
    """
    cells = None if source is None or not np.isfinite(top_ft) else _cells_around(shape, source)
    return side_view(shape, along, station_ft, top_ft, feet, cells)


def _cells_around(shape: Any, source: HeightSource) -> Cells | None:
    """Cells of the raster around a crown; None where there are none, or too many."""
    a, b, c, d, e, f = source.transform
    det = a * e - b * d
    x0, y0, x1, y1 = shape.bounds
    corners = np.array([(x0, y0), (x0, y1), (x1, y0), (x1, y1)]) - (c, f)
    col = (e * corners[:, 0] - b * corners[:, 1]) / det
    row = (a * corners[:, 1] - d * corners[:, 0]) / det
    rows, cols = source.shape
    c0, c1 = max(int(np.floor(col.min())), 0), min(int(np.ceil(col.max())), cols)
    r0, r1 = max(int(np.floor(row.min())), 0), min(int(np.ceil(row.max())), rows)
    if c1 <= c0 or r1 <= r0 or (c1 - c0) * (r1 - r0) > MAX_CELLS:
        return None
    try:
        heights = np.asarray(source.read(r0, r1, c0, c1), dtype=float) * source.feet_per_unit
    except GeotrimError:
        return None  # a raster that cannot be read here: the figure is drawn all the same
    gc, gr = np.meshgrid(np.arange(c0, c1) + 0.5, np.arange(r0, r1) + 0.5)
    x, y = c + a * gc + b * gr, f + d * gc + e * gr
    return Cells(x.ravel(), y.ravel(), heights.ravel(), float(np.sqrt(abs(det))))
