"""``geotrim prepare mhw`` from files to files: units, datums, reference systems, what is told."""

from __future__ import annotations

import json
import re
import tomllib

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from opendata import open_data
from pyproj import Transformer
from rasterio.crs import CRS as RasterioCRS
from scipy.ndimage import distance_transform_edt

from geotrim.errors import CRSError, GeotrimError, LayerError, RangeError, UnitError
from geotrim.io.site_file import site_from_tables
from geotrim.io.vectors import list_layers, read_layer
from geotrim.ops.frontages import frontage
from geotrim.prepare import mhw
from geotrim.prepare.task import GivenFile
from geotrim.prepare.work import prepare_input
from geotrim.report import mhw_figure

FOOT_M = 0.3048
SURVEY_FT = 1200 / 3937 / FOOT_M  # EPSG unit 9003, in international feet
WEST, NORTH = 900_000.0, 600_050.0  # in EPSG 6438, US survey feet


def write_ground(path, heights, *, cell=1.0, west=WEST, north=NORTH, unit="ft", **more):
    heights = np.asarray(heights)
    profile = {
        "driver": "GTiff",
        "count": 1,
        "dtype": heights.dtype,
        "height": heights.shape[0],
        "width": heights.shape[1],
        "crs": RasterioCRS.from_epsg(6438),
        "transform": Affine(cell, 0, west, 0, -cell, north),
        "nodata": np.nan,
        **more,
    }
    with rasterio.open(path, "w", **profile) as out:
        out.write(heights, 1)
        if unit:
            out.units = [unit]
    return path


def beach(rows=50, cols=200, cell=1.0, per_foot=1.0):
    """X-02: z = 0.1 (x - 100) ft, x in map units east of WEST; heights times ``per_foot``."""
    x = (np.arange(cols) + 0.5) * cell
    return np.tile(0.1 * (x - 100.0) * per_foot, (rows, 1))


def ground_file(path, **said):
    epoch = {"epoch": "1983-2001"} if said.get("datum") in ("MSL", "MLLW", "MHW") else {}
    return GivenFile(str(path), "--ground", {"datum": "NAVD88", **epoch, **said})


GIVEN = {"mhw_elevation_ft": 0.40, "mhw_datum": "NAVD88", "epoch": "1983-2001"}


@pytest.fixture(autouse=True)
def _no_figure(request, monkeypatch):
    """A figure takes a second, so only the tests that look at it draw it."""
    if "figure" not in request.node.name:
        monkeypatch.setattr(mhw, "_draw", lambda *_: None)


def run(tmp_path, files, params=GIVEN, out="out"):
    done = prepare_input("mhw", files, params, out=tmp_path / out)
    path = done.folder / "mhw_line.gpkg"
    layers = {
        name: read_layer(path, layer=name, kinds=("line", "polygon"))[0]
        for name in list_layers(path)
    }
    return done, layers


@pytest.fixture(scope="module")
def beach_run(tmp_path_factory):
    """The plane beach, its ground good to 0.328 ft (10 cm)."""
    tmp_path = tmp_path_factory.mktemp("beach")
    path = write_ground(tmp_path / "ground.tif", beach())
    return run(tmp_path, {"ground": ground_file(path, rmse_ft=0.328)})


# --- X-02 ------------------------------------------------------------------------------------


def test_plane_beach(beach_run):
    """X-02: the line at x = 104.00 ft, +-0.328 ft of height are +-3.28 ft of place."""
    _, layers = beach_run
    (line,) = layers["mhw_line"].geometry
    xy = shapely.get_coordinates(line)
    np.testing.assert_allclose(xy[:, 0] - WEST, 104.0, atol=1e-6)
    assert (np.diff(xy[:, 1]) > 0).all()  # runs north: water, in the west, on its left
    row = layers["mhw_line"].iloc[0]
    # a gentle beach: slope 0.1 international feet a survey foot, 2 parts in a million
    for name in ("median", "p90", "max", "rms"):
        assert row[f"position_error_{name}_ft"] == pytest.approx(3.28, abs=2e-5)
    assert row["length_ft"] == pytest.approx(49.0 * SURVEY_FT, rel=1e-12)
    (band,) = layers["mhw_band"].geometry
    west, _, east, _ = band.bounds
    np.testing.assert_allclose([west - WEST, east - WEST], [100.72, 107.28], atol=1e-6)
    assert layers["mhw_band"]["area_ft2"][0] == pytest.approx(6.56 * 49 * SURVEY_FT**2, rel=1e-6)


def test_what_the_pieces_say(beach_run):
    done, layers = beach_run
    row = layers["mhw_line"].iloc[0]
    assert row["kind"] == "shore" and row["origin"] == "datum-and-ground"
    assert row["vertical_datum"] == "NAVD88" and row["epoch"] == "1983-2001"
    assert row["elevation_ft"] == 0.40
    assert row["told_as"] == "approximate; not an MHW survey under ch. 177"
    assert sorted(layers) == ["mhw_band", "mhw_line"]
    with (done.folder / "for_site_file.toml").open("rb") as stream:
        table = tomllib.load(stream)["mhw_line"]
    assert table == {
        "file": "mhw_line.gpkg",
        "layer": "mhw_line",
        "origin": "datum-and-ground",
        "epoch": "1983-2001",
        "vertical_datum": "NAVD88",
        "elevation_ft": 0.4,
        "position_rmse_ft": 3.28,
        "position_rmse_is": "lower-bound",
    }
    record = json.loads((done.folder / "record.json").read_text(encoding="utf-8"))
    assert record["figures"]["n_contour_pieces"] == 1
    assert record["figures"]["length_at_low_ft"] == pytest.approx(49.0 * SURVEY_FT)
    assert "MHW at +0.40 ft NAVD88" in done.prepared.words
    assert "ft in 1 piece;" in done.prepared.words and "ft in 1 piece\n" in done.prepared.words
    assert any("1.1 ft high on average" in n.text for n in done.prepared.notes)  # L-10: 34.3 cm


def test_a_site_takes_the_line(beach_run):
    """A lot 30 survey feet wide on the beach fronts it with 30 of them."""
    done, _ = beach_run
    lot = shapely.box(WEST + 104.0, NORTH - 40.0, WEST + 190.0, NORTH - 10.0)
    lots = gpd.GeoDataFrame({"lot_id": ["A"]}, geometry=[lot], crs=6438)
    site = site_from_tables(
        {"lots": lots, "mhw_line": done.prepared.site["mhw_line"]}, folder=done.folder
    )
    assert site.mhw_origin == "datum-and-ground"
    assert site.mhw_facts["position_rmse_ft"] == 3.28
    told = [n.text for n in site.notes if n.about == "mhw_line" and n.level == "missing"]
    assert any("3.28 ft, is a lower bound" in text for text in told)
    whole = {**done.prepared.site["mhw_line"], "position_rmse_is": "whole"}
    site = site_from_tables({"lots": lots, "mhw_line": whole}, folder=done.folder)
    assert not any("lower bound" in n.text for n in site.notes)
    got = frontage(site.lots, site.mhw_line)["lots"]["frontage_length_ft"][0]
    assert got == pytest.approx(30.0 * SURVEY_FT, abs=1e-6)


