"""Eyes, the ground and trees to be kept: what a site file may say of them and what comes of it."""

from __future__ import annotations

import hashlib
import tomllib
import warnings
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Transformer

from geotrim import run
from geotrim.cli.parser import under_option_names
from geotrim.errors import GeotrimError
from geotrim.io.layers import write_layer
from geotrim.io.site_file import read_site, site_from_tables
from geotrim.io.site_spec import FILL_IN
from geotrim.io.starter import write_starter
from geotrim.model import CanopyGrid
from tests.test_site_file import CROWNS, LOTS, PLAIN, SHORE, X, Y, frame, site, told

ROOT = Path(__file__).resolve().parent.parent
#: One US survey foot in international feet. Source: EPSG unit 9003, exact.
US_FT = (1200 / 3937) / 0.3048
LINE = 'vertical_datum = "NAVD 88"\nelevation_ft = 0.4\n'
DECK = f'[[eyes]]\nname = "deck"\nx = {X + 50}\ny = {Y + 90}\n'
EYES = frame(
    [shapely.Point(X + 20, Y + 80), shapely.Point(X + 130, Y + 80)],
    eye_id=["one", "two"],
    eye_height_m=[1.7, np.nan],
    eye_elevation_ft=[np.nan, 17.5],
    floor=[3.0, 4.0],
    of=["A", None],
)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A folder with lots, a shore, eyes and a ground."""
    place = tmp_path_factory.mktemp("eyes")
    for name, table in {"lots": LOTS, "mhw_line": SHORE, "crowns": CROWNS, "eyes": EYES}.items():
        write_layer(table, place / "site.gpkg", layer=name)
    write_layer(LOTS, place / "shapes.gpkg", layer="rooms")
    ground(place / "ground.tif")
    return place


def ground(path, *, unit="ft", crs="EPSG:6443", west=X - 20, north=Y + 170, level=3.0, holds=None):
    """Elevations of 60 by 80 cells of 4 map units."""
    place = rasterio.Affine(4, 0, west, 0, -4, north)
    shape = {"width": 80, "height": 60, "count": 1, "dtype": "float32"}
    with rasterio.open(path, "w", driver="GTiff", crs=crs, transform=place, **shape) as out:
        out.write(np.full((1, 60, 80), level, dtype="float32"))
        if unit:
            out.units = (unit,)
        if holds:
            out.update_tags(holds=holds)
    return path


# ---- single points ------------------------------------------------------------------------------


def test_a_point_with_its_height_and_one_with_its_elevation(made):
    more = f'[[eyes]]\nx = {X + 5}\ny = {Y + 60}\nelevation_ft = 18\nlot = "B"\n'
    got = site(made, PLAIN + DECK + "height_ft = 5.5\n" + more).eyes
    assert list(got.columns) == ["eye_id", "height_ft", "elevation_ft", "lot_id", "geometry"]
    assert got.crs.to_epsg() == 6443
    assert list(got["eye_id"]) == ["deck", "eye 2"]
    assert got["height_ft"].iloc[0] == 5.5 and np.isnan(got["height_ft"].iloc[1])
    assert got["elevation_ft"].iloc[1] == 18.0 and np.isnan(got["elevation_ft"].iloc[0])
    assert list(got["lot_id"]) == [None, "B"]
    assert [(p.x, p.y) for p in got.geometry] == [(X + 50, Y + 90), (X + 5, Y + 60)]


def test_a_site_without_eyes_or_ground_has_none(made):
    got = site(made)
    assert got.eyes is None and got.ground is None
    assert site_from_tables({"lots": LOTS, "eyes": []}).eyes is None


def test_a_height_of_nothing_is_a_height(made):
    """The edge: 0 ft above the ground is told, under it is refused."""
    assert site(made, PLAIN + DECK + "height_ft = 0\n").eyes["height_ft"].iloc[0] == 0.0
    with pytest.raises(GeotrimError, match=r"height_ft \(line 14.*0 or more"):
        site(made, PLAIN + DECK + "height_ft = -0.01\n")
    assert site(made, PLAIN + DECK + "elevation_ft = -1.5\n").eyes["elevation_ft"].iloc[0] == -1.5


def test_degrees_come_to_the_sites_crs(made):
    """Against the library that holds the projection's formulas."""
    back = Transformer.from_crs(6443, 4326, always_xy=True)
    lon, lat = back.transform(X + 50, Y + 90)
    text = f"[[eyes]]\nlongitude = {lon!r}\nlatitude = {lat!r}\nheight_ft = 5.5\n"
    got = site(made, PLAIN + text)
    (point,) = got.eyes.geometry
    assert (point.x, point.y) == pytest.approx((X + 50, Y + 90), abs=0.01)
    assert "assumed eyes: reprojected from EPSG:4326 (WGS 84)" in told(got)


