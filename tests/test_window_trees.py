"""What may be done to the trees of a lot, and which limits keep the others, worked out by hand.

Trees are blocks of one height on whole cells of one map unit, so foliage is side squared times
height (column model), in cubic feet but for the survey foot (two parts in a million).
"""

from __future__ import annotations

import dataclasses
from itertools import pairwise

import numpy as np
import pytest
from sites import US_FT
from window_lots import OWNER, PROFESSIONAL, before, make_site, run, table

from geotrim.model import Facts, Setback
from geotrim.ops import window as operation
from geotrim.ops import window_lot, window_plan
from geotrim.ops.chain import run_operation

INF = np.inf


def lot_of(site, **options):
    """The lot as the operation sets it up, before any plan is looked for."""
    caught = []

    def stop(given, lot_id):
        way = window_lot.way_of_lot(given, lot_id)
        caught.append(window_lot.lot_of(given, lot_id, way))
        return {}, []

    results = before(site, options)
    kept = operation.lot_tables
    operation.lot_tables = stop
    try:
        run_operation("window", site, results, {**site.options, **options})
    finally:
        operation.lot_tables = kept
    return caught[0]


def cuts(lot, tree=0):
    """Cuts of one tree: (low, high) -> names of the limits that rule it out."""
    done = lot.done
    return {
        (float(low), float(high)): "" if number < 0 else done.bars[number]
        for which, low, high, number in zip(
            done.options.tree, done.options.low_ft, done.options.high_ft, done.options.barred_by,
            strict=True,
        )
        if which == tree
    }  # fmt: skip


def volumes(lot, tree=0):
    mine = lot.done.options.tree == tree
    return dict(
        zip(
            zip(lot.done.options.low_ft[mine], lot.done.options.high_ft[mine], strict=True),
            lot.done.options.volume_ft3[mine],
            strict=True,
        )
    )


def one(height, **given):
    return make_site([(30, 6, 6, height)], **given)


def test_a_tall_tree_can_be_cleared_in_the_band_or_lowered():
    lot, *_ = lot_of(one(14.0))
    by_hand = {(6, 10): 36 * 4, (6, INF): 36 * 8, (6.5, INF): 36 * 7.5, (10, INF): 36 * 4}
    by_hand |= {(8, INF): 36 * 6, (12, INF): 36 * 2}
    by_hand |= {(6, 9.5): 36 * 3.5, (10.5, INF): 36 * 3.5}  # a quarter of 14 ft in the one year
    assert cuts(lot) == {key: "floor" if key == (6, INF) else "" for key in by_hand}
    found = volumes(lot)
    assert found == {key: pytest.approx(volume, rel=1e-5) for key, volume in by_hand.items()}
    share = dict(zip(zip(lot.done.options.low_ft, lot.done.options.high_ft, strict=True),
                     lot.done.options.share_frac, strict=True))  # fmt: skip
    assert share[(6, 10)] == pytest.approx(4 / 14)


def test_a_tree_whose_top_lies_in_the_band_is_lowered_to_the_floor_and_its_margin():
    lot, *_ = lot_of(one(9.0))  # a quarter is 2.25 ft: down to 6.75, which rounds up
    assert cuts(lot) == {(6, INF): "floor", (6.5, INF): "", (6.8, INF): "", (8, INF): ""}
    lot, *_ = lot_of(one(9.0), lower_to_ft=(8.0, 12.0))  # whatever else it may be lowered to
    assert cuts(lot) == {(6.5, INF): "", (8, INF): ""}
    lot, *_ = lot_of(one(9.0), floor_margin_ft=0.0)
    assert cuts(lot) == {(6, INF): "", (6.8, INF): "", (8, INF): ""}
    lot, *_ = lot_of(one(9.0), band_ft=(7.0, 10.0), stage_years=2)
    assert cuts(lot) == {(6.5, INF): "", (7, INF): "", (8, INF): ""}


@pytest.mark.parametrize("height", [3.0, 6.0, 6.5])
def test_of_a_low_tree_nothing_can_be_taken_within_the_floor(height):
    lot, *_ = lot_of(one(height))
    assert set(cuts(lot).values()) <= {"floor"}


