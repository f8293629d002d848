"""Open questions of the act: each has a reading that changes what comes out, and says which.

A- numbers are rows of the sheet's table of ambiguities (1.5); lots are invented.
"""

from __future__ import annotations

import datetime

import pytest
from cases import GENERAL, A, B, C, lot, verdict

from geotrim.errors import RangeError
from geotrim.rules.compare import comparisons, reading_rows
from geotrim.rules.decide import decide
from geotrim.rules.derive import derived
from geotrim.rules.duties import caps, stages, told
from geotrim.rules.outcome import outcomes
from geotrim.rules.readings import Readings, questions
from geotrim.rules.rule_set import rule_set

RULES = rule_set()


def status(route):
    return lambda decision: decision.status(route)


def cap(route, field):
    """A figure of a route's cap; None without a cap."""

    def figure(decision):
        every = [getattr(one, field) for one in caps(decision) if one.route == route]
        return pytest.approx(every[0], abs=0.005) if every else None

    return figure


def finding(rule):
    return lambda decision: verdict(decision, rule)


def years(decision):
    return float(stages(decision, outcomes(decision)).years[0])


TALL = {"who": "professional", "height_ft": 20.0, "target_ft": 8.0}
LONG = {"shore_ft": 200.0}
SHARES = {"share_of_trees_frac": 0.6, "share_of_length_frac": 0.7, "share_of_area_frac": 0.5}
LENGTHS = {
    "shoreline_along_ft": 150.5,
    "shoreline_smoothed_ft": 149.0,
    "shoreline_chord_ft": 148.0,
}
DEPTHS = {
    "depth_greatest_ft": 55.0,
    "depth_station_ft": [45.0],
    "depth_local_greatest_ft": 48.0,
    "depth_local_station_ft": [60.0],
}
MAY = {"start_date": datetime.date(2027, 5, 10), "last_freeze_date": datetime.date(2026, 1, 1)}
ISLAND = {"is_uninhabited_island": True, "is_public_land": False}

#: Ambiguity -> setting, what is looked at, the lot, and what comes out under each reading; the
#: first is the default, as the sheet suggests it. For A-03 the sheet suggests a smoothed line;
#: smoothing only shortens, so the line as given is the careful side of 150 ft.
TABLE = {
    "A-01": (
        "share_cap_reading",
        cap(B, "allowed_length_ft"),
        {**LONG, "who": "professional"},
        {"owner-and-professional": 130.0, "owner-only": None},
    ),
    "A-02": (
        "share_measure_reading",
        finding("owner-share"),
        {**LONG, "values": SHARES},
        {"smallest": "not met", "trees": "met", "length": "not met", "area": "met"},
    ),
    "A-03": (
        "shoreline_reading",
        finding("owner-share"),
        {"values": {**LENGTHS, "share_of_trees_frac": 1.0}},
        {"along-line": "not met", "smoothed": "met", "chord": "met"},
    ),
    "A-04": (
        "substrate_reading",
        status(A),
        {"height_ft": 9.5},  # 9.5 + 1.125 ft: Collier County, 34.3 cm
        {"as-given": "open", "ground-reads-high": "closed"},
    ),
    "A-05": (
        "substrate_place_reading",
        status(A),
        {"height_ft": 10.5, "values": {"field_height_ft": [9.5]}},
        {"under-the-trunk": "open", "under-the-crown": "closed"},
    ),
    "A-06": (
        "foliage_reading",
        years,
        {**TALL, "values": {"foliage_removed_frac": [0.6]}},
        {"standing-each-year": 4.0, "original": 3.0},  # ln 0.4 / ln 0.75 = 3.19; 2.4
    ),
    "A-07": (
        "quarter_reading",
        years,
        {"who": "professional", "height_ft": 15.9, "values": {"foliage_removed_frac": [0.6]}},
        {"from-16-ft": 1.0, "any-height": 4.0},
    ),
    "A-08": (
        "cap_reading",
        status(A),
        {"height_ft": [9.0, 12.0]},
        {"each-tree": "open", "tallest-tree": "closed"},
    ),
    "A-09": (
        "depth_reading",
        status(A),
        {"values": DEPTHS},
        {"greatest": "closed", "by-station": "open"},
    ),
    "A-10": (
        "square_reading",
        status(A),
        {"values": DEPTHS},
        {"general-direction": "closed", "local": "open"},
    ),
    "A-11": (
        "cliff_reading",
        cap(A, "allowed_length_ft"),
        {"shore_ft": 151.0},
        {"as-written": 98.15, "at-least-150": 150.0},
    ),
    "A-12": (
        "season_reading",
        finding("season"),
        {"facts": MAY},
        {"october-to-march": "not met", "late-spring": "met"},
    ),
    "A-13": (
        "boundary_reading",
        status(A),
        {"values": {"trunk_margin_ft": [1.0], "crown_margin_ft": [-4.0]}},
        {"trunk": "open", "whole-crown": "closed"},
    ),
    "A-14": (
        "island_reading",
        status(A),
        {"facts": ISLAND},
        {"every-island": "closed", "public-islands": "open"},
    ),
}
#: Setting -> what another reading can change.
DECIDES = {
    "routes": {"A-04", "A-05", "A-08", "A-09", "A-10", "A-13", "A-14"},
    "share": {"A-01", "A-02", "A-03", "A-11"},
    "stages": {"A-06", "A-07"},
    "advice": {"A-12"},
}


