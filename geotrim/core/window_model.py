"""A window problem as a mixed-integer program.

Variables: a station is open, a span starts at a station, an option is taken, an element is open.
The rules of spans are those of units that are switched on and off with least and greatest times,
in the form that describes their convex hull (Rajan and Takriti 2005, "Minimum up/down polytopes of
the unit commitment problem with start-up costs"): without the sums over the whole plan, a
relaxation of them alone has whole numbers at its corners, so the solver hardly has to branch.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from geotrim.core.coverage import Floats, Ints
from geotrim.core.window_cover import cover_of, has_cover
from geotrim.core.window_limits import TOLERANCE, areas, counted
from geotrim.core.window_presolve import Need, Small
from geotrim.core.window_problem import WindowProblem
from geotrim.core.window_spans import reaches

#: What the view is worth against foliage: all the foliage the options could take is worth this
#: share of the view that can open. Small enough to come second, large enough to be told from
#: rounding.
FOLIAGE_WEIGHT = 1e-6
#: The solver's own tolerances are about 1e-6 of 1; the view that can open counts as this much.
SCALE = 1e4


@dataclass(slots=True, eq=False)
class Program:
    """Rows, columns and objective (to be made small) as they are gathered."""

    cost: list[float] = field(default_factory=list)
    upper: list[float] = field(default_factory=list)
    is_whole: list[bool] = field(default_factory=list)
    rows: list[int] = field(default_factory=list)
    columns: list[int] = field(default_factory=list)
    values: list[float] = field(default_factory=list)
    most: list[float] = field(default_factory=list)

    def columns_of(
        self, n: int, *, is_whole: bool, upper: npt.ArrayLike = 1.0, cost: npt.ArrayLike = 0.0
    ) -> Ints:
        """Add n variables from 0 to ``upper``; their numbers."""
        first = len(self.cost)
        self.cost += np.broadcast_to(cost, n).tolist()
        self.upper += np.broadcast_to(upper, n).tolist()
        self.is_whole += [is_whole] * n
        return np.arange(first, first + n)

    def row(self, columns: npt.ArrayLike, values: npt.ArrayLike, most: float) -> None:
        """Add ``sum(values * columns) <= most``."""
        added = np.asarray(columns).tolist()
        self.columns += added
        self.values += np.broadcast_to(values, len(added)).tolist()
        self.rows += [len(self.most)] * len(added)
        self.most.append(most)


@dataclass(frozen=True, slots=True, eq=False)
class Model:
    """A program and where to find a plan in it.

    station : (n,) column of each station. option : column of each option of ``small.options``.
    """

    program: Program
    station: Ints
    option: Ints
    small: Small
    scale: float
    foliage_ft3: float


def window_model(problem: WindowProblem, small: Small) -> Model:
    """The whole problem: most view, less a millionth for the foliage."""
    program = Program()
    options = small.options
    volume = problem.options.volume_ft3[options]
    foliage = float(volume.sum()) or 1.0
    station = add_spans(program, problem)
    option = program.columns_of(
        len(options), is_whole=True, cost=SCALE * FOLIAGE_WEIGHT * volume / foliage
    )
    _add_trees(program, problem, small, station, option)
    _add_sums(program, problem, small, option)
    _add_cover(program, problem, small, option)
    scale = SCALE / (small.most_frac or 1.0)
    _add_elements(program, small, option, scale)
    return Model(program, station, option, small, scale, foliage)


def add_spans(program: Program, problem: WindowProblem, cost: npt.ArrayLike = 0.0) -> Ints:
    """Stations and starts of spans with every rule of spans; columns of the stations."""
    n = problem.n_stations
    length = problem.station_length_ft
    is_open_max = problem.is_allowed.astype(float)
    station = program.columns_of(n, is_whole=True, upper=is_open_max, cost=cost)
    least_end, most_end, gap_end = reaches(problem)
    can_start = problem.is_allowed & (least_end >= 0)
    start = program.columns_of(n, is_whole=False, upper=can_start.astype(float))
    for s in range(n):
        # Open without a start: only where the station before was open.
        before = [] if problem.is_break[s] or s == 0 else [station[s - 1]]
        program.row([station[s], start[s], *before], [1.0, -1.0, *[-1.0] * len(before)], 0.0)
        # A span started at any of these must still run here: it is not long enough yet.
        recent = np.flatnonzero(least_end[: s + 1] >= s)
        program.row([*start[recent], station[s]], [*[1.0] * len(recent), -1.0], 0.0)
        if problem.span_max_ft is not None:  # open only where one started not too long ago
            recent = np.flatnonzero(most_end[: s + 1] >= s)
            program.row([station[s], *start[recent]], [1.0, *[-1.0] * len(recent)], 0.0)
        if gap_end[s] > s:  # open here: none starts before the gap is wide enough
            program.row([station[s], *start[s + 1 : gap_end[s] + 1]], 1.0, 1.0)
    if problem.n_spans_max is not None:
        program.row(start, 1.0, float(problem.n_spans_max))
    if problem.length_max_ft is not None and not has_cover(problem):
        _add_share(program, station, length, problem.length_max_ft)
    return station


def _add_share(program: Program, columns: Ints, values: Floats, most: float) -> None:
    """A sum within a limit, as a share of it, so that the solver's tolerance is one of the limit.

    Limits of 0 allow nothing that has a value.
    """
    if most <= 0.0:
        for column in columns[values > 0.0]:
            program.upper[column] = 0.0
    elif values.sum() > most:
        program.row(columns, SCALE * values / most, SCALE * (1.0 + TOLERANCE))


def _add_trees(
    program: Program, problem: WindowProblem, small: Small, station: Ints, option: Ints
) -> None:
    """One option a tree, and none where its station is closed."""
    trees = problem.options.tree[small.options]
    for tree in np.unique(trees):
        mates = option[trees == tree]
        where = station[problem.tree_station[tree]]
        program.row([*mates, where], [*[1.0] * len(mates), -1.0], 0.0)


def _add_sums(program: Program, problem: WindowProblem, small: Small, option: Ints) -> None:
    """Allowances of trees and area, and the budget, over all trees."""
    trees = problem.options.tree[small.options]
    is_counted = counted(problem)[trees]
    if problem.trees_max is not None:
        program.row(option[is_counted], 1.0, float(max(problem.trees_max, 0)))
    if problem.area_max_ft2 is not None:
        area = areas(problem)[trees[is_counted]]
        _add_share(program, option[is_counted], area, problem.area_max_ft2)
    if problem.foliage_max_ft3 is not None:
        volume = problem.options.volume_ft3[small.options]
        _add_share(program, option, volume, problem.foliage_max_ft3)


def _add_cover(program: Program, problem: WindowProblem, small: Small, option: Ints) -> None:
    """The shore that crowns of cut trees stand along, within the allowance of length.

    A variable for each set of trees whose crowns stand along the same shore: no less than each of
    them is cut.
    """
    if problem.length_max_ft is None or not has_cover(problem):
        return
    trees = problem.options.tree[small.options]
    at_station: dict[int, list[int]] = {}
    for tree in np.unique(trees[counted(problem)[trees]]).tolist():
        for s in np.unique(cover_of(problem, tree)).tolist():
            at_station.setdefault(s, []).append(tree)
    shore: dict[tuple[int, ...], float] = {}
    for s, above in at_station.items():
        key = tuple(above)
        shore[key] = shore.get(key, 0.0) + float(problem.station_length_ft[s])
    cover = program.columns_of(len(shore), is_whole=False)
    for column, sharing in zip(cover, shore, strict=True):
        for tree in sharing:
            mates = option[trees == tree]
            program.row([*mates, column], [*[1.0] * len(mates), -1.0], 0.0)
    _add_share(program, cover, np.array(list(shore.values())), problem.length_max_ft)


def _add_elements(program: Program, small: Small, option: Ints, scale: float) -> None:
    """An element is open where one option of each of its groups is taken.

    One with a single group opens with the options themselves. One that needs all another needs,
    and more, is held by that other and by the rest of its groups: far fewer rows, as tight.
    """
    column = dict(zip(small.options.tolist(), option.tolist(), strict=True))
    members = [[column[k] for k in group if k in column] for group in small.groups]
    seen: dict[int, list[Need]] = {}
    element: dict[Need, int] = {}
    for need in sorted(small.weights, key=lambda need: (len(need), need)):
        gain = scale * small.weights[need]
        if len(need) == 1:
            for k in members[need[0]]:
                program.cost[k] -= gain
            continue
        y = int(program.columns_of(1, is_whole=False, cost=-gain)[0])
        held = frozenset(need)
        inner = [other for g in need for other in seen.get(g, ()) if held.issuperset(other)]
        rest = held
        if inner:
            widest = max(inner, key=lambda other: (len(other), other))
            program.row([y, element[widest]], [1.0, -1.0], 0.0)
            rest = held.difference(widest)
        for g in sorted(rest):
            program.row([y, *members[g]], [1.0, *[-1.0] * len(members[g])], 0.0)
        element[need] = y
        seen.setdefault(need[0], []).append(need)
