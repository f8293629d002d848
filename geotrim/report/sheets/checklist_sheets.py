"""The list for a submission with boxes to tick, and the cautions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from geotrim.io.package_read import Package
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.from_statement import runs
from geotrim.report.sheets.lot_read import judged_lot, records
from geotrim.report.sheets.schedule import BOX
from geotrim.report.sheets.sheet import Beside, Block, Cell, Column, Run, Sheet, Table, Words
from geotrim.report.statement_headline import name_of
from geotrim.report.statement_limits import source
from geotrim.report.statement_lot import Lot, text
from geotrim.report.statement_parts import clean, sentence
from geotrim.report.statement_tables import PAPERS, TO_ADD
from geotrim.report.statement_window_years import cautions as of_window
from geotrim.rules.outcome import DEPENDS, OPEN, OUTSIDE
from geotrim.rules.rule_file import routes

SIZE_PT, CAUTION_PT = 7.5, 10.0
COLUMNS = (
    Column("Done", 5.0, "center"),
    Column("Item", 37.0),
    Column("Asked for", 19.0),
    Column("Filled in by these sheets", 35.0),
    Column("Still to add", 24.0),
)
#: Ways that are no permit are verified, where anything is asked for at all.
VERIFIED = "verification"
#: Item of the list -> table that its sheet is drawn from, what the list still asks for, and what
#: is told where the sheet is there.
DRAWN = {
    "F-01": ("lots", "", "These sheets are 8 1/2 by 11 in."),
    "F-05": ("lots", "where the lot lies, in coordinates", "Location in coordinates: in this set."),
    "F-06": ("frontage", "plan view to scale", "Plan view to scale: in this set."),
    "F-07": ("sections", "section square to the shore", "Cross-sections: in this set."),
}


def checklist_sheets(package: Package, lot_id: str, choices: Choices) -> list[Sheet]:
    """The list for a submission; none where the package does not judge the lot.

    Parameters
    ----------
    package : Package
    lot_id : str
    choices : Choices
    """
    lot = judged_lot(package, lot_id)
    if lot is None or not lot.checklist:
        return []
    papers = papers_of(lot)
    rows = tuple(_row(_with_sheets(package, lot_id, one), papers) for one in lot.checklist)
    return [
        Sheet(
            f"Checklist for a submission, lot {clean(lot_id)}",
            (Words((_lead(lot),), size_pt=8.0), Table(COLUMNS, rows, SIZE_PT, is_striped=False)),
            "what the authority asks for goes before this",
        )
    ]


def chosen_ways(lot: Lot) -> list[str]:
    """The ways trees of a lot are told by, those that stand best; none where all are closed."""
    by_tree = {
        how: {t["outcome_route"] for t in lot.trees if t["outcome_standing"] == how}
        for how in (OPEN, DEPENDS)
    }
    mine = by_tree[OPEN] or by_tree[DEPENDS]
    return [route for route in routes() if route in mine and route != OUTSIDE]


def papers_of(lot: Lot) -> list[str]:
    """Columns of the list that hold for the chosen ways; all where no way is chosen."""
    ways = chosen_ways(lot)
    names = [way.replace("-", "_") if way.endswith("permit") else VERIFIED for way in ways]
    return [paper for paper in PAPERS if paper in names] or list(PAPERS)


def _lead(lot: Lot) -> Cell:
    ways = chosen_ways(lot)
    if not ways:
        told = "No way is open or hangs on open facts alone, so every kind of submission is listed."
        return (Run(told),)
    names = ", ".join(name_of(way) for way in ways)
    more = (
        " Work under an exemption needs no filing, apart from the notices told under the findings, "
        "but an owner can ask for a verification of the exemption."
    )
    is_exempt = any(not way.endswith("permit") for way in ways)
    return (Run("For: "), Run(f"{names}.", is_bold=True), Run(more if is_exempt else ""))


def _with_sheets(package: Package, lot_id: str, one: Mapping[str, Any]) -> dict[str, Any]:
    """An item of the list with what the sheets of this set add to it."""
    table, asked, told = DRAWN.get(str(one["item"]), ("", "", ""))
    if not table or not records(package, table, lot_id):
        return dict(one)
    filled, _, missing = text(one["filled"]).partition(TO_ADD)
    rest = [part for part in missing.strip(" .").split("; ") if part.lower() not in ("", asked)]
    tail = f" {TO_ADD} {sentence('; '.join(rest))}" if rest else ""
    return {**one, "filled": f"{sentence(filled)} {told}{tail}".strip()}


def _row(one: Mapping[str, Any], papers: list[str]) -> tuple[Cell, ...]:
    filled, _, missing = text(one["filled"]).partition(TO_ADD)
    item = (
        Run(f"{one['item']}: {one['words']}"),
        Run("\n"),
        *runs(tuple(source({**one, "section": one["source"]}))),
    )
    hand = "" if missing or filled.strip() else "For the user to add."
    return (
        (Run(BOX),),
        item,
        (Run(_asked(one, papers)),),
        (Run(sentence(filled)),),
        (Run(sentence(missing) or hand),),
    )


def _asked(one: Mapping[str, Any], papers: list[str]) -> str:
    answers = {PAPERS[paper]: text(one[paper]) for paper in papers}
    if set(answers.values()) == {"yes"}:
        return "yes"
    return "\n".join(f"{name}: {answer}" for name, answer in answers.items())


def caution_sheets(package: Package, lot_id: str, choices: Choices) -> list[Sheet]:
    """Everything a reader must not forget, in type that is read at arm's length.

    Parameters
    ----------
    package : Package
    lot_id : str
    choices : Choices
    """
    general = tuple((Run(clean(one)),) for one in package.record["cautions"])
    blocks: list[Block] = [Words(general, "", CAUTION_PT, is_list=True)]
    if told := tuple(_before_cutting(package, lot_id)):
        blocks.append(Words(told, "Before any cut", CAUTION_PT - 1.0, is_list=True))
    every = tuple((Run(one),) for one in dict.fromkeys(_of_operations(package)))
    if every:
        half = (len(every) + 1) // 2
        size = CAUTION_PT - 1.5
        blocks.append(Words((), "On the figures of these sheets", size))
        left, right = (Words(part, "", size, is_list=True) for part in (every[:half], every[half:]))
        blocks.append(Beside((left,), (right,)))
    return [Sheet("Cautions", tuple(blocks), "to be read before any work")]


def _before_cutting(package: Package, lot_id: str) -> Iterator[Cell]:
    """What must not be forgotten about the trees that are cut, look-alikes among it."""
    trees = records(package, "window_trees", lot_id)
    cut = [tree for tree in trees if tree["treatment"] != "leave"]
    if not cut:
        return
    for block in of_window(cut):
        for line in getattr(block, "lines", ()):
            yield runs(line)


def _of_operations(package: Package) -> Iterator[str]:
    """Cautions of the operations that measured something."""
    for told in package.record["operations"]:
        if told["is_measured"] and told["caution"]:
            yield clean(told["caution"])
