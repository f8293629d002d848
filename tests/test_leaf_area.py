"""Leaf-area profiles against the published formula, its algebra, and clouds of known foliage."""

from __future__ import annotations

import time
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geotrim.core.leaf_area import (
    band_shares,
    count_returns,
    leaf_area_density,
    leaf_profiles,
)
from geotrim.core.leaf_weights import (
    cut_heights_ft,
    foliage_bases_ft,
    foliage_tops_ft,
    layer_weights,
    share_above,
    share_between,
)
from geotrim.errors import RangeError, ShapeError
from tests.strategies import numbers

# Pulses that pass each height on the way down, layers of 1 m, k = 0.5. Source: the formula of
# MacArthur and Horn (1969) in the lidar form of Bouvier et al. (2015) and Kamoske et al. (2019);
# the row and its values are the project's reference numbers, worked out by hand: ln(1000/700)/0.5
# and so on; together ln(1000/189)/0.5 = 3.3320165, of which the row gives six decimals cut off.
PASSING = np.array([1000.0, 700.0, 420.0, 210.0, 189.0])
DENSITY_M2_M3 = [0.713350, 1.021651, 1.386294, 0.210721]
SUM_M2_M2 = 3.332016

#: Leaf area density by layer of 2 ft from the ground up, ft2 in a ft3, of invented canopies. With
#: k = 0.5 a sum of densities of 1.5 over 2 ft layers lets exp(-1.5) = 22 % of the pulses through.
CANOPIES = {
    "uniform": [0.15] * 10,
    "top-heavy": [0.02, 0.04, 0.06, 0.08, 0.10, 0.14, 0.18, 0.22, 0.28, 0.38],
    "two layers": [0.30, 0.35, 0.0, 0.0, 0.0, 0.0, 0.0, 0.25, 0.30, 0.20],
}


def counts_of(passing):
    """A row of counts from the pulses that pass each height, from the top down."""
    return np.concatenate([passing[-1:], -np.diff(passing)[::-1]])[None, :]


def stops(density_perft, layer_ft, n_pulses, rng, k=0.5):
    """Where pulses from straight above end: Beer and Lambert's law layer by layer.

    Written for this test alone: the depth of leaves that a pulse passes before it is stopped is
    exponential; a pulse with more than there is reaches the ground, at height 0.
    """
    edges = layer_ft * np.arange(len(density_perft) + 1)
    above = np.concatenate([[0.0], np.cumsum(density_perft[::-1])])[::-1] * layer_ft * k
    depth = rng.exponential(size=n_pulses)
    return np.where(depth < above[0], np.interp(-depth, -above, edges), 0.0)


def counted(height_ft, layer_ft=2.0, n_layers=12, floor_ft=0.0, weight=None):
    n = len(height_ft)
    return count_returns(
        np.zeros(n, dtype=np.int64),
        height_ft,
        np.ones(n) if weight is None else weight,
        height_ft <= 0.0,
        n_crowns=1,
        n_layers=n_layers,
        layer_ft=layer_ft,
        floor_ft=floor_ft,
    )


def weights_of(profiles):
    """Every layer of every measured crown."""
    n, m = profiles.weight_frac.shape
    crown = np.arange(n * m) // m
    keep = profiles.is_measured[crown]
    low, high = profiles.leaf_low_ft.ravel(), profiles.leaf_high_ft.ravel()
    return layer_weights(
        n,
        crown[keep],
        low[keep],
        high[keep],
        profiles.weight_frac.ravel()[keep],
    )


# --- the formula


def test_reference_row_of_macarthur_and_horn():
    density, is_capped = leaf_area_density(PASSING[:-1], PASSING[1:], 1.0, 0.5)
    np.testing.assert_allclose(density, DENSITY_M2_M3, atol=5e-7)
    assert density.sum() == pytest.approx(SUM_M2_M2, abs=1e-6)
    assert density.sum() == pytest.approx(np.log(1000 / 189) / 0.5, rel=1e-12)
    assert not is_capped.any()


