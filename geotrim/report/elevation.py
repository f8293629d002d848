"""The shoreline elevation: crowns from the side, stations along x, height above the substrate.

What is drawn of a window or of staged cuts is in ``elevation_window``.
"""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geotrim.core.silhouettes import place_on
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
from geotrim.report.elevation_window import (
    NAME_IN,
    UNDER_IN,
    after_basis,
    after_entries,
    after_words,
    draw_after,
    draw_sides,
    draw_spans,
    panel_name,
    room_over_in,
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
from geotrim.report.silhouettes import Seen, outline, silhouette
from geotrim.report.window_facts import Plan, plan_of

WIDTH_IN, LEFT_IN, N_COLUMNS = 11.0, 0.7, 4
LABEL_PT = 5.6
#: More crowns than this in an inch are drawn as colours only.
MOST_AN_INCH = 25


@dataclass(frozen=True, slots=True, eq=False)
class _Drawing:
    """All that is drawn of one lot; ``plan`` is None where nothing is to be cut."""

    rows: Any  # crowns of the lot, None without any
    stretches: list[Placed]
    seen: list[Seen]
    plan: Plan | None
    scale: Scale
    limits_ft: tuple[float, ...]
    band_ft: tuple[float, float]
    is_to_the_ground: bool

    @property
    def is_dense(self) -> bool:
        return len(self.seen) > MOST_AN_INCH * self.scale.width_in

    @property
    def over_in(self) -> float:
        """Paper over the second panel for its name and the spans."""
        if self.plan is None:
            return 0.0
        return NAME_IN + room_over_in(self.plan, self.stretches, self.scale)

    @property
    def second_in(self) -> float:
        """Paper of the second panel with all that belongs to it."""
        return 0.0 if self.plan is None else self.scale.height_in + self.over_in + UNDER_IN


def shoreline_elevation(site: Site, results: facts.Results, lot_id: str | None = None) -> Any:
    """Draw the trees of one lot's frontage from the side, seen from the land.

    Where a window or staged cuts are planned, a second panel of the same scale shows what is cut,
    year by year, and what stays.

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
    of = _drawing(site, results, lot)
    with style():
        styles = class_styles(facts.height_class_names(results))
        entries = _entries(of, styles)
        title = _subtitle(results, lot)
        cautions = [CAUTION, *_basis(site, results, of.scale, of.seen), *_plan_basis(of.plan)]
        legend_in = 0.2 * -(-len(entries) // N_COLUMNS) + 0.25
        top, foot = block_heights(WIDTH_IN, site.name, title, cautions)
        bottom = foot + legend_in + 0.72
        name_in = 0.0 if of.plan is None else NAME_IN
        height = bottom + of.second_in + of.scale.height_in + name_in + top + 0.3
        figure = new_figure(WIDTH_IN, height)
        title_block(figure, site.name, title)
        footer_block(figure, cautions)
        _draw_panels(figure, of, styles, bottom)
        width = WIDTH_IN - 2 * MARGIN_IN
        legend_column(figure, entries, MARGIN_IN, foot + legend_in, width, legend_in, N_COLUMNS)
    return figure


def _drawing(site: Site, results: facts.Results, lot: str) -> _Drawing:
    """What one lot's drawing holds."""
    stretches = placed_stretches(facts.table(results, "frontage", "frontage", lot))
    crowns = facts.crown_rows(site, results)
    mine = None if crowns is None else crowns[crowns["lot_id"] == lot]
    seen = _seen(site, results, mine, stretches)
    limits = facts.height_limits_ft(results)
    return _Drawing(
        mine,
        stretches,
        seen,
        plan_of(results, lot) if seen else None,
        _scale(seen, stretches, limits),
        limits,
        facts.band_ft(site, results),
        # under the column model, or none, a crown is filled down to the substrate
        bool(facts.parameter(results, "slices", "canopy_model", "column") == "column"),
    )


def _draw_panels(figure: Any, of: _Drawing, styles: dict[str, ClassStyle], bottom: float) -> None:
    """The trees as they stand, and under them as they will, where something is planned."""
    size = (of.scale.width_in, of.scale.height_in)
    ax = axes_in(figure, LEFT_IN, bottom + of.second_in, *size)
    draw_frame(ax, of.scale, of.limits_ft, of.band_ft)
    draw_stations(ax, of.stretches, of.scale)
    _draw(ax, of, styles)
    if not of.seen:
        say(ax, _why_empty(of))
    if of.plan is None:
        return
    panel_name(ax, "As it stands", 14.0 if len(of.stretches) > 1 else 5.0)
    draw_sides(ax, of.plan, of.stretches)
    ax.set_xlabel("")
    after = axes_in(figure, LEFT_IN, bottom, *size)
    draw_frame(after, of.scale, of.limits_ft, of.band_ft, is_veiled=False)
    draw_stations(after, of.stretches, of.scale, is_named=False)
    draw_after(after, of.seen, of.plan, is_to_the_ground=of.is_to_the_ground, is_dense=of.is_dense)
    draw_spans(after, of.plan, of.stretches, of.scale)
    draw_sides(after, of.plan, of.stretches)
    panel_name(after, after_words(of.plan), 72.0 * (of.over_in - NAME_IN) + 5.0)
    if not of.is_dense:
        _label(after, of, of.plan.cuts)


def _seen(site: Site, results: facts.Results, rows: Any, stretches: list[Placed]) -> list[Seen]:
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
        out.append(Seen(row, side, x, half, offset))
    return sorted(out, key=lambda s: -s.offset_ft)


def _same_crs(one: Any, other: Any) -> bool:
    from pyproj import CRS

    return bool(CRS.from_user_input(one).equals(CRS.from_user_input(other), True))


def _scale(seen: list[Seen], stretches: list[Placed], limits: tuple[float, ...]) -> Scale:
    """Room for every crown, every stretch and every height line."""
    xs = [s.from_ft + s.shift_ft for s in stretches] + [s.x_ft - s.half_ft for s in seen]
    xe = [s.to_ft + s.shift_ft for s in stretches] + [s.x_ft + s.half_ft for s in seen]
    x0, x1 = min(xs, default=0.0), max(xe, default=100.0)
    tops = [float(s.side.top_ft.max()) for s in seen if s.side is not None]
    tallest = max([*tops, *limits])
    pad = 0.015 * max(x1 - x0, 1.0)
    return fit(x0 - pad, x1 + pad, tallest + max(2.5, 0.08 * tallest))


def _draw(ax: Any, of: _Drawing, styles: dict[str, ClassStyle]) -> None:
    """Side views, near ones in front, then the ids that have room."""
    for place, one in enumerate(of.seen):
        _draw_one(ax, one, styles, 2.0 + place * 1e-3, of.is_to_the_ground, of.is_dense)
    if not of.is_dense:
        _label(ax, of)


def _draw_one(
    ax: Any,
    one: Seen,
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
    shape, low = outline(one, is_to_the_ground)
    look = styles.get(one.row["height_class"] or NO_DATA, styles[NO_DATA])
    fill: dict[str, Any] = {"facecolor": look.colour, "edgecolor": look.hatch_colour}
    fill["hatch"] = None if is_dense else look.hatch or None
    ax.add_patch(Polygon(shape, lw=0.0, zorder=z, gid=f"crown-{crown_id}", **fill))
    edge = VERMILION if one.row["is_partial"] else BLACK
    if not is_dense:
        casing = Polygon(shape, fill=False, edgecolor=PAPER, lw=width + 0.8, zorder=z + 2e-4)
        ax.add_patch(casing)
    ax.add_patch(Polygon(shape, fill=False, edgecolor=edge, lw=width, ls=dashes, zorder=z + 4e-4))
    if low > 0:
        ax.plot([one.x_ft] * 2, [0.0, low], color="#5A4632", lw=1.6, zorder=z - 1e-4)


def _label(ax: Any, of: _Drawing, wanted: Container[str] | None = None) -> None:
    """Ids over the tops that can be seen, the highest first; one without room goes without.

    ``wanted`` are the ids to write, all of them by default.
    """
    seen, scale = of.seen, of.scale
    prefix = common_prefix([str(s.row["crown_id"]) for s in seen])
    taken: list[tuple[float, float, float, float]] = []
    tall = [s for s in seen if s.side is not None]
    for one in sorted(tall, key=lambda s: -float(s.side.top_ft.max())):  # type: ignore[union-attr]
        assert one.side is not None
        peak = int(np.argmax(one.side.top_ft))
        x, y = float(one.side.station_ft[peak]), float(one.side.top_ft[peak])
        flat = np.flatnonzero(one.side.top_ft >= y - 0.02)
        x = float(one.side.station_ft[flat].mean()) if flat.size > 2 else x
        if wanted is not None and str(one.row["crown_id"]) not in wanted:
            continue
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


def _is_hidden(x_ft: float, y_ft: float, nearer: list[Seen]) -> bool:
    """Whether a place lies behind a crown nearer to the land."""
    for other in nearer:
        side = other.side
        if side is None or not side.station_ft[0] <= x_ft <= side.station_ft[-1]:
            continue
        if float(np.interp(x_ft, side.station_ft, side.top_ft)) > y_ft + 0.2:
            return True
    return False


def _entries(of: _Drawing, styles: dict[str, ClassStyle]) -> list[Entry]:
    from matplotlib.patches import Patch

    low, high = of.band_ft
    band = Patch(facecolor="#FBE6BF", edgecolor=VERMILION, lw=1.3)
    entries: list[Entry] = [(band, f"window band, {low:g}-{high:g} ft")]
    if not of.seen:
        return entries
    rows = of.rows[of.rows["crown_id"].isin([s.row["crown_id"] for s in of.seen])]
    prefix = common_prefix([str(i) for i in rows["crown_id"]])
    words = f"id{f' without {prefix!r}' if prefix else ''} over each top that is in sight"
    words = "too many crowns for ids, edges and hatches" if of.is_dense else words
    blank = Patch(facecolor="none", edgecolor="none")
    entries += [*crown_entries(rows, styles), (blank, words)]
    return entries if of.plan is None else [*entries, *after_entries(of.plan, is_dense=of.is_dense)]


def _subtitle(results: facts.Results, lot: str) -> str:
    parts = [f"Shoreline elevation, lot {lot}, looking from the land to the water"]
    row = facts.table(results, "frontage", "lots", lot)
    if row is not None and row["n_stretches"].iloc[0] > 0:
        parts.append(f"frontage {float(row['frontage_length_ft'].iloc[0]):.1f} ft")
    return " \N{MIDDLE DOT} ".join(parts)


def _basis(site: Site, results: facts.Results, scale: Scale, seen: list[Seen]) -> list[str]:
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


def _plan_basis(plan: Plan | None) -> list[str]:
    return [] if plan is None else [after_basis(plan)]


def _why_empty(of: _Drawing) -> str:
    if not of.stretches:
        return "no frontage: no stations to draw along"
    return "no crowns were given" if of.rows is None else "no crown stands along this frontage"
