"""The plan view: its scale read back from the PDF, its turn, its words, and no tree missing."""

from __future__ import annotations

import re
from itertools import pairwise

import numpy as np
import pandas as pd
import pdfplumber
import pytest
import shapely
from packages_made import lot_of, sample_package
from plans_made import (
    LOT,
    METRES,
    ORIGIN,
    US_FEET,
    package,
    pdf_file,
    rows_of_trees,
    straight,
    text_of,
    words_in,
)

from geotrim.errors import RangeError
from geotrim.handover.plan_dxf import LAYERS
from geotrim.model import Result
from geotrim.report.sheets import plan_frame as frames
from geotrim.report.sheets import plan_labels, sheet
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.compiled import corners, drawing_data
from geotrim.report.sheets.drawing import Path, Pen, Text
from geotrim.report.sheets.legend import Entry, draw_bar, draw_legend
from geotrim.report.sheets.location import _degrees, location_sheets, middle_words
from geotrim.report.sheets.plan_frame import plan_frame
from geotrim.report.sheets.plan_lot import plan_lot
from geotrim.report.sheets.plan_set import has_plan
from geotrim.report.sheets.plan_told import told_of_plan
from geotrim.report.sheets.plan_view import HOPELESS, drawn, plan_view_sheets
from geotrim.report.sheets.title_block import lot_name

#: International feet in a map unit. 85 FR 62698 (5 Oct 2020): a foot is 0.3048 m exactly, a US
#: survey foot 1200/3937 m.
FEET = {US_FEET: 1200 / 3937 / 0.3048, METRES: 1 / 0.3048}
FEW = [(20.0, 10.0, 14.0), (52.0, 18.0, 12.0), (88.0, 9.0, 16.0)]


def sheets_of(one, **choices):
    return plan_view_sheets(one, LOT, Choices(**choices))


def items_of(one_sheet, name, kind=Path):
    return [
        item for block in one_sheet.blocks if hasattr(block, "items")
        for item in block.items if isinstance(item, kind) and item.name.startswith(name)
    ]  # fmt: skip


def scale_of(one_sheet):
    return float(re.fullmatch(r"1 in = (\d+) ft", one_sheet.note).group(1))


def pages(sheets):
    return pdfplumber.open(pdf_file(sheets))


def dots_on(page, size=2.2):
    """Middles of filled dots of a trunk's size on a page, in the order they are drawn. [pt]."""
    shapes = [*page.curves, *page.rects]
    found = [
        ((s["x0"] + s["x1"]) / 2, (s["top"] + s["bottom"]) / 2) for s in shapes
        if s["fill"] and abs(s["width"] - size) < 0.05 and abs(s["height"] - size) < 0.05
    ]  # fmt: skip
    return np.array(found)


@pytest.mark.parametrize("crs", [US_FEET, METRES])
@pytest.mark.parametrize("turn", [0.0, 37.0, 200.0])
def test_a_length_on_the_ground_is_right_on_the_pdf(crs, turn):
    """Three trunks 32, 36 and 68 ft apart along the shore, in feet of the CRS or metres of it."""
    unit = 1.0 if crs == US_FEET else 0.3048
    one = straight(FEW, crs=crs, unit=unit, turn_deg=turn)
    (made,) = sheets_of(one)
    with pages([made]) as pdf:
        at = dots_on(pdf.pages[0])[:3]  # the legend's dot comes after the map's
        paper_in = np.array([np.hypot(*(at[i] - at[j])) for i, j in ((0, 1), (1, 2), (0, 2))]) / 72
        ground = [np.hypot(32, 8), np.hypot(36, 9), np.hypot(68, 1)]
        expected = np.array(ground) * unit * FEET[crs] / scale_of(made)
        np.testing.assert_allclose(paper_in, expected, rtol=1e-3)
        size = float(pdf.pages[0].width), float(pdf.pages[0].height)
    assert size == (792.0, 612.0)  # 11 x 8.5 in at 72 pt


def test_a_hundred_feet_of_shore_and_the_bar_are_right_on_the_pdf():
    """Ticks from 0 to 100 ft stand 100 / scale inches apart, and so does the bar's own length."""
    (made,) = sheets_of(straight(FEW))
    scale = scale_of(made)
    first, last = (items_of(made, f"tick {at}")[0] for at in ("0.00", "100.00"))
    apart = np.hypot(*(first.parts[0][0] - last.parts[0][0]))
    hundred = 100 * FEET[US_FEET]
    assert apart / 72 * scale == pytest.approx(hundred, rel=1e-6)
    boxes = items_of(made, "scale-bar")
    feet = float(boxes[0].name.rpartition("-")[2])
    with pages([made]) as pdf:
        page = pdf.pages[0]
        bars = [r for r in page.rects if abs(r["height"] - 3.6) < 0.05 and r["width"] > 5]
        long = max(r["x1"] for r in bars) - min(r["x0"] for r in bars)
        assert f"{feet:g} ft" in page.extract_text()
        # both ticks are in the PDF, as strokes of the places they were drawn at
        ticks = [o["x0"] for o in (*page.lines, *page.curves) if abs(o["linewidth"] - 0.9) < 1e-3]
        left = sheet.MARGIN_PT + sheet.PAD_PT
        for path in (first, last):
            assert min(abs(x - left - path.parts[0][0][0]) for x in ticks) < 0.01
    assert long / 72 * scale == pytest.approx(feet, rel=5e-3)


