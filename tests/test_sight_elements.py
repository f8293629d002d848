"""Elements of a view: what opens together equals what is open once the cuts are made."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sight_oracle import east, forest, rays_through, shared, slope, strip

from geotrim.core import _sight_kernels
from geotrim.core.sight import elements, open_share
from geotrim.core.sight_rays import shore_rays
from geotrim.core.sight_scene import Rays, Shared
from geotrim.core.window_problem import Options, opened_frac
from geotrim.errors import RangeError


def options_of(rows):
    """Options from (tree, low, high), sorted by tree; what they cost does not matter here."""
    rows = sorted(rows)
    tree, low, high = (np.array(part) for part in zip(*rows, strict=True)) if rows else (
        np.zeros(0, int), np.zeros(0), np.zeros(0)
    )  # fmt: skip
    one = np.ones(len(rows))
    barred = np.arange(len(rows)) % 2 - 1  # every second one is barred by limit 0
    return Options(tree, low.astype(float), high.astype(float), one, one, barred)


def groups(found, j):
    """Options of each group of element j."""
    first, last = found.group_start[j], found.group_start[j + 1]
    return [
        found.option[found.option_start[g] : found.option_start[g + 1]].tolist()
        for g in range(first, last)
    ]


def taken(options, numbers):
    out = np.zeros(len(options), dtype=bool)
    out[list(numbers)] = True
    return out


def cuts_of(options, numbers):
    at = list(numbers)
    return options.tree[at], options.low_ft[at], options.high_ft[at]


# ---- by hand ------------------------------------------------------------------------------------


@pytest.mark.jit
def test_a_wall_has_three_elements():
    """Eye at 12 ft, wall to 14 ft at 50 to 51 ft, edge at 80 ft: under 6 ft nothing opens.

    From the far edge of 6 ft to the near edge of 10 ft either option opens; from the far edge of
    10 ft on only the lowered top. Between the near edge of 10 ft and the far edge both layers are
    in the way, so again only the lowered top.
    """
    low = slope(-12.0 / 80.0)
    options = options_of([(0, 6.0, 10.0), (0, 6.0, math.inf)])
    found = elements(strip([(50, 51, 0.0, 14.0, 0)]), [east(12.0, low, 0.0)], options)
    assert found.open_frac == 0.0 and len(found) == 2
    by_groups = {str(groups(found, j)): found.weight_frac[j] for j in range(2)}
    either = slope(-2.0 / 50.0) - slope(-6.0 / 51.0)
    assert by_groups["[[0, 1]]"] * -low == pytest.approx(either, abs=1e-12)
    assert by_groups["[[1]]"] * -low == pytest.approx(-slope(-2.0 / 50.0), abs=1e-12)
    assert opened_frac(found, taken(options, [0])) == pytest.approx(either / -low)


def test_a_shared_cell_opens_only_when_both_trees_are_cut():
    """A wall of 14 ft that is two trees' at once, seen level through 6 to 10 ft."""
    wall = strip([(50, 51, 0.0, 14.0, 0)])
    row = np.arange(5) * 200 + 50
    more = Shared(row, np.ones(5, int), np.full(5, 12.0), np.ones(5, bool))
    wall = replace(wall, base_ft=np.zeros(2), shared=more)
    level = shore_rays([0.0], [2.5], [1.0], [0.0], 200.0, 1.0, (6.0, 10.0))
    options = options_of([(0, 6.0, 10.0), (1, 6.0, 10.0)])
    found = elements(wall, [level], options)
    assert [groups(found, j) for j in range(len(found))] == [[[0], [1]]]
    for chosen, seen in (([0], 0.0), ([1], 0.0), ([0, 1], 1.0)):
        assert opened_frac(found, taken(options, chosen)) == pytest.approx(seen)
        assert open_share(wall, level, cuts_of(options, chosen))[0] == pytest.approx(seen)


