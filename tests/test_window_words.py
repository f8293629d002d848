"""The window in words: the summary's lines and the statement's section, in both its forms.

Inputs are written by hand (``report_fixtures``, ``window_fixtures``); what is expected is read off
them, or said by the act (25 % a year: s. 403.9326(1)(b)3 F.S.).
"""

from __future__ import annotations

import datetime
import math
import re
from decimal import ROUND_CEILING, Decimal

import numpy as np
import pytest
import report_fixtures as fx
import statement_fixtures as made
import window_fixtures as wf

from geotrim.model import Note, Result
from geotrim.report.furniture import HARD_SPACE
from geotrim.report.statement import statement_html, statement_markdown
from geotrim.report.statement_html import WIDTHS
from geotrim.report.statement_parts import Table
from geotrim.report.statement_window import window
from geotrim.report.statement_window_years import cautions
from geotrim.report.summary import grouped, summary_text
from geotrim.report.window_facts import amount, plan_of, stations
from geotrim.report.window_summary import short_words, view_lines, window_lines
from geotrim.report.window_text import _cuts

DAY = datetime.date(2026, 11, 26)
SPANS = ((20.0, 50.0), (70.0, 85.5))
OPERATIONS = ("window", "sightlines", "stages", "risks")


def site_and_results(n_crowns=12, spans=SPANS, *, n_lots=1, length_ft=100.0, **how):
    """A hand-made site with a judged route, so that a statement can be written."""
    site = fx.make_site(n_crowns, n_lots=n_lots, length_ft=length_ft)
    results = {**fx.make_results(site), **routes(site)}
    return site, wf.with_window(site, results, spans, **how)


def routes(site):
    lots = [str(lot) for lot in site.measured_lot_ids()]
    trees = [made.tree("T-001", "professional-exemption", "open", lot_id=lot) for lot in lots]
    outcomes = [made.outcome([tree], tree["lot_id"]) for tree in trees]
    return made.result(trees, outcomes=outcomes)


def both(site, results):
    """The two statements, read back as plain words, which must be the same."""
    html = statement_html(site, results, made_on=DAY)
    reader = made.Reader(html)
    assert reader.faults == []
    assert made.markdown_text(statement_markdown(site, results, made_on=DAY)) == reader.text
    assert "legal" not in reader.text.lower().replace("not legal advice", "")
    return reader.text


def part(text, head, end):
    """What stands between two headings."""
    return text.split(head, 1)[1].split(end, 1)[0].strip()


def up(height_ft):
    """A tenth of a foot up, by decimals and not by the helper that is tested."""
    tenth = Decimal("0.1")
    return Decimal(str(round(height_ft, 6))).quantize(tenth, rounding=ROUND_CEILING)


def plain(lines):
    return " ".join(" ".join(lines).replace(HARD_SPACE, " ").split())


@pytest.fixture(scope="module")
def full():
    return site_and_results()


@pytest.fixture(scope="module")
def told(full):
    return both(*full)


# --------------------------------------------------------------------- nothing without


@pytest.mark.parametrize("kind", ["left out", "no tables"])
def test_without_the_operations_the_words_are_as_they_were(kind):
    site = fx.make_site(6)
    results = {**fx.make_results(site), **routes(site)}
    before = both(site, results), summary_text(site, results)
    assert "window" not in before[0].lower().replace("window band", "")
    if kind == "no tables":
        results |= {name: Result(name, {}) for name in OPERATIONS}
    assert (both(site, results), summary_text(site, results)) == before
    assert window(results, "L1") == window_lines(results, ["L1"]) == view_lines(results, []) == []
    assert plan_of(results, "L1") is None


# ------------------------------------------------------------------------------ summary


