"""Shoreline elevation sheets: true scale read back from the PDF, areas against closed forms."""

from __future__ import annotations

import time
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
import shapely
from packages_made import big_package, lot_of, sample_package
from side_sheets_made import (
    LOT,
    NAN,
    area_of,
    crown,
    frontage,
    package,
    paths,
    pdf_pages,
    shape_of,
    side,
    words,
)

from geotrim.report.sheets.canopy_parts import steps_of
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.elevation_drawing import in_sight, scene_of
from geotrim.report.sheets.elevation_read import shore_of
from geotrim.report.sheets.elevation_sheets import elevation_sheets
from geotrim.report.window_facts import plan_of

#: Points of a foot at 1 in = 10, 20 and 30 ft: 72 / scale.
K10, K20 = 7.2, 3.6


def made(boxes, *, ends=((0.0, 100.0),), offsets=None, bases=None, marks=None, **more):
    """The sheets of box crowns (name, from, to, top), and the drawing of the first."""
    offsets, bases, marks = offsets or {}, bases or {}, marks or {}
    crowns = [
        crown(name, (low + high) / 2, offsets.get(name, 0.0), top, bases.get(name, 0.0),
              marks.get(name, True))
        for name, low, high, top, *_ in boxes
    ]  # fmt: skip
    tables = {
        "crown_sides": pd.concat([side(*box) for box in boxes]),
        "crowns": pd.DataFrame(crowns),
        "frontage": frontage(*ends),
    }
    sheets = elevation_sheets(package(tables, **more), LOT, Choices())
    return sheets, sheets[0].blocks[0]


def stations_of(drawing):
    """Station -> place on paper, of the lowest row of figures. [pt]."""
    foot = max(line.parts[0][1, 1] for line in paths(drawing, "station-tick"))
    texts = [t for t in drawing.items if hasattr(t, "words") and t.words.lstrip("-").isdigit()]
    return {int(t.words): t.x_pt for t in texts if 0 < t.y_pt - foot < 12}


def test_a_box_crown_is_true_to_scale_in_the_pdf():
    """1 in = 20 ft: 12 ft wide is 43.2 pt, 24 ft high 86.4 pt, and the marks are 14.4 pt apart."""
    sheets, _ = made([("7", 40.0, 52.0, 24.0)])
    page = pdf_pages(sheets)[0]
    assert "1 in = 20 ft, along and upward (true scale)" in page.extract_text()
    (box,) = [r for r in page.rects + page.curves if r["width"] > 40 and r["linewidth"] == 0.4
              and r["fill"] and r["height"] > 20]  # fmt: skip
    assert box["width"] == pytest.approx(43.2, rel=0.005)
    assert box["height"] == pytest.approx(86.4, rel=0.005)
    marks = [line["top"] for line in page.lines
             if line["width"] > 300 and abs(line["linewidth"] - 0.7) < 0.01]  # fmt: skip
    assert np.diff(sorted(marks)) == pytest.approx([4 * K20], rel=0.005)
    soil = [line for line in page.lines if line["linewidth"] == 1.3 and line["width"] > 300]
    assert soil[0]["width"] == pytest.approx(100.0 * K20, rel=0.005)
    assert soil[0]["top"] - max(marks) == pytest.approx(6 * K20, rel=0.005)


def test_stations_grow_to_the_right_at_the_scale():
    _, drawing = made([("7", 40.0, 52.0, 24.0)])
    at = stations_of(drawing)
    assert {0, 50, 100} <= set(at)
    assert at[100] - at[0] == pytest.approx(100.0 * K20, abs=0.01)
    x0, _, x1, _ = shape_of(drawing, "crown-7").bounds
    assert (x0 - at[0]) / K20 == pytest.approx(40.0, abs=1e-3)
    assert (x1 - at[0]) / K20 == pytest.approx(52.0, abs=1e-3)


