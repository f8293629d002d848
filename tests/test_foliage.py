"""Foliage over heights: shares, cuts and bands of columns, solids and leaf-area layers."""

from __future__ import annotations

import functools

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geotrim.core import leaf_weights
from geotrim.core.foliage import (
    above_frac,
    band_height_ft,
    between_frac,
    cut_height_ft,
    part_frac,
    whole_ft3,
)
from geotrim.errors import GeotrimError, RangeError, ShapeError
from geotrim.model import CanopyGrid, Result
from geotrim.ops.canopy import heights, slices
from geotrim.ops.canopy_cells import crown_cells
from geotrim.ops.foliage_of import foliage_of
from geotrim.ops.judged_tops import judged_tops_ft
from tests.sites import FLORIDA_EAST_M

X, Y = 200_000.0, 300_000.0
#: A metre is this many feet. Source: 0.3048 m to a foot, exact (85 FR 62698).
M_FT = 1 / 0.3048
#: Crown of radius 8 ft from 4 to 16 ft: share of the volume at 6-10 ft, under 6 ft, over 10 ft, and
#: the height of the level cut that takes a quarter. Source: handbook formulas of solids, worked out
#: and checked by quadrature in the project's fact sheet (5.4, check table), fractions exact.
SOLIDS = {
    "cylinder": (1 / 3, 1 / 6, 1 / 2, 13.0),
    "cone": (49 / 108, 0.421296, 1 / 8, 8.4405),
    "paraboloid": (4 / 9, 0.305556, 1 / 4, 10.0),
    "half-ellipsoid": (95 / 216, 0.247685, 0.3125, 10.6945),
    "ellipsoid": (23 / 54, 2 / 27, 1 / 2, 12.0838),
    "neiloid": (34 / 81, 0.517747, 1 / 16, 7.5147),
}
#: ... and the whole volume. [ft3]
WHOLE = {
    "cylinder": 2412.743,
    "cone": 804.248,
    "paraboloid": 1206.372,
    "half-ellipsoid": 1608.495,
    "ellipsoid": 1608.495,
    "neiloid": 603.186,
}


def crowns_of(shapes, **columns):
    ids = [f"t{i}" for i in range(len(shapes))]
    moved = [shapely.transform(s, lambda xy: xy + np.array([X, Y])) for s in shapes]
    return gpd.GeoDataFrame({"crown_id": ids, **columns}, geometry=moved, crs=FLORIDA_EAST_M)


def grid(height_ft, cell=1.0, **more):
    array = np.asarray(height_ft, dtype=np.float64)
    return CanopyGrid(array, X, Y + cell * array.shape[0], cell, **more)


def made(crowns, source, profiles=None, heights_result=None, field_heights="move", **parameters):
    given_ = {"canopy_model": "column", **parameters}
    cells, _ = crown_cells(crowns, source)
    found, _ = foliage_of(
        crowns, cells, profiles, given_, heights_result, field_heights=field_heights
    )
    return found


def boxes(*places, size=4.0):
    return [shapely.box(x, y, x + size, y + size) for x, y in places]


def random_site(seed, n=7):
    """Crowns of odd shapes over ragged heights, some beyond the raster's edge."""
    rng = np.random.default_rng(seed)
    shapes = []
    for _ in range(n):
        turn = np.sort(rng.uniform(0, 2 * np.pi, 7))
        reach = rng.uniform(1.0, 4.0, 7)
        centre = rng.uniform(2.0, 28.0, 2)
        ring = centre + np.column_stack([reach * np.cos(turn), reach * np.sin(turn)])
        shapes.append(shapely.buffer(shapely.Polygon(ring), 0.3))
    height = rng.uniform(-1.0, 40.0, (27, 30))
    height[rng.random(height.shape) < 0.1] = np.nan
    base = np.where(rng.random(n) < 0.5, np.nan, rng.uniform(0.0, 8.0, n))
    base[0] = 3.0
    target = rng.uniform(1.0, 30.0, n)
    return crowns_of(shapes, base_height_ft=base, target_height_ft=target), grid(height)


@functools.cache
def random_foliage(seed, model):
    """Foliage of a random site, with layers where the model wants them."""
    crowns, source = random_site(seed)
    return made(crowns, source, layers_of(crowns, seed), canopy_model=model)


