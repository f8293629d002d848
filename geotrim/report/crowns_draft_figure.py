"""The drafted crowns over their heights: outlines by line style, treetops, a confidence scale."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.io.aside import new_file
from geotrim.report.cells import hatch_cells
from geotrim.report.furniture import (
    MARGIN_IN,
    axes_in,
    coordinates,
    counted,
    footer_block,
    legend_column,
    map_line,
    new_figure,
    put_text,
    scale_and_north,
    title_block,
)
from geotrim.report.palette import BLACK, GREEN, GREY, PAPER, VERMILION, style
from geotrim.report.save import DPI
from geotrim.report.shapes import bounds_of, draw_line, grown_to, halo

Box = tuple[float, float, float, float]
WIDTH_IN, HEIGHT_IN, SIDE_IN = 11.0, 8.5, 2.75
#: Grey of the tallest canopy: light enough for lines to stand out on it.
DARKEST = 0.42
#: Line of each class of confidence: name, lowest confidence, dashes, colour, width.
CLASSES = (
    ("confidence 0.7 or more", 0.7, "solid", BLACK, 1.3),
    ("0.5 to 0.7", 0.5, (0, (5.0, 1.6)), BLACK, 1.1),
    ("under 0.5", 0.0, (0, (1.4, 1.3)), VERMILION, 1.2),
)
#: More crowns than this are not named on the map.
NAMED_MOST = 60
#: Size of the names, and where they may stand from the treetop: right and up, best first.
NAME_PT = 5.8
NAME_PLACES = ((0, -1), (0, 1), (1, 0), (-1, 0), (1, -1), (-1, -1), (1, 1), (-1, 1))
#: Lines of the area asked for, and of that with its margin.
ASKED_LOOK: dict[str, Any] = {"color": GREEN, "linewidth": 2.4, "linestyle": "solid"}
AREA_LOOK: dict[str, Any] = {
    "color": GREEN,
    "linewidth": 1.4,
    "linestyle": (0, (6.0, 1.5, 1.0, 1.5)),
}
#: Bins of the confidence scale.
BINS = 20
CAUTION = (
    "A draft from heights alone: every crown, tree and species must be confirmed in the field. "
    "Mangroves of many stems and low, even canopy hardly part into trees this way. Confidence "
    "orders crowns by how clearly the heights show them; it is no chance of being right."
)


@dataclass(frozen=True, slots=True, eq=False)
class CrownsPicture:
    """What the picture shows.

    height_ft : (rows, cols), row 0 in the north, cells picked and not blended, NaN where there is
        none. [ft]
    bounds : west, south, east, north of these heights. [map units]
    view : the same of the map to draw, in the shape of its frame (:func:`picture_bounds`).
    outlines : (n,) polygons, with ``top_xy`` (n, 2), ``confidence`` (n,) and ``names`` (n,).
    area : where crowns were looked for, the area asked for with its margin; or None.
    asked : the area asked for itself, such as a lot; or None.
    feet_per_unit : feet in one map unit.
    crs : the CRS by name.
    """

    height_ft: npt.NDArray[np.float64]
    bounds: Box
    view: Box
    outlines: Any
    top_xy: npt.NDArray[np.float64]
    confidence: npt.NDArray[np.float64]
    names: list[str]
    area: Any
    feet_per_unit: float
    crs: str
    asked: Any = None


def picture_bounds(outlines: Any, feet_per_unit: float) -> Box:
    """The part of the map to show: all outlines with a margin, in the shape of the frame."""
    bounds = bounds_of(list(outlines)) or (0.0, 0.0, 1.0, 1.0)
    span = max(bounds[2] - bounds[0], bounds[3] - bounds[1])
    return grown_to(bounds, max(5.0 / feet_per_unit, 0.03 * span), *_frame())


def draw_crowns_draft(path: Path, picture: CrownsPicture) -> None:
    """Write the picture as PNG."""
    with style():
        figure = crowns_draft_figure(picture)
        with new_file(path) as aside:
            figure.savefig(aside, format="png", dpi=DPI, metadata={"Software": "geotrim"})


def crowns_draft_figure(picture: CrownsPicture) -> Any:
    """The figure: a map on the left; confidence scale, legend and scale bar on the right."""
    figure = new_figure(WIDTH_IN, HEIGHT_IN)
    n = len(picture.outlines)
    low = int((picture.confidence < CLASSES[1][1]).sum())
    subtitle = f"{counted(n, 'crown')} from the heights, {low:,} of them with a "
    subtitle += f"confidence under {CLASSES[1][1]:g}. To be confirmed in the field"
    top = HEIGHT_IN - title_block(figure, "Draft of crowns", subtitle)
    footer_block(figure, [CAUTION, _foot(picture)])
    width, height = _frame()
    ax = axes_in(figure, MARGIN_IN + 0.3, FOOT_IN + 0.3, width, height)
    tallest = _map(ax, picture)
    side = WIDTH_IN - MARGIN_IN - SIDE_IN
    _scale(figure, picture, (side + 0.42, top - 1.75))
    per_inch = (picture.view[2] - picture.view[0]) / width
    scale_and_north(figure, side, top - 3.0, per_inch * picture.feet_per_unit)
    entries = _entries(picture, tallest)
    legend_column(figure, entries, side, top - 3.3, SIDE_IN, top - 3.3 - FOOT_IN)
    return figure


def _foot(picture: CrownsPicture) -> str:
    """Units, and whether crowns are named."""
    text = map_line(picture.crs, picture.feet_per_unit, "heights")
    n = len(picture.outlines)
    return f"{text} No ids are written: {n:,} crowns are too many." if n > NAMED_MOST else text


#: Room for the footer, and for title and subtitle. [in]
FOOT_IN, TITLE_IN = 0.84, 0.85


def _frame() -> tuple[float, float]:
    """Width and height of the map. [in]."""
    return WIDTH_IN - 2 * MARGIN_IN - SIDE_IN - 0.65, HEIGHT_IN - TITLE_IN - FOOT_IN - 0.35


def _map(ax: Any, picture: CrownsPicture) -> float:
    """Heights, outlines and treetops; the height at which the shading ends. [ft]."""
    west, south, east, north = picture.bounds
    known = picture.height_ft[np.isfinite(picture.height_ft)]
    tallest = max(5.0 * np.ceil(known.max() / 5.0), 10.0) if known.size else 10.0
    ax.imshow(
        _greys(picture.height_ft, tallest),
        extent=(west, east, south, north),
        interpolation="nearest",
        aspect="auto",
    )
    _hatch(ax, np.isnan(picture.height_ft), picture.bounds)
    for shape, look in ((picture.area, AREA_LOOK), (picture.asked, ASKED_LOOK)):
        if shape is not None:
            draw_line(ax, shapely.boundary(shape), casing=0.8, **look)
    _outlines(ax, picture)
    ax.plot(*picture.top_xy.T, **_top_mark(len(picture.outlines)))
    if len(picture.outlines) <= NAMED_MOST:
        _names(ax, picture)
    ax.set_xlim(picture.view[0], picture.view[2])
    ax.set_ylim(picture.view[1], picture.view[3])
    coordinates(ax)
    return float(tallest)


def _greys(height_ft: npt.NDArray[np.float64], tallest: float) -> npt.NDArray[np.float64]:
    share = np.clip(np.nan_to_num(height_ft) / tallest, 0.0, 1.0)
    return np.repeat((1.0 - (1.0 - DARKEST) * share)[:, :, None], 3, axis=2)


def _hatch(ax: Any, missing: npt.NDArray[np.bool_], bounds: Box) -> None:
    """Hatches where there are no heights."""
    from matplotlib.transforms import Affine2D

    west, south, east, north = bounds
    rows, cols = missing.shape
    place = Affine2D().scale((east - west) / cols, (south - north) / rows).translate(west, north)
    hatch_cells(ax, missing, place + ax.transData, "////", "#909090", zorder=1.0)


def _names(ax: Any, picture: CrownsPicture) -> None:
    """Ids beside the treetops, each where it covers no treetop and no other id."""
    per_pt = (picture.view[2] - picture.view[0]) / (72.0 * _frame()[0])
    tops = shapely.buffer(shapely.points(picture.top_xy), 2.6 * per_pt)
    taken: list[Any] = []
    for (x, y), name in zip(picture.top_xy, picture.names, strict=True):
        half = 0.31 * NAME_PT * len(name) * per_pt
        high = 0.45 * NAME_PT * per_pt
        best: tuple[float, Any, float, float] | None = None
        for right, up in NAME_PLACES:
            at_x, at_y = x + right * (half + 3.4 * per_pt), y + up * (high + 4.0 * per_pt)
            box = shapely.box(at_x - half, at_y - high, at_x + half, at_y + high)
            over = shapely.area(shapely.intersection(np.array([*tops, *taken]), box)).sum()
            if best is None or over < best[0] - 1e-9:
                best = (float(over), box, at_x, at_y)
        assert best is not None  # there are places to try
        taken.append(best[1])
        ax.text(best[2], best[3], name, fontsize=NAME_PT, ha="center", va="center",
                path_effects=halo(1.6), clip_on=True, zorder=4.0)  # fmt: skip


def _outlines(ax: Any, picture: CrownsPicture) -> None:
    """Every outline in the line of its class, the least sure ones on top."""
    from matplotlib.collections import LineCollection

    thin = 1.0 if len(picture.outlines) < 400 else 0.55
    classes = _class_of(picture.confidence)
    for k, (_, _, dashes, colour, width) in enumerate(CLASSES):
        rings = [
            shapely.get_coordinates(ring)
            for shape in picture.outlines[classes == k]
            for ring in (shape.exterior, *shape.interiors)
        ]
        casing: Any = {"colors": PAPER, "linewidths": thin * (width + 1.2), "alpha": 0.8}
        ax.add_collection(LineCollection(rings, zorder=2.0, **casing))
        line: Any = {"colors": colour, "linewidths": thin * width, "linestyles": dashes}
        ax.add_collection(LineCollection(rings, zorder=2.1 + 0.1 * k, **line))


def _class_of(confidence: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
    """Number of each crown's class, from 0 for the surest."""
    lowest = np.array([row[1] for row in CLASSES])
    return np.argmax(confidence[:, None] >= lowest, axis=1)


