"""Windows side by side: view against foliage, and the centred window."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from geotrim.core.coverage import Floats
from geotrim.core.window_bars import Progress
from geotrim.core.window_bars import what_bars as what_bars
from geotrim.core.window_bars import what_binds as what_binds
from geotrim.core.window_clock import LEAST_SECONDS, Clock
from geotrim.core.window_cover import has_cover
from geotrim.core.window_limits import evaluate, over
from geotrim.core.window_problem import Flags, WindowPlan, WindowProblem
from geotrim.core.window_solve import Solution, solve
from geotrim.errors import RangeError


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


def best_centred(
    problem: WindowProblem,
    foliage_ft3: float,
    *,
    length_max_ft: float | None = None,
    seconds: float = 60.0,
) -> Solution:
    """The best single span centred on the middle of the frontage: no dearer, and no longer.

    Trees in it are treated as the best choice within the limits asks; others are left. A wider
    span only adds to the choice, so the widest within the limits is searched, then drawn in from
    both ends to the trees cut.

    Parameters
    ----------
    problem : WindowProblem
    foliage_ft3 : float
        Budget; the problem's own stays in force. [ft3]
    length_max_ft : float, optional
        Most the span may measure: the length of the window it is held against. The limits of the
        problem stay in force. [ft]
    seconds : float

    Returns
    -------
    Solution
        With an empty plan where no span about the middle keeps the limits.
    """
    own = problem.foliage_max_ft3
    budget = foliage_ft3 if own is None else min(own, foliage_ft3)
    spans = _centred(problem, length_max_ft)
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


def _centred(problem: WindowProblem, length_max_ft: float | None) -> list[Flags]:
    """Spans about the middle of the frontage that keep the rules, from short to long."""
    end = np.cumsum(problem.station_length_ft)
    if len(end) == 0:
        return []
    middles = end - problem.station_length_ft / 2.0
    off = np.round(np.abs(middles - end[-1] / 2.0), 6)
    nothing = np.full(problem.n_trees, -1, dtype=np.int64)
    spans = [off <= reach for reach in np.unique(off)]
    if length_max_ft is not None:
        lengths = [float(problem.station_length_ft[span].sum()) for span in spans]
        spans = [span for span, x in zip(spans, lengths, strict=True) if not over(x, length_max_ft)]
    return [span for span in spans if _keeps_rules(problem, WindowPlan(span, nothing))]


def _keeps_rules(problem: WindowProblem, plan: WindowPlan) -> bool:
    told = evaluate(problem, plan)
    return told.n_spans == 1 and not told.broken()
