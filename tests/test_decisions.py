"""Routes, duties and outcomes: the decision table, every rule's edge, and laws of deciding.

D-, X-, M- and A- numbers are rows of a sheet of facts compiled from ss. 403.9321 to 403.9333 F.S.;
expected values are typed from it, never taken from a run.
"""

from __future__ import annotations

import datetime

import numpy as np
import pytest
from cases import (
    GENERAL,
    INDIVIDUAL,
    OUTSIDE,
    A,
    B,
    C,
    D,
    lot,
    result,
    statuses,
    verdict,
    without,
)
from rule_edges import BINDINGS, EDGES, scenarios

from geotrim.rules.consequence import restoration
from geotrim.rules.decide import decide
from geotrim.rules.duties import caps, notices, stages
from geotrim.rules.outcome import outcomes
from geotrim.rules.rule_file import built_in
from geotrim.rules.rule_set import rule_set
from geotrim.rules.settle import needs_of_lot
from geotrim.rules.shares import allowed_length_ft, allowed_trees, parity_length_ft
from geotrim.rules.stages import yearly_share, years_needed
from geotrim.rules.verdict import WORDS, margin

RULES = rule_set()
EVERY_RULE = tuple(RULES.rules)


# ---- every rule: what it says, and both sides of its edge


def test_every_rule_of_the_files_has_a_row_and_every_row_a_rule():
    assert set(EDGES) == set(EVERY_RULE)
    assert {rule.id for rule in RULES.rules.values() if rule.when} == set(BINDINGS)
    assert {file.kind for file in built_in()} == {"state", "practice"}


@pytest.mark.parametrize("name", EDGES)
def test_a_rule_says_what_the_sheet_says(name):
    rule, edge = RULES.rules[name], EDGES[name]
    assert rule.limit.words() == edge.limit
    assert rule.limit.unit == edge.unit
    assert tuple(limit.words() for limit in rule.when) == edge.when
    assert rule.effect == edge.effect
    assert rule.routes == edge.routes
    assert rule.section == edge.section
    assert rule.confidence == edge.confidence
    assert (rule.read_on == "not read") == (edge.confidence == "from memory")


#: Who must keep a rule, where that is not everyone: the table of who is bound by what (1.6), M-14
#: and M-36.
BOUND = {
    "owner": {f"owner-{what}" for what in ("supervises", "height-before", "height-after", "share")}
    | {"multifamily"},
    "professional": {name for name in EDGES if name.startswith(("professional-", "permit-"))},
    "surveyor": {"surveyor-swath"},
    "nobody": {"not-of-the-act"},
}


def test_who_must_keep_a_rule():
    found = {who: {r.id for r in RULES.rules.values() if r.binds == who} for who in BOUND}
    assert found == BOUND
    others = set(EDGES) - set().union(*BOUND.values())
    assert {RULES.rules[name].binds for name in others} == {"everyone"}


@pytest.mark.parametrize("name", EDGES)
def test_a_rule_on_both_sides_of_its_edge(name):
    for changes, expected in EDGES[name].lots:
        assert verdict(decide(lot(**changes), RULES), name) == expected, changes


@pytest.mark.parametrize("name", BINDINGS)
def test_a_rule_binds_where_its_condition_begins(name):
    binding = BINDINGS[name]
    for changes, binds, expected in binding.lots:
        found = decide(lot(**{**binding.breaks, **changes}), RULES)
        assert WORDS[int(found.binding[name][0])] == binds, changes
        assert verdict(found, name) == expected, changes


# ---- deleting any one rule changes what somebody is told


SCENARIOS = dict(scenarios())
WHOLE = {name: result(case, RULES) for name, case in SCENARIOS.items()}


@pytest.mark.parametrize("name", EVERY_RULE)
def test_without_a_rule_something_else_comes_out(name):
    """Routes, outcome, caps, years, notices, warnings or the arithmetic of restoration change."""
    fewer = without(RULES, name)
    own = sorted(SCENARIOS, key=lambda key: not key.startswith(f"{name} "))  # likely ones first
    assert any(result(SCENARIOS[key], fewer) != WHOLE[key] for key in own)


# ---- the decision table


