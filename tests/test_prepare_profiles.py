"""Preparation profiles: clouds of known foliage through files, tiles and ground."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

import geopandas as gpd
import laspy
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
import shapely
from pyproj import CRS, Transformer

from geotrim.cli import main
from geotrim.core.crown_points import points_in_crowns
from geotrim.errors import CRSError, GeotrimError, LayerError
from geotrim.io.rasters import open_heights
from geotrim.io.site_file import site_from_tables
from geotrim.model import CanopyGrid
from geotrim.ops.chain import measure
from geotrim.prepare import profiles as module
from geotrim.prepare.catalogue import PREPARATIONS
from geotrim.prepare.profile_returns import Elevation
from geotrim.prepare.profiles import prepare_profiles
from geotrim.prepare.task import GivenFile, Task
from geotrim.prepare.work import prepare_input
from geotrim.report.profile_figure import MOST, chosen, profiles_figure
from tests.opendata import open_data
from tests.test_leaf_area import stops

X, Y = 400_000.0, 3_000_000.0
FOOT_M = 0.3048  # 85 FR 62698
#: Leaf area density by layer of 2 ft from the ground up, 1/ft; none below 2 ft.
EVEN = [0.0, *[0.15] * 9]
HIGH = [0.0, 0.02, 0.04, 0.06, 0.08, 0.1, 0.14, 0.2, 0.3, 0.4]
LEAVES = {"low": [0.0, 0.4, 0.3], "even": EVEN, "high": HIGH}
#: Crowns, 10 m squares side by side with room between, by name.
BOXES = {name: shapely.box(X + 20 * k, Y, X + 20 * k + 10, Y + 10) for k, name in enumerate(LEAVES)}


def frame(boxes=BOXES, crs=32617):
    return gpd.GeoDataFrame({"crown_id": list(boxes)}, geometry=list(boxes.values()), crs=crs)


def ground_m(x, y):
    """A slope with a step for good measure: 2 m up over 20 m to the east."""
    return 5.0 + 0.1 * (x - X) + 0.02 * (y - Y)


def pulses(rng, density=60.0, leaves=LEAVES, boxes=BOXES):
    """Pulses from straight above over the crowns and the open ground between.

    Returns x, y, z (metres), class, return number, number of returns. Each pulse is stopped once,
    by leaves or by the ground.
    """
    parts = []
    for name, box in boxes.items():
        west, south, east, north = box.bounds
        n = int(density * (east - west) * (north - south))
        x, y = rng.uniform(west, east, n), rng.uniform(south, north, n)
        above_ft = stops(np.array(leaves[name]), 2.0, n, rng)
        parts.append((x, y, above_ft))
    n = 4000
    x, y = rng.uniform(X - 8, X + 60, n), rng.uniform(Y - 8, Y + 18, n)
    is_open = ~shapely.intersects_xy(shapely.union_all(list(boxes.values())), x, y)
    parts.append((x[is_open], y[is_open], np.zeros(is_open.sum())))
    x, y, above_ft = (np.concatenate(part) for part in zip(*parts, strict=True))
    kind = np.where(above_ft > 0.0, 1, 2)
    z = ground_m(x, y) + above_ft * FOOT_M
    ones = np.ones(len(x), int)
    return x, y, z, kind, ones, ones


def write_las(path, x, y, z, kind, number, n_returns, *, crs="EPSG:32617+5703", step=0.001):
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = [step] * 3, [round(float(x[0])), round(float(y[0])), 0.0]
    if crs:
        header.add_crs(CRS.from_user_input(crs))
    las = laspy.LasData(header)
    las.x, las.y, las.z = x, y, z
    las.classification = np.asarray(kind, np.uint8)
    las.return_number, las.number_of_returns = number, n_returns
    las.write(str(path))
    return path


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    path = tmp_path_factory.mktemp("profiles")
    write_las(path / "cloud.laz", *pulses(np.random.default_rng(11)))
    frame().to_file(path / "crowns.gpkg", layer="crowns")
    return path


@pytest.fixture(autouse=True)
def _undrawn(request, monkeypatch):
    """Leave the figure out, which takes most of the time, except where it is asked for."""
    if "drawn" not in request.fixturenames:
        monkeypatch.setattr(module, "draw_profiles", lambda *_: None)


@pytest.fixture
def drawn():
    """Draw the figure in this test."""


def task_of(folder, tmp_path, *, cloud="cloud.laz", crowns="crowns.gpkg", ground=None, **params):
    names = cloud if isinstance(cloud, (list, tuple)) else [cloud]
    files = {
        "cloud": tuple(GivenFile(str(folder / name), "--cloud") for name in names),
        "crowns": (GivenFile(str(folder / crowns), "--crowns"),),
    }
    if ground is not None:
        said = {"datum": "NAVD88"}
        files["ground"] = (GivenFile(str(folder / ground), "--ground", {"unit": "m", **said}),)
    out = Path(tempfile.mkdtemp(dir=tmp_path))
    return Task(files, PREPARATIONS["profiles"].check(params), out)


def tables(task, **more):
    for old in task.folder.iterdir():
        old.unlink()
    made = prepare_profiles(task, **more)
    layers = pyogrio.read_dataframe(task.folder / "profiles.gpkg", layer="profiles")
    summary = pyogrio.read_dataframe(task.folder / "profiles.gpkg", layer="profile_summary")
    return made, layers, summary.set_index("crown_id")


def share_of(leaves, low_ft, high_ft):
    """Share of the leaves between two heights, by hand from densities of 2 ft layers."""
    edges = 2.0 * np.arange(len(leaves))
    inside = np.clip(np.minimum(edges + 2, high_ft) - np.maximum(edges, low_ft), 0, None)
    return float((np.array(leaves) * inside).sum() / (2 * np.sum(leaves)))


# --- what is measured


def test_known_foliage_comes_through_files_and_ground(folder, tmp_path, drawn):
    """6000 pulses a crown on a slope: shares within 4 standard errors, bases and tops in place."""
    task = task_of(folder, tmp_path)
    made, layers, summary = tables(task)
    for name, leaves in LEAVES.items():
        row = summary.loc[name]
        assert row["n_pulses"] == pytest.approx(6000, abs=3)
        expected = share_of(leaves, 6, 10)
        assert abs(row["share_band_frac"] - expected) <= 4 * row["share_band_error_frac"]
        assert 0 < row["share_band_error_frac"] < 0.03
        assert row[["share_under_frac", "share_band_frac", "share_over_frac"]].sum() == (
            pytest.approx(1.0)
        )
        assert abs(row["share_over_frac"] - share_of(leaves, 10, 99)) < 0.05
        assert 2 * len(leaves) - 0.6 < row["top_ft"] < 2 * len(leaves) + 0.02
        own = layers[layers["crown_id"] == name]
        assert own["weight_frac"].sum() == pytest.approx(1.0)
        over = own["low_ft"] >= 2 * len(leaves)  # by millimetres of rounded elevations
        assert own["weight_frac"][over].sum() < 0.01
        own = own[~over]
        assert own["low_ft"].tolist() == (2.0 * np.arange(len(leaves))).tolist()
        found, truth = own["leaf_density_perft"].to_numpy(), np.array(leaves)
        error = np.sqrt(1 / own["n_out"] - 1 / own["n_in"]).to_numpy()
        assert (np.abs(found - truth) <= 4.5 * error + 1e-3).all()
    assert summary["foliage_base_ft"].tolist() == [2.0, 2.0, 4.0]  # of "high" 1.5 % are at 2-4 ft
    assert (summary["reason"].fillna("") == "").all()
    assert (summary["n_returns_no_ground"] == 0).all()  # ground around the crowns is looked up too
    assert made.figures["n_profiles"] == 3 and made.figures["n_capped"] == 0
    assert made.site["profiles"] == {"file": "profiles.gpkg", "layer": "profiles"}
    assert set(made.files) == {item.name for item in task.folder.iterdir()}


def test_a_cut_of_a_quarter_is_where_a_quarter_lies(folder, tmp_path):
    """Even leaves from 2 to 20 ft: the upper quarter begins at 15.5 ft."""
    _, _, summary = tables(task_of(folder, tmp_path))
    assert summary.loc["even", "quarter_cut_ft"] == pytest.approx(15.5, abs=0.4)


def test_tiles_change_nothing(folder, tmp_path):
    whole = tables(task_of(folder, tmp_path))[1]
    parted = tables(task_of(folder, tmp_path), tile_points=1500)[1]
    pd.testing.assert_frame_equal(whole, parted, rtol=1e-9)


def test_parts_of_a_cloud_are_the_whole(folder, tmp_path):
    """Two files, cut in the middle of a crown; and one of them given twice under another name."""
    x, *rest = pulses(np.random.default_rng(11))
    west = x < X + 25
    for name, mask in (("west.las", west), ("east.las", ~west), ("again.las", west)):
        write_las(tmp_path / name, *(part[mask] for part in (x, *rest)))
    frame().to_file(tmp_path / "crowns.gpkg", layer="crowns")
    whole = tables(task_of(folder, tmp_path))[1]
    made, parts, _ = tables(
        task_of(tmp_path, tmp_path, cloud=["west.las", "east.las", "again.las"])
    )
    pd.testing.assert_frame_equal(whole, parts, atol=0.02)
    assert "again.las is west.las again" in " ".join(map(str, made.notes))
    assert len(made.inputs) == 3


def test_feet_and_metres_say_the_same(folder, tmp_path):
    """The same cloud in a state plane's US survey feet, heights in feet (EPSG:6360)."""
    x, y, z, *rest = pulses(np.random.default_rng(11))
    us_ft = 1200 / 3937
    places = np.column_stack([x - X, y - Y]) / us_ft + [600_000.0, 1_200_000.0]
    write_las(
        tmp_path / "feet.las", places[:, 0], places[:, 1], z / us_ft, *rest, crs="EPSG:6443+6360"
    )
    moved = {
        name: shapely.transform(b, lambda xy: (xy - [X, Y]) / us_ft + [600_000.0, 1_200_000.0])
        for name, b in BOXES.items()
    }
    frame(moved, 6443).to_file(tmp_path / "crowns.gpkg", layer="crowns")
    metres = tables(task_of(folder, tmp_path))[2]
    feet = tables(task_of(tmp_path, tmp_path, cloud="feet.las"))[2]
    columns = ["n_pulses", "top_ft", "share_band_frac", "foliage_base_ft"]
    gap = (metres[columns] - feet[columns]).abs().max()
    assert gap["n_pulses"] <= 3  # on the edge of a crown
    assert gap[columns[1:]].max() < 0.01


