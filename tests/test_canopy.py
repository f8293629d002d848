"""Operations heights and slices: tables, notes, canopy models, and what is refused."""

from __future__ import annotations

import re

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import Transformer

from geotrim.core.solids import FORM_FACTORS
from geotrim.errors import CRSError, LayerError, RangeError
from geotrim.model import CanopyGrid
from geotrim.ops.canopy import heights, heights_and_slices, slices
from geotrim.ops.catalogue import OPERATIONS
from tests.fakes import north_up

X, Y = 600_000.0, 1_200_000.0
#: Square feet in one square map unit of EPSG:6443. Source: EPSG unit 9003, 1200/3937 m; a foot is
#: 0.3048 m (85 FR 62698).
FT2 = (1200 / 3937 / 0.3048) ** 2


def trees(*polygons, crs=6443, **columns):
    """Crowns c1, c2, ... in the site's CRS, offset from a state plane corner."""
    moved = [shapely.transform(p, lambda xy: xy + np.array([X, Y])) for p in polygons]
    ids = [f"c{i + 1}" for i in range(len(polygons))]
    return gpd.GeoDataFrame({"crown_id": ids, **columns}, geometry=moved, crs=crs)


def flat(height, cells=40, **more):
    """Cells of 1 map unit, 40 by 40, all as high."""
    return CanopyGrid(np.full((cells, cells), float(height)), X, Y + cells, 1.0, **more)


SQUARE = shapely.box(3, 4, 13, 14)


def test_flat_canopy_by_hand():
    """100 square map units, 8 ft high: 6/8 under the band, 2/8 in it."""
    table = slices(trees(SQUARE), flat(8))["slices"]
    row = table.iloc[0]
    assert row["crown_id"] == "c1"
    assert row["canopy_model"] == "column"
    assert row["crown_area_ft2"] == pytest.approx(100 * FT2, rel=1e-9)
    assert row["volume_ft3"] == pytest.approx(800 * FT2, rel=1e-9)
    assert row["volume_under_ft3"] == pytest.approx(600 * FT2, rel=1e-9)
    assert row["volume_band_ft3"] == pytest.approx(200 * FT2, rel=1e-9)
    assert row["volume_over_ft3"] == 0.0
    assert row["share_under_frac"] == pytest.approx(0.75)
    assert row["share_band_frac"] == pytest.approx(0.25)
    assert row["share_over_frac"] == 0.0
    assert row["covered_frac"] == pytest.approx(1.0)
    assert not row["is_partial"]


def test_heights_by_hand():
    """9.5 ft +- 0.5 ft: 1.96 x 0.5 = 0.98 ft, so 10 ft is too close to call; at 50 % it is not."""
    result = heights(trees(SQUARE), flat(9.5, rmse_ft=0.5))
    row = result["heights"].iloc[0]
    assert row["height_class"] == "6-10 ft"
    assert row["top_height_ft"] == row["p99_height_ft"] == 9.5
    assert row["mean_height_ft"] == pytest.approx(9.5)
    assert row["height_error_ft"] == 0.5
    assert (row["nearest_limit_ft"], row["limit_margin_ft"]) == (10.0, -0.5)
    assert row["is_too_close"]
    # the 75 % point of the normal is 0.6745 (tables): 0.34 ft
    half = heights(trees(SQUARE), flat(9.5, rmse_ft=0.5), confidence_frac=0.5)
    assert not half["heights"]["is_too_close"][0]


def test_a_margin_of_just_the_error_is_too_close():
    """1.96 standard errors (the 97.5 % point of the normal is 1.959964, tables)."""
    for top, verdict in ((11.9599, True), (11.9600, False)):
        table = heights(trees(SQUARE), flat(top, rmse_ft=1.0))["heights"]
        assert table["is_too_close"][0] == verdict


def test_without_a_stated_error_nothing_is_told_close():
    result = heights(trees(SQUARE), flat(9.99))
    table = result["heights"]
    assert table["is_too_close"].isna().all()
    assert str(table["is_too_close"].dtype) == "boolean"
    assert np.isnan(table["height_error_ft"][0])
    assert "error is not stated" in " ".join(map(str, result.notes))


@pytest.mark.parametrize("name", ["heights", "slices"])
def test_tables_hold_what_the_catalogue_declares(name):
    function = {"heights": heights, "slices": slices}[name]
    for crowns in (trees(SQUARE), trees()):
        result = function(crowns, flat(9))
        for table, columns in OPERATIONS[name].outputs.items():
            assert set(columns) <= set(result[table].columns)
            assert result[table].columns[0] == "crown_id"
        assert set(result.parameters) == {p.name for p in OPERATIONS[name].params}
        assert result.operation == name


