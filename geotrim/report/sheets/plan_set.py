"""The plan set of one lot: its sheets in order, with an index, metadata and what was left out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from geotrim.io.package_read import Package
from geotrim.report.sheets.checklist_sheets import caution_sheets, checklist_sheets
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.cover import cover_sheets
from geotrim.report.sheets.elevation_sheets import elevation_sheets
from geotrim.report.sheets.findings_sheets import findings_sheets
from geotrim.report.sheets.location import location_sheets
from geotrim.report.sheets.plan_frame import is_blank
from geotrim.report.sheets.plan_lot import plan_lot
from geotrim.report.sheets.plan_told import told_of_plan
from geotrim.report.sheets.plan_view import plan_view_sheets
from geotrim.report.sheets.schedule import schedule_sheets
from geotrim.report.sheets.section_sheets import section_sheets
from geotrim.report.sheets.sheet import Sheet, SheetSet
from geotrim.report.sheets.title_block import lot_name, plan_id, title_block
from geotrim.report.statement_parts import clean


@dataclass(frozen=True, slots=True)
class Part:
    """One kind of sheets of a set.

    make : its sheets; none where there is nothing to show.
    needs : table of the package -> what is said where the lot has nothing in it.
    is_of_plan : whether it draws what is cut, so that its head says where no way is open for it.
    """

    what: str
    make: Callable[[Package, str, Choices], list[Sheet]]
    needs: dict[str, str]
    is_of_plan: bool = False


FRONTAGE = {"frontage": "no frontage was found for the lot"}
TREES = {"crowns": "the package holds no crowns on this lot"}
JUDGED = {"lot_routes": "the ways to an authorisation were not judged"}
#: In the order of the set.
PARTS = (
    Part("Location", location_sheets, {"lots": "the lot has no polygon"}),
    Part("Plan view", plan_view_sheets, FRONTAGE, is_of_plan=True),
    Part("Cross-sections", section_sheets, FRONTAGE | TREES | {"sections": "none was made"}, True),
    Part("Shoreline elevation", elevation_sheets, FRONTAGE | TREES, is_of_plan=True),
    Part("Tree schedule", schedule_sheets, TREES),
    Part("Findings", findings_sheets, JUDGED),
    Part("Checklist for a submission", checklist_sheets, JUDGED),
    Part("Cautions", caution_sheets, {}),
)


def plan_set(package: Package, lot_id: str, choices: Choices) -> SheetSet:
    """All sheets of one lot.

    Parameters
    ----------
    package : Package
    lot_id : str
    choices : Choices

    Raises
    ------
    RangeError
        If the plan view does not fit on a sheet at the scale that was asked for.
    """
    sheets: list[Sheet] = []
    left_out: dict[str, list[str]] = {}
    plan = told_of_plan(package, lot_id)
    for part in PARTS:
        made = part.make(package, lot_id, choices)
        if part.is_of_plan and plan is not None and plan.short:
            made = [replace(one, note=f"{one.note}; {plan.short}") for one in made]
        sheets += made
        if not made:
            left_out.setdefault(why_not(package, lot_id, part), []).append(part.what)
    not_shown = [f"{', '.join(parts)}: {why}." for why, parts in left_out.items()]
    site, lot = clean(package.site_name), lot_name(lot_id)
    return SheetSet(
        f"Plan set, {lot}, {site}",
        clean(choices.prepared_by),
        "Plan of a mangrove trimming, for screening; not a survey",
        ("mangrove trimming", "plan set", lot, f"plan {plan_id(package)}"),
        title_block(package, lot_id, choices),
        [
            _without_lot(one, lot_id)
            for one in (*cover_sheets(package, lot_id, choices, not_shown), *sheets)
        ],
        choices.date,
    )


def _without_lot(one: Sheet, lot_id: str) -> Sheet:
    """A sheet whose title leaves the lot to the title block, as all of a set do."""
    return replace(one, title=one.title.replace(f", lot {clean(lot_id)}", ""))


def has_plan(package: Package, lot_id: str) -> bool:
    """Whether a lot has a plan view, with a frontage or without."""
    return not is_blank(plan_lot(package, lot_id))


def why_not(package: Package, lot_id: str, part: Part) -> str:
    """Why a lot has no sheets of a kind; why it has no frontage is told beside its shoreline."""
    for table, words in part.needs.items():
        if not len(package.rows(table, lot_id)):
            return words
    return "the package holds nothing to draw it from"
