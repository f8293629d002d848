"""``geotrim crew``: the list of one year's cut: on paper, on the phone, a table and waypoints."""

from __future__ import annotations

from datetime import date

from geotrim.errors import GeotrimError, LayerError, RangeError
from geotrim.handover.job import Job, Made
from geotrim.io.gpx import write_gpx
from geotrim.io.text_table import write_text_table
from geotrim.model import Note
from geotrim.report.crew_html import crew_html
from geotrim.report.crew_order import crew_lot
from geotrim.report.crew_sheets import crew_pdf, unknown_letters
from geotrim.report.crew_table import crew_table, waypoints
from geotrim.report.crew_tree import OTHER_PLANT, CrewLot
from geotrim.report.crew_words import CrewHead, day_words
from geotrim.report.fold import fold


def make_crew_list(job: Job) -> Made:
    """Write the crew list of one year of the plan of each lot that is asked for.

    Raises
    ------
    GeotrimError
        If no lot that is asked for has a plan with that year, or the date is none.
    """
    head = CrewHead(
        job.package.site_name,
        job.package.sha256,
        str(job.params["prepared_by"] or ""),
        _day(job.params["date"]),
        tuple(job.package.changed),
    )
    job.progress("putting the trees in order")
    lots, notes = _lots(job)
    folder = job.folder
    write_text_table(folder / "crew_list.csv", crew_table(lots))
    write_gpx(folder / "trees.gpx", waypoints(lots), title=f"Crew list, {head.site}")
    job.progress("drawing pages")
    (folder / "crew_list.pdf").write_bytes(crew_pdf(lots, head))
    if unknown := unknown_letters(lots, head):
        text = f"letters without a shape in the font of the pages, printed as boxes: {unknown}"
        notes.append(Note("crew_list.pdf", text, "missing"))
    options = {"stick_error_ft": job.package.parameter("risks", "stick_error_ft")}
    (folder / "crew_list.html").write_text(crew_html(lots, head, **options), encoding="utf-8")
    files = {
        "crew_list.pdf": "ten trees a page, in large type",
        "crew_list.html": "the same for a phone, without a network: ticks, and readings to export",
        "crew_list.csv": "the same as a table",
        "trees.gpx": "a waypoint for each tree",
    }
    return Made(files, _figures(lots), tuple(notes), _words(lots))


def _lots(job: Job) -> tuple[list[CrewLot], list[Note]]:
    """The lots that have work in the year; why others have none is a note."""
    year = int(job.params["year"])
    lots: list[CrewLot] = []
    refused: list[tuple[str, GeotrimError]] = []
    for lot_id in job.lots():
        try:
            lots.append(crew_lot(job.package, lot_id, year))
        except (LayerError, RangeError) as error:
            refused.append((lot_id, error))
    if not lots:
        raise refused[0][1]
    notes = [Note(f"lot {lot}", f"left out: {error.found}", "missing") for lot, error in refused]
    if job.package.changed:
        changed = ", ".join(job.package.changed)
        text = f"changed since geotrim wrote it: {changed}; the list follows what is there now"
        notes.append(Note("package", text, "assumed"))
    for lot in lots:
        if not lot.date:
            text = f"no earliest day of year {lot.year}: the plan was made without a date"
            notes.append(Note(f"lot {lot.lot_id}", text, "missing"))
    return lots, notes


def _day(text: object) -> str:
    if text is None:
        return date.today().isoformat()
    try:
        return date.fromisoformat(str(text)).isoformat()
    except ValueError as error:
        need, mend = "a day such as 2027-01-11", "write year, month and day"
        raise GeotrimError("--date", f"{text!r}", need, mend) from error


def _figures(lots: list[CrewLot]) -> dict[str, object]:
    return {
        lot.lot_id: {
            "year": lot.year,
            "n_work_trees": len(lot.work),
            "n_other_plants": sum(tree.cut is None for tree in lot.work),
            "n_look_first_trees": sum(bool(tree.foliage) for tree in lot.work),
            "n_read_first_trees": sum(bool(tree.first) for tree in lot.work),
            "n_left_trees": len(lot.left),
            "n_holds": len(lot.holds),
        }
        for lot in lots
    }


def _words(lots: list[CrewLot]) -> str:
    out = []
    for lot in lots:
        n_first = sum(bool(tree.first) for tree in lot.work)
        out.append(f"Lot {lot.lot_id}, year {lot.year} of {lot.n_years}, {day_words(lot)}")
        n_other = sum(tree.kind == OTHER_PLANT for tree in lot.work)
        n_look = sum(bool(tree.foliage) for tree in lot.work)
        out.append(f"  {len(lot.work) - n_other} to be cut, {len(lot.left)} to be left")
        if n_other:
            out.append(f"  {n_other} no mangroves before them: left unless ordered")
        if n_look:
            out.append(f"  {n_look} to be looked at first for their lowest foliage")
        if n_first:
            out.append(f"  {n_first} to be read by stick before the cut")
        if lot.holds:
            out.append("  not to be started before these are settled:")
            out += [line for one in lot.holds for line in fold(one, "    ", "      ")]
    return "\n".join(out)
