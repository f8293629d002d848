"""Limits after a cut: each rule that binds a tree that was cut, held against what was found."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from geotrim.ops.after_binding import Bindings, bindings_of
from geotrim.ops.after_state import AS_PLANNED
from geotrim.ops.package_rules import floors_of
from geotrim.ops.stage_rules import ANY_HEIGHT
from geotrim.ops.window_rules import BEFORE, Seen, Way
from geotrim.rules.rule_file import Limit, Rule, measures
from geotrim.rules.rule_set import RuleSet
from geotrim.rules.verdict import (
    MET,
    NOT_MET,
    TOO_CLOSE,
    UNKNOWN,
    WORDS,
    all_of,
    margin,
    under_condition,
)

COLUMNS = (
    "lot_id", "crown_id", "rule_id", "measure", "value", "standard_error", "unit", "limit",
    "verdict", "margin", "is_at_least", "is_by_plan", "effect", "words", "section",
    "confidence", "is_local",
)  # fmt: skip
#: The plan's own limit of a year, where it is stricter than the rule it rests on.
PLAN_SHARE = "plan-share"
#: Shares no farther apart than this are the same: twice what a foliage curve may miss between its
#: heights, and as much again for heights that are told to a hundredth.
CURVE_FRAC = 1e-3
#: Words of measures that mean something else once the cut is made.
FOUND_WORDS = {"cut_above_base_ft": "height left above the lowest foliage"}


@dataclass(frozen=True, slots=True, eq=False)
class AfterRules:
    """Rules that trees of a lot are held against after a cut.

    floors : rules on the least height.
    shares : rules on the share of a year; good practice among them.
    bases : rules on how far a cut stays over the lowest foliage.
    before : rules on what a tree is before it is cut, its height among them.
    removed : rules on the share that all cuts take.
    bindings : whether rules of local files bind a tree.
    is_of_original : whether the share of a year is of what stood at first.
    """

    rules: RuleSet
    floors: tuple[Rule, ...]
    shares: tuple[Rule, ...]
    bases: tuple[Rule, ...]
    before: tuple[Rule, ...]
    removed: tuple[Rule, ...]
    bindings: Bindings
    confidence_frac: float
    is_of_original: bool = False

    @property
    def floor_ft(self) -> float:
        """Height under which no mangrove is left by a rule that binds all; NaN for none. [ft]."""
        known = [rule.limit.number for rule in self.floors if not self.bindings.is_open(rule)]
        return max(known, default=np.nan)


def after_rules(
    way: Way,
    facts: Mapping[str, Any],
    rules: RuleSet,
    findings: Any,
    *,
    share_from_ft: float,
    quarter_reading: str,
    confidence_frac: float,
    by_rule: Any = None,
    is_of_original: bool = False,
) -> AfterRules:
    """The rules of one way, as trees are held against them once they are cut.

    Parameters
    ----------
    way : Way
    facts : mapping
        Of the lot.
    rules : RuleSet
    findings : DataFrame
        Of the lot; ``is_binding`` of rules of local files is read.
    share_from_ft : float
        Trees from this height up keep the share of good practice. [ft]
    quarter_reading : str
        Of A-07: ``any-height`` stages every mangrove.
    confidence_frac : float
    by_rule : DataFrame, optional
        Table ``findings_by_rule``, of the lot.
    is_of_original : bool
        Whether the share of a year is of what stood at first, and not of what stands each year.
    """
    stages = way.stages
    quarter = replace(way.quarter, when=(Limit(BEFORE, ">=", share_from_ft, "ft"),))
    if quarter_reading == ANY_HEIGHT:
        stages = tuple(replace(rule, when=()) for rule in stages)
    return AfterRules(
        rules=rules,
        floors=floors_of(way, facts, rules),
        shares=(*stages, quarter),
        bases=way.cuts,
        before=way.before,
        removed=way.removed,
        bindings=bindings_of(findings, by_rule, rules),
        confidence_frac=confidence_frac,
        is_of_original=is_of_original,
    )


def findings_after(trees: Any, plan: Mapping[str, Any], given: AfterRules) -> Iterator[Any]:
    """A row for each rule that binds a tree which was, or may have been, cut.

    Parameters
    ----------
    trees : DataFrame
        As :func:`geotrim.ops.after_cut.after_cut` has them: what was found, ``is_cut``,
        ``removed_frac``, ``removed_error_frac``, ``removed_least_frac``, ``standing_frac``.
    plan : mapping
        Tree -> (the plan's own share of a year, the rule it rests on).
    given : AfterRules

    Notes
    -----
    The plan's own share is a margin and no limit of the law: it is held against the value alone.

    A share that is only known to be no less than some value can be *not met*, never *met*. A rule
    of which it cannot be told whether it binds is met only where it would be met anyway. The height
    before is that before the first cut. What else a rule asks of a tree before it is cut hangs on
    nothing that was found: it is told as the plan's own findings have it.

    ``is_by_plan``: too close to call, of a tree cut as planned whose planned value is too close
    itself, at the error of what was found. No care in cutting mends that; a margin in the plan
    does.
    """
    for tree in trees.to_dict("records"):
        if tree["is_mangrove"] == 0.0 or tree["is_cut"] == 0.0:
            continue
        seen = seen_of(tree, given.confidence_frac)
        for rule in given.floors:
            bound = _bound(rule, tree, seen, given)
            if bound != NOT_MET:
                found, error = tree["found_ft"], tree["found_error_ft"]
                planned = tree["planned_height_ft"]
                yield from _row(tree, rule, found, error, given, bound=bound, planned=planned)
        own = plan.get(tree["crown_id"])
        for rule in (*given.shares, *([own] if own is not None else [])):
            yield from _share_row(tree, rule, seen, given)
        yield from _base_rows(tree, seen, given)
        yield from _removed_rows(tree, seen, given)
        yield from _before_rows(tree, seen, given)


def _bound(rule: Rule, tree: Mapping[str, Any], seen: Seen, given: AfterRules) -> int:
    """Verdict on whether a rule binds a tree: by its own conditions, and by the plan's findings."""
    own = given.bindings.code(rule, str(tree["crown_id"]))
    return int(all_of([seen.bound(rule), np.array([own], dtype=np.int8)])[0])


def plan_share(share_frac: float, rule: Rule | None) -> Rule | None:
    """The plan's own limit of a year as a rule; None where it is the rule's own number.

    Examples
    --------
    >>> from geotrim.rules.rule_set import rule_set
    >>> rule = rule_set().rules["quarter-a-year"]
    >>> plan_share(0.22, rule).limit.words(), plan_share(0.25, rule)
    ('at most 22 %', None)
    """
    if rule is None or not share_frac < rule.limit.number - 1e-9:
        return None
    words = f"The plan keeps a margin: {rule.limit.words()} by the rule, less by the plan."
    limit = replace(rule.limit, number=share_frac)
    return replace(
        rule, id=PLAN_SHARE, when=(), limit=limit, words=words, effect="warning", section="the plan"
    )


def seen_of(tree: Mapping[str, Any], confidence_frac: float) -> Seen:
    """A tree as rules ask whether they bind it."""

    def one(name: str) -> Any:
        return np.array([tree[name]], dtype=np.float64)

    return Seen(
        top_ft=one("top_ft"),
        error_ft=one("top_error_ft"),
        is_red=one("is_red"),
        is_mangrove=one("is_mangrove"),
        base_ft=one("base_ft"),
        shoreline_ft=np.nan,
        shoreline_error_ft=np.nan,
        confidence_frac=confidence_frac,
    )


def _share_row(tree: Mapping[str, Any], rule: Rule, seen: Seen, given: AfterRules) -> Iterator[Any]:
    bound = _bound(rule, tree, seen, given)
    if bound == NOT_MET:
        return
    of = tree["standing_frac"] if given.is_of_original else 1.0
    value, error = of * tree["removed_frac"], of * tree["removed_error_frac"]
    if rule.id == PLAN_SHARE:  # a margin of the plan's own: held against the value alone
        error = np.nan
    is_least = bool(np.isnan(value) and np.isfinite(of * tree["removed_least_frac"]))
    if is_least:
        value, error = of * tree["removed_least_frac"], of * tree["removed_least_error_frac"]
    planned = of * tree["planned_removed_frac"]
    yield from _row(
        tree, rule, value, error, given, bound=bound, is_least=is_least, planned=planned
    )


def _base_rows(tree: Mapping[str, Any], seen: Seen, given: AfterRules) -> Iterator[Any]:
    """How far the foliage left begins over the cut; not looked at where the base is not known."""
    if np.isnan(tree["base_ft"]):
        return
    for rule in given.bases:
        bound = _bound(rule, tree, seen, given)
        if bound == NOT_MET:
            continue
        over, error = tree["found_ft"] - tree["base_ft"], tree["found_error_ft"]
        planned = tree["planned_height_ft"] - tree["base_ft"]
        yield from _row(tree, rule, over, error, given, bound=bound, planned=planned)


def _removed_rows(tree: Mapping[str, Any], seen: Seen, given: AfterRules) -> Iterator[Any]:
    """The share that this cut and those before it took of all the foliage there was."""
    for rule in given.removed:
        bound = _bound(rule, tree, seen, given)
        if bound == NOT_MET:
            continue
        left = tree["standing_frac"]
        is_least = bool(np.isnan(tree["removed_frac"]) and np.isfinite(tree["removed_least_frac"]))
        name = "removed_least" if is_least else "removed"
        share, error = tree[f"{name}_frac"], tree[f"{name}_error_frac"]
        total = 1.0 - left * (1.0 - share)
        planned = 1.0 - left * (1.0 - tree["planned_removed_frac"])
        yield from _row(
            tree, rule, total, left * error, given, bound=bound, is_least=is_least, planned=planned
        )


def _before_rows(tree: Mapping[str, Any], seen: Seen, given: AfterRules) -> Iterator[Any]:
    for rule in given.before:
        bound = _bound(rule, tree, seen, given)
        if bound == NOT_MET:
            continue
        if rule.limit.measure == BEFORE:
            rows = [*_row(tree, rule, tree["top_ft"], tree["top_error_ft"], given, bound=bound)]
        else:
            told = given.bindings.found(rule, str(tree["crown_id"]))
            ids = (str(tree["lot_id"]), str(tree["crown_id"]))
            rows = [] if told is None else [told_row(rule, given.rules, told, *ids)]
        is_open = tree["is_cut"] != 1.0  # whether it was cut at all cannot be told
        for row in rows:
            is_against = is_open and row["verdict"] == WORDS[NOT_MET]
            yield {**row, "verdict": WORDS[UNKNOWN]} if is_against else row


def told_row(
    rule: Rule, rules: RuleSet, told: Mapping[str, Any], lot_id: str, crown_id: str | None
) -> dict[str, Any]:
    """A row of a value and its verdict that are known: of a finding of the plan, or of the lot."""
    limit = rule.limit
    value = float("nan") if told["value"] is None else float(told["value"])
    error = told.get("standard_error")
    return {
        "lot_id": lot_id,
        "crown_id": crown_id,
        "rule_id": rule.id,
        "measure": str(measures()[limit.measure]["words"]),
        "value": value,
        "standard_error": float("nan") if error is None else float(error),
        "unit": limit.unit,
        "limit": limit.words(),
        "verdict": told["verdict"],
        "margin": float(margin(value, limit.compare, limit.number)),
        "is_at_least": False,
        "is_by_plan": False,
        "effect": rule.effect,
        "words": rule.words,
        "section": rule.section,
        "confidence": rule.confidence,
        "is_local": rules.is_local(rule),
    }


def _row(
    tree: Mapping[str, Any],
    rule: Rule,
    value: float,
    error: float,
    given: AfterRules,
    *,
    bound: int = MET,
    is_least: bool = False,
    planned: float = np.nan,
) -> Iterator[Any]:
    limit = rule.limit
    is_near = rule.id == PLAN_SHARE and abs(value - limit.number) <= CURVE_FRAC
    code = limit.judge(limit.number if is_near else value, error, given.confidence_frac)
    if is_least and int(code) != NOT_MET:
        code = np.asarray(UNKNOWN, dtype=np.int8)
    code = under_condition(np.asarray(bound, dtype=np.int8), code)
    by_plan = limit.judge(planned, error, given.confidence_frac) == TOO_CLOSE
    is_by_plan = bool(int(code) == TOO_CLOSE and by_plan and tree["state"] == AS_PLANNED)
    yield {
        "lot_id": tree["lot_id"],
        "crown_id": tree["crown_id"],
        "rule_id": rule.id,
        "measure": FOUND_WORDS.get(limit.measure, str(measures()[limit.measure]["words"])),
        "value": float(value),
        "standard_error": float(error),
        "unit": limit.unit,
        "limit": limit.words(),
        "verdict": WORDS[int(code)],
        "margin": float(margin(value, limit.compare, limit.number)),
        "is_at_least": is_least,
        "is_by_plan": is_by_plan,
        "effect": rule.effect,
        "words": rule.words,
        "section": rule.section,
        "confidence": rule.confidence,
        "is_local": given.rules.is_local(rule),
    }