def test_an_option_must_clear_all_of_a_trees_layers_there():
    """Two cells of one tree, one behind the other: 4 to 8 ft clears neither all of 5 to 9 ft."""
    wall = strip([(50, 51, 5.0, 9.0, 0)])
    ray = east(7.0, -1.0, 1.0)  # within 5.9 to 8.1 ft at 50 ft
    options = options_of([(0, 4.0, 7.0), (0, 7.0, 10.0), (0, 4.0, 10.0)])
    found = elements(wall, [ray], options)
    # level lines through 7 ft: below it the first alone, above it the last, none needs two
    by_groups = {str(groups(found, j)): found.weight_frac[j] for j in range(len(found))}
    assert by_groups == {
        "[[0, 1]]": pytest.approx(0.5, abs=1e-12), "[[1, 2]]": pytest.approx(0.5, abs=1e-12)
    }  # fmt: skip


def test_two_trees_one_behind_the_other_make_two_groups():
    walls = strip([(20, 21, 0.0, 30.0, 0), (60, 61, 0.0, 30.0, 1)])
    options = options_of([(0, 0.0, math.inf), (1, 0.0, math.inf), (1, 1.0, math.inf)])
    found = elements(walls, [east(15.0, -5.0, 5.0)], options)
    assert len(found) == 1 and found.weight_frac[0] == pytest.approx(1.0)
    assert sorted(map(tuple, groups(found, 0))) == [(0,), (1, 2)]
    assert opened_frac(found, taken(options, [0])) == 0.0
    assert opened_frac(found, taken(options, [0, 2])) == pytest.approx(1.0)


@pytest.mark.jit
def test_a_stair_of_seventy_walls():
    """Walls of 1, 2 ... 70 ft: between i and i + 1 ft the walls from number i on are in the way."""
    walls = strip([(20 + i, 21 + i, 0.0, i + 1.0, i) for i in range(70)])
    options = options_of([(i, 0.0, math.inf) for i in range(70)])
    rays = shore_rays([0.0], [2.5], [1.0], [0.0], 200.0, 1.0, (0.0, 70.0))
    found = elements(walls, [rays], options)
    assert found.open_frac == 0.0
    assert found.weight_frac == pytest.approx(np.full(70, 1.0 / 70.0))
    assert [groups(found, i) for i in range(70)] == [
        [[number] for number in range(i, 70)] for i in range(70)
    ]
    assert opened_frac(found, taken(options, range(35, 70))) == pytest.approx(0.5)


def test_the_same_trees_in_another_order_are_the_same_element():
    """Undersides at 4 ft, 20 and 60 ft off, seen from 8 ft; on one ray the trees change places.

    Going up, the near one comes in at -4 in 20 and the far one at -4 in 60, and both stay.
    """
    walls = strip([(20, 21, 4.0, 30.0, 0), (60, 61, 4.0, 30.0, 1)])
    walls.tree[0, 20], walls.tree[0, 60] = 1, 0  # change places in the first row
    full = np.ones(2)
    rays = Rays(
        0 * full, np.array([2.5, 4.5]), full, 0 * full, 99 * full, 8.0, -20 * full, 0 * full,
        full / 40.0,
    )  # fmt: skip
    options = options_of([(0, 0.0, math.inf), (1, 0.0, math.inf)])
    found = elements(walls, [rays], options)
    sets = {str(groups(found, j)): found.weight_frac[j] for j in range(len(found))}
    near, far = slope(-4.0 / 20.0), slope(-4.0 / 60.0)
    one = pytest.approx((far - near) / 40.0)
    assert sets == {"[[0]]": one, "[[1]]": one, "[[0], [1]]": pytest.approx(-far / 20.0)}
    assert found.open_frac == pytest.approx((near + 20.0) / 20.0)