def test_elevations_over_an_unknown_datum_are_told(made):
    assert "above the datum of the water's elevation, which is not stated" in told(
        site(made, PLAIN + DECK + "elevation_ft = 18\n")
    )
    high = DECK + "elevation_ft = 18\n"
    for text in (PLAIN + DECK + "height_ft = 6\n", PLAIN + LINE + high, PLAIN + GROUND + high):
        assert "datum of the water's" not in told(site(made, text))


# ---- layers -------------------------------------------------------------------------------------

LAYER = '[[eyes]]\nfile = "site.gpkg"\nlayer = "eyes"\n'


def test_a_layer_with_usual_fields(made):
    """1.7 m is 1.7 / 0.3048 ft (exact: Federal Register 85 FR 62698)."""
    got = site(made, PLAIN + LAYER)
    assert list(got.eyes["eye_id"]) == ["one", "two"]
    assert got.eyes["height_ft"].iloc[0] == pytest.approx(1.7 / 0.3048)
    assert got.eyes["elevation_ft"].iloc[1] == pytest.approx(17.5)
    assert got.eyes[["height_ft", "elevation_ft"]].isna().sum().tolist() == [1, 1]
    assert "heights taken from the field 'eye_height_m'" in told(got)
    (eyes,) = [item for item in got.inputs if item.role == "eyes"]
    digest = hashlib.sha256((made / "site.gpkg").read_bytes()).hexdigest()
    assert (eyes.layer, eyes.n_features, eyes.sha256) == ("eyes", 2, digest)


@pytest.mark.parametrize(("unit", "feet"), [("ft", 1.0), ("us-ft", US_FT), ("m", 1 / 0.3048)])
def test_a_field_in_a_unit_that_is_stated(made, unit, feet):
    text = LAYER + f'elevation_field = "floor"\nunit = "{unit}"\nid_field = "eye_id"\n'
    got = site(made, PLAIN + text).eyes
    np.testing.assert_allclose(got["elevation_ft"], [3.0 * feet, 4.0 * feet], rtol=1e-12)
    assert got["height_ft"].isna().all()


def test_one_height_for_a_whole_layer_and_lots_by_field(made):
    got = site(made, PLAIN + LAYER + 'height_ft = 5.5\nlot_field = "of"\n').eyes
    assert list(got["height_ft"]) == [5.5, 5.5] and got["elevation_ft"].isna().all()
    assert list(got["lot_id"]) == ["A", None]
    got = site(made, PLAIN + LAYER + 'height_ft = 5.5\nlot = "B"\n').eyes
    assert list(got["lot_id"]) == ["B", "B"]


def test_an_elevation_may_lie_under_the_datum():
    eyes = frame([shapely.Point(X, Y)], elevation_ft=[-0.5])
    assert site_from_tables({"lots": LOTS, "eyes": eyes}).eyes["elevation_ft"].iloc[0] == -0.5


def test_a_layer_in_another_crs_and_points_beside_it(tmp_path, made):
    moved = EYES.to_crs(6437)  # the same zone in metres
    tables = {
        "lots": LOTS,
        "eyes": [{"file": moved}, {"x": X + 1, "y": Y + 1, "height_ft": 4.0, "name": "three"}],
    }
    got = site_from_tables(tables).eyes
    assert list(got["eye_id"]) == ["one", "two", "three"]
    assert got.geometry.iloc[0].x == pytest.approx(X + 20, abs=1e-3)
    assert got.geometry.iloc[2].x == X + 1


