"""The figure of a prepared MHW line: ground, line by kind, the band it may lie in, lots."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from pyproj import CRS

from geotrim.report.furniture import (
    MARGIN_IN,
    Entry,
    axes_in,
    coordinates,
    footer_block,
    legend_column,
    map_line,
    new_figure,
    scale_and_north,
    title_block,
)
from geotrim.report.palette import BLACK, BLUE, GREY, ORANGE, PAPER, VERMILION, style
from geotrim.report.shapes import bounds_of, draw_area, draw_line, grown_to
from geotrim.units import feet_per_map_unit

WIDTH_IN, HEIGHT_IN, SIDE_IN = 11.0, 8.5, 2.6
CAUTION = (
    "Approximate; not an MHW survey under ch. 177 F.S. The contour of a ground model at the MHW "
    "elevation; only a licensed surveyor and mapper may determine the MHW line."
)
#: Kind -> words, colour, dashes, width in points.
LINES: dict[str, tuple[str, str, Any, float]] = {
    "shore": ("MHW line", BLUE, "-", 1.5),
    "island": ("MHW line around higher ground (island)", VERMILION, (0, (5.0, 1.4)), 1.4),
    "pond": ("closed around lower ground (pond)", BLACK, (0, (1.2, 1.2)), 1.3),
}
#: Greys of the lowest and the highest ground shown.
GREYS = ("#8C8C8C", "#F4F4F4")


@dataclass(frozen=True, slots=True, eq=False)
class MhwSheet:
    """What the figure shows.

    layers : ``mhw_line`` and, where there are any, ``mhw_ponds`` and ``mhw_band``; all in ``crs``.
    ground : a raster with ``read_display``.
    """

    title: str
    how: str
    epoch: str
    crs: CRS
    ground: Any
    layers: dict[str, Any]
    lots: Any
    error_ft: float | None


def mhw_figure(sheet: MhwSheet) -> Any:
    """Draw the figure, 11 x 8.5 in, grid north up."""
    with style():
        figure = new_figure(WIDTH_IN, HEIGHT_IN)
        head = title_block(figure, sheet.title, _subtitle(sheet))
        foot = footer_block(figure, [CAUTION, _crs_words(sheet.crs)])
        width = WIDTH_IN - 2 * MARGIN_IN - SIDE_IN - 0.55
        height = HEIGHT_IN - head - foot - 0.35
        ax = axes_in(figure, MARGIN_IN + 0.25, foot + 0.25, width, height)
        frame = _frame(sheet, width, height)
        ax.set_xlim(frame[0], frame[2])
        ax.set_ylim(frame[1], frame[3])
        coordinates(ax)
        entries = [*_ground(ax, sheet, frame), *_band(ax, sheet), *_lots(ax, sheet)]
        entries = [*_lines(ax, sheet), *entries]
        side = WIDTH_IN - MARGIN_IN - SIDE_IN
        top = HEIGHT_IN - head
        per_inch = (frame[2] - frame[0]) / width * feet_per_map_unit(sheet.crs, "figure")
        scale_and_north(figure, side, top - 0.7, per_inch)
        legend_column(figure, entries, side, top - 0.95, SIDE_IN, top - 0.95 - foot)
    return figure


def _subtitle(sheet: MhwSheet) -> str:
    table = sheet.layers["mhw_line"]
    length = float(table["length_ft"].sum())
    n = len(table)
    text = f"Tidal epoch {sheet.epoch}; {sheet.how}. {length:,.0f} ft in {n} "
    text += "piece." if n == 1 else "pieces."
    return f"{text} Approximate; not an MHW survey under ch. 177."


def _crs_words(crs: CRS) -> str:
    code = crs.to_authority()
    named = f"{crs.name} ({code[0]}:{code[1]})" if code else crs.name
    return map_line(named, feet_per_map_unit(crs, "figure"), "lengths (on the grid), ground")


def _frame(sheet: MhwSheet, width: float, height: float) -> tuple[float, float, float, float]:
    """The lots and the line near them; the whole line where there are no lots."""
    shapes = list(sheet.layers["mhw_line"].geometry.array)
    if sheet.lots is not None:
        lots = list(sheet.lots.geometry.array)
        around = shapely.box(*(bounds_of(lots) or (0.0, 0.0, 1.0, 1.0)))
        x0, y0, x1, y1 = around.bounds
        near = around.buffer(0.6 * max(x1 - x0, y1 - y0), join_style="mitre")
        shapes = [*lots, *(shapely.intersection(shape, near) for shape in shapes)]
    bounds = bounds_of(shapes) or (0.0, 0.0, 1.0, 1.0)
    span = max(bounds[2] - bounds[0], bounds[3] - bounds[1])
    return grown_to(bounds, 0.06 * span or 1.0, width, height)


def _ground(ax: Any, sheet: MhwSheet, frame: Any) -> list[Entry]:
    from matplotlib.colors import LinearSegmentedColormap
    from matplotlib.patches import Patch, Rectangle

    height_ft, (west, south, east, north) = sheet.ground.read_display(frame, 1200, crs=sheet.crs)
    gap: dict[str, Any] = {
        "facecolor": PAPER,
        "edgecolor": "#C8C8C8",
        "hatch": "xxx",
        "linewidth": 0.0,
    }
    ax.add_patch(Rectangle((west, south), east - west, north - south, **gap, zorder=0.1))
    entries: list[Entry] = []
    if np.isfinite(height_ft).any():
        low, high = np.nanpercentile(height_ft, [2.0, 98.0])
        greys = LinearSegmentedColormap.from_list("ground", GREYS)
        ax.imshow(
            height_ft,
            extent=(west, east, south, north),
            cmap=greys,
            vmin=low,
            vmax=max(high, low + 1e-6),
            interpolation="nearest",
            zorder=0.2,
            aspect="auto",
        )
        for colour, word, value in ((GREYS[0], "low", low), (GREYS[1], "high", high)):
            handle = Patch(facecolor=colour, edgecolor=GREY, linewidth=0.6)
            entries.append((handle, f"{word} ground, {value:+.1f} ft"))
    if not np.isfinite(height_ft).all():
        entries.append((Patch(**gap), "no data, or beyond the ground model"))
    return entries


def _band(ax: Any, sheet: MhwSheet) -> list[Entry]:
    from matplotlib.patches import Patch

    band = sheet.layers.get("mhw_band")
    if band is None:
        return []
    look: dict[str, Any] = {
        "facecolor": "none",
        "edgecolor": ORANGE,
        "hatch": "////",
        "linewidth": 0.7,
    }
    for shape in band.geometry.array:
        draw_area(ax, shape, **look, zorder=2.0, gid="band")
    text = f"ground within {sheet.error_ft:.2f} ft of the level: where the line may lie"
    return [(Patch(**look), text)]


def _lots(ax: Any, sheet: MhwSheet) -> list[Entry]:
    from matplotlib.patches import Patch

    if sheet.lots is None:
        return []
    for shape in sheet.lots.geometry.array:
        draw_area(ax, shape, facecolor="none", edgecolor=PAPER, linewidth=3.0, zorder=2.9)
        draw_area(ax, shape, facecolor="none", edgecolor=BLACK, linewidth=1.3, zorder=3.0)
    return [(Patch(facecolor="none", edgecolor=BLACK, linewidth=1.3), "lot")]


def _lines(ax: Any, sheet: MhwSheet) -> list[Entry]:
    from matplotlib.lines import Line2D

    entries: list[Entry] = []
    for kind, (words, colour, dashes, wide) in LINES.items():
        n, length = 0, 0.0
        for name in ("mhw_line", "mhw_ponds"):
            table = sheet.layers.get(name)
            if table is None:
                continue
            rows = table[table["kind"] == kind]
            n, length = n + len(rows), length + float(rows["length_ft"].sum())
            for shape in rows.geometry.array:
                look = {"color": colour, "linestyle": dashes, "linewidth": wide}
                draw_line(ax, shape, casing=0.7, **look, zorder=4.0, gid=kind)
        if n:
            handle = Line2D([], [], color=colour, linestyle=dashes, linewidth=wide)
            entries.append(
                (handle, f"{words}, {n} {'piece' if n == 1 else 'pieces'}, {length:,.0f} ft")
            )
    return entries
