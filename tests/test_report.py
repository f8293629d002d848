"""Figures and summary: what they show, how they read, and that their bytes repeat.

Nothing may collide, and grey paper and colour-blind eyes must be able to read them.
Inputs are written by hand in ``report_fixtures``; the colour formulas name their sources.
"""

from __future__ import annotations

import itertools
import math
import re
import subprocess
import sys
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import report_fixtures as fx
import shapely
from matplotlib.colors import to_rgb
from matplotlib.text import Text

from geotrim.core.silhouettes import place_on
from geotrim.errors import FileError, LayerError
from geotrim.model import MHW_ORIGINS, Note, Result
from geotrim.report.crown_marks import common_prefix
from geotrim.report.elevation import shoreline_elevation
from geotrim.report.elevation_axes import fit
from geotrim.report.furniture import round_length, wrapped
from geotrim.report.overview import overview_map
from geotrim.report.palette import class_styles
from geotrim.report.save import letters_watched, save_figure
from geotrim.report.silhouettes import silhouette
from geotrim.report.summary import summary_text

ROOT = Path(__file__).resolve().parent.parent
FIGURES = (overview_map, shoreline_elevation)


def texts(figure):
    """Every visible text of a figure that says something."""
    return [t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip()]


def words(figure):
    """All words of a figure, line breaks undone."""
    return " | ".join(" ".join(t.get_text().split()) for t in texts(figure))


def ids(figure):
    """Group ids of a figure's artists."""
    return {artist.get_gid() for artist in figure.findobj() if artist.get_gid()}


def by_id(figure, gid):
    (artist,) = [a for a in figure.findobj() if a.get_gid() == gid]
    return artist


def check_layout(figure):
    """Title, subtitle, axes, legend and footer lie inside the page and apart from each other."""
    renderer = figure.canvas.get_renderer()
    figure.draw(renderer)
    page = figure.bbox
    blocks = {gid: by_id(figure, gid).get_window_extent(renderer) for gid in ("title", "footer")}
    blocks["subtitle"] = by_id(figure, "subtitle").get_window_extent(renderer)
    for k, legend in enumerate(figure.legends):
        blocks[f"legend {k}"] = legend.get_window_extent(renderer)
    for k, ax in enumerate(figure.axes):
        blocks[f"axes {k}"] = ax.get_window_extent(renderer)
    for name, box in blocks.items():
        assert box.x0 >= -1 and box.y0 >= -1, name
        assert box.x1 <= page.x1 + 1 and box.y1 <= page.y1 + 1, name
    for (one, a), (other, b) in itertools.combinations(blocks.items(), 2):
        is_apart = a.x1 <= b.x0 + 1 or b.x1 <= a.x0 + 1 or a.y1 <= b.y0 + 1 or b.y1 <= a.y0 + 1
        assert is_apart, f"{one} over {other}"
    for text in texts(figure):  # words outside the axes' frame must still be on the page
        box = text.get_window_extent(renderer)
        if not text.get_clip_on() and text.axes is None:
            assert box.x1 <= page.x1 + 1 and box.x0 >= -1, text.get_text()


def check_labels_apart(figure, start):
    """No two labels of one kind lie over one another."""
    renderer = figure.canvas.get_renderer()
    figure.draw(renderer)
    boxes = [
        (t.get_text(), t.get_window_extent(renderer))
        for t in texts(figure)
        if str(t.get_gid()).startswith(start)
    ]
    for (one, a), (other, b) in itertools.combinations(boxes, 2):
        wide = min(a.x1, b.x1) - max(a.x0, b.x0)
        high = min(a.y1, b.y1) - max(a.y0, b.y0)
        assert wide <= 1.0 or high <= 1.0, f"{one!r} over {other!r}"
    return len(boxes)


# ------------------------------------------------------------------------------ colours


