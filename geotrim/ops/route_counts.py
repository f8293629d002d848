"""What comes out for lots side by side: outcome, words, and how many trees each way and rule has.

The operation ``route`` makes its tables of one lot from these, ``route_brief`` those of thousands.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.rules.decide import Decision
from geotrim.rules.duties import stages, unmet_by_lot
from geotrim.rules.outcome import (
    CLOSED,
    DEPENDS,
    LEFT_ALONE,
    NONE,
    OPEN,
    OTHER_PLAN,
    UNCUT,
    Outcomes,
)
from geotrim.rules.rule_file import Rule, routes
from geotrim.rules.settle import is_plan
from geotrim.rules.side_by_side import Rows, full
from geotrim.rules.verdict import MET, NOT_MET, TOO_CLOSE, UNKNOWN

Counts = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]
#: Column of counts of a rule -> the verdict it counts; the last counts trees it does not bind.
COUNTS = {
    "n_met": MET,
    "n_not_met": NOT_MET,
    "n_too_close": TOO_CLOSE,
    "n_unknown": UNKNOWN,
    "n_not_binding": 4,
}
#: Outcomes that no standing need be added to.
PLAIN = {
    "no-mangrove": "the act does not apply",
    NONE: "no way is open",
    LEFT_ALONE: "nothing is cut",
}
#: Standings of an outcome, best first.
BEST = (OPEN, DEPENDS, OTHER_PLAN, CLOSED, UNCUT)
NO_TREE = "No tree is recorded on this lot, so nothing is told of single trees."


NO_SHORE = "No shore was found for this lot, so nothing is judged; check title and line."


@lru_cache(maxsize=1)
def _pairs() -> tuple[list[tuple[str, str]], dict[tuple[str, str], int]]:
    """Routes with their standings in the order of telling, best first, and each one's place."""
    every = [(route, how) for how in BEST for route in (*routes(), NONE, LEFT_ALONE)]
    return every, {pair: k for k, pair in enumerate(every)}


def _ranks(found: Outcomes) -> npt.NDArray[np.intp]:
    """(n,) place of each tree's route and standing in the order of telling."""
    place = _pairs()[1]
    told = zip(found.route.tolist(), found.standing.tolist(), strict=True)
    return np.fromiter((place[pair] for pair in told), np.intp, len(found.route))


def lot_outcomes(found: Outcomes, decision: Decision) -> list[tuple[str, str]]:
    """The route and the standing each lot is told by: of its mangroves, the best standing first.

    Trees that are known to be other plants only count where there is nothing else.
    """
    case = decision.case
    is_other = full(decision.measures["is_mangrove"].value, case.n_judged) == 0.0
    counts = ~is_other | case.rows.of_all(is_other)
    pairs = _pairs()[0]
    best = case.rows.least(np.where(counts, _ranks(found), len(pairs)))
    return [pairs[k] for k in best.tolist()]


def outcome_words(
    found: Outcomes, decision: Decision, unmet: Sequence[list[str]] | None = None
) -> list[str]:
    """What came out for each lot in a sentence: ways, how they stand, for how many trees.

    A second one names duties of these ways that the plan does not keep: open tells of limits alone.
    ``unmet`` are these, where they are worked out already.
    """
    case, m = decision.case, decision.case.rows.starts.size
    if not case.tree_ids:
        return [NO_TREE] * m
    pairs = _pairs()[0]
    lots = case.rows.number
    marks, counts = np.unique(lots * len(pairs) + _ranks(found), return_counts=True)
    told: list[list[str]] = [[] for _ in range(m)]
    hangs: dict[str, Any] = {}
    for mark, n in zip(marks.tolist(), counts.tolist(), strict=True):
        k, rank = divmod(mark, len(pairs))
        name, how = pairs[rank]
        if how == OTHER_PLAN and name not in hangs:
            is_mine = (found.route == name) & (found.standing == how)
            hangs[name] = np.any([flags for _, flags in asked(decision, name, is_mine)], axis=0)
        is_asked = how == OTHER_PLAN and bool(np.broadcast_to(hangs[name], m)[k])
        told[k].append(f"{_way_words(name, how, is_asked)} for {trees_words(n)}")
    return [
        _sentences(ways, missed)
        for ways, missed in zip(told, unmet or unmet_by_lot(decision, found), strict=True)
    ]


def _way_words(name: str, how: str, is_asked: bool) -> str:
    if name in PLAIN:
        return PLAIN[name]
    words = {OPEN: " open", DEPENDS: " depends", OTHER_PLAN: " with another plan"}.get(how, "")
    agreed = " if the authority agrees," if is_asked else ""
    return f"{routes()[name]['name'].lower()}{words}{agreed}"


def _sentences(ways: list[str], missed: list[str]) -> str:
    text = "; ".join(ways) + "."
    if missed:
        text += f" Duties not met as planned: {', '.join(missed)}."
    return text[0].upper() + text[1:]


def asked(decision: Decision, route: str, is_chosen: Flags) -> list[tuple[Rule, Flags]]:
    """What the authority must be asked whatever is planned, for every tree of those chosen.

    Returns
    -------
    list of (rule, (m,) flags)
        Rules that only ask for a check, and the lots of which no chosen tree keeps them.
    """
    return [
        (rule, decision.case.rows.all(~is_chosen | (decision.verdicts[rule.id] == NOT_MET)))
        for rule in decision.conditions(route)
        if not decision.rule_set.closes(rule, route) and not is_plan(rule, decision.case.facts)
    ]


