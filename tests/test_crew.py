"""The crew list of a package: order of work, what is told of a tree, pages, waypoints, table.

Held against the package's own tables, the projection library, and files read back by others.
"""

from __future__ import annotations

import json
import math
import re
import shutil
import xml.etree.ElementTree as ET
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pyogrio
import pytest
from packages_made import SAMPLES, big_folder, big_package, lot_of, sample_folder, sample_package

from geotrim.cli import main
from geotrim.errors import GeotrimError, LayerError, RangeError
from geotrim.handover.job import Job
from geotrim.handover.work import hand_over
from geotrim.io.text_table import read_text_table
from geotrim.report.crew_html import crew_html, in_script
from geotrim.report.crew_order import crew_lot
from geotrim.report.crew_places import where
from geotrim.report.crew_sheets import crew_pdf
from geotrim.report.crew_table import crew_table, waypoints
from geotrim.report.crew_tree import CLEAR_BAND, LEAVE, LOWER_TOP, OTHER_PLANT
from geotrim.report.crew_words import CrewHead

GPX = "{http://www.topografix.com/GPX/1/1}"
HEAD = CrewHead("Invented shore", "0" * 64, "A. Quill", "2026-11-26")


@cache
def listed(name, year=1):
    package = big_package() if name == "big" else sample_package(name)
    return crew_lot(package, lot_of(package), year)


@cache
def made(name, tmp, year=1):
    folder = big_folder() if name == "big" else sample_folder(name)
    return hand_over("crew", folder, params={"year": year}, out=tmp / f"{name}{year}").folder


@pytest.fixture(scope="module")
def tmp(tmp_path_factory):
    return tmp_path_factory.mktemp("crew")


def changed(package, **tables):
    """A package with some tables replaced, for results of operations too."""
    results = {
        name: replace(one, tables={key: tables.get(key, rows) for key, rows in one.tables.items()})
        for name, one in package.results.items()
    }
    return replace(package, tables={**package.tables, **tables}, results=results)


@pytest.mark.parametrize("name", [*SAMPLES, "big"])
def test_every_cut_of_the_year_is_on_the_list_and_no_other(name):
    """The stages' own table, row by row; marks go up to the next inch and no further."""
    package = big_package() if name == "big" else sample_package(name)
    lot = listed(name)
    table = package.rows("stage_cuts", lot_of(package))
    planned = {str(row["crown_id"]): row for row in table.to_dict("records") if row["year"] == 1}
    work = {tree.crown_id: tree for tree in lot.work if tree.kind != OTHER_PLANT}
    assert planned
    thin = {tree.crown_id for tree in lot.left if "thinner than an inch" in tree.what}
    assert set(work) == set(planned) - thin
    for crown_id, tree in work.items():
        row = planned[crown_id]
        is_top = math.isnan(row["to_ft"])
        assert tree.kind == (LOWER_TOP if is_top else CLEAR_BAND)
        assert 0 <= tree.cut.low_ft - row["from_ft"] < 1 / 12 + 1e-6 if is_top else True
        if not is_top:
            assert (tree.cut.low_ft, tree.cut.high_ft) == (row["from_ft"], row["to_ft"])
        assert tree.cut.share_frac == row["removed_of_standing_frac"]


@pytest.mark.parametrize("name", [*SAMPLES, "big"])
def test_other_plants_come_first_then_mangroves_by_station(name):
    lot = listed(name)
    assert [tree.number for tree in lot.work] == list(range(1, len(lot.work) + 1))
    is_other = [tree.kind == OTHER_PLANT for tree in lot.work]
    assert is_other == sorted(is_other, reverse=True)
    for kind in (True, False):
        mine = [
            t.place.station_ft for t, one in zip(lot.work, is_other, strict=True) if one is kind
        ]
        assert mine == sorted(mine)
    assert all(tree.number == 0 for tree in lot.left)
    assert not {t.crown_id for t in lot.work} & {t.crown_id for t in lot.left}