def linear(rgb):
    """SRGB to linear light. Source: IEC 61966-2-1."""
    rgb = np.asarray(rgb, dtype=float)
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def lab(rgb_linear):
    """CIE 1976 L*a*b* under D65. Source: CIE 15; matrix of IEC 61966-2-1."""
    to_xyz = np.array(
        [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    )
    t = to_xyz @ rgb_linear / np.array([0.9505, 1.0, 1.089])
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def as_deuteranope(rgb):
    """Linear light as a deuteranope sees it.

    Source: G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, "A physiologically-based model for
    simulation of color vision deficiency", IEEE TVCG 15 (2009), table of matrices, deuteranomaly at
    severity 1.0 (from memory).
    """
    matrix = np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    )
    return np.clip(matrix @ linear(rgb), 0.0, 1.0)


@pytest.mark.parametrize("n", [2, 3, 5, 6])
def test_lightness_rises_with_height_class(n):
    """So a grey printer keeps the order, with at least ten units of L* between neighbours."""
    styles = list(class_styles([f"class {k}" for k in range(n)]).values())[:-1]
    light = [lab(linear(to_rgb(s.colour)))[0] for s in styles]
    assert np.all(np.diff(light) > 10.0)
    assert light[0] < 30.0 < 80.0 < light[-1]


def test_classes_stay_apart_for_a_deuteranope():
    """Differences below about 2.3 are not noticed (common practice); ask for 15."""
    styles = list(class_styles(fx.CLASSES).values())
    seen = [lab(as_deuteranope(to_rgb(s.colour))) for s in styles]
    for a, b in itertools.combinations(seen, 2):
        assert np.linalg.norm(a - b) > 15.0
    assert np.all(np.diff([s[0] for s in seen[:-1]]) > 8.0)


def test_the_second_code_tells_neighbouring_classes_apart():
    hatches = [s.hatch for s in class_styles(fx.CLASSES).values()][:-1]
    assert all(a != b for a, b in itertools.pairwise(hatches))


def test_letters_stand_out_on_their_class():
    """Contrast ratio of at least 4.5. Source: WCAG 2.2, success criterion 1.4.3."""
    for s in class_styles(fx.CLASSES).values():
        y = sorted(
            float(np.array([0.2126, 0.7152, 0.0722]) @ linear(to_rgb(c)))
            for c in (s.colour, s.text_colour)
        )
        assert (y[1] + 0.05) / (y[0] + 0.05) >= 4.5, s.name


# ------------------------------------------------------------------------------- overview


@pytest.fixture(scope="module")
def full():
    """A site with everything on it, and its results."""
    exclusions = fx.frame(
        [{"name": "conservation strip", "geometry": fx.moved(shapely.box(70, -5, 90, 15))}],
        ["name", "geometry"],
    )
    site = fx.make_site(
        12,
        setbacks=(fx.strip_setback(),),
        exclusions=exclusions,
        heights=fx.flat_heights(100.0),
    )
    return site, fx.make_results(site, partial=("T-003",), no_data=("T-004",))


def test_overview_shows_all_there_is(full):
    site, results = full
    figure = overview_map(site, results)
    found, said = ids(figure), words(figure)
    for gid in (
        "lot-L1",
        "frontage-L1/1",
        "zone",
        "fringe",
        "deepest",
        "setback-neighbours' agreement",
        "exclusion-conservation strip",
        "crown-T-001",
        "partial-T-003",
        "lot-name-L1",
        "station-0",
        "station-100",
    ):
        assert gid in found, gid
    for text in (
        "A made-up lot",
        "frontage 100.0 ft",
        "MHW line, from a survey",
        "riparian line, proposed, square to shore",
        "setback, 10 ft: neighbours' agreement",
        "exclusion: conservation strip",
        "deepest: 14.0 ft at station 5, trunk to trunk",
        "not a mangrove (dashed edge, x)",
        "species unknown (dotted edge, ?)",
        "seen in part only",
        "no height data (1)",
        "top under 6 ft",
        "top over 24 ft",
        "grid N",
        "Screening, not a survey and not legal advice",
        "NAD83(2011) / Florida West (ftUS) (EPSG:6443)",
    ):
        assert text in said, text
    check_layout(figure)
    assert check_labels_apart(figure, "label-") >= 10


