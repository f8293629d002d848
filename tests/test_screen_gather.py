"""Gathering a screening: what comes out is what the partitions and reading left, row by row."""

from __future__ import annotations

import base64
import csv
import json
import math
import re
import sqlite3

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shapely
from pyproj import CRS
from screens_made import (
    ODD_IDS,
    gathered_screening,
    make_screening,
    table_of,
    view_of_made,
)
from test_styles import fault

from geotrim.errors import FileError
from geotrim.io.text_table import guarded, read_text_table
from geotrim.model import Note
from geotrim.report.layer_styles import SCREEN_STYLES
from geotrim.report.palette import lightness
from geotrim.report.screen_map import paths_of, screen_map
from geotrim.report.screen_outlines import OutlinesSeen
from geotrim.report.screen_pack import packed, text_column
from geotrim.report.screen_save import save_screen_map
from geotrim.report.screen_stands import COUNTED, KEYS, STANDS, stand_codes
from geotrim.screen.gather import gather
from geotrim.screen.gather_crowns import check_crowns, crown_tables
from geotrim.screen.gather_fields import FieldsSeen, unpacked
from geotrim.screen.gather_notes import NoteCounts
from geotrim.screen.gather_rows import FEWEST, lot_order, lot_schema, lot_tables
from geotrim.screen.gather_shapes import as_polygons
from geotrim.screen.gather_sums import _trees_of
from geotrim.screen.lot_stands import mangroves_by_standing, stand_of, stand_words
from geotrim.screen.store import CROWN_ROWS, CROWNS, lot_rows_schema, read_table, write_table

FLORIDA = CRS.from_epsg(6438).to_wkt()


@pytest.fixture(scope="module")
def gathered():
    return gathered_screening()


@pytest.fixture(scope="module")
def made(gathered):
    return gathered.made


@pytest.fixture(scope="module")
def lots(gathered):
    return gpd.read_parquet(gathered.folder / "lots.parquet")


def same(found, given, name):
    """Whether two columns hold the same, gaps being equal to gaps."""
    gaps = [value is None or value != value for value in given]
    assert [value is None or value != value for value in found] == gaps, name
    for one, other, is_gap in zip(found, given, gaps, strict=True):
        assert is_gap or one == other, (name, one, other)


def test_every_lot_once_in_the_order_of_the_input(made, lots):
    assert lots["lot_number"].tolist() == list(range(300))
    for name in [*lot_rows_schema().names, "fault"]:
        if name not in ("fields", "wkb"):
            same(lots[name].tolist(), made.lots[name].tolist(), name)


def test_shapes_are_those_that_were_given(made, lots):
    given = [None if wkb is None else shapely.from_wkb(wkb) for wkb in made.lots["wkb"]]
    for found, shape in zip(lots.geometry, given, strict=True):
        if shape is None:
            assert found is None
            continue
        assert found.geom_type == "MultiPolygon"
        parts = list(getattr(shape, "geoms", [shape]))
        assert all(a.equals_exact(b, 0.0) for a, b in zip(found.geoms, parts, strict=True))


def test_own_fields_become_columns_with_their_names_and_types(made, lots):
    """STATUS and fid are names of ours; in a GeoPackage upper and lower case are one."""
    names = {"OWNER": "OWNER", "STATUS": "STATUS_field", "fid": "fid_field", "acres": "acres"}
    for key, name in names.items():
        same(lots[name].tolist(), [one.get(key) for one in made.fields], name)
    assert lots["STATUS_field"].dtype == np.int64 and lots["acres"].dtype == np.float64
    assert lots["is rented"].dropna().map(type).eq(bool).all()
    # whole numbers and words in one field: all of it is text
    assert [v for v in lots["mixed"].tolist() if isinstance(v, str)][:3] == ["none", "5", "none"]
    assert "fields" not in lots.columns


def test_field_names_that_clash_with_each_other():
    seen = FieldsSeen()
    seen.add(['{"Zone": 1, "zone": 2.5, "LOT_ID": null, "\\u0000": true, "geom": [1]}', None, ""])
    columns = seen.columns(["lot_id"])
    names = [one.name for one in columns]
    assert names == ["Zone", "zone_field", "LOT_ID_field", "field", "geom_field"]
    types = [str(one.type) for one in columns]
    assert types == ["int64", "double", "string", "bool", "string"]
    arrays = unpacked(['{"geom": [1], "Zone": 3}'], columns)
    assert [one.to_pylist() for one in arrays] == [[3], [None], [None], [None], ["[1]"]]


