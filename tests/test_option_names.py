"""On the command line, messages name options and not the keys of a site file."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine

from geotrim.cli import main
from geotrim.cli.parser import in_options, under_option_names
from geotrim.errors import UnitError

WEST = "EPSG:6443"
KEYS = ("tag_field", "crs =", "height_unit", "height_field", "crown_id_field", "x_field", "rmse_ft")


def put(tmp_path, text, name="table.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return str(path)


@pytest.fixture
def heights(tmp_path):
    """A raster of 20 x 20 ft, 12 ft high throughout."""
    corner = Affine(1.0, 0.0, 420000.0, 0.0, -1.0, 970020.0)
    how = {"height": 20, "width": 20, "count": 1, "dtype": "float32", "crs": WEST}
    with rasterio.open(tmp_path / "h.tif", "w", driver="GTiff", transform=corner, **how) as out:
        out.write(np.full((20, 20), 12.0, dtype="float32"), 1)
    return ["--heights", tmp_path / "h.tif", "--heights-unit", "ft"]


def refused(words, capsys):
    assert main([str(word) for word in words]) == 2
    return " ".join(capsys.readouterr().err.split())


@pytest.mark.parametrize(
    ("text", "option"),
    [
        ("crown_id,height\nA,9\n", "--readings-height-unit"),
        ("crown_id,tall_ft,b_ft\nA,9,9\n", "--readings-height-field"),
        ("height_ft\n9\n", "--readings-crown-id-field"),
        ("height_ft\n9\n", "--readings-x-field and --readings-y-field"),
        ("height_ft,x,y\n9,420010,970010\n", "--readings-crs EPSG:4326"),
    ],
)
def test_readings(tmp_path, capsys, heights, text, option):
    told = refused(["calibrate", *heights, "--readings", put(tmp_path, text)], capsys)
    assert option in told
    assert not [key for key in KEYS if key in told]


@pytest.mark.parametrize(
    ("text", "option"),
    [
        ("number,lon,lat\n9,-82,27\n", "--trees-tag-field"),
        ("tag,height,lon,lat\n9,3,-82,27\n", "state --trees-unit, or name"),
        ("tag,x,y\n9,420010,970010\n", "state it with --trees-crs, for example"),
        ("tag,a,b\n9,420010,970010\n", "--trees-x-field and --trees-y-field"),
    ],
)
def test_trees(tmp_path, capsys, text, option):
    words = ["prepare", "survey", "--trees", put(tmp_path, text), "--out", tmp_path / "out"]
    told = refused(words, capsys)
    assert option in told and told.startswith("geotrim: --trees")
    assert not [key for key in KEYS if key in told]


def test_a_column_named_that_is_not_there(tmp_path, capsys):
    path = put(tmp_path, "tag,lon,lat\nT1,-82,27\n")
    words = ["prepare", "survey", "--trees", path, "--trees-tag-field", "no"]
    told = refused([*words, "--out", tmp_path / "out"], capsys)
    assert "--trees-tag-field: found no column 'no'" in told


def test_notes_name_options_too(tmp_path, capsys, heights):
    path = put(tmp_path, "height_ft,x,y\n9,420010,970010\n")
    words = ["calibrate", *heights, "--readings", path, "--readings-crs", WEST]
    assert main([str(word) for word in words]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "no error of the readings stated (--readings-height-rmse-ft)" in told
    crowns = gpd.GeoDataFrame(
        {"crown_id": ["C"]}, geometry=[shapely.box(420000, 970000, 420020, 970020)], crs=WEST
    )
    crowns.to_file(tmp_path / "crowns.gpkg")
    trees = put(tmp_path, "tag,x,y\nT1,420010,970010\n", "trees.csv")
    words = ["prepare", "survey", "--trees", trees, "--trees-crs", WEST, "--crowns"]
    assert main([*words, str(tmp_path / "crowns.gpkg"), "--out", str(tmp_path / "out")]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "(--trunk-position-error-ft)" in told
    record = (tmp_path / "out" / "record.json").read_text(encoding="utf-8")
    assert "(trunk_position_error_ft)" in record  # the record keeps the name


def test_names_in_a_file_stay():
    """A column that is called as a key is, is still a column."""
    text = "no field 'height_unit'; say height_unit"
    assert in_options(text, {"height_unit": "--x"}) == "no field 'height_unit'; say --x"
    error = UnitError("[readings] height_field", "'crs_m'", "one unit", "say height_unit")
    told = under_option_names(error)
    assert told.subject == "--readings-height-field" and told.found == "'crs_m'"
    assert told.mend == "say --readings-height-unit"
    longer = "trees_tag_field and tag_fields, say tag_field"
    assert in_options(longer, {"tag_field": "--t"}) == "trees_tag_field and tag_fields, say --t"
