"""The plan set as a whole, read back from its PDF by two general-purpose libraries."""

from __future__ import annotations

import io
import json
import math
import re
from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pypdf
import pytest
import shapely
import sheet_checks
from packages_made import (
    QUICK,
    SAMPLES,
    big_package,
    copy_of,
    lot_of,
    sample_package,
    trees_of,
    written,
)
from sites import lots, shore
from window_lots import make_site

from geotrim.errors import FileError, GeotrimError, LayerError, RangeError
from geotrim.handover.sheets import day_of
from geotrim.handover.work import hand_over
from geotrim.io.package_read import read_package
from geotrim.model import Result
from geotrim.ops.route_submission import _lengths
from geotrim.report.crew_order import crew_lot
from geotrim.report.sheets import plan_set as sets
from geotrim.report.sheets.checklist_sheets import caution_sheets, checklist_sheets, papers_of
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.compiled import pdf_of
from geotrim.report.sheets.drawing import Drawing, Pen
from geotrim.report.sheets.findings_sheets import REASON, findings_sheets
from geotrim.report.sheets.fitted import SIZES_PT, fitted, foot_cells
from geotrim.report.sheets.lettering import missing_letters, width_pt
from geotrim.report.sheets.lot_read import judged_lot
from geotrim.report.sheets.plan_set import plan_set
from geotrim.report.sheets.schedule import COLUMNS, schedule_sheets
from geotrim.report.sheets.sheet import (
    BODY_WIDTH_PT,
    Column,
    Sheet,
    SheetSet,
    Table,
    TitleBlock,
    Words,
)
from geotrim.report.sheets.title_block import title_block
from geotrim.report.statement_window_years import risks
from geotrim.report.window_facts import stations

CHOICES = Choices("A. Poe, certified arborist", "The owner", "2027-01-11")
EVERY = (*SAMPLES, "big")


def package_of(name):
    return big_package() if name == "big" else sample_package(name)


@cache
def drawn(name):
    """A package, its set and its PDF; drawn once."""
    package = package_of(name)
    one = plan_set(package, lot_of(package), CHOICES)
    return package, one, pdf_of(one)


@cache
def reader(name):
    return pypdf.PdfReader(io.BytesIO(drawn(name)[2]))


@cache
def checked(name):
    """Words of each sheet, once they have been checked."""
    return sheet_checks.check_sheets(drawn(name)[2])


@cache
def text_of(name):
    """Text of each page by one library, blanks made one."""
    return [" ".join(page.extract_text().split()) for page in reader(name).pages]


def pages_titled(name, title):
    """Texts of the sheets of one title, those it runs over to among them."""
    return [text for text in text_of(name) if text.startswith(title)]


def tables_of(sheets):
    return [block for sheet in sheets for block in sheet.blocks if isinstance(block, Table)]


def plain(cell):
    words = cell if isinstance(cell, str) else "".join(run.text for run in cell)
    return words.replace("\xa0", " ")


def schedule(package, lot_id=None):
    """The schedule's rows by tree, as plain words, the last row apart."""
    sheets = schedule_sheets(package, lot_id or lot_of(package), CHOICES)
    (table,) = tables_of(sheets)
    heads = [column.heading for column in table.columns]
    rows = [dict(zip(heads, map(plain, row), strict=True)) for row in table.rows]
    notes = [
        block for block in sheets[0].blocks if getattr(block, "heading", "").startswith("Notes")
    ]
    told = dict(plain(one).split("  ", 1) for block in notes for one in block.paragraphs)
    for row in rows:
        row["Remarks"] = spelt_out(row["Remarks"], told)
    return rows[:-1], rows[-1]


def spelt_out(remarks, notes):
    """Remarks with those that stand over the table by number put in their place, behind."""
    found = re.match(r"Notes? ([\d, ]+)\. ?", remarks)
    if found is None:
        return remarks
    rest = remarks[found.end() :]
    return " ".join(filter(None, [rest, *(notes[one] for one in found[1].split(", "))]))


def changed(package, name, **columns):
    """A package with columns of a table changed in memory."""
    table = package.tables[name].copy()
    for column, values in columns.items():
        table[column] = values
    return replace(package, tables={**package.tables, name: table})


# The whole set


@pytest.mark.parametrize("name", EVERY)
def test_no_word_lies_on_another_or_out_of_the_frame(name):
    assert len(checked(name)) == len(reader(name).pages) > 10


@pytest.mark.parametrize("name", EVERY)
def test_every_sheet_is_numbered_and_told_not_to_be_a_survey(name):
    pages = text_of(name)
    for number, text in enumerate(pages, start=1):
        assert f"SHEET {number} of {len(pages)} NOT A SURVEY" in text
        assert "Screening, not a survey and not legal advice." in text
        assert f"Plan {drawn(name)[0].sha256[:12]}" in text
        assert "January 11, 2027" in text
        assert "A. Poe, certified arborist" in text and "The owner" in text


@pytest.mark.parametrize("name", EVERY)
def test_bookmarks_lead_to_the_sheets_of_the_set_and_the_index_has_their_numbers(name):
    _, one, _ = drawn(name)
    marks = [(mark.title, reader(name).get_destination_page_number(mark) + 1)
             for mark in reader(name).outline]  # fmt: skip
    assert [title for title, _ in marks] == [sheet.title for sheet in one.sheets]
    starts = [text_of(name)[number - 1].startswith(title) for title, number in marks]
    ends = [number - int(is_first) for (_, number), is_first in
            zip(marks[1:], starts[1:], strict=True)] + [len(reader(name).pages)]  # fmt: skip
    index = text_of(name)[0].split("Sheets of this set", 1)[1]
    for sheet, (title, first), last, is_first in zip(one.sheets, marks, ends, starts, strict=True):
        assert is_first or (sheet.is_run_on and title in text_of(name)[first - 1])
        assert (
            f"{first} to {last} {title}" in index if last > first else f"{first} {title}" in index
        )
        for page in range(first, last):
            assert text_of(name)[page].startswith(f"{title} (continued)")
    assert any(sheet.is_run_on for sheet in one.sheets)
    assert not any(f"lot {lot_of(package_of(name))}" in title for title, _ in marks)


