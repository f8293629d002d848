"""Operation ``consequence``: what over-cutting may lead to, by figures given or by the plan."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from geotrim.errors import RangeError
from geotrim.model import Note, Result
from geotrim.ops.catalogue import CONSEQUENCE
from geotrim.ops.consequence_plan import TREE_COLUMNS, plan_of
from geotrim.ops.tables import plain_table
from geotrim.rules.consequence import (
    PRICE,
    RATIO,
    TRIGGER,
    YEARS,
    Counts,
    Restoration,
    fewest_and_most,
    restoration,
)
from geotrim.rules.rule_file import Rule, RuleFile, number_words
from geotrim.rules.rule_set import RuleSet, rule_set

COLUMNS = (
    "lot_id",
    "basis",
    "is_triggered",
    "words",
    "n_trimmed",
    "n_cut_low",
    "n_uncertain_trees",
    "share_cut_low_frac",
    "share_least_frac",
    "share_most_frac",
    "trigger_frac",
    "margin_frac",
    "n_more_to_trigger",
    "lost_area_ft2",
    "created_area_ft2",
    "credit_area_ft2",
    "donation_usd",
    "restoration_years",
    "section",
    "confidence",
)
RULE_COLUMNS = ("rule_id", "words", "limit", "section", "confidence", "read_on", "is_local")
#: Columns that count and may be unknown.
COUNTS = ("n_trimmed", "n_cut_low", "n_uncertain_trees", "n_more_to_trigger")


def consequence(
    crowns: Any = None,
    *,
    heights: Result | None = None,
    route: Result | None = None,
    overlays: Iterable[RuleFile] = (),
    n_trimmed: int | None = None,
    n_cut_low: int | None = None,
    lost_area_ft2: float | None = None,
    target_height_ft: float | None = None,
    confidence_frac: float = 0.95,
) -> Result:
    """Whether restoration would be due, and its arithmetic. For planning, not as advice.

    Parameters
    ----------
    crowns : GeoDataFrame, optional
        ``crown_id`` and polygons; the plan is ``is_to_trim`` and ``target_height_ft``. Without the
        first, every mangrove taller than its planned height is taken to be trimmed.
    heights, route : Result, optional
        Of those operations. With the second the plan is told lot by lot, and a tree cut below 6 ft
        does not count where paragraph (c) or (d) is open to it.
    overlays : iterable of RuleFile
        Local rule files; one may make the trigger stricter.
    n_trimmed, n_cut_low : int, optional
        Trees trimmed, and those of them cut below 6 ft, destroyed, defoliated or removed.
    lost_area_ft2 : float, optional
        Canopy area lost. If one of these three is given, the plan is not looked at. [ft2]
    target_height_ft : float, optional
        Height to be left, for crowns without their own. [ft]
    confidence_frac : float
        A height no farther from the planned one than its error at this confidence may be cut or
        not.

    Returns
    -------
    Result
        ``consequence``: a row a lot with a plan, or one for the figures given. ``is_triggered`` is
        NA where what is unknown decides; ``share_least_frac`` and ``share_most_frac`` say between
        what. The area lost is the whole crown, as drawn, of every tree that counts as cut low or
        may. The amounts are those that area would take, whether or not the trigger is reached.
        ``cut_low_trees``: those trees. ``consequence_rules``: the limits, with their sources.

    Raises
    ------
    GeotrimError
        If a parameter is outside its limits, only one of the two counts is given, or more trees
        are cut low than trimmed.

    Notes
    -----
    A tree counts as cut low where it would be left under 6 ft, or without foliage because its base
    (where known) is at or over the planned height. Source: s. 403.9332(1)(a) F.S.
    """
    parameters = CONSEQUENCE.check(
        {
            "n_trimmed": n_trimmed,
            "n_cut_low": n_cut_low,
            "lost_area_ft2": lost_area_ft2,
            "target_height_ft": target_height_ft,
            "confidence_frac": confidence_frac,
        }
    )
    rules = rule_set(overlays)
    notes: list[Note] = []
    trees: list[dict[str, Any]] = []
    if any(given is not None for given in (n_trimmed, n_cut_low, lost_area_ft2)):
        rows = [_figures_row(n_trimmed, n_cut_low, lost_area_ft2, rules)]
    else:
        rows, trees, notes = _plan_rows(crowns, heights, route, rules, parameters)
    limits = _rule_rows(rules) if rows else []
    tables = {
        "consequence": _counted(plain_table(rows, COLUMNS)),
        "cut_low_trees": plain_table(trees, TREE_COLUMNS).astype({"is_cut_low": "boolean"}),
        "consequence_rules": plain_table(limits, RULE_COLUMNS),
    }
    return Result("consequence", tables, tuple(notes), parameters)


def _figures_row(
    n_trimmed: int | None, n_cut_low: int | None, lost_area_ft2: float | None, rules: RuleSet
) -> dict[str, Any]:
    """The row of figures the user gave."""
    area = float("nan") if lost_area_ft2 is None else lost_area_ft2
    if n_trimmed is None and n_cut_low is None:
        return consequence_row(None, "figures given", None, area, rules)
    for name, value in (("n_trimmed", n_trimmed), ("n_cut_low", n_cut_low)):
        if value is None:
            raise RangeError(
                name, "nothing", "both n_trimmed and n_cut_low, or neither", f"give {name} too"
            )
    counts = Counts(int(n_trimmed or 0), int(n_cut_low or 0))
    return consequence_row(None, "figures given", (counts, counts), area, rules)


def _plan_rows(
    crowns: Any,
    heights: Result | None,
    route: Result | None,
    rules: RuleSet,
    parameters: Mapping[str, Any],
) -> tuple[list[dict[str, Any]], list[dict[str, Any]], list[Note]]:
    """Rows of the lots with a plan, rows of their trees that count or may, and notes."""
    plan = None if crowns is None else plan_of(crowns, heights, route, rules, parameters)
    if plan is None or not plan.is_planned.any():
        text = (
            "no plan is given (is_to_trim and target_height_ft of the crowns), nor any figures, so "
            "the trigger for restoration is not looked at"
        )
        return [], [], [Note("consequence", text, "missing")]
    rows, trees = [], []
    for lot_id in dict.fromkeys(plan.lot_id[plan.is_planned]):
        mine = plan.lot_id == lot_id
        counts = fewest_and_most(plan.is_trimmed[mine], plan.is_low[mine])
        may = mine & (plan.is_trimmed != 0.0) & (plan.is_low != 0.0)
        sure = may & (plan.is_trimmed == 1.0) & (plan.is_low == 1.0)
        area = float(plan.area_ft2[may].sum())
        row = consequence_row(lot_id, "plan", counts, area, rules)
        row["n_trimmed"] = int((plan.is_trimmed[mine] == 1.0).sum())
        row["n_cut_low"], row["n_uncertain_trees"] = int(sure.sum()), int((may & ~sure).sum())
        rows.append(row)
        trees += [plan.tree_row(k, is_sure=bool(sure[k])) for k in np.flatnonzero(may).tolist()]
    return rows, trees, [*plan.notes, *_plan_notes(trees)]


def consequence_row(
    lot_id: str | None,
    basis: str,
    counts: tuple[Counts, Counts] | None,
    area_ft2: float,
    rules: RuleSet,
) -> dict[str, Any]:
    """One row of the table ``consequence``, from the counts of the least and greatest share."""
    least, most = (
        restoration(one.n_trimmed, one.n_cut_low, area_ft2, rules.rules)
        for one in (counts or (Counts(0, 0), Counts(0, 0)))
    )
    is_known = counts is not None and least.is_due == most.is_due
    worst = least if most.is_due else most  # of those that agree, the one that says less
    is_one = counts is not None and counts[0] == counts[1]
    used = [rules.rules[name] for name in (TRIGGER, RATIO, PRICE, YEARS)]
    return {
        "lot_id": lot_id,
        "basis": basis,
        "is_triggered": least.is_due if is_known else None,
        "words": _words(counts, least, most, rules.rules[TRIGGER]),
        "n_trimmed": counts[0].n_trimmed if is_one and counts else None,
        "n_cut_low": counts[0].n_cut_low if is_one and counts else None,
        "n_uncertain_trees": 0 if is_one else None,
        "share_cut_low_frac": least.share_frac if is_one else np.nan,
        "share_least_frac": least.share_frac,
        "share_most_frac": most.share_frac,
        "trigger_frac": rules.rules[TRIGGER].limit.number,
        "margin_frac": worst.margin_frac if is_known else np.nan,
        "n_more_to_trigger": worst.n_more if is_known else None,
        "lost_area_ft2": area_ft2,
        "created_area_ft2": most.created_area_ft2,
        "credit_area_ft2": most.created_area_ft2,
        "donation_usd": most.donation_usd,
        "restoration_years": most.years,
        "section": "; ".join(dict.fromkeys(rule.section for rule in used)),
        "confidence": "; ".join(dict.fromkeys(rule.confidence for rule in used)),
    }


def _words(
    counts: tuple[Counts, Counts] | None, least: Restoration, most: Restoration, trigger: Rule
) -> str:
    """How it stands with the trigger, in one sentence."""
    limit = f"the trigger is {trigger.limit.words()}"
    if counts is None:
        return f"How many trees were trimmed, and how many cut low, is not given; {limit}."
    told = f"{_count_words(*counts)}; {limit}"
    if least.is_due != most.is_due:
        return f"Cannot be told: {told}."
    if most.is_due:
        return f"Reached: {told}."
    if most.n_more is None:
        return f"Not reached: {told}."
    return f"Not reached: {told}; {most.n_more} more of them cut low would reach it."


def _count_words(least: Counts, most: Counts) -> str:
    """How many of how many trees are cut low, and their share; the least, and the greatest.

    Examples
    --------
    >>> _count_words(Counts(21, 1), Counts(21, 1))
    '1 of 21 trimmed trees (4.76 %) cut low'
    >>> _count_words(Counts(20, 1), Counts(18, 2))
    'from 1 of 20 trimmed trees (5 %) to 2 of 18 (11.11 %) cut low'
    >>> _count_words(Counts(0, 0), Counts(1, 1))
    'from none to 1 of 1 trimmed tree (100 %) cut low'
    """
    if not most.n_cut_low:
        return "no tree cut low"
    if least == most:
        return f"{_part(most, is_first=True)} cut low"
    first = _part(least, is_first=True) if least.n_cut_low else "none"
    return f"from {first} to {_part(most, is_first=not least.n_cut_low)} cut low"


def _part(one: Counts, *, is_first: bool) -> str:
    """Trees cut low of those trimmed, with their share; what they are only where it is first."""
    share = number_words(round(one.n_cut_low / max(one.n_trimmed, 1), 4), "frac")
    trees = f" trimmed tree{'' if one.n_trimmed == 1 else 's'}" if is_first else ""
    return f"{one.n_cut_low} of {one.n_trimmed}{trees} ({share})"


def _plan_notes(trees: list[dict[str, Any]]) -> list[Note]:
    """What the trees cut low make it needful to say."""
    notes = []
    unsure = sum(row["is_cut_low"] is None for row in trees)
    if trees:
        text = "the whole crown, as drawn, is taken as canopy lost where a tree is cut low"
        notes.append(Note("consequence", text, "assumed"))
    if unsure:
        text = f"planned trees that may count as cut low or not: {unsure}; cut_low_trees says why"
        notes.append(Note("consequence", text, "missing"))
    return notes


def _rule_rows(rules: RuleSet) -> list[dict[str, Any]]:
    """The limits used, with their sources."""
    return [
        {
            "rule_id": name,
            "words": rules.rules[name].words,
            "limit": rules.rules[name].limit.words(),
            "section": rules.rules[name].section,
            "confidence": rules.rules[name].confidence,
            "read_on": rules.rules[name].read_on,
            "is_local": rules.is_local(rules.rules[name]),
        }
        for name in (TRIGGER, RATIO, PRICE, YEARS)
    ]


def _counted(table: Any) -> Any:
    """The table with counts and flags that may be unknown."""
    return table.astype({"is_triggered": "boolean", **dict.fromkeys(COUNTS, "Int64")})
