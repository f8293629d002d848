"""Operation ``risks``: how often the staged plan would break its limits, heights drawn anew."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from geotrim.core.risk_draws import draw_errors, only_marks
from geotrim.model import Facts, HeightSource, Note, Result
from geotrim.ops.canopy_cells import crown_cells
from geotrim.ops.catalogue_window import RISKS
from geotrim.ops.foliage_of import foliage_of
from geotrim.ops.judged_tops import judged_tops_ft
from geotrim.ops.risk_limits import Broken, broken_limits
from geotrim.ops.risk_tables import by_tree, lot_rows, risk_tables, tree_rows
from geotrim.ops.risk_trees import Stakes, stakes_of
from geotrim.rules.rule_file import RuleFile
from geotrim.rules.rule_set import rule_set

#: What errors with mean 0 leave out.
NO_BIAS = (
    "errors are drawn with mean 0, each tree by itself; a bias that all heights share is not drawn "
    "(ground under mangroves reads high, so heights read low): calibrate finds it from stick "
    "readings"
)


def risks(
    crowns: Any,
    heights: HeightSource,
    *,
    route: Result,
    stages: Result,
    heights_result: Result | None = None,
    fringe: Result | None = None,
    calibrate: Result | None = None,
    window: Result | None = None,
    profiles: Any = None,
    facts: Facts | None = None,
    overlays: Iterable[RuleFile] = (),
    band_ft: Iterable[float] = (6.0, 10.0),
    canopy_model: str = "column",
    crown_base_ft: float | None = None,
    crown_base_frac: float | None = None,
    n_draws: int = 400,
    draw_seed: int = 20261126,
    stick_error_ft: float = 0.2,
    risk_frac: float = 0.05,
    unstated_height_error_ft: float = 1.46,
    share_from_ft: float = 0.0,
    foliage_reading: str = "standing-each-year",
) -> Result:
    """Hold the plan against heights drawn anew: which limits break, how often, at which trees.

    Parameters
    ----------
    crowns, heights :
        As :class:`geotrim.model.Site` holds them.
    route, stages : Result
        Of those operations: trees with their errors and ways, and the cuts year by year.
    heights_result, fringe, calibrate, window : Result, optional
        Of those operations; the fringe says which trees a cap counts, the window whose limits its
        cuts keep.
    profiles, facts, overlays :
        As in a site.
    band_ft ... foliage_reading :
        See the operation's parameters.

    Returns
    -------
    Result
        ``risk_limits``, one row a lot and limit, the last for any of them; ``risk_trees``, one row
        for each tree and limit that breaks in some draw, and one without a limit for each other
        tree that is cut.

    Notes
    -----
    In a draw every tree is higher or lower by a normal error of its own, and every mark the crew
    cuts to is held a normal error off. The plan stays as it is, and every limit is looked at with
    the true heights: the height before, the floor after, the share of each year, and where the way
    counts trees over a height, the cap. Species, outlines and lines are not drawn.

    All is done once more with heights as they were read, so that only the marks are off: a tree
    that breaks a limit as often then gains nothing by a stick reading, and another plan is told.
    """
    names = {param.name for param in RISKS.params}
    used: dict[str, Any] = RISKS.check({k: v for k, v in locals().items() if k in names})
    asked = {**used, "quarter_reading": route.parameters.get("quarter_reading")}
    stakes = stakes_of(
        crowns, stages, route, window, fringe, facts or Facts(), rule_set(overlays), asked
    )
    if not len(stakes):
        note = Note("risks", "nothing is cut, so no limit is held against its error", "info")
        return Result("risks", risk_tables([], []), (note,), used)
    correction = _parameter(heights_result, "height_correction", "none")
    coverage = float(_parameter(heights_result, "min_coverage_frac", 0.01))
    cells, _ = crown_cells(crowns, heights, calibrate, correction, min_coverage_frac=coverage)
    tops = judged_tops_ft(crowns, route)
    foliage, _ = foliage_of(crowns, cells, profiles, used, heights_result, tops_ft=tops)
    draws = draw_errors(stakes.error_ft, used["stick_error_ft"], used["n_draws"], used["draw_seed"])
    regrowth = float(stages.parameters.get("regrowth_frac", 0.0))
    broken = broken_limits(stakes, foliage, draws, used["draw_seed"], regrowth)
    marks = by_tree(broken_limits(stakes, foliage, only_marks(draws), None, regrowth))
    trees = tree_rows(stakes, broken, marks, used)
    found = risk_tables(lot_rows(stakes, broken, used), trees)
    notes = [*_notes(stakes, broken, stages.parameters, used), *_plan_notes(trees, used)]
    return Result("risks", found, tuple(notes), used)


def _notes(
    stakes: Stakes, broken: list[Broken], staged: Mapping[str, Any], used: Mapping[str, Any]
) -> list[Note]:
    """How the draws were made, and what was not looked at."""
    text = (
        f"{used['n_draws']} draws from seed {used['draw_seed']}: heights by their error, each tree "
        f"by itself, marks by {used['stick_error_ft']:g} ft; canopy model {used['canopy_model']}"
    )
    notes = [Note("risks", text, "info"), Note("risks", NO_BIAS, "assumed")]
    if stakes.is_assumed_error.any():
        n = int(stakes.is_assumed_error.sum())
        text = (
            f"{n} {'tree' if n == 1 else 'trees'} without a stated error of the height: "
            f"{used['unstated_height_error_ft']:g} ft is taken"
        )
        notes.append(Note("risks", text, "assumed"))
    if staged.get("regrowth_frac", 0.0) > 0.0:
        text = "with regrowth the share of a year is not drawn; heights and floors are"
        notes.append(Note("risks", text, "missing"))
    elif any(np.isnan(one.share_high_frac).all() for one in broken if one.is_share):
        text = "foliage of some trees is unknown, so their yearly share is not drawn"
        notes.append(Note("risks", text, "missing"))
    return notes


def _plan_notes(trees: list[dict[str, Any]], used: Mapping[str, Any]) -> list[Note]:
    """Trees that break a limit too often where no stick reading mends it."""
    often = {
        str(row["crown_id"]): None
        for row in trees
        if row["broken_frac"] > used["risk_frac"] and not row["is_stick_first"]
    }
    if not often:
        return []
    ids = list(often)
    shown = ", ".join(ids[:5]) + (", ..." if len(ids) > 5 else "")
    text = (
        f"{len(ids)} {'tree' if len(ids) == 1 else 'trees'} ({shown}): a limit breaks in more than "
        f"{100 * used['risk_frac']:g} % of the draws, and about as often by the marks alone, so a "
        "stick reading does not mend it; the table says what does"
    )
    return [Note("risks", text, "info")]


def _parameter(result: Result | None, name: str, default: Any) -> Any:
    return default if result is None else result.parameters.get(name, default)
