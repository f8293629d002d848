"""Shore that crowns stand along: what the allowance of length counts."""

from __future__ import annotations

import numpy as np

from geotrim.core.coverage import Floats, Ints
from geotrim.core.window_problem import Flags, WindowProblem


def has_cover(problem: WindowProblem) -> bool:
    """Whether the problem says which stations each crown stands along.

    Where it does not, the allowance of length counts the stations of the window.
    """
    return len(problem.cover_start) > 0


def cover_of(problem: WindowProblem, tree: int) -> Ints:
    """Numbers of the stations one tree's crown stands along."""
    start = problem.cover_start
    return problem.cover_station[start[tree] : start[tree + 1]]


def covered(problem: WindowProblem, is_cut: Flags) -> Flags:
    """(n,) stations that the crowns of some trees stand along; each once, whoever shares it.

    Parameters
    ----------
    problem : WindowProblem
    is_cut : (t,) bool array
        Trees; those that do not count left out by the caller.

    Examples
    --------
    Three stations; the first tree stands along two, the second along the last of them and on.

    >>> none = np.zeros(0, dtype=np.int64)
    >>> from geotrim.core.window_problem import Elements, Options
    >>> shore = WindowProblem(
    ...     np.arange(3.0), np.ones(3), np.arange(3) == 0, np.ones(3, dtype=bool), np.array([0, 2]),
    ...     Options(none, none * 1.0, none * 1.0, none * 1.0, none * 1.0, none),
    ...     Elements(0.0, none * 1.0, np.array([0]), np.array([0]), none),
    ...     cover_start=np.array([0, 2, 4]), cover_station=np.array([0, 1, 1, 2]))
    >>> covered(shore, np.array([True, False])).tolist()
    [True, True, False]
    """
    out = np.zeros(problem.n_stations, dtype=bool)
    of_tree = np.repeat(np.arange(problem.n_trees), np.diff(problem.cover_start))
    out[problem.cover_station[is_cut[of_tree]]] = True
    return out


def covered_ft(problem: WindowProblem, is_cut: Flags) -> float:
    """Length of the stations that the crowns of some trees stand along. [ft]."""
    return float(problem.station_length_ft[covered(problem, is_cut)].sum())


def added_ft(problem: WindowProblem, is_cut: Flags) -> Floats:
    """(t,) length each crown would add to what some trees stand along already. [ft]."""
    free = np.where(covered(problem, is_cut), 0.0, problem.station_length_ft)
    return np.array([free[np.unique(cover_of(problem, t))].sum() for t in range(problem.n_trees)])