def test_the_summary_tells_where_what_and_how_sure(full):
    site, results = full
    lot = results["window"].tables["window_lots"].iloc[0]
    text = plain(summary_text(site, results).splitlines())
    for words in (
        "w1 at 20-50 ft and w2 at 70-85.5 ft, 45.5 ft in all",
        f"view from 2 eyes: 8.0 % open now, {100 * lot['view_after_frac']:.1f} % after; proven: "
        "no choice of these treatments within these limits opens more",
        f"takes {lot['foliage_removed_ft3']:,.0f} cu ft",
        f"from {lot['n_cut_trees']} trees, over 3 years",
        "a view of 60 % cannot be had; span-max stands in its way",
        "what binds: no span is longer than 30 ft (view 41.0 % without); 25 % of a tree's foliage "
        "a year (view 37.0 % without)",
        "read by stick before anything is cut: T-003, T-004 View of the water",
        "porch: 8.1 % now, 10.4 % other plants removed, 23.6 % after the window",
        "no permission",
    ):
        assert words in text, words
    assert max(map(len, summary_text(site, results).splitlines())) <= 80


def test_the_summary_tells_a_gap_as_one():
    _, results = site_and_results(is_optimal=False)
    lot = results["window"].tables["window_lots"].iloc[0]
    text = plain(window_lines(results, ["L1"]))
    least, most = 100 * lot["view_after_frac"], 100 * lot["view_bound_frac"]
    assert f"that opens at least {least:.1f} %, at most {most:.1f} %" in text
    assert "; proven" not in text
    results["window"].tables["window_lots"]["view_bound_frac"] = np.nan
    assert plain(window_lines(results, ["L1"])).count("not proven the best") == 1


def test_the_summary_of_no_window_is_its_reason():
    _, results = site_and_results(spans=(), sight=False)
    text = plain(window_lines(results, ["L1"]))
    assert "no window: no tree may be cut within the limits" in text
    assert "takes" not in text
    # what binds is told there too, each by its words and what it costs
    assert "what binds: no span is longer than 30 ft (view 41.0 % without); 25 %" in text
    assert view_lines(results, ["L1"]) == []


def test_the_summary_of_an_own_window_tells_what_is_broken():
    _, results = site_and_results(status="own window")
    rows = results["window"].tables["window_limits"]
    rows.loc[rows["limit"] == "nest", "standing"] = "broken"
    text = plain(window_lines(results, ["L1"]))
    assert text.index("your own window, judged: w1") < text.index("limits broken: trees marked")
    assert "proven" not in text


def test_the_summary_of_several_lots_names_them_and_stops():
    site, results = site_and_results(30, ((5.0, 15.0),), n_lots=6, length_ft=600.0)
    lots = [str(lot) for lot in site.measured_lot_ids()]
    parts = [wf.window_result(site, results, lot, ((5.0, 15.0),)) for lot in lots]
    tables = {
        name: wf.pd.concat([one.tables[name] for one in parts], ignore_index=True)
        for name in parts[0].tables
    }
    results["window"] = Result("window", tables)
    lines = window_lines(results, lots)
    text = plain(lines)
    assert "lot L1: w1 at 5-15 ft" in text and "lot L4: w1" in text and "lot L5" not in text
    assert "and 2 lots more, 2 with a window, see lots.csv" in text
    assert max(map(len, lines)) <= 80


def test_a_cut_that_is_not_reached_and_an_eye_that_sees_nothing():
    _, results = site_and_results()
    results["stages"].tables["stage_lots"]["n_unreachable_trees"] = 2
    assert "2 trees cannot be cut as far as planned" in plain(window_lines(results, ["L1"]))
    eyes = results["sightlines"].tables["sight_eyes"]
    for name in ("view_now_frac", "view_others_removed_frac", "view_after_frac"):
        eyes.loc[0, name] = np.nan
    eyes.loc[0, "reason"] = "no water before it"
    assert "porch: no water before it" in plain(view_lines(results, ["L1"]))


def test_stages_of_heights_say_nothing_of_the_window():
    _, results = site_and_results()
    results["stages"].tables["stage_lots"]["plan"] = "target-height"
    assert "over 3 years" not in plain(window_lines(results, ["L1"]))