def test_whole_numbers_too_long_for_a_column_are_text():
    seen = FieldsSeen()
    seen.add([json.dumps({"a": 2**63, "b": -(2**63)})])
    big, least = seen.columns([])
    assert (str(big.type), str(least.type)) == ("string", "int64")


def test_geoparquet_says_what_the_standard_asks_for(gathered, lots):
    """GeoParquet 1.1.0, "File metadata" and "Column metadata"."""
    for name in ("lots", "crowns"):
        path = gathered.folder / f"{name}.parquet"
        geo = json.loads(pq.read_metadata(path).metadata[b"geo"])
        assert geo["version"] == "1.1.0" and geo["primary_column"] == "geometry"
        column = geo["columns"]["geometry"]
        assert column["encoding"] == "WKB" and column["geometry_types"] == ["MultiPolygon"]
        assert CRS.from_json_dict(column["crs"]) == CRS.from_epsg(6438)
        table = gpd.read_parquet(path)
        np.testing.assert_allclose(column["bbox"], table.total_bounds, rtol=0, atol=0)
        box = pq.read_table(path, columns=["bbox"])["bbox"].combine_chunks()
        bounds = np.column_stack([box.field(k).to_numpy(zero_copy_only=False) for k in range(4)])
        has = ~table.geometry.isna()
        np.testing.assert_array_equal(bounds[has], table.bounds[has].to_numpy())
        assert box.is_null().to_pylist() == (~has).tolist()
    west = lots.total_bounds[0]
    part = gpd.read_parquet(gathered.folder / "lots.parquet", bbox=(west, 0, west + 10, 9e9))
    assert 0 < len(part) < len(lots)


def test_geopackage_holds_the_same_rows_and_an_index(gathered, lots):
    path = gathered.folder / "screening.gpkg"
    layer = gpd.read_file(path, layer="lots")
    assert layer.crs == CRS.from_epsg(6438) and len(layer) == 300
    for name in lots.columns:
        if name not in ("geometry", "is rented"):
            same(layer[name].tolist(), lots[name].tolist(), name)
    same(layer["is rented"].tolist(), lots["is rented"].tolist(), "is rented")
    has = ~lots.geometry.isna()
    assert layer.geometry[has].geom_equals_exact(lots.geometry[has], 0.0).all()
    with sqlite3.connect(path) as base:
        kinds = dict(base.execute("SELECT table_name, data_type FROM gpkg_contents"))
        index = {row[0] for row in base.execute("SELECT table_name FROM gpkg_extensions WHERE "
                                                "extension_name = 'gpkg_rtree_index'")}  # fmt: skip
        n_indexed = base.execute("SELECT count(*) FROM rtree_crowns_geom").fetchone()[0]
    base.close()
    assert kinds == {
        "lots": "features", "crowns": "features",
        "summary_by_route": "attributes", "summary_by_jurisdiction": "attributes",
    }  # fmt: skip
    assert index == {"lots", "crowns"} and n_indexed == gathered.done.n_crowns
    assert gathered.done.layers == {
        "lots": 300, "crowns": gathered.done.n_crowns,
        "summary_by_route": 54, "summary_by_jurisdiction": 6,
    }  # fmt: skip


def test_csv_holds_the_same_rows_and_no_formula(gathered, lots):
    with (gathered.folder / "lots.csv").open(encoding="utf-8-sig", newline="") as stream:
        head, *rows = list(csv.reader(stream))
    assert head == [name for name in lots.columns if name != "geometry"]
    assert len(rows) == 300
    at = {name: k for k, name in enumerate(head)}
    assert [row[at["lot_id"]] for row in rows[:7]] == [guarded(name) for name in ODD_IDS]
    assert rows[3][at["lot_id"]] == "'=1+1"
    for name in ("frontage_length_ft", "share_band_frac", "acres"):
        for row, value in zip(rows, lots[name].tolist(), strict=True):
            text = row[at[name]]
            assert text == "" if math.isnan(value) else abs(float(text) - value) <= 0.5001e-4
    table, _ = read_text_table(gathered.folder / "lots.csv", subject="lots")
    assert table["lot_id"].tolist()[3] == "=1+1"


