"""Operation stages: from a plan to cuts year by year, with their limits, and in words.

Expected values are worked out by hand beside each test; limits are those of s. 403.9326(1)(b) F.S.
"""

from __future__ import annotations

import dataclasses
import datetime
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
import shapely

from geotrim.errors import RangeError
from geotrim.model import Facts, Result
from geotrim.ops.canopy import heights as heights_of
from geotrim.ops.catalogue_window import STAGES
from geotrim.ops.chain import measure, run_operation
from geotrim.ops.stage_plan import CutPlan, LotPlan
from geotrim.ops.stage_rules import stage_limits
from geotrim.ops.stages import stages as stages_of
from geotrim.report.stages_text import stages_text
from geotrim.rules.rule_file import read_overlay
from geotrim.rules.rule_set import rule_set
from tests import sites
from tests.test_canopy import SQUARE, flat, trees
from tests.test_profile_model import layers
from tests.test_route import PROFESSIONAL, lot_site

START = {"start_date": datetime.date(2028, 2, 29)}


@lru_cache(maxsize=1)
def plain():
    """The four trees of most tests, and their route, which those tests do not change."""
    site = four()
    return site, measure(site, ["route"])


def run(site=None, window=None, **options):
    """The stages of a site, after its route; a window only where one is handed in."""
    site, results = plain() if site is None else (site, None)
    site = dataclasses.replace(site, options={**site.options, **options})
    results = dict(results or measure(site, ["route"]))
    if window is not None:
        results["window"] = window
    results["stages"] = run_operation("stages", site, results)
    return site, results


def staged(site=None, window=None, **options):
    return run(site, window, **options)[1]["stages"]


def stages(crowns, grid, **more):
    """The operation by itself, after the heights it cannot do without."""
    return stages_of(crowns, grid, heights_of(crowns, grid), **more)


def four(heights_ft=(9.0, 15.99, 16.0, 20.0), target=7.0, facts=None, **more):
    """Flat-topped discs, their lowest leaves at 1 ft."""
    points = [(20.0 * k, 5.0) for k in range(1, len(heights_ft) + 1)]
    told = PROFESSIONAL | (facts or {})
    return lot_site(points, list(heights_ft), facts=told, target=target, **more)


def row(result, crown_id, table="stage_trees"):
    rows = result[table]
    return rows[rows["crown_id"] == crown_id].iloc[0]


def years_of(result, crown_id):
    rows = result["stage_cuts"]
    return rows[rows["crown_id"] == crown_id]


def told(result, level=None):
    return " ".join(str(n) for n in result.notes if level in (None, n.level))


def planned_window(lot_id="A", status="planned", way="professional-exemption", **trees_):
    """A result of the window by hand: crown -> (treatment, low, high)."""
    rows = [
        {
            "lot_id": lot_id, "crown_id": name, "species": "red mangrove", "station_ft": 1.0,
            "is_in_span": True, "treatment": treatment, "why_left": "", "top_height_ft": np.nan,
            "cut_low_ft": low, "cut_high_ft": high,
        }
        for name, (treatment, low, high) in trees_.items()
    ]  # fmt: skip
    lots = [{"lot_id": lot_id, "status": status, "reason": "too low a shore", "way": way}]
    columns = ["lot_id", "crown_id", "treatment", "cut_low_ft", "cut_high_ft", "top_height_ft"]
    table = pd.DataFrame(rows, columns=None if rows else columns)
    return Result("window", {"window_lots": pd.DataFrame(lots), "window_trees": table})


# --- years, heights, volumes


def test_sixty_percent_in_four_years_of_what_stands_or_three_of_the_original():
    """16 ft, leaves from 1 ft up, to 7 ft: 9 of 15 ft. Heights 1 + 15 x 0.75^n, then 7 ft."""
    found = staged()
    tree = row(found, "t2")
    assert tree["removed_frac"] == pytest.approx(0.6)
    assert (tree["n_standing_years"], tree["n_original_years"], tree["n_years"]) == (4, 3, 4)
    assert tree["is_reachable"] and tree["why"] == ""
    assert tree["height_after_ft"] == tree["reached_ft"] == tree["from_ft"] == 7.0
    assert np.isnan(tree["to_ft"]) and tree["treatment"] == "lower-top"
    cuts = years_of(found, "t2")
    assert cuts["year"].tolist() == [1, 2, 3, 4]
    expected = [*(1.0 + 15.0 * 0.75**n for n in (1, 2, 3)), 7.0]
    assert cuts["height_after_ft"].tolist() == pytest.approx(expected)
    assert cuts["from_ft"].tolist() == pytest.approx(expected) and cuts["to_ft"].isna().all()
    of_standing = cuts["removed_of_standing_frac"].tolist()
    assert of_standing == pytest.approx([0.25, 0.25, 0.25, 1.0 - 0.4 / 0.75**3])
    assert (1.0 - cuts["standing_frac"]).tolist()[:3] == pytest.approx([0.25, 0.4375, 0.578125])
    assert cuts["removed_of_original_frac"].sum() == pytest.approx(0.6)
    original = staged(foliage_reading="original")
    tree = row(original, "t2")
    assert (tree["n_standing_years"], tree["n_original_years"], tree["n_years"]) == (4, 3, 3)
    heights = years_of(original, "t2")["height_after_ft"].tolist()
    assert heights == pytest.approx([12.25, 8.5, 7.0])
    for result in (found, original):
        assert set(result["stage_cuts"]["canopy_model"]) == {"column"}
        assert set(result["stage_trees"]["canopy_model"]) == {"column"}
        lot = result["stage_lots"].iloc[0]
        assert (lot["n_cut_trees"], lot["n_unreachable_trees"], lot["reason"]) == (4, 0, "")
        assert lot["plan"] == "target-height"
    assert found["stage_lots"]["n_years"].tolist() == [5]  # 13 of 19 ft: ln 6/19 / ln 0.75 = 4.007


def test_what_comes_off_adds_up_to_what_slices_finds_over_the_target():
    _, results = run(four(), target_height_ft=8.0)
    cuts, table = results["stages"]["stage_cuts"], results["slices"]["slices"]
    by_tree = cuts.groupby("crown_id")["removed_ft3"].sum()
    for name, volume in zip(table["crown_id"], table["volume_above_target_ft3"], strict=True):
        assert by_tree[name] == pytest.approx(volume, rel=1e-9)
    lot = results["stages"]["stage_lots"].iloc[0]
    assert lot["removed_ft3"] == pytest.approx(table["volume_above_target_ft3"].sum())


