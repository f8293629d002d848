"""Operation ``risks``: a plan held against heights drawn anew, with closed forms of the normal."""

from __future__ import annotations

from statistics import NormalDist

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import box

from geotrim.errors import GeotrimError
from geotrim.model import CanopyGrid, Facts, Result
from geotrim.ops.risks import risks
from geotrim.report.risks_text import risks_text

PHI = NormalDist().cdf
N = 4000
CRS = "EPSG:6438"  # NAD83(2011) / Florida East, feet
RED = "Rhizophora mangle"


def near(found, expected):
    """Within four standard errors of a share that is counted in N draws."""
    return abs(found - expected) <= 4.0 * np.sqrt(max(expected * (1 - expected), 1e-4) / N)


class Plan:
    """Level trees of 10 by 10 ft, solid from 4 ft up, cut as told."""

    def __init__(self, tops_ft, cuts, error_ft=0.4, way="professional-exemption", **told):
        n = len(tops_ft)
        ids = [f"T{k}" for k in range(n)]
        shapes = [box(20 * k, 0, 20 * k + 10, 10) for k in range(n)]
        self.crowns = gpd.GeoDataFrame(
            {"crown_id": ids, "species": RED, "base_height_ft": 4.0}, geometry=shapes, crs=CRS
        )
        grid = np.full((1, 2 * n), 0.0)
        grid[0, ::2] = tops_ft
        self.heights = CanopyGrid(grid, 0.0, 10.0, 10.0, rmse_ft=error_ft)
        trees = pd.DataFrame(
            {
                "lot_id": "A",
                "crown_id": ids,
                "is_mangrove": True,
                "top_height_ft": np.asarray(tops_ft, dtype=float),
                "height_error_ft": np.nan if error_ft is None else error_ft,
                "outcome_route": way,
            }
        )
        shares = pd.DataFrame(told.get("shares", []), columns=["lot_id", "route", "rule_id",
                                                               "share_frac"])  # fmt: skip
        self.route = Result("route", {"tree_outcomes": trees, "shares": shares})
        rows = [
            {"lot_id": "A", "crown_id": ids[k], "year": year + 1, "from_ft": low, "to_ft": high}
            for k, years in cuts.items()
            for year, (low, high) in enumerate(years)
        ]
        staged = pd.DataFrame(
            {
                "lot_id": "A",
                "crown_id": [ids[k] for k in cuts],
                "top_height_ft": [float(tops_ft[k]) for k in cuts],
                "removed_frac": [taken(tops_ft[k], years) for k, years in cuts.items()],
            }
        )
        columns = ["lot_id", "crown_id", "year", "from_ft", "to_ft"]
        tables = {"stage_trees": staged, "stage_cuts": pd.DataFrame(rows, columns=columns)}
        self.stages = Result("stages", tables, (), told.get("staged", {}))

    def run(self, **parameters):
        given = {
            "n_draws": N,
            "canopy_model": "crown-base",
            "facts": Facts({"supervisor": "professional"}),
            **parameters,
        }
        return risks(self.crowns, self.heights, route=self.route, stages=self.stages, **given)

    def limit(self, name, **parameters):
        table = self.run(**parameters)["risk_limits"]
        (row,) = table[table["limit"] == name].to_dict("records")
        return row


def taken(top_ft, years):
    """Share of a column from 4 ft to its top between the heights of all its cuts."""
    low = min(a for a, _ in years)
    high = max(top_ft if np.isnan(b) else b for _, b in years)
    return (min(high, top_ft) - max(low, 4.0)) / (top_ft - 4.0)


TOP = float("nan")  # the upper side of a cut of the top


def test_a_tree_near_the_cap_is_over_it_as_often_as_its_error_says():
    # 24 ft may not be exceeded: s. 403.9326(1)(b)2 F.S.
    row = Plan([23.6], {0: [(22.0, TOP)]}).limit("height-before")
    assert near(row["broken_frac"], PHI(-0.4 / 0.4))
    assert row["low_frac"] < row["broken_frac"] < row["high_frac"]
    assert row["n_broken_draws"] == round(row["broken_frac"] * N) and row["n_draws"] == N


