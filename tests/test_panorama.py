"""The panorama of an eye and its words: what is drawn, where it stands, that nothing collides."""

from __future__ import annotations

import itertools
from functools import cache

import geopandas
import numpy as np
import panorama_fixtures as pf
import pytest
import report_fixtures as fx
import shapely
import sight_sites as made
from matplotlib.colors import to_rgb
from matplotlib.text import Text

from geotrim.errors import LayerError
from geotrim.model import Result
from geotrim.report import panorama as drawing
from geotrim.report import panorama_axes as axes
from geotrim.report.palette import lightness
from geotrim.report.panorama import eyes_to_draw, panorama
from geotrim.report.save import save_figure
from geotrim.report.sight_text import eyes_words, sight_text

OTHERS = ((15.0, 4.0, 2.0), (70.0, 5.0, -3.0))
CASES = {
    "plain": pf.view(),
    "others": pf.view(others=OTHERS),
    "no window": pf.view(after=False),
    "low eye far off": pf.view(
        height_ft=6.0, depth_ft=140.0, n=401, step=0.25, from_deg=130.0, ground=False,
        trees=((20.0, 10.0, 3.0), (60.0, 12.0, 8.0)), band=(-2.0, -0.5),
    ),
    "narrow": pf.view(n=21, step=0.5, from_deg=8.0, trees=((4.0, 3.0, 3.0),)),
    "gap": pf.view(gaps=((30.0, 45.0),)),
    "others, no window": pf.view(others=OTHERS, after=False, trees=()),
    "one line": pf.view(n=1, trees=()),
    "all round": pf.view(n=350, from_deg=5.0, trees=((100.0, 80.0, 30.0),)),
    "a sliver of water": pf.view(
        height_ft=0.2, depth_ft=150.0, band=(-0.04, -0.02), horizon_deg=-0.0066
    ),
    "an edge far off on both sides": pf.view(n=179, from_deg=271.0, turn_max_deg=89.0),
    "long names": pf.view(
        "the window seat of the upper room on the north side, as measured", lot_id="L" * 60
    ),
}  # fmt: skip


@cache
def drawn(name):
    view = CASES[name]
    return panorama(fx.make_site(), pf.results(view), view[0]["eye_id"])


def texts(figure):
    """Visible texts with words in them that are drawn: ticks beyond an axis are not."""
    hidden = set()
    for ax in figure.axes:
        for axis, (low, high) in ((ax.xaxis, ax.get_xlim()), (ax.yaxis, ax.get_ylim())):
            for tick in axis.get_major_ticks():
                if not low - 1e-9 <= tick.get_loc() <= high + 1e-9:
                    hidden |= {tick.label1, tick.label2}
    every = figure.findobj(Text)
    return [t for t in every if t.get_visible() and t.get_text().strip() and t not in hidden]


def legend(figure):
    """Label -> handle of the legend."""
    (one,) = figure.legends
    names = [" ".join(t.get_text().split()) for t in one.get_texts()]
    return dict(zip(names, one.legend_handles, strict=True))


def gids(ax):
    return {artist.get_gid() for artist in ax.findobj() if artist.get_gid()}


def said(figure):
    return " ".join(" ".join(t.get_text().split()) for t in texts(figure))


# ------------------------------------------------------------------------------ layout


@pytest.mark.parametrize("name", CASES)
def test_nothing_collides_or_runs_off_the_sheet(name):
    figure = drawn(name)
    renderer = figure.canvas.get_renderer()
    figure.draw(renderer)
    page = figure.bbox
    boxes = [(t.get_text(), t.get_window_extent(renderer)) for t in texts(figure)]
    assert len(boxes) > 15
    for text, box in boxes:
        assert box.x0 >= 0 and box.y0 >= 0, text
        assert box.x1 <= page.x1 and box.y1 <= page.y1, text
    for (one, a), (other, b) in itertools.combinations(boxes, 2):
        wide = min(a.x1, b.x1) - max(a.x0, b.x0)
        high = min(a.y1, b.y1) - max(a.y0, b.y0)
        assert wide <= 1.0 or high <= 1.0, f"{one!r} over {other!r}"
    frames = [ax.get_window_extent(renderer) for ax in figure.axes]
    frames += [figure.legends[0].get_window_extent(renderer)]
    for a, b in itertools.combinations(frames, 2):
        assert a.y0 >= b.y1 or b.y0 >= a.y1, "strips and legend stand one over the other"


