"""Every vector format in, and every mend told."""

from __future__ import annotations

import sqlite3
import warnings
import zipfile

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geotrim.errors import CRSError, FileError, LayerError, ShapeError
from geotrim.io.arcs import ARC_SAGITTA, chords
from geotrim.io.fields import match_where, text_id
from geotrim.io.files import sha256_of
from geotrim.io.layers import layer_schema, list_layers, write_layer
from geotrim.io.repair import clean_layer
from geotrim.io.vectors import read_layer
from tests.opendata import open_data

SQUARE = shapely.box(0, 0, 10, 10)
HOLED = shapely.Polygon([(0, 0), (10, 0), (10, 10), (0, 10)], [[(2, 2), (2, 4), (4, 4), (4, 2)]])
LINE = shapely.LineString([(0, 0), (3, 4)])
TWO = shapely.MultiPolygon([shapely.box(20, 0, 25, 5), shapely.box(30, 0, 35, 5)])


def table(*shapes, crs=6443, **fields):
    return gpd.GeoDataFrame(fields, geometry=list(shapes), crs=crs)


def save(tmp_path, name, frame, **kwargs):
    path = tmp_path / name
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a writer's own chatter is not under test
        frame.to_parquet(path) if name.endswith("parquet") else frame.to_file(path, **kwargs)
    return path


def wkt_file(tmp_path, *texts):
    """A text file of well-known text, which holds any geometry there is."""
    path = tmp_path / "shapes.csv"
    rows = "\n".join(f'{i},"{text}"' for i, text in enumerate(texts, start=1))
    path.write_text(f"n,WKT\n{rows}\n", encoding="utf-8")
    return path


def told(notes):
    return " | ".join(str(note) for note in notes)


# ---- formats ------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["a.gpkg", "a.shp", "a.fgb", "a.geojson", "a.parquet", "a.gml"])
def test_one_layer_in_every_format(tmp_path, name):
    crs = 4326 if name == "a.geojson" else 6443
    frame = table(HOLED, TWO, crs=crs, lot=["A", "B"], n=[1, 2])
    got, notes = read_layer(save(tmp_path, name, frame))
    order = got.sort_values("lot")
    for shape, expected in zip(order.geometry, frame.geometry, strict=True):
        assert shape.equals(expected)  # holes and parts kept
    assert got.crs.to_epsg() == crs
    assert list(order["n"]) == [1, 2]
    assert not [note for note in notes if note.level == "repaired"]


def test_a_zipped_shapefile(tmp_path):
    save(tmp_path, "lots.shp", table(SQUARE, lot=["A"]))
    with zipfile.ZipFile(tmp_path / "lots.zip", "w") as archive:
        for part in tmp_path.glob("lots.*"):
            if part.suffix != ".zip":
                archive.write(part, f"folder/{part.name}")
    got, _ = read_layer(tmp_path / "lots.zip")
    assert list(got["lot"]) == ["A"]
    assert list_layers(tmp_path / "lots.zip") == ["lots"]


@pytest.mark.data
def test_the_boroughs_of_new_york():
    """Ring lengths and areas as the city publishes them beside each borough (US survey feet)."""
    path = open_data("nyc_waterfront_lots") / "nybb_16a.zip"
    got, _ = read_layer(path, where={"BoroCode": "1"}, id_field="BoroName")
    assert list(got["BoroName"]) == ["Manhattan"]
    assert got.crs.to_epsg() == 2263
    assert got.area[0] == pytest.approx(636471539.774, rel=2e-6)  # its Shape_Area
    assert got.length[0] == pytest.approx(359299.096, rel=4e-5)  # its Shape_Leng


@pytest.mark.data
def test_the_one_bad_lot_of_astoria_is_told():
    """One polygon of 961 is invalid as published (the data's own description)."""
    path = open_data("nyc_waterfront_lots") / "astoria_lots.geojson"
    got, notes = read_layer(path, id_field="lot_id")
    bad = [note for note in notes if note.level == "repaired"]
    assert 960 <= len(got) <= 961
    assert bad and all("A1207" in note.text for note in bad)