def test_crowns_come_once_with_all_they_had(made, gathered):
    crowns = gpd.read_parquet(gathered.folder / "crowns.parquet")
    assert gathered.done.n_crowns == len(crowns) == len(made.crowns)
    for name in CROWN_ROWS.names:
        if name != "wkb":
            same(crowns[name].astype(object).tolist(), made.crowns[name].tolist(), name)
    given = shapely.from_wkb(made.crowns["wkb"].to_numpy())
    assert all(a.geoms[0].equals_exact(b, 0.0) for a, b in zip(crowns.geometry, given, strict=True))


def groups(made):
    """Jurisdiction -> its lots, as pandas sees them."""
    lots = made.lots.copy()
    place = lots["jurisdiction"].replace("", None).fillna("(in none)").to_numpy(dtype=object)
    place[(lots["status"] == "unfit").to_numpy() & (place == "(in none)")] = "(not told)"
    return {"(all)": lots, **dict(tuple(lots.groupby(place)))}


def test_sums_by_jurisdiction(made, gathered):
    table = pd.read_csv(gathered.folder / "summary_by_jurisdiction.csv").set_index("jurisdiction")
    places = groups(made)
    assert set(table.index) == set(places) and table.index[0] == "(all)"
    for name, rows in places.items():
        row = table.loc[name]
        assert row["n_lots"] == len(rows)
        assert row["frontage_length_ft"] == pytest.approx(rows["frontage_length_ft"].sum())
        assert row["n_on_shore"] == (rows["frontage_length_ft"] > 0).sum()
        assert row["n_trees"] == rows["n_crowns"].fillna(0).sum()
        assert row["n_mangroves"] == rows["n_mangroves"].fillna(0).sum()
        for status in ("measured", "no shore", "failed", "unfit"):
            assert row[f"n_{status.replace(' ', '_')}"] == (rows["status"] == status).sum()
        for how in STANDS_ON_SHORE:
            assert row[f"n_{how.replace(' ', '_')}"] == (rows["stand"] == how).sum()
        assert row["n_to_check"] == rows["to_check"].notna().sum()
        for column in ("n_mangroves_open", "n_mangroves_depend", "n_open_in_exclusion"):
            assert row[column] == rows[column].fillna(0).sum()


STANDS_ON_SHORE = ("open", "open in part", "depends", "other plan", "closed", "nothing to judge")


def test_sums_by_route(made, gathered):
    table = pd.read_csv(gathered.folder / "summary_by_route.csv")
    table = table.set_index(["jurisdiction", "route"])
    for (place, route), row in table.iterrows():
        rows = groups(made)[place]
        trees = made.crowns[made.crowns["lot_number"].isin(rows["lot_number"])]
        trees = trees.loc[trees["outcome_route"] == route, "outcome_standing"]
        assert row["n_trees"] == len(trees)
        for how in ("open", "depends", "other plan"):
            # Plants outside the act are told by no way: none of them is open.
            n = 0 if route == "no-mangrove" else (trees == how).sum()
            assert row[f"n_trees_{how.replace(' ', '_')}"] == n
        rows = rows[rows["stand"].isin(STANDS_ON_SHORE[:-1])]
        mine = rows[rows["outcome_route"] == route]
        assert row["n_told"] == len(mine)
        assert row["told_frontage_length_ft"] == pytest.approx(mine["frontage_length_ft"].sum())
        for how in STANDS_ON_SHORE[:-1]:
            assert row[f"n_told_{how.replace(' ', '_')}"] == (mine["stand"] == how).sum()
        column = f"route_{route.replace('-', '_')}"
        for how in ("open", "depends", "closed"):
            is_way = column in rows and route != "no-mangrove"
            n = (rows[column] == how).sum() if is_way else 0
            assert row[f"n_lots_{how}"] == n
    judged = made.lots["stand"].isin(STANDS_ON_SHORE[:-1]).sum()
    assert table.loc["(all)", "n_told"].sum() == judged
    assert table.loc["(all)", "n_trees"].sum() == made.crowns["lot_number"].notna().sum()
    assert table.loc[("(all)", "no-mangrove"), "n_trees"] > 0


