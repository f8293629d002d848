"""Fringe depth, the zone and the setbacks: worked examples, closed forms and laws."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
import sites
from hypothesis import given
from hypothesis import strategies as st

from geotrim import Setback, fringe, frontage, riparian_lines, setbacks, zone
from geotrim.core.fringe import baseline_of, moving_average
from geotrim.core.setback import inside_shares, margins, strip, taken
from geotrim.core.shoreline import build_shore
from geotrim.core.stretches import side_lines
from geotrim.errors import LayerError, RangeError

STRAIGHT = [(-500, 0), (700, 0)]
LOT = shapely.box(0, -80, 100, 0)


class Chain:
    """A lot measured as far as the test needs it."""

    def __init__(self, lots, shore, crowns, trunks=None, riparian=None, **options):
        self.lots, self.shore, self.crowns, self.trunks = lots, shore, crowns, trunks
        self.frontage = frontage(lots, shore)
        self.lines = riparian_lines(lots, shore, self.frontage, **(riparian or {}))
        self.fringe = fringe(
            lots, shore, crowns, self.frontage, self.lines, trunks=trunks, **options
        )

    def zone(self, *rules, **given_):
        return zone(
            self.lots, self.shore, self.frontage, self.lines, self.fringe, setbacks=rules, **given_
        )

    def flags(self, *rules, **given_):
        return setbacks(
            self.lots, self.shore, self.crowns, self.frontage, self.lines, trunks=self.trunks,
            setbacks=rules, **given_,
        )  # fmt: skip


def discs(points, radius=3.0):
    return [shapely.Point(p).buffer(radius) for p in points]


def test_square_depth_on_an_oblique_shore():
    """X-01: shore turned 30 degrees, trunks at (0, 0) and (0, 55): 47.631 ft square to it, not 55.

    A waterward trunk at (-20, 45) instead gives 48.971 ft. Formula: the offset's component along
    the unit normal (-0.5, 0.866025).
    """
    turn = np.radians(30.0)
    along = np.array([np.cos(turn), np.sin(turn)])
    land = np.array([np.sin(turn), -np.cos(turn)])
    line = [along * -300, along * 300]
    corners = [along * -80, along * 80, along * 80 + land * 90, along * -80 + land * 90]
    lot = sites.lots([shapely.Polygon(corners)])
    for tip, expected in (((0.0, 55.0), 47.631), ((-20.0, 45.0), 48.971)):
        points = np.array([(0.0, 0.0), tip])
        found = Chain(
            lot,
            sites.shore(line),
            sites.crowns(discs(points)),
            sites.trunks(points),
            swath_ft=200.0,
        )
        depth = found.fringe["fringe_lots"]["fringe_depth_max_ft"].iloc[0] / sites.US_FT
        assert depth == pytest.approx(expected, abs=5e-4)
        assert depth == pytest.approx(-0.5 * tip[0] + np.cos(turn) * tip[1], abs=1e-9)


@pytest.mark.parametrize(("far", "is_over"), [(50.0, False), (50.01, True)])
def test_the_edge_of_fifty_feet(far, is_over):
    """M-06, s. 403.9325(7) F.S. (read second-hand): 50.00 ft does not exceed 50, 50.01 does."""
    points = np.array([(50.0, -8.0), (50.0, -8.0 + far / sites.US_FT)])
    found = Chain(
        sites.lots([LOT]), sites.shore(STRAIGHT), sites.crowns(discs(points)), sites.trunks(points)
    )
    row = found.fringe["fringe_lots"].iloc[0]
    assert row.fringe_depth_max_ft == pytest.approx(far, abs=1e-9)
    over = found.fringe["transects"]["is_over_limit"].any()
    # 50 ft in survey feet and back is 50 to a millionth of a millionth; the rule's own edge is
    # judged by the rules, with the error. Here the flag must not fire on rounding alone.
    assert bool(over) is is_over or (far == 50.0 and abs(row.fringe_depth_max_ft - 50) < 1e-9)


def test_depth_station_by_station():
    """Two rows of trees, 20 ft deep on the left half and 35 ft on the right."""
    x = np.arange(5, 100, 10.0)
    points = np.concatenate(
        [np.stack([x, np.full(10, -5.0)], 1), np.stack([x, np.where(x < 50, 15.0, 30.0)], 1)]
    )
    found = Chain(
        sites.lots([LOT]), sites.shore(STRAIGHT), sites.crowns(discs(points)), sites.trunks(points),
        swath_ft=12.0, smoothing_length_ft=0.0,
    ).fringe  # fmt: skip
    depth = found["transects"]["fringe_depth_ft"].to_numpy() / sites.US_FT
    assert len(depth) == 11  # 100.0002 ft of shore: cells of 9.09 ft, none longer than 10
    assert set(depth.round(6)) == {20.0, 35.0}
    row = found["fringe_lots"].iloc[0]
    assert row.fringe_depth_max_ft == pytest.approx(35 * sites.US_FT)
    assert row.n_fringe_trees == 20 and row.fringe_reference == "trunk"


def test_buttonwood_is_no_mangrove_and_unknown_is_told():
    """M-01: three species and no others; a buttonwood far inland does not deepen the fringe."""
    points = np.array([(50.0, -5.0), (50.0, 10.0), (50.0, -40.0), (52.0, 12.0)])
    names = ["Rhizophora mangle", "white mangrove", "Conocarpus erectus", None]
    found = Chain(
        sites.lots([LOT]), sites.shore(STRAIGHT), sites.crowns(discs(points), names),
        sites.trunks(points),
    ).fringe  # fmt: skip
    assert found["fringe_lots"]["fringe_depth_max_ft"].iloc[0] == pytest.approx(17 * sites.US_FT)
    assert "1 of 4 have no known species" in found.notes[0].text
    assert found["fringe_crowns"].set_index("crown_id")["is_fringe"].to_dict() == {
        "t0": True, "t1": True, "t2": False, "t3": True,
    }  # fmt: skip


def test_a_name_the_table_does_not_know_is_named():
    points = np.array([(50.0, -5.0), (50.0, 10.0)])
    found = Chain(
        sites.lots([LOT]),
        sites.shore(STRAIGHT),
        sites.crowns(discs(points), ["Rhizophora mangle", "tamarind"]),
        sites.trunks(points),
    ).fringe
    assert "1 of 2 have no known species (not in the table of species: tamarind)" in str(
        found.notes[0]
    )


@pytest.mark.parametrize(
    ("reference", "depth"), [("trunk", 30.0), ("centre", 32.0), ("edge", 38.0), ("auto", 30.0)]
)
def test_what_depth_is_measured_between(reference, depth):
    """Trunks at -10 and 20, crown centres at -11 and 21, canopy edges 3 ft farther out."""
    centres = np.array([(50.0, -11.0), (50.0, 21.0)])
    shapes = [shapely.box(x - 3, y - 3, x + 3, y + 3) for x, y in centres]
    found = Chain(
        sites.lots([LOT]), sites.shore(STRAIGHT), sites.crowns(shapes),
        sites.trunks([(50.0, -10.0), (50.0, 20.0)]), fringe_reference=reference,
        transect_spacing_ft=4.0,
    ).fringe["fringe_lots"].iloc[0]  # fmt: skip
    assert found.fringe_depth_max_ft == pytest.approx(depth * sites.US_FT, abs=1e-6)
    assert found.fringe_reference == ("trunk" if reference == "auto" else reference)


def test_missing_trunks_fall_back_to_centres_and_it_is_said():
    points = np.array([(50.0, -10.0), (50.0, 20.0)])
    found = Chain(
        sites.lots([LOT]), sites.shore(STRAIGHT), sites.crowns(discs(points)),
        sites.trunks(points[:1]),
    ).fringe  # fmt: skip
    assert found["transects"]["reference"].tolist().count("trunk and centre") >= 1
    assert "1 of 2 not surveyed: measured from the crown's centre" in found.notes[0].text


def test_depth_on_a_round_shore():
    """Trunks on radii of a round cove: depth is the difference of their distances to its centre."""
    turn = np.degrees(150 / 300)
    inner, outer = (
        sites.arc(300, -turn / 2, turn / 2, 1.0),
        sites.arc(400, -turn / 2, turn / 2, 1.0),
    )
    lot = sites.lots([shapely.Polygon(np.concatenate([inner, outer[::-1]]))])
    t = np.radians(np.linspace(-turn / 2 + 1, turn / 2 - 1, 12))
    points = np.concatenate([np.stack([r * np.cos(t), r * np.sin(t)], 1) for r in (310.0, 275.0)])
    found = Chain(
        lot, sites.shore(sites.arc(300, -60, 60, 1.0)), sites.crowns(discs(points)),
        sites.trunks(points),
    ).fringe  # fmt: skip
    depth = found["transects"]["fringe_depth_ft"].dropna() / sites.US_FT
    assert depth.to_numpy() == pytest.approx(35.0, abs=0.02)


def test_depth_around_an_island():
    """Trunks 5 ft inside the shore and 15 ft out in the water all round: 20 ft deep everywhere."""
    ring = sites.arc(300.0, 0, 360, step=1.0)
    ring[-1] = ring[0]
    points = np.concatenate([sites.arc(away, 0, 350, 20.0) for away in (295.0, 315.0)])
    island = shapely.Polygon(ring)
    found = Chain(
        sites.lots([island]), sites.shore(island.exterior), sites.crowns(discs(points)),
        sites.trunks(points), swath_ft=60.0,
    ).fringe  # fmt: skip
    row = found["fringe_lots"].iloc[0]
    assert row.n_fringe_trees == len(points)
    depth = found["transects"]["fringe_depth_ft"].dropna() / sites.US_FT
    np.testing.assert_allclose(depth, 20.0, atol=0.02)


def test_a_tree_farther_than_the_search_is_not_of_the_fringe():
    """Trunks 5 and 30 ft out with a search of 20 ft: one tree, no depth."""
    points = np.array([(50.0, 5.0), (50.0, 30.0)])
    found = Chain(
        sites.lots([LOT]), sites.shore(STRAIGHT), sites.crowns(discs(points)),
        sites.trunks(points), search_ft=20.0,
    ).fringe  # fmt: skip
    assert found["fringe_crowns"]["is_fringe"].tolist() == [True, False]
    assert found["fringe_lots"].iloc[0].fringe_depth_max_ft == 0.0


def test_the_reference_told_at_a_transect_is_of_its_own_swath():
    """A surveyed trunk at 15 ft, a bare crown at 31 ft: 20 ft apart in swaths of 20 ft."""
    points = np.array([(15.0, 5.0), (31.0, 5.0)])
    found = Chain(
        sites.lots([LOT]), sites.shore(STRAIGHT), sites.crowns(discs(points)),
        sites.trunks(points[:1]), transect_spacing_ft=100.0 / 9.5, swath_ft=10.0,
    ).fringe["transects"]  # fmt: skip
    near = {
        round(row.station_ft / sites.US_FT): (row.reference, row.n_trees)
        for row in found.itertuples()
    }
    assert near[15] == ("trunk", 1) and near[25] == ("none", 0) and near[35] == ("centre", 1)


def test_a_tree_stands_in_its_own_lot_before_the_water_of_another():
    """Lot B lies in front of A's shore across a basin: its tree is B's, though A's water holds it.

    A fronts y = 0 and its limits run 100 ft out; B's upland starts at y = 60, behind its own shore.
    """
    lots = sites.lots([LOT, shapely.box(0, 60, 100, 140)])
    shore = sites.shore(STRAIGHT, [(-500, 60), (700, 60)])
    points = np.array([(50.0, 70.0)])
    found = Chain(lots, shore, sites.crowns(discs(points)), sites.trunks(points))
    assert found.fringe["fringe_crowns"]["lot_id"].tolist() == ["B"]


def test_a_tree_square_to_one_stretch_is_not_of_the_end_of_another():
    """A lot on a corner: a tree square to the east shore, nearer to the end of the north shore.

    North shore y = 0 to (80, 0), then a jog out to x = 90 and south. The tree stands at (81, -9).
    """
    lot = sites.lots([shapely.Polygon([(0, -90), (0, 0), (80, 0), (90, -2), (90, -90)])])
    shore = sites.shore([(-200, 0), (80, 0)], [(90, -2), (90, -300)])
    points = np.array([(81.0, -8.0)])
    found = Chain(lot, shore, sites.crowns(discs(points)), sites.trunks(points))
    table = found.fringe["fringe_crowns"].iloc[0]
    assert table.stretch_id == "A/2"
    assert table.offset_ft == pytest.approx(-9.0 * sites.US_FT)
    # From (90, -2) south: 6 ft along the second stretch, whose stations run on from the first.
    assert table.station_ft == pytest.approx((80.0 + 6.0) * sites.US_FT)


def test_a_tree_beyond_an_end_has_its_offset_square_to_the_shore():
    """20 ft past the end of a stretch and 15 ft out: 15 ft, not the 25 ft to the end."""
    line = np.array([(0.0, 0.0), (100.0, 0.0)])
    base = baseline_of(line, 0.0, 1.0)
    station, offset, is_square = base.stand(np.array([(120.0, 15.0), (40.0, -7.0)]))
    np.testing.assert_allclose(station, [100.0, 40.0])
    np.testing.assert_allclose(offset, [15.0, -7.0])
    assert is_square.tolist() == [False, True]


def test_a_closed_shore_with_one_corner_is_not_smoothed_across_it():
    """A drop: round, with one sharp tip. The baseline starts and ends at the tip itself."""
    arc = sites.arc(100.0, 45, 315, 1.0)
    tip = np.array([[100.0 * np.sqrt(2.0), 0.0]])
    ring = np.concatenate([tip, arc, tip])
    shore = build_shore([shapely.LineString(ring)], 50.0)
    assert shore.chains[0].corners.size == 1
    base = baseline_of(ring, 50.0, 1.0, shore)
    np.testing.assert_allclose(base.xy[[0, -1]], np.concatenate([tip, tip]), atol=1e-9)


def test_trees_of_a_neighbour_are_not_counted():
    points = np.array([(50.0, -5.0), (50.0, 10.0), (150.0, -60.0)])
    lots = sites.lots([LOT, shapely.box(100, -80, 200, 0)])
    found = Chain(lots, sites.shore(STRAIGHT), sites.crowns(discs(points)), sites.trunks(points))
    table = found.fringe["fringe_crowns"]
    assert table["lot_id"].tolist() == ["A", "A", "B"]
    deepest = found.fringe["fringe_lots"].set_index("lot_id")["fringe_depth_max_ft"]
    assert deepest["A"] == pytest.approx(15 * sites.US_FT) and deepest["B"] == 0.0


def test_no_crowns_is_a_told_nothing():
    found = Chain(sites.lots([LOT]), sites.shore(STRAIGHT), sites.crowns([]))
    row = found.fringe["fringe_lots"].iloc[0]
    assert np.isnan(row.fringe_depth_max_ft) and row.n_fringe_trees == 0
    assert "no mangroves found" in found.fringe.notes[-1].text
    assert found.zone()["zone"].iloc[0].status == "no-zone"


def kinds(*results):
    """Column kinds of every table: numbers, counts, flags, or anything else."""
    return {
        (result.operation, name): [
            (c, str(d) if d.kind in "fib" else "") for c, d in t.dtypes.items()
        ]
        for result in results
        for name, t in result.tables.items()
    }


def test_empty_tables_have_the_kinds_of_full_ones():
    """With no frontage, no crowns, no setbacks or nothing measured: columns, order and dtypes."""
    points = np.array([(20.0, 5.0), (50.0, 20.0)])
    rule = Setback("line", "mhw-line", 6.0, "test")
    far, line = shapely.box(0, -800, 100, -700), sites.shore(STRAIGHT)

    def every(lots, crowns, *rules):
        site = Chain(lots, line, crowns, sites.trunks(points[: len(crowns)]))
        return kinds(site.frontage, site.lines, site.fringe, site.zone(*rules), site.flags(*rules))

    full = every(sites.lots([LOT]), sites.crowns(discs(points)), rule)
    assert every(sites.lots([far]), sites.crowns(discs(points)), rule) == full
    assert every(sites.lots([LOT, far]), sites.crowns(discs(points)), rule) == full
    assert every(sites.lots([LOT]), sites.crowns([]), rule) == full
    assert every(sites.lots([LOT]), sites.crowns(discs(points))) == full
    assert every(sites.lots([LOT], measured=False), sites.crowns(discs(points)), rule) == full


def test_moving_average_of_a_straight_line_is_the_line():
    s = np.linspace(0.0, 50.0, 26)
    smooth = moving_average(np.array([[0.0, 0.0], [3.0, 4.0], [30.0, 40.0]]), 10.0, s)
    np.testing.assert_allclose(smooth, np.stack([s * 0.6, s * 0.8], 1), atol=1e-9)


def test_moving_average_of_a_zigzag():
    """A window of one full period of a zigzag is level: the mean over a period does not change."""
    x = np.arange(0, 401, 5.0)
    xy = np.stack([x, np.where(np.arange(x.size) % 2, 2.0, 0.0)], 1)
    s = np.linspace(0.0, 80 * np.hypot(5, 2), 431)
    smooth = moving_average(xy, 2 * np.hypot(5, 2), s)
    inner = (s > 30) & (s < s[-1] - 30)
    np.testing.assert_allclose(smooth[inner, 1], 1.0, atol=1e-9)


# --- zone


def fringe_of_boxes(lot=LOT, low=-5.0, high=25.0):
    """A closed hedge of crowns along the whole lot and beyond, from ``low`` to ``high``."""
    x0, _, x1, _ = lot.bounds
    shapes = [shapely.box(x, low, x + 10, high) for x in np.arange(x0 - 20, x1 + 20, 10.0)]
    return sites.crowns(shapes)


def test_setback_from_riparian_lines():
    """X-03: 25 ft from both lines leaves x 25 to 75, 50 ft; a 50 ft wide lot is left nothing."""
    rule = Setback("structures", "riparian-lines", 25.0, "rule 18-21.004(3)(d) F.A.C.")
    site = Chain(
        sites.lots([LOT]), sites.shore(STRAIGHT), fringe_of_boxes(low=2.0), transect_spacing_ft=1.0
    )
    found = site.zone(rule)["zone"].iloc[0]
    x0, _, x1, _ = found.geometry.bounds
    quarter = 25 / sites.US_FT
    assert (x0, x1) == (pytest.approx(quarter, abs=1e-6), pytest.approx(100 - quarter, abs=1e-6))
    assert found.zone_length_ft == pytest.approx(50.0, abs=1.0)
    assert found.zone_area_ft2 == pytest.approx(50 * 23 * sites.US_FT**2, rel=1e-4)
    narrow = shapely.box(0, -80, 50 / sites.US_FT, 0)
    site = Chain(sites.lots([narrow]), sites.shore(STRAIGHT), fringe_of_boxes(narrow, 2.0))
    row = site.zone(rule)["zone"].iloc[0]
    assert row.status == "no-zone" or row.zone_area_ft2 < 1e-6


def test_zone_of_a_lot_that_stops_short_has_no_hole():
    """The lot ends 4 ft short of the line; the hedge from -10 to 10 ft is zone all through."""
    lot = shapely.box(0, -80, 100, -4)
    site = Chain(
        sites.lots([lot]), sites.shore(STRAIGHT), fringe_of_boxes(LOT, -10.0, 10.0),
        smoothing_length_ft=0.0,
    )  # fmt: skip
    found = site.zone()
    row = found["zone"].iloc[0]
    assert row.zone_area_ft2 == pytest.approx(2000 * sites.US_FT**2, rel=1e-6)
    np.testing.assert_allclose(found["zone_stations"]["zone_width_ft"] / sites.US_FT, 20.0)


def test_mean_width_is_over_the_stations_that_meet_the_zone():
    """A hedge 30 ft deep along the left half alone: 30 ft wide, 50 ft long, 1500 ft2."""
    hedge = sites.crowns([shapely.box(x, 0, x + 10, 30) for x in range(0, 50, 10)])
    site = Chain(sites.lots([LOT]), sites.shore(STRAIGHT), hedge, transect_spacing_ft=1.0)
    found = site.zone()
    row = found["zone"].iloc[0]
    assert row.zone_width_mean_ft == pytest.approx(30 * sites.US_FT, rel=1e-6)
    assert row.zone_length_ft == pytest.approx(50.0, abs=1.0)
    assert row.zone_area_ft2 == pytest.approx(1500 * sites.US_FT**2, rel=1e-6)
    strips = (found["zone_stations"]["zone_width_ft"] * found["zone_stations"]["span_ft"]).sum()
    assert strips == pytest.approx(row.zone_area_ft2, rel=0.02)


def test_zone_width_and_what_each_setback_took():
    """A 30 ft deep hedge; 8 ft from the line and an exclusion overlap by 3 ft at one end."""
    site = Chain(sites.lots([LOT]), sites.shore(STRAIGHT), fringe_of_boxes(low=0.0, high=30.0))
    rule = Setback("line", "mhw-line", 8.0 * sites.US_FT, "test")
    area = gpd.GeoDataFrame({"name": ["strip"]}, geometry=[shapely.box(0, 5, 100, 12)], crs=2236)
    found = site.zone(rule, exclusions=area)
    table = found["zone_taken"].set_index("setback_name")
    np.testing.assert_allclose(table["taken_area_ft2"] / sites.US_FT**2, [800, 700], rtol=1e-3)
    np.testing.assert_allclose(
        table["taken_alone_area_ft2"] / sites.US_FT**2, [500, 400], rtol=1e-3
    )
    np.testing.assert_allclose(
        found["zone_stations"]["zone_width_ft"] / sites.US_FT, 18.0, rtol=1e-3
    )
    assert found["zone"].iloc[0].zone_area_ft2 / sites.US_FT**2 == pytest.approx(1800, rel=1e-3)


def places(low, high):
    """Coordinates to a millionth: no map holds 1e-200."""
    return st.floats(low, high).map(lambda value: round(value, 6))


def test_zone_of_trees_apart_is_as_long_and_wide_as_they_are():
    """Five 4 ft by 5 ft crowns 20 ft apart, far between transects: 20 ft of shore, 5 ft wide."""
    shapes = [shapely.box(x, 3, x + 4, 8) for x in (3, 23, 43, 63, 83)]
    site = Chain(
        sites.lots([LOT]), sites.shore(STRAIGHT), sites.crowns(shapes), transect_spacing_ft=1000.0
    )
    assert site.fringe["fringe"]["fringe_length_ft"].iloc[0] == pytest.approx(20 * sites.US_FT)
    row = site.zone()["zone"].iloc[0]
    assert row.zone_length_ft == pytest.approx(20 * sites.US_FT, abs=1e-6)
    assert row.zone_area_ft2 == pytest.approx(100 * sites.US_FT**2, abs=1e-6)
    assert row.zone_width_max_ft == pytest.approx(5 * sites.US_FT, abs=1e-6)
    assert row.zone_width_mean_ft == pytest.approx(5 * sites.US_FT, abs=1e-6)


@pytest.mark.parametrize("turn_deg", [-90, -91, -89, 0, 135])
def test_a_tree_at_the_seam_of_an_island_is_as_long_as_elsewhere(turn_deg):
    """The shore of an island starts somewhere; a crown there counts once, not all round."""
    ring = sites.arc(100.0, 0, 360, step=2.0)
    ring[-1] = ring[0]
    island = shapely.Polygon(ring)
    turn = np.radians(turn_deg)
    points = 103.0 * np.array([[np.cos(turn), np.sin(turn)]])
    site = Chain(
        sites.lots([island]), sites.shore(island.exterior), sites.crowns(discs(points)),
        sites.trunks(points),
    )  # fmt: skip
    # The crown is seen under an angle of 2 asin(3 / 103) from the island's middle; smoothing over
    # 50 ft draws the baseline in by 50^2 / (24 R) = 1.04 ft, which leaves angles as they are.
    assert site.fringe["fringe"]["fringe_length_ft"].iloc[0] == pytest.approx(
        100 * 2 * np.arcsin(3 / 103) * sites.US_FT, rel=0.02
    )
    row = site.zone()["zone"].iloc[0]
    assert 5.0 < row.zone_length_ft < 8.0 and 4.5 < row.zone_width_max_ft < 6.1


@given(st.lists(st.tuples(places(0, 90), places(0, 25), places(1, 60)), max_size=5))
def test_what_is_taken_and_what_is_left_add_up(parts):
    base = shapely.box(0, 0, 100, 30)
    strips = [shapely.box(x, y, x + w, y + w / 2) for x, y, w in parts]
    each, alone, rest = taken(base, strips)
    lost = base.area - rest.area
    assert sum(alone) <= lost + 1e-9 <= sum(each) + 2e-9
    assert all(a <= e + 1e-9 for a, e in zip(alone, each, strict=True))


# --- setbacks


def test_crown_over_a_setback_line():
    """X-10: circle of radius 8 ft, centre 4 ft outside: 39.308 ft2 inside, share 0.195501.

    Centre 3 ft inside: 147.381 ft2, share 0.733013. Circular segment, handbook formula.
    """
    inside = shapely.box(-1000, 0, 1000, 1000)
    for x, area, share in ((-4.0, 39.308, 0.195501), (3.0, 147.381, 0.733013)):
        circle = shapely.Point(0, x).buffer(8.0, quad_segs=4096)
        got = inside_shares([circle], inside)[0]
        assert got == pytest.approx(share, abs=1e-6)
        assert got * circle.area == pytest.approx(area, abs=5e-3)


def test_flags_of_crowns_and_trunks():
    """10 ft from a wire along y = 30: crowns wholly, partly and not inside, trunks told apart."""
    wire = sites.shore([(-100, 30), (300, 30)])
    centres = np.array([(20.0, 25.0), (50.0, 18.5), (80.0, 10.0)])
    site = Chain(
        sites.lots([LOT]), sites.shore(STRAIGHT),
        sites.crowns([shapely.box(x - 3, y - 3, x + 3, y + 3) for x, y in centres]),
        sites.trunks(centres[:2]),
    )  # fmt: skip
    found = site.flags(
        Setback("wire", "file", 10.0 * sites.US_FT, "29 CFR 1910.269", wire.geometry.array[0])
    )["setback_flags"]
    assert found["inside"].tolist() == ["wholly", "partly", "not"]
    np.testing.assert_allclose(found["inside_area_frac"], [1.0, 1.5 / 6, 0.0], atol=1e-9)
    np.testing.assert_allclose(found["setback_margin_ft"] / sites.US_FT, [-8.0, -1.5, 7.0])
    np.testing.assert_allclose(found["trunk_margin_ft"] / sites.US_FT, [-5.0, 1.5, np.nan])
    assert found["is_past_setback"].tolist() == [True, True, False]
    assert found["is_trunk_past_setback"].tolist()[:2] == [True, False]
    assert found["is_trunk_past_setback"].isna().tolist() == [False, False, True]


def test_most_of_a_crown_inside_is_not_wholly():
    """A crown 10 ft square, 6 ft of it inside a strip of 20 ft: partly, 0.6 of its area."""
    site = Chain(
        sites.lots([LOT]), sites.shore(STRAIGHT), sites.crowns([shapely.box(50, 14, 60, 24)])
    )
    found = site.flags(Setback("line", "mhw-line", 20.0 * sites.US_FT, "test"))["setback_flags"]
    row = found.iloc[0]
    assert (row.inside, row.is_past_setback) == ("partly", True)
    assert row.inside_area_frac == pytest.approx(0.6, abs=1e-9)


def test_lot_lines_of_a_neighbour_set_nothing_back():
    """5 ft from the lot lines of A alone: 260 ft; its neighbour's rear line is not asked."""
    lots = sites.lots([LOT, shapely.box(100, -300, 200, 0)], measured=[True, False])
    crown = sites.crowns([shapely.box(140, -299, 144, -297)])
    site = Chain(lots, sites.shore(STRAIGHT), crown)
    row = site.flags(Setback("side", "lot-lines", 5.0, "test"))["setback_flags"].iloc[0]
    assert row.inside == "not" and row.setback_margin_ft > 200