@pytest.mark.data
def test_chart_land_areas_hold_a_point_among_polygons():
    """LNDARE of US5MIACC: 35 polygons and 1 point (the data's own description)."""
    got, notes = read_layer(open_data("noaa_enc_miami") / "US5MIACC_LNDARE.geojson")
    assert len(got) == 35
    assert "1 point left out" in told(notes)


# ---- layers -------------------------------------------------------------------------------------


def several(tmp_path, **layers):
    path = tmp_path / "site.gpkg"
    for name, frame in layers.items():
        write_layer(frame, path, layer=name)
    return path


def test_the_layer_called_like_the_role_is_taken(tmp_path):
    path = several(tmp_path, Lot=table(SQUARE), other=table(TWO))
    assert len(read_layer(path, subject="lots")[0].geometry[0].exterior.coords) == 5


def test_the_only_layer_of_the_kind_is_taken(tmp_path):
    path = several(tmp_path, alpha=table(SQUARE), beta=table(LINE))
    assert read_layer(path, kinds=("line",), subject="mhw_line")[0].length[0] == 5.0


def test_two_layers_that_would_do_are_listed(tmp_path):
    path = several(tmp_path, alpha=table(SQUARE), beta=table(TWO))
    with pytest.raises(LayerError, match=r"alpha \(polygon, 1\), beta \(polygon, 1\)"):
        read_layer(path)
    assert len(read_layer(path, layer="BETA")[0]) == 1
    with pytest.raises(LayerError, match="say 'alpha' if you meant that"):
        read_layer(path, layer="alhpa")


def test_schema_and_list(tmp_path):
    path = several(tmp_path, alpha=table(SQUARE, n=[1], s=["x"], f=[1.5]), beta=table(LINE))
    assert list_layers(path) == ["alpha", "beta"]
    schema = layer_schema(path, "alpha")
    assert (schema.kind, schema.n_features) == ("polygon", 1)
    assert {k: v.split(":")[0] for k, v in schema.fields.items()} == {
        "n": "int",
        "s": "str",
        "f": "float",
    }
    assert layer_schema(path, "beta").kind == "line"


def test_schema_of_geoparquet(tmp_path):
    schema = layer_schema(save(tmp_path, "a.parquet", table(SQUARE, n=[1])))
    assert (schema.name, schema.kind, schema.n_features) == ("a", "polygon", 1)
    assert list(schema.fields) == ["n"]


def test_writing_one_layer_leaves_the_others(tmp_path):
    path = several(tmp_path, alpha=table(SQUARE, s=["é"]), beta=table(LINE))
    write_layer(table(TWO, n=[np.nan]), path, layer="alpha")
    assert sorted(list_layers(path)) == ["alpha", "beta"]
    got, _ = read_layer(path, layer="alpha")
    assert got.geometry[0].equals(TWO) and np.isnan(got["n"][0])
    assert not list(tmp_path.glob(".*"))


# ---- choice of features -------------------------------------------------------------------------


@pytest.mark.parametrize("wanted", [12, "12", 12.0, [12], ["12", "99"]])
@pytest.mark.parametrize(
    "held", [[12, 13], [12.0, np.nan], ["12", "x"]], ids=["int", "float", "text"]
)
def test_where_forgives_the_type(wanted, held):
    frame = table(SQUARE, TWO, parcel=held)
    assert list(match_where(frame, {"PARCEL": wanted}, "lots")) == [True, False]


def test_where_without_a_match_or_a_field():
    frame = table(SQUARE, parcel=["12"])
    with pytest.raises(LayerError, match="a value that the field holds: 12"):
        match_where(frame, {"parcel": "13"}, "lots")
    with pytest.raises(LayerError, match="say 'parcel' if you meant that"):
        match_where(frame, {"parcle": "12"}, "lots")


@given(st.integers(-(10**9), 10**9))
def test_an_id_is_one_text_however_it_was_stored(number):
    assert text_id(number) == text_id(float(number)) == text_id(f" {number} ") == str(number)


# ---- geometry -----------------------------------------------------------------------------------


