"""Arcs made of chords: well-known binary that holds curves, read into plain shapes.

Layout of the bytes: OGC 06-103r4 (Simple Feature Access) and ISO/IEC 13249-3 for the curve types.
"""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
import shapely

#: Angle between two vertices of a straightened arc. [deg]
ARC_STEP_DEG = 1.0
#: An arc of radius r strays from its chords by at most r (1 - cos(step / 2)): this share of r.
ARC_SAGITTA = 1 - float(np.cos(np.radians(ARC_STEP_DEG / 2)))

POINT, LINE, POLYGON, CIRCULAR, COMPOUND, CURVE_POLYGON, TRIANGLE = 1, 2, 3, 8, 9, 10, 17
#: Codes of what holds other shapes -> what they become together.
GATHERED = {
    4: shapely.MultiPoint,
    5: shapely.MultiLineString,
    6: shapely.MultiPolygon,
    7: shapely.GeometryCollection,
    11: shapely.MultiLineString,
    12: shapely.MultiPolygon,
    15: shapely.MultiPolygon,  # polyhedral surface
    16: shapely.MultiPolygon,  # triangulated surface
}
#: Codes that shapely does not read.
CURVED = (CIRCULAR, COMPOUND, CURVE_POLYGON, 11, 12)
SURFACES = (15, 16, TRIANGLE)


def base_code(blob: bytes) -> int:
    """Simple-features code of a WKB, Z and M taken off."""
    (raw,) = struct.unpack_from("<I" if blob[0] else ">I", blob, 1)
    return int(raw & 0x0FFFFFFF) % 1000


def straightened(blob: bytes) -> Any:
    """The shape of a WKB, its arcs replaced by chords of ``ARC_STEP_DEG``; Z and M dropped.

    Raises
    ------
    ValueError, struct.error
        If the bytes hold no shape.

    Examples
    --------
    >>> from struct import pack
    >>> half_circle = pack("<BII6d", 1, 8, 3, 0, 0, 1, 1, 2, 0)
    >>> round(straightened(half_circle).length, 4)
    3.1416
    """
    return _Bytes(blob).shape()


class _Bytes:
    def __init__(self, blob: bytes) -> None:
        self.blob, self.at, self.order, self.n_axes = blob, 0, "<", 2

    def shape(self) -> Any:
        code = self._head()
        if code == POINT:
            x, y = self._coordinates(1)[0]
            return shapely.Point(x, y) if x == x or y == y else shapely.Point()
        if code in (LINE, CIRCULAR):
            points = self._coordinates(self._count())
            return shapely.LineString(chords(points) if code == CIRCULAR else points)
        if code in (POLYGON, TRIANGLE):
            return _polygon([self._coordinates(self._count()) for _ in range(self._count())])
        if code not in GATHERED and code not in (COMPOUND, CURVE_POLYGON):
            raise ValueError(f"unknown geometry code {code}")
        parts = [self.shape() for _ in range(self._count())]
        if code == CURVE_POLYGON:
            return _polygon([shapely.get_coordinates(part) for part in parts])
        if code == COMPOUND:
            runs = [shapely.get_coordinates(part) for part in parts if not part.is_empty]
            joined = [run if i == 0 else run[1:] for i, run in enumerate(runs)]
            return shapely.LineString(np.concatenate(joined)) if runs else shapely.LineString()
        if code not in (7, 4):
            parts = [piece for part in parts for piece in getattr(part, "geoms", [part])]
        return GATHERED[code](parts)

    def _head(self) -> int:
        self.order = "<" if self.blob[self.at] else ">"
        (raw,) = struct.unpack_from(self.order + "I", self.blob, self.at + 1)
        self.at += 5
        if raw & 0x20000000:  # an extended WKB carries the code of its CRS here
            self.at += 4
        extra = ((raw & 0x0FFFFFFF) // 1000) % 10
        self.n_axes = 2 + max((extra == 3) + (extra > 0), bool(raw >> 31) + bool(raw >> 30 & 1))
        return int(raw & 0x0FFFFFFF) % 1000

    def _count(self) -> int:
        (n,) = struct.unpack_from(self.order + "I", self.blob, self.at)
        self.at += 4
        return int(n)

    def _coordinates(self, n: int) -> Any:
        size = n * self.n_axes
        values = np.frombuffer(self.blob, self.order + "f8", size, self.at)
        self.at += 8 * size
        return values.reshape(n, self.n_axes)[:, :2].astype(float)


def _polygon(rings: list[Any]) -> Any:
    rings = [ring for ring in rings if len(ring)]
    return shapely.Polygon(rings[0], rings[1:]) if rings else shapely.Polygon()


def chords(points: Any) -> Any:
    """Vertices along the arcs of a circular string: start, through, end, through, end ...

    Parameters
    ----------
    points : (2 n + 1, 2) array

    Returns
    -------
    vertices : (m, 2) array
        The given points among them.
    """
    runs = [points[:1]]
    for i in range(0, len(points) - 2, 2):
        runs.append(_arc(*points[i : i + 3]))
    return np.concatenate(runs)


def _arc(start: Any, through: Any, end: Any) -> Any:
    """Vertices after ``start``; straight where the three points lie on a line."""
    plain = np.array([through, end])
    if np.array_equal(start, end):  # a whole circle: the second point lies opposite
        centre, turns = (start + through) / 2, np.array([np.pi, np.pi])
    else:
        centre = _centre(start, through, end)
        if centre is None:
            return plain
        at = [np.arctan2(*(p - centre)[::-1]) for p in (start, through, end)]
        (ux, uy), (vx, vy) = through - start, end - through
        sign = np.sign(ux * vy - uy * vx)
        turns = sign * (sign * np.diff(at) % (2 * np.pi))
    if not np.isfinite(turns).all():
        return plain
    runs = []
    for a, b, turn in ((start, through, turns[0]), (through, end, turns[1])):
        n = max(1, int(np.ceil(abs(turn) / np.radians(ARC_STEP_DEG) - 1e-9)))
        angles = turn * np.arange(1, n) / n
        x, y = a - centre
        cos, sin = np.cos(angles), np.sin(angles)
        between = centre + np.column_stack([x * cos - y * sin, x * sin + y * cos])
        runs += [between, b[np.newaxis]]
    return np.concatenate(runs)


def _centre(a: Any, b: Any, c: Any) -> Any:
    """Centre of the circle through three points, or None where they lie on a line."""
    (bx, by), (cx, cy) = b - a, c - a
    double = 2 * (bx * cy - by * cx)
    if not np.isfinite(double) or abs(double) < 1e-12 * (bx**2 + by**2 + cx**2 + cy**2):
        return None
    b2, c2 = bx**2 + by**2, cx**2 + cy**2
    return a + np.array([cy * b2 - by * c2, bx * c2 - cx * b2]) / double