@pytest.mark.parametrize("name", SAMPLES)
def test_what_drawings_show_is_told_to_those_who_do_not_see_them(name):
    """Alternate descriptions in the tagged PDF (ISO 32000-1, 14.9.3)."""
    _, one, _ = drawn(name)
    alts, left = [], [reader(name).trailer["/Root"]["/StructTreeRoot"]]
    while left:
        node = left.pop().get_object()
        if isinstance(node, list):
            left += node
        elif isinstance(node, dict):
            if "/Alt" in node:
                alts.append(str(node["/Alt"]))
            if "/K" in node:
                left.append(node["/K"])
    drawings = [
        block for sheet in one.sheets for block in sheet.blocks if isinstance(block, Drawing)
    ]
    assert len(drawings) > 4 and sorted(alts) == sorted(block.alt for block in drawings)


def test_the_file_says_what_it_is():
    told = reader("plain_lot").metadata
    package = package_of("plain_lot")
    assert told.title == f"Plan set, lot SB-07, {package.record['site']['name']}"
    assert told.author == "A. Poe, certified arborist"
    assert "not a survey" in told.subject
    assert f"plan {package.sha256[:12]}" in told["/Keywords"]
    assert told.creation_date.date().isoformat() == "2027-01-11"


@pytest.mark.parametrize("name", ["plain_lot"])
def test_the_same_package_and_date_give_the_same_bytes(name):
    package, _, pdf = drawn(name)
    assert pdf_of(plan_set(package, lot_of(package), CHOICES)) == pdf
    other = pdf_of(plan_set(package, lot_of(package), replace(CHOICES, date="2027-01-12")))
    assert other != pdf


@pytest.mark.parametrize("name", EVERY)
def test_there_are_no_pictures_of_dots_and_words_can_be_searched(name):
    for page in reader(name).pages:
        assert not list(page.images)
        fonts = page["/Resources"]["/Font"].values()
        assert fonts and all("/ToUnicode" in font.get_object() for font in fonts)


# Figures