def test_a_setback_from_nothing_flags_nothing():
    """A lot without frontage has no riparian lines: no margin, no flag, and a note."""
    far = sites.lots([shapely.box(0, -800, 100, -700)])
    site = Chain(far, sites.shore(STRAIGHT), sites.crowns([shapely.box(0, 0, 5, 5)]))
    found = site.flags(Setback("side", "riparian-lines", 25.0, "test"))
    row = found["setback_flags"].iloc[0]
    assert np.isnan(row.setback_margin_ft) and (row.inside, row.is_past_setback) == ("not", False)
    assert "its reference is empty here" in found.notes[0].text


def test_touching_is_not_past():
    got = margins([shapely.box(25, 0, 30, 5)], shapely.LineString([(0, 0), (0, 50)]), 25.0)
    assert got.tolist() == [0.0]
    assert inside_shares([shapely.box(25, 0, 30, 5)], shapely.box(0, 0, 25, 50)).tolist() == [0.0]


def test_depth_inside_an_exclusion():
    """A trunk 4 ft inside an easement has a margin of -4 ft, a crown the depth of its corner."""
    area = shapely.box(0, 0, 100, 50)
    got = margins(
        [shapely.Point(50, 4), shapely.box(48, -2, 52, 6), shapely.Point(50, -3)], area, 0.0
    )
    np.testing.assert_allclose(got, [-4.0, -6.0, 3.0])


