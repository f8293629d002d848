"""The first sheet: what the set is about, the answer in short, and which sheets there are."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from geotrim.io.package_read import Package
from geotrim.report.depth_words import deepest_row, depth_words
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.from_statement import runs
from geotrim.report.sheets.lot_read import lot_of_package, records
from geotrim.report.sheets.plan_told import risk_words, told_of_plan
from geotrim.report.sheets.schedule import kinds, trees_in_order
from geotrim.report.sheets.sheet import (
    BODY_WIDTH_PT,
    Beside,
    Cell,
    Column,
    Index,
    Run,
    Sheet,
    Table,
    Words,
)
from geotrim.report.sheets.title_block import changed_words, origins, plan_id, shore_words
from geotrim.report.statement_figures import day, with_error
from geotrim.report.statement_headline import headline
from geotrim.report.statement_lot import number, text
from geotrim.report.statement_parts import Line, clean
from geotrim.report.statement_two_plans import told_first

#: Size of words, and of the answer.
SIZE_PT, ANSWER_PT = 8.0, 8.5
#: Width of the left side. [pt]
LEFT_PT = BODY_WIDTH_PT * 0.54
#: Lines of the answer that are told on the first sheet; the findings tell all.
MOST_LINES = 14
#: What the answer counts, beside the counts of the findings.
COUNTED = (
    "Here each tree is counted once, under the way that is open for it or comes nearest to it; the "
    "findings count each way by itself, so a tree may stand under several."
)
FACTS = (Column("Project", 9.0), Column("", 26.0))
NOTES = (
    "Lengths are grid lengths in international feet; heights are above the substrate at the "
    "trunk unless the sheet says otherwise.",
    "Riparian lines are proposed by the method named beside them; lot lines are as given.",
    "Every difference is drawn by hatch, dash, weight or words, so that the sheets can be copied "
    "in black and white.",
)


def cover_sheets(
    package: Package, lot_id: str, choices: Choices, left_out: Sequence[str] = ()
) -> list[Sheet]:
    """The first sheet.

    Parameters
    ----------
    package : Package
    lot_id : str
    choices : Choices
    left_out : sequence of str
        What the set does not show, and why.
    """
    answer = Words(tuple(_answer(package, lot_id)), "The answer in short", ANSWER_PT, is_list=True)
    changed = [(Run(one, is_bold=True),) for one in changed_words(package)]
    cautions = (*changed, *((Run(clean(one)),) for one in package.record["cautions"]))
    right: list[Table | Index | Words] = [
        Table(FACTS, tuple(_facts(package, lot_id, choices)), SIZE_PT, is_striped=False),
        Index("Sheets of this set", SIZE_PT),
    ]
    if left_out:
        lines = tuple((Run(one),) for one in left_out)
        right.append(Words(lines, "Not in this set", SIZE_PT, is_list=True))
    right.append(Words(NOTES, "General notes", SIZE_PT, is_list=True))
    left = (answer, Words(cautions, "Cautions", SIZE_PT, is_list=True))
    title = f"Summary and index of sheets, lot {clean(lot_id)}"
    return [Sheet(title, (Beside(left, tuple(right), LEFT_PT),), _note(package))]


def _note(package: Package) -> str:
    return f"plan {plan_id(package)}"


def _facts(package: Package, lot_id: str, choices: Choices) -> Iterator[tuple[Cell, ...]]:
    """Rows of what the set is about."""
    lot = records(package, "lots", lot_id)[0]
    yield ("Site", (Run(clean(package.site_name), is_bold=True),))
    yield ("Lot", (Run(clean(lot_id), is_bold=True),))
    yield ("Shoreline", (Run(f"{_shoreline(lot)}; {shore_words(package)}"),))
    depth = number(lot.get("fringe_depth_max_ft"))
    if not math.isnan(depth):
        limit = float(package.parameter("fringe", "fringe_limit_ft", 50.0))
        row = deepest_row(package.rows("transects", lot_id))
        reference = lot.get("fringe_reference") if row is None else row["reference"]
        yield ("Greatest depth of the fringe", depth_words(depth, limit, reference))
    trees = trees_in_order(package, lot_id)
    if trees:
        yield ("Trees", f"{len(trees)}: {', '.join(kinds(trees))}")
    if data := "; ".join(origins(package)):
        yield ("Data", (Run(data),))
    if choices.date:
        yield ("Date", day(choices.date))
    for name, words in (("by", choices.prepared_by), ("for", choices.prepared_for)):
        if words:  # in full: the foot of a sheet may have to cut it
            yield (f"Prepared {name}", (Run(clean(words)),))


def _shoreline(lot: Mapping[str, Any]) -> str:
    """How long the shoreline is, or why there is none."""
    length, error = number(lot.get("frontage_length_ft")), lot.get("shoreline_error_ft")
    if length > 0:
        return with_error(length, number(error), "ft")
    reason = clean(text(lot.get("reason")))
    return f"none: {reason}" if reason else "not measured"


def _on_other_sheets(words: str) -> str:
    """What a statement tells below stands on other sheets here."""
    told = words.replace("see below", "see the findings")
    return told.replace("what is asked below", "what the findings ask")


def _told_once(lines: Sequence[Line]) -> list[Line]:
    """Lines without those whose words stand in another already."""
    words = ["".join(span.text for span in one) for one in lines]
    rest = [words[:k] + words[k + 1 :] for k in range(len(words))]
    return [
        one
        for k, one in enumerate(lines)
        if not any(words[k] in other and words[k] != other for other in rest[k])
    ]


def _answer(package: Package, lot_id: str) -> Iterator[Cell]:
    told = told_of_plan(package, lot_id)
    lot = lot_of_package(package, lot_id)
    if lot is None:
        yield "The ways to an authorisation were not judged in this package."
        if told is not None:
            yield (Run(told.drawn, is_bold=True),)
        return
    lead, *more = headline(lot)
    yield tuple(Run(run.text, is_bold=True) for run in runs(lead))
    if told is not None:
        if told.standing:
            yield (Run(told.standing, is_bold=True),)
        yield (Run(told.drawn, is_bold=True), Run(f" {told.judged}"))
    if risk := risk_words(package, lot_id):
        yield (Run("How surely: ", is_bold=True), Run(risk))
    two = told is not None
    lines = [*told_first(package.results, lot, is_told=two), *more]
    lines = _told_once([one for one in lines if one])
    for one in lines[:MOST_LINES]:
        yield tuple(replace(run, text=_on_other_sheets(run.text)) for run in runs(one))
    if len(lines) > MOST_LINES:
        yield "More is told under the findings."
    if lot.trees:
        yield (Run(COUNTED, is_small=True),)
