"""From answers, polygons and heights to the values that rules are held against."""

from __future__ import annotations

import datetime
import math
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from cases import lot, verdict
from hypothesis import given
from hypothesis import strategies as st

from geotrim.rules.case import (
    Case,
    Measured,
    both,
    contrary,
    days_out_of_season,
    either,
    fact_values,
    months_between,
)
from geotrim.rules.decide import decide
from geotrim.rules.derive import derived, land_flags
from geotrim.rules.readings import Readings
from geotrim.rules.rule_file import measures
from geotrim.rules.rule_set import rule_set

NAN = float("nan")
YES_NO = (0.0, 1.0, NAN)
#: Kleene's values: false, undecided, true.
SIGN = {0.0: -1, 1.0: 1}


def sign(value):
    return SIGN.get(float(value), 0)


def day(text):
    return datetime.date.fromisoformat(text)


@pytest.mark.parametrize(("p", "q"), list(product(YES_NO, repeat=2)))
def test_yes_no_and_unknown_are_joined_as_kleene_does(p, q):
    """Introduction to Metamathematics, 1952, section 64, strong tables, from memory."""
    assert sign(both(p, q)) == min(sign(p), sign(q))
    assert sign(either(p, q)) == max(sign(p), sign(q))
    assert sign(contrary(p)) == -sign(p)
    trees = np.array([p, p]), np.array([q, q])
    assert [sign(one) for one in both(*trees)] == [min(sign(p), sign(q))] * 2
    assert isinstance(both(p, q), float)


@pytest.mark.parametrize(
    ("first", "last", "months"),
    [
        ("2027-01-01", "2027-07-01", 6.0),  # 181 days
        ("2027-08-15", "2028-02-15", 6.0),  # 184 days
        ("2027-01-01", "2027-06-30", 5 + 29 / 30),
        ("2027-01-31", "2027-02-28", 1.0),  # February has no 31st
        ("2027-01-31", "2027-02-15", 15 / 28),
        ("2026-12-20", "2027-01-20", 1.0),
        ("2027-03-01", "2027-03-01", 0.0),
        ("2027-07-01", "2027-01-01", -6.0),
    ],
)
def test_months_are_those_of_the_calendar(first, last, months):
    assert months_between(day(first), day(last)) == pytest.approx(months)


dates = st.dates(day("2020-01-01"), day("2035-12-31"))


@given(first=dates, last=dates, days=st.integers(1, 60))
def test_a_later_day_is_more_months_away(first, last, days):
    later = last + datetime.timedelta(days=days)
    assert months_between(first, later) >= months_between(first, last)
    assert abs(months_between(first, later) - (later - first).days / 30.44) < 1.2


@pytest.mark.parametrize(
    ("when", "season", "days"),
    [
        ("2026-10-01", "october-to-march", 0.0),
        ("2026-12-31", "october-to-march", 0.0),
        ("2027-01-01", "october-to-march", 0.0),
        ("2027-03-31", "october-to-march", 0.0),
        ("2027-04-01", "october-to-march", 1.0),
        ("2027-04-10", "october-to-march", 10.0),
        ("2027-09-30", "october-to-march", 1.0),
        ("2027-07-01", "october-to-march", 92.0),  # 92 both ways: 30+31+30+1 and 31+31+30
        ("2027-04-01", "late-spring", 0.0),
        ("2027-06-30", "late-spring", 0.0),
        ("2027-03-31", "late-spring", 1.0),
        ("2027-07-01", "late-spring", 1.0),
        ("2027-12-31", "late-spring", 92.0),  # to 1 April 2028: 1 + 31 + 29 + 31
        ("2028-01-01", "late-spring", 91.0),
    ],
)
def test_days_out_of_season(when, season, days):
    """Counted on a calendar by hand."""
    assert days_out_of_season(day(when), season) == days


