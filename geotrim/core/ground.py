"""The ground as a surface of triangles through its lidar returns.

The surface is the Delaunay triangulation of the returns. It is made the same whatever the order of
the points and whichever tile they came in: coordinates are shifted by a whole number of units (no
digit is lost), and of four returns on one circle the diagonal is chosen by their coordinates.

A tile's triangulation differs from the whole cloud's near its edge, where returns beyond it are
missing. It does not where the circle through a triangle's corners lies where every return is known:
then no return from elsewhere can fall in it, and the triangle belongs to the whole cloud's surface.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geotrim.core import _cloud_kernels as kernels
from geotrim.core import _delaunay as delaunay
from geotrim.core.coverage import Floats, Ints
from geotrim.errors import ShapeError

Flags = npt.NDArray[np.bool_]
Corners = npt.NDArray[np.int32]


def places(x: npt.ArrayLike, y: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Coordinates as arrays, which must be of one shape."""
    east, north = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if east.shape != north.shape:
        raise ShapeError(
            "x and y",
            f"arrays of shape {east.shape} and {north.shape}",
            "arrays of one shape",
            "give one y for each x",
        )
    return east, north


class GroundSurface:
    """Triangles through ground returns.

    Parameters
    ----------
    x, y : (n,) arrays
        Where the returns lie. [map units]
    z : (n,) array
        Their heights, in any unit; the surface answers in the same.
    what : str
        What the points are, for messages.

    Raises
    ------
    ShapeError
        If the arrays differ in length, a number is not finite, or the points are fewer than three
        or all on one line.

    Notes
    -----
    Of returns at one place the lowest counts: what lies over it is no ground.

    Examples
    --------
    >>> surface = GroundSurface([0, 4, 0], [0, 0, 4], [1, 5, 9])
    >>> surface.at([1, 9], [1, 9]).tolist()
    [4.0, nan]
    """

    def __init__(
        self, x: npt.ArrayLike, y: npt.ArrayLike, z: npt.ArrayLike, *, what: str = "ground returns"
    ) -> None:
        east, north, height = _checked(x, y, z, what)
        self.west, self.south = float(np.floor(east.min())), float(np.floor(north.min()))
        self.x, self.y, self.z = _lowest_at_each_place(
            _rounded(east - self.west), _rounded(north - self.south), height
        )
        self.corners, self.beyond = _triangles(self.x, self.y, what)
        self._seeds = _Seeds(self.x, self.y, self.corners)
        self._radius: Floats | None = None

    @property
    def n_returns(self) -> int:
        """Returns the surface runs through."""
        return self.x.size

    def at(self, x: npt.ArrayLike, y: npt.ArrayLike, *, widest: float | None = None) -> Floats:
        """Height of the surface, linear within a triangle; NaN outside the hull of the returns.

        Parameters
        ----------
        x, y : arrays of one shape [map units]
        widest : float, optional
            Radius of the widest circle without a return that a triangle may span; a wider hole is
            not bridged, and is NaN too. With a buffer of twice this, tiles give one answer.
            [map units]

        Returns
        -------
        array of that shape, in the unit of z
        """
        east, north, shape = self._local(x, y)
        height = np.empty(east.size)
        where = self._find(east, north)
        if widest is not None:
            where[self._radii()[where] > widest] = -1
        kernels.interpolate(east, north, where, self.x, self.y, self.z, self.corners, height)
        return height.reshape(shape)

    def _radii(self) -> Floats:
        """Radius of the circle through the corners of each triangle."""
        if self._radius is None:
            self._radius = np.empty(len(self.corners))
            kernels.radii(self.x, self.y, self.corners, self._radius)
        return self._radius

    def _local(self, x: npt.ArrayLike, y: npt.ArrayLike) -> tuple[Floats, Floats, tuple[int, ...]]:
        east, north = places(x, y)
        return east.ravel() - self.west, north.ravel() - self.south, east.shape

    def _find(self, east: Floats, north: Floats) -> Ints:
        where = np.empty(east.size, dtype=np.int64)
        start = (self._seeds.triangle, *self._seeds.grid)
        kernels.find(
            east,
            north,
            self.x,
            self.y,
            self.corners,
            self.beyond,
            *start,
            where,
        )
        return where


class _Seeds:
    """A coarse grid over the hull with a triangle in each cell, for walks to start from."""

    def __init__(self, x: Floats, y: Floats, corners: Corners) -> None:
        west, south, east, north = x.min(), y.min(), x.max(), y.max()
        side = float(np.sqrt((east - west) * (north - south) / x.size) * 2.0)
        side = max(side, (east - west) / 4000.0, (north - south) / 4000.0)
        wide, high = int((east - west) / side) + 1, int((north - south) / side) + 1
        self.grid = west, south, side, wide, high
        self.triangle = kernels.seed(x, y, corners, *self.grid)


def _checked(
    x: npt.ArrayLike, y: npt.ArrayLike, z: npt.ArrayLike, what: str
) -> tuple[Floats, Floats, Floats]:
    arrays = tuple(np.asarray(values, dtype=np.float64) for values in (x, y, z))
    shapes = [array.shape for array in arrays]
    if arrays[0].ndim != 1 or len(set(shapes)) != 1:
        raise ShapeError(
            what, f"x, y and z of shapes {shapes}", "three lists of one length", "give them alike"
        )
    if arrays[0].size < 3:
        raise _too_few(what, f"{arrays[0].size} points")
    if not all(np.isfinite(array).all() for array in arrays):
        raise ShapeError(
            what, "a coordinate that is not finite", "finite numbers", "leave these points out"
        )
    return arrays[0], arrays[1], arrays[2]


def _lowest_at_each_place(x: Floats, y: Floats, z: Floats) -> tuple[Floats, Floats, Floats]:
    """Points in the order of the sweep; of those at one place the lowest."""
    order = np.argsort(x + delaunay.SLANT * y)
    delaunay.sort(order, x, y)
    x, y, z = x[order], y[order], z[order]
    is_first = np.ones(x.size, dtype=bool)
    is_first[1:] = (np.diff(x) != 0) | (np.diff(y) != 0)
    return x[is_first], y[is_first], np.minimum.reduceat(z, np.flatnonzero(is_first))


def _triangles(x: Floats, y: Floats, what: str) -> tuple[Corners, Corners]:
    """The Delaunay triangulation: corners of each triangle, and the triangles beyond its sides."""
    if x.size < 3:
        raise _too_few(what, f"{x.size} places")
    corners = np.empty((2 * x.size, 3), dtype=np.int32)
    beyond = np.empty((2 * x.size, 3), dtype=np.int32)
    n = delaunay.sweep(x, y, corners, beyond)
    if n == 0:
        raise _too_few(what, f"{x.size} places on one line")
    corners, beyond = corners[:n].copy(), beyond[:n].copy()
    delaunay.settle(x, y, corners, beyond)
    return corners, beyond


def _rounded(local: Floats) -> Floats:
    """Coordinates as whole multiples of one small step, so that all differences are exact.

    The step is 2**-52 of the extent. Of coordinates that came as doubles far from their origin, as
    those of a state plane or a UTM zone do, nothing is lost.
    """
    step = 2.0 ** (np.ceil(np.log2(max(local.max(), 1.0))) - 52.0)
    return np.asarray(np.rint(local / step) * step)


def _too_few(what: str, found: str) -> ShapeError:
    return ShapeError(
        what,
        found,
        "at least three places that are not on one line",
        "take in a larger area, or choose the class or the filter that finds ground here",
    )
