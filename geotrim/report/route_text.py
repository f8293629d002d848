"""The result of ``route`` in words, for a terminal and for the summary of a run."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from geotrim.model import Site
from geotrim.report import facts
from geotrim.report.fold import bullet, fold
from geotrim.report.route_duties import CHECK, duties
from geotrim.report.statement_headline import names_of
from geotrim.report.statement_lot import DECIDING, split
from geotrim.report.statement_parts import count, some
from geotrim.rules.outcome import CLOSED, DEPENDS, LEFT_ALONE, NONE, OPEN, OTHER_PLAN
from geotrim.rules.rule_file import routes
from geotrim.rules.rule_set import rule_set

#: How a way stands, in a word or two.
STANDING_WORDS = {
    OPEN: "open",
    DEPENDS: "depends",
    CLOSED: "closed",
    OTHER_PLAN: "closed as planned",
}
#: Lots told one by one; more become a table.
MOST_LOTS = 4
#: Things to find out that are listed, ids of trees that are named, changes that are told.
MOST_QUESTIONS, MOST_IDS, MOST_CHANGES = 8, 10, 2
#: How the tables mark a rule nobody has read.
MEMORY_MARK = "(from memory)"
#: What only the authority can say; it is told with the way.
ASK = "says on this"


def route_text(site: Site, results: facts.Results) -> str:
    """What came out for each lot, way by way, with its duties, and what to find out next.

    Parameters
    ----------
    site : Site
        Its overlays are read.
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
    blocks = ["\n".join(_lot(site, results, lot)) for lot in lots]
    return "\n\n".join(blocks)


def _many(results: facts.Results, lots: list[str]) -> list[str]:
    """A line a lot."""
    width = max(len(lot) for lot in lots) + 2
    lines = []
    for lot in lots:
        row = facts.table(results, "route", "lot_outcomes", lot)
        text = "not judged" if row is None else str(row["outcome_words"].iloc[0])
        lines += fold(text, f"{lot:<{width}}", " " * width)
    return lines


def _lot(site: Site, results: facts.Results, lot: str) -> list[str]:
    found = facts.table(results, "route", "lot_outcomes", lot)
    if found is None:
        return [f"Lot {lot}: not judged"]
    row = found.iloc[0]
    lines = [f"Lot {lot}: the ways to an authorisation", *fold(row["outcome_words"])]
    if not row["n_trees"] and math.isnan(row["shoreline_length_ft"]):
        return [*lines, *_without_shore(row)]
    ways = facts.table(results, "route", "lot_routes", lot)
    lines += ["", *_ways(ways, int(row["n_trees"])), *_from_memory(results, lot)]
    lines += _figures(site, results, lot, row)
    lines += _plans(ways)
    lines += duties(site, results, lot)
    lines += _find_out(results, lot, ways)
    lines += _readings(results, lot)
    return [*lines, *_other_plants(row)]


def _without_shore(row: Any) -> list[str]:
    """Why nothing is judged, and what to find out first."""
    told = bullet(f"why: {row['reason']}") if row["reason"] else []
    ask = "to find out: whether the title and the boundary of the lot reach the shore, and whether "
    return [*told, *bullet(f"{ask}the line given is its MHW line")]


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


def _from_memory(results: facts.Results, lot: str) -> list[str]:
    """Which ways hang on a rule that nobody has read."""
    rules = facts.table(results, "route", "findings_by_rule", lot)
    if rules is None:
        return []
    mine = rules[rules["effect"].isin(DECIDING) & (rules["confidence"] == "from memory")]
    told = {name for several in mine["routes"] for name in str(several).split(", ")}
    names = [key for key, table in routes().items() if table["name"] in told]
    if not names:
        return []
    return fold(f"Some conditions of {names_of(names)} are {CHECK[1:-1]}.")


def _plans(ways: Any) -> list[str]:
    """What another plan would change, and what the authority must be asked."""
    lines = []
    for way in ways.itertuples():
        if way.status == CLOSED and way.other_plan:
            lines += bullet(_checked(f"{way.route_name}, planned otherwise: {way.other_plan}"))
        elif way.status == DEPENDS and ASK in way.settle:
            lines += bullet(_checked(f"{way.route_name} hangs on {way.settle}"))
    return ["", *lines] if lines else []


def _checked(words: str) -> str:
    return words.replace(MEMORY_MARK, CHECK)


def _figures(site: Site, results: facts.Results, lot: str, row: Any) -> list[str]:
    """The figures most limits look at."""
    told, more = [], []
    if np.isfinite(row["shoreline_length_ft"]):
        text = f"shoreline {_with_error(row, 'shoreline_length_ft', 'shoreline_error_ft')}"
        if np.isfinite(row["shoreline_chord_ft"]):
            text += f", straight from end to end {row['shoreline_chord_ft']:.1f} ft"
            more = _straddle(site, results, lot, row)
        told.append(text)
    if np.isfinite(row["fringe_depth_ft"]):
        told.append(f"fringe depth {_with_error(row, 'fringe_depth_ft', 'fringe_depth_error_ft')}")
    if row["n_staged_trees"]:
        told.append(f"{count(int(row['n_staged_trees']), 'tree is', 'trees are')} cut in stages")
    return ["", *fold("; ".join(told), "  Figures: ", "  "), *more] if told else []


