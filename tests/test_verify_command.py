"""``geotrim verify`` from files: readings made as planned and spoilt, rasters of known boxes.

Expected values are the plan's own figures, or boxes of foliage 20 ft high cut to known heights.
"""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from datetime import date
from functools import cache

import numpy as np
import pandas as pd
import pyproj
import pytest
import rasterio
from packages_made import QUICK, sample_folder, sample_package, written
from rasterio import Affine
from window_lots import AROUND, make_site

from geotrim.cli import main
from geotrim.errors import GeotrimError, LayerError, RangeError, SiteFileError
from geotrim.handover import verify
from geotrim.handover.job import Job
from geotrim.handover.verify import verify_cut
from geotrim.handover.work import hand_over
from geotrim.io.ledger import append, in_force
from geotrim.io.ledger import read as read_ledger
from geotrim.io.ledger_entry import Entry
from geotrim.io.package_read import read_package
from geotrim.prepare.task import GivenFile
from geotrim.report.verification_text import state_words


@pytest.fixture(autouse=True)
def later_than_every_cut(monkeypatch):
    """The plan begins in 2027; its cuts are verified from there on."""
    monkeypatch.setattr(verify, "today", lambda: date(2031, 1, 1))


FILES = {"verification.html", "verification.csv", "verification.png", "verification.svg"}


def as_planned(package, year=1, **spoilt):
    """Readings of a year as the plan has it, to 0.05 ft; some trees told otherwise."""
    rows = []
    cuts = package.rows("stage_cuts")
    for cut in cuts[cuts["year"] == year].to_dict("records"):
        is_band = bool(cut["to_ft"] == cut["to_ft"])
        row = {
            "plan_sha256": package.sha256, "lot_id": cut["lot_id"], "crown_id": cut["crown_id"],
            "year": year, "is_done": "true", "height_ft": cut["height_after_ft"],
            "height_error_ft": 0.05, "date": "2027-01-12", "reader": "M. Reed",
        }  # fmt: skip
        if is_band:
            row |= {"cleared_from_ft": cut["from_ft"], "cleared_to_ft": cut["to_ft"]}
        rows.append(row | spoilt.pop(str(cut["crown_id"]), {}))
    for tree, told in spoilt.items():
        rows.append({"crown_id": tree, "height_error_ft": 0.05, "date": "2027-01-12", **told})
    return pd.DataFrame(rows)


def verified(tmp_path, package, readings=None, heights=None, **params):
    """The folder, and what was made."""
    files = {}
    if readings is not None:
        readings.to_csv(tmp_path / "readings.csv", index=False)
        files["readings"] = GivenFile(str(tmp_path / "readings.csv"), "--readings")
    if heights is not None:
        files["heights"] = heights
    if (ledger := params.pop("ledger", None)) is not None:
        files["ledger"] = ledger
    return hand_over("verify", package.folder, files, params, out=tmp_path / "out")


def table_of(done):
    return pd.read_csv(done.folder / "verification.csv", encoding="utf-8-sig").set_index("crown_id")


@cache
def sample():
    return sample_package("plain_lot")


def top_cut(package):
    """A planned top that is cut whole in year 1 and goes on in year 2, tallest first."""
    cuts = package.rows("stage_cuts")
    first, second = (set(cuts[cuts["year"] == y]["crown_id"]) for y in (1, 2))
    tops = cuts[(cuts["year"] == 1) & cuts["to_ft"].isna() & cuts["crown_id"].isin(first & second)]
    tops = tops[tops["from_ft"] == tops["height_after_ft"]]
    return tops.sort_values("height_after_ft", ascending=False)["crown_id"].tolist()