def test_overview_keeps_one_scale_and_the_bar_is_true(full):
    """The bar's length on paper times the scale is the length it says."""
    site, results = full
    figure = overview_map(site, results)
    ax = figure.axes[0]
    box = ax.get_window_extent()
    x_scale = np.ptp(ax.get_xlim()) / box.width
    assert np.ptp(ax.get_ylim()) / box.height == pytest.approx(x_scale, rel=1e-6)
    bar = next(a for a in figure.axes if any("grid N" in t.get_text() for t in a.texts))
    wide_in = sum(p.get_width() for p in bar.patches)
    (said,) = [t.get_text() for t in bar.texts if re.fullmatch(r"\d+ ft", t.get_text())]
    us_foot = (1200 / 3937) / 0.3048
    feet_per_inch = x_scale * figure.dpi * us_foot
    assert wide_in * feet_per_inch == pytest.approx(float(said.split()[0]), rel=1e-6)


@pytest.mark.parametrize("origin", MHW_ORIGINS)
def test_the_shore_is_called_what_it_is(origin):
    """An apparent shoreline is never called an MHW line: s. 177.27 F.S."""
    site = fx.make_site(origin=origin)
    results = fx.make_results(site)
    said = words(overview_map(site, results))
    assert MHW_ORIGINS[origin] in said
    if origin == "apparent-shoreline":
        shown = [t.get_text() for t in texts(overview_map(site, results))]
        assert not any(t.startswith("MHW") for t in shown)
        assert "MHW line, " not in summary_text(site, results)


@pytest.mark.parametrize("n_crowns", [0, 1, 300])
def test_any_number_of_crowns(n_crowns):
    site = fx.make_site(n_crowns, length_ft=600.0 if n_crowns > 100 else 100.0)
    results = fx.make_results(site)
    for draw in FIGURES:
        figure = draw(site, results)
        check_layout(figure)
        check_labels_apart(figure, "label-")
        drawn = [gid for gid in ids(figure) if gid.startswith("crown-")]
        assert len(drawn) == n_crowns
    assert f"{n_crowns} of {n_crowns} crowns" in summary_text(site, results) or n_crowns == 0


def test_thousands_of_crowns_are_drawn_in_bulk():
    """Every crown is on the map, in a few artists and without labels."""
    site = fx.make_site(1500, length_ft=3000.0)
    figure = overview_map(site, fx.make_results(site, partial=("T-001",)))
    bulk = [a for a in figure.findobj() if str(a.get_gid()).startswith("crowns-")]
    outlines = sum((a.get_path().codes == 1).sum() for a in bulk)  # 1: move to, one a ring
    assert outlines == 1500
    assert len(figure.axes[0].patches) < 80
    assert "1500 crowns: too many to label" in words(figure)
    check_layout(figure)


def test_no_crowns_table_no_species_no_zone_no_results():
    bare = fx.make_site(crowns=False)
    nameless = fx.make_site(species=())
    for site, results in (
        (bare, fx.make_results(bare, zone=False)),
        (bare, {}),
        (nameless, fx.make_results(nameless, zone=False)),
    ):
        for draw in FIGURES:
            check_layout(draw(site, results))
        assert summary_text(site, results)
    said = words(overview_map(nameless, fx.make_results(nameless)))
    assert "species unknown (dotted edge, ?) (6)" in said
    assert "mangrove (solid edge)" not in said
    assert "zone" not in ids(overview_map(bare, {}))


def test_results_left_out_are_left_off(full):
    site, results = full
    for name in results:
        fewer = {k: v for k, v in results.items() if k != name}
        for draw in FIGURES:
            check_layout(draw(site, fewer))
        assert summary_text(site, fewer)


