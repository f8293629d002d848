"""The rules a plan was judged by, made again from the tables it was written with.

A package holds no local rule files, but its findings hold every limit that was looked at, as it
stood then. So what is found afterwards is held against the same numbers as the plan was.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from geotrim.ops.window_rules import ASSUMED_WAY, Way
from geotrim.rules.rule_file import Limit, Rule, RuleFile, measures, routes
from geotrim.rules.rule_set import RuleSet, rule_set

_HOW = {"at most": "<=", "under": "<", "at least": ">=", "over": ">", "exactly": "=="}
_LIMIT = re.compile(rf"({'|'.join(_HOW)}) (-?[\d.]+(?:e[+-]?\d+)?) (\S.*)")
_WORDS = re.compile(rf"({'|'.join(_HOW)}) \$?(-?[\d.]+(?:e[+-]?\d+)?)(?: .*)?")
#: What stands in for the id of a local file whose name no finding tells.
LOCAL = "local"
#: Ways whose floor is the height of an earlier configuration.
EARLIER = ("earlier-configuration", "maintenance")
FLOOR_MEASURE = "height_after_ft"


def rules_of(findings: Any, by_rule: Any = None, consequence_rules: Any = None) -> RuleSet:
    """The rules in force when a plan was judged.

    Parameters
    ----------
    findings : DataFrame
        Table of that name; empty where no route was looked at.
    by_rule, consequence_rules : DataFrame, optional
        Tables ``findings_by_rule``, which has a rule whose findings were not listed since every
        tree meets it, and ``consequence_rules``.

    Returns
    -------
    RuleSet
        geotrim's own rules; those a local file made stricter with that limit, and the local
        file's own. The conditions under which a rule of a local file binds are not in the table:
        ``is_binding`` of its findings says it tree by tree.
    """
    own = rule_set()
    rules, files = dict(own.rules), list(own.files)
    for row in _one_a_rule(findings):
        name = str(row["rule_id"])
        known = rules.get(name)
        limit = _limit(row)
        if limit is None:
            continue
        if known is None:
            file_id = name.partition(":")[0] if ":" in name else LOCAL
            rules[name] = _local(row, file_id, limit)
            if file_id not in [file.id for file in files]:
                files.append(RuleFile(file_id, "overlay", file_id, "local", "", {}, {}))
        elif known.limit != limit:
            rules[name] = _tightened(known, limit, row)
    for table in (by_rule, consequence_rules):
        for row in () if table is None else _one_a_rule(table):
            known = rules.get(str(row["rule_id"]))
            if known is None or known.limit.words() == str(row["limit"]):
                continue
            limit = _limit_like(known.limit, str(row["limit"]))
            if limit is not None:
                rules[known.id] = _tightened(known, limit, row)
    return RuleSet(rules, tuple(files))


def _tightened(known: Rule, limit: Limit, row: Mapping[str, Any]) -> Rule:
    """One of geotrim's own rules as a local file made it stricter."""
    return replace(
        known,
        limit=limit,
        tightens=known.tightens or known.limit,
        tightened_by=LOCAL,
        section=str(row["section"]),
        confidence=str(row["confidence"]),
        words=str(row["words"]),
    )


def _limit_like(known: Limit, words: str) -> Limit | None:
    """A limit from its words, of the measure and unit of another.

    Examples
    --------
    >>> _limit_like(Limit("share_cut_low_frac", ">=", 0.05, "frac"), "at least 2 %").number
    0.02
    >>> _limit_like(Limit("donation", ">=", 4.0, "usd-per-ft2"), "over $6.5 per sq ft").compare
    '>'
    """
    found = _WORDS.fullmatch(words)
    if found is None:
        return None
    number = float(found[2])
    limit = replace(
        known, compare=_HOW[found[1]], number=number / 100 if known.unit == "frac" else number
    )
    return limit if limit.words() == words else None


def _one_a_rule(findings: Any) -> Iterator[Mapping[str, Any]]:
    if len(findings):
        yield from findings.drop_duplicates("rule_id").to_dict("records")


