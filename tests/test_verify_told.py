"""What verify says first, asks about, and why: ways, units, other grids, zeros, notes, marks.

Limits, s. 403.9326(1)(b)2 F.S.: of a mangrove of 16 ft or more at most 25 % a year; none under 6 ft
after trimming. An international foot is 0.3048 m exactly (NIST Special Publication 811, B.6).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pyproj
import pytest
import rasterio
from packages_made import sample_package
from rasterio import Affine
from test_verify_command import TOPS, as_planned, boxes, raster, table_of, top_cut, verified
from verify_lots import NAN, after, lot, read, tree, verdict
from window_lots import AROUND

from geotrim.errors import LayerError, RangeError
from geotrim.handover import verify
from geotrim.handover.verify_raster import _other_grid, raster_found
from geotrim.ops import after_state as states
from geotrim.ops.after_binding import _default
from geotrim.ops.after_unit import seems_in
from geotrim.ops.package_rules import route_taken
from geotrim.report.statement_html import html
from geotrim.report.statement_parts import Page, Picture
from geotrim.report.verification_figure import CAUTION
from geotrim.report.verification_page import _end, _open_ones
from geotrim.report.verification_standing import standing_of
from geotrim.report.verification_table import count_words, limit_reasons, planned_words
from geotrim.report.verification_text import verification_text
from geotrim.rules.verdict import MET, UNKNOWN

FLOOR, ACT = "professional-height-after", "professional-stages"


@pytest.fixture(autouse=True)
def later_than_every_cut(monkeypatch):
    monkeypatch.setattr(verify, "today", lambda: date(2031, 1, 1))


# --- the way that is open, or not -------------------------------------------------------------


def a_package(standings, *, window=None, findings=(), ways=()):
    """A package of trees t0, t1 ... that year 1 lowers to 15 ft; t0 is cut in year 2 as well."""
    ids = [f"t{k}" for k in range(len(standings))]
    crowns = {
        "lot_id": "L",
        "crown_id": ids,
        "species": "Rhizophora mangle",
        "outcome_route": [route for route, _ in standings],
        "outcome_standing": [how for _, how in standings],
    }
    cuts = [("L", one, 1, None, 15.0, NAN, 15.0) for one in ids] + [
        ("L", "t0", 2, None, 12.0, NAN, 12.0)
    ]
    names = ["lot_id", "crown_id", "year", "date", "from_ft", "to_ft", "height_after_ft"]
    tables = {
        "crowns": pd.DataFrame(crowns),
        "stage_cuts": pd.DataFrame(cuts, columns=names),
        "findings": pd.DataFrame(list(findings)),
        "lot_routes": pd.DataFrame(list(ways)),
        "window_lots": pd.DataFrame() if window is None else pd.DataFrame([window]),
    }
    of = {"stage_cuts": "stages", "window_lots": "window"}
    results = {
        of[name]: SimpleNamespace(tables={name: table}, __getitem__=None)
        for name, table in tables.items()
        if name in of and len(table)
    }

    def rows(name, lot_id=None):
        return tables.get(name, pd.DataFrame())

    return SimpleNamespace(rows=rows, results=results)


def finding(words, *, crown=None, verdict="not met", routes="General permit", binding=True, **more):
    return {
        "crown_id": crown, "verdict": verdict, "effect": "condition", "routes": routes,
        "words": words, "section": f"s. {words[:3]}", "is_binding": binding, **more,
    }  # fmt: skip


@pytest.fixture
def heights_plan(monkeypatch):
    plan = SimpleNamespace(is_window=False)
    monkeypatch.setattr(
        "geotrim.report.verification_standing.plan_of", lambda results, lot_id: plan
    )
    monkeypatch.setattr("geotrim.report.verification_standing.row_of", lambda *a: None)
    return plan


def test_that_no_way_is_open_is_said_with_what_closes_the_nearest(heights_plan):
    findings = [
        finding("Tree rule", crown="t1"),
        finding("Lot rule"),
        finding("Another way's rule", routes="Individual permit"),
        finding("A rule that is met", verdict="met"),
        finding("A rule that does not bind", binding=False),
        finding("A share", effect="share"),
        finding("Mitigation", routes="Owner exemption, Maintenance"),
    ]
    ways = [{"route": "general-permit", "status": "closed", "n_other_plan_trees": 3}]
    package = a_package([("general-permit", "other plan")] * 3, findings=findings, ways=ways)
    told = standing_of(package, "L", 1, "general-permit")
    assert told.lead.startswith("No way is open to this cut by the plan's findings: not for any of")
    assert "the 3 trees" in told.lead and "nearest to one is the general permit" in told.lead
    assert "(owner exemption, maintenance): Mitigation" in told.lead
    assert told.reasons == ("Lot rule [s. Lot]", "Tree rule (1 tree) [s. Tre]")
    assert told.way.startswith("General permit (closed as the plan was judged")
    assert "Against the general permit: Lot rule" in told.words()
    assert "Tree rule" not in told.words(1) and "and 1 more" in told.words(1)
    # year 2 cuts one tree alone
    assert "the 1 tree that" in standing_of(package, "L", 2, "general-permit").lead


@pytest.mark.parametrize(
    ("standings", "words"),
    [
        (["open", "open"], ""),
        (["open", "closed"], "a way is open for 1 of the 2 trees"),
        (["depends", "closed"], "no way is settled for any of the 2 trees"),
        (["closed", "closed"], "No way is open to this cut"),
    ],
)
def test_the_standing_of_some_trees(heights_plan, standings, words):
    package = a_package([("none" if s == "closed" else "general-permit", s) for s in standings])
    lead = standing_of(package, "L", 1, "general-permit").lead
    assert (words in lead) if words else lead == ""
    assert "nearest" not in lead  # no way is nearest to one


@pytest.mark.parametrize("is_assumed", [True, False])
def test_the_way_of_a_window(heights_plan, monkeypatch, is_assumed):
    heights_plan.is_window = True
    row = {"is_way_assumed": is_assumed}
    monkeypatch.setattr("geotrim.report.verification_standing.row_of", lambda *a: row)
    told = standing_of(a_package([("none", "closed")]), "L", 1, "professional-exemption")
    assert ("not settled" in told.lead) is is_assumed
    assert ("not settled" in told.way) is is_assumed


def test_where_heights_are_staged_their_way_goes_before_that_of_a_window():
    windows = pd.DataFrame({"lot_id": ["L"], "way": ["owner-exemption"]})
    lots = pd.DataFrame(
        {"lot_id": ["L"], "outcome_route": ["general-permit"], "staged_plan": ["target-height"]}
    )
    assert route_taken(windows, lots, "L") == ("general-permit", False)
    lots["staged_plan"] = "window"
    assert route_taken(windows, lots, "L") == ("owner-exemption", False)
    assert route_taken(windows, lots.assign(outcome_route="none"), "L")[0] == "owner-exemption"


def test_the_standing_is_said_before_what_was_found(tmp_path):
    """The canal sample: mitigation land, heights planned, and no way open to them."""
    package = sample_package("canal_corner")
    done = verified(tmp_path, package, as_planned(package))
    first = " ".join(done.made.words.split())
    assert first.index("CAUTION: No way is open") < first.index("trees planned")
    assert "land set aside as mitigation" in first
    page = (done.folder / "verification.html").read_text(encoding="utf-8")
    assert page.index("No way is open to this cut") < page.index("What was found")
    figures = done.made.figures["LC-03"]
    assert figures["way"] == "general-permit" and "closed" in figures["way_words"]


# --- units and other grids --------------------------------------------------------------------


@pytest.mark.parametrize(("factor", "unit"), [(0.3048, "metres"), (1.0 / 0.3048, "feet")])
def test_heights_in_another_unit_are_known_by_the_trees_that_are_left(factor, unit):
    before = np.array([20.0, 15.0, 30.0, 10.0, 12.0, 18.0])
    left = np.array([True, True, True, True, False, False])
    found = before.copy()
    found[4:] *= 0.7  # two are cut, and read in the same unit
    assert seems_in(found * factor, before, left) == unit
    assert seems_in(found, before, left) is None
    # a crew that cuts both its trees, and one more, to three tenths: the others stand
    felled = np.where([False, False, False, True, True, True], 0.3048 * before, before)
    assert seems_in(felled, before, left) is None
    # growth of a tenth, and one tree in two not seen
    found[::2] = np.nan
    assert seems_in(1.1 * found * factor, before, left) == unit


def test_too_few_trees_tell_no_unit_and_without_any_left_all_are_looked_at():
    before = np.array([20.0, 15.0, 30.0])
    none = np.zeros(3, dtype=bool)
    assert seems_in(0.3048 * before, before, none) == "metres"
    assert seems_in(0.3048 * before[:2], before[:2], ~none[:2]) is None
    assert seems_in(np.full(3, np.nan), before, ~none) is None


def test_a_raster_in_metres_told_as_feet_is_refused(tmp_path):
    """Every box of 20 ft, not one cut, reads 6.1 ft."""
    given = raster(tmp_path, [0.3048 * 20.0] * 4)
    with pytest.raises(LayerError, match=r"metres.*--heights-unit m"):
        verified(tmp_path, boxes(), heights=given)
    given = raster(tmp_path, [20.0 / 0.3048] * 4)
    with pytest.raises(LayerError, match=r"feet.*--heights-unit ft"):
        verified(tmp_path, boxes(), heights=given)


def of_a_raster(crs="EPSG:6443", cell=1.0):
    """The package of boxes as if its heights came from a raster of such a grid."""
    package = boxes()
    detail = {"crs": crs or package.crs, "cell_size_map_units": [cell, cell]}
    inputs = [{"role": "heights", "detail": detail}]
    return replace(package, record={**package.record, "inputs": inputs})


def with_a_neighbours_cell(tmp_path):
    """Cells of half a foot: of t1, 20 ft and not cut, one of 144 is its neighbour's, of 25 ft."""
    given = raster(tmp_path, TOPS)
    with rasterio.open(given.path) as source:
        grid, profile = source.read(1), source.profile
    fine = np.kron(grid, np.ones((2, 2)))
    x0, _, _, y1 = boxes().rows("crowns").geometry[1].bounds
    fine[round(2 * (60 - y1)), round(2 * (x0 + AROUND))] = 25.0
    profile |= {
        "height": fine.shape[0], "width": fine.shape[1],
        "transform": Affine(0.5, 0.0, -AROUND, 0.0, -0.5, 60.0),
    }  # fmt: skip
    with rasterio.open(given.path, "w", **profile) as out:
        out.write(fine, 1)
    return given