def test_an_owner_keeps_10_ft_and_no_stages():
    # s. 403.9326(1)(a)2 F.S.
    plan = Plan([9.8], {0: [(8.0, TOP)]}, way="owner-exemption")
    found = plan.run(facts=Facts({"supervisor": "owner"}))["risk_limits"]
    (before,) = found[found["limit"] == "height-before"].to_dict("records")
    assert near(before["broken_frac"], PHI(-0.2 / 0.4))
    assert "yearly-share" not in set(found["limit"])  # the act stages from 16 ft, (b)3 alone


def test_the_floor_is_broken_by_the_stick_not_by_the_raster():
    row = Plan([14.0], {0: [(6.3, TOP)]}, error_ft=1.0).limit("floor", stick_error_ft=0.2)
    assert near(row["broken_frac"], PHI(-0.3 / 0.2))
    row = Plan([14.0], {0: [(6.3, TOP)]}, error_ft=1.0).limit("floor", stick_error_ft=0.0)
    assert row["broken_frac"] == 0.0


def test_a_quarter_to_the_letter_is_more_than_a_quarter_half_the_time():
    # 16 ft of crown, 4 ft off: (4 + e) / (16 + e) > 1/4 where e > 0
    row = Plan([20.0], {0: [(16.0, TOP)]}).limit("yearly-share", stick_error_ft=0.0)
    assert near(row["broken_frac"], 0.5)
    table = Plan([20.0], {0: [(16.0, TOP)]}).run(stick_error_ft=0.0)["risk_trees"]
    (tree,) = table.to_dict("records")
    e = 0.4 * NormalDist().inv_cdf(0.95)
    assert tree["share_high_frac"] == pytest.approx((4 + e) / (16 + e), abs=0.004)
    assert tree["is_stick_first"] and "read it by stick first" in tree["words"]


def test_a_band_counts_each_year_of_what_stands_then():
    # crown 4 to 20 ft, 6 to 10 cleared in two years: 2/16 and 2/14 of what stands, far under 1/4
    row = Plan([20.0], {0: [(6.0, 8.0), (8.0, 10.0)]}).limit("yearly-share")
    assert row["broken_frac"] == 0.0
    # all 4 ft at once, and crowns that are lower than they look: 4 / (16 + e) > 1/4 where e < 0
    row = Plan([20.0], {0: [(6.0, 10.0)]}).limit("yearly-share", stick_error_ft=0.0)
    assert near(row["broken_frac"], 0.5)


def test_a_tree_just_under_16_ft_is_staged_after_all_where_it_turns_out_taller():
    # 15.8 ft cut from 12 ft up: 3.8 of 11.8 ft in one year; the act stages from 16 ft on
    plan = Plan([15.8], {0: [(12.0, TOP)]})
    table = plan.run(stick_error_ft=0.0, share_from_ft=500.0)["risk_limits"]
    row = table.set_index("limit").loc["yearly-share"]
    assert near(row["broken_frac"], PHI(-0.2 / 0.4))
    both = plan.run(stick_error_ft=0.0)["risk_limits"].set_index("limit")["broken_frac"]
    low = PHI(-(0.85 / 0.75) / 0.4)  # 3.8 + e is no quarter of 11.8 + e where e < -0.85 / 0.75
    assert near(both["yearly-share-practice"], PHI(0.2 / 0.4) - low)  # what the act leaves
    assert near(both["any limit"], 1.0 - low)


def test_of_the_original_a_second_year_may_take_as_much_again():
    # 4 ft and 4 ft of 16: a quarter and a third of what stands, a quarter and a quarter of all
    cuts = {0: [(16.4, TOP), (12.8, TOP)]}
    plan = Plan([20.0], cuts)
    standing = plan.limit("yearly-share", stick_error_ft=0.0)
    original = plan.limit("yearly-share", stick_error_ft=0.0, foliage_reading="original")
    assert standing["broken_frac"] > 0.9
    # 3.6 + e of 16 + e over a quarter: e > 8/15 ft; 3.6 of 16 + e: e < -1.6 ft
    expected = PHI(-(0.4 / 0.75) / 0.4) + PHI(-1.6 / 0.4)
    assert near(original["broken_frac"], expected)