def test_reference_row_through_counts():
    """The same row as counts of returns; the lowest layer first."""
    found = leaf_profiles(counts_of(PASSING), layer_ft=1.0, k=0.5)
    np.testing.assert_allclose(found.density_perft[0], DENSITY_M2_M3[::-1], atol=5e-7)
    np.testing.assert_array_equal(found.n_in[0], [210, 420, 700, 1000])
    np.testing.assert_array_equal(found.n_out[0], [189, 210, 420, 700])
    assert found.n_pulses[0] == 1000
    assert found.unseen_below_ft[0] == 0.0
    expected = np.array(DENSITY_M2_M3[::-1]) / SUM_M2_M2
    np.testing.assert_allclose(found.weight_frac[0], expected, atol=1e-6)


@pytest.mark.parametrize("depth", [0.5, 2.0])
def test_density_is_in_one_over_the_unit_of_depth(depth):
    density, _ = leaf_area_density(PASSING[:-1], PASSING[1:], depth)
    np.testing.assert_allclose(density * depth, DENSITY_M2_M3, atol=1e-6)


@pytest.mark.parametrize("k", [0.4, 0.6])
def test_shares_do_not_depend_on_k(k):
    """The coefficient cancels in every share, the density goes with 1/k."""
    plain, other = (leaf_profiles(counts_of(PASSING), layer_ft=1.0, k=one) for one in (0.5, k))
    np.testing.assert_allclose(other.weight_frac, plain.weight_frac, rtol=1e-12)
    np.testing.assert_allclose(other.density_perft * k, plain.density_perft * 0.5, rtol=1e-12)
    for mine, theirs in zip(band_shares(other, 1, 2.5), band_shares(plain, 1, 2.5), strict=True):
        np.testing.assert_allclose(mine, theirs, rtol=1e-12)


# --- edges of the formula


def test_a_layer_that_stops_every_pulse_is_capped():
    """ln(100 / 0.5) / 0.5; half a pulse is what geotrim takes, stated in its docstring."""
    density, is_capped = leaf_area_density([100.0], [0.0], 1.0)
    assert is_capped.tolist() == [True]
    assert density[0] == pytest.approx(np.log(200.0) / 0.5)


def test_less_than_a_pulse_is_capped_at_half_of_it():
    density, is_capped = leaf_area_density([0.25], [0.0], 1.0, k=1.0)
    assert is_capped[0] and density[0] == pytest.approx(np.log(2.0))


def test_a_layer_nothing_enters_is_undefined():
    density, is_capped = leaf_area_density([0.0], [0.0], 1.0)
    assert np.isnan(density[0]) and not is_capped[0]


@pytest.mark.parametrize(
    ("n_in", "n_out", "depth", "k"),
    [
        (5.0, 6.0, 1.0, 0.5),
        (5.0, -1.0, 1.0, 0.5),
        (np.inf, 1.0, 1.0, 0.5),
        (np.nan, 1.0, 1.0, 0.5),
        (5.0, 1.0, 0.0, 0.5),
        (5.0, 1.0, 1.0, 0.0),
        (5.0, 1.0, 1.0, -0.5),
    ],
)
def test_counts_that_cannot_be_are_refused(n_in, n_out, depth, k):
    with pytest.raises(RangeError):
        leaf_area_density([n_in], [n_out], depth, k)


def test_no_ground_return_caps_the_lowest_layer_seen_and_tells_what_lies_under():
    """20 pulses stop at 6-8 ft, 80 at 10-12 ft: nothing is known under 6 ft."""
    found = leaf_profiles(np.array([[0.0, 0, 0, 0, 20, 0, 80]]), layer_ft=2.0)
    assert found.is_capped[0].tolist() == [False, False, False, True, False, False]
    assert found.unseen_below_ft[0] == 6.0
    assert np.isnan(found.density_perft[0, :3]).all()
    assert np.isfinite(found.density_perft[0, 3:]).all()
    low, high = np.log(20 / 0.5), np.log(100 / 20)
    expected = [0, 0, 0, low / (low + high), 0, high / (low + high)]
    np.testing.assert_allclose(found.weight_frac[0], expected, rtol=1e-12)


def test_too_few_pulses_or_no_foliage_make_no_profile():
    counts = np.array([[10.0, 19.0], [10.0, 20.0], [50.0, 0.0], [0.0, 0.0], [0.0, 9.0]])
    found = leaf_profiles(counts, layer_ft=2.0, min_pulses=30)
    assert not found.is_capped.any()
    counts, found = counts[:4], leaf_profiles(counts[:4], layer_ft=2.0, min_pulses=30)
    assert found.is_measured.tolist() == [False, True, False, False]
    assert np.isnan(found.weight_frac[[0, 2, 3]]).all()
    assert np.isnan(found.density_perft[[0, 2, 3]]).all()
    assert np.isnan(found.unseen_below_ft[[0, 2, 3]]).all()
    share, error = band_shares(found, 0.0, 1.0)
    assert np.isnan(share[[0, 2, 3]]).all() and np.isnan(error[[0, 2, 3]]).all()
    assert share[1] == pytest.approx(0.5)