def test_no_crowns_is_a_result():
    for result in heights_and_slices(trees(), flat(9, rmse_ft=0.5), breaks_ft=[0, 10]):
        assert all(len(table) == 0 for table in result.tables.values())
        assert [n.level for n in result.notes] == ["missing"]
        assert "none to measure" in result.notes[0].text


def test_slices_between_more_heights():
    """12 ft on 100 map units, cut at 0, 4, 10, 20: 4, 6 and 2 ft of it."""
    crowns = trees(SQUARE, shapely.box(20, 20, 21, 21))
    table = slices(crowns, flat(12), breaks_ft=[0, 4, 10, 20])["slice_bands"]
    assert table["crown_id"].tolist() == ["c1"] * 3 + ["c2"] * 3
    assert table["low_ft"].tolist() == [0, 4, 10] * 2
    assert table["high_ft"].tolist() == [4, 10, 20] * 2
    np.testing.assert_allclose(
        table["volume_ft3"], np.array([400, 600, 200, 4, 6, 2]) * FT2, rtol=1e-9
    )
    np.testing.assert_allclose(table["share_frac"], np.array([4, 6, 2] * 2) / 12, rtol=1e-9)
    assert len(slices(crowns, flat(12))["slice_bands"]) == 0


def test_band_of_ones_own():
    row = slices(trees(SQUARE), flat(12), band_ft=(3, 9))["slices"].iloc[0]
    shares = row[["share_under_frac", "share_band_frac", "share_over_frac"]]
    assert shares.tolist() == pytest.approx([0.25, 0.5, 0.25])


def test_solid_above_a_base():
    """16 ft high from 4 ft up: 2 ft under the band, 4 in it, 6 over it."""
    row = slices(trees(SQUARE), flat(16), canopy_model="crown-base", crown_base_ft=4)["slices"]
    row = row.iloc[0]
    assert row["canopy_model"] == "crown-base"
    assert row["volume_ft3"] == pytest.approx(1200 * FT2)
    assert row["share_band_frac"] == pytest.approx(4 / 12)
    assert row["share_under_frac"] == pytest.approx(2 / 12)


def test_base_as_a_share_of_the_top():
    crowns, source = trees(SQUARE), flat(16)
    told = slices(crowns, source, canopy_model="crown-base", crown_base_ft=4.0)["slices"]
    share = slices(crowns, source, canopy_model="crown-base", crown_base_frac=0.25)["slices"]
    pd.testing.assert_frame_equal(told, share)


def test_a_crowns_own_base_goes_first():
    crowns = trees(SQUARE, shapely.box(20, 20, 30, 30), base_height_ft=[8.0, np.nan])
    for more in ({"crown_base_ft": 4.0}, {"crown_base_frac": 0.25}):
        table = slices(crowns, flat(16), canopy_model="crown-base", **more)["slices"]
        np.testing.assert_allclose(table["volume_ft3"], np.array([800, 1200]) * FT2)
        assert table["crown_base_ft"].tolist() == [8.0, 4.0]
    result = slices(crowns, flat(16), canopy_model="crown-base")
    assert np.isnan(result["slices"]["volume_ft3"]).tolist() == [False, True]
    assert "1 crown (c2): no base height" in " ".join(map(str, result.notes))


@pytest.mark.parametrize("model", ["crown-base", *FORM_FACTORS])
def test_a_base_over_the_top_has_no_shares(model):
    result = slices(trees(SQUARE), flat(5), canopy_model=model, crown_base_ft=5.0)
    row = result["slices"].iloc[0]
    assert row["volume_ft3"] == 0.0
    assert np.isnan(row["share_band_frac"])
    assert "base at or over the top" in " ".join(map(str, result.notes))


# Shares of a crown from 4 to 16 ft in 6-10 ft. Source: handbook formulas, from memory, as exact
# fractions; the tests of the solids check them by quadrature.
SHARES = {
    "cylinder": 1 / 3,
    "cone": 49 / 108,
    "paraboloid": 4 / 9,
    "half-ellipsoid": 95 / 216,
    "ellipsoid": 23 / 54,
    "neiloid": 34 / 81,
}


