"""A cut held against its plan: what became of each tree, which limits are met, what comes next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from geotrim.core.cut_found import FoliageCurve, Strip, Taken, taken
from geotrim.model import Note, Result
from geotrim.ops.after_before import Before, before_words, with_before
from geotrim.ops.after_days import day_findings
from geotrim.ops.after_limits import COLUMNS, AfterRules, findings_after, plan_share
from geotrim.ops.after_lot import lot_share_rows
from geotrim.ops.after_next import lot_dates, next_day
from geotrim.ops.after_seen import rest_of, with_seen
from geotrim.ops.after_state import TO_DO, became, fell, has_band, is_thinned
from geotrim.ops.after_trees import (
    LEAVE,
    RASTER,
    curves_of,
    cuts_of,
    trees_of,
    with_found,
)
from geotrim.ops.consequences import consequence_row
from geotrim.ops.package_rules import EARLIER
from geotrim.ops.stage_plan import CLEAR_BAND
from geotrim.ops.tables import plain_table
from geotrim.rules.consequence import Counts, fewest_and_most, floor_limit
from geotrim.rules.rule_set import RuleSet
from geotrim.rules.verdict import MET, NOT_MET

TREE_COLUMNS = (
    "lot_id", "crown_id", "species", "is_mangrove", "station_ft", "is_in_window", "treatment",
    "state", "state_words", "before_ft", "before_error_ft", "before_by", "planned_height_ft",
    "planned_cut_ft", "planned_from_ft", "planned_to_ft", "planned_removed_frac", "found_by",
    "found_ft", "found_error_ft", "cleared_from_ft", "cleared_to_ft", "removed_frac",
    "removed_error_frac",
    "removed_least_frac", "removed_by", "is_done", "is_cut", "is_to_do", "cut_on", "later_year",
    "next_from", "reader", "note", "is_in_part", "standing_frac", "seen_frac", "seen_error_frac",
    "rest_low_ft", "rest_high_ft", "is_before_known", "mark_low_ft", "mark_high_ft",
)  # fmt: skip
LOT_COLUMNS = (
    "lot_id", "year", "way", "is_way_assumed", "n_trees", "n_planned", "n_read", "n_to_do",
    "next_year", "next_from", "next_words",
)  # fmt: skip
#: Standard error of a height by stick that tells none: the default of the parameter of that name of
#: ``risks``. [ft]
STICK_FT = 0.2
#: A tree without foliage left; shares this near 1 are all of it.
ALL = 1.0 - 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class AfterGiven:
    """What a lot is judged by after a cut.

    limits : rules, by :func:`geotrim.ops.after_limits.after_rules`.
    rules : every rule in force.
    way : route that the plan takes; is_way_assumed : for want of one.
    canopy_model : of the plan.
    stick_error_ft : standard error of a reading that tells none. [ft]
    share_reading : what the share of a lot's mangroves is counted by.
    """

    limits: AfterRules
    rules: RuleSet
    way: str
    is_way_assumed: bool
    canopy_model: str
    confidence_frac: float
    stick_error_ft: float = STICK_FT
    share_reading: str = "trees"


def after_cut(
    tables: Mapping[str, Any],
    lot_id: str,
    year: int,
    given: AfterGiven,
    *,
    readings: Any = None,
    raster: Any = None,
    cut_date: str | None = None,
    before: Before | None = None,
    marks: Mapping[str, tuple[float, float]] | None = None,
) -> Result:
    """One lot after one year's cut.

    Parameters
    ----------
    tables : mapping
        Layers of the package.
    lot_id : str
    year : int
        Year of the plan, from 1.
    given : AfterGiven
    readings, raster : DataFrame, optional
        As for :func:`geotrim.ops.after_trees.with_found`.
    cut_date : str, optional
        Day of the cut of trees whose reading tells none, ISO text.
    before : Before, optional
        What was read of the trees before this year's cut, and when they were cut last. After an
        earlier year's cut a height that nobody read is not known, whatever the plan has.
    marks : mapping, optional
        Tree -> this year's marks as the crew has them: low side and, of a band, high side, NaN of a
        top. [ft]

    Returns
    -------
    Result
        ``after_trees``: a row a tree. ``is_cut`` is 1, 0 or NaN where it cannot be told;
        ``removed_frac`` is of what stood before this year's cut, ``removed_least_frac`` what is
        known of it at least where the whole is not. ``after_findings``: a row a rule and tree
        that was cut or may have been. ``after_consequence``: the trigger for restoration, with the
        fewest and the most trees cut low that the errors allow. ``after_lots``: one row.
    """
    before = Before() if before is None else before
    cuts = cuts_of(tables, lot_id)
    trees, earlier = with_before(trees_of(tables, lot_id, year), cuts, year, before)
    readings, n_unstated = _with_error(readings, given.stick_error_ft)
    trees, contradicted = with_found(trees, readings, raster, given.confidence_frac)
    if cut_date is not None:
        trees["cut_on"] = [cut_date if day is None else day for day in trees["cut_on"]]
    curves = curves_of(tables, lot_id)
    trees = with_seen(_with_marks(trees, marks), curves, cuts, earlier, year, given.canopy_model)
    trees = _with_state(trees, earlier, given)
    trees = _with_removed(trees, curves, earlier, given)
    trees = _with_rest(trees, curves, earlier, _limit_fracs(tables, lot_id), given)
    findings = list(findings_after(trees, _plan_shares(tables, lot_id, given), given.limits))
    findings += day_findings(trees, before.cuts, given.limits)
    findings += lot_share_rows(
        tables, trees, cuts, year, given.way, given.rules, given.share_reading
    )
    trees["next_from"] = pd.Series(
        [next_day(tree) for tree in trees.to_dict("records")], dtype=object
    )
    consequence = _consequence(trees, given)
    notes = _notes(trees, contradicted, curves, year, lot_id, given, n_unstated)
    made = {
        "after_trees": plain_table(_told(trees), TREE_COLUMNS),
        "after_findings": plain_table(findings, COLUMNS),
        "after_consequence": pd.DataFrame([consequence]),
        "after_lots": plain_table([_lot_row(trees, lot_id, year, given)], LOT_COLUMNS),
    }
    return Result("after-cut", made, tuple(notes), {"confidence_frac": given.confidence_frac})


def _with_error(readings: Any, stick_error_ft: float) -> tuple[Any, int]:
    """Readings with the usual error where they tell none, and how many those are."""
    if readings is None or not len(readings):
        return readings, 0
    has_read = readings["height_ft"].notna() | readings["cleared_to_ft"].notna()
    lacks = has_read & readings["height_error_ft"].isna()
    errors = readings["height_error_ft"].astype(float).mask(lacks, stick_error_ft)
    return readings.assign(height_error_ft=errors), int(lacks.sum())


def _with_marks(trees: Any, marks: Mapping[str, tuple[float, float]] | None) -> Any:
    nothing = (np.nan, np.nan)
    told = [(marks or {}).get(tree, nothing) for tree in trees["crown_id"]]
    return trees.assign(
        mark_low_ft=[low for low, _ in told], mark_high_ft=[high for _, high in told]
    )


def _with_rest(
    trees: Any,
    curves: Mapping[str, FoliageCurve],
    earlier: Mapping[str, list[Strip]],
    limits: Mapping[str, float],
    given: AfterGiven,
) -> Any:
    """What may still be asked for of each tree of which something is to be done."""
    rows = []
    for tree in trees.to_dict("records"):
        name, rest = tree["crown_id"], (np.nan, np.nan)
        if tree["is_to_do"]:
            limit = limits.get(name, np.nan)
            if given.limits.is_of_original:
                limit /= tree["standing_frac"]
            rest = rest_of(tree, curves.get(name), earlier[name], limit)
        rows.append(rest)
    return trees.assign(rest_low_ft=[a for a, _ in rows], rest_high_ft=[b for _, b in rows])


def _limit_fracs(tables: Mapping[str, Any], lot_id: str) -> dict[str, float]:
    """Tree -> most of it that the plan may take in a year."""
    rows = tables.get("stage_trees")
    if rows is None or not len(rows):
        return {}
    name = "share_limit_frac" if "share_limit_frac" in rows.columns else "yearly_frac"
    mine = rows[rows["lot_id"].isna() | (rows["lot_id"].astype(str) == lot_id)]
    return dict(zip(mine["crown_id"].astype(str), mine[name].astype(float), strict=True))


def _with_state(trees: Any, earlier: Mapping[str, list[Strip]], given: AfterGiven) -> Any:
    rows = trees.to_dict("records")
    floor_ft = given.limits.floor_ft
    found = [
        became(tree, given.confidence_frac, earlier[tree["crown_id"]], floor_ft) for tree in rows
    ]
    cut = np.array([one.is_cut for one in found], dtype=np.float64)
    days = [
        day if is_cut != 0.0 else None for day, is_cut in zip(trees["cut_on"], cut, strict=True)
    ]
    return trees.assign(
        state=[one.state for one in found],
        state_words=[one.words for one in found],
        is_cut=cut,
        cut_on=pd.Series(days, dtype=object),
        is_to_do=[one.state in TO_DO for one in found],
    )


def _with_removed(
    trees: Any,
    curves: Mapping[str, FoliageCurve],
    earlier: Mapping[str, list[Strip]],
    given: AfterGiven,
) -> Any:
    """Share of what stood that was taken off each tree."""
    whole, least, by = [], [], []
    for tree in trees.to_dict("records"):
        value, is_whole, how = _removed(tree, curves.get(tree["crown_id"]), earlier, given)
        nothing = Taken(np.nan, np.nan)
        whole.append(value if is_whole else nothing)
        least.append(nothing if is_whole else value)
        by.append(how)
    return trees.assign(
        removed_frac=[one.share_frac for one in whole],
        removed_error_frac=[one.error_frac for one in whole],
        removed_least_frac=[one.share_frac for one in least],
        removed_least_error_frac=[one.error_frac for one in least],
        removed_by=by,
    )


def _removed(
    tree: Mapping[str, Any],
    curve: FoliageCurve | None,
    earlier: Mapping[str, list[Strip]],
    given: AfterGiven,
) -> tuple[Taken, bool, str]:
    """What was taken, whether that is all of it, and by what it was found."""
    gone = earlier[tree["crown_id"]]
    has_top, has_cleared = bool(np.isfinite(tree["found_ft"])), has_band(tree)
    is_blind = tree["treatment"] == CLEAR_BAND and not has_cleared and tree["is_done"] is not False
    if not tree["is_before_known"]:
        return Taken(np.nan, np.nan), False, ""
    is_volume = tree["found_by"] == RASTER and not has_cleared
    is_lost = fell(tree, given.confidence_frac) != 1.0 and is_thinned(tree, given.confidence_frac)
    if np.isfinite(tree["seen_frac"]) and (is_volume or is_lost):
        value = Taken(tree["seen_frac"], tree["seen_error_frac"])
        return value, not is_blind and not has_cleared, "volumes"
    if curve is None or not (has_top or has_cleared):
        return Taken(np.nan, np.nan), False, ""
    is_uncut = tree["is_cut"] == 0.0  # then its top tells all of it
    is_band = tree["treatment"] == CLEAR_BAND
    is_part = tree["is_in_part"] and (is_band or tree["found_ft"] >= tree["planned_cut_ft"])
    is_part = is_part and not is_uncut
    if is_part and not (is_band and has_top):
        return Taken(np.nan, np.nan), False, ""
    band = (np.nan, np.nan) if is_part else (tree["cleared_from_ft"], tree["cleared_to_ft"])
    value = taken(
        curve,
        top_ft=tree["found_ft"],
        band_ft=band,
        stood_to_ft=tree["top_ft"] if np.isfinite(tree["top_ft"]) else np.inf,
        earlier=gone,
        rise_ft=tree["rise_ft"],
        earlier_error_ft=tree["gone_error_ft"],
        before_error_ft=tree["before_error_ft" if tree["rise_ft"] > 0.0 else "top_error_ft"],
        top_error_ft=tree["found_error_ft"],
        band_error_ft=tree["band_error_ft"],
    )
    return value, has_top and not is_blind and not is_part, "heights"


def _plan_shares(tables: Mapping[str, Any], lot_id: str, given: AfterGiven) -> dict[str, Any]:
    """The plan's own share of a year, where it is stricter than its rule."""
    rows = tables.get("stage_trees")
    out: dict[str, Any] = {}
    if rows is None or not len(rows):
        return out
    for row in rows.to_dict("records"):
        if str(row["lot_id"]) == lot_id or pd.isna(row["lot_id"]):
            rule = given.rules.rules.get(str(row["share_rule"]))
            own = plan_share(float(row["yearly_frac"]), rule)
            if own is not None:
                out[str(row["crown_id"])] = own
    return out


