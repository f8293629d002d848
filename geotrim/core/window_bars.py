"""What the limits of a window cost, and what keeps a view from being opened."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from geotrim.core.window_clock import LEAST_SECONDS, SAME_VIEW, Clock
from geotrim.core.window_limits import evaluate, in_force, lifted, lifted_as
from geotrim.core.window_presolve import presolve
from geotrim.core.window_problem import WindowProblem
from geotrim.core.window_solve import Solution, solve

Progress = Callable[[str], None]


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
        In the order of the limits; the three allowances are one, ``allowance``, as they count the
        same trees and mostly bind together. NaN where time did not do to tell: not tried, or no
        plan found that opens more and none proven away. A limit that costs no view is not there.

    Notes
    -----
    Limits the plan is not at are lifted all together first: where that opens no more, none of them
    costs view. Where it does, each half of them is tried.
    """
    out: dict[str, float] = {}
    for limit, found in _without_each(problem, solution, Clock(seconds), progress).items():
        if found is None or not (found.is_optimal or _gains(found, solution)):
            out[limit] = np.nan
        elif _gains(found, solution):
            out[limit] = found.view_frac
    return out


def _gains(one: Solution, other: Solution) -> bool:
    return one.view_frac > other.view_frac + SAME_VIEW


def _without_each(
    problem: WindowProblem, best: Solution, clock: Clock, progress: Progress | None
) -> dict[str, Solution | None]:
    """The best plan without each limit, in the order of the limits; None where time was up."""
    limits = in_force(problem)
    held = {lifted_as(one.limit) for one in evaluate(problem, best.plan).checks if one.is_at_limit}
    tight = [name for name in limits if name in held or not best.is_optimal]
    groups = [[name for name in limits if name not in tight], *([name] for name in tight)]
    groups = [group for group in groups if group]
    out: dict[str, Solution | None] = {}
    while groups:
        group = groups.pop(0)
        if clock.left() < LEAST_SECONDS:
            out |= dict.fromkeys(group)
            continue
        if progress is not None:
            progress(f"window: without {', '.join(group)}")
        found = _without(problem, group, best, _part(clock, len(groups) + 1))
        if len(group) == 1 or (found.is_optimal and not _gains(found, best)):
            out |= dict.fromkeys(group, found)
        else:
            half = len(group) // 2
            groups = [group[:half], group[half:], *groups]
    return {name: out[name] for name in limits}


def _part(clock: Clock, n: int) -> float:
    return max(clock.left() / n, LEAST_SECONDS)


def _without(
    problem: WindowProblem, limits: Iterable[str], best: Solution, seconds: float
) -> Solution:
    """The best plan without some limits; where it is clear that none opens more, the one known."""
    free = problem
    for name in limits:
        free = lifted(free, name)
    bound = free.elements.open_frac + presolve(free).most_frac
    if bound <= best.view_frac + SAME_VIEW:
        return replace(best, bound_frac=max(bound, best.view_frac), is_optimal=True)
    return solve(free, seconds=seconds, known=(best.plan,))


@dataclass(frozen=True, slots=True, eq=False)
class Bars:
    """What keeps a view from being opened, and how sure that is.

    best : the best plan within the limits: the view it opens, and the bound no plan can pass.
    how : how the limits named keep the view from being opened:
        ``met``: they do not, ``best`` opens it;
        ``each``: lifting any one of them alone lets it be reached;
        ``together``: only lifting all of them does;
        ``short``: nothing does, not even without any limit; those named cost view;
        ``unsure``: time did not do to find what does; those named cost view.
    limits : their names, in order.
    is_proven : whether it is proven that no plan within the limits reaches the view. Where it is
        not, and ``how`` is not ``met``, say that none was found, not that there is none.
    untold : limits of which it is not known whether lifting them alone would do.
    most_frac, most_bound_frac : view found without any limit, and the bound of it; NaN where that
        was not searched for. With ``short`` the bound is below the view wanted.
    """

    best: Solution
    how: str
    limits: tuple[str, ...]
    is_proven: bool
    untold: tuple[str, ...] = ()
    most_frac: float = np.nan
    most_bound_frac: float = np.nan


