"""Figure of a calibration: raster against stick, and what lies between the two."""

from __future__ import annotations

from typing import Any

import numpy as np

from geotrim.model import Site
from geotrim.report import facts
from geotrim.report.calibration_text import accuracy_words, done_words, short_words
from geotrim.report.furniture import (
    CAUTION,
    MARGIN_IN,
    axes_in,
    block_heights,
    footer_block,
    new_figure,
    title_block,
)
from geotrim.report.palette import BLACK, BLUE, GREY, PAPER, VERMILION, style

WIDTH_IN, SIDE_IN, GAP_IN = 11.0, 4.35, 0.95
LEFT_IN, AXIS_IN, LEGEND_IN = 0.95, 0.5, 0.3
#: Most outliers written out by name; the others are in the table.
MOST_NAMED = 8
#: Room a name takes, as a share of the spread of the points across and up.
NAME_FRAC = (0.24, 0.025)


def calibration_figure(site: Site, results: facts.Results) -> Any:
    """Raster against stick with the line of equal heights, and the differences over the height.

    Parameters
    ----------
    site : Site
    results : mapping
        Operation name -> Result, ``calibrate`` among them.

    Returns
    -------
    matplotlib.figure.Figure or None
        None where no reading could be compared.
    """
    rows = facts.table(results, "calibrate", "stick_readings")
    table = facts.table(results, "calibrate", "calibration")
    if rows is None or table is None or not np.isfinite(rows["difference_ft"]).any():
        return None
    row = table.iloc[0]
    rows = rows[np.isfinite(rows["difference_ft"])]
    title = f"Stick readings against the height raster: {short_words(row)}"
    lines = [accuracy_words(row), done_words(row), CAUTION]
    with style():
        top, foot = block_heights(WIDTH_IN, site.name, title, lines)
        figure = new_figure(WIDTH_IN, foot + AXIS_IN + SIDE_IN + LEGEND_IN + top)
        title_block(figure, site.name, title)
        footer_block(figure, lines)
        bottom = foot + AXIS_IN
        left = axes_in(figure, LEFT_IN, bottom, SIDE_IN, SIDE_IN)
        at = LEFT_IN + SIDE_IN + GAP_IN
        right = axes_in(figure, at, bottom, WIDTH_IN - MARGIN_IN - at, SIDE_IN)
        _draw_heights(left, rows)
        _draw_differences(right, rows, row)
    return figure


def _draw_heights(ax: Any, rows: Any) -> None:
    """One scale on both sides, so that the line of equal heights runs at 45 degrees."""
    stick, raster = rows["height_ft"].to_numpy(), rows["raster_height_ft"].to_numpy()
    high = 1.06 * max(float(stick.max()), float(raster.max()))
    low = min(float(raster.min()), 0.0) - 0.03 * high
    ax.plot([low, high], [low, high], color=BLACK, lw=1.0, zorder=1, label="equal heights")
    _points(ax, rows, raster)
    ax.set(xlim=(low, high), ylim=(low, high), aspect="equal")
    ax.set_xlabel("height by stick, ft above the substrate")
    ax.set_ylabel("height by raster, ft above the substrate")
    _finish(ax)


def _draw_differences(ax: Any, rows: Any, row: Any) -> None:
    """Zero, the bias with its interval, and each reading; above zero the raster reads high."""
    differences = rows["difference_ft"].to_numpy()
    low, high = float(row["bias_low_ft"]), float(row["bias_high_ft"])
    ax.axhline(0.0, color=BLACK, lw=1.0, zorder=1)
    bias = float(row["bias_ft"])
    if np.isfinite(bias):
        ax.axhline(bias, color=VERMILION, lw=1.4, ls=(0, (6, 2)), zorder=2, label="bias")
    if np.isfinite(low) and np.isfinite(high):
        told = "bias, 95 % interval"
        ax.axhspan(low, high, facecolor="#F3D9C6", edgecolor="none", zorder=0, label=told)
    _points(ax, rows, differences)
    reach = 1.15 * max(float(np.abs(differences).max()), 0.5)
    ax.set(ylim=(-reach, reach))
    ax.margins(x=0.06)
    ax.set_xlabel("height by stick, ft above the substrate")
    ax.set_ylabel("raster less stick, ft")
    for y, va, text in ((0.985, "top", "raster reads high"), (0.015, "bottom", "raster reads low")):
        ax.text(0.985, y, text, transform=ax.transAxes, ha="right", va=va, color=GREY)
    _finish(ax)


def _points(ax: Any, rows: Any, y: Any) -> None:
    """Readings as dots, outliers as open diamonds with their name."""
    x, out = rows["height_ft"].to_numpy(), rows["is_outlier"].to_numpy(dtype=bool)
    size = 26.0 if len(rows) <= 60 else 13.0
    look = {"zorder": 3, "linewidths": 0.6}
    ax.scatter(
        x[~out], y[~out], s=size, c=BLUE, edgecolors=PAPER, alpha=0.85, label="reading", **look
    )
    if not out.any():
        return
    look["linewidths"] = 1.4
    ax.scatter(
        x[out],
        y[out],
        s=2 * size,
        facecolors=PAPER,
        edgecolors=VERMILION,
        marker="D",
        label="outlier" if rows["is_compared"].all() else "outlier, left out",
        **look,
    )
    worst = rows["modified_z"].abs().to_numpy().argsort(kind="stable")[::-1]
    is_right = x > (float(x.min()) + float(x.max())) / 2.0
    for k in _with_room(x, y, is_right, worst[out[worst]])[:MOST_NAMED]:
        row = rows.iloc[k]
        known = isinstance(row["crown_id"], str)
        name = row["crown_id"] if known else f"reading {row['reading_id']}"
        ax.annotate(
            name if len(name) <= 18 else name[:15] + "...",
            (x[k], y[k]),
            xytext=(-7 if is_right[k] else 7, 0),
            textcoords="offset points",
            ha="right" if is_right[k] else "left",
            va="center",
            fontsize=7.0,
            zorder=4,
        )


def _with_room(x: Any, y: Any, is_right: Any, order: Any) -> list[int]:
    """Those of some points beside which a name fits: over no point and no other name."""
    wide, high = (f * max(float(np.ptp(at)), 0.1) for f, at in zip(NAME_FRAC, (x, y), strict=True))
    named: list[int] = []
    for k in order:
        beside = (x[k] - x if is_right[k] else x - x[k]) / wide
        is_under = (beside > 0.02) & (beside < 1.0) & (np.abs(y - y[k]) < high)
        is_clear = all(abs(x[k] - x[j]) > wide or abs(y[k] - y[j]) > high for j in named)
        if is_clear and not is_under.any():
            named.append(int(k))
    return named


def _finish(ax: Any) -> None:
    """Grid, spines, and the legend above, where it covers nothing."""
    ax.grid(color="#DDDDDD", lw=0.5, zorder=0)
    ax.set_axisbelow(True)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    ax.legend(
        loc="lower left",
        bbox_to_anchor=(-0.01, 1.0),
        ncol=4,
        frameon=False,
        borderaxespad=0.2,
        columnspacing=1.4,
        handletextpad=0.5,
    )
