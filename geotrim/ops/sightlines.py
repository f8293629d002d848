"""Operation ``sightlines``: how much of the water each eye sees, now and after the window."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import shapely

from geotrim.checks import check_columns, check_height_source, check_lots, check_same_crs
from geotrim.core.sight_scene import curvature_per_ft
from geotrim.model import HeightSource, Note, Result
from geotrim.ops.canopy_cells import crown_cells
from geotrim.ops.catalogue_window import SIGHTLINES
from geotrim.ops.eyes import eyes_of_lots, water_level
from geotrim.ops.foliage_of import foliage_of
from geotrim.ops.judged_tops import judged_tops_ft
from geotrim.ops.scene import eye_elevations
from geotrim.ops.sight_views import WHAT, EyeView, eye_view, lot_view
from geotrim.ops.tables import join_tables, plain_table, shape_table
from geotrim.units import feet_per_map_unit

#: An eye farther than this from its lot's shore is told. Common sense, no source. [ft]
FAR_FROM_SHORE_FT = 500.0
#: Land beyond the shore lower than this may be the raster's own level of the water. [ft]
LOW_LAND_FT = 1.0
EYE_COLUMNS = [
    "eye_id",
    "lot_id",
    "eye_elevation_ft",
    "water_elevation_ft",
    "azimuth_from_deg",
    "azimuth_to_deg",
    "view_deg2",
    "view_now_frac",
    "view_others_removed_frac",
    "view_after_frac",
    "reason",
    "horizon_now_frac",
    "horizon_after_frac",
    "is_at_most",
]
RAY_COLUMNS = [
    "eye_id",
    "lot_id",
    "azimuth_deg",
    "edge_distance_ft",
    "edge_deg",
    "horizon_deg",
    "open_now_frac",
    "open_after_frac",
    "width_deg",
]
BLOCK_COLUMNS = [
    "eye_id",
    "azimuth_deg",
    "low_deg",
    "high_deg",
    "what",
    "crown_id",
    "distance_ft",
    "lot_id",
]


def sightlines(
    lots: Any,
    eyes: Any,
    crowns: Any,
    heights: HeightSource,
    frontage: Result,
    fringe: Result,
    zone: Result,
    heights_result: Result,
    *,
    ground: HeightSource | None = None,
    mhw_facts: Mapping[str, Any] | None = None,
    profiles: Any = None,
    route: Result | None = None,
    calibrate: Result | None = None,
    window: Result | None = None,
    canopy_model: str = "column",
    crown_base_ft: float | None = None,
    crown_base_frac: float | None = None,
    hides_from: str = "crown-base",
    azimuth_step_deg: float = 0.25,
    flat_earth: bool = False,
    refraction_frac: float = 0.13,
    water_elevation_ft: float | None = None,
    remove_others: bool = False,
) -> Result:
    """Measure the view of each eye between the water's near edge and the horizon.

    Parameters
    ----------
    lots, eyes, crowns, profiles : GeoDataFrame
        As at the top of :mod:`geotrim.model`.
    heights, ground : HeightSource
        Heights above the substrate; elevations of the ground, in any CRS.
    frontage, fringe, zone, heights_result, route, calibrate, window : Result
        Of those operations (``heights_result`` of ``heights``). Trees are as high as ``route``
        judges them, as for the window.
    mhw_facts : mapping
        ``elevation_ft`` is the water's elevation, unless ``water_elevation_ft`` is given. [ft]
    canopy_model, crown_base_ft, crown_base_frac :
        As for ``slices``.
    hides_from : str
        ``crown-base``: crowns hide from their lowest foliage up, where that is known;
        ``substrate``: all down to there.
    azimuth_step_deg : float
        Greatest width of an azimuth cell, seen along its middle. [deg]
    flat_earth, refraction_frac :
        The earth's curvature, less the share refraction takes back.
    remove_others : bool
        Take the lot's plants known to be no mangroves away before the window.

    Returns
    -------
    Result
        ``sight_eyes``: an eye a row. Shares are of the area of azimuth by elevation angle that
        nothing hides. ``view_others_removed_frac`` is NaN where it was not asked for,
        ``view_after_frac`` where no window was measured; ``reason`` says why there is no view.
        ``horizon_now_frac``, ``horizon_after_frac``: share of the azimuths, by width, along which
        the horizon itself is in sight. ``is_at_most``: a crown of unknown height stands in the way
        and counts as open view, so the shares are at most those told.
        ``sight_rays``: lines to the water's near edge; azimuths clockwise from the north of the
        grid. ``sight_blocks``: what is met on each azimuth, the nearest crown of each piece.

    Raises
    ------
    GeotrimError
        If an eye has no usable place or height, or an input does not fit.
    """
    parameters = SIGHTLINES.check(
        {
            "canopy_model": canopy_model,
            "crown_base_ft": crown_base_ft,
            "crown_base_frac": crown_base_frac,
            "hides_from": hides_from,
            "azimuth_step_deg": azimuth_step_deg,
            "flat_earth": flat_earth,
            "refraction_frac": refraction_frac,
            "water_elevation_ft": water_elevation_ft,
            "remove_others": remove_others,
        }
    )
    check_lots(lots)
    check_columns(crowns, ("crown_id",), "crowns")
    check_height_source(heights)
    check_same_crs({"lots": lots, "crowns": crowns, "eyes": eyes})
    mine, notes = eyes_of_lots(lots, eyes)
    water_ft, told = water_level(water_elevation_ft, mhw_facts)
    up, more = eye_elevations(mine, ground, water_ft, lots.crs)
    done = heights_result.parameters
    cells, seen = crown_cells(
        crowns,
        heights,
        calibrate,
        str(done.get("height_correction", "none")),
        min_coverage_frac=float(done.get("min_coverage_frac", 0.01)),
    )
    foliage, grown = foliage_of(
        crowns, cells, profiles, parameters, heights_result, tops_ft=judged_tops_ft(crowns, route)
    )
    earth = curvature_per_ft(flat_earth, refraction_frac)
    notes = (*notes, told, *more, *seen, *grown, _earth_note(flat_earth, refraction_frac))
    views: list[tuple[Any, float, EyeView]] = []
    for lot_id in dict.fromkeys(mine["lot_id"]):
        here = (mine["lot_id"] == lot_id).to_numpy(dtype=bool)
        view, found = lot_view(
            lot_id, crowns, cells, foliage, mine[here], frontage, fringe, zone, window, ground,
            water_ft, remove_others, feet_per_map_unit(lots.crs, "lots"), hides_from,
        )  # fmt: skip
        notes = (*notes, *found)
        for eye, eye_ft in zip(mine[here].itertuples(), up[here], strict=True):
            x, y = eye.geometry.x, eye.geometry.y
            one = eye_view(view, x, y, float(eye_ft), azimuth_step_deg, earth)
            views.append((eye, float(eye_ft), one))
    notes = (*notes, *_eye_notes(views, lots))
    tables = _tables(views, water_ft, crowns, lots.crs)
    return Result("sightlines", tables, (*dict.fromkeys(notes), *_blind(tables)), parameters)


def _earth_note(flat_earth: bool, refraction_frac: float) -> Note:
    if flat_earth:
        return Note("sight lines", "a flat earth without refraction, as asked", "assumed")
    text = (
        f"the earth curves away under a line of sight; refraction takes back "
        f"{100 * refraction_frac:g} % of that, a usual value by day"
    )
    return Note("sight lines", text, "assumed")


def _eye_notes(views: list[tuple[Any, float, EyeView]], lots: Any) -> list[Note]:
    """Tell of eyes that stand far from their shore, and of land beyond it."""
    feet, notes = feet_per_map_unit(lots.crs, "lots"), []
    for eye, _, one in views:
        about = f"eye {eye.eye_id}"
        away_ft = one.shore_away * feet
        if away_ft > FAR_FROM_SHORE_FT:
            text = (
                f"stands {away_ft:,.0f} ft from the shore of lot {eye.lot_id}, farther than "
                f"{FAR_FROM_SHORE_FT:g} ft: check its place and its lot; so small a view says "
                "little of a window"
            )
            notes.append(Note(about, text, "assumed"))
        if one.land_frac > 0.0:
            text = (
                f"land beyond the shore, about {one.land_ft:.1f} ft over the water, hides some of "
                f"the view over {100 * one.land_frac:.0f} % of the fan"
            )
            level = "info"
            if one.land_ft < LOW_LAND_FT:
                text += (
                    "; so low, it may be the level of the water itself as the ground raster has "
                    "it: if so, say its elevation (water_elevation_ft)"
                )
                level = "assumed"
            notes.append(Note(about, text, level))
    return notes


def _tables(
    views: list[tuple[Any, float, EyeView]], water_ft: float, crowns: Any, crs: Any
) -> dict[str, Any]:
    ids = np.array([*crowns["crown_id"].astype(str), None], dtype=object)
    eyes = [_eye_row(eye, eye_ft, water_ft, one) for eye, eye_ft, one in views]
    rays = [_ray_rows(eye, one, crs) for eye, _, one in views if len(one.fan)]
    blocks = [_block_rows(eye, one, ids) for eye, _, one in views if len(one.fan)]
    empty = shape_table([], RAY_COLUMNS, crs)
    return {
        "sight_eyes": shape_table(eyes, EYE_COLUMNS, crs),
        "sight_rays": join_tables(rays, RAY_COLUMNS) if rays else empty,
        "sight_blocks": join_tables(blocks, BLOCK_COLUMNS),
    }


def _eye_row(eye: Any, eye_ft: float, water_ft: float, one: EyeView) -> dict[str, Any]:
    fan = one.fan
    first = (fan.azimuth_deg[0] - fan.width_deg[0] / 2) % 360.0 if len(fan) else np.nan
    last = (fan.azimuth_deg[-1] + fan.width_deg[-1] / 2) % 360.0 if len(fan) else np.nan
    return {
        "eye_id": str(eye.eye_id),
        "lot_id": str(eye.lot_id),
        "eye_elevation_ft": eye_ft,
        "water_elevation_ft": water_ft,
        "azimuth_from_deg": first,
        "azimuth_to_deg": last,
        "view_deg2": fan.view_deg2 if len(fan) else np.nan,
        "view_now_frac": one.now_frac,
        "view_others_removed_frac": one.others_removed_frac,
        "view_after_frac": one.after_frac,
        "reason": _reason(fan.reason, eye_ft, water_ft) if not len(fan) else "",
        "horizon_now_frac": one.horizon_now_frac,
        "horizon_after_frac": one.horizon_after_frac,
        "is_at_most": one.is_at_most,
        "geometry": eye.geometry,
    }


def _reason(reason: str, eye_ft: float, water_ft: float) -> str:
    """Why there is no view, with the levels where they are why."""
    if "above the water" in reason:
        return f"{reason}: it is at {eye_ft:.2f} ft, the water at {water_ft:.2f} ft"
    return reason


def _ray_rows(eye: Any, one: EyeView, crs: Any) -> Any:
    """Lines of sight of one eye, drawn from the eye to the water's near edge."""
    fan, turn = one.fan, np.radians(one.fan.azimuth_deg)
    reach = fan.edge_ft / feet_per_map_unit(crs, "lots")
    x, y = eye.geometry.x, eye.geometry.y
    ends = np.stack([x + reach * np.sin(turn), y + reach * np.cos(turn)], axis=1)
    starts = np.broadcast_to([x, y], ends.shape)
    rows = {
        "eye_id": [str(eye.eye_id)] * len(fan),
        "lot_id": [str(eye.lot_id)] * len(fan),
        "azimuth_deg": fan.azimuth_deg,
        "edge_distance_ft": fan.edge_ft,
        "edge_deg": fan.low_deg,
        "horizon_deg": fan.high_deg,
        "open_now_frac": one.by_ray_now_frac,
        "open_after_frac": one.by_ray_after_frac,
        "width_deg": fan.width_deg,
        "geometry": list(shapely.linestrings(np.stack([starts, ends], axis=1))),
    }
    return shape_table(rows, RAY_COLUMNS, crs)


def _block_rows(eye: Any, one: EyeView, ids: Any) -> Any:
    """What one eye meets; ``ids`` ends with None, for the ground."""
    pieces = one.pieces
    assert pieces is not None
    rows = {
        "eye_id": [str(eye.eye_id)] * len(pieces),
        "azimuth_deg": one.fan.azimuth_deg[pieces.ray],
        "low_deg": pieces.low_deg,
        "high_deg": pieces.high_deg,
        "what": np.array(WHAT, dtype=object)[pieces.layer],
        "crown_id": ids[pieces.tree],
        "distance_ft": pieces.distance_ft,
        "lot_id": [str(eye.lot_id)] * len(pieces),
    }
    return plain_table(rows, BLOCK_COLUMNS)


def _blind(tables: Mapping[str, Any]) -> list[Note]:
    """Tell of eyes that see nothing, and of there being none."""
    eyes = tables["sight_eyes"]
    if not len(eyes):
        return [Note("eyes", "none looks over a measured lot", "missing")]
    return [
        Note(f"eye {row.eye_id}", f"no view: {row.reason}", "missing")
        for row in eyes.itertuples()
        if row.reason
    ]