def binding(**changes):
    """What the summary says binds, where the limit "nest" binds with these values."""
    _, results = site_and_results()
    rows = results["window"].tables["window_limits"]
    rows["standing"] = "kept"
    at = rows.index[rows["limit"] == "nest"][0]
    for name, value in {"standing": "binds", **changes}.items():
        rows.loc[at, name] = value
    after = results["window"].tables["window_lots"]["view_after_frac"].iloc[0]
    if "costs_frac" in changes:
        rows.loc[at, "view_without_frac"] = after + changes["costs_frac"]
    return plain(window_lines(results, ["L1"]))


def test_a_limit_without_a_figure_prints_none():
    text = binding(value=0.0, allowed=0.0, view_without_frac=0.41)
    assert "what binds: trees marked keep: nest (view 41.0 % without)" in text
    text = binding(value=3.0, allowed=3.0, view_without_frac=0.41, words="At most so many")
    assert "what binds: at most so many: 3 (view 41.0 % without)" in text


@pytest.mark.parametrize(("costs", "is_told"), [(0.00049, False), (0.00051, True)])
def test_limits_that_cost_under_a_twentieth_of_a_point_are_left_out(costs, is_told):
    text = binding(costs_frac=costs)
    assert ("what binds: trees marked keep" in text) == is_told
    assert ("what binds: no single limit costs 0.05 points of view" in text) != is_told


def test_limits_that_bind_together_are_each_told_by_their_words():
    words = {"floor": "No tree is left under 6 ft", "span-max": "No span is longer than 30 ft"}
    text = binding(
        limit="floor and span-max",
        words=f"Together, on the trees that each keeps: {'; '.join(words.values())}" + 60 * "x",
        view_without_frac=0.41,
    )
    assert (
        "what binds: together, no tree is left under 6 ft and no span is longer than 30 ft (view "
        "41.0 % without)"
    ) in text


def test_what_is_reached_of_trees_that_cannot_be_cut_as_planned():
    """A top reached at 8.52 ft is told as 8.6, a band cleared to 8.58 ft as 8.5."""
    _, results = site_and_results()
    trees = results["stages"].tables["stage_trees"]
    assert "reached of these" not in plain(window_lines(results, ["L1"]))
    trees["reached_ft"] = np.where(trees["treatment"] == "clear-band", 8.58, 8.52)
    trees["is_reachable"] = True
    band = trees.index[trees["treatment"] == "clear-band"][0]
    top, none = trees.index[trees["treatment"] == "lower-top"][:2]
    trees.loc[[band, top, none], "is_reachable"] = False
    trees.loc[none, "reached_ft"] = np.nan
    text = plain(window_lines(results, ["L1"]))
    for told in (
        f"{trees.loc[band, 'crown_id']} cleared up to 8.5 ft in 3 years",
        f"{trees.loc[top, 'crown_id']} a top of 8.6 ft in 3 years",
        f"{trees.loc[none, 'crown_id']} nothing",
    ):
        assert told in text
    results["stages"].tables["stage_lots"]["plan"] = "target-height"
    assert "reached of these" not in plain(window_lines(results, ["L1"]))


def test_over_how_much_of_the_fan_the_horizon_is_seen():
    _, results = site_and_results()
    eyes = results["sightlines"].tables["sight_eyes"]
    assert "horizon over" not in plain(view_lines(results, ["L1"]))
    eyes["horizon_now_frac"], eyes["horizon_after_frac"] = 0.12, 0.18
    text = plain(view_lines(results, ["L1"]))
    assert "23.6 % after the window; horizon over 12.0 % of the fan now, 18.0 % after" in text
    eyes["horizon_after_frac"] = np.nan
    assert "; horizon over 12.0 % of the fan now dock" in plain(view_lines(results, ["L1"]))


