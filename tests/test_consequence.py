"""What over-cutting leads to: the trigger, the arithmetic, and the plan held against them.

Source of the numbers, unless another is named: s. 403.9332(1)(a) F.S., read in source: restoration
where 5 % or more of the trimmed trees are cut below 6 ft, destroyed, defoliated or removed; canopy
equal to the area lost within 5 years; else wetland created at two to one by canopy area, by a
donation of at least $4 for each sq ft created, or credits at two to one.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely
import strategies
from hypothesis import given
from hypothesis import strategies as st
from sites import FLORIDA_EAST_M, moved
from sites import crowns as crowns_table

from geotrim.cli import main
from geotrim.errors import RangeError
from geotrim.io.site_file import read_site
from geotrim.model import Facts, Result
from geotrim.ops.catalogue import CONSEQUENCE
from geotrim.ops.chain import measure
from geotrim.ops.consequences import consequence
from geotrim.report.consequence_text import consequence_text
from geotrim.rules.consequence import Counts, fewest_and_most, floor_limit, restoration
from geotrim.rules.rule_file import read_overlay
from geotrim.rules.rule_set import rule_set
from geotrim.rules.shares import unit_length_ft, unit_words

ROOT = Path(__file__).resolve().parent.parent
RULES = rule_set().rules
NAN = float("nan")
#: 100 international feet make this many US survey feet; one is 1200/3937 m, the other 0.3048 m.
FEET = 0.3048 * 3937 / 1200

#: Trimmed, cut low, whether 5 % are reached, how many more would: by hand.
TRIGGER = [
    (40, 2, True, 0),
    (20, 1, True, 0),
    (21, 1, False, 1),
    (60, 3, True, 0),
    (61, 3, False, 1),
    (20, 0, False, 1),
    (21, 0, False, 2),
    (1, 0, False, 1),
    (1, 1, True, 0),
    (100, 4, False, 1),
    (101, 4, False, 2),
    (1000, 0, False, 50),
    (999_999, 49_999, False, 1),  # 49,999.95 are needed
    (1_000_000, 50_000, True, 0),
    (1_000_000, 49_999, False, 1),
]


@pytest.mark.parametrize(("n_trimmed", "n_low", "is_due", "n_more"), TRIGGER)
def test_the_trigger_on_both_sides_of_its_edge(n_trimmed, n_low, is_due, n_more):
    due = restoration(n_trimmed, n_low, 0.0, RULES)
    assert (due.is_due, due.n_more) == (is_due, n_more)
    assert due.share_frac == n_low / n_trimmed
    assert due.margin_frac == pytest.approx(0.05 - n_low / n_trimmed, abs=1e-15)


def test_restoration_of_500_square_feet():
    """500 sq ft lost: 1,000 sq ft created or in credits, at least $4,000, 5 years."""
    due = restoration(20, 1, 500.0, RULES)
    assert (due.created_area_ft2, due.donation_usd, due.years) == (1000.0, 4000.0, 5.0)


def test_nobody_trimmed_is_no_share():
    due = restoration(0, 0, 0.0, RULES)
    assert not due.is_due and math.isnan(due.share_frac) and due.n_more is None


@pytest.mark.parametrize(("n_trimmed", "n_low"), [(20, 21), (20, -1), (-1, -1), (-1, 0)])
def test_counts_that_cannot_be_are_refused(n_trimmed, n_low):
    with pytest.raises(RangeError, match=f"n_cut_low: found {n_low} of {n_trimmed}"):
        restoration(n_trimmed, n_low, 0.0, RULES)


def test_an_area_below_nothing_is_refused():
    with pytest.raises(RangeError, match="lost_area_ft2"):
        restoration(20, 1, -0.1, RULES)


@given(counts=strategies.cut_low_counts())
def test_one_more_tree_cut_low_never_takes_the_trigger_back(counts):
    n_trimmed, n_low = counts
    now, more = (restoration(n_trimmed, n, 0.0, RULES) for n in (n_low, min(n_low + 1, n_trimmed)))
    assert more.is_due >= now.is_due
    assert more.margin_frac <= now.margin_frac


@given(counts=strategies.cut_low_counts())
def test_the_count_that_is_missing_is_the_first_that_reaches_it(counts):
    """With so many more the trigger is reached; with one less it is not. 20 n >= N says it too."""
    n_trimmed, n_low = counts
    due = restoration(n_trimmed, n_low, 0.0, RULES)
    assert due.is_due == (20 * n_low >= n_trimmed)  # n/N >= 5 % in whole numbers
    assert due.n_more is not None
    assert restoration(n_trimmed, n_low + due.n_more, 0.0, RULES).is_due
    if due.n_more:
        assert not restoration(n_trimmed, n_low + due.n_more - 1, 0.0, RULES).is_due


@given(area=strategies.numbers(0.0, 1e6), times=strategies.numbers(0.0, 50.0))
def test_the_amounts_grow_with_the_area(area, times):
    one, other = (restoration(20, 1, a, RULES) for a in (area, area * times))
    assert other.created_area_ft2 == pytest.approx(times * one.created_area_ft2)
    assert other.donation_usd == pytest.approx(times * one.donation_usd)
    assert one.donation_usd == pytest.approx(8.0 * area)  # 2 sq ft for each, $4 for each of them


@given(trees=strategies.half_known_trees())
def test_what_is_unknown_is_settled_either_way_between_the_fewest_and_the_most(trees):
    """Every way of answering what is unknown, tried one by one, lies between; both ends are met."""
    trimmed, low = trees
    unknown = [k for k, value in enumerate([*trimmed, *low]) if math.isnan(value)]
    shares = []
    for answers in itertools.product((0.0, 1.0), repeat=len(unknown)):
        settled = np.array([*trimmed, *low])
        settled[unknown] = answers
        cut, is_low = settled[: len(trimmed)] == 1.0, settled[len(trimmed) :] == 1.0
        if cut.any():
            shares.append((cut & is_low).sum() / cut.sum())
    fewest, most = fewest_and_most(trimmed, low)
    found = [one.n_cut_low / one.n_trimmed for one in (fewest, most) if one.n_trimmed]
    if not shares:
        assert found == []
    elif len(found) == 2:
        assert found == [min(shares), max(shares)]
    else:  # at one end nobody is trimmed at all: of the rest, all shares are alike
        assert set(shares) == set(found)


def test_fewest_and_most_by_hand():
    """Of five: cut low, not low, may be low, may be trimmed and is low, may be trimmed, not low."""
    fewest, most = fewest_and_most([1, 1, 1, NAN, NAN], [1, 0, NAN, 1, 0])
    assert fewest == Counts(n_trimmed=4, n_cut_low=1)  # the fourth is left, the fifth trimmed
    assert most == Counts(n_trimmed=4, n_cut_low=3)  # the fourth is trimmed, the fifth left


OVERLAY = """
[file]
id = "sample-county"
kind = "overlay"
title = "Invented for a test"
jurisdiction = "Sample County"
version = "1"