def test_a_site_takes_back_its_own_eyes(made):
    """The columns of the model are those that the reader finds by itself."""
    first = site(made, PLAIN + LAYER + 'lot_field = "of"\n').eyes
    again = site_from_tables({"lots": LOTS, "eyes": first}).eyes
    pd.testing.assert_frame_equal(
        pd.DataFrame(first.drop(columns="geometry")), pd.DataFrame(again.drop(columns="geometry"))
    )
    assert first.geometry.geom_equals_exact(again.geometry, 0).all()


@given(st.lists(st.floats(0, 200), min_size=1, max_size=6))
def test_every_point_comes_out_where_and_as_high_as_it_went_in(heights):
    eyes = [{"x": X + 3.0 * i, "y": Y - i, "height_ft": height} for i, height in enumerate(heights)]
    got = site_from_tables({"lots": LOTS, "eyes": eyes}).eyes
    assert got["height_ft"].tolist() == heights
    assert [p.x for p in got.geometry] == [X + 3.0 * i for i in range(len(heights))]
    assert got["eye_id"].is_unique


# ---- what is refused ----------------------------------------------------------------------------

AT = f"[[eyes]]\nx = {X}\ny = {Y}\n"
WRONG = [
    (DECK, "[[eyes]] number 1 (line 10", "an eye without a height"),
    (DECK + "height_ft = 5\nelevation_ft = 9\n", "[[eyes]] number 1 elevation_ft (line 15", "one"),
    (DECK + "height_ft = nan\n", "[[eyes]] number 1 height_ft (line 14", "needed a number"),
    (DECK + "elevation_ft = inf\n", "[[eyes]] number 1 elevation_ft (line 14", "needed a number"),
    (f"[[eyes]]\nx = nan\ny = {Y}\nheight_ft = 5\n", "[[eyes]] number 1 x (line 11", "a number"),
    (f"[[eyes]]\nx = {X}\nheight_ft = 5\n", "[[eyes]] number 1 x (line 11", "both x and y"),
    (f"[[eyes]]\ny = {Y}\nheight_ft = 5\n", "[[eyes]] number 1 y (line 11", "both x and y"),
    (
        "[[eyes]]\nlatitude = 27.0\nheight_ft = 5\n",
        "[[eyes]] number 1 latitude (line 11",
        "both longitude and latitude",
    ),
    (
        AT + "longitude = -82.0\nlatitude = 27.0\nheight_ft = 5\n",
        "[[eyes]] number 1 longitude (line 13",
        "one of the two",
    ),
    (
        "[[eyes]]\nlongitude = 82.4\nlatitude = 27.3\nheight_ft = 5\n",
        "[[eyes]] number 1 longitude (line 11",
        "west is negative",
    ),
    (
        "[[eyes]]\nlongitude = 27.3\nlatitude = -82.4\nheight_ft = 5\n",
        "[[eyes]] number 1 longitude (line 11",
        "swap",
    ),
    ("[[eyes]]\nheight_ft = 5\n", "[[eyes]] number 1 (line 10", "an eye at no place"),
    ("[eyes]\nheight_ft = 5\n", "[eyes]", "two brackets"),
    (
        f"[[eyes]]\nx = {X + 40_000}\ny = {Y}\nheight_ft = 5\n",
        "[[eyes]] number 1 x (line 11",
        "miles off the lots",
    ),
    (
        "[[eyes]]\nlongitude = -81.0\nlatitude = 27.3\nheight_ft = 5\n",
        "[[eyes]] number 1 longitude (line 11",
        "miles off the lots",
    ),
    (
        DECK + "height_ft = 5\n" + DECK + "height_ft = 6\n",
        "[[eyes]] number 2 name (line 16",
        "a second eye named 'deck'",
    ),
    (
        DECK + f"height_ft = 5\n[[eyes]]\nx = {X + 40_000}\ny = {Y}\nheight_ft = 5\n",
        "[[eyes]] number 2 x (line 16",
        "eye 'eye 2', 7.5 miles off",  # 40,000 less 180 ft
    ),
    (
        DECK + f'height_ft = 5\n[[eyes]]\nx = {X}\ny = {Y}\nheight_ft = 5\nlot = "Z"\n',
        "[[eyes]] number 2 lot (line 19",
        "one of A, B",
    ),
    (
        LAYER + LAYER,
        "[[eyes]] number 2 id_field (line 13",
        "a second eye named 'one'",
    ),
    (DECK + 'height_ft = 5\nlot = "Z"\n', "[[eyes]] number 1 lot (line 15", "one of A, B"),
    (
        LAYER + 'height_ft = 5\nlot_field = "eye_id"\n',
        "[[eyes]] number 1 lot_field",
        "no lot 'one'",
    ),
    (LAYER + 'name = "x"\n', "[[eyes]] number 1 name (line 13", "beside a file"),
    (DECK + 'height_ft = 5\nunit = "m"\n', "[[eyes]] number 1 unit (line 15", "without a file"),
    (
        LAYER + 'height_ft = 5\nheight_field = "floor"\n',
        "[[eyes]] number 1 height_field (line 14",
        "one of the two",
    ),
    (LAYER + 'height_ft = 5\nunit = "m"\n', "[[eyes]] number 1 unit", "one of the two"),
    (LAYER + 'lot = "A"\nlot_field = "of"\n', "[[eyes]] number 1 lot_field", "one of the two"),
    (
        LAYER + 'height_field = "floor"\n',
        "[[eyes]] number 1 file",
        "whose name tells no unit",
    ),
    (
        LAYER + 'height_field = "eye_height_m"\nunit = "ft"\n',
        "[[eyes]] number 1 unit (line 14",
        "whose name says m",
    ),
    (
        LAYER + 'height_field = "eye_height_m"\n',
        "[[eyes]] number 1 (line 10",
        "no height for eye two",
    ),
    (
        LAYER + 'height_field = "floor"\nelevation_field = "eye_elevation_ft"\nunit = "ft"\n',
        "[[eyes]] number 1 (line 10",
        "a height above the ground and an elevation for eye two",
    ),
    (LAYER + 'height_field = "flour"\n', "[[eyes]] number 1 height_field", "say 'floor'"),
    (LAYER + 'height_field = "eye_id"\nunit = "ft"\n', "[[eyes]] number 1 height_field", "'one'"),
    (
        '[[eyes]]\nfile = "shapes.gpkg"\nheight_ft = 5\n',
        "[[eyes]] number 1 file (line 11",
        "point",
    ),
    ('[[eyes]]\nfile = "no.gpkg"\nheight_ft = 5\n', "[[eyes]] number 1 file (line 11", "no file"),
]


