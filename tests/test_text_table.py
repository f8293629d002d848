"""Tables as text: what spreadsheets do to them, numbers either way, positions by their columns."""

from __future__ import annotations

import csv

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geotrim.errors import CRSError, FileError, GeotrimError, LayerError
from geotrim.io.table_points import points_of
from geotrim.io.text_numbers import decimal_mark, numbers_of, value_of
from geotrim.io.text_table import guarded, read_text_table, write_text_table


def read(tmp_path, data, name="trees.csv"):
    path = tmp_path / name
    path.write_bytes(data if isinstance(data, bytes) else data.encode("utf-8"))
    return read_text_table(path, subject="trees")


# --- reading ---------------------------------------------------------------------------------

PLAIN = [["T1", "12.5", "low, wet"], ["T2", None, None]]


@pytest.mark.parametrize(
    ("what", "data"),
    [
        ("commas", 'tag,height,note\nT1,12.5,"low, wet"\nT2,,\n'),
        ("semicolons", "tag;height;note\nT1;12.5;low, wet\nT2;;\n"),
        ("tabs", "tag\theight\tnote\r\nT1\t12.5\tlow, wet\r\nT2\t\t\r\n"),
        ("a byte order mark", b'\xef\xbb\xbftag,height,note\nT1,12.5,"low, wet"\nT2\n'),
        ("UTF-16", "tag\theight\tnote\nT1\t12.5\tlow, wet\nT2\t\t\n".encode("utf-16")),
        ("a sep line", "sep=;\r\ntag;height;note\r\nT1;12.5;low, wet\r\nT2;;\r\n"),
        ("empty columns and rows", 'tag,height,note,,\nT1,12.5,"low, wet",,\n,,,,\nT2,,,,\n,,,,\n'),
        ("spaces", 'tag , height,note\n T1 ,12.5 ,"low, wet"\nT2,\u00a0,\n'),
        ("text marks", 'tag,height,note\n"=""T1""",12.5,"low, wet"\nT2,,\n'),
        ("an old Mac's line ends", 'tag,height,note\rT1,12.5,"low, wet"\rT2,,\r'),
    ],
    ids=lambda value: value if isinstance(value, str) and len(value) < 30 else "",
)
def test_one_table_however_it_is_written(tmp_path, what, data):
    table, _ = read(tmp_path, data)
    assert list(table.columns) == ["tag", "height", "note"]
    assert table.to_numpy().tolist() == PLAIN


def test_rows_are_known_by_their_line(tmp_path):
    table, _ = read(tmp_path, 'tag,note\n\nT1,"two\nlines"\nT2,\n\nT3,\n')
    assert table.index.tolist() == [3, 5, 7]
    assert table["note"].iloc[0] == "two\nlines"
    with_sep, _ = read(tmp_path, "sep=,\ntag,note\nT1,x\n")
    assert with_sep.index.tolist() == [3]


def test_windows_text_is_told(tmp_path):
    table, notes = read(tmp_path, "tag,who\nT1,Jos\xe9\n".encode("cp1252"))
    assert table["who"].iloc[0] == "José"
    assert [note.level for note in notes if "Windows-1252" in note.text] == ["assumed"]


@pytest.mark.parametrize(
    ("data", "error", "words"),
    [
        (b"", FileError, "empty"),
        ("\n\n  \n", LayerError, "without a row"),
        ("tag,height\n", LayerError, "a header and no rows"),
        ("T1,12.5,red\nT2,13.0,black\n", LayerError, "should name its columns"),
        ("T1;12,5;red\nT2;13,0;black\n", LayerError, "should name its columns"),
        ("tag,,note\nT1,12.5,x\n", LayerError, "column 2 of trees.csv without a name"),
        ("tag,Tag\nT1,T2\n", LayerError, "columns of one name"),
        ("tag,height\nT1,12,5\n", LayerError, "3 cells in line 2"),
        ('tag,note\nT1,"open\nT2,x\n', FileError, "cannot be parted"),
        (b"PK\x03\x04rest of a workbook", FileError, "workbook"),
        (b"\xd0\xcf\x11\xe0old workbook", FileError, "workbook"),
        (b"tag,height\nT1\0,12\n", FileError, "no text"),
    ],
)
def test_bad_text_is_refused_in_four_parts(tmp_path, data, error, words):
    with pytest.raises(error, match=r"found .*; needed .*\. To mend: ") as caught:
        read(tmp_path, data)
    assert words in str(caught.value)


# --- writing ---------------------------------------------------------------------------------