def layers_of(crowns, seed=1):
    """Leaf-area layers with a gap between some, of all crowns but the last."""
    rng = np.random.default_rng(seed)
    rows = []
    for crown_id in crowns["crown_id"][:-1]:
        sides = np.unique(np.round(rng.uniform(0.0, 40.0, 9), 2))
        low, high = sides[:-1], sides[1:]
        keeps = rng.random(low.size) < 0.7
        keeps[-1] = True
        weight = rng.random(low.size) * keeps
        rows.append(
            pd.DataFrame(
                {
                    "crown_id": crown_id,
                    "low_ft": low,
                    "high_ft": high,
                    "weight_frac": weight / weight.sum(),
                    "is_capped": False,
                }
            )
        )
    return pd.concat(rows, ignore_index=True)


# Closed forms


@pytest.mark.parametrize("solid", SOLIDS)
def test_solids_of_the_check_table(solid):
    radius_m = 8.0 / M_FT
    circle = shapely.Point(20.0, 20.0).buffer(radius_m, quad_segs=4096)
    crowns = crowns_of([circle], base_height_ft=[4.0])
    found = made(crowns, grid(np.full((40, 40), 16.0)), canopy_model=solid)
    band, under, over, cut = SOLIDS[solid]
    assert found.whole_ft3[0] == pytest.approx(WHOLE[solid], abs=1e-3)
    assert between_frac(found, 6.0, 10.0)[0] == pytest.approx(band, abs=1e-6)
    assert 1.0 - above_frac(found, 6.0)[0] == pytest.approx(under, abs=1e-6)
    assert above_frac(found, 10.0)[0] == pytest.approx(over, abs=1e-6)
    assert cut_height_ft(found, 0.25)[0] == pytest.approx(cut, abs=1e-4)
    assert band_height_ft(found, 6.0, band)[0] == pytest.approx(10.0, abs=1e-5)


def test_columns_by_hand():
    """Two halves, 10 and 6 ft high, from 2 ft up: 8 + 4 parts of 12 over the base."""
    tall = np.full((10, 10), 10.0)
    tall[:, 4:] = 6.0
    crowns = crowns_of([shapely.box(2, 2, 6, 6)], base_height_ft=[2.0])
    found = made(crowns, grid(tall))
    area = 16.0 * M_FT**2
    assert found.whole_ft3[0] == pytest.approx(area * 6.0)
    assert found.top_ft[0] == 10.0
    for height, share in ((0.0, 1.0), (2.0, 1.0), (4.0, 8 / 12), (6.0, 4 / 12), (8.0, 2 / 12)):
        assert above_frac(found, height)[0] == pytest.approx(share)
    assert cut_height_ft(found, [0.0, 2 / 12, 4 / 12, 8 / 12, 1.0], tree=[0] * 5) == pytest.approx(
        [10.0, 8.0, 6.0, 4.0, 2.0]
    )
    assert band_height_ft(found, 2.0, 4 / 12)[0] == pytest.approx(4.0)
    assert band_height_ft(found, 9.0, 0.5)[0] == np.inf
    assert band_height_ft(found, 12.0, 0.0)[0] == 12.0
    # all that lies over 4 ft, give or take rounding
    assert band_height_ft(found, 4.0, 8 / 12 + 1e-14)[0] == pytest.approx(10.0)
    assert between_frac(found, 10.0, 6.0)[0] == 0.0


def test_the_column_model_blocks_from_the_substrate_where_no_base_is_known():
    crowns = crowns_of(boxes((2, 2), (10, 2)), base_height_ft=[np.nan, 3.0])
    found = made(crowns, grid(np.full((20, 20), 9.0)))
    assert found.base_ft.tolist() == [0.0, 3.0]
    assert above_frac(found, 6.0) == pytest.approx([1 / 3, 1 / 2])


def test_a_base_as_a_share_of_the_top():
    crowns = crowns_of(boxes((2, 2), (10, 2)), base_height_ft=[np.nan, 3.0])
    for model in ("column", "crown-base", "cone"):
        found = made(crowns, grid(np.full((20, 20), 10.0)), canopy_model=model, crown_base_frac=0.4)
        assert found.base_ft == pytest.approx([4.0, 3.0])


