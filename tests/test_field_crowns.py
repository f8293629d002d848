"""Crowns from spreads, the join by trunk position, and every conflict on both sides of its edge."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geotrim.core.field_conflicts import (
    KINDS,
    Conflict,
    FieldTrees,
    GivenCrowns,
    join_conflicts,
    joined_crowns,
    numbered,
    told_once,
)
from geotrim.core.field_crowns import (
    NONE,
    SEVERAL,
    covered_frac,
    crown_area_ft2,
    ellipse_crowns,
    join_trunks,
    overlap_frac,
    radii_of_spreads,
)
from geotrim.core.field_far import far_trees, without_crowns
from geotrim.core.field_trees import first_known, group_rows, over_stems
from geotrim.errors import RangeError, ShapeError

US_FOOT_IN_FEET = 1.000002  # 1200/3937 m over 0.3048 m, EPSG unit 9003: 1.0000020000040...
spread = st.floats(0.5, 60.0)
turn = st.floats(0.0, 360.0)


def one(radii, bearing=0.0, **how):
    return ellipse_crowns([100.0], [200.0], [radii], bearing, **how)[0]


def reach(shape, bearing_deg):
    """How far a crown reaches from its trunk in a direction, by a ray."""
    to = np.radians(bearing_deg)
    ray = shapely.LineString([(100, 200), (100 + 500 * np.sin(to), 200 + 500 * np.cos(to))])
    return shapely.length(shapely.intersection(ray, shape))


# --- areas and shapes ------------------------------------------------------------------------


def test_spreads_of_10_and_6_ft_make_15_pi():
    """An ellipse, handbook formula: pi a b / 4 = pi 10 6 / 4 = 15 pi = 47.1239 ft2."""
    radii = radii_of_spreads([10.0], [6.0])
    assert crown_area_ft2(radii)[0] == pytest.approx(15 * np.pi, rel=1e-15)
    assert crown_area_ft2(radii)[0] == pytest.approx(47.1239, abs=5e-5)
    assert ellipse_crowns([0.0], [0.0], radii)[0].area == pytest.approx(15 * np.pi, rel=1e-12)


@pytest.mark.parametrize("n_vertices", [8, 16, 64, 360])
def test_the_area_is_that_of_the_ellipse_whatever_the_vertices(n_vertices):
    shape = one([5.0, 3.0, 5.0, 3.0], 25.0, n_vertices=n_vertices)
    assert shape.area == pytest.approx(15 * np.pi, rel=1e-12)
    assert len(shape.exterior.coords) == n_vertices + 1


def test_the_shape_is_the_ellipse_itself():
    """Vertices lie on (x/3)2 + (y/5)2 = s2, s the equal-area scale, 1.0008 for 64 vertices.

    An inscribed polygon of n vertices has sin(t)/t of the area, t = 2 pi / n (textbook).
    """
    shape = one([5.0, 3.0, 5.0, 3.0])
    x, y = shapely.get_coordinates(shape).T
    level = ((x - 100) / 3) ** 2 + ((y - 200) / 5) ** 2
    t = 2 * np.pi / 64
    np.testing.assert_allclose(level, t / np.sin(t), rtol=1e-12)
    assert np.sqrt(t / np.sin(t)) == pytest.approx(1.0008, abs=5e-5)


@pytest.mark.parametrize(
    ("bearing", "north", "east"),
    [(0.0, 5.0, 3.0), (90.0, 3.0, 5.0), (180.0, 5.0, 3.0), (360.0, 5.0, 3.0)],
)
def test_a_bearing_turns_clockwise_from_north(bearing, north, east):
    shape = one([5.0, 3.0, 5.0, 3.0], bearing)
    west, south, right, top = shape.bounds
    assert (top - south) / 2 == pytest.approx(north, rel=1e-3)
    assert (right - west) / 2 == pytest.approx(east, rel=1e-3)


def test_a_bearing_of_30_points_north_by_east():
    """The long axis lies along 30 deg: 5 ft that way and back, 3 ft square to it."""
    shape = one([5.0, 3.0, 5.0, 3.0], 30.0)
    assert reach(shape, 30.0) == pytest.approx(5.0, rel=1e-3)
    assert reach(shape, 210.0) == pytest.approx(5.0, rel=1e-3)
    assert reach(shape, 120.0) == pytest.approx(3.0, rel=1e-3)
    assert reach(shape, 330.0) < 4.0  # not mirrored


def test_four_radii_are_reached_and_their_area_is_by_hand():
    """N 6, E 4, S 2, W 3: pi (6 + 2)(4 + 3) / 4 = 14 pi; the quarters pi/4 of 24, 8, 6, 18."""
    shape = one([6.0, 4.0, 2.0, 3.0])
    assert shape.area == pytest.approx(14 * np.pi, rel=1e-12)
    assert crown_area_ft2([[6.0, 4.0, 2.0, 3.0]])[0] == pytest.approx(14 * np.pi, rel=1e-15)
    for bearing, radius in ((0, 6.0), (90, 4.0), (180, 2.0), (270, 3.0)):
        assert reach(shape, bearing) == pytest.approx(radius, rel=1e-3)
    for box, product in (
        (shapely.box(100, 200, 110, 210), 24),
        (shapely.box(100, 190, 110, 200), 8),
        (shapely.box(90, 190, 100, 200), 6),
        (shapely.box(90, 200, 100, 210), 18),
    ):
        assert shape.intersection(box).area == pytest.approx(np.pi / 4 * product, rel=1e-12)


@pytest.mark.parametrize(
    "radii", [[5.0, 3.0, 4.0, 0.0], [5.0, 0.0, 0.0, 3.0], [0.0, 2.0, 3.0, 2.0]]
)
def test_a_crown_that_does_not_reach_to_a_side_is_whole(radii):
    shape = one(radii, 40.0)
    assert shape.geom_type == "Polygon" and shape.is_valid
    expected = np.pi / 4 * (radii[0] + radii[2]) * (radii[1] + radii[3])
    assert shape.area == pytest.approx(expected, rel=1e-9)


def test_feet_become_map_units_and_the_trunk_stays():
    metres = one([5.0, 3.0, 5.0, 3.0], feet_per_unit=1 / 0.3048)
    assert metres.area == pytest.approx(15 * np.pi * 0.3048**2, rel=1e-12)
    assert metres.centroid.distance(shapely.Point(100, 200)) < 1e-9
    survey_feet = one([5.0, 3.0, 5.0, 3.0], feet_per_unit=US_FOOT_IN_FEET)
    assert survey_feet.area * US_FOOT_IN_FEET**2 == pytest.approx(15 * np.pi, rel=1e-12)


@given(a=spread, b=spread, bearing=turn)
def test_turning_a_crown_changes_neither_area_nor_girth(a, b, bearing):
    radii = radii_of_spreads([a], [b])[0]
    straight, turned = one(radii), one(radii, bearing)
    assert turned.area == pytest.approx(straight.area, rel=1e-9)
    assert turned.length == pytest.approx(straight.length, rel=1e-9)
    assert turned.area == pytest.approx(np.pi * a * b / 4, rel=1e-9)


@given(a=spread, b=spread, bearing=turn)
def test_swapped_spreads_are_a_quarter_turn(a, b, bearing):
    one_way = one(radii_of_spreads([a], [b])[0], bearing)
    other = one(radii_of_spreads([b], [a])[0], bearing + 90.0)
    assert overlap_frac([one_way], [other])[0] == pytest.approx(1.0, abs=1e-6)


def test_a_missing_number_makes_no_crown():
    nan = np.nan
    radii = [[5, 3, 5, 3], [5, nan, 5, nan], [nan] * 4]
    made = ellipse_crowns([0, 1, 2], [0, 0, 0], radii)
    assert [shape is None for shape in made] == [False, True, True]
    assert ellipse_crowns([nan], [0.0], [[5, 3, 5, 3]])[0] is None
    assert len(ellipse_crowns([], [], np.empty((0, 4)))) == 0


@pytest.mark.parametrize(
    ("radii", "how", "error", "words"),
    [
        ([[5.0, -3.0, 5.0, 3.0]], {}, RangeError, "0 ft or more"),
        ([[0.0, 3.0, 0.0, 3.0]], {}, RangeError, "no width for tree 1"),
        ([[5.0, 0.0, 5.0, 0.0]], {}, RangeError, "no width for tree 1"),
        ([[5.0, 3.0]], {}, ShapeError, "(n, 4)"),
        ([[5.0, 3.0, 5.0, 3.0]], {"n_vertices": 30}, RangeError, "multiple of four"),
        ([[5.0, 3.0, 5.0, 3.0]], {"n_vertices": 4}, RangeError, "multiple of four"),
    ],
)
def test_bad_radii_are_refused(radii, how, error, words):
    with pytest.raises(error, match=r"To mend: ") as caught:
        ellipse_crowns([0.0], [0.0], radii, **how)
    assert words in str(caught.value)


def test_overlap_by_hand():
    """2 x 1 boxes shifted by 1: shared 1, joint 3. Twice the size: shared 1 of 4."""
    box = shapely.box(0, 0, 2, 1)
    others = [shapely.box(1, 0, 3, 1), shapely.box(0, 0, 4, 1), box, shapely.box(5, 5, 6, 6)]
    np.testing.assert_allclose(overlap_frac([box] * 4, others), [1 / 3, 1 / 2, 1.0, 0.0])
    covers = [shapely.box(0, 0, 1, 1), shapely.box(0.5, 0, 1.5, 1)]  # together 1.5 of 2
    np.testing.assert_allclose(covered_frac([box, None], covers), [0.75, 0.0])


# --- rows to trees ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tags", "stems", "tree", "ids", "twice"),
    [
        (["T1", "T2"], [None, None], [0, 1], ["T1", "T2"], [False, False]),
        (["T1", "T2", "t1"], ["a", None, "B"], [0, 1, 0], ["T1", "T2"], [False, False]),
        (["T1", "T1"], [None, None], [0, 1], ["T1", "T1 (2)"], [True, True]),
        (["T1", "T1"], ["a", None], [0, 1], ["T1", "T1 (2)"], [True, True]),
        (["T1", "T1"], ["a", "A"], [0, 1], ["T1", "T1 (2)"], [True, True]),
        (["T1", "T1 (2)", "T1"], [None] * 3, [0, 1, 2], ["T1", "T1 (2)", "T1 (3)"],
         [True, False, True]),
        (["T1"], ["a"], [0], ["T1"], [False]),
    ],
)  # fmt: skip
def test_rows_are_gathered_by_tag_and_stem(tags, stems, tree, ids, twice):
    group = group_rows(tags, stems)
    assert group.tree_of_row.tolist() == tree
    assert group.ids == ids
    assert group.is_twice.tolist() == twice


def test_values_over_stems():
    nan = np.nan
    values, tree = np.array([9.0, 12.0, nan, nan, 5.0]), [0, 0, 1, 2, 2]
    np.testing.assert_array_equal(over_stems(values, tree, 3, highest=True), [12, nan, 5])
    np.testing.assert_array_equal(over_stems(values, tree, 3, highest=False), [9, nan, 5])
    pairs = np.array([[1, nan], [1, 2], [3, 4], [nan, nan]])
    assert first_known(pairs, [0, 0, 0, 1], 2).tolist() == [1, -1]


# --- the join --------------------------------------------------------------------------------

A, B, C = shapely.box(0, 0, 10, 10), shapely.box(8, 0, 20, 10), shapely.box(40, 0, 50, 10)


def joined(*places, tree=None, crowns=(A, B, C)):
    points = [None if place is None else shapely.Point(place) for place in places]
    owner = list(range(len(points))) if tree is None else tree
    return join_trunks(points, owner, crowns, max(owner) + 1)


@pytest.mark.parametrize(
    ("places", "tree", "expected"),
    [
        ([(2, 2)], None, [0]),  # in A alone
        ([(9, 2)], None, [SEVERAL]),  # where A and B overlap
        ([(30, 2)], None, [NONE]),
        ([None], None, [NONE]),
        ([(50, 5)], None, [2]),  # on the edge counts as in
        ([(50.001, 5)], None, [NONE]),
        ([(8, 5)], None, [SEVERAL]),  # on the edge of B, inside A
        ([(2, 2), (3, 3)], [0, 0], [0]),  # two stems in one crown
        ([(2, 2), (45, 5)], [0, 0], [SEVERAL]),  # two stems in two crowns
        ([(2, 2), (30, 5)], [0, 0], [0]),  # the other stem in none
        ([(2, 2), (3, 3), (45, 5)], None, [0, 0, 2]),
    ],
)
def test_trees_stand_in_one_crown_in_several_or_in_none(places, tree, expected):
    assert joined(*places, tree=tree).crown_of_tree.tolist() == expected


def test_only_a_tree_alone_in_its_crown_is_joined():
    """Two in A are not joined; two stems of one tree in C are."""
    join = joined((2, 2), (3, 3), (45, 5), (46, 5), (30, 0), tree=[0, 1, 2, 2, 3])
    assert join.trees_in_crown.tolist() == [2, 0, 1]
    assert joined_crowns(join).tolist() == [-1, -1, 2, -1]
    assert join.crown_of_trunk.tolist() == [0, 0, 2, 2, NONE]


def test_a_tree_in_two_crowns_keeps_others_from_them():
    """Which of A and B the first stands in is open, so the second is not alone in A for sure."""
    join = joined((9, 2), (2, 2), (45, 5))
    assert join.trees_in_crown.tolist() == [2, 1, 1]
    assert joined_crowns(join).tolist() == [-1, -1, 2]


# --- conflicts -------------------------------------------------------------------------------


def trees_at(*places, tree=None, ellipses=None, heights=None, species=None, plants=None):
    n = (max(tree) if tree else len(places) - 1) + 1
    points = np.array([None if p is None else shapely.Point(p) for p in places], dtype=object)
    return FieldTrees(
        [f"T{k + 1}" for k in range(n)],
        points,
        np.arange(n) if tree is None else np.array(tree),
        np.array(ellipses, dtype=object) if ellipses else np.full(n, None, dtype=object),
        np.full(n, np.nan) if heights is None else np.array(heights),
        species or [None] * n,
        plants or species or [None] * n,
    )


def crowns_of(*shapes, heights=None, species=None, plants=None):
    n = len(shapes)
    return GivenCrowns(
        list("ABCDEF"[:n]),
        np.array(shapes, dtype=object),
        np.full(n, np.nan) if heights is None else np.array(heights),
        species or [None] * n,
        plants or species or [None] * n,
    )


def conflicts(trees, crowns, **how):
    join = join_trunks(trees.trunks, trees.tree_of_trunk, crowns.shapes, len(trees.ids))
    settings = {
        "feet_per_unit": 1.0,
        "position_error_ft": None,
        "height_gap_ft": 5.0,
        "least_overlap_frac": 0.4,
    }
    return numbered(join_conflicts(trees, crowns, join, **{**settings, **how}))


def kinds(*args, **how):
    return [one.kind for one in conflicts(*args, **how)]


def test_no_conflict_where_everything_agrees():
    trees = trees_at((45, 5), ellipses=[C], heights=[12.0], species=["red"])
    assert conflicts(trees, crowns_of(A, B, C, heights=[9.0, 9.0, 12.0]), position_error_ft=2) == []


def test_a_trunk_in_two_crowns():
    (found,) = conflicts(trees_at((9, 2), ellipses=[A]), crowns_of(A, B, C))
    assert (found.kind, found.tag, found.crowns) == ("trunk-in-several-crowns", "T1", ("A", "B"))
    assert (found.x, found.y) == (9.0, 2.0)
    assert "no crown of its own" in found.done
    assert kinds(trees_at((7.99, 2)), crowns_of(A, B, C)) == []


def test_two_trees_in_one_crown_are_one_conflict():
    found = conflicts(trees_at((2, 2), (3, 3), (45, 5)), crowns_of(A, B, C))
    assert [(one.kind, one.tag, one.crowns) for one in found] == [
        ("several-trunks-in-one-crown", "T1, T2", ("A",)),
    ]
    assert found[0].trees == (0, 1) and "2 trees" in found[0].found
    assert kinds(trees_at((2, 2), (3, 3), tree=[0, 0]), crowns_of(A)) == []


@pytest.mark.parametrize(
    ("x", "error", "n"),
    [
        (42.0, 2.0, 1),  # inside by just the error
        (42.0, 1.9999, 0),
        (38.0, 2.0, 1),  # outside by just the error
        (38.0, 1.9999, 0),
        (42.0, None, 0),  # no error stated, nothing to hold it against
        (42.0, 0.0, 0),
    ],
)
def test_a_trunk_near_an_edge(x, error, n):
    found = conflicts(trees_at((x, 5)), crowns_of(A, B, C), position_error_ft=error)
    assert [one.kind for one in found] == ["trunk-near-edge"] * n
    if n:
        assert found[0].crowns == ("C",)
        side = "inside" if x > 40 else "outside"
        assert f"2.0 ft {side} crown C" in found[0].found
        assert side in found[0].done


def test_a_position_error_is_in_feet_whatever_the_map_unit():
    """2 ft inside, on a map in metres: 0.6096 m."""
    trees = trees_at((40 + 0.6096, 5))
    how = {"feet_per_unit": 1 / 0.3048}
    assert kinds(trees, crowns_of(C), position_error_ft=2.001, **how) == ["trunk-near-edge"]
    assert kinds(trees, crowns_of(C), position_error_ft=1.999, **how) == []


def test_a_trunk_between_two_crowns_names_both_the_nearer_first():
    right = shapely.box(51, 0, 60, 10)
    (found,) = conflicts(trees_at((49.5, 5)), crowns_of(C, right), position_error_ft=3)
    assert found.crowns == ("A", "B")
    assert "0.5 ft inside crown A and 1.5 ft outside crown B" in found.found


def test_a_trunk_in_two_crowns_is_not_told_again_as_near_an_edge():
    assert kinds(trees_at((9, 2)), crowns_of(A, B), position_error_ft=5) == [
        "trunk-in-several-crowns"
    ]


@pytest.mark.parametrize(
    ("field", "given_", "n"),
    [
        (("red", "r"), ("red mangrove", "r"), 0),
        (("red", "r"), ("black", "b"), 1),
        (("red", "r"), ("tamarind", None), 1),
        (("tamarind", None), ("Tamarind", None), 0),
        (("tamarind", None), ("date palm", None), 1),
        ((None, None), ("black", "b"), 0),
        (("red", "r"), (None, None), 0),
    ],
)
def test_species_that_contradict(field, given_, n):
    trees = trees_at((45, 5), species=[field[0]], plants=[field[1]])
    crowns = crowns_of(C, species=[given_[0]], plants=[given_[1]])
    found = conflicts(trees, crowns)
    assert [one.kind for one in found] == ["species-contradict"] * n
    if n:
        assert f"{field[0]} in the field, {given_[0]} in the crowns" in found[0].found


@pytest.mark.parametrize(
    ("field_ft", "given_ft", "n"),
    [(15.0, 10.0, 0), (15.001, 10.0, 1), (9.999, 15.0, 1), (10.0, 15.0, 0), (np.nan, 10.0, 0),
     (10.0, np.nan, 0), (15.1, 10.1, 0)],
)  # fmt: skip
def test_heights_far_apart(field_ft, given_ft, n):
    """The gap of 5 ft itself is no conflict; 15.1 - 10.1 is 5 in decimals though not in binary."""
    trees, crowns = trees_at((45, 5), heights=[field_ft]), crowns_of(C, heights=[given_ft])
    assert kinds(trees, crowns) == ["heights-apart"] * n


@pytest.mark.parametrize(("east", "n"), [(44.0, 0), (43.99, 1)])
def test_shapes_that_disagree(east, n):
    """A box of 4 by 10 within C's 10 by 10 shares 0.4 with it: just enough."""
    ellipse = shapely.box(40, 0, east, 10)
    found = conflicts(trees_at((42, 5), ellipses=[ellipse]), crowns_of(C))
    assert [one.kind for one in found] == ["shapes-disagree"] * n


