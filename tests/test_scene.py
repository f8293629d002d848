"""Cells of crowns, the scene they make, and the ground under it."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Transformer
from scipy.interpolate import RegularGridInterpolator

from geotrim.core.foliage import above_frac, between_frac, whole_ft3
from geotrim.errors import GeotrimError, RangeError
from geotrim.io.site_file import read_site
from geotrim.ops import canopy_cells, scene
from geotrim.ops.canopy import heights_and_slices
from geotrim.ops.canopy_cells import (
    at_cells,
    clearable_cells,
    crown_cells,
    fitted_transform,
    seen_ft2,
    tops_ft,
)
from geotrim.ops.foliage_of import foliage_of
from geotrim.ops.ground_view import GroundView, bilinear_at
from geotrim.ops.scene import eye_elevations, scene_of, unseen_crowns
from tests.fakes import GridSource, north_up
from tests.sites import FLORIDA_EAST_M
from tests.strategies import crowns as crown_shapes
from tests.strategies import height_grids, transforms

X, Y = 200_000.0, 300_000.0
#: A metre is this many feet. Source: 0.3048 m to a foot, exact (85 FR 62698).
M_FT = 1 / 0.3048
SAMPLES = Path(__file__).resolve().parent.parent / "sample_data"


def crowns_of(*shapes, crs=FLORIDA_EAST_M, **columns):
    ids = [f"t{i}" for i in range(len(shapes))]
    moved = [shapely.transform(s, lambda xy: xy + np.array([X, Y])) for s in shapes]
    return gpd.GeoDataFrame({"crown_id": ids, **columns}, geometry=moved, crs=crs)


def grid(values, cell=1.0, west=X, south=Y, **more):
    array = np.asarray(values, dtype=np.float64)
    return north_up(array, west=west, north=south + cell * array.shape[0], cell=cell, **more)


def scene_for(crowns, source, model="column", **more):
    cells, _ = crown_cells(crowns, source)
    foliage, _ = foliage_of(crowns, cells, None, {"canopy_model": model})
    return scene_of(crowns, cells, foliage, **more)


def eyes_at(*places, height_ft=np.nan, elevation_ft=np.nan, crs=FLORIDA_EAST_M):
    points = [shapely.Point(X + x, Y + y) for x, y in places]
    names = [f"e{i}" for i in range(len(places))]
    columns = {"eye_id": names, "height_ft": height_ft, "elevation_ft": elevation_ft}
    return gpd.GeoDataFrame({**columns, "lot_id": None}, geometry=points, crs=crs)


# Cells


@given(shape=crown_shapes(), transform=transforms(), heights=height_grids())
def test_cells_cover_what_the_polygons_do(shape, transform, heights):
    """Against the areas of a general geometry library, cell by cell, on any grid and past it."""
    table = gpd.GeoDataFrame({"crown_id": ["a"]}, geometry=[shape], crs=FLORIDA_EAST_M)
    source = GridSource(heights, transform, (4, 3), feet_per_unit=M_FT)
    cells, _ = crown_cells(table, source)
    assert cells.area_ft2.sum() == pytest.approx(shape.area * M_FT**2, rel=1e-7)
    is_on = (cells.row >= 0) & (cells.row < 9) & (cells.col >= 0) & (cells.col < 11)
    raw = np.where(is_on, heights[cells.row % 9, cells.col % 11], np.nan) * M_FT
    np.testing.assert_array_equal(cells.height_ft, np.where(np.isfinite(raw), raw, np.nan))
    for i in range(0, len(cells), max(len(cells) // 8, 1)):
        corners = [(0, 0), (1, 0), (1, 1), (0, 1)]
        a, b, c, d, e, f = transform
        ring = [
            (a * (cells.col[i] + u) + b * (cells.row[i] + v) + c,
             d * (cells.col[i] + u) + e * (cells.row[i] + v) + f)
            for u, v in corners
        ]  # fmt: skip
        square = shapely.Polygon(ring)
        share = shapely.intersection(square, shape).area / square.area
        assert cells.coverage_frac[i] == pytest.approx(share, abs=1e-7)
        assert shapely.distance(square.centroid, shapely.Point(cells.x[i], cells.y[i])) < 1e-9


def test_each_block_is_read_once_and_no_other():
    heights = np.arange(400.0).reshape(20, 20)
    crowns = crowns_of(
        shapely.box(1, 1, 3, 3), shapely.box(2, 2, 7, 7), shapely.Point(9, 3).buffer(1)
    )
    source = grid(heights, block_shape=(5, 5))
    cells, _ = crown_cells(crowns, source)
    assert len(source.reads) == len(set(source.reads))
    read = {(r0, c0) for r0, _, c0, _ in source.reads}
    touched = {(r // 5 * 5, c // 5 * 5) for r, c in zip(cells.row, cells.col, strict=True)}
    assert read == touched
    np.testing.assert_array_equal(cells.height_ft, heights[cells.row, cells.col])


def test_cells_past_the_raster_say_nothing():
    crowns = crowns_of(shapely.box(-2, -2, 1, 1), shapely.box(40, 40, 42, 42))
    cells, _ = crown_cells(crowns, grid(np.full((4, 4), 7.0)))
    assert cells.area_ft2.sum() == pytest.approx((9 + 4) * M_FT**2)
    assert np.isfinite(cells.height_ft).sum() == 1
    assert tops_ft(cells) == pytest.approx([7.0, np.nan], nan_ok=True)
    assert seen_ft2(cells) == pytest.approx([M_FT**2, 0.0])


def test_heights_that_are_not_finite_say_nothing():
    tall = np.full((4, 4), 7.0)
    tall[2, 1] = np.inf
    cells, _ = crown_cells(crowns_of(shapely.box(1, 1, 3, 2)), grid(tall))
    np.testing.assert_array_equal(cells.height_ft, [np.nan, 7.0])


def test_a_top_wants_a_cell_that_is_covered_enough():
    """A hundredth of a cell counts, less does not."""
    tall = np.full((4, 4), 5.0)
    tall[:, 2] = 20.0
    for reach, top in ((2.0099, 5.0), (2.0101, 20.0)):
        cells, _ = crown_cells(crowns_of(shapely.box(1, 1, reach, 2)), grid(tall))
        assert tops_ft(cells)[0] == top
    cells, _ = crown_cells(crowns_of(shapely.box(1, 1, 2.4, 2)), grid(tall), min_coverage_frac=0.5)
    assert tops_ft(cells)[0] == 5.0


def test_a_raster_in_another_crs_is_not_resampled():
    """Metres of one zone, a raster in feet of another: areas add up, centres are those moved."""
    to_grid = Transformer.from_crs(FLORIDA_EAST_M, 2237, always_xy=True)
    site_x, site_y = 180_000.0, 300_000.0
    gx, gy = to_grid.transform(site_x, site_y)
    shape = shapely.Point(site_x + 40, site_y - 40).buffer(9.0)
    other = shapely.Point(site_x + 70, site_y - 70).buffer(3.0)
    crowns = gpd.GeoDataFrame({"crown_id": ["a", "b"]}, geometry=[shape, other], crs=FLORIDA_EAST_M)
    heights = np.random.default_rng(1).uniform(1.0, 30.0, (120, 120))
    source = north_up(heights, west=gx - 20, north=gy + 20, cell=3.0, crs=2237)
    cells, notes = crown_cells(crowns, source)
    areas = np.bincount(cells.crown, weights=cells.area_ft2)
    np.testing.assert_allclose(areas, [shape.area * M_FT**2, other.area * M_FT**2], rtol=1e-11)
    gx_cells = gx - 20 + 3.0 * (cells.col + 0.5)
    gy_cells = gy + 20 - 3.0 * (cells.row + 0.5)
    back = Transformer.from_crs(2237, FLORIDA_EAST_M, always_xy=True)
    x, y = back.transform(gx_cells, gy_cells)
    np.testing.assert_allclose(np.hypot(cells.x - x, cells.y - y), 0.0, atol=1e-6)
    # the local grid is within a hundredth of a cell (3 US survey feet) of the cells it stands for
    fit_x, fit_y = at_cells(cells.transform, cells.row, cells.col)
    assert np.hypot(fit_x - x, fit_y - y).max() < 0.01 * 3 * 0.3048
    assert [n.level for n in notes] == ["info"]
    np.testing.assert_array_equal(cells.height_ft, heights[cells.row, cells.col])
    result, table = heights_and_slices(crowns, source)
    np.testing.assert_array_equal(tops_ft(cells), result["heights"]["top_height_ft"])
    foliage, _ = foliage_of(crowns, cells, None, table.parameters)
    np.testing.assert_allclose(foliage.whole_ft3, table["slices"]["volume_ft3"], rtol=1e-12)


def test_a_grid_that_does_not_fit_is_told(monkeypatch):
    """Cells bent along a parabola of 1 cell in 100: half of it is missed in the middle."""
    rows, cols = np.array([0, 99]), np.array([0, 0])
    bend = lambda x, y: (x + 1e-4 * y**2, y)  # noqa: E731
    fit, missed = fitted_transform((1.0, 0.0, 0.0, 0.0, 1.0, 0.0), bend, rows, cols)
    # least squares of t^2 on a lattice of 9 leaves at most about (100^2 / 4 - mean) off
    t = np.linspace(-50, 50, 9)
    assert missed == pytest.approx(1e-4 * np.abs(t**2 - (t**2).mean()).max(), rel=1e-6)
    assert fit[1] == pytest.approx(1e-4 * 100)
    across = lambda x, y: (x, y + 1e-4 * x**2)  # noqa: E731
    _, as_much = fitted_transform((1.0, 0.0, 0.0, 0.0, 1.0, 0.0), across, cols, rows)
    assert as_much == pytest.approx(missed)
    crowns = crowns_of(shapely.box(1, 1, 3, 3))
    monkeypatch.setattr(canopy_cells, "FITS_CELLS", -1.0)
    there = Transformer.from_crs(FLORIDA_EAST_M, 2236, always_xy=True).transform(X, Y)
    source = north_up(np.ones((9, 9)), west=there[0], north=there[1] + 27, cell=3.0, crs=2236)
    _, notes = crown_cells(crowns, source)
    assert any(n.level == "assumed" and "of a cell from where" in n.text for n in notes)


def test_an_exact_fit_of_an_even_grid():
    turned = (0.6, 0.8, 5.0, 0.8, -0.6, 7.0)
    moved = lambda x, y: (2 * x - y + 1, x + 2 * y)  # noqa: E731
    fit, missed = fitted_transform(turned, moved, np.array([-3, 40]), np.array([2, 77]))
    for row, col in ((0, 0), (10, 90), (-5, 3)):
        expected = moved(*at_cells(turned, row, col))
        np.testing.assert_allclose(at_cells(fit, row, col), expected, atol=1e-9)
    assert missed < 1e-9


@pytest.mark.parametrize("name", ["plain_lot", "curved_shore", "canal_corner"])
@pytest.mark.parametrize("model", ["column", "crown-base", "half-ellipsoid", "neiloid"])
def test_the_samples_foliage_is_that_of_the_slices(name, model):
    site = read_site(SAMPLES / name / "site.toml")
    seen, cut = heights_and_slices(
        site.crowns, site.heights, canopy_model=model, crown_base_frac=0.3, target_height_ft=8.0
    )
    table = cut["slices"]
    cells, _ = crown_cells(site.crowns, site.heights)
    foliage, _ = foliage_of(site.crowns, cells, None, cut.parameters)
    np.testing.assert_array_equal(tops_ft(cells), seen["heights"]["top_height_ft"])
    target = table["target_height_ft"].to_numpy()
    share = table["share_above_target_frac"].to_numpy()
    np.testing.assert_allclose(above_frac(foliage, target), share, rtol=0, atol=1e-9)
    over = above_frac(foliage, target) * foliage.whole_ft3
    np.testing.assert_allclose(over, table["volume_above_target_ft3"], rtol=1e-9, atol=1e-9)
    np.testing.assert_array_equal(whole_ft3(foliage), foliage.whole_ft3)
    if model != "column":
        band = table["share_band_frac"].to_numpy()
        np.testing.assert_allclose(between_frac(foliage, 6.0, 10.0), band, rtol=0, atol=1e-9)
        np.testing.assert_allclose(foliage.whole_ft3, table["volume_ft3"], rtol=1e-9)


# The scene


def test_a_scene_by_hand():
    """Two crowns of 2 by 2 cells; one reaches 0.4 of a cell into the other's column."""
    tall = np.full((6, 8), 9.0)
    tall[:, 3:] = 12.0
    crowns = crowns_of(
        shapely.box(1, 2, 3.4, 4), shapely.box(3, 2, 5, 4), base_height_ft=[2.0, 3.0]
    )
    found, notes = scene_for(crowns, grid(tall), water_ft=1.5)
    assert found.top_ft.tolist() == [[9.0, 9.0, 12.0, 12.0]] * 2
    assert found.tree.tolist() == [[0, 0, 1, 1]] * 2
    assert found.is_clearable.all()
    assert found.base_ft.tolist() == [2.0, 3.0]
    assert (found.substrate_ft == 1.5).all()
    assert found.transform == (1.0, 0.0, X + 1, 0.0, -1.0, Y + 4)
    assert (found.feet, found.water_ft, found.ground) == (pytest.approx(M_FT), 1.5, None)
    assert any(n.about == "ground" and "1.5 ft" in n.text for n in notes)
    assert not [n for n in notes if "substrate up" in n.text]


