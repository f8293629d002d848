"""Polygons straight from well-known binary to plain arrays, without a geometry object each.

Source of the layout: OGC 06-103r4 (Simple Feature Access, part 1, clause 8); ISO codes add 1000
for Z, 2000 for M and 3000 for both. The older form that marks Z, M and a reference system by the
highest bits of the code is read as well. Z and M are dropped.
"""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.core import _wkb_kernels as _kernels
from geotrim.core.coverage import Floats, Ints, Rings
from geotrim.errors import ShapeError

Flags = npt.NDArray[np.bool_]
Codes = npt.NDArray[np.int8]

#: What can be wrong with a row -> what was found, what is needed, how to mend it.
FAULTS = {
    _kernels.BROKEN: (
        "bytes that are no geometry, or one that is cut short,",
        "whole geometries",
        "export the layer again; it may be cut short or damaged",
    ),
    _kernels.NO_POLYGON: (
        "a geometry that is no polygon",
        "polygons or multipolygons",
        "keep the polygon parts only",
    ),
    _kernels.NOT_FINITE: (
        "a vertex that is not a number",
        "finite coordinates",
        "draw that crown again, or leave it out",
    ),
    _kernels.OPEN: (
        "a ring that does not close, or of fewer than three points,",
        "rings whose last point is the first again",
        "draw that crown again, or leave it out",
    ),
}
#: Codes of geometries, for the message. Source: OGC 06-103r4, table 7.
KINDS = {
    1: "Point",
    2: "LineString",
    4: "MultiPoint",
    5: "MultiLineString",
    7: "GeometryCollection",
    8: "CircularString",
    9: "CompoundCurve",
    10: "CurvePolygon",
    11: "MultiCurve",
    12: "MultiSurface",
    15: "PolyhedralSurface",
    16: "TIN",
    17: "Triangle",
}


def rings_of_wkb(
    data: Any, offsets: npt.ArrayLike, *, is_null: npt.ArrayLike | None = None, what: str = "crowns"
) -> Rings:
    """Ragged arrays of polygons and multipolygons, as :func:`geotrim.core.coverage.rings_of` has.

    Parameters
    ----------
    data : bytes-like
        All rows one after the other, as the data buffer of an Arrow column.
    offsets : (n + 1,) array of integers
        First byte of each row, and the end. A row without bytes is a crown that covers nothing.
    is_null : (n,) array of bool, optional
        Rows that are to be taken for empty whatever their bytes.
    what : str
        The input, for the message.

    Raises
    ------
    ShapeError
        If a row is damaged, no polygon, or has an open ring or a vertex that is not finite; the
        first such row is named. Or if the offsets do not fit the data.

    Notes
    -----
    Both byte orders, with or without Z and M. Rings without vertices are left out.

    Examples
    --------
    >>> import shapely
    >>> rows = [shapely.to_wkb(shapely.box(0, 0, 2, 1)), b""]
    >>> rings = rings_of_wkb(b"".join(rows), [0, len(rows[0]), len(rows[0])])
    >>> len(rings), rings.ring_offsets.tolist(), rings.crown_offsets.tolist()
    (2, [0, 5], [0, 1, 1])
    """
    rings, faults = rings_and_faults(data, offsets, is_null=is_null, what=what)
    bad = np.flatnonzero(faults)
    if bad.size:
        row = int(bad[0])
        found, need, mend = FAULTS[int(faults[row])]
        if faults[row] == _kernels.NO_POLYGON:
            found = f"a {_kind(data, int(np.asarray(offsets)[row]))}"
        raise ShapeError(what, f"{found} in row {row}", need, mend)
    return rings