@pytest.mark.parametrize("model", SHARES)
@pytest.mark.parametrize("base", [{"crown_base_ft": 4.0}, {"crown_base_frac": 0.25}])
def test_named_solids(model, base):
    """The crown's polygon is the widest section; one high cell makes the top."""
    source = flat(7)
    tall = source.height_ft.copy()
    tall[30, 8] = 16.0  # inside the square
    source = CanopyGrid(tall, X, Y + 40, 1.0)
    result = slices(trees(SQUARE), source, canopy_model=model, **base)
    row = result["slices"].iloc[0]
    assert row["canopy_model"] == model
    assert row["volume_ft3"] == pytest.approx(100 * FT2 * 12 * FORM_FACTORS[model])
    assert row["share_band_frac"] == pytest.approx(SHARES[model], rel=1e-9)


def test_zero_volume_has_no_share():
    result = slices(trees(SQUARE), flat(0))
    row = result["slices"].iloc[0]
    assert row["volume_ft3"] == 0.0
    assert np.isnan([row[f"share_{part}_frac"] for part in ("under", "band", "over")]).all()
    assert not row["is_partial"]
    assert "1 crown (c1): no volume, so undefined shares" in " ".join(map(str, result.notes))


def test_partial_and_unseen_crowns():
    """c1 is half on the raster, c2 is off it, c3 lies on no data."""
    array = np.full((40, 40), 8.0)
    array[:10, :10] = np.nan  # the north-west corner
    source = CanopyGrid(array, X, Y + 40, 1.0)
    crowns = trees(shapely.box(-5, 5, 5, 15), shapely.box(90, 0, 99, 9), shapely.box(2, 32, 8, 38))
    tall, cut = heights_and_slices(crowns, source)
    table = cut["slices"]
    np.testing.assert_allclose(table["covered_frac"], [0.5, 0.0, 0.0], rtol=1e-9)
    assert table["is_partial"].tolist() == [True, True, True]
    np.testing.assert_allclose(table["volume_ft3"], [400 * FT2, np.nan, np.nan], rtol=1e-9)
    assert table["share_band_frac"][0] == pytest.approx(0.25)
    assert tall["heights"]["height_class"].tolist() == ["6-10 ft", "no data", "no data"]
    assert tall["heights"]["is_partial"].tolist() == [True, True, True]
    told = " ".join(map(str, cut.notes))
    assert "2 crowns (c2, c3): wholly off the heights or on no data" in told
    assert "1 crown (c1): seen in part only" in told


def test_crowns_without_shape_are_rows():
    crowns = trees(SQUARE, shapely.Polygon())
    crowns.loc[2] = ["c3", None]
    result = slices(crowns, flat(8))
    table = result["slices"]
    assert "2 crowns (c2, c3): no area" in " ".join(map(str, result.notes))
    assert table["crown_id"].tolist() == ["c1", "c2", "c3"]
    assert table["is_partial"].tolist() == [False, True, True]
    assert np.isnan(table["covered_frac"][1:]).all()
    assert table["crown_area_ft2"][1:].tolist() == [0.0, 0.0]


def test_a_crown_smaller_than_the_threshold_has_no_top():
    result = heights(trees(shapely.box(5, 5, 5.05, 5.05)), flat(8))
    assert result["heights"]["height_class"][0] == "no data"
    assert "no cell covered by min_coverage_frac" in " ".join(map(str, result.notes))


def test_an_elevation_raster_is_suspected():
    for height in (450.0, -60.0):
        result = heights(trees(SQUARE), flat(height))
        odd = [n for n in result.notes if n.level == "assumed"]
        assert len(odd) == 1
        assert "one of elevations?" in odd[0].text


def test_a_raster_in_another_crs_is_not_resampled():
    """A canopy 8 ft high everywhere must keep its volume on the site, whatever the raster's CRS."""
    crowns = trees(shapely.Point(20, 20).buffer(9), shapely.box(30, 5, 38, 12))
    want = slices(crowns, flat(8))["slices"]
    for epsg, cell in ((26917, 0.5), (4326, 4e-6), (3857, 0.5)):
        move = Transformer.from_crs(6443, epsg, always_xy=True)
        west, north = move.transform(X - 20, Y + 60)
        source = north_up(np.full((120, 140), 8.0), west, north, cell, crs=epsg)
        result = slices(crowns, source)
        got = result["slices"]
        assert not got["is_partial"].any()
        np.testing.assert_allclose(got["volume_ft3"], want["volume_ft3"], rtol=1e-9)
        np.testing.assert_allclose(got["share_band_frac"], want["share_band_frac"], rtol=1e-9)
        assert "it was not resampled" in str(result.notes[0])


def test_the_same_crs_under_another_name_is_the_same():
    named = flat(8, crs=trees(SQUARE).crs.to_wkt("WKT1_ESRI"))
    assert slices(trees(SQUARE), named).notes == ()


