"""What comes out for each tree: the first route that is open, or what stands nearest to one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.rules.case import Measured
from geotrim.rules.decide import Decision, decide
from geotrim.rules.rule_file import Limit, Rule, routes
from geotrim.rules.rule_set import RuleSet
from geotrim.rules.settle import is_plan
from geotrim.rules.side_by_side import full
from geotrim.rules.verdict import MET, NOT_MET, UNKNOWN, Codes, all_of

#: The way of plants that are no mangroves.
OUTSIDE = "no-mangrove"
#: The last resort: it is weighed case by case, so whatever else may be open is told first.
LAST = "individual-permit"
#: Rules without whose proof a route is not put forward.
PROOFS = ("earlier-proof", "maintenance-proof")
NONE, LEFT_ALONE = "none", "left-alone"
#: Measures of a tree after the cut, which are greatest where it is not cut.
AFTER_THE_CUT = ("height_after_ft", "above_earlier_ft")
#: How an outcome stands: open; open once something is known; open with another plan; nothing is
#: cut, so nothing need be open.
OPEN, DEPENDS, OTHER_PLAN, CLOSED, UNCUT = "open", "depends", "other plan", "closed", "not cut"


@dataclass(frozen=True, slots=True, eq=False)
class Outcomes:
    """For each tree a route and how it stands.

    route : (n,) keys of ``routes.toml``, ``none`` or ``left-alone``.
    standing : (n,) ``open``, ``depends``, ``other plan``, ``closed`` (for ``none``) or ``not cut``.
    """

    route: npt.NDArray[np.object_]
    standing: npt.NDArray[np.object_]


def outcomes(decision: Decision) -> Outcomes:
    """The outcome of each tree.

    Parameters
    ----------
    decision : Decision

    Notes
    -----
    In this order: trees that are left alone; the first route that is open, the individual permit
    apart; the first that would be open as planned if something were known, then the first that
    another plan would open (paragraphs (c) and (d) only where their proof is not unknown); the
    individual permit if it is open; whatever else depends; none. A tree whose species is unknown
    is told by the ways of mangroves.
    """
    n = decision.case.n_judged
    route = np.full(n, NONE, dtype=object)
    standing = np.full(n, CLOSED, dtype=object)
    free = np.ones(n, dtype=bool)

    def take(which: Any, name: str, how: str) -> None:
        chosen = free & which
        route[chosen], standing[chosen] = name, how
        free[chosen] = False

    others = [name for name in routes() if name != LAST]
    take(decision.case.get("is_to_trim").value == 0.0, LEFT_ALONE, UNCUT)
    take(decision.routes[OUTSIDE] == MET, OUTSIDE, OPEN)
    take(left_alone(decision), LEFT_ALONE, UNCUT)
    for name in others:
        take(decision.routes[name] == MET, name, OPEN)
    others = [*others[1:], others[0]]  # the ways of mangroves first
    proven = {name: ~_lacks_proof(decision, name) for name in others if name != OUTSIDE}
    for name, is_proven in proven.items():  # as planned, before another plan
        code = decision.routes[name]
        take(is_proven & (code != NOT_MET) & (code != MET), name, DEPENDS)
    for name, is_proven in proven.items():
        which = free & is_proven & (decision.routes[name] == NOT_MET)
        if which.any():
            take(which & (with_other_plan(decision, name) != NOT_MET), name, OTHER_PLAN)
    take(decision.routes[LAST] == MET, LAST, OPEN)
    for name in (*others, LAST):
        code = decision.routes[name]
        take((code != NOT_MET) & (code != MET), name, DEPENDS)
    if free.any():
        take(with_other_plan(decision, LAST) != NOT_MET, LAST, OTHER_PLAN)
    return Outcomes(route, standing)


def judged(decision: Decision, found: Outcomes) -> npt.NDArray[np.bool_]:
    """(n,) trees that the plan cuts; all of a lot where it cuts none."""
    is_cut = found.standing != UNCUT
    flags: npt.NDArray[np.bool_] = is_cut | ~decision.case.rows.of_any(is_cut)
    return flags


def left_alone(decision: Decision) -> npt.NDArray[np.bool_]:
    """Trees the plan does not cut: not chosen, or surely no taller than they are to be left."""
    n = decision.case.n_judged
    top, target = decision.measures["top_height_ft"], decision.case.get("target_height_ft")
    limit = Limit("top_height_ft", "<=", 0.0, "ft")
    low = limit.judge(top.value - target.value, top.error, decision.confidence_frac) == MET
    alone: npt.NDArray[np.bool_] = full(low | (decision.case.get("is_to_trim").value == 0.0), n)
    return alone


def with_other_plan(decision: Decision, route: str) -> Codes:
    """Verdict on a route by what the owner cannot choose: the best another plan could reach.

    Notes
    -----
    No plan makes a tree taller: a floor on heights after the cut is held against the tree left as
    it is.
    """
    rules, n = decision.conditions(route), decision.case.n_judged
    fixed = [
        decision.contribution(rule, route)
        for rule in rules
        if not is_plan(rule, decision.case.facts)
    ]
    missed = {rule.id: _is_missed_floor(decision, rule, route) for rule in rules}
    floors = [rule for rule in rules if missed[rule.id].any()]
    if floors:
        uncut = _left_as_it_is(decision, floors)
        fixed += [
            np.where(missed[rule.id], uncut.contribution(rule, route), np.int8(MET))
            for rule in floors
        ]
    codes: Codes = full(all_of(fixed), n)
    return codes


def _is_missed_floor(decision: Decision, rule: Rule, route: str) -> npt.NDArray[np.bool_]:
    """(n,) whether a rule is a floor, and some tree of the lot is not left tall enough."""
    if rule.limit.measure not in AFTER_THE_CUT or rule.limit.compare not in (">", ">="):
        return np.zeros(decision.case.n_judged, dtype=bool)
    missed = decision.contribution(rule, route) == NOT_MET
    some: npt.NDArray[np.bool_] = decision.case.rows.of_any(missed)
    return some


def _left_as_it_is(decision: Decision, floors: list[Rule]) -> Decision:
    """Floors decided for trees that are not cut at all."""
    values = {**decision.case.values, "target_height_ft": Measured.of(np.inf)}
    return decide(
        replace(decision.case, values=values),
        RuleSet({rule.id: rule for rule in floors}, decision.rule_set.files),
        decision.readings,
        decision.confidence_frac,
    )


def _lacks_proof(decision: Decision, route: str) -> npt.NDArray[np.bool_]:
    """(n,) whether a proof that a route needs is unknown for the whole lot."""
    lacks = np.zeros(decision.case.n_judged, dtype=bool)
    for rule in decision.conditions(route):
        if rule.id in PROOFS:
            lacks |= decision.case.rows.of_all(decision.verdicts[rule.id] == UNKNOWN)
    return lacks
