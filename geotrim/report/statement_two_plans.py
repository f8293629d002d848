"""Two plans in one statement, the planned heights and the window: which is which.

The ways, limits, caps, stages and notices of the act are judged by the heights that trees are to
be left at; a window is a plan of its own. Where both are told, every part says whose it is.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from geotrim.ops.route_submission import BY_HEIGHTS
from geotrim.report import facts
from geotrim.report.cut_heights import band_words, top_to
from geotrim.report.cut_marks import After, heights_after
from geotrim.report.furniture import percent
from geotrim.report.statement_lot import Lot
from geotrim.report.statement_parts import (
    Block,
    Heading,
    Line,
    count,
    line,
    mark,
    sentence,
    some,
    strong,
)
from geotrim.report.window_facts import Plan, plan_of, row_of, rows_of, stations, text_of
from geotrim.rules.species import is_mangrove, species_key, species_table
from geotrim.rules.submission import with_figures

BY_WINDOW = "by the window"
#: Of planned heights, where stages do not reach all of them as they were asked for.
BY_STAGES = "as far as stages reach"
#: Figures of a submission that hang on the plan.
OF_PLAN = ("heights_after", "trees_to_trim", "stage_plan")
#: Who asks for a tree's stages, where the act or a local rule does.
BY_RULE = ("act", "local rule")


def headed(blocks: Iterable[Block], words: str) -> Iterator[Block]:
    """Blocks whose headings say by which plan they are; as they are where ``words`` is empty."""
    for block in blocks:
        is_head = isinstance(block, Heading) and block.level == 3 and words
        yield replace(block, text=f"{block.text}, {words}") if is_head else block  # type: ignore[arg-type,union-attr]


def by_heights(results: facts.Results, lot_id: str) -> str:
    """How parts by the planned heights are headed: "" where no window stands beside them."""
    return BY_HEIGHTS if row_of(results, "window", "window_lots", lot_id) else ""


def by_staged(results: facts.Results, lot_id: str) -> str:
    """By which plan the cuts year by year and their risks are."""
    stage = row_of(results, "stages", "stage_lots", lot_id)
    if stage is None:
        return BY_WINDOW if rows_of(results, "window", "window_spans", lot_id) else ""
    return BY_WINDOW if stage["plan"] == "window" else BY_HEIGHTS


def told_first(results: facts.Results, lot: Lot, *, is_told: bool = False) -> Iterator[Line]:
    """The window in a line of the headline, and that it is a plan of its own.

    ``is_told`` is whether the second is told elsewhere.
    """
    row = row_of(results, "window", "window_lots", lot.lot_id)
    if row is None:
        return
    spans = rows_of(results, "window", "window_spans", lot.lot_id)
    if not spans:
        lead = "not planned" if row["status"] == "not planned" else "none is found"
        reason = text_of(row["reason"])
        yield line(strong("Window: "), f"{lead}. {sentence(reason)}" if reason else f"{lead}.")
        return
    name = "Your own window: " if row["status"] == "own window" else "Window: "
    told = f"stations {some((stations(span) for span in spans), 12)} ft; view "
    told += f"{percent(row['view_before_frac'])} now, {percent(row['view_after_frac'])} after; "
    told += f"{count(int(row['n_cut_trees']), 'tree is', 'trees are')} cut"
    stage = row_of(results, "stages", "stage_lots", lot.lot_id)
    if stage is not None and stage["plan"] == "window" and stage["n_years"] > 0:
        told += f", over {count(int(stage['n_years']), 'year')}"
    limits = rows_of(results, "window", "window_limits", lot.lot_id)
    n_broken = sum(one["standing"] == "broken" for one in limits)
    broken = (" It breaks ", mark("not met", count(n_broken, "limit")), ".") if n_broken else ()
    yield line(strong(name), f"{told}.", *broken)
    if lot.trees and not is_told:
        other = "Ways, limits, caps, stages and notices are judged by the planned heights; the "
        yield line(strong("Two plans: "), f"{other}window is a plan of its own, told under its "
                   "own heading, with its own limits.")  # fmt: skip


def of_trees(results: facts.Results, lot_id: str) -> dict[str, str]:
    """Crown id -> what the window does to the tree; empty where the lot has no window."""
    if not rows_of(results, "window", "window_spans", lot_id):
        return {}
    rows = rows_of(results, "window", "window_trees", lot_id)
    return {str(tree["crown_id"]): _done(tree) for tree in rows}


def _done(tree: dict[str, Any]) -> str:
    if tree["treatment"] == "clear-band":
        return f"{band_words(tree['cut_low_ft'], tree['cut_high_ft'])} cleared"
    if tree["treatment"] == "lower-top":
        return f"top to {top_to(tree['cut_low_ft']):.1f} ft"
    return "left"


def by_the_plan_drawn(results: facts.Results, lot: Lot) -> Lot:
    """The lot with its list filled in from the plan that is drawn.

    That is the window, or the planned heights as far as stages reach them.
    """
    plan = plan_of(results, lot.lot_id)
    if plan is None or plan.is_window:
        return by_the_window(results, lot)
    return _filled(lot, _staged_figures(results, lot, plan))


def by_the_window(results: facts.Results, lot: Lot) -> Lot:
    """The lot with its list for a submission filled in from the window, where it has one."""
    if not rows_of(results, "window", "window_spans", lot.lot_id):
        return lot
    return _filled(lot, _figures(results, lot.lot_id))


def _filled(lot: Lot, figures: Mapping[str, str]) -> Lot:
    """A lot whose list for a submission tells the figures of another plan."""
    rows = [
        {**one, "filled": with_figures(text_of(one["filled"]), one["item"], figures, OF_PLAN,
                                       BY_HEIGHTS)}
        for one in lot.checklist
    ]  # fmt: skip
    return replace(lot, checklist=rows)


def _staged_figures(results: facts.Results, lot: Lot, plan: Plan) -> dict[str, str]:
    """Figures of a submission by what stages reach of the planned heights."""
    trees = [tree for tree in lot.trees if is_mangrove(tree["species"]) is not False]
    after = heights_after(results, lot.lot_id)
    cut = [tree for tree in trees if str(tree["crown_id"]) in plan.cuts]
    staged = rows_of(results, "stages", "stage_trees", lot.lot_id)
    by_rule = {str(one["crown_id"]) for one in staged if one["share_binds"] in BY_RULE}
    last = {crown: max(cut.year for cut in cuts) for crown, cuts in plan.cuts.items()}
    years = Counter(y for crown, y in last.items() if crown in by_rule)
    told = {
        "heights_after": _heights(BY_STAGES, [
            (tree["species"], after.get(str(tree["crown_id"]), After(tree["top_height_ft"], False)))
            for tree in trees
        ]),
        "trees_to_trim": _share(BY_STAGES, len(cut), len(trees)) if trees else "",
        "stage_plan": _years(BY_STAGES, years),
    }  # fmt: skip
    return {key: words for key, words in told.items() if words}


def _figures(results: facts.Results, lot_id: str) -> dict[str, str]:
    """Figures of a submission that hang on the plan, by the window."""
    trees = [tree for tree in rows_of(results, "window", "window_trees", lot_id)
             if is_mangrove(tree["species"]) is not False]  # fmt: skip
    told = heights_after(results, lot_id)
    known = [
        (tree["species"], told.get(str(tree["crown_id"]), After(tree["height_after_ft"], False)))
        for tree in trees
    ]
    out = {}
    if after := _heights(BY_WINDOW, known):
        out["heights_after"] = after
    if trees:
        n_cut = sum(tree["treatment"] != "leave" for tree in trees)
        out["trees_to_trim"] = _share(BY_WINDOW, n_cut, len(trees))
    stage = row_of(results, "stages", "stage_lots", lot_id)
    if stage is not None and stage["plan"] == "window":
        staged = rows_of(results, "stages", "stage_trees", lot_id)
        years = Counter(int(t["n_years"]) for t in staged if t["share_binds"] in BY_RULE)
        out["stage_plan"] = _years(BY_WINDOW, years)
    return out


def _name(species: Any) -> str:
    key = species_key(species)
    return "species not known" if key is None else str(species_table()[key]["common"])


def _heights(whose: str, known: Iterable[tuple[Any, After]]) -> str:
    """Heights after by species, "" where none is known."""
    by_name: dict[str, list[After]] = {}
    for species, after in known:
        if np.isfinite(after.ft):
            by_name.setdefault(_name(species), []).append(after)
    told = ", ".join(f"{name} {_span(heights)}" for name, heights in by_name.items())
    return f"heights after {whose}: {told}" if told else ""


def _share(whose: str, n_cut: int, n: int) -> str:
    left = 100.0 * (n - n_cut) / n
    return f"{whose}: {n_cut} of {n} mangroves cut, {left:.0f} % left as they are"


def _years(whose: str, years: Mapping[int, int]) -> str:
    """How many trees over how many years, of those whose stages a rule asks for."""
    told = ", ".join(
        f"{count(k, 'tree')} over {count(y, 'year')}" for y, k in sorted(years.items()) if y > 0
    )
    return f"{whose}: {told or 'no tree whose stages a rule asks for is cut'}"


def _span(heights: list[After]) -> str:
    low, *_, high = [one.words for one in sorted(heights * 2, key=lambda one: one.ft)]
    return f"{low} ft" if low == high else f"{low} to {high} ft"