def test_heights_a_top_may_be_lowered_to_are_never_under_the_floor():
    lot, *_ = lot_of(one(14.0), lower_to_ft=(3.0, 12.0))
    free = {low for (low, high), bar in cuts(lot).items() if high == INF and not bar}
    assert free == {6.5, 12.0}


def test_a_top_that_cannot_be_told_from_the_band_s_is_measured_first():
    lot, *_ = lot_of(one(10.5, rmse_ft=0.5))  # 0.5 ft over, the error twice that at 95 %
    assert cuts(lot)[(6, 10)] == "top-too-close"
    lot, *_ = lot_of(one(10.5, rmse_ft=0.2))
    assert cuts(lot)[(6, 10)] == ""
    # with the band's foot over the floor nothing under it can be left
    lot, *_ = lot_of(one(10.5, rmse_ft=0.5), band_ft=(7.0, 10.0))
    assert cuts(lot)[(7, 10)] == ""


@pytest.mark.parametrize(
    ("height", "rmse", "facts", "bar"),
    [
        (24.0, 0.0, PROFESSIONAL, ""),  # M-26: 24.00 passes, 24.01 fails
        (24.01, 0.0, PROFESSIONAL, "height-before"),
        (23.9, 0.4, PROFESSIONAL, "height-too-close"),
        (24.9, 0.4, PROFESSIONAL, "height-before"),
        (10.0, 0.0, OWNER, ""),  # M-21: 10.00 passes, 10.01 fails
        (10.01, 0.0, OWNER, "height-before"),
        (9.5, 0.4, OWNER, "height-too-close"),
    ],
)
def test_trees_too_tall_for_the_way_are_left(height, rmse, facts, bar):
    lot, *_ = lot_of(one(height, rmse_ft=rmse, facts=facts))
    assert cuts(lot)[(6.5, INF)] == bar


def test_a_permit_has_no_greatest_height():
    lot, *_ = lot_of(one(30.0), window_route="general-permit")
    assert cuts(lot)[(6.5, INF)] == ""


def test_a_tree_keeps_a_share_of_its_foliage_whatever_else_binds():
    """Foliage from 6 to 14 ft: lowered to 6.5 it keeps a sixteenth, to 10 a half."""
    lot, *_ = lot_of(one(14.0, bases=[6.0 * US_FT], species=["white mangrove"]))
    assert cuts(lot)[(6.5, INF)] == "least-kept" and cuts(lot)[(10, INF)] == ""
    lot, *_ = lot_of(one(14.0, bases=[6.0], species=["white mangrove"]), least_kept_frac=0.05)
    assert cuts(lot)[(6.5, INF)] == ""
    lot, *_ = lot_of(one(14.0, bases=[6.5], species=["white mangrove"]), least_kept_frac=0.0)
    assert cuts(lot)[(6.5, INF)] == "least-kept"  # all of it is no trimming: M-04
    # how much each may lose at most is held to the share a year as well
    lot, *_ = lot_of(one(14.0), stage_years=10)
    assert lot.problem.share_max_frac[0] == pytest.approx(min(1 - 0.75**10, 0.9))


def test_a_red_is_not_cut_where_its_foliage_is_only_above_the_cut():
    """P-12. Foliage from 7 to 20 ft; the band begins at 6."""
    red, *_ = lot_of(one(20.0, bases=[7.0]))
    assert cuts(red)[(6, 10)] == "red-foliage"
    assert cuts(red)[(10, INF)] == ""
    white, *_ = lot_of(one(20.0, bases=[7.0], species=["white mangrove"]))
    assert cuts(white)[(6, 10)] == ""
    unknown, *_ = lot_of(one(20.0, bases=[7.0], species=[None]))
    assert cuts(unknown)[(6, 10)] == "" and any("lowest foliage" in t for t in unknown.done.told)


def test_trees_marked_to_be_kept_are_left_and_the_mark_is_told():
    site = make_site([(20, 6, 6, 14), (40, 6, 6, 14)], keep=["nest", None])
    lot, *_ = lot_of(site)
    assert cuts(lot, 0)[(6, 10)] == "keep" and cuts(lot, 1)[(6, 10)] == ""
    assert "nest" in lot.done.limits["keep"].words
    lot, *_ = lot_of(site, keep="t1")
    assert cuts(lot, 1)[(6, 10)] == "keep" and "asked for" in lot.done.limits["keep"].words


