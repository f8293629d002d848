"""Shapes that preparations read, and the box they work in."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS, Geod

from geotrim.errors import CRSError, FileError, LayerError
from geotrim.io.bounds import moved_bounds
from geotrim.prepare.places import bounds_near, input_file, read_shapes
from geotrim.prepare.task import GivenFile

WEST_FLORIDA = CRS(6443)
LOT = shapely.box(450_000, 1_100_000, 450_100, 1_100_200)


def written(folder, shapes, crs=WEST_FLORIDA):
    path = folder / "lots.gpkg"
    gpd.GeoDataFrame({"lot_id": range(len(shapes))}, geometry=shapes, crs=crs).to_file(path)
    return GivenFile(str(path), "--lots")


def test_shapes_come_with_their_file(tmp_path):
    found = read_shapes(written(tmp_path, [LOT]), "lots")
    assert found.told.role == "lots" and found.told.n_features == 1
    assert found.told.crs == "EPSG:6443" and len(found.told.sha256) == 64
    assert found.table.geometry.iloc[0].equals(LOT)


def test_shapes_are_brought_to_a_crs(tmp_path):
    found = read_shapes(written(tmp_path, [LOT]), "lots", crs=CRS(6442))  # the zone in metres
    np.testing.assert_allclose(
        found.table.total_bounds, np.array(LOT.bounds) * 1200 / 3937, atol=1e-3
    )
    assert any("reprojected" in note.text for note in found.notes)


def test_the_margin_is_in_feet_whatever_the_unit(tmp_path):
    in_feet = bounds_near(read_shapes(written(tmp_path, [LOT]), "lots"), 100.0, WEST_FLORIDA)
    # 100 ft are 99.9998 US survey feet; source: EPSG unit 9003
    np.testing.assert_allclose(in_feet, (449_900, 1_099_900, 450_200, 1_100_300), atol=1e-3)
    metres = read_shapes(written(tmp_path, [LOT]), "lots", crs=CRS(6442))
    np.testing.assert_allclose(
        bounds_near(metres, 100.0, CRS(6442)), np.array(in_feet) * 1200 / 3937, atol=1e-3
    )


def test_a_margin_around_degrees_is_no_less_than_asked(tmp_path):
    """Distances by the geodesic of a reference library, WGS 84 ellipsoid."""
    lot = shapely.box(-82.0, 26.0, -81.999, 26.001)
    box = bounds_near(read_shapes(written(tmp_path, [lot], CRS(4326)), "lots"), 500.0, CRS(4326))
    geod = Geod(ellps="WGS84")
    east = geod.inv(-81.999, 26.001, box[2], 26.001)[2] / 0.3048
    north = geod.inv(-82.0, 26.001, -82.0, box[3])[2] / 0.3048
    assert 500.0 <= east < 515.0 and 500.0 <= north < 515.0


def test_a_box_in_another_crs_holds_the_old_one_whole():
    own = (430_000.0, 1_050_000.0, 470_000.0, 1_150_000.0)
    box = moved_bounds(own, WEST_FLORIDA, CRS(4326), "lots")
    back = moved_bounds(box, CRS(4326), WEST_FLORIDA, "lots")
    assert back[0] <= own[0] and back[1] <= own[1] and back[2] >= own[2] and back[3] >= own[3]
    assert -83 < box[0] < box[2] < -81 and 26 < box[1] < box[3] < 28


def test_what_does_not_fit_is_told_under_the_option(tmp_path):
    with pytest.raises(FileError, match="--lots: found no file"):
        read_shapes(GivenFile(str(tmp_path / "none.gpkg"), "--lots"), "lots")
    with pytest.raises(LayerError, match="--lots"):
        read_shapes(written(tmp_path, [shapely.Point(1, 2)]), "lots")
    far = written(tmp_path, [shapely.box(0, 0, 1e9, 1e9)])
    with pytest.raises(CRSError, match="--lots"):
        read_shapes(far, "lots", crs=CRS(4326))


def test_a_file_is_told_with_its_hash(tmp_path):
    path = tmp_path / "a.txt"
    path.write_bytes(b"abc")
    told = input_file(GivenFile(str(path), "--cloud"), "cloud", detail={"n_points": 3})
    # SHA-256 of "abc": FIPS 180-2, appendix B.1
    assert told.sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert told.detail["n_points"] == 3 and told.crs is None
