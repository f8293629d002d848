"""Findings: each rule with the value it was held against, its error, its margin and its source."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from geotrim.rules.decide import Decision
from geotrim.rules.rule_file import Rule, measures, routes
from geotrim.rules.settle import settle_words
from geotrim.rules.side_by_side import full
from geotrim.rules.verdict import MET, NOT_MET, WORDS, margin


@dataclass(frozen=True, slots=True)
class Finding:
    """One rule for a lot or for one of its trees.

    crown_id : None for the lot as a whole.
    value, standard_error, margin : in ``unit``; NaN where not known. Yes-no values are 1 and 0.
    is_binding : whether the condition holds under which the rule binds; None where not known.
    settle : what would settle a verdict that is unknown or too close; "" otherwise.
    """

    lot_id: str
    crown_id: str | None
    rule_id: str
    measure: str
    value: float
    standard_error: float
    unit: str
    limit: str
    verdict: str
    margin: float
    is_binding: bool | None
    effect: str
    routes: str
    words: str
    section: str
    confidence: str
    settle: str
    is_local: bool


def findings(decision: Decision, most_trees: int = 500) -> Iterator[Finding]:
    """Every finding of a lot, rule by rule.

    Parameters
    ----------
    decision : Decision
    most_trees : int
        On a lot with more trees, findings of single trees that are met are left out.

    Yields
    ------
    Finding
        One for the lot where nothing the rule compares differs from tree to tree, else one a tree.
    """
    ids = decision.case.tree_ids
    for rule in decision.rule_set.rules.values():
        if rule.id not in decision.verdicts or rule.effect == "consequence":
            continue
        view = _View(decision, rule)
        if not ids or not differs_by_tree(decision, rule):
            yield view.finding(0, None)
            continue
        codes = decision.verdicts[rule.id]
        for k, tree in enumerate(ids):
            if len(ids) <= most_trees or codes[k] != MET:
                yield view.finding(k, tree)


def differs_by_tree(decision: Decision, rule: Rule) -> bool:
    """Whether a rule is held against values of single trees."""
    seen = [limit.measure for limit in (rule.limit, *rule.when)]
    return any(decision.measures[name].value.ndim for name in seen)


class _View:
    """One rule with all that its findings have in common."""

    def __init__(self, decision: Decision, rule: Rule) -> None:
        self.decision, self.rule = decision, rule
        seen, n, limit = decision.measures[rule.limit.measure], decision.case.n_judged, rule.limit
        codes = decision.verdicts[rule.id]
        value, error = full(seen.value, n), full(seen.error, n)
        if seen.most is not None:  # not known, but surely no better than this
            lost = (codes == NOT_MET) & np.isnan(value)
            value = np.where(lost, seen.most.value, value)
            error = np.where(lost, seen.most.error, error)
        # nothing to be measured from: no figure
        value = np.where(np.isfinite(value), value, np.nan)
        self.codes, self.value, self.error = codes.tolist(), value.tolist(), error.tolist()
        self.margin = margin(value, limit.compare, limit.number).tolist()
        bound = decision.binding.get(rule.id)
        self.bound = [MET] * n if bound is None else bound.tolist()
        self.told: dict[str, Any] = {
            "lot_id": decision.case.lot_id,
            "rule_id": rule.id,
            "measure": str(measures()[limit.measure]["words"]),
            "unit": limit.unit,
            "limit": limit.words(),
            "effect": rule.effect,
            "routes": ", ".join(routes()[name]["name"] for name in rule.routes),
            "words": rule.words,
            "section": rule.section,
            "confidence": rule.confidence,
            "is_local": decision.rule_set.is_local(rule),
        }

    def finding(self, k: int, tree: str | None) -> Finding:
        """The finding of one tree, or of the lot."""
        settle = settle_words(self.decision, self.rule, k, tree or "the mangroves")
        return Finding(
            crown_id=tree,
            value=self.value[k],
            standard_error=self.error[k],
            verdict=WORDS[self.codes[k]],
            margin=self.margin[k],
            is_binding={MET: True, NOT_MET: False}.get(self.bound[k]),
            settle="; ".join(settle),
            **self.told,
        )