@given(
    x=places(-60, 160), y=places(-70, 60), size=places(1, 15),
    distance=places(0, 60), more=places(0, 40),
)  # fmt: skip
def test_a_larger_setback_clears_no_flag(x, y, size, distance, more):
    crown = np.array([shapely.Point(x, y).buffer(size)], dtype=object)
    line = shapely.LineString([(0, 0), (40, 10), (100, -5)])
    small = inside_shares(crown, strip(line, distance))[0], margins(crown, line, distance)[0]
    large = (
        inside_shares(crown, strip(line, distance + more))[0],
        margins(crown, line, distance + more)[0],
    )
    assert large[0] >= small[0] - 1e-9 and large[1] <= small[1] + 1e-9


def test_lot_lines_leave_the_waterfront_out():
    """Lot lines are the two sides and the rear: 80 + 100 + 80 ft."""
    for gap in (0.0, 3.0, -10.0):
        lot = shapely.box(0, -80, 100, -gap)
        rest = side_lines(lot, [np.array([[0.0, 0.0], [100.0, 0.0]])])
        assert rest.length == pytest.approx(260 - 2 * gap if gap > 0 else 260.0, abs=1e-6)


def test_lot_lines_of_a_part_away_from_the_shore_are_whole():
    """A second part 300 ft inland has no waterfront: all 400 ft of it are lot lines."""
    lot = shapely.MultiPolygon([LOT, shapely.box(0, -400, 100, -300)])
    assert side_lines(lot, [np.array([[0.0, 0.0], [100.0, 0.0]])]).length == pytest.approx(660.0)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Setback("a", "shore", 5.0, "x"), "reference 'shore'"),
        (lambda: Setback("a", "mhw-line", -1.0, "x"), "distance -1.0"),
        (lambda: Setback("a", "mhw-line", float("nan"), "x"), "distance nan"),
        (lambda: Setback("a", "file", 5.0, "x"), "without a geometry"),
    ],
)
def test_bad_setback_is_told(make, words):
    with pytest.raises(RangeError, match=words):
        make()


