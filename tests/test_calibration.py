"""Statistics of stick readings against a raster, and heights corrected by them."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from geotrim.core.calibration import (
    LEAST_FOR_TREND,
    OUTLIER_Z,
    UNSTATED_ERROR_FT,
    CorrectedHeights,
    agreement,
    correction,
    modified_z,
    trend,
    welch,
    with_reading_error,
)
from geotrim.errors import RangeError
from geotrim.model import CanopyGrid, HeightSource
from geotrim.ops.catalogue import UNSTATED_ERROR
from tests.fakes import GridSource, north_up

FIT: tuple[type[HeightSource], ...] = (CorrectedHeights,)
feet = st.floats(-30.0, 30.0).map(lambda value: round(value, 3))
differences = st.lists(feet, min_size=3, max_size=40)


# ---- agreement ----------------------------------------------------------------------------------


def test_agreement_by_hand():
    """-3, -1, -1, 1: mean -1; squares about it 4, 0, 0, 4; mean square 12 / 4 = 3."""
    found = agreement([-3.0, -1.0, -1.0, 1.0])
    assert (found.n, found.bias_ft, found.median_ft, found.mae_ft) == (4, -1.0, -1.0, 1.5)
    assert found.sd_ft == pytest.approx(np.sqrt(8 / 3))
    assert found.rmse_ft == pytest.approx(np.sqrt(3.0))
    assert found.bias_error_ft == pytest.approx(np.sqrt(8 / 3) / 2)
    # Student's t for 3 degrees of freedom at 0.975: 3.182 (printed tables of the t distribution)
    assert found.bias_high_ft - found.bias_ft == pytest.approx(3.182 * np.sqrt(8 / 3) / 2, rel=2e-4)
    assert found.bias_ft - found.bias_low_ft == pytest.approx(found.bias_high_ft - found.bias_ft)


@given(d=differences)
def test_agreement_against_a_statistics_library(d):
    found, sd = agreement(d), np.std(d, ddof=1)
    np.testing.assert_allclose(found.sd_ft, sd, atol=1e-12)
    np.testing.assert_allclose(found.bias_error_ft, stats.sem(d), atol=1e-12)
    if sd > 1e-9:
        low, high = stats.t.interval(0.95, len(d) - 1, np.mean(d), stats.sem(d))
        np.testing.assert_allclose([found.bias_low_ft, found.bias_high_ft], [low, high], rtol=1e-9)


def test_rmse_of_a_published_bias_and_spread():
    """Mean error +34.3 cm, SD 28.2, RMSE 44.5 over 15,223 points.

    Source: USGS data release, corrected Collier County DEM (2019). Each is rounded to a millimetre,
    so what the RMSE may be is what the ends of the roundings give; 44.5 is among it.
    """
    n = 15_223

    def of(bias, sd):
        half = np.array([bias - sd, bias + sd])  # two values of this mean and spread
        d = np.tile(half, n // 2)
        return agreement(d)

    low, high = of(34.25, 28.15), of(34.35, 28.25)
    assert low.bias_ft == pytest.approx(34.25) and high.sd_ft == pytest.approx(28.25, rel=1e-4)
    assert low.rmse_ft < 44.55 and high.rmse_ft > 44.45
    assert of(34.3, 28.2).rmse_ft == pytest.approx(44.40, abs=0.005)


@given(d=differences)
def test_square_of_the_rmse_is_that_of_bias_and_spread(d):
    """An identity: mean square = square of the mean + variance with n."""
    found, n = agreement(d), len(d)
    expected = found.bias_ft**2 + found.sd_ft**2 * (n - 1) / n
    np.testing.assert_allclose(found.rmse_ft**2, expected, rtol=1e-9, atol=1e-12)
    assert abs(found.bias_ft) <= found.mae_ft + 1e-12 <= found.rmse_ft + 2e-12


@given(d=differences, c=feet)
def test_raising_every_stick_lowers_the_bias_and_leaves_the_spread(d, c):
    before, after = agreement(d), agreement(np.array(d) - c)
    np.testing.assert_allclose(after.bias_ft, before.bias_ft - c, atol=1e-9)
    np.testing.assert_allclose(after.sd_ft, before.sd_ft, atol=1e-9)
    np.testing.assert_allclose(after.median_ft, before.median_ft - c, atol=1e-9)


@given(d=differences, data=st.data())
def test_order_does_not_matter(d, data):
    other = data.draw(st.permutations(d))
    one, two = agreement(d), agreement(other)
    for name in ("bias_ft", "sd_ft", "rmse_ft", "mae_ft", "median_ft"):
        np.testing.assert_allclose(getattr(one, name), getattr(two, name), atol=1e-9)
    np.testing.assert_allclose(np.sort(modified_z(d)), np.sort(modified_z(other)), atol=1e-6)


def test_one_tree_has_a_bias_and_no_spread():
    found = agreement([-0.5])
    assert (found.n, found.bias_ft, found.rmse_ft, found.mae_ft) == (1, -0.5, 0.5, 0.5)
    assert np.isnan([found.sd_ft, found.bias_error_ft, found.bias_low_ft, found.bias_high_ft]).all()


def test_no_tree_has_nothing():
    found = agreement([])
    assert found.n == 0
    assert np.isnan([found.bias_ft, found.sd_ft, found.rmse_ft, found.median_ft]).all()


@pytest.mark.parametrize("bad", [[1.0, np.nan], [[1.0, 2.0]], [np.inf]])
def test_differences_are_a_row_of_finite_numbers(bad):
    with pytest.raises(ValueError, match="one row of finite"):
        agreement(bad)


# ---- outliers -----------------------------------------------------------------------------------


def test_an_outlier_by_hand():
    """Median 0; sizes 0, 0.1, 0.1, 0.2, 3: MAD 0.1; z of 3 is 0.6745 * 3 / 0.1 = 20.235."""
    z = modified_z([-0.1, 0.1, -0.2, 0.0, 3.0])
    np.testing.assert_allclose(z, [-0.6745, 0.6745, -1.349, 0.0, 20.235])


def test_the_rule_is_that_of_its_source():
    """Threshold 3.5 and factor 0.6745 (Iglewicz and Hoaglin 1993, from memory).

    With MAD 1, an outlier is farther than 3.5 / 0.6745 = 5.189 ft from the median.
    """
    assert OUTLIER_Z == 3.5
    near, far = ([-1.0, -1.0, 0.0, 1.0, x] for x in (5.18, 5.20))
    assert abs(modified_z(near)[-1]) < OUTLIER_Z < abs(modified_z(far)[-1])


def test_an_outlier_does_not_hide_another():
    """Two of ten far off: a rule by mean and SD sees neither (their z is 2.0), this one both."""
    d = np.array([0.0, 0.1, -0.1, 0.2, -0.2, 0.1, -0.1, 0.0, 9.0, 9.5])
    assert (np.abs(stats.zscore(d)) < 3.0).all()
    assert np.flatnonzero(np.abs(modified_z(d)) > OUTLIER_Z).tolist() == [8, 9]


def test_where_most_are_alike_the_mean_deviation_stands_in():
    """MAD is 0; mean size (5 + 0 * 9) / 10 = 0.5, in normal SDs 0.5 / 0.79788: z = 7.979."""
    z = modified_z([0.0] * 9 + [5.0])
    assert z[-1] == pytest.approx(10 * np.sqrt(2 / np.pi))
    assert (z[:-1] == 0.0).all()


@pytest.mark.parametrize("alike", [[0.3] * 7, [1.0], [0.1 + 0.2, 0.3, 0.3]])
def test_differences_that_are_all_alike_have_no_outlier(alike):
    """0.1 + 0.2 is not 0.3 in binary; such a difference is none."""
    assert (modified_z(alike) == 0.0).all()
    assert modified_z([]).size == 0


# ---- trend and readers --------------------------------------------------------------------------


def test_a_trend_against_a_statistics_library():
    rng = np.random.default_rng(5)
    stick = rng.uniform(5, 25, 40)
    d = -0.1 * stick + rng.normal(0, 0.5, 40)
    found, told = trend(stick, d), stats.linregress(stick, d)
    reach = stats.t.ppf(0.975, 38) * told.stderr
    assert found.slope_frac == pytest.approx(told.slope)
    assert found.low_frac == pytest.approx(told.slope - reach)
    assert found.high_frac == pytest.approx(told.slope + reach)
    assert found.is_clear
    assert not trend(stick, rng.normal(0, 0.5, 40)).is_clear


def test_a_trend_takes_ten_trees_of_unlike_height():
    stick = np.arange(float(LEAST_FOR_TREND))
    assert trend(stick, 0.5 * stick).slope_frac == pytest.approx(0.5)
    for few in (
        trend(stick[1:], stick[1:]),
        trend(np.full(20, 9.0), np.arange(20.0)),
        trend([], []),
    ):
        assert np.isnan(few.slope_frac) and not few.is_clear


def test_welch_against_a_statistics_library():
    rng = np.random.default_rng(3)
    one, other = rng.normal(0, 1, 8), rng.normal(1, 3, 15)
    told = stats.ttest_ind(one, other, equal_var=False).confidence_interval(0.95)
    gap, reach = welch(one, other)
    np.testing.assert_allclose([gap - reach, gap + reach], [told.low, told.high])
    assert np.isnan(welch([1.0], other)).all()
    assert welch([1.0, 1.0], [2.0, 2.0]) == (-1.0, 0.0)


# ---- accuracy and correction --------------------------------------------------------------------


def test_the_error_of_the_checks_is_added_in():
    """10 and 3 cm make 10.44 cm: formula of ASPRS Edition 2 (2023), from memory."""
    assert with_reading_error(10.0, 3.0) == pytest.approx(10.44, abs=0.005)
    assert np.isnan(with_reading_error(10.0, float("nan")))


NAN = float("nan")
FOUND = {
    "n": 4,
    "bias_ft": -1.0,
    "sd_ft": 0.4,
    "rmse_ft": 1.06,
    "reading_error_ft": 0.3,
    "stated_error_ft": NAN,
}


def test_corrections_by_hand():
    """Bias: w^2 (0.4^2 + 0.4^2 / 4) + 0.3^2. Error: w^2 1.06^2 + 0.3^2.

    w is t.975 of 3 degrees over that of the normal distribution, by tables 3.182 / 1.960 = 1.6235.
    """
    w2 = (3.18245 / 1.95996) ** 2
    assert correction("none", **FOUND) is None
    found = FOUND | {"stated_error_ft": 0.1}
    bias, error = correction("bias", **found), correction("error", **found)
    assert bias.shift_ft == -1.0
    assert bias.error_ft == pytest.approx(np.sqrt(0.2 * w2 + 0.09), rel=1e-5)
    assert error.shift_ft == 0.0
    assert error.error_ft == pytest.approx(np.sqrt(1.1236 * w2 + 0.09), rel=1e-5)
    assert not bias.is_stated and not error.is_stated


def test_an_error_of_readings_that_nobody_stated_adds_nothing():
    found = FOUND | {"reading_error_ft": float("nan"), "stated_error_ft": 0.1}
    w = 3.18245 / 1.95996  # t.975 of 3 degrees, by tables
    assert correction("error", **found).error_ft == pytest.approx(1.06 * w, rel=1e-5)
    assert correction("bias", **found).error_ft == pytest.approx(np.sqrt(0.2) * w, rel=1e-5)


@pytest.mark.parametrize("choice", ["error", "bias"])
def test_few_trees_never_make_a_height_surer_than_its_maker_says(choice):
    """t.975 of 29 degrees is 2.0452 by tables; 1.46 ft is 44.5 cm, for rasters that state none."""
    w = 2.0452 / 1.96
    own = (1.06 if choice == "error" else 0.4 * np.sqrt(31 / 30)) * w
    enough = np.sqrt(own**2 + 0.09)
    for stated, n, error in (
        (2.5, 4, 2.5),
        (2.5, 29, 2.5),
        (2.5, 30, enough),
        (NAN, 29, 1.46),
        (NAN, 30, enough),
    ):
        made = correction(choice, **FOUND | {"stated_error_ft": stated, "n": n})
        assert made.error_ft == pytest.approx(error, abs=5e-5)
        assert made.is_stated == (error == stated)
        assert made.is_usual == (error == 1.46)
    assert (
        pytest.approx(1.46, abs=0.005)
        == 0.445 / 0.3048
        == pytest.approx(UNSTATED_ERROR_FT, abs=0.005)
    )


def test_more_than_is_taken_for_an_unstated_error_is_kept():
    made = correction("error", **FOUND | {"rmse_ft": 2.0})
    assert made.error_ft > 2.0 and not made.is_usual


def test_three_lucky_readings_make_no_height_sure():
    """Sticks that agree to half an inch: the heights stay as unsure as they were."""
    lucky = {"n": 3, "bias_ft": 0.05, "sd_ft": 0.03, "rmse_ft": 0.06, "reading_error_ft": NAN}
    for choice in ("error", "bias"):
        assert correction(choice, **lucky, stated_error_ft=NAN).error_ft == 1.46
        assert correction(choice, **lucky, stated_error_ft=0.7).error_ft == 0.7


@pytest.mark.parametrize("n", [3, 6, 30])
def test_an_error_of_few_trees_holds_its_confidence(n):
    """Of simulated fields, 95 % have a further tree within 1.96 errors of its corrected height."""
    rng = np.random.default_rng(5)
    d = rng.normal(-1.0, 0.4, (20_000, n))
    mean, sd = d.mean(axis=1), d.std(axis=1, ddof=1)
    seen = {"n": n, "bias_ft": -1.0, "rmse_ft": 1.1, "reading_error_ft": NAN}
    one = correction("bias", **seen, sd_ft=1.0, stated_error_ft=0.0).error_ft
    within = np.abs(rng.normal(-1.0, 0.4, 20_000) - mean) <= 1.96 * one * sd
    assert within.mean() == pytest.approx(0.95, abs=0.006)


def test_the_error_the_route_takes_is_the_one_taken_here():
    assert UNSTATED_ERROR.default == UNSTATED_ERROR_FT


@pytest.mark.parametrize("choice", ["error", "bias"])
def test_a_correction_takes_three_trees(choice):
    assert correction(choice, **FOUND | {"n": 3}) is not None
    for n, told in ((2, "2 trees"), (1, "1 tree to"), (0, "0 trees")):
        with pytest.raises(RangeError, match=f"'{choice}' with {told}.*3 trees or more"):
            correction(choice, **FOUND | {"n": n})
        assert correction("none", **FOUND | {"n": n}) is None


def test_the_error_of_a_corrected_height_covers_new_trees():
    """A simulated field: sticks of 12 trees correct a raster that reads 1.1 ft low.

    The error carried must be no smaller than that of further trees, whose true height is known
    here, and not half as large again.
    """
    rng = np.random.default_rng(11)
    off, told = [], []
    for _ in range(3000):
        d = -1.1 + rng.normal(0, 0.5, 12) - rng.normal(0, 0.2, 12)
        found = agreement(d)
        seen = {"n": 12, "bias_ft": found.bias_ft, "sd_ft": found.sd_ft, "rmse_ft": found.rmse_ft}
        made = correction("bias", **seen, reading_error_ft=0.2, stated_error_ft=0.1)
        off.append(-1.1 + rng.normal(0, 0.5) - made.shift_ft)
        told.append(made.error_ft**2)
    rms = np.sqrt(np.mean(np.square(off)))
    assert rms <= np.sqrt(np.mean(told)) <= 1.5 * rms


# ---- corrected heights --------------------------------------------------------------------------


def test_a_bias_is_taken_off_what_stands_above_the_ground():
    """Read 1 ft low: 9 is 10. Ground, what lies under it, and no data stay."""
    grid = CanopyGrid(np.array([[9.0, 0.0], [-0.5, np.nan]]), 0.0, 2.0, 1.0, rmse_ft=0.2)
    fixed = CorrectedHeights(grid, -1.0, 0.4)
    np.testing.assert_array_equal(fixed.read(0, 2, 0, 2), [[10.0, 0.0], [-0.5, np.nan]])
    np.testing.assert_array_equal(fixed.read(0, 1, 0, 1), [[10.0]])
    assert fixed.rmse_ft == 0.4
    np.testing.assert_array_equal(grid.read(0, 1, 0, 1), [[9.0]])  # the source is not changed


@pytest.mark.parametrize(("true", "read"), [(10.0, 8.9), (24.0, 22.9)])
def test_trees_under_a_published_bias_come_back_to_their_height(true, read):
    """Ground 34.3 cm (1.125 ft) too high: 10.0 ft reads about 8.9 ft, 24.0 about 22.9.

    Source: USGS data release, corrected Collier County DEM (2019), and arithmetic.
    """
    bias_ft = -0.343 / 0.3048
    source = north_up(np.array([[true + bias_ft]]))
    assert source.heights[0, 0] == pytest.approx(read, abs=0.05)
    assert CorrectedHeights(source, bias_ft, 0.6).read(0, 1, 0, 1)[0, 0] == pytest.approx(true)


def test_no_height_is_taken_below_the_ground():
    grid = north_up(np.array([[9.0, 0.5]]))
    np.testing.assert_array_equal(CorrectedHeights(grid, 2.0, 0.4).read(0, 1, 0, 2), [[7.0, 0.0]])


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_the_shift_is_in_the_source_s_unit_and_keeps_its_precision(kind):
    """1.524 m is 5 ft; a foot more is 1.8288 m (1 ft = 0.3048 m exactly: 85 FR 62698)."""
    source = north_up(np.array([[1.524]], dtype=kind), feet_per_unit=1 / 0.3048)
    read = CorrectedHeights(source, -1.0, 0.1).read(0, 1, 0, 1)
    assert read.dtype == kind and read[0, 0] == pytest.approx(1.8288, rel=1e-6)


def test_whole_numbers_are_shifted_by_the_whole_shift():
    source = GridSource(np.array([[7]]), (1.0, 0.0, 0.0, 0.0, -1.0, 0.0), (1, 1))
    assert CorrectedHeights(source, -0.25, 0.1).read(0, 1, 0, 1)[0, 0] == 7.25


def test_all_else_is_the_source_s_own():
    source = north_up(np.ones((4, 6)), west=3.0, north=8.0, cell=2.0, block_shape=(2, 3), crs=6443)
    fixed = CorrectedHeights(source, 0.0, 0.7)
    for name in ("crs", "transform", "shape", "block_shape", "feet_per_unit"):
        assert getattr(fixed, name) == getattr(source, name)
    assert (fixed.rmse_ft, fixed.notes) == (0.7, ())
    np.testing.assert_array_equal(fixed.read(1, 3, 2, 6), source.read(1, 3, 2, 6))


def test_the_message_says_how_to_mend_it():
    with pytest.raises(RangeError, match=re.escape("say height_correction none")):
        correction("bias", **FOUND | {"n": 1})