@pytest.mark.parametrize(("text", "place", "words"), WRONG, ids=range(len(WRONG)))
def test_an_error_names_its_key_and_line(made, text, place, words):
    with pytest.raises(GeotrimError) as caught:
        site(made, PLAIN + text)
    assert caught.value.subject.startswith(place)
    assert words in str(caught.value)
    assert all((caught.value.found, caught.value.need, caught.value.mend))


@pytest.mark.parametrize(
    "pair",
    [
        ("height_ft = 5", "elevation_ft = 5"),
        ("height_ft = 5", 'height_field = "floor"'),
        ("height_ft = 5", 'elevation_field = "floor"'),
        ("elevation_ft = 5", 'height_field = "floor"'),
        ("elevation_ft = 5", 'elevation_field = "floor"'),
        ("height_ft = 5", 'unit = "m"'),
        ("elevation_ft = 5", 'unit = "m"'),
        ('lot = "A"', 'lot_field = "of"'),
    ],
)
def test_of_two_answers_for_a_layer_one_is_refused(made, pair):
    with pytest.raises(GeotrimError, match=r"line 14 .*needed one of the two"):
        site(made, PLAIN + LAYER + "\n".join(pair) + "\n")


def test_a_layer_stamped_with_another_crs_is_told_by_the_files_crs(made):
    """Coordinates of one zone under the name of the next."""
    EYES.set_crs(6438, allow_override=True).to_file(made / "wrong.gpkg", layer="eyes")
    with pytest.raises(GeotrimError) as caught:
        site(made, PLAIN + "[[eyes]]\nfile = 'wrong.gpkg'\nheight_ft = 5\n")
    text = str(caught.value)
    assert "miles off the lots" in text and "taken as EPSG:6438" in text
    assert "x and y" not in text and "site's CRS" not in text


def eyes_of(shapes, **fields):
    """Eyes of a layer in memory."""
    return site_from_tables({"lots": LOTS, "eyes": frame(shapes, **fields)}).eyes


