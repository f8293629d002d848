"""Field tables read and checked, and ``prepare survey`` from file to site."""

from __future__ import annotations

import csv
import json
import tomllib

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from pyproj import Transformer

from geotrim.cli import main
from geotrim.core.field_conflicts import Conflict
from geotrim.errors import CRSError, GeotrimError, LayerError, RangeError, UnitError
from geotrim.io.field_table import COLUMNS, read_field_table, split_unit
from geotrim.io.site_file import read_site
from geotrim.prepare.task import GivenFile
from geotrim.prepare.work import prepare_input
from geotrim.report import survey_figure

WEST = "EPSG:6443"
X, Y = 420000.0, 970000.0  # in Florida West, US survey feet
HEAD = "tag,species,height_ft,base_height_ft,spread_1_ft,spread_2_ft,bearing,easting,northing"


def table_file(tmp_path, text, name="trees.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def trees(tmp_path, text, **how):
    return read_field_table(table_file(tmp_path, text), **{"crs": WEST, **how})


def rows_of(*rows, head=HEAD):
    return "\n".join([head, *rows]) + "\n"


def tree(tag, x, y, *, species="red mangrove", height="12", base="3", spreads="10,6", bearing="0"):
    """One row under ``HEAD``; the place is in map units from a corner."""
    return f"{tag},{species},{height},{base},{spreads},{bearing},{X + x},{Y + y}"


def crowns_file(tmp_path, boxes, name="crowns.gpkg", **fields):
    shapes = [shapely.box(X + a, Y + b, X + c, Y + d) for a, b, c, d in boxes]
    ids = [f"C{k + 1}" for k in range(len(shapes))]
    data = gpd.GeoDataFrame({"crown_id": ids, **fields}, geometry=shapes, crs=WEST)
    path = tmp_path / name
    data.to_file(path, layer="crowns")
    return path


def survey(tmp_path, text, crowns=None, params=None, said=None, said_crowns=None):
    files = {
        "trees": GivenFile(
            str(table_file(tmp_path, text)), "--trees", {"crs": WEST, **(said or {})}
        )
    }
    if crowns is not None:
        files["crowns"] = GivenFile(str(crowns), "--crowns", said_crowns or {})
    return prepare_input("survey", files, params, out=tmp_path / "out")


def layer(done, name):
    return gpd.read_file(done.folder / "trees.gpkg", layer=name)


def conflict_rows(done):
    with (done.folder / "conflicts.csv").open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.fixture(autouse=True)
def map_drawn(request, monkeypatch):
    """The map is drawn by two tests; elsewhere an empty file stands in."""
    if not request.node.name.startswith(("test_the_command", "test_letters")):
        monkeypatch.setattr(survey_figure, "survey_map", lambda path, *_: path.touch())


# --- columns and units -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("column", "name", "unit"),
    [
        ("height_ft", "height", "ft"),
        ("Height (ft)", "height", "ft"),
        ("HEIGHT [m]", "height", "m"),
        ("Height, feet", "height", "ft"),
        ("Tree height metres", "tree_height", "m"),
        ("spread_1_us_ft", "spread_1", "us-ft"),
        ("Spread 1 (US survey feet)", "spread_1", "us-ft"),
        ("bearing_deg", "bearing", "deg"),
        ("height_cm", "height", "cm"),
        ("height", "height", None),
        ("ft", "ft", None),
    ],
)
def test_the_unit_is_the_last_word_of_a_column(column, name, unit):
    assert split_unit(column) == (name, unit)


@pytest.mark.parametrize(
    ("column", "unit", "feet"),
    [
        # 10 units; U.S. survey foot 1200/3937 m (EPSG 9003), international foot 0.3048 m
        ("height_ft", None, 10.0),
        ("height_m", None, 10 / 0.3048),
        ("Height (us-ft)", None, 10 * 1200 / 3937 / 0.3048),
        ("height", "m", 10 / 0.3048),
        ("height", "ft", 10.0),
        ("height_ft", "ft", 10.0),
    ],
)
def test_lengths_become_feet(tmp_path, column, unit, feet):
    table, _ = trees(tmp_path, f'tag,"{column}",x,y\nT1,10,{X},{Y}\n', unit=unit)
    assert table["height_ft"][0] == pytest.approx(feet, rel=1e-12)


def test_usual_names_are_found_in_any_case_and_told(tmp_path):
    text = "Tree No;Species;HEIGHT (FT);Crown Base m;Crown Spread 1 ft;Crown width 2 (ft);"
    text += "Crew;X;Y;DBH\n"
    text += f"7;red;12,5;1;10,5;6;J. Poe;{X:.0f};{Y:.0f};3\n"
    table, notes = trees(tmp_path, text)
    row = table.iloc[0]
    assert (row["tag"], row["species"], row["who"]) == ("7", "red", "J. Poe")
    assert row["height_ft"] == 12.5 and row["spread_1_ft"] == 10.5 and row["spread_2_ft"] == 6.0
    assert row["base_height_ft"] == pytest.approx(1 / 0.3048)
    told = " ".join(note.text for note in notes)
    assert "tag from 'Tree No'" in told and "height from 'HEIGHT (FT)' [ft]" in told
    assert "base height from 'Crown Base m' [m]" in told
    assert "columns not used: DBH" in told


def test_columns_may_be_named(tmp_path):
    text = f"a,b,c,e,n,name\nT1,9,white,{X},{Y},x\n"
    fields = {"tag": "A", "height": "b", "species": "c"}
    table, _ = trees(tmp_path, text, fields=fields, unit="ft", x_field="e", y_field="n")
    assert table.loc[0, ["tag", "height_ft", "species"]].tolist() == ["T1", 9.0, "white"]
    assert list(table.columns[: len(COLUMNS)]) == list(COLUMNS)


