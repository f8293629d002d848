"""Hold drafted crowns against crowns that people drew, on real open data.

Run it as ``python scripts/check_crowns.py``; ``GEOTRIM_OPEN_DATA`` or ``--data`` names the folder
that holds ``neon_idtrees_osbs`` and ``neon_field_crowns_osbs``. It prints tables and writes
``check_crowns.png`` to the folder named with ``--out``. ``--sweep`` prints what other parameters
would have given.

The heights are 39 rasters of 20 by 20 cells of 1 m over pine and oak stands in north Florida: no
mangroves, coarse cells, and half of all crowns on the edge. Two of the plots are one plot stored
twice; it is counted once. Every plot is worked out with the same parameters, geotrim's defaults.

Given are boxes with sides along the axes. A box counts for the first plot, in number order, that
holds it wholly; a box stored twice counts once. Drafted crowns are compared with them twice: by
their own bounding box, and as the polygons they are. Pairs are one to one and chosen so that their
IoU (area in common over area together) adds up to the most, among pairs of at least 0.4, or 0.5.
Recall is the share of given crowns with a pair, precision that of drafted crowns. Precision reads
low: a drafted tree at a plot's edge has no box there to be paired with.

For scale, the tables also tell what squares of the median box's size, laid out in rows over the
cells with a height, would score: a draft must do better than that to have seen anything.
"""

from __future__ import annotations

import argparse
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from geotrim.core.crown_confidence import confidence, shares
from geotrim.core.crown_draft import draft_crowns
from geotrim.core.crown_regions import CrownRules
from geotrim.io.rasters import HeightRaster, open_heights
from geotrim.units import feet_per_map_unit

ROOT = Path(__file__).resolve().parent.parent
DATA = Path(os.environ.get("GEOTRIM_OPEN_DATA", ROOT.parent / "shared" / "data"))
#: OSBS_35 is OSBS_16 once more. Source: stated with the data.
STORED_TWICE = 35
IOUS = (0.4, 0.5)
#: Plots for the figure are chosen among those with as many boxes.
SHOWN_BOXES = 5
#: Field-drawn crowns are compared where at least so much of them is on a raster.
ON_RASTER_FRAC = 0.5


@dataclass(frozen=True, eq=False)
class Plot:
    """One plot: its heights, the boxes given for it, and the crowns drafted."""

    number: int
    raster: HeightRaster
    extent: Any
    boxes: Any
    crowns: Any
    top_xy: Any
    confidence: Any

    @property
    def name(self) -> str:
        return f"OSBS_{self.number}"


def rasters(data: Path) -> dict[int, HeightRaster]:
    """Plot number -> heights, in number order, each plot once."""
    paths = (data / "neon_idtrees_osbs" / "chm").glob("*.tif")
    numbers = {int(re.findall(r"OSBS_(\d+)", path.name)[0]): path for path in paths}
    return {n: open_heights(numbers[n], unit="m") for n in sorted(numbers) if n != STORED_TWICE}


def extent(raster: HeightRaster) -> Any:
    """The raster's ground, a box."""
    rows, cols = raster.shape
    a, _, c, _, e, f = raster.transform
    return shapely.box(c, f + e * rows, c + a * cols, f)


def plots(data: Path, rules: CrownRules | None = None) -> Iterator[Plot]:
    """Every plot with its boxes and the crowns drafted on it."""
    left = gpd.read_file(data / "neon_idtrees_osbs" / "itc" / "train_OSBS.shp").geometry
    for number, raster in rasters(data).items():
        ground = extent(raster)
        is_here = left.covered_by(ground)
        boxes = shapely.normalize(np.asarray(left[is_here].array))
        _, first = np.unique(shapely.to_wkb(boxes), return_index=True)
        left = left[~is_here]
        draft = draft_crowns(raster, feet_per_map_unit(raster.crs, "heights"), rules)
        sure = confidence(shares(draft.measures))
        yield Plot(
            number, raster, ground, boxes[np.sort(first)], draft.outlines, draft.top_xy, sure
        )


def ious(given: Any, drafted: Any) -> np.ndarray:
    """Area in common over area together, of every pair."""
    given, drafted = np.asarray(given, dtype=object), np.asarray(drafted, dtype=object)
    common = shapely.area(shapely.intersection(given[:, None], drafted[None, :]))
    return common / (shapely.area(given)[:, None] + shapely.area(drafted)[None, :] - common)