@pytest.mark.parametrize(
    ("shapes", "fields", "words"),
    [
        ([], {"height_ft": []}, "no features"),
        ([LOTS.geometry.iloc[0]], {"height_ft": [5.0]}, "point"),
        ([shapely.Point(X, Y)], {"height_ft": [-1.0]}, "0 or more"),
        ([shapely.Point(X, Y)], {"height_ft": [np.inf]}, "'inf' for eye 1"),
        ([shapely.Point(X, Y)], {"height_ft": ["5'6"]}, "for eye 1"),
        ([shapely.Point(X, Y)], {"height_ft": [5.0], "eye_height_ft": [5.0]}, "2 fields"),
        ([shapely.Point(X, Y)], {"height_in": [66.0]}, "a unit not known here (in)"),
        ([shapely.Point(X, Y)] * 2, {"height_ft": [5.0, 5.0], "eye_id": ["a", "a"]}, "twice"),
        (
            [shapely.Point(X, Y), shapely.Point(X, Y + 90_000)],
            {"height_ft": [5.0, 5.0]},
            "eye '2', 17.0 miles off the lots",  # 90,000 - 150 ft, by hand: 17.02 miles
        ),
        ([shapely.MultiPoint([(X, Y), (X + 1, Y)])], {"height_ft": [5.0]}, "a second eye"),
    ],
)
def test_layers_that_are_refused(shapes, fields, words):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # infinite coordinates, empty tables
        with pytest.raises(GeotrimError) as caught:
            eyes_of(shapes, **fields)
    assert words in str(caught.value)


@pytest.mark.parametrize(("miles", "is_refused"), [(4.99, False), (5.01, True)])
def test_the_edge_of_what_is_far(miles, is_refused):
    """Five miles, each of 5,280 international feet, east of the lots' edge at 180 map feet."""
    eyes = [{"x": X + 180 + miles * 5280 / US_FT, "y": Y, "height_ft": 5.0}]
    if is_refused:
        with pytest.raises(GeotrimError, match=r"5\.0 miles off the lots"):
            site_from_tables({"lots": LOTS, "eyes": eyes})
    else:
        assert len(site_from_tables({"lots": LOTS, "eyes": eyes}).eyes) == 1


@pytest.mark.parametrize(("miles", "is_refused"), [(4.9, False), (5.1, True)])
def test_miles_are_counted_from_metres_too(miles, is_refused):
    """A mile is 1,609.344 m, exactly."""
    lots = LOTS.to_crs(6437)
    eyes = [{"x": lots.total_bounds[2] + miles * 1609.344, "y": lots.total_bounds[1],
             "height_ft": 5.0}]  # fmt: skip
    if is_refused:
        with pytest.raises(GeotrimError, match=r"5\.1 miles off the lots"):
            site_from_tables({"lots": lots, "eyes": eyes})
    else:
        assert len(site_from_tables({"lots": lots, "eyes": eyes}).eyes) == 1


def test_an_eye_for_a_lot_that_is_not_reported_is_told(made):
    text = PLAIN.replace("[lots]\n", '[lots]\nmeasure = ["A"]\n')
    got = site(made, text + DECK + 'height_ft = 5\nlot = "B"\n')
    assert "deck looks over lot B, which is not reported" in told(got)
    assert "not reported" not in told(site(made, text + DECK + 'height_ft = 5\nlot = "A"\n'))


# ---- the ground ---------------------------------------------------------------------------------

GROUND = '[ground]\nfile = "ground.tif"\n'


def test_a_ground_is_a_source_of_elevations(made):
    got = site(made, PLAIN + LINE + GROUND + 'vertical_datum = "NAVD88"\n')
    assert got.ground.read(0, 1, 0, 2).tolist() == [[3.0, 3.0]]
    assert (got.ground.unit, got.ground.shape) == ("ft", (60, 80))
    (item,) = [item for item in got.inputs if item.role == "ground"]
    assert item.sha256 == hashlib.sha256((made / "ground.tif").read_bytes()).hexdigest()
    assert item.detail["vertical_unit"] == "ft"
    assert "vertical datum" not in told(got)


