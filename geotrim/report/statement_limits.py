"""Of one lot: every limit with its figure, verdict, margin and source."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from geotrim.report.statement_figures import figure, margin, span, with_error
from geotrim.report.statement_headline import names_of
from geotrim.report.statement_lot import Lot, flag, number, split, text
from geotrim.report.statement_parts import (
    Block,
    Cell,
    Heading,
    Paragraph,
    Span,
    Table,
    cell,
    count,
    line,
    mark,
    row,
    sentence,
    small,
    some,
)
from geotrim.report.statement_ways import COUNTS, MEMORY
from geotrim.rules.rule_file import Rule, measures, routes

LAND = "The fringe and the land"
WHO = "Who does the work, and how"
TREES = "Each tree"
SHARE = "How many of the mangroves"
STAGES = "Stages over years"
NOTICE = "Notices"
TOLD = "Told for completeness"
PRACTICE = "Good practice (advice of the trade, not law: it closes no way)"
LOCAL = "Local rules (of the local rule files of this site)"
#: Groups in the order they are told.
GROUPS = (LAND, WHO, TREES, SHARE, STAGES, NOTICE, LOCAL, PRACTICE, TOLD)
BY_EFFECT = {"share": SHARE, "stages": STAGES, "notice": NOTICE, "warning": PRACTICE, "told": TOLD}
OF_LAND = (
    "fringe_depth_ft", "is_island_out", "is_conservation_land", "is_mitigation_silent",
    "is_set_aside", "controls_land", "shoreline_length_ft",
)  # fmt: skip
OF_WORK = ("is_owner_supervising", "is_professional", "uses_herbicide")
#: Trees that are named where something of them would settle a limit.
MOST_IDS = 8


def limits(lot: Lot) -> list[Block]:
    """Tables of limits in groups; rules that say the same with the same figures share a row.

    Parameters
    ----------
    lot : Lot
    """
    grouped: dict[str, list[list[dict[str, Any]]]] = {}
    for same in _alike(lot):
        grouped.setdefault(_group(lot, same[0]), []).append(same)
    told = "Each limit, what was found, and where it is written. Words are ours, not the act's. "
    told += "The margin is that of the tree nearest to the limit, or furthest past it."
    blocks: list[Block] = [Heading("Limits and figures", 3), Paragraph(line(told))]
    for name in GROUPS:
        if name in grouped:
            rows = sorted(grouped[name], key=lambda same: _urgency(lot, same[0]))
            heads = ("Limit", "Figure", "Verdict", "Margin")
            table = Table(heads, tuple(_row(lot, same) for same in rows), "limits")
            blocks += [Heading(name, 4), table]
    return blocks


def source(*several: Mapping[str, Any], lead: str = "") -> list[Span]:
    """Where rules are written and how sure that is; what is from memory comes last, and stands out.

    Parameters
    ----------
    *several : mapping
        ``section`` and ``confidence``.
    lead : str
        Text before them.
    """
    by_sure: dict[str, dict[str, None]] = {}
    for one in several:
        by_sure.setdefault(text(one["confidence"]), {}).setdefault(text(one["section"]))
    told = [
        f"{'; '.join(sections)}, {sure}" for sure, sections in by_sure.items() if sure != MEMORY
    ]
    if MEMORY not in by_sure:
        return [small(f"{lead}{'; '.join(told)}.")]
    told.append("; ".join(by_sure[MEMORY]))
    memory = Span("from memory, check the current text.", "warn")
    return [small(f"{lead}{'; '.join(told)}, "), memory]


def _alike(lot: Lot) -> list[list[dict[str, Any]]]:
    """Findings by rule, those that say the same thing with the same figures together."""
    names = ("words", "limit", "unit", "effect", "is_local", *COUNTS.values())
    names = (*names, "value_low", "value_high", "least_margin", "settle")
    found: dict[Any, list[dict[str, Any]]] = {}
    for one in lot.by_rule:
        found.setdefault(tuple(str(one[name]) for name in names), []).append(one)
    return list(found.values())


def _group(lot: Lot, one: dict[str, Any]) -> str:
    rule = lot.rule(one["rule_id"])
    if flag(one["is_local"]):
        return LOCAL
    if one["effect"] in BY_EFFECT:
        return BY_EFFECT[one["effect"]]
    measure = "" if rule is None else rule.limit.measure
    return LAND if measure in OF_LAND else WHO if measure in OF_WORK else TREES


def _urgency(lot: Lot, one: dict[str, Any]) -> int:
    """Place of the worst verdict of a rule."""
    return next((k for k, (_, n) in enumerate(_verdicts(lot, one)) if n), len(COUNTS))


def _verdicts(lot: Lot, one: dict[str, Any]) -> list[tuple[str, int]]:
    """Verdicts, worst first, with how many trees have each; one where it is that of the lot."""
    whole = lot.of_lot.get(one["rule_id"])
    if whole is None:
        return [(verdict, int(one[name])) for verdict, name in COUNTS.items()]
    verdict = "not binding" if flag(whole["is_binding"]) is False else whole["verdict"]
    return [(name, int(name == verdict)) for name in COUNTS]


def _row(lot: Lot, same: list[dict[str, Any]]) -> tuple[Cell, ...]:
    one = same[0]
    fine: list[Span | str] = []
    if one["unit"] != "yes-no":
        fine.append(small(f"Limit: {one['limit']}. "))
    ways = [way for each in same for way in text(each["routes"]).split(", ") if way]
    if ways and one["effect"] != "warning":
        fine.append(small(f"For {_names(ways)}. "))
    told = cell(sentence(one["words"]), line(*fine, *source(*same, lead="Source: ")))
    return row(told, _figure(lot, one), _verdict(lot, one), _margin(one))


def _names(ways: list[str]) -> str:
    """Names of ways, as findings hold them, as a sentence lists them."""
    keys = {str(table["name"]): key for key, table in routes().items()}
    known = [keys[way] for way in dict.fromkeys(ways) if way in keys]
    return names_of(known) if len(known) == len(set(ways)) else ", ".join(ways)


def _limit_of(rule: Rule | None) -> tuple[float, ...]:
    return () if rule is None else (rule.limit.number,)


def _figure(lot: Lot, one: dict[str, Any]) -> Cell:
    whole, rule = lot.of_lot.get(one["rule_id"]), lot.rule(one["rule_id"])
    near = _limit_of(rule)
    if whole is not None:
        value, error = number(whole["value"]), number(whole["standard_error"])
        is_exact = one["unit"] in ("days", "months", "years")
        told = figure(value, one["unit"], *near)
        if one["unit"] == "yes-no":
            return cell(told, line(small(_asked(rule))))
        return cell(told if is_exact else with_error(value, error, one["unit"], *near))
    low, high = number(one["value_low"]), number(one["value_high"])
    if math.isnan(low):
        return cell("not known")
    if one["unit"] == "yes-no":
        told = "tree by tree" if low != high else figure(low, "yes-no")
        return cell(told, line(small(_asked(rule))))
    return cell(span(low, high, one["unit"], *near))


def _asked(rule: Rule | None) -> str:
    """What a yes or no is the answer to."""
    return "" if rule is None else str(measures()[rule.limit.measure]["words"])


def _verdict(lot: Lot, one: dict[str, Any]) -> Cell:
    every = [(name, n) for name, n in _verdicts(lot, one) if n]
    is_whole = one["rule_id"] in lot.of_lot
    lines = []
    for name, n in every:
        whom = "" if is_whole or not lot.trees else count(n, "tree")
        if name == "not binding" and len(every) > 1:
            lines.append(line(small(f"does not bind {whom}")))
            continue
        words = "does not bind" if name == "not binding" else ""
        lines.append(line(mark(name, words), f": {whom}" if whom else ""))
    of_trees, rest = split([text(one["settle"])])
    told = [
        *rest,
        *(words.replace("{tree}", some(ids, MOST_IDS)) for words, ids in of_trees.items()),
    ]
    if told:
        lines.append(line(small(f"to settle: {'; '.join(told)}")))
    return cell(*lines)


def _margin(one: dict[str, Any]) -> Cell:
    return cell(margin(number(one["least_margin"]), one["unit"]))
