"""What ``geotrim route`` prints: duties beside the ways, what to find out, what is from memory.

Figures are the act's (ss. 403.9323-403.9327 F.S.), worked out by hand beside each test.
"""

from __future__ import annotations

import dataclasses
import datetime
import re

import pytest
import shapely
import statement_fixtures as made
from test_route import PLAIN_FACTS, PROFESSIONAL, lot_site, routed, way

from geotrim.model import Facts
from geotrim.ops.chain import measure
from geotrim.report.route_text import route_text
from geotrim.rules.readings import questions
from geotrim.rules.rule_file import measures, read_overlay
from tests import sites

CHECK = "(from memory: check the current text)"
MITIGATION = {"is_mitigation_land": True, "mitigation_provides_trimming": False}


def printed(site, results=None):
    """The text in one line; no line of it is wider than a terminal."""
    text = route_text(site, measure(site, ["route"]) if results is None else results)
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "legal" not in text.lower() and not re.search(r"\bmay (trim|cut)\b", text)
    return " ".join(text.split())


def line(text, start):
    """The item of a list that opens so, up to the next item."""
    assert start in text, text
    return start + text.split(start, 1)[1].split(" - ", 1)[0]


def four(chosen=4, facts=None, width=160.0, **more):
    """Four discs 8 US survey feet wide, 9 ft tall, on 160 ft of shore; some are chosen."""
    site = lot_site([(20, 5), (50, 5), (80, 5), (110, 5)], [9.0] * 4, width=width, facts=facts)
    crowns = site.crowns.assign(is_to_trim=[k < chosen for k in range(4)])
    return dataclasses.replace(site, crowns=crowns, **more)


# ---- duties


def test_a_cap_that_the_plan_passes_is_told_three_ways():
    """65 % of 4 mangroves is 2; of 4 times 8 ft 20.8 ft; of 4 circles 8 ft wide 131 sq ft."""
    text = printed(four())
    told = line(text, "NOT MET: the cap of 65 % under the owner exemption")
    assert "as planned 4 of 4 mangroves are cut (100 %, as A-02 is read); it leaves 2, " in told
    assert "20.8 ft of 32.0 ft of fringe, 131 sq ft of 201 sq ft of canopy: choose which" in told
    assert "Duties not met as planned: cap of the owner exemption." in text
    assert "They close none, so open does not say they are kept" in text


def test_a_cap_that_the_plan_keeps_is_told_as_met():
    text = printed(four(chosen=2))
    told = line(text, "MET: the cap of 65 % under the owner exemption")
    assert "as planned 2 of 4 mangroves are cut (50 %" in told and "choose" not in told
    assert "NOT MET" not in text and "Duties not met" not in text


def test_a_shore_of_140_ft_has_no_cap_to_tell():
    """M-23: the cap of the owner's exemption binds over 150 ft only."""
    assert "under the owner exemption" not in printed(four(width=140.0))


@pytest.mark.parametrize(
    ("years", "told"),
    [
        (1, "NOT MET: stages under the professional exemption: 1 tree comes down in stages; the "
            "longest needs 2 years, 1 is planned, too few for 1 tree"),
        (2, "MET: stages under the professional exemption: 1 tree comes down in stages; the "
            "longest needs 2 years, 2 are planned"),
    ],
)  # fmt: skip
def test_stages_are_held_against_the_years_that_are_planned(years, told):
    """20 ft down to 12 ft takes 8 of 19 ft, 42 %; two years of 25 % take 1 - 0.75^2 = 43.75 %."""
    site = lot_site([(20, 5), (50, 5)], [20.0, 15.0], facts=PROFESSIONAL)
    options = {"target_height_ft": 12.0, "stage_years": years}
    text = printed(dataclasses.replace(site, options=options))
    assert f"- {told}" in text
    assert "(foliage by the canopy model column)" in text  # it says by which model
    assert ("years of the stages for 1 tree" in text) == (years == 1)


