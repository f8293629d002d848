"""Surface less ground: what a cell gets, and why it gets none. Expected values by hand."""

from __future__ import annotations

import numpy as np
import pytest
import rasterio.warp
import shapely
from hypothesis import given
from hypothesis import strategies as st
from rasterio.enums import Resampling

from geotrim.core import height_difference as core
from geotrim.core.height_difference import (
    BELOW_GROUND,
    GROUND_GAP,
    MEASURED,
    NO_GROUND,
    NO_SURFACE,
    OFF_GROUND,
    REASONS,
    UNDER_WATER,
    height_difference,
)
from geotrim.core.resample import KNOWN, NO_DATA, OUTSIDE, bilinear, cell_state, highest, nearest

NAN = np.nan


def row(*values):
    return np.array([values], float)


def states(ground):
    return np.where(np.isfinite(ground), KNOWN, NO_DATA).astype(np.uint8)


def test_surface_less_ground():
    """24.0 - 1.5 = 22.5 ft (canopy height model, textbook)."""
    made = height_difference(row(24.0), row(1.5), states(row(1.5)))
    assert made.height_ft.tolist() == [[22.5]] and made.reason.tolist() == [[MEASURED]]


def test_ground_below_the_datum_adds():
    """A substrate at -1.5 ft under a top at 8.0 ft: 9.5 ft."""
    ground = row(-1.5)
    assert height_difference(row(8.0), ground, states(ground)).height_ft[0, 0] == 9.5


def test_every_cell_has_one_reason_the_first_that_holds():
    surface = row(NAN, 9.0, 9.0, 9.0, 9.0, 9.0, -4.0, 9.0)
    ground = row(NAN, NAN, NAN, 1.0, 1.0, -2.0, 1.0, 1.0)
    state = states(ground)
    state[0, 1] = OUTSIDE
    every = np.ones(surface.shape, bool)
    is_water = np.array([[True, True, True, True, False, False, False, False]])
    is_gap = every.copy()
    is_gap[0, 6:] = False
    made = height_difference(
        surface, ground, state, is_under_water=is_water, is_gap=is_gap, water_level_ft=-1.0
    )
    told = [
        NO_SURFACE,
        OFF_GROUND,
        NO_GROUND,
        UNDER_WATER,
        GROUND_GAP,
        UNDER_WATER,  # by its level
        BELOW_GROUND,
        MEASURED,
    ]
    assert made.reason[0].tolist() == told
    assert np.isnan(made.height_ft[0, :7]).all() and made.height_ft[0, 7] == 8.0
    assert made.below_ft == -5.0
    assert core.counts_of(made.reason).tolist() == [1, 1, 1, 1, 2, 1, 1]
    assert set(REASONS) == set(range(1, 7))


def test_ground_at_the_water_level_was_seen():
    ground = row(-1.0, -1.01)
    made = height_difference(row(5.0, 5.0), ground, states(ground), water_level_ft=-1.0)
    assert made.reason[0].tolist() == [MEASURED, UNDER_WATER]


def test_a_little_below_the_ground_is_at_the_ground():
    """By hand: with a limit of 1 ft, -0.4 and -1.0 become 0; -1.1 is left out; 0.4 stays."""
    surface, ground = row(0.6, 0.0, -0.1, 1.4), row(1.0, 1.0, 1.0, 1.0)
    made = height_difference(surface, ground, states(ground), below_ft=1.0)
    np.testing.assert_allclose(made.height_ft, row(0.0, 0.0, NAN, 0.4))
    assert made.is_raised.tolist() == [[True, True, False, False]]
    assert made.reason[0].tolist() == [MEASURED, MEASURED, BELOW_GROUND, MEASURED]
    assert made.below_ft == pytest.approx(-1.1)


def test_inputs_are_not_written_over():
    surface, ground, water = row(5.0, -9.0), row(1.0, 1.0), np.array([[False, False]])
    height_difference(
        surface, ground, states(ground), is_under_water=water, water_level_ft=2.0, below_ft=0.5
    )
    assert surface.tolist() == [[5.0, -9.0]] and not water.any()


