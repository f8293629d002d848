"""From one lot to its window: the problem, the plan, and what the limits cost."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core.foliage import Foliage
from geotrim.core.fringe import Baseline
from geotrim.core.sight_scene import Rays, Scene, curvature_per_ft
from geotrim.core.window_problem import Options, WindowPlan, WindowProblem
from geotrim.errors import RangeError
from geotrim.model import Facts, HeightSource, Note, Result
from geotrim.ops import window_rules as rules
from geotrim.ops import window_tables as tables
from geotrim.ops.canopy_cells import CrownCells
from geotrim.ops.eyes import eyes_of_lots, water_level
from geotrim.ops.scene import eye_elevations, scene_of
from geotrim.ops.sight_views import NEAR_FT
from geotrim.ops.window_costs import FOR_PLAN, Clock, Costs, percent
from geotrim.ops.window_spans import Spans, beyond, open_stations
from geotrim.ops.window_trees import AND, Stand, stand_of, treatments
from geotrim.ops.window_view import Shore, crown_stations, rays_of_eyes, shore_of, station_rays
from geotrim.rules.readings import Readings
from geotrim.rules.rule_file import number_words
from geotrim.rules.rule_set import RuleSet

Flags = npt.NDArray[np.bool_]
#: Years more that a lot without a window is told of.
MORE_YEARS = 3
PLANNED, NO_WINDOW, OWN, NOT_PLANNED = "planned", "no window", "own window", "not planned"


@dataclass(frozen=True, slots=True, eq=False)
class Given:
    """What the operation was given, with what all lots share."""

    lots: Any
    lines: list[Baseline]
    crowns: Any
    trunks: Any
    ground: HeightSource | None
    facts: Facts
    rules: RuleSet
    readings: Readings
    frontage: Result
    fringe: Result
    zone: Result
    strips: Any
    route: Result
    cells: CrownCells
    foliage: Foliage
    eyes: Any
    mhw_facts: Mapping[str, Any]
    keep: Mapping[str, str]
    own: Spans | None
    asked: Mapping[str, Any]
    feet: float
    notes: tuple[Note, ...] = ()

    def with_eyes(self, eyes: Any) -> Given:
        """The same with the eyes of measured lots."""
        if eyes is None or not len(eyes):
            return self
        mine, notes = eyes_of_lots(self.lots, eyes)
        return replace(self, eyes=mine, notes=(*self.notes, *notes))

    def zone_of(self, lot_id: str) -> Any:
        """Zone of a lot, in map units."""
        rows = self.zone["zone"]
        return shapely.union_all(rows.geometry.array[(rows["lot_id"] == lot_id).to_numpy()])

    def shore(self, lot_id: str) -> Shore:
        """Stations of a lot."""
        return shore_of(
            lot_id, self.frontage, self.lines, self.crowns, self.fringe, self.zone_of(lot_id),
            self.strips, float(self.asked["station_step_ft"]), self.feet,
        )  # fmt: skip

    def lacking(self, lot_id: str) -> tuple[str, str] | None:
        """Status and reason of a lot that cannot be planned for; None for the others."""
        rows = self.frontage["lots"]
        lot = rows[rows["lot_id"] == lot_id].iloc[0]
        if lot["n_stretches"] == 0:
            return NOT_PLANNED, str(lot["reason"])
        places = self.fringe["fringe_crowns"]
        mine = (places["lot_id"] == lot_id) & places["is_fringe"].astype(bool)
        if not mine.any():
            return NOT_PLANNED, "no tree stands in a fringe along this shore"
        zone = self.zone["zone"]
        row = zone[zone["lot_id"] == lot_id].iloc[0]
        if row["status"] != "ok":
            return NO_WINDOW, str(row["reason"])
        if self.own is not None and beyond(self.own, self.shore(lot_id)) is not None:
            return NOT_PLANNED, "the window asked for does not lie on this lot's shore"
        return None

    def check_own(self, ids: list[str]) -> None:
        """Refuse a window of the user's own that lies on no lot's shore."""
        if self.own is None:
            return
        fronts = self.frontage["lots"]
        ids = [i for i in ids if fronts.loc[fronts["lot_id"] == i, "n_stretches"].iloc[0] > 0]
        shores = {lot_id: self.shore(lot_id) for lot_id in ids}
        off = {lot_id: beyond(self.own, shore) for lot_id, shore in shores.items()}
        if not off or not all(off.values()):
            return
        ends = ", ".join(
            f"{lot_id}: {shore.from_ft.min():.4g} to {shore.to_ft.max():.4g}"
            for lot_id, shore in list(shores.items())[:5]
        )
        low, high = next(span for span in off.values() if span is not None)
        end = max(float(shore.to_ft.max()) for shore in shores.values())
        where = f"ends past {end:.4g}" if low < end else "lies on no lot's shore"
        raise RangeError(
            "window_spans_ft", f"{low:g}-{high:g}, which {where}",
            f"stations along a frontage ({ends} ft)", "look stations up in the elevation figure",
        )  # fmt: skip


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


def no_lot(given: Given, lot_id: str, why: tuple[str, str]) -> tuple[dict[str, Any], list[Note]]:
    """The row of a lot without a plan."""
    status, reason = why
    way = _way(given, lot_id)
    row = {
        "lot_id": lot_id,
        "status": status,
        "reason": reason,
        "way": way.route,
        "way_words": way.words,
        "view_of": "",
        "n_eyes": 0,
        "is_optimal": False,
        "n_spans": 0,
        "window_length_ft": 0.0,
        "n_cut_trees": 0,
        "is_target_met": False,
        "target_view_frac": _or_nan(given.asked["target_view_frac"]),
        "target_words": "",
        "is_way_assumed": way.is_assumed,
        "is_without_proven": False,
        "view_of_words": "",
    }
    return {"window_lots": [row]}, [Note(f"lot {lot_id}", f"{status}: {reason}", "missing")]


def lot_tables(given: Given, lot_id: str) -> tuple[dict[str, Any], list[Note]]:
    """Rows of every table for one lot, and what was assumed.

    Parameters
    ----------
    given : Given
    lot_id : str
    """
    clock = Clock(float(given.asked["solve_seconds"]))
    way = _way(given, lot_id)
    notes = _way_notes(lot_id, way, given)
    lot, view, says = _lot(given, lot_id, way)
    notes += says
    notes += [Note(f"lot {lot_id}", text, "missing") for text in lot.done.told]
    found = _solved(given, lot, clock)
    rows, untold = _rows(given, lot, view, way, found, clock)
    row = rows["window_lots"][0]
    notes += [_basis(lot_id, row, str(given.asked["canopy_model"])), *_after(lot_id, rows, given)]
    if not row["is_optimal"] and not found.is_own:
        text = (
            f"not proven best in {given.asked['solve_seconds']:g} s: opens "
            f"{row['view_after_frac']:.1%}, and no plan opens more than "
            f"{row['view_bound_frac']:.1%}"
        ).replace("%", " %")
        notes.append(Note(f"lot {lot_id}", text, "info"))
    if untold:
        told = ", ".join(tables.short_words(name, lot.done.limits) for name in untold)
        text = f"time did not do to tell what these limits cost: {told}"
        notes.append(Note(f"lot {lot_id}", text, "missing"))
    return rows, notes


def _basis(lot_id: str, row: Mapping[str, Any], model: str) -> Note:
    """Whose limits, seen from where, and what foliage is taken to be."""
    eyes = f"from {_count(row['n_eyes'], 'eye')}" if row["view_of"] == "eyes" else "by stations"
    text = (
        f"limits of: {row['way_words']}; view {eyes}; foliage by canopy model {model}; crowns "
        "count as solid and are treated whole"
    )
    return Note(f"lot {lot_id}", text, "info")


def _after(lot_id: str, rows: Mapping[str, Any], given: Given) -> list[Note]:
    """What good practice says of trees brought down (P-12, P-13), and what a cut goes against."""
    low = [one for one in rows["window_trees"] if one["treatment"] == tables.LOWER]
    floor = given.rules.rules["floor-is-no-target"]
    near = [
        one["crown_id"]
        for one in low
        if one["height_after_ft"] <= rows["window_lots"][0]["least_height_ft"] + 1e-9
    ]
    part = [one["crown_id"] for one in low if one["height_after_ft"] > one["cut_low_ft"] + 1e-9]
    against = [one for one in rows["window_trees"] if one["treatment"] != tables.LEAVE]
    against = [one for one in against if one["bar"]]
    out = []
    if near:
        text = f"brought down to the least height: {_some(near)}. {floor.words}"
        out.append(Note(f"lot {lot_id}", text.rstrip("."), "info"))
    if part:
        text = (
            f"part of the crown stands outside the zone and stays as tall as it is: {_some(part)}; "
            "height_after_ft is that of the part that stays"
        )
        out.append(Note(f"lot {lot_id}", text, "info"))
    if against:
        why: dict[str, list[str]] = {}
        for one in against:
            why.setdefault(one["why_left"], []).append(one["crown_id"])
        told = "; ".join(f"{_some(ids)}: {words}" for words, ids in why.items())
        text = f"this window cuts {_count(len(against), 'tree')} against a limit: {told}"
        out.append(Note(f"lot {lot_id}", text, "missing"))
    return out


def _some(ids: list[str]) -> str:
    return ", ".join(ids[:5]) + (", ..." if len(ids) > 5 else "")


def _way(given: Given, lot_id: str) -> rules.Way:
    return rules.way_of(
        str(given.asked["window_route"]), given.facts.of(lot_id), given.rules,
        given.readings.dropped(),
    )  # fmt: skip


def _way_notes(lot_id: str, way: rules.Way, given: Given) -> list[Note]:
    notes = []
    if way.is_assumed:
        text = (
            "who supervises the work is not known; the limits of the professional exemption are "
            "taken, as if a professional mangrove trimmer does or supervises all of it"
        )
        notes.append(Note(f"lot {lot_id}", text, "assumed"))
    for rule in given.rules.of_route(way.route, "check"):
        text = f"ask the authority: {rules.rule_words(rule)} [{rule.source}]"
        notes.append(Note(f"lot {lot_id}", text, "info"))
    return notes


def _lot(given: Given, lot_id: str, way: rules.Way) -> tuple[tables.Lot, View, list[Note]]:
    """The lot's trees, its stations, its view and the problem made of them."""
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
    in_zone = shapely.intersects_xy(zone, given.cells.x, given.cells.y)
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