@given(dates)
def test_a_day_next_to_another_is_at_most_one_day_further_out(when):
    for season in ("october-to-march", "late-spring"):
        here = days_out_of_season(when, season)
        there = days_out_of_season(when + datetime.timedelta(days=1), season)
        assert here >= 0 and abs(here - there) <= 1


def test_without_answers_everything_is_unknown():
    assert all(math.isnan(value) for value in fact_values({}, "october-to-march").values())


def test_a_case_without_values_knows_nothing():
    seen = derived(Case("lot"), Readings())
    assert set(seen) == set(measures())
    assert all(np.isnan(one.value).all() for one in seen.values())


@pytest.mark.parametrize(
    ("answers", "name", "expected"),
    [
        ({"supervisor": "owner"}, "is_owner_supervising", 1.0),
        ({"supervisor": "owner"}, "is_professional", 0.0),
        ({"supervisor": "professional"}, "is_owner_supervising", 0.0),
        ({"supervisor": "professional"}, "is_professional", NAN),
        ({"supervisor": "professional", "professional_credential": "none"}, "is_professional", 0.0),
        (
            {"supervisor": "professional", "professional_credential": "landscape-architect"},
            "is_professional",
            1.0,
        ),
        ({"professional_credential": "certified-arborist"}, "is_professional", NAN),
        ({"is_mitigation_land": False}, "is_mitigation_silent", 0.0),
        ({"is_mitigation_land": True}, "is_mitigation_silent", NAN),
        ({"mitigation_provides_trimming": True}, "is_mitigation_silent", 0.0),
        (
            {"is_mitigation_land": True, "mitigation_provides_trimming": False},
            "is_mitigation_silent",
            1.0,
        ),
        ({"earlier_proof": "affidavit"}, "has_earlier_proof", 1.0),
        ({"earlier_proof": "permit"}, "has_earlier_proof", 1.0),
        ({"earlier_proof": "none"}, "has_earlier_proof", 0.0),
        (
            {"notice_date": day("2027-01-01"), "start_date": day("2027-01-08")},
            "notice_days",
            7.0,
        ),
        (
            {"notice_date": day("2027-01-09"), "start_date": day("2027-01-08")},
            "notice_days",
            -1.0,
        ),
        ({"start_date": day("2027-01-08")}, "notice_days", NAN),
        ({"start_date": day("2027-02-01")}, "is_nesting_season", 1.0),
        ({"start_date": day("2027-09-30")}, "is_nesting_season", 1.0),
        ({"start_date": day("2027-10-01")}, "is_nesting_season", 0.0),
    ],
)
def test_what_an_answer_means(answers, name, expected):
    found = fact_values(answers, "october-to-march")[name]
    assert found == pytest.approx(expected, nan_ok=True)


NOTHING_TOLD = fact_values({}, "october-to-march")
NO_LAND = fact_values(
    {
        "is_uninhabited_island": False,
        "is_public_land": False,
        "is_conservation_land": False,
        "is_mitigation_land": False,
    },
    "october-to-march",
)