def test_no_frontage_is_drawn_with_its_reason():
    site = fx.make_site()
    results = fx.make_results(site)
    tables = dict(results["frontage"].tables)
    tables["lots"] = tables["lots"].assign(
        n_stretches=0, frontage_length_ft=0.0, status="no-frontage", reason="no frontage: too far"
    )
    tables["frontage"] = tables["frontage"].iloc[:0]
    results = {"frontage": type(results["frontage"])("frontage", tables)}
    assert "no frontage: too far" in words(overview_map(site, results))
    assert "no frontage" in words(shoreline_elevation(site, results))
    assert "no frontage: too far" in summary_text(site, results)


@pytest.mark.parametrize("draw", FIGURES)
def test_long_names_wrap(draw):
    name = "The lot of the Association of Owners at the Far End of the Long Canal " * 3
    setback = fx.strip_setback("the very long name of a covenant that nobody ever shortened " * 2)
    site = fx.make_site(name=name.strip(), setbacks=(setback,))
    figure = draw(site, fx.make_results(site))
    check_layout(figure)
    assert by_id(figure, "title").get_text().count("\n") >= 1


def test_a_long_legend_gets_smaller_type():
    """Ten setbacks of long names: all are told, and the legend stays off the footer."""
    setbacks = tuple(
        fx.strip_setback(f"covenant number {k} of the association of owners of the canal", 5.0 + k)
        for k in range(10)
    )
    site = fx.make_site(setbacks=setbacks)
    figure = overview_map(site, fx.make_results(site))
    check_layout(figure)
    said = words(figure)
    assert all(f"covenant number {k} of the association" in said for k in range(10))
    few = overview_map(fx.make_site(), fx.make_results(fx.make_site()))
    sizes = [f.legends[0].get_texts()[0].get_fontsize() for f in (figure, few)]
    assert sizes[0] < sizes[1]


def test_one_lot_of_several_and_an_unknown_one():
    site = fx.make_site(12, n_lots=3, length_ft=180.0)
    results = fx.make_results(site)
    one = overview_map(site, results, "L2")
    assert "Overview, lot L2" in words(one)
    assert {"frontage-L2/1"} == {g for g in ids(one) if g.startswith("frontage-")}
    assert "Overview, 3 lots" in words(overview_map(site, results))
    for draw in FIGURES:
        with pytest.raises(LayerError, match="lot_id: found 'L9'; needed one of L1, L2, L3"):
            draw(site, results, "L9")


# ------------------------------------------------------------------------------ elevation


def test_elevation_shows_band_limits_and_basis(full):
    site, results = full
    figure = shoreline_elevation(site, results)
    said, found = words(figure), ids(figure)
    for text in (
        "window band",
        "6 ft",
        "10 ft",
        "16 ft",
        "24 ft",
        "height above substrate, ft",
        "Canopy model: column",
        "Vertical error: 0.5 ft",
        "looking from the land to the water",
        "Screening, not a survey",
    ):
        assert text in said, text
    assert {"band", "substrate", "crown-T-001", "no-data-T-004"} <= found
    y = by_id(figure, "band").get_extents().transformed(figure.axes[0].transData.inverted())
    assert (y.y0, y.y1) == pytest.approx((6.0, 10.0))
    assert "Scale: 1 in =" in said
    check_layout(figure)


def test_equal_scales_or_the_exaggeration_is_said():
    for length, is_equal in ((100.0, True), (20.0, True), (900.0, False)):
        site = fx.make_site(8, length_ft=length)
        figure = shoreline_elevation(site, fx.make_results(site))
        ax = figure.axes[0]
        box = ax.get_window_extent()
        factor = (np.ptp(ax.get_xlim()) / box.width) / (np.ptp(ax.get_ylim()) / box.height)
        said = re.search(r"Vertical exaggeration x(\d+)", words(figure))
        assert factor == pytest.approx(int(said.group(1)) if said else 1.0, rel=1e-6)
        assert (said is None) == is_equal
        check_layout(figure)


def test_stretches_are_side_by_side_with_their_names():
    site = fx.make_site(8)
    results = fx.make_results(site, stretches=(0.6, 0.4))
    figure = shoreline_elevation(site, results)
    said = words(figure)
    assert "stretch L1/1, 60.0 ft" in said and "stretch L1/2, 40.0 ft" in said
    assert "break" in said
    labels = [t.get_text() for t in figure.axes[0].get_xticklabels()]
    assert labels[0] == "0" and labels[-1] == "100" and labels.count("60") == 2
    check_layout(figure)
    assert "stretch L1/2" in words(overview_map(site, results))


