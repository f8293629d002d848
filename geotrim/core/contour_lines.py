"""Contour pieces as lines on the plane: kinds, direction, lengths, slopes, smoothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core.contour import Block, Piece
from geotrim.errors import RangeError

Array = npt.NDArray[np.float64]

#: Open pieces; closed ones around ground above the level; closed ones around ground below it.
KINDS = ("shore", "island", "pond")
#: Samples of a line within one standard deviation of the smoothing, and how far it reaches out.
_SAMPLES, _REACH = 16, 5.0


@dataclass(frozen=True, slots=True, eq=False)
class LevelLine:
    """One piece of a contour on the plane, the water on its left.

    xy : (n, 2). A closed piece repeats its first vertex. [map units]
    slope : (n,), rise over run of the ground, square to the line.
    kind : one of ``KINDS``.
    """

    xy: Array
    slope: Array
    kind: str

    @property
    def is_closed(self) -> bool:
        return self.kind != "shore"

    @property
    def length(self) -> float:
        """Length along the line. [map units]."""
        return float(np.hypot(*np.diff(self.xy, axis=0).T).sum())


def placed(
    pieces: Iterable[Piece], place: Callable[[Array], Array], feet_per_map: float, feet_per_z: float
) -> list[LevelLine]:
    """Pieces taken from the grid to the plane.

    Parameters
    ----------
    pieces : iterable of Piece
    place : callable
        Pixel coordinates (n, 2), column and row, to map coordinates (n, 2). Any smooth placing
        will do: rotated, south-up, or through another reference system.
    feet_per_map, feet_per_z : float
        Feet in a map unit and in a unit of height.

    Notes
    -----
    The gradient of the ground is taken over with the local stretch of ``place``, measured across
    one cell. The line follows the level, so the steepest slope is the slope square to it.
    """
    pieces = list(pieces)
    if not pieces:
        return []
    at = np.concatenate([piece.at for piece in pieces])
    rise = np.concatenate([piece.gradient for piece in pieces])
    xy = place(at)
    half_col, half_row = np.array([0.5, 0.0]), np.array([0.0, 0.5])
    by_col = place(at + half_col) - place(at - half_col)  # (n, 2): change of x and y over a cell
    by_row = place(at + half_row) - place(at - half_row)
    area = by_col[:, 0] * by_row[:, 1] - by_col[:, 1] * by_row[:, 0]  # below 0: north is up
    east = (rise[:, 0] * by_row[:, 1] - rise[:, 1] * by_col[:, 1]) / area
    north = (rise[:, 1] * by_col[:, 0] - rise[:, 0] * by_row[:, 0]) / area
    slope = np.hypot(east, north) * feet_per_z / feet_per_map
    cuts = np.cumsum([0, *(len(piece.at) for piece in pieces)])
    out = []
    for piece, (i, j) in zip(pieces, pairwise(cuts), strict=True):
        step = -1 if area[i] > 0 else 1
        line, steep = xy[i:j][::step], slope[i:j][::step]
        out.append(LevelLine(line, steep, _kind(line) if piece.is_closed else "shore"))
    return out


def _kind(ring: Array) -> str:
    """Water on the left of a ring: it lies inside one that turns left, around one that turns right.

    Examples
    --------
    >>> _kind(np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [0.0, 0.0]]))
    'pond'
    """
    x, y = (ring - ring[0]).T
    return "pond" if float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1])) > 0 else "island"


def without_short(
    lines: list[LevelLine], least: Mapping[str, float]
) -> tuple[list[LevelLine], dict[str, tuple[int, float]]]:
    """Lines as long as asked for their kind, and how many of each kind were shorter.

    Parameters
    ----------
    least : mapping
        Kind -> shortest length kept. [map units]

    Returns
    -------
    kept : list of LevelLine
    dropped : dict
        Kind -> number and whole length of those left out [map units]; only kinds that lost some.
    """
    kept: list[LevelLine] = []
    dropped: dict[str, tuple[int, float]] = {}
    for line in lines:
        if line.length >= least.get(line.kind, 0.0):
            kept.append(line)
        else:
            n, length = dropped.get(line.kind, (0, 0.0))
            dropped[line.kind] = (n + 1, length + line.length)
    return kept, dropped


def smoothed(line: LevelLine, scale: float, most: float = np.inf) -> tuple[LevelLine, float]:
    """A line with its wiggles damped, and the farthest any vertex moved.

    Parameters
    ----------
    line : LevelLine
    scale : float
        Standard deviation of the weights along the line. [map units]
    most : float
        No vertex moves farther than this. [map units]

    Returns
    -------
    line : LevelLine
        As many vertices as before; the ends of an open one stay.
    moved : float
        [map units]

    Notes
    -----
    Every point becomes the mean of the line around it, weighted by a normal curve of the distance
    along the line (F. Mokhtarian and A. Mackworth, 1986, *Scale-based description and recognition
    of planar curves*). A circle of radius r becomes one of r exp(-scale^2 / 2 r^2): bends are
    drawn in. An open line is continued beyond its ends by turning it half round about them. A
    closed line shorter than a circle of radius ``scale`` would shrink to a dot: it stays as it is.
    """
    if not (scale >= 0 and most >= 0):
        raise RangeError("smoothing", f"{scale}, {most}", "lengths of 0 or more", "give them in ft")
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line.xy, axis=0).T))])
    if scale == 0 or along[-1] == 0 or (line.is_closed and along[-1] < 2 * np.pi * scale):
        return line, 0.0
    from scipy.ndimage import gaussian_filter1d

    n = max(int(np.ceil(along[-1] / (scale / _SAMPLES))), 4)
    at = np.linspace(0.0, along[-1], n + 1)
    even = np.column_stack([np.interp(at, along, part) for part in line.xy.T])
    width = scale / (along[-1] / n)  # in samples
    rim = int(np.ceil(_REACH * width)) + 1
    if line.is_closed:
        even = np.pad(even[:-1], ((rim, rim + 1), (0, 0)), mode="wrap")
    else:
        even = np.pad(even, ((rim, rim), (0, 0)), mode="reflect", reflect_type="odd")
    soft = gaussian_filter1d(even, width, axis=0, truncate=_REACH)[rim : rim + n + 1]
    move = np.column_stack([np.interp(along, at, part) for part in soft.T]) - line.xy
    far = np.hypot(*move.T)
    move *= np.minimum(1.0, most / np.maximum(far, 1e-300))[:, None]
    if line.is_closed:
        move[-1] = move[0]
    else:
        move[[0, -1]] = 0.0
    return replace(line, xy=line.xy + move), float(np.hypot(*move.T).max())


def n_crossings(lines: list[LevelLine]) -> int:
    """Lines that cross themselves, and pairs that meet another.

    Contours do neither before they are smoothed, but for a touch where ground stands at the level.
    """
    shapes = np.array([shapely.LineString(line.xy) for line in lines], dtype=object)
    if not len(shapes):
        return 0
    one, other = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    return int((~shapely.is_simple(shapes)).sum() + (one < other).sum())


def position_errors(slope: npt.ArrayLike, height_error: float, most: float) -> Array:
    """How far a line may be off where the height is off: error over slope, at most ``most``.

    Examples
    --------
    10 cm on slopes of 1:2, 1:10 and 1:50, in feet (dx = dz / slope), and on a flat:

    >>> position_errors([0.5, 0.1, 0.02, 0.0], 0.328, 100.0).round(3)
    array([  0.656,   3.28 ,  16.4  , 100.   ])
    """
    slope = np.asarray(slope, dtype=np.float64)
    is_steep = slope * most > height_error
    return np.where(is_steep, height_error / np.where(is_steep, slope, 1.0), most)


def lengths_at(xy: Array) -> Array:
    """The stretch of line each vertex stands for: half of the two segments that meet there."""
    step = np.hypot(*np.diff(xy, axis=0).T) / 2.0
    out = np.zeros(len(xy))
    out[:-1] += step
    out[1:] += step
    return out


def quantile(values: Array, lengths: Array, share: float) -> float:
    """The value that this share of the length does not exceed.

    Examples
    --------
    >>> quantile(np.array([1.0, 9.0, 5.0]), np.array([8.0, 1.0, 1.0]), 0.9)
    5.0
    """
    order = np.argsort(values, kind="stable")
    upto = np.cumsum(lengths[order])
    k = int(np.searchsorted(upto, share * upto[-1] * (1 - 1e-12)))
    return float(values[order][min(k, len(values) - 1)])


def band_parts(block: Block, low: float, high: float) -> list[Any]:
    """Polygons of a block's own squares where the ground lies between two levels, pixel places.

    Between contours, so on a plane exactly the strip within the error over the slope, and on a
    flat the whole flat: nothing is divided by a slope.
    """
    height = block.height[1:-1, 1:-1]
    if not (height > low).any() or not (height <= high).any():
        return []
    from contourpy import FillType, contour_generator

    generator: Any = contour_generator(
        z=np.ma.masked_invalid(height),
        name="serial",
        corner_mask=True,
        fill_type=FillType.OuterOffset,
    )
    filled, offsets = generator.filled(low, high)
    corner = np.array([block.col0 + 0.5, block.row0 + 0.5])
    out = []
    for points, cuts in zip(filled, offsets, strict=True):
        rings = [points[i:j] + corner for i, j in pairwise(cuts)]
        out.append(shapely.Polygon(rings[0], rings[1:]))
    return out


def band(parts: list[Any], place: Callable[[Array], Array], grid: float) -> Any:
    """Parts of a band on the plane, as one shape.

    Parameters
    ----------
    parts : list of polygons
        Of :func:`band_parts`, in pixels.
    place : callable
        As for :func:`placed`.
    grid : float
        Places are rounded to this, so that blocks meet without cracks. [map units]
    """
    shapes = shapely.transform(np.array(parts, dtype=object), place)
    is_bad = ~shapely.is_valid(shapes)
    shapes[is_bad] = shapely.make_valid(shapes[is_bad], method="structure", keep_collapsed=False)
    whole = shapely.union_all(shapes, grid_size=grid)
    polygons = [p for p in shapely.get_parts(whole) if p.geom_type == "Polygon" and p.area > 0]
    return shapely.MultiPolygon(polygons)
