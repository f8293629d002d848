"""Figure of the plans to choose from: the view each opens against the foliage it takes."""

from __future__ import annotations

from typing import Any

import numpy as np

from geotrim.model import Site
from geotrim.report import facts
from geotrim.report.furniture import (
    CAUTION,
    MARGIN_IN,
    Entry,
    axes_in,
    block_heights,
    counted,
    footer_block,
    legend_column,
    new_figure,
    percent,
    title_block,
)
from geotrim.report.palette import BLACK, BLUE, GREY, PAPER, VERMILION, style
from geotrim.report.shapes import halo
from geotrim.report.window_facts import row_of, rows_of

WIDTH_IN, LEFT_IN, PLOT_IN, HEIGHT_IN = 11.0, 0.85, 5.55, 4.1
#: Room under the axes for the foliage, over them for its share, and a legend's line. [in]
UNDER_IN, OVER_IN, ROW_IN, N_COLUMNS = 0.5, 0.48, 0.24, 3
#: Type of the list of plans, and its columns, in inches from its left.
LIST_PT = 6.8
COLUMNS = (("plan", 0.0), ("view", 0.36), ("foliage taken", 0.82), ("trees", 1.92), ("spans", 2.27))
#: Letters of a plan's spans that are written; the rest is in the table.
MOST_LETTERS = 27
#: A bound nearer than this to its view proves it best.
PROVEN = 1e-6