def test_an_unknown_base_leaves_the_foliage_unknown():
    crowns = crowns_of(boxes((2, 2), (10, 2)), base_height_ft=[np.nan, 3.0])
    for model in ("crown-base", "cone"):
        found = made(crowns, grid(np.full((20, 20), 10.0)), canopy_model=model)
        assert np.isnan(found.whole_ft3).tolist() == [True, False]
        assert np.isnan(above_frac(found, 6.0)).tolist() == [True, False]
        assert np.isnan(cut_height_ft(found, 0.5)).tolist() == [True, False]
        assert np.isnan(part_frac(found, 0, 9, np.ones(found.cell_tree.size, bool)))[0]


def test_a_base_over_the_top_leaves_no_foliage():
    crowns = crowns_of(boxes((2, 2)), base_height_ft=[11.0])
    for model in ("column", "crown-base", "ellipsoid"):
        found = made(crowns, grid(np.full((20, 20), 10.0)), canopy_model=model)
        assert found.whole_ft3[0] == 0.0
        assert np.isnan(above_frac(found, 6.0)[0])
        assert np.isnan(cut_height_ft(found, 0.5)[0])


# The same as the table of slices


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("model", ["column", "crown-base", *SOLIDS, "profile"])
def test_shares_are_those_of_slices(seed, model):
    crowns, source = random_site(seed)
    profiles = layers_of(crowns, seed) if model == "profile" else None
    result = slices(crowns, source, profiles=profiles, canopy_model=model, band_ft=(6.0, 10.0))
    table = result["slices"]
    seen = heights(crowns, source)
    found = made(crowns, source, profiles, **result.parameters)
    whole = table["volume_above_target_ft3"] / table["share_above_target_frac"]
    expected = table["share_above_target_frac"].to_numpy()
    assert np.isfinite(expected).any()
    target = table["target_height_ft"].to_numpy()
    np.testing.assert_allclose(above_frac(found, target), expected, rtol=0, atol=1e-9)
    has = np.isfinite(whole.to_numpy()) & np.isfinite(expected)
    np.testing.assert_allclose(found.whole_ft3[has], whole[has], rtol=1e-9)
    same = np.full(len(crowns), True) if model != "column" else found.base_ft == 0.0
    np.testing.assert_allclose(
        between_frac(found, 6.0, 10.0)[same], table["share_band_frac"][same], rtol=0, atol=1e-9
    )
    np.testing.assert_allclose(found.whole_ft3[same], table["volume_ft3"][same], rtol=1e-9)
    np.testing.assert_array_equal(found.top_ft, seen["heights"]["top_height_ft"])
    np.testing.assert_array_equal(found.is_partial, table["is_partial"])


def test_a_corrected_raster_and_its_profiles():
    """Heights lowered by 1 ft: layers are looked up 1 ft higher, as slices does."""
    crowns, source = random_site(3)
    profiles = layers_of(crowns, 3)
    rows = pd.DataFrame(
        {
            "n_trees": [40], "bias_ft": [1.0], "sd_ft": [0.5], "rmse_ft": [1.1],
            "reading_error_ft": [0.1],
        }
    )  # fmt: skip
    calibrate = Result("calibrate", {"calibration": rows})
    asked = {"canopy_model": "profile", "height_correction": "bias"}
    result = slices(crowns, source, calibrate, profiles, target_height_ft=5.0, **asked)
    table = result["slices"]
    cells, _ = crown_cells(crowns, source, calibrate, "bias")
    assert cells.shift_ft == pytest.approx(1.0)
    found, _ = foliage_of(crowns, cells, profiles, result.parameters)
    above = above_frac(found, table["target_height_ft"].to_numpy())
    np.testing.assert_allclose(above, table["share_above_target_frac"], rtol=0, atol=1e-9)
    np.testing.assert_allclose(found.whole_ft3, table["volume_ft3"], rtol=1e-9)
    np.testing.assert_allclose(found.base_ft, table["crown_base_ft"], atol=1e-12)
    known = np.isfinite(found.whole_ft3)
    assert (above_frac(found, 0.0)[known] == 1.0).all()


# The other way round


