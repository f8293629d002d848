"""What a screening is given comes into the working folder as it is: lots, trees, shore, rules."""

from __future__ import annotations

import datetime
import hashlib
import json
import os

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
import rasterio
import shapely
from rule_texts import RULE, text_of
from screen_inputs import (
    CRS,
    SIDE,
    TREES,
    X0,
    Y0,
    crowns_of,
    lots_of,
    put,
    read,
    row_of_crowns,
    row_of_lots,
    square,
    told,
)
from shapely import affinity
from shapely.geometry import LineString, MultiLineString, Point

from geotrim.errors import CRSError, FileError, GeotrimError, LayerError, RangeError, SiteFileError
from geotrim.io.arrow_values import numbers_of, texts_of
from geotrim.io.fields import text_id
from geotrim.io.lot_answers import answer_of
from geotrim.io.site_file import read_site, read_spec
from geotrim.io.site_spec import check_spec
from geotrim.io.wkb_shapes import mended_shapes, wkb_codes
from geotrim.rules.facts import facts
from geotrim.screen import reading as reading_module
from geotrim.screen.input_key import changed_words, input_key
from geotrim.screen.plan import partition_lots
from geotrim.screen.screen_file import read_screen_file
from geotrim.screen.spill import Spill, table_writer
from geotrim.screen.store import BATCH_ROWS, read_rows, read_table

CROWNS = """
[crowns]
file = "trees.parquet"
id_field = "tree"
"""


@pytest.fixture
def small_batches(monkeypatch):
    """Batches of seven rows, so that most things lie on both sides of an edge."""
    monkeypatch.setattr(reading_module, "LEAST_ROWS", 7)
    monkeypatch.setattr(reading_module, "MOST_ROWS", 7)


@pytest.mark.parametrize("ending", ["gpkg", "shp", "fgb", "geojson", "parquet"])
def test_lots_of_any_format_are_those_of_the_file(tmp_path, ending):
    """Oracle: geopandas reads the same file. In the site's own CRS no coordinate is touched."""
    lots = row_of_lots()
    lots.geometry = affinity_all(lots.geometry, 0.123)
    path = put(tmp_path, lots, ending=ending, in_lots='crs = "EPSG:6443"')
    reading, store = read(path)
    want = gpd.read_file(tmp_path / f"lots.{ending}") if ending != "parquet" else lots
    order = want.reset_index(drop=True)
    got = lots_of(store)
    assert list(got["lot_id"]) == list(order["PIN"])
    assert shapely.equals_identical(
        shapely.normalize(got.geometry.to_numpy()), shapely.normalize(order.geometry.to_numpy())
    ).all()
    assert (reading.n_lots, reading.n_fit, reading.n_partitions) == (8, 8, 1)
    told_file = next(item for item in reading.inputs if item.role == "lots")
    assert (told_file.n_features, told_file.crs) == (8, "EPSG:6443")


def affinity_all(shapes, angle):
    return [affinity.rotate(shape, angle, origin=(X0, Y0)) for shape in shapes]


def test_a_file_without_a_reference_system_is_an_error(tmp_path):
    path = put(tmp_path, row_of_lots().set_crs(None, allow_override=True))
    with pytest.raises(GeotrimError, match=r"\[lots\].*no coordinate reference system"):
        read(path)


def test_layers_are_moved_as_a_general_library_moves_them(tmp_path):
    """Oracle: geopandas to_crs of degrees (NAD83(2011), EPSG:6318) into the site's zone."""
    lots, trees = row_of_lots().to_crs(6318), row_of_crowns().to_crs(6318)
    path = put(tmp_path, lots, said=CROWNS, trees=trees)
    text = path.read_text(encoding="utf-8").replace('name = "Row"', 'name = "Row"\ncrs = 6443')
    path.write_text(text, encoding="utf-8")
    reading, store = read(path)
    for got, table in (
        (lots_of(store), lots),
        (crowns_of(store, reading.n_partitions), trees),
    ):
        want = table.to_crs(6443).geometry.to_numpy()
        gaps = shapely.hausdorff_distance(got.geometry.to_numpy(), want)
        assert gaps.max() < 1e-6
    assert told(reading, "crowns: reprojected from EPSG:6318")


