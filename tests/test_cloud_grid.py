"""Cells for points: one lattice, edges, holes, and crowns of known volume recovered."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geotrim.core.cloud_grid import (
    CloudGrid,
    cells_of,
    count_in_cells,
    fill_small_holes,
    grid_of,
    highest_in_cells,
    lowest_in_cells,
)
from geotrim.core.ground import GroundSurface
from geotrim.errors import RangeError, ShapeError
from geotrim.model import CanopyGrid
from geotrim.ops.canopy import heights, slices
from tests import strategies
from tests.clouds_made import Crown, Slope, cloud_of, pulses_through, regular

NAN = np.nan


def test_lattice_by_hand():
    """Bounds 2.5-6 by 10-12.5 in cells of 2: columns begin at 2, 4, 6; rows end at 14, 12, 10."""
    grid = grid_of((2.5, 10.0, 6.0, 12.5), 2.0)
    assert grid == CloudGrid(2.0, -7, 1, 3, 3)
    assert grid.bounds == (2.0, 8.0, 8.0, 14.0)
    assert grid.transform == (2.0, 0.0, 2.0, 0.0, -2.0, 14.0)
    x, y = grid.centres()
    assert x[0].tolist() == [3.0, 5.0, 7.0]
    assert y[:, 0].tolist() == [13.0, 11.0, 9.0]


def test_point_on_an_edge_belongs_east_and_south():
    grid = grid_of((0.0, 0.0, 4.0, 4.0), 2.0)
    row, col = cells_of([2.0, 1.999, 0.0, 4.0], [2.0, 2.001, 4.0, 0.0], grid)
    assert row.tolist() == [1, 0, 0, 2]
    assert col.tolist() == [1, 0, 0, 2]
    west, south, east, north = grid.part(1, 2, 1, 2).bounds
    assert (west, north) == (2.0, 2.0)  # the cell the first point fell in begins at it
    assert (east, south) == (4.0, 0.0)
    assert grid.part(-1, 2, 1, 3).bounds == (2.0, 0.0, 6.0, 6.0)


@pytest.mark.jit
@given(
    cell=st.sampled_from([0.1, 1.0, 3.0, 1 / 0.3048, 2.5]),
    places=st.lists(
        st.tuples(strategies.numbers(-40, 40), strategies.numbers(-40, 40)), min_size=1, max_size=30
    ),
    corner=st.sampled_from([(0.0, 0.0), (636001.0, 848935.0), (-400000.0, 3070000.0)]),
)
def test_no_point_is_lost_and_tiles_share_a_lattice(cell, places, corner):
    """Every point lies in its cell, and counts alike from whichever grid it is looked at."""
    x, y = (np.array(places) + corner).T
    grid = grid_of((x.min(), y.min(), x.max(), y.max()), cell)
    row, col = cells_of(x, y, grid)
    assert count_in_cells(row, col, grid.shape).sum() == len(places)
    assert (row.min(), col.min()) == (0, 0)
    assert (row.max() + 1, col.max() + 1) == grid.shape
    slack = 1e-9 * max(map(abs, corner)) + 1e-12
    assert (x >= grid.west + col * cell - slack).all()
    assert (x <= grid.west + (col + 1) * cell + slack).all()
    assert (y <= grid.north - row * cell + slack).all()
    assert (y >= grid.north - (row + 1) * cell - slack).all()
    wider = grid_of((x.min() - 7.3, y.min() - 9.1, x.max() + 3.3, y.max() + 5.2), cell)
    row2, col2 = cells_of(x, y, wider)
    assert (row2 + wider.row0 == row + grid.row0).all()
    assert (col2 + wider.col0 == col + grid.col0).all()


@pytest.mark.jit
def test_highest_lowest_and_count_by_hand():
    """Points in two cells, two without a value (first, last), some outside, one nowhere."""
    grid = grid_of((0.0, 0.1, 3.9, 1.9), 2.0)
    row, col = cells_of([1, 1.5, 3, 3, 9, NAN, 1, -1, 1], [1, 1, 1, 1, 1, 1, 1, 1, 3], grid)
    value = [3.0, 5.0, NAN, -2.0, 100.0, 100.0, NAN, 100.0, 100.0]
    assert highest_in_cells(row, col, value, grid.shape).tolist() == [[5.0, -2.0]]
    assert lowest_in_cells(row, col, value, grid.shape).tolist() == [[3.0, -2.0]]
    assert count_in_cells(row, col, grid.shape).tolist() == [[3, 2]]


@pytest.mark.jit
def test_pieces_add_up_to_the_whole():
    """A cloud in pieces gives what numpy gives for the whole."""
    rng = np.random.default_rng(4)
    x, y, z = rng.uniform(0, 20, 500), rng.uniform(0, 20, 500), rng.normal(size=500)
    grid = grid_of((0, 0, 20, 20), 3.0)
    row, col = cells_of(x, y, grid)
    top, low, n = None, None, None
    for part in np.array_split(np.arange(500), 7):
        args = row[part], col[part]
        top = highest_in_cells(*args, z[part], grid.shape, into=top)
        low = lowest_in_cells(*args, z[part], grid.shape, into=low)
        n = count_in_cells(*args, grid.shape, into=n)
    for r in range(grid.rows):
        for c in range(grid.cols):
            inside = z[(row == r) & (col == c)]
            assert n[r, c] == inside.size
            if inside.size:
                assert (top[r, c], low[r, c]) == (inside.max(), inside.min())
            else:
                assert np.isnan([top[r, c], low[r, c]]).all()


def test_small_holes_by_hand():
    """Cells 3 wide: a hole of one cell takes the mean of its eight neighbours, 4.5."""
    height = np.array([[1.0, 2, 3, 9], [4, NAN, 5, 9], [6, 7, 8, 9]])
    filled, is_filled = fill_small_holes(height, 1)
    assert filled[1, 1] == pytest.approx((1 + 2 + 3 + 4 + 5 + 6 + 7 + 8) / 8)
    assert np.argwhere(is_filled).tolist() == [[1, 1]]
    assert np.isnan(height[1, 1])  # the caller's stays as it was


def test_holes_too_large_or_on_the_rim_stay():
    height = np.ones((6, 7))
    height[1:3, 1:3] = NAN  # four cells
    height[4, 4] = height[3, 5] = NAN  # two holes of one: they meet at a corner only
    height[5, 0] = NAN  # on the rim
    filled, is_filled = fill_small_holes(height, 3)
    assert np.argwhere(is_filled).tolist() == [[3, 5], [4, 4]]
    assert np.isnan(filled).sum() == 5
    assert fill_small_holes(height, 4)[1].sum() == 6


def test_a_hole_fills_from_its_rim_inward():
    """A hole of 3 by 3 in a plane that rises to the east: first its ring, then its middle."""
    height = np.tile(np.arange(10.0, 17.0), (7, 1))
    height[2:5, 2:5] = NAN
    filled, _ = fill_small_holes(height, 9)
    assert filled[3, 3] == pytest.approx(13.0)  # by symmetry
    # five neighbours known: 11, 12, 13 in the row above, 11 beside and 11 below to the west
    assert filled[2, 2] == pytest.approx((11 + 12 + 13 + 11 + 11) / 5)


@pytest.mark.parametrize("bounds", [(0, 0, -1, 1), (0, 0, NAN, 1), (0, 2, 1, 1)])
def test_bounds_that_do_not_rise(bounds):
    with pytest.raises(RangeError, match="bounds"):
        grid_of(bounds, 1.0)


@pytest.mark.parametrize("cell", [0.0, -1.0, NAN, np.inf, 1e-9])
def test_cells_that_make_no_grid(cell):
    with pytest.raises(RangeError, match="cell"):
        grid_of((0, 0, 1000, 1000), cell)


def test_arrays_that_do_not_fit():
    grid = grid_of((0, 0, 1, 1), 1.0)
    with pytest.raises(ShapeError, match="one y for each x"):
        cells_of([1.0, 2.0], [1.0], grid)
    one = np.array([0])
    with pytest.raises(ShapeError, match="a value for each point"):
        highest_in_cells(one, one, [1.0, 2.0], (1, 1))
    with pytest.raises(ShapeError, match="rows and columns"):
        fill_small_holes([1.0, 2.0], 1)


# --- crowns of known volume, through the real operations ----------------------------------------

#: Square feet in one square map unit of EPSG:6443. Source: EPSG unit 9003, 1200/3937 m; a foot is
#: 0.3048 m (85 FR 62698).
FT2 = (1200 / 3937 / 0.3048) ** 2
WEST, SOUTH = 600_000.0, 1_200_000.0


def recovered(crown, cell, spacing):
    """Volume and top of a crown on a slope, from its cloud by triangulated ground and cells."""
    ground = Slope(3.0, 0.05, -0.02)
    x, y = regular((0.0, 0.0, 40.0, 40.0), spacing)
    cloud = cloud_of(ground, [crown], x, y)
    x, y = cloud.x + WEST, cloud.y + SOUTH
    is_ground = cloud.code == 2
    surface = GroundSurface(x[is_ground], y[is_ground], cloud.z[is_ground])
    above = cloud.z - surface.at(x, y)
    grid = grid_of((WEST + 2, SOUTH + 2, WEST + 38, SOUTH + 38), cell)
    raster = highest_in_cells(*cells_of(x, y, grid), above, grid.shape)
    source = CanopyGrid(raster, grid.west, grid.north, grid.cell)
    disc = shapely.Point(WEST + crown.x, SOUTH + crown.y).buffer(crown.radius, quad_segs=64)
    table = gpd.GeoDataFrame({"crown_id": ["t"]}, geometry=[disc], crs=6443)
    volume = slices(table, source)["slices"]["volume_ft3"].iloc[0] / FT2
    return volume, heights(table, source)["heights"]["top_height_ft"].iloc[0]


# The highest return of a cell of side c on a slope g lies over its middle by
# c/2 (|g_east| + |g_north|). Over a round crown |cos| + |sin| is 4/pi on average, so the raster
# holds too much by 2c/pi times the integral of the slope: pi R H for a cone (slope H/R everywhere)
# and pi^2 R H / 2 for a half-ellipsoid. Worked out by hand; to first order in c. Pulses in rows
# at a spacing s reach over c - s of a cell, so c - s stands for c.
EXCESS = {"cone": lambda r, h, c: 2 * r * h * c, "dome": lambda r, h, c: np.pi * r * h * c}


@pytest.mark.parametrize("shape", ["cone", "dome"])
def test_crown_recovered_from_a_cloud(shape):
    """Closed forms: cone pi R^2 H / 3, half-ellipsoid 2 pi R^2 H / 3 (facts S-02, S-04)."""
    crown = Crown(20.3, 19.8, 10.0, 16.0, shape)
    spacing, errors = 0.125, []
    for cell in (2.0, 1.0, 0.5):
        volume, top = recovered(crown, cell, spacing)
        errors.append(volume - crown.volume)
        # second order: cells cut by the rim, a share of c / R; the skin of a dome stands upright
        # there, which costs a share of the root of it
        slack = cell / (2 * crown.radius) if shape == "cone" else np.sqrt(cell / crown.radius)
        assert errors[-1] == pytest.approx(EXCESS[shape](10.0, 16.0, cell - spacing), rel=slack)
        # no pulse is farther than half a diagonal of its square from the apex
        assert 16.0 - 1.6 * spacing / np.sqrt(2) <= top <= 16.0 + 1e-9
    assert errors[0] > 1.8 * errors[1] > 3.2 * errors[2] > 0  # all but halved with the cell


def test_sparse_pulses_lose_the_top():
    """Facts L-16: tops are under-sampled; the bound is slope times half a pulse's diagonal."""
    crown = Crown(20.0, 20.0, 10.0, 16.0, "cone")
    lost = []
    for spacing in (0.25, 0.5, 1.0, 2.0):
        _, top = recovered(crown, 2.0, spacing)
        lost.append(16.0 - top)
        # the apex lies on a corner of four squares here: exactly half a diagonal from a pulse
        assert lost[-1] == pytest.approx(1.6 * spacing / np.sqrt(2))
    assert lost == sorted(lost)


def test_column_recovered_exactly():
    """A column has no slope: pi R^2 H, but for the cells at its rim, which reach in or out."""
    volume, top = recovered(Crown(20.0, 20.0, 10.0, 16.0, "column"), 0.5, 0.125)
    assert top == pytest.approx(16.0)
    # cells of 0.5 seldom miss: what is lost are slivers without a pulse, under half a spacing wide
    assert volume == pytest.approx(np.pi * 100 * 16, rel=2 * 0.0625 / 10)


def test_pulses_obey_their_own_law():
    """Beer-Lambert, for the maker itself: leaves after each layer exp(-k sum), within 4 sigma."""
    density, k, n = np.array([0.2, 0.0, 1.4, 0.7]), 0.5, 40_000
    height = pulses_through(density, k, n, np.random.default_rng(11), layer=2.0)
    for floor in range(4):
        p = np.exp(-k * 2.0 * density[floor:].sum())
        assert (height <= 2.0 * floor).mean() == pytest.approx(p, abs=4 * np.sqrt(p * (1 - p) / n))
    assert not ((height > 2.0) & (height < 4.0)).any()  # nothing stops in a layer without leaves
