"""Cross-sections against lots drawn by hand: planes, boxes, cones, and depths worked out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from pandas import DataFrame
from pyproj import CRS, Transformer
from sections_made import before, notes, of, run, site_of, stages_of, window_of
from sites import FLORIDA_EAST_M, FLORIDA_EAST_USFT, arc, readings
from test_foliage import random_foliage

from geotrim.core.foliage import above_frac
from geotrim.core.foliage_curve import foliage_curves
from geotrim.core.section_line import SectionLine, crossing_ft
from geotrim.errors import RangeError
from geotrim.model import Result, Site
from geotrim.ops import ground_view
from geotrim.ops.chain import measure
from geotrim.ops.section_places import letters, places_of
from geotrim.report.sections_text import sections_text
from geotrim.units import feet_per_map_unit

#: Two boxes and a round crown: x from, y from, x to, y to; centre of the cone. [ft]
LOW_BOX, TALL_BOX = (44, -12, 56, -4), (46, 8, 54, 20)
CONE = (20.0, 10.0)
RADIUS, PEAK, FALL = 8.0, 16.0, 1.25
BOX_TOPS = {LOW_BOX: 9.0, TALL_BOX: 14.0}


def tops(x, y):
    """Boxes of one height, a cone that falls 1.25 ft a foot, nothing elsewhere. [ft]."""
    out = np.zeros(np.shape(x))
    for (x0, y0, x1, y1), top in BOX_TOPS.items():
        out[(x > x0) & (x < x1) & (y > y0) & (y < y1)] = top
    away = np.hypot(x - CONE[0], y - CONE[1])
    return np.where(away < RADIUS, PEAK - FALL * away, out)


def slope(x, y):
    """A plane that falls a tenth of a foot each foot to the water, 0.31 ft at the shore."""
    return 0.31 - 0.1 * y


SHAPES = [shapely.box(*LOW_BOX), shapely.box(*TALL_BOX), shapely.Point(CONE).buffer(RADIUS, 64)]
SPOTS = [(50, -8), (51, 14), CONE]
BASES = [3.0, np.nan, 4.0]


def drawn(**how):
    given = {"ground": slope, "points": SPOTS, "bases": BASES, **how}
    return site_of(SHAPES, tops, **given)


SITE = drawn()


@pytest.fixture(scope="module")
def plain():
    return run(SITE, section_stations_ft=(50.0,))


# --- the line, the ground, the trunks -------------------------------------------------------------


def test_a_section_runs_square_over_the_shore_past_the_crowns(plain):
    """Crowns in the strip reach from -12 to 20 ft; five feet more on both sides, in whole feet."""
    row = of(plain, "sections").iloc[0]
    assert (row.lot_id, row.section_id, row.stretch_id) == ("A", "A", "A/1")
    assert row.why == "asked for" and row.station_ft == 50.0 and row.half_width_ft == 5.0
    assert (row.land_ft, row.water_ft) == (-17.0, 25.0)
    ends = shapely.get_coordinates(row.geometry) * 1200 / 3937 / 0.3048
    np.testing.assert_allclose(ends, [(50, -17), (50, 25)], atol=1e-6)
    assert row.smoothed_line_ft == pytest.approx(0.0, abs=1e-9)


def test_the_ground_of_a_plane_is_the_plane(plain):
    """At 0.31 - y / 10 ft, the water at 0.31 ft: -offset / 10, exact for bilinear cells."""
    rows = of(plain, "section_ground")
    np.testing.assert_allclose(rows["ground_ft"], -rows["offset_ft"] / 10, atol=1e-9)
    np.testing.assert_allclose(rows["offset_ft"], np.arange(-17, 25.25, 0.5), atol=1e-9)
    assert of(plain, "sections").iloc[0].water_elevation_ft == 0.31
    assert of(plain, "sections").iloc[0].has_ground


@pytest.mark.parametrize("most", [4_000_000, 1])
def test_the_ground_is_taken_under_the_section(monkeypatch, most):
    """A plane that rises along the shore too, a foot in 50: 1 ft at station 50, 1.6 ft at 80.

    Whether the raster is read once or, where that would be too much, place by place.
    """
    monkeypatch.setattr(ground_view, "MOST_AT_ONCE", most)
    site = replace(SITE, ground=drawn(ground=lambda x, y: slope(x, y) + x / 50).ground)
    rows = of(run(site, section_stations_ft=(50.0, 80.0), section_step_ft=2.0), "section_ground")
    rise = rows["section_id"].map({"A": 1.0, "B": 1.6})
    np.testing.assert_allclose(rows["ground_ft"], rise - rows["offset_ft"] / 10, atol=1e-6)


def test_the_water_may_be_told_and_the_step_chosen():
    result = run(SITE, section_stations_ft=(50.0,), water_elevation_ft=1.31, section_step_ft=2.0)
    rows = of(result, "section_ground")
    np.testing.assert_allclose(rows["ground_ft"], -rows["offset_ft"] / 10 - 1.0, atol=1e-9)
    # both ends and the multiples of 2 ft between them
    want = [-17.0, *np.arange(-16.0, 25.0, 2.0), 25.0]
    np.testing.assert_allclose(rows["offset_ft"], want, atol=1e-9)
    assert of(result, "sections").iloc[0].water_elevation_ft == 1.31


def test_trunks_stand_at_their_offsets_and_bound_the_depth(plain):
    """Trunks at -8 and 14 ft: 22 ft from trunk to trunk; the cone's is 30 ft away along shore."""
    rows = of(plain, "section_trunks")
    assert rows["crown_id"].tolist() == ["t0", "t1"]
    np.testing.assert_allclose(rows["offset_ft"], [-8.0, 14.0], atol=1e-6)
    np.testing.assert_allclose(rows["aside_ft"], [0.0, 1.0], atol=1e-6)
    assert rows["has_trunk"].all() and rows["is_fringe"].all()
    row = of(plain, "sections").iloc[0]
    assert row.fringe_depth_ft == pytest.approx(22.0, abs=1e-6)
    assert row.landward_trunk_ft == pytest.approx(-8.0, abs=1e-6)
    assert row.waterward_trunk_ft == pytest.approx(14.0, abs=1e-6)
    assert row.reference == "trunk"


