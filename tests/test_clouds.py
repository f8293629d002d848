"""Clouds in: the CRS record, units, flags and classes; damaged files; tiles."""

from __future__ import annotations

import struct

import laspy
import numpy as np
import pytest
from cloud_files import WEST_FTUS, WEST_M, geo_keys, wkt, write_cloud
from opendata import open_data
from pyproj import CRS, Transformer

from geotrim.errors import CRSError, FileError, LayerError, UnitError
from geotrim.io import cloud_crs, clouds
from geotrim.io.cloud_tiles import TiledCloud, tile_clouds
from geotrim.io.clouds import Points, check_same, open_cloud, vertical_name

# One foot is 0.3048 m exactly; one US survey foot 1200/3937 m (85 FR 62698; EPSG unit 9003).
FOOT_M, US_FOOT_M = 0.3048, 1200 / 3937
#: A place on the coast of Pinellas, in each plane. [US survey feet, metres]
X_FT, Y_FT = 430_000.0, 1_260_000.0
#: Florida West and NAVD88 height, both in US survey feet.
WEST_NAVD88 = "EPSG:2237+6360"
X_M, Y_M = X_FT * US_FOOT_M, Y_FT * US_FOOT_M


def points_of(cloud, n=1000):
    return Points.join(list(cloud.chunks(n)))


def one(tmp_path, records=(), *, x=X_FT, y=Y_FT, z=5.0, name="one.las", **how):
    return write_cloud(tmp_path / name, [x, x + 9], [y, y + 9], [z, z], records=records, **how)


# ---------------------------------------------------------------------------- units and CRS

UNITS = [
    # keys of the record                                       unit of z, international feet in one
    ({"projected": WEST_FTUS, "vertical": 6360}, "us-ft", US_FOOT_M / FOOT_M),  # NAVD88 ftUS
    ({"projected": WEST_FTUS, "vertical": 8228}, "ft", 1.0),  # NAVD88 ft
    ({"projected": WEST_FTUS, "vertical": 5703}, "m", 1 / FOOT_M),  # NAVD88 m, plane in feet
    ({"projected": WEST_M, "vertical_units": 9002}, "ft", 1.0),
    ({"projected": WEST_M, "vertical_units": 9003}, "us-ft", US_FOOT_M / FOOT_M),
    # an older habit: the code of the datum, not of a CRS, beside the unit
    ({"projected": WEST_FTUS, "vertical": 5103, "vertical_units": 9003}, "us-ft", 1.000002),
]


@pytest.mark.parametrize(("keys", "unit", "feet"), UNITS, ids=lambda v: str(v))
def test_geokeys_tell_the_vertical_unit(tmp_path, keys, unit, feet):
    path = one(
        tmp_path,
        [geo_keys(**keys)],
        x=X_FT if keys["projected"] == WEST_FTUS else X_M,
        y=Y_FT if keys["projected"] == WEST_FTUS else Y_M,
        version="1.2",
        point_format=1,
    )
    cloud = open_cloud(path)
    assert cloud.unit == unit
    assert cloud.feet_per_unit == pytest.approx(feet, rel=1e-9)
    assert cloud.crs.to_epsg() == keys["projected"]
    assert not [note for note in cloud.notes if note.level == "assumed"]


def test_the_two_feet_of_the_plane_are_told_apart(tmp_path):
    """2237 is in US survey feet, 2 ppm longer."""
    cloud = open_cloud(
        one(tmp_path, [geo_keys(projected=WEST_FTUS, vertical=6360)], version="1.2", point_format=0)
    )
    assert cloud.feet_per_map_unit == pytest.approx(1.000002, abs=1e-9)


@pytest.mark.parametrize("version", ["WKT1_GDAL", "WKT2_2015", "WKT2_2019"])
def test_compound_wkt_of_las_1_4(tmp_path, version):
    """UTM 17 N and NAVD88 in metres."""
    path = one(tmp_path, [wkt("EPSG:26917+5703", version)], x=404023.5, y=3284941.5)
    cloud = open_cloud(path)
    assert (cloud.unit, cloud.version, cloud.point_format) == ("m", "1.4", 6)
    assert cloud.crs.to_epsg() == 26917
    assert vertical_name(cloud.vertical) == "NAVD88"
    assert "WKT record" in cloud.unit_source


