"""The panorama: what one eye sees of the water, now and after the window, azimuth by azimuth."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from geotrim.errors import LayerError
from geotrim.model import Note, Site
from geotrim.report import facts
from geotrim.report.furniture import (
    CAUTION,
    MARGIN_IN,
    Entry,
    axes_in,
    block_heights,
    footer_block,
    legend_column,
    new_figure,
    percent,
    title_block,
)
from geotrim.report.palette import BLACK, GREY, VERMILION, style
from geotrim.report.panorama_axes import (
    CANOPY,
    EDGE_LOOK,
    FIRST,
    GAP,
    GONE_LOOK,
    GROUND,
    HORIZON_LOOK,
    LOOKS,
    LOWEST_IN,
    SHORE,
    WATER,
    WIDEST_IN,
    WINDOW,
    Scale,
    Seen,
    draw_spans,
    draw_strip,
    fit,
    has_gaps,
    is_drawn,
    seen_from,
    span_marks,
    wind,
)
from geotrim.units import feet_per_map_unit

WIDTH_IN, LEFT_IN, GAP_IN, AXIS_IN, N_COLUMNS = 11.0, 0.72, 0.78, 0.62, 4
#: Most eyes of which a run draws the panorama.
MOST_PANORAMAS = 12
#: Pieces -> what the legend says of them.
WORDS = {
    GROUND: "ground in the way",
    CANOPY: "canopy that stays",
    WINDOW: "canopy the window takes away",
    FIRST: "plants that are no mangroves, removed first",
}


def panorama(site: Site, results: facts.Results, eye_id: str | None = None) -> Any:
    """Draw what one eye sees towards the water, before and after.

    Parameters
    ----------
    site : Site
    results : mapping
        Operation name -> Result, ``sightlines`` among them.
    eye_id : str, optional
        By default the first eye that sees the shore.

    Returns
    -------
    matplotlib.figure.Figure or None
        11 in wide: azimuth across as seen looking out, elevation angle up; a strip for now and,
        where something is taken away, one for after. None where no eye was measured.

    Raises
    ------
    LayerError
        If there is no eye of that id.
    """
    from matplotlib.lines import Line2D

    eyes = facts.table(results, "sightlines", "sight_eyes")
    if eyes is None:
        return None
    eye = _chosen(eyes, eye_id)
    rays = _of_eye(facts.table(results, "sightlines", "sight_rays"), eye)
    blocks = _of_eye(facts.table(results, "sightlines", "sight_blocks"), eye)
    with style():
        title = _subtitle(eye)
        if rays is None:
            return _empty(site, title, str(eye["reason"]))
        seen = seen_from(eye, rays, blocks)
        scale, strips = fit(seen), _strips(results, eye)
        cautions = [CAUTION, _basis(results, eye, scale)]
        spans = facts.table(results, "window", "window_spans")
        marks = span_marks(eye, rays, spans, feet_per_map_unit(site.crs, "site"))
        entries = _entries(seen, scale, len(strips) > 1)
        if marks and len(strips) > 1:
            bracket = Line2D([], [], color=BLACK, lw=1.2)
            entries.append((bracket, "spans of the window"))
        legend_in = 0.2 * -(-len(entries) // N_COLUMNS) + 0.08
        top, foot = block_heights(WIDTH_IN, site.name, title, cautions)
        step = scale.height_in + GAP_IN
        figure = new_figure(WIDTH_IN, foot + legend_in + AXIS_IN + len(strips) * step - 0.56 + top)
        title_block(figure, site.name, title)
        footer_block(figure, cautions)
        above = figure.get_size_inches()[1] - top
        for k, (words, is_after) in enumerate(strips):
            bottom = above - 0.22 - scale.height_in - k * step
            ax = axes_in(figure, LEFT_IN, bottom, scale.width_in, scale.height_in)
            draw_strip(ax, seen, scale, is_after=is_after)
            if is_after:
                draw_spans(ax, marks, scale)
            ax.set_title(words, loc="left", fontsize=9.0, weight="bold", pad=4, gid=f"strip-{k}")
        ax.set_xlabel("azimuth from grid north, clockwise, deg", labelpad=13, fontsize=7.5)
        width = WIDTH_IN - 2 * MARGIN_IN
        legend_column(figure, entries, MARGIN_IN, foot + legend_in, width, legend_in, N_COLUMNS)
    return figure


def eyes_to_draw(results: facts.Results) -> tuple[list[str], tuple[Note, ...]]:
    """Eyes whose panorama would show something, and what is told of the others."""
    eyes = facts.table(results, "sightlines", "sight_eyes")
    if eyes is None:
        return [], ()
    ids = [str(eye) for eye in eyes.loc[eyes["reason"] == "", "eye_id"]]
    notes = []
    if len(ids) > MOST_PANORAMAS:
        text = f"drawn of the first {MOST_PANORAMAS} of {len(ids)} eyes that see the shore only"
        notes.append(Note("panorama", text, "info"))
    return ids[:MOST_PANORAMAS], tuple(notes)


def _chosen(eyes: Any, eye_id: str | None) -> dict[str, Any]:
    if eye_id is None:
        seeing = eyes[eyes["reason"] == ""]
        return dict((seeing if len(seeing) else eyes).iloc[0])
    mine = eyes[eyes["eye_id"] == eye_id]
    if not len(mine):
        some = ", ".join(str(one) for one in eyes["eye_id"].iloc[:10])
        raise LayerError("eye_id", f"{eye_id!r}", f"one of {some}", "name an eye of the site")
    return dict(mine.iloc[0])


def _of_eye(rows: Any, eye: Mapping[str, Any]) -> Any:
    """Rows of one eye, None where there are none."""
    if rows is None:
        return None
    mine = rows[rows["eye_id"] == eye["eye_id"]]
    return mine if len(mine) else None


def _subtitle(eye: Mapping[str, Any]) -> str:
    parts = [f"Panorama from eye {eye['eye_id']}, lot {eye['lot_id']}"]
    if eye["reason"] == "":
        turn = (float(eye["azimuth_to_deg"]) - float(eye["azimuth_from_deg"])) % 360.0
        middle = float(eye["azimuth_from_deg"]) + turn / 2
        parts.append(f"looking out over the shore, about {wind(middle)}")
    parts.append(f"eye at {eye['eye_elevation_ft']:.1f} ft, water at {_water(eye)} ft")
    return " \N{MIDDLE DOT} ".join(parts)


def _water(eye: Mapping[str, Any]) -> str:
    return f"{eye['water_elevation_ft']:.2f}".rstrip("0").rstrip(".")


def _strips(results: facts.Results, eye: Mapping[str, Any]) -> list[tuple[str, bool]]:
    """Words of each strip, and whether it shows what is there after."""
    now, others, after = (
        float(eye[f"view_{name}_frac"]) for name in ("now", "others_removed", "after")
    )
    most = "at most " if eye.get("is_at_most", False) else ""
    strips = [(f"Now: {most}{percent(now)} of the view open{_horizon(eye, 'now')}", False)]
    first = "Plants that are no mangroves removed"
    later = _horizon(eye, "after")
    if np.isfinite(others) and np.isfinite(after):
        words = f"{first} ({percent(others)} open), then the window: {most}{percent(after)} "
        strips.append((f"{words}open{later}", True))
    elif np.isfinite(after):
        words = f"After the window: {most}{percent(after)} of the view open{later}"
        strips.append((words, True))
    elif np.isfinite(others):
        strips.append((f"{first}: {most}{percent(others)} of the view open", True))
    return strips


def _horizon(eye: Mapping[str, Any], when: str) -> str:
    """Over how much of the fan the horizon is in sight."""
    share = float(eye.get(f"horizon_{when}_frac", np.nan))
    return f"; horizon in sight over {percent(share)} of the fan" if np.isfinite(share) else ""


def _entries(seen: Seen, scale: Scale, has_after: bool) -> list[Entry]:
    """What the legend shows: only what is drawn."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    entries: list[Entry] = [
        (Patch(facecolor=WATER, edgecolor=GREY, lw=0.6), "water in view"),
        (Line2D([], [], **EDGE_LOOK), "water's near edge: foot of the view"),
        (Line2D([], [], **HORIZON_LOOK), "horizon: top of the view"),
    ]
    near = seen.pieces(GROUND) & (seen.low_deg < seen.edge_deg[seen.ray])
    if len(np.unique(seen.ray[near])) < len(seen.x_deg):
        shore = Patch(facecolor=SHORE, edgecolor=GREY, lw=0.6)
        entries.append((shore, "this side of the water's edge"))
    for what, words in WORDS.items():
        if is_drawn(seen, what, scale):
            entries.append((Patch(lw=0.6, **LOOKS[what]), words))
    gone = [what for what in (WINDOW, FIRST) if is_drawn(seen, what, scale)]
    if has_after and gone:
        line = Line2D([], [], color=VERMILION, **GONE_LOOK)
        entries.append((line, "edge of what is gone after"))
    if has_gaps(seen):
        entries.append((Patch(facecolor=GAP, edgecolor=GREY, lw=0.6), "not over this lot's shore"))
    if scale.is_cut:
        blank = Patch(facecolor="none", edgecolor="none")
        entries.append((blank, "canopy goes on above the drawing"))
    return entries