@pytest.mark.parametrize("name", CASES)
def test_the_legend_shows_what_is_drawn_and_no_more(name):
    figure = drawn(name)
    entries, first = legend(figure), gids(figure.axes[0])
    for what, words in drawing.WORDS.items():
        assert (what in first) == (words in entries), what
        if what in first:
            patch = next(a for a in figure.axes[0].findobj() if a.get_gid() == what)
            assert entries[words].get_facecolor() == patch.get_facecolor()
            assert entries[words].get_hatch() == patch.get_hatch()
    assert "edge" in first and "horizon" in first
    assert ("not over this lot's shore" in entries) == (name == "gap")
    gone = {f"{axes.WINDOW}, gone", f"{axes.FIRST}, gone"}
    last = gids(figure.axes[-1])
    assert bool(gone & last) == ("edge of what is gone after" in entries)


def test_two_strips_tell_the_share_open_before_and_after():
    figure = drawn("others")
    assert len(figure.axes) == 2
    upper, lower = figure.axes
    assert upper.get_position().y0 > lower.get_position().y1
    space = "\N{NO-BREAK SPACE}"
    assert upper.get_title(loc="left") == (
        f"Now: 41.2{space}% of the view open; horizon in sight over 12.0{space}% of the fan"
    )
    assert lower.get_title(loc="left") == (
        f"Plants that are no mangroves removed (45.0{space}% open), then the window: "
        f"68.7{space}% open; horizon in sight over 18.0{space}% of the fan"
    )
    assert {axes.WINDOW, axes.FIRST, axes.CANOPY, axes.GROUND} <= gids(upper)
    after = gids(lower)
    assert {axes.CANOPY, axes.GROUND} <= after and not {axes.WINDOW, axes.FIRST} & after
    assert upper.get_xlim() == lower.get_xlim() and upper.get_ylim() == lower.get_ylim()


def test_without_a_window_there_is_one_strip_or_the_others_removed():
    assert len(drawn("no window").axes) == 1
    figure = drawn("others, no window")
    assert len(figure.axes) == 2
    assert figure.axes[1].get_title(loc="left").startswith("Plants that are no mangroves removed")


# ------------------------------------------------------------------------------ what stands where


def test_azimuths_run_clockwise_across_the_north():
    """320 deg to 40 deg: north in the middle, 350 deg left of it, 10 deg right of it."""
    figure = drawn("plain")
    ax = figure.axes[0]
    at = {t.get_text(): x for t, x in zip(ax.get_xticklabels(), ax.get_xticks(), strict=True)}
    north, degree = at["0\N{DEGREE SIGN}"], "\N{DEGREE SIGN}"
    assert north - at[f"350{degree}"] == pytest.approx(10.0)
    assert at[f"10{degree}"] - north == pytest.approx(10.0)
    winds = {t.get_text(): t.xy[0] for t in ax.texts if str(t.get_gid()).startswith("wind-")}
    assert set(winds) == {"NNW", "N", "NNE"}
    assert winds["N"] == pytest.approx(north)
    assert winds["NNW"] == pytest.approx(north - 22.5)
    assert sum(ax.get_xlim()) / 2 == pytest.approx(north)


@pytest.mark.parametrize(
    ("azimuth", "name"), [(0, "N"), (11.2, "N"), (11.3, "NNE"), (90, "E"), (348.8, "N"), (270, "W")]
)
def test_winds(azimuth, name):
    """Sixteen winds of 22.5 degrees, the first half to either side of north."""
    assert axes.wind(azimuth) == name