def test_usual_limit_is_twice_the_usual_error():
    """10 cm and 10 cm make 14.1 cm = 0.46 ft (root of the sum of squares); twice that is 0.93."""
    ground = row(0.0, 0.0)
    made = height_difference(row(-0.92, -0.94), ground, states(ground))
    assert made.reason[0].tolist() == [MEASURED, BELOW_GROUND]


@pytest.mark.parametrize(("ground_cm", "expected_ft"), [(10.0, 0.46), (28.2, 0.98)])
def test_error_of_a_height(ground_cm, expected_ft):
    """10 & 10 cm: 14.1 cm = 0.46 ft; 10 & 28.2 cm: 29.9 cm = 0.98 ft.

    28.2 cm: SD of lidar ground in wetlands of Collier County, USGS data release, 2019.
    """
    one = core.difference_rmse_ft(10.0 / 30.48, ground_cm / 30.48)
    assert round(one, 2) == expected_ft


@given(
    st.lists(st.floats(-50, 50), min_size=4, max_size=4),
    st.lists(st.one_of(st.floats(-50, 50), st.just(NAN)), min_size=4, max_size=4),
    st.floats(0, 10),
    st.floats(0, 10),
)
def test_a_higher_ground_never_makes_a_taller_tree(top, ground, more, below):
    """Law: ground that reads high makes heights read low, and counts always add up."""
    surface, low = row(*top), row(*ground)
    before = height_difference(surface, low, states(low), below_ft=below)
    after = height_difference(surface, low + more, states(low), below_ft=below)
    both = np.isfinite(before.height_ft) & np.isfinite(after.height_ft)
    assert (after.height_ft[both] <= before.height_ft[both]).all()
    assert (before.height_ft[np.isfinite(before.height_ft)] >= 0).all()
    assert ((before.reason == MEASURED) == np.isfinite(before.height_ft)).all()
    assert core.counts_of(before.reason).sum() == 4


# ------------------------------------------------------------------------- returns and water


def test_far_from_returns_by_hand():
    """One cell with a return in a row of 2 ft cells: middles lie 0, 2, 4, 6 ft away."""
    counts = row(3.0, 0.0, NAN, 0.0)
    assert core.far_from_returns(counts, (2.0, 2.0), 4.0).tolist() == [[False, False, False, True]]
    assert core.far_from_returns(counts, (2.0, 2.0), 3.9).tolist() == [[False, False, True, True]]


def test_reach_counts_height_and_width_of_a_cell():
    counts = np.zeros((3, 3))
    counts[1, 1] = 1
    far = core.far_from_returns(counts, (5.0, 1.0), 2.0)
    assert far.tolist() == [[True] * 3, [False] * 3, [True] * 3]


def test_without_any_return_all_is_far():
    assert core.far_from_returns(np.zeros((2, 2)), (1.0, 1.0), 1e9).all()
    assert not core.far_from_returns(np.ones((2, 2)), (1.0, 1.0), 0.0).any()


def test_middles_inside():
    """A cell is in the water when its middle is; a middle on the edge is not."""
    x, y = np.meshgrid([0.5, 1.5, 2.5], [0.5])
    area = shapely.box(0.6, 0, 2.5, 1)
    assert core.middles_inside(area, x, y).tolist() == [[False, True, False]]
    holed = shapely.box(0, 0, 3, 1).difference(shapely.box(1, 0, 2, 1))
    assert core.middles_inside(holed, x, y).tolist() == [[True, False, True]]
    assert not core.middles_inside(None, x, y).any()


# ---------------------------------------------------------------------------- one grid on another


def test_bilinear_by_hand():
    """Middle of four cells: their mean; a quarter of the way: the weights 3/4 and 1/4."""
    cells = np.array([[0.0, 4.0], [8.0, 12.0]])
    at = bilinear(cells, np.array([1.0, 0.5, 0.75]), np.array([1.0, 0.75, 0.5]))
    np.testing.assert_allclose(at, [6.0, 1.0, 2.0])


