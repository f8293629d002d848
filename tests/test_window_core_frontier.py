"""View against foliage, limits named, and the window the optimum is held against."""

from dataclasses import replace

import numpy as np
import pytest
from test_window_core import big_problem
from test_window_core_limits import HOLDING, two_trees
from window_core_cases import cover, exhaustive, problem_of, random_problem, row_of_trees

from geotrim.core import window_bars
from geotrim.core.window_bars import bars_of, most_frac, what_bars, what_binds
from geotrim.core.window_frontier import _rising, best_centred, frontier, knee
from geotrim.core.window_limits import evaluate, in_force, lifted, lifted_as
from geotrim.core.window_problem import WindowPlan
from geotrim.core.window_solve import Solution, solve
from geotrim.errors import GeotrimError


@pytest.mark.parametrize("seed", range(3))
def test_the_frontier_rises_to_the_best(seed):
    problem = big_problem(np.random.default_rng([19, seed]))
    points = frontier(problem, 6)
    foliage = [one.foliage_ft3 for one in points]
    best = solve(problem)
    assert 2 <= len(points) <= 6
    assert (np.diff(foliage) > 0).all()
    assert (np.diff([one.view_frac for one in points]) > 0).all()
    assert (np.diff([one.bound_frac for one in points]) >= 0).all()
    assert points[-1].view_frac == pytest.approx(best.view_frac, abs=1e-9)
    assert points[-1].foliage_ft3 == pytest.approx(best.foliage_ft3)
    for one in points:
        assert evaluate(problem, one.plan).broken() == ()
        assert one.view_frac <= one.bound_frac <= best.bound_frac + 1e-9


@pytest.mark.parametrize("seed", range(15))
def test_each_point_is_the_best_for_its_budget(seed):
    """Beside exhaustive search at every budget."""
    problem = random_problem(np.random.default_rng([23, seed]))
    points = frontier(problem, 4)
    for number in (1, 2, 3, 4):
        budget = points[-1].foliage_ft3 * number / 4
        best = exhaustive(replace(problem, foliage_max_ft3=budget))
        ours = [one.view_frac for one in points if one.foliage_ft3 <= budget + 1e-9]
        view = max(ours, default=problem.elements.open_frac)
        assert view == pytest.approx(best.view, abs=1e-9)


def test_a_frontier_of_one_point_and_of_none():
    problem = row_of_trees(3)
    (only,) = frontier(problem, 1)
    assert only.view_frac == pytest.approx(0.12)
    with pytest.raises(GeotrimError, match="n_points: found 0"):
        frontier(problem, 0)
    (nothing,) = frontier(row_of_trees(3, closed=(0, 1, 2)), 5)
    assert not nothing.plan.is_open.any()


def test_a_best_plan_known_already_is_taken():
    problem = row_of_trees(6, trees_max=3)
    best = solve(problem)
    points = frontier(problem, 3, best=best)
    assert points[-1] is best
    assert [one.view_frac for one in points] == pytest.approx([0.12, 0.22, 0.30])
    assert what_bars(problem, 0.4, best=best) == what_bars(problem, 0.4)


def test_progress_is_told():
    said = []
    frontier(row_of_trees(4), 4, progress=said.append)
    assert said == [f"window: plan {k} of 4" for k in (3, 2, 1)]
    said.clear()
    what_binds(row_of_trees(4), solve(row_of_trees(4)), progress=said.append)
    assert said == []
    problem = row_of_trees(4, trees_max=2)
    what_binds(problem, solve(problem), progress=said.append)
    assert said == ["window: without allowance"]


def points_of(*pairs):
    plan = WindowPlan(np.zeros(1, dtype=bool), np.array([-1]))
    return [Solution(plan, view, view, foliage, True) for foliage, view in pairs]


