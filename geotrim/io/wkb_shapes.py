"""Shapes of a batch of well-known binary, made fit to measure; what is wrong is told row by row.

As :func:`geotrim.io.repair.clean_layer` mends a whole layer, but no row can stop the others.
"""

from __future__ import annotations

import struct
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import shapely

from geotrim.io.arcs import CURVED, SURFACES, straightened
from geotrim.io.repair import (
    KIND_TYPES,
    TYPE_KIND,
    area_change,
    polygon_parts,
    unpacked,
    without_empty_rings,
)

#: Faults of a shape: names that do not change, and what is said of them.
NO_SHAPE, NOT_FINITE, WRONG_KIND = "no-shape", "not-finite", "wrong-kind"
NO_EXTENT, VANISHED, DAMAGED = "no-extent", "vanished", "damaged"
#: A repair that leaves less than this of what a polygon enclosed has not kept its shape.
LEAST_KEPT_FRAC = 0.5
#: Bytes of the head of a shape: byte order and code.
_HEAD = 5


@dataclass(slots=True)
class Mended:
    """A batch of shapes, and what was found and done.

    shapes : (n,) array, None where there is a fault.
    faults : row -> (fault, words).
    repairs : row -> words, of rows that were mended and may be measured.
    is_as_read : (n,) array; True where the binary that was read is the shape's still.
    """

    shapes: Any
    faults: dict[int, tuple[str, str]] = field(default_factory=dict)
    repairs: dict[int, str] = field(default_factory=dict)
    is_as_read: Any = None

    def reject(self, row: int, fault: str, words: str) -> None:
        self.faults[row] = (fault, words)
        self.shapes[row] = None

    def repaired(self, row: int, words: str) -> None:
        before = self.repairs.get(row)
        self.repairs[row] = f"{before}; {words}" if before else words


def wkb_codes(wkb: Any) -> npt.NDArray[np.int64]:
    """Simple-features code of each shape, Z and M taken off; -1 where there is none.

    Parameters
    ----------
    wkb : pyarrow.BinaryArray
    """
    n = len(wkb)
    codes = np.full(n, -1, dtype=np.int64)
    _, ends, data = wkb.buffers()
    if not n or data is None:
        return codes
    offsets = np.frombuffer(ends, np.int32)[wkb.offset : wkb.offset + n + 1].astype(np.int64)
    octets = np.frombuffer(data, np.uint8)
    rows = np.flatnonzero(np.diff(offsets) >= _HEAD)
    if wkb.null_count:
        rows = rows[wkb.is_valid().to_numpy(zero_copy_only=False)[rows]]
    head = octets[offsets[rows, np.newaxis] + np.arange(_HEAD)].astype(np.int64)
    little = (head[:, 1:] << np.array([0, 8, 16, 24])).sum(axis=1)
    big = (head[:, 1:] << np.array([24, 16, 8, 0])).sum(axis=1)
    codes[rows] = (np.where(head[:, 0] == 1, little, big) & 0x0FFFFFFF) % 1000
    return codes


def mended_shapes(wkb: Any, kind: str, crs: Any = None) -> Mended:
    """Shapes of one kind, each plane, finite and valid, or with a fault.

    Parameters
    ----------
    wkb : pyarrow.BinaryArray
    kind : str
        ``point``, ``line`` or ``polygon``.
    crs : CRS, optional
        Of the file; areas are told in square feet where it can be measured in.

    Notes
    -----
    Polygons that cross themselves are repaired by structure (GEOS make_valid: shells joined, holes
    cut); one of which less than half is left is not taken for what was meant.
    """
    with np.errstate(invalid="ignore"):  # coordinates that are no numbers are told as a fault
        out = _decoded(wkb)
        is_lost = shapely.is_missing(out.shapes) | shapely.is_empty(out.shapes)
        for row in np.flatnonzero(is_lost):
            if int(row) not in out.faults:
                out.reject(int(row), NO_SHAPE, "it has no shape")
        _flatten(out)
        _sort_kinds(out, kind)
        _make_valid(out, kind, crs)
    out.is_as_read &= ~shapely.is_missing(out.shapes)
    return out


def binary_of(mended: Mended, wkb: Any) -> Any:
    """Well-known binary of the shapes: what was read where it still holds, nulls for faults."""
    if mended.is_as_read.all():
        return wkb
    made = shapely.to_wkb(mended.shapes, output_dimension=2, byte_order=1)
    return pa.array(made, pa.binary())


def _decoded(wkb: Any) -> Mended:
    codes = wkb_codes(wkb)
    blobs = wkb.to_numpy(zero_copy_only=False)
    is_odd = np.isin(codes, (*CURVED, *SURFACES, 7))
    shapes = shapely.from_wkb(np.where(is_odd, None, blobs), on_invalid="ignore")
    out = Mended(shapes, is_as_read=np.ones(len(shapes), dtype=bool))
    for row in np.flatnonzero(is_odd):
        _decode_odd(out, int(row), int(codes[row]), blobs[row])
    has_bytes = np.zeros(len(shapes), dtype=bool)
    if shapely.is_missing(shapes).any():
        has_bytes = wkb.is_valid().to_numpy(zero_copy_only=False)
    for row in np.flatnonzero(shapely.is_missing(out.shapes) & has_bytes & ~is_odd):
        _close(out, int(row), blobs[row])
    return out


