"""The picture of prepared heights: grey by height, tinted and hatched where there is none."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.io.aside import new_file
from geotrim.report.cells import hatch_cells
from geotrim.report.furniture import (
    MARGIN_IN,
    axes_in,
    block_heights,
    coordinates,
    counted,
    footer_block,
    legend_column,
    map_line,
    new_figure,
    percent,
    put_text,
    scale_and_north,
    title_block,
)
from geotrim.report.palette import BLACK, GREY, style
from geotrim.report.save import DPI

WIDTH_IN, SIDE_IN = 11.0, 2.75
#: Room for coordinates beside and under the map.
TICKS_IN = 0.3
#: Width over height of the map's frame: of the narrowest, of the longest, past which the legend
#: stands under the map, and under which the page is upright.
NARROWEST, LONGEST, LONG, TALL = 0.4, 5.0, 1.6, 0.75
#: Greys of the ground and of the tallest. Masks are lighter, or darker, than either.
GROUND_GREY, TALL_GREY = 0.74, 0.20
#: Reason in words -> fill and hatch. In grey the fills are lighter than the ground and step by
#: step darker (CIE L* 100, 97, 94, 90, 85), and nearly black, so that single cells tell too.
LOOKS = {
    "no surface": ("#FFFFFF", "...."),
    "no returns": ("#FFFFFF", "...."),
    "outside the ground model": ("#F6F6F6", "////"),
    "under water at the time of flight": ("#DDEFFF", "---"),
    "no ground (no data)": ("#E8E0F4", "\\\\\\\\"),
    "no ground under the cell's middle": ("#E8E0F4", "||||"),
    "no ground returns nearby": ("#FACF80", "xxx"),
    "surface far below the ground": ("#4A0A00", ""),
    "returns far below the ground": ("#4A0A00", ""),
}
OTHER_LOOK = ("#E8E0F4", "++++")
HATCH_COLOUR = "#505050"
#: Heights this share of the cells is under are shaded; taller ones are as dark as the last shade.
TALL_FRAC = 0.999
CAUTION = (
    "Heights are surface less ground, above the substrate as the ground model has it. Ground under "
    "mangrove often reads high, so heights read low. Screening, not a survey."
)


@dataclass(frozen=True, slots=True, eq=False)
class HeightsPicture:
    """What the picture shows.

    height_ft : (rows, cols), cells picked and not blended, NaN where there is none. [ft]
    reason : (rows, cols) codes, 0 where there is a height.
    transform : pixel to map, as :class:`geotrim.model.HeightSource` has it.
    feet_per_unit : feet in one map unit.
    crs : the CRS by name.
    counts : cells of each code in the whole raster.
    bins : cells by height, each ``bin_ft`` wide from 0 on; the last holds what is taller.
    """

    height_ft: npt.NDArray[np.floating[Any]]
    reason: npt.NDArray[np.uint8]
    transform: tuple[float, float, float, float, float, float]
    feet_per_unit: float
    crs: str
    counts: npt.NDArray[np.int64]
    bins: npt.NDArray[np.int64]
    bin_ft: float


def draw_heights(path: Path, picture: HeightsPicture, reasons: Mapping[int, str]) -> None:
    """Write the picture as PNG.

    Parameters
    ----------
    path : Path
    picture : HeightsPicture
    reasons : mapping
        Code -> why a cell has no height, in words.
    """
    with style():
        figure = heights_figure(picture, reasons)
        with new_file(path) as aside:
            figure.savefig(aside, format="png", dpi=DPI, metadata={"Software": "geotrim"})


def heights_figure(picture: HeightsPicture, reasons: Mapping[int, str]) -> Any:
    """The figure: a map in the shape of the raster; histogram, scale and legend beside or under it.

    The page is made to fit: 11 in wide, and lower for a raster that is long from west to east;
    narrower for one that is long from south to north.
    """
    title, footer = "Heights above the substrate", [CAUTION, _foot(picture)]
    subtitle = f"{picture.counts[0]:,} of {counted(int(picture.counts.sum()), 'cell')} have a "
    subtitle += f"height ({percent(picture.counts[0] / picture.counts.sum())})"
    x, y = _corners(picture)
    ratio = float(np.clip(np.ptp(x) / np.ptp(y), NARROWEST, LONGEST))
    is_long = ratio > LONG
    wide, high, page = _map_size(ratio)
    head, foot = block_heights(page, title, subtitle, footer)
    below = UNDER_IN if is_long else 0.0
    figure = new_figure(page, round(head + high + TICKS_IN + 0.1 + below + foot, 1))
    title_block(figure, title, subtitle)
    footer_block(figure, footer)
    ends, step = _shades(picture)
    bottom = foot + below + TICKS_IN
    ax = axes_in(figure, MARGIN_IN + TICKS_IN, bottom, wide, high)
    per_inch = _map(ax, picture, reasons, ends, (wide, high)) * picture.feet_per_unit
    shades, masks = _shade_entries(ends, step), _mask_entries(picture, reasons)
    if is_long:
        top = foot + UNDER_IN - 0.15
        _histogram(figure, picture, ends, (MARGIN_IN + 0.42, foot + 0.55), UNDER_IN - 0.8)
        scale_and_north(figure, MARGIN_IN + SIDE_IN + 0.35, top - 0.75, per_inch)
        left = MARGIN_IN + SIDE_IN + 3.2
        legend_column(figure, shades, left, top, 1.45, UNDER_IN - 0.2)
        if masks:
            left, room = left + 1.5, WIDTH_IN - MARGIN_IN - left - 1.5
            legend_column(figure, masks, left, top, room, UNDER_IN - 0.2)
        return figure
    side, top = page - MARGIN_IN - SIDE_IN, bottom + high
    _histogram(figure, picture, ends, (side + 0.42, top - 1.55), 1.55)
    scale_and_north(figure, side, top - 2.85, per_inch)
    legend_column(figure, [*shades, *masks], side, top - 3.1, SIDE_IN, top - 3.1 - foot)
    return figure


#: Room under a long map for histogram, scale and legend. [in]
UNDER_IN = 2.35


def _map_size(ratio: float) -> tuple[float, float, float]:
    """Width and height of the map and width of the page, by the map's width over height. [in]."""
    if ratio > LONG:
        wide = WIDTH_IN - 2 * MARGIN_IN - TICKS_IN
        return wide, wide / ratio, WIDTH_IN
    most = WIDTH_IN - 2 * MARGIN_IN - SIDE_IN - TICKS_IN - 0.35
    high = min(max(most / ratio, 5.2), 6.6 if ratio > TALL else 9.0)
    wide = min(high * ratio, most)
    return wide, high, round(wide + WIDTH_IN - most, 1)