def test_a_short_shore_is_drawn_larger():
    """40 ft of low trees fit twice at 1 in = 10 ft: that is the scale."""
    sheets, drawing = made([("7", 10.0, 20.0, 12.0)], ends=((0.0, 40.0),))
    assert sheets[0].note.startswith("1 in = 10 ft,")
    x0, y0, x1, y1 = shape_of(drawing, "crown-7").bounds
    assert (x1 - x0, y1 - y0) == pytest.approx((10 * K10, 12 * K10))
    # 30 ft high it fits once at 1 in = 10 ft, 216 of 454 pt, but not twice with its words
    tall = [("7", 10.0, 20.0, 30.0)]
    assert made(tall, ends=((0.0, 40.0),))[0][0].note.startswith("1 in = 10 ft,")
    assert made(tall, ends=((0.0, 40.0),), cuts=CUTS[:1])[0][0].note.startswith("1 in = 20 ft,")


CUTS = [("7", 1, 15.0, NAN, "2027-01-11"), ("7", 2, 12.0, NAN, "2028-01-11")]


def test_what_a_year_takes_is_its_closed_form():
    """10 ft wide, 20 to 15 to 12 ft: 50 and 30 ft2, and what stands after each year."""
    sheets, _ = made([("7", 40.0, 50.0, 20.0)], cuts=CUTS)
    every = [sheet.blocks[0] for sheet in sheets]
    k2 = K20**2
    assert sum(area_of(d, "opens-1") for d in every) == pytest.approx(50.0 * k2, rel=1e-6)
    assert sum(area_of(d, "opens-2") for d in every) == pytest.approx(30.0 * k2, rel=1e-6)
    stands = [round(p / k2) for d in every for p in _areas(d, "stands-7")]
    assert stands == [150, 120]
    text = " ".join(page.extract_text() for page in pdf_pages(sheets))
    assert "After year 1 (not before January 11, 2027)" in text
    assert "After year 2 (not before January 11, 2028)" in text


def _areas(drawing, name):
    return [shapely.Polygon(path.parts[0]).area for path in paths(drawing, name)]


def test_nothing_opens_where_a_tree_stands_behind():
    """Tree 8, 18 ft, stands 10 ft farther out behind the right 5 ft of tree 7: 5 x 5 + 5 x 2."""
    boxes = [("7", 40.0, 50.0, 20.0), ("8", 45.0, 60.0, 18.0)]
    _, drawing = made(boxes, offsets={"8": 10.0}, cuts=CUTS[:1])
    assert area_of(drawing, "opens-1") == pytest.approx((25 + 10) * K20**2, rel=1e-6)
    assert paths(drawing, "behind-1")  # the other 15 ft2 are hatched over tree 8
    assert area_of(drawing, "taken-1") == pytest.approx(50 * K20**2, rel=1e-6)


def test_what_a_nearer_tree_hides_is_not_drawn_as_taken():
    """Tree 8 stands nearer, 18 ft, before the right half: of 50 ft2 only 25 + 10 are in sight."""
    boxes = [("7", 40.0, 50.0, 20.0), ("8", 45.0, 60.0, 18.0)]
    _, drawing = made(boxes, offsets={"8": -10.0}, cuts=CUTS[:1])
    assert area_of(drawing, "taken-1") == pytest.approx((25 + 10) * K20**2, rel=1e-6)
    order = [item.name for item in drawing.items if getattr(item, "name", "").startswith("crown-")]
    assert order == ["crown-7", "crown-8"]  # the nearer one is painted last


def test_in_sight_of_two_that_are_cut():
    """A far box 4 x 10 behind a near 4 x 8, both lowered to 5: 2 x 4 ft2 of the far are seen."""
    far, near = shapely.box(0, 0, 4, 10), shapely.box(0, 0, 4, 8)
    low = shapely.box(0, 0, 4, 5)
    cuts = [(shapely.difference(box, low),) for box in (far, near)]
    seen = in_sight([(far, low), (near, low)], cuts, 1)
    assert seen[0].area == pytest.approx(8.0)
    assert seen[1].area == pytest.approx(12.0)