def test_readings_as_planned(tmp_path):
    package = sample()
    done = verified(tmp_path, package, as_planned(package))
    assert {path.name for path in done.folder.iterdir()} == FILES | {"record.json"}
    table = table_of(done)
    planned = table[table["treatment"] != "leave"]
    cuts = package.rows("stage_cuts")
    first = cuts[cuts["year"] == 1].set_index("crown_id")
    assert set(planned["state"]) == {"as planned"}
    assert table["limits_not_met"].isna().all()
    whole = planned["removed_frac"].dropna()
    expected = first["removed_of_standing_frac"].reindex(whole.index)
    # trees of which the plan cuts the part within the zone alone: their band is not the crown's
    shape = (whole - expected).abs()
    assert (shape < 2e-3).mean() > 0.7
    assert table["still_to_do"].isna().all()
    # a year after 12 January 2027, and never before the plan's own day
    later = table[table["later_year"] > 0]
    assert set(later["next_from"]) == {"2028-01-12"}
    record = json.loads((done.folder / "record.json").read_text())
    told = record["figures"][package.lot_ids()[0]]
    assert told["n_trees_by_state"]["as planned"] == len(planned)
    assert told["is_trigger_reached"] is False
    assert record["package"]["record_sha256"] == package.sha256
    assert record["inputs"][0]["role"] == "readings" and len(record["inputs"][0]["sha256"]) == 64