@pytest.mark.parametrize("first", ["=", "+", "-", "@"])
def test_text_that_a_spreadsheet_would_run_is_written_so_that_it_does_not(tmp_path, first):
    """A cell is a formula by its first letter: common practice, no source."""
    evil = f'{first}cmd|" /C calc"!A0'
    path = tmp_path / "out.csv"
    write_text_table(path, pd.DataFrame({"tag": [evil], "lon": [-81.5]}))
    with path.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.reader(stream))
    assert rows == [["tag", "lon"], [f"'{evil}", "-81.5"]]  # numbers stay numbers
    back, _ = read_text_table(path)
    assert back["tag"].iloc[0] == evil


@given(
    texts=st.lists(
        st.text(st.characters(exclude_categories=("Cs", "Cc", "Zs", "Zl", "Zp")), min_size=1),
        min_size=1,
        max_size=5,
    ).filter(lambda texts: not any(t.startswith('="') for t in texts))
)
def test_any_text_comes_back_as_it_was(tmp_path_factory, texts):
    path = tmp_path_factory.mktemp("text") / "out.csv"
    rows = pd.DataFrame({"tag": [f"T{k}" for k in range(len(texts))], "note": texts})
    write_text_table(path, rows)
    back, _ = read_text_table(path)
    assert back["note"].tolist() == texts


def test_nothing_is_guarded_that_need_not_be():
    assert [guarded(v) for v in ("O'Hara", "'tis", "T-1", "", None, float("nan"), 2)] == [
        "O'Hara", "'tis", "T-1", "", "", "", 2,
    ]  # fmt: skip
    assert guarded("''=x") == "'''=x"
    assert guarded("\tx") == "'\tx"


# --- numbers ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "point", "comma"),
    [
        ("12.5", 12.5, None),
        ("12,5", None, 12.5),
        ("1,234", 1234.0, 1.234),
        ("1.234", 1.234, 1234.0),
        ("1,234,567.8", 1234567.8, None),
        ("1.234.567,8", None, 1234567.8),
        ("656166.667", 656166.667, None),
        ("0.123", 0.123, None),
        ("0,123", None, 0.123),
        ("-7", -7.0, -7.0),
        ("\N{MINUS SIGN}81.5", -81.5, None),
        (".5", 0.5, None),
        ("5.", 5.0, None),
        ("1e3", 1000.0, 1000.0),
        ("1e999", None, None),
        ("12 ft", None, None),
        ("12'", None, None),
        ("-", None, None),
        (".", None, None),
        ("", None, None),
        ("nan", None, None),
        ("1,23,456", None, None),
        ("#N/A", None, None),
    ],
)
def test_numbers_either_way(text, point, comma):
    assert value_of(text, "point") == point
    assert value_of(text, "comma") == comma


@pytest.mark.parametrize(
    ("texts", "mark"),
    [
        (["12.5", "1,234"], "point"),
        (["12,5", "1,234"], "comma"),
        (["1.234"], "point"),
        (["12,5", "1.234"], "comma"),
        (["7", None, 3.5, "red"], "point"),
        ([], "point"),
    ],
)
def test_the_decimal_mark_is_found(texts, mark):
    assert decimal_mark(texts, "trees") == mark


def test_the_decimal_mark_is_asked_for_where_it_could_be_either():
    with pytest.raises(LayerError, match="decimal comma or mean thousands"):
        decimal_mark(["1,234", "7"], "trees")
    with pytest.raises(LayerError, match=r"decimal point \(12.5\) and with a decimal comma \(9,5"):
        decimal_mark(["12.5", "9,5"], "trees")
    assert decimal_mark(["1,234"], "trees", "comma") == "comma"


def test_cells_become_numbers_or_are_named():
    got = numbers_of(["12.5", None, " ", 3, np.float64(4.5), np.nan], "point", "height", ["r"] * 6)
    np.testing.assert_array_equal(got, [12.5, np.nan, np.nan, 3, 4.5, np.nan])
    for bad in ("12 ft", "abc", True, [1], float("inf")):
        with pytest.raises(LayerError, match="in line 7"):
            numbers_of([bad], "point", "height", ["line 7"])


# --- positions -------------------------------------------------------------------------------


def points(columns, **how):
    return points_of(pd.DataFrame(columns, dtype=object), subject="trees", **how)


