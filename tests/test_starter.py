"""The starter: what lies in a folder becomes a site file with the open questions marked."""

from __future__ import annotations

import shutil
import tomllib

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely

from geotrim.errors import FileError, SiteFileError
from geotrim.io.layers import write_layer
from geotrim.io.site_file import read_site
from geotrim.io.site_spec import FILL_IN, SITE_TABLES
from geotrim.io.starter import write_starter
from geotrim.rules.facts import facts
from tests.opendata import ROOT
from tests.test_site_file import CROWNS, LOCAL, LOTS, SHORE, TRUNKS, X, Y


def raster(path, unit=None):
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=20,
        height=20,
        count=1,
        dtype="float32",
        crs="EPSG:6443",
        transform=rasterio.Affine(5, 0, X, 0, -5, Y + 160),
    ) as out:
        out.write(np.full((1, 20, 20), 8, dtype="float32"))
        if unit:
            out.units = (unit,)


def told(notes):
    return " | ".join(f"{note.level} {note}" for note in notes)


@pytest.fixture(scope="module")
def master(tmp_path_factory):
    path = tmp_path_factory.mktemp("files")
    for name, table in {"Parcels": LOTS, "shoreline 2019": SHORE, "tree_crowns": CROWNS}.items():
        write_layer(table, path / "survey.gpkg", layer=name)
    TRUNKS.to_file(path / "trunks.geojson")
    raster(path / "chm.tif")
    raster(path / "ground_dem.tif")
    return path


@pytest.fixture
def folder(tmp_path, master):
    return shutil.copytree(master, tmp_path / "files")


@pytest.mark.parametrize(
    ("name", "unit"),
    [("base_height_ft", "ft"), ("base_height_m", "m"), ("base_height", FILL_IN),
     ("lowest_foliage_ft", "ft")],
)  # fmt: skip
def test_the_height_of_the_lowest_foliage_is_taken_with_its_unit(tmp_path, name, unit):
    write_layer(LOTS, tmp_path / "lots.gpkg", layer="lots")
    write_layer(CROWNS.assign(**{name: 2.0}), tmp_path / "crowns.gpkg", layer="crowns")
    said = tomllib.loads(write_starter(tmp_path)[0].read_text(encoding="utf-8"))["crowns"]
    assert (said["base_height_field"], said["base_height_unit"]) == (name, unit)
    write_layer(CROWNS, tmp_path / "crowns.gpkg", layer="crowns")
    said = tomllib.loads(write_starter(tmp_path, "two.toml")[0].read_text(encoding="utf-8"))
    assert "base_height_field" not in said["crowns"] and "base_height_unit" not in said["crowns"]


@pytest.mark.parametrize(
    ("name", "marks"),
    [("eye_h", ["unit"]), ("height", ["unit"]), ("eye_h_ft", []), ("ht_m", []),
     ("remark", ["height_ft"])],
)  # fmt: skip
def test_heights_of_eyes_are_asked_for_once(tmp_path, name, marks):
    """A field that may hold them is offered; only its unit may be open then."""
    points = gpd.GeoDataFrame(
        {name: [5.5]}, geometry=[shapely.Point(X + 20, Y + 80)], crs="EPSG:6443"
    )
    write_layer(points, tmp_path / "eyes.gpkg", layer="eyes")
    (eye,) = tomllib.loads(write_starter(tmp_path)[0].read_text(encoding="utf-8"))["eyes"]
    assert [key for key, value in eye.items() if value == FILL_IN] == marks
    assert eye.get("height_field") == (None if name == "remark" else name)


