"""Tidal datums: arithmetic, station tables and datum grids."""

from __future__ import annotations

import numpy as np
import pytest
import rasterio
import strategies
from affine import Affine
from hypothesis import given
from hypothesis import strategies as st
from opendata import open_data
from pyproj import Geod
from rasterio.crs import CRS as RasterioCRS
from scipy.interpolate import RegularGridInterpolator

from geotrim.core import datums
from geotrim.core.datums import Station
from geotrim.errors import CRSError, FileError, LayerError, RangeError, UnitError
from geotrim.io.datum_grid import grid_value, open_datum_grid
from geotrim.io.datum_match import check_same_datum, settled_datum
from geotrim.io.datum_stations import chosen_stations, read_stations
from geotrim.io.vertical import vertical_datum

FOOT_M = 0.3048
STATIONS = "coops_station_datums_ft.csv"
GRID = "DEdelbay33_8301_mhw.gtx"

# --- arithmetic ------------------------------------------------------------------------------

# NOAA CO-OPS, published datums in feet above MLLW, epoch 1983-2001: MHW, MSL, NAVD88; and MHW above
# NAVD88 as the difference, worked out by hand.
PUBLISHED = [
    ("8724580 Key West", 1.52, 0.89, 1.76, -0.24),
    ("8723970 Vaca Key", 0.87, 0.51, 1.34, -0.47),
    ("8720030 Fernandina Beach", 6.21, 3.29, 3.82, 2.39),
    ("8725520 Fort Myers", 1.10, 0.63, 1.04, 0.06),
]


@pytest.mark.parametrize(("name", "mhw", "msl", "navd88", "want"), PUBLISHED)
def test_mhw_above_navd88(name, mhw, msl, navd88, want):
    station = Station(name, -81.0, 25.0, {"MHW": mhw, "MSL": msl, "NAVD88": navd88, "MLLW": 0.0})
    assert datums.mhw_above_ft(station, "NAVD 88") == pytest.approx(want, abs=1e-9)
    assert datums.mhw_above_ft(station, "MSL") == pytest.approx(mhw - msl)
    assert datums.mhw_above_ft(station, "mllw") == pytest.approx(mhw)
    assert datums.mhw_above_ft(station, "MHW") == 0.0


def test_a_station_without_navd88_offers_msl():
    station = Station("8535221", -74.71, 39.1767, {"MHW": 4.10, "MSL": 2.16})
    with pytest.raises(LayerError, match=r"station 8535221: found no published NAVD88.*MSL"):
        datums.mhw_above_ft(station, "NAVD88")
    with pytest.raises(LayerError) as caught:
        datums.mhw_above_ft(Station("1", 0.0, 0.0, {"MHW": 4.1}), "NAVD88")
    assert "MSL" not in caught.value.mend  # nothing to offer
    with pytest.raises(LayerError, match="no published MHW and no NGVD29"):
        datums.mhw_above_ft(Station("1", 0.0, 0.0, {"MSL": 4.1}), "NGVD29")


@pytest.mark.parametrize(
    ("above", "words"),
    [
        ({"MHW": -1.52, "MSL": 0.89}, "MHW -1.52 ft below MSL 0.89 ft"),
        ({"MHHW": 1.5, "MHW": 1.6}, "MHHW 1.50 ft below MHW 1.60 ft"),
        ({"MHW": 1.5, "MLLW": 1.6, "MSL": 1.2}, "MSL 1.20 ft below MLLW 1.60 ft"),
    ],
)
def test_a_sign_that_is_wrong_shows(above, words):
    with pytest.raises(RangeError, match=words):
        datums.mhw_above_ft(Station("1", 0.0, 0.0, above), "MHW")


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("NAVD88", "NAVD88"),
        ("NAVD 88", "NAVD88"),
        ("navd_88", "NAVD88"),
        ("NAVD88 height (ftUS)", "NAVD88"),  # EPSG 6360
        ("NAVD88 height", "NAVD88"),  # EPSG 5703
        ("North American Vertical Datum of 1988", "NAVD88"),
        ("MSL height", "MSL"),  # EPSG 5714
        ("LMSL", "MSL"),
        ("Mean High Water", "MHW"),
        ("MHW height", "MHW"),  # EPSG 5868
        ("MHHW", "MHHW"),
        ("NGVD29 height (ftUS)", "NGVD29"),  # EPSG 5702
        ("EGM2008 height", "EGM2008 height"),
        ("NAVD88 depth", "NAVD88 depth"),  # EPSG 6357, which grows downwards
        ("the ellipsoid", "the ellipsoid"),
    ],
)
def test_datum_names(text, name):
    assert datums.datum_named(text) == name


