"""The tree schedule: one row a tree in the order of stations, over as many sheets as it takes."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from geotrim.io.package_read import Package
from geotrim.report.cut_marks import After, Mark, heights_after, marks_of
from geotrim.report.furniture import percent
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.lot_read import records
from geotrim.report.sheets.plan_told import told_of_plan
from geotrim.report.sheets.schedule_remarks import keyed, remark_words, remarks
from geotrim.report.sheets.sheet import Block, Cell, Column, Run, Sheet, Table, Words
from geotrim.report.statement_figures import day, figure
from geotrim.report.statement_lot import number, text
from geotrim.report.statement_parts import clean, count, sentence
from geotrim.report.window_facts import Plan, plan_of
from geotrim.rules.species import is_mangrove, species_key, species_table

COLUMNS = (
    Column("Tree", 8.5),
    Column("Station, ft", 6.5, "right"),
    Column("Species", 13.5),
    Column("Confirmed", 7.6, "center"),
    Column("Height, ft", 8.5, "right"),
    Column("Class", 8.0),
    Column("In the band", 6.5, "right"),
    Column("Year", 4.6),
    Column("Cut", 12.4),
    Column("Height after, ft", 7.5, "right"),
    Column("Remarks", 32.0),
)
SIZE_PT = 7.0
#: A box for a hand to tick.
BOX = "\u2610"
#: Where nothing is known, or nothing is done.
NOTHING = "\u2013"


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """What the plan that is drawn does to the trees of a lot, and what is remarked of each."""

    plan: Plan | None
    marks: Mapping[str, tuple[Mark, ...]]
    after: Mapping[str, After]
    told: Mapping[str, list[str]]


def schedule_sheets(package: Package, lot_id: str, choices: Choices) -> list[Sheet]:
    """The tree schedule of one lot, none where no tree stands on it.

    Parameters
    ----------
    package : Package
    lot_id : str
    choices : Choices
    """
    trees = trees_in_order(package, lot_id)
    if not trees:
        return []
    drawn = _drawn(package, lot_id, trees)
    keys = keyed(list(drawn.told.values()))
    rows = tuple(_row(tree, drawn, keys) for tree in trees)
    table = Table(COLUMNS, (*rows, _in_all(package, lot_id, trees, drawn.plan)), SIZE_PT)
    title = f"Tree schedule, lot {clean(lot_id)}"
    blocks: list[Block] = [Words(tuple(_lead(package, lot_id)), size_pt=7.5)]
    if keys:
        notes = tuple((Run(f"{k}  ", is_bold=True), Run(sentence(one))) for one, k in keys.items())
        blocks.append(Words(notes, "Notes of the remarks, by number", SIZE_PT))
    return [Sheet(title, (*blocks, table), _note(package, len(keys)))]


def _drawn(package: Package, lot_id: str, trees: Sequence[Mapping[str, Any]]) -> Drawn:
    marks = marks_of(package.results, lot_id)
    after = heights_after(package.results, lot_id)
    told = {
        crown: list(remarks(tree, marks.get(crown, ()), after.get(crown), package))
        for tree in trees
        for crown in [str(tree["crown_id"])]
    }
    return Drawn(plan_of(package.results, lot_id), marks, after, told)


def trees_in_order(package: Package, lot_id: str) -> list[dict[str, Any]]:
    """Trees of a lot by station; those without one come last, in the order of the crowns."""
    trees = records(package, "crowns", lot_id) if "lot_id" in package.rows("crowns") else []
    bars = {str(row["crown_id"]): row["bar"] for row in records(package, "window_trees", lot_id)}
    staged = records(package, "stage_trees", lot_id)
    why = {str(row["crown_id"]): row["why"] for row in staged if not row["is_reachable"]}
    trees = [
        {**tree, "bar": bars.get(crown, ""), "why_not": why.get(crown, "")}
        for tree in trees
        for crown in [str(tree["crown_id"])]
    ]
    places = [number(tree.get("station_ft")) for tree in trees]
    order = sorted(range(len(trees)), key=lambda k: (math.isnan(places[k]), places[k]))
    return [trees[k] for k in order]


def species_name(tree: Mapping[str, Any]) -> str:
    """What a tree is called on paper.

    Examples
    --------
    >>> species_name({"species": "Rhizophora mangle"}), species_name({"species": None})
    ('red mangrove', 'not known')
    >>> species_name({"species": "buttonwood"})
    'buttonwood, no mangrove'
    """
    given = tree["species"]
    key = species_key(given)
    if key is None:
        return f"not known (given as {clean(given)})" if text(given) else "not known"
    name = str(species_table()[key]["common"])
    return name if is_mangrove(given) else f"{name}, no mangrove"


def _row(tree: Mapping[str, Any], drawn: Drawn, keys: Mapping[str, int]) -> tuple[Cell, ...]:
    crown = str(tree["crown_id"])
    marks, plan = drawn.marks.get(crown, ()), drawn.plan
    shown = [one for one in marks if not one.is_nothing] or list(marks)
    told = [
        f"{one.words}, from {one.date}"
        if one.date and plan is not None and not plan.dates(one.year)
        else one.words
        for one in shown
    ]
    years = [f"{one.year}" if one.year else "" for one in shown]
    is_other = is_mangrove(tree["species"]) is False
    return (
        (Run(clean(crown), is_bold=bool(marks)),),
        figure(number(tree.get("station_ft")), "ft").removesuffix(" ft"),
        (Run(species_name(tree), is_bold=is_other),),
        BOX,
        _height(tree),
        text(tree.get("height_class")) or NOTHING,
        _band(tree),
        "\n".join(years) if any(years) else "" if told else NOTHING,
        (Run("\n".join(told) or "left", is_bold=bool(told)),),
        _after(tree, drawn.after.get(crown)),
        (Run(remark_words(drawn.told[crown], keys)),),
    )


def _height(tree: Mapping[str, Any]) -> str:
    """Height and one standard error, told apart from the limit it was held against."""
    top, error = number(tree.get("top_height_ft")), number(tree.get("height_error_ft"))
    told = figure(top, "ft", number(tree.get("nearest_limit_ft"))).removesuffix(" ft")
    if math.isnan(top) or not error > 0:
        return told
    return f"{told} \u00b1 {figure(error, 'ft', 0.0).removesuffix(' ft')}"


def _band(tree: Mapping[str, Any]) -> str:
    share = number(tree.get("share_band_frac"))
    return NOTHING if math.isnan(share) else percent(share)


def _after(tree: Mapping[str, Any], after: After | None) -> str:
    """Height when all is done by the plan that is drawn; of a tree that is left, as it stands."""
    if after is not None and math.isfinite(after.ft):
        return after.words
    return figure(number(tree.get("top_height_ft")), "ft").removesuffix(" ft")


def _in_all(
    package: Package, lot_id: str, trees: Sequence[Mapping[str, Any]], plan: Plan | None
) -> tuple[Cell, ...]:
    """The last row: how many of what, how many are cut, how much comes off."""
    cut = {} if plan is None else plan.cuts
    n_cut = sum(str(tree["crown_id"]) in cut for tree in trees)
    rest = len(trees) - n_cut
    off = removed_words(package, lot_id, plan)
    words = (
        count(len(trees), "tree"), "", ", ".join(kinds(trees)), "", "", "", "", "",
        f"{n_cut} cut, {rest} left", "", off,
    )  # fmt: skip
    return tuple((Run(word, is_bold=True),) for word in words)


def kinds(trees: Sequence[Mapping[str, Any]]) -> list[str]:
    """How many trees of a lot are mangroves, other plants, and not known.

    Examples
    --------
    >>> kinds([{"species": "Rhizophora mangle"}, {"species": None}])
    ['1 mangrove', '1 of unknown species']
    """
    found = [is_mangrove(tree["species"]) for tree in trees]
    n, other, unknown = found.count(True), found.count(False), found.count(None)
    told = [count(n, "mangrove")] * bool(n) + [count(other, "other plant")] * bool(other)
    return [*told, *[f"{unknown} of unknown species"] * bool(unknown)]


def removed_words(package: Package, lot_id: str, plan: Plan | None) -> str:
    """How much foliage comes off in all, "" where that was not reckoned."""
    if plan is None:
        return ""
    name = "window_lots" if plan.is_window else "stage_lots"
    rows = records(package, name, lot_id)
    volume = number(rows[0].get("foliage_removed_ft3", rows[0].get("removed_ft3"))) if rows else 0
    if not volume > 0:
        return ""
    share = number(rows[0].get("foliage_removed_frac"))
    of_lot = (
        ""
        if math.isnan(share)
        else f", {percent(share)} of the foliage of the lot's fringe mangroves"
    )
    return f"{volume:,.0f} cu ft of foliage come off{of_lot}"


def _lead(package: Package, lot_id: str) -> Iterator[Cell]:
    """How the table is to be read, and which plan it is of."""
    model = package.parameter("slices", "canopy_model")
    by = f" by the canopy model {model}" if model else ""
    yield (
        "Trees that are cut stand in **bold**. Heights are above the substrate; behind \u00b1 "
        f"stands one standard error. In the band: share of the crown's volume{by}. Heights to cut "
        "to are whole inches in decimal feet, the same marks as the crew list's, rounded so that "
        "no year takes more than was reckoned. Species are as the crowns were given; none is known "
        f"to be confirmed in the field: tick {BOX} when it is."
    )
    plan = plan_of(package.results, lot_id)
    told = told_of_plan(package, lot_id)
    if plan is None or told is None:
        yield "**No cut is planned** in this package: the schedule lists the trees as they stand."
        return
    if told.standing:
        yield (Run(told.standing, is_bold=True),)
    dates = plan_dates(plan)
    yield (Run(told.drawn, is_bold=True), Run(f" {told.judged} {dates}".rstrip()))


def plan_dates(plan: Plan) -> str:
    """The earliest day of each year's cut, where all of its trees have the same."""
    told = [
        f"year {year} from {day(plan.dates(year))} at the earliest"
        for year in plan.years
        if year and plan.dates(year)
    ]
    return sentence("; ".join(told)) if told else ""


def _note(package: Package, n_keys: int) -> str:
    low, high = package.parameter("slices", "band_ft", (math.nan, math.nan))
    band = "" if math.isnan(low) else f"band {low:g} to {high:g} ft above the substrate"
    notes = "notes of the remarks on the first sheet" if n_keys else ""
    return "; ".join(filter(None, [band, notes]))
