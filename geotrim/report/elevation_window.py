"""The second panel of the shoreline elevation: what is cut, year by year, and what stays."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely

from geotrim.report.crown_marks import KINDS
from geotrim.report.elevation_axes import Placed, Scale, stretch_of
from geotrim.report.furniture import Entry
from geotrim.report.palette import BLACK, PAPER, VERMILION
from geotrim.report.shapes import draw_area, draw_line, halo, parts_of
from geotrim.report.silhouettes import Seen, outline
from geotrim.report.stage_marks import (
    BEHIND,
    CUT_DASH,
    KEPT,
    LEFT,
    cut_entries,
    kept_entries,
    year_style,
)
from geotrim.report.window_facts import Cut, Plan, span_name, stations

#: Paper under a panel for its stations, and over one for its name. [in]
UNDER_IN, NAME_IN = 0.42, 0.26
#: Places of brackets and names over a panel. [pt]
BRACKET_PT, FOOT_PT, LEVEL_PT = 8.0, 3.0, 8.5
SPAN_PT = 6.5
STEM = "#5A4632"


def cut_parts(
    one: Seen, cuts: list[Cut], is_to_the_ground: bool
) -> tuple[Any, list[tuple[Cut, Any]]]:
    """What stays of a crown's side view, and what each cut takes.

    Parameters
    ----------
    one : Seen
        With a side view.
    cuts : list of Cut
    is_to_the_ground : bool

    Returns
    -------
    kept : Polygon or MultiPolygon
    parts : list of (Cut, shape)
    """
    points, _ = outline(one, is_to_the_ground)
    whole = shapely.make_valid(shapely.Polygon(points))
    x0, y0, x1, y1 = shapely.bounds(whole)
    kept, parts = whole, []
    for cut in cuts:
        if cut.low_ft >= y1 or cut.high_ft <= y0:
            continue
        strip = shapely.box(x0 - 1.0, cut.low_ft, x1 + 1.0, min(cut.high_ft, y1 + 1.0))
        parts.append((cut, _areas(shapely.intersection(kept, strip))))
        kept = _areas(shapely.difference(kept, strip))
    return kept, [(cut, part) for cut, part in parts if part.area > 0]


def _areas(shape: Any) -> Any:
    """The areas of a shape, without the lines where two touch."""
    return shapely.union_all(parts_of(shape, 2))


def draw_after(
    ax: Any, seen: list[Seen], plan: Plan, *, is_to_the_ground: bool, is_dense: bool
) -> None:
    """Draw what stays as solid, near trees in front, and over it what is cut, as far as in sight.

    Parameters
    ----------
    ax : matplotlib axes
    seen : list of Seen
        The farthest from the land first.
    plan : Plan
    is_to_the_ground, is_dense : bool
        As for the panel above.
    """
    before, cut_before = shapely.Polygon(), shapely.Polygon()
    for place in range(len(seen) - 1, -1, -1):  # the nearest first: it hides the others
        one = seen[place]
        if one.side is None:
            continue
        mine = plan.cuts.get(str(one.row["crown_id"]), [])
        kept, parts = cut_parts(one, mine, is_to_the_ground)
        _draw_kept(ax, one, kept, 2.0 + place * 1e-3, is_cut=bool(parts), is_dense=is_dense)
        hidden = shapely.union(before, cut_before)
        for cut, part in parts:
            _draw_cut(ax, cut, shapely.difference(part, hidden), is_dense)
        taken = shapely.union_all([part for _, part in parts])
        if parts and not is_dense:
            _draw_hidden(ax, one, shapely.intersection(taken, hidden))
        cut_before = shapely.union(cut_before, taken)
        before = shapely.union(before, kept)
        _stem(ax, one, kept, 2.0 + place * 1e-3)


def _draw_kept(ax: Any, one: Seen, kept: Any, z: float, *, is_cut: bool, is_dense: bool) -> None:
    """What stays of one crown, with the edge of its kind."""
    crown_id = one.row["crown_id"]
    width, dashes, _ = (0.15, "-", "") if is_dense else KINDS[one.row["kind"]]
    draw_area(
        ax, kept, facecolor=KEPT if is_cut else LEFT, edgecolor="none", lw=0.0, zorder=z,
        gid=f"kept-{crown_id}",
    )  # fmt: skip
    if not is_dense:
        draw_area(ax, kept, fill=False, edgecolor=PAPER, lw=width + 0.8, zorder=z + 2e-4)
    draw_area(ax, kept, fill=False, edgecolor=BLACK, lw=width, ls=dashes, zorder=z + 4e-4)


def _draw_cut(ax: Any, cut: Cut, seen: Any, is_dense: bool) -> None:
    """One cut as far as it is in sight: its year's tint and hatch, and its dashed outline."""
    look = year_style(cut.year)
    draw_area(ax, seen, facecolor=look.tint, alpha=0.55, lw=0.0, zorder=5.0)
    draw_area(
        ax, seen, facecolor="none", edgecolor=look.colour, hatch=look.hatch, lw=0.0, zorder=5.1,
        gid=f"cut-{cut.crown_id}-{cut.year}",
    )  # fmt: skip
    if not is_dense:
        draw_area(ax, seen, fill=False, edgecolor=BLACK, lw=0.6, ls=CUT_DASH, zorder=5.2)


def _draw_hidden(ax: Any, one: Seen, behind: Any) -> None:
    """Outline of what is cut behind nearer trees, fainter."""
    draw_area(
        ax, behind, fill=False, edgecolor=BEHIND, lw=0.5, ls=CUT_DASH, zorder=4.9,
        gid=f"cut-behind-{one.row['crown_id']}",
    )  # fmt: skip


