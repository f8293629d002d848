"""What ``route`` tells of each lot, for thousands of lots at once: verdicts without their words.

The same cases, rules and readings as of the operation ``route``; lots of which the same is known
are judged side by side. Readings are not compared, and what is unknown is told lot by lot, not the
fewest of it that would settle a doubt.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from geotrim.model import Facts, Result
from geotrim.ops.catalogue import ROUTE
from geotrim.ops.params import READINGS
from geotrim.ops.route_cases import Known, cases_side_by_side, lots_without_shore
from geotrim.ops.route_columns import COLUMNS
from geotrim.ops.route_counts import (
    COUNTS,
    outcome_columns,
    rule_counts,
    rules_told,
    way_counts,
)
from geotrim.ops.route_find_out import facts_to_find_out, find_out_words
from geotrim.ops.route_notes import facts_note, land_notes, shore_notes
from geotrim.ops.route_trees import Inputs
from geotrim.ops.tables import plain_table
from geotrim.rules.case import Case
from geotrim.rules.decide import decide
from geotrim.rules.derive import values_read
from geotrim.rules.duties import unmet_by_lot
from geotrim.rules.outcome import NONE, judged, outcomes
from geotrim.rules.readings import Readings
from geotrim.rules.rule_file import Rule, RuleFile
from geotrim.rules.rule_set import RuleSet, rule_set
from geotrim.rules.verdict import STATUS

BRIEF_COLUMNS: dict[str, tuple[str, ...]] = {
    "lot_outcomes": (*COLUMNS["lot_outcomes"], "unmet_duties", "to_find_out"),
    "lot_routes": (
        "lot_id",
        "route",
        "status",
        "n_open_trees",
        "n_depends_trees",
        "n_closed_trees",
    ),
    "lot_findings": ("lot_id", "rule_id", "is_of_the_way", *COUNTS),
    "tree_outcomes": ("lot_id", "crown_id", "outcome_route", "outcome_standing"),
}


def route_brief(
    lots: Any,
    mhw_line: Any,
    frontage: Result,
    *,
    riparian_lines: Result | None = None,
    fringe: Result | None = None,
    heights: Result | None = None,
    slices: Result | None = None,
    crowns: Any = None,
    trunks: Any = None,
    trunks_rmse_ft: float | None = None,
    mhw_facts: Mapping[str, Any] | None = None,
    mhw_origin: str | None = None,
    set_aside: Any = None,
    exclusions: Any = None,
    facts: Facts | None = None,
    calibrate: Result | None = None,
    profiles: Any = None,
    overlays: Iterable[RuleFile] = (),
    target_height_ft: float | None = None,
    stage_years: int = 1,
    confidence_frac: float = 0.95,
    unstated_height_error_ft: float = 1.46,
    **readings: str,
) -> Result:
    """Judge many lots by the rules at once, and tell how each way stands.

    Parameters
    ----------
    lots, mhw_line, frontage, ..., unstated_height_error_ft :
        As for :func:`geotrim.ops.route.route`. Lots that are not measured are not judged; results
        may hold more lots and trees than these.
    readings : str
        Likewise: how each question that the act leaves open is read, by its name.

    Returns
    -------
    Result
        Tables with the values that ``route`` has: ``lot_outcomes``, and in ``to_find_out`` what
        each lot hangs on (:mod:`geotrim.ops.route_find_out`); ``lot_routes`` without their reasons;
        ``lot_findings``, the counts of ``findings_by_rule``; ``tree_outcomes``. The note on facts
        that are missing names those of ``to_find_out``. Besides, ``unmet_duties``, the duties that
        ``outcome_words`` names, and ``is_of_the_way``: whether a rule bears on the way the lot is
        told by.

    Raises
    ------
    GeotrimError
        If a parameter is outside its limits.
    """
    said = dict(locals())
    numbers = {param.name: said[param.name] for param in ROUTE.params if param.name in said}
    defaults = {param.name: param.default for param in ROUTE.params}
    parameters = ROUTE.check({**defaults, **numbers, **readings})
    chosen = Readings({param.name: str(parameters[param.name]) for param in READINGS})
    given = Inputs.of(said)
    known, every = cases_side_by_side(given, values_read(chosen))
    rules = rule_set(overlays)
    reasons = dict(lots_without_shore(frontage))
    parts = [
        _tables(case, known, numbers_of, rules, chosen, confidence_frac, reasons)
        for numbers_of, case in every
    ]
    tables = {name: _in_order(name, parts) for name in BRIEF_COLUMNS}
    missing = facts_to_find_out(tables["lot_outcomes"]["to_find_out"])
    notes = known.notes + shore_notes(mhw_origin, mhw_facts or {}) + facts_note(missing)
    told = tables["lot_outcomes"][["lot_id", "shoreline_length_ft"]]
    for told_facts, (lot_id, length) in zip(known.facts, told.itertuples(index=False), strict=True):
        notes += land_notes(lot_id, told_facts, length)
    return Result("route", tables, tuple(notes), parameters)


def _tables(
    case: Case,
    known: Known,
    numbers: Any,
    rules: RuleSet,
    readings: Readings,
    confidence_frac: float,
    reasons: Mapping[str, str],
) -> dict[str, Any]:
    """Tables of lots that are judged together, each with a column ``lot`` of their numbers."""
    decision = decide(case, rules, readings, confidence_frac)
    found = outcomes(decision)
    cut = judged(decision, found)
    ids = [known.lots.ids[k] for k in numbers]
    ways = way_counts(decision, cut)
    every = rules_told(decision)
    counts = np.array([rule_counts(decision, rule, cut) for rule in every])
    status = np.array(STATUS, dtype=object)
    routes = {
        "route": list(ways),
        "status": np.array([status[way.best] for way in ways.values()]),
        "n_open_trees": np.array([way.n_open for way in ways.values()]),
        "n_depends_trees": np.array([way.n_depends for way in ways.values()]),
        "n_closed_trees": np.array([way.n_closed for way in ways.values()]),
    }
    findings: dict[str, Any] = {"rule_id": [rule.id for rule in every]}
    findings |= {name: counts[:, :, code] for name, code in COUNTS.items()}
    n = len(case.tree_ids)
    trees = {
        "crown_id": list(case.tree_ids),
        "outcome_route": found.route[:n],
        "outcome_standing": found.standing[:n],
    }
    words = find_out_words(decision, found, cut)
    unmet = unmet_by_lot(decision, found)
    told = outcome_columns(decision, found, ids, reasons, unmet)
    told["unmet_duties"] = [
        "; ".join(duties) if n and lot_id not in reasons else ""
        for lot_id, duties in zip(ids, unmet, strict=True)
    ]
    findings["is_of_the_way"] = np.array(
        [[is_of_the_way(rule, way) for way in told["outcome_route"]] for rule in every]
    )
    told["to_find_out"] = [
        "" if lot_id in reasons else text for lot_id, text in zip(ids, words, strict=True)
    ]
    return {
        "lot_outcomes": _table(numbers, told),
        "lot_routes": _by_lot(numbers, ids, routes),
        "lot_findings": _by_lot(numbers, ids, findings),
        "tree_outcomes": _table(
            case.rows.spread(numbers)[:n],
            {"lot_id": case.rows.spread(np.array(ids, dtype=object))[:n], **trees},
        ),
    }


#: Effects of rules that decide a way, or go with it.
_OF_A_WAY = ("condition", "check", "share", "stages", "notice")


def is_of_the_way(rule: Rule, route: str) -> bool:
    """Whether a rule bears on the way a lot is told by: a condition, a cap, a duty or a warning.

    Where no way is left, the conditions of all of them do. What tells plants apart never does: that
    a plant is no mangrove is no fault.
    """
    if rule.limit.measure == "is_mangrove":
        return False
    if rule.effect == "warning":
        return True
    if route == NONE:
        return rule.effect in ("condition", "check")
    return rule.effect in _OF_A_WAY and route in rule.routes


def _by_lot(numbers: Any, ids: list[str], columns: Mapping[str, Any]) -> Any:
    """A table of r rows a lot, of lists of r names and (r, m) arrays."""
    m, r = len(ids), len(next(iter(columns.values())))
    flat = {
        name: np.tile(np.array(values, dtype=object), m)
        if isinstance(values, list)
        else values.T.ravel()
        for name, values in columns.items()
    }
    lot_id = np.repeat(np.array(ids, dtype=object), r)
    return _table(np.repeat(numbers, r), {"lot_id": lot_id, **flat})


def _table(numbers: Any, columns: Mapping[str, Any]) -> Any:
    return pd.DataFrame({"lot": numbers, **columns})


def _in_order(name: str, parts: list[dict[str, Any]]) -> Any:
    """Tables of lots judged together put into one, in the order of the lots."""
    tables = [part[name] for part in parts if len(part[name])]
    if not tables:
        return plain_table([], BRIEF_COLUMNS[name])
    whole = pd.concat(tables, ignore_index=True)
    order = np.argsort(whole["lot"].to_numpy(), kind="stable")
    return plain_table(whole.iloc[order].reset_index(drop=True), BRIEF_COLUMNS[name])
