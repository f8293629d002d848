"""The invented county: what other tests and the benchmarks take for granted of it."""

from __future__ import annotations

import tomllib

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from county_made import ground, small_county, tiles, trees

from geotrim.rules.species import species_key


@pytest.fixture(scope="module")
def county(tmp_path_factory):
    folder = tmp_path_factory.mktemp("county")
    small_county(folder)
    return folder


@pytest.fixture(scope="module")
def plan():
    return ground.plan_county(60, 1500, seed=1)


def read(county, layer):
    return gpd.read_file(county / "county.gpkg", layer=layer)


def test_it_has_the_lots_and_crowns_asked_for_each_with_its_own_id(county):
    lots, crowns = read(county, "lots"), read(county, "crowns")
    assert len(lots) == 60 and lots["PARCEL"].is_unique and lots.is_valid.all()
    assert len(crowns) == 1500 and crowns["tree"].is_unique and crowns.is_valid.all()
    assert lots.crs == crowns.crs == "EPSG:6443"
    assert set(shapely.get_num_coordinates(crowns.geometry.array)) == {31}


def test_about_half_of_the_lots_lie_at_the_shore(county):
    lots, shore = read(county, "lots"), read(county, "mhw_line").union_all()
    gap = lots.distance(shore)
    assert 0.35 < (gap < 5.0).mean() < 0.65
    assert ((gap > 0.4) & (gap < 4.1)).any(), "some stop short"
    past = lots.geometry.intersection(shore).length
    assert ((gap == 0) & (past > 50.0)).any(), "some run past it"


def test_lots_do_not_lie_on_one_another(county):
    shapes = read(county, "lots").geometry.array
    first, second = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    pairs = first < second
    shared = shapely.area(shapely.intersection(shapes[first[pairs]], shapes[second[pairs]]))
    assert shared.max() < 40.0, "no more than a corner at a canal's head"


def test_the_shore_of_one_square_goes_on_in_the_next(plan):
    side = plan.side
    for number in range(2):
        here, there = (ground.shore_of(plan, k)[0] for k in (number, number + 1))
        assert here[-1] == pytest.approx([side, there[0, 1]], abs=1e-9)
        assert there[0, 0] == 0.0


def test_most_crowns_stand_at_the_shore_and_some_cross_lot_lines(county):
    crowns, shore = read(county, "crowns"), read(county, "mhw_line").union_all()
    assert 0.6 < (crowns.distance(shore) < 40.0).mean() < 0.9
    edges = read(county, "lots").boundary.union_all()
    assert crowns.intersects(edges).sum() > 50


def test_every_species_named_is_one_the_rules_know(county):
    names = read(county, "crowns")["species"]
    assert names.isna().any()
    for name in names.dropna().unique():
        assert species_key(name) is not None, name


def test_a_tile_is_the_same_whether_made_alone_or_with_the_others(county, plan, tmp_path):
    tiles.make_tiles(plan, tmp_path, [1])
    name = "heights_00001_00.tif"
    with rasterio.open(tmp_path / name) as one, rasterio.open(county / "heights" / name) as other:
        assert (one.read(1) == other.read(1)).all()
        assert one.transform == other.transform
        assert one.units == ("ft",) and one.crs == "EPSG:6443"
    assert len(list(tmp_path.iterdir())) == 1


def test_tiles_meet_without_a_gap(county, plan):
    boxes = []
    for path in sorted((county / "heights").iterdir()):
        with rasterio.open(path) as tile:
            boxes.append(shapely.box(*tile.bounds))
    assert shapely.area(shapely.union_all(boxes)) == pytest.approx(plan.n_squares * plan.side**2)


def test_heights_rise_to_each_trees_top(county, plan):
    """Under a centre the dome is at least 0.9 of the top (its cell's middle is within 1.07 ft).

    The noise of leaves has a standard deviation of 0.5 ft; a taller crown may stand over it.
    """
    for square in range(plan.n_squares):
        planted = trees.trees_of(plan, square)
        at = planted.centre + plan.corner(square)
        with rasterio.open(county / "heights" / f"heights_{square:05d}_00.tif") as tile:
            seen = np.array([value[0] for value in tile.sample(at)])
        assert (seen >= 0.9 * planted.top - 2.5).all()
        assert seen.max() <= planted.top.max() + 2.5


def test_geoparquet_holds_what_the_geopackage_holds(county, tmp_path):
    small_county(tmp_path, kind="parquet")
    for layer in ("lots", "crowns", "mhw_line", "exclusions", "jurisdictions"):
        one, other = read(county, layer), gpd.read_parquet(tmp_path / f"{layer}.parquet")
        assert other.crs == "EPSG:6443"
        assert shapely.equals_identical(one.geometry.array, other.geometry.array).all()


def test_it_says_that_it_is_invented(county):
    assert "nothing here exists" in (county / "INVENTED.txt").read_text()
    spec = tomllib.loads((county / "screen.toml").read_text())
    assert "invented" in spec["site"]["name"]
    for towns in county.glob("*.toml"):
        assert "invented" in towns.read_text().lower()
