"""One projected CRS a site: which, why, and what every move into it costs."""

from __future__ import annotations

import json
import re

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS, Geod, Transformer

from geotrim.errors import CRSError
from geotrim.io import crs as crs_io
from geotrim.units import FOOT_M, US_SURVEY_FOOT_M
from tests.opendata import open_data


def points(epsg, *xy):
    return gpd.GeoDataFrame(geometry=[shapely.Point(p) for p in xy], crs=epsg)


# ---- the libraries we stand on ------------------------------------------------------------------


def degrees(text):
    """-82d45'52.412" as a number."""
    sign = -1 if text.startswith("-") else 1
    d, m, s = (float(part) for part in re.findall(r"[\d.]+", text))
    return sign * (d + m / 60 + s / 3600)


@pytest.mark.data
def test_state_plane_points():
    """Six Florida points in US survey feet, 0.001 ft.

    Source: PROJ's tests test_proj_nad83.yaml and test_proj_nad27.yaml (US NMD program l176).
    """
    file = open_data("reference_numbers") / "spcs_florida.json"
    listed = json.loads(file.read_text(encoding="utf-8"))["points"]
    assert len(listed) == 6
    for point in listed:
        there = Transformer.from_crs(
            point["epsg_geographic"], point["epsg_projected"], always_xy=True
        )
        got = there.transform(degrees(point["lon"]), degrees(point["lat"]))
        assert got == pytest.approx((point["easting_ftus"], point["northing_ftus"]), abs=0.001)


@pytest.mark.data
def test_geodesic_test_set():
    """C. Karney, test set for geodesics, Zenodo 32156 (100 of its lines): inverse distance."""
    rows = np.loadtxt(open_data("reference_numbers") / "GeodTest-100.dat")
    assert len(rows) == 100
    lat1, lon1, _, lat2, lon2, _, s12 = rows.T[:7]
    _, _, distance = Geod(ellps="WGS84").inv(lon1, lat1, lon2, lat2)
    np.testing.assert_allclose(distance, s12, rtol=0, atol=1e-8)


# Computed from the EPSG registry's constants of the zones (fact sheet X-06).
GRID_SCALE = [
    ("Miami", 2236, -80.15, 25.75, 1.0000309, 150.0046),
    ("central meridian", 2236, -81.0, 26.0, 0.9999412, 149.9912),
    ("St Petersburg", 2237, -82.77, 27.77, 1.0000122, 150.0018),
]


@pytest.mark.parametrize(
    ("epsg", "lon", "lat", "k", "grid"), [c[1:] for c in GRID_SCALE], ids=[c[0] for c in GRID_SCALE]
)
def test_grid_scale_factor(epsg, lon, lat, k, grid):
    there = Transformer.from_crs(CRS(epsg).geodetic_crs, epsg, always_xy=True)
    x, y = there.transform(lon, lat)
    assert crs_io.grid_scale_factor(epsg, x, y) == pytest.approx(k, abs=6e-8)
    # the same from two points 150 ftUS apart on the ellipsoid at azimuth 45, measured on the grid
    lon2, lat2, _ = Geod(ellps="GRS80").fwd(lon, lat, 45.0, 150 * US_SURVEY_FOOT_M)
    x2, y2 = there.transform(lon2, lat2)
    assert np.hypot(x2 - x, y2 - y) == pytest.approx(grid, abs=6e-5)


def test_state_plane_coordinates_of_the_grid_scale_examples():
    """Fact sheet X-06, computed from the EPSG registry's constants."""
    for epsg, at, expected in [
        (2236, (-80.15, 25.75), (935944.049, 515729.865)),
        (2237, (-82.77, 27.77), (407165.594, 1249866.462)),
    ]:
        got = Transformer.from_crs(4269, epsg, always_xy=True).transform(*at)
        assert got == pytest.approx(expected, abs=0.001)


def test_us_survey_feet_against_international_feet():
    """The same point in both units: 1.3123 ft apart at the false easting (fact sheet U-12).

    Source: Federal Register 85 FR 62698; EPSG 9003. 200,000 m in each unit.
    """
    survey = CRS.from_epsg(6438)
    international = CRS.from_proj4(
        "+proj=tmerc +lat_0=24.3333333333333 +lon_0=-81 +k=0.999941177 +x_0=200000 +y_0=0 "
        "+ellps=GRS80 +units=ft +no_defs"
    )
    offset_ft = 200000 / FOOT_M - 200000 / US_SURVEY_FOOT_M
    assert offset_ft == pytest.approx(1.3123, abs=1e-4)
    moved, _ = crs_io.to_site(points(international, (200000 / FOOT_M, 3000.0)), survey, "lots")
    assert moved.geometry[0].x == pytest.approx(656166.6667, abs=1e-3)
    assert moved.geometry[0].y == pytest.approx(3000 * FOOT_M / US_SURVEY_FOOT_M, abs=1e-3)


