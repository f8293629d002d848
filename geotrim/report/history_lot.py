"""A lot's life: trees planned and cut in each year of its plans, and what share came off each."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

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
from geotrim.report.history_text import names
from geotrim.report.history_warnings import YEARLY_RULE
from geotrim.report.palette import BLACK, BLUE, GREY, PAPER, VERMILION
from geotrim.rules.rule_set import rule_set

WIDTH_IN, HEIGHT_IN = 10.0, 6.8
LEGEND_IN = 2.4
FOOT = (
    "As entered in the site's ledger. Shares are of the foliage that stood just before the cut; "
    "planned ones are reckoned, verified ones rest on readings. The authority may read anew."
)
#: Years under which the day of the cut has room.
MOST_LABELS = 10
Handle = tuple[Any, str]


@dataclass(slots=True)
class PlanYear:
    """What is told of one year of one plan, or of cuts by no plan.

    planned, verified : crown id -> share of the foliage, NaN where it is not told.
    errors : of the verified ones.
    days : on which was cut.
    """

    plan_sha256: str
    year: int
    plan_day: str = ""
    planned: dict[str, float] = field(default_factory=dict)
    cut: set[str] = field(default_factory=set)
    missed: set[str] = field(default_factory=set)
    verified: dict[str, float] = field(default_factory=dict)
    errors: dict[str, float] = field(default_factory=dict)
    days: list[str] = field(default_factory=list)


def lot_figure(site: str, lot_id: str, lines: Sequence[Line]) -> Any:
    """Draw one lot's life.

    Parameters
    ----------
    site, lot_id : str
    lines : sequence of Line
        Of that lot, corrected entries left out.

    Returns
    -------
    matplotlib.figure.Figure
    """
    years = plan_years(lines)
    figure = new_figure(WIDTH_IN, HEIGHT_IN)
    top = title_block(figure, f"Lot {lot_id}: planned and cut, year by year", site)
    foot = footer_block(figure, [*filter(None, [unverified_words(years)]), FOOT])
    wide, left = WIDTH_IN - 2 * MARGIN_IN - LEGEND_IN - 0.75, MARGIN_IN + 0.5
    high = (HEIGHT_IN - top - foot - 1.05) / 2
    upper = axes_in(figure, left, foot + 0.8 + high + 0.2, wide, high)
    lower = axes_in(figure, left, foot + 0.8, wide, high)
    at = np.arange(len(years), dtype=float)
    handles = [*_draw_counts(upper, at, years), *_draw_shares(lower, at, years)]
    lower.tick_params(axis="x", labelsize=7 if len(years) <= 5 else 6.5)
    for ax in (upper, lower):
        ax.set_xlim(-0.6, max(len(years), 2) - 0.4)
        ax.set_xticks(at, [] if ax is upper else [_label(year, len(years)) for year in years])
        ax.grid(axis="y", color=GREY, lw=0.3, alpha=0.6)
        ax.set_axisbelow(True)
        ax.spines[["top", "right"]].set_visible(False)
    if not years:
        upper.text(
            0.5, 0.5, "no plan and no cut is entered", transform=upper.transAxes, ha="center"
        )
    legend_column(
        figure, handles, WIDTH_IN - MARGIN_IN - LEGEND_IN, HEIGHT_IN - top - 0.1, LEGEND_IN,
        HEIGHT_IN - top - foot,
    )  # fmt: skip
    return figure


def plan_years(lines: Sequence[Line]) -> list[PlanYear]:
    """What is told of each year of each plan, in the order of plans and years."""
    found: dict[tuple[str, int], PlanYear] = {}
    for line in lines:
        tree, kind = line.tree, line.entry.kind
        if tree is None or kind not in ("plan", "cut", "verification", "reading"):
            continue
        key = (line.entry.plan_sha256, tree.year)
        if kind == "reading":  # what was said of a cut counts, where nothing else told it
            _say(found.get(key, PlanYear(*key)), tree)
            continue
        one = found.setdefault(key, PlanYear(*key))
        crown = tree.crown_id
        if kind == "plan":
            one.planned[crown] = tree.removed_frac
            one.plan_day = line.entry.day.isoformat()
            continue
        if tree.is_done is False:
            one.missed.add(crown)
        elif kind == "cut" or tree.is_done:
            one.cut.add(crown)
            one.missed.discard(crown)
            if kind == "cut" and line.day.isoformat() not in one.days:
                one.days.append(line.day.isoformat())
        if kind == "verification":
            one.verified[crown] = tree.removed_frac
            one.errors[crown] = tree.removed_error_frac
    days = {key[0]: one.plan_day for key, one in found.items() if one.plan_day}
    return sorted(
        found.values(),
        key=lambda one: (days.get(one.plan_sha256, min(one.days, default="")), one.year),
    )


def _say(year: PlanYear, tree: TreeEntry) -> None:
    """Take in what a reading says of a cut; one of no known year of a plan leaves no trace."""
    if tree.is_done:
        year.cut.add(tree.crown_id)
        year.missed.discard(tree.crown_id)
    elif tree.is_done is False and tree.crown_id not in year.cut:
        year.missed.add(tree.crown_id)


def _label(year: PlanYear, n_years: int) -> str:
    """What stands under a year: which, and when it was cut; the day alone where there are many."""
    head = f"year {year.year}" if year.year else "all at once" if year.planned else "no plan"
    days = year.days[:2] + ["..."] * (len(year.days) > 2)
    if n_years > MOST_LABELS:
        return f"{year.year or head}"
    if n_years > 5:
        return "\n".join([head, *(["cut", *days] if days else [])])
    rows = [head, f"plan of {year.plan_day}"] if year.plan_day and year.year <= 1 else [head]
    cut = [f"cut {day}" for day in days]
    return "\n".join([*rows, *(cut or ["not cut yet"] * (not year.cut))])


def unverified_words(years: Sequence[PlanYear]) -> str:
    """Planned trees of which a verification tells no share, "" where there is none."""
    out = []
    for one in years:
        known = {crown for crown, _ in _finite(one.verified)}
        lost = [crown for crown in one.planned if crown not in known]
        if one.verified and lost:
            of = f"year {one.year}" if one.year else "the plan"
            out.append(f"{names(lost)} of {of}")
    return f"Planned and verified, but no share could be told: {'; '.join(out)}." if out else ""


def _draw_counts(ax: Any, at: Any, years: Sequence[PlanYear]) -> list[Handle]:
    """Trees planned, cut and not done, side by side."""
    kinds = (
        ("trees planned", [len(one.planned) for one in years], PAPER, "////", BLACK),
        ("trees cut, as entered", [len(one.cut) for one in years], BLUE, "", BLACK),
        ("trees not done", [len(one.missed) for one in years], PAPER, "....", VERMILION),
    )
    out = []
    for k, (words, counts, face, hatch, edge) in enumerate(kinds):
        bars = ax.bar(
            at + 0.26 * (k - 1), counts, width=0.24, facecolor=face, hatch=hatch, edgecolor=edge,
            lw=1.0,
        )  # fmt: skip
        ax.bar_label(bars, [str(n) if n else "" for n in counts], fontsize=7, padding=1)
        if any(counts):
            out.append((bars, words))
    ax.set_ylabel("trees")
    ax.set_ylim(0, 1.18 * max([1, *(n for kind in kinds for n in kind[1])]))
    ax.yaxis.get_major_locator().set_params(integer=True)
    return [(bars[0], words) for bars, words in out]


def _draw_shares(ax: Any, at: Any, years: Sequence[PlanYear]) -> list[Handle]:
    """Share of each tree's foliage: open marks as planned, full ones as verified."""
    rule = rule_set().rules[YEARLY_RULE]
    line = ax.axhline(100 * rule.limit.number, color=BLACK, lw=1.6, ls=(0, (6, 2)))
    words = f"{100 * rule.limit.number:g} % a year, where it binds ({rule.section})"
    handles: dict[str, Handle] = {"limit": (line, words)}
    for x, one in zip(at, years, strict=True):
        planned = _finite(one.planned)
        if planned:
            (marks,) = ax.plot(
                x - 0.2 + _spread(len(planned)), [100 * share for _, share in planned], "s",
                color=BLACK, mfc=PAPER, ms=4.5, mew=0.9, ls="", clip_on=False, zorder=4,
            )  # fmt: skip
            handles["planned"] = (marks, "share of a tree's foliage, as planned")
        verified = _finite(one.verified)
        if verified:
            errors = [one.errors.get(crown, math.nan) for crown, _ in verified]
            bars = ax.errorbar(
                x + 0.2 + _spread(len(verified)), [100 * share for _, share in verified],
                yerr=[100 * error if error >= 0 else 0.0 for error in errors], fmt="o", color=BLUE,
                ms=4.5, lw=0.9, capsize=2,
            )  # fmt: skip
            handles["verified"] = (bars, "as verified, with its standard error")
    ax.set_ylabel("of the foliage, %")
    shares = [s for one in years for kind in (one.planned, one.verified) for _, s in _finite(kind)]
    ax.set_ylim(0, max(100 * rule.limit.number, *(100 * s for s in shares), 0) * 1.18)
    return list(handles.values())


def _finite(shares: dict[str, float]) -> list[tuple[str, float]]:
    return [(crown, share) for crown, share in shares.items() if math.isfinite(share)]


def _spread(n: int) -> Any:
    """Places side by side, so that marks of one height do not hide each other."""
    return np.linspace(-0.16, 0.16, n) if n > 1 else np.zeros(1)
