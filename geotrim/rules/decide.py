"""Which ways to an authorisation are open for a lot and its trees, and by which verdicts.

Every condition of a route gives each tree a verdict; the route's is the least of them. Open means
that no recorded limit closes it, not that anything is allowed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from geotrim.rules.case import Case, Measured
from geotrim.rules.derive import derived
from geotrim.rules.readings import Readings
from geotrim.rules.rule_file import Limit, Rule, routes
from geotrim.rules.rule_set import RuleSet
from geotrim.rules.side_by_side import Rows, full
from geotrim.rules.verdict import (
    MET,
    NOT_MET,
    STATUS,
    UNKNOWN,
    Codes,
    all_of,
    judge,
    under_condition,
)


@dataclass(frozen=True, slots=True, eq=False)
class Decision:
    """Verdicts on the trees of one lot, or of several side by side.

    measures : the values rules were held against.
    verdicts : rule -> (n,) verdict on the rule, the condition under which it binds counted in.
    binding : rule -> (n,) verdict on whether it binds; only rules with ``when``.
    routes : route -> (n,) verdict on all its conditions.
    memo : what was worked out from the rest already, and is the same for many trees.
    """

    case: Case
    rule_set: RuleSet
    readings: Readings
    confidence_frac: float
    measures: Mapping[str, Measured]
    verdicts: Mapping[str, Codes]
    binding: Mapping[str, Codes]
    routes: Mapping[str, Codes]
    memo: dict[Any, Any] = field(default_factory=dict)

    def status(self, route: str) -> str:
        """``open``, ``closed`` or ``depends`` for one lot: the best any of its trees has."""
        return STATUS[int(self.routes[route].max())]

    def conditions(self, route: str) -> list[Rule]:
        """Rules that decide a route and bind under the readings."""
        every = self.rule_set.of_route(route, "condition", "check")
        return [rule for rule in every if rule.id in self.verdicts]

    def contribution(self, rule: Rule, route: str) -> Codes:
        """What the verdict on a condition means for a route: a check never closes it."""
        code = self.verdicts[rule.id]
        if self.rule_set.closes(rule, route):
            return code
        state = self._before_tightening(rule)
        return np.minimum(state, np.maximum(code, UNKNOWN)).astype(np.int8)

    def _before_tightening(self, rule: Rule) -> Codes:
        """Verdict on the limit that an overlay tightened; *met* where there is none."""
        if rule.tightens is None:
            return np.full(self.case.n_judged, MET, dtype=np.int8)
        seen = self.measures[rule.tightens.measure]
        code = held_against(rule.tightens, seen, self.confidence_frac)
        bound = self.binding.get(rule.id)
        code = code if bound is None else under_condition(bound, code)
        code = full(code, self.case.n_judged)
        if rule.id in self.readings.collective():
            code = _worst_of_mangroves(code, self.measures["is_mangrove"], self.case.rows)
        return code


def decide(
    case: Case,
    rule_set: RuleSet,
    readings: Readings | None = None,
    confidence_frac: float = 0.95,
    like: Decision | None = None,
) -> Decision:
    """Judge every rule for every tree of a lot, and every route; or of several lots at once.

    Parameters
    ----------
    case : Case
    rule_set : RuleSet
    readings : Readings, optional
        The defaults if not given.
    confidence_frac : float
        See :func:`geotrim.rules.verdict.judge`.
    like : Decision, optional
        On the same case, rules and confidence, under other readings: what these do not touch is
        taken from it.
    """
    readings = Readings() if readings is None else readings
    seen = derived(case, readings)
    together = readings.collective()
    # A reading of the act does not undo what a local rule file asks for
    dropped = {name for name in readings.dropped() if not _is_tightened(rule_set, name)}
    verdicts: dict[str, Codes] = {}
    binding: dict[str, Codes] = {}
    same = set() if like is None else _untouched(rule_set, seen, together, like)
    held = _Held(seen, confidence_frac)
    for rule in rule_set.rules.values():
        if rule.id in dropped:
            continue
        if like is not None and rule.id in same:
            verdicts[rule.id] = like.verdicts[rule.id]
            if rule.id in like.binding:
                binding[rule.id] = like.binding[rule.id]
            continue
        code, bound = _verdict(rule, held, case.n_judged)
        if rule.id in together:
            code = _worst_of_mangroves(code, seen["is_mangrove"], case.rows)
        verdicts[rule.id] = code
        if bound is not None:
            binding[rule.id] = bound
    found = Decision(case, rule_set, readings, confidence_frac, seen, verdicts, binding, {})
    if like is not None and same >= set(rule_set.rules) - dropped == set(like.verdicts):
        return replace(found, routes=like.routes)
    ways = {
        route: full(
            all_of([found.contribution(rule, route) for rule in found.conditions(route)]),
            case.n_judged,
        )
        for route in routes()
    }
    return replace(found, routes=ways)


def _is_tightened(rule_set: RuleSet, name: str) -> bool:
    return name in rule_set.rules and bool(rule_set.rules[name].tightened_by)


def _untouched(
    rule_set: RuleSet, seen: Mapping[str, Measured], together: set[str], like: Decision
) -> set[str]:
    """Rules that compare what they compared before, tree by tree or together as before."""
    moved = {name for name, value in seen.items() if not value.is_same(like.measures[name])}
    before = like.readings.collective()
    return {
        rule.id
        for rule in rule_set.rules.values()
        if rule.id in like.verdicts
        and (rule.id in together) == (rule.id in before)
        and not moved & {limit.measure for limit in (rule.limit, *rule.when)}
        and (rule.id not in together or "is_mangrove" not in moved)
    }


class _Held:
    """Verdicts on single limits, each worked out once however many rules have it."""

    def __init__(self, seen: Mapping[str, Measured], confidence_frac: float) -> None:
        self.seen, self.confidence_frac = seen, confidence_frac
        self.codes: dict[Limit, Codes] = {}

    def __call__(self, limit: Limit) -> Codes:
        if limit not in self.codes:
            seen = self.seen[limit.measure]
            self.codes[limit] = held_against(limit, seen, self.confidence_frac)
        return self.codes[limit]


def _verdict(rule: Rule, held: _Held, n: int) -> tuple[Codes, Codes | None]:
    """Verdict on one rule for each tree, and whether it binds."""
    code = held(rule.limit)
    if not rule.when:
        return full(code, n), None
    bound = all_of([held(limit) for limit in rule.when])
    return full(under_condition(bound, code), n), full(bound, n)


def held_against(limit: Limit, seen: Measured, confidence_frac: float) -> Codes:
    """Verdict on a measure of which bounds may be known.

    An unknown value does not meet a floor where the most it can be does not; one that is the most
    it can be is not surely past a cap that the least it can be keeps.
    """
    code = limit.judge(seen.value, seen.error, confidence_frac)
    is_cap = limit.compare in ("<", "<=")
    if seen.most is not None and limit.compare in (">", ">="):
        best = limit.judge(seen.most.value, seen.most.error, confidence_frac)
        code = np.where((code == UNKNOWN) & (best == NOT_MET), NOT_MET, code).astype(np.int8)
    if seen.least is not None and is_cap:
        best = limit.judge(seen.least.value, seen.least.error, confidence_frac)
        code = np.where((code == NOT_MET) & (best != NOT_MET), UNKNOWN, code).astype(np.int8)
    return code


def _worst_of_mangroves(code: Codes, is_mangrove: Measured, rows: Rows) -> Codes:
    """One verdict for all of a lot: the worst of its mangroves; what may be none may not count."""
    counts = judge(is_mangrove.value, 0.0, "==", 1.0)
    worst: Codes = rows.spread(rows.least(under_condition(counts, code)))
    return worst