# ---- which zone ---------------------------------------------------------------------------------

# Counties of the zones: EPSG registry, areas of use of 6438, 6443 and 6441, which name them.
PLACES = [
    ("Miami, Miami-Dade", -80.19, 25.77, 6438),
    ("Key West, Monroe", -81.80, 24.55, 6438),
    ("Naples, Collier", -81.80, 26.14, 6438),
    ("Titusville, Brevard", -80.81, 28.61, 6438),
    ("Jacksonville, Duval", -81.66, 30.33, 6438),
    ("Fort Myers, Lee", -81.87, 26.64, 6443),
    ("St Petersburg, Pinellas", -82.64, 27.77, 6443),
    ("Sarasota, Sarasota", -82.53, 27.34, 6443),
    ("Cedar Key, Levy", -83.03, 29.14, 6443),
    ("Apalachicola, Franklin", -84.98, 29.73, 6441),
    ("Pensacola, Escambia", -87.22, 30.42, 6441),
    ("Gainesville, Alachua", -82.32, 29.65, 6441),
]


@pytest.mark.parametrize(
    ("lon", "lat", "code"), [p[1:] for p in PLACES], ids=[p[0] for p in PLACES]
)
def test_florida_zone(lon, lat, code):
    assert crs_io.florida_zone(lon, lat)[0] == code


def test_a_doubtful_zone_says_so():
    assert crs_io.florida_zone(-80.19, 25.77)[2] is None
    assert "EPSG:6438" in crs_io.florida_zone(-81.8, 26.34)[2]  # Lee, in the box of East too
    assert "edge" in crs_io.florida_zone(-80.0, 26.7)[2]


def test_outside_florida_nothing_is_chosen_but_a_zone_is_named():
    with pytest.raises(CRSError, match="EPSG:32618"):  # UTM 18N: 78 to 72 W
        crs_io.florida_zone(-73.93, 40.77)


def test_the_lots_own_crs_is_kept():
    crs, notes = crs_io.choose_site_crs(CRS(2237), np.array([4e5, 1.2e6, 4e5, 1.2e6]), None)
    assert crs.to_epsg() == 2237
    assert "lots" in notes[0].text


@pytest.mark.parametrize("own", [4326, 4269, 3857], ids=["WGS 84", "NAD83", "web map"])
def test_degrees_and_web_maps_get_a_zone(own):
    at = Transformer.from_crs(4326, own, always_xy=True).transform(-82.53, 27.34)
    crs, notes = crs_io.choose_site_crs(CRS(own), np.array([*at, *at]), None)
    assert crs.to_epsg() == 6443
    assert notes[0].level == "assumed" and "6443" in notes[0].text


def test_a_world_projection_is_not_measured_in():
    """World Mercator stretches by 1 / cos(latitude): 12.5 % at 27.34 N on the sphere."""
    at = Transformer.from_crs(4326, 3395, always_xy=True).transform(-82.53, 27.34)
    box = np.array([*at, *at])
    assert crs_io.choose_site_crs(CRS(3395), box, None)[0].to_epsg() == 6443
    with pytest.raises(CRSError, match=r"off by 12\.\d %"):
        crs_io.choose_site_crs(CRS(3395), box, 3395)


@pytest.mark.parametrize("stated", [4326, 3857, "EPSG:999999", 'LOCAL_CS["site"]', "", "6443x"])
def test_a_site_crs_that_cannot_be_measured_in(stated):
    with pytest.raises(CRSError, match="site crs"):
        crs_io.choose_site_crs(CRS(6443), np.array([4e5, 1e6, 4e5, 1e6]), stated)


def test_a_zone_far_from_the_lots_is_refused_or_told():
    """Florida East at Pensacola, 6.22 deg off its meridian.

    k = k0 / sqrt(1 - B^2) on the sphere, B = cos(lat) sin(lon - lon0): Snyder, Map Projections,
    USGS Professional Paper 1395, transverse Mercator (from memory).
    """
    at = Transformer.from_crs(6318, 6441, always_xy=True).transform(-87.22, 30.42)
    b = np.cos(np.radians(30.42)) * np.sin(np.radians(6.22))
    expected = 100 * ((1 - 1 / 17000) / np.sqrt(1 - b**2) - 1)
    _, notes = crs_io.choose_site_crs(CRS(6441), np.array([*at, *at]), 6438)
    told = float(re.search(r"up to ([\d.]+) %", notes[0].text).group(1))
    assert told == pytest.approx(expected, abs=0.01)


# ---- labels -------------------------------------------------------------------------------------

BOX = np.array([4e5, 1.1e6, 4.01e5, 1.101e6])


def test_compound_crs_gives_its_plane_part():
    """EPSG registry: 8725 to 8727 are the NAD83 zones in ftUS with NAVD 88 heights."""
    for compound, plane in {8725: 2238, 8726: 2236, 8727: 2237}.items():
        assert crs_io.parse_crs(compound, "lots").to_epsg() == plane


