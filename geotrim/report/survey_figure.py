"""The map of a field survey: crowns, trunks with tags, and conflicts by number, listed below."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from geotrim.core.field_conflicts import FAR, Conflict
from geotrim.io.aside import new_file
from geotrim.io.repair import counted
from geotrim.report.furniture import (
    MARGIN_IN,
    Entry,
    axes_in,
    block_heights,
    footer_block,
    legend_column,
    new_figure,
    put_text,
    scale_and_north,
    title_block,
    wrapped,
)
from geotrim.report.palette import BLACK, BLUE, GREY, PAPER, VERMILION, style
from geotrim.report.save import DPI
from geotrim.report.shapes import bounds_of, draw_area, grown_to, halo
from geotrim.units import feet_per_map_unit

WIDTH_IN, HEIGHT_IN = 8.5, 11.0
#: Height of the strip with scale and legend, and the most the list of conflicts may take.
STRIP_IN, LIST_IN = 0.95, 3.0
LIST_PT, TAG_PT, NUMBER_PT = 6.5, 6.0, 6.5
#: A line of the list, in its type.
LINE_IN = LIST_PT * 1.3 / 72.0
#: A column of the list, and the room for the numbers in it.
COLUMN_IN, INDENT_IN = (WIDTH_IN - 2 * MARGIN_IN - 0.3) / 2, 0.27
CAUTION = (
    "Positions, heights and species are the surveyor's word. Crowns made of spreads are ellipses; "
    "given crowns are as they were drawn. Confirm every species in the field. Not a survey."
)
#: Kind of crown -> look and words.
LOOKS: dict[str, tuple[dict[str, Any], str]] = {
    "joined": (
        {"facecolor": "#CFE3D4", "edgecolor": BLACK, "linewidth": 0.9},
        "given crown with its tree",
    ),
    "bare": (
        {"facecolor": PAPER, "edgecolor": GREY, "linewidth": 0.7},
        "given crown without a tree",
    ),
    "open": (
        {"facecolor": PAPER, "edgecolor": GREY, "linewidth": 0.9, "hatch": "////"},
        "given crown, tree not settled",
    ),
    "made": (
        {"facecolor": "none", "edgecolor": BLUE, "linewidth": 1.1, "linestyle": (0, (4.0, 1.8))},
        "crown made of spreads",
    ),
}
#: Marks of conflicts nearer to each other than this are one.
SAME_MARK_IN = 0.05
Box = tuple[float, float, float, float]


def survey_map(path: Path, crowns: Any, trunks: Any, conflicts: Sequence[Conflict]) -> None:
    """Draw the map as a PNG of a page, 8.5 x 11 in.

    Parameters
    ----------
    path : Path
    crowns : GeoDataFrame or None
        With ``tag``, ``crown_id``, ``crown_from`` and ``conflicts``.
    trunks : GeoDataFrame
        With ``tag``, ``stem`` and ``crown_id``; at least one.
    conflicts : sequence of Conflict
        In the order of their numbers.
    """
    with style():
        figure = survey_figure(crowns, trunks, conflicts)
        with new_file(path) as aside:
            figure.savefig(aside, format="png", dpi=DPI, metadata={"Software": "geotrim"})


def survey_figure(crowns: Any, trunks: Any, conflicts: Sequence[Conflict]) -> Any:
    """The figure itself; see :func:`survey_map`."""
    factor = feet_per_map_unit(trunks.crs, "trees")
    figure = new_figure(WIDTH_IN, HEIGHT_IN)
    title, footer = "Field survey of trees", [CAUTION, _crs_line(trunks.crs)]
    is_far = _far(trunks, conflicts)
    subtitle = _subtitle(crowns, trunks, conflicts, int(is_far.sum()))
    head, foot = block_heights(WIDTH_IN, title, subtitle, footer)
    title_block(figure, title, subtitle)
    footer_block(figure, footer)
    columns = _list_columns(conflicts)
    listing = _list_height(columns)
    bottom = foot + listing + STRIP_IN + 0.35
    width, height = WIDTH_IN - 2 * MARGIN_IN, HEIGHT_IN - head - bottom
    ax = axes_in(figure, MARGIN_IN, bottom, width, height)
    frame = _frame(crowns, trunks[~is_far], width, height, factor)
    per_inch = (frame[2] - frame[0]) / width
    _axes(ax, frame)
    entries = _draw_crowns(ax, crowns, trunks, frame)
    entries += _draw_trees(ax, trunks, conflicts, frame, per_inch)
    strip = foot + listing + STRIP_IN
    scale_and_north(figure, MARGIN_IN, strip - 0.62, per_inch * factor)
    left = MARGIN_IN + 2.95
    legend_column(
        figure, entries, left, strip, WIDTH_IN - MARGIN_IN - left, STRIP_IN - 0.1, n_columns=2
    )
    _draw_list(figure, columns, foot + listing - 0.02)
    return figure


def _crs_line(crs: Any) -> str:
    from geotrim.io.crs import named

    unit = crs.axis_info[0].unit_name
    return f"Coordinates: {named(crs)}, {unit}. Lengths in international feet, on the grid."


def _far(trunks: Any, conflicts: Sequence[Conflict]) -> Any:
    """Trunks left out of the frame: of trees far from all others, unless that is all there are."""
    far = {str(k) for k, one in enumerate(conflicts, start=1) if one.kind == FAR}
    told = trunks["conflicts"] if "conflicts" in trunks.columns else [None] * len(trunks)
    out = np.array([isinstance(t, str) and not far.isdisjoint(t.split(", ")) for t in told])
    return np.zeros(len(trunks), dtype=bool) if out.all() else out.astype(bool)


def _subtitle(crowns: Any, trunks: Any, conflicts: Sequence[Conflict], n_far: int) -> str:
    parts = [counted(len(trunks), "trunk")]
    if n_far:
        parts[0] += f", {n_far} of them far off, outside this map"
    if crowns is not None and (crowns["crown_from"] == "given").any():
        n_joined = _kinds(crowns, trunks).count("joined")
        parts.append(f"{counted(n_joined, 'given crown')} with a tree of the survey")
    n_made = 0 if crowns is None else int((crowns["crown_from"] == "spreads").sum())
    parts.append(f"{counted(n_made, 'crown')} made of spreads")
    parts.append(counted(len(conflicts), "conflict") if conflicts else "no conflicts")
    return " \N{MIDDLE DOT} ".join(parts)


def _kinds(crowns: Any, trunks: Any) -> list[str]:
    """Key of ``LOOKS`` for each crown."""
    stood_in = set(trunks["crown_id"].dropna())
    out = []
    for row in crowns[["crown_id", "tag", "crown_from", "conflicts"]].itertuples(index=False):
        if row.crown_from == "spreads":
            out.append("made")
        elif isinstance(row.tag, str):
            out.append("joined")
        else:
            is_open = row.crown_id in stood_in or isinstance(row.conflicts, str)
            out.append("open" if is_open else "bare")
    return out


def _frame(crowns: Any, trunks: Any, width: float, height: float, factor: float) -> Box:
    """Round the trunks and the crowns that have to do with them; far crowns are cut off."""
    shapes = list(trunks.geometry.array)
    if crowns is not None:
        kinds = np.array(_kinds(crowns, trunks))
        shapes += list(crowns.geometry.array[kinds != "bare"])
    bounds = bounds_of(shapes) or (0.0, 0.0, 1.0, 1.0)
    span = max(bounds[2] - bounds[0], bounds[3] - bounds[1])
    return grown_to(bounds, max(4.0 / factor, 0.06 * span), width, height)


def _axes(ax: Any, frame: Box) -> None:
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    ax.set_xlim(frame[0], frame[2])
    ax.set_ylim(frame[1], frame[3])
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}"))
    ax.tick_params(labelsize=6, length=3, width=0.6, pad=1.5, colors="#303030")
    ax.tick_params(axis="y", direction="in", pad=-4)
    ax.yaxis.set_tick_params(rotation=90)
    for label in ax.get_yticklabels():
        label.set(va="center", ha="left", path_effects=halo(), zorder=9)


def _draw_crowns(ax: Any, crowns: Any, trunks: Any, frame: Box) -> list[Entry]:
    from matplotlib.patches import Patch

    if crowns is None:
        return []
    entries: list[Entry] = []
    kinds = np.array(_kinds(crowns, trunks))
    shapes = np.asarray(crowns.geometry.array, dtype=object)
    seen = shapely.intersects(shapes, shapely.box(*frame))
    for place, (kind, (look, words)) in enumerate(LOOKS.items()):
        mine = shapes[seen & (kinds == kind)]
        if len(mine):
            for shape in mine:
                draw_area(ax, shape, zorder=2.0 + 0.1 * place, **look)
            entries.append((Patch(**look), f"{words} ({len(mine)})"))
    return entries


def _draw_trees(
    ax: Any, trunks: Any, conflicts: Sequence[Conflict], frame: Box, per_inch: float
) -> list[Entry]:
    """Trunks, conflicts and tags, in this order of who chooses its place first."""
    from matplotlib.lines import Line2D

    xy = shapely.get_coordinates(trunks.geometry.array)
    settled = trunks["crown_id"].notna().to_numpy()
    seen = _inside(xy, frame)
    entries: list[Entry] = []
    for mine, face, words in (
        (settled, BLACK, "trunk, its tag beside it"),
        (~settled, PAPER, "trunk without a crown"),
    ):
        look: dict[str, Any] = {
            "marker": "o",
            "ms": 3.2,
            "mfc": face,
            "mec": BLACK,
            "mew": 0.8,
            "ls": "none",
        }
        mine = mine & seen
        if mine.any():
            ax.plot(xy[mine, 0], xy[mine, 1], zorder=5.0, **look)
            entries.append((Line2D([], [], **look), f"{words} ({int(mine.sum())})"))
    dot = 0.035 * per_inch
    taken = [(x - dot, y - dot, x + dot, y + dot) for x, y in xy.tolist()]
    if conflicts:
        entries.append(_draw_conflicts(ax, conflicts, frame, per_inch, taken))
    n_bare = _draw_tags(ax, trunks[seen], xy[seen], frame, per_inch, taken)
    if n_bare:
        empty = Line2D([], [], ls="none")
        entries.append((empty, f"{n_bare} tags without room; see trees.csv"))
    return entries


def _draw_conflicts(
    ax: Any, conflicts: Sequence[Conflict], frame: Box, per_inch: float, taken: list[Box]
) -> Entry:
    """A triangle at each tree in conflict, with the numbers of its conflicts."""
    from matplotlib.lines import Line2D

    numbers = _marks(conflicts, frame, SAME_MARK_IN * per_inch)
    look: dict[str, Any] = {"marker": "^", "ms": 8.0, "mfc": "none", "mec": VERMILION, "ls": "none"}
    look["mew"] = 1.5
    for x, y in numbers:
        ax.plot([x], [y], zorder=5.5, **look)
        half = 0.06 * per_inch
        taken.append((x - half, y - half, x + half, y + half))
    for (x, y), mine in numbers.items():
        text = joined_numbers(mine)
        spot = _spot(text, x, y, NUMBER_PT, frame, per_inch, taken, 0.09, is_needed=True)
        if spot is not None:
            ax.annotate(
                text,
                (x, y),
                xytext=spot,
                textcoords="data",
                ha="center",
                va="center",
                fontsize=NUMBER_PT,
                weight="bold",
                color=VERMILION,
                path_effects=halo(),
                zorder=7.0,
                arrowprops={"arrowstyle": "-", "lw": 0.5, "color": VERMILION, "shrinkB": 4},
            )
    return Line2D([], [], **look), "conflict; its number is in the list below"


def _marks(
    conflicts: Sequence[Conflict], frame: Box, reach: float
) -> dict[tuple[float, float], list[int]]:
    """Numbers at each mark; conflicts that lie this near to an earlier mark share it."""
    out: dict[tuple[float, float], list[int]] = {}
    for k, one in enumerate(conflicts, start=1):
        if not _inside(np.array([[one.x, one.y]]), frame)[0]:
            continue
        near = (at for at in out if max(abs(at[0] - one.x), abs(at[1] - one.y)) <= reach)
        out.setdefault(next(near, (one.x, one.y)), []).append(k)
    return out


def joined_numbers(numbers: Sequence[int]) -> str:
    """Rising numbers with runs of three or more joined.

    Examples
    --------
    >>> joined_numbers([1, 2, 3, 4, 6, 8, 9])
    '1-4,6,8,9'
    """
    runs: list[list[int]] = []
    for k in numbers:
        if runs and k == runs[-1][-1] + 1:
            runs[-1].append(k)
        else:
            runs.append([k])
    told = [f"{r[0]}-{r[-1]}" if len(r) > 2 else ",".join(map(str, r)) for r in runs]
    return ",".join(told)


def _inside(xy: Any, frame: Box) -> Any:
    """Which places lie in the frame; a place that is not known lies in none."""
    x, y = xy[:, 0], xy[:, 1]
    return (x >= frame[0]) & (x <= frame[2]) & (y >= frame[1]) & (y <= frame[3])


def _draw_tags(ax: Any, trunks: Any, xy: Any, frame: Box, per_inch: float, taken: list[Box]) -> int:
    """Tags beside their trunks where there is room; how many had none."""
    n_bare = 0
    for (x, y), tag, stem in zip(xy.tolist(), trunks["tag"], trunks["stem"], strict=True):
        text = f"{tag} {stem}" if isinstance(stem, str) else str(tag)
        text = text if len(text) <= 14 else f"{text[:13]}\N{HORIZONTAL ELLIPSIS}"
        spot = _spot(text, x, y, TAG_PT, frame, per_inch, taken, 0.05)
        if spot is None:
            n_bare += 1
            continue
        ax.text(
            *spot, text, ha="center", va="center", fontsize=TAG_PT, zorder=6.0,
            path_effects=halo(), clip_on=True,
        )  # fmt: skip
    return n_bare


def _spot(
    text: str,
    x: float,
    y: float,
    size_pt: float,
    frame: Box,
    per_inch: float,
    taken: list[Box],
    gap_in: float,
    *,
    is_needed: bool = False,
) -> tuple[float, float] | None:
    """Middle of a free place for words round a point, taken when found; needed ones reach far."""
    half_w = (len(text) * size_pt * 0.62 / 72.0 / 2 + 0.01) * per_inch
    half_h = (size_pt * 1.1 / 72.0 / 2) * per_inch
    away = (0.0, 0.12, 0.26, 0.42, 0.60) if is_needed else (0.0, 0.08)
    for more in away:
        gap = (gap_in + more) * per_inch
        for right, up in ((1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (-1, 1), (1, -1), (-1, -1)):
            mx, my = x + right * (gap + half_w), y + up * (gap + half_h)
            box = (mx - half_w, my - half_h, mx + half_w, my + half_h)
            inside = (
                box[0] > frame[0] + 0.15 * per_inch
                and box[1] > frame[1]
                and box[2] < frame[2]
                and box[3] < frame[3]
            )
            if inside and not any(
                box[0] < c and box[2] > a and box[1] < d and box[3] > b for a, b, c, d in taken
            ):
                taken.append(box)
                return mx, my
    return None


#: Lines of a column of the list, each with its number (or "") before it.
Column = list[tuple[str, str]]


def _list_columns(conflicts: Sequence[Conflict]) -> list[Column]:
    """The list in two columns of lines; what does not fit is counted in the last line."""
    most = int(LIST_IN / LINE_IN) - 1
    items = [
        wrapped(
            f"{_cut(one.tag, 40)}: {_cut(one.found, 170)}", COLUMN_IN - INDENT_IN, LIST_PT
        ).split("\n")
        for one in conflicts
    ]
    if not items:
        return []
    fill = min(most, max(-(-sum(map(len, items)) // 2) + 1, 3))
    columns: list[Column] = [[], []]
    for k, lines in enumerate(items):
        at = 0 if not columns[1] and len(columns[0]) + len(lines) <= fill else 1
        kept = 1 if k < len(items) - 1 else 0
        if at == 1 and len(columns[1]) + len(lines) + kept > most:
            columns[1].append(("", f"and {len(items) - k} more: conflicts.csv"))
            break
        columns[at] += [(str(k + 1) if n == 0 else "", line) for n, line in enumerate(lines)]
    return columns


def _cut(text: str, most: int) -> str:
    """Text of no more than so many letters."""
    return text if len(text) <= most else f"{text[: most - 1]}\N{HORIZONTAL ELLIPSIS}"


def _list_height(columns: list[Column]) -> float:
    if not columns:
        return 0.0
    return (max(map(len, columns)) + 1.6) * LINE_IN + 0.05


def _draw_list(figure: Any, columns: list[Column], top: float) -> None:
    if not columns:
        return
    head = "Conflicts, none resolved; what was done about each is in conflicts.csv"
    put_text(figure, MARGIN_IN, top, head, 7.5, 2 * COLUMN_IN, va="top", weight="bold")
    w, h = figure.get_size_inches()
    for k, lines in enumerate(columns):
        left = MARGIN_IN + k * (COLUMN_IN + 0.3) + INDENT_IN
        for n, (number, line) in enumerate(lines):
            y = top - (n + 1.5) * LINE_IN
            look: dict[str, Any] = {"fontsize": LIST_PT, "va": "top"}
            figure.text((left - 0.07) / w, y / h, number, ha="right", weight="bold", **look)
            figure.text(left / w, y / h, line, **look)
