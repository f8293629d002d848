"""Riparian lines: the worked examples of the fact sheet, and what neighbours must agree on.

The recipes restate the state survey bureau's Guidelines for Allocation of Riparian Rights (2013):
conclusion 2 read in source; coves, headlands and the prolonged lot line from memory.
"""

from itertools import pairwise

import numpy as np
import pytest
import shapely
import sites
from hypothesis import given
from hypothesis import strategies as st

from geotrim import frontage, riparian_lines
from geotrim.core.riparian import bearing_deg, proportional_cuts
from geotrim.errors import LayerError, RangeError

STRAIGHT = [(-500, 0), (700, 0)]


def lines(lots, shore, **options):
    found = frontage(lots, shore, smoothing_length_ft=options.get("smoothing_length_ft", 50.0))
    return riparian_lines(lots, shore, found, **options)


def ends(result, lot_id="A"):
    """Shore end and water end of a lot's left and right limit."""
    table = result["riparian_lines"]
    mine = table[table["lot_id"] == lot_id].set_index("side").geometry
    return {side: shapely.get_coordinates(mine[side]) for side in ("left", "right")}


def test_straight_shore():
    """X-03: corners (0, 0) and (100, 0) on a straight shore give the lines x = 0 and x = 100."""
    lot = sites.lots([shapely.box(0, -80, 100, 0)])
    got = ends(lines(lot, sites.shore(STRAIGHT)))
    long = 100 / sites.US_FT
    np.testing.assert_allclose(got["left"], [[0, 0], [0, long]], atol=1e-6)
    np.testing.assert_allclose(got["right"], [[100, 0], [100, long]], atol=1e-6)


def test_oblique_channel():
    """X-04: channel y = 200 + x / 2; feet at (-80, 160) and (0, 200), 89.443 ft along it."""
    lot = sites.lots([shapely.box(0, -80, 100, 0)])
    channel = sites.shore([(-1000, -300), (1000, 700)])
    found = lines(lot, sites.shore(STRAIGHT), channel=channel, riparian_method="square-to-channel")
    got = ends(found)
    np.testing.assert_allclose(got["left"][1], [-80, 160], atol=1e-9)
    np.testing.assert_allclose(got["right"][1], [0, 200], atol=1e-9)
    along = np.linalg.norm(got["right"][1] - got["left"][1])
    assert along == pytest.approx(100 * np.cos(np.arctan(0.5)), abs=1e-9)
    assert along == pytest.approx(89.443, abs=5e-4)
    # The lot lines run due north; the channel's square leans by atan(1/2) = 26.565 degrees.
    assert found["riparian_lines"]["lot_line_angle_deg"].to_numpy() == pytest.approx(
        26.565, abs=1e-3
    )


def cove():
    """Three lots with 100, 200 and 300 ft of a round cove, and its mouth of 240 ft."""
    radius, turns = 600 / np.pi, np.cumsum([0, 100, 200, 300]) / (600 / np.pi)
    shapes, shore = [], []
    for a, b in pairwise(np.pi + turns):
        inner = sites.arc(radius, np.degrees(a), np.degrees(b), 0.25)
        outer = sites.arc(radius + 90, np.degrees(a), np.degrees(b), 0.25)
        shapes.append(shapely.Polygon(np.concatenate([inner, outer[::-1]])))
        shore.append(inner)
    line = np.concatenate(shore)
    return sites.lots(shapes), sites.shore(line), sites.shore([(-120, 5), (120, 5)])


@pytest.mark.parametrize("is_drawn_back", [False, True])
def test_cove_in_proportion(is_drawn_back):
    """X-05: shore frontages 100, 200, 300 ft; a mouth of 240 ft is shared as 40, 80, 120 ft."""
    lots, line, mouth = cove()
    if is_drawn_back:
        line, mouth = (sites.shore(*shapely.reverse(t.geometry.array)) for t in (line, mouth))
    found = lines(lots, line, mouth_line=mouth, riparian_method="proportional")
    at = [ends(found, lot)[side][1][0] for lot in "ABC" for side in ("left", "right")]
    np.testing.assert_allclose(np.abs(np.diff(at))[::2], [40, 80, 120], atol=0.01)
    assert proportional_cuts([100, 200, 300], 240.0).tolist() == [0, 40, 120, 240]


def test_a_mouth_line_is_divided_from_end_to_end():
    """X-05 with a mouth of 300 ft, wider at either end than the shore's own ends: 50, 100, 150."""
    lots, line, _ = cove()
    mouth = sites.shore([(-195, -20), (105, -20)])
    found = lines(lots, line, mouth_line=mouth, riparian_method="proportional")
    at = [ends(found, lot)[side][1][0] for lot in "ABC" for side in ("left", "right")]
    np.testing.assert_allclose(np.abs(np.diff(at))[::2], [50, 100, 150], atol=0.01)


