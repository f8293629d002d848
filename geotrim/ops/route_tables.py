"""Tables of the operation ``route``: each a list of rows from one lot's decision."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotrim.rules.decide import Decision
from geotrim.rules.duties import Stages, caps, notices, stages, unmet
from geotrim.rules.facts import facts
from geotrim.rules.findings import Finding, findings
from geotrim.rules.outcome import (
    CLOSED,
    DEPENDS,
    LEFT_ALONE,
    NONE,
    OPEN,
    OTHER_PLAN,
    UNCUT,
    Outcomes,
    outcomes,
    with_other_plan,
)
from geotrim.rules.rule_file import Rule, measures, routes
from geotrim.rules.settle import Needs, is_plan, needs_by_tree
from geotrim.rules.verdict import MET, NOT_MET, STATUS, TOO_CLOSE, UNKNOWN, WORDS, Codes, margin

#: Outcomes that no standing need be added to.
PLAIN = {
    "no-mangrove": "the act does not apply",
    NONE: "no way is open",
    LEFT_ALONE: "nothing is cut",
}
#: Before what another plan would still hang on.
STILL = "it then still hangs on what the department or the local government says on this: "
#: Standings of an outcome, best first.
BEST = (OPEN, DEPENDS, OTHER_PLAN, CLOSED, UNCUT)


@dataclass(frozen=True, slots=True, eq=False)
class Lot:
    """One lot with all that its tables are made from.

    species : of its trees, as the user wrote it.
    needs : route -> what each tree needs for it; None where it is open or closed.
    judged : (n,) trees that the plan cuts; all of them where it cuts none.
    """

    decision: Decision
    found: Outcomes
    plan: Stages
    species: list[Any]
    needs: Mapping[str, list[Needs | None]]
    judged: npt.NDArray[np.bool_]

    def fewest(self, route: str) -> Needs | None:
        """The fewest facts that would open a route for at least one tree that is cut."""
        every = [one for one, is_cut in zip(self.needs[route], self.judged, strict=True) if is_cut]
        return min((one for one in every if one is not None), key=len, default=None)

    def is_idle(self, rule: Rule) -> npt.NDArray[np.bool_]:
        """(n,) trees a rule does not bind: left alone, no mangroves, or by its condition."""
        decision, n = self.decision, self.decision.case.n_judged
        bound = decision.binding.get(rule.id)
        idle = ~self.judged if bound is None else (bound == NOT_MET) | ~self.judged
        if rule.limit.measure == "is_mangrove":  # what tells them apart looks at all
            return idle
        other = np.broadcast_to(decision.measures["is_mangrove"].value, n) == 0.0
        return idle | other if other.any() and not other.all() else idle

    def codes(self, route: str) -> Codes:
        """Verdicts on a route for the trees that are cut."""
        return self.decision.routes[route][self.judged]


def lot_of(decision: Decision, species: list[Any]) -> Lot:
    """Work out once what every table of a lot looks at."""
    found = outcomes(decision)
    return Lot(
        decision=decision,
        found=found,
        plan=stages(decision, found),
        species=species,
        needs={name: needs_by_tree(decision, name) for name in routes()},
        judged=_judged(found),
    )


def _judged(found: Outcomes) -> npt.NDArray[np.bool_]:
    """Trees that the plan cuts; all of them where it cuts none."""
    is_cut = found.standing != UNCUT
    return is_cut if is_cut.any() else np.ones(len(is_cut), dtype=bool)


def route_rows(lot: Lot) -> list[dict[str, Any]]:
    """One row a route: how it stands for the trees that are cut, why, and what would settle it."""
    rows = []
    decision, has_trees = lot.decision, bool(lot.decision.case.tree_ids)
    for name, table in routes().items():
        codes = lot.codes(name)
        n_open, n_closed = int((codes == MET).sum()), int((codes == NOT_MET).sum())
        is_other = lot.judged & (with_other_plan(decision, name) != NOT_MET)
        is_other &= decision.routes[name] == NOT_MET
        needs = lot.fewest(name)
        words = [] if needs is None else needs.words(decision.rule_set.rules, "a tree")
        rows.append(
            {
                "lot_id": decision.case.lot_id,
                "route": name,
                "route_name": table["name"],
                "status": STATUS[int(codes.max())],
                "n_open_trees": n_open * has_trees,
                "n_depends_trees": (len(codes) - n_closed - n_open) * has_trees,
                "n_closed_trees": n_closed * has_trees,
                "n_other_plan_trees": int(is_other.sum()) * has_trees,
                "decided_by": "; ".join(_reasons(lot, name)),
                "settle": "; ".join(words),
                "other_plan": "; ".join(_other_plan(lot, name, is_other)) if is_other.any() else "",
                "section": table["section"],
            }
        )
    return [*rows, _none_row(lot, rows)]


def _none_row(lot: Lot, rows: list[dict[str, Any]]) -> dict[str, Any]:
    """The row that says whether no way is left."""
    is_none = all(row["status"] == "closed" for row in rows)
    best = np.max([lot.codes(name) for name in routes()], axis=0)
    has_trees = bool(lot.decision.case.tree_ids)
    n_shut = int((best == NOT_MET).sum()) * has_trees
    return {
        "lot_id": lot.decision.case.lot_id,
        "route": NONE,
        "route_name": "No way is open",
        "status": "open" if is_none else "closed",
        "n_open_trees": n_shut,
        "n_depends_trees": 0,
        "n_closed_trees": len(best) * has_trees - n_shut,
        "n_other_plan_trees": 0,
        "decided_by": "every other way is closed" if is_none else "",
        "settle": "",
        "other_plan": "",
        "section": "",
    }


def _reasons(lot: Lot, route: str) -> list[str]:
    """Conditions that keep a route from being open, in words, with how many trees each holds up."""
    told = []
    for rule in lot.decision.conditions(route):
        codes = lot.decision.verdicts[rule.id][lot.judged]
        counts = Counter(codes.tolist())
        for code in (NOT_MET, *range(NOT_MET + 1, MET)):
            if not counts[code]:
                continue
            whom = "" if counts[code] == len(codes) else f" for {_trees(counts[code])}"
            told.append(f"{WORDS[code]}{whom}: {_rule_words(lot.decision, rule)}")
    return told


def _rule_words(decision: Decision, rule: Rule) -> str:
    """A rule in words with its source; of a local rule the limit too, as its words may not tell it.

    Square brackets, because sections have round ones.
    """
    is_told = decision.rule_set.is_local(rule) and rule.limit.unit != "yes-no"
    limit = f"limit: {rule.limit.words()}; " if is_told else ""
    return f"{rule.words.rstrip('.')} [{limit}{rule.source}]"


def _other_plan(lot: Lot, route: str, is_other: npt.NDArray[np.bool_]) -> list[str]:
    """What to plan otherwise, where that may open a route, and what it would still hang on then."""
    decision = lot.decision
    told = [
        _rule_words(decision, rule)
        for rule in decision.conditions(route)
        if is_plan(rule, decision.case.facts)
        and (decision.contribution(rule, route)[lot.judged] == NOT_MET).any()
    ]
    return [*told, *(f"{STILL}{words}" for words in _still_asked(decision, route, is_other))]


def _still_asked(decision: Decision, route: str, is_chosen: npt.NDArray[np.bool_]) -> list[str]:
    """What the authority must be asked whatever is planned, for every tree of those chosen."""
    return [
        _rule_words(decision, rule)
        for rule in decision.conditions(route)
        if not decision.rule_set.closes(rule, route)
        and not is_plan(rule, decision.case.facts)
        and (decision.verdicts[rule.id][is_chosen] == NOT_MET).all()
    ]


def tree_rows(lot: Lot) -> Any:
    """One row a tree: its heights, each route's status, its outcome and its years."""
    decision, found = lot.decision, lot.found
    ids = list(decision.case.tree_ids)
    n = len(ids)
    seen, case = decision.measures, decision.case
    height = seen["top_height_ft"]
    is_field = np.isfinite(case.get("field_height_ft").value) & (
        decision.readings.choices["substrate_place_reading"].heights == "field"
    )
    source = np.where(np.isnan(height.value), "none", np.where(is_field, "field", "raster"))
    table = {
        "lot_id": case.lot_id,
        "crown_id": ids,
        "species": lot.species,
        "is_mangrove": _nullable(seen["is_mangrove"].value, n),
        "top_height_ft": np.broadcast_to(height.value, n),
        "height_error_ft": np.broadcast_to(height.error, n),
        "height_source": np.broadcast_to(source, n),
        "target_height_ft": _planned_heights(case.get("target_height_ft").value, n),
        "outcome_route": found.route,
        "outcome_standing": found.standing,
    }
    names = np.array(STATUS, dtype=object)
    for name in routes():
        table[name.replace("-", "_")] = names[decision.routes[name]]
    table["removed_frac"] = np.broadcast_to(seen["foliage_removed_frac"].value, n)
    table["n_stage_years"] = pd.array(
        [None if np.isnan(y) else int(y) for y in lot.plan.years], dtype="Int64"
    )
    table["is_staged"] = _nullable(lot.plan.is_staged, n)
    table["settle"] = _tree_settles(lot)
    return pd.DataFrame(table)


