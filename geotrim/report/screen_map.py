"""The map of a screening: lots by how they stand, the shore, the jurisdictions."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.model import MHW_ORIGINS
from geotrim.report.furniture import (
    CAUTION,
    MARGIN_IN,
    Entry,
    axes_in,
    coordinates,
    counted,
    footer_block,
    legend_column,
    map_line,
    new_figure,
    scale_and_north,
    title_block,
    wrapped,
)
from geotrim.report.map_layers import MHW_DASH
from geotrim.report.palette import BLACK, BLUE, PURPLE, style
from geotrim.report.screen_outlines import Outlines
from geotrim.report.screen_stands import (
    KEYS,
    OPEN_WORDS,
    PAPER_KINDS,
    STANDS,
    Stand,
    standings_words,
)
from geotrim.report.screen_view import ScreenView
from geotrim.report.shapes import grown_to, halo
from geotrim.units import feet_per_map_unit

WIDTH_IN, HEIGHT_IN, SIDE_IN = 11.0, 8.5, 2.75
#: Outlines drawn as one path: longer ones are slow to fill.
TOGETHER = 400
#: Lots so small on paper have no edge of their own, which would be all one sees. [in]
LEAST_EDGED_IN = 0.035
COUNTED_AS = "Trees of unknown species are counted as mangroves."
TOWN_DASH = (0, (6.0, 2.0))
#: Lots smaller than this on paper get closer hatches, for few lines would fall into one. [in]
DENSE_IN = 0.25


def screen_map(view: ScreenView) -> Any:
    """Draw the map of a screening.

    Parameters
    ----------
    view : ScreenView

    Returns
    -------
    matplotlib.figure.Figure
        11 x 8.5 in, north of the grid up, one scale in both directions.
    """
    with style():
        figure = new_figure(WIDTH_IN, HEIGHT_IN)
        top = HEIGHT_IN - title_block(figure, view.name, _subtitle(view))
        foot = footer_block(figure, [f"{OPEN_WORDS} {COUNTED_AS}", CAUTION, _crs_line(view)])
        width = WIDTH_IN - 2 * MARGIN_IN - SIDE_IN - 0.45
        height = top - foot - 0.25
        ax = axes_in(figure, MARGIN_IN + 0.2, foot + 0.2, width, height)
        bounds = view.outlines.bounds() or view.shore.bounds() or (0.0, 0.0, 1.0, 1.0)
        span = max(bounds[2] - bounds[0], bounds[3] - bounds[1], view.outlines.step)
        frame = grown_to(bounds, 0.03 * span, width, height)
        ax.set_xlim(frame[0], frame[2])
        ax.set_ylim(frame[1], frame[3])
        per_inch = (frame[2] - frame[0]) / width
        entries = [*_lots(ax, view, per_inch), *_towns(ax, view), *_shore(ax, view)]
        coordinates(ax)
        side = WIDTH_IN - MARGIN_IN - SIDE_IN
        scale_and_north(figure, side, top - 0.62, per_inch * _feet(view))
        legend_column(figure, entries, side, top - 0.85, SIDE_IN, top - 0.85 - foot)
    return figure


def _subtitle(view: ScreenView) -> str:
    frontage = np.nansum(view.lots["frontage_length_ft"].to_numpy())
    parts = [f"Screening of {counted(view.n_lots, 'lot')}", f"frontage {frontage:,.0f} ft"]
    told = view.by_stand()
    parts += [f"{n:,} {STANDS[key].short}" for key, n in told.items()]
    if words := standings_words(view.by_standing()):
        parts += [f"mangroves to cut: {words}"]
    return " \N{MIDDLE DOT} ".join(parts)


def _feet(view: ScreenView) -> float:
    return feet_per_map_unit(view.crs_wkt, "map")


def _crs_line(view: ScreenView) -> str:
    from pyproj import CRS

    crs = CRS.from_wkt(view.crs_wkt)
    code = crs.to_authority()
    named = f"{crs.name} ({code[0]}:{code[1]})" if code else crs.name
    return map_line(named, _feet(view), "lengths (international feet, on the grid)")


def _lots(ax: Any, view: ScreenView, per_inch: float) -> list[Entry]:
    """Lots, kind by kind; those that say most are drawn last."""
    entries: list[Entry] = []
    counts, trees = view.by_stand(), view.trees_by_stand()
    size_in = _middle_size(view.outlines) / per_inch
    edge = 0.0 if size_in < LEAST_EDGED_IN else float(np.clip(size_in * 1.2, 0.12, 0.7))
    for order, key in enumerate(reversed(KEYS)):
        if key not in counts:
            continue
        kind = STANDS[key]
        look = _look(kind, edge, n_hatch=2 if size_in < DENSE_IN else 1)
        rows = np.flatnonzero(view.codes == KEYS.index(key))
        for path in paths_of(view.outlines, rows):
            _add(ax, path, zorder=2.0 + order / 10, gid=f"lots-{key.replace(' ', '-')}", **look)
            if edge and kind.hatch:  # the hatch takes the colour of the edge
                _add(ax, path, fill=False, linewidth=edge, edgecolor=BLACK, zorder=3.2)
        words = f"{kind.words}: {counted(counts[key], 'lot')}"
        if key in trees:
            words += f" with {counted(trees[key], 'mangrove')} to cut"
        entries.insert(0, (_swatch(kind), words))
    n_unseen = int((np.diff(view.outlines.shapes) == 0).sum())
    if n_unseen:
        words = f"{counted(n_unseen, 'lot')} without a shape to draw: see the table"
        entries.append((_patch(facecolor="none", edgecolor="none"), words))
    return entries


def _look(kind: Stand, edge: float, n_hatch: int = 1) -> dict[str, Any]:
    look: dict[str, Any] = {"facecolor": kind.colour, "linewidth": edge}
    # A hatch takes the colour of the edge.
    look["edgecolor"] = kind.hatch_colour if kind.hatch else BLACK
    if kind.hatch:
        look["hatch"] = n_hatch * kind.hatch
    if kind.key in PAPER_KINDS:
        look["linewidth"] = max(edge, 0.3)
    return look


def _swatch(kind: Stand) -> Any:
    return _patch(**_look(kind, 0.7, n_hatch=2))  # a swatch is small: closer lines


def _patch(**look: Any) -> Any:
    from matplotlib.patches import Patch

    return Patch(**look)


def _add(ax: Any, path: Any, **look: Any) -> None:
    from matplotlib.patches import PathPatch

    ax.add_artist(PathPatch(path, **look))


def _middle_size(outlines: Outlines) -> float:
    """Side of a lot as large as most. [map units]."""
    if not len(outlines.xy):
        return 0.0
    begins = outlines.rings[:-1]
    spans = np.maximum.reduceat(outlines.xy, begins) - np.minimum.reduceat(outlines.xy, begins)
    return float(np.median(spans.min(axis=1))) * outlines.step


def paths_of(
    outlines: Outlines, rows: npt.NDArray[np.int64], *, is_area: bool = True
) -> Iterator[Any]:
    """Matplotlib paths of some shapes, many shapes to a path.

    Parameters
    ----------
    outlines : Outlines
    rows : (k,) shapes to draw
    is_area : bool
        Rings are closed; lines stay open.
    """
    from matplotlib.path import Path

    places, ends = outlines.places(), outlines.rings
    for at in range(0, len(rows), TOGETHER):
        mine = rows[at : at + TOGETHER]
        rings = [k for row in mine for k in range(outlines.shapes[row], outlines.shapes[row + 1])]
        vertices, codes = [], []
        for k in rings:
            xy = places[ends[k] : ends[k + 1]]
            if is_area:
                xy = np.vstack([xy, xy[:1]])
            code = np.full(len(xy), Path.LINETO, dtype=Path.code_type)
            code[0] = Path.MOVETO
            if is_area:
                code[-1] = Path.CLOSEPOLY
            vertices.append(xy)
            codes.append(code)
        if vertices:
            yield Path(np.concatenate(vertices), np.concatenate(codes))


def _shore(ax: Any, view: ScreenView) -> list[Entry]:
    look: dict[str, Any] = {"color": BLUE, "linewidth": 1.2, "linestyle": MHW_DASH}
    rows = np.arange(view.shore.n_shapes)
    for path in paths_of(view.shore, rows, is_area=False):
        _add(
            ax, path, fill=False, edgecolor=BLUE, linewidth=1.2, linestyle=MHW_DASH,
            zorder=4.0, gid="shore",
        )  # fmt: skip
    return [(_line(**look), MHW_ORIGINS[view.mhw_origin])] if len(rows) else []


def _towns(ax: Any, view: ScreenView) -> list[Entry]:
    """Outlines of the jurisdictions with their names, and where a name stands."""
    look: dict[str, Any] = {"edgecolor": PURPLE, "linewidth": 1.1, "linestyle": TOWN_DASH}
    rows = np.arange(view.towns.n_shapes)
    for path in paths_of(view.towns, rows):
        _add(ax, path, fill=False, zorder=3.5, gid="jurisdictions", **look)
    (x0, x1), (y0, y1) = ax.get_xlim(), ax.get_ylim()
    for row, name in zip(rows, view.town_names, strict=True):
        first, last = view.towns.shapes[row], view.towns.shapes[row + 1]
        xy = view.towns.places()[view.towns.rings[first] : view.towns.rings[last]]
        seen = np.clip(xy, (x0, y0), (x1, y1))
        if not len(seen) or np.ptp(seen, axis=0).min() <= 0.0:
            continue
        west, east, north = seen[:, 0].min(), seen[:, 0].max(), seen[:, 1].max()
        has_room = north < y1 - 0.05 * (y1 - y0)  # above the outline, where no lot is
        ax.text(
            (west + east) / 2, north + (0.008 if has_room else -0.01) * (y1 - y0),
            wrapped(str(name), 1.6, 8.0), fontsize=8, color=PURPLE, weight="bold", ha="center",
            va="bottom" if has_room else "top", path_effects=halo(2.5), zorder=6.0,
            clip_on=True, gid="jurisdiction-name",
        )  # fmt: skip
    words = "jurisdiction, by the outlines that were given"
    return [(_line(color=PURPLE, linewidth=1.1, linestyle=TOWN_DASH), words)] if len(rows) else []


def _line(**look: Any) -> Any:
    from matplotlib.lines import Line2D

    return Line2D([], [], **look)