def _tree_notes(lot_id: str, stand: Stand, foliage: Foliage) -> list[Note]:
    """What was taken for granted about species, and which trees cannot be reckoned with."""
    notes = []
    unknown = stand.is_fringe & np.isnan(stand.seen.is_mangrove)
    if unknown.any():
        text = (
            f"{_n(unknown, 'tree')} of unknown species taken as mangroves here: confirm "
            "in the field"
        )
        notes.append(Note(f"lot {lot_id}", text, "assumed"))
    other = stand.is_mine & stand.is_other & ~stand.is_gone
    if other.any():
        text = (
            f"{_n(other, 'plant')} known to be no mangroves left standing, so that they block the "
            "view (remove_others takes them away first)"
        )
        notes.append(Note(f"lot {lot_id}", text, "info"))
    if stand.is_gone.any():
        text = (
            f"{_n(stand.is_gone, 'plant')} known to be no mangroves taken as removed first; a"
            " local tree code may apply to them"
        )
        notes.append(Note(f"lot {lot_id}", text, "assumed"))
    bare = stand.is_fringe & ~stand.is_other & np.isnan(foliage.whole_ft3)
    if bare.any():
        some = ", ".join(stand.ids[bare][:5]) + (", ..." if bare.sum() > 5 else "")
        text = f"{_n(bare, 'tree')} ({some}) without known foliage under this canopy model: left"
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
    west, south, east, north = shapely.total_bounds(np.array(shapes, dtype=object))
    far = NEAR_FT / given.feet
    near = (west - far, south - far, east + far, north + far)

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
    ids = _some([str(i) for i in eyes["eye_id"]])
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
        f"{_n(is_far, 'crown')} more than {NEAR_FT:,.0f} ft from the shore, its zone and the eyes "
        "left out of the view"
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


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """The plan of one lot.

    solution : None where the window is the user's own and nothing was chosen.
    """

    plan: WindowPlan
    solution: Any
    is_own: bool