def test_z_and_m_are_dropped_and_told(tmp_path):
    path = wkt_file(tmp_path, "POLYGON ZM ((0 0 7 1,9 0 7 1,9 9 7 1,0 0 7 1))")
    got, notes = read_layer(path, crs=6443)
    assert not shapely.has_z(got.geometry[0])
    assert shapely.get_coordinates(got.geometry[0]).shape == (4, 2)
    assert "Z and M values dropped" in told(notes)


def test_arcs_are_straightened_and_told(tmp_path):
    """A circle of radius 10 becomes a polygon of 360 sides.

    A regular polygon of n sides in a circle: area n/2 r^2 sin(2 pi / n), length 2 n r sin(pi / n).
    """
    path = wkt_file(tmp_path, "CURVEPOLYGON(CIRCULARSTRING(0 0,10 10,20 0,10 -10,0 0))")
    got, notes = read_layer(path, crs=6443)
    n = 360
    assert got.area[0] == pytest.approx(n / 2 * 100 * np.sin(2 * np.pi / n), rel=1e-9)
    assert got.length[0] == pytest.approx(2 * n * 10 * np.sin(np.pi / n), rel=1e-9)
    middle = shapely.Point(10, 0)
    assert middle.distance(got.geometry[0].exterior) >= 10 * (1 - ARC_SAGITTA) - 1e-9
    assert "1 feature with arcs straightened" in told(notes) and "0.004 ft at 100 ft" in told(notes)


CURVES = [
    "CIRCULARSTRING Z (0 0 9,1 1 9,2 0 9)",
    "CIRCULARSTRING(0 0,1 1,2 0)",
    "COMPOUNDCURVE((0 0,1 0),CIRCULARSTRING(1 0,2 1,3 0))",
    "MULTICURVE((0 0,1 1),CIRCULARSTRING(1 0,2 1,3 0))",
    "GEOMETRYCOLLECTION(CIRCULARSTRING(0 0,1 1,2 0))",
]


@pytest.mark.parametrize("text", CURVES, ids=["Z", "one", "compound", "multi", "collection"])
def test_every_kind_of_curved_line(tmp_path, text):
    """Each holds half a circle of radius 1: pi long, beside straight parts."""
    straight = {"COMPOUNDCURVE": 1.0, "MULTICURVE": np.sqrt(2)}.get(text.split("(")[0], 0.0)
    got, notes = read_layer(wkt_file(tmp_path, text), crs=6443, kinds=("line",))
    assert got.length[0] == pytest.approx(np.pi + straight, rel=2e-5)
    assert "straightened" in told(notes)


def test_a_triangulated_surface_is_polygons(tmp_path):
    path = wkt_file(
        tmp_path, "TIN(((0 0,4 0,0 3,0 0)),((4 0,4 3,0 3,4 0)))", "TRIANGLE((0 0,1 0,0 1,0 0))"
    )
    got, notes = read_layer(path, crs=6443)
    assert list(got.area) == [12.0, 0.5]
    assert "straightened" not in told(notes)


@given(
    radius=st.floats(0.5, 1e4),
    start_deg=st.floats(0, 360),
    sweep_deg=st.floats(2, 358),
    share=st.floats(0.1, 0.9),
    is_clockwise=st.booleans(),
)
def test_an_arc_has_the_length_of_its_sweep(radius, start_deg, sweep_deg, share, is_clockwise):
    """Law: r times the angle, less at most (step)^2 / 24; every vertex on the circle."""
    turn = -sweep_deg if is_clockwise else sweep_deg
    at = np.radians(start_deg + turn * np.array([0, share, 1]))
    centre = np.array([3e5, 1.2e6])
    arc = centre + radius * np.column_stack([np.cos(at), np.sin(at)])
    got = chords(arc)
    expected = radius * np.radians(sweep_deg)
    length = np.hypot(*np.diff(got, axis=0).T).sum()
    assert expected * (1 - np.radians(1.0) ** 2 / 23) - 1e-6 <= length <= expected + 1e-6
    assert np.allclose(np.hypot(*(got - centre).T), radius, rtol=1e-5, atol=1e-6)