def test_plain_lot_as_its_maker_knows_it():
    """Species and the kept nest are in the sample's layers; SB-15 is sea hibiscus, SB-32 a nest."""
    lot = listed("plain_lot")
    by_id = {tree.crown_id: tree for tree in (*lot.work, *lot.left)}
    others = {tree.crown_id for tree in lot.work if tree.kind == OTHER_PLANT}
    assert others <= {"SB-06", "SB-10", "SB-15", "SB-28", "SB-36"} and "SB-15" in others
    assert "SB-06" not in others  # at station 9, before the first span
    assert by_id["SB-10"].species == "buttonwood (Conocarpus erectus)"
    assert "leaves alternate" in by_id["SB-10"].checks[0]
    assert by_id["SB-32"].kind == LEAVE and by_id["SB-32"].what == "kept: nest"
    beside = [tree for tree in lot.work if any("SB-32" in one for one in tree.keep_off)]
    assert beside and all("kept (nest)" in " ".join(tree.keep_off) for tree in beside)
    unknown = [tree for tree in lot.work if tree.species == "species not known"]
    assert unknown and all("find out" in tree.checks[0] for tree in unknown)
    assert lot.date == "2027-01-11" and lot.n_years == 2 and not lot.holds
    assert any("2027-01-01" in one for one in lot.notices)  # ten days before


def test_neighbours_stand_where_the_list_says():
    """Left and right are along the shore, landward against the water: from stations and offsets."""
    package, lot = sample_package("plain_lot"), listed("plain_lot")
    rows = package.rows("crowns").set_index("crown_id")
    told = 0
    for tree in lot.work:
        for words in tree.keep_off:
            other = words.split(",")[0].split(":")[0]
            along = rows.loc[other, "station_ft"] - rows.loc[tree.crown_id, "station_ft"]
            off = rows.loc[other, "offset_ft"] - rows.loc[tree.crown_id, "offset_ft"]
            if m := re.search(r"(\d+) ft to the (left|right)", words):
                assert round(abs(along)) == int(m[1]) and (along > 0) == (m[2] == "right")
            if m := re.search(r"(\d+) ft (landward|waterward)", words):
                assert round(abs(off)) == int(m[1]) and (off > 0) == (m[2] == "waterward")
            told += 1
    assert told > 5


def test_second_year_begins_where_the_first_left_off():
    first, second = listed("plain_lot"), listed("plain_lot", 2)
    before = {tree.crown_id: tree for tree in first.work}
    left = {tree.crown_id: tree for tree in second.left}
    assert second.work and second.date == "2028-01-11"
    assert "year 1 was cut as planned" in second.holds[0]
    assert not any(tree.kind == OTHER_PLANT for tree in second.work)
    for tree in second.work:
        one = before[tree.crown_id]
        if tree.kind == LOWER_TOP:
            assert tree.top_ft == pytest.approx(one.cut.low_ft) and tree.cut.low_ft < one.cut.low_ft
        else:
            assert tree.cut.low_ft == pytest.approx(one.cut.high_ft)
            assert tree.top_ft == one.top_ft
    ended = set(before) - {tree.crown_id for tree in second.work}
    for crown_id in ended:
        words = left[crown_id].what
        assert words in ("cut before", "no mangrove; its work belongs to year 1")
    first_left = {t.crown_id: t.what for t in first.left}
    assert not {c for c, w in first_left.items() if "comes in year" in w} & set(before)


def test_a_year_beyond_the_plan_and_no_plan_are_told(tmp):
    package = sample_package("plain_lot")
    with pytest.raises(RangeError, match=r"--year: found year 3 of a plan of 2 years .* 1 to 2"):
        crew_lot(package, "SB-07", 3)
    with pytest.raises(RangeError, match="year 2 of a plan of 1 year "):
        crew_lot(sample_package("curved_shore"), "MC-21", 2)
    bare = replace(package, results={})
    with pytest.raises(LayerError, match="lot SB-07: found no plan of what is cut"):
        crew_lot(bare, "SB-07", 1)
    with pytest.raises(GeotrimError, match="year 9 of a plan of 2 years"):
        hand_over("crew", package.folder, params={"year": 9}, out=tmp / "nothing")
    assert not (tmp / "nothing").exists()
    with pytest.raises(GeotrimError, match="--date: found '3 May'"):
        hand_over("crew", package.folder, params={"date": "3 May"}, out=tmp / "nothing")


def test_a_window_that_is_not_staged_is_cut_in_year_one():
    package = sample_package("plain_lot")
    results = {name: one for name, one in package.results.items() if name != "stages"}
    lot = crew_lot(replace(package, results=results), "SB-07", 1)
    table = package.rows("window_trees")
    cut = set(table.loc[table["treatment"] != "leave", "crown_id"].astype(str))
    assert {tree.crown_id for tree in lot.work if tree.kind != OTHER_PLANT} == cut
    assert lot.n_years == 1 and lot.date == ""


