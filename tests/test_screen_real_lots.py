"""All real waterfront lots of the open data in one screening, held against shapely.

Source of the numbers: the open data's own PROVENANCE.md (computed there with other code).
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from county_screened import screened_lots
from opendata import open_data

from geotrim.ops.frontages import frontage

pytestmark = pytest.mark.data
#: EPSG:2263 counts in US survey feet.
US_FT = 1200 / 3937 / 0.3048
REACH_FT = 5.0
#: Length of shore within 5 ft of the lot. [US survey ft]
SHORE_NEAR_FT = {
    "A1264": 1567.4,
    "A1260": 514.3,
    "A1311": 358.1,
    "A1235": 250.9,
    "A1310": 209.5,
    "A0953": 370.5,
    "A1996": 148.8,
    "A1236": 87.4,
}
#: Stop 0.6 to 0.7 ft short of the line.
SHORT = ("A1236", "A1294", "A1193")
#: Two points as a ring: no area, so not a lot that could be measured.
SLIVER = "A1207"

SCREEN = """
[site]
name = "lots of two boroughs"
crs = "EPSG:2263"

[lots]
file = "lots.gpkg"
id_field = "lot_id"

[mhw_line]
file = "shore.gpkg"
origin = "digitised"

[crowns]
file = "crowns.gpkg"
"""


@pytest.fixture(scope="module")
def real():
    """Lots in degrees as published, and the rings of the boroughs as lines."""
    folder = open_data("nyc_waterfront_lots")
    one = gpd.read_file(folder / "astoria_lots.geojson")[["lot_id", "geometry"]]
    other = gpd.read_file(folder / "coney_island_lots.geojson")
    other["lot_id"] = [f"C{k:02d}" for k in range(1, len(other) + 1)]
    lots = gpd.GeoDataFrame(pd.concat([one, other[one.columns]], ignore_index=True), crs=one.crs)
    boroughs = gpd.read_file(f"zip://{folder / 'nybb_16a.zip'}").geometry.array
    rings = shapely.get_rings(shapely.get_parts(boroughs))
    lines = [shapely.LineString(shapely.get_coordinates(ring)) for ring in rings]
    return lots, gpd.GeoDataFrame(geometry=lines, crs=2263)


@pytest.fixture(scope="module")
def rows(real, tmp_path_factory):
    """What one screening says of every lot."""
    folder = tmp_path_factory.mktemp("real")
    lots, shore = real
    lots.to_file(folder / "lots.gpkg", layer="lots")
    shore.to_file(folder / "shore.gpkg", layer="shore")
    # a screening asks for trees: one, invented, on a lot away from the shore
    where = lots.to_crs(2263).geometry.iloc[[0]].representative_point().buffer(5.0)
    gpd.GeoDataFrame({"crown_id": ["T1"]}, geometry=where).to_file(folder / "crowns.gpkg")
    (folder / "screen.toml").write_text(SCREEN, encoding="utf-8")
    return screened_lots(folder / "screen.toml", folder / "results")


@pytest.fixture(scope="module")
def moved(real):
    """Sound lots in the shore's CRS, and how far each is from the shore. [US survey ft]."""
    lots, shore = real
    lots = lots.to_crs(2263)
    lots = lots[lots.is_valid].reset_index(drop=True).assign(is_measured=True)
    return lots.assign(gap=lots.distance(shore.union_all()))


@pytest.fixture(scope="module")
def stretches(moved, real):
    return frontage(moved[["lot_id", "is_measured", "geometry"]], real[1])["frontage"]


def test_every_lot_is_a_row_in_file_order(rows, real):
    assert rows["lot_id"].tolist() == real[0]["lot_id"].tolist()
    assert len(rows) == 961 + 60
    assert rows["status"].value_counts().sum() == 1021
    assert rows["status"].isin(["measured", "no shore", "unfit"]).all()


def test_a_lot_without_area_is_told_and_costs_no_other_its_row(rows, real):
    shape = real[0].set_index("lot_id").geometry[SLIVER]
    assert not shape.is_valid and shape.area == 0.0
    unfit = rows[rows["status"] == "unfit"]
    assert unfit["lot_id"].tolist() == [SLIVER]
    assert "area" in unfit["reason"].iloc[0]


