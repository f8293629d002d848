"""The window on the map, on the shoreline elevation and in the figure of plans to choose from.

Inputs are written by hand (``report_fixtures``, ``window_fixtures``); places, heights and areas
that are expected follow from them by hand.
"""

from __future__ import annotations

import io
import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import report_fixtures as fx
import shapely
import window_fixtures as wf
from matplotlib.colors import to_rgb
from test_report import by_id, check_labels_apart, check_layout, ids, linear, words

from geotrim.model import Note, Result
from geotrim.report.elevation import shoreline_elevation
from geotrim.report.elevation_window import cut_parts
from geotrim.report.frontier_figure import frontier_figure
from geotrim.report.overview import overview_map
from geotrim.report.palette import STYLE, lightness, style
from geotrim.report.silhouettes import Seen, Silhouette
from geotrim.report.stage_marks import KEPT, LEFT, YEARS
from geotrim.report.window_facts import Cut, plan_of
from geotrim.run import MOST_ELEVATIONS, draw, lots_with_plans, names_of

SPANS = ((20.0, 50.0), (70.0, 85.0))
OPERATIONS = ("window", "sightlines", "stages", "risks")


def made(n_crowns=12, spans=SPANS, *, length_ft=100.0, n_lots=1, **how):
    site = fx.make_site(n_crowns, length_ft=length_ft, n_lots=n_lots)
    return site, wf.with_window(site, fx.make_results(site), spans, **how)


@pytest.fixture(scope="module")
def full():
    return made()


@pytest.fixture(scope="module")
def elevation(full):
    return shoreline_elevation(*full)


@pytest.fixture(scope="module")
def overview(full):
    return overview_map(*full)


@pytest.fixture(scope="module")
def frontier():
    site, results = made(is_optimal=False)
    return frontier_figure(results, site, "L1")


def cut_ids(results):
    rows = results["window"].tables["window_trees"]
    return [str(i) for i in rows.loc[rows["treatment"] != "leave", "crown_id"]]


def pixels(figure):
    with style():
        file = io.BytesIO()
        figure.savefig(file, format="png", dpi=40, metadata={"Software": None})
    return file.getvalue()


def legend(figure):
    found = [t.get_text() for one in figure.legends for t in one.get_texts()]
    return [" ".join(text.split()) for text in found]


def in_data(ax, artist):
    return artist.get_path().get_extents(artist.get_transform() - ax.transData)


# ------------------------------------------------------------------- nothing changes without


@pytest.mark.parametrize("figure", [overview_map, shoreline_elevation])
@pytest.mark.parametrize("kind", ["no tables", "no window"])
def test_without_a_window_the_figures_are_as_they_were(figure, kind):
    """Not run for want of an input, or looked for in vain: the picture of a run without them."""
    site = fx.make_site(3)
    results = fx.make_results(site)
    before = pixels(figure(site, results))
    if kind == "no tables":
        note = (Note("x", "not measured, for want of eyes", "missing"),)
        results |= {name: Result(name, {}, note) for name in OPERATIONS}
    if kind == "no window":
        results = wf.with_window(site, results, (), sight=False)
    assert pixels(figure(site, results)) == before


def test_without_a_window_there_is_no_figure_of_plans():
    site = fx.make_site(6)
    results = fx.make_results(site)
    assert frontier_figure(results, site, "L1") is None
    assert frontier_figure(wf.with_window(site, results, ()), site, "L1") is None


# ------------------------------------------------------------------------------ elevation


def seen(top_ft=20.0, half_ft=5.0, x_ft=50.0, **row):
    """A crown of one height, seen from the side."""
    side = Silhouette(np.array([x_ft - half_ft, x_ft + half_ft]), np.full(2, top_ft), True)
    row = {"crown_id": "A", "base_height_ft": math.nan, "kind": "mangrove", **row}
    return Seen(row, side, x_ft, half_ft, 0.0)


