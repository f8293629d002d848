"""Of one lot: the cap on how many mangroves are trimmed, the stages, and the notices."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from geotrim.report.statement_figures import day, figure, span
from geotrim.report.statement_headline import name_of, names_of
from geotrim.report.statement_limits import source
from geotrim.report.statement_lot import Lot, Rows, flag, is_cut, number, text
from geotrim.report.statement_parts import (
    Block,
    Cell,
    Heading,
    Line,
    Paragraph,
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
from geotrim.rules.rule_file import Limit, number_words
from geotrim.rules.shares import allowed_length_ft, parity_length_ft


def caps(lot: Lot) -> list[Block]:
    """What the caps leave, by trees, by length and by area; a line where one does not bind.

    Parameters
    ----------
    lot : Lot
    """
    binding = [cap for cap in lot.shares if flag(cap["is_binding"]) is not False]
    blocks: list[Block] = [Heading("How many of the mangroves: the cap", 3)]
    blocks += [Paragraph(one) for one in _idle_caps(lot)]
    if binding:
        heads = ("Way", "Binds", "Cap", "Trees", "Fringe along the shore", "Canopy area")
        blocks.append(Table(heads, tuple(_cap(cap) for cap in binding), "cap"))
        used = [one for one in lot.readings if one["setting"] == "share_measure_reading"]
        if used:
            told = f"The act does not say what the share is of. Read here: {used[0]['used_words']}."
            blocks.append(Paragraph(line(told)))
    blocks += [Paragraph(line(told)) for told in _cliff(lot, binding)]
    return blocks if len(blocks) > 1 else []


def _cap(cap: Mapping[str, Any]) -> tuple[Cell, ...]:
    is_binding = flag(cap["is_binding"])
    binds = line(mark("too close", "not settled")) if is_binding is None else line("yes")
    n_more = int(cap["n_uncertain_trees"])
    more = f"{count(n_more, 'more tree')} may count" if n_more else ""
    return row(
        cell(name_of(cap["route"]), line(*source(cap))),
        cell(binds),
        number_words(round(number(cap["share_frac"]), 4), "frac"),
        cell(f"{cap['n_allowed_trees']} of {cap['n_counted_trees']}", line(small(more))),
        _part(cap["allowed_length_ft"], cap["counted_length_ft"], "ft"),
        _part(cap["allowed_area_ft2"], cap["counted_area_ft2"], "ft2"),
    )


def _part(part: Any, whole: Any, unit: str) -> str:
    """So much of so much."""
    if math.isnan(number(part)):
        return "not known"
    told, unit_words = figure(number(part), unit), " sq ft" if unit == "ft2" else " ft"
    return f"{told.removesuffix(unit_words)} of {figure(number(whole), unit)}"


def _idle_caps(lot: Lot) -> Iterator[Line]:
    """A line for caps that do not bind, those with the same limit together."""
    shore = number(lot.outcome["shoreline_length_ft"])
    same: dict[tuple[Limit, Limit], Rows] = {}
    for cap in lot.shares:
        rule = lot.rule(cap["rule_id"])
        if flag(cap["is_binding"]) is False and rule is not None and rule.when:
            same.setdefault((rule.when[0], rule.limit), []).append(cap)
    for (when, share), several in same.items():
        if math.isnan(shore):
            continue
        cap_words = number_words(share.number, share.unit)
        told = f"The shoreline is {figure(shore, 'ft', when.number)}. The cap of {cap_words} on "
        told += f"{names_of([str(cap['route']) for cap in several])} binds {when.words()}, so it "
        told += f"does not bind here: {figure(when.number - shore, 'ft', 0.0)} to spare."
        yield line(told, *source(*several, lead=" "))


def _cliff(lot: Lot, binding: Rows) -> Iterator[str]:
    """What the cap does to a shore just over the limit, told once for each limit and share."""
    used = [one["used"] for one in lot.readings if one["setting"] == "cliff_reading"]
    reading = used[0] if used else "as-written"
    rules = [rule for cap in binding if (rule := lot.rule(cap["rule_id"])) and rule.when]
    for limit, share in dict.fromkeys((r.when[0].number, r.limit.number) for r in rules):
        over = limit + 1.0
        left = allowed_length_ft(over, share, limit, reading)
        told = f"A shore of {limit:g} ft has no such cap. One of {over:g} ft is left {left:.2f} ft"
        if left < limit:
            parity = parity_length_ft(share, limit)
            told += f", and only from {parity:.2f} ft up does the cap leave {limit:g} ft again"
        yield f"{told}."


def stages(lot: Lot) -> list[Block]:
    """Trees by the years their cut takes, then the notices and their dates.

    Parameters
    ----------
    lot : Lot
    """
    cut = [tree for tree in lot.maybe if is_cut(tree)]
    blocks: list[Block] = []
    if cut:
        blocks.append(Heading("Stages by height", 3))
        rows = [_stage(key, trees, lot.height_limits_ft) for key, trees in _by_years(cut)]
        planned = count(lot.stage_years, "year is", "years are")
        told = f"{planned} planned for the cut"
        if lot.canopy_model:
            told += f"; shares of foliage are by the canopy model {lot.canopy_model}, see A-06"
        heads = ("Mangroves that are cut", "Years", "Height before", "Which")
        blocks += [Paragraph(line(f"{told}.")), Table(heads, tuple(rows), "stages")]
    if lot.notices:
        blocks.append(Heading("Notices and dates", 3))
        heads = ("Notice", "Notice given", "Work starts", "Due, and how it stands")
        blocks.append(Table(heads, tuple(_notice(one) for one in lot.notices), "notices"))
    return blocks


def _by_years(trees: Rows) -> Iterable[tuple[tuple[bool | None, float], Rows]]:
    """Trees by whether stages bind and by years; stages first, then what is not known."""
    found: dict[tuple[bool | None, float], Rows] = {}
    for tree in trees:
        years = number(tree["n_stage_years"])
        key = (flag(tree["is_staged"]), -1.0 if math.isnan(years) else years)
        found.setdefault(key, []).append(tree)
    order = {True: 0, None: 1, False: 2}
    return sorted(found.items(), key=lambda pair: (order[pair[0][0]], -pair[0][1]))


def _stage(
    key: tuple[bool | None, float], trees: Rows, near: tuple[float, ...]
) -> tuple[Cell, ...]:
    is_staged, years = key
    words = {
        True: "cut in stages, as the act asks",
        None: "not settled whether stages bind",
        False: "no stages asked for by the act",
    }[is_staged]
    tops = [top for tree in trees if not math.isnan(top := number(tree["top_height_ft"]))]
    shares = [part for tree in trees if not math.isnan(part := number(tree["removed_frac"]))]
    off = f"{span(min(shares), max(shares), 'frac', 1.0)} of the crown comes off" if shares else ""
    told = "not known" if years < 0 else f"{years:.0f}"
    if years < 0 and shares and min(shares) >= 1.0:
        told = "cannot be done: nothing of the crown would be left"
    return row(
        cell(f"{count(len(trees), 'tree')}: {words}", line(small(off))),
        told,
        span(min(tops), max(tops), "ft", *near) if tops else "not known",
        cell(line(small(some((str(tree["crown_id"]) for tree in trees), 20)))),
    )


def _notice(one: Mapping[str, Any]) -> tuple[Cell, ...]:
    is_binding, short = flag(one["is_binding"]), number(one["short_days"])
    name = "not binding" if is_binding is False else one["verdict"]
    lines = [line(mark(name, "does not bind" if is_binding is False else ""))]
    if due := day(text(one["due"])):
        lines.insert(0, line(due))
    if short > 0 and is_binding is not False:
        lines.append(line(strong(f"{count(math.ceil(short), 'day')} short")))
    if is_binding is None:
        lines.append(line(small("whether it binds is not settled")))
    return row(
        cell(
            sentence(one["words"]),
            line(small(f"for: {name_of(one['route'])}")),
            line(*source(dict(one))),
        ),
        day(text(one["notice_date"])) or "not known",
        day(text(one["start_date"])) or "not known",
        cell(*lines),
    )
