"""Cross-section sheets: true scale read back from the PDF, areas against closed forms."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely
from packages_made import lot_of, sample_package
from sheet_checks import words_of
from side_sheets_made import (
    LOT,
    NAN,
    area_of,
    columns,
    crown,
    ground,
    package,
    paths,
    pdf_pages,
    section_row,
    shape_of,
    trunks,
    words,
)

from geotrim.report.sheets.canopy_parts import MOST_STEPS, steps_of
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.plan_looks import crown_look
from geotrim.report.sheets.section_sheets import section_sheets
from geotrim.report.sheets.side_marks import look_of, pattern_of
from geotrim.report.sheets.upright import scales_that_fit
from geotrim.report.window_facts import Cut, Plan

#: Points of a foot at 1 in = 10 ft: 72 / 10.
K = 7.2


def made(*canopy, rows=None, soil=None, stems=(), cuts=(), **more):
    """The sheets of boxes of canopy, and their first drawing."""
    rows = rows or [section_row()]
    soil = [ground("A", -20.0, 40.0)] if soil is None else soil
    names = {c["crown_id"].iloc[0]: c["top_ft"].max() for c in canopy}
    tables = {
        "sections": pd.DataFrame(rows),
        "section_ground": pd.concat(soil) if soil else pd.DataFrame(),
        "section_columns": pd.concat(canopy) if canopy else pd.DataFrame(),
        "section_trunks": trunks("A", stems),
        "crowns": pd.DataFrame([crown(name, top=top) for name, top in names.items()]),
    }
    sheets = section_sheets(package(tables, cuts=cuts, **more), LOT, Choices())
    return sheets, sheets[0].blocks[0]


def y_of(drawing, name):
    """Heights on paper of the first line of a name, left to right. [pt]."""
    return paths(drawing, name)[0].parts[0][:, 1]


def test_marks_and_a_box_crown_are_true_to_scale_in_the_pdf():
    """On level ground the marks lie 4 ft apart: 28.8 pt at 1 in = 10 ft; a box is as it is."""
    sheets, _ = made(columns("A", "7", 5.0, 13.0, 2.0, 20.0), stems=[("7", 9.0)])
    page = pdf_pages(sheets)[0]
    assert "1 in = 10 ft, along and upward (true scale)" in page.extract_text()
    wide = 60.0 * K
    level = [one for one in page.lines + page.curves if abs(one["width"] - wide) < 0.1]
    level = [one for one in level if one["height"] < 0.01]
    marks = [line["top"] for line in level if abs(line["linewidth"] - 0.7) < 0.01]
    ten, six = sorted(marks)[:2]
    assert six - ten == pytest.approx(4.0 * K, rel=0.005)
    soil = next(one for one in level if one["linewidth"] == 1.4)
    assert soil["bottom"] - six == pytest.approx(6.0 * K, rel=0.005)
    # a width of 1 is PDF's own, so it need not be written
    drawn = [r for r in page.rects + page.curves if r["stroke"] and r["linewidth"] in (0, 1)]
    outline = [r for r in drawn if r["width"] > 30]
    assert [r["width"] for r in outline] == pytest.approx([8.0 * K], rel=0.005)
    assert [r["height"] for r in outline] == pytest.approx([18.0 * K], rel=0.005)


def test_the_depth_is_as_long_as_it_says():
    """38 ft from trunk to trunk at 1 in = 10 ft is 273.6 pt, from -6 to 32 ft."""
    sheets, drawing = made(columns("A", "7", 5.0, 13.0, 2.0, 20.0))
    page = pdf_pages(sheets)[0]
    assert "38.0 ft, trunk to trunk" in page.extract_text()
    found = [line["width"] for line in page.lines if abs(line["width"] - 38.0 * K) < 1.0]
    assert found == pytest.approx([273.6], rel=0.005)
    line = paths(drawing, "depth")[0].parts[0][:, 0]
    ticks = {t.words: t.x_pt for t in drawing.items if hasattr(t, "words") and t.anchor == "middle"}
    assert line[0] - ticks["0"] == pytest.approx(-6.0 * K, abs=0.01)


def test_the_marks_follow_the_substrate():
    """Ground falls 0.1 ft a foot; the 6 ft mark lies 6 ft over it at both ends."""
    _, drawing = made(columns("A", "7", 5.0, 13.0, 0.0, 9.0), soil=[ground("A", -20, 40, -0.1)])
    six, soil = y_of(drawing, "mark-6"), y_of(drawing, "substrate")
    assert soil[[0, -1]] - six[[0, -1]] == pytest.approx([6.0 * K] * 2, abs=1e-6)
    assert six[-1] - six[0] == pytest.approx(0.1 * 60.0 * K, abs=1e-6)
    level = y_of(drawing, "mhw-level")
    assert soil[0] - level[0] == pytest.approx(-2.0 * K, abs=1e-6)  # 2 ft over MHW at -20 ft
    # the box stands on it: 9 ft over -0.5 ft at its left, down to -1.3 ft at its right
    _, y0, _, y1 = shape_of(drawing, "existing").bounds
    assert (level[0] - y0, y1 - level[0]) == pytest.approx((8.5 * K, 1.3 * K), abs=1e-6)


def test_a_lowered_box_loses_its_closed_form():
    """8 ft wide, 20 to 15 to 12 ft: 40 and 24 ft2; a slope is a shear and keeps areas."""
    cuts = [("7", 1, 15.0, NAN, "2027-01-11"), ("7", 2, 12.0, NAN, "2028-01-11")]
    for slope in (0.0, -0.15):
        soil = [ground("A", -20, 40, slope)]
        _, drawing = made(columns("A", "7", 5.0, 13.0, 2.0, 20.0), soil=soil, cuts=cuts)
        assert area_of(drawing, "taken-0") == pytest.approx(40.0 * K**2, rel=1e-6)
        assert area_of(drawing, "taken-1") == pytest.approx(24.0 * K**2, rel=1e-6)
        assert area_of(drawing, "proposed") == pytest.approx(8.0 * 10.0 * K**2, rel=1e-6)
        assert area_of(drawing, "existing") == pytest.approx(8.0 * 18.0 * K**2, rel=1e-6)


def test_a_view_opens_only_where_nothing_stands_behind():
    """Another tree, 17 ft, stands behind the right half: 4 x 5 + 4 x 3 ft2 open of 40."""
    canopy = [columns("A", "7", 5.0, 13.0, 0.0, 20.0), columns("A", "8", 9.0, 15.0, 0.0, 17.0)]
    _, drawing = made(*canopy, cuts=[("7", 1, 15.0, NAN)])
    assert area_of(drawing, "taken-0") == pytest.approx((4 * 5 + 4 * 3) * K**2, rel=1e-6)


def test_a_cleared_band_hangs_on_its_stem():
    """6 to 10 ft go; what stays is under and over it, and the stem reaches the upper piece."""
    _, drawing = made(
        columns("A", "7", 5.0, 13.0, 0.0, 20.0), cuts=[("7", 1, 6.0, 10.0)], stems=[("7", 9.0)]
    )
    assert area_of(drawing, "taken-0") == pytest.approx(8 * 4 * K**2, rel=1e-6)
    assert len(paths(drawing, "proposed")) == 2
    stem = y_of(drawing, "stem-7")
    assert stem[0] - stem[-1] > 10.0 * K
    assert "7: 20.0 ft; 6.00 to 10.00 ft cleared, year 1" in words(drawing)


@pytest.mark.parametrize("name", ["plain_lot", "curved_shore", "canal_corner"])
def test_proposed_never_stands_over_existing(name):
    """On every section of a sample; what is taken and what stays make up what stands."""
    found = section_sheets(sample_package(name), lot_of(sample_package(name)), Choices())
    assert found
    for sheet in found:
        for drawing in sheet.blocks[:-1]:
            existing, proposed = shape_of(drawing, "existing"), shape_of(drawing, "proposed")
            assert proposed.difference(existing.buffer(0.01)).area == 0.0
            taken = sum(area_of(drawing, f"taken-{k}") for k in range(MOST_STEPS + 1))
            assert taken + proposed.area == pytest.approx(existing.area, rel=2e-3)
            assert taken > 0.0 or proposed.area == pytest.approx(existing.area, rel=1e-6)
    text = pdf_pages(found)[0].extract_text()
    assert "LAND" in text and "WATER" in text and "Why here" in text


def test_what_is_not_cut_is_drawn_alike():
    """The outline of the tree that is left is the same with and without the other's cut."""
    canopy = [columns("A", "7", 5.0, 13.0, 0.0, 20.0), columns("A", "8", 20.0, 26.0, 1.0, 17.0)]
    _, without = made(*canopy)
    _, cut = made(*canopy, cuts=[("7", 1, 15.0, NAN)])
    assert not paths(without, "taken-0") and not paths(without, "proposed")
    np.testing.assert_array_equal(
        paths(without, "crown-8")[0].parts[0], paths(cut, "crown-8")[0].parts[0]
    )
    assert area_of(without, "crown-7") > area_of(cut, "crown-7")


