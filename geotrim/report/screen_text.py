"""A screening summed up in words, for a terminal and for ``summary.txt``."""

from __future__ import annotations

from typing import Any

from geotrim.model import MHW_ORIGINS
from geotrim.ops.catalogue import CAUTIONS
from geotrim.report.fold import WIDTH, bullet, fold
from geotrim.report.furniture import counted
from geotrim.report.screen_stands import OPEN_WORDS, STANDS
from geotrim.report.screen_view import ScreenView

#: Jurisdictions told one by one; reasons and notes that are listed.
MOST_PLACES, MOST_REASONS, MOST_NOTES = 30, 12, 12
NOTE_HEADS = (
    ("missing", "Not known or not measured"),
    ("assumed", "Assumed"),
    ("repaired", "Mended in the input"),
)
#: Figures of a jurisdiction: heading, column of the summary.
PLACE_COLUMNS = (
    ("lots", "n_lots"),
    ("on shore", "n_on_shore"),
    ("frontage ft", "frontage_length_ft"),
    ("open", "n_open"),
    ("depends", "n_depends"),
    ("other", "n_other_plan"),
    ("closed", "n_closed"),
    ("unfit", "n_unfit"),
)


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
    lines = ["", "How the lots stand"]
    for key, n in view.by_stand().items():
        share = 100.0 * n / view.n_lots
        lines += fold(STANDS[key].words, f"{n:>9,}  {share:5.1f} %  ", " " * 20)
    return [*lines, *fold(OPEN_WORDS)]


def _ways(view: ScreenView) -> list[str]:
    """The ways that lots are told by, for all jurisdictions."""
    table = view.sums["summary_by_route"]
    mine = table[(table["jurisdiction"] == table["jurisdiction"].iloc[0]) & (table["n_told"] > 0)]
    if not len(mine):
        return []
    lines = [
        "",
        "Lots on the shore, by the way each is told by",
        f"  {'lots':>8}  {'frontage ft':>12}",
    ]
    for row in mine.itertuples():
        name = {"none": "no way", "left-alone": "nothing is cut"}.get(row.route, row.route_name)
        told = [
            f"{getattr(row, column):,} {words}"
            for column, words in (
                ("n_told_open", "open"),
                ("n_told_depends", "depending"),
                ("n_told_other_plan", "with another plan"),
            )
            if getattr(row, column)
        ]
        text = f"{name}: {', '.join(told)}" if told else name
        lines += fold(
            text, f"  {row.n_told:>8,}  {row.told_frontage_length_ft:>12,.1f}  ", " " * 26
        )
    return lines


def _places(view: ScreenView) -> list[str]:
    table = view.sums["summary_by_jurisdiction"].iloc[1:]
    if len(table) < 2:
        return []
    widths = [max(len(head), 7) for head, _ in PLACE_COLUMNS]
    widths[2] = 12
    heads = " ".join(f"{h:>{w}}" for (h, _), w in zip(PLACE_COLUMNS, widths, strict=True))
    lines = ["", "By jurisdiction", f"  {heads}"]
    for row in table.head(MOST_PLACES).to_dict("records"):
        cells = []
        for (_, name), wide in zip(PLACE_COLUMNS, widths, strict=True):
            value = row[name]
            cells.append(f"{value:>{wide},.1f}" if name.endswith("_ft") else f"{value:>{wide},}")
        lines += [*fold(str(row["jurisdiction"])), f"  {' '.join(cells)}"]
    more = len(table) - MOST_PLACES
    return [*lines, f"  and {more} more: summary_by_jurisdiction.csv"] if more > 0 else lines


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