@pytest.mark.parametrize(
    ("unit", "per_foot"), [("ft", 1.0), ("us-ft", 1 / SURVEY_FT), ("m", FOOT_M)], ids=str
)
def test_units_of_the_ground(tmp_path, unit, per_foot):
    """One beach in feet, survey feet and metres: one line, one error. Tiled, so in many blocks."""
    path = write_ground(
        tmp_path / "ground.tif",
        beach(600, 700, per_foot=per_foot),
        unit=None,
        tiled=True,
        blockxsize=256,
        blockysize=256,
    )
    params = {**GIVEN, "datum_error_ft": 0.3}
    done, layers = run(tmp_path, {"ground": ground_file(path, unit=unit, rmse_ft=0.4)}, params)
    (line,) = layers["mhw_line"].geometry
    np.testing.assert_allclose(shapely.get_coordinates(line)[:, 0] - WEST, 104.0, atol=1e-6)
    assert done.prepared.figures["n_blocks"] == 4
    assert done.prepared.figures["vertical_error_ft"] == pytest.approx(0.5)  # 0.3 and 0.4
    assert layers["mhw_line"]["position_error_max_ft"][0] == pytest.approx(5.0, rel=1e-5)
    assert len(layers["mhw_band"].geometry[0].geoms) == 1
    west, _, east, _ = layers["mhw_band"].total_bounds
    np.testing.assert_allclose([west - WEST, east - WEST], [99.0, 109.0], atol=1e-6)


def test_a_flat_at_the_level_in_single_precision(tmp_path):
    """0.4 in single precision is a little over 0.4, and still at the level: covered to its edge."""
    heights = np.tile(np.array([0.0, 0.4, 0.4, 0.4, 0.8], dtype=np.float32), (9, 1))
    path = write_ground(tmp_path / "ground.tif", heights)
    _, layers = run(tmp_path, {"ground": ground_file(path)})
    xy = shapely.get_coordinates(layers["mhw_line"].geometry[0])
    np.testing.assert_allclose(xy[:, 0] - WEST, 3.5, atol=1e-6)  # the last flat cell's centre


def test_elevation_in_metres(tmp_path):
    path = write_ground(tmp_path / "ground.tif", beach())
    params = {"mhw_elevation_m": 0.4 * FOOT_M, "mhw_datum": "NAVD 88", "epoch": "1983-2001"}
    done, layers = run(tmp_path, {"ground": ground_file(path)}, params)
    xy = shapely.get_coordinates(layers["mhw_line"].geometry[0])
    np.testing.assert_allclose(xy[:, 0] - WEST, 104.0, atol=1e-6)
    assert "mhw_band" not in layers
    assert layers["mhw_line"]["error_is_lower_bound"][0]
    assert np.isnan(layers["mhw_line"]["position_error_rms_ft"].astype(float)[0])
    assert "position_rmse_ft" not in done.prepared.site["mhw_line"]
    assert any(n.level == "missing" and "--ground-rmse-ft" in n.text for n in done.prepared.notes)


def test_an_error_of_the_level_alone_is_not_the_error_of_the_line(tmp_path):
    path = write_ground(tmp_path / "ground.tif", beach())
    done, layers = run(tmp_path, {"ground": ground_file(path)}, {**GIVEN, "datum_error_ft": 0.1})
    assert "mhw_band" not in layers and done.prepared.figures["vertical_error_ft"] is None


def test_an_error_of_zero_is_stated_and_zero(tmp_path):
    path = write_ground(tmp_path / "ground.tif", beach())
    done, layers = run(tmp_path, {"ground": ground_file(path, rmse_ft=0.0)})
    assert layers["mhw_line"]["position_error_max_ft"][0] == 0.0
    assert done.prepared.site["mhw_line"]["position_rmse_ft"] == 0.0


# --- reference systems -------------------------------------------------------------------------


@pytest.mark.parametrize("epsg", [4269, 26917], ids=["degrees", "UTM metres"])
def test_ground_in_another_reference_system(tmp_path, epsg):
    """Cells in degrees or metres over the same plane beach, lots in survey feet.

    Heights are worked out from each cell's place in EPSG 6438, so the line is known there.
    """
    own = Transformer.from_crs(6438, epsg, always_xy=True)
    corner = own.transform(WEST, NORTH)
    cell = (1.2e-5, 1.0e-5) if epsg == 4269 else (1.1, 1.1)
    col, row = np.meshgrid(np.arange(60) + 0.5, np.arange(80) + 0.5)
    there = corner[0] + cell[0] * col, corner[1] - cell[1] * row
    x, _ = own.transform(*there, direction="INVERSE")
    path = write_ground(
        tmp_path / "ground.tif",
        0.1 * (x - WEST - 100.0),
        crs=RasterioCRS.from_epsg(epsg),
        transform=Affine(cell[0], 0, corner[0], 0, -cell[1], corner[1]),
    )
    lots = tmp_path / "lots.gpkg"
    lot = shapely.box(WEST + 104, NORTH - 150, WEST + 180, NORTH - 100)
    gpd.GeoDataFrame({"lot_id": ["A"]}, geometry=[lot], crs=6438).to_file(lots)
    files = {"ground": ground_file(path, rmse_ft=0.328), "lots": str(lots)}
    _, layers = run(tmp_path, files, {**GIVEN, "margin_ft": 60.0})
    assert layers["mhw_line"].crs.to_epsg() == 6438
    (line,) = layers["mhw_line"].geometry
    xy = shapely.get_coordinates(line)
    np.testing.assert_allclose(xy[:, 0] - WEST, 104.0, atol=2e-4)
    assert xy[0, 1] < xy[-1, 1]  # water in the west, on the left
    assert layers["mhw_line"]["position_error_max_ft"][0] == pytest.approx(3.28, rel=2e-4)
    # read around the lot only: 60 ft and less than two cells (8 ft) more
    assert NORTH - 150 - 68.5 < xy[:, 1].min() <= NORTH - 150 - 60
    assert NORTH - 100 + 68.5 > xy[:, 1].max() >= NORTH - 100 + 60
    np.testing.assert_allclose(
        np.array(layers["mhw_band"].total_bounds)[[0, 2]] - WEST, [100.72, 107.28], atol=1e-3
    )


def test_ground_in_degrees_alone_goes_to_the_zone_of_its_place(tmp_path):
    """24.55 N, 81.8 W, Key West: Florida East (U-01, U-02: EPSG 6438)."""
    heights = np.tile(np.linspace(-2.0, 2.0, 50), (40, 1))
    path = write_ground(
        tmp_path / "ground.tif",
        heights,
        crs=RasterioCRS.from_epsg(4269),
        transform=Affine(1e-5, 0, -81.8, 0, -1e-5, 24.55),
    )
    done, layers = run(tmp_path, {"ground": ground_file(path)})
    assert layers["mhw_line"].crs.to_epsg() == 6438
    assert any("chosen from the position of the ground" in n.text for n in done.prepared.notes)


@pytest.mark.parametrize(
    ("turn_deg", "down"), [(30.0, -1.0), (0.0, 1.0), (-75.0, -1.0), (200.0, 1.0)]
)
def test_south_up_and_turned_grids(tmp_path, turn_deg, down):
    """The beach on a grid turned about its middle, row 0 in the north or in the south: one line."""
    cos, sin = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    a, b, d, e = cos, -down * sin, sin, down * cos
    c, f = WEST + 100.0 - 30.0 * (a + b), NORTH - 30.0 * (d + e)
    col, row = np.meshgrid(np.arange(60) + 0.5, np.arange(60) + 0.5)
    x = a * col + b * row + c
    heights = 0.1 * (x - WEST - 100.0)
    path = write_ground(tmp_path / "ground.tif", heights, transform=Affine(a, b, c, d, e, f))
    _, layers = run(tmp_path, {"ground": ground_file(path, rmse_ft=0.328)})
    (line,) = layers["mhw_line"].geometry
    xy = shapely.get_coordinates(line)
    np.testing.assert_allclose(xy[:, 0] - WEST, 104.0, atol=1e-6)
    assert xy[0, 1] < xy[-1, 1]
    assert layers["mhw_line"]["position_error_median_ft"][0] == pytest.approx(3.28, rel=1e-5)