@pytest.mark.parametrize(("unit", "feet"), [("ft", 1.0), ("us-ft", US_FT), ("m", 1 / 0.3048)])
def test_the_unit_of_the_ground_is_stated_not_guessed(made, tmp_path, unit, feet):
    path = ground(tmp_path / "bare.tif", unit=None)
    text = PLAIN + f'[ground]\nfile = "{path}"\n'
    assert site(made, text + f'unit = "{unit}"\n').ground.feet_per_unit == pytest.approx(feet)
    with pytest.raises(GeotrimError, match=r"\[ground\] unit .*no vertical unit"):
        site(made, text)


def test_a_ground_in_memory():
    grid = CanopyGrid(np.full((9, 9), 3.0), X, Y + 150, 20.0)
    tables = {"lots": LOTS, "mhw_line": {"file": SHORE, "origin": "survey"}, "ground": grid}
    assert site_from_tables(tables).ground is grid


def test_datums_that_are_not_known_are_told(made):
    assert "vertical datum of the ground and the MHW line not stated" in told(
        site(made, PLAIN + GROUND)
    )
    assert "vertical datum of the ground not stated" in told(site(made, PLAIN + LINE + GROUND))
    assert "vertical datum of the MHW line not stated" in told(
        site(made, PLAIN + GROUND + 'vertical_datum = "NAVD88"\n')
    )


def bad_ground(**how):
    return lambda folder: ground(folder / "bad.tif", **how)


@pytest.mark.parametrize(
    ("make", "more", "place", "words"),
    [
        (bad_ground(), 'vertical_datum = "MLLW"\n', "vertical_datum", "MHW line is in NAVD 88"),
        (bad_ground(), 'vertical_datum = "EGM2008"\n', "vertical_datum", "a geoid model"),
        (bad_ground(), 'vertical_datum = "NAVD88 depth"\n', "vertical_datum", "depths"),
        # EPSG:6360 is NAVD88 height (ftUS), EPSG:5714 MSL height. Source: EPSG registry
        (
            bad_ground(crs="EPSG:6443+5714", unit=None),
            'unit = "m"\n',
            "vertical_datum",
            "MSL, where the MHW line is in NAVD 88",
        ),
        (
            bad_ground(crs="EPSG:6443+6360", unit="US survey foot"),
            'vertical_datum = "NGVD29"\n',
            "vertical_datum",
            "NGVD29 as stated, where the file says NAVD88",
        ),
        (bad_ground(west=X + 5000), "", "file", "under no lot"),
        (bad_ground(holds="heights"), "", "file", "a raster of heights above the substrate"),
        (bad_ground(), 'unit = "m"\n', "unit", "one vertical unit"),
        (bad_ground(), "band = 2\n", "band", "band 2"),
    ],
)
def test_grounds_that_are_refused(made, tmp_path, make, more, place, words):
    path = make(tmp_path)
    with pytest.raises(GeotrimError) as caught:
        site(made, PLAIN + LINE + f'[ground]\nfile = "{path}"\n{more}')
    assert caught.value.subject.startswith(f"[ground] {place} (line")
    assert words in str(caught.value)


def test_a_ground_of_the_right_datum_by_its_own_label(made, tmp_path):
    path = ground(tmp_path / "a.tif", crs="EPSG:6443+6360", unit=None)
    got = site(made, PLAIN + LINE + f'[ground]\nfile = "{path}"\n')
    assert got.ground.unit == "us-ft" and "vertical datum" not in told(got)


def test_a_ground_in_another_crs_stays_there_and_is_told(made, tmp_path):
    x, y = Transformer.from_crs(6443, 6437, always_xy=True).transform(X - 20, Y + 170)
    path = ground(tmp_path / "a.tif", crs="EPSG:6437", west=x, north=y)
    got = site(made, PLAIN + LINE + f'[ground]\nfile = "{path}"\n')
    assert got.ground.crs.to_epsg() == 6437
    assert "ground: the raster stays in EPSG:6437 (" in told(got)