@pytest.mark.parametrize(
    "names",
    [("lon", "lat"), ("Longitude", "Latitude"), ("LNG", "LAT"), ("lon_deg", "lat_deg"),
     ("Long (WGS84)", "Lat (WGS84)")],
)  # fmt: skip
def test_degrees_by_name_are_wgs_84(names):
    table, notes = points({names[0]: ["-82.5", None], names[1]: ["27.2", None], "tag": ["a", "b"]})
    assert table.crs.to_epsg() == 4326
    assert (table.geometry.iloc[0].x, table.geometry.iloc[0].y) == (-82.5, 27.2)
    assert table.geometry.iloc[1] is None
    assert list(table.columns) == ["tag", "geometry"]
    assert any(note.level == "assumed" and "WGS 84 by their names" in note.text for note in notes)


def test_easting_and_northing_need_a_crs():
    columns = {"Easting (ft)": ["420,000.5"], "Northing (ft)": ["970,000.25"]}
    with pytest.raises(CRSError, match="in no reference system that is told"):
        points(columns)
    table, _ = points(columns, crs="EPSG:6443")
    assert (table.geometry.x[0], table.geometry.y[0]) == (420000.5, 970000.25)
    two = {"x": ["420000"] * 2, "y": ["970000"] * 2, "crs": ["EPSG:6443", "EPSG:6441"]}
    with pytest.raises(CRSError, match="is told"):
        points(two)
    told, notes = points({**columns, "crs": ["EPSG:6443"]})
    assert told.crs.to_epsg() == 6443
    assert any("column crs says" in note.text for note in notes)


def test_easting_goes_before_degrees_only_where_its_crs_is_known():
    columns = {"x": ["420000"], "y": ["970000"], "lon": ["-82.7"], "lat": ["27.0"]}
    assert points(columns)[0].crs.to_epsg() == 4326
    assert points(columns, crs="EPSG:6443")[0].crs.to_epsg() == 6443


@pytest.mark.parametrize(
    ("columns", "how", "error", "words"),
    [
        ({"lon": ["27.2"], "lat": ["-82.5"]}, {}, CRSError, "swap the columns 'lon' and 'lat'"),
        ({"lon": ["82.5"], "lat": ["27.2"]}, {}, CRSError, "west is negative"),
        ({"lon": ["27.2"], "lat": ["82.5"]}, {}, CRSError, "swap the columns, and give west"),
        ({"lon": ["-82.5", "27.2"], "lat": ["27.2", "-82.5"]}, {}, CRSError, "in row 2"),
        ({"lon": ["-200"], "lat": ["27"]}, {}, CRSError, "longitudes up to 180"),
        ({"lon": ["10"], "lat": ["95"]}, {}, CRSError, "latitudes up to 90"),
        ({"lon": ["-82.5"], "lat": [None]}, {}, LayerError, "'lat' is empty"),
        ({"lon": [None], "lat": ["27"]}, {}, LayerError, "'lon' is empty"),
        ({"lon": [None], "lat": [None]}, {}, LayerError, "no position in any of 1 row"),
        ({"lon": ["-82 30"], "lat": ["27"]}, {}, LayerError, "'-82 30' in row 1"),
        ({"tag": ["a"]}, {}, LayerError, "no columns of positions among tag"),
        ({"a": ["1"], "b": ["2"]}, {"x_field": "a"}, LayerError, "x_field alone"),
        ({"a": ["1"], "b": ["2"]}, {"x_field": "a", "y_field": "c"}, LayerError, "no column 'c'"),
        ({"x": ["-82.5"], "y": ["27"]}, {"crs": "EPSG:6443"}, CRSError, "look like degrees"),
        ({"x": ["42e7"], "y": ["97"]}, {"crs": "EPSG:6443"}, CRSError, "far outside"),
        ({"x": ["1"], "y": ["2"]}, {"crs": "nonsense"}, CRSError, "no known reference system"),
    ],
)
def test_bad_positions_are_refused_in_four_parts(columns, how, error, words):
    with pytest.raises(error, match=r"found .*; needed .*\. To mend: ") as caught:
        points(columns, **how)
    assert words in str(caught.value)


def test_degrees_elsewhere_on_the_earth_are_let_be():
    """Cairns, where swapping or a sign would not lead to Florida."""
    table, _ = points({"lon": ["145.77"], "lat": ["-16.92"]})
    assert table.geometry.x[0] == 145.77


def test_named_columns_with_a_stated_crs():
    table, _ = points({"E1": ["420000"], "N1": ["970000"]}, x_field="e1", y_field="n1", crs=6443)
    assert table.crs.to_epsg() == 6443
    with pytest.raises(GeotrimError):
        points({"E1": ["420000"], "N1": ["970000"]}, x_field="e1", y_field="n1")
