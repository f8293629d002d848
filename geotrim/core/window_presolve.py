"""A window problem made small without changing its best plan.

Options that are ruled out go; so do elements that can never open, and options another one of the
same tree makes needless. Elements that need the same become one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geotrim.core.coverage import Floats, Ints
from geotrim.core.window_cover import covered_ft, has_cover
from geotrim.core.window_limits import TOLERANCE, areas, counted, usable
from geotrim.core.window_problem import Flags, WindowProblem

#: Options one of which must be taken; numbers of them, all groups together, rising.
Group = tuple[int, ...]
#: Numbers of groups, rising.
Need = tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Small:
    """What is left of a problem.

    options : numbers of the options worth taking, rising.
    groups : sets of options.
    weights : share of the view for each set of groups that opens it.
    """

    options: Ints
    groups: tuple[Group, ...]
    weights: dict[Need, float]

    @property
    def most_frac(self) -> float:
        """Share of the view that could open, were there no limits on plans as a whole."""
        return float(sum(self.weights.values()))


def presolve(problem: WindowProblem) -> Small:
    """Leave out what no best plan needs.

    Parameters
    ----------
    problem : WindowProblem

    Returns
    -------
    Small

    Notes
    -----
    An option is needless where another of its tree is in every group it is in and takes no more
    foliage. An element can never open where the least it takes is over a limit by itself: the
    foliage, trees, area or length of its trees, or the spans it takes to reach them.
    """
    groups, weights = _elements(problem, usable(problem))
    reach = _Reach(problem)
    weights = {need: w for need, w in weights.items() if reach.can_open(groups, need)}
    groups, weights = _without(groups, weights, _needless(problem, groups, weights))
    used = sorted({option for need in weights for g in need for option in groups[g]})
    return Small(np.array(used, dtype=np.int64), groups, weights)


def _elements(
    problem: WindowProblem, is_usable: Flags
) -> tuple[tuple[Group, ...], dict[Need, float]]:
    """Elements over usable options, equal ones added up. Those with an empty group are gone."""
    elements = problem.elements
    starts, options = elements.option_start, elements.option
    numbers: dict[Group, int] = {}
    group_of = np.empty(max(len(starts) - 1, 0), dtype=np.int64)
    for g in range(len(group_of)):
        members = options[starts[g] : starts[g + 1]]
        key = tuple(sorted(set(members[is_usable[members]].tolist())))
        group_of[g] = numbers.setdefault(key, len(numbers)) if key else -1
    weights: dict[Need, float] = {}
    for j in np.flatnonzero(elements.weight_frac > 0.0):
        need = np.unique(group_of[elements.group_start[j] : elements.group_start[j + 1]])
        if len(need) and need[0] >= 0:
            key = tuple(need.tolist())
            weights[key] = weights.get(key, 0.0) + float(elements.weight_frac[j])
    return tuple(numbers), weights


def _needless(
    problem: WindowProblem, groups: tuple[Group, ...], weights: dict[Need, float]
) -> set[int]:
    """Options another one of the same tree stands in for everywhere."""
    holding: dict[int, set[int]] = {}
    for g in {g for need in weights for g in need}:
        for option in groups[g]:
            holding.setdefault(option, set()).add(g)
    of_tree: dict[int, list[int]] = {}
    for option in sorted(holding):
        of_tree.setdefault(int(problem.options.tree[option]), []).append(option)
    volume = problem.options.volume_ft3
    out: set[int] = set()
    for mates in of_tree.values():
        for option in mates:
            out |= {
                option
                for other in mates
                if other != option
                and other not in out
                and holding[option] <= holding[other]
                and (volume[other], other) <= (volume[option], option)
            }
    return out


def _without(
    groups: tuple[Group, ...], weights: dict[Need, float], gone: set[int]
) -> tuple[tuple[Group, ...], dict[Need, float]]:
    """Groups without some options, equal ones made one, and the elements over them."""
    numbers: dict[Group, int] = {}
    new = [
        numbers.setdefault(tuple(option for option in group if option not in gone), len(numbers))
        for group in groups
    ]
    out: dict[Need, float] = {}
    for need, weight in weights.items():
        key = tuple(sorted({new[g] for g in need}))
        out[key] = out.get(key, 0.0) + weight
    return tuple(numbers), out


class _Reach:
    """Whether the trees of one element fit any plan, by each limit on its own."""

    def __init__(self, problem: WindowProblem) -> None:
        self.problem = problem
        length = problem.station_length_ft
        self.end = np.cumsum(length)
        self.start = self.end - length
        self.stretch = np.cumsum(problem.is_break)

    def can_open(self, groups: tuple[Group, ...], need: Need) -> bool:
        """False only where no plan that keeps the limits opens the element."""
        problem, options = self.problem, self.problem.options
        members = [np.array(groups[g]) for g in need]
        trees = np.unique(np.concatenate([options.tree[one] for one in members]))
        if len(trees) != len(members):  # several groups of a tree, or several trees in a group
            return True
        least = float(sum(options.volume_ft3[one].min() for one in members))
        is_counted = counted(problem)[trees]
        return (
            _within(least, problem.foliage_max_ft3)
            and _within(float(is_counted.sum()), problem.trees_max)
            and _within(float(areas(problem)[trees[is_counted]].sum()), problem.area_max_ft2)
            and self._cover_fits(trees[is_counted])
            and self._spans_fit(np.unique(problem.tree_station[trees]))
        )

    def _cover_fits(self, trees: Ints) -> bool:
        """The crowns of some trees that count stand along no more shore than they may."""
        if self.problem.length_max_ft is None or not has_cover(self.problem):
            return True
        is_cut = np.zeros(self.problem.n_trees, dtype=bool)
        is_cut[trees] = True
        return _within(covered_ft(self.problem, is_cut), self.problem.length_max_ft)

    def _spans_fit(self, stations: Ints) -> bool:
        """Few enough spans, none too long, reach all these stations."""
        problem = self.problem
        longest = np.inf if problem.span_max_ft is None else problem.span_max_ft
        longest += TOLERANCE * max(1.0, longest) if np.isfinite(longest) else 0.0
        n_spans, first = 0, -1
        for station in stations.tolist():
            if (
                first < 0
                or self.stretch[station] != self.stretch[first]
                or self.end[station] - self.start[first] > longest
            ):
                n_spans, first = n_spans + 1, station
        return _within(float(n_spans), problem.n_spans_max) and self._length_fits(stations)

    def _length_fits(self, stations: Ints) -> bool:
        """The shore from first to last, less the widest gaps that so many spans can leave."""
        problem = self.problem
        if has_cover(problem):
            return True
        gaps = np.sort(self._gaps(stations))[::-1]
        n_gaps = len(gaps) if problem.n_spans_max is None else max(problem.n_spans_max - 1, 0)
        hull = float(self.end[stations[-1]] - self.start[stations[0]])
        return _within(hull - float(gaps[:n_gaps].sum()), problem.length_max_ft)

    def _gaps(self, stations: Ints) -> Floats:
        return self.start[stations[1:]] - self.end[stations[:-1]]


def _within(value: float, allowed: float | None) -> bool:
    return allowed is None or value <= allowed + TOLERANCE * max(1.0, abs(allowed))
