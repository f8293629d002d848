"""Operation route: from geometry, heights and facts to what comes out, by hand-built lots.

The limits are those of ss. 403.9325-403.9328 F.S.; the sources of single numbers stand beside the
rules' own tests. Here the way from a map to a verdict is checked.
"""

from __future__ import annotations

import dataclasses
import datetime

import geopandas as gpd
import numpy as np
import pytest
import shapely

from geotrim.model import CanopyGrid, Facts, Site
from geotrim.ops.chain import measure
from geotrim.rules.rule_file import read_overlay
from tests import sites

FT = sites.US_FT
#: What an owner of an ordinary lot would answer.
PLAIN_FACTS = {
    "supervisor": "owner",
    "controls_land": True,
    "is_uninhabited_island": False,
    "is_conservation_land": False,
    "is_mitigation_land": False,
    "uses_herbicide": False,
    "earlier_proof": "none",
    "was_lawfully_trimmed": False,
}
PROFESSIONAL = {"supervisor": "professional", "professional_credential": "certified-arborist"}


def disc(x, y, radius=4.0):
    return shapely.Point(x, y).buffer(radius, quad_segs=32)


def lot_site(
    points, heights_ft, *, species=None, width=100.0, facts=None, rmse_ft=0.0, target=6.0, **more
):
    """A lot on a straight shore along the x axis, land in the south, with trees at points.

    Every tree is a disc 4 map units wide under a flat top of its own height.
    """
    shapes = [disc(x, y) for x, y in points]
    grid = np.zeros((240, 400))
    for (x, y), height in zip(points, heights_ft, strict=True):
        row, col = int(120 - y), int(x + 100)
        grid[max(row - 6, 0) : row + 6, max(col - 6, 0) : col + 6] = height
    site = Site(
        name="by hand",
        crs=sites.FLORIDA_EAST_USFT,
        lots=sites.lots([shapely.box(0, -90, width, 0)]),
        mhw_line=sites.shore([(-500, 0), (900, 0)]),
        mhw_origin="survey",
        mhw_facts={"position_rmse_ft": 0.0},
        crowns=sites.crowns(shapes, species).assign(base_height_ft=1.0),
        trunks=sites.trunks(points),
        trunks_rmse_ft=0.0,
        heights=CanopyGrid(grid, west=-100.0, north=120.0, cell=1.0, rmse_ft=rmse_ft),
        facts=Facts(PLAIN_FACTS | (facts or {})),
        options={} if target is None else {"target_height_ft": target},
    )
    return dataclasses.replace(site, **more)


def routed(site):
    return measure(site, ["route"])["route"]


def tree(result, crown_id):
    rows = result["tree_outcomes"]
    return rows[rows["crown_id"] == crown_id].iloc[0]


def finding(result, rule_id, crown_id=None):
    rows = result["findings"]
    rows = rows[rows["rule_id"] == rule_id]
    mine = rows["crown_id"].isna() if crown_id is None else rows["crown_id"] == crown_id
    return rows[mine].iloc[0]


def way(result, route):
    rows = result["lot_routes"]
    return rows[rows["route"] == route].iloc[0]


def test_three_trees_take_three_ways():
    """9 ft: the owner; 20 ft: a professional; 30 ft: a general permit (M-21, M-26, M-55)."""
    found = routed(lot_site([(20, 5), (50, 5), (80, 5)], [9.0, 20.0, 30.0]))
    assert tree(found, "t0")["outcome_route"] == "owner-exemption"
    assert tree(found, "t0")["outcome_standing"] == "open"
    for name, route in (("t1", "professional-exemption"), ("t2", "general-permit")):
        assert tree(found, name)["outcome_route"] == route
        assert tree(found, name)["outcome_standing"] == "other plan"
    found = routed(lot_site([(20, 5), (50, 5), (80, 5)], [9.0, 20.0, 30.0], facts=PROFESSIONAL))
    ways = found["tree_outcomes"]["outcome_route"].tolist()
    assert ways == ["professional-exemption", "professional-exemption", "general-permit"]
    assert (found["tree_outcomes"]["outcome_standing"] == "open").all()