@pytest.mark.parametrize(("second", "depth"), [((0.0, 55.0), 47.631), ((-20.0, 45.0), 48.971)])
def test_depth_is_square_to_a_turned_shore(second, depth):
    """Worked example X-01 of the fact sheet: shore turned by 30 deg, trunks (0, 0) and second.

    Square to the shore: (0, 55) . (-0.5, 0.866025) = 47.631 ft; (-20, 45) gives 48.971 ft.
    """
    turned = np.radians(30.0)
    back = np.array([[np.cos(turned), np.sin(turned)], [-np.sin(turned), np.cos(turned)]])
    second = back @ second + (30.0, 0.0)  # in the frame that is then turned, 30 ft along the shore
    spots = [(30.0, 0.0), tuple(second)]
    shapes = [shapely.Point(p).buffer(3.0) for p in spots]
    site = site_of(shapes, lambda x, y: np.full(np.shape(x), 10.0), points=spots, turn=30.0)
    # a swath of 60 ft around the station holds both trunks
    result = run(site, section_stations_ft=(40.0,), swath_ft=60.0)
    row = of(result, "sections").iloc[0]
    assert row.fringe_depth_ft == pytest.approx(depth, abs=5e-4)
    assert row.waterward_trunk_ft - row.landward_trunk_ft == pytest.approx(depth, abs=5e-4)
    a, b = shapely.get_coordinates(row.geometry)
    np.testing.assert_allclose((b - a) / np.linalg.norm(b - a), (-0.5, 0.866025), atol=1e-6)
    assert of(result, "section_trunks")["crown_id"].tolist() == ["t0", "t1"]


def test_a_section_on_a_transect_takes_its_figures():
    results = measure(SITE, ["fringe"])
    rows = results["fringe"]["transects"]
    deep = rows.iloc[int(rows["fringe_depth_ft"].argmax())]
    row = of(run(SITE), "sections").iloc[-1]
    assert "deepest" in row.why and row.station_ft == deep.station_ft
    assert row.fringe_depth_ft == deep.fringe_depth_ft
    assert row.landward_trunk_ft == pytest.approx(deep.landward_ft, abs=1e-9)
    assert row.reference == deep.reference


def test_between_transects_depth_is_measured_as_fringe_does():
    """At 20 ft only the cone's trunk stands within 10 ft: no depth. Its edges are 16 ft apart."""
    row = of(run(SITE, section_stations_ft=(20.0,)), "sections").iloc[0]
    assert row.fringe_depth_ft == pytest.approx(0.0, abs=1e-9) and row.reference == "trunk"
    row = of(run(SITE, section_stations_ft=(20.0,), fringe_reference="edge"), "sections").iloc[0]
    assert row.fringe_depth_ft == pytest.approx(16.0, abs=1e-6) and row.reference == "edge"
    assert (row.landward_trunk_ft, row.waterward_trunk_ft) == pytest.approx((2.0, 18.0), abs=1e-6)
    rows = before(SITE, fringe_reference="edge")["fringe"]["transects"].set_index("station_ft")
    trees = rows["n_trees"].to_numpy()  # trunks at 20, 50 and 51 ft, within 10 ft of 5, 15 ... 95
    assert trees.tolist() == [0, 1, 1, 0, 2, 2, 0, 0, 0, 0]
    row = of(run(SITE, section_stations_ft=(80.0,)), "sections").iloc[0]
    assert np.isnan(row.fringe_depth_ft) and (row.land_ft, row.water_ft) == (-10.0, 10.0)


def test_on_a_round_shore_offsets_count_from_the_line_itself():
    """A circle of 100 ft smoothed over 50 ft shrinks to R sin(L/2R) / (L/2R) = 98.9616 ft.

    Water outside: the smoothed line lies 1.0384 ft landward of the shore, at offset -1.0384; its
    chords of 2 ft lie up to 2^2 / 800 = 0.005 ft inside the curve.
    """
    round_shore = arc(100.0, 170.0, 10.0, step=0.25)  # clockwise: water, outside, on the left
    land = shapely.Polygon([*arc(100.0, 150.0, 30.0, step=0.25), (0.0, 20.0)])
    spots = [(0.0, 95.0), (0.0, 107.0)]
    shapes = [shapely.Point(p).buffer(3.0) for p in spots]
    site = site_of(
        shapes, lambda x, y: np.full(np.shape(x), 10.0), points=spots, lot=land,
        line=shapely.LineString(round_shore),
    )  # fmt: skip
    row = of(run(site), "sections").iloc[0]
    want = 100.0 * np.sin(0.25) / 0.25 - 100.0
    assert row.smoothed_line_ft == pytest.approx(want, abs=6e-3)
    zero = row.geometry.interpolate(-row.land_ft * 0.3048 / (1200 / 3937))
    assert np.hypot(zero.x, zero.y) * 1200 / 3937 / 0.3048 == pytest.approx(100.0, abs=2e-3)
    assert row.fringe_depth_ft == pytest.approx(12.0, abs=2e-3)
    assert row.landward_trunk_ft == pytest.approx(-5.0, abs=3e-3)
    trunk = of(run(site), "section_trunks")
    trunk = trunk[trunk["section_id"] == row.section_id]
    np.testing.assert_allclose(trunk["offset_ft"], [-5.0, 7.0], atol=3e-3)