@pytest.mark.parametrize(("west", "n"), [(45.0, 0), (44.99, 1)])
def test_a_crown_from_spreads_over_a_given_one(west, n):
    """10 ft wide, half of it over C and no more is let be; the trunk stands outside C."""
    ellipse = shapely.box(west, 0, west + 10, 10)
    found = conflicts(trees_at((51, 5), ellipses=[ellipse]), crowns_of(A, C))
    assert [one.kind for one in found] == ["own-crown-over-given"] * n
    if n:
        assert found[0].crowns == ("B",)
        assert "counts twice" in found[0].done


def test_trees_that_are_not_joined_are_not_compared():
    """Two in one crown: neither's height nor species is held against it."""
    trees = trees_at((42, 2), (43, 3), heights=[30.0, 30.0], species=["red", "red"])
    crowns = crowns_of(C, heights=[8.0], species=["black"])
    assert set(kinds(trees, crowns)) == {"several-trunks-in-one-crown"}


def test_conflicts_are_numbered_by_tree_then_kind():
    trees = trees_at((45, 5), (9, 2), heights=[30.0, 9.0], species=["red", None])
    crowns = crowns_of(A, B, C, heights=[8.0] * 3, species=[None, None, "black"])
    assert [(one.tree, one.kind) for one in conflicts(trees, crowns)] == [
        (0, "species-contradict"),
        (0, "heights-apart"),
        (1, "trunk-in-several-crowns"),
    ]
    assert all(one.kind in KINDS and one.done for one in conflicts(trees, crowns))