BAD = [
    # what is wrong, table, how it is read, error, words
    ("no unit", "tag,height,x,y\nT1,12,1,1\n", {}, UnitError, "a length without a unit"),
    ("two units", "tag,height_ft,x,y\nT1,12,1,1\n", {"unit": "m"}, UnitError, "ft in the column"),
    ("centimetres", "tag,height_cm,x,y\nT1,99,1,1\n", {}, UnitError, "the unit 'cm'"),
    ("letters", "tag,height_ft,x,y\nT1,12 ft,1,1\n", {}, LayerError, "'12 ft' in tree T1 (line 2)"),
    ("inches", "tag,height_ft,x,y\nT1,12'6\",1,1\n", {}, LayerError, "in tree T1 (line 2)"),
    ("a formula's fault", "tag,height_ft,x,y\nT1,#N/A,1,1\n", {}, LayerError, "'#N/A'"),
    ("no tag", "tag,height_ft,x,y\nT1,9,1,1\n,8,1,1\n", {}, LayerError, "without a tag (line 3)"),
    ("no column of tags", "height_ft,x,y\n9,1,1\n", {}, LayerError, "no column of tags"),
    ("no header", "T1,9,1,1\n", {}, LayerError, "should name its columns"),
    ("no positions", "tag,height_ft\nT1,9\n", {}, LayerError, "no columns of positions"),
    ("no CRS", "tag,x,y\nT1,420000,970000\n", {"crs": None}, CRSError, "is told"),
    ("swapped", "tag,lon,lat\nT1,27.1,-82.5\n", {"crs": None}, CRSError, "swap the columns"),
    ("lost sign", "tag,lon,lat\nT1,82.5,27.1\n", {"crs": None}, CRSError, "west is negative"),
    ("no spread", "tag,spread_1_ft,x,y\nT1,0,1,1\n", {}, RangeError, "0 ft for tree T1"),
    ("negative height", "tag,height_ft,x,y\nT1,-9,1,1\n", {}, RangeError, "-9 ft for tree T1"),
    ("no height", "tag,height_ft,x,y\nT1,0,1,1\n", {}, RangeError, "a length above 0"),
    ("negative base", "tag,base_height_ft,x,y\nT1,-1,1,1\n", {}, RangeError, "0 or more"),
    ("base at the top", "tag,height_ft,base_height_ft,x,y\nT1,9,9,1,1\n", {}, RangeError, "below"),
    ("bearing", "tag,bearing,x,y\nT1,361,1,1\n", {}, RangeError, "0 to 360"),
    ("bearing under 0", "tag,bearing,x,y\nT1,-1,1,1\n", {}, RangeError, "0 to 360"),
    ("negative radius", "tag,radius_n_ft,x,y\nT1,-1,1,1\n", {}, RangeError, "0 or more"),
    ("no width", "tag,radius_n_ft,radius_s_ft,x,y\nT1,0,0,1,1\n", {}, RangeError, "with a width"),
    ("spreads and radii", "tag,spread_1_ft,radius_e_ft,x,y\nT1,5,5,1,1\n", {}, RangeError, "both"),
    ("which height", "tag,height_ft,height_m,x,y\nT1,9,3,1,1\n", {}, LayerError, "to know which"),
    ("unknown column", "tag,x,y\nT1,1,1\n", {"fields": {"height": "h"}}, LayerError, "column 'h'"),
    ("unknown unit", "tag,height_ft,x,y\nT1,9,1,1\n", {"unit": "yd"}, UnitError, "'yd'"),
    ("unknown mark", "tag,height_ft,x,y\nT1,9,1,1\n", {"decimal": "dot"}, LayerError, "'dot'"),
    ("empty", "", {}, GeotrimError, "empty"),
    ("thousands", 'tag,height_ft,x,y\nT1,"1,234",1,1\n', {}, LayerError, "thousands"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "how", "error", "words"), [b[1:] for b in BAD], ids=[b[0] for b in BAD]
)
def test_bad_tables_are_refused_in_four_parts(tmp_path, text, how, error, words):
    text = text.replace(",1,1\n", f",{X:.0f},{Y:.0f}\n")
    with pytest.raises(error, match=r"found .*; needed .*\. To mend: ") as caught:
        trees(tmp_path, text, **how)
    assert words in str(caught.value)


@pytest.mark.parametrize(
    "text",
    [
        "tag,height_ft,base_height_ft,x,y\nT1,9,8.999,1,1\n",
        "tag,height_ft,base_height_ft,x,y\nT1,0.001,0,1,1\n",
        "tag,spread_1_ft,x,y\nT1,0.001,1,1\n",
        "tag,bearing,x,y\nT1,360,1,1\n",
        "tag,bearing,x,y\nT1,0,1,1\n",
        "tag,radius_n_ft,radius_s_ft,x,y\nT1,0,0.1,1,1\n",
        "tag,height,x,y\nT1,,1,1\n",  # an empty column needs no unit
        "tag,height_cm,height_ft,x,y\nT1,,9,1,1\n".replace("height_cm", "dbh_cm"),
    ],
)
def test_tables_at_the_edge_are_read(tmp_path, text):
    table, _ = trees(tmp_path, text.replace(",1,1\n", f",{X},{Y}\n"))
    assert len(table) == 1


def test_points_of_a_geopackage(tmp_path):
    path = tmp_path / "trees.gpkg"
    shapes = [shapely.Point(-82.5, 27.2, 9.0), None, shapely.Point(-82.4, 27.2)]
    data = {"Tag": [1, 2, 3], "height_ft": [10.0, np.nan, 8.5], "note": ["a", None, "c"]}
    gpd.GeoDataFrame(data, geometry=shapes, crs=4326).to_file(path, layer="trunks")
    table, _ = read_field_table(path)
    assert list(table["tag"]) == ["1", "2", "3"]
    assert table["height_ft"].tolist()[::2] == [10.0, 8.5] and np.isnan(table["height_ft"][1])
    assert table.geometry.isna().tolist() == [False, True, False]
    assert list(table["remarks"]) == ["a", None, "c"]
    assert list(table["row"]) == ["row 1", "row 2", "row 3"]