def test_the_words_on_the_terminal_and_the_page(tmp_path, capsys):
    package = sample()
    cut, less, *_ = top_cut(package)
    window = package.rows("window_trees").set_index("crown_id")
    is_red = window["species"].fillna("").str.contains("mangle")
    out = window.index[(window["why_left"] == "outside the window") & is_red]
    tall = window.loc[out, "top_height_ft"].idxmax()
    before = package.rows("crowns").set_index("crown_id")["tree_outcomes_top_height_ft"]
    spoilt = {
        cut: {"height_ft": 5.0},
        less: {"height_ft": float(before[less]), "is_done": "false"},
        tall: {"height_ft": float(before[tall]) - 4.0, "note": "<b>by mistake</b>"},
    }
    as_planned(package, **spoilt).to_csv(tmp_path / "readings.csv", index=False)
    words = ["verify", str(package.folder), "--readings", str(tmp_path / "readings.csv")]
    assert main([*words, "--out", str(tmp_path / "out")]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert f"{cut}: cut more than planned" in told
    assert f"{less}: not done (lower the top to" in told
    assert f'{tall}: cut though to be left (outside the window; note: "<b>by mistake</b>")' in told
    assert (
        f"{cut}: height after trimming, from the substrate 5.00 ft (error 0.05), at least 6 ft"
        in told
    )
    page = (tmp_path / "out" / "verification.html").read_text(encoding="utf-8")
    assert "&lt;b&gt;by mistake" in page and "<b>by mistake" not in page
    for name in (cut, less, tall, "s. 403.9326(1)(b)2 F.S.", package.sha256):
        assert name in page
    assert "http" not in page and "<script" not in page
    with (tmp_path / "out" / "verification.csv").open(encoding="utf-8-sig", newline="") as stream:
        rows = {row["crown_id"]: row for row in csv.DictReader(stream)}
    assert "at least 6 ft: not met" in rows[cut]["limits_not_met"]
    assert rows[less]["is_to_do"] == "True" and rows[less]["next_from"] == ""


def test_what_is_found_goes_into_the_ledger(tmp_path):
    package = sample()
    cut = top_cut(package)[0]
    ledger = tmp_path / "site.ledger"
    readings = as_planned(package, **{cut: {"height_ft": 5.0, "date": "2027-01-20"}})
    done = verified(tmp_path, package, readings, ledger=str(ledger), who="M. Reed")
    assert "verification, number 1" in done.after
    (kept,) = read_ledger(ledger).entries
    entry = kept.entry
    assert (entry.kind, entry.day.isoformat(), entry.who) == (
        "verification", "2027-01-20", "M. Reed",
    )  # fmt: skip
    assert entry.plan_sha256 == package.sha256
    tree = next(one for one in entry.trees if one.crown_id == cut)
    assert (tree.height_ft, tree.cut_low_ft, tree.cut_high_ft, tree.is_done) == (5, 5, np.inf, True)
    assert tree.words.startswith("cut more than planned") and "not met" in tree.words
    assert tree.removed_frac > 0.25 and tree.date == "2027-01-20"
    band = package.rows("stage_cuts").query("year == 1 and to_ft > 0").iloc[0]
    tree = next(one for one in entry.trees if one.crown_id == band["crown_id"])
    assert (tree.cut_low_ft, tree.cut_high_ft) == pytest.approx((band["from_ft"], band["to_ft"]))
    assert len(entry.trees) >= len(readings)


def test_an_entry_must_be_signed_dated_and_of_the_site(tmp_path):
    package = sample()
    readings = as_planned(package)
    ledger = tmp_path / "site.ledger"
    with pytest.raises(GeotrimError, match="no --who"):
        verified(tmp_path, package, readings, ledger=str(ledger))
    with pytest.raises(GeotrimError, match="no day of the cut"):
        verified(tmp_path, package, readings.drop(columns="date"), ledger=str(ledger), who="A")
    assert not ledger.exists() and not (tmp_path / "out").exists()
    append(ledger, [Entry("note", date(2027, 1, 1), "A", "L")], site="another site")
    with pytest.raises(SiteFileError):
        verified(tmp_path, package, readings, ledger=str(ledger), who="A")


def test_year_2_is_judged_by_what_stood_and_not_by_the_plan(tmp_path):
    """A tree not cut in year 1 and cut to the height of year 2: both years' shares at once."""
    package = sample()
    name = top_cut(package)[0]
    cuts = package.rows("stage_cuts").set_index(["crown_id", "year"])
    one, two = cuts.loc[(name, 1)], cuts.loc[(name, 2)]
    top = float(package.rows("crowns").set_index("crown_id")["tree_outcomes_top_height_ft"][name])
    both = one["removed_of_original_frac"] + two["removed_of_original_frac"]

    def read(folder, year, height, day, **more):
        (tmp_path / folder).mkdir()
        row = {"crown_id": name, "year": year, "height_ft": height, "height_error_ft": 0.01,
               "date": day}  # fmt: skip
        return verified(tmp_path / folder, package, pd.DataFrame([row]), year=year, **more)

    said = {"ledger": str(tmp_path / "site.ledger"), "who": "Jo"}
    read("first", 1, top, "2027-01-20", **said)
    done = read("second", 2, two["height_after_ft"], "2028-02-20", **said)
    row = table_of(done).loc[name]
    assert row["removed_frac"] == pytest.approx(both, abs=2e-3) and both > 0.4
    assert "share of the crown taken in one year" in row["limits_not_met"]
    # without the ledger nobody knows what stood
    row = table_of(read("alone", 2, two["height_after_ft"], "2028-02-20")).loc[name]
    assert np.isnan(row["removed_frac"]) and "in one year not known" in row["limits_unknown"]
    # cut as planned in year 1, and again 31 days after
    said["ledger"] = str(tmp_path / "other.ledger")
    read("a", 1, one["height_after_ft"], "2028-01-20", **said)
    done = read("b", 2, two["height_after_ft"], "2028-02-20", **said)
    row = table_of(done).loc[name]
    assert "of 2028-01-20 (entry 1) 31 days, a year or more: not met" in row["limits_not_met"]
    assert row["removed_frac"] == pytest.approx(two["removed_of_standing_frac"], abs=2e-3)
    assert "cut twice within a year" in done.after
    page = (done.folder / "verification.html").read_text(encoding="utf-8")
    assert "of 2028-01-20 (entry 1)" in page
    (tree,) = [t for t in read_ledger(said["ledger"]).entries[1].entry.trees if t.crown_id == name]
    assert "a year or more: not met" in tree.words


def test_a_verification_is_put_right_under_a_number_of_its_own(tmp_path):
    ledger = tmp_path / "site.ledger"
    ledger.touch()  # a first write that was stopped
    readings = pd.DataFrame({"crown_id": ["t0"], "height_ft": [15.0], "date": "2027-01-12"})
    said = {"ledger": str(ledger), "who": "Jo"}
    folders = [tmp_path / name for name in "abcde"]
    for folder in folders:
        folder.mkdir()
    done = verified(folders[0], boxes(), readings, **said)
    assert "new ledger" in done.after and "verification, number 1" in done.after
    again = verified(folders[1], boxes(), readings, **said)
    assert "new ledger" not in again.after
    assert "one verification was entered 2 times: entries 1 and 2 tell the same" in again.after
    right = readings.assign(date="2027-01-10")
    done = verified(folders[2], boxes(), right, corrects=2, **said)
    assert "number 3, in the place of 2" in done.after
    standing = in_force(read_ledger(ledger).entries)
    assert [(one.number, one.entry.kind, one.entry.day.isoformat()) for one in standing] == [
        (1, "verification", "2027-01-12"), (3, "verification", "2027-01-10"),
    ]  # fmt: skip
    assert "corrected before" not in done.after
    done = verified(folders[4], boxes(), right, corrects=2, **said)
    assert "entry 2 was corrected before: entry 3, which counted in its place" in done.after
    with pytest.raises(GeotrimError, match="entry 9, which is not in"):
        verified(folders[3], boxes(), right, corrects=9, **said)
    with pytest.raises(GeotrimError, match="no --ledger"):
        verified(folders[3], boxes(), right, corrects=1)


def test_a_withdrawn_plan_and_a_broken_chain_are_told(tmp_path):
    package = boxes()
    ledger, lot = tmp_path / "site.ledger", package.lot_ids()[0]
    plan = Entry("plan", date(2027, 1, 2), "Ann", lot, (), package.sha256)
    gone = Entry("correction", date(2027, 1, 3), "Ann", lot, words="reissued", corrects=1,
                 corrected_kind="note", details={"withdraws": "plan"})  # fmt: skip
    append(ledger, [plan, gone], site=package.site_name)
    readings = pd.DataFrame({"crown_id": ["t0"], "height_ft": [15.0], "date": "2027-01-12"})
    said = {"ledger": str(ledger), "who": "Jo"}
    done = verified(tmp_path, package, readings, **said)
    assert f"(entry 3) is by plan {package.sha256[:12]}, which no entry that counts" in done.after
    data = ledger.read_bytes()
    assert data.count(b'"words":"reissued"') == 1
    ledger.write_bytes(data.replace(b'"words":"reissued"', b'"words":"reissuee"'))
    (tmp_path / "later").mkdir()
    with pytest.raises(GeotrimError, match="does not hold: entry 2 was changed"):
        verified(tmp_path / "later", package, readings, **said)
    assert [one.number for one in read_ledger(ledger).entries] == [1, 2, 3]
    assert list((tmp_path / "later").iterdir()) == [tmp_path / "later" / "readings.csv"]


def test_days_to_come_are_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(verify, "today", lambda: date(2027, 1, 11))
    readings = pd.DataFrame({"crown_id": ["t0"], "height_ft": [15.0], "date": "2027-01-12"})
    said = {"ledger": str(tmp_path / "site.ledger"), "who": "Jo"}
    with pytest.raises(GeotrimError, match="2027-01-12, 1 day from now"):
        verified(tmp_path, boxes(), readings, **said)
    with pytest.raises(GeotrimError, match=r"--cut-date.*2027-01-12, 1 day from now"):
        verified(tmp_path, boxes(), readings.drop(columns="date"), cut_date="2027-01-12", **said)
    assert not (tmp_path / "site.ledger").exists()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "neither readings nor heights"),
        (["--readings", "R", "--year", "9"], "--year"),
        (["--readings", "R", "--cut-date", "soon"], "--cut-date"),
        (["--readings", "R", "--readings-layer", "x"], "leave out"),
        (["--readings", "R", "--lot", "Z"], "--lot"),
        (["--readings", "no.csv"], "no.csv"),
        (["--readings", "R", "--readings-height-unit", "cm"], "ft, us-ft or m"),
        (["--heights", "R"], "--heights"),
    ],
)
def test_bad_input_is_told_in_one_line(tmp_path, capsys, words, told):
    path = tmp_path / "readings.csv"
    as_planned(sample()).to_csv(path, index=False)
    words = [str(path) if word == "R" else word for word in words]
    out = tmp_path / "out"
    assert main(["verify", str(sample_folder("plain_lot")), *words, "--out", str(out)]) == 2
    shown = capsys.readouterr().err
    assert told in shown and "To mend" in shown and len(shown.strip().splitlines()) == 1
    assert not out.exists()


