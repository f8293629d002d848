"""A result package read back."""

from __future__ import annotations

import hashlib
import json
import shutil

import pytest
from packages_made import sample_folder

from geotrim.errors import FileError
from geotrim.io.package_read import read_package


@pytest.fixture
def package():
    return sample_folder("canal_corner")


@pytest.fixture
def mine(tmp_path):
    """A copy that a test may spoil."""
    shutil.copytree(sample_folder("canal_corner"), tmp_path / "canal")
    return tmp_path / "canal"


def test_what_is_read_is_what_lies_there(package):
    read = read_package(package)
    told = json.loads((package / "record.json").read_text(encoding="utf-8"))
    assert read.site_name == told["site"]["name"]
    assert read.lot_ids() == told["site"]["measured_lots"]
    assert set(read.tables) == set(told["layers"])
    for name, n_rows in told["layers"].items():
        assert len(read.tables[name]) == n_rows
    sha = hashlib.sha256((package / "record.json").read_bytes()).hexdigest()
    assert read.sha256 == sha
    assert read.changed == ()


def test_feet_of_a_map_unit_are_the_crs_own(package):
    """1200/3937 m is the US survey foot, 0.3048 m the international (NIST SP 811, B.6)."""
    read = read_package(package)
    expected = {"US survey foot": 1200 / 3937 / 0.3048, "metre": 1 / 0.3048}
    assert read.feet_per_unit == pytest.approx(expected[read.record["crs"]["map_unit"]], rel=1e-12)


def test_rows_of_a_lot_a_table_and_nothing(package):
    read = read_package(package)
    lot = read.lot_ids()[0]
    assert set(read.rows("stage_cuts", lot)["lot_id"]) == {lot}
    assert read.rows("stage_cuts", "no such lot").empty
    assert len(read.rows("trunks", lot)) == len(read.tables["trunks"])  # it names no lot
    assert read.rows("no such table").empty


def test_parameters_are_those_of_the_run(package):
    read = read_package(package)
    assert read.parameter("frontage", "reach_ft") == 5.0
    assert read.parameter("frontage", "no_such", 7) == 7
    assert read.parameter("no-such", "reach_ft") is None


@pytest.mark.parametrize("file", ["results.gpkg", "lots.csv"])
def test_a_file_that_was_changed_is_told(mine, file):
    with (mine / file).open("ab") as out:
        out.write(b"\n")
    assert read_package(mine).changed == (file,)


def test_a_file_that_is_gone_is_told(mine):
    (mine / "summary.txt").unlink()
    assert read_package(mine).changed == ("summary.txt",)


def test_what_is_no_package_is_refused(mine, tmp_path):
    with pytest.raises(FileError, match="no folder of that name"):
        read_package(tmp_path / "nowhere")
    with pytest.raises(FileError, match="no result package"):
        read_package(tmp_path)
    (mine / "record.json").write_text("{", encoding="utf-8")
    with pytest.raises(FileError, match="no result package"):
        read_package(mine)


@pytest.mark.parametrize("spoil", ["gone", "empty"])
def test_a_package_without_its_layers_is_refused(mine, spoil):
    (mine / "results.gpkg").unlink()
    if spoil == "empty":
        (mine / "results.gpkg").write_bytes(b"")
    with pytest.raises(FileError, match=r"results\.gpkg"):
        read_package(mine)


@pytest.mark.parametrize("name", ["operations", "site", "crs", "inputs", "cautions", "facts"])
@pytest.mark.parametrize("spoil", ["gone", "another kind"])
def test_a_record_without_what_papers_need_is_refused(mine, name, spoil):
    path = mine / "record.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    record[name] = "" if spoil == "another kind" else record[name]
    if spoil == "gone":
        del record[name]
    path.write_text(json.dumps(record), encoding="utf-8")
    with pytest.raises(FileError, match=f"has no {name}"):
        read_package(mine)