def test_pieces_are_drawn_where_the_tables_put_them():
    view = pf.view(trees=((20.0, 0.5, 5.0),), band=(-6.0, -3.0), ground=False)
    figure = panorama(fx.make_site(), pf.results(view))
    ax = figure.axes[0]
    (patch,) = [a for a in ax.findobj() if a.get_gid() == axes.WINDOW]
    box = patch.get_path().get_extents()
    assert (box.x0, box.x1) == pytest.approx((20.0, 21.0))  # from the range's left side
    assert (box.y0, box.y1) == pytest.approx((-6.0, -3.0))
    low, high = ax.get_ylim()
    assert low < view[1]["edge_deg"].min() and high > 5.0, "over the tallest canopy"


def test_neighbouring_sight_lines_grow_together():
    """The ground under 0.1-degree sight lines is one shape with no line inside."""
    view = pf.view(n=301, step=0.1, trees=((15.0, 6.0, -2.0),))
    ax = panorama(fx.make_site(), pf.results(view)).axes[0]
    for what in (axes.GROUND, axes.WINDOW):
        (patch,) = [a for a in ax.findobj() if a.get_gid() == what]
        starts = patch.get_path().codes == patch.get_path().MOVETO
        assert starts.sum() == 1, what


def test_the_range_is_capped_and_that_is_said():
    figure = drawn("all round")
    view = CASES["all round"][1]
    deep = float((view["horizon_deg"] - view["edge_deg"]).max())
    top = figure.axes[0].get_ylim()[1]
    assert top == pytest.approx(-0.06 + axes.MOST_OVER * deep)
    assert top < 30.0, "the tree's top"
    assert "canopy goes on above the drawing" in legend(figure)
    assert "canopy goes on above the drawing" not in legend(drawn("plain"))


def scale_of(figure, ax):
    """Degrees an inch across and up, from the axes themselves."""
    w, h = figure.get_size_inches()
    place = ax.get_position()
    return np.ptp(ax.get_xlim()) / (place.width * w), np.ptp(ax.get_ylim()) / (place.height * h)


@pytest.mark.parametrize("name", CASES)
def test_unequal_scales_are_told(name):
    figure = drawn(name)
    across, up = scale_of(figure, figure.axes[0])
    words = said(figure)
    if abs(across / up - 1.0) < 0.005:
        assert f"Scale: 1 in = {across:.3g} deg across and upward." in words
    elif across > up:
        assert f"Vertical exaggeration x{across / up:.3g}: 1 in = " in words
    else:
        assert f"Drawn x{up / across:.3g} wide: 1 in = " in words


def test_equal_scales_where_they_fit():
    across, up = scale_of(drawn("plain"), drawn("plain").axes[0])
    assert across == pytest.approx(up)
    across, up = scale_of(drawn("low eye far off"), drawn("low eye far off").axes[0])
    assert across > 2.0 * up


def test_the_sheet_tells_eye_water_scale_measure_and_model():
    words = said(drawn("plain"))
    for part in (
        "A made-up lot",
        "Panorama from eye porch, lot L1",
        "about N \N{MIDDLE DOT} eye",
        "eye at 14.3 ft, water at 0.31 ft",
        "not a survey and not legal advice",
        "square deg",
        "refraction takes back 13 % of that",
        "Each cell of a crown is solid from its lowest foliage up, where that is known",
        "azimuth from grid north, clockwise, deg",
        "elevation angle, deg",
    ):
        assert part in words, part


def test_many_lines_of_sight_are_thinned_and_still_cover_the_range():
    view = pf.view(n=8001, step=0.01, trees=())
    eye, rays, blocks = view
    seen = axes.seen_from(eye, rays, blocks)
    assert 1000 < len(seen.x_deg) <= axes.MOST_RAYS
    assert seen.width_deg.sum() == pytest.approx(80.0, abs=0.2)
    assert not axes.has_gaps(seen)


# ------------------------------------------------------------------------------ on grey paper