def test_crowns_in_degrees_are_taken_to_the_cloud(folder, tmp_path):
    frame().to_crs(4326).to_file(tmp_path / "crowns.gpkg", layer="crowns")
    shapes = folder / "cloud.laz"
    plain = tables(task_of(folder, tmp_path))[2]
    moved = tables(task_of(tmp_path, tmp_path, cloud=shapes))[2]
    assert moved["n_pulses"].tolist() == pytest.approx(plain["n_pulses"].tolist(), abs=5)
    assert moved.crs.to_epsg() == 4326


def test_the_ground_may_be_a_raster(folder, tmp_path):
    """The slope as a raster of 1 m cells in metres: as good as the cloud's own ground."""
    x = X - 20 + np.arange(100) + 0.5
    y = Y + 40 - np.arange(60) - 0.5
    write_ground(tmp_path / "ground.tif", ground_m(*np.meshgrid(x, y)))
    own = tables(task_of(folder, tmp_path))[2]
    made, _, given = tables(task_of(folder, tmp_path, ground=tmp_path / "ground.tif"))
    np.testing.assert_allclose(given["share_band_frac"], own["share_band_frac"], atol=0.01)
    assert "from the raster ground.tif" in " ".join(map(str, made.notes))
    assert [item.role for item in made.inputs] == ["crowns", "cloud", "ground"]
    with rasterio.open(tmp_path / "ground.tif", "r+") as out:
        out.write(np.where(np.meshgrid(x, y)[0] < X + 15, np.nan, ground_m(*np.meshgrid(x, y))), 1)
    made, _, part = tables(task_of(folder, tmp_path, ground=tmp_path / "ground.tif"))
    assert part.loc["low", "n_returns_no_ground"] == part.loc["low", "n_returns"] > 0
    assert "fewer than 30" in part.loc["low", "reason"]
    assert "have no ground under them and were not counted: low" in " ".join(map(str, made.notes))


