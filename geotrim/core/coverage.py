"""Exact share of each cell that lies inside a polygon.

Polygons are taken through the inverse of the grid's transform into pixel coordinates, so a rotated
or south-up grid needs no resampling: an affine map changes every area by the same factor, and a
share of a cell not at all.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core import _kernels
from geotrim.errors import RangeError, ShapeError

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Transform = tuple[float, float, float, float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Rings:
    """Polygons as plain arrays: crown i owns the rings ``crown_offsets[i]`` up to the next.

    xy : (v, 2) vertices, each ring closed. [map units]
    ring_offsets : (r + 1,) first vertex of each ring.
    is_hole : (r,) every ring but the first of its part.
    crown_offsets : (n + 1,) first ring of each crown; a crown without rings covers nothing.
    """

    xy: Floats
    ring_offsets: Ints
    is_hole: npt.NDArray[np.bool_]
    crown_offsets: Ints

    def __len__(self) -> int:
        return self.crown_offsets.size - 1

    def moved(self, move: Callable[[Floats, Floats], tuple[Any, Any]]) -> Rings:
        """The same rings with every vertex taken through ``move(x, y)``."""
        x, y = move(self.xy[:, 0], self.xy[:, 1])
        xy = np.column_stack([np.asarray(x, np.float64), np.asarray(y, np.float64)])
        return Rings(xy, self.ring_offsets, self.is_hole, self.crown_offsets)


def rings_of(polygons: npt.ArrayLike, what: str = "crowns") -> Rings:
    """Ragged arrays of polygons and multipolygons, Z and M dropped.

    Parameters
    ----------
    polygons : (n,) array of shapely geometries
        None and empty geometries are crowns that cover nothing.
    what : str
        The input, for the message.

    Raises
    ------
    ShapeError
        If a geometry is not a polygon, or a vertex is not finite.

    Examples
    --------
    >>> rings = rings_of([shapely.box(0, 0, 2, 1)])
    >>> len(rings), rings.ring_offsets.tolist(), rings.is_hole.tolist()
    (1, [0, 5], [False])
    """
    shapes = np.asarray(polygons, dtype=object)
    if shapes.ndim != 1:
        raise ShapeError(
            what, f"an array of shape {shapes.shape}", "one row of polygons", "flatten it"
        )
    kinds = shapely.get_type_id(shapes)
    bad = np.flatnonzero(~np.isin(kinds, (-1, 3, 6)) & ~shapely.is_empty(shapes))
    if bad.size:
        raise ShapeError(
            what,
            f"a {shapes[bad[0]].geom_type} in row {bad[0]}",
            "polygons or multipolygons",
            "keep the polygon parts only",
        )
    if np.isin(kinds, (-1, 3)).all() and not shapely.get_num_interior_rings(shapes).any():
        # one ring each, which may have no vertices: several times faster than the way below
        xy = shapely.get_coordinates(shapes)
        ring_offsets = np.zeros(shapes.size + 1, dtype=np.int64)
        np.cumsum(shapely.get_num_coordinates(shapes), out=ring_offsets[1:])
        is_hole = np.zeros(shapes.size, dtype=bool)
        rings = Rings(xy, ring_offsets, is_hole, np.arange(shapes.size + 1, dtype=np.int64))
    else:
        rings = _rings_with_holes_and_parts(shapes)
    bad = np.flatnonzero(~np.isfinite(rings.xy).all(axis=1))
    if bad.size:
        ring = np.searchsorted(rings.ring_offsets, bad[0], side="right") - 1
        row = np.searchsorted(rings.crown_offsets, ring, side="right") - 1
        raise ShapeError(
            what,
            f"a vertex that is not a number in row {row}",
            "finite coordinates",
            "draw that crown again, or leave it out",
        )
    return rings


def _rings_with_holes_and_parts(shapes: npt.NDArray[np.object_]) -> Rings:
    parts, crown_of_part = shapely.get_parts(shapes, return_index=True)
    is_part = shapely.get_type_id(parts) == 3
    parts, crown_of_part = parts[is_part], crown_of_part[is_part]
    rings, part_of_ring = shapely.get_rings(parts, return_index=True)
    xy, ring_of_vertex = shapely.get_coordinates(rings, return_index=True)
    is_hole = np.zeros(len(rings), dtype=bool)
    is_hole[1:] = part_of_ring[1:] == part_of_ring[:-1]
    return Rings(
        xy,
        _offsets(ring_of_vertex, len(rings)),
        is_hole,
        _offsets(crown_of_part[part_of_ring], len(shapes)),
    )


def _offsets(owner: npt.NDArray[np.integer[Any]], n: int) -> Ints:
    """First item of each of n owners in a sorted list of owners, and the end."""
    out = np.zeros(n + 1, dtype=np.int64)
    np.cumsum(np.bincount(owner, minlength=n), out=out[1:])
    return out


@dataclass(frozen=True, slots=True, eq=False)
class PixelRings:
    """Rings in pixel coordinates (column, row) of one grid.

    signs : (r,) sign with which each ring is counted.
    area_cells : (n,) area of each crown. [cells]
    windows : (n, 4) row0, row1, col0, col1 of the cells each crown may touch, inside the grid;
        empty (row0 == row1) for a crown off the grid.
    """

    rings: Rings
    signs: Floats
    area_cells: Floats
    windows: Ints


def check_transform(transform: Transform, what: str = "transform") -> float:
    """Area of one cell in square map units, or an error for a grid without area.

    Examples
    --------
    >>> check_transform((2.0, 0.0, 100.0, 0.0, -2.0, 50.0))
    4.0
    """
    a, b, c, d, e, f = transform
    area = abs(a * e - b * d)
    if not (np.isfinite([c, f]).all() and np.isfinite(area) and area > 0.0):
        raise RangeError(
            what,
            f"a transform whose cells have no area ({a:g}, {b:g}, {c:g}, {d:g}, {e:g}, {f:g})",
            "cells with a width and a height",
            "give the grid its georeference again",
        )
    return float(area)


def pixel_rings(rings: Rings, transform: Transform, shape: tuple[int, int]) -> PixelRings:
    """Rings taken into a grid's pixel coordinates, counted the right way round.

    A crown with a vertex that is not finite (outside the reach of a projection) is off the grid.

    Parameters
    ----------
    rings : Rings
        In the CRS of the grid. [map units]
    transform : six floats
        ``x = a col + b row + c``, ``y = d col + e row + f``; rotated and south-up are fine.
    shape : (rows, cols)
        Of the grid.
    """
    check_transform(transform)
    n = len(rings)
    xy, signs = np.empty_like(rings.xy), np.empty(rings.is_hole.size)
    area_cells, windows = np.empty(n), np.zeros((n, 4), dtype=np.int64)
    with np.errstate(invalid="ignore"):  # vertices that are not finite are seen to inside
        _kernels.to_pixels(
            rings.xy,
            rings.ring_offsets,
            rings.is_hole,
            rings.crown_offsets,
            np.array(transform),
            *shape,
            xy,
            signs,
            area_cells,
            windows,
        )
    moved = Rings(xy, rings.ring_offsets, rings.is_hole, rings.crown_offsets)
    return PixelRings(moved, signs, area_cells, windows)


def coverage_fractions(
    polygon: shapely.Geometry, transform: Transform, shape: tuple[int, int]
) -> Floats:
    """Share of each cell of a grid that lies inside a polygon, exactly.

    Parameters
    ----------
    polygon : Polygon or MultiPolygon
        Holes count as outside; the direction of the rings does not matter. [map units]
    transform : six floats
        ``x = a col + b row + c``, ``y = d col + e row + f``.
    shape : (rows, cols)
        Of the grid; what lies off it is cut off.

    Returns
    -------
    coverage_frac : (rows, cols) array
        0 to 1; the shares add up to polygon area / cell area when all of it is on the grid.

    Notes
    -----
    Signed-area accumulation: each edge adds the trapezoids it sweeps to its right, as differences
    between neighbouring cells, and a sum along each row turns these into areas. No cell is
    clipped, and the cost follows the edges and the window, not their product.

    Examples
    --------
    A square half a cell off the grid covers quarters, halves and one whole cell.

    >>> north_up = (1.0, 0.0, 0.0, 0.0, -1.0, 3.0)
    >>> coverage_fractions(shapely.box(0.5, 0.5, 2.5, 2.5), north_up, (3, 3))
    array([[0.25, 0.5 , 0.25],
           [0.5 , 1.  , 0.5 ],
           [0.25, 0.5 , 0.25]])
    """
    n_rows, n_cols = shape
    if n_rows < 1 or n_cols < 1:
        raise ShapeError("shape", f"{shape}", "a row and a column, at least", "give (rows, cols)")
    pixels = pixel_rings(rings_of([polygon], "polygon"), transform, shape)
    out = np.zeros(shape)
    row0, row1, col0, col1 = (int(i) for i in pixels.windows[0])
    if row1 > row0 and col1 > col0:
        rows, cols = row1 - row0, col1 - col0
        acc = np.zeros(rows * (cols + 2))
        rings = pixels.rings
        _kernels.add_crown(
            acc,
            rows,
            cols,
            rings.xy,
            rings.ring_offsets,
            pixels.signs,
            0,
            rings.is_hole.size,
            row0,
            col0,
        )
        _kernels.coverage(acc, rows, cols, out[row0:row1, col0:col1])
    return out