# --- canopy ---------------------------------------------------------------------------------------


def test_boxes_are_columns_from_their_base_to_their_top(plain):
    low, tall = (of(plain, "section_columns", crown_id=i) for i in ("t0", "t1"))
    np.testing.assert_allclose(low["offset_ft"], np.arange(-11.75, -4, 0.5))
    np.testing.assert_allclose(tall["offset_ft"], np.arange(8.25, 20, 0.5))
    assert (low["top_ft"] == 9.0).all() and (low["base_ft"] == 3.0).all()
    assert (tall["top_ft"] == 14.0).all() and (tall["base_ft"] == 0.0).all()
    assert set(of(plain, "section_columns")["crown_id"]) == {"t0", "t1"}


@pytest.mark.parametrize(("station", "aside"), [(20.0, 0.0), (26.0, 4.0), (15.5, 2.5)])
def test_of_a_cone_the_strip_shows_its_nearest_part(station, aside):
    """At u along the section, at best ``aside`` beside the peak: 16 - 1.25 sqrt(u^2 + aside^2).

    Cells of half a foot are read at their centres and a step is half a foot wide, so that the
    highest cell may be half a diagonal nearer or farther: within 0.36 x 1.25 ft, and 0.25 more.
    """
    result = run(SITE, section_stations_ft=(station,), section_width_ft=4.0)
    rows = of(result, "section_columns", crown_id="t2")
    u = rows["offset_ft"] - CONE[1]
    want = PEAK - FALL * np.hypot(u, aside)
    np.testing.assert_allclose(rows["top_ft"], want, atol=FALL * 0.61)
    reach = np.sqrt(RADIUS**2 - aside**2)
    assert rows["offset_ft"].min() == pytest.approx(CONE[1] - reach, abs=0.5)
    assert rows["offset_ft"].max() == pytest.approx(CONE[1] + reach, abs=0.5)
    assert (rows["base_ft"] == 4.0).all()
    assert rows["top_ft"].max() == pytest.approx(PEAK - FALL * aside, abs=FALL * 0.61)


def test_a_coarse_raster_leaves_no_gap():
    """Cells of 3 ft under steps of half a foot: every step of the box has its height.

    Edges of cells lie at 7, 10 ... 19, 22 ft from the shore. The cell from 7 to 10 ft is read in
    the box, that from 19 to 22 ft beyond it: the canopy ends at 19 ft there.
    """
    site = drawn(cell=3.0, ground=None)
    rows = of(run(site, section_stations_ft=(50.0,)), "section_columns", crown_id="t1")
    np.testing.assert_allclose(rows["offset_ft"], np.arange(8.25, 19, 0.5))
    assert (rows["top_ft"] == 14.0).all()


def flat(x, y):
    """Canopy of 14 ft everywhere, beyond the crowns too."""
    return np.full(np.shape(x), 14.0)


def test_canopy_ends_at_the_outline_whatever_the_cells():
    """Cells of 3 ft that show canopy beyond the box too: it ends at 8 and 20 ft all the same."""
    rows = of(
        run(site_of(SHAPES, flat, points=SPOTS, cell=3.0), section_stations_ft=(50.0,)),
        "section_columns",
        crown_id="t1",
    )
    np.testing.assert_allclose(rows["offset_ft"], np.arange(8.25, 20, 0.5))


def test_a_slanting_outline_is_followed():
    """A crown standing on its corner, 6 ft to each: 2 ft beside its middle it is 8 ft deep."""
    corners = [(44, 14), (50, 8), (56, 14), (50, 20)]
    site = site_of([shapely.Polygon(corners)], flat, points=[(50, 14)], cell=3.0)
    result = run(site, section_stations_ft=(53.0,), section_width_ft=2.0)
    np.testing.assert_allclose(
        of(result, "section_columns")["offset_ft"], np.arange(10.25, 18, 0.5)
    )


def test_a_sliver_in_coarse_cells_is_seen():
    """A crown 1 ft wide along the shore, in cells of 3 ft."""
    site = site_of([shapely.box(51.6, 2, 52.6, 10)], flat, points=[(52, 6)], cell=3.0)
    rows = of(run(site, section_stations_ft=(50.0,)), "section_columns")
    np.testing.assert_allclose(rows["offset_ft"], np.arange(2.25, 10, 0.5))


def test_cells_too_little_covered_do_not_count():
    """The box reaches a quarter of a foot into cells of 30 ft: half covered, under the share asked.

    With a least coverage of 0.6 the top is 14 ft as in the operation heights; with 0.4 it is 30.
    """

    def beside(x, y):
        return np.where(x > 54.0, 30.0, 14.0)

    site = site_of([shapely.box(46, 8, 54.25, 20)], beside, points=[(50, 14)])
    for least, top in ((0.6, 14.0), (0.4, 30.0)):
        result = run(site, section_stations_ft=(50.0,), min_coverage_frac=least)
        assert of(result, "section_columns")["top_ft"].max() == top


def test_trunks_in_a_wide_strip_are_shown_beyond_the_swath():
    """The trunk 12 ft along the shore from the station is in a strip of 30 ft, in no swath."""
    wide = run(SITE, section_stations_ft=(32.0,), section_width_ft=30.0, swath_ft=20.0)
    assert of(wide, "section_trunks")["crown_id"].tolist() == ["t2"]
    assert of(wide, "section_trunks")["aside_ft"].tolist() == pytest.approx([12.0], abs=1e-6)
    slim = run(SITE, section_stations_ft=(32.0,), section_width_ft=20.0, swath_ft=20.0)
    assert len(slim["section_trunks"]) == 0