def test_cove_mouth_is_taken_for_granted_only_when_told():
    """With no mouth line the straight line across the cove is divided, and the result says so."""
    lots, line, _ = cove()
    found = lines(lots, line, riparian_method="proportional")
    assert "straight line across the cove" in found.notes[0].text
    at = [ends(found, lot)[side][1][0] for lot in "ABC" for side in ("left", "right")]
    chord = 1200 / np.pi
    np.testing.assert_allclose(np.abs(np.diff(at))[::2], np.array([1, 2, 3]) / 6 * chord, atol=0.05)


def test_headland_and_straight_shore_need_a_mouth_line():
    lot = sites.lots([shapely.box(0, -80, 100, 0)])
    with pytest.raises(LayerError, match="mouth line: found nothing, and a shore that is no deep"):
        lines(lot, sites.shore(STRAIGHT), riparian_method="proportional")


def test_square_lines_in_a_cove_cross_and_the_other_method_is_offered():
    lots, line, _ = cove()
    found = lines(lots, line, riparian_length_ft=250.0)
    assert found["riparian_lines"]["is_crossing"].any()
    assert "the method proportional divides such a shore" in found.notes[-1].text
    straight = lines(sites.lots([shapely.box(0, -80, 100, 0)]), sites.shore(STRAIGHT))
    assert not straight["riparian_lines"]["is_crossing"].any() and straight.notes == ()


def test_prolonged_lot_lines():
    """A lot whose side lines lean 20 degrees from the square keeps their direction."""
    lean = np.tan(np.radians(20.0)) * 80
    lot = sites.lots([shapely.Polygon([(0, 0), (100, 0), (100 - lean, -80), (-lean, -80)])])
    found = lines(lot, sites.shore(STRAIGHT), riparian_method="prolonged-lot-lines")
    assert found["riparian_lines"]["bearing_deg"].to_numpy() == pytest.approx(20.0, abs=1e-6)
    assert found["riparian_lines"]["lot_line_angle_deg"].to_numpy() == pytest.approx(0.0, abs=1e-4)
    square = lines(lot, sites.shore(STRAIGHT))["riparian_lines"]
    assert square["lot_line_angle_deg"].to_numpy() == pytest.approx(20.0, abs=1e-4)


@pytest.mark.parametrize("gap", [-20.0, 0.0, 3.0])
def test_prolonged_lot_lines_of_a_lot_that_stops_short_or_runs_past(gap):
    lot = sites.lots([shapely.box(0, -80, 100, -gap)])
    found = lines(lot, sites.shore(STRAIGHT), riparian_method="prolonged-lot-lines")
    assert found.notes == ()
    np.testing.assert_allclose(ends(found)["right"][:, 0], 100.0, atol=1e-6)


@pytest.mark.parametrize(
    ("way", "expected"), [((0, 1), 0), ((1, 0), 90), ((0, -1), 180), ((-1, 0), 270)]
)
def test_bearing(way, expected):
    assert bearing_deg(np.array(way, dtype=float)) == expected


def test_round_lake_pie():
    """R-09: sector area R arc / 2: 500 ft radius, 100 ft of shore, lines to the centre: 25,000 ft2.

    The rule read second-hand, the area a handbook formula.
    """
    turn = np.degrees(100 / 500)
    inner = sites.arc(500.0, -turn / 2, turn / 2, 0.1)
    outer = sites.arc(600.0, -turn / 2, turn / 2, 0.1)
    lot = sites.lots([shapely.Polygon(np.concatenate([inner, outer[::-1]]))])
    lake = sites.shore(sites.arc(500.0, -60, 60, 0.1))
    found = lines(lot, lake, riparian_length_ft=500 * sites.US_FT)
    for line in ends(found).values():
        np.testing.assert_allclose(line[1], [0, 0], atol=0.1)
    area = found["riparian_areas"]["water_area_ft2"].iloc[0] / sites.US_FT**2
    assert area == pytest.approx(25_000, rel=2e-3)


def test_smoothing_hides_a_bump_at_the_corner():
    """A 3 ft bump by the lot's corner turns a bare normal far, a smoothed one little."""
    bump = [(-500, 0), (-4, 0), (-2, 3), (0, 0), (700, 0)]
    lot = sites.lots([shapely.box(0, -80, 100, 0)])
    smooth = lines(lot, sites.shore(bump))["riparian_lines"].bearing_deg.iloc[0]
    bare = lines(lot, sites.shore(bump), smoothing_length_ft=1.0)[
        "riparian_lines"
    ].bearing_deg.iloc[0]
    away = [min(b, 360 - b) for b in (smooth, bare)]
    assert away[0] < 1.0 and away[1] > 20.0


