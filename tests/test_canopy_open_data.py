"""Real canopy: boxes and field-drawn crowns over lidar heights, and a published slope grid."""

from __future__ import annotations

import re

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from geotrim.core.coverage import check_transform, rings_of
from geotrim.core.slices import measure_canopy
from geotrim.io.rasters import open_heights
from geotrim.ops.canopy import heights, slices
from tests.opendata import open_data

pytestmark = pytest.mark.data
FT3 = 0.3048**3  # m3 in a cubic foot


def plots():
    """Plot number -> height raster, in number order. Metres above ground, as the maker states."""
    folder = open_data("neon_idtrees_osbs") / "chm"
    paths = {int(re.findall(r"OSBS_(\d+)", p.name)[0]): p for p in folder.glob("*.tif")}
    return {number: open_heights(paths[number], unit="m") for number in sorted(paths)}


def extent(raster):
    rows, cols = raster.shape
    a, _, c, _, e, f = raster.transform
    return shapely.box(c, f + e * rows, c + a * cols, f)


@pytest.fixture(scope="module")
def boxes():
    """Every box with the slices of the first plot, in number order, that contains it wholly."""
    crowns = gpd.read_file(open_data("neon_idtrees_osbs") / "itc" / "train_OSBS.shp")
    crowns["crown_id"] = [str(i) for i in crowns.index]
    left, tables = crowns, []
    for number, raster in plots().items():
        inside = left.covered_by(extent(raster))
        if inside.any():
            table = slices(left[inside], raster)["slices"]
            tables.append(table.assign(plot=number, tree=left.loc[inside, "indvdID"].to_numpy()))
        left = left[~inside]
    return pd.concat(tables, ignore_index=True).set_index("crown_id")


def test_boxes_in_all(boxes):
    """386 boxes: 69098.3960 m3, and 5955.1604 m3 from 6 to 10 ft.

    Source: stated with the data, from two independent routes: a separable box overlap by hand, and
    a general exact zonal library.
    """
    assert len(boxes) == 386
    assert not boxes["is_partial"].any()
    assert boxes["volume_ft3"].sum() * FT3 == pytest.approx(69098.3960, rel=1e-6)
    assert boxes["volume_band_ft3"].sum() * FT3 == pytest.approx(5955.1604, rel=1e-6)
    assert boxes["share_band_frac"].median() == pytest.approx(0.096017, abs=5e-7)


# Source: as above. Shapefile row, tree, plot, box m2, volume m3, 6-10 ft m3, share.
BOXES = [
    ("0", "OSBS01024", 28, 43.3751, 739.618415, 47.853356, 0.06470006),
    ("4", "OSBS01023", 28, 139.8768, 1908.342589, 135.691108, 0.07110417),
    ("66", "OSBS03839", 2, 11.3850, 150.016676, 11.920728, 0.07946269),
    ("482", "OSBS01268", 27, 3.1408, 33.995037, 3.598835, 0.10586353),
]


@pytest.mark.parametrize(("row", "tree", "plot", "area", "volume", "band", "share"), BOXES)
def test_one_box(boxes, row, tree, plot, area, volume, band, share):
    got = boxes.loc[row]
    assert (got["tree"], got["plot"]) == (tree, plot)
    assert got["crown_area_ft2"] * 0.3048**2 == pytest.approx(area, abs=5e-5)
    assert got["volume_ft3"] * FT3 == pytest.approx(volume, rel=1e-6)
    assert got["volume_band_ft3"] * FT3 == pytest.approx(band, rel=1e-6)
    assert got["share_band_frac"] == pytest.approx(share, abs=1e-8)


@pytest.fixture(scope="module")
def field():
    """Field-drawn crowns with every plot they meet: (crown, plot) -> row."""
    crowns = gpd.read_file(open_data("neon_field_crowns_osbs") / "field_crowns_OSBS.geojson")
    name = next(c for c in crowns.columns if crowns[c].astype(str).str.startswith("OSBSE").any())
    crowns["crown_id"] = crowns[name].astype(str)
    rows = {}
    for number, raster in plots().items():
        near = crowns[shapely.area(crowns.intersection(extent(raster)).to_numpy()) > 0]
        if len(near):
            for _, row in slices(near, raster)["slices"].iterrows():
                rows[row["crown_id"], number] = row
    return rows