def _planned_heights(target_ft: Any, n: int) -> Any:
    """Heights trees are to be left at; a kept tree has none. [ft]."""
    told = np.broadcast_to(target_ft, n)
    return np.where(np.isfinite(told), told, np.nan)


def _tree_settles(lot: Lot) -> list[str]:
    """What would settle each tree's outcome, where that depends."""
    told = []
    for k, (tree, route) in enumerate(
        zip(lot.decision.case.tree_ids, lot.found.route, strict=True)
    ):
        mine = lot.needs[route][k] if route in lot.needs else None
        told.append(
            "" if mine is None else "; ".join(mine.words(lot.decision.rule_set.rules, tree))
        )
    return told


def finding_list(lot: Lot, most_trees: int) -> list[Finding]:
    """Findings of a lot; nothing binds a tree that is left alone or is no mangrove."""
    rank = {tree: k for k, tree in enumerate(lot.decision.case.tree_ids)}
    idle = {name: lot.is_idle(rule) for name, rule in lot.decision.rule_set.rules.items()}
    return [
        replace(one, is_binding=False, settle="")
        if one.crown_id is not None and idle[one.rule_id][rank[one.crown_id]]
        else one
        for one in findings(lot.decision, most_trees)
    ]


def finding_rows(found: list[Finding]) -> list[dict[str, Any]]:
    """Findings as rows."""
    names = [one.name for one in fields(Finding)]
    return [{name: getattr(one, name) for name in names} for one in found]