@pytest.mark.parametrize("turn", [0.0, 30.0, -110.0])
def test_the_north_arrow_points_north(turn):
    """The shore ran east: turned by 30 deg, the frame turns it back, and north leans to the right.

    Turning the ground counter-clockwise by t puts its east at t; the plan has it at 0, so north
    stands at 90 deg - t on paper.
    """
    (made,) = sheets_of(straight(FEW, turn_deg=turn))
    foot, tip = items_of(made, "north-arrow")[0].parts[0]
    way = np.degrees(np.arctan2(-(tip[1] - foot[1]), tip[0] - foot[0]))
    assert (way - (90.0 - turn) + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-6)


def test_water_is_up_and_stations_grow_to_the_right():
    one = straight(FEW, turn_deg=140.0)
    (made,) = sheets_of(one)
    ticks = [items_of(made, f"tick {at}.")[0].parts[0] for at in (0, 50, 100)]
    across = [tick[0][0] for tick in ticks]
    assert across == sorted(across)
    assert all(tick[1][1] > tick[0][1] for tick in ticks)  # ticks stand on the land, below
    lines = [item.parts[0] for item in items_of(made, "riparian") if "casing" not in item.name]
    assert all(line[:, 1].min() < ticks[0][0][1] - 20 for line in lines)


@pytest.mark.parametrize("n", [0, 1, 3, 40])
def test_every_number_is_found_in_the_pdf(n):
    trees = rows_of_trees(n, 100.0, n_rows=3, side=7.0) if n else []
    ids = [f"Q{100 + k}" for k in range(n)]
    made = sheets_of(straight(trees, ids=ids))
    assert set(ids) <= set(text_of(made).split())


def test_three_hundred_trees_are_all_numbered_and_no_words_touch():
    ids = [f"N{k:03d}" for k in range(300)]
    made = sheets_of(straight(rows_of_trees(300, 600.0), 600.0, ids=ids))
    assert len(made) > 2
    assert made[0].title == "Plan view, overall"
    on_parts = [word for page in words_in(made)[1:] for word in page if word in set(ids)]
    assert sorted(on_parts) == ids  # each once, on the part it belongs to
    for one in made:
        assert_no_words_touch(one)


def test_ids_that_are_long_still_stand_on_the_plan():
    ids = [f"shoreline-survey-2026-tree-number-{k:04d}" for k in range(12)]
    made = sheets_of(straight(rows_of_trees(12, 100.0, 2, 8.0), ids=ids))
    assert set(ids) <= set(text_of(made).split())
    for one in made:
        assert_no_words_touch(one)


def assert_no_words_touch(one_sheet):
    """Boxes of all words of a drawing, as they are printed, are free of each other."""
    for block in one_sheet.blocks:
        if not hasattr(block, "items"):
            continue
        texts = [item for item in block.items if isinstance(item, Text)]
        boxes = shapely.polygons([corners(item, 0.0) for item in texts])
        tree = shapely.STRtree(shapely.buffer(boxes, -0.15))
        a, b = tree.query(shapely.buffer(boxes, -0.15), predicate="intersects")
        clash = {(texts[i].words, texts[j].words) for i, j in zip(a, b, strict=True) if i < j}
        halves = {pair for pair in clash if is_one_label(*pair, texts)}
        assert clash <= halves
        room = shapely.box(-0.5, -0.5, block.width_pt + 0.5, block.height_pt + 0.5)
        assert shapely.covers(room, boxes).all()


def is_one_label(first, second, texts):
    """Whether two words are lines of one label: they have its key, and a turn in common."""
    one, two = (next(t for t in texts if t.words == words) for words in (first, second))
    return one.name == two.name and one.name not in ("", "legend") and one.turn_deg == two.turn_deg


@pytest.mark.parametrize("name", ["plain_lot", "canal_corner"])
def test_samples_have_every_number_and_no_words_touch(name):
    one = sample_package(name)
    made = plan_view_sheets(one, lot_of(one), Choices())
    made += location_sheets(one, lot_of(one), Choices())
    words = set(text_of(made).split())
    ids = one.rows("crowns", lot_of(one))["crown_id"].astype(str)
    assert set(ids) <= words
    for each in made:
        assert_no_words_touch(each)
    legend = " ".join(item.words for item in items_of(made[0], "legend", Text))
    label = one.record["site"]["mhw_line"]["label"]
    assert label in legend
    assert "proposed, square to the smoothed shore" in legend