def test_depth_margin_and_distance_are_measured_on_the_map():
    """Trunks 20 apart square to the shore; the nearest stands 3 from the side limit."""
    site = lot_site([(50, -5), (50, 15), (3, 15)], [9.0, 9.0, 9.0])
    found = routed(site)
    depth = finding(found, "fringe-depth")
    assert depth["value"] == pytest.approx(20 * FT, abs=1e-6)
    assert depth["margin"] == pytest.approx(50 - 20 * FT, abs=1e-6)
    assert finding(found, "inside-limits", "t2")["value"] == pytest.approx(3 * FT, abs=1e-6)
    assert finding(found, "inside-limits", "t0")["value"] == pytest.approx(50 * FT, abs=1e-6)
    assert finding(found, "permit-distance", "t1")["value"] == pytest.approx(20 * FT, abs=1e-6)
    assert finding(found, "permit-distance", "t0")["value"] == pytest.approx(0.0, abs=1e-6)


def test_a_crown_over_the_side_limit_is_out_where_the_whole_crown_counts():
    """A-13: a disc of radius 4 whose trunk stands 3 inside reaches 1 beyond."""
    site = lot_site([(50, 5), (3, 5)], [9.0, 9.0])
    whole = dataclasses.replace(
        site, options={"target_height_ft": 6.0, "boundary_reading": "whole-crown"}
    )
    found = routed(whole)
    assert finding(found, "inside-limits", "t1")["value"] == pytest.approx(-1 * FT, abs=0.01)
    assert finding(found, "inside-limits", "t0")["value"] == pytest.approx(46 * FT, abs=0.01)
    assert tree(found, "t1")["owner_exemption"] == "closed"
    rows = routed(site)["readings"]
    told = rows[rows["setting"] == "boundary_reading"].iloc[0]
    assert told["is_changing"] and "closed instead of open for 1 tree" in told["changes"]


def test_a_trunk_within_its_error_of_the_limit_is_too_close():
    found = routed(lot_site([(50, 5), (3, 5)], [9.0, 9.0], trunks_rmse_ft=2.0))
    assert finding(found, "inside-limits", "t1")["verdict"] == "too close"
    assert finding(found, "inside-limits", "t0")["verdict"] == "met"
    assert tree(found, "t1")["owner_exemption"] == "depends"
    assert "survey" in tree(found, "t1")["settle"]


def test_a_height_within_its_error_of_a_cap_is_too_close():
    """D-19: 9.8 ft with an error of 0.5 ft against 10 ft."""
    found = routed(lot_site([(50, 5)], [9.8], rmse_ft=0.5))
    row = finding(found, "owner-height-before", "t0")
    assert row["verdict"] == "too close" and row["standard_error"] == 0.5
    assert row["settle"] == "height of t0: measure from the substrate"
    assert tree(found, "t0")["outcome_standing"] == "depends"


def test_heights_without_a_stated_error_get_the_published_one():
    """1.46 ft is 44.5 cm, the error of uncorrected ground in a USGS release (L-10)."""
    found = routed(lot_site([(50, 5), (20, 5)], [9.0, 6.5], rmse_ft=None))
    row = finding(found, "owner-height-before", "t0")
    assert row["standard_error"] == pytest.approx(44.5 / 30.48, abs=0.005)
    assert row["verdict"] == "too close"
    assert any("error is not stated" in note.text for note in found.notes)


def test_a_height_measured_in_the_field_goes_before_the_raster():
    """A-05: and under the other reading the raster's own height decides."""
    site = lot_site([(50, 5)], [9.0])
    crowns = site.crowns.assign(field_height_ft=[11.0], field_height_error_ft=[0.1])
    site = dataclasses.replace(site, crowns=crowns)
    found = routed(site)
    assert tree(found, "t0")["top_height_ft"] == 11.0
    assert tree(found, "t0")["height_source"] == "field"
    assert tree(found, "t0")["owner_exemption"] == "closed"
    rows = found["readings"]
    assert rows.loc[rows["setting"] == "substrate_place_reading", "is_changing"].all()


