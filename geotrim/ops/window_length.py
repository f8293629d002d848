"""The cap on the length of fringe: held to the shore that the crowns cut stand along."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.core.fringe import OUTLINE_STEP_FT, covered_length
from geotrim.core.window_problem import WindowProblem
from geotrim.ops.window_tables import Lot

#: A length no farther over its cap than this is at it. [ft]
AT_CAP_FT = 1e-6
#: The least time a search is given. [s]
LEAST_SECONDS = 0.05


def covered_ft(lot: Lot, is_cut: npt.NDArray[np.bool_]) -> float:
    """Length of shore that some trees' crowns stand along, as ``route`` counts it. [ft].

    Parameters
    ----------
    lot : Lot
    is_cut : (n,) bool array
        Trees.
    """
    total, feet = 0.0, lot.shore.feet
    for one in lot.shore.stretches:
        mine = is_cut & (lot.stand.stretch == one.stretch_id)
        if mine.any():
            step = OUTLINE_STEP_FT / feet
            total += covered_length(one.base, lot.stand.shape[mine], step) * feet
    return total


def solve_within(
    lot: Lot, problem: WindowProblem, most_ft: float | None, seconds: float
) -> tuple[Any, WindowProblem]:
    """The best plan whose trees stand along no more shore than the cap leaves.

    Parameters
    ----------
    lot : Lot
    problem : WindowProblem
    most_ft : float or None
        What the cap leaves; None where it does not bind. [ft]
    seconds : float
        Time for the search.

    Returns
    -------
    solution : Solution
    problem : WindowProblem
        With as few trees as it took.

    Notes
    -----
    A tree is cut whole from the station of its trunk, so the length of the spans alone could let
    more fringe be trimmed than the cap leaves. Where the best plan does, fewer trees are allowed
    until one does not: a plan within the limits, but no longer proven best, and told so.
    """
    from geotrim.core.window_solve import solve

    end = time.monotonic() + seconds
    found = solve(problem, seconds=seconds)
    bound, is_held = found.bound_frac, False
    while most_ft is not None:
        is_cut = found.plan.option_of >= 0
        over, n = covered_ft(lot, is_cut) - most_ft, int(is_cut.sum())
        if over <= AT_CAP_FT or n == 0:
            break
        fewer = max(1, int(over / ((over + most_ft) / n)))
        problem, is_held = replace(problem, trees_max=n - fewer), True
        found = solve(problem, seconds=max(end - time.monotonic(), LEAST_SECONDS))
    if is_held:
        found = replace(found, bound_frac=max(bound, found.view_frac), is_optimal=False)
    return found, problem