def test_counts_without_a_layer_are_refused():
    with pytest.raises(ShapeError):
        leaf_profiles(np.ones((3, 1)), layer_ft=2.0)


def test_a_band_must_rise():
    found = leaf_profiles(counts_of(PASSING), layer_ft=1.0)
    with pytest.raises(RangeError):
        band_shares(found, 10.0, 10.0)


# --- counting


def test_counting_by_hand():
    """A layer holds its lower side; the floor and ground returns count as ground."""
    height = np.array([-3.0, 0.49, 0.5, 2.0, 3.99, 4.0, 5.0, 7.0, np.nan])
    is_ground = np.array([False] * 6 + [True, False, False])
    crown = np.array([0, 0, 0, 0, 0, 0, 0, 1, 0])
    weight = np.array([1.0, 0.5, 0.25, 1.0, 1.0, 2.0, 4.0, 0.5, 9.0])
    counts = count_returns(
        crown, height, weight, is_ground, n_crowns=3, n_layers=3, layer_ft=2.0, floor_ft=0.5
    )
    assert counts.tolist() == [[5.5, 0.25, 2.0, 2.0], [0, 0, 0, 0], [0, 0, 0, 0]]


@given(seed=st.integers(0, 10_000), cut=st.integers(0, 300))
def test_counts_of_parts_add_up(seed, cut):
    rng = np.random.default_rng(seed)
    crown, height = rng.integers(0, 4, 300), rng.uniform(-1.0, 30.0, 300)
    weight, ground = rng.choice([1.0, 0.5, 0.25], 300), rng.random(300) < 0.1
    how = {"n_crowns": 4, "n_layers": 15, "layer_ft": 2.0, "floor_ft": 0.5}
    parts = [
        count_returns(crown[s], height[s], weight[s], ground[s], **how)
        for s in (slice(0, cut), slice(cut, None))
    ]
    whole = count_returns(crown, height, weight, ground, **how)
    np.testing.assert_allclose(parts[0] + parts[1], whole, atol=1e-9)
    assert whole.sum() == pytest.approx(weight.sum())


# --- foliage that is known


@pytest.mark.parametrize("name", CANOPIES)
def test_known_foliage_is_recovered_within_its_sampling_error(name):
    """Beer and Lambert's law, 40,000 pulses: each layer within 4 standard errors of the truth.

    The error of a layer is sqrt(1/n_out - 1/n_in) / (k depth), by the delta method from a
    binomial; 30 layers at 4 errors are wrong by chance once in 500 seeds.
    """
    truth = np.array(CANOPIES[name])
    rng = np.random.default_rng(20261126)
    found = leaf_profiles(counted(stops(truth, 2.0, 40_000, rng)), layer_ft=2.0)
    density = found.density_perft[0]
    error = np.sqrt(1 / found.n_out[0] - 1 / found.n_in[0]) / (0.5 * 2.0)
    leaves = truth > 0.0
    z = (density[:10] - truth)[leaves] / error[:10][leaves]
    assert np.abs(z).max() < 4.0
    assert np.abs(z).mean() > 0.1  # errors are no larger than they need be
    assert (density[:10][~leaves] == 0.0).all() and (density[10:] == 0.0).all()
    share, share_error = band_shares(found, 6.0, 10.0)
    expected = truth[3:5].sum() / truth.sum()
    assert abs(share[0] - expected) < max(4.0 * share_error[0], 1e-12)


def test_even_foliage_gives_the_shares_of_a_column():
    """By hand: a column of 20 ft holds 4/20 of itself between 6 and 10 ft."""
    passing = 1000.0 * np.exp(-0.15 * np.arange(11.0))
    found = leaf_profiles(counts_of(passing), layer_ft=2.0)
    share, _ = band_shares(found, 6.0, 10.0)
    assert share[0] == pytest.approx(4.0 / 20.0, rel=1e-9)
    np.testing.assert_allclose(share_above(weights_of(found), 15.0), 5.0 / 20.0, rtol=1e-9)