def test_a_long_lot_is_parted_at_match_lines_that_two_parts_share():
    """1,200 ft of shore: at 1 in = 100 ft there is room for (718 - 32) / 72 x 100 = 953 ft."""
    trees = rows_of_trees(72, 1200.0, 2, 12.0)
    ids = [f"P{k:03d}" for k in range(72)]
    made = sheets_of(straight(trees, 1200.0, ids=ids))
    overall, parts = made[0], made[1:]
    assert scale_of(overall) == 200
    spans = [re.search(r"stations (\d+) to (\d+) ft", part.title).groups() for part in parts]
    assert spans[0][0] == "0"
    assert spans[-1][1] == "1200"
    for (_, end), (start, _) in pairwise(spans):
        assert end == start
        assert int(end) % 10 == 0
    pages_ = words_in(made)
    for k, (low, high) in enumerate(spans):
        words = " ".join(pages_[k + 1])
        for at in {low, high} - {"0", "1200"}:
            assert f"station{at}ft" in words.replace(" ", "")  # turned words, letter by letter
        inside = {ids[i] for i, (x, _, _) in enumerate(trees) if int(low) + 1 < x < int(high) - 1}
        assert inside <= set(words.split())
    numbered = [word for page in pages_[1:] for word in page if word in set(ids)]
    assert sorted(numbered) == ids
    assert len({part.note for part in parts}) == 1


def test_the_match_line_lies_on_its_station():
    trees = rows_of_trees(120, 1200.0, 2, 9.0)
    one = plan_lot(straight(trees, 1200.0), LOT)
    views = frames.strips(one, 50)
    for left, right in pairwise(views):
        shared = {words for _, words in right.matches}
        ((edge, words),) = [match for match in left.matches if match[1] in shared]
        at = float(re.search(r"station (\d+) ft", words).group(1)) / FEET[US_FEET]
        xy = shapely.get_coordinates(edge) - shapely.get_coordinates(one.stretches[0].line)[0]
        assert xy[:, 0] == pytest.approx([at, at], abs=0.01)
        assert xy[0, 1] < 0 < xy[1, 1]
        other = next(m for m in right.matches if m[1] == words)
        assert shapely.equals_exact(edge, other[0], 1e-6)


@pytest.mark.parametrize(
    ("length", "scale"),
    [(90, 20), (162, 20), (164, 30), (257, 30), (259, 40), (352, 40), (354, 50), (448, 50),
     (449, 60), (543, 60), (545, 100), (924, 100), (926, 200)],
)  # fmt: skip
def test_the_largest_scale_that_fits_is_chosen(length, scale):
    """The wider of the two maps has 718.4 - 2 x 16 = 686.4 pt, 9.533 in, for shore and 2 x 14 ft.

    At 20 ft that is 190.7 - 28 = 162.7 ft of shore, at 30 258.0, at 40 353.3, at 50 448.7, at 60
    544.0, at 100 925.3. On 90 ft 10 ft in an inch would be 85 pt too wide.
    """
    one = straight([(length / 2, 24.0, 8.0)], float(length))
    assert plan_frame(one, LOT, Choices()).scale_ft == scale
    in_metres = straight([(length / 2, 24.0, 8.0)], float(length), METRES, unit=0.3048)
    assert plan_frame(in_metres, LOT, Choices()).scale_ft == scale


@pytest.mark.parametrize("scale", [20, 30, 50, 60])
def test_every_tree_is_on_one_part_wherever_the_shore_is_parted(scale):
    """Trees every 2.5 ft, so that some stand on each match line and on both sides of it."""
    trees = [(2.5 * k, 8.0, 2.0) for k in range(1, 480)]
    one = plan_lot(straight(trees, 1200.0), LOT)
    numbers = [number for view in frames.strips(one, scale) for number in view.numbers]
    assert len(numbers) == len(set(numbers)) == 479


def test_the_shore_is_named_on_the_part_not_beyond_its_match_line():
    one = plan_lot(straight(rows_of_trees(72, 1200.0, 2, 12.0), 1200.0), LOT)
    for view in frames.strips(one, 50)[:-1]:
        canvas = drawn(one, view)
        edge = shapely.get_coordinates(canvas.paper(view.matches[-1][0]))[0, 0]
        (label,) = plan_labels._on_line(canvas, one.mhw, "MHW line", rank=1)
        half = label.extent_pt[0] / 2
        assert label.spots[:, 0].max() + half < edge + 0.01
        assert len(view.matches) == 1 or label.spots[:, 0].min() - half > 0.0


