"""Which azimuths look over the frontage, where the water begins, and where it ends."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from sight_oracle import slope, strip

from geotrim.core.sight import open_share
from geotrim.core.sight_rays import eye_rays, shore_fan, shore_rays
from geotrim.core.sight_scene import EARTH_RADIUS_FT, Ground, Scene, curvature_per_ft
from geotrim.errors import RangeError, ShapeError

BARE = strip([])
#: Straight, 100 ft north of the origin, water on its left: to the north.
NORTH = np.array([(-100.0, 100.0), (100.0, 100.0)])


def fan_of(shore, x=0.0, y=0.0, eye_ft=10.0, step=1.0, scene=BARE, curvature=0.0):
    return shore_fan(
        x, y, eye_ft, shore, scene, azimuth_step_deg=step, curvature=curvature
    )  # fmt: skip


def moved(xy, dx, dy):
    return xy + np.array([dx, dy])


def reach(fan):
    """From and to, by the outer cells."""
    return fan.azimuth_deg[0] - fan.width_deg[0] / 2, fan.azimuth_deg[-1] + fan.width_deg[-1] / 2


# ---- the fan ------------------------------------------------------------------------------------


@pytest.mark.jit
def test_a_straight_shore_is_seen_under_its_ends():
    """Ends at 100 ft north and 100 ft to either side: azimuths 315 to 45, edge at 100 / cos."""
    fan = fan_of([NORTH], step=0.7)
    first, last = reach(fan)
    assert (first, last) == (pytest.approx(315.0), pytest.approx(45.0))
    assert fan.width_deg.sum() == pytest.approx(90.0) and len(fan) == 129  # 90 / 0.7, rounded up
    assert fan.width_deg.max() <= 0.7
    assert fan.edge_ft == pytest.approx(100.0 / np.cos(np.radians(fan.azimuth_deg)))
    assert fan.low_deg == pytest.approx(-np.degrees(np.arctan(10.0 / fan.edge_ft)))
    assert (fan.high_deg == 0.0).all() and fan.reason == ""
    assert np.all(np.diff((fan.azimuth_deg - 315.0) % 360.0) > 0.0)


def test_a_step_wider_than_the_fan_is_one_cell():
    fan = fan_of([NORTH], step=120.0)
    assert fan.azimuth_deg == pytest.approx([0.0]) and fan.width_deg == pytest.approx([90.0])


def test_a_step_that_divides_the_fan_is_kept():
    """90 degrees in cells of 1: 90 of them, whatever the rounding of the ends."""
    for clockwise in range(0, 360, 7):
        turn = math.radians(clockwise)
        spin = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
        assert len(fan_of([NORTH @ spin.T], step=1.0)) == 90


@pytest.mark.parametrize("clockwise", [0.0, 90.0, 137.0, 200.0, 359.5])
def test_azimuths_are_clockwise_from_grid_north(clockwise):
    turn = math.radians(clockwise)
    spin = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    first, last = reach(fan_of([NORTH @ spin.T + (5e5, 2e6)], x=5e5, y=2e6))
    assert first % 360.0 == pytest.approx((315.0 + clockwise) % 360.0, abs=1e-6)
    assert last % 360.0 == pytest.approx((45.0 + clockwise) % 360.0, abs=1e-6)


def test_two_stretches_are_two_fans():
    """A gap of 20 ft in the middle: no ray there. The order begins after the widest gap."""
    east, west = moved(NORTH, 110.0, 0.0), moved(NORTH, -110.0, 0.0)
    fan = fan_of([east, west])
    bound = math.degrees(math.atan(0.1))
    turn = (fan.azimuth_deg + 180.0) % 360.0 - 180.0
    assert (np.abs(turn) > bound).all() and np.abs(np.diff(turn)).max() < 2 * bound + 1.0
    assert fan.width_deg.sum() == pytest.approx(2 * (math.degrees(math.atan(2.1)) - bound))
    assert reach(fan)[0] == pytest.approx(360.0 - math.degrees(math.atan(2.1)))


def test_stretches_that_join_are_one_fan():
    corner = [NORTH[:1], np.array([[0.0, 100.0]]), NORTH[1:]]
    whole = np.concatenate(corner)
    one, two = fan_of([whole], step=7.0), fan_of([whole[:2], whole[1:]], step=7.0)
    assert one.azimuth_deg == pytest.approx(fan_of([NORTH], step=7.0).azimuth_deg)
    assert two.azimuth_deg == pytest.approx(one.azimuth_deg)


def test_the_first_crossing_counts():
    """A basin cut into the land: over its near shore the water begins, not over its far one."""
    near, far = NORTH, moved(NORTH, 0.0, 80.0)
    fan = fan_of([near, far[::-1], moved(NORTH, 0.0, 200.0)])
    assert fan.edge_ft == pytest.approx(100.0 / np.cos(np.radians(fan.azimuth_deg)))
    assert fan.width_deg.sum() == pytest.approx(90.0)


def test_a_shore_met_from_its_water_side_is_no_view():
    """A spit between the eye and open water, seen from behind, hides the shore beyond it."""
    spit = np.array([(20.0, 50.0), (-20.0, 50.0)])  # its water is to the south, where the eye is
    fan = fan_of([spit, NORTH])
    bound = math.degrees(math.atan(0.4))
    turn = (fan.azimuth_deg + 180.0) % 360.0 - 180.0
    assert (np.abs(turn) > bound).all()
    assert fan.width_deg.sum() == pytest.approx(90.0 - 2.0 * bound)


@pytest.mark.jit
def test_an_island_is_looked_out_from_all_around():
    """Clockwise, so that the water is on the left; from the middle to the sides of a square."""
    square = np.array([(-50, -50), (-50, 50), (50, 50), (50, -50), (-50, -50)], float)
    fan = fan_of([square], step=0.5)
    assert fan.width_deg.sum() == pytest.approx(360.0) and len(fan) == 720
    from_north = np.radians((fan.azimuth_deg + 45.0) % 90.0 - 45.0)
    assert fan.edge_ft == pytest.approx(50.0 / np.cos(from_north))
    assert fan_of([square[::-1]]).reason == "the eye is not on the land side of the frontage"


WHY_NOT = [
    ({"shore": [NORTH], "y": 100.0}, "the eye stands on the frontage line"),
    ({"shore": [NORTH], "y": 130.0}, "the eye is not on the land side of the frontage"),
    ({"shore": [NORTH], "eye_ft": 0.0}, "the eye is not above the water"),
    ({"shore": [NORTH], "eye_ft": -3.0}, "the eye is not above the water"),
    ({"shore": []}, "there is no frontage"),
    ({"shore": [NORTH[:1]]}, "there is no frontage"),
    # a foot up, the flat-water horizon sqrt(h / c) of c = 1e-4 is at 100 ft; at 0.99 ft nearer
    ({"shore": [NORTH], "eye_ft": 0.99, "curvature": 1e-4}, "the water begins beyond the horizon"),
]


@pytest.mark.parametrize(("case", "reason"), WHY_NOT)
def test_no_view_has_a_reason_and_no_rays(case, reason):
    assert fan_of(**case).reason == reason
    given_case = dict(case)
    shore, eye = given_case.pop("shore"), given_case.pop("eye_ft", 10.0)
    y, curvature = given_case.pop("y", 0.0), given_case.pop("curvature", 0.0)
    rays = eye_rays(0.0, y, eye, shore, BARE, azimuth_step_deg=1.0, curvature=curvature)
    assert len(rays) == 0 and math.isnan(open_share(BARE, rays)[0])


# ---- edge and horizon ---------------------------------------------------------------------------


@pytest.mark.parametrize("refraction", [0.0, 0.13])
def test_the_horizon_dips_by_the_root_of_twice_the_height(refraction):
    """Dip sqrt(2 h (1 - k) / R) under the parabola; for 100 ft without refraction 10.63 minutes.

    By hand: R = 20,902,231 ft, sqrt(200 / R) = 0.0030932 rad = 10.634 arc minutes.
    """
    c = curvature_per_ft(refraction=refraction)
    fan = fan_of([NORTH], eye_ft=100.0, curvature=c)
    dip = math.sqrt(2.0 * 100.0 * (1.0 - refraction) / EARTH_RADIUS_FT)
    assert fan.high_deg == pytest.approx(-math.degrees(math.atan(dip)), abs=1e-12)
    if refraction == 0.0:
        assert fan.high_deg[0] * 60.0 == pytest.approx(-10.634, abs=5e-3)
    drop = 100.0 + c * fan.edge_ft**2
    assert fan.low_deg == pytest.approx(-np.degrees(np.arctan(drop / fan.edge_ft)), abs=1e-12)


def test_azimuths_whose_edge_is_beyond_the_horizon_are_left_out():
    """1.5 ft up with c = 1e-4 the horizon is at 122.5 ft: the shore within acos(100 / 122.5)."""
    fan = fan_of([NORTH], eye_ft=1.5, curvature=1e-4, step=0.1)
    bound = math.degrees(math.acos(100.0 / math.sqrt(1.5 / 1e-4)))
    assert fan.width_deg.sum() == pytest.approx(2.0 * bound, abs=0.2)
    assert (fan.low_deg < fan.high_deg).all()


def test_heights_are_over_the_water_and_lengths_in_feet():
    """A water at 3 ft; map units of metres."""
    scene = Scene(
        BARE.top_ft, BARE.tree, BARE.is_clearable, BARE.base_ft, BARE.substrate_ft,
        BARE.transform, 1.0 / 0.3048, None, 3.0,
    )  # fmt: skip
    fan = fan_of([NORTH * 0.3048], eye_ft=13.0, scene=scene)
    assert fan.edge_ft == pytest.approx(fan_of([NORTH]).edge_ft)
    assert fan.low_deg == pytest.approx(fan_of([NORTH]).low_deg)


@pytest.mark.parametrize("step", [0.3, 4.0])
def test_weights_add_up_to_the_whole_view(step):
    fan = fan_of([NORTH, moved(NORTH, 300.0, 30.0)], step=step)
    rays = eye_rays(
        0.0, 0.0, 10.0, [NORTH, moved(NORTH, 300.0, 30.0)], BARE, azimuth_step_deg=step
    )  # fmt: skip
    assert (rays.weight * (rays.high - rays.low)).sum() == pytest.approx(1.0, abs=1e-12)
    assert rays.weight / rays.weight[0] == pytest.approx(fan.width_deg / fan.width_deg[0])
    assert fan.view_deg2 == pytest.approx((fan.width_deg * (fan.high_deg - fan.low_deg)).sum())
    assert np.hypot(rays.dx, rays.dy) == pytest.approx(np.ones(len(rays)))
    assert np.degrees(np.arctan2(rays.dx, rays.dy)) % 360.0 == pytest.approx(fan.azimuth_deg)


def test_rays_reach_the_edge_and_the_last_canopy():
    """Canopy 150 to 151 ft off, behind the edge at 100 ft: it blocks from where it stands."""
    trees = strip([(150, 151, 0.0, 8.0, 0)])
    east = np.array([(100.0, 50.0), (100.0, -50.0)])
    kept = {"azimuth_step_deg": 0.5}
    rays = eye_rays(0.0, 2.5, 10.0, [east], trees, **kept)
    straight = np.argmin(np.abs(rays.dy))
    assert rays.length_ft[straight] == pytest.approx(151.0 / rays.dx[straight])
    assert open_share(trees, rays)[1][straight] < 1.0
    assert (rays.length_ft >= 100.0).all()
    bare = eye_rays(0.0, 2.5, 10.0, [east], BARE, **kept)
    assert bare.length_ft == pytest.approx(100.0 / bare.dx)
    # canopy behind the eye, or on no ray, lengthens none
    behind = eye_rays(300.0, 2.5, 10.0, [moved(east, 300.0, 0.0)], trees, **kept)
    assert behind.length_ft == pytest.approx(100.0 / behind.dx)


def test_rays_reach_the_end_of_the_ground():
    """Ground to 180 ft: canopy or none, rays go on to it, but not past the horizon."""
    land = Ground(np.full((400, 360), -1.0), (0.5, 0.0, 0.0, 0.0, -0.5, 100.0))
    east = np.array([(100.0, 50.0), (100.0, -50.0)])
    for trees in (BARE, strip([(150, 151, 0.0, 8.0, 0)])):
        scene = replace(trees, ground=land)
        rays = eye_rays(0.0, 2.5, 10.0, [east], scene, azimuth_step_deg=0.5)
        assert rays.length_ft == pytest.approx(180.0 / rays.dx)
        rays = eye_rays(0.0, 2.5, 4.0, [east], scene, azimuth_step_deg=0.5, curvature=2e-4)
        assert rays.length_ft.max() == pytest.approx(math.sqrt(4.0 / 2e-4))
    low = replace(land, elevation_ft=land.elevation_ft[:, :240])  # it ends at 120 ft
    short = replace(strip([(150, 151, 0.0, 8.0, 0)]), ground=low)
    rays = eye_rays(0.0, 2.5, 10.0, [east], short, azimuth_step_deg=0.5)
    straight = np.argmin(np.abs(rays.dy))
    assert rays.length_ft[straight] == pytest.approx(151.0 / rays.dx[straight])


def test_canopy_beside_the_rays_lengthens_none():
    """Trees 150 ft to the side; one of the rays runs due north, along the grid."""
    trees = strip([(150, 151, 0.0, 8.0, 0)])
    near = np.array([(-5.0, -20.0), (5.0, -20.0)])
    rays = eye_rays(0.0, -30.0, 10.0, [near], trees, azimuth_step_deg=11.0)
    assert (rays.dx == 0.0).any() and len(rays) == 5
    assert rays.length_ft == pytest.approx(10.0 / rays.dy)


def test_beyond_the_horizon_nothing_is_looked_for():
    """4 ft up with c = 2e-4 the horizon is at 141.4 ft: trees at 150 ft hide no water."""
    trees = strip([(150, 151, 0.0, 3.0, 0)])
    east = np.array([(100.0, 50.0), (100.0, -50.0)])
    rays = eye_rays(0.0, 2.5, 4.0, [east], trees, azimuth_step_deg=0.5, curvature=2e-4)
    assert rays.length_ft.max() == pytest.approx(math.sqrt(4.0 / 2e-4))
    assert open_share(trees, rays)[0] == pytest.approx(1.0, abs=1e-12)


def test_a_long_wall_before_a_straight_shore_by_integration():
    """Wall 5 ft high from 40 to 42 ft, shore at 100 ft, eye at 8 ft: scipy's quad of both angles.

    On azimuth t off the normal every distance is 1 / cos t as far, so the wall's top, 3 ft below
    the eye at 42 ft, is seen under atan(3 cos t / 42), the edge under atan(8 cos t / 100).
    """
    tree = np.full((42, 1), -1)
    tree[:2] = 0  # rows from the north: y from 42 down to 0, each 1 ft; the two first are wall
    scene = Scene(
        np.where(tree == 0, 5.0, np.nan), tree, tree == 0, np.zeros(1), np.zeros(tree.shape),
        (400.0, 0.0, -200.0, 0.0, -1.0, 42.0), 1.0,
    )  # fmt: skip
    # from 10 ft the wall's top, 5 in 42 down, is lower than the near edge, 10 in 100 down
    share, _ = open_share(scene, eye_rays(0, 0, 10.0, [NORTH], scene, azimuth_step_deg=1.0))
    assert share == pytest.approx(1.0, abs=1e-12)
    low = quad(lambda t: math.atan(0.08 * math.cos(t)), -math.pi / 4, math.pi / 4)[0]
    top = quad(lambda t: math.atan(3.0 / 42.0 * math.cos(t)), -math.pi / 4, math.pi / 4)[0]
    share, _ = open_share(scene, eye_rays(0, 0, 8.0, [NORTH], scene, azimuth_step_deg=0.25))
    assert share == pytest.approx(top / low, abs=1e-5)


# ---- against shapely ----------------------------------------------------------------------------

LINE = st.lists(
    st.tuples(st.integers(-40, 40), st.integers(-40, 40)), min_size=2, max_size=7, unique=True
)


@given(LINE, st.floats(0.0, 359.9))
def test_edges_are_the_first_crossings_shapely_finds(points, azimuth):
    """A ray is in the fan if and only if its nearest crossing runs from right to left."""
    line = shapely.LineString(moved(np.array(points, float), 0.123, 0.217))
    if not line.is_simple or line.distance(shapely.Point(0, 0)) < 0.5:
        return
    fan = fan_of([np.asarray(line.coords)], step=3.0)
    turns = np.append(fan.azimuth_deg, azimuth)
    for i, turn in enumerate(np.radians(turns)):
        way = np.array([math.sin(turn), math.cos(turn)])
        xy = np.asarray(line.coords)
        met = []
        for start, end in pairwise(xy):
            hit = shapely.LineString([(0, 0), way * 200.0]).intersection(
                shapely.LineString([start, end])
            )
            if hit.geom_type == "Point" and not hit.is_empty:
                is_left = (end - start)[0] * way[1] - (end - start)[1] * way[0]
                met.append((math.hypot(hit.x, hit.y), is_left > 0.0))
        if i < len(fan):
            assert met and fan.edge_ft[i] == pytest.approx(min(met)[0], rel=1e-9)
            continue
        gap = np.abs((fan.azimuth_deg - turns[i] + 180.0) % 360.0 - 180.0)
        ends = np.degrees(np.arctan2(xy[:, 0], xy[:, 1])) % 360.0
        if np.abs((ends - turns[i] + 180.0) % 360.0 - 180.0).min() > 1e-6:
            is_in = bool((gap <= fan.width_deg / 2).any())
            assert is_in == bool(met and min(met)[1])


# ---- bad input ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("case", "kind", "subject"),
    [
        ({"x": math.nan}, RangeError, "eye"),
        ({"eye_ft": math.inf}, RangeError, "eye"),
        ({"step": 0.0}, RangeError, "azimuth_step_deg"),
        ({"step": 361.0}, RangeError, "azimuth_step_deg"),
        ({"curvature": -1e-9}, RangeError, "curvature"),
        ({"shore": [[(0.0, 1.0), (math.nan, 2.0)]]}, ShapeError, "shore"),
        ({"shore": [[1.0, 2.0]]}, ShapeError, "shore"),
    ],
)
def test_bad_numbers_are_told(case, kind, subject):
    with pytest.raises(kind, match=f"{subject}: found"):
        fan_of(**{"shore": [NORTH], **case})


def test_shore_rays_take_any_length_of_direction():
    rays = shore_rays([1.0, 2.0], [0.0, 0.0], [3.0, 0.0], [4.0, 2.0], [9.0, 8.0], 2.0, (6.0, 10.0))
    assert rays.dx.tolist() == [0.6, 0.0] and rays.dy.tolist() == [0.8, 1.0]
    assert rays.length_ft.tolist() == [9.0, 8.0] and math.isnan(rays.eye_ft)
    assert rays.low.tolist() == [6.0, 6.0] and rays.high.tolist() == [10.0, 10.0]
    assert rays.weight.tolist() == [0.125, 0.125] and rays.curvature == 0.0
    assert len(shore_rays([], [], [], [], [], [], (6.0, 10.0))) == 0


@pytest.mark.parametrize(
    ("given_rays", "kind"),
    [
        (([0.0], [0.0, 1.0], [1.0], [0.0], 9.0, 1.0, (6.0, 10.0)), ShapeError),
        (([0.0], [0.0], [0.0], [0.0], 9.0, 1.0, (6.0, 10.0)), RangeError),
        (([math.nan], [0.0], [1.0], [0.0], 9.0, 1.0, (6.0, 10.0)), RangeError),
        (([0.0], [0.0], [1.0], [0.0], -9.0, 1.0, (6.0, 10.0)), RangeError),
        (([0.0], [0.0], [1.0], [0.0], 9.0, 0.0, (6.0, 10.0)), RangeError),
        (([0.0], [0.0], [1.0], [0.0], 9.0, 1.0, (10.0, 6.0)), RangeError),
    ],
)
def test_shore_rays_that_do_not_fit_are_told(given_rays, kind):
    with pytest.raises(kind, match="found"):
        shore_rays(*given_rays)


def test_a_level_look_over_a_plain_shore_is_all_open():
    rays = eye_rays(0.0, 0.0, 10.0, [NORTH], BARE, azimuth_step_deg=1.0)
    share, by_ray = open_share(BARE, rays)
    assert share == pytest.approx(1.0, abs=1e-12) and (by_ray == 1.0).all()
    assert rays.low[45] == pytest.approx(slope(-0.1), abs=1e-3)