def rings_and_faults(
    data: Any, offsets: npt.ArrayLike, *, is_null: npt.ArrayLike | None = None, what: str = "crowns"
) -> tuple[Rings, Codes]:
    """The same where a bad row is to be told by itself: it gets no rings, and its fault.

    Parameters
    ----------
    data, offsets, is_null, what :
        As for :func:`rings_of_wkb`.

    Returns
    -------
    rings : Rings
    faults : (n,) array
        0 for a row that is fine, else a key of ``FAULTS``.

    Raises
    ------
    ShapeError
        If the offsets do not fit the data.
    """
    octets = np.frombuffer(data if len(data) else b"\0", dtype=np.uint8)[: len(data)]
    octets.flags.writeable = False  # one kind of array, so that one loop is compiled
    starts = _checked(offsets, octets.size, what)
    n = starts.size - 1
    skip = np.zeros(n, dtype=bool) if is_null is None else np.asarray(is_null, dtype=bool)
    if skip.shape != (n,):
        raise ShapeError(what, f"{skip.size} marks for {n} rows", "one mark a row", "fit them")
    faults = np.zeros(n, dtype=np.int8)
    bits = np.empty((octets.size // 16, 2), dtype=np.uint64)  # as much as there can be
    ends = np.empty(octets.size // _kernels.LEAST_RING, np.int64)
    is_hole = np.empty(ends.size, dtype=bool)
    crown_offsets = np.zeros(n + 1, np.int64)
    n_rings, n_vertices = _kernels.read_rows(
        octets,
        starts,
        skip,
        faults,
        bits,
        bits.reshape(-1).view(np.uint8),
        ends,
        is_hole,
        crown_offsets[1:],
    )
    ring_offsets = np.concatenate([np.zeros(1, np.int64), ends[:n_rings]])
    xy = bits[:n_vertices].view(np.float64)
    return Rings(xy, ring_offsets, is_hole[:n_rings].copy(), crown_offsets), faults


def bounds_of_wkb(data: Any, offsets: npt.ArrayLike, **more: Any) -> Floats:
    """(n, 4) west, south, east, north of each row, NaN for one without rings."""
    return bounds_of(rings_of_wkb(data, offsets, **more))


def centres_of_wkb(data: Any, offsets: npt.ArrayLike, **more: Any) -> Floats:
    """(n, 2) centroid of each row, NaN for one without rings; see :func:`centres_of`."""
    return centres_of(rings_of_wkb(data, offsets, **more))


def bounds_of(rings: Rings) -> Floats:
    """West, south, east, north of each crown.

    Returns
    -------
    bounds : (n, 4) array
        NaN for a crown without vertices. [map units]

    Examples
    --------
    >>> from geotrim.core.coverage import rings_of
    >>> import shapely
    >>> bounds_of(rings_of([shapely.box(1, 2, 3, 4)])).tolist()
    [[1.0, 2.0, 3.0, 4.0]]
    """
    out = np.full((len(rings), 4), np.nan)
    _kernels.bounds(rings.xy, rings.ring_offsets, rings.crown_offsets, out)
    return out


def centres_of(rings: Rings) -> Floats:
    """Centroid of each crown's area, shells less holes.

    Returns
    -------
    xy : (n, 2) array
        NaN for a crown without vertices. A crown without area has the middle of its outline,
        weighted by length; one that is a single point that point. [map units]

    Examples
    --------
    >>> from geotrim.core.coverage import rings_of
    >>> import shapely
    >>> centres_of(rings_of([shapely.Polygon([(0, 0), (3, 0), (0, 3)])])).tolist()
    [[1.0, 1.0]]
    """
    out = np.full((len(rings), 2), np.nan)
    _kernels.centres(rings.xy, rings.ring_offsets, rings.is_hole, rings.crown_offsets, out)
    return out


def areas_of(rings: Rings) -> Floats:
    """Area of each crown, shells less holes.

    Returns
    -------
    area : (n,) array
        0 for a crown without rings. [square map units]

    Examples
    --------
    >>> from geotrim.core.coverage import rings_of
    >>> import shapely
    >>> areas_of(rings_of([shapely.box(0, 0, 2, 3), None])).tolist()
    [6.0, 0.0]
    """
    out = np.zeros(len(rings))
    _kernels.areas(rings.xy, rings.ring_offsets, rings.is_hole, rings.crown_offsets, out)
    return out


def is_finite(rings: Rings) -> Flags:
    """(n,) whether all vertices of each crown are finite; True for one without any."""
    bad = np.flatnonzero(~np.isfinite(rings.xy).all(axis=1))
    out = np.ones(len(rings), dtype=bool)
    ring = np.searchsorted(rings.ring_offsets, bad, side="right") - 1
    out[np.searchsorted(rings.crown_offsets, ring, side="right") - 1] = False
    return out


def _checked(offsets: npt.ArrayLike, size: int, what: str) -> Ints:
    """Offsets that rise and stay within the data, so that the loops may trust them."""
    starts = np.asarray(offsets)
    is_list = starts.ndim == 1 and starts.size > 0 and starts.dtype.kind in "iu"
    if not (
        is_list and starts[0] >= 0 and starts[-1] <= size and (starts[1:] >= starts[:-1]).all()
    ):
        raise ShapeError(
            what,
            f"row offsets that do not fit {size} bytes",
            "whole numbers that rise from 0 to no more than that",
            "pass the buffers of one column",
        )
    return np.ascontiguousarray(starts, dtype=np.int64)


def _kind(data: Any, start: int) -> str:
    """Name of the geometry that begins at a byte."""
    order = "<" if bytes(data[start : start + 1]) == b"\x01" else ">"
    (code,) = struct.unpack(f"{order}I", bytes(data[start + 1 : start + 5]))
    kind = (code & 0x1FFFFFFF) % 1000
    return KINDS.get(kind, f"geometry of kind {kind}")
