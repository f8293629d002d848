"""The list for a submission with boxes to tick, and the cautions."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from geotrim.io.package_read import Package
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.from_statement import runs
from geotrim.report.sheets.location import water_names
from geotrim.report.sheets.lot_read import judged_lot, records
from geotrim.report.sheets.plan_told import told_of_plan
from geotrim.report.sheets.schedule import BOX
from geotrim.report.sheets.sheet import Beside, Block, Cell, Column, Run, Sheet, Table, Words
from geotrim.report.statement_headline import name_of
from geotrim.report.statement_limits import source
from geotrim.report.statement_lot import Lot, number, text
from geotrim.report.statement_parts import clean, sentence
from geotrim.report.statement_tables import PAPERS, TO_ADD
from geotrim.report.statement_window_years import cautions as of_window
from geotrim.rules.outcome import DEPENDS, OPEN, OTHER_PLAN, OUTSIDE
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
#: What the list asks for, in its own words, and a set shows.
PLACE = ("where the lot lies, in coordinates", "location map and directions")
ACROSS = ("section square to the shore",)


@dataclass(frozen=True, slots=True)
class Shown:
    """What the sheets of a set fill in of an item.

    told : that it is there.
    done : what the list still asks for, and the set shows; in its own words.
    asked : what is still to add besides.
    """

    told: str = ""
    done: tuple[str, ...] = ()
    asked: tuple[str, ...] = ()


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
    papers = papers_of(lot, _way_drawn(package, lot_id))
    shown = shown_of(package, lot_id)
    rows = tuple(
        _row(_with_sheets(one, shown.get(str(one["item"]), Shown())), papers)
        for one in lot.checklist
    )
    return [
        Sheet(
            f"Checklist for a submission, lot {clean(lot_id)}",
            (
                Words((_lead(package, lot),), size_pt=8.0),
                Table(COLUMNS, rows, SIZE_PT, is_striped=False),
            ),
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


def papers_of(lot: Lot, way_drawn: str = "") -> list[str]:
    """Columns of the list that hold for the chosen ways; all where no way is chosen."""
    ways = chosen_ways(lot)
    ways += [way_drawn] * bool(ways and way_drawn)
    names = [way.replace("-", "_") if way.endswith("permit") else VERIFIED for way in ways]
    return [paper for paper in PAPERS if paper in names] or list(PAPERS)


def _way_drawn(package: Package, lot_id: str) -> str:
    """The way by which the window that is drawn was planned; "" where none is drawn."""
    rows = records(package, "window_lots", lot_id)
    way = text(rows[0]["way"]) if rows and records(package, "window_spans", lot_id) else ""
    return way if way in routes() else ""


def _lead(package: Package, lot: Lot) -> Cell:
    """For which ways the list is, by the plan that was judged and by the one that is drawn."""
    ways, drawn = chosen_ways(lot), _way_drawn(package, lot.lot_id)
    plan = told_of_plan(package, lot.lot_id)
    standing = f"{plan.standing} " if plan is not None and plan.standing else ""
    window = f" The window that is drawn was planned by the {name_of(drawn)}." if drawn else ""
    if not ways:
        told = "No way is open or hangs on open facts alone, so every kind of submission is listed."
        return (Run(standing, is_bold=True), Run(f"{told}{_other(lot)}{window}"))
    names = ", ".join(name_of(way) for way in ways)
    by = " (by the planned heights)" if plan is not None else ""
    more = (
        " Work under an exemption needs no filing, apart from the notices told under the findings, "
        "but an owner can ask for a verification of the exemption."
    )
    is_exempt = any(not way.endswith("permit") for way in [*ways, *filter(None, [drawn])])
    return (
        Run(standing, is_bold=True),
        Run("For: "),
        Run(names, is_bold=True),
        Run(f"{by}.{window}{more if is_exempt else ''}"),
    )


def _other(lot: Lot) -> str:
    """By which ways another plan could be open."""
    mine = {t["outcome_route"] for t in lot.trees if t["outcome_standing"] == OTHER_PLAN}
    names = [name_of(way) for way in routes() if way in mine and way != OUTSIDE]
    return f" Another plan could open: {', '.join(names)}." if names else ""


def shown_of(package: Package, lot_id: str) -> dict[str, Shown]:
    """Item of the list -> what the sheets of this set show of it.

    Parameters
    ----------
    package : Package
    lot_id : str
    """
    out = {"F-01": Shown("These sheets are 8 1/2 by 11 in.")}
    if records(package, "lots", lot_id):
        told, done = "Location map, with coordinates: in this set.", list(PLACE)
        if names := water_names(package):
            told, done = f"{told} Water: {'; '.join(names)}.", [*done, "name of the water"]
        out["F-05"] = Shown(told, tuple(done), ("directions",))
    if records(package, "frontage", lot_id):
        out["F-06"] = Shown("Plan view to scale: in this set.", ("plan view to scale",))
    if sections := records(package, "sections", lot_id):
        asked = list(_not_known(package, sections))
        out["F-07"] = Shown("Cross-sections: in this set.", ACROSS, tuple(asked))
    return out


def _not_known(package: Package, sections: list[dict[str, Any]]) -> Iterator[str]:
    """Levels that the sections do not know."""
    if not all(one["has_ground"] for one in sections):
        yield "elevation of the substrate"
    levels = [
        number(row.get("elevation_ft")) for row in package.rows("mhw_line").to_dict("records")
    ]
    is_given = package.parameter("sections", "water_elevation_ft") is not None
    if not is_given and not any(map(math.isfinite, levels)):
        yield "elevation of MHW"


def _with_sheets(one: Mapping[str, Any], shown: Shown) -> dict[str, Any]:
    """An item of the list with what the sheets of this set add to it."""
    if not shown.told:
        return dict(one)
    filled, _, missing = text(one["filled"]).partition(TO_ADD)
    parts = [part for part in missing.strip(" .").split("; ") if part]
    rest = [part for part in parts if part.lower() not in shown.done]
    tail = "; ".join([*rest, *shown.asked])
    tail = f" {TO_ADD} {sentence(tail)}" if tail else ""
    return {**one, "filled": f"{sentence(filled)} {shown.told}{tail}".strip()}


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
