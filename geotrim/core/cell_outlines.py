"""Outlines of regions of cells: polygons whose stair-steps are cut at the middle of each side."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core.coverage import Floats, Transform
from geotrim.core.crown_regions import Labels


def cell_outlines(
    labels: Labels, wanted: npt.ArrayLike, transform: Transform, row0: int = 0, col0: int = 0
) -> Any:
    """Polygons of labelled regions of cells.

    Parameters
    ----------
    labels : (rows, cols) array
        Each wanted label is one piece whose cells hang together by their sides.
    wanted : (n,) labels
    transform : six floats
        Of the whole grid, from (column, row) to map coordinates.
    row0, col0 : int
        First row and column of ``labels`` in the whole grid.

    Returns
    -------
    outlines : (n,) array of shapely polygons, counter-clockwise. [map units]

    Notes
    -----
    The outline joins the middles of the cell sides on the region's edge, which is the contour of
    the region at one half (marching squares, Lorensen and Cline 1987, in two dimensions). Each
    corner loses or gains an eighth of a cell, and a ring of sides has four more corners that lose
    than that gain: the polygon is exactly half a cell smaller than its cells, and half a cell
    larger for each hole in it. What one region gains at a corner its neighbour loses, so
    neighbours share their common edge point by point and never overlap. Where three regions meet,
    a gap of at most half a cell stays between them.

    Examples
    --------
    >>> outline = cell_outlines(np.ones((2, 3), np.int32), [1], (1.0, 0.0, 0.0, 0.0, -1.0, 2.0))[0]
    >>> outline.area
    5.5
    """
    from scipy import ndimage

    places = ndimage.find_objects(np.maximum(labels, 0))
    out = np.empty(len(np.asarray(wanted)), dtype=object)
    for k, label in enumerate(np.asarray(wanted, dtype=np.int64)):
        place = places[label - 1]
        first = row0 + place[0].start, col0 + place[1].start
        out[k] = _outline(labels[place] == label, transform, *first)
    return out


def _outline(mine: npt.NDArray[np.bool_], transform: Transform, row0: int, col0: int) -> Any:
    """Polygon of one region; the largest ring is its shell, the others its holes."""
    from skimage.measure import find_contours

    rings = find_contours(  # type: ignore[no-untyped-call]
        np.pad(mine, 1).astype(np.float64), 0.5, fully_connected="low"
    )
    # whole and half numbers, so that two regions place a common point alike to the last digit
    corner = np.array([row0 - 0.5, col0 - 0.5])
    placed = [_on_the_map(ring + corner, transform) for ring in rings]
    shell = 0
    if len(placed) > 1:
        shell = int(np.argmax([shapely.Polygon(ring).area for ring in placed]))
    holes = [ring for k, ring in enumerate(placed) if k != shell]
    return shapely.geometry.polygon.orient(shapely.Polygon(placed[shell], holes))


def _on_the_map(ring: Floats, transform: Transform) -> Floats:
    a, b, c, d, e, f = transform
    row, col = ring[:, 0], ring[:, 1]
    return np.column_stack([a * col + b * row + c, d * col + e * row + f])