@pytest.mark.parametrize("name", CANOPIES)
def test_standard_error_of_a_band_share_is_what_repeats_show(name):
    """4000 crowns of 400 pulses each: the spread of their shares against the mean error told.

    A spread of 4000 draws is itself known to 1.1 %.
    """
    truth = np.array(CANOPIES[name])
    pass_frac = np.exp(-0.5 * 2.0 * np.cumsum(truth[::-1]))  # below each layer, top down
    stop_frac = -np.diff(np.concatenate([[1.0], pass_frac]))[::-1]
    rng = np.random.default_rng(4)
    counts = rng.multinomial(400, [pass_frac[-1], *stop_frac], size=4000).astype(float)
    share, error = band_shares(leaf_profiles(counts, layer_ft=2.0), 3.0, 9.0)
    assert error.mean() == pytest.approx(share.std(), rel=0.06)


def test_standard_error_bounds_that_of_shared_pulses():
    """Pulses of 3 parts that stop one by one: same shares, and less spread than is told."""
    truth = np.array(CANOPIES["uniform"])
    rng = np.random.default_rng(5)
    pass_frac = np.exp(-np.cumsum(truth[::-1]))
    stop_frac = -np.diff(np.concatenate([[1.0], pass_frac]))[::-1]
    parts = rng.multinomial(1200, [pass_frac[-1], *stop_frac], size=3000) / 3.0
    share, error = band_shares(leaf_profiles(parts, layer_ft=2.0), 6.0, 10.0)
    assert share.mean() == pytest.approx(0.2, abs=0.003)
    assert share.std() < 0.7 * error.mean()


# --- where in a layer leaves can be


@pytest.mark.parametrize("layer_ft", [1.0, 2.0, 3.0, 4.0, 5.0, 7.0, 10.0])
@pytest.mark.parametrize(("floor", "top"), [(2.0, 7.7), (0.0, 7.7), (2.0, 9.0), (1.3, 14.8)])
def test_the_depth_of_layers_moves_no_leaves_out_of_an_even_crown(layer_ft, floor, top):
    """Leaves lie evenly from the floor to the top, so by Beer and Lambert pulses fade evenly.

    Of a crown from 2 to 7.7 ft 1.7 / 5.7 = 29.8 % lie in 6-10 ft, whatever layers it is cut into.
    """
    edges = layer_ft * np.arange(int(np.ceil(20.0 / layer_ft)) + 1)
    passing = 1000.0 * np.exp(-0.1 * (top - np.clip(edges, floor, top)))
    counts = np.concatenate([[passing[0]], np.diff(passing)])[None, :]
    found = leaf_profiles(counts, layer_ft=layer_ft, floor_ft=floor, top_ft=[top])
    expected = (min(top, 10.0) - 6.0) / (top - floor)
    share, _ = band_shares(found, 6.0, 10.0)
    assert share[0] == pytest.approx(expected, rel=1e-6)
    layers = weights_of(found)
    used = layers.weight_frac > 0.0
    assert share_between(layers, 6.0, 10.0)[0] == pytest.approx(share[0])
    assert layers.high_ft[used].max() <= top + 1e-9 and layers.low_ft[used].min() >= floor - 1e-9
    density = found.density_perft[found.weight_frac > 0.0]
    np.testing.assert_allclose(density, 0.2, rtol=1e-6)  # 0.1 / k


def test_sides_of_leaves_by_hand():
    """Floor 2.5 ft, tops 7.9 and 4.1 ft: 4-8 ends at 7.9; a sliver over 4 ft keeps half a foot."""
    counts = np.array([[40.0, 20, 20, 0], [40.0, 20, 20, 0]])
    found = leaf_profiles(counts, layer_ft=4.0, floor_ft=2.5, top_ft=[7.9, 4.1])
    assert found.leaf_low_ft.tolist() == [[2.5, 4.0, 8.0]] * 2
    assert found.leaf_high_ft.tolist() == [[4.0, 7.9, 12.0], [4.0, 4.5, 12.0]]
    found = leaf_profiles(counts, layer_ft=4.0, floor_ft=3.9, top_ft=[7.9, 3.95])
    assert found.leaf_low_ft[:, 0].tolist() == [3.5, 3.5]  # half a foot at the least
    assert found.leaf_high_ft[1, 0] == 4.0
    found = leaf_profiles(counts, layer_ft=4.0, floor_ft=5.0)
    assert found.leaf_low_ft.tolist() == [[0.0, 5.0, 8.0]] * 2  # no leaves were counted in 0-4 ft
    plain = leaf_profiles(counts, layer_ft=4.0)
    assert plain.leaf_high_ft.tolist() == [[4.0, 8.0, 12.0]] * 2
    np.testing.assert_allclose(plain.weight_frac, found.weight_frac)  # only where, not how much


