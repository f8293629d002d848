"""The starter takes what ``geotrim prepare`` made in folders below, and all that it knows of it."""

from __future__ import annotations

import json
import shutil
import tomllib

import pytest

from geotrim.cli import main
from geotrim.io.files import sha256_of
from geotrim.io.layers import write_layer
from geotrim.io.site_file import read_site
from geotrim.io.site_spec import FILL_IN
from geotrim.io.starter import write_starter
from geotrim.io.starter_prepared import SITE_PART, prepared_in
from geotrim.prepare import work
from tests.test_site_file import CROWNS, LOTS, SHORE
from tests.test_starter import raster, told

MHW = {
    "origin": "datum-and-ground",
    "epoch": "1983-2001",
    "vertical_datum": "NAVD88",
    "elevation_ft": 0.34,
}
CAUTION = "Approximate; not an MHW survey under ch. 177 F.S."


def prepared(folder, preparation, tables, started="2026-11-26T09:00:00Z", inputs=()):
    """A folder as a preparation leaves it."""
    folder.mkdir(parents=True)
    lines = []
    for table, values in tables.items():
        lines += [f"[{table}]", *(f"{key} = {json.dumps(value)}" for key, value in values.items())]
    (folder / SITE_PART).write_text("\n".join(lines), encoding="utf-8")
    record = {"preparation": preparation, "caution": CAUTION, "started_utc": started}
    record["inputs"] = list(inputs)
    (folder / "record.json").write_text(json.dumps(record), encoding="utf-8")
    return folder


def shore_in(folder, started="2026-11-26T09:00:00Z", **more):
    """A prepared MHW line."""
    values = {"file": "mhw_line.gpkg", "layer": "mhw_line", **MHW, **more}
    made = prepared(folder, "mhw", {"mhw_line": values}, started)
    write_layer(SHORE, made / "mhw_line.gpkg", layer="mhw_line")
    write_layer(SHORE, made / "mhw_line.gpkg", layer="other")
    return made


@pytest.fixture(scope="module")
def master(tmp_path_factory):
    """A folder with lots, and heights, a line and crowns that were prepared."""
    place = tmp_path_factory.mktemp("site")
    write_layer(LOTS, place / "lots.gpkg", layer="lots")
    shore_in(place / "mhw")
    heights = {"heights": {"file": "heights.tif", "unit": "ft", "rmse_ft": 0.46}}
    raster(prepared(place / "prepared" / "heights", "heights", heights) / "heights.tif")
    crowns = {"crowns": {"file": "crowns.gpkg", "layer": "crowns", "id_field": "tree"}}
    made = prepared(place / "prepared" / "crowns", "crowns", crowns)
    draft = CROWNS[["geometry"]].assign(tree=range(len(CROWNS)), height_ft=9.0)
    write_layer(draft, made / "crowns.gpkg", layer="crowns")
    write_layer(draft, made / "crowns.gpkg", layer="treetops")
    return place


@pytest.fixture
def folder(tmp_path, master):
    return shutil.copytree(master, tmp_path / "site")


def said_of(folder):
    path, notes = write_starter(folder)
    return tomllib.loads(path.read_text(encoding="utf-8")), told(notes)


def test_the_name_is_that_of_the_preparations():
    assert SITE_PART == work.SITE_PART


def test_nothing_that_was_prepared_is_asked_for(folder):
    said, notes = said_of(folder)
    assert said["mhw_line"] == {"file": "mhw/mhw_line.gpkg", "layer": "mhw_line", **MHW}
    assert said["heights"] == {
        "file": "prepared/heights/heights.tif",
        "unit": "ft",
        "rmse_ft": 0.46,
    }
    assert said["lots"] == {"file": "lots.gpkg", "id_field": "lot_id"}
    assert FILL_IN not in json.dumps(said) and "to fill in" not in notes
    assert "made by geotrim prepare mhw" in notes
    site = read_site(folder / "site.toml")
    assert site.mhw_origin == "datum-and-ground" and site.heights.rmse_ft == 0.46
    assert len(site.crowns) == len(CROWNS)


def test_the_command_asks_for_nothing_then(folder, capsys):
    assert main(["new", str(folder)]) == 0
    shown = capsys.readouterr().out
    assert "Check it, then: geotrim run" in shown and "Fill in" not in shown
    (folder / "site.toml").unlink()
    shutil.rmtree(folder / "mhw")
    assert main(["new", str(folder)]) == 0
    assert "Fill in what is marked there, then: geotrim run" in capsys.readouterr().out


def test_no_field_is_guessed_beside_what_the_preparation_says(folder):
    """A draft's height_ft is no stick reading, so it must not go before the raster's."""
    said, _ = said_of(folder)
    assert said["crowns"] == {
        "file": "prepared/crowns/crowns.gpkg",
        "layer": "crowns",
        "id_field": "tree",
    }
    text = (folder / "site.toml").read_text(encoding="utf-8")
    assert "# made by geotrim prepare crowns\n# Its fields: tree, height_ft\n[crowns]" in text


def test_the_newest_of_two_is_taken_and_the_other_told(folder):
    shore_in(folder / "mhw-2", started="2026-11-26T10:00:00Z", elevation_ft=0.41)
    said, notes = said_of(folder)
    assert said["mhw_line"]["file"] == "mhw-2/mhw_line.gpkg"
    assert said["mhw_line"]["elevation_ft"] == 0.41
    assert "made by geotrim prepare mhw, the newest; also possible: mhw)" in notes