@pytest.mark.parametrize("name", EVERY)
def test_figures_on_the_sheets_are_those_of_the_package(name):
    """Each formatted here by hand: a decimal behind the point for feet, percent for shares."""
    package, _, _ = drawn(name)
    lot = package.rows("lots", lot_of(package)).iloc[0]
    first = text_of(name)[0]
    assert f"Shoreline {lot['frontage_length_ft']:,.1f} ft" in first
    assert f"{lot['fringe_depth_max_ft']:.1f} ft" in first
    assert f"Trees {len(trees_of(package, lot_of(package)))}:" in first
    written_out = " ".join(pages_titled(name, "Tree schedule"))
    trees = trees_of(package, lot_of(package)).sort_values("station_ft", kind="stable")
    whole = trees[~trees["is_partial"].astype(bool)]
    far = whole[(whole["limit_margin_ft"].abs() > 0.1) & (whole["share_band_frac"] > 0.001)]
    assert len(far) > 5
    for tree in far.iloc[:: max(1, len(far) // 5)].itertuples():
        told = f"{tree.top_height_ft:.1f} \u00b1 {tree.height_error_ft:.1f} {tree.height_class}"
        row = re.search(rf"(?<!\S){re.escape(tree.crown_id)} {tree.station_ft:.1f} (.{{0,120}})",
                        written_out)  # fmt: skip
        assert told in row[1]
        assert f" {100 * tree.share_band_frac:.1f} %" in row[1]
    assert f"{len(trees)} trees" in written_out
    for one in package.rows("window_spans", lot_of(package)).itertuples():
        assert f"{one.station_from_ft:.5g}-{one.station_to_ft:.5g}" in first


@pytest.mark.parametrize("name", EVERY)
def test_the_schedule_repeats_its_heading_on_every_sheet(name):
    pages = pages_titled(name, "Tree schedule")
    assert len(pages) > (5 if name == "big" else 1)
    words = "Tree Station, ft Species Confirmed Height, ft Class In the band Year Cut Height after,"
    for text in pages:
        assert text.count("Remarks") == 1
        assert all(word in text for word in words.split())


@pytest.mark.parametrize("name", EVERY)
def test_the_schedule_has_each_tree_of_the_lot_once_by_station(name):
    package, _, _ = drawn(name)
    rows, last = schedule(package)
    trees = trees_of(package, lot_of(package))
    order = sorted(trees["station_ft"])
    assert sorted(row["Tree"] for row in rows) == sorted(trees["crown_id"])
    assert [float(row["Station, ft"].replace(",", "")) for row in rows] == pytest.approx(
        order, abs=0.051
    )
    assert last["Tree"] == f"{len(trees)} trees"
    kinds = {True: " mangrove", False: " other plant", None: " of unknown species"}
    found = [None if pd.isna(one) else bool(one) for one in trees["is_mangrove"]]
    for kind, words in kinds.items():
        if found.count(kind):
            assert f"{found.count(kind)}{words}" in last["Species"]


def test_cuts_of_the_schedule_are_those_of_the_stages_rounded_to_the_safe_side():
    """Never lower than reckoned, never a band wider; a first cut within an inch and a hundredth."""
    package, _, _ = drawn("plain_lot")
    lot = lot_of(package)
    rows = {row["Tree"]: row for row in schedule(package)[0]}
    cuts = package.rows("stage_cuts", lot)
    assert len(cuts) > 20
    for crown_id, mine in cuts.groupby("crown_id"):
        row = rows[crown_id]
        assert row["Year"].split("\n") == [f"{year}" for year in mine["year"]]
        for cut, told in zip(mine.itertuples(), row["Cut"].split("\n"), strict=True):
            figures = [float(word) for word in re.findall(r"[\d.]+", told)]
            assert figures[0] >= cut.from_ft - 1e-6
            if math.isnan(cut.to_ft):
                assert told.startswith("top to")
                assert cut.year > 1 or figures[0] - cut.from_ft <= 1 / 12 + 0.01
                continue
            assert len(figures) == 2 and " to " in told and "top" not in told
            assert figures[0] - cut.from_ft <= 1 / 12 + 0.01
            assert -1e-6 <= cut.to_ft - figures[1] <= 1 / 12 + 0.01
    n_cut = cuts["crown_id"].nunique()
    assert schedule(package)[1]["Cut"] == f"{n_cut} cut, {len(rows) - n_cut} left"
    removed = package.rows("window_lots", lot).iloc[0]
    told = schedule(package)[1]["Remarks"]
    assert f"{removed['foliage_removed_ft3']:,.0f} cu ft" in told
    share = 100 * removed["foliage_removed_frac"]
    assert f"{share:.1f} % of the foliage of the lot's fringe mangroves" in told


@pytest.mark.parametrize("name", EVERY)
def test_no_year_as_printed_takes_more_than_its_share(name):
    """Foliage between the printed heights over what stands before, from the tree's own curve."""
    package, _, _ = drawn(name)
    lot = lot_of(package)
    limits = package.rows("stage_trees", lot).set_index("crown_id")["share_limit_frac"]
    curves = dict(list(package.rows("foliage_curves", lot).groupby("crown_id")))
    staged = dict(list(package.rows("stage_cuts", lot).groupby("crown_id")))
    assert package.parameter("stages", "foliage_reading") == "standing-each-year"
    n_years = 0
    for row in schedule(package)[0]:
        curve = curves.get(row["Tree"])
        if row["Tree"] not in staged or curve is None:
            continue
        curve = curve.sort_values("height_ft")

        def above(at, curve=curve):
            return float(np.interp(at, curve["height_ft"], curve["above_frac"], left=1, right=0))

        first = staged[row["Tree"]].sort_values("year").iloc[0]
        to = 0.0 if math.isnan(first["to_ft"]) else above(first["to_ft"])
        whole = above(first["from_ft"]) - to
        if abs(whole - first["removed_of_standing_frac"]) > 1e-3:
            continue  # cut in part: outside the zone nothing is
        stands = 1.0
        for told in row["Cut"].split("\n"):
            low, *high = (float(word) for word in re.findall(r"[\d.]+", told))
            taken = stands - (1 - above(low)) if not high else above(low) - above(high[0])
            assert taken / stands <= limits[row["Tree"]] + 1e-6, (row["Tree"], told)
            stands -= taken
            n_years += 1
    assert n_years > 10


def test_crew_list_and_schedule_tell_the_same_marks():
    package = package_of("plain_lot")
    rows = {row["Tree"]: row for row in schedule(package)[0]}
    n = 0
    for year in (1, 2):
        for tree in crew_lot(package, "SB-07", year).work:
            if tree.cut is None:
                continue
            row = rows[tree.crown_id]
            cut = row["Cut"].split("\n")[row["Year"].split("\n").index(f"{year}")]
            marks = re.search(r"\(([\d. to]+ ft)\)", tree.what)[1]
            assert cut.removeprefix("top to ") == marks
            n += 1
    assert n > 20


def test_a_plan_without_a_window_is_told_by_what_is_drawn():
    """Tree 8 of the canal comes down to the 8.5 ft that its floor of 8 ft leaves."""
    package = package_of("canal_corner")
    row = next(row for row in schedule(package)[0] if row["Tree"] == "8")
    assert row["Cut"].endswith("top to 8.50 ft") and row["Height after, ft"] == "8.50"
    assert "No window may cut it: " in row["Remarks"]
    assert "Not reached as planned: 8.0 ft is under the 8.5 ft that is kept" in row["Remarks"]
    none = "No way is open for what is drawn: not for any of the 20 mangroves"
    assert none in text_of("canal_corner")[0]
    assert none in pages_titled("canal_corner", "Tree schedule")[0]
    for what in ("Plan view", "Cross-section", "Shoreline elevation"):
        assert "no way is open for what is drawn" in pages_titled("canal_corner", what)[0]
    told = {plain(row[1])[:4]: row for row in tables_of(
        checklist_sheets(package, "LC-03", CHOICES))[0].rows}  # fmt: skip
    assert "black mangrove 8.3 to" in plain(told["F-07"][3]).split("heights after as far as")[1]
    assert "levation of the substrate; elevation of MHW" in plain(told["F-07"][4])
    assert "2 trees over 9 years" in plain(told["F-09"][3])


def test_trees_stand_by_station_however_the_crowns_were_read():
    package = package_of("plain_lot")
    backwards = package.tables["crowns"].iloc[::-1]
    other = replace(package, tables={**package.tables, "crowns": backwards})
    assert schedule(other)[0] == schedule(package)[0]


def test_dates_of_the_years_stand_over_the_schedule():
    """The sample starts on 2027-01-11, and the next stage a year later."""
    text = pages_titled("plain_lot", "Tree schedule")[0]
    assert "Year 1 from January 11, 2027 at the earliest; year 2 from January 11, 2028" in text
    assert "Drawn and scheduled is the window: 22 trees over 2 years." in text


def test_a_day_that_not_all_trees_share_is_told_with_each_cut():
    package, _, _ = drawn("plain_lot")
    cuts = package.tables["stage_cuts"]
    dates = list(cuts["date"])
    dates[0] = "2027-03-01"
    other = changed(package, "stage_cuts", date=dates)
    results = dict(package.results)
    stages = results["stages"]
    results["stages"] = replace(
        stages, tables={**stages.tables, "stage_cuts": other.tables["stage_cuts"]}
    )
    rows = {row["Tree"]: row for row in schedule(replace(other, results=results))[0]}
    assert rows[cuts["crown_id"].iloc[0]]["Cut"].split("\n")[0].endswith(", from 2027-03-01")


def test_what_must_be_known_of_a_tree_is_remarked():
    package = package_of("plain_lot")
    rows = {row["Tree"]: row for row in schedule(package)[0]}
    trees = trees_of(package, "SB-07").set_index("crown_id")
    assert "Keep: nest." in rows["SB-32"]["Remarks"]  # marked in the sample
    first = trees.index[trees["is_stick_first"].eq(True)]
    assert len(first) and all("Read by stick first" in rows[one]["Remarks"] for one in first)
    close = trees[trees["is_too_close"].astype(bool)]
    assert len(close) > 2
    for name, tree in close.iterrows():
        assert f"oo close to {tree['nearest_limit_ft']:g} ft to" in rows[name]["Remarks"]
        assert rows[name]["Remarks"].count("oo close") == 1
    assert "oo close" not in rows["SB-16"]["Remarks"]
    white = [n for n, row in rows.items() if row["Species"] == "white mangrove"]
    button = [n for n, row in rows.items() if row["Species"] == "buttonwood, no mangrove"]
    assert white and button
    assert all("taken for buttonwood" in rows[one]["Remarks"] for one in white)
    assert all("taken for white mangrove" in rows[one]["Remarks"] for one in button)
    unknown = trees.index[trees["is_mangrove"].isna()]
    assert len(unknown) and all(rows[one]["Species"] == "not known" for one in unknown)
    assert all("until the species is found out" in rows[one]["Remarks"] for one in unknown)
    assert all(row["Confirmed"] == "\u2610" for row in rows.values())
    bars = package.rows("window_trees").set_index("crown_id")
    barred = bars.index[bars["bar"].isin(["height-before"])]
    assert len(barred) and all("Limit: " in rows[one]["Remarks"] for one in barred)
    no_base = trees.index[trees["base_height_ft"].isna() & (trees["treatment"] != "leave")]
    assert len(no_base) and all("owest foliage not known" in rows[n]["Remarks"] for n in no_base)


def test_heights_after_are_what_the_crew_was_told_and_what_stays_outside_the_zone_is_told():
    package = package_of("plain_lot")
    rows = {row["Tree"]: row for row in schedule(package)[0]}
    trees = trees_of(package, "SB-07").set_index("crown_id")
    for name, tree in trees.iterrows():
        after = float(rows[name]["Height after, ft"])
        if tree["treatment"] == "lower-top" and tree["height_after_ft"] == tree["cut_low_ft"]:
            assert 0.0 <= after - tree["cut_low_ft"] + 1e-6 <= 0.1 + 1e-5
        else:
            assert after == pytest.approx(tree["height_after_ft"], abs=0.0501)
    stays = trees[(trees["treatment"] == "lower-top")
                  & (trees["height_after_ft"] > trees["cut_low_ft"] + 0.05)]  # fmt: skip
    assert len(stays)
    for name, tree in stays.iterrows():
        told = f"What stands outside the zone stays at {tree['height_after_ft']:.1f} ft."
        assert told in rows[name]["Remarks"]


def test_crowns_drawn_by_a_machine_or_partly_covered_are_remarked():
    package = package_of("plain_lot")
    n = len(package.tables["crowns"])
    told = changed(package, "crowns", is_draft=[True] * n, is_partial=[True] * n,
                   covered_frac=[0.625] * n)  # fmt: skip
    for row in schedule(told)[0]:
        assert "Outline drawn by a machine." in row["Remarks"]
        assert "Heights cover 62.5 % of the crown." in row["Remarks"]


def test_trees_of_other_lots_are_left_out():
    package = package_of("plain_lot")
    crowns = package.tables["crowns"]
    mine = list(crowns["lot_id"])
    at = next(k for k, lot in enumerate(mine) if lot == "SB-07")
    mine[at] = "another"
    rows, last = schedule(changed(package, "crowns", lot_id=mine), "SB-07")
    assert crowns["crown_id"].iloc[at] not in [row["Tree"] for row in rows]
    assert last["Tree"] == "39 trees"


# Findings, checklist, cautions


@pytest.mark.parametrize("name", EVERY)
def test_every_limit_is_told_with_its_section_verdicts_and_how_sure_the_source_is(name):
    package, _, _ = drawn(name)
    text = " ".join(pages_titled(name, "Findings: "))
    for row in package.rows("findings_by_rule", lot_of(package)).to_dict("records"):
        assert row["words"].split(".")[0] in text
        assert row["section"].split(",")[0] in text
        if row["unit"] != "yes-no":
            assert f"imit: {row['limit']}" in text or row["limit"] in text
    sure = set(package.rows("findings_by_rule", lot_of(package))["confidence"])
    words = {"from memory": "from memory, check the current text"}
    assert all(words.get(one, one) in text for one in sure)


@pytest.mark.parametrize("name", EVERY)
def test_every_way_is_told_with_why_it_stands_so(name):
    package, _, _ = drawn(name)
    sheets = findings_sheets(package, lot_of(package), CHOICES)
    table = tables_of(sheets)[0]
    rows = {plain(row[0]): row for row in table.rows}
    for way in package.rows("lot_routes", lot_of(package)).to_dict("records"):
        if way["route"] == "none":
            continue
        row = rows[way["route_name"]]
        status = "open with another plan" if way["n_other_plan_trees"] and (
            way["status"] == "closed") else way["status"]  # fmt: skip
        assert status in plain(row[1])
        why = plain(row[2])
        parts = [part for part in re.split(r"\]; ?", way["decided_by"].rstrip("]")) if part]
        assert len(REASON.findall(way["decided_by"])) == len(parts)
        for part in parts:
            words = part.split(": ", 1)[1].split(" [")[0]
            assert words[1:20] in why
        for n, verdict in (("n_open_trees", "open"), ("n_closed_trees", "closed")):
            if way[n]:
                assert f"{verdict} for {int(way[n])}" in plain(row[1])


def test_local_rules_are_told_with_their_own_numbers_and_source():
    """Source: ``sample_data/canal_corner/local_rules.toml``: 8 ft, 14 days."""
    text = " ".join(pages_titled("canal_corner", "Findings: limits and figures"))
    assert "Local rules" in text
    assert "no mangrove on a canal bank may be under 8 ft tall" in text
    assert "Limit: at least 8 ft" in text and "invented bank code, article 2" in text
    assert "14 days" in text and "invented bank code, article 3" in text


def test_limits_of_the_window_and_open_questions_are_told():
    package, _, _ = drawn("plain_lot")
    window = asked = " ".join(pages_titled("plain_lot", "Findings: "))
    for one in package.rows("window_limits", "SB-07")["words"]:
        assert one.split(".")[0][:40] in window
    for one in package.rows("readings", "SB-07")["ambiguity"].unique():
        assert f"{one}: " in asked
    assert package.rows("consequence", "SB-07")["words"].iloc[0][:30] in window


def test_the_checklist_has_every_item_with_a_box():
    package = package_of("plain_lot")
    (sheet,) = checklist_sheets(package, "SB-07", CHOICES)
    (table,) = tables_of([sheet])
    items = package.rows("checklist", "SB-07")
    assert [plain(row[0]) for row in table.rows] == ["\u2610"] * len(items)
    for row, item in zip(table.rows, items.to_dict("records"), strict=True):
        assert plain(row[1]).startswith(f"{item['item']}: {item['words']}")
    told = {plain(row[1])[:4]: row for row in table.rows}
    assert "Plan view to scale: in this set." in plain(told["F-06"][3])
    assert "Plan view" not in plain(told["F-06"][4]) and "tructures" in plain(told["F-06"][4])
    assert "Cross-sections: in this set." in plain(told["F-07"][3])
    assert plain(told["F-07"][4]) == ""
    assert "Location map, with coordinates: in this set." in plain(told["F-05"][3])
    assert plain(told["F-05"][4]) == "Kind of site; name of the water; directions."
    assert plain(told["F-11"][4]) == "For the user to add."


def test_the_checklist_asks_what_the_chosen_way_asks():
    """The sample's best ways are the professional exemption and the general permit."""
    lot = judged_lot(package_of("plain_lot"), "SB-07")
    assert papers_of(lot) == ["verification", "general_permit"]
    rows = {plain(row[1])[:4]: plain(row[2]) for row in tables_of(
        checklist_sheets(package_of("plain_lot"), "SB-07", CHOICES))[0].rows}  # fmt: skip
    assert rows["F-14"] == "verification of an exemption: no\ngeneral permit: no"
    assert rows["F-03"] == "yes"
    first, *rest = lot.trees
    best = {**first, "outcome_route": "professional-exemption", "outcome_standing": "open"}
    more = [{**tree, "outcome_route": "general-permit", "outcome_standing": "depends"}
            for tree in rest]  # fmt: skip
    assert papers_of(replace(lot, trees=[best, *more])) == ["verification"]
    assert papers_of(replace(lot, trees=more)) == ["general_permit"]
    closed = [{**tree, "outcome_standing": "closed"} for tree in lot.trees]
    assert papers_of(replace(lot, trees=closed)) == [
        "verification", "general_permit", "individual_permit"]  # fmt: skip


@pytest.mark.parametrize("name", EVERY)
def test_all_cautions_stand_on_their_sheet_in_large_type(name):
    package, _, _ = drawn(name)
    (text,) = pages_titled(name, "Cautions")
    for one in package.record["cautions"]:
        assert one in text
    for told in package.record["operations"]:
        if told["is_measured"] and told["caution"]:
            assert told["caution"] in text
    words = checked(name)[-1]
    body = [word for word in words if word.box.bounds[1] > 28.8 + 62.0]
    plain_size = [
        word.size_pt for word in body if word.text in ("Look", "herbicide", "conductors:")
    ]
    assert plain_size and min(plain_size) >= 9.0
    assert caution_sheets(package, lot_of(package), CHOICES)[0].title == "Cautions"


def test_letters_the_font_lacks_are_boxes_and_told(tmp_path):
    """U+6F22 and U+5B57 are not among the font's letters; U+00E9 is."""
    assert missing_letters("\u6f22\u5b57\u6f22 caf\u00e9") == ["\u6f22", "\u5b57"]
    assert width_pt("\u6f22", 10.0) > 2.0
    done = hand_over("sheets", poor("no frontage").folder, out=tmp_path / "out", params={
        "pictures": False, "prepared_by": "\u6f22\u5b57 Wang"})  # fmt: skip
    (told,) = [note.text for note in done.made.notes if "no shape" in note.text]
    assert "\u6f22 \u5b57" in told


def test_a_depth_near_its_limit_keeps_the_digits_that_tell_it_from_it():
    package = package_of("plain_lot")
    n = len(package.tables["lots"])
    one = plan_set(changed(package, "lots", fringe_depth_max_ft=[50.04] * n), "SB-07", CHOICES)
    (table,) = [part for part in one.sheets[0].blocks[0].right if isinstance(part, Table)]
    (told,) = [plain(row[1]) for row in table.rows if row[0] == "Greatest depth of the fringe"]
    assert told == "50.04 ft, trunk to trunk"


# What is not there, and what was changed


@cache
def poor(name):
    trees = [(10.0, 4.0, 6.0, 12.0), (30.0, 6.0, 6.0, 18.0), (50.0, 5.0, 6.0, 9.0)]
    base = make_site(trees, options=QUICK)
    halves = [shapely.box(30 * k, -100, 30 * k + 30, 0) for k in range(2)]
    site = {
        "three trees": base,
        "two lots": replace(base, lots=lots(halves, ids=["A", "A/"])),
        "no crowns": replace(base, crowns=None, trunks=None),
        "no heights": replace(base, heights=None),
        "no frontage": replace(base, mhw_line=shore([(-30, 900), (90, 900)])),
    }[name]
    return read_package(written(site, f"poor_{name.replace(' ', '_')}"))


LEFT_OUT = {
    "three trees": (),
    "no crowns": ("Cross-sections", "Shoreline elevation", "Tree schedule"),
    "no heights": ("Cross-sections", "Shoreline elevation"),
    "no frontage": ("Cross-sections", "Shoreline elevation", "Tree schedule", "Findings",
                    "Checklist for a submission"),
}  # fmt: skip


@pytest.mark.parametrize("name", LEFT_OUT)
def test_what_can_be_shown_is_shown_and_the_rest_is_told(name):
    package = poor(name)
    one = plan_set(package, "A", CHOICES)
    pdf = pdf_of(one)
    sheet_checks.check_sheets(pdf)
    first = " ".join(pypdf.PdfReader(io.BytesIO(pdf)).pages[0].extract_text().split())
    titles = " ".join(sheet.title for sheet in one.sheets)
    for what in LEFT_OUT[name]:
        assert re.search(rf"{what}[,:] ", first.split("Not in this set")[1])
    assert ("Not in this set" in first) == bool(LEFT_OUT[name])
    assert "Plan view" in titles and "Cautions" in titles
    if name == "no frontage":
        assert "No frontage: the line is 900.0 ft from the lot" in first
        assert "Shoreline none" in first
        # in the answer, in the row of the shoreline, and nowhere else
        assert first.count("900.0 ft from the lot") <= 2
        assert first.count("no frontage was found for the lot") == 1
    if name == "no crowns":
        assert "the package holds no crowns on this lot" in first


def test_a_plan_without_cuts_says_so():
    package = package_of("canal_corner")  # no window is found there
    assert not len(package.rows("window_spans"))
    stages = package.results["stages"]
    bare = {name: table.iloc[:0] for name, table in stages.tables.items()}
    none = replace(package, results={**package.results, "stages": replace(stages, tables=bare)})
    (sheet,) = schedule_sheets(none, lot_of(package), CHOICES)
    assert "**No cut is planned**" in plain(sheet.blocks[0].paragraphs[1])
    rows, last = schedule(none)
    assert all(row["Cut"] == "left" for row in rows) and last["Cut"].startswith("0 cut")


def test_a_file_that_was_changed_after_the_run_is_told_on_every_sheet(tmp_path):
    folder = copy_of(poor("three trees"), tmp_path)
    with (folder / "crowns.csv").open("a") as file:
        file.write("t9\n")
    package = read_package(folder)
    assert package.changed == ("crowns.csv",)
    pdf = pdf_of(plan_set(package, "A", CHOICES))
    sheet_checks.check_sheets(pdf)
    for page in pypdf.PdfReader(io.BytesIO(pdf)).pages:
        told = " ".join(page.extract_text().split())
        assert "FILE CHANGED AFTER THE RUN: crowns.csv." in told
    assert not any("AFTER THE RUN" in text for text in text_of("plain_lot"))


def test_words_of_safety_stay_and_a_deleted_file_is_told_as_deleted(
    tmp_path,
):
    folder = copy_of(poor("three trees"), tmp_path)
    (folder / "crowns.csv").unlink()
    package = read_package(folder)
    first = pypdf.PdfReader(io.BytesIO(pdf_of(plan_set(package, "A", CHOICES)))).pages[0]
    told = " ".join(first.extract_text().split())
    assert "FILE DELETED AFTER THE RUN: crowns.csv." in told
    assert "crowns.csv was deleted after the run" in told
    for names in (("crowns.csv",), ("a name of a file " * 12 + ".csv",) * 40):
        block = title_block(replace(package, changed=names), "A", CHOICES)
        foot = " ".join(foot_cells(block)["caution"].split())
        assert foot.endswith("look for nests; keep clear of conductors.")


def test_who_prepared_the_set_stands_in_full_on_the_first_sheet():
    name = "Mangrove & Coastal Canopy Associates of Saltspindle Bay and the Keys, " * 3
    choices = Choices(name.strip(), "The Owners of Lot 7 and Their Successors", "2027-01-11")
    one = plan_set(poor("three trees"), "A", choices)
    (table,) = [part for part in one.sheets[0].blocks[0].right if isinstance(part, Table)]
    told = {row[0]: plain(row[1]) for row in table.rows}
    assert told["Prepared by"] == name.strip()
    assert told["Prepared for"] == "The Owners of Lot 7 and Their Successors"


@pytest.mark.parametrize("day", ["0001-01-01", "1850-01-01", "9999-12-31"])
def test_a_day_that_can_only_be_a_slip_is_refused(day):
    """The act is of 1996: ch. 96-206, Laws of Florida; no paper under it is older."""
    with pytest.raises(RangeError, match="check the year"):
        day_of(day)
    assert day_of("2027-01-11") == "2027-01-11"


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [(3.0001, 16.0, "3-16"), (24.001, 36.001, "24-36"), (43.25, 61.46, "43.25-61.46"),
     (12_345.0, 123_456.7, "12345-123456.7")],
)  # fmt: skip
def test_stations_are_told_as_finely_as_they_are_set(low, high, words):
    assert stations({"station_from_ft": low, "station_to_ft": high}) == words


def test_a_depth_of_a_submission_near_its_limit_keeps_its_digits():
    """50.04 ft is over the 50 ft of s. 403.9325(7) F.S.; at one decimal it would read as at it."""
    rule = SimpleNamespace(limit=SimpleNamespace(measure="fringe_depth_ft", number=50.0))

    def told(depth):
        values = {"fringe_depth_ft": depth, "shoreline_length_ft": 120.0}
        decision = SimpleNamespace(
            routes={"general-permit": None},
            conditions=lambda route: [rule],
            measures={name: SimpleNamespace(value=np.array([x])) for name, x in values.items()},
        )
        return _lengths(decision)

    assert told(50.04)["fringe_depth_ft"] == "fringe depth 50.04 ft"
    assert told(50.0)["fringe_depth_ft"] == "fringe depth 50.0 ft"
    assert told(38.04) == {
        "fringe_depth_ft": "fringe depth 38.0 ft", "shoreline_length_ft": "shoreline 120.0 ft"
    }  # fmt: skip


# How surely limits are kept


def risk_words_of(limits, trees):
    """What the findings tell of made risks, as plain words."""
    tables = {"risk_limits": pd.DataFrame(limits), "risk_trees": pd.DataFrame(trees)}
    result = Result("risks", tables, (), {"risk_frac": 0.05})
    out = []
    for block in risks({"risks": result}, "A"):
        rows = getattr(block, "rows", None)
        lines = [line for row in rows for cell in row for line in cell] if rows else []
        lines += getattr(block, "lines", ()) or ([block.line] if hasattr(block, "line") else [])
        out += ["".join(span.text for span in line) for line in lines]
    return out


def risk_limit(limit, n_trees, n_broken, n_draws=400):
    return {
        "lot_id": "A", "limit": limit, "words": limit, "n_trees": n_trees, "n_draws": n_draws,
        "n_broken_draws": n_broken, "broken_frac": n_broken / n_draws, "low_frac": 0.9,
        "high_frac": 1.0, "source": "",
    }  # fmt: skip


def risk_tree(crown_id, is_first, broken=0.5):
    return {
        "lot_id": "A", "crown_id": crown_id, "limit": "yearly-share", "top_height_ft": 18.0,
        "height_error_ft": 0.4, "broken_frac": broken, "is_stick_first": is_first,
        "words": "more than the year's share taken: plan a smaller share (share_margin_frac)",
    }  # fmt: skip


def test_a_broken_limit_is_told_by_how_many_trees_and_with_what_helps():
    limits = [risk_limit("yearly-share", 14, 400), risk_limit("allowance-trees", 20, 400)]
    told = risk_words_of(limits, [risk_tree("t1", False), risk_tree("t1", True),
                                  risk_tree("t2", True)])  # fmt: skip
    assert "400 of 400 draws, by at least one of 14 trees" in told
    assert "400 of 400 draws" in told  # a cap is of the lot
    assert any("takes the whole of a year's share" in one for one in told)
    twice = [one.partition(":")[0] for one in told if "it stands above too" in one]
    assert twice == ["t1"]
    kept = risk_words_of([risk_limit("yearly-share", 14, 0)], [risk_tree("t1", True)])
    assert not any("takes the whole" in one or "above too" in one for one in kept)


def test_a_title_that_runs_on_stands_once_at_the_top_of_a_page():
    for name in EVERY:
        for text in text_of(name):
            title = text.partition(" by ")[0]
            if title.startswith("Findings: "):
                assert text.count(title.removesuffix(" (continued)")) == 1


# Long names, and how blocks sit on a sheet

LONG = {
    "words": "Mangrove Cove Homeowners and Harbour Association, Second Addition " * 4,
    "one word": "Lot" + "abcdefghij" * 20,
}


@pytest.mark.parametrize("kind", LONG)
def test_long_names_wrap_and_never_burst_their_place(kind):
    """A site, a lot and a preparer of 200 letters."""
    name = LONG[kind][:200]
    package = poor("three trees")
    record = json.loads(json.dumps(package.record))
    record["site"]["name"] = name
    record["site"]["measured_lots"] = [name]
    record["facts"] = {name: record["facts"]["A"]}
    for item in record["inputs"]:
        item["path"] = f"{name}.gpkg"
    tables = {}
    for key, table in package.tables.items():
        tables[key] = table.assign(lot_id=name) if "lot_id" in table.columns else table
    results = {
        key: replace(one, tables={k: tables.get(k, t) for k, t in one.tables.items()})
        for key, one in package.results.items()
    }
    long = replace(package, record=record, tables=tables, results=results)
    choices = Choices(name, name, "2027-01-11")
    pages = sheet_checks.check_sheets(pdf_of(plan_set(long, name, choices)))
    shown = "".join(word.text for word in pages[0])
    assert name.replace(" ", "")[:60] in shown


def test_long_ids_of_trees_keep_to_their_column():
    package = poor("three trees")
    ids = {f"t{k}": f"t{k}-" + "x" * 60 for k in range(3)}
    tables = {
        key: table.assign(crown_id=table["crown_id"].replace(ids))
        if "crown_id" in table.columns else table
        for key, table in package.tables.items()
    }  # fmt: skip
    long = replace(package, tables=tables)
    one = plan_set(package, "A", CHOICES)
    sheets = schedule_sheets(long, "A", CHOICES)
    pages = sheet_checks.check_sheets(pdf_of(replace(one, sheets=sheets)))
    assert "x" * 60 in "".join(word.text for word in pages[0])


@pytest.mark.parametrize("words", ["", "A", "two\nlines", "word " * 90, "x" * 500])
def test_words_of_the_title_block_fit_their_room(words):
    size, lines = fitted(words, 90.0, 40.0)
    assert size in SIZES_PT
    assert len(lines) * size * 1.24 <= 40.0
    kept = "".join("".join(lines).split())
    whole = "".join(words.split())
    assert kept == whole if not kept.endswith("...") else whole.startswith(kept[:-3])


def made_set(*blocks, caution="Caution."):
    block = TitleBlock("Site", {"PROJECT": "Site"}, caution)
    return SheetSet("Set", "", "", (), block, [Sheet("Title", tuple(blocks))], "2027-01-11")


@pytest.mark.parametrize("n", range(34, 46, 2))
def test_the_heading_of_a_table_never_stands_alone_at_the_foot(n):
    """Lines before a table push it over the foot of the sheet one by one."""
    rows = tuple((f"first{k}", f"second{k}") for k in range(4))
    table = Table((Column("Left"), Column("Right")), rows, heading="Overhead")
    pages = sheet_checks.check_sheets(pdf_of(made_set(Words(("line",) * n), table)))
    for words in pages:
        told = {word.text for word in words}
        if "Overhead" in told or "Left" in told:
            assert any(f"first{k}" in told for k in range(4))
            assert "Left" in told
    assert sum("Overhead" in {word.text for word in words} for words in pages) == 1


def test_a_row_of_a_table_is_not_parted():
    rows = tuple((f"start{k} " + "word " * 60 + f"end{k}",) for k in range(30))
    pages = sheet_checks.check_sheets(pdf_of(made_set(Table((Column("Only"),), rows))))
    assert len(pages) > 1
    for words in pages:
        told = {word.text for word in words}
        assert {one[5:] for one in told if re.fullmatch(r"start\d+", one)} == {
            one[3:] for one in told if re.fullmatch(r"end\d+", one)
        }


def test_markup_of_any_kind_in_a_name_is_printed_as_it_stands():
    odd = 'a #read("x") $y$ *b* _c_ <d> \\e [f] // g @h'
    pdf = pdf_of(made_set(Words((odd,)), caution=odd))
    told = " ".join(pypdf.PdfReader(io.BytesIO(pdf)).pages[0].extract_text().split())
    assert told.count(odd) == 2


# The checks themselves


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, 45.0, 90.0, 200.0])
def test_words_that_lie_on_each_other_are_found(turn_deg):
    def pages(gap_pt):
        pen = Pen()
        rad = math.radians(turn_deg)
        pen.text(200.0, 200.0, "mangrove", size_pt=8.0, turn_deg=turn_deg)
        pen.text(200.0 + gap_pt * math.sin(rad), 200.0 + gap_pt * math.cos(rad), "fringe",
                 size_pt=8.0, turn_deg=turn_deg)  # fmt: skip
        return sheet_checks.pages_of(pdf_of(made_set(pen.drawing(400.0, 300.0))))[0]

    assert ("mangrove", "fringe") in sheet_checks.overlaps(pages(3.0))
    assert not sheet_checks.overlaps(pages(9.0))