@pytest.mark.parametrize(
    ("told", "covers", "expected"),
    [
        # name of the flag -> yes, no or unknown
        (NO_LAND, {}, {"is_island": 0, "is_conservation_land": 0, "is_set_aside": 0}),
        (NOTHING_TOLD, {}, {"is_island": NAN, "is_mitigation_silent": NAN, "is_set_aside": NAN}),
        (NO_LAND, {"in_conservation": 1.0}, {"is_conservation_land": 1, "is_set_aside": 1}),
        (NO_LAND, {"in_conservation": NAN}, {"is_conservation_land": NAN, "is_set_aside": NAN}),
        (NOTHING_TOLD, {"in_conservation": 0.0}, {"is_conservation_land": NAN}),
        (NO_LAND, {"in_mitigation": 1.0}, {"is_mitigation_silent": 1, "is_set_aside": 1}),
        (NO_LAND, {"in_island": 1.0}, {"is_island": 1, "is_public_island": 0, "is_set_aside": 0}),
        (NOTHING_TOLD, {"in_island": 1.0}, {"is_island": 1, "is_public_island": NAN}),
        # a public island that is drawn is an island
        (NO_LAND, {"in_public_island": 1.0},
         {"is_island": 1, "is_public_island": 1, "is_set_aside": 1}),
        # an island that is drawn, on land said to be public
        ({**NO_LAND, "is_public_land": 1.0}, {"in_island": 1.0},
         {"is_public_island": 1, "is_set_aside": 1}),
        ({**NO_LAND, "is_public_land": 1.0}, {}, {"is_public_island": 0, "is_set_aside": 0}),
    ],
)  # fmt: skip
def test_land_by_facts_and_by_polygons(told, covers, expected):
    found = land_flags(told, covers)
    for name, value in expected.items():
        assert found[name] == pytest.approx(value, nan_ok=True), name


def test_polygons_cover_tree_by_tree():
    case = lot(height_ft=[9.0, 9.0, 9.0], values={"in_mitigation": [0.0, 1.0, NAN]})
    found = derived(case, Readings())["is_mitigation_silent"].value
    assert list(found[:2]) == [0.0, 1.0] and np.isnan(found[2])


@pytest.mark.parametrize(
    ("field", "raster", "expected"),
    [
        ((9.5, 0.1), (10.5, 0.5), (9.5, 0.1)),  # a staff goes before a raster
        ((NAN, 0.1), (10.5, 0.5), (10.5, 0.5)),
        ((9.5, 0.1), (NAN, 0.5), (9.5, 0.1)),
        ((NAN, 0.1), (NAN, 0.5), (NAN, None)),
    ],
)
def test_height_and_its_error_go_together(field, raster, expected):
    values = {
        "field_height_ft": Measured.of([field[0]], field[1]),
        "raster_height_ft": Measured.of([raster[0]], raster[1]),
    }
    found = derived(lot(values=values), Readings())["top_height_ft"]
    assert found.value[0] == pytest.approx(expected[0], nan_ok=True)
    if expected[1] is not None:
        assert found.error[0] == expected[1]


@pytest.mark.parametrize(
    ("height_ft", "target_ft", "after_ft", "error_ft"),
    [
        (9.0, 7.0, 7.0, 0.0),  # cut to where it is planned
        (6.5, 7.0, 6.5, 0.4),  # lower already: as tall, and as sure, as it is
        (7.0, 7.0, 7.0, 0.0),
        (NAN, 7.0, NAN, None),
        (9.0, NAN, NAN, None),
    ],
)
def test_height_after_the_cut(height_ft, target_ft, after_ft, error_ft):
    case = lot(height_ft=height_ft, target_ft=target_ft, error_ft=0.4)
    seen = derived(case, Readings())
    after, over = seen["height_after_ft"], seen["above_earlier_ft"]
    assert after.value[0] == pytest.approx(after_ft, nan_ok=True)
    assert over.value[0] == pytest.approx(after_ft - 4.0, nan_ok=True)  # 4 ft were established
    if error_ft is not None:
        assert after.error[0] == over.error[0] == error_ft


def test_a_cut_below_the_lowest_foliage_is_negative():
    case = lot(target_ft=6.0, values={"base_height_ft": [7.5]})
    assert derived(case, Readings())["cut_above_base_ft"].value[0] == -1.5


