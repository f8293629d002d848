"""Cuts that were once told as not done, or judged by too little: by hand, on boxes of foliage.

Limits, s. 403.9326(1)(b) F.S.: no mangrove under 6 ft after trimming, none over 24 ft before it, of
one of 16 ft or more at most 25 % a year. Both errors at 95 %: 1.96 hypot(1.5, 0.2) = 2.97 ft.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from verify_lots import NAN, RED, after, judged, lot, read, tree, verdict

from geotrim.ops import after_state as states
from geotrim.ops.package_rules import rules_of
from geotrim.report.verification_table import to_do_words
from geotrim.report.verification_text import changed_words
from geotrim.rules.rule_file import measures

FLOOR, TALL, ACT = "professional-height-after", "professional-height-before", "professional-stages"
PRACTICE = "quarter-a-year"


def stick(height, *, done=None, error=0.2, **more):
    return {"height_ft": height, "height_error_ft": error, "is_done": done, **more}


@pytest.mark.parametrize(
    ("done", "state", "is_cut"),
    [(True, states.MORE, True), (None, states.UNCLEAR, None), (False, states.UNCLEAR, None)],
)
def test_a_reading_under_the_plan_is_a_cut_or_unclear_within_the_errors(done, state, is_cut):
    """8.8 ft good to 1.5, planned to 6.5, read at 5.9 to 0.2: 2.9 ft lower, of 2.97."""
    tables = lot([8.8], [("t0", 1, 6.5, NAN)], error=1.5)
    result = after(tables, read(t0=stick(5.9, done=done)))
    row = tree(result)
    assert row["state"] == state
    assert (None if pd.isna(row["is_cut"]) else bool(row["is_cut"])) == is_cut
    assert verdict(result, FLOOR) == "too close"  # 6 ft lies within 1.96 errors of 0.2 ft
    counts = result["after_consequence"].iloc[0]
    assert counts["most"] == "1 of 1" and pd.isna(counts["is_triggered"])


def test_a_tick_starts_the_year_and_a_tree_that_may_have_been_cut_waits():
    """21 ft good to 1.5, planned to 16.95; 18.1 ft ticked is a cut, 20.9 ft ticked may be one."""
    cuts = [(f"t{k}", year, low, NAN) for k in (0, 1, 2) for year, low in ((1, 16.95), (2, 13.0))]
    day = {"date": "2026-01-12"}
    told = read(
        t0=stick(18.1, done=True, **day), t1=stick(20.9, done=True, **day), t2=stick(20.9, **day)
    )
    result = after(lot([21.0] * 3, cuts, error=1.5), told)
    rows = result["after_trees"].set_index("crown_id")
    assert rows["state"].tolist() == [states.LESS, states.NOT_DONE, states.NOT_DONE]
    assert rows["is_cut"].astype(object).where(rows["is_cut"].notna(), None).tolist() == [
        True, None, False,
    ]  # fmt: skip
    assert rows["next_from"].fillna("").tolist() == ["2027-01-12", "2027-01-12", ""]


@pytest.mark.parametrize("done", [None, False])
def test_a_tree_that_reads_under_the_floor_is_judged_whatever_is_said(done):
    """Left by the plan, 7 ft good to 1.5 before, read at 5.5 ft to 0.2: 2.5 errors under 6 ft."""
    tables = lot([20.0, 7.0, 5.8], [("t0", 1, 15.0, NAN)], error=1.5)
    result = after(tables, read(t0=15.0, t1=stick(5.5, done=done), t2=stick(5.7)))
    assert verdict(result, FLOOR, "t1") == "not met"
    assert "under 6 ft" in tree(result, "t1")["state_words"]
    assert verdict(result, FLOOR, "t2") is None  # stood under it before


def seen(**trees):
    rows = [(name, top, 0.3, volume) for name, (top, volume) in trees.items()]
    return pd.DataFrame(rows, columns=["crown_id", "height_ft", "height_error_ft", "volume_ft3"])


def test_foliage_gone_counts_as_cut_though_the_top_stands():
    """Boxes of 20 ft on 10 ft2, 200 ft3: 80 ft3 left is 60 % gone; 199 ft3 is within the errors."""
    tables = lot([20.0] * 4, [("t0", 1, 15.0, NAN), ("t1", 1, 6.0, 8.0)], error=0.4, left={})
    tables["stage_cuts"]["removed_of_standing_frac"] = [0.25, 0.1]
    raster = seen(t0=(20.0, 80.0), t1=(20.0, 80.0), t2=(20.0, 80.0), t3=(20.0, 199.0))
    result = after(tables, raster=raster, cut_date="2026-01-12")
    rows = result["after_trees"].set_index("crown_id")
    assert rows["state"].tolist() == [states.MORE, states.MORE, states.UNPLANNED, states.LEFT]
    assert rows["is_cut"].tolist() == [True, True, True, False]
    assert rows["removed_frac"][["t0", "t2"]].tolist() == pytest.approx([0.6, 0.6])
    assert rows["removed_least_frac"]["t1"] == pytest.approx(0.6)
    assert [verdict(result, ACT, t) for t in ("t0", "t1", "t2", "t3")] == ["not met"] * 3 + [None]


def test_a_band_of_a_part_of_a_crown_is_not_the_crowns():
    """Of 20 ft, 6 to 12 ft is 30 % of the whole crown; the plan takes half the crown: 15 %."""
    tables = lot([20.0], [("t0", 1, 6.0, 12.0)])
    tables["stage_cuts"]["removed_of_standing_frac"] = 0.15
    told = {"height_ft": 20.0, "cleared_from_ft": 6.0, "cleared_to_ft": 12.0, "is_done": True}
    result = after(tables, read(t0=told))
    assert tree(result)["state"] == states.AS_PLANNED
    assert np.isnan(tree(result)["removed_frac"])
    assert verdict(result, ACT) == "unknown"
    assert any("a stick cannot tell what share" in note.text for note in result.notes)
    whole = after(lot([20.0], [("t0", 1, 6.0, 12.0)]), read(t0=told))
    assert verdict(whole, ACT) == "not met"


def test_the_crews_mark_is_the_measure():
    """Planned to 12.42 ft; the crew's mark is 12 ft 7 in."""
    tables = lot([16.0], [("t0", 1, 12.42, NAN)])
    mark = {"t0": (12.0 + 7.0 / 12.0, NAN)}
    one = read(t0={"height_ft": 12.583, "height_error_ft": 0.01})
    assert tree(after(tables, one, marks=mark))["state"] == states.AS_PLANNED
    assert tree(after(tables, one))["state"] == states.LESS
    high = after(tables, read(t0=13.5), marks=mark)
    assert to_do_words(tree(high)) == "the rest: lower the top to 12 ft 7 in (12.59 ft)"