def test_notes_are_counted_and_name_a_few(made, gathered):
    notes = pd.read_csv(gathered.folder / "notes.csv", encoding="utf-8-sig")
    told = {(row.about, row.text): row for row in notes.itertuples()}
    trunk = told["lots", "no trunk is known"]
    assert trunk.n == made.reading.n_fit and trunk.level == "assumed"
    first = made.lots.loc[made.lots["status"] != "unfit", "lot_id"].tolist()
    assert trunk.named.split("; ")[0] in first
    assert told["heights", "a cell in ten has no data"].n == made.reading.n_partitions
    assert told["lots", "3 rings were turned"].level == "repaired"
    assert notes["level"].tolist() == ["missing", "assumed", "repaired"]


def test_notes_of_lots_are_one_whatever_their_lot():
    counts = NoteCounts()
    for k in range(9):
        counts.add(f"lot {k}", "narrow", "info")
    counts.add("lots", "narrow", "info")
    counts.add("lot 3", "narrow", "missing")
    rows = list(counts.table().itertuples(index=False, name=None))
    assert rows == [
        ("missing", "lots", "narrow", 1, "3"),
        ("info", "lots", "narrow", 10, "0; 1; 2; 3; 4"),
    ]


def test_figures_of_partitions_become_a_range():
    counts = NoteCounts()
    for told in ("1,452 of 3010 (0.5 ft)", "98 of 3010 (2.25 ft)", "700 of 3010 (0.5 ft)"):
        counts.add("crowns", f"{told} by s. 403.9326(1)(a) F.S., 10-16 ft, in TC-0017", "info")
    (row,) = counts.table().itertuples(index=False, name=None)
    words = "98 to 1,452 of 3010 (0.5 to 2.25 ft) by s. 403.9326(1)(a) F.S., 10-16 ft, in TC-0017"
    assert row == ("info", "crowns", words, 3, "")
    counts.add(
        "crowns", "98 of 3010 (2.25 ft) by s. 403.9326(1)(a) F.S., 6-10 ft, in TC-0017", "info"
    )
    assert len(counts.table()) == 2


def test_summary_tells_reasons_kinds_and_cautions(made, gathered):
    text = (gathered.folder / "summary.txt").read_text(encoding="utf-8")
    assert max(map(len, text.splitlines())) <= 80
    flat = " ".join(text.split())
    n_unfit = (made.lots["status"] == "unfit").sum()
    assert f"{n_unfit} lots: its edges cross <here>" in flat
    length = made.lots["frontage_length_ft"].sum()
    n_shore = (made.lots["frontage_length_ft"] > 0).sum()
    assert f"300 lots, {n_shore} of them on the shore with {length:,.1f} ft of frontage" in flat
    assert "It is no permission" in flat and "Screening, not a survey" in flat
    n_check = made.lots["to_check"].notna().sum()
    assert f"Worth a visit: {n_check} of {n_shore} lots on the shore" in flat
    looked = made.lots[made.lots["to_check"].notna()]
    for column, words in (("n_unseen", "heights missing"), ("n_too_close", "heights too close")):
        n, trees = (looked[column] > 0).sum(), looked[column].sum()
        assert re.search(rf"- {words}[a-z ]*: {int(trees):,} trees on {n} lots", flat)
    n, trees = (made.lots["n_open_in_exclusion"] > 0).sum(), made.lots["n_open_in_exclusion"].sum()
    assert f"{int(trees):,} trees on {n} lots stand in an exclusion" in flat
    trees = made.lots["n_open_past_setback"].sum()
    assert f"{int(trees):,} trees" in flat and "reach into a setback" in flat
    assert "heights: none given" in flat
    outside = (made.crowns["outcome_route"] == "no-mangrove").sum()
    assert f"to cut, outside the act: {outside} trees" in flat
    opened = made.lots["n_mangroves_open"].sum()
    assert f"to cut, mangroves or trees that may be: {int(opened):,} open, " in flat
    assert "Keep clear of electric conductors" in flat and "Port <b>Ibis</b>" in flat


