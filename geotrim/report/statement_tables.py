"""Of one lot: every tree, how open questions were read, and the list for a submission."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from typing import Any

from geotrim.report.statement_figures import figure
from geotrim.report.statement_headline import name_of
from geotrim.report.statement_limits import source
from geotrim.report.statement_lot import Lot, Rows, flag, number, text
from geotrim.report.statement_parts import (
    Block,
    Cell,
    Heading,
    Paragraph,
    Table,
    cell,
    line,
    mark,
    row,
    sentence,
    small,
    strong,
)
from geotrim.rules.outcome import CLOSED, OPEN, OTHER_PLAN, OUTSIDE, UNCUT
from geotrim.rules.rule_file import routes
from geotrim.rules.species import species_key, species_table

#: Trees of one lot that are listed.
MOST_TREES = 60
PAPERS = {
    "verification": "verification of an exemption",
    "general_permit": "general permit",
    "individual_permit": "individual permit",
}
TO_ADD = "Still to add:"


def trees(lot: Lot) -> list[Block]:
    """The table of trees.

    Parameters
    ----------
    lot : Lot
    """
    if not lot.trees:
        return []
    near = lot.height_limits_ft
    heads: tuple[str, ...] = ("Tree", "Species", "Height", "To be left at", "What came out",
                              "Years")  # fmt: skip
    rows = tuple(_tree(tree, near) for tree in lot.trees[:MOST_TREES])
    if lot.window:
        heads = (*heads[:3], "By the window", "By the planned heights: to be left at", *heads[4:])
        rows = tuple(
            (*one[:3], cell(lot.window.get(str(tree["crown_id"]), "")), *one[3:])
            for one, tree in zip(rows, lot.trees, strict=False)
        )
    told = "Heights are above the substrate; behind the sign \u00b1 stands one standard error."
    told += f" Heights of the raster are {lot.height_words}." if lot.height_words else ""
    if lot.window:
        told += " What came out, and in how many years, is by the planned heights."
    blocks: list[Block] = [
        Heading("Trees", 3),
        Paragraph(line(told)),
        Table(heads, rows, "trees-two" if lot.window else "trees"),
    ]
    n_more = len(lot.trees) - MOST_TREES
    if n_more > 0:
        blocks.append(Paragraph(line(f"And {n_more} more, in crowns.csv.")))
    return blocks


def _tree(tree: Mapping[str, Any], near: tuple[float, ...]) -> tuple[Cell, ...]:
    top, error = number(tree["top_height_ft"]), number(tree["height_error_ft"])
    height = figure(top, "ft", *near)
    if not math.isnan(top) and error > 0:
        height = f"{height.removesuffix(' ft')} \u00b1 {figure(error, 'ft', 0.0)}"
    is_field = tree["height_source"] == "field"
    is_idle = tree["outcome_route"] == OUTSIDE or tree["outcome_standing"] == UNCUT
    years = number(tree["n_stage_years"])
    told = "" if is_idle else "not known" if math.isnan(years) else f"{years:.0f}"
    return row(
        str(tree["crown_id"]),
        _species(tree["species"]),
        cell(height, line(small("measured in the field" if is_field else ""))),
        figure(number(tree["target_height_ft"]), "ft", *near),
        _outcome(tree["outcome_route"], tree["outcome_standing"]),
        told,
    )


def _species(name: Any) -> Cell:
    key = species_key(name)
    if key is None:
        return cell("not known", line(small(f"given as: {name}" if text(name) else "")))
    return cell(str(species_table()[key]["common"]))


def _outcome(route: str, how: str) -> Cell:
    if how in (UNCUT, CLOSED):
        return cell(line(mark(how)))
    if route == OUTSIDE and how == OPEN:
        return cell(line(mark(OPEN, "the act does not apply")))
    words = "with another plan" if how == OTHER_PLAN else how
    name = "the act does not apply" if route == OUTSIDE else name_of(route)
    return cell(line(mark(how, words), f": {name}" if route in routes() else ""))


def readings(lot: Lot) -> list[Block]:
    """Questions the act leaves open: first those whose other reading would change something.

    Parameters
    ----------
    lot : Lot
    """
    if not lot.readings:
        return []
    told = (
        "The act leaves some questions open. Each was taken in one way here; the numbers A-01 to "
    )
    told += "A-14 name them wherever geotrim does."
    blocks: list[Block] = [Heading("How open questions were read", 3), Paragraph(line(told))]
    changing = [one for one in lot.readings if flag(one["is_changing"])]
    if changing:
        lead = "Taken the other way, these would change something:"
        heads = ("Question", "Taken here", "Or else", "What would change")
        rows = tuple(_changing(lot, changing))
        blocks += [Paragraph(line(strong(lead))), Table(heads, rows, "changing")]
    named = {one["setting"] for one in changing}
    rest = {one["setting"]: one for one in lot.readings if one["setting"] not in named}
    if rest:
        lead = "Taken the other way, these would change nothing here:"
        quiet = tuple(row(_question(one), _used(one)) for one in rest.values())
        table = Table(("Question", "Taken here"), quiet, "readings")
        blocks += [Paragraph(line(strong(lead))), table]
    return blocks


def _changing(lot: Lot, several: Rows) -> Iterator[tuple[Cell, ...]]:
    """A row for each other reading; the question is told once."""
    told: set[str] = set()
    for one in several:
        question = "" if one["setting"] in told else _question(one)
        told.add(one["setting"])
        changes = [sentence(_change(lot, part)) for part in text(one["changes"]).split("; ")]
        yield row(question, _used(one) if question else "", one["other_words"], cell(*changes))


def _question(one: Mapping[str, Any]) -> str:
    return f"{one['ambiguity']}: {one['question']}"


def _change(lot: Lot, part: str) -> str:
    """One change; a rule by its words, where the table has its id."""

    def worded(found: re.Match[str]) -> str:
        rule = lot.rule(found[1])
        return found[0] if rule is None else f'the limit "{rule.words.rstrip(".")}"'

    return re.sub(r"^rule (.+?)(?=: )", worded, part)


def _used(one: Mapping[str, Any]) -> str:
    chosen = "" if flag(one["is_default"]) else " (chosen for this run)"
    return f"{one['used_words']}{chosen}"


def checklist(lot: Lot) -> list[Block]:
    """What a submission usually contains, with what geotrim filled in.

    Parameters
    ----------
    lot : Lot
    """
    if not lot.checklist:
        return []
    told = (
        "Work under an exemption needs no filing, apart from the notices above, but an owner can "
    )
    told += "ask for a verification of the exemption. What the authority asks for goes before this."
    heads = ("Item", "Asked for", "Filled in here")
    rows = tuple(row(_item(one), _asked(one), _filled(one)) for one in lot.checklist)
    return [
        Heading("What a submission usually contains", 3),
        Paragraph(line(told)),
        Table(heads, rows, "checklist"),
    ]


def _item(one: Mapping[str, Any]) -> Cell:
    head = line(f"{one['item']}: {one['words']}")
    return cell(head, line(*source({**one, "section": one["source"]})))


def _asked(one: Mapping[str, Any]) -> Cell:
    answers = {name: text(one[key]) for key, name in PAPERS.items()}
    if set(answers.values()) == {"yes"}:
        return cell("always")
    return cell(*(line(f"{name}: {answer}") for name, answer in answers.items()))


def _filled(one: Mapping[str, Any]) -> Cell:
    filled, _, missing = text(one["filled"]).partition(TO_ADD)
    if not filled.strip() and not missing:
        return cell(line(small("for the user to add")))
    return cell(
        sentence(filled) if filled.strip() else "",
        line(strong(TO_ADD), f" {sentence(missing)}") if missing else line(),
    )