#: No proof of an earlier shape, as in the table's rows that do not speak of one.
NO_PROOF = {"earlier_proof": "none", "earlier_height_ft": None, "was_lawfully_trimmed": False}
PROOF = {"earlier_proof": "photographs", "earlier_height_ft": 4.0, "was_lawfully_trimmed": True}
EXEMPTIONS = (A, B, C, D)


def row(depth, shore, height, target, who, facts=None, **more):
    return lot(
        depth_ft=depth,
        shore_ft=shore,
        height_ft=height,
        target_ft=target,
        who=who,
        facts={**NO_PROOF, **(facts or {})},
        **more,
    )


ISLAND, CONSERVATION = {"is_uninhabited_island": True}, {"is_conservation_land": True}
MITIGATION = {"is_mitigation_land": True, "mitigation_provides_trimming": False}
OWNER_10 = {"supervisor": "owner"}
SEVEN_DAYS = {
    "is_first_red_trim": True,
    "notice_date": datetime.date(2027, 1, 1),
    "start_date": datetime.date(2027, 1, 8),
}
RED, BUTTONWOOD = {"species": "red"}, {"species": "buttonwood"}

#: Case -> lot, outcome with its standing, routes that are open, routes that are closed.
#: Section 8 of the sheet; the individual permit may always be asked for, but with a chemical.
TABLE = {
    "D-01": (row(38, 120, 9.5, 6, "owner"), (A, "open"), (A,), (B, C, D, GENERAL)),
    "D-02": (row(38, 120, 10.0, 6, "owner"), (A, "open"), (A,), (B, C, D, GENERAL)),
    "D-03": (row(38, 120, 10.1, 6, "owner"), (B, "other plan"), (), (*EXEMPTIONS, GENERAL)),
    "D-04": (row(38, 120, 15.9, 6, "professional"), (B, "open"), (B, GENERAL), (A, C, D)),
    "D-05": (row(38, 120, 16.0, 12, "professional"), (B, "open"), (B, GENERAL), (A, C, D)),
    "D-06": (row(38, 120, 24.0, 18, "professional"), (B, "open"), (B, GENERAL), (A, C, D)),
    "D-07": (row(38, 120, 24.1, 18, "professional"), (GENERAL, "open"), (GENERAL,), EXEMPTIONS),
    "D-08": (row(50.0, 120, 9, 6, "owner"), (A, "open"), (A,), (B, C, D, GENERAL)),
    "D-09": (row(50.1, 120, 9, 6, "owner"), (GENERAL, "other plan"), (), (*EXEMPTIONS, GENERAL)),
    "D-10": (
        row(500.1, 120, 9, 6, "professional"),
        (INDIVIDUAL, "open"),
        (INDIVIDUAL,),
        (*EXEMPTIONS, GENERAL),
    ),
    "D-11": (row(38, 150.0, 9, 6, "owner"), (A, "open"), (A,), (B, C, D, GENERAL)),
    "D-12": (row(38, 151.0, 9, 6, "owner"), (A, "open"), (A,), (B, C, D, GENERAL)),
    "D-13": (row(38, 120, 9, 5.9, "owner"), (A, "other plan"), (), (*EXEMPTIONS, GENERAL)),
    "D-14": (row(38, 120, 8, 4, "owner", PROOF), (C, "open"), (C, D), (A, B, GENERAL)),
    "D-15 island": (row(38, 120, 9, 6, "owner", ISLAND), (GENERAL, "other plan"), (), EXEMPTIONS),
    "D-15 conservation": (
        row(38, 120, 9, 6, "owner", CONSERVATION),
        (GENERAL, "other plan"),
        (),
        EXEMPTIONS,
    ),
    "D-15 silent mitigation": (
        row(38, 120, 9, 6, "owner", MITIGATION),
        (GENERAL, "other plan"),
        (),
        EXEMPTIONS,
    ),
    "D-16": (
        row(38, 120, 9, 6, "owner", {"uses_herbicide": True}),
        (A, "other plan"),
        (),
        (*EXEMPTIONS, GENERAL, INDIVIDUAL),
    ),
    "D-17": (
        row(38, 120, 18, 14, "professional", SEVEN_DAYS),
        (B, "open"),
        (B, GENERAL),
        (A, C, D),
    ),
    "D-18 owner": (
        row(38, 120, 14, 8, "owner", **BUTTONWOOD),
        (OUTSIDE, "open"),
        (OUTSIDE,),
        (*EXEMPTIONS, GENERAL, INDIVIDUAL),
    ),
    "D-18 professional": (
        row(38, 120, 14, 8, "professional", **BUTTONWOOD),
        (OUTSIDE, "open"),
        (OUTSIDE,),
        (*EXEMPTIONS, GENERAL, INDIVIDUAL),
    ),
    "D-19": (
        row(38, 120, 9.8, 6, "owner", error_ft=0.5),
        (A, "depends"),
        (),
        (B, C, D, GENERAL),
    ),
}


