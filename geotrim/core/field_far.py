"""Trees of a survey that stand far from all others: a slip of a digit, or another place."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import shapely

from geotrim.core.field_conflicts import FAR, Conflict, FieldTrees
from geotrim.model import FloatArray

#: How many of its neighbours a tree must have near: so many trees may be wrong in the same way and
#: are still found. Of few trees, half of the others. Common practice, no source.
N_NEAR = 3
#: Distances between neighbours, times the usual one, that are far. Common practice, no source.
TIMES_USUAL = 20.0


def far_trees(
    trees: FieldTrees, crowns: Any = None, *, feet_per_unit: float, far_ft: float
) -> list[Conflict]:
    """Trees far from all others.

    A tree is far where no given crown, and fewer than ``N_NEAR`` other trees, stand within
    ``far_ft`` or ``TIMES_USUAL`` times the usual gap, whichever is more. The usual gap is the
    median, over the trees, of the distance to the nearest other tree or given crown. A stem that
    far from the first stem of its tree is told of its tree.

    Parameters
    ----------
    trees : FieldTrees
    crowns : array of Polygon, optional
        Given crowns.
    feet_per_unit : float
        International feet in one map unit.
    far_ft : float
        [ft]
    """
    place = np.array([trees.place(tree) for tree in range(len(trees.ids))]).reshape(-1, 2)
    known = np.flatnonzero(np.isfinite(place).all(axis=1))
    xy_ft = place[known] * feet_per_unit
    to_trees_ft = _neighbours(xy_ft)
    to_crown_ft = _to_crowns(place[known], crowns) * feet_per_unit
    nearest_ft = np.minimum(to_trees_ft[:, 0], to_crown_ft)
    if not np.isfinite(nearest_ft).any():
        return []
    usual_ft = float(np.percentile(nearest_ft, 50.0, method="lower"))
    reach_ft = max(far_ft, TIMES_USUAL * usual_ft)
    is_far = np.minimum(to_trees_ft[:, -1], to_crown_ft) > reach_ft
    gaps_ft = dict(zip(known[is_far].tolist(), _to_body(xy_ft, is_far, to_crown_ft), strict=True))
    found = [_conflict(trees, tree, gap_ft, reach_ft) for tree, gap_ft in gaps_ft.items()]
    stems_ft = _stems(trees, place, feet_per_unit)
    for tree, gap_ft in stems_ft.items():
        if gap_ft > reach_ft and tree not in gaps_ft:
            found.append(_conflict(trees, tree, gap_ft, reach_ft, "a stem", "its first stem"))
    return found


def without_crowns(trees: FieldTrees, found: list[Conflict]) -> FieldTrees:
    """The trees, those that are far from all others without a crown of their spreads."""
    shapes = np.array(trees.ellipses, dtype=object)
    shapes[[one.tree for one in found]] = None
    return replace(trees, ellipses=shapes)


def _neighbours(xy_ft: FloatArray) -> FloatArray:
    """Distances to the nearest others, the nearest first; infinite for a tree alone. [ft]."""
    n = len(xy_ft)
    if n < 2:
        return np.full((n, 1), np.inf)
    from scipy.spatial import cKDTree

    most = int(np.clip((n - 1) // 2, 1, N_NEAR))
    gaps_ft, _ = cKDTree(xy_ft).query(xy_ft, k=most + 1)
    return np.asarray(gaps_ft[:, 1:])  # without the distance to itself


def _to_crowns(xy: FloatArray, crowns: Any) -> FloatArray:
    if crowns is None or not len(crowns) or not len(xy):
        return np.full(len(xy), np.inf)
    points, shapes = shapely.points(xy), np.asarray(crowns, dtype=object)
    near = shapely.STRtree(shapes).nearest(points)
    return np.asarray(shapely.distance(points, shapes[near]))


def _to_body(xy_ft: FloatArray, is_far: Any, to_crown_ft: FloatArray) -> list[float]:
    """From each far tree to the nearest that is not far, or to a crown. [ft]."""
    if is_far.all():
        return [float(gap) for gap in to_crown_ft]
    from scipy.spatial import cKDTree

    gaps_ft, _ = cKDTree(xy_ft[~is_far]).query(xy_ft[is_far])
    return [float(gap) for gap in np.minimum(gaps_ft, to_crown_ft[is_far])]


def _stems(trees: FieldTrees, place: FloatArray, feet_per_unit: float) -> dict[int, float]:
    """For each tree of several stems, how far the farthest stands from the first. [ft]."""
    out: dict[int, float] = {}
    for point, tree in zip(trees.trunks, np.asarray(trees.tree_of_trunk).tolist(), strict=True):
        if point is not None:
            gap = float(np.hypot(*(shapely.get_coordinates(point)[0] - place[tree])))
            out[tree] = max(out.get(tree, 0.0), gap * feet_per_unit)
    return out


def _conflict(
    trees: FieldTrees,
    tree: int,
    gap_ft: float,
    reach_ft: float,
    what: str = "",
    other: str = "the nearest other tree or crown",
) -> Conflict:
    found = f"{what} {gap_ft:,.0f} ft from {other}, over {reach_ft:,.0f} ft".strip()
    done = "kept in the tables, and no crown of its own made: check its position"
    return Conflict(FAR, tree, trees.ids[tree], (), found, done, *trees.place(tree))