def test_a_tree_with_its_trunk_in_a_setback_is_left():
    strip = Setback("side lines", "riparian-lines", 20.0, "invented")
    site = make_site([(12, 6, 6, 14), (40, 6, 6, 14)], length=80.0, setbacks=[strip])
    lot, *_ = lot_of(site)
    assert cuts(lot, 0) == {} or set(cuts(lot, 0).values()) == {"trunk-outside-zone"}
    assert cuts(lot, 1)[(6, 10)] == ""
    assert lot.done.kept[0] == "trunk-outside-zone"
    assert not lot.problem.is_allowed[:18].any() and lot.problem.is_allowed[39]


def test_only_the_part_of_a_crown_in_the_zone_is_taken():
    """A crown of 10 by 10 with half of it in a setback of 20 ft; its trunk stands just outside."""
    strip = Setback("side lines", "riparian-lines", 20.0, "invented")
    lot, *_ = lot_of(make_site([(20, 6, 10, 14)], length=80.0, setbacks=[strip]))
    assert volumes(lot)[(6, 10)] == pytest.approx(50 * 4, rel=0.1)
    assert lot.lot_foliage_ft3 == pytest.approx(100 * 14, rel=1e-4)


def test_borderline_trees_and_those_of_a_neighbour():
    """A-13: a trunk nearer to the lot's side line than its position error."""
    trees = [(1, 6, 4, 14), (30, 6, 4, 14)]
    site = dataclasses.replace(make_site(trees), trunks_rmse_ft=2.0)
    lot, *_ = lot_of(site)
    assert cuts(lot, 0)[(6, 10)] == "borderline" and cuts(lot, 1)[(6, 10)] == ""
    lot, *_ = lot_of(dataclasses.replace(site, trunks_rmse_ft=0.1))
    assert cuts(lot, 0)[(6, 10)] == ""


def test_plants_that_are_no_mangroves_are_not_treated():
    site = make_site(
        [(20, 6, 6, 14), (40, 6, 6, 14)], species=["Conocarpus erectus", "red mangrove"]
    )
    lot, view, _ = lot_of(site)
    assert cuts(lot, 0) == {} and cuts(lot, 1) != {}
    gone, after, _ = lot_of(site, remove_others=True)
    assert cuts(gone, 0) == {} and gone.stand.is_gone.tolist() == [True, False]
    assert gone.problem.elements.open_frac > lot.problem.elements.open_frac
    assert after.before_frac == pytest.approx(view.before_frac)


def test_a_tree_seen_in_part_only_is_left():
    site = make_site([(20, 6, 6, 14), (40, 6, 6, 14)], hole=(38, 0, 40, 20))
    lot, *_ = lot_of(site)
    assert set(cuts(lot, 1).values()) == {"height-unknown"} and cuts(lot, 0)[(6, 10)] == ""
    # a stick tells its height, but not what stands on the part that was not seen
    told = site.crowns.assign(field_height_ft=[np.nan, 14.0], field_height_error_ft=0.1)
    lot, *_ = lot_of(dataclasses.replace(site, crowns=told))
    assert set(cuts(lot, 1).values()) == {"height-unknown"}


def test_a_condition_that_is_not_met_keeps_every_tree():
    facts = {**PROFESSIONAL, "uses_herbicide": True}
    lot, *_ = lot_of(one(14.0, facts=facts))
    assert {bar for bar in cuts(lot).values() if bar != "floor"} == {"no-chemicals"}
    # what is not known keeps none, and is told once
    facts = {key: value for key, value in PROFESSIONAL.items() if key != "uses_herbicide"}
    lot, *_ = lot_of(one(14.0, facts=facts))
    assert cuts(lot)[(6, 10)] == ""
    assert sum("herbicide" in text for text in lot.done.told) == 1


def test_a_fringe_too_deep_keeps_every_tree():
    """M-06: 50 ft deep at most, trunk to trunk."""
    shallow = make_site([(30, 2, 4, 14), (30, 50, 4, 14)])
    deep = make_site([(30, 2, 4, 14), (30, 54, 4, 14)])
    assert cuts(lot_of(shallow)[0])[(6, 10)] == ""
    assert cuts(lot_of(deep)[0])[(6, 10)] == "fringe-depth"