def _foot(picture: HeightsPicture) -> str:
    return map_line(picture.crs, picture.feet_per_unit, "heights")


def _corners(picture: HeightsPicture) -> tuple[Any, Any]:
    """Where the raster's corners lie, x and y, in order round it. [map units]."""
    a, b, c, d, e, f = picture.transform
    rows, cols = picture.height_ft.shape
    at = np.array([(0, 0), (cols, 0), (cols, rows), (0, rows)], dtype=float)
    return a * at[:, 0] + b * at[:, 1] + c, d * at[:, 0] + e * at[:, 1] + f


def _shades(picture: HeightsPicture) -> tuple[float, float]:
    """Height at which the shading ends, over nearly all of them, and its even steps. [ft].

    The step is the smallest of 2, 5 or 10, 20, 50 ft that gets there in five or fewer.
    """
    total, tall = picture.bins.sum(), 10.0
    if total:
        at = int(np.searchsorted(np.cumsum(picture.bins), TALL_FRAC * total)) + 1
        tall = max(at * picture.bin_ft, 10.0)
    step = next(float(s) for s in (2, 5, 10, 20, 50, 100) if tall <= 5 * s)
    return step * float(np.ceil(tall / step - 1e-9)), step


def _grey(share: Any) -> Any:
    """Grey of a height by its share of the tallest."""
    return GROUND_GREY - (GROUND_GREY - TALL_GREY) * np.clip(share, 0.0, 1.0) ** 0.8


def _map(
    ax: Any,
    picture: HeightsPicture,
    reasons: Mapping[int, str],
    tallest: float,
    room_in: tuple[float, float],
) -> float:
    """Heights and masks in their place; map units an inch."""
    from matplotlib.transforms import Affine2D

    width, height = room_in
    a, b, c, d, e, f = picture.transform
    rows, cols = picture.height_ft.shape
    x, y = _corners(picture)
    per_inch = 1.03 * max(np.ptp(x) / width, np.ptp(y) / height)
    middle = (x.max() + x.min()) / 2, (y.max() + y.min()) / 2
    place = Affine2D(np.array([[a, b, c], [d, e, f], [0, 0, 1]])) + ax.transData
    ax.imshow(
        _shaded(picture, reasons, tallest),
        extent=(0, cols, rows, 0),
        transform=place,
        interpolation="nearest",
        aspect="auto",
        clip_on=True,
    )
    for code, text in reasons.items():
        hatch_cells(ax, picture.reason == code, place, _look(text)[1], HATCH_COLOUR)
    ax.set_xlim(middle[0] - per_inch * width / 2, middle[0] + per_inch * width / 2)
    ax.set_ylim(middle[1] - per_inch * height / 2, middle[1] + per_inch * height / 2)
    ax.plot([*x, x[0]], [*y, y[0]], color=GREY, lw=0.6)
    coordinates(ax)
    return float(per_inch)


