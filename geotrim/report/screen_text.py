"""A screening summed up in words, for a terminal and for ``summary.txt``."""

from __future__ import annotations

from typing import Any

from geotrim.model import MHW_ORIGINS
from geotrim.ops.catalogue import CAUTIONS
from geotrim.report.fold import WIDTH, bullet, fold
from geotrim.report.furniture import counted
from geotrim.report.screen_stands import COUNTED, OPEN_WORDS, STANDS, standings_words
from geotrim.report.screen_view import ScreenView
from geotrim.rules.outcome import OUTSIDE

#: Jurisdictions told one by one; reasons and notes that are listed.
MOST_PLACES, MOST_REASONS, MOST_NOTES = 30, 12, 12
NOTE_HEADS = (
    ("missing", "Not known or not measured"),
    ("assumed", "Assumed"),
    ("repaired", "Mended in the input"),
)
#: Figures of a jurisdiction: heading, column of the summary, width.
PLACE_COLUMNS = (
    ("lots", "n_lots", 6),
    ("shore", "n_on_shore", 6),
    ("frontage ft", "frontage_length_ft", 12),
    ("open", "n_open", 6),
    ("in part", "n_open_in_part", 7),
    ("depends", "n_depends", 7),
    ("other", "n_other_plan", 6),
    ("closed", "n_closed", 6),
    ("nothing", "n_nothing_to_judge", 7),
    ("unfit", "n_unfit", 6),
)
#: Column of a sum over trees told as open -> what else stands against a cut there.
OPEN_BUT = {
    "n_open_in_exclusion": "stand in an exclusion, where nothing may be trimmed by what the "
    "user says: the rules alone are judged, so leave these out of any plan",
    "n_open_past_setback": "reach into a setback: look at it before anything is planned",
}


def screen_text(view: ScreenView, notes: Any) -> str:
    """Sum up a screening in words and figures.

    Parameters
    ----------
    view : ScreenView
    notes : DataFrame
        ``level``, ``about``, ``text``, ``n``, ``named``.

    Returns
    -------
    str
        Lines of at most 80 columns, joined by line feeds, none at the end.
    """
    lines = [*fold(view.name, "", ""), "=" * min(len(view.name), WIDTH)]
    lines += _whole(view)
    lines += _stands(view)
    lines += _look(view)
    lines += _trees(view)
    lines += _ways(view)
    lines += _places(view)
    lines += _reasons(view)
    lines += _notes(notes)
    lines += ["", "Cautions", *(line for one in CAUTIONS for line in bullet(one))]
    return "\n".join(lines)


def _whole(view: ScreenView) -> list[str]:
    every = view.sums["summary_by_jurisdiction"].iloc[0]
    drafted = "" if view.has_crowns else ", drafted by machine from the heights"
    parts = [
        f"{counted(view.n_lots, 'lot')}, {every['n_on_shore']:,} of them on the shore with "
        f"{every['frontage_length_ft']:,.1f} ft of frontage along the "
        f"{MHW_ORIGINS[view.mhw_origin]}.",
        f"{counted(view.n_crowns, 'crown')}{drafted}; {every['n_trees']:,} of them on these lots "
        f"or in the water before them, {every['n_mangroves']:,} known to be mangroves.",
    ]
    return ["", *(line for part in parts for line in fold(part, "", ""))]


def _stands(view: ScreenView) -> list[str]:
    """Lots by kind; of those that are judged, the mangroves the plan cuts beside them."""
    trees = view.trees_by_stand()
    lines = ["", "How the lots stand", f"{'lots':>9}  {'of all':>8}  {'to cut':>8}"]
    for key, n in view.by_stand().items():
        share = 100.0 * n / view.n_lots
        mine = f"{trees[key]:,}" if key in trees else ""
        lines += fold_after(f"{n:>9,}  {share:>6.1f} %  {mine:>8}  ", STANDS[key].words)
    words = (
        "To cut: mangroves that the plan cuts, and trees of unknown species, which may be. Plants "
        "outside the act never make a lot open."
    )
    return [*lines, *fold(words), *fold(OPEN_WORDS)]


def _trees(view: ScreenView) -> list[str]:
    ways = view.sums["summary_by_route"]
    outside = ways.loc[ways["route"] == OUTSIDE, "n_trees"].iloc[0]  # of all jurisdictions
    lines = ["", "How the trees of lots on the shore stand, one by one"]
    told = standings_words(view.by_standing())
    lines += bullet(f"to cut, mangroves or trees that may be: {told or 'none'}")
    if outside:
        lines += bullet(f"to cut, outside the act: {counted(outside, 'tree')}")
    for name, (n_lots, n_trees) in view.open_all_the_same().items():
        if n_trees:
            where = f"on {counted(n_lots, 'lot')}"
            lines += bullet(
                f"told as open by the rules alone, and yet {counted(n_trees, 'tree')} {where} "
                f"{OPEN_BUT[name]}"
            )
    if not view.has_heights:
        lines += bullet(
            "heights: none given, so ways that ask for a tree's height depend on it, unless it was "
            "measured in the field"
        )
    return lines