@pytest.mark.parametrize("model", ["column", "crown-base", *SOLIDS, "profile"])
@given(seed=st.integers(0, 9), share=st.floats(0.0, 1.0), shift=st.sampled_from([0.0, 1.5, -2.0]))
def test_a_cut_takes_just_the_share(model, seed, share, shift):
    found = random_foliage(seed, model)
    cut = cut_height_ft(found, share, shift)
    has = whole_ft3(found, shift) > 0.0
    assert has.any()
    np.testing.assert_array_equal(np.isfinite(cut), has)
    assert (cut[has] >= 0.0).all()
    above = above_frac(found, cut, shift)[has]
    if model == "profile":  # leaves pushed under the substrate are cut at the substrate
        above = np.where(cut[has] > 0.0, above, share)
    np.testing.assert_allclose(above, share, rtol=0, atol=1e-9)
    # of equal cuts the highest: any higher one takes less, unless nothing is to be taken
    if share > 1e-6:
        over = above_frac(found, cut + 1e-4, shift)[has]
        assert (over < share).all()


@given(seed=st.integers(0, 9), low=st.floats(0.0, 30.0), share=st.floats(0.0, 1.0))
@pytest.mark.parametrize("model", ["column", "ellipsoid", "profile"])
def test_a_band_takes_just_the_share(model, seed, low, share):
    found = random_foliage(seed, model)
    high = band_height_ft(found, low, share)
    left = above_frac(found, low)
    known = np.isfinite(left)
    reached = known & (left >= share)
    np.testing.assert_allclose(between_frac(found, low, high)[reached], share, rtol=0, atol=1e-9)
    assert (high[reached] >= low).all() and np.isfinite(high[reached]).all()
    assert np.isinf(high[known & (left < share - 1e-9)]).all()
    assert np.isnan(high[~known]).all()


@pytest.mark.parametrize("share", [0.0, 0.1, 0.25, 0.5, 0.99, 1.0])
def test_cuts_of_layers_are_those_of_the_layers_own_module(share):
    crowns, source = random_site(2)
    profiles = layers_of(crowns, 2)
    found = made(crowns, source, profiles, canopy_model="profile")
    at = pd.Index(crowns["crown_id"]).get_indexer(profiles["crown_id"])
    layers = leaf_weights.layer_weights(
        len(crowns), at, profiles["low_ft"], profiles["high_ft"], profiles["weight_frac"]
    )
    expected = leaf_weights.cut_heights_ft(layers, share)
    has = np.isfinite(found.whole_ft3)
    np.testing.assert_allclose(cut_height_ft(found, share)[has], expected[has], atol=1e-9)


@pytest.mark.parametrize("model", ["column", "crown-base", "cylinder", "profile"])
def test_nothing_is_cut_at_the_highest_foliage_and_all_at_the_base(model):
    crowns, source = random_site(2)
    profiles = layers_of(crowns, 2)
    found = made(crowns, source, profiles, canopy_model=model)
    has = found.whole_ft3 > 0.0
    for tree in np.flatnonzero(has):
        highest = np.nanmax(found.cell_height_ft[found.cell_tree == tree])
        if model == "profile":
            own = profiles[profiles["crown_id"] == crowns["crown_id"][tree]]
            highest = own["high_ft"][own["weight_frac"] > 0.0].max()
        elif model == "cylinder":
            highest = found.top_ft[tree]
        assert cut_height_ft(found, 0.0)[tree] == highest
        assert cut_height_ft(found, 1.0)[tree] == pytest.approx(found.base_ft[tree], abs=1e-9)


def test_a_low_tree_after_a_tall_one():
    tall = np.full((10, 20), 30.0)
    tall[:, 8:] = 5.0
    found = made(crowns_of(boxes((2, 2), (10, 2))), grid(tall))
    assert cut_height_ft(found, 0.0).tolist() == [30.0, 5.0]
    assert cut_height_ft(found, 0.5) == pytest.approx([15.0, 2.5])