def test_leaves_in_one_layer_have_no_error_of_sampling_where_a_band_cuts_it():
    """How they lie in it no pulse tells; a band that holds all of it holds all leaves."""
    counts = np.array([[50.0, 50.0, 0.0], [50.0, 30.0, 20.0]])
    found = leaf_profiles(counts, layer_ft=8.0, floor_ft=2.0, top_ft=[7.7, 15.0])
    share, error = band_shares(found, 6.0, 10.0)
    assert share[0] == pytest.approx(1.7 / 5.7)
    assert np.isnan(error[0]) and error[1] > 0.0
    assert band_shares(found, 0.0, 8.0)[1][0] == 0.0


# --- algebra of profiles


@st.composite
def tables(draw):
    """Counts of a crown that reached the ground, in up to 12 layers."""
    counts = draw(st.lists(st.integers(0, 60), min_size=2, max_size=12))
    ground = draw(st.integers(0, 60))
    return np.array([[ground, *counts]], dtype=float)


@given(counts=tables())
def test_weights_are_shares(counts):
    found = leaf_profiles(counts, layer_ft=2.0, min_pulses=0.0)
    weight = found.weight_frac[0]
    if counts[0, 1:].sum() == 0:
        assert np.isnan(weight).all() and not found.is_measured[0]
        return
    assert (weight >= 0.0).all() and weight.sum() == pytest.approx(1.0)
    assert found.is_capped.sum() == (counts[0, 0] == 0)
    assert ((weight > 0.0) == (counts[0, 1:] > 0)).all()
    assert not np.isinf(found.density_perft).any()


@given(counts=tables(), at=st.integers(0, 11))
def test_a_layer_split_at_equal_transmission_changes_nothing(counts, at):
    """A layer that passes a share t is two that pass sqrt(t) each: density and shares stay."""
    counts[0, 0] += 1.0
    plain = leaf_profiles(counts, layer_ft=2.0, min_pulses=0.0)
    if not plain.is_measured[0]:
        return
    passing = np.concatenate([plain.n_in[0, ::-1], counts[0, :1]])  # top down, then the ground
    middle = np.sqrt(passing[:-1] * passing[1:])
    finer = np.empty(2 * len(passing) - 1)
    finer[::2], finer[1::2] = passing, middle
    split = leaf_profiles(counts_of(finer), layer_ft=1.0, min_pulses=0.0)
    np.testing.assert_allclose(split.density_perft[0, ::2], plain.density_perft[0], atol=1e-9)
    np.testing.assert_allclose(split.density_perft[0, 1::2], plain.density_perft[0], atol=1e-9)
    low, high = float(at), at + 3.5
    np.testing.assert_allclose(
        band_shares(split, low, high)[0], band_shares(plain, low, high)[0], atol=1e-9
    )


@given(counts=tables(), factor=st.integers(2, 50))
def test_more_of_the_same_pulses_change_no_weight(counts, factor):
    counts[0, 0] += 1.0
    plain = leaf_profiles(counts, layer_ft=2.0, min_pulses=0.0)
    more = leaf_profiles(counts * factor, layer_ft=2.0, min_pulses=0.0)
    np.testing.assert_allclose(more.weight_frac, plain.weight_frac, atol=1e-9)


def test_pulses_that_miss_the_crown_do_change_its_weights():
    """By algebra: with ever more of them each weight nears its layer's share of the stops.

    ln((a + m) / (b + m)) is (a - b) / m for large m. So open ground inside an outline bends a
    profile towards plain counts, which see too little of what is hidden low down.
    """
    counts = np.array([[20.0, 30.0, 50.0]])
    plain = leaf_profiles(counts, layer_ft=2.0).weight_frac[0]
    low, high = np.log(50 / 20), np.log(100 / 50)
    np.testing.assert_allclose(plain, [low / (low + high), high / (low + high)], rtol=1e-12)
    lows = []
    for missing in (0.0, 1e2, 1e4, 1e8):
        counts[0, 0] = 20.0 + missing
        lows.append(leaf_profiles(counts, layer_ft=2.0).weight_frac[0, 0])
    assert lows == sorted(lows, reverse=True)
    assert lows[-1] == pytest.approx(30.0 / 80.0, rel=1e-5)


