"""What a statement reads of one lot: the tables of the operation ``route``, as rows."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from geotrim.model import Site
from geotrim.report import facts
from geotrim.rules.outcome import LEFT_ALONE
from geotrim.rules.rule_file import Rule, measures, routes
from geotrim.rules.rule_set import RuleSet

Rows = list[dict[str, Any]]
#: Effects that decide whether a way is open.
DECIDING = ("condition", "check")


@dataclass(frozen=True, slots=True, eq=False)
class Lot:
    """One lot's rows, a list of mappings for each table; empty where the table has none.

    of_lot : rule id -> the finding that holds for the whole lot.
    too_tall, near : for each cap on the height before trimming, its rule's id -> ids of the trees
        that are surely over it, and of those too close to it to tell.
    known : the facts the user answered.
    stage_years : years the plan spreads the cut over.
    canopy_model : by which shares of foliage were worked out, "" where none was.
    height_words : what stick readings did to the heights, "" where nothing.
    window : crown id -> what the window does to the tree; empty where the lot has no window.
    """

    lot_id: str
    outcome: dict[str, Any]
    ways: Rows
    trees: Rows
    by_rule: Rows
    of_lot: Mapping[str, dict[str, Any]]
    too_tall: Mapping[str, frozenset[str]]
    near: Mapping[str, frozenset[str]]
    readings: Rows
    shares: Rows
    notices: Rows
    checklist: Rows
    questions: Rows
    rules: RuleSet
    known: Mapping[str, Any]
    stage_years: int = 1
    canopy_model: str = ""
    height_words: str = ""
    window: Mapping[str, str] = field(default_factory=dict)

    @property
    def maybe(self) -> Rows:
        """Trees that are mangroves or may be."""
        return [tree for tree in self.trees if flag(tree["is_mangrove"]) is not False]

    @property
    def others(self) -> Rows:
        """Trees that are other plants."""
        return [tree for tree in self.trees if flag(tree["is_mangrove"]) is False]

    @property
    def told_routes(self) -> set[str]:
        """Routes that trees are told by."""
        return {tree["outcome_route"] for tree in self.trees} & set(routes())

    @property
    def height_limits_ft(self) -> tuple[float, ...]:
        """Every number a height is held against. [ft]."""
        limits = [limit for rule in self.rules.rules.values() for limit in (rule.limit, *rule.when)]
        measures = ("top_height_ft", "height_after_ft")
        return tuple({limit.number for limit in limits if limit.measure in measures})

    @property
    def model_words(self) -> str:
        """By which canopy model shares of foliage are told (A-06), "" where none was used."""
        return f" (foliage by the canopy model {self.canopy_model})" if self.canopy_model else ""

    def rule(self, rule_id: str) -> Rule | None:
        """The rule itself, where it is one of those in force."""
        return self.rules.rules.get(rule_id)

    def words(self, rule: Rule) -> str:
        """A rule in words; of a local rule the limit too, as its words may not tell it."""
        words = rule.words.rstrip(".")
        is_told = self.rules.is_local(rule) and rule.limit.unit != "yes-no"
        return f"{words} (limit: {rule.limit.words()})" if is_told else words


def lot_of(site: Site, results: facts.Results, lot_id: str, rules: RuleSet) -> Lot | None:
    """Everything a statement tells of one lot, or None where it was not judged.

    Parameters
    ----------
    site : Site
    results : mapping
        Operation name -> Result.
    lot_id : str
    rules : RuleSet
        The rules in force for the site.
    """
    outcome = _rows(results, "lot_outcomes", lot_id)
    if not outcome:
        return None
    found = facts.table(results, "route", "findings", lot_id)
    return Lot(
        lot_id=lot_id,
        outcome=outcome[0],
        ways=_rows(results, "lot_routes", lot_id),
        trees=_rows(results, "tree_outcomes", lot_id),
        by_rule=_rows(results, "findings_by_rule", lot_id),
        of_lot=_of_lot(found),
        too_tall=_against_caps(found, rules, "not met"),
        near=_against_caps(found, rules, "too close"),
        readings=_rows(results, "readings", lot_id),
        shares=_rows(results, "shares", lot_id),
        notices=_rows(results, "notices", lot_id),
        checklist=_rows(results, "checklist", lot_id),
        questions=_rows(results, "questions", lot_id),
        rules=rules,
        known={} if site.facts is None else site.facts.of(lot_id),
        stage_years=int(facts.parameter(results, "route", "stage_years", 1)),
        canopy_model=str(facts.parameter(results, "slices", "canopy_model", None) or ""),
        height_words=facts.height_source(site, results)[1],
    )


def text(value: Any) -> str:
    """A text of a table, "" where there is none."""
    return value if isinstance(value, str) else ""


def number(value: Any) -> float:
    """A number of a table, NaN where there is none.

    Examples
    --------
    >>> number(3), number(None)
    (3.0, nan)
    """
    try:
        return float(value)
    except (TypeError, ValueError):  # None and pandas' NA
        return math.nan


def flag(value: Any) -> bool | None:
    """Yes, no, or None where it is not known.

    Examples
    --------
    >>> flag(1), flag(False), flag(float("nan"))
    (True, False, None)
    """
    known = number(value)
    return None if math.isnan(known) else bool(known)


def is_cut(tree: Mapping[str, Any]) -> bool:
    """Whether the plan cuts a tree, or may."""
    return bool(tree["outcome_route"] != LEFT_ALONE)


def column(route: str) -> str:
    """Column of ``tree_outcomes`` that holds a route's status."""
    return route.replace("-", "_")