@pytest.mark.parametrize("crs", [32617, 6443])
def test_elevations_between_the_cells_of_a_turned_raster(tmp_path, crs):
    """A plane is what bilinear interpolation keeps: exact at any place inside, in any CRS."""
    to = Transformer.from_crs(32617, crs, always_xy=True).transform
    rng = np.random.default_rng(8)
    x, y = X + rng.uniform(0, 12, 40), Y + rng.uniform(0, 12, 40)
    east, north = to(x, y)
    middle, turn = (east.mean(), north.mean()), 0.5
    cos, sin = 3.0 * np.cos(turn), 3.0 * np.sin(turn)
    grid = rasterio.Affine(cos, -sin, 0, -sin, -cos, 0)
    c, f = middle[0] - (cos - sin) * 30, middle[1] + (sin + cos) * 30
    grid = rasterio.Affine(cos, -sin, c, -sin, -cos, f)
    col, row = np.meshgrid(np.arange(60) + 0.5, np.arange(60) + 0.5)
    cells = [cos * col - sin * row + c, -sin * col - cos * row + f]
    level = lambda e, n: 7.0 + 0.3 * (e - middle[0]) - 0.2 * (n - middle[1])  # noqa: E731
    with rasterio.open(
        tmp_path / "g.tif", "w", driver="GTiff", width=60, height=60, count=1, dtype="float64",
        crs=f"EPSG:{crs}", transform=grid,
    ) as out:  # fmt: skip
        out.write(level(*cells), 1)
    with open_heights(tmp_path / "g.tif", unit="m") as raster:
        found = Elevation(raster, CRS.from_epsg(32617)).at_ft(x, y)
        one = Elevation(raster, CRS.from_epsg(32617)).at_ft(x[:1], y[:1])
        away = Elevation(raster, CRS.from_epsg(32617)).at_ft(x[:1] + 900, y[:1])
    np.testing.assert_allclose(found * FOOT_M, level(east, north), atol=1e-6)
    assert one[0] == pytest.approx(found[0]) and np.isnan(away[0])


