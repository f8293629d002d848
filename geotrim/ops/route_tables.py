"""Tables of the operation ``route``: each a list of rows from one lot's decision."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotrim.ops.route_counts import (
    COUNTS,
    WayCounts,
    asked,
    is_idle,
    rule_counts,
    rules_told,
    trees_words,
    way_counts,
)
from geotrim.rules.decide import Decision
from geotrim.rules.duties import Stages, caps, notices, stages
from geotrim.rules.facts import facts
from geotrim.rules.findings import Finding, findings
from geotrim.rules.outcome import NONE, Outcomes, judged, outcomes, with_other_plan
from geotrim.rules.rule_file import Rule, measures, routes
from geotrim.rules.settle import Needs, is_plan, needs_by_tree
from geotrim.rules.verdict import MET, NOT_MET, STATUS, WORDS, margin

#: Before what another plan would still hang on.
STILL = "it then still hangs on what the department or the local government says on this: "


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


def lot_of(decision: Decision, species: list[Any]) -> Lot:
    """Work out once what every table of a lot looks at."""
    found = outcomes(decision)
    return Lot(
        decision=decision,
        found=found,
        plan=stages(decision, found),
        species=species,
        needs={name: needs_by_tree(decision, name) for name in routes()},
        judged=judged(decision, found),
    )


def route_rows(lot: Lot) -> list[dict[str, Any]]:
    """One row a route: how it stands for the trees that are cut, why, and what would settle it."""
    rows = []
    decision, has_trees = lot.decision, bool(lot.decision.case.tree_ids)
    counts = way_counts(decision, lot.judged)
    for name, table in routes().items():
        is_other = lot.judged & (with_other_plan(decision, name) != NOT_MET)
        is_other &= decision.routes[name] == NOT_MET
        needs = lot.fewest(name)
        words = [] if needs is None else needs.words(decision.rule_set.rules, "a tree")
        rows.append(
            {
                "lot_id": decision.case.lot_id,
                "route": name,
                "route_name": table["name"],
                **_counted(counts[name]),
                "n_other_plan_trees": int(is_other.sum()) * has_trees,
                "decided_by": "; ".join(_reasons(lot, name)),
                "settle": "; ".join(words),
                "other_plan": "; ".join(_other_plan(lot, name, is_other)) if is_other.any() else "",
                "section": table["section"],
            }
        )
    return [*rows, _none_row(lot, counts[NONE])]


def _counted(way: WayCounts) -> dict[str, Any]:
    """How a way stands for one lot, and for how many trees."""
    return {
        "status": STATUS[int(way.best[0])],
        "n_open_trees": int(way.n_open[0]),
        "n_depends_trees": int(way.n_depends[0]),
        "n_closed_trees": int(way.n_closed[0]),
    }


def _none_row(lot: Lot, way: WayCounts) -> dict[str, Any]:
    """The row that says whether no way is left."""
    is_none = bool(way.best[0] == MET)
    return {
        "lot_id": lot.decision.case.lot_id,
        "route": NONE,
        "route_name": "No way is open",
        **_counted(way),
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
            whom = "" if counts[code] == len(codes) else f" for {trees_words(counts[code])}"
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
    every = asked(decision, route, is_chosen)
    return [_rule_words(decision, rule) for rule, is_asked in every if is_asked[0]]


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
    rules = lot.decision.rule_set.rules
    idle = {name: is_idle(lot.decision, rule, lot.judged) for name, rule in rules.items()}
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
    for rule in rules_told(decision):
        rows.append(_rule_row(lot, rule, by_rule.get(rule.id, [])))
    return rows


def _rule_row(lot: Lot, rule: Rule, found: list[Finding]) -> dict[str, Any]:
    decision, n = lot.decision, lot.decision.case.n_judged
    idle = is_idle(decision, rule, lot.judged)
    values = np.broadcast_to(decision.measures[rule.limit.measure].value, n)
    values = values[np.isfinite(values) & ~idle]
    gaps = margin(values, rule.limit.compare, rule.limit.number)
    gaps = gaps[np.isfinite(gaps)]
    counts = rule_counts(decision, rule, lot.judged)[0].tolist()
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
        **{name: counts[code] for name, code in COUNTS.items()},
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
    for one in notices(decision, judged(decision, outcomes(decision))):
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


def _nullable(values: Any, n: int) -> Any:
    known = {1.0: True, 0.0: False}
    return pd.array([known.get(v) for v in np.broadcast_to(values, n).tolist()], dtype="boolean")
