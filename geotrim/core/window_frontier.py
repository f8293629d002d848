"""Windows side by side: view against foliage, each limit taken away, the centred window."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

import numpy as np

from geotrim.core.coverage import Floats
from geotrim.core.window_clock import LEAST_SECONDS, SAME_VIEW, Clock
from geotrim.core.window_cover import has_cover
from geotrim.core.window_limits import evaluate, in_force, lifted, over
from geotrim.core.window_problem import Flags, WindowPlan, WindowProblem
from geotrim.core.window_solve import Solution, solve
from geotrim.errors import RangeError

Progress = Callable[[str], None]


def frontier(
    problem: WindowProblem,
    n_points: int,
    *,
    seconds: float = 60.0,
    best: Solution | None = None,
    progress: Progress | None = None,
) -> list[Solution]:
    """Best plans for growing budgets of foliage, evenly spaced up to what the best plan takes.

    Parameters
    ----------
    problem : WindowProblem
    n_points : int
        Budgets. Where two give the same plan it is told once.
    seconds : float
        For all of them together.
    best : Solution, optional
        The best plan of the problem, where it has been searched for already.
    progress : callable, optional
        Called with words between two searches.

    Returns
    -------
    list of Solution
        From cheap to dear; foliage and view both rise. The last is the best plan without a budget
        of its own. Each bound holds for every budget up to that of its point.

    Raises
    ------
    RangeError
        If ``n_points`` is below 1.
    """
    if n_points < 1:
        raise RangeError("n_points", str(n_points), "at least 1", "ask for one plan or more")
    clock = Clock(seconds)
    if best is None:
        best = solve(problem, seconds=seconds / 2.0 if n_points > 1 else seconds)
    found = [best]
    # From dear to cheap: a plan that is cheap enough already is best for the next budget as well.
    for number in range(n_points - 1, 0, -1):
        if progress is not None:
            progress(f"window: plan {number} of {n_points}")
        budget = best.foliage_ft3 * number / n_points
        cheapest = found[-1]
        if budget <= 0.0 or (cheapest.is_optimal and not over(cheapest.foliage_ft3, budget)):
            continue
        point = solve(replace(problem, foliage_max_ft3=budget), seconds=_part(clock.left(), number))
        found.append(replace(point, bound_frac=min(point.bound_frac, cheapest.bound_frac)))
    return _rising(found)


def _part(seconds: float, n: int) -> float:
    return max(seconds / n, LEAST_SECONDS)


def _rising(found: list[Solution]) -> list[Solution]:
    """From cheap to dear; without a plan that another opens as much as, for no more foliage."""
    out: list[Solution] = []
    for one in sorted(found, key=lambda one: (one.foliage_ft3, -one.view_frac)):
        if not out or one.view_frac > out[-1].view_frac:
            out.append(one)
    return out


def knee(points: Sequence[Solution]) -> int:
    """The point past which more foliage opens less: the one highest over the chord.

    Both axes run from the first point to the last. Of two as high, the cheaper.

    Parameters
    ----------
    points : sequence of Solution
        A frontier, from cheap to dear.

    Returns
    -------
    int
        Its index; the last where there are fewer than three.

    Raises
    ------
    RangeError
        If there are no points.

    References
    ----------
    Satopaa, Albrecht, Irwin and Raghavan 2011, "Finding a 'kneedle' in a haystack".
    """
    if not points:
        raise RangeError("points", "none", "a frontier with at least one", "make it first")
    if len(points) < 3:
        return len(points) - 1
    foliage = _from_0_to_1(np.array([one.foliage_ft3 for one in points]))
    view = _from_0_to_1(np.array([one.view_frac for one in points]))
    return int(np.argmax(np.round(view - foliage, 12)))


def _from_0_to_1(values: Floats) -> Floats:
    reach = values[-1] - values[0]
    return (values - values[0]) / reach if reach else np.zeros(len(values))


def what_binds(
    problem: WindowProblem,
    solution: Solution,
    *,
    seconds: float = 60.0,
    progress: Progress | None = None,
) -> dict[str, float]:
    """Limits that cost view, each with the view of the best plan without it alone.

    Parameters
    ----------
    problem : WindowProblem
    solution : Solution
        The best plan of the problem.
    seconds : float
        For all limits together.
    progress : callable, optional

    Returns
    -------
    dict of limit: view
        In the order of the limits. NaN where time did not do to tell: not tried, or no plan found
        that opens more and none proven away. A limit that costs no view is not there.
    """
    out: dict[str, float] = {}
    for limit, found in _without_each(problem, solution, Clock(seconds), progress):
        if found is None or not (found.is_optimal or _gains(found, solution)):
            out[limit] = np.nan
        elif _gains(found, solution):
            out[limit] = found.view_frac
    return out


def _gains(one: Solution, other: Solution) -> bool:
    return one.view_frac > other.view_frac + SAME_VIEW


def _without_each(
    problem: WindowProblem, solution: Solution, clock: Clock, progress: Progress | None
) -> Iterable[tuple[str, Solution | None]]:
    limits = in_force(problem)
    for number, limit in enumerate(limits):
        if clock.left() < LEAST_SECONDS:
            yield limit, None
            continue
        if progress is not None:
            progress(f"window: without {limit}")
        seconds = _part(clock.left(), len(limits) - number)
        yield limit, solve(lifted(problem, limit), seconds=seconds)


def what_bars(
    problem: WindowProblem,
    target_frac: float,
    *,
    seconds: float = 60.0,
    best: Solution | None = None,
    progress: Progress | None = None,
) -> tuple[float, tuple[str, ...]]:
    """What keeps a view from being opened.

    Parameters
    ----------
    problem : WindowProblem
    target_frac : float
        Share of the view that is wanted open.
    seconds : float
        For all searches together.
    best : Solution, optional
        The best plan of the problem, where it has been searched for already.
    progress : callable, optional

    Returns
    -------
    best_frac : float
        The most that was found within the limits.
    limits : tuple of str
        None where the target is met. Else those each of which, lifted alone, lets it be met; else
        a set that lets it be met lifted together, none of which could be left out; else, where the
        target is beyond reach without any limit (see :func:`most_frac`), those that cost view.

    References
    ----------
    The set is found by taking limits back one by one (Chinneck and Dravnieks 1991, "Locating
    minimal infeasible constraint sets in linear programs": the deletion filter).
    """
    clock = Clock(seconds)
    if best is None:
        best = solve(problem, seconds=seconds / 4.0)
    if _meets(best, target_frac):
        return best.view_frac, ()
    alone = dict(_without_each(problem, best, _some(clock, 0.6), progress))
    one = tuple(name for name, found in alone.items() if found and _meets(found, target_frac))
    if one:
        return best.view_frac, one
    free = _free(problem, _part(clock.left(), 4))
    if free.bound_frac < target_frac - SAME_VIEW:
        binding = (name for name, found in alone.items() if found and _gains(found, best))
        return best.view_frac, tuple(binding)
    return best.view_frac, _fewest(problem, target_frac, clock)


def _some(clock: Clock, share: float) -> Clock:
    return Clock(max(clock.left() * share, LEAST_SECONDS))


def _meets(solution: Solution, target_frac: float) -> bool:
    return solution.view_frac >= target_frac - SAME_VIEW


def most_frac(problem: WindowProblem, *, seconds: float = 60.0) -> float:
    """The view without any limit: all that options of trees with a station can open."""
    return _free(problem, seconds).view_frac


def _free(problem: WindowProblem, seconds: float) -> Solution:
    free = problem
    for limit in in_force(problem):
        free = lifted(free, limit)
    return solve(free, seconds=seconds)


def _fewest(problem: WindowProblem, target_frac: float, clock: Clock) -> tuple[str, ...]:
    """Limits that together bar the target: each is taken back unless the target is then lost."""
    limits = list(in_force(problem))
    for number, limit in enumerate(tuple(limits)):
        rest = [name for name in limits if name != limit]
        trial = problem
        for name in rest:
            trial = lifted(trial, name)
        seconds = _part(clock.left(), len(in_force(problem)) - number)
        if _meets(solve(trial, seconds=seconds), target_frac):
            limits = rest
    return tuple(limits)


def best_centred(problem: WindowProblem, foliage_ft3: float, *, seconds: float = 60.0) -> Solution:
    """The best single span centred on the middle of the frontage, for no more foliage.

    Trees in it are treated as the best choice within the limits asks; others are left. A wider
    span only adds to the choice, so the widest within the limits is searched, then drawn in from
    both ends to the trees cut.

    Parameters
    ----------
    problem : WindowProblem
    foliage_ft3 : float
        Budget; the problem's own stays in force. [ft3]
    seconds : float

    Returns
    -------
    Solution
        With an empty plan where no span about the middle keeps the limits.
    """
    own = problem.foliage_max_ft3
    budget = foliage_ft3 if own is None else min(own, foliage_ft3)
    spans = _centred(problem)
    widest = spans[-1] if spans else np.zeros(problem.n_stations, dtype=bool)
    inner = replace(
        problem,
        is_allowed=widest,
        span_min_ft=None,
        span_max_ft=None,
        gap_min_ft=0.0,
        n_spans_max=None,
        length_max_ft=problem.length_max_ft if has_cover(problem) else None,
        foliage_max_ft3=budget,
    )
    found = solve(inner, seconds=seconds)
    is_cut = found.plan.option_of >= 0
    if not is_cut.any():
        return found
    at = problem.tree_station[is_cut]
    shortest = next(span for span in spans if span[at].all())
    return replace(found, plan=WindowPlan(shortest, found.plan.option_of))


def _centred(problem: WindowProblem) -> list[Flags]:
    """Spans about the middle of the frontage that keep the rules, from short to long."""
    end = np.cumsum(problem.station_length_ft)
    if len(end) == 0:
        return []
    middles = end - problem.station_length_ft / 2.0
    off = np.round(np.abs(middles - end[-1] / 2.0), 6)
    nothing = np.full(problem.n_trees, -1, dtype=np.int64)
    spans = [off <= reach for reach in np.unique(off)]
    return [span for span in spans if _keeps_rules(problem, span, WindowPlan(span, nothing))]


def _keeps_rules(problem: WindowProblem, span: Flags, plan: WindowPlan) -> bool:
    told = evaluate(problem, plan)
    return told.n_spans == 1 and not told.broken()