def test_only_blocks_near_a_lot_are_read(tmp_path):
    """Three lots on a long beach: the line is drawn near each, and not where there is none.

    Blocks are 512 cells, from row 69 on: the second lot lies 6 cells before the end of one.
    """
    path = write_ground(
        tmp_path / "ground.tif",
        beach(3000, 200).astype(np.float32),
        tiled=True,
        blockxsize=64,
        blockysize=64,
    )
    shapes = [
        shapely.box(WEST + 104, NORTH - top - 10, WEST + 150, NORTH - top)
        for top in (100, 565, 2800)
    ]
    lots = tmp_path / "lots.gpkg"
    gpd.GeoDataFrame({"lot_id": ["A", "B", "C"]}, geometry=shapes, crs=6438).to_file(lots)
    files = {"ground": ground_file(path), "lots": str(lots)}
    done, layers = run(tmp_path, files, {**GIVEN, "margin_ft": 30.0})
    assert len(layers["mhw_line"]) == 2
    for lot in shapes:
        near = shapely.box(*lot.buffer(29).bounds)
        got = shapely.intersection(shapely.union_all(layers["mhw_line"].geometry.array), near)
        assert got.length == pytest.approx(68.0, abs=1e-3)  # 10 and 29 on both sides
    assert layers["mhw_line"]["length_ft"].sum() < 2 * 1100
    assert any("within about 30 ft of the lots" in n.text for n in done.prepared.notes)


# --- kinds, short pieces, smoothing ---------------------------------------------------------------


def bay():
    """A beach with an island of radius 10 in the water and a pond of radius 6 in the land."""
    y, x = np.mgrid[0:120, 0:200] + 0.5
    shore = np.clip(0.1 * (x - 100.0), -3.0, 3.0)
    island = 3.4 - 0.3 * np.hypot(x - 40, y - 60)  # 0.4 at 10
    pond = 0.4 + 0.5 * (np.hypot(x - 160, y - 50) - 6.0)  # 0.4 at 6
    return np.minimum(np.maximum(shore, island), np.where(x > 120, pond, 99.0))


def test_islands_and_ponds_apart(tmp_path):
    path = write_ground(tmp_path / "ground.tif", bay())
    done, layers = run(tmp_path, {"ground": ground_file(path, rmse_ft=0.1)})
    line, ponds = layers["mhw_line"], layers["mhw_ponds"]
    assert list(line["kind"]) == ["shore", "island"] and list(ponds["kind"]) == ["pond"]
    assert list(line["line_id"]) == ["shore-1", "island-2"]
    assert line["length_ft"][1] == pytest.approx(2 * np.pi * 10, rel=0.01)
    assert ponds["length_ft"][0] == pytest.approx(2 * np.pi * 6, rel=0.01)
    assert line["position_error_median_ft"][1] == pytest.approx(0.1 / 0.3, rel=0.05)
    figures = done.prepared.figures
    assert (figures["n_shore"], figures["n_island"], figures["n_pond"]) == (1, 1, 1)
    assert figures["line_length_ft"] == pytest.approx(line["length_ft"].sum())
    assert "ft in 3 pieces;" in done.prepared.words
    assert "ft in 2 pieces (ponds apart)" in done.prepared.words


def test_ponds_with_the_line_and_islands_left_out(tmp_path):
    path = write_ground(tmp_path / "ground.tif", bay())
    params = {**GIVEN, "with_ponds": True, "least_island_ft": 70.0}
    done, layers = run(tmp_path, {"ground": ground_file(path)}, params)
    assert list(layers["mhw_line"]["kind"]) == ["shore", "pond"]
    assert "mhw_ponds" not in layers
    dropped = done.prepared.figures["dropped"]
    assert dropped == {"island": {"n_pieces": 1, "length_ft": pytest.approx(62.8, abs=0.5)}}
    assert any(
        "1 island piece shorter than 70 ft left out, 62." in n.text for n in done.prepared.notes
    )


@pytest.mark.parametrize(("least_ft", "is_kept"), [(200.0, True), (210.0, False)])
def test_shortest_lengths_are_feet_on_a_grid_in_metres(tmp_path, least_ft, is_kept):
    """An island of radius 10 m: 62.8 m around, 206 ft."""
    metres = {"crs": RasterioCRS.from_epsg(6437), "west": 250_000.0, "north": 180_000.0}
    path = write_ground(tmp_path / "ground.tif", bay(), **metres)
    _, layers = run(tmp_path, {"ground": ground_file(path)}, {**GIVEN, "least_island_ft": least_ft})
    assert ("island" in set(layers["mhw_line"]["kind"])) == is_kept


def test_nothing_left_is_told(tmp_path):
    y, x = np.mgrid[0:40, 0:40] + 0.5
    path = write_ground(tmp_path / "ground.tif", 0.3 * (np.hypot(x - 20, y - 20) - 6.0))
    with pytest.raises(LayerError, match=r"1 closed around water.*--with-ponds"):
        run(tmp_path, {"ground": ground_file(path)})
    params = {**GIVEN, "with_ponds": True, "least_pond_ft": 100.0}
    with pytest.raises(LayerError, match="1 pond too short"):
        run(tmp_path, {"ground": ground_file(path)}, params)


def test_ground_that_does_not_meet_the_level(tmp_path):
    path = write_ground(tmp_path / "ground.tif", beach() + 20.0)
    with pytest.raises(LayerError, match=r"no ground at \+0.40 ft NAVD88: it lies from \+10\.\d\d"):
        run(tmp_path, {"ground": ground_file(path)})
    path = write_ground(tmp_path / "empty.tif", np.full((9, 9), np.nan))
    with pytest.raises(LayerError, match="no data there"):
        run(tmp_path, {"ground": ground_file(path)})
    assert not (tmp_path / "out").exists()


def test_smoothing_is_told(tmp_path):
    """X-07's shore, y = 5 sin(2 pi x / 50): smoothing takes length, moves nothing beyond 1 ft."""
    y, x = np.mgrid[0:60, 0:301] + 0.5
    path = write_ground(tmp_path / "ground.tif", 30 - y - 5.0 * np.sin(2 * np.pi * x / 50.0))
    files = {"ground": ground_file(path, rmse_ft=0.3)}
    plain, rough = run(tmp_path, files, out="plain")
    params = {**GIVEN, "smooth_ft": 8.0, "most_move_ft": 1.0}
    done, soft = run(tmp_path, files, params, out="soft")
    assert any("not smoothed" in n.text for n in plain.prepared.notes)
    told = done.prepared.figures["smoothing"]
    before, after = rough["mhw_line"]["length_ft"][0], soft["mhw_line"]["length_ft"][0]
    assert told["length_before_ft"] == pytest.approx(before)
    assert told["length_after_ft"] == pytest.approx(after)
    assert after < before - 5.0
    moved = [
        np.hypot(*(shapely.get_coordinates(a) - shapely.get_coordinates(b)).T).max() * SURVEY_FT
        for a, b in zip(rough["mhw_line"].geometry, soft["mhw_line"].geometry, strict=True)
    ]
    assert max(moved) == pytest.approx(told["most_moved_ft"], abs=1e-6)
    assert told["most_moved_ft"] == pytest.approx(1.0)
    assert any("Mokhtarian and Mackworth" in n.text for n in done.prepared.notes)


