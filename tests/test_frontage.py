"""Frontage: by hand, against published shapes, real charts and lots, and the laws it must obey."""

from itertools import pairwise

import geopandas as gpd
import numpy as np
import pytest
import shapely
import sites
from hypothesis import given
from hypothesis import strategies as st
from opendata import open_data

from geotrim import frontage
from geotrim.core.claims import share_shore
from geotrim.core.shoreline import build_shore
from geotrim.errors import CRSError, LayerError, RangeError

STRAIGHT = [(-500, 0), (700, 0)]


def feet(result, lot_id="A"):
    table = result["lots"].set_index("lot_id")
    return float(table.loc[lot_id, "frontage_length_ft"])


def test_straight_shore_by_hand():
    """A 100 ft wide lot on a straight shore has 100 ft of it, and stations from 0."""
    found = frontage(sites.lots([shapely.box(0, -80, 100, 0)]), sites.shore(STRAIGHT))
    row = found["frontage"].iloc[0]
    assert feet(found) == pytest.approx(100 * sites.US_FT, abs=1e-9)
    assert (row.station_from_ft, row.stretch_id, row.run_id) == (0.0, "A/1", "A/r1")
    assert found["lots"].iloc[0][["status", "n_stretches"]].tolist() == ["ok", 1]


@pytest.mark.parametrize("gap", [-60.0, -4.99, -0.6, 0.0, 0.65, 4.99])
def test_lot_that_stops_short_or_runs_past(gap):
    """Up to the reach of 5 ft short, or any way past, a square lot keeps its own width exactly."""
    found = frontage(sites.lots([shapely.box(0, -80, 100, -gap)]), sites.shore(STRAIGHT))
    assert feet(found) == pytest.approx(100 * sites.US_FT, abs=1e-6)


@pytest.mark.parametrize("reach_ft", [0.5, 5.0, 50.0])
@pytest.mark.parametrize("slant", [-40.0, 0.0, 40.0])
def test_reach_adds_nothing_at_the_ends(reach_ft, slant):
    """Side lines that slant, either way, give no shore beyond the lot's corners."""
    lot = shapely.Polygon([(0, 0), (100, 0), (100 + slant, -80), (-slant, -80)])
    found = frontage(sites.lots([lot]), sites.shore(STRAIGHT), reach_ft=reach_ft)
    assert feet(found) == pytest.approx(100 * sites.US_FT, abs=1e-6)


def test_a_lot_that_widens_over_the_water_gets_no_shore_under_its_overhang():
    """Past the line the lot spreads 20 ft to either side: its shore ends where it crosses."""
    lot = shapely.Polygon([(0, -80), (100, -80), (100, 0), (120, 4), (-20, 4), (0, 0)])
    found = frontage(sites.lots([lot]), sites.shore(STRAIGHT))
    assert feet(found) == pytest.approx(100 * sites.US_FT, abs=1e-6)


def test_an_edge_that_crosses_the_line_faces_it_on_both_sides():
    """Waterfront from 1 ft short on the left to 4 ft past on the right: all of the width."""
    lot = shapely.Polygon([(0, -80), (100, -80), (100, 4), (0, -1)])
    found = frontage(sites.lots([lot]), sites.shore(STRAIGHT))
    assert feet(found) == pytest.approx(100 * sites.US_FT, abs=1e-6)
    assert len(found["frontage"]) == 1


@pytest.mark.parametrize(("between", "expected"), [(9.9, 90.0), (10.4, 79.6)])
def test_a_gap_is_bridged_only_where_all_of_it_is_within_the_reach(between, expected):
    """Two parts on the line: at the middle of 9.9 ft the lot is 4.95 ft away, of 10.4 ft 5.2 ft."""
    far = 40 + between
    lot = shapely.MultiPolygon([shapely.box(0, -80, 40, 0), shapely.box(far, -80, 90, 0)])
    found = frontage(sites.lots([lot]), sites.shore(STRAIGHT))
    assert feet(found) == pytest.approx(expected * sites.US_FT, abs=1e-6)


