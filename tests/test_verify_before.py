"""What stood before a later year's cut, and the days between cuts, worked out by head.

Trees are boxes of foliage 20 ft high from the substrate up, so a share is a length over a length.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from verify_lots import NAN, after, judged, lot, read, tree, verdict

from geotrim.core.cut_found import FoliageCurve, taken
from geotrim.ops import after_state as states
from geotrim.ops.after_before import UNREAD, Before, LastCut, Stood

TWO_YEARS = [("t0", 1, 15.0, NAN), ("t0", 2, 11.25, NAN)]
SHARE = "professional-stages"  # 25 % a year of a tree of 16 ft or more: s. 403.9326(1)(b)3 F.S.


def test_what_was_not_done_in_year_1_counts_in_year_2():
    """Planned 20 -> 15 -> 11.25 ft, a quarter each; read at 18 ft after year 1: 6.75 of 18 ft."""
    tables = lot([20.0], TWO_YEARS)
    found = after(tables, read(t0=11.25), year=2, before=Before({"t0": Stood(18.0, 0.1)}))
    row = tree(found)
    assert (row["before_ft"], row["before_error_ft"], row["before_by"]) == (18.0, 0.1, "ledger")
    assert row["removed_frac"] == pytest.approx(6.75 / 18)
    # of the height before alone: d(1 - c/b) = c/b^2 db, the larger of both sides
    assert row["removed_error_frac"] == pytest.approx(11.25 / 17.9 - 11.25 / 18)
    assert verdict(found, SHARE) == "not met"
    as_planned = after(tables, read(t0=11.25), year=2, before=Before({"t0": Stood(15.0)}))
    assert tree(as_planned)["removed_frac"] == pytest.approx(0.25)
    assert verdict(as_planned, SHARE) == "met"


def test_without_a_reading_of_year_1_the_share_of_year_2_is_unknown():
    found = after(lot([20.0], TWO_YEARS), read(t0=11.25), year=2)
    assert np.isnan(tree(found)["removed_frac"]) and np.isnan(tree(found)["before_ft"])
    assert verdict(found, SHARE) == "unknown"
    told = [note.text for note in found.notes if note.level == "missing"]
    assert any("not known of 1 tree (t0)" in text for text in told)
    # at the height the plan has after year 1, or over it: it may have been cut down to there
    row = tree(after(lot([20.0], TWO_YEARS), read(t0=15.0), year=2))
    assert row["state"] == states.UNCLEAR and pd.isna(row["is_cut"])


def test_a_cut_told_without_a_reading_makes_the_height_before_unknown():
    tables = lot([20.0, 20.0], [("t0", 2, 15.0, NAN), ("t1", 2, 15.0, NAN)])
    found = after(tables, read(t0=15.0, t1=15.0), year=2, before=Before({"t0": Stood(by=UNREAD)}))
    assert verdict(found, SHARE) == "unknown"
    assert verdict(found, SHARE, "t1") == "met"  # nothing was planned of it or told: 5 of 20 ft


def test_a_tree_left_by_this_year_but_cut_before_cannot_be_told_left():
    tables = lot([20.0, 20.0], [("t0", 1, 15.0, NAN), ("t1", 2, 15.0, NAN)])
    assert tree(after(tables, read(t0=15.0), year=2))["state"] == states.UNCLEAR
    known = Before({"t0": Stood(15.0)})
    assert tree(after(tables, read(t0=15.0), year=2, before=known))["state"] == states.LEFT
    lower = tree(after(tables, read(t0=12.0), year=2, before=known))
    assert lower["state"] == states.UNPLANNED and lower["removed_frac"] == pytest.approx(0.2)


def test_a_tree_read_taller_than_the_plan_has_it_loses_more():
    """Read at 24 ft before, where the plan has 20: 24 -> 15 ft is 9 of 24."""
    tables = lot([20.0], TWO_YEARS, error=0.5)
    row = tree(after(tables, read(t0=15.0), year=2, before=Before({"t0": Stood(24.0, 0.1)})))
    assert row["removed_frac"] == pytest.approx(9 / 24)
    assert row["removed_error_frac"] == pytest.approx(15 / 23.9 - 15 / 24)


def test_a_band_of_which_nobody_told_makes_the_share_unknown():
    tables = lot([20.0], [("t0", 1, 6.0, 8.0), ("t0", 2, 15.0, NAN)])
    one = read(t0=15.0)
    unknown = after(tables, one, year=2, before=Before({"t0": Stood(20.0, NAN, None)}))
    assert verdict(unknown, SHARE) == "unknown"
    cleared = after(tables, one, year=2, before=Before({"t0": Stood(20.0, NAN, ((6.0, 8.0),))}))
    assert tree(cleared)["removed_frac"] == pytest.approx(5 / 18)
    none = after(tables, one, year=2, before=Before({"t0": Stood(20.0, NAN, ())}))
    assert tree(none)["removed_frac"] == pytest.approx(5 / 20)


def test_the_error_of_what_an_earlier_cut_left():
    """12 ft cut to 9 ft, good to 0.3 ft, then to 6 ft: 1 - 6/9, and 1 - 6/8.7."""
    box = FoliageCurve(np.array([0.0, 12.0]), np.array([1.0, 0.0]))
    one = taken(box, top_ft=6.0, earlier=[(9.0, np.inf)], earlier_error_ft=0.3)
    assert one.share_frac == pytest.approx(1 - 6 / 9)
    assert one.error_frac == pytest.approx(6 / 8.7 - 6 / 9)


@pytest.mark.parametrize(
    ("cut_on", "last", "expected"),
    [
        ("2026-11-01", "2026-10-01", "not met"),
        ("2027-09-30", "2026-10-01", "not met"),
        ("2027-10-01", "2026-10-01", "met"),
        # 29 February: a year has passed on 1 March
        ("2029-02-28", "2028-02-29", "not met"),
        ("2029-03-01", "2028-02-29", "met"),
        ("2026-09-20", "2026-10-01", "not met"),  # the other was made after this one
        (None, "2026-10-01", "unknown"),
    ],
)
def test_a_year_between_cuts_of_a_staged_tree(cut_on, last, expected):
    before = Before({"t0": Stood(15.0)}, {"t0": [LastCut(last, "entry 3")]})
    one = read(t0={"height_ft": 11.25, "date": cut_on})
    found = after(lot([20.0], TWO_YEARS), one, year=2, before=before)
    assert verdict(found, "year-between-cuts") == expected
    row = found["after_findings"].set_index("rule_id").loc["year-between-cuts"]
    assert f"of {last} (entry 3)" in row["measure"] and "403.9326(1)(b)3" in row["section"]


def test_no_year_is_asked_of_a_tree_that_no_share_of_a_year_binds():
    """Under 16 ft, with good practice from 16 ft up only."""
    tables = lot([12.0], [("t0", 1, 9.0, NAN), ("t0", 2, 7.0, NAN)])
    before = Before({"t0": Stood(9.0)}, {"t0": [LastCut("2026-10-01", "entry 3")]})
    one = read(t0={"height_ft": 7.0, "date": "2026-11-01"})
    found = after(tables, one, year=2, before=before, given=judged(share_from=16.0))
    assert verdict(found, "year-between-cuts") is None


def test_a_cut_before_the_earliest_day_of_the_plan_is_a_finding():
    tables = lot([20.0], [("t0", 1, 15.0, NAN, "2026-10-12")])
    found = after(tables, read(t0={"height_ft": 15.0, "date": "2026-10-01"}))
    row = found["after_findings"].set_index("rule_id").loc["plan-earliest-day"]
    assert (row["verdict"], row["value"], row["limit"]) == (
        "not met",
        -11.0,
        "on 2026-10-12 or later",
    )
    on_the_day = after(tables, read(t0={"height_ft": 15.0, "date": "2026-10-12"}))
    assert verdict(on_the_day, "plan-earliest-day") is None
