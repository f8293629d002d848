"""A whole lot measured from nothing but a cloud, a tide station and a lot polygon.

The commands are those of the README, run through the command line on the invented lot
``sample_data/bare_lot``. Expected values are the formulas the cloud was drawn by
(``answers.toml``), with tolerances from the spacing of its pulses, the noise over the slope of the
ground, and the size of a cell; none comes from a run.
"""

from __future__ import annotations

import hashlib
import importlib.util
import json
import math
import os
import shutil
import sys
import tomllib
from pathlib import Path

import geopandas as gpd
import laspy
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely

from geotrim.cli import main

ROOT = Path(__file__).resolve().parent.parent
SAMPLE = ROOT / "sample_data" / "bare_lot"
ANSWERS = tomllib.loads((SAMPLE / "answers.toml").read_text(encoding="utf-8"))
LOT = ANSWERS["lots"]["SW-11"]
US_FT = 1200 / 3937 / 0.3048
CELL_FT = 2 * US_FT


def readme_script():
    """The script that brings the README up to date; it knows the sequence and the table."""
    path = ROOT / "scripts" / "write_readme.py"
    spec = importlib.util.spec_from_file_location("write_readme", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


README = (ROOT / "README.md").read_text(encoding="utf-8")
SCRIPT = readme_script()


def commands():
    """The sequence as the README has it."""
    return SCRIPT.sequence(README)


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    """The folder after every command has run, and what each printed."""
    place = tmp_path_factory.mktemp("bare")
    shutil.copytree(SAMPLE, place / "sample_data" / "bare_lot")
    here = Path.cwd()
    os.chdir(place)
    try:
        for words in commands():
            assert main(words) == 0, words
    finally:
        os.chdir(here)
    return place


@pytest.fixture(scope="module")
def lots(site):
    """Results of the lot: one row."""
    (found,) = site.glob("results/*/lots.csv")
    return pd.read_csv(found).set_index("lot_id").loc["SW-11"]


def local(xy):
    """Along the shore and over the water, from the map: turned by 9 degrees about a corner."""
    turn = math.radians(9.0)
    east, north = np.asarray(xy).T[0] - 276_000.0, np.asarray(xy).T[1] - 1_176_000.0
    return (
        math.cos(turn) * east + math.sin(turn) * north,
        -math.sin(turn) * east + math.cos(turn) * north,
    )


def shore(x):
    """The line the sample was drawn by: a sine of 2.5 ft over 200 ft."""
    return 2.5 * np.sin(2 * math.pi * (x + 30.0) / 200.0)


def near(value, answer):
    assert value == pytest.approx(answer["value"], abs=answer["tolerance"]), answer["how"]


# ---------------------------------------------------------------------------- what comes out


def test_the_sequence_is_the_whole_way():
    """From raw files alone: no command reads a line, heights or crowns that were not made here."""
    steps = commands()
    assert [words[:2] for words in steps[:3]] == [
        ["prepare", "heights"],
        ["prepare", "mhw"],
        ["prepare", "crowns"],
    ]
    assert [words[0] for words in steps[-2:]] == ["new", "run"]
    given = {word for words in steps for word in words if word.startswith("sample_data/")}
    assert given == {f"sample_data/bare_lot/{n}" for n in ("cloud.laz", "stations.csv", "lot.gpkg")}


def test_the_readme_tells_what_was_measured(site):
    assert f"\n{SCRIPT.bare_lot_table(site)}\n<!-- end of bare lot -->" in README


def test_mhw_elevation_and_line(site):
    said = tomllib.loads((site / "work" / "site.toml").read_text(encoding="utf-8"))["mhw_line"]
    assert said["origin"] == "datum-and-ground" and said["epoch"] == "1983-2001"
    near(said["elevation_ft"], LOT["mhw_elevation_ft"])
    line = gpd.read_file(site / "work" / "mhw" / "mhw_line.gpkg", layer=said["layer"])
    assert line.crs.to_epsg() == 6443 and len(line) == 1
    x, y = local(shapely.get_coordinates(line.geometry.array))
    off_ft = np.abs(y - shore(x)) * US_FT
    assert off_ft.max() <= LOT["mhw_line_off_ft"]["tolerance"]
    assert x.min() < 0 and x.max() > 120  # it runs past both side lines


def test_frontage(lots):
    near(lots["frontage_length_ft"], LOT["frontage_length_ft"])
    near(lots["frontage_chord_ft"], LOT["frontage_chord_ft"])
    assert lots["n_stretches"] == 1


def test_fringe(lots):
    near(lots["fringe_depth_max_ft"], LOT["fringe_depth_max_ft"])
    assert lots["n_fringe_trees"] == LOT["n_fringe_trees"]["value"]
    assert lots["fringe_reference"] == "centre"  # no trunk was surveyed


@pytest.fixture(scope="module")
def trees(site):
    """Planted trees, each with the crown that holds its trunk and what was measured of it."""
    (package,) = site.glob("results/*/results.gpkg")
    crowns = gpd.read_file(package, layer="crowns")
    truth = gpd.GeoDataFrame(ANSWERS["trees"])
    truth = truth.set_geometry(
        gpd.points_from_xy(truth.trunk_east, truth.trunk_north), crs="EPSG:6443"
    )
    return truth.sjoin(crowns, how="left", predicate="within")


def test_every_tree_has_a_crown_of_its_own(trees):
    assert len(trees) == len(ANSWERS["trees"]) == 35
    assert trees["crown_id"].notna().all() and trees["crown_id"].is_unique


def test_heights_of_the_trees(trees):
    """Never over the tip by more than noise and a step of the slope; under it by what is told."""
    off_ft = trees["top_height_ft"] - trees["height_ft"]
    slack = ANSWERS["told_of_trees"]["height_tolerance_ft"]
    assert off_ft.max() <= 0.1 * US_FT + 0.08 * CELL_FT and off_ft.min() >= -slack
    near(trees["top_height_ft"].max(), LOT["tallest_ft"])


def test_sizes_of_the_crowns(site, trees):
    """A cell belongs to a crown when a return in it does, so crowns grow by up to a cell."""
    crowns = gpd.read_file(site / "work" / "crowns" / "crowns.gpkg", layer="crowns")
    area = crowns.set_index("crown_id").geometry.area.loc[trees["crown_id"]].to_numpy() * US_FT**2
    radius = trees["crown_radius_ft"].to_numpy()
    assert (area > math.pi * (radius - CELL_FT / 2) ** 2).all()
    assert (area < math.pi * (radius + CELL_FT) ** 2).all()


def test_the_house_and_the_water_are_no_trees(site):
    """The house stands 92 to 126 ft behind the shore; the water begins 18 ft before it."""
    with rasterio.open(site / "work" / "heights" / "heights.tif") as made:
        heights, six = made.read(1), made.transform
        assert made.units == ("ft",) and made.crs.to_epsg() == 6443
    row, col = np.indices(heights.shape) + 0.5
    x, y = local(np.column_stack([(six.c + six.a * col).ravel(), (six.f + six.e * row).ravel()]))
    heights = heights.ravel()
    is_house = (x > 40) & (x < 80) & (y > -124) & (y < -94)
    is_water = (y - shore(x) > 18 + 2 * 2) & (np.abs(x - 60) < 80) & (y < 55)
    assert is_house.sum() > 200 and is_water.sum() > 1000
    assert np.isnan(heights[is_house]).all() and np.isnan(heights[is_water]).all()
    is_grass = (x > 5) & (x < 115) & (y < -40) & (y > -85)
    assert np.isfinite(heights[is_grass]).mean() > 0.99  # a cell holds eight pulses
    assert np.nanmax(heights[is_grass]) < 0.5 * US_FT + 0.1 * US_FT + 0.04 * CELL_FT


def test_what_is_not_a_survey_is_not_called_one(site):
    (summary,) = site.glob("results/*/summary.txt")
    text = " ".join(summary.read_text(encoding="utf-8").split())
    assert "MHW line, from a tidal datum and a ground model" in text
    assert (
        "35 of 35 not surveyed" in text or "not surveyed: measured from the crown's centre" in text
    )
    part = (site / "work" / "mhw" / "for_site_file.toml").read_text(encoding="utf-8")
    assert "not an MHW survey under ch. 177" in part
    record = json.loads((site / "work" / "crowns" / "record.json").read_text(encoding="utf-8"))
    assert "confirmed in the field" in record["caution"]


def test_errors_are_carried_from_the_cloud_to_the_lot(site):
    """0.1 and 0.1 ft stated: 0.14 ft of a height; 0.1 ft over a slope of 0.08: 1.25 ft."""
    said = tomllib.loads((site / "work" / "site.toml").read_text(encoding="utf-8"))
    assert said["heights"]["rmse_ft"] == pytest.approx(math.hypot(0.1, 0.1), abs=1e-4)
    assert said["mhw_line"]["position_rmse_ft"] == pytest.approx(0.1 / 0.08, rel=0.15)


# ------------------------------------------------------------------------------ the sample itself


def test_the_cloud_is_what_the_readme_says():
    assert (SAMPLE / "cloud.laz").stat().st_size < 1_200_000
    cloud = laspy.read(SAMPLE / "cloud.laz")
    assert str(cloud.header.version) == "1.4" and cloud.header.point_format.id == 6
    crs = cloud.header.parse_crs()
    assert [part.to_epsg() for part in crs.sub_crs_list] == [6443, 6360]
    assert 60_000 < len(cloud.points) < 100_000
    x, y = local(np.column_stack([cloud.x, cloud.y]))
    is_ground = np.asarray(cloud.classification) == 2
    over = y - shore(x)
    assert over[is_ground].max() < 18.0 + 0.02  # none under water
    beach = is_ground & (np.abs(over) < 25)
    expected = 0.34 - 0.08 * over[beach]
    assert np.abs(cloud.z[beach] - expected).max() < 0.02 * math.sqrt(3) + 0.01
    assert (np.asarray(cloud.return_number) <= np.asarray(cloud.number_of_returns)).all()


def test_made_again_the_cloud_is_the_same(tmp_path, monkeypatch):
    monkeypatch.syspath_prepend(str(ROOT / "scripts"))
    monkeypatch.delitem(sys.modules, "sample_cloud", raising=False)
    import sample_cloud

    first, second = tmp_path / "1", tmp_path / "2"
    names = sample_cloud.write_bare_lot(first)
    sample_cloud.write_bare_lot(second)
    for name in names:
        digests = [hashlib.sha256((p / name).read_bytes()).digest() for p in (first, second)]
        assert digests[0] == digests[1], name
    made, kept = (laspy.read(folder / "cloud.laz") for folder in (first, SAMPLE))
    for field in ("X", "Y", "Z", "classification", "return_number", "number_of_returns"):
        np.testing.assert_array_equal(made[field], kept[field], err_msg=field)
    for name in ("answers.toml", "stations.csv"):
        assert (first / name).read_bytes() == (SAMPLE / name).read_bytes(), name


def test_the_answers_are_the_drawing():
    """Worked a second time: the arc by its series, the depth and the tips as stated.

    An arc of a gentle sine is its chord plus half the mean square of its slope.
    """
    x = np.linspace(0, 120, 10_001)
    slope = 2.5 * 2 * math.pi / 200 * np.cos(2 * math.pi * (x + 30) / 200)
    arc = 120 * (1 + (slope**2).mean() / 2)
    assert LOT["frontage_length_ft"]["value"] == pytest.approx(arc * US_FT, abs=0.002)
    rows = pd.DataFrame(ANSWERS["trees"])
    along, over = local(rows[["trunk_east", "trunk_north"]].to_numpy())
    offset = over - shore(along)
    depth = (offset.max() - offset.min()) * US_FT
    assert LOT["fringe_depth_max_ft"]["value"] == pytest.approx(depth, abs=0.01)
    assert LOT["tallest_ft"]["value"] == pytest.approx(rows["height_ft"].max(), abs=1e-3)
    away = np.hypot(np.subtract.outer(along, along), np.subtract.outer(over, over)) * US_FT
    radius = rows["crown_radius_ft"].to_numpy()
    apart = away - np.add.outer(radius, radius)
    np.fill_diagonal(apart, np.inf)
    assert apart.min() >= 2.0 - 0.01