def test_a_place_seen_through_a_pinhole_anchors_no_gap():
    """The upper edge of a spur runs at 46 degrees to the shore: it faces nothing.

    The lower edge is seen from the shore past the spur's very tip alone, and that has no width.
    """
    line = [(-60.0, 3.0), (32.72, -0.53), (34.2, -0.57), (47.65, -1.79), (59.65, -1.81)]
    lot = shapely.Polygon(
        [(85.4, -8.61), (104.84, -10.37), (96.9, -10.87), (98.2, -40.09), (58.75, -10.3),
         (44.25, -6.13), (82.69, 26.88), (86.58, -2.57)]
    )  # fmt: skip
    shore = build_shore([shapely.LineString([*line, (140.0, -2.0)])], 50.0)
    claims, _ = share_shore([lot], shore, 5.0)
    tip = float(shapely.line_locate_point(shapely.LineString(line), shapely.Point(44.25, -6.13)))
    assert claims[0].low > tip + 2.0


def test_the_deeper_of_two_lots_is_asked_every_foot():
    """A waterfront 1.5 ft past the line, over it one 1 ft past with a bump of 4 ft, 5 ft high.

    Beside the middle of the bump, at x, the second lot holds the line by its distance to the
    bump's foot, the root of (2 - x)^2 + 1: more than 1.5 within 2 - root(1.25) on either side.
    """
    one = shapely.box(0, -80, 300, 1.5)
    bump = shapely.box(155 - 2, 1, 155 + 2, 6)
    other = shapely.union(shapely.box(0, -90, 300, 1), bump)
    claims, shared = share_shore([one, other], build_shore([shapely.LineString(STRAIGHT)], 50.0), 5)
    width = [sum(c.high - c.low for c in claims if c.lot == number) for number in (0, 1)]
    assert width[1] == pytest.approx(2 * (2 - np.sqrt(1.25)), abs=1e-5)
    assert sum(width) == pytest.approx(300.0, abs=1e-5)
    assert shared == [(0, 1, pytest.approx(300.0, abs=1e-5))]


def test_beyond_the_reach_is_a_reasoned_zero():
    found = frontage(sites.lots([shapely.box(0, -80, 100, -5.5)]), sites.shore(STRAIGHT))
    row = found["lots"].iloc[0]
    assert (row.status, row.n_stretches, row.frontage_length_ft) == ("no-frontage", 0, 0.0)
    assert "5.5 ft from the lot" in row.reason and "reach is 5 ft" in row.reason
    assert len(found["frontage"]) == 0 and found.notes[0].level == "missing"


def test_the_edge_of_the_reach():
    """Reach is 5 ft: 5.00 ft short is in, 5.01 ft short is out."""
    for gap, expected in ((5.0, 100.0), (5.01, 0.0)):
        lot = shapely.box(0, -80, 100, -gap / sites.US_FT)
        assert feet(frontage(sites.lots([lot]), sites.shore(STRAIGHT))) == pytest.approx(
            expected * sites.US_FT, abs=1e-3
        )


# Facts sheet X-07 (closed-form arc length of y = 5 sin(2 pi x / 50), computed and cross-checked
# numerically there): the arc, and what coarser vertices make of it.
SINUOUS = [(0.02, 163.8575), (1.0, 163.840), (5.0, 163.434), (10.0, 162.219), (12.5, 161.555),
           (25.0, 150.000)]  # fmt: skip


@pytest.mark.parametrize(("step", "expected_ft"), SINUOUS)
def test_sinuous_shore(step, expected_ft):
    x = np.arange(0, 150 + step / 2, step)
    y = 5 * np.sin(2 * np.pi * x / 50)
    lot = shapely.box(0, -80, 150, 5.5)
    far = [(-50, 0), *zip(x, y, strict=True), (200, 0)]
    found = frontage(sites.lots([lot], crs=26958), sites.shore(far, crs=26958))
    assert feet(found) * 0.3048 == pytest.approx(expected_ft, abs=6e-4)
    assert len(found["frontage"]) == 1
    assert found["frontage"].iloc[0].frontage_chord_ft * 0.3048 == pytest.approx(150.0, abs=1e-6)


def test_neighbours_share_a_gap_and_an_overlap_midway():
    """4 ft apart, both reach into the gap only straight ahead; 6 ft overlap is split at 3."""
    apart = [shapely.box(0, -80, 100, -1), shapely.box(104, -80, 200, -1)]
    found = frontage(sites.lots(apart), sites.shore(STRAIGHT))
    assert feet(found, "A") == pytest.approx(100 * sites.US_FT, abs=1e-6)
    assert feet(found, "B") == pytest.approx(96 * sites.US_FT, abs=1e-6)
    over = [shapely.box(0, -80, 103, 10), shapely.box(97, -80, 200, 10)]
    found = frontage(sites.lots(over), sites.shore(STRAIGHT))
    assert feet(found, "A") == pytest.approx(100 * sites.US_FT, abs=1e-5)
    assert feet(found, "B") == pytest.approx(100 * sites.US_FT, abs=1e-5)
    assert "both could claim 6.0 ft" in found.notes[0].text