def test_readings_of_another_plan_are_refused(tmp_path):
    package = sample()
    readings = as_planned(package).assign(plan_sha256="0" * 64)
    with pytest.raises(LayerError, match="plan 00000000"):
        verified(tmp_path, package, readings)


@cache
def boxes():
    """Four crowns of 6 by 6 ft, boxes of 20 ft, planned to 15 ft: a quarter."""
    trees = [(10.0 + 16.0 * k, 6.0, 6.0, 20.0) for k in range(4)]
    options = {**QUICK, "target_height_ft": 15.0, "stage_plan": "target-height"}
    site = make_site(trees, 70.0, species=["Rhizophora mangle"] * 4, rmse_ft=0.2, options=options)
    return read_package(written(site, "boxes"))


def raster(tmp_path, tops, *, unit=1.0, crs=None, nodata=-9999.0, hole=None, shift=0.0):
    """A raster of boxes of these heights, 1 unit cells, heights in feet over ``unit``."""
    package = boxes()
    grid = np.zeros((AROUND + 60, 70 + 2 * AROUND))
    for crown, top in zip(package.rows("crowns").geometry, tops, strict=True):
        x0, y0, x1, y1 = (round(v) for v in crown.bounds)
        grid[60 - y1 : 60 - y0, x0 + AROUND : x1 + AROUND] = top / unit
    if hole is not None:
        x0, y0, x1, y1 = hole
        grid[60 - y1 : 60 - y0, x0 + AROUND : x1 + AROUND] = nodata
    path = tmp_path / "after.tif"
    profile = {
        "driver": "GTiff", "height": grid.shape[0], "width": grid.shape[1], "count": 1,
        "dtype": "float64", "nodata": nodata, "crs": crs or pyproj.CRS(package.crs).to_wkt(),
        "transform": Affine(1.0, 0.0, -AROUND + shift, 0.0, -1.0, 60.0),
    }  # fmt: skip
    with rasterio.open(path, "w", **profile) as out:
        out.write(grid, 1)
    said = {"unit": "m" if unit != 1.0 else "ft", "rmse_ft": 0.2}
    return GivenFile(str(path), "--heights", said)