def test_a_gap_in_the_leaves_gives_the_highest_cut():
    crowns = crowns_of(boxes((2, 2)))
    rows = {"crown_id": "t0", "low_ft": [1.0, 8.0], "high_ft": [3.0, 10.0]}
    profiles = pd.DataFrame({**rows, "weight_frac": [0.5, 0.5], "is_capped": False})
    found = made(crowns, grid(np.full((9, 9), 10.0)), profiles, canopy_model="profile")
    assert cut_height_ft(found, 0.5)[0] == pytest.approx(8.0)
    assert cut_height_ft(found, [0.75, 1.0, 0.0], tree=[0, 0, 0]) == pytest.approx([2.0, 1.0, 10.0])
    assert found.base_ft[0] == 1.0


# Heights drawn anew


@given(seed=st.integers(0, 50), shift=st.floats(-4.0, 4.0), height=st.floats(0.0, 40.0))
def test_raised_columns(seed, shift, height):
    """What lies over z of cells raised by e lay over z - e before, with no base between."""
    crowns, source = random_site(seed % 5)
    crowns["base_height_ft"] = 0.0
    found = made(crowns, source)
    high = max(height, shift, 0.0)
    before = above_frac(found, high - shift) * found.whole_ft3
    after = above_frac(found, high, shift) * whole_ft3(found, shift)
    np.testing.assert_allclose(after, before, rtol=1e-9, atol=1e-9)


def test_raised_columns_by_hand():
    """10 ft from 4 ft up: 6 ft of foliage; raised by 2, 8 ft. Bare cells stay bare."""
    tall = np.full((10, 10), 10.0)
    tall[:, 4:] = 0.0
    crowns = crowns_of([shapely.box(2, 2, 6, 6)], base_height_ft=[4.0])
    found = made(crowns, grid(tall))
    area = 8.0 * M_FT**2
    assert whole_ft3(found, [[0.0], [2.0], [-7.0]])[:, 0] == pytest.approx(
        [6 * area, 8 * area, 0.0]
    )
    assert above_frac(found, 10.0, 2.0)[0] == pytest.approx(0.25)
    assert above_frac(found, 6.0, 2.0)[0] == pytest.approx(0.75)
    assert cut_height_ft(found, 0.25, 2.0)[0] == pytest.approx(10.0)
    assert band_height_ft(found, 4.0, 0.25, 2.0)[0] == pytest.approx(6.0)
    bare = made(crowns_of([shapely.box(2, 2, 6, 6)]), grid(tall))
    assert whole_ft3(bare, 2.0)[0] == pytest.approx(12 * area)


def test_a_raised_solid_keeps_its_base():
    crowns = crowns_of(boxes((2, 2)), base_height_ft=[4.0])
    found = made(crowns, grid(np.full((10, 10), 16.0)), canopy_model="cylinder")
    assert above_frac(found, 10.0, 4.0)[0] == pytest.approx(10 / 16)
    assert whole_ft3(found, 4.0)[0] == pytest.approx(16 * M_FT**2 * 16)
    assert cut_height_ft(found, 0.25, 4.0)[0] == pytest.approx(16.0)


def test_layers_go_along_with_raised_heights():
    crowns = crowns_of(boxes((2, 2)))
    rows = {"crown_id": "t0", "low_ft": [2.0, 6.0], "high_ft": [6.0, 10.0]}
    profiles = pd.DataFrame({**rows, "weight_frac": [0.25, 0.75], "is_capped": False})
    found = made(crowns, grid(np.full((9, 9), 10.0)), profiles, canopy_model="profile")
    assert above_frac(found, 8.0, 2.0)[0] == pytest.approx(0.75)
    assert whole_ft3(found, 2.0)[0] == pytest.approx(12 * 16 * M_FT**2)
    assert cut_height_ft(found, 0.75, 2.0)[0] == pytest.approx(8.0)


def test_layers_pushed_under_the_substrate_are_cut_at_it():
    """Half the leaves at 0.5-3 ft, 2 ft lower: all of them over 0, and 0 the lowest cut."""
    crowns = crowns_of(boxes((2, 2)))
    rows = {"crown_id": "t0", "low_ft": [0.5, 6.0], "high_ft": [3.0, 10.0]}
    profiles = pd.DataFrame({**rows, "weight_frac": [0.5, 0.5], "is_capped": False})
    found = made(crowns, grid(np.full((9, 9), 10.0)), profiles, canopy_model="profile")
    assert cut_height_ft(found, [0.6, 0.75, 1.0], -2.0, tree=[0, 0, 0]) == pytest.approx(
        [0.5, 0.0, 0.0]
    )
    assert above_frac(found, [0.0, 0.5], -2.0, tree=[0, 0]) == pytest.approx([1.0, 0.6])