def test_the_questions_are_the_fourteen_of_the_sheet():
    assert [question.id for question in questions().values()] == [
        f"A-{n:02d}" for n in range(1, 15)
    ]
    assert set(TABLE) == {question.id for question in questions().values()}
    for kind, ids in DECIDES.items():
        assert {q.id for q in questions().values() if q.decides == kind} == ids
    for question in questions().values():
        assert question.question.endswith("?")
        assert question.source
        assert all(choice.words for choice in question.choices.values())


@pytest.mark.parametrize("ambiguity", TABLE)
def test_each_reading_changes_what_comes_out(ambiguity):
    setting, look, changes, expected = TABLE[ambiguity]
    question = questions()[setting]
    assert question.id == ambiguity
    assert list(question.choices) == list(expected)
    assert question.default == next(iter(expected))
    for choice, outcome in expected.items():
        decision = decide(lot(**changes), RULES, Readings({setting: choice}))
        assert look(decision) == outcome, choice
    assert look(decide(lot(**changes), RULES)) == expected[question.default]


def extras(decision):
    return told(decision, outcomes(decision))


@pytest.mark.parametrize("ambiguity", TABLE)
def test_a_result_says_that_the_other_reading_would_change_it(ambiguity):
    setting, look, changes, expected = TABLE[ambiguity]
    decision = decide(lot(**changes), RULES)
    rows = {
        (row["setting"], row["other"]): row for row in reading_rows(decision, extras)
    }  # one for every other reading
    assert len(rows) == sum(len(one.choices) - 1 for one in questions().values())
    for other, outcome in list(expected.items())[1:]:
        row = rows[setting, other]
        default = look(decision)
        assert row["is_changing"] is (outcome != default), other
        assert row["is_default"] is True
        assert row["ambiguity"] == ambiguity
        assert bool(row["changes"]) == row["is_changing"]


def test_nothing_changes_on_a_lot_far_from_every_limit():
    case = lot(height_ft=7.5, target_ft=7.0, depth_ft=20.0, shore_ft=80.0)
    changing = [one for one in comparisons(decide(case, RULES), extras) if one.changes]
    assert [(one.setting, one.other) for one in changing] == [("season_reading", "late-spring")]


def test_a_change_is_told_in_words():
    decision = decide(lot(height_ft=[9.0, 12.0], who="owner"), RULES)
    (change,) = [one for one in comparisons(decision) if one.setting == "cap_reading"]
    assert "Owner exemption: closed instead of open for 1 tree" in change.changes