@pytest.mark.parametrize("model", ["column", "crown-base", "cylinder"])
def test_a_crown_hides_from_its_lowest_foliage_where_that_is_known(model):
    """Its own base, else the common one, else the substrate; or all from the substrate."""
    crowns = crowns_of(
        shapely.box(1, 1, 3, 2), shapely.box(4, 1, 6, 2), base_height_ft=[4.0, np.nan]
    )
    source = grid(np.full((4, 8), 12.0))
    cells, _ = crown_cells(crowns, source)
    common = {"canopy_model": model, "crown_base_ft": None if model == "column" else 2.0}
    foliage, _ = foliage_of(crowns, cells, None, common)
    found, notes = scene_of(crowns, cells, foliage)
    assert found.base_ft.tolist() == [4.0, 0.0 if model == "column" else 2.0]
    told = [n for n in notes if n.about == "crowns" and "substrate" in n.text]
    assert bool(told) == (model == "column")
    if told:
        assert "1 of 2 crowns (t1)" in told[0].text and told[0].level == "assumed"
    solid, notes = scene_of(crowns, cells, foliage, hides_from="substrate")
    assert solid.base_ft.tolist() == [0.0, 0.0]
    assert any("as asked" in n.text for n in notes)
    with pytest.raises(RangeError, match="hides_from"):
        scene_of(crowns, cells, foliage, hides_from="roots")