def _decode_odd(out: Mended, row: int, code: int, blob: bytes) -> None:
    """Collections, which may hold arcs, and shapes that are made of arcs or of surfaces."""
    out.is_as_read[row] = False
    with suppress(ValueError, struct.error, NotImplementedError, shapely.errors.GEOSException):
        if code == 7:
            plain = shapely.from_wkb(blob, on_invalid="ignore")
            shapely.get_coordinates(plain)
            out.shapes[row] = plain
    if out.shapes[row] is not None:
        return
    try:
        out.shapes[row] = straightened(blob)
    except (ValueError, struct.error, IndexError, shapely.errors.GEOSException):
        out.reject(row, DAMAGED, "its shape is damaged and cannot be read")
        return
    if code not in SURFACES:
        out.repaired(row, "arcs straightened")


def _close(out: Mended, row: int, blob: bytes) -> None:
    out.is_as_read[row] = False
    with suppress(ValueError, shapely.errors.GEOSException):
        out.shapes[row] = shapely.from_wkb(blob, on_invalid="fix")
    if out.shapes[row] is None:
        out.reject(row, DAMAGED, "its shape is damaged, or a ring of it has too few points")
    elif not shapely.is_empty(out.shapes[row]):
        out.repaired(row, "an open ring closed")


def _flatten(out: Mended) -> None:
    """Drop Z and M."""
    is_high = shapely.has_z(out.shapes)
    with suppress(AttributeError, shapely.errors.UnsupportedGEOSVersionError):
        is_high |= shapely.has_m(out.shapes)
    if is_high.any():
        out.shapes[is_high] = shapely.force_2d(out.shapes[is_high])
        out.is_as_read &= ~is_high


def _sort_kinds(out: Mended, kind: str) -> None:
    ids = shapely.get_type_id(out.shapes)
    for row in np.flatnonzero(np.isin(ids, (2, 7))):
        out.shapes[row] = unpacked(out.shapes[row], (kind,))
        out.is_as_read[row] = False
        ids[row] = shapely.get_type_id(out.shapes[row])
    for row in np.flatnonzero((ids >= 0) & ~np.isin(ids, KIND_TYPES[kind])):
        found = TYPE_KIND.get(int(ids[row]), "collection of shapes")
        out.reject(int(row), WRONG_KIND, f"its shape is a {found}, no {kind}")


def _make_valid(out: Mended, kind: str, crs: Any) -> None:
    if kind == "polygon":
        _drop_empty_holes(out)
    there = ~shapely.is_missing(out.shapes)
    for row in np.flatnonzero(there & ~shapely.is_valid(out.shapes)):
        _mend_one(out, int(row), crs)
    extent = {"polygon": shapely.area, "line": shapely.length}.get(kind)
    if extent is None:
        return
    there = ~shapely.is_missing(out.shapes)
    what = "area" if kind == "polygon" else "length"
    for row in np.flatnonzero(there & ~(extent(out.shapes) > 0)):
        out.reject(int(row), NO_EXTENT, f"its shape has no {what}")


def _drop_empty_holes(out: Mended) -> None:
    """Some files hold holes of no points; they are not holes."""
    ids = shapely.get_type_id(out.shapes)
    rows = np.flatnonzero((ids == 6) | (shapely.get_num_interior_rings(out.shapes) > 0))
    if not len(rows):
        return
    n_rings = len(shapely.get_rings(out.shapes[rows]))
    out.shapes[rows] = without_empty_rings(out.shapes[rows])
    if len(shapely.get_rings(out.shapes[rows])) != n_rings:
        out.is_as_read[rows] = False


def _mend_one(out: Mended, row: int, crs: Any) -> None:
    """A shape that is not valid: repaired, or the fault told."""
    shape = out.shapes[row]
    xy = shapely.get_coordinates(shape)
    bad = ~np.isfinite(xy).all(axis=1)
    if bad.any():
        x, y = (float(v) for v in xy[bad][0])
        out.reject(row, NOT_FINITE, f"its coordinate ({x:,.10g}, {y:,.10g}) is no place")
        return
    if TYPE_KIND[int(shapely.get_type_id(shape))] != "polygon":
        return  # a line of one point repeated: told by its length
    before, why = abs(shape.area), shapely.is_valid_reason(shape).split("[")[0]
    meant = min(before, _enclosed(shape))
    shape = polygon_parts(shapely.make_valid(shape, method="structure"))
    change = area_change(before, shape, crs)
    if shape.area == 0:
        out.reject(row, NO_EXTENT, "its shape has no area")
        return
    if shape.area < LEAST_KEPT_FRAC * meant:
        words = f"its outline crosses itself so that a repair leaves little of it ({change})"
        out.reject(row, VANISHED, words)
        return
    out.shapes[row], out.is_as_read[row] = shape, False
    out.repaired(row, f"repaired ({why.lower()}), {change}")


def _enclosed(shape: Any) -> float:
    """What the outer rings enclose, counted once however often they are drawn."""
    outer = shapely.get_exterior_ring(shapely.get_parts(shape))
    return float(
        shapely.area(shapely.make_valid(shapely.polygons(outer), method="structure")).sum()
    )