def test_ground_in_another_datum_is_refused(folder, tmp_path):
    task = task_of(folder, tmp_path, ground="ground.tif")
    with rasterio.open(
        folder / "ground.tif", "w", driver="GTiff", width=9, height=9, count=1, dtype="float32",
        crs="EPSG:32617", transform=rasterio.Affine(9, 0, X, 0, -9, Y + 40),
    ) as out:  # fmt: skip
        out.write(np.zeros((9, 9), np.float32), 1)
    task.files["ground"][0].said["datum"] = "NGVD29"
    with pytest.raises(CRSError, match="--ground datum: found NGVD"):
        prepare_profiles(task)


def split_pulses():
    """Ten pulses over one crown: two returns each, one at 9 ft and one on the ground."""
    x = X + 1.0 + np.tile(np.arange(10) * 0.8, 2)
    y = np.full(20, Y + 5.0)
    above = np.repeat([9.0, 0.0], 10) * FOOT_M
    corners = np.array([[X - 5, Y - 5], [X + 15, Y - 5], [X - 5, Y + 15], [X + 15, Y + 15]])
    flat_x, flat_y = np.concatenate([x, corners[:, 0]]), np.concatenate([y, corners[:, 1]])
    z = np.concatenate([above, np.zeros(4)]) + 3.0
    kind = np.concatenate([np.repeat([1, 2], 10), np.full(4, 2)])
    number = np.concatenate([np.repeat([1, 2], 10), np.ones(4, int)])
    n_returns = np.concatenate([np.full(20, 2), np.ones(4, int)])
    return flat_x, flat_y, z, kind, number, n_returns


def test_a_pulse_is_shared_out_among_its_returns(tmp_path):
    """10 pulses: half of each stops at 9 ft, the top: ln(10/5)/(0.5 x 1 ft) = 1.3863 per ft."""
    write_las(tmp_path / "c.las", *split_pulses())
    frame({"a": BOXES["low"]}).to_file(tmp_path / "crowns.gpkg", layer="crowns")
    how = {"cloud": "c.las", "min_pulses": 5}
    _, layers, summary = tables(task_of(tmp_path, tmp_path, **how))
    assert summary.loc["a", "n_pulses"] == 10 and summary.loc["a", "n_returns"] == 20
    row = layers.iloc[-1]
    assert (row["low_ft"], row["n_in"], row["n_out"]) == (8.0, 10.0, 5.0)
    assert row["leaf_density_perft"] == pytest.approx(2 * np.log(2), rel=1e-3)
    assert row["high_ft"] == pytest.approx(9.0, abs=0.01)
    made, layers, summary = tables(task_of(tmp_path, tmp_path, returns="first", **how))
    row = layers.iloc[-1]
    assert (row["n_in"], row["n_out"]) == (10.0, 0.0) and row["is_capped"]
    assert summary.loc["a", "unseen_below_ft"] == 8.0
    assert row["leaf_density_perft"] == pytest.approx(2 * np.log(20), rel=1e-3)
    assert "no pulse was seen to come through the lowest layer of 1 crown (a)" in " ".join(
        map(str, made.notes)
    )
    _, layers, _ = tables(task_of(tmp_path, tmp_path, extinction_k=0.25, layer_ft=4.0, **how))
    assert layers.iloc[-1]["leaf_density_perft"] == pytest.approx(np.log(2) / 0.25, rel=1e-3)


def test_returns_under_the_floor_count_as_ground(folder, tmp_path):
    """With the floor at 10 ft the leaves under it are taken for ground: no share is left there."""
    _, layers, summary = tables(task_of(folder, tmp_path, floor_ft=10.0))
    assert summary.loc["even", "share_over_frac"] == pytest.approx(1.0)
    assert summary.loc["low", "reason"] == "no pulse stopped above the ground"
    assert "low" not in set(layers["crown_id"])


def test_what_is_no_plant_does_not_count(tmp_path):
    """A wire (class 14) and noise (7, 18) over a crown change nothing."""
    cloud = pulses(np.random.default_rng(3), density=5.0)
    n = 50
    more = [np.linspace(X + 1, X + 9, n), np.full(n, Y + 5), np.full(n, 30.0)]
    ones = np.ones(n, int)
    frame().to_file(tmp_path / "crowns.gpkg", layer="crowns")
    write_las(tmp_path / "a.las", *cloud)
    x, y = np.meshgrid(X - 20 + np.arange(100) + 0.5, Y + 40 - np.arange(60) - 0.5)
    write_ground(tmp_path / "g.tif", ground_m(x, y))
    plain = tables(task_of(tmp_path, tmp_path, cloud="a.las"))[1]
    on_raster = tables(task_of(tmp_path, tmp_path, cloud="a.las", ground="g.tif"))[1]
    for kind in (14, 7, 18):
        parts = zip(cloud, [*more, np.full(n, kind), ones, ones], strict=True)
        write_las(tmp_path / "b.las", *(np.concatenate(pair) for pair in parts))
        pd.testing.assert_frame_equal(tables(task_of(tmp_path, tmp_path, cloud="b.las"))[1], plain)
    parts = zip(cloud, [*more, np.full(n, 14), ones, ones], strict=True)
    write_las(tmp_path / "b.las", *(np.concatenate(pair) for pair in parts))
    found = tables(task_of(tmp_path, tmp_path, cloud="b.las", ground="g.tif"))[1]
    pd.testing.assert_frame_equal(found, on_raster)