def test_the_outer_parts_show_what_lies_beyond_the_ends_of_the_shore():
    """Of the land and water to the left of station 0 the first part shows 20 ft, the last none."""
    one = plan_lot(straight(rows_of_trees(72, 1200.0, 2, 12.0), 1200.0), LOT)
    views = frames.strips(one, 50)
    x0, y0 = shapely.get_coordinates(one.stretches[0].line)[0]
    for x, first, last in ((-20.0, True, False), (1220.0, False, True), (600.0, False, False)):
        spot = shapely.Point(x0 + x, y0 + 5.0)
        assert shapely.covers(views[0].clip, spot) == first
        assert shapely.covers(views[-1].clip, spot) == last


def test_a_scale_that_does_not_fit_says_which_would():
    with pytest.raises(RangeError, match=r"1 in = 10 ft.*needed 1 in = 20 ft") as caught:
        sheets_of(straight(FEW), scale_ft=10)
    assert caught.value.subject == "scale of the plan view"
    assert scale_of(sheets_of(straight(FEW), scale_ft=50)[0]) == 50


def test_two_stretches_are_both_on_the_plan_with_their_own_stations():
    """A corner lot: 60 ft up a west shore, then 80 ft along a north one; water outside."""
    first = shapely.LineString([(0, 0), (0, 60)])
    second = shapely.LineString([(0, 60), (80, 60)])
    f = FEET[US_FEET]
    more = {
        "lots": {"lot_id": [LOT], "is_measured": [True], "frontage_length_ft": [140 * f],
                 "geometry": [shapely.box(0, 0, 80, 60)]},
        "mhw_line": {"geometry": [shapely.LineString([(0, -30), (0, 60), (110, 60)])]},
        "frontage": {"lot_id": [LOT] * 2, "stretch_id": ["L1/1", "L1/2"],
                     "station_from_ft": [0.0, 60 * f], "station_to_ft": [60 * f, 140 * f],
                     "geometry": [first, second]},
        "riparian_lines": {"lot_id": [LOT], "side": ["left"], "method": ["x"],
                           "label": ["proposed"],
                           "geometry": [shapely.LineString([(0, 0), (-60, 0)])]},
        "fringe": {"lot_id": [LOT], "geometry": [shapely.box(-20, 0, 0, 60)]},
        "zone": {"lot_id": [LOT], "geometry": [shapely.box(-20, 0, 0, 60)]},
    }  # fmt: skip
    one = straight([(-8.0, 30.0, 10.0), (40.0, 68.0, 10.0)], ids=["W1", "N1"], more=more)
    (made,) = sheets_of(one)
    assert {"W1", "N1"} <= {item.words for item in items_of(made, "number", Text)}
    stations = [item.words for item in items_of(made, "station", Text)]
    assert stations.count("60\u2032") == 2  # the end of one stretch, the start of the other
    # the shore goes on average (80, 60): turned by atan2(60, 80) = 36.87 deg clockwise
    assert plan_frame(one, LOT).turn_deg == pytest.approx(-36.8699, abs=1e-3)


def test_holes_and_parts_of_shapes_are_drawn():
    with_hole = shapely.box(10, 2, 40, 30).difference(shapely.box(20, 10, 30, 20))
    two = shapely.union_all([shapely.box(50, 2, 60, 12), shapely.box(70, 2, 80, 12)])
    more = {
        "crowns": {"crown_id": ["H", "M"], "lot_id": [LOT] * 2,
                   "is_mangrove": np.array([True, None], dtype=object),
                   "geometry": [with_hole, two]},
        "trunks": {"crown_id": [], "geometry": []},
        "setbacks": {"setback_name": ["wire"], "reference": ["file"], "distance_ft": [10.0],
                     "source": ["invented"], "geometry": [shapely.union(with_hole, two)]},
    }  # fmt: skip
    made = sheets_of(straight(FEW[:2], more=more))
    ground = [item for item in items_of(made[0], "crown H") if item.fill]
    assert len(ground[0].parts) == 2  # the outline and its hole
    assert len([item for item in items_of(made[0], "crown M") if item.fill]) == 2
    assert {"H", "M"} <= {item.words for item in items_of(made[0], "number", Text)}
    legend = " ".join(item.words for item in items_of(made[0], "legend", Text))
    assert "setback: wire, 10 ft (invented)" in legend
    assert "crown, species unknown (1)" in legend