def test_no_crs_at_all():
    with pytest.raises(CRSError, match="no coordinate reference system"):
        crs_io.layer_crs(None, None, BOX, "lots")


def test_a_stated_crs_is_taken_and_told():
    crs, notes = crs_io.layer_crs(None, "EPSG:6443", BOX, "lots")
    assert crs.to_epsg() == 6443
    assert notes[0].level == "assumed"


def test_a_stated_crs_that_agrees_is_no_news():
    assert crs_io.layer_crs(6443, "EPSG:6443", BOX, "lots")[1] == ()


def test_a_stated_crs_that_contradicts_the_file():
    with pytest.raises(CRSError, match="but the file says"):
        crs_io.layer_crs(6443, 6438, BOX, "lots")
    with pytest.raises(CRSError, match="but the file says"):
        crs_io.layer_crs(2237, 6443, BOX, "lots")  # NAD83 is not NAD83(2011)


def test_degrees_that_cannot_be_degrees():
    """A GeoJSON without its CRS is read as WGS 84, whatever its numbers."""
    with pytest.raises(CRSError, match="labelled as degrees"):
        crs_io.layer_crs(4326, None, BOX, "lots")
    crs, notes = crs_io.layer_crs(4326, 6443, BOX, "lots")
    assert crs.to_epsg() == 6443 and "does not fit" in notes[0].text


def test_feet_that_look_like_degrees():
    with pytest.raises(CRSError, match="look like degrees"):
        crs_io.layer_crs(6443, None, np.array([-82.53, 27.34, -82.52, 27.35]), "lots")


def test_coordinates_far_outside_the_area_of_their_label():
    """UTM metres labelled as state plane feet: 3.0e6 ft north of 24.33 N is north of 32 N."""
    with pytest.raises(CRSError, match="far outside the area"):
        crs_io.layer_crs(6443, None, np.array([3.4e5, 3.02e6, 3.5e5, 3.03e6]), "lots")


# ---- moves --------------------------------------------------------------------------------------


def test_coordinates_already_there_are_not_touched():
    table = points(6443, (287910.123456789, 1186039.987654321))
    moved, notes = crs_io.to_site(table, CRS(6443), "lots")
    assert notes == ()
    assert shapely.to_wkb(moved.geometry[0]) == shapely.to_wkb(table.geometry[0])


def test_a_move_agrees_with_the_projection_alone_on_one_datum():
    moved, notes = crs_io.to_site(points(6318, (-82.53, 27.34)), CRS(6443), "lots")
    expected = Transformer.from_crs(6318, 6443, always_xy=True).transform(-82.53, 27.34)
    assert (moved.geometry[0].x, moved.geometry[0].y) == pytest.approx(expected, abs=1e-6)
    assert notes[0].level == "info" and "datum" not in notes[0].text


def test_another_datum_is_told_with_its_accuracy():
    """EPSG registry: NAD83(2011) to WGS 84 (1) is good to 2 m."""
    _, notes = crs_io.to_site(points(4326, (-82.53, 27.34)), CRS(6443), "lots")
    assert notes[0].level == "assumed" and "about 2 m (6.6 ft)" in notes[0].text


@pytest.mark.data
def test_nad27_is_shifted_and_told():
    """NAD27 is not NAD83.

    At FL N GP1 one datum's state plane numbers are 31,500 ft off in the other's zone, since the
    false easting changed too (PROJ's test points). On the ground the shift is tens of feet;
    ignoring the datum would leave it at 0.
    """
    file = open_data("reference_numbers") / "spcs_florida.json"
    old, new = (
        next(
            p
            for p in json.loads(file.read_text())["points"]
            if p["datum"] == d and "N GP1" in p["name"]
        )
        for d in ("NAD27", "NAD83")
    )
    assert old["easting_ftus"] - new["easting_ftus"] == pytest.approx(31511.0, abs=0.1)
    table = points(26760, (old["easting_ftus"], old["northing_ftus"]))
    moved, notes = crs_io.to_site(table, CRS(6441), "lots")
    ignored = Transformer.from_crs(6318, 6441, always_xy=True).transform(
        degrees(old["lon"]), degrees(old["lat"])
    )
    shift_ft = np.hypot(moved.geometry[0].x - ignored[0], moved.geometry[0].y - ignored[1])
    assert 30 < shift_ft < 200
    assert re.search(r"good to about \d+ m", notes[0].text)
    assert "grid is not installed" in notes[0].text


def test_a_place_that_is_not_on_the_map():
    """A conic projection of the northern hemisphere sends the south pole to infinity."""
    with pytest.raises(CRSError, match="have no place in"):
        crs_io.to_site(points(4326, (0.0, -90.0)), CRS(6441), "lots")