def rule_rows(lot: Lot, found: list[Finding]) -> list[dict[str, Any]]:
    """One row a rule: how many trees meet it, from which value to which."""
    rows = []
    decision = lot.decision
    by_rule: dict[str, list[Finding]] = {}
    for one in found:
        by_rule.setdefault(one.rule_id, []).append(one)
    for rule in decision.rule_set.rules.values():
        if rule.id not in decision.verdicts or rule.effect == "consequence":
            continue
        rows.append(_rule_row(lot, rule, by_rule.get(rule.id, [])))
    return rows


def _rule_row(lot: Lot, rule: Rule, found: list[Finding]) -> dict[str, Any]:
    decision, n = lot.decision, lot.decision.case.n_judged
    codes, idle = decision.verdicts[rule.id], lot.is_idle(rule)
    values = np.broadcast_to(decision.measures[rule.limit.measure].value, n)
    values = values[np.isfinite(values) & ~idle]
    gaps = margin(values, rule.limit.compare, rule.limit.number)
    gaps = gaps[np.isfinite(gaps)]
    counts = Counter(codes[~idle].tolist())
    settles = dict.fromkeys(one.settle for one in found if one.settle)
    return {
        "lot_id": decision.case.lot_id,
        "rule_id": rule.id,
        "effect": rule.effect,
        "routes": ", ".join(routes()[name]["name"] for name in rule.routes),
        "words": rule.words,
        "limit": rule.limit.words(),
        "section": rule.section,
        "confidence": rule.confidence,
        "is_local": decision.rule_set.is_local(rule),
        "n_met": counts[MET],
        "n_not_met": counts[NOT_MET],
        "n_too_close": counts[TOO_CLOSE],
        "n_unknown": counts[UNKNOWN],
        "n_not_binding": int(idle.sum()),
        "value_low": float(values.min()) if values.size else np.nan,
        "value_high": float(values.max()) if values.size else np.nan,
        "unit": rule.limit.unit,
        "least_margin": float(gaps.min()) if gaps.size else np.nan,
        "settle": "; ".join(settles),
    }


def cap_rows(decision: Decision) -> list[dict[str, Any]]:
    """Caps on the share of mangroves as rows."""
    return [{"lot_id": decision.case.lot_id, **asdict(cap)} for cap in caps(decision)]