def _consequence(trees: Any, given: AfterGiven) -> dict[str, Any]:
    """The trigger for restoration, by what was found."""
    mangrove = trees["is_mangrove"].to_numpy(float)
    cut = trees["is_cut"].to_numpy(float)
    trimmed = np.where(np.isnan(mangrove) & (cut == 1.0), np.nan, cut)
    low = _is_low(trees, given)
    counts = fewest_and_most(trimmed, low)
    may = (trimmed != 0.0) & (low != 0.0)
    area = float(np.nansum(trees["crown_area_ft2"].to_numpy(float)[may]))
    lot_id = str(trees["lot_id"].iloc[0]) if len(trees) else None
    row = consequence_row(lot_id, "after the cut", counts, area, given.rules)
    sure = (trimmed == 1.0) & (low == 1.0)
    row["n_trimmed"] = int((trimmed == 1.0).sum())
    row["n_cut_low"], row["n_uncertain_trees"] = int(sure.sum()), _n_unsure(trimmed, low)
    row["fewest"], row["most"] = (_of(one) for one in counts)
    return row


def _is_low(trees: Any, given: AfterGiven) -> Any:
    """1 where a tree stands under the act's floor or bare, 0 where not, NaN where unknown.

    Under paragraphs (c) and (d) a tree cut under the floor does not count, but a bare one does.
    """
    floor = floor_limit(given.rules.rules)
    found, error = (trees[name].to_numpy(float) for name in ("found_ft", "found_error_ft"))
    code = floor.judge(found, error, given.confidence_frac)
    low = np.select([code == NOT_MET, code == MET], [1.0, 0.0], np.nan)
    if given.way in EARLIER:
        low = np.zeros_like(low)
    is_gone = (trees["removed_frac"] >= ALL) | (trees["removed_least_frac"] >= ALL)
    bare = is_gone.to_numpy(bool) | (found <= trees["base_ft"].to_numpy(float)) | (found <= 0.0)
    return np.where(bare, 1.0, low)