@pytest.mark.parametrize(
    "how",
    [
        {"crs": FLORIDA_EAST_M},
        {"south_up": True},
        {"crs": FLORIDA_EAST_M, "south_up": True, "unit": 1 / 0.3048},
    ],
    ids=["metres", "south-up", "both, heights in metres"],
)
def test_other_units_and_grids_give_the_same_feet(how):
    one, other = run(SITE), run(drawn(**how))
    for table in ("sections", "section_ground", "section_columns", "section_trunks"):
        left, right = one[table], other[table]
        assert len(left) == len(right) and len(left)
        for name in left.columns.drop([c for c in left if c == "geometry"]):
            if left[name].dtype == float:
                np.testing.assert_allclose(left[name], right[name], atol=2e-5, err_msg=name)
            else:
                assert left[name].tolist() == right[name].tolist(), name
    left, right = one["foliage_curves"], other["foliage_curves"]
    for tree, mine in left.groupby("crown_id"):
        rest = right[right["crown_id"] == tree]
        got = np.interp(mine["height_ft"], rest["height_ft"], rest["above_frac"])
        np.testing.assert_allclose(got, mine["above_frac"], atol=1e-3)


def test_a_crown_the_raster_does_not_show_has_a_flat_top_and_one_unknown_has_none():
    """Of the tall box the raster says nothing: 13 ft by stick stand in; the low one is unknown."""

    def gap(x, y):
        out = tops(x, y)
        out[(x > 40) & (x < 60)] = np.nan
        return out

    site = site_of(SHAPES, gap, points=SPOTS, fields=[np.nan, 13.0, np.nan])
    result = run(site, section_stations_ft=(50.0,))
    rows = of(result, "section_columns")
    assert set(rows["crown_id"]) == {"t1"} and (rows["top_ft"] == 13.0).all()
    np.testing.assert_allclose(rows["offset_ft"], np.arange(8.25, 20, 0.5))
    assert "1 crown (t1), section A of lot A: drawn with a flat top" in notes(result, "assumed")
    assert "1 crown (t0), section A of lot A: left out" in notes(result, "missing")
    sides = result["crown_sides"]
    assert "t0" not in set(sides["crown_id"]) and "t0: no side view" not in notes(result)
    assert "1 without a height (t0): no side view" in notes(result, "missing")
    assert not of(result, "crown_sides", crown_id="t1")["is_from_raster"].any()
    assert "t0" not in set(result["foliage_curves"]["crown_id"])


def test_a_crown_that_the_raster_shows_bare_stands_at_its_height_by_stick():
    site = site_of(SHAPES, lambda x, y: 0.0 * x, points=SPOTS, fields=[np.nan, 13.0, np.nan])
    rows = of(run(site, section_stations_ft=(50.0,)), "section_columns")
    assert set(rows["crown_id"]) == {"t1"} and (rows["top_ft"] == 13.0).all()
    assert len(rows) == 24


def test_nothing_is_told_of_a_crown_that_hardly_touches_the_strip():
    """Of unknown height, it reaches a hundredth of a foot into the strip from 45 to 55 ft."""
    shapes = [*SHAPES, shapely.box(54.99, -3, 60, 6)]
    site = site_of(
        shapes, lambda x, y: np.where(x > 54.7, np.nan, tops(x, y)), points=[*SPOTS, (58, 2)]
    )
    result = run(site, section_stations_ft=(50.0,))
    assert set(of(result, "section_columns")["crown_id"]) == {"t0", "t1"}
    assert "section A of lot A: left out" not in notes(result)


def test_a_height_by_stick_moves_columns_sides_and_curves_alike():
    """The tall box, 14 ft in the raster, is 15.5 ft by stick."""
    site = drawn(fields=[np.nan, 15.5, np.nan])
    result = run(site, section_stations_ft=(50.0,))
    assert (of(result, "section_columns", crown_id="t1")["top_ft"] == 15.5).all()
    side = of(result, "crown_sides", crown_id="t1")
    np.testing.assert_allclose(side["top_ft"], 15.5)
    assert side["is_from_raster"].all()
    curve = of(result, "foliage_curves", crown_id="t1")
    assert curve["height_ft"].max() == pytest.approx(15.5)
    np.testing.assert_allclose(curve["above_frac"], 1 - curve["height_ft"] / 15.5, atol=1e-9)


def test_the_height_the_act_judges_by_goes_before_the_raster():
    """Route judges the tall box, 14 ft in the raster, at 12.5 ft."""
    judged = Result(
        "route", {"tree_outcomes": DataFrame({"crown_id": ["t1"], "top_height_ft": 12.5})}
    )
    result = run(SITE, section_stations_ft=(50.0,), more={"route": judged})
    for table, name in (("section_columns", "top_ft"), ("crown_sides", "top_ft")):
        np.testing.assert_allclose(of(result, table, crown_id="t1")[name], 12.5)
        np.testing.assert_allclose(of(result, table, crown_id="t0")[name], 9.0)
    assert of(result, "foliage_curves", crown_id="t1")["height_ft"].max() == pytest.approx(12.5)


def test_stick_readings_lower_every_height_where_that_is_asked_for():
    """Sticks read a foot less than the raster: with the bias off, columns and sides do too.

    The cone's highest cell is read a quarter of a foot beside the peak both ways.
    """
    cone = PEAK - FALL * np.hypot(0.25, 0.25)
    site = replace(SITE, readings=readings(["t0", "t1", "t2"], [8.0, 13.0, cone - 1.0]))
    result = run(site, section_stations_ft=(50.0,), height_correction="bias")
    for tree, top in (("t0", 8.0), ("t1", 13.0)):
        for table in ("section_columns", "crown_sides"):
            found = of(result, table, crown_id=tree)["top_ft"]
            np.testing.assert_allclose(found, top, atol=1e-3)


