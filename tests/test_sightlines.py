"""The operation ``sightlines``: views worked out by hand.

Before a straight shore the elevation angle of a level edge h under the eye, D off square to the
shore, is ``-atan(h cos a / D)`` at azimuth a from the square: plain trigonometry. Every share below
is a ratio of such angles, summed over the azimuths.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
import sight_sites as made
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from shapely.geometry import LineString, Point, box
from sites import readings

from geotrim.core.sight_pieces import Layer, pieces_of
from geotrim.errors import CRSError, LayerError, RangeError
from geotrim.model import Note
from geotrim.ops.catalogue_window import SIGHTLINES, WINDOW
from geotrim.ops.chain import measure, run_operation
from geotrim.ops.eyes import eyes_of_lots, water_level

WALL = made.wall(-20.0, -10.0)
EYE = ("e", 0.0, -50.0)


def under(drop_ft, away_usft, turn_deg):
    """Angle under the horizon of a level edge parallel to the shore. [deg]."""
    away_ft = away_usft * made.US_FT
    return np.degrees(np.arctan(drop_ft * np.cos(np.radians(turn_deg)) / away_ft))


def turned(rays, square_deg=0.0):
    """Azimuths of rays from the square to the shore. [deg]."""
    return (rays["azimuth_deg"].to_numpy() - square_deg + 180.0) % 360.0 - 180.0


def share(rays, angle, eye_ft, square_deg=0.0):
    """Share of the view that an angle above the lower side of the view is, over all azimuths."""
    a, width = turned(rays, square_deg), rays["width_deg"].to_numpy()
    return float((angle(a) * width).sum() / (under(eye_ft, 50.0, a) * width).sum())


def eye_rows(result, eye_id="e"):
    rays = result["sight_rays"]
    (row,) = result["sight_eyes"].query("eye_id == @eye_id").to_dict("records")
    return row, rays[rays["eye_id"] == eye_id]


# ------------------------------------------------------------------------------ walls


def test_the_view_of_a_straight_shore():
    """Azimuths and area by hand; the integral over azimuth by quadrature (scipy)."""
    site = made.site_of([made.wall(-79, -78, 90, 91)], [3.0], [(*EYE, 10.0)], azimuth_step_deg=0.25)
    row, rays = eye_rows(made.sights(site))
    half = np.degrees(np.arctan(100.0 / 50.0))
    assert row["azimuth_from_deg"] == pytest.approx(360.0 - half, abs=1e-5)
    assert row["azimuth_to_deg"] == pytest.approx(half, abs=1e-5)
    area = 2.0 * quad(lambda a: under(10.0, 50.0, a), 0.0, half)[0]
    assert row["view_deg2"] == pytest.approx(area, rel=1e-5)
    assert row["view_now_frac"] == pytest.approx(1.0, abs=1e-12)
    assert row["eye_elevation_ft"] == 10.0 and row["water_elevation_ft"] == 0.0
    assert row["reason"] == ""
    assert (rays["horizon_deg"].abs() < 1e-12).all()
    np.testing.assert_allclose(rays["edge_deg"], -under(10.0, 50.0, turned(rays)), atol=1e-9)
    away = 50.0 * made.US_FT / np.cos(np.radians(turned(rays)))
    np.testing.assert_allclose(rays["edge_distance_ft"], away, rtol=1e-9)
    assert rays["width_deg"].sum() == pytest.approx(2.0 * half, abs=1e-5)


def test_a_wall_under_the_eye_hides_the_water_behind_its_far_side():
    site = made.site_of([WALL], [6.0], [(*EYE, 10.0)])
    row, rays = eye_rows(made.sights(site))
    seen = share(rays, lambda a: under(4.0, 40.0, a), 10.0)
    assert row["view_now_frac"] == pytest.approx(seen, abs=1e-9)
    assert 0.4 < seen < 0.6
    a = turned(rays)
    each = under(4.0, 40.0, a) / under(10.0, 50.0, a)
    np.testing.assert_allclose(rays["open_now_frac"], each, atol=1e-9)


@pytest.mark.parametrize("top", [10.0, 15.0])
def test_a_wall_as_high_as_the_eye_hides_all(top):
    site = made.site_of([WALL], [top], [(*EYE, 10.0)])
    row, _ = eye_rows(made.sights(site))
    assert row["view_now_frac"] == pytest.approx(0.0, abs=1e-12)
    assert np.isnan(row["view_after_frac"]) and np.isnan(row["view_others_removed_frac"])


@pytest.mark.parametrize("cut", [made.clear(6.0, 10.0), made.lower(6.0)])
def test_a_slot_at_6_to_10_ft_and_a_top_lowered_to_6_ft(cut):
    """From 8 ft up the slot's lower side is what hides; its upper side lies over the horizon."""
    site = made.site_of([WALL], [15.0], [(*EYE, 8.0)])
    row, rays = eye_rows(made.sights(site, made.window_of([cut])))
    seen = share(rays, lambda a: under(2.0, 40.0, a), 8.0)
    assert row["view_now_frac"] == pytest.approx(0.0, abs=1e-12)
    assert row["view_after_frac"] == pytest.approx(seen, abs=1e-9)
    a = turned(rays)
    each = under(2.0, 40.0, a) / under(8.0, 50.0, a)
    np.testing.assert_allclose(rays["open_after_frac"], each, atol=1e-9)