def test_what_is_told_of_the_whole(made, gathered):
    assert gathered.done.by_status == made.lots["status"].value_counts().to_dict()
    assert sum(gathered.done.by_stand.values()) == gathered.done.n_lots == 300
    assert set(gathered.done.files) == {path.name for path in gathered.folder.iterdir()}
    assert [text.partition(" ")[0] for text in gathered.said] == ["writing"] * 4


def test_pieces_do_not_matter(made):
    order = lot_order(made.store, made.reading.n_partitions)
    whole = pa.concat_tables(lot_tables(made.store, order, most_bytes=10**9))
    pieces = list(lot_tables(made.store, order, most_bytes=1))
    assert [len(piece) for piece in pieces] == [300]  # no piece is smaller than so many rows
    assert FEWEST >= 300 and pa.concat_tables(pieces).equals(whole)
    assert whole.schema == lot_schema(order)


def test_a_partition_that_is_not_measured_is_refused(tmp_path):
    made = make_screening(tmp_path / "work", 80, 1)
    made.store.done(1).unlink()
    with pytest.raises(FileError, match="partition 1 is not measured"):
        lot_order(made.store, made.reading.n_partitions)


def test_rows_that_come_twice_or_never_are_mended_and_told(tmp_path, monkeypatch):
    """A fault of the program: it cannot be provoked but by hand. Files are in several batches."""
    monkeypatch.setattr("geotrim.screen.store.BATCH_ROWS", 16)
    made = make_screening(tmp_path / "work", 150, 2, per_partition=40)
    store, n = made.store, made.reading.n_partitions
    first, second = read_table(store.done(0)), read_table(store.done(1))
    lost = first["lot_number"][0].as_py()
    again = second["lot_number"][0].as_py()
    changed = first.slice(1).to_pylist()
    twin = second.slice(0, 1).to_pylist()[0] | {"reason": "the first partition's"}
    write_table(store.done(0), pa.Table.from_pylist([*changed, twin], schema=first.schema))
    crowns, others = (read_table(store.done(k, "crowns")) for k in (0, 1))
    gone = crowns["crown_number"][0].as_py()
    on_lot = others.filter(others["lot_number"].is_valid()).slice(0, 1)
    bare = on_lot.to_pylist()[0] | {"lot_number": None, "lot_id": None, "species": "wrong"}
    rows = [*crowns.slice(1).to_pylist(), bare]
    write_table(store.done(0, "crowns"), pa.Table.from_pylist(rows, schema=CROWN_ROWS))
    order = lot_order(store, n)
    table = pa.concat_tables(lot_tables(store, order, most_bytes=10**9)).to_pandas()
    assert table["lot_number"].tolist() == list(range(150))
    assert table.loc[lost, "status"] == "failed" and "no partition" in table.loc[lost, "reason"]
    assert table.loc[lost, "lot_id"] == made.lots["lot_id"][lost]
    assert table.loc[again, "reason"] == "the first partition's"
    assert [note.level for note in order.notes] == ["missing", "missing"]
    assert f"number {lost} was reported by no" in order.notes[0].text
    assert f"number {again} was reported twice" in order.notes[1].text
    check = check_crowns(store, n, has_input=True)
    found = pa.concat_tables(crown_tables(store, n, check)).to_pandas().set_index("crown_number")
    assert sorted(found.index) == sorted(made.crowns["crown_number"])
    assert check.n_rows == len(found)
    assert found.loc[gone, "crown_id"] == f"C{gone}" and found.loc[gone, "geometry"] is not None
    assert math.isnan(found.loc[gone, "top_height_ft"])
    kept = on_lot["crown_number"][0].as_py()
    assert found.loc[kept, "species"] != "wrong" and found.loc[kept, "lot_id"] is not None
    assert {note.text.split(" ")[1] for note in check.notes} == {str(gone), str(kept)}
    # Crowns that the partitions drafted themselves need be in no input.
    assert len(check_crowns(store, n, has_input=False).notes) == 1


