"""Figure of leaf-area profiles: share of the leaves by height, one small panel a crown."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from geotrim.io.aside import new_file
from geotrim.report.furniture import (
    MARGIN_IN,
    axes_in,
    block_heights,
    footer_block,
    legend_column,
    new_figure,
    title_block,
)
from geotrim.report.palette import BLACK, GREEN, GREY, PAPER, style
from geotrim.report.save import DPI

#: Most crowns drawn, and panels beside one another.
MOST, ACROSS = 12, 4
WIDTH_IN, PANEL_IN = 11.0, 2.15
#: Room over a panel for its title, and under the last row for axis labels and the legend.
GAP_IN, LEGEND_IN = 0.72, 0.78
BAND_FILL, CAPPED_FILL = "#E9E2C8", "#FFFFFF"
CAUTION = (
    "Leaf-area weights after MacArthur and Horn (1969), from lidar returns: for comparing heights "
    "within one tree, not an amount of leaves. The error beside a share is of sampling by pulses "
    "alone; clumped leaves and ground that is set too high add to it."
)


def draw_profiles(path: Path, layers: Any, summary: Any, band_ft: tuple[float, float]) -> None:
    """Draw up to 12 crowns and write the figure as PNG.

    Parameters
    ----------
    path : Path
    layers, summary : DataFrame
        As :func:`geotrim.prepare.profile_tables.layer_table` and ``summary_table`` make them.
    band_ft : (low, high)
        The window band. [ft]
    """
    with style():
        figure = profiles_figure(layers, summary, band_ft)
        with new_file(path) as aside:
            figure.savefig(aside, format="png", dpi=DPI, metadata={"Software": "geotrim"})


def chosen(summary: Any, most: int = MOST) -> list[str]:
    """Crowns to draw, from the lowest to the tallest: all, or evenly chosen by height.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"crown_id": list("abcde"), "top_ft": [5, 1, 4, 2, 3.0], "reason": ""})
    >>> chosen(table, 3)
    ['b', 'e', 'a']
    """
    done = summary[summary["reason"] == ""].sort_values("top_ft", kind="stable")
    at = np.arange(len(done))
    if len(done) > most:
        at = np.round(np.linspace(0, len(done) - 1, most)).astype(int)
    return [str(one) for one in done["crown_id"].iloc[at]]


def profiles_figure(layers: Any, summary: Any, band_ft: tuple[float, float]) -> Any:
    """The figure: panels with one height axis, the band shaded, the share in it told."""
    crowns = chosen(summary)
    n_done = int((summary["reason"] == "").sum())
    across = min(ACROSS, len(crowns))
    n_rows = -(-len(crowns) // across)
    title = "Leaf-area profiles of the crowns"
    subtitle = (
        f"{len(crowns)} of {n_done} profiles, from the lowest to the tallest crown; "
        "each row has a height axis of its own, each panel one of shares"
    )
    head, tail = block_heights(WIDTH_IN, title, subtitle, [CAUTION])
    height = head + n_rows * (PANEL_IN + GAP_IN) + LEGEND_IN + tail
    figure = new_figure(WIDTH_IN, height)
    title_block(figure, title, subtitle)
    footer_block(figure, [CAUTION])
    top = height - head
    rows = {str(name): own for name, own in layers.groupby("crown_id")}
    by_id = summary.set_index(summary["crown_id"].astype(str))
    room = WIDTH_IN - 2 * MARGIN_IN - 0.45
    wide = min(room / across - 0.3, 3.2)
    for k, name in enumerate(crowns):
        row, column = divmod(k, across)
        left = MARGIN_IN + 0.5 + column * (wide + 0.3)
        bottom = top - (row + 1) * (PANEL_IN + GAP_IN) + 0.2
        beside = crowns[row * across : (row + 1) * across]
        tallest = max(band_ft[1], *(float(rows[one]["high_ft"].max()) for one in beside)) * 1.03
        ax = axes_in(figure, left, bottom, wide, PANEL_IN)
        _panel(ax, rows[name], by_id.loc[name], band_ft, tallest)
        ax.tick_params(labelleft=column == 0, labelsize=7)
        if column == 0:
            ax.set_ylabel("height, ft", fontsize=8)
        if k + across >= len(crowns):
            ax.set_xlabel("share of its leaves in 1 ft", fontsize=8)
    _legend(figure, band_ft, tail + LEGEND_IN - 0.32)
    return figure


def _per_ft(rows: Any) -> Any:
    """Share of the leaves in one foot of height, so that layers of any depth compare."""
    return (rows["weight_frac"] / (rows["high_ft"] - rows["low_ft"])).to_numpy(dtype=float)


def _panel(ax: Any, rows: Any, crown: Any, band_ft: tuple[float, float], tallest: float) -> None:
    """One crown: bars of its layers on the shaded band."""
    from matplotlib.ticker import MaxNLocator

    low, high = band_ft
    ax.axhspan(low, high, color=BAND_FILL, zorder=0, lw=0)
    for edge in band_ft:
        ax.axhline(edge, color=BLACK, lw=0.7, ls=(0, (4, 2)), zorder=3)
    capped = rows["is_capped"].to_numpy(dtype=bool)
    depth = (rows["high_ft"] - rows["low_ft"]).to_numpy(dtype=float)
    bars = ax.barh(
        rows["low_ft"], _per_ft(rows), height=depth, align="edge", color=GREEN, lw=0.4,
        edgecolor=PAPER, zorder=2,
    )  # fmt: skip
    for bar, is_capped in zip(bars, capped, strict=True):
        if is_capped:
            bar.set(facecolor=CAPPED_FILL, edgecolor=GREEN, hatch="////", lw=0.8)
    unseen = float(crown["unseen_below_ft"])
    if unseen > 0:
        ax.axhspan(0, unseen, facecolor="none", edgecolor=GREY, hatch="xx", lw=0, zorder=1)
    ax.set_xlim(0, 1.06 * float(_per_ft(rows).max()))
    ax.xaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))
    ax.set_ylim(0, tallest)
    ax.grid(axis="x", color="#D0D0D0", lw=0.4, zorder=0)
    ax.set_axisbelow(True)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    name = str(crown["crown_id"])
    name = name if len(name) <= 18 else name[:15] + "..."
    ax.set_title(
        f"{name}\n{crown['n_pulses']:,.0f} pulses; {band_words(crown, band_ft)}",
        fontsize=7.5, loc="left", pad=3,
    )  # fmt: skip


def band_words(crown: Mapping[str, Any], band_ft: tuple[float, float]) -> str:
    """The share of the leaves in the band as the panel tells it, or why there is none.

    Parameters
    ----------
    crown : mapping
        A row of the summary table.
    band_ft : (low, high)
        The window band. [ft]

    Examples
    --------
    >>> row = {"share_band_frac": 0.0, "share_band_error_frac": float("nan")}
    >>> band_words(row | {"top_ft": 31.0, "unseen_below_ft": 28.0}, (6.0, 10.0))
    'no pulse in the band'
    >>> band_words(row | {"top_ft": 5.0, "unseen_below_ft": 0.0}, (6.0, 10.0))
    'band not reached'
    >>> band_words(row | {"top_ft": 31.0, "unseen_below_ft": 8.0}, (6.0, 10.0))
    'band seen in part'
    >>> band_words(row | {"top_ft": 7.7, "unseen_below_ft": 0.0}, (6.0, 10.0))
    'leaves in one layer'
    """
    share, error = crown["share_band_frac"], crown["share_band_error_frac"]
    if crown["top_ft"] <= band_ft[0]:
        return "band not reached"
    if np.isfinite(share) and np.isfinite(error):
        return f"band {100 * share:.1f} \N{PLUS-MINUS SIGN} {100 * error:.1f} %"
    if crown["unseen_below_ft"] <= band_ft[0]:
        return "leaves in one layer"
    return "no pulse in the band" if crown["unseen_below_ft"] >= band_ft[1] else "band seen in part"


def _legend(figure: Any, band_ft: tuple[float, float], top: float) -> None:
    from matplotlib.patches import Patch

    low, high = band_ft
    entries = [
        (Patch(facecolor=GREEN), "leaves seen in a layer"),
        (
            Patch(facecolor=CAPPED_FILL, edgecolor=GREEN, hatch="////"),
            "lowest layer, nothing came through: rests on half a pulse",
        ),
        (Patch(facecolor="none", edgecolor=GREY, hatch="xx", lw=0), "no pulse came here"),
        (
            Patch(facecolor=BAND_FILL, edgecolor=BLACK, ls=(0, (4, 2)), lw=0.7),
            f"window band, {low:g}-{high:g} ft",
        ),
    ]
    legend_column(figure, entries, MARGIN_IN, top, WIDTH_IN - 2 * MARGIN_IN, 0.3, n_columns=4)