def _top_mark(n: int) -> dict[str, Any]:
    size = 4.2 if n <= 400 else 2.2
    return {"ls": "none", "marker": "^", "ms": size, "mfc": PAPER, "mec": BLACK, "mew": 0.7,
            "zorder": 3.0}  # fmt: skip


def _scale(figure: Any, picture: CrownsPicture, corner: tuple[float, float]) -> None:
    """How many crowns there are of each confidence."""
    from matplotlib.ticker import MaxNLocator

    ax = axes_in(figure, *corner, SIDE_IN - 0.5, 1.45)
    edges = np.linspace(0.0, 1.0, BINS + 1)
    counts, _ = np.histogram(picture.confidence, bins=edges)
    classes = _class_of(edges[:-1] + 1e-9)
    for k, (_, _, _, colour, _) in enumerate(CLASSES):
        mine = classes == k
        hatch, face = (("", "#B8B8B8"), ("", PAPER), ("////", PAPER))[k]
        ax.bar(edges[:-1][mine], counts[mine], width=1.0 / BINS, align="edge", facecolor=face,
               edgecolor=colour, hatch=hatch, linewidth=0.7)  # fmt: skip
    ax.set_xlim(0, 1)
    ax.set_xlabel("confidence", fontsize=7, labelpad=1.5)
    ax.set_ylabel("crowns", fontsize=7, labelpad=1.5)
    ax.tick_params(labelsize=6, length=2.5, width=0.6, pad=1.5)
    ax.yaxis.set_major_locator(MaxNLocator(4, integer=True))
    for name in ("top", "right"):
        ax.spines[name].set_visible(False)
    text = f"median {np.median(picture.confidence):.2f}"
    put_text(figure, corner[0], corner[1] + 1.50, text, 6.5, SIDE_IN, va="bottom", color=GREY)