def write_ground(path, elevation_m):
    """A raster of 1 m cells whose corner is 20 m west and 40 m north of the crowns'."""
    rows, cols = elevation_m.shape
    with rasterio.open(
        path, "w", driver="GTiff", width=cols, height=rows, count=1, dtype="float64",
        crs="EPSG:32617", transform=rasterio.Affine(1, 0, X - 20, 0, -1, Y + 40),
    ) as out:  # fmt: skip
        out.write(elevation_m, 1)


def test_water_counts_as_what_a_pulse_got_through_to(tmp_path):
    x, y, z, kind, number, n_returns = split_pulses()
    kind[15:20] = 9
    z[15:20] += 1.0  # 3.3 ft over the triangulated ground, and no leaf
    write_las(tmp_path / "c.las", x, y, z, kind, number, n_returns)
    frame({"a": BOXES["low"]}).to_file(tmp_path / "crowns.gpkg", layer="crowns")
    _, layers, _ = tables(task_of(tmp_path, tmp_path, cloud="c.las", min_pulses=5))
    assert (layers["n_in"].iloc[0], layers["n_out"].iloc[0]) == (5.0, 5.0)
    assert layers["weight_frac"].iloc[-1] == pytest.approx(1.0)


def test_without_ground_classes_a_filter_finds_the_ground(folder, tmp_path):
    x, y, z, kind, *rest = pulses(np.random.default_rng(11))
    write_las(tmp_path / "c.las", x, y, z, np.ones_like(kind), *rest)
    frame().to_file(tmp_path / "crowns.gpkg", layer="crowns")
    own = tables(task_of(folder, tmp_path))[2]
    made, _, found = tables(task_of(tmp_path, tmp_path, cloud="c.las"))
    np.testing.assert_allclose(found["share_band_frac"], own["share_band_frac"], atol=0.05)
    assert "found by a filter" in " ".join(map(str, made.notes))
    with pytest.raises(LayerError, match="no return of class 2"):
        prepare_profiles(task_of(tmp_path, tmp_path, cloud="c.las", ground_from="class"))


def test_overlapping_crowns_both_count(folder, tmp_path):
    twice = {**BOXES, "over": BOXES["even"].buffer(-2)}
    frame(twice).to_file(tmp_path / "crowns.gpkg", layer="crowns")
    made, _, summary = tables(task_of(tmp_path, tmp_path, cloud=folder / "cloud.laz"))
    assert summary.loc["even", "n_pulses"] == pytest.approx(6000, abs=3)
    assert summary.loc["over", "n_pulses"] == pytest.approx(6000 * 0.36, rel=0.1)
    n = int(summary.loc["over", "n_returns"])
    assert f"{n:,} returns lie in two crowns" in " ".join(map(str, made.notes))


def test_points_in_crowns_are_those_shapely_finds():
    rng = np.random.default_rng(2)
    x, y = rng.uniform(0, 30, 900), rng.uniform(0, 30, 900)
    centres = shapely.points(rng.uniform(0, 30, (25, 2)))
    shapes = shapely.buffer(centres, rng.uniform(0.5, 6.0, 25))
    shapes[3] = shapely.difference(shapes[3], shapely.buffer(centres[3], 0.4))
    shapes[7], shapes[8] = None, shapely.Polygon()
    point, crown = points_in_crowns(x, y, shapes)
    tree = shapely.STRtree(shapely.points(x, y))
    expected = tree.query(shapes, predicate="intersects")
    assert set(zip(crown.tolist(), point.tolist(), strict=True)) == set(
        zip(*expected.tolist(), strict=True)
    )
    assert len(point) == len(expected[0])


def test_points_on_the_edge_of_a_crown_count():
    x, y = np.array([0.0, 2, 2, 0, 1, 2.1]), np.array([0.0, 0, 3, 3, 3, 1])
    point, _ = points_in_crowns(x, y, np.array([shapely.box(0, 0, 2, 3)]))
    assert point.tolist() == [0, 1, 2, 3, 4]


# --- what is refused, and what is written


def test_too_few_pulses_are_told_with_a_reason(folder, tmp_path):
    small = {**BOXES, "tiny": shapely.box(X + 21, Y + 1, X + 21.3, Y + 1.3)}
    small["bare"] = shapely.box(X - 7, Y - 7, X - 1, Y - 1)
    frame(small).to_file(tmp_path / "crowns.gpkg", layer="crowns")
    made, layers, summary = tables(task_of(tmp_path, tmp_path, cloud=folder / "cloud.laz"))
    assert "pulses, fewer than 30" in summary.loc["tiny", "reason"]
    assert summary.loc["bare", "reason"] == "no pulse stopped above the ground"
    assert np.isnan(summary.loc[["tiny", "bare"], "share_band_frac"]).all()
    assert {"tiny", "bare"}.isdisjoint(layers["crown_id"])
    assert "2 crowns of 5 without one" in " ".join(map(str, made.notes))