def test_looks_stay_apart_on_grey_paper():
    """Kinds differ by 15 of lightness (CIE 1976) or by hatch (the shore by the edge's line)."""
    fills = {name: to_rgb(look["facecolor"]) for name, look in axes.LOOKS.items()}
    hatches = {name: look["hatch"] for name, look in axes.LOOKS.items()}
    fills["water"] = to_rgb(axes.WATER)
    for one, other in itertools.combinations(fills, 2):
        apart = abs(lightness(fills[one]) - lightness(fills[other]))
        assert apart > 15 or hatches.get(one) != hatches.get(other), f"{one} and {other}"


# ------------------------------------------------------------------------------ whose, and none


def test_an_eye_by_its_id_else_the_first_that_sees():
    results = pf.results(pf.blind(), pf.view("one"), pf.view("two", n=21))
    site = fx.make_site()
    assert "eye one" in said(panorama(site, results))
    figure = panorama(site, results, "two")
    assert "eye two" in said(figure)
    assert np.ptp(figure.axes[0].get_xlim()) == pytest.approx(21.0), "its own sight lines alone"
    with pytest.raises(LayerError, match="eye_id: found 'three'; needed one of cellar, one, two"):
        panorama(site, results, "three")
    assert eyes_to_draw(results) == (["one", "two"], ())


def test_an_eye_without_a_view_gets_its_reason():
    figure = panorama(fx.make_site(), pf.results(pf.blind()))
    assert "the eye is under the water" in said(figure) and not figure.legends


def test_no_result_no_figure():
    site = fx.make_site()
    for results in ({}, {"sightlines": Result("sightlines", {})}):
        assert panorama(site, results) is None
        assert eyes_to_draw(results) == ([], ())
        assert sight_text(site, results) == "No eye looks over a measured lot."
        assert eyes_words(results, "L1") == ""


def test_only_so_many_eyes_are_drawn_and_that_is_told():
    views = [pf.view(f"e{k}", n=3) for k in range(14)]
    drawn_eyes, (note,) = eyes_to_draw(pf.results(*views))
    assert drawn_eyes == [f"e{k}" for k in range(12)]
    assert "first 12 of 14 eyes" in note.text


def test_files_are_the_same_twice(tmp_path):
    for name in ("a", "b"):
        save_figure(drawn("others"), tmp_path / name)
    for suffix in ("png", "svg"):
        one, other = ((tmp_path / f"{name}.{suffix}").read_bytes() for name in "ab")
        assert one == other and len(one) > 5000


# ------------------------------------------------------------------------------ words


def test_words_for_the_terminal():
    results = pf.results(pf.view(others=OTHERS), pf.blind(), pf.view("shed", after=False))
    text = sight_text(fx.make_site(), results)
    assert max(map(len, text.splitlines())) <= 80
    flat = " ".join(text.replace("\N{NO-BREAK SPACE}", " ").split())
    for part in (
        "Eye porch, lot L1: at 14.3 ft, the water at 0.31 ft",
        "azimuths 319.5 to 40.5 deg, clockwise from grid north",
        "open now 41.2 %",
        "open, non-mangroves removed 45.0 %",
        "open after the window 68.7 %",
        "no view: the eye is under the water",
        "Eye shed, lot L1",
        "no window was measured",
        "horizon in sight over 12.0 % of the fan now, 18.0 % after",
        "from their lowest foliage up where that is known",
    ):
        assert part in flat, part
    assert "refraction" not in flat, "notes are printed by the command, once"
    assert flat.count("non-mangroves removed") == 1


def test_a_view_of_at_most_is_told_as_such():
    """Crowns of unknown height count as open view, wherever a figure of the view is told."""
    eye, rays, blocks = pf.view()
    results = pf.results(({**eye, "is_at_most": True, "view_deg2": 0.0123}, rays, blocks))
    flat = " ".join(sight_text(fx.make_site(), results).replace("\N{NO-BREAK SPACE}", " ").split())
    assert "open now at most 41.2 %" in flat and "open after the window at most 68.7 %" in flat
    assert "crowns of unknown height" in flat
    assert "0.0123 square deg" in flat, "small is not nothing"
    line = eyes_words(results, "L1").replace("\N{NO-BREAK SPACE}", " ")
    assert line == "1 eye: at most 41.2 % open now, at most 68.7 % after the window"
    words = said(panorama(fx.make_site(), results)).replace("\N{NO-BREAK SPACE}", " ")
    assert "Now: at most 41.2 % of the view open" in words
    assert "After the window: at most 68.7 % of the view open" in words


