"""One lot for its window: its trees, its stations, its view, and the problem made of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core.foliage import Foliage
from geotrim.core.sight_scene import Rays, Scene, curvature_per_ft
from geotrim.core.window_problem import WindowProblem
from geotrim.model import Note
from geotrim.ops import window_rules as rules
from geotrim.ops import window_tables as tables
from geotrim.ops.canopy_cells import clearable_cells
from geotrim.ops.eyes import water_level
from geotrim.ops.scene import eye_elevations, scene_of
from geotrim.ops.sight_views import NEAR_FT, near_box
from geotrim.ops.window_given import Given
from geotrim.ops.window_trees import Stand, stand_of, treatments
from geotrim.ops.window_view import Shore, crown_stations, rays_of_eyes, station_rays
from geotrim.rules.rule_file import number_words

Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """What is looked at.

    words : why the view is counted by stations though there are eyes; "" where it is not.
    scene : without what is taken away first. before_frac : open now, those still there.
    """

    scene: Scene
    rays: list[Rays]
    what: str
    n_eyes: int
    before_frac: float
    words: str = ""


def lot_of(given: Given, lot_id: str, way: rules.Way) -> tuple[tables.Lot, View, list[Note]]:
    """The lot's trees, its stations, its view and the problem made of them; and what to tell.

    Parameters
    ----------
    given : Given
    lot_id : str
    way : Way
        Of :func:`way_of_lot`.
    """
    asked = given.asked
    zone, shore = given.zone_of(lot_id), given.shore(lot_id)
    stand = stand_of(
        lot_id, given.crowns, given.trunks, given.fringe, given.route, given.foliage,
        keep=given.keep, remove_others=bool(asked["remove_others"]),
        confidence_frac=float(asked["confidence_frac"]), feet=given.feet,
    )  # fmt: skip
    station = np.where(stand.is_fringe, shore.place(stand.stretch, stand.station_ft), -1)
    band = (float(asked["band_ft"][0]), float(asked["band_ft"][1]))
    most = share_limits(given, way, stand)
    in_zone = clearable_cells(given.cells, zone)
    done = treatments(
        stand, station, given.foliage, in_zone, way, given.route["findings"], lot_id, zone,
        band_ft=band, lower_to_ft=asked["lower_to_ft"], most_frac=most[0],
        margin_ft=float(asked["floor_margin_ft"]),
        least_kept_frac=float(asked["least_kept_frac"]), feet=given.feet,
    )  # fmt: skip
    view, notes = _view(given, lot_id, shore, stand, zone, band)
    counted = stand.is_fringe & ~stand.is_other
    foliage = float(np.nansum(given.foliage.whole_ft3[counted]))
    problem = _problem(given, lot_id, way, stand, shore, station, done, view, counted, foliage)
    least = rules.least_height_ft(way, float(asked["floor_margin_ft"]))
    lot = tables.Lot(
        lot_id, stand, shore, given.foliage, done, problem, zone, least, foliage, in_zone
    )  # fmt: skip
    return lot, view, notes + _tree_notes(lot_id, stand, given.foliage)


def way_of_lot(given: Given, lot_id: str) -> rules.Way:
    """The way a lot's window takes."""
    return rules.way_of(
        str(given.asked["window_route"]), given.facts.of(lot_id), given.rules,
        given.readings.dropped(),
    )  # fmt: skip


def _tree_notes(lot_id: str, stand: Stand, foliage: Foliage) -> list[Note]:
    """What was taken for granted about species, and which trees cannot be reckoned with."""
    notes = []
    unknown = stand.is_fringe & np.isnan(stand.seen.is_mangrove)
    if unknown.any():
        text = (
            f"{n_of(unknown, 'tree')} of unknown species taken as mangroves here: confirm "
            "in the field"
        )
        notes.append(Note(f"lot {lot_id}", text, "assumed"))
    other = stand.is_mine & stand.is_other & ~stand.is_gone
    if other.any():
        text = (
            f"{n_of(other, 'plant')} known to be no mangroves left standing, so that they block "
            "the view (remove_others takes them away first)"
        )
        notes.append(Note(f"lot {lot_id}", text, "info"))
    if stand.is_gone.any():
        text = (
            f"{n_of(stand.is_gone, 'plant')} known to be no mangroves taken as removed first; a"
            " local tree code may apply to them"
        )
        notes.append(Note(f"lot {lot_id}", text, "assumed"))
    bare = stand.is_fringe & ~stand.is_other & np.isnan(foliage.whole_ft3)
    if bare.any():
        some = ", ".join(stand.ids[bare][:5]) + (", ..." if bare.sum() > 5 else "")
        text = f"{n_of(bare, 'tree')} ({some}) without known foliage under this canopy model: left"
        notes.append(Note(f"lot {lot_id}", text, "missing"))
    return notes


