"""Foliage that a found cut took, against closed forms; columns and cones worked by hand.

Column (box) from b to t cut to c: (t - c) / (t - b). Cone on its base: ((t - c) / (t - b))^3, the
share of a cone within d of its point (volume of a cone: a third of base times height, so similar
cones go as the cube).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geotrim.core.cut_found import (
    FoliageCurve,
    Taken,
    is_curve,
    strips_of,
    taken,
    taken_by_volume,
    taken_frac,
    within,
)
from geotrim.errors import ShapeError

INF, NAN = np.inf, np.nan


def box(top=12.0, base=0.0, moves="rise"):
    return FoliageCurve(np.array([base, top]), np.array([1.0, 0.0]), moves)


def cone(top=18.0, base=3.0, moves="stretch", n=6001):
    z = np.linspace(base, top, n)
    return FoliageCurve(z, ((top - z) / (top - base)) ** 3, moves)


def test_a_box_of_12_ft_cut_to_9_ft_loses_a_quarter():
    assert taken(box(), top_ft=9.0).share_frac == 0.25
    assert taken(box(), top_ft=9.0).error_frac == 0.0


@pytest.mark.parametrize(("cut", "share"), [(18.0, 0.0), (10.5, 0.125), (3.0, 1.0), (1.0, 1.0)])
def test_a_cone_by_its_closed_form(cut, share):
    """Half way down the cone an eighth of it is gone."""
    assert taken(cone(), top_ft=cut).share_frac == pytest.approx(share, abs=1e-6)


def test_a_band_of_a_box_and_of_a_cone():
    assert taken(box(), band_ft=(6.0, 8.4)).share_frac == pytest.approx(0.2)
    expected = (12.0 / 15.0) ** 3 - (9.0 / 15.0) ** 3  # 6 to 9 ft of a cone from 3 to 18 ft
    assert taken(cone(), band_ft=(6.0, 9.0)).share_frac == pytest.approx(expected, abs=1e-6)


def test_top_and_band_together_count_once():
    """Top to 9 ft and a band from 6 to 10 ft: all over 6 ft, half of 12."""
    assert taken(box(), top_ft=9.0, band_ft=(6.0, 10.0)).share_frac == pytest.approx(0.5)
    assert taken(box(), top_ft=10.0, band_ft=(6.0, 9.0)).share_frac == pytest.approx(5.0 / 12.0)


def test_a_second_year_is_of_what_stood():
    """9 of 12 ft stood; to 6.75 ft takes a quarter of them."""
    second = taken(box(), top_ft=6.75, earlier=[(9.0, INF)])
    assert second.share_frac == pytest.approx(0.25)
    band = taken(box(), band_ft=(6.0, 9.0), earlier=[(6.0, 8.0)])
    assert band.share_frac == pytest.approx(0.1)  # 1 of 10 ft that stood
    assert np.isnan(taken(box(), top_ft=1.0, earlier=[(0.0, INF)]).share_frac)


@pytest.mark.parametrize(("base", "cut"), [(0.0, 9.0), (4.0, 9.0), (4.0, 11.0)])
def test_the_error_of_a_box_by_its_derivatives(base, cut):
    """R = (t - c) / D: dR/dc = -1/D; with t moved by e, (t + e - c) / (D + e).

    The larger of the two sides counts, which for the second is the fall by e.
    """
    depth, e = 12.0 - base, 0.3
    share = (12.0 - cut) / depth
    found = taken(box(base=base), top_ft=cut, top_error_ft=e)
    assert found.error_frac == pytest.approx(e / depth)
    found = taken(box(base=base), top_ft=cut, before_error_ft=e)
    assert found.error_frac == pytest.approx(share - (12.0 - e - cut) / (depth - e))
    assert found.error_frac == pytest.approx(e * (1 - share) / depth, rel=0.06)  # first order
    both = taken(box(base=base), top_ft=cut, top_error_ft=e, before_error_ft=0.001)
    assert both.error_frac == pytest.approx(e / depth, rel=1e-4)


def test_the_error_of_a_cone_by_its_closed_form():
    """R = d^3, d = 5/15; moved by e: ((5 + e) / (15 + e))^3, or ((5 + e) / 15)^3 for the cut."""
    e = 0.5
    share = (5.0 / 15.0) ** 3
    by_top = taken(cone(), top_ft=13.0, before_error_ft=e).error_frac
    assert by_top == pytest.approx(((5.0 + e) / (15.0 + e)) ** 3 - share, rel=1e-3)
    by_cut = taken(cone(), top_ft=13.0, top_error_ft=e).error_frac
    assert by_cut == pytest.approx(((5.0 + e) / 15.0) ** 3 - share, rel=1e-3)
    both = taken(cone(), top_ft=13.0, before_error_ft=e, top_error_ft=e).error_frac
    assert both == pytest.approx(np.hypot(by_top, by_cut))


def test_errors_of_a_band_are_of_both_sides():
    """Each side of a band of a box is worth e / D; the two are independent."""
    found = taken(box(), band_ft=(6.0, 9.0), band_error_ft=0.12)
    assert found.error_frac == pytest.approx(np.sqrt(2.0) * 0.12 / 12.0)


@pytest.mark.parametrize("shape", [box(16.0, 2.0), cone(16.0, 2.0)])
def test_the_error_against_drawn_trees(shape):
    """20,000 trees drawn with these errors spread as the error says, to a tenth."""
    rng = np.random.default_rng(3)
    before, top = rng.normal(0.0, 0.4, 20_000), rng.normal(12.0, 0.2, 20_000)
    deep = 14.0 + before
    drawn = (16.0 + before - top) / deep
    power = 1 if shape.moves == "rise" else 3
    found = taken(shape, top_ft=12.0, before_error_ft=0.4, top_error_ft=0.2)
    assert found.error_frac == pytest.approx(np.std(drawn**power), rel=0.12)
    assert found.error_frac > np.std(drawn**power) * 0.97  # never much less


def test_a_profile_is_lifted_as_a_whole():
    """Layers of a profile lie so much higher: the share over 9 ft is that over 8 ft before."""
    assert box(moves="lift").above(9.0, 1.0) == pytest.approx(4.0 / 12.0)
    assert box(moves="lift").above(0.0, 1.0) == 1.0
    assert box(moves="lift").above(-1.0) == 1.0


def test_a_box_that_falls_has_less_foliage_not_a_lower_base():
    """From 4 to 12 ft, 2 ft lower: 4 to 10; above 7 ft half of it."""
    assert box(base=4.0).above(7.0, -2.0) == pytest.approx(0.5)
    assert box(base=4.0, moves="stretch").above(7.0, -2.0) == pytest.approx(0.5)
    assert box(base=4.0).above(3.0, -2.0) == 1.0
    assert box(base=4.0).above(5.0, -9.0) == 0.0
    assert box(base=4.0, moves="stretch").above(5.0, -9.0) == 0.0


def test_a_top_found_no_lower_lost_nothing_though_foliage_reaches_higher():
    curve = FoliageCurve(np.array([0.0, 12.0, 13.0]), np.array([1.0, 0.02, 0.0]))
    assert taken(curve, top_ft=12.0, stood_to_ft=12.0).share_frac == 0.0
    assert taken(curve, top_ft=11.99, stood_to_ft=12.0).share_frac > 0.02


def test_volumes_of_two_rasters():
    """120 to 90 ft3 on 10 ft2: a quarter; 0.3 ft is 3 ft3, of 120."""
    found = taken_by_volume(120.0, 90.0, 120.0, 10.0, after_error_ft=0.3)
    assert found == Taken(0.25, pytest.approx(3.0 / 120.0))
    found = taken_by_volume(120.0, 90.0, 120.0, 10.0, before_error_ft=0.3)
    assert found.error_frac == pytest.approx(3.0 / 120.0 * 0.75)
    # foliage from 4 ft up: 80 ft3 of the 120; a year before took 20 of them
    found = taken_by_volume(120.0, 85.0, 80.0, 10.0, gone_frac=0.25)
    assert found.share_frac == pytest.approx(15.0 / 60.0)
    assert taken_by_volume(120.0, 125.0, 120.0, 10.0).share_frac == 0.0
    assert np.isnan(taken_by_volume(120.0, 90.0, 0.0, 10.0).share_frac)


def test_strips_overlap_touch_and_stand_on_their_heads():
    assert within(box(), [(2.0, 4.0), (4.0, 5.0), (3.0, 4.5)]) == pytest.approx(0.25)
    assert within(box(), [(2.0, 8.0), (3.0, 4.0)]) == pytest.approx(0.5)
    assert within(box(), [(4.0, 2.0)]) == 0.0
    assert strips_of([NAN, 6.0], [NAN, 9.0]) == [(6.0, 9.0)]


@given(
    top=st.floats(4.0, 40.0), base=st.floats(0.0, 3.5), cut=st.floats(0.0, 45.0),
    error=st.floats(0.0, 2.0), rise=st.floats(-2.0, 2.0),
)  # fmt: skip
def test_shares_stay_shares_and_errors_grow(top, base, cut, error, rise):
    curve = box(top, base)
    share = taken_frac(curve, [(cut, INF)], rise_ft=rise)
    assert np.isnan(share) or 0.0 <= share <= 1.0
    small = taken(curve, top_ft=cut, top_error_ft=error).error_frac
    large = taken(curve, top_ft=cut, top_error_ft=error, before_error_ft=0.3).error_frac
    assert 0.0 <= small <= large + 1e-12


@pytest.mark.parametrize(
    ("heights", "shares", "moves"),
    [
        ([0.0], [1.0], "rise"),
        ([0.0, 1.0], [1.0], "rise"),
        ([1.0, 0.0], [1.0, 0.0], "rise"),
        ([0.0, 1.0], [1.0, 0.0], "sink"),
    ],
)
def test_what_is_no_curve(heights, shares, moves):
    with pytest.raises(ShapeError):
        FoliageCurve(np.array(heights), np.array(shares), moves)


def test_columns_that_make_a_curve():
    assert is_curve(np.array([0.0, 1.0]), np.array([1.0, 0.0]))
    assert not is_curve(np.array([0.0]), np.array([1.0]))
    assert not is_curve(np.array([0.0, NAN]), np.array([1.0, 0.0]))
    assert not is_curve(np.array([1.0, 0.0]), np.array([1.0, 0.0]))
    assert not is_curve(np.array([0.0, 1.0]), np.array([0.0, 1.0]))