def test_lots_that_are_not_to_be_reported_are_not_missed(tmp_path):
    made = make_screening(tmp_path / "work", 60, 1, per_partition=40)
    table = read_table(made.store.lots)
    neighbour = table.slice(0, 1).to_pylist()[0] | {"lot_number": 999, "is_reported": False}
    rows = pa.Table.from_pylist([*table.to_pylist(), neighbour], schema=table.schema)
    write_table(made.store.lots, rows)
    order = lot_order(made.store, made.reading.n_partitions)
    assert order.numbers.tolist() == list(range(60)) and order.notes == ()


def test_other_shapes_become_polygons_or_nothing():
    square = shapely.box(0, 0, 1, 1)
    line = shapely.LineString([(0, 0), (1, 1)])
    mixed = shapely.GeometryCollection([line, shapely.MultiPolygon([square])])
    deep = shapely.from_wkt("POLYGON Z ((0 0 5, 1 0 5, 1 1 5, 0 0 5))")
    given = [
        square,
        None,
        line,
        mixed,
        deep,
        shapely.MultiPolygon([square, shapely.box(2, 2, 3, 3)]),
    ]
    wkb = [None if one is None else shapely.to_wkb(one, byte_order=0 if one is square else 1)
           for one in given]  # fmt: skip
    found = shapely.from_wkb(as_polygons(pa.array(wkb, pa.binary())).to_pylist())
    assert [one is None for one in found] == [False, True, True, False, False, False]
    assert found[0].equals(square) and found[3].equals(square) and not found[4].has_z
    assert len(found[5].geoms) == 2
    assert {one.geom_type for one in found if one is not None} == {"MultiPolygon"}


# --- Packing -----------------------------------------------------------------------------------