TOPS = (15.0, 20.0, 10.0, 17.5)
BECAME = ["as planned", "not done", "cut more than planned", "cut less than planned"]
#: (20 - top) / 20.
TAKEN = [0.25, 0.0, 0.5, 0.125]


@pytest.mark.parametrize("unit", [1.0, 1.0 / 0.3048])
def test_a_raster_of_known_boxes(tmp_path, unit):
    done = verified(tmp_path, boxes(), heights=raster(tmp_path, TOPS, unit=unit))
    table = table_of(done)
    assert table["state"].tolist() == BECAME
    assert table["found_ft"].tolist() == pytest.approx(list(TOPS), abs=1e-6)
    assert table["removed_frac"].tolist() == pytest.approx(TAKEN, abs=1e-5)
    assert set(table["found_by"]) == {"raster"} and set(table["removed_by"]) == {"volumes"}
    assert done.made.inputs[0].role == "heights"


def test_stick_and_raster_agree_on_one_lot(tmp_path):
    """The same heights by stick take the same foliage, within a ten-thousandth."""
    readings = pd.DataFrame({"crown_id": [f"t{k}" for k in range(4)], "height_ft": TOPS})
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    by_stick = table_of(verified(tmp_path / "a", boxes(), readings))
    by_raster = table_of(verified(tmp_path / "b", boxes(), heights=raster(tmp_path, TOPS)))
    assert by_stick["state"].tolist() == by_raster["state"].tolist()
    assert by_stick["removed_frac"].tolist() == pytest.approx(by_raster["removed_frac"], abs=1e-4)
    assert set(by_stick["removed_by"]) == {"heights"}


def test_readings_go_before_the_raster_and_a_contradiction_is_told(tmp_path):
    readings = pd.DataFrame({"crown_id": ["t0", "t1"], "height_ft": [15.1, 12.0]})
    done = verified(tmp_path, boxes(), readings, heights=raster(tmp_path, TOPS))
    table = table_of(done)
    assert table["found_ft"].tolist() == pytest.approx([15.1, 12.0, 10.0, 17.5], abs=1e-6)
    told = " ".join(note.text for note in done.made.notes)
    assert "t1 (12.0 and 20.0 ft)" in told and "t0 (" not in told