def test_waypoints_become_tags_and_remarks(tmp_path):
    path = tmp_path / "walk.gpx"
    path.write_text(
        '<?xml version="1.0"?><gpx version="1.1" creator="hand" '
        'xmlns="http://www.topografix.com/GPX/1/1">'
        '<wpt lat="27.1" lon="-82.5"><ele>31.2</ele><name>T9</name><cmt>lean</cmt>'
        "<desc>red</desc></wpt></gpx>",
        encoding="utf-8",
    )
    table, notes = read_field_table(path)
    row = table.iloc[0]
    assert (row["tag"], row["remarks"], row["species"]) == ("T9", "lean", "red")
    assert any(n.level == "assumed" and "as the species: 'red'" in n.text for n in notes)
    assert "date" not in " ".join(note.text for note in notes)  # no waypoint has a time
    assert np.isnan(row["height_ft"])  # an elevation is no height
    assert any("no heights of trees" in note.text for note in notes)
    asked, _ = read_field_table(path, fields={"species": "desc"})
    assert asked["species"][0] == "red" and "red" in asked["remarks"][0]
    path.write_text(path.read_text().replace(">red<", ">red, dead top<"), encoding="utf-8")
    table, notes = read_field_table(path)  # more than a name of a plant: a remark
    assert table.loc[0, ["remarks", "species"]].tolist() == ["lean; red, dead top", None]
    timed = path.read_text().replace("<name>", "<time>2026-03-04T00:00:00Z</time><name>")
    path.write_text(timed, encoding="utf-8")
    table, notes = read_field_table(path)
    assert table["date"][0].startswith("2026-03-04")
    assert any("date from" in note.text for note in notes)


def test_our_own_waypoints_read_back_as_they_were(tmp_path):
    """Tag, stem, species, heights and remarks; what a species may hold does not matter."""
    head = HEAD.replace("tag,", "tag,stem,") + ",remarks"
    rows = [
        f"T1,a,red mangrove,12.3,4,10,6,0,{X},{Y},leans",
        f"T1,b,red mangrove,11.125,,,,,{X + 2},{Y},",
        f'T2,,"back\\slash; height_ft: 3",9,0,8,8,0,{X + 30},{Y},"a; b"',
        f"T3,,,,,8,8,0,{X + 60},{Y},buttonwood",
        f"species: x,,\\,7.0000004,,8,8,0,{X + 90},{Y},",
    ]
    done = survey(tmp_path, rows_of(*rows, head=head))
    before, _ = read_field_table(done.folder / "trees.csv")
    after, notes = read_field_table(done.folder / "trees.gpx")
    for name in ("tag", "stem", "species", "remarks"):
        assert after[name].tolist() == before[name].tolist(), name
    for name in ("height_ft", "base_height_ft"):
        np.testing.assert_array_equal(after[name], before[name])
    told = " ".join(note.text for note in notes)
    assert "descriptions of 4 waypoints" in told and "date" not in told
    seen = pyogrio.read_dataframe(done.folder / "trees.gpx", layer="waypoints")
    assert seen["desc"][0] == (
        "tag: T1; stem: a; species: red mangrove; height_ft: 12.3; base_height_ft: 4"
    )
    text = (done.folder / "trees.gpx").read_text(encoding="utf-8").replace("12.3", "12 ft")
    (tmp_path / "bad.gpx").write_text(text, encoding="utf-8")
    with pytest.raises(GeotrimError, match="12 ft"):
        read_field_table(tmp_path / "bad.gpx")


def test_swapped_waypoints_are_told(tmp_path):
    path = tmp_path / "swapped.gpkg"
    shapes = [shapely.Point(27.2, -82.5), shapely.Point(27.3, -82.5)]
    gpd.GeoDataFrame({"tag": ["a", "b"]}, geometry=shapes, crs=4326).to_file(path)
    with pytest.raises(CRSError, match="swap"):
        read_field_table(path)


# --- the preparation -------------------------------------------------------------------------


def test_crowns_from_spreads_alone(tmp_path):
    """10 by 6 ft: 15 pi = 47.1239 ft2, whatever the bearing; the map is in US survey feet."""
    text = rows_of(
        tree("T1", 0, 0), tree("T2", 40, 0, bearing="30"), tree("T3", 80, 0, spreads=",")
    )
    done = survey(tmp_path, text)
    crowns, trunks = layer(done, "crowns"), layer(done, "trunks")
    assert list(crowns["crown_id"]) == ["T1", "T2"]
    np.testing.assert_allclose(crowns["crown_area_ft2"], 15 * np.pi, rtol=1e-9)
    np.testing.assert_allclose(crowns.area * 1.000002**2, 15 * np.pi, rtol=1e-9)
    assert list(crowns["height_ft"]) == [12.0, 12.0]
    assert trunks["crown_id"].tolist()[:2] == ["T1", "T2"] and trunks["crown_id"].isna()[2]
    figures = done.prepared.figures
    assert figures["n_crowns_from_spreads"] == 2 and figures["n_trees_without_crown"] == 1
    assert figures["crown_area_from_spreads_ft2"] == pytest.approx(30 * np.pi, rel=1e-9)
    assert any("1 tree with no spreads" in n.text and "T3" in n.text for n in done.prepared.notes)
    assert "no conflicts" in done.prepared.words and conflict_rows(done) == []