def test_a_rest_never_asks_for_more_than_the_share_of_a_year():
    """20 ft read at 16 ft after year 1; a quarter of 16 is 4: to 12 ft, not the plan's 11.25."""
    from geotrim.ops.after_before import Before, Stood

    cuts = [("t0", 1, 15.0, NAN), ("t0", 2, 11.25, NAN)]
    tables = lot([20.0], cuts, staged={"t0": (ACT, 0.25)})
    before = Before({"t0": Stood(16.0, 0.0)})
    row = tree(after(tables, read(t0=14.0), year=2, before=before))
    assert row["state"] == states.LESS
    assert row["rest_low_ft"] == pytest.approx(12.0)
    assert to_do_words(row).endswith("to 12 ft 0 in (12.00 ft)")


FINDING = {
    "lot_id": "L", "crown_id": "t0", "rule_id": "town:red-floor", "unit": "ft",
    "limit": "at least 9 ft", "measure": measures()["height_after_ft"]["words"],
    "is_binding": True, "effect": "condition", "routes": "Professional exemption",
    "words": "A red mangrove is left at 9 ft.", "section": "a local code",
    "confidence": "from memory", "is_local": True, "value": 9.5, "verdict": "met",
}  # fmt: skip


def test_a_local_floor_binds_the_trees_it_is_for_and_the_acts_binds_the_rest():
    other = {**FINDING, "crown_id": "t1", "is_binding": False}
    act = {
        **FINDING, "crown_id": "t1", "rule_id": FLOOR, "limit": "at least 6 ft", "is_local": False,
    }  # fmt: skip
    given = judged(findings=pd.DataFrame([FINDING, other, act]))
    tables = lot([12.0] * 2, [("t0", 1, 9.5, NAN), ("t1", 1, 9.5, NAN)],
                 species=[RED, "Avicennia germinans"])  # fmt: skip
    result = after(tables, read(t0=8.0, t1=5.0), given=given)
    assert verdict(result, "town:red-floor", "t0") == "not met"
    assert verdict(result, "town:red-floor", "t1") is None
    assert [verdict(result, FLOOR, t) for t in ("t0", "t1")] == ["met", "not met"]


