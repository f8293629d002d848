"""One lot's canopy before and after, and what one eye sees of the water through it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core.coverage import Floats
from geotrim.core.foliage import Foliage
from geotrim.core.sight import Blocks
from geotrim.core.sight_pieces import Layer, Pieces, pieces_of
from geotrim.core.sight_rays import Fan
from geotrim.core.sight_scene import Rays, Scene
from geotrim.model import HeightSource, Note, Result
from geotrim.ops.canopy_cells import CrownCells
from geotrim.ops.scene import scene_of, unseen_crowns
from geotrim.rules.species import is_mangrove

#: What a piece of the panorama is, in the order of the layers of :func:`met`.
WHAT = ("ground", "canopy", "removed by the window", "removed first")
#: Canopy farther than this from the eyes, the frontage and the zone is left out, so that a site
#: of many lots does not have to be held as one grid. Common sense, no source. [ft]
NEAR_FT = 1000.0

#: Ground highest this far past the water's near edge is land beyond the shore. [ft]
BEYOND_FT = 5.0

Cuts = tuple[npt.NDArray[np.int64], Floats, Floats]


@dataclass(frozen=True, slots=True, eq=False)
class LotView:
    """What stands before the eyes of one lot.

    shore_xy : its frontage lines, water on their left. [map units]
    now : the canopy as it stands. standing : without what is removed first; ``now`` where
        nothing is. cuts : what the window takes, None where none was measured.
    asked : plants that are no mangroves are to be removed first.
    unseen : crowns of unknown height, which hide nothing.
    """

    shore_xy: Sequence[Floats]
    now: Scene
    standing: Scene
    cuts: Cuts | None
    asked: bool
    unseen: npt.NDArray[np.object_]


@dataclass(frozen=True, slots=True, eq=False)
class EyeView:
    """What one eye sees.

    fan : azimuths and the view on each; a reason where there is none.
    now_frac, others_removed_frac, after_frac : share of the view open; NaN where it was not asked
        or is not known. by_ray_now_frac, by_ray_after_frac : (r,) the same for each azimuth.
    pieces : what is met.
    horizon_now_frac, horizon_after_frac : share of the fan, by width, with the horizon in sight.
    is_at_most : some crown of unknown height stands in the fan, so less may be open.
    land_frac, land_ft : share of the fan, by width, over which land beyond the shore hides some of
        the view, and how high over the water it is there, the middle one; NaN where it is none.
    shore_away : distance of the eye from its lot's shore; NaN without one. [map units]
    """

    fan: Fan
    now_frac: float
    others_removed_frac: float
    after_frac: float
    by_ray_now_frac: Floats
    by_ray_after_frac: Floats
    pieces: Pieces | None
    horizon_now_frac: float = np.nan
    horizon_after_frac: float = np.nan
    is_at_most: bool = False
    land_frac: float = 0.0
    land_ft: float = np.nan
    shore_away: float = np.nan


def cuts_of(window: Result | None, lot_id: str, crowns: Any) -> Cuts | None:
    """What the window of one lot takes off its trees.

    Parameters
    ----------
    window : Result or None
        Of the operation ``window``.
    lot_id : str
    crowns : GeoDataFrame

    Returns
    -------
    (tree, low_ft, high_ft) or None
        Trees by their row in ``crowns``; None where no window was measured for the lot.
    """
    if window is None:
        return None
    lots = window["window_lots"]
    status = lots.loc[lots["lot_id"] == lot_id, "status"]
    if not len(status) or status.iloc[0] == "not planned":
        return None
    rows = window["window_trees"]
    rows = rows[(rows["lot_id"] == lot_id) & rows["treatment"].isin(("clear-band", "lower-top"))]
    number = {str(crown): k for k, crown in enumerate(crowns["crown_id"])}
    tree = np.array([number[str(crown)] for crown in rows["crown_id"]], dtype=np.int64)
    low, high = (rows[name].to_numpy(dtype=np.float64) for name in ("cut_low_ft", "cut_high_ft"))
    return tree, low, np.where(np.isnan(high), np.inf, high)


def others_of(lot_id: str, crowns: Any, fringe: Result) -> list[int]:
    """Rows of a lot's crowns that are known to be no mangroves."""
    places = fringe["fringe_crowns"]
    mine = set(places.loc[places["lot_id"] == lot_id, "crown_id"].astype(str))
    names = crowns["species"] if "species" in crowns.columns else [None] * len(crowns)
    return [
        k
        for k, (crown, name) in enumerate(zip(crowns["crown_id"], names, strict=True))
        if str(crown) in mine and is_mangrove(name) is False
    ]