def test_neighbour_takes_its_share_but_is_not_reported():
    shapes = [shapely.box(0, -80, 103, 10), shapely.box(97, -80, 200, 10)]
    found = frontage(sites.lots(shapes, measured=[True, False]), sites.shore(STRAIGHT))
    assert found["lots"]["lot_id"].tolist() == ["A"]
    assert feet(found) == pytest.approx(100 * sites.US_FT, abs=1e-5)
    assert found["neighbour_frontage"]["lot_id"].tolist() == ["B"]


def test_nothing_measured_is_an_empty_table():
    """Neighbours alone: no row, the same columns, the shore shared out all the same."""
    lots = sites.lots([shapely.box(0, -80, 100, 0)], measured=False)
    found = frontage(lots, sites.shore(STRAIGHT))
    assert len(found["lots"]) == 0 and len(found["frontage"]) == 0
    assert found["neighbour_frontage"].frontage_length_ft.sum() == pytest.approx(100 * sites.US_FT)


def test_a_lot_does_not_reach_round_a_bend_or_across_a_second_line():
    """The shore turns 30 degrees at the corner; a second line runs 2 ft behind the first."""
    bend = [(-300, 0), (0, 0), (300 * np.cos(np.pi / 6), 300 * np.sin(np.pi / 6))]
    right = shapely.Polygon([(0, 0), bend[2], (bend[2][0], -90), (0, -90)])
    found = frontage(sites.lots([right]), sites.shore(bend))
    assert feet(found) == pytest.approx(300 * sites.US_FT, abs=1e-6)
    found = frontage(
        sites.lots([shapely.box(0, -80, 100, -1)]), sites.shore(STRAIGHT, [(-500, 2), (700, 2)])
    )
    assert feet(found) == pytest.approx(100 * sites.US_FT, abs=1e-6)


def test_piers_are_not_frontage():
    """A pier that leaves the shore, and one drawn from 3 ft inside the lot, add nothing."""
    lot = sites.lots([shapely.box(0, -80, 100, 0)])
    for start in (0.0, -3.0):
        pier = [(40, start), (40, 60)]
        found = frontage(lot, sites.shore(STRAIGHT, pier))
        assert feet(found) == pytest.approx(100 * sites.US_FT, abs=1e-6)
        assert len(found["frontage"]) == 1


def test_a_line_given_twice_counts_once():
    lot = sites.lots([shapely.box(0, -80, 100, 0)])
    found = frontage(lot, sites.shore(STRAIGHT, [(50, 0), (-20, 0)], STRAIGHT[::-1]))
    assert feet(found) == pytest.approx(100 * sites.US_FT, abs=1e-6)


def test_water_is_on_the_left_whichever_way_the_line_was_drawn():
    lot = sites.lots([shapely.box(0, -80, 100, 0)])
    for line in (STRAIGHT, STRAIGHT[::-1]):
        xy = shapely.get_coordinates(frontage(lot, sites.shore(line))["frontage"].geometry[0])
        assert (xy[0] == [0, 0]).all() and (xy[-1] == [100, 0]).all()


def test_corner_lot_has_two_stretches_with_running_stations():
    """A lot on two canals: 80 ft on one, 50 ft on the other, kept apart and summed."""
    canal = [(-200, 0), (80, 0), (80, -300)]
    found = frontage(sites.lots([shapely.box(0, -50, 80, 0)]), sites.shore(canal))
    table = found["frontage"]
    assert (table.frontage_length_ft / sites.US_FT).round(6).tolist() == [80.0, 50.0]
    assert table.run_id.nunique() == 1
    assert table.station_from_ft.iloc[1] == pytest.approx(table.station_to_ft.iloc[0])
    assert feet(found) == pytest.approx(130 * sites.US_FT)