def test_part_of_a_crown_that_may_not_be_cut_is_not_counted():
    plan = Plan([20.0], {0: [(16.0, TOP)]})
    plan.stages["stage_trees"]["removed_frac"] = 0.125  # half of the crown lies in the zone
    assert plan.limit("yearly-share")["broken_frac"] == 0.0


def test_a_cap_that_counts_trees_over_6_ft_hangs_on_their_heights():
    # 65 % of trees taller than 6 ft: s. 403.9327(1)(a) F.S. Three trees over 6 ft for sure and one
    # at 6.2: of four two may be cut, of three one (1.95, rounded down)
    shares = [{"lot_id": "A", "route": "general-permit", "rule_id": "permit-share",
               "share_frac": 0.65}]  # fmt: skip
    plan = Plan(
        [12.0, 12.0, 12.0, 6.2], {0: [(10.0, TOP)], 1: [(10.0, TOP)]}, way="general-permit",
        shares=shares,
    )  # fmt: skip
    row = plan.limit("allowance-trees")
    assert near(row["broken_frac"], PHI(-0.2 / 0.4)) and row["n_trees"] == 2
    sure = Plan([12.0] * 4, {0: [(10.0, TOP)]}, way="general-permit", shares=shares)
    assert sure.limit("allowance-trees")["broken_frac"] == 0.0


def test_any_limit_breaks_at_least_as_often_as_each():
    found = Plan([20.0, 23.8], {0: [(16.0, TOP)], 1: [(19.0, TOP)]}).run()["risk_limits"]
    each = found[found["limit"] != "any limit"]["broken_frac"]
    whole = found[found["limit"] == "any limit"]["broken_frac"].iloc[0]
    assert each.max() <= whole <= min(each.sum(), 1.0)


def test_the_same_seed_gives_the_same_and_an_unstated_error_is_told():
    plan = Plan([20.0], {0: [(16.0, TOP)]}, error_ft=None)
    one, two = plan.run(), plan.run()
    assert one["risk_limits"].equals(two["risk_limits"])
    assert not one["risk_limits"].equals(plan.run(draw_seed=1)["risk_limits"])
    assert any("1.46 ft is taken" in note.text for note in one.notes)
    assert set(one["risk_trees"]["height_error_ft"]) == {1.46}


def test_nothing_cut_is_told_and_regrowth_is_not_drawn():
    idle = Plan([20.0], {})
    found = idle.run()
    assert not len(found["risk_limits"]) and not len(found["risk_trees"])
    assert "nothing is cut" in found.notes[0].text
    assert "Nothing is cut" in risks_text(None, {"risks": found})
    grows = Plan([20.0], {0: [(16.0, TOP)]}, staged={"regrowth_frac": 0.1}).run()
    assert "yearly-share" not in set(grows["risk_limits"]["limit"])
    assert any("regrowth" in note.text for note in grows.notes)


def printed(result):
    text = risks_text(None, {"risks": result})
    assert "legal" not in text.lower() and max(map(len, text.splitlines())) <= 80
    return " ".join(text.split())


def test_words_name_the_limit_the_tree_and_how_often():
    plan = Plan([20.0, 23.8], {0: [(16.0, TOP)], 1: [(22.0, TOP)]})
    text = printed(plan.run())
    assert "Lot A" in text and "T1 (23.8 ft, error 0.4)" in text
    first, other = text.split("Read by stick first:")[1].split("Too often, and no stick reading")
    assert "T1" in first and "T0" not in first and "T0" in other and "T1" not in other
    assert "read it by stick first" not in first
    text = printed(Plan([20.0], {0: [(16.0, TOP)]}).run(risk_frac=0.9))
    assert "No tree breaks a limit so often" in text and "Too often" not in text
    n = round(plan.run()["risk_trees"].query("crown_id == 'T0'")["broken_frac"].iloc[0] * N)
    assert f"plan a smaller share (share_margin_frac): T0 {n}; each of {N} draws" in " ".join(
        other.split()
    )
    many = Plan([20.0] * 22, {k: [(16.0, TOP)] for k in range(22)}).run(n_draws=50)
    assert ", and 2 more; each of 50 draws" in printed(many)
    many = Plan([23.8] * 22, {k: [(22.0, TOP)] for k in range(22)}).run(n_draws=200)
    assert "and 2 more, in the table risk_trees" in printed(many)


