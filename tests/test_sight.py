"""What rays meet: walls, slots, slopes against closed forms; random canopies by brute force."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sight_oracle import east, forest, marched, rays_through, shared, slope, strip

from geotrim.core import _sight_kernels
from geotrim.core.sight import blocks, open_share
from geotrim.core.sight_rays import shore_rays
from geotrim.core.sight_scene import Ground, Rays, Scene, Shared, curvature_per_ft
from geotrim.errors import RangeError, ShapeError

#: Off, the earth's own, and one so strong that every term of it shows.
CURVATURES = [0.0, curvature_per_ft(), 2e-4]


def seen(d, z, eye, c):
    """Elevation angle of a point: its height over the eye less the drop, over the distance."""
    return slope((z - eye - c * d * d) / d)


def water_view(eye, edge, c):
    """Angles from the near edge to the horizon, by the closed form of the dip."""
    return seen(edge, 0.0, eye, c), slope(-2.0 * math.sqrt(eye * c))


# ---- a wall -------------------------------------------------------------------------------------


@pytest.mark.jit
@pytest.mark.parametrize("c", CURVATURES)
def test_a_wall_hides_all_under_its_far_upper_corner(c):
    """Seen from above, the far edge of the top (51 ft) stands highest."""
    low, high = water_view(10.0, 100.0, c)
    share, by_ray = open_share(strip([(50, 51, 0.0, 5.0, 0)]), east(10.0, low, high, curvature=c))
    assert share == pytest.approx((high - seen(51.0, 5.0, 10.0, c)) / (high - low), abs=1e-12)
    assert by_ray.tolist() == pytest.approx([share])


@pytest.mark.parametrize("c", CURVATURES)
def test_a_wall_higher_than_the_eye_hides_from_its_near_upper_corner_down(c):
    met = blocks(strip([(50, 60, 4.0, 15.0, 0)]), east(10.0, -5.0, 20.0, curvature=c))
    # ten cells: the first hides highest (near top, 50 ft) and its underside is least there
    assert met.high.max() == pytest.approx(seen(50.0, 15.0, 10.0, c), abs=1e-12)
    assert met.low.min() == pytest.approx(seen(50.0, 4.0, 10.0, c), abs=1e-12)
    assert met.distance_ft.tolist() == pytest.approx(list(range(50, 60)))
    assert set(met.tree) == {0} and set(met.low_ft) == {4.0} and set(met.high_ft) == {15.0}


def test_a_long_level_top_hides_up_to_the_horizon_of_its_own_height():
    """A top 1 ft under the eye: the tangent -1/d - c d is greatest at sqrt(1/c), -2 sqrt(c)."""
    c = 2e-4  # sqrt(1 / c) is 70.7 ft: inside the cell from 50 to 100 ft
    wide = Scene(
        np.full((1, 1), 9.0), np.zeros((1, 1), int), np.ones((1, 1), bool), np.zeros(1),
        np.zeros((1, 1)), (50.0, 0.0, 50.0, 0.0, -5.0, 5.0), 1.0,
    )  # fmt: skip
    (high,) = blocks(wide, east(10.0, -8.0, 0.0, curvature=c)).high
    assert high == pytest.approx(slope(-2.0 * math.sqrt(c)), abs=1e-12)
    # nearer than that only an end can be greatest: the same cell moved to 80 ft, or to 10 ft
    for first in (80.0, 10.0):
        moved = Scene(
            wide.top_ft, wide.tree, wide.is_clearable, wide.base_ft, wide.substrate_ft,
            (50.0, 0.0, first, 0.0, -5.0, 5.0), 1.0,
        )  # fmt: skip
        (high,) = blocks(moved, east(10.0, -8.0, 0.0, curvature=c)).high
        at = 80.0 if first == 80.0 else 60.0
        assert high == pytest.approx(seen(at, 9.0, 10.0, c), abs=1e-12)


def test_an_underside_over_the_eye_hides_from_its_far_lower_corner_up():
    """Seen from below, a canopy's lower far edge stands lowest."""
    (low,) = blocks(strip([(50, 51, 12.0, 20.0, 0)]), east(10.0, -5.0, 20.0)).low
    assert low == pytest.approx(seen(51.0, 12.0, 10.0, 0.0), abs=1e-12)


def test_an_eye_within_a_canopy_sees_nothing():
    share, _ = open_share(strip([(0, 3, 2.0, 15.0, 0)]), east(10.0, -80.0, 80.0))
    assert share == 0.0


def test_an_eye_right_over_a_canopy_sees_over_it():
    """From 2 ft over the top of a canopy that ends 4 ft off: 2 in 4 downwards is the limit."""
    share, _ = open_share(strip([(0, 4, 0.0, 8.0, 0)]), east(10.0, -60.0, 0.0))
    assert share == pytest.approx(-slope(-0.5) / 60.0, abs=1e-12)


def test_the_wall_stands_on_its_substrate():
    """A wall of 5 ft on 3 ft is a wall up to 8 ft, and one from 0 is none under the ground."""
    low, high = water_view(12.0, 90.0, 0.0)
    share, _ = open_share(strip([(50, 51, 0.0, 5.0, 0)], substrate=3.0), east(12.0, low, high))
    left = (high - seen(51.0, 8.0, 12.0, 0.0)) + max(seen(50.0, 3.0, 12.0, 0.0) - low, 0.0)
    assert share == pytest.approx(left / (high - low), abs=1e-12)


