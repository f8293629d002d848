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
#: Most lots of which a run draws the shoreline elevation.
MOST_ELEVATIONS = 12


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
    try:
        results = measure(site, progress=tell)
        tell("writing")
        folder = Path(out) if out is not None else aside.first_free(RESULTS / slug(site.name))
        with aside.new_folder(folder, may_replace=may_replace) as work:
            summary = write_package(work, site, results, started=started, site_file=Path(path))
    finally:
        close = getattr(site.heights, "close", None)
        if close is not None:
            close()
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
    from geotrim.report.facts import all_notes
    from geotrim.report.summary import summary_text

    site = replace(site, notes=(*site.notes, *plugin_notes()))
    layers = package.package_layers(site, results)
    package.write_layers(folder / "results.gpkg", layers, site.crs)
    package.write_csv(folder / "lots.csv", layers["lots"].query("is_measured"))
    if "crowns" in layers:
        package.write_csv(folder / "crowns.csv", layers["crowns"])
    site = replace(site, notes=(*site.notes, *draw(folder, site, results)))
    summary = summary_text(site, results)
    (folder / "summary.txt").write_text(summary + "\n", encoding="utf-8", newline="\n")
    told = record.build_record(
        site,
        results,
        cautions=CAUTIONS,
        caution_of={name: op.caution for name, op in all_operations().items()},
        notes=all_notes(site, results),
        started=started,
        site_file=site_file,
    )
    told["layers"] = {name: len(table) for name, table in layers.items()}
    record.write_record(folder, told)
    return summary


def draw(folder: Path, site: Site, results: Mapping[str, Result]) -> tuple[Note, ...]:
    """Draw the figures of a package, each as PNG and SVG; what was left out is told."""
    from geotrim.report.elevation import shoreline_elevation
    from geotrim.report.overview import overview_map
    from geotrim.report.save import save_figure

    save_figure(overview_map(site, results), folder / "overview_map")
    lots = [str(lot) for lot in site.measured_lot_ids()]
    for lot in lots[:MOST_ELEVATIONS]:
        name = "shoreline_elevation" if len(lots) == 1 else f"shoreline_elevation_{slug(lot)}"
        save_figure(shoreline_elevation(site, results, lot), folder / name)
    if len(lots) <= MOST_ELEVATIONS:
        return ()
    text = f"drawn of the first {MOST_ELEVATIONS} lots only; --lot chooses others"
    return (Note("shoreline elevation", text, "info"),)


def plugin_notes() -> tuple[Note, ...]:
    """What is told of plug-ins that could not be loaded."""
    return tuple(
        Note(f"plug-in {name}", f"not loaded: {what}", "missing") for name, what in plugins()[1]
    )


def slug(name: str) -> str:
    """A name as a folder may be called anywhere.

    Examples
    --------
    >>> slug("Mangrove Cove, lot 12"), slug("")
    ('mangrove-cove-lot-12', 'site')
    """
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "site"