def test_a_crown_seen_in_part_has_no_height_to_judge():
    site = lot_site([(50, 5)], [9.0])
    grid = np.array(site.heights.height_ft)
    grid[110:116, 150:156] = np.nan
    site = dataclasses.replace(
        site, heights=CanopyGrid(grid, west=-100.0, north=120.0, cell=1.0, rmse_ft=0.0)
    )
    found = routed(site)
    assert finding(found, "owner-height-before", "t0")["verdict"] == "unknown"
    assert tree(found, "t0")["outcome_standing"] == "depends"


def test_land_set_aside_shuts_the_exemptions_of_the_trees_on_it_alone():
    """M-09: by polygon, though the facts say no."""
    area = gpd.GeoDataFrame(
        {"name": ["strip"], "kind": ["conservation"]},
        geometry=[shapely.box(60, -50, 200, 50)],
        crs=sites.FLORIDA_EAST_USFT,
    )
    found = routed(lot_site([(20, 5), (80, 5)], [9.0, 9.0], set_aside=area))
    assert tree(found, "t0")["owner_exemption"] == "open"
    assert tree(found, "t1")["owner_exemption"] == "closed"
    assert tree(found, "t1")["individual_permit"] == "depends"  # M-12: the intent asks for a check
    preserve = area.assign(kind="aquatic-preserve")  # M-40: alone takes nothing away
    found = routed(lot_site([(20, 5), (80, 5)], [9.0, 9.0], set_aside=preserve))
    assert (found["tree_outcomes"]["owner_exemption"] == "open").all()


def test_the_cap_counts_trees_length_and_area():
    """160 map units of shore: 65 % of 4 mangroves is 2; the buttonwood does not count."""
    points = [(20, 5), (50, 5), (80, 5), (110, 5), (140, 5)]
    names = ["red mangrove"] * 4 + ["buttonwood"]
    found = routed(lot_site(points, [9.0] * 5, species=names, width=160.0))
    cap = found["shares"].set_index("rule_id").loc["owner-share"]
    assert bool(cap["is_binding"]) and cap["share_frac"] == 0.65
    assert (cap["n_counted_trees"], cap["n_allowed_trees"]) == (4, 2)
    assert cap["counted_length_ft"] == pytest.approx(4 * 8 * FT, rel=0.01)  # four discs 8 wide
    assert cap["counted_area_ft2"] == pytest.approx(4 * np.pi * 16 * FT**2, rel=0.01)
    assert cap["allowed_area_ft2"] == pytest.approx(0.65 * cap["counted_area_ft2"])


@pytest.mark.parametrize(("chosen", "verdict"), [(2, "met"), (3, "not met")])
def test_a_plan_is_held_against_the_cap(chosen, verdict):
    """Two of four mangroves are 50 %, three are 75 %."""
    site = lot_site([(20, 5), (50, 5), (80, 5), (110, 5)], [9.0] * 4, width=160.0)
    to_trim = [k < chosen for k in range(4)]
    site = dataclasses.replace(site, crowns=site.crowns.assign(is_to_trim=to_trim))
    found = routed(site)
    row = finding(found, "owner-share")
    assert row["value"] == pytest.approx(chosen / 4, rel=0.01) and row["verdict"] == verdict
    left = found["tree_outcomes"]["outcome_standing"].tolist()
    assert left == ["open"] * chosen + ["not cut"] * (4 - chosen)


def test_a_tree_no_taller_than_planned_is_not_cut():
    found = routed(lot_site([(20, 5), (50, 5)], [5.0, 9.0]))
    assert tree(found, "t0")["outcome_standing"] == "not cut"
    assert found["lot_outcomes"]["outcome_words"].iloc[0] == (
        "Owner exemption open for 1 tree; nothing is cut for 1 tree."
    )