def test_of_ten_draws_the_words_count_ten():
    (row,) = Plan([20.0], {0: [(15.0, TOP)]}).run(n_draws=10)["risk_trees"].to_dict("records")
    n = round(row["broken_frac"] * 10)
    assert n >= 9 and f"more than the year's share taken in {n} of 10 draws" in row["words"]


@pytest.mark.parametrize("bad", [{"n_draws": 5}, {"stick_error_ft": -1.0}, {"risk_frac": 2.0}])
def test_a_parameter_outside_its_limits_is_refused_by_name(bad):
    with pytest.raises(GeotrimError, match=next(iter(bad))):
        Plan([20.0], {0: [(16.0, TOP)]}).run(**bad)


def test_a_cut_tree_that_is_under_6_ft_after_all_is_not_one_of_the_planned():
    shares = [{"lot_id": "A", "route": "general-permit", "rule_id": "permit-share",
               "share_frac": 0.65}]  # fmt: skip
    cuts = {k: [(10.0, TOP)] for k in (0, 1)} | {4: [(6.0, TOP)]}
    plan = Plan([12.0, 12.0, 12.0, 12.0, 6.2], cuts, way="general-permit", shares=shares)
    # over 6 ft: 3 of 5, 3.25 allowed; under: 2 of 4, 2.6 allowed
    assert plan.limit("allowance-trees")["broken_frac"] == 0.0


def test_a_window_keeps_the_limits_of_its_own_way():
    plan = Plan([9.8], {0: [(8.0, TOP)]}, way="professional-exemption")
    lots = pd.DataFrame([{"lot_id": "A", "way": "owner-exemption", "n_cut_trees": 1}])
    row = plan.limit("height-before", window=Result("window", {"window_lots": lots}))
    assert near(row["broken_frac"], PHI(-0.2 / 0.4)) and "(1)(a)2" in row["source"]
    none = Result("window", {"window_lots": lots.assign(n_cut_trees=0)})
    assert plan.limit("height-before", window=none)["broken_frac"] == 0.0


def test_often_enough_is_more_often_than_the_share_that_was_chosen():
    plan = Plan([30.0], {0: [(28.0, TOP)]}, error_ft=0.4)  # over 24 ft in every draw
    close = Plan([23.9], {0: [(22.0, TOP)]})  # PHI(-0.1 / 0.4) = 0.40 of the draws
    for risk, is_first in ((0.45, False), (0.35, True)):
        trees = close.run(risk_frac=risk)["risk_trees"]
        (row,) = trees[trees["limit"] == "height-before"].to_dict("records")
        assert row["is_stick_first"] == is_first and row["marks_only_frac"] == 0.0
        assert row["words"].endswith("read it by stick first") == is_first
    (row,) = plan.run()["risk_trees"].query("limit == 'height-before'").to_dict("records")
    assert row["broken_frac"] == row["marks_only_frac"] == 1.0 and not row["is_stick_first"]
    assert "plan another way for it" in row["words"]
    (row,) = (
        close.run(risk_frac=1.0)["risk_trees"].query("limit == 'height-before'").to_dict("records")
    )
    assert not row["is_stick_first"]


