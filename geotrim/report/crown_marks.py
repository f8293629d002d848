"""Crowns on the map: colour and hatch for the height class, edge for the kind, id where it fits."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import shapely

from geotrim.report.furniture import Entry
from geotrim.report.palette import BLACK, NO_DATA, PAPER, VERMILION, ClassStyle
from geotrim.report.shapes import draw_area, parts_of

#: Edge of each kind of plant: width, dashes, words.
KINDS = {
    "mangrove": (0.9, "-", "mangrove (solid edge)"),
    "other": (1.3, (0, (3.0, 1.6)), "not a mangrove (dashed edge, x)"),
    "unknown": (1.3, (0, (0.8, 1.4)), "species unknown (dotted edge, ?)"),
}
MARKS = {"other": "x", "unknown": "?"}
LABEL_PT = 5.6
#: More crowns than this are drawn class by class, and without labels.
MANY = 1000


def draw_crowns(
    ax: Any, rows: Any, styles: Mapping[str, ClassStyle], per_inch: float = 0.0
) -> None:
    """All crowns, low ones first so that the tips of high ones show.

    ``per_inch`` is map units in an inch of paper: edges of crowns that are small there are thinner,
    or their colours would drown.
    """
    if len(rows) > MANY:
        _draw_in_bulk(ax, rows, styles)
        return
    across = 2.0 * np.sqrt(np.median(shapely.area(rows.geometry.array)) / np.pi)
    thin = float(np.clip(across / (0.3 * per_inch), 0.15, 1.0)) if per_inch else 1.0
    order = rows["top_height_ft"].fillna(-1.0).to_numpy().argsort(kind="stable")
    for place, k in enumerate(order):
        row = rows.iloc[k]
        look = styles.get(row["height_class"] or NO_DATA, styles[NO_DATA])
        z = 3.0 + place * 1e-4
        draw_area(
            ax,
            row.geometry,
            facecolor=look.colour,
            edgecolor=look.hatch_colour,
            hatch=look.hatch or None,
            linewidth=0.0,
            zorder=z,
            gid=f"crown-{row['crown_id']}",
        )
        width, dashes, _ = KINDS[row["kind"]]
        width *= thin
        if thin == 1.0:
            draw_area(
                ax, row.geometry, fill=False, edgecolor=PAPER, lw=width + 0.8, zorder=z + 4e-5
            )
        draw_area(
            ax,
            row.geometry,
            fill=False,
            edgecolor=BLACK,
            linewidth=width,
            linestyle=dashes,
            zorder=z + 5e-5,
        )
        if row["is_partial"]:
            draw_area(
                ax,
                shapely.buffer(row.geometry, 0.12 * np.sqrt(row.geometry.area / np.pi)),
                fill=False,
                edgecolor=VERMILION,
                linewidth=1.3 * thin,
                linestyle=(0, (1.0, 1.0)),
                zorder=3.9,
                gid=f"partial-{row['crown_id']}",
            )


def _draw_in_bulk(ax: Any, rows: Any, styles: Mapping[str, ClassStyle]) -> None:
    """One artist for each class and kind: thousands of crowns in a moment."""
    classes = rows["height_class"].fillna(NO_DATA)
    for place, (name, look) in enumerate(styles.items()):
        for kind, (width, dashes, _) in KINDS.items():
            mine = rows.geometry.array[((classes == name) & (rows["kind"] == kind)).to_numpy()]
            shape = shapely.geometrycollections(np.asarray(mine, dtype=object))
            z = 3.0 + place * 0.1
            fill = {"facecolor": look.colour, "edgecolor": look.hatch_colour, "linewidth": 0.0}
            draw_area(ax, shape, zorder=z, gid=f"crowns-{name}-{kind}", **fill)
            draw_area(
                ax, shape, fill=False, edgecolor=BLACK, lw=0.3 * width, ls=dashes, zorder=z + 0.05
            )
    partial = shapely.geometrycollections(
        np.asarray(rows.geometry.array[rows["is_partial"].to_numpy(dtype=bool)], dtype=object)
    )
    draw_area(ax, partial, fill=False, edgecolor=VERMILION, linewidth=0.8, zorder=3.9)


def label_crowns(
    ax: Any,
    rows: Any,
    styles: Mapping[str, ClassStyle],
    per_inch: float,
    taken: list[tuple[float, float, float, float]],
    lines: Any = None,
) -> int:
    """Write ids (and top heights where there is room); the number of crowns left without.

    ``per_inch`` is map units in an inch of paper, ``taken`` the boxes of words already there, and
    ``lines`` what words keep off where their crown has room beside it. The highest crowns choose
    their place first.
    """
    if len(rows) > MANY:
        return len(rows)
    prefix = common_prefix([str(i) for i in rows["crown_id"]])
    left_out = 0
    order = rows["top_height_ft"].fillna(-1.0).to_numpy().argsort(kind="stable")[::-1]
    for k in order:
        row = rows.iloc[k]
        if not len(parts_of(row.geometry, 2)):
            left_out += 1
            continue
        name = str(row["crown_id"])[len(prefix) :] + MARKS.get(row["kind"], "")
        top = row["top_height_ft"]
        options = [name] if not np.isfinite(top) else [f"{name}\n{top:.1f}", name]
        placed = _placed(options, row.geometry, per_inch, taken, lines)
        if placed is None:
            left_out += 1
            continue
        text, spot = placed
        look = styles.get(row["height_class"] or NO_DATA, styles[NO_DATA])
        ax.text(
            spot.x,
            spot.y,
            text,
            fontsize=LABEL_PT,
            ha="center",
            va="center",
            linespacing=0.95,
            color=look.text_colour,
            path_effects=_plate(look),
            zorder=6,
            clip_on=True,
            gid=f"label-{row['crown_id']}",
        )
    return left_out


def _plate(look: ClassStyle) -> list[Any]:
    """An edge in the crown's own colour, so that hatches do not cut through letters."""
    from matplotlib import patheffects

    return [patheffects.withStroke(linewidth=2.2, foreground=look.colour)]