def test_another_grid_widens_the_error_of_a_top_by_what_edge_cells_can_do(tmp_path):
    """99 % of t1's cells keep 20 ft, so its top of 25 ft has an error of hypot(0.2, 5 / 1.96) ft.

    That is 2.56 ft; the others are of one height throughout and keep 0.2 ft, as cells do.
    """
    given = with_a_neighbours_cell(tmp_path)
    table, notes, _ = raster_found(of_a_raster(None), given)
    assert table["height_ft"].tolist() == pytest.approx([15.0, 25.0, 10.0, 17.5], abs=1e-6)
    expected = [0.2, np.hypot(0.2, 5.0 / 1.96), 0.2, 0.2]
    assert table["height_error_ft"].tolist() == pytest.approx(expected, abs=1e-3)
    assert set(table["cell_error_ft"]) == {0.2}
    (text,) = [note.text for note in notes if "edge" in note.text]
    assert "cells of another size" in text and "at most 5.0 ft" in text and "0.0 ft" in text


def test_the_same_grid_is_taken_at_its_word(tmp_path):
    given = with_a_neighbours_cell(tmp_path)
    table, notes, _ = raster_found(of_a_raster(None, 0.5), given)
    assert set(table["height_error_ft"]) == {0.2}
    assert not [note for note in notes if "edge" in note.text]