def _shaded(
    picture: HeightsPicture, reasons: Mapping[int, str], tallest: float
) -> npt.NDArray[np.floating[Any]]:
    """Colours of the cells: light grey at the ground, dark where tall, tints for the masks."""
    from matplotlib.colors import to_rgb

    grey = _grey(np.nan_to_num(picture.height_ft) / tallest)
    colours = np.repeat(grey[:, :, None], 3, axis=2)
    for code, text in reasons.items():
        colours[picture.reason == code] = to_rgb(_look(text)[0])
    return colours


def _look(text: str) -> tuple[str, str]:
    """Fill and hatch of a reason."""
    return LOOKS.get(text, OTHER_LOOK)


def _bin_width(tallest: float) -> float:
    """Width of the histogram's bins, 1, 2 or 5 ft, for some 10 to 40 of them. [ft]."""
    return 1.0 if tallest <= 25.0 else 2.0 if tallest <= 50.0 else 5.0


def _histogram(
    figure: Any,
    picture: HeightsPicture,
    tallest: float,
    corner: tuple[float, float],
    height_in: float,
) -> None:
    """Cells by height; those at the ground, in the first bin, are told and not drawn."""
    ax = axes_in(figure, *corner, SIDE_IN - 0.5, height_in)
    wide = max(_bin_width(tallest), picture.bin_ft)
    each, n = round(wide / picture.bin_ft), round(tallest / wide)
    used = picture.bins[: n * each]
    cells = np.pad(used, (0, n * each - len(used))).reshape(n, each).sum(axis=1)
    left = np.arange(1, n) * wide
    greys = [(g, g, g) for g in _grey((left + wide / 2) / tallest)]
    look: dict[str, Any] = {"color": greys, "edgecolor": BLACK, "linewidth": 0.4}
    ax.bar(left, cells[1:], width=wide, align="edge", **look)
    ax.set_xlim(0, tallest)
    ax.set_ylim(bottom=0)
    ax.set_xlabel("height, ft", fontsize=7, labelpad=1.5)
    ax.set_ylabel("cells", fontsize=7, labelpad=1.5)
    ax.tick_params(labelsize=6, length=2.5, width=0.6, pad=1.5)
    ax.yaxis.set_major_locator(_few())
    if not cells[1:].any():
        ax.set_ylim(0, 1)
        ax.set_yticks([])
        words = f"no cell of {wide:g} ft or more"
        ax.text(0.5, 0.5, words, transform=ax.transAxes, ha="center", fontsize=7, color=GREY)
    for name in ("top", "right"):
        ax.spines[name].set_visible(False)
    n_low, n_tall = int(cells[0]), int(picture.bins[n * each :].sum())
    text = f"not drawn: {counted(n_low, 'cell')} under {wide:g}\N{NO-BREAK SPACE}ft"
    text += f", {n_tall:,} of {tallest:g}\N{NO-BREAK SPACE}ft or more" if n_tall else ""
    put_text(figure, corner[0] - 0.42, corner[1] - 0.34, text, 6.5, SIDE_IN, va="top", color=GREY)


def _few() -> Any:
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(4, integer=True)


def _shade_entries(tallest: float, step: float) -> list[tuple[Any, str]]:
    """Legend of the shades, in even steps."""
    from matplotlib.patches import Patch

    entries: list[tuple[Any, str]] = []
    for height in np.arange(round(tallest / step) + 1) * step:
        grey = float(_grey(height / tallest))
        label = f"{height:g} ft" + (" or more" if height == tallest else "")
        entries.append((Patch(facecolor=(grey,) * 3, edgecolor=BLACK, lw=0.5), label))
    return entries


def _mask_entries(picture: HeightsPicture, reasons: Mapping[int, str]) -> list[tuple[Any, str]]:
    """Legend of the masks that occur, with their share of the cells."""
    from matplotlib.patches import Patch

    entries: list[tuple[Any, str]] = []
    total = picture.counts.sum()
    for code, text in reasons.items():
        if n := int(picture.counts[code]):
            fill, hatch = _look(text)
            look = Patch(facecolor=fill, edgecolor=HATCH_COLOUR, hatch=hatch, lw=0.5)
            entries.append((look, f"{text}: {counted(n, 'cell')}, {percent(n / total)}"))
    return entries