def test_files_find_their_role(folder):
    path, notes = write_starter(folder)
    said = tomllib.loads(path.read_text(encoding="utf-8"))
    assert said["lots"] == {"file": "survey.gpkg", "layer": "Parcels", "id_field": "lot_id"}
    assert said["mhw_line"]["layer"] == "shoreline 2019"
    assert said["crowns"]["layer"] == "tree_crowns" and said["crowns"]["species_field"] == "species"
    assert said["trunks"]["file"] == "trunks.geojson"
    assert said["heights"] == {"file": "chm.tif", "unit": FILL_IN}
    assert said["ground"] == {"file": "ground_dem.tif", "unit": FILL_IN}
    assert "not used" not in told(notes)
    assert "3 places to fill in" in told(notes)


def test_what_must_not_be_guessed_is_asked_for(folder):
    path, _ = write_starter(folder)
    with pytest.raises(SiteFileError, match=r"\[mhw_line\] origin \(line \d+.*filled in.*survey"):
        read_site(path)
    text = path.read_text(encoding="utf-8").replace(f'origin = "{FILL_IN}"', 'origin = "survey"')
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SiteFileError, match=r"\[heights\] unit .*one of ft, us-ft, m"):
        read_site(path)
    path.write_text(text.replace(f'unit = "{FILL_IN}"', 'unit = "ft"'), encoding="utf-8")
    site = read_site(path)
    assert list(site.measured_lot_ids()) == ["A", "B"] and site.heights is not None


def test_a_unit_the_raster_states_is_not_asked_for(folder):
    (folder / "chm.tif").unlink()
    raster(folder / "chm.tif", "metre")
    said = tomllib.loads(write_starter(folder)[0].read_text(encoding="utf-8"))
    assert said["heights"] == {"file": "chm.tif"}


def test_every_key_is_explained(folder):
    """Law: uncomment any line and it is TOML with a key the site file knows."""
    text = write_starter(folder)[0].read_text(encoding="utf-8")
    table = None
    seen = set()
    for line in text.splitlines():
        bare = line.removeprefix("# ")
        if bare.startswith("["):
            table = bare.strip("[]")
        elif " = " in bare and "  # " in bare and table in SITE_TABLES:
            (key,) = tomllib.loads(bare.replace("= ... ", "= 0 "))
            assert key in SITE_TABLES[table]
            seen.add((table, key))
    every = {(table, key) for table, keys in SITE_TABLES.items() for key in keys}
    assert seen == every - {("lot_facts", key) for key in facts()}  # told once, under [facts]


def test_every_fact_is_asked_and_none_is_answered(folder):
    """The question stands above each line, the choices beside it; nobody has to answer."""
    path, notes = write_starter(folder)
    text = path.read_text(encoding="utf-8")
    assert tomllib.loads(text)["facts"] == {}
    assert f"missing facts: {len(facts())} facts a map cannot give are unknown" in told(notes)
    block = text.partition("\n[facts]\n")[2].partition("# [[lot_facts]]")[0]
    assert max(map(len, block.splitlines())) < 100
    for fact, asked in zip(facts().values(), block.split("\n\n"), strict=False):
        words = " ".join(asked.replace("#", " ").split())
        assert words.startswith(f"{fact.question} {fact.key} = ... ")
        assert all(f'"{choice}"' in words for choice in fact.choices)
    assert '# lot = "A"' in text


def test_a_starter_without_an_answer_runs(folder):
    path, _ = write_starter(folder)
    answered(path)
    assert read_site(path).facts is None


def test_an_answer_is_given_by_taking_the_mark_off(folder):
    path, _ = write_starter(folder)
    answered(path)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("# supervisor = ...", "supervisor = ..."), encoding="utf-8")
    with pytest.raises(SiteFileError, match=r"line \d+, supervisor: found three dots"):
        read_site(path)
    path.write_text(text.replace("# supervisor = ...", 'supervisor = "owner"'), encoding="utf-8")
    assert read_site(path).facts.of("A") == {"supervisor": "owner"}
    before, lot = text.split("# [[lot_facts]]")
    lot = "[[lot_facts]]" + lot.replace("# lot =", "n_units = 2\nlot =")
    path.write_text(before + lot, encoding="utf-8")
    assert read_site(path).facts.by_lot == {"A": {"n_units": 2}}


