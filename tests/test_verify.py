"""Lots after a cut against their plan: what became of each tree, limits, trigger, next day.

Limits, s. 403.9326(1) F.S.: no mangrove under 6 ft after trimming; of one of 16 ft or more at most
25 % a year. Trigger, s. 403.9332(1)(a) F.S.: 5 % or more of the trimmed trees cut below 6 ft,
destroyed, defoliated or removed.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from verify_lots import NAN, after, judged, lot, read, tree, verdict

from geotrim.ops import after_state as states
from geotrim.ops.after_before import Before, Stood
from geotrim.ops.package_rules import floor_of, route_taken, rules_of
from geotrim.ops.window_rules import way_of
from geotrim.rules.rule_file import measures
from geotrim.rules.rule_set import rule_set
from geotrim.rules.verdict import standard_errors

FLOOR, ACT, PRACTICE = "professional-height-after", "professional-stages", "quarter-a-year"


@pytest.mark.parametrize(
    ("found", "floor"), [(6.00, "met"), (5.99, "not met"), (6.01, "met"), (0.0, "not met")]
)
def test_six_feet_on_both_sides_of_the_edge(found, floor):
    result = after(lot([9.0], [("t0", 1, 6.5, NAN)]), read(t0=found))
    assert verdict(result, FLOOR) == floor
    row = result["after_findings"].iloc[0]
    assert (row["value"], row["limit"], row["section"]) == (
        found, "at least 6 ft", "s. 403.9326(1)(b)2 F.S.",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("found", "share", "word"),
    [(12.0, 0.2500, "met"), (11.9984, 0.2501, "not met"), (12.0016, 0.2499, "met")],
)
def test_a_quarter_of_a_tree_of_16_ft_on_both_sides_of_the_edge(found, share, word):
    """16 ft of even foliage to 12 ft: 25 %."""
    result = after(lot([16.0], [("t0", 1, 12.0, NAN)]), read(t0=found))
    assert tree(result)["removed_frac"] == pytest.approx(share)
    assert verdict(result, ACT) == verdict(result, PRACTICE) == word


def test_the_act_stages_from_16_ft_and_good_practice_whatever_the_height():
    """12 ft to 8.9 ft: over a quarter, which the act says of taller trees alone."""
    result = after(lot([12.0], [("t0", 1, 9.0, NAN)]), read(t0=8.9))
    assert verdict(result, ACT) is None
    assert verdict(result, PRACTICE) == "not met"
    every = judged(reading="any-height")
    result = after(lot([12.0], [("t0", 1, 9.0, NAN)]), read(t0=8.9), given=every)
    assert verdict(result, ACT) == "not met"
    tall = judged(share_from=16.0)
    result = after(lot([12.0], [("t0", 1, 9.0, NAN)]), read(t0=8.9), given=tall)
    assert verdict(result, PRACTICE) is None


def test_a_height_too_close_to_16_ft_is_not_told_by_the_act():
    result = after(lot([16.1], [("t0", 1, 12.0, NAN)], error=0.3), read(t0=7.0))
    assert verdict(result, ACT) == "too close"
    assert verdict(result, PRACTICE) == "not met"


def test_errors_make_it_too_close():
    """6.15 ft read to 0.1 ft: 1.96 errors reach under 6 ft; 6.21 do not."""
    for found, word in ((6.15, "too close"), (6.21, "met"), (5.79, "not met")):
        one = read(t0={"height_ft": found, "height_error_ft": 0.1})
        assert verdict(after(lot([9.0], [("t0", 1, 6.5, NAN)]), one), FLOOR) == word


def test_the_plans_own_share_where_it_keeps_a_margin():
    """Planned at 22 %: 16 ft to 12.2 ft takes 23.75 %, within the rule and over the plan."""
    tables = lot([16.0], [("t0", 1, 12.48, NAN)], staged={"t0": (ACT, 0.22)})
    result = after(tables, read(t0=12.2))
    assert verdict(result, ACT) == "met"
    assert verdict(result, "plan-share") == "not met"
    tables = lot([16.0], [("t0", 1, 12.0, NAN)], staged={"t0": (ACT, 0.25)})
    assert verdict(after(tables, read(t0=12.2)), "plan-share") is None


def test_everything_is_met_where_a_plan_with_a_margin_is_carried_out():
    """20 ft, good to 0.2 ft, to 15.6 ft, read to 0.05: 22 %, error 0.8 %; 23.6 % at 95 %."""
    tables = lot([20.0], [("t0", 1, 15.6, NAN)], error=0.2, staged={"t0": (ACT, 0.22)})
    result = after(tables, read(t0={"height_ft": 15.6, "height_error_ft": 0.05}))
    assert set(result["after_findings"]["verdict"]) == {"met"}
    assert verdict(result, "plan-share") == "met"
    result = after(tables, read(t0={"height_ft": 15.57, "height_error_ft": 0.05}))
    assert verdict(result, "plan-share") == "not met"  # 22.15 %
    result = after(tables, read(t0={"height_ft": 15.59, "height_error_ft": 0.05}))
    assert verdict(result, "plan-share") == "met"  # 22.05 %, as near as a curve tells it
    rows = result["after_findings"].set_index("rule_id")
    assert rows.loc["plan-share", "value"] == pytest.approx(0.2205)


def test_lowest_foliage_where_it_is_known():
    """Foliage from 7 ft: cut to 6.5 ft it is all gone."""
    tables = lot([12.0, 12.0], [("t0", 1, 8.0, NAN), ("t1", 1, 8.0, NAN)], bases=[7.0, 7.0])
    result = after(tables, read(t0=6.5, t1=8.0))
    assert verdict(result, "trim-leaves-foliage", "t0") == "not met"
    assert verdict(result, "trim-leaves-foliage", "t1") == "met"
    result = after(lot([12.0], [("t0", 1, 8.0, NAN)]), read(t0=6.5))
    assert verdict(result, "trim-leaves-foliage") is None


STATES = {
    # height found, its error, done: what became of a 20 ft tree (error 0.5 ft) planned to 15 ft
    "to the inch": (15.0, 0.1, True, states.AS_PLANNED),
    "rounded up": (15.1, 0.0, None, states.AS_PLANNED),
    "over a rounding": (15.11, 0.0, None, states.LESS),
    "within the error": (15.28, 0.1, None, states.AS_PLANNED),
    "more": (14.79, 0.1, True, states.MORE),
    "more, within the error": (14.80, 0.1, True, states.AS_PLANNED),
    "less": (17.0, 0.1, True, states.LESS),
    "not at all": (20.0, 0.1, None, states.NOT_DONE),
    "within both errors": (19.01, 0.1, None, states.NOT_DONE),
    "beyond both errors": (18.99, 0.1, None, states.LESS),
    "ticked, not cut": (20.0, 0.1, True, states.NOT_DONE),
    "cut, not ticked": (15.0, 0.1, False, states.AS_PLANNED),
    "not ticked": (NAN, NAN, False, states.NOT_DONE),
    "ticked, not read": (NAN, NAN, True, states.UNREAD),
    "nothing": (NAN, NAN, None, states.UNREAD),
}


@pytest.mark.parametrize("name", STATES)
def test_what_became_of_a_top(name):
    """Both errors at 95 %: 1.96 hypot(0.5, 0.1) = 0.9994 ft; with the edge of 0.005, 1.004."""
    found, error, done, state = STATES[name]
    one = read(t0={"height_ft": found, "height_error_ft": error, "is_done": done})
    row = tree(after(lot([20.0], [("t0", 1, 15.0, NAN)], error=0.5), one))
    assert row["state"] == state
    assert row["is_to_do"] == (state in (states.LESS, states.NOT_DONE))
    if name in ("ticked, not cut", "cut, not ticked", "ticked, not read"):
        assert "marked as" in row["state_words"]


def test_a_cut_smaller_than_the_errors_is_by_the_crews_word():
    tables = lot([20.0], [("t0", 1, 19.5, NAN)], error=0.5)
    for done, state in ((True, "as planned"), (False, "not done"), (None, "cannot be told")):
        row = tree(after(tables, read(t0={"height_ft": 19.6, "is_done": done})))
        assert row["state"] == state


BANDS = {
    "as planned": ({"cleared_from_ft": 6.0, "cleared_to_ft": 8.0}, states.AS_PLANNED),
    "rounded": ({"cleared_from_ft": 6.1, "cleared_to_ft": 7.9}, states.AS_PLANNED),
    "higher": ({"cleared_from_ft": 6.0, "cleared_to_ft": 8.3}, states.MORE),
    "lower": ({"cleared_from_ft": 5.7, "cleared_to_ft": 8.0}, states.MORE),
    "short": ({"cleared_from_ft": 6.0, "cleared_to_ft": 7.5}, states.LESS),
    "short below": ({"cleared_from_ft": 6.5, "cleared_to_ft": 8.0}, states.LESS),
    "top too": ({"height_ft": 18.0, "cleared_from_ft": 6.0, "cleared_to_ft": 8.0}, states.MORE),
    "unread": ({"is_done": True}, states.UNREAD),
    "not done": ({"is_done": False}, states.NOT_DONE),
}


@pytest.mark.parametrize("name", BANDS)
def test_what_became_of_a_band(name):
    told, state = BANDS[name]
    one = read(t0={"height_ft": 20.0, "height_error_ft": 0.05, **told})
    row = tree(after(lot([20.0], [("t0", 1, 6.0, 8.0)]), one))
    assert row["state"] == state
    if name == "as planned":
        assert row["removed_frac"] == pytest.approx(0.1)  # 2 of 20 ft
    if name == "unread":
        assert np.isnan(row["removed_frac"]) and row["removed_least_frac"] == 0.0
    if name == "not done":
        assert row["removed_frac"] == 0.0


def test_a_band_of_the_second_year_may_reach_down_to_that_of_the_first():
    tables = lot([20.0], [("t0", 1, 6.0, 8.0), ("t0", 2, 8.0, 9.8)])
    one = read(t0={"height_ft": 20.0, "cleared_from_ft": 6.0, "cleared_to_ft": 9.8})
    before = Before({"t0": Stood(20.0, NAN, ((6.0, 8.0),))})
    row = tree(after(tables, one, year=2, before=before))
    assert row["state"] == states.AS_PLANNED
    assert row["removed_frac"] == pytest.approx(0.1)  # 1.8 of the 18 ft that stood


def test_a_second_year_begins_where_the_first_was_read_to_end():
    tables = lot([20.0], [("t0", 1, 15.0, NAN), ("t0", 2, 11.25, NAN)], error=0.5)
    before = Before({"t0": Stood(15.0)})
    result = after(tables, read(t0=11.25), year=2, before=before)
    row = tree(result)
    assert (row["before_ft"], row["state"]) == (15.0, states.AS_PLANNED)
    assert row["removed_frac"] == pytest.approx(0.25)
    not_done = after(tables, read(t0=15.0), year=2, before=before)
    assert tree(not_done)["state"] == states.NOT_DONE
    assert any("last read ones of the ledger" in note.text for note in result.notes)


def test_trees_the_plan_leaves():
    left = {"t1": "outside the window", "t2": "to be kept: a nest"}
    tables = lot([20.0] * 4, [("t0", 1, 15.0, NAN), ("t3", 2, 15.0, NAN)], left=left, error=0.4)
    result = after(tables, read(t0=15.0, t1=16.0, t2=16.0, t3=16.0))
    found = {name: tree(result, name) for name in ("t1", "t2", "t3")}
    assert [row["state"] for row in found.values()] == [
        states.UNPLANNED, states.UNPLANNED, states.EARLY,
    ]  # fmt: skip
    assert found["t1"]["state_words"] == "outside the window"
    assert found["t2"]["state_words"] == "outside the window; to be kept: a nest"
    assert found["t3"]["state_words"] == "planned for year 2"
    result = after(tables, read(t0=15.0, t1=19.5))
    assert [tree(result, t)["state"] for t in ("t1", "t2")] == [states.LEFT, states.UNREAD]
    assert verdict(result, FLOOR, "t1") is None  # nothing was cut, so nothing binds
    ticked = after(tables, read(t0=15.0, t1={"height_ft": 19.9, "is_done": True}))
    assert tree(ticked, "t1")["state"] == states.UNCLEAR
    banded = after(tables, read(t1={"cleared_from_ft": 6.0, "cleared_to_ft": 8.0}))
    assert tree(banded, "t1")["state"] == states.UNPLANNED


def test_a_plant_that_is_no_mangrove_is_not_counted():
    names = ["Rhizophora mangle", "Coccoloba uvifera", None]
    tables = lot([9.0] * 3, [("t0", 1, 7.0, NAN), ("t2", 1, 7.0, NAN)], species=names)
    result = after(tables, read(t0=7.0, t1=2.0, t2=2.0))
    assert tree(result, "t1")["state"] == states.OTHER
    assert "t1" not in set(result["after_findings"]["crown_id"])
    row = result["after_consequence"].iloc[0]
    # of t2 nobody knows whether it is a mangrove: 0 of 1, or 1 of 2
    assert (row["fewest"], row["most"]) == ("0 of 1", "1 of 2")
    assert pd.isna(row["is_triggered"])


@pytest.mark.parametrize(
    ("n", "n_low", "is_due"), [(20, 1, True), (21, 1, False), (60, 3, True), (61, 3, False)]
)
def test_the_trigger_on_both_sides_of_its_edge(n, n_low, is_due):
    tables = lot([9.0] * n, [(f"t{k}", 1, 6.5, NAN) for k in range(n)])
    result = after(tables, read(**{f"t{k}": 5.0 if k < n_low else 6.5 for k in range(n)}))
    row = result["after_consequence"].iloc[0]
    assert (row["is_triggered"], row["n_trimmed"], row["n_cut_low"]) == (is_due, n, n_low)
    assert row["lost_area_ft2"] == 10.0 * n_low


def test_errors_give_the_fewest_and_the_most():
    """20 trees; one at 5 ft, one at 6.1 to 0.1 ft: 1 of 20 or 2 of 20."""
    tables = lot([9.0] * 20, [(f"t{k}", 1, 6.5, NAN) for k in range(20)])
    heights = {f"t{k}": 6.5 for k in range(2, 20)}
    one = read(t0=5.0, t1={"height_ft": 6.1, "height_error_ft": 0.1}, **heights)
    row = after(tables, one)["after_consequence"].iloc[0]
    assert (row["fewest"], row["most"], row["is_triggered"]) == ("1 of 20", "2 of 20", True)
    assert row["lost_area_ft2"] == 20.0  # at most


def test_a_tree_without_foliage_counts_whatever_its_height():
    """Foliage from 7 ft, cut to 6.5 ft: over 6 ft, but bare."""
    tables = lot([12.0], [("t0", 1, 8.0, NAN)], bases=[7.0])
    row = after(tables, read(t0=6.5))["after_consequence"].iloc[0]
    assert (row["n_cut_low"], row["is_triggered"]) == (1, True)


def test_under_an_earlier_configuration_low_trees_do_not_count():
    given = judged("earlier-configuration", facts={"earlier_height_ft": 5.0})
    tables = lot([9.0], [("t0", 1, 5.0, NAN)])
    result = after(tables, read(t0=5.0), given=given)
    assert result["after_consequence"].iloc[0]["n_cut_low"] == 0
    assert verdict(result, "earlier-height") == "met"
    assert verdict(after(tables, read(t0=4.9), given=given), "earlier-height") == "not met"


def test_the_next_stage_a_year_after_each_trees_last_cut():
    cuts = [("t0", 1, 15.0, NAN), ("t1", 1, 15.0, NAN), ("t2", 1, 15.0, NAN)]
    cuts += [("t0", 2, 11.25, NAN), ("t1", 2, 11.25, NAN, "2029-06-01")]
    days = {"t0": "2028-02-29", "t1": "2028-03-05", "t2": "2028-04-01"}
    told = {name: {"height_ft": 15.0, "date": day} for name, day in days.items()}
    result = after(lot([20.0] * 3, cuts), read(**told))
    rows = result["after_trees"].set_index("crown_id")
    # of 29 February the whole year is over on 1 March; t1 has a later day in the plan
    assert rows["next_from"].fillna("").to_dict() == {
        "t0": "2029-03-01", "t1": "2029-06-01", "t2": "",
    }  # fmt: skip
    assert result["after_lots"]["next_from"].iloc[0] == "2029-06-01"


def test_the_next_stage_of_a_day_that_is_not_known():
    cuts = [("t0", 1, 15.0, NAN), ("t0", 2, 11.25, NAN), ("t1", 1, 15.0, NAN), ("t1", 2, 12.0, NAN)]
    tables = lot([20.0] * 2, cuts)
    one = read(t0=15.0, t1={"height_ft": 15.0, "date": "2027-01-12"})
    assert after(tables, one)["after_lots"]["next_from"].iloc[0] is None
    said = after(tables, one, cut_date="2027-01-10")
    assert tree(said)["next_from"] == "2028-01-10"  # the reading's own day goes first for t1
    assert said["after_lots"]["next_from"].iloc[0] == "2028-01-12"
    uncut = after(tables, read(t0={"height_ft": 20.0, "date": "2027-01-12"}))
    assert tree(uncut)["cut_on"] is None and tree(uncut)["next_from"] is None


def drawn(low, high, n=300):
    """True heights, errors, and readings off by no more than 1.96 errors, many of them just so."""
    rng = np.random.default_rng(11)
    true, error = rng.uniform(low, high, n), rng.uniform(0.01, 0.6, n)
    off = np.clip(rng.uniform(-1.5, 1.5, n), -1.0, 1.0)
    return true, error, true + off * standard_errors(0.95) * error


@pytest.mark.parametrize(
    ("rule", "edge", "planned"), [(FLOOR, 6.0, 6.5), (ACT, 15.0, 15.0), (PRACTICE, 15.0, 15.0)]
)
def test_met_is_never_said_where_the_truth_is_outside(rule, edge, planned):
    """Trees of 20 ft: 6 ft is the floor; under 15 ft over a quarter is gone."""
    true, error, found = drawn(edge - 2.0, edge + 2.0)
    cuts = [(f"t{k}", 1, planned, NAN) for k in range(len(true))]
    told = {
        f"t{k}": {"height_ft": found[k], "height_error_ft": error[k], "is_done": True}
        for k in range(len(true))
    }
    result = after(lot([20.0] * len(true), cuts), read(**told))
    rows = result["after_findings"]
    words = rows[rows["rule_id"] == rule].set_index("crown_id")["verdict"]
    words = words.reindex(list(told)).to_numpy()
    assert (true[words == "met"] > edge - 0.005).all()
    assert (true[words == "not met"] < edge + 0.005).all()
    assert {"met", "not met", "too close"} == set(words)


def test_stick_before_raster_and_a_contradiction_is_told():
    """Errors of 0.1 and 0.3 ft: 1.96 hypot = 0.62 ft apart is the most that is no contradiction."""
    tables = lot([20.0] * 2, [("t0", 1, 15.0, NAN), ("t1", 1, 15.0, NAN)])
    seen = pd.DataFrame(
        {
            "crown_id": ["t0", "t1"],
            "height_ft": [15.61, 15.63],
            "height_error_ft": 0.3,
            "volume_ft3": [156.1, 156.3],
        }
    )
    one = read(**{t: {"height_ft": 15.0, "height_error_ft": 0.1} for t in ("t0", "t1")})
    result = after(tables, one, raster=seen)
    told = [note.text for note in result.notes if "stick and raster" in note.text]
    assert len(told) == 1 and "t1 (15.0 and 15.6 ft)" in told[0] and "t0" not in told[0]
    assert tree(result)["found_by"] == "stick" and tree(result)["found_ft"] == 15.0


def test_a_raster_alone_by_volumes():
    """20 ft boxes on 10 ft2: 200 ft3; 150 ft3 after is a quarter.

    Its error by hand: 0.3 ft is 3 ft3 of 200 after, and 0.4 ft before 4 (1 - 0.25) of 200.
    """
    tables = lot([20.0, 20.0], [("t0", 1, 15.0, NAN), ("t1", 1, 6.0, 8.0)], error=0.4, left={})
    seen = pd.DataFrame(
        {
            "crown_id": ["t0", "t1"],
            "height_ft": [15.0, 20.0],
            "height_error_ft": 0.3,
            "volume_ft3": [150.0, 200.0],
        }
    )
    result = after(tables, raster=seen)
    row = tree(result)
    assert (row["state"], row["removed_by"]) == (states.AS_PLANNED, "volumes")
    assert row["removed_frac"] == pytest.approx(0.25)
    assert row["removed_error_frac"] == pytest.approx(np.hypot(3.0, 3.0) / 200.0)
    blind = tree(result, "t1")
    assert blind["state"] == states.UNREAD and "cannot see" in blind["state_words"]
    assert verdict(result, ACT, "t1") == "unknown"


def test_a_tree_of_which_a_part_stays():
    """Front at 12 ft, a part stays to 15 ft: 12 ft read may be of either."""
    tables = lot([20.0], [("t0", 1, 12.0, NAN)])
    tables["stage_cuts"]["height_after_ft"] = 15.0
    row = tree(after(tables, read(t0=15.0)))
    assert row["state"] == states.AS_PLANNED and np.isnan(row["removed_frac"])
    assert tree(after(tables, read(t0=12.0)))["state"] == states.UNCLEAR
    row = tree(after(tables, read(t0=11.0)))
    assert row["state"] == states.MORE and row["removed_frac"] == pytest.approx(9.0 / 20.0)
    assert tree(after(tables, read(t0=20.0)))["removed_frac"] == 0.0


def test_without_curves_shares_are_unknown_and_it_is_told():
    tables = lot([20.0], [("t0", 1, 15.0, NAN)])
    del tables["foliage_curves"]
    result = after(tables, read(t0=15.0))
    assert np.isnan(tree(result)["removed_frac"])
    assert verdict(result, ACT) == "unknown"
    assert any("no foliage curves" in note.text for note in result.notes)


FINDING = {
    "lot_id": "L", "crown_id": None, "rule_id": FLOOR, "unit": "ft", "limit": "at least 6 ft",
    "measure": measures()["height_after_ft"]["words"], "is_binding": True, "effect": "condition",
    "routes": "Professional exemption", "words": "After trimming.", "section": "a local code",
    "confidence": "from memory", "is_local": False,
}  # fmt: skip


def test_rules_read_back_from_findings():
    assert rules_of(pd.DataFrame()).rules == rule_set().rules
    assert rules_of(pd.DataFrame([FINDING])).rules == rule_set().rules
    stricter = pd.DataFrame([{**FINDING, "limit": "over 7.5 ft", "is_local": True}])
    rules = rules_of(stricter)
    rule = rules.rules[FLOOR]
    assert (rule.limit.compare, rule.limit.number, rule.section) == (">", 7.5, "a local code")
    assert rules.is_local(rule)
    tables = lot([12.0], [("t0", 1, 9.0, NAN)])
    given = judged(findings=stricter)
    for found, word in ((7.5, "not met"), (7.6, "met")):
        assert verdict(after(tables, read(t0=found), given=given), FLOOR) == word
    # the act's own floor, not the local one, is what the trigger counts from
    row = after(tables, read(t0=7.0), given=given)["after_consequence"].iloc[0]
    assert row["n_cut_low"] == 0


def test_a_local_files_own_rule_binds_as_its_findings_say():
    own = {
        **FINDING, "rule_id": "town:tenth", "unit": "frac", "limit": "at most 10 %",
        "measure": measures()["yearly_removed_frac"]["words"], "effect": "stages", "is_local": True,
    }  # fmt: skip
    rows = [{**own, "crown_id": "t0"}]
    rows += [{**own, "crown_id": tree, "is_binding": False} for tree in ("t1", "t2")]
    rows += [{**FINDING, "crown_id": "t1"}]  # something binds it, so it is not merely left alone
    cuts = [("t0", 1, 10.0, NAN), ("t1", 1, 10.0, NAN)]
    given = judged(findings=pd.DataFrame(rows))
    result = after(lot([12.0] * 3, cuts), read(t0=10.0, t1=10.0, t2=10.0), given=given)
    assert verdict(result, "town:tenth", "t0") == "not met"  # a sixth
    assert verdict(result, "town:tenth", "t1") is None
    # the plan leaves t2 alone, so nothing bound it: whether the rule does now is not known
    assert verdict(result, "town:tenth", "t2") == "unknown"


def test_the_way_of_a_plan():
    windows = pd.DataFrame({"lot_id": ["L"], "way": ["owner-exemption"]})
    lots = pd.DataFrame({"lot_id": ["L"], "outcome_route": ["general-permit"]})
    none = pd.DataFrame({"lot_id": ["L"], "outcome_route": ["no-mangrove"]})
    empty = pd.DataFrame()
    assert route_taken(windows, lots, "L") == ("owner-exemption", False)
    assert route_taken(empty, lots, "L") == ("general-permit", False)
    assert route_taken(empty, none, "L") == ("professional-exemption", True)


def test_the_floor_of_a_way_that_states_none_is_the_strictest():
    rules = rule_set()
    way = way_of("maintenance", {}, rules)
    assert floor_of(way, {}, rules).limit.number == 6.0
    assert floor_of(way, {"earlier_height_ft": 8.0}, rules).limit.number == 8.0
    own = way_of("owner-exemption", {}, rules)
    assert floor_of(own, {"earlier_height_ft": 8.0}, rules).id == "owner-height-after"


def test_a_top_that_was_not_read_leaves_the_share_open_unless_the_band_alone_breaks_it():
    """Of 20 ft: 2 ft cleared is a tenth at least; 6 ft are 30 %, whatever the top is."""
    tables = lot([20.0] * 2, [("t0", 1, 6.0, 8.0), ("t1", 1, 6.0, 8.0)])
    bands = {"t0": (6.0, 8.0), "t1": (6.0, 12.0)}
    told = {t: {"cleared_from_ft": a, "cleared_to_ft": b} for t, (a, b) in bands.items()}
    result = after(tables, read(**told))
    rows = result["after_trees"].set_index("crown_id")
    assert rows["removed_frac"].isna().all()
    assert rows["removed_least_frac"].tolist() == pytest.approx([0.1, 0.3])
    assert [verdict(result, ACT, t) for t in bands] == ["unknown", "not met"]
    assert [verdict(result, FLOOR, t) for t in bands] == ["unknown", "unknown"]
    flags = result["after_findings"].query("rule_id == @ACT")["is_at_least"]
    assert flags.all()


def test_the_trigger_counts_from_the_acts_own_six_feet():
    """A local floor of 7.5 ft for owners: 7 ft breaks it, and is not cut low by the act."""
    local = {**FINDING, "rule_id": "owner-height-after", "limit": "at least 7.5 ft"}
    given = judged("owner-exemption", findings=pd.DataFrame([local]))
    result = after(lot([9.0], [("t0", 1, 7.5, NAN)]), read(t0=7.0), given=given)
    assert verdict(result, "owner-height-after") == "not met"
    assert result["after_consequence"].iloc[0]["n_cut_low"] == 0


def test_a_height_read_after_a_year_has_its_own_error_and_not_that_of_the_first_raster():
    """15 ft read after the first year; 14.6 ft found is lower than that."""
    tables = lot([20.0], [("t0", 1, 15.0, NAN), ("t0", 2, 14.6, NAN)], error=0.5)
    result = after(tables, read(t0=14.6), year=2, before=Before({"t0": Stood(15.0)}))
    assert tree(result)["state"] == states.AS_PLANNED