def test_notes_of_many_kinds_of_one_lot_name_it_once():
    notes = [Note("lot MC-21", f"not known: thing {k}", "missing") for k in range(9)]
    assert grouped(notes) == ["lot MC-21: not known: 9 things; the record says which"]
    notes += [Note("lot B", "not known: thing", "missing")]
    assert grouped(notes) == ["not known: 2 lots (MC-21, B); lots.csv says why"]


def test_a_limit_is_told_with_its_figure():
    _, results = site_and_results()
    rows = results["window"].tables["window_limits"]
    rows.loc[rows["limit"] == "span-max", "words"] = "A span is at most this long"
    assert "a span is at most this long: 30.0 ft (view 41.0 %" in plain(
        window_lines(results, ["L1"])
    )


@pytest.mark.parametrize(
    ("words", "short"),
    [
        ("A tree keeps 10 %: more would be no trimming.", "a tree keeps 10 %: more would be no "
         "trimming"),
        ("Marked, " + "very " * 20 + "long", "marked"),
        ("MHW lines keep their case", "MHW lines keep their case"),
        ("", ""),
    ],
)  # fmt: skip
def test_limits_in_a_few_words(words, short):
    assert short_words(words) == short


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [(30.0, "ft", "30.0 ft"), (0.4375, "frac", "43.8 %"), (1234.4, "ft3", "1,234 cu ft"),
     (787.0, "ft2", "787 sq ft"), (3.0, "", "3"), (np.nan, "ft", "")],
)  # fmt: skip
def test_amounts(value, unit, words):
    assert amount(value, unit) == words


def test_stations_keep_what_the_grain_needs():
    """Stations of a quarter foot, and of a shore of over a thousand."""
    row = {"station_from_ft": 43.25, "station_to_ft": 1061.5}
    assert stations(row) == "43.25-1061.5"


# ---------------------------------------------------------------------------- statement


def test_the_statement_opens_with_where_view_and_cost(full, told):
    _, results = full
    lot = results["window"].tables["window_lots"].iloc[0]
    head = part(told, "The window", "What is done to each tree")
    for words in (
        "stations 20-50 ft, 70-85.5 ft, 45.5 ft of shore in all",
        f"mean of 2 eyes: 8.0 % open now, {100 * lot['view_after_frac']:.1f} % after",
        f"{lot['foliage_removed_ft3']:,.0f} cu ft of foliage",
        "within the limits of: professional exemption",
        "Proven: no choice of these treatments within these limits opens more",
        f"in the middle of the frontage, for no more foliage: "
        f"{100 * lot['view_centred_frac']:.1f} %",
        "Wanted, 60.0 %: \u2715 not reached",
        "w1 L1/1 20-50 ft 30.0 ft",
        "w2 L1/1 70-85.5 ft 15.5 ft",
    ):
        assert words in head, words


def test_every_treated_tree_is_in_the_table_with_its_treatment(full, told):
    _, results = full
    table = part(told, "What is done to each tree", "Left as they are")
    trees = results["window"].tables["window_trees"].to_dict("records")
    cut = [tree for tree in trees if tree["treatment"] != "leave"]
    assert {tree["treatment"] for tree in cut} == {"clear-band", "lower-top"}
    for tree in trees:
        row = re.search(rf"{tree['crown_id']} station (.*?)(?= T-\d+ station|$)", table)
        assert (row is not None) == (tree in cut), tree["crown_id"]
        if tree not in cut:
            continue
        if tree["treatment"] == "clear-band":
            how = "band cleared under a kept top 6.0 to 10.0 ft is cleared"
        else:
            how = f"top lowered to {up(tree['cut_low_ft'])} ft"
        share = f"{100 * tree['removed_frac']:.1f} % at most 57.8 % 3"
        for words in (how, f"{tree['top_height_ft']:.1f} ft", share):
            assert words in row[1], (tree["crown_id"], words)
    assert "red mangrove" in table and "not known" in table