def _view(
    given: Given, lot_id: str, shore: Shore, stand: Stand, zone: Any, band: tuple[float, float]
) -> tuple[View, list[Note]]:
    """What is looked at from the lot's eyes; by stations where there is none that sees water."""
    from geotrim.core.sight import open_share

    asked = given.asked
    eyes = None if given.eyes is None else given.eyes[given.eyes["lot_id"] == lot_id]
    has_eyes = eyes is not None and len(eyes) > 0
    points = eyes.geometry.array if eyes is not None else []
    water, note = water_level(asked["water_elevation_ft"], given.mhw_facts)
    reach = shapely.get_coordinates(points) if has_eyes else None
    shapes = [*(one.line for one in shore.stretches), zone]
    shapes += list(points)
    near = near_box(shapes, given.feet)

    def scene(without: Any) -> tuple[Scene, list[Note]]:
        return scene_of(
            given.crowns, given.cells, given.foliage, zone=zone,
            ground=given.ground if has_eyes else None, water_ft=water, without=without,
            reach_xy=reach, near=near, hides_from=str(asked["hides_from"]),
        )  # fmt: skip

    now, notes = scene(())
    after = now
    if stand.is_gone.any():
        after, _ = scene(np.flatnonzero(stand.is_gone).tolist())
    rays: list[Rays] = []
    if has_eyes:
        up, more = eye_elevations(eyes, given.ground, water, given.lots.crs)
        bend = curvature_per_ft(bool(asked["flat_earth"]), float(asked["refraction_frac"]))
        every = rays_of_eyes(eyes, up, shore, now, float(asked["azimuth_step_deg"]), bend)
        rays = [one for one in every if len(one)]
        notes = [note, *notes, *more, *_blind(lot_id, eyes, every)]
    what, n_eyes = ("eyes", len(rays)) if rays else ("stations", 0)
    words = ""
    if not rays:
        words = _no_eye(given, eyes)
        rays = [station_rays(shore, band)]
        notes = [n for n in notes if n.about == "crowns" or n.about.startswith("lot")]
        text = (
            f"{words or 'no eye is given'}: the view is by stations, level lines square to the "
            f"shore at {band[0]:g} to {band[1]:g} ft above the substrate"
        )
        notes.append(Note(f"lot {lot_id}", text, "assumed"))
    before = float(np.mean([open_share(now, one)[0] for one in rays]))
    notes += _far(lot_id, given, near)
    return View(after, rays, what, n_eyes, before, words), notes


def _no_eye(given: Given, eyes: Any) -> str:
    """Why none of the eyes that are given can be used for a lot; "" where none is given."""
    if given.eyes is None:
        return ""
    if not len(eyes):
        return "none of the eyes given looks over this lot's shore"
    ids = some_of([str(i) for i in eyes["eye_id"]])
    return (
        f"none of the eyes given can be used ({ids}: sees none of the water over this lot's "
        "frontage)"
    )


def _far(lot_id: str, given: Given, near: tuple[float, float, float, float]) -> list[Note]:
    """Crowns too far off to be looked at."""
    shapes = np.asarray(given.crowns.geometry.array, dtype=object)
    is_far = ~shapely.intersects(shapes, shapely.box(*near)) & ~shapely.is_empty(shapes)
    if not is_far.any():
        return []
    text = (
        f"{n_of(is_far, 'crown')} more than {NEAR_FT:,.0f} ft from the shore, its zone and the "
        "eyes left out of the view"
    )
    return [Note(f"lot {lot_id}", text, "info")]