def test_ground_in_another_crs_is_the_same_ground():
    """The plane as a raster in metres under a site in US survey feet of the same zone."""
    other = drawn(crs=FLORIDA_EAST_M)
    site = replace(SITE, ground=replace(other.ground, crs=FLORIDA_EAST_M))
    away = CRS.from_user_input(FLORIDA_EAST_USFT)
    assert feet_per_map_unit(away, "site") < 1.001  # feet; the raster's cells are 0.15 m
    moved = Transformer.from_crs(away, FLORIDA_EAST_M, always_xy=True).transform(50.0, 0.0)
    assert moved == pytest.approx((50 * 1200 / 3937, 0.0), abs=1e-3)
    rows = of(run(site, section_stations_ft=(50.0,)), "section_ground")
    np.testing.assert_allclose(rows["ground_ft"], -rows["offset_ft"] / 10, atol=2e-3)
    assert len(rows) == 85


def test_other_plants_do_not_lengthen_a_section_but_are_shown():
    """An oak 60 ft landward is no part of the fringe; one whose crown reaches in is shown whole."""
    far, near = shapely.box(45, -70, 55, -60), shapely.box(45, -26, 55, -10)
    shapes = [*SHAPES, far, near]
    spots = [*SPOTS, (50, -65), (50, -18)]
    kinds = [*["red mangrove"] * 3, *["live oak"] * 2]
    site = site_of(shapes, lambda x, y: np.full(np.shape(x), 11.0), points=spots, species=kinds)
    result = run(site, section_stations_ft=(50.0,))
    # all are 11 ft tall but the oaks, of 30 ft by stick: no section is drawn for them
    tall = replace(site, crowns=site.crowns.assign(field_height_ft=[np.nan] * 3 + [30.0] * 2))
    assert of(run(tall), "sections")["why"].str.contains("at t0, the tallest tree").any()
    row = of(result, "sections").iloc[0]
    assert (row.land_ft, row.water_ft) == (-31.0, 25.0)  # 26 ft and 5 ft more
    assert set(of(result, "section_columns")["crown_id"]) == {"t0", "t1", "t4"}
    rows = of(result, "section_trunks")
    assert rows["crown_id"].tolist() == ["t4", "t0", "t1"]
    assert rows["is_fringe"].tolist() == [False, True, True]
    assert row.landward_trunk_ft == pytest.approx(-8.0, abs=1e-6)


def test_a_long_crown_of_another_plant_is_cut_short():
    """It reaches from -10 to -70 ft; the fringe ends at -12: 20 ft more are shown, and 5 past."""
    shapes = [*SHAPES, shapely.box(45, -70, 55, -10)]
    kinds = [*["red mangrove"] * 3, "live oak"]
    site = site_of(shapes, flat, points=[*SPOTS, (50, -40)], species=kinds)
    result = run(site, section_stations_ft=(50.0,))
    assert of(result, "sections").iloc[0].land_ft == -37.0
    rows = of(result, "section_columns", crown_id="t3")
    np.testing.assert_allclose(rows["offset_ft"], np.arange(-36.75, -10, 0.5))
    assert "t3" not in set(of(result, "section_trunks")["crown_id"])  # it stands at -40 ft


def test_the_shore_line_that_is_met_is_the_nearest():
    """A hook in the line is met again 30 ft out: offset 0 is the shore under the section."""
    section = SectionLine(np.array([10.0, 1.0]), np.array([0.0, 1.0]), 1.0)
    hook = shapely.LineString([(0, 0), (40, 0), (40, 31), (0, 31)])
    assert crossing_ft(section, hook, 50.0) == pytest.approx(-1.0)
    assert crossing_ft(section, shapely.reverse(hook), 50.0) == pytest.approx(-1.0)
    away = SectionLine(np.array([10.0, 28.0]), np.array([0.0, 1.0]), 1.0)
    assert crossing_ft(away, hook, 50.0) == pytest.approx(3.0)
    assert crossing_ft(away, shapely.reverse(hook), 50.0) == pytest.approx(3.0)
    assert crossing_ft(away, hook, 2.0) is None


# --- crowns from the side -------------------------------------------------------------------------


def test_sides_are_boxes_and_a_cone(plain):
    """The box stands from 46 to 54 ft along the shore, level; the cone peaks in the middle."""
    box = of(plain, "crown_sides", crown_id="t1")
    assert box["is_from_raster"].all() and (box["top_ft"] == 14.0).all()
    assert (box["station_ft"].min(), box["station_ft"].max()) == pytest.approx((46.0, 54.0))
    cone = of(plain, "crown_sides", crown_id="t2")
    want = PEAK - FALL * np.abs(cone["station_ft"] - CONE[0])
    # steps of 1.25 cells of half a foot: the highest cell of a step is up to that much nearer
    np.testing.assert_allclose(cone["top_ft"][1:-1], want[1:-1], atol=FALL * 0.8)
    assert (cone["station_ft"].min(), cone["station_ft"].max()) == pytest.approx((12.0, 28.0))
    assert set(plain["crown_sides"]["stretch_id"]) == {"A/1"}
    assert np.all(np.diff(cone["station_ft"]) >= 0)


# --- foliage curves -------------------------------------------------------------------------------