def test_the_legend_tells_what_is_drawn_and_nothing_else():
    (bare,) = sheets_of(straight([]))
    words = " ".join(item.words for item in items_of(bare, "legend", Text))
    assert "MHW line, from a survey, 0.31 ft NAVD88, epoch 1983-2001" in words
    for absent in ("crown", "trunk", "window", "zone", "setback", "eye", "section", "depth"):
        assert absent not in words
    more = {
        "window_spans": {"lot_id": [LOT], "span_id": ["L1/w1"], "stretch_id": ["L1/1"],
                         "station_from_ft": [30.0], "station_to_ft": [60.0],
                         "geometry": [shapely.box(30, 0, 60, 22)]},
        "eyes": {"eye_id": ["deck"], "lot_id": [None], "geometry": [shapely.Point(50, -30)]},
        "transects": {"lot_id": [LOT], "station_ft": [52.0], "reference": ["trunk"],
                      "fringe_depth_ft": [18.0],
                      "geometry": [shapely.LineString([(52, 0), (52, 18)])]},
        "sections": {"lot_id": [LOT], "section_id": ["A"], "station_ft": [20.0],
                     "geometry": [shapely.LineString([(20, -15), (20, 40)])]},
    }  # fmt: skip
    (full,) = sheets_of(straight(FEW, more=more))
    words = " ".join(item.words for item in items_of(full, "legend", Text))
    for there in ("mangrove crown (3)", "trunk", "window w1", "zone", "eye: a place to look from",
                  "cross-section",
                  "fringe: 18.0 ft at station 52, trunk to trunk"):  # fmt: skip
        assert there in words
    assert "arrow to an eye" not in words
    text = text_of([full])
    assert "w1: 30-60 ft" in text
    assert "eye: deck" in text


def test_a_section_is_looked_at_with_its_water_on_the_right():
    """Seen along the shore to the left, the land is on the left hand and the water on the right."""
    more = {"sections": {"lot_id": [LOT], "section_id": ["A"], "station_ft": [20.0],
                         "geometry": [shapely.LineString([(20, -15), (20, 40)])]}}  # fmt: skip
    (made,) = sheets_of(straight(FEW, more=more))
    arrows = [item.parts[0] for item in items_of(made, "section-arrow")]
    assert len(arrows) == 2
    for wing, tip, other in arrows:
        assert tip[0] < min(wing[0], other[0]) - 5.0
    letters = [item for item in items_of(made, "section", Text) if item.words == "A"]
    assert len(letters) == 2


def test_an_eye_beyond_the_map_is_told_by_an_arrow_and_its_distance():
    """From the map's foot straight down to an eye: its distance in feet is told."""
    more = {"eyes": {"eye_id": ["attic"], "lot_id": [None], "geometry": [shapely.Point(50, -120)]}}
    one = straight(FEW, more=more)
    (made,) = sheets_of(one)
    (arrow,) = items_of(made, "eye-arrow")
    tip = arrow.parts[0][0]
    frame = plan_frame(one, LOT)
    eye = frame.points(shapely.get_coordinates(one.rows("eyes").geometry.array))[0]
    off = np.hypot(*(eye - tip)) / 72 * frame.scale_ft
    assert f"eye: attic, {off:.0f} ft beyond" in {item.words for item in items_of(made, "", Text)}
    assert abs(tip[1] - frame.height_pt) < 5.0
    words = " ".join(item.words for item in items_of(made, "legend", Text))
    assert "arrow to an eye" in words and "eye: a place" not in words
    assert not items_of(made, "eye-dot")


def test_what_is_planned_is_carried_by_hatch_and_the_kind_by_the_edge():
    window_trees = pd.DataFrame(
        {"lot_id": [LOT] * 2, "crown_id": ["T1", "T2"], "treatment": ["lower-top", "clear-band"],
         "cut_low_ft": [10.0, 6.0], "cut_high_ft": [np.nan, 10.0]}
    )  # fmt: skip
    spans = {"lot_id": [LOT], "span_id": ["L1/w1"], "stretch_id": ["L1/1"],
             "station_from_ft": [30.0], "station_to_ft": [60.0],
             "geometry": [shapely.box(30, 0, 60, 22)]}  # fmt: skip
    crowns = {"crown_id": ["T1", "T2", "T3"], "lot_id": [LOT] * 3, "keep": [None, None, "nest"],
              "is_mangrove": np.array([True, False, None], dtype=object),
              "geometry": [shapely.box(x - 6, 4, x + 6, 16) for x in (20, 50, 80)]}  # fmt: skip
    one = straight(FEW, more={"window_spans": spans, "crowns": crowns}, results={
        "window": Result("window", {"window_spans": pd.DataFrame(spans).drop(columns="geometry"),
                                    "window_trees": window_trees}, (), {})})  # fmt: skip
    (made,) = sheets_of(one)

    def slope(number):
        (item,) = items_of(made, f"crown {number}-hatch")
        way = item.parts[0][1] - item.parts[0][0]
        return way[1] / way[0]

    assert slope("T1") == pytest.approx(-1.0)  # slanted: the top is lowered
    assert slope("T2") == pytest.approx(0.0, abs=1e-9)  # level: the band is cleared
    assert not items_of(made, "crown T3-hatch")
    edges = {k: [i for i in items_of(made, f"crown {k}") if i.stroke and not i.name.endswith("h")]
             for k in ("T1", "T2", "T3")}  # fmt: skip
    assert edges["T1"][-1].dash_pt == ()
    assert len({edges[k][-1].dash_pt for k in edges}) == 3
    assert len(edges["T3"][-1].parts) == len(edges["T1"][-1].parts) + 1  # the double outline
    legend = " ".join(item.words for item in items_of(made, "legend", Text))
    for words in ("slanted hatch: top lowered (1)", "no hatch: left as it is (1)",
                  "level hatch: band cleared under a kept top (1)",
                  "double outline: to be kept, as you said (1)"):  # fmt: skip
        assert words in legend