def test_what_rows_of_one_tag_share_is_told_once():
    """T1 and T2 are rows of one tag in crown A; T3 and T4 are not, and share crown C."""
    trees = trees_at((2, 2), (2, 2), (45, 5), (46, 5))
    crowns = crowns_of(A, B, C)
    twice = Conflict("tag-twice", 0, "T1, T2", (), "tag on two lines", "kept", 2.0, 2.0, (1,))
    found = told_once([twice, *conflicts(trees, crowns)], trees)
    assert [(one.kind, one.trees, one.crowns) for one in found] == [
        ("tag-twice", (0, 1), ("A",)),
        ("several-trunks-in-one-crown", (2, 3), ("C",)),
    ]
    assert "tag on two lines; 2 trees stand in crown A" in found[0].found
    edge = Conflict("trunk-near-edge", 0, "T1", ("A",), "1.0 ft inside", "taken", 2.0, 2.0)
    both = told_once([twice, edge, replace(edge, tree=1, tag="T2")], trees)
    assert [(one.kind, one.tag, one.trees) for one in both] == [
        ("tag-twice", "T1, T2", (0, 1)),
        ("trunk-near-edge", "T1, T2", (0, 1)),
    ]
    apart = [edge, replace(edge, tree=2, tag="T3")]
    assert told_once(apart, trees) == apart  # of two tags: two conflicts