def test_without_ground_it_is_level_and_says_so():
    _, drawing = made(columns("A", "7", 5.0, 13.0, 0.0, 9.0), soil=[])
    assert not paths(drawing, "substrate") and not paths(drawing, "substrate-hatch")
    assert "substrate not known: drawn level at MHW" in words(drawing)
    six, level = y_of(drawing, "mark-6"), y_of(drawing, "mhw-level")
    assert level[0] - six[0] == pytest.approx(6.0 * K, abs=1e-6)
    pdf_pages(made(columns("A", "7", 5.0, 13.0, 0.0, 9.0), soil=[])[0])


def test_a_gap_in_the_ground_is_drawn_level():
    """Known to 0 and from 20 ft, 1 ft over MHW; between, the mark is 6 ft over MHW itself."""
    soil = [ground("A", -20, 0, at_mhw=1.0), ground("A", 20, 40, at_mhw=1.0)]
    _, drawing = made(columns("A", "7", 5.0, 13.0, 0.0, 9.0), soil=soil)
    assert len(paths(drawing, "substrate")) == 2
    line = paths(drawing, "mark-6")[0].parts[0]
    level = y_of(drawing, "mhw-level")[0]
    zero = paths(drawing, "depth")[0].parts[0][0, 0] + 6.0 * K
    inside = line[(line[:, 0] > zero + 1) & (line[:, 0] < zero + 20 * K - 1)]
    over = line[line[:, 0] < zero - 1]
    assert level - over[:, 1] == pytest.approx(7.0 * K, abs=1e-6)
    assert not len(inside)  # straight from end to end of the gap, at 6 ft
    at_gap = line[np.isclose(line[:, 0], zero) | np.isclose(line[:, 0], zero + 20 * K), 1]
    assert sorted({round((level - y) / K, 6) for y in at_gap}) == [6.0, 7.0]
    assert shape_of(drawing, "existing").bounds[3] == pytest.approx(level, abs=1e-6)
    (unknown,) = paths(drawing, "substrate-unknown")
    assert np.ptp(unknown.parts[0][:, 0]) == pytest.approx(20.0 * K, abs=1e-6)