def test_two_eyes_at_two_heights():
    """The upper one looks over the wall, and down through the slot: both parts are open."""
    site = made.site_of([WALL], [15.0], [("low", 0, -50, 8.0), ("high", 0, -50, 20.0)])
    result = made.sights(site, made.window_of([made.clear(6.0, 10.0)]))
    low, rays = eye_rows(result, "low")
    seen = share(rays, lambda a: under(2.0, 40.0, a), 8.0)
    assert low["view_after_frac"] == pytest.approx(seen, abs=1e-9)
    high, rays = eye_rows(result, "high")
    over = share(rays, lambda a: under(5.0, 40.0, a), 20.0)
    slot = share(rays, lambda a: under(14.0, 40.0, a) - under(10.0, 30.0, a), 20.0)
    assert high["view_now_frac"] == pytest.approx(over, abs=1e-9)
    assert high["view_after_frac"] == pytest.approx(over + slot, abs=1e-9)
    assert slot > 0.01


def test_under_a_crown_base_is_light():
    """Canopy from 7 ft up over an eye at 6 ft: all of the water is seen below it."""
    site = made.site_of(
        [WALL], [15.0], [(*EYE, 6.0)], bases=[7.0], canopy_model="crown-base"
    )  # fmt: skip
    row, _ = eye_rows(made.sights(site))
    assert row["view_now_frac"] == pytest.approx(1.0, abs=1e-12)
    for options, seen in (({}, 1.0), ({"hides_from": "substrate"}, 0.0)):
        site = made.site_of([WALL], [15.0], [(*EYE, 6.0)], bases=[7.0], **options)
        row, _ = eye_rows(made.sights(site))
        assert row["view_now_frac"] == pytest.approx(seen, abs=1e-12), "column: by hides_from"


def test_trees_are_as_high_as_the_route_judges_them():
    """Ground that reads 1.125 ft high (A-04): a wall of 6 ft hides as one of 7.125 ft does."""
    site = made.site_of([WALL], [6.0], [(*EYE, 10.0)], substrate_reading="ground-reads-high")
    results = dict(measure(site, ["route", "zone", "heights"]))
    result = run_operation(SIGHTLINES, site, results)
    row, rays = eye_rows(result)
    seen = share(rays, lambda a: under(2.875, 40.0, a), 10.0)
    assert row["view_now_frac"] == pytest.approx(seen, abs=1e-9)
    assert any("A-04" in note.text for note in result.notes)


def test_how_much_of_the_horizon_is_in_sight():
    """A wall before the right half of the shore, and a slot in it that opens the horizon.

    One that ends at the very height of the eye hides the horizon too, one a foot under does not.
    """
    for top, now in ((15.0, False), (8.0, False), (7.0, True)):
        wall = made.wall(-20.0, -10.0, 0.0, 100.0)
        site = made.site_of([wall], [top], [(*EYE, 8.0)], azimuth_step_deg=0.25)
        plan = made.window_of([made.clear(6.0, 10.0)])
        row, _ = eye_rows(made.sights(site, plan))
        assert row["horizon_now_frac"] == pytest.approx(1.0 if now else 0.5, abs=1e-3)
        assert row["horizon_after_frac"] == pytest.approx(1.0, abs=1e-12)
    row, _ = eye_rows(made.sights(site))
    assert np.isnan(row["horizon_after_frac"])


def test_canopy_that_begins_at_the_horizon_leaves_it_in_sight():
    """Lowest foliage at the very height of the eye: the line to the horizon runs under it."""
    for base, share_in_sight in ((8.0, 1.0), (7.5, 0.0)):
        site = made.site_of([WALL], [15.0], [(*EYE, 8.0)], bases=[base])
        row, _ = eye_rows(made.sights(site))
        assert row["horizon_now_frac"] == pytest.approx(share_in_sight)


def test_crowns_of_unknown_height_make_a_view_one_of_at_most():
    """A hole in the raster before the eye: open view, told as such; behind the eye: no matter."""
    for low_y, is_told in ((-30.0, True), (-75.0, False)):
        hole = made.wall(low_y, low_y + 6.0, -8.0, 8.0)
        site = made.site_of([WALL, hole], [6.0, np.nan], [(*EYE, 10.0)])
        result = made.sights(site)
        row, _ = eye_rows(result)
        assert bool(row["is_at_most"]) is is_told
        assert row["view_now_frac"] > 0.3
        assert any("t1" in n.text and "at most" in n.text for n in result.notes)
    row, _ = eye_rows(made.sights(made.site_of([WALL], [6.0], [(*EYE, 10.0)])))
    assert not row["is_at_most"]


def test_a_kept_tree_hides_on_the_cells_it_shares():
    """Two crowns over the same ground: the window of one opens nothing, of both the slot."""
    site = made.site_of([WALL, WALL], [15.0, 15.0], [(*EYE, 8.0)])
    slots = [made.clear(6.0, 10.0, "t0"), made.clear(6.0, 10.0, "t1")]
    for cuts in (slots[:1], slots[1:]):
        row, _ = eye_rows(made.sights(site, made.window_of(cuts)))
        assert row["view_after_frac"] == pytest.approx(0.0, abs=1e-12)
    row, rays = eye_rows(made.sights(site, made.window_of(slots)))
    seen = share(rays, lambda a: under(2.0, 40.0, a), 8.0)
    assert row["view_after_frac"] == pytest.approx(seen, abs=1e-9)