@given(
    wave=st.floats(0, 8),
    length=st.floats(40, 120),
    smoothing=st.floats(5, 120),
    cut=st.floats(60, 140),
)
def test_neighbours_agree(wave, length, smoothing, cut):
    """The right limit of one lot is the left limit of the next."""
    x = np.arange(-200, 401, 4.0)
    x = np.unique(np.append(x, cut))
    y = np.round(wave * np.sin(2 * np.pi * x / length), 6)
    shapes = []
    for a, b in ((0.0, cut), (cut, 200.0)):
        inside = x[(x >= a) & (x <= b)]
        shapes.append(
            shapely.Polygon(
                [*zip(inside, np.interp(inside, x, y), strict=True), (b, -90), (a, -90)]
            )
        )
    found = lines(
        sites.lots(shapes), sites.shore(np.stack([x, y], 1)), smoothing_length_ft=smoothing
    )
    one, other = ends(found, "A")["right"], ends(found, "B")["left"]
    np.testing.assert_allclose(one, other, atol=1e-4)


@given(angle=st.floats(-180, 180))
def test_turning_the_site_turns_the_lines(angle):
    lot, line = (
        sites.lots([shapely.box(0, -80, 100, 0)]),
        sites.shore([(-500, 0), (40, 2), (700, 0)]),
    )
    one = lines(lot, line)["riparian_lines"]
    turned = lines(sites.moved(lot, angle), sites.moved(line, angle))["riparian_lines"]
    want = (one["bearing_deg"] - angle) % 360
    gap = (turned["bearing_deg"] - want + 180) % 360 - 180
    np.testing.assert_allclose(gap, 0.0, atol=1e-6)
    np.testing.assert_allclose(turned["length_ft"], one["length_ft"], atol=1e-6)


def test_a_limit_at_a_corner_bisects_it():
    """Shore east, then south: at the corner the square to both is the bearing 45 degrees."""
    lot = sites.lots([shapely.Polygon([(0, 0), (80, 0), (20, -40)])])
    found = lines(lot, sites.shore([(-200, 0), (80, 0), (80, -300)]))["riparian_lines"]
    assert found.set_index("side")["bearing_deg"].to_dict() == {
        "left": pytest.approx(0.0, abs=1e-6), "right": pytest.approx(45.0, abs=1e-6)
    }  # fmt: skip


def test_a_channel_on_the_land_side_is_told():
    lot, channel = sites.lots([shapely.box(0, -80, 100, 0)]), sites.shore([(-500, -90), (500, -90)])
    found = lines(lot, sites.shore(STRAIGHT), channel=channel, riparian_method="square-to-channel")
    assert sum("land side" in note.text for note in found.notes) == 2


def test_bad_method_and_missing_channel_are_told():
    lot = sites.lots([shapely.box(0, -80, 100, 0)])
    with pytest.raises(RangeError, match="riparian_method: found 'straight'; needed one of square"):
        lines(lot, sites.shore(STRAIGHT), riparian_method="straight")
    with pytest.raises(LayerError, match="channel: found nothing; needed a line"):
        lines(lot, sites.shore(STRAIGHT), riparian_method="square-to-channel")


def test_no_frontage_gives_empty_tables():
    lot = sites.lots([shapely.box(0, -800, 100, -700)])
    found = lines(lot, sites.shore(STRAIGHT))
    assert len(found["riparian_lines"]) == 0 and len(found["riparian_areas"]) == 0
    assert "geometry" in found["riparian_lines"]


@pytest.mark.parametrize("is_pond", [False, True])
def test_a_closed_shore_has_no_side_limits_but_water(is_pond):
    """Around an island of 300 ft the ring of 100 ft, in a pond of 60 ft all of it: pi r^2."""
    radius = 60.0 if is_pond else 300.0
    ring = sites.arc(radius, 0, 360, step=1.0)
    ring[-1] = ring[0]
    round_ = shapely.Polygon(ring)
    lot = shapely.box(-90, -90, 90, 90).difference(round_) if is_pond else round_
    found = lines(
        sites.lots([lot]), sites.shore(round_.exterior), riparian_length_ft=100 * sites.US_FT
    )
    assert len(found["riparian_lines"]) == 0
    assert "closes on itself" in found.notes[0].text
    area = found["riparian_areas"]["water_area_ft2"].to_numpy() / sites.US_FT**2
    expected = np.pi * (60.0**2 if is_pond else 400.0**2 - 300.0**2)
    assert area == pytest.approx([expected], rel=5e-3)