def test_stages_follow_from_height_and_share():
    """20 ft down to 12 ft takes 8 of the 19 ft above the base: two years (1 - 0.75^2 = 43.75 %)."""
    site = lot_site([(20, 5), (50, 5)], [20.0, 15.0], facts=PROFESSIONAL, target=12.0)
    found = routed(site)
    assert tree(found, "t0")["removed_frac"] == pytest.approx(8 / 19)
    assert tree(found, "t0")["n_stage_years"] == 2 and bool(tree(found, "t0")["is_staged"])
    assert tree(found, "t1")["n_stage_years"] == 1 and not bool(tree(found, "t1")["is_staged"])
    assert finding(found, "professional-stages", "t0")["verdict"] == "not met"  # in one year
    two = dataclasses.replace(site, options={"target_height_ft": 12.0, "stage_years": 2})
    assert finding(routed(two), "professional-stages", "t0")["verdict"] == "met"


def test_a_notice_has_a_day_on_which_it_is_due():
    """M-29: ten days before the start; D-17: seven days are three short."""
    dates = {
        "is_first_red_trim": True,
        "notice_date": datetime.date(2027, 1, 8),
        "start_date": datetime.date(2027, 1, 15),
    }
    found = routed(lot_site([(50, 5)], [18.0], facts=PROFESSIONAL | dates, target=14.0))
    row = found["notices"].set_index("rule_id").loc["professional-red-notice"]
    assert (row["due"], row["short_days"], row["verdict"]) == ("2027-01-05", 3.0, "not met")
    assert tree(found, "t0")["outcome_standing"] == "open"
    found = routed(
        lot_site([(50, 5)], [18.0], species=["white mangrove"], facts=PROFESSIONAL | dates)
    )
    row = found["notices"].set_index("rule_id").loc["professional-red-notice"]
    assert not bool(row["is_binding"])


def test_an_overlay_tightens_and_is_named():
    """M-92: on an exemption it asks for a check, on a permit it closes."""
    text = """
        [file]
        id = "cay-town"
        kind = "overlay"
        title = "Rules of Cay Town (invented)"
        jurisdiction = "Cay Town (invented)"
        version = "1"
        [tighten.owner-height-after]
        number = 8.0
        unit = "ft"
        section = "invented code 4"
        confidence = "read in source"
        read_on = "2026-11"
        [tighten.permit-height-after]
        number = 8.0
        unit = "ft"
        section = "invented code 4"
        confidence = "read in source"
        read_on = "2026-11"
    """
    site = lot_site([(50, 5)], [9.0], overlays=(read_overlay(text, "cay.toml"),))
    found = routed(site)
    assert way(found, "owner-exemption")["status"] == "depends"
    row = finding(found, "owner-height-after", "t0")
    assert row["limit"] == "at least 8 ft" and row["is_local"] and row["verdict"] == "not met"
    found = routed(dataclasses.replace(site, facts=Facts(PLAIN_FACTS | PROFESSIONAL)))
    assert way(found, "general-permit")["status"] == "closed"


def test_without_crowns_heights_or_facts_nothing_is_open():
    bare = {"crowns": None, "trunks": None, "heights": None, "facts": None}
    site = dataclasses.replace(lot_site([(50, 5)], [9.0]), **bare)
    found = routed(site)
    assert set(found["lot_routes"]["status"]) == {"depends", "closed"}
    assert (found["lot_routes"].query("route != 'none'")["status"] == "depends").all()
    row = found["lot_outcomes"].iloc[0]
    assert row["shoreline_length_ft"] == pytest.approx(100 * FT)
    assert row["n_trees"] == 0 and "no tree" in row["reason"]
    assert len(found["tree_outcomes"]) == 0
    assert "supervisor" in set(found["questions"]["fact"])


def test_a_lot_without_shore_is_a_row_with_a_reason():
    site = lot_site([(50, 5)], [9.0])
    inland = sites.lots([shapely.box(0, -90, 100, 0), shapely.box(0, -400, 100, -300)])
    found = routed(dataclasses.replace(site, lots=inland))
    row = found["lot_outcomes"].set_index("lot_id").loc["B"]
    assert "no frontage" in row["reason"] and np.isnan(row["shoreline_length_ft"])
    assert "No shore was found" in row["outcome_words"]
    statuses = found["lot_routes"].query("lot_id == 'B'")["status"]
    assert "open" not in set(statuses)


