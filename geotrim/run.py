"""The main job: a site file in, a result package out."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from geotrim.errors import LayerError
from geotrim.io import aside, package, record
from geotrim.model import Note, Result, Site
from geotrim.ops.catalogue import CAUTIONS
from geotrim.ops.chain import measure, params_of
from geotrim.ops.plugins import all_operations, plugins

#: Where packages go when no folder is named.
RESULTS = Path("results")


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """A finished run: its folder, what was measured, and the summary in words."""

    folder: Path
    site: Site
    results: Mapping[str, Result]
    summary: str


def run_site(
    path: str | Path,
    out: str | Path | None = None,
    *,
    lots: Iterable[str] | None = None,
    options: Mapping[str, Any] | None = None,
    is_replacing: bool = False,
    progress: Callable[[str], None] | None = None,
) -> Run:
    """Measure all that a site file allows and write one result package.

    Parameters
    ----------
    path : path-like
        The site file.
    out : path-like, optional
        Folder of the package. By default the first free one of ``results/NAME``,
        ``results/NAME-2`` ...
    lots : iterable of str, optional
        Ids of the lots to report; the others become neighbours.
    options : mapping, optional
        Parameter name -> value; they go before those of the site file.
    is_replacing : bool
        Whether an earlier package at ``out`` may be replaced. It is deleted only once the new one
        is in its place.
    progress : callable, optional
        Called with what is being done.

    Raises
    ------
    GeotrimError
        If an input does not fit, or the folder cannot be written. Nothing is left behind then.
    """
    from geotrim.io.site_file import read_site

    started = record.now()
    may_replace = package.is_package if is_replacing else None
    if out is not None:
        aside.check_free(Path(out), may_replace)  # before the work, not after it
    tell = progress or (lambda _: None)
    tell("reading")
    params = params_of(all_operations().values())
    site = with_choices(read_site(path, params=params), lots, options)
    results = measure(site, progress=tell)
    tell("writing")
    folder = Path(out) if out is not None else aside.first_free(RESULTS / slug(site.name))
    with aside.new_folder(folder, may_replace=may_replace) as work:
        summary = write_package(work, site, results, started=started, site_file=Path(path))
    return Run(folder, site, results, summary)


def with_choices(
    site: Site, lots: Iterable[str] | None = None, options: Mapping[str, Any] | None = None
) -> Site:
    """The site with other lots to report, or other options.

    Raises
    ------
    LayerError
        If a lot is not there.
    """
    if options:
        site = replace(site, options={**site.options, **options})
    if lots is None:
        return site
    wanted, known = [str(lot) for lot in lots], [str(lot) for lot in site.lots["lot_id"]]
    lost = [lot for lot in wanted if lot not in known]
    if lost:
        some = ", ".join(known[:10]) + (" ..." if len(known) > 10 else "")
        raise LayerError("lot", f"no lot {lost[0]!r}", f"one of {some}", "check the id")
    table = site.lots.copy()
    table["is_measured"] = [lot in wanted for lot in known]
    return replace(site, lots=table)


def write_package(
    folder: Path,
    site: Site,
    results: Mapping[str, Result],
    *,
    started: datetime,
    site_file: Path | None = None,
) -> str:
    """Fill a folder with a result package, and return the summary in words."""
    from geotrim.report.summary import summary_text

    layers = package.package_layers(site, results)
    package.write_layers(folder / "results.gpkg", layers, site.crs)
    package.write_csv(folder / "lots.csv", layers["lots"].query("is_measured"))
    if "crowns" in layers:
        package.write_csv(folder / "crowns.csv", layers["crowns"])
    draw(folder, site, results)
    summary = summary_text(site, results)
    (folder / "summary.txt").write_text(summary + "\n", encoding="utf-8", newline="\n")
    notes = all_notes(site, results)
    cautions = {name: op.caution for name, op in all_operations().items()}
    told = record.build_record(
        site,
        results,
        cautions=CAUTIONS,
        caution_of=cautions,
        notes=notes,
        started=started,
        site_file=site_file,
    )
    told["layers"] = {name: len(table) for name, table in layers.items()}
    told["files"] = record.describe_files(folder)
    told["finished_utc"] = record._utc(record.now())
    record.write_record(folder / "record.json", told)
    return summary


def draw(folder: Path, site: Site, results: Mapping[str, Result]) -> None:
    """Draw the figures of a package, each as PNG and SVG."""
    raise NotImplementedError


def all_notes(site: Site, results: Mapping[str, Result]) -> list[Note]:
    """Notes of the reading, of every operation, and of plug-ins that could not be loaded."""
    notes = list(site.notes)
    for result in results.values():
        notes += result.notes
    notes += [
        Note(f"plug-in {name}", f"not loaded: {what}", "missing") for name, what in plugins()[1]
    ]
    return notes


def slug(name: str) -> str:
    """A name as a folder may be called anywhere.

    Examples
    --------
    >>> slug("Mangrove Cove, lot 12"), slug("")
    ('mangrove-cove-lot-12', 'site')
    """
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "site"