# ---- trees to be kept ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        (["nest", None, ""], ["nest", None, None]),
        (["yes", "no", None], ["marked to be kept", None, None]),
        ([True, False, True], ["marked to be kept", None, "marked to be kept"]),
        ([1, 0, np.nan], ["marked to be kept", None, None]),
        (["No", "TRUE", "  roost "], [None, "marked to be kept", "roost"]),
        (["", "", ""], [None, None, None]),
    ],
)
def test_why_a_tree_is_kept(values, expected):
    crowns = CROWNS.assign(why=values)
    got = site_from_tables({"crowns": {"file": crowns, "keep_field": "WHY"}})
    assert list(got.crowns["keep"]) == expected
    assert ("are to be left as they are" in told(got)) == any(expected)


def test_kept_trees_are_counted_by_their_reason():
    crowns = CROWNS.assign(why=["nest", "nest", "yes"])
    got = site_from_tables({"crowns": {"file": crowns, "keep_field": "why"}})
    words = "3 of 3 are to be left as they are: nest (2), marked to be kept (1)"
    assert f"info crowns: {words}" in told(got)


def test_keep_is_a_column_only_where_it_was_named():
    assert "keep" not in site_from_tables({"crowns": CROWNS.assign(keep="nest")}).crowns.columns
    with pytest.raises(GeotrimError, match="no field 'nests'"):
        site_from_tables({"crowns": {"file": CROWNS, "keep_field": "nests"}})


# ---- the starter, the command line, the run -----------------------------------------------------


def started(folder):
    path, notes = write_starter(folder, overwrite=True)
    text = path.read_text(encoding="utf-8")
    return tomllib.loads(text), text, " | ".join(map(str, notes))


def test_the_starter_finds_eyes_and_ground(tmp_path):
    write_layer(LOTS, tmp_path / "lots.gpkg", layer="lots")
    write_layer(EYES, tmp_path / "viewpoints.gpkg", layer="viewpoints")
    ground(tmp_path / "dem.tif")
    ground(tmp_path / "chm.tif", unit="m")
    said, _, notes = started(tmp_path)
    assert said["eyes"] == [
        {
            "file": "viewpoints.gpkg",
            "id_field": "eye_id",
            "height_field": "eye_height_m",
            "elevation_field": "eye_elevation_ft",
        }
    ]
    assert said["ground"] == {"file": "dem.tif"} and said["heights"] == {"file": "chm.tif"}
    assert "not used" not in notes


@pytest.mark.parametrize(
    ("field", "marked"), [("height", {"unit"}), ("floor", {"height_ft"}), ("height_m", set())]
)
def test_what_the_starter_does_not_know_of_eyes_is_asked_for(tmp_path, field, marked):
    eyes = EYES[["geometry"]].assign(**{field: [5.0, 6.0]})
    write_layer(eyes, tmp_path / "eyes.gpkg", layer="eyes")
    (eye,) = started(tmp_path)[0]["eyes"]
    assert {key for key, value in eye.items() if value == FILL_IN} == marked


def test_a_starter_without_eyes_tells_of_them(tmp_path):
    said, text, _ = started(tmp_path)
    assert "eyes" not in said and "ground" not in said
    assert "# [[eyes]]\n" in text and "# [ground]\n" in text and "# keep_field = " in text


def test_a_ground_model_is_no_raster_of_heights(tmp_path):
    ground(tmp_path / "dtm.tif")
    ground(tmp_path / "ground_2.tif")
    said, _, notes = started(tmp_path)
    assert "heights" not in said and said["ground"] == {"file": "dtm.tif"}
    assert "also possible: ground_2.tif" in notes


def test_the_command_line_names_its_own_options():
    error = GeotrimError("[[eyes]] number 1 unit", "none", "a unit", "say unit")
    told_there = under_option_names(error)
    assert told_there.subject == "--eyes-unit" and told_there.mend == "say --eyes-unit"


# ---- the samples --------------------------------------------------------------------------------