def test_wkt_in_an_extended_record(tmp_path):
    path = one(tmp_path, [])
    with laspy.open(path) as reader:
        las = reader.read()
    las.evlrs = laspy.vlrs.vlrlist.VLRList([wkt("EPSG:2237+6360", "WKT1_GDAL")])
    las.write(path)
    assert open_cloud(path).unit == "us-ft"


@pytest.mark.parametrize("plane", [2236, WEST_FTUS, WEST_M])
def test_the_unit_of_the_plane_is_no_unit_of_height(tmp_path, plane):
    """A 10 m tree would be 10 ft: states map in feet, and many of their clouds are in metres."""
    x, y = (X_M, Y_M) if plane == WEST_M else (X_FT + 400_000 * (plane == 2236), Y_FT)
    with pytest.raises(UnitError, match=r"no unit of height in the CRS record") as caught:
        open_cloud(one(tmp_path, [wkt(plane)], x=x, y=y))
    assert "say --cloud-unit ft (or us-ft, m), as the cloud's maker gives it" in str(caught.value)


def test_a_stated_unit_stands_where_the_record_has_none(tmp_path):
    cloud = open_cloud(one(tmp_path, [wkt(WEST_FTUS)]), unit="m")
    assert cloud.unit == "m" and cloud.unit_source == "stated by the user"
    assert not cloud.notes


def test_a_stated_unit_goes_before_the_record_and_both_are_told(tmp_path):
    path = one(tmp_path, [wkt("EPSG:2237+6360")])
    cloud = open_cloud(path, unit="m")
    assert cloud.unit == "m" and cloud.feet_per_unit == pytest.approx(1 / FOOT_M, rel=1e-12)
    (note,) = cloud.notes
    assert note.level == "assumed"
    assert "m, as stated, against the file: us-ft (the WKT record: NAVD88" in note.text
    assert not open_cloud(path, unit="us-ft").notes


def test_records_that_contradict_each_other_are_settled_by_the_user_only(tmp_path):
    """Code 5703 is in metres, key 4099 says US survey feet: common, and a guess either way."""
    keys = geo_keys(projected=WEST_FTUS, vertical=5703, vertical_units=9003)
    path = one(tmp_path, [keys], version="1.2", point_format=1)
    with pytest.raises(UnitError, match=r"m \(the GeoKeys: NAVD88 height\) and us-ft") as caught:
        open_cloud(path)
    assert "say --cloud-unit" in str(caught.value)
    for unit in ("us-ft", "ft"):
        cloud = open_cloud(path, unit=unit)
        assert cloud.unit == unit
        (note,) = cloud.notes
        assert note.level == "assumed" and f"in {unit}, as stated" in note.text
        assert "m (the GeoKeys" in note.text and "us-ft (the GeoKeys' vertical unit)" in note.text


# EPSG 6357: NAVD88 depth (m), 5336: Black Sea depth (m), whose axes point down (EPSG registry).
DEPTHS = [
    ([wkt("EPSG:26917+6357")], {}),
    ([wkt("EPSG:26917+5336", "WKT1_GDAL")], {}),
    ([geo_keys(projected=26917, vertical=6357)], {"version": "1.2", "point_format": 1}),
    ([wkt(26917), geo_keys(projected=26917, vertical=6357)], {}),
    ([wkt(26917), geo_keys(vertical=6357)], {}),
]


@pytest.mark.parametrize(("records", "how"), DEPTHS)
def test_depths_are_refused(tmp_path, records, how):
    """As they are in rasters: a canopy read downwards has no height at all."""
    path = one(tmp_path, records, x=404023.5, y=3284941.5, **how)
    for unit in (None, "m"):
        with pytest.raises(CRSError, match="depths, which grow downwards"):
            open_cloud(path, unit=unit)