def test_peninsula_lot_has_two_runs():
    """Water on two opposite sides: two runs that do not touch."""
    lot = sites.lots([shapely.box(0, 0, 100, 60)])
    found = frontage(lot, sites.shore([(-50, 0), (150, 0)], [(-50, 60), (150, 60)]))
    assert found["frontage"].run_id.nunique() == 2
    assert feet(found) == pytest.approx(200 * sites.US_FT)


def test_whole_island():
    """The shore of an island with one lot on it is its perimeter, in one closed run."""
    ring = sites.arc(300.0, 0, 360, step=2.0)
    ring[-1] = ring[0]
    island = shapely.Polygon(ring)
    found = frontage(sites.lots([island]), sites.shore(island.exterior))
    assert feet(found) == pytest.approx(island.length * sites.US_FT, rel=1e-9)
    assert len(found["frontage"]) == 1


def test_hole_in_the_lot_with_a_pond():
    """A pond inside the lot is shore too if the line follows it."""
    lot = shapely.box(0, -80, 100, 0).difference(shapely.box(40, -50, 60, -30))
    found = frontage(
        sites.lots([lot]), sites.shore(STRAIGHT, shapely.box(40, -50, 60, -30).exterior)
    )
    assert feet(found) == pytest.approx(180 * sites.US_FT, abs=1e-6)


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        (lambda lot, sh: (lot.set_crs(None, allow_override=True), sh), CRSError, "CRS"),
        (lambda lot, sh: (lot, sh.to_crs(2237)), CRSError, "MHW line: found CRS NAD83 / Florida W"),
        (lambda lot, sh: (lot.to_crs(4326), sh.to_crs(4326)), CRSError, "not plane lengths"),
        (lambda lot, sh: (lot.to_crs(3857), sh.to_crs(3857)), CRSError, "web map projection"),
        (lambda lot, sh: (lot.drop(columns="lot_id"), sh), LayerError, "no column lot_id"),
        (lambda lot, sh: (lot.iloc[:0], sh), LayerError, "lots: found no shapes"),
        (lambda lot, sh: (lot, sh.iloc[:0]), LayerError, "MHW line: found no shapes"),
        (lambda lot, sh: (lot, lot), LayerError, "MHW line: found Polygon; needed lines"),
    ],
)
def test_bad_input_is_told(change, error, words):
    lot, sh = change(sites.lots([shapely.box(0, -80, 100, 0)]), sites.shore(STRAIGHT))
    with pytest.raises(error, match=words.replace("(", r"\(")):
        frontage(lot, sh)


@pytest.mark.parametrize("bad", [-1.0, float("nan"), float("inf"), "5", True])
def test_bad_reach_is_told(bad):
    with pytest.raises(RangeError, match="reach_ft"):
        frontage(sites.lots([shapely.box(0, -80, 100, 0)]), sites.shore(STRAIGHT), reach_ft=bad)


# --- laws


@st.composite
def rows_of_lots(draw):
    """A wavy shore and lots side by side along it, short of it or past it by under 4 ft."""
    seed = draw(st.integers(0, 10_000))
    rng = np.random.default_rng(seed)
    n = draw(st.integers(1, 6))
    wave = draw(st.floats(0, 12))
    x = np.arange(-60, n * 90 + 60, 7.0)
    y = np.round(wave * np.sin(x / draw(st.floats(25, 80))) + rng.normal(0, 0.3, x.size), 6)
    edges = np.concatenate([[0.0], np.cumsum(rng.uniform(40, 90, n))])
    shapes = []
    for a, b in pairwise(edges):
        inside = x[(x > a) & (x < b)]
        top = np.interp([a, *inside, b], x, y) - rng.uniform(-3, 3)
        shapes.append(
            shapely.Polygon([*zip([a, *inside, b], top, strict=True), (b, -150), (a, -150)])
        )
    return np.stack([x, y], 1), shapes


@given(rows_of_lots())
def test_frontages_add_up_to_the_shore_they_cover(row):
    """No foot twice: the sum of all frontages is the length of their union."""
    line, shapes = row
    found = frontage(sites.lots(shapes), sites.shore(line))
    pieces = found["frontage"].geometry
    assert pieces.length.sum() == pytest.approx(shapely.union_all(pieces.array).length, abs=1e-6)
    # Side by side from end to end, they cover all of the shore between the outer corners. Each
    # may lose a sliver where a side line meets a bend of the shore.
    whole = shapely.intersection(
        shapely.LineString(line), shapely.box(shapes[0].bounds[0], -200, shapes[-1].bounds[2], 200)
    )
    assert pieces.length.sum() <= whole.length + 1e-6 + 10 * len(shapes)
    assert pieces.length.sum() >= 0.9 * whole.length