# Source: 50 x 50 points a cell, stated with the data, good to about 0.1 %. Crown, plot, polygon m2,
# m2 inside the raster, volume m3, 6-10 ft m3, share.
FIELD = [
    ("OSBSE00605", 9, 33.890, 33.890, 311.23, 23.629, 0.0759),
    ("OSBSE00474", 28, 6.253, 6.253, 45.51, 3.542, 0.0778),
    ("OSBSE00439", 39, 27.877, 23.433, 275.99, 28.571, 0.1035),
    ("OSBSE00604", 36, 39.561, 24.704, 406.29, 28.780, 0.0708),
]


@pytest.mark.parametrize(("crown", "plot", "area", "inside", "volume", "band", "share"), FIELD)
def test_one_field_crown(field, crown, plot, area, inside, volume, band, share):
    got = field[crown, plot]
    assert got["crown_area_ft2"] * 0.3048**2 == pytest.approx(area, abs=6e-4)
    assert got["covered_frac"] * area == pytest.approx(inside, rel=1e-3)
    assert got["volume_ft3"] * FT3 == pytest.approx(volume, rel=1e-3)
    assert got["volume_band_ft3"] * FT3 == pytest.approx(band, rel=1e-3)
    assert got["share_band_frac"] == pytest.approx(share, abs=1e-4)
    assert got["is_partial"] == (inside < area)


def test_a_field_crown_on_nothing(field):
    """OSBSE00684 covers 2.320 m2 of the raster, all 0: no volume, so no share."""
    got = field["OSBSE00684", 19]
    assert got["covered_frac"] * 22.591 == pytest.approx(2.320, rel=1e-3)
    assert got["volume_ft3"] == 0.0
    assert np.isnan(got["share_band_frac"])
    assert got["is_partial"]


def test_partial_field_crowns_are_marked(field):
    """28 pairs of crown and plot meet; all but the two listed as whole are partial."""
    assert len(field) == 28
    whole = {pair for pair, row in field.items() if not row["is_partial"]}
    assert whole == {("OSBSE00605", 9), ("OSBSE00474", 28)}


def test_every_height_is_a_height():
    """The maker's heights run from 0 to 33.8 m; the two plots that are stored twice agree."""
    rasters = plots()
    tops = {}
    for number, raster in rasters.items():
        plot = gpd.GeoDataFrame({"crown_id": ["all"]}, geometry=[extent(raster)], crs=32617)
        row = heights(plot, raster)["heights"].iloc[0]
        tops[number] = row["top_height_ft"] * 0.3048
        assert not row["is_partial"]
    assert max(tops.values()) == pytest.approx(33.8, abs=0.05)
    assert tops[16] == tops[35]


def test_slope_zones():
    """Exact coverage gives polygon area over cell area: 77.115 and 52.165 cells.

    Source of raster and polygons: the rasterstats project's tests, whose own figures are counts of
    cell centres (75 and 50).
    """
    folder = open_data("reference_numbers") / "zonal_slope"
    zones = gpd.read_file(folder / "polygons.shp").geometry.to_numpy()
    raster = open_heights(folder / "slope.tif", unit="m")  # slopes, whose unit does not matter
    cell = check_transform(raster.transform)
    # 52.16588 is stated cut off, not rounded
    np.testing.assert_allclose(shapely.area(zones) / cell, [77.115, 52.165], atol=1e-3)
    seen = measure_canopy(
        rings_of(zones), raster, crown_area_ft2=shapely.area(zones), cell_area_ft2=cell
    )
    np.testing.assert_allclose(seen.covered_frac, 1.0, rtol=1e-9)
    # the published mean of the centres in the first zone; exact coverage moves it a little
    assert seen.mean_ft[0] * 0.3048 == pytest.approx(14.66, abs=0.5)