@pytest.mark.parametrize(
    ("pairs", "expected"),
    [
        # Heights over the chord from (0, 0) to (1, 1), by hand.
        ([(0, 0.0), (1, 0.6), (2, 0.8), (4, 1.0)], 1),  # 0.35, 0.3
        ([(0, 0.0), (1, 0.3), (2, 0.9), (4, 1.0)], 2),  # 0.05, 0.4
        ([(0, 0.0), (1, 0.5), (2, 0.75), (4, 1.0)], 1),  # 0.25, 0.25: the cheaper
        ([(0, 0.2), (1, 0.3)], 1),
        ([(0, 0.2)], 0),
        ([(0, 0.0), (2, 0.5), (4, 1.0)], 0),  # a line has none: the cheapest
    ],
)
def test_the_knee(pairs, expected):
    assert knee(points_of(*pairs)) == expected


def test_a_plan_another_beats_for_less_is_no_point():
    """As it may happen where time ran out: dearer, and no more view."""
    one, two, three = points_of((1.0, 0.5), (2.0, 0.4), (3.0, 0.6))
    assert _rising([three, two, one]) == [one, three]


def test_no_points_have_no_knee():
    with pytest.raises(GeotrimError, match="points: found none"):
        knee([])


@pytest.mark.parametrize("limit", HOLDING)
def test_what_binds_is_named_with_the_view_without_it(limit):
    rules, within, beyond = HOLDING[limit]
    problem = row_of_trees(6, **rules)
    binding = what_binds(problem, solve(problem))
    assert binding[lifted_as(limit)] == pytest.approx(beyond / 100)
    for other, view in binding.items():  # the rest of the rules of the case
        assert view == pytest.approx(solve(lifted(problem, other)).view_frac)
        assert view > within / 100


@pytest.mark.parametrize("seed", range(15))
def test_what_binds_beside_exhaustive_search(seed):
    problem = random_problem(np.random.default_rng([29, seed]))
    now = solve(problem)
    binding = what_binds(problem, now)
    for limit in in_force(problem):
        best = exhaustive(lifted(problem, limit))
        if best.view > now.view_frac + 1e-5:
            assert binding[limit] == pytest.approx(best.view, abs=1e-9)
        else:
            assert limit not in binding


def test_limits_without_time_are_not_told_apart():
    problem = row_of_trees(6, trees_max=2, n_spans_max=6)
    binding = what_binds(problem, solve(problem), seconds=1e-6)
    assert list(binding) == ["n-spans", "allowance"]
    assert np.isnan(list(binding.values())).all()


@pytest.mark.parametrize("limit", HOLDING)
def test_what_bars_a_target_is_named(limit):
    """Each limit in turn makes the target impossible."""
    rules, within, beyond = HOLDING[limit]
    problem = row_of_trees(6, **rules)
    best, names = what_bars(problem, beyond / 100)
    assert best == pytest.approx(within / 100)
    assert lifted_as(limit) in names
    for name in names:
        assert solve(lifted(problem, name)).view_frac >= beyond / 100 - 1e-6
    assert what_bars(problem, within / 100) == (best, ())


def test_a_bar_is_named():
    assert what_bars(two_trees(share_max=0.9), 0.5)[1] == ("nest",)
    assert what_bars(two_trees(), 0.3)[1] == ("foliage-share",)


def test_limits_that_bar_together_are_named_together():
    """Four trees of six at most, spans of 4 ft, one of them: neither lifted alone opens all."""
    problem = row_of_trees(6, trees_max=4, span_max_ft=4.0, n_spans_max=1, foliage_max_ft3=60.0)
    assert what_bars(problem, 0.42)[1] == ("span-max", "allowance")
    told = bars_of(problem, 0.42)
    assert (told.how, told.limits, told.is_proven) == ("together", ("span-max", "allowance"), True)
    assert told.untold == ()
    assert told.most_frac == pytest.approx(0.42)


def test_beyond_what_is_there_the_limits_that_cost_are_named():
    problem = row_of_trees(6, trees_max=4, n_spans_max=3, open_frac=0.1)
    best, names = what_bars(problem, 0.9)
    assert best == pytest.approx(0.1 + 0.36)
    assert names == ("allowance",)
    assert most_frac(problem, seconds=9.0) == pytest.approx(0.52)
    told = bars_of(problem, 0.9)
    assert (told.how, told.limits, told.is_proven) == ("short", ("allowance",), True)
    assert told.most_frac == pytest.approx(0.52)
    assert told.most_frac <= told.most_bound_frac < 0.9


