"""Marks of the stick: never more is taken than was planned, whatever was rounded before.

Expected values by whole inches and fractions; shares by adding up columns of foliage.
"""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geotrim.report.crew_cuts import top_marks
from geotrim.report.crew_first import Standing, first_words, readings
from geotrim.report.crew_tree import Cut
from geotrim.report.cut_heights import (
    decimal_down,
    decimal_up,
    feet_and_inches,
    inches_down,
    inches_up,
    stick_words,
)
from geotrim.report.window_facts import Cut as PlannedCut

INCH = Fraction(1, 12)
HEIGHTS = st.integers(1, 1_200_000).map(lambda n: Fraction(n, 10_000))


def test_inches_by_hand():
    # 12.47 * 12 = 149.64, up: 150 in = 12 ft 6 in
    assert stick_words(12.47) == "12 ft 6 in (12.50 ft)"
    # 6.04 * 12 = 72.48, up: 73 in = 6 ft 1 in = 6.0833 ft; 9.98 * 12 = 119.76, down: 119 in
    assert stick_words(6.04, 9.98) == "6 ft 1 in to 9 ft 11 in (6.09 to 9.91 ft)"
    assert stick_words(6.0, 10.0) == "6 ft 0 in to 10 ft 0 in (6.00 to 10.00 ft)"
    assert stick_words(6.01, 6.08) == "less than an inch at 6 ft 1 in"
    assert feet_and_inches(143) == "11 ft 11 in"
    assert inches_up(0.1 + 0.2) == 4  # 3.6 in
    assert inches_up(1 / 3 + 1e-12) == 4 and inches_down(1 / 3 - 1e-12) == 4


@given(HEIGHTS)
def test_a_mark_goes_to_the_next_inch_and_its_decimal_to_the_next_hundredth(height):
    up, down = inches_up(float(height)), inches_down(float(height))
    assert height <= up * INCH < height + INCH
    assert height - INCH < down * INCH <= height
    hundredth = Fraction(1, 100)
    assert up * INCH <= Fraction(decimal_up(up)) < up * INCH + hundredth
    assert down * INCH - hundredth < Fraction(decimal_down(down)) <= down * INCH


@given(HEIGHTS, HEIGHTS)
def test_a_band_on_the_stick_lies_in_the_band(one, other):
    low, high = sorted((one, other))
    words = stick_words(float(low), float(high))
    if inches_down(float(high)) <= inches_up(float(low)):
        assert words.startswith("less than an inch")
        return
    feet = [int(part) for part in words.split(" (")[0].replace(" to", "").split() if part.isdigit()]
    assert low <= feet[0] + feet[1] * INCH < feet[2] + feet[3] * INCH <= high


def planned(lows):
    tops = [math.inf, *lows[:-1]]
    return [
        PlannedCut("a", k, low, top) for k, (low, top) in enumerate(zip(lows, tops, strict=True), 1)
    ]


def test_the_mark_of_a_later_year_by_hand():
    # A column from the ground, a quarter of what stands each year: 12.514 and 9.3855 ft.
    # 12.514 * 12 = 150.168: 151 in. From there a quarter is 37.75 in: no lower than 113.25 in,
    # so 114 in; the next inch over the plan, 113 in (9.4167 ft), would take 38 / 151 = 25.17 %.
    cuts = planned([12.514, 9.3855])
    assert top_marks(cuts) == {1: 151, 2: 114}
    assert top_marks(
        cuts, lambda low, high: 0.25 if math.isinf(high) else 1 - low / high, 0.25
    ) == {
        1: 151,
        2: 114,
    }


@given(
    st.floats(8.0, 60.0),
    st.floats(0.0, 0.6),
    st.lists(st.floats(0.02, 0.25), min_size=2, max_size=8),
    st.booleans(),
)
def test_no_year_of_one_column_takes_more_than_its_share(top, base_share, shares, knows):
    base = top * base_share
    lows, stands = [], top - base
    for share in shares:
        stands *= 1 - share
        lows.append(base + stands)
    taken = (lambda low, high: (min(high, top) - low) / (min(high, top) - base)) if knows else None
    marks = top_marks(planned(lows), taken, max(shares))
    before = top
    for year, low in enumerate(lows, start=1):
        mark = marks[year] / 12
        assert mark >= low - 1e-6
        assert (before - mark) / (before - base) <= max(shares) + 1e-6
        before = min(mark, before)


def share_of_band(tops, low, high):
    """Share of columns from the ground up that stands between two heights."""
    return (np.clip(tops, low, high) - low).clip(0).sum() / tops.sum()


@given(
    st.lists(st.floats(4.0, 30.0), min_size=1, max_size=30),
    st.lists(st.floats(0.05, 0.25), min_size=2, max_size=4),
)
def test_no_year_of_many_columns_takes_more_than_its_share(columns, shares):
    """Lows are found by halving on the columns themselves, a share of what stands each year."""
    tops = np.array(columns)
    lows, stands = [], tops
    for share in shares:
        low, high = 0.0, float(stands.max())
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (
                (middle, high) if share_of_band(stands, middle, 99) > share else (low, middle)
            )
        lows.append(high)
        stands = np.minimum(stands, high)
    marks = top_marks(planned(lows))
    stands = tops
    for year, share in enumerate(shares, start=1):
        mark = marks[year] / 12
        assert share_of_band(stands, mark, 99) <= share + 1e-9
        stands = np.minimum(stands, mark)