@pytest.mark.parametrize("name", TABLE)
def test_the_decision_table(name):
    case, outcome, is_open, is_closed = TABLE[name]
    decision = decide(case, RULES)
    found = outcomes(decision)
    assert (found.route[0], found.standing[0]) == outcome
    told = statuses(decision)
    assert {route for route in is_open if told[route] != "open"} == set()
    assert {route for route in is_closed if told[route] != "closed"} == set()
    if name.split()[0] not in ("D-16", "D-18", "D-15"):
        assert told[INDIVIDUAL] == "open"
    if not name.startswith("D-18"):
        assert told[OUTSIDE] == "closed"


def cap_of(case, route):
    (cap,) = [cap for cap in caps(decide(case, RULES)) if cap.route == route]
    return cap


@pytest.mark.parametrize(
    ("name", "binds", "allowed_ft"),
    [("D-01", False, 120.0), ("D-11", False, 150.0), ("D-12", True, 98.15)],
)
def test_length_an_owner_may_trim(name, binds, allowed_ft):
    """D-01: 100 %; D-11: 150 ft; D-12: 65 % of 151 ft are 98.15 ft."""
    cap = cap_of(TABLE[name][0], A)
    assert cap.is_binding is binds
    assert cap.allowed_length_ft == pytest.approx(allowed_ft, abs=1e-9)


@pytest.mark.parametrize(
    ("name", "is_staged", "years", "is_warned"),
    [
        ("D-04", 0.0, 1.0, True),  # 9.9 of 15.9 ft: over a quarter, under 16 ft
        ("D-05", 1.0, 1.0, False),  # 4 of 16 ft: a quarter
        ("D-06", 1.0, 1.0, False),  # 6 of 24 ft: a quarter
        ("D-07", 1.0, 2.0, True),  # 6.1 of 24.1 ft: a little more than a quarter
    ],
)
def test_stages_and_the_quarter(name, is_staged, years, is_warned):
    """The crown is taken for a column from the ground up, so its share is that of the height."""
    decision = decide(TABLE[name][0], RULES)
    found = stages(decision, outcomes(decision))
    assert found.is_staged[0] == is_staged
    assert found.years[0] == years
    assert (verdict(decision, "quarter-a-year") == "not met") is is_warned


@pytest.mark.parametrize(
    ("changes", "is_staged", "years"),
    [
        ({}, 1.0, 4.0),  # (b): 60 % at a quarter of what stands, 3.19
        ({"depth_ft": 60.0}, 1.0, 4.0),  # the permit
        ({"depth_ft": 600.0}, 0.0, 1.0),  # an individual permit says for itself
        ({"species": "buttonwood"}, 0.0, 1.0),
        ({"height_ft": 15.9}, 0.0, 1.0),
        ({"height_ft": np.nan}, np.nan, np.nan),  # may be 16 ft or more
        ({"height_ft": 16.2, "error_ft": 0.5}, np.nan, np.nan),
        ({"values": {"foliage_removed_frac": [0.2]}}, 1.0, 1.0),
        # without a raster's word: 12 of 20 ft of a crown as wide as at its base
        ({"values": {"foliage_removed_frac": [np.nan]}}, 1.0, 4.0),
    ],
)
def test_stages_are_those_of_the_trees_own_route(changes, is_staged, years):
    """M-28, M-54, table 1.6: from 16 ft up under (b), (c) and the general permit."""
    tall = {"who": "professional", "height_ft": 20.0, "target_ft": 8.0, "facts": NO_PROOF}
    case = lot(**{**tall, "values": {"foliage_removed_frac": [0.6]}, **changes})
    decision = decide(case, RULES)
    found = stages(decision, outcomes(decision))
    assert found.is_staged[0] == pytest.approx(is_staged, nan_ok=True)
    assert found.years[0] == pytest.approx(years, nan_ok=True)