def test_two_setbacks_of_one_name_are_refused():
    site = Chain(sites.lots([LOT]), sites.shore(STRAIGHT), fringe_of_boxes())
    one = Setback("same", "mhw-line", 5.0, "x")
    with pytest.raises(LayerError, match="the name 'same' twice"):
        site.zone(one, one)


def test_channel_setback_without_channel_is_told():
    site = Chain(sites.lots([LOT]), sites.shore(STRAIGHT), fringe_of_boxes())
    with pytest.raises(LayerError, match="setback 'c': found no channel"):
        site.flags(Setback("c", "channel", 5.0, "x"))


@given(angle=places(-180, 180), metres=st.booleans())
def test_turning_the_site_or_metres_change_no_measure(angle, metres):
    """Depths, zone and margins stay, to a thousandth of a foot."""
    rng = np.random.default_rng(11)
    points = np.stack([rng.uniform(2, 98, 30), rng.uniform(-6, 28, 30)], 1)
    line = sites.shore([(-500, 0), (30, 4), (60, -3), (700, 0)])
    lot = sites.lots(
        [shapely.Polygon([(0, -80), (0, 2), (30, 4), (60, -3), (100, -2), (100, -80)])]
    )
    tables = [lot, line, sites.crowns(discs(points)), sites.trunks(points)]
    scale, crs = (1200 / 3937, sites.FLORIDA_EAST_M) if metres else (1.0, sites.FLORIDA_EAST_USFT)
    rule = Setback("line", "mhw-line", 6.0, "test")
    one = Chain(*tables)
    other = Chain(*[sites.moved(t, angle, scale=scale, crs=crs) for t in tables])
    for name, column in (
        ("fringe_lots", "fringe_depth_max_ft"), ("fringe_lots", "fringe_depth_mean_ft"),
        ("fringe_crowns", "station_ft"), ("fringe_crowns", "offset_ft"),
    ):  # fmt: skip
        np.testing.assert_allclose(other.fringe[name][column], one.fringe[name][column], atol=1e-3)
    a, b = one.zone(rule)["zone"].iloc[0], other.zone(rule)["zone"].iloc[0]
    assert b.zone_area_ft2 == pytest.approx(a.zone_area_ft2, rel=1e-5)
    np.testing.assert_allclose(
        other.flags(rule)["setback_flags"]["setback_margin_ft"],
        one.flags(rule)["setback_flags"]["setback_margin_ft"],
        atol=1e-3,
    )
