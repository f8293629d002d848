"""Cuts of a plan over years: its foliage measured, its limits kept, under each reading."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core.coverage import Floats
from geotrim.core.foliage import (
    Foliage,
    above_frac,
    band_height_ft,
    between_frac,
    cut_height_ft,
    part_frac,
)
from geotrim.core.staging import (
    READINGS,
    Reachable,
    ShareMeasure,
    YearlyCuts,
    reachable,
    yearly_cuts,
)
from geotrim.model import Result
from geotrim.ops.canopy_cells import CrownCells, clearable_cells
from geotrim.ops.stage_plan import WINDOW, CutPlan
from geotrim.ops.stage_rules import StageLimits

Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Staged:
    """Cuts of k trees over years, and what they are held to.

    plan : which trees, and how far.
    foliage : of every crown, under the canopy model chosen.
    leaves : the same by leaf area; None where there are no profiles.
    measures : canopy first; leaves second, where they are known and not the same.
    whole_ft3 : (k,) all foliage of each tree. [ft3]
    limits : share a year, floor.
    asked_frac : (m, k) what the cut would take in all, by each measure.
    reach : how far it may go at all.
    cuts : year by year, as the foliage is read; by_reading : under each reading.
    stays_ft : (k,) the highest of the tree's canopy that no cut may touch; 0 where there is none.
        [ft]
    """

    plan: CutPlan
    foliage: Foliage
    leaves: Foliage | None
    measures: tuple[ShareMeasure, ...]
    whole_ft3: Floats
    limits: StageLimits
    asked_frac: Floats
    reach: Reachable
    cuts: YearlyCuts
    by_reading: Mapping[str, YearlyCuts]
    stays_ft: Floats

    @property
    def leaf_measure(self) -> int | None:
        """Which of the measures is by leaf area."""
        return None if self.leaves is None else len(self.measures) - 1


def staged_cuts(
    plan: CutPlan,
    foliage: Foliage,
    leaves: Foliage | None,
    is_in_zone: Flags | None,
    limits: StageLimits,
    used: Mapping[str, Any],
) -> Staged:
    """Spread the cuts of a plan over years.

    Parameters
    ----------
    plan : CutPlan
        k trees.
    foliage, leaves :
        Of every crown. ``leaves`` may be ``foliage`` itself.
    is_in_zone : bool array or None
        Cells that a cut may touch; see :func:`cells_in_zone`.
    limits : StageLimits
    used : mapping
        Parameters of the operation.
    """
    every = [foliage] if leaves is None or leaves is foliage else [foliage, leaves]
    measures = tuple(_measure(one, plan, is_in_zone) for one in every)
    asked = np.where(plan.is_top, plan.low_ft, plan.high_ft)
    reach = reachable(measures, plan.is_top, asked, limits.floor_ft, used["least_kept_frac"])
    start = np.where(plan.is_top, np.inf, plan.low_ft)
    by_reading = {
        reading: yearly_cuts(
            measures,
            plan.is_top,
            start,
            reach.target_ft,
            limits.yearly_frac,
            reading=reading,
            regrowth_frac=used["regrowth_frac"],
            most_years=used["stage_limit_years"],
        )
        for reading in READINGS
    }
    return Staged(
        plan=plan,
        foliage=foliage,
        leaves=leaves,
        measures=measures,
        whole_ft3=foliage.whole_ft3[plan.row],
        limits=limits,
        asked_frac=np.array([measure.taken_frac(asked) for measure in measures]),
        reach=reach,
        cuts=by_reading[used["foliage_reading"]],
        by_reading=by_reading,
        stays_ft=_stays_ft(foliage, plan, is_in_zone),
    )


def _measure(foliage: Foliage, plan: CutPlan, is_in_zone: Flags | None) -> ShareMeasure:
    """Foliage of the trees that are cut, by what their front takes.

    Of a tree that stands partly outside the zone only what lies inside is taken. Its front is then
    first looked for as if all of it were, which is not far enough, and goes on from there.
    """
    row, is_top, low = plan.row, plan.is_top, plan.low_ft

    def taken(front_ft: Floats) -> Floats:
        if is_in_zone is not None:
            return _taken_in_zone(foliage, plan, front_ft, is_in_zone)
        top = above_frac(foliage, front_ft, tree=row)
        return np.where(is_top, top, between_frac(foliage, low, front_ft, tree=row))

    def front(share_frac: Floats) -> Floats:
        top = cut_height_ft(foliage, share_frac, tree=row)
        return np.where(is_top, top, band_height_ft(foliage, low, share_frac, tree=row))

    return ShareMeasure(taken, front)


def _stays_ft(foliage: Foliage, plan: CutPlan, is_in_zone: Flags | None) -> Floats:
    """The highest of each tree's canopy outside the zone. [ft].

    Of foliage that stands evenly over its crown every part reaches the top.
    """
    if is_in_zone is None:
        return np.zeros(len(plan))
    out = ~is_in_zone
    tree = foliage.cell_tree[out]
    height = np.where(foliage.is_even[tree], foliage.top_ft[tree], foliage.cell_height_ft[out])
    highest = np.zeros(len(foliage))
    np.maximum.at(highest, tree, np.nan_to_num(height))
    return highest[plan.row]


def _taken_in_zone(foliage: Foliage, plan: CutPlan, front_ft: Floats, is_in_zone: Flags) -> Floats:
    """Share of each tree taken from its cells in the zone."""
    low, high = np.zeros(len(foliage)), np.zeros(len(foliage))
    low[plan.row] = np.where(plan.is_top, front_ft, plan.low_ft)
    high[plan.row] = np.where(plan.is_top, np.inf, front_ft)
    share: Floats = part_frac(foliage, low, high, is_in_zone)[plan.row]
    return np.where(np.isnan(front_ft), np.nan, share)


def cells_in_zone(plan: CutPlan, cells: CrownCells, zone: Result | None) -> Flags | None:
    """(k,) cells that a cut may touch; None where that is all cells of every tree that is cut."""
    if zone is None or not any(lot.plan == WINDOW for lot in plan.lots):
        return None
    table = zone["zone"]
    flags = np.ones(len(cells), dtype=bool)
    for number, lot in enumerate(plan.lots):
        if lot.plan != WINDOW:
            continue
        mine = np.isin(cells.crown, plan.row[plan.lot == number])
        shapes = table.geometry.array[(table["lot_id"].astype(str) == lot.lot_id).to_numpy()]
        shape = shapely.union_all(np.asarray(shapes, dtype=object))
        flags[mine] = clearable_cells(cells, shape)[mine]
    return None if flags.all() else flags