def test_words_out_of_the_frame_are_found():
    pen = Pen()
    pen.text(BODY_WIDTH_PT - 8.0, 100.0, "mangroves", size_pt=8.0)
    words = sheet_checks.pages_of(pdf_of(made_set(pen.drawing(BODY_WIDTH_PT, 300.0))))[0]
    assert "mangroves" in sheet_checks.outside(words)


# The command


def test_the_command_writes_pdf_pictures_and_a_drawing(tmp_path):
    done = hand_over("sheets", poor("three trees").folder, params={"date": "2027-01-11"},
                     out=tmp_path / "out")  # fmt: skip
    n = len(pypdf.PdfReader(done.folder / "plan_set.pdf").pages)
    pictures = sorted(path.name for path in (done.folder / "pictures").iterdir())
    assert pictures == sorted(f"sheet_{k:02d}.{kind}" for k in range(1, n + 1)
                              for kind in ("png", "svg"))  # fmt: skip
    assert (done.folder / "pictures" / "sheet_01.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert b"<svg" in (done.folder / "pictures" / "sheet_01.svg").read_bytes()[:300]
    assert (done.folder / "plan_view.dxf").read_text()[:20].split()[:2] == ["0", "SECTION"]
    record = json.loads((done.folder / "record.json").read_text())
    assert record["package"]["record_sha256"] == poor("three trees").sha256
    assert {"plan_set.pdf", "plan_view.dxf"} <= {item["file"] for item in record["files"]}
    assert "lot A: " in done.made.words and "; Tree schedule; " in done.made.words


def test_pictures_can_be_left_out(tmp_path):
    done = hand_over("sheets", poor("no frontage").folder, params={"pictures": False},
                     out=tmp_path / "out")  # fmt: skip
    assert sorted(p.name for p in done.folder.iterdir()) == [
        "plan_set.pdf", "plan_view.dxf", "record.json"]  # fmt: skip


def test_several_lots_have_files_of_their_own(tmp_path):
    folder = poor("two lots").folder
    done = hand_over("sheets", folder, params={"pictures": False}, out=tmp_path / "out")
    names = sorted(path.name for path in done.folder.glob("*.pdf"))
    assert names == ["plan_set_a-2.pdf", "plan_set_a.pdf"]
    one = hand_over("sheets", folder, params={"lot": "A", "pictures": False}, out=tmp_path / "one")
    assert [path.name for path in one.folder.glob("*.pdf")] == ["plan_set.pdf"]


@pytest.mark.parametrize(
    ("params", "error", "words"),
    [
        ({"date": "next week"}, RangeError, "'next week'"),
        ({"date": "1850-01-01"}, RangeError, "check the year"),
        ({"date": "2027-02-30"}, RangeError, "2027-01-11"),
        ({"scale_ft": 25.0}, RangeError, "one of 10, 20, 30, 40, 50, 60, 100"),
        ({"scale_ft": 200.0}, GeotrimError, "scale_ft"),
        ({"lot": "B"}, LayerError, "no lot 'B'"),
    ],
)
def test_what_cannot_be_drawn_is_told_and_nothing_is_left(params, error, words, tmp_path):
    with pytest.raises(error, match=re.escape(words)):
        hand_over("sheets", poor("three trees").folder, params=params, out=tmp_path / "out")
    assert not list(tmp_path.iterdir())


def test_a_folder_that_is_no_package_is_told(tmp_path):
    (tmp_path / "other").mkdir()
    with pytest.raises(FileError, match="no result package"):
        hand_over("sheets", tmp_path / "other", out=tmp_path / "out")


def test_the_title_block_tells_data_with_hashes_errors_and_the_shore_by_its_origin():
    package = package_of("plain_lot")
    cells = title_block(package, "SB-07", CHOICES).cells
    data = next(value for name, value in cells.items() if name.startswith("DATA"))
    by_role = {item["role"]: item for item in package.record["inputs"]}
    for role in ("lots", "heights", "ground"):
        assert f"{by_role[role]['path']} {by_role[role]['sha256'][:8]}" in data
    assert "MHW line (from a survey)" in data and "heights (error 0.4 ft)" in data
    assert any("EPSG:6443" in value for value in cells.values())
    apparent = json.loads(json.dumps(package.record))
    apparent["site"]["mhw_line"]["label"] = "apparent shoreline, not an MHW line"
    for item in apparent["inputs"]:
        item["detail"].pop("rmse_ft", None)
    cells = title_block(replace(package, record=apparent), "SB-07", Choices()).cells
    data = next(value for name, value in cells.items() if name.startswith("DATA"))
    assert "apparent shoreline (not an MHW line)" in data
    assert "heights (error not stated)" in data
    assert cells["PREPARED BY, CREDENTIAL"] == cells["PREPARED FOR"] == ""


def test_the_parts_of_a_set_are_in_order():
    titles = [sheet.title for sheet in drawn("plain_lot")[1].sheets]
    firsts = ("Summary", "Location", "Plan view", "Cross-section", "Shoreline elevation",
              "Tree schedule", "Findings", "Checklist", "Cautions")  # fmt: skip
    places = [next(k for k, title in enumerate(titles) if title.startswith(one)) for one in firsts]
    assert places == sorted(places)
    assert [part.what for part in sets.PARTS][-1] == "Cautions"
    assert len(COLUMNS) == 11