def _rows(
    given: Given, lot: tables.Lot, view: View, way: rules.Way, found: Found, clock: Clock
) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Rows of every table, and limits of which time did not do to tell what they cost."""
    from geotrim.core.window_limits import evaluate

    look = evaluate(lot.problem, found.plan)
    costs = Costs(given.asked, lot, found.solution, found.is_own, look, clock)
    points = costs.points()
    better = costs.better(points)
    if better is not None:
        found = Found(better.plan, better, False)
        look = evaluate(lot.problem, found.plan)
        costs = Costs(given.asked, lot, found.solution, found.is_own, look, clock)
    without = costs.without()
    reading = str(given.asked["share_measure_reading"])
    cap = rules.allowance(given.route["shares"], lot.lot_id, way.route, reading)
    allowed = (cap.words + ("" if cap.is_sure else " (taken as binding)"), cap.source)
    share = share_limits(given, way, lot.stand)[1]
    checks = [*look.checks, *broken_bars(lot, found.plan)]
    rows = {
        "window_lots": [_lot_row(given, lot, view, way, found, look, costs)],
        "window_spans": tables.span_rows(lot, found.plan),
        "window_trees": tables.tree_rows(lot, found.plan),
        "window_limits": tables.limit_rows(
            lot, found.plan, checks, without, allowed if cap.words else ("", ""), share
        ),
        "window_frontier": costs.frontier(points),
    }
    return rows, costs.untold


@dataclass(frozen=True, slots=True)
class BarCheck:
    """A limit on single options, as the plan keeps or breaks it."""

    limit: str
    value: float
    allowed: float
    is_broken: bool
    trees: tuple[int, ...]


def broken_bars(lot: tables.Lot, plan: WindowPlan) -> list[BarCheck]:
    """The limits on single options that a plan breaks; one of the user's own may."""
    taken = plan.option_of[plan.option_of >= 0]
    out = []
    for name in lot.done.limits:
        hit = [
            int(lot.done.options.tree[m])
            for m in taken
            if lot.done.options.barred_by[m] >= 0
            and name in lot.done.bars[lot.done.options.barred_by[m]].split(AND)
        ]
        if hit:
            out.append(BarCheck(name, np.nan, np.nan, True, tuple(sorted(set(hit)))))
    return out