@pytest.mark.parametrize(("depth", "is_drawn"), [(38.0, False), (40.0, True), (51.0, True)])
def test_the_limit_is_drawn_where_it_is_near(depth, is_drawn):
    """50 ft from the innermost trunk (s. 403.9325(7) F.S.), from four fifths of it on."""
    row = section_row(fringe_depth_ft=depth, waterward_trunk_ft=-6.0 + depth, water=50.0)
    soil = [ground("A", -20, 50)]
    sheets, drawing = made(columns("A", "7", 5.0, 13.0, 0.0, 9.0), rows=[row], soil=soil)
    lines = paths(drawing, "limit")
    assert bool(lines) == is_drawn
    if is_drawn:
        assert np.ptp(lines[0].parts[0][:, 0]) == pytest.approx(50.0 * K, abs=1e-6)
        assert "limit of the depth: 50 ft" in words(drawing)
    pdf_pages(sheets)


def test_a_depth_that_is_not_known_is_said():
    row = section_row(fringe_depth_ft=NAN, landward_trunk_ft=NAN, waterward_trunk_ft=NAN)
    sheets, drawing = made(columns("A", "7", 5.0, 13.0, 0.0, 9.0), rows=[row])
    assert not paths(drawing, "depth")
    assert "no tree of the fringe here to measure a depth between" in words(drawing)
    assert "nan" not in pdf_pages(sheets)[0].extract_text()