def test_what_is_cut_and_what_stays_by_hand():
    """A crown 10 ft wide, 20 ft high: band 6-10 ft is 40 sq ft; then 12-20 ft in two years."""
    kept, parts = cut_parts(seen(), [Cut("A", 1, 6.0, 10.0)], True)
    assert kept.area == pytest.approx(160.0)
    assert [part.bounds for _, part in parts] == [(45.0, 6.0, 55.0, 10.0)]
    assert len(shapely.get_parts(kept)) == 2, "the top is kept over the band"
    cuts = [Cut("A", 1, 15.0, math.inf), Cut("A", 2, 12.0, 15.0)]
    kept, parts = cut_parts(seen(), cuts, True)
    assert kept.bounds == (45.0, 0.0, 55.0, 12.0)
    assert [(cut.year, part.area) for cut, part in parts] == [(1, 50.0), (2, 30.0)]
    kept, parts = cut_parts(seen(), [Cut("A", 1, 20.0, math.inf)], True)
    assert kept.area == pytest.approx(200.0) and parts == [], "nothing reaches so high"


def test_a_crown_above_its_base_is_cut_above_it():
    """Base 8 ft, not filled to the ground: of the band 6-10 ft only 8-10 ft is there to cut."""
    kept, parts = cut_parts(seen(base_height_ft=8.0), [Cut("A", 1, 6.0, 10.0)], False)
    assert parts[0][1].bounds == (45.0, 8.0, 55.0, 10.0)
    assert kept.bounds == (45.0, 10.0, 55.0, 20.0)


def test_a_cut_over_the_same_heights_again_takes_nothing_twice():
    """With regrowth the second year's cut starts over at the band's foot."""
    cuts = [Cut("A", 1, 6.0, 8.0), Cut("A", 2, 6.0, 10.0)]
    _, parts = cut_parts(seen(), cuts, True)
    assert [part.bounds[1::2] for _, part in parts] == [(6.0, 8.0), (8.0, 10.0)]


def test_two_panels_of_one_scale(elevation):
    first, second = elevation.axes
    assert first.get_xlim() == second.get_xlim() and first.get_ylim() == second.get_ylim()
    one, other = (ax.get_window_extent() for ax in (first, second))
    assert (one.width, one.height) == pytest.approx((other.width, other.height))
    assert other.y1 < one.y0
    said = words(elevation)
    assert "As it stands" in said and "After the window" in said
    check_layout(elevation)
    check_labels_apart(elevation, ("span-label-", "panel-", "stretch-"))
    for ax in elevation.axes:
        boxes = [t.get_window_extent() for t in ax.texts if "label-T" in str(t.get_gid())]
        assert len(boxes) >= 3


def test_every_tree_that_is_cut_is_drawn_so(full, elevation):
    """Its cut in its years where in sight, its outline where it is behind others; the rest kept."""
    _, results = full
    found = ids(elevation)
    cut = cut_ids(results)
    assert len(cut) >= 4
    for crown in cut:
        years = [f"cut-{crown}-{year}" for year in (1, 2, 3)]
        assert f"cut-behind-{crown}" in found or any(gid in found for gid in years), crown
        assert to_rgb(by_id(elevation, f"kept-{crown}").get_facecolor()) == to_rgb(KEPT)
    left = {f"T-{k + 1:03d}" for k in range(12)} - set(cut)
    for crown in left:
        assert to_rgb(by_id(elevation, f"kept-{crown}").get_facecolor()) == to_rgb(LEFT)
        assert not any(f"cut-{crown}" in gid or f"behind-{crown}" in gid for gid in found)


def test_cuts_lie_between_the_heights_of_their_year(full, elevation):
    """No part of a year's cut is outside the heights that ``stage_cuts`` gives it."""
    _, results = full
    second = elevation.axes[1]
    n_seen = 0
    for row in results["stages"].tables["stage_cuts"].to_dict("records"):
        gid = f"cut-{row['crown_id']}-{row['year']}"
        if gid not in ids(elevation):
            continue
        n_seen += 1
        box = in_data(second, by_id(elevation, gid))
        assert box.y0 >= row["from_ft"] - 1e-6
        if np.isfinite(row["to_ft"]):
            assert box.y1 <= row["to_ft"] + 1e-6
        elif row["year"] > 1:
            above = row["height_after_ft"] + (26.0 - 6.5)
            assert box.y1 < above, "a top cut reaches up to where the year before left it"
    assert n_seen >= 6


def test_a_top_cut_of_a_later_year_ends_where_the_earlier_left_it(full):
    _, results = full
    plan = plan_of(results, "L1")
    for cuts in plan.cuts.values():
        assert [cut.year for cut in cuts] == [1, 2, 3]
        is_top = cuts[0].high_ft == np.inf
        for one, later in pairwise(cuts):
            ends = (one.low_ft, later.high_ft) if is_top else (one.high_ft, later.low_ft)
            assert ends[0] == pytest.approx(ends[1])