def test_the_allowances_cost_view_together():
    """Two trees of six, along 2 ft: either alone lifted frees nothing, both are named as one."""
    problem = row_of_trees(6, trees_max=2, length_max_ft=2.0)
    assert what_binds(problem, solve(problem)) == {"allowance": pytest.approx(0.42)}
    assert what_bars(problem, 0.4) == (pytest.approx(0.22), ("allowance",))


def test_proven_is_told_from_found():
    """Of a plan that is not the best: its bound says whether the target is out of reach."""
    problem = row_of_trees(6, trees_max=3)
    best = solve(problem)  # 0.30
    hurried = replace(best, view_frac=0.25, bound_frac=0.33, is_optimal=False)
    assert bars_of(problem, 0.35, best=hurried).is_proven
    assert not bars_of(problem, 0.32, best=hurried).is_proven
    met = bars_of(problem, 0.25, best=hurried)
    assert (met.how, met.limits, met.is_proven) == ("met", (), False)


def test_what_is_known_of_the_limits_is_not_searched_again():
    problem = row_of_trees(6, trees_max=3, n_spans_max=6)
    best = solve(problem)
    told = bars_of(problem, 0.4, best=best, without={"allowance": 0.42, "n-spans": np.nan})
    assert (told.how, told.limits, told.untold) == ("each", ("allowance",), ("n-spans",))
    far = bars_of(problem, 0.9, best=best, without={"allowance": 0.42, "n-spans": np.nan})
    assert (far.how, far.limits, far.untold) == ("short", ("allowance",), ("n-spans",))


def test_out_of_time_nothing_is_said_to_be_out_of_reach(monkeypatch):
    """With no search carried out but for what is known."""
    problem = row_of_trees(6, trees_max=3)
    best = solve(problem)
    hurried = replace(best, bound_frac=0.42, is_optimal=False)
    monkeypatch.setattr(window_bars, "solve", lambda *given, **more: hurried)
    told = bars_of(problem, 0.4, best=hurried)
    assert (told.how, told.limits, told.is_proven) == ("unsure", (), False)
    assert told.untold == ("allowance",)


def test_limits_far_from_binding_are_tried_together(monkeypatch):
    """Five limits with room: one search for all of them, and one for the limit the plan is at."""
    asked = []
    monkeypatch.setattr(
        window_bars, "solve", lambda *given, **more: asked.append(1) or solve(*given, **more)
    )
    rules = {"foliage_max_ft3": 99.0, "span_min_ft": 1.0, "trees_max": 5, "span_max_ft": 3.0}
    problem = row_of_trees(7, n_spans_max=1, gap_min_ft=1.0, **rules)
    binding = what_binds(problem, solve(problem))
    alone = {name: solve(lifted(problem, name)).view_frac for name in in_force(problem)}
    assert binding == {k: pytest.approx(v) for k, v in alone.items() if v > 0.361}
    assert len(asked) < len(in_force(problem))


def test_the_centred_window_by_hand():
    """Seven stations; a budget of 30 ft3 buys the best three trees of the span about station 3."""
    found = best_centred(row_of_trees(7, span_max_ft=5.0), 30.0)
    # Stations 1 to 5; of them 3, 4 and 5 open most: 8 + 10 + 12 percent.
    assert found.plan.is_open.tolist() == [False, True, True, True, True, True, False]
    assert found.plan.option_of.tolist() == [-1, -1, -1, 3, 4, 5, -1]
    assert found.view_frac == pytest.approx(0.30)
    # One tree of the middle alone: the span is drawn in to what span-min asks.
    tight = best_centred(row_of_trees(7, span_max_ft=1.0), 30.0)
    assert tight.plan.is_open.tolist() == [False] * 3 + [True] + [False] * 3
    least = best_centred(row_of_trees(7, span_max_ft=3.0, span_min_ft=2.5), 10.0)
    assert least.plan.is_open.tolist() == [False] * 2 + [True] * 3 + [False] * 2
    even = best_centred(row_of_trees(6, span_max_ft=3.0), 99.0)
    assert even.plan.is_open.tolist() == [False] * 2 + [True] * 2 + [False] * 2


