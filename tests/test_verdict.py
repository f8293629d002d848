"""Verdicts on values with errors, and the three-valued logic that joins them."""

from __future__ import annotations

import math
from functools import reduce
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from strategies import errors_of_values, numbers

from geotrim.rules.verdict import (
    COMPARISONS,
    MET,
    NOT_MET,
    STATUS,
    TOO_CLOSE,
    UNKNOWN,
    WORDS,
    all_of,
    any_of,
    judge,
    margin,
    negated,
    standard_errors,
    under_condition,
)

VERDICTS = (NOT_MET, UNKNOWN, TOO_CLOSE, MET)
#: Kleene's three values; both kinds of "cannot be told" are the middle one.
THREE = {NOT_MET: -1, UNKNOWN: 0, TOO_CLOSE: 0, MET: 1}


def word(value, error, compare, number, **how):
    return WORDS[int(judge(value, error, compare, number, **how))]


@pytest.mark.parametrize(
    ("compare", "under", "on", "over"),
    [
        ("<=", "met", "met", "not met"),
        ("<", "met", "not met", "not met"),
        (">=", "not met", "met", "met"),
        (">", "not met", "not met", "met"),
        ("==", "not met", "met", "not met"),
    ],
)
def test_each_comparison_on_both_sides_of_its_edge(compare, under, on, over):
    """The meaning of the signs; 10 ft with a hundredth either way, as in the decision table."""
    assert [word(ft, 0.0, compare, 10.0) for ft in (9.99, 10.0, 10.01)] == [under, on, over]


def test_words_and_status_belong_to_the_codes():
    """Only *met* opens a route; both kinds of doubt leave it in question."""
    assert NOT_MET < UNKNOWN < TOO_CLOSE < MET
    assert [WORDS[code] for code in VERDICTS] == ["not met", "unknown", "too close", "met"]
    assert [STATUS[code] for code in VERDICTS] == ["closed", "depends", "depends", "open"]


@pytest.mark.parametrize(
    ("value", "compare", "expected"),
    [
        (50.0001, "<=", "met"),  # 50 US survey feet
        (50.004, "<=", "met"),
        (50.006, "<=", "not met"),
        (5.996, ">=", "met"),
        (5.994, ">=", "not met"),
        (15.996, ">=", "met"),
        (10.004, "<", "not met"),
        (9.996, ">", "not met"),
    ],
)
def test_half_a_hundredth_of_a_foot_is_on_the_edge(value, compare, expected):
    """The edges of the act are told apart at 0.01 ft; US survey feet are longer by 2 in a million.

    Source of the feet: 85 FR 62698.
    """
    number = round(value)
    assert word(value, 0.0, compare, number) == expected


def test_ten_feet_that_went_through_metres_in_single_precision_are_ten_feet():
    """1 ft is 0.3048 m exactly, NIST Handbook 44, appendix C."""
    feet = np.arange(1.0, 60.0)
    back = (feet * 0.3048).astype(np.float32).astype(np.float64) / 0.3048
    assert all(judge(back[k], 0.0, "<=", feet[k]) == MET for k in range(feet.size))
    assert all(judge(back[k], 0.0, ">=", feet[k]) == MET for k in range(feet.size))


@pytest.mark.parametrize(
    ("confidence", "reach"),
    [(0.6827, 1.0), (0.90, 1.6449), (0.95, 1.9600), (0.99, 2.5758)],
)
def test_reach_of_a_confidence_is_that_of_the_normal_table(confidence, reach):
    """Two-sided points of the standard normal distribution, as in any statistical table."""
    assert standard_errors(confidence) == pytest.approx(reach, abs=1e-4)


@pytest.mark.parametrize(
    ("value", "error", "expected"),
    [
        (9.8, 0.5, "too close"),  # D-19 of the decision table
        (9.0, 0.5, "met"),  # 1.0 from the edge; 1.96 x 0.5 = 0.98
        (9.03, 0.5, "too close"),
        (11.0, 0.5, "not met"),
        (10.97, 0.5, "too close"),
        (10.0, 0.001, "too close"),
        (9.8, np.nan, "met"),  # nobody stated an error: taken at its word
        (np.nan, 0.5, "unknown"),
        (np.nan, np.nan, "unknown"),
        (9.8, np.inf, "too close"),
    ],
)
def test_too_close_is_within_1_96_standard_errors(value, error, expected):
    assert word(value, error, "<=", 10.0) == expected


def test_a_higher_confidence_calls_more_too_close():
    """0.98 from the edge at a standard error of 0.5: inside 99 % (1.288), outside 90 % (0.822)."""
    assert word(9.02, 0.5, "<=", 10.0, confidence_frac=0.99) == "too close"
    assert word(9.02, 0.5, "<=", 10.0, confidence_frac=0.90) == "met"


def test_yes_and_no_have_no_error():
    assert word(1.0, 5.0, "==", 1.0) == "met"
    assert word(0.0, 5.0, "==", 1.0) == "not met"
    assert word(np.nan, 5.0, "==", 1.0) == "unknown"


def test_many_values_are_judged_at_once_each_with_its_own_error():
    codes = judge([9.0, 9.8, 11.0, np.nan], [0.0, 0.5, np.nan, 0.1], "<=", 10.0)
    assert [WORDS[code] for code in codes] == ["met", "too close", "not met", "unknown"]
    assert codes.dtype == np.int8