def test_fifteen_ninety_nine_and_sixteen_feet():
    """M-28: 15.99 ft is under the act's stages, 16.00 ft is not; A-07: good practice is for all."""
    found = staged()
    assert row(found, "t1")["share_binds"] == "good practice"
    assert row(found, "t2")["share_binds"] == row(found, "t3")["share_binds"] == "act"
    assert row(found, "t0")["share_binds"] == "good practice"
    assert row(found, "t1")["n_years"] == 4 and row(found, "t1")["yearly_frac"] == 0.25
    act_only = staged(share_from_ft=16.0)
    tree = row(act_only, "t1")
    assert (tree["share_binds"], tree["n_years"], tree["yearly_frac"]) == ("", 1, 1.0)
    assert (tree["n_standing_years"], tree["n_original_years"]) == (1, 1)
    assert row(act_only, "t2")["share_binds"] == "act" and row(act_only, "t2")["n_years"] == 4
    assert row(act_only, "t2")["share_rule"] == "professional-stages"
    assert "too close" not in told(found) + told(act_only)


def test_a_height_too_close_to_sixteen_feet_keeps_the_share_and_says_so():
    """15.5 ft give or take 0.5 (1.96 x 0.5 = 0.98): whether it is 16 ft cannot be told."""
    found = staged(four((15.5, 12.0), rmse_ft=0.5), share_from_ft=16.0)
    assert row(found, "t0")["yearly_frac"] == 0.25 and row(found, "t1")["yearly_frac"] == 1.0
    assert row(found, "t0")["share_binds"] == "act"
    assert "1 tree (t0): too close to the height" in told(found, "assumed")
    # good practice asks for the same at any height, so a tree of 15.5 ft is told by that
    found = staged(four((15.5, 16.5), rmse_ft=0.5))
    assert found["stage_trees"]["share_binds"].tolist() == ["good practice", "act"]
    assert "2 trees (t0, t1): too close to the height" in told(found, "assumed")


def test_what_the_route_was_judged_by_holds_for_the_stages():
    """At 50 % confidence 15.5 give or take 0.34 ft is under 16 ft; A-07 may stage any height."""
    site = four((15.5,), rmse_ft=0.5)
    sure = staged(site, share_from_ft=16.0, confidence_frac=0.5)
    assert row(sure, "t0")["share_binds"] == "" and row(sure, "t0")["n_years"] == 1
    every = staged(four((9.0, 16.0)), share_from_ft=16.0, quarter_reading="any-height")
    assert every["stage_trees"]["share_binds"].tolist() == ["act", "act"]
    assert every["stage_trees"]["yearly_frac"].tolist() == [0.25, 0.25]


def test_a_stricter_local_share_and_a_local_rule_of_its_own():
    """20 % of what stands a year: ln 0.4 / ln 0.8 = 4.1, five years."""
    text = """
[file]
id = "cay"
kind = "overlay"
title = "Cay (invented)"
jurisdiction = "Cay (invented)"
version = "1"
[tighten.professional-stages]
number = 0.2
unit = "frac"
section = "c 1"
confidence = "read in source"
read_on = "2026-11"
[rule.small-trees]
words = "At most a tenth of the foliage of a tree of 12 ft or more a year."
measure = "yearly_removed_frac"
compare = "<="
number = 0.1
unit = "frac"
when = [{ measure = "top_height_ft", compare = ">=", number = 12.0, unit = "ft" },
        { measure = "is_red", compare = "==", number = 0.0, unit = "yes-no" }]
applies_to = "tree"
binds = "professional"
routes = ["professional-exemption"]
effect = "stages"
section = "c 2"
confidence = "read in source"
read_on = "2026-11"
"""
    kinds = ["red mangrove", "red mangrove", "white mangrove"]
    site = four((16.0, 9.0, 13.0), species=kinds, overlays=(read_overlay(text, "cay.toml"),))
    found = staged(site)
    tree = row(found, "t0")
    assert (tree["yearly_frac"], tree["share_binds"], tree["n_years"]) == (0.2, "act", 5)
    assert tree["n_original_years"] == 3  # 0.6 / 0.2
    assert row(found, "t1")["yearly_frac"] == 0.25
    tree = row(found, "t2")
    assert (tree["yearly_frac"], tree["share_binds"]) == (0.1, "local rule")
    assert tree["share_rule"] == "cay:small-trees"


# --- leaves


def profile_site(*tops, names=("c1", "c2"), base=np.nan):
    """Two flat squares of one height, of which the first may have a profile."""
    crowns = trees(SQUARE, shapely.box(20, 4, 30, 14), base_height_ft=base)
    return crowns, flat(16.0)


LEAVES_AT_THE_TOP = [(12.0, 16.0, 1.0)]


def test_leaves_at_the_top_bind_where_they_are_known():
    """Lowered to 14 ft: 12.5 % of a 16 ft column, one year; half of leaves at 12-16 ft, three.

    A quarter of what stands: 1 ft; 43.75 % is gone at 14.25 ft; then the rest (ln 0.5 / ln 0.75 =
    2.4). The tree without a profile goes by its canopy.
    """
    crowns, heights = profile_site()
    found = stages(crowns, heights, profiles=layers(c1=LEAVES_AT_THE_TOP), target_height_ft=14.0)
    one, two = row(found, "c1"), row(found, "c2")
    assert one["removed_frac"] == pytest.approx(0.125) and one["leaf_removed_frac"] == 0.5
    assert (one["n_canopy_years"], one["n_leaf_years"], one["n_years"]) == (1, 3, 3)
    assert (one["n_standing_years"], one["n_original_years"]) == (3, 2)
    cuts = years_of(found, "c1")
    assert cuts["height_after_ft"].tolist() == pytest.approx([15.0, 14.25, 14.0])
    leaf = cuts["leaf_of_standing_frac"].tolist()
    assert leaf == pytest.approx([0.25, 0.25, 0.0625 / 0.5625])
    assert cuts["removed_of_original_frac"].tolist() == pytest.approx([1 / 16, 0.75 / 16, 1 / 64])
    assert cuts["leaf_of_original_frac"].sum() == pytest.approx(0.5)
    assert np.isnan(two["leaf_removed_frac"]) and np.isnan(two["n_leaf_years"])
    assert two["n_years"] == 1 and two["is_reachable"]
    assert years_of(found, "c2")["leaf_of_standing_frac"].isna().all()
    assert "of 1 of 2 trees by leaf area as well" in told(found, "assumed")