def test_what_another_grid_is():
    def grid(crs, cell=1.0):
        return SimpleNamespace(describe=lambda: {"crs": crs, "cell_size_map_units": [cell, cell]})

    package = of_a_raster()
    assert _other_grid(package, grid("EPSG:32617")) == "another CRS"
    assert _other_grid(package, grid("EPSG:6443", 1.5)) == "cells of another size"
    same = pyproj.CRS("EPSG:6443").to_wkt()  # the same, told in other words
    assert _other_grid(package, grid(same, 1.0 + 1e-9)) is None
    points = replace(package, record={"inputs": [{"role": "heights", "detail": {}}]})
    assert _other_grid(points, grid("EPSG:32617")) is None


def test_the_error_of_cells_and_that_of_a_top_part_where_edges_count():
    """A box of 20 ft left at 19.5 ft: half a foot of 0.2 ft cells and a top good to 2.56 ft."""
    rows = [("t0", 19.5, 2.56, 195.0, 0.2)]
    names = ["crown_id", "height_ft", "height_error_ft", "volume_ft3", "cell_error_ft"]
    row = tree(after(lot([20.0], left={}), raster=pd.DataFrame(rows, columns=names)))
    # R = (200 - 195) / 200 = 1 / 40; dR = 0.2 ft x 10 ft2 / 200 ft3 = 0.01, heights before exact
    assert row["seen_frac"] == pytest.approx(0.025)
    assert row["seen_error_frac"] == pytest.approx(0.01, abs=1e-6)
    assert row["found_error_ft"] == 2.56


# --- zeros, notes, marks ----------------------------------------------------------------------