def test_feet_and_metres_give_the_same_lot():
    """The same ground in EPSG:6438 (ftUS) and EPSG:6437 (m), heights in ft and in m."""
    rng = np.random.default_rng(8)
    array = rng.uniform(0, 30, (40, 40))
    foot = 1200 / 3937  # m in one US survey foot
    in_ft = trees(shapely.Point(20, 20).buffer(9), crs=6438)
    in_m = in_ft.copy()
    in_m["geometry"] = shapely.transform(in_ft.geometry.to_numpy(), lambda xy: xy * foot)
    in_m = in_m.set_crs(6437, allow_override=True)
    source_m = north_up(
        array * 0.3048, X * foot, (Y + 40) * foot, foot, feet_per_unit=1 / 0.3048, crs=6437
    )
    here = slices(in_ft, CanopyGrid(array, X, Y + 40, 1.0, crs=6438))["slices"]
    there = slices(in_m, source_m)["slices"]
    numbers = here.select_dtypes("number").columns
    np.testing.assert_allclose(there[numbers], here[numbers], rtol=1e-7)


def test_both_at_once_are_each_alone():
    rng = np.random.default_rng(9)
    source = CanopyGrid(rng.uniform(0, 30, (40, 40)), X, Y + 40, 1.0, rmse_ft=0.4)
    crowns = trees(*(shapely.Point(*p).buffer(4) for p in rng.uniform(0, 40, (9, 2))))
    both = heights_and_slices(
        crowns, source, band_ft=(5, 9), confidence_frac=0.9, breaks_ft=[0, 5, 7]
    )
    alone = (
        heights(crowns, source, confidence_frac=0.9),
        slices(crowns, source, band_ft=(5, 9), breaks_ft=[0, 5, 7]),
    )
    for one, other in zip(both, alone, strict=True):
        assert one.parameters == other.parameters
        assert one.notes == other.notes
        for name in other.tables:
            pd.testing.assert_frame_equal(one[name], other[name])


def test_both_at_once_read_each_block_once():
    source = north_up(np.full((40, 40), 8.0), X, Y + 40, block_shape=(8, 8))
    heights_and_slices(trees(SQUARE, shapely.box(5, 6, 20, 20)), source)
    assert len(source.reads) == len(set(source.reads)) > 1


REFUSED = [
    ({"band_ft": (10, 6)}, RangeError, "band_ft: found 10, 6; needed numbers that rise"),
    ({"band_ft": (6, 8, 10)}, RangeError, "band_ft: found 3 numbers; needed 2 numbers, rising"),
    ({"band_ft": 6}, RangeError, "band_ft: found 6; needed two numbers or more"),
    ({"breaks_ft": [3, 3]}, RangeError, "breaks_ft: found 3, 3; needed numbers that rise"),
    ({"canopy_model": "egg"}, RangeError, "canopy_model: found 'egg'; needed one of column, cr"),
    (
        {"canopy_model": "crown-base"},
        RangeError,
        "canopy_model 'crown-base': found no base height, neither a parameter nor a column",
    ),
    ({"canopy_model": "cone"}, RangeError, "canopy_model 'cone': found no base height"),
    (
        {"canopy_model": "cone", "crown_base_ft": 3.0, "crown_base_frac": 0.5},
        RangeError,
        "crown_base_ft and crown_base_frac: found both; needed one of them",
    ),
    ({"crown_base_frac": 1.5}, RangeError, "crown_base_frac: found 1.5; needed from 0 up to 1"),
    ({"crown_base_ft": -1.0}, RangeError, "crown_base_ft: found -1; needed from 0 up to 500"),
    ({"min_coverage_frac": "a"}, RangeError, "min_coverage_frac: found 'a'; needed a number"),
]


@pytest.mark.parametrize(("asked", "kind", "words"), REFUSED)
def test_what_is_refused(asked, kind, words):
    with pytest.raises(kind, match=re.escape(words)):
        slices(trees(SQUARE), flat(9), **asked)
    with pytest.raises(kind, match=re.escape(words)):
        heights_and_slices(trees(SQUARE), flat(9), **asked)


def test_a_parameter_of_neither_is_told():
    with pytest.raises(RangeError, match=r"band_feet: found no such parameter"):
        heights_and_slices(trees(SQUARE), flat(9), band_feet=(6, 10))


def test_base_below_the_substrate():
    crowns = trees(SQUARE, base_height_ft=[-2.0])
    with pytest.raises(RangeError, match="base_height_ft: found -2 for crown c1; needed a height"):
        slices(crowns, flat(9), canopy_model="cone")