def answers(name):
    text = (ROOT / "sample_data" / name / "answers.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@pytest.mark.parametrize("name", ["plain_lot", "curved_shore", "canal_corner"])
def test_the_samples_show_all_three_ways(name):
    """Eyes are where they were drawn, as high, and the ground under them is that of the formula."""
    got, known = read_site(ROOT / "sample_data" / name / "site.toml"), answers(name)
    drawn = known.get("eyes", {})
    n_eyes = {"plain_lot": 2, "curved_shore": 1, "canal_corner": 0}[name]
    assert len(drawn) == n_eyes and (got.ground is not None) == (name == "plain_lot")
    assert (got.eyes is not None) == bool(n_eyes)
    if got.eyes is not None:
        assert list(got.eyes["eye_id"]) == list(drawn)
    for row in [] if got.eyes is None else got.eyes.itertuples():
        eye = drawn[row.eye_id]
        assert (row.geometry.x, row.geometry.y) == (eye["x"], eye["y"])
        shore = got.mhw_line.geometry.iloc[0]
        away_ft = shore.distance(row.geometry) * US_FT
        assert away_ft == pytest.approx(-eye["offset_ft"], abs=0.01)
        level = row.elevation_ft
        if got.ground is not None:
            level_of_ground = under(got.ground, row.geometry)
            known_ground = eye["ground_elevation_ft"]
            assert level_of_ground == pytest.approx(
                known_ground["value"], abs=known_ground["tolerance"]
            )
            level = level_of_ground + row.height_ft if np.isnan(level) else level
        height = eye["eye_elevation_ft"]
        assert level == pytest.approx(height["value"], abs=height["tolerance"])
    kept = {} if "keep" not in got.crowns else got.crowns.set_index("crown_id")["keep"].dropna()
    assert dict(kept) == {crown: row["why"] for crown, row in known.get("kept", {}).items()}


def under(source, point):
    """Bilinear between the four nearest cell centres. [ft]."""
    a, _, c, _, e, f = source.transform
    col, row = (point.x - c) / a - 0.5, (point.y - f) / e - 0.5
    j, i = int(np.floor(col)), int(np.floor(row))
    z = source.read(i, i + 2, j, j + 2) * source.feet_per_unit
    u, v = col - j, row - i
    return float(np.array([1 - v, v]) @ z @ np.array([1 - u, u]))


def test_the_ground_of_the_sample_is_the_shore_at_the_line():
    """The MHW line is its contour: 0.31 ft all along the lot, and it falls towards the water."""
    got = read_site(ROOT / "sample_data" / "plain_lot" / "site.toml")
    line = got.mhw_line.geometry.iloc[0]
    lot = got.lots.geometry.iloc[0].buffer(1.0)
    along = [line.interpolate(s) for s in np.linspace(0, line.length, 40)]
    levels = [under(got.ground, point) for point in along if lot.covers(point)]
    assert len(levels) > 10
    # the bank bends at the line, so a bilinear surface of 3 ft cells misses the corner by a few
    # hundredths: slopes 0.11 and 0.02 over half a cell
    np.testing.assert_allclose(levels, 0.31, atol=0.08)
    tops = got.ground.read(0, got.ground.shape[0], 0, got.ground.shape[1])
    assert -3.5 < np.nanmin(tops) < 0.31 < 3.0 < np.nanmax(tops) < 4.5


def test_a_run_lets_go_of_the_ground(tmp_path, monkeypatch):
    """The file can be removed after a run, also where it failed."""
    closed = []

    class Source(CanopyGrid):
        def close(self):
            closed.append(self)

    def broken(site, **_):
        raise GeotrimError("x", "y", "z", "w")

    grid = CanopyGrid(np.ones((2, 2)), 0.0, 0.0, 1.0)
    sources = [Source(grid.height_ft, 0.0, 0.0, 1.0) for _ in range(2)]
    made = replace(site_from_tables({"lots": LOTS}), heights=sources[0], ground=sources[1])
    monkeypatch.setattr("geotrim.io.site_file.read_site", lambda *_, **__: made)
    monkeypatch.setattr(run, "measure", broken)
    with pytest.raises(GeotrimError):
        run.run_site(tmp_path / "site.toml", tmp_path / "out")
    assert closed == sources


def test_empty_places_of_a_layer_are_left_out_and_told():
    eyes = gpd.GeoDataFrame(
        {"height_ft": [5.0, 6.0]}, geometry=[None, shapely.Point(X, Y)], crs=6443
    )
    got = site_from_tables({"lots": LOTS, "eyes": eyes})
    assert list(got.eyes["height_ft"]) == [6.0] and list(got.eyes["eye_id"]) == ["2"]
    assert "1 feature without a geometry left out: eye 1" in told(got)
