"""The plan set of one lot: its sheets in order, with an index, metadata and what was left out."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module

from geotrim.io.package_read import Package
from geotrim.report.sheets.checklist_sheets import caution_sheets, checklist_sheets
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.cover import cover_sheets
from geotrim.report.sheets.findings_sheets import findings_sheets
from geotrim.report.sheets.schedule import schedule_sheets
from geotrim.report.sheets.sheet import Sheet, SheetSet
from geotrim.report.sheets.title_block import plan_id, title_block
from geotrim.report.statement_parts import clean

Maker = Callable[[Package, str, Choices], list[Sheet]]


def _made(module: str, name: str) -> Maker | None:
    try:
        found: Maker = getattr(import_module(f"geotrim.report.sheets.{module}"), name)
    except (ImportError, AttributeError):
        return None
    return found


#: What a set shows -> who makes its sheets, and why they may be missing; in the order of the set.
PARTS: dict[str, tuple[Maker | None, str]] = {
    "plan view": (_made("plan_view", "plan_view_sheets"), "no frontage was found for the lot"),
    "cross-sections": (_made("section_sheets", "section_sheets"), "no crowns along the frontage"),
    "elevations": (_made("elevation_sheets", "elevation_sheets"), "no crowns along the frontage"),
    "tree schedule": (schedule_sheets, "no tree stands on the lot or in front of it"),
    "findings": (findings_sheets, "the ways to an authorisation were not judged"),
    "checklist for a submission": (checklist_sheets, "the ways were not judged"),
    "cautions": (caution_sheets, ""),
}


def plan_set(package: Package, lot_id: str, choices: Choices) -> SheetSet:
    """All sheets of one lot.

    Parameters
    ----------
    package : Package
    lot_id : str
    choices : Choices

    Raises
    ------
    GeotrimError
        If the scale that was asked for does not hold the lot.
    """
    sheets: list[Sheet] = []
    left_out: list[str] = []
    for what, (maker, why) in PARTS.items():
        if maker is None:
            continue
        made = maker(package, lot_id, choices)
        sheets += made
        if not made:
            left_out.append(f"{what}: {why}")
    sheets = [*cover_sheets(package, lot_id, choices, None, left_out), *sheets]
    site, lot = clean(package.site_name), clean(lot_id)
    return SheetSet(
        f"Plan set, lot {lot}, {site}",
        clean(choices.prepared_by),
        "Mangrove trimming plan for screening; not a survey.",
        ("mangrove", "trimming plan", f"lot {lot}", f"plan {plan_id(package)}"),
        title_block(package, lot_id, choices),
        sheets,
        choices.date,
    )