def test_the_profile_as_canopy_model_needs_a_profile():
    crowns, heights = profile_site()
    how = {"profiles": layers(c1=LEAVES_AT_THE_TOP), "target_height_ft": 14.0}
    found = stages(crowns, heights, canopy_model="profile", **how)
    one, two = row(found, "c1"), row(found, "c2")
    assert one["canopy_model"] == "profile" and one["n_years"] == 3
    assert one["removed_frac"] == one["leaf_removed_frac"] == 0.5
    assert not two["is_reachable"] and two["n_years"] == 0 and "no profile" in two["why"]
    assert np.isnan(two["removed_frac"]) and np.isnan(two["n_standing_years"])
    assert two["height_after_ft"] == 16.0
    lot = found["stage_lots"].iloc[0]
    assert (lot["n_cut_trees"], lot["n_unreachable_trees"]) == (1, 1)
    chosen = found["stage_quarters"].query("is_chosen")
    assert chosen["canopy_model"].tolist() == ["profile", "profile"]
    assert chosen["cut_height_ft"].tolist()[0] == pytest.approx(15.0)
    with pytest.raises(RangeError, match="profiles"):
        stages(crowns, heights, canopy_model="profile", target_height_ft=14.0)


def test_leaves_move_with_a_height_measured_in_the_field():
    """Read 2 ft taller by stick: columns and leaves go up with it; to 16 ft is half the leaves."""
    crowns, heights = profile_site()
    crowns["field_height_ft"] = [18.0, np.nan]
    found = stages(crowns, heights, profiles=layers(c1=LEAVES_AT_THE_TOP), target_height_ft=16.0)
    one = row(found, "c1")
    assert one["top_height_ft"] == 18.0 and one["leaf_removed_frac"] == pytest.approx(0.5)
    assert one["removed_frac"] == pytest.approx(2.0 / 18.0)
    assert len(found["stage_trees"]) == 1


# --- the depth of a quarter


#: The fact sheet's table in section 5.4: H 16 ft, B 4 ft. (R drops out.)
QUARTER_CUTS = {
    "cylinder": 13.0000,
    "cone": 8.4405,
    "paraboloid": 10.0000,
    "half-ellipsoid": 10.6945,
    "ellipsoid": 12.0838,
    "neiloid": 7.5147,
}


@pytest.mark.parametrize("model", ["column", "crown-base", *QUARTER_CUTS])
def test_how_deep_a_quarter_is_under_every_canopy_model(model):
    """A flat top: the column that begins at its base is the cylinder."""
    crowns, heights = profile_site(base=4.0)
    how = {"profiles": layers(c1=LEAVES_AT_THE_TOP), "target_height_ft": 14.0}
    found = stages(crowns, heights, canopy_model=model, **how)["stage_quarters"]
    assert (found["share_frac"] == 0.25).all()
    one, two = (found[found["crown_id"] == name] for name in ("c1", "c2"))
    cut = one.set_index("canopy_model")["cut_height_ft"]
    for solid, height in QUARTER_CUTS.items():
        assert cut[solid] == pytest.approx(height, abs=5e-5)
    in_columns = model if model == "crown-base" else "column"
    assert cut[in_columns] == pytest.approx(13.0) and cut["profile"] == pytest.approx(15.0)
    assert set(cut.index) == {*QUARTER_CUTS, in_columns, "profile"}
    assert "profile" not in set(two["canopy_model"])
    for rows in (one, two):
        assert rows.loc[rows["is_chosen"], "canopy_model"].tolist() == [model]
        assert (rows["cut_depth_ft"] + rows["cut_height_ft"]).to_numpy() == pytest.approx(16.0)


def test_the_first_cut_of_a_quarter_is_that_of_the_table():
    crowns, heights = profile_site(base=4.0)
    for model, height in QUARTER_CUTS.items():
        found = stages(crowns, heights, canopy_model=model, target_height_ft=6.5)
        cuts = years_of(found, "c1")
        assert cuts["height_after_ft"].iloc[0] == pytest.approx(height, abs=5e-5)
        assert set(cuts["canopy_model"]) == {model}


def test_leaves_are_taken_down_to_the_substrate_where_no_base_is_known():
    crowns, heights = profile_site()
    found = stages(crowns, heights, target_height_ft=14.0)
    assert "2 trees (c1, c2): no height of the lowest foliage" in told(found, "assumed")
    known, _ = profile_site(base=4.0)
    assert "lowest foliage" not in told(stages(known, heights, target_height_ft=14.0))
    common = stages(crowns, heights, target_height_ft=14.0, crown_base_ft=4.0)
    assert "lowest foliage" not in told(common)
    assert row(common, "c1")["removed_frac"] == pytest.approx(2.0 / 12.0)


# --- what cannot be reached


def test_the_floor_is_over_the_target():
    """6 ft and the margin of 0.5 ft: 6.5 ft is the nearest; without a margin 6 ft is met."""
    found = staged(four(target=6.0))
    tree = row(found, "t2")
    assert not tree["is_reachable"] and tree["floor_ft"] == 6.5
    assert "6.0 ft is under the 6.5 ft that is kept (the floor of 6 ft and 0.5 ft" in tree["why"]
    assert "nearest: a height of 6.5 ft in 4 years" in tree["why"]
    assert tree["height_after_ft"] == 6.5 and tree["from_ft"] == 6.0
    assert tree["removed_frac"] == pytest.approx(10 / 15)
    assert tree["reached_frac"] == pytest.approx(9.5 / 15)
    assert (tree["n_standing_years"], tree["n_original_years"]) == (4, 3)  # 63.3 %
    assert found["stage_lots"]["n_unreachable_trees"].tolist() == [4]
    assert (found["stage_cuts"]["height_after_ft"] >= 6.5).all()
    bare = staged(four(target=6.0), floor_margin_ft=0.0)
    assert bare["stage_trees"]["is_reachable"].all()
    low = row(staged(four(target=5.0), floor_margin_ft=0.0), "t2")
    assert "5.0 ft is under the 6.0 ft that is kept (the floor of 6 ft);" in low["why"]
    short = row(staged(four((6.4, 9.0), target=6.0)), "t0")  # no taller than what is kept
    assert not short["is_reachable"] and short["n_years"] == 0
    assert short["why"].endswith("nothing can be cut") and short["height_after_ft"] == 6.4


def test_a_local_floor_goes_before():
    text = """
[file]
id = "cay"
kind = "overlay"
title = "Cay (invented)"
jurisdiction = "Cay (invented)"
version = "1"
[tighten.professional-height-after]
number = 8.0
unit = "ft"
section = "c 1"
confidence = "read in source"
read_on = "2026-11"
[tighten.permit-height-after]
number = 8.0
unit = "ft"
section = "c 1"
confidence = "read in source"
read_on = "2026-11"
"""
    found = staged(four(overlays=(read_overlay(text, "cay.toml"),)))
    assert row(found, "t2")["floor_ft"] == 8.5 and row(found, "t2")["height_after_ft"] == 8.5
    assert not found["stage_trees"]["is_reachable"].any()