def test_near_crowns_are_in_front():
    """Even numbers stand 6 ft off the shore, odd ones 20 ft: the nearer are drawn later."""
    site = fx.make_site(6)
    figure = shoreline_elevation(site, fx.make_results(site))
    z = {g: by_id(figure, g).get_zorder() for g in ids(figure) if g.startswith("crown-")}
    near = [z[f"crown-T-{k:03d}"] for k in (2, 4, 6)]
    far = [z[f"crown-T-{k:03d}"] for k in (1, 3, 5)]
    assert min(near) > max(far)


def test_a_hidden_top_has_no_id():
    """Crown 2 (8 ft) stands behind nothing; put a 26 ft crown right before crown 1 (5 ft)."""
    site = fx.make_site(5)
    crowns = site.crowns.copy()
    crowns.loc[4, "geometry"] = shapely.transform(
        crowns.loc[0, "geometry"], lambda xy: xy - (0.0, 14.0)
    )
    site = type(site)(site.name, site.crs, site.lots, site.mhw_line, "survey", crowns=crowns)
    found = ids(shoreline_elevation(site, fx.make_results(site)))
    assert "label-T-005" in found
    assert "label-T-001" not in found


def test_silhouette_by_hand():
    """A 10 by 4 ft crown along the shore under a flat 12 ft raster: 10 ft wide, 12 ft high."""
    grid = fx.flat_heights(100.0, 12.0)
    shape = fx.moved(shapely.box(20, 4, 30, 8))
    us_foot = (1200 / 3937) / 0.3048
    side = silhouette(shape, (1.0, 0.0), 25.0, 12.0, us_foot, grid)
    assert side.is_from_raster
    assert (side.station_ft[0], side.station_ft[-1]) == pytest.approx((20.0, 30.0), abs=1e-3)
    assert np.allclose(side.top_ft, 12.0)
    across = silhouette(shape, (0.0, 1.0), 25.0, 12.0, us_foot, grid)
    assert np.ptp(across.station_ft) == pytest.approx(4.0, abs=1e-3)
    rounded = silhouette(shape, (1.0, 0.0), 25.0, 12.0, us_foot, None)
    assert not rounded.is_from_raster
    assert rounded.top_ft.max() == pytest.approx(12.0)
    assert silhouette(shape, (1.0, 0.0), 25.0, float("nan"), us_foot, grid) is None


def test_silhouette_takes_the_highest_cell_across_the_shore():
    """One 20 ft cell among 10 ft ones shows at its own station and nowhere else."""
    cells = np.full((60, 140), 10.0)
    cells[50 - 6, 20 + 25] = 20.0  # row from 50 ft north, column from 20 ft west: x 25, y 6
    grid = type(fx.flat_heights(1.0))(cells, fx.X0 - 20.0, fx.Y0 + 50.0, 1.0)
    side = silhouette(fx.moved(shapely.box(20, 0, 32, 10)), (1.0, 0.0), 26.0, 20.0, 1.0, grid)
    high = side.station_ft[side.top_ft > 15.0]
    assert high.size == 1
    assert high[0] == pytest.approx(25.5, abs=1.0)


def test_place_on_runs_on_past_the_ends():
    line = shapely.LineString([(0, 0), (50, 0)])
    for x, station in ((20.0, 120.0), (-5.0, 95.0), (57.0, 157.0)):
        got, way = place_on(line, shapely.Point(x, 8.0), 100.0, 1.0)
        assert got == pytest.approx(station)
        assert way == pytest.approx([1.0, 0.0])