@pytest.mark.parametrize(
    ("depth", "square", "feet"),
    [
        ("greatest", "general-direction", 55.0),
        ("by-station", "general-direction", 45.0),
        ("greatest", "local", 48.0),
        ("by-station", "local", 60.0),
    ],
)
def test_of_four_depths_the_readings_choose_one(depth, square, feet):
    """A-09 and A-10 together."""
    read = Readings({"depth_reading": depth, "square_reading": square})
    seen = derived(lot(values=DEPTHS), read)["fringe_depth_ft"]
    assert float(seen.value.max()) == feet


def test_a_height_from_the_field_is_not_raised():
    """The bias is that of a ground model; a staff stands on the ground."""
    read = Readings({"substrate_reading": "ground-reads-high"})
    case = lot(height_ft=[9.0, 9.0], values={"field_height_ft": [9.5, float("nan")]})
    assert list(derived(case, read)["top_height_ft"].value) == [9.5, 10.125]
    both = Readings(
        {"substrate_reading": "ground-reads-high", "substrate_place_reading": "under-the-crown"}
    )
    assert list(derived(case, both)["top_height_ft"].value) == [10.125, 10.125]


def test_the_cap_under_c_and_d_and_the_permit_is_no_matter_of_a_01():
    """M-35: (c) and (d) have none; M-51: the permit's binds whatever the shore."""
    for choice in ("owner-and-professional", "owner-only"):
        found = caps(decide(lot(**LONG), RULES, Readings({"share_cap_reading": choice})))
        routes = [one.route for one in found]
        assert C not in routes
        assert {A, GENERAL} <= set(routes)


def test_the_careful_reading_of_the_cap_and_of_the_cliff():
    """A-11 changes nothing up to 150 ft, nor where 65 % are more than 150 ft (over 230.77 ft)."""
    for shore_ft, allowed_ft in ((150.0, 150.0), (230.0, 150.0), (231.0, 150.15)):
        read = Readings({"cliff_reading": "at-least-150"})
        (found,) = [one for one in caps(decide(lot(shore_ft=shore_ft), RULES, read))
                    if one.route == A]  # fmt: skip
        assert found.allowed_length_ft == pytest.approx(allowed_ft)


def test_the_tallest_of_the_lot_counts_only_among_mangroves():
    """A-08: a tall buttonwood does not block; a tall tree of unknown species may."""
    read = Readings({"cap_reading": "tallest-tree"})
    heights = [9.0, 30.0]
    for species, expected in (
        ("buttonwood", "open"),
        (None, "depends"),
        ("white", "closed"),
    ):
        case = lot(height_ft=heights, species=["red", species])
        found = decide(case, RULES, read)
        assert found.routes[A][0] == {"open": 3, "depends": 1, "closed": 0}[expected], species


@pytest.mark.parametrize(
    ("chosen", "named"),
    [
        ({"cap-reading": "each-tree"}, "cap_reading"),
        ({"cap_reading": "each tree"}, "each-tree"),
        ({"shoreline_reading": ""}, "chord"),
    ],
)
def test_an_unknown_setting_or_reading_is_refused(chosen, named):
    with pytest.raises(RangeError, match=named):
        Readings(chosen)


def test_readings_not_chosen_are_the_defaults():
    read = Readings({"shoreline_reading": "chord"})
    assert {name for name in read if read[name] != questions()[name].default} == {
        "shoreline_reading"
    }
    assert len(read) == len(questions()) == 14


def test_every_other_reading_differs_in_one_question():
    read = Readings({"cap_reading": "tallest-tree"})
    seen = []
    for name, choice, other in read.others():
        assert {key for key in read if other[key] != read[key]} == {name}
        assert other[name] == choice
        seen.append((name, choice))
    assert len(seen) == len(set(seen)) == sum(len(q.choices) - 1 for q in questions().values())
    assert ("cap_reading", "each-tree") in seen
