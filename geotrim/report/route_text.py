"""The result of ``route`` in words, for a terminal and for the summary of a run."""

from __future__ import annotations

import textwrap
from typing import Any

import numpy as np

from geotrim.model import Site
from geotrim.report import facts
from geotrim.rules.outcome import CLOSED, DEPENDS, LEFT_ALONE, NONE, OPEN, OTHER_PLAN
from geotrim.rules.rule_file import routes

WIDTH = 80
#: How a way stands, in a word or two.
STANDING_WORDS = {
    OPEN: "open",
    DEPENDS: "depends",
    CLOSED: "closed",
    OTHER_PLAN: "closed as planned",
}
#: Lots told one by one; more become a table.
MOST_LOTS = 4
#: Things to find out that are listed.
MOST_QUESTIONS = 8


def route_text(site: Site, results: facts.Results) -> str:
    """What came out for each lot, way by way, and what to find out next.

    Parameters
    ----------
    site : Site
    results : mapping
        Operation name -> Result.

    Returns
    -------
    str
        Lines of at most 80 columns.
    """
    lots = facts.chosen_lots(site, None)
    if facts.table(results, "route", "lot_outcomes") is None:
        return "No lot was judged."
    if len(lots) > MOST_LOTS:
        return "\n".join(_many(results, lots))
    blocks = ["\n".join(_lot(results, lot)) for lot in lots]
    return "\n\n".join(blocks)


def _many(results: facts.Results, lots: list[str]) -> list[str]:
    """A line a lot."""
    width = max(len(lot) for lot in lots) + 2
    lines = []
    for lot in lots:
        row = facts.table(results, "route", "lot_outcomes", lot)
        text = "not judged" if row is None else str(row["outcome_words"].iloc[0])
        lines += _fold(text, f"{lot:<{width}}", " " * width)
    return lines


def _lot(results: facts.Results, lot: str) -> list[str]:
    row = facts.table(results, "route", "lot_outcomes", lot).iloc[0]
    lines = [f"Lot {lot}: the ways to an authorisation", *_fold(row["outcome_words"], "  ", "  ")]
    ways = facts.table(results, "route", "lot_routes", lot)
    lines += ["", *_ways(ways, int(row["n_trees"]))]
    lines += _figures(results, lot, row, ways)
    lines += _plans(ways)
    asked = facts.table(results, "route", "questions", lot)
    asked = None if asked is None else asked[asked["is_for_route"].astype(bool)]
    if asked is not None and len(asked):
        lines += ["", "  To find out, for what is told as depends:"]
        for text in list(asked["settle"])[:MOST_QUESTIONS]:
            lines += _fold(text, "  - ", "    ")
        if len(asked) > MOST_QUESTIONS:
            lines.append(f"  - and {len(asked) - MOST_QUESTIONS} more")
    lines += _tree_settles(results, lot)
    return lines


def _ways(ways: Any, n_trees: int) -> list[str]:
    """The table of ways: how each stands and for how many trees."""
    lines = []
    for way in ways.itertuples():
        if way.route == NONE:
            continue
        other = way.status == CLOSED and way.n_other_plan_trees > 0
        words = STANDING_WORDS[OTHER_PLAN if other else way.status]
        counts = [
            f"{n} {name}"
            for n, name in ((way.n_open_trees, "open"), (way.n_depends_trees, "depending"))
            if n
        ]
        trees = f"of {n_trees} trees: {', '.join(counts)}" if counts and n_trees else ""
        lines.append(f"  {way.route_name:<24}{words:<14}  {trees}".rstrip())
    return lines


def _plans(ways: Any) -> list[str]:
    """What another plan would change, and what the authority must be asked."""
    lines = []
    for way in ways.itertuples():
        if way.status == CLOSED and way.other_plan:
            lines += _fold(f"{way.route_name}, planned otherwise: {way.other_plan}", "  - ", "    ")
        elif way.status == DEPENDS and "says on this" in way.settle:
            lines += _fold(f"{way.route_name} hangs on {way.settle}", "  - ", "    ")
    return ["", *lines] if lines else []


def _figures(results: facts.Results, lot: str, row: Any, ways: Any) -> list[str]:
    """The figures most limits look at."""
    told = []
    if np.isfinite(row["shoreline_length_ft"]):
        told.append(f"shoreline {_with_error(row, 'shoreline_length_ft', 'shoreline_error_ft')}")
    if np.isfinite(row["fringe_depth_ft"]):
        told.append(f"fringe depth {_with_error(row, 'fringe_depth_ft', 'fringe_depth_error_ft')}")
    caps = facts.table(results, "route", "shares", lot)
    if caps is not None:
        may_be = set(ways.loc[ways["status"] != CLOSED, "route"])
        binds = caps["is_binding"].fillna(True).astype(bool) & caps["route"].isin(may_be)
        for cap in caps[binds].itertuples():
            name = routes()[cap.route]["name"].lower()
            unsure = " if the cap binds" if cap.is_binding is not True else ""
            told.append(
                f"at most {100 * cap.share_frac:.0f} % under the {name}{unsure}: "
                f"{cap.n_allowed_trees} of {cap.n_counted_trees} trees"
            )
    if row["n_staged_trees"]:
        told.append(f"{row['n_staged_trees']} trees are cut in stages")
    return ["", *_fold("; ".join(told), "  Figures: ", "  ")] if told else []


def _with_error(row: Any, value: str, error: str) -> str:
    text = f"{row[value]:.1f}"
    return f"{text} ft" if np.isnan(row[error]) else f"{text} ft (error {row[error]:.1f} ft)"


def _tree_settles(results: facts.Results, lot: str) -> list[str]:
    """Trees whose outcome hangs on something measured of the tree itself."""
    trees = facts.table(results, "route", "tree_outcomes", lot)
    if trees is None:
        return []
    waits = trees[(trees["outcome_standing"] == DEPENDS) & (trees["outcome_route"] != LEFT_ALONE)]
    species = [str(i) for i in waits.loc[waits["is_mangrove"].isna(), "crown_id"]]
    heights = [
        str(tree.crown_id)
        for tree in waits.itertuples()
        if f"height of {tree.crown_id}" in tree.settle
    ]
    lines = []
    for ids, text in (
        (species, "species to confirm in the field"),
        (heights, "heights to measure"),
    ):
        if ids:
            some = ", ".join(ids[:10]) + (f" and {len(ids) - 10} more" if len(ids) > 10 else "")
            lines += _fold(f"{text}: {some}", "  - ", "    ")
    return ["", *lines] if lines else []


def _fold(text: str, first: str, rest: str) -> list[str]:
    return textwrap.wrap(
        " ".join(str(text).split()), WIDTH, initial_indent=first, subsequent_indent=rest
    )
