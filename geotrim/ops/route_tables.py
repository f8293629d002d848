"""Tables of the operation ``route``: each a list of rows from one lot's decision."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np
import pandas as pd

from geotrim.rules.decide import Decision
from geotrim.rules.duties import Stages, caps, notices
from geotrim.rules.facts import facts
from geotrim.rules.findings import Finding
from geotrim.rules.outcome import (
    CLOSED,
    DEPENDS,
    LEFT_ALONE,
    NONE,
    OPEN,
    OTHER_PLAN,
    UNCUT,
    Outcomes,
    with_other_plan,
)
from geotrim.rules.rule_file import Rule, measures, routes
from geotrim.rules.settle import Needs, is_plan, needs_by_tree
from geotrim.rules.verdict import MET, NOT_MET, STATUS, WORDS

#: Outcomes that no standing need be added to.
PLAIN = {
    "no-mangrove": "the act does not apply",
    NONE: "no way is open",
    LEFT_ALONE: "nothing is cut",
}
#: Standings of an outcome, best first.
BEST = (OPEN, DEPENDS, OTHER_PLAN, CLOSED, UNCUT)


#: Route -> what each tree needs for it; None where it is open or closed.
NeedsOf = Mapping[str, list[Needs | None]]


def needs_of_routes(decision: Decision) -> NeedsOf:
    """What would settle every route, tree by tree; worked out once for all the tables."""
    return {name: needs_by_tree(decision, name) for name in routes()}


def _fewest(needs: list[Needs | None]) -> Needs | None:
    """The fewest facts that would open a route for at least one tree."""
    return min((one for one in needs if one is not None), key=len, default=None)


def route_rows(decision: Decision, needs_of: NeedsOf) -> list[dict[str, Any]]:
    """One row a route: how it stands for the lot, why, and what would settle it."""
    rows = []
    for name, table in routes().items():
        codes = decision.routes[name]
        n_closed = int((codes == NOT_MET).sum())
        other = (codes == NOT_MET) & (with_other_plan(decision, name) != NOT_MET)
        needs = _fewest(needs_of[name])
        has_trees = bool(decision.case.tree_ids)
        rows.append(
            {
                "lot_id": decision.case.lot_id,
                "route": name,
                "route_name": table["name"],
                "status": decision.status(name),
                "n_open_trees": int((codes == MET).sum()) * has_trees,
                "n_depends_trees": (len(codes) - n_closed - int((codes == MET).sum())) * has_trees,
                "n_closed_trees": n_closed * has_trees,
                "n_other_plan_trees": int(other.sum()) * has_trees,
                "decided_by": "; ".join(_reasons(decision, name)),
                "settle": "" if needs is None else "; ".join(needs.words("a tree")),
                "other_plan": "; ".join(_other_plan(decision, name)) if other.any() else "",
                "section": table["section"],
            }
        )
    return [*rows, _none_row(decision, rows)]


def _none_row(decision: Decision, rows: list[dict[str, Any]]) -> dict[str, Any]:
    """The row that says whether no way is left."""
    is_none = all(row["status"] == "closed" for row in rows)
    codes = np.max([decision.routes[name] for name in routes()], axis=0)
    n = len(decision.case.tree_ids)
    n_shut = int((codes == NOT_MET).sum()) if n else 0
    return {
        "lot_id": decision.case.lot_id,
        "route": NONE,
        "route_name": "No way is open",
        "status": "open" if is_none else "closed",
        "n_open_trees": n_shut,
        "n_depends_trees": 0,
        "n_closed_trees": n - n_shut,
        "n_other_plan_trees": 0,
        "decided_by": "every other way is closed" if is_none else "",
        "settle": "",
        "other_plan": "",
        "section": "",
    }


def _reasons(decision: Decision, route: str) -> list[str]:
    """Conditions that keep a route from being open, in words, with how many trees each holds up."""
    told = []
    n = len(decision.case.tree_ids)
    for rule in decision.conditions(route):
        counts = Counter(decision.verdicts[rule.id].tolist())
        for code in (NOT_MET, *range(NOT_MET + 1, MET)):
            if not counts[code]:
                continue
            whom = "" if counts[code] >= n else f" for {_trees(counts[code])}"
            told.append(f"{WORDS[code]}{whom}: {rule.words.rstrip('.')} ({rule.section})")
    return told


def _other_plan(decision: Decision, route: str) -> list[str]:
    """What to plan otherwise, where that would open a route or leave it to facts."""
    wanted = [r for r in decision.conditions(route) if is_plan(r, decision.case.facts)]
    return [
        rule.words.rstrip(".")
        for rule in wanted
        if (decision.contribution(rule, route) == NOT_MET).any()
    ]


def tree_rows(
    decision: Decision, found: Outcomes, plan: Stages, species: list[Any], needs_of: NeedsOf
) -> Any:
    """One row a tree: its heights, each route's status, its outcome and its years.

    Parameters
    ----------
    decision, found, plan :
        Of one lot.
    species : list
        Of its trees, as the user wrote it.
    """
    ids = list(decision.case.tree_ids)
    n = len(ids)
    if n == 0:
        return None
    seen, case = decision.measures, decision.case
    height = seen["top_height_ft"]
    is_field = np.isfinite(case.get("field_height_ft").value) & (
        decision.readings.choices["substrate_place_reading"].heights == "field"
    )
    source = np.where(np.isnan(height.value), "none", np.where(is_field, "field", "raster"))
    table = {
        "lot_id": case.lot_id,
        "crown_id": ids,
        "species": species,
        "is_mangrove": _nullable(seen["is_mangrove"].value, n),
        "top_height_ft": np.broadcast_to(height.value, n),
        "height_error_ft": np.broadcast_to(height.error, n),
        "height_source": np.broadcast_to(source, n),
        "target_height_ft": np.broadcast_to(case.get("target_height_ft").value, n),
        "outcome_route": found.route,
        "outcome_standing": found.standing,
    }
    names = np.array(STATUS, dtype=object)
    for name in routes():
        table[name.replace("-", "_")] = names[decision.routes[name]]
    table["removed_frac"] = np.broadcast_to(seen["foliage_removed_frac"].value, n)
    table["n_stage_years"] = pd.array(
        [None if np.isnan(y) else int(y) for y in plan.years], dtype="Int64"
    )
    table["is_staged"] = _nullable(plan.is_staged, n)
    table["settle"] = _tree_settles(decision, found, needs_of)
    return pd.DataFrame(table)


def _tree_settles(decision: Decision, found: Outcomes, needs_of: NeedsOf) -> list[str]:
    """What would settle each tree's outcome, where that depends."""
    told = []
    for k, tree in enumerate(decision.case.tree_ids):
        mine = needs_of[found.route[k]][k] if found.route[k] in needs_of else None
        told.append("" if mine is None else "; ".join(mine.words(tree)))
    return told