def test_a_tree_without_a_position_stays_in_the_table_alone(tmp_path):
    lost = tree("T2", 0, 0).rsplit(",", 2)[0] + ",,"
    done = survey(tmp_path, rows_of(tree("T1", 0, 0), lost))
    assert list(layer(done, "crowns")["tag"]) == ["T1"] == list(layer(done, "trunks")["tag"])
    assert list(read_field_table(done.folder / "trees.csv")[0]["tag"]) == ["T1", "T2"]
    assert len(pyogrio.read_dataframe(done.folder / "trees.gpx", layer="waypoints")) == 1
    assert done.prepared.figures["n_trees_without_crown"] == 1
    assert any("1 row of 2 without a position" in note.text for note in done.prepared.notes)


def test_radii_to_four_sides_put_the_trunk_off_the_middle(tmp_path):
    head = "tag,radius_n_ft,radius_e_ft,radius_s_ft,radius_w_ft,x,y"
    text = rows_of(f"T1,6,4,2,3,{X},{Y}", f"T2,6,4,2,,{X + 50},{Y}", head=head)
    done = survey(tmp_path, text)
    crowns = layer(done, "crowns")
    assert list(crowns["crown_id"]) == ["T1"]
    west, south, east, north = crowns.total_bounds
    assert (north - Y, east - X, Y - south, X - west) == pytest.approx((6, 4, 2, 3), rel=1e-3)
    assert any("neither two spreads nor four radii" in n.text for n in done.prepared.notes)


def test_a_trunk_in_one_crown_gives_it_what_the_field_knows(tmp_path):
    crowns = crowns_file(
        tmp_path, [(0, 0, 10, 10), (50, 0, 60, 10)], top_height_ft=[11.0, 9.0], colour=["x", "y"]
    )
    done = survey(tmp_path, rows_of(tree("T1", 5, 5, spreads="10,10"), tree("T2", 100, 5)), crowns)
    got = layer(done, "crowns").set_index("crown_id")
    assert list(got.index) == ["C1", "C2", "T2"]
    assert got.loc["C1", ["tag", "species", "height_ft", "base_height_ft"]].tolist() == [
        "T1", "red mangrove", 12.0, 3.0,
    ]  # fmt: skip
    assert got.loc["C1", "given_height_ft"] == 11.0 and got.loc["C1", "colour"] == "x"
    assert got.loc["C1", "geometry"].area == 100.0  # as drawn
    assert got["crown_from"].tolist() == ["given", "given", "spreads"]
    assert got["tag"].isna().tolist() == [False, True, False]
    assert np.isnan(got.loc["C2", "height_ft"])
    assert layer(done, "trunks")["crown_id"].tolist() == ["C1", "T2"]
    figures = done.prepared.figures
    assert figures["n_trees_joined"] == 1 and figures["n_given_crowns_without_tree"] == 1
    assert figures["n_trees_sharing_a_crown"] == figures["n_trees_in_several_crowns"] == 0


def test_a_draft_of_crowns_is_joined_and_its_fields_kept(tmp_path):
    """As a draft has them: a second layer of points, heights in height_ft, fields of its own."""
    crowns = crowns_file(
        tmp_path, [(0, 0, 10, 10), (20, 0, 30, 10)], height_ft=[11.0, 9.0],
        species=["red", "black"], Tag=["a", "b"], confidence_frac=[0.5, 0.25],
    )  # fmt: skip
    tops = gpd.GeoDataFrame({"crown_id": ["C1"]}, geometry=[shapely.Point(X, Y)], crs=WEST)
    tops.to_file(crowns, layer="treetops")
    text = rows_of(
        tree("T1", 25, 5, species="", spreads="10,10"),
        tree("T2", 5, 5, species="Rhizophora mangle", spreads="10,10", height=""),
    )
    done = survey(tmp_path, text, crowns)
    assert conflict_rows(done) == []
    got = layer(done, "crowns").set_index("crown_id")
    assert got["given_height_ft"].tolist() == [11.0, 9.0]
    assert got["height_ft"].isna().tolist() == [True, False]
    assert got.loc["C1", "species"] == "Rhizophora mangle"  # the same plant, in the field's words
    assert got.loc["C1", "given_species"] == "red" and got.loc["C2", "species"] == "black"
    assert got["given_Tag"].tolist() == ["a", "b"]
    assert got["confidence_frac"].tolist() == [0.5, 0.25]
    assert not [name for name in got.columns if name.endswith("_field")]


def test_every_kind_of_conflict_is_listed_and_nothing_is_resolved(tmp_path):
    crowns = crowns_file(
        tmp_path,
        [(0, 0, 10, 10), (8, 0, 20, 10), (40, 0, 50, 10), (60, 0, 70, 10), (80, 0, 90, 10)],
        species=[None, None, "black mangrove", None, None],
        top_height_ft=[12.0, 12.0, 30.0, 12.0, 12.0],
    )
    text = rows_of(
        tree("in-two", 9, 5),
        tree("other", 45, 5, spreads="10,10"),  # another species, another height
        tree("small", 65, 5, spreads="2,2"),
        tree("pair-1", 83, 5),
        tree("pair-2", 87, 5),
        tree("near", 90.9, 5),  # 0.9 ft outside C5, its crown less than half over it
        tree("twice", 200, 5),
        tree("twice", 240, 5),
    )
    done = survey(tmp_path, text, crowns, {"trunk_position_error_ft": 1.0})
    rows = conflict_rows(done)
    assert [(r["number"], r["tag"], r["kind"], r["crown_id"]) for r in rows] == [
        ("1", "in-two", "trunk-in-several-crowns", "C1, C2"),
        ("2", "other", "species-contradict", "C3"),
        ("3", "other", "heights-apart", "C3"),
        ("4", "small", "shapes-disagree", "C4"),
        ("5", "pair-1, pair-2", "several-trunks-in-one-crown", "C5"),
        ("6", "near", "trunk-near-edge", "C5"),
        ("7", "twice, twice (2)", "tag-twice", ""),
    ]
    assert all(row["found"] and row["done"] for row in rows)
    assert "line 8 and on line 9" in rows[6]["found"]
    got = layer(done, "crowns").set_index("crown_id")
    assert list(got.index) == ["C1", "C2", "C3", "C4", "C5", "near", "twice", "twice (2)"]
    # C3: species open, both names beside it; the field's height goes first, both kept
    assert got["species"].isna().tolist() == [True, True, True, False, True, False, False, False]
    assert got.loc["C3", ["field_species", "given_species"]].tolist() == [
        "red mangrove", "black mangrove",
    ]  # fmt: skip
    assert got.loc["C3", ["height_ft", "given_height_ft"]].tolist() == [12.0, 30.0]
    assert got.loc["C5", ["tag", "species"]].isna().all() and np.isnan(got.loc["C5", "height_ft"])
    assert got["conflicts"].tolist() == ["1", "1", "2, 3", "4", "5, 6", "6", "7", "7"]
    trunks = layer(done, "trunks").set_index("conflicts")
    assert trunks["crown_id"].isna()["1"]
    assert trunks.loc["5", "crown_id"].tolist() == ["C5", "C5"]
    figures = done.prepared.figures
    assert figures["n_conflicts"] == 7 and figures["n_trees_joined"] == 2
    assert figures["n_trees_sharing_a_crown"] == 2 and figures["n_trees_in_several_crowns"] == 1
    assert "7 conflicts, none resolved" in done.prepared.words
    assert "1 tag-twice" in done.prepared.words


