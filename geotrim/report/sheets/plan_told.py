"""Which plan a set draws, by which the ways were judged, and how the two differ."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from geotrim.io.package_read import Package
from geotrim.report.cut_marks import heights_after
from geotrim.report.sheets.lot_read import records, tree_outcomes
from geotrim.report.statement_lot import number
from geotrim.report.statement_parts import count
from geotrim.report.window_facts import Plan, plan_of
from geotrim.rules.outcome import DEPENDS, LEFT_ALONE, OPEN, UNCUT
from geotrim.rules.species import is_mangrove

#: Row of ``risk_limits`` that counts draws in which any of the limits is broken.
ANY_LIMIT = "any limit"


@dataclass(frozen=True, slots=True)
class ToldPlan:
    """Words of a lot's plan.

    drawn : which plan is drawn and scheduled.
    judged : by which the ways are judged, and how it differs.
    standing : that no way is open for what is drawn, or not for all of it; "" where one is.
    short : the same in a few words, for the head of a drawing.
    """

    drawn: str
    judged: str
    standing: str = ""
    short: str = ""


def told_of_plan(package: Package, lot_id: str) -> ToldPlan | None:
    """What is told of a lot's plan, None where nothing is cut.

    Parameters
    ----------
    package : Package
    lot_id : str
    """
    plan = plan_of(package.results, lot_id)
    if plan is None or not plan.cuts:
        return None
    trees = tree_outcomes(package, lot_id)
    n = count(len(plan.cuts), "tree")
    over = f" over {count(max(plan.years), 'year')}" if any(plan.years) else ""
    if plan.is_window:
        drawn = f"Drawn and scheduled is the window: {n}{over}."
        judged = "" if not trees else (
            "Ways, caps, stages and notices were judged by the planned heights, another plan; the "
            "window has limits of its own, told with the findings."
        )  # fmt: skip
        return ToldPlan(drawn, judged, *_broken(package, lot_id))
    ends = _ends(package, lot_id)
    drawn = f"Drawn and scheduled are the planned heights as far as stages reach them: {n}{over}"
    drawn += f", tops to {ends}; no window is planned."
    judged = f"Ways, caps, stages and notices were judged by the planned heights{_asked(trees)}."
    return ToldPlan(drawn, judged if trees else "", *_standing(plan, trees))


def risk_words(package: Package, lot_id: str) -> str:
    """In how many draws of heights and marks the plan breaks a limit, "" where none were made."""
    rows = records(package, "risk_limits", lot_id)
    every = next((one for one in rows if one["limit"] == ANY_LIMIT), None)
    if every is None or not every["n_draws"] > 0:
        return ""
    n, broken = int(every["n_draws"]), int(every["n_broken_draws"])
    return (
        f"with the errors of heights and of the stick, {broken} of {n} draws of the plan that is "
        "drawn break a limit or more; see the findings of the window and its risks."
    )


def _broken(package: Package, lot_id: str) -> tuple[str, str]:
    """That a window breaks limits of its own."""
    limits = records(package, "window_limits", lot_id)
    n = sum(one["standing"] == "broken" for one in limits)
    if not n:
        return "", ""
    told = f"The window that is drawn breaks {count(n, 'limit')}: see the findings of the window."
    return told, f"breaks {count(n, 'limit')}"


def _standing(plan: Plan, trees: list[dict[str, Any]]) -> tuple[str, str]:
    """For how many of the trees that are drawn cut a way is open."""
    mine = [
        tree for tree in trees
        if str(tree["crown_id"]) in plan.cuts and is_mangrove(tree["species"]) is not False
    ]  # fmt: skip
    if not mine:
        return "", ""
    n_open = sum(tree["outcome_standing"] == OPEN for tree in mine)
    n_may = sum(tree["outcome_standing"] == DEPENDS for tree in mine)
    hangs = f"; for {n_may} it hangs on what is not known" if n_may else ""
    if n_open == len(mine):
        return "", ""
    whom = count(len(mine), "mangrove")
    none_of = f"any of the {whom}" if len(mine) > 1 else "the one mangrove that is cut"
    if n_open:
        told = f"A way is open for {n_open} of the {whom} that are drawn cut, as judged{hangs}."
        return told, f"a way is open for {n_open} of {len(mine)}"
    told = f"No way is open for what is drawn: not for {none_of}, as judged{hangs}."
    return told, "no way is open for what is drawn"


def _ends(package: Package, lot_id: str) -> str:
    """How tall the lowered trees stand in the end."""
    heights = [one for one in heights_after(package.results, lot_id).values() if one.is_mark]
    heights.sort(key=lambda one: one.ft)
    first, last = heights[0].words if heights else "", heights[-1].words if heights else ""
    return f"{first} ft" if first == last else f"{first} to {last} ft"


def _asked(trees: list[dict[str, Any]]) -> str:
    """What the heights ask that were judged."""
    mine: list[Mapping[str, Any]] = [
        tree for tree in trees
        if is_mangrove(tree["species"]) is not False
        and tree["outcome_standing"] != UNCUT and tree["outcome_route"] != LEFT_ALONE
    ]  # fmt: skip
    asked = sorted(h for t in mine if not math.isnan(h := number(t["target_height_ft"])))
    if not asked:
        return ""
    to = f"{asked[0]:.1f} ft" if asked[0] == asked[-1] else f"{asked[0]:.1f} to {asked[-1]:.1f} ft"
    return f" as they were asked for: {count(len(asked), 'mangrove')} to {to}"