def test_trees_whose_way_is_not_open_are_held_or_left():
    """The canal's land is set aside: no window, and no way is open for heights as planned."""
    lot = listed("canal_corner")
    assert any("No window is open" in one for one in lot.holds)
    mangroves = [tree for tree in lot.work if tree.kind != OTHER_PLANT]
    assert all(tree.hold == "not open as planned, see the first page" for tree in mangroves)
    assert f"{len(mangroves)} trees" in " ".join(lot.holds)
    package = sample_package("canal_corner")
    crowns = package.rows("crowns").copy()
    crowns.loc[crowns["crown_id"].astype(str) == "10", "outcome_standing"] = "closed"
    crowns.loc[crowns["crown_id"].astype(str) == "11", "outcome_standing"] = "depends"
    crowns.loc[crowns["crown_id"].astype(str) == "11", "settle"] = "who does the work"
    lot = crew_lot(changed(package, crowns=crowns), lot_of(package), 1)
    by_id = {tree.crown_id: tree for tree in (*lot.work, *lot.left)}
    assert by_id["10"].kind == LEAVE and "no way is open" in by_id["10"].what
    assert by_id["11"].hold == "depends on: who does the work"
    assert any("1 tree of this list the way hangs" in one for one in lot.holds)


def test_an_assumed_way_is_held():
    lot = listed("curved_shore")
    assert any("assumes a way that is not settled" in one for one in lot.holds)
    assert any(one.startswith("Not settled: ") for one in lot.holds)


def test_what_is_read_first_follows_the_risks():
    for name in SAMPLES:
        package, lot = sample_package(name), listed(name)
        risks = package.rows("risk_trees")
        asked = set(risks.loc[risks["is_stick_first"].eq(True), "crown_id"].astype(str))
        cut = {tree.crown_id for tree in lot.work if tree.kind != OTHER_PLANT}
        assert {tree.crown_id for tree in lot.work if tree.first} == asked & cut


def test_a_height_limit_before_the_cut_bounds_the_reading():
    """Professional exemption: at most 24 ft before trimming, s. 403.9326(1)(b)2 F.S."""
    package = sample_package("plain_lot")
    risks = package.rows("risk_trees").copy()
    row = risks.iloc[[0]].assign(crown_id="SB-11", limit="height-before", is_stick_first=True,
                                 height_error_ft=1.5)  # fmt: skip
    risks = pd.concat([row, risks[risks["crown_id"] != "SB-11"]])
    lot = crew_lot(changed(package, risk_trees=risks), "SB-07", 1)
    tree = next(tree for tree in lot.work if tree.crown_id == "SB-11")
    # 24 - 1.644854 * 0.2 = 23.671 ft = 284.05 in: 23 ft 8 in
    assert "to 23 ft 8 in; over 22 ft 0 in raise the mark" in tree.first


def test_a_tree_that_may_not_be_an_inch_lower_is_left():
    package = sample_package("plain_lot")
    cuts = package.rows("stage_cuts").copy()
    is_one = (cuts["crown_id"] == "SB-24") & (cuts["year"] == 1)
    top = package.rows("crowns").set_index("crown_id").loc["SB-24", "top_height_ft"]
    cuts.loc[is_one, "from_ft"] = top - 0.01
    lot = crew_lot(changed(package, stage_cuts=cuts), "SB-07", 1)
    tree = next(tree for tree in lot.left if tree.crown_id == "SB-24")
    assert "thinner than an inch" in tree.what


def test_degrees_are_those_of_the_trunks():
    """Positions by another reader of the same projection library, from the trunks' own layer."""
    for name in SAMPLES:
        package = sample_package(name)
        trunks = package.rows("trunks").to_crs(4326).set_index("crown_id").geometry
        trunks.index = trunks.index.astype(str)
        crowns = package.rows("crowns")
        middle = crowns.set_index(crowns["crown_id"].astype(str)).geometry.centroid.to_crs(4326)
        lot = listed(name)
        for tree in (*lot.work, *lot.left):
            here = (trunks if tree.place.is_trunk else middle).loc[tree.crown_id]
            assert (tree.place.lon_deg, tree.place.lat_deg) == pytest.approx(
                (here.x, here.y), abs=1e-9
            )
            assert tree.place.is_trunk == (tree.crown_id in trunks.index)


