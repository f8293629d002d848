"""What was found after a cut as a page: made of the same parts as the statement of findings."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from geotrim.io.package_read import Package
from geotrim.model import Note, Result
from geotrim.ops.after_state import AS_PLANNED, LEFT, OTHER, STATES, UNREAD
from geotrim.report.furniture import CAUTION
from geotrim.report.statement_parts import (
    Block,
    Bullets,
    Callout,
    Heading,
    Page,
    Paragraph,
    Picture,
    Table,
    count,
    line,
    mark,
    row,
    small,
    some,
    strong,
)
from geotrim.report.verification_standing import Standing
from geotrim.report.verification_table import (
    OPEN,
    count_words,
    found_words,
    limit_reasons,
    note_words,
    planned_words,
    removed_words,
    to_do_words,
    value_words,
    whose,
)
from geotrim.report.verification_text import changed_words, next_words, state_words
from geotrim.rules.rule_file import routes

#: Width of the figure under which its letters cannot be read. [px]
FIGURE_PX = 860
#: How the foliage taken and its error were reckoned, in words.
METHOD = (
    "Foliage taken is a share of what stood just before this year's cut, under the plan's canopy "
    "model ({model}). By heights: what the tree's foliage curve holds above the height found, and "
    "within a band found cleared. By volumes: the canopy under the new raster less that under the "
    "plan's own.",
    "Its standard error joins, as independent, the error of the height before (the whole crown "
    "moved up and down by it), of the height found, and of each side of a band read; each is moved "
    "by one standard error both ways and the larger change counts.",
    "A value is too close to call when it is no farther from its limit than its error at a "
    "confidence of {confidence:g} %, counted to both sides. What a raster cannot see from above, "
    "such as a band cleared under a kept top, is unknown, never met.",
    "A cut planned up to a limit stays too close to call however well it is made; one planned with "
    "a margin under it (share_margin_frac, floor_margin_ft) can be shown to keep it. Counted apart "
    "are trees cut as planned whose planned value itself is too close, at the error of what was "
    "found.",
    "The share of a year is held against {reading}.",
    "Where a raster shows by volumes that more foliage is gone than its error, the volumes count, "
    "even where the top stands as before: the tree is then taken as cut. A height by stick goes "
    "before one of the raster in everything else.",
    "A tree that the plan leaves and of which nothing was read is taken as not cut. Of many trees "
    "held against a raster, a few will seem lower by chance: look at each before it is believed.",
)


#: Whether a year's share is of the original foliage -> what it is held against.
READINGS = {
    False: "what stood just before this year's cut",
    True: (
        "all the foliage that the tree had before its first cut (the plan's foliage_reading is "
        "original): what was taken of what stood, times what stood of all"
    ),
}


def verification_page(
    package: Package,
    results: Mapping[str, Result],
    notes: Sequence[Note],
    year: int,
    *,
    picture: bytes,
    standings: Mapping[str, Standing] | None = None,
) -> Page:
    """The page of one verification.

    Parameters
    ----------
    package : Package
    results : mapping
        Lot -> Result of :func:`geotrim.ops.after_cut.after_cut`.
    notes : sequence of Note
    year : int
    picture : bytes
        The figure, PNG.
    standings : mapping, optional
        Lot -> how its way stands: told before anything that was found.
    """
    known = standings or {}
    title = f"After the cut of year {year}: {package.site_name}"
    blocks: list[Block] = [Heading(title, 1)]
    if package.changed:
        blocks.append(Callout(line("Caution"), (line(changed_words(package.changed)),)))
    for lot_id in results:
        if lot_id in known and known[lot_id].lead:
            blocks.append(_standing(lot_id, known[lot_id]))
    blocks.append(_lead(results))
    words = "planned and found heights of each tree, with their errors"
    blocks.append(Picture(words, "verification.png", picture, least_px=FIGURE_PX))
    for lot_id, result in results.items():
        blocks += _lot(lot_id, result, known.get(lot_id))
    blocks += _end(package, results, notes)
    return Page(title, tuple(blocks))


def _standing(lot_id: str, standing: Standing) -> Block:
    """That no way is open to the cut, or that none is settled, and what closes it."""
    lines = [line(standing.lead)]
    if standing.reasons:
        lines.append(line(f"{standing.against}: {'; '.join(standing.reasons)}."))
    return Callout(line(f"Before anything else: lot {lot_id}"), tuple(lines))


def _lead(results: Mapping[str, Result]) -> Block:
    lines = []
    for lot_id, result in results.items():
        findings = result["after_findings"]
        n = count_words(findings)
        told = [mark(word, words) for word, words in n.items()]
        spans = [part for one in told for part in (one, ", ")][:-1]
        lines.append(line(strong(f"Lot {lot_id}. "), f"{state_words(result['after_trees'])}."))
        lines.append(line("Limits, one a rule and tree that was cut: ", *(spans or ["none"]), "."))
        lines += [line(text) for text in limit_reasons(findings)]
        lines.append(line(f"Restoration: {result['after_consequence']['words'].iloc[0]}"))
        lines.append(line(next_words(result["after_lots"].iloc[0])))
    return Callout(line("What was found"), tuple(lines))


def _lot(lot_id: str, result: Result, standing: Standing | None) -> Iterator[Block]:
    trees, findings = result["after_trees"], result["after_findings"]
    lot = result["after_lots"].iloc[0]
    way = str(routes().get(str(lot["way"]), {}).get("name", lot["way"]))
    way = way if standing is None else standing.way
    yield Heading(f"Lot {lot_id}", 2)
    yield Paragraph(line(f"Held against the limits of: {way}."))
    yield from _attention(trees)
    yield from _limits(findings)
    yield from _consequence(result["after_consequence"].iloc[0])
    yield Heading("What comes next", 3)
    yield Paragraph(line(next_words(lot)))
    yield from _todo(trees)
    yield from _next(trees)
    yield Heading("Tree by tree", 3)
    yield _trees(trees, findings)
    quiet = trees[(trees["treatment"] == "leave") & (trees["state"] == UNREAD)]
    if len(quiet):
        text = f"Left by the plan and not read, taken as not cut: {some(quiet['crown_id'], 400)}."
        yield Paragraph(line(text), "small")


def _attention(trees: Any) -> Iterator[Block]:
    odd = trees[~trees["state"].isin((AS_PLANNED, LEFT, OTHER))]
    odd = odd[(odd["treatment"] != "leave") | (odd["state"] != UNREAD)]
    odd = pd.concat([odd[odd["state"] == state] for state in STATES]) if len(odd) else odd
    yield Heading("Not as planned", 3)
    if not len(odd):
        yield Paragraph(line("Every tree that was looked at is as the plan has it."))
        return
    rows = [
        row(
            line(strong(str(tree["crown_id"]))),
            line(tree["state"]),
            planned_words(tree),
            found_words(tree) or "not read",
            "; ".join(filter(None, (tree["state_words"], note_words(tree)))),
        )
        for tree in odd.to_dict("records")
    ]
    heads = ("tree", "what became of it", "planned", "found", "more")
    yield Table(heads, tuple(rows), "after-odd")


def _limits(findings: Any) -> Iterator[Block]:
    yield Heading("Limits", 3)
    if not len(findings):
        yield Paragraph(line("No tree was found cut, so no limit is looked at."))
        return
    rows = []
    for _, own in findings.groupby("rule_id", sort=False):
        first = own.iloc[0]
        told = [line(mark(word, words)) for word, words in count_words(own).items()]
        source = f"{first['section']} ({first['confidence']})"
        local = "; local rule" if first["is_local"] else ""
        rule = (line(first["words"]), line(small(source + local)))
        rows.append(row(rule, str(first["limit"]), tuple(told)))
    heads = ("rule", "limit", "trees that were cut")
    yield Table(heads, tuple(rows), "after-rules")
    rows = [
        row(
            line(strong(some(one["whose"], 400))),
            str(one["measure"]),
            value_words(one),
            str(one["limit"]),
            line(mark(one["verdict"])),
            tuple(line(small(source)) for source in one["sources"]),
        )
        for one in _open_ones(findings)
    ]
    if rows:
        columns = ("tree", "what is compared", "found", "limit", "verdict", "source")
        yield Paragraph(line("Not met, too close to call, or unknown:"))
        yield Table(columns, tuple(rows), "after-limits")


def _open_ones(findings: Any) -> list[dict[str, Any]]:
    """Findings that ask for something, the worst first; the same value and limit told once.

    ``whose``: the trees of which it is told; ``sources``: the rules that it rests on.
    """
    same: dict[tuple[str, ...], dict[str, Any]] = {}
    for one in findings.to_dict("records"):
        if one["verdict"] not in OPEN:
            continue
        key = (whose(one), one["measure"], value_words(one), one["limit"], one["verdict"])
        known = same.setdefault(key, {**one, "sources": []})
        known["sources"].append(str(one["section"]))
    told: dict[tuple[str, ...], dict[str, Any]] = {}
    for group, one in same.items():
        together = told.setdefault((*group[1:], *one["sources"]), {**one, "whose": []})
        together["whose"].append(group[0])
    return sorted(told.values(), key=lambda one: OPEN.index(one["verdict"]))


def _consequence(told: Mapping[str, Any]) -> Iterator[Block]:
    yield Heading("Trigger for restoration", 3)
    yield Paragraph(line(told["words"]))
    area, n_maybe = float(told["lost_area_ft2"]), int(told["n_uncertain_trees"])
    if area > 0.0:
        most = "At most " if n_maybe else ""
        text = (
            f"{most}{area:,.0f} sq ft of canopy, whole crowns as drawn, of trees that count as cut "
            f"low{' or may' if n_maybe else ''}. Were restoration due: as much canopy again within "
            f"{told['restoration_years']:g} years, or where that is not practicable "
            f"{told['created_area_ft2']:,.0f} sq ft created or in credits, or a donation of at "
            f"least ${told['donation_usd']:,.0f}."
        )
        yield Paragraph(line(text))
    yield Paragraph(line(f"{told['section']} ({told['confidence']})."), "small")


def _todo(trees: Any) -> Iterator[Block]:
    told = [
        line(strong(f"{tree['crown_id']}: "), to_do_words(tree))
        for tree in trees[trees["is_to_do"]].to_dict("records")
    ]
    if told:
        yield Paragraph(line(f"Still to do of this year's cut ({count(len(told), 'tree')}):"))
        yield Bullets(tuple(told))


def _next(trees: Any) -> Iterator[Block]:
    due = trees[trees["next_from"].notna()]
    if not len(due):
        return
    by_day: dict[tuple[str, int], list[str]] = {}
    for tree in due.to_dict("records"):
        by_day.setdefault((tree["next_from"], tree["later_year"]), []).append(str(tree["crown_id"]))
    rows = [
        row(day, f"year {year}", str(len(names)), some(names, 400))
        for (day, year), names in sorted(by_day.items())
    ]
    yield Paragraph(line("Earliest day of each tree's next cut, a year after its last:"))
    yield Table(("from", "stage", "trees", "which"), tuple(rows), "after-next")


def _trees(trees: Any, findings: Any) -> Table:
    shown = trees[(trees["treatment"] != "leave") | (trees["state"] != UNREAD)]
    worst: dict[str, str] = {}
    for one in findings.to_dict("records"):
        order = (*OPEN, "met")
        known = worst.get(one["crown_id"], "met")
        worst[one["crown_id"]] = min(known, one["verdict"], key=order.index)
    rows = []
    for tree in shown.to_dict("records"):
        verdict = worst.get(tree["crown_id"])
        is_counted = tree["state"] != OTHER and verdict is not None
        more = [part for part in (tree["state_words"], note_words(tree)) if part]
        rows.append(
            row(
                (line(strong(str(tree["crown_id"]))), line(small(tree["species"] or "unknown"))),
                _height(tree["before_ft"], tree["before_error_ft"]),
                planned_words(tree),
                found_words(tree) or "not read",
                removed_words(tree) if is_counted else "",
                (line(tree["state"]), line(small("; ".join(more)))),
                line(mark(verdict)) if is_counted and verdict else line(""),
            )
        )
    heads = ("tree", "before, ft", "planned", "found", "foliage taken", "became", "limits")
    return Table(heads, tuple(rows), "after-trees")


def _height(value: float, error: float) -> str:
    if np.isnan(value):
        return "not known"
    return f"{value:.1f}" + ("" if np.isnan(error) else f" (error {error:.1f})")


def _end(package: Package, results: Mapping[str, Result], notes: Sequence[Note]) -> Iterator[Block]:
    yield Heading("How it was reckoned", 2)
    model = str(package.parameter("stages", "canopy_model", "column"))
    used = next(iter(results.values())).parameters["confidence_frac"]
    reading = READINGS[package.parameter("stages", "foliage_reading") == "original"]
    told = [text.format(model=model, confidence=100 * used, reading=reading) for text in METHOD]
    yield Bullets(tuple(line(text) for text in told))
    told = [f"{note.about}: {note.text}" for note in notes if note.level != "info"]
    if told:
        yield Heading("Taken for granted, mended or missing", 3)
        yield Bullets(tuple(line(text) for text in told))
    yield Heading("Cautions", 3)
    yield Bullets(
        (
            line("What was found rests on the readings given; the authority may read anew."),
            line(CAUTION),
            line("Amounts of restoration are arithmetic for planning, not advice."),
        )
    )
    plan = f"Plan: {package.sha256}."
    if package.changed:
        plan += f" Files of the package changed since it was written: {some(package.changed)}."
    yield Paragraph(line(plan), "small")
