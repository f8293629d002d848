"""The order of work of one year: plants that are no mangroves first, then mangroves by station.

Only what the plan of the package takes in that year is told to be cut; everything else that stands
in a span of the window is told to be left, with the reason.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from geotrim.errors import RangeError
from geotrim.io.package_read import Package
from geotrim.report import crew_holds as holds
from geotrim.report import crew_species as species
from geotrim.report.crew_cuts import (
    PlannedTree,
    PlanTables,
    first_of,
    is_whole_over,
    planned_tree,
    tables_of,
)
from geotrim.report.crew_foliage import foliage_words
from geotrim.report.crew_near import keep_word, neighbours
from geotrim.report.crew_none import no_plan
from geotrim.report.crew_part import Part, Parts, part_of, parts_known
from geotrim.report.crew_places import number_of, places_of
from geotrim.report.crew_tree import (
    CLEAR_BAND,
    LEAVE,
    LOWER_TOP,
    OTHER_PLANT,
    CrewLot,
    CrewTree,
    Cut,
    Place,
)
from geotrim.report.cut_heights import inches_down, inches_up, stick_words
from geotrim.report.window_facts import Plan, plan_of, text_of
from geotrim.rules.species import is_mangrove


@dataclass(frozen=True, slots=True, eq=False)
class _Year:
    """What is known while one lot's list of one year is made."""

    package: Package
    lot_id: str
    plan: Plan
    year: int
    rows: dict[str, dict[str, Any]]
    places: Mapping[str, Place]
    tables: PlanTables
    parts: Parts


def crew_lot(package: Package, lot_id: str, year: int) -> CrewLot:
    """One lot's work in one year of its plan.

    Parameters
    ----------
    package : Package
    lot_id : str
    year : int
        1 for the first.

    Raises
    ------
    LayerError
        If the package has no plan for the lot.
    RangeError
        If the plan has no such year.
    """
    plan = plan_of(package.results, lot_id)
    if plan is None or not plan.years:
        raise no_plan(package, lot_id)
    n_years = max(max(plan.years), 1)
    if year > n_years:
        told = f"year {year} of a plan of {n_years} year{'' if n_years == 1 else 's'}"
        raise RangeError("--year", f"{told} (lot {lot_id})", f"1 to {n_years}", "name one of them")
    one = _Year(
        package,
        lot_id,
        plan,
        year,
        _rows(package, lot_id),
        places_of(package, lot_id),
        tables_of(package, lot_id),
        parts_known(package, lot_id),
    )
    work, left = _parted(one)
    plants = [one.rows[tree.crown_id].get("species") for tree in work]
    return CrewLot(
        lot_id,
        year,
        n_years,
        plan.dates(year),
        holds.holds_of(package, lot_id, plan, year),
        holds.notices_of(package, lot_id),
        species.marks_of(plants),
        tuple(work),
        tuple(left),
    )


def _rows(package: Package, lot_id: str) -> dict[str, dict[str, Any]]:
    rows = package.rows("crowns", lot_id).drop(columns="geometry").to_dict("records")
    return {str(row["crown_id"]): row for row in rows}


def _parted(one: _Year) -> tuple[list[CrewTree], list[CrewTree]]:
    """Trees in the order of work, and those that are left."""
    trees = [tree for crown_id in one.rows if (tree := _tree(one, crown_id)) is not None]
    work = [tree for tree in trees if not tree.is_left]
    left = [tree for tree in trees if tree.is_left]
    work.sort(key=lambda tree: (tree.kind != OTHER_PLANT, *_along(tree)))
    left.sort(key=_along)
    beside = neighbours(one.package, one.lot_id, one.places, {tree.crown_id for tree in work})
    return [
        replace(tree, number=k, keep_off=beside[tree.crown_id])
        for k, tree in enumerate(work, start=1)
    ], left


def _along(tree: CrewTree) -> tuple[float, float, str]:
    """Trees come by station; those without one come last."""
    station, offset = tree.place.station_ft, tree.place.offset_ft
    return (
        station if math.isfinite(station) else math.inf,
        offset if math.isfinite(offset) else math.inf,
        tree.crown_id,
    )