[tighten.restoration-trigger]
number = 0.02
unit = "frac"
section = "local code 1"
confidence = "read in source"
read_on = "2026-11"

[tighten.owner-height-after]
number = 8.0
unit = "ft"
section = "local code 2"
confidence = "read in source"
read_on = "2026-11"
"""


def test_a_local_trigger_is_the_stricter_one_and_the_floor_stays_the_acts():
    """2 % of 50 trees is one tree; a local floor of 8 ft does not make 7 ft "below 6 ft"."""
    overlay = read_overlay(OVERLAY, "test")
    local = consequence(n_trimmed=50, n_cut_low=1, overlays=(overlay,))
    row = local["consequence"].iloc[0]
    assert row["is_triggered"] and row["trigger_frac"] == 0.02
    assert row["section"] == "local code 1; s. 403.9332(1)(a) F.S."
    assert local["consequence_rules"].set_index("rule_id")["is_local"].to_dict() == {
        "restoration-trigger": True,
        "restoration-ratio": False,
        "restoration-price": False,
        "restoration-years": False,
    }
    assert not consequence(n_trimmed=50, n_cut_low=1)["consequence"]["is_triggered"].iloc[0]
    limit = floor_limit(rule_set([overlay]).rules)
    assert (limit.number, limit.compare) == (6.0, ">=")
    trees = planned([7.0] * 3, tops=[9.0] * 3)
    assert len(consequence(trees, overlays=(overlay,))["cut_low_trees"]) == 0


def test_where_nothing_is_cut_low_no_trigger_is_reached_however_strict():
    overlay = read_overlay(OVERLAY.replace("0.02", "0.0"), "test")
    none, one = (consequence(n_trimmed=50, n_cut_low=n, overlays=(overlay,)) for n in (0, 1))
    assert only(none)["is_triggered"] is False and only(none)["n_more_to_trigger"] == 1
    assert only(one)["is_triggered"] is True


def test_figures_given_make_one_row():
    result = consequence(n_trimmed=20, n_cut_low=1, lost_area_ft2=500.0)
    (row,) = result["consequence"].to_dict("records")
    assert (row["n_trimmed"], row["n_cut_low"], row["n_uncertain_trees"]) == (20, 1, 0)
    assert row["is_triggered"] is True and row["basis"] == "figures given"
    assert row["share_cut_low_frac"] == row["share_least_frac"] == row["share_most_frac"] == 0.05
    assert (row["created_area_ft2"], row["credit_area_ft2"]) == (1000.0, 1000.0)
    assert (row["donation_usd"], row["restoration_years"]) == (4000.0, 5.0)
    assert (row["section"], row["confidence"]) == ("s. 403.9332(1)(a) F.S.", "read in source")
    assert row["words"].startswith("Reached: 1 of 20 trimmed trees (5 %) cut low; the")
    assert result.notes == () and row["lot_id"] is None


def test_an_area_alone_is_worked_out_without_a_verdict():
    (row,) = consequence(lost_area_ft2=500.0)["consequence"].to_dict("records")
    assert row["is_triggered"] is None and row["n_trimmed"] is None
    assert math.isnan(row["share_cut_low_frac"]) and math.isnan(row["margin_frac"])
    assert row["donation_usd"] == 4000.0
    assert "not given" in row["words"]


def test_counts_alone_are_judged_without_amounts():
    (row,) = consequence(n_trimmed=21, n_cut_low=1)["consequence"].to_dict("records")
    assert row["is_triggered"] is False and row["n_more_to_trigger"] == 1
    assert math.isnan(row["lost_area_ft2"]) and math.isnan(row["donation_usd"])
    assert row["words"].endswith("1 more of them cut low would reach it.")


@pytest.mark.parametrize(
    ("one", "lacking"), [({"n_trimmed": 20}, "n_cut_low"), ({"n_cut_low": 0}, "n_trimmed")]
)
def test_one_count_without_the_other_is_refused(one, lacking):
    with pytest.raises(RangeError, match=f"^{lacking}: found nothing"):
        consequence(**one)


def test_figures_go_before_the_plan():
    result = consequence(planned([5.0] * 3, tops=[9.0] * 3), n_trimmed=21, n_cut_low=1)
    assert result["consequence"]["basis"].tolist() == ["figures given"]
    assert len(result["cut_low_trees"]) == 0


def planned(targets, tops=None, to_trim=True, side=10.0, **columns):
    """Square crowns of ``side`` US survey feet with a plan, heights measured in the field."""
    n = len(targets)
    table = crowns_table(
        [shapely.box(20 * k, 0, 20 * k + side, side) for k in range(n)],
        species=columns.pop("species", None),
    )
    table["target_height_ft"] = targets
    table["field_height_ft"] = [12.0] * n if tops is None else tops
    table["base_height_ft"] = 1.0
    if to_trim is not None:
        table["is_to_trim"] = [to_trim] * n if isinstance(to_trim, bool) else to_trim
    for name, values in columns.items():
        table[name] = values
    return table


def only(result):
    """The one row, its NA as None."""
    (row,) = result["consequence"].to_dict("records")
    return row


@pytest.mark.parametrize(("target", "is_low"), [(5.99, True), (6.0, False), (6.01, False)])
def test_the_floor_on_both_sides_of_its_edge(target, is_low):
    """6.00 ft is not below 6 ft, 5.99 ft is."""
    row = only(consequence(planned([target])))
    assert (row["n_cut_low"], row["is_triggered"]) == (int(is_low), is_low)


@pytest.mark.parametrize(
    ("n_low", "n", "is_due"),
    [(2, 40, True), (1, 20, True), (1, 21, False), (3, 60, True), (3, 61, False)],
)
def test_a_plan_is_held_against_the_trigger(n_low, n, is_due):
    row = only(consequence(planned([5.0] * n_low + [6.0] * (n - n_low))))
    assert (row["n_trimmed"], row["n_cut_low"]) == (n, n_low)
    assert row["is_triggered"] is is_due
    assert row["basis"] == "plan"


def test_the_area_lost_is_that_of_the_crowns_in_international_feet():
    """Two crowns of 10 by 10 US survey feet; one such foot is 1/0.999998 international feet."""
    row = only(consequence(planned([5.0, 5.0, 6.0])))
    assert row["lost_area_ft2"] == pytest.approx(200.0 / FEET**2, rel=1e-12)
    assert row["lost_area_ft2"] == pytest.approx(200.0008, abs=1e-5)
    assert row["created_area_ft2"] == pytest.approx(2 * row["lost_area_ft2"])
    assert row["donation_usd"] == pytest.approx(8 * row["lost_area_ft2"])


def test_a_site_in_metres_gives_the_same_figures():
    metres = moved(planned([5.0, 6.0]), scale=0.3048, crs=FLORIDA_EAST_M)
    assert only(consequence(metres))["lost_area_ft2"] == pytest.approx(100.0, rel=1e-12)


def test_other_plants_do_not_count():
    """Buttonwood is no mangrove under s. 403.9325(3) F.S.: nor trimmed, nor cut low."""
    kinds = ["buttonwood"] * 4 + ["red mangrove", "black mangrove"]
    row = only(consequence(planned([3.0] * 4 + [6.0, 7.0], species=kinds)))
    assert (row["n_trimmed"], row["n_cut_low"], row["is_triggered"]) == (2, 0, False)


def test_only_trees_that_are_to_be_trimmed_count():
    row = only(consequence(planned([5.0, 6.0, 5.0], to_trim=[False, True, False])))
    assert (row["n_trimmed"], row["n_cut_low"], row["is_triggered"]) == (1, 0, False)


def test_a_cut_that_leaves_no_foliage_counts_however_high():
    """Base of the crown at 9 ft, planned height 8 ft: nothing green is left, the tree defoliated.

    A tree without its foliage is not trimmed: s. 403.9325(8) F.S., read second-hand.
    """
    table = planned([8.0, 8.0, 9.0], tops=[15.0] * 3)
    table["base_height_ft"] = [9.0, 7.9, 9.0]
    result = consequence(table)
    assert result["cut_low_trees"]["crown_id"].tolist() == ["t0", "t2"]
    assert set(result["cut_low_trees"]["reason"]) == {"no foliage left"}


def test_a_tree_under_its_planned_height_is_not_cut_low():
    """A shrub of 4 ft with a planned height of 5 ft loses nothing by that plan."""
    row = only(consequence(planned([5.0, 6.0], tops=[4.0, 12.0])))
    assert row["n_cut_low"] == 0 and row["is_triggered"] is False
    assert row["n_trimmed"] == 1  # the shrub may be trimmed otherwise, or not


def test_a_low_tree_cut_lower_counts():
    row = only(consequence(planned([4.0, 6.0], tops=[5.0, 12.0])))
    assert (row["n_cut_low"], row["is_triggered"]) == (1, True)


def test_a_height_too_close_to_the_planned_one_leaves_it_open():
    """5.8 ft planned, 6.0 ft measured with an error of 0.5 ft: 0.2 is less than 1.96 times 0.5."""
    table = planned([5.8, 7.0], tops=[6.0, 12.0], field_height_error_ft=[0.5, 0.5])
    result = consequence(table)
    row = only(result)
    assert row["is_triggered"] is None
    assert (row["n_cut_low"], row["n_uncertain_trees"]) == (0, 1)
    assert (row["share_least_frac"], row["share_most_frac"]) == (0.0, 0.5)
    assert math.isnan(row["share_cut_low_frac"])
    assert "too close" in result["cut_low_trees"]["reason"].iloc[0]
    sharp = planned([5.8, 7.0], tops=[6.0, 12.0], field_height_error_ft=[0.09, 0.5])
    assert only(consequence(sharp))["is_triggered"] is True  # 0.2 is more than 0.176
    table = table.assign(field_height_error_ft=0.2)
    assert only(consequence(table))["is_triggered"] is None  # 0.2 is less than 0.392
    half = consequence(table, confidence_frac=0.5)
    assert only(half)["is_triggered"] is True  # 0.2 is more than 0.674 times 0.2


@pytest.mark.parametrize(
    ("unknown", "reason"),
    [
        ({"species": [None, "red mangrove"]}, "species not known"),
        ({"to_trim": [None, True]}, "not known whether it is to be trimmed"),
    ],
)
def test_an_unknown_never_becomes_a_yes_or_a_no(unknown, reason):
    """One of two trees would be cut to 5 ft: with what is unknown settled it counts, or not."""
    result = consequence(planned([5.0, 7.0], **unknown))
    row = only(result)
    assert row["is_triggered"] is None and row["n_more_to_trigger"] is None
    assert math.isnan(row["margin_frac"])
    assert row["words"].startswith("Cannot be told")
    (tree,) = result["cut_low_trees"].to_dict("records")
    assert tree["is_cut_low"] is None and tree["reason"].endswith(reason)
    assert any(note.level == "missing" and "may count" in note.text for note in result.notes)


def test_a_planned_height_alone_makes_a_plan_that_cannot_be_told():
    """A height of 5 ft is planned, but nobody said whether the tree is to be trimmed."""
    row = only(consequence(planned([5.0], to_trim=[None])))
    assert row["is_triggered"] is None and row["n_uncertain_trees"] == 1
    assert row["words"].startswith(
        "Cannot be told: from none to 1 of 1 trimmed tree (100 %) cut low"
    )


def test_a_tree_of_unknown_height_may_be_cut_low_but_not_surely():
    """Left at 5 ft a tree may stand under that already, unless its foliage begins above 5 ft."""
    result = consequence(planned([5.0, 7.0], tops=[NAN, 12.0]))
    row = only(result)
    assert row["is_triggered"] is None and row["n_cut_low"] == 0 and row["n_uncertain_trees"] == 1
    assert row["words"].startswith("Cannot be told: from none to 1 of 2 trimmed trees (50 %) cut")
    trees = result["cut_low_trees"]
    assert trees["reason"].tolist() == ["left under 6 ft; height not known"]
    side_ft = 10 / FEET
    assert f"For at most {side_ft**2:,.0f} sq ft" in consequence_text(None, {"consequence": result})
    high = planned([5.0, 7.0], tops=[NAN, 12.0])
    high["base_height_ft"] = 5.5
    result = consequence(high)
    assert only(result)["n_cut_low"] == 1 and only(result)["is_triggered"] is True
    assert "not known" not in result["cut_low_trees"]["reason"].iloc[0]
    unchosen = consequence(planned([5.0, 7.0], tops=[NAN, 12.0], to_trim=None))
    assert only(unchosen)["n_cut_low"] == 0 and only(unchosen)["n_trimmed"] == 1


def test_how_many_are_cut_low_is_told_from_the_least_to_the_greatest():
    """1 of 3 trimmed is surely low; of unknown species one is low too: 1 of 2 to 2 of 3."""
    kinds = ["red mangrove", None, "red mangrove"]
    row = only(consequence(planned([5.0, 5.0, 7.0], species=kinds)))
    assert row["words"].startswith(
        "Reached: from 1 of 2 trimmed trees (50 %) to 2 of 3 (66.67 %) cut low; the"
    )


def test_a_tree_without_a_planned_height_may_be_cut_low():
    result = consequence(planned([NAN, 7.0]))
    assert only(result)["is_triggered"] is None
    assert result["cut_low_trees"]["reason"].tolist() == ["planned height not known"]


def test_what_is_unknown_does_not_matter_where_it_decides_nothing():
    """40 trees trimmed, 2 of them low, 1 of unknown species at 7 ft: 2 of 39 or 40, both 5 %.

    And 60 trimmed, 1 may be low: 0 or 1 of 60, both under 5 %.
    """
    kinds = ["red mangrove"] * 39 + [None]
    row = only(consequence(planned([5.0] * 2 + [7.0] * 38, species=kinds)))
    assert row["is_triggered"] is True and row["n_trimmed"] == 39
    assert (row["share_least_frac"], row["share_most_frac"]) == (2 / 40, 2 / 39)
    assert row["margin_frac"] == pytest.approx(0.0)  # of the two, the one that says less
    row = only(consequence(planned([NAN] + [7.0] * 59)))
    assert row["is_triggered"] is False
    assert row["n_more_to_trigger"] == 2 and row["margin_frac"] == pytest.approx(0.05 - 1 / 60)


def test_without_a_column_for_it_the_taller_mangroves_are_taken_as_planned():
    table = planned([5.0, 7.0, NAN, 7.0], tops=[9.0, 9.0, 9.0, 6.5], to_trim=None)
    result = consequence(table)
    assert only(result)["n_trimmed"] == 2
    assert any(n.level == "assumed" and "is_to_trim" in n.text for n in result.notes)


def test_a_common_planned_height_fills_in_where_a_tree_has_none():
    table = planned([NAN, 7.0])
    assert only(consequence(table, target_height_ft=5.0))["n_cut_low"] == 1
    assert only(consequence(table, target_height_ft=6.0))["n_cut_low"] == 0


def raster_heights(ids, tops, errors, partial=None):
    table = pd.DataFrame(
        {
            "crown_id": ids,
            "top_height_ft": tops,
            "height_error_ft": errors,
            "is_partial": [False] * len(ids) if partial is None else partial,
        }
    )
    return Result("heights", {"heights": table})


def test_heights_of_the_raster_fill_in_for_the_field_ones():
    """Two crowns out of order: t1 is 4 ft tall by the raster, t0 12 ft by the field."""
    table = planned([5.0, 5.0], tops=[12.0, NAN])
    heights = raster_heights(["t1", "t0"], [4.0, 3.0], [0.1, 0.1])
    assert consequence(table, heights=heights)["cut_low_trees"]["crown_id"].tolist() == ["t0"]
    unseen = raster_heights(["t1", "t0"], [4.0, 3.0], [0.1, 0.1], partial=[True, False])
    assert len(consequence(table, heights=unseen)["cut_low_trees"]) == 2


def route_result(lots, ids, **columns):
    """A result of ``route`` as far as it is read here."""
    table = {
        "lot_id": lots,
        "crown_id": ids,
        "is_mangrove": pd.array([True] * len(ids), dtype="boolean"),
        "top_height_ft": 12.0,
        "height_error_ft": 0.0,
        "earlier_configuration": "closed",
        "maintenance": "closed",
    }
    return Result("route", {"tree_outcomes": pd.DataFrame(table | columns)})


def test_with_routes_the_plan_is_told_lot_by_lot():
    """B: 1 of 2 cut low; A: 0 of 1. The fourth crown stands on no measured lot."""
    table = planned([5.0, 7.0, 8.0, 4.0])
    result = consequence(table, route=route_result(["A", "B", "B"], ["t1", "t2", "t0"]))
    rows = result["consequence"].set_index("lot_id")
    assert rows["n_trimmed"].to_dict() == {"B": 2, "A": 1}
    assert rows["n_cut_low"].to_dict() == {"B": 1, "A": 0}
    assert rows["is_triggered"].to_dict() == {"B": True, "A": False}
    assert rows["lost_area_ft2"].to_dict() == pytest.approx({"B": 100 / FEET**2, "A": 0.0})
    assert result["cut_low_trees"][["lot_id", "crown_id"]].values.tolist() == [["B", "t0"]]


def test_a_lot_without_a_plan_has_no_row():
    table = planned([5.0, NAN], to_trim=[True, False])
    result = consequence(table, route=route_result(["A", "B"], ["t0", "t1"]))
    assert result["consequence"]["lot_id"].tolist() == ["A"]


@pytest.mark.parametrize("name", ["earlier_configuration", "maintenance"])
@pytest.mark.parametrize(
    ("status", "is_triggered"), [("open", False), ("closed", True), ("depends", None)]
)
def test_a_documented_hedge_of_4_ft_does_not_count(name, status, is_triggered):
    """Paragraphs (c) and (d) of s. 403.9326(1) F.S. are left out of the trigger."""
    table = planned([4.0, 7.0])
    result = consequence(table, route=route_result(["A", "A"], ["t0", "t1"], **{name: status}))
    row = only(result)
    assert row["is_triggered"] is is_triggered
    assert row["n_trimmed"] == 2
    told = [note.text for note in result.notes if "not counted" in note.text]
    assert len(told) == (status == "open")
    if status == "depends":
        assert "paragraph (c) or (d)" in result["cut_low_trees"]["reason"].iloc[0]


def test_a_documented_height_is_no_leave_to_take_all_foliage():
    """Destroyed, defoliated or removed counts under every paragraph."""
    table = planned([4.0, 7.0])
    table["base_height_ft"] = 4.5
    route = route_result(["A", "A"], ["t0", "t1"], earlier_configuration="open")
    result = consequence(table, route=route)
    assert only(result)["n_cut_low"] == 1
    assert not [note for note in result.notes if "not counted" in note.text]


def test_a_hedge_shown_by_photographs_does_not_count_on_a_sample_lot():
    """All of it at once: facts, routes and plan. Every planned mangrove is left at 5.5 ft.

    Without proof each counts; with proof of 5 ft, and lawful trimming before, none does, but for
    those whose foliage begins above 5.5 ft; a species that is not known leaves it open.
    """
    site = read_site(ROOT / "sample_data" / "plain_lot" / "site.toml")
    options = {**site.options, "target_height_ft": 5.5, "crown_base_ft": 2.0}  # where not measured
    shown = {
        "earlier_proof": "photographs",
        "earlier_height_ft": 5.0,
        "was_lawfully_trimmed": True,
    }
    facts = Facts({**site.facts.everywhere, **shown}, site.facts.by_lot)
    without, proven = (
        measure(replace(site, options=options, facts=one), ["consequence"])["consequence"]
        for one in (site.facts, facts)
    )
    assert only(without)["is_triggered"] is True
    assert only(without)["n_cut_low"] == only(without)["n_trimmed"]
    counted = proven["cut_low_trees"]
    is_sure = counted["is_cut_low"].fillna(False)
    assert counted.loc[is_sure, "reason"].str.contains("no foliage left").all()
    assert counted.loc[~is_sure, "species"].isna().all()
    assert 0 < is_sure.sum() < only(without)["n_cut_low"]
    assert any("not counted" in note.text for note in proven.notes)


def test_species_and_heights_come_from_the_routes_where_those_were_judged():
    table = planned([5.0, 5.0, 7.0])
    known = pd.array([False, None, True], dtype="boolean")
    route = route_result(["A"] * 3, ["t0", "t1", "t2"], is_mangrove=known)
    assert consequence(table, route=route)["cut_low_trees"]["crown_id"].tolist() == ["t1"]
    short = route_result(["A"] * 3, ["t0", "t1", "t2"], top_height_ft=[4.0, 12.0, 12.0])
    assert consequence(table, route=short)["cut_low_trees"]["crown_id"].tolist() == ["t1"]


@pytest.mark.parametrize(
    "crowns",
    [
        None,
        planned([]),
        planned([NAN, NAN], to_trim=None),
        planned([5.0, 5.0], to_trim=False),
        planned([NAN, NAN], to_trim=[None, None]),
        crowns_table([shapely.box(0, 0, 1, 1)]),
    ],
    ids=["no-crowns", "empty", "no-target", "none-to-trim", "all-unknown", "bare"],
)
def test_without_a_plan_there_are_columns_and_one_note(crowns):
    result = consequence(crowns)
    assert {name: len(table) for name, table in result.tables.items()} == {
        "consequence": 0,
        "cut_low_trees": 0,
        "consequence_rules": 0,
    }
    for name, columns in CONSEQUENCE.outputs.items():
        assert set(columns) <= set(result[name].columns)
    (note,) = result.notes
    assert note.level == "missing" and "no plan is given" in note.text
    assert (
        consequence_text(None, {"consequence": result}) == "Neither a plan nor figures are given."
    )


@pytest.mark.parametrize("column", ["is_triggered", "is_cut_low"])
def test_kinds_of_columns_hold_however_few_rows_there_are(column):
    full, empty = consequence(planned([5.0, 7.0])), consequence()
    for name, table in full.tables.items():
        floats = [c for c in table.columns if table[c].dtype.kind == "f"]
        assert all(empty[name][c].dtype.kind == "f" for c in floats)
        if column in table.columns:
            assert str(table[column].dtype) == str(empty[name][column].dtype) == "boolean"


@given(n_low=st.integers(0, 12), n=st.integers(12, 40), more=st.integers(0, 5))
def test_planning_one_more_tree_low_never_takes_the_trigger_back(n_low, n, more):
    """The same, through the operation; the area lost never shrinks either."""
    now, later = (
        only(consequence(planned([5.0] * k + [7.0] * (n - k))))
        for k in (n_low, min(n_low + more, n))
    )
    assert later["is_triggered"] >= now["is_triggered"]
    assert later["lost_area_ft2"] >= now["lost_area_ft2"]
    assert now["is_triggered"] is (20 * n_low >= n and n_low > 0)


@given(trees=strategies.half_known_plans(), k=st.integers(0, 5))
def test_forgetting_a_species_never_settles_the_trigger(trees, k):
    """What could be told without it can be told with it, and says the same."""
    targets, kinds = trees
    less = list(kinds)
    less[k % len(less)] = None
    known = consequence(planned(targets, species=kinds))["consequence"]["is_triggered"].tolist()
    unknown = consequence(planned(targets, species=less))["consequence"]["is_triggered"].tolist()
    if unknown and unknown[0] is not pd.NA:
        assert known == unknown or (known == [] and unknown == [False])


def test_the_text_tells_trigger_amounts_and_sources():
    """On a page of 80 columns, with the figures by hand."""
    given_row = consequence(n_trimmed=21, n_cut_low=1, lost_area_ft2=500.0)
    text = consequence_text(None, {"consequence": given_row})
    words = " ".join(text.split())
    for part in (
        "Not reached: 1 of 21 trimmed trees (4.76 %) cut low; the trigger is at least 5 %",
        "500 sq ft of canopy lost",
        "within 5 years",
        "1,000 sq ft created or in credits",
        "at least $4,000",
        "paragraphs c, d, f, g and h",
        "s. 403.9332(1)(a) F.S., read in source",
    ):
        assert part in words
    assert max(map(len, text.splitlines())) <= 80
    lots = consequence(planned([5.0, 7.0]), route=route_result(["A", "A"], ["t0", "t1"]))
    assert "Lot A, if the plan were carried out" in consequence_text(None, {"consequence": lots})
    counts = consequence(n_trimmed=21, n_cut_low=1)
    assert "canopy area lost is not given" in consequence_text(None, {"consequence": counts})
    none = consequence_text(None, {"consequence": consequence(planned([6.0] * 3))})
    assert "Not reached: no tree cut low;" in none and "canopy lost" not in none
    alone = consequence(planned([5.0, 7.0]))
    assert consequence_text(None, {"consequence": alone}).startswith("If the plan were carried")


def test_the_caution_names_who_answers():
    """Source: s. 403.9332(1)(b) F.S., read in source: four roles, jointly and severally."""
    for role in ("applicant", "permittee", "landowner", "person trimming"):
        assert role in CONSEQUENCE.caution.lower()
    assert "jointly and severally" in CONSEQUENCE.caution
    assert "not as advice" in CONSEQUENCE.caution


def test_penalties_are_not_printed():
    """Nobody has read their current amounts: $100, $250, $5,000, $7,500."""
    result = consequence(n_trimmed=20, n_cut_low=1, lost_area_ft2=500.0)
    text = consequence_text(None, {"consequence": result}) + CONSEQUENCE.caution
    text += " ".join(result["consequence_rules"]["words"])
    for amount in ("$100", "$250", "5,000", "7,500", "penalt", "fine"):
        assert amount not in text


def test_the_command_works_from_figures_alone(capsys):
    words = ["consequence", "--n-trimmed", "20", "--n-cut-low", "1", "--lost-area-ft2", "500"]
    assert main(words) == 0
    out = capsys.readouterr().out
    assert "Reached" in out and "$4,000" in out and "jointly and severally" in out
    assert main(["consequence"]) == 2
    assert "no site" in capsys.readouterr().err


def test_each_unit_has_its_part_and_nobody_says_it_is_fair():
    """Source: s. 403.9323(5) F.S., read in source: no formula. 150 ft over 6: 25 ft."""
    assert unit_length_ft(150.0, 6) == 25.0
    assert unit_length_ft(120.0, 1) == 120.0
    words = unit_words(150.0, 6)
    assert "each of 6 units has 25.0 ft" in words and "no formula" in words
    assert "403.9323(5)" in words and "not told here" in words
    for bad in ((150.0, 0), (150.0, -2), (-1.0, 3)):
        with pytest.raises(RangeError):
            unit_length_ft(*bad)


@pytest.mark.parametrize("to_trim", [True, None])
def test_a_kept_tree_is_no_part_of_the_plan(to_trim):
    """Of two trees planned under 6 ft one bears a nest: one tree trimmed, one cut low."""
    table = planned([5.0, 5.0], to_trim=to_trim, species=["red mangrove"] * 2)
    free, kept = consequence(table), consequence(table.assign(keep=["nest", None]))
    counts = [int(result["consequence"]["n_trimmed"].iloc[0]) for result in (free, kept)]
    assert counts == [2, 1]
    assert kept["cut_low_trees"]["crown_id"].tolist() == [table["crown_id"].iloc[1]]