def test_draws_and_trees_may_be_asked_for_together():
    crowns, source = random_site(1)
    found = made(crowns, source)
    shifts = np.array([[0.0], [1.0], [-1.0]])
    many = above_frac(found, 8.0, shifts)
    assert many.shape == (3, len(crowns))
    for row, shift in zip(many, shifts[:, 0], strict=True):
        np.testing.assert_array_equal(row, above_frac(found, 8.0, shift))
    some = above_frac(found, [8.0, 9.0, 8.0], tree=[4, 2, 4])
    assert some[0] == some[2] == many[0, 4]
    assert some[1] == above_frac(found, 9.0)[2]


# Parts of a crown


def test_part_of_a_crown_by_hand():
    """A half 10 ft high and a half 6 ft high from 2 ft: of 12 parts, 4 at 6-10 ft in the tall."""
    tall = np.full((10, 10), 10.0)
    tall[:, 4:] = 6.0
    crowns = crowns_of([shapely.box(2, 2, 6, 6)], base_height_ft=[2.0])
    found = made(crowns, grid(tall))
    is_tall = found.cell_height_ft == 10.0
    assert part_frac(found, 6.0, 10.0, is_tall)[0] == pytest.approx(4 / 12)
    assert part_frac(found, 4.0, np.inf, is_tall)[0] == pytest.approx(6 / 12)
    assert part_frac(found, 0.0, 5.0, ~is_tall)[0] == pytest.approx(3 / 12)
    solid = made(crowns, grid(tall), canopy_model="cylinder")
    assert part_frac(solid, 6.0, 8.0, is_tall)[0] == pytest.approx(0.125)
    rows = {"crown_id": "t0", "low_ft": [2.0], "high_ft": [10.0], "weight_frac": [1.0]}
    leafy = made(crowns, grid(tall), pd.DataFrame(rows), canopy_model="profile")
    assert part_frac(leafy, 6.0, 10.0, is_tall)[0] == pytest.approx(0.5 * 10 / 16)


@pytest.mark.parametrize("model", ["column", "crown-base", "cone", "profile"])
def test_parts_add_up_to_the_whole(model):
    crowns, source = random_site(4)
    profiles = layers_of(crowns) if model == "profile" else None
    crowns["field_height_ft"] = [np.nan, np.nan, 20.0, *[np.nan] * (len(crowns) - 3)]
    found = made(crowns, source, profiles, canopy_model=model)
    flags = np.random.default_rng(0).random(found.cell_tree.size) < 0.4
    one, other = (part_frac(found, 5.0, 15.0, part) for part in (flags, ~flags))
    expected = between_frac(found, 5.0, 15.0)
    has = np.isfinite(expected)
    np.testing.assert_allclose((one + other)[has], expected[has], rtol=0, atol=1e-9)
    assert (one[has] > 0.0).any()
    low, trees = np.array([1.0, 5.0, 9.0, 5.0]), np.array([2, 4, 2, 0])
    some = part_frac(found, low, 15.0, flags, tree=trees)
    for share, from_ft, number in zip(some, low, trees, strict=True):
        np.testing.assert_array_equal(share, part_frac(found, from_ft, 15.0, flags)[number])


# Heights of the field


def test_a_field_height_moves_the_crown():
    tall = np.full((10, 10), 10.0)
    tall[:, 4:] = 6.0
    tall[5, 2] = 0.0
    crowns = crowns_of([shapely.box(2, 2, 6, 6)], base_height_ft=[1.0], field_height_ft=[12.0])
    cells, _ = crown_cells(crowns, grid(tall))
    found, notes = foliage_of(crowns, cells, None, {"canopy_model": "column"})
    assert found.top_ft[0] == found.foliage_top_ft[0] == 12.0
    assert found.moved_ft[0] == 2.0
    assert not found.is_even[0]
    # 7 cells of 10 ft, 8 of 6 ft and a bare one: from 1 ft up, all but that 2 ft higher
    assert found.whole_ft3[0] == pytest.approx((7 * 11 + 8 * 7) * M_FT**2)
    assert any("raised or lowered" in n.text and n.level == "assumed" for n in notes)
    left, told = foliage_of(crowns, cells, None, {"canopy_model": "column"}, field_heights="leave")
    assert (left.top_ft[0], left.foliage_top_ft[0], left.moved_ft[0]) == (12.0, 10.0, 0.0)
    assert left.whole_ft3[0] == pytest.approx((7 * 9 + 8 * 5) * M_FT**2)
    assert any("all the same" in n.text for n in told)