def test_words_of_a_narrow_fringe_stand_under_their_dimension():
    row = section_row(land=-10.0, water=12.0, fringe_depth_ft=9.0, waterward_trunk_ft=3.0,
                      reference="trunk and centre")  # fmt: skip
    sheets, drawing = made(columns("A", "7", -5.0, 2.0, 0.0, 9.0), rows=[row],
                           soil=[ground("A", -10, 12)])  # fmt: skip
    told = "9.0 ft, trunks, or crown centres where not known"
    (text,) = [item for item in drawing.items if getattr(item, "words", "") == told]
    assert text.y_pt > paths(drawing, "depth")[0].parts[0][0, 1] + 8.0
    assert told in pdf_pages(sheets)[0].extract_text()


def test_level_and_origin_of_the_mhw_line_are_told():
    sheets, drawing = made(columns("A", "7", 5.0, 13.0, 0.0, 9.0))
    found = {word.text for word in words_of(pdf_pages(sheets)[0])}
    assert {"MHW", "0.31", "NAVD88,", "1983-2001", "survey,"} <= found
    assert "MHW 0.31 ft NAVD88, epoch 1983-2001" in " ".join(words(drawing))


def test_an_elevation_that_is_not_known_is_not_told():
    mhw = pd.DataFrame([{"label": "MHW line, digitised", "elevation_ft": NAN}])
    tables = {
        "mhw_line": mhw,
        "sections": pd.DataFrame([section_row(water_elevation_ft=0.0, has_ground=False)]),
        "section_columns": columns("A", "7", 5.0, 13.0, 0.0, 9.0),
    }
    (sheet,) = section_sheets(package(tables), LOT, Choices())
    told = " ".join(words(sheet.blocks[0]))
    assert "not known" in told and "0.00 ft" not in told
    given = package(tables, parameters={"sections": {"water_elevation_ft": 0.0}})
    (sheet,) = section_sheets(given, LOT, Choices())
    assert "MHW 0.00 ft" in " ".join(words(sheet.blocks[0]))


def test_a_tree_without_a_known_trunk_is_dashed():
    stems = [("7", 9.0, True), ("8", 11.0, False)]
    sheets, drawing = made(columns("A", "7", 5.0, 13.0, 0.0, 9.0), stems=stems)
    assert paths(drawing, "stem-7")[0].dash_pt == ()
    assert paths(drawing, "stem-8")[0].dash_pt != ()
    assert "centre of a crown whose trunk is not known" in words(sheets[0].blocks[-1])


def test_two_low_sections_share_a_sheet_and_tall_ones_do_not():
    rows = [section_row("A", 20.0, water=90.0), section_row("B", 60.0, water=90.0)]
    for top, n in ((6.0, 1), (40.0, 2)):
        canopy = [columns(name, "7", 5.0, 13.0, 0.0, top) for name in "AB"]
        soil = [ground(name, -20, 90) for name in "AB"]
        sheets, _ = made(*canopy, rows=rows, soil=soil)
        assert len(sheets) == n
        pages = pdf_pages(sheets)
        assert len(pages) == n
        text = " ".join(page.extract_text() for page in pages)
        assert "Section A: station 20.0 ft" in text and "Section B: station 60.0 ft" in text