def test_curves_leave_their_straight_neighbours_alone(tmp_path):
    """An empty point beside a curve must not come back as a point at (0, 0)."""
    path = wkt_file(tmp_path, CURVES[0], "POINT EMPTY", "LINESTRING(0 0,3 4)")
    got, notes = read_layer(path, crs=6443, kinds=("line",))
    assert got.length[1] == 5.0 and len(got) == 2
    assert "1 feature without a geometry left out: feature 2" in told(notes)


def test_curves_in_a_geopackage(tmp_path):
    """The same through a file format with a binary geometry of its own."""
    path = save(tmp_path, "a.gpkg", table(shapely.box(0, 0, 1, 1)), layer="a", SPATIAL_INDEX="NO")
    arc = b"\x01\x08\x00\x00\x00\x03\x00\x00\x00" + np.array([0, 0, 1, 1, 2, 0], "<f8").tobytes()
    with sqlite3.connect(path) as db:
        header = db.execute("select substr(geom, 1, 8) from a").fetchone()[0]
        for (name,) in db.execute("select name from sqlite_master where type='trigger'").fetchall():
            db.execute(f'drop trigger "{name}"')
        plain = header[:3] + bytes([header[3] & 0b11110001]) + header[4:]  # no envelope
        db.execute("update a set geom = ?", (plain + arc,))
        db.execute("update gpkg_geometry_columns set geometry_type_name = 'GEOMETRY'")
    db.close()
    got, notes = read_layer(path, kinds=("line",))
    assert got.length[0] == pytest.approx(np.pi, rel=2e-5)
    assert "straightened" in told(notes)


def test_a_bow_tie_is_repaired_and_told():
    """Two triangles of 25 ftUS2 each: 50 in all, in international feet 50 x (1.000002)^2."""
    tie = shapely.Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])
    got, notes = clean_layer(table(tie), subject="lots", kinds=("polygon",), names=["lot 7"])
    assert got.area[0] == pytest.approx(50.0)
    assert got.is_valid.all()
    assert notes[0].level == "repaired"
    assert "lot 7 repaired (self-intersection), no net area before, 50.0 ft2 after" in told(notes)


def test_a_repair_keeps_polygon_parts_only():
    """A square with a spike: the spike has no area and goes."""
    spike = shapely.Polygon([(0, 0), (10, 0), (10, 10), (20, 10), (10, 10), (0, 10)])
    got, _ = clean_layer(table(spike), subject="lots", kinds=("polygon",))
    assert got.geometry[0].geom_type == "Polygon" and got.area[0] == 100.0


def test_null_empty_and_flat_are_left_out_and_told():
    flat = shapely.Polygon([(0, 0), (5, 5), (0, 0)])
    frame = table(SQUARE, None, shapely.Polygon(), flat)
    got, notes = clean_layer(frame, subject="lots", kinds=("polygon",))
    assert len(got) == 1
    assert "2 features without a geometry left out: feature 2, feature 3" in told(notes)
    assert "1 feature without area left out: feature 4" in told(notes)


def test_collections_are_unpacked():
    mixed = shapely.GeometryCollection(
        [shapely.Point(0, 0), SQUARE, shapely.GeometryCollection([TWO])]
    )
    got, _ = clean_layer(table(mixed), subject="lots", kinds=("polygon",))
    assert got.geometry[0].geom_type == "MultiPolygon" and got.area[0] == 150.0


def test_multipoints_become_points():
    frame = table(shapely.MultiPoint([(0, 0), (1, 1)]), shapely.Point(2, 2), crown_id=["a", "b"])
    got, notes = clean_layer(frame, subject="trunks", kinds=("point",))
    assert list(got["crown_id"]) == ["a", "a", "b"]
    assert "2 rows of points split into 3" in told(notes)