def test_smoothing_that_makes_lines_cross_is_told(tmp_path):
    """An islet in the bend of a creek: the creek drawn straight runs over it."""
    y, x = np.mgrid[0:60, 0:200] + 0.5
    bend = 20 * np.exp(-(((x - 100) / 12) ** 2))  # shore at y = 15 + bend, land below it
    islet = 5.0 - np.hypot(x - 100, y - 24)  # 2 at a radius of 3: 0.4 ft
    path = write_ground(tmp_path / "ground.tif", np.maximum(y - 15 - bend, islet) / 5.0)
    params = {**GIVEN, "smooth_ft": 25.0, "most_move_ft": 50.0}
    done, layers = run(tmp_path, {"ground": ground_file(path)}, params)
    crossing = shapely.crosses(*layers["mhw_line"].geometry[:2])
    assert any("1 closed line too short to be smoothed" in n.text for n in done.prepared.notes)
    assert crossing and done.prepared.figures["smoothing"]["n_new_crossings"] == 1
    assert any("made 1 line cross; smooth less" in n.text for n in done.prepared.notes)
    done, _ = run(
        tmp_path, {"ground": ground_file(path)}, {**params, "most_move_ft": 0.5}, out="less"
    )
    assert done.prepared.figures["smoothing"]["n_new_crossings"] == 0
    assert not any("cross" in n.text for n in done.prepared.notes)


def test_flat_ground_is_capped_and_told(tmp_path):
    """Half of the beach at 1:1000: 0.328 ft are 328 ft there, told as the cap."""
    heights = beach(100)
    heights[50:] = 0.4 + (heights[50:] - 0.4) / 100.0
    path = write_ground(tmp_path / "ground.tif", heights)
    files = {"ground": ground_file(path, rmse_ft=0.328)}
    done, layers = run(tmp_path, files, {**GIVEN, "most_error_ft": 60.0, "datum_error_ft": 0.0})
    row = layers["mhw_line"].iloc[0]
    assert row["position_error_max_ft"] == 60.0
    assert row["capped_frac"] == pytest.approx(0.5, abs=0.02)
    assert row["position_error_p90_ft"] == 60.0
    rms = np.sqrt((3.28**2 + 60.0**2) / 2)  # half of the length each
    assert row["position_error_rms_ft"] == pytest.approx(rms, rel=0.02)
    assert done.prepared.site["mhw_line"]["position_rmse_ft"] == pytest.approx(rms, rel=0.02)
    note = next(n.text for n in done.prepared.notes if "so flat" in n.text)
    assert "60 ft or more" in note
    assert row["error_is_lower_bound"]
    assert "cut off on flat ground" in told_of(done, "position of the line")
    assert not layers["mhw_band"]["error_is_lower_bound"][0]  # the band is not cut off
    # the band holds the flat whole: nothing is capped there
    assert layers["mhw_band"].total_bounds[2] - WEST == pytest.approx(199.5)


def test_a_length_that_depends_on_the_level_is_told(tmp_path):
    """A row of bumps 0.3 ft over the level: gone a little higher, whole a little lower."""
    y, x = np.mgrid[0:60, 0:400] + 0.5
    bumps = 0.7 * np.cos(2 * np.pi * x / 20) * np.cos(2 * np.pi * y / 20)
    heights = np.where(y < 12, 2.0 - 0.2 * y, bumps)
    path = write_ground(tmp_path / "ground.tif", heights)
    done, _ = run(tmp_path, {"ground": ground_file(path, rmse_ft=0.35)})
    figures = done.prepared.figures
    assert figures["length_at_high_ft"] < 0.7 * figures["length_at_level_ft"]
    assert any("the length depends on the level" in n.text for n in done.prepared.notes)


# --- datums ----------------------------------------------------------------------------------

ROWS = """station_id,lon,lat,ref_datum,MHW_ft,MSL_ft,NAVD88_ft{more}
8724580,-81.8081,24.55083,MLLW,1.52,0.89,1.76{a}
8723970,-81.1065,24.711,MLLW,0.87,0.51,1.34{b}
8535221,-74.71,39.1767,MLLW,4.1,2.16,{c}
"""


def stations_file(tmp_path, more="", a="", b="", c=""):
    path = tmp_path / "stations.csv"
    path.write_text(ROWS.format(more=more, a=a, b=b, c=c), encoding="utf-8")
    return str(path)


def key_west(tmp_path, heights=None):
    """A ground near Key West, sloping from -2 to 2."""
    heights = np.tile(np.linspace(-2.0, 2.0, 81), (30, 1)) if heights is None else heights
    return write_ground(
        tmp_path / "ground.tif",
        heights,
        crs=RasterioCRS.from_epsg(4269),
        transform=Affine(1e-5, 0, -81.8081 - 0.0004, 0, -1e-5, 24.55083 + 0.0002),
    )


@pytest.mark.parametrize(
    ("datum", "station", "want_ft"),
    [
        ("NAVD88", "8724580", -0.24),  # 1.52 - 1.76, NOAA published datums
        ("NAVD88", "8723970", -0.47),  # 0.87 - 1.34
        ("MSL", "8724580", 0.63),  # 1.52 - 0.89
        ("MLLW", "8724580", 1.52),  # heights of the table are above MLLW
        ("MSL", "8535221", 1.94),  # 4.10 - 2.16; it publishes no NAVD88
    ],
)
def test_elevation_from_a_station(tmp_path, datum, station, want_ft):
    files = {
        "ground": ground_file(key_west(tmp_path), datum=datum),
        "stations": stations_file(tmp_path),
    }
    params = {"station": station, "epoch": "1983-2001", "station_reach_ft": 1e7}
    done, layers = run(tmp_path, files, params)
    assert layers["mhw_line"]["elevation_ft"][0] == pytest.approx(want_ft, abs=1e-9)
    assert layers["mhw_line"]["vertical_datum"][0] == datum
    assert done.prepared.site["mhw_line"]["elevation_ft"] == pytest.approx(want_ft)
    told = [n.text for n in done.prepared.notes if n.about == "stations"]
    assert any("the tide of one station" in text for text in told)
    assert any("miles away; tides change" in text for text in told) == (station != "8724580")


def test_elevation_between_stations(tmp_path):
    """The ground lies at Key West to about 100 ft, so its own value holds to a millionth."""
    files = {
        "ground": ground_file(key_west(tmp_path), rmse_ft=0.3),
        "stations": stations_file(tmp_path),
    }
    params = {"station": "8724580, 8723970", "epoch": "1983-2001", "station_reach_ft": 3e5}
    done, _ = run(tmp_path, files, params)
    figures = done.prepared.figures
    assert figures["mhw_elevation_ft"] == pytest.approx(-0.24, abs=1e-5)
    assert figures["station_spread_ft"] == pytest.approx(0.23, abs=1e-5)
    assert figures["vertical_error_ft"] == pytest.approx(np.hypot(0.3, 0.23), abs=1e-5)
    # Key West to Vaca Key on the sphere of 6371 km: haversine, good to half a percent
    lat = np.radians([24.55083, 24.711])
    dlon = np.radians(81.8081 - 81.1065)
    half = np.sin(np.ptp(lat) / 2) ** 2 + np.prod(np.cos(lat)) * np.sin(dlon / 2) ** 2
    away_ft = 2 * 6_371_000 / FOOT_M * np.arcsin(np.sqrt(half))
    assert figures["stations"][1]["distance_ft"] == pytest.approx(away_ft, rel=0.005)
    assert figures["error_is_lower_bound"]
    assert "; taken as its error, of which two show only a part" in told_of(done, "stations")
    assert "lower bound" in told_of(done, "position of the line")
    assert "off by at least" in done.prepared.words
    done, layers = run(tmp_path, files, {**params, "datum_error_ft": 0.4}, out="stated")
    assert done.prepared.figures["vertical_error_ft"] == pytest.approx(0.5)
    assert not layers["mhw_line"]["error_is_lower_bound"][0]
    assert done.prepared.site["mhw_line"]["position_rmse_is"] == "whole"
    assert "lower bound" not in told_of(done, "position of the line")
    assert "at least" not in done.prepared.words


