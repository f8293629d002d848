"""The result of ``risks`` in words, for a terminal."""

from __future__ import annotations

from typing import Any

from geotrim.model import Site
from geotrim.report import facts
from geotrim.report.fold import fold

#: Trees of a lot that are named; the tables have all.
MOST_TREES = 20
CAUTION = (
    "Only errors of heights and of the marked stick are drawn, each tree by itself and with mean "
    "0. A limit that never breaks here may break on site: read heights by stick before the first "
    "cut."
)
TO_THE_LETTER = (
    "A plan that takes a year's whole share passes it where a tree is a little taller than read; "
    "share_margin_frac plans less."
)
STICK = "; read it by stick first"


def risks_text(site: Site, results: facts.Results) -> str:
    """How often each limit of a plan would break, lot by lot, and the trees to read first.

    Parameters
    ----------
    site : Site
        Not read.
    results : mapping
        Operation name -> Result.

    Returns
    -------
    str
        Lines of at most 80 columns.
    """
    limits = facts.table(results, "risks", "risk_limits")
    if limits is None or not len(limits):
        return "Nothing is cut, so no limit is held against its error."
    trees = facts.table(results, "risks", "risk_trees")
    lines: list[str] = []
    for lot_id in dict.fromkeys(limits["lot_id"]):
        mine = limits[_is_of(limits, lot_id)]
        own = None if trees is None else trees[_is_of(trees, lot_id)]
        most = float(facts.parameter(results, "risks", "risk_frac", 0.05))
        lines += [*([""] if lines else []), *_lot(lot_id, mine, own, most)]
    return "\n".join([*lines, "", *fold(CAUTION, "", "  ")])


def _is_of(table: Any, lot_id: Any) -> Any:
    return table["lot_id"].isna() if lot_id is None else table["lot_id"] == lot_id


def _lot(lot_id: Any, limits: Any, trees: Any, most: float) -> list[str]:
    n = int(limits["n_draws"].iloc[0])
    head = f"Lot {lot_id}" if isinstance(lot_id, str) else "Trees of no lot"
    lines = [f"{head}, {n} draws of heights and marks"]
    for row in limits.to_dict("records"):
        how = f"breaks in {row['n_broken_draws']} of {n}"
        lines += fold(f"{how}: {str(row['words']).rstrip('.')}{_at(row)}", "  ", "    ")
    if any(row["n_broken_draws"] > 0 for row in limits[_is_share(limits)].to_dict("records")):
        lines += fold(TO_THE_LETTER, "  ", "  ")
    if trees is None:
        return lines
    is_first = trees["is_stick_first"].to_numpy(dtype=bool)
    is_often = trees["broken_frac"].to_numpy(dtype=float) > most
    if not is_first.any():
        lines.append("  No tree breaks a limit so often that reading it by stick first would help.")
    lines += _trees("Read by stick first:", trees[is_first])
    return lines + _mends(trees[is_often & ~is_first], n)


def _is_share(limits: Any) -> Any:
    return limits["limit"].isin(["yearly-share", "yearly-share-practice"])


def _mends(rows: Any, n: int) -> list[str]:
    """What helps trees that break a limit too often whatever is read; how often each does."""
    told: dict[str, list[str]] = {}
    for row in rows.drop_duplicates("crown_id").to_dict("records"):
        mend = str(row["words"]).rsplit(": ", 1)[-1]
        told.setdefault(mend, []).append(f"{row['crown_id']} {round(row['broken_frac'] * n)}")
    lines = [] if not told else ["  Too often, and no stick reading mends it:"]
    for mend, trees in told.items():
        more = f", and {len(trees) - MOST_TREES} more" if len(trees) > MOST_TREES else ""
        shown = f"{', '.join(trees[:MOST_TREES])}{more}; each of {n} draws"
        lines += fold(f"{mend}: {shown}", "    ", "      ")
    return lines


def _trees(head: str, rows: Any) -> list[str]:
    """Trees under a heading, each with the limit it breaks most often."""
    if not len(rows):
        return []
    lines = [f"  {head}"]
    shown = rows.drop_duplicates("crown_id").head(MOST_TREES)
    for row in shown.to_dict("records"):
        tall = f"{row['top_height_ft']:.1f} ft, error {row['height_error_ft']:.1f}"
        words = str(row["words"]).removesuffix(STICK)
        lines += fold(f"{row['crown_id']} ({tall}): {words}", "    ", "      ")
    n_more = rows["crown_id"].nunique() - len(shown)
    return [*lines, f"    and {n_more} more, in the table risk_trees"] if n_more else lines


def _at(row: dict[str, Any]) -> str:
    n = row["n_trees"]
    if row["limit"] == "any limit":
        return ""
    if row["limit"] == "allowance-trees":  # of the lot as a whole
        return f" ({n} tree{'' if n == 1 else 's'} cut)" if n else ""
    return f" (at {'its one tree' if n == 1 else f'one or more of {n} trees'})" if n else ""