def test_a_long_section_is_stretched_and_says_so():
    """500 ft does not fit 600 pt before 1 in = 60 ft: heights are at 1 in = 20 ft, threefold."""
    row = section_row(land=-100.0, water=400.0)
    soil = [ground("A", -100, 400)]
    sheets, drawing = made(columns("A", "7", 5.0, 205.0, 0.0, 20.0), rows=[row], soil=soil)
    assert sheets[0].note == "1 in = 60 ft along, 1 in = 20 ft upward: HEIGHTS DRAWN x3"
    six, ten = y_of(drawing, "mark-6")[0], y_of(drawing, "mark-10")[0]
    assert six - ten == pytest.approx(4.0 * 72 / 20, abs=1e-6)
    x0, y0, x1, y1 = shape_of(drawing, "existing").bounds
    assert x1 - x0 == pytest.approx(200.0 * 72 / 60, abs=1e-6)
    assert y1 - y0 == pytest.approx(20.0 * 72 / 20, abs=1e-6)
    assert y0 > 20.0 and y1 < y_of(drawing, "offset-tick")[0]
    pdf_pages(sheets)


def test_scales_are_true_as_far_as_they_can_be_read():
    """Engineer's scales 10 to 40 ft an inch are drawn true; beyond, heights stay at 20."""
    for width, along in ((80.0, 10), (83.0, 10), (84.0, 20), (250.0, 30), (330.0, 40)):
        scales = scales_that_fit(width, 30.0, 600.0, 300.0)
        assert (scales.along_ft, scales.up_ft) == (along, along)
    # too tall for 1 in = 10 ft: 50 ft is 360 pt
    assert scales_that_fit(50.0, 50.0, 600.0, 300.0).along_ft == 20
    assert scales_that_fit(700.0, 30.0, 600.0, 300.0).factor == 5.0  # 100 beside 20


def test_many_trees_in_one_section_stay_on_a_sheet():
    """60 crowns and trunks in one strip: one sheet, no words on others, the rest told by number."""
    rng = np.random.default_rng(1)
    canopy, stems = [], []
    for k in range(60):
        x = float(np.round(rng.uniform(-18, 30) * 2) / 2)
        canopy.append(columns("A", f"t{k}", x, x + 6.0, 0.0, float(rng.uniform(5, 28))))
        stems.append((f"t{k}", x + 3.0))
    cuts = [(f"t{k}", 1, 8.0, NAN) for k in range(0, 60, 3)]
    sheets, drawing = made(*canopy, stems=stems, cuts=cuts)
    pages = pdf_pages(sheets)
    assert len(sheets) == len(pages) == 1
    told = [line for line in words(drawing) if " ft; " in line]
    (rest,) = [line for line in words(drawing) if line.startswith("and ")]
    assert len(told) > 5 and len(told) + int(rest.split()[1]) == 60


def test_long_ids_are_folded_not_cut():
    name = "LOT-2026/shore-east/tree-000123"
    sheets, drawing = made(columns("A", name, 5.0, 13.0, 0.0, 20.0), cuts=[(name, 1, 15.02, NAN)])
    told = [text for text in words(drawing) if text.startswith(name)]
    # up to the next whole inch: 15.02 ft is 180.24 in, so 181 in or 15.083 ft, told up to 15.09
    assert told == [f"{name}: 20.0 ft; top to 15.09 ft, year 1"]
    pieces = [t.words for t in drawing.items if getattr(t, "name", "") == f"number-{name}"]
    assert "".join(pieces) == name and len(pieces) > 1
    pdf_pages(sheets)


def test_no_section_is_no_sheet():
    assert section_sheets(package({}), LOT, Choices()) == []
    other = pd.DataFrame([section_row()]).assign(lot_id="L2")
    assert section_sheets(package({"sections": other}), LOT, Choices()) == []