def lot_view(
    lot_id: str,
    crowns: Any,
    cells: CrownCells,
    foliage: Foliage,
    eyes: Any,
    frontage: Result,
    fringe: Result,
    zone: Result,
    window: Result | None,
    ground: HeightSource | None,
    water_ft: float,
    remove_others: bool,
    feet: float,
    hides_from: str = "crown-base",
) -> tuple[LotView, list[Note]]:
    """Everything the eyes of one lot look through.

    Parameters
    ----------
    lot_id : str
    crowns, cells, foliage :
        All crowns of the site: those of neighbours hide the view too.
    eyes : GeoDataFrame
        Those of the lot.
    frontage, fringe, zone, window : Result
    ground : HeightSource or None
    water_ft : float
        [ft]
    remove_others : bool
    feet : float
        International feet in one map unit.
    hides_from : str
        As for :func:`geotrim.ops.scene.scene_of`.
    """
    rows = frontage["frontage"]
    lines = rows.geometry.array[(rows["lot_id"] == lot_id).to_numpy(dtype=bool)]
    zones = zone["zone"]
    mine = zones.geometry.array[(zones["lot_id"] == lot_id).to_numpy(dtype=bool)]
    area = shapely.union_all(np.asarray(mine, dtype=object))
    near = near_box([*lines, area, *eyes.geometry.array], feet)
    given: dict[str, Any] = {"zone": area, "ground": ground, "water_ft": water_ft, "near": near}
    given["hides_from"] = hides_from
    now, notes = scene_of(crowns, cells, foliage, **given)
    standing = now
    others = others_of(lot_id, crowns, fringe) if remove_others else []
    if others:
        standing, _ = scene_of(crowns, cells, foliage, without=others, **given)
    shore = [shapely.get_coordinates(line) for line in lines]
    unseen = crowns.geometry.to_numpy()[unseen_crowns(cells, foliage, near)]
    cuts = cuts_of(window, lot_id, crowns)
    view = LotView(shore, now, standing, cuts, remove_others, unseen)
    return view, [*notes, *_left_out(crowns, near)]


def eye_view(
    view: LotView, x: float, y: float, eye_ft: float, step_deg: float, curvature: float
) -> EyeView:
    """What one eye sees.

    Parameters
    ----------
    view : LotView
    x, y : float
        Place of the eye. [map units]
    eye_ft : float
        Its elevation. [ft]
    step_deg : float
        Greatest width of an azimuth cell. [deg]
    curvature : float
        See :class:`geotrim.core.sight_scene.Rays`. [1/ft]
    """
    from geotrim.core.sight import blocks, horizon_in_sight, open_share
    from geotrim.core.sight_rays import fan_rays, shore_fan

    fan = shore_fan(
        x, y, eye_ft, view.shore_xy, view.now, azimuth_step_deg=step_deg, curvature=curvature
    )
    lines = [shapely.LineString(line) for line in view.shore_xy if len(line) > 1]
    away = float(shapely.distance(shapely.union_all(lines), shapely.Point(x, y)))
    if len(fan) == 0:
        none, nan = np.zeros(0), np.nan
        return EyeView(fan, nan, nan, nan, none, none, None, shore_away=away)
    rays = fan_rays(x, y, eye_ft, fan, view.now, curvature)
    now, by_ray = open_share(view.now, rays)
    others = open_share(view.standing, rays)[0] if view.asked else np.nan
    after, by_ray_after = np.nan, np.full(len(rays), np.nan)
    if view.cuts is not None:
        after, by_ray_after = open_share(view.standing, rays, view.cuts)
    every = blocks(view.now, rays)
    horizon, horizon_after = _part(fan, horizon_in_sight(rays, every)), np.nan
    if view.cuts is not None:
        left = blocks(view.standing, rays, view.cuts)
        horizon_after = _part(fan, horizon_in_sight(rays, left))
    at_most = looks_through(fan, rays, view.now.feet, view.unseen)
    return EyeView(
        fan, now, others, after, by_ray, by_ray_after, met(view, rays), horizon, horizon_after,
        at_most, *land_beyond(fan, rays, every, view.now.water_ft), away,
    )  # fmt: skip


