"""The overview map: lot, shore, limits, fringe, zone, setbacks and crowns on one sheet."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from geotrim.model import Site
from geotrim.report import facts
from geotrim.report.furniture import (
    CAUTION,
    MARGIN_IN,
    axes_in,
    coordinates,
    crs_line,
    footer_block,
    legend_column,
    new_figure,
    scale_and_north,
    title_block,
)
from geotrim.report.map_layers import (
    CHANNEL_DASH,
    MHW_DASH,
    MOUTH_DASH,
    Sheet,
    crown_cover,
    draw_layers,
)
from geotrim.report.palette import BLACK, BLUE, GREY, NEIGHBOUR_FACE, VERMILION, style
from geotrim.report.shapes import bounds_of, draw_area, draw_line, grown_to
from geotrim.report.window_marks import MOST_GROWN, draw_eye, eye_points

WIDTH_IN, HEIGHT_IN, SIDE_IN = 11.0, 8.5, 2.75
KEY_MAP_IN = 1.45
Box = tuple[float, float, float, float]


def overview_map(site: Site, results: facts.Results, lot_id: str | None = None) -> Any:
    """Draw the map of one lot, or of all measured lots.

    Parameters
    ----------
    site : Site
    results : mapping
        Operation name -> Result; what is missing is left off the map.
    lot_id : str, optional
        The lot to show; all measured ones by default.

    Returns
    -------
    matplotlib.figure.Figure
        11 x 8.5 in, north of the grid up, one scale in both directions.

    Raises
    ------
    LayerError
        If the site measures no lot of that id.
    """
    lots = facts.chosen_lots(site, lot_id)
    with style():
        figure = new_figure(WIDTH_IN, HEIGHT_IN)
        top = HEIGHT_IN - title_block(figure, site.name, _subtitle(results, lots))
        foot = footer_block(figure, [CAUTION, crs_line(site)])
        width = WIDTH_IN - 2 * MARGIN_IN - SIDE_IN - 0.45
        height = top - foot - 0.25
        ax = axes_in(figure, MARGIN_IN + 0.2, foot + 0.2, width, height)
        frame = _frame(site, results, lots, width, height)
        ax.set_xlim(frame[0], frame[2])
        ax.set_ylim(frame[1], frame[3])
        per_inch = (frame[2] - frame[0]) / width
        cover = crown_cover(site, frame, per_inch)
        entries = draw_layers(Sheet(ax, site, results, lots, frame, per_inch, [], cover))
        coordinates(ax)
        side = WIDTH_IN - MARGIN_IN - SIDE_IN
        _key_map(figure, site, results, lots, frame, (side, top - KEY_MAP_IN))
        strip = top - KEY_MAP_IN - 0.87
        scale_and_north(figure, side, strip, per_inch * facts.feet_of(site))
        legend_column(figure, entries, side, strip - 0.2, SIDE_IN, strip - 0.2 - foot)
    return figure


def _subtitle(results: facts.Results, lots: list[str]) -> str:
    """Lot and its main figures, as far as they are there."""
    if len(lots) != 1:
        return f"Overview, {len(lots)} lots"
    parts = [f"Overview, lot {lots[0]}"]
    lot = facts.table(results, "frontage", "lots", lots[0])
    if lot is not None:
        n = int(lot["n_stretches"].iloc[0])
        length = float(lot["frontage_length_ft"].iloc[0])
        several = f" in {n} stretches" if n > 1 else ""
        parts.append(f"frontage {length:.1f} ft{several}" if n else str(lot["reason"].iloc[0]))
    fringe = facts.table(results, "fringe", "fringe_lots", lots[0])
    if fringe is not None and np.isfinite(fringe["fringe_depth_max_ft"].iloc[0]):
        parts.append(f"fringe up to {fringe['fringe_depth_max_ft'].iloc[0]:.1f} ft deep")
    zone = facts.table(results, "zone", "zone", lots[0])
    if zone is not None and zone["zone_area_ft2"].sum() > 0:
        parts.append(f"zone {zone['zone_area_ft2'].sum():,.0f} ft\N{SUPERSCRIPT TWO}")
    return " \N{MIDDLE DOT} ".join(parts)


def _view(site: Site, results: facts.Results, lots: list[str]) -> tuple[Box, float]:
    """Bounds of what the map is about, and the margin to leave round them.

    The frontage with the trees, fringe and zone in front of it; the whole lots where there is no
    frontage. The key map shows the rest.
    """
    mine = site.lots[site.lots["lot_id"].astype(str).isin(lots)]
    shapes: list[Any] = []
    for operation, name in (("frontage", "frontage"), ("fringe", "fringe"), ("zone", "zone")):
        rows = facts.table(results, operation, name)
        if rows is not None:
            shapes += list(rows.geometry.array[rows["lot_id"].isin(lots).to_numpy()])
    crowns = facts.crown_rows(site, results)
    if crowns is not None:
        shapes += list(crowns.geometry.array[crowns["lot_id"].isin(lots).to_numpy()])
    if crowns is None or not shapes:
        water = facts.table(results, "riparian-lines", "riparian_areas")
        shapes += [] if water is None else list(water.geometry.array)
    if bounds_of(shapes) is None:
        shapes = [*mine.geometry.array, *_to_the_shore(site, mine)]
    bounds = bounds_of(shapes) or bounds_of(mine.geometry.array) or (0.0, 0.0, 1.0, 1.0)
    span = max(bounds[2] - bounds[0], bounds[3] - bounds[1])
    return bounds, max(10.0 / facts.feet_of(site), 0.05 * span)


def _frame(site: Site, results: facts.Results, lots: list[str], width: float, height: float) -> Box:
    """The map's frame; with the eyes in it, unless that would make everything else too small."""
    bounds, margin = _view(site, results, lots)
    frame = grown_to(bounds, margin, width, height)
    eyes = eye_points(results, lots)
    wide = bounds_of([shapely.box(*bounds), *eyes])
    if not eyes or wide is None:
        return frame
    with_eyes = grown_to(wide, margin, width, height)
    is_small = with_eyes[2] - with_eyes[0] > MOST_GROWN * (frame[2] - frame[0])
    return frame if is_small else with_eyes