# --- weights in use


@st.composite
def stacks(draw):
    """Layers of one crown: any depths, gaps among them, some without weight."""
    n = draw(st.integers(1, 7))
    steps = np.array(draw(st.lists(numbers(0.1, 5.0), min_size=2 * n, max_size=2 * n)))
    if draw(st.booleans()):
        steps[::2] = 0.0  # side by side
    edges = np.cumsum(steps).reshape(n, 2)
    weight = np.array(draw(st.lists(numbers(0.0, 5.0), min_size=n, max_size=n)))
    weight[draw(st.integers(0, n - 1))] += 1.0
    return layer_weights(1, np.zeros(n, dtype=int), edges[:, 0], edges[:, 1], weight)


@given(layers=stacks(), cuts=st.lists(numbers(0.0, 60.0), min_size=1, max_size=6))
def test_bands_add_up_and_shares_fall_with_height(layers, cuts):
    edges = [0.0, *sorted(cuts), 100.0]
    bands = [share_between(layers, a, b)[0] for a, b in pairwise(edges)]
    assert sum(bands) == pytest.approx(1.0) and min(bands) >= -1e-12


@given(layers=stacks(), removed=numbers(0.0, 1.0))
def test_a_cut_takes_what_it_is_asked_to(layers, removed):
    cut = cut_heights_ft(layers, removed)
    assert share_above(layers, cut)[0] == pytest.approx(removed, abs=1e-9)
    used = layers.weight_frac > 0.0
    assert layers.low_ft[used].min() - 1e-9 <= cut[0] <= layers.high_ft[used].max() + 1e-9


def test_a_cut_in_a_gap_is_the_highest_of_those_that_do():
    """Foliage at 0-2 and 8-10 ft, half each: any cut from 2 to 8 ft takes half, 8 ft is told."""
    layers = layer_weights(1, [0, 0, 0], [0, 2, 8], [2, 8, 10], [0.5, 0.0, 0.5])
    assert cut_heights_ft(layers, 0.5)[0] == 8.0
    assert cut_heights_ft(layers, 0.0)[0] == 10.0
    assert cut_heights_ft(layers, 1.0)[0] == 0.0
    assert cut_heights_ft(layers, 0.75)[0] == pytest.approx(1.0)
    assert cut_heights_ft(layers, 0.25)[0] == pytest.approx(9.0)


@pytest.mark.parametrize("bad", [-0.1, 1.1, np.nan])
def test_a_share_to_remove_lies_between_0_and_1(bad):
    layers = layer_weights(1, [0], [0.0], [2.0], [1.0])
    with pytest.raises(RangeError, match="removed_frac"):
        cut_heights_ft(layers, bad)


def test_partial_layers_and_crowns_without_layers_by_hand():
    """Crown 1 has none. Crown 0: 0.2 at 2-4, 0.5 at 6-8, 0.3 at 8-12 ft."""
    layers = layer_weights(3, [2, 0, 0, 0], [0, 8, 2, 6], [4, 12, 4, 8], [7, 0.3, 0.2, 0.5])
    assert layers.is_known.tolist() == [True, False, True]
    share = share_between(layers, 3.0, 9.0)
    np.testing.assert_allclose(share[[0, 2]], [0.1 + 0.5 + 0.075, 0.25])
    assert np.isnan(share[1])
    own = share_above(layers, np.array([7.0, 7.0, np.nan]))
    assert own[0] == pytest.approx(0.55) and np.isnan(own[1:]).all()
    base, (low, high) = foliage_bases_ft(layers), foliage_tops_ft(layers)
    assert base[[0, 2]].tolist() == [2.0, 0.0] and np.isnan(base[1])
    assert low[[0, 2]].tolist() == [8.0, 0.0] and high[[0, 2]].tolist() == [12.0, 4.0]
    assert np.isnan([low[1], high[1], cut_heights_ft(layers, 0.5)[1]]).all()
    assert foliage_bases_ft(layers, 0.2)[0] == 6.0
    np.testing.assert_allclose(cut_heights_ft(layers, 0.55)[[0, 2]], [7.0, 1.8])


