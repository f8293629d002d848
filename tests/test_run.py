"""The main job, end to end: a site file in, a whole package out, or nothing."""

from __future__ import annotations

import hashlib
import json
import math
import os
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import fiona
import pandas as pd
import pyogrio
import pytest

import geotrim
from geotrim.cli import main
from geotrim.errors import FileError, GeotrimError, LayerError
from geotrim.io.names import slug
from geotrim.io.replaceable import PACKAGE, kind_of
from geotrim.model import Result
from geotrim.ops import plugins
from geotrim.run import MOST_ELEVATIONS, elevation_names, run_site, with_choices

SAMPLES = Path(__file__).resolve().parent.parent / "sample_data"
#: s. 403.9325(3) F.S. names three species.
MANGROVES = {"Rhizophora mangle", "Avicennia germinans", "Laguncularia racemosa"}
SITES = ("plain_lot", "curved_shore", "canal_corner")


@pytest.fixture(scope="module", params=SITES)
def done(request, tmp_path_factory):
    """One sample site, run once."""
    out = tmp_path_factory.mktemp("run") / request.param
    return request.param, run_site(SAMPLES / request.param / "site.toml", out)


@pytest.fixture
def _no_figures(monkeypatch):
    """Drawing takes most of a run's time; where figures do not matter they are left out."""
    monkeypatch.setattr("geotrim.run.draw", lambda folder, site, results: ())


def answers(name):
    return tomllib.loads((SAMPLES / name / "answers.toml").read_text(encoding="utf-8"))


def is_known(got, known):
    return abs(got - known["value"]) <= known["tolerance"]


def test_the_figures_in_the_tables_are_the_known_answers(done):
    """How each is known stands in answers.toml beside the sample."""
    name, run = done
    lots = pd.read_csv(run.folder / "lots.csv").set_index("lot_id")
    crowns = pd.read_csv(run.folder / "crowns.csv", dtype={"crown_id": str}).set_index("crown_id")
    told = answers(name)
    for lot in lots.index:
        for figure, known in told["lots"][lot].items():
            if figure in lots.columns:
                # the table keeps four decimals
                assert lots.loc[lot, figure] == pytest.approx(
                    known["value"], abs=known["tolerance"] + 1e-4
                ), figure
    assert len(crowns) == told["counts"]["n_crowns"]
    for crown in told["crowns"]:
        row = crowns.loc[crown["crown_id"]]
        pairs = {
            "crown_area_ft2": "crown_area_ft2",
            "top_height_ft": "cell_top_height_ft",
            "volume_ft3": "cell_volume_ft3",
            "share_band_frac": "cell_share_band_frac",
            "covered_frac": "covered_frac",
        }
        for ours, theirs in pairs.items():
            known = crown.get(theirs)
            if known is not None and not math.isnan(known["value"]):
                assert row[ours] == pytest.approx(known["value"], abs=known["tolerance"] + 1e-4), (
                    f"{crown['crown_id']} {ours}"
                )


def test_the_geopackage_holds_every_result(done):
    _, run = done
    path = run.folder / "results.gpkg"
    layers = set(fiona.listlayers(path))
    assert {"lots", "mhw_line", "crowns", "trunks", "frontage", "riparian_lines"} <= layers
    assert {"riparian_areas", "transects", "fringe", "zone", "setbacks", "setback_flags"} <= layers
    assert {"zone_stations", "zone_taken", "slice_bands"} <= layers
    crowns = pyogrio.read_dataframe(path, layer="crowns")
    assert crowns.crs == run.site.crs and len(crowns) == len(run.site.crowns)
    measured = {"top_height_ft", "height_class", "share_band_frac", "station_ft", "is_mangrove"}
    assert measured <= set(crowns.columns)
    for setback in run.site.setbacks:
        assert any(column.startswith("is_past_") for column in crowns.columns), setback.name


def test_the_record_is_enough_to_repeat_the_run(done):
    """Inputs and outputs by hash, every parameter, and what was told."""
    name, run = done
    told = json.loads((run.folder / "record.json").read_text(encoding="utf-8"))
    for item in told["inputs"]:
        if item["role"] != "neighbours" and item["path"].endswith((".tif", ".gpkg")):
            found = hashlib.sha256((SAMPLES / name / item["path"]).read_bytes()).hexdigest()
            assert item["sha256"] == found
    assert {item["role"] for item in told["inputs"]} >= {"lots", "mhw_line", "crowns", "heights"}
    files = {item["file"]: item["sha256"] for item in told["files"]}
    found = [path for path in run.folder.rglob("*") if path.is_file()]
    on_disk = {path.relative_to(run.folder).as_posix() for path in found} - {"record.json"}
    assert set(files) == on_disk
    for file, digest in files.items():
        assert hashlib.sha256((run.folder / file).read_bytes()).hexdigest() == digest
    assert [op["name"] for op in told["operations"]] == list(run.results)
    for op in told["operations"]:
        assert set(op["parameters"]) == set(run.results[op["name"]].parameters)
    assert told["options_set_by_user"]["band_ft"] == [6.0, 10.0]
    assert told["cautions"] and told["versions"]["geotrim"] == geotrim.__version__
    assert told["started_utc"] <= told["finished_utc"] and told["started_utc"].endswith("Z")
    assert {item["file"] for item in told["rule_files"]} >= {"species.toml"}
    assert str(SAMPLES) not in json.dumps(told), "a record tells no path of this machine"


