"""Two plans in one statement, the planned heights and the window: which is which.

The ways, limits, caps, stages and notices of the act are judged by the heights that trees are to
be left at; a window is a plan of its own. Where both are told, every part says whose it is.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from geotrim.ops.route_submission import BY_HEIGHTS
from geotrim.report import facts
from geotrim.report.cut_heights import band_words, top_to
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
from geotrim.report.window_facts import row_of, rows_of, stations, text_of
from geotrim.rules.species import is_mangrove, species_key, species_table
from geotrim.rules.submission import with_figures

BY_WINDOW = "by the window"
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


def told_first(results: facts.Results, lot: Lot) -> Iterator[Line]:
    """The window in a line of the headline, and that it is a plan of its own."""
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
    if lot.trees:
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


def by_the_window(results: facts.Results, lot: Lot) -> Lot:
    """The lot with its list for a submission filled in from the window, where it has one."""
    if not rows_of(results, "window", "window_spans", lot.lot_id):
        return lot
    figures = _figures(results, lot.lot_id)
    rows = [
        {**one, "filled": with_figures(text_of(one["filled"]), one["item"], figures, OF_PLAN,
                                       BY_HEIGHTS)}
        for one in lot.checklist
    ]  # fmt: skip
    return replace(lot, checklist=rows)


def _figures(results: facts.Results, lot_id: str) -> dict[str, str]:
    """Figures of a submission that hang on the plan, by the window."""
    trees = [tree for tree in rows_of(results, "window", "window_trees", lot_id)
             if is_mangrove(tree["species"]) is not False]  # fmt: skip
    out = {}
    after: dict[str, list[float]] = {}
    for tree in trees:
        height = float(tree["height_after_ft"])
        if np.isfinite(height):
            is_lowered = tree["treatment"] == "lower-top"
            height = top_to(height) if is_lowered else height
            after.setdefault(_name(tree["species"]), []).append(height)
    if after:
        told_of = ", ".join(f"{name} {_span(heights)}" for name, heights in after.items())
        out["heights_after"] = f"heights after {BY_WINDOW}: {told_of}"
    if trees:
        n_cut, n = sum(tree["treatment"] != "leave" for tree in trees), len(trees)
        share = 100.0 * (n - n_cut) / n
        out["trees_to_trim"] = (
            f"{BY_WINDOW}: {n_cut} of {n} mangroves cut, {share:.0f} % left as they are"
        )
    stage = row_of(results, "stages", "stage_lots", lot_id)
    if stage is not None and stage["plan"] == "window":
        staged = rows_of(results, "stages", "stage_trees", lot_id)
        years = Counter(int(t["n_years"]) for t in staged if t["share_binds"] in BY_RULE)
        told = ", ".join(f"{count(k, 'tree')} over {count(y, 'year')}"
                         for y, k in sorted(years.items()) if y > 0)  # fmt: skip
        out["stage_plan"] = f"{BY_WINDOW}: {told or 'no tree whose stages a rule asks for is cut'}"
    return out


def _name(species: Any) -> str:
    key = species_key(species)
    return "species not known" if key is None else str(species_table()[key]["common"])


def _span(heights: list[float]) -> str:
    low, high = min(heights), max(heights)
    return f"{low:.1f} ft" if f"{low:.1f}" == f"{high:.1f}" else f"{low:.1f} to {high:.1f} ft"