def test_every_sheet_shows_it_as_it_stands_and_what_is_left_alike():
    boxes = [("7", 40.0, 50.0, 20.0), ("8", 70.0, 80.0, 18.0)]
    nine = [("7", year, 20.0 - year, NAN) for year in range(1, 10)]
    sheets, _ = made(boxes, cuts=nine)
    names = [text for sheet in sheets for text in words(sheet.blocks[0]) if "After" in text]
    assert [name.partition(" (")[0] for name in names] == [
        "After year 1", "After years 2 to 4", "After years 5 to 7", "After years 8 and 9"
    ]  # fmt: skip
    for sheet in sheets:
        drawing = sheet.blocks[0]
        assert "As it stands" in words(drawing)
        left = [path.parts[0] for path in (*paths(drawing, "crown-8"), *paths(drawing, "stands-8"))]
        assert len(left) >= 2
        for ring in left[1:]:
            assert np.ptp(ring - left[0], axis=0) == pytest.approx([0.0, 0.0], abs=1e-9)
    text = pdf_pages(sheets)[0].extract_text()
    assert "Years are drawn in groups" in " ".join(text.split())


def test_a_cleared_band_and_a_high_base_hang_on_stems():
    """20 ft from a base of 4 ft, 6 to 10 ft cleared: the stem goes on to 10 ft, before to 4 ft."""
    _, drawing = made([("7", 40.0, 50.0, 20.0)], bases={"7": 4.0}, cuts=[("7", 1, 6.0, 10.0)])
    stems = [np.ptp(path.parts[0][:, 1]) / K20 for path in paths(drawing, "stem-7")]
    assert stems == pytest.approx([4.0, 10.0])
    assert area_of(drawing, "opens-1") == pytest.approx(40.0 * K20**2, rel=1e-6)


def test_brackets_stand_over_their_stations():
    sheets, drawing = made([("7", 40.0, 50.0, 20.0)], spans=[(43.0, 61.5), (70, 90)], cuts=CUTS[:1])
    at = stations_of(drawing)
    spans = [path.parts[0][:, 0] for path in paths(drawing, "span")]
    for low, high in ((43.0, 61.5), (70.0, 90.0)):
        assert any(
            np.allclose([s.min(), s.max()], [at[0] + low * K20, at[0] + high * K20], atol=0.01)
            for s in spans
        )
    text = pdf_pages(sheets)[0].extract_text()
    assert "w1: 43-61.5 ft" in text and "w2: 70-90 ft" in text


def test_spans_close_by_have_words_on_two_levels():
    spans = [(40, 44), (45, 49), (50, 54)]
    sheets, drawing = made([("7", 40.0, 50.0, 20.0)], spans=spans, cuts=CUTS[:1])
    levels = {t.y_pt for t in drawing.items if getattr(t, "words", "").startswith("w")}
    assert len(levels) >= 4  # two at least on each of two panels
    pdf_pages(sheets)


def test_the_view_is_told_first_and_last():
    sheets, _ = made([("7", 40.0, 50.0, 20.0)], spans=[(40, 60)], view=(0.146, 0.217), cuts=CUTS)
    text = " ".join(page.extract_text() for page in pdf_pages(sheets))
    assert "view of the water open now: 14.6 %" in text
    assert text.count("with the whole window cut: 21.7 %") == 1
    last = words(sheets[-1].blocks[0])
    assert any("21.7 %" in line for line in last)
    # planned heights are no window: the share after is not told
    sheets, _ = made([("7", 40.0, 50.0, 20.0)], view=(0.146, 0.217), cuts=CUTS)
    text = " ".join(page.extract_text() for page in pdf_pages(sheets))
    assert "14.6 %" in text and "21.7 %" not in text