def test_a_window_opens_only_what_stands_in_the_zone():
    """A neighbour's wall hides the view too, and the lot's window leaves it."""
    lots = {"A": box(-100, -80, 0, 0), "B": box(0, -80, 100, 0)}
    walls = [made.wall(-20, -10, -100, 0), made.wall(-20, -10, 0, 100)]
    eyes = [("a", -50.0, -50.0, 8.0), ("b", 50.0, -50.0, 8.0)]
    site = made.site_of(walls, [15.0, 15.0], eyes, lots=lots)
    plan = made.window_of([made.clear(6.0, 10.0, "t0", "A")], lots=("A", "B"))
    result = made.sights(site, plan)
    a, rays = eye_rows(result, "a")
    seen = share(rays, lambda a: under(2.0, 40.0, a), 8.0)
    assert a["lot_id"] == "A" and a["view_after_frac"] == pytest.approx(seen, abs=1e-9)
    b, _ = eye_rows(result, "b")
    assert b["lot_id"] == "B" and b["view_after_frac"] == pytest.approx(0.0, abs=1e-12)
    half = np.degrees(np.arctan(1.0))
    for row in (a, b):  # each over its own 100 ft of shore
        assert row["azimuth_to_deg"] == pytest.approx(half, abs=1e-5)


def test_a_tree_over_the_lot_line_is_cut_by_its_own_lot_and_within_its_zone():
    """The neighbour's crown reaches 20 ft over the line; an eye of each lot looks through it.

    From (-30, -50) a ray to the shore at x passes y = -10 at -30 + 0.8 (x + 30), so it keeps to
    the neighbour's side of the line, past both sides of the wall, where x is over 20.
    """
    lots = {"A": box(-100, -80, 0, 0), "B": box(0, -80, 100, 0)}
    walls = [made.wall(-20, -10, -100, -20), made.wall(-20, -10, -20, 100)]
    walls += [made.wall(-9, -4, -20, 0), made.wall(-26, -21, -20, 0)]  # A's zone is around it
    eyes = [("b", -30.0, -50.0, 8.0, np.nan, "B"), ("a", -10.0, -50.0, 9.0)]
    site = made.site_of(walls, [15.0, 15.0, 1.0, 1.0], eyes, lots=lots)
    plan = made.window_of([made.clear(6.0, 10.0, "t1", "B")], lots=("A", "B"))
    result = made.sights(site, plan)
    a, rays = eye_rows(result, "a")
    assert a["eye_elevation_ft"] == 9.0
    np.testing.assert_allclose(rays["open_after_frac"], 0.0, atol=1e-12)
    b, rays = eye_rows(result, "b")
    assert b["eye_elevation_ft"] == 8.0
    shore = shapely.get_x(rays.boundary.explode().iloc[1::2].array) - made.EAST
    through = shore[:, None] * [0.6, 0.8] - 30.0 * np.array([0.4, 0.2])
    is_mine, is_not = (through > 1.0).all(axis=1), (through < -1.0).any(axis=1)
    assert is_mine.sum() > 10 and is_not.sum() > 10
    a = turned(rays)[is_mine]
    each = under(2.0, 40.0, a) / under(8.0, 50.0, a)
    np.testing.assert_allclose(rays["open_after_frac"][is_mine], each, atol=1e-9)
    np.testing.assert_allclose(rays["open_after_frac"][is_not], 0.0, atol=1e-12)


def test_cells_covered_too_little_for_a_top_hide_nothing():
    """The wall's last foot is covered to 0.4: it counts by default, and does not from 0.5 up."""
    crown = made.wall(-20.0, -10.6)
    flat = made.site_of([made.wall(-130, 130, -130, 130)], [6.0], [(*EYE, 10.0)]).heights
    for least, far in ((0.01, 40.0), (0.5, 39.0)):
        site = made.site_of([crown], [6.0], [(*EYE, 10.0)], min_coverage_frac=least)
        row, rays = eye_rows(made.sights(replace(site, heights=flat)))
        seen = share(rays, lambda a, far=far: under(4.0, far, a), 10.0)
        assert row["view_now_frac"] == pytest.approx(seen, abs=1e-9)


def test_heights_are_taken_as_corrected_by_stick_readings():
    """Five trees read by stick 2 ft under the raster's 8: the view is that over a wall of 6 ft."""
    walls = [made.wall(-20, -10, -100 + 40 * k, -60 + 40 * k) for k in range(5)]
    site = made.site_of(walls, [8.0] * 5, [(*EYE, 10.0)], height_correction="bias")
    sticks = readings([f"t{k}" for k in range(5)], [6.0] * 5, crs=made.USFT)
    row, rays = eye_rows(made.sights(replace(site, readings=sticks)))
    seen = share(rays, lambda a: under(4.0, 40.0, a), 10.0)
    assert row["view_now_frac"] == pytest.approx(seen, abs=1e-9)


def test_no_window_for_a_lot_is_not_known_and_an_empty_one_changes_nothing():
    site = made.site_of([WALL], [6.0], [(*EYE, 10.0)])
    unplanned, _ = eye_rows(made.sights(site, made.window_of([], status="not planned")))
    assert np.isnan(unplanned["view_after_frac"])
    other, _ = eye_rows(made.sights(site, made.window_of([], lots=("B",))))
    assert np.isnan(other["view_after_frac"])
    left = ("A", "t0", "leave", np.nan, np.nan)
    same, _ = eye_rows(made.sights(site, made.window_of([left], status="no window")))
    assert same["view_after_frac"] == same["view_now_frac"] > 0.0