def test_trees_left_within_a_span_are_told_by_their_reason(full, told):
    _, results = full
    rows = results["window"].tables["window_trees"]
    left = rows[(rows["treatment"] == "leave") & rows["is_in_span"]]["crown_id"]
    outside = rows[~rows["is_in_span"]]["crown_id"]
    words = part(told, "Left as they are, though within a span:", "Before any cut")
    assert len(left) and all(crown in words for crown in left)
    assert "under the least height after trimming" in words
    assert not any(crown in words for crown in outside)


def test_limits_stand_with_source_figure_and_what_they_cost(told):
    table = part(told, "Limits of the window", "Plans to choose from")
    for words in (
        "No span is longer than 30 ft. 30.0 ft (limit 30.0 ft) \u25c7 binds view without it 41.0 %",
        "2 trees 57.8 % (limit 57.8 %) \u25c7 binds view without it 37.0 % s. 403.9326(1)(b)3 F.S.",
        "No tree is left under 6 ft. 6.5 ft (limit 6.0 ft) \u2713 kept",
        "65 % of the shoreline. \u25cb not in force",
        "Trees marked keep: nest. 1 tree \u2713 kept user",
    ):
        assert words in table, words
    order = [table.index(f"{sign} {word}") for sign, word in
             (("\u25c7", "binds"), ("\u2713", "kept"), ("\u25cb", "not in force"))]  # fmt: skip
    assert order == sorted(order)


def test_a_limit_tells_the_plan_and_what_it_keeps_out_apart():
    site, results = site_and_results()
    rows = results["window"].tables["window_limits"]
    rows["kept_out_value"] = np.where(rows["limit"] == "floor", 5.5, np.nan)
    assert "under 6 ft. 6.5 ft (limit 6.0 ft) kept out: 5.5 ft \u2713 kept" in both(site, results)


def test_a_broken_limit_comes_first_and_a_count_of_nothing_has_no_figure():
    site, results = site_and_results(status="own window")
    rows = results["window"].tables["window_limits"]
    rows.loc[rows["limit"] == "floor", ["standing", "value"]] = ["broken", 5.5]
    rows.loc[rows["limit"] == "nest", ["value", "allowed"]] = [0.0, 0.0]
    text = both(site, results)
    assert "Your own window, judged: stations 20-50 ft" in text and "Proven" not in text
    assert "within the limits of" not in text
    assert "Judged against the limits of: professional exemption." in text
    broken = str(rows.loc[rows["limit"] == "floor", "words"].iloc[0])
    assert f"Breaks: \u2715 1 limit: {broken}." in text
    table = part(text, "How it stands Source", "Plans to choose")
    assert table.startswith("No tree is left under 6 ft. 5.5 ft (limit 6.0 ft) \u2715 broken")
    assert "nest. 1 tree \u2713 kept" in table


def test_an_own_window_that_breaks_nothing_says_so():
    text = both(*site_and_results(status="own window"))
    assert "Breaks none of the limits below, by these figures" in text
    assert "Breaks" not in both(*site_and_results())


def test_cuts_are_told_so_that_no_more_is_taken_than_was_reckoned():
    """A top at 10.02 ft is told as 10.1, a band up to 9.98 ft as 9.9 (a crew has tenths)."""
    site, results = site_and_results()
    trees = results["window"].tables["window_trees"]
    for how, values in (
        ("lower-top", {"cut_low_ft": 10.02, "height_after_ft": 10.02}),
        ("clear-band", {"cut_low_ft": 6.01, "cut_high_ft": 9.98}),
    ):
        for name, value in values.items():
            trees.loc[trees["treatment"] == how, name] = value
    cuts = results["stages"].tables["stage_cuts"]
    cuts["from_ft"], cuts["year"] = 7.02, 1
    cuts.loc[cuts["to_ft"].notna(), "to_ft"] = 8.98
    table = part(both(site, results), "What is done to each tree", "How surely")
    assert "to 10.1 ft" in table and "10.1 ft" in table and "10.0 ft" not in table
    assert "6.1 to 9.9 ft is cleared" in table
    # whole inches: 7.02 ft up to 85 in, 8.98 ft down to 107 in
    assert "top to 7.09 ft" in table and "7.09 to 8.91 ft" in table
    told = "\n".join(_cuts(trees))
    assert "top down to 10.1 ft" in told and "clear 6.1-9.9 ft" in told


