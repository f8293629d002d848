"""The main job: a site file in, a result package out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

from geotrim.errors import LayerError
from geotrim.io import aside, package, record
from geotrim.io.names import RESULTS, slug
from geotrim.io.replaceable import PACKAGE, check_replaceable
from geotrim.io.site_facts import check_answers
from geotrim.model import Facts, Note, Result, Site
from geotrim.ops.catalogue import CAUTIONS
from geotrim.ops.chain import measure, params_of
from geotrim.ops.plugins import all_operations, plugins
from geotrim.rules.overlays import installed

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
    facts: Mapping[str, Any] | None = None,
    is_replacing: bool = False,
    progress: Callable[[str], None] | None = None,
) -> Run:
    """Measure all that a site file allows and write one result package.

    Parameters
    ----------
    path : path-like
        The site file, or a screen file.
    out : path-like, optional
        Folder of the package. By default the first free one of ``results/NAME``,
        ``results/NAME-2`` ...
    lots : iterable of str, optional
        Ids of the lots to report; the others become neighbours.
    options : mapping, optional
        Parameter name -> value; they go before those of the site file.
    facts : mapping, optional
        Fact -> answer for every lot; they go before those of the site file.
    is_replacing : bool
        Whether an earlier package at ``out`` may be replaced, as geotrim left it. It is deleted
        only once the new one is in its place.
    progress : callable, optional
        Called with what is being done.

    Raises
    ------
    GeotrimError
        If an input does not fit, or the folder cannot be written. Nothing is left behind then.
    """
    from geotrim.io.site_file import read_site

    started = record.now()
    may_replace = partial(check_replaceable, kind=PACKAGE) if is_replacing else None
    if out is not None:
        aside.check_free(Path(out), may_replace)  # before the work, not after it
    tell = progress or (lambda _: None)
    tell("reading")
    params = params_of(all_operations().values())
    lots = None if lots is None else list(lots)
    site = with_choices(read_site(path, params=params, lots=lots), lots, options, facts)
    if may_replace is not None:
        read = [Path(path), *(Path(path).parent / item.path for item in site.inputs)]
        may_replace = partial(check_replaceable, kind=PACKAGE, inputs=read)
    try:
        results = measure(site, progress=tell)
        tell("writing")
        folder = Path(out) if out is not None else aside.first_free(RESULTS / slug(site.name))
        with aside.new_folder(folder, may_replace=may_replace) as work:
            summary = write_package(work, site, results, started=started, site_file=Path(path))
    finally:
        for raster in (site.heights, site.ground):
            close = getattr(raster, "close", None)
            if close is not None:
                close()
    return Run(folder, site, results, summary)


def with_choices(
    site: Site,
    lots: Iterable[str] | None = None,
    options: Mapping[str, Any] | None = None,
    facts: Mapping[str, Any] | None = None,
) -> Site:
    """The site with other lots to report, other options, or other answers for every lot.

    Raises
    ------
    LayerError
        If a lot is not there.
    SiteFileError
        If the answers contradict each other.
    """
    if options:
        site = replace(site, options={**site.options, **options})
    if facts:
        told = site.facts or Facts()
        by_lot = {
            lot: {key: value for key, value in own.items() if key not in facts}
            for lot, own in told.by_lot.items()
        }
        merged = Facts({**told.everywhere, **facts}, by_lot)
        check_answers(merged, "--fact")
        site = replace(site, facts=merged)
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
    from geotrim.report.layer_styles import write_styles
    from geotrim.report.statement import statement_html, statement_markdown
    from geotrim.report.summary import summary_text

    site = replace(site, notes=(*site.notes, *plugin_notes()))
    layers = package.package_layers(site, results)
    package.write_layers(folder / "results.gpkg", layers, site.crs)
    write_styles(folder, layers)
    package.write_csv(folder / "lots.csv", layers["lots"].query("is_measured"))
    if "crowns" in layers:
        crowns = package.crown_csv(layers["crowns"], results)
        package.write_csv(folder / "crowns.csv", crowns)
    site = replace(site, notes=(*site.notes, *draw(folder, site, results)))
    figures = figures_of(folder, site, results)
    summary = summary_text(site, results)
    write_words(folder / "summary.txt", summary)
    drawn = folder / "calibration.png"
    figure = drawn if drawn.exists() else None
    for name, words in (("md", statement_markdown), ("html", statement_html)):
        text = words(site, results, calibration_figure=figure, figures=figures)
        write_words(folder / f"statement.{name}", text)
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


def write_words(path: Path, text: str) -> None:
    """Write text as UTF-8 with line feeds, one at the end."""
    path.write_text(text.rstrip("\n") + "\n", encoding="utf-8", newline="\n")


def draw(folder: Path, site: Site, results: Mapping[str, Result]) -> tuple[Note, ...]:
    """Draw the figures of a package, each as PNG and SVG; what was left out is told."""
    from geotrim.report.calibration_figure import calibration_figure
    from geotrim.report.elevation import shoreline_elevation
    from geotrim.report.frontier_figure import frontier_figure
    from geotrim.report.overview import overview_map
    from geotrim.report.panorama import eyes_to_draw, panorama
    from geotrim.report.save import letters_watched, save_figure

    lots = [str(lot) for lot in site.measured_lot_ids()]
    drawn, notes = lots_to_draw(site, results, lots)
    planned, more = lots_with_plans(results, lots)
    eyes, told = eyes_to_draw(results)
    notes = (*notes, *more, *told)
    with letters_watched() as unknown:
        save_figure(overview_map(site, results), folder / "overview_map")
        for lot, name in zip(drawn, elevation_names(lots, drawn), strict=True):
            save_figure(shoreline_elevation(site, results, lot), folder / name)
        for lot, name in zip(planned, names_of("frontier", lots, planned), strict=True):
            save_figure(frontier_figure(results, site, lot), folder / name)
        for eye, name in zip(eyes, names_of("panorama", (), eyes), strict=True):
            save_figure(panorama(site, results, eye), folder / name)
        calibration = calibration_figure(site, results)
        if calibration is not None:
            save_figure(calibration, folder / "calibration")
    if unknown:
        text = f"letters the figures cannot show, drawn as boxes: {' '.join(sorted(unknown))}"
        notes = (*notes, Note("figures", text, "info"))
    return notes


def figures_of(
    folder: Path, site: Site, results: Mapping[str, Result]
) -> dict[str, list[tuple[str, Path]]]:
    """Lot id -> words and PNG of each of its figures that :func:`draw` left in a folder."""
    from geotrim.report.facts import table
    from geotrim.report.panorama import eyes_to_draw

    lots = [str(lot) for lot in site.measured_lot_ids()]
    drawn, planned = lots_to_draw(site, results, lots)[0], lots_with_plans(results, lots)[0]
    eyes = eyes_to_draw(results)[0]
    rows = table(results, "sightlines", "sight_eyes") if eyes else None
    lot_of = (
        {} if rows is None else dict(zip(rows["eye_id"], rows["lot_id"].astype(str), strict=True))
    )
    kinds = [
        *(("The shore from the side", lot, name)
          for lot, name in zip(drawn, elevation_names(lots, drawn), strict=True)),
        *(("Plans to choose from", lot, name)
          for lot, name in zip(planned, names_of("frontier", lots, planned), strict=True)),
        *((f"What is seen from {eye}", lot_of.get(eye, ""), name)
          for eye, name in zip(eyes, names_of("panorama", (), eyes), strict=True)),
    ]  # fmt: skip
    found: dict[str, list[tuple[str, Path]]] = {}
    for words, lot, name in kinds:
        path = folder / f"{name}.png"
        if path.exists():
            found.setdefault(lot, []).append((words, path))
    return found


def lots_to_draw(
    site: Site, results: Mapping[str, Result], lots: list[str]
) -> tuple[list[str], tuple[Note, ...]]:
    """Lots whose shoreline elevation would show something, and what is told of the others."""
    from geotrim.report.facts import table

    about = "shoreline elevation"
    if site.crowns is None:
        return [], (Note(about, "not drawn, for want of crowns (canopy polygons)", "missing"),)
    rows = table(results, "frontage", "frontage")
    have = set() if rows is None else set(rows["lot_id"].astype(str))
    fronting = [lot for lot in lots if lot in have]
    notes = []
    if len(fronting) < len(lots):
        n_lost = len(lots) - len(fronting)
        lost = "1 lot has" if n_lost == 1 else f"{n_lost} lots have"
        notes.append(Note(about, f"not drawn where there is no shore: {lost} no frontage", "info"))
    if len(fronting) > MOST_ELEVATIONS:
        text = f"drawn of the first {MOST_ELEVATIONS} lots with frontage only; --lot chooses others"
        notes.append(Note(about, text, "info"))
    return fronting[:MOST_ELEVATIONS], tuple(notes)


def lots_with_plans(
    results: Mapping[str, Result], lots: list[str]
) -> tuple[list[str], tuple[Note, ...]]:
    """Lots that have plans of a window to choose from, as many as are drawn."""
    from geotrim.report.frontier_figure import has_plans

    planned = [lot for lot in lots if has_plans(results, lot)]
    if len(planned) <= MOST_ELEVATIONS:
        return planned, ()
    text = f"drawn of the first {MOST_ELEVATIONS} lots with a window only; --lot chooses others"
    return planned[:MOST_ELEVATIONS], (Note("frontier of plans", text, "info"),)


def elevation_names(lots: list[str], drawn: list[str]) -> list[str]:
    """A file name of its own for each elevation, whatever the ids.

    Examples
    --------
    >>> elevation_names(["A/1", "A-1"], ["A/1", "A-1"])
    ['shoreline_elevation_a-1', 'shoreline_elevation_a-1-2']
    """
    return names_of("shoreline_elevation", lots, drawn)


def names_of(what: str, every: Sequence[str], drawn: Iterable[str]) -> list[str]:
    """A file name of its own for each figure of a kind, whatever the ids.

    Parameters
    ----------
    what : str
        Kind of figure; it is the whole name where there is one lot in all.
    every : sequence of str
        Ids of all lots.
    drawn : iterable of str
        Ids of what is drawn.

    Examples
    --------
    >>> names_of("frontier", ["A"], ["A"]), names_of("panorama", (), ["Dock end"])
    (['frontier'], ['panorama_dock-end'])
    """
    if len(every) == 1:
        return [what for _ in drawn]
    names: list[str] = []
    for one in drawn:
        stem = name = f"{what}_{slug(one)}"
        n = 1
        while name in names:
            n += 1
            name = f"{stem}-{n}"
        names.append(name)
    return names


def plugin_notes() -> tuple[Note, ...]:
    """What is told of plug-ins, of operations and of rule files, that could not be loaded."""
    faults = (*plugins()[1], *installed()[1])
    return tuple(Note(f"plug-in {name}", f"not loaded: {what}", "missing") for name, what in faults)
