"""The plan set of one lot: its sheets in order, with an index, metadata and what was left out."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module

from geotrim.io.package_read import Package
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.sheet import Sheet, SheetSet
from geotrim.report.sheets.title_block import plan_id, title_block
from geotrim.report.statement_parts import clean

Maker = Callable[[Package, str, Choices], list[Sheet]]
_PARTS = (
    ("location", "location_sheets"),
    ("plan_view", "plan_view_sheets"),
    ("section", "section_sheets"),
    ("elevation", "elevation_sheets"),
    ("schedule", "schedule_sheets"),
    ("findings_sheets", "findings_sheets"),
    ("checklist_sheets", "checklist_sheets"),
)


def plan_set(package: Package, lot_id: str, choices: Choices) -> SheetSet:
    """All sheets of one lot."""
    sheets: list[Sheet] = []
    for module, name in _PARTS:
        try:
            maker: Maker = getattr(import_module(f"geotrim.report.sheets.{module}"), name)
        except (ImportError, AttributeError):
            continue
        sheets += maker(package, lot_id, choices)
    title = f"Plan set, lot {clean(lot_id)}, {clean(package.site_name)}"
    return SheetSet(
        title,
        clean(choices.prepared_by),
        "Mangrove trimming plan for screening; not a survey.",
        ("mangrove", "trimming plan", f"lot {clean(lot_id)}", f"plan {plan_id(package)}"),
        title_block(package, lot_id, choices),
        sheets,
        choices.date,
    )
