"""Of one lot: what to find out next, and the ways to an authorisation one by one."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from geotrim.report.statement_headline import ASKS, names_of
from geotrim.report.statement_lot import DECIDING, Lot, column, flag, is_cut, split, text
from geotrim.report.statement_parts import (
    Block,
    Bullets,
    Cell,
    Heading,
    Line,
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
    strong,
)
from geotrim.rules.outcome import CLOSED, DEPENDS, NONE, OPEN, OTHER_PLAN, OUTSIDE
from geotrim.rules.rule_file import measures, routes
from geotrim.rules.settle import is_plan

MEMORY = "from memory"
#: Reasons that are told of one way; the limits hold them all.
MOST_REASONS = 4
#: What is measured of trees, as somebody does it, by the measure it settles.
DOING = {
    "top_height_ft": "Measure the height of {ids} from the substrate, the ground at the trunk, "
    "with a marked pole.",
    "is_mangrove": "Confirm the species of {ids} in the field. Mangroves bear their leaves in "
    "opposite pairs, buttonwood one by one.",
}
#: Verdicts of a rule on a lot, worst first, and the columns that count them.
COUNTS = {
    "not met": "n_not_met",
    "too close": "n_too_close",
    "unknown": "n_unknown",
    "met": "n_met",
    "not binding": "n_not_binding",
}


def find_out(lot: Lot) -> list[Block]:
    """The fewest facts and measurements that settle what depends, then what else is asked.

    Parameters
    ----------
    lot : Lot
    """
    waiting = [tree for tree in lot.trees if tree["outcome_standing"] == DEPENDS]
    settles = [text(tree["settle"]) for tree in waiting]
    if not lot.trees:
        settles = [text(way["settle"]) for way in lot.ways if way["status"] == DEPENDS]
    of_trees, rest = split(settles)
    asked = [one for one in lot.questions if one["settle"] in rest]
    lines = [line(sentence(one["question"])) for one in asked]
    words = {one["settle"] for one in asked}
    lines += [line(_asking(part)) for part in rest if part not in words]
    if lot.trees:
        lines += [line(doing(part, ids)) for part, ids in of_trees.items()]
    else:
        lines.append(line("Record the trees, with their species and heights, if there are any."))
    lines += list(_other_checks(lot, rest))
    blocks: list[Block] = [Heading("What to find out next", 3)]
    if lines:
        n = count(len(waiting), "tree")
        lead = f"This settles what depends, for {n}:" if waiting else "This settles what is open:"
        blocks += [Paragraph(line(lead)), Bullets(tuple(lines))]
    else:
        blocks.append(Paragraph(line("Nothing is left to find out for the ways told above.")))
    others = [one for one in lot.questions if one not in asked]
    for is_for_route, lead in (
        (True, "Only other ways hang on these answers:"),
        (False, "No way hangs on these, but a notice, a date or advice does:"),
    ):
        mine = [one for one in others if bool(flag(one["is_for_route"])) == is_for_route]
        if mine:
            told = " ".join(sentence(one["question"]) for one in mine)
            blocks.append(Paragraph(line(strong(lead), f" {told}"), "small"))
    return blocks


def _other_checks(lot: Lot, told: list[str]) -> Iterator[Line]:
    """What other ways hang on that is neither a question of the list nor measured of a tree."""
    asked = {one["settle"] for one in lot.questions}
    names: dict[str, list[str]] = {}
    for way in lot.ways:
        for part in split([way["settle"]])[1] if way["status"] == DEPENDS else ():
            if part not in asked and part not in told:
                names.setdefault(part, []).append(way["route"])
    for part, several in names.items():
        yield line(f"For {names_of(several)}: {sentence(part)}")


def doing(words: str, ids: list[str]) -> str:
    """What to measure of some trees, as a sentence.

    Examples
    --------
    >>> doing("height of the lowest foliage of {tree}", ["7", "9"])
    'Height of the lowest foliage of 7, 9.'
    """
    for measure, told in DOING.items():
        if measures()[measure]["settle"] == words:
            return told.replace("{ids}", some(ids))
    return sentence(words.replace("{tree}", some(ids)))


def ways(lot: Lot) -> list[Block]:
    """The table of ways: what each is, how it stands, for how many trees, and why.

    Parameters
    ----------
    lot : Lot
    """
    known = routes()
    rows = [
        row(
            cell(line(strong(way["route_name"])), line(small(known[way["route"]]["plain"]))),
            _standing(lot, way),
            cell(*_why(lot, way), line(small(text(way["section"])))),
        )
        for way in lot.ways
        if way["route"] in known
    ]
    is_none = any(way["route"] == NONE and way["status"] == OPEN for way in lot.ways)
    told = "Open means that no limit we checked closes a way by these figures. It is no permission."
    blocks: list[Block] = [Heading("The ways, one by one", 3), Paragraph(line(told))]
    if is_none:
        blocks.append(Paragraph(line(strong("Every way we checked is closed for this lot."))))
    return [*blocks, Table(("Way", "How it stands", "Why"), tuple(rows), "ways")]


def _asking(part: str) -> str:
    """What is neither a question of the list nor a measure, as something to do."""
    return sentence(f"find out {part}" if part.startswith(("wh", "the ")) else part)


def _standing(lot: Lot, way: Mapping[str, Any]) -> Cell:
    """How a way stands, and for how many of the trees that are cut."""
    trees = lot.trees if way["route"] == OUTSIDE else lot.maybe
    trees = [tree for tree in trees if is_cut(tree)]
    name = column(way["route"])
    n = {how: sum(tree[name] == how for tree in trees) for how in (OPEN, DEPENDS)}
    n_other = int(way["n_other_plan_trees"])
    status = way["status"]
    if lot.trees:
        status = OPEN if n[OPEN] else DEPENDS if n[DEPENDS] else CLOSED
    if status == CLOSED and n_other:
        status = OTHER_PLAN
    lines: list[Line] = [line(mark(status, "open with another plan" * (status == OTHER_PLAN)))]
    noun = "plant" if way["route"] == OUTSIDE else "mangrove"
    told = [f"{how} for {n[how]}" for how in (OPEN, DEPENDS) if n[how]]
    told += [f"with another plan for {n_other}"] * bool(n_other)
    if trees and told:
        cut = count(len(trees), f"{noun} is cut", f"{noun}s are cut")
        lines.append(line(small(f"{'; '.join(told)}; {cut}")))
    return cell(*lines)


def _why(lot: Lot, way: Mapping[str, Any]) -> Iterator[Line]:
    """Reasons of one way: what is not met, too close, unknown; and what another plan changes."""
    if way["route"] == OUTSIDE:
        yield from _outside(lot)
        return
    told = list(_reasons(lot, way))
    yield from told[:MOST_REASONS]
    if len(told) > MOST_REASONS:
        yield line(small(f"and {len(told) - MOST_REASONS} more, under Limits and figures"))
    if way["status"] == DEPENDS and text(way["settle"]):
        of_trees, rest = split([way["settle"]])
        parts = [words.replace("{tree}", " and ".join(ids)) for words, ids in of_trees.items()]
        yield line(strong("To settle it: "), sentence("; ".join([*rest, *parts])))
    if not told and way["status"] == OPEN:
        every = lot.rules.of_route(way["route"], *DECIDING)
        memory = any(rule.confidence == MEMORY for rule in every)
        yield line(
            "Every limit that can close this way is met by these figures.",
            Span(" Some are from memory, check the current text." * memory, "warn"),
        )
        yield line(small(ASKS.get(way["route"], "")))


def _outside(lot: Lot) -> Iterator[Line]:
    n, unknown = len(lot.others), [t for t in lot.maybe if flag(t["is_mangrove"]) is None]
    if n:
        yield line(f"{count(n, 'plant is no mangrove', 'plants are no mangroves')}.")
    if unknown:
        told = count(len(unknown), "tree's species is", "trees' species are")
        yield line(f"{told} not known: {some(str(tree['crown_id']) for tree in unknown)}.")
    n_sure = len(lot.maybe) - len(unknown)
    if n_sure:
        yield line(f"{count(n_sure, 'tree is a mangrove', 'trees are mangroves')}.")


def _reasons(lot: Lot, way: Mapping[str, Any]) -> Iterator[Line]:
    """What is not met, then what is too close; what is unknown only where nothing else is told.

    Of a way that the lot as a whole closes, only what closes it is told.
    """
    every = [one for one in lot.by_rule if _decides(lot, one, way["route"])]
    faults = [one for one in every if one["n_not_met"]]
    if way["status"] == CLOSED and not int(way["n_other_plan_trees"]):
        whole = [one for one in faults if one["rule_id"] in lot.of_lot]
        every = [] if faults else every
        faults = whole or faults
    yield from (_reason(lot, way, one, "not met") for one in faults)
    close = [one for one in every if one["n_too_close"]]
    yield from (_reason(lot, way, one, "too close") for one in close)
    if not faults and not close and not text(way["settle"]):
        yield from (_reason(lot, way, one, "unknown") for one in every if one["n_unknown"])


def _reason(lot: Lot, way: Mapping[str, Any], one: Mapping[str, Any], verdict: str) -> Line:
    rule, n = lot.rules.rules[one["rule_id"]], int(one[COUNTS[verdict]])
    sign = mark(verdict)
    if verdict == "not met" and not lot.rules.closes(rule, way["route"]):
        sign = mark(DEPENDS, "ask the authority")
    elif verdict == "not met" and int(way["n_other_plan_trees"]) and is_plan(rule, lot.known):
        sign = mark(OTHER_PLAN, "plan otherwise")
    is_all = one["rule_id"] in lot.of_lot or n >= len(lot.trees)
    whom = "" if is_all else f" for {count(n, 'tree')}"
    told = line(sign, f"{whom}: {sentence(lot.words(rule))}")
    if rule.confidence != MEMORY:
        return told
    return line(*told, Span(" From memory, check the current text.", "warn"))


def _decides(lot: Lot, one: Mapping[str, Any], route: str) -> bool:
    """Whether a rule is a reason that is worth telling of a route.

    That other plants are no mangroves is told in a row of its own; so are unknown species.
    """
    rule = lot.rule(one["rule_id"])
    if rule is None or route not in rule.routes or rule.effect not in DECIDING:
        return False
    return rule.limit.measure != "is_mangrove" or not lot.maybe
