"""``geotrim sheets``: the plan set of a result package as PDF, SVG, PNG and DXF."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from geotrim.errors import RangeError
from geotrim.handover.job import Job, Made
from geotrim.handover.plan_dxf import write_plan_dxf
from geotrim.model import Note
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.compiled import letters_without_shape, pdf_of, pngs_of, svgs_of
from geotrim.report.sheets.plan_set import has_plan, plan_set
from geotrim.report.sheets.sheet import SheetSet
from geotrim.report.sheets.title_block import changed_words, lot_name
from geotrim.report.sheets.true_scale import SCALES_FT
from geotrim.run import names_of

#: Folder of the pictures.
PICTURES = "pictures"
#: First year of a paper's date, the act being of 1996; years it may lie ahead.
FIRST_YEAR, MOST_YEARS = 1996, 5
#: Letters without a shape that a note names.
MOST_LETTERS = 20


def make_sheets(job: Job) -> Made:
    """Draw the plan set of each lot that is asked for.

    Raises
    ------
    LayerError
        If a lot is not in the package.
    RangeError
        If the date is none, or the scale is none of the engineer's or too large for the lot.
    """
    choices = choices_of(job.params)
    lots = job.lots()
    files: dict[str, str] = {}
    notes: list[Note] = []
    told: list[str] = []
    for lot_id, tail in zip(lots, _tails(lots), strict=True):
        job.progress(f"drawing {lot_name(lot_id)}")
        one = plan_set(job.package, lot_id, choices)
        notes += _unprinted(one, lot_id)
        name = f"plan_set{tail}.pdf"
        (job.folder / name).write_bytes(pdf_of(one))
        files[name] = f"the plan set of {lot_name(lot_id)}"
        if job.params["pictures"]:
            job.progress(f"drawing {lot_name(lot_id)} as pictures")
            first, n = _pictures(job.folder, one, tail)
            files[first] = f"the same, {n} sheets as SVG and PNG"
        if has_plan(job.package, lot_id):
            name = f"plan_view{tail}.dxf"
            notes += write_plan_dxf(job.package, lot_id, job.folder / name, choices.scale_ft)
            files[name] = f"the plan view of {lot_name(lot_id)}, in the site's CRS"
        else:
            notes.append(Note(lot_name(lot_id), "nothing to draw: no plan view, no DXF", "missing"))
        told.append(f"{lot_name(lot_id)}: {'; '.join(sheet.title for sheet in one.sheets)}")
    notes += [Note("package", told, "missing") for told in changed_words(job.package)]
    return Made(files, {"n_lots": len(lots)}, tuple(notes), "\n".join(told))


def choices_of(params: Mapping[str, Any]) -> Choices:
    """What the user said about the sheets, checked.

    Raises
    ------
    RangeError
        If the date is none, or the scale is none of the engineer's.
    """
    scale = params["scale_ft"]
    if scale is not None and scale not in SCALES_FT:
        known = ", ".join(map(str, SCALES_FT))
        raise RangeError("scale_ft", f"{scale:g}", f"one of {known}", "choose one, or leave it out")
    return Choices(
        params["prepared_by"] or "",
        params["prepared_for"] or "",
        day_of(params["date"]),
        None if scale is None else int(scale),
    )


def day_of(given: Any) -> str:
    """A day as ISO text; today where none is given.

    Raises
    ------
    RangeError
        If it is none, or none that papers of a plan are dated: a slip of the year.

    Examples
    --------
    >>> day_of("2027-01-11")
    '2027-01-11'
    """
    if given is None:
        return date.today().isoformat()
    try:
        day = date.fromisoformat(str(given).strip())
    except ValueError as error:
        mend = "write year, month and day"
        raise RangeError("date", f"{given!r}", "a day such as 2027-01-11", mend) from error
    last = date.today().year + MOST_YEARS
    if not FIRST_YEAR <= day.year <= last:
        needed = f"a day from {FIRST_YEAR} to {last}: the day of these papers"
        raise RangeError("date", str(given), needed, "check the year")
    return day.isoformat()


def _pictures(folder: Path, one: SheetSet, tail: str) -> tuple[str, int]:
    """Every sheet as SVG and PNG; the name of the first, and how many there are."""
    (folder / PICTURES).mkdir(exist_ok=True)
    pages = list(zip(svgs_of(one), pngs_of(one), strict=True))
    for k, (svg, png) in enumerate(pages, start=1):
        stem = folder / PICTURES / f"sheet{tail}_{k:02d}"
        stem.with_name(f"{stem.name}.svg").write_bytes(svg)
        stem.with_name(f"{stem.name}.png").write_bytes(png)
    return f"{PICTURES}/sheet{tail}_01.svg", len(pages)


def _tails(lots: list[str]) -> list[str]:
    """What is put behind the names of a lot's files; nothing where there is only one lot."""
    return [name.removeprefix("plan_set") for name in names_of("plan_set", lots, lots)]


def _unprinted(one: SheetSet, lot_id: str) -> list[Note]:
    """Letters that stand as boxes on the sheets of a lot."""
    letters = letters_without_shape(one)
    if not letters:
        return []
    some = " ".join(letters[:MOST_LETTERS]) + (" ..." if len(letters) > MOST_LETTERS else "")
    told = f"the sheets' font has no shape for {some}: a box stands for each, write them otherwise"
    return [Note(lot_name(lot_id), told, "missing")]
