"""What the limits of a window cost, and what else could be had for the same foliage."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from geotrim.core.window_clock import SAME_VIEW, Clock
from geotrim.ops import window_tables as tables

#: Shares of the time for one lot: the plan itself, then of what is left the frontier.
FOR_PLAN, FOR_FRONTIER = 0.4, 0.5


class Costs:
    """What the limits cost, and what else could be had: searched for in the time that is left."""

    def __init__(
        self, asked: Mapping[str, Any], lot: tables.Lot, solution: Any, is_own: bool, look: Any,
        clock: Clock,
    ) -> None:  # fmt: skip
        from geotrim.core.window_frontier import best_centred
        from geotrim.core.window_solve import solve

        self.asked, self.lot, self.solution = asked, lot, solution
        self.is_own, self.look, self.clock = is_own, look, clock
        spent, own = float(look.foliage_ft3), lot.problem.foliage_max_ft3
        long = float(look.window_length_ft)
        self.centred = best_centred(lot.problem, spent, length_max_ft=long, seconds=clock.part(0.2))
        self.best: Any = None
        if is_own:
            free = replace(lot.problem, foliage_max_ft3=spent if own is None else min(spent, own))
            self.best = solve(free, seconds=clock.part(0.3))
        self.costing: dict[str, float] = {}
        self.untold: tuple[str, ...] = ()
        self.is_proven = True

    def points(self) -> list[Any]:
        """Plans of growing cost."""
        from geotrim.core.window_frontier import frontier

        n = int(self.asked["frontier_points"])
        if n == 0:
            return []
        is_known = not self.is_own and bool(self.solution.is_optimal)
        best = self.solution if is_known else None
        return frontier(self.lot.problem, n, seconds=self.clock.part(FOR_FRONTIER), best=best)

    def better(self, points: list[Any]) -> Any:
        """The plan that opens more than the chosen one, where the search for that was cut short."""
        if self.is_own or not points or points[-1].view_frac <= self.look.view_frac + SAME_VIEW:
            return None
        bound = max(min(points[-1].bound_frac, self.solution.bound_frac), points[-1].view_frac)
        return replace(points[-1], bound_frac=bound)

    def frontier(self, points: list[Any]) -> list[dict[str, Any]]:
        """Rows of plans of growing cost; what is not proven best tells no knee."""
        from geotrim.core.window_frontier import knee
        from geotrim.core.window_limits import evaluate

        seen = [evaluate(self.lot.problem, one.plan) for one in points]
        chosen = None if self.is_own else self.solution
        proven = [k for k, one in enumerate(points) if one.is_optimal]
        at = proven[knee([points[k] for k in proven])] if proven else -1
        return tables.frontier_rows(self.lot, points, seen, at, chosen)

    def without(self) -> Mapping[str, float]:
        """Limit -> view without it, for those that cost view as far as that could be told."""
        from geotrim.core.window_bars import what_binds

        if self.is_own:
            return {}
        found = what_binds(self.lot.problem, self.solution, seconds=self.clock.part(0.7))
        self.costing = {name: view for name, view in found.items() if np.isfinite(view)}
        self.untold = tuple(name for name, view in found.items() if not np.isfinite(view))
        # a search that ran out of time found a view there is, and perhaps not the greatest
        self.is_proven = not self.untold and not self.clock.is_up()
        return self.costing

    def target(self) -> tuple[bool, str]:
        """Whether the view wanted is reached, and what stands in its way."""
        from geotrim.core.window_bars import bars_of

        target = self.asked["target_view_frac"]
        if target is None:
            return False, ""
        if self.look.view_frac >= target - SAME_VIEW:
            return True, f"{percent(target)} of the view is reached"
        known = {**self.costing, **dict.fromkeys(self.untold, np.nan)}
        bars = bars_of(
            self.lot.problem, target, seconds=self.clock.part(0.8),
            best=None if self.is_own else self.solution, without=None if self.is_own else known,
        )  # fmt: skip
        if bars.how == "met":
            words = f"this window does not reach {percent(target)}; another within the limits would"
            return False, words
        told = [tables.short_words(name, self.lot.done.limits) for name in bars.limits]
        how = bars.how if told else "none"
        bound = float(bars.best.bound_frac)
        view = float(bars.best.view_frac)
        return False, target_words(float(target), view, bound, told, how, bars.is_proven)


#: What follows of limits that are in the way of a view.
HOW = {
    "each": "without {limits} it could be reached",
    "together": "only without all of these together could it be reached: {limits}",
    "short": "nor would it be without them, but these limits cost view: {limits}",
    "unsure": "time did not do to tell what would do; these limits cost view: {limits}",
    "none": "and no limit that was looked at is in the way: what these cuts can open ends there",
}


def target_words(
    target: float, best: float, bound: float, limits: list[str], how: str, is_proven: bool
) -> str:
    """What stands in the way of a view that is wanted.

    Parameters
    ----------
    target, best, bound : float
        Share of the view: wanted, opened by the best plan found, and what no plan can pass.
    limits : list of str
        In words.
    how : str
        A key of ``HOW``.
    is_proven : bool
        No plan within the limits reaches the view.

    Examples
    --------
    >>> target_words(0.5, 0.38, 0.38, ["the share of foliage a year"], "each", True)
    '50 % cannot be reached, 38 % at the most; without the share of foliage a year it could be \
reached'
    >>> target_words(0.5, 0.38, 0.52, ["the budget"], "each", False)
    '50 % is not reached: 38 % was found, and 52 % is the most there could be; without the budget \
it could be reached'
    """
    between = ", or without " if how == "each" else ", "
    told = HOW[how].format(limits=between.join(dict.fromkeys(limits)))
    if is_proven:
        return f"{percent(target)} cannot be reached, {percent(best)} at the most; {told}"
    found = f"{percent(best)} was found, and {percent(bound)} is the most there could be"
    return f"{percent(target)} is not reached: {found}; {told}"


def percent(share: float) -> str:
    """A share as the words print it.

    Examples
    --------
    >>> percent(0.384), percent(0.004), percent(0.0)
    ('38 %', '0.4 %', '0 %')
    """
    value = 100.0 * share
    return f"{value:.0f} %" if value >= 9.95 or value == 0.0 else f"{value:.2g} %"