def finding_rows(found: list[Finding]) -> list[dict[str, Any]]:
    """Findings as rows."""
    return [asdict(one) for one in found]


def rule_rows(decision: Decision, found: list[Finding]) -> list[dict[str, Any]]:
    """One row a rule: how many trees meet it, from which value to which."""
    rows = []
    by_rule: dict[str, list[Finding]] = {}
    for one in found:
        by_rule.setdefault(one.rule_id, []).append(one)
    for rule in decision.rule_set.rules.values():
        if rule.id not in decision.verdicts or rule.effect == "consequence":
            continue
        rows.append(_rule_row(decision, rule, by_rule.get(rule.id, [])))
    return rows


def _rule_row(decision: Decision, rule: Rule, found: list[Finding]) -> dict[str, Any]:
    n = decision.case.n_judged
    codes, bound = decision.verdicts[rule.id], decision.binding.get(rule.id)
    idle = np.zeros(n, dtype=bool) if bound is None else bound == NOT_MET
    values = np.broadcast_to(decision.measures[rule.limit.measure].value, n)
    values = values[np.isfinite(values)]
    gaps = [one.margin for one in found if np.isfinite(one.margin) and one.is_binding is not False]
    counts = Counter(codes[~idle].tolist())
    settles = [one.settle for one in found if one.settle]
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
        "n_met": counts[3],
        "n_not_met": counts[0],
        "n_too_close": counts[2],
        "n_unknown": counts[1],
        "n_not_binding": int(idle.sum()),
        "value_low": float(values.min()) if values.size else np.nan,
        "value_high": float(values.max()) if values.size else np.nan,
        "unit": rule.limit.unit,
        "least_margin": min(gaps) if gaps else np.nan,
        "settle": settles[0] if len(set(settles)) == 1 else "; ".join(dict.fromkeys(settles)),
    }


def cap_rows(decision: Decision) -> list[dict[str, Any]]:
    """Caps on the share of mangroves as rows."""
    return [{"lot_id": decision.case.lot_id, **asdict(cap)} for cap in caps(decision)]


def notice_rows(decision: Decision) -> list[dict[str, Any]]:
    """Notices as rows; dates as text, empty where not known."""
    rows = []
    for one in notices(decision):
        row = {"lot_id": decision.case.lot_id, **asdict(one)}
        row["lead_days"] = row.pop("days")
        for name in ("notice_date", "start_date", "due"):
            row[name] = "" if row[name] is None else row[name].isoformat()
        rows.append(row)
    return rows


def question_rows(decision: Decision, needs_of: NeedsOf) -> list[dict[str, Any]]:
    """Facts that are missing: those that keep a route from being told, then those of duties.

    The first are in the order of how many routes they hold up.
    """
    counts: Counter[str] = Counter()
    for name in routes():
        needs = _fewest(needs_of[name])
        counts.update([] if needs is None else needs.facts)
    duties = {
        key
        for rule in decision.rule_set.rules.values()
        if rule.effect in ("notice", "warning", "told") and rule.id in decision.verdicts
        for limit in (rule.limit, *rule.when)
        for key in measures()[limit.measure].get("facts", ())
        if key not in decision.case.facts and key not in counts
    }
    order = list(facts())
    keys = sorted(counts, key=lambda key: (-counts[key], order.index(key)))
    return [
        {
            "lot_id": decision.case.lot_id,
            "fact": key,
            "question": facts()[key].question,
            "settle": facts()[key].settle,
            "is_for_route": key in counts,
            "n_routes": counts[key],
        }
        for key in [*keys, *sorted(duties, key=order.index)]
    ]


def outcome_words(found: Outcomes, decision: Decision) -> str:
    """What came out for a lot in one sentence: ways, how they stand, for how many trees."""
    if not decision.case.tree_ids:
        return "No tree is recorded on this lot, so nothing is told of single trees."
    pairs = Counter(zip(found.route.tolist(), found.standing.tolist(), strict=True))
    told = []
    for (name, how), n in sorted(pairs.items(), key=lambda pair: _rank(pair[0])):
        title = PLAIN.get(name) or routes()[name]["name"].lower()
        words = {OPEN: " open", DEPENDS: " depends", OTHER_PLAN: " open with another plan"}
        told.append(f"{title}{'' if name in PLAIN else words.get(how, '')} for {_trees(n)}")
    text = "; ".join(told) + "."
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
