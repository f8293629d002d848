"""enter and history: what is entered from words and packages, and what is told of it."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from datetime import date, timedelta

import packages_made
import pytest

from geotrim.cli import main
from geotrim.errors import GeotrimError, LayerError
from geotrim.handover import ledger as made
from geotrim.io import ledger
from geotrim.io.ledger_entry import Entry, TreeEntry
from geotrim.report import history_lot, history_tree
from geotrim.report.history_lines import lines_of
from geotrim.report.history_text import entry_words, history_text, tree_words
from geotrim.report.history_warnings import warnings_of

INF, NAN = math.inf, math.nan
PLAN = "a" * 64
BOUND = {"yearly_frac": {"T": 0.25}, "yearly_by": {"T": "act"}}


def top(crown, low, year, day="", share=0.2):
    """A top that is planned to be lowered."""
    return TreeEntry(
        crown, low, cut_low_ft=low, cut_high_ft=INF, removed_frac=share, year=year, date=day
    )  # fmt: skip


def plan(*trees, day=date(2027, 1, 11), sha=PLAN, details=None, lot="L"):
    return Entry("plan", day, "Ann", lot, trees, sha, details=details or {})


def cut(day, *crowns, year=1, sha=PLAN, lot="L", **told):
    trees = tuple(TreeEntry(crown, year=year, is_done=True, **told) for crown in crowns)
    return Entry("cut", day, "Crew", lot, trees, sha)


def verified(crown="T", sha=PLAN, lot="L", day=date(2027, 3, 9), **told):
    return Entry("verification", day, "Jo", lot, (TreeEntry(crown, **told),), sha)


def reading(height, error=NAN, crown="T", day=date(2027, 4, 1)):
    return Entry("reading", day, "Jo", "L", (TreeEntry(crown, height, error),))


def kept(*entries):
    return [ledger.Kept(k, "2027-01-01T00:00:00Z", "", "", e) for k, e in enumerate(entries, 1)]


def told(*entries):
    return [one.words for one in warnings_of(ledger.in_force(kept(*entries)))]


def book(*entries):
    return ledger.Ledger("Cove", tuple(kept(*entries)))


# --- a year between cuts


@pytest.mark.parametrize(
    ("made_on", "set_for", "passed"),
    [
        ("2027-03-02", "2028-03-01", "2028-03-02"),
        ("2027-03-02", "2028-03-02", None),
        ("2027-03-02", "2027-03-02", "2028-03-02"),
        ("2027-06-01", "2027-05-01", "2028-06-01"),  # made later than year 2 was set for
        # over the 29th of February of 2028: 365 days are not yet a year by the calendar
        ("2027-12-01", "2028-11-30", "2028-12-01"),
        ("2027-12-01", "2028-12-01", None),
        # from the 29th of February: a year has passed on the 1st of March
        ("2028-02-29", "2029-02-28", "2029-03-01"),
        ("2028-02-29", "2029-03-01", None),
    ],
)
def test_a_planned_cut_inside_a_year_of_the_last_is_told(made_on, set_for, passed):
    entries = plan(top("T", 12.0, 1), top("T", 9.0, 2, set_for)), cut(
        date.fromisoformat(made_on), "T"
    )  # fmt: skip
    found = told(*entries)
    if passed is None:
        assert found == []
        return
    (words,) = found
    assert f"set for {set_for} on" in words
    assert words.endswith(f"a year has passed on {passed}")
    n_days = (date.fromisoformat(set_for) - date.fromisoformat(made_on)).days
    if n_days > 0:
        assert f"{n_days} days after the cut of {made_on} (entry 2)" in words


def test_a_planned_cut_that_was_made_is_planned_no_more():
    two = plan(top("T", 12.0, 1, "2027-03-01"), top("T", 9.0, 2, "2028-03-01"))
    assert told(two, cut(date(2027, 3, 1), "T")) == []  # year 2 is a year later
    late = [two, cut(date(2027, 5, 1), "T")]
    assert len(told(*late)) == 1
    assert told(*late, cut(date(2028, 5, 1), "T", year=2)) == []


def test_trees_of_one_cut_are_told_together_and_others_not():
    two = plan(*(top(one, 9.0, 2, "2028-03-01") for one in "ABC"), top("D", 9.0, 1, "2027-03-01"))
    (words,) = told(two, cut(date(2027, 4, 1), "A", "B"))
    assert "2 trees (A, B)" in words


def test_the_plan_that_was_entered_last_is_the_one_that_counts():
    old = plan(top("T", 9.0, 2, "2027-06-01"))
    new = plan(top("T", 9.0, 1, "2028-06-01"), sha="b" * 64)
    made_cut = cut(date(2027, 4, 1), "T")
    assert len(told(old, made_cut)) == 1
    assert told(old, made_cut, new) == []


def test_two_cuts_of_a_tree_within_a_year_are_told():
    two = [cut(date(2027, 3, 2), "T"), cut(date(2028, 3, 1), "T", year=2)]
    (words,) = told(*two)
    assert "1 tree (T) cut twice within a year: 2027-03-02 (entry 1) and 2028-03-01" in words
    assert "2028-03-02" in words
    assert told(cut(date(2027, 3, 2), "T"), cut(date(2028, 3, 2), "T", year=2)) == []
    assert told(cut(date(2027, 3, 2), "T"), cut(date(2027, 3, 9), "U", year=2)) == []


def test_a_cut_that_was_not_made_starts_no_year():
    not_made = Entry("cut", date(2027, 4, 1), "C", "L", (TreeEntry("T", year=1, is_done=False),))
    assert told(plan(top("T", 9.0, 2, "2027-06-01")), not_made) == []


def test_a_verification_tells_of_a_cut_once():
    """Entered and verified is one cut; verified alone is a cut too."""
    two = plan(top("T", 12.0, 1), top("T", 9.0, 2, "2028-03-01"))
    seen = verified(is_done=True, year=1, removed_frac=0.1)
    assert told(two, cut(date(2027, 3, 1), "T"), seen) == []
    (words,) = told(two, seen)
    assert "357 days after the cut of 2027-03-09 (entry 2)" not in words  # 2028 is a leap year
    assert "358 days after the cut of 2027-03-09 (entry 2)" in words


def test_a_corrected_day_is_the_one_that_counts():
    two = plan(top("T", 9.0, 2, "2028-03-01"))
    wrong = cut(date(2027, 3, 5), "T")
    right = made.as_correction(cut(date(2027, 3, 1), "T"), 2)
    assert len(told(two, wrong)) == 1
    assert told(two, wrong, right) == []


# --- doubles, shares, floors


def test_a_plan_that_was_entered_twice_is_told():
    assert told(plan(), plan(sha="b" * 64)) == []
    (words,) = told(plan(), plan(sha="b" * 64), plan())
    assert words == "one plan was entered 2 times: entries 1 and 3"
    assert told(plan(lot="L"), plan(lot="M")) == []


@pytest.mark.parametrize(
    ("share", "error", "words"),
    # 95 % both sides are 1.96 errors (normal table): 1.96 * 0.005 < 0.01 < 1.96 * 0.006
    [(0.26, 0.005, "taken, more than the"), (0.26, 0.02, "too close to call"),
     (0.24, 0.02, "too close to call"), (0.24, 0.006, "too close to call"), (0.24, 0.005, ""),
     (0.25, 0.006, "too close to call"), (0.25, NAN, ""), (0.25, 0.0, ""), (NAN, NAN, "")],
)  # fmt: skip
def test_more_than_the_yearly_share_by_what_was_verified_is_told(share, error, words):
    found = told(
        plan(details=BOUND), verified(removed_frac=share, removed_error_frac=error, is_done=True)
    )
    assert len(found) == bool(words)
    assert all(words in one and "25 % a year (act)" in one for one in found)


def test_a_share_binds_only_the_trees_it_binds():
    """Trees of 16 ft and up are staged (s. 403.9326(1)(b)3 F.S.); the plan tells which."""
    much = {"removed_frac": 0.6, "is_done": True}
    assert told(plan(details=BOUND), verified("U", **much)) == []
    (words,) = told(verified("U", sha="b" * 64, **much))
    assert "where the yearly share binds (s. 403.9326(1)(b)3 F.S.)" in words


@pytest.mark.parametrize(
    ("height", "error", "words"),
    # 1.96 * 0.25 = 0.49
    [(5.9, NAN, "under the least height 6 ft"), (5.5, 0.25, "under the least"),
     (5.9, 0.25, "too close to call against the least height 6 ft"),
     (6.48, 0.25, "too close to call"), (6.0, NAN, ""), (6.5, 0.25, "")],
)  # fmt: skip
def test_a_tree_under_the_floor_by_a_reading_is_told(height, error, words):
    """No tree under 6 ft after trimming: s. 403.9326(1)(b)2 F.S."""
    found = told(reading(height, error))
    assert len(found) == bool(words)
    assert all(words in one and "no cut of it is entered" in one for one in found)


def test_the_confidence_of_a_verification_is_its_own():
    """At 68.27 % it is one error, by the normal table: 0.26 is 0.01 over, and 0.008 its error."""
    one = verified(removed_frac=0.26, removed_error_frac=0.008, is_done=True)
    sure = replace(one, details={"confidence_frac": 0.6827})
    assert ["too close" in words for words in told(plan(details=BOUND), one)] == [True]
    assert ["more than" in words for words in told(plan(details=BOUND), sure)] == [True]


def test_what_is_no_mangrove_has_no_least_height():
    """The act is about red, black and white mangrove: s. 403.9325(3) F.S.; buttonwood is none."""
    low = {"height_ft": 5.0, "is_done": True, "removed_frac": 0.6}
    assert told(verified(species="Conocarpus erectus", **low)) == []
    assert len(told(verified(species="Rhizophora mangle", **low))) == 2
    assert len(told(verified(**low))) == 2  # unknown: it may be one
    # a reading without a species is of the tree that another entry names
    assert told(verified(species="Conocarpus erectus", height_ft=9.0), reading(5.0)) == []


def test_the_rest_of_a_cut_on_a_later_day_begins_the_year_anew():
    """20 January and 20 November, both of year 1; year 2 on 25 January is 66 days after."""
    first = verified(day=date(2026, 1, 20), date="2026-01-20", is_done=True, year=1)
    rest = verified(day=date(2026, 11, 20), date="2026-11-20", is_done=True, year=1)
    two = verified(day=date(2027, 1, 25), date="2027-01-25", is_done=True, year=2)
    words = told(first, rest, two)
    assert len(words) == 2
    assert "both are of year 1 of the plan" in words[0] and "correct the entry" in words[0]
    assert "66 days after the cut of 2026-11-20" in words[1] and "both are" not in words[1]
    assert told(first, two) == []  # more than a year
    # the day of the cut entered and verified is one cut
    assert told(cut(date(2026, 1, 20), "T"), first) == []


def test_the_same_verification_twice_is_told():
    one = verified(height_ft=9.0, year=1, is_done=True, date="2027-03-09")
    (words,) = told(one, one)
    assert words == "one verification was entered 2 times: entries 1 and 2 tell the same"
    other = verified(height_ft=9.1, year=1, is_done=True, date="2027-03-09")
    assert told(one, other) == []
    assert len(told(reading(9.0), reading(9.0))) == 1


def test_trees_that_were_not_read_are_not_told_as_cut():
    trees = (
        TreeEntry("A", year=1, is_done=True),
        TreeEntry("B", year=1, is_done=False),
        TreeEntry("C", year=1),
        TreeEntry("D", year=1),
    )
    words = entry_words(Entry("verification", date(2027, 3, 9), "Jo", "L", trees, PLAN))
    assert "cut: 1 tree (A); not cut: 1 tree (B); not known whether cut: 2 trees (C, D)" in words


def test_a_reading_tells_apart_what_was_read_ticked_said_not_done_and_not_said():
    """Rows as the crew page exports them; an empty is_done is nothing said."""
    trees = (
        TreeEntry("A", year=1, is_done=True),
        TreeEntry("B", 12.5, 0.1, year=1, is_done=False),
        TreeEntry("C", 12.5, 0.1, year=1),
        TreeEntry("D", year=1, words="as written: height: 12-6"),
        TreeEntry("E", 9.0, year=1, is_done=True),
        TreeEntry("F", cut_low_ft=6.0, cut_high_ft=8.0, year=1),
    )
    entry = Entry("reading", date(2027, 3, 9), "Jo", "L", trees)
    assert (
        "read: 4 trees (B, C, E, F); said to be done: 2 trees (A, E); said to be not done: 1 tree "
        "(B); only a note: 1 tree (D)"
    ) in entry_words(entry)
    rows = {tree.crown_id: tree_words(entry, tree) for tree in trees}
    assert rows == {
        "A": "year 1; said to be done; no height read",
        "B": "year 1; said to be not done",
        "C": "year 1",
        "D": "year 1; no height read; as written: height: 12-6",
        "E": "year 1; said to be done",
        "F": "year 1; cleared from 6.00 to 8.00 ft",
    }


def ticked(day, is_done=True, year=1, sha=PLAN):
    return Entry("reading", day, "Jo", "L", (TreeEntry("T", year=year, is_done=is_done),), sha)


def test_a_cut_that_only_a_reading_tells_of_starts_a_year():
    two = plan(top("T", 12.0, 1, "2027-01-11"), top("T", 9.0, 2, "2028-03-01"))
    (words,) = told(two, ticked(date(2027, 3, 9)))
    assert "358 days after the cut of 2027-03-09 (entry 2)" in words  # 2028 is a leap year
    assert told(two, ticked(date(2027, 3, 9), is_done=False)) == []
    # where a cut of that year is entered the reading tells of that one, whatever it leaves unsaid
    for year, sha in ((1, PLAN), (0, PLAN), (1, ""), (0, "")):
        seen = ticked(date(2027, 3, 9), year=year, sha=sha)
        assert told(two, cut(date(2027, 3, 1), "T"), seen) == []
    assert len(told(two, cut(date(2027, 3, 1), "T"), ticked(date(2027, 9, 1), year=2))) == 2


def test_what_readings_say_of_cuts_is_counted_in_a_lots_years():
    two = plan(top("T", 12.0, 1), top("U", 9.0, 1))
    lines = lines_of(book(two, ticked(date(2027, 3, 9), False), ticked(date(2027, 3, 10))), "L")
    (one,) = history_lot.plan_years(lines)
    assert (one.cut, one.missed) == ({"T"}, set())
    lines = lines_of(book(two, ticked(date(2027, 3, 9)), ticked(date(2027, 3, 10), False)), "L")
    assert history_lot.plan_years(lines)[0].missed == set()
    lines = lines_of(book(two, ticked(date(2027, 3, 9), False)), "L")
    assert history_lot.plan_years(lines)[0].missed == {"T"}


@pytest.mark.parametrize(
    ("made_on", "n_days"), [("2026-11-20", 52), ("2027-01-10", 1), ("2027-01-11", 0)]
)
def test_a_cut_before_the_plans_earliest_day_is_told(made_on, n_days):
    """20 November to 11 January: 10 + 31 + 11 days."""
    two = plan(*(top(one, 9.0, 1, "2027-01-11") for one in "TU"), top("V", 9.0, 1))
    day = date.fromisoformat(made_on)
    found = told(two, cut(day, "T", "U", "V"))
    days = f"{n_days} day{'s' * (n_days > 1)} before 2027-01-11"
    assert len(found) == bool(n_days)
    assert all("2 trees (T, U) cut on" in one and days in one for one in found)
    assert len(told(two, cut(day, "T", sha=""))) == bool(n_days)  # by the plan that counts
    other = told(two, cut(day, "T", sha="b" * 64))
    assert not any("the earliest day" in one for one in other)


def test_what_is_entered_by_a_withdrawn_plan_is_told():
    gone = Entry("correction", date(2027, 2, 1), "Ann", "L", words="x", corrects=1,
                 corrected_kind="note", details={"withdraws": "plan"})  # fmt: skip
    first = plan(top("T", 9.0, 1))
    (words,) = told(first, gone, verified(height_ft=9.0, is_done=True))
    assert "the verification of 2027-03-09 (entry 3) is by plan aaaaaaaaaaaa" in words
    assert "entry 2 withdrew a plan" in words
    assert told(first, gone, plan(top("T", 9.0, 1)), verified(height_ft=9.0)) == []
    assert told(first, gone, verified(height_ft=9.0, lot="M")) == []
    # what was cut while the plan counted stays as it was
    assert told(first, cut(date(2027, 3, 1), "T"), gone) == []


def test_the_last_reading_counts_and_a_plan_has_its_own_floor():
    high = plan(details={"floor_ft": {"T": 8.0}})
    (words,) = told(high, cut(date(2027, 3, 1), "T"), reading(7.5, 0.25))
    assert "least height 8 ft of its plan" in words
    assert "no cut" not in words
    assert told(reading(5.0), reading(7.0, day=date(2027, 5, 1))) == []
    assert len(told(reading(7.0, day=date(2027, 5, 1)), reading(5.0))) == 0


# --- lines and words


def test_corrected_entries_are_told_struck_out_when_asked_for():
    entries = book(
        plan(top("T", 9.0, 1)), cut(date(2027, 3, 9), "T"),
        made.as_correction(cut(date(2027, 3, 2), "T"), 2),
    )  # fmt: skip
    lines = lines_of(entries, "L", "T")
    assert [(one.kept.number, one.day.isoformat()) for one in lines] == [
        (1, "2027-01-11"), (3, "2027-03-02"),
    ]  # fmt: skip
    every = lines_of(entries, "L", "T", is_all=True)
    assert [(one.kept.number, one.corrected_by) for one in every] == [(1, None), (3, None), (2, 3)]
    text = " ".join(history_text(entries, every, "L", "T").split())
    assert "[struck out: 3 stands in its place]" in text
    assert "[in the place of 2]" in text
    assert "3 entries in the ledger, 1 of them corrected" in text
    assert "struck" not in history_text(entries, lines, "L", "T")


def test_lines_of_one_tree_or_lot_are_its_own():
    entries = book(
        plan(top("T", 9.0, 1), top("U", 9.0, 1)), plan(top("V", 9.0, 1), lot="M"),
        Entry("note", date(2027, 1, 1), "A", "L", words="nest"),
    )  # fmt: skip
    assert [one.kept.number for one in lines_of(entries)] == [3, 1, 1, 2]
    assert [one.kept.number for one in lines_of(entries, "M")] == [2]
    assert [one.tree.crown_id for one in lines_of(entries, None, "U")] == ["U"]
    for lot, crown, words in (("K", None, "no lot 'K'"), ("M", "T", "no tree 'T'")):
        with pytest.raises(LayerError, match=words):
            lines_of(entries, lot, crown)


def test_the_day_of_a_tree_goes_before_that_of_its_entry_but_in_a_plan():
    entries = book(
        plan(top("T", 9.0, 1, "2028-01-01")),
        verified(date="2027-03-02", height_ft=9.2, is_done=True),
    )
    assert [one.day.isoformat() for one in lines_of(entries)] == ["2027-01-11", "2027-03-02"]


def test_every_row_of_a_table_stays_within_a_terminal():
    entries = book(
        plan(top("T" * 40, 9.0, 1)), Entry("note", date(2027, 1, 1), "W" * 60, "L", words="w " * 99)
    )
    for crown in (None, "T" * 40):
        text = history_text(entries, lines_of(entries, "L", crown), "L", crown)
        assert max(map(len, text.partition("\n\n")[2].splitlines())) <= 80


# --- figures


def test_the_figure_of_a_tree_shows_what_was_read_with_its_error():
    entries = book(
        plan(top("T", 12.0, 1), top("T", 9.0, 2), details={"top_height_ft": {"T": 16.0}}),
        cut(date(2027, 3, 2), "T", cut_low_ft=12.0, cut_high_ft=INF),
        reading(12.2, 0.25), reading(13.0, 0.5, day=date(2028, 1, 15)),
    )  # fmt: skip
    figure = history_tree.tree_figure("Cove", "T", lines_of(entries, "L", "T"))
    (ax,) = figure.axes
    bars = [c for c in ax.containers if type(c).__name__ == "ErrorbarContainer"]
    read = next(bar for bar in bars if bar[0].get_gid() == "readings")
    assert list(read[0].get_ydata()) == [12.2, 13.0]
    ends = [tuple(segment[:, 1]) for segment in read[2][0].get_segments()]
    assert ends == [pytest.approx((11.95, 12.45)), pytest.approx((12.5, 13.5))]
    (bar,) = ax.patches  # from the top when the plan was made down to where it was cut
    assert (bar.get_y(), bar.get_y() + bar.get_height()) == pytest.approx((12.0, 16.0))
    floor = next(line for line in ax.lines if line.get_gid() == "floor")
    assert set(floor.get_ydata()) == {6.0}
    low, high = ax.get_ylim()
    assert low == 0.0
    assert high > 16.0


def test_what_a_figure_of_a_tree_does_not_draw_is_told_below_it():
    entries = book(
        plan(top("T", 12.0, 1)), ticked(date(2027, 3, 9)), reading(9.0, 0.1),
        verified(year=1, is_done=True, words="not read; long words of findings"),
        Entry("cut", date(2027, 5, 1), "C", "L",
              (TreeEntry("T", year=1, is_done=False, words="a nest"),), PLAN),
    )  # fmt: skip
    assert history_tree._left_out(lines_of(entries, "L", "T")) == [
        "said to be done, height not read on 2027-03-09", "height not read on 2027-03-09",
        "not done (a nest) on 2027-05-01",
    ]  # fmt: skip


def test_trees_without_a_verified_share_are_told_below_a_lots_figure():
    two = plan(top("T", 12.0, 1), top("U", 9.0, 1), top("T", 9.0, 2))
    seen = verified(year=1, removed_frac=0.2), verified("U", year=1)
    years = history_lot.plan_years(lines_of(book(two, *seen), "L"))
    assert history_lot.unverified_words(years) == (
        "Planned and verified, but no share could be told: 1 tree (U) of year 1."
    )
    assert history_lot.unverified_words(history_lot.plan_years(lines_of(book(two), "L"))) == ""


def test_planned_cuts_without_a_day_come_a_year_after_the_one_before():
    two = plan(top("T", 12.0, 1), top("T", 9.0, 2), top("T", 8.0, 3))
    points = history_tree.planned_points(lines_of(book(two, cut(date(2028, 2, 29), "T")), "L", "T"))
    assert [(one.day, one.is_dated) for one in points] == [
        (date(2028, 2, 29), False), (date(2029, 3, 1), False), (date(2030, 3, 1), False),
    ]  # fmt: skip
    dated = plan(top("T", 12.0, 1, "2027-02-01"))
    assert history_tree.planned_points(lines_of(book(dated)))[0].day == date(2027, 2, 1)


def test_the_years_of_a_lot_count_what_was_planned_cut_missed_and_verified():
    missed = Entry(
        "cut", date(2027, 3, 2), "C", "L", (TreeEntry("U", year=1, is_done=False),), PLAN
    )
    entries = book(
        plan(top("T", 12.0, 1), top("U", 9.0, 1), top("T", 9.0, 2)),
        cut(date(2027, 3, 2), "T"), missed,
        verified(removed_frac=0.21, removed_error_frac=0.02, year=1, is_done=True),
    )  # fmt: skip
    one, two = history_lot.plan_years(lines_of(entries, "L"))
    assert (len(one.planned), one.cut, one.missed) == (2, {"T"}, {"U"})
    assert (one.verified, one.errors, one.days) == ({"T": 0.21}, {"T": 0.02}, ["2027-03-02"])
    assert (list(two.planned), two.cut) == (["T"], set())
    figure = history_lot.lot_figure("Cove", "L", lines_of(entries, "L"))
    counts = [[bar.get_height() for bar in c.patches] for c in figure.axes[0].containers]
    assert counts == [[2, 1], [1, 0], [1, 0]]


@pytest.mark.parametrize("entries", [[Entry("note", date(2027, 1, 1), "A", "L", words="x")]])
def test_figures_of_next_to_nothing_are_drawn(entries):
    assert history_lot.lot_figure("Cove", "L", lines_of(book(*entries), "L"))


# --- the commands


@pytest.fixture
def package():
    return packages_made.sample_package("curved_shore")


@pytest.fixture
def run(tmp_path, capsys):
    """Run a command on a ledger of its own; code and words come back."""

    def command(*words):
        code = main([words[0], str(tmp_path / "site.ledger"), *map(str, words[1:])])
        out, err = capsys.readouterr()
        return code, out + err

    return command


def test_a_plan_is_entered_as_the_package_has_it(package, run, tmp_path):
    code, words = run("enter", "--kind", "plan", "--package", package.folder, "--who", "Ann",
                      "--date", "2026-01-11")  # fmt: skip
    assert code == 0, words
    assert "new ledger" in words
    assert "entered as 1: plan of 2026-01-11, Ann" in words
    lot = packages_made.lot_of(package)
    read = ledger.read(tmp_path / "site.ledger")
    assert read.site == package.site_name
    (one,) = read.entries
    assert one.entry.plan_sha256 == package.sha256
    rows = package.rows("stage_cuts", lot)
    assert len(one.entry.trees) == len(rows) > 3
    planned = {(t.crown_id, t.year): t for t in one.entry.trees}
    for row in rows.to_dict("records"):
        tree = planned[str(row["crown_id"]), int(row["year"])]
        assert tree.height_ft == row["height_after_ft"]
        assert tree.cut_low_ft == row["from_ft"]
        assert tree.removed_frac == row["removed_of_standing_frac"]
        is_top = math.isnan(row["to_ft"])
        assert math.isinf(tree.cut_high_ft) if is_top else tree.cut_high_ft == row["to_ft"]
    trees = package.rows("stage_trees", lot).set_index("crown_id")
    bound = set(trees.index[trees["share_binds"].fillna("").ne("")]) & {
        t.crown_id for t in one.entry.trees
    }  # fmt: skip
    assert set(one.entry.details["yearly_frac"]) == bound
    # 6 ft, s. 403.9326 F.S., whatever margin the plan kept over it
    assert set(one.entry.details["floor_ft"].values()) <= {6.0}
    assert len(one.entry.details["floor_ft"]) > 0


def test_a_lot_is_followed_from_plan_to_history(package, run, tmp_path):
    """Plan, cut, readings, a correction, and what is told of them."""
    lot = packages_made.lot_of(package)
    assert run("enter", "--kind", "plan", "--package", package.folder, "--who", "Ann",
               "--date", "2025-01-11")[0] == 0  # fmt: skip
    assert run("enter", "--kind", "cut", "--year", 1, "--trees", "all", "--who", "Crew",
               "--date", "2025-03-02")[0] == 0  # fmt: skip
    first = package.rows("stage_cuts", lot).query("year == 1")
    ids = [str(one) for one in first["crown_id"]]
    path = tmp_path / "site.ledger"
    made_cut = ledger.read(path).entries[1].entry
    assert sorted(tree.crown_id for tree in made_cut.trees) == sorted(ids)
    assert made_cut.plan_sha256 == package.sha256
    assert all(tree.is_done and tree.date == "" for tree in made_cut.trees)

    table = tmp_path / "after.csv"
    table.write_text(f"crown_id,height_ft,reader,date\n{ids[0]},9.5,Jo,2025-03-04\n{ids[1]},,,\n")
    assert run("enter", "--kind", "reading", "--readings", table, "--who", "Office",
               "--readings-height-rmse-ft", 0.25)[0] == 0  # fmt: skip
    code, words = run("enter", "--kind", "cut", "--year", 1, "--trees", f"{ids[0]},{ids[1]}",
                      "--who", "Crew", "--date", "2025-03-01", "--corrects", 2)  # fmt: skip
    assert code == 0
    assert "in the place of 2" in words
    kept_all = ledger.read(path).entries
    seen = kept_all[2].entry
    assert (seen.day, seen.lot_id, seen.who) == (date(2025, 3, 4), lot, "Office")
    (tree,) = seen.trees  # nothing was read of the other
    assert (tree.crown_id, tree.height_ft, tree.height_error_ft) == (ids[0], 9.5, 0.25)
    standing = ledger.in_force(kept_all)
    assert [one.number for one in standing] == [1, 4, 3]
    assert standing[1].entry.details["not_told"] == ids[2:]

    code, words = run("history", "--tree", ids[0], "--all", "--csv", tmp_path / "t.csv",
                      "--figure", tmp_path / "t.svg")  # fmt: skip
    assert code == 0
    assert "struck out: 4 stands in its place" in " ".join(words.split())
    text = (tmp_path / "t.csv").read_text(encoding="utf-8-sig")
    rows = list(csv.DictReader(text.splitlines()))
    assert [row["kind"] for row in rows].count("cut") == 2
    assert {row["crown_id"] for row in rows} == {ids[0]}
    assert [row["corrected_by"] for row in rows if row["number"] == "2"] == ["4"]
    assert next(row for row in rows if row["kind"] == "reading")["height_ft"] == "9.5"
    assert (tmp_path / "t.svg").read_text(encoding="utf-8").startswith("<?xml")
    for name, start in (("l.png", b"\x89PNG"), ("l.pdf", b"%PDF")):
        assert run("history", "--lot", lot, "--figure", tmp_path / name)[0] == 0
        assert (tmp_path / name).read_bytes().startswith(start)

    code, words = run("history", "--check")
    assert code == 0
    assert kept_all[-1].sha256 in words
    assert run("history", "--check", "--holds", kept_all[0].sha256)[0] == 0
    code, words = run("history", "--check", "--holds", "0" * 64)
    assert code == 2
    assert "no entry has the hash" in words


@pytest.mark.parametrize(
    ("column", "found"),
    [("plan_sha256,", "for plan cdcdcdcd"), ("lot_id,", "on lot 'elsewhere'"),
     ("crown_id,", "the plan does not know")],
)  # fmt: skip
def test_readings_of_something_else_than_the_package_are_refused(
    package, run, tmp_path, column, found
):
    tree = str(package.rows("stage_cuts")["crown_id"].iloc[0])
    own = {"plan_sha256,": "cd" * 32, "lot_id,": "elsewhere", "crown_id,": "nobody"}[column]
    head, cells = (
        ("crown_id,", own) if column == "crown_id," else (f"{column}crown_id,", f"{own},{tree}")
    )
    table = tmp_path / "after.csv"
    table.write_text(f"{head}height_ft\n{cells},9.5\n")
    code, words = run("enter", "--kind", "reading", "--readings", table, "--who", "Jo",
                      "--package", package.folder)  # fmt: skip
    assert code == 2 and found in words
    assert not (tmp_path / "site.ledger").exists()


def test_every_year_and_day_of_a_tree_is_entered(package, run, tmp_path):
    tree = str(package.rows("stage_cuts")["crown_id"].iloc[0])
    table = tmp_path / "after.csv"
    rows = [f"{tree},1,9.5,2024-01-20", f"{tree},2,7.3,2025-01-20", f"{tree},2,7.2,2025-01-22"]
    table.write_text("\n".join(["crown_id,year,height_ft,date", *rows]) + "\n")
    code, words = run("enter", "--kind", "reading", "--readings", table, "--who", "Jo",
                      "--package", package.folder)  # fmt: skip
    assert code == 0, words
    kept_all = ledger.read(tmp_path / "site.ledger").entries
    found = [(e.entry.day.isoformat(), e.entry.trees[0].year, e.entry.trees[0].height_ft)
             for e in kept_all]  # fmt: skip
    assert found == [("2024-01-20", 1, 9.5), ("2025-01-20", 2, 7.3), ("2025-01-22", 2, 7.2)]
    assert {one.entry.plan_sha256 for one in kept_all} == {package.sha256}


def test_a_correction_is_of_the_same_kind_and_lot_or_withdraws(package, run, tmp_path):
    assert run("enter", "--kind", "plan", "--package", package.folder, "--who", "Ann",
               "--date", "2025-01-11")[0] == 0  # fmt: skip
    said = ("--who", "Crew", "--date", "2025-03-01", "--corrects", 1)
    code, words = run("enter", "--kind", "cut", "--year", 1, "--trees", "all", *said)
    assert code == 2 and "a cut in the place of a plan" in words
    code, words = run("enter", "--kind", "note", "--words", "x", "--lot", "elsewhere", *said)
    assert code == 2 and "an entry of lot elsewhere" in words
    code, words = run("enter", "--kind", "note", "--words", "another plan was issued", *said)
    assert code == 0
    assert "withdraws the plan of entry 1: it no longer counts" in words
    (now,) = ledger.in_force(ledger.read(tmp_path / "site.ledger").entries)
    assert (now.entry.kind, now.entry.lot_id) == ("note", packages_made.lot_of(package))
    assert "withdraws the plan of entry 1" in " ".join(run("history")[1].split())
    code, words = run("enter", "--kind", "cut", "--year", 1, "--trees", "all", "--who", "Crew",
                      "--date", "2025-03-01")  # fmt: skip
    assert code == 2 and "entry 2 withdrew it" in words
    # the plan may come back in the place of its withdrawal
    code, words = run("enter", "--kind", "plan", "--package", package.folder, "--who", "Ann",
                      "--date", "2025-01-12", "--corrects", 2)  # fmt: skip
    assert code == 0, words
    (now,) = ledger.in_force(ledger.read(tmp_path / "site.ledger").entries)
    assert now.entry.kind == "plan"


def test_a_broken_chain_is_told_with_the_history_and_by_the_check(run, tmp_path):
    import sqlite3

    assert run("enter", "--kind", "note", "--words", "a", "--who", "A", "--site", "S")[0] == 0
    connection = sqlite3.connect(tmp_path / "site.ledger")
    connection.execute("DROP TRIGGER entries_never_changed")
    connection.execute("UPDATE entries SET written_utc = 'x'")
    connection.commit()
    connection.close()
    code, words = run("history")
    assert code == 0
    assert "warning: the chain of entries is broken: entry 1 was changed" in words
    code, words = run("history", "--check")
    assert code == 2
    assert "entry 1 was changed" in words


def test_nothing_is_entered_after_an_entry_that_was_changed(run, tmp_path):
    """One byte of the file, as a disk or a careless editor changes it."""
    path = tmp_path / "site.ledger"
    base = ("enter", "--kind", "note", "--who", "A", "--site", "S", "--words")
    for words in ("qqqq", "b", "c"):
        assert run(*base, words)[0] == 0
    path.write_bytes(path.read_bytes().replace(b'"words":"qqqq"', b'"words":"qqqr"'))
    before = path.read_bytes()
    code, words = run(*base, "d")
    assert code == 2 and "entry 1 was changed" in words
    assert "put back a copy" in words
    assert path.read_bytes() == before
    assert "qqqr" in run("history")[1]  # what is left can be read


def test_a_second_correction_of_an_entry_tells_what_it_strikes_out(run):
    base = ("enter", "--kind", "note", "--who", "A", "--site", "S", "--words")
    run(*base, "first")
    code, words = run(*base, "second", "--corrects", 1)
    assert code == 0 and "no longer does" not in words
    code, words = run(*base, "third", "--corrects", 1)
    assert code == 0
    assert "entry 1 was corrected before: entry 2, which counted in its place" in words
    code, words = run(*base, "fourth", "--corrects", 3)  # the one that counts: nothing else goes
    assert code == 0 and "no longer does" not in words


def test_a_lot_that_nobody_told_of_is_told_or_refused(package, run):
    assert run("enter", "--kind", "plan", "--package", package.folder, "--who", "Ann",
               "--date", "2025-01-11")[0] == 0  # fmt: skip
    note = ("enter", "--kind", "note", "--who", "A", "--words", "x")
    lot = packages_made.lot_of(package)
    assert "new to this ledger" not in run(*note, "--lot", lot)[1]
    code, words = run(*note, "--lot", "ZZ")
    assert code == 0
    assert f"lot 'ZZ' is new to this ledger, which has told of {lot}" in words
    assert "new to this ledger" not in run(*note, "--lot", "ZZ")[1]
    code, words = run(*note, "--lot", "YY", "--package", package.folder)
    assert code == 2 and "no lot 'YY' in the package" in words


def test_near_names_of_every_lot_are_offered_for_a_tree_that_is_not_there():
    other = plan(*(top(f"CA-{n:02d}", 9.0, 1) for n in range(20)), lot="M")
    own = plan(*(top(f"SB-{n:02d}", 9.0, 1) for n in range(10, 20)), top("SB-90", 9.0, 1))
    with pytest.raises(LayerError) as said:
        lines_of(book(other, own), None, "SB-99")
    assert "SB-90" in str(said.value) and "(lot L)" in str(said.value)
    with pytest.raises(LayerError, match="SB-90") as said:
        lines_of(book(other, own), "L", "SB-99")
    assert "CA-" not in str(said.value)
    with pytest.raises(LayerError, match="one it tells of: L"):
        lines_of(book(own), "l", None)


def test_letters_that_a_figure_cannot_show_are_told(run, tmp_path):
    """The sign of a fire (U+1F525) is in no type that comes with matplotlib."""
    ledger.append(tmp_path / "site.ledger", [plan(top("T", 9.0, 1))], site="Cove \U0001f525")
    code, words = run("history", "--tree", "T", "--figure", tmp_path / "t.png")
    assert code == 0
    assert "drawn as boxes: \U0001f525" in words
    ledger.append(tmp_path / "other.ledger", [plan(top("T", 9.0, 1))], site="Cove")
    code = main(["history", str(tmp_path / "other.ledger"), "--figure", str(tmp_path / "l.png")])
    assert code == 0


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--kind", "verification"], "geotrim verify enters it"),
        (["--kind", "correction"], "--corrects N"),
        (["--kind", "rumour"], "one of plan, cut, reading, note"),
        (["--kind", "plan"], "no --package"),
        (["--kind", "cut"], "no --trees"),
        (["--kind", "reading"], "no --readings"),
        (["--kind", "note"], "no --words"),
        (["--kind", "note", "--words", "x", "--trees", "all"], "--trees: found it beside"),
        (["--kind", "note", "--words", "x"], "no ledger yet"),
        (["--kind", "note", "--words", "x", "--date", "1.2.2027", "--site", "S"], "'1.2.2027'"),
        (["--kind", "note", "--words", "x", "--corrects", "1", "--site", "S"], "entry 1"),
        (["--kind", "note", "--words", "x", "--corrects", "1.5", "--site", "S"], "whole number"),
        (["--kind", "cut", "--trees", "all", "--site", "S"], "no plan in it"),
        (["--kind", "cut", "--trees", "all", "--site", "S", "--date",
          (date.today() + timedelta(days=1)).isoformat()], "1 day from now"),
    ],
)  # fmt: skip
def test_words_that_cannot_be_entered_are_refused_and_nothing_is_made(run, tmp_path, words, told):
    code, said = run("enter", "--who", "A", *words)
    assert code == 2
    assert told in said
    assert "To mend: " in said
    assert list(tmp_path.iterdir()) == []


def test_the_package_of_another_site_is_refused_unless_asked_for(package, run):
    assert run("enter", "--kind", "note", "--words", "a", "--who", "A", "--site", "S")[0] == 0
    plan_words = ["--kind", "plan", "--package", package.folder, "--who", "A"]
    code, said = run("enter", *plan_words)
    assert code == 2
    assert "the site 'S'" in said
    assert run("enter", *plan_words, "--other-site")[0] == 0


def test_a_cut_of_what_is_not_there_is_refused(package, run):
    plan_words = ["--kind", "plan", "--package", package.folder, "--who", "A"]
    assert run("enter", *plan_words, "--date", "2025-01-11")[0] == 0
    base = ["enter", "--kind", "cut", "--who", "A", "--date", "2025-03-02"]
    for more, told_ in (
        (["--trees", "nobody", "--year", 1], "no tree 'nobody'"),
        (["--trees", "all", "--year", 99], "--year: found 99"),
        (["--trees", "all", "--year", 1, "--lot", "nowhere"], "no plan of lot nowhere"),
        (["--trees", ",", "--year", 1], "no tree"),
    ):
        code, said = run(*base, *more)
        assert code == 2, more
        assert told_ in said


def test_an_id_with_a_comma_is_one_tree(package, run, tmp_path):
    trees = plan(top("A,1", 9.0, 1), top("all", 9.0, 1))
    ledger.append(tmp_path / "site.ledger", [trees], site="S")
    words = ["--kind", "cut", "--who", "A", "--year", 1, "--date", "2026-02-01"]
    assert run("enter", *words, "--trees", "A,1", "--trees", "all")[0] == 0
    cut_trees = ledger.read(tmp_path / "site.ledger").entries[1].entry.trees
    assert [tree.crown_id for tree in cut_trees] == ["A,1", "all"]


def test_readings_of_a_day_to_come_or_of_no_known_lot_are_refused(run, tmp_path):
    ledger.append(tmp_path / "site.ledger", [plan(top("T", 9.0, 1))], site="S")
    table = tmp_path / "r.csv"
    later = (date.today() + timedelta(days=3)).isoformat()
    for row, told_ in ((f"T,9,{later}", "3 days from now"), ("Q,9,2026-01-01", "whose lot nobody")):
        table.write_text(f"crown_id,height_ft,date\n{row}\n")
        code, said = run("enter", "--kind", "reading", "--readings", table, "--who", "A")
        assert code == 2
        assert told_ in said
    assert (
        run("enter", "--kind", "reading", "--readings", table, "--who", "A", "--lot", "L")[0] == 0
    )


def test_history_of_several_lots_draws_none_unnamed(run, tmp_path):
    entries = [plan(top("T", 9.0, 1)), plan(top("V", 9.0, 1), lot="M")]
    ledger.append(tmp_path / "site.ledger", entries, site="S")
    code, said = run("history", "--figure", tmp_path / "x.png")
    assert code == 2
    assert "2 lots in it" in said
    code, said = run("history", "--lot", "L", "--figure", tmp_path / "x.gif")
    assert code == 2
    assert ".png, .svg, .pdf" in said
    (tmp_path / "x.png").write_text("mine")
    assert run("history", "--lot", "L", "--figure", tmp_path / "x.png")[0] == 2
    assert (tmp_path / "x.png").read_text() == "mine"
    assert run("history", "--lot", "L", "--figure", tmp_path / "x.png", "--replace")[0] == 0


def test_a_day_is_a_day():
    assert made.day_of(" 2028-02-29 ", "x") == date(2028, 2, 29)
    with pytest.raises(GeotrimError, match="2027-02-29"):
        made.day_of("2027-02-29", "x")
    made.check_past(date(2027, 1, 1), date(2027, 1, 1), "x")
    with pytest.raises(GeotrimError, match="1 day from now"):
        made.check_past(date(2027, 1, 2), date(2027, 1, 1), "x")