def test_rules_that_findings_leave_out_are_read_from_the_other_tables():
    """A trigger of 2 %; and a share of 20 % that every tree met, so that no finding lists it."""
    row = {"section": "a local code", "confidence": "from memory", "words": "Stricter."}
    by_rule = pd.DataFrame([{**row, "rule_id": ACT, "limit": "at most 20 %"}])
    due = pd.DataFrame([{**row, "rule_id": "restoration-trigger", "limit": "at least 2 %"}])
    rules = rules_of(pd.DataFrame(), by_rule, due).rules
    assert rules[ACT].limit.number == 0.20 and rules[ACT].section == "a local code"
    trigger = rules["restoration-trigger"].limit
    assert (trigger.compare, trigger.number) == (">=", 0.02)
    assert rules[FLOOR].limit.number == 6.0


def test_the_height_before_is_judged_once_a_tree_is_cut():
    """27.4 ft is over 24 ft; a tree that was not cut is held against nothing."""
    tables = lot([27.4, 27.4, 20.0], [("t2", 1, 15.0, NAN)], error=0.4)
    result = after(tables, read(t0=22.0, t1=27.4, t2=15.0))
    assert [verdict(result, TALL, t) for t in ("t0", "t1", "t2")] == ["not met", None, "met"]
    assert tree(result)["state"] == states.UNPLANNED


def shares(is_binding=True):
    row = {
        "lot_id": "L", "route": "professional-exemption", "rule_id": "professional-share",
        "is_binding": is_binding, "n_counted_trees": 10, "counted_area_ft2": 100.0,
    }  # fmt: skip
    return pd.DataFrame([row])


@pytest.mark.parametrize(("n", "word"), [(6, "met"), (7, "not met")])
def test_the_share_of_the_lots_trees_where_it_binds(n, word):
    """65 % of ten trees is 6.5."""
    tables = lot([9.0] * 10, [(f"t{k}", 1, 7.0, NAN) for k in range(10)])
    told = read(**{f"t{k}": {"height_ft": 7.0 if k < n else 9.0, "is_done": k < n}
                   for k in range(10)})  # fmt: skip
    for binds, expected in ((True, word), (False, None)):
        rows = after({**tables, "shares": shares(binds)}, told)["after_findings"]
        mine = rows[rows["rule_id"] == "professional-share"]
        assert mine["verdict"].tolist() == ([] if expected is None else [expected])


def test_a_reading_without_an_error_is_as_good_as_a_stick():
    """6.0 ft good to 0.2 ft is at no limit of 6 ft to call; 6.4 ft is 2 errors over it."""
    tables = lot([9.0] * 2, [("t0", 1, 6.5, NAN), ("t1", 1, 6.5, NAN)])
    told = {t: {"height_ft": h, "height_error_ft": NAN} for t, h in (("t0", 6.0), ("t1", 6.4))}
    result = after(tables, read(**told))
    assert [verdict(result, FLOOR, t) for t in told] == ["too close", "met"]
    assert any("without a standard error: 2; 0.2 ft" in note.text for note in result.notes)


def test_a_share_of_the_original_is_held_against_the_original():
    """20 ft, 15 ft after year 1, to 10 ft: a third of what stood, a quarter of the original."""
    from dataclasses import replace

    from geotrim.ops.after_before import Before, Stood

    tables = lot([20.0], [("t0", 1, 15.0, NAN), ("t0", 2, 10.0, NAN)])
    before, usual = Before({"t0": Stood(15.0, 0.0)}), judged()
    given = replace(usual, limits=replace(usual.limits, is_of_original=True))
    for one, word, share in ((usual, "not met", 1 / 3), (given, "met", 0.25)):
        result = after(tables, read(t0=10.0), year=2, given=one, before=before)
        assert verdict(result, ACT) == verdict(result, PRACTICE) == word
        rows = result["after_findings"].set_index("rule_id")
        assert rows.loc[ACT, "value"] == pytest.approx(share)


def test_a_plant_that_is_no_mangrove_is_held_against_nothing():
    tables = lot([9.0, 9.0], [("t1", 1, 7.0, NAN)], species=["Conocarpus erectus", RED])
    result = after(tables, read(t0=stick(4.0, done=True), t1=7.0), raster=seen(t0=(4.0, 40.0)))
    assert "t0" not in set(result["after_findings"]["crown_id"])


def test_a_changed_package_is_told():
    assert "was changed" in changed_words(["results.gpkg"])


def test_a_tree_on_no_lot_is_not_told_as_on_another():
    from geotrim.io.cut_readings import fitting

    crowns = pd.DataFrame({"crown_id": ["a", "b", "c"], "lot_id": ["L", "M", None]})
    table = read(a=7.0, b=7.0, c=7.0).assign(lot_id=None, year=0, plan_sha256=None)
    _, notes = fitting(table, crowns, plan_sha256="x", year=1, lots=["L"], subject="--readings")
    told = [note.text for note in notes]
    assert told == [
        "1 reading on other lots, not looked at",
        "1 reading of trees that the plan has on no lot, not looked at",
    ]