def test_a_field_height_of_a_solid_and_of_layers():
    crowns = crowns_of(boxes((2, 2)), base_height_ft=[4.0], field_height_ft=[12.0])
    source = grid(np.full((9, 9), 10.0))
    solid = made(crowns, source, canopy_model="cylinder")
    assert above_frac(solid, 8.0)[0] == pytest.approx(0.5)
    left = made(crowns, source, canopy_model="cylinder", field_heights="leave")
    assert above_frac(left, 8.0)[0] == pytest.approx(1 / 3)
    rows = {"crown_id": "t0", "low_ft": [2.0], "high_ft": [10.0], "weight_frac": [1.0]}
    leafy = made(crowns, source, pd.DataFrame(rows), canopy_model="profile")
    assert leafy.base_ft[0] == 4.0
    assert above_frac(leafy, 8.0)[0] == pytest.approx(0.5)
    assert leafy.whole_ft3[0] == pytest.approx(12 * 16 * M_FT**2)


def test_a_judged_height_goes_before_the_others():
    """Ground that reads 1.125 ft high (A-04), and a field height the reading leaves out (A-05)."""
    crowns = crowns_of(boxes((1, 1), (6, 1), (11, 1)), field_height_ft=[np.nan, 12.0, 12.0])
    cells, _ = crown_cells(crowns, grid(np.full((6, 16), 10.0)))
    found, notes = foliage_of(
        crowns, cells, None, {"canopy_model": "column"}, tops_ft=[11.125, 11.125, np.nan]
    )
    assert found.top_ft.tolist() == found.foliage_top_ft.tolist() == [11.125, 11.125, 12.0]
    assert found.moved_ft.tolist() == [1.125, 1.125, 2.0]
    area = 16 * M_FT**2
    np.testing.assert_allclose(found.whole_ft3, [11.125 * area, 11.125 * area, 12 * area])
    told = [n.text for n in notes]
    assert any("2 crowns (t0, t1)" in text and "A-04" in text for text in told)
    assert any("1 crown (t2)" in text and "in the field" in text for text in told)
    none, _ = foliage_of(crowns, cells, None, {"canopy_model": "column"}, tops_ft=[np.nan] * 3)
    assert none.top_ft.tolist() == [10.0, 12.0, 12.0]
    with pytest.raises(ShapeError, match="tops_ft"):
        foliage_of(crowns, cells, None, {"canopy_model": "column"}, tops_ft=[9.0])


def test_a_judged_height_without_canopy_in_the_raster():
    """Bare cells stay bare: a reading raises no tree that is not seen, the field's height does."""
    crowns = crowns_of(boxes((1, 1), (6, 1)), field_height_ft=[np.nan, 12.0])
    cells, _ = crown_cells(crowns, grid(np.zeros((6, 12))))
    found, _ = foliage_of(crowns, cells, None, {"canopy_model": "column"}, tops_ft=[1.125, 12.0])
    assert found.is_even.tolist() == [False, True]
    assert found.whole_ft3.tolist() == [0.0, pytest.approx(12 * 16 * M_FT**2)]
    assert found.top_ft.tolist() == [1.125, 12.0]


def test_judged_heights_are_those_of_the_route():
    crowns = pd.DataFrame({"crown_id": ["b", "a", "c"]})
    rows = pd.DataFrame({"crown_id": ["a", "b"], "top_height_ft": [9.0, np.nan]})
    route = Result("route", {"tree_outcomes": rows})
    np.testing.assert_array_equal(judged_tops_ft(crowns, route), [np.nan, 9.0, np.nan])
    np.testing.assert_array_equal(judged_tops_ft(crowns, None), [np.nan] * 3)
    none = Result("route", {"tree_outcomes": rows.iloc[:0]})
    np.testing.assert_array_equal(judged_tops_ft(crowns, none), [np.nan] * 3)