def test_two_limits_that_keep_one_tree_have_one_name():
    lot, *_ = lot_of(one(30.0, keep=["nest"]))
    assert set(cuts(lot).values()) == {"keep and height-before"}
    assert set(lot.done.limits) >= {"keep", "height-before"}


def test_the_allowance_over_150_ft():
    """M-23 and X-08: 65 % over 150 ft; ten trees leave six, of a fringe 40 ft long 26 ft."""
    trees = [(10 + 15 * k, 6, 4, 14) for k in range(10)]
    long = lot_of(make_site(trees, length=160.0))[0].problem
    assert long.trees_max == 6
    assert long.length_max_ft == pytest.approx(0.65 * 40, rel=1e-3)
    assert long.area_max_ft2 == pytest.approx(0.65 * 160, rel=1e-4)
    short = lot_of(make_site(trees[:9], length=149.0))[0].problem
    assert (short.trees_max, short.length_max_ft, short.area_max_ft2) == (None, None, None)
    trees_only = lot_of(make_site(trees, length=160.0), share_measure_reading="trees")[0].problem
    assert (trees_only.trees_max, trees_only.length_max_ft) == (6, None)


def test_a_window_may_run_over_bare_shore_but_not_where_a_setback_lies():
    trees = [(10, 6, 6, 14), (40, 6, 6, 14)]
    assert lot_of(make_site(trees))[0].problem.is_allowed.all()
    strip = Setback("side lines", "riparian-lines", 20.0, "invented")
    allowed = lot_of(make_site(trees, setbacks=[strip]))[0].problem.is_allowed
    assert allowed.tolist() == [False] * 20 + [True] * 20 + [False] * 20


def test_stations_divide_each_stretch_evenly():
    lot, *_ = lot_of(one(14.0), station_step_ft=7.0)
    assert lot.problem.n_stations == 9  # 60 / 7 = 8.57
    assert lot.problem.station_length_ft == pytest.approx([60 * US_FT / 9] * 9)
    assert lot.problem.tree_station.tolist() == [4]  # 30 of 60
    assert lot.problem.is_break.tolist() == [True] + [False] * 8


def test_unanswered_facts_of_one_lot_are_those_of_that_lot():
    site = one(20.0)
    site = dataclasses.replace(site, facts=Facts(PROFESSIONAL, {"A": {"supervisor": "owner"}}))
    lot, *_ = lot_of(site)
    assert cuts(lot)[(6, 10)] == "height-before"


def test_open_questions_read_otherwise_reach_the_window():
    """A-07: a quarter a year from 16 ft or at any height; A-01: whom the 65 % bind."""
    site = one(14.0)
    assert lot_of(site, share_from_ft=500.0)[0].problem.share_max_frac[0] == pytest.approx(0.9)
    other = lot_of(site, share_from_ft=500.0, quarter_reading="any-height")[0]
    assert other.problem.share_max_frac[0] == pytest.approx(0.25)
    trees = [(10 + 15 * k, 6, 4, 14) for k in range(10)]
    long = make_site(trees, length=160.0)
    assert lot_of(long, share_cap_reading="owner-only")[0].problem.trees_max is None
    assert lot_of(long, share_cap_reading="owner-and-professional")[0].problem.trees_max == 6


TOWN = """
[file]
id = "town"
kind = "overlay"
title = "Town (invented)"
jurisdiction = "Town (invented)"
version = "1"

[rule.{name}]
words = "An own rule (invented)."
measure = "{measure}"
compare = "{compare}"
number = {number}
unit = "{unit}"
applies_to = "tree"
binds = "everyone"
routes = ["professional-exemption"]
effect = "condition"
section = "invented code 1"
confidence = "read in source"
read_on = "2026-11"
"""


def town(measure, compare, number, unit):
    return TOWN.format(name="own", measure=measure, compare=compare, number=number, unit=unit)


def test_a_local_rule_on_the_foliage_taken_in_all_bars_what_takes_more():
    """From 10 ft up 4 of 14 ft, from 12 ft 2 of 14: 0.286 and 0.143."""
    rule = town("foliage_removed_frac", "<=", 0.2, "frac")
    lot, *_ = lot_of(one(14.0, overlays=[rule]), lower_to_ft=(10.0, 12.0))
    assert cuts(lot)[(6, 10)] == cuts(lot)[(10, INF)] == "town:own"
    assert cuts(lot)[(12, INF)] == ""


