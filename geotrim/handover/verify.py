"""``geotrim verify``: what was cut held against the plan, lot by lot."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from functools import partial
from typing import Any

import pandas as pd

from geotrim.errors import GeotrimError, RangeError
from geotrim.handover.job import Job, Made
from geotrim.handover.ledger import check_past, day_of
from geotrim.handover.verify_before import Stage, before_of
from geotrim.handover.verify_entries import enter, entries_of, kept_before
from geotrim.handover.verify_raster import raster_found
from geotrim.io.cut_readings import fitting, of_earlier_years, read_cut_readings
from geotrim.io.files import local_path, sha256_of
from geotrim.io.package_read import Package
from geotrim.io.text_table import write_text_table
from geotrim.model import InputFile, Note, Result
from geotrim.ops.after_cut import STICK_FT, AfterGiven, after_cut
from geotrim.ops.after_limits import after_rules
from geotrim.ops.after_trees import cuts_of
from geotrim.ops.package_rules import route_taken, rules_of
from geotrim.ops.window_rules import way_of
from geotrim.prepare.task import GivenFile
from geotrim.report.cut_heights import INCHES
from geotrim.report.cut_marks import marks_of
from geotrim.report.save import save_figure
from geotrim.report.statement_html import html
from geotrim.report.statement_parts import some
from geotrim.report.verification_figure import verification_figure
from geotrim.report.verification_page import verification_page
from geotrim.report.verification_standing import Standing, standing_of
from geotrim.report.verification_table import figures_of, verification_table
from geotrim.report.verification_text import verification_text

STEM = "verification"
PAGE, TABLE, FIGURE = f"{STEM}.html", f"{STEM}.csv", f"{STEM}.png"


def verify_cut(job: Job) -> Made:
    """Hold readings and a new raster against one year of a plan.

    Raises
    ------
    GeotrimError
        If neither is given, the plan cuts nothing in that year, or an input does not fit.
    """
    package, year, lots = job.package, job.params["year"], job.lots()
    _check_asked(job, lots)
    cut_date = _day(job.params["cut_date"], "--cut-date")
    kept = kept_before(job, lots)
    readings, read_before, notes, inputs = _readings(job, lots)
    raster = None
    if (given := job.one("heights")) is not None:
        job.progress("measuring crowns in the new raster")
        raster, told, read = raster_found(package, given)
        notes, inputs = (*notes, *told), (*inputs, *read)
    job.progress("holding what was found against the plan")
    results, standings = {}, {}
    for lot_id in lots:
        judged = _judged_by(package, lot_id, job.params["confidence_frac"])
        standings[lot_id] = standing_of(package, lot_id, year, judged.way)
        before = before_of(kept, read_before, _stage(job, lot_id, readings, cut_date))
        results[lot_id] = after_cut(
            package.tables,
            lot_id,
            year,
            judged,
            readings=readings,
            raster=raster,
            cut_date=cut_date,
            before=before,
            marks=_marks(package, lot_id, year),
        )
        notes = (*notes, *results[lot_id].notes)
    entries = entries_of(job, results, _read_on(readings, cut_date))
    made = _written(job, results, standings, notes)
    after = None if not entries else partial(enter, job, entries)
    words = verification_text(results, year, package.changed, standings)
    figures = figures_of(results)
    for lot_id, standing in standings.items():
        figures[lot_id] |= {"way_words": standing.way, "standing_words": standing.words()}
    return Made(made, figures, tuple(notes), words, tuple(inputs), after)


def _written(
    job: Job,
    results: Mapping[str, Result],
    standings: Mapping[str, Standing],
    notes: tuple[Note, ...],
) -> dict[str, str]:
    """The files, and what they are."""
    job.progress("writing")
    year = job.params["year"]
    low, high = job.package.parameter("window", "band_ft", (6.0, 10.0))
    figure = verification_figure(results, year, job.package.site_name, (float(low), float(high)))
    png, _ = save_figure(figure, job.folder / STEM)
    page = verification_page(
        job.package, results, notes, year, picture=png.read_bytes(), standings=standings
    )
    (job.folder / PAGE).write_text(html(page), encoding="utf-8")
    write_text_table(job.folder / TABLE, verification_table(results))
    return {
        PAGE: "what was found, tree by tree, with figures and findings",
        TABLE: "the same as a table",
        FIGURE: f"planned and found heights ({STEM}.svg: the same)",
    }


def _check_asked(job: Job, lots: list[str]) -> None:
    """Something was found, and something was planned."""
    if job.one("readings") is None and job.one("heights") is None:
        raise GeotrimError(
            "verify",
            "neither readings nor heights",
            "what was found after the cut",
            "give --readings FILE (the crew page exports it) or --heights NEW.tif, or both",
        )
    cuts = job.package.rows("stage_cuts")
    mine = cuts if not len(cuts) else cuts[cuts["lot_id"].isna() | cuts["lot_id"].isin(lots)]
    years = sorted({int(year) for year in mine["year"]}) if len(mine) else []
    if not years:
        raise GeotrimError(
            "verify",
            "a package whose plan cuts nothing on these lots",
            "a plan with cuts (operations window or heights planned, and stages)",
            "run geotrim run with a plan, or choose another lot",
        )
    if job.params["year"] not in years:
        told = f"{job.params['year']}, and a plan of {len(years)} years"
        raise RangeError("--year", told, f"1 to {years[-1]}", "choose the year that was cut")


def _read_on(readings: Any, cut_date: str | None) -> str:
    """The last day that is told, "" for none."""
    days = [] if readings is None else [day for day in readings["date"] if isinstance(day, str)]
    return max([*days, cut_date or ""])


def _stage(job: Job, lot_id: str, readings: Any, cut_date: str | None) -> Stage:
    """The cut that is looked at, for what is known from before it."""
    rows = [] if readings is None else readings[["crown_id", "date"]].to_dict("records")
    days = {str(row["crown_id"]): row["date"] for row in rows if isinstance(row["date"], str)}
    return Stage(
        lot_id,
        job.package.sha256,
        job.params["year"],
        cuts_of(job.package.tables, lot_id),
        days,
        cut_date or "",
    )


def _readings(
    job: Job, lots: list[str]
) -> tuple[Any, Any, tuple[Note, ...], tuple[InputFile, ...]]:
    """Readings of the year, those of earlier years, notes, and the file."""
    given = job.one("readings")
    if given is None:
        return None, None, (), ()
    _check_plain(given)
    table, notes = read_cut_readings(
        given.path,
        height_unit=given.get("height_unit"),
        height_rmse_ft=given.get("height_rmse_ft"),
        subject=given.subject,
    )
    every = table
    table, told = fitting(
        table,
        job.package.rows("crowns"),
        plan_sha256=job.package.sha256,
        year=job.params["year"],
        lots=lots,
        subject=given.subject,
    )
    for day in sorted({day for day in table["date"] if isinstance(day, str)}):
        check_past(day_of(day, given.subject), today(), f"{given.subject}, date")
    told = (*told, *_gone(table, given.subject))
    path = local_path(given.path, given.subject)
    digest, how = sha256_of(path)
    read = InputFile("readings", path.name, digest, None, len(table), None, {"sha256_of": how})
    return table, of_earlier_years(every, job.params["year"]), (*notes, *told), (read,)


def _gone(table: Any, subject: str) -> tuple[Note, ...]:
    """Heights of 0: trees that are gone, where their notes say anything; else they are asked for.

    Raises
    ------
    RangeError
        If a height of 0 has no note: it may be a slip, and it would count as a felled tree.
    """
    zero = table[table["height_ft"] == 0.0]
    bare = [
        str(row["crown_id"])
        for row in zero.to_dict("records")
        if pd.isna(row["note"]) or not str(row["note"]).strip()
    ]
    if bare:
        raise RangeError(
            f"{subject}, column height_ft, {some(bare)}",
            "0 ft, without a note",
            "the height of what stands, from the substrate",
            "leave the cell empty if it was not read; if the tree is gone, say so in its note",
        )
    if not len(zero):
        return ()
    text = f"read as 0 ft with a note, so taken as gone: {some(zero['crown_id'].astype(str))}"
    return (Note("readings", text, "assumed"),)


def _check_plain(given: GivenFile) -> None:
    """What is said of tables with positions has no place here."""
    for key in ("layer", "crs"):
        if given.get(key) is not None:
            raise GeotrimError(
                f"{given.subject} {key}",
                repr(given.get(key)),
                "nothing: readings after a cut are a table by tree number",
                f"leave out {key}",
            )


def _judged_by(package: Package, lot_id: str, confidence_frac: float) -> AfterGiven:
    """The rules of one lot, as its plan was judged by them."""
    findings = package.rows("findings", lot_id)
    by_rule = package.rows("findings_by_rule", lot_id)
    rules = rules_of(findings, by_rule, package.rows("consequence_rules"))
    known = dict((package.record.get("facts") or {}).get(lot_id) or {})
    route, is_assumed = route_taken(package.rows("window_lots"), package.rows("lots"), lot_id)
    limits = after_rules(
        way_of(route, known, rules),
        known,
        rules,
        findings,
        share_from_ft=float(package.parameter("stages", "share_from_ft", 0.0)),
        quarter_reading=str(package.parameter("route", "quarter_reading", "")),
        confidence_frac=confidence_frac,
        by_rule=by_rule,
        is_of_original=package.parameter("stages", "foliage_reading") == "original",
    )
    return AfterGiven(
        limits,
        rules,
        route,
        is_assumed,
        str(package.parameter("stages", "canopy_model", "column")),
        confidence_frac,
        float(package.parameter("risks", "stick_error_ft", STICK_FT)),
        str(package.parameter("window", "share_measure_reading", "trees")),
    )


def _marks(package: Package, lot_id: str, year: int) -> dict[str, tuple[float, float]]:
    """Marks of one year as the crew list has them: tree -> low and high side. [ft]."""
    out = {}
    for tree, marks in marks_of(package.results, lot_id).items():
        for mark in marks:
            if max(mark.year, 1) == year and not mark.is_nothing:
                high = float("nan") if mark.high_in is None else mark.high_in / INCHES
                out[tree] = (mark.low_in / INCHES, high)
    return out


def _day(text: Any, option: str) -> str | None:
    if text is None:
        return None
    day = day_of(str(text), option)
    check_past(day, today(), option)
    return day.isoformat()


def today() -> datetime.date:
    """The day on which it is verified: no cut was made after it."""
    return datetime.date.today()