@pytest.mark.parametrize(
    ("ground", "other"),
    [("NAVD88", "MSL"), ("MSL", "MLLW"), ("NAVD88", "NGVD29"), ("EGM96", "MSL")],
)
def test_datums_do_not_mix(ground, other):
    subjects = ("--ground", "MHW elevation")
    with pytest.raises(CRSError, match=f"found {other}, where the ground is in {ground}"):
        check_same_datum(ground, other, subjects)
    check_same_datum(ground, ground.lower(), subjects)
    check_same_datum(ground, None, subjects)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("Foo", "no datum known here.*one of NAVD88, NGVD29, MHHW.*local:NAME"),
        ("", "no datum known here"),
        ("local:", "no datum known here"),
        ("NAVD", "no datum known here"),  # of which year?
        ("EGM2008 height", "geoid model or an ellipsoid"),
        ("the ellipsoid", "geoid model or an ellipsoid"),
        ("WGS 84", "geoid model or an ellipsoid"),
        ("NAD83(2011)", "geoid model or an ellipsoid"),
        ("GEOID18", "geoid model or an ellipsoid"),
        ("NAVD88 depth", "depths, which grow downwards"),  # EPSG 6357
        ("MLLW depth", "depths, which grow downwards"),  # EPSG 5866
        ("local:Pass A depth", "depths, which grow downwards"),
    ],
)
def test_datums_that_are_not_known(text, words):
    with pytest.raises(CRSError, match=words):
        datums.known_datum(text, "--mhw-datum")


@pytest.mark.parametrize(
    ("text", "name"),
    [("LMSL", "MSL"), ("NAVD88 (GEOID18)", "NAVD88"), (" Local:  Pass A ", "local:Pass A")],
)
def test_datums_that_are_known(text, name):
    assert datums.known_datum(text, "--mhw-datum") == name


def test_epochs_do_not_mix():
    """C-12: 1983-2001 beside 2002-2020 is an error."""
    assert datums.one_epoch({"a": "1983-2001", "b": None, "c": "1983 to 2001"}) == "1983-2001"
    with pytest.raises(RangeError, match=r"1983-2001 \(--epoch\); 2002-2020 \(station 1\)"):
        datums.one_epoch({"--epoch": "1983-2001", "station 1": "2002-2020"})
    with pytest.raises(RangeError, match="no tidal epoch"):
        datums.one_epoch({"--epoch": None})


@pytest.mark.parametrize("bad", ["", "1983", "2001-1983", "83-01", "1983-1983", "NTDE"])
def test_an_epoch_is_two_years(bad):
    with pytest.raises(RangeError, match="two years"):
        datums.epoch_named(bad)


def test_inverse_distance_by_hand():
    """Distances 1, 2, 2: weights 4, 1, 1 of 6 (Shepard 1968, power 2)."""
    value, spread = datums.inverse_distance([6.0, 0.0, 3.0], [1.0, 2.0, 2.0])
    assert value == pytest.approx((4 * 6 + 3) / 6)
    assert spread == pytest.approx(4.5)  # from 4.5 down to the station at 0
    assert datums.inverse_distance([6.0, 0.0], [0.0, 5.0]) == (6.0, 6.0)
    assert datums.inverse_distance([1.0, 3.0, 9.0], [0.0, 0.0, 5.0])[0] == 2.0
    assert datums.inverse_distance([-0.24], [123.0]) == (-0.24, 0.0)