def test_a_local_rule_on_the_lowest_foliage_bars_the_band_as_well():
    rule = town("cut_above_base_ft", ">=", 3.0, "ft")
    lot, *_ = lot_of(one(14.0, overlays=[rule], bases=[4.0], species=["white mangrove"]))
    assert cuts(lot)[(6, 10)] == "town:own" and cuts(lot)[(10, INF)] == ""


def test_the_tallest_tree_may_decide_for_all():
    """A-08, read the other way: one mangrove over 24 ft keeps every one."""
    site = make_site([(20, 6, 6, 14), (40, 6, 6, 30)])
    assert cuts(lot_of(site)[0], 0)[(6, 10)] == ""
    assert cuts(lot_of(site, cap_reading="tallest-tree")[0], 0)[(6, 10)] == "height-before"


def test_a_height_measured_in_the_field_goes_before_the_raster():
    site = one(14.0)
    taller = site.crowns.assign(field_height_ft=26.0, field_height_error_ft=0.1)
    lot, *_ = lot_of(dataclasses.replace(site, crowns=taller))
    assert cuts(lot)[(6, 10)] == "height-before"
    assert lot.foliage.top_ft[0] == 26.0


def test_what_the_floor_costs_is_told_of_trees_that_no_other_limit_keeps():
    site = make_site([(20, 6, 6, 14), (40, 6, 6, 14)], keep=["nest", None])
    lot, *_ = lot_of(site)
    assert set(cuts(lot, 0).values()) == {"keep"}
    assert cuts(lot, 1)[(6, INF)] == "floor"


def test_clearing_the_band_leaves_a_tree_alone_that_has_nothing_in_it():
    """Foliage from 11 to 20 ft only: no part of the band from 6 to 10, so it is not lowered."""
    site = make_site([(20, 6, 6, 20), (40, 6, 6, 14)], bases=[11.0, np.nan])
    lot, *_ = lot_of(site)
    is_open = np.ones(lot.problem.n_stations, dtype=bool)
    plan = window_plan.cleared(lot, is_open, 6.0, 10.0)
    assert plan.option_of[0] == -1 and lot.done.options.high_ft[plan.option_of[1]] == 10.0


def test_the_margin_and_what_grows_back_reach_the_share_each_tree_may_lose():
    site = one(14.0)
    assert lot_of(site, share_margin_frac=0.05)[0].problem.share_max_frac == pytest.approx([0.2])
    asked = {"stage_years": 2, "regrowth_frac": 0.2}
    lot, *_ = lot_of(site, **asked)
    assert lot.problem.share_max_frac == pytest.approx([1 - 0.9 * 0.75])
    words = _share_words(site, **asked, share_margin_frac=0.05)
    assert "20 % grown back" in words and "5 % under the yearly share" in words


def _share_words(site, **asked):
    return table(run(site, **asked), "window_limits").set_index("limit").loc["foliage-share"].words


def test_foliage_options_and_tables_see_the_height_that_limits_are_judged_by():
    """A-04: ground model reads 1.125 ft high: 15.2 ft are judged 16.325, of which 4 are cleared."""
    site = one(15.2)
    lot, *_ = lot_of(site, substrate_reading="ground-reads-high", stage_years=2)
    top = lot.stand.seen.top_ft[0]
    assert top == pytest.approx(16.325)
    assert lot.foliage.top_ft[0] == pytest.approx(top)
    assert volumes(lot)[(6.5, INF)] == pytest.approx(36 * (top - 6.5), rel=1e-4)
    results = run(site, substrate_reading="ground-reads-high", stage_years=2)
    row = table(results, "window_trees").iloc[0]
    assert row.top_height_ft == pytest.approx(top)
    assert row.removed_frac == pytest.approx(4 / top, rel=1e-4)


def test_where_a_crown_begins_to_hide_the_view_reaches_the_scene():
    """Foliage from 8 to 14 ft leaves half of the band of 6 to 10 ft open on its six stations."""
    site = one(14.0, bases=[8.0], species=["white mangrove"])
    _, view, _ = lot_of(site)
    assert view.before_frac == pytest.approx(1 - 0.5 * 6 / 60, abs=1e-4)
    _, view, _ = lot_of(site, hides_from="substrate")
    assert view.before_frac == pytest.approx(1 - 6 / 60, abs=1e-4)