def test_an_empty_layer_of_crowns_is_no_error():
    site = lot_site([(50, 5)], [9.0])
    empty = site.crowns.iloc[:0]
    found = routed(dataclasses.replace(site, crowns=empty, trunks=None))
    assert found["lot_outcomes"]["n_trees"].tolist() == [0]


def test_facts_of_one_lot_go_before_those_of_all():
    site = lot_site([(50, 5)], [9.0])
    told = Facts(PLAIN_FACTS, {"A": {"uses_herbicide": True}})
    found = routed(dataclasses.replace(site, facts=told))
    assert way(found, "none")["status"] == "open"  # D-16: a chemical shuts every way


def test_a_parcel_with_several_units_and_a_delegated_government_are_told():
    more = {"is_multifamily": True, "n_units": 4, "local_government": "Pinellas County"}
    found = routed(lot_site([(50, 5)], [9.0], facts=more | {"is_aquatic_preserve": True}))
    text = " ".join(note.text for note in found.notes)
    assert "4 units: 25.0 ft of shoreline each" in text
    assert "Pinellas County is delegated" in text and "aquatic preserve alone" in text


def test_the_smoothed_shore_is_shorter_where_the_shore_winds():
    """A-03. X-07's sine over 150 ft is 163.86 ft long; over 140 ft it is over 150 ft too.

    Straight, and smoothed over 50 ft, which is its period, the same shore is under 150 ft.
    """
    x = np.linspace(-200, 350, 2201)
    line = np.stack([x, 5 * np.sin(2 * np.pi * x / 50)], axis=1)
    site = dataclasses.replace(
        lot_site([(75, 12)], [9.0]),
        lots=sites.lots([shapely.box(0, -90, 140, 8)]),
        mhw_line=sites.shore(line),
    )
    found = routed(site)
    seen = found["readings"].query("setting == 'shoreline_reading'")
    assert set(seen["other"]) == {"smoothed", "chord"}
    assert 152 < found["lot_outcomes"]["shoreline_length_ft"].iloc[0] < 153.5
    assert 139 < found["lot_outcomes"]["shoreline_chord_ft"].iloc[0] < 141
    assert seen["changes"].str.contains("cap of the owner exemption: none instead of 65 %").all()


def test_without_a_choice_the_plan_cuts_what_is_taller_than_it_is_to_be_left():
    """Three of four mangroves are over 6 ft: 75 % against the cap of 65 %."""
    site = lot_site([(20, 5), (50, 5), (80, 5), (110, 5)], [9.0, 9.0, 9.0, 5.0], width=160.0)
    row = finding(routed(site), "owner-share")
    assert row["value"] == pytest.approx(0.75) and row["verdict"] == "not met"
    none = finding(routed(dataclasses.replace(site, options={})), "owner-share")
    assert none["verdict"] == "unknown" and "which trees are to be trimmed" in none["settle"]


def test_of_unknown_species_those_that_are_cut_count_for_the_cap():
    """Two reds, one of them cut, and an unknown tree that is cut: at most 2 of 3."""
    site = lot_site(
        [(20, 5), (50, 5), (80, 5)],
        [9.0, 9.0, 9.0],
        species=["red mangrove", "red mangrove", None],
        width=160.0,
    )
    crowns = site.crowns.assign(is_to_trim=[True, False, True])
    row = finding(routed(dataclasses.replace(site, crowns=crowns)), "permit-share")
    assert row["value"] == pytest.approx(2 / 3)


def test_where_two_stretches_meet_there_is_no_side_limit():
    """A corner lot: its trunk near the corner stands far from both ends of the run."""
    site = lot_site([(102, 3)], [9.0], trunks_rmse_ft=3.0)
    corner = dataclasses.replace(site, mhw_line=sites.shore([(-500, 0), (100, 0), (100, -500)]))
    row = finding(routed(corner), "inside-limits", "t0")
    assert row["value"] == pytest.approx(93 * FT, abs=0.2) and row["verdict"] == "met"