def test_no_profile_at_all_is_an_error(folder, tmp_path):
    with pytest.raises(
        LayerError, match=r"no crown with a profile: 6,00\d pulses .*1,000,000 pulses"
    ):
        prepare_profiles(task_of(folder, tmp_path, min_pulses=1_000_000))
    far = {name: shapely.transform(b, lambda xy: xy + 5000.0) for name, b in BOXES.items()}
    frame(far).to_file(tmp_path / "crowns.gpkg", layer="crowns")
    with pytest.raises(GeotrimError, match="far from the crowns"):
        prepare_profiles(task_of(tmp_path, tmp_path, cloud=folder / "cloud.laz"))
    beside = {"a": shapely.box(X + 70, Y, X + 75, Y + 5)}
    frame(beside).to_file(tmp_path / "crowns.gpkg", layer="crowns")
    with pytest.raises(LayerError, match="no return of the cloud in any crown"):
        prepare_profiles(task_of(tmp_path, tmp_path, cloud=folder / "cloud.laz"))


def test_ids_are_those_a_site_would_give(folder, tmp_path):
    """The field named, else crown_id, else numbers in file order."""
    table = frame().assign(tag=[7.0, 8.0, 9.0])
    table.drop(columns="crown_id").to_file(tmp_path / "crowns.gpkg", layer="crowns")
    task = task_of(tmp_path, tmp_path, cloud=folder / "cloud.laz")
    made, _, summary = tables(task)
    assert summary.index.tolist() == ["1", "2", "3"]
    assert "no id_field named" in " ".join(map(str, made.notes))
    task.files["crowns"][0].said["id_field"] = "tag"
    assert tables(task)[2].index.tolist() == ["7", "8", "9"]
    task.files["crowns"][0].said["id_field"] = "name"
    with pytest.raises(LayerError, match="no field 'name'"):
        prepare_profiles(task)


def test_the_command_and_the_site_part_it_writes(folder, tmp_path, capsys, drawn):
    """From a cloud to shares in slices, by what the command leaves behind."""
    out = tmp_path / "made"
    words = ["prepare", "profiles", "--cloud", folder / "cloud.laz", "--crowns"]
    words += [folder / "crowns.gpkg", "--out", out]
    assert main([str(word) for word in words]) == 0
    said = capsys.readouterr().out
    assert "Leaf-area profiles of 3 of 3 crowns" in said and "even" in said
    record = json.loads((out / "record.json").read_text())
    assert record["figures"]["n_profiles"] == 3
    assert record["parameters"]["layer_ft"] == {"value": 2.0, "is_default": True}
    assert 'file = "profiles.gpkg"' in (out / "for_site_file.toml").read_text()
    csv = pd.read_csv(out / "profiles.csv")
    layers = pyogrio.read_dataframe(out / "profiles.gpkg", layer="profiles")
    assert csv["weight_frac"].tolist() == pytest.approx(layers["weight_frac"].tolist(), rel=1e-12)
    grid = CanopyGrid(np.full((60, 90), 20.0), X - 10, Y + 30, 1.0)
    site = site_from_tables(
        {
            "crowns": frame(),
            "heights": {"file": grid},
            "profiles": {"file": str(out / "profiles.gpkg"), "layer": "profiles"},
            "options": {"canopy_model": "profile"},
        }
    )
    table = measure(site, ["slices"])["slices"]["slices"].set_index("crown_id")
    summary = pd.read_csv(out / "profile_summary.csv").set_index("crown_id")
    for share in ("share_under_frac", "share_band_frac", "share_over_frac"):
        np.testing.assert_allclose(table[share], summary[share], atol=1e-9)


def test_nothing_is_left_behind_when_it_fails(folder, tmp_path):
    with pytest.raises(LayerError):
        prepare_input(
            "profiles",
            {"cloud": folder / "cloud.laz", "crowns": folder / "crowns.gpkg"},
            {"min_pulses": 1_000_000},
            out=tmp_path / "made",
        )
    assert list(tmp_path.iterdir()) == []


def test_counts_stop_at_the_highest_foliage(tmp_path):
    """A bird at 450 ft is no foliage, and no crown is that tall."""
    x, y, z, kind, number, n_returns = split_pulses()
    z[0] += 450.0 * FOOT_M
    write_las(tmp_path / "c.las", x, y, z, kind, number, n_returns)
    frame({"a": BOXES["low"]}).to_file(tmp_path / "crowns.gpkg", layer="crowns")
    _, layers, summary = tables(task_of(tmp_path, tmp_path, cloud="c.las", min_pulses=5))
    assert layers["high_ft"].max() == pytest.approx(9, abs=0.01) and summary.loc[
        "a", "top_ft"
    ] == pytest.approx(9, abs=0.01)
    assert module.HIGHEST_FT == 400.0