def test_sets_of_one_hash_are_told_apart():
    """Two sets whose hashes are equal by the modulus, 2**31 - 1, and by its factor, 1,000,003."""
    place, hashed = np.full(8, -1), np.empty(4, np.int64)
    start, item = np.zeros(5, np.int64), np.empty((8, 2), np.int64)
    sets = [(0, 0), (0, 2**31 - 1), (1, 0), (0, 1_000_003)]
    numbers = []
    for tree, name in sets * 2:
        names = np.full(2, name)
        numbers.append(
            _sight_kernels._look_up(
                np.array([tree]), 1, names, max(numbers, default=-1) + 1, place, hashed, start, item
            )
        )
    assert numbers == [0, 1, 2, 3, 0, 1, 2, 3]
    assert len(set(hashed.tolist())) == 2 and item[:4].tolist() == [list(one) for one in sets]


def test_what_nothing_can_open_is_in_no_element():
    """A tree without options, and cells outside the zone, hide for good."""
    options = options_of([(0, 6.0, math.inf)])
    alone = elements(strip([(20, 21, 0.0, 30.0, 1)]), [east(15.0, -5.0, 5.0)], options)
    kept = strip([(20, 21, 0.0, 30.0, 0)], clearable=False)
    fixed = elements(kept, [east(15.0, -5.0, 5.0)], options)
    for found in (alone, fixed):
        assert len(found) == 0 and found.open_frac == 0.0
        assert opened_frac(found, np.ones(1, bool)) == 0.0


def test_without_options_or_canopy():
    found = elements(strip([]), [east(15.0, -5.0, 5.0)], options_of([]))
    assert found.open_frac == pytest.approx(1.0) and len(found) == 0
    found = elements(strip([(20, 21, 0.0, 30.0, 0)]), [east(15.0, -5.0, 5.0)], options_of([]))
    assert found.open_frac == 0.0 and len(found) == 0


def test_several_eyes_are_the_mean_of_their_views():
    """One eye behind the wall, one beside it, one that has no view and does not count."""
    wall = strip([(20, 21, 0.0, 30.0, 0)])
    beside = Rays(
        np.zeros(1), np.full(1, 9.0), np.ones(1), np.zeros(1), np.full(1, 200.0), 15.0,
        np.full(1, -5.0), np.full(1, 5.0), np.full(1, 0.1),
    )  # fmt: skip
    none = np.zeros(0)
    blind = Rays(none, none, none, none, none, 15.0, none, none, none)
    options = options_of([(0, 0.0, math.inf)])
    found = elements(wall, [east(15.0, -5.0, 5.0), beside, blind], options)
    assert found.open_frac == pytest.approx(0.5) and found.weight_frac.tolist() == [0.5]
    assert math.isnan(elements(wall, [blind], options).open_frac)
    assert math.isnan(elements(wall, [], options).open_frac)


def test_options_out_of_order_are_told():
    options = options_of([(0, 6.0, 10.0), (1, 6.0, 10.0)])
    turned = Options(
        options.tree[::-1], options.low_ft, options.high_ft, options.volume_ft3,
        options.share_frac, options.barred_by,
    )  # fmt: skip
    with pytest.raises(RangeError, match="options: found trees out of order"):
        elements(strip([(20, 21, 0.0, 30.0, 1)]), [east(15.0, -5.0, 5.0)], turned)


# ---- equal to cutting ---------------------------------------------------------------------------

SPAN = st.tuples(
    st.sampled_from([0.0, 3.0, 5.0, 6.0, 7.5]), st.sampled_from([8.0, 9.0, 10.0, math.inf])
)
MENUS = st.lists(st.tuples(st.integers(0, 6), SPAN), max_size=14, unique=True)


def view_of(seed, kind):
    """A random scene with rays from two eyes, or level ones."""
    scene = forest(seed, n=9, cell_ft=3.0, hills=seed % 2 == 0, turn_deg=seed * 7.0)
    scene = shared(scene, seed) if seed % 3 == 0 else scene
    if kind == "level":
        x = np.linspace(-12.0, 12.0, 5)
        rays = shore_rays(x, np.full(5, -20.0), 0.1 * x, np.ones(5), 40.0, 1 + x**2, (4.0, 11.0))
        return scene, [rays]
    eyes = [
        rays_through(seed + i, 3 + i, eye_ft=10.0 + 2 * i, length_ft=45.0, curvature=2e-4 * i)
        for i in range(2)
    ]
    return scene, eyes


