"""The result of ``stages`` in words: a short list a lot, a line a tree, years across."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from geotrim.model import Site
from geotrim.ops.catalogue_window import STAGES
from geotrim.report import facts
from geotrim.report.cut_heights import cleared_up_to, top_to
from geotrim.report.fold import bullet, fold

#: Lots told tree by tree; more become a line each. Trees listed, years across, reasons told, and
#: trees named with one.
MOST_LOTS, MOST_TREES, MOST_YEARS, MOST_WHYS, MOST_IDS = 4, 30, 6, 10, 8
#: Width of a tree's id and of a year.
ID_WIDTH, YEAR_WIDTH = 10, 7
OF_WHAT = {
    "standing-each-year": "of what stands at the start of each year",
    "original": "of what stood before the first cut",
}
BINDS = {
    "act": "the act asks for it",
    "good practice": "good practice asks for it",
    "local rule": "a local rule asks for it",
}
PLANS = {"window": "the window", "target-height": "the planned heights"}


def stages_text(site: Site, results: facts.Results) -> str:
    """Tell the stages on the terminal.

    Parameters
    ----------
    site : Site
    results : mapping
        Operation name -> Result, ``stages`` among them.

    Returns
    -------
    str
        Lines of at most 80 columns. A height to cut to is rounded up and the upper side of a band
        down, so that a crew that follows them takes no more than was reckoned.
    """
    lots = facts.table(results, "stages", "stage_lots")
    if lots is None:
        return "No cut was spread over years."
    if len(lots) > MOST_LOTS:
        lines = [line for row in lots.to_dict("records") for line in fold(_headline(row), "", "  ")]
        return "\n".join([*lines, "", *_cautions(results)])
    blocks = ["\n".join(_lot(results, row)) for row in lots.to_dict("records")]
    return "\n\n".join([*blocks, "\n".join(_cautions(results))])


def _headline(row: dict[str, Any]) -> str:
    """A lot in one line."""
    name = f"Lot {row['lot_id']}" if isinstance(row["lot_id"], str) else "All trees"
    plan, n = PLANS[row["plan"]], int(row["n_cut_trees"])
    missed = int(row["n_unreachable_trees"])
    if not n and not missed:
        return f"{name}: nothing to cut by {plan}; {row['reason']}".rstrip("; ")
    years = int(row["n_years"])
    text = f"{name}: {n} tree{_s(n)} cut over {years} year{_s(years)}, by {plan}"
    text += f"; {row['removed_ft3']:,.0f} cu ft of foliage (canopy model {row['canopy_model']})"
    return f"{text}; {missed} not as far as planned" if missed else text


def _lot(results: facts.Results, row: dict[str, Any]) -> list[str]:
    lines = fold(_headline(row), "", "  ")
    trees = _of_lot(results, "stage_trees", row["lot_id"])
    if trees is None:
        return lines
    cuts = _of_lot(results, "stage_cuts", row["lot_id"])
    lines += bullet(_share_words(results, trees))
    for treatment, title in (
        ("lower-top", "Tops lowered: height after each cut, ft"),
        ("clear-band", "Bands cleared under a kept top: cleared up to, ft"),
    ):
        mine = trees[(trees["treatment"] == treatment) & (trees["n_years"] > 0)]
        if len(mine):
            lines += ["", f"  {title}", *_list(mine, cuts)]
    lines += _dates(cuts)
    lines += _not_reached(trees)
    return [*lines, *_quarters(_of_lot(results, "stage_quarters", row["lot_id"]), trees)]


def _list(trees: Any, cuts: Any) -> list[str]:
    """A line a tree: its height, then the front of each year's cut."""
    n_years = int(trees["n_years"].max())
    shown = min(n_years, MOST_YEARS)
    heads = [f"{f'year {k}':>{YEAR_WIDTH}}" for k in range(1, shown + 1)]
    begin = "now" if (trees["treatment"] == "lower-top").all() else "from"
    head = f"  {'tree':<{ID_WIDTH}}{begin:>{YEAR_WIDTH}}{''.join(heads)}  in all  years"
    lines = [head]
    fronts = _fronts(cuts)
    for tree in trees.head(MOST_TREES).to_dict("records"):
        mine = fronts.get(str(tree["crown_id"]), [])
        cells = "".join(f"{text:>{YEAR_WIDTH}}" for text in mine[:shown])
        more = "+" if len(mine) > shown else " "
        lines.append(
            f"  {_short(tree['crown_id']):<{ID_WIDTH}}{_now(tree):>{YEAR_WIDTH}}"
            f"{cells:<{YEAR_WIDTH * shown}} {more}{_percent(tree['reached_frac']):>6}"
            f"{_whole(tree['n_standing_years']):>5}/{_whole(tree['n_original_years'])}"
        )
    if len(trees) > MOST_TREES:
        lines.append(f"  and {len(trees) - MOST_TREES} more, in the table stage_trees")
    if n_years > MOST_YEARS:
        lines += fold(f"+ goes on: later years are in the table stage_cuts, up to year {n_years}")
    return lines


def _now(tree: dict[str, Any]) -> str:
    """Where a cut begins: the top, or the low side of the band."""
    at = tree["top_height_ft"] if tree["treatment"] == "lower-top" else tree["from_ft"]
    return f"{at:.2f}"