@pytest.mark.parametrize(
    ("reading", "expected"), [("smallest", 0.7), ("trees", 0.6), ("length", 0.7), ("area", 0.5)]
)
def test_of_three_shares_the_greatest_counts_against_the_cap(reading, expected):
    shares = {"share_of_trees_frac": 0.6, "share_of_length_frac": 0.7, "share_of_area_frac": 0.5}
    read = Readings({"share_measure_reading": reading})
    assert float(derived(lot(values=shares), read)["share_trimmed_frac"].value) == expected
    unknown = {**shares, "share_of_area_frac": NAN}
    seen = float(derived(lot(values=unknown), read)["share_trimmed_frac"].value)
    assert math.isnan(seen) if reading in ("smallest", "area") else seen == expected


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, 0.6),  # the raster's own word for the height that decides
        ({"field_height_ft": [18.0]}, 10 / 18),  # another height: a crown as wide as at its base
        ({"field_height_ft": [18.0], "base_height_ft": [5.0]}, 10 / 13),
        ({"field_height_ft": [18.0], "base_height_ft": [NAN]}, 10 / 18),  # down to the substrate
        ({"foliage_removed_frac": [NAN]}, 12 / 20),
        ({"foliage_removed_frac": [NAN], "base_height_ft": [4.0]}, 12 / 16),
        ({"base_height_ft": [8.0]}, 1.0),  # a cut at the lowest foliage takes all
        ({"field_height_ft": [8.0]}, 0.0),  # no taller than it is to be left
        ({"raster_height_ft": [NAN]}, NAN),
        ({"target_height_ft": [NAN]}, NAN),
    ],
)
def test_share_of_the_foliage_that_a_cut_takes(changes, expected):
    """Heights in ft over the height of the crown, by hand; 20 ft by the raster, cut to 8."""
    case = lot(height_ft=20.0, target_ft=8.0, values={"foliage_removed_frac": [0.6], **changes})
    seen = derived(case, Readings())
    assert seen["foliage_removed_frac"].value[0] == pytest.approx(expected, nan_ok=True)
    assert seen["yearly_removed_frac"].value[0] == pytest.approx(expected, nan_ok=True)


def test_a_raised_height_is_not_the_rasters_own():
    """20 + 1.125 ft, cut to 8."""
    case = lot(height_ft=20.0, target_ft=8.0, values={"foliage_removed_frac": [0.1]})
    read = Readings({"substrate_reading": "ground-reads-high"})
    seen = derived(case, read)["foliage_removed_frac"].value[0]
    assert seen == pytest.approx(13.125 / 21.125)


@pytest.mark.parametrize(
    ("share", "field", "expected"),
    [
        (0.6, 20.0, 0.6),
        (0.6, 22.0, 0.7),
        (NAN, 20.0, NAN),
        (NAN, 22.0, NAN),
        (NAN, 8.0, 0.0),
    ],
)
def test_under_profiles_a_share_that_is_unknown_stays_so(share, field, expected):
    """A profile with 0.7 of the leaves above 6 ft; 20 ft by the raster, cut to 8."""
    case = lot(
        height_ft=20.0,
        target_ft=8.0,
        values={"foliage_removed_frac": [share], "field_height_ft": [field]},
    )
    case = replace(case, leaves_above=lambda height_ft: np.where(height_ft == 6.0, 0.7, 0.5))
    seen = derived(case, Readings())["foliage_removed_frac"].value[0]
    assert seen == pytest.approx(expected, nan_ok=True)


@pytest.mark.parametrize(
    ("most", "least", "expected"),
    [
        (0.65, 0.5, "met"),
        (0.7, 0.66, "not met"),
        (0.7, 0.65, "unknown"),  # as many as may be mangroves, or as few
        (0.7, NAN, "unknown"),
        (NAN, NAN, "unknown"),
    ],
)
def test_a_share_between_bounds(most, least, expected):
    """65 % of the mangroves, of which trees of unknown species may be some."""
    share = Measured(np.asarray(most), np.asarray(0.0), least=Measured.of(least, 0.0))
    kinds = ("share_of_trees_frac", "share_of_length_frac", "share_of_area_frac")
    case = lot(shore_ft=200.0, values=dict.fromkeys(kinds, share))
    assert verdict(decide(case, rule_set()), "owner-share") == expected