def test_a_base_that_is_not_used_is_told():
    result = slices(trees(SQUARE), flat(9), crown_base_ft=3.0)
    assert "the crown's base is not used" in str(result.notes[0])
    assert result["slices"]["volume_ft3"][0] == pytest.approx(900 * FT2)


def test_crowns_need_ids_and_a_plane_crs():
    with pytest.raises(LayerError, match="crowns: found no column crown_id"):
        heights(trees(SQUARE).drop(columns="crown_id"), flat(9))
    with pytest.raises(CRSError, match=r"crowns: found coordinates that are not plane lengths"):
        heights(trees(SQUARE, crs=4326), flat(9))
    with pytest.raises(CRSError, match="crowns: found no coordinate reference system"):
        heights(trees(SQUARE, crs=None), flat(9))


@pytest.mark.parametrize("bad", ["heights.tif", np.ones((4, 4)), None])
def test_what_is_no_source_of_heights_is_named(bad):
    with pytest.raises(LayerError, match=f"heights: found a {type(bad).__name__}; needed a source"):
        slices(trees(SQUARE), bad)


def test_arrays_and_numpy_numbers_are_numbers():
    """What numpy hands over is taken as it is; a flag is still no number."""
    given = slices(
        trees(SQUARE), flat(12), breaks_ft=np.array([0, 6, 10]), min_coverage_frac=np.float32(0.5)
    )
    assert given.parameters["breaks_ft"] == (0.0, 6.0, 10.0)
    assert len(given["slice_bands"]) == 2
    with pytest.raises(RangeError, match="min_coverage_frac"):
        slices(trees(SQUARE), flat(12), min_coverage_frac=np.bool_(True))


OTHER = shapely.box(23, 4, 33, 14)


def flat_pair(**columns):
    """Two crowns of 100 square map units under a canopy 12 ft high."""
    return trees(SQUARE, OTHER, **columns), flat(12)


def test_the_share_above_one_target_by_hand():
    """12 ft down to 9 ft takes 3 of 12 ft."""
    found = slices(*flat_pair(), target_height_ft=9.0)["slices"]
    assert found["share_above_target_frac"].tolist() == pytest.approx([0.25, 0.25])
    assert found["volume_above_target_ft3"].tolist() == pytest.approx([300 * FT2, 300 * FT2])


def test_a_crown_s_own_target_goes_before_the_common_one():
    """9 and 6 ft of 12; in a second pass, since they differ."""
    crowns = flat_pair(target_height_ft=[np.nan, 6.0])
    found = slices(*crowns, target_height_ft=9.0)["slices"]
    assert found["share_above_target_frac"].tolist() == pytest.approx([0.25, 0.5])
    assert found["target_height_ft"].tolist() == [9.0, 6.0]
    _, both = heights_and_slices(*crowns, target_height_ft=9.0)
    pd.testing.assert_frame_equal(both["slices"], found)


def test_a_target_over_the_base_of_the_crown_and_one_under_it():
    """Crown from 8 to 12 ft: a cut at 9 ft takes 3 of 4 ft, one at 6 ft all of it."""
    crowns, grid = flat_pair(target_height_ft=[9.0, 6.0], base_height_ft=[8.0, 8.0])
    for model in ("crown-base", "cylinder"):
        found = slices(crowns, grid, canopy_model=model)["slices"]
        assert found["share_above_target_frac"].tolist() == pytest.approx([0.75, 1.0])


def test_without_a_target_the_share_above_it_is_unknown():
    found = slices(*flat_pair())["slices"]
    assert found["share_above_target_frac"].isna().all()
    found = slices(*flat_pair(target_height_ft=[np.nan, 6.0]))["slices"]
    assert found["share_above_target_frac"].isna().tolist() == [True, False]
    with pytest.raises(RangeError, match="crowns target_height_ft: found -1 for crown c1"):
        slices(*flat_pair(target_height_ft=[-1.0, 6.0]))


def test_a_known_base_counts_for_a_cut_under_the_column_model_too():
    """18 ft tree, base 14 ft, cut at 15 ft: three of the four feet that bear foliage."""
    table = trees(SQUARE, OTHER, base_height_ft=[14.0, np.nan])
    found = slices(table, flat(18), target_height_ft=15.0)["slices"]
    assert found["share_above_target_frac"].tolist() == pytest.approx([0.75, 1 / 6])
    assert found["volume_ft3"].tolist() == pytest.approx([1800 * FT2] * 2)  # a column all the same
    found = slices(table, flat(18), target_height_ft=15.0, crown_base_frac=0.5)["slices"]
    assert found["share_above_target_frac"].tolist() == pytest.approx([0.75, 3 / 9])