# --- the figure


def made_up(n):
    rng = np.random.default_rng(1)
    names = [f"crown-{k}" for k in range(n)]
    tops = rng.uniform(8, 40, n)
    rows = [
        (name, low, low + 2.0, 2.0 / (2 * np.ceil(top / 2)), False)
        for name, top in zip(names, tops, strict=True)
        for low in np.arange(0, 2 * np.ceil(top / 2), 2.0)
    ]
    layers = pd.DataFrame(
        rows, columns=["crown_id", "low_ft", "high_ft", "weight_frac", "is_capped"]
    )
    summary = pd.DataFrame(
        {
            "crown_id": names,
            "top_ft": tops,
            "n_pulses": 100.0,
            "unseen_below_ft": 0.0,
            "share_band_frac": 0.2,
            "share_band_error_frac": 0.03,
            "reason": "",
        }
    )
    return layers, summary


@pytest.mark.parametrize("n", [1, 5, 13, 40])
def test_figure_shows_up_to_twelve_crowns(n):
    layers, summary = made_up(n)
    figure = profiles_figure(layers, summary, (6.0, 10.0))
    titles = [ax.get_title(loc="left") for ax in figure.axes]
    assert len(titles) == min(n, MOST) == len(set(titles))
    assert all("band 20.0 \N{PLUS-MINUS SIGN} 3.0 %" in title for title in titles)
    widths = [
        bar.get_width() for ax in figure.axes[:1] for bar in ax.patches if bar.get_width() > 0
    ]
    assert widths  # share in one foot: a layer's share over its depth
    first = chosen(summary)[0]
    own = layers[layers["crown_id"] == first]
    bars = figure.axes[0].containers[0]
    assert [b.get_width() for b in bars] == pytest.approx((own["weight_frac"] / 2).tolist())
    assert [b.get_y() for b in bars] == own["low_ft"].tolist()
    renderer = figure.canvas.get_renderer()
    boxes = [ax.get_tightbbox(renderer) for ax in figure.axes]
    for k, one in enumerate(boxes):
        assert one.x0 >= 0 and one.y0 >= 0
        assert not any(one.overlaps(other) for other in boxes[k + 1 :])
    legend = figure.legends[-1].get_window_extent(renderer)
    assert not any(legend.overlaps(one) for one in boxes)


def test_crowns_without_a_profile_are_not_drawn():
    _, summary = made_up(4)
    summary.loc[1, "reason"] = "3 pulses, fewer than 30"
    assert "crown-1" not in chosen(summary) and len(chosen(summary)) == 3


# --- real clouds


@pytest.mark.data
def test_real_plots_give_profiles_that_fit_their_boxes(tmp_path):
    """Pine sandhill at OSBS, Florida (NEON, IDTReeS 2020): tall crowns with little under them.

    Two plots. The raster of the same flight tells the tops (PROVENANCE.md of the data): the
    profile's highest return of a box may not lie far from its highest cell, and weights add up.
    """
    data = open_data("neon_idtrees_osbs")
    boxes = gpd.read_file(data / "itc" / "train_OSBS.shp").drop_duplicates("indvdID")
    boxes.to_file(tmp_path / "boxes.gpkg", layer="crowns")
    task = task_of(
        tmp_path,
        tmp_path,
        cloud=[data / "las" / "OSBS_28.las", data / "las" / "OSBS_2.las"],
        crowns="boxes.gpkg",
    )
    task.files["crowns"][0].said["id_field"] = "indvdID"
    for cloud in task.files["cloud"]:
        cloud.said["unit"] = "m"
    _, layers, summary = tables(task)
    done = summary[summary["reason"].fillna("") == ""]
    assert len(done) >= 5
    total = layers.groupby("crown_id")["weight_frac"].sum()
    np.testing.assert_allclose(total, 1.0, rtol=1e-9)
    assert {"OSBS01023", "OSBS01024"} <= set(done.index)
    with rasterio.open(data / "chm" / "OSBS_28.tif") as chm:
        for name in ("OSBS01023", "OSBS01024"):
            box = boxes.set_index("indvdID").geometry[name]
            window = rasterio.windows.from_bounds(*box.bounds, chm.transform)
            top_ft = chm.read(1, window=window.round_offsets().round_lengths()).max() / FOOT_M
            assert done.loc[name, "top_ft"] == pytest.approx(top_ft, abs=3.0)
            shares = done.loc[name, ["share_under_frac", "share_band_frac", "share_over_frac"]]
            assert shares.sum() == pytest.approx(1.0) and (shares >= 0).all()