def test_where_the_marks_alone_break_it_as_often_a_stick_reading_is_not_asked_for():
    """16 ft of crown, 4 ft off: marks 0.2 ft off break it half of the time whatever is read."""
    result = Plan([20.0], {0: [(16.0, TOP)]}).run()
    (row,) = result["risk_trees"].to_dict("records")
    assert near(row["broken_frac"], 0.5) and near(row["marks_only_frac"], 0.5)
    assert not row["is_stick_first"]
    n = round(row["marks_only_frac"] * N)
    assert f"the marks alone: {n} of {N}: plan a smaller share (share_margin_frac)" in row["words"]
    told = [note.text for note in result.notes]
    assert any("1 tree (T0): a limit breaks in more than 5 %" in text for text in told)
    # under the floor by the marks: no height read better helps, a greater margin does
    (row,) = (
        Plan([14.0], {0: [(6.3, TOP)]})
        .run()["risk_trees"]
        .query("limit == 'floor'")
        .to_dict("records")
    )
    assert not row["is_stick_first"] and row["marks_only_frac"] == row["broken_frac"]
    assert "keep more over the floor (floor_margin_ft)" in row["words"]
    assert not any(
        "marks alone" in note.text for note in Plan([20.0], {0: [(18.0, TOP)]}).run().notes
    )


def test_less_often_is_beyond_chance():
    """Marks alone: (4 - 0.3 + s) of 16 ft over 1/4: s > 0.3 ft, with 0.2 ft PHI(-1.5) = 6.7 %.

    With the height's 0.4 ft too (3.7 + e - s) / (16 + e): 0.75 e - s > 0.3: sqrt(0.3^2 + 0.2^2).
    """
    plan = Plan([20.0], {0: [(16.3, TOP)]})
    (row,) = plan.run()["risk_trees"].to_dict("records")
    assert near(row["marks_only_frac"], PHI(-0.3 / 0.2))
    assert near(row["broken_frac"], PHI(-0.3 / np.hypot(0.75 * 0.4, 0.2)))
    assert row["is_stick_first"]  # 20 % against 7 % of 4000
    (row,) = plan.run(n_draws=10)["risk_trees"].to_dict("records")
    assert not row["is_stick_first"]  # of ten draws that is chance


def test_every_tree_that_is_cut_has_a_row():
    """T1 breaks nothing; T2 is not cut."""
    table = Plan([20.0, 20.0, 20.0], {0: [(16.0, TOP)], 1: [(19.5, TOP)]}).run()["risk_trees"]
    assert table["crown_id"].tolist() == ["T0", "T1"]
    row = table.iloc[1]
    assert (row["limit"], row["broken_frac"], row["marks_only_frac"]) == ("", 0.0, 0.0)
    assert not row["is_stick_first"] and row["words"] == "breaks no limit in any draw"
    assert row["top_height_ft"] == 20.0 and row["height_error_ft"] == 0.4
    assert table["is_stick_first"].isin([True, False]).all()


def test_a_bias_all_heights_share_is_told_as_not_drawn():
    notes = [note for note in Plan([20.0], {0: [(16.0, TOP)]}).run().notes if "bias" in note.text]
    assert len(notes) == 1 and notes[0].level == "assumed" and "calibrate" in notes[0].text
    assert "mean 0" in printed(Plan([20.0], {0: [(16.0, TOP)]}).run())


@pytest.mark.parametrize(("margin", "cut_ft"), [(0.0, 4.0), (0.03, 3.52)])
def test_a_margin_makes_a_broken_share_as_rare_as_the_closed_form_says(margin, cut_ft):
    """22 % of 16 ft is 3.52 ft: (3.52 + e) / (16 + e) > 1/4 where e > 0.48 / 0.75 = 0.64 ft."""
    row = Plan([20.0], {0: [(20.0 - cut_ft, TOP)]}).limit("yearly-share", stick_error_ft=0.0)
    assert near(row["broken_frac"], PHI(-(4.0 - cut_ft) / 0.75 / 0.4))


def test_where_trees_of_any_height_are_staged_the_share_is_the_acts():
    """A-07: 12 ft from 4 ft up, 2 ft off: a quarter, more where it is taller."""
    plan = Plan([12.0], {0: [(10.0, TOP)]})
    free = plan.run(stick_error_ft=0.0, share_from_ft=500.0)["risk_limits"]
    assert not {"yearly-share", "yearly-share-practice"} & set(free["limit"])
    plan.route = Result("route", plan.route.tables, (), {"quarter_reading": "any-height"})
    row = plan.limit("yearly-share", stick_error_ft=0.0, share_from_ft=500.0)
    assert near(row["broken_frac"], 0.5) and "A-07" in row["source"]
    table = plan.run(stick_error_ft=0.0)["risk_limits"]
    assert "yearly-share-practice" not in set(table["limit"])