def test_elevation_between_stations_above_their_own_reference(tmp_path):
    """Half way between two invented stations: MHW 1.5 and 1.9 ft above MLLW, their reference."""
    table = tmp_path / "stations.csv"
    lat = 24.55083 + 0.0002 - 15e-5  # of the ground's middle
    lon = -81.8081 - 0.0004 + 40.5e-5
    rows = [f"W,{lon - 0.1:.7f},{lat:.7f},MLLW,1.5", f"E,{lon + 0.1:.7f},{lat:.7f},MLLW,1.9"]
    table.write_text("\n".join(["station_id,lon,lat,ref_datum,MHW_ft", *rows]), encoding="utf-8")
    files = {"ground": ground_file(key_west(tmp_path), datum="MLLW"), "stations": str(table)}
    done, layers = run(tmp_path, files, {"station": "W,E", "epoch": "1983-2001"})
    assert done.prepared.figures["mhw_elevation_ft"] == pytest.approx(1.7, abs=1e-4)
    assert layers["mhw_line"]["vertical_datum"][0] == "MLLW"


def told_of(done, about):
    return "\n".join(n.text for n in done.prepared.notes if n.about == about)


@pytest.mark.parametrize(
    ("mhw", "vertical_ft", "is_least", "words"),
    [
        ([1.5, 1.8], np.hypot(0.3, 0.15), True, "known in part"),  # half way: 0.15 from either
        ([1.5, 1.5], 0.3, True, "is not known"),
        ([1.5], 0.3, True, "is not known"),
        ([1.5, 1.5, 1.5], 0.3, True, "is not known"),
        ([1.5, 1.8, 1.65], np.hypot(0.3, 0.15), False, None),
    ],
    ids=str,
)
def test_an_error_known_in_part_is_a_lower_bound(tmp_path, mhw, vertical_ft, is_least, words):
    """Invented stations a tenth of a degree west, east and south of the ground's middle."""
    middle = -81.8081 - 0.0004 + 40.5e-5, 24.55083 + 0.0002 - 15e-5
    places = [(-0.1, 0.0), (0.1, 0.0), (0.0, -0.1)]
    rows = [
        f"S{k},{middle[0] + x:.6f},{middle[1] + y:.6f},{value},1.7"
        for k, ((x, y), value) in enumerate(zip(places, mhw, strict=False))
    ]
    table = tmp_path / "stations.csv"
    table.write_text("\n".join(["station_id,lon,lat,MHW_ft,NAVD88_ft", *rows]), encoding="utf-8")
    files = {"ground": ground_file(key_west(tmp_path), rmse_ft=0.3), "stations": str(table)}
    done, layers = run(tmp_path, files, {"stations_within_ft": 9e4, "epoch": "1983-2001"})
    figures = done.prepared.figures
    assert figures["vertical_error_ft"] == pytest.approx(vertical_ft, abs=1e-3)
    assert figures["error_is_lower_bound"] == is_least
    for name in ("mhw_line", "mhw_band"):
        assert list(layers[name]["error_is_lower_bound"]) == [is_least]
    told = told_of(done, "position of the line")
    assert ("or more): the error of the MHW elevation" in told) == is_least
    assert words is None or words in told


def test_stations_within_a_distance(tmp_path):
    table = tmp_path / "stations.csv"
    head, *rows = ROWS.format(more="", a="", b="", c="").splitlines()
    table.write_text("\n".join([head, *rows[::-1]]), encoding="utf-8")  # the nearest last
    files = {"ground": ground_file(key_west(tmp_path)), "stations": str(table)}
    params = {"stations_within_ft": 3e5, "station_reach_ft": 3e5, "epoch": "1983-2001"}
    done, _ = run(tmp_path, files, params)
    assert [s["station_id"] for s in done.prepared.figures["stations"]] == ["8724580", "8723970"]
    assert "8724580, 8723970, weighted by one over" in done.prepared.figures["mhw_elevation_from"]
    assert not any("does not lie among" in n.text for n in done.prepared.notes)
    far = {"stations_within_ft": 1.0, "epoch": "1983-2001"}
    with pytest.raises(LayerError, match=r"no station within 1 ft.*8724580, is [\d,]+ ft away"):
        run(tmp_path, files, far, out="far")


def test_between_two_stations_east_and_west(tmp_path):
    """Invented stations on Key West's latitude, one on each side of it."""
    table = tmp_path / "stations.csv"
    rows = ["station_id,lon,lat,MHW_ft,NAVD88_ft", "W,-82.0,24.55,1.5,1.7", "E,-81.6,24.55,1.5,1.7"]
    table.write_text("\n".join(rows), encoding="utf-8")
    files = {"ground": ground_file(key_west(tmp_path)), "stations": str(table)}
    done, _ = run(tmp_path, files, {"station": "W,E", "epoch": "1983-2001"})
    assert done.prepared.figures["mhw_elevation_ft"] == pytest.approx(-0.2)
    assert not any("does not lie among" in n.text for n in done.prepared.notes)


def test_beyond_the_stations_is_told(tmp_path):
    """Vaca Key and a station in New Jersey: Key West lies south-west of both."""
    files = {
        "ground": ground_file(key_west(tmp_path), datum="MSL"),
        "stations": stations_file(tmp_path),
    }
    params = {"station": "8723970,8535221", "epoch": "1983-2001", "station_reach_ft": 1e7}
    done, _ = run(tmp_path, files, params)
    assert any("does not lie among the stations" in n.text for n in done.prepared.notes)


def one_station(tmp_path, lon, lat):
    """Key West's published heights at a place of our choice, and a ground near Key West."""
    table = tmp_path / "stations.csv"
    table.write_text(f"station_id,lon,lat,MHW_ft,NAVD88_ft\nA,{lon},{lat},1.52,1.76\n")
    return {"ground": ground_file(key_west(tmp_path)), "stations": str(table)}


@pytest.mark.parametrize("way", [{"station": "A"}, {"stations_within_ft": 1e6}], ids=str)
def test_a_station_far_away_is_refused(tmp_path, way):
    """Half a degree of latitude at 24.8 N is 55.4 km, 34.4 miles; two fifths are 27.5 miles.

    110,770 m a degree there (WGS 84, by the series for the meridian arc); 30 miles are allowed.
    """
    params = {**way, "epoch": "1983-2001"}
    files = one_station(tmp_path, -81.8081, 25.05083)
    with pytest.raises(RangeError, match=r"station A: found it at.*, 34\.4 miles from") as c:
        run(tmp_path, files, params)
    assert "within 158,400 ft (30.0 miles)" in str(c.value)
    enough = float(c.value.mend.split("--station-reach-ft ")[1])
    run(tmp_path, files, {**params, "station_reach_ft": enough}, out="stated")
    run(tmp_path, one_station(tmp_path, -81.8081, 24.95083), params, out="near")


def test_the_far_one_of_several_is_refused(tmp_path):
    """Vaca Key is 45 miles from Key West, whose own station is beside the ground."""
    files = {"ground": ground_file(key_west(tmp_path)), "stations": stations_file(tmp_path)}
    with pytest.raises(RangeError, match=r"station 8723970: found it at .* 45\.\d miles"):
        run(tmp_path, files, {"station": "8724580,8723970", "epoch": "1983-2001"})


@pytest.mark.parametrize(
    ("lon", "lat", "words"),
    [
        (81.8, 24.6, r"sign of its longitude: -81\.8 would be near"),
        (-81.8, -24.6, r"sign of its latitude: 24\.6 would be near"),
        (24.6, -81.8, "the other way round they would be near"),
        (24.6, 81.8, "the other way round, west below 0"),
        (-75.1, 38.8, "name a nearer one"),
    ],
)
def test_a_place_written_wrong_is_hinted_at(tmp_path, lon, lat, words):
    files = one_station(tmp_path, lon, lat)
    with pytest.raises(RangeError, match=words):
        run(tmp_path, files, {"station": "A", "epoch": "1983-2001"})
    if "nearer" not in words:
        with pytest.raises(LayerError, match=words):
            run(tmp_path, files, {"stations_within_ft": 10.0, "epoch": "1983-2001"})


