"""The picture of prepared heights: grey by height, hatched where there is none."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.io.aside import new_file
from geotrim.report.furniture import (
    MARGIN_IN,
    axes_in,
    coordinates,
    footer_block,
    legend_column,
    new_figure,
    put_text,
    round_length,
    scale_and_north,
    title_block,
)
from geotrim.report.palette import BLACK, GREY, style
from geotrim.report.save import DPI

WIDTH_IN, HEIGHT_IN, SIDE_IN = 11.0, 8.5, 2.75
#: Reason in words -> fill and hatch. The fills are light, so that the hatch tells on grey paper.
LOOKS = {
    "no surface": ("#FFFFFF", "...."),
    "no returns": ("#FFFFFF", "...."),
    "outside the ground model": ("#FFFFFF", "////"),
    "no ground (no data)": ("#F4F0E4", "\\\\\\\\"),
    "under water at the time of flight": ("#CFE4F2", "---"),
    "no ground returns nearby": ("#F7DDB5", "xxx"),
    "surface far below the ground": ("#C04A00", ""),
    "returns far below the ground": ("#C04A00", ""),
}
OTHER_LOOK = ("#F4F0E4", "||||")
#: Hatches are outlined on no more cells than this along a side.
HATCH_CELLS = 300
#: Heights this share of the cells is under are shaded; taller ones are black.
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
    """The figure: a map on the left; histogram, legend and scale on the right."""
    share = picture.counts[0] / picture.counts.sum()
    figure = new_figure(WIDTH_IN, HEIGHT_IN)
    subtitle = f"{picture.counts[0]:,} of {picture.counts.sum():,} cells have a height "
    subtitle += f"({100 * share:.1f} %)"
    top = HEIGHT_IN - title_block(figure, "Heights above the substrate", subtitle)
    foot = footer_block(figure, [CAUTION, f"Coordinates: {picture.crs}. Heights in feet."])
    tallest = _tall(picture)
    width, height = WIDTH_IN - 2 * MARGIN_IN - SIDE_IN - 0.65, top - foot - 0.35
    ax = axes_in(figure, MARGIN_IN + 0.3, foot + 0.3, width, height)
    per_inch = _map(ax, picture, reasons, tallest, (width, height))
    side = WIDTH_IN - MARGIN_IN - SIDE_IN
    _histogram(figure, picture, tallest, (side + 0.42, top - 1.85))
    scale_and_north(figure, side, top - 3.2, per_inch * picture.feet_per_unit)
    entries = _entries(picture, reasons, tallest)
    legend_column(figure, entries, side, top - 3.45, SIDE_IN, top - 3.45 - foot)
    return figure


def _tall(picture: HeightsPicture) -> float:
    """Height at which the shading ends: a round number over nearly all of them. [ft]."""
    total = picture.bins.sum()
    if not total:
        return 10.0
    at = int(np.searchsorted(np.cumsum(picture.bins), TALL_FRAC * total)) + 1
    return max(5.0 * np.ceil(at * picture.bin_ft / 5.0), 10.0)


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
    at = np.array([(0, 0), (cols, 0), (cols, rows), (0, rows)], dtype=float)
    x, y = a * at[:, 0] + b * at[:, 1] + c, d * at[:, 0] + e * at[:, 1] + f
    per_inch = 1.04 * max((x.max() - x.min()) / width, (y.max() - y.min()) / height)
    middle = (x.max() + x.min()) / 2, (y.max() + y.min()) / 2
    ax.set_xlim(middle[0] - per_inch * width / 2, middle[0] + per_inch * width / 2)
    ax.set_ylim(middle[1] - per_inch * height / 2, middle[1] + per_inch * height / 2)
    place = Affine2D(np.array([[a, b, c], [d, e, f], [0, 0, 1]])) + ax.transData
    ax.imshow(
        _shaded(picture, reasons, tallest),
        extent=(0, cols, rows, 0),
        transform=place,
        interpolation="nearest",
        aspect="auto",
        clip_on=True,
    )
    _hatch(ax, picture, reasons, place)
    ax.set_xlim(middle[0] - per_inch * width / 2, middle[0] + per_inch * width / 2)
    ax.set_ylim(middle[1] - per_inch * height / 2, middle[1] + per_inch * height / 2)
    ax.plot([*x, x[0]], [*y, y[0]], color=GREY, lw=0.6)
    coordinates(ax)
    return float(per_inch)


def _shaded(
    picture: HeightsPicture, reasons: Mapping[int, str], tallest: float
) -> npt.NDArray[np.floating[Any]]:
    """Colours of the cells: white at the ground, dark where tall, light fills for the masks."""
    from matplotlib.colors import to_rgb

    grey = 1.0 - 0.88 * np.clip(np.nan_to_num(picture.height_ft) / tallest, 0.0, 1.0) ** 0.8
    colours = np.repeat(grey[:, :, None], 3, axis=2)
    for code, text in reasons.items():
        colours[picture.reason == code] = to_rgb(_look(text)[0])
    return colours


def _look(text: str) -> tuple[str, str]:
    """Fill and hatch of a reason."""
    return LOOKS.get(text, OTHER_LOOK)


def _hatch(ax: Any, picture: HeightsPicture, reasons: Mapping[int, str], place: Any) -> None:
    """Hatches over the masks, outlined on a coarser grid."""
    step = max(-(-max(picture.reason.shape) // HATCH_CELLS), 1)
    coarse = picture.reason[::step, ::step]
    rows, cols = coarse.shape
    x = (np.arange(-1, cols + 1) + 0.5) * step
    y = (np.arange(-1, rows + 1) + 0.5) * step
    for code, text in reasons.items():
        hatch = _look(text)[1]
        mask = np.pad((coarse == code).astype(float), 1)
        if hatch and mask.any():
            drawn = ax.contourf(
                x, y, mask, levels=[0.5, 1.5], colors="none", hatches=[hatch], transform=place
            )
            drawn.set_edgecolor("#505050")
            drawn.set_linewidth(0.0)


def _histogram(
    figure: Any, picture: HeightsPicture, tallest: float, corner: tuple[float, float]
) -> None:
    """Cells by height; those at the ground, under 1 ft, are told and not drawn."""
    ax = axes_in(figure, *corner, SIDE_IN - 0.5, 1.55)
    n = round(tallest / picture.bin_ft)
    first = 1
    left = np.arange(first, n) * picture.bin_ft
    grey = 1.0 - 0.88 * ((left + picture.bin_ft / 2) / tallest) ** 0.8
    ax.bar(
        left,
        picture.bins[first:n],
        width=picture.bin_ft,
        align="edge",
        color=[(g, g, g) for g in grey],
        edgecolor=BLACK,
        linewidth=0.4,
    )
    ax.set_xlim(0, tallest)
    ax.set_xlabel("height, ft", fontsize=7, labelpad=1.5)
    ax.set_ylabel("cells", fontsize=7, labelpad=1.5)
    ax.tick_params(labelsize=6, length=2.5, width=0.6, pad=1.5)
    ax.yaxis.set_major_locator(_few())
    for name in ("top", "right"):
        ax.spines[name].set_visible(False)
    n_low, n_tall = int(picture.bins[:first].sum()), int(picture.bins[n:].sum())
    text = f"not drawn: {n_low:,} cells under {first * picture.bin_ft:g} ft"
    text += f", {n_tall:,} of {tallest:g} ft or more" if n_tall else ""
    put_text(figure, corner[0] - 0.42, corner[1] - 0.34, text, 6.5, SIDE_IN, va="top", color=GREY)


def _few() -> Any:
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(4, integer=True)


def _entries(
    picture: HeightsPicture, reasons: Mapping[int, str], tallest: float
) -> list[tuple[Any, str]]:
    """Legend: shades of a few heights, then the masks that occur with their share."""
    from matplotlib.patches import Patch

    entries: list[tuple[Any, str]] = []
    step = round_length(tallest / 3)
    for height in (0.0, step, 2 * step, tallest):
        grey = 1.0 - 0.88 * (height / tallest) ** 0.8
        label = f"{height:g} ft" + (" or more" if height == tallest else "")
        entries.append((Patch(facecolor=(grey,) * 3, edgecolor=BLACK, lw=0.5), label))
    total = picture.counts.sum()
    for code, text in reasons.items():
        if picture.counts[code]:
            fill, hatch = _look(text)
            share = 100 * picture.counts[code] / total
            look = Patch(facecolor=fill, edgecolor="#505050", hatch=2 * hatch, lw=0.5)
            entries.append((look, f"{text}: {picture.counts[code]:,} cells, {share:.1f} %"))
    return entries