def test_wkt_and_geokeys_must_agree_on_the_plane(tmp_path):
    """2882 is Florida West HARN in US survey feet; 2778 the same in metres."""
    records = [wkt(2882), geo_keys(projected=2778)]
    with pytest.raises(UnitError, match="GeoKeys in metre"):
        open_cloud(one(tmp_path, records, version="1.2", point_format=1))


@pytest.mark.parametrize("unit", ["feet", "", "cm"])
def test_an_unknown_unit_is_refused(tmp_path, unit):
    with pytest.raises(UnitError, match="cloud unit"):
        open_cloud(one(tmp_path, [wkt(WEST_NAVD88)]), unit=unit)


def test_no_crs_is_an_error_until_it_is_stated(tmp_path):
    path = one(tmp_path, [])
    with pytest.raises(CRSError, match="no coordinate reference system"):
        open_cloud(path)
    cloud = open_cloud(path, crs="EPSG:2237", unit="ft")
    assert cloud.crs.to_epsg() == WEST_FTUS
    assert [note.level for note in cloud.notes] == ["assumed"]


def test_a_record_that_names_nothing_is_told_apart_from_none(tmp_path):
    path = one(tmp_path, [wkt("PROJCS[nonsense")])
    with pytest.raises(CRSError, match=r"a CRS record \(WKT\) that names no known"):
        open_cloud(path)
    assert open_cloud(path, crs=WEST_FTUS, unit="ft").crs.to_epsg() == WEST_FTUS


def test_another_crs_than_the_files_is_refused(tmp_path):
    with pytest.raises(CRSError, match="but the file says"):
        open_cloud(one(tmp_path, [wkt(WEST_NAVD88)]), crs="EPSG:2236")


def test_feet_labelled_as_metres_are_far_away(tmp_path):
    """430,000 ft taken for metres lies in the Gulf of no zone's use."""
    with pytest.raises(CRSError, match="far outside the area"):
        open_cloud(one(tmp_path, [wkt(WEST_M)], x=X_FT, y=Y_FT * 2))


def test_degrees_need_a_unit_of_height_and_are_reprojected(tmp_path):
    """The same place through pyproj itself."""
    lon, lat = Transformer.from_crs(6443, 6318, always_xy=True).transform(X_FT, Y_FT)
    path = write_cloud(
        tmp_path / "deg.las", [lon, lon], [lat, lat], [3, 4], records=[wkt(6318)], scale=1e-8
    )
    with pytest.raises(UnitError, match="no unit of height in the CRS record"):
        open_cloud(path)
    cloud = open_cloud(path, unit="m")
    assert cloud.crs.to_epsg() == 6443  # the Florida zone of the place
    points = points_of(cloud)
    np.testing.assert_allclose([points.x, points.y], [[X_FT] * 2, [Y_FT] * 2], atol=0.02)
    np.testing.assert_allclose(points.z, [3, 4])
    assert cloud.bounds[0] <= points.x.min() + 0.02


def test_a_web_map_plane_is_left(tmp_path):
    x, y = Transformer.from_crs(6443, 3857, always_xy=True).transform(X_FT, Y_FT)
    path = write_cloud(tmp_path / "web.las", [x, x + 1], [y, y], [3, 4], records=[wkt(3857)])
    cloud = open_cloud(path, unit="m")
    assert cloud.crs.to_epsg() == 6443 and cloud.unit == "m"
    assert abs(points_of(cloud).x[0] - X_FT) < 5.0  # WGS 84 against NAD83(2011): up to 1.5 m


@pytest.mark.parametrize(
    ("crs", "name"),
    [
        (5703, "NAVD88"),
        (6360, "NAVD88"),
        (5702, "NGVD29"),
        (4979, "ellipsoid of WGS 84"),
        (None, None),
    ],
)
def test_vertical_datums_by_name(crs, name):
    assert vertical_name(None if crs is None else CRS.from_epsg(crs)) == name


# ---------------------------------------------------------------------------- points