@pytest.mark.parametrize(
    ("kinds", "shape", "mend"),
    [
        (("line",), SQUARE, "export the edge as a line"),
        (("polygon",), LINE, "close the lines into polygons"),
        (("point",), SQUARE, "holds the points"),
        (("line",), shapely.Point(0, 0), "holds lines"),
    ],
)
def test_the_wrong_kind_comes_with_a_mend(kinds, shape, mend):
    with pytest.raises(LayerError, match=mend):
        clean_layer(table(shape), subject="layer", kinds=kinds)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_a_coordinate_that_is_no_number_names_the_feature(bad):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # shapely's own, while the bad shape is made
        broken = shapely.Polygon([(0, 0), (bad, 0), (5, 5), (0, 0)])
    with pytest.raises(ShapeError, match="lot B"):
        clean_layer(
            table(SQUARE, broken), subject="lots", kinds=("polygon",), names=["lot A", "lot B"]
        )


def test_an_open_ring_is_closed_and_told(tmp_path):
    path = tmp_path / "open.geojson"
    path.write_text(
        '{"type":"FeatureCollection","features":[{"type":"Feature","properties":{},"geometry":'
        '{"type":"Polygon","coordinates":[[[0,0],[1,0],[1,1]],[]]}}]}'
    )
    got, notes = read_layer(path)
    assert got.geometry[0].area == 0.5 and not got.geometry[0].interiors
    assert "1 closed" in told(notes)


coordinate = st.integers(-20, 20)


@given(st.lists(st.tuples(coordinate, coordinate), min_size=3, max_size=9))
def test_whatever_ring_is_drawn_the_outcome_is_valid_or_told(ring):
    """Law: valid polygons come out, and whenever one differs from what went in, it is told."""
    shape = shapely.Polygon(ring)
    frame = table(SQUARE, shape)
    got, notes = clean_layer(frame, subject="lots", kinds=("polygon",))
    assert got.is_valid.all() and (got.area > 0).all()
    assert set(got.geom_type) <= {"Polygon", "MultiPolygon"}
    changed = len(got) != 2 or not got.geometry[1].equals_exact(shape, 0)
    assert bool(notes) == changed


# ---- text ---------------------------------------------------------------------------------------


def test_latin_1_attributes(tmp_path):
    save(tmp_path, "a.shp", table(SQUARE, owner=["café"]), encoding="ISO-8859-1")
    (tmp_path / "a.cpg").unlink()
    assert list(read_layer(tmp_path / "a.shp")[0]["owner"]) == ["café"]


def test_text_in_another_encoding_than_claimed(tmp_path):
    path = tmp_path / "a.geojson"
    path.write_bytes(
        '{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"owner":"café"},'
        '"geometry":{"type":"Point","coordinates":[0,0]}}]}'.encode("latin-1")
    )
    got, notes = read_layer(path, kinds=("point",))
    assert got["owner"][0] == "café"
    assert "ISO-8859-1" in told(notes)


# ---- files --------------------------------------------------------------------------------------


@pytest.mark.parametrize("part", [".shx", ".dbf"])
def test_a_shapefile_without_a_part(tmp_path, part):
    path = save(tmp_path, "a.shp", table(SQUARE, n=[1]))
    path.with_suffix(part).unlink()
    with pytest.raises(FileError, match=f"without its {part}"):
        read_layer(path)


def test_a_missing_file_names_its_near_neighbour(tmp_path):
    save(tmp_path, "lots.gpkg", table(SQUARE))
    with pytest.raises(FileError, match=r"but there is 'lots\.gpkg' there"):
        read_layer(tmp_path / "lot.gpkg")


def test_no_crs_is_an_error_until_stated(tmp_path):
    path = save(tmp_path, "a.gpkg", table(SQUARE, crs=None))
    with pytest.raises(CRSError, match="no coordinate reference system"):
        read_layer(path)
    assert read_layer(path, crs="EPSG:6443")[0].crs.to_epsg() == 6443


def test_the_hash_of_a_shapefile_covers_its_parts(tmp_path):
    import hashlib

    path = save(tmp_path, "a.shp", table(SQUARE, n=[1]))
    parts = [path.with_suffix(s).read_bytes() for s in (".shp", ".dbf", ".prj", ".cpg")]
    digest, how = sha256_of(path)
    assert digest == hashlib.sha256(b"".join(parts)).hexdigest()
    assert how == "a.shp + a.dbf + a.prj + a.cpg"
