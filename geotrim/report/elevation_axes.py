"""The frame of the shoreline elevation: how it fits the page, stations, height lines, the band."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from geotrim.report.furniture import figures
from geotrim.report.palette import BLACK, GREY, ORANGE, PAPER, VERMILION
from geotrim.report.shapes import halo

#: Widest the drawing may get, and the heights it is kept between. [in]
WIDEST_IN, LOWEST_IN, HIGHEST_IN = 9.0, 1.9, 3.8
LEAST_SPAN_FT = 30.0
#: Strip of substrate shown under the trees, as a share of the highest height drawn.
GROUND_FRAC = 0.05
GAP_FRAC, LEAST_GAP_FT = 0.06, 16.0
LABEL_PT = 6.5


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """A stretch and where it lies on the drawing: x = station + ``shift_ft``."""

    stretch_id: str
    line: Any
    from_ft: float
    to_ft: float
    shift_ft: float


@dataclass(frozen=True, slots=True)
class Scale:
    """How the drawing fits the page; ``factor`` is the vertical exaggeration."""

    x0_ft: float
    x1_ft: float
    top_ft: float
    width_in: float
    height_in: float
    factor: int

    @property
    def along_ft(self) -> float:
        """Feet along the shore in an inch of paper."""
        return (self.x1_ft - self.x0_ft) / self.width_in

    @property
    def up_ft(self) -> float:
        """Feet of height in an inch of paper."""
        return (1.0 + GROUND_FRAC) * self.top_ft / self.height_in

    def words(self) -> str:
        if self.factor == 1:
            return f"Scale: 1 in = {figures(self.along_ft)} ft along the shore and upward."
        return (
            f"Vertical exaggeration x{self.factor}: 1 in = {figures(self.along_ft)} ft along the "
            f"shore, {figures(self.up_ft)} ft upward."
        )


def placed_stretches(rows: Any) -> list[Placed]:
    """Stretches of one lot side by side, with a gap between them."""
    if rows is None:
        return []
    total = float(rows["frontage_length_ft"].sum())
    gap = max(GAP_FRAC * total, LEAST_GAP_FT)
    return [
        Placed(
            str(row.stretch_id),
            row.geometry,
            float(row.station_from_ft),
            float(row.station_to_ft),
            k * gap,
        )
        for k, row in enumerate(rows.itertuples())
    ]


def fit(x0_ft: float, x1_ft: float, top_ft: float) -> Scale:
    """Equal scales when they fit; else the least whole exaggeration that makes it readable.

    Examples
    --------
    >>> fit(0.0, 130.0, 30.0).factor, fit(0.0, 920.0, 30.0).factor
    (1, 7)
    """
    short = LEAST_SPAN_FT - (x1_ft - x0_ft)
    if short > 0:
        x0_ft, x1_ft = x0_ft - short / 2, x1_ft + short / 2
    tall = (1.0 + GROUND_FRAC) * top_ft
    per_inch = max((x1_ft - x0_ft) / WIDEST_IN, tall / HIGHEST_IN)
    width = (x1_ft - x0_ft) / per_inch
    factor = max(1, math.ceil(LOWEST_IN * per_inch / tall - 1e-9))
    return Scale(x0_ft, x1_ft, top_ft, width, factor * tall / per_inch, factor)


def draw_frame(
    ax: Any,
    scale: Scale,
    limits_ft: Iterable[float],
    band: tuple[float, float],
    *,
    is_veiled: bool = True,
) -> None:
    """Axes, substrate, height lines and the window band, as a veil over the trees too if asked."""
    from matplotlib.ticker import MultipleLocator

    ax.set_xlim(scale.x0_ft, scale.x1_ft)
    ax.set_ylim(-GROUND_FRAC * scale.top_ft, scale.top_ft)
    ax.set_ylabel("height above substrate, ft", fontsize=7.5)
    ax.yaxis.set_major_locator(MultipleLocator(5 if scale.top_ft < 60 else 10))
    ax.tick_params(labelsize=6.8, length=3, width=0.6)
    ax.spines[["top", "right"]].set_visible(False)
    under = -GROUND_FRAC * scale.top_ft
    ax.axhspan(under, 0.0, facecolor="#D8D2C4", edgecolor="none", zorder=7.0)
    ax.axhline(0.0, color=BLACK, lw=1.2, zorder=7.1, gid="substrate")
    low, high = band
    ax.axhspan(low, high, facecolor=ORANGE, alpha=0.18, edgecolor="none", zorder=0.5, gid="band")
    if is_veiled:
        ax.axhspan(low, high, facecolor=ORANGE, alpha=0.16, edgecolor="none", zorder=8.0)
    for edge in band:
        ax.axhline(edge, color=VERMILION, lw=1.3, zorder=8.2)
    right: dict[str, Any] = {"xy": (1.0, 0.0), "xycoords": ("axes fraction", "data")}
    right |= {"textcoords": "offset points", "va": "center", "annotation_clip": False}
    if (high - low) / scale.up_ft > 1.25 * LABEL_PT / 72.0:
        ax.annotate(
            "window band",
            **{**right, "xy": (1.0, (low + high) / 2)},
            xytext=(26, 0),
            fontsize=LABEL_PT,
            color=VERMILION,
            weight="bold",
            gid="band-label",
        )
    for limit in sorted({*limits_ft, *band}):
        if limit < scale.top_ft:
            if limit not in band:
                ax.axhline(limit, color=GREY, lw=0.9, ls=(0, (4, 2)), zorder=8.1)
            ax.annotate(
                f"{limit:g} ft",
                **{**right, "xy": (1.0, limit)},
                xytext=(3, 0),
                fontsize=LABEL_PT,
                gid=f"limit-{limit:g}",
            )


def draw_stations(ax: Any, stretches: list[Placed], scale: Scale, *, is_named: bool = True) -> None:
    """Station figures of every stretch, its ends, and its name when there are several."""
    ticks, labels = [], []
    step = next(
        (s for s in (5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0) if s / scale.along_ft > 0.42),
        1000.0,
    )
    last_end = -math.inf
    for k, one in enumerate(stretches):
        every = np.arange(math.ceil(one.from_ft / step) * step, one.to_ft + 1e-9, step)
        clear = 0.75 * step
        inner = [float(s) for s in every if one.from_ft + clear < s < one.to_ft - clear]
        for station in (one.from_ft, *inner, one.to_ft):
            ticks.append(station + one.shift_ft)
            labels.append(f"{round(station)}")
        left, right = one.from_ft + one.shift_ft, one.to_ft + one.shift_ft
        for x in (left, right):
            ax.axvline(x, color=BLACK, lw=0.8, ls=(0, (6, 2, 1, 2)), zorder=0.8)
        if k:  # no stations between two stretches
            ax.axvspan(last_end, left, facecolor="#EFEFEF", edgecolor="none", zorder=0.4)
            ax.annotate(
                "break", ((last_end + left) / 2, 0.985), xycoords=("data", "axes fraction"),
                ha="center", va="top", fontsize=5.5, color=GREY, zorder=0.9,
            )  # fmt: skip
        last_end = right
        if len(stretches) > 1 and is_named:
            _name(ax, one, (left + right) / 2, (right - left) / scale.along_ft)
    ax.set_xticks(ticks, labels)
    ax.set_xlabel("station along the frontage, ft, from its left end looking to the water")
    ax.xaxis.label.set_size(7.5)


def _name(ax: Any, one: Placed, x: float, width_in: float) -> None:
    options = (f"stretch {one.stretch_id}, {one.to_ft - one.from_ft:.1f} ft", one.stretch_id)
    text = next((t for t in options if 0.062 * len(t) < width_in), None)
    if text is not None:
        ax.annotate(
            text, (x, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 3), fontsize=7,
            textcoords="offset points", ha="center", va="bottom", weight="bold",
            gid=f"stretch-{one.stretch_id}",
        )  # fmt: skip


def say(ax: Any, text: str) -> None:
    """Words in the middle of an empty drawing."""
    ax.text(
        0.5, 0.62, text, transform=ax.transAxes, ha="center", va="center", fontsize=10,
        color="#404040", zorder=9, path_effects=halo(), gid="empty",
        bbox={"facecolor": PAPER, "edgecolor": GREY, "boxstyle": "round,pad=0.5", "lw": 0.6},
    )  # fmt: skip


def stretch_of(stretches: list[Placed], stretch_id: Any) -> Placed | None:
    """The stretch of that id, if it is among them."""
    return next((s for s in stretches if s.stretch_id == stretch_id), None)