# ---- a slot -------------------------------------------------------------------------------------


@pytest.mark.jit
@pytest.mark.parametrize("c", CURVATURES)
def test_a_slot_from_6_to_10_ft_opens_between_two_corners(c):
    """From above: over the far edge of what stands under 6 ft, under the near edge of the top."""
    low, high = water_view(12.0, 80.0, c)
    wall, ray = strip([(50, 51, 0.0, 14.0, 0)]), east(12.0, low, high, curvature=c)
    assert open_share(wall, ray)[0] == 0.0
    opened, _ = open_share(wall, ray, ([0], [6.0], [10.0]))
    slot = min(seen(50.0, 10.0, 12.0, c), high) - max(seen(51.0, 6.0, 12.0, c), low)
    assert 0.1 < slot / (high - low) < 0.9
    assert opened == pytest.approx(slot / (high - low), abs=1e-12)


@pytest.mark.parametrize("eye", [4.0, 8.0, 9.5, 13.0])
def test_a_slot_seen_from_any_height(eye):
    """Each side of the slot hides by its corner nearest to the eye's level line, by hand."""
    wall, ray = strip([(50, 52, 0.0, 14.0, 0)]), east(eye, -20.0, 20.0)
    share, _ = open_share(wall, ray, ([0], [6.0], [10.0]))
    under = slope((6.0 - eye) / (52.0 if eye > 6.0 else 50.0))
    over = slope((10.0 - eye) / (50.0 if eye > 10.0 else 52.0))
    foot = 20.0 + slope(-eye / 50.0)
    top = 20.0 - slope((14.0 - eye) / (52.0 if eye > 14.0 else 50.0))
    assert share * 40.0 == pytest.approx(over - under + foot + top, abs=1e-11)


def test_a_slot_in_a_base_of_its_own():
    """Canopy from 7 to 9 ft is gone when 6 to 10 are taken; from 5 to 9, 5 to 6 stays."""
    ray = east(8.0, -5.0, 5.0)
    cut = ([0], [6.0], [10.0])
    assert open_share(strip([(50, 51, 7.0, 9.0, 0)]), ray, cut)[0] == 1.0
    left, _ = open_share(strip([(50, 51, 5.0, 9.0, 0)]), ray, cut)
    assert left == pytest.approx(
        1.0 - (seen(51.0, 6.0, 8.0, 0.0) - seen(50.0, 5.0, 8.0, 0.0)) / 10.0, abs=1e-12
    )


def test_edges_under_the_base_cut_nothing():
    """Of canopy from 7 to 14 ft, cuts of 5 to 6 and from 10 ft up leave 7 to 10."""
    wall, ray = strip([(50, 51, 7.0, 14.0, 0)]), east(8.0, -5.0, 5.0)
    cuts = ([0, 0], [5.0, 10.0], [6.0, 30.0])
    met = blocks(wall, ray, cuts)
    assert met.low_ft.tolist() == [7.0, 10.0] and met.is_taken.tolist() == [False, True]
    hidden = slope(2.0 / 50.0) - slope(-1.0 / 50.0)
    assert open_share(wall, ray, cuts)[0] == pytest.approx(1.0 - hidden / 10.0, abs=1e-12)


def test_a_top_lowered():
    low, high = water_view(12.0, 80.0, 0.0)
    share, _ = open_share(
        strip([(50, 51, 0.0, 14.0, 0)]), east(12.0, low, high), ([0], [6.0], [math.inf])
    )
    assert share == pytest.approx((high - seen(51.0, 6.0, 12.0, 0.0)) / (high - low), abs=1e-12)


def test_cuts_of_one_tree_add_up_and_leave_other_trees_alone():
    wall = strip([(50, 51, 0.0, 14.0, 0), (51, 52, 0.0, 5.0, 1)])
    ray = east(12.0, -8.0, 0.0)
    both, _ = open_share(wall, ray, ([0, 0], [6.0, 8.0], [8.5, 10.0]))
    assert both == open_share(wall, ray, ([0], [6.0], [10.0]))[0]
    assert open_share(wall, ray, ([1], [0.0], [20.0]))[0] == open_share(wall, ray)[0]


def test_cells_outside_the_zone_are_never_cleared():
    wall, ray = strip([(50, 51, 0.0, 14.0, 0)], clearable=False), east(12.0, -8.0, 0.0)
    assert open_share(wall, ray, ([0], [0.0], [math.inf]))[0] == 0.0
    assert not blocks(wall, ray, ([0], [6.0], [10.0])).is_taken.any()


def test_blocks_tell_what_the_cuts_take():
    met = blocks(
        strip([(50, 51, 1.0, 14.0, 0)]), east(12.0, -8.0, 0.0), ([0, 0], [6.0, 20.0], [10.0, 30.0])
    )
    assert met.low_ft.tolist() == [1.0, 6.0, 10.0] and met.high_ft.tolist() == [6.0, 10.0, 14.0]
    assert met.is_taken.tolist() == [False, True, False] and met.is_clearable.all()