def land_beyond(fan: Fan, rays: Rays, found: Blocks, water_ft: float) -> tuple[float, float]:
    """Share of a fan over which land beyond the shore hides something; its height. [ft].

    Parameters
    ----------
    fan : Fan
    rays, found : Rays, Blocks
        Its rays, and what they meet.
    water_ft : float
        Elevation of the water. [ft]
    """
    far = (found.tree < 0) & (found.distance_ft > fan.edge_ft[found.ray] + BEYOND_FT)
    if not far.any():
        return 0.0, np.nan
    away = found.distance_ft[far]
    up = rays.eye_ft + away * np.tan(np.radians(found.high[far])) + rays.curvature * away**2
    over = np.full(len(fan), -np.inf)
    np.maximum.at(over, found.ray[far], up - water_ft)
    has = np.isfinite(over)
    return _part(fan, has), float(np.median(over[has]))


def _part(fan: Fan, which: npt.NDArray[np.bool_]) -> float:
    """Share of a fan, by width, that some of its azimuths are; exactly 1 for all of them."""
    return float(fan.width_deg[which].sum() / fan.width_deg.sum())


def looks_through(fan: Fan, rays: Rays, feet: float, shapes: npt.ArrayLike) -> bool:
    """Whether some shape lies in a fan of sight lines, between the eye and their ends.

    Parameters
    ----------
    fan : Fan
    rays : Rays
        Its rays.
    feet : float
        International feet in one map unit.
    shapes : array of polygons

    Notes
    -----
    Each azimuth cell is a triangle as long as its ray is to the water's near edge or, farther, to
    the last canopy; a crown of unknown height is itself no canopy, so the triangle goes on to
    ``NEAR_FT``.
    """
    crowns = np.asarray(shapes, dtype=object)
    if not len(fan) or not len(crowns):
        return False
    half = np.minimum(fan.width_deg / 2, 44.0)
    reach = np.maximum(rays.length_ft, NEAR_FT) / feet / np.cos(np.radians(half))
    corners = [np.stack([rays.x, rays.y], axis=1)]
    for side in (-half, half):
        turn = np.radians(fan.azimuth_deg + side)
        ends = np.stack([np.sin(turn), np.cos(turn)], axis=1)
        corners.append(corners[0] + reach[:, None] * ends)
    wedges = shapely.polygons(np.stack([*corners, corners[0]], axis=1))
    hits = shapely.STRtree(wedges).query(crowns, predicate="intersects")
    return bool(hits.size)


def met(view: LotView, rays: Rays) -> Pieces:
    """What is met on each ray, from straight down to straight up; layers are those of ``WHAT``."""
    from geotrim.core.sight import blocks

    left = blocks(view.standing, rays, view.cuts)
    is_ground = left.tree < 0
    layers = [
        _layer(left, is_ground),
        _layer(left, ~is_ground & ~left.is_taken),
        _layer(left, left.is_taken),
    ]
    if view.now is not view.standing:
        every = blocks(view.now, rays)
        layers.append(_layer(every, every.tree >= 0))
    return pieces_of(layers)


def _layer(found: Any, which: npt.NDArray[np.bool_]) -> Layer:
    columns = (found.ray, found.low, found.high, found.tree, found.distance_ft)
    return Layer(*(column[which] for column in columns))


def near_box(shapes: list[Any], feet: float) -> tuple[float, float, float, float]:
    """Box of what matters to a lot's view: ``NEAR_FT`` around its shore, zone and eyes.

    Parameters
    ----------
    shapes : list of geometry
    feet : float
        International feet in one map unit.

    Returns
    -------
    west, south, east, north : float
        [map units]
    """
    west, south, east, north = shapely.total_bounds(np.array(shapes, dtype=object))
    far = NEAR_FT / feet
    return west - far, south - far, east + far, north + far


def _left_out(crowns: Any, near: tuple[float, float, float, float]) -> list[Note]:
    """Tell of crowns that are too far off to be looked through."""
    n = int((~shapely.intersects(crowns.geometry.array, shapely.box(*near))).sum())
    if n == 0:
        return []
    which = "1 crown" if n == 1 else f"{n} crowns"
    text = f"{which} over {NEAR_FT:,.0f} ft from an eye, its lot's shore and its zone left out"
    return [Note("sight lines", text, "info")]
