"""The shoreline elevation: crowns from the side, stations along x, height above the substrate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geotrim.model import Site
from geotrim.report import facts
from geotrim.report.crown_marks import KINDS, MARKS, common_prefix, crown_entries
from geotrim.report.elevation_axes import (
    Placed,
    Scale,
    draw_frame,
    draw_stations,
    fit,
    placed_stretches,
    say,
    stretch_of,
)
from geotrim.report.furniture import (
    CAUTION,
    MARGIN_IN,
    Entry,
    axes_in,
    block_heights,
    footer_block,
    legend_column,
    new_figure,
    title_block,
)
from geotrim.report.palette import (
    BLACK,
    NO_DATA,
    PAPER,
    VERMILION,
    ClassStyle,
    class_styles,
    style,
)
from geotrim.report.shapes import halo
from geotrim.report.silhouettes import Silhouette, place_on, silhouette

WIDTH_IN, LEFT_IN, N_COLUMNS = 11.0, 0.7, 4
LABEL_PT = 5.6
#: More crowns than this in an inch are drawn as colours only.
MOST_AN_INCH = 25


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """One crown of the drawing: its row, its side view (None without a height) and its place."""

    row: Any
    side: Silhouette | None
    x_ft: float
    half_ft: float
    offset_ft: float


def shoreline_elevation(site: Site, results: facts.Results, lot_id: str | None = None) -> Any:
    """Draw the trees of one lot's frontage as they stand, seen from the land.

    Parameters
    ----------
    site : Site
    results : mapping
        Operation name -> Result; what is missing is left off.
    lot_id : str, optional
        By default the first measured lot.

    Returns
    -------
    matplotlib.figure.Figure
        11 in wide. Equal scales if the lot fits; else the vertical exaggeration is stated.

    Raises
    ------
    LayerError
        If the site measures no lot of that id.
    """
    lots = facts.chosen_lots(site, lot_id)
    lot = lots[0] if lots else "none"
    stretches = placed_stretches(facts.table(results, "frontage", "frontage", lot))
    crowns = facts.crown_rows(site, results)
    mine = None if crowns is None else crowns[crowns["lot_id"] == lot]
    seen = _seen(site, results, mine, stretches)
    scale = _scale(seen, stretches, facts.height_limits_ft(results))
    band = facts.band_ft(site, results)
    with style():
        styles = class_styles(facts.height_class_names(results))
        entries = _entries(mine, seen, styles, band, _is_dense(seen, scale))
        title, cautions = _subtitle(results, lot), [CAUTION, *_basis(site, results, scale, seen)]
        legend_in = 0.2 * -(-len(entries) // N_COLUMNS) + 0.25
        top, foot = block_heights(WIDTH_IN, site.name, title, cautions)
        bottom = foot + legend_in + 0.72
        figure = new_figure(WIDTH_IN, bottom + scale.height_in + top + 0.3)
        title_block(figure, site.name, title)
        footer_block(figure, cautions)
        ax = axes_in(figure, LEFT_IN, bottom, scale.width_in, scale.height_in)
        draw_frame(ax, scale, facts.height_limits_ft(results), band)
        draw_stations(ax, stretches, scale)
        _draw(ax, seen, styles, scale, _is_to_the_ground(results))
        if not seen:
            say(ax, _why_empty(stretches, crowns))
        width = WIDTH_IN - 2 * MARGIN_IN
        legend_column(figure, entries, MARGIN_IN, foot + legend_in, width, legend_in, N_COLUMNS)
    return figure


def _seen(site: Site, results: facts.Results, rows: Any, stretches: list[Placed]) -> list[_Seen]:
    """Side views of the lot's crowns, the farthest from the land first."""
    if rows is None or not stretches:
        return []
    feet = facts.feet_of(site)
    source, _ = facts.height_source(site, results)
    if source is not None and source.crs is not None and not _same_crs(source.crs, site.crs):
        source = None  # another grid: rounded tops, and the footer says so
    out = []
    for _, row in rows.iterrows():
        one = stretch_of(stretches, row["stretch_id"])
        if one is None:
            continue
        centre = row.geometry.centroid
        station, way = place_on(one.line, centre, one.from_ft, feet)
        reach = (shapely.get_coordinates(row.geometry) - shapely.get_coordinates(centre)) @ way
        half = float(np.ptp(reach)) / 2 * feet
        x = station + one.shift_ft
        side = silhouette(
            row.geometry, (way[0], way[1]), x, float(row["top_height_ft"]), feet, source
        )
        offset = float(row["offset_ft"]) if np.isfinite(row["offset_ft"]) else 0.0
        out.append(_Seen(row, side, x, half, offset))
    return sorted(out, key=lambda s: -s.offset_ft)