def pairs(iou: np.ndarray, least: float) -> tuple[np.ndarray, np.ndarray]:
    """One-to-one pairs of the largest sum of IoU among those of at least ``least``.

    An assignment problem, solved by a general-purpose library (Kuhn 1955, the Hungarian method).

    >>> given, drafted = pairs(np.array([[0.9, 0.6], [0.8, 0.0]]), 0.5)
    >>> given.tolist(), drafted.tolist()
    ([0, 1], [1, 0])
    """
    from scipy.optimize import linear_sum_assignment

    worth = np.where(iou >= least, iou, 0.0)
    given, drafted = linear_sum_assignment(worth, maximize=True)
    is_pair = worth[given, drafted] > 0.0
    return given[is_pair], drafted[is_pair]


def squares(plot: Plot, side: float) -> Any:
    """Squares in rows over the plot, those whose middle is on a cell with a height."""
    west, south, east, north = plot.extent.bounds
    x, y = np.meshgrid(
        np.arange(west, east - side / 2, side), np.arange(south, north - side / 2, side)
    )
    rows, cols = plot.raster.shape
    heights = plot.raster.read(0, rows, 0, cols)
    col = np.minimum(((x + side / 2 - west) / (east - west) * cols).astype(int), cols - 1)
    row = np.minimum(((north - y - side / 2) / (north - south) * rows).astype(int), rows - 1)
    is_on = heights[row, col] > 0
    return shapely.box(x[is_on], y[is_on], x[is_on] + side, y[is_on] + side)


def scores(done: list[Plot]) -> list[dict[str, Any]]:
    """One row a plot: counts of boxes, crowns and pairs, for boxes, polygons and squares."""
    side = float(np.sqrt(np.median(np.concatenate([shapely.area(p.boxes) for p in done]))))
    rows = []
    for plot in done:
        row: dict[str, Any] = {"plot": plot, "boxes": len(plot.boxes), "crowns": len(plot.crowns)}
        laid = squares(plot, side)
        row["squares"] = len(laid)
        for kind, drafted in (
            ("box", shapely.envelope(plot.crowns)),
            ("polygon", plot.crowns),
            ("square", laid),
        ):
            iou = ious(plot.boxes, drafted)
            for least in IOUS:
                row[kind, least] = pairs(iou, least)
        rows.append(row)
    return rows


def total(rows: list[dict[str, Any]], kind: str, least: float) -> tuple[float, float]:
    """Recall and precision over all plots."""
    n = sum(len(row[kind, least][0]) for row in rows)
    of = "squares" if kind == "square" else "crowns"
    return n / sum(row["boxes"] for row in rows), n / sum(row[of] for row in rows)


def field_crowns(data: Path, done: list[Plot]) -> list[tuple[str, str, float, float]]:
    """Field-drawn crowns on a plot: crown, plot, share on the raster, best IoU, cut to the plot."""
    drawn = gpd.read_file(data / "neon_field_crowns_osbs" / "field_crowns_OSBS.geojson")
    out = []
    for plot in done:
        inside = shapely.intersection(np.asarray(drawn.geometry.array), plot.extent)
        share = shapely.area(inside) / drawn.geometry.area.to_numpy()
        for k in np.flatnonzero(share >= ON_RASTER_FRAC):
            best = float(ious([inside[k]], plot.crowns).max(initial=0.0))
            out.append((str(drawn["indvdID"].iloc[k]), plot.name, float(share[k]), best))
    return out


# ------------------------------------------------------------------------------ telling


def tell(rows: list[dict[str, Any]]) -> None:
    """Print the table by plot, the totals, and what they hang on."""
    print("pairs of a given box with a drafted crown, by its bounding box (and as polygon)")
    print(f"{'plot':<9}{'boxes':>6}{'crowns':>8}{'IoU 0.4':>12}{'IoU 0.5':>12}")
    for row in rows:
        cells = [f"{len(row['box', least][0])} ({len(row['polygon', least][0])})" for least in IOUS]
        counts = f"{row['boxes']:>6}{row['crowns']:>8}"
        print(f"{row['plot'].name:<9}{counts}{cells[0]:>12}{cells[1]:>12}")
    n_boxes, n_crowns = (sum(row[key] for row in rows) for key in ("boxes", "crowns"))
    print(f"{'all':<9}{n_boxes:>6}{n_crowns:>8}")
    print(f"\n{'compared as':<22}{'IoU':>5}{'recall':>9}{'precision':>11}")
    for kind, name in (("box", "bounding box"), ("polygon", "polygon"), ("square", "squares")):
        for least in IOUS:
            recall, precision = total(rows, kind, least)
            print(f"{name:<22}{least:>5}{recall:>9.3f}{precision:>11.3f}")
    _tell_by_size(rows)
    _tell_by_confidence(rows)