@pytest.mark.jit
@given(st.integers(0, 100), st.sampled_from(["eyes", "level"]), MENUS, st.integers(0, 2**14 - 1))
def test_elements_equal_the_view_with_the_cuts_made(seed, kind, menu, draw):
    """For random sets of options, at most one of a tree, to 1e-12."""
    scene, views = view_of(seed, kind)
    options = options_of([(tree, low, high) for tree, (low, high) in menu])
    chosen = {}
    for number in range(len(options)):
        if draw >> number & 1:
            chosen[int(options.tree[number])] = number
    found = elements(scene, views, options)
    cut = [open_share(scene, rays, cuts_of(options, chosen.values()))[0] for rays in views]
    assert opened_frac(found, taken(options, chosen.values())) == pytest.approx(
        float(np.mean(cut)), abs=1e-12
    )
    uncut = [open_share(scene, rays)[0] for rays in views]
    assert found.open_frac == pytest.approx(float(np.mean(uncut)), abs=1e-12)


@given(st.integers(0, 100), MENUS, st.data())
def test_more_options_taken_never_lower_the_view(seed, menu, data):
    scene, views = view_of(seed, "eyes")
    options = options_of([(tree, low, high) for tree, (low, high) in menu])
    found = elements(scene, views, options)
    flags = st.lists(st.booleans(), min_size=len(options), max_size=len(options))
    some, more = (np.array(data.draw(flags), dtype=bool) for _ in range(2))
    assert opened_frac(found, some | more) >= opened_frac(found, some)
    assert opened_frac(found, np.ones(len(options), bool)) <= 1.0 + 1e-12


@given(st.integers(0, 100), MENUS)
def test_elements_are_well_formed(seed, menu):
    """A group's options are of one tree, an element's groups of different trees; none is twice."""
    scene, views = view_of(seed, "eyes")
    options = options_of([(tree, low, high) for tree, (low, high) in menu])
    found = elements(scene, views, options)
    names = set()
    for j in range(len(found)):
        parts = groups(found, j)
        assert parts and all(parts)
        trees = [{int(options.tree[o]) for o in part} for part in parts]
        assert all(len(one) == 1 for one in trees)
        assert len(set().union(*trees)) == len(parts)
        names.add(tuple(sorted(map(tuple, parts))))
    assert len(names) == len(found) and (found.weight_frac > 0.0).all()
    assert found.option_start[-1] == found.option.size
    assert found.group_start[-1] == found.option_start.size - 1


def test_barred_options_are_options_here():
    """Whatever bars them, the view they would open is known."""
    wall, ray = strip([(50, 51, 0.0, 14.0, 0)]), east(12.0, -8.0, 0.0)
    options = options_of([(0, 6.0, 10.0), (0, 6.0, math.inf)])
    barred = Options(
        options.tree, options.low_ft, options.high_ft, options.volume_ft3, options.share_frac,
        np.array([0, 3]),
    )  # fmt: skip
    assert (
        elements(wall, [ray], barred).option.tolist()
        == elements(wall, [ray], options).option.tolist()
    )


def test_every_choice_on_a_small_canopy():
    """All 4**4 choices of four trees, three options each."""
    scene, views = view_of(14, "eyes")
    spans = [(6.0, 10.0), (6.0, math.inf), (9.0, math.inf)]
    options = options_of([(tree, *span) for tree in range(4) for span in spans])
    found = elements(scene, views, options)
    opened = set()
    for choice in product(range(-1, 3), repeat=4):
        numbers = [3 * tree + one for tree, one in enumerate(choice) if one >= 0]
        cut = np.mean([open_share(scene, rays, cuts_of(options, numbers))[0] for rays in views])
        assert opened_frac(found, taken(options, numbers)) == pytest.approx(cut, abs=1e-12)
        opened.add(round(float(cut), 9))
    assert len(opened) > 40