def datum_grid(tmp_path, value_m=0.3, first_col=0):
    """A grid in GTX's way: degrees from 0 to 360, -88.8888 for no value."""
    values = np.full((20, 20), value_m, dtype=np.float32)
    values[0] = -88.8888
    values[:, :first_col] = -88.8888
    path = write_ground(
        tmp_path / "grid.tif",
        values,
        unit=None,
        crs=RasterioCRS.from_epsg(4269),
        transform=Affine(0.002, 0, 360 - 81.83, 0, -0.002, 24.57),
        nodata=-88.8888,
    )
    return GivenFile(str(path), "--datum-grid", {"unit": "m"})


@pytest.mark.parametrize(
    ("datum", "shift", "want_ft"),
    [("MSL", None, 0.3 / FOOT_M), ("NAVD88", -0.87, 0.3 / FOOT_M - 0.87)],
)
def test_elevation_from_a_grid(tmp_path, datum, shift, want_ft):
    files = {
        "ground": ground_file(key_west(tmp_path), datum=datum),
        "datum_grid": datum_grid(tmp_path),
    }
    params = {"epoch": "1983-2001", "msl_above_navd88_ft": shift}
    done, layers = run(tmp_path, files, params)
    assert layers["mhw_line"]["elevation_ft"][0] == pytest.approx(want_ft, abs=1e-6)
    assert any("0.98 ft above local mean sea level" in n.text for n in done.prepared.notes)
    assert [item.role for item in done.prepared.inputs] == ["ground", "datum_grid"]


def test_a_grid_without_a_value_at_the_lots(tmp_path):
    """The place, 81.8081 W, lies at column 10.95 of cells of 0.002 deg from 81.83 W.

    Cells have a value from column 11 on, whose centre is at 11.5 (81.807 W): the place's neighbours
    hold 0.45 of the weight, too little, and the nearest centre is 0.0011 deg away.
    """
    ground = ground_file(key_west(tmp_path), datum="MSL")
    files = {"ground": ground, "datum_grid": datum_grid(tmp_path, first_col=11)}
    with pytest.raises(LayerError, match="--grid-reach-ft"):
        run(tmp_path, files, {"epoch": "1983-2001"})
    done, _ = run(tmp_path, files, {"epoch": "1983-2001", "grid_reach_ft": 2000.0})
    figures = done.prepared.figures
    # 0.0011 deg of longitude is 365 ft at this latitude, 0.00017 deg of latitude 62 ft (by hand)
    assert figures["grid_away_ft"] == pytest.approx(np.hypot(365, 62), rel=0.02)
    assert figures["grid_known_frac"] == pytest.approx(0.45, abs=0.01)
    (note,) = [n for n in done.prepared.notes if n.about == "datum grid"]
    assert note.level == "assumed" and re.search(r"taken 3[67]\d ft away", note.text)


def test_a_grid_with_some_neighbours(tmp_path):
    """The same place half a cell farther in: column 10 unknown, so 0.55 of the weight is known."""
    values = np.full((20, 20), 0.3, dtype=np.float32)
    values[:, :11] = -88.8888
    path = write_ground(
        tmp_path / "grid.tif",
        values,
        unit="m",
        crs=RasterioCRS.from_epsg(4269),
        transform=Affine(0.002, 0, 360 - 81.83 - 0.0002, 0, -0.002, 24.57),
        nodata=-88.8888,
    )
    files = {"ground": ground_file(key_west(tmp_path), datum="MSL"), "datum_grid": str(path)}
    done, _ = run(tmp_path, files, {"epoch": "1983-2001"})
    assert done.prepared.figures["grid_known_frac"] == pytest.approx(0.55, abs=0.01)
    assert done.prepared.figures["mhw_elevation_ft"] == pytest.approx(0.3 / FOOT_M, abs=1e-6)
    (note,) = [n for n in done.prepared.notes if n.about == "datum grid"]
    assert note.level == "assumed" and "hold 55% of the weight" in note.text


# Each: what is said of the ground, files beside it, parameters, error, words of the message.
CONTRADICTIONS = {
    "no elevation": ({}, (), {"epoch": "1983-2001"}, GeotrimError, "MHW elevation: found none"),
    "two elevations": (
        {},
        (),
        {**GIVEN, "mhw_elevation_m": 0.1},
        GeotrimError,
        "--mhw-elevation-ft and --mhw-elevation-m",
    ),
    "elevation and stations": (
        {},
        ("stations",),
        GIVEN,
        GeotrimError,
        "--mhw-elevation-ft and --stations",
    ),
    "no datum of the elevation": (
        {},
        (),
        {"mhw_elevation_ft": 0.4, "epoch": "1983-2001"},
        CRSError,
        "above nothing stated",
    ),
    "no epoch": ({}, (), {"mhw_elevation_ft": 0.4, "mhw_datum": "NAVD88"}, RangeError, "no tidal"),
    "no datum of the ground": ({"datum": None}, (), GIVEN, CRSError, "a guess is not accepted"),
    "ground in MSL, elevation in NAVD88": (
        {"datum": "MSL"},
        (),
        GIVEN,
        CRSError,
        "found NAVD88, where the ground is in MSL",
    ),
    "ground in NAVD88, elevation in MLLW": (
        {},
        (),
        {**GIVEN, "mhw_datum": "MLLW"},
        CRSError,
        "MHW elevation datum: found MLLW, where the ground is in NAVD88",
    ),
    "datums nobody knows": (
        {"datum": "Foo"},
        (),
        {**GIVEN, "mhw_datum": "Foo"},
        CRSError,
        r"--ground datum: found 'Foo'.*one of NAVD88, ",
    ),
    "elevation above a datum nobody knows": (
        {},
        (),
        {**GIVEN, "mhw_datum": "Foo"},
        CRSError,
        r"--mhw-datum: found 'Foo'",
    ),
    "two local datums": (
        {"datum": "local:Pass A", "epoch": "1983-2001"},
        (),
        {**GIVEN, "mhw_datum": "local:Pass B"},
        CRSError,
        "found local:Pass B, where the ground is in local:Pass A",
    ),
    "local datum without epoch": (
        {"datum": "local:Pass A"},
        (),
        {**GIVEN, "mhw_datum": "local:Pass A"},
        RangeError,
        "--ground-epoch",
    ),
    "ground of another epoch": (
        {"datum": "MSL", "epoch": "2002-2020"},
        (),
        {**GIVEN, "mhw_datum": "MSL"},
        RangeError,
        r"1983-2001 \(--epoch\); 2002-2020 \(the ground\)",
    ),
    "ground above a tidal datum without epoch": (
        {"datum": "MSL", "epoch": None},
        (),
        {**GIVEN, "mhw_datum": "MSL"},
        RangeError,
        r"a ground above MSL.*none stated.*--ground-epoch 1983-2001 if",
    ),
    "no unit": ({"unit": None}, (), GIVEN, UnitError, "ground unit"),
    "station not named": ({}, ("stations",), {"epoch": "1983-2001"}, GeotrimError, "neither --st"),
    "stations named twice": (
        {},
        ("stations",),
        {"epoch": "1983-2001", "station": "8724580", "stations_within_ft": 9.0},
        GeotrimError,
        "both of them",
    ),
    "station without NAVD88": (
        {},
        ("stations",),
        {"epoch": "1983-2001", "station": "8535221", "station_reach_ft": 1e7},
        LayerError,
        r"no published NAVD88.*publishes MSL",
    ),
    "station that is not in the table": (
        {},
        ("stations",),
        {"epoch": "1983-2001", "station": "872458"},
        LayerError,
        r"--station: found station '872458'.*say --station 8724580",
    ),
    "station without epoch": (
        {},
        ("stations",),
        {"station": "8724580"},
        RangeError,
        "no tidal epoch",
    ),
    "datum beside stations": (
        {},
        ("stations",),
        {"epoch": "1983-2001", "station": "8724580", "mhw_datum": "NAVD88"},
        GeotrimError,
        "--mhw-datum: found it beside --stations",
    ),
    "station beside a given elevation": (
        {},
        (),
        {**GIVEN, "station": "8724580"},
        GeotrimError,
        "only with --stations",
    ),
    "grid under a ground in NAVD88": (
        {},
        ("datum_grid",),
        {"epoch": "1983-2001"},
        CRSError,
        "--msl-above-navd88-ft",
    ),
    "grid under a ground in MLLW": (
        {"datum": "MLLW"},
        ("datum_grid",),
        {"epoch": "1983-2001"},
        CRSError,
        "and a ground above MLLW",
    ),
    "grid of MSL with a shift to NAVD88": (
        {"datum": "MSL"},
        ("datum_grid",),
        {"epoch": "1983-2001", "msl_above_navd88_ft": -0.9},
        CRSError,
        "with --msl-above-navd88-ft",
    ),
}