@pytest.mark.parametrize("name", ["conservation_lands", "preserves", "Mitigation area", "reserve"])
def test_land_set_aside_is_found_and_its_kind_asked_for(folder, name):
    write_layer(LOTS[["geometry"]], folder / "land.gpkg", layer=name)
    path, notes = write_starter(folder)
    said = tomllib.loads(path.read_text(encoding="utf-8"))
    assert said["set_aside"] == {"file": "land.gpkg", "kind": FILL_IN}
    assert "it can take exemptions away; land that is only to be kept clear" in told(notes)
    answered(path)
    with pytest.raises(
        SiteFileError, match=r"\[set_aside\] kind \(line .*one of conservation, mit"
    ):
        read_site(path)


@pytest.mark.parametrize("name", ["exclusions", "utility easement", "conservation easement"])
def test_land_to_be_kept_clear_stays_so(folder, name):
    """An easement for conservation could be either: it is kept clear, and the doubt is told."""
    write_layer(LOTS[["geometry"]], folder / "land.gpkg", layer=name)
    path, notes = write_starter(folder)
    said = tomllib.loads(path.read_text(encoding="utf-8"))
    assert said["exclusions"] == {"file": "land.gpkg"} and "set_aside" not in said
    assert ("say so in [set_aside] or [facts]" in told(notes)) == ("conservation" in name)


def test_a_field_of_kinds_needs_no_answer(folder):
    land = LOTS[["geometry"]].assign(kind=["Mitigation", "aquatic-preserve"], name=["x", "y"])
    write_layer(land, folder / "land.gpkg", layer="preserves")
    path, _ = write_starter(folder)
    said = tomllib.loads(path.read_text(encoding="utf-8"))["set_aside"]
    assert said == {"file": "land.gpkg", "kind_field": "kind", "name_field": "name"}
    write_layer(land.assign(kind=["mitigation", "park"]), folder / "land.gpkg", layer="preserves")
    write_starter(folder, overwrite=True)
    assert tomllib.loads(path.read_text(encoding="utf-8"))["set_aside"]["kind"] == FILL_IN


@pytest.mark.parametrize(
    ("field", "key"),
    [
        ("Height_ft", "height_field"),
        ("field_height_m", "height_field"),
        ("target_height_ft", "target_height_field"),
        ("top_height_ft", None),
        ("height", None),
    ],
)
def test_a_unit_is_not_guessed_from_a_name(tmp_path, field, key):
    """Not even from one that ends in it: there are two feet."""
    crowns = CROWNS[["geometry"]].assign(**{field: [5.0, 6.0, 7.0]})
    write_layer(crowns, tmp_path / "crowns.gpkg", layer="crowns")
    path, notes = write_starter(tmp_path)
    said = tomllib.loads(path.read_text(encoding="utf-8"))["crowns"]
    assert said == {"file": "crowns.gpkg"} | ({key: field, "height_unit": FILL_IN} if key else {})
    assert ("was measured on site" in told(notes)) == (key == "height_field")


def test_rule_files_in_the_folder_are_named(folder):
    (folder / "local.toml").write_text(LOCAL, encoding="utf-8")
    (folder / "other.toml").write_text("[file]\nkind = 'state'\n", encoding="utf-8")
    (folder / "broken.toml").write_text("[", encoding="utf-8")
    (folder / "site.toml").write_text(LOCAL, encoding="utf-8")
    path, notes = write_starter(folder, overwrite=True)
    assert tomllib.loads(path.read_text(encoding="utf-8"))["rules"] == {"overlays": ["local.toml"]}
    assert "assumed rules: local.toml" in told(notes)
    answered(path)
    assert [overlay.id for overlay in read_site(path).overlays] == ["saltspindle"]


def answered(path):
    """The starter of the folder with its two marks filled in."""
    text = path.read_text(encoding="utf-8").replace(f'origin = "{FILL_IN}"', 'origin = "survey"')
    path.write_text(text.replace(f'unit = "{FILL_IN}"', 'unit = "ft"'), encoding="utf-8")