def _fronts(cuts: Any) -> dict[str, list[str]]:
    """Heights of each tree's cuts in words, year by year."""
    out: dict[str, list[str]] = {}
    for cut in cuts.sort_values("year").to_dict("records"):
        is_top = math.isnan(cut["to_ft"])
        height = top_to(cut["from_ft"]) if is_top else cleared_up_to(cut["to_ft"])
        out.setdefault(str(cut["crown_id"]), []).append(f"{height:.1f}")
    return out


def _share_words(results: facts.Results, trees: Any) -> str:
    """What one year may take, of what, by whose rule, by which measures; and regrowth."""
    reading = facts.parameter(results, "stages", "foliage_reading", "standing-each-year")
    told = []
    columns = ["yearly_frac", "share_limit_frac", "share_binds"]
    for (share, most, binds), mine in trees.groupby(columns, sort=False):
        n = len(mine)
        who = f"{n} tree{_s(n)}"
        told.append(
            f"{who}: at most {_percent(share)} a year ({_less(share, most)}{BINDS[binds]})"
            if binds
            else f"{who}: no yearly share kept"
        )
    n_leaf = int(np.isfinite(trees["leaf_removed_frac"].to_numpy(dtype=np.float64)).sum())
    by_leaf = f", and of leaf area where a profile is known ({n_leaf} of {len(trees)})"
    regrowth = facts.parameter(results, "stages", "regrowth_frac", 0.0)
    grown = f"regrowth {_percent(regrowth)} between cuts" if regrowth else "no regrowth counted"
    text = f"{'; '.join(told)}; {OF_WHAT[reading]}, of canopy volume"
    return f"{text}{by_leaf if n_leaf else ''}; {grown}"


def _less(share: float, most: float) -> str:
    """The share itself, where less is planned."""
    if most - share < 1e-9:
        return ""
    return f"{_percent(most)} less a margin of {_percent(most - share)}; "


def _dates(cuts: Any) -> list[str]:
    """Earliest day of each year's cut."""
    if cuts is None:
        return []
    known = cuts[cuts["date"].notna()].drop_duplicates("year").sort_values("year")
    days = [f"year {row.year} {row.date}" for row in known.itertuples()]
    if not days:
        return ["", *bullet("dates: unknown without start_date; a year at least between two cuts")]
    shown = ", ".join(days[:MOST_YEARS]) + (", ..." if len(days) > MOST_YEARS else "")
    return ["", *bullet(f"not before: {shown}")]


def _not_reached(trees: Any) -> list[str]:
    """Cuts that end before the plan, and why; trees of one reason together."""
    lost = trees[~trees["is_reachable"].to_numpy(dtype=bool)]
    if not len(lost):
        return []
    same: dict[str, list[Any]] = {}
    for tree in lost.itertuples():
        same.setdefault(str(tree.why).rsplit("; nearest", 1)[0], []).append(tree)
    lines = ["", "  Not as far as planned:"]
    for reason, mine in list(same.items())[:MOST_WHYS]:
        if len(mine) == 1:
            lines += bullet(f"{mine[0].crown_id}: {mine[0].why}")
            continue
        ids = ", ".join(str(tree.crown_id) for tree in mine[:MOST_IDS])
        ids += ", ..." if len(mine) > MOST_IDS else ""
        lines += bullet(f"{len(mine)} trees ({ids}): {reason}")
    more = sum(len(mine) for mine in list(same.values())[MOST_WHYS:])
    return [*lines, *bullet(f"and {more} more, in the table stage_trees")] if more else lines


def _quarters(quarters: Any, trees: Any) -> list[str]:
    """How much hangs on the canopy model, shown on the tallest tree."""
    if quarters is None or not trees["top_height_ft"].notna().any():
        return []
    tallest = trees.loc[trees["top_height_ft"].idxmax()]
    mine = quarters[quarters["crown_id"] == tallest["crown_id"]]
    told = [
        f"{row.canopy_model}{' (used here)' * row.is_chosen} {top_to(row.cut_height_ft):.1f} ft"
        for row in mine.itertuples()
        if math.isfinite(row.cut_height_ft)
    ]
    if not told:
        return []
    share = _percent(float(mine["share_frac"].iloc[0]))
    head = f"{share} off the top of {tallest['crown_id']} ({tallest['top_height_ft']:.1f} ft) is a"
    return ["", *bullet(f"{head} cut at, by canopy model: {', '.join(told)}")]


def _cautions(results: facts.Results) -> list[str]:
    """What must not be forgotten."""
    told = (
        "years: of what stands at the start of each year / of what stood before the first cut; the "
        "law does not say which (A-06)",
        STAGES.caution,
        "The floor is a limit and no target: some trees cannot be taken down so far at all, and a "
        "red mangrove is not cut below its foliage.",
        "These are figures, no permission: the department or the delegated local government "
        "decides. Look for active nests before every cut, and keep clear of power lines.",
    )
    return [line for text in told for line in bullet(text)]


def _of_lot(results: facts.Results, name: str, lot_id: Any) -> Any:
    """Rows of one lot; of all where nobody knows which lot trees are on."""
    return facts.table(results, "stages", name, lot_id)


def _short(name: object) -> str:
    text = str(name)
    return text if len(text) < ID_WIDTH else f"{text[: ID_WIDTH - 2]}~"


def _s(n: int) -> str:
    return "" if n == 1 else "s"


def _percent(share: float) -> str:
    if math.isnan(share):
        return "?"
    return f"{100.0 * share:.1f}".removesuffix(".0") + " %"


def _whole(years: float) -> str:
    return "-" if math.isnan(years) else f"{int(years)}"