@given(rows_of_lots(), st.floats(-180, 180), st.floats(-1e4, 1e4))
def test_turning_and_moving_changes_nothing(row, angle, shift):
    line, shapes = row
    one = frontage(sites.lots(shapes), sites.shore(line))["lots"].frontage_length_ft
    turned = frontage(
        sites.moved(sites.lots(shapes), angle, shift, -shift),
        sites.moved(sites.shore(line), angle, shift, -shift),
    )["lots"].frontage_length_ft
    np.testing.assert_allclose(turned, one, atol=1e-3)


@given(rows_of_lots())
def test_feet_and_metres_give_the_same_lot(row):
    """The zone in metres and in US survey feet: one lot, one length."""
    line, shapes = row
    in_feet = frontage(sites.lots(shapes), sites.shore(line))["lots"].frontage_length_ft
    metres = 1200 / 3937
    in_metres = frontage(
        sites.moved(sites.lots(shapes), scale=metres, crs=sites.FLORIDA_EAST_M),
        sites.moved(sites.shore(line), scale=metres, crs=sites.FLORIDA_EAST_M),
    )["lots"].frontage_length_ft
    np.testing.assert_allclose(in_metres, in_feet, atol=1e-3)


@given(rows_of_lots(), st.floats(0.1, 20))
def test_a_longer_reach_loses_no_shore_of_a_lone_lot(row, reach_ft):
    line, shapes = row
    lot = sites.lots(shapes[:1])
    short = feet(frontage(lot, sites.shore(line), reach_ft=reach_ft))
    assert feet(frontage(lot, sites.shore(line), reach_ft=2 * reach_ft)) >= short - 1e-6


def test_order_of_lots_changes_nothing():
    shapes = [
        shapely.box(0, -80, 103, 3),
        shapely.box(97, -80, 200, -2),
        shapely.box(200, -80, 260, 1),
    ]
    one = frontage(sites.lots(shapes), sites.shore(STRAIGHT))["lots"]
    other = frontage(sites.lots(shapes[::-1], ids=["C", "B", "A"]), sites.shore(STRAIGHT))["lots"]
    merged = one.merge(other, on="lot_id")
    np.testing.assert_allclose(merged.frontage_length_ft_x, merged.frontage_length_ft_y, atol=1e-5)


def test_corners_of_a_closed_shore_are_found_once_wherever_it_starts():
    """A square has four corners; a chamfer 10 ft long is one bend of a 50 ft smoothing length."""
    square = [(0, 0), (200, 0), (200, 200), (0, 200)]
    chamfered = [(0, 0), (200, 0), (200, 190), (190, 200), (0, 200)]
    for ring in (square, chamfered):
        for turn in range(len(ring)):
            start = ring[turn:] + ring[:turn]
            chain = build_shore([shapely.LineString([*start, start[0]])], 50.0).chains[0]
            assert chain.corners.size == 4
            assert (np.diff(chain.corners) > 0).all() and chain.corners[-1] < chain.length
    # The chamfer at the seam: its two ends, 10 ft apart around it, are still one bend.
    start = [(195, 195), (190, 200), (0, 200), (0, 0), (200, 0), (200, 190)]
    chain = build_shore([shapely.LineString([*start, start[0]])], 50.0).chains[0]
    assert chain.corners.size == 4


def test_direction_never_looks_across_a_corner():
    """East, then north: 5 ft from the corner the direction over 50 ft is still that of its leg."""
    chain = build_shore([shapely.LineString([(0, 0), (100, 0), (100, 100)])], 50.0).chains[0]
    got = chain.direction(np.array([95.0, 105.0]), 50.0)
    np.testing.assert_allclose(got, [[1, 0], [0, 1]], atol=1e-12)