def many(tmp_path, rng_seed=5, n=60):
    """Lots and crowns in no order, over five rows of lots, and trunks by crown."""
    rng = np.random.default_rng(rng_seed)
    lots = [square(k % 12, y0=Y0 - SIDE * (k // 12)) for k in rng.permutation(n)]
    table = gpd.GeoDataFrame({"PIN": [f"P{k}" for k in range(n)]}, geometry=lots, crs=CRS)
    xy = np.column_stack([rng.uniform(X0, X0 + 1200, 200), rng.uniform(Y0 - 400, Y0 + 100, 200)])
    trees = gpd.GeoDataFrame(
        {"tree": [f"t{k}" for k in range(200)]},
        geometry=shapely.buffer(shapely.points(xy), 6.0, quad_segs=2),
        crs=CRS,
    )
    return put(tmp_path, table, said=CROWNS, trees=trees), table, trees


def test_each_crown_is_at_home_once_and_in_file_order(tmp_path, small_batches, monkeypatch):
    """In the partition of the lot whose centre is nearest, found here by looking at all of them."""
    monkeypatch.setitem(partition_lots.__kwdefaults__, "per_partition", 9)
    path, lots, trees = many(tmp_path)
    reading, store = read(path)
    assert reading.n_partitions == 7  # 60 lots, 9 at most in each
    found = {}
    starts = np.linspace(0, 60, 8).round().astype(int)
    in_order = list(read_table(store.lots)["lot_id"].to_pylist())
    partition_of = {lot: np.searchsorted(starts, k, "right") - 1 for k, lot in enumerate(in_order)}
    for k in range(7):
        numbers = read_table(store.crowns(k))["crown_number"].to_pylist()
        assert numbers == sorted(numbers)
        found.update(dict.fromkeys(numbers, k))
    assert sorted(found) == list(range(200))
    centres = np.column_stack([lots.centroid.x, lots.centroid.y])
    for number, k in found.items():
        at = trees.geometry[number].centroid
        nearest = int(np.argmin(np.hypot(*(centres - [at.x, at.y]).T)))
        assert partition_of[f"P{nearest}"] == k
    assert shapely.equals_identical(
        crowns_of(store, 7).geometry.to_numpy(), trees.geometry.to_numpy()
    ).all()


def test_the_folder_does_not_depend_on_the_memory(tmp_path, monkeypatch):
    """The same bytes, whatever the size of a batch."""
    path, *_ = many(tmp_path)
    digests = []
    for rows in (7, 64, 65536):
        monkeypatch.setattr(reading_module, "LEAST_ROWS", rows)
        monkeypatch.setattr(reading_module, "MOST_ROWS", rows)
        _, store = read(path, tmp_path / f"work{rows}", memory_mb=1 if rows == 7 else 500)
        files = sorted(p for p in store.folder.rglob("*.arrow"))
        digests.append([hashlib.sha256(p.read_bytes()).hexdigest() for p in files])
        assert not (store.folder / "reading").exists()
    assert digests[0] == digests[1] == digests[2] and len(digests[0]) == 3


@pytest.mark.parametrize("crs", [CRS, 6318])
def test_crowns_that_cannot_be_used_are_left_out_and_counted(tmp_path, small_batches, crs):
    trees = row_of_crowns().to_crs(crs)
    shapes = list(trees.geometry)
    shapes[2], shapes[9], shapes[11] = None, Point(X0, Y0), shapely.box(0, 0, 0, 0)
    trees = gpd.GeoDataFrame({"tree": trees["tree"]}, geometry=shapes, crs=crs)
    reading, store = read(put(tmp_path, said=CROWNS, trees=trees))
    assert reading.n_crowns == 13
    assert list(crowns_of(store, 1)["crown_number"]) == [
        k for k in range(16) if k not in (2, 9, 11)
    ]
    assert told(reading, "1 crown without a shape left out: row 3")
    assert told(reading, "1 crown that are no polygons left out: row 10")
    assert told(reading, "1 crown without an area left out: row 12")


def test_crowns_away_from_the_lots_are_left_out(tmp_path, small_batches):
    """Six miles off, more than the five within which an input is of this place."""
    trees = row_of_crowns()
    shapes = list(trees.geometry)
    shapes[8] = affinity.translate(shapes[8], 0.0, 6 * 5280.0)
    trees = gpd.GeoDataFrame({"tree": trees["tree"]}, geometry=shapes, crs=CRS)
    reading, _ = read(put(tmp_path, said=CROWNS, trees=trees))
    assert reading.n_crowns == 15
    assert told(reading, "1 crown farther than 5 miles from the lots left out")
    every = trees.set_geometry(trees.translate(0.0, 12 * 5280.0))
    with pytest.raises(CRSError, match=r"\[crowns\] file.*crowns no nearer than 12.0 miles"):
        read(put(tmp_path, said=CROWNS, trees=every.iloc[:8]))


def test_a_file_that_breaks_off_is_named(tmp_path):
    row_of_crowns(2000).to_file(tmp_path / "trees.fgb", SPATIAL_INDEX="NO")
    path = put(tmp_path, said=CROWNS.replace("parquet", "fgb"))
    for name, keep in (("trees.fgb", 0.6), ("lots.parquet", 0.5)):
        data = (tmp_path / name).read_bytes()
        (tmp_path / name).write_bytes(data[: int(keep * len(data))])
        with pytest.raises(FileError, match=rf"{name}, which (breaks off|cannot be read)"):
            read(path)


def test_text_in_another_encoding_than_the_file_claims(tmp_path):
    """Byte 0xE9 is an e with acute accent in ISO-8859-1, and no text in UTF-8."""
    lots = row_of_lots(OWNER=["Ren?"] * 8)
    path = put(tmp_path, lots, ending="shp", in_lots='keep_fields = ["OWNER"]')
    table = tmp_path / "lots.dbf"
    table.write_bytes(table.read_bytes().replace(b"Ren?", b"Ren\xe9"))
    reading, store = read(path)
    assert json.loads(lots_of(store)["fields"][0]) == {
        "OWNER": "Ren\N{LATIN SMALL LETTER E WITH ACUTE}"
    }
    assert told(reading, "lots: text is not in the encoding the file claims")


def test_crown_ids_twice_or_missing_do_not_stop_the_run(tmp_path, small_batches):
    trees = row_of_crowns()
    trees.loc[12, "tree"], trees.loc[4, "tree"] = "t3", None
    reading, store = read(put(tmp_path, said=CROWNS, trees=trees))
    ids = list(crowns_of(store, 1)["crown_id"])
    assert ids.count("t3") == 2 and ids[4] == "row 5"
    assert told(reading, "1 id used twice or more", "row 4, 13")
    assert told(reading, "1 crown without an id")


def test_fields_of_crowns(tmp_path):
    """A foot is 0.3048 m exactly: 3.048 m are 10 ft."""
    trees = row_of_crowns(
        n=6,
        kind=["red", None, "black", "", "red", " white "],
        base=["3.048", "-1", "tall", None, "0", "6.096"],
        cut=["yes", "no", "perhaps", None, "1", "0"],
        nest=["heron", None, "no", "yes", "", "heron"],
    )
    said = CROWNS + (
        'species_field = "kind"\nbase_height_field = "base"\nbase_height_unit = "m"\n'
        'trim_field = "cut"\nkeep_field = "nest"\n'
    )
    reading, store = read(put(tmp_path, said=said, trees=trees))
    got = crowns_of(store, 1)
    table = read_table(store.crowns(0))
    assert table["species"].to_pylist() == ["red", None, "black", None, "red", "white"]
    assert got["base_height_ft"].fillna(-1).tolist() == pytest.approx([10, -1, -1, -1, 0, 20])
    assert table["is_to_trim"].to_pylist() == [True, False, None, None, True, False]
    assert table["keep"].to_pylist() == ["heron", None, None, "marked to be kept", None, "heron"]
    assert told(reading, "2 crowns whose height of its base cannot be read", "'-1', 'tall'")
    assert told(reading, "1 crown whose word on whether to trim it cannot be read", "'perhaps'")
    assert told(reading, "2 crowns of 6 without a species")
    assert told(reading, "3 of 6 are to be left", "heron (2)")
    common = store.read_common()
    want = ("crown_id", "species", "base_height_ft", "is_to_trim", "keep")
    assert common.crown_columns == want and common.has_crowns


def test_heights_measured_on_site_have_their_error_where_they_are_known(tmp_path):
    trees = row_of_crowns(n=3, h=[12.0, np.nan, 8.0])
    said = CROWNS + 'height_field = "h"\nheight_unit = "ft"\nheight_rmse_ft = 0.5\n'
    reading, store = read(put(tmp_path, said=said, trees=trees))
    table = read_table(store.crowns(0))
    assert table["field_height_ft"].to_pylist() == [12.0, None, 8.0]
    assert table["field_height_error_ft"].to_pylist() == [0.5, None, 0.5]
    assert told(reading, "2 of 3 have a height measured on site")


@pytest.mark.parametrize("by", ["id", "place"])
def test_trunks_are_joined(tmp_path, small_batches, by):
    """A trunk 1 ft west of each crown's centre but the last; one more in t0, one in no crown."""
    trees = row_of_crowns()
    at = shapely.get_coordinates(shapely.centroid(trees.geometry.to_numpy())) - (1.0, 0.0)
    xy = np.vstack([at[:15][::-1], at[:1] + 0.5, [(X0 + 600, Y0)]])
    owners = [*trees["tree"][:15][::-1], "t0", "none"]
    points = gpd.GeoDataFrame({"of": owners}, geometry=shapely.points(xy), crs=CRS)
    said = CROWNS + '\n[trunks]\nfile = "trunks.parquet"\n'
    said += 'crown_id_field = "of"\n' if by == "id" else ""
    reading, store = read(put(tmp_path, said=said, trees=trees, trunks=points))
    got = crowns_of(store, 1)
    assert got["trunk_x"].tolist()[:15] == at[:15, 0].tolist()
    assert got["trunk_y"].tolist()[:15] == at[:15, 1].tolist()
    assert np.isnan(got["trunk_x"][15]) and store.read_common().has_trunks
    why = "no crown has their id" if by == "id" else "they stand in no crown"
    assert told(reading, f"1 trunk left out, {why}")
    assert told(reading, "1 crown of 16 without a trunk point")
    assert told(reading, "1 trunk of crowns that have one already")


def test_a_trunk_in_two_crowns_goes_to_the_nearer_centre(tmp_path, small_batches):
    """4 ft from one centre, 6 ft from the other; crowns of one batch and of two."""
    trees = row_of_crowns()
    shapes = list(trees.geometry)
    for near, far, y in ((14, 0, 50.0), (1, 15, 20.0), (3, 4, 80.0), (6, 5, -50.0)):
        shapes[far], shapes[near] = (Point(X0 + x, Y0 + y).buffer(8.0) for x in (50.0, 60.0))
    trees = gpd.GeoDataFrame({"tree": trees["tree"]}, geometry=shapes, crs=CRS)
    xy = [(X0 + 56, Y0 + y) for y in (80, 50, 20, -50)]
    points = gpd.GeoDataFrame(geometry=[Point(at) for at in xy], crs=CRS)
    said = CROWNS + '\n[trunks]\nfile = "trunks.parquet"\n'
    reading, store = read(put(tmp_path, said=said, trees=trees, trunks=points))
    got = crowns_of(store, 1)["trunk_y"].dropna()
    assert got.to_dict() == {1: Y0 + 20, 3: Y0 + 80, 6: Y0 - 50, 14: Y0 + 50}
    assert told(reading, "4 trunks in two crowns or more")


def test_trunks_of_no_crown_are_an_error(tmp_path):
    points = gpd.GeoDataFrame({"of": ["x"]}, geometry=[Point(X0, Y0)], crs=CRS)
    said = CROWNS + '\n[trunks]\nfile = "trunks.parquet"\ncrown_id_field = "of"\n'
    with pytest.raises(LayerError, match="no trunk that belongs to a crown"):
        read(put(tmp_path, said=said, trees=row_of_crowns(), trunks=points))


def test_the_shore_is_plain_lines_without_repeated_points(tmp_path):
    two = MultiLineString(
        [
            [(X0, Y0 + 100), (X0, Y0 + 100), (X0 + 9.1, Y0 + 100)],
            [(X0, Y0), (X0 + 1, Y0 + 1)],
            [(X0, Y0), (X0, Y0)],
        ]
    )
    rows = [two, LineString([(X0 + 1, Y0 + 1), (X0 + 2, Y0 + 3), (X0 + 2, Y0 + 3)])]
    _, store = read(put(tmp_path, line=gpd.GeoDataFrame(geometry=rows, crs=CRS)))
    with np.load(store.lines) as got:
        assert got["starts"].tolist() == [0, 2, 4, 6]
        want = [(X0, Y0 + 100), (X0 + 9.1, Y0 + 100), (X0, Y0), (X0 + 1, Y0 + 1)]
        want += [(X0 + 1, Y0 + 1), (X0 + 2, Y0 + 3)]
        assert got["xy"].tolist() == [list(point) for point in want]


FACTS = """facts = { n_units = "UNITS", is_multifamily = "MULTI", start_date = "BEGIN" }
keep_fields = ["OWNER", "VALUE"]
"""


def test_facts_and_fields_of_lots(tmp_path, small_batches):
    """A field answers what it can; what it cannot is unknown for that lot, and told."""
    lots = row_of_lots(
        UNITS=["4", "4.0", "many", None, "2", "1", "0", "3"],
        MULTI=["yes", "1", "true", "No", "no", "maybe", None, "TRUE"],
        BEGIN=pd.to_datetime(["2027-01-15"] * 7 + [None]),
        OWNER=["A", None, "\N{SNOWMAN}", "D", "E", "F", "G", "H"],
        VALUE=[1.5, np.nan, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0],
    )
    said = '\n[facts]\ncontrols_land = true\n\n[[lot_facts]]\nlot = "P4"\nis_multifamily = true\n'
    reading, store = read(put(tmp_path, lots, in_lots=FACTS, said=said))
    got = lots_of(store)
    answers = [json.loads(text) for text in got["facts"]]
    day = {"start_date": "2027-01-15"}
    assert answers[0] == answers[1] == {"n_units": 4, "is_multifamily": True, **day}
    assert answers[2] == {"is_multifamily": True, **day}
    assert answers[3] == {"is_multifamily": False, **day}
    # the block of P4 goes before its field, which says no
    assert answers[4] == {"n_units": 2, "is_multifamily": True, **day}
    assert answers[5] == {"n_units": 1, **day}
    assert answers[7] == {"n_units": 3, "is_multifamily": True}
    assert "UNITS 'many' is no answer to n_units" in got["note"][2]
    assert "MULTI 'maybe'" in got["note"][5] and not isinstance(got["note"][0], str)
    assert answers[6] == day and "UNITS '0' is no answer to n_units" in got["note"][6]
    fields = [json.loads(text) for text in got["fields"]]
    assert fields[1] == {"OWNER": None, "VALUE": None}
    assert fields[2] == {"OWNER": "\N{SNOWMAN}", "VALUE": 3.0}
    assert store.read_common().facts == {"controls_land": True}
    assert reading.n_unfit == 0


def test_answers_that_contradict_each_other_are_not_used(tmp_path):
    """Three units in a house that is not for several families."""
    lots = row_of_lots(UNITS=[3] * 8, MULTI=["no"] * 8, BEGIN=[None] * 8)
    in_lots = 'facts = { n_units = "UNITS", is_multifamily = "MULTI" }'
    said = '\n[[lot_facts]]\nlot = "P3"\nis_multifamily = true\n'
    _, store = read(put(tmp_path, lots, in_lots=in_lots, said=said))
    got = lots_of(store)
    assert json.loads(got["facts"][0]) == json.loads(got["facts"][4]) == {}
    assert json.loads(got["facts"][3]) == {"n_units": 3, "is_multifamily": True}
    assert "contradict each other" in got["note"][0] and "UNITS (n_units)" in got["note"][0]


@pytest.mark.parametrize(
    ("fact", "value", "want"),
    [
        ("controls_land", "YES", True),
        ("controls_land", 0, False),
        ("controls_land", 1.0, True),
        ("n_units", "7", 7),
        ("n_units", 7.0, 7),
        ("n_units", float("nan"), None),
        ("start_date", datetime.datetime(2027, 1, 15, 0, 0), datetime.date(2027, 1, 15)),
        ("start_date", "2027-01-15", datetime.date(2027, 1, 15)),
        ("supervisor", "Professional", "professional"),
        ("local_government", 12, "12"),
        ("earlier_height_ft", "4.5", 4.5),
    ],
)
def test_an_answer_from_a_field(fact, value, want):
    got = answer_of(facts()[fact], value)
    assert got == want and type(got) is type(want)


@pytest.mark.parametrize(
    ("fact", "value"),
    [
        ("controls_land", 2),
        ("n_units", 2.5),
        ("n_units", "2.5"),
        ("n_units", True),
        ("start_date", "soon"),
        ("supervisor", "a friend"),
        ("earlier_height_ft", "inf"),
    ],
)
def test_what_is_no_answer(fact, value):
    with pytest.raises(RangeError):
        answer_of(facts()[fact], value)


def test_lots_are_chosen_and_the_others_are_neighbours(tmp_path, small_batches):
    """P2 and P5 are reported; a lot 2,100 ft from both is left out (2,000 ft are the reach)."""
    lots = row_of_lots(30, USE=[2 if k in (2, 5) else 1 for k in range(30)])
    reading, store = read(put(tmp_path, lots, in_lots='where = { USE = "2" }'))
    got = lots_of(store)
    assert list(got["lot_id"][got["is_reported"]]) == ["P2", "P5"]
    # P5 ends at 600 US survey feet; 2,000 ft on are 2,599.996 of these, short of where P26 begins
    assert list(got["lot_id"]) == [f"P{k}" for k in range(26)]
    assert (reading.n_lots, reading.n_fit) == (2, 2)
    assert told(reading, "2 of 30 lots are reported")
    path = put(tmp_path, lots, in_lots='where = { USE = "3" }')
    with pytest.raises(LayerError, match=r"\[lots\] where.*no lot where USE is 3"):
        read(path)
    path = put(tmp_path, lots, in_lots='measure = ["P1", "P99"]')
    with pytest.raises(LayerError, match=r"\[lots\] measure.*no lot 'P99'"):
        read(path)
    reading, store = read(put(tmp_path, lots, in_lots='measure = ["P1"]'))
    assert reading.n_lots == 1


def test_facts_of_a_lot_that_is_not_there_are_an_error(tmp_path):
    path = put(tmp_path, said='\n[[lot_facts]]\nlot = "P9"\nn_units = 2\n')
    with pytest.raises(LayerError, match=r"\[\[lot_facts\]\] number 1 lot.*no lot 'P9'"):
        read(path)


PLACES = """
[rules]
overlays = ["all.toml"]

[jurisdictions]
file = "towns.parquet"
name_field = "town"

[jurisdictions.overlays]
"Cay Town" = ["cay.toml"]
"""


def towns():
    """Cay Town over 3.97 lots from the west inside Wide County, which ends with the seventh lot."""
    shapes = [
        shapely.box(X0 - 50, Y0 - 50, X0 + 700, Y0 + 150),
        shapely.box(X0 - 50, Y0, X0 + 397, Y0 + 100),
    ]
    return gpd.GeoDataFrame({"town": ["Wide County", "Cay Town"]}, geometry=shapes, crs=CRS)


def with_rules(tmp_path, said=PLACES, cay="cay"):
    for name, overlay in (("all", "all"), ("cay", cay)):
        text = text_of(rules={f"{name}-top": RULE}, head={"id": overlay})
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
    return put(tmp_path, said=said, towns=towns())


def test_the_jurisdiction_of_a_lot(tmp_path):
    """The smallest polygon that holds a point of its inside; what lies elsewhere by 1 % is told."""
    said = '\n[jurisdictions]\nfile = "towns.parquet"\nname_field = "town"\n'
    reading, store = read(put(tmp_path, said=said, towns=towns()))
    got = lots_of(store)
    want = ["Cay Town"] * 4 + ["Wide County"] * 3 + [None]
    assert [name if isinstance(name, str) else None for name in got["jurisdiction"]] == want
    assert got["note"][0] == "100 % of it lies in Wide County"
    assert got["note"][3] == "100 % of it lies in Wide County"
    assert not isinstance(got["note"][7], str)
    assert reading.jurisdictions == ("Cay Town", "Wide County")
    assert told(reading, "1 lot in no jurisdiction")
    table = read_table(store.jurisdictions)
    assert table["name"].to_pylist() == ["Wide County", "Cay Town"]
    assert shapely.from_wkb(table["wkb"][1].as_py()).equals(towns().geometry[1])


def test_one_per_cent_of_a_lot_in_another_place(tmp_path):
    """A town that ends 3 ft short of P3's east side, and one that begins 0.9 ft before P5's."""
    shapes = [
        shapely.box(X0, Y0, X0 + 397, Y0 + 100),
        shapely.box(X0 + 397, Y0, X0 + 599.1, Y0 + 100),
        shapely.box(X0 + 599.1, Y0, X0 + 800, Y0 + 100),
    ]
    table = gpd.GeoDataFrame({"name": ["a", "b", "c"]}, geometry=shapes, crs=CRS)
    _, store = read(put(tmp_path, said='\n[jurisdictions]\nfile = "t.parquet"\n', t=table))
    got = lots_of(store)
    assert got["note"].dropna().to_dict() == {3: "3 % of it lies in b"}
    assert list(got["jurisdiction"]) == list("aaaabbcc")


def test_local_rules_go_by_jurisdiction(tmp_path):
    reading, store = read(with_rules(tmp_path))
    overlays = store.read_common().overlays
    assert {name: [one.id for one in files] for name, files in overlays.items()} == {
        "": ["all"],
        "Cay Town": ["cay"],
    }
    assert [item.path for item in reading.inputs if item.role == "rules"] == [
        "all.toml",
        "cay.toml",
    ]
    assert told(reading, "no local rule file for Wide County")


def test_rules_of_a_town_that_is_not_there(tmp_path):
    path = with_rules(tmp_path, PLACES.replace('"Cay Town"', '"Cay Twon"'))
    with pytest.raises(LayerError, match=r"overlays.Cay Twon \(line.*no jurisdiction.*'Cay Town'"):
        read(path)


def test_two_rule_files_of_one_id_in_one_place(tmp_path):
    path = with_rules(tmp_path, cay="all")
    with pytest.raises(SiteFileError, match="id 'all', which one that holds everywhere has too"):
        read(path)


@pytest.mark.parametrize(
    ("in_lots", "said", "words"),
    [
        ('facts = { n_unit = "U" }', "", r"facts.n_unit \(line 7 of screen.toml\).*'n_units'"),
        ("facts = { n_units = 4 }", "", r"facts.n_units .*found 4; needed text"),
        ('facts = "UNITS"', "", r"found 'UNITS'; needed a table such as \{ n_units"),
        ('facts = { n_units = "PINS" }', "", r"facts.n_units .*no field 'PINS'.*'PIN'"),
        ("keep_fields = []", "", "needed a list of fields"),
        ('keep_fields = ["OWNR"]', "", r"keep_fields, number 1 \(line 7.*no field 'OWNR'"),
        ("", '\n[jurisdictions]\nname_field = "x"\n', r"\[jurisdictions\] .*no file"),
        ("", '\n[jurisdiction]\nfile = "x"\n', "unknown table 'jurisdiction'"),
        (
            "",
            '\n[jurisdictions]\nfile = "x"\noverlays = { "Cay" = "cay.toml" }\n',
            r"overlays.Cay .*needed a list such as",
        ),
        ("", '\n[readings]\nfile = "x.csv"\nheight_field = "h"\n', r"\[readings\].*geotrim run"),
        ("", '\n[profiles]\nfile = "x.csv"\n', r"\[profiles\].*geotrim run"),
        ("", "\n[options]\nreach = 5\n", "unknown option 'reach'"),
    ],
)
def test_a_screen_file_that_cannot_be_used(tmp_path, in_lots, said, words):
    with pytest.raises(GeotrimError, match=words):
        read(put(tmp_path, in_lots=in_lots, said=said))


def test_tables_that_only_add_are_left_aside_and_told(tmp_path):
    said = "\n[[eyes]]\nx = 1\ny = 2\nheight_ft = 5\n"
    said += '\n[ground]\nfile = "not-there.tif"\n'
    reading, _ = read(put(tmp_path, said=said))
    assert told(reading, "[eyes] left aside") and told(reading, "[ground] left aside")
    assert "ground" not in reading.key["said"]


def test_a_slip_in_a_site_file_is_not_taken_for_a_screening(tmp_path):
    path = put(tmp_path, in_lots='keep_field = ["PIN"]')
    with pytest.raises(SiteFileError, match="unknown key 'keep_field'"):
        check_spec(read_spec(path))


def tile(path, value=7.0):
    profile = {"driver": "GTiff", "width": 50, "height": 20, "count": 1, "dtype": "float32"}
    transform = rasterio.Affine(20, 0, X0 - 100, 0, -20, Y0 + 250)
    with rasterio.open(path, "w", crs=CRS, transform=transform, **profile) as out:
        out.write(np.full((1, 20, 50), value, np.float32))


HEIGHTS = '\n[heights]\nfile = "tiles"\nunit = "ft"\n'


def test_heights_in_a_folder_of_tiles(tmp_path):
    (tmp_path / "tiles").mkdir()
    tile(tmp_path / "tiles" / "a.tif")
    reading, store = read(put(tmp_path, said=HEIGHTS))
    common = store.read_common()
    assert float(common.heights.read(0, 1, 0, 1)[0, 0]) == 7.0
    common.heights.close()
    told_file = next(item for item in reading.inputs if item.role == "heights")
    assert told_file.path == "tiles" and told_file.detail["n_tiles"] == 1
    assert told(reading, "heights: no standard error stated")
    assert not common.has_crowns and common.crown_columns[0] == "crown_id"


def test_what_a_run_depends_on(tmp_path):
    """Each change is told by what it is; nothing else is."""
    (tmp_path / "tiles").mkdir()
    tile(tmp_path / "tiles" / "a.tif")
    said = PLACES + HEIGHTS + "\n[options]\ntarget_height_ft = 6.0\n"
    path = with_rules(tmp_path, said)
    before = input_key(read_screen_file(path))
    assert before == json.loads(json.dumps(before))
    assert changed_words(before, input_key(read_screen_file(path))) == []
    digest = hashlib.sha256((tmp_path / "lots.parquet").read_bytes()).hexdigest()
    assert before["files"]["lots"]["sha256"] == digest

    tile(tmp_path / "tiles" / "a.tif", 8.0)
    assert changed_words(before, input_key(read_screen_file(path))) == [
        "heights: in tiles, a.tif has another content"
    ]
    before = input_key(read_screen_file(path))
    times = (tmp_path / "tiles" / "a.tif").stat()
    tile(tmp_path / "tiles" / "a.tif", 9.0)  # of the same size, and the same time
    os.utime(tmp_path / "tiles" / "a.tif", ns=(times.st_atime_ns, times.st_mtime_ns))
    assert len(changed_words(before, input_key(read_screen_file(path)))) == 1
    before = input_key(read_screen_file(path))
    (tmp_path / "cay.toml").write_text(text_of(rules={"cay-top": RULE}) + "\n", encoding="utf-8")
    row_of_lots(7).to_parquet(tmp_path / "lots.parquet")
    text = path.read_text(encoding="utf-8").replace("target_height_ft = 6.0", "reach_ft = 40")
    path.write_text(text.replace('"PIN"', '"PINS"'), encoding="utf-8")
    assert sorted(changed_words(before, input_key(read_screen_file(path)))) == [
        "[lots] id_field is 'PINS', was 'PIN'",
        "[options] reach_ft is 40, was not said",
        "[options] target_height_ft is not said, was 6.0",
        "lots: lots.parquet has another content",
        "rules: cay.toml has another content",
    ]
    assert changed_words(before, {**before, "geotrim": "9"}) == [
        f"geotrim is version 9, was {before['geotrim']}"
    ]


@pytest.mark.parametrize(
    "values", [[" A-12 ", "", None, "NaT"], [12, None], [12.0, 2.5, None], [True, None]]
)
def test_text_of_a_column_is_that_of_its_values(values):
    """Oracle: the text of one id at a time."""
    array = pa.array(values)
    assert texts_of(array).to_pylist() == [text_id(value) for value in array.to_pandas()]


def test_numbers_of_a_column():
    numbers, is_odd = numbers_of(pa.array(["4.5", " ", None, "tall", "inf"]))
    assert np.isnan(numbers).tolist() == [False, True, True, True, False]
    assert is_odd.tolist() == [False, False, False, True, True]


def test_codes_of_shapes_in_either_byte_order_and_with_heights():
    """Codes as in OGC 06-103r4: 1 point, 2 line, 3 polygon, 6 several; 1000 more with Z."""
    shapes = [Point(1, 2), LineString([(0, 0), (1, 1)]), square(0), Point(1, 2, 3)]
    blobs = [
        shapely.to_wkb(shape, byte_order=k % 2, flavor="iso") for k, shape in enumerate(shapes)
    ]
    array = pa.array([b"x", *blobs, None], pa.binary())
    assert wkb_codes(array).tolist() == [-1, 1, 2, 3, 1, -1]
    assert wkb_codes(array.slice(2, 2)).tolist() == [2, 3]


def test_heights_in_shapes_and_empty_holes_are_dropped():
    solid = shapely.force_3d(square(0), 5.0)
    holed = shapely.Polygon(square(1).exterior, [square(1).centroid.buffer(9.0).exterior])
    mended = mended_shapes(pa.array([solid.wkb, holed.wkb, square(2).wkb]), "polygon")
    assert not shapely.has_z(mended.shapes).any()
    assert mended.is_as_read.tolist() == [False, True, True]
    assert mended.shapes[1].equals(holed)


def test_rows_set_down_are_taken_in_any_order(tmp_path):
    schema = pa.schema([("n", pa.int64())])
    spill = Spill(tmp_path / "s" / "rows.arrow", schema)
    with spill.filling():
        for first in (0, 5, 7):
            spill.add(pa.record_batch([pa.array(range(first, first + 5 if first else 5))], schema))
    rows = np.array([11, 0, 4, 5, 9, 0])
    every = [n for batch in spill.batches() for n in batch.column("n").to_pylist()]
    assert spill.take(rows)["n"].to_pylist() == [every[row] for row in rows]


def test_a_table_written_in_pieces_is_read_by_rows(tmp_path):
    """Batches are all of one size but the last, as reading some rows of it asks for."""
    schema = pa.schema([("n", pa.int64())])
    with table_writer(tmp_path / "t.arrow", schema) as out:
        for piece in np.array_split(np.arange(3 * BATCH_ROWS + 5), 7):
            out.add(pa.table({"n": piece}))
    rows = [0, 3 * BATCH_ROWS + 4, BATCH_ROWS, 17]
    assert read_rows(tmp_path / "t.arrow", rows)["n"].to_pylist() == rows
    with pa.OSFile(str(tmp_path / "t.arrow"), "rb") as source:
        opened = pa.ipc.open_file(source)
        sizes = [opened.get_batch(k).num_rows for k in range(opened.num_record_batches)]
    assert sizes == [BATCH_ROWS] * 3 + [5]


# --- A close look at a lot of a screen file ---


def test_a_run_takes_one_lot_of_a_screen_file(tmp_path):
    """Rules of its own place and of all, its own field's answer, and no fault of other lots.

    Lots that a screening tells as unfit, and a second P7, do not stand in the way.
    """
    with_rules(tmp_path)
    lots = row_of_lots(units=[2.0, 3.0, None, 900.5, 5.0, 6.0, 7.0, 8.0])
    bad = shapely.Polygon([(X0, Y0), (X0 + 9, Y0), (np.inf, Y0 + 9)])
    more = gpd.GeoDataFrame(
        {"PIN": [None, "P7", "bad"], "units": 1.0}, geometry=[square(8), square(9), bad], crs=CRS
    )
    in_lots = 'facts = { n_units = "units" }\nkeep_fields = ["units"]'
    said = PLACES + '\n[[lot_facts]]\nlot = "P1"\nsupervisor = "owner"\n'
    path = put(tmp_path, pd.concat([lots, more]), in_lots=in_lots, said=said, towns=towns())
    one = read_site(path, lots=["P1"])
    assert list(one.measured_lot_ids()) == ["P1"]
    assert one.facts.of("P1") == {"n_units": 3, "supervisor": "owner"}
    assert [rule.id for rule in one.overlays] == ["all", "cay"]
    assert sorted(one.lots["lot_id"]) == [*(f"P{k}" for k in range(8)), "P7 (2)"]
    odd = read_site(path, lots=["P3"])
    words = "; ".join(note.text for note in odd.notes if note.about == "lot P3")
    assert "it lies in Cay Town" in words and "units 900.5 is no answer to n_units" in words
    assert odd.facts.of("P3") == {}
    other = read_site(path, lots=["P4", "P6"])
    assert [rule.id for rule in other.overlays] == ["all"]
    assert [item.path for item in other.inputs if item.role == "rules"] == ["all.toml"]
    assert other.facts.of("P6") == {"n_units": 7}
    with pytest.raises(LayerError, match="P7"):  # which of the two is meant cannot be told
        read_site(path, lots=["P7"])
    with pytest.raises(SiteFileError, match=r"jurisdictions.*P0 in Cay Town, P5 in .*one by one"):
        read_site(path, lots=["P0", "P5"])


def test_heights_of_a_run_may_be_a_folder_of_tiles(tmp_path):
    """One tile in a folder is the raster itself; its hash is of the tiles and their names."""
    (tmp_path / "tiles").mkdir()
    tile(tmp_path / "tiles" / "a.tif")
    site = read_site(put(tmp_path, said=HEIGHTS + TREES, trees_of_row=row_of_crowns()))
    assert float(site.heights.read(0, 1, 0, 1)[0, 0]) == 7.0
    site.heights.close()
    (told_file,) = [item for item in site.inputs if item.role == "heights"]
    assert told_file.path == "tiles" and len(told_file.sha256) == 64
    assert told_file.detail["n_tiles"] == 1 and "folder" not in told_file.detail
