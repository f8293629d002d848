"""What would settle what depends: the fewest facts whose good answer opens a route."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import combinations, product
from typing import Any

import numpy as np

from geotrim.rules.case import fact_values
from geotrim.rules.decide import Decision
from geotrim.rules.derive import set_aside
from geotrim.rules.facts import facts
from geotrim.rules.rule_file import Limit, Rule, measures
from geotrim.rules.verdict import MET, NOT_MET

#: An answer to one of these may be anything, so it is asked for without trying answers out.
_OPEN_KINDS = ("number", "whole", "date", "text")


@dataclass(frozen=True, slots=True)
class Needs:
    """What is missing for a route.

    facts : keys of ``facts.toml``, fewest possible.
    tree_words : what to find out of a single tree, ``{tree}`` standing for its id.
    checks : ids of rules on which the authority must be asked.
    """

    facts: frozenset[str] = frozenset()
    tree_words: frozenset[str] = frozenset()
    checks: frozenset[str] = frozenset()

    def __or__(self, other: Needs) -> Needs:
        return Needs(
            self.facts | other.facts, self.tree_words | other.tree_words, self.checks | other.checks
        )

    def __len__(self) -> int:
        return len(self.facts) + len(self.tree_words) + len(self.checks)

    def words(self, tree: str = "the tree") -> list[str]:
        """Everything in words, facts first."""
        told = [fact.settle for key, fact in facts().items() if key in self.facts]
        told += sorted(text.replace("{tree}", tree) for text in self.tree_words)
        return told + [f"what the authority says on {name}" for name in sorted(self.checks)]


def needs_by_tree(decision: Decision, route: str) -> list[Needs | None]:
    """The fewest facts for each tree; None where the route is open or closed.

    Parameters
    ----------
    decision : Decision
    route : str

    Notes
    -----
    Every condition that cannot be told must turn out met. One that binds only under a condition
    may instead turn out not to bind, so each such way is tried and the smallest union is kept.
    """
    rules = decision.conditions(route)
    codes = np.array([decision.contribution(rule, route) for rule in rules])
    whole = decision.routes[route]
    kinds, where = np.unique(codes.T, axis=0, return_inverse=True)
    found = [_of_pattern(decision, route, rules, kind) for kind in kinds]
    is_open_or_closed = (whole == MET) | (whole == NOT_MET)
    return [
        None if done else found[k]
        for done, k in zip(is_open_or_closed, np.ravel(where), strict=True)
    ]


def needs_of_lot(decision: Decision, route: str) -> Needs | None:
    """The fewest facts that would open a route for at least one tree; None if none depends."""
    every = [needs for needs in needs_by_tree(decision, route) if needs is not None]
    return min(every, key=len) if every else None


def settle_words(decision: Decision, rule: Rule, k: int, tree: str) -> list[str]:
    """What would settle a rule for one tree, in words; nothing where it is told already.

    A check that is not met, or a local limit that is not met on an exemption, is for the authority.
    """
    code = decision.verdicts[rule.id][k]
    if code == MET or (code == NOT_MET and rule.effect != "check"):
        return []
    if code == NOT_MET:
        return ["ask the department, or the delegated local government"]
    own = _for_limit(decision, rule.limit)
    bound = decision.binding.get(rule.id)
    if bound is not None and bound[k] not in (MET, NOT_MET):
        whens = [_for_limit(decision, limit, contrary=True) for limit in rule.when]
        own = min((one for one in [own, *whens] if one is not None), key=len, default=None)
    return [] if own is None else own.words(tree)


def is_plan(rule: Rule, facts_known: Mapping[str, Any]) -> bool:
    """Whether the owner could choose otherwise, so that another plan keeps the rule."""
    table = measures()[rule.limit.measure]
    keys = table.get("facts", ())
    answered = [key for key in keys if key in facts_known]
    if answered:
        return all(facts()[key].is_plan for key in answered)
    return bool(table.get("is_plan", False))


def _of_pattern(decision: Decision, route: str, rules: list[Rule], codes: Any) -> Needs:
    """The fewest facts for trees on which the rules have these verdicts."""
    ways: list[list[Needs]] = []
    for rule, code in zip(rules, codes, strict=True):
        if code in (MET, NOT_MET):
            continue
        if not decision.rule_set.closes(rule, route) and _is_not_met(decision, rule):
            ways.append([Needs(checks=frozenset({rule.id}))])
            continue
        first = [_for_limit(decision, rule.limit)]
        first += [_for_limit(decision, limit, contrary=True) for limit in rule.when]
        ways.append([needs for needs in first if needs is not None])
    unions = [_union(choice) for choice in product(*ways)]
    return min(unions, key=len)


def _is_not_met(decision: Decision, rule: Rule) -> bool:
    """Whether a rule that only asks for a check is not met somewhere on the lot."""
    return bool((decision.verdicts[rule.id] == NOT_MET).any())


def _union(several: Iterable[Needs]) -> Needs:
    out = Needs()
    for one in several:
        out |= one
    return out


def _for_limit(decision: Decision, limit: Limit, contrary: bool = False) -> Needs | None:
    """The fewest facts that would decide one limit well; None if none can."""
    table = measures()[limit.measure]
    keys = [key for key in table.get("facts", ()) if key not in decision.case.facts]
    if not keys:  # a matter of measuring, or of the plan
        return Needs(tree_words=frozenset({table.get("settle", table["words"])}))
    if any(facts()[key].kind in _OPEN_KINDS for key in keys):
        return Needs(facts=frozenset(keys))
    season = decision.readings["season_reading"]
    known = dict(decision.case.facts)
    measure = decision.readings.stands_for(limit.measure)
    for size in range(1, len(keys) + 1):
        for some in combinations(keys, size):
            answers = [facts()[key].choices or (False, True) for key in some]
            for values in product(*answers):
                told = _told(known | dict(zip(some, values, strict=True)), season, measure)
                holds = limit.judge(told, 0.0, decision.confidence_frac)
                if int(holds) == (NOT_MET if contrary else MET):
                    return Needs(facts=frozenset(some))
    return None


def _told(known: Mapping[str, Any], season: str, measure: str) -> float:
    values = fact_values(known, season)
    return values[measure] if measure in values else float(set_aside(values))