@pytest.mark.parametrize(
    ("span", "top", "factor"), [(120.0, 28.0, 1), (20.0, 28.0, 1), (1000.0, 28.0, 8)]
)
def test_fit_by_hand(span, top, factor):
    """1000 ft over 9 in: 28 ft and 1.4 ft of ground would be 0.26 in high; 1.9 in needs 8 times."""
    scale = fit(0.0, span, top)
    assert scale.factor == factor
    assert scale.along_ft / scale.up_ft == pytest.approx(factor)
    assert scale.height_in >= 1.9 - 1e-9


# ---------------------------------------------------------------------------- small parts


@pytest.mark.parametrize(
    ("most", "length"), [(10.0, 10.0), (19.9, 10.0), (20.0, 20.0), (0.7, 0.5), (4999.0, 2000.0)]
)
def test_round_length(most, length):
    assert round_length(most) == pytest.approx(length)


def test_wrapped_breaks_long_words():
    lines = wrapped("x" * 100, 1.0, 7.0).splitlines()
    assert len(lines) > 1 and max(map(len, lines)) <= 17


def test_common_prefix_is_cut_at_a_sign():
    assert common_prefix(["MC-001", "MC-010"]) == "MC-"
    assert common_prefix(["10", "11"]) == ""
    assert common_prefix([]) == ""


# ---------------------------------------------------------------------- real results


@pytest.mark.parametrize("folder", ["plain_lot", "curved_shore", "canal_corner"])
def test_sample_sites_draw_without_collisions(folder):
    """The invented sites through the real operations."""
    from geotrim.io.site_file import read_site
    from geotrim.ops.chain import measure

    site = read_site(ROOT / "sample_data" / folder / "site.toml")
    results = measure(site)
    for draw in FIGURES:
        figure = draw(site, results)
        check_layout(figure)
        assert check_labels_apart(figure, "label-") > 10
    assert max(map(len, summary_text(site, results).splitlines())) <= 80


# ------------------------------------------------------------------------------- files


@pytest.mark.parametrize("draw", FIGURES)
def test_files_are_whole_and_the_same_twice(full, draw, tmp_path):
    site, results = full
    first = save_figure(draw(site, results), tmp_path / "a.1")
    second = save_figure(draw(site, results), tmp_path / "b")
    assert [p.name for p in first] == ["a.1.png", "a.1.svg"]
    for one, other in zip(first, second, strict=True):
        assert one.read_bytes() == other.read_bytes()
    svg = first[1].read_text(encoding="utf-8")
    assert "<dc:date>" not in svg and str(tmp_path) not in svg
    assert first[0].read_bytes().startswith(b"\x89PNG")
    assert len(list(tmp_path.iterdir())) == 4, "nothing is left beside the figures"
    assert first[1].stat().st_size < 2_500_000


def test_save_needs_a_folder(full, tmp_path):
    with pytest.raises(FileError):
        save_figure(overview_map(*full), tmp_path / "not there" / "map")


def test_pyplot_stays_out_and_the_summary_is_light():
    """A figure opens no pyplot window; the summary does not import matplotlib at all."""
    code = (
        "import sys, geotrim.report.summary; print('matplotlib' in sys.modules);"
        "import geotrim.report.overview, geotrim.report.elevation, geotrim.report.save;"
        "print('matplotlib' in sys.modules, 'matplotlib.pyplot' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False", "False"]


# ------------------------------------------------------------------------------ summary


def test_summary_is_readable(full):
    site, results = full
    text = summary_text(site, results)
    lines = text.splitlines()
    assert max(map(len, lines)) <= 80
    assert not text.endswith("\n") and all(line == line.rstrip() for line in lines)
    for words_ in (
        "MHW line, from a survey",
        "epoch 1983-2001",
        "error 0.5 ft; window band 6-10 ft; canopy model column",
        "12 of 12 crowns",
        "Not known or not measured",
        "T-001 lies on no data",
        "Screening, not a survey and not legal advice",
        "proposed, square to shore",
    ):
        assert words_ in text, words_
    assert re.search(r"frontage along the line +100\.0 ft", text)
    assert re.search(r"fringe depth, greatest +14\.0 ft +at station 5", text)
    assert re.search(r"zone, area +1,760 sq ft", text)
    assert re.search(r"neighbours' agreement +0 +1 +0", text)
    # 10 whole crowns of 500 cu ft, 125 of it in the band
    assert re.search(r"crown volumes in 6-10 ft, summed +25\.0 % +of 5,000 cu ft", text)
    classes = [sum(map(int, re.findall(r"\d+", line)[-3:])) for line in lines if " ft  " in line]
    assert sum(classes[-5:]) + 1 == 12 or "no data" in text
    assert "legal" not in text.replace("not legal advice", "")