def _n_unsure(trimmed: Any, low: Any) -> int:
    """Trees that may count as trimmed, or as cut low, or not."""
    is_open = np.isnan(trimmed) | ((trimmed == 1.0) & np.isnan(low))
    return int(is_open.sum())


def _of(one: Counts) -> str:
    return f"{one.n_cut_low} of {one.n_trimmed}"


def _lot_row(trees: Any, lot_id: str, year: int, given: AfterGiven) -> dict[str, Any]:
    day, words = lot_dates(trees)
    later = trees["later_year"][trees["later_year"] > 0]
    has_read = trees["found_ft"].notna() | trees["cleared_to_ft"].notna()
    return {
        "lot_id": lot_id,
        "year": year,
        "way": given.way,
        "is_way_assumed": given.is_way_assumed,
        "n_trees": len(trees),
        "n_planned": int((trees["treatment"] != LEAVE).sum()),
        "n_read": int(has_read.sum()),
        "n_to_do": int(trees["is_to_do"].sum()),
        "next_year": int(later.min()) if len(later) else 0,
        "next_from": day,
        "next_words": words,
    }


def _told(trees: Any) -> Any:
    flags = {1.0: True, 0.0: False}
    return trees.assign(
        **{
            name: pd.array([flags.get(value) for value in trees[name]], dtype="boolean")
            for name in ("is_mangrove", "is_cut")
        }
    )