def test_bilinear_is_exact_on_a_plane():
    rng = np.random.default_rng(3)
    r, c = np.mgrid[0:20, 0:30] + 0.5
    rows, cols = rng.uniform(0.5, 19.5, 500), rng.uniform(0.5, 29.5, 500)
    got = bilinear(3.0 + 0.25 * r - 0.5 * c, rows, cols)
    np.testing.assert_allclose(got, 3.0 + 0.25 * rows - 0.5 * cols, atol=1e-12)


def test_bilinear_at_the_rim_keeps_the_last_cell():
    cells = np.array([[2.0, 6.0]])
    got = bilinear(cells, np.array([0.01, 0.99, 0.5]), np.array([0.1, 1.9, 2.01]))
    np.testing.assert_allclose(got, [2.0, 6.0, NAN])


@given(st.integers(0, 2**32 - 1))
def test_no_data_does_not_bleed(seed):
    """Law: known where the cell is known, and never beyond the least and greatest of neighbours.

    A no-data value that was blended in, however little of it, would lie outside.
    """
    rng = np.random.default_rng(seed)
    cells = rng.uniform(10, 20, (6, 7))
    cells[rng.random(cells.shape) < 0.4] = NAN
    rows, cols = rng.uniform(-1, 7, 200), rng.uniform(-1, 8, 200)
    got = bilinear(cells, rows, cols)
    state = cell_state(cells, rows, cols)
    np.testing.assert_array_equal(np.isfinite(got), state == KNOWN)
    assert ((state == OUTSIDE) == ((rows < 0) | (rows >= 6) | (cols < 0) | (cols >= 7))).all()
    for value, r, c in zip(got, rows, cols, strict=True):
        if np.isfinite(value):
            r0, c0 = max(int(np.floor(r - 0.5)), 0), max(int(np.floor(c - 0.5)), 0)
            near = cells[r0 : int(np.floor(r + 0.5)) + 1, c0 : int(np.floor(c + 0.5)) + 1]
            assert np.nanmin(near) - 1e-9 <= value <= np.nanmax(near) + 1e-9


def test_against_gdal():
    """The same as the warper of a general library, no-data cells included, where both know one.

    It lets known cells grow by up to one cell into no-data; here they keep their outline.
    """
    rng = np.random.default_rng(5)
    cells = rng.uniform(0, 30, (40, 50))
    cells[10:14, 20:26] = NAN
    there = rasterio.Affine(1.7, 0, 3.3, 0, -1.7, 61.1)
    here = rasterio.Affine(1.0, 0, 11.2, 0, -1.0, 55.4)
    theirs = np.full((45, 60), NAN)
    rasterio.warp.reproject(
        cells,
        theirs,
        src_transform=there,
        dst_transform=here,
        src_crs="EPSG:6443",
        dst_crs="EPSG:6443",
        src_nodata=NAN,
        dst_nodata=NAN,
        resampling=Resampling.bilinear,
        tolerance=0,
    )
    c, r = np.meshgrid(np.arange(60) + 0.5, np.arange(45) + 0.5)
    x, y = 11.2 + c, 55.4 - r
    ours = bilinear(cells, (61.1 - y) / 1.7, (x - 3.3) / 1.7)
    both = np.isfinite(ours) & np.isfinite(theirs)
    assert both.sum() > 2000
    np.testing.assert_allclose(ours[both], theirs[both], atol=1e-9)
    assert np.isfinite(theirs[np.isfinite(ours)]).all()


def test_nearest_and_highest():
    cells = np.array([[1.0, 9.0, NAN, 3.0], [5.0, 2.0, NAN, NAN]])
    got = nearest(cells, np.array([0.99, 1.0, 0.5, -0.1]), np.array([0.0, 1.99, 2.5, 0.0]))
    np.testing.assert_array_equal(got, [1.0, 2.0, NAN, NAN])
    r, c = np.mgrid[0:2, 0:4] + 0.5
    np.testing.assert_array_equal(highest(cells, r / 2, c / 2, (1, 2)), [[9.0, 3.0]])
    np.testing.assert_array_equal(highest(cells - 20, r / 2, c / 2, (1, 2)), [[-11.0, -17.0]])
    shifted = highest(cells, r / 2 - 0.5, c / 2 - 1, (1, 2))
    np.testing.assert_array_equal(shifted, [[NAN, NAN]])