def test_spans_of_the_window_stand_over_the_strip_of_after():
    """A span along 20 ft of a straight shore 50 ft off, from its middle to the right.

    Its azimuths run from 0 to ``atan(20 / 50)``, by plain trigonometry, to a sight line's width
    and the foot of tolerance at each side.
    """
    site = made.site_of([made.wall(-20, -10)], [15.0], [("e", 0, -50, 20.0)], azimuth_step_deg=0.5)
    window = made.window_of([made.clear(6.0, 10.0)])
    zone = [made.placed(shapely.box(0, -30, 20, 0)), made.placed(shapely.box(60, -30, 70, 0))]
    spans = geopandas.GeoDataFrame(
        {"lot_id": ["A", "B"], "span_id": ["A/w1", "B/w1"]}, geometry=zone, crs=site.crs
    )
    result = made.sights(site, window)
    both = Result("window", {**window.tables, "window_spans": spans})
    figure = panorama(site, {"sightlines": result, "window": both})
    upper, lower = figure.axes
    assert "span-w1" in gids(lower) and not any("span" in str(g) for g in gids(upper))
    (line,) = [one for one in lower.lines if one.get_gid() == "span-w1"]
    start = float(result["sight_eyes"]["azimuth_from_deg"].iloc[0])
    left, right = (np.array(line.get_xdata())[[0, -1]] + start + 180.0) % 360.0 - 180.0
    assert left == pytest.approx(0.0, abs=1.7)
    assert right == pytest.approx(np.degrees(np.arctan(20 / 50)), abs=1.7)
    assert "spans of the window" in said(figure)


def test_eyes_of_a_lot_in_a_line():
    results = pf.results(pf.view(), pf.blind(), pf.view("b", lot_id="L2", after=False))
    space = "\N{NO-BREAK SPACE}"
    words = f"1 eye: 41.2{space}% open now, 68.7{space}% after the window"
    assert eyes_words(results, "L1") == words
    assert eyes_words(results, "L2") == f"1 eye: 41.2{space}% open now"
    assert eyes_words(pf.results(pf.blind()), "L1") == "1 eye, none of which sees the shore"


def test_a_measured_view_is_drawn_as_measured():
    """From the operation to the figure: the slot's piece stands between the angles of its sides.

    Eye at 20 ft, wall 30 to 40 ft off: seen down through the slot at 6 to 10 ft between
    ``-atan(14 / 40)`` and ``-atan(10 / 30)``, square to the shore.
    """
    site = made.site_of([made.wall(-20, -10)], [15.0], [("e", 0, -50, 20.0)], azimuth_step_deg=2.0)
    result = made.sights(site, made.window_of([made.clear(6.0, 10.0)]))
    figure = panorama(site, {"sightlines": result})
    blocks = result["sight_blocks"]
    middle = blocks["azimuth_deg"].iloc[(blocks["azimuth_deg"] - 180.0).abs().argmax()]
    (gone,) = blocks[
        (blocks["azimuth_deg"] == middle) & (blocks["what"] == axes.WINDOW)
    ].to_dict("records")  # fmt: skip
    a = np.cos(np.radians(middle)) / made.US_FT
    assert gone["low_deg"] == pytest.approx(-np.degrees(np.arctan(14 / 40 * a)), abs=1e-9)
    assert gone["high_deg"] == pytest.approx(-np.degrees(np.arctan(10 / 30 * a)), abs=1e-9)
    assert len(figure.axes) == 2 and axes.WINDOW in gids(figure.axes[0])
