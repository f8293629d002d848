"""``geotrim sheets``: the plan set of a result package as PDF, SVG, PNG and DXF."""

from __future__ import annotations

from datetime import date

from geotrim.errors import GeotrimError, RangeError
from geotrim.handover.job import Job, Made
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.compiled import pdf_of, pngs_of, svgs_of
from geotrim.report.sheets.plan_set import plan_set
from geotrim.report.sheets.true_scale import SCALES_FT
from geotrim.run import names_of


def make_sheets(job: Job) -> Made:
    """Draw the plan set of each lot that is asked for.

    Raises
    ------
    GeotrimError
        If the date is none, or the scale is not one of the engineer's.
    """
    choices = _choices(job)
    lots = job.lots()
    files: dict[str, str] = {}
    figures: dict[str, int] = {}
    for lot_id, tail in zip(lots, _tails(lots), strict=True):
        job.progress(f"drawing lot {lot_id}")
        one = plan_set(job.package, lot_id, choices)
        name = f"plan_set{tail}.pdf"
        pdf = pdf_of(one)
        (job.folder / name).write_bytes(pdf)
        files[name] = f"the plan set of lot {lot_id}"
        if job.params["pictures"]:
            job.progress(f"drawing lot {lot_id} as pictures")
            folder = job.folder / "pictures"
            folder.mkdir(exist_ok=True)
            pages = list(zip(svgs_of(one), pngs_of(one), strict=True))
            for k, (svg, png) in enumerate(pages, start=1):
                (folder / f"sheet{tail}_{k:02d}.svg").write_bytes(svg)
                (folder / f"sheet{tail}_{k:02d}.png").write_bytes(png)
            files[f"pictures/sheet{tail}_01.svg"] = f"the same, {len(pages)} sheets as SVG and PNG"
        try:
            from geotrim.handover.plan_dxf import write_plan_dxf
        except ImportError:
            continue
        dxf = f"plan_view{tail}.dxf"
        write_plan_dxf(job.package, lot_id, job.folder / dxf)
        files[dxf] = "the plan view, in the site's CRS"
    return Made(files, figures)


def _tails(lots: list[str]) -> list[str]:
    """What is put behind the names of a lot's files; nothing where there is only one lot."""
    if len(lots) == 1:
        return [""]
    return [name.removeprefix("plan_set") for name in names_of("plan_set", lots, lots)]


def _choices(job: Job) -> Choices:
    params = job.params
    scale = params["scale_ft"]
    if scale is not None and scale not in SCALES_FT:
        known = ", ".join(map(str, SCALES_FT))
        raise RangeError("--scale-ft", f"{scale:g}", f"one of {known}", "choose one, or leave it")
    day = params["date"] or date.today().isoformat()
    try:
        day = date.fromisoformat(str(day)).isoformat()
    except ValueError as error:
        raise GeotrimError(
            "--date", f"{day!r}", "a day such as 2027-01-11", "write year, month and day"
        ) from error
    return Choices(
        params["prepared_by"] or "",
        params["prepared_for"] or "",
        day,
        None if scale is None else int(scale),
    )