def read_back(text, decimals=0):
    """Numbers out of packed text, byte by byte as the standard DWARF 7.6 reads LEB128."""
    out, value, shift = [], 0, 0
    for byte in base64.b64decode(text):
        value |= (byte & 0x7F) << shift
        shift += 7
        if byte < 128:
            code = value - 1
            out.append(None if value == 0 else (-(code + 1) // 2 if code % 2 else code // 2))
            value = shift = 0
    return [None if one is None else one / 10**decimals for one in out]


def test_packed_numbers_read_back():
    values = [0, 1, -1, 63, -64, 64, 127, 128, 1e6, -1e6, 2.0**45, math.nan]
    assert read_back(packed(values)) == [*values[:-1], None]
    assert read_back(packed([1.25, -0.04, 99.96], 1), 1) == [1.2, 0.0, 100.0]
    assert packed([]) == "" and read_back(packed([math.nan])) == [None]


def test_text_is_coded_where_words_come_again():
    few = text_column(["a", None, "b", "a", "a", ""])
    assert (few["kind"], few["words"]) == ("choice", ["a", "b", ""])
    assert read_back(few["data"]) == [0, None, 1, 0, 0, 2]
    assert text_column(["a", "b", "c"]) == {"kind": "text", "data": ["a", "b", "c"]}


# --- Outlines and the map -----------------------------------------------------------------------


def test_outlines_stay_within_their_step(made):
    shapes = [None if wkb is None else shapely.from_wkb(wkb) for wkb in made.lots["wkb"]]
    seen = OutlinesSeen(FLORIDA, 100_000)
    for at in range(0, 300, 70):  # piece by piece
        seen.add(shapes[at : at + 70])
    found = seen.outlines()
    assert found.n_shapes == 300 and found.step == pytest.approx(1.0 * 0.3048 * 3937 / 1200)
    places = found.places()
    for k, shape in enumerate(shapes):
        rings = range(found.shapes[k], found.shapes[k + 1])
        if shape is None:
            assert len(rings) == 0
            continue
        parts = [shapely.LinearRing(places[found.rings[r] : found.rings[r + 1]]) for r in rings]
        whole = shapely.boundary(shape)
        assert len(parts) == len(getattr(whole, "geoms", [whole]))
        # thinned by a step, and rounded by half a step each way
        away = shapely.hausdorff_distance(shapely.MultiLineString(parts), whole)
        assert away <= found.step * (1.0 + math.sqrt(0.5)) * 1.0001


def test_outlines_of_lines_stay_open_and_tiny_lots_stay():
    seen = OutlinesSeen(FLORIDA, 10)
    seen.add([shapely.LineString([(0, 0), (50, 0), (50, 50)]), shapely.box(9, 9, 9.05, 9.05)])
    found = seen.outlines()
    assert np.diff(found.rings)[0] == 3 and found.n_shapes == 2
    assert np.diff(found.shapes).tolist() == [1, 1]
    (line,) = paths_of(found, np.array([0]), is_area=False)
    assert line.codes.tolist() == [1, 2, 2]  # matplotlib.path: MOVETO 1, LINETO 2, CLOSEPOLY 79
    (area,) = paths_of(found, np.array([1]))
    assert area.codes[0] == 1 and area.codes[-1] == 79


def test_kinds_differ_on_grey_paper_and_for_the_colour_blind():
    """Two kinds differ by hatch, or by 10 steps of CIE lightness: it is the same for all eyes."""

    def light(kind):
        return lightness([int(kind.colour[k : k + 2], 16) / 255 for k in (1, 3, 5)])

    kinds = list(STANDS.values())
    for k, one in enumerate(kinds):
        for other in kinds[:k]:
            assert one.hatch != other.hatch or abs(light(one) - light(other)) >= 10
    assert len({kind.words for kind in kinds}) == len({kind.short for kind in kinds}) == len(kinds)


@pytest.mark.parametrize(
    ("trees", "unmet", "stand", "words"),
    [
        ("open open", "", "open", "2 mangroves to cut: 2 open"),
        ("open depends", "", "open in part", "2 mangroves to cut: 1 open, 1 depends"),
        ("open closed closed", "", "open in part", "3 mangroves to cut: 1 open, 2 closed"),
        (
            "open",
            "cap of the general permit",
            "open in part",
            "1 mangrove to cut: 1 open; not met as planned: cap of the general permit",
        ),
        ("depends closed", "notice", "depends", "2 mangroves to cut: 1 depends, 1 closed; not met "
         "as planned: notice"),
        ("other_plan closed", "", "other plan",
         "2 mangroves to cut: 1 with another plan, 1 closed"),
        ("closed", "", "closed", "1 mangrove to cut: 1 closed"),
        ("outside uncut", "", "nothing to judge", "no mangrove is cut as planned"),
        ("outside", "", "nothing to judge", "only plants outside the act are recorded"),
        ("", "", "nothing to judge", "no tree is recorded"),
        ("unknown", "", "depends", "1 mangrove or tree of unknown species to cut: 1 depends"),
        ("unknown outside", "", "depends",
         "1 mangrove or tree of unknown species to cut: 1 depends"),
    ],
)  # fmt: skip
def test_how_a_lot_stands(trees, unmet, stand, words):
    """Open only where every mangrove to cut is; plants outside the act open nothing."""
    told = {"outside": ("no-mangrove", "open"), "uncut": ("left-alone", "not cut"),
            "unknown": ("owner-exemption", "depends"), "closed": ("none", "closed")}  # fmt: skip
    names = trees.split()
    rows = [told.get(one, ("owner-exemption", one.replace("_", " "))) for one in names]
    table = pd.DataFrame(rows, columns=["outcome_route", "outcome_standing"]).assign(lot_id="A")
    found = mangroves_by_standing(table, ["other", "A"])
    assert all(values[0] == 0 for values in found.values())
    counts = {COUNTED[name]: int(values[1]) for name, values in found.items()}
    assert stand_of(counts, unmet) == stand
    n_unknown = names.count("unknown")
    n_sure = len(names) - n_unknown - names.count("outside")
    assert stand_words(counts, unmet, len(names), n_sure, n_unknown) == words
    assert KEYS[stand_codes([stand])[0]] == stand


def test_trees_count_where_their_lot_is_measured():
    """Without a shore nothing is judged, and a tree may stand on no lot that is told."""
    columns = {"lot_number": [5, 2, 9], "status": ["measured", "no shore", "measured"]}
    trees = {"lot_number": [9, 2, 5, 7], "outcome_route": ["none"] * 4,
             "outcome_standing": ["closed"] * 4, "n": [1, 10, 100, 1000]}  # fmt: skip
    found = _trees_of(pa.table(columns), pa.table(trees))
    assert {key: n.tolist() for key, n in found.items()} == {("none", "closed"): [100, 0, 1]}


@pytest.fixture(scope="module")
def view(made):
    return view_of_made(made)


def test_map_has_every_lot_legend_scale_and_cautions(made, view):
    figure = screen_map(view)
    ax = figure.axes[0]
    drawn = {}
    for artist in ax.patches:
        if (artist.get_gid() or "").startswith("lots-"):
            gid = artist.get_gid()
            n = int((artist.get_path().codes == 1).sum())
            drawn[gid] = drawn.get(gid, 0) + n
    # one ring a lot, one more for the hole and one for the second part; lots without shape none
    n_shapes = made.lots["wkb"].notna().sum()
    assert sum(drawn.values()) == n_shapes + 2
    assert drawn["lots-closed"] == (made.lots["stand"] == "closed").sum()
    words = " ".join(text.get_text() for text in figure.legends[0].get_texts())
    flat = " ".join(words.split())
    for key, n in view.by_stand().items():
        assert f"{STANDS[key].words}: {n} lots" in flat
    opened = made.lots[made.lots["stand"] == "open"]
    names = ("open", "depend", "other_plan", "closed")
    n_cut = int(opened[[f"n_mangroves_{name}" for name in names]].sum().sum())
    assert f"{len(opened)} lots with {n_cut:,} mangroves to cut" in flat
    assert "3 lots without a shape" in flat and "MHW line, from a survey" in flat
    told = " ".join(" ".join(text.get_text().split()) for text in figure.findobj(match=_is_text))
    assert "not a survey" in told and "It is no permission" in told and "grid N" in told
    assert "NAD83(2011) / Florida East (ftUS)" in told and "US survey feet" in told
    assert {"Port <b>Ibis</b>", "Heron Bay"} <= {t.get_text() for t in ax.texts}
    (x0, x1), (y0, y1) = ax.get_xlim(), ax.get_ylim()
    west, south, east, north = view.outlines.bounds()
    assert x0 < west and y0 < south and x1 > east and y1 > north


def _is_text(artist):
    return hasattr(artist, "get_text")


def test_an_svg_only_while_it_opens(view, tmp_path):
    from geotrim.report.furniture import new_figure

    figure = new_figure(1.0, 1.0)
    assert save_screen_map(figure, tmp_path / "few", 4000) == ()
    (note,) = save_screen_map(figure, tmp_path / "many", 4001)
    assert isinstance(note, Note) and "4,001" in note.text
    assert {path.name for path in tmp_path.iterdir()} == {"few.png", "few.svg", "many.png"}


@pytest.mark.parametrize("layer", SCREEN_STYLES)
def test_styles_follow_the_standard_and_name_columns_there_are(gathered, layer):
    from xml.etree import ElementTree

    from geotrim.io.styles import columns_of

    root = ElementTree.parse(gathered.folder / "styles" / f"{layer}.sld").getroot()
    assert [told for one in root.iter() if (told := fault(one))] == []
    columns = set(gpd.read_parquet(gathered.folder / f"{layer}.parquet").columns)
    for rules in SCREEN_STYLES[layer][1]:
        for rule in rules:
            assert columns_of(rule) <= columns


def test_nothing_to_gather_is_gathered(tmp_path):
    """No crown, no shore, no jurisdiction, and every lot unfit but one without a shore."""
    made = make_screening(tmp_path / "work", 40, 1)
    store = made.store
    for k in range(made.reading.n_partitions):
        write_table(store.done(k, "crowns"), CROWN_ROWS.empty_table())
        write_table(store.crowns(k), CROWNS.empty_table())
        store.done(k, "notes").unlink()
        bare = made.lots.iloc[[39]].assign(status="no shore", lot_number=39)
        rows = table_of(bare, lot_rows_schema())
        write_table(store.done(k), rows if k == 0 else rows.slice(0, 0))
    write_table(store.lots, read_table(store.lots).slice(0, 0))
    store.jurisdictions.unlink()
    store.lines.unlink()
    (tmp_path / "out").mkdir()
    done = gather(store, tmp_path / "out", made.reading)
    assert done.n_crowns == 0 and done.by_status == {"no shore": 1, "unfit": 1}
    assert len(gpd.read_parquet(tmp_path / "out" / "crowns.parquet")) == 0
    assert len(gpd.read_file(tmp_path / "out" / "screening.gpkg", layer="crowns")) == 0