def test_a_drawing_stays_in_its_room():
    for one in (straight(FEW), straight([]), straight(rows_of_trees(60, 300.0), 300.0)):
        for each in sheets_of(one):
            for block in each.blocks:
                drawing_data(block)  # raises where it is larger than the sheet has room for
                for item in block.items:
                    for part in item.parts if isinstance(item, Path) else ():
                        low, high = part.min(axis=0), part.max(axis=0)
                        assert (low > -2.0).all()
                        assert high[0] < block.width_pt + 2.0
                        assert high[1] < block.height_pt + 2.0


def test_a_legend_that_is_too_long_gives_back_what_has_no_room():
    entries = [Entry(f"entry number {k}") for k in range(100)]
    rest = draw_legend(Pen(), entries, (0.0, 0.0, 150.0, 120.0))
    assert 0 < len(rest) < 100
    assert rest[-1] is entries[-1]
    pen = Pen()
    assert draw_legend(pen, entries[:8], (0.0, 0.0, 150.0, 120.0)) == []
    assert [item.words for item in pen.items] == [entry.words for entry in entries[:8]]


@pytest.mark.parametrize("scale", [10, 20, 30, 40, 50, 60, 100, 200, 1000])
def test_the_bar_is_as_long_as_it_says(scale):
    pen = Pen()
    drawn = draw_bar(pen, 0.0, 0.0, scale, 150.0)
    feet = float(pen.items[0].name.rpartition("-")[2])
    assert drawn == pytest.approx(feet * 72 / scale)
    assert drawn <= 150.0
    figures = [float(i.words.split()[0]) for i in pen.items if isinstance(i, Text)]
    assert figures == [0.0, feet / 2, feet]


def test_the_location_tells_grid_coordinates_and_the_lots_middle():
    facts = {LOT: {"local_government": "Example Town (invented)"}}
    (made,) = location_sheets(straight(FEW, facts=facts), LOT, Choices())
    scale = scale_of(made)
    ticks = items_of(made, "grid-tick E")
    first, second = ticks[:2]
    apart = second.parts[0][0][0] - first.parts[0][0][0]
    east = [float(tick.name.split()[-1]) for tick in (first, second)]
    assert apart / 72 * scale == pytest.approx((east[1] - east[0]) * FEET[US_FEET], rel=1e-6)
    assert all(value % 50 == 0 for value in east)
    text = text_of([made])
    for words in ("Example Town (invented)", "No base map: nothing is fetched",
                  "100.0 ft of shore", f"LOT {LOT}", "EPSG:6443",
                  "E 500,000", "no name was given"):  # fmt: skip
        assert words in text
    assert "140.0ft" in text.replace(" ", "")  # turned words, letter by letter


def test_a_tick_stands_at_its_coordinate():
    one = straight(FEW)
    (made,) = location_sheets(one, LOT, Choices())
    lot_line = np.concatenate([p for i in items_of(made, "lot") if i.stroke for p in i.parts])
    corner = lot_line[:, 0].min()  # the lot's west side, at E 500,000
    tick = next(i for i in items_of(made, "grid-tick E 500000"))
    assert tick.parts[0][0][0] == pytest.approx(corner, abs=0.01)


def test_latitude_and_longitude_of_a_known_place():
    """EPSG:6443 has its origin at 24 deg 20' N, 82 deg W, where E is 656,166.667 ft and N 0.

    Source: the zone's definition, Florida Statutes 177.151 (state plane coordinates, west zone).
    """
    words = middle_words(US_FEET, shapely.box(656_066.667, -100, 656_266.667, 100))
    assert words == "24\u00b0 20\u2032 00.0\u2033 N, 82\u00b0 00\u2032 00.0\u2033 W (NAD83(2011))"
    assert _degrees(-0.5, "N", "S") == "0\u00b0 30\u2032 00.0\u2033 S"