def test_a_tree_keeps_a_tenth_of_its_foliage():
    """Leaves from 6.5 ft up, 10 ft tall, to 6.6 ft: 97 % would go; a tenth of 3.5 ft is kept."""
    crowns = trees(SQUARE, base_height_ft=6.5)
    found = stages(crowns, flat(10.0), target_height_ft=6.6)
    tree = row(found, "c1")
    assert not tree["is_reachable"] and tree["height_after_ft"] == pytest.approx(6.85)
    assert "it would take 97.1 % of the foliage, and at least 10 % is kept" in tree["why"]
    assert tree["why"].endswith("nearest: a height of 6.9 ft in 9 years")  # ln .1/ln .75 = 8.004
    assert (tree["n_standing_years"], tree["n_original_years"]) == (9, 4)
    whole = stages(crowns, flat(10.0), target_height_ft=6.5, least_kept_frac=0.0)
    tree = row(whole, "c1")
    assert not tree["is_reachable"] and "never reaches" in tree["why"] and tree["n_years"] == 25
    assert np.isnan(tree["n_standing_years"]) and tree["n_original_years"] == 4
    assert tree["height_after_ft"] > 6.5
    found = stages(
        crowns, flat(10.0), target_height_ft=6.5, least_kept_frac=0.0, foliage_reading="original"
    )
    assert row(found, "c1")["is_reachable"] and row(found, "c1")["n_years"] == 4


def test_too_few_years_and_regrowth_that_is_too_quick():
    short = row(staged(stage_limit_years=3), "t2")
    assert not short["is_reachable"] and short["n_years"] == 3
    assert "it takes more than 3 years" in short["why"]
    assert "nearest: a height of 7.4 ft in 3 years" in short["why"]  # 7.328 ft, rounded up
    assert np.isnan(short["n_standing_years"]) and short["n_original_years"] == 3
    quick = staged(regrowth_frac=0.4)
    tree = row(quick, "t2")
    assert "25 % a year cannot outrun a regrowth of 40 % between two cuts" in tree["why"]
    assert "nearest: a height of 12.3 ft in 1 year" in tree["why"]
    assert row(quick, "t0")["is_reachable"]  # a quarter: one cut does it
    assert "40 % of what stands is taken to grow back" in told(quick, "assumed")
    assert "no regrowth between two cuts is counted" in told(staged(), "assumed")


def test_regrowth_makes_the_plan_longer():
    """0.75^n 1.1^(n - 1) <= 0.4: n = 5 (0.75^4 1.1^3 = 0.421); the sums count what grew back."""
    found = staged(regrowth_frac=0.1)
    assert row(found, "t2")["n_years"] == 5
    cuts = years_of(found, "t2")
    assert cuts["standing_frac"].tolist()[:2] == pytest.approx([0.75, 0.75**2 * 1.1])
    assert cuts["removed_of_original_frac"].tolist()[1] == pytest.approx(0.75 * 1.1 * 0.25)
    assert cuts["removed_of_standing_frac"].max() <= 0.25 + 1e-9
    grown = 0.1 * cuts["standing_frac"].to_numpy()[:-1].sum()
    assert cuts["removed_of_original_frac"].sum() == pytest.approx(0.6 + grown)


# --- which trees


def test_the_window_goes_before_planned_heights_where_there_is_one():
    """A band of 6-10 ft in a 20 ft disc: 4 of 19 ft, one year; its top stays."""
    window = planned_window(
        t3=("clear-band", 6.0, 10.0), t2=("lower-top", 12.0, np.nan), t1=("leave", np.nan, np.nan)
    )
    found = staged(None, window)
    assert found["stage_trees"]["crown_id"].tolist() == ["t3", "t2"]
    band = row(found, "t3")
    assert band["removed_frac"] == pytest.approx(4 / 19) and band["n_years"] == 1
    assert band["height_after_ft"] == 20.0 and band["reached_ft"] == 10.0
    assert (band["from_ft"], band["to_ft"], np.isnan(band["floor_ft"])) == (6.0, 10.0, True)
    assert band["share_binds"] == "act"
    assert row(found, "t2")["height_after_ft"] == 12.0
    assert found["stage_lots"]["plan"].tolist() == ["window"]
    heights = staged(None, window, stage_plan="target-height")
    assert len(heights["stage_trees"]) == 4
    assert heights["stage_lots"]["plan"].tolist() == ["target-height"]
    none = planned_window(status="no window")
    assert staged(None, none)["stage_lots"]["plan"].tolist() == ["target-height"]
    asked = staged(None, none, stage_plan="window")
    assert asked["stage_lots"]["reason"].tolist() == ["too low a shore"]
    assert len(asked["stage_trees"]) == len(asked["stage_cuts"]) == 0
    own = staged(None, planned_window(status="own window", t3=("clear-band", 6.0, 10.0)))
    assert own["stage_trees"]["crown_id"].tolist() == ["t3"]


def test_a_band_that_takes_more_than_a_quarter_is_cleared_from_below():
    """6-14 ft of 19 ft: 8/19; a quarter is 4.75 ft, so 10.75 ft, then the rest."""
    found = staged(None, planned_window(t3=("clear-band", 6.0, 14.0)))
    cuts = years_of(found, "t3")
    assert cuts["from_ft"].tolist() == pytest.approx([6.0, 10.75])
    assert cuts["to_ft"].tolist() == pytest.approx([10.75, 14.0])
    assert cuts["height_after_ft"].tolist() == [20.0, 20.0]
    assert cuts["removed_of_original_frac"].sum() == pytest.approx(8 / 19)
    grown = staged(None, planned_window(t3=("clear-band", 6.0, 14.0)), regrowth_frac=0.1)
    assert years_of(grown, "t3")["from_ft"].tolist()[:2] == [6.0, 6.0]  # what grew back as well
    short = row(
        staged(None, planned_window(t3=("clear-band", 6.0, 14.0)), stage_limit_years=1), "t3"
    )
    assert "nearest: cleared from 6.0 to 10.7 ft in 1 year" in short["why"]


def test_only_what_stands_in_the_zone_is_taken_by_a_window():
    """Half of each disc lies in the zone: half of a band's share, and the years of that half."""
    site = four((20.0, 20.0))
    window = planned_window(t0=("clear-band", 2.0, 18.0), t1=("lower-top", 8.0, np.nan))
    results = measure(site, ["route", "zone"])
    zone = results["zone"]["zone"].copy()
    zone["geometry"] = [shapely.box(-50, 5, 150, 50)]
    results |= {"window": window, "zone": Result("zone", {"zone": zone})}
    found = run_operation("stages", site, results)
    whole = staged(site, window)
    band, top = row(found, "t0"), row(found, "t1")
    assert band["removed_frac"] == pytest.approx(16 / 19 / 2, rel=1e-6)
    assert top["removed_frac"] == pytest.approx(12 / 19 / 2, rel=1e-6)
    assert row(whole, "t0")["removed_frac"] == pytest.approx(16 / 19)
    # 25 % of the tree is half of its depth on this half: 9.5 ft of the band in the first year
    assert years_of(found, "t0")["to_ft"].tolist() == pytest.approx([11.5, 18.0], abs=1e-6)
    assert years_of(found, "t1")["from_ft"].tolist() == pytest.approx([10.5, 8.0], abs=1e-6)
    assert (found["stage_cuts"]["removed_of_standing_frac"] <= 0.25 + 1e-8).all()
    # the half that may not be cut stands as tall as before
    assert top["height_after_ft"] == 20.0 and top["reached_ft"] == pytest.approx(8.0)
    assert years_of(found, "t1")["height_after_ft"].tolist() == [20.0, 20.0]
    assert row(whole, "t1")["height_after_ft"] == 8.0
    heights = run_operation("stages", site, results, {"stage_plan": "target-height",
                                                      "target_height_ft": 8.0})  # fmt: skip
    assert row(heights, "t0")["removed_frac"] == pytest.approx(12 / 19)  # no window, no zone