# --- far from all others ---------------------------------------------------------------------


def far(places, crowns=None, *, far_ft=500.0, feet=1.0, tree=None):
    found = far_trees(trees_at(*places, tree=tree), crowns, feet_per_unit=feet, far_ft=far_ft)
    return [(one.tree, one.found.split(" ft")[0].split(" ")[-1]) for one in found]


ROW = [(10.0 * k, 0.0) for k in range(6)]


def test_one_latitude_typed_wrong_is_found():
    """0.01 deg of latitude is about 3,640 ft (a mean degree of 111.1 km at 27 deg N)."""
    place = (30.0, 3640.0)
    (found,) = far_trees(trees_at(*ROW, place), feet_per_unit=1.0, far_ft=500.0)
    assert (found.kind, found.tree, found.x, found.y) == ("far-from-all-others", 6, *place)
    assert "3,640 ft from the nearest other tree or crown" in found.found
    assert "over 500 ft" in found.found  # 20 gaps of 10 ft are less
    assert far([*ROW, (30.0, 3640.0), (31.0, 3640.0)]) == [(6, "3,640"), (7, "3,640")]


@pytest.mark.parametrize(
    ("places", "crowns", "expected"),
    [
        # the third nearest of the row is 20 ft aside: hypot(499.6, 20) = 500.0 ft
        ([*ROW, (50.0, 499.5)], None, []),
        ([*ROW, (50.0, 499.7)], None, [(6, "500")]),
        ([*ROW, (50.0, 3640.0)], [shapely.box(40, 3600, 60, 3700)], []),  # it stands in a crown
        ([(0, 0), (9000, 0)], None, []),  # nothing tells which
        ([(5, 5), (9000, 0)], [shapely.box(0, 0, 10, 10)], [(1, "8,990")]),  # the crown does
        ([(400.0 * k, 0.0) for k in range(6)] + [(7000.0, 0.0)], None, []),  # 20 gaps: 8,000 ft
        ([(400.0 * k, 0.0) for k in range(6)] + [(12000.0, 0.0)], None, [(6, "10,000")]),
        ([None, None], None, []),
        ([(0, 0)], None, []),
        ([*ROW, None], None, []),
        ([(0, 0), (9, 0), (8000, 0)], None, [(2, "7,991")]),  # of three trees, one is enough
    ],
)
def test_far_is_500_ft_and_20_usual_gaps(places, crowns, expected):
    assert far(places, crowns) == expected