@pytest.mark.parametrize(
    ("n", "spread", "want"),
    [
        (1, 0.0, (None, False)),
        (2, 0.23, (0.23, False)),  # two may agree by chance
        (2, 0.004, (None, False)),
        (3, 1.21 - 1.20, (None, False)),  # a hundredth is how datums are rounded
        (3, 0.011, (0.011, True)),
    ],
)
def test_what_stations_tell_of_the_error(n, spread, want):
    """Limits of our own, no source."""
    assert datums.error_between(n, spread) == want


@given(
    st.lists(
        st.tuples(strategies.numbers(-2, 9), strategies.numbers(0, 900)), min_size=1, max_size=6
    ),
    strategies.numbers(0.1, 5.0),
)
def test_inverse_distance_laws(pairs, scale):
    """Between the least and the greatest; the unit of the distances does not matter."""
    values, away = np.array(pairs).T
    value, spread = datums.inverse_distance(values, away)
    assert values.min() - 1e-12 <= value <= values.max() + 1e-12
    assert spread <= np.ptp(values) + 1e-12
    assert datums.inverse_distance(values, away * scale)[0] == pytest.approx(value, abs=1e-9)


@pytest.mark.parametrize(
    ("offsets", "is_between"),
    [
        ([[-1, -1], [1, -1], [0, 2]], True),
        ([[1, 1], [3, 1], [2, 3]], False),
        ([[-2, 5], [3, 5]], True),  # beside the line between two
        ([[2, 5], [3, 5]], False),
        ([[-3, 5], [-1, 5]], False),
        ([[0, -4], [0, 4], [0, 9]], True),  # three on one line
        ([[4, 4]], False),
        ([[0, 0]], True),  # at the station
        ([[3, 3], [0, 0]], True),
    ],
)
def test_among_stations(offsets, is_between):
    assert datums.is_between(offsets) == is_between


@pytest.mark.parametrize(
    ("feet", "datum", "usual"),
    [
        (-1.0, "NAVD88", True),
        (-1.01, "NAVD88", False),
        (4.0, "NAVD88", True),
        (4.01, "NAVD88", False),
    ],
)
def test_usual_range(feet, datum, usual):
    """C-15: -1 to +4 ft NAVD 88 around Florida (from memory, no source)."""
    assert datums.is_usual(feet, datum) == usual
    assert datums.is_usual(feet, "MSL")


@given(
    corners=st.lists(strategies.numbers(0, 3), min_size=4, max_size=4),
    col=strategies.numbers(0, 1),
    row=strategies.numbers(0, 1),
    gone=st.sets(st.integers(0, 3), max_size=4),
)
def test_value_between_cells(corners, col, row, gone):
    """All known: scipy's interpolation. Some gone: a weighted mean of the others, or nothing."""
    grid = np.array(corners).reshape(2, 2)
    want = RegularGridInterpolator(([0.0, 1.0], [0.0, 1.0]), grid)([[row, col]])[0]
    assert datums.within_grid(grid, col, row)[0] == pytest.approx(want, abs=1e-12)
    weights = np.array([(1 - row) * (1 - col), (1 - row) * col, row * (1 - col), row * col])
    left = [k for k in range(4) if k not in gone]
    holed = grid.copy()
    holed.ravel()[list(gone)] = np.nan
    value, known = datums.within_grid(holed, col, row)
    assert known == pytest.approx(weights[left].sum(), abs=1e-12)
    if known >= 0.5:
        mean = (weights[left] * np.array(corners)[left]).sum() / weights[left].sum()
        assert value == pytest.approx(mean, abs=1e-12)
    else:
        assert value is None


# --- station tables ----------------------------------------------------------------------------

HEAD = "station_id,lon,lat,ref_datum,MHW_ft,MSL_ft,NAVD88_ft"


def table(tmp_path, *rows, head=HEAD):
    path = tmp_path / "stations.csv"
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return path