def in_a_zone(site, window, zone_shape=None, **options):
    """The stages of a window, in a zone that leaves part of some crown out, or in none."""
    site = dataclasses.replace(site, options={**site.options, **options})
    results = measure(site, ["route", "zone"])
    if zone_shape is not None:
        zone = results["zone"]["zone"].copy()
        zone["geometry"] = [zone_shape]
        results["zone"] = Result("zone", {"zone": zone})
    else:
        del results["zone"]
    results["window"] = window
    return run_operation("stages", site, results)


@pytest.mark.parametrize("zone", [None, shapely.box(-50, -50, 42, 50)])
@pytest.mark.parametrize("model", ["column", "paraboloid"])
def test_foliage_stands_up_to_the_height_limits_are_judged_by(zone, model):
    """A-04 raises 15.5 ft by 1.125 ft: 2 ft off 15.625 ft, wherever a part of t1 is out of zone.

    A column: 2 / 15.625. A paraboloid's share above a cut h under its top: (h / H)^2.
    """
    window = planned_window(t0=("lower-top", 14.625, np.nan), t1=("lower-top", 14.625, np.nan))
    site = four((15.5, 15.5))
    found = in_a_zone(site, window, zone, substrate_reading="ground-reads-high", canopy_model=model)
    one = row(found, "t0")
    share = 2.0 / 15.625
    assert one["top_height_ft"] == 16.625
    assert one["removed_frac"] == pytest.approx(share if model == "column" else share**2)
    if zone is None:
        assert row(found, "t1")["removed_frac"] == pytest.approx(one["removed_frac"])
    else:  # of the disc about x = 40 what lies east of 42 is not cut
        assert row(found, "t1")["removed_frac"] < one["removed_frac"]
        assert row(found, "t1")["height_after_ft"] == pytest.approx(16.625)
    assert one["height_after_ft"] == 14.625
    cut = found["stage_quarters"].query("crown_id == 't0' and canopy_model == 'column'")
    assert cut["cut_height_ft"].tolist() == pytest.approx([1.0 + 15.625 * 0.75])


def test_the_part_that_may_not_be_cut_stands_as_tall_as_is_known():
    """Of a tree only the field knows, up to its top; cells of no data tell nothing."""
    site = four((0.0, 20.0))
    crowns = site.crowns.assign(field_height_ft=[16.0, np.nan], field_height_error_ft=0.1)
    grid = np.array(site.heights.height_ft)
    grid[112, 140] = np.nan  # one cell of t1, in the half that is not in the zone
    heights = dataclasses.replace(site.heights, height_ft=grid)
    site = dataclasses.replace(site, crowns=crowns, heights=heights)
    window = planned_window(t0=("lower-top", 12.0, np.nan), t1=("lower-top", 12.0, np.nan))
    window["window_trees"]["top_height_ft"] = [16.0, 20.0]
    found = in_a_zone(site, window, shapely.box(-50, -50, 150, 4.9))
    assert found["stage_trees"]["height_after_ft"].tolist() == [16.0, 20.0]
    assert set(years_of(found, "t0")["height_after_ft"]) == {16.0}
    assert set(years_of(found, "t1")["height_after_ft"]) == {20.0}


@pytest.mark.parametrize("zone", [None, shapely.box(-50, -50, 42, 50)])
def test_a_cut_of_more_than_a_quarter_takes_two_years_with_and_without_a_setback(zone):
    """To 12.3 ft of 16.625 ft: 27.7 % of 15.625 ft, two years; of the raster's 14.5 ft 22.1 %."""
    window = planned_window(t0=("lower-top", 12.3, np.nan), t1=("lower-top", 12.3, np.nan))
    found = in_a_zone(four((15.5, 15.5)), window, zone, substrate_reading="ground-reads-high")
    one = row(found, "t0")
    assert one["removed_frac"] == pytest.approx(4.325 / 15.625) and one["n_years"] == 2
    plain_ = in_a_zone(four((15.5, 15.5)), window, zone)
    assert row(plain_, "t0")["removed_frac"] == pytest.approx(3.2 / 14.5)
    assert row(plain_, "t0")["n_years"] == 1


def test_leaves_go_along_with_the_height_limits_are_judged_by():
    """Leaves at 12-16 ft stand at 13.125-17.125 ft: down to 15.125 ft is half of them."""
    site = dataclasses.replace(four((16.0,)), profiles=layers(t0=[(12.0, 16.0, 1.0)]))
    window = planned_window(t0=("lower-top", 15.125, np.nan))
    found = in_a_zone(site, window, substrate_reading="ground-reads-high")
    assert row(found, "t0")["leaf_removed_frac"] == pytest.approx(0.5)


def test_a_margin_plans_under_the_share_that_binds():
    """22 % where 25 % is the most: 16 ft is 1 + 15 x 0.78^n ft tall after n years."""
    site, results = run(share_margin_frac=0.03)
    found = results["stages"]
    tree = row(found, "t2")
    assert tree["yearly_frac"] == pytest.approx(0.22) and tree["share_limit_frac"] == 0.25
    assert (tree["share_binds"], tree["share_rule"]) == ("act", "professional-stages")
    expected = [*(1.0 + 15.0 * 0.78**n for n in (1, 2, 3)), 7.0]  # ln 0.4 / ln 0.78 = 3.69
    assert years_of(found, "t2")["height_after_ft"].tolist() == pytest.approx(expected)
    assert row(found, "t0")["share_binds"] == "good practice"
    text = " ".join(printed(site, results).split())
    assert "at most 22 % a year (25 % less a margin of 3 %; the act asks for it)" in text
    none = row(staged(share_from_ft=16.0, share_margin_frac=0.03), "t0")  # no share, no margin
    assert none["yearly_frac"] == none["share_limit_frac"] == 1.0
    assert "margin" not in printed(*run())
    close = staged(four((15.5, 16.5), rmse_ft=0.5), share_margin_frac=0.03)
    assert close["stage_trees"]["share_binds"].tolist() == ["good practice", "act"]