def _limit(row: Mapping[str, Any]) -> Limit | None:
    """The limit of a finding from its words, the other way round from ``Limit.words``.

    Examples
    --------
    >>> row = {"measure": measures()["top_height_ft"]["words"], "unit": "ft"}
    >>> _limit({**row, "limit": "at most 10 ft"})
    Limit(measure='top_height_ft', compare='<=', number=10.0, unit='ft')
    """
    key = {str(told["words"]): name for name, told in measures().items()}.get(str(row["measure"]))
    found = _LIMIT.fullmatch(str(row["limit"]))
    if key is None or found is None:
        return None
    number = float(found[2])
    unit = str(row["unit"])
    return Limit(key, _HOW[found[1]], number / 100 if unit == "frac" else number, unit)


def _local(row: Mapping[str, Any], file_id: str, limit: Limit) -> Rule:
    """A local file's own rule."""
    names = {str(told["name"]): key for key, told in routes().items()}
    keys = [names[part] for part in str(row["routes"]).split(", ") if part in names]
    return Rule(
        id=str(row["rule_id"]),
        file_id=file_id,
        limit=limit,
        when=(),
        applies_to="tree",
        binds="",
        routes=tuple(keys),
        effect=str(row["effect"]),
        section=str(row["section"]),
        confidence=str(row["confidence"]),
        read_on="",
        words=str(row["words"]),
    )


def route_taken(window_lots: Any, lots: Any, lot_id: str) -> tuple[str, bool]:
    """The way a lot's plan takes, and whether it is taken for want of one.

    Parameters
    ----------
    window_lots, lots : DataFrame
        Tables of those names, of this lot.

    Notes
    -----
    The way of the window that is staged; where heights are staged instead of a window, the way that
    came out for the lot by those heights goes before it.
    """
    order = [(window_lots, "way"), (lots, "outcome_route")]
    if _stages_heights(lots, lot_id):
        order.reverse()
    for table, column in order:
        if len(table) and column in table.columns:
            mine = table[table["lot_id"].astype(str) == lot_id]
            for name in mine[column]:
                if str(name) in routes() and str(name) != "no-mangrove":
                    return str(name), False
    return ASSUMED_WAY, True


def _stages_heights(lots: Any, lot_id: str) -> bool:
    """Whether the plan that is spread over years is that of heights, and no window."""
    if not len(lots) or "staged_plan" not in lots.columns:
        return False
    mine = lots[lots["lot_id"].astype(str) == lot_id]["staged_plan"]
    return bool((mine == "target-height").any())


def floors_of(way: Way, facts: Mapping[str, Any], rules: RuleSet) -> tuple[Rule, ...]:
    """Every rule of a way on the least height after the cut; the strictest of all ways for none.

    A rule that binds some trees only does not stand in for a lower one that binds all.
    """
    own = [
        rule
        for rule in rules.of_route(way.route, "condition")
        if rule.limit.measure == FLOOR_MEASURE and rule.limit.compare in (">", ">=")
    ]
    one = floor_of(way, facts, rules) if not own else None
    return tuple(own) if own else () if one is None else (one,)


def floor_of(way: Way, facts: Mapping[str, Any], rules: RuleSet) -> Rule | None:
    """The rule on the least height after the cut: the way's own, else the strictest of all ways.

    An earlier configuration has the floor that the facts of the lot tell.
    """
    if way.floor is not None:
        return way.floor
    every = [
        rule
        for rule in rules.rules.values()
        if rule.effect == "condition"
        and rule.limit.measure == FLOOR_MEASURE
        and rule.limit.compare in (">", ">=")
    ]
    strictest = max(every, key=lambda rule: rule.limit.number, default=None)
    earlier = facts.get("earlier_height_ft")
    if strictest is not None and way.route in EARLIER and earlier is not None:
        words = "After trimming no mangrove is under the height of the earlier configuration."
        limit = replace(strictest.limit, number=float(earlier))
        return replace(strictest, id="earlier-height", limit=limit, words=words)
    return strictest