def test_a_height_of_0_is_asked_about_unless_its_note_says_why(tmp_path):
    package = sample_package("plain_lot")
    cut, *_ = top_cut(package)
    with pytest.raises(RangeError, match="say so in its note"):
        verified(tmp_path, package, as_planned(package, **{cut: {"height_ft": 0.0}}))
    told = {"height_ft": 0.0, "note": "blown over, gone"}
    done = verified(tmp_path, package, as_planned(package, **{cut: told}))
    assert any("taken as gone" in note.text and cut in note.text for note in done.made.notes)
    assert table_of(done).loc[cut, "state"] == states.MORE
    page = (done.folder / "verification.html").read_text(encoding="utf-8")
    for text in (page, done.made.words):
        assert " -" not in text.replace("  - ", "") and ">-" not in text  # no height under nothing


def test_a_reading_that_was_not_understood_is_shown_with_the_tree(tmp_path):
    package = sample_package("plain_lot")
    cut, *_ = top_cut(package)
    told = {"height_ft": NAN, "is_done": "true", "note": "12 1/2"}
    done = verified(tmp_path, package, as_planned(package, **{cut: told}))
    assert f'{cut}: not read (marked as done; its height was not read; note: "12 1/2")' in " ".join(
        done.made.words.split()
    )
    page = (done.folder / "verification.html").read_text(encoding="utf-8")
    odd = page[page.index("Not as planned") : page.index("Tree by tree")]
    assert "note: &quot;12 1/2&quot;" in odd


def test_a_tree_is_told_by_the_crews_own_marks():
    """17.34 ft goes up to the next inch: 17 ft 5 in is 17.42 ft; a band goes inward."""
    nan = float("nan")
    top = {"treatment": "lower-top", "planned_cut_ft": 17.34, "planned_height_ft": 17.34}
    marks = {"mark_low_ft": 209 / 12, "mark_high_ft": nan}
    assert planned_words(top | marks) == "top to 17 ft 5 in (17.42 ft)"
    band = {"treatment": "clear-band", "planned_from_ft": 6.04, "planned_to_ft": 9.98}
    marks = {"mark_low_ft": 73 / 12, "mark_high_ft": 119 / 12}
    assert planned_words(band | marks) == "clear 6 ft 1 in to 9 ft 11 in (6.09 to 9.91 ft)"
    none = {"mark_low_ft": nan, "mark_high_ft": nan}
    assert planned_words(band | none) == "clear 6.0 to 10.0 ft"
    result = after(lot([20.0], [("t0", 1, 15.04, NAN)]), marks={"t0": (181 / 12, nan)})
    assert planned_words(tree(result)) == "top to 15 ft 1 in (15.09 ft)"


# --- too close by the plan itself -------------------------------------------------------------


def limits_of(result):
    rows = result["after_findings"].set_index(["rule_id", "crown_id"])
    return {key: bool(value) for key, value in rows["is_by_plan"].items()}


def test_too_close_by_the_plan_is_told_apart_from_too_close_by_the_cut():
    """20 ft to 15 ft is a quarter: at the limit. To 16 ft is a fifth, 0.5 ft of error is 2.5 %.

    t1, planned to 16 ft, is cut to 15.1 ft, 0.9 ft of 1.96 x 0.5 ft lower: as planned and too close
    by the cut alone. t2, planned to 15 ft, is cut to 12 ft: not met, and no plan of anything.
    """
    cuts = [("t0", 1, 15.0, NAN), ("t1", 1, 16.0, NAN), ("t2", 1, 15.0, NAN)]
    told = read(**{
        name: {"height_ft": height, "height_error_ft": 0.5, "is_done": True}
        for name, height in (("t0", 15.0), ("t1", 15.1), ("t2", 12.0))
    })  # fmt: skip
    tables = lot([20.0] * 3, cuts)
    tables["stage_cuts"]["removed_of_standing_frac"] = [0.25, 0.2, 0.25]
    result = after(tables, told)
    assert [verdict(result, ACT, f"t{k}") for k in range(3)] == [
        "too close",
        "too close",
        "not met",
    ]
    flags = limits_of(result)
    assert flags[ACT, "t0"] and not flags[ACT, "t1"] and not flags[ACT, "t2"]
    assert not flags[FLOOR, "t0"]
    mine = result["after_findings"]
    acts = mine[mine["rule_id"] == ACT]
    assert count_words(acts)["too close"] == "2 too close (1 since the plan goes to the limit)"
    (reason,) = limit_reasons(acts)
    assert "1 too close by the plan itself" in reason and "share_margin_frac" in reason
    assert "floor_margin_ft" not in reason
    text = " ".join(verification_text({"L": result}, 1).split())
    assert "too close by the plan itself: t0" in text