# ---- two walls ----------------------------------------------------------------------------------


@pytest.mark.jit
@pytest.mark.parametrize("c", CURVATURES)
@pytest.mark.parametrize("far_top", [3.0, 7.0])
def test_two_walls_hide_what_either_hides(c, far_top):
    """A hanging wall (6 to 9 ft at 20 ft) and one on the ground at 60 ft: union by hand."""
    low, high = seen(150.0, 0.0, 10.0, c), 5.0
    walls = strip([(20, 21, 6.0, 9.0, 0), (60, 61, 0.0, far_top, 1)])
    share, _ = open_share(walls, east(10.0, low, high, curvature=c))
    near = (seen(20.0, 6.0, 10.0, c), seen(21.0, 9.0, 10.0, c))
    far = (low, seen(61.0, far_top, 10.0, c))  # its foot is hidden below the view
    assert near[0] < low < near[1]
    hidden = max(near[1], far[1]) - low
    assert share == pytest.approx((high - low - hidden) / (high - low), abs=1e-12)


def test_between_two_walls():
    """One over the other with a gap between: each hides its own."""
    walls = strip([(20, 21, 9.0, 12.0, 0), (60, 61, 0.0, 5.0, 1)])
    share, _ = open_share(walls, east(10.0, -20.0, 20.0))
    far = slope(-5.0 / 61.0) - slope(-10.0 / 60.0)
    near = slope(2.0 / 20.0) - slope(-1.0 / 20.0)
    assert share * 40.0 == pytest.approx(40.0 - far - near, abs=1e-11)


# ---- ground -------------------------------------------------------------------------------------


def profile(elevations):
    """Ground of five equal rows whose centres lie at 0.5, 1.5 ... ft along the ray."""
    return Ground(np.tile(np.asarray(elevations, float), (5, 1)), (1.0, 0.0, 0.0, 0.0, -1.0, 5.0))


CENTRES = np.arange(200) + 0.5


@pytest.mark.jit
@pytest.mark.parametrize("c", CURVATURES)
def test_a_plane_that_falls_to_the_water_hides_up_to_its_end(c):
    """From 6 ft over 20 - 0.1 d the tangent -0.1 - 6/d - c d rises up to sqrt(6/c) >= 173 ft."""
    ground = profile(20.0 - 0.1 * CENTRES)
    ray = east(26.0, -30.0, 0.0, length=150.0, curvature=c)
    share, _ = open_share(strip([], ground=ground), ray)
    assert share == pytest.approx(-slope(-0.1 - 6.0 / 150.0 - c * 150.0) / 30.0, abs=1e-10)


@pytest.mark.parametrize("c", CURVATURES)
def test_a_bluff_hides_up_to_its_brow(c):
    """Level at 20 ft to the centre at 60.5 ft, then falling 1 in 2: the brow stands highest."""
    z = np.where(CENTRES <= 60.5, 20.0, 20.0 - 0.5 * (CENTRES - 60.5))
    met = blocks(strip([], ground=profile(z)), east(26.0, -30.0, 0.0, curvature=c))
    assert met.tree.tolist() == [-1]
    # the ground is known from the first centre on: what lies in front of it is taken for water
    assert met.low[0] == pytest.approx(seen(0.5, 0.0, 26.0, c), abs=1e-12)
    assert met.high[0] == pytest.approx(seen(60.5, 20.0, 26.0, c), abs=1e-12)
    assert met.distance_ft[0] == pytest.approx(60.5)
    assert np.isnan(met.low_ft[0]) and not met.is_clearable[0]


@pytest.mark.parametrize("c", CURVATURES)
def test_a_berm_hides_up_to_its_crest_line(c):
    """A berm 8 ft high at 100.5 ft, 4 ft wide: its crest, or the next centre beyond it."""
    z = 2.0 + np.maximum(8.0 - 4.0 * np.abs(CENTRES - 100.5), 0.0)
    (high,) = blocks(strip([], ground=profile(z)), east(16.0, -30.0, 0.0, curvature=c)).high
    near = max(seen(d, 2.0, 16.0, c) for d in (199.5, 150.0))
    assert high == pytest.approx(max(seen(100.5, 10.0, 16.0, c), near), abs=1e-12)


@pytest.mark.jit
@pytest.mark.parametrize("c", CURVATURES)
def test_a_convex_hill_is_touched_between_the_centres(c):
    """Ground of 20 - k x y is bilinear everywhere; along the diagonal it is 20 - k d**2 / 2.

    From 3 ft over it the tangent -3/d - (k/2 + c) d is greatest at sqrt(3 / (k/2 + c)), where it
    is -2 sqrt(3 (k/2 + c)).
    """
    k = 0.01
    y, x = np.meshgrid(60.0 - np.arange(61.0), np.arange(61.0), indexing="ij")
    hill = Ground(20.0 - k * x * y, (1.0, 0.0, -0.5, 0.0, -1.0, 60.5))
    one = np.ones(1)
    ray = Rays(
        0.0 * one, 0.0 * one, one * math.sqrt(0.5), one * math.sqrt(0.5), 80.0 * one, 23.0,
        -40.0 * one, 0.0 * one, one / 40.0, c,
    )  # fmt: skip
    met = blocks(strip([], ground=hill), ray)
    assert met.high[0] == pytest.approx(slope(-2.0 * math.sqrt(3.0 * (k / 2.0 + c))), abs=1e-11)
    assert met.distance_ft[0] == pytest.approx(math.sqrt(3.0 / (k / 2.0 + c)), rel=1e-9)


