"""Whether rules bind a tree, and what it was before any cut, by the findings of the plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from geotrim.rules.rule_file import Rule, built_in
from geotrim.rules.rule_set import RuleSet
from geotrim.rules.verdict import MET, NOT_MET, UNKNOWN

#: Rules that tell mangroves from other plants; they look at trees that are left alone as well.
KIND = "is_mangrove"


@dataclass(frozen=True, slots=True, eq=False)
class Bindings:
    """What a package's findings say of rules and trees.

    codes : (rule, tree) -> whether the rule binds the tree, of rules of local files.
    defaults : such a rule -> the same for trees that no finding names.
    rows : (rule, tree) -> the finding.
    """

    codes: Mapping[tuple[str, str], int] = field(default_factory=dict)
    defaults: Mapping[str, int] = field(default_factory=dict)
    rows: Mapping[tuple[str, str], Mapping[str, Any]] = field(default_factory=dict)

    def code(self, rule: Rule, crown_id: str) -> int:
        """Verdict on whether a rule binds a tree, as far as findings alone tell it."""
        return self.codes.get((rule.id, crown_id), self.defaults.get(rule.id, MET))

    def is_open(self, rule: Rule) -> bool:
        """Whether the rule may leave some tree unbound, for reasons that only findings tell."""
        return rule.id in self.defaults

    def found(self, rule: Rule, crown_id: str) -> Mapping[str, Any] | None:
        """The plan's finding on a rule and a tree; None where it is not listed."""
        return self.rows.get((rule.id, crown_id))


def bindings_of(findings: Any, by_rule: Any, rules: RuleSet) -> Bindings:
    """What binds which tree, by the findings of one lot.

    Parameters
    ----------
    findings, by_rule : DataFrame
        Tables ``findings`` and ``findings_by_rule``, or nothing.
    rules : RuleSet
        As made from them.

    Notes
    -----
    The conditions of geotrim's own rules are known and looked at anew. Those of a rule that a local
    file adds are not in the package; there ``is_binding`` of its findings tells. A tree that the
    plan leaves alone is bound by nothing, so of it that says nothing: whether the rule would bind
    it once it is cut is unknown. On lots with very many trees findings that are met are not listed;
    of a tree that is not there it is unknown as well, unless the rule binds every tree.
    """
    if findings is None or not len(findings):
        return Bindings()
    of_trees = findings[findings["crown_id"].notna()]
    mine = of_trees.to_dict("records")
    rows = {(str(row["rule_id"]), str(row["crown_id"])): row for row in mine}
    kinds = {name for name, rule in rules.rules.items() if rule.limit.measure == KIND}
    active = {
        str(row["crown_id"])
        for row in mine
        if _flag(row["is_binding"]) is True and str(row["rule_id"]) not in kinds
    }
    own = {rule for file in built_in() for rule in file.rules}
    local = {name for name in rules.rules if name not in own}
    codes = {}
    for (rule, tree), row in rows.items():
        if rule in local:
            bound = {True: MET, False: NOT_MET, None: UNKNOWN}[_flag(row["is_binding"])]
            codes[rule, tree] = UNKNOWN if bound == NOT_MET and tree not in active else bound
    return Bindings(codes, {name: _default(name, by_rule) for name in local}, rows)


def _default(rule_id: str, by_rule: Any) -> int:
    """Whether a local rule binds a tree that no finding names."""
    if by_rule is None or not len(by_rule):
        return MET
    mine = by_rule[by_rule["rule_id"].astype(str) == rule_id]
    return UNKNOWN if len(mine) and (mine["n_not_binding"] > 0).any() else MET


def _flag(value: Any) -> bool | None:
    return None if pd.isna(value) else bool(value)