def test_read_stations(tmp_path):
    path = table(tmp_path, "8724580,-81.8081,24.55083,MLLW,1.52,0.89,1.76", "x,279,25,,4.1,,", "")
    (one, other), notes = read_stations(path)
    assert [n.text for n in notes] == ["2 rows of stations.csv, columns parted by commas"]
    above = {"MHW": 1.52, "MSL": 0.89, "NAVD88": 1.76, "MLLW": 0.0}
    assert one == Station("8724580", pytest.approx(-81.8081), 24.55083, above)
    assert other.lon == pytest.approx(-81.0)  # 279 east
    assert other.above_ref_ft == {"MHW": 4.1}


def test_units_are_in_the_headings(tmp_path):
    """1 m = 3.28084 ft; a US survey foot is 1.000002 ft."""
    path = table(
        tmp_path,
        "1;-81;25;0.3048;0.5;1983-2001",
        head="Station;Longitude;Latitude;MHW_m;LMSL_us-ft;Epoch",
    )
    ((station,), _) = read_stations(path)
    assert station.above_ref_ft["MHW"] == pytest.approx(1.0)
    assert station.above_ref_ft["MSL"] == pytest.approx(0.500001, abs=1e-9)
    assert station.epoch == "1983-2001"


@pytest.mark.parametrize(
    ("ref", "datum", "want_ft"),
    [
        ("MLLW", "MLLW", 1.52),  # the column itself: heights are above it
        ("mllw", "Mean Lower Low Water", 1.52),
        ("MSL", "MSL", 1.52),
        ("local:Pass A", "Local: pass a", 1.52),
        ("STND", "MLLW", None),  # a station's own zero is no datum of the ground
        ("STND", "STND", None),
        ("", "MLLW", None),
    ],
)
def test_the_reference_is_a_datum_too(tmp_path, ref, datum, want_ft):
    ((station,), _) = read_stations(table(tmp_path, f"1,-81,25,{ref},1.52,,1.76"))
    if want_ft is None:
        with pytest.raises(LayerError, match=f"no published {datum}"):
            datums.mhw_above_ft(station, datum)
    else:
        assert datums.mhw_above_ft(station, datum) == want_ft


def test_heights_below_their_own_low_water_show(tmp_path):
    """MHW below the MLLW it is counted from: a sign is wrong."""
    ((station,), _) = read_stations(table(tmp_path, "1,-81,25,MLLW,-1.52,,1.76"))
    with pytest.raises(RangeError, match=r"MHW -1\.52 ft below MLLW 0\.00 ft"):
        datums.mhw_above_ft(station, "NAVD88")


BAD_TABLES = [
    ("station_id,lon,lat,MHW", "1,-81,25,1.5", UnitError, "heights without a unit"),
    ("station_id,lon,lat,MSL_ft", "1,-81,25,1.5", LayerError, "no column MHW_ft"),
    ("station_id,lon,MHW_ft", "1,-81,1.5", LayerError, "no column lat"),
    ("lon,lat,MHW_ft", "-81,25,1.5", LayerError, "no column station_id"),
    ("station_id,lon,lat,MHW_ft", "1,-81,25,about 1", RangeError, "station 1 MHW_ft"),
    ("station_id,lon,lat,MHW_ft", "1,-81,25,inf", RangeError, "station 1 MHW_ft"),
    ("station_id,lon,lat,MHW_ft", "1,25,-181,1", RangeError, "lat -181"),
    ("station_id,lon,lat,MHW_ft", "1,,25,1", RangeError, "lon None"),
    ("station_id,lon,lat,MHW_ft", ",-81,25,1", LayerError, "stations line 2"),
    ("station_id,lon,lat,MHW_ft,MHW_m", "1,-81,25,1,1", UnitError, "contradicts"),
    ("station_id,lon,lat,MHW_ft,MHW_ft", "1,-81,25,1,1", LayerError, "of one name"),
    ("station_id,lon,lat,MHW_ft", "1,-81,25,1,2", LayerError, "5 cells in line 2"),
    ("station_id,lon,lat,MHW_ft,ref_datum,MLLW_ft", "1,-81,25,1,MLLW,0.4", RangeError, "0 for the"),
    ("station_id;lon;lat;MHW_ft", "1;-81,5;25.1;1,5", LayerError, "one way of writing"),
    ("station_id,lon,lat,MHW_ft,epoch", "1,-81,25,1,current", RangeError, "station 1 epoch"),
    ("station_id,lon,lat,MHW_ft", "", LayerError, "a header and no rows"),
]