@pytest.mark.parametrize("remove_others", [False, True])
def test_the_views_of_the_window_are_those_of_the_eyes(remove_others):
    """Two ways: what opens together, added up by the window's search, and the share of the eyes."""
    walls = [made.wall(-20, -10, x, x + 10) for x in (-20, -8, 4)]
    species = ["red mangrove", "Avicennia germinans", "Coccoloba uvifera"]
    eyes = [("low", 0.0, -30.0, 9.0), ("high", 5.0, -30.0, 22.0)]
    site = made.site_of(
        walls, [14.0, 18.0, 16.0], eyes, lots={"A": box(-20, -80, 20, 0)}, species=species,
        azimuth_step_deg=3.0, station_step_ft=5.0, frontier_points=0, remove_others=remove_others,
    )  # fmt: skip
    results = dict(measure(site, WINDOW.needs()))
    results["window"] = run_operation(WINDOW, site, results)
    seen = run_operation(SIGHTLINES, site, results)["sight_eyes"]
    lot = results["window"]["window_lots"].iloc[0]
    assert lot["n_cut_trees"] >= 1 and lot["view_of"] == "eyes"
    assert seen["view_now_frac"].mean() == pytest.approx(lot["view_before_frac"], abs=1e-9)
    assert seen["view_after_frac"].mean() == pytest.approx(lot["view_after_frac"], abs=1e-9)
    assert lot["view_after_frac"] > lot["view_before_frac"] + 0.01


def test_plants_that_are_no_mangroves_are_removed_first_where_asked():
    """A hedge of seagrape before the wall; the neighbour's own hedge stays."""
    hedge = made.wall(-35.0, -30.0)
    species = ["red mangrove", "Coccoloba uvifera"]
    walls, tops, eyes = [WALL, hedge], [6.0, 9.0], [(*EYE, 10.0)]
    site = made.site_of(walls, tops, eyes, species=species)
    row, rays = eye_rows(made.sights(site))
    by_wall = share(rays, lambda a: under(4.0, 40.0, a), 10.0)
    by_hedge = share(rays, lambda a: under(1.0, 20.0, a), 10.0)
    assert by_hedge < by_wall
    assert row["view_now_frac"] == pytest.approx(by_hedge, abs=1e-9)
    assert np.isnan(row["view_others_removed_frac"])
    row, _ = eye_rows(made.sights(site, made.window_of([made.lower(3.0)])))
    assert row["view_after_frac"] == pytest.approx(by_hedge, abs=1e-9), "the hedge still stands"
    site = made.site_of(walls, tops, eyes, species=species, remove_others=True)
    result = made.sights(site, made.window_of([made.lower(3.0)]))
    row, rays = eye_rows(result)
    lowered = share(rays, lambda a: under(7.0, 40.0, a), 10.0)
    assert row["view_now_frac"] == pytest.approx(by_hedge, abs=1e-9)
    assert row["view_others_removed_frac"] == pytest.approx(by_wall, abs=1e-9)
    assert row["view_after_frac"] == pytest.approx(lowered, abs=1e-9)
    parts = result["sight_blocks"].groupby("what")["crown_id"].agg(set).to_dict()
    assert parts["removed first"] == {"t1"} and parts["removed by the window"] == {"t0"}
    unknown = made.site_of(walls, tops, eyes, species=["red mangrove", None], remove_others=True)
    row, _ = eye_rows(made.sights(unknown))
    assert row["view_others_removed_frac"] == row["view_now_frac"], (
        "unknown is not known to be none"
    )


def test_a_neighbours_other_plants_stay():
    lots = {"A": box(-100, -80, 0, 0), "B": box(0, -80, 100, 0)}
    walls = [made.wall(-20, -10, -100, 0), made.wall(-35, -30, 1, 99)]
    site = made.site_of(
        walls, [2.0, 15.0], [("e", 50.0, -50.0, 10.0, np.nan, "A")], lots=lots,
        species=["red mangrove", "Coccoloba uvifera"], remove_others=True,
    )  # fmt: skip
    row, _ = eye_rows(made.sights(site))
    assert row["view_others_removed_frac"] == row["view_now_frac"] < 0.5


# ------------------------------------------------------------------------------ ground and earth


def slope(x, y):
    """Ground that falls by 5 in 100 to the water's edge; the bottom lies 1 ft under it."""
    return np.where(y > 0.0, -1.0, -0.05 * y)


def test_ground_that_falls_to_the_water_hides_nothing_nor_does_the_bottom():
    """A crown stands in the water, so rays run on past the edge over the bottom."""
    far = made.wall(30.0, 31.0, 90.0, 99.0)
    site = made.site_of([far], [1.0], [("e", 0.0, -50.0, None, 6.0)], ground=slope)
    row, rays = eye_rows(made.sights(site))
    assert row["eye_elevation_ft"] == pytest.approx(8.5, abs=1e-6)
    clear_of_crown = turned(rays) < 40.0
    np.testing.assert_allclose(rays["open_now_frac"][clear_of_crown], 1.0, atol=1e-6)


def test_a_ridge_of_ground_hides_like_a_wall_and_no_cut_opens_it():
    """Crest 4 ft high, 40 ft off; canopy behind it 3 ft over the ground that is level."""

    def ridge(x, y):
        return np.where(y > 0.0, -1.0, np.maximum(0.0, 4.0 - np.abs(y + 10.0)))

    behind = made.wall(-6.0, -2.0)
    site = made.site_of([behind], [2.0], [(*EYE, 8.5)], ground=ridge)
    result = made.sights(site, made.window_of([made.lower(0.5)]))
    row, rays = eye_rows(result)
    seen = share(rays, lambda a: under(4.5, 40.0, a), 8.5)
    assert row["view_now_frac"] == pytest.approx(seen, abs=1e-9)
    assert row["view_after_frac"] == pytest.approx(seen, abs=1e-9)
    blocks = result["sight_blocks"]
    crest = blocks[blocks["what"] == "ground"].merge(rays, on="azimuth_deg")
    a = turned(crest)
    np.testing.assert_allclose(crest["high_deg"], -under(4.5, 40.0, a), atol=1e-9)
    np.testing.assert_allclose(
        crest["distance_ft"], 40.0 * made.US_FT / np.cos(np.radians(a)), rtol=1e-6
    )