@pytest.mark.parametrize("margin", [0.25, 0.5])
def test_a_margin_that_leaves_nothing_of_a_share_is_refused(margin):
    with pytest.raises(RangeError, match=r"share_margin_frac.*0\.25.*smaller margin"):
        staged(share_margin_frac=margin)


def test_a_kept_tree_of_an_own_window_is_not_staged():
    """One by its mark, one by what was asked of the window (bar "keep", alone or with others)."""
    site = four((20.0, 20.0, 20.0, 20.0))
    site = dataclasses.replace(site, crowns=site.crowns.assign(keep=["nest", None, None, None]))
    cut = ("clear-band", 6.0, 10.0)
    window = planned_window(status="own window", t0=cut, t1=cut, t2=cut, t3=cut)
    bars = ["", "keep", "floor and keep", "floor"]
    window["window_trees"]["bar"] = bars
    found = staged(site, window)
    assert found["stage_trees"]["crown_id"].tolist() == ["t3"]
    assert set(found["stage_cuts"]["crown_id"]) == {"t3"}
    assert "3 of the window are to be kept (t0, t1, t2)" in told(found, "assumed")
    window["window_trees"]["bar"] = ["keep"] * 4
    found = staged(site, window)
    assert not len(found["stage_trees"])
    assert found["stage_lots"]["reason"].tolist() == ["every tree the window cuts is to be kept"]


def test_two_lots_each_with_its_own_plan_years_and_dates():
    """Lot A has a window, lot B planned heights; 12 of 19 ft: ln 7/19 / ln 0.75 = 3.5 years."""
    site = four((20.0, 9.0, 20.0, 12.0))
    crowns = site.crowns.assign(keep=[None, "a nest", None, "a nest"])
    lots = sites.lots([shapely.box(0, -90, 50, 0), shapely.box(50, -90, 100, 0)])
    facts = Facts(site.facts.everywhere, {"B": START})
    site = dataclasses.replace(site, lots=lots, crowns=crowns, facts=facts)
    one, other = (
        planned_window(lot_id="A", t0=("clear-band", 6.0, 10.0)),
        planned_window(lot_id="B", status="no window", t2=("clear-band", 6.0, 10.0)),
    )
    both = {n: pd.concat([one[n], other[n]]) for n in ("window_lots", "window_trees")}
    found = staged(site, Result("window", both), target_height_ft=8.0)
    table = found["stage_lots"].set_index("lot_id")
    assert table["plan"].tolist() == ["window", "target-height"]
    assert table["n_years"].tolist() == [1, 4] and table["n_cut_trees"].tolist() == [1, 1]
    assert found["stage_trees"]["lot_id"].tolist() == ["A", "B"]
    assert found["stage_trees"]["crown_id"].tolist() == ["t0", "t2"]
    assert found["stage_trees"]["treatment"].tolist() == ["clear-band", "lower-top"]
    assert table["removed_ft3"]["A"] / table["removed_ft3"]["B"] == pytest.approx(4 / 12, rel=1e-6)
    assert years_of(found, "t0")["date"].isna().all()
    assert years_of(found, "t2")["date"].iloc[0] == "2028-02-29"
    # only trees of lots that go by heights are told as left: t3, not t1
    assert "1 taller than the planned height are marked to be left" in told(found)
    by_window = staged(site, Result("window", both), stage_plan="window")
    assert by_window["stage_trees"]["crown_id"].tolist() == ["t0"]
    early = dataclasses.replace(
        site, facts=Facts(site.facts.everywhere | {"supervisor": "professional"}, {})
    )
    assert staged(early, Result("window", both))["stage_cuts"]["date"].isna().all()


def test_a_height_that_only_the_window_tells_is_used():
    """The raster shows the crown in part, so route has no top; the window's is taken."""
    site = four((20.0, 16.0))
    window = planned_window(t0=("lower-top", 12.0, np.nan))
    results = measure(site, ["route"])
    trees_ = results["route"]["tree_outcomes"].assign(top_height_ft=np.nan)
    tables = {**results["route"].tables, "tree_outcomes": trees_}
    window["window_trees"]["top_height_ft"] = 20.0
    results |= {"window": window, "route": dataclasses.replace(results["route"], tables=tables)}
    found = run_operation("stages", site, results)
    assert row(found, "t0")["top_height_ft"] == 20.0


def test_heights_that_sticks_corrected_are_the_ones_that_are_staged():
    """Four trees read 1 ft taller than the raster: each is staged from its corrected height."""
    heights = [9.0, 12.0, 16.0, 18.0]
    site = four(heights)
    read = sites.readings(list(site.crowns["crown_id"]), [h + 1.0 for h in heights])
    site = dataclasses.replace(site, readings=read)
    site, results = run(site, height_correction="bias")
    assert results["stages"]["stage_trees"]["top_height_ft"].tolist() == pytest.approx(
        [10.0, 13.0, 17.0, 19.0]
    )
    cuts = years_of(results["stages"], "t2")  # 1 + 16 x 0.75
    assert cuts["height_after_ft"].iloc[0] == pytest.approx(13.0)


def test_trees_that_are_chosen_kept_or_no_mangroves():
    kinds = ["red mangrove", "buttonwood", None, "white mangrove", "red mangrove"]
    site = four((12.0, 12.0, 12.0, 12.0, 6.9), species=kinds)
    crowns = site.crowns.assign(
        keep=["", None, None, "a nest", None], is_to_trim=[None, True, True, None, None]
    )
    found = staged(dataclasses.replace(site, crowns=crowns))
    assert found["stage_trees"]["crown_id"].tolist() == ["t0", "t2"]
    assert "1 taller than the planned height are known to be no mangroves" in told(found)
    assert "1 taller than the planned height are marked to be left" in told(found)
    crowns = site.crowns.assign(is_to_trim=[False, None, True, True, True])
    found = staged(dataclasses.replace(site, crowns=crowns))
    assert found["stage_trees"]["crown_id"].tolist() == ["t2", "t3"]


def test_without_a_plan_nothing_is_cut_and_the_reason_is_told():
    found = staged(four(target=None))
    lot = found["stage_lots"].iloc[0]
    assert lot["n_cut_trees"] == 0 and "no height is planned" in lot["reason"]
    for name, columns in STAGES.outputs.items():
        assert set(columns) <= set(found[name].columns)
        assert len(found[name]) == (name == "stage_lots")
    low = staged(four((6.0, 7.0)))
    assert "no tree is taller" in low["stage_lots"]["reason"].iloc[0]


