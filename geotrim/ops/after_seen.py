"""What a raster shows gone of each tree, and of which trees a stick cannot tell the share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from geotrim.core.cut_found import (
    FoliageCurve,
    Strip,
    Taken,
    strips_of,
    taken_by_volume,
    taken_frac,
    within,
)
from geotrim.core.foliage import IN_COLUMNS
from geotrim.ops.after_trees import earlier_strips, stays_in_part
from geotrim.ops.stage_plan import CLEAR_BAND, LOWER_TOP

#: A band takes a part of a crown only where the plan takes less of it, by more than this, than lies
#: between its sides: twice what a foliage curve may miss between its heights, and as much again.
PART_FRAC = 1e-3
#: An inch. [ft]
INCH_FT = 1.0 / 12.0
#: A share over its limit by less than this is error of arithmetic.
NOTHING = 1e-6


def with_seen(
    trees: Any,
    curves: Mapping[str, FoliageCurve],
    cuts: Mapping[str, Sequence[Mapping[str, Any]]],
    earlier: Mapping[str, list[Strip]],
    year: int,
    canopy_model: str,
) -> Any:
    """The trees with what the new raster shows gone of them, by volumes.

    Parameters
    ----------
    trees : DataFrame
        From :func:`geotrim.ops.after_trees.with_found`.
    curves, cuts : mapping
        Tree -> its foliage, and its cuts in the plan.
    earlier : mapping
        Tree -> strips cleared before this year's cut. [ft]
    year : int
    canopy_model : str
        Of the plan; a raster tells volumes under models of columns alone.

    Returns
    -------
    DataFrame
        ``seen_frac``, ``seen_error_frac``: share gone of what stood, NaN where no raster tells it.
        ``standing_frac``: of all foliage, what stood before this year's cut. ``is_in_part``:
        whether the year cuts a part of the crown only.
    """
    rows = []
    for tree in trees.to_dict("records"):
        name = tree["crown_id"]
        curve, gone = curves.get(name), earlier[name]
        seen = _by_volume(tree, curve, gone, canopy_model)
        left = np.nan if curve is None and gone else 1.0
        if curve is not None:
            left = 1.0 - within(curve, gone, float(tree["rise_ft"]))
        is_part = is_in_part(tree, curve, earlier_strips(cuts.get(name, []), year))
        rows.append((seen.share_frac, seen.error_frac, left, is_part))
    names = ["seen_frac", "seen_error_frac", "standing_frac", "is_in_part"]
    told = pd.DataFrame(rows, columns=names, index=trees.index)
    return trees.assign(**{name: told[name] for name in names})


def is_in_part(
    tree: Mapping[str, Any], curve: FoliageCurve | None, planned_before: Sequence[Strip]
) -> bool:
    """Whether the year's plan cuts a part of the crown only, so that heights tell little of it.

    Parameters
    ----------
    tree : mapping
        ``treatment`` and the ``planned_`` columns.
    curve : FoliageCurve or None
        Of the whole crown.
    planned_before : sequence of strips
        What the plan has cleared of it in earlier years. [ft]

    Examples
    --------
    Even foliage of 20 ft: the whole crown from 6 to 8 ft is a tenth, and the plan takes half of it.

    >>> box = FoliageCurve(np.array([0.0, 20.0]), np.array([1.0, 0.0]))
    >>> band = {"treatment": "clear-band", "planned_from_ft": 6.0, "planned_to_ft": 8.0}
    >>> [is_in_part({**band, "planned_removed_frac": share}, box, []) for share in (0.1, 0.05)]
    [False, True]
    """
    if tree["treatment"] == LOWER_TOP:
        return stays_in_part(tree)
    if tree["treatment"] != CLEAR_BAND or curve is None:
        return False
    strips = strips_of([tree["planned_from_ft"]], [tree["planned_to_ft"]])
    whole = taken_frac(curve, strips, planned_before)
    return bool(whole - tree["planned_removed_frac"] > PART_FRAC)


def _by_volume(
    tree: Mapping[str, Any], curve: FoliageCurve | None, gone: list[Strip], canopy_model: str
) -> Taken:
    """Share gone of what stood, by the volumes of the two rasters."""
    volumes = [tree[name] for name in ("volume_ft3", "after_ft3", "whole_ft3")]
    is_volume = canopy_model in IN_COLUMNS and bool(np.isfinite(volumes).all())
    is_volume &= not tree["rise_ft"] > 0.0  # the first volume is then too small
    if not is_volume or not tree["is_before_known"] or (gone and curve is None):
        return Taken(np.nan, np.nan)
    value = taken_by_volume(
        volumes[0],
        volumes[1],
        volumes[2],
        tree["crown_area_ft2"],
        before_error_ft=tree["top_error_ft"],
        after_error_ft=tree["seen_error_ft"],
        gone_frac=0.0 if curve is None else within(curve, gone),
    )
    if curve is None or not gone:
        return value
    return Taken(
        value.share_frac, float(np.hypot(value.error_frac, _left_error(tree, curve, gone)))
    )


def _left_error(tree: Mapping[str, Any], curve: FoliageCurve, gone: list[Strip]) -> float:
    """Error of a share by volumes from that of the height an earlier cut left.

    R = ((Vb - Va) / W - g) / (1 - g), with g gone of the whole W: dR = -(1 - R) / (1 - g) dg, at
    most dg / (1 - g).
    """
    step = float(np.nan_to_num(tree["gone_error_ft"]))
    now = within(curve, gone)
    moved = [
        within(curve, [(a + move if np.isinf(b) else a, b) for a, b in gone])
        for move in (step, -step)
    ]
    dg = max(abs(one - now) for one in moved)
    return float(dg / (1.0 - now)) if now < 1.0 else 0.0


def rest_of(
    tree: Mapping[str, Any], curve: FoliageCurve | None, gone: Sequence[Strip], limit_frac: float
) -> tuple[float, float]:
    """What of a year's cut may still be asked for: its marks, raised to keep the year's share.

    Parameters
    ----------
    tree : mapping
        ``mark_low_ft`` and ``mark_high_ft`` as the crew has them, NaN where it has none.
    curve : FoliageCurve or None
    gone : strips
        Cleared before this year's cut. [ft]
    limit_frac : float
        Most of what stood; NaN where no limit binds.

    Returns
    -------
    low_ft, high_ft : float
        ``high_ft`` infinite for a top.

    Notes
    -----
    A lower side goes up, an upper side down, an inch at a time, until no more than the share is
    taken of what stood before this year's cut. Of a crown that is cut in part, the share is the
    plan's own, and its marks stay.

    Examples
    --------
    20 ft of even foliage that an earlier year left at 16 ft: a quarter of it is 4 ft.

    >>> box = FoliageCurve(np.array([0.0, 20.0]), np.array([1.0, 0.0]))
    >>> tree = {"treatment": "lower-top", "planned_cut_ft": 11.25, "mark_low_ft": 11.25,
    ...     "mark_high_ft": np.nan, "is_in_part": False, "rise_ft": 0.0}
    >>> low, high = rest_of(tree, box, [(16.0, np.inf)], 0.25)
    >>> round(low, 6), high
    (12.0, inf)
    """
    is_top = tree["treatment"] == LOWER_TOP
    planned = (tree["planned_cut_ft"], np.inf) if is_top else _planned_band(tree)
    marks = (tree["mark_low_ft"], np.inf if is_top else tree["mark_high_ft"])
    low, high = (a if np.isnan(b) else b for a, b in zip(planned, marks, strict=True))
    if curve is None or np.isnan(limit_frac) or tree["is_in_part"]:
        return float(low), float(high)
    top, rise = float(curve.height_ft[-1]), float(tree["rise_ft"])

    def share(a: float, b: float) -> float:
        return taken_frac(curve, [(a, b)], gone, rise)

    while low < min(high, top + rise) and share(low, high) > limit_frac + NOTHING:
        if is_top:
            low += INCH_FT
        else:
            high -= INCH_FT
    return float(low), float(high)


def _planned_band(tree: Mapping[str, Any]) -> tuple[float, float]:
    return tree["planned_from_ft"], tree["planned_to_ft"]