@pytest.mark.parametrize(("head", "row", "error", "words"), BAD_TABLES, ids=lambda v: str(v)[:30])
def test_bad_tables(tmp_path, head, row, error, words):
    with pytest.raises(error, match=words):
        read_stations(table(tmp_path, row, head=head))


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        ("station_id;lon;lat;MHW_ft;NAVD88_ft\n8724580;-81,8081;24,55083;1,52;1,76\n", "utf-8"),
        (
            "sep=;\nstation_id;lon;lat;MHW_ft;NAVD88_ft\n8724580;-81,8081;24,55083;1,52;1,76;\n",
            "cp1252",
        ),
        (
            "station_id\tlon\tlat\tMHW_ft\tNAVD88_ft\n8724580\t-81.8081\t24.55083\t1.52\t1.76\n",
            "utf-16",
        ),
        (
            '# Key West; NOAA\n"# two, of them"\nstation_id,lon,lat,MHW_ft,NAVD88_ft,MSL_ft\n'
            '="8724580",-81.8081,24.55083,1.52,1.76,n/a\n',
            "utf-8-sig",
        ),
    ],
)
def test_tables_as_spreadsheets_write_them(tmp_path, text, encoding):
    """The same row four ways: NOAA 8724580, MHW 1.52 ft and NAVD88 1.76 ft above MLLW."""
    path = tmp_path / "stations.csv"
    path.write_bytes(text.encode(encoding))
    assert read_stations(path)[0] == [
        Station("8724580", pytest.approx(-81.8081), 24.55083, {"MHW": 1.52, "NAVD88": 1.76})
    ]


def test_three_decimals_are_not_thousands(tmp_path):
    """A longitude of -81,808 can only have a decimal comma, so that 1,520 has one too."""
    path = table(tmp_path, "1;-81,808;24,551;1,520", head="station_id;lon;lat;MHW_ft")
    ((station,), _) = read_stations(path)
    assert (station.lon, station.lat) == (pytest.approx(-81.808), 24.551)
    assert station.above_ref_ft == {"MHW": 1.52}


def test_a_table_that_is_no_text(tmp_path):
    path = tmp_path / "stations.csv"
    path.write_bytes(b"\x89PNG\xff\xfe\x00")
    with pytest.raises(FileError, match="which is no text"):
        read_stations(path)


def test_chosen_stations(tmp_path):
    rows = ["1001,-81,25,,1,,", "1002,-82,25,,2,,", "1003,-82,26,,2,,", "1003,-82,26,,3,,"]
    stations, _ = read_stations(table(tmp_path, *rows))
    assert [s.station_id for s in chosen_stations(stations, "1002, 1001,1002", "--station")] == [
        "1002",
        "1001",
    ]
    for names, words in (("1003", "twice"), ("1004", "not in the table.*1001"), (" ,", "' ,'")):
        with pytest.raises(LayerError, match=words):
            chosen_stations(stations, names, "--station")
    for name, mend in (
        ("10011", "say --station 1001 "),
        ("XXX", "say --station with one of these ids, or name a table that holds XXX"),
    ):
        with pytest.raises(LayerError) as caught:
            chosen_stations(stations[:3], name, "--station")
        assert caught.value.mend.startswith(mend)


# --- datum grids -----------------------------------------------------------------------------


def write_grid(path, values, *, west=284.367, north=40.255, cell=0.002, **more):
    values = np.asarray(values, dtype=np.float32)
    profile = {
        "driver": "GTiff",
        "count": 1,
        "dtype": "float32",
        "height": values.shape[0],
        "width": values.shape[1],
        "crs": RasterioCRS.from_epsg(4269),
        "transform": Affine(cell, 0, west, 0, -cell, north),
        "nodata": -88.8888,
        **more,
    }
    with rasterio.open(path, "w", **profile) as out:
        out.write(values, 1)
    return str(path)