def test_crowns_that_share_a_cell_each_have_a_column_on_it():
    """The larger share, of equal ones the first, is in the grids; the others stand beside it."""
    for edge, owner in ((2.6, 0), (2.4, 1), (2.5, 0)):
        crowns = crowns_of(shapely.box(1, 1, edge, 2), shapely.box(edge, 1, 4, 2))
        zone = shapely.box(X, Y, X + 2.2, Y + 9)
        found, notes = scene_for(crowns, grid(np.full((4, 5), 9.0)), zone=zone)
        more = found.shared
        assert (more.cell.tolist(), more.tree.tolist()) == ([1], [1 - owner])
        assert more.top_ft.tolist() == [9.0] and more.is_clearable.tolist() == [False]
        assert any("1 of 3 cells" in n.text for n in notes)
        alone, notes = scene_for(crowns, grid(np.full((4, 5), 9.0)), without=[owner])
        assert alone.shared is None and (alone.tree >= 0).sum() == 2
        assert not any("more than one crown" in n.text for n in notes)


def test_the_larger_share_takes_the_cell():
    """0.6 and 0.4 of a cell; of equal shares the first crown takes it."""
    for edge, owner in ((2.6, 0), (2.4, 1), (2.5, 0)):
        crowns = crowns_of(shapely.box(1, 1, edge, 2), shapely.box(edge, 1, 4, 2))
        found, _ = scene_for(crowns, grid(np.full((4, 5), 9.0)))
        assert found.tree.tolist() == [[0, owner, 1]]


