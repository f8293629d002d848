"""What a ledger tells from before a cut, and what a verification leaves in it."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from geotrim.handover.verify_before import Stage, before_of
from geotrim.io.ledger import Kept, in_force
from geotrim.io.ledger_entry import Entry, TreeEntry
from geotrim.ops.after_before import Stood

PLAN, OTHER = "a" * 64, "b" * 64
NAN, INF = float("nan"), float("inf")


def entry(kind, day, *, sha=PLAN, lot="L", **tree):
    trees = (TreeEntry("T", **tree),) if tree else ()
    return Entry(kind, date.fromisoformat(day), "Jo", lot, trees, sha)


def verified(day, year=1, **tree):
    return entry("verification", day, year=year, date=day, **tree)


def known(*entries, year=2, day="2028-01-20", cuts=None, read=None):
    """What is known of the lot before year 2, cut on a day."""
    kept = [Kept(k, "2027-01-01T00:00:00Z", "", "", one) for k, one in enumerate(entries, 1)]
    stage = Stage("L", PLAN, year, cuts or {}, {"T": day} if day else {}, "")
    return before_of(in_force(kept), read, stage)


def height(*entries, **more):
    found = known(*entries, **more).stood.get("T")
    return None if found is None else found.height_ft


def test_the_last_height_that_was_read_counts():
    one = verified("2027-01-20", height_ft=16.2, height_error_ft=0.1, is_done=False)
    assert known(one).stood["T"] == Stood(16.2, 0.1, (), "ledger")
    later = entry("reading", "2027-06-01", sha="", height_ft=15.9)
    assert height(one, later) == 15.9
    assert height(later, one) == 15.9  # by day, not by number
    assert height() is None


def test_what_was_read_at_this_cut_or_after_it_is_not_from_before():
    first = verified("2027-01-20", height_ft=9.5, is_done=True)
    again = verified("2028-01-20", year=2, height_ft=7.5, is_done=True)
    assert height(first, again) == 9.5
    assert height(first, again, day=None) == 9.5  # of this year, whatever its day
    assert height(first, entry("reading", "2028-01-21", sha="", height_ft=7.5)) == 9.5
    assert height(first, entry("reading", "2028-01-19", sha="", height_ft=9.7)) == 9.7


def test_a_cut_that_nobody_read_makes_the_height_unknown():
    first = verified("2027-01-20", height_ft=16.2, is_done=False)
    made = entry("cut", "2027-03-01", year=1, height_ft=9.5, cut_low_ft=9.5, cut_high_ft=INF)
    assert np.isnan(height(first, made))  # 9.5 ft is what the plan has
    assert height(first, made, entry("reading", "2027-03-01", height_ft=10.1)) == 10.1
    not_made = entry("cut", "2027-03-01", year=1, is_done=False)
    assert height(first, not_made) == 16.2
    unread = verified("2027-03-01", is_done=True, cut_high_ft=INF)
    assert np.isnan(height(first, unread))


def test_entries_of_another_plan_or_lot_do_not_count():
    other = entry("verification", "2027-01-20", sha=OTHER, year=1, height_ft=9.5, is_done=True)
    assert height(other) is None
    own = entry("plan", "2027-01-02", year=1, height_ft=9.0)
    assert height(own, other) == 9.5  # later than the plan
    assert height(entry("plan", "2027-02-02", year=1), other) is None
    assert known(entry("reading", "2027-01-20", lot="M", height_ft=9.5)).stood == {}


def test_a_planned_band_is_known_if_somebody_read_it():
    cuts = {"T": [{"year": 1, "from_ft": 6.0, "to_ft": 8.0}]}
    seen = verified("2027-01-20", height_ft=20.0, cut_low_ft=6.0, cut_high_ft=8.1, is_done=True)
    assert known(seen, cuts=cuts).stood["T"].bands == ((6.0, 8.1),)
    unread = verified("2027-01-20", height_ft=20.0, is_done=True)
    assert known(unread, cuts=cuts).stood["T"].bands is None
    left = verified("2027-01-20", height_ft=20.0, is_done=False)
    assert known(left, cuts=cuts).stood["T"].bands == ()
    told = entry("cut", "2027-01-20", year=1, cut_low_ft=6.0, cut_high_ft=8.0, is_done=True)
    after = entry("reading", "2027-01-21", height_ft=20.0)
    assert known(told, after, cuts=cuts).stood["T"].bands is None


def test_cuts_of_other_stages_are_told_with_their_day():
    one = verified("2027-01-20", height_ft=9.5, is_done=True)
    rest = verified("2027-11-20", height_ft=9.2, is_done=True)
    this = verified("2028-01-20", year=2, height_ft=7.0, is_done=True)
    other = entry("cut", "2026-05-01", sha=OTHER, year=2, is_done=True)
    found = known(one, rest, this, other).cuts["T"]
    assert [(cut.day, cut.by) for cut in found] == [
        ("2026-05-01", "entry 4"), ("2027-01-20", "entry 1"), ("2027-11-20", "entry 2"),
    ]  # fmt: skip


def row(**told):
    base = {"crown_id": "T", "year": 1, "date": None, "is_done": None, "height_ft": NAN,
            "height_error_ft": NAN, "cleared_from_ft": NAN, "cleared_to_ft": NAN}  # fmt: skip
    return pd.DataFrame([{**base, **told}])


def test_rows_of_earlier_years_tell_what_no_ledger_does():
    read = row(height_ft=9.5, height_error_ft=0.1, is_done=True, date="2027-01-20")
    found = known(read=read)
    assert found.stood["T"] == Stood(9.5, 0.1, (), "readings")
    assert [(cut.day, cut.by) for cut in found.cuts["T"]] == [("2027-01-20", "the readings")]
    ledger = verified("2027-01-25", height_ft=9.6, is_done=True)
    assert height(ledger, read=read) == 9.6
    unread = entry("cut", "2027-01-20", year=1, is_done=True)
    assert height(unread, read=read) == 9.5


@pytest.mark.parametrize("is_done", [True, False, None])
def test_a_band_of_earlier_rows(is_done):
    cuts = {"T": [{"year": 1, "from_ft": 6.0, "to_ft": 8.0}]}
    found = known(read=row(height_ft=20.0, is_done=is_done), cuts=cuts).stood["T"].bands
    assert found == (() if is_done is False else None)