@pytest.mark.parametrize("crown_behind", [False, True])
@pytest.mark.parametrize("ground_crs", [None, made.METRES])
def test_a_spit_off_the_shore_hides_the_water_behind_it(crown_behind, ground_crs):
    """A spit 8 ft high, 60 to 64 ft off the shore and 4 ft wide, from 10 ft up and 50 ft inland.

    The water before it is seen; from its near waterline to its crest nothing; over the crest only
    the horizon. A crown behind it that is lower than the line over the crest changes nothing.
    """

    def spit(x, y):
        return np.where(np.abs(y - 62.0) < 2.5, 8.0, -3.0)

    crowns, tops = [made.wall(-79, -78, 90, 91)], [1.0]
    if crown_behind:
        crowns, tops = [*crowns, made.wall(80, 84)], [*tops, 6.0]
    site = made.site_of(crowns, tops, [(*EYE, 10.0)], ground=spit)
    if ground_crs is not None:
        site = replace(site, ground=in_metres(site.ground))
    result = made.sights(site)
    row, rays = eye_rows(result)
    assert row["view_now_frac"] < 0.9 and row["horizon_now_frac"] == 1.0
    (told,) = [n for n in result.notes if "land beyond the shore" in n.text]
    assert "about 8.0 ft over the water" in told.text and told.level == "info"
    # straight between centres a foot apart: up from -3 ft at 59 ft to 8 ft at 60 ft off
    water, crest = 50.0 + 59.0 + 3.0 / 11.0, 50.0 + 64.0
    is_short = np.abs(turned(rays)) < 40.0  # the grid ends 130 ft to each side
    a = turned(rays)[is_short]
    hidden = under(10.0, water, a) - under(2.0, crest, a)
    expected = 1.0 - hidden / under(10.0, 50.0, a)
    loose = 1e-6 if ground_crs is None else 2e-3
    np.testing.assert_allclose(rays["open_now_frac"][is_short], expected, atol=loose)


def test_a_raster_that_has_the_water_higher_than_it_is_said_to_be_is_told():
    site = made.site_of(
        [WALL], [2.0], [(*EYE, 10.0)], ground=lambda x, y: np.where(y > 0.0, 0.4, -3.0)
    )
    result = made.sights(site)
    row, _ = eye_rows(result)
    assert row["view_now_frac"] < 0.5
    (told,) = [n for n in result.notes if "water_elevation_ft" in n.text and "raster" in n.text]
    assert "about 0.4 ft over the water" in told.text and told.level == "assumed"
    row, _ = eye_rows(made.sights(replace(site, mhw_facts={"elevation_ft": 0.4})))
    assert row["view_now_frac"] > 0.8


def test_an_eye_far_from_its_shore_is_told():
    for y, is_told in ((-495.0, False), (-505.0, True)):
        site = made.site_of([WALL], [2.0], [("e", 0.0, y, 10.0, np.nan, "A")])
        told = [n for n in made.sights(site).notes if "500 ft" in n.text]
        assert bool(told) is is_told
        if is_told:
            assert "stands 505 ft from the shore of lot A" in told[0].text


def in_metres(ground):
    """The same ground, on the same places, in the metres of the same zone: cells of 0.3048 m."""
    unit = 1200 / 3937
    return replace(
        ground, west=ground.west * unit, north=ground.north * unit, cell=ground.cell * unit,
        crs=made.METRES,
    )  # fmt: skip


def test_what_is_taken_for_granted_is_told():
    site = made.site_of([WALL], [6.0], [("e", 0.0, -50.0, None, 6.0)])
    told = " ".join(f"{note.level} {note}" for note in made.sights(site).notes)
    assert "water: taken at elevation 0 ft" in told
    assert "no ground is given, so the ground under the eye is taken to be level" in told
    assert "a flat earth without refraction, as asked" in told
    site = made.site_of([WALL], [6.0], [(*EYE, 10.0)], mhw=0.5, flat_earth=False)
    result = made.sights(site)
    told = " ".join(map(str, result.notes))
    assert "at 0.5 ft, the elevation of the MHW line" in told
    assert "refraction takes back 13 % of that" in told
    assert result.parameters["refraction_frac"] == 0.13
    row, _ = eye_rows(result)
    assert row["water_elevation_ft"] == 0.5


def test_water_level_goes_by_what_is_given():
    assert water_level(1.5, {"elevation_ft": 0.5}) == (1.5, Note("water", "at 1.5 ft, as given"))
    assert water_level(None, {"elevation_ft": 0.5})[0] == 0.5
    for facts in (None, {}, {"elevation_ft": np.nan}):
        level, note = water_level(None, facts)
        assert level == 0.0 and note.level == "assumed"


def test_the_horizon_dips_as_sailors_say():
    """Dip of the sea horizon: 0.97 minutes of arc times the root of the height in feet.

    Source: N. Bowditch, *American Practical Navigator*, table of dip; from memory. Its refraction
    is a little stronger than 0.13, hence 3 %; without refraction the geometric dip is 1.06.
    """
    eyes = [(*EYE, 25.0)]
    for options, factor, tolerance in (
        ({}, 0.97, 0.03),
        ({"refraction_frac": 0.0}, 1.06, 0.01),
    ):
        site = made.site_of([WALL], [1.0], eyes, flat_earth=False, **options)
        _, rays = eye_rows(made.sights(site))
        dip = -60.0 * rays["horizon_deg"].to_numpy()
        assert dip == pytest.approx(factor * 5.0, rel=tolerance)


# ------------------------------------------------------------------------------ geometry