def test_cells_hardly_covered_bare_or_under_the_base_are_no_canopy():
    tall = np.full((4, 6), 9.0)
    tall[2, 2], tall[2, 3] = 0.0, 2.5
    crowns = crowns_of(shapely.box(1, 1, 4.005, 2), base_height_ft=[3.0])
    for start, tops in (("substrate", [[9.0, np.nan, 2.5]]), ("crown-base", [[9.0]])):
        found, _ = scene_for(crowns, grid(tall), hides_from=start)
        np.testing.assert_array_equal(found.top_ft, tops)
        np.testing.assert_array_equal(found.tree >= 0, np.isfinite(found.top_ft))


def test_the_zone_removed_trees_and_the_box():
    crowns = crowns_of(shapely.box(1, 1, 4, 2), shapely.box(6, 1, 8, 2))
    source = grid(np.full((4, 9), 9.0))
    zone = shapely.box(X, Y, X + 2.5, Y + 9)
    found, _ = scene_for(crowns, source, zone=zone)
    # the edge of the zone goes through the centre of the second cell, which counts
    assert found.is_clearable[0, :3].tolist() == [True, True, False]
    assert not found.is_clearable[0, 5:].any()
    found, _ = scene_for(crowns, source, without=[0])
    assert found.top_ft.shape == (1, 2) and (found.tree == 1).all()
    near = (X + 2.0, Y, X + 7.0, Y + 9)
    found, _ = scene_for(crowns, source, near=near)
    assert found.tree.tolist() == [[0, 0, -1, -1, 1]]
    assert found.transform[2] == X + 2
    away, _ = scene_for(crowns, source, near=(X, Y + 3.0, X + 9.0, Y + 9.0))
    assert (away.tree == -1).all()
    empty, _ = scene_for(crowns, source, without=[0, 1])
    assert empty.tree.tolist() == [[-1]]