def test_one_row_written_twice_is_one_conflict(tmp_path):
    """Its tag, the crown both stand in, and the edge both are near are one finding."""
    crowns = crowns_file(tmp_path, [(0, 0, 10, 10), (40, 0, 50, 10)])
    text = rows_of(tree("T1", 5, 5), tree("T1", 5, 5), tree("T2", 45, 5))
    (row,) = conflict_rows(survey(tmp_path, text, crowns))
    assert (row["kind"], row["tag"], row["crown_id"]) == ("tag-twice", "T1, T1 (2)", "C1")
    assert "2 trees stand in crown C1" in row["found"]


def test_a_tree_far_from_all_others_is_a_conflict_without_a_crown(tmp_path):
    """One northing with a digit too many; the terminal tells it, the site has no crown of it."""
    crowns = crowns_file(tmp_path, [(0, 0, 10, 10), (40, 0, 50, 10)])
    text = rows_of(tree("T1", 5, 5), tree("T2", 45, 5), tree("T3", 70, 5), tree("slip", 90, 3640))
    done = survey(tmp_path, text, crowns)
    (row,) = conflict_rows(done)
    assert (row["kind"], row["tag"]) == ("far-from-all-others", "slip")
    assert "3,630 ft from the nearest other tree or crown, over 500 ft" in row["found"]
    assert list(layer(done, "crowns")["crown_id"]) == ["C1", "C2", "T3"]
    assert layer(done, "trunks").set_index("tag")["crown_id"].isna()["slip"]
    assert "slip: 3,630 ft from" in done.prepared.words
    figures = done.prepared.figures
    assert figures["n_trees_without_crown"] == 1 and figures["n_crowns_from_spreads"] == 1
    (tmp_path / "far").mkdir()
    done = survey(tmp_path / "far", text, crowns, {"far_tree_ft": 4000.0})
    assert not conflict_rows(done) and "slip" in list(layer(done, "crowns")["crown_id"])


def test_stems_of_one_tree(tmp_path):
    """The tree is as high as its highest stem, its lowest foliage that of the lowest."""
    head = HEAD.replace("tag,", "tag,stem,")
    text = rows_of(
        f"T1,a,red,12,3,10,6,0,{X},{Y}",
        f"T1,b,Rhizophora mangle,14,2,,,,{X + 2},{Y}",
        f"T2,a,red,9,,10,6,0,{X + 50},{Y}",
        f"T2,b,black,9,,8,6,0,{X + 52},{Y}",
        head=head,
    )
    done = survey(tmp_path, text)
    crowns = layer(done, "crowns").set_index("crown_id")
    assert list(crowns.index) == ["T1", "T2"]
    assert crowns.loc["T1", ["height_ft", "base_height_ft"]].tolist() == [14.0, 2.0]
    assert crowns.loc["T1", "species"] == "red" and crowns["species"].isna()["T2"]
    assert layer(done, "trunks")["crown_id"].tolist() == ["T1", "T1", "T2", "T2"]
    rows = conflict_rows(done)
    assert [(r["tag"], r["kind"]) for r in rows] == [("T2", "stems-contradict")] * 2
    assert "red and black" in rows[0]["found"] and "widths that differ" in rows[1]["found"]


@pytest.mark.parametrize(("x", "n"), [(51.0, 0), (50.9, 1)])
def test_a_crown_from_spreads_mostly_over_a_given_one(tmp_path, x, n):
    """A trunk 1 ft outside a crown: one that reaches 1 ft west is not over it, one of 10 ft is."""
    crowns = crowns_file(tmp_path, [(30, -20, 50, 20)])
    head = "tag,radius_n_ft,radius_e_ft,radius_s_ft,radius_w_ft,x,y"
    west = "10" if n else "1"
    done = survey(tmp_path, rows_of(f"T1,3,1,3,{west},{X + x},{Y}", head=head), crowns)
    assert [row["kind"] for row in conflict_rows(done)] == ["own-crown-over-given"] * n


def test_tags_and_ids_that_overlap_are_told_apart(tmp_path):
    crowns = crowns_file(tmp_path, [(0, 0, 10, 10)])
    text = rows_of(tree("C1", 50, 5), tree("T2", 5, 5, spreads="10,10"))
    done = survey(tmp_path, text, crowns)
    assert list(layer(done, "crowns")["crown_id"]) == ["C1", "tree C1"]
    assert layer(done, "trunks")["crown_id"].tolist() == ["tree C1", "C1"]
    assert any("called tree TAG" in note.text for note in done.prepared.notes)


