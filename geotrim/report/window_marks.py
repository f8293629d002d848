"""The window on the overview map: its spans, what is done to each tree, the eyes and their view."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geotrim.report import facts
from geotrim.report.furniture import Entry
from geotrim.report.palette import BLACK, BLUE, PAPER, VERMILION
from geotrim.report.shapes import draw_area, draw_line, halo, parts_of
from geotrim.report.window_facts import TREATMENTS, span_name, stations

if TYPE_CHECKING:
    from geotrim.report.map_layers import Sheet

SPAN_PT, EYE_PT = 7.2, 6.6
SPAN_LOOK: dict[str, Any] = {"edgecolor": VERMILION, "linewidth": 2.0, "linestyle": (0, (12, 1.8))}
SPAN_HATCH_COLOUR = "#E3B094"
#: Treatment -> marker and its size, each on a white disc at the edge of its crown; a tree that is
#: left has the disc alone.
SIGNS = {"clear-band": ("_", 0.62), "lower-top": ("v", 0.56), "leave": ("", 0.0)}
#: Greatest and least diameter of such a disc, and its part of a usual crown. [pt]
MOST_DISC_PT, LEAST_DISC_PT, DISC_FRAC = 8.5, 1.5, 0.34
#: Sight lines of one eye that are drawn, of however many were measured.
MOST_RAYS = 19
RAY_LOOK: dict[str, Any] = {"color": BLUE, "linewidth": 0.55, "alpha": 0.45}
#: A frame may grow by this much to take in an eye; one farther off is on the key map only.
MOST_GROWN = 1.35


def draw_windows(sheet: Sheet) -> list[Entry]:
    """Spans of the windows: outline over the crowns, hatch under them, name and stations beside."""
    from matplotlib.patches import Patch

    rows = sheet.table("window", "window_spans")
    if rows is None:
        return []
    n_seen = 0
    for row in rows.to_dict("records"):
        shape, name = row["geometry"], str(row["span_id"])
        if shape is None or shapely.is_empty(shape):
            continue
        fill = {"facecolor": "none", "edgecolor": SPAN_HATCH_COLOUR, "hatch": "////", "lw": 0.0}
        draw_area(sheet.ax, shape, zorder=2.7, gid=f"window-hatch-{name}", **fill)
        draw_area(sheet.ax, shape, fill=False, edgecolor=PAPER, lw=3.6, zorder=4.7)
        draw_area(sheet.ax, shape, fill=False, zorder=4.72, gid=f"window-{name}", **SPAN_LOOK)
        _name_span(sheet, row)
        n_seen += bool(shapely.intersects(shape, sheet.window))
    swatch = Patch(facecolor="#F7E4D8", hatch="/////", lw=0.0, edgecolor=SPAN_HATCH_COLOUR)
    edge = Patch(facecolor="none", **SPAN_LOOK)
    words = "window: the zone between two stations, ft along the frontage"
    return [((swatch, edge), words)] if n_seen else []


def _name_span(sheet: Sheet, row: dict[str, Any]) -> None:
    """Name and stations outside the span, off crowns and other words where there is room."""
    shape = row["geometry"]
    short = span_name(row["span_id"])
    middle = shapely.get_coordinates(shape.centroid)[0]
    reach = 0.5 * np.hypot(*np.ptp(np.array(shape.bounds).reshape(2, 2), axis=0))
    for words in (f"{short}: {stations(row)} ft", short):
        for x, y in _spots(shape, middle, reach, 0.3 * sheet.per_inch, sheet.cover):
            half = 0.034 * SPAN_PT / 6.5 * len(words) * sheet.per_inch
            high = 0.055 * sheet.per_inch
            box = shapely.box(x - half, y - high, x + half, y + high)
            if shapely.intersects(box, sheet.cover) or not sheet.window.contains(box):
                continue
            if shapely.intersects(box, shape) or not sheet.has_room(x, y, words, SPAN_PT):
                continue
            sheet.ax.text(
                x, y, words, fontsize=SPAN_PT, weight="bold", color=VERMILION, ha="center",
                va="center", zorder=6.7, path_effects=halo(), gid=f"window-label-{row['span_id']}",
            )  # fmt: skip
            return
    sheet.take(float(middle[0]), float(middle[1]), short, SPAN_PT)
    sheet.ax.text(
        *middle, short, fontsize=SPAN_PT, weight="bold", color=VERMILION, ha="center", va="center",
        zorder=6.7, path_effects=halo(), clip_on=True, gid=f"window-label-{row['span_id']}",
    )  # fmt: skip


def _spots(shape: Any, middle: Any, reach: float, step: float, cover: Any) -> list[Any]:
    """Places round a span, those nearest to its outline first."""
    places = []
    for turn in np.arange(0.0, 360.0, 15.0):
        way = np.array([np.sin(np.radians(turn)), np.cos(np.radians(turn))])
        for out in np.arange(0.0, 8.0):
            spot = middle + way * (0.4 * reach + out * 0.4 * step)
            gap = shapely.distance(shape, shapely.Point(spot))
            if gap > 0.3 * step:
                places.append((gap, spot))
    return [spot for _, spot in sorted(places, key=lambda place: place[0])]


def draw_treatments(sheet: Sheet, crowns: Any) -> list[Entry]:
    """A sign at the edge of every crown that is treated, or left within a span."""
    rows = sheet.table("window", "window_trees")
    if rows is None or crowns is None:
        return []
    rows = rows[(rows["treatment"] != "leave") | rows["is_in_span"].astype(bool)]
    shapes = dict(zip(crowns["crown_id"].astype(str), crowns.geometry.array, strict=True))
    size = _disc_pt(sheet, [shapes[str(i)] for i in rows["crown_id"] if str(i) in shapes])
    counts: dict[str, int] = {}
    for crown_id, how in zip(rows["crown_id"].astype(str), rows["treatment"], strict=True):
        if crown_id not in shapes:
            continue
        half = 0.5 * size / 72.0 * sheet.per_inch
        spot = _edge_spot(shapes[crown_id], half, sheet.words, sheet.taken)
        sheet.taken.append((spot[0] - half, spot[1] - half, spot[0] + half, spot[1] + half))
        _sign(sheet.ax, spot, how, size, f"treatment-{how}-{crown_id}")
        counts[how] = counts.get(how, 0) + 1
    return [(_sign_handle(how), _sign_words(how, counts[how])) for how in SIGNS if how in counts]


def _sign_words(how: str, n: int) -> str:
    where = " in the window" if how == "leave" else ""
    return f"{TREATMENTS[how]}{where} ({n})"


def _disc_pt(sheet: Sheet, shapes: list[Any]) -> float:
    """Diameter of the signs: a part of a usual crown's. [pt]."""
    if not shapes:
        return MOST_DISC_PT
    across = 2.0 * np.sqrt(np.median(shapely.area(shapes)) / np.pi)
    return float(np.clip(72.0 * across / sheet.per_inch * DISC_FRAC, LEAST_DISC_PT, MOST_DISC_PT))