@pytest.mark.data
def test_a_cloud_in_international_feet(tmp_path):
    """Autzen (PROVENANCE.md): international feet, highest return 108.5 ft over triangulated ground.

    One box round the whole cloud: its highest return is the cloud's.
    """
    data = open_data("lidar_feet_autzen")
    with laspy.open(data / "autzen_trim.laz") as las:
        low, high, crs = las.header.mins, las.header.maxs, las.header.parse_crs()
    box = shapely.box(*low[:2], *high[:2])
    from geotrim.io.crs import horizontal

    frame({"all": box}, horizontal(crs)).to_file(tmp_path / "crowns.gpkg", layer="crowns")
    task = task_of(tmp_path, tmp_path, cloud=data / "autzen_trim.laz", ground_gap_ft=100.0)
    task.files["cloud"][0].said["unit"] = "ft"
    _, layers, summary = tables(task)
    assert summary.loc["all", "top_ft"] == pytest.approx(108.5, abs=0.1)
    assert layers["weight_frac"].sum() == pytest.approx(1.0)


def test_deep_layers_keep_leaves_where_they_are(folder, tmp_path):
    """The leaves of the low crown lie from 2 to 6 ft: none in 6-10 ft, whatever the layers."""
    for layer_ft in (2.0, 4.0, 10.0):
        _, layers, summary = tables(task_of(folder, tmp_path, layer_ft=layer_ft))
        row = summary.loc["low"]
        assert row["share_band_frac"] == pytest.approx(0.0, abs=1e-3)
        own = layers[layers["crown_id"] == "low"]
        assert own["high_ft"].max() <= max(row["top_ft"], 6.0) + 0.5
        assert own.loc[own["weight_frac"] > 0, "low_ft"].min() == 2.0
        even = summary.loc["even", "share_band_frac"]  # 2 to 20 ft, so 4 / 18
        assert even == pytest.approx(4 / 18, abs=0.03)


def test_layers_deeper_than_makes_sense_are_refused():
    with pytest.raises(GeotrimError, match="layer_ft"):
        PREPARATIONS["profiles"].check({"layer_ft": 10.5})


def test_the_terminal_says_that_leaves_lie_in_one_layer(folder, tmp_path):
    """The low crown ends at 6 ft, so a layer of 10 ft holds all of it."""
    made, _, summary = tables(task_of(folder, tmp_path, layer_ft=10.0, band_ft=(3.0, 5.0)))
    assert summary["share_band_error_frac"].isna().to_dict() == {
        "low": True,
        "even": False,
        "high": False,
    }
    assert "-: all leaves lie in one layer, which the band cuts (1 crown), so its" in made.words
    assert "nan" not in made.words and "no pulse came" not in made.words


def test_a_lot_given_for_a_crown_is_told(folder, tmp_path):
    """Squares of 21.5 m are 4,976 ft2, of 40 m 17,222 ft2."""
    sides = {"crown": 21.5, "lot": 40.0}
    boxes = {name: shapely.box(X, Y, X + side, Y + side) for name, side in sides.items()}
    frame(boxes).to_file(tmp_path / "crowns.gpkg", layer="crowns")
    write_las(tmp_path / "cloud.laz", *pulses(np.random.default_rng(3), density=5.0))
    made, _, _ = tables(task_of(tmp_path, tmp_path))
    text = " ".join(str(n) for n in made.notes if n.level == "assumed")
    assert "1 crown of 2 over 5,000 ft2, the largest of 17,222 ft2 (lot)" in text
    made, _, _ = tables(task_of(folder, tmp_path))
    assert "5,000 ft2" not in " ".join(map(str, made.notes))


@pytest.mark.parametrize(
    ("cloud", "ground", "lost"),
    [
        ("EPSG:32617+5703", None, "ground"),
        ("EPSG:32617", "NAVD88", "cloud"),
        ("EPSG:32617", None, "cloud and ground"),
        ("EPSG:32617+5703", "NAVD88", None),
    ],
)
def test_a_datum_nobody_tells_is_told_as_taken_for_granted(tmp_path, cloud, ground, lost):
    write_las(tmp_path / "c.laz", *pulses(np.random.default_rng(3), density=5.0), crs=cloud)
    frame().to_file(tmp_path / "crowns.gpkg", layer="crowns")
    step = 0.5
    west, north, n = X - 20.0, Y + 30.0, 200
    x, y = west + step * (np.arange(n) + 0.5), north - step * (np.arange(n) + 0.5)
    with rasterio.open(
        tmp_path / "ground.tif", "w", driver="GTiff", width=n, height=n, count=1, dtype="float32",
        crs="EPSG:32617", transform=rasterio.Affine(step, 0, west, 0, -step, north),
    ) as out:  # fmt: skip
        out.write(ground_m(x[None, :], y[:, None]).astype(np.float32), 1)
    task = task_of(tmp_path, tmp_path, cloud="c.laz", ground="ground.tif")
    task.files["ground"][0].said.pop("datum")
    if ground:
        task.files["ground"][0].said["datum"] = ground
    task.files["cloud"][0].said["unit"] = "m"
    made, _, _ = tables(task)
    text = " ".join(str(n) for n in made.notes if n.level == "assumed")
    assert ("vertical datum of the" in text) == (lost is not None)
    if lost:
        assert f"vertical datum of the {lost} not stated; taken to be one with" in text