def test_trees_far_from_every_crown_are_refused(tmp_path):
    """1,000 ft is near enough, a little more is not."""
    crowns = crowns_file(tmp_path, [(0, 0, 10, 10)])
    near = rows_of(tree("T1", 1009.9, 5))
    assert survey(tmp_path, near, crowns).prepared.figures["n_trees_joined"] == 0
    with pytest.raises(CRSError, match="no tree within 1,000 ft of a given crown"):
        prepare_input(
            "survey",
            {
                "trees": GivenFile(
                    str(table_file(tmp_path, rows_of(tree("T1", 1010.1, 5)))),
                    "--trees",
                    {"crs": WEST},
                ),
                "crowns": crowns,
            },
            out=tmp_path / "far",
        )
    assert not (tmp_path / "far").exists()


def test_feet_stay_feet_on_a_map_in_metres(tmp_path):
    """The same survey written in metres: the same areas, and the same reach of 1,000 ft."""
    crowns, params = crowns_file(tmp_path, [(0, 0, 10, 10)]), {"crs": "EPSG:6442"}
    done = survey(tmp_path, rows_of(tree("T1", 900, 5)), crowns, params)
    made = layer(done, "crowns").set_index("crown_id")
    assert made.loc["T1", "crown_area_ft2"] == pytest.approx(15 * np.pi, rel=1e-9)
    assert made.loc["T1", "geometry"].area == pytest.approx(15 * np.pi * 0.3048**2, rel=1e-9)
    table_file(tmp_path, rows_of(tree("T1", 1100, 5)))
    files = {"trees": GivenFile(str(tmp_path / "trees.csv"), "--trees", {"crs": WEST})}
    with pytest.raises(CRSError, match="no tree within 1,000 ft"):
        prepare_input("survey", {**files, "crowns": crowns}, params, out=tmp_path / "far")


def test_heights_of_crowns_need_a_unit_to_be_compared(tmp_path):
    crowns = crowns_file(tmp_path, [(0, 0, 10, 10)], top_height=[5.0])
    text = rows_of(tree("T1", 5, 5, spreads="10,10"))
    done = survey(tmp_path, text, crowns)
    assert conflict_rows(done) == []
    assert any("no unit in its name" in note.text for note in done.prepared.notes)
    said = {"height_field": "top_height"}
    files = {
        "trees": GivenFile(str(tmp_path / "trees.csv"), "--trees", {"crs": WEST}),
        "crowns": GivenFile(str(crowns), "--crowns", said),
    }
    with pytest.raises(UnitError, match="without a unit"):
        prepare_input("survey", files, out=tmp_path / "out2")
    files["crowns"] = GivenFile(str(crowns), "--crowns", {**said, "height_unit": "m"})
    done = prepare_input("survey", files, out=tmp_path / "out2")
    assert conflict_rows(done) == []  # 5 m is 16.4 ft: 4.4 ft apart, under the gap of 5 ft
    done = prepare_input("survey", files, {"height_gap_ft": 4.0}, out=tmp_path / "out3")
    assert [r["kind"] for r in conflict_rows(done)] == ["heights-apart"]
    assert "16.4 ft in the crowns" in conflict_rows(done)[0]["found"]


def test_species_are_told(tmp_path):
    text = rows_of(
        tree("T1", 0, 0, species="white mangrove"),
        tree("T2", 20, 0, species="Conocarpus erectus"),
        tree("T3", 40, 0, species="tamarind"),
        tree("T4", 60, 0, species="red mangrove"),
        tree("T5", 80, 0, species=""),
    )
    done = survey(tmp_path, text)
    notes = [note.text for note in done.prepared.notes if note.about == "species"]
    # s. 403.9325(3) F.S. covers white mangrove, not buttonwood: alternate against opposite leaves
    assert any("confirm leaves, alternate against opposite" in t and "T1, T2" in t for t in notes)
    assert any("not known, kept as written: tamarind" in t for t in notes)
    with (done.folder / "trees.csv").open(encoding="utf-8-sig", newline="") as stream:
        told = [row["species_note"] for row in csv.DictReader(stream)]
    assert [text.split(":")[0].split(";")[0] for text in told] == [
        "confirm leaves", "confirm leaves", "name not known", "", "",
    ]  # fmt: skip


# --- round trips -----------------------------------------------------------------------------

ODD = [
    tree("=T1", 0, 0, species="'quoted"),
    tree("-2", 20, 7.25, species="mangle bot\u00f3n", height="11.125", base="", bearing="12.5"),
    tree("\u6a39 3", 40, 0, spreads=",", height=""),
    tree("T1 long", 60, 0, species='"red, or ""black"""'),
]


def test_the_clean_table_reads_back_as_it_was(tmp_path):
    text = rows_of(*[f'{row},"{"leaf " * 5000}"' for row in ODD], head=f"{HEAD},remarks")
    done = survey(tmp_path, text)
    before, _ = trees(tmp_path, text)
    after, notes = read_field_table(done.folder / "trees.csv")  # its CRS and units are in it
    for name in COLUMNS:
        if before[name].dtype.kind == "f":
            np.testing.assert_allclose(after[name], before[name], rtol=0, atol=1e-6)
        else:
            assert list(after[name]) == list(before[name]), name
    assert after.crs.to_epsg() == 6443
    assert (after.geometry.distance(before.geometry) < 2e-6).all()
    again = prepare_input("survey", {"trees": done.folder / "trees.csv"}, out=tmp_path / "again")
    first, second = ((d.folder / "trees.csv").read_bytes() for d in (done, again))
    assert first == second
    assert any("columns not used" in note.text for note in notes)