def test_a_long_shore_is_cut_at_match_lines():
    """500 ft at 1 in = 20 ft in equal parts; every tree is on one, match lines meet."""
    boxes = [(f"t{k}", 10.0 * k, 10.0 * k + 8.0, 22.0) for k in range(50)]
    cuts = [("t30", 1, 12.0, NAN)]
    sheets, _ = made(boxes, ends=((0.0, 500.0),), cuts=cuts)
    assert len(sheets) == 3 and all(sheet.note.startswith("1 in = 20 ft,") for sheet in sheets)
    drawings = [sheet.blocks[0] for sheet in sheets]
    for name, low, high, top in boxes:
        whole = sum(area_of(d, f"crown-{name}") for d in drawings)
        assert whole == pytest.approx((high - low) * top * K20**2, rel=1e-6), name
    told = [[w for w in words(d) if w.startswith("match line")] for d in drawings]
    assert [len(set(w)) for w in told] == [1, 2, 1]
    # thirds of -0.3 to 500.3 ft: at 166.6 and 333.4 ft
    assert set(told[1]) == {"match line, station 167", "match line, station 333"}
    assert set(told[0]) <= set(told[1]) and set(told[2]) <= set(told[1])
    text = [page.extract_text() for page in pdf_pages(sheets)]
    assert "part 2 of 3" in text[1]
    assert sum(area_of(d, "opens-1") for d in drawings) == pytest.approx(80.0 * K20**2, rel=1e-6)


def test_two_stretches_stand_side_by_side_with_a_break():
    """Stations go on over the corner; crowns reach past both ends, and still do not meet."""
    boxes = [("7", 50.0, 75.0, 20.0), ("8", 58.0, 90.0, 18.0, f"{LOT}/2")]
    sheets, drawing = made(boxes, ends=((0.0, 60.0), (60.0, 100.0)))
    left, right = shape_of(drawing, "crown-7"), shape_of(drawing, "crown-8")
    assert right.bounds[0] - left.bounds[2] == pytest.approx(12.0 * K20, abs=1e-6)
    texts = [t.words for t in drawing.items if hasattr(t, "words")]
    assert texts.count("60") == 2
    assert len(paths(drawing, "substrate")) == 2
    pdf_pages(sheets)


def test_kinds_are_marked_and_numbers_of_cut_trees_are_bold():
    boxes = [("7", 10.0, 20.0, 20.0), ("8", 40.0, 50.0, 20.0), ("9", 70.0, 80.0, 20.0)]
    marks = {"8": False, "9": None}
    _, drawing = made(boxes, marks=marks, cuts=CUTS[:1])
    bold = {
        t.words: t.is_bold for t in drawing.items if getattr(t, "name", "").startswith("number")
    }
    assert bold == {"7": True, "8 (x)": False, "9 (?)": False}


def test_a_hidden_tree_has_no_number_in_front():
    boxes = [("7", 40.0, 50.0, 10.0), ("8", 38.0, 52.0, 18.0)]
    _, drawing = made(boxes, offsets={"8": -10.0})
    names = [t.name for t in drawing.items if getattr(t, "name", "").startswith("number")]
    assert names == ["number-8"]


def test_nothing_to_see_is_no_sheet():
    assert elevation_sheets(package({}), LOT, Choices()) == []
    tables = {"crown_sides": side("7", 40, 50, 20), "crowns": pd.DataFrame([crown("7")])}
    assert elevation_sheets(package(tables), LOT, Choices()) == []  # no frontage
    tables["frontage"] = frontage((0, 100))
    assert len(elevation_sheets(package(tables), LOT, Choices())) == 1
    assert elevation_sheets(package(tables), "L2", Choices()) == []


def test_without_a_plan_it_is_one_panel():
    sheets, drawing = made([("7", 40.0, 50.0, 20.0)])
    assert len(sheets) == 1 and not any("After" in text for text in words(drawing))
    assert sheets[0].title == f"Shoreline elevation, lot {LOT}: as it stands"