def opened(path, unit="m"):
    return open_datum_grid(path, unit=unit, subject="--datum-grid")


@pytest.mark.parametrize("west", [279.0, -81.0], ids=["0 to 360", "-180 to 180"])
@pytest.mark.parametrize("lon", [-80.9, 279.1])
def test_longitudes_either_way(tmp_path, west, lon):
    """A plane of values east + 10 north (degrees from the corner) is met exactly by bilinear."""
    col, row = np.meshgrid(np.arange(20) + 0.5, np.arange(30) + 0.5)
    path = write_grid(
        tmp_path / "grid.tif", 1 + 0.01 * col + 0.02 * row, west=west, north=25.3, cell=0.01
    )
    with opened(path) as grid:
        got = grid_value(grid, lon, 25.123)
    want_m = 1 + 0.01 * (0.1 / 0.01) + 0.02 * (0.177 / 0.01)
    assert got.value_ft == pytest.approx(want_m / FOOT_M, abs=1e-5)
    assert (got.known_frac, got.away_ft) == (1.0, 0.0)


def test_no_value_is_not_a_height(tmp_path):
    """Cell centres at columns 0.5, 1.5 ...; the right half has no value, declared or not."""
    values = np.full((4, 4), 0.5)
    values[:, 2:] = -88.8888
    for nodata in (-88.8888, None):
        path = write_grid(
            tmp_path / "grid.tif", values, west=0.0, north=4.0, cell=1.0, nodata=nodata
        )
        with opened(path) as grid:
            known = grid_value(grid, 1.9, 2.0)  # 0.4 of the way to a cell without: 0.6 known
            assert known.value_ft == pytest.approx(0.5 / FOOT_M, rel=1e-6)
            assert known.known_frac == pytest.approx(0.6)
            with pytest.raises(LayerError, match=r"no value at 2\.00000, 2\.10000") as caught:
                grid_value(grid, 2.1, 2.0)
            assert "grids of tidal datums hold values over water only" in str(caught.value)


def test_the_nearest_value_only_when_asked_for(tmp_path):
    """From (2.1, 2.0) the nearest centres with a value are (1.5, 1.5) and (1.5, 2.5)."""
    values = np.full((4, 4), 0.5)
    values[2] = 0.7
    values[:, 2:] = -88.8888
    path = write_grid(tmp_path / "grid.tif", values, west=0.0, north=4.0, cell=1.0)
    _, _, away_m = Geod(ellps="GRS80").inv(2.1, 1.99, 1.5, 1.5)
    away_ft = away_m / FOOT_M
    with opened(path) as grid:
        with pytest.raises(LayerError):
            grid_value(grid, 2.1, 1.99, reach_ft=away_ft - 1)
        got = grid_value(grid, 2.1, 1.99, reach_ft=away_ft + 1)
    assert got.value_ft == pytest.approx(0.7 / FOOT_M, rel=1e-6)
    assert got.away_ft == pytest.approx(away_ft)
    assert got.known_frac == pytest.approx(0.4)


def test_the_message_names_a_reach_that_works(tmp_path):
    values = np.full((40, 40), -88.8888)
    values[20, 10] = 0.6
    path = write_grid(tmp_path / "grid.tif", values)
    lon, lat = 284.367 - 360 + 0.002 * 25.3, 40.255 - 0.002 * 20.2
    with opened(path) as grid:
        with pytest.raises(LayerError) as caught:
            grid_value(grid, lon, lat)
        reach = float(caught.value.mend.split("--grid-reach-ft ")[1].split(",")[0])
        assert grid_value(grid, lon, lat, reach_ft=reach).value_ft == pytest.approx(0.6 / FOOT_M)


def test_a_grid_in_projected_metres(tmp_path):
    """EPSG 32618, UTM zone 18: a place on its central meridian, 75 W, is at x = 500,000 m."""
    col = np.meshgrid(np.arange(50) + 0.5, np.arange(50) + 0.5)[0]
    path = write_grid(
        tmp_path / "grid.tif",
        1 + 0.01 * col,
        crs=RasterioCRS.from_epsg(32618),
        west=490_000.0,
        north=4_320_500.0,
        cell=400.0,
    )
    with opened(path) as grid:
        got = grid_value(grid, -75.0, 38.95)
    assert got.value_ft == pytest.approx((1 + 0.01 * 25.0) / FOOT_M, abs=1e-4)