Words = tuple[float, float, float, float]
#: Places to try from the middle of a crown, in its mean radius: right and up, nearest first.
PLACES = (
    (0.0, 0.0), (0.0, -0.25), (0.0, 0.25), (0.0, -0.45), (0.0, 0.45), (-0.25, 0.0), (0.25, 0.0),
    (-0.3, -0.3), (0.3, -0.3), (-0.3, 0.3), (0.3, 0.3), (-0.45, 0.0), (0.45, 0.0),
)  # fmt: skip


def _placed(
    options: list[str], shape: Any, per_inch: float, taken: list[Words], lines: Any
) -> tuple[str, Any] | None:
    """Words and their middle: clear of other words, off the lines if any wording can be."""
    middle = shape.centroid
    middle = middle if shape.contains(middle) else shapely.point_on_surface(shape)
    radius = np.sqrt(shape.area / np.pi)
    spots = [shapely.Point(middle.x + x * radius, middle.y + y * radius) for x, y in PLACES]
    is_crossed = lines is not None and shapely.intersects(lines, shape)
    for off in (lines, None) if is_crossed else (None,):
        for text in options:
            for spot in spots:
                if _fits(text, shape, spot, per_inch, taken, off):
                    return text, spot
    return None


def _fits(
    text: str, shape: Any, spot: Any, per_inch: float, taken: list[Words], lines: Any
) -> bool:
    """Whether words lie inside the crown, clear of words and lines; if so the place is taken."""
    rows = text.split("\n")
    half_w = max(len(row) for row in rows) * LABEL_PT * 0.62 / 72.0 * per_inch / 2
    half_h = len(rows) * LABEL_PT * 1.1 / 72.0 * per_inch / 2
    box = (spot.x - half_w, spot.y - half_h, spot.x + half_w, spot.y + half_h)
    inside = shapely.area(shapely.intersection(shapely.box(*box), shape))
    if inside < 0.86 * 4 * half_w * half_h:
        return False
    if any(a < r and c > p and b < s and d > q for a, b, c, d in (box,) for p, q, r, s in taken):
        return False
    if lines is not None and shapely.intersects(lines, shapely.box(*box)):
        return False
    taken.append(box)
    return True


def common_prefix(ids: list[str]) -> str:
    """What all ids start with and no reader needs: up to the last sign that is no letter or digit.

    Examples
    --------
    >>> common_prefix(["SB-01", "SB-02"]), common_prefix(["T1", "T2"]), common_prefix(["A-1"])
    ('SB-', '', '')
    """
    if len(ids) < 2:
        return ""
    first, last = min(ids), max(ids)
    n = next((k for k, (a, b) in enumerate(zip(first, last, strict=False)) if a != b), len(first))
    shared = first[:n]
    ends = [k + 1 for k, sign in enumerate(shared) if not sign.isalnum()]
    cut = ends[-1] if ends else 0
    return shared[:cut] if all(len(i) > cut for i in ids) else ""


def crown_entries(rows: Any, styles: Mapping[str, ClassStyle]) -> list[Entry]:
    """Legend entries of the classes, kinds and marks that occur."""
    from matplotlib.patches import Patch

    entries: list[Entry] = []
    classes = [c or NO_DATA for c in rows["height_class"]]
    for name, look in styles.items():
        if name not in classes:
            continue
        fill = Patch(
            facecolor=look.colour, edgecolor=look.hatch_colour, hatch=look.hatch or None, lw=0.0
        )
        edge = Patch(facecolor="none", edgecolor=BLACK, lw=0.8)
        words = "no height data" if name == NO_DATA else f"top {name}"
        entries.append(((fill, edge), f"{words} ({classes.count(name)})"))
    kinds = list(rows["kind"])
    for kind, (width, dashes, words) in KINDS.items():
        if kind in kinds:
            handle = Patch(facecolor=PAPER, edgecolor=BLACK, lw=width, ls=dashes)
            entries.append((handle, f"{words} ({kinds.count(kind)})"))
    if rows["is_partial"].any():
        handle = Patch(facecolor=PAPER, edgecolor=VERMILION, lw=1.3, ls=(0, (1.0, 1.0)))
        n = int(rows["is_partial"].sum())
        entries.append((handle, f"seen in part only: heights missing ({n})"))
    return entries