def _edge_spot(shape: Any, half: float, words: list[Any], taken: list[Any]) -> Any:
    """A place just inside a crown's edge, off words and other signs where one is.

    Up and to the right is tried first.
    """
    middle = shapely.get_coordinates(shapely.centroid(shape))[0]
    reach = 10.0 * np.sqrt(shapely.area(shape))
    spots = []
    for turn in np.radians((38.0, 78.0, -2.0, 118.0, -42.0, 158.0, -82.0, -122.0, 198.0)):
        far = middle + reach * np.array([np.sin(turn), np.cos(turn)])
        ray = shapely.LineString([middle, far])
        cuts = shapely.get_coordinates(shapely.intersection(ray, shapely.boundary(shape)))
        spots += [middle + 0.94 * (cut - middle) for cut in cuts[:1]]
    others = np.array([*words, *(shapely.box(*box) for box in taken)], dtype=object)
    for spot in spots:
        x, y = spot
        disc = shapely.box(x - half, y - half, x + half, y + half)
        if not (len(others) and shapely.intersects(others, disc).any()):
            return spot
    return spots[0] if spots else middle


def _sign(ax: Any, spot: Any, how: str, size: float, gid: str) -> None:
    marker, part = SIGNS[how]
    ax.plot(
        *spot, ls="", marker="o", ms=size, mfc=PAPER, mec=BLACK, mew=0.085 * size, zorder=6.1,
        gid=gid,
        clip_on=True,
    )  # fmt: skip
    if marker:
        ax.plot(
        *spot, ls="", marker=marker, ms=part * size, mfc=BLACK, mec=BLACK, zorder=6.2,
        mew=0.2 * size if marker == "_" else 0.1 * size, clip_on=True,
    )  # fmt: skip