def test_far_is_in_feet_and_may_be_stated():
    apart = [(3.0 * k, 0.0) for k in range(6)] + [(0.0, 300.0)]  # 984 ft on a map in metres
    assert far(apart, feet=1 / 0.3048) == [(6, "984")]
    assert far(apart, feet=1 / 0.3048, far_ft=1000.0) == []
    assert far(apart) == []
    crown = [shapely.box(0, 0, 1, 1)]  # 199 m, so 653 ft, from the other tree
    assert far([(0.5, 0.5), (200.0, 0.5)], crown, feet=1 / 0.3048) == [(1, "653")]
    stems = [*ROW, (50.0, 200.0)]
    assert far(stems, feet=1 / 0.3048, tree=[0, 1, 2, 3, 4, 5, 5]) == [(5, "656")]


def test_a_tree_far_off_with_a_stem_at_home_is_one_conflict():
    places = [*ROW, (50.0, 3640.0), (50.0, 1.0)]
    assert far(places, tree=[0, 1, 2, 3, 4, 5, 6, 6]) == [(6, "3,640")]


def test_trees_of_two_tags_that_share_a_crown_are_a_conflict_of_their_own():
    trees = trees_at((2, 2), (2, 2), (3, 3), (3, 3))
    twice = [
        Conflict("tag-twice", 0, "T1, T2", (), "tag T", "kept", others=(1,)),
        Conflict("tag-twice", 2, "T3, T4", (), "tag U", "kept", others=(3,)),
    ]
    found = told_once([*twice, *conflicts(trees, crowns_of(A))], trees)
    assert [(one.kind, one.trees) for one in found] == [
        ("tag-twice", (0, 1)),
        ("tag-twice", (2, 3)),
        ("several-trunks-in-one-crown", (0, 1, 2, 3)),
    ]


def test_a_stem_far_from_its_tree_is_found_and_the_tree_loses_its_crown():
    trees = trees_at(*ROW, (50.0, 3640.0), tree=[0, 1, 2, 3, 4, 5, 5], ellipses=[A] * 6)
    found = far_trees(trees, feet_per_unit=1.0, far_ft=500.0)
    assert [(one.tree, "its first stem" in one.found) for one in found] == [(5, True)]
    left = without_crowns(trees, found).ellipses
    assert [shape is None for shape in left] == [False] * 5 + [True]
    assert trees.ellipses[5] is not None


def test_a_tree_without_a_position_has_no_place():
    assert np.isnan(trees_at(None).place(0)).all()
    assert trees_at(None, (3, 4), tree=[0, 0]).place(0) == (3.0, 4.0)
