"""Waypoints out and in: the order of GPX 1.1's schema, another reader, positions kept."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import numpy as np
import pyogrio
import pytest

from geotrim.errors import FileError, LayerError
from geotrim.io.gpx import NAMESPACE, Waypoint, description_of, read_gpx, told_by, write_gpx

#: Order of the elements of a waypoint in the schema of GPX 1.1 (wptType). From memory.
WPT_ORDER = (
    "ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link", "sym", "type",
    "fix", "sat", "hdop", "vdop", "pdop", "ageofdgpsdata", "dgpsid", "extensions",
)  # fmt: skip
POINTS = [
    Waypoint(-82.7012345678, 27.1987654321, "T1", "caf\u00e9", "red"),
    Waypoint(-80.1, 25.0, "=T<2>&\"x\"", "", "line\nbreak"),
    Waypoint(-81.5, 24.55, "\N{CJK UNIFIED IDEOGRAPH-6A39} 3"),
]  # fmt: skip


@pytest.fixture
def written(tmp_path):
    path = tmp_path / "trees.gpx"
    write_gpx(path, POINTS, title="Trees")
    return path


def local(tag):
    return tag.removeprefix(f"{{{NAMESPACE}}}")


def test_elements_stand_in_the_order_of_the_schema(written):
    """gpxType: metadata, wpt, rte, trk, extensions; version 1.1 and a creator (from memory)."""
    root = ET.parse(written).getroot()
    assert root.tag == "{http://www.topografix.com/GPX/1/1}gpx"
    assert root.get("version") == "1.1" and root.get("creator")
    names = [local(child.tag) for child in root]
    assert names == ["metadata", "wpt", "wpt", "wpt"]
    for point in root[1:]:
        order = [WPT_ORDER.index(local(child.tag)) for child in point]
        assert order == sorted(set(order))
        assert -90 <= float(point.get("lat")) <= 90 and -180 <= float(point.get("lon")) < 180
    assert [local(child.tag) for child in root[1]] == ["name", "cmt", "desc"]
    assert [local(child.tag) for child in root[3]] == ["name"]  # nothing empty


def test_another_reader_finds_the_same_points(written):
    """GDAL's own GPX driver: general-purpose, not ours."""
    rows = pyogrio.read_dataframe(written, layer="waypoints")
    assert list(rows["name"]) == [point.name for point in POINTS]
    np.testing.assert_allclose(rows.geometry.x, [point.lon for point in POINTS], rtol=0, atol=1e-9)
    np.testing.assert_allclose(rows.geometry.y, [point.lat for point in POINTS], rtol=0, atol=1e-9)
    assert rows["cmt"].iloc[0] == POINTS[0].comment
    assert rows.crs.to_epsg() == 4326


def test_what_is_written_is_read_back(written):
    table, notes = read_gpx(written)
    assert list(table["name"]) == [point.name for point in POINTS]
    assert list(table["desc"])[:2] == ["red", "line\nbreak"]
    np.testing.assert_allclose(table.geometry.x, [point.lon for point in POINTS], rtol=0, atol=1e-9)
    assert not any("elevation" in note.text for note in notes)


def test_a_description_is_ours_as_a_whole_or_not_at_all():
    assert told_by("species: red; species: black") is None
    assert told_by("species: red; girth: 3") is None and told_by("species:") is None
    assert told_by("height_ft: 9") == {"height_ft": "9"}
    odd = {"species": "a; b\\", "stem": "x: y", "height_ft": 0.1 + 0.2}
    assert told_by(description_of(odd)) == {"species": "a; b\\", "stem": "x: y", "height_ft": "0.3"}


def test_elevations_are_dropped_and_told(tmp_path):
    """As a receiver writes them, by hand after the schema."""
    path = tmp_path / "walk.gpx"
    path.write_text(
        f'<?xml version="1.0"?><gpx version="1.1" creator="hand" xmlns="{NAMESPACE}">'
        '<wpt lat="27.1" lon="-82.5"><ele>3.4</ele><time>2026-03-05T10:00:00Z</time>'
        "<name>7</name></wpt>"
        '<wpt lat="27.2" lon="-82.5"><name>8</name></wpt></gpx>',
        encoding="utf-8",
    )
    table, notes = read_gpx(path)
    assert "ele" not in table.columns
    assert [n.text for n in notes if "elevation" in n.text] == [
        "1 elevation left out; they are no heights of trees"
    ]


def test_signs_that_xml_cannot_hold_are_left_out(tmp_path):
    path = tmp_path / "odd.gpx"
    write_gpx(path, [Waypoint(-82.0, 27.0, "T\x001\x0b", "\ud800tab\there")])
    table, _ = read_gpx(path)
    assert table["name"].iloc[0] == "T1"
    assert table["cmt"].iloc[0].split() == ["tab", "here"]


def test_a_very_long_remark_survives(tmp_path):
    path = tmp_path / "long.gpx"
    write_gpx(path, [Waypoint(-82.0, 27.0, "T1", "leaf " * 20_000)])
    table, _ = read_gpx(path)
    assert table["cmt"].iloc[0].strip() == ("leaf " * 20_000).strip()


@pytest.mark.parametrize(
    ("text", "error"),
    [
        ("", FileError),
        ("<gpx", (FileError, LayerError)),
        ("tag,lon,lat\n1,2,3\n", (FileError, LayerError)),
        (f'<gpx version="1.1" creator="x" xmlns="{NAMESPACE}"></gpx>', LayerError),
        (
            f'<gpx version="1.1" creator="x" xmlns="{NAMESPACE}"><trk><trkseg>'
            '<trkpt lat="1" lon="2"/></trkseg></trk></gpx>',
            LayerError,
        ),
    ],
)
def test_bad_files_are_refused_in_four_parts(tmp_path, text, error):
    path = tmp_path / "bad.gpx"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(error, match=r"found .*; needed .*\. To mend: "):
        read_gpx(path)