def test_own_heights_go_before_the_common_one():
    site = four((16.0, 16.0))
    crowns = site.crowns.assign(target_height_ft=[13.0, np.nan])
    found = staged(dataclasses.replace(site, crowns=crowns))
    assert found["stage_trees"]["height_after_ft"].tolist() == [13.0, 7.0]


def test_without_a_route_trees_are_on_no_lot():
    crowns, heights = profile_site(base=1.0)
    found = stages(crowns, heights, target_height_ft=7.0, facts=Facts(START))
    assert found["stage_lots"]["lot_id"].tolist() == [None]
    assert found["stage_trees"]["lot_id"].tolist() == [None, None]
    rough = dataclasses.replace(heights, rmse_ft=1.0, height_ft=np.full((40, 40), 15.5))
    close = stages(crowns, rough, target_height_ft=7.0, share_from_ft=16.0)
    assert row(close, "c1")["yearly_frac"] == 0.25 and "too close" in told(close)
    assert row(found, "c1")["share_binds"] == "act" and row(found, "c1")["n_years"] == 4
    assert years_of(found, "c1")["date"].iloc[1] == "2029-03-01"


def test_a_crown_off_the_heights_is_not_staged():
    crowns = trees(SQUARE, shapely.box(100, 4, 110, 14), base_height_ft=1.0)
    found = stages(crowns, flat(16.0), target_height_ft=7.0)
    assert found["stage_trees"]["crown_id"].tolist() == ["c1"]


# --- dates, notes, what is refused


def test_dates_are_a_year_apart_and_unknown_without_a_start():
    found = staged(four(facts=START))
    assert years_of(found, "t2")["date"].tolist() == [
        "2028-02-29", "2029-03-01", "2030-03-01", "2031-03-01",
    ]  # fmt: skip
    assert "start_date" not in told(found)
    unknown = staged()
    assert unknown["stage_cuts"]["date"].isna().all()
    assert "start_date" in told(unknown, "missing")
    by_lot = dataclasses.replace(four(), facts=Facts(four().facts.everywhere, {"A": START}))
    assert staged(by_lot)["stage_cuts"]["date"].iloc[0] == "2028-02-29"


def test_years_that_were_planned_are_held_against_those_that_are_needed():
    found = staged(stage_years=4)
    assert "1 tree (t3): more years than the 4 years of stage_years" in told(found, "info")
    assert "stage_years" not in told(staged(stage_years=5))  # t3 needs just five


@pytest.mark.parametrize(
    ("options", "named"),
    [
        ({"stage_plan": "window"}, "window"),
        ({"regrowth_frac": -0.1}, "regrowth_frac"),
        ({"stage_limit_years": 0}, "stage_limit_years"),
        ({"least_kept_frac": 1.5}, "least_kept_frac"),
        ({"foliage_reading": "yearly"}, "foliage_reading"),
        ({"canopy_model": "cone"}, "base"),
    ],
)
def test_what_is_refused(options, named):
    crowns, heights = profile_site()
    with pytest.raises(RangeError, match=named):
        stages(crowns, heights, target_height_ft=14.0, **options)


# --- limits by way


def by_hand(ways, tops):
    k = len(ways)
    return CutPlan(
        lots=(LotPlan("A", "target-height"),),
        lot=np.zeros(k, dtype=np.int64),
        row=np.arange(k),
        way=np.array(ways, dtype=object),
        treatment=np.full(k, "lower-top", dtype=object),
        low_ft=np.full(k, 7.0),
        high_ft=np.full(k, np.inf),
        top_ft=np.array(tops, dtype=float),
        error_ft=np.zeros(k),
    )


def test_each_way_has_its_own_stages_and_floor():
    """Fact sheet 1.6: stages at (b), (c) and the general permit; none stated for (a) and (d)."""
    ways = ["owner-exemption", "professional-exemption", "earlier-configuration", "maintenance",
            "general-permit", "individual-permit", ""]  # fmt: skip
    plan = by_hand(ways, [20.0] * 7)
    crowns = pd.DataFrame({"species": ["red mangrove"] * 7})
    used = {"share_from_ft": 0.0, "floor_margin_ft": 0.5}
    found = stage_limits(plan, crowns, Facts({"earlier_height_ft": 4.0}), rule_set(), used)
    act, practice = "act", "good practice"
    assert found.binds.tolist() == [practice, act, act, practice, act, practice, act]
    assert found.yearly_frac.tolist() == [0.25] * 7
    assert found.floor_ft.tolist() == [6.5, 6.5, 4.5, 4.5, 6.5, 6.5, 6.5]
    of_lot = stage_limits(
        plan, crowns, Facts({}, {"A": {"earlier_height_ft": 5.0}}), rule_set(), used
    )
    assert of_lot.floor_ft.tolist()[2:4] == [5.5, 5.5]
    found = stage_limits(plan, crowns, Facts(), rule_set(), used | {"share_from_ft": 30.0})
    assert found.floor_ft.tolist() == [6.5] * 7
    assert found.binds.tolist() == ["", act, act, "", act, "", act]
    assert found.yearly_frac.tolist() == [1.0, 0.25, 0.25, 1.0, 0.25, 1.0, 0.25]


# --- a law


def test_no_plan_breaks_a_limit_it_was_given():
    """Random crowns under sloping tops: shares, floor, what is kept, and the sums."""
    rng = np.random.default_rng(5)
    for _ in range(12):
        n = int(rng.integers(1, 4))
        shapes = [shapely.box(10 * k + 1, 4, 10 * k + rng.uniform(3, 9), 14) for k in range(n)]
        base = rng.uniform(0.0, 5.0, n)
        crowns = trees(*shapes, base_height_ft=base)
        grid = flat(0.0)
        cells = rng.uniform(4.0, 24.0, (40, 40))
        grid = dataclasses.replace(grid, height_ft=cells)
        low = rng.uniform(0.0, 12.0, n)
        known = {f"c{k + 1}": [(low[k], low[k] + 6.0, 0.7), (low[k] + 6.0, 25.0, 0.3)]
                 for k in range(n) if rng.random() < 0.6}  # fmt: skip
        used = {
            "target_height_ft": float(rng.uniform(5.0, 15.0)),
            "regrowth_frac": float(rng.choice([0.0, 0.0, 0.2])),
            "foliage_reading": str(rng.choice(["standing-each-year", "original"])),
            "canopy_model": str(rng.choice(["column", "crown-base", "paraboloid"])),
            "profiles": layers(**known) if known else None,
        }
        found = stages(crowns, grid, **used)
        cuts, every = found["stage_cuts"], found["stage_trees"]
        assert (every["n_years"].sum() > 0) and (cuts["height_after_ft"] >= 6.5 - 1e-9).all()
        of = "removed_of_standing_frac", "leaf_of_standing_frac"
        if used["foliage_reading"] == "original":
            of = "removed_of_original_frac", "leaf_of_original_frac"
        for name in of:
            assert (cuts[name].dropna() <= 0.25 + 1e-8).all()
        assert (cuts["standing_frac"] >= 0.1 - 1e-9).all()
        assert (every["reached_frac"] <= every["removed_frac"] + 1e-9).all()
        assert every["n_standing_years"].notna().all() and every["n_original_years"].notna().all()
        if used["regrowth_frac"] == 0.0:
            sums = cuts.groupby("crown_id")[["removed_of_original_frac", "leaf_of_original_frac"]]
            sums = sums.sum(min_count=1).reindex(every["crown_id"])
            cut_any = every["n_years"].to_numpy() > 0
            for mine, name in zip(sums, ("reached_frac", "leaf_reached_frac"), strict=True):
                expected = every[name].to_numpy()[cut_any]
                assert sums[mine].to_numpy()[cut_any] == pytest.approx(expected, nan_ok=True)
        why = every.loc[~every["is_reachable"], "why"]
        assert why.str.len().gt(0).all() and every.loc[every["is_reachable"], "why"].eq("").all()