def test_waypoints_are_gpx_1_1(tmp):
    """Order of elements by the schema of GPX 1.1: name, cmt, desc in wpt; read back by GDAL."""
    for name in SAMPLES:
        folder, lot = made(name, tmp), listed(name)
        root = ET.parse(folder / "trees.gpx").getroot()
        assert root.tag == f"{GPX}gpx" and root.get("version") == "1.1"
        points = root.findall(f"{GPX}wpt")
        assert len(points) == len(lot.work) + len(lot.left)
        order = ["name", "cmt", "desc"]
        for point in points:
            tags = [child.tag.removeprefix(GPX) for child in point]
            assert tags == [one for one in order if one in tags] and "name" in tags
            assert -180 <= float(point.get("lon")) <= 180 and -90 <= float(point.get("lat")) <= 90
        table = pyogrio.read_dataframe(folder / "trees.gpx", layer="waypoints")
        assert list(table["name"]) == [tree.crown_id for tree in (*lot.work, *lot.left)]
        told = dict(zip(table["name"], table["desc"], strict=True))
        for tree in lot.work:
            assert told[tree.crown_id].endswith(".") and tree.what in told[tree.crown_id]
        assert all(told[tree.crown_id].startswith("LEAVE. ") for tree in lot.left)


def test_the_table_reads_back(tmp):
    folder, lot = made("plain_lot", tmp), listed("plain_lot")
    table, _ = read_text_table(folder / "crew_list.csv")
    assert len(table) == len(lot.work) + len(lot.left)
    rows = {row["crown_id"]: row for row in table.to_dict("records")}
    for tree in lot.work:
        row = rows[tree.crown_id]
        assert int(row["order"]) == tree.number and row["kind"] == tree.kind
        if tree.cut is not None:
            feet, inches = divmod(int(row["cut_from_in"]), 12)
            assert f"{feet} ft {inches} in" in row["what"]
            assert float(row["cut_from_ft"]) >= tree.cut.low_ft - 1e-6
            assert f"({float(row['cut_from_ft']):.2f} " in row["what"]
        if tree.kind == CLEAR_BAND:
            assert float(row["cut_to_ft"]) <= tree.cut.high_ft + 1e-6
    assert rows["SB-32"]["order"] is None and rows["SB-32"]["kind"] == LEAVE


def odd(lot, name):
    """A lot whose first tree has another number."""
    tree = replace(lot.work[0], crown_id=name)
    return replace(lot, work=(tree, *lot.work[1:]))


def test_odd_names_are_safe_everywhere(tmp_path):
    name = '=SUM(A1)</script><b>"x"\n,\'\u2028'
    lot = odd(listed("plain_lot"), name)
    page = crew_html([lot], HEAD)
    data = re.search(r'<script type="application/json" id="data">(.*?)</script>', page, re.S)[1]
    assert json.loads(data)["lots"][0]["work"][0]["crown_id"] == name
    assert "<b>" not in page and page.count("<script") == 2 == page.count("</script>")
    from geotrim.io.text_table import write_text_table

    write_text_table(tmp_path / "a.csv", crew_table([lot]))
    assert "'=SUM" in (tmp_path / "a.csv").read_text(encoding="utf-8-sig")
    assert crew_pdf([lot], HEAD).startswith(b"%PDF")
    assert waypoints([lot])[0].name == name


def test_the_page_names_its_script_and_style_by_hash(tmp):
    """Content Security Policy, level 2: 'sha256-' and the hash in base 64; nothing else may run."""
    import base64
    import hashlib

    page = (made("plain_lot", tmp) / "crew_list.html").read_text(encoding="utf-8")
    policy = re.search(r'http-equiv="Content-Security-Policy" content="([^"]+)"', page)[1]
    assert policy.startswith("default-src 'none'; ") and "unsafe" not in policy
    for tag, rule in (("script", "script-src"), ("style", "style-src")):
        text = re.search(rf"<{tag}>(.*?)</{tag}>", page, re.S)[1]
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"{rule} 'sha256-{digest}'" in policy
    assert not re.findall(r"https?:|//\w+\.\w+/|\son\w+=|style=", page.split('id="data"')[0])


def test_in_script_ends_nothing():
    assert json.loads(in_script("</script><!--&\u2028")) == "</script><!--&\u2028"
    assert not set("<>&\u2028") & set(in_script("</script><!--&\u2028"))