def test_ground_over_the_eye_hides_everything():
    assert open_share(strip([], ground=profile(CENTRES)), east(0.25, -20.0, 0.0))[0] == 0.0


def test_unknown_ground_hides_nothing():
    z = np.where((CENTRES > 80.0) & (CENTRES < 120.0), np.nan, 0.0)
    z[100] = 50.0  # beside NaN on both sides: no surface reaches it
    dry = {"water_ft": -1.0}
    met = blocks(strip([], ground=profile(z), **dry), east(10.0, -30.0, 0.0))
    high = [seen(79.5, 0.0, 10.0, 0.0), seen(199.5, 0.0, 10.0, 0.0)]
    assert met.high == pytest.approx(high, abs=1e-12)
    low = [seen(0.5, -1.0, 10.0, 0.0), seen(120.5, -1.0, 10.0, 0.0)]
    assert met.low == pytest.approx(low, abs=1e-12)
    assert len(blocks(strip([], ground=profile(z * np.nan), **dry), east(10.0, -30.0, 0.0))) == 0


def test_ground_ends_at_the_outer_centres_and_at_the_ray():
    level = strip([], ground=profile(0.0 * CENTRES), water_ft=-1.0)
    (high,) = blocks(level, east(10.0, -30.0, 0.0)).high
    assert high == pytest.approx(slope(-10.0 / 199.5), abs=1e-12)
    (high,) = blocks(level, east(10.0, -30.0, 0.0, length=50.0)).high
    assert high == pytest.approx(slope(-10.0 / 50.0), abs=1e-12)


def test_ground_and_canopy_together():
    """Ground to -11.3 deg (10 in 50), a wall from there up to 5 ft at 50 to 51 ft."""
    ray = east(10.0, -30.0, 0.0, length=51.0)
    both = strip([(50, 51, 0.0, 5.0, 0)], ground=profile(0.0 * CENTRES), water_ft=-1.0)
    share, _ = open_share(both, ray)
    assert share == pytest.approx(-slope(-5.0 / 51.0) / 30.0, abs=1e-12)


# ---- under the water ----------------------------------------------------------------------------


@pytest.mark.jit
@pytest.mark.parametrize("c", CURVATURES)
def test_the_bottom_hides_no_water(c):
    """Ground that falls 1 in 10 to the water at 100.2 ft and goes on: its bottom is not seen."""
    ground = profile(10.0 - 0.1 * (CENTRES - 0.2))
    met = blocks(strip([], ground=ground), east(40.0, -60.0, 0.0, curvature=c))
    assert met.high[0] == pytest.approx(seen(100.2, 0.0, 40.0, c), abs=1e-9)
    # all under water, at the water, or touching it from below: nothing is hidden
    for z in (0.0 * CENTRES - 3.0, 0.0 * CENTRES, -0.1 * np.abs(CENTRES - 120.5)):
        assert len(blocks(strip([], ground=profile(z)), east(40.0, -60.0, 0.0, curvature=c))) == 0


def test_an_island_hides_from_its_waterline_or_its_top():
    """Out of the water from 63.5 to 143.5 ft, 2 ft high at 103.5 ft."""
    z = 2.0 - 0.05 * np.abs(CENTRES - 103.5)
    met = blocks(strip([], ground=profile(z)), east(40.0, -60.0, 0.0))
    assert met.high[0] == pytest.approx(slope(-40.0 / 143.5), abs=1e-12)  # its far waterline
    met = blocks(strip([], ground=profile(z)), east(5.0, -60.0, 0.0))
    assert met.high[0] == pytest.approx(slope(-3.0 / 103.5), abs=1e-12)  # its top
    assert met.low[0] == pytest.approx(slope(-5.0 / 63.5), abs=1e-12)  # its near waterline
    share, _ = open_share(strip([], ground=profile(z)), east(5.0, -60.0, 0.0))
    hidden = slope(-3.0 / 103.5) - slope(-5.0 / 63.5)
    assert share == pytest.approx(1.0 - hidden / 60.0, abs=1e-12)  # the water before it is seen


def test_land_under_the_eye_hides_down_to_its_foot():
    """Ground that begins at the eye hides all below the highest angle it reaches."""
    land = Ground(np.full((61, 61), 2.0), (1.0, 0.0, -10.5, 0.0, -1.0, 30.5))
    met = blocks(strip([], ground=land), east(6.0, -30.0, 0.0))
    assert met.low.tolist() == [-90.0] and met.high[0] == pytest.approx(slope(-4.0 / 50.0))