def test_one_column_and_no_crowns_are_drawn():
    """One step of half a foot is half a foot wide; a section without crowns is still a section."""
    _, drawing = made(columns("A", "7", 5.0, 5.5, 0.0, 10.0))
    assert area_of(drawing, "existing") == pytest.approx(5.0 * K**2, rel=1e-6)
    sheets, drawing = made()
    assert not paths(drawing, "existing") and paths(drawing, "depth")
    pdf_pages(sheets)


@pytest.mark.parametrize("n", range(1, 14))
def test_no_year_is_left_out_of_the_steps(n):
    """Years in their order, each in one step, at most four steps; up to four one by one."""
    cuts = {"7": [Cut("7", year, 5.0, 9.0, f"{2026 + year}-01-11") for year in range(1, n + 1)]}
    steps = steps_of(Plan(cuts, [], False))
    assert [year for step in steps for year in step.years] == list(range(1, n + 1))
    assert len(steps) <= MOST_STEPS
    assert n > MOST_STEPS or all(len(step.years) == 1 for step in steps)
    first = steps[-1].years[0]
    assert f"January 11, {2026 + first}" in steps[-1].when
    assert f"January 11, {2026 + n}" in steps[-1].when


def test_what_is_not_staged_comes_last():
    cuts = {"7": [Cut("7", 0, 5.0, np.inf)], "8": [Cut("8", 1, 6.0, 10.0)]}
    steps = steps_of(Plan(cuts, [], False))
    assert [step.years for step in steps] == [(1,), (0,)]
    assert steps_of(None) == []


def test_numbers_keep_to_the_plot():
    """Numbers over crowns stand in the plot and on none of each other (checked in the PDF too)."""
    canopy = [columns("A", f"{k}", k * 1.5, k * 1.5 + 6.0, 0.0, 15.0 + k) for k in range(9)]
    sheets, drawing = made(*canopy)
    labels = [t for t in drawing.items if getattr(t, "name", "").startswith("number-")]
    assert {t.words for t in labels} == {str(k) for k in range(9)}
    top = max(y for y in (shapely.get_coordinates(shape_of(drawing, "existing"))[:, 1]))
    assert all(t.y_pt < top for t in labels)
    pdf_pages(sheets)


def test_steps_differ_without_colour():
    """Every step has a pattern of its own, those not staged too, drawn and unlike the others."""
    looks = [look_of(k) for k in range(MOST_STEPS + 1)]
    assert len({look.pattern for look in looks}) == MOST_STEPS + 1
    square = shapely.box(0, 0, 40, 40)
    every = [np.round(np.concatenate(pattern_of(square, look)), 6) for look in looks]
    drawn = [frozenset(map(tuple, lines)) for lines in every]
    assert all(drawn) and len(set(drawn)) == len(drawn)


def test_no_pattern_of_a_year_has_the_lines_of_the_plan():
    """On the plan, slanted lines are a top lowered and level ones a band cleared: 45 and 0 deg.

    Long lines of a year are upright; signs are no longer than 3 pt.
    """
    of_plan = {angle % 180.0 for what in ("top", "band") for _, angle in crown_look(
        "mangrove", what).hatches}  # fmt: skip
    assert of_plan == {45.0, 0.0}
    for k in range(MOST_STEPS + 1):
        for line in pattern_of(shapely.box(0, 0, 40, 40), look_of(k)):
            wide, high = np.ptp(line, axis=0)
            assert wide == pytest.approx(0.0) or max(wide, high) <= 3.0


