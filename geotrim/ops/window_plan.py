"""From one lot to its window: the plan, and what the limits cost."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.core.window_clock import Clock
from geotrim.core.window_problem import Options, WindowPlan
from geotrim.model import Note
from geotrim.ops import window_rules as rules
from geotrim.ops import window_tables as tables
from geotrim.ops.window_costs import FOR_PLAN, Costs, percent
from geotrim.ops.window_given import NO_WINDOW, OWN, PLANNED, Given
from geotrim.ops.window_lot import View, count_of, lot_of, share_limits, some_of, way_of_lot
from geotrim.ops.window_spans import open_stations
from geotrim.ops.window_trees import AND

Flags = npt.NDArray[np.bool_]
#: Years more that a lot without a window is told of.
MORE_YEARS = 3


def no_lot(given: Given, lot_id: str, why: tuple[str, str]) -> tuple[dict[str, Any], list[Note]]:
    """The row of a lot without a plan."""
    status, reason = why
    way = way_of_lot(given, lot_id)
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
    way = way_of_lot(given, lot_id)
    notes = _way_notes(lot_id, way, given)
    lot, view, says = lot_of(given, lot_id, way)
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
    eyes = f"from {count_of(row['n_eyes'], 'eye')}" if row["view_of"] == "eyes" else "by stations"
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
        text = f"brought down to the least height: {some_of(near)}. {floor.words}"
        out.append(Note(f"lot {lot_id}", text.rstrip("."), "info"))
    if part:
        text = (
            f"part of the crown stands outside the zone and stays as tall as it is: "
            f"{some_of(part)}; height_after_ft is that of the part that stays"
        )
        out.append(Note(f"lot {lot_id}", text, "info"))
    if against:
        why: dict[str, list[str]] = {}
        for one in against:
            why.setdefault(one["why_left"], []).append(one["crown_id"])
        told = "; ".join(f"{some_of(ids)}: {words}" for words, ids in why.items())
        text = f"this window cuts {count_of(len(against), 'tree')} against a limit: {told}"
        out.append(Note(f"lot {lot_id}", text, "missing"))
    return out


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
    is_shut = False  # by one limit for the whole lot: what it would be without is no next step
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
        is_shut = n[name] >= of_all
        whom = "every tree" if is_shut else f"{n[name]} of {of_all} trees"
        told = [f"{limit.words} [{limit.source}]: keeps {whom}"]
    if costs.costing and not is_shut:
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
        lot, *_ = lot_of(other, lot_id, way)
        found = solve(lot.problem, seconds=clock.part(1.0 / (MORE_YEARS + 1 - more)))
        view = _open(float(found.view_frac), bool(found.is_optimal))
        out.append(f"with stage_years = {years} {view} open")
    return out


def _or_nan(value: Any) -> float:
    return float("nan") if value is None else float(value)