def test_no_cell_of_the_tables_can_be_run(tmp_path):
    done = survey(tmp_path, rows_of(*ODD, tree("=T1", 80, 0)))
    for name in ("trees.csv", "conflicts.csv"):
        with (done.folder / name).open(encoding="utf-8-sig", newline="") as stream:
            for row in csv.reader(stream):
                for cell in row:
                    is_number = cell.replace("-", "", 1).replace(".", "", 1).isdigit()
                    assert is_number or not cell.startswith(("=", "+", "-", "@")), cell


def test_waypoints_keep_tags_and_positions(tmp_path):
    """Positions against pyproj's own transformation, to 1e-7 deg (about 1 cm)."""
    done = survey(tmp_path, rows_of(*ODD))
    seen = pyogrio.read_dataframe(done.folder / "trees.gpx", layer="waypoints")
    assert list(seen["name"]) == ["=T1", "-2", "\u6a39 3", "T1 long"]
    change = Transformer.from_crs(6443, 6318, always_xy=True)  # NAD83(2011), within 2 m of WGS 84
    lon, lat = change.transform(X + np.array([0, 20, 40, 60]), Y + np.array([0, 7.25, 0, 0]))
    np.testing.assert_allclose(seen.geometry.x, lon, rtol=0, atol=2e-5)
    np.testing.assert_allclose(seen.geometry.y, lat, rtol=0, atol=2e-5)
    assert "height_ft: 11.125" in seen["desc"][1] and "ele" not in seen.dropna(axis=1).columns
    again = prepare_input("survey", {"trees": done.folder / "trees.gpx"}, out=tmp_path / "again")
    back = pyogrio.read_dataframe(again.folder / "trees.gpx", layer="waypoints")
    assert list(back["name"]) == list(seen["name"])
    np.testing.assert_allclose(back.geometry.x, seen.geometry.x, rtol=0, atol=1e-7)
    np.testing.assert_allclose(back.geometry.y, seen.geometry.y, rtol=0, atol=1e-7)
    assert again.prepared.site == {}  # no spreads in waypoints, so no crowns
    assert not (again.folder / "trees.gpkg").exists() or "crowns" not in list(
        pyogrio.list_layers(again.folder / "trees.gpkg")[:, 0]
    )


def test_degrees_come_back_as_they_went_in(tmp_path):
    head = "tag,lon,lat"
    text = rows_of("T1,-82.5000001,27.2000003", "T2,-82.4999,27.2", head=head)
    done = survey(tmp_path, text, said={"crs": "EPSG:4326"})
    seen = pyogrio.read_dataframe(done.folder / "trees.gpx", layer="waypoints")
    np.testing.assert_allclose(seen.geometry.x, [-82.5000001, -82.4999], rtol=0, atol=1e-9)
    np.testing.assert_allclose(seen.geometry.y, [27.2000003, 27.2], rtol=0, atol=1e-9)
    assert layer(done, "trunks").crs.to_epsg() == 6443  # the zone of the place: U-02


# --- the site --------------------------------------------------------------------------------


def test_a_site_reads_what_was_made(tmp_path):
    crowns = crowns_file(tmp_path, [(0, 0, 10, 10)])
    text = rows_of(
        tree("T1", 5, 5, spreads="10,10"), tree("T2", 40, 5), tree("T3", 45, 5, spreads=",")
    )
    params = {"trunk_position_error_ft": 1.5, "height_error_ft": 0.5}
    done = survey(tmp_path, text, crowns, params)
    part = (done.folder / "for_site_file.toml").read_text(encoding="utf-8")
    said = tomllib.loads(part)
    assert said["crowns"]["height_rmse_ft"] == 0.5 and said["trunks"]["position_rmse_ft"] == 1.5
    lot = gpd.GeoDataFrame(
        {"lot_id": ["L"]}, geometry=[shapely.box(X - 50, Y - 50, X + 100, Y)], crs=WEST
    )
    lot.to_file(done.folder / "lots.gpkg")
    line = gpd.GeoDataFrame(geometry=[shapely.LineString([(X - 50, Y), (X + 100, Y)])], crs=WEST)
    line.to_file(done.folder / "mhw.gpkg")
    head = '[site]\nname = "S"\n[lots]\nfile = "lots.gpkg"\n[mhw_line]\nfile = "mhw.gpkg"\n'
    path = done.folder / "site.toml"
    path.write_text(f'{head}origin = "digitised"\n{part}', encoding="utf-8")
    site = read_site(path)
    assert list(site.crowns["crown_id"]) == ["C1", "T2"]
    assert list(site.crowns["field_height_ft"]) == [12.0, 12.0]
    assert list(site.crowns["field_height_error_ft"]) == [0.5, 0.5]
    assert list(site.crowns["base_height_ft"]) == [3.0, 3.0]
    assert list(site.crowns["species"]) == ["red mangrove"] * 2
    assert list(site.trunks["crown_id"]) == ["C1", "T2"] and site.trunks_rmse_ft == 1.5


def test_the_command_from_words_to_files(tmp_path, capsys):
    path = table_file(
        tmp_path, rows_of(tree("T1", 0, 0), head=HEAD.replace("height_ft", "height")), "t.csv"
    )
    words = ["prepare", "survey", "--trees", str(path), "--trees-crs", WEST, "--trees-unit", "ft"]
    assert main([*words, "--out", str(tmp_path / "out")]) == 0
    shown = capsys.readouterr().out
    assert "1 with a crown made of its spreads, 47.1 ft2 in all" in shown
    record = json.loads((tmp_path / "out" / "record.json").read_text(encoding="utf-8"))
    assert record["preparation"] == "survey" and record["figures"]["n_trees"] == 1
    assert {path.name for path in (tmp_path / "out").iterdir()} == {
        "trees.gpkg", "trees.csv", "trees.gpx", "conflicts.csv", "survey_map.png", "record.json",
        "for_site_file.toml",
    }  # fmt: skip
    bad = [*words[:-2], "--out", str(tmp_path / "bad")]
    assert main(bad) == 2
    assert "a length without a unit" in capsys.readouterr().err
    assert not (tmp_path / "bad").exists()