def notice_rows(decision: Decision) -> list[dict[str, Any]]:
    """Notices as rows, by the trees that are cut; dates as text, empty where not known."""
    rows = []
    for one in notices(decision, _judged(outcomes(decision))):
        row = {"lot_id": decision.case.lot_id, **asdict(one)}
        row["lead_days"] = row.pop("days")
        for name in ("notice_date", "start_date", "due"):
            row[name] = "" if row[name] is None else row[name].isoformat()
        rows.append(row)
    return rows


def question_rows(lot: Lot) -> list[dict[str, Any]]:
    """Facts that are missing: those some tree's own way hangs on, those of other ways, of duties.

    Among the first two, those that hold up most routes come first.
    """
    decision = lot.decision
    counts: Counter[str] = Counter()
    for name in routes():
        needs = lot.fewest(name)
        counts.update([] if needs is None else needs.facts)
    first = _facts_of_outcomes(lot)
    duties = {
        key
        for rule in decision.rule_set.rules.values()
        if rule.effect in ("notice", "warning", "told") and rule.id in decision.verdicts
        for limit in (rule.limit, *rule.when)
        for key in measures()[limit.measure].get("facts", ())
        if key not in decision.case.facts and key not in counts
    }
    order = list(facts())
    keys = sorted(counts, key=lambda key: (key not in first, -counts[key], order.index(key)))
    return [
        {
            "lot_id": decision.case.lot_id,
            "fact": key,
            "question": facts()[key].question,
            "settle": facts()[key].settle,
            "is_for_outcome": key in first,
            "is_for_route": key in counts,
            "n_routes": counts[key],
        }
        for key in [*keys, *sorted(duties, key=order.index)]
    ]


def _facts_of_outcomes(lot: Lot) -> set[str]:
    """Facts that the way a tree is told by hangs on."""
    needed: set[str] = set()
    for k, route in enumerate(lot.found.route):
        mine = lot.needs[route][k] if lot.judged[k] and route in lot.needs else None
        needed |= set() if mine is None else mine.facts
    return needed


def outcome_words(found: Outcomes, decision: Decision) -> str:
    """What came out for a lot in a sentence: ways, how they stand, for how many trees.

    A second one names duties of these ways that the plan does not keep: open tells of limits alone.
    """
    if not decision.case.tree_ids:
        return "No tree is recorded on this lot, so nothing is told of single trees."
    pairs = Counter(zip(found.route.tolist(), found.standing.tolist(), strict=True))
    told = []
    for (name, how), n in sorted(pairs.items(), key=lambda pair: _rank(pair[0])):
        title = PLAIN.get(name) or routes()[name]["name"].lower()
        words = {OPEN: " open", DEPENDS: " depends", OTHER_PLAN: " with another plan"}
        is_mine = (found.route == name) & (found.standing == how)
        if how == OTHER_PLAN and _still_asked(decision, name, is_mine):
            words[how] += " if the authority agrees,"
        told.append(f"{title}{'' if name in PLAIN else words.get(how, '')} for {_trees(n)}")
    text = "; ".join(told) + "."
    missed = unmet(decision, found)
    if missed:
        text += f" Duties not met as planned: {', '.join(missed)}."
    return text[0].upper() + text[1:]


def lot_outcome(found: Outcomes, decision: Decision) -> tuple[str, str]:
    """The route and the standing that a lot is told by: of its mangroves, the best standing first.

    Trees that are known to be other plants only count where there is nothing else.
    """
    n = decision.case.n_judged
    other = np.broadcast_to(decision.measures["is_mangrove"].value, n) == 0.0
    which = np.flatnonzero(~other) if (~other).any() else np.arange(n)
    return min(((found.route[k], found.standing[k]) for k in which), key=_rank)


def _rank(outcome: tuple[str, str]) -> tuple[int, int]:
    """Place of a route and its standing in the order of telling."""
    order = [*routes(), NONE, LEFT_ALONE]
    return BEST.index(outcome[1]), order.index(outcome[0])


def _nullable(values: Any, n: int) -> Any:
    known = {1.0: True, 0.0: False}
    return pd.array([known.get(v) for v in np.broadcast_to(values, n).tolist()], dtype="boolean")


def _trees(n: int) -> str:
    return f"{n} tree" if n == 1 else f"{n} trees"