def test_each_year_has_a_colour_and_a_hatch_of_its_own(full, elevation):
    looks = {(one.colour, one.hatch) for one in YEARS}
    assert len({c for c, _ in looks}) == len({h for _, h in looks}) == len(YEARS) == 4
    hatches = {}
    for gid in ids(elevation):
        if gid.startswith("cut-T"):
            year = int(gid.rpartition("-")[2])
            hatches.setdefault(year, set()).add(by_id(elevation, gid).get_hatch())
    assert hatches == {year: {YEARS[year - 1].hatch} for year in (1, 2, 3)}


def test_hatches_stand_out_on_their_tints_and_the_kept_parts_part_from_the_left():
    """On grey paper. Contrast of 3 for graphics: WCAG 2.2, criterion 1.4.11."""
    for one in YEARS:
        y = [float(np.array([0.2126, 0.7152, 0.0722]) @ linear(to_rgb(c)))
             for c in (one.tint, one.colour)]  # fmt: skip
        assert (y[0] + 0.05) / (y[1] + 0.05) >= 3.0
    assert lightness(to_rgb(LEFT)) - lightness(to_rgb(KEPT)) > 10.0


def test_the_legend_tells_years_spans_and_what_stays(elevation):
    told = legend(elevation)
    for year in (1, 2, 3):
        assert f"cut in year {year}, from January 11, {2026 + year}" in told
    for text in (
        "stays, of a tree that is cut",
        "stays, a tree left as it is",
        "outline of what is cut",
        "the same, behind other trees",
        "span of the window, its stations in ft",
        "stem under a kept top or over a cleared band",
        "window band, 6-10 ft",
    ):
        assert text in told, text


def test_years_past_the_third_share_a_look_and_an_entry():
    site, results = made(n_years=6)
    told = legend(shoreline_elevation(site, results))
    assert "cut in years 4 to 6" in told and not any("year 5" in text for text in told)
    site, results = made(n_years=4)
    assert "cut in year 4, from January 11, 2030" in legend(shoreline_elevation(site, results))


def test_without_stages_the_window_is_cut_at_once():
    site, results = made(stages=False)
    figure = shoreline_elevation(site, results)
    assert "cut" in legend(figure) and not any("year" in text for text in legend(figure))
    assert {gid for gid in ids(figure) if gid.startswith("cut-T")} <= {
        f"cut-{crown}-0" for crown in cut_ids(results)
    }
    check_layout(figure)


def test_planned_heights_alone_are_staged_too():
    """Staged cuts without a window: the second panel, no bracket."""
    site, results = made()
    trees = results["window"].tables["window_trees"].to_dict("records")
    only = {k: v for k, v in results.items() if k not in OPERATIONS}
    only["stages"] = wf.stage_result("L1", trees, 2, plan="target-height")
    figure = shoreline_elevation(site, only)
    assert "After the staged cuts to the planned heights" in words(figure)
    assert len(figure.axes) == 2 and not any(str(g).startswith("span-") for g in ids(figure))
    assert "span of the window, its stations in ft" not in legend(figure)
    check_layout(figure)
    both = {**results, "stages": only["stages"]}  # stages of heights say nothing of the window
    assert {cut.year for cuts in plan_of(both, "L1").cuts.values() for cut in cuts} == {0}


def test_brackets_stand_over_their_stations(elevation):
    second = elevation.axes[1]
    for n, (low, high) in enumerate(SPANS, start=1):
        line = by_id(elevation, f"span-w{n}")
        assert (min(line.get_xdata()), max(line.get_xdata())) == pytest.approx((low, high))
        box = line.get_window_extent()
        assert box.y0 >= second.get_window_extent().y1 - 1
        text = by_id(elevation, f"span-label-w{n}")
        assert text.get_text() == f"w{n}: {low:g}-{high:g} ft"
        assert text.get_window_extent().y0 >= box.y1 - 1
    assert {ax.get_gid() for ax in elevation.axes} == {None}


