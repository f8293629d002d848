"""Duties that go with ways that are not closed, in words for a terminal.

A cap on how many trees, stages over years, and notices close no way: "open" says nothing of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Any

from geotrim.model import Site
from geotrim.report import facts
from geotrim.report.fold import bullet, fold
from geotrim.report.statement_figures import day, figure
from geotrim.report.statement_headline import names_of
from geotrim.report.statement_lot import Lot, flag, is_cut, lot_of, number, text
from geotrim.report.statement_parts import count
from geotrim.report.statement_ways import MEMORY
from geotrim.rules.outcome import CLOSED
from geotrim.rules.rule_file import number_words, routes
from geotrim.rules.rule_set import rule_set

CHECK = "(from memory: check the current text)"
#: Caps of which the act does not say what the share is of.
OF_THREE = ("owner-share", "professional-share")
#: What a duty stands at where it can be told.
SETTLED = ("met", "not met")

#: Verdict, words before and after the names of its ways, route, how sure its rule is.
Duty = tuple[str, str, str, str, str]


def duties(site: Site, results: facts.Results, lot_id: str) -> list[str]:
    """The duties of one lot, those that are not met first.

    Parameters
    ----------
    site : Site
        Its overlays are read.
    results : mapping
        Operation name -> Result.
    lot_id : str

    Returns
    -------
    list of str
        Lines; none where every way is closed, or none has a duty.
    """
    lot = lot_of(site, results, lot_id, rule_set(site.overlays))
    if lot is None:
        return []
    may_be = {str(way["route"]) for way in lot.ways if way["status"] != CLOSED} & set(routes())
    found = [*_shares(lot, may_be), *_stages(lot, may_be), *_notices(lot, may_be)]
    told = [*_told(found), *_practice(lot, may_be)]
    if not told:
        return []
    head = "Duties that go with these ways. They close none, so open does not say they are kept:"
    return ["", *fold(head), *(one for words in told for one in bullet(words))]


def _told(found: Iterable[Duty]) -> list[str]:
    """Duties in words, alike ones of several ways together."""
    same: dict[tuple[str, str, str, str], list[str]] = {}
    for verdict, before, after, route, sure in found:
        how = verdict if verdict in SETTLED else "not settled"
        same.setdefault((how, before, after, sure), []).append(route)
    order = ("not met", "not settled", "met")
    lines = []
    for (how, before, after, sure), several in sorted(
        same.items(), key=lambda pair: order.index(pair[0][0])
    ):
        check = f" {CHECK}" if sure == MEMORY else ""
        lines.append(f"{how.upper()}: {before} {names_of(several)}{after}{check}")
    return lines


def _shares(lot: Lot, may_be: set[str]) -> Iterator[Duty]:
    """Caps that bind, or may: what the plan cuts, and what they leave three ways."""
    for cap in lot.shares:
        if cap["route"] not in may_be or flag(cap["is_binding"]) is False:
            continue
        share = number(cap["share_frac"])
        before = f"the cap of {number_words(round(share, 4), 'frac')} under"
        after = "" if flag(cap["is_binding"]) else " (whether it binds is not settled)"
        n = int(cap["n_counted_trees"])
        if n:
            after += f": {_planned(cap, share)}; it leaves {cap['n_allowed_trees']}"
            after += _of("allowed_length_ft", "counted_length_ft", "ft", "of fringe", cap)
            after += _of("allowed_area_ft2", "counted_area_ft2", "ft2", "of canopy", cap)
            after += ": choose which" if cap["verdict"] == "not met" else ""
        if more := int(cap["n_uncertain_trees"]):
            after += f" ({count(more, 'more tree')} may count)"
        yield cap["verdict"], before, after, cap["route"], text(cap["confidence"])


def _planned(cap: dict[str, Any], share: float) -> str:
    """What the plan cuts of the trees that count."""
    planned = number(cap["planned_share_frac"])
    if math.isnan(planned):
        return f"how many of {count(cap['n_counted_trees'], 'mangrove')} are cut is not known"
    told = f"as planned {cap['n_planned_trees']} of {count(cap['n_counted_trees'], 'mangrove')}"
    share_words = figure(planned, "frac", share) + " at most" * bool(cap["n_uncertain_trees"])
    how = ", as A-02 is read" if cap["rule_id"] in OF_THREE else ""
    return f"{told} {'is' if cap['n_planned_trees'] == 1 else 'are'} cut ({share_words}{how})"


def _of(part: str, whole: str, unit: str, what: str, cap: dict[str, Any]) -> str:
    if math.isnan(number(cap[part])):
        return ""
    return f", {figure(number(cap[part]), unit)} of {figure(number(cap[whole]), unit)} {what}"


def _stages(lot: Lot, may_be: set[str]) -> Iterator[Duty]:
    """Trees that come down in stages, way by way: the longest, and the years that are planned."""
    for route in (name for name in routes() if name in may_be):
        mine = [tree for tree in lot.maybe if is_cut(tree) and tree["outcome_route"] == route]
        staged = [number(t["n_stage_years"]) for t in mine if flag(t["is_staged"])]
        unsure = sum(flag(tree["is_staged"]) is None for tree in mine)
        if not staged and not unsure:
            continue
        known = [years for years in staged if not math.isnan(years)]
        short = sum(years > lot.stage_years for years in known)
        is_known = len(known) == len(staged) and not unsure
        verdict = "not met" if short else "met" if is_known else "unknown"
        yield verdict, "stages under", _stage_words(lot, staged, unsure), route, _sure(lot, route)


def _stage_words(lot: Lot, staged: list[float], unsure: int) -> str:
    known = [years for years in staged if not math.isnan(years)]
    told = f": {count(len(staged), 'tree comes', 'trees come')} down in stages" if staged else ":"
    if known:
        told += f"; the longest needs {count(int(max(known)), 'year')}, "
        told += f"{lot.stage_years} {'is' if lot.stage_years == 1 else 'are'} planned"
    if short := sum(years > lot.stage_years for years in known):
        told += f", too few for {count(short, 'tree')}"
    if len(staged) > len(known):
        told += f"; for {count(len(staged) - len(known), 'tree')} the years cannot be told"
    if unsure:
        told += f"{';' if staged else ''} whether they bind {count(unsure, 'tree')} is not settled"
    return f"{told}{lot.model_words}"


def _sure(lot: Lot, route: str) -> str:
    """How sure the rules on stages of a way are: from memory where one is."""
    name = routes()[route]["name"]
    sure = [
        text(one["confidence"])
        for one in lot.by_rule
        if one["effect"] == "stages" and name in text(one["routes"]).split(", ")
    ]
    return MEMORY if MEMORY in sure else ""


def _notices(lot: Lot, may_be: set[str]) -> Iterator[Duty]:
    """Notices that bind, or may: in time, too late by so many days, or what is not known."""
    for one in lot.notices:
        if one["route"] not in may_be or flag(one["is_binding"]) is False:
            continue
        short, lead, due = number(one["short_days"]), number(one["lead_days"]), text(one["due"])
        before = "notice" if math.isnan(lead) else f"notice {count(int(lead), 'day')} ahead"
        names = {"notice_date": "the day it is given", "start_date": "the day the work starts"}
        missing = [words for key, words in names.items() if not text(one[key])]
        if missing:
            after = f": cannot be counted without {' and '.join(missing)}"
        elif short > 0:
            after = f": {count(math.ceil(short), 'day')} too late"
        else:
            after = ": in time"
        after += f"; due by {day(due)}" if due else ""
        after += "" if flag(one["is_binding"]) else "; whether it is asked for is not settled"
        yield one["verdict"], f"{before} for", after, one["route"], text(one["confidence"])


def _practice(lot: Lot, may_be: set[str]) -> list[str]:
    """Advice of the trade that the plan does not follow, in one line."""
    names = {str(routes()[route]["name"]) for route in may_be}
    told = []
    for one in lot.by_rule:
        if one["effect"] != "warning" or not one["n_not_met"]:
            continue
        if not names & set(text(one["routes"]).split(", ")):
            continue
        rule = lot.rule(one["rule_id"])
        is_whole = one["rule_id"] in lot.of_lot or (rule is not None and rule.applies_to == "lot")
        whom = "" if is_whole or not lot.trees else f" ({count(int(one['n_not_met']), 'tree')})"
        words = text(one["words"]).split(":")[0].rstrip(".")
        check = f" {CHECK}" if one["confidence"] == MEMORY else ""
        told.append(f"{words}{whom}{check}")
    return [f"Good practice not followed (advice, no limit): {'; '.join(told)}"] if told else []