def test_a_lot_without_a_shore_has_a_plan_all_the_same():
    tables = {
        "lots": {
            "lot_id": [LOT],
            "is_measured": [True],
            "frontage_length_ft": [np.nan],
            "geometry": [shapely.box(0, 0, 90, 70)],
        },
        "mhw_line": {"geometry": [shapely.LineString([(-500, 900), (500, 900)])]},
    }
    one = package(tables)
    (made,) = sheets_of(one)
    assert plan_frame(one, LOT).turn_deg == 0.0
    assert {"LOT L1"} <= {item.words for item in items_of(made, "", Text)}
    assert location_sheets(one, LOT, Choices())


@pytest.mark.parametrize(("far", "is_seen"), [(60.0, True), (900.0, False)])
def test_a_shore_that_is_near_a_lot_without_a_frontage_is_on_its_plan(far, is_seen):
    tables = {
        "lots": {"lot_id": [LOT], "is_measured": [True], "frontage_length_ft": [np.nan],
                 "geometry": [shapely.box(0, 0, 90, 70)]},
        "mhw_line": {"geometry": [shapely.LineString([(-500, 70 + far), (500, 70 + far)])]},
    }  # fmt: skip
    (made,) = sheets_of(package(tables))
    assert bool(items_of(made, "mhw")) == is_seen


def test_letters_of_sections_side_by_side_do_not_lie_on_each_other():
    """Sections 4 ft apart at 1 in = 100 ft lie 3 pt apart: less than a circle of 5.2 pt is wide."""
    more = {"sections": {
        "lot_id": [LOT] * 2, "section_id": ["B", "C"], "station_ft": [40.0, 44.0],
        "geometry": [shapely.LineString([(x, -30), (x, 30)]) for x in (40.0, 44.0)],
    }}  # fmt: skip
    (made,) = sheets_of(straight(FEW, more=more), scale_ft=100)[:1]
    at = [np.mean(one.parts[0], axis=0) for one in items_of(made, "section-letter")]
    assert len(at) == 4
    assert all(np.hypot(*(a - b)) > 2 * 5.2 for k, a in enumerate(at) for b in at[:k])


def test_a_lot_is_not_called_lot_twice():
    assert lot_name("SB-07") == "lot SB-07" and lot_name("Lot 7/B") == "Lot 7/B"
    assert lot_name("Lotus 3") == "lot Lotus 3"


def test_cells_without_a_shape_are_passed_over():
    empty = shapely.Polygon()
    more = {
        "setbacks": {"setback_name": ["s"], "reference": ["file"], "distance_ft": [5.0],
                     "source": ["x"], "geometry": [empty]},
        "window_spans": {"lot_id": [LOT], "span_id": ["L1/w1"], "stretch_id": ["L1/1"],
                         "station_from_ft": [30.0], "station_to_ft": [60.0], "geometry": [empty]},
        "exclusions": {"name": ["n"], "geometry": [empty]},
        "eyes": {"eye_id": ["deck"], "lot_id": [None], "geometry": [shapely.Point()]},
        "sections": {"lot_id": [LOT], "section_id": ["A"], "station_ft": [20.0],
                     "geometry": [shapely.LineString()]},
    }  # fmt: skip
    one = straight(FEW, more=more)
    assert len(sheets_of(one)) == 1
    for name in more:
        one.tables[name]["geometry"] = None
    assert len(sheets_of(one)) == 1


def test_an_apparent_shoreline_is_never_called_mhw():
    told = {"label": "apparent shoreline, not an MHW line"}
    made = [
        *sheets_of(straight(FEW, mhw=told)),
        *location_sheets(straight(FEW, mhw=told), LOT, Choices()),
    ]
    text = text_of(made)
    assert "apparent shoreline, not an MHW line" in text
    assert "MHW" not in text.replace("not an MHW line", "")


@pytest.mark.parametrize(("depth", "told"), [(50.04, "50.04 ft"), (49.96, "49.96 ft"),
                                             (50.0, "50.0 ft"), (38.0, "38.0 ft")])  # fmt: skip
def test_a_depth_near_its_limit_is_not_rounded_onto_it(depth, told):
    """F.S. 403.9325(7): a depth that "does not exceed 50 feet"; 50.04 ft does, and reads so."""
    more = {"transects": {"lot_id": [LOT], "station_ft": [20.0], "reference": ["trunk"],
                          "fringe_depth_ft": [depth],
                          "geometry": [shapely.LineString([(20, 0), (20, depth)])]}}  # fmt: skip
    trees = [(20.0, y, 8.0) for y in (4.0, 30.0, 52.0)]
    (made,) = sheets_of(straight(trees, more=more))
    words = " ".join(item.words for item in items_of(made, "", Text))
    assert f"fringe {told} deep" in words
    assert f"greatest depth of the fringe: {told} at station 20, trunk to trunk" in text_of([made])


def strokes(sheets, name):
    return {(item.dash_pt, item.width_pt) for one in sheets for item in items_of(one, name)
            if item.name == name and item.stroke is not None and item.fill is None}  # fmt: skip