def split(settles: Iterable[str]) -> tuple[dict[str, list[str]], list[str]]:
    """What would settle something, parted into what is measured of trees, and the rest.

    Parameters
    ----------
    settles : iterable of str
        Texts of a ``settle`` column, several things in one joined by "; ".

    Returns
    -------
    of_trees : dict
        Words of ``measures.toml``, with ``{tree}`` in them -> ids of trees.
    rest : list of str

    Examples
    --------
    >>> split(["height of 7: measure from the substrate; who owns the land"])
    ({'height of {tree}: measure from the substrate': ['7']}, ['who owns the land'])
    """
    of_trees: dict[str, list[str]] = {}
    rest: dict[str, None] = {}
    for part in (part for one in settles for part in text(one).split("; ") if part):
        for words, pattern in _patterns():
            if match := pattern.fullmatch(part):
                ids = of_trees.setdefault(words, [])
                if match[1] not in ids:
                    ids.append(match[1])
                break
        else:
            rest.setdefault(part)
    return of_trees, list(rest)


def _patterns() -> list[tuple[str, re.Pattern[str]]]:
    words = dict.fromkeys(str(one.get("settle", "")) for one in measures().values())
    parts = [(one, one.split("{tree}")) for one in words if one.count("{tree}") == 1]
    return [
        (one, re.compile(f"{re.escape(head)}(.+){re.escape(tail)}")) for one, (head, tail) in parts
    ]


def _rows(results: facts.Results, name: str, lot_id: str) -> Rows:
    table = facts.table(results, "route", name, lot_id)
    return [] if table is None else table.to_dict("records")


def _of_lot(found: Any) -> dict[str, dict[str, Any]]:
    if found is None:
        return {}
    whole = found[found["crown_id"].isna()]
    return {row["rule_id"]: row for row in whole.to_dict("records")}


def _against_caps(found: Any, rules: RuleSet, verdict: str) -> dict[str, frozenset[str]]:
    """Trees with this verdict on each cap on the height before trimming."""
    if found is None:
        return {}
    mine = found[(found["verdict"] == verdict) & ~found["crown_id"].isna()]
    caps = [
        rule.id
        for rule in rules.rules.values()
        if rule.limit.measure == "top_height_ft"
        and rule.limit.compare in ("<=", "<")
        and rule.effect == "condition"
        and not rule.when
    ]
    return {
        cap: frozenset(mine.loc[mine["rule_id"] == cap, "crown_id"].astype(str)) for cap in caps
    }