def test_a_loose_file_that_would_do_is_told(folder):
    raster(folder / "chm.tif")
    said, notes = said_of(folder)
    assert said["heights"]["file"] == "prepared/heights/heights.tif"
    assert "made by geotrim prepare heights; also possible: chm.tif" in notes
    assert "not used: chm.tif" in notes


def test_options_of_a_preparation_are_set(folder):
    tables = {
        "profiles": {"file": "profiles.csv"},
        "options": {"canopy_model": "profile", "no_such_option": 3},
    }
    made = prepared(folder / "profiles", "profiles", tables)
    (made / "profiles.csv").write_text("crown_id\n", encoding="utf-8")
    said, _ = said_of(folder)
    assert said["options"] == {"canopy_model": "profile"}
    assert said["profiles"] == {"file": "profiles/profiles.csv"}


def test_lots_of_the_record_are_taken_only_as_they_were(folder, tmp_path):
    """The mhw folder's record names the lots it was made for, with their hash."""
    outside = tmp_path / "parcels.gpkg"
    (folder / "lots.gpkg").rename(outside)
    record = folder / "mhw" / "record.json"
    head = json.loads(record.read_text())
    lots = {"role": "lots", "path": str(outside), "sha256": sha256_of(outside)[0], "layer": "lots"}
    trees = folder / "prepared" / "crowns" / "crowns.gpkg"
    first = {"role": "crowns", "path": str(trees), "sha256": sha256_of(trees)[0], "layer": "crowns"}
    record.write_text(json.dumps(head | {"inputs": [first, {"role": "ground"}, lots]}))
    said, notes = said_of(folder)
    assert said["lots"] == {"file": "../parcels.gpkg", "id_field": "lot_id"}
    assert "lots: parcels.gpkg (named in the record of geotrim prepare mhw)" in notes
    typed = lots | {"path": "../parcels.gpkg"}  # typed in another folder than this one
    place = {"path": "../parcels.gpkg", "absolute_path": str(outside)}
    told = head | {"inputs": [typed], "files_named": {"lots": [place]}}
    record.write_text(json.dumps(told))
    (folder / "site.toml").unlink()
    assert said_of(folder)[0]["lots"]["file"] == "../parcels.gpkg"
    (folder / "site.toml").unlink()
    record.write_text(json.dumps(head | {"inputs": [lots | {"sha256": "0" * 64}]}))
    said, notes = said_of(folder)
    assert said["lots"] == {"file": FILL_IN} and "nothing found for lots" in notes


def test_the_folders_own_lots_go_first(folder, tmp_path):
    other = tmp_path / "other.gpkg"
    write_layer(LOTS, other, layer="lots")
    record = folder / "mhw" / "record.json"
    head = json.loads(record.read_text())
    lots = {"role": "lots", "path": str(other), "sha256": sha256_of(other)[0], "layer": "lots"}
    record.write_text(json.dumps(head | {"inputs": [lots]}))
    assert said_of(folder)[0]["lots"]["file"] == "lots.gpkg"


def test_damaged_and_foreign_folders(folder):
    """A results package has a record too, but names no preparation; a broken one is told."""
    for name, text in {"results": '{"command": "run"}', "notes": "[1, 2]", "odd": "{"}.items():
        (folder / name).mkdir()
        (folder / name / "record.json").write_text(text)
    (folder / "mhw" / SITE_PART).write_text("[mhw_line\n")
    hidden = shore_in(folder / ".mhw.partial-7")
    assert hidden.is_dir()
    said, notes = said_of(folder)
    assert said["mhw_line"] == {"file": FILL_IN, "origin": FILL_IN}
    assert "missing mhw: left out: its for_site_file.toml is missing or damaged" in notes
    assert "odd" not in notes and "results" not in notes


def test_a_prepared_file_that_is_gone_is_told(folder):
    (folder / "prepared" / "heights" / "heights.tif").unlink()
    _, notes = said_of(folder)
    assert "missing heights: " in notes and "heights.tif is not there" in notes


def test_names_with_odd_letters(tmp_path):
    place = tmp_path / "Żółw \"7\" 'x'"
    place.mkdir()
    shore_in(place / "mhw é")
    said, _ = said_of(place)
    assert said["mhw_line"]["file"] == "mhw é/mhw_line.gpkg"


def test_folders_deeper_down_are_not_searched(tmp_path):
    shore_in(tmp_path / "a" / "b" / "c")
    assert prepared_in(tmp_path, []) == []
    assert [made.folder.name for made in prepared_in(tmp_path / "a", [])] == ["c"]


def test_a_table_that_is_unknown_is_left_out(folder):
    """Nor does a newer folder that says nothing known of a table stand in an older one's way."""
    tables = {"wishes": {"file": "x"}, "heights": {"colour": 1}, "options": {"wish": 2}}
    prepared(folder / "odd", "odd", tables, started="2026-11-27T09:00:00Z")
    said, _ = said_of(folder)
    assert "wishes" not in said and "options" not in said
    assert said["heights"]["rmse_ft"] == 0.46 and "colour" not in said["heights"]