def test_lot_and_shore_are_told_apart_without_colour_and_alike_on_every_drawing():
    """One solid, the other dashed, on plan and location and in the DXF: no dash is like another."""
    one = straight(FEW)
    for made in (sheets_of(one), location_sheets(one, LOT, Choices())):
        ((lot_dash, lot_pt),), ((shore_dash, shore_pt),) = (
            strokes(made, "lot"),
            strokes(made, "mhw"),
        )
        assert lot_dash == () and len(shore_dash) == 4
        assert min(lot_pt, shore_pt) > 1.5  # both heavy
        names = [item.words for sheet in made for item in items_of(sheet, "", Text)]
        assert sum(words.startswith("MHW line") for words in names) >= 2  # on it and in the legend
    dashes = {layer.name: layer.dash_in for layer in LAYERS}
    assert dashes["LOT"] == () and len(dashes["MHW_LINE"]) == 4


def test_a_long_shore_is_named_again_and_again():
    """On 300 pt of bare shore on each side of the trees, a name each 160 pt about."""
    trees = [(200.0, 5.0, 8.0)]
    (made,) = sheets_of(straight(trees, 400.0))
    found = items_of(made, "shore", Text)
    assert len(found) >= 3
    assert {item.words for item in found} >= {"MHW line"}
    shore = next(item for item in items_of(made, "mhw") if item.name == "mhw").parts[0]
    level = [abs(item.y_pt - shore[:, 1].mean()) for item in found if item.words == "MHW line"]
    assert max(level) < 15.0


def test_a_window_is_named_over_its_own_span():
    """A narrow window with a section through its middle, whose letter stands in the way."""
    more = {
        "window_spans": {"lot_id": [LOT], "span_id": ["L1/w1"], "stretch_id": ["L1/1"],
                         "station_from_ft": [70.0], "station_to_ft": [82.0],
                         "geometry": [shapely.box(70, 0, 82, 22)]},
        "sections": {"lot_id": [LOT], "section_id": ["A"], "station_ft": [76.0],
                     "geometry": [shapely.LineString([(76, -15), (76, 30)])]},
    }  # fmt: skip
    one = straight(FEW, more=more)
    (made,) = sheets_of(one)
    (name,) = [item for item in items_of(made, "", Text) if item.words == "w1: 70-82 ft"]
    x, y = package_point(one, 76.0, 30.0)
    assert abs(name.x_pt - x) < 5.0
    assert name.y_pt < y  # over the letter at the water's end


def package_point(one, x, y):
    """A place of the straight lot on the paper of its plan view."""
    x0, y0 = ORIGIN[US_FEET]
    return plan_frame(one, LOT).points(np.array([(x0 + x, y0 + y)]))[0]


def test_a_stated_scale_has_parts_only_where_numbers_find_no_place():
    """Crowns of 5 pt beside numbers of 11 pt would be parted; asked for, not if numbers fit."""
    one = straight(rows_of_trees(60, 300.0, 3, 4.0), 300.0)
    (made,) = sheets_of(one, scale_ft=60)
    assert scale_of(made) == 60
    assert plan_labels.is_hopeless(plan_lot(one, LOT), overall(one, 60), HOPELESS)  # it would be
    crowd = straight(rows_of_trees(250, 100.0, 10, 2.0), 100.0)
    first, *parts = sheets_of(crowd, scale_ft=60)
    assert scale_of(first) == 60 and parts
    assert "At the scale that was asked for, " in text_of([first])
    assert "trees have no room for a number: all" in text_of([first])


def overall(one, scale_ft):
    return frames.overall_view(plan_lot(one, LOT), scale_ft)


def test_a_lot_that_no_table_has_gives_no_sheet():
    one = straight(FEW)
    assert plan_view_sheets(one, "elsewhere", Choices()) == []
    assert location_sheets(one, "elsewhere", Choices()) == []
    assert not has_plan(one, "elsewhere")


def test_a_setback_is_one_word_on_map_and_legend():
    more = {
        "setbacks": {
            "setback_name": ["wire"],
            "reference": ["file"],
            "distance_ft": [10.0],
            "source": ["deed"],
            "geometry": [shapely.box(0, -60, 100, -20)],
        }
    }
    words = [item.words for item in items_of(sheets_of(straight(FEW, more=more))[0], "", Text)]
    assert sum(one.startswith("setback: wire") for one in words) == 2


def test_the_plan_says_which_heights_it_draws_and_that_no_way_is_open():
    """The canal's one lot: its statement says that no way is open."""
    one = sample_package("canal_corner")
    told = told_of_plan(one, lot_of(one))
    assert "planned heights" in told.drawn and told.standing.startswith("No way is open")
    (made,) = plan_view_sheets(one, lot_of(one), Choices())
    words = " ".join(item.words for item in items_of(made, "legend", Text))
    assert told.drawn in words and told.standing in words