def _look(view: ScreenView) -> list[str]:
    """What a look on the place would settle."""
    n, kinds = view.worth_a_look()
    on_shore = counted(view.sums["summary_by_jurisdiction"].iloc[0]["n_on_shore"], "lot")
    lines = ["", f"Worth a visit: {n:,} of {on_shore} on the shore (column to_check)"]
    for words, (n_lots, n_trees) in kinds.items():
        if n_lots:
            lines += bullet(f"{words}: {counted(n_trees, 'tree')} on {counted(n_lots, 'lot')}")
    return lines


def _ways(view: ScreenView) -> list[str]:
    """The ways that trees and lots are told by, for all jurisdictions."""
    table = view.sums["summary_by_route"]
    mine = table[(table["jurisdiction"] == table["jurisdiction"].iloc[0]) & (table["n_trees"] > 0)]
    if not len(mine):
        return []
    lines = [
        "",
        "Trees and lots on the shore, by the way each is told by",
        f"  {'trees':>8}  {'lots':>7}  {'frontage ft':>12}",
    ]
    for row in mine.itertuples():
        told = [
            f"{getattr(row, column):,} {words}"
            for column, words in (
                ("n_trees_open", "open"),
                ("n_trees_depends", "depending"),
                ("n_trees_other_plan", "with another plan"),
            )
            if getattr(row, column)
        ]
        text = f"{row.route_name}: {', '.join(told)}" if told else row.route_name
        figures = f"  {row.n_trees:>8,}  {row.n_told:>7,}  {row.told_frontage_length_ft:>12,.1f}  "
        lines += fold_after(figures, text)
    return lines


def _places(view: ScreenView) -> list[str]:
    table = view.sums["summary_by_jurisdiction"].iloc[1:]
    if len(table) < 2:
        return []
    heads = " ".join(f"{head:>{wide}}" for head, _, wide in PLACE_COLUMNS)
    lines = ["", "By jurisdiction", f"  {heads}"]
    for row in table.head(MOST_PLACES).to_dict("records"):
        cells = [
            f"{row[name]:>{wide},.1f}" if name.endswith("_ft") else f"{row[name]:>{wide},}"
            for _, name, wide in PLACE_COLUMNS
        ]
        lines += [*fold(str(row["jurisdiction"])), f"  {' '.join(cells)}"]
        told = standings_words({how: row[name] for name, how in COUNTED.items()})
        if told or row["n_to_check"]:
            look = f"worth a visit: {counted(row['n_to_check'], 'lot')}"
            lines += fold(f"mangroves to cut: {told or 'none'}; {look}", "    ", "    ")
    more = len(table) - MOST_PLACES
    return [*lines, f"  and {more} more: summary_by_jurisdiction.csv"] if more > 0 else lines


def fold_after(figures: str, text: str) -> list[str]:
    """Figures, then words that go on under themselves."""
    return fold(text, figures, " " * len(figures))


def _reasons(view: ScreenView) -> list[str]:
    """Why lots could not be measured, the most frequent first."""
    import pyarrow.compute as pc

    status = view.lots["status"]
    is_out = pc.or_(pc.equal(status, "failed"), pc.equal(status, "unfit"))
    counts = view.lots["reason"].filter(is_out).value_counts().to_pylist()
    if not counts:
        return []
    counts.sort(key=lambda one: (-one["counts"], str(one["values"])))
    lines = ["", "Not measured"]
    for one in counts[:MOST_REASONS]:
        lines += bullet(f"{counted(one['counts'], 'lot')}: {one['values'] or 'no reason told'}")
    more = len(counts) - MOST_REASONS
    return [*lines, f"  - and {more} more reasons: see lots.csv"] if more > 0 else lines


def _notes(notes: Any) -> list[str]:
    lines: list[str] = []
    for level, head in NOTE_HEADS:
        mine = notes[notes["level"] == level]
        if not len(mine):
            continue
        lines += ["", head]
        for row in mine.head(MOST_NOTES).itertuples():
            times = f" ({row.n:,} times)" if row.n > 1 else ""
            lines += bullet(f"{row.about}: {row.text}{times}")
        more = len(mine) - MOST_NOTES
        lines += [f"  - and {more:,} more: notes.csv"] if more > 0 else []
    return lines
