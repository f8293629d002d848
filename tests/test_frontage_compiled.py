"""The compiled loops that share out a shore, beside the plain code they took the place of.

Whole sites are those of ``test_frontage_oracle``: jagged, overlapping, short and past the line,
with islands, canals, holes and parts. The small questions (left or right, inside or outside, how
far) are held to exact fractions and to geometries.
"""

from fractions import Fraction

import numpy as np
import plain_shore
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapely import affinity
from test_frontage_oracle import KINDS

from geotrim.core import _plane_kernels, _shore_kernels
from geotrim.core.claims import edges_of, share_shore, shares_of
from geotrim.core.coverage import rings_of
from geotrim.core.near_shore import gaps_to, near_segments, shoreline_of
from geotrim.core.shoreline import Shore, build_shore, land_score
from geotrim.core.stretches import Claim, runs_of, stretches_of

FEW = settings(max_examples=max(settings.default.max_examples // 4, 5))


def made(kind, seed, is_far=False):
    """Shore, lots and reach of an invented site."""
    rng = np.random.default_rng(seed)
    lines, lots = KINDS[kind](rng)
    lots = [lot for lot in lots if lot.is_valid and lot.area > 1]
    if is_far:  # turned any way and carried off to the size of state plane coordinates
        turn, (east, north) = rng.uniform(0, 360), rng.uniform(1e5, 1e6, 2)
        lines, lots = (
            [affinity.translate(affinity.rotate(s, turn, origin=(0, 0)), east, north) for s in some]
            for some in (lines, lots)
        )
    return lines, np.array(lots, dtype=object), float(rng.choice([1.0, 2.0, 5.0, 12.0]))


def assert_same(found, plain):
    """The same claims and pairs, positions to a hundred-millionth and rounding far from 0."""
    (claims, shared), (plain_claims, plain_shared) = found, plain
    assert [(c.lot, c.chain) for c in claims] == [(c.lot, c.chain) for c in plain_claims]
    ends = [[(c.low, c.high) for c in some] for some in (claims, plain_claims)]
    np.testing.assert_allclose(*ends, rtol=0, atol=2e-8)
    assert [pair[:2] for pair in shared] == [pair[:2] for pair in plain_shared]
    lengths = [[pair[2] for pair in some] for some in (shared, plain_shared)]
    np.testing.assert_allclose(*lengths, rtol=0, atol=4e-8)


@pytest.mark.jit
@pytest.mark.parametrize("kind", KINDS)
@FEW
@given(seed=st.integers(0, 10**6), is_far=st.booleans())
def test_the_same_as_the_plain_code(kind, seed, is_far):
    lines, lots, reach = made(kind, seed, is_far)
    assume(len(lots))
    shore = build_shore(lines, 50.0)
    assert_same(share_shore(lots, shore, reach), plain_shore.share_shore(lots, shore, reach))


@pytest.mark.jit
@pytest.mark.parametrize(
    ("lines", "lots"),
    [
        # Corners and vertices on the line, all in whole feet: every question is a tie.
        ([[(-50, 0), (0, 0), (50, 0), (90, 0)]], [[(0, 0), (50, 0), (50, -80), (0, -80)]]),
        # A waterfront at exactly 45 degrees to the shore, and a stub of a pier.
        ([[(-50, 0), (90, 0)], [(20, -3), (20, 9)]], [[(0, -4), (8, 4), (40, 0), (40, -80)]]),
        # Points given twice, and a spike out and back along itself.
        ([[(-50, 1), (90, 1)]], [[(0, 0), (0, 0), (40, 0), (40, -80), (40, -80), (0, -80)]]),
        # Both sides of a doubled needle of shore; two lots, one over the other.
        (
            [[(-50, 0), (20, 0), (20.01, 30), (20.02, 0), (90, 0)]],
            [[(0, -2), (40, -2), (40, -80), (0, -80)], [(30, -1), (60, -1), (60, -80), (30, -80)]],
        ),
    ],
)
def test_ties_and_degenerate_shapes(lines, lots):
    shore = build_shore([shapely.LineString(line) for line in lines], 50.0)
    shapes = np.array([shapely.Polygon(lot) for lot in lots], dtype=object)
    found = share_shore(shapes, shore, 5.0)
    assert_same(found, plain_shore.share_shore(shapes, shore, 5.0))
    assert sum(c.high - c.low for c in found[0]) > 30.0


@pytest.mark.jit
@FEW
@given(
    seeds=st.lists(st.integers(0, 10**6), min_size=2, max_size=4, unique=True), order=st.randoms()
)
def test_other_lots_and_shores_far_off_change_nothing(seeds, order):
    """Sites a mile apart in one call: each gets, bit for bit, what it gets alone."""
    sites = [made(list(KINDS)[seed % len(KINDS)], seed, True) for seed in seeds]
    assume(all(len(lots) for _, lots, _ in sites))
    order.shuffle(sites)
    lines = [line for site_lines, _, _ in sites for line in site_lines]
    inland = np.array([shapely.box(0.0, -9e6 - k, 1e6, -9e6) for k in (1, 2)], dtype=object)
    shore = build_shore(lines, 50.0)
    lots = np.concatenate([*(mine for _, mine, _ in sites), inland])
    together = shares_of(lots, shore, 5.0)
    start = 0
    for site_lines, mine, _ in sites:
        alone = shares_of(mine, build_shore(site_lines, 50.0), 5.0)
        is_mine = (together.lot >= start) & (together.lot < start + len(mine))
        lengths = [s.high - s.low for s in (together, alone)]
        ours = np.bincount(together.lot[is_mine] - start, lengths[0][is_mine], len(mine))
        np.testing.assert_array_equal(ours, np.bincount(alone.lot, lengths[1], len(mine)))
        start += len(mine)
    again = shares_of(lots, shore, 5.0)
    assert all((getattr(again, n) == getattr(together, n)).all() for n in ("lot", "low", "high"))


@FEW
@given(
    kind=st.sampled_from(list(KINDS)), seed=st.integers(0, 10**6), corner=st.sampled_from([20, 60])
)
def test_stretches_in_bulk_are_those_of_each_lot(kind, seed, corner):
    lines, lots, reach = made(kind, seed, True)
    assume(len(lots))
    shore = build_shore(lines, 20.0, corner)
    shares = shares_of(lots, shore, reach)
    claimed = (shares.lot, shares.chain, shares.low, shares.high)
    claims = [Claim(*row) for row in zip(*claimed, strict=True)]
    cut = stretches_of(shares, shore, lots, 1.0)
    at = 0
    for number, lot in enumerate(lots):
        mine = [claim for claim in claims if claim.lot == number]
        for k, run in enumerate(runs_of(mine, shore, lot, 1.0)):
            for xy in run.stretches:
                got = shapely.get_coordinates(cut.line[at])
                np.testing.assert_allclose(got, xy, rtol=0, atol=1e-8)
                assert (cut.lot[at], cut.run[at]) == (number, k)
                assert cut.is_side_sure[at] == run.is_side_sure
                line = shapely.LineString(xy)
                assert cut.length[at] == pytest.approx(line.length, abs=1e-8)
                ends = shapely.Point(xy[0]), shapely.Point(xy[-1])
                assert cut.chord[at] == pytest.approx(ends[0].distance(ends[1]), abs=1e-8)
                at += 1
    assert at == len(cut.lot)


# --- the small questions


@pytest.mark.jit
@given(
    ends=st.tuples(*[st.integers(-(10**9), 10**9)] * 4),
    share=st.integers(-(10**6), 10**6),
    steps=st.tuples(st.integers(-2, 2), st.integers(-2, 2)),
)
def test_left_or_right_is_decided_as_with_fractions(ends, share, steps):
    """Points on a line to the last digit or two, against the sign of exact fractions."""
    ax, ay, bx, by = (end / 997.0 for end in ends)
    share = share / 600_011.0
    x, y = ax + share * (bx - ax), ay + share * (by - ay)
    for _ in range(abs(steps[0])):
        x = np.nextafter(x, np.inf * steps[0])
    for _ in range(abs(steps[1])):
        y = np.nextafter(y, np.inf * steps[1])
    one, other = (
        (Fraction(p) - Fraction(q)) * (Fraction(r) - Fraction(s))
        for p, q, r, s in ((bx, ax, float(y), ay), (by, ay, float(x), ax))
    )
    assert _plane_kernels.turn(ax, ay, bx, by, x, y) == (one > other) - (one < other)


LATTICE = shapely.MultiPolygon(
    [
        shapely.Polygon(
            [(0, 0), (6, 0), (6, 3), (4, 6), (0, 6), (2, 3)], [[(3, 1), (5, 1), (5, 2), (3, 3)]]
        ),
        shapely.Polygon([(8, 0), (11, 3), (8, 6), (7, 3)]),
    ]
)


@pytest.mark.jit
@pytest.mark.parametrize("shape", [LATTICE, LATTICE.reverse()])
def test_inside_outside_and_how_far(shape):
    """All half-foot places on and around a polygon with a hole and parts, beside geometries."""
    edges, _ = edges_of(rings_of([shape]))
    where = [(x / 2, y / 2) for x in range(-2, 25) for y in range(-2, 15)]
    points = shapely.points(where)
    is_in = shapely.contains(shape, points).astype(int)
    is_out = (~shapely.intersects(shape, points)).astype(int)
    assert [_plane_kernels.place(edges, *p) for p in where] == (is_in - is_out).tolist()
    gaps = shapely.distance(points, shapely.boundary(shape)) * np.where(is_in == 1, -1, 1)
    np.testing.assert_allclose([_plane_kernels.depth(edges, *p) for p in where], gaps, atol=1e-12)
    for ax, ay, bx, by, left in edges:  # a little to the left of every edge
        off = 1e-3 * left
        x, y = (ax + bx) / 2 - off * (by - ay), (ay + by) / 2 + off * (bx - ax)
        assert _plane_kernels.place(edges, x, y) == 1


@pytest.mark.jit
@given(st.lists(st.tuples(*[st.integers(0, 4)] * 4), min_size=2, max_size=2))
def test_whether_segments_meet(ends):
    """On a small lattice, where most meetings are touches."""
    one, other = (shapely.LineString([e[:2], e[2:]]) for e in ends)
    assume(one.length > 0 and other.length > 0)
    assert _plane_kernels.do_meet(*map(float, ends[0] + ends[1])) == one.intersects(other)


@pytest.mark.jit
@given(seed=st.integers(0, 10**6), n=st.integers(1, 200), reach=st.floats(0, 30))
def test_near_segments_are_those_whose_boxes_meet(seed, n, reach):
    rng = np.random.default_rng(seed)
    ends = np.cumsum(rng.normal(0, 20, (n, 4)), axis=0)
    asked = rng.uniform(-200, 200, (20, 2))
    asked = np.concatenate([asked, asked + rng.exponential(20, (20, 2))], axis=1)
    asked[3] = np.nan
    near, offsets = near_segments(ends, asked, reach)
    low, high = np.minimum(ends[:, :2], ends[:, 2:]), np.maximum(ends[:, :2], ends[:, 2:])
    for i, box in enumerate(asked):
        meets = ((low <= box[2:] + reach) & (high >= box[:2] - reach)).all(axis=1)
        assert near[offsets[i] : offsets[i + 1]].tolist() == np.flatnonzero(meets).tolist()


@pytest.mark.jit
@FEW
@given(
    kind=st.sampled_from(list(KINDS)),
    seed=st.integers(0, 10**6),
    margin=st.sampled_from([0.0, 4.8]),
)
def test_the_side_of_the_land_is_known_without_asking_everywhere(kind, seed, margin):
    """The side of a lot, and whether it is sure, are those of all 480 places."""
    lines, lots, _ = made(kind, seed, True)
    xy = shapely.get_coordinates(lines[0])
    pieces = np.concatenate([xy[:-1], xy[1:]], axis=1)[:: 1 + seed % 3]
    for lot in lots:
        edges, _ = edges_of(rings_of([lot]))
        found = _shore_kernels.lean(pieces, len(pieces), edges, 1.0, margin)
        whole = round(land_score(pieces[:, :2], pieces[:, 2:], lot, 1.0) * 240)
        assert np.sign(found) == np.sign(whole)
        assert (abs(found) > margin) == (abs(whole) > margin)


def test_nothing_near_and_no_shore():
    lots = np.array([shapely.box(0, 900, 1, 901), shapely.Polygon()], dtype=object)
    shore = build_shore([shapely.LineString([(0, 0), (9, 0)])], 50.0)
    assert share_shore(lots, shore, 5.0) == ([], [])
    none = Shore((), shapely.STRtree([]))
    assert share_shore(lots[:1], none, 5.0) == ([], [])
    assert gaps_to(lots[:1], none).tolist() == [np.inf]
    assert gaps_to(lots[:1], shore).tolist() == [900.0]


def test_chains_end_in_one_node_where_they_meet():
    """Three arms from one point: six ends, four nodes."""
    arms = [shapely.LineString([(0, 0), tip]) for tip in [(9, 0), (0, 9), (-9, 0)]]
    nodes = shoreline_of(build_shore(arms, 50.0)).nodes
    assert len(np.unique(nodes)) == 4 and np.bincount(nodes.ravel()).max() == 3


@pytest.mark.jit
def test_a_short_stretch_where_no_third_one_branches_off_is_kept():
    """By hand: 2 ft and 40 ft on either side of where a pier stands that the lot does not claim."""
    arms = [shapely.LineString([(0, 0), tip]) for tip in [(-90, 0), (90, 0), (0, 60)]]
    claims, _ = share_shore([shapely.box(-2, -80, 40, 0)], build_shore(arms, 50.0), 5.0)
    assert sorted(c.high - c.low for c in claims) == pytest.approx([2.0, 40.0], abs=1e-6)


@pytest.mark.jit
def test_a_lot_that_hooks_round_over_the_water():
    """By hand: met 0.5 ft off on the right, 5 and 15 ft off on the left: 1 and 2 of 40 each."""
    boxes = [(0, -1, 100, 0), (95, -1, 100, 18), (0, 3, 100, 18)]
    edges, _ = edges_of(rings_of([shapely.union_all([shapely.box(*box) for box in boxes])]))
    line = np.array([[10.0, 0.0, 90.0, 0.0]])
    assert _shore_kernels.lean(line, 1, edges, 1.0, 239.0) == 40 * (1 - 2)
    assert _shore_kernels.lean(line, 1, edges, 1.0, 0.0) < 0


@pytest.mark.parametrize("way", [1, -1])
def test_three_stretches_in_order_whichever_way_the_line_was_drawn(way):
    """By hand: up 90 ft, along 50 ft and down 70 ft, the water on the left."""
    line = [(-200, 0), (0, 0), (0, 90), (50, 90), (50, -200)]
    lot = shapely.Polygon([(0, 0), (0, 90), (50, 90), (50, 20)])
    shore = build_shore([shapely.LineString(line[::way])], 20.0)
    cut = stretches_of(shares_of([lot], shore, 1.0), shore, np.array([lot]), 1.0)
    assert sorted(cut.length.round(6).tolist()) == [50.0, 70.0, 90.0]
    assert cut.length[1] == pytest.approx(50.0) and cut.chord == pytest.approx(cut.length)
    assert shapely.length(cut.line) == pytest.approx(cut.length)


def test_a_lot_cut_in_two_by_a_narrow_rival_stays_in_two():
    """By hand: a rival 0.5 ft wide holds deeper what is more than 0.1 ft from its sides: 0.3 ft."""
    lots = [shapely.box(0, -80, 40, 0.1), shapely.box(19.75, -80, 20.25, 3)]
    shore = build_shore([shapely.LineString([(-50, 0), (90, 0)])], 50.0)
    claims, _ = share_shore(lots, shore, 5.0)
    assert [c.lot for c in claims] == [0, 0, 1]
    assert claims[2].high - claims[2].low == pytest.approx(0.5 - 2 * 0.1, abs=1e-5)