@pytest.mark.parametrize(("turn", "square_deg"), [(0, 0.0), (1, 270.0), (2, 180.0), (3, 90.0)])
def test_azimuths_run_clockwise_from_the_north_of_the_grid(turn, square_deg):
    """The first azimuth is on the left of one who looks at the water; shares do not turn."""
    site = made.site_of([WALL], [6.0], [("e", 20.0, -50.0, 10.0)], turn=turn)
    row, rays = eye_rows(made.sights(site))
    left = square_deg - np.degrees(np.arctan(120.0 / 50.0))
    right = square_deg + np.degrees(np.arctan(80.0 / 50.0))
    assert row["azimuth_from_deg"] == pytest.approx(left % 360.0, abs=1e-5)
    assert row["azimuth_to_deg"] == pytest.approx(right % 360.0, abs=1e-5)
    seen = share(rays, lambda a: under(4.0, 40.0, a), 10.0, square_deg)
    assert row["view_now_frac"] == pytest.approx(seen, abs=1e-7)
    first = shapely.get_coordinates(rays.geometry.iloc[0])
    dx, dy = first[1] - first[0]
    bearing = np.degrees(np.arctan2(dx, dy)) % 360.0  # by definition of a bearing
    assert rays["azimuth_deg"].iloc[0] == pytest.approx(bearing, abs=1e-7)
    assert (np.diff(turned(rays, square_deg)) > 0.0).all()


@pytest.mark.parametrize("crs", [made.USFT, made.METRES])
def test_rays_end_on_the_frontage(crs):
    bent = LineString([(-400, 0), (-30, 0), (0, 15), (30, 0), (400, 0)])
    site = made.site_of([WALL], [6.0], [("e", 5.0, -50.0, 10.0)], shore=bent, crs=crs)
    _, rays = eye_rows(made.sights(site))
    ends = shapely.points(shapely.get_coordinates(rays.geometry.array)[1::2])
    line = site.mhw_line.geometry.iloc[0]
    assert shapely.distance(ends, line).max() < 1e-6
    starts = shapely.points(shapely.get_coordinates(rays.geometry.array)[::2])
    assert shapely.distance(starts, site.eyes.geometry.iloc[0]).max() == 0.0
    unit = made.US_FT if crs == made.USFT else 1 / 0.3048
    np.testing.assert_allclose(rays["edge_distance_ft"], rays.length * unit, rtol=1e-9)
    assert rays.crs == site.crs


def test_feet_and_metres_tell_the_same():
    plan = made.window_of([made.clear(6.0, 10.0)])
    views = [
        eye_rows(made.sights(made.site_of([WALL], [12.0], [(*EYE, 14.0)], crs=crs), plan))[0]
        for crs in (made.USFT, made.METRES)
    ]
    for name in ("view_deg2", "view_now_frac", "view_after_frac", "azimuth_from_deg"):
        assert views[0][name] == pytest.approx(views[1][name], rel=1e-8), name


def test_several_stretches_leave_a_gap_between_their_azimuths():
    """A neighbour's strip in the middle takes 20 ft of the shore out."""
    lot = shapely.union_all(
        [box(-100, -80, 100, -40), box(-100, -80, -10, 0), box(10, -80, 100, 0)]
    )
    lots = {"A": lot, "B": box(-10, -40, 10, 0)}
    site = made.site_of(
        [WALL], [2.0], [("e", 0.0, -50.0, 10.0, np.nan, "A")], lots=lots, azimuth_step_deg=0.5
    )
    row, rays = eye_rows(made.sights(site))
    gap = np.degrees(np.arctan(10.0 / 50.0))
    a, half = turned(rays), rays["width_deg"].to_numpy() / 2
    assert (a - half)[a > 0].min() == pytest.approx(gap, abs=1e-5)
    assert (a + half)[a < 0].max() == pytest.approx(-gap, abs=1e-5)
    assert row["azimuth_from_deg"] == pytest.approx(360 - np.degrees(np.arctan(2.0)), abs=1e-5)


# ------------------------------------------------------------------------------ what is met


@st.composite
def layered(draw):
    """Layers of intervals on a few rays, ends on whole degrees so that many coincide."""
    layers = []
    for _ in range(draw(st.integers(1, 4))):
        n = draw(st.integers(0, 6))
        low = np.array([draw(st.integers(-10, 9)) for _ in range(n)], dtype=float)
        deep = np.array([draw(st.integers(0, 6)) for _ in range(n)], dtype=float)
        ray = np.array([draw(st.integers(0, 2)) for _ in range(n)], dtype=np.int64)
        away = np.array([draw(st.integers(1, 50)) for _ in range(n)], dtype=float)
        layers.append(Layer(ray, low, low + deep, np.arange(n), away))
    return layers


@given(layers=layered())
def test_pieces_part_the_angles_among_layers(layers):
    """At every half degree the piece is of the first layer that covers it, by looking at all."""
    parts = pieces_of(layers)
    for ray in range(3):
        for at in np.arange(-10.5, 17.0):
            covering = [
                k
                for k, one in enumerate(layers)
                if ((one.ray == ray) & (one.low_deg < at) & (one.high_deg > at)).any()
            ]
            hit = (parts.ray == ray) & (parts.low_deg < at) & (parts.high_deg > at)
            assert hit.sum() == (1 if covering else 0)
            if covering:
                assert parts.layer[hit] == covering[0]
    for k in range(len(parts)):
        one = layers[parts.layer[k]]
        reach = (one.ray == parts.ray[k]) & (one.low_deg < parts.high_deg[k])
        reach &= one.high_deg > parts.low_deg[k]
        assert parts.distance_ft[k] == one.distance_ft[reach].min()
        assert one.distance_ft[parts.tree[k]] == parts.distance_ft[k]
    touching = (parts.ray[1:] == parts.ray[:-1]) & (parts.layer[1:] == parts.layer[:-1])
    assert (parts.low_deg[1:] > parts.high_deg[:-1])[touching].all(), "touching pieces are one"