def _basis(results: facts.Results, eye: Mapping[str, Any], scale: Scale) -> str:
    """What the drawing rests on: scale, measure, earth, canopy, ground."""
    parts = [
        scale.words(),
        f"The view is the area of azimuth by elevation angle between the water's near edge and the "
        f"horizon, {eye['view_deg2']:.1f} square deg.",
    ]
    result = results["sightlines"]
    parts += [f"{n.text[0].upper()}{n.text[1:]}." for n in result.notes if n.about == "sight lines"]
    start = facts.parameter(results, "sightlines", "hides_from", "crown-base")
    base = (
        "down to the substrate"
        if start == "substrate"
        else "from its lowest foliage up, where that is known, else down to the substrate"
    )
    parts.append(f"Each cell of a crown is solid {base}; leaves that let light through count too.")
    return " ".join(parts)


def _empty(site: Site, title: str, reason: str) -> Any:
    """A sheet that says why there is no view."""
    cautions = [CAUTION]
    top, foot = block_heights(WIDTH_IN, site.name, title, cautions)
    figure = new_figure(WIDTH_IN, foot + LOWEST_IN + top + 0.3)
    title_block(figure, site.name, title)
    footer_block(figure, cautions)
    ax = axes_in(figure, LEFT_IN, foot + 0.2, WIDEST_IN, LOWEST_IN)
    ax.set_xticks([])
    ax.set_yticks([])
    for spine in ax.spines.values():
        spine.set(color=BLACK, lw=0.6)
    from geotrim.report.elevation_axes import say

    say(ax, reason)
    return figure