def _notes(
    trees: Any,
    contradicted: list[tuple[str, float, float]],
    curves: Mapping[str, FoliageCurve],
    year: int,
    lot_id: str,
    given: AfterGiven,
    n_unstated: int,
) -> list[Note]:
    """What was taken for granted, and what could not be told."""
    about, notes = f"lot {lot_id}", []
    if contradicted:
        told = ", ".join(f"{tree} ({a:.1f} and {b:.1f} ft)" for tree, a, b in contradicted[:8])
        more = f" and {len(contradicted) - 8} more" if len(contradicted) > 8 else ""
        text = f"stick and raster differ by more than their errors: {told}{more}; the stick counts"
        notes.append(Note(about, text, "assumed"))
    if not curves:
        text = "the package has no foliage curves, so no foliage removed is told; run it again"
        notes.append(Note(about, text, "missing"))
    notes += [Note(about, text, level) for text, level in before_words(trees, year)]
    if n_unstated:
        text = (
            f"readings without a standard error: {n_unstated}; {given.stick_error_ft:g} ft is "
            "taken, as the plan does for a stick"
        )
        notes.append(Note(about, text, "assumed"))
    has_read = trees["found_ft"].notna() | trees["cleared_to_ft"].notna()
    is_open = trees["is_in_part"] & (trees["is_cut"] != 0.0) & trees["removed_frac"].isna()
    in_part = trees[has_read & is_open]["crown_id"]
    if len(in_part):
        told = ", ".join(in_part[:8]) + (" ..." if len(in_part) > 8 else "")
        text = (
            f"cut in a part of the crown only, so a stick cannot tell what share was taken: {told}"
        )
        notes.append(Note(about, text, "missing"))
    if given.is_way_assumed:
        text = f"no way to an authorisation in the package; judged as {given.way}"
        notes.append(Note(about, text, "assumed"))
    return notes