@pytest.mark.parametrize(
    ("version", "point_format"),
    [
        ("1.1", 0),
        ("1.2", 1),
        ("1.2", 3),
        ("1.3", 3),
        ("1.4", 2),
        ("1.4", 6),
        ("1.4", 7),
        ("1.4", 8),
    ],
)
@pytest.mark.parametrize("suffix", [".las", ".laz"])
def test_versions_and_formats(tmp_path, version, point_format, suffix):
    """Coordinates, classes, returns and flags come back, in chunks of any size."""
    n = 11
    z, kind = np.arange(n) * 0.5, np.arange(n)
    kind[8] = 2  # class 8 has a meaning of its own before format 6: see below
    flags = {"withheld": z == 1, "synthetic": z == 2, "key_point": z == 3}
    path = write_cloud(
        tmp_path / f"all{suffix}",
        X_FT + np.arange(n),
        np.full(n, Y_FT),
        z,
        version=version,
        point_format=point_format,
        records=[
            geo_keys(projected=WEST_FTUS, vertical=6360) if version < "1.4" else wkt(WEST_NAVD88)
        ],
        kind=kind,
        return_number=np.arange(n) % 4 + 1,
        n_returns=5,
        **flags,
    )
    cloud = open_cloud(path)
    assert (cloud.n_points, cloud.version, cloud.point_format) == (n, version, point_format)
    assert cloud.bounds == (X_FT, Y_FT, X_FT + n - 1, Y_FT)
    assert [len(chunk) for chunk in cloud.chunks(4)] == [4, 4, 3]
    points = points_of(cloud, 4)
    np.testing.assert_allclose(points.x, X_FT + np.arange(n))
    np.testing.assert_allclose(points.z, z)
    assert points.kind.tolist() == kind.tolist()
    assert points.return_number.tolist() == [1, 2, 3, 4] * 2 + [1, 2, 3]
    assert set(points.n_returns.tolist()) == {5}
    assert points.flags[[2, 4, 6]].tolist() == [4, 1, 2]  # bits as in the LAS specification
    assert points.flags.astype(bool).sum() == 3


def test_overlap_is_a_flag_in_either_way_of_saying_it(tmp_path):
    """Class 12 up to format 5, a flag from format 6 on (LAS 1.4-R15, classification tables)."""
    old = one(tmp_path, [wkt(WEST_NAVD88)], point_format=1, kind=[12, 2], name="old.las")
    new = one(tmp_path, [wkt(WEST_NAVD88)], kind=[12, 2], overlap=[0, 1], name="new.las")
    assert points_of(open_cloud(old)).flags.tolist() == [8, 0]
    assert points_of(open_cloud(new)).flags.tolist() == [0, 8]


def test_the_bits_beside_the_flags_are_something_else(tmp_path):
    """Scanner channel and edge of flight line share the byte from format 6 on (same source)."""
    path = one(tmp_path, [wkt(WEST_NAVD88)], scanner_channel=3, edge_of_flight_line=1, withheld=1)
    assert points_of(open_cloud(path)).flags.tolist() == [4, 4]


def test_a_key_point_of_the_ground_model_is_ground(tmp_path):
    """Class 8 up to format 5; reserved after that (same tables)."""
    old = one(tmp_path, [wkt(WEST_NAVD88)], point_format=1, kind=[8, 2], name="old.las")
    new = one(tmp_path, [wkt(WEST_NAVD88)], kind=[8, 2], name="new.las")
    points = points_of(open_cloud(old))
    assert (points.kind.tolist(), points.flags.tolist()) == ([2, 2], [2, 0])
    assert points_of(open_cloud(new)).kind.tolist() == [8, 2]


def test_class_numbers_above_31_in_the_new_formats(tmp_path):
    assert points_of(
        open_cloud(one(tmp_path, [wkt(WEST_NAVD88)], kind=[64, 255]))
    ).kind.tolist() == [
        64,
        255,
    ]


