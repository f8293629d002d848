"""Each limit of a window on its own: kept, met exactly, broken, lifted, named."""

from dataclasses import replace

import numpy as np
import pytest
from window_core_cases import cover, plan_is_within, problem_of, random_problem, row_of_trees

from geotrim.core.window_limits import (
    LIMITS,
    check_problem,
    evaluate,
    in_force,
    lifted,
    lifted_as,
    usable,
)
from geotrim.core.window_problem import WindowPlan
from geotrim.core.window_solve import solve
from geotrim.errors import GeotrimError


def plan_of(problem, is_open, cut):
    """Open stations from a text of 0 and 1; trees cut by their first option."""
    flags = np.array([one == "1" for one in is_open])
    option_of = np.full(problem.n_trees, -1)
    for tree in cut:
        option_of[tree] = np.flatnonzero(problem.options.tree == tree)[0]
    return WindowPlan(flags, option_of)


def check_of(problem, is_open, cut, limit):
    told = evaluate(problem, plan_of(problem, is_open, cut))
    assert [check.limit for check in told.checks] == [*LIMITS, *problem.bars]
    return next(check for check in told.checks if check.limit == limit)


#: limit, rule, stations, trees cut, value, allowed, broken, at its limit. Stations of 1 ft, a tree
#: of 10 ft3 and 2 ft2 in each; worked by hand.
AREA = {"area_ft2": np.full(6, 2.0)}
CROWNS = cover((0, 1), (1, 2), (2, 3, 4), (5,), (), (0,))
CASES = [
    ("span-min", {"span_min_ft": 2.0}, "011011", (), 2.0, 2.0, False, True),
    ("span-min", {"span_min_ft": 2.0}, "111011", (), 2.0, 2.0, False, True),
    ("span-min", {"span_min_ft": 2.0}, "111000", (), 3.0, 2.0, False, False),
    ("span-min", {"span_min_ft": 2.0}, "111010", (), 1.0, 2.0, True, False),
    ("span-min", {"span_min_ft": 1.5}, "110000", (), 2.0, 1.5, False, True),
    ("span-min", {"span_min_ft": 2.0}, "000000", (), np.nan, 2.0, False, False),
    ("span-min", {}, "010000", (), 1.0, np.nan, False, False),
    ("span-min", {"span_min_ft": 0.0}, "010000", (), 1.0, np.nan, False, False),
    ("span-max", {"span_max_ft": 3.0}, "111010", (), 3.0, 3.0, False, True),
    ("span-max", {"span_max_ft": 3.0}, "110010", (), 2.0, 3.0, False, False),
    ("span-max", {"span_max_ft": 3.0}, "111100", (), 4.0, 3.0, True, False),
    ("span-max", {"span_max_ft": 2.0, "breaks": (0, 2)}, "111100", (), 2.0, 2.0, False, True),
    ("span-gap", {"gap_min_ft": 2.0}, "100100", (), 2.0, 2.0, False, True),
    ("span-gap", {"gap_min_ft": 2.0}, "100010", (), 3.0, 2.0, False, False),
    ("span-gap", {"gap_min_ft": 2.0}, "101001", (), 1.0, 2.0, True, False),
    ("span-gap", {"gap_min_ft": 2.0}, "110000", (), np.nan, 2.0, False, False),
    ("span-gap", {"gap_min_ft": 2.0, "breaks": (0, 1)}, "110000", (), np.nan, 2.0, False, False),
    ("span-gap", {"gap_min_ft": 2.0, "breaks": (0, 2)}, "101000", (), np.nan, 2.0, False, False),
    ("span-gap", {}, "101000", (), 1.0, np.nan, False, False),
    ("n-spans", {"n_spans_max": 2}, "101000", (), 2.0, 2.0, False, True),
    ("n-spans", {"n_spans_max": 2}, "100000", (), 1.0, 2.0, False, False),
    ("n-spans", {"n_spans_max": 2}, "101010", (), 3.0, 2.0, True, False),
    ("n-spans", {"n_spans_max": 2, "breaks": (0, 1, 2)}, "111000", (), 3.0, 2.0, True, False),
    ("allowance-trees", {"trees_max": 2}, "111000", (0, 1), 2.0, 2.0, False, True),
    ("allowance-trees", {"trees_max": 2}, "111000", (0,), 1.0, 2.0, False, False),
    ("allowance-trees", {"trees_max": 2}, "111000", (0, 1, 2), 3.0, 2.0, True, False),
    (
        "allowance-trees",
        {"trees_max": 2, "is_counted": np.array([0, 1, 1, 1, 1, 1], dtype=bool)},
        "111000", (0, 1, 2), 2.0, 2.0, False, True,
    ),
    (  # no tree that counts is left to cut
        "allowance-trees",
        {"trees_max": 2, "is_counted": np.array([1, 1, 0, 0, 0, 0], dtype=bool)},
        "110000", (0, 1), 2.0, 2.0, False, False,
    ),
    ("allowance-length", {"length_max_ft": 3.0}, "110100", (), 3.0, 3.0, False, True),
    ("allowance-length", {"length_max_ft": 3.9}, "110100", (), 3.0, 3.9, False, True),
    ("allowance-length", {"length_max_ft": 4.0}, "110100", (), 3.0, 4.0, False, False),
    ("allowance-length", {"length_max_ft": 2.9}, "110100", (), 3.0, 2.9, True, False),
    # Crowns along 0-1, 1-2, 2-4, 5, none, 0: what is counted is their shore, not the window's.
    ("allowance-length", {"length_max_ft": 3.0, **CROWNS}, "111111", (0, 1), 3.0, 3.0, False, True),
    ("allowance-length", {**CROWNS, "length_max_ft": 4}, "110000", (0, 1), 3.0, 4.0, False, False),
    ("allowance-length", {"length_max_ft": 2.9, **CROWNS}, "110000", (0, 1), 3.0, 2.9, True, False),
    ("allowance-length", {"length_max_ft": 0.5, **CROWNS}, "111111", (4,), 0.0, 0.5, False, True),
    (
        "allowance-length",
        {"length_max_ft": 2.0, "is_counted": np.array([1, 0, 0, 0, 0, 0], dtype=bool), **CROWNS},
        "111000", (0, 1, 2), 2.0, 2.0, False, False,
    ),
    ("allowance-area", {"area_max_ft2": 5.0, **AREA}, "110000", (0, 1), 4.0, 5.0, False, True),
    ("allowance-area", {"area_max_ft2": 6.0, **AREA}, "110000", (0, 1), 4.0, 6.0, False, False),
    ("allowance-area", {"area_max_ft2": 3.9, **AREA}, "110000", (0, 1), 4.0, 3.9, True, False),
    ("foliage-share", {"share_max_frac": np.full(6, 0.3)}, "100000", (0,), 0.3, 0.3, False, False),
    ("foliage-share", {"share_max_frac": np.full(6, 0.2)}, "100000", (0,), 0.3, 0.2, True, False),
    ("foliage-share", {"share_max_frac": np.full(6, 0.2)}, "100000", (), 0.0, 0.2, False, True),
    ("foliage-budget", {"foliage_max_ft3": 25.0}, "110000", (0, 1), 20.0, 25.0, False, True),
    ("foliage-budget", {"foliage_max_ft3": 30.0}, "110000", (0, 1), 20.0, 30.0, False, False),
    ("foliage-budget", {"foliage_max_ft3": 19.0}, "110000", (0, 1), 20.0, 19.0, True, False),
    ("zone", {"closed": (0,)}, "110000", (1,), 1.0, 0.0, True, False),
    ("zone", {"closed": (0,)}, "010000", (1,), 0.0, 0.0, False, True),
    ("zone", {}, "010000", (1,), 0.0, 0.0, False, False),
    ("zone", {}, "010000", (2,), 1.0, 0.0, True, False),  # a tree cut outside of the window
]  # fmt: skip


