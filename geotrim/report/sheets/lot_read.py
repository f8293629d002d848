"""What a statement tells of a lot, read back from a package.

One-row-a-tree and one-row-a-lot measures stand joined in the layers ``crowns`` and ``lots``; here
they are taken apart again. Local rules are known by what the package says of them.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from geotrim.io.package_read import Package
from geotrim.ops.package_rules import rules_of
from geotrim.report.statement_lot import Lot, Rows, column, number, text
from geotrim.report.statement_two_plans import by_the_plan_drawn, of_trees
from geotrim.rules.rule_file import routes
from geotrim.rules.rule_set import RuleSet

#: Columns of a tree's outcome, beside those of the routes.
OUTCOME = (
    "species", "is_mangrove", "top_height_ft", "height_error_ft", "target_height_ft",
    "height_source", "outcome_route", "outcome_standing", "removed_frac", "n_stage_years",
    "is_staged", "settle",
)  # fmt: skip


def lot_of_package(package: Package, lot_id: str) -> Lot | None:
    """Everything a statement tells of one lot, or None where the package does not judge it.

    Parameters
    ----------
    package : Package
    lot_id : str
    """
    lots = records(package, "lots", lot_id)
    if not lots or "outcome_words" not in lots[0] or not text(lots[0]["outcome_words"]):
        return None
    rules = rules_of(package.rows("findings", lot_id))
    found = records(package, "findings", lot_id)
    lot = Lot(
        lot_id=lot_id,
        outcome={"reason": "", **lots[0]},
        ways=records(package, "lot_routes", lot_id),
        trees=tree_outcomes(package, lot_id),
        by_rule=records(package, "findings_by_rule", lot_id),
        of_lot={row["rule_id"]: row for row in found if not text(row["crown_id"])},
        too_tall=_against_caps(found, rules, "not met"),
        near=_against_caps(found, rules, "too close"),
        readings=records(package, "readings", lot_id),
        shares=records(package, "shares", lot_id),
        notices=records(package, "notices", lot_id),
        checklist=records(package, "checklist", lot_id),
        questions=records(package, "questions", lot_id),
        rules=rules,
        known=package.record["facts"].get(lot_id, {}),
        stage_years=int(package.parameter("route", "stage_years", 1)),
        canopy_model=str(package.parameter("slices", "canopy_model") or ""),
    )
    return by_the_plan_drawn(
        package.results, replace(lot, window=of_trees(package.results, lot_id))
    )


def judged_lot(package: Package, lot_id: str) -> Lot | None:
    """The same, or None where nothing of the lot could be judged: it has no shoreline, no tree."""
    lot = lot_of_package(package, lot_id)
    if lot is None or (not lot.trees and math.isnan(number(lot.outcome["shoreline_length_ft"]))):
        return None
    return lot


def records(package: Package, name: str, lot_id: str) -> Rows:
    """Rows of a table of one lot as mappings."""
    table = package.rows(name, lot_id)
    rows: Rows = table.to_dict("records") if len(table) else []
    return rows


def tree_outcomes(package: Package, lot_id: str) -> Rows:
    """What came out for each tree of a lot, in the order of the crowns.

    A column that the crowns have as well, with other values, is named after its table there.
    """
    crowns = package.rows("crowns", lot_id)
    if "outcome_route" not in crowns.columns:
        return []
    names = {name: own(crowns, name) for name in (*OUTCOME, *(column(r) for r in routes()))}
    return [
        {"crown_id": str(row["crown_id"]), **{name: row.get(at) for name, at in names.items()}}
        for row in crowns.to_dict("records")
        if text(row["outcome_route"])
    ]


def own(crowns: Any, name: str) -> str:
    """Name of a column of ``tree_outcomes`` in the layer ``crowns``.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame(columns=["species", "tree_outcomes_species", "settle"])
    >>> own(table, "species"), own(table, "settle")
    ('tree_outcomes_species', 'settle')
    """
    prefix = next((front for front in ("is_", "n_") if name.startswith(front)), "")
    longer = f"{prefix}tree_outcomes_{name.removeprefix(prefix)}"
    return longer if longer in crowns.columns else name


def _against_caps(found: Rows, rules: RuleSet, verdict: str) -> dict[str, frozenset[str]]:
    """Trees with this verdict on each cap on the height before trimming."""
    caps = [
        rule.id
        for rule in rules.rules.values()
        if rule.limit.measure == "top_height_ft" and rule.limit.compare in ("<=", "<")
        and rule.effect == "condition" and not rule.when
    ]  # fmt: skip
    mine = [row for row in found if row["verdict"] == verdict and text(row["crown_id"])]
    return {
        cap: frozenset(str(row["crown_id"]) for row in mine if row["rule_id"] == cap)
        for cap in caps
    }