@pytest.mark.data
def test_autzen_is_in_international_feet():
    """PROVENANCE of lidar_feet_autzen; x 636001.76 to 637179.22, 26,107 of 110,000 ground.

    Taken for US survey feet, x would be 1.27 ft off (636001.76 x 2e-6).
    """
    path = open_data("lidar_feet_autzen") / "autzen_trim.laz"
    with pytest.raises(UnitError, match="no unit of height"):  # its records tell the plane's only
        open_cloud(path)
    cloud = open_cloud(path, unit="ft")
    assert (cloud.feet_per_map_unit, cloud.feet_per_unit, cloud.unit) == (1.0, 1.0, "ft")
    points = points_of(cloud, 30_000)
    assert len(points) == 110_000
    assert (points.kind == 2).sum() == 26_107 and (points.kind == 1).sum() == 83_893
    assert points.x.min() == pytest.approx(636001.76, abs=1e-6)
    assert points.x.max() == pytest.approx(637179.22, abs=1e-6)
    assert (points.z.min(), points.z.max()) == pytest.approx((406.26, 520.51), abs=1e-6)


@pytest.mark.data
def test_autzen_by_its_geokeys_alone():
    """Its projection is user-defined: the keys must be read as a whole, feet among them."""
    with laspy.open(open_data("lidar_feet_autzen") / "autzen_trim.laz") as reader:
        header = reader.header
    header.vlrs.extract("WktCoordinateSystemVlr")
    record = cloud_crs.read_record(header, "cloud")
    assert record.found == "GeoKeys"
    assert record.crs.axis_info[0].unit_conversion_factor == pytest.approx(FOOT_M, rel=1e-12)
    here = Transformer.from_crs(record.crs, 4326, always_xy=True).transform(636590.0, 849216.0)
    assert here == pytest.approx((-123.07, 44.06), abs=0.01)  # Eugene, Oregon


# ---------------------------------------------------------------------------- bad files


def damaged(path, **change):
    """The bytes of a file with some changed: place -> bytes."""
    data = bytearray(path.read_bytes())
    for place, value in change.items():
        at = int(place.removeprefix("at_"))
        data[at : at + len(value)] = value
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("suffix", [".las", ".laz"])
@pytest.mark.parametrize("share", [0.0, 0.1, 0.4, 0.7, 0.97])
def test_a_file_cut_short(tmp_path, suffix, share):
    n = 3000
    x = X_FT + np.random.default_rng(1).uniform(0, 90, n)
    path = write_cloud(
        tmp_path / f"cut{suffix}", x, np.full(n, Y_FT), x, records=[wkt(WEST_NAVD88)]
    )
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    with pytest.raises(FileError, match=r"whole|empty|holds [\d,]+ points where its header"):
        points_of(open_cloud(path))


def test_a_laz_file_cut_to_fewer_points_than_told(tmp_path):
    """The decoder gives what is there; the count of the header is held against it."""
    path = one(tmp_path, [wkt(WEST_NAVD88)], name="few.las")
    with laspy.open(path) as reader:
        header = reader.header
    cloud = open_cloud(path)
    object.__setattr__(cloud, "n_points", 3)
    with pytest.raises(FileError, match="holds 2 points where its header tells 3"):
        points_of(cloud)
    assert header.point_count == 2


def test_no_las_file_whatever_its_name(tmp_path):
    text = tmp_path / "notes.las"
    text.write_text("no cloud " * 100)
    with pytest.raises(FileError, match="does not begin with LASF"):
        open_cloud(text)
    other = tmp_path / "notes.txt"
    other.write_text("no cloud " * 100)
    with pytest.raises(FileError, match=r"notes\.txt, a \.txt, which is no LAS file"):
        open_cloud(other)


def test_the_name_does_not_matter_if_it_is_one(tmp_path):
    path = one(tmp_path, [wkt(WEST_NAVD88)])
    assert open_cloud(path.rename(tmp_path / "cloud.bin")).n_points == 2


BAD_HEADS = {
    "records without end": {"at_100": struct.pack("<L", 2**32 - 1)},
    "points beyond the end": {"at_96": struct.pack("<L", 2**31)},
    "points inside the header": {"at_96": struct.pack("<L", 10)},
    "version 2.9": {"at_24": bytes([2, 9])},
    "point format 90": {"at_104": bytes([90])},
    "last records missing": {"at_235": struct.pack("<QL", 10**9, 1)},
    "a scale of 0": {"at_131": struct.pack("<d", 0.0)},
    "an extent of NaN": {"at_179": struct.pack("<d", float("nan"))},
}