def test_empty_layers_at_the_ends_are_no_foliage():
    layers = layer_weights(1, [0, 0, 0], [0, 2, 4], [2, 4, 6], [0.0, 1.0, 0.0])
    assert foliage_bases_ft(layers)[0] == 2.0
    low, high = foliage_tops_ft(layers)
    assert (low[0], high[0]) == (2.0, 4.0)


@pytest.mark.parametrize(
    ("low", "high", "weight"),
    [
        ([0, 2], [2, 2], [0.5, 0.5]),
        ([-1, 2], [2, 4], [0.5, 0.5]),
        ([0, 2], [2, np.inf], [0.5, 0.5]),
        ([0, np.nan], [2, 4], [0.5, 0.5]),
        ([0, 1], [2, 4], [0.5, 0.5]),
        ([0, 0], [2, 2], [0.5, 0.5]),
        ([0, 2], [2, 4], [-0.5, 1.5]),
        ([0, 2], [2, 4], [np.nan, 1.0]),
        ([0, 2], [2, 4], [0.0, 0.0]),
    ],
)
def test_layers_that_cannot_be_are_refused(low, high, weight):
    with pytest.raises(RangeError):
        layer_weights(1, [0, 0], low, high, weight)


def test_rounding_never_makes_more_than_the_whole():
    rng = np.random.default_rng(0)
    for _ in range(200):  # a tenth of such sums are over 1 in the last place
        weight = np.round(rng.uniform(0.1, 1.0, 7), 1)
        layers = layer_weights(1, np.zeros(7, int), np.arange(7.0), np.arange(1.0, 8.0), weight)
        assert 1.0 - 1e-12 < share_above(layers, 0.0)[0] <= 1.0


def test_layers_of_two_crowns_do_not_meet():
    """What overlaps in one crown may not; the same heights in two crowns may."""
    layers = layer_weights(2, [0, 1], [0.0, 0.0], [4.0, 2.0], [1.0, 1.0])
    assert share_above(layers, 1.0).tolist() == [0.75, 0.5]


def test_a_band_without_a_stop_is_not_known_to_nothing():
    """Of 80 pulses that came to 4-6 ft none stopped: one of them would have made ln(80/79)."""
    found = leaf_profiles(np.array([[40.0, 0, 40.0, 0, 20.0]]), layer_ft=2.0)
    total = np.log(80 / 40) + np.log(100 / 80)
    share, error = band_shares(found, 4.0, 6.0)
    assert share[0] == 0.0 and error[0] == pytest.approx(np.log(80 / 79) / total)
    share, error = band_shares(found, 0.0, 2.0)
    assert share[0] == 0.0 and error[0] == pytest.approx(np.log(40 / 39) / total)
    thin = leaf_profiles(np.array([[1.0, 0.0, 0.01]]), layer_ft=2.0, min_pulses=0.0)
    assert band_shares(thin, 0.0, 2.0)[1][0] == 1.0  # a pulse more would be most of its leaves


def test_a_band_no_pulse_came_to_has_no_error():
    found = leaf_profiles(np.array([[0.0, 0, 0, 0, 20, 0, 80]]), layer_ft=2.0)
    for band, is_known in (((4.0, 8.0), False), ((2.0, 6.0), False), ((6.0, 10.0), True)):
        assert np.isfinite(band_shares(found, *band)[1][0]) == is_known


def test_many_crowns_are_cut_in_a_time_that_grows_with_their_number():
    """Each is looked at once: 60,000 crowns among others without leaves take seconds, not minutes.

    Every crown has half its leaves at 2-4 ft and half at 4-6 ft, one layer without any above.
    """
    n = 60_000
    crown = np.repeat(2 * np.arange(n), 3)
    low, weight = np.tile([2.0, 4.0, 6.0], n), np.tile([0.5, 0.5, 0.0], n)
    layers = layer_weights(2 * n, crown, low, low + 2.0, weight)
    begun = time.perf_counter()
    cut = cut_heights_ft(layers, 0.25)
    assert time.perf_counter() - begun < 10.0  # crowns against crowns would take a minute
    assert (cut[::2] == 5.0).all() and np.isnan(cut[1::2]).all()
