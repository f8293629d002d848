"""The limits of a window: which a plan keeps, which it breaks, and the problem without one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.core.coverage import Floats, Ints
from geotrim.core.window_cover import added_ft, covered_ft, has_cover
from geotrim.core.window_problem import (
    Flags,
    WindowPlan,
    WindowProblem,
    opened_frac,
    spans_of,
)
from geotrim.errors import RangeError, ShapeError

#: Limits every problem has, in the order they are told; those of ``WindowProblem.bars`` follow.
LIMITS = (
    "span-min",
    "span-max",
    "span-gap",
    "n-spans",
    "allowance-trees",
    "allowance-length",
    "allowance-area",
    "foliage-share",
    "foliage-budget",
    "zone",
)
#: Limits that are lifted together, and the name they are then told by: they count the same trees.
ALLOWANCE = "allowance"
ALLOWANCES = ("allowance-trees", "allowance-length", "allowance-area")
#: Sums of lengths, areas and volumes are compared with limits to this share of the limit: they are
#: added up in another order here and there, and 0.1 + 0.2 is not to break a limit of 0.3.
TOLERANCE = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Check:
    """One limit and how a plan stands to it.

    limit : its name.
    value : what the plan comes to; of several spans or trees, the one nearest the limit or
        furthest over it. NaN: there is none.
    allowed : NaN where the limit is not in force.
    is_broken : the plan is over it.
    is_at_limit : not broken, but the smallest further step would be over it: a station, a tree, an
        option that only this limit rules out.
    trees : numbers of the trees that break it, else of those it holds back.
    """

    limit: str
    value: float
    allowed: float
    is_broken: bool
    is_at_limit: bool
    trees: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Evaluation:
    """What a plan opens and costs, and how it stands to every limit.

    view_frac : share of the view open.
    foliage_ft3 : foliage taken. [ft3]
    share_frac : (t,) share of each tree's foliage taken.
    window_length_ft : all spans together. [ft]
    n_spans, n_counted_trees : spans; trees cut that count for the allowance.
    counted_area_ft2 : their canopy. [ft2]
    checks : one for each limit, in the order of ``LIMITS``, then of ``WindowProblem.bars``.
    """

    view_frac: float
    foliage_ft3: float
    share_frac: Floats
    window_length_ft: float
    n_spans: int
    n_counted_trees: int
    counted_area_ft2: float
    checks: tuple[Check, ...]

    def broken(self) -> tuple[str, ...]:
        """Names of the limits the plan breaks."""
        return tuple(check.limit for check in self.checks if check.is_broken)


def over(value: float, allowed: float) -> bool:
    """Whether a value is over a limit by more than rounding.

    >>> over(0.1 + 0.2, 0.3), over(0.301, 0.3)
    (False, True)
    """
    return bool(value > allowed + TOLERANCE * max(1.0, abs(allowed)))


def share_max(problem: WindowProblem) -> Floats:
    """(t,) most a tree may lose; 1 for every tree where the problem says nothing."""
    given = problem.share_max_frac
    return given if len(given) else np.ones(problem.n_trees)


def counted(problem: WindowProblem) -> Flags:
    """(t,) trees that count for the allowance; every tree where the problem says nothing."""
    given = problem.is_counted
    return given if len(given) else np.ones(problem.n_trees, dtype=bool)


def areas(problem: WindowProblem) -> Floats:
    """(t,) canopy areas; 0 where the problem says nothing. [ft2]."""
    return problem.area_ft2 if len(problem.area_ft2) else np.zeros(problem.n_trees)


def check_problem(problem: WindowProblem) -> None:
    """Arrays of one kind have one length, and what points elsewhere points at something.

    Raises
    ------
    ShapeError, RangeError
    """
    options, elements = problem.options, problem.elements
    n, t, m = problem.n_stations, problem.n_trees, len(options)
    lengths: dict[str, tuple[int, tuple[npt.NDArray[Any], ...]]] = {
        "stations": (n, (problem.station_from_ft, problem.is_break, problem.is_allowed)),
        "trees": (t, (share_max(problem), counted(problem), areas(problem))),
        "options": (
            m,
            (
                options.low_ft,
                options.high_ft,
                options.volume_ft3,
                options.share_frac,
                options.barred_by,
            ),
        ),
        "elements": (len(elements), (elements.group_start[1:],)),
    }
    for what, (count, arrays) in lengths.items():
        found = sorted({len(array) for array in arrays} - {count})
        if found:
            raise ShapeError(
                f"window problem, {what}",
                f"arrays of length {found[0]} and {count}",
                f"one entry for each of {count} {what}",
                "build every array over the same rows",
            )
    _check_range("stations of trees", problem.tree_station, -1, n)
    _check_range("trees of options", options.tree, 0, t)
    _check_range("limits that bar options", options.barred_by, -1, len(problem.bars))
    _check_range("options of elements", elements.option, 0, m)
    _check_cover(problem)
    group = np.repeat(np.arange(len(elements.option_start) - 1), np.diff(elements.option_start))
    if (np.diff(options.tree[elements.option])[np.diff(group) == 0] != 0).any():
        raise RangeError(
            "window problem, elements",
            "a group with options of two trees",
            "groups of options of one tree",
            "give an element one group for each tree in its way",
        )
    numbers = (problem.station_length_ft, options.volume_ft3, elements.weight_frac)
    if not all(np.isfinite(array).all() and (array >= 0).all() for array in numbers):
        raise RangeError(
            "window problem",
            "a length, volume or share of the view that is negative or no number",
            "numbers from 0 up",
            "leave out the stations, options or elements they belong to",
        )


def _check_cover(problem: WindowProblem) -> None:
    start, station = problem.cover_start, problem.cover_station
    is_whole = len(start) == problem.n_trees + 1 and start[0] == 0 and start[-1] == len(station)
    is_none = len(start) == 0 and len(station) == 0
    if not is_none and not (is_whole and (np.diff(start) >= 0).all()):
        raise ShapeError(
            "window problem, stations of crowns",
            f"{len(start)} starts of {len(station)} stations",
            f"{problem.n_trees + 1} starts, from 0 up to the number of stations listed",
            "list the stations of every tree in turn",
        )
    _check_range("stations of crowns", station, 0, problem.n_stations)


def _check_range(what: str, numbers: Ints, low: int, end: int) -> None:
    if len(numbers) and not (numbers.min() >= low and numbers.max() < end):
        raise RangeError(
            f"window problem, {what}",
            f"numbers {numbers.min()} to {numbers.max()}",
            f"numbers from {low} to {end - 1}",
            "count rows from 0",
        )


def evaluate(problem: WindowProblem, plan: WindowPlan) -> Evaluation:
    """What any plan opens and costs, and which limits it keeps, a plan that breaks some included.

    Parameters
    ----------
    problem : WindowProblem
    plan : WindowPlan

    Returns
    -------
    Evaluation

    Raises
    ------
    ShapeError, RangeError
        If the plan is not one of this problem.

    Notes
    -----
    A tree that is cut though its station is not in the window breaks the limit ``zone``, as does a
    window over stations where none may be.
    """
    _check_plan(problem, plan)
    options = problem.options
    taken = plan.option_of[plan.option_of >= 0]
    share = np.zeros(problem.n_trees)
    share[options.tree[taken]] = options.share_frac[taken]
    is_counted = (plan.option_of >= 0) & counted(problem)
    spans = spans_of(problem, plan.is_open)
    checks = (
        *_span_checks(problem, spans),
        *_allowance_checks(problem, plan, is_counted),
        _share_check(problem, plan),
        _budget_check(problem, plan),
        _zone_check(problem, plan),
        *(_bar_check(problem, plan, number) for number in range(len(problem.bars))),
    )
    return Evaluation(
        opened_frac(problem.elements, plan.taken(len(options))),
        float(options.volume_ft3[taken].sum()),
        share,
        float(problem.station_length_ft[plan.is_open].sum()),
        len(spans),
        int(is_counted.sum()),
        float(areas(problem)[is_counted].sum()),
        checks,
    )


def _check_plan(problem: WindowProblem, plan: WindowPlan) -> None:
    shape = (len(plan.is_open), len(plan.option_of))
    need = (problem.n_stations, problem.n_trees)
    if shape != need:
        raise ShapeError(
            "window plan",
            f"{shape[0]} stations and {shape[1]} trees",
            f"{need[0]} stations and {need[1]} trees",
            "make the plan for this lot",
        )
    _check_range("options of the plan", plan.option_of, -1, len(problem.options))
    is_cut = plan.option_of >= 0
    if (problem.options.tree[plan.option_of[is_cut]] != np.flatnonzero(is_cut)).any():
        raise RangeError(
            "window plan",
            "an option of another tree",
            "options of the tree itself",
            "look options up by their tree",
        )


def _span_checks(problem: WindowProblem, spans: list[tuple[int, int]]) -> tuple[Check, ...]:
    lengths = [float(problem.station_length_ft[a : b + 1].sum()) for a, b in spans]
    gaps = _gaps(problem, spans)
    step = _least(problem.station_length_ft)
    least, most = problem.span_min_ft or 0.0, _number(problem.span_max_ft)
    return (
        _from_below("span-min", min(lengths, default=np.nan), least, step),
        _from_above("span-max", max(lengths, default=np.nan), most, step),
        _from_below("span-gap", min(gaps, default=np.nan), problem.gap_min_ft, step),
        _from_above("n-spans", float(len(spans)), _number(problem.n_spans_max), 1.0),
    )


def _gaps(problem: WindowProblem, spans: list[tuple[int, int]]) -> list[float]:
    """Shore between neighbouring spans, where both lie on one stretch. [ft]."""
    out = []
    for (_, last), (first, _) in pairwise(spans):
        if not problem.is_break[last + 1 : first + 1].any():
            out.append(float(problem.station_length_ft[last + 1 : first].sum()))
    return out


def _allowance_checks(
    problem: WindowProblem, plan: WindowPlan, is_counted: Flags
) -> tuple[Check, ...]:
    left = np.zeros(problem.n_trees, dtype=bool)
    left[problem.options.tree[~_ruled_out(problem)]] = True
    left &= counted(problem) & (plan.option_of < 0)
    area = areas(problem)
    one = 1.0 if left.any() else np.inf
    if has_cover(problem):
        length = covered_ft(problem, is_counted)
        step = _least(added_ft(problem, is_counted)[left])
    else:
        length = float(problem.station_length_ft[plan.is_open].sum())
        step = _least(problem.station_length_ft[problem.is_allowed & ~plan.is_open])
    return (
        _from_above("allowance-trees", float(is_counted.sum()), _number(problem.trees_max), one),
        _from_above("allowance-length", length, _number(problem.length_max_ft), step),
        _from_above(
            "allowance-area",
            float(area[is_counted].sum()),
            _number(problem.area_max_ft2),
            _least(area[left]),
        ),
    )


def _share_check(problem: WindowProblem, plan: WindowPlan) -> Check:
    """The tree nearest its own limit, or furthest over it; trees whose best cut only this bars."""
    options, most = problem.options, share_max(problem)
    is_over = _over_share(problem)
    taken = plan.option_of[plan.option_of >= 0]
    broken = options.tree[taken[is_over[taken]]]
    held = options.tree[is_over & ~_ruled_out(problem, but="foliage-share")]
    if len(taken):
        room = most[options.tree[taken]] - options.share_frac[taken]
        worst = int(taken[np.argmin(room)])
        value, allowed = float(options.share_frac[worst]), float(most[options.tree[worst]])
    else:
        value, allowed = 0.0, float(most.min()) if len(most) else np.nan
    return _of_trees("foliage-share", value, allowed, broken, held)


def _budget_check(problem: WindowProblem, plan: WindowPlan) -> Check:
    options = problem.options
    value = float(options.volume_ft3[plan.option_of[plan.option_of >= 0]].sum())
    is_left = ~_ruled_out(problem) & (plan.option_of[options.tree] < 0)
    return _from_above(
        "foliage-budget",
        value,
        _number(problem.foliage_max_ft3),
        _least(options.volume_ft3[is_left]),
    )


def _zone_check(problem: WindowProblem, plan: WindowPlan) -> Check:
    is_cut = plan.option_of >= 0
    is_outside = is_cut & ~_at(plan.is_open & problem.is_allowed, problem.tree_station)
    n_wrong = int((plan.is_open & ~problem.is_allowed).sum()) + int(is_outside.sum())
    held = problem.options.tree[~_ruled_out(problem, but="zone")]
    held = held[~_at(problem.is_allowed, problem.tree_station)[held]]
    check = _of_trees("zone", float(n_wrong), 0.0, np.flatnonzero(is_outside), held)
    return replace(check, is_broken=n_wrong > 0, is_at_limit=check.is_at_limit and n_wrong == 0)


def _bar_check(problem: WindowProblem, plan: WindowPlan, number: int) -> Check:
    options = problem.options
    is_barred = options.barred_by == number
    taken = plan.option_of[plan.option_of >= 0]
    broken = options.tree[taken[is_barred[taken]]]
    name = problem.bars[number]
    held = options.tree[is_barred & ~_ruled_out(problem, but=name)]
    return _of_trees(name, float(len(broken)), 0.0, broken, held)


def _of_trees(limit: str, value: float, allowed: float, broken: Ints, held: Ints) -> Check:
    told = broken if len(broken) else held
    trees = tuple(int(tree) for tree in np.unique(told))
    is_broken = len(broken) > 0
    return Check(limit, value, allowed, is_broken, not is_broken and len(held) > 0, trees)


def _from_above(limit: str, value: float, allowed: float, step: float) -> Check:
    if np.isnan(allowed) or np.isnan(value):
        return Check(limit, value, allowed, False, False)
    is_broken = over(value, allowed)
    is_at = not is_broken and np.isfinite(step) and over(value + step, allowed)
    return Check(limit, value, allowed, is_broken, bool(is_at))


def _from_below(limit: str, value: float, allowed: float, step: float) -> Check:
    if allowed <= 0.0:
        return Check(limit, value, np.nan, False, False)
    check = _from_above(limit, -value, -allowed, step)
    return replace(check, value=value, allowed=allowed)


def _number(allowed: float | None) -> float:
    return np.nan if allowed is None else float(allowed)


def _least(values: Floats) -> float:
    """The smallest positive value; infinite where there is none."""
    return float(values[values > 0].min(initial=np.inf))


def _at(flags: Flags, station: Ints) -> Flags:
    """Flags of stations, at the stations of trees; False for a tree in none."""
    out = np.zeros(len(station), dtype=bool)
    out[station >= 0] = flags[station[station >= 0]]
    return out


def _over_share(problem: WindowProblem) -> Flags:
    options = problem.options
    allowed = share_max(problem)[options.tree]
    return options.share_frac > allowed + TOLERANCE * np.maximum(1.0, np.abs(allowed))


def _ruled_out(problem: WindowProblem, but: str = "") -> Flags:
    """(m,) options ruled out by zone, share or a bar, one of them left aside."""
    options = problem.options
    out = np.zeros(len(options), dtype=bool)
    if but != "zone":
        out |= ~_at(problem.is_allowed, problem.tree_station)[options.tree]
    if but != "foliage-share":
        out |= _over_share(problem)
    barred = options.barred_by >= 0
    if but in problem.bars:
        barred &= options.barred_by != problem.bars.index(but)
    return out | barred


def usable(problem: WindowProblem) -> Flags:
    """(m,) options that no limit rules out by itself: of zone, share, bars and each allowance."""
    options = problem.options
    out = ~_ruled_out(problem)
    is_counted = counted(problem)[options.tree]
    if problem.foliage_max_ft3 is not None:
        most = problem.foliage_max_ft3
        out &= options.volume_ft3 <= most + TOLERANCE * max(1.0, abs(most))
    if problem.area_max_ft2 is not None:
        most = problem.area_max_ft2
        area = areas(problem)[options.tree]
        out &= ~is_counted | (area <= most + TOLERANCE * max(1.0, abs(most)))
    if problem.trees_max is not None and problem.trees_max < 1:
        out &= ~is_counted
    if problem.length_max_ft is not None and has_cover(problem):
        most = problem.length_max_ft
        alone = added_ft(problem, np.zeros(problem.n_trees, dtype=bool))[options.tree]
        out &= ~is_counted | (alone <= most + TOLERANCE * max(1.0, abs(most)))
    return out


def lifted_as(limit: str) -> str:
    """The name a limit is lifted by: the three allowances are lifted as one.

    >>> lifted_as("allowance-area"), lifted_as("zone")
    ('allowance', 'zone')
    """
    return ALLOWANCE if limit in ALLOWANCES else limit


def in_force(problem: WindowProblem) -> tuple[str, ...]:
    """Names of the limits that could hold back a plan of this problem, as they are lifted."""
    options = problem.options
    stands = {
        "span-min": (problem.span_min_ft or 0.0) > 0.0,
        "span-max": problem.span_max_ft is not None,
        "span-gap": problem.gap_min_ft > 0.0,
        "n-spans": problem.n_spans_max is not None,
        "allowance-trees": problem.trees_max is not None,
        "allowance-length": problem.length_max_ft is not None,
        "allowance-area": problem.area_max_ft2 is not None,
        "foliage-share": bool(_over_share(problem).any()),
        "foliage-budget": problem.foliage_max_ft3 is not None,
        "zone": not problem.is_allowed.all(),
    }
    bars = [name for k, name in enumerate(problem.bars) if (options.barred_by == k).any()]
    return (*dict.fromkeys(lifted_as(name) for name in LIMITS if stands[name]), *bars)


def lifted(problem: WindowProblem, limit: str) -> WindowProblem:
    """The problem without one of its limits, ``allowance`` being all three allowances.

    ``zone`` lets the window run over every station; a tree whose station is none stays out.

    Raises
    ------
    RangeError
        If the problem has no limit of that name.
    """
    if limit in problem.bars:
        options = problem.options
        number = problem.bars.index(limit)
        barred = np.where(options.barred_by == number, -1, options.barred_by)
        return replace(problem, options=replace(options, barred_by=barred))
    if limit == "foliage-share":
        return replace(problem, share_max_frac=np.full(problem.n_trees, np.inf))
    if limit == "zone":
        return replace(problem, is_allowed=np.ones(problem.n_stations, dtype=bool))
    without: dict[str, dict[str, float | None]] = {
        "span-min": {"span_min_ft": None},
        "span-max": {"span_max_ft": None},
        "span-gap": {"gap_min_ft": 0.0},
        "n-spans": {"n_spans_max": None},
        "allowance-trees": {"trees_max": None},
        "allowance-length": {"length_max_ft": None},
        "allowance-area": {"area_max_ft2": None},
        "foliage-budget": {"foliage_max_ft3": None},
    }
    without[ALLOWANCE] = {k: None for name in ALLOWANCES for k in without[name]}
    if limit not in without:
        raise RangeError(
            "limit",
            limit,
            f"one of {', '.join((*LIMITS, ALLOWANCE, *problem.bars))}",
            "take a name from the checks of a plan",
        )
    return replace(problem, **without[limit])  # type: ignore[arg-type]