PERMIT = [{"lot_id": "A", "route": "general-permit", "rule_id": "permit-share",
           "share_frac": 0.65}]  # fmt: skip


def test_a_cap_counts_what_route_counts():
    """Four over 6 ft for sure, two cut: 65 % of four is two. One fewer on the shore: one."""
    cuts = {k: [(10.0, TOP)] for k in (0, 1)}
    plan = Plan([12.0] * 4, cuts, way="general-permit", shares=PERMIT)
    assert plan.limit("allowance-trees")["broken_frac"] == 0.0
    stretch = ["s", "s", "s", None]
    places = pd.DataFrame({"crown_id": [f"T{k}" for k in range(4)], "stretch_id": stretch})
    fringe = Result("fringe", {"fringe_crowns": places})
    assert plan.limit("allowance-trees", fringe=fringe)["broken_frac"] == 1.0
    trees = plan.route["tree_outcomes"]
    trees["is_mangrove"] = pd.array([True, True, True, None], dtype="boolean")
    assert plan.limit("allowance-trees")["broken_frac"] == 1.0  # it raises no allowance
    trees["is_mangrove"] = pd.array([True, True, True, False], dtype="boolean")
    assert plan.limit("allowance-trees")["broken_frac"] == 1.0


def test_a_cut_tree_of_unknown_species_is_one_of_the_planned():
    """Four mangroves over 6 ft, two of them cut, and an unknown tree that is cut: three of two."""
    cuts = {k: [(10.0, TOP)] for k in (0, 1, 4)}
    plan = Plan([12.0] * 5, cuts, way="general-permit", shares=PERMIT)
    known = plan.limit("allowance-trees")
    assert known["broken_frac"] == 0.0  # 65 % of five is three
    plan.route["tree_outcomes"]["is_mangrove"] = pd.array([True] * 4 + [None], dtype="boolean")
    row = plan.limit("allowance-trees")
    assert row["broken_frac"] == 1.0 and row["n_trees"] == 3
    plan.route["tree_outcomes"]["is_mangrove"] = pd.array([True] * 4 + [False], dtype="boolean")
    assert plan.limit("allowance-trees")["broken_frac"] == 0.0  # no mangrove: no part of it


def test_foliage_stands_up_to_the_height_that_was_judged():
    """A-04 raises 18.875 ft by 1.125 to 20 ft: 4 of 16 ft are 25.0 %, broken half of the time.

    Of the raster's 14.875 ft the same mark at 16 ft takes 2.875 ft, 19.3 %.
    """
    plan = Plan([18.875], {0: [(16.0, TOP)]})
    for table in (plan.route["tree_outcomes"], plan.stages["stage_trees"]):
        table["top_height_ft"] = 20.0
    plan.stages["stage_trees"]["removed_frac"] = 0.25
    row = plan.limit("yearly-share", stick_error_ft=0.0)
    assert near(row["broken_frac"], 0.5)


def test_a_tree_that_may_be_under_16_ft_is_not_read_for_good_practice_alone():
    """16.05 ft, a quarter of 12.05 ft off: it breaks as often by the marks, by the act instead."""
    plan = Plan([16.05], {0: [(13.0375, TOP)]})
    rows = plan.run(n_draws=400)["risk_trees"].set_index("limit")
    practice, act = rows.loc["yearly-share-practice"], rows.loc["yearly-share"]
    assert practice["broken_frac"] > 0.05 and not practice["is_stick_first"]
    assert practice["marks_only_frac"] == act["marks_only_frac"] == pytest.approx(0.5, abs=0.1)
    assert not act["is_stick_first"]
    assert printed(plan.run(n_draws=400)).count("T0") == 1  # though it breaks two limits
    # at 15.9 ft a stick tells whether the act binds at all
    plan = Plan([15.9], {0: [(12.925, TOP)]})
    act = plan.run(n_draws=400)["risk_trees"].set_index("limit").loc["yearly-share"]
    assert act["marks_only_frac"] == 0.0 and act["is_stick_first"]