def test_a_crown_seen_in_part_or_not_at_all_is_not_read(tmp_path):
    """No data over half of t0 and all of t1."""
    given = raster(tmp_path, TOPS, hole=(10, 0, 32, 20))
    done = verified(tmp_path, boxes(), heights=given)
    table = table_of(done)
    assert table["found_ft"].isna().tolist() == [True, True, False, False]
    assert table["state"].tolist()[:2] == ["not read", "not read"]
    assert any("seen in part" in note.text for note in done.made.notes)


def test_a_raster_beside_the_crowns_is_refused(tmp_path):
    with pytest.raises(LayerError, match="shows none of the crowns"):
        verified(tmp_path, boxes(), heights=raster(tmp_path, TOPS, shift=5000.0))


def test_a_raster_without_an_error_takes_the_plans(tmp_path):
    given = raster(tmp_path, TOPS)
    said = {key: value for key, value in given.said.items() if key != "rmse_ft"}
    given = GivenFile(given.path, given.subject, said)
    done = verified(tmp_path, boxes(), heights=given)
    # the default of route's unstated_height_error_ft
    assert set(table_of(done)["found_error_ft"]) == {1.46}
    assert any("1.46 ft is taken" in note.text for note in done.made.notes)


def test_a_raster_in_another_crs(tmp_path):
    """The same place in metres of another zone, sampled finely: heights to a cell."""
    package = boxes()
    own = pyproj.CRS(package.crs)
    utm = pyproj.CRS("EPSG:6346")
    go = pyproj.Transformer.from_crs(own, utm, always_xy=True)
    back = pyproj.Transformer.from_crs(utm, own, always_xy=True)
    crowns = package.rows("crowns")
    x0, y0, x1, y1 = crowns.total_bounds
    xs, ys = go.transform([x0, x1, x0, x1], [y0, y1, y1, y0])
    west, north, cell = min(xs) - 3, max(ys) + 3, 0.1
    cols, rows = int((max(xs) - min(xs) + 6) / cell), int((max(ys) - min(ys) + 6) / cell)
    cx, cy = np.meshgrid(
        west + cell * (np.arange(cols) + 0.5), north - cell * (np.arange(rows) + 0.5)
    )
    px, py = back.transform(cx, cy)
    grid = np.zeros((rows, cols))
    for crown, top in zip(crowns.geometry, TOPS, strict=True):
        a, b, c, d = crown.bounds
        grid[(px > a - 1) & (px < c + 1) & (py > b - 1) & (py < d + 1)] = top
    path = tmp_path / "utm.tif"
    profile = {
        "driver": "GTiff", "height": rows, "width": cols, "count": 1, "dtype": "float32",
        "crs": utm.to_wkt(), "transform": Affine(cell, 0.0, west, 0.0, -cell, north),
    }  # fmt: skip
    with rasterio.open(path, "w", **profile) as out:
        out.write(grid.astype("float32"), 1)
    given = GivenFile(str(path), "--heights", {"unit": "ft", "rmse_ft": 0.2})
    table = table_of(verified(tmp_path, package, heights=given))
    assert table["state"].tolist() == BECAME
    assert table["removed_frac"].tolist() == pytest.approx(TAKEN, abs=2e-3)


def test_a_plan_that_cuts_nothing_is_told(tmp_path):
    package = boxes()
    empty = {**package.tables, "stage_cuts": package.tables["stage_cuts"].iloc[:0]}
    package = replace(package, tables=empty)
    given = {"readings": (GivenFile("x.csv", "--readings"),)}
    params = {"year": 1, "lot": None, "cut_date": None, "who": None, "confidence_frac": 0.95}
    with pytest.raises(GeotrimError, match="cuts nothing"):
        verify_cut(Job(package, given, params, tmp_path))


def test_a_year_the_plan_does_not_have(tmp_path):
    with pytest.raises(RangeError, match="plan of 1 years"):
        verified(tmp_path, boxes(), pd.DataFrame({"crown_id": ["t0"], "height_ft": [15.0]}), year=2)


def test_words_of_states():
    table = pd.DataFrame(
        {
            "state": ["as planned", "not done", "left as planned", "not read", "no mangrove"],
            "treatment": ["lower-top", "lower-top", "leave", "leave", "leave"],
        }
    )
    assert state_words(table) == (
        "2 trees planned: 1 not done, 1 as planned; of those the plan leaves: 1 left as planned"
    )