def test_a_lone_layer_is_a_guess_and_says_so(tmp_path):
    LOTS[["geometry"]].to_file(tmp_path / "export_17.shp")
    path, notes = write_starter(tmp_path)
    assert "a guess: the only polygon layer left" in path.read_text(encoding="utf-8")
    assert "nothing found for mhw_line" in told(notes)
    with pytest.raises(SiteFileError, match=r"\[mhw_line\] file"):
        read_site(path)


def test_an_unlabelled_layer_asks_for_its_crs(tmp_path):
    write_layer(LOTS.set_crs(None, allow_override=True), tmp_path / "lots.gpkg", layer="lots")
    said = tomllib.loads(write_starter(tmp_path)[0].read_text(encoding="utf-8"))
    assert said["lots"]["crs"] == FILL_IN


def test_an_empty_folder_gets_a_useful_file(tmp_path):
    path, notes = write_starter(tmp_path)
    assert "no vector layer or raster found" in told(notes)
    said = tomllib.loads(path.read_text(encoding="utf-8"))
    assert said["lots"] == {"file": FILL_IN}
    assert said["mhw_line"] == {"file": FILL_IN, "origin": FILL_IN}


def test_a_file_is_never_written_over(folder):
    path, _ = write_starter(folder)
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(FileError, match="nothing is written over"):
        write_starter(folder)
    assert path.read_text(encoding="utf-8") == "mine"
    write_starter(folder, overwrite=True)
    assert path.read_text(encoding="utf-8") != "mine"
    assert not list(folder.glob(".*"))


@pytest.mark.parametrize("name", ["nowhere", "a.txt"])
def test_no_such_folder(tmp_path, name):
    (tmp_path / "a.txt").write_text("x")
    with pytest.raises(FileError, match="a folder that holds the files"):
        write_starter(tmp_path / name)


def test_odd_names_survive(tmp_path):
    gpd.GeoDataFrame(
        {"lot_id": ["A"]}, geometry=[shapely.box(X, Y, X + 9, Y + 9)], crs=6443
    ).to_file(tmp_path / "lot é \"7\" 'x'.gpkg")
    said = tomllib.loads(write_starter(tmp_path)[0].read_text(encoding="utf-8"))
    assert said["lots"]["file"] == "lot é \"7\" 'x'.gpkg"


def test_a_file_that_cannot_be_read_is_told(tmp_path):
    (tmp_path / "lots.gpkg").write_text("no")
    assert "missing lots.gpkg: left out" in told(write_starter(tmp_path)[1])


def test_the_sample_folders_are_understood(tmp_path):
    """Each sample's own site file names the layers; the starter finds the same ones."""
    for sample in sorted((ROOT / "sample_data").iterdir()):
        if not (sample / "site.toml").is_file():
            continue
        copy = tmp_path / sample.name
        shutil.copytree(sample, copy)
        mine = tomllib.loads((copy / "site.toml").read_text(encoding="utf-8"))
        path, _ = write_starter(copy, overwrite=True)
        said = tomllib.loads(path.read_text(encoding="utf-8"))
        for role in ("lots", "mhw_line", "crowns", "trunks", "channel", "neighbours"):
            assert said.get(role, {}).get("layer") == mine.get(role, {}).get("layer"), role


def test_fields_are_listed_and_odd_names_are_known(tmp_path):
    crowns = CROWNS[["geometry"]].assign(**{"Tree No.": range(len(CROWNS)), "Sp_Code": "RM"})
    write_layer(crowns, tmp_path / "crowns.gpkg", layer="crowns")
    path, _ = write_starter(tmp_path)
    text = path.read_text(encoding="utf-8")
    assert tomllib.loads(text)["crowns"]["id_field"] == "Tree No."
    assert "# Its fields: Tree No., Sp_Code\n[crowns]" in text