def test_a_sliver_is_no_piece():
    """Two ways to one angle differ in the last digits; what lies between is not told."""
    one = np.zeros(1, dtype=np.int64)
    first = Layer(one, np.array([-5.0]), np.array([1.0]), one, np.array([9.0]))
    second = Layer(one, np.array([-5.0]), np.array([1.0 + 1e-13]), one, np.array([9.0]))
    assert pieces_of([first, second]).layer.tolist() == [0]
    assert len(pieces_of([Layer(*(np.zeros(0),) * 5)])) == 0


def shares_of_blocks(result, kinds):
    """Share of each azimuth's view that blocks of some kinds leave open."""
    rays, blocks = result["sight_rays"], result["sight_blocks"]
    some = blocks[blocks["what"].isin(kinds)]
    both = some.merge(rays, on=["eye_id", "azimuth_deg"])
    top = np.minimum(both["high_deg"], both["horizon_deg"])
    bottom = np.maximum(both["low_deg"], both["edge_deg"])
    both["hidden"] = np.maximum(top - bottom, 0.0)
    hidden = both.groupby(["eye_id", "azimuth_deg"])["hidden"].sum()
    keys = list(zip(rays["eye_id"], rays["azimuth_deg"], strict=True))
    whole = (rays["horizon_deg"] - rays["edge_deg"]).to_numpy()
    return 1.0 - hidden.reindex(keys).fillna(0.0).to_numpy() / whole


@st.composite
def scattered(draw):
    """Crowns of many tops and cuts through some of them; eyes high and low."""
    n = draw(st.integers(1, 5))
    low = [draw(st.integers(-60, 50)) for _ in range(n)]
    crowns = [
        box(x, y, x + draw(st.integers(4, 30)), y + draw(st.integers(2, 8)))
        for x, y in zip(low, [draw(st.integers(-38, -8)) for _ in range(n)], strict=True)
    ]
    tops = [float(draw(st.integers(3, 25))) for _ in range(n)]
    species = [draw(st.sampled_from(["red mangrove", "Coccoloba uvifera", None])) for _ in range(n)]
    cuts = []
    for k in range(n):
        kind = draw(st.sampled_from(["none", "clear", "lower"]))
        at = float(draw(st.integers(2, 12)))
        if kind == "clear":
            cuts.append(made.clear(at, at + 4.0, f"t{k}"))
        elif kind == "lower":
            cuts.append(made.lower(at, f"t{k}"))
    eyes = [("low", 3.0, -50.0, 7.0), ("high", -30.0, -60.0, 21.0)]
    options = {"remove_others": draw(st.booleans()), "flat_earth": draw(st.booleans())}
    return crowns, tops, species, cuts, eyes, options


@settings(max_examples=8)
@given(case=scattered())
def test_taking_away_never_hides_and_blocks_add_up(case):
    crowns, tops, species, cuts, eyes, options = case
    site = made.site_of(crowns, tops, eyes, species=species, azimuth_step_deg=5.0, **options)
    result = made.sights(site, made.window_of(cuts))
    rays, seen = result["sight_rays"], result["sight_eyes"]
    now, after = (rays[f"open_{name}_frac"].to_numpy() for name in ("now", "after"))
    assert (now >= -1e-12).all() and (after <= 1.0 + 1e-12).all()
    assert (after >= now - 1e-12).all()
    every = ["ground", "canopy", "removed by the window", "removed first"]
    np.testing.assert_allclose(shares_of_blocks(result, every), now, atol=1e-7)
    np.testing.assert_allclose(shares_of_blocks(result, every[:2]), after, atol=1e-7)
    for row in seen.itertuples():
        mine = rays[rays["eye_id"] == row.eye_id]
        weight = mine["width_deg"] * (mine["horizon_deg"] - mine["edge_deg"])
        assert row.view_deg2 == pytest.approx(weight.sum())
        for name in ("now", "after"):
            mean = (mine[f"open_{name}_frac"] * weight).sum() / weight.sum()
            assert getattr(row, f"view_{name}_frac") == pytest.approx(mean, abs=1e-9)
        if options["remove_others"]:
            others = row.view_others_removed_frac
            assert row.view_now_frac - 1e-12 <= others <= row.view_after_frac + 1e-12
    blocks = result["sight_blocks"].sort_values(["eye_id", "azimuth_deg", "low_deg"])
    same = (blocks["azimuth_deg"].diff() == 0) & (blocks["eye_id"] == blocks["eye_id"].shift())
    assert (blocks["low_deg"] >= blocks["high_deg"].shift() - 1e-9)[same].all()


def test_blocks_name_the_nearest_crown():
    """A low wall before a high one: one piece for both, of the near one."""
    near, far = made.wall(-30.0, -25.0), made.wall(-15.0, -10.0)
    site = made.site_of([far, near], [12.0, 6.0], [(*EYE, 10.0)])
    blocks = made.sights(site)["sight_blocks"]
    assert (blocks["what"] == "canopy").all() and (blocks["crown_id"] == "t1").all()
    middle = blocks.iloc[(turned(blocks)).__abs__().argmin()]
    assert middle["distance_ft"] == pytest.approx(20.0, abs=0.01)


# ------------------------------------------------------------------------------ eyes that cannot be