def _stem(ax: Any, one: Seen, kept: Any, z: float) -> None:
    """A stem up to foliage that stays with nothing under it, so that it hangs on something."""
    if kept.is_empty:
        return
    high = shapely.bounds(kept)[3]
    line = shapely.LineString([(one.x_ft, 0.0), (one.x_ft, high)])
    over = shapely.bounds(shapely.intersection(line, kept))[3]
    if np.isfinite(over):
        stem = shapely.LineString([(one.x_ft, 0.0), (one.x_ft, over)])
        bare = shapely.difference(stem, shapely.buffer(kept, 1e-6))
        draw_line(ax, bare, color=STEM, lw=1.6, solid_capstyle="butt", zorder=z - 1e-4)


def draw_spans(ax: Any, plan: Plan, stretches: list[Placed], scale: Scale) -> None:
    """A bracket with the stations over each span of the window."""
    y = [1.0 + at / 72.0 / scale.height_in for at in (FOOT_PT, BRACKET_PT)]
    for x0, x1, middle, level, words, name in span_labels(plan, stretches, scale):
        ax.plot(
            [x0, x0, x1, x1], [y[0], y[1], y[1], y[0]], color=VERMILION, lw=1.6, clip_on=False,
            transform=ax.get_xaxis_transform(), zorder=9, solid_joinstyle="miter",
            gid=f"span-{name}",
        )  # fmt: skip
        ax.annotate(
            words, (middle, 1.0), xycoords=("data", "axes fraction"), fontsize=SPAN_PT,
            xytext=(0, BRACKET_PT + 1.5 + LEVEL_PT * level), textcoords="offset points",
            ha="center", va="bottom", weight="bold", color=VERMILION, path_effects=halo(1.6),
            annotation_clip=False, gid=f"span-label-{name}",
        )  # fmt: skip


def span_labels(
    plan: Plan, stretches: list[Placed], scale: Scale
) -> list[tuple[float, float, float, int, str, str]]:
    """Both ends of each span, the middle of its words and their level, the words, its name.

    Words that would run into each other stand on different levels, 0 the lowest.
    """
    out, ends = [], list[float]()  # where the words of each level end
    for x0, x1, words, name in sorted(_placed(plan, stretches)):
        half = (len(words) + 1) * SPAN_PT * 0.33 / 72.0 * scale.along_ft
        middle = min(max((x0 + x1) / 2, scale.x0_ft + half), scale.x1_ft - half)
        level = next((k for k, end in enumerate(ends) if middle - half > end), len(ends))
        ends[level : level + 1] = [middle + half]
        out.append((x0, x1, middle, level, words, name))
    return out


def draw_sides(ax: Any, plan: Plan, stretches: list[Placed]) -> None:
    """The two sides of each span, from the substrate up."""
    for x0, x1, _, _ in _placed(plan, stretches):
        for x in (x0, x1):
            ax.axvline(x, color=VERMILION, lw=0.9, ls=(0, (1.0, 1.2)), zorder=8.4)


def _placed(plan: Plan, stretches: list[Placed]) -> Iterator[tuple[float, float, str, str]]:
    """Both ends of each span on the drawing, its words and its name."""
    for row in plan.spans:
        one = stretch_of(stretches, row["stretch_id"])
        if one is not None:
            name = span_name(row["span_id"])
            ends = (row["station_from_ft"] + one.shift_ft, row["station_to_ft"] + one.shift_ft)
            yield float(ends[0]), float(ends[1]), f"{name}: {stations(row)} ft", name


def room_over_in(plan: Plan, stretches: list[Placed], scale: Scale) -> float:
    """Paper that brackets and their words take over the second panel. [in]."""
    labels = span_labels(plan, stretches, scale)
    levels = 1 + max((level for *_, level, _, _ in labels), default=-1)
    return (BRACKET_PT + 1.5 + LEVEL_PT * levels) / 72.0 if levels else 0.0


def panel_name(ax: Any, words: str, lift_pt: float) -> None:
    """What a panel shows, over its left end."""
    ax.annotate(
        words, (0.0, 1.0), xycoords="axes fraction", xytext=(0, lift_pt), fontsize=8,
        textcoords="offset points", ha="left", va="bottom", weight="bold", annotation_clip=False,
        gid=f"panel-{words}",
    )  # fmt: skip


def after_words(plan: Plan) -> str:
    """What the second panel shows."""
    if not plan.is_window:
        instead = " (there is no window here)" if plan.why_no_window else ""
        return f"After the staged cuts to the planned heights{instead}"
    return "After the window"


def after_basis(plan: Plan) -> str:
    """What the second panel rests on."""
    words = "What is cut is drawn over the whole crown; it is cut within the zone only. "
    words += "Where nothing stays behind it, the view opens at that place."
    if plan.is_window:
        return words
    words = words.partition(". ")[0] + "."
    if plan.why_no_window:
        words += " What is drawn are the planned heights, not a window; why there is none: "
        words += f"{plan.why_no_window}."
    return words


def after_entries(plan: Plan, *, is_dense: bool) -> list[Entry]:
    """Legend entries of the second panel; among very many crowns outlines are not drawn."""
    from matplotlib.lines import Line2D

    entries = [*kept_entries(is_outlined=not is_dense), *cut_entries(plan)]
    if plan.spans:
        handle = Line2D([], [], color=VERMILION, lw=1.6)
        entries.append((handle, "span of the window, its stations in ft"))
    if any(np.isfinite(max(cut.high_ft for cut in cuts)) for cuts in plan.cuts.values()):
        handle = Line2D([], [], color=STEM, lw=1.6)
        entries.append((handle, "stem under a kept top or over a cleared band"))
    return entries