def frontier_figure(results: facts.Results, site: Site, lot_id: str) -> Any:
    """View open against foliage removed, a point for each plan, the chosen one marked.

    Parameters
    ----------
    results : mapping
        Operation name -> Result, ``window`` among them.
    site : Site
    lot_id : str

    Returns
    -------
    matplotlib.figure.Figure or None
        11 in wide. None where the lot has no plan that takes anything.
    """
    rows = rows_of(results, "window", "window_frontier", lot_id)
    lot = row_of(results, "window", "window_lots", lot_id)
    rows = sorted(rows, key=lambda row: (row["foliage_removed_ft3"], row["point"]))
    if lot is None or not has_plans(results, lot_id):
        return None
    title, lines = _title(lot), [CAUTION, _basis(results, lot, rows)]
    with style():
        entries = _entries(lot, rows)
        legend_in = ROW_IN * -(-len(entries) // N_COLUMNS) + 0.1
        top, foot = block_heights(WIDTH_IN, site.name, title, lines)
        bottom = foot + legend_in + UNDER_IN
        figure = new_figure(WIDTH_IN, bottom + HEIGHT_IN + OVER_IN + top)
        title_block(figure, site.name, title)
        footer_block(figure, lines)
        ax = axes_in(figure, LEFT_IN, bottom, PLOT_IN, HEIGHT_IN)
        _frame(ax, lot, rows)
        _plans(ax, rows)
        _beside(ax, lot, is_apart=not any(row["is_chosen"] for row in rows))
        at = LEFT_IN + PLOT_IN + 0.3
        _list(axes_in(figure, at, bottom, WIDTH_IN - MARGIN_IN - at, HEIGHT_IN), rows)
        width = WIDTH_IN - 2 * MARGIN_IN
        legend_column(figure, entries, MARGIN_IN, foot + legend_in, width, legend_in, N_COLUMNS)
    return figure


def has_plans(results: facts.Results, lot_id: str) -> bool:
    """Whether a lot has a plan that takes anything, so that there is something to choose."""
    rows = rows_of(results, "window", "window_frontier", lot_id)
    return any(row["foliage_removed_ft3"] > 0 for row in rows)


def _frame(ax: Any, lot: dict[str, Any], rows: list[dict[str, Any]]) -> None:
    """Axes from nothing taken, the share of the lot's foliage over them, and the view now."""
    taken = [float(row["foliage_removed_ft3"]) for row in (*rows, lot)]
    most = max(value for value in taken if np.isfinite(value))
    now = float(lot["view_before_frac"])
    tops = [row["view_bound_frac"] for row in rows] + [row["view_after_frac"] for row in rows]
    tops += [now, lot["view_centred_frac"], lot["view_after_frac"]]
    high = max((float(top) for top in tops if np.isfinite(top)), default=1.0)
    ax.set_xlim(-0.03 * max(most, 1.0), 1.08 * max(most, 1.0))
    ax.set_ylim(0.0, 100.0 * min(1.12 * max(high, 0.01), 1.02))
    ax.set_xlabel("foliage taken, cu ft")
    ax.set_ylabel("view open, %")
    ax.spines[["top", "right"]].set_visible(False)
    ax.grid(color="#DDDDDD", lw=0.5)
    ax.set_axisbelow(True)
    ax.xaxis.set_major_formatter(lambda value, _: f"{value:,.0f}")
    whole = [r["foliage_removed_ft3"] / r["foliage_removed_frac"] for r in rows
             if r["foliage_removed_frac"] > 0]  # fmt: skip
    if whole:
        scale = 100.0 / float(whole[-1])
        over = ax.secondary_xaxis("top", functions=(lambda x: x * scale, lambda x: x / scale))
        over.set_xlabel("of the lot's mangrove foliage, %", labelpad=4.0)
        over.tick_params(labelsize=7.0)
    if np.isfinite(now):
        ax.axhline(100.0 * now, color=GREY, lw=1.1, ls=(0, (4, 2)), zorder=1.5, gid="view-now")


def _plans(ax: Any, rows: list[dict[str, Any]]) -> None:
    """A point for each plan with its number, and how much more a better plan could open."""
    x = [float(row["foliage_removed_ft3"]) for row in rows]
    y = [100.0 * float(row["view_after_frac"]) for row in rows]
    ax.plot(x, y, color=BLACK, lw=0.9, zorder=2)
    for row, across, up in zip(rows, x, y, strict=True):
        name = f"plan-{row['point']}"
        if _is_open(row):
            bound = 100.0 * float(row["view_bound_frac"])
            ax.plot([across, across], [up, bound], color=GREY, lw=1.2, zorder=2.5)
            ax.plot(
                across, bound, ls="", marker="_", ms=9, mew=1.4, color=GREY, zorder=2.5,
                gid=f"bound-{row['point']}",
            )  # fmt: skip
        if row["is_knee"]:
            ax.plot(
                across, up, ls="", marker="s", ms=12, mfc="none", mec=BLUE, mew=1.5, zorder=3,
                gid="knee",
            )  # fmt: skip
        look = {"marker": "D", "ms": 8.5, "mfc": VERMILION} if row["is_chosen"] else {
            "marker": "o", "ms": 5.5, "mfc": PAPER}  # fmt: skip
        ax.plot(across, up, ls="", mec=BLACK, mew=1.0, zorder=4, gid=name, **look)
    for k in _numbered(ax, x, y):
        ax.annotate(
            f"{rows[k]['point']}", (x[k], y[k]), xytext=(0, -7.5), textcoords="offset points",
            fontsize=7.0, ha="center", va="top", zorder=6, path_effects=halo(1.8),
            gid=f"plan-label-{rows[k]['point']}",
        )  # fmt: skip


def _numbered(ax: Any, x: list[float], y: list[float]) -> list[int]:
    """Points whose number has room, the dearest first."""
    wide = 0.14 / PLOT_IN * np.ptp(ax.get_xlim())
    high = 0.12 / HEIGHT_IN * np.ptp(ax.get_ylim())
    taken: list[int] = []
    for k in reversed(range(len(x))):
        if all(abs(x[k] - x[j]) > wide or abs(y[k] - y[j]) > high for j in taken):
            taken.append(k)
    return taken


def _beside(ax: Any, lot: dict[str, Any], *, is_apart: bool) -> None:
    """The best single span in the middle, at no more foliage; the lot's plan if it is no point."""
    across, up = float(lot["foliage_removed_ft3"]), 100.0 * float(lot["view_centred_frac"])
    if is_apart and _has_plan(lot):
        ax.plot(
            across, 100.0 * float(lot["view_after_frac"]), ls="", marker="D", ms=8.5,
            mfc=VERMILION, mec=BLACK, mew=1.0, zorder=4, gid="plan-of-the-lot",
        )  # fmt: skip
    if np.isfinite(across) and np.isfinite(up):
        ax.plot(
            across, up, ls="", marker="^", ms=11.0, mfc="none", mec=BLACK, mew=1.3, zorder=4.5,
            gid="centred",
        )  # fmt: skip


def _list(ax: Any, rows: list[dict[str, Any]]) -> None:
    """The plans as a list, with the spans of each."""
    ax.set_axis_off()
    wide = ax.get_window_extent().width / ax.figure.dpi
    ax.set_xlim(0.0, wide)
    step = min(0.165, (HEIGHT_IN - 0.05) / (len(rows) + 1.3))
    ax.set_ylim(-HEIGHT_IN, 0.0)
    size = LIST_PT * min(1.0, step / 0.135)
    for words, at in COLUMNS:
        ax.text(at, 0.0, words, fontsize=size, weight="bold", va="top", gid=f"head-{words}")
    for k, row in enumerate(rows, start=1):
        weight = "bold" if row["is_chosen"] else "normal"
        for (_, at), words in zip(COLUMNS, _cells(row), strict=True):
            ax.text(
                at, -(k + 0.15) * step, words, fontsize=size, va="top", weight=weight,
                gid=f"list-{row['point']}",
            )  # fmt: skip


def _cells(row: dict[str, Any]) -> tuple[str, str, str, str, str]:
    """A plan's number, view, cost, trees and spans, as short as they go."""
    spans = str(row["spans"]) or "nothing is cut"
    if len(spans) > MOST_LETTERS:
        kept = spans[:MOST_LETTERS].rpartition(",")[0]
        spans = f"{kept}, and more" if kept else f"{spans[:MOST_LETTERS]}..."
    share = percent(row["foliage_removed_frac"]) if row["foliage_removed_frac"] >= 0 else ""
    cost = f"{row['foliage_removed_ft3']:,.0f} cu ft" + (f", {share}" if share else "")
    view = percent(row["view_after_frac"])
    return f"{row['point']}", view, cost, f"{row['n_cut_trees']}", spans


def _has_plan(lot: dict[str, Any]) -> bool:
    return bool(lot["n_spans"] > 0 and np.isfinite(lot["view_after_frac"]))


def _is_open(row: dict[str, Any]) -> bool:
    """Whether a better plan than this one of its cost is not ruled out."""
    return bool(row["view_bound_frac"] > row["view_after_frac"] + PROVEN)


def _entries(lot: dict[str, Any], rows: list[dict[str, Any]]) -> list[Entry]:
    from matplotlib.lines import Line2D

    def mark(**look: Any) -> Any:
        return Line2D([], [], **{"ls": "", "mec": BLACK, **look})

    entries: list[Entry] = []
    if not all(row["is_chosen"] for row in rows):
        entries.append((mark(marker="o", ms=5.5, mfc=PAPER), "plan, with its number"))
    if _has_plan(lot) and not any(row["is_chosen"] for row in rows):
        words = "your own window" if lot["status"] == "own window" else "plan of the lot"
        entries.append((mark(marker="D", ms=8.0, mfc=VERMILION), words))
    elif any(row["is_chosen"] for row in rows):
        entries.append((mark(marker="D", ms=8.0, mfc=VERMILION), "plan chosen"))
    if any(row["is_knee"] for row in rows):
        look = {"marker": "s", "ms": 10.0, "mfc": "none", "mec": BLUE, "mew": 1.5}
        entries.append((mark(**look), "knee: past it more foliage opens less"))
    if np.isfinite(lot["view_centred_frac"]):
        whose = "your own window" if lot["status"] == "own window" else "the chosen plan"
        words = f"best single span in the middle, for the foliage of {whose}"
        entries.append((mark(marker="^", ms=10.0, mfc="none", mew=1.3), words))
    if any(_is_open(row) for row in rows):
        bar = Line2D([], [], color=GREY, lw=1.2, marker="_", ms=9, mew=1.4)
        entries.append((bar, "not proven best: no plan of that foliage opens more than the bar"))
    if np.isfinite(lot["view_before_frac"]):
        entries.append((Line2D([], [], color=GREY, lw=1.1, ls=(0, (4, 2))), "view as it stands"))
    return entries


def _title(lot: dict[str, Any]) -> str:
    words = f"Lot {lot['lot_id']}: plans to choose from"
    if np.isfinite(lot["view_before_frac"]):
        words += f" \N{MIDDLE DOT} view now {percent(lot['view_before_frac'])}"
    if _has_plan(lot):
        of = "your own window" if lot["status"] == "own window" else "the plan"
        words += f", after {of} {percent(lot['view_after_frac'])}"
    return words


def _basis(results: facts.Results, lot: dict[str, Any], rows: list[dict[str, Any]]) -> str:
    """What view and foliage are, and what is proven."""
    if lot["view_of"] == "eyes":
        n = int(lot["n_eyes"])
        words = f"View: mean of {counted(n, 'eye')}" if n > 1 else "View: from one eye"
        words += ", azimuth by angle between the water's near edge and the horizon."
    else:
        words = "View: height within the band by length of frontage, looked at square to the shore."
    model = facts.parameter(results, "slices", "canopy_model", None)
    words += f" Foliage: volume under the canopy model {model}." if model else ""
    n_open = sum(map(_is_open, rows))
    words += (
        " Each plan is proven to be the best of its cost."
        if not n_open
        else f" {counted(n_open, 'plan')} of {len(rows)} could not be proven to be the best."
    )
    way = str(lot["way_words"])
    words += f" {_limits_words(lot, rows, way)}" if way else ""
    return words + " Spans are stations, in ft."


def _limits_words(lot: dict[str, Any], rows: list[dict[str, Any]], way: str) -> str:
    """Whose limits the plans keep; a window of the user's own may break some."""
    if lot["status"] != "own window":
        return f"Every plan keeps the limits of: {way}."
    is_point = any(row["is_chosen"] for row in rows)
    which = "Every plan but your own window" if is_point else "Every plan with a number"
    return f"{which} keeps the limits of: {way}; your own window is judged against them."