def test_on_a_second_stretch_brackets_shift_with_it():
    site = fx.make_site(12)
    results = fx.make_results(site, stretches=(0.6, 0.4))
    results = wf.with_window(site, results, ((20.0, 30.0), (70.0, 85.0)))
    figure = shoreline_elevation(site, results)
    x = by_id(figure, "span-w2").get_xdata()
    ticks = dict(zip([t.get_text() for t in figure.axes[1].get_xticklabels()],
                     figure.axes[1].get_xticks(), strict=True))  # fmt: skip
    assert min(x) - 70.0 == pytest.approx(ticks["100"] - 100.0)
    assert "stretch L1/2" in words(figure)
    check_layout(figure)
    check_labels_apart(figure, ("span-label-", "panel-", "stretch-"))


def test_words_of_close_spans_stand_on_levels():
    spans = tuple((float(k), k + 2.0) for k in range(12, 90, 6))
    site, results = made(6, spans, sight=False)
    figure = shoreline_elevation(site, results)
    assert check_labels_apart(figure, "span-label-") == len(spans)
    check_labels_apart(figure, ("span-label-", "panel-"))
    check_layout(figure)


def test_a_near_tree_hides_the_cut_behind_it():
    """A crown of 26 ft before one of 13 ft, only the farther one is cut: no hatch, an outline."""
    site = fx.make_site(5)
    crowns = site.crowns.copy()
    crowns.loc[4, "geometry"] = shapely.transform(  # T-005 before T-003, nearer the land
        crowns.loc[2, "geometry"], lambda xy: xy - (0.0, 14.0)
    ).buffer(3.0)
    site = replace(site, crowns=crowns)
    results = wf.with_window(site, fx.make_results(site), ((45.0, 55.0),))
    rows = results["window"].tables["window_trees"]
    rows.loc[rows["crown_id"] == "T-005", "treatment"] = "leave"
    results.pop("stages")
    found = ids(shoreline_elevation(site, results))
    assert "cut-behind-T-003" in found and "cut-T-003-0" not in found
    rows.loc[rows["crown_id"] == "T-005", "treatment"] = "clear-band"
    assert "cut-T-005-0" in ids(shoreline_elevation(site, results))


def test_a_kept_top_has_a_stem(full):
    site, results = made(5, ((45.0, 55.0),), stages=False)
    figure = shoreline_elevation(site, results)  # T-003, 13 ft: cleared from 6 to 10 ft
    (stem,) = [one for one in figure.axes[1].lines if one.get_color() == "#5A4632"]
    assert sorted(stem.get_ydata()) == pytest.approx([6.0, 10.0], abs=1e-3)


def test_hundreds_of_trees_are_colours_only():
    site, results = made(230, ((100.0, 220.0),), length_ft=600.0)
    figure = shoreline_elevation(site, results)
    check_layout(figure)
    assert not any("cut-behind" in gid for gid in ids(figure))
    assert sum(gid.startswith("kept-") for gid in ids(figure)) == 230
    assert any(gid.startswith("cut-T") for gid in ids(figure))
    assert not any("outline" in text for text in legend(figure))
    signs = [a for a in overview_map(site, results).findobj()
             if str(a.get_gid()).startswith("treatment-")]  # fmt: skip
    assert len(signs) > 40
    ax = signs[0].axes
    across = 2 * np.sqrt(site.crowns.area.median() / np.pi)
    across_pt = across / np.ptp(ax.get_xlim()) * ax.get_window_extent().width * 72 / ax.figure.dpi
    assert max(sign.get_markersize() for sign in signs) < 0.5 * across_pt, "crowns stay in sight"


# ------------------------------------------------------------------------------- overview


def test_the_map_shows_spans_with_their_stations(overview, full):
    site, _ = full
    ax = overview.axes[0]
    for n, (low, high) in enumerate(SPANS, start=1):
        box = in_data(ax, by_id(overview, f"window-L1/w{n}"))
        us_foot = wf.feet_of(site)
        assert (box.x0 - fx.X0, box.x1 - fx.X0) == pytest.approx((low / us_foot, high / us_foot))
        assert by_id(overview, f"window-label-L1/w{n}").get_text() == f"w{n}: {low:g}-{high:g} ft"
        assert by_id(overview, f"window-L1/w{n}").get_fill() is False
    crowns = [by_id(overview, g).get_zorder() for g in ids(overview) if g.startswith("crown-")]
    assert by_id(overview, "window-hatch-L1/w1").get_zorder() < min(crowns)
    assert "window: the zone between two stations, ft along the frontage" in legend(overview)
    check_layout(overview)
    check_labels_apart(overview, ("label-", "window-label-", "eye-label-", "station-"))