def test_a_cut_that_another_tree_hides_is_drawn_over_it():
    """Tree 8, 9 ft, goes down to 5 ft before tree 7, which stands at 20 ft: 8 x 4 ft2 of dots."""
    canopy = [columns("A", "7", 5.0, 13.0, 0.0, 20.0), columns("A", "8", 5.0, 13.0, 0.0, 9.0)]
    sheets, drawing = made(*canopy, cuts=[("8", 1, 5.0, NAN)])
    assert not paths(drawing, "taken-0")
    assert area_of(drawing, "behind-edge") == pytest.approx(8 * 4 * K**2, rel=1e-6)
    (hatch,) = paths(drawing, "behind-0")
    x, y = np.concatenate(hatch.parts).T
    assert (
        shape_of(drawing, "behind-edge")
        .buffer(0.01)
        .contains(shapely.MultiPoint(np.column_stack([x, y])))
    )
    assert "patterned on grey it is cut too" in " ".join(words(sheets[0].blocks[-1]))


def test_what_a_step_opens_is_not_drawn_as_hidden():
    """Alone, nothing of what is cut is behind anything."""
    _, drawing = made(columns("A", "7", 5.0, 13.0, 0.0, 20.0), cuts=[("7", 1, 15.0, NAN)])
    assert paths(drawing, "taken-0") and not paths(drawing, "behind-edge")


def of_shore(origin, soil=None, elevation=NAN, given=None):
    """Words of a section whose line has an origin, and its legend's."""
    told = {"label": origin, "origin": origin, "elevation_ft": elevation}
    tables = {
        "mhw_line": pd.DataFrame([told]),
        "sections": pd.DataFrame([section_row(water_elevation_ft=0.0)]),
        "section_columns": columns("A", "7", 5.0, 13.0, 0.0, 9.0),
    }
    if soil is not None:
        tables["section_ground"] = soil
    asked = {} if given is None else {"sections": {"water_elevation_ft": given}}
    (sheet,) = section_sheets(package(tables, parameters=asked), LOT, Choices())
    return words(sheet.blocks[0]), words(sheet.blocks[-1])


@pytest.mark.parametrize("given", [None, 0.4])
@pytest.mark.parametrize("has_ground", [True, False])
def test_an_apparent_shoreline_is_not_called_mhw(given, has_ground):
    """It is no mean high water line (s. 177.27 F.S.), so the letters stand nowhere."""
    soil = ground("A", -20.0, 40.0) if has_ground else None
    drawing, legend = of_shore("apparent-shoreline", soil, given=given)
    assert "MHW" not in " ".join(drawing + legend)
    assert any(line.startswith("offset from the apparent shoreline, ft") for line in drawing)
    assert "level of the apparent shoreline" in legend


def test_heights_are_above_what_the_axis_says():
    """Above MHW only where both its level and the substrate are known."""
    soil = ground("A", -20.0, 40.0)
    assert "ft above MHW" in of_shore("survey", soil, 0.3)[0]
    assert "ft above the substrate, drawn level" in of_shore("survey", None, 0.3)[0]
    assert "ft above the level drawn" in of_shore("survey", soil)[0]
    assert "ft above the level drawn" in of_shore("apparent-shoreline", soil)[0]
    assert "ft above the water level given" in of_shore("apparent-shoreline", soil, given=0.4)[0]


def test_a_trunk_without_canopy_in_the_strip_is_listed_as_drawn_by_its_trunk_alone():
    tables = {
        "sections": pd.DataFrame([section_row()]),
        "section_columns": columns("A", "a", 0.0, 6.0, 0.0, 9.0),
        "section_trunks": pd.DataFrame(
            [{"lot_id": LOT, "section_id": "A", "crown_id": name, "offset_ft": x, "aside_ft": 1.0}
             for name, x in (("a", 3.0), ("14", 9.0))]
        ),
        "crowns": pd.DataFrame([crown("a"), crown("14")]), "section_ground": ground("A", -20, 40),
    }  # fmt: skip
    (sheet,) = section_sheets(package(tables), LOT, Choices())
    told = words(sheet.blocks[0])
    assert "14: trunk alone, no canopy in the strip" in told
    assert sum(one.startswith("a: ") for one in told) == 1


