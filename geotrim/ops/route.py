"""Operation ``route``: which limits a lot meets, and which way to an authorisation that leaves."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd

from geotrim.model import Facts, Result
from geotrim.ops import route_tables as tables
from geotrim.ops.catalogue import ROUTE
from geotrim.ops.params import READINGS
from geotrim.ops.route_cases import cases, lots_without_shore
from geotrim.ops.route_columns import COLUMNS
from geotrim.ops.route_counts import outcome_columns
from geotrim.ops.route_notes import land_notes, missing_facts, shore_notes
from geotrim.ops.route_submission import filled
from geotrim.ops.route_trees import Inputs
from geotrim.ops.tables import join_tables, plain_table
from geotrim.rules.compare import reading_rows
from geotrim.rules.decide import Decision, decide
from geotrim.rules.duties import told
from geotrim.rules.outcome import outcomes
from geotrim.rules.readings import Readings
from geotrim.rules.rule_file import RuleFile
from geotrim.rules.rule_set import rule_set
from geotrim.rules.submission import checklist

#: Made as tables from the start, others row by row.
WHOLE = ("lot_outcomes", "tree_outcomes")
#: Findings of single trees that are met are left out on lots with more trees than this.
MOST_TREES = 500


def route(
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
    share_cap_reading: str = "owner-and-professional",
    share_measure_reading: str = "smallest",
    shoreline_reading: str = "along-line",
    substrate_reading: str = "as-given",
    substrate_place_reading: str = "under-the-trunk",
    foliage_reading: str = "standing-each-year",
    quarter_reading: str = "from-16-ft",
    cap_reading: str = "each-tree",
    depth_reading: str = "greatest",
    square_reading: str = "general-direction",
    cliff_reading: str = "as-written",
    season_reading: str = "october-to-march",
    boundary_reading: str = "trunk",
    island_reading: str = "every-island",
) -> Result:
    """Judge each lot and tree by the rules, and tell which routes are open, closed or depend.

    Parameters
    ----------
    lots, mhw_line, crowns, trunks, trunks_rmse_ft, mhw_facts, mhw_origin :
        As :class:`geotrim.model.Site` holds them. Whatever is not given is unknown.
    set_aside, exclusions, facts :
        Likewise.
    frontage, riparian_lines, fringe, heights, slices, calibrate : Result
        Of those operations; all but the first may be missing.
    profiles : DataFrame, optional
        Leaf-area weights that ``slices`` were measured by.
    overlays : iterable of RuleFile
        Local rule files; they can only tighten, or ask for a check.
    target_height_ft, stage_years, confidence_frac, unstated_height_error_ft :
        The plan, and how sure a figure must be; see the operation's parameters.
    share_cap_reading ... island_reading : str
        How each question that the act leaves open is read; see ``rules/readings.toml``.

    Returns
    -------
    Result
        ``lot_outcomes``, ``lot_routes``, ``tree_outcomes``; ``findings`` one by one and
        ``findings_by_rule``; ``readings`` with what another one would change; ``shares`` (the 65 %
        cap), ``notices``, ``checklist`` and ``questions`` (what to find out first).

    Notes
    -----
    "Open" means that no limit in the rule files closes a route by these figures. It is no
    permission: the department or the delegated local government decides.
    """
    said = dict(locals())
    parameters = ROUTE.check({param.name: said[param.name] for param in ROUTE.params})
    rules = rule_set(overlays)
    readings = Readings({param.name: str(parameters[param.name]) for param in READINGS})
    given = Inputs.of(said)
    every, notes = cases(given)
    decisions = [decide(case, rules, readings, confidence_frac) for case in every]
    reasons = dict(lots_without_shore(frontage))
    extra = _species(crowns)
    parts: dict[str, list[Any]] = {name: [] for name in COLUMNS}
    for decision in decisions:
        for name, rows in _lot_tables(decision, reasons, extra, mhw_origin).items():
            parts[name] += [rows] if isinstance(rows, pd.DataFrame) else rows
    found = {
        name: (join_tables if name in WHOLE else plain_table)(rows, COLUMNS[name])
        for name, rows in parts.items()
    }
    notes += shore_notes(mhw_origin, mhw_facts or {}) + missing_facts(found["questions"])
    for decision in decisions:
        length = float(decision.measures["shoreline_length_ft"].value)
        notes += land_notes(decision.case.lot_id, decision.case.facts, length)
    return Result("route", found, tuple(notes), parameters)


def _lot_tables(
    decision: Decision, reasons: Mapping[str, str], extra: Any, mhw_origin: str | None
) -> dict[str, Any]:
    """Rows of every table for one lot."""
    lot_id = decision.case.lot_id
    lot = tables.lot_of(decision, [extra["species"].get(i) for i in decision.case.tree_ids])
    every = tables.finding_list(lot, MOST_TREES)
    ready = filled(decision, lot.found, lot.plan, lot.species, mhw_origin)
    return {
        "lot_outcomes": pd.DataFrame(outcome_columns(decision, lot.found, [lot_id], reasons)),
        "lot_routes": tables.route_rows(lot),
        "tree_outcomes": tables.tree_rows(lot) if decision.case.tree_ids else [],
        "findings": tables.finding_rows(every),
        "findings_by_rule": tables.rule_rows(lot, every),
        "readings": reading_rows(decision, lambda other: told(other, outcomes(other))),
        "shares": tables.cap_rows(decision),
        "notices": tables.notice_rows(decision),
        "checklist": [{"lot_id": lot_id, **row} for row in checklist(ready)],
        "questions": tables.question_rows(lot),
    }


def _species(crowns: Any) -> Any:
    """Species of each crown by id."""
    if crowns is None:
        return pd.DataFrame({"species": []})
    names = crowns["species"] if "species" in crowns.columns else [None] * len(crowns)
    return pd.DataFrame({"species": list(names)}, index=crowns["crown_id"].astype(str))