def _tree(one: _Year, crown_id: str) -> CrewTree | None:
    """What is done to one tree this year; None where it is no concern of the crew."""
    row = one.rows[crown_id]
    if crown_id in one.plan.cuts:
        return _planned(one, crown_id, row)
    in_way = _is_in_way(one, row)
    kept = keep_word(row)
    if is_mangrove(row.get("species")) is False and in_way and not kept:
        if one.year == 1:
            tree = _bare(one, crown_id, row, OTHER_PLANT, species.NO_MANGROVE)
            return replace(tree, hold=species.LOCAL_CODE)
        return _bare(one, crown_id, row, LEAVE, "no mangrove; its work belongs to year 1")
    if not (in_way or kept):
        return None
    why = f"kept: {kept}" if kept else text_of(row.get("why_left")) or "not in the plan"
    return _bare(one, crown_id, row, LEAVE, why)


def _planned(one: _Year, crown_id: str, row: Mapping[str, Any]) -> CrewTree:
    """A tree the plan cuts in some year."""
    cuts = one.plan.cuts[crown_id]
    years = [max(cut.year, 1) for cut in cuts]
    if one.year not in years:
        when = "cut before" if max(years) < one.year else f"its cut comes in year {min(years)}"
        later = [year for year in years if year > one.year]
        if min(years) < one.year and later:
            when = f"nothing this year; cut again in year {later[0]}"
        return _bare(one, crown_id, row, LEAVE, when)
    shut = holds.closed_words(one.plan, row)
    if shut:
        return _bare(one, crown_id, row, LEAVE, shut)
    planned = planned_tree(one.tables, row, cuts, one.year)
    cut = planned.cut
    if _is_nothing(planned):
        return _bare(one, crown_id, row, LEAVE, "what is left to cut is thinner than an inch")
    part = _part(one, row, planned)
    what = _what(cut, is_part=bool(part.words))
    tree = _bare(one, crown_id, row, LOWER_TOP if cut.is_top else CLEAR_BAND, what)
    return replace(
        tree,
        cut=cut,
        top_ft=planned.top_ft,
        part=part.words,
        foliage=foliage_words(row.get("species"), number_of(row, "base_height_ft"), cut),
        first=first_of(one.tables, row, planned),
        hold=part.hold or holds.tree_words(one.plan, row),
    )


def _part(one: _Year, row: Mapping[str, Any], planned: PlannedTree) -> Part:
    """The part of a crown that is cut: a window keeps to the zone, planned heights do not."""
    if not one.plan.is_window:
        return Part()
    is_over = is_whole_over(one.tables, str(row["crown_id"]), planned, one.year)
    return part_of(one.parts, row, is_over=is_over)


def _is_nothing(tree: PlannedTree) -> bool:
    """Whether rounding to marks of the stick leaves nothing to take."""
    high = tree.top_ft if tree.cut.is_top else tree.cut.high_ft
    return math.isfinite(high) and inches_down(high) <= inches_up(tree.cut.low_ft)


def _what(cut: Cut, *, is_part: bool) -> str:
    """What is done, in a few words."""
    part = " IN PART" if is_part else ""
    if cut.is_top:
        return f"LOWER THE TOP{part} to {stick_words(cut.low_ft)}"
    stays = "top stays" if is_part else "the top stays"
    return f"CLEAR THE BAND{part} {stick_words(cut.low_ft, cut.high_ft)}; {stays}"


def _bare(one: _Year, crown_id: str, row: Mapping[str, Any], kind: str, what: str) -> CrewTree:
    told = row.get("species")
    return CrewTree(
        one.lot_id,
        crown_id,
        0,
        kind,
        species.name_of(told),
        one.places[crown_id],
        number_of(row, "top_height_ft"),
        number_of(row, "height_error_ft"),
        None,
        what,
        checks=() if kind == LEAVE else species.checks_of(told),
        short_checks=() if kind == LEAVE else species.short_checks_of(told),
    )


def _is_in_way(one: _Year, row: Mapping[str, Any]) -> bool:
    """Whether a tree stands in a span of the window, or on the shore where there is no window."""
    station = number_of(row, "station_ft")
    if not math.isfinite(station):
        return False
    if not one.plan.is_window:
        return True
    if row.get("is_in_window") is True:
        return True
    half_ft = math.sqrt(max(number_of(row, "crown_area_ft2"), 0.0) / math.pi)
    half_ft = half_ft if math.isfinite(half_ft) else 0.0
    return any(
        str(span["stretch_id"]) == str(row.get("stretch_id"))
        and span["station_from_ft"] - half_ft <= station <= span["station_to_ft"] + half_ft
        for span in one.plan.spans
    )