def test_the_screening_says_what_the_operation_says(rows, stretches):
    """Whatever the partitions: the lengths of all lots' stretches measured together."""
    expected = stretches.groupby("lot_id")["frontage_length_ft"].sum()
    has = rows[rows["frontage_length_ft"] > 0].set_index("lot_id")
    assert set(has.index) == set(expected.index)
    np.testing.assert_allclose(has["frontage_length_ft"], expected[has.index], rtol=1e-9)


def test_no_foot_of_shore_is_counted_twice_and_all_of_it_is_shore(rows, stretches, real):
    together = shapely.union_all(stretches.geometry.array)
    total_ft = float(shapely.length(together)) * US_FT
    assert rows["frontage_length_ft"].sum() == pytest.approx(total_ft, rel=1e-9)
    shore = shapely.buffer(real[1].union_all(), 1e-5)
    near = shapely.intersection(shore, shapely.buffer(together, 50.0).envelope)
    assert shapely.length(shapely.difference(together, near)) == pytest.approx(0.0, abs=1e-6)


def test_all_shore_inside_the_lots_is_covered_and_none_out_of_reach(stretches, moved, real):
    """The shore covered lies between what is in a lot and what is within reach of one."""
    near = moved[moved["gap"] <= REACH_FT]
    shore, land = real[1].union_all(), near.union_all()
    covered = shapely.union_all(stretches.geometry.array)
    inside = shapely.intersection(shore, land)
    assert shapely.length(inside) > 1000.0
    left = shapely.difference(inside, shapely.buffer(covered, 1e-3))
    assert shapely.length(left) == pytest.approx(0.0, abs=1e-6)
    for lot_id, mine in stretches.groupby("lot_id"):
        lot = moved.set_index("lot_id").geometry[lot_id]
        reach = shapely.buffer(lot, REACH_FT + 0.01, quad_segs=64)
        assert shapely.covers(reach, mine.union_all()), lot_id


def test_lots_at_the_shore_have_frontage_and_the_others_a_reason(rows, moved):
    gap = moved.set_index("lot_id")["gap"]
    assert (gap <= 1.0).sum() == 11 and (gap <= 20.0).sum() == 17
    found = rows.set_index("lot_id")
    length = found["frontage_length_ft"].fillna(0.0)
    assert (length[gap.index[gap <= 1.0]] > 0).all()
    assert (length[gap.index[gap > REACH_FT]] == 0).all()
    without = found[(found["status"] == "no shore")]
    assert (without["reason"] != "").all()
    for lot_id, reason in without["reason"].items():
        if gap[lot_id] > REACH_FT:
            assert f"{gap[lot_id] * US_FT:.1f} ft from the lot" in reason, lot_id
        else:
            assert "no lot edge faces it or another lot holds it" in reason, lot_id
    assert (found["frontage_length_ft"] > 0).eq(found["status"] == "measured").all()


def test_lots_that_stop_short_front_the_water(rows, moved):
    gap = moved.set_index("lot_id")["gap"][[*SHORT]]
    assert gap.between(0.55, 0.75).all()
    length = rows.set_index("lot_id")["frontage_length_ft"][[*SHORT]]
    assert (length > 20.0).all()


def test_frontage_is_no_longer_than_the_shore_near_a_lot(rows):
    length = rows.set_index("lot_id")["frontage_length_ft"]
    for lot_id, near_ft in SHORE_NEAR_FT.items():
        assert 0.8 * near_ft < length[lot_id] / US_FT <= near_ft + 0.05, lot_id


def test_a_public_beach_leaves_no_lot_of_coney_island_a_frontage(rows, moved):
    gap = moved.set_index("lot_id")["gap"].filter(like="C")
    gap = gap[gap.index.str.startswith("C")]
    assert len(gap) == 60
    assert gap.min() == pytest.approx(212.1, abs=0.05)
    assert gap.max() == pytest.approx(645.5, abs=0.05)
    beach = rows[rows["lot_id"].isin(gap.index)]
    assert (beach["status"] == "no shore").all()
    assert (beach["frontage_length_ft"] == 0).all()