def test_without_heights_of_the_raster():
    """Even foliage up to the field's height; of a tree without any height nothing is known."""
    blank = np.full((20, 20), np.nan)
    blank[:, :7] = -0.2  # ground
    crowns = crowns_of(
        boxes((2, 2), (10, 2), (10, 30)), base_height_ft=3.0, field_height_ft=[12.0, np.nan, 9.0]
    )
    for model in ("column", "crown-base", "cylinder"):
        cells, _ = crown_cells(crowns, grid(blank))
        found, notes = foliage_of(crowns, cells, None, {"canopy_model": model})
        area = 16.0 * M_FT**2
        assert found.is_even.tolist() == [True, False, True]
        assert found.whole_ft3[[0, 2]] == pytest.approx([9 * area, 6 * area])
        assert np.isnan([found.whole_ft3[1], found.top_ft[1], above_frac(found, 5.0)[1]]).all()
        assert above_frac(found, 6.0)[[0, 2]] == pytest.approx([2 / 3, 1 / 2])
        assert cut_height_ft(found, 0.5)[[0, 2]] == pytest.approx([7.5, 6.0])
        half = (found.cell_tree == 0) & (np.cumsum(found.cell_tree == 0) <= 8)
        assert part_frac(found, 6.0, 9.0, half)[0] == pytest.approx(1 / 6)
        assert found.is_partial.tolist() == [False, True, True]
        assert found.moved_ft.tolist() == [0.0, 0.0, 0.0]
        texts = {n.level: n.text for n in notes}
        assert "t0, t2" in texts["assumed"] and "even" in texts["assumed"]
        assert "t1" in texts["missing"]


def test_a_crown_too_small_for_a_top_and_one_without_area():
    """Under a hundredth of a cell no top counts: the field's height stands in, not added to it."""
    crowns = crowns_of(
        [shapely.box(2, 2, 2.05, 2.05), shapely.Polygon()], field_height_ft=[12.0, 12.0]
    )
    found = made(crowns, grid(np.full((9, 9), 9.0)))
    assert found.is_even.tolist() == [True, False]
    assert found.whole_ft3[0] == pytest.approx(0.0025 * M_FT**2 * 12)
    assert np.isnan(found.whole_ft3[1])


def test_tops_of_the_operation_go_by_id():
    crowns, source = random_site(0)
    seen = heights(crowns, source)
    turned = crowns.iloc[::-1].reset_index(drop=True)
    found = made(turned, source, heights_result=seen)
    np.testing.assert_array_equal(found.top_ft, seen["heights"]["top_height_ft"][::-1])
    assert len(np.unique(found.top_ft)) > 3


def test_tops_of_the_operation_go_before():
    crowns, source = random_site(0)
    seen = heights(crowns, source, min_coverage_frac=0.9)
    found = made(crowns, source, heights_result=seen)
    np.testing.assert_array_equal(found.top_ft, seen["heights"]["top_height_ft"])


def test_no_crowns():
    crowns = crowns_of([])
    crowns["base_height_ft"] = np.zeros(0)
    for model in ("column", "cone"):
        found = made(crowns, grid(np.ones((3, 3))), canopy_model=model)
        assert len(found) == 0
        assert above_frac(found, 3.0).shape == cut_height_ft(found, 0.2).shape == (0,)


# What is refused


def test_bad_values():
    crowns, source = random_site(0)
    found = made(crowns, source)
    for share in (-0.01, 1.01, 25.0):
        with pytest.raises(RangeError, match="removed_frac"):
            cut_height_ft(found, share)
    with pytest.raises(ShapeError, match="is_in_part"):
        part_frac(found, 0.0, 1.0, np.ones(3, dtype=bool))
    with pytest.raises(ShapeError, match="last axis"):
        above_frac(found, [1.0, 2.0])
    with pytest.raises(RangeError, match="field_heights"):
        made(crowns, source, field_heights="stretch")
    with pytest.raises(GeotrimError, match="crown_base_frac"):
        made(crowns, source, crown_base_ft=2.0, crown_base_frac=0.2)
    with pytest.raises(GeotrimError, match="profiles"):
        made(crowns, source, canopy_model="profile")