def test_the_centred_window_is_drawn_in_and_keeps_both_budgets():
    """One tree, in the middle: a span of its station alone. The lower budget holds."""
    one = problem_of([1.0] * 7, [(3, [(5.0, 0.3, -1)])], [(0.2, [[(0, 0)]])])
    assert np.flatnonzero(best_centred(one, 9.0).plan.is_open).tolist() == [3]
    assert best_centred(row_of_trees(7, foliage_max_ft3=10.0), 30.0).foliage_ft3 == 10.0
    assert best_centred(row_of_trees(7, foliage_max_ft3=30.0), 10.0).foliage_ft3 == 10.0


@pytest.mark.parametrize(
    ("length", "first", "last"), [(1.0, 3, 3), (2.9, 3, 3), (3.0, 2, 4), (6.9, 1, 5), (7.0, 0, 6)]
)
def test_the_centred_window_is_no_longer_than_asked(length, first, last):
    """Seven stations of 1 ft, a budget that buys all."""
    found = best_centred(row_of_trees(7), 99.0, length_max_ft=length)
    assert np.flatnonzero(found.plan.is_open).tolist() == list(range(first, last + 1))


def test_no_centred_window_is_as_short_as_asked():
    found = best_centred(row_of_trees(7, span_min_ft=3.0), 99.0, length_max_ft=2.5)
    assert not found.plan.is_open.any() and found.foliage_ft3 == 0.0


def test_the_centred_window_keeps_the_allowance_of_length():
    """Crowns of 3 ft: two of the middle along 4 ft, three along 5 ft."""
    crowns = cover((0, 1), *[(s - 1, s, s + 1) for s in range(1, 6)], (5, 6))
    problem = row_of_trees(7, length_max_ft=4.0, **crowns)
    found = best_centred(problem, 99.0, length_max_ft=5.0)
    assert np.flatnonzero(found.plan.option_of >= 0).tolist() == [4, 5]
    assert np.flatnonzero(found.plan.is_open).tolist() == [1, 2, 3, 4, 5]


def test_where_no_centred_window_can_be():
    for problem in (
        row_of_trees(7, closed=(3,)),
        row_of_trees(6, breaks=(0, 3)),
        row_of_trees(7, span_min_ft=8.0),
        row_of_trees(7, n_spans_max=0),
        problem_of([], [], [], breaks=()),
    ):
        found = best_centred(problem, 99.0)
        assert not found.plan.is_open.any() and found.foliage_ft3 == 0.0


@pytest.mark.parametrize("seed", range(6))
def test_the_optimum_is_no_worse_than_the_centred_window(seed):
    """For the same foliage; and the centred plan keeps every limit."""
    problem = replace(big_problem(np.random.default_rng([31, seed])), span_min_ft=3.0)
    problem = replace(problem, is_break=np.arange(40) == 0)
    budget = 0.5 * solve(problem).foliage_ft3
    centred = best_centred(problem, budget)
    assert evaluate(problem, centred.plan).broken() == ()
    assert centred.foliage_ft3 <= budget + 1e-9
    best = solve(replace(problem, foliage_max_ft3=budget))
    assert best.view_frac >= centred.view_frac - 1e-9


@pytest.mark.parametrize("seed", range(25))
def test_the_centred_window_beside_exhaustive_search(seed):
    """Of all windows of one span about the middle."""
    problem = random_problem(np.random.default_rng([37, seed]))
    length = problem.station_length_ft
    end = np.cumsum(length)

    def is_centred(is_open):
        at = np.flatnonzero(is_open)
        if len(at) == 0:
            return True
        off = abs(end - length / 2 - end[-1] / 2)
        is_one = len(at) == at[-1] - at[0] + 1 and not problem.is_break[at[1:]].any()
        return bool(is_one and off[list(is_open)].max() < off[~np.array(is_open)].min(initial=9e9))

    best = exhaustive(problem, is_centred)
    assert best_centred(problem, 1e9).view_frac == pytest.approx(best.view, abs=1e-9)