@pytest.mark.parametrize("turn", range(5))
def test_runs_follow_one_another_around_the_lot(turn):
    """Water on three sides, a road on the fourth: from left to right, wherever the ring starts.

    The lot looks west, north and east; a dock basin cuts 10 ft out of each corner's shore.
    """
    ring = [(0, 0), (0, 100), (100, 100), (100, 0), (50, -1)]
    lot = shapely.Polygon(ring[turn:] + ring[:turn])
    shore = sites.shore([(0, 0), (0, 90)], [(10, 100), (90, 100)], [(100, 90), (100, 0)])
    table = frontage(sites.lots([lot]), shore)["frontage"]
    middles = [shapely.get_coordinates(g.centroid)[0].round().tolist() for g in table.geometry]
    assert middles == [[0, 45], [50, 100], [100, 45]]
    assert table.run_id.tolist() == ["A/r1", "A/r2", "A/r3"]
    assert table.station_to_ft.iloc[-1] == pytest.approx((90 + 80 + 90) * sites.US_FT)


def test_a_lot_that_straddles_the_line_is_told():
    """As much lot north of the line as south of it: which side is water is a guess, and said."""
    found = frontage(sites.lots([shapely.box(0, -60, 100, 60)]), sites.shore(STRAIGHT))
    assert any("as much on one side of the line" in note.text for note in found.notes)
    found = frontage(sites.lots([shapely.box(0, -80, 100, 0)]), sites.shore(STRAIGHT))
    assert found.notes == ()


def test_no_line_near_is_no_claim():
    shore = build_shore([shapely.LineString(STRAIGHT)], 50.0)
    claims, shared = share_shore([shapely.box(0, 900, 1, 901)], shore, 5.0)
    assert (claims, shared) == ([], [])


# --- real charts and lots

# Perimeters in US survey feet of islands in NOAA chart cells US5MIACC and US5MIACB, with COALNE
# and the lines of SLCONS as a mean-high-water line (the cells' DSPM_VDAT is 16, mean high water).
# Listed in the data's PROVENANCE file to 0.1 ft.
ISLANDS = [
    ("US5MIACB", "Claughton Island", 5991.0),
    ("US5MIACC", "Star Island", 6518.9),
    ("US5MIACC", "Hibiscus Island", 8632.6),
    ("US5MIACC", "Palm Island", 9660.1),
    ("US5MIACC", "Belle Isle", 4436.6),
    ("US5MIACC", "Di Lido Island", 7680.4),
    ("US5MIACC", "San Marino Island", 4858.8),
    ("US5MIACC", "San Marco Island", 4389.5),
    ("US5MIACC", "Rivo Alto Island", 5676.7),
    ("US5MIACB", "Grove Isle", 3610.2),
    ("US5MIACC", "Fisher Island", 24135.0),
]


def chart(cell, layers, crs=2236):
    """Layers of a chart cell as one table in plane feet; lines only for the shore layers."""
    folder = open_data("noaa_enc_miami")
    tables = [gpd.read_file(folder / f"{cell}_{layer}.geojson").to_crs(crs) for layer in layers]
    return gpd.pd.concat(tables, ignore_index=True)


def islands(cell):
    land = chart(cell, ["LNDARE"])
    land = land[land.geom_type.isin(["Polygon", "MultiPolygon"])].reset_index(drop=True)
    names = [f"{name}#{k}" for k, name in enumerate(land["OBJNAM"].fillna(""))]
    return sites.lots(list(land.geometry), ids=names)


def charted_shore(cell, layers=("COALNE", "SLCONS")):
    lines = chart(cell, layers)
    return lines[lines.geom_type.isin(["LineString", "MultiLineString"])][["geometry"]]


@pytest.mark.data
@pytest.mark.parametrize("cell", ["US5MIACB", "US5MIACC"])
def test_chart_islands_front_their_whole_perimeter(cell):
    """Within 0.1 ft of the list, and of the polygon's own perimeter to a millionth of a foot."""
    lots = islands(cell)
    found = frontage(lots, charted_shore(cell))["lots"]
    found["perimeter_ft"] = lots.length.to_numpy() * sites.US_FT
    found["name"] = found["lot_id"].str.split("#").str[0]
    for _, name, listed_usft in [row for row in ISLANDS if row[0] == cell]:
        row = found[found["name"] == name].sort_values("perimeter_ft").iloc[-1]
        assert row.frontage_length_ft == pytest.approx(listed_usft * sites.US_FT, abs=0.1), name
        assert row.frontage_length_ft == pytest.approx(row.perimeter_ft, abs=1e-6), name