@pytest.mark.parametrize(
    ("limit", "rules", "stations", "cut", "value", "allowed", "is_broken", "is_at"), CASES
)
def test_one_limit(limit, rules, stations, cut, value, allowed, is_broken, is_at):
    check = check_of(row_of_trees(6, **rules), stations, cut, limit)
    assert check.value == pytest.approx(value, nan_ok=True)
    assert check.allowed == pytest.approx(allowed, nan_ok=True)
    assert (check.is_broken, check.is_at_limit) == (is_broken, is_at)


def two_trees(share_max=0.5, **rules):
    """One tree with a nest, one over its share."""
    trees = [(0, [(4.0, 0.2, 0)]), (1, [(9.0, 0.6, -1)])]
    elements = [(0.2, [[(0, 0)]]), (0.3, [[(1, 0)]])]
    rules = {"share_max_frac": np.array([0.5, share_max]), **rules}
    return problem_of([1.0, 1.0], trees, elements, bars=("nest",), **rules)


def test_trees_are_named():
    """Those a limit holds back, or those that break it."""
    nest, share = (check_of(two_trees(), "11", (), name) for name in ("nest", "foliage-share"))
    assert (nest.value, nest.allowed, nest.is_at_limit, nest.trees) == (0.0, 0.0, True, (0,))
    assert (share.is_at_limit, share.trees) == (True, (1,))
    nest, share = (check_of(two_trees(), "11", (0, 1), name) for name in ("nest", "foliage-share"))
    assert (nest.value, nest.is_broken, nest.is_at_limit, nest.trees) == (1.0, True, False, (0,))
    assert (share.value, share.allowed, share.is_broken, share.trees) == (0.6, 0.5, True, (1,))