def test_a_gap_is_told_in_the_lead_and_at_its_plan():
    site, results = site_and_results(is_optimal=False)
    text = both(site, results)
    bound = results["window"].tables["window_lots"]["view_bound_frac"].iloc[0]
    most = f"{100 * bound:.1f} %"
    after = results["window"].tables["window_lots"]["view_after_frac"].iloc[0]
    assert (
        "Not proven to be the best: the best choice of these treatments within these limits opens "
        f"at least {100 * after:.1f} %, at most {most}"
    ) in text
    assert part(text, "Plans to choose from", "The cuts year").count("not proven: at most") == 3


def test_both_readings_of_25_percent_and_every_year(full, told):
    """Years of what stands (3) and of what stood (2) side by side: A-06."""
    _, results = full
    years = part(told, "The cuts year by year", "How surely limits are kept")
    assert "The window, over 3 years" in years
    for year in (1, 2, 3):
        assert f"{year} from January 11, {2026 + year} at the earliest" in years
    cut = results["stages"].tables["stage_cuts"]
    top = cut[cut["to_ft"].isna()].iloc[1]
    band = cut[cut["to_ft"].notna()].iloc[0]
    inches = math.ceil(12 * top["from_ft"] - 1e-6)
    assert f"{top['crown_id']}: top to {math.ceil(100 * inches / 12 - 1e-9) / 100:.2f} ft" in years
    # 6 to 10 ft in three equal slices: 88 and 104 in, told so that no slice is wider
    for slice_of_band in ("6.00 to 7.33", "7.34 to 8.66", "8.67 to 10.00"):
        assert f"{band['crown_id']}: {slice_of_band} ft" in years
    assert "Years under both readings of 25 %" in years and "A-06" in years
    assert "Read here: of what stands that year" in years
    assert "3 years 2 years 3 years" in years
    assert re.search(r"T-00\d by the act", years) and re.search(r"T-00\d good practice", years)
    most = cut.loc[cut["year"] == 1, "removed_of_standing_frac"].max()
    assert f"most of one tree: {100 * most:.1f} % of what stands" in years


def test_how_deep_a_quarter_is_depends_on_the_model(full, told):
    """Top 20 ft: a column's quarter is 5 ft, a cone's 0.63 of its height, 12.6 ft."""
    assert "5.0 ft, column all models: 5.0 to 12.6 ft" in told
    other = site_and_results()
    other[1]["stages"] = Result(
        "stages", other[1]["stages"].tables, (), {"foliage_reading": "original"}
    )
    assert "Read here: of what stood at first" in both(*other)


def test_cuts_that_are_not_reached_are_grouped_by_their_reason():
    site, results = site_and_results()
    trees = results["stages"].tables["stage_trees"]
    trees["is_reachable"] = False
    trees["why"] = "8 ft is under the floor; nearest: a height of 8.5 ft in 2 years"
    text = both(site, results)
    assert text.count("cannot be reached nearest: a height of 8.5 ft") == len(trees)
    names = ", ".join(trees["crown_id"])
    assert f"Not reached as planned: {names}: 8 ft is under the floor" in text
    assert text.count("8 ft is under the floor") == 1


def test_risks_tell_how_often_and_whom_to_read_first(told):
    risks = part(told, "How surely limits are kept", "What each eye sees")
    for words in (
        "No tree is left under 6 ft.",
        "0.8 % 3 of 400 draws, by at least one of 5 trees 0.1 % to 2.2 %",
        "22.0 % 88 of 400 draws, by at least one of 5 trees 18.0 % to 26.4 %",
        "broken in more than 5.0 % of the draws",
        "T-003: 13.0 ft, error 0.5 ft; more than a quarter of its foliage in a year",
    ):
        assert words in risks, words
    assert "T-005: " not in risks.split("To be read by stick")[1]