#: Share of a solid of revolution above t, the height as a share of base to top: integrals of the
#: section r^2(t) over t to 1, over that over 0 to 1.
ABOVE = {
    "cylinder": lambda t: 1 - t,
    "cone": lambda t: (1 - t) ** 3,  # r = 1 - t
    "paraboloid": lambda t: (1 - t) ** 2,  # r^2 = 1 - t
    "half-ellipsoid": lambda t: 1 - (3 * t - t**3) / 2,  # r^2 = 1 - t^2
    "ellipsoid": lambda t: 1 - 3 * t**2 + 2 * t**3,  # r^2 = 4 t (1 - t)
    "neiloid": lambda t: (1 - t) ** 4,  # r^2 = (1 - t)^3
}


@pytest.mark.parametrize("model", ABOVE)
def test_curves_of_solids_are_their_integrals(model):
    result = run(SITE, section_stations_ft=(50.0,), canopy_model=model, crown_base_ft=2.0)
    for tree, base, top in (("t0", 3.0, 9.0), ("t1", 2.0, 14.0)):
        curve = of(result, "foliage_curves", crown_id=tree)
        assert (curve["canopy_model"] == model).all()
        z, share = curve["height_ft"].to_numpy(), curve["above_frac"].to_numpy()
        assert z[0] == base and z[-1] == pytest.approx(top)
        np.testing.assert_allclose(share, ABOVE[model]((z - base) / (top - base)), atol=1e-9)
        assert share[0] == 1.0 and share[-1] == 0.0
        assert np.diff(z).max() <= 0.1 + 1e-9 and np.diff(z).min() > 0


def test_a_curve_bends_where_cells_do():
    """Half the crown is 10.03 ft high, half 3.47 ft; foliage from the substrate up.

    Above z: (10.03 - z) + max(3.47 - z, 0) of 13.5 ft: read straight between its heights the curve
    is right to a thousandth everywhere, at the bend too.
    """

    def halves(x, y):
        return np.where(y > 14.0, 10.03, 3.47)

    site = site_of([shapely.box(*TALL_BOX)], halves, points=[(50, 14)])
    curve = of(run(site, section_stations_ft=(50.0,)), "foliage_curves")
    z = np.linspace(0.0, 10.03, 5003)
    want = ((10.03 - z) + np.maximum(3.47 - z, 0.0)) / 13.5
    got = np.interp(z, curve["height_ft"], curve["above_frac"])
    assert np.abs(got - want).max() < 1e-3
    assert {0.0, 10.03} <= set(curve["height_ft"].round(9))
    assert (np.diff(curve["above_frac"]) < 0).all()


def test_a_thin_crown_bends_too():
    """Foliage from 9 ft only: half to 9.55 ft, half to 9.73 ft; steps of a tenth alone would miss.

    Read at 9.5 and 9.6 ft only, the bend at 9.55 ft is missed by a quarter of its step: 2 %.
    """

    def halves(x, y):
        return np.where(y > 14.0, 9.73, 9.55)

    site = site_of([shapely.box(*TALL_BOX)], halves, points=[(50, 14)], bases=[9.0])
    result = run(site, section_stations_ft=(50.0,), canopy_model="crown-base")
    curve = of(result, "foliage_curves")
    z = np.linspace(9.0, 9.73, 3001)
    want = ((9.73 - z) + np.maximum(9.55 - z, 0.0)) / (0.73 + 0.55)
    got = np.interp(z, curve["height_ft"], curve["above_frac"])
    assert np.abs(got - want).max() < 1e-3
    assert curve["height_ft"].iloc[0] == 9.0 and curve["above_frac"].iloc[-1] == 0.0


@pytest.mark.parametrize("model", ["column", "crown-base", "profile", *ABOVE])
@pytest.mark.parametrize("seed", range(3))
def test_curves_read_straight_are_right_to_a_thousandth(model, seed):
    """Crowns of odd shape over ragged heights, leaves in layers: nowhere a thousandth off."""
    found = random_foliage(seed, model)
    curves = foliage_curves(found, np.arange(len(found)))
    known = np.flatnonzero(np.nan_to_num(found.whole_ft3) > 0)
    assert np.unique(curves.tree).tolist() == known.tolist()
    for tree in known:
        mine = curves.tree == tree
        z, share = curves.height_ft[mine], curves.above_frac[mine]
        assert np.all(np.diff(z) > 0) and np.diff(z).max() <= 0.1 + 1e-9
        assert share[-1] == pytest.approx(0.0, abs=1e-12)
        assert share[0] == pytest.approx(1.0, abs=1e-12)
        assert np.all(np.diff(share) <= 1e-12)
        assert np.abs(z - found.foliage_top_ft[tree]).min() < 1e-9
        at = np.random.default_rng(seed).uniform(z[0], z[-1], 2000)
        want = above_frac(found, at, tree=np.full(at.size, tree))
        assert np.abs(np.interp(at, z, share) - want).max() < 1e-3


def test_crowns_of_no_lot_have_neither_curve_nor_side():
    site = site_of([*SHAPES, shapely.box(150, 2, 156, 8)], flat, points=[*SPOTS, (153, 5)])
    result = run(site, section_stations_ft=(50.0,))
    for table in ("foliage_curves", "crown_sides"):
        assert set(result[table]["crown_id"]) == {"t0", "t1", "t2"}
        assert set(result[table]["lot_id"]) == {"A"}


# --- where sections are ---------------------------------------------------------------------------


def test_letters_go_on_after_z():
    assert letters(53)[25:28] == ["Z", "AA", "AB"] and letters(53)[52] == "BA"
    assert letters(0) == []


def test_without_a_plan_the_deepest_place_and_the_tallest_tree(plain):
    """Transects at 45 and 55 ft are 22 ft deep, the first counts; the cone is the tallest."""
    rows = of(run(SITE), "sections")
    assert rows["section_id"].tolist() == ["A", "B"]
    assert rows["station_ft"].tolist() == pytest.approx([20.0, 45.0], abs=1e-6)
    assert rows["why"].tolist() == ["at t2, the tallest tree", "where the fringe is deepest"]


