"""Findings: each rule with the value it was held against, its error, its margin and its source."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from geotrim.rules.decide import Decision
from geotrim.rules.rule_file import Rule, measures, routes
from geotrim.rules.settle import settle_words
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
        if not ids or not differs_by_tree(decision, rule):
            yield _finding(decision, rule, 0, None)
            continue
        codes = decision.verdicts[rule.id]
        for k, tree in enumerate(ids):
            if len(ids) <= most_trees or codes[k] != MET:
                yield _finding(decision, rule, k, tree)


def differs_by_tree(decision: Decision, rule: Rule) -> bool:
    """Whether a rule is held against values of single trees."""
    seen = [limit.measure for limit in (rule.limit, *rule.when)]
    return any(decision.measures[name].value.ndim for name in seen)


def _finding(decision: Decision, rule: Rule, k: int, tree: str | None) -> Finding:
    seen = decision.measures[rule.limit.measure]
    n = decision.case.n_judged
    code = int(decision.verdicts[rule.id][k])
    if code == NOT_MET and seen.most is not None and np.isnan(np.broadcast_to(seen.value, n)[k]):
        seen = seen.most  # not known, but surely no better than this
    value = float(np.broadcast_to(seen.value, n)[k])
    value = value if np.isfinite(value) else np.nan  # nothing to be measured from: no figure
    bound = decision.binding.get(rule.id)
    binding = MET if bound is None else int(bound[k])
    return Finding(
        lot_id=decision.case.lot_id,
        crown_id=tree,
        rule_id=rule.id,
        measure=str(measures()[rule.limit.measure]["words"]),
        value=value,
        standard_error=float(np.broadcast_to(seen.error, n)[k]),
        unit=rule.limit.unit,
        limit=rule.limit.words(),
        verdict=WORDS[code],
        margin=float(margin(value, rule.limit.compare, rule.limit.number)),
        is_binding={MET: True, NOT_MET: False}.get(binding),
        effect=rule.effect,
        routes=", ".join(routes()[name]["name"] for name in rule.routes),
        words=rule.words,
        section=rule.section,
        confidence=rule.confidence,
        settle="; ".join(settle_words(decision, rule, k, tree or "the mangroves")),
        is_local=decision.rule_set.is_local(rule),
    )
