"""Figure of a cut that was looked at: planned and found heights of each tree, and errors."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from geotrim.model import Result
from geotrim.ops.after_state import AS_PLANNED, LEFT, OTHER, UNREAD
from geotrim.report.furniture import (
    MARGIN_IN,
    axes_in,
    block_heights,
    footer_block,
    legend_column,
    new_figure,
    title_block,
)
from geotrim.report.palette import BLACK, BLUE, GREY, PAPER, VERMILION, style
from geotrim.report.verification_table import every
from geotrim.report.verification_text import state_words

WIDTH_IN, PANEL_IN, LEGEND_IN = 11.0, 2.7, 0.85
LEFT_IN = 0.62
#: Most trees in one row of the figure, and most rows.
ACROSS, MOST_ROWS = 30, 12
#: Names stand upright where more trees than this are drawn.
UPRIGHT = 10
#: Standard errors drawn each way: they hold 95 % of a normal distribution.
REACH = 1.96
BAND_FILL = "#EDEDED"
#: Letters over a tree that is not as planned, told in the legend.
LETTERS = {
    "cut though to be left": "X", "cut before its year": "E", "cut more than planned": "M",
    "cut less than planned": "L", "not done": "N", "cannot be told": "?", "not read": "\u2014",
    "no mangrove": "o",
}  # fmt: skip
CAUTION = (
    "What was found rests on the readings given. Bars are 95 % intervals of the height found: 1.96 "
    "standard errors each way; heights are above the substrate. Not a survey, and no word on what "
    "the law allows."
)


def verification_figure(
    results: Mapping[str, Result], year: int, site: str, band_ft: tuple[float, float]
) -> Any:
    """Every tree that was planned, read or cut, by lot and station.

    Parameters
    ----------
    results : mapping
        Lot -> Result of :func:`geotrim.ops.after_cut.after_cut`.
    year : int
    site : str
        Its name.
    band_ft : (low, high)
        The window band. [ft]

    Returns
    -------
    matplotlib Figure
    """
    trees = drawn(every(results, "after_trees"))
    rows = [trees[k : k + ACROSS] for k in range(0, len(trees), ACROSS)][:MOST_ROWS]
    title = f"After the cut of year {year}: planned and found heights"
    told = "; ".join(
        f"lot {lot}: {state_words(one['after_trees'])}" for lot, one in results.items()
    )
    left_out = len(trees) - sum(map(len, rows))
    lines = [CAUTION] + ([f"{left_out} more trees are in the table alone."] if left_out else [])
    with style():
        head, foot = block_heights(WIDTH_IN, title, f"{site}. {told}", lines)
        n, gap = max(len(rows), 1), _gap(trees)
        height = head + n * (PANEL_IN + gap) + LEGEND_IN + foot
        figure = new_figure(WIDTH_IN, height)
        title_block(figure, title, f"{site}. {told}")
        footer_block(figure, lines)
        limits = _limits(results)
        for k, own in enumerate(rows):
            bottom = height - head - (k + 1) * (PANEL_IN + gap) + gap - 0.15
            wide = (WIDTH_IN - LEFT_IN - MARGIN_IN) * _share(own, rows)
            ax = axes_in(figure, LEFT_IN, bottom, wide, PANEL_IN)
            _panel(ax, own, band_ft, limits, _top(trees), is_upright=len(trees) > UPRIGHT)
        entries = _legend(trees, limits, band_ft)
        legend_column(
            figure, entries, LEFT_IN, foot + LEGEND_IN - 0.1, WIDTH_IN - 1.1, LEGEND_IN, 4
        )
    return figure


def drawn(trees: Any) -> Any:
    """Trees that were planned, found or cut."""
    is_shown = (trees["treatment"] != "leave") | ~trees["state"].isin((UNREAD, LEFT, OTHER))
    is_shown |= trees["found_by"].eq("stick")
    return trees[is_shown].reset_index(drop=True)


def _share(own: Any, rows: list[Any]) -> float:
    """Width of a row: trees stand equally far apart in all of them."""
    most = max(len(row) for row in rows)
    return max(len(own) / most, 0.25)


def _gap(trees: Any) -> float:
    """Room under a row for the names of its trees, upright where there are many. [in]."""
    longest = max((len(short(name)) for name in trees["crown_id"]), default=0)
    return 0.45 + 0.065 * longest if len(trees) > UPRIGHT else 0.6


def short(name: object, most: int = 14) -> str:
    """A name that fits under its tree: both ends of a long one.

    Examples
    --------
    >>> short("SB-07"), short("FRINGE-2027-A-010-north")
    ('SB-07', 'FRINGE…0-north')
    """
    text = str(name)
    return text if len(text) <= most else f"{text[:6]}…{text[-(most - 7) :]}"


def _top(trees: Any) -> float:
    known = trees[["before_ft", "found_ft", "planned_height_ft"]].to_numpy(float)
    known = known[np.isfinite(known)]
    return float(known.max() * 1.12 + 0.8) if known.size else 12.0


def _limits(results: Mapping[str, Result]) -> list[float]:
    """Floors that trees were held against. [ft]."""
    found = every(results, "after_findings")
    mine = found[found["measure"].astype(str).str.startswith("height after")]
    floors = mine["value"] - mine["margin"]
    return sorted({round(float(one), 4) for one in floors if np.isfinite(one)}) or [6.0]


def _panel(
    ax: Any,
    trees: Any,
    band_ft: tuple[float, float],
    floors: list[float],
    top: float,
    *,
    is_upright: bool,
) -> None:
    from matplotlib.patches import Rectangle

    at = np.arange(len(trees), dtype=float)
    ax.axhspan(*band_ft, facecolor=BAND_FILL, zorder=0)
    for floor in floors:
        ax.axhline(floor, color=BLACK, lw=1.1, ls=(0, (6, 2)), zorder=1)
    for x, tree in zip(at, trees.to_dict("records"), strict=True):
        before = tree["before_ft"]
        ax.plot([x - 0.22, x - 0.22], [0, np.nan_to_num(before)], color="#BDBDBD", lw=0.8, zorder=1)
        ax.plot(x - 0.22, before, marker="s", mfc=PAPER, mec=GREY, ms=4.2, zorder=3)
        if tree["treatment"] == "lower-top":
            low = tree["planned_height_ft"]
            ax.plot([x - 0.42, x + 0.42], [low, low], color=BLUE, lw=1.8, zorder=4)
        if tree["treatment"] == "clear-band":
            low, high = tree["planned_from_ft"], tree["planned_to_ft"]
            box = Rectangle(
                (x - 0.36, low), 0.28, high - low, fill=False, ec=BLUE, lw=1.0, hatch="////"
            )
            ax.add_patch(box)
        if np.isfinite(tree["cleared_to_ft"]):
            low, high = tree["cleared_from_ft"], tree["cleared_to_ft"]
            ax.add_patch(
                Rectangle((x + 0.05, low), 0.28, high - low, fc="#8A8A8A", ec=BLACK, lw=0.7)
            )
        _found(ax, x + 0.19, tree, top)
    _ticks(ax, trees, at, top, is_upright=is_upright)


def _found(ax: Any, x: float, tree: Mapping[str, Any], top: float) -> None:
    found, error = tree["found_ft"], float(np.nan_to_num(tree["found_error_ft"]))
    is_odd = tree["state"] in LETTERS
    if np.isfinite(found):
        is_stick = tree["found_by"] == "stick"
        colour = VERMILION if is_odd and tree["state"] not in (UNREAD, OTHER) else BLACK
        look = {"fmt": "o" if is_stick else "D", "ms": 4.2, "mfc": colour if is_stick else PAPER}
        ax.errorbar(
            x, found, yerr=REACH * error, color=colour, mec=colour, lw=1.0, capsize=2.0,
            zorder=5, **look,
        )  # fmt: skip
    if is_odd:
        high = np.nanmax([np.nan_to_num(tree["before_ft"]), np.nan_to_num(found)])
        ax.text(
            x - 0.1, min(high + REACH * error, top) + 0.035 * top, LETTERS[tree["state"]],
            ha="center", va="bottom", fontsize=9.5, weight="bold", color=VERMILION, zorder=6,
        )  # fmt: skip


def _ticks(ax: Any, trees: Any, at: Any, top: float, *, is_upright: bool) -> None:
    ax.set_xlim(-0.7, len(trees) - 0.3)
    ax.set_ylim(0, top * 1.08)
    ax.set_xticks(at, [short(name) for name in trees["crown_id"]])
    ax.tick_params(axis="x", labelsize=7, length=2, rotation=90 if is_upright else 0)
    ax.tick_params(axis="y", labelsize=7, length=3)
    ax.set_ylabel("height, ft", fontsize=8)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)


def _legend(trees: Any, floors: list[float], band_ft: tuple[float, float]) -> list[tuple[Any, str]]:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    def mark(shape: str, face: str, edge: str) -> Any:
        return Line2D([], [], ls="", marker=shape, mfc=face, mec=edge, ms=5)

    floor = ", ".join(f"{one:g}" for one in floors)
    entries: list[tuple[Any, str]] = [
        (mark("s", PAPER, GREY), "height before this year's cut"),
        (Line2D([], [], color=BLUE, lw=1.8), "planned top"),
        (Patch(fill=False, ec=BLUE, hatch="////"), "planned band"),
        (mark("o", BLACK, BLACK), "found by stick"),
        (mark("D", PAPER, BLACK), "found in the raster"),
        (Patch(fc="#8A8A8A", ec=BLACK, lw=0.7), "band found cleared"),
        (Line2D([], [], color=BLACK, lw=1.1, ls=(0, (6, 2))), f"least height, {floor} ft"),
        (Patch(fc=BAND_FILL), f"window band, {band_ft[0]:g} to {band_ft[1]:g} ft"),
    ]
    used = [state for state in LETTERS if (trees["state"] == state).any()]
    blank = Line2D([], [], ls="")
    entries += [(blank, f"{LETTERS[state]}  {state}") for state in used if state != AS_PLANNED]
    return entries