def test_a_tree_cut_in_part_stands_as_tall_as_the_part_that_stays():
    """Half of the crown of 14 ft lies in a setback of 20 ft; the trunk stands just outside."""
    strip = Setback("side lines", "riparian-lines", 20.0, "invented")
    site = make_site([(20, 6, 10, 9), (50, 6, 6, 9)], length=80.0, setbacks=[strip])
    results = run(site, stage_years=9)
    rows = table(results, "window_trees").set_index("crown_id")
    assert rows["treatment"].tolist() == ["lower-top"] * 2 and rows["cut_low_ft"].eq(6.5).all()
    assert rows["height_after_ft"].tolist() == [pytest.approx(9.0), 6.5]
    told = [str(note) for note in results["window"].notes]
    assert any("least height: t1." in text for text in told)
    assert any("outside the zone and stays" in text and "t0" in text for text in told)


def test_a_cut_of_one_s_own_against_a_limit_names_it():
    """A nest, a tree over 24 ft, and 4 of 14 ft where a quarter is the most."""
    trees = [(15, 6, 6, 18), (30, 6, 6, 30), (45, 6, 6, 14), (55, 6, 4, 18)]
    site = make_site(trees, keep=["nest", None, None, None])
    results = run(site, window_spans_ft="5-60", window_treatment="clear-band")
    rows = table(results, "window_trees").set_index("crown_id")
    assert rows["bar"].tolist() == ["keep", "height-before", "foliage-share", ""]
    assert "nest" in rows.loc["t0", "why_left"] and "24" in rows.loc["t1", "why_left"]
    assert rows.loc["t3", "why_left"] == ""
    told = next(str(n) for n in results["window"].notes if "against a limit" in str(n))
    assert "cuts 3 trees" in told and "t0" in told and "nest" in told and "t3" not in told


def test_stations_that_a_crown_stands_along():
    """Crowns from 17.5 to 22.5 and from 22 to 26 of stations a foot long, and one apart."""
    lot, *_ = lot_of(make_site([(20, 6, 5, 14), (24, 16, 4, 14), (40, 6, 4, 14)]))
    start, station = lot.problem.cover_start, lot.problem.cover_station
    along = [station[a:b].tolist() for a, b in pairwise(start)]
    assert along == [[17, 18, 19, 20, 21, 22], [22, 23, 24, 25], [38, 39, 40, 41]]
    lot, *_ = lot_of(make_site([(20, 6, 5, 14), (40, 6, 4, 14)]), station_step_ft=10.0)
    assert lot.problem.cover_station.tolist() == [1, 2, 3, 4]  # 17.5 to 22.5, 38 to 42


def test_of_a_cut_that_takes_too_much_the_part_that_fits_is_on_the_menu():
    """Even foliage from the substrate: a quarter of 20 ft is 5 ft, of 16 ft 4 ft: all the band."""
    cut = cuts(lot_of(one(20.0))[0])
    assert (6, 10) in cut and not any(low == 6 and 6.5 <= high < 10 for low, high in cut)
    assert (15, INF) in cut  # 15 of 20 ft stay
    # of 9.5 ft, under a band of 5 to 9: 2.375 ft, so up to 7.375 and down to 7.125
    cut = cuts(lot_of(one(9.5, rmse_ft=0.0), band_ft=(5.0, 9.0))[0])
    assert (5, 7.3) in cut and (7.2, INF) in cut
    # with a quarter less 23 % hardly any of it fits, and less than half a foot is no window
    cut = cuts(lot_of(one(12.0), share_margin_frac=0.22)[0])
    assert [high for low, high in cut if low == 6 and high < INF] == [10]
    # tops go to the heights asked for and to no other
    cut = cuts(lot_of(one(14.0), lower_to_ft=(8.0, 11.0))[0])
    assert {low for low, high in cut if high == INF} == {8.0, 11.0}


def test_a_top_is_lowered_no_deeper_than_there_is_foliage_to_take():
    """Foliage begins at 9 ft: whatever is cut under it takes no more than a cut at 8 ft."""
    lot, *_ = lot_of(one(14.0, bases=[9.0], species=["white mangrove"]), least_kept_frac=0.0)
    assert min(low for low, high in cuts(lot) if high == INF) == 8.0