def test_a_tree_two_limits_hold_is_held_by_neither_alone():
    problem = two_trees(closed=(0, 1))
    assert not check_of(problem, "00", (), "nest").is_at_limit
    assert not check_of(problem, "00", (), "foliage-share").is_at_limit
    assert check_of(two_trees(share_max=0.9, closed=(1,)), "00", (), "zone").trees == (1,)


def test_figures_of_a_plan():
    """Two spans of 3 ft together, 2 trees of 3 cut that count, 0.02 + 0.04 + 0.10 open."""
    is_counted = np.array([0, 1, 1, 1, 1, 1], dtype=bool)
    problem = row_of_trees(6, is_counted=is_counted, area_ft2=np.arange(6.0), open_frac=0.1)
    told = evaluate(problem, plan_of(problem, "110010", (0, 1, 4)))
    assert told.view_frac == pytest.approx(0.1 + 0.02 + 0.04 + 0.10)
    assert told.foliage_ft3 == pytest.approx(30.0)
    assert told.share_frac.tolist() == [0.3, 0.3, 0.0, 0.0, 0.3, 0.0]
    assert (told.window_length_ft, told.n_spans, told.n_counted_trees) == (3.0, 2, 2)
    assert told.counted_area_ft2 == pytest.approx(1.0 + 4.0)


@pytest.mark.parametrize("seed", range(60))
def test_any_plan_is_judged_as_by_hand(seed):
    """Random plans, most of which break something: kept by us where kept by the test's own code."""
    rng = np.random.default_rng([17, seed])
    problem = random_problem(rng)
    for _ in range(20):
        is_open = rng.random(problem.n_stations) < rng.choice([0.2, 0.6])
        option_of = np.full(problem.n_trees, -1)
        for tree in range(problem.n_trees):
            if rng.random() < 0.4:
                option_of[tree] = rng.choice(np.flatnonzero(problem.options.tree == tree))
        told = evaluate(problem, WindowPlan(is_open, option_of))
        expected = plan_is_within(problem, is_open.tolist(), option_of.tolist())
        assert (told.broken() == ()) == expected


#: A limit that holds a row of 6 trees back, and the view in percent with and without it. Station k
#: opens 2 (k + 1) percent; all six 42.
HOLDING = {
    "span-min": ({"span_min_ft": 7.0}, 0, 42),
    "span-max": ({"span_max_ft": 3.0, "n_spans_max": 1}, 30, 42),
    "span-gap": ({"gap_min_ft": 2.0, "span_max_ft": 3.0}, 32, 36),
    "n-spans": ({"n_spans_max": 1, "span_max_ft": 2.0, "gap_min_ft": 1.0}, 22, 32),
    "allowance-trees": ({"trees_max": 2}, 22, 42),
    "allowance-length": ({"length_max_ft": 2.5}, 22, 42),
    "allowance-area": ({"area_max_ft2": 5.0, **AREA}, 22, 42),
    "foliage-share": ({"share_max_frac": np.array([0.3] * 5 + [0.2])}, 30, 42),
    "foliage-budget": ({"foliage_max_ft3": 29.0}, 22, 42),
    "zone": ({"closed": (4, 5)}, 20, 42),
}


@pytest.mark.parametrize("limit", HOLDING)
def test_lifting_a_limit(limit):
    rules, within, beyond = HOLDING[limit]
    problem = row_of_trees(6, **rules)
    assert lifted_as(limit) in in_force(problem)
    assert solve(problem).view_frac == pytest.approx(within / 100)
    free = lifted(problem, limit)
    assert lifted_as(limit) not in in_force(free)
    assert solve(free).view_frac == pytest.approx(beyond / 100)


def test_the_allowances_are_lifted_as_one():
    """Two trees of six, of 2 ft2 each, along 2 ft: lifting one of the three frees nothing."""
    problem = row_of_trees(6, trees_max=2, length_max_ft=2.0, area_max_ft2=4.0, **AREA)
    assert in_force(problem) == ("allowance",)
    for one in ("allowance-trees", "allowance-length", "allowance-area"):
        free = lifted(problem, one)
        assert in_force(free) == ("allowance",)
        assert solve(free).view_frac == pytest.approx(0.22)
    free = lifted(problem, "allowance")
    assert in_force(free) == () and solve(free).view_frac == pytest.approx(0.42)