@pytest.mark.parametrize("case", CONTRADICTIONS)
def test_contradictions(tmp_path, case):
    said, beside, params, error, words = CONTRADICTIONS[case]
    unit = said.get("unit", "ft")
    path = write_ground(
        tmp_path / "ground.tif",
        np.tile(np.linspace(-2.0, 2.0, 81), (30, 1)),
        unit=unit,
        crs=RasterioCRS.from_epsg(4269),
        transform=Affine(1e-5, 0, -81.8081, 0, -1e-5, 24.55083),
    )
    files = {"ground": ground_file(path, **said)}
    if "stations" in beside:
        files["stations"] = stations_file(tmp_path)
    if "datum_grid" in beside:
        files["datum_grid"] = datum_grid(tmp_path)
    with pytest.raises(error, match=words):
        run(tmp_path, files, params)
    assert not (tmp_path / "out").exists()


def test_epochs_of_stations_do_not_mix(tmp_path):
    ground = ground_file(key_west(tmp_path))
    table = stations_file(tmp_path, ",epoch", ",1983-2001", ",2002-2020", ",")
    files, reach = {"ground": ground, "stations": table}, {"station_reach_ft": 3e5}
    for station, epoch in (("8724580,8723970", None), ("8723970", "1983-2001")):
        with pytest.raises(RangeError, match=r"tidal epochs that differ: .*2002-2020"):
            run(tmp_path, files, {"station": station, "epoch": epoch, **reach})
    done, layers = run(tmp_path, files, {"station": "8723970", **reach})
    assert layers["mhw_line"]["epoch"][0] == "2002-2020"
    assert any("is not 1983-2001, in force" in n.text for n in done.prepared.notes)


def test_a_label_of_the_file_and_what_is_said_of_it(tmp_path):
    """EPSG 8726: Florida East with NAVD88 heights, both in US survey feet (U-04)."""
    path = write_ground(
        tmp_path / "ground.tif", beach(), unit=None, crs=RasterioCRS.from_epsg(8726)
    )
    with pytest.raises(CRSError, match=r"found MSL as stated, where the file says NAVD88"):
        run(tmp_path, {"ground": ground_file(path, datum="MSL")})
    with pytest.raises(UnitError, match="ground unit"):
        run(tmp_path, {"ground": ground_file(path, unit="m")})
    _, layers = run(tmp_path, {"ground": GivenFile(str(path), "--ground")})
    xy = shapely.get_coordinates(layers["mhw_line"].geometry[0])
    # heights in survey feet: 0.40 ft is 0.3999992 of them, 8e-6 further seaward on 1:10
    np.testing.assert_allclose(xy[:, 0] - WEST, 104.0 - 8e-6, atol=1e-6)


def test_a_local_datum(tmp_path):
    """C-13: a local tidal datum may stand where NAVD 88 is impractical."""
    path = write_ground(tmp_path / "ground.tif", beach())
    ground = ground_file(path, datum="local:Pass A", epoch="1983-2001")
    done, layers = run(tmp_path, {"ground": ground}, {**GIVEN, "mhw_datum": "Local: pass a"})
    assert layers["mhw_line"]["elevation_ft"][0] == 0.4
    assert "a datum of the place" in told_of(done, "MHW elevation")


@pytest.mark.parametrize(
    ("vertical", "words"),
    [(3855, "EGM2008 height', a geoid model"), (5703, None), (5783, "'DHHN.*no datum known")],
)
def test_a_label_of_another_datum(tmp_path, vertical, words):
    """EPSG 3855: EGM2008 height; 5703: NAVD88 height; 5783: DHHN92 height (Germany)."""
    crs = RasterioCRS.from_user_input(f"EPSG:6438+{vertical}")
    path = write_ground(tmp_path / "ground.tif", beach(per_foot=FOOT_M), unit="m", crs=crs)
    files = {"ground": GivenFile(str(path), "--ground")}
    if words is None:
        run(tmp_path, files)
        return
    with pytest.raises(CRSError, match=words):
        run(tmp_path, files)


def test_an_elevation_out_of_the_usual_is_told_not_refused(tmp_path):
    path = write_ground(tmp_path / "ground.tif", beach(cols=400))
    done, _ = run(tmp_path, {"ground": ground_file(path)}, {**GIVEN, "mhw_elevation_ft": 7.2})
    assert any("usual around Florida (from memory)" in n.text for n in done.prepared.notes)
    done, _ = run(tmp_path, {"ground": ground_file(path)}, GIVEN, out="usual")
    assert not any("usual around" in n.text for n in done.prepared.notes)


@pytest.mark.parametrize(
    ("east", "north", "is_on"),
    [(9e3, 0.0, False), (0.0, -1_640_000.0, False), (403.0, -40.0, False), (396.0, -40.0, True)],
)
def test_lots_away_from_the_ground(tmp_path, east, north, is_on):
    """The ground is 200 cells of a survey foot wide; lots more than 200 ft off are not on it.

    1,640,000 ft are 500 km, 311 miles; the grid's scale is within 0.1 % of the ground's there.
    """
    path = write_ground(tmp_path / "ground.tif", beach())
    lots = tmp_path / "lots.gpkg"
    corner = WEST + east, NORTH + north
    lot = shapely.box(corner[0], corner[1], corner[0] + 50, corner[1] + 50)
    gpd.GeoDataFrame({"lot_id": ["A"]}, geometry=[lot], crs=6438).to_file(lots)
    files = {"ground": ground_file(path), "lots": str(lots)}
    if is_on:  # within the margin of 200 ft by some cells, which are too high for a line
        with pytest.raises(LayerError, match=r"no ground at \+0.40 ft"):
            run(tmp_path, files)
        return
    with pytest.raises(LayerError, match="the lots do not lie on it") as caught:
        run(tmp_path, files)
    miles = float(re.search(r"([\d.]+) miles away", str(caught.value))[1])
    there = np.hypot(corner[0] + 25 - WEST - 100, corner[1] + 25 - NORTH + 25) / 5280
    assert miles == pytest.approx(there, rel=0.002, abs=0.06)
    to_degrees = Transformer.from_crs(6438, 4326, always_xy=True)
    lon, lat = to_degrees.transform(corner[0] + 25, corner[1] + 25)
    assert f"lots around lon {lon:.4f}, lat {lat:.4f}" in str(caught.value)


# --- the figure ------------------------------------------------------------------------------