def test_numbers_have_the_signs_of_their_species():
    """Not a mangrove: x; not known: ?; both are told in the legend, and only then."""
    canopy = [columns("A", name, 8.0 * k, 8.0 * k + 6.0, 0.0, 9.0) for k, name in enumerate("abc")]
    kinds = [
        crown("a", is_mangrove=True),
        crown("b", is_mangrove=False),
        crown("c", is_mangrove=None),
    ]
    tables = {
        "sections": pd.DataFrame([section_row()]), "crowns": pd.DataFrame(kinds),
        "section_columns": pd.concat(canopy), "section_ground": ground("A", -20.0, 40.0),
    }  # fmt: skip
    (sheet,) = section_sheets(package(tables), LOT, Choices())
    names = {t.words for t in sheet.blocks[0].items if getattr(t, "name", "")[:7] == "number-"}
    assert names == {"a", "b (x)", "c (?)"}
    legend = words(sheet.blocks[-1])
    assert {"behind a number: not a mangrove", "behind a number: species not known"} <= set(legend)
    sheets, _ = made(columns("A", "7", 5.0, 13.0, 0.0, 9.0))
    assert not any("behind a number" in line for line in words(sheets[0].blocks[-1]))


def test_a_number_without_room_is_told():
    """24 trees on one spot: those whose number is not drawn are named under the list."""
    names = [f"tree-number-{k:03d}" for k in range(24)]
    canopy = [columns("A", name, 5.0, 13.0, 0.0, 9.0) for name in names]
    sheets, drawing = made(*canopy)
    drawn = {t.name for t in drawing.items if getattr(t, "name", "").startswith("number-")}
    left = [name for name in names if f"number-{name}" not in drawn]
    (told,) = [line for line in words(drawing) if line.startswith("No room on the drawing")]
    assert left and left[0] in told
    pdf_pages(sheets)
    _, drawing = made(columns("A", "7", 5.0, 13.0, 0.0, 9.0))
    assert not any("No room" in line for line in words(drawing))


def test_two_narrow_sections_stand_side_by_side():
    """25 ft at 1 in = 10 ft are 180 pt and 118 pt beside the plot: two find room on 718 pt."""
    rows = [section_row(name, 20.0 + 30 * k, land=-10.0, water=15.0, fringe_depth_ft=9.0,
                        waterward_trunk_ft=3.0) for k, name in enumerate("AB")]  # fmt: skip
    canopy = [columns(name, "7", 1.0, 9.0, 0.0, 22.0) for name in "AB"]
    sheets, drawing = made(*canopy, rows=rows, soil=[ground(n, -10, 15) for n in "AB"])
    assert len(sheets) == 1 and sheets[0].title.startswith("Cross-sections A and B")
    first, second = paths(drawing, "mhw-level")
    assert np.ptp(first.parts[0][:, 0]) == np.ptp(second.parts[0][:, 0]) == pytest.approx(25 * K)
    apart = second.parts[0][:, 0].min() - first.parts[0][:, 0].max()
    assert apart > 100.0
    assert first.parts[0][0, 1] == pytest.approx(second.parts[0][0, 1])
    pdf_pages(sheets)


def test_the_legend_has_what_is_drawn_and_no_more():
    """Without trunks, cuts or gaps in the ground none of them is in the legend."""
    sheets, _ = made(columns("A", "7", 5.0, 13.0, 0.0, 9.0))
    legend = " ".join(words(sheets[0].blocks[-1]))
    assert "substrate" in legend and "canopy as it stands" in legend
    for word in ("trunk, its number", "centre of a crown", "not known", "bold", "proposed"):
        assert word not in legend
    sheets, _ = made(columns("A", "7", 5.0, 13.0, 0.0, 9.0), stems=[("7", 9.0)],
                     cuts=[("7", 1, 5.0, NAN)])  # fmt: skip
    legend = " ".join(words(sheets[0].blocks[-1]))
    assert all(word in legend for word in ("trunk, its number", "bold", "proposed"))