def test_trees_known_from_the_field_alone_stand_on_their_cells():
    blank = np.full((4, 12), np.nan)
    blank[:, 9:] = 5.0
    crowns = crowns_of(
        shapely.box(1, 1, 3, 2), shapely.box(5, 1, 7, 2), shapely.box(8, 1, 10, 2),
        field_height_ft=[11.0, np.nan, 7.0],
    )  # fmt: skip
    found, notes = scene_for(crowns, grid(blank))
    np.testing.assert_array_equal(found.top_ft[0, :2], [11.0, 11.0])
    assert found.tree[0, :2].tolist() == [0, 0]
    # the third is seen in one of two cells, and moved there to the field's height
    assert found.top_ft[0, -1] == 7.0 and found.tree[0].tolist().count(2) == 1
    texts = [(n.level, n.text) for n in notes if n.about == "crowns"]
    assert any(level == "assumed" and "t0" in text for level, text in texts)
    assert any(level == "missing" and "t1, t2" in text for level, text in texts)


def test_too_large_a_scene_is_refused(monkeypatch):
    monkeypatch.setattr(scene, "MOST_CELLS", 50)
    crowns = crowns_of(shapely.box(1, 1, 2, 2), shapely.box(50, 50, 51, 51))
    with pytest.raises(RangeError, match="fewer lots"):
        scene_for(crowns, grid(np.full((60, 60), 5.0)))
    crowns = crowns_of(shapely.box(1, 1, 2, 2), shapely.box(4, 4, 5, 5))
    with pytest.raises(RangeError, match="ground"):
        scene_for(crowns, grid(np.full((9, 9), 5.0)), ground=grid(np.ones((99, 99)), cell=0.1))


# The ground