def test_waterlines_between_the_centres_of_a_curved_ground():
    """Along the diagonal of z = 1 - k x y the waterline is where k d**2 / 2 = 1: at 40 ft."""
    k = 2.0 / 40.0**2
    y, x = np.meshgrid(60.0 - np.arange(61.0), np.arange(61.0), indexing="ij")
    one = np.ones(1)
    side = one * math.sqrt(0.5)
    ray = Rays(0 * one, 0 * one, side, side, 80 * one, 9.0, -40 * one, 0 * one, one / 40.0, 0.0)
    hill = Ground(1.0 - k * x * y, (1.0, 0.0, -0.5, 0.0, -1.0, 60.5))
    met = blocks(strip([], ground=hill), ray)
    assert met.high[0] == pytest.approx(slope(-9.0 / 40.0), abs=1e-10)
    bowl = Ground(-1.0 + k * x * y, (1.0, 0.0, -0.5, 0.0, -1.0, 60.5))  # dry from 40 ft on
    met = blocks(strip([], ground=bowl), ray)
    assert met.high[0] == pytest.approx(slope((-10.0 + k * 3200.0) / 80.0), abs=1e-10)


@pytest.mark.parametrize(("first", "last", "d"), [(5.0, 0.1, 10.0), (0.1, 5.0, 30.0)])
def test_a_pool_between_two_shores_of_one_cell(first, last, d):
    """Two corners on the diagonal dry, the others at -10 ft: dry, wet, dry along 20 ft.

    The shore of 5 ft stands highest: -1 in 10 at the first corner, or -1 in 30 at the last.
    """
    side = 20.0 / math.sqrt(2.0)
    pool = Ground(np.array([[-10.0, last], [first, -10.0]]), (side, 0, 0, 0, -side, 2 * side))
    at = side / 2 - 10.0 / math.sqrt(2.0)  # 10 ft before the centre of the lower left cell
    one = np.ones(1)
    half = one * math.sqrt(0.5)
    ray = Rays(at * one, at * one, half, half, 80 * one, 6.0, -40 * one, 0 * one, one / 40.0, 0.0)
    met = blocks(strip([], ground=pool), ray)
    assert len(met) == 2
    assert met.high.max() == pytest.approx(slope(-1.0 / d), abs=1e-9)


def test_a_canopy_that_stands_in_the_water_hides_from_the_water_up():
    """A wall from 3 ft under the water to 5 ft over it, at 150 ft, behind the edge at 100 ft."""
    wall = strip([(150, 151, 0.0, 8.0, 0)], substrate=-3.0)
    ray = east(10.0, slope(-0.1), 0.0)
    hidden = slope(-5.0 / 151.0) - slope(-10.0 / 150.0)
    share, _ = open_share(wall, ray)
    assert share == pytest.approx(1.0 - hidden / -slope(-0.1), abs=1e-12)
    # a layer that is all under water hides nothing
    met = blocks(wall, ray, ([0], [0.0], [2.5]))
    assert met.low_ft.tolist() == [2.5] and met.low[0] == pytest.approx(slope(-10.0 / 150.0))
    assert len(blocks(strip([(150, 151, 0.0, 3.0, 0)], substrate=-3.0), ray)) == 0


# ---- level rays ---------------------------------------------------------------------------------


@pytest.mark.jit
def test_level_rays_see_the_band_by_height():
    """Of 6 to 10 ft, canopy from 3 to 7 and from 9 to 20 leaves half; ground does not matter."""
    walls = strip(
        [(20, 22, 3.0, 7.0, 0), (60, 61, 9.0, 20.0, 1)], ground=profile(8.0 + 0.0 * CENTRES)
    )
    rays = shore_rays([0.0], [2.5], [7.0], [0.0], 100.0, 3.0, (6.0, 10.0))
    assert open_share(walls, rays)[0] == pytest.approx(0.5, abs=1e-12)
    assert open_share(walls, rays, ([0], [6.0], [10.0]))[0] == pytest.approx(0.75, abs=1e-12)
    short = shore_rays([0.0], [2.5], [1.0], [0.0], 59.0, 3.0, (6.0, 10.0))
    assert open_share(walls, short)[0] == pytest.approx(0.75, abs=1e-12)


def test_level_rays_weigh_by_the_shore_they_stand_for():
    """3 ft of shore behind a full wall and 1 ft beside it: a quarter is open."""
    wall = strip([(20, 21, 0.0, 30.0, 0)])
    rays = shore_rays([0.0, 0.0], [2.5, 9.0], [1.0, 1.0], [0.0, 0.0], 50.0, [3.0, 1.0], (6.0, 10.0))
    share, by_ray = open_share(wall, rays)
    assert share == pytest.approx(0.25) and by_ray.tolist() == [0.0, 1.0]
    assert (rays.weight * (rays.high - rays.low)).sum() == pytest.approx(1.0)


# ---- by brute force -----------------------------------------------------------------------------

GRIDS = [
    {},
    {"turn_deg": 27.0},
    {"south_up": True, "turn_deg": -71.0},
    {"feet": 1.0 / 0.3048, "turn_deg": 40.0, "at": (400.0, 900.0)},
]