def _solved(given: Given, lot: tables.Lot, clock: Clock) -> Found:
    """The best plan, or the user's own."""
    from geotrim.core.window_solve import solve

    if given.own is None:
        solution = solve(lot.problem, seconds=clock.part(FOR_PLAN))
        return Found(solution.plan, solution, False)
    is_open = open_stations(given.own, lot.shore)
    if given.asked["window_treatment"] == "clear-band":
        band = given.asked["band_ft"]
        return Found(cleared(lot, is_open, float(band[0]), float(band[1])), None, True)
    inside = replace(
        lot.problem, is_allowed=is_open, span_min_ft=None, span_max_ft=None, gap_min_ft=0.0,
        n_spans_max=None,
    )  # fmt: skip
    solution = solve(inside, seconds=clock.part(FOR_PLAN))
    return Found(WindowPlan(is_open, solution.plan.option_of), solution, True)


def cleared(lot: tables.Lot, is_open: Flags, low_ft: float, high_ft: float) -> WindowPlan:
    """The band cleared of every tree in a window, whatever limit that breaks.

    A tree whose top lies in the band is lowered as far as the floor lets it.
    """
    options: Options = lot.done.options
    station = lot.problem.tree_station
    least = max(low_ft, lot.least_ft)
    is_band = (options.low_ft == low_ft) & (options.high_ft == high_ft)
    is_top = np.isinf(options.high_ft) & (options.low_ft >= least)
    out = np.full(lot.problem.n_trees, -1, dtype=np.intp)
    for m in [*np.flatnonzero(is_top)[::-1], *np.flatnonzero(is_band)]:  # the deepest goes last
        tree = options.tree[m]
        if station[tree] >= 0 and is_open[station[tree]]:
            out[tree] = m if is_band[m] or lot.foliage.top_ft[tree] <= high_ft else out[tree]
    return WindowPlan(is_open, out)