def test_a_grid_must_say_its_unit_and_hold_tides(tmp_path):
    path = write_grid(tmp_path / "grid.tif", np.full((9, 9), 0.6))
    with pytest.raises(UnitError, match="--datum-grid unit"):
        opened(path, unit=None)
    path = write_grid(tmp_path / "grid.tif", np.full((9, 9), -9999.0))
    with opened(path) as grid, pytest.raises(RangeError, match="check the grid, its unit"):
        grid_value(grid, 284.37, 40.25)
    with opened(path) as grid, pytest.raises(LayerError, match="none is within"):
        grid_value(grid, -81.0, 25.0)


# --- labels of the ground ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("crs", "name"),
    [
        ("EPSG:8726", "NAVD88"),  # NAD83 / Florida East (ftUS) + NAVD88 height (ftUS)
        ("EPSG:6438+5703", "NAVD88"),
        ("EPSG:6438+8228", "NAVD88"),
        ("EPSG:6438+5714", "MSL"),
        ("EPSG:6438+5868", "MHW"),
        ("EPSG:4979", "the ellipsoid"),
        ("EPSG:6438", None),
    ],
)
def test_vertical_datum_of_a_file(tmp_path, crs, name):
    """Source of codes and names: EPSG registry (C-14)."""
    path = write_grid(
        tmp_path / "ground.tif", np.zeros((3, 3)), crs=RasterioCRS.from_user_input(crs)
    )
    got = vertical_datum(path, "--ground")
    assert (got and datums.datum_named(got)) == name


def test_a_datum_of_unknown_name_is_one_in_either_case(tmp_path):
    path = write_grid(
        tmp_path / "ground.tif",
        np.zeros((3, 3)),
        crs=RasterioCRS.from_user_input("EPSG:6438+3855"),
    )
    assert settled_datum(path, "egm2008 HEIGHT", "--ground") == "EGM2008 height"
    with pytest.raises(CRSError, match="EGM96 height as stated"):
        settled_datum(path, "EGM96 height", "--ground")


def test_depths_are_no_heights(tmp_path):
    path = write_grid(  # EPSG 5866, MLLW depth, grows downwards
        tmp_path / "ground.tif",
        np.zeros((3, 3)),
        crs=RasterioCRS.from_user_input("EPSG:4269+5866"),
    )
    with pytest.raises(CRSError, match="--ground: found depths"):
        vertical_datum(path, "--ground")


# --- open data -------------------------------------------------------------------------------


@pytest.mark.data
@pytest.mark.parametrize(
    ("station", "want_ft"),
    [
        # NOAA published datums; differences in the data's provenance note
        ("8724580", -0.24),
        ("8723970", -0.47),
        ("8720030", 2.39),
        ("8725520", 0.06),
        ("8726520", 0.50),
        ("8729840", 0.90),
        ("8726384", 0.32),
    ],
)
def test_published_stations(station, want_ft):
    stations, _ = read_stations(open_data("noaa_tidal_datums") / STATIONS)
    assert len(stations) == 27
    (one,) = chosen_stations(stations, station, "--station")
    assert datums.mhw_above_ft(one, "NAVD88") == pytest.approx(want_ft, abs=0.005)


@pytest.mark.data
def test_published_grid_at_its_stations():
    """The 12 stations that fall on the grid: (MHW - MSL) within 0.02 m of it."""
    folder = open_data("noaa_tidal_datums")
    n = 0
    with opened(str(folder / GRID)) as grid:
        for station in read_stations(folder / STATIONS)[0]:
            try:
                got = grid_value(grid, station.lon, station.lat)
            except LayerError:
                continue
            n += 1
            published_m = datums.mhw_above_ft(station, "MSL") * FOOT_M
            assert got.value_ft * FOOT_M == pytest.approx(published_m, abs=0.02)
    assert n == 12