@cache
def pages_of(path):
    """Page sizes, words and letters, by a library that shares nothing with what wrote them."""
    import pdfplumber

    with pdfplumber.open(path) as pdf:
        return [
            (
                page.width,
                page.height,
                page.extract_text(),
                page.chars,
                page.lines,
                page.crop((57, 0, 486, 792)).extract_text(),
            )
            for page in pdf.pages
        ]


@pytest.mark.parametrize("name", [*SAMPLES, "big"])
def test_ten_trees_a_page_in_large_type(name, tmp):
    folder, lot = made(name, tmp), listed(name)
    pages = pages_of(folder / "crew_list.pdf")
    lists = [page for page in pages if "Date, who" in page[2]]
    n = [page[2].count("Date, who") for page in lists]
    assert n[:-1] == [10] * (len(n) - 1) and sum(n) == len(lot.work)
    first = pages.index(lists[0])
    for k, (width, height, words, chars, lines, _) in enumerate(lists):
        assert (width, height) == (612, 792)
        assert "Crew list, year 1" in words and "Never cut trunks" in words
        assert f"page {first + k + 1} of {len(pages)}" in words
        for tree in lot.work[10 * k : 10 * k + 10]:
            assert tree.what.partition(" (")[0] in words.replace("\n", " ")
        marks = [
            c for c in chars if c["text"] in "LCN" and "Bold" in c["fontname"] and c["x0"] < 66
        ]
        assert {round(c["size"], 1) for c in marks} <= {11.0, 13.0, 8.0, 7.5, 14.0}
        big = "".join(
            c["text"] for c in chars if round(c["size"], 1) == 11.0 and "Bold" in c["fontname"]
        )
        assert sum(big.count(one) for one in ("LOWER", "CLEAR", "NO MANGROVE")) == n[k]
        assert min(c["size"] for c in chars) >= 6
        rules = sorted({round(one["top"], 1) for one in lines if one["x1"] - one["x0"] < 60})
        for char in chars:
            assert char["x0"] > 20 and char["x1"] < 592 and char["bottom"] < 792 - 20
            if 66 < char["x0"] < 480 and 80 < char["top"] < 750:
                assert not any(char["top"] + 2 < rule < char["bottom"] - 2.4 for rule in rules)