def test_a_shore_all_round_has_no_side_limit():
    ring = [(0, -90), (100, -90), (100, 0), (0, 0), (0, -90)]
    site = dataclasses.replace(lot_site([(50, 5)], [9.0]), mhw_line=sites.shore(ring))
    found = routed(site)
    row = finding(found, "inside-limits")
    assert row["verdict"] == "met" and np.isnan(row["value"])
    assert tree(found, "t0")["owner_exemption"] == "open"


@pytest.mark.parametrize(("width", "is_capped"), [(150.0, False), (150.02, True)])
def test_a_lot_of_150_survey_feet_is_at_the_limit(width, is_capped):
    """M-23: 150 US survey feet are 150.0003 ft; a fiftieth of a foot more is over."""
    found = routed(lot_site([(50, 5)], [9.0], width=width))
    assert bool(found["shares"].set_index("rule_id").loc["owner-share", "is_binding"]) is is_capped


def test_what_a_cut_takes_follows_the_height_that_decides():
    """Field 20 ft where the raster says 11: down to 12 ft takes 8 of the 19 ft above the base."""
    site = lot_site([(50, 5)], [11.0], facts=PROFESSIONAL, target=12.0)
    crowns = site.crowns.assign(field_height_ft=[20.0], field_height_error_ft=[0.0])
    row = tree(routed(dataclasses.replace(site, crowns=crowns)), "t0")
    assert row["removed_frac"] == pytest.approx(8 / 19) and row["n_stage_years"] == 2
    raised = {"target_height_ft": 12.0, "substrate_reading": "ground-reads-high"}
    site = lot_site([(50, 5)], [11.5], facts=PROFESSIONAL)
    row = tree(routed(dataclasses.replace(site, options=raised)), "t0")
    assert row["removed_frac"] == pytest.approx(0.625 / 11.625)


def test_without_the_lowest_foliage_nothing_is_open():
    """M-04: a cut at 6 ft may take all of it; a base for all crowns settles that."""
    site = lot_site([(50, 5)], [9.0])
    bare = dataclasses.replace(site, crowns=site.crowns.assign(base_height_ft=np.nan))
    row = tree(routed(bare), "t0")
    assert row["owner_exemption"] == "depends"
    assert row["settle"] == "height of the lowest foliage of t0"
    for base, status in ((5.0, "open"), (6.0, "closed")):
        options = {"target_height_ft": 6.0, "crown_base_ft": base}
        row = tree(routed(dataclasses.replace(bare, options=options)), "t0")
        assert row["owner_exemption"] == status


def test_a_fringe_that_is_too_deep_only_with_unknown_trees_is_not_told():
    """Trunks 55 apart, the inner one of unknown species: 0 or 55 ft deep."""
    site = lot_site([(50, -30), (50, 25)], [9.0, 9.0], species=[None, "red mangrove"])
    row = finding(routed(site), "fringe-depth")
    assert row["value"] == pytest.approx(55 * FT) and row["verdict"] == "unknown"
    assert "species" in row["settle"]
    known = lot_site([(50, -30), (50, 25)], [9.0, 9.0])
    assert finding(routed(known), "fringe-depth")["verdict"] == "not met"


def test_a_share_that_hangs_on_unknown_trees_is_not_told():
    """One red that stays, three unknown of which two are cut: from nothing to two of three."""
    points = [(20, 5), (50, 5), (80, 5), (110, 5)]
    names = ["red mangrove", None, None, None]
    site = lot_site(points, [9.0] * 4, species=names, width=160.0)
    crowns = site.crowns.assign(is_to_trim=[False, True, True, False])
    row = finding(routed(dataclasses.replace(site, crowns=crowns)), "owner-share")
    assert row["value"] == pytest.approx(2 / 3) and row["verdict"] == "unknown"


def test_a_tree_by_the_edge_of_land_set_aside_is_too_close():
    """Trunk 1 outside, with an error of 2 ft."""
    area = gpd.GeoDataFrame(
        {"name": ["strip"], "kind": ["conservation"]},
        geometry=[shapely.box(51, -50, 200, 50)],
        crs=sites.FLORIDA_EAST_USFT,
    )
    site = lot_site([(50, 5), (20, 5)], [9.0, 9.0], set_aside=area, trunks_rmse_ft=2.0)
    found = routed(site)
    assert tree(found, "t0")["owner_exemption"] == "depends"
    assert "conservation land" in tree(found, "t0")["settle"]
    assert tree(found, "t1")["owner_exemption"] == "open"


