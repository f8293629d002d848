"""The best window: exact on the station grid, with a bound, within a budget of time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from geotrim.core.coverage import Floats
from geotrim.core.window_clock import Clock
from geotrim.core.window_limits import check_problem, evaluate
from geotrim.core.window_model import (
    FOLIAGE_WEIGHT,
    SCALE,
    Model,
    window_model,
)
from geotrim.core.window_presolve import Small, presolve
from geotrim.core.window_problem import WindowPlan, WindowProblem, opened_frac
from geotrim.core.window_run import run
from geotrim.core.window_spans import shortest_spans

#: Share of the time kept for a first plan, should the solver stop before it has a good one.
_KEPT = 0.2
#: Plans that break a sum by the solver's rounding are cut off and the program solved again.
_ROUNDS = 25
#: Times a first plan is looked for again around the last one.
_STEPS = 8


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """The best plan found and what is known of the best there is.

    plan : keeps every limit of its problem.
    view_frac : share of the view open.
    bound_frac : no plan within the limits opens more.
    foliage_ft3 : foliage taken. [ft3]
    is_optimal : proven best: no plan opens more by over a millionth of the view that can open.
    """

    plan: WindowPlan
    view_frac: float
    bound_frac: float
    foliage_ft3: float
    is_optimal: bool


def solve(
    problem: WindowProblem, *, seconds: float = 60.0, known: Sequence[WindowPlan] = ()
) -> Solution:
    """The plan that opens the most view; of those, the least foliage; then the shortest spans.

    Parameters
    ----------
    problem : WindowProblem
    seconds : float
        Time for the whole search. Only where it runs out does the result depend on the machine.
    known : sequence of WindowPlan
        Plans within the limits that are known already: where time runs out the result is no worse.

    Returns
    -------
    Solution

    Raises
    ------
    ShapeError, RangeError
        If the problem contradicts itself, or there is no time.

    Notes
    -----
    A mixed-integer program (``window_model``) solved by HiGHS, which scipy carries (Huangfu and
    Hall 2018, "Parallelizing the dual revised simplex method"). View and foliage are weighed
    against each other: all the foliage the options could take is worth a millionth of the view
    that can open. Spans are then drawn in to the shortest that hold the trees cut. Where time runs
    out the better one is given of the solver's best plan and one found by repeated linear
    approximation (after Iyer, Jegelka and Bilmes 2013, "Fast semidifferential-based submodular
    function optimization").
    """
    check_problem(problem)
    clock = Clock(seconds)
    small = presolve(problem)
    nothing = _nothing(problem)
    if not small.weights:
        return _told(problem, nothing, problem.elements.open_frac, is_optimal=True)
    model = window_model(problem, small)
    plan, bound, is_optimal = _search(problem, model, clock)
    if not is_optimal:
        ours = [one for one in known if not evaluate(problem, one).broken()]
        plans = [nothing, *ours, *([plan] if plan else []), *first_plans(problem, small, clock)]
        plan = max(plans, key=lambda one: _worth(problem, model, one))
    assert plan is not None
    return _told(problem, _drawn_in(problem, plan), bound, is_optimal=is_optimal)


def _nothing(problem: WindowProblem) -> WindowPlan:
    return WindowPlan(
        np.zeros(problem.n_stations, dtype=bool), np.full(problem.n_trees, -1, dtype=np.int64)
    )


def _told(problem: WindowProblem, plan: WindowPlan, bound: float, *, is_optimal: bool) -> Solution:
    view = opened_frac(problem.elements, plan.taken(len(problem.options)))
    foliage = float(problem.options.volume_ft3[plan.option_of[plan.option_of >= 0]].sum())
    return Solution(plan, view, max(bound, view), foliage, is_optimal)


def _worth(problem: WindowProblem, model: Model, plan: WindowPlan) -> float:
    """What the program makes great, in shares of the view."""
    taken = plan.taken(len(problem.options))
    cost = float(problem.options.volume_ft3[taken].sum()) / model.foliage_ft3
    return opened_frac(problem.elements, taken) - FOLIAGE_WEIGHT * cost * model.small.most_frac


def _search(
    problem: WindowProblem, model: Model, clock: Clock
) -> tuple[WindowPlan | None, float, bool]:
    """The solver's best plan, a bound of the view, and whether the plan is proven best."""
    now = problem.elements.open_frac
    bound = now + model.small.most_frac
    whole = clock.left()
    for _ in range(_ROUNDS):
        time_left = clock.left() - _KEPT * whole
        if time_left <= 0.0:
            break
        result = run(model.program, time_left)
        if result.mip_dual_bound is not None and np.isfinite(result.mip_dual_bound):
            # The foliage counts against the view in the program, by its weight at most.
            ours = -result.mip_dual_bound / model.scale + FOLIAGE_WEIGHT * model.small.most_frac
            bound = min(bound, now + ours)
        if result.x is None:
            break
        plan = _plan(problem, model, result.x)
        if not evaluate(problem, plan).broken():
            return plan, bound, result.status == 0
        _cut_off(model, result.x)
    return None, bound, False


def _plan(problem: WindowProblem, model: Model, x: Floats) -> WindowPlan:
    options = model.small.options[x[model.option] > 0.5]
    option_of = np.full(problem.n_trees, -1, dtype=np.int64)
    option_of[problem.options.tree[options]] = options
    return WindowPlan(x[model.station] > 0.5, option_of)


def _cut_off(model: Model, x: Floats) -> None:
    """No plan again with all the stations and options of one over a sum by rounding alone."""
    columns = np.concatenate([model.station, model.option])
    chosen = columns[x[columns] > 0.5]
    model.program.row(chosen, 1.0, len(chosen) - 1.0)


def first_plans(problem: WindowProblem, small: Small, clock: Clock) -> list[WindowPlan]:
    """Plans that keep the limits, each from a program without elements, so soon solved.

    Each option counts what its elements are worth. At first an element is shared out evenly among
    all it takes to open it. Seen from a plan, an element that is open counts for the options that
    keep it so, evenly; one that is closed counts for those it still wants, the less the more of
    them there are.
    """
    out: list[WindowPlan] = []
    taken: set[int] = set()
    for _ in range(_STEPS):
        if clock.left() <= 0.0:
            break
        model = window_model(problem, replace(small, weights={}))
        values = _option_values(small, taken)
        for column, value in zip(model.option, values, strict=True):
            model.program.cost[column] -= SCALE * value / small.most_frac
        result = run(model.program, clock.left() / 2.0)
        if result.x is None:
            break
        plan = _plan(problem, model, result.x)
        chosen = set(plan.option_of[plan.option_of >= 0].tolist())
        if chosen == taken or evaluate(problem, plan).broken():
            break
        out.append(plan)
        taken = chosen
    return out


def _option_values(small: Small, taken: set[int]) -> Floats:
    """(options,) what taking each is worth, seen from a plan: shares of the view."""
    at = {int(option): k for k, option in enumerate(small.options)}
    out = np.zeros(len(at))
    is_met = [any(option in taken for option in group) for group in small.groups]
    for need, weight in small.weights.items():
        missing = [g for g in need if not is_met[g]]
        share = weight / (len(missing) or len(need)) ** (2 if taken and missing else 1)
        for g in missing or need:
            for option in small.groups[g]:
                if option in at and (missing or option in taken):
                    out[at[option]] += share
    return out


def _drawn_in(problem: WindowProblem, plan: WindowPlan) -> WindowPlan:
    """The same trees, in the shortest spans that hold them."""
    shortest = shortest_spans(problem, problem.tree_station[plan.option_of >= 0])
    if shortest is None:
        return plan
    drawn = WindowPlan(shortest, plan.option_of)
    return plan if evaluate(problem, drawn).broken() else drawn