def _lot_row(
    given: Given, lot: tables.Lot, view: View, way: rules.Way, found: Found, look: Any,
    costs: Costs,
) -> dict[str, Any]:  # fmt: skip
    """The row of a lot with a plan."""
    problem, plan = lot.problem, found.plan
    n_cut = int((plan.option_of >= 0).sum())
    status, reason = (OWN, "") if found.is_own else (PLANNED, "")
    if not found.is_own and n_cut == 0:
        status, reason = NO_WINDOW, _why_none(given, lot, way, costs)
    is_met, words = costs.target()
    bound = look.view_frac if found.solution is None else float(found.solution.bound_frac)
    return {
        "lot_id": lot.lot_id,
        "status": status,
        "reason": reason,
        "way": way.route,
        "way_words": way.words,
        "view_of": view.what,
        "n_eyes": view.n_eyes,
        "view_before_frac": view.before_frac,
        "view_after_frac": float(look.view_frac),
        "view_bound_frac": max(bound, float(look.view_frac)),
        "view_centred_frac": float(costs.centred.view_frac),
        "is_optimal": found.solution is not None and bool(found.solution.is_optimal),
        "n_spans": int(look.n_spans),
        "window_length_ft": float(look.window_length_ft),
        "n_cut_trees": n_cut,
        "foliage_removed_ft3": float(look.foliage_ft3),
        "foliage_removed_frac": tables.part_of(look.foliage_ft3, lot.lot_foliage_ft3),
        "target_view_frac": _or_nan(given.asked["target_view_frac"]),
        "is_target_met": is_met,
        "target_words": words,
        "view_others_removed_frac": float(problem.elements.open_frac),
        "view_best_frac": np.nan if costs.best is None else float(costs.best.view_frac),
        "centred_length_ft": float(problem.station_length_ft[costs.centred.plan.is_open].sum()),
        "is_way_assumed": way.is_assumed,
        "lot_foliage_ft3": lot.lot_foliage_ft3,
        "least_height_ft": lot.least_ft,
        "is_without_proven": costs.is_proven,
        "view_of_words": view.words,
    }


def _why_none(given: Given, lot: tables.Lot, way: rules.Way, costs: Costs) -> str:
    """Why nothing is cut: the limits that keep the trees, and what a next step would open."""
    options = lot.done.options
    if not len(options):
        return "no tree of the fringe has foliage in the zone within reach of a cut"
    if (options.barred_by < 0).any():
        told = ["no cut within the limits opens any of the view"]
        longest = float(max(stretch.length_ft for stretch in lot.shore.stretches))
        least = lot.problem.span_min_ft or 0.0
        if least > longest + 1e-6:
            told[0] += (
                f": a span is at least {least:g} ft long (span_min_ft), and the longest stretch of "
                f"this shore is {longest:.1f} ft"
            )
    else:
        n = {name: int(flags.sum()) for name, flags in lot.done.of_tree.items()}
        of_all = np.unique(options.tree).size
        name = max(n, key=lambda key: n[key])
        limit = lot.done.limits[name]
        whom = "every tree" if n[name] >= of_all else f"{n[name]} of {of_all} trees"
        told = [f"{limit.words} [{limit.source}]: keeps {whom}"]
    if costs.costing:
        best = max(costs.costing, key=lambda key: costs.costing[key])
        short = tables.short_words(best, lot.done.limits)
        told.append(f"without {short} {_open(costs.costing[best], costs.is_proven)} open")
    if tables.SHARE in costs.costing and not costs.is_own:
        told += more_years(given, lot.lot_id, way, costs.clock)
    return "; ".join(told)


def _open(view: float, is_proven: bool) -> str:
    return f"{'' if is_proven else 'at least '}{percent(view)} would be"


def more_years(given: Given, lot_id: str, way: rules.Way, clock: Clock) -> list[str]:
    """What the window would open if its cuts were spread over one to three years more.

    Parameters
    ----------
    given : Given
    lot_id : str
    way : Way
    clock : Clock
        What is left of the time for this lot.
    """
    from geotrim.core.window_solve import solve

    out = []
    for more in range(1, MORE_YEARS + 1):
        years = int(given.asked["stage_years"]) + more
        other = replace(given, asked={**given.asked, "stage_years": years})
        lot, *_ = _lot(other, lot_id, way)
        found = solve(lot.problem, seconds=clock.part(1.0 / (MORE_YEARS + 1 - more)))
        view = _open(float(found.view_frac), bool(found.is_optimal))
        out.append(f"with stage_years = {years} {view} open")
    return out


def _n(flags: Flags, what: str) -> str:
    return _count(int(flags.sum()), what)


def _count(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


def _or_nan(value: Any) -> float:
    return float("nan") if value is None else float(value)
