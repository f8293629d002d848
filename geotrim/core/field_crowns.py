"""Crowns from widths measured on the ground, and the crown that each trunk stands in.

A crown is four quarter-ellipses around its trunk: one for each pair of neighbouring radii. With two
spreads a and b the radii are a/2 and b/2 and the crown is one ellipse of area pi a b / 4, the
field's form of a crown's area (Osland et al. 2014, *PLoS ONE*; the ellipse from memory). With radii
to four sides its area is pi (n + s) (e + w) / 4.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.errors import RangeError, ShapeError
from geotrim.model import FloatArray

#: Vertices of a crown: the polygon of equal area leaves the ellipse by at most 0.0008 of a radius.
N_VERTICES = 64
#: Crown of a trunk that stands in none, and of one that stands in several.
NONE, SEVERAL = -1, -2

IntArray = npt.NDArray[np.intp]


def radii_of_spreads(spread_1_ft: Any, spread_2_ft: Any) -> FloatArray:
    """Radii ahead, right, behind and left of the trunk, for it in the middle of two spreads.

    Parameters
    ----------
    spread_1_ft, spread_2_ft : (n,) array-like
        Widths through the crown, the second square to the first. NaN is not measured. [ft]

    Returns
    -------
    (n, 4) array
        [ft]

    Examples
    --------
    >>> radii_of_spreads([10.0], [6.0])
    array([[5., 3., 5., 3.]])
    """
    first, second = np.atleast_1d(spread_1_ft) / 2.0, np.atleast_1d(spread_2_ft) / 2.0
    return np.column_stack([first, second, first, second])


def crown_area_ft2(radii_ft: Any) -> FloatArray:
    """Area of a crown of four quarter-ellipses.

    Parameters
    ----------
    radii_ft : (n, 4) array-like
        Ahead, right, behind, left. [ft]

    Returns
    -------
    (n,) array
        [ft2]

    Examples
    --------
    Spreads of 10 and 6 ft make 15 pi:

    >>> crown_area_ft2([[5.0, 3.0, 5.0, 3.0]]).round(4)
    array([47.1239])
    """
    radii = _radii(radii_ft)
    return np.asarray(np.pi / 4.0 * (radii[:, 0] + radii[:, 2]) * (radii[:, 1] + radii[:, 3]))


def ellipse_crowns(
    x: Any,
    y: Any,
    radii_ft: Any,
    bearing_deg: Any = 0.0,
    *,
    feet_per_unit: float = 1.0,
    n_vertices: int = N_VERTICES,
) -> npt.NDArray[Any]:
    """Crown polygons around trunks.

    Parameters
    ----------
    x, y : (n,) array-like
        Trunks. [map units]
    radii_ft : (n, 4) array-like
        Ahead (along the bearing), right, behind and left of the trunk. [ft]
    bearing_deg : array-like
        Direction of "ahead", clockwise from grid north. [deg]
    feet_per_unit : float
        International feet in one map unit.
    n_vertices : int
        A multiple of four. The polygon is scaled about the trunk, by 1.0008 for 64 vertices, so
        that its area is that of the ellipse; every quarter's is.

    Returns
    -------
    (n,) array of Polygon
        None where a number is missing.

    Raises
    ------
    RangeError
        If a radius is negative, a crown has no width, or the vertices are no multiple of four.

    Examples
    --------
    >>> crown = ellipse_crowns([0.0], [0.0], radii_of_spreads([10.0], [6.0]), 90.0)[0]
    >>> round(crown.area, 4), [round(v, 2) for v in crown.bounds]
    (47.1239, [-5.0, -3.0, 5.0, 3.0])
    """
    radii = _radii(radii_ft)
    if n_vertices < 8 or n_vertices % 4:
        raise RangeError("n_vertices", f"{n_vertices}", "a multiple of four from 8", "take 64")
    _check_radii(radii)
    turn = np.radians(np.broadcast_to(np.asarray(bearing_deg, dtype=np.float64), len(radii)))
    quarter = n_vertices // 4
    step = 2.0 * np.pi / n_vertices
    along, across = np.cos(step * np.arange(quarter)), np.sin(step * np.arange(quarter))
    ahead, right, behind, left = (radii[:, [k]] for k in range(4))
    forward = np.hstack([ahead * along, -behind * across, -behind * along, ahead * across])
    sideward = np.hstack([right * across, right * along, -left * across, -left * along])
    scale = np.sqrt(step / np.sin(step)) / feet_per_unit
    east = forward * np.sin(turn)[:, None] + sideward * np.cos(turn)[:, None]
    north = forward * np.cos(turn)[:, None] - sideward * np.sin(turn)[:, None]
    rings = np.stack(
        [np.asarray(x)[:, None] + scale * east, np.asarray(y)[:, None] + scale * north], axis=2
    )
    return _polygons(rings)


def _radii(radii_ft: Any) -> FloatArray:
    radii = np.asarray(radii_ft, dtype=np.float64)
    if radii.ndim != 2 or radii.shape[1] != 4:
        need = "four radii a tree: (n, 4)"
        raise ShapeError("radii_ft", f"an array of shape {radii.shape}", need, "give four columns")
    return radii


def _check_radii(radii: FloatArray) -> None:
    if (radii < 0).any():
        row = int(np.flatnonzero((radii < 0).any(axis=1))[0])
        found = f"{radii[row].min():g} for tree {row + 1}"
        raise RangeError("radii_ft", found, "0 ft or more", "correct the measure")
    flat = (radii[:, 0] + radii[:, 2] == 0) | (radii[:, 1] + radii[:, 3] == 0)
    if flat.any():
        found = f"no width for tree {int(np.flatnonzero(flat)[0]) + 1}"
        raise RangeError("radii_ft", found, "a crown with two widths", "leave it out with NaN")


def _polygons(rings: FloatArray) -> npt.NDArray[Any]:
    """Polygons of rings (n, vertices, 2); points that fall together on the trunk are one."""
    out = np.full(len(rings), None, dtype=object)
    known = np.isfinite(rings).all(axis=(1, 2))
    if known.any():
        out[known] = shapely.polygons(rings[known])
    repeats = np.flatnonzero(known)[~shapely.is_valid(out[known])] if known.any() else []
    for row in repeats:  # a radius of 0: a quarter without width
        out[row] = shapely.make_valid(out[row], method="structure", keep_collapsed=False)
    return out


@dataclass(frozen=True, slots=True, eq=False)
class TrunkJoin:
    """Which crown each trunk and each tree stands in.

    pairs : (2, n) trunk and crown of every trunk that a crown covers, its edge included.
    crown_of_trunk : (trunks,) crown, or ``NONE`` or ``SEVERAL``.
    crown_of_tree : (trees,) the one crown that covers trunks of the tree, or ``NONE`` or
        ``SEVERAL``.
    trees_in_crown : (crowns,) how many trees have a trunk in it.
    """

    pairs: IntArray
    crown_of_trunk: IntArray
    crown_of_tree: IntArray
    trees_in_crown: IntArray


def join_trunks(trunks: Any, tree_of_trunk: Any, crowns: Any, n_trees: int) -> TrunkJoin:
    """The crown each tree stands in, by the places of its trunks.

    Parameters
    ----------
    trunks : (n,) array of Point
        None for a trunk without a position.
    tree_of_trunk : (n,) array of int
        Number of the tree, from 0; a tree may have several trunks.
    crowns : (m,) array of Polygon
    n_trees : int

    Examples
    --------
    >>> crowns = [shapely.box(0, 0, 4, 4), shapely.box(3, 0, 8, 4)]
    >>> points = shapely.points([[1, 1], [3.5, 1], [9, 9]])
    >>> join_trunks(points, [0, 1, 2], crowns, 3).crown_of_tree.tolist()
    [0, -2, -1]
    """
    trunks, crowns = np.asarray(trunks, dtype=object), np.asarray(crowns, dtype=object)
    tree = np.asarray(tree_of_trunk, dtype=np.intp)
    pairs = shapely.STRtree(crowns).query(trunks, predicate="intersects")
    met = np.unique(np.stack([tree[pairs[0]], pairs[1]]), axis=1)
    return TrunkJoin(
        pairs,
        _only(pairs[0], pairs[1], len(trunks)),
        _only(met[0], met[1], n_trees),
        np.bincount(met[1], minlength=len(crowns)).astype(np.intp),
    )


def _only(owner: IntArray, crown: IntArray, n: int) -> IntArray:
    """The crown of each owner: ``NONE`` without one, ``SEVERAL`` with two or more."""
    count = np.bincount(owner, minlength=n)
    out = np.full(n, NONE, dtype=np.intp)
    out[owner] = crown
    out[count > 1] = SEVERAL
    return out


def overlap_frac(one: Any, other: Any) -> npt.NDArray[np.float64]:
    """Shared area over joint area of shapes, pair by pair: 1 for the same shape, 0 for none.

    Examples
    --------
    >>> overlap_frac([shapely.box(0, 0, 2, 1)], [shapely.box(1, 0, 3, 1)]).round(4)
    array([0.3333])
    """
    one, other = np.asarray(one, dtype=object), np.asarray(other, dtype=object)
    shared = shapely.area(shapely.intersection(one, other))
    joint = shapely.area(one) + shapely.area(other) - shared
    return np.asarray(shared / joint)


def covered_frac(shapes: Any, crowns: Any) -> npt.NDArray[np.float64]:
    """Share of each shape's area that lies under any of the crowns; None counts as 0."""
    shapes, crowns = np.asarray(shapes, dtype=object), np.asarray(crowns, dtype=object)
    out = np.zeros(len(shapes))
    tree = shapely.STRtree(crowns)
    for row in np.flatnonzero(~shapely.is_missing(shapes)):
        near = tree.query(shapes[row], predicate="intersects")
        under = shapely.intersection(shapes[row], shapely.union_all(crowns[near]))
        out[row] = under.area / shapes[row].area
    return out