def _tell_by_size(rows: list[dict[str, Any]]) -> None:
    areas = np.concatenate([shapely.area(row["plot"].boxes) for row in rows])
    hits = np.concatenate([np.isin(np.arange(row["boxes"]), row["box", 0.4][0]) for row in rows])
    print("\nrecall at IoU 0.4 by size of the given box")
    for low, high in ((0, 5), (5, 10), (10, 20), (20, np.inf)):
        mine = (areas >= low) & (areas < high)
        name = f"{low} to {high} m2" if high < np.inf else f"{low} m2 and more"
        print(f"{name:<18}{int(mine.sum()):>5} boxes{hits[mine].mean():>9.3f}")


def _tell_by_confidence(rows: list[dict[str, Any]]) -> None:
    sure = np.concatenate([row["plot"].confidence for row in rows])
    hits = np.concatenate([np.isin(np.arange(row["crowns"]), row["box", 0.4][1]) for row in rows])
    print("\nprecision at IoU 0.4 by confidence, thirds of all crowns")
    edges = np.quantile(sure, [0.0, 1 / 3, 2 / 3, 1.0])
    for low, high in pairwise(edges):
        mine = (sure >= low) & ((sure < high) | (high == edges[-1]))
        told = f"{low:.2f} to {high:.2f}"
        print(f"{told:<18}{int(mine.sum()):>5} crowns{hits[mine].mean():>8.3f}")


def sweep(data: Path) -> None:
    """Print the scores under other parameters, the same for all plots."""
    print("\nother parameters, compared by bounding box")
    base = CrownRules()
    for key, values in (
        ("smooth_ft", (0.0, 2.0, 3.0)),
        ("window_base_ft", (2.0, 5.0)),
        ("window_slope_frac", (0.05, 0.15)),
        ("edge_frac", (0.3, 0.4, 0.6)),
    ):
        for value in (getattr(base, key), *values):
            rows = scores(list(plots(data, replace(base, **{key: value}))))
            told = [f"{v:.3f}" for least in IOUS for v in total(rows, "box", least)]
            name = f"{key} {value:g}" + (" (default)" if value == getattr(base, key) else "")
            print(f"{name:<32}{'  '.join(told)}   recall, precision at 0.4; at 0.5")


# ------------------------------------------------------------------------------ the figure


def shown(rows: list[dict[str, Any]]) -> list[tuple[str, dict[str, Any]]]:
    """Two best, two middling and the two worst plots by F score at IoU 0.4, ties by number."""
    some = [row for row in rows if row["boxes"] >= SHOWN_BOXES]
    ranked = sorted(some, key=lambda row: -_f_score(row))
    middle = len(ranked) // 2
    chosen = [*ranked[:2], *ranked[middle - 1 : middle + 1], *ranked[-2:]]
    return list(
        zip(("best", "best", "middling", "middling", "worst", "worst"), chosen, strict=True)
    )


def _f_score(row: dict[str, Any]) -> float:
    return 2.0 * len(row["box", 0.4][0]) / (row["boxes"] + row["crowns"])


