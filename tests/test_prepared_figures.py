"""Figures of the preparations: what they say and show, counted on the figures themselves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import report_fixtures as fx
import shapely
from matplotlib.colors import to_rgb

from geotrim.core import cloud_heights, height_difference
from geotrim.prepare.profile_tables import words_of
from geotrim.report import crowns_draft_figure as drafts
from geotrim.report import heights_figure as heights
from geotrim.report.cells import cell_runs, cells_path
from geotrim.report.crown_marks import _placed
from geotrim.report.furniture import HARD_SPACE, axes_unit, counted, percent
from geotrim.report.heights_figure import HeightsPicture, heights_figure
from geotrim.report.overview import overview_map
from geotrim.report.palette import lightness
from geotrim.report.profile_figure import band_words, profiles_figure

REASONS = height_difference.REASONS
US_FT = 1200 / 3937 / 0.3048  # US survey foot in international feet: 24 FR 5445 (1959)


def said(figure):
    """All words of a figure, lines joined."""
    texts = [t.get_text() for t in figure.texts]
    for legend in figure.legends:
        texts += [t.get_text() for t in legend.get_texts()]
    return " | ".join(texts).replace("\n", " ")


def legend(figure):
    return [t.get_text().replace("\n", " ") for one in figure.legends for t in one.get_texts()]


# ------------------------------------------------------------------------------ heights


def picture(height_ft, reason=None, cell=1.0, feet=US_FT):
    height_ft = np.asarray(height_ft, dtype=float)
    reason = np.zeros(height_ft.shape, np.uint8) if reason is None else reason
    known = np.where(reason > 0, np.nan, height_ft)
    bins = np.bincount(np.minimum(known[reason == 0], 199).astype(int), minlength=200)
    counts = np.bincount(reason.ravel(), minlength=len(REASONS) + 1)
    at = (cell, 0.0, 1000.0, 0.0, -cell, 9000.0)
    return HeightsPicture(known, reason, at, feet, "a grid", counts, bins, 1.0)


def bars(figure):
    return next(c for ax in figure.axes for c in ax.containers)


def test_a_flat_site_has_a_histogram_from_0_up():
    figure = heights_figure(picture(np.full((30, 40), 0.4)), REASONS)
    ax = figure.axes[1]
    assert ax.get_ylim() == (0.0, 1.0) and not len(ax.get_yticks())
    assert [t.get_text() for t in ax.texts] == ["no cell of 1 ft or more"]
    assert "not drawn: 1,200 cells under 1" in said(figure)


@pytest.mark.parametrize(
    ("top_ft", "wide", "last_ft"), [(17.5, 1, 20), (24.5, 1, 25), (47.5, 2, 50), (97.5, 5, 100)]
)
def test_bins_are_wider_on_taller_sites(top_ft, wide, last_ft):
    """Every cell is in a bar, or told below the histogram."""
    heights_ft = np.linspace(0.0, top_ft, 4000).reshape(40, 100)
    figure = heights_figure(picture(heights_ft), REASONS)
    drawn = bars(figure)
    assert {b.get_width() for b in drawn} == {wide}
    assert figure.axes[1].get_xlim() == (0, last_ft)
    assert sum(b.get_height() for b in drawn) == (heights_ft >= wide).sum()
    assert f"{(heights_ft < wide).sum():,} cells under {wide}{HARD_SPACE}ft" in said(figure)
    for bar in drawn:
        inside = (heights_ft >= bar.get_x()) & (heights_ft < bar.get_x() + wide)
        assert bar.get_height() == inside.sum()


@pytest.mark.parametrize(
    ("top_ft", "steps"),
    [
        (3.0, [0, 2, 4, 6, 8, 10]),
        (17.5, [0, 5, 10, 15, 20]),
        (33.5, [0, 10, 20, 30, 40]),
        (97.5, [0, 20, 40, 60, 80, 100]),
    ],
)
def test_the_legend_of_heights_goes_in_even_steps(top_ft, steps):
    figure = heights_figure(picture(np.linspace(0.0, top_ft, 900).reshape(30, 30)), REASONS)
    shown = [int(label.split()[0]) for label in legend(figure)]
    assert shown == steps
    assert legend(figure)[-1] == f"{steps[-1]} ft or more"


def test_one_cell_is_one_cell():
    reason = np.zeros((40, 100), np.uint8)
    reason[3, 4], reason[10:20, 10:50] = height_difference.GROUND_GAP, height_difference.NO_GROUND
    labels = legend(heights_figure(picture(np.full((40, 100), 5.0), reason), REASONS))
    assert f"no ground returns nearby: 1 cell, under{HARD_SPACE}0.1{HARD_SPACE}%" in labels
    assert f"no ground (no data): 400 cells, 10.0{HARD_SPACE}%" in labels


@pytest.mark.parametrize("reasons", [height_difference.REASONS, cloud_heights.REASONS])
def test_masks_are_told_apart_in_grey_and_from_heights(reasons):
    """By the lightness of their fill alone, as single cells have no room for a hatch.

    Two greys 3 of CIE L* apart are some 3 just noticeable differences apart (from memory).
    """
    ground, tall = (lightness((g,) * 3) for g in (heights.GROUND_GREY, heights.TALL_GREY))
    light = sorted(lightness(to_rgb(heights.LOOKS[text][0])) for text in reasons.values())
    one_look = {heights.LOOKS[text] for text in reasons.values()}
    assert len(one_look) == len(reasons)
    assert min(np.diff(light)) > 3.0
    assert all(one > ground + 8.0 or one < tall - 7.0 for one in light)


def test_masks_are_filled_to_their_corners():
    """A single cell and a corner: the fill is the cell's, and the hatch has the cell's outline."""
    reason = np.zeros((40, 100), np.uint8)
    reason[3, 4] = height_difference.GROUND_GAP
    reason[0:2, 0:3] = height_difference.NO_GROUND
    figure = heights_figure(picture(np.full((40, 100), 5.0), reason), REASONS)
    shown = figure.axes[0].images[0].get_array()
    for code, at in ((height_difference.GROUND_GAP, (3, 4)), (height_difference.NO_GROUND, (0, 0))):
        fill = to_rgb(heights.LOOKS[REASONS[code]][0])
        assert tuple(shown[at]) == pytest.approx(fill)
    hatched = [p for p in figure.axes[0].patches + figure.axes[0].artists if p.get_hatch()]
    areas = {p.get_hatch(): p.get_path().get_extents() for p in hatched}
    assert areas["xxx"].bounds == (4, 3, 1, 1)
    assert areas["\\\\\\\\"].bounds == (0, 0, 3, 2)


@pytest.mark.parametrize(
    ("shape", "ratio"), [((40, 160), 4.0), ((100, 100), 1.0), ((300, 150), 0.5), ((20, 400), 5.0)]
)
def test_the_map_has_the_shape_of_the_raster(shape, ratio):
    figure = heights_figure(picture(np.full(shape, 5.0), cell=3.0), REASONS)
    box = figure.axes[0].get_window_extent()
    assert box.width / box.height == pytest.approx(ratio, rel=1e-6)
    x, y = figure.axes[0].get_xlim(), figure.axes[0].get_ylim()
    assert np.ptp(x) / np.ptp(y) == pytest.approx(ratio, rel=1e-6)
    assert np.ptp(x) == pytest.approx(1.03 * 3 * shape[1], rel=1e-6)
    wide, high = figure.get_size_inches()
    assert wide <= 11.0 and high <= 11.5
    renderer = figure.canvas.get_renderer()
    boxes = [one.get_window_extent(renderer) for one in figure.legends]
    boxes += [ax.get_tightbbox(renderer) for ax in figure.axes]
    foot = next(t for t in figure.texts if t.get_gid() == "footer").get_window_extent(renderer)
    boxes.append(foot)
    for k, one in enumerate(boxes):
        assert one.x0 >= 0 and one.y0 >= 0
        assert one.x1 <= figure.bbox.x1 + 1 and one.y1 <= figure.bbox.y1
        assert not any(one.overlaps(other) for other in boxes[k + 1 :])


def test_the_unit_of_the_axes_is_told():
    words = said(heights_figure(picture(np.full((30, 30), 5.0), feet=1 / 0.3048), REASONS))
    assert "figures on the axes in metres. In feet: scale bar, heights." in words
    words = said(heights_figure(picture(np.full((30, 30), 5.0)), REASONS))
    assert "figures on the axes in US survey feet." in words
    assert axes_unit(1.0) == "international feet"


# ------------------------------------------------------------------------------ cells and words


def test_runs_of_cells_cover_the_mask():
    mask = np.random.default_rng(4).random((30, 50)) < 0.4
    drawn = np.zeros_like(mask)
    for row, first, after in cell_runs(mask):
        assert not drawn[row, first:after].any()
        drawn[row, first:after] = True
    assert (drawn == mask).all()
    rings = [shapely.Polygon(ring) for ring in cells_path(mask).to_polygons()]
    for ring in rings:
        assert ring.is_valid and ring.bounds[3] - ring.bounds[1] == 1
    assert sum(ring.area for ring in rings) == mask.sum()


def test_a_scattered_mask_keeps_its_longer_runs():
    mask = np.zeros((4, 20), bool)
    mask[:3, ::2] = True
    mask[3, 5:9] = True
    path = cells_path(mask, most=5)
    assert path.get_extents().bounds == (5, 3, 4, 1)
    assert cells_path(np.zeros((3, 3), bool)) is None


def test_numbers_with_their_nouns():
    assert counted(1, "cell") == "1 cell" and counted(0, "cell") == "0 cells"
    assert percent(0.00049) == f"under{HARD_SPACE}0.1{HARD_SPACE}%"
    assert percent(0.0006) == f"0.1{HARD_SPACE}%"
    assert percent(0.9996) == f"over{HARD_SPACE}99.9{HARD_SPACE}%"


# ------------------------------------------------------------------------------ profiles

BAND = (6.0, 10.0)


def profile_tables():
    """Three crowns: seen to the ground, blind in the band, blind in a part of it."""
    frame = {
        "crown_id": ["whole", "blind", "part"],
        "n_pulses": 100.0,
        "top_ft": [12.0, 31.0, 32.0],
        "foliage_base_ft": [4.0, 28.0, 8.0],
        "unseen_below_ft": [0.0, 28.0, 8.0],
        "share_band_frac": [0.4, 0.0, 0.1],
        "share_band_error_frac": [0.05, np.nan, np.nan],
        "reason": "",
    }
    rows = [("whole", low, low + 2.0, w, False) for low, w in ((4, 0.6), (6, 0.4))]
    rows += [("blind", 28, 30.0, 0.9, True), ("blind", 30, 32.0, 0.1, False)]
    rows += [("part", 8, 10.0, 0.1, True), ("part", 30, 32.0, 0.9, False)]
    columns = ["crown_id", "low_ft", "high_ft", "weight_frac", "is_capped"]
    return pd.DataFrame(rows, columns=columns), pd.DataFrame(frame)


def test_panels_say_why_no_share_is_known():
    figure = profiles_figure(*profile_tables(), BAND)
    titles = {
        ax.get_title(loc="left").split("\n")[0]: ax.get_title(loc="left") for ax in figure.axes
    }
    assert titles["whole"].endswith("band 40.0 \N{PLUS-MINUS SIGN} 5.0 %")
    assert titles["blind"].endswith("no pulse in the band")
    assert titles["part"].endswith("band seen in part")


def test_a_crown_under_the_band_does_not_reach_it():
    row = {"share_band_frac": 0.0, "share_band_error_frac": 0.014, "unseen_below_ft": 0.0}
    assert band_words(row | {"top_ft": 6.0}, BAND) == "band not reached"
    assert band_words(row | {"top_ft": 6.1}, BAND) == "band 0.0 \N{PLUS-MINUS SIGN} 1.4 %"


def test_each_panel_has_its_own_axis_of_shares():
    """The longest bar of each fills nearly all of its panel."""
    for ax in profiles_figure(*profile_tables(), BAND).axes:
        longest = max(bar.get_width() for bar in ax.containers[0])
        assert 0.9 < longest / ax.get_xlim()[1] < 1.0
        assert 2 <= sum(0 <= t <= ax.get_xlim()[1] for t in ax.get_xticks()) <= 6


def test_the_terminal_prints_a_dash_where_nothing_is_known():
    words = words_of(profile_tables()[1], {"band_ft": BAND, "layer_ft": 2.0})
    rows = {line.split()[0]: line.split()[-3:] for line in words.splitlines()}
    assert rows["blind"][-2:] == rows["part"][-2:] == ["-", "-"]
    assert "40.0 %" in words and "5.0 %" in words and "nan" not in words
    assert "some of the band (2 crowns), so its share is not known" in words
    known = profile_tables()[1].iloc[:1]
    assert "-:" not in words_of(known, {"band_ft": BAND, "layer_ft": 2.0})


# ------------------------------------------------------------------------------ crowns


def crowns_picture(n, asked=None):
    at = [(12.0 * (k % 10), 12.0 * (k // 10)) for k in range(n)]
    outlines = np.array([shapely.box(x, y, x + 9, y + 9) for x, y in at])
    return drafts.CrownsPicture(
        np.full((40, 60), 12.0),
        (-10.0, -10.0, 130.0, 100.0),
        drafts.picture_bounds(outlines, US_FT),
        outlines,
        shapely.get_coordinates(shapely.centroid(outlines)),
        np.full(n, 0.9),
        [f"D{k:02d}" for k in range(n)],
        None if asked is None else asked.buffer(10.0),
        US_FT,
        "a grid",
        asked,
    )


def boxes_of(figure, artists):
    renderer = figure.canvas.get_renderer()
    return [one.get_window_extent(renderer) for one in artists]


@pytest.mark.parametrize("n", [1, 40])
def test_ids_lie_beside_the_treetops(n):
    figure = drafts.crowns_draft_figure(crowns_picture(n))
    ax = figure.axes[0]
    assert sorted(t.get_text() for t in ax.texts) == [f"D{k:02d}" for k in range(n)]
    names = boxes_of(figure, ax.texts)
    tops = ax.transData.transform(crowns_picture(n).top_xy)
    half = 0.5 * 4.2 / 72 * figure.dpi  # half a mark of 4.2 points
    for k, one in enumerate(names):
        assert not any(one.overlaps(other) for other in names[k + 1 :])
        for x, y in tops:
            inside = one.x0 - half < x < one.x1 + half and one.y0 - half < y < one.y1 + half
            assert not inside


@pytest.mark.parametrize("step", [(0.0, -1.6), (2.0, 0.0)])
def test_ids_of_crowded_treetops_cover_nothing(step):
    """Tops in pairs: the id under the first would hit the second top, or the id under that."""
    picture = crowns_picture(20)
    picture.top_xy[10:] = picture.top_xy[:10] + step
    figure = drafts.crowns_draft_figure(picture)
    ax = figure.axes[0]
    names = boxes_of(figure, ax.texts)
    assert not any(one.overlaps(two) for k, one in enumerate(names) for two in names[k + 1 :])
    tops = ax.transData.transform(picture.top_xy)
    assert not any(one.contains(*top) for one in names for top in tops)


def test_the_hatch_lies_where_there_are_no_heights():
    """The two northern rows of 40 over 110 units, from 100 down."""
    picture = crowns_picture(4)
    picture.height_ft[:2] = np.nan
    ax = drafts.crowns_draft_figure(picture).axes[0]
    (patch,) = [one for one in ax.patches + ax.artists if one.get_hatch()]
    place = patch.get_transform() - ax.transData
    box = patch.get_path().transformed(place).get_extents()
    assert box.extents == pytest.approx((-10.0, 100.0 - 2 * 110 / 40, 130.0, 100.0))


def test_ids_left_out_are_told_in_the_footer():
    name = "EPSG:2994 (NAD_1983_HARN_Lambert_Conformal_Conic)"  # so that the line is broken
    few, many = (drafts.crowns_draft_figure(replace(crowns_picture(n), crs=name)) for n in (60, 61))
    assert "No ids are written" not in said(few)
    assert "No ids are written: 61 crowns are too many." in said(many)
    assert not many.axes[0].texts and len(few.axes[0].texts) == 60
    (foot,) = boxes_of(many, [t for t in many.texts if t.get_gid() == "footer"])
    ticks = many.axes[0].get_tightbbox(many.canvas.get_renderer())
    assert foot.y0 >= 0 and not foot.overlaps(ticks)


def test_the_area_is_drawn_beside_that_with_its_margin():
    asked = shapely.box(0, 0, 50, 30)
    figure = drafts.crowns_draft_figure(crowns_picture(12, asked))
    bounds = [
        tuple(np.round([*line.get_xydata().min(axis=0), *line.get_xydata().max(axis=0)], 6))
        for line in figure.axes[0].lines
        if len(line.get_xydata()) > 4 and line.get_marker() == "None"
    ]
    assert (0, 0, 50, 30) in bounds and (-10, -10, 60, 40) in bounds
    assert {"area asked for", "area asked for, with its margin"} <= set(legend(figure))
    assert "area asked for" not in legend(drafts.crowns_draft_figure(crowns_picture(12)))
    assert "1 crown from the heights" in said(drafts.crowns_draft_figure(crowns_picture(1)))


# ------------------------------------------------------------------------------ labels on the map


def test_labels_keep_off_a_line_where_the_crown_has_room():
    """A line through the middle of a crown of 30 ft on a scale of 20 ft an inch."""
    crown, line = shapely.Point(0, 0).buffer(15), shapely.LineString([(-40, 0), (40, 0)])
    taken = []
    text, spot = _placed(["D01\n12.0", "D01"], crown, 20.0, taken, line)
    assert text == "D01\n12.0" and not shapely.intersects(shapely.box(*taken[0]), line)
    assert crown.contains(spot)
    text, spot = _placed(["D01\n12.0", "D01"], crown, 20.0, [], None)
    assert (spot.x, spot.y) == pytest.approx((0, 0), abs=1e-9)


def test_a_label_gives_way_to_a_figure_and_is_not_lost():
    crown, figure = shapely.Point(0, 0).buffer(15), (-3.0, -1.5, 3.0, 1.5)
    text, spot = _placed(["D01\n12.0", "D01"], crown, 20.0, [figure], None)
    assert text == "D01\n12.0" and abs(spot.y) > 1.5
    small = shapely.Point(0, 0).buffer(1.5)
    assert _placed(["D01"], small, 20.0, [figure], None) is None


def test_a_small_crown_on_a_line_is_labelled_over_it():
    crown, line = shapely.Point(0, 0).buffer(2.4), shapely.box(-40, -1, 40, 1)
    assert _placed(["D01"], crown, 20.0, [], line) is not None


def test_labels_of_the_overview_keep_off_shore_and_deepest_transect(monkeypatch):
    site = fx.make_site()
    results = fx.make_results(site)
    given = []
    monkeypatch.setattr(
        "geotrim.report.map_layers.label_crowns", lambda *args: given.append(args[5]) or 0
    )
    figure = overview_map(site, results)
    frame = shapely.box(*np.array([figure.axes[0].get_xlim(), figure.axes[0].get_ylim()]).T.flat)
    for table in (site.mhw_line, results["frontage"].tables["frontage"]):
        seen = shapely.intersection(shapely.union_all(table.geometry.array), frame)
        assert shapely.covers(given[0], seen)
    deepest = next(line for line in figure.axes[0].lines if line.get_gid() == "deepest")
    assert shapely.covers(given[0], shapely.LineString(deepest.get_xydata()))
    assert "figures on the axes in US survey feet" in said(figure)
    assert len(given[0].bounds) == 4 and given[0].area < 0.1 * frame.area


def test_the_fringe_is_drawn_over_the_zone():
    """Dashes in dark green on a wider light line, told apart in grey too."""
    site = fx.make_site()
    ax = overview_map(site, fx.make_results(site)).axes[0]
    looks = {one.get_gid(): one for one in ax.get_children()}
    zone, fringe = looks["zone"], looks["fringe"]
    assert fringe.get_zorder() > zone.get_zorder()
    assert zone.get_linewidth() > 2 * fringe.get_linewidth()
    grey = [lightness(one.get_edgecolor()[:3]) for one in (zone, fringe)]
    assert grey[0] - grey[1] > 25.0