@given(seed=st.integers(0, 99), transform=transforms())
def test_the_ground_between_its_cells(seed, transform):
    """Against a general interpolator, on grids laid any way, in another vertical unit."""
    rng = np.random.default_rng(seed)
    values = rng.uniform(-3.0, 9.0, (12, 14))
    source = GridSource(values, transform, (5, 5), feet_per_unit=M_FT)
    row, col = rng.uniform(0.5, 11.5, 20), rng.uniform(0.5, 13.5, 20)
    a, b, c, d, e, f = transform
    x, y = a * col + b * row + c, d * col + e * row + f
    exact = RegularGridInterpolator((np.arange(12) + 0.5, np.arange(14) + 0.5), values)
    found = GroundView(source, None).at_each(x, y)
    np.testing.assert_allclose(found, exact(np.column_stack([row, col])) * M_FT, atol=1e-9)
    box = (x.min(), y.min(), x.max(), y.max())
    part, notes = GroundView(source, None).grid(box, 10_000)
    inverse = np.linalg.inv([[part.transform[0], part.transform[1]],
                             [part.transform[3], part.transform[4]]])  # fmt: skip
    at = inverse @ np.array([x - part.transform[2], y - part.transform[5]])
    np.testing.assert_allclose(bilinear_at(part.elevation_ft, at[0], at[1]), found, atol=1e-6)
    assert notes == []


def test_what_bilinear_does_at_edges_and_gaps():
    values = np.array([[0.0, 4.0], [2.0, np.nan]])
    ask = lambda col, row: bilinear_at(values, np.array([col]), np.array([row]))[0]  # noqa: E731
    assert ask(0.1, 0.2) == 0.0 and ask(1.9, 0.0) == 4.0 and ask(0.5, 2.0) == 2.0
    assert ask(1.0, 0.5) == 2.0 and ask(0.5, 1.0) == 1.0
    assert ask(1.0, 1.0) == pytest.approx((0 + 4 + 2) / 3)  # the three that are known
    assert np.isnan(ask(1.5, 1.5)) and np.isnan(ask(-0.01, 0.5)) and np.isnan(ask(0.5, 2.01))
    assert np.isnan(ask(np.nan, 0.5))


def test_a_scene_on_sloping_ground():
    """Ground falls 0.1 ft a metre toward the east, in metres on a grid of 2 m: exact at cells."""
    across = (np.arange(20) + 0.5) * 2.0
    slope = np.tile((5.0 - 0.1 * across) / M_FT, (20, 1))
    ground = grid(slope, cell=2.0, feet_per_unit=M_FT, block_shape=(4, 4))
    crowns = crowns_of(shapely.box(11, 12, 14, 14))
    found, notes = scene_for(crowns, grid(np.full((40, 40), 9.0)), ground=ground, water_ft=-1.0)
    expected = 5.0 - 0.1 * np.array([11.5, 12.5, 13.5])
    np.testing.assert_allclose(found.substrate_ft, [expected] * 2, atol=1e-9)
    assert not any(n.about == "ground" for n in notes)
    # read around the scene only, and it tells where that is
    n_read = sum((r1 - r0) * (c1 - c0) for r0, r1, c0, c1 in ground.reads)
    assert n_read < 40
    a, _, c, _, e, f = found.ground.transform
    rows, cols = found.ground.elevation_ft.shape
    x = c + a * (np.arange(cols) + 0.5)
    np.testing.assert_allclose(found.ground.elevation_ft[0], 5.0 - 0.1 * (x - X), atol=1e-9)
    assert c <= X + 11 and c + a * cols >= X + 14 and f >= Y + 14 and f + e * rows <= Y + 12
    wide, _ = scene_for(
        crowns, grid(np.full((40, 40), 9.0)), ground=ground, reach_xy=[(X + 30, Y + 30)]
    )
    a, _, c, _, e, f = wide.ground.transform
    assert c + a * wide.ground.elevation_ft.shape[1] >= X + 30 and f >= Y + 30