def test_figure_shows_kinds_band_lots_and_gaps(tmp_path, monkeypatch):
    heights = bay()
    heights[:20, :30] = np.nan
    path = write_ground(tmp_path / "ground.tif", heights)
    lots = tmp_path / "lots.gpkg"
    lot = shapely.box(WEST + 104, NORTH - 90, WEST + 150, NORTH - 40)
    gpd.GeoDataFrame({"lot_id": ["A"]}, geometry=[lot], crs=6438).to_file(lots)
    drawn = []
    own = mhw_figure.mhw_figure
    monkeypatch.setattr(
        mhw_figure, "mhw_figure", lambda sheet: drawn.append(own(sheet)) or drawn[0]
    )
    files = {"ground": ground_file(path, rmse_ft=0.2), "lots": str(lots)}
    done, _ = run(tmp_path, files)
    assert {"mhw_line.png", "mhw_line.svg"} <= {item.name for item in done.folder.iterdir()}
    assert (done.folder / "mhw_line.png").stat().st_size > 10_000
    (figure,) = drawn
    legend = " ".join(text.get_text() for text in figure.legends[0].get_texts()).replace("\n", " ")
    for words in ("MHW line, 1 piece", "(island), 1 piece", "(pond), 1 piece", "lot", "0.20 ft of"):
        assert words in legend
    texts = {text.get_gid(): text.get_text() for text in figure.texts}
    assert texts["title"] == "Mean high water line at +0.40 ft NAVD88"
    assert "Tidal epoch 1983-2001" in texts["subtitle"].replace("\n", " ")
    assert "not an MHW survey under ch. 177" in texts["subtitle"].replace("\n", " ")
    assert "legal" not in " ".join(texts.values()).lower()
    gids = [artist.get_gid() for artist in figure.axes[0].get_children()]
    assert {"shore", "island", "pond", "band"} <= set(gids)
    ax = figure.axes[0]
    for axis, (low, high) in ((ax.xaxis, ax.get_xlim()), (ax.yaxis, ax.get_ylim())):
        at = [tick for tick in axis.get_ticklocs() if low <= tick <= high]
        assert len(at) >= 2
        assert axis.get_major_formatter()(at[0], 0) == f"{at[0]:,.0f}"
    assert "figures on the axes in US survey feet" in texts["footer"].replace("\n", " ")


# --- open data -------------------------------------------------------------------------------

MARSH = {"datum": "MSL", "epoch": "1983-2001", "unit": "m", "crs": "EPSG:26958", "rmse_ft": 0.3}


@pytest.fixture(scope="module")
def marsh():
    path = open_data("tidal_marsh_dem") / "zSW3.asc"
    with rasterio.open(path) as dataset:
        heights = dataset.read(1).astype(np.float64)
    return path, np.where(heights == 999, np.nan, heights)


@pytest.mark.data
@pytest.mark.parametrize(
    ("level_m", "length_m", "n"), [(1.55, 2375.59, 51), (0.0, 3751.32, 12), (-1.55, 506.65, 18)]
)
def test_marsh(tmp_path, marsh, level_m, length_m, n):
    """Lengths and pieces: the data's provenance note, to 0.5 %."""
    params = {
        "mhw_elevation_m": level_m,
        "mhw_datum": "MSL",
        "epoch": "1983-2001",
        "with_ponds": True,
    }
    done, layers = run(tmp_path, {"ground": ground_file(marsh[0], **MARSH)}, params)
    assert layers["mhw_line"].length.sum() == pytest.approx(length_m, rel=0.005)
    assert len(layers["mhw_line"]) == done.prepared.figures["n_contour_pieces"] == n
    got_m = done.prepared.figures["length_at_level_ft"] * FOOT_M
    assert got_m == pytest.approx(length_m, rel=0.005)


@pytest.mark.data
def test_marsh_line_never_runs_along_its_gaps(tmp_path, marsh):
    """Only where the line meets a gap does it come within a cell of one, and there it ends.

    The same raster with its 999 taken as heights has a line along the gap; the check sees it.
    """
    path, heights = marsh
    params = {"mhw_elevation_m": 1.55, "mhw_datum": "MSL", "epoch": "1983-2001", "with_ponds": True}
    _, layers = run(tmp_path, {"ground": ground_file(path, **MARSH)}, params)
    filled = write_ground(
        tmp_path / "filled.tif",
        np.where(np.isnan(heights), 999.0, heights),
        unit="m",
        cell=2.0,
        west=0.0,
        north=904.0,
        crs=RasterioCRS.from_epsg(26958),
    )
    said = {key: value for key, value in MARSH.items() if key != "crs"}
    _, wrong = run(tmp_path, {"ground": ground_file(filled, **said)}, params, out="wrong")
    away = distance_transform_edt(np.isfinite(heights))  # in cells, from a cell without data

    def longest_run_m(lines):
        """Longest stretch of line whose every vertex is beside a cell without data."""
        longest = 0.0
        for line in lines:
            xy = shapely.get_coordinates(line)
            col, row = xy[:, 0] / 2.0 - 0.5, (904.0 - xy[:, 1]) / 2.0 - 0.5
            near = np.zeros(len(xy), dtype=bool)
            for r, c in ((np.floor, np.floor), (np.ceil, np.ceil)):
                near |= away[r(row.round(9)).astype(int), c(col.round(9)).astype(int)] <= 1.0
            here = 0.0
            for k, step in enumerate(np.hypot(*np.diff(xy, axis=0).T)):
                here = here + step if near[k] and near[k + 1] else 0.0
                longest = max(longest, here)
        return longest

    assert longest_run_m(layers["mhw_line"].geometry) <= 10.0  # five cells, crossing on a slant
    assert longest_run_m(wrong["mhw_line"].geometry) > 100.0
    # and every vertex lies between cells that have heights
    xy = shapely.get_coordinates(layers["mhw_line"].geometry.array)
    col, row = (xy[:, 0] / 2.0 - 0.5).round(9), ((904.0 - xy[:, 1]) / 2.0 - 0.5).round(9)
    low = heights[np.floor(row).astype(int), np.floor(col).astype(int)]
    high = heights[np.ceil(row).astype(int), np.ceil(col).astype(int)]
    is_cut = (col % 1 > 0) & (row % 1 > 0)  # on the slant of a square with a corner missing
    assert np.isfinite(low[~is_cut]).all() and np.isfinite(high[~is_cut]).all()
    assert is_cut.sum() < 0.02 * len(xy)


@pytest.mark.data
def test_published_grid_and_stations_by_the_command(tmp_path):
    """Reedy Point, Delaware: MHW - MSL 0.7925 m published, the grid within 0.02 m of it."""
    folder = open_data("noaa_tidal_datums")
    path = write_ground(
        tmp_path / "ground.tif",
        np.tile(np.linspace(0.0, 5.0, 81), (30, 1)),
        crs=RasterioCRS.from_epsg(4269),
        transform=Affine(1e-5, 0, -75.5719 - 0.0004, 0, -1e-5, 39.55833 + 0.0002),
    )
    ground = ground_file(path, datum="MSL")
    grid = GivenFile(str(folder / "DEdelbay33_8301_mhw.gtx"), "--datum-grid", {"unit": "m"})
    params = {"epoch": "1983-2001", "crs": "EPSG:32618"}
    done, _ = run(tmp_path, {"ground": ground, "datum_grid": grid}, params, out="grid")
    assert done.prepared.figures["mhw_elevation_ft"] * FOOT_M == pytest.approx(0.7925, abs=0.02)
    stations = str(folder / "coops_station_datums_ft.csv")
    params = {**params, "station": "8551910"}
    done, _ = run(tmp_path, {"ground": ground, "stations": stations}, params, out="station")
    assert done.prepared.figures["mhw_elevation_ft"] == pytest.approx(5.52 - 2.92, abs=1e-9)