@pytest.mark.parametrize(
    ("cover", "closed", "depends"),
    [
        ("in_conservation", (A, C, D), (INDIVIDUAL,)),
        ("in_mitigation", (A, C, D), (INDIVIDUAL,)),
        ("in_island", (A, C, D), ()),
        ("in_public_island", (A, C, D), (INDIVIDUAL,)),
    ],
)
def test_land_that_is_drawn_counts_like_land_that_is_told(cover, closed, depends):
    """M-09, M-12: and only for the trees on it."""
    decision = decide(lot(height_ft=[9.0, 9.0], values={cover: [1.0, 0.0]}), RULES)
    on, off = statuses(decision, 0), statuses(decision, 1)
    assert {on[route] for route in closed} == {"closed"}
    assert on[INDIVIDUAL] == ("depends" if depends else "open")
    assert {off[route] for route in (A, C, D, INDIVIDUAL)} == {"open"}


def test_the_notice_of_d_17_is_three_days_short():
    decision = decide(TABLE["D-17"][0], RULES)
    assert verdict(decision, "professional-red-notice") == "not met"
    (notice,) = [one for one in notices(decision) if one.route == B]
    assert notice.short_days == 3.0
    assert notice.is_binding is True
    assert notice.due == datetime.date(2026, 12, 29)  # ten days before 8 January
    limit = RULES.rules["professional-red-notice"].limit
    assert float(margin(7.0, limit.compare, limit.number)) == -3.0


def test_d_19_is_settled_by_measuring_from_the_substrate():
    decision = decide(TABLE["D-19"][0], RULES)
    assert verdict(decision, "owner-height-before") == "too close"
    needs = needs_of_lot(decision, A)
    assert needs is not None
    assert needs.words({}, "t1") == ["height of t1: measure from the substrate"]


def test_each_flag_of_d_15_alone_takes_every_riparian_exemption_away():
    """M-09; with no flag the same lot, with proof, is open three ways."""
    free = decide(row(38, 120, 9, 6, "owner", PROOF), RULES)
    assert {r for r in EXEMPTIONS if free.status(r) == "open"} == {A, C, D}
    for flag in (ISLAND, CONSERVATION, MITIGATION):
        shut = decide(row(38, 120, 9, 6, "owner", {**PROOF, **flag}), RULES)
        assert {shut.status(route) for route in EXEMPTIONS} == {"closed"}, flag


@pytest.mark.parametrize(("provides", "status"), [(True, "open"), (None, "depends")])
def test_mitigation_papers_may_provide_for_trimming(provides, status):
    """M-09: unless the permit, instrument or easement provides for it."""
    land = {"is_mitigation_land": True, "mitigation_provides_trimming": provides}
    assert decide(row(38, 120, 9, 6, "owner", land), RULES).status(A) == status


def test_land_set_aside_leaves_permits_to_the_authority():
    """M-12: an intent, not a bar; publicly owned uninhabited islands only."""
    public = {"is_public_land": True, **ISLAND}
    for facts, status in (
        ({}, "open"),
        (CONSERVATION, "depends"),
        (MITIGATION, "depends"),
        (public, "depends"),
        ({"is_public_land": False, **ISLAND}, "open"),
        ({"is_public_land": True}, "open"),
    ):
        told = decide(row(38, 120, 9, 6, "professional", facts), RULES)
        assert (told.status(GENERAL), told.status(INDIVIDUAL)) == (status, status), facts


def test_an_aquatic_preserve_takes_no_exemption_away():
    """M-40, from memory: that flag alone must not."""
    facts = {**PROOF, "is_aquatic_preserve": True}
    told = decide(row(38, 120, 9, 6, "owner", facts), RULES)
    assert {route for route in EXEMPTIONS if told.status(route) == "open"} == {A, C, D}


@pytest.mark.parametrize(
    ("credential", "status"),
    [
        ("certified-arborist", "open"),  # M-70: the list of credentials
        ("wetland-scientist", "open"),
        ("environmental-professional", "open"),
        ("certified-ecologist", "open"),
        ("landscape-architect", "open"),
        ("state-qualified", "open"),
        ("locally-qualified", "open"),
        ("none", "closed"),
        (None, "depends"),
    ],
)
def test_who_is_a_professional(credential, status):
    facts = {"professional_credential": credential}
    told = decide(row(38, 120, 12, 10, "professional", facts), RULES)
    assert (told.status(B), told.status(GENERAL)) == (status, status)