def test_span_names_keep_off_crowns_where_there_is_room(overview, full):
    site, _ = full
    ax = overview.axes[0]
    for n in (1, 2):
        box = by_id(overview, f"window-label-L1/w{n}").get_window_extent()
        corners = ax.transData.inverted().transform([(box.x0, box.y0), (box.x1, box.y1)])
        assert not site.crowns.geometry.intersects(shapely.box(*corners.ravel())).any()


def test_a_span_name_gives_way_to_a_crown():
    """A crown where the name stood: the name goes elsewhere."""
    site, results = made(3, ((20.0, 50.0),), sight=False)

    def place(figure):
        box = by_id(figure, "window-label-L1/w1").get_window_extent()
        ends = figure.axes[0].transData.inverted().transform([(box.x0, box.y0), (box.x1, box.y1)])
        return shapely.box(*ends.ravel())

    taken = place(overview_map(site, results))
    crowns = site.crowns.copy()
    crowns.loc[3] = {**crowns.iloc[0], "crown_id": "T-900", "geometry": taken}
    moved = place(overview_map(replace(site, crowns=crowns), results))
    assert not crowns.geometry.intersects(moved).any()


def test_each_treated_tree_has_the_sign_of_its_treatment(overview, full):
    _, results = full
    rows = results["window"].tables["window_trees"]
    counts = {}
    for row in rows.to_dict("records"):
        how = row["treatment"]
        gid = f"treatment-{how}-{row['crown_id']}"
        is_shown = how != "leave" or row["is_in_span"]
        assert (gid in ids(overview)) == is_shown, gid
        counts[how] = counts.get(how, 0) + is_shown
    assert min(counts.values()) >= 1 and len(counts) == 3
    told = legend(overview)
    assert f"band cleared under a kept top ({counts['clear-band']})" in told
    assert f"top lowered ({counts['lower-top']})" in told
    assert f"left as it is in the window ({counts['leave']})" in told


def test_signs_stand_on_their_crowns_and_off_the_ids(overview, full):
    site, _ = full
    shapes = dict(zip(site.crowns["crown_id"], site.crowns.geometry, strict=True))
    labels = [t.get_window_extent() for t in overview.axes[0].texts
              if str(t.get_gid()).startswith("label-")]  # fmt: skip
    for gid in ids(overview):
        if not gid.startswith("treatment-"):
            continue
        sign = by_id(overview, gid)
        place = shapely.Point(*sign.get_xydata()[0])
        assert shapes["T" + gid.rpartition("T")[2]].buffer(1e-6).contains(place), gid
        x, y = overview.axes[0].transData.transform(sign.get_xydata()[0])
        half = 0.8 * sign.get_markersize() / 2 / 72 * overview.dpi  # a disc's corners are round
        for box in labels:
            is_apart = max(box.x0 - x, x - box.x1) > half or max(box.y0 - y, y - box.y1) > half
            assert is_apart, gid


def test_eyes_and_a_few_of_their_sight_lines(overview):
    assert {"eye-porch", "eye-dock end", "eye-label-porch", "key-eye"} <= ids(overview)
    rays = [a for a in overview.axes[0].lines if a.get_gid() == "sight-line"]
    assert 20 <= len(rays) <= 40, "two eyes of 81 measured lines each"
    crowns = [by_id(overview, g).get_zorder() for g in ids(overview) if g.startswith("crown-")]
    assert max(ray.get_zorder() for ray in rays) < min(crowns)
    assert "eye: a place to look from" in legend(overview)
    assert "sight line of an eye to the water's near edge, some of many" in legend(overview)


def test_an_eye_far_off_is_on_the_key_map_only(full):
    """400 ft behind a shore of 100 ft: the crowns keep their size."""
    site, results = full
    near = overview_map(site, results)
    far = {**results, "sightlines": wf.sight_result(site, results, "L1", (("tower", 0.5, 400.0),))}
    figure = overview_map(site, far)
    assert "eye-tower" not in ids(figure) and "key-eye" in ids(figure)
    assert "eye: a place to look from" not in legend(figure)
    assert any(gid == "sight-line" for gid in ids(figure)), "its view still crosses the map"
    assert np.ptp(figure.axes[0].get_xlim()) <= np.ptp(near.axes[0].get_xlim()) + 1e-6