def test_letters_that_the_map_cannot_draw_are_told(tmp_path):
    done = survey(tmp_path, rows_of(tree("\u6a39 3", 0, 0)))
    assert any("\u6a39" in n.text for n in done.prepared.notes if n.about == "survey_map.png")


# --- the map ---------------------------------------------------------------------------------


def figure_of(n_trees, n_conflicts):
    """A map of trees in a row of crowns from spreads."""
    xs = X + 12.0 * (np.arange(n_trees) % 12)
    ys = Y + 12.0 * (np.arange(n_trees) // 12)
    tags = [f"T{k + 1}" for k in range(n_trees)]
    points = shapely.points(xs, ys)
    crowns = gpd.GeoDataFrame(
        {"crown_id": tags, "tag": tags, "crown_from": "spreads", "conflicts": None},
        geometry=shapely.buffer(points, 5.0), crs=WEST,
    )  # fmt: skip
    trunks = gpd.GeoDataFrame(
        {"tag": tags, "stem": None, "crown_id": tags}, geometry=points, crs=WEST
    )
    found = [
        Conflict("tag-twice", k, tags[k], (), f"found {k}", "done", xs[k], ys[k])
        for k in range(n_conflicts)
    ]
    return survey_figure.survey_figure(crowns, trunks, found)


@pytest.mark.parametrize(("n_trees", "n_conflicts"), [(3, 0), (3, 2), (120, 30)])
def test_the_map_shows_every_tag_and_every_conflict_by_number(n_trees, n_conflicts):
    figure = figure_of(n_trees, n_conflicts)
    on_map = {text.get_text() for text in figure.axes[0].texts}
    listed = [text.get_text() for text in figure.texts]
    assert {f"T{k + 1}" for k in range(n_trees)} <= on_map
    for k in range(n_conflicts):
        assert str(k + 1) in on_map
        assert str(k + 1) in listed and f"T{k + 1}: found {k}" in listed
    shown = [text.get_text() for ax in figure.axes for text in ax.texts]
    assert "grid N" in shown and any(text.endswith(" ft") for text in shown)


def test_the_frame_follows_the_body_of_the_trees():
    """The tree far off neither widens the frame nor is drawn; the head tells it."""
    near, points = figure_of(5, 0), shapely.points(X + 12.0 * np.arange(6), [Y] * 5 + [Y + 3640])
    trunks = gpd.GeoDataFrame(
        {
            "tag": list("abcdef"),
            "stem": None,
            "crown_id": [*"abcde", None],
            "conflicts": [None] * 4 + ["2", "1, 3"],
        },
        geometry=points,
        crs=WEST,
    )
    crowns = gpd.GeoDataFrame(
        {"crown_id": list("abcde"), "tag": list("abcde"), "crown_from": "spreads"},
        geometry=shapely.buffer(points[:5], 5.0), crs=WEST,
    ).assign(conflicts=None)  # fmt: skip
    kinds = ("heights-apart", "tag-twice", "far-from-all-others")
    found = [
        Conflict(kind, k, tag, (), "found", "done", points[k].x, points[k].y)
        for kind, k, tag in zip(kinds, (5, 4, 5), "fef", strict=True)
    ]
    figure = survey_figure.survey_figure(crowns, trunks, found)
    assert figure.axes[0].get_xlim() == pytest.approx(near.axes[0].get_xlim())
    shown = {text.get_text() for text in figure.axes[0].texts}
    assert {"a", "e", "2"} <= shown and not {"f", "1", "3"} & shown
    assert any("6 trunks, 1 of them far off" in text.get_text() for text in figure.texts)
    alone = survey_figure.survey_figure(None, trunks[5:], found)  # something must be shown
    assert "f" in {text.get_text() for text in alone.axes[0].texts}


def test_conflicts_of_one_place_share_a_mark_and_its_numbers_are_joined():
    crowns, points = None, shapely.points([X, X + 200], [Y, Y])
    trunks = gpd.GeoDataFrame(
        {"tag": ["a", "b"], "stem": None, "crown_id": None}, geometry=points, crs=WEST
    )
    places = [(X, Y)] * 6 + [(X + 200, Y), (X + 200.5, Y), (X, Y)]
    found = [Conflict("tag-twice", 0, "a", (), f"f{k}", "d", *at) for k, at in enumerate(places)]
    figure = survey_figure.survey_figure(crowns, trunks, found)
    assert survey_figure.joined_numbers([2, 3, 4]) == "2-4"
    assert {"1-6,9", "7,8"} <= {text.get_text() for text in figure.axes[0].texts}


def test_a_list_too_long_for_the_page_tells_the_rest():
    figure = figure_of(120, 90)
    listed = [text.get_text() for text in figure.texts]
    (rest,) = [text for text in listed if "more: conflicts.csv" in text]
    n_shown = sum(": found" in text for text in listed)
    assert rest == f"and {90 - n_shown} more: conflicts.csv" and n_shown > 40
    renderer = figure.canvas.get_renderer()
    boxes = [text.get_window_extent(renderer) for text in figure.texts]
    assert min(box.y0 for box in boxes) > 0
    assert max(box.x1 for box in boxes) < figure.bbox.x1


def test_tags_on_the_map_do_not_cover_each_other():
    figure = figure_of(120, 30)
    renderer = figure.canvas.get_renderer()
    boxes = [text.get_window_extent(renderer).shrunk(0.9, 0.7) for text in figure.axes[0].texts]
    shapes = [shapely.box(*box.extents) for box in boxes]
    pairs = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    assert (pairs[0] == pairs[1]).all()
