"""Bad input as a newcomer types it: one message, exit code 2, no traceback, nothing written.

``FILES`` are mistakes in files and options of one measure, ``SITES`` mistakes in a site file that
``geotrim run`` is given. Each names what the message must say.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import geopandas as gpd
import pytest
import rasterio
import shapely
from pyproj import CRS

from geotrim.cli import main
from geotrim.cli.parser import operation_parser, run_parser
from geotrim.io.layers import write_layer
from geotrim.ops.catalogue import OPERATIONS
from geotrim.ops.chain import closure

ROOT = Path(__file__).resolve().parent.parent
PLAIN = ROOT / "sample_data" / "plain_lot"
GPKG, TIF = str(PLAIN / "site.gpkg"), str(PLAIN / "heights.tif")
CROWNS = ["--crowns", GPKG, "--heights", TIF]
CANOPY = [*CROWNS, "--heights-unit", "us-ft"]
SHORE = ["--lots", GPKG, "--mhw-line", GPKG, "--mhw-origin", "survey"]
SETBACK = ["setbacks", *SHORE, "--crowns", GPKG, "--setback", "dock"]


def refused(words, capsys) -> str:
    """What is said of a command that must be refused: one line, four parts."""
    code = main([str(word) for word in words])
    out, err = capsys.readouterr()
    assert code == 2 and out == ""
    assert err.startswith("geotrim: ") and err.count("\n") == 1 and err.endswith(".\n")
    assert ": found " in err and "; needed " in err and ". To mend: " in err
    assert "Traceback" not in err
    return err


#: What is wrong -> the words typed, and what the message must say.
FILES = {
    "no unit": (["slices", *CROWNS], "--heights-unit: found no vertical unit"),
    "unit in words": (["heights", *CROWNS, "--heights-unit", "feet"], "--heights-unit: found 'f"),
    "band 0": (["heights", *CANOPY, "--heights-band", "0"], "--heights-band: found 0"),
    "band 2": (["heights", *CANOPY, "--heights-band", "2"], "--heights-band: found band 2"),
    "error under 0": (["heights", *CANOPY, "--heights-rmse-ft=-1"], "--heights-rmse-ft: found -1"),
    "no field": (["heights", *CANOPY, "--crowns-id-field", "tree"], "--crowns-id-field: found no"),
    "no layer": (["heights", *CANOPY, "--crowns-layer", "tree"], "--crowns-layer: found no layer"),
    "raster as crowns": (["heights", "--crowns", TIF, *CANOPY[2:]], "--crowns: found heights.tif"),
    "crowns as raster": (["heights", *CANOPY[:3], GPKG, "--heights-unit", "ft"], "--heights"),
    "no such crowns": (["heights", "--crowns", "no.gpkg", *CANOPY[2:]], "--crowns: found no file"),
    "degrees": (["heights", *CANOPY, "--crs", "EPSG:4326"], "--crs: found EPSG:4326"),
    "no such crs": (["heights", *CANOPY, "--crs", "banana"], "--crs: found 'banana'"),
    "band of one": (["slices", *CANOPY, "--band-ft", "6"], "--band-ft: found only 6.0"),
    "band with a dash": (["slices", *CANOPY, "--band-ft", "6-10"], "--band-ft: found '6-10'"),
    "band with units": (["slices", *CANOPY, "--band-ft", "6ft,10ft"], "--band-ft: found '6ft'"),
    "band turned round": (["slices", *CANOPY, "--band-ft", "10,6"], "numbers that rise"),
    "no such model": (["slices", *CANOPY, "--canopy-model", "conee"], "one of column, "),
    "a share in percent": (["heights", *CANOPY, "--confidence-frac", "95"], "0.5 up to 0.9999"),
    "a lot of crowns": (["slices", *CANOPY, "--lot", "A"], "--lot: found an option not known"),
    "a typing slip": (["slices", "--crown", GPKG], "say --crowns if you meant that"),
    "origin as a guess": (["frontage", *SHORE[:5], "guess"], "--mhw-origin: found 'guess'"),
    "distance in words": ([*SETBACK, "lot-lines", "ten", "rule"], "--setback dock: found 'ten'"),
    "no such reference": ([*SETBACK, "lotlines", "10", "rule"], "--setback number 1, reference"),
    "distance under 0": ([*SETBACK, "lot-lines", "-5", "rule"], "--setback number 1, distance"),
    "setback, no channel": ([*SETBACK, "channel", "5", "rule"], "add --channel with its file"),
    "help of nothing": (["help", "frontag"], "say 'frontage' if you meant that"),
    "no folder": (["new"], "needed one: folder that holds the files"),
}


@pytest.mark.parametrize("name", FILES)
def test_mistakes_on_the_command_line(name, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    words, told = FILES[name]
    assert told in refused(words, capsys)
    assert list(tmp_path.iterdir()) == []


def edited(old: str, new: str):
    def change(folder: Path) -> None:
        site = folder / "site.toml"
        text = site.read_text(encoding="utf-8")
        assert old in text
        site.write_text(text.replace(old, new, 1), encoding="utf-8")

    return change


def relabelled(code: int):
    """The lots as a shapefile that claims another CRS than it is in."""

    def change(folder: Path) -> None:
        lots = gpd.read_file(folder / "site.gpkg", layer="lots")
        lots.to_file(folder / "lots.shp")
        (folder / "lots.prj").write_text(CRS.from_epsg(code).to_wkt("WKT1_ESRI"), encoding="utf-8")
        edited('file = "site.gpkg"\nlayer = "lots"', 'file = "lots.shp"')(folder)
        edited('crs = "EPSG:6443"', "")(folder)

    return change


def without_crs(folder: Path) -> None:
    relabelled(6443)(folder)
    (folder / "lots.prj").unlink()


def emptied(folder: Path) -> None:
    rows = gpd.read_file(folder / "site.gpkg", layer="crowns")
    write_layer(rows.iloc[:0], folder / "empty.gpkg", layer="crowns")
    edited('[crowns]\nfile = "site.gpkg"', '[crowns]\nfile = "empty.gpkg"')(folder)


def moved_heights(folder: Path) -> None:
    with rasterio.open(folder / "heights.tif", "r+") as raster:
        raster.transform = rasterio.Affine.translation(5000, 0) @ raster.transform


def lots_as_lines(folder: Path) -> None:
    rows = gpd.read_file(folder / "site.gpkg", layer="lots")
    rows["geometry"] = shapely.boundary(rows.geometry.array)
    write_layer(rows, folder / "lines.gpkg", layer="lots")
    edited('[lots]\nfile = "site.gpkg"', '[lots]\nfile = "lines.gpkg"')(folder)


SITES = {
    "not filled in": (edited('"survey"', '"FILL IN"'), "[mhw_line] origin (line 15 of site.toml)"),
    "no name": (edited('"7 Drifttide Lane, Saltspindle Bay (invented)"', '""'), "[site] name"),
    "no TOML": (edited("[lots]", "[lots"), "site.toml, line"),
    "unknown key": (edited("id_field", "id_feild"), "say 'id_field' if you meant that"),
    "no such file": (edited("heights.tif", "chm.tif"), "[heights] file"),
    "lots of another zone": (relabelled(2236), "miles to the lots"),
    "feet as metres": (relabelled(6442), "feet and metres, or two zones"),
    "feet as degrees": (relabelled(4326), "labelled as degrees"),
    "no CRS": (without_crs, "no coordinate reference system"),
    "no answer": (edited("[crowns]", "[facts]\nsupervisor = ...\n[crowns]"), "found three dots"),
    "a fact in words": (
        edited("[crowns]", '[[lot_facts]]\nlot = "SB-07"\nuses_herbicide = "no"\n[crowns]'),
        "[[lot_facts]] number 1 uses_herbicide (line",
    ),
    "no such rule file": (
        edited("[crowns]", '[rules]\noverlays = ["local.toml"]\n[crowns]'),
        "of site.toml), local.toml: found no file",
    ),
    "no crowns in the layer": (emptied, "no features"),
    "heights elsewhere": (moved_heights, "a raster that lies under no crown"),
    "lots drawn as lines": (lots_as_lines, "found only 1 line; needed polygons"),
}


@pytest.mark.parametrize("name", SITES)
def test_mistakes_in_a_site(name, capsys, tmp_path, monkeypatch):
    folder = shutil.copytree(PLAIN, tmp_path / "my lot")
    change, told = SITES[name]
    change(folder)
    monkeypatch.chdir(tmp_path)
    assert told in refused(["run", folder / "site.toml"], capsys)
    assert [path.name for path in tmp_path.iterdir()] == ["my lot"]


def test_a_place_that_cannot_hold_the_package(capsys, tmp_path, monkeypatch):
    (tmp_path / "a file").write_text("mine", encoding="utf-8")
    err = refused(["run", PLAIN / "site.toml", "--out", tmp_path / "a file" / "x"], capsys)
    assert "a file is a file" in err and "choose another folder" in err
    err = refused(["run", PLAIN / "site.toml", "--out", tmp_path / ("n" * 300)], capsys)
    assert "cannot be written" in err
    monkeypatch.setattr(os, "access", lambda *_: False)  # whoever runs the tests may be root
    err = refused(["run", PLAIN / "site.toml", "--out", tmp_path / "new"], capsys)
    assert "Permission denied" in err
    assert [path.name for path in tmp_path.iterdir()] == ["a file"]


def test_every_help_text_fits_a_terminal(capsys):
    """80 columns: common practice, no source."""
    texts = [run_parser(OPERATIONS).format_help()]
    texts += [
        operation_parser(op, closure([name])).format_help() for name, op in OPERATIONS.items()
    ]
    for command in ("new", "layers", "operations"):
        with pytest.raises(SystemExit):
            main(["help", command])
        texts.append(capsys.readouterr().out)
        assert f"usage: geotrim {command} " in texts[-1]
    assert max(len(line) for text in texts for line in text.splitlines()) <= 80


#: Operations, and samples that hold what each one needs.
PAIRS = [
    (name, site)
    for site in ("plain_lot", "curved_shore", "canal_corner")
    for name in OPERATIONS
    # readings are in no sample, and no eye looks over the canal
    if name != "calibrate" and (name, site) != ("sightlines", "canal_corner")
]


@pytest.mark.parametrize(("name", "site"), PAIRS)
def test_every_table_fits_a_terminal(name, site, capsys):
    assert main([name, str(ROOT / "sample_data" / site / "site.toml")]) == 0
    out = capsys.readouterr().out
    tables = [line for line in out.splitlines() if ": " not in line]  # notes are prose
    assert max(map(len, tables)) <= 80


def test_a_folded_table_says_whose_row_it_is():
    import pandas as pd

    from geotrim.cli.show import table_text

    wide = {"crown_id": ["T1"], **{f"figure_number_{k:02}_ft": [1e9] for k in range(9)}}
    text = table_text(pd.DataFrame(wide))
    # a figure takes 15 columns and 2 between: four and the id fit in 80, so 9 make three blocks
    assert text.count("crown") == 3 and text.count("T1") == 3
    assert text.count("1,000,000,000.0") == 9