# --- in words


def printed(site, results):
    text = stages_text(site, results)
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "legal" not in text.lower()
    return text


def test_a_line_a_tree_with_the_years_across():
    text = printed(*run(four(facts=START)))
    assert "Lot A: 4 trees cut over 5 years, by the planned heights;" in text
    assert "canopy model column" in " ".join(text.split())
    lines = {line.split()[0]: line.split() for line in text.splitlines() if line.split()}
    # 12.25, 9.4375, 7.328 ft, each rounded up; 60 % in 4 years of what stands or 3
    assert lines["t2"] == ["t2", "16.00", "12.3", "9.5", "7.4", "7.0", "60", "%", "4/3"]
    assert lines["t1"][1] == "15.99" and lines["t0"][2:] == ["7.0", "25", "%", "1/1"]
    flat_text = " ".join(text.split())
    assert "not before: year 1 2028-02-29, year 2 2029-03-01" in flat_text
    assert "2 trees: at most 25 % a year (the act asks for it)" in flat_text
    assert "2 trees: at most 25 % a year (good practice asks for it)" in flat_text
    assert "of what stands at the start of each year, of canopy volume; no regrowth" in flat_text
    assert "25 % off the top of t3 (20.0 ft)" in flat_text
    # 1 + 19 x 0.75 = 15.25 ft, rounded up as a height to cut to is
    assert "column (used here) 15.3 ft" in flat_text and "neiloid 6.6 ft" in flat_text
    assert "Not as far as planned" not in text
    for caution in (STAGES.caution, "no target", "no permission", "active nests"):
        assert caution in flat_text


def test_bands_leaves_and_what_is_not_reached_in_words():
    site = four((20.0, 20.0), target=6.0)
    window = planned_window(t0=("clear-band", 6.0, 14.0), t1=("lower-top", 6.0, np.nan))
    site = dataclasses.replace(site, profiles=layers(t0=[(4.0, 20.0, 1.0)]))
    text = printed(*run(site, window, foliage_reading="original", regrowth_frac=0.05))
    flat_text = " ".join(text.split())
    assert "by the window" in text and "1 not as far as planned" in flat_text
    assert "Bands cleared under a kept top: cleared up to, ft" in text
    line = next(line for line in text.splitlines() if line.startswith("  t0"))
    # leaves at 4-20 ft: a quarter of 16 ft is 4 ft, by canopy 4.75 ft
    assert line.split()[1:3] == ["6.00", "10.0"]
    heads = [line.split()[1] for line in text.splitlines() if line.startswith("  tree ")]
    assert heads == ["now", "from"]
    assert "- t1: 6.0 ft is under the 6.5 ft that is kept" in flat_text
    assert "of leaf area where a profile is known (1 of 2)" in flat_text
    assert "of what stood before the first cut" in flat_text
    assert "regrowth 5 % between cuts" in flat_text
    assert "dates: unknown without start_date" in flat_text


def test_trees_that_miss_their_plan_for_one_reason_are_told_together():
    site, results = run(four(target=6.0))
    text = " ".join(printed(site, results).split())
    assert "- 4 trees (t0, t1, t2, t3): 6.0 ft is under the 6.5 ft that is kept" in text
    found = results["stages"]
    every = found["stage_trees"]
    many = pd.concat([every] * 3, ignore_index=True)
    many["why"] = [f"reason {k}; nearest: here" for k in range(12)]
    tables = {**found.tables, "stage_trees": many}
    told_ = printed(site, {"stages": dataclasses.replace(found, tables=tables)})
    assert "t1: reason 9; nearest: here" in told_ and "reason 10" not in told_
    assert "and 2 more, in the table stage_trees" in told_
    many["why"] = "one; nearest: here"
    told_ = printed(site, {"stages": dataclasses.replace(found, tables=tables)})
    assert "12 trees (t0, t1, t2, t3, t0, t1, t2, t3, ...): one" in told_


def test_long_plans_many_trees_and_many_lots_are_shortened():
    site = four([16.0] * 4, target=7.0)
    crowns = site.crowns.assign(crown_id=["a-very-long-name", "b", "c", "d"])
    trunks = site.trunks.assign(crown_id=crowns["crown_id"])
    site = dataclasses.replace(site, crowns=crowns, trunks=trunks)
    site, results = run(site, regrowth_frac=0.2)
    text = printed(site, results)
    assert "a-very-l~" in text and " +" in text and "year 6  in all" in text
    assert "later years are in the table stage_cuts" in " ".join(text.split())
    result = results["stages"]
    many = pd.concat(
        [result["stage_trees"].assign(crown_id=f"x{k}") for k in range(10)], ignore_index=True
    )
    cuts = pd.concat(
        [result["stage_cuts"].assign(crown_id=f"x{k}") for k in range(10)], ignore_index=True
    )
    tables = {**result.tables, "stage_trees": many, "stage_cuts": cuts}
    found = {"stages": dataclasses.replace(result, tables=tables)}
    assert "and 10 more, in the table stage_trees" in printed(site, found)
    lots = pd.concat([result["stage_lots"].assign(lot_id=f"L{k}") for k in range(6)])
    tables = {**result.tables, "stage_lots": lots}
    text = printed(site, {"stages": dataclasses.replace(result, tables=tables)})
    assert "Lot L5: 4 trees cut over" in text and "year 1" not in text


def test_nothing_to_tell():
    site, results = run(four(target=None))
    assert "Lot A: nothing to cut by the planned heights; no height is planned" in " ".join(
        printed(site, results).split()
    )
    assert stages_text(site, {}) == "No cut was spread over years."
    crowns, heights = profile_site(base=1.0)
    found = stages(crowns, heights, target_height_ft=7.0)
    assert "All trees: 2 trees cut over 4 years" in printed(site, {"stages": found})