def _straddle(site: Site, results: facts.Results, lot: str, row: Any) -> list[str]:
    """A flag where two ways to measure the shore stand on both sides of a cap's limit (A-03)."""
    limits = {
        limit
        for rule in rule_set(site.overlays).rules.values()
        for limit in rule.when
        if limit.measure == "shoreline_length_ft"
    }
    pair = [row["shoreline_length_ft"], row["shoreline_chord_ft"]]
    lines = []
    for limit in sorted(limits, key=lambda one: one.number):
        if len(set(limit.judge(pair, 0.0, 0.95).tolist())) > 1:
            text = f"A-03: the two lie on both sides of {limit.number:g} ft, so the cap hangs on "
            lines += bullet(f"{text}which of them is the shoreline")
    rows = facts.table(results, "route", "readings", lot)
    if rows is not None and not lines:
        other = rows[(rows["setting"] == "shoreline_reading") & rows["is_changing"].astype(bool)]
        for words in other["other_words"]:
            text = f"A-03: measured otherwise ({words}), the cap would not stand as it does"
            lines += bullet(text)
    return lines


def _with_error(row: Any, value: str, error: str) -> str:
    text = f"{row[value]:.1f}"
    return f"{text} ft" if np.isnan(row[error]) else f"{text} ft (error {row[error]:.1f} ft)"


def _find_out(results: facts.Results, lot: str, ways: Any) -> list[str]:
    """Facts, then measurements tree by tree, on which something hangs that is told as depends."""
    asked = facts.table(results, "route", "questions", lot)
    first: list[str] = []
    every: set[str] = set()
    n_other = 0
    if asked is not None:
        first = [str(words) for words in asked.loc[_flags(asked["is_for_outcome"]), "settle"]]
        every = set(asked["settle"].astype(str))
        n_other = int((_flags(asked["is_for_route"]) & ~_flags(asked["is_for_outcome"])).sum())
    told = first[:MOST_QUESTIONS]
    if len(first) > MOST_QUESTIONS:
        told.append(f"and {len(first) - MOST_QUESTIONS} more, in the table questions")
    told += _measure(results, lot, ways, every)
    if n_other:
        told.append(f"only other ways hang on {count(n_other, 'more answer')}: table questions")
    if not told:
        return []
    lines = ["", "  To find out, for what is told as depends:"]
    return [*lines, *(line for words in told for line in bullet(_checked(words)))]


def _flags(column: Any) -> Any:
    return column.astype(bool)


def _measure(results: facts.Results, lot: str, ways: Any, asked: set[str]) -> list[str]:
    """What hangs on single trees, alike ones together, and whatever else is no question."""
    trees = facts.table(results, "route", "tree_outcomes", lot)
    settles: list[str] = []
    if trees is not None:
        waits = (trees["outcome_standing"] == DEPENDS) & (trees["outcome_route"] != LEFT_ALONE)
        settles = [str(text) for text in trees.loc[waits, "settle"]]
    of_trees, rest = split(settles)
    of_ways, more = split(str(text) for text in ways.loc[ways["status"] == DEPENDS, "settle"])
    of_trees = {**of_ways, **of_trees}
    told = [words.replace("{tree}", some(ids, MOST_IDS)) for words, ids in of_trees.items()]
    others = [text for text in dict.fromkeys([*rest, *more]) if text not in asked]
    return [*told, *(text for text in others if ASK not in text)]


def _readings(results: facts.Results, lot: str) -> list[str]:
    """Open questions of which another reading would change something; the others by their ids."""
    rows = facts.table(results, "route", "readings", lot)
    if rows is None:
        return []
    changing = rows[rows["is_changing"].astype(bool)]
    quiet = [i for i in dict.fromkeys(rows["ambiguity"]) if i not in set(changing["ambiguity"])]
    lines = [""]
    if len(changing):
        lines.append("  Open questions that would change something, read otherwise:")
    for one in changing.itertuples():
        parts = str(one.changes).split("; ")
        n_more = len(parts) - MOST_CHANGES
        some_of = "; ".join(parts[:MOST_CHANGES]) + (f"; and {n_more} more" if n_more > 0 else "")
        told = f"{one.ambiguity}: taken is: {one.used_words}. If instead: {one.other_words}, then: "
        lines += bullet(f"{told}{some_of}")
    if quiet:
        all_of = "The other open questions" if len(changing) else "The open questions"
        text = f"{all_of} ({', '.join(quiet)}) change nothing here; all are in the table readings."
        lines += fold(text)
    return lines if len(lines) > 1 else []


def _other_plants(row: Any) -> list[str]:
    """What may still hold for plants the act does not name."""
    n = int(row["n_other_plants"])
    if not n:
        return []
    text = f"A local tree code, or rules for listed plants, may apply to {count(n, 'other plant')}."
    return ["", *fold(text)]