def test_without_a_share_of_foliage_no_canopy_model_is_named():
    assert "canopy model" not in printed(four())


def dated(given, start, species="red mangrove", **more):
    dates = {"is_first_red_trim": True, "notice_date": given, "start_date": start}
    return lot_site(
        [(50, 5)], [18.0], species=[species], facts=PROFESSIONAL | dates | more, target=14.0
    )


def test_a_late_notice_says_by_how_many_days_and_when_it_was_due():
    """M-29: 10 days before January 15 is January 5; given on the 8th it is 3 days late."""
    text = printed(dated(datetime.date(2027, 1, 8), datetime.date(2027, 1, 15)))
    told = line(text, "NOT MET: notice 10 days ahead for the professional exemption")
    assert "3 days too late; due by January 5, 2027" in told and CHECK not in told
    told = line(text, "NOT MET: notice 30 days ahead for the general permit")
    assert "23 days too late; due by December 16, 2026" in told and CHECK in told
    assert "Duties not met as planned: notice for the professional exemption." in text


def test_a_notice_that_cannot_be_counted_says_which_date_is_missing():
    told = printed(lot_site([(50, 5)], [18.0], facts=PROFESSIONAL, target=14.0))
    assert "without the day it is given and the day the work starts" in told
    facts = PROFESSIONAL | {"notice_date": datetime.date(2027, 1, 8)}
    told = printed(lot_site([(50, 5)], [18.0], facts=facts, target=14.0))
    assert "NOT SETTLED: notice 30 days ahead for the general permit" in told
    assert "cannot be counted without the day the work starts" in told


@pytest.mark.parametrize(("is_red_cut", "binds"), [(True, True), (False, False)])
def test_the_notice_for_red_mangroves_binds_where_a_red_one_is_cut(is_red_cut, binds):
    """M-29: before red mangroves are trimmed, not where one stands."""
    site = dated(datetime.date(2027, 1, 8), datetime.date(2027, 1, 15))
    site = dataclasses.replace(
        site,
        crowns=sites.crowns(
            [shapely.Point(x, 5).buffer(4) for x in (20, 50)], ["red mangrove", "black mangrove"]
        ).assign(base_height_ft=1.0, field_height_ft=18.0, is_to_trim=[is_red_cut, True]),
        trunks=sites.trunks([(20, 5), (50, 5)]),
    )
    found = measure(site, ["route"])
    row = found["route"]["notices"].set_index("rule_id").loc["professional-red-notice"]
    assert bool(row["is_binding"]) is binds
    assert row["verdict"] == ("not met" if binds else "met")  # whichever other trees are cut
    assert ("notice 10 days ahead for the professional exemption" in printed(site, found)) is binds


def test_advice_that_is_not_followed_is_one_line_with_counts():
    """P-01: 9 ft down to 6 ft takes 3 of 8 ft, 37.5 %, of four trees; P-08: June is no season."""
    text = printed(four(facts={"start_date": datetime.date(2027, 6, 10)}))
    told = line(text, "Good practice not followed (advice, no limit): ")
    assert "quarter of a tree's foliage in a growing season, whatever its height (4 trees)" in told
    assert "The state's booklet advises October to March;" in told


def test_closed_ways_have_no_duties():
    """D-16: a chemical shuts every way."""
    text = printed(four(facts={"uses_herbicide": True}))
    assert "Duties" not in text and "NOT MET" not in text


# ---- sources


def test_what_is_from_memory_is_told_so():
    """A-01: that the cap closes (b) too is from memory; under (a) it was read."""
    text = printed(four(facts=PROFESSIONAL))
    assert CHECK in line(text, "NOT MET: the cap of 65 % under the professional exemption")
    assert CHECK not in line(printed(four()), "NOT MET: the cap of 65 % under the owner exemption")
    assert "are from memory: check the current text." in text
    shares = routed(four())["shares"].set_index("rule_id")
    assert shares.loc["owner-share", "confidence"] == "read in source"
    assert shares.loc["professional-share", "confidence"] == "from memory"
    assert shares.loc["permit-share", "section"] == "s. 403.9327(1)(a) F.S."