def test_a_lot_without_a_window_keeps_its_part_of_the_map_as_it_was():
    site = fx.make_site(12, n_lots=2, length_ft=200.0)
    results = wf.with_window(site, fx.make_results(site), ((20.0, 50.0),), lot="L2")
    assert "window-L2/w1" in ids(overview_map(site, results))
    one = overview_map(site, results, "L1")
    assert not any(gid.startswith(("window-", "treatment-", "eye-")) for gid in ids(one))
    assert len(shoreline_elevation(site, results, "L1").axes) == 1
    assert len(shoreline_elevation(site, results, "L2").axes) == 2


# ------------------------------------------------------------------------------- frontier


def point(figure, gid):
    ((x, y),) = by_id(figure, gid).get_xydata()
    return x, y


def test_plans_stand_at_their_view_and_cost(frontier):
    _, results = made(is_optimal=False)
    for row in results["window"].tables["window_frontier"].to_dict("records"):
        x, y = point(frontier, f"plan-{row['point']}")
        assert x == pytest.approx(row["foliage_removed_ft3"])
        assert y == pytest.approx(100.0 * row["view_after_frac"])
        has_bar = row["view_bound_frac"] > row["view_after_frac"] + 1e-6
        assert (f"bound-{row['point']}" in ids(frontier)) == has_bar
        if has_bar:
            at = point(frontier, f"bound-{row['point']}")
            assert at == pytest.approx((x, 100.0 * row["view_bound_frac"]))
        told = [t.get_text() for ax in frontier.axes for t in ax.texts
                if t.get_gid() == f"list-{row['point']}"]  # fmt: skip
        assert row["spans"] in told and f"{row['n_cut_trees']}" in told
    assert point(frontier, "knee") == point(frontier, "plan-3")
    assert by_id(frontier, "plan-6").get_marker() == "D"
    assert by_id(frontier, "plan-5").get_marker() == "o"


def test_the_single_window_in_the_middle_and_the_view_now(frontier):
    _, results = made(is_optimal=False)
    lot = results["window"].tables["window_lots"].iloc[0]
    assert point(frontier, "centred") == pytest.approx(
        (lot["foliage_removed_ft3"], 100.0 * lot["view_centred_frac"])
    )
    assert by_id(frontier, "view-now").get_ydata()[0] == pytest.approx(8.0)


def test_the_figure_of_plans_tells_its_marks(frontier):
    told = legend(frontier)
    for text in (
        "plan, with its number",
        "plan chosen",
        "knee: past it more foliage opens less",
        "best single span in the middle, for the foliage of the chosen plan",
        "not proven best: no plan of that foliage opens more than the bar",
        "view as it stands",
    ):
        assert text in told, text
    said = words(frontier)
    assert "3 plans of 6 could not be proven to be the best" in said
    assert "mean of 2 eyes" in said and "canopy model column" in said
    check_layout_of_plans(frontier)


def check_layout_of_plans(figure):
    """As other figures, and no text of the axes leaves the page or covers another."""
    figure.canvas.draw()
    renderer = figure.canvas.get_renderer()
    page = figure.bbox
    for ax in figure.axes:
        for text in ax.texts:
            box = text.get_window_extent(renderer)
            assert box.x0 >= -1 and box.x1 <= page.x1 + 1 and box.y0 >= -1, text.get_text()
    check_labels_apart(figure, ("list-", "head-"))
    check_labels_apart(figure, "plan-label-")
    blocks = {"title": by_id(figure, "title"), "subtitle": by_id(figure, "subtitle"),
              "footer": by_id(figure, "footer"), "legend": figure.legends[0]}  # fmt: skip
    boxes = {k: v.get_window_extent(renderer) for k, v in blocks.items()}
    boxes |= {f"axes {k}": ax.get_tightbbox(renderer) for k, ax in enumerate(figure.axes)}
    for name, box in boxes.items():
        for other, b in boxes.items():
            if name < other:
                wide = min(box.x1, b.x1) - max(box.x0, b.x0)
                high = min(box.y1, b.y1) - max(box.y0, b.y0)
                assert wide <= 1.5 or high <= 1.5, f"{name} over {other}"