def _same_crs(one: Any, other: Any) -> bool:
    from pyproj import CRS

    return bool(CRS.from_user_input(one).equals(CRS.from_user_input(other), True))


def _scale(seen: list[_Seen], stretches: list[Placed], limits: tuple[float, ...]) -> Scale:
    """Room for every crown, every stretch and every height line."""
    xs = [s.from_ft + s.shift_ft for s in stretches] + [s.x_ft - s.half_ft for s in seen]
    xe = [s.to_ft + s.shift_ft for s in stretches] + [s.x_ft + s.half_ft for s in seen]
    x0, x1 = min(xs, default=0.0), max(xe, default=100.0)
    tops = [float(s.side.top_ft.max()) for s in seen if s.side is not None]
    tallest = max([*tops, *limits])
    pad = 0.015 * max(x1 - x0, 1.0)
    return fit(x0 - pad, x1 + pad, tallest + max(2.5, 0.08 * tallest))


def _is_dense(seen: list[_Seen], scale: Scale) -> bool:
    return len(seen) > MOST_AN_INCH * scale.width_in


def _is_to_the_ground(results: facts.Results) -> bool:
    """Under the column model, or none, a crown is filled down to the substrate."""
    return bool(facts.parameter(results, "slices", "canopy_model", "column") == "column")


def _draw(
    ax: Any,
    seen: list[_Seen],
    styles: dict[str, ClassStyle],
    scale: Scale,
    is_to_the_ground: bool,
) -> None:
    """Side views, near ones in front, then the ids that have room."""
    is_dense = _is_dense(seen, scale)
    for place, one in enumerate(seen):
        _draw_one(ax, one, styles, 2.0 + place * 1e-3, is_to_the_ground, is_dense)
    if not is_dense:
        _label(ax, seen, scale)


def _draw_one(
    ax: Any,
    one: _Seen,
    styles: dict[str, ClassStyle],
    z: float,
    is_to_the_ground: bool,
    is_dense: bool,
) -> None:
    """One crown; among very many only its colour and a hairline."""
    from matplotlib.patches import Polygon

    width, dashes, _ = (0.15, "-", "") if is_dense else KINDS[one.row["kind"]]
    crown_id = one.row["crown_id"]
    if one.side is None:
        xy = [(one.x_ft - one.half_ft, 0.9), (one.x_ft + one.half_ft, 0.9)]
        ax.plot(*zip(*xy, strict=True), color=BLACK, lw=1.2, ls=":", zorder=z, marker="|", ms=5)
        ax.text(
            one.x_ft, 1.2, "?", fontsize=7, ha="center", va="bottom", zorder=9,
            path_effects=halo(), gid=f"no-data-{crown_id}",
        )  # fmt: skip
        return
    base = float(one.row["base_height_ft"])
    low = 0.0 if is_to_the_ground or not np.isfinite(base) else base
    x, y = one.side.station_ft, np.maximum(one.side.top_ft, low)
    outline = np.column_stack([np.r_[x[0], x, x[-1]], np.r_[low, y, low]])
    look = styles.get(one.row["height_class"] or NO_DATA, styles[NO_DATA])
    fill: dict[str, Any] = {"facecolor": look.colour, "edgecolor": look.hatch_colour}
    fill["hatch"] = None if is_dense else look.hatch or None
    ax.add_patch(Polygon(outline, lw=0.0, zorder=z, gid=f"crown-{crown_id}", **fill))
    edge = VERMILION if one.row["is_partial"] else BLACK
    if not is_dense:
        casing = Polygon(outline, fill=False, edgecolor=PAPER, lw=width + 0.8, zorder=z + 2e-4)
        ax.add_patch(casing)
    ax.add_patch(Polygon(outline, fill=False, edgecolor=edge, lw=width, ls=dashes, zorder=z + 4e-4))
    if low > 0:
        ax.plot([one.x_ft] * 2, [0.0, low], color="#5A4632", lw=1.6, zorder=z - 1e-4)