@pytest.mark.parametrize(
    ("value", "compare", "expected"),
    [
        (9.5, "<=", 0.5),
        (10.5, "<", -0.5),
        (9.5, ">=", -0.5),
        (10.5, ">", 0.5),
        (7.0, ">=", -3.0),  # D-17: 7 days' notice where 10 are due
    ],
)
def test_margin_is_positive_on_the_good_side(value, compare, expected):
    assert float(margin(value, compare, 10.0)) == pytest.approx(expected)


def test_yes_and_no_have_no_margin():
    assert math.isnan(float(margin(1.0, "==", 1.0)))


@given(
    value=numbers(0.0, 30.0),
    error=errors_of_values(),
    more=errors_of_values(),
    compare=st.sampled_from(COMPARISONS),
    number=numbers(0.0, 30.0),
)
def test_a_greater_error_only_adds_doubt(value, error, more, compare, number):
    small, great = sorted((np.nan_to_num(error), np.nan_to_num(more)))
    before, after = (int(judge(value, e, compare, number)) for e in (small, great))
    assert after in (before, TOO_CLOSE)


@given(value=numbers(0.0, 30.0), compare=st.sampled_from(COMPARISONS[:4]), number=numbers(0, 30))
def test_margin_and_verdict_agree(value, compare, number):
    """A positive margin is met, a negative one is not; at nothing the edge decides."""
    code = int(judge(value, 0.0, compare, number))
    apart = float(margin(value, compare, number))
    if abs(apart) > 1e-5:
        assert (code == MET) == (apart > 0)
    else:
        assert (code == MET) == ("=" in compare)


@given(
    value=numbers(0.0, 30.0),
    error=errors_of_values(),
    numbers_=st.tuples(numbers(0.0, 30.0), numbers(0.0, 30.0)),
    compare=st.sampled_from(COMPARISONS[:4]),
)
def test_a_stricter_number_never_gives_a_better_verdict(value, error, numbers_, compare):
    loose, strict = sorted(numbers_, reverse=compare[0] == "<")
    assert judge(value, error, compare, strict) <= judge(value, error, compare, loose)


def codes(*values):
    return [np.int8(value) for value in values]


@pytest.mark.parametrize("pair", list(product(VERDICTS, repeat=2)))
def test_and_or_not_are_kleenes(pair):
    """Least, greatest and turned sign of false -1, undecided 0, true 1.

    S. C. Kleene, Introduction to Metamathematics, 1952, section 64, strong tables, from memory.
    """
    p, q = pair
    assert THREE[int(all_of(codes(p, q)))] == min(THREE[p], THREE[q])
    assert THREE[int(any_of(codes(p, q)))] == max(THREE[p], THREE[q])
    assert THREE[int(negated(np.int8(p)))] == -THREE[p]
    # p implies q is (not p) or q
    assert THREE[int(under_condition(np.int8(p), np.int8(q)))] == max(-THREE[p], THREE[q])


several = st.lists(st.sampled_from(VERDICTS), min_size=1, max_size=6)


@given(several)
def test_laws_of_and_and_or(values):
    given_ = codes(*values)
    both, either = int(all_of(given_)), int(any_of(given_))
    assert both == min(values) and either == max(values)
    assert int(all_of(given_[::-1])) == both
    assert int(any_of(given_[::-1])) == either
    # De Morgan, in three values
    turned = [negated(code) for code in given_]
    assert THREE[int(any_of(turned))] == -THREE[both]
    assert THREE[int(all_of(turned))] == -THREE[either]
    # one that is met adds nothing to "all of", one that is not met nothing to "any of"
    assert int(all_of([*given_, np.int8(MET)])) == both
    assert int(any_of([*given_, np.int8(NOT_MET)])) == either


@given(several, st.data())
def test_knowing_less_never_makes_a_yes_or_a_no(values, data):
    """Where some verdicts become unknown, the whole stays as it was or becomes undecided."""
    hidden = [UNKNOWN if data.draw(st.booleans()) else value for value in values]
    for join in (all_of, any_of):
        before = THREE[int(join(codes(*values)))]
        after = THREE[int(join(codes(*hidden)))]
        assert after in (before, 0)
    chain = reduce(lambda p, q: under_condition(q, p), codes(*values))
    less = reduce(lambda p, q: under_condition(q, p), codes(*hidden))
    assert THREE[int(less)] in (THREE[int(chain)], 0)


def test_nothing_to_join():
    """All of nothing holds, any of nothing does not; so a route without conditions is open."""
    assert int(all_of([])) == MET
    assert int(any_of([])) == NOT_MET


def test_logic_works_tree_by_tree():
    one = np.array([MET, NOT_MET, UNKNOWN], dtype=np.int8)
    other = np.array([MET, MET, NOT_MET], dtype=np.int8)
    assert list(all_of([one, other])) == [MET, NOT_MET, NOT_MET]
    assert list(any_of([one, other])) == [MET, MET, UNKNOWN]
    assert list(negated(one)) == [NOT_MET, MET, UNKNOWN]
    assert list(under_condition(one, other)) == [MET, MET, UNKNOWN]