def test_trees_of_no_lot_and_errors_nobody_stated_are_told():
    site = lot_site([(50, 5), (300, 5)], [9.0, 9.0], trunks_rmse_ft=None)
    text = " ".join(str(note) for note in routed(site).notes)
    assert "1 of 2 stand on no measured lot" in text
    assert "position error is not stated" in text


def test_a_local_cap_is_not_undone_by_a_reading():
    """A-01: under the owner's reading the act's cap falls from (b), a town's own cap does not."""
    text = """
        [file]
        id = "cay-town"
        kind = "overlay"
        title = "Rules of Cay Town (invented)"
        jurisdiction = "Cay Town (invented)"
        version = "1"
        [tighten.professional-share]
        number = 0.3
        unit = "frac"
        section = "invented code 4"
        confidence = "read in source"
        read_on = "2026-11"
    """
    options = {"target_height_ft": 6.0, "share_cap_reading": "owner-only"}
    site = lot_site([(50, 5)], [9.0], width=160.0, options=options)
    assert "professional-share" not in set(routed(site)["shares"]["rule_id"])
    local = dataclasses.replace(site, overlays=(read_overlay(text, "cay.toml"),))
    caps = routed(local)["shares"].set_index("rule_id")
    assert caps.loc["professional-share", "share_frac"] == 0.3


def test_field_heights_far_from_the_raster_are_told_and_decide_without_it():
    site = lot_site([(50, 5), (20, 5)], [9.0, 9.0])
    crowns = site.crowns.assign(field_height_ft=[9.5, 20.0], field_height_error_ft=[0.1, 0.1])
    found = routed(dataclasses.replace(site, crowns=crowns))
    text = " ".join(note.text for note in found.notes)
    assert "1 heights measured in the field are far" in text and "t1 (20.0 against 9.0 ft)" in text
    alone = dataclasses.replace(site, crowns=crowns, heights=None)
    assert tree(routed(alone), "t0")["owner_exemption"] == "open"


def test_a_buttonwood_that_is_not_chosen_is_not_cut():
    site = lot_site([(50, 5), (20, 5)], [9.0, 9.0], species=["red mangrove", "buttonwood"])
    crowns = site.crowns.assign(is_to_trim=[True, False])
    found = routed(dataclasses.replace(site, crowns=crowns))
    assert tree(found, "t1")["outcome_standing"] == "not cut"
    assert way(found, "no-mangrove")["n_open_trees"] == 0


def kept_lot(to_trim=None, species="red mangrove", **more):
    """Four trees 9 ft tall, to be left at 6 ft, the first one with a nest."""
    site = lot_site(
        [(20, 5), (50, 5), (80, 5), (110, 5)],
        [9.0] * 4,
        species=[species, *["red mangrove"] * 3],
        width=160.0,
        **more,
    )
    crowns = site.crowns.assign(keep=["nest", None, " ", None])
    if to_trim is not None:
        crowns = crowns.assign(is_to_trim=to_trim)
    return dataclasses.replace(site, crowns=crowns)