@pytest.mark.usefixtures("_no_figures")
def test_a_second_run_gives_the_same_figures(tmp_path):
    """Tables to the byte; nothing depends on chance or on the time."""
    site = SAMPLES / "plain_lot" / "site.toml"
    one, two = (run_site(site, tmp_path / name) for name in ("one", "two"))
    for file in ("crowns.csv", "lots.csv", "summary.txt"):
        assert (one.folder / file).read_bytes() == (two.folder / file).read_bytes()
    for layer in fiona.listlayers(one.folder / "results.gpkg"):
        pd.testing.assert_frame_equal(
            *(
                pyogrio.read_dataframe(run.folder / "results.gpkg", layer=layer)
                for run in (one, two)
            )
        )


@pytest.mark.usefixtures("_no_figures")
def test_the_default_folder_is_the_first_free_one(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    name = slug("7 Drifttide Lane, Saltspindle Bay (invented)")
    for expected in (name, f"{name}-2"):
        assert main(["run", str(SAMPLES / "plain_lot" / "site.toml")]) == 0
        out = capsys.readouterr().out
        assert out.rstrip().endswith(f"results: {Path('results') / expected}")
        assert (tmp_path / "results" / expected / "record.json").is_file()
    assert sorted(p.name for p in (tmp_path / "results").iterdir()) == [name, f"{name}-2"]


def test_a_folder_that_exists_is_refused_before_the_work(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("geotrim.run.measure", lambda *a, **k: pytest.fail("it measured"))
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").write_text("mine", encoding="utf-8")
    site = str(SAMPLES / "plain_lot" / "site.toml")
    for words in ([], ["--replace"]):
        assert main(["run", site, "--out", str(tmp_path / "mine"), *words]) == 2
    assert "no folder of geotrim's, not a result package" in capsys.readouterr().err
    assert [p.name for p in (tmp_path / "mine").iterdir()] == ["notes.txt"]


@pytest.mark.usefixtures("_no_figures")
def test_an_earlier_package_may_be_replaced(tmp_path):
    site, out = SAMPLES / "plain_lot" / "site.toml", tmp_path / "out"
    run_site(site, out)
    first = (out / "record.json").read_text(encoding="utf-8")
    with pytest.raises(FileError, match="found that it exists"):
        run_site(site, out)
    run_site(site, out, options={"band_ft": (5.0, 9.0)}, is_replacing=True)
    assert (out / "record.json").read_text(encoding="utf-8") != first
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


@pytest.mark.usefixtures("_no_figures")
def test_a_package_with_something_of_the_users_stays(tmp_path):
    site, out = SAMPLES / "plain_lot" / "site.toml", tmp_path / "out"
    run_site(site, out)
    (out / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(FileError, match=r"mine\.txt in it, which geotrim did not write"):
        run_site(site, out, is_replacing=True)
    assert (out / "mine.txt").read_text(encoding="utf-8") == "mine"


@pytest.mark.usefixtures("_no_figures")
def test_a_package_that_holds_an_input_stays(tmp_path):
    """Last year's package holds the lots that this year's site reads."""
    out = tmp_path / "out"
    run_site(SAMPLES / "plain_lot" / "site.toml", out)
    text = (SAMPLES / "plain_lot" / "site.toml").read_text(encoding="utf-8")
    sample = (SAMPLES / "plain_lot").as_posix()
    text = text.replace('file = "', f'file = "{sample}/')
    lots = f'[lots]\nfile = "{sample}/site.gpkg"'
    assert lots in text
    (tmp_path / "site.toml").write_text(
        text.replace(lots, '[lots]\nfile = "out/results.gpkg"'), encoding="utf-8"
    )
    with pytest.raises(FileError, match=r"results\.gpkg in it, which is read"):
        run_site(tmp_path / "site.toml", out, is_replacing=True)
    assert (out / "results.gpkg").is_file()


@pytest.mark.parametrize("step", ["geotrim.run.draw", "geotrim.run.package.write_layers"])
def test_a_run_that_fails_leaves_nothing(step, tmp_path, monkeypatch):
    def fail(*args, **kwargs):
        raise RuntimeError("on purpose")

    monkeypatch.setattr(step, fail)
    with pytest.raises(RuntimeError, match="on purpose"):
        run_site(SAMPLES / "plain_lot" / "site.toml", tmp_path / "out")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name == "nt", reason="no SIGKILL there")
def test_a_run_that_is_killed_leaves_nothing_under_the_final_name(tmp_path, monkeypatch):
    """Killed while it writes: what is left has a temporary name, and the next run works."""
    out = tmp_path / "out"
    words = [sys.executable, "-m", "geotrim", "run", str(SAMPLES / "plain_lot" / "site.toml")]
    job = subprocess.Popen([*words, "--out", str(out)], stdout=subprocess.DEVNULL)
    deadline = time.monotonic() + 60
    while not list(tmp_path.glob(".out.partial-*/results.gpkg")):
        assert job.poll() is None and time.monotonic() < deadline
        time.sleep(0.01)
    job.kill()
    job.wait()
    assert not out.exists()
    monkeypatch.setattr("geotrim.run.draw", lambda folder, site, results: ())
    run_site(SAMPLES / "plain_lot" / "site.toml", out)
    assert kind_of(out) == PACKAGE


@pytest.mark.usefixtures("_no_figures")
def test_options_and_lots_can_be_chosen_for_a_run(tmp_path):
    site = SAMPLES / "canal_corner" / "site.toml"
    run = run_site(site, tmp_path / "a", lots=["LC-02"], options={"band_ft": (5.0, 9.0)})
    assert list(run.results["frontage"]["lots"]["lot_id"]) == ["LC-02"]
    assert is_known(
        run.results["frontage"]["lots"]["frontage_length_ft"].iloc[0],
        answers("canal_corner")["lots"]["LC-02"]["frontage_length_ft"],
    )
    assert run.results["slices"].parameters["band_ft"] == (5.0, 9.0)
    with pytest.raises(LayerError, match="no lot 'LC-99'"):
        run_site(site, tmp_path / "b", lots=["LC-99"])
    with pytest.raises(GeotrimError, match="reach_ft"):
        run_site(site, tmp_path / "b", options={"reach_ft": 1e9})
    assert not (tmp_path / "b").exists()


@pytest.mark.usefixtures("_no_figures")
def test_a_site_without_trees_still_gives_a_package(tmp_path):
    """Lots and a shore only: the shore is measured, the rest is told as missing."""
    text = (SAMPLES / "plain_lot" / "site.toml").read_text(encoding="utf-8")
    start = text.index("[crowns]")
    bare = text[:start].replace('"site.gpkg"', f"'{SAMPLES / 'plain_lot' / 'site.gpkg'}'")
    (tmp_path / "site.toml").write_text(bare, encoding="utf-8")
    run = run_site(tmp_path / "site.toml", tmp_path / "out")
    told = json.loads((run.folder / "record.json").read_text(encoding="utf-8"))
    missing = {note["about"] for note in told["notes"]["missing"]}
    assert {"fringe", "zone", "setbacks", "heights", "slices"} <= missing
    assert not (run.folder / "crowns.csv").exists()
    assert "120.0 ft" in run.summary


def test_many_lots_are_not_all_drawn(monkeypatch, tmp_path):
    drawn = []
    monkeypatch.setattr("geotrim.report.elevation.shoreline_elevation", lambda s, r, lot: lot)
    monkeypatch.setattr("geotrim.report.overview.overview_map", lambda s, r: "map")
    monkeypatch.setattr("geotrim.report.save.save_figure", lambda f, p: drawn.append(p.name))
    site = geotrim.read_site(SAMPLES / "canal_corner" / "site.toml")
    many = pd.concat([site.lots] * 10, ignore_index=True)
    many["lot_id"] = [f"L{n}" for n in range(len(many))]
    many["is_measured"] = True
    from dataclasses import replace

    from geotrim.run import draw

    fronts = pd.DataFrame({"lot_id": many["lot_id"].iloc[1:]})  # all but the first
    results = {"frontage": Result("frontage", {"frontage": fronts})}
    off, note = draw(tmp_path, replace(site, lots=many), results)
    assert len(drawn) == MOST_ELEVATIONS + 1 and str(MOST_ELEVATIONS) in note.text
    assert "shoreline_elevation_l0" not in drawn and "1 lot has no frontage" in off.text


@pytest.mark.usefixtures("_no_figures")
def test_a_broken_plug_in_is_told_in_the_package_and_stops_nothing(tmp_path, monkeypatch):
    fault = ("worms (package:worms)", "ImportError: no worms")
    for place in ("geotrim.run.plugins", "geotrim.ops.chain.plugins"):
        monkeypatch.setattr(place, lambda: ({}, (fault,)))
    monkeypatch.setattr(plugins, "plugins", lambda: ({}, (fault,)))
    run = run_site(SAMPLES / "plain_lot" / "site.toml", tmp_path / "out")
    told = json.loads((run.folder / "record.json").read_text(encoding="utf-8"))
    about = {note["about"]: note["text"] for note in told["notes"]["missing"]}
    assert "no worms" in about["plug-in worms (package:worms)"]
    assert "worms" in run.summary


def test_choices_leave_the_site_itself_alone():
    site = geotrim.read_site(SAMPLES / "canal_corner" / "site.toml")
    before = list(site.lots["is_measured"])
    other = with_choices(site, ["LC-04"], {"reach_ft": 1.0})
    assert list(other.measured_lot_ids()) == ["LC-04"] and other.options["reach_ft"] == 1.0
    assert list(site.lots["is_measured"]) == before and "reach_ft" not in site.options


@pytest.mark.usefixtures("_no_figures")
def test_a_path_inside_the_site_folder_is_told_relative_to_it(tmp_path):
    text = (SAMPLES / "plain_lot" / "site.toml").read_text(encoding="utf-8")
    names = ("site.gpkg", "heights.tif", "ground.tif")
    for name in names:
        (tmp_path / name).write_bytes((SAMPLES / "plain_lot" / name).read_bytes())
        text = text.replace(f'"{name}"', f"'{tmp_path / name}'")
    (tmp_path / "site.toml").write_text(text, encoding="utf-8")
    run = run_site(tmp_path / "site.toml", tmp_path / "out")
    told = json.loads((run.folder / "record.json").read_text(encoding="utf-8"))
    assert {item["path"] for item in told["inputs"]} == set(names)
    assert str(tmp_path) not in json.dumps(told)


def test_a_site_name_of_any_length_or_script_is_a_folder_name():
    assert len(slug("long name " * 40)) <= 60
    assert slug("\u6f22\u5b57") == "site" and slug("../..") == "site"


def test_lots_whose_ids_differ_in_signs_only_have_figures_of_their_own():
    names = elevation_names(["A/1", "A-1", "a 1"], ["A/1", "A-1", "a 1"])
    assert len(set(names)) == 3 and all(
        name.startswith("shoreline_elevation_a-1") for name in names
    )


#: What came out of the three invented lots, and why. D-07, D-15 and D-04 of the decision table are
#: the single cases behind them: over 24 ft a general permit; land set aside as mitigation whose
#: papers are silent has no riparian exemption; a professional up to 24 ft.
OUTCOMES = {
    "plain_lot": ("professional-exemption", "open", "A way is open for"),
    "curved_shore": ("owner-exemption", "depends", "Nothing is settled yet for"),
    "canal_corner": ("general-permit", "other plan", "As planned, no way is open for"),
}


def test_the_sample_lots_come_out_in_three_ways_told_in_words(done):
    name, run = done
    row = run.results["route"]["lot_outcomes"].iloc[0]
    route, standing, words = OUTCOMES[name]
    assert (row["outcome_route"], row["outcome_standing"]) == (route, standing)
    page = (run.folder / "statement.html").read_text(encoding="utf-8")
    plain = (run.folder / "statement.md").read_text(encoding="utf-8")
    assert words in page and words in plain
    assert "Screening, not a survey and not legal advice." in page
    assert "Ways to an authorisation" in run.summary
    lots = pd.read_csv(run.folder / "lots.csv")
    assert lots["outcome_route"].dropna().tolist() == [route]


def test_each_tree_of_the_plain_lot_by_its_drawn_height():
    """Heights from the answers, species from the file, error 0.4 ft at 95 %, planned height 12 ft.

    The limits are typed here: at most 24 ft for a professional (s. 403.9326(1)(b)2 F.S.), else a
    general permit; "depends" within 1.96 times 0.4 ft of 24 ft does not occur for a permit.
    """
    told = answers("plain_lot")
    site = geotrim.read_site(SAMPLES / "plain_lot" / "site.toml")
    trees = geotrim.measure(site, ["route"])["route"]["tree_outcomes"].set_index("crown_id")
    reach, seen = 1.96 * 0.4, set()
    for crown in told["crowns"]:
        name, top = crown["crown_id"], crown["cell_top_height_ft"]["value"]
        if name not in trees.index or crown.get("species") not in MANGROVES:
            continue
        expected = (
            "left-alone"
            if top <= 12.0 - reach
            else "professional-exemption"
            if top <= 24.0 - reach
            else "general-permit"
        )
        assert trees.loc[name, "outcome_route"] == expected, (name, top)
        seen.add(expected)
    assert {"left-alone", "professional-exemption", "general-permit"} <= seen