@pytest.mark.parametrize("is_top", [True, False])
@given(
    columns=st.lists(st.floats(5.0, 25.0), min_size=2, max_size=25),
    at=st.floats(0.3, 0.9),
    slack=st.floats(0.0, 0.2),
    error=st.floats(0.0, 1.5),
    where=st.floats(0.0, 1.0),
)
def test_every_reading_that_is_allowed_keeps_the_share(is_top, columns, at, slack, error, where):
    """All columns are off by as much as the top; the cut then takes no more than the limit."""
    tops = np.array(columns)
    top = float(tops.max())
    low, high = (at * top, math.inf) if is_top else (4.0, 4.0 + at * (top - 4.0))
    share = share_of_band(tops, low, min(high, 99))
    limit = min(share + slack, 0.95)
    tree = Standing(top, error, float(tops.mean()), math.inf, 0.2)
    least, most = readings(Cut(low, high, share, limit), tree, 0.95)
    read = least + where * (most - least)
    if most < least:
        return
    off = read - top
    moved = np.clip(tops + off, 0.0, None)
    if is_top:
        mark = low + max(off, 0.0)  # raised by the difference
        assert share_of_band(moved, mark, 99) <= limit + 1e-9
    else:
        assert share_of_band(moved, low, high) <= limit + 1e-9
        assert read >= high - 1e-9  # a band stays under a kept top


def test_readings_by_hand():
    # 1.959964 = 0.975 quantile of the normal distribution (statistical tables);
    # hypot(0.4, 0.2) = 0.447214; 1.959964 * 0.447214 = 0.876522
    tree = Standing(16.0, 0.4, 10.0, math.inf, 0.2)
    assert readings(Cut(9.3, math.inf, 0.25, 0.25), tree, 0.95) == pytest.approx(
        (16.0 - 0.876522, 16.0 + 0.876522), abs=1e-5
    )
    # 15.123478 * 12 = 181.48, up: 182 in; 16.876522 * 12 = 202.52, down: 202 in
    assert first_words(Cut(9.3, math.inf, 0.25, 0.25), tree, 0.95) == (
        "READ THE TOP FIRST (planned: 16.0 ft): cut only at 15 ft 2 in to 16 ft 10 in; over 16 ft "
        "0 in raise the mark by the difference. Else do not cut: write the reading down, a new "
        "plan is needed."
    )
    # A band that takes all it may leaves no reading but the planned one.
    words = first_words(Cut(6.0, 10.0, 0.25, 0.25), tree, 0.95)
    assert "no reading leaves room for this cut. Do not cut" in words
    # With 20 % of 25 %: down 10 * (0.05 / 0.25) = 2 ft, up 10 * 0.05 / 0.75 = 0.667 ft
    low, high = readings(Cut(6.0, 10.0, 0.20, 0.25), tree, 0.95)
    assert (low, high) == pytest.approx((16.0 - 0.876522, 16.0 + 2 / 3), abs=1e-5)
    # A limit of 16.5 ft before the cut, kept by 1.644854 * 0.2 = 0.328971 ft (0.95 quantile)
    capped = Standing(16.0, 0.4, 10.0, 16.5, 0.2)
    assert readings(Cut(9.3, math.inf, 0.25, 0.25), capped, 0.95)[1] == pytest.approx(
        16.171029, abs=1e-5
    )


def test_a_year_that_takes_less_than_it_may_is_not_raised():
    # From 151 in to 9.9 ft = 118.8, up 119 in: 32 / 151 = 21.2 %
    def taken(low, high):
        return 0.25 if math.isinf(high) else 1 - low / high

    assert top_marks(planned([12.514, 9.9]), taken, 0.25) == {1: 151, 2: 119}
    assert top_marks(planned([12.5])) == {1: 150}


def test_a_deep_cut_of_a_spiky_tree_allows_no_lower_reading():
    """One column of 30 ft among nine of 5 ft: 1 ft lower, a deep cut takes a greater share.

    From 10 ft up 20 of 75 = 26.7 %; all 1 ft lower 19 of 65 = 29.2 %.
    """
    tops = np.array([30.0] + [5.0] * 9)
    share = share_of_band(tops, 10.0, 99)
    assert share_of_band(tops - 1.0, 10.0, 99) > share
    low, _ = readings(
        Cut(10.0, math.inf, share, share), Standing(30.0, 1.0, 7.5, math.inf, 0.2), 0.95
    )
    assert low == pytest.approx(30.0)


def test_no_reading_under_the_mark_or_the_band_is_allowed():
    """The top must stand over the mark, or over the band, though the error would allow less."""
    tree = Standing(10.0, 5.0, 10.0, math.inf, 0.2)
    assert readings(Cut(9.5, math.inf, 0.05, 0.25), tree, 0.95)[0] == 9.5
    assert readings(Cut(6.0, 9.0, 0.01, 0.25), tree, 0.95)[0] == 9.0