def test_a_ground_that_misses_the_scene_is_not_used_for_land_beyond():
    crowns = crowns_of(shapely.box(20, 20, 24, 21))
    away = grid(np.full((5, 5), 2.0), west=X + 900)
    near = (X, Y, X + 60, Y + 60)
    found, notes = scene_for(crowns, grid(np.full((40, 40), 9.0)), ground=away, near=near)
    assert found.ground is None
    assert any("does not reach the scene" in n.text for n in notes)


def test_crowns_whose_height_nobody_knows():
    """No data and no field height; a tree known from the field stands on all its cells."""
    blank = np.full((6, 16), np.nan)
    blank[:, 12:] = 5.0
    crowns = crowns_of(
        shapely.box(1, 1, 3, 2), shapely.box(5, 1, 7, 2), shapely.box(13, 1, 15, 2),
        field_height_ft=[11.0, np.nan, np.nan],
    )  # fmt: skip
    cells, _ = crown_cells(crowns, grid(blank))
    foliage, _ = foliage_of(crowns, cells, None, {"canopy_model": "column"})
    assert unseen_crowns(cells, foliage).tolist() == [1]
    assert unseen_crowns(cells, foliage, (X, Y, X + 4.0, Y + 9.0)).tolist() == []


def test_land_beyond_the_scene_is_read_as_far_as_it_can_be_held(monkeypatch):
    """Around the box in which crowns count: a mile, else half of it, else the box alone."""
    ground = grid(np.full((20, 20), 0.5), cell=2.0)
    crowns = crowns_of(shapely.box(11, 12, 14, 14))
    near = (X + 10, Y + 10, X + 20, Y + 20)
    for most, far_ft, edges in (
        (8_000_000, (5280.0,), (40, 40)),  # the raster's own edge
        (150, (1e4, 10.0), (20 + 10 / M_FT, 20 + 10 / M_FT)),
        (1, (5280.0,), (20, 35)),
    ):
        monkeypatch.setattr(scene, "MOST_LAND_CELLS", most)
        monkeypatch.setattr(scene, "LAND_FT", far_ft)
        for reach, edge in zip((None, [(X + 2, Y + 35)]), edges, strict=True):
            found, notes = scene_for(
                crowns, grid(np.full((40, 40), 9.0)), ground=ground, near=near, reach_xy=reach
            )
            north = found.ground.transform[5]
            if most == 150 and reach is not None:
                continue
            assert Y + edge <= north <= Y + edge + 4  # a cell of 2 m to spare
            told = any("too fine" in note.text for note in notes)
            assert told is (most == 1)


def test_ground_in_another_crs_lies_along_the_sites_axes():
    """A plane stays a plane: elevations of a tilted plane in the site's CRS, from a turned grid."""
    there = Transformer.from_crs(FLORIDA_EAST_M, 2236, always_xy=True)
    back = Transformer.from_crs(2236, FLORIDA_EAST_M, always_xy=True)
    gx, gy = there.transform(X, Y)
    cos, sin = np.cos(0.3), np.sin(0.3)
    transform = (4 * cos, -4 * sin, gx - 60, 4 * sin, 4 * cos, gy - 100)
    rows, cols = np.indices((70, 80))
    x, y = back.transform(*at_cells(transform, rows.ravel(), cols.ravel()))
    plane = (3.0 + 0.02 * (x - X) - 0.01 * (y - Y)).reshape(70, 80)
    ground = GridSource(plane, transform, (16, 16), crs=2236)
    crowns = crowns_of(shapely.box(20, 20, 24, 23))
    found, notes = scene_for(crowns, grid(np.full((40, 40), 9.0)), ground=ground)
    a, b, c, d, e, f = found.ground.transform
    assert (b, d) == (0.0, 0.0) and a == -e == pytest.approx(4 * 1200 / 3937, rel=1e-3)
    rows, cols = np.indices(found.ground.elevation_ft.shape)
    x, y = at_cells(found.ground.transform, rows, cols)
    np.testing.assert_allclose(
        found.ground.elevation_ft, 3.0 + 0.02 * (x - X) - 0.01 * (y - Y), atol=1e-4
    )
    assert c <= X + 20 and c + a * rows.shape[1] >= X + 24 and f >= Y + 23
    assert f + e * rows.shape[0] <= Y + 20
    x, y = np.meshgrid(X + 20 + np.arange(4) + 0.5, Y + 23 - np.arange(3) - 0.5)
    np.testing.assert_allclose(found.substrate_ft, 3.0 + 0.02 * (x - X) - 0.01 * (y - Y), atol=1e-4)
    assert [n.level for n in notes if n.about == "ground"] == ["info"]


