"""Days of a cut: a year since the tree's last one, and the earliest day that the plan tells."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from geotrim.core.staging import years_later
from geotrim.ops.after_before import LastCut
from geotrim.ops.after_limits import AfterRules, seen_of
from geotrim.rules.rule_file import Rule
from geotrim.rules.verdict import MET, NOT_MET, UNKNOWN, WORDS, all_of, under_condition

#: Findings on days, by name.
YEAR_BETWEEN, PLAN_DAY = "year-between-cuts", "plan-earliest-day"


def day_findings(
    trees: Any, cuts: Mapping[str, Sequence[LastCut]], given: AfterRules
) -> Iterator[dict[str, Any]]:
    """A row for each tree that was, or may have been, cut and whose last cut or day is known.

    Parameters
    ----------
    trees : DataFrame
        As :func:`geotrim.ops.after_cut.after_cut` has them.
    cuts : mapping
        Tree -> its cuts in other stages, as a ledger has them.
    given : AfterRules

    Notes
    -----
    A share *a year* is kept by stages a year apart, so the year is asked for where such a rule
    binds the tree. A whole year by the calendar has passed on the same day of the next
    (:func:`geotrim.core.staging.years_later`). A cut told later than this one counts too.
    """
    for tree in trees.to_dict("records"):
        if tree["is_mangrove"] == 0.0 or tree["is_cut"] == 0.0:
            continue
        yield from _year_rows(tree, cuts.get(str(tree["crown_id"]), ()), given)
        yield from _plan_rows(tree)


def _year_rows(
    tree: Mapping[str, Any], cuts: Sequence[LastCut], given: AfterRules
) -> Iterator[dict[str, Any]]:
    if not cuts:
        return
    rule, bound = _binding(tree, given)
    if rule is None:
        return
    near, n_days = _nearest(cuts, tree["cut_on"])
    code = UNKNOWN
    if np.isfinite(n_days):
        first, second = sorted((near.day, str(tree["cut_on"])))
        due = years_later(datetime.date.fromisoformat(first), 1).isoformat()
        code = MET if second >= due else NOT_MET
    verdict = int(under_condition(np.asarray(bound, np.int8), np.asarray(code, np.int8)))
    if tree["is_cut"] != 1.0 and verdict == NOT_MET:
        verdict = UNKNOWN  # it cannot be told whether it was cut at all
    yield _row(
        tree,
        YEAR_BETWEEN,
        f"time from its other cut, of {near.day} ({near.by})",
        n_days,
        "a year or more",
        verdict,
        n_days - 365.0,
        {
            "effect": rule.effect,
            "words": f"A year between the cuts of a tree that is staged: {rule.words}",
            "section": rule.section,
            "confidence": rule.confidence,
            "is_local": given.rules.is_local(rule),
        },
    )


def _binding(tree: Mapping[str, Any], given: AfterRules) -> tuple[Rule | None, int]:
    """The share of a year that binds a tree most surely, and how surely."""
    seen = seen_of(tree, given.confidence_frac)
    best: tuple[Rule | None, int] = (None, NOT_MET)
    for rule in given.shares:
        own = given.bindings.code(rule, str(tree["crown_id"]))
        bound = int(all_of([seen.bound(rule), np.array([own], dtype=np.int8)])[0])
        if bound > best[1]:
            best = (rule, bound)
    return best


def _nearest(cuts: Sequence[LastCut], cut_on: str | None) -> tuple[LastCut, float]:
    """The other cut nearest to this one, and the days between; the last one for want of a day."""
    if cut_on is None:
        return max(cuts, key=lambda one: one.day), np.nan
    day = datetime.date.fromisoformat(cut_on)

    def gap(one: LastCut) -> int:
        return abs((day - datetime.date.fromisoformat(one.day)).days)

    near = min(cuts, key=gap)
    return near, float(gap(near))


def _plan_rows(tree: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """A cut before the earliest day of the plan."""
    planned, cut_on = tree["planned_on"], tree["cut_on"]
    if tree["is_cut"] != 1.0 or not planned or not cut_on or cut_on >= planned:
        return
    day, first = (datetime.date.fromisoformat(one) for one in (cut_on, planned))
    n_days = float((day - first).days)
    yield _row(
        tree,
        PLAN_DAY,
        f"days from the plan's earliest day to the cut, of {cut_on}",
        n_days,
        f"on {planned} or later",
        NOT_MET,
        n_days,
        {
            "effect": "warning",
            "words": "A tree is not cut before the earliest day that the plan tells.",
            "section": "the plan",
            "confidence": "",
            "is_local": False,
        },
    )


def _row(
    tree: Mapping[str, Any],
    name: str,
    measure: str,
    value: float,
    limit: str,
    verdict: int,
    margin: float,
    of_rule: Mapping[str, Any],
) -> dict[str, Any]:
    return {
        "lot_id": tree["lot_id"],
        "crown_id": tree["crown_id"],
        "rule_id": name,
        "measure": measure,
        "value": value,
        "standard_error": np.nan,
        "unit": "days",
        "limit": limit,
        "verdict": WORDS[verdict],
        "margin": margin,
        "is_at_least": False,
        "is_by_plan": False,
        **of_rule,
    }