def test_a_station_listed_twice_counts_once():
    """A crown in two parts along the same station: 1 ft more, within 2 ft."""
    problem = row_of_trees(2, length_max_ft=2.0, **cover((0,), (1, 1)))
    assert usable(problem).tolist() == [True, True]
    check = check_of(problem, "11", (0, 1), "allowance-length")
    assert (check.value, check.is_broken) == (2.0, False)
    assert usable(replace(problem, length_max_ft=1.0)).tolist() == [True, True]
    assert not usable(replace(problem, length_max_ft=0.9)).any()


def test_lifting_a_bar():
    problem = two_trees(share_max=0.9)
    assert in_force(problem) == ("nest",)
    assert solve(problem).view_frac == pytest.approx(0.3)
    assert solve(lifted(problem, "nest")).view_frac == pytest.approx(0.5)
    assert in_force(lifted(problem, "nest")) == ()


def test_only_limits_that_could_hold_are_in_force():
    assert in_force(row_of_trees(3, span_min_ft=0.0, share_max_frac=np.full(3, 0.3))) == ()


def test_usable_options_are_within_every_limit_of_their_own():
    trees = [
        (0, [(4.0, 0.2, -1), (6.0, 0.3, -1), (3.0, 0.6, -1), (1.0, 0.1, 0)]),
        (-1, [(1.0, 0.1, -1)]),
    ]
    problem = problem_of(
        [1.0], trees, [], bars=("nest",), share_max_frac=np.full(2, 0.5), foliage_max_ft3=5.0
    )
    assert usable(problem).tolist() == [True, False, False, False, False]


def test_trees_that_do_not_count_may_be_of_any_area():
    is_counted = np.array([True, False, True])
    area = np.array([9.0, 9.0, 1.0])
    problem = row_of_trees(3, is_counted=is_counted, area_ft2=area, area_max_ft2=5.0)
    assert usable(problem).tolist() == [False, True, True]
    assert usable(replace(problem, trees_max=0)).tolist() == [False, True, False]


def test_unknown_limits_are_refused():
    with pytest.raises(GeotrimError, match="limit: found moon; needed one of span-min"):
        lifted(two_trees(), "moon")


def bad(problem, part, **changes):
    return replace(problem, **{part: replace(getattr(problem, part), **changes)})


GOOD = two_trees()
BAD = {
    "stations": replace(GOOD, is_break=np.array([True])),
    "trees": replace(GOOD, share_max_frac=np.array([0.5])),
    "options": bad(GOOD, "options", share_frac=np.array([0.5])),
    "elements": bad(GOOD, "elements", group_start=np.array([0, 1])),
    "stations of trees": replace(GOOD, tree_station=np.array([0, 2])),
    "stations of crowns": replace(GOOD, **cover((0, 1), (2,))),
    "2 starts of 1 stations": replace(GOOD, **cover((0,))),
    "0 starts of 1 stations": replace(GOOD, cover_station=np.array([0])),
    "3 starts of 3 stations": replace(
        GOOD, cover_start=np.array([0, 1, 2]), cover_station=np.array([0, 1, 1])
    ),
    "3 starts of 2 stations": replace(
        GOOD, cover_start=np.array([0, 3, 2]), cover_station=np.array([0, 1])
    ),
    "trees of options": bad(GOOD, "options", tree=np.array([0, 2])),
    "limits that bar options": bad(GOOD, "options", barred_by=np.array([0, 1])),
    "options of elements": bad(GOOD, "elements", option=np.array([0, 2])),
    "a group with options of two trees": bad(
        GOOD, "elements", option=np.array([0, 1]), option_start=np.array([0, 2, 2])
    ),
    "negative or no number": bad(GOOD, "options", volume_ft3=np.array([1.0, np.nan])),
}


@pytest.mark.parametrize("what", BAD)
def test_problems_that_contradict_themselves_are_refused(what):
    with pytest.raises(GeotrimError, match=what):
        check_problem(BAD[what])
    check_problem(GOOD)


PLANS = {
    "1 stations": WindowPlan(np.array([True]), np.array([-1, -1])),
    "options of the plan": WindowPlan(np.array([True, True]), np.array([-1, 2])),
    "an option of another tree": WindowPlan(np.array([True, True]), np.array([1, -1])),
}


@pytest.mark.parametrize("what", PLANS)
def test_plans_of_another_lot_are_refused(what):
    with pytest.raises(GeotrimError, match=what):
        evaluate(GOOD, PLANS[what])
