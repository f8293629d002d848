"""Tables of the operation ``stages``."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotrim.core.coverage import Floats
from geotrim.core.foliage import IN_COLUMNS, Foliage, cut_height_ft
from geotrim.core.solids import FORM_FACTORS
from geotrim.core.solids import cut_height_ft as solid_cut_height_ft
from geotrim.core.staging import YearlyCuts, years_later
from geotrim.model import Facts, Result
from geotrim.ops.canopy_cells import CrownCells
from geotrim.ops.foliage_of import foliage_of
from geotrim.ops.stage_cuts import Staged
from geotrim.ops.stage_why import is_reached, whys
from geotrim.ops.tables import plain_table
from geotrim.rules.stages import years_needed

#: The share the table of canopy models is made for. Source: s. 403.9326(1)(b)3 F.S.
QUARTER = 0.25
LOT_COLUMNS = (
    "lot_id", "plan", "n_years", "n_cut_trees", "n_unreachable_trees", "removed_ft3", "reason",
    "canopy_model",
)  # fmt: skip
TREE_COLUMNS = (
    "lot_id", "crown_id", "species", "treatment", "from_ft", "to_ft", "top_height_ft",
    "height_after_ft", "canopy_model", "removed_frac", "leaf_removed_frac", "n_standing_years",
    "n_original_years", "n_years", "share_binds", "is_reachable", "why", "reached_ft",
    "reached_frac", "leaf_reached_frac", "yearly_frac", "floor_ft", "n_canopy_years",
    "n_leaf_years", "share_rule", "share_limit_frac",
)  # fmt: skip
CUT_COLUMNS = (
    "lot_id", "crown_id", "year", "date", "from_ft", "to_ft", "height_after_ft", "removed_ft3",
    "removed_of_standing_frac", "removed_of_original_frac", "leaf_of_standing_frac",
    "standing_frac", "leaf_of_original_frac", "canopy_model",
)  # fmt: skip
QUARTER_COLUMNS = (
    "lot_id", "crown_id", "canopy_model", "is_chosen", "share_frac", "cut_height_ft",
    "cut_depth_ft",
)  # fmt: skip


def lot_table(staged: Staged) -> Any:
    """One row a lot: its years, and how much comes off."""
    plan, cuts = staged.plan, staged.cuts
    removed = np.nansum(cuts.before_frac[0] - cuts.after_frac[0], axis=0) * staged.whole_ft3
    missed = ~is_reached(staged)
    rows = []
    for number, lot in enumerate(plan.lots):
        mine = plan.lot == number
        rows.append(
            {
                "lot_id": lot.lot_id,
                "plan": lot.plan,
                "n_years": int(cuts.n_years[mine].max(initial=0)),
                "n_cut_trees": int((cuts.n_years[mine] > 0).sum()),
                "n_unreachable_trees": int(missed[mine].sum()),
                "removed_ft3": float(removed[mine][cuts.n_years[mine] > 0].sum()),
                "reason": lot.reason,
                "canopy_model": staged.foliage.model,
            }
        )
    return plain_table(rows, LOT_COLUMNS)


def tree_table(staged: Staged, crowns: Any, used: Mapping[str, Any]) -> Any:
    """One row a tree: what is to be taken, over how many years under each reading, and why not."""
    plan, cuts, limits = staged.plan, staged.cuts, staged.limits
    if not len(plan):
        return plain_table([], TREE_COLUMNS)
    reached = _reached(staged)
    leaf = staged.leaf_measure
    unknown = np.full(len(plan), np.nan)
    reading = used["foliage_reading"]
    names = crowns["species"] if "species" in crowns.columns else pd.Series([None] * len(crowns))
    has_cut = cuts.n_years > 0
    by_leaf = unknown if leaf is None else reached[leaf]
    table = {
        **_of_tree(staged, crowns),
        "species": names.to_numpy(dtype=object)[plan.row],
        "treatment": plan.treatment,
        "from_ft": plan.low_ft,
        "to_ft": np.where(plan.is_top, np.nan, plan.high_ft),
        "top_height_ft": plan.top_ft,
        "height_after_ft": np.where(
            plan.is_top & has_cut, np.fmax(cuts.last_front_ft, staged.stays_ft), plan.top_ft
        ),
        "canopy_model": staged.foliage.model,
        "removed_frac": staged.asked_frac[0],
        "leaf_removed_frac": unknown if leaf is None else staged.asked_frac[leaf],
        "n_standing_years": _years(staged.by_reading["standing-each-year"]),
        "n_original_years": _years(staged.by_reading["original"]),
        "n_years": cuts.n_years,
        "share_binds": limits.binds,
        "is_reachable": is_reached(staged),
        "why": whys(staged, used),
        "reached_ft": cuts.last_front_ft,
        "reached_frac": reached[0],
        "leaf_reached_frac": by_leaf,
        "yearly_frac": limits.yearly_frac,
        "floor_ft": np.where(plan.is_top, limits.floor_ft, np.nan),
        "n_canopy_years": _alone(reached[0], limits.yearly_frac, reading),
        "n_leaf_years": _alone(by_leaf, limits.yearly_frac, reading),
        "share_rule": ["" if rule is None else rule.id for rule in limits.rule],
        "share_limit_frac": limits.most_frac,
    }
    return plain_table(pd.DataFrame(table), TREE_COLUMNS)


def cut_table(staged: Staged, crowns: Any, facts: Facts, used: Mapping[str, Any]) -> Any:
    """One row a tree and year: what is cleared, how much that is, what stands afterwards."""
    plan, cuts = staged.plan, staged.cuts
    tree, year = np.nonzero(np.isfinite(cuts.front_ft).T)
    if not tree.size:
        return plain_table([], CUT_COLUMNS).astype({"year": "int64"})
    front = cuts.front_ft[year, tree]
    before, after = cuts.before_frac[:, year, tree], cuts.after_frac[:, year, tree]
    leaf, taken = staged.leaf_measure, before - after
    unknown = np.full(tree.size, np.nan)
    # what grew back lies anywhere in the band that was cleared before
    is_anew = (year == 0) | (used["regrowth_frac"] > 0.0)
    cleared = cuts.front_ft[np.maximum(year - 1, 0), tree]
    own = _of_tree(staged, crowns)
    is_top = plan.is_top[tree]
    band_from = np.where(is_anew, plan.low_ft[tree], cleared)
    table = {
        **{name: np.asarray(values, dtype=object)[tree] for name, values in own.items()},
        "year": year + 1,
        "date": _dates(staged, facts, tree, year),
        "from_ft": np.where(is_top, front, band_from),
        "to_ft": np.where(is_top, np.nan, front),
        "height_after_ft": np.where(
            is_top, np.maximum(front, staged.stays_ft[tree]), plan.top_ft[tree]
        ),
        "removed_ft3": taken[0] * staged.whole_ft3[tree],
        "removed_of_standing_frac": taken[0] / before[0],
        "removed_of_original_frac": taken[0],
        "leaf_of_standing_frac": unknown if leaf is None else taken[leaf] / before[leaf],
        "standing_frac": after[0],
        "leaf_of_original_frac": unknown if leaf is None else taken[leaf],
        "canopy_model": staged.foliage.model,
    }
    return plain_table(pd.DataFrame(table), CUT_COLUMNS)


def quarter_table(
    staged: Staged,
    crowns: Any,
    cells: CrownCells,
    profiles: Any,
    heights: Result | None,
    tops_ft: Floats,
    used: Mapping[str, Any],
) -> Any:
    """How deep a level cut of a quarter of the foliage is, under every canopy model.

    Notes
    -----
    Solids stand between the base of each tree's foliage, as the columns have it (the substrate
    where nobody knows it under ``column``), and its top.
    """
    plan, chosen = staged.plan, staged.foliage
    if not len(plan):
        return plain_table([], QUARTER_COLUMNS)
    columns = chosen
    if chosen.model not in IN_COLUMNS:
        in_columns = {**used, "canopy_model": IN_COLUMNS[0]}
        columns, _ = foliage_of(crowns, cells, profiles, in_columns, heights, tops_ft=tops_ft)
    heights_ft = {columns.model: _quarter(columns, staged)}
    base = columns.base_ft[plan.row]
    for solid in FORM_FACTORS:
        heights_ft[solid] = solid_cut_height_ft(solid, base, plan.top_ft, QUARTER)
    if staged.leaves is not None:
        heights_ft[staged.leaves.model] = _quarter(staged.leaves, staged)
    if chosen.model in FORM_FACTORS:
        heights_ft[chosen.model] = _quarter(chosen, staged)
    parts = []
    for model, cut in heights_ft.items():
        parts.append(
            pd.DataFrame(
                {
                    **_of_tree(staged, crowns),
                    "canopy_model": model,
                    "is_chosen": model == chosen.model,
                    "share_frac": QUARTER,
                    "cut_height_ft": cut,
                    "cut_depth_ft": plan.top_ft - cut,
                    "at": np.arange(len(plan)),
                }
            )
        )
    table = pd.concat(parts, ignore_index=True).sort_values("at", kind="stable")
    is_unknown = table["canopy_model"].eq("profile") & table["cut_height_ft"].isna()
    table = table[~(is_unknown & ~table["is_chosen"])]
    return plain_table(table.reset_index(drop=True), QUARTER_COLUMNS)


def _quarter(foliage: Foliage, staged: Staged) -> Floats:
    """Level cut of a quarter. [ft]."""
    row = staged.plan.row
    return cut_height_ft(foliage, np.full(row.size, QUARTER), tree=row)


def _of_tree(staged: Staged, crowns: Any) -> dict[str, Any]:
    """Lot and id of each tree."""
    lots = np.array([lot.lot_id for lot in staged.plan.lots], dtype=object)
    ids = crowns["crown_id"].to_numpy(dtype=object)
    return {"lot_id": lots[staged.plan.lot], "crown_id": ids[staged.plan.row]}


def _reached(staged: Staged) -> Floats:
    """(m, k) share of the original foliage that is gone after the last cut, by each measure."""
    front = staged.cuts.last_front_ft
    has_cut = staged.cuts.n_years > 0
    gone = np.array([measure.taken_frac(front) for measure in staged.measures])
    nothing = np.where(staged.cuts.is_known, 0.0, np.nan)
    return np.where(has_cut, gone, nothing)


def _years(cuts: YearlyCuts) -> Any:
    """Years until the cut is done; missing where it never is."""
    years = [int(n) if done else None for n, done in zip(cuts.n_years, cuts.is_done, strict=True)]
    return pd.array(years, dtype="Int64")


def _alone(share_frac: Floats, yearly_frac: Floats, reading: str) -> Any:
    """Years that one measure would need by itself, without regrowth; missing where unknown."""
    years = np.where(np.isnan(share_frac), np.nan, (share_frac > 0.0).astype(np.float64))
    for share in np.unique(yearly_frac[yearly_frac < 1.0]):
        mine = yearly_frac == share
        years[mine] = years_needed(share_frac[mine], float(share), reading)
    return pd.array([None if np.isnan(y) else int(y) for y in years], dtype="Int64")


def _dates(staged: Staged, facts: Facts, tree: Any, year: Any) -> npt.NDArray[np.object_]:
    """Earliest day of each cut, None where nobody knows when the work starts."""
    starts: list[datetime.date | None] = []
    for lot in staged.plan.lots:
        known = facts.everywhere if lot.lot_id is None else facts.of(lot.lot_id)
        starts.append(known.get("start_date"))
    out = np.full(len(tree), None, dtype=object)
    for k, (number, n) in enumerate(zip(staged.plan.lot[tree], year, strict=True)):
        start = starts[number]
        if start is not None:
            out[k] = years_later(start, int(n)).isoformat()
    return out
