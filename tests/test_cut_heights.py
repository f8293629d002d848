"""Heights to cut to, rounded to tenths of a foot on the safe side.

Expected values by exact decimals: a top never lower, a band never wider than was reckoned.
"""

from __future__ import annotations

from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from hypothesis import given
from hypothesis import strategies as st

from geotrim.report.cut_heights import band_words, cleared_up_to, top_to

TENTH = Decimal("0.1")


@given(st.integers(0, 2_000_000))
def test_a_top_goes_up_and_a_band_down_to_a_tenth(ten_thousandths):
    exact = Decimal(ten_thousandths) / 10_000
    height = float(exact)
    assert Decimal(str(top_to(height))) == exact.quantize(TENTH, rounding=ROUND_CEILING)
    assert Decimal(str(cleared_up_to(height))) == exact.quantize(TENTH, rounding=ROUND_FLOOR)


def test_error_of_arithmetic_is_no_tenth():
    assert top_to(0.1 + 0.2) == cleared_up_to(0.1 + 0.2) == 0.3  # 0.30000000000000004
    assert top_to(10.0 - 1e-12) == cleared_up_to(10.0 - 1e-12) == 10.0


def test_a_band_too_thin_to_tell_is_not_told_as_one():
    assert band_words(6.02, 6.08) == "less than 0.1 ft at 6.1 ft"
    assert band_words(6.02, 9.98) == "6.1 to 9.9 ft"