def test_proven_plans_carry_no_bars():
    site, results = made()
    figure = frontier_figure(results, site, "L1")
    assert not any(gid.startswith("bound-") for gid in ids(figure))
    assert not any("not proven" in text for text in legend(figure))
    assert "Each plan is proven to be the best of its cost" in words(figure)


@pytest.mark.parametrize("n", [1, 30])
def test_any_number_of_plans(n):
    site, results = made()
    rows = results["window"].tables["window_frontier"]
    many = rows.loc[rows.index.repeat(30)].reset_index(drop=True).iloc[:n].copy()
    many["point"] = range(1, n + 1)
    many["foliage_removed_ft3"] = np.linspace(10.0, 3000.0, n)
    many["spans"] = "12-20.5, 31-39.25, 50-57.75, 66-71.25, 80-90"
    many["is_chosen"] = many["is_knee"] = False
    results["window"].tables["window_frontier"] = many
    figure = frontier_figure(results, site, "L1")
    check_layout_of_plans(figure)
    assert "12-20.5, 31-39.25, and more" in words(figure)
    assert "plan of the lot" in legend(figure), "the lot's plan is none of the points"
    assert point(figure, "plan-of-the-lot")[0] == pytest.approx(
        results["window"].tables["window_lots"]["foliage_removed_ft3"].iloc[0]
    )


def test_cuts_to_planned_heights_are_not_taken_for_a_window():
    """Where the limits of a window keep every tree the second panel says what it is, and why."""
    site, results = made()
    results["stages"].tables["stage_lots"]["plan"] = "target-height"
    none = wf.with_window(site, results, (), stages=False, risks=False)["window"]
    told = words(shoreline_elevation(site, {**results, "window": none}, "L1"))
    assert "After the staged cuts to the planned heights (there is no window here)" in told
    assert "not a window; why there is none: no tree may be cut within the limits." in told
    without = {name: one for name, one in results.items() if name != "window"}
    told = words(shoreline_elevation(site, without, "L1"))
    assert "After the staged cuts to the planned heights" in told and "no window" not in told


def test_an_own_window_stands_beside_the_plans():
    site, results = made(status="own window")
    results["window"].tables["window_frontier"]["is_chosen"] = False
    figure = frontier_figure(results, site, "L1")
    assert "your own window" in legend(figure) and "plan-of-the-lot" in ids(figure)
    assert "Every plan with a number keeps the limits of: professional" in words(figure)
    assert "your own window is judged against them" in words(figure)


def test_limits_are_kept_by_every_plan_but_an_own_window():
    """An own window that is one of the points is excepted by name; without one, none is."""
    site, results = made(status="own window")
    told = words(frontier_figure(results, site, "L1"))
    assert "Every plan but your own window keeps the limits of" in told
    assert "Every plan keeps the limits of" in words(frontier_figure(*made()[::-1], "L1"))


# ------------------------------------------------------------------------------------ files


def test_names_of_figures_are_apart():
    assert names_of("frontier", ["A"], ["A"]) == ["frontier"]
    assert names_of("frontier", ["A/1", "A-1", "b"], ["A/1", "A-1"]) == [
        "frontier_a-1", "frontier_a-1-2",
    ]  # fmt: skip
    assert names_of("panorama", (), ["Dock end"]) == ["panorama_dock-end"]


def test_a_run_draws_the_plans_of_the_first_lots_only():
    site = fx.make_site(0, n_lots=MOST_ELEVATIONS + 3, length_ft=1500.0)
    lots = [str(lot) for lot in site.measured_lot_ids()]
    rows = [{"lot_id": lot, "foliage_removed_ft3": float(k > 0)} for k, lot in enumerate(lots)]
    table = wf.plain(rows, ("lot_id", "foliage_removed_ft3"))
    results = {"window": Result("window", {"window_frontier": table})}
    drawn, notes = lots_with_plans(results, lots)
    assert drawn == lots[1 : MOST_ELEVATIONS + 1]
    assert "--lot chooses others" in notes[0].text
    assert lots_with_plans({}, lots) == ([], ())


def test_a_run_writes_the_figure_of_plans(tmp_path):
    site, results = made(6, sight=False)
    draw(tmp_path, site, results)
    names = {path.name for path in tmp_path.iterdir()}
    assert {"frontier.png", "frontier.svg", "shoreline_elevation.png"} <= names
    assert STYLE["svg.hashsalt"] == "geotrim"