def _entries(picture: CrownsPicture, tallest: float) -> list[tuple[Any, str]]:
    """Legend: outlines by confidence, treetops, shades of a few heights."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    entries: list[tuple[Any, str]] = []
    counts = np.bincount(_class_of(picture.confidence), minlength=len(CLASSES))
    for (name, _, dashes, colour, width), n in zip(CLASSES, counts, strict=True):
        line: Any = {"color": colour, "lw": width, "linestyle": dashes}
        entries.append((Line2D([], [], **line), f"crown, {name} ({n:,})"))
    entries.append((Line2D([], [], **_top_mark(1)), "treetop: highest point, not the trunk"))
    if picture.asked is not None:
        entries.append((Line2D([], [], **ASKED_LOOK), "area asked for"))
    if picture.area is not None:
        entries.append((Line2D([], [], **AREA_LOOK), "area asked for, with its margin"))
    for height in (0.0, round(tallest / 2), tallest):
        grey = 1.0 - (1.0 - DARKEST) * height / tallest
        label = f"{height:g} ft" + (" tall" if height == tallest else "")
        entries.append((Patch(facecolor=(grey,) * 3, edgecolor=BLACK, lw=0.5), label))
    if np.isnan(picture.height_ft).any():
        look = Patch(facecolor=PAPER, edgecolor="#909090", hatch="////", lw=0.5)
        entries.append((look, "no heights"))
    return entries