def test_eyes_that_see_nothing_are_rows_with_a_reason():
    eyes = [
        ("under", 0.0, -50.0, -2.0),
        ("afloat", 0.0, 20.0, 10.0),
        ("fine", 0.0, -50.0, 10.0),
    ]
    site = made.site_of([WALL], [6.0], eyes)
    result = made.sights(site)
    rows = result["sight_eyes"].set_index("eye_id")
    assert rows.loc["under", "reason"] == (
        "the eye is not above the water: it is at -2.00 ft, the water at 0.00 ft"
    )
    assert "land side" in rows.loc["afloat", "reason"]
    assert rows.loc["fine", "reason"] == "" and rows.loc["fine", "view_now_frac"] > 0
    for eye in ("under", "afloat"):
        assert np.isnan(rows.loc[eye, "view_now_frac"]) and np.isnan(rows.loc[eye, "view_deg2"])
        assert eye not in set(result["sight_rays"]["eye_id"])
    told = [str(note) for note in result.notes if note.level == "missing"]
    assert any(text.startswith("eye under: no view: the eye is not above") for text in told)
    only = made.sights(made.site_of([WALL], [6.0], eyes[:1]))
    assert len(only["sight_eyes"]) == 1 and len(only["sight_rays"]) == 0
    assert list(only["sight_rays"].columns) == list(result["sight_rays"].columns)
    assert list(only["sight_blocks"].columns) == list(result["sight_blocks"].columns)


def test_a_lot_without_frontage_has_no_view():
    lots = {"A": box(-100, -80, 100, 0), "C": box(-100, -300, 100, -200)}
    site = made.site_of([WALL], [6.0], [("e", 0.0, -250.0, 10.0)], lots=lots)
    row, rays = eye_rows(made.sights(site))
    assert row["lot_id"] == "C" and row["reason"] == "there is no frontage" and len(rays) == 0


def test_the_lot_of_an_eye_is_named_or_found():
    lots = {"A": box(-100, -80, 0, 0), "B": box(0, -80, 100, 0)}
    eyes = [
        ("named", -50.0, -50.0, 9.0, np.nan, "B"),
        ("inside", -50.0, -50.0, 9.0),
        ("behind", 60.0, -100.0, 9.0),
    ]
    site = made.site_of([WALL], [2.0], eyes, lots=lots)
    mine, notes = eyes_of_lots(site.lots, site.eyes)
    assert mine["lot_id"].tolist() == ["B", "A", "B"]
    (note,) = notes
    assert str(note) == "eye behind: stands in no lot; taken as of lot B, the nearest, 20.0 ft away"
    assert note.level == "assumed"
    neighbour = made.site_of([WALL], [2.0], eyes, lots=lots, is_measured=[True, False])
    mine, notes = eyes_of_lots(neighbour.lots, neighbour.eyes)
    assert mine["eye_id"].tolist() == ["inside", "behind"]
    assert mine["lot_id"].tolist() == ["A", "A"]
    assert "left out: its lot B is not measured" in str(notes[0])
    alone = made.site_of([WALL], [2.0], eyes[1:2], lots=lots, is_measured=[False, True])
    mine, notes = eyes_of_lots(alone.lots, alone.eyes)
    assert len(mine) == 0 and "stands in lot A, which is not measured" in str(notes[0])
    result = made.sights(alone)
    assert len(result["sight_eyes"]) == 0
    assert Note("eyes", "none looks over a measured lot", "missing") in result.notes


def bad(**changed):
    """A site whose first eye has something wrong."""
    site = made.site_of([WALL], [6.0], [("e", 0.0, -50.0, 10.0), ("f", 1.0, -50.0, 10.0)])
    for name, value in changed.items():
        site.eyes.loc[0, name] = value
    return site


@pytest.mark.parametrize(
    ("changed", "error", "words"),
    [
        ({"elevation_ft": np.nan}, RangeError, "eye 'e': found neither a height nor an elevation"),
        ({"elevation_ft": np.inf}, RangeError, "eye 'e': found inf ft"),
        ({"height_ft": -1.0}, RangeError, "eye 'e': found -1 ft"),
        ({"lot_id": "Z"}, LayerError, "eye 'e': found lot 'Z'; needed one of A"),
        ({"eye_id": "f"}, LayerError, "eyes: found eye_id 'f' twice"),
        ({"geometry": Point()}, LayerError, "eyes: found 1 without a shape"),
        ({"geometry": Point(np.nan, np.nan)}, RangeError, "eye 'e': found no usable coordinates"),
        ({"geometry": Point(np.inf, 0.0)}, RangeError, "eye 'e': found no usable coordinates"),
        ({"geometry": Point(0.0, 0.0)}, RangeError, "eye 'e': found a place 8"),
        ({"geometry": LineString([(0, 0), (1, 1)])}, LayerError, "eyes: found LineString"),
    ],
)
def test_bad_eyes_are_told_in_clear_words(changed, error, words):
    with pytest.raises(error, match=words):
        made.sights(bad(**changed))


def test_an_empty_layer_a_missing_column_and_another_crs_are_told():
    site = bad()
    with pytest.raises(LayerError, match="eyes: found no shapes"):
        eyes_of_lots(site.lots, site.eyes.iloc[:0])
    with pytest.raises(LayerError, match="eyes: found no column height_ft"):
        eyes_of_lots(site.lots, site.eyes.drop(columns="height_ft"))
    with pytest.raises(CRSError, match="eyes: found CRS"):
        eyes_of_lots(site.lots, site.eyes.to_crs(made.METRES))


def test_the_declared_columns_are_there():
    result = made.sights(made.site_of([WALL], [6.0], [(*EYE, 10.0)]))
    assert set(result.tables) == set(SIGHTLINES.outputs)
    for name, columns in SIGHTLINES.outputs.items():
        assert set(columns) <= set(result[name].columns), name
        for column in columns:
            kind = bool if column.startswith("is_") else np.float64
            assert result[name][column].dtype == kind, column