def _label(ax: Any, seen: list[_Seen], scale: Scale) -> None:
    """Ids over the tops that can be seen, the highest first; one without room goes without."""
    prefix = common_prefix([str(s.row["crown_id"]) for s in seen])
    taken: list[tuple[float, float, float, float]] = []
    tall = [s for s in seen if s.side is not None]
    for one in sorted(tall, key=lambda s: -float(s.side.top_ft.max())):  # type: ignore[union-attr]
        assert one.side is not None
        peak = int(np.argmax(one.side.top_ft))
        x, y = float(one.side.station_ft[peak]), float(one.side.top_ft[peak])
        flat = np.flatnonzero(one.side.top_ft >= y - 0.02)
        x = float(one.side.station_ft[flat].mean()) if flat.size > 2 else x
        if _is_hidden(x, y, seen[seen.index(one) + 1 :]):
            continue
        name = str(one.row["crown_id"])[len(prefix) :] + MARKS.get(one.row["kind"], "")
        half = len(name) * LABEL_PT * 0.33 / 72.0 * scale.along_ft
        high = LABEL_PT * 1.25 / 72.0 * scale.up_ft
        box = (x - half, y, x + half, y + high)
        if any(box[0] < r and box[2] > p and box[1] < s and box[3] > q for p, q, r, s in taken):
            continue
        taken.append(box)
        ax.annotate(
            name, (x, y), xytext=(0, 1.2), textcoords="offset points", fontsize=LABEL_PT,
            ha="center", va="bottom", zorder=9, path_effects=halo(1.6),
            gid=f"label-{one.row['crown_id']}",
        )  # fmt: skip


def _is_hidden(x_ft: float, y_ft: float, nearer: list[_Seen]) -> bool:
    """Whether a place lies behind a crown nearer to the land."""
    for other in nearer:
        side = other.side
        if side is None or not side.station_ft[0] <= x_ft <= side.station_ft[-1]:
            continue
        if float(np.interp(x_ft, side.station_ft, side.top_ft)) > y_ft + 0.2:
            return True
    return False


def _entries(
    rows: Any,
    seen: list[_Seen],
    styles: dict[str, ClassStyle],
    band: tuple[float, float],
    is_dense: bool,
) -> list[Entry]:
    from matplotlib.patches import Patch

    entries: list[Entry] = [
        (
            Patch(facecolor="#FBE6BF", edgecolor=VERMILION, lw=1.3),
            f"window band, {band[0]:g}-{band[1]:g} ft",
        )
    ]
    if not seen:
        return entries
    rows = rows[rows["crown_id"].isin([s.row["crown_id"] for s in seen])]
    prefix = common_prefix([str(i) for i in rows["crown_id"]])
    words = f"id{f' without {prefix!r}' if prefix else ''} over each top that is in sight"
    words = "too many crowns for ids, edges and hatches" if is_dense else words
    blank = Patch(facecolor="none", edgecolor="none")
    return [*entries, *crown_entries(rows, styles), (blank, words)]


def _subtitle(results: facts.Results, lot: str) -> str:
    parts = [f"Shoreline elevation, lot {lot}, looking from the land to the water"]
    row = facts.table(results, "frontage", "lots", lot)
    if row is not None and row["n_stretches"].iloc[0] > 0:
        parts.append(f"frontage {float(row['frontage_length_ft'].iloc[0]):.1f} ft")
    return " \N{MIDDLE DOT} ".join(parts)


def _basis(site: Site, results: facts.Results, scale: Scale, seen: list[_Seen]) -> list[str]:
    """What the drawing rests on: scale, canopy model, tops, error."""
    model = facts.parameter(results, "slices", "canopy_model", None)
    if model is None:
        words = "Canopy model: none was used; crowns are filled to the substrate for the eye only."
    elif model == "column":
        words = "Canopy model: column, so a crown counts as solid down to the substrate."
    else:
        words = f"Canopy model: {model}; crowns are drawn above their base height where known."
    sides = [s.side for s in seen if s.side is not None]
    n_read = sum(side.is_from_raster for side in sides)
    tops = f"Tops: highest cell across the shore for {n_read} of {len(sides)} crowns"
    tops += "." if n_read == len(sides) else ", rounded for the others."
    if not n_read:
        other = site.heights is not None and not _same_crs(site.heights.crs or site.crs, site.crs)
        why = " (the heights are in another CRS than the site)" if other else ""
        tops = f"Tops: at each crown's top height, their outline rounded by rule{why}."
    source, done = facts.height_source(site, results)
    rmse = None if source is None else source.rmse_ft
    error = (
        "Vertical error: not stated."
        if rmse is None
        else f"Vertical error: {rmse:g} ft (standard error of one height)."
    )
    error = f"Heights {done}." if done else error
    order = "Crowns nearer the land are drawn in front."
    return [f"{scale.words()} {words} {tops} {error} {order}"]


def _why_empty(stretches: list[Placed], crowns: Any) -> str:
    if not stretches:
        return "no frontage: no stations to draw along"
    return "no crowns were given" if crowns is None else "no crown stands along this frontage"