@pytest.mark.jit
@pytest.mark.parametrize("seed", range(12))
def test_random_canopies_match_ray_marching(seed):
    """Steps of 0.004 ft and 20,000 bins of angle; ground, curvature and cuts by turns."""
    grid = GRIDS[seed % 4]
    scene = forest(seed, hills=seed % 2 == 1, **grid)
    rest = {key: grid[key] for key in ("feet", "at") if key in grid}
    rays = rays_through(
        seed, 6, eye_ft=8.0 + seed % 5, length_ft=48.0, curvature=CURVATURES[seed % 3], **rest
    )
    lows, highs = [6.0, 5.0, 6.0, 2.0, 8.0, 6.0, 5.0], [10.0, math.inf, 9.0, 7.0, 11.0, 10.0, 12.0]
    cuts = ([0, 1, 2, 3, 3, 4, 6], lows, highs)
    for given_cuts in (None, cuts):
        _, by_ray = open_share(scene, rays, given_cuts)
        by_steps = marched(scene, rays, given_cuts or ((), (), ()))
        assert np.abs(by_ray - by_steps).max() < 1e-3
    assert 0.02 < by_ray.mean() < 0.98


@pytest.mark.parametrize("seed", [0, 2, 3])
def test_cells_that_trees_share_match_ray_marching(seed):
    """One column a tree on the cell, each with its own top, cuts and base."""
    plain = forest(seed, hills=seed % 2 == 1, **GRIDS[seed])
    rest = {key: GRIDS[seed][key] for key in ("feet", "at") if key in GRIDS[seed]}
    rays = rays_through(seed, 6, eye_ft=8.0 + seed, length_ft=48.0, **rest)
    cuts = ([0, 1, 2, 3, 5], [6.0, 5.0, 2.0, 6.0, 4.0], [10.0, math.inf, 9.0, 11.0, math.inf])
    scene = shared(plain, seed)
    for given_cuts in (None, cuts):
        _, by_ray = open_share(scene, rays, given_cuts)
        by_steps = marched(scene, rays, given_cuts or ((), (), ()))
        assert np.abs(by_ray - by_steps).max() < 1e-3
    assert (by_ray <= open_share(plain, rays, cuts)[1] + 1e-12).all()
    assert (by_ray < open_share(plain, rays, cuts)[1] - 0.01).any()


def test_three_trees_on_one_cell_each_hide():
    """Level rays see 6 to 10 ft; tops at 7, 8 and 9 ft: what stands of each is what hides."""
    scene = strip([(50, 51, 0.0, 7.0, 0)])
    row = np.repeat(np.arange(5) * 200 + 50, 2)
    more = Shared(row, np.tile([1, 2], 5), np.tile([8.0, 9.0], 5), np.ones(10, bool))
    scene = replace(scene, base_ft=np.zeros(3), shared=more)
    level = shore_rays([0.0], [2.5], [1.0], [0.0], 200.0, 1.0, (6.0, 10.0))
    gone = {0: (0, 6.0, math.inf), 1: (1, 6.0, math.inf), 2: (2, 6.0, math.inf)}
    for cut, seen_frac in (((), 0.25), ((2,), 0.5), ((1, 2), 0.75), ((1,), 0.25), ((0, 1, 2), 1.0)):
        cuts = [np.array(part) for part in zip(*(gone[k] for k in cut), strict=True)] or None
        assert open_share(scene, level, cuts)[0] == pytest.approx(seen_frac)


def test_further_columns_stand_where_one_stands_already():
    scene = strip([(50, 52, 2.0, 9.0, 0)])
    one, top, yes = np.array([0]), np.array([9.0]), np.array([True])
    ray = east(8.0, -5.0, 0.0)
    good = replace(scene, shared=Shared(np.array([450]), one, top, yes))
    assert open_share(good, ray)[0] == open_share(scene, ray)[0]
    for cell, tree in (([449], [0]), ([450], [1]), ([450], [-1]), ([451, 450], [0, 0]),
                       ([5000], [0]), ([-1], [0]), ([450, 451], [0])):  # fmt: skip
        n = len(cell)
        bad = Shared(np.array(cell), np.array(tree), np.full(n, 9.0), np.repeat(yes, n))
        with pytest.raises(ShapeError, match="shared"):
            open_share(replace(scene, shared=bad), ray)


@pytest.mark.parametrize("seed", range(3))
def test_level_rays_match_ray_marching(seed):
    scene = forest(seed, turn_deg=10.0 * seed)
    x = np.linspace(-14.0, 14.0, 9)
    rays = shore_rays(x, np.full(9, -20.0), np.zeros(9), np.ones(9), 40.0, 1.0, (6.0, 10.0))
    cuts = ([0, 1], [6.0, 5.0], [8.0, math.inf])
    assert open_share(scene, rays, cuts)[1] == pytest.approx(marched(scene, rays, cuts), abs=1e-3)