def test_another_name_for_the_same_crs_is_not_moved():
    """The same zone on NAD83(2011), which no grid tells apart from NAD83 here."""
    values = np.random.default_rng(2).uniform(0.0, 5.0, (40, 40))
    crowns = crowns_of(shapely.box(20, 20, 24, 23))
    found, notes = scene_for(crowns, grid(np.full((40, 40), 9.0)), ground=grid(values, crs=6437))
    np.testing.assert_array_equal(found.substrate_ft, values[17:20, 20:24])
    assert not any(n.about == "ground" for n in notes)


def test_ground_that_does_not_reach_is_told():
    crowns = crowns_of(shapely.box(20, 20, 24, 21))
    heights = grid(np.full((40, 40), 9.0))
    away = grid(np.full((5, 5), 2.0), west=X + 900)
    found, notes = scene_for(crowns, heights, ground=away, water_ft=0.5)
    assert found.ground is None and (found.substrate_ft == 0.5).all()
    assert any(n.level == "assumed" and "does not reach" in n.text for n in notes)
    gaps = np.full((40, 40), 2.0)
    gaps[:, 22:] = np.nan
    found, notes = scene_for(crowns, heights, ground=grid(gaps), water_ft=0.5)
    assert found.substrate_ft.tolist() == [[2.0, 2.0, 0.5, 0.5]]
    assert any("2 of 4 cells" in n.text for n in notes)


# Eyes


def test_eyes_by_hand():
    slope = np.tile(0.25 * (np.arange(20) + 0.5), (20, 1))
    ground = grid(slope, block_shape=(3, 3))
    height, stated = [5.5, np.nan, np.nan, 5.0], [np.nan, 12.0, np.nan, np.nan]
    places = (4, 4), (6, 6), (8, 8), (90, 90)
    eyes = eyes_at(*places, height_ft=height, elevation_ft=stated)
    found, notes = eye_elevations(eyes, ground, 1.0, FLORIDA_EAST_M)
    assert found[0] == pytest.approx(5.5 + 1.0)  # ground of 0.25 x 4
    assert found[1] == 12.0
    assert np.isnan(found[2])
    assert found[3] == 6.0
    assert len(ground.reads) == 1  # the one eye that stands on it
    texts = {n.level: n.text for n in notes}
    assert texts["assumed"].startswith("e3:") and texts["missing"].startswith("e2:")
    level, notes = eye_elevations(eyes, None, 2.0, FLORIDA_EAST_M)
    np.testing.assert_array_equal(level, [7.5, 12.0, np.nan, 7.0])
    assert "e0, e3" in notes[0].text and "no ground is given" in notes[0].text


def test_a_ground_without_area_is_refused():
    ground = GridSource(np.ones((3, 3)), (0.0, 0.0, X, 0.0, 0.0, Y), (3, 3))
    with pytest.raises(GeotrimError, match="ground"):
        eye_elevations(eyes_at((1, 1), height_ft=5.0), ground, 0.0, FLORIDA_EAST_M)


def test_flags_of_the_zone():
    crowns = crowns_of(shapely.box(1, 1, 4, 2))
    cells, _ = crown_cells(crowns, grid(np.full((4, 9), 9.0)))
    assert clearable_cells(cells, None).all()
    inside = clearable_cells(cells, shapely.box(X, Y, X + 3, Y + 3))
    np.testing.assert_array_equal(inside, cells.x < X + 3)
    some = np.array([2, 0])
    few = clearable_cells(cells, shapely.box(X, Y, X + 3, Y + 3), some)
    np.testing.assert_array_equal(few, inside[some])
    assert clearable_cells(cells, None, some).tolist() == [True, True]