@pytest.mark.parametrize("to_trim", [None, [True] * 4, [None, *[True] * 3], [False, *[True] * 3]])
@pytest.mark.parametrize("species", ["red mangrove", None])
def test_a_kept_tree_is_not_planned_whatever_height_is_planned(to_trim, species):
    """The user's word on a nest: three of four mangroves are cut, 75 % and no more."""
    found = routed(kept_lot(to_trim, species))
    row = tree(found, "t0")
    assert (row["outcome_route"], row["outcome_standing"]) == ("left-alone", "not cut")
    assert np.isnan(row["target_height_ft"]) and row["removed_frac"] == 0.0
    assert row["n_stage_years"] == 0 and not row["is_staged"] and row["settle"] == ""
    assert (found["tree_outcomes"]["outcome_standing"].iloc[1:] != "not cut").all()
    cap = found["shares"].set_index("rule_id").loc["owner-share"]
    n_counted = 4 if species else 3
    assert (cap["n_planned_trees"], cap["n_counted_trees"]) == (3, n_counted)
    assert cap["planned_share_frac"] == pytest.approx(3 / n_counted)
    rows = found["findings"]
    assert not rows.loc[rows["crown_id"] == "t0", "is_binding"].astype(bool).any()
    ready = found["checklist"]["filled"].str.cat(sep="; ")
    assert "3 of 4 mangroves cut" in ready
    assert "nothing is cut for 1 tree" in found["lot_outcomes"]["outcome_words"].iloc[0]
    told = [note.text for note in found.notes if note.about == "crowns"]
    assert any(text.startswith("1 marked to be left as they are (t0)") for text in told)
    is_both = to_trim is not None and to_trim[0] is True
    assert any("both to be trimmed" in text and "t0" in text for text in told) == is_both


def test_a_kept_tree_is_counted_at_its_own_height_after():
    """9 ft before and after; the others are left at 6 ft."""
    ready = routed(kept_lot(species="black mangrove"))["checklist"]["filled"].str.cat(sep="; ")
    assert "black mangrove 9.0 ft" in ready.split("heights after")[1]
    not_chosen = lot_site([(20, 5), (50, 5)], [9.0] * 2, species=["black mangrove", "red mangrove"])
    crowns = not_chosen.crowns.assign(is_to_trim=[False, True])
    ready = routed(dataclasses.replace(not_chosen, crowns=crowns))["checklist"]["filled"]
    assert "black mangrove 9.0 ft" in ready.str.cat(sep="; ").split("heights after")[1]


def test_a_column_that_keeps_nothing_changes_nothing():
    site = lot_site([(20, 5), (50, 5)], [9.0, 9.0])
    plain = routed(site)
    for column in ([None, None], [np.nan, np.nan], ["", " "]):
        found = routed(dataclasses.replace(site, crowns=site.crowns.assign(keep=column)))
        assert found.notes == plain.notes
        for name, table in plain.tables.items():
            assert table.equals(found[name]), name


def test_where_every_tree_is_kept_nothing_is_planned_and_nothing_asked_of_the_cut():
    site = kept_lot()
    kept = site.crowns.assign(keep=["nest"] * 4, base_height_ft=[np.nan, 1.0, 1.0, 1.0])
    found = routed(dataclasses.replace(site, crowns=kept))
    assert (found["tree_outcomes"]["outcome_standing"] == "not cut").all()
    assert (found["shares"]["n_planned_trees"] == 0).all()
    assert found["lot_outcomes"]["outcome_standing"].iloc[0] == "not cut"
    rows = found["findings"]
    under = rows[(rows["rule_id"] == "red-not-below-foliage") & (rows["crown_id"] == "t1")]
    assert under["value"].tolist() in ([], [pytest.approx(8.0)])  # 9 ft over foliage from 1 ft
    assert not np.isinf(rows["value"].to_numpy(dtype=float)).any()


def test_a_kept_tree_no_raster_saw_asks_for_nothing():
    site = kept_lot()
    grid = np.array(site.heights.height_ft)
    grid[110:116, 120:126] = np.nan
    heights = CanopyGrid(grid, west=-100.0, north=120.0, cell=1.0, rmse_ft=0.0)
    found = routed(dataclasses.replace(site, heights=heights))
    assert np.isnan(tree(found, "t0")["top_height_ft"])
    row = tree(found, "t0")
    assert row["outcome_standing"] == "not cut" and row["removed_frac"] == 0.0


def test_a_kept_tree_of_nobodys_lot_is_not_named():
    site = lot_site([(20, 5), (250, -60)], [9.0, 9.0])
    found = routed(dataclasses.replace(site, crowns=site.crowns.assign(keep=["nest", "nest"])))
    told = [note.text for note in found.notes if "marked to be left" in note.text]
    assert len(told) == 1 and told[0].startswith("1 marked to be left as they are (t0):")