@pytest.mark.parametrize("seed", range(4))
def test_a_grid_turned_flipped_or_in_metres_gives_the_same(seed):
    """Only the map is turned, mirrored or rescaled: the same angles lie open on every ray."""
    plain = forest(seed, hills=True)
    rays = rays_through(seed, 7, eye_ft=9.0, length_ft=48.0, curvature=2e-4)
    cuts = ([0, 4], [6.0, 6.0], [10.0, math.inf])
    want = open_share(plain, rays, cuts)[1]
    for turn, unit, flip in ((33.0, 1.0, 1.0), (-120.0, 0.3048, 1.0), (75.0, 0.3048, -1.0)):
        cos, sin = math.cos(math.radians(turn)), math.sin(math.radians(turn))
        spin = np.array([[cos, -sin * flip], [sin, cos * flip]])
        a, b, c, d, e, f = plain.transform
        moved = spin @ np.array([[a, b, c], [d, e, f]]) * unit + [[0, 0, 5e5], [0, 0, 2e6]]
        where = tuple(moved.reshape(-1).tolist())
        scene = Scene(
            plain.top_ft, plain.tree, plain.is_clearable, plain.base_ft, plain.substrate_ft, where,
            1.0 / unit, Ground(plain.ground.elevation_ft, where), 0.0,
        )  # fmt: skip
        x, y = spin @ np.array([rays.x, rays.y]) * unit
        dx, dy = spin @ np.array([rays.dx, rays.dy])
        turned = Rays(
            x + 5e5, y + 2e6, dx, dy, rays.length_ft, 9.0, rays.low, rays.high, rays.weight, 2e-4
        )
        # the axes of the first rays run along grid lines: a hair's turn may change their cells
        assert open_share(scene, turned, cuts)[1][3:] == pytest.approx(want[3:], abs=1e-7)


# ---- laws ---------------------------------------------------------------------------------------

CUT = st.tuples(
    st.integers(0, 6), st.sampled_from([2.0, 5.0, 6.0, 7.5]), st.sampled_from([8.0, 10.0, math.inf])
)


@given(st.integers(0, 200), st.lists(CUT, max_size=6), st.lists(CUT, min_size=1, max_size=4))
def test_more_clearing_never_lowers_the_view(seed, some, more):
    scene = forest(seed, n=8, cell_ft=3.0, hills=seed % 2 == 0)
    rays = rays_through(seed, 4, eye_ft=8.0, length_ft=40.0)
    before, rays_before = open_share(scene, rays, tuple(zip(*some, strict=True)) or None)
    after, rays_after = open_share(scene, rays, tuple(zip(*some, *more, strict=True)))
    assert after >= before and (rays_after >= rays_before).all()
    assert before >= 0.0 and after <= 1.0 + 1e-12


@given(st.integers(0, 200), st.sampled_from([6.0, 8.0, 12.0]))
def test_the_full_band_cleared_never_lowers_the_view(seed, eye):
    scene = forest(seed, n=8, cell_ft=3.0)
    rays = rays_through(seed, 4, eye_ft=eye, length_ft=40.0)
    trees = np.arange(scene.base_ft.size)
    band = (trees, np.full(trees.size, 6.0), np.full(trees.size, 10.0))
    assert open_share(scene, rays, band)[0] >= open_share(scene, rays)[0]


@given(st.integers(0, 200))
def test_a_higher_canopy_or_ground_never_opens_the_view(seed):
    scene = forest(seed, n=8, cell_ft=3.0, hills=True)
    rays = rays_through(seed, 4, eye_ft=9.0, length_ft=40.0)
    taller = Scene(
        scene.top_ft + 1.0, scene.tree, scene.is_clearable, scene.base_ft, scene.substrate_ft,
        scene.transform, 1.0, scene.ground,
    )  # fmt: skip
    higher = Scene(
        scene.top_ft, scene.tree, scene.is_clearable, scene.base_ft, scene.substrate_ft,
        scene.transform, 1.0, Ground(scene.ground.elevation_ft + 1.0, scene.transform),
    )  # fmt: skip
    now = open_share(scene, rays)[0]
    assert open_share(taller, rays)[0] <= now + 1e-12
    assert open_share(higher, rays)[0] <= now + 1e-12


# ---- edges and bad input ------------------------------------------------------------------------


def test_a_ray_through_corners_meets_no_cell_it_only_touches():
    """Along the diagonal of a chessboard only the cells on the diagonal are crossed."""
    tree = np.full((6, 6), 0)
    top = np.where(np.eye(6, dtype=bool)[::-1], np.nan, 9.0)
    board = Scene(
        top, tree, tree == 0, np.zeros(1), np.zeros((6, 6)), (0.1, 0, 0, 0, -0.1, 0.6), 1.0
    )
    one = np.ones(1)
    ray = Rays(
        -one, -one, one * math.sin(math.pi / 4), one * math.cos(math.pi / 4), 9.0 * one, 4.0,
        -9.0 * one, 9.0 * one, one / 18.0,
    )  # fmt: skip
    assert len(blocks(board, ray)) == 0


@pytest.mark.jit
def test_a_walk_through_corners_enters_the_cells_on_the_diagonal_only():
    """Rounding parts the two lines that cross at a corner; what lies between them is no cell."""
    starts = np.random.default_rng(3).uniform(0.1, 2.0, 50)
    at, rows, cols = np.empty(20), np.empty(20, np.int64), np.empty(20, np.int64)
    n_apart = 0
    for s in starts:
        rate = 1.0 / math.sqrt(2.0 + s)
        n = _sight_kernels.walk(-s, 3.0 - s, rate, rate, 90.0, 9, 6, at, rows, cols)
        assert cols[:n].tolist() == list(range(6)) and rows[:n].tolist() == list(range(3, 9))
        n_apart += any((j + s) / rate != (j + 3.0 - (3.0 - s)) / rate for j in range(6))
    assert n_apart > 10  # there is something to see