def _blind(lot_id: str, eyes: Any, rays: list[Rays]) -> list[Note]:
    blind = [str(i) for i, one in zip(eyes["eye_id"], rays, strict=True) if not len(one)]
    text = f"{', '.join(blind)}: sees none of the water over this lot's frontage, so left out"
    return [Note(f"lot {lot_id}", text, "missing")] if blind else []


def _problem(
    given: Given, lot_id: str, way: rules.Way, stand: Stand, shore: Shore, station: Any,
    done: Any, view: View, counted: Flags, foliage_ft3: float,
) -> WindowProblem:  # fmt: skip
    """The choice to be made."""
    from geotrim.core.sight import elements

    asked, options = given.asked, done.options
    cap = rules.allowance(
        given.route["shares"], lot_id, way.route, str(asked["share_measure_reading"])
    )
    budget = asked["foliage_budget_frac"]
    along = crown_stations(shore, stand.stretch, stand.shape, counted & (station >= 0))
    return WindowProblem(
        station_from_ft=shore.from_ft,
        station_length_ft=shore.length_ft,
        is_break=shore.is_break,
        is_allowed=shore.is_allowed,
        tree_station=np.asarray(station, dtype=np.intp),
        options=options,
        elements=elements(view.scene, view.rays, options),
        bars=done.bars,
        span_min_ft=asked["span_min_ft"] or None,
        span_max_ft=asked["span_max_ft"],
        gap_min_ft=float(asked["span_gap_ft"]),
        n_spans_max=int(asked["n_spans"]),
        is_counted=counted,
        area_ft2=stand.area_ft2,
        trees_max=cap.trees,
        length_max_ft=cap.length_ft,
        cover_start=along[0],
        cover_station=along[1],
        area_max_ft2=cap.area_ft2,
        share_max_frac=share_limits(given, way, stand)[0],
        foliage_max_ft3=None if budget is None else float(budget) * foliage_ft3,
    )


def share_limits(given: Given, way: rules.Way, stand: Stand) -> tuple[Any, tuple[str, str]]:
    """Most each tree may lose over all the years, and the words and source of that limit."""
    asked = given.asked
    years, reading = int(asked["stage_years"]), str(asked["foliage_reading"])
    start = 0.0 if given.readings["quarter_reading"] == "any-height" else asked["share_from_ft"]
    margin, regrowth = float(asked["share_margin_frac"]), float(asked["regrowth_frac"])
    share, by = rules.yearly_share(way, stand.seen, float(start), margin)
    most = rules.most_frac(share, years, reading, regrowth)
    told = sorted({rule.id: rule for rule in by if rule is not None}.values(), key=lambda r: r.id)
    words = "; ".join(rules.rule_words(rule) for rule in told)
    if told:
        least = max(min(rule.limit.number for rule in told) - margin, 0.0)
        how = "of what stands each year" if reading == "standing-each-year" else "of the original"
        span = "in one year" if years == 1 else f"in {years} years, {how}"
        if years > 1 and regrowth > 0.0:
            span += f", {number_words(regrowth, 'frac')} grown back between two cuts"
        total = float(rules.most_frac(np.array([least]), years, reading, regrowth)[0])
        words += f": {number_words(round(total, 4), 'frac')} {span}"
        if margin > 0.0:
            words += f"; planned {number_words(margin, 'frac')} under the yearly share"
    source = "; ".join(rule.source for rule in told)
    kept = np.full(len(most), 1.0 - float(asked["least_kept_frac"]))
    return np.minimum(most, kept), (words or "No share a year binds", source)


def n_of(flags: Flags, what: str) -> str:
    """How many of some things are meant, with their name."""
    return count_of(int(flags.sum()), what)


def count_of(n: int, what: str) -> str:
    """A number of things, with their name."""
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


def some_of(ids: list[str]) -> str:
    """The first few of some ids."""
    return ", ".join(ids[:5]) + (", ..." if len(ids) > 5 else "")