def _sign_handle(how: str) -> Any:
    from matplotlib.lines import Line2D

    marker, part = SIGNS[how]
    disc = Line2D([], [], ls="", marker="o", ms=8.0, mfc=PAPER, mec=BLACK, mew=0.7)
    if not marker:
        return disc
    size = 1.6 if marker == "_" else 0.8
    sign = Line2D([], [], ls="", marker=marker, ms=8.0 * part, mfc=BLACK, mec=BLACK, mew=size)
    return (disc, sign)


def draw_eyes(sheet: Sheet) -> list[Entry]:
    """Eyes with their names, and some of their sight lines to the water's near edge, light."""
    rows = sheet.table("sightlines", "sight_eyes")
    if rows is None:
        return []
    entries: list[Entry] = []
    n_rays = _draw_rays(sheet)
    n_seen = 0
    for row in rows.itertuples():
        if not shapely.intersects(row.geometry, sheet.window):
            continue
        n_seen += 1
        draw_eye(sheet.ax, row.geometry, 7.0, f"eye-{row.eye_id}")
        _name_eye(sheet, str(row.eye_id), row.geometry)
    if n_seen:
        entries.append((_eye_handle(), "eye: a place to look from"))
    if n_rays:
        handle = _line(**RAY_LOOK)
        entries.append((handle, "sight line of an eye to the water's near edge, some of many"))
    return entries


def draw_eye(ax: Any, point: Any, size: float, gid: str) -> None:
    """The mark of an eye: a ring and a dot."""
    ring = {"ls": "", "marker": "o", "mfc": PAPER, "mec": BLACK, "mew": 0.16 * size}
    ax.plot(point.x, point.y, ms=size, zorder=6.3, clip_on=True, gid=gid, **ring)
    ax.plot(
        point.x, point.y, ls="", marker="o", ms=0.42 * size, mfc=BLACK, mec=BLACK, mew=0.0,
        zorder=6.31, clip_on=True,
    )  # fmt: skip


def eye_room(sheet: Sheet) -> Any:
    """Where eyes and their names stand, for other words to keep off; None without eyes."""
    rows = sheet.table("sightlines", "sight_eyes")
    if rows is None:
        return None
    xy = shapely.get_coordinates(rows.geometry.array)
    wide, high = 0.4 * sheet.per_inch, 0.25 * sheet.per_inch
    return shapely.union_all([shapely.box(x - wide, y - high, x + wide, y + high) for x, y in xy])


def _eye_handle() -> Any:
    ring = _line(ls="", marker="o", ms=7.0, mfc=PAPER, mec=BLACK, mew=1.1)
    return (ring, _line(ls="", marker="o", ms=3.0, mfc=BLACK, mec=BLACK, mew=0.0))


def _line(**look: Any) -> Any:
    from matplotlib.lines import Line2D

    return Line2D([], [], **look)


def _draw_rays(sheet: Sheet) -> int:
    """A few sight lines of every eye, evenly over those measured, its first and last among them."""
    rows = sheet.table("sightlines", "sight_rays")
    if rows is None:
        return 0
    n_drawn = 0
    for _, mine in rows.groupby("eye_id", sort=False):
        lines = mine.geometry.array
        chosen = np.unique(np.linspace(0, len(lines) - 1, min(len(lines), MOST_RAYS)).round())
        for k in chosen.astype(int):
            seen = shapely.intersection(lines[k], sheet.window)
            draw_line(sheet.ax, seen, zorder=2.65, gid="sight-line", **RAY_LOOK)
            n_drawn += bool(parts_of(seen, 1))
    return n_drawn


def _name_eye(sheet: Sheet, eye_id: str, point: Any) -> None:
    """The eye's name under it, or over it, where there is room."""
    for up in (-0.15, 0.15):
        x, y = point.x, point.y + up * sheet.per_inch
        if sheet.has_room(x, y, eye_id, EYE_PT):
            sheet.ax.text(
                x, y, eye_id, fontsize=EYE_PT, ha="center", va="center", zorder=6.7,
                path_effects=halo(1.6), clip_on=True, gid=f"eye-label-{eye_id}",
            )  # fmt: skip
            return


def eye_points(results: facts.Results, lots: list[str]) -> list[Any]:
    """Where the eyes of some lots are."""
    rows = facts.table(results, "sightlines", "sight_eyes")
    if rows is None:
        return []
    return list(rows.geometry.array[rows["lot_id"].astype(str).isin(lots).to_numpy()])