@pytest.mark.parametrize("change", BAD_HEADS.values(), ids=BAD_HEADS)
def test_a_header_of_nonsense(tmp_path, change):
    with pytest.raises(FileError, match="whole"):
        open_cloud(damaged(one(tmp_path, [wkt(WEST_NAVD88)]), **change))


def test_a_cloud_without_points(tmp_path):
    path = write_cloud(tmp_path / "none.las", [], [], [], records=[wkt(WEST_NAVD88)])
    with pytest.raises(LayerError, match=r"no points in none\.las"):
        open_cloud(path)


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(FileError, match="no file"):
        open_cloud(tmp_path / "gone.laz")


def test_a_bug_is_not_taken_for_a_bad_file(tmp_path, monkeypatch):
    monkeypatch.setattr(clouds, "_unpack", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        points_of(open_cloud(one(tmp_path, [wkt(WEST_NAVD88)])))


# ---------------------------------------------------------------------------- several files


def test_files_of_one_cloud_must_be_alike(tmp_path):
    feet = open_cloud(one(tmp_path, [wkt("EPSG:2237+6360")], name="a.las"))
    plane = open_cloud(one(tmp_path, [wkt(2882)], name="b.las"), unit="us-ft")  # HARN
    metres = open_cloud(one(tmp_path, [wkt("EPSG:2237+5703")], name="c.las"))
    old = open_cloud(one(tmp_path, [wkt("EPSG:2237+5702")], name="d.las"))
    silent = open_cloud(one(tmp_path, [wkt(2237)], name="e.las"), unit="us-ft")
    check_same([feet, feet, silent])
    for other, what in ((plane, "plane"), (metres, "unit of height"), (old, "vertical datum")):
        with pytest.raises(CRSError, match=what):
            check_same([feet, other])


# ---------------------------------------------------------------------------- tiles


@pytest.fixture
def field(tmp_path):
    """20,000 returns over 700 x 500 ft, some on the sides of cells, in two files."""
    rng = np.random.default_rng(3)
    n = 20_000
    x, y = X_FT + rng.uniform(0, 700, n).round(1), Y_FT + rng.uniform(0, 500, n).round(1)
    kind = rng.choice([1, 2, 9, 7], n, p=[0.5, 0.3, 0.1, 0.1])
    paths = [
        write_cloud(
            tmp_path / f"part{k}.laz",
            x[k::2],
            y[k::2],
            x[k::2] % 7,
            kind=kind[k::2],
            records=[wkt(WEST_NAVD88)],
        )
        for k in (0, 1)
    ]
    return [open_cloud(path) for path in paths]


def no_noise(points):
    return {"noise": points.kind == 7}


def spooled(field, tile_points, **how):
    return tile_clouds(field, cell=2.0, sieve=no_noise, tile_points=tile_points, **how)


def row_of(y, cell=2.0):
    """Rows count to the south; a return on a side belongs to the cell in the south."""
    return np.floor(-y / cell)


@pytest.mark.parametrize("tile_points", [100_000, 3000, 500])
def test_every_return_is_in_one_tile_and_lies_there(field, tile_points):
    every = Points.join([points_of(cloud) for cloud in field])
    every = every.take(every.kind != 7)
    with spooled(field, tile_points) as tiled:
        assert tiled.is_spooled == (tile_points < 20_000)
        tiles = list(tiled.tiles())
        assert (len(tiles) == 1) == (tile_points > 20_000)
        assert tiled.n_tiles() == len(tiles)
        for tile in tiles:
            row, col = row_of(tile.own.y), np.floor(tile.own.x / 2.0)
            assert ((row >= tile.row0) & (row < tile.row1)).all()
            assert ((col >= tile.col0) & (col < tile.col1)).all()
            assert len(tile.around) == 0
            assert len(tile.own) <= tile_points or tile.row1 - tile.row0 == 16
        own = Points.join([tile.own for tile in tiles])
        assert tiled.n_kept == len(own) == len(every)
        assert tiled.bounds == (every.x.min(), every.y.min(), every.x.max(), every.y.max())
        assert tiled.n_ground == (every.kind == 2).sum()
    for name in Points.__slots__:
        order, ours = np.lexsort((every.z, every.y, every.x)), np.lexsort((own.z, own.y, own.x))
        assert np.array_equal(getattr(own, name)[ours], getattr(every, name)[order]), name


@pytest.mark.parametrize("only_base", [True, False])
@pytest.mark.parametrize("reach", [1.0, 37.0, 400.0])
def test_returns_around_a_tile_are_those_within_reach(field, reach, only_base):
    every = Points.join([points_of(cloud) for cloud in field])
    every = every.take(every.kind != 7)
    with spooled(field, 3000) as tiled:
        for tile in tiled.tiles(reach, only_base=only_base):
            west, east = tile.col0 * 2.0 - reach, tile.col1 * 2.0 + reach
            south, north = -tile.row1 * 2.0 - reach, -tile.row0 * 2.0 + reach
            near = (every.x >= west) & (every.x <= east) & (every.y >= south) & (every.y <= north)
            row, col = row_of(every.y), np.floor(every.x / 2.0)
            near &= ~(
                (row >= tile.row0) & (row < tile.row1) & (col >= tile.col0) & (col < tile.col1)
            )
            if only_base:
                near &= np.isin(every.kind, (2, 9))
            expected = np.sort(every.x[near] * 1e6 + every.y[near])
            assert np.array_equal(np.sort(tile.around.x * 1e6 + tile.around.y), expected)


def test_what_is_left_out_is_counted_by_the_first_reason(field):
    every = Points.join([points_of(cloud) for cloud in field])
    near = (X_FT + 100, Y_FT, X_FT + 300, Y_FT + 500)
    with spooled(field, 3000, near=near) as tiled:
        counts = tiled.counts
        is_near = (every.x >= near[0]) & (every.x <= near[2])
        assert counts.read.sum() == 20_000
        assert counts.left_out["far from the lots"].sum() == (~is_near).sum()
        assert counts.left_out["noise"].tolist()[7] == (is_near & (every.kind == 7)).sum()
        assert counts.kept.sum() == tiled.n_kept == (is_near & (every.kind != 7)).sum()


def test_nothing_left_is_told_with_the_reasons(field):
    with pytest.raises(LayerError, match=r"no return to work with \(20,000 far from the lots\)"):
        spooled(field, 3000, near=(0.0, 0.0, 1.0, 1.0))
    with pytest.raises(LayerError, match=r"far from the crowns.* the cloud and the crowns lie in"):
        spooled(field, 3000, near=(0.0, 0.0, 1.0, 1.0), near_what="the crowns")
    with pytest.raises(LayerError, match="check which returns are left out"):
        tile_clouds(field, cell=2.0, sieve=lambda p: {"all": p.kind < 99})


def test_nothing_stays_on_disk_however_it_ends(field, tmp_path, monkeypatch):
    """Neither at the end, nor when reading is stopped."""
    folder = tmp_path / "spool"
    folder.mkdir()
    with spooled(field, 500, folder=folder) as tiled:
        next(iter(tiled.tiles()))
        assert list(folder.iterdir()) == []  # the file has no name even while it is used
    monkeypatch.setattr(TiledCloud, "add", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
    with pytest.raises(KeyboardInterrupt):
        spooled(field, 500, folder=folder)
    assert list(folder.iterdir()) == []


def test_a_folder_that_cannot_be_spooled_to(field, tmp_path):
    with pytest.raises(FileError, match="cannot be spooled there"):
        spooled(field, 500, folder=tmp_path / "gone")


def test_progress_is_told_while_spooling(field):
    told = []
    spooled(field, 500, progress=told.append).close()
    assert told[-1] == "reading part1.laz: 20,000 of 20,000 returns"
