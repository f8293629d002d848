"""Draws of heights and marks, against closed forms of the normal distribution."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
import pytest

from geotrim.core.risk_draws import (
    YearCut,
    breaks_floor,
    draw_errors,
    wilson_interval,
    year_shares,
)

PHI = NormalDist().cdf
N = 20_000


def even_crown(base_ft, top_ft):
    """A crown evenly filled from its base to its top, which is shifted."""

    def above(height, shift):
        top = top_ft + shift
        return np.clip((top - np.maximum(height, base_ft)) / (top - base_ft), 0.0, 1.0)

    return above


def near(found, expected):
    """Within four standard errors of a share that is counted in N draws."""
    return abs(found - expected) <= 4.0 * np.sqrt(max(expected * (1 - expected), 1e-4) / N)


@pytest.mark.parametrize("margin_ft", [0.0, 0.2, 0.5])
def test_a_floor_is_broken_as_often_as_the_stick_is_held_lower_than_the_margin(margin_ft):
    draws = draw_errors([0.0], 0.2, N, 1)
    cuts = (YearCut(9.0, np.inf), YearCut(6.0 + margin_ft, np.inf))
    broken = breaks_floor(np.full(N, 14.0), cuts, draws.stick_ft[0], 6.0)
    assert near(broken.mean(), PHI(-margin_ft / 0.2))


def test_a_top_that_is_in_the_band_after_all_is_lowered_to_its_low_side():
    draws = draw_errors([0.5], 0.0, N, 2)
    top = 10.4 + draws.height_ft[0]
    cuts = (YearCut(5.0, 7.0), YearCut(7.0, 10.0))  # a band that a floor of 6 ft does not allow
    broken = breaks_floor(top, cuts, draws.stick_ft[0], 6.0)
    assert near(broken.mean(), PHI(-0.4 / 0.5) - PHI((6.0 - 10.4) / 0.5))
    assert not breaks_floor(np.array([10.5, 5.8]), cuts, np.zeros(2), 6.0).any()


def test_the_share_of_a_taller_tree_is_greater_as_the_formula_has_it():
    # solid from 4 to 20 + e ft, cut to 16: (4 + e) / (16 + e) > 1/4 as soon as e > 0
    draws = draw_errors([0.4], 0.0, N, 3)
    shares = year_shares(
        even_crown(4.0, 20.0), (YearCut(16.0, np.inf),), draws.height_ft[0], draws.stick_ft[0]
    )
    e = draws.height_ft[0]
    assert shares.shape == (1, N)
    assert np.allclose(shares[0], (4 + e) / (16 + e))
    assert near((shares[0] > 0.25 + 1e-9).mean(), 0.5)


def test_the_second_year_takes_of_what_stands_then():
    # 16 ft of crown: 4 ft off, then 3 of 12, then 2.25 of 9: a quarter of what stands each year
    cuts = tuple(YearCut(h, np.inf) for h in (16.0, 13.0, 10.75))
    shares = year_shares(even_crown(4.0, 20.0), cuts, np.zeros(1), np.zeros(1))
    assert shares[:, 0] == pytest.approx([0.25, 0.25, 0.25])


def test_a_band_is_counted_from_its_low_side_and_only_on_the_part_that_may_be_cut():
    cuts = (YearCut(6.0, 8.0), YearCut(8.0, 10.0))
    above = even_crown(4.0, 20.0)
    shares = year_shares(above, cuts, np.zeros(1), np.zeros(1), 0.5)
    assert shares[:, 0] == pytest.approx([0.5 * 2 / 16, (1 / 16) / (1 - 1 / 16)])
    later = year_shares(above, (YearCut(12.0, np.inf), YearCut(13.0, np.inf)), *np.zeros((2, 1)))
    assert later[1, 0] == 0.0  # a higher mark after a lower one takes nothing


def test_a_mark_held_low_takes_more():
    shares = year_shares(
        even_crown(4.0, 20.0), (YearCut(16.0, np.inf),), np.zeros(2), np.array([-1.0, 0.0])
    )
    assert shares[0].tolist() == pytest.approx([5 / 16, 4 / 16])


def test_draws_are_the_same_for_a_seed_and_independent_between_trees_and_of_the_stick():
    one, two = draw_errors([0.4, 1.0], 0.2, N, 9), draw_errors([0.4, 1.0], 0.2, N, 9)
    assert (one.height_ft == two.height_ft).all() and (one.stick_ft == two.stick_ft).all()
    assert (draw_errors([0.4, 1.0], 0.2, N, 10).height_ft != one.height_ft).all()
    stack = np.corrcoef([*one.height_ft, *one.stick_ft])
    assert np.abs(stack - np.eye(4)).max() < 4.5 / np.sqrt(N)
    assert one.height_ft.std(axis=1) == pytest.approx([0.4, 1.0], rel=0.03)
    assert one.stick_ft.std(axis=1) == pytest.approx([0.2, 0.2], rel=0.03)
    assert np.isnan(draw_errors([np.nan], 0.2, 3, 1).height_ft).all()


def test_the_interval_of_a_share_is_wilsons():
    # 0 of 10: z^2 / (n + z^2) = 3.84146 / 13.84146, worked by hand from the formula
    assert wilson_interval(0, 10) == pytest.approx((0.0, 0.277533), abs=1e-6)
    low, high = wilson_interval(5, 10)
    assert low == pytest.approx(0.5 - 0.263413, abs=2e-4) and high == pytest.approx(1 - low)
    assert wilson_interval(10, 10)[1] == pytest.approx(1.0)