def test_a_tree_that_breaks_two_limits_is_read_once():
    site, results = site_and_results()
    rows = results["risks"].tables["risk_trees"]
    again = rows.iloc[:1].assign(limit="floor", words="under the floor; read it by stick first")
    results["risks"].tables["risk_trees"] = wf.pd.concat([rows, again], ignore_index=True)
    text = part(both(site, results), "How surely limits are kept", "What each eye sees")
    assert text.count("T-003: ") == 1 and text.count("under the floor") == 1
    rows["is_stick_first"] = False
    results["risks"].tables["risk_trees"] = rows
    assert "No tree needs a stick reading first" in both(site, results)


def test_eyes_have_their_shares(told):
    eyes = part(told, "What each eye sees of the water", " Trees ")
    assert "porch 14.3 ft 8.1 % 10.4 % 23.6 %" in eyes
    assert "Other plants removed" in eyes and "Crowns count as solid" in eyes
    site, results = site_and_results()
    results["sightlines"].tables["sight_eyes"]["view_others_removed_frac"] = np.nan
    text = both(site, results)
    assert "porch 14.3 ft 8.1 % 23.6 %" in text and "Other plants removed" not in text


def test_cautions_travel_with_the_window(told):
    words = part(told, "Before any cut", "Limits of the window")
    for text in (
        "floor, not a target",
        "active nests before each year's work",
        "local government decides",
        "Buttonwood: leaves alternate; white mangrove: leaves opposite",
        "of no known species",
    ):
        assert text in words, text


def test_look_alikes_are_those_the_act_sees_otherwise():
    """Black against white mangrove are both mangroves (s. 403.9325(3) F.S.): no such caution."""
    black = plain([str(cautions([{"species": "black mangrove"}]))])
    assert "Taken for each other" not in black
    white = plain([str(cautions([{"species": "Laguncularia racemosa"}]))])
    assert "buttonwood" in white.lower() and "lumnitzera" in white


def test_no_window_is_told_with_its_reason_and_limits():
    site, results = site_and_results(spans=(), sight=False, stages=False, risks=False)
    text = both(site, results)
    assert "No window is found. No tree may be cut within the limits." in text
    assert "Limits of the window" in text and "What is done to each tree" not in text
    assert "Before any cut" not in text
    results["window"].tables["window_lots"]["status"] = "not planned"
    assert "No window was planned." in both(site, results)


def test_staged_heights_without_a_window_have_their_section():
    site, results = site_and_results()
    only = {k: v for k, v in results.items() if k not in ("window", "sightlines")}
    only["stages"].tables["stage_lots"]["plan"] = "target-height"
    text = both(site, only)
    assert "The planned heights, over 3 years" in text
    assert "Limits of the window" not in text


def test_long_lists_are_cut_and_say_so():
    site, results = site_and_results(160, ((10.0, 390.0),), length_ft=400.0)
    text = both(site, results)
    trees = results["window"].tables["window_trees"]
    n = int((trees["treatment"] != "leave").sum())
    assert n > 60
    assert f"And {n - 60} more, in crowns.csv." in text
    assert f"And {n - 60} more, in results.gpkg." in text
    assert f"and {n - 30} more" in text


def test_tables_have_widths_that_add_up(full):
    _, results = full
    tables = [block for block in window(results, "L1") if isinstance(block, Table)]
    assert len(tables) == 8
    for table in tables:
        assert sum(WIDTHS[table.kind]) == 100, table.kind
        assert len(WIDTHS[table.kind]) == len(table.heads), table.kind


def test_strange_names_and_notes_do_no_harm():
    """Ids and words of tables reach the page as they are, and open no tag."""
    site, results = site_and_results()
    rows = results["window"].tables["window_limits"]
    rows["words"] = "<b>|*no* `limit`"
    results["window"] = Result("window", results["window"].tables, (Note("x", "y<i>", "info"),))
    assert "<b>|*no* `limit`" in both(site, results)
