"""The statement of findings: what came out for each lot, in words for its owner.

Plain words first, the figures under them, the sources under those. One page of parts is made and
written as Markdown and as HTML, so that the two cannot disagree.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from geotrim.model import Note, Site
from geotrim.ops.catalogue import CAUTIONS
from geotrim.report import facts
from geotrim.report.statement_end import end
from geotrim.report.statement_figures import day, figure, with_error
from geotrim.report.statement_headline import headline
from geotrim.report.statement_heights import heights_checked
from geotrim.report.statement_html import html
from geotrim.report.statement_limits import limits
from geotrim.report.statement_lot import Lot, flag, lot_of, number, text
from geotrim.report.statement_markdown import markdown
from geotrim.report.statement_parts import (
    MARKS,
    Block,
    Callout,
    Cell,
    Heading,
    Page,
    Paragraph,
    Picture,
    Span,
    Table,
    cell,
    clean,
    count,
    line,
    mark,
    row,
    small,
    strong,
)
from geotrim.report.statement_plan import caps, stages
from geotrim.report.statement_tables import checklist, readings, trees
from geotrim.report.statement_two_plans import (
    by_heights,
    by_the_window,
    headed,
    of_trees,
    told_first,
)
from geotrim.report.statement_ways import find_out, ways
from geotrim.report.statement_window import window
from geotrim.rules.rule_set import RuleSet, rule_set

#: Lot id -> words and PNG of each of its figures.
Figures = Mapping[str, Sequence[tuple[str, Path]]]
#: Lots told one by one.
MOST_LOTS = 12
#: Lots whose figures are shown in the page.
MOST_PICTURED = 2
#: Lots of the table of many.
MOST_ROWS = 1000
#: Marks that are explained at the top.
LEGEND = (
    "met", "not met", "too close", "unknown", "open", "closed", "depends", "other plan", "not cut",
)  # fmt: skip
#: What else they stand for where a window is told.
OF_WINDOW = {"other plan": "or a limit that binds the window", "not cut": "or not in force"}
#: Main figures: column less its unit, that of its error likewise, and words.
FIGURES = (
    ("shoreline_length", "shoreline", "Shoreline"),
    ("fringe_depth", "fringe_depth", "Depth of the fringe"),
)
#: What is told of one lot under its headline, in this order.
SECTIONS: tuple[Callable[[Lot], list[Block]], ...] = (
    find_out, ways, limits, caps, stages, trees, readings, checklist,
)  # fmt: skip
#: Those that tell of the planned heights, whatever a window does.
BY_PLAN = (find_out, ways, limits, caps, stages, readings)


def statement_markdown(
    site: Site,
    results: facts.Results,
    *,
    made_on: datetime.date | None = None,
    overview_map: Path | None = None,
    calibration_figure: Path | None = None,
    figures: Figures | None = None,
) -> str:
    """The statement of findings as Markdown.

    Parameters
    ----------
    site : Site
    results : mapping
        Operation name -> Result. Without ``route`` the statement says what is missing.
    made_on : date, optional
        Date of the statement; today by default.
    overview_map, calibration_figure : Path, optional
        PNGs beside the statement; they are named, not embedded.
    figures : mapping, optional
        Lot id -> words and PNG of each of its figures, likewise.

    Returns
    -------
    str
    """
    page = statement_page(
        site,
        results,
        made_on=made_on,
        overview_map=overview_map,
        calibration_figure=calibration_figure,
        figures=figures,
    )
    return markdown(page)


def statement_html(
    site: Site,
    results: facts.Results,
    *,
    made_on: datetime.date | None = None,
    overview_map: Path | None = None,
    calibration_figure: Path | None = None,
    figures: Figures | None = None,
) -> str:
    """The statement of findings as one HTML page that stands alone and prints on letter paper.

    Parameters
    ----------
    site, results, made_on :
        As for :func:`statement_markdown`.
    overview_map, calibration_figure : Path, optional
        PNGs; they are embedded.
    figures : mapping, optional
        Lot id -> words and PNG of each of its figures; those of the first lots are embedded, the
        names of the others are told.

    Returns
    -------
    str
    """
    page = statement_page(
        site,
        results,
        made_on=made_on,
        overview_map=overview_map,
        calibration_figure=calibration_figure,
        figures=figures,
    )
    return html(page)


def statement_page(
    site: Site,
    results: facts.Results,
    *,
    made_on: datetime.date | None = None,
    overview_map: Path | None = None,
    calibration_figure: Path | None = None,
    figures: Figures | None = None,
) -> Page:
    """The parts both are written from; arguments as there."""
    title = clean(f"Statement of findings: {site.name}")
    checked = heights_checked(results, calibration_figure)
    when = made_on or datetime.date.today()
    has_window = facts.table(results, "window", "window_lots") is not None
    blocks = _head(site, when, has_window=has_window)
    if overview_map is not None:
        data = overview_map.read_bytes()
        blocks.append(Picture(f"Map of {clean(site.name)}", overview_map.name, data))
    rules = rule_set(site.overlays)
    shown: list[str] = []
    if facts.table(results, "route", "lot_outcomes") is None:
        blocks += _not_judged(results)
    else:
        shown = _shown(results, facts.chosen_lots(site, None))
        blocks += _lots(site, results, rules, shown, figures or {})
    told = {note.text for lot_id in shown for note in _notes_of(results, lot_id)}
    return Page(title, (*blocks, *checked, *end(site, results, rules, told)))


def _head(site: Site, when: datetime.date, *, has_window: bool) -> list[Block]:
    legend: list[Span | str] = [strong("Marks: ")]
    for word in LEGEND:
        more = OF_WINDOW.get(word, "") if has_window else ""
        legend += [mark(word), f" {more}; " if more else "; "]
    legend[-1] = str(legend[-1]).rstrip("; ") + ". Words are explained at the end."
    return [
        Heading("Statement of findings", 1),
        Paragraph(line(strong(clean(site.name)), f", {day(when.isoformat())}")),
        Paragraph(line(strong("Screening, not a survey and not legal advice."), f" {CAUTIONS[1]}")),
        Paragraph(line(*legend), "small"),
    ]


def _not_judged(results: facts.Results) -> list[Block]:
    """What is missing, where the operation ``route`` was not run or judged no lot."""
    if "route" in results:
        told = "No lot was judged: the site measures none, or none could be measured."
    else:
        told = (
            "The ways to an authorisation were not judged: the results hold no operation 'route'."
        )
    lead = "Nothing can be stated yet."
    more = "Run geotrim on the site file, with the operation 'route', to have them judged."
    return [Callout(line(lead), (line(told), line(more)))]


def _lots(
    site: Site, results: facts.Results, rules: RuleSet, shown: list[str], figures: Figures
) -> Iterator[Block]:
    """The table of many lots, then some lots one by one."""
    ids = facts.chosen_lots(site, None)
    anchors = {lot_id: f"lot{k}" for k, lot_id in enumerate(shown, start=1)}
    if len(ids) > 1:
        yield Heading(f"{len(ids)} lots", 2)
        yield _many(results, ids[:MOST_ROWS], anchors)
    if len(ids) > MOST_ROWS:
        yield Paragraph(line(f"And {len(ids) - MOST_ROWS} more, in lots.csv."))
    if len(shown) < len(ids):
        told = f"{len(shown)} of {len(ids)} lots are told one by one below; choose others by lot."
        yield Paragraph(line(told))
    for k, lot_id in enumerate(shown):
        yield Heading(f"Lot {clean(lot_id)}", 2, anchors[lot_id], is_new_page=k > 0 or len(ids) > 1)
        lot = lot_of(site, results, lot_id, rules)
        if lot is None:
            yield Callout(line("This lot was not judged."))
            continue
        yield from _lot(results, lot)
        yield from _pictures(figures.get(lot_id, ()), is_embedded=k < MOST_PICTURED)


def _pictures(figures: Sequence[tuple[str, Path]], *, is_embedded: bool) -> Iterator[Block]:
    """Figures of one lot, or where there are many lots only their names."""
    if not figures:
        return
    yield Heading("Figures", 3)
    if not is_embedded:
        told = "; ".join(f"{words}: {path.name}" for words, path in figures)
        yield Paragraph(line(f"Beside this page: {told}."))
        return
    for words, path in figures:
        yield Paragraph(line(strong(words), f", {path.name}"))
        yield Picture(words, path.name, path.read_bytes())


def _shown(results: facts.Results, ids: list[str]) -> list[str]:
    """Lots told one by one: of many the first that have trees, others only if those are few."""
    table = facts.table(results, "route", "lot_outcomes")
    with_trees = set(table.loc[table["n_trees"] > 0, "lot_id"].astype(str))
    first = set(sorted(ids, key=lambda lot_id: lot_id not in with_trees)[:MOST_LOTS])
    return [lot_id for lot_id in ids if lot_id in first]


def _notes_of(results: facts.Results, lot_id: str) -> list[Note]:
    """What the operation ``route`` notes of one lot."""
    return [note for note in results["route"].notes if note.about == f"lot {lot_id}"]


def _lot(results: facts.Results, lot: Lot) -> Iterator[Block]:
    lot = by_the_window(results, replace(lot, window=of_trees(results, lot.lot_id)))
    lead, *more = [*headline(lot), *told_first(results, lot)]
    yield Callout(lead, tuple(one for one in more if one))
    plan = "The planned heights" if by_heights(results, lot.lot_id) else "The plan"
    yield Table(("Main figures", "Value"), tuple(_figures(lot, plan)), "figures")
    for note in _notes_of(results, lot.lot_id):
        yield Paragraph(line(note.text), "small")
    if not lot.trees and math.isnan(number(lot.outcome["shoreline_length_ft"])):
        return  # nothing was judged
    words = by_heights(results, lot.lot_id)
    for section in SECTIONS:
        yield from headed(section(lot), words if section in BY_PLAN else "")
        if section is stages:  # the window, under the stages that the act asks for
            yield from window(results, lot.lot_id)


def _figures(lot: Lot, plan: str) -> Iterator[tuple[Cell, ...]]:
    """Rows of the main figures; ``plan`` is how the heights to be left at are called."""
    out = lot.outcome
    for name, stem, words in FIGURES:
        value, error = number(out[f"{name}_ft"]), number(out[f"{stem}_error_ft"])
        yield row(words, with_error(value, error, "ft"))
        if name == "shoreline_length" and math.isfinite(number(out["shoreline_chord_ft"])):
            yield row("Straight from end to end", figure(number(out["shoreline_chord_ft"]), "ft"))
    kinds = (
        (int(out["n_mangroves"]), "mangrove", "mangroves"),
        (int(out["n_species_unknown"]), "of unknown species", "of unknown species"),
        (int(out["n_other_plants"]), "other plant", "other plants"),
    )
    told = [count(n, one, many) for n, one, many in kinds if n]
    yield row("Trees", f"{out['n_trees']}: {', '.join(told)}" if told else f"{out['n_trees']}")
    targets = [t for tree in lot.trees if not math.isnan(t := number(tree["target_height_ft"]))]
    if targets:
        each = sorted(set(targets))
        words = f"to be left at {figure(each[0], 'ft')}"
        if len(each) > 1:
            words = f"to be left at {figure(each[0], 'ft')} to {figure(each[-1], 'ft')}"
        yield row(plan, words)
    elif lot.trees:
        yield row(plan, "no height to be left at is given")


def _many(results: facts.Results, ids: list[str], anchors: dict[str, str]) -> Table:
    """A row for each lot."""
    table = facts.table(results, "route", "lot_outcomes")
    outcomes = {str(one["lot_id"]): one for one in table.to_dict("records")}
    asked = facts.table(results, "route", "questions")
    n_asked = (
        {}
        if asked is None
        else asked[asked["is_for_outcome"].map(lambda v: bool(flag(v)))]["lot_id"].value_counts()
    )
    rows = []
    for lot_id in ids:
        name = line(Span(clean(lot_id), "strong", anchors.get(lot_id, "")))
        one = outcomes.get(lot_id)
        if one is None:
            rows.append(row(name, "not judged", "", "", "", ""))
            continue
        standing = one["outcome_standing"]
        sign = line(mark(standing)) if standing in MARKS and one["n_trees"] else line()
        reason = line(small(text(one["reason"])))
        rows.append(
            row(
                name,
                cell(sign, text(one["outcome_words"]), reason),
                f"{one['n_mangroves']} of {one['n_trees']}",
                figure(number(one["shoreline_length_ft"]), "ft"),
                figure(number(one["fringe_depth_ft"]), "ft"),
                f"{int(n_asked.get(lot_id, 0))}",
            )
        )
    heads = ("Lot", "What came out", "Mangroves of trees", "Shoreline", "Depth", "To answer")
    return Table(heads, tuple(rows), "lots")