def test_summary_of_many_lots_is_a_table():
    site = fx.make_site(12, n_lots=30, length_ft=1500.0)
    results = fx.make_results(site)
    text = summary_text(site, results)
    assert "30 lots" in text and "and 10 more" in text
    assert re.search(r"L1 +50\.0 +14\.0 +660", text)
    assert len(text.splitlines()) < 70
    assert max(map(len, text.splitlines())) <= 80


def test_summary_does_not_repeat_a_note(full):
    site, results = full
    note = Note("crowns", "the same thing", "assumed")
    results = {
        k: type(r)(r.operation, r.tables, (*r.notes, note), r.parameters)
        for k, r in results.items()
    }
    assert summary_text(site, results).count("the same thing") == 1


def test_no_heights_no_error_is_said():
    site = fx.make_site()
    results = fx.make_results(site)
    assert "Heights       none given" in summary_text(site, results)
    assert "Vertical error: not stated" in words(shoreline_elevation(site, results))
    blind = {k: v for k, v in results.items() if k not in ("heights", "slices")}
    assert "heights were not measured" in summary_text(site, blind)
    assert math.isfinite(len(summary_text(site, blind)))


@pytest.mark.parametrize("draw", FIGURES)
def test_a_dollar_sign_in_a_name_is_a_dollar_sign(draw, tmp_path):
    site = replace(fx.make_site(), name="$x^2_$ and \\alpha")
    figure = draw(site, fx.make_results(site))
    save_figure(figure, tmp_path / "figure")  # as a formula it could not be set
    assert "$x^2_$ and \\alpha" in words(figure)


def test_letters_the_type_lacks_are_gathered_not_warned_of(tmp_path):
    site = replace(fx.make_site(), name="\u6f22\u5b57 lot")
    with letters_watched() as unknown:
        save_figure(overview_map(site, fx.make_results(site)), tmp_path / "map")
    assert unknown == {"\u6f22", "\u5b57"}
    with pytest.warns(UserWarning, match="another"), letters_watched() as unknown:
        warnings.warn("another", UserWarning, stacklevel=1)
    assert not unknown


def test_words_of_a_crowded_map_keep_apart():
    """Eleven named stretches of half an inch: what would lie on other words is left out."""
    site = fx.make_site(0, length_ft=330.0)
    figure = overview_map(site, fx.make_results(site, stretches=(1 / 11,) * 11))
    assert sum(gid.startswith("station-") for gid in ids(figure)) >= 11
    check_labels_apart(figure, ("station-", "stretch-label-"))


def test_many_lots_are_listed_with_those_on_the_water_first():
    lots = pd.DataFrame(
        {
            "lot_id": [f"L{n}" for n in range(30)],
            "n_stretches": [0] * 25 + [1] * 5,
            "frontage_length_ft": [0.0] * 25 + [50.0] * 5,
        }
    )
    site = fx.make_site(0, n_lots=30, length_ft=1500.0)
    ids_ = [str(lot) for lot in site.lots["lot_id"]]
    lots["lot_id"] = ids_
    notes = tuple(Note(f"lot {lot}", "no frontage: too far", "missing") for lot in ids_[:25])
    text = summary_text(site, {"frontage": Result("frontage", {"lots": lots}, notes)})
    rows = re.findall(r"^  (L\d+) ", text, re.MULTILINE)
    assert rows[:6] == [*ids_[25:], ids_[0]]
    assert "fringe ft" not in text  # not measured: no empty column
    assert text.count("too far") == 0 and "no frontage: 25 lots (" in text