def bars_of(
    problem: WindowProblem,
    target_frac: float,
    *,
    seconds: float = 60.0,
    best: Solution | None = None,
    without: Mapping[str, float] | None = None,
    progress: Progress | None = None,
) -> Bars:
    """What keeps a view from being opened, and whether that is proven or only found.

    Parameters
    ----------
    problem : WindowProblem
    target_frac : float
        Share of the view that is wanted open.
    seconds : float
        For all searches together.
    best : Solution, optional
        The best plan of the problem, where it has been searched for already.
    without : mapping of limit: view, optional
        What :func:`what_binds` told for ``best``, so that it is not searched for again.
    progress : callable, optional

    Returns
    -------
    Bars

    References
    ----------
    The set of ``together`` is found by taking limits back one by one (Chinneck and Dravnieks 1991,
    "Locating minimal infeasible constraint sets in linear programs": the deletion filter).
    """
    clock = Clock(seconds)
    if best is None:
        best = solve(problem, seconds=seconds / 4.0)
    is_proven = best.bound_frac < target_frac - SAME_VIEW
    if _meets(best.view_frac, target_frac):
        return Bars(best, "met", (), False)
    if without is None:
        some = max(0.6 * clock.left(), LEAST_SECONDS)
        without = what_binds(problem, best, seconds=some, progress=progress)
    untold = tuple(name for name, view in without.items() if np.isnan(view))
    one = tuple(name for name, view in without.items() if _meets(view, target_frac))
    if one:
        return Bars(best, "each", one, is_proven, untold)
    limits = in_force(problem)
    free = _without(problem, limits, best, _part(clock, 4))
    most = (free.view_frac, free.bound_frac)
    if _meets(free.view_frac, target_frac):
        fewest = _fewest(problem, target_frac, best, clock)
        how = "together" if len(fewest) > 1 else "each"
        return Bars(best, how, fewest, is_proven, untold, *most)
    costly = tuple(name for name, view in without.items() if not np.isnan(view))
    how = "short" if free.bound_frac < target_frac - SAME_VIEW else "unsure"
    return Bars(best, how, costly, is_proven, untold, *most)


def _meets(view_frac: float, target_frac: float) -> bool:
    return bool(view_frac >= target_frac - SAME_VIEW)


def _fewest(
    problem: WindowProblem, target_frac: float, best: Solution, clock: Clock
) -> tuple[str, ...]:
    """Limits that together bar the target: each is taken back unless the target is then lost."""
    limits: Sequence[str] = in_force(problem)
    for number, limit in enumerate(in_force(problem)):
        rest = [name for name in limits if name != limit]
        seconds = _part(clock, len(in_force(problem)) - number)
        if _meets(_without(problem, rest, best, seconds).view_frac, target_frac):
            limits = rest
    return tuple(limits)


def what_bars(
    problem: WindowProblem,
    target_frac: float,
    *,
    seconds: float = 60.0,
    best: Solution | None = None,
    progress: Progress | None = None,
) -> tuple[float, tuple[str, ...]]:
    """What keeps a view from being opened, in short.

    :func:`bars_of` tells how, and what is proven and what only found: words such as "cannot be
    reached" need it.

    Returns
    -------
    best_frac : float
        The most that was found within the limits.
    limits : tuple of str
        None where the target is met. Else those each of which, lifted alone, lets it be met; else
        a set that lets it be met lifted together, none of which could be left out; else those that
        cost view.
    """
    told = bars_of(problem, target_frac, seconds=seconds, best=best, progress=progress)
    return told.best.view_frac, told.limits


def most_frac(problem: WindowProblem, *, seconds: float) -> float:
    """The view without any limit: all that options of trees with a station can open."""
    free = problem
    for limit in in_force(problem):
        free = lifted(free, limit)
    return solve(free, seconds=seconds).view_frac
