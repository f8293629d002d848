"""Limits of a window: which rules of which way, how much a year, how much of the shore.

Numbers are those of the act and of good practice as the fact sheet restates them: s. 403.9326(1)(a)
and (b) F.S. (10 ft, 24 ft, 6 ft, 16 ft, 25 % a year, 65 % over 150 ft), ANSI A300-1995 5.3.1 (a
quarter), or arithmetic by hand.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from geotrim.errors import RangeError
from geotrim.ops import window_rules as rules
from geotrim.ops.window_spans import spans_asked
from geotrim.rules.rule_file import read_overlay
from geotrim.rules.rule_set import rule_set
from geotrim.rules.verdict import MET, NOT_MET, TOO_CLOSE, UNKNOWN

HEAD = """
[file]
id = "town"
kind = "overlay"
title = "Town (invented)"
jurisdiction = "Town (invented)"
version = "1"
"""
SOURCE = """
section = "invented code 1"
confidence = "read in source"
read_on = "2026-11"
"""


def overlay(text):
    return rule_set([read_overlay(HEAD + text, "town.toml")])


def tightened(rule, number, unit="ft", more=""):
    return overlay(f'[tighten.{rule}]\nnumber = {number}\nunit = "{unit}"\n{more}{SOURCE}')


def added(measure, compare, number, unit="ft", effect="condition", route="professional-exemption"):
    return overlay(
        f'[rule.own]\nwords = "An own rule."\nmeasure = "{measure}"\ncompare = "{compare}"\n'
        f'number = {number}\nunit = "{unit}"\napplies_to = "tree"\nbinds = "everyone"\n'
        f'routes = ["{route}"]\neffect = "{effect}"{SOURCE}'
    )


def seen(top, error=0.0, red=1.0, base=np.nan, shoreline=120.0):
    top = np.atleast_1d(np.asarray(top, dtype=float))
    return rules.Seen(
        top_ft=top,
        error_ft=np.full(len(top), error),
        is_red=np.zeros(len(top)) + red,
        is_mangrove=np.ones(len(top)),
        base_ft=np.zeros(len(top)) + base,
        shoreline_ft=shoreline,
        shoreline_error_ft=0.0,
        confidence_frac=0.95,
    )


PLAIN = rule_set()


@pytest.mark.parametrize(
    ("asked", "facts", "route", "is_assumed"),
    [
        ("auto", {"supervisor": "owner"}, "owner-exemption", False),
        ("auto", {"supervisor": "professional"}, "professional-exemption", False),
        ("auto", {}, "professional-exemption", True),
        ("general-permit", {"supervisor": "owner"}, "general-permit", False),
        ("owner-exemption", {}, "owner-exemption", False),
    ],
)
def test_the_way_is_that_of_who_supervises_unless_another_is_asked_for(
    asked, facts, route, is_assumed
):
    way = rules.way_of(asked, facts, PLAIN)
    assert (way.route, way.is_assumed) == (route, is_assumed)


@pytest.mark.parametrize(
    ("route", "most", "least"),
    [
        ("owner-exemption", 10.0, 6.0),  # (1)(a)2
        ("professional-exemption", 24.0, 6.0),  # (1)(b)2
        ("general-permit", None, 6.0),  # s. 403.9327(1)(a): no height cap seen
    ],
)
def test_each_way_has_its_heights_before_and_after(route, most, least):
    way = rules.way_of(route, {}, PLAIN)
    before = [rule.limit.number for rule in way.before if rule.limit.measure == "top_height_ft"]
    assert before == ([] if most is None else [most])
    assert rules.least_height_ft(way, 0.0) == least
    assert rules.least_height_ft(way, 0.5) == least + 0.5


def test_an_overlay_raises_the_floor_of_the_way_it_is_for():
    town = tightened("permit-height-after", 8.0)
    assert rules.least_height_ft(rules.way_of("general-permit", {}, town), 0.5) == 8.5
    assert rules.least_height_ft(rules.way_of("owner-exemption", {}, town), 0.5) == 6.5
    own = added("height_after_ft", ">=", 7.0)
    assert rules.least_height_ft(rules.way_of("professional-exemption", {}, own), 0.0) == 7.0


def test_a_floor_that_must_be_passed_is_passed():
    town = tightened("permit-height-after", 6.0, more='compare = ">"\n')
    way = rules.way_of("general-permit", {}, town)
    assert way.floor.limit.judge(rules.least_height_ft(way, 0.0), 0.0, 0.95) == MET
    assert way.floor.limit.judge(6.0, 0.0, 0.95) == NOT_MET


def test_what_hangs_on_the_cut_is_not_among_what_is_judged_before():
    for route in ("owner-exemption", "professional-exemption", "general-permit"):
        way = rules.way_of(route, {}, PLAIN)
        measures = {rule.limit.measure for rule in way.before}
        assert not measures & {*rules.OF_THE_CUT, "is_mangrove"}
        assert {"limit_margin_ft", "uses_herbicide"} <= measures


def test_a_local_condition_on_heights_before_the_cut_counts_too():
    way = rules.way_of("professional-exemption", {}, added("top_height_ft", "<=", 20.0))
    assert {r.limit.number for r in way.before if r.limit.measure == "top_height_ft"} == {
        24.0,
        20.0,
    }


def test_rules_that_the_readings_drop_are_left_out():
    way = rules.way_of("professional-exemption", {}, PLAIN, ["professional-stages", "island"])
    assert way.stages == () and "island" not in {rule.id for rule in way.before}


@pytest.mark.parametrize(
    ("n", "reading", "share"),
    [  # staging arithmetic of the fact sheet: 25.0, 43.75, 57.81, 68.36 %
        (1, "standing-each-year", 0.25),
        (2, "standing-each-year", 0.4375),
        (3, "standing-each-year", 0.578125),
        (4, "standing-each-year", 0.68359375),
        (1, "original", 0.25),
        (3, "original", 0.75),
        (5, "original", 1.0),
    ],
)
def test_share_over_years(n, reading, share):
    assert rules.most_frac(np.array([0.25]), n, reading)[0] == pytest.approx(share, abs=1e-12)


@pytest.mark.parametrize(
    ("top", "error", "start", "share"),
    [
        (15.9, 0.0, 16.0, 1.0),  # M-28: 15.99 no stage, 16.00 staged
        (16.0, 0.0, 16.0, 0.25),
        (15.9, 0.5, 16.0, 0.25),  # too close to 16 ft to tell: counts as over
        (15.9, 0.0, 0.0, 0.25),  # good practice at any height
        (15.9, 0.0, 12.0, 0.25),
        (30.0, 0.0, 500.0, 0.25),  # what the act asks for cannot be switched off
        (9.0, 0.0, 500.0, 1.0),
        (np.nan, 0.0, 500.0, 0.25),  # of a height nobody knows the stage may bind
    ],
)
def test_share_a_year_by_height(top, error, start, share):
    way = rules.way_of("professional-exemption", {}, PLAIN)
    found, by = rules.yearly_share(way, seen(top, error), start)
    assert found[0] == share
    assert (by[0] is None) == (share == 1.0)


def test_the_owner_has_no_stage_but_good_practice():
    way = rules.way_of("owner-exemption", {}, PLAIN)
    assert rules.yearly_share(way, seen([20.0, 9.0]), 500.0)[0].tolist() == [1.0, 1.0]
    found, by = rules.yearly_share(way, seen([20.0, 9.0]), 0.0)
    assert found.tolist() == [0.25, 0.25] and {rule.id for rule in by} == {"quarter-a-year"}


def test_the_smallest_share_a_year_counts():
    town = tightened("professional-stages", 0.2, "frac")
    way = rules.way_of("professional-exemption", {}, town)
    found, by = rules.yearly_share(way, seen([20.0, 9.0]), 0.0)
    assert found.tolist() == [0.2, 0.25] and by[0].id == "professional-stages"
    practice = tightened("quarter-a-year", 0.1, "frac")
    way = rules.way_of("professional-exemption", {}, practice)
    assert rules.yearly_share(way, seen([20.0, 9.0]), 0.0)[0].tolist() == [0.1, 0.1]


def test_a_red_is_not_cut_below_its_lowest_foliage_others_are():
    way = rules.way_of("owner-exemption", {}, PLAIN)
    red = next(rule for rule in way.cuts if rule.id == rules.RED)
    trees = seen([12.0] * 4, red=np.array([1.0, 1.0, 0.0, np.nan]), base=np.array([7, 6, 7, 7.0]))
    codes = rules.cut_codes(red, trees, np.arange(4), np.full(4, 6.0))
    assert codes.tolist() == [NOT_MET, MET, MET, UNKNOWN]
    assert rules.is_barred(codes).tolist() == [True, False, False, False]


def test_too_close_to_call_bars_and_unknown_does_not():
    codes = np.array([NOT_MET, UNKNOWN, TOO_CLOSE, MET], dtype=np.int8)
    assert rules.is_barred(codes).tolist() == [True, False, True, False]


def findings(rows):
    columns = ["lot_id", "crown_id", "rule_id", "verdict", "settle"]
    return pd.DataFrame(rows, columns=columns)


def test_verdicts_are_found_by_tree_or_for_the_lot_and_what_is_not_listed_is_met():
    table = findings(
        [
            ("A", "t1", "one", "not met", ""),
            ("A", "t2", "one", "too close", "measure"),
            ("B", "t3", "one", "not met", ""),
            ("A", None, "two", "unknown", "ask"),
        ]
    )
    codes, settle = rules.codes_found(table, "A", "one", ["t1", "t2", "t3"])
    assert codes.tolist() == [NOT_MET, TOO_CLOSE, MET] and settle == "measure"
    codes, settle = rules.codes_found(table, "A", "two", ["t1", "t2"])
    assert codes.tolist() == [UNKNOWN, UNKNOWN] and settle == "ask"
    assert rules.codes_found(table, "A", "none", ["t1"])[0].tolist() == [MET]


def caps(**changed):
    row = {
        "lot_id": "A", "route": "owner-exemption", "share_frac": 0.65, "is_binding": True,
        "n_allowed_trees": 26, "allowed_length_ft": 130.0, "allowed_area_ft2": 650.0,
        "words": "Cap.", "section": "s. 1", "confidence": "read in source", **changed,
    }  # fmt: skip
    return pd.DataFrame([row]).astype({"is_binding": "boolean"})


@pytest.mark.parametrize(
    ("reading", "found"),
    [
        ("smallest", (26, 130.0, 650.0)),
        ("trees", (26, None, None)),
        ("length", (None, 130.0, None)),
        ("area", (None, None, 650.0)),
    ],
)
def test_the_allowance_is_measured_as_the_reading_says(reading, found):
    one = rules.allowance(caps(), "A", "owner-exemption", reading)
    assert (one.trees, one.length_ft, one.area_ft2) == found and one.is_sure


def test_a_cap_that_may_bind_binds_and_one_that_does_not_is_none():
    may = rules.allowance(caps(is_binding=None), "A", "owner-exemption", "smallest")
    assert may.trees == 26 and not may.is_sure
    for table, lot, route in (
        (caps(is_binding=False), "A", "owner-exemption"),
        (caps(), "B", "owner-exemption"),
        (caps(), "A", "professional-exemption"),
    ):
        none = rules.allowance(table, lot, route, "smallest")
        assert (none.trees, none.length_ft, none.area_ft2) == (None, None, None)


def test_of_several_caps_the_least_counts():
    both = pd.concat([caps(), caps(share_frac=0.5, n_allowed_trees=20, allowed_length_ft=140.0)])
    one = rules.allowance(both, "A", "owner-exemption", "smallest")
    assert (one.trees, one.length_ft, one.area_ft2) == (20, 130.0, 650.0)


@pytest.mark.parametrize(
    ("text", "spans"),
    [
        ("43-61", ((43.0, 61.0),)),
        ("80-95, 43-61.5", ((43.0, 61.5), (80.0, 95.0))),
        ("0-5,5-9", ((0.0, 5.0), (5.0, 9.0))),
        (" 1.5 to 9. ", ((1.5, 9.0),)),
        (None, None),
    ],
)
def test_spans_are_read(text, spans):
    assert spans_asked(text) == spans


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("", "''"),
        ("43", "'43'"),
        ("43-61,", "''"),
        ("61-43", "61-43"),
        ("43-43", "43-43"),
        ("a-b", "'a-b'"),
        ("-5-9", "'-5-9'"),
        ("43-61,60-70", "43-61 over 60-70"),
        ("1e3-5", "'1e3-5'"),
        ("nan-5", "'nan-5'"),
    ],
)
def test_spans_that_cannot_be_read_are_named(text, named):
    with pytest.raises(RangeError, match="window_spans_ft") as caught:
        spans_asked(text)
    assert named in caught.value.found and "43-61,80-95" in caught.value.mend


@pytest.mark.parametrize("reading", ["standing-each-year", "original"])
@pytest.mark.parametrize("regrowth", [0.0, 0.1, 0.3, 0.4])
@pytest.mark.parametrize("margin", [0.0, 0.03])
def test_what_years_allow_with_regrowth_is_what_the_stages_reach(reading, regrowth, margin):
    """An even column cut for some years at the full share, the front followed year by year."""
    from geotrim.core.staging import ShareMeasure, yearly_cuts

    way = rules.way_of("professional-exemption", {}, PLAIN)
    share, _ = rules.yearly_share(way, seen([20.0]), 0.0, margin)
    assert share == pytest.approx([0.25 - margin])
    column = ShareMeasure(lambda h: 1.0 - h / 20.0, lambda s: 20.0 * (1.0 - s))
    for years in (1, 2, 3, 5):
        found = yearly_cuts(
            [column], np.array([True]), [20.0], [0.5], share, reading=reading,
            regrowth_frac=regrowth, most_years=years,
        )  # fmt: skip
        most = rules.most_frac(share, years, reading, regrowth)
        assert np.minimum(most, 0.975) == pytest.approx(1.0 - found.last_front_ft / 20.0)
    if (1.0 - share[0]) * (1.0 + regrowth) >= 1.0:
        assert most == pytest.approx(share)  # all of a year's cut grows back before the next


def test_years_of_cuts_by_hand():
    """1 - 0.75^2; half as much again grows back: 0.75 and 0.9 at r = 0.2, then 0.9 * 0.75."""
    quarter = np.array([0.25])
    standing = rules.most_frac(quarter, 2, "standing-each-year")
    assert standing == pytest.approx([0.4375])
    regrown = rules.most_frac(quarter, 2, "standing-each-year", 0.2)
    assert regrown == pytest.approx([1 - 0.9 * 0.75])
    assert rules.most_frac(quarter, 9, "original") == pytest.approx([1.0])