@dataclass(frozen=True, slots=True, eq=False)
class WayCounts:
    """How one way stands for each of m lots, by the trees that are cut.

    best : (m,) verdict of the tree it stands best for.
    n_open, n_depends, n_closed : (m,) trees; none of a lot without trees.
    """

    best: Any
    n_open: Counts
    n_depends: Counts
    n_closed: Counts


def way_counts(decision: Decision, judged: Flags) -> dict[str, WayCounts]:
    """Counts of every way, and last those of ``none``: whether no way is left.

    Parameters
    ----------
    decision : Decision
    judged : (n,) trees that are cut, as :func:`geotrim.rules.outcome.judged` gives them.
    """
    rows, has_trees = decision.case.rows, bool(decision.case.tree_ids)
    n_judged = rows.count(judged) * has_trees
    out = {}
    for name in routes():
        codes = np.where(judged, decision.routes[name], np.int8(NOT_MET))
        n_open = rows.count(codes == MET) * has_trees
        n_closed = rows.count(judged & (codes == NOT_MET)) * has_trees
        out[name] = WayCounts(rows.most(codes), n_open, n_judged - n_open - n_closed, n_closed)
    best = np.max([decision.routes[name] for name in routes()], axis=0)
    n_shut = rows.count(judged & (best == NOT_MET)) * has_trees
    is_none = np.max([way.best for way in out.values()], axis=0) == NOT_MET
    codes = np.where(is_none, MET, NOT_MET)
    out[NONE] = WayCounts(codes, n_shut, np.zeros_like(n_shut), n_judged - n_shut)
    return out


def is_idle(decision: Decision, rule: Rule, judged: Flags) -> Flags:
    """(n,) trees a rule does not bind: left alone, no mangroves, or by its condition."""
    bound = decision.binding.get(rule.id)
    idle = ~judged if bound is None else (bound == NOT_MET) | ~judged
    if rule.limit.measure == "is_mangrove":  # what tells them apart looks at all
        return idle
    if "is_other" not in decision.memo:  # of lots that have mangroves besides
        other = full(decision.measures["is_mangrove"].value, decision.case.n_judged) == 0.0
        decision.memo["is_other"] = other & ~decision.case.rows.of_all(other)
    return idle | decision.memo["is_other"]


def rules_told(decision: Decision) -> list[Rule]:
    """Rules that findings tell of."""
    every = decision.rule_set.rules.values()
    return [r for r in every if r.id in decision.verdicts and r.effect != "consequence"]


def rule_counts(decision: Decision, rule: Rule, judged: Flags) -> Counts:
    """(m, 5) trees of each lot by verdict, as ``COUNTS`` numbers them; last those not bound."""
    rows, n_kinds = decision.case.rows, len(COUNTS)
    idle = np.int8(COUNTS["n_not_binding"])
    codes = np.where(is_idle(decision, rule, judged), idle, decision.verdicts[rule.id])
    marks = rows.number * n_kinds + codes
    counts: Counts = np.bincount(marks, minlength=n_kinds * rows.starts.size).reshape(-1, n_kinds)
    return counts


def outcome_columns(
    decision: Decision,
    found: Outcomes,
    lot_ids: Sequence[str],
    reasons: Mapping[str, str],
    unmet: Sequence[list[str]] | None = None,
) -> dict[str, Any]:
    """Columns of ``lot_outcomes``: the route each of m lots is told by, and its main figures.

    Parameters
    ----------
    decision, found :
        Of the lots, side by side.
    lot_ids : m ids
    reasons : mapping
        Why a lot has no shore, of those that have none.
    unmet : m lists, optional
        As :func:`geotrim.rules.duties.unmet_by_lot` gives them, if that is done already.
    """
    case, seen = decision.case, decision.measures
    rows, n = case.rows, case.n_judged
    kind, has_trees = full(seen["is_mangrove"].value, n), bool(case.tree_ids)
    length, depth = seen["shoreline_length_ft"], seen["fringe_depth_ft"]
    told = lot_outcomes(found, decision)
    is_staged = stages(decision, found).is_staged == 1.0
    without = "" if has_trees else "no tree is recorded on this lot or before it"
    words = zip(lot_ids, outcome_words(found, decision, unmet), strict=True)
    return {
        "lot_id": list(lot_ids),
        "outcome_route": [route for route, _ in told],
        "outcome_standing": [standing for _, standing in told],
        "outcome_words": [NO_SHORE if lot_id in reasons else text for lot_id, text in words],
        "n_trees": rows.sizes * has_trees,
        "n_mangroves": rows.count(kind == 1.0) * has_trees,
        "n_other_plants": rows.count(kind == 0.0) * has_trees,
        "n_species_unknown": rows.count(np.isnan(kind)) * has_trees,
        "shoreline_length_ft": full(length.value, n)[rows.starts],
        "shoreline_error_ft": full(length.error, n)[rows.starts],
        "shoreline_chord_ft": full(case.get("shoreline_chord_ft").value, n)[rows.starts],
        "fringe_depth_ft": _greatest(full(depth.value, n), rows),
        "fringe_depth_error_ft": _greatest(full(depth.error, n), rows),
        "n_staged_trees": rows.count(is_staged) * has_trees,
        "reason": [reasons.get(lot_id, without) for lot_id in lot_ids],
    }


def _greatest(values: Any, rows: Rows) -> Any:
    """(m,) greatest of what is known of each lot; NaN where nothing is."""
    most = rows.most(np.where(np.isfinite(values), values, -np.inf))
    return np.where(np.isfinite(most), most, np.nan)


def trees_words(n: int) -> str:
    """A number of trees in words."""
    return f"{n} tree" if n == 1 else f"{n} trees"
