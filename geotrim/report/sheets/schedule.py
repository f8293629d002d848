"""The tree schedule: one row a tree in the order of stations, over as many sheets as it takes."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from geotrim.io.package_read import Package
from geotrim.report.cut_heights import band_words, cleared_up_to, top_to
from geotrim.report.furniture import percent
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.lot_read import records
from geotrim.report.sheets.sheet import Cell, Column, Run, Sheet, Table, Words
from geotrim.report.statement_figures import day, figure
from geotrim.report.statement_lot import flag, number, text
from geotrim.report.statement_parts import clean, count, sentence
from geotrim.report.window_facts import Cut, Plan, plan_of
from geotrim.rules.species import is_mangrove, look_alikes, species_key, species_table

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
#: The two that the cautions of every result name; other look-alikes are told with the cautions.
CONFUSED = {"conocarpus_erectus", "laguncularia_racemosa"}


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
    plan = plan_of(package.results, lot_id)
    rows = tuple(_row(package, tree, plan) for tree in trees)
    table = Table(COLUMNS, (*rows, _in_all(package, lot_id, trees, plan)), SIZE_PT)
    title = f"Tree schedule, lot {clean(lot_id)}"
    words = Words(tuple(_lead(package, lot_id, plan)), size_pt=7.5)
    return [Sheet(title, (words, table), _note(package))]


def trees_in_order(package: Package, lot_id: str) -> list[dict[str, Any]]:
    """Trees of a lot by station; those without one come last, in the order of the crowns."""
    trees = records(package, "crowns", lot_id) if "lot_id" in package.rows("crowns") else []
    bars = {str(row["crown_id"]): row["bar"] for row in records(package, "window_trees", lot_id)}
    trees = [{**tree, "bar": bars.get(str(tree["crown_id"]), "")} for tree in trees]
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


def cuts_in_words(cuts: Sequence[Cut]) -> list[str]:
    """What is cut off a tree in each year, rounded so that no more is taken than was reckoned.

    A cut that goes on where one of the year before ended begins where the crew was told to end.

    Examples
    --------
    >>> cuts_in_words([Cut("7", 1, 6.0, 7.77), Cut("7", 2, 7.77, 9.1)])
    ['6.0 to 7.7 ft', '7.7 to 9.1 ft']
    >>> cuts_in_words([Cut("7", 1, 12.44, math.inf), Cut("7", 2, 10.0, 12.44)])
    ['top to 12.5 ft', 'top to 10.0 ft']
    """
    tops = {cut.low_ft for cut in cuts if math.isinf(cut.high_ft)}
    ends = {cut.high_ft for cut in cuts}
    told = []
    for cut in cuts:
        is_top = math.isinf(cut.high_ft) or cut.high_ft in tops
        if is_top:
            tops.add(cut.low_ft)
            told.append(f"top to {top_to(cut.low_ft):.1f} ft")
        elif cut.low_ft in ends:
            told.append(f"{cleared_up_to(cut.low_ft):.1f} to {cleared_up_to(cut.high_ft):.1f} ft")
        else:
            told.append(band_words(cut.low_ft, cut.high_ft))
    return told


def _row(package: Package, tree: Mapping[str, Any], plan: Plan | None) -> tuple[Cell, ...]:
    cuts = [] if plan is None else list(plan.cuts.get(str(tree["crown_id"]), []))
    years = [f"{cut.year}" if cut.year else "" for cut in cuts]
    told = [
        words
        if plan is None or not cut.date or plan.dates(cut.year)
        else f"{words}, from {cut.date}"
        for cut, words in zip(cuts, cuts_in_words(cuts), strict=True)
    ]
    is_other = is_mangrove(tree["species"]) is False
    return (
        (Run(clean(tree["crown_id"]), is_bold=bool(cuts)),),
        figure(number(tree.get("station_ft")), "ft").removesuffix(" ft"),
        (Run(species_name(tree), is_bold=is_other),),
        BOX,
        _height(tree),
        text(tree.get("height_class")) or NOTHING,
        _band(tree),
        "\n".join(years) if any(years) else "" if told else NOTHING,
        (Run("\n".join(told) or "left", is_bold=bool(told)),),
        _after(tree, cuts),
        (Run(" ".join(sentence(one) for one in remarks(tree, bool(cuts), package))),),
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


def _after(tree: Mapping[str, Any], cuts: Sequence[Cut]) -> str:
    """Height when all is done; of a lowered tree what the crew was told, never less."""
    top = number(tree.get("top_height_ft"))
    after = number(tree.get("height_after_ft")) if "height_after_ft" in tree else math.nan
    if not cuts:
        return figure(top, "ft").removesuffix(" ft")
    lowest = min(cut.low_ft for cut in cuts)
    is_top = any(math.isinf(cut.high_ft) for cut in cuts)
    if is_top and not after > lowest + 0.05:
        return f"{top_to(lowest):.1f}"
    if math.isnan(after):
        after = top if not is_top else lowest
    return figure(after, "ft").removesuffix(" ft")


def remarks(tree: Mapping[str, Any], is_cut: bool, package: Package) -> Iterator[str]:
    """What a reader must know of a tree beside its figures.

    Parameters
    ----------
    tree : mapping
        A row of the layer ``crowns``.
    is_cut : bool
        Whether the plan cuts it.
    package : Package
    """
    why = "" if is_cut else clean(text(tree.get("why_left")))
    if text(tree.get("keep")):
        yield f"keep: {clean(tree['keep'])}"
    elif why:
        yield f"limit: {why}" if text(tree.get("bar")) else why
    if flag(tree.get("is_stick_first")):
        yield "read by stick first"
    if flag(tree.get("is_too_close")) and "too close" not in why:
        yield f"too close to {number(tree.get('nearest_limit_ft')):g} ft to tell"
    yield from _of_species(tree)
    yield from _of_shape(tree, is_cut)


def _of_species(tree: Mapping[str, Any]) -> Iterator[str]:
    key = species_key(tree["species"])
    if key is None:
        yield "taken as a mangrove until the species is found out"
        return
    for pair in look_alikes(key):
        if {key, pair.key} == CONFUSED:
            name = str(species_table()[pair.key]["common"])
            yield f"easily taken for {name}: look at the leaves"


def _of_shape(tree: Mapping[str, Any], is_cut: bool) -> Iterator[str]:
    if flag(tree.get("is_draft")):
        yield "outline drawn by a machine"
    if flag(tree.get("is_partial")):
        covered = number(tree.get("covered_frac"))
        yield f"heights cover {percent(covered)} of the crown"
    if is_cut and math.isnan(number(tree.get("base_height_ft"))):
        yield "lowest foliage not known"
    low, after = number(tree.get("cut_low_ft")), number(tree.get("height_after_ft"))
    if text(tree.get("treatment")) == "lower-top" and after > low + 0.05:
        yield f"what stands outside the zone stays at {figure(after, 'ft')}"


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
    of_lot = "" if math.isnan(share) else f", {percent(share)} of the lot's"
    return f"{volume:,.0f} cu ft of foliage come off{of_lot}"


def _lead(package: Package, lot_id: str, plan: Plan | None) -> Iterator[Cell]:
    """How the table is to be read."""
    model = package.parameter("slices", "canopy_model")
    by = f" by the canopy model {model}" if model else ""
    yield (
        "Trees that are cut stand in **bold**. Heights are above the substrate; behind \u00b1 "
        f"stands one standard error. In the band: share of the crown's volume{by}. Heights to cut "
        "to are rounded so that no more is taken than was reckoned. Species are as the crowns "
        f"were given; none is known to be confirmed in the field: tick {BOX} when it is."
    )
    if plan is None:
        yield "**No cut is planned** in this package: the schedule lists the trees as they stand."
        return
    yield (_plan_words(plan), *((Run(f" {plan_dates(plan)}"),) if plan_dates(plan) else ()))


def _plan_words(plan: Plan) -> Run:
    told = (
        "The cuts are those of the window."
        if plan.is_window
        else ("The cuts are those of the planned heights; no window is planned.")
    )
    return Run(told, is_bold=True)


def plan_dates(plan: Plan) -> str:
    """The earliest day of each year's cut, where all of its trees have the same."""
    told = [
        f"year {year} from {day(plan.dates(year))} at the earliest"
        for year in plan.years
        if year and plan.dates(year)
    ]
    return sentence("; ".join(told)) if told else ""


def _note(package: Package) -> str:
    low, high = package.parameter("slices", "band_ft", (math.nan, math.nan))
    return "" if math.isnan(low) else f"band {low:g} to {high:g} ft above the substrate"
