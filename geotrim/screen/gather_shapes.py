"""Shapes as bytes: polygons of one kind for a layer, and the boxes they lie in."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import shapely

#: How well-known binary begins, written low byte first: a polygon, several polygons, and what turns
#: one polygon into several of one. Source: OGC 06-103r4, 8.2.
POLYGON, POLYGONS = b"\x01\x03\x00\x00\x00", b"\x01\x06\x00\x00\x00"
HEAD_OF_ONE = POLYGONS + b"\x01\x00\x00\x00"


def as_polygons(wkb: pa.Array) -> pa.Array:
    """Every shape as several polygons; what has no area becomes null.

    Parameters
    ----------
    wkb : binary array

    Notes
    -----
    A polygon's bytes are kept as they are, behind those of a collection of one.
    """
    head = pc.binary_slice(wkb, 0, 5)
    is_one, is_many = pc.equal(head, POLYGON), pc.equal(head, POLYGONS)
    one = pc.binary_join_element_wise(pa.scalar(HEAD_OF_ONE), wkb, pa.scalar(b""))
    out = pc.if_else(is_one, one, wkb)
    is_odd = pc.fill_null(pc.invert(pc.or_(is_one, is_many)), False).to_numpy(zero_copy_only=False)
    if not is_odd.any():
        return out
    values = out.to_pylist()
    for row in np.flatnonzero(is_odd):
        values[row] = _polygons_of(values[row])
    return pa.array(values, pa.binary())


def _polygons_of(wkb: bytes) -> bytes | None:
    """Polygons of any other shape, flat."""
    shape = shapely.force_2d(shapely.from_wkb(wkb))
    parts = shapely.get_parts([shape])
    while (shapely.get_type_id(parts) >= 4).any():
        parts = shapely.get_parts(parts)
    kept = parts[(shapely.get_dimensions(parts) == 2) & ~shapely.is_empty(parts)]
    return shapely.to_wkb(shapely.multipolygons(kept)) if len(kept) else None


def shapes_of(wkb: pa.Array) -> npt.NDArray[np.object_]:
    """Shapes of a column, None where there is none."""
    return shapely.from_wkb(wkb.to_numpy(zero_copy_only=False))


def boxes(shapes: Any) -> pa.StructArray:
    """The box of each shape as GeoParquet 1.1 keeps it; null where there is no shape."""
    bounds = shapely.bounds(shapes)
    gap = np.isnan(bounds[:, 0])
    names = ["xmin", "ymin", "xmax", "ymax"]
    sides = [pa.array(np.ascontiguousarray(side), pa.float64()) for side in bounds.T]
    return pa.StructArray.from_arrays(sides, names, mask=pa.array(gap))
