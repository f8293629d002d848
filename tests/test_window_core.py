"""The optimiser beside exhaustive search: code of its own that looks at every plan there is."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from window_core_cases import (
    cover,
    exhaustive,
    plan_is_within,
    problem_of,
    random_problem,
    row_of_trees,
    spans_by_hand,
    view_by_hand,
    window_is_within,
)

from geotrim.core import window_solve
from geotrim.core.window_clock import Clock
from geotrim.core.window_limits import evaluate
from geotrim.core.window_presolve import presolve
from geotrim.core.window_run import run
from geotrim.core.window_solve import Solution, first_plans, solve
from geotrim.core.window_spans import shortest_spans
from geotrim.errors import GeotrimError

N_CASES = 320


@pytest.mark.parametrize("block", range(8))
def test_the_best_plan_of_all(block):
    """Greatest view, then least foliage, then the shortest window for the trees it cuts."""
    rng = np.random.default_rng([20261126, block])
    n_cut = 0
    for _ in range(N_CASES // 8):
        problem = random_problem(rng)
        best = exhaustive(problem)
        found = solve(problem)
        choice = found.plan.option_of.tolist()
        assert found.is_optimal
        assert plan_is_within(problem, found.plan.is_open.tolist(), choice)
        assert found.view_frac == pytest.approx(best.view, abs=1e-9)
        assert found.view_frac == pytest.approx(view_by_hand(problem, choice), abs=1e-9)
        # The weight of a millionth tells foliage apart to about a ten thousandth of all of it.
        total = problem.options.volume_ft3.sum()
        assert found.foliage_ft3 == pytest.approx(best.foliage, abs=2e-4 * total)
        assert found.view_frac <= found.bound_frac <= best.view + 2e-6
        length = problem.station_length_ft[found.plan.is_open].sum()
        if found.foliage_ft3 == pytest.approx(best.foliage, abs=1e-9):
            assert length == pytest.approx(best.length, abs=1e-9)
        n_cut += (found.plan.option_of >= 0).any()
    assert n_cut > N_CASES // 8 * 0.3  # many of the lots have something to open


def big_problem(rng, n=40, t=20):
    """Too big for exhaustive search: one row, neighbours hide the view together."""
    trees = [
        (int(s), [(float(rng.uniform(1, 9)), float(rng.uniform(0.1, 0.9)), -1) for _ in range(2)])
        for s in rng.integers(0, n, t)
    ]
    order = np.argsort([s for s, _ in trees], kind="stable")
    elements = []
    for _ in range(40):
        first = int(rng.integers(0, t - 3))
        behind = order[first : first + int(rng.integers(1, 4))]
        need = [[(int(i), k) for k in range(2) if k == 1 or rng.random() < 0.5] for i in behind]
        elements.append((float(rng.uniform(0, 0.01)), need))
    return problem_of(
        rng.choice([1.0, 0.8], n),
        trees,
        elements,
        breaks=[0, int(rng.integers(1, n))],
        closed=rng.integers(0, n, 4).tolist(),
        span_min_ft=float(rng.uniform(0, 8)),
        span_max_ft=float(rng.uniform(8, 25)),
        gap_min_ft=float(rng.uniform(0, 6)),
        n_spans_max=int(rng.integers(1, 5)),
        is_counted=rng.random(t) < 0.9,
        area_ft2=rng.uniform(1, 5, t),
        trees_max=int(rng.integers(3, 20)),
        length_max_ft=float(rng.uniform(10, 40)),
        area_max_ft2=float(rng.uniform(10, 60)),
        share_max_frac=rng.uniform(0.4, 1.0, t),
        foliage_max_ft3=float(rng.uniform(10, 90)),
    )


@pytest.mark.parametrize("seed", range(8))
def test_no_plan_breaks_a_limit(seed):
    """Judged by code of the test's own and by the product's, in time and out of time."""
    problem = big_problem(np.random.default_rng([7, seed]))
    for seconds in (20.0, 0.03):
        found = solve(problem, seconds=seconds)
        assert plan_is_within(problem, found.plan.is_open.tolist(), found.plan.option_of.tolist())
        assert evaluate(problem, found.plan).broken() == ()
        assert found.bound_frac >= found.view_frac
    best = solve(problem)
    assert best.is_optimal and best.view_frac > problem.elements.open_frac
    for plan in first_plans(problem, presolve(problem), Clock(10.0)):
        told = evaluate(problem, plan)
        assert told.broken() == ()
        assert told.view_frac <= best.bound_frac + 1e-9


def test_out_of_time_the_first_plan_is_told():
    """With the solver stopped at once the plan is worse, the bound still true."""
    problem = big_problem(np.random.default_rng(3))
    best, hurried = solve(problem), solve(problem, seconds=1e-6)
    assert not hurried.is_optimal
    assert hurried.view_frac <= best.view_frac <= hurried.bound_frac


def test_where_the_solver_has_no_plan_a_first_plan_is_taken(monkeypatch):
    """The best of them, not the empty plan."""
    monkeypatch.setattr(window_solve, "_search", lambda *given: (None, 0.9, False))
    problem = row_of_trees(6, trees_max=3)
    found = solve(problem)
    assert not found.is_optimal and found.bound_frac == 0.9
    assert found.view_frac == pytest.approx(0.30)  # each tree opens a part of its own


def test_out_of_time_no_plan_is_worse_than_one_known(monkeypatch):
    """Neither the solver nor the first plans find any; one that breaks a limit is not taken."""
    problem = row_of_trees(6, trees_max=3)
    known = [solve(row_of_trees(6, trees_max=n)).plan for n in (2, 4)]
    monkeypatch.setattr(window_solve, "_search", lambda *given: (None, 0.9, False))
    monkeypatch.setattr(window_solve, "first_plans", lambda *given: [])
    assert solve(problem).view_frac == 0.0
    found = solve(problem, known=known)
    assert found.view_frac == pytest.approx(0.22)
    assert (found.bound_frac, found.is_optimal) == (0.9, False)


def test_a_first_plan_opens_something():
    problem = big_problem(np.random.default_rng(3))
    views = [
        evaluate(problem, p).view_frac for p in first_plans(problem, presolve(problem), Clock(9))
    ]
    assert max(views) > 0.6 * solve(problem).view_frac


def test_solving_twice_gives_the_same():
    problem = big_problem(np.random.default_rng(5))
    one, two = solve(problem), solve(problem)
    np.testing.assert_array_equal(one.plan.is_open, two.plan.is_open)
    np.testing.assert_array_equal(one.plan.option_of, two.plan.option_of)


def is_nothing(problem: object, found: Solution) -> bool:
    return bool(
        not found.plan.is_open.any()
        and (found.plan.option_of == -1).all()
        and found.is_optimal
        and found.foliage_ft3 == 0.0
    )


NOTHING = {
    "no stations, no trees": problem_of([], [], [], open_frac=0.4, breaks=()),
    "no trees": problem_of([1.0, 1.0], [], [], open_frac=0.4),
    "no options": problem_of([1.0, 1.0], [(0, []), (1, [])], [], open_frac=0.4),
    "no elements": problem_of([1.0], [(0, [(5.0, 0.2, -1)])], [], open_frac=0.4),
    "no station allowed": row_of_trees(3, closed=(0, 1, 2), open_frac=0.4),
    "no foliage": row_of_trees(3, foliage_max_ft3=0.0, open_frac=0.4),
    "no length": row_of_trees(3, length_max_ft=0.0, open_frac=0.4),
    "no tree": row_of_trees(3, trees_max=0, open_frac=0.4),
    "no span": row_of_trees(3, n_spans_max=0, open_frac=0.4),
    "no area": row_of_trees(3, area_max_ft2=0.0, area_ft2=np.ones(3), open_frac=0.4),
    "span-min longer than the shore": row_of_trees(3, span_min_ft=3.5, open_frac=0.4),
    "stations longer than a span": row_of_trees(3, span_max_ft=0.5, open_frac=0.4),
    "trees in no station": problem_of(
        [1.0], [(-1, [(5.0, 0.2, -1)])], [(0.2, [[(0, 0)]])], open_frac=0.4
    ),
    "every option barred": problem_of(
        [1.0], [(0, [(5.0, 0.2, 0)])], [(0.2, [[(0, 0)]])], open_frac=0.4, bars=("nest",)
    ),
    "every option over its share": row_of_trees(3, share_max_frac=np.full(3, 0.29), open_frac=0.4),
    "an element nothing opens": problem_of(
        [1.0], [(0, [(5.0, 0.2, -1)])], [(0.2, [[(0, 0)], []])], open_frac=0.4
    ),
}


@pytest.mark.parametrize("case", NOTHING)
def test_where_nothing_can_be_opened(case):
    problem = NOTHING[case]
    found = solve(problem)
    assert is_nothing(problem, found)
    assert found.view_frac == pytest.approx(0.4)
    assert found.bound_frac == pytest.approx(0.4, abs=1e-6)
    assert evaluate(problem, found.plan).broken() == ()


def test_a_budget_met_exactly_may_be_used():
    """3 trees of 0.1 ft3 and a budget of 0.3 ft3: in floating point their sum is a little more."""
    trees = [(s, [(0.1, 0.3, -1)]) for s in range(3)]
    elements = [(0.1, [[(s, 0)]]) for s in range(3)]
    found = solve(problem_of([1.0] * 3, trees, elements, foliage_max_ft3=0.3))
    assert found.view_frac == pytest.approx(0.3)


@pytest.mark.parametrize("excess", [1e-6, 1e-7, 1e-8])
def test_a_budget_missed_by_a_hair_is_kept(excess):
    """The solver alone would take all three: its own tolerance is a millionth."""
    trees = [(s, [(1.0 + excess, 0.3, -1)]) for s in range(3)]
    elements = [(0.1, [[(s, 0)]]) for s in range(3)]
    found = solve(problem_of([1.0] * 3, trees, elements, foliage_max_ft3=3.0))
    assert found.view_frac == pytest.approx(0.2)
    assert found.foliage_ft3 <= 3.0


def test_plans_over_a_budget_by_rounding_are_cut_off(monkeypatch):
    """A solver that is ever so careless with sums: its plans are judged again and ruled out."""

    def careless(program, seconds):
        strict = program.most
        program.most = [most * 1.1 if most > 1000.0 else most for most in strict]
        try:
            return run(program, seconds)
        finally:
            program.most = strict

    monkeypatch.setattr(window_solve, "run", careless)
    trees = [(s, [(1.0 + s / 100, 0.3, -1)]) for s in range(4)]
    elements = [(0.1, [[(s, 0)]]) for s in range(4)]
    problem = problem_of([1.0] * 4, trees, elements, foliage_max_ft3=3.0)
    found = solve(problem)  # three trees take 3.03 ft3 or more; within 1.1 times the budget
    assert evaluate(problem, found.plan).broken() == ()
    assert found.view_frac == pytest.approx(0.2)
    assert found.foliage_ft3 == pytest.approx(2.01)


def test_the_cheaper_of_two_options_is_taken():
    """Both open the same; 4 ft3 come off instead of 9."""
    problem = problem_of(
        [1.0], [(0, [(9.0, 0.9, -1), (4.0, 0.4, -1)])], [(0.5, [[(0, 0), (0, 1)]])]
    )
    assert solve(problem).plan.option_of.tolist() == [1]


def test_one_tree_has_one_option():
    """Two parts of the view need two options of the same tree: only one can be had."""
    problem = problem_of(
        [1.0],
        [(0, [(9.0, 0.9, -1), (4.0, 0.4, -1)])],
        [(0.5, [[(0, 0)]]), (0.3, [[(0, 1)]])],
    )
    found = solve(problem)
    assert found.plan.option_of.tolist() == [0] and found.view_frac == pytest.approx(0.5)


def test_two_options_of_a_tree_in_the_way_twice():
    """Two groups of one tree ask for different options: that element never opens."""
    problem = problem_of(
        [1.0],
        [(0, [(9.0, 0.9, -1), (4.0, 0.4, -1)])],
        [(0.5, [[(0, 0)], [(0, 1)]]), (0.1, [[(0, 1)]])],
    )
    assert solve(problem).view_frac == pytest.approx(0.1)


def test_no_gap_is_asked_over_a_break():
    """Stations 0-1 and 2-3 on two stretches, spans of 2 ft at most, a gap of 5 ft: both open."""
    rules = {"span_max_ft": 2.0, "gap_min_ft": 5.0}
    assert solve(row_of_trees(4, breaks=(0, 2), **rules)).view_frac == pytest.approx(0.2)
    # On one stretch only the better two: 0.06 + 0.08.
    assert solve(row_of_trees(4, **rules)).view_frac == pytest.approx(0.14)


def test_a_span_stops_at_a_break():
    """Two stretches of 2 ft hold no span of 3 ft; one of 4 ft does."""
    assert solve(row_of_trees(4, breaks=(0, 2), span_min_ft=3.0)).view_frac == 0.0
    assert solve(row_of_trees(4, span_min_ft=3.0)).view_frac == pytest.approx(0.2)


def test_a_break_makes_two_spans(monkeypatch):
    """One span of two stretches: the better one, and the solver is asked but once for it."""
    asked = []
    monkeypatch.setattr(window_solve, "run", lambda *given: asked.append(1) or run(*given))
    problem = row_of_trees(4, breaks=(0, 2), n_spans_max=1)
    assert solve(problem).view_frac == pytest.approx(0.14)
    assert len(asked) == 1


def test_lengths_met_exactly_are_kept():
    """Spans of 0.3 ft and a gap of 0.3 ft, of stations of 0.1 ft: sums in floating point differ.

    Stations 0-2 and 6-8 of 9: 0.02 * (1 + 2 + 3 + 7 + 8 + 9).
    """
    n = 9
    trees = [(s, [(10.0, 0.3, -1)]) for s in range(n)]
    elements = [(0.02 * (s + 1), [[(s, 0)]]) for s in range(n)]
    rules = {"span_min_ft": 0.3, "span_max_ft": 0.3, "gap_min_ft": 0.3, "length_max_ft": 0.6}
    problem = problem_of([0.1] * n, trees, elements, **rules)
    found = solve(problem)
    assert found.view_frac == pytest.approx(0.6)
    assert evaluate(problem, found.plan).broken() == ()


def test_stations_without_a_cut_tree_stay_closed():
    """Trees at 1 and 7 of 9 stations, spans of 3 ft at least: two spans of 3 ft."""
    trees = [(s, [(1.0, 0.3, -1)]) for s in (1, 7)]
    problem = problem_of(
        [1.0] * 9, trees, [(0.3, [[(0, 0)], [(1, 0)]])], span_min_ft=3.0, gap_min_ft=1.0
    )
    is_open = solve(problem).plan.is_open
    assert spans_by_hand(problem, is_open.tolist())[0] == [3.0, 3.0]
    assert is_open[1] and is_open[7]


def test_of_equally_short_windows_the_one_of_fewest_spans():
    """Trees at 1 and 6: two spans of 3 ft are no shorter than one of 6 ft."""
    shore = row_of_trees(9, span_min_ft=3.0, gap_min_ft=1.0)
    assert spans_by_hand(shore, shortest_spans(shore, np.array([1, 6])).tolist())[0] == [6.0]
    longer = shortest_spans(shore, np.array([1, 7]))
    assert spans_by_hand(shore, longer.tolist())[0] == [3.0, 3.0]


@pytest.mark.parametrize("seed", range(200))
def test_the_shortest_window(seed):
    """Beside every window of the rules that holds the trees."""
    rng = np.random.default_rng([11, seed])
    problem = random_problem(rng, n_max=8)
    stations = np.unique(rng.integers(0, problem.n_stations, rng.integers(1, 5)))
    windows = [
        bits
        for bits in itertools.product((False, True), repeat=problem.n_stations)
        if all(bits[s] for s in stations) and window_is_within(problem, bits)
    ]
    lengths = [problem.station_length_ft[list(bits)].sum() for bits in windows]
    found = shortest_spans(problem, stations)
    if not lengths:
        assert found is None
    else:
        assert window_is_within(problem, found.tolist()) and found[stations].all()
        assert problem.station_length_ft[found].sum() == pytest.approx(min(lengths))
        assert len(spans_by_hand(problem, found.tolist())[0]) == min(
            len(spans_by_hand(problem, bits)[0])
            for bits in windows
            if problem.station_length_ft[list(bits)].sum() < min(lengths) + 1e-9
        )


@pytest.mark.parametrize("seed", range(40))
def test_presolve_keeps_the_best(seed):
    """What is left out could not have opened: the most that is left is no less than the best."""
    problem = random_problem(np.random.default_rng([13, seed]))
    small = presolve(problem)
    best = exhaustive(problem)
    assert problem.elements.open_frac + small.most_frac >= best.view - 1e-9
    options = problem.options
    assert (options.barred_by[small.options] == -1).all()
    assert (problem.tree_station[options.tree[small.options]] >= 0).all()


def test_presolve_leaves_out_what_is_needless():
    """Dominated options, elements out of reach, equal elements."""
    trees = [(0, [(9.0, 0.9, -1), (4.0, 0.4, -1)]), (5, [(4.0, 0.4, -1)]), (1, [(4.0, 0.4, -1)])]
    elements = [
        (0.1, [[(0, 0), (0, 1)]]),
        (0.2, [[(0, 1)]]),  # as the one before, once the dearer option is gone
        (0.3, [[(0, 0), (0, 1)], [(1, 0)]]),  # 6 ft of shore, spans of 3 ft at most
        (0.1, [[(0, 0), (0, 1)], [(2, 0)]]),
    ]
    problem = problem_of([1.0] * 6, trees, elements, span_max_ft=3.0, n_spans_max=1)
    small = presolve(problem)
    assert small.options.tolist() == [1, 3]
    assert sorted(small.weights.values()) == pytest.approx([0.1, 0.3])
    assert len(presolve(problem_of([1.0] * 6, trees, elements)).weights) == 3


@pytest.mark.parametrize("budget", [1.0, 2.0, 3.0, 4.0])
def test_elements_within_elements(budget):
    """Views behind one tree, two and three: each wider one needs all the narrower one needs."""
    trees = [(s, [(1.0, 0.3, -1)]) for s in range(4)]
    elements = [
        (0.05, [[(0, 0)]]),
        (0.10, [[(0, 0)], [(1, 0)]]),
        (0.30, [[(0, 0)], [(1, 0)], [(2, 0)]]),
        (0.12, [[(3, 0)]]),
    ]
    problem = problem_of([1.0] * 4, trees, elements, foliage_max_ft3=budget)
    # By hand: the fourth tree; it and the first; the first three; all.
    expected = {1.0: 0.12, 2.0: 0.17, 3.0: 0.45, 4.0: 0.57}[budget]
    assert solve(problem).view_frac == pytest.approx(expected)


def test_presolve_keeps_what_spans_can_reach():
    """Trees at both ends of 10 ft: two spans of 1 ft reach them, one of 2 ft does not.

    Nor does one span where the stretch breaks between them.
    """
    trees = [(0, [(4.0, 0.4, -1)]), (9, [(4.0, 0.4, -1)])]
    elements = [(0.3, [[(0, 0)], [(1, 0)]])]
    two = problem_of([1.0] * 10, trees, elements, n_spans_max=2, length_max_ft=2.0)
    assert len(presolve(two).weights) == 1
    assert solve(two).view_frac == pytest.approx(0.3)
    for rules in ({"length_max_ft": 9.5}, {"breaks": (0, 5)}):
        one = problem_of([1.0] * 10, trees, elements, n_spans_max=1, **rules)
        assert len(presolve(one).weights) == 0
        assert solve(one).view_frac == 0.0


#: Six trees in 6 ft, each opening 2 (k + 1) percent; the allowance of length, the trees the best
#: plan cuts and what it opens in percent. By hand.
COVERS = {
    # Crowns of 3 ft about each trunk: 5 and 4 stand along 3 to 5, 3 as well along 2 to 5.
    "3 ft": (3.0, [(0, 1)] + [(s - 1, s, s + 1) for s in range(1, 5)] + [(4, 5)], (4, 5), 22),
    "4 ft": (4.0, [(0, 1)] + [(s - 1, s, s + 1) for s in range(1, 5)] + [(4, 5)], (3, 4, 5), 30),
    # The last tree alone is over the cap; the one before fills it; the first three share 2 ft.
    "crowns of all widths": (2.0, [(0, 1)] * 3 + [(3,), (3, 4), range(6)], (3, 4), 18),
    "no shore at all": (0.0, [(0,), (), (2,), (), (4,), (5,)], (1, 3), 12),
    "all of it": (6.0, [range(6)] * 6, (0, 1, 2, 3, 4, 5), 42),
    "two crowns' shores, of 3 ft each": (5.0, [range(3)] * 2 + [range(3, 6)] * 4, (2, 3, 4, 5), 36),
    "just too little": (5.9, [range(6)] * 5 + [()], (5,), 12),
}


@pytest.mark.parametrize("case", COVERS)
def test_the_shore_crowns_stand_along_is_held_to_the_allowance(case, monkeypatch):
    """In one search: the program itself holds it, no plan has to be cut off afterwards."""
    asked = []
    monkeypatch.setattr(window_solve, "run", lambda *given: asked.append(1) or run(*given))
    most, crowns, cut, view = COVERS[case]
    found = solve(row_of_trees(6, length_max_ft=most, **cover(*crowns)))
    assert np.flatnonzero(found.plan.option_of >= 0).tolist() == list(cut)
    assert found.view_frac == pytest.approx(view / 100)
    assert found.is_optimal and len(asked) == 1


def test_crowns_of_trees_that_do_not_count_are_along_no_shore():
    is_counted = np.arange(6) < 3
    rules = {"length_max_ft": 1.0, "is_counted": is_counted}
    found = solve(row_of_trees(6, **rules, **cover(*[range(6)] * 2, (2,), *[range(6)] * 3)))
    assert np.flatnonzero(found.plan.option_of >= 0).tolist() == [2, 3, 4, 5]


def test_any_option_of_a_tree_brings_its_shore(monkeypatch):
    """The second option of each tree opens more; the shore holds one tree. One search finds it."""
    asked = []
    monkeypatch.setattr(window_solve, "run", lambda *given: asked.append(1) or run(*given))
    trees = [(s, [(1.0, 0.3, -1), (2.0, 0.5, -1)]) for s in range(4)]
    elements = [(0.02, [[(s, 0)]]) for s in range(4)] + [(0.1, [[(s, 1)]]) for s in range(4)]
    problem = problem_of([1.0] * 4, trees, elements, length_max_ft=1.0, **cover(*zip(range(4))))
    assert solve(problem).view_frac == pytest.approx(0.1)
    assert len(asked) == 1


def test_presolve_leaves_out_elements_whose_crowns_stand_along_too_much():
    """Two crowns of 2 ft apart want 4 ft, one upon the other 2 ft."""
    trees = [(s, [(4.0, 0.4, -1)]) for s in range(2)]
    elements = [(0.3, [[(0, 0)], [(1, 0)]])]
    for crowns, n in (((0, 1), (2, 3)), 0), (((0, 1), (0, 1)), 1):
        problem = problem_of([1.0] * 4, trees, elements, length_max_ft=2.0, **cover(*crowns))
        assert len(presolve(problem).weights) == n


def test_the_bound_is_of_the_view_alone():
    """A part too small to be worth its foliage is left, and still counts for the bound."""
    trees = [(0, [(1.0, 0.3, -1)]), (1, [(99.0, 0.3, -1)])]
    problem = problem_of([1.0] * 2, trees, [(0.5, [[(0, 0)]]), (2e-7, [[(1, 0)]])])
    found = solve(problem)
    assert found.plan.option_of.tolist() == [0, -1]
    assert 0.5 + 2e-7 <= found.bound_frac <= 0.5 + 1e-6


@pytest.mark.parametrize("seconds", [0.0, -1.0, float("nan")])
def test_no_time_is_refused(seconds):
    with pytest.raises(GeotrimError, match="seconds: found"):
        solve(row_of_trees(2), seconds=seconds)


def test_stations_of_no_length_do_no_harm():
    shore = row_of_trees(3)
    flat = replace(shore, station_length_ft=np.zeros(3))
    assert shortest_spans(flat, np.array([0, 2])).tolist()[::2] == [True, True]