def test_a_height_planned_at_the_floor_is_too_close_by_the_plan():
    """Planned to 6 ft, the act's own least height, and to 6.5 ft: 0.5 ft is 2.5 errors."""
    told = read(**{
        name: {"height_ft": height, "height_error_ft": 0.2, "is_done": True}
        for name, height in (("t0", 6.0), ("t1", 6.5))
    })  # fmt: skip
    result = after(lot([7.9, 7.9], [("t0", 1, 6.0, NAN), ("t1", 1, 6.5, NAN)]), told)
    assert [verdict(result, FLOOR, f"t{k}") for k in range(2)] == ["too close", "met"]
    flags = limits_of(result)
    assert flags[FLOOR, "t0"] and not flags[FLOOR, "t1"]
    assert "floor_margin_ft" in limit_reasons(result["after_findings"])[0]


def test_without_an_open_limit_no_reason_is_told():
    result = after(lot([20.0], [("t0", 1, 18.0, NAN)]), read(t0=18.0))
    assert limit_reasons(result["after_findings"]) == []
    assert "since the plan" not in " ".join(count_words(result["after_findings"]).values())


# --- the page ---------------------------------------------------------------------------------


def test_the_page_tells_the_same_of_many_trees_once_and_every_source():
    """Two trees cut to nothing that is known: one row, with both trees and both sources."""
    told = read(t0={"is_done": True}, t1={"is_done": True})
    tables = lot([20.0] * 3, [(f"t{k}", 1, 15.0, NAN) for k in range(3)])
    rows = _open_ones(after(tables, told)["after_findings"])
    shares = [row for row in rows if row["measure"] == "share of the crown taken in one year"]
    (row,) = shares
    assert row["whose"] == ["t0", "t1", "t2"] and len(row["sources"]) == 2


def test_the_figure_scrolls_on_a_narrow_screen_and_says_what_its_bars_are():
    picture = Picture("a figure", "a.png", b"", least_px=860)
    page = html(Page("A page", (picture,)))
    assert '<div class="sideways" tabindex="0">' in page and "min-width:860px" in page
    assert 'sideways" tabindex' not in html(Page("A page", (replace(picture, least_px=0),)))
    # 95 % of a normal distribution lies within 1.96 standard errors of its middle
    assert "95 % intervals" in CAUTION and "1.96 standard errors each way" in CAUTION


READINGS = [("original", "before its first cut"), ("standing", "what stood just before")]


@pytest.mark.parametrize(("reading", "words"), READINGS)
def test_the_method_names_the_reading_of_the_share_and_what_overrules(reading, words):
    package = SimpleNamespace(
        parameter=lambda operation, name, default=None: (
            reading if name == "foliage_reading" else default
        ),
        sha256="0" * 64,
        changed=(),
    )
    results = {"L": after(lot([20.0], [("t0", 1, 15.0, NAN)]), read(t0=15.0))}
    told = html(Page("", tuple(_end(package, results, []))))
    (said,) = [one for one in told.split("<li>") if "share of a year is held against" in one]
    assert words in said
    assert "the volumes count, even where the top stands as before" in told


# --- what breaking the code on purpose did not bring to light -----------------------------------


def test_a_tree_not_cut_as_planned_is_never_too_close_by_the_plan():
    """20 ft good to 1 ft, planned to 15 ft, a quarter; left at 15.5 ft, read to 0.05 ft."""
    told = read(t0={"height_ft": 15.5, "height_error_ft": 0.05, "is_done": True})
    tables = lot([20.0], [("t0", 1, 15.0, NAN)], error=1.0)
    tables["stage_cuts"]["removed_of_standing_frac"] = [0.25]
    result = after(tables, told)
    assert tree(result)["state"] == states.LESS and verdict(result, ACT) == "too close"
    assert not any(limits_of(result).values())


def test_a_cut_planned_at_the_lowest_foliage_is_too_close_by_the_plan():
    """Lowest foliage at 7 ft, planned and left 0.1 ft over it, read to 0.2 ft."""
    told = read(t0={"height_ft": 7.1, "height_error_ft": 0.2, "is_done": True})
    result = after(lot([9.0], [("t0", 1, 7.1, NAN)], bases=[7.0]), told)
    rows = result["after_findings"]
    mine = rows[rows["measure"] == "height left above the lowest foliage"]
    assert len(mine) and set(mine["verdict"]) == {"too close"} and mine["is_by_plan"].all()


def test_a_local_rule_that_leaves_some_trees_unbound_may_leave_any():
    by_rule = pd.DataFrame({"rule_id": ["town:a", "town:b"], "n_not_binding": [2, 0]})
    assert _default("town:a", by_rule) == UNKNOWN and _default("town:b", by_rule) == MET