def test_the_spans_and_the_tallest_tree_that_is_cut():
    """Spans of 12, 4, 9 and 8 ft: the three longest. The tall box, 1 ft from 50, is cut."""
    window = window_of(
        ("A/1", 2.0, 14.0), ("A/1", 24.0, 28.0), ("A/1", 75.0, 84.0), ("A/1", 90.0, 98.0),
        cut=("t1",),
    )  # fmt: skip
    rows = of(run(SITE, more={"window": window}), "sections")
    assert rows["station_ft"].tolist() == pytest.approx([8.0, 45.0, 51.0, 79.5, 94.0], abs=1e-6)
    assert rows["section_id"].tolist() == list("ABCDE")
    assert rows["why"].tolist() == [
        "the middle of the window's span from 2 to 14 ft",
        "where the fringe is deepest",
        "at t1, the tallest tree that is cut",
        "the middle of the window's span from 75 to 84 ft",
        "the middle of the window's span from 90 to 98 ft",
    ]


def test_years_say_which_trees_are_cut():
    """The cone is cut by the years, though the window's table has another tree."""
    more = {"window": window_of(("A/1", 70.0, 80.0), cut=("t1",)), "stages": stages_of("t2", "t0")}
    rows = of(run(SITE, more=more), "sections")
    assert rows["why"].tolist() == [
        "at t2, the tallest tree that is cut",
        "where the fringe is deepest",
        "the middle of the window's span from 70 to 80 ft",
    ]
    # with a window, a tree that is not cut gets no section
    rows = of(run(SITE, more={"window": window_of(("A/1", 70.0, 80.0))}), "sections")
    assert len(rows) == 2 and not rows["why"].str.contains("tallest").any()


def places(deep_ft, window, **tree):
    """Stations of a made-up lot: two stretches to 50 ft and on, its deepest place, and a tree."""
    rows = {"lot_id": ["A"], "stretch_id": ["A/1"], "station_ft": [deep_ft]}
    transects = DataFrame({**rows, "fringe_depth_ft": [30.0]})
    tree = {"crown_id": "T", "stretch_id": "A/1", "top_ft": 20.0, "is_cut": True, **tree}
    trees = DataFrame([tree])[lambda rows: [("station_ft" in tree)] * len(rows)]
    return places_of("A", Result("fringe", {"transects": transects}), trees, window, 5.0)


@pytest.mark.parametrize(("low", "n"), [(41.0, 2), (40.0, 1)])
def test_what_stands_out_of_the_strip_gets_a_section_of_its_own(low, n):
    """The deepest at 45 ft, 5 ft to both sides are drawn; the span's middle at 50.5 or 50.0 ft."""
    found = places(45.0, window_of(("A/1", low, 60.0)))
    assert len(found) == n
    if n == 1:
        assert found[0].station_ft == 45.0
        assert found[0].why.endswith("60 ft, 5.0 ft along the shore towards higher stations")


def test_what_is_near_two_sections_is_told_of_the_nearer():
    """The tree at 52 ft: 4.5 ft from the deepest, 4 ft from the span's middle at 56 ft."""
    found = places(47.5, window_of(("A/1", 52.0, 60.0)), station_ft=52.0)
    assert [one.station_ft for one in found] == [47.5, 56.0]
    assert found[0].why == "where the fringe is deepest"
    told = "; at T, the tallest tree that is cut, 4.0 ft along the shore towards lower stations"
    assert found[1].why.endswith(told)


def test_sections_of_two_stretches_may_be_near():
    """At a corner they face two ways."""
    found = places(49.0, window_of(("A/2", 50.0, 54.0)))
    assert [(one.stretch_id, one.station_ft) for one in found] == [("A/1", 49.0), ("A/2", 52.0)]


def test_stations_of_your_own_in_any_order():
    rows = of(run(SITE, section_stations_ft=(70.0, 10.0, 12.5, 10.0)), "sections")
    assert rows["station_ft"].tolist() == [10.0, 12.5, 70.0]
    assert rows["section_id"].tolist() == ["A", "B", "C"]


def test_a_station_past_the_end_is_refused_and_one_at_the_end_is_not():
    rows = of(run(SITE, section_stations_ft=(0.0, 100.5, 100.9)), "sections")
    assert rows["station_ft"].tolist() == pytest.approx([0.0, 100.0], abs=1e-6)
    with pytest.raises(RangeError, match=r"section_stations_ft.*120.*A: 0 to 100"):
        run(SITE, section_stations_ft=(50.0, 120.0))


def test_of_two_lots_the_shorter_goes_without():
    pair = [shapely.box(0, -100, 40, 0), shapely.box(40, -100, 100, 0)]
    site = site_of(SHAPES, tops, points=SPOTS, lot=pair)
    result = run(site, section_stations_ft=(20.0, 50.0))
    rows = of(result, "sections")
    assert list(zip(rows["lot_id"], rows["section_id"], strict=True)) == [
        ("A", "A"), ("B", "A"), ("B", "B"),
    ]  # fmt: skip
    assert "lot A: no cross-section at 50 ft, past the end of its shore" in notes(result)
    # stations count along each lot's own shore: 20 ft along lot B is 60 ft along x
    x = shapely.get_coordinates(rows.geometry.iloc[1])[0, 0] * 1200 / 3937 / 0.3048
    assert x == pytest.approx(60.0, abs=1e-6)
    columns = result["section_columns"]
    told = columns[["lot_id", "section_id", "crown_id"]].drop_duplicates().to_numpy().tolist()
    # the cone at 20 ft; at 60 ft the low box ends 4 ft to the left; nothing at 90 ft
    assert told == [["A", "A", "t2"], ["B", "A", "t0"]]