def draw(path: Path, rows: list[dict[str, Any]]) -> None:
    """Given boxes beside drafted crowns on six plots."""
    from geotrim.report.furniture import axes_in, footer_block, new_figure, title_block
    from geotrim.report.palette import style
    from geotrim.report.save import DPI

    with style():
        figure = new_figure(11.0, 8.5)
        recall, precision = total(rows, "box", 0.4)
        title = f"Given boxes and drafted crowns: recall {recall:.2f}, precision {precision:.2f}"
        subtitle = "IoU 0.4 or more of a box with a crown's bounding box, all plots, one set of "
        subtitle += "parameters; six of the plots, the worst among them"
        title_block(figure, title, subtitle)
        footer_block(figure, [
            "Plots of 20 x 20 m at Ordway-Swisher Biological Station, Florida: pines and oaks, no "
            "mangroves, cells of 1 m. Data: NEON and the organisers of IDTReeS 2020, CC-BY 4.0."
        ])  # fmt: skip
        for k, (rank, row) in enumerate(shown(rows)):
            left, bottom = 0.45 + 2.75 * (k % 3), 4.15 - 3.6 * (k // 3)
            _draw_plot(axes_in(figure, left, bottom, 2.6, 2.95), rank, row)
        _legend(figure)
        figure.savefig(path, format="png", dpi=DPI, metadata={"Software": "geotrim"})


PAIRED, UNPAIRED = "solid", (0, (1.6, 1.3))


def _draw_plot(ax: Any, rank: str, row: dict[str, Any]) -> None:
    from geotrim.report.palette import BLACK, BLUE, VERMILION
    from geotrim.report.shapes import draw_line

    plot: Plot = row["plot"]
    rows, cols = plot.raster.shape
    heights = np.nan_to_num(plot.raster.read(0, rows, 0, cols))
    west, south, east, north = plot.extent.bounds
    ax.imshow(
        heights, extent=(west, east, south, north), cmap="Greys", vmin=0,
        vmax=1.9 * max(heights.max(), 1.0), interpolation="nearest",
    )  # fmt: skip
    given, drafted = row["box", 0.4]
    for shapes, paired, colour, width in (
        (plot.boxes, given, VERMILION, 1.5),
        (plot.crowns, drafted, BLUE, 1.1),
    ):
        for k, shape in enumerate(shapes):
            dashes = PAIRED if k in paired else UNPAIRED
            draw_line(
                ax, shapely.boundary(shape), color=colour, lw=width, linestyle=dashes, casing=0.5
            )
    ax.plot(*plot.top_xy.T, ls="none", marker="^", ms=3.5, mfc="white", mec=BLACK, mew=0.6)
    ax.set_xlim(west - 0.4, east + 0.4)
    ax.set_ylim(south - 0.4, north + 0.4)
    ax.set_xticks([])
    ax.set_yticks([])
    told = f"{len(given)} pairs of {row['boxes']} boxes and {row['crowns']} crowns"
    ax.set_title(f"{plot.name} ({rank})\n{told}", fontsize=8, loc="left", pad=3)


def _legend(figure: Any) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    from geotrim.report.furniture import legend_column
    from geotrim.report.palette import BLACK, BLUE, VERMILION

    entries: list[tuple[Any, str]] = []
    for colour, width, name in ((VERMILION, 1.5, "given box"), (BLUE, 1.1, "drafted crown")):
        for dashes, told in ((PAIRED, "in a pair"), (UNPAIRED, "without a pair")):
            look: Any = {"color": colour, "lw": width, "linestyle": dashes}
            entries.append((Line2D([], [], **look), f"{name}, {told}"))
    top: Any = {"ls": "none", "marker": "^", "ms": 4, "mfc": "white", "mec": BLACK, "mew": 0.6}
    entries.append((Line2D([], [], **top), "treetop"))
    entries.append((Patch(facecolor="#7A7A7A", edgecolor=BLACK, lw=0.5), "tallest of the plot"))
    entries.append((Patch(facecolor="#FFFFFF", edgecolor=BLACK, lw=0.5), "no canopy"))
    legend_column(figure, entries, 8.75, 7.05, 1.9, 4.0)


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--data", type=Path, default=DATA, help="folder of the open data")
    parser.add_argument("--out", type=Path, default=Path(), help="folder for the figure")
    parser.add_argument("--sweep", action="store_true", help="try other parameters too")
    args = parser.parse_args()
    if not (args.data / "neon_idtrees_osbs").is_dir():
        print(f"no open data in {args.data}; name its folder with --data")
        return 2
    rows = scores(list(plots(args.data)))
    tell(rows)
    print("\ncrowns drawn in the field, at least half on a plot, cut to it: best IoU of any crown")
    for crown, plot, share, best in field_crowns(args.data, [row["plot"] for row in rows]):
        print(f"{crown:<12}{plot:<9}{share:>6.2f} on the raster{best:>7.2f}")
    if args.sweep:
        sweep(args.data)
    args.out.mkdir(parents=True, exist_ok=True)
    draw(args.out / "check_crowns.png", rows)
    print(f"\nwritten: {args.out / 'check_crowns.png'}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