@pytest.mark.parametrize("name", ["plain_lot", "curved_shore", "canal_corner"])
def test_samples_stand_lower_year_by_year(name):
    """What stands after a step lies in what stood before; trees that are left stay as they are."""
    one = sample_package(name)
    plan = plan_of(one.results, lot_of(one))
    shore = shore_of(one, lot_of(one), plan)
    scene = scene_of(shore, steps_of(plan), (6.0, 10.0), (6.0, 10.0, 16.0, 24.0))
    for before, after in pairwise(scene.together):
        assert after.difference(before.buffer(1e-6)).area == 0.0
        assert after.area < before.area
    for tree, shapes in zip(shore.crowns, scene.shapes, strict=True):
        assert tree.cuts or all(shape is shapes[0] for shape in shapes)
        assert all(a.difference(b.buffer(1e-6)).area == 0.0 for b, a in pairwise(shapes))
    sheets = elevation_sheets(one, lot_of(one), Choices())
    assert len(pdf_pages(sheets)) == len(sheets)


def test_three_hundred_trees_are_quick_and_tidy():
    one = big_package()
    start = time.process_time()
    sheets = elevation_sheets(one, lot_of(one), Choices())
    assert time.process_time() - start < 10.0
    assert len(sheets) > 1
    pdf_pages(sheets)


def test_a_tree_that_is_cut_is_told_by_the_weight_of_its_outline():
    """On a grey copy, and before its year as well: its outlines are at least twice as wide."""
    boxes = [("7", 40.0, 50.0, 20.0), ("8", 70.0, 80.0, 18.0), ("9", 10.0, 20.0, 18.0)]
    cuts = [("7", 1, 15.0, NAN), ("9", 2, 15.0, NAN)]
    sheets, _ = made(boxes, cuts=cuts)
    every = [path for sheet in sheets for path in sheet.blocks[0].items if hasattr(path, "parts")]

    def looks(name):
        mine = [p for p in every if p.name in (f"crown-{name}", f"stands-{name}")]
        return {(p.width_pt, p.fill) for p in mine}

    (cut,) = looks("7")
    assert looks("9") == {cut}
    ((width, fill),) = looks("8")
    assert cut[0] >= 2 * width and cut[1] != fill


def test_the_legend_of_an_elevation_has_what_is_drawn_and_no_more():
    """Boxes from the ground up show no stem; one shore of 8 ft trees no higher limit than 16 ft."""
    sheets, _ = made([("7", 40.0, 50.0, 8.0)])
    legend = " ".join(words(sheets[0].blocks[-1]))
    assert "left as it is" in legend and "end of a stretch" in legend
    for word in (
        "stem",
        "other limits",
        "is cut",
        "today",
        "species",
        "mangrove",
        "zone and stays",
    ):
        assert word not in legend.partition("Seen from")[0]
    sheets, _ = made([("7", 40.0, 50.0, 30.0)], bases={"7": 4.0})
    legend = " ".join(words(sheets[0].blocks[-1]))
    assert "stem" in legend and "other limits" in legend


def test_a_cut_hardly_in_sight_gets_no_number_and_a_narrow_one_a_leader():
    """0.2 ft of a lowered top beside a nearer tree, and 2 ft of another, 7.2 pt for a long name."""
    boxes = [("a-long-name", 40.0, 50.0, 20.0), ("near", 42.0, 60.0, 22.0),
             ("hidden", 70.0, 80.0, 20.0), ("nearer", 70.2, 90.0, 22.0)]  # fmt: skip
    cuts = [("a-long-name", 1, 15.0, NAN), ("hidden", 1, 15.0, NAN)]
    _, drawing = made(boxes, offsets={"near": -10.0, "nearer": -10.0}, cuts=cuts)
    foot = paths(drawing, "station-tick")[0].parts[0][0, 1]
    after = [t for t in drawing.items if getattr(t, "name", "").startswith("number-")]
    after = {t.name for t in after if t.y_pt > foot}
    assert after == {"number-a-long-name"}
    (dot,) = paths(drawing, "leader-dot")
    x, y = dot.parts[0].mean(axis=0)
    assert shape_of(drawing, "taken-1").contains(shapely.Point(x, y))
    assert paths(drawing, "leader")