# ---- worked examples of the share, and of restoration


@pytest.mark.parametrize(
    ("shore_ft", "allowed_ft"),
    [(149.99, 149.99), (150.0, 150.0), (150.01, 97.5065), (151.0, 98.15), (200.0, 130.0),
     (230.77, 150.0), (300.0, 195.0)],
)  # fmt: skip
def test_x_08_length_that_the_share_leaves(shore_ft, allowed_ft):
    rule = RULES.rules["owner-share"]
    share, limit_ft = rule.limit.number, rule.when[0].number
    assert allowed_length_ft(shore_ft, share, limit_ft) == pytest.approx(allowed_ft, abs=0.005)
    cap = cap_of(row(38, shore_ft, 9, 6, "owner"), A)
    assert cap.allowed_length_ft == pytest.approx(allowed_ft, abs=0.005)


def test_the_shore_at_which_the_share_leaves_150_ft_again():
    """A-11: 150 / 0.65 = 230.77 ft."""
    assert parity_length_ft(0.65, 150.0) == pytest.approx(230.77, abs=0.005)


def test_x_09_two_denominators():
    """40 mangroves along the shore, 30 of them over 6 ft: 26 trees under (a), 19 by the permit."""
    heights = [9.0] * 30 + [5.0] * 10
    assert cap_of(lot(height_ft=heights, shore_ft=200.0), A).n_allowed_trees == 26
    assert (
        cap_of(lot(height_ft=heights, shore_ft=200.0, who="professional"), B).n_allowed_trees == 26
    )
    for shore_ft in (100.0, 200.0):  # the permit's share binds whatever the shore
        cap = cap_of(lot(height_ft=heights, shore_ft=shore_ft), GENERAL)
        assert (cap.n_counted_trees, cap.n_allowed_trees) == (30, 19)
        assert cap.is_binding is True
    assert cap_of(lot(height_ft=heights, shore_ft=150.0), A).n_allowed_trees == 40
    assert (allowed_trees(40, 0.65), allowed_trees(30, 0.65), allowed_trees(20, 0.65)) == (
        26,
        19,
        13,
    )


def test_a_tree_of_six_feet_does_not_count_for_the_permit():
    """M-51: taller than 6 ft."""
    cap = cap_of(lot(height_ft=[5.99, 6.0, 6.01, 9.0], target_ft=5.0), GENERAL)
    assert cap.n_counted_trees == 2


def test_what_is_uncertain_never_raises_an_allowance():
    """Trees that may be no mangroves, or no taller than 6 ft, are not counted."""
    cap = cap_of(lot(height_ft=[9.0] * 4, species=["red", "black", None, "buttonwood"]), GENERAL)
    assert (cap.n_counted_trees, cap.n_uncertain_trees) == (2, 1)
    low = lot(height_ft=[9.0, 5.0, 5.0], species=["red", None, "red"], target_ft=4.0)
    cap = cap_of(low, GENERAL)  # too low to count, whatever it is
    assert (cap.n_counted_trees, cap.n_uncertain_trees) == (1, 0)
    cap = cap_of(lot(height_ft=[9.0, 6.2], error_ft=0.5), GENERAL)
    assert (cap.n_counted_trees, cap.n_uncertain_trees) == (1, 1)


@pytest.mark.parametrize(
    ("lost_ft2", "created_ft2", "donation_usd"), [(500.0, 1000.0, 4000.0), (0.0, 0.0, 0.0)]
)
def test_x_11_restoration_money(lost_ft2, created_ft2, donation_usd):
    """M-82: two to one by canopy area, at least 4 dollars a square foot created."""
    due = restoration(20, 1, lost_ft2, RULES.rules)
    assert (due.created_area_ft2, due.donation_usd) == (created_ft2, donation_usd)


@pytest.mark.parametrize(
    ("n_low", "n_trimmed", "is_due"),
    [
        (2, 40, True),
        (1, 20, True),  # 5.00 %
        (1, 21, False),  # 4.76 %
        (3, 60, True),
        (3, 61, False),
        (1, 19, True),
        (0, 20, False),
        (0, 0, False),
        (1, 1, True),
    ],
)
def test_x_12_trigger_of_five_percent(n_low, n_trimmed, is_due):
    assert restoration(n_trimmed, n_low, 500.0, RULES.rules).is_due is is_due