def _to_the_shore(site: Site, mine: Any) -> list[Any]:
    """The shortest way from lots without frontage to the shore, if it is near enough to show."""
    lots, shore = facts.union_of(mine), facts.union_of(site.mhw_line)
    if lots is None or shore is None:
        return []
    x0, y0, x1, y1 = lots.bounds
    way = shapely.shortest_line(lots, shore)
    return [way] if way.length < 2.0 * max(x1 - x0, y1 - y0) else []


def _key_map(
    figure: Any,
    site: Site,
    results: facts.Results,
    lots: list[str],
    frame: Box,
    corner: tuple[float, float],
) -> None:
    """The whole lots and the shore near them, and where the map's frame lies."""
    ax = axes_in(figure, *corner, SIDE_IN, KEY_MAP_IN)
    is_shown = site.lots["lot_id"].astype(str).isin(lots)
    bounds = bounds_of([*site.lots.geometry.array[is_shown.to_numpy()], shapely.box(*frame)])
    span = max(frame[2] - frame[0], frame[3] - frame[1])
    view = grown_to(bounds or frame, 0.08 * span, SIDE_IN, KEY_MAP_IN)
    ax.set_xlim(view[0], view[2])
    ax.set_ylim(view[1], view[3])
    for rows, face, width in (
        (site.lots[~is_shown], NEIGHBOUR_FACE, 0.5),
        (site.lots[is_shown], "#D9D5C3", 1.0),
    ):
        for shape in rows.geometry.array:
            draw_area(ax, shape, facecolor=face, edgecolor=BLACK, linewidth=width)
    for rows, dashes in ((site.channel, CHANNEL_DASH), (site.mouth_line, MOUTH_DASH)):
        draw_line(ax, facts.union_of(rows), color=GREY, linewidth=0.8, linestyle=dashes)
    draw_line(ax, facts.union_of(site.mhw_line), color=BLUE, linewidth=1.0, linestyle=MHW_DASH)
    limits = facts.table(results, "riparian-lines", "riparian_lines")
    draw_line(ax, facts.union_of(limits), color=BLACK, linewidth=0.7, linestyle=(0, (3.0, 1.5)))
    draw_area(ax, shapely.box(*frame), fill=False, edgecolor=VERMILION, linewidth=1.4)
    for point in eye_points(results, lots):
        draw_eye(ax, point, 4.0, "key-eye")
    ax.set_xticks([])
    ax.set_yticks([])
    ax.text(
        0.0, -0.03, "key map; the box is the map's frame", transform=ax.transAxes, fontsize=6,
        va="top", color="#303030",
    )  # fmt: skip
