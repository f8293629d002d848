"""A tree's height over the years: what was read, cut and planned, and the least height."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from geotrim.core.staging import years_later
from geotrim.io.ledger_entry import TreeEntry
from geotrim.report.furniture import (
    MARGIN_IN,
    axes_in,
    footer_block,
    legend_column,
    new_figure,
    title_block,
)
from geotrim.report.history_lines import Line
from geotrim.report.history_text import done_words
from geotrim.report.history_warnings import FLOOR_RULE
from geotrim.report.palette import BLACK, BLUE, GREY, PAPER, VERMILION
from geotrim.rules.rule_set import rule_set

WIDTH_IN, HEIGHT_IN = 10.0, 6.2
LEGEND_IN = 2.4
FOOT = (
    "As entered in the site's ledger; heights above the substrate. Planned cuts are drawn on their "
    "earliest day. The authority may read anew."
)


@dataclass(frozen=True, slots=True)
class Point:
    """One thing told of the tree, on a day.

    is_dated : whether the day of a planned cut was told, not only reckoned.
    """

    day: date
    tree: TreeEntry
    is_dated: bool = True


def tree_figure(site: str, crown_id: str, lines: Sequence[Line]) -> Any:
    """Draw one tree's life.

    Parameters
    ----------
    site : str
    crown_id : str
    lines : sequence of Line
        Of that tree, corrected entries left out.

    Returns
    -------
    matplotlib.figure.Figure
    """
    read = _of_kinds(lines, "reading", "verification")
    read = [point for point in read if math.isfinite(point.tree.height_ft)]
    cuts = [p for p in _of_kinds(lines, "cut") if p.tree.is_done is not False]
    planned = planned_points(lines)
    species = next((p.tree.species for p in (*cuts, *planned) if p.tree.species), "")
    lot = next((line.entry.lot_id for line in lines if line.entry.lot_id), "")
    figure = new_figure(WIDTH_IN, HEIGHT_IN)
    parts = [site, f"lot {lot}" if lot else "", species]
    top = title_block(figure, f"Tree {crown_id}: its height over the years", _joined(parts))
    left_out = _joined(_left_out(lines), "; ")
    foot = footer_block(figure, [left_out, FOOT] if left_out else [FOOT])
    ax = axes_in(
        figure,
        MARGIN_IN + 0.45,
        foot + 0.45,
        WIDTH_IN - 2 * MARGIN_IN - LEGEND_IN - 0.65,
        HEIGHT_IN - top - foot - 0.55,
    )
    start_ft = _top_before(lines, crown_id)
    handles = [_draw_floor(ax), *_draw_cuts(ax, cuts, start_ft), *_draw_planned(ax, planned)]
    handles = [*_draw_read(ax, read), *_draw_start(ax, lines, start_ft), *handles]
    first = [line.day for line in lines if line.entry.kind == "plan"][:1]
    _frame(ax, [*read, *cuts, *planned], start_ft, first)
    left = WIDTH_IN - MARGIN_IN - LEGEND_IN
    legend_column(figure, handles, left, HEIGHT_IN - top - 0.1, LEGEND_IN, HEIGHT_IN - top - foot)
    return figure


def planned_points(lines: Sequence[Line]) -> list[Point]:
    """Cuts of the plan that was entered last, each on its earliest day.

    Where the plan tells no day, it is a year after the last cut or planned cut, but not before the
    day of the plan.
    """
    plans = [line for line in lines if line.entry.kind == "plan"]
    if not plans:
        return []
    number = max(line.kept.number for line in plans)
    mine = [line for line in plans if line.kept.number == number]
    done = {
        line.tree.year: line.day
        for line in lines
        if line.tree is not None and line.entry.kind in ("cut", "verification")
        if line.tree.is_done is not False and line.entry.plan_sha256 == mine[0].entry.plan_sha256
    }
    out: list[Point] = []
    last = max(done.values(), default=None)
    for line in sorted(mine, key=lambda one: one.tree.year if one.tree else 0):
        tree = line.tree
        if tree is None:
            continue
        reckoned = line.day if last is None else max(line.day, years_later(last, 1))
        day = date.fromisoformat(tree.date) if tree.date else done.get(tree.year, reckoned)
        out.append(Point(day, tree, bool(tree.date)))
        last = day if last is None else max(last, day)
    return out


def _of_kinds(lines: Sequence[Line], *kinds: str) -> list[Point]:
    return [
        Point(line.day, line.tree)
        for line in lines
        if line.tree is not None and line.entry.kind in kinds
    ]


def _left_out(lines: Sequence[Line]) -> list[str]:
    """What the entries tell that the figure does not show."""
    out = []
    for line in lines:
        if line.tree is None or line.entry.kind == "plan":
            continue
        words = done_words(line.entry.kind, line.tree)
        if words and line.entry.kind != "verification" and line.tree.words:
            words += f" ({line.tree.words})"
        is_unread = line.entry.kind != "cut" and not math.isfinite(line.tree.height_ft)
        told = [words, "height not read" if is_unread else ""]
        if any(told):
            out.append(f"{_joined(told)} on {line.day}")
    return out


def _top_before(lines: Sequence[Line], crown_id: str) -> float:
    """The top before the first cut of the first plan. [ft]; NaN where it is not told."""
    for line in lines:
        tops = line.entry.details.get("top_height_ft") if line.entry.kind == "plan" else None
        if isinstance(tops, dict) and isinstance(tops.get(crown_id), (int, float)):
            return float(tops[crown_id])
    return math.nan


def _draw_floor(ax: Any) -> tuple[Any, str]:
    rule = rule_set().rules[FLOOR_RULE]
    line = ax.axhline(rule.limit.number, color=BLACK, lw=1.6, ls=(0, (6, 2)), gid="floor")
    return line, f"least height after trimming, {rule.limit.number:g} ft ({rule.section})"


def _draw_start(ax: Any, lines: Sequence[Line], top_ft: float) -> list[tuple[Any, str]]:
    """The top as measured before the plan."""
    plans = [line for line in lines if line.entry.kind == "plan"]
    if not plans or math.isnan(top_ft):
        return []
    errors = plans[0].entry.details.get("top_error_ft")
    tree = plans[0].tree
    error = errors.get(tree.crown_id) if isinstance(errors, dict) and tree is not None else None
    shown = float(error) if isinstance(error, (int, float)) and math.isfinite(error) else 0.0
    bar = ax.errorbar(
        [plans[0].day], [top_ft], yerr=[shown], fmt="D", color=BLACK, mfc=PAPER, ms=6, capsize=4
    )
    return [(bar, "top when the plan was made, with its standard error")]


def _draw_read(ax: Any, points: Sequence[Point]) -> list[tuple[Any, str]]:
    """Readings, joined by a line; an error that nobody told is not drawn."""
    if not points:
        return []
    days = [point.day for point in points]
    heights = [point.tree.height_ft for point in points]
    errors = [point.tree.height_error_ft for point in points]
    shown = [error if error >= 0 else 0.0 for error in errors]
    bar = ax.errorbar(
        days, heights, yerr=shown, fmt="o-", color=BLUE, mfc=BLUE, ms=4.5, lw=1.2, capsize=4,
        gid="readings", zorder=7,
    )  # fmt: skip
    told = "height read, with its standard error"
    return [(bar, told if all(error >= 0 for error in errors) else f"{told} where it was told")]


def _draw_cuts(ax: Any, points: Sequence[Point], start_ft: float) -> list[tuple[Any, str]]:
    """Heights cleared on the day of the cut; of a lowered top down from where it stood before."""
    handles: dict[str, tuple[Any, str]] = {}
    stood = start_ft
    for point in sorted(points, key=lambda one: one.day):
        low, high = point.tree.cut_low_ft, point.tree.cut_high_ft
        if not math.isfinite(low):
            line = ax.axvline(point.day, color=VERMILION, lw=1.4, ls=(0, (1, 1.5)))
            handles["unknown"] = (line, "cut made, heights not told")
            continue
        is_top = not math.isfinite(high)
        upper = high if not is_top else stood if math.isfinite(stood) else low + 1.0
        bar = ax.bar(
            [point.day], [max(upper - low, 0.0)], bottom=low, width=timedelta(days=1),
            facecolor=PAPER, edgecolor=VERMILION, hatch="xxxx", lw=1.2, zorder=3,
        )  # fmt: skip
        handles["cut"] = (bar[0], "cleared by a cut, as entered")
        stood = low if is_top else stood
    return list(handles.values())


def _draw_planned(ax: Any, points: Sequence[Point]) -> list[tuple[Any, str]]:
    """What each planned cut leaves: a mark at the height to cut to, or the ends of a band."""
    handles: dict[str, tuple[Any, str]] = {}
    tops = [p for p in points if math.isinf(p.tree.cut_high_ft)]
    if len(tops) > 1:  # how the top is to come down
        ax.plot(
            [p.day for p in tops], [p.tree.cut_low_ft for p in tops], color=BLACK, lw=0.9,
            ls=(0, (1, 2)), drawstyle="steps-post", zorder=2,
        )  # fmt: skip
    for point in points:
        low, high = point.tree.cut_low_ft, point.tree.cut_high_ft
        heights = [value for value in (low, high) if math.isfinite(value)]
        mark = "s" if point.is_dated else "v"
        (line,) = ax.plot(
            [point.day] * len(heights), heights, mark, color=BLACK, mfc="none", ms=9, lw=1.0,
            ls=(0, (2, 2)), zorder=5,
        )  # fmt: skip
        words = "planned height to cut to, or band; the year beside it"
        handles[mark] = (
            line, words if point.is_dated else f"{words}; the plan tells no day: earliest by a year"
        )  # fmt: skip
        if point.tree.year and heights:
            ax.annotate(
                f"year {point.tree.year}", (point.day, heights[0]), xytext=(9, -4),
                textcoords="offset points", fontsize=7, va="top",
            )  # fmt: skip
    return list(handles.values())


def _frame(ax: Any, points: Sequence[Point], start_ft: float, first: Sequence[date]) -> None:
    """Axes that show every day and height, and the ground."""
    from matplotlib import dates

    auto_locator: Any = dates.AutoDateLocator
    formatter: Any = dates.DateFormatter
    days = [*first, *(point.day for point in points)] or [date.today()]
    span = max((max(days) - min(days)).days, 60)
    pad = timedelta(days=max(span // 12, 10))
    ax.set_xlim(min(days) - pad, max(days) + pad)
    for bar in ax.patches:  # as wide as a mark, whatever the years shown
        wide = (span + 2 * pad.days) / 70.0
        bar.set_x(bar.get_x() + bar.get_width() / 2 - wide / 2)
        bar.set_width(wide)
    heights = [
        value
        for point in points
        for value in (point.tree.height_ft, point.tree.cut_low_ft, point.tree.cut_high_ft)
        if math.isfinite(value)
    ]
    heights += [start_ft] if math.isfinite(start_ft) else []
    ax.set_ylim(0.0, 1.12 * max(heights, default=10.0))
    ax.xaxis.set_major_locator(auto_locator(minticks=3, maxticks=8))
    ax.xaxis.set_major_formatter(formatter("%Y-%m-%d"))
    ax.tick_params(axis="x", rotation=20)
    ax.set_ylabel("height above the substrate, ft")
    ax.grid(axis="y", color=GREY, lw=0.3, alpha=0.6)
    ax.spines[["top", "right"]].set_visible(False)


def _joined(parts: Sequence[str], by: str = ", ") -> str:
    return by.join(part for part in parts if part)