def test_replanted_canopy_has_five_years():
    """M-81."""
    assert restoration(20, 1, 500.0, RULES.rules).years == 5.0


@pytest.mark.parametrize(
    ("share", "reading", "years"),
    [
        (0.6, "original", 3.0),  # 2.4 -> 3
        (0.6, "standing-each-year", 4.0),  # ln 0.4 / ln 0.75 = 3.19
        (0.25, "original", 1.0),
        (0.25, "standing-each-year", 1.0),
        (0.2501, "original", 2.0),
        (0.2501, "standing-each-year", 2.0),
        (0.4375, "standing-each-year", 2.0),  # 1 - 0.75^2
        (0.578125, "standing-each-year", 3.0),  # 1 - 0.75^3
        (0.5782, "standing-each-year", 4.0),
        (0.75, "original", 3.0),
        (1.0, "original", 4.0),
        (0.0, "original", 0.0),
        (0.0, "standing-each-year", 0.0),
        (1.0, "standing-each-year", np.nan),  # of what stands, all is never taken
        (np.nan, "original", np.nan),
    ],
)
def test_years_of_a_cut(share, reading, years):
    """Staging arithmetic of the sheet, section 6; powers of 0.75 by hand."""
    assert float(years_needed(share, 0.25, reading)) == pytest.approx(years, nan_ok=True)


@pytest.mark.parametrize(
    ("share", "years", "reading", "yearly"),
    [
        (0.6, 3, "original", 0.2),
        (0.5, 2, "original", 0.25),
        (0.4375, 2, "standing-each-year", 0.25),
        (0.6836, 4, "standing-each-year", 0.25),  # 68.36 % of the sheet's cumulative row
        (1.0, 2, "standing-each-year", 1.0),
    ],
)
def test_share_of_a_year(share, years, reading, yearly):
    assert float(yearly_share(share, years, reading)) == pytest.approx(yearly, abs=1e-5)


@pytest.mark.parametrize(
    ("years", "expected"),
    [(1, "not met"), (2, "not met"), (3, "not met"), (4, "met"), (5, "met")],
)
def test_a_cut_of_sixty_percent_is_kept_within_a_quarter_in_four_years(years, expected):
    case = lot(
        who="professional",
        height_ft=20.0,
        target_ft=8.0,
        years=years,
        values={"foliage_removed_frac": 0.6},
    )
    assert verdict(decide(case, RULES), "professional-stages") == expected


@pytest.mark.parametrize(
    ("height_ft", "target_ft", "floor", "expected"),
    [
        (5.0, np.nan, "owner-height-after", "not met"),  # lower than 6 ft however it is cut
        (np.nan, 5.5, "owner-height-after", "not met"),  # however tall it is
        (np.nan, 6.0, "owner-height-after", "unknown"),
        (9.0, np.nan, "owner-height-after", "unknown"),
        (np.nan, np.nan, "owner-height-after", "unknown"),
        (3.9, np.nan, "maintenance-height-after", "not met"),  # 4 ft established
        (np.nan, 3.9, "maintenance-height-after", "not met"),
        (np.nan, 4.0, "maintenance-height-after", "unknown"),
        (6.0, np.nan, "floor-is-no-target", "not met"),  # P-13: over 6 ft
        (6.1, np.nan, "floor-is-no-target", "unknown"),
    ],
)
def test_a_floor_may_be_missed_whatever_is_unknown(height_ft, target_ft, floor, expected):
    """After the cut a tree is as tall as it is to be left, or as it was if that is less."""
    case = lot(height_ft=height_ft, target_ft=target_ft)
    assert verdict(decide(case, RULES), floor) == expected


@pytest.mark.parametrize(
    ("error_ft", "expected"), [(0.0, "not met"), (0.4, "not met"), (0.6, "unknown")]
)
def test_a_tree_nearly_six_feet_tall_may_yet_keep_the_floor(error_ft, expected):
    """5 ft give or take 1.96 x 0.6 = 1.18 ft may be over 6 ft."""
    case = lot(height_ft=5.0, target_ft=np.nan, error_ft=error_ft)
    assert verdict(decide(case, RULES), "owner-height-after") == expected