def test_every_stretch_of_a_corner_lot_can_have_its_section():
    """A point of land: shore up along x = 0, then right along y = 0; both have trees."""
    corner = shapely.LineString([(0, -60), (0, 0), (120, 0)])
    lot = shapely.box(0, -50, 100, 0)
    spots = [(-6, -30), (-2, -28), (60, 5), (62, 17)]
    shapes = [shapely.Point(p).buffer(3) for p in spots]
    site = site_of(shapes, lambda x, y: np.full(np.shape(x), 10.0), points=spots, lot=lot,
                   line=corner)  # fmt: skip
    result = run(site, section_stations_ft=(20.0, 110.0))
    rows = of(result, "sections")
    assert rows["stretch_id"].tolist() == ["A/1", "A/2"]
    way = [np.subtract(*shapely.get_coordinates(g)[::-1]) for g in rows.geometry]
    np.testing.assert_allclose([w / np.linalg.norm(w) for w in way], [(-1, 0), (0, 1)], atol=1e-6)
    assert rows["fringe_depth_ft"].tolist() == pytest.approx([4.0, 12.0], abs=1e-6)
    # the shore runs 50 ft up to the corner: trees at y = -28 and x = 60 stand at 22 and 110 ft
    sides = result["crown_sides"]
    middle = sides.groupby("crown_id")["station_ft"].agg(["min", "max"]).mean(axis=1)
    assert middle[["t1", "t2"]].tolist() == pytest.approx([22.0, 110.0], abs=1e-6)
    assert of(result, "crown_sides", crown_id="t2")["stretch_id"].unique().tolist() == ["A/2"]
    both = of(run(site), "sections")
    assert "deepest" in both["why"].iloc[-1] and both["stretch_id"].iloc[-1] == "A/2"


# --- what is missing ------------------------------------------------------------------------------


def test_without_ground_there_is_none_and_it_is_told():
    result = run(drawn(ground=None), section_stations_ft=(50.0, 80.0))
    assert not of(result, "sections")["has_ground"].any()
    assert len(result["section_ground"]) == 0
    assert list(result["section_ground"].columns) == [
        "lot_id", "section_id", "offset_ft", "ground_ft",
    ]  # fmt: skip
    assert "ground: none is given: sections A of lot A, B of lot A" in notes(result, "missing")
    assert len(of(result, "section_columns", "A"))


def test_a_hole_in_the_ground_is_unknown_and_ground_elsewhere_is_none():
    def holed(x, y):
        return np.where((y > 4) & (y < 12), np.nan, slope(x, y))

    result = run(drawn(ground=holed), section_stations_ft=(50.0,))
    rows = of(result, "section_ground").set_index("offset_ft")["ground_ft"]
    assert rows.loc[5.0:11.0].isna().all() and rows.loc[:3.5].notna().all()
    far = run(drawn(ground=lambda x, y: np.full(np.shape(x), np.nan)), section_stations_ft=(50.0,))
    assert not of(far, "sections")["has_ground"].iloc[0] and len(far["section_ground"]) == 0
    assert "the raster does not reach: section A of lot A" in notes(far, "missing")


def test_water_of_unknown_elevation_is_taken_at_zero():
    result = run(drawn(water=None), section_stations_ft=(50.0,))
    assert of(result, "sections")["water_elevation_ft"].iloc[0] == 0.0
    assert "water: taken at elevation 0 ft" in notes(result, "assumed")


def empty(table):
    return table.iloc[:0].copy()


def test_without_crowns_every_table_is_there_and_empty():
    site = Site(**{**{n: getattr(SITE, n) for n in Site.__slots__}, "crowns": empty(SITE.crowns)})
    result = run(site)
    full = run(SITE)
    for name, table in full.tables.items():
        assert len(result[name]) == 0 and list(result[name].columns) == list(table.columns), name
    assert "lot A: no cross-section, since no tree stands along its shore" in notes(result)
    asked = run(site, section_stations_ft=(30.0,))
    assert len(asked["sections"]) == 1 and len(asked["section_ground"]) > 10


def test_a_lot_without_frontage_has_no_section():
    site = site_of(SHAPES, tops, points=SPOTS, lot=shapely.box(0, -130, 100, -60))
    result = run(site)
    assert len(result["sections"]) == 0
    assert len(run(site, section_stations_ft=(10.0,))["sections"]) == 0
    assert "no tree stands" not in notes(result)  # the frontage tells why


# --- in words -------------------------------------------------------------------------------------


def test_words_say_where_why_and_how_deep():
    result = run(SITE)
    text = " ".join(sections_text(SITE, {"sections": result}).split())
    apparent = replace(SITE, mhw_origin="apparent-shoreline")
    other = " ".join(sections_text(apparent, {"sections": result}).split())
    assert "from the apparent shoreline, square" in other and "MHW" not in other
    assert "Lot A A: station 20.0 ft, at t2, the tallest tree; fringe 0.0 ft deep (trunk)" in text
    assert (
        "B: station 45.0 ft, where the fringe is deepest; fringe 22.0 ft deep (trunk), 8.0 ft "
        "landward to 14.0 ft waterward" in text
    )
    assert all(len(line) <= 80 for line in sections_text(SITE, {"sections": result}).splitlines())
    bare = run(drawn(ground=None), section_stations_ft=(80.0,))
    text = " ".join(sections_text(SITE, {"sections": bare}).split())
    assert "station 80.0 ft, asked for; no tree stands here" in text
    assert "No cross-section" in sections_text(SITE, {})