@pytest.mark.parametrize("name", SAMPLES)
def test_words_of_a_page_are_those_of_the_list(name, tmp):
    pages = pages_of(made(name, tmp) / "crew_list.pdf")
    lot = listed(name)
    text = " ".join(" ".join(page[2].split()) for page in pages)
    for tree in (*lot.work, *lot.left):
        assert tree.crown_id in text
    lists = [" ".join(page[5].split()) for page in pages if "Date, who" in page[2]]
    for tree in lot.work:
        if tree.first:  # never put off to the end of the list
            assert " ".join(tree.first.split()) in lists[(tree.number - 1) // 10]
        if tree.hold and tree.kind != OTHER_PLANT:
            assert f"HOLD: {tree.hold}." in lists[(tree.number - 1) // 10]
    assert ("DO NOT START" in pages[0][2]) == bool(lot.holds)
    for words in ("ANSI Z133", "active nests", "conductors", "herbicide", "substrate"):
        assert words in text


def test_long_numbers_stay_on_the_page():
    import io

    import pdfplumber

    lot = odd(listed("plain_lot"), "tree-of-the-invented-survey-number-000000000000000123456789-b")
    with pdfplumber.open(io.BytesIO(crew_pdf([lot], HEAD))) as pdf:
        page = next(page for page in pdf.pages if "Date, who" in page.extract_text())
        assert all(char["x0"] > 20 and char["x1"] < 592 for char in page.chars)
        assert page.extract_text().count("Date, who") == 10


def test_300_trees():
    """Thirty pages of ten; the largest list anybody would print, in little time."""
    import io
    import time

    import pypdf

    lot = listed("big")
    assert len(lot.work) > 40 and len(big_package().rows("crowns")) == 300
    many = [replace(lot.work[k % len(lot.work)], number=k + 1) for k in range(300)]
    start = time.perf_counter()
    pdf = crew_pdf([replace(lot, work=tuple(many))], HEAD)
    crew_html([replace(lot, work=tuple(many))], HEAD)
    assert time.perf_counter() - start < 20
    words = [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]
    assert [one.count("Date, who") for one in words if "Date, who" in one] == [10] * 30


def test_several_lots_in_one_list_and_lots_without_a_plan_are_told(tmp):
    from geotrim.handover.crew import make_crew_list

    package = sample_package("plain_lot")
    site = {**package.record["site"], "measured_lots": ["SB-07", "SB-99"]}
    record = {**package.record, "site": site}
    folder = tmp / "lots"
    folder.mkdir()
    params = {"lot": None, "prepared_by": None, "date": "2026-11-26", "year": 1}
    made_ = make_crew_list(Job(replace(package, record=record), {}, params, folder))
    assert any(note.about == "lot SB-99" and "no plan" in note.text for note in made_.notes)
    assert set(made_.figures) == {"SB-07"}
    both = [listed("plain_lot"), listed("canal_corner")]
    pages = crew_pdf(both, HEAD)
    (folder / "both.pdf").write_bytes(pages)
    words = [page[2] for page in pages_of(folder / "both.pdf")]
    titles = [re.search(r"lot (\S+)", one)[1] for one in words]
    assert titles == sorted(titles, key=["SB-07", "LC-03"].index) and len(set(titles)) == 2
    table = crew_table(both)
    assert set(table["lot_id"]) == {"SB-07", "LC-03"}


def test_a_package_changed_by_hand_is_told(tmp):
    folder = shutil.copytree(sample_folder("plain_lot"), tmp / "spoilt")
    with (folder / "summary.txt").open("a") as stream:
        stream.write("more\n")
    done = hand_over("crew", folder, out=tmp / "spoilt-crew")
    assert any("changed since geotrim wrote it: summary.txt" in n.text for n in done.made.notes)


def test_the_command_line(tmp, capsys):
    folder = str(sample_folder("canal_corner"))
    assert main(["crew", folder, "--out", str(tmp / "cli"), "--prepared-by", "A. Quill"]) == 0
    told = capsys.readouterr().out
    assert "Lot LC-03, year 1 of" in told and "not to be started" in told
    assert all(len(line) <= 100 for line in told.splitlines())
    for name in ("crew_list.pdf", "crew_list.html", "crew_list.csv", "trees.gpx", "record.json"):
        assert (tmp / "cli" / name).stat().st_size > 0
    record = json.loads((tmp / "cli" / "record.json").read_text())
    assert record["figures"]["LC-03"]["n_work_trees"] == len(listed("canal_corner").work)
    assert main(["crew", folder, "--year", "99", "--out", str(tmp / "cli2")]) == 2
    assert "year 99 of a plan" in capsys.readouterr().err


def test_marks_follow_the_foliage_of_the_package():
    """Shares of the second year, added up from the package's own foliage over height."""
    package = sample_package("plain_lot")
    curves = package.rows("foliage_curves")
    first = {tree.crown_id: tree for tree in listed("plain_lot").work}
    told = 0
    for tree in listed("plain_lot", 2).work:
        if tree.kind != LOWER_TOP:
            continue
        mine = curves[curves["crown_id"].astype(str) == tree.crown_id].sort_values("height_ft")
        heights, above = mine["height_ft"].to_numpy(), mine["above_frac"].to_numpy()
        low, high = np.interp([tree.cut.low_ft, first[tree.crown_id].cut.low_ft], heights, above)
        assert (low - high) / (1 - high) <= tree.cut.share_limit_frac + 1e-3
        told += 1
    assert told > 3


def test_a_kept_tree_is_told_to_all_within_ten_feet():
    """The nest in SB-32, by distances between the crowns of the package."""
    package = sample_package("plain_lot")
    shapes = package.rows("crowns").set_index("crown_id").geometry
    near = {
        tree.crown_id
        for tree in listed("plain_lot").work
        if shapes[tree.crown_id].distance(shapes["SB-32"]) * package.feet_per_unit <= 10
    }
    told = {t.crown_id for t in listed("plain_lot").work if "SB-32" in " ".join(t.keep_off)}
    assert told == near and any(
        shapes[one].distance(shapes["SB-32"]) * package.feet_per_unit > 2 for one in told
    )
    tree = next(tree for tree in listed("plain_lot").work if tree.crown_id == "SB-11")
    assert tree.place.offset_ft < 0 and "ft landward of the MHW line" in where(tree.place)