def test_reasons_name_their_source_and_how_sure_it_is():
    """M-53: that a professional does the work under a general permit is from memory."""
    found = routed(lot_site([(50, 5)], [9.0]))
    permit = way(found, "general-permit")
    source = "does or supervises all of the work [s. 403.9327(1)(a) F.S. (from memory)]"
    assert source in permit["decided_by"] and source in permit["other_plan"]
    owner = way(routed(lot_site([(50, 5)], [12.0])), "owner-exemption")
    assert "[s. 403.9326(1)(a)2 F.S. (read in source)]" in owner["decided_by"]


@pytest.mark.parametrize("words", ['words = "Banks are kept tall."', ""])
def test_the_number_of_a_local_limit_is_printed_whatever_its_words(words):
    text = f"""
        [file]
        id = "cay-town"
        kind = "overlay"
        title = "Rules of Cay Town (invented)"
        jurisdiction = "Cay Town (invented)"
        version = "1"
        [tighten.permit-height-after]
        number = 8.0
        unit = "ft"
        {words}
        section = "invented code 4"
        confidence = "read in source"
        read_on = "2026-11"
    """
    site = lot_site([(50, 5)], [9.0], overlays=(read_overlay(text, "cay.toml"),))
    found = measure(site, ["route"])
    permit = way(found["route"], "general-permit")
    for told in (permit["decided_by"], permit["other_plan"], printed(site, found)):
        assert "limit: at least 8 ft; invented code 4 (read in source)" in told
        assert "6 ft tall" not in told or "After trimming no mangrove is under 6 ft" not in told


# ---- what to find out


@pytest.mark.parametrize(
    "settle", sorted({m["settle"] for m in measures().values() if "{tree}" in m.get("settle", "")})
)
def test_whatever_hangs_on_a_tree_is_asked_for_with_its_id(settle):
    trees = [
        made.tree(i, "owner-exemption", "depends", settle=settle.replace("{tree}", i))
        for i in ("t7", "t9")
    ]
    text = printed(made.site(), made.result(trees))
    assert f"- {settle.replace('{tree}', 't7, t9')}" in text


def test_a_height_to_be_left_at_is_asked_for():
    text = printed(lot_site([(50, 5)], [9.0], target=None))
    assert "- height to leave t0 at" in text


def test_needs_of_ways_are_told_where_no_tree_hangs_on_them():
    ways = [
        made.way("general-permit", "depends", settle="place of a tree in the fringe: survey it")
    ]
    text = printed(made.site(), made.result([made.tree("t1", "owner-exemption", "open")],
                                            lot_routes=ways))  # fmt: skip
    assert "- place of a tree in the fringe: survey it" in text


def test_another_plan_that_hangs_on_the_authority_says_so():
    """By s. 403.9323(2) F.S. on land set aside the act wants no trimming, whatever is planned."""
    site = lot_site([(50, 5)], [9.0], facts=MITIGATION)
    found = measure(site, ["route"])
    permit = way(found["route"], "general-permit")
    assert (
        "it then still hangs on what the department or the local government says on this: On "
        in (permit["other_plan"])
    )
    text = printed(site, found)
    assert "General permit with another plan if the authority agrees, for 1 tree." in text
    assert "it then still hangs on" in text
    plain = printed(lot_site([(50, 5)], [30.0]))
    assert "General permit with another plan for 1 tree." in plain and "still hangs" not in plain


# ---- open questions, shore, plants


