"""What came out for a lot, in a few sentences for its owner."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from typing import Any

from geotrim.ops.route_tables import STILL
from geotrim.report.statement_figures import day, figure
from geotrim.report.statement_lot import Lot, Rows, flag, number, text
from geotrim.report.statement_parts import Line, count, line, listed, mark, sentence, strong
from geotrim.rules.outcome import (
    CLOSED,
    DEPENDS,
    LEFT_ALONE,
    NONE,
    OPEN,
    OTHER_PLAN,
    OUTSIDE,
    PROOFS,
    UNCUT,
)
from geotrim.rules.rule_file import Rule, measures, number_words, routes
from geotrim.rules.settle import is_plan
from geotrim.rules.species import species_key

#: What each way asks of an owner, said once where trees are told by it.
ASKS = {
    "owner-exemption": "The owner does or supervises the work.",
    "professional-exemption": "A professional mangrove trimmer has to do or supervise the work.",
    "earlier-configuration": "Papers or photographs have to show the earlier shape.",
    "maintenance": "The earlier lawful trimming has to be shown.",
    "general-permit": "It takes a written notice and a professional mangrove trimmer.",
    "individual-permit": "It takes an application, which is weighed case by case.",
}
#: Standings of an outcome, best first.
ORDER = (OPEN, DEPENDS, OTHER_PLAN, CLOSED, UNCUT)
#: Measures of the land, which hold for the whole lot though a drawing may tell them tree by tree.
LAND = ("fringe_depth_ft", "is_island_out", "is_conservation_land", "is_mitigation_silent")
#: Measures of who does the work.
OF_WHO = ("is_owner_supervising", "is_professional")
#: Routes whose closing by the land itself is worth a sentence of its own.
MAIN = ("owner-exemption", "professional-exemption", "general-permit", "individual-permit")


def headline(lot: Lot) -> list[Line]:
    """A lead sentence, then what else an owner should know first.

    Parameters
    ----------
    lot : Lot

    Returns
    -------
    list of Line
        The lead first. Trees are counted as they stand in ``tree_outcomes``; those of unknown
        species count as mangroves and are told besides.
    """
    reason = text(lot.outcome["reason"])
    if not lot.trees:
        if math.isnan(number(lot.outcome["shoreline_length_ft"])):
            told = "No shoreline was found for this lot, so nothing is judged."
            check = "Check the title, the lot's boundary and the shore line that was used."
            return [line(told), line(sentence(reason) if reason else check)]
        told = "No tree is recorded on this lot or in front of it, so none is judged."
        return [line(told), line(_without_trees(lot)), *_land(lot)]
    if not lot.maybe:
        return [*_no_mangrove(lot)]
    groups = _groups(lot.maybe)
    lead, *more = _lead(lot, groups)
    first = [lead, *more, *_land(lot)]
    if len(groups) > 1:
        first = [lead, *_land(lot), *_told(lot, groups)]
    missed = _missed(lot) if OPEN in {how for _, how in groups} else []
    rest = (_plan_otherwise, _staged, _caps, _late, _rest)
    return [first[0], *missed, *first[1:], *(one for part in rest for one in part(lot))]


def _missed(lot: Lot) -> list[Line]:
    """That open tells of limits alone, where a duty of an open way is not kept as planned."""
    bad = mark("not met").kind
    duties = [*_staged(lot), *_caps(lot), *_late(lot)]
    if not any(piece.kind == bad for one in duties for piece in one):
        return []
    told = " tells of limits alone. A duty that goes with it is not met as planned; see below."
    return [line(strong("Open"), told)]


def name_of(route: str) -> str:
    """A route as a sentence names it.

    Examples
    --------
    >>> name_of("owner-exemption"), name_of("maintenance"), name_of("general-permit")
    ('owner exemption', 'maintenance exemption', 'general permit')
    """
    table = routes()[route]
    name, kind = str(table["name"]).lower(), str(table["kind"])
    return f"{name} exemption" if kind == "exemption" and not name.endswith(kind) else name


def names_of(several: Collection[str]) -> str:
    """Some routes as a sentence names them, exemptions first.

    Examples
    --------
    >>> names_of(["owner-exemption", "maintenance"]), names_of(["general-permit"])
    ('the owner and maintenance exemptions', 'the general permit')
    """
    told = []
    for kind in ("exemption", "permit"):
        mine = [name_of(r).removesuffix(f" {kind}") for r in several if routes()[r]["kind"] == kind]
        if mine:
            told.append(f"the {listed(mine)} {kind}{'s' * (len(mine) > 1)}")
    if OUTSIDE in several:
        told.append("plants outside the act")
    return listed(told)


def _groups(trees: Rows) -> dict[tuple[str, str], Rows]:
    """Trees by route and standing, the best standing first."""
    order = [*routes(), NONE, LEFT_ALONE]
    found: dict[tuple[str, str], Rows] = {}
    for tree in trees:
        found.setdefault((tree["outcome_route"], tree["outcome_standing"]), []).append(tree)
    ranked = sorted(found, key=lambda key: (ORDER.index(key[1]), order.index(key[0])))
    return {key: found[key] for key in ranked}


def _lead(lot: Lot, groups: dict[tuple[str, str], Rows]) -> list[Line]:
    """One sentence for the best standing there is, and what its way asks."""
    best = next(iter(groups))[1]
    names = [route for route, how in groups if how == best]
    trees = [tree for key, some in groups.items() if key[1] == best for tree in some]
    whom = _whom(lot, len(trees))
    any_of = whom.replace("all ", "any of the ", 1)
    is_one = len(names) == 1 and names[0] in ASKS
    asks = [line(ASKS[names[0]])] if is_one else []
    what = _a_way(names[0]) if is_one else "a way"
    if best == OPEN:
        told = f"{what[0].upper()}{what[1:]} is open for {whom}: no limit we checked closes it."
    elif best == DEPENDS:
        told = f"Nothing is settled yet for {any_of}: whether {what} is open hangs on what is not "
        told += "known."
    elif best == OTHER_PLAN:
        told = f"As planned, no way is open for {any_of}. Another plan could open "
        told += f"{what if is_one else 'one'}{_if_agreed(lot, names)}."
    elif best == CLOSED:
        told = f"No way we checked is open for {any_of}."
    else:
        told = (
            f"The plan cuts none of the mangroves here, {len(trees)} in all: no way need be open."
        )
    return [line(told), *asks]


def _if_agreed(lot: Lot, names: Collection[str]) -> str:
    """That another plan of these ways would still hang on what the authority says."""
    mine = [text(way["other_plan"]) for way in lot.ways if way["route"] in names]
    if not mine or not all(STILL in told for told in mine):
        return ""
    return ", if the department or the delegated local government agrees"


def _a_way(route: str) -> str:
    """A route as what may be open.

    Examples
    --------
    >>> _a_way("owner-exemption"), _a_way("individual-permit")
    ('the owner exemption', 'the way of an individual permit')
    """
    name = name_of(route)
    if routes()[route]["kind"] != "permit":
        return f"the {name}"
    return f"the way of a{'n' if name[0] in 'aeiou' else ''} {name}"


def _whom(lot: Lot, n: int) -> str:
    total = len(lot.maybe)
    is_known = any(flag(tree["is_mangrove"]) for tree in lot.maybe)
    noun = "mangrove" if is_known else "possible mangrove"
    if total == 1:
        return f"the one {noun} here"
    return f"all {total} {noun}s" if n == total else f"{n} of {total} {noun}s"


def _told(lot: Lot, groups: dict[tuple[str, str], Rows]) -> Iterator[Line]:
    """Each group of trees: how its way stands, for how many, and what it asks."""
    asked: set[str] = set()
    for (route, how), trees in groups.items():
        n = f"{len(trees)} of {len(lot.maybe)}{_height(lot, trees)}"
        if how == UNCUT:
            yield line(mark(UNCUT), f": {n}. The plan leaves {_them(trees)} as {_they(trees)}.")
        elif how == CLOSED:
            yield line(mark(CLOSED), f" for {n}: no way we checked is open.")
        elif route == OUTSIDE:
            if_so = "if they are no mangroves, the act does not apply."
            yield line(mark(how), f" for {n}: {if_so}")
        else:
            asks = f" {ASKS[route]}" if route not in asked else ""
            if_so = ", if what is asked below turns out well" if how == DEPENDS else ""
            words = how
            if how == OTHER_PLAN:
                words, if_so = "open with another plan", _if_agreed(lot, [route])
            yield line(mark(how, words), f" for {n}: the {name_of(route)}{if_so}.{asks}")
            asked.add(route)


def _them(trees: Rows) -> str:
    return "it" if len(trees) == 1 else "them"


def _they(trees: Rows) -> str:
    return "it is" if len(trees) == 1 else "they are"


def _height(lot: Lot, trees: Rows) -> str:
    """The highest cap that all of some trees are over, or too close to."""
    ids = {str(tree["crown_id"]) for tree in trees}
    whole = "all " if len(trees) > 1 else ""
    told: dict[float, str] = {}
    for cap, tall in lot.too_tall.items():
        rule = lot.rule(cap)
        if rule is None or not ids <= tall | lot.near[cap]:
            continue
        words = f", {whole}taller than {number_words(rule.limit.number, 'ft')}"
        told[rule.limit.number] = words + ("" if ids <= tall else " or too close to it to tell")
    return told[max(told)] if told else ""


def _without_trees(lot: Lot) -> str:
    """How the ways stand by what looks at the lot alone."""
    stand: dict[str, list[str]] = {}
    for one in lot.ways:
        if one["route"] not in (NONE, OUTSIDE):
            stand.setdefault(one["status"], []).append(str(one["route_name"]).lower())
    words = {OPEN: "met by", DEPENDS: "not settled for", CLOSED: "not met for"}
    told = [f"{words[how]} the {listed(stand[how])}" for how in words if how in stand]
    return f"Of the lot itself, the limits are {'; '.join(told)}." if told else ""


def _no_mangrove(lot: Lot) -> list[Line]:
    n = len(lot.others)
    keys = {species_key(tree["species"]) for tree in lot.others}
    is_button = any("conocarpus" in (key or "") for key in keys)
    plants = "The one plant" if n == 1 else f"None of the {n} plants"
    verb = "is no mangrove" if n == 1 else "is a mangrove"
    lead = f"{plants} recorded here {verb} under the state act, so the act does not apply."
    more = [line("A local tree code, or a rule for listed plants, may still apply.")]
    if is_button:
        told = "Buttonwood grows among mangroves and is easily taken for one; confirm it by its"
        more.append(line(f"{told} leaves, which stand one by one, not in opposite pairs."))
    return [line(lead), *more]


def _land(lot: Lot) -> list[Line]:
    """Facts of the land that close main ways for the whole lot, whatever is planned."""
    lines = []
    for row in lot.by_rule:
        rule = lot.rule(row["rule_id"])
        if rule is None or not _is_of_land(lot, rule) or not _is_shut(lot, row, rule):
            continue
        closed = [name for name in rule.routes if lot.rules.closes(rule, name)]
        if not set(closed) & set(MAIN):
            continue
        told = f" for the whole lot: {names_of(closed)}. {_of_land(lot, row, rule)}"
        lines.append(line(mark(CLOSED), told))
    return lines


def _of_land(lot: Lot, row: Mapping[str, Any], rule: Rule) -> str:
    """The fact of the land that closes a way."""
    words = str(measures()[rule.limit.measure]["words"])
    if rule.limit.unit == "yes-no":
        return f"This lot is {words}." if words.startswith("on ") else sentence(lot.words(rule))
    value = figure(number(row["value_high"]), rule.limit.unit, rule.limit.number)
    return f"{sentence(lot.words(rule))} Here: {value}."


def _is_shut(lot: Lot, row: dict[str, Any], rule: Rule) -> bool:
    """Whether a rule is surely not met, for all that it binds."""
    if row["rule_id"] in lot.of_lot:
        return bool(lot.of_lot[row["rule_id"]]["verdict"] == "not met")
    is_sure = not any(row[name] for name in ("n_met", "n_too_close", "n_unknown"))
    return rule.limit.measure in LAND and row["n_not_met"] > 0 and is_sure


def _is_of_land(lot: Lot, rule: Rule) -> bool:
    is_open = rule.effect == "condition" and rule.id not in PROOFS
    return is_open and not is_plan(rule, lot.known)


def _plan_otherwise(lot: Lot) -> Iterator[Line]:
    """What the whole plan would have to change; who does the work is told with each way."""
    names = {t["outcome_route"] for t in lot.trees if t["outcome_standing"] == OTHER_PLAN}
    told: set[str] = set()
    for one in lot.by_rule:
        rule = lot.rule(one["rule_id"])
        if rule is None or rule.limit.measure in OF_WHO or one["rule_id"] not in lot.of_lot:
            continue
        closes = any(name in names and lot.rules.closes(rule, name) for name in rule.routes)
        is_not_met = lot.of_lot[one["rule_id"]]["verdict"] == "not met"
        if closes and is_not_met and rule.effect == "condition" and is_plan(rule, lot.known):
            measure = str(measures()[rule.limit.measure]["words"])
            if measure not in told:
                told.add(measure)
                yield line(mark(OTHER_PLAN, "plan otherwise"), f": {sentence(lot.words(rule))}")


def _staged(lot: Lot) -> list[Line]:
    """How many trees stages bind, and the most years for one."""
    staged = [tree for tree in lot.maybe if flag(tree["is_staged"])]
    years = [y for tree in staged if not math.isnan(y := number(tree["n_stage_years"]))]
    if not staged:
        return []
    longest = f", the longest over {count(int(max(years)), 'year')}" if years else ""
    comes = "comes" if len(staged) == 1 else "come"
    told = f"{len(staged)} of {len(lot.maybe)} {comes} down in stages{longest}"
    if years and max(years) > lot.stage_years:
        planned = f"{lot.stage_years} {'is' if lot.stage_years == 1 else 'are'} planned"
        return [line(strong("Stages: "), mark("not met", "too few years"), f": {told}; {planned}.")]
    return [line(strong("Stages: "), f"{told}.")]


def _caps(lot: Lot) -> list[Line]:
    """Caps on the share of mangroves, under the ways that trees are told by."""
    told: dict[tuple[bool, str], list[str]] = {}
    for cap in lot.shares:
        if cap["route"] not in lot.told_routes or flag(cap["is_binding"]) is False:
            continue
        share = number_words(round(number(cap["share_frac"]), 4), "frac")
        if_so = "" if flag(cap["is_binding"]) else ", if it binds, which is not settled"
        n = f"{cap['n_allowed_trees']} of {count(cap['n_counted_trees'], 'mangrove')} that count"
        words = f" a cap of {share} leaves {n}{'s' if cap['n_counted_trees'] == 1 else ''}{if_so}"
        is_missed = cap["verdict"] == "not met"
        if is_missed:
            words += f"; as planned {cap['n_planned_trees']} are cut: choose which"
        told.setdefault((is_missed, f"{words}."), []).append(cap["route"])
    return [
        line(
            strong("Cap: "),
            mark("not met") if is_missed else "",
            f"{': ' * is_missed}under {names_of(several)}{words}",
        )
        for (is_missed, words), several in told.items()
    ]


def _late(lot: Lot) -> list[Line]:
    """Notices that come too late, under the ways that trees are told by."""
    lines = []
    for one in lot.notices:
        short = number(one["short_days"])
        if one["route"] not in lot.told_routes or flag(one["is_binding"]) is False or not short > 0:
            continue
        due = day(text(one["due"]))
        days = count(math.ceil(short), "day")
        told = f": the notice for the {name_of(one['route'])} comes {days} too late"
        due_by = f"; for that start it was due by {due}" if due else ""
        lines.append(line(mark("not met", "late"), f"{told}{due_by}."))
    return lines


def _rest(lot: Lot) -> Iterator[Line]:
    """Trees of unknown species, and other plants."""
    unknown = [tree for tree in lot.maybe if flag(tree["is_mangrove"]) is None]
    if unknown:
        n, is_one = len(unknown), len(unknown) == 1
        told = f"{n} of {len(lot.maybe)} {'is' if is_one else 'are'} counted as "
        told += f"{'a mangrove' if is_one else 'mangroves'} until the species is confirmed."
        yield line(strong("Species: "), told)
    if lot.others:
        n = len(lot.others)
        plants = "1 other plant is no mangrove" if n == 1 else f"{n} other plants are no mangroves"
        told = f"{plants}; the act does not cover {_them(lot.others)}, but a local tree code may."
        yield line(strong("Other plants: "), told)