@pytest.mark.data
def test_polygons_cut_by_the_chart_edge_front_less():
    """Listed: Port of Miami 0.741 of 8539.2 ft (US5MIACB), Biscayne Island 0.851 of 3471.1."""
    for cell, name, share in (
        ("US5MIACB", "Port of Miami", 0.741),
        ("US5MIACC", "Biscayne Island", 0.851),
    ):
        lots = islands(cell)
        found = frontage(lots, charted_shore(cell))["lots"]
        mine = found["lot_id"].str.startswith(name).to_numpy()
        got = found.frontage_length_ft[mine].sum() / (lots.length[mine].sum() * sites.US_FT)
        # 0.850 where 0.851 is listed: the list counts within 0.5 ft of the line, ends included.
        assert got == pytest.approx(share, abs=0.0015)


@pytest.mark.data
def test_coast_line_alone_gives_reasoned_zeros():
    """COALNE covers none of three built-up islands and 2.6 % of Star Island (PROVENANCE)."""
    found = frontage(islands("US5MIACB"), charted_shore("US5MIACB", ("COALNE",)))["lots"]
    for name in ("Claughton Island", "Grove Isle"):
        row = found[found["lot_id"].str.startswith(name)].iloc[0]
        assert row.frontage_length_ft == 0 and row.status == "no-frontage"
        assert "ft from the lot at its nearest" in row.reason
    found = frontage(islands("US5MIACC"), charted_shore("US5MIACC", ("COALNE",)))["lots"]
    star = found[found["lot_id"].str.startswith("Star Island")].iloc[0]
    assert star.frontage_length_ft / (6518.9 * sites.US_FT) == pytest.approx(0.026, abs=0.0005)


def new_york(name, borough):
    """Lots and borough line in EPSG:2263, as the data's own notes measure them."""
    folder = open_data("nyc_waterfront_lots")
    lots = gpd.read_file(folder / f"{name}_lots.geojson").to_crs(2263)
    if "lot_id" not in lots:
        lots["lot_id"] = [f"C{k}" for k in range(len(lots))]
    lots["geometry"] = lots.make_valid()
    lots = lots[lots.geom_type.isin(["Polygon", "MultiPolygon"])]
    lots["is_measured"] = True
    boroughs = gpd.read_file(f"zip://{folder / 'nybb_16a.zip'}").to_crs(2263)
    line = boroughs[boroughs["BoroName"] == borough]
    return lots[["lot_id", "is_measured", "geometry"]], gpd.GeoDataFrame(geometry=line.boundary)


# "shore near lot ft" of the data's PROVENANCE: length of shore within 5 ft of the lot. That count
# runs on up to 5 ft past the lot's corner at each end of a stretch, so frontage is a little less.
NEAR_SHORE_FT = {
    "A1264": 1567.4, "A1260": 514.3, "A1311": 358.1, "A1235": 250.9, "A1310": 209.5,
    "A1996": 148.8, "A1236": 87.4,
}  # fmt: skip


@pytest.mark.data
def test_new_york_lots():
    lots, line = new_york("astoria", "Queens")
    found = frontage(lots, line)
    table = found["lots"].set_index("lot_id")
    for lot_id, near in NEAR_SHORE_FT.items():
        got = table.loc[lot_id, "frontage_length_ft"]
        ends = found["frontage"].query("lot_id == @lot_id").run_id.nunique() * 2
        assert near - 6.5 * ends <= got <= near, lot_id
    # A1236 stops 0.65 ft short of the line (PROVENANCE) and has its stretch all the same.
    assert table.loc["A1236", "frontage_length_ft"] > 70
    assert float(lots.set_index("lot_id").geometry["A1236"].distance(line.union_all())) > 0.6
    exact = frontage(lots, line, reach_ft=0.1)["lots"].set_index("lot_id")
    assert exact.loc["A1236", "frontage_length_ft"] == 0
    pieces = found["frontage"].geometry
    assert pieces.length.sum() == pytest.approx(shapely.union_all(pieces.array).length, abs=1e-4)


@pytest.mark.data
def test_new_york_inland_lots_have_none():
    """The nearest Coney Island lot is 212.1 ft from the line (PROVENANCE): a beach lies between."""
    found = frontage(*new_york("coney_island", "Brooklyn"))["lots"]
    assert (found.frontage_length_ft == 0).all() and (found.status == "no-frontage").all()
    nearest = found.reason.str.extract(r"is ([\d.]+) ft from").astype(float)[0].min()
    assert nearest == pytest.approx(212.1, abs=0.06)