def test_every_open_question_is_told_once():
    """A-13: of a trunk 3 ft inside, the crown of 4 ft radius reaches over the side limit."""
    text = printed(lot_site([(50, 5), (3, 5)], [9.0, 9.0]))
    block = text.split("Open questions that would change something, read otherwise:")[1]
    changing, quiet = block.split("The other open questions (")
    told = set(re.findall(r"- (A-\d\d): taken is:", changing))
    still = quiet.split(")")[0].split(", ")
    assert "A-13" in told and not told & set(still)
    assert told | set(still) == {one.id for one in questions().values()}
    assert "If instead: the whole crown must lie inside, then: Owner exemption: closed" in changing


@pytest.mark.parametrize(
    ("along", "chord", "is_flagged"),
    [(160.0, 148.0, True), (149.0, 140.0, False), (160.0, 151.0, False), (150.003, 149.0, False)],
)
def test_a_shore_on_both_sides_of_150_ft_is_flagged(along, chord, is_flagged):
    """A-03; 150 US survey feet, 150.0003 ft, are at the limit."""
    trees = [made.tree("t1", "owner-exemption", "open")]
    row = made.outcome(trees, shoreline_length_ft=along, shoreline_chord_ft=chord)
    text = printed(made.site(), made.result(trees, outcomes=[row]))
    assert f"straight from end to end {chord:.1f} ft" in text
    assert ("A-03: the two lie on both sides of 150 ft" in text) is is_flagged


def test_a_smoothed_shore_that_changes_the_cap_is_flagged():
    trees = [made.tree("t1", "owner-exemption", "open")]
    reading = {
        "lot_id": "A",
        "setting": "shoreline_reading",
        "ambiguity": "A-03",
        "question": "Which?",
        "used": "along-line",
        "used_words": "as given",
        "is_default": True,
        "other": "smoothed",
        "other_words": "smoothed over 50 ft",
        "is_changing": True,
        "changes": "cap of the owner exemption: none instead of 65 %",
    }
    text = printed(made.site(), made.result(trees, readings=[reading]))
    assert "A-03: measured otherwise (smoothed over 50 ft), the cap would not stand" in text
    text = printed(made.site(), made.result(trees, readings=[{**reading, "is_changing": False}]))
    assert "measured otherwise" not in text


def test_plants_the_act_does_not_name_are_not_told_as_free_of_rules():
    text = printed(lot_site([(50, 5)], [9.0], species=["buttonwood"]))
    assert "A local tree code, or rules for listed plants, may apply to 1 other plant." in text
    assert "local tree code" not in printed(lot_site([(50, 5)], [9.0]))


def test_of_a_lot_without_shore_only_the_reason_is_told():
    inland = sites.lots([shapely.box(0, -90, 100, 0), shapely.box(0, -400, 100, -300)])
    site = dataclasses.replace(lot_site([(50, 5)], [9.0]), lots=inland)
    text = printed(site).split("Lot B")[1]
    assert "No shore was found" in text and "why: " in text and "to find out: " in text
    assert not re.search("Owner exemption|Figures|Open questions|Duties", text)


def test_a_lot_that_was_not_judged_and_no_lot_at_all():
    trees = [made.tree("t1", "owner-exemption", "open")]
    assert "Lot B: not judged" in printed(made.site(("A", "B")), made.result(trees))
    assert printed(made.site(), made.result(outcomes=[])) == "No lot was judged."


def test_many_lots_are_a_line_each():
    ids = tuple("ABCDE")
    rows = [made.outcome([made.tree("t", "owner-exemption", "open")], i) for i in ids]
    text = printed(made.site(ids), made.result(outcomes=rows))
    assert text == " ".join(f"{i} As the trees have it." for i in ids)


def test_answers_that_some_tree_hangs_on_come_before_those_of_other_ways():
    site = dataclasses.replace(
        lot_site([(50, 5)], [9.0]),
        facts=Facts({k: v for k, v in PLAIN_FACTS.items() if k != "supervisor"}),
    )
    text = printed(site)
    block = text.split("To find out, for what is told as depends:")[1]
    assert block.startswith(" - who will do or supervise the work")