@pytest.mark.jit
def test_a_walk_meets_what_it_should():
    """From (0.5, 1.25) by (2, 1), back from (6.5, 3.5): by hand on 4 rows and 5 columns."""
    at, rows, cols = np.empty(20), np.empty(20, np.int64), np.empty(20, np.int64)
    n = _sight_kernels.walk(0.5, 1.25, 2.0, 1.0, 9.0, 4, 5, at, rows, cols)
    assert at[: n + 1].tolist() == [0.0, 0.25, 0.75, 1.25, 1.75, 2.25]
    assert cols[:n].tolist() == [0, 1, 2, 3, 4] and rows[:n].tolist() == [1, 1, 2, 2, 3]
    n = _sight_kernels.walk(0.5, 1.25, 2.0, 1.0, 0.5, 4, 5, at, rows, cols)
    assert at[: n + 1].tolist() == [0.0, 0.25, 0.5]  # ends where it is told to
    n = _sight_kernels.walk(6.5, 3.5, -2.0, -1.0, 9.0, 4, 5, at, rows, cols)
    assert at[: n + 1].tolist() == [0.75, 1.25, 1.5, 1.75, 2.25, 2.5, 2.75, 3.25]
    assert cols[:n].tolist() == [4, 3, 3, 2, 1, 1, 0] and rows[:n].tolist() == [2, 2, 1, 1, 1, 0, 0]


def test_a_ray_beside_the_grid_meets_nothing():
    wall = strip([(50, 51, 0.0, 14.0, 0)])
    for y, dx, dy in ((9.0, 1.0, 0.0), (-1.0, 1.0, 0.0), (2.5, -1.0, 0.0), (9.0, 0.6, 0.8)):
        one = np.ones(1)
        ray = Rays(
            0 * one, y * one, dx * one, dy * one, 200 * one, 8.0, -9 * one, 9 * one, one / 18.0
        )
        assert open_share(wall, ray)[0] == 1.0
    whole = strip([(0, 200, 0.0, 14.0, 0)])
    for x in (-1.0, 201.0):
        north = Rays(x * one, 0 * one, 0 * one, one, 200 * one, 8.0, -9 * one, 9 * one, one / 18.0)
        assert open_share(whole, north)[0] == 1.0


def test_empty_canopy_hides_nothing():
    """No height, a height under the base, and no tree are no canopy."""
    wall = strip([(50, 51, 9.0, 8.0, 0), (60, 61, 0.0, math.nan, 1)])
    assert len(blocks(wall, east(8.0, -9.0, 9.0))) == 0


def test_no_rays_no_view():
    none = np.zeros(0)
    rays = Rays(none, none, none, none, none, 9.0, none, none, none)
    share, by_ray = open_share(strip([(50, 51, 0.0, 14.0, 0)], ground=profile(CENTRES)), rays)
    assert math.isnan(share) and by_ray.size == 0
    assert len(blocks(strip([]), rays)) == 0


@pytest.mark.parametrize(
    ("cuts", "kind"),
    [
        (([0], [6.0, 7.0], [10.0]), ShapeError),
        (([3], [6.0], [10.0]), RangeError),
        (([-1], [6.0], [10.0]), RangeError),
        (([0], [math.nan], [10.0]), RangeError),
    ],
)
def test_spans_that_fit_no_tree_are_told(cuts, kind):
    with pytest.raises(kind, match="cuts: found"):
        open_share(strip([(50, 51, 0.0, 14.0, 0)]), east(8.0, -9.0, 9.0), cuts)


def test_a_scene_that_does_not_fit_is_told():
    good = strip([(50, 51, 0.0, 14.0, 0)])
    parts = [good.top_ft, good.tree, good.is_clearable, good.base_ft, good.substrate_ft]
    rest = (good.transform, 1.0)
    ray = east(8.0, -9.0, 9.0)
    with pytest.raises(ShapeError, match="scene: found grids"):
        blocks(Scene(parts[0][:3], *parts[1:], *rest), ray)
    with pytest.raises(ShapeError, match="tree number 0"):
        blocks(Scene(*parts[:3], np.zeros(0), parts[4], *rest), ray)
    with pytest.raises(RangeError, match="substrate_ft: found NaN under canopy"):
        blocks(Scene(*parts[:4], parts[4] * np.nan, *rest), ray)
    with pytest.raises(ShapeError, match="transform: found"):
        blocks(Scene(*parts, (1.0, 2.0, 0.0, 2.0, 4.0, 0.0), 1.0), ray)
    # without an eye nothing stands on an elevation
    level = shore_rays([0.0], [2.5], [1.0], [0.0], 100.0, 1.0, (6.0, 10.0))
    assert len(blocks(Scene(*parts[:4], parts[4] * np.nan, *rest), level)) == 1
