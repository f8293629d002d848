"""``geotrim prepare heights`` from two rasters: grids, units, datums, masks, errors."""

from __future__ import annotations

import json
import tomllib

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from pyproj import Transformer
from rasterio.transform import Affine

from geotrim.cli import main
from geotrim.core import cloud_heights, height_difference
from geotrim.core.height_difference import Difference
from geotrim.core.resample import KNOWN, NO_DATA, OUTSIDE
from geotrim.errors import CRSError, GeotrimError, LayerError, RangeError, UnitError
from geotrim.io import aligned
from geotrim.io.aligned import Aligned, Grid, grid_crs, own_grid, result_grid
from geotrim.io.datum_match import settled_datum
from geotrim.io.raster_write import new_raster
from geotrim.io.rasters import open_heights
from geotrim.prepare.heights_told import Tally
from geotrim.prepare.task import GivenFile
from geotrim.prepare.work import prepare_input
from geotrim.report.heights_figure import LOOKS

NAN = np.nan
X, Y = 280_000.0, 1_180_000.0
#: Feet in one US survey foot: 1200/3937 m (EPSG unit 9003) over 0.3048 m.
US_FT = 1200 / 3937 / 0.3048
#: Florida West in US survey feet with NAVD88 height in US survey feet (EPSG 6443 and 6360).
NAVD_FT = "EPSG:6443+6360"
SMALL = Affine(1e-5, 0, -83.5, 0, -1e-5, 27.6)


@pytest.fixture(autouse=True)
def is_drawing(request, monkeypatch):
    """The picture takes longer than all the rest; it is drawn where a test looks at it."""
    if "picture" not in request.node.name:
        monkeypatch.setattr("geotrim.prepare.heights.draw_heights", lambda *_: None)


def raster(path, cells, *, west=X, north=Y, cell=1.0, crs="EPSG:6443", unit=None, transform=None):
    cells = np.asarray(cells, float)
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        height=cells.shape[0],
        width=cells.shape[1],
        count=1,
        dtype="float64",
        crs=crs,
        transform=transform or Affine(cell, 0, west, 0, -cell, north),
        nodata=-9999.0,
    ) as out:
        out.write(np.where(np.isnan(cells), -9999.0, cells), 1)
        if unit:
            out.units = (unit,)
    return str(path)


def polygons(path, *shapes, crs="EPSG:6443"):
    gpd.GeoDataFrame({"lot_id": range(len(shapes))}, geometry=list(shapes), crs=crs).to_file(path)
    return str(path)


def made(tmp_path, files, params=None):
    """Heights, figures, notes and the record of one run."""
    given = {
        name: one if isinstance(one, str) else GivenFile(one[0], f"--{name}", one[1])
        for name, one in files.items()
    }
    done = prepare_input("heights", given, params, out=tmp_path / "out", is_replacing=True)
    with rasterio.open(done.folder / "heights.tif") as out:
        return out.read(1), done.prepared, out.profile, out.tags()


def texts(prepared, level=None):
    return " | ".join(str(n) for n in prepared.notes if level in (None, n.level))


# ------------------------------------------------------------------------------ L-01 and units


@pytest.mark.parametrize(
    ("top", "top_unit", "ground", "ground_unit"),
    [
        (24.0, "ft", 1.5, "ft"),
        (24.0 * 0.3048, "m", 1.5, "ft"),
        (24.0, "ft", 1.5 * 0.3048, "m"),
        (24.0 / US_FT, "us-ft", 1.5 * 0.3048, "m"),
    ],
)
def test_units_may_differ(tmp_path, top, top_unit, ground, ground_unit):
    """24.0 ft - 1.5 ft = 22.5 ft, whatever each raster counts in."""
    files = {
        "surface": (raster(tmp_path / "s.tif", np.full((3, 4), top)), {"unit": top_unit}),
        "ground": (raster(tmp_path / "g.tif", np.full((3, 4), ground)), {"unit": ground_unit}),
    }
    heights, prepared, profile, _ = made(tmp_path, files)
    np.testing.assert_allclose(heights, 22.5, atol=2e-6)
    assert prepared.figures["height_max_ft"] == pytest.approx(22.5, abs=1e-6)
    assert profile["crs"] == rasterio.crs.CRS.from_epsg(6443) and np.isnan(profile["nodata"])
    with open_heights(tmp_path / "out" / "heights.tif") as again:
        assert again.unit == "ft"  # said by the file itself


@pytest.mark.parametrize("which", ["surface", "ground"])
def test_an_unknown_unit_is_an_error(tmp_path, which):
    files = {
        name: raster(tmp_path / f"{name}.tif", np.ones((2, 2)), unit=None if name == which else "m")
        for name in ("surface", "ground")
    }
    with pytest.raises(UnitError, match=f"{which} unit: found no vertical unit"):
        made(tmp_path, files)
    assert not (tmp_path / "out").exists()


def test_a_unit_that_contradicts_the_file_is_an_error(tmp_path):
    files = {
        "surface": (raster(tmp_path / "s.tif", np.ones((2, 2)), unit="metre"), {"unit": "ft"}),
        "ground": raster(tmp_path / "g.tif", np.ones((2, 2)), unit="ft"),
    }
    with pytest.raises(UnitError, match="one vertical unit"):
        made(tmp_path, files)


# ----------------------------------------------------------------------- grids, CRSs and extents


def plane(x, y):
    """A ground that rises to the east and north. [ft]."""
    return 2.0 + 0.01 * (x - X) + 0.02 * (y - Y)


def middles(shape, west=X, north=Y, cell=1.0):
    col, row = np.meshgrid(np.arange(shape[1]) + 0.5, np.arange(shape[0]) + 0.5)
    return west + cell * col, north - cell * row


def test_ground_of_another_grid(tmp_path):
    """A plane ground of 3.7 ft cells under a plane surface 10 ft above it, of 1 ft cells."""
    x, y = middles((40, 50))
    u, v = middles((20, 20), X - 7.3, Y + 5.1, 3.7)
    files = {
        "surface": raster(tmp_path / "s.tif", plane(x, y) + 10.0, unit="ft"),
        "ground": raster(
            tmp_path / "g.tif", plane(u, v), west=X - 7.3, north=Y + 5.1, cell=3.7, unit="ft"
        ),
    }
    heights, prepared, profile, _ = made(tmp_path, files)
    np.testing.assert_allclose(heights, 10.0, atol=1e-5)
    assert profile["transform"] == Affine(1, 0, X, 0, -1, Y) and heights.shape == (40, 50)
    assert "read cell on cell" in texts(prepared) and "bilinear" in texts(prepared)


def test_ground_in_another_crs_and_unit(tmp_path):
    """A ground in metres on UTM 17 N, sampled from one plane of the surface's own coordinates.

    The plane is no plane in the other CRS: over a 10 m cell the sag is under 1e-4 ft. Positions
    come from pyproj, not from geotrim. NAD83(2011) / UTM 17 N is EPSG 6346.
    """
    x, y = middles((30, 40), cell=3.0)
    to_utm = Transformer.from_crs(6443, 6346, always_xy=True)
    left, top = to_utm.transform(X, Y)
    u, v = middles((12, 14), left - 20, top + 20, 10.0)
    px, py = Transformer.from_crs(6346, 6443, always_xy=True).transform(u, v)
    files = {
        "surface": raster(tmp_path / "s.tif", plane(x, y) + 10.0, cell=3.0, unit="ft"),
        "ground": raster(
            tmp_path / "g.tif",
            plane(px, py) * 0.3048,
            west=left - 20,
            north=top + 20,
            cell=10.0,
            crs="EPSG:6346",
            unit="m",
        ),
    }
    heights, prepared, _, _ = made(tmp_path, files)
    np.testing.assert_allclose(heights, 10.0, atol=1e-3)
    assert "reprojected from EPSG:6346" in texts(prepared)


def test_south_up_and_turned_grids(tmp_path):
    """Cells keep their place whichever way the rows run."""
    turned = Affine(0.8, 0.6, X, 0.6, -0.8, Y)
    col, row = np.meshgrid(np.arange(30) + 0.5, np.arange(20) + 0.5)
    x, y = X + 0.8 * col + 0.6 * row, Y + 0.6 * col - 0.8 * row
    u, v = middles((80, 80), X - 10, Y + 40)
    up = Affine(1, 0, X - 10, 0, 1, Y - 40)
    files = {
        "surface": raster(tmp_path / "s.tif", plane(x, y) + 7.0, transform=turned, unit="ft"),
        "ground": raster(tmp_path / "g.tif", plane(u, v)[::-1], transform=up, unit="ft"),
    }
    heights, _, profile, _ = made(tmp_path, files)
    np.testing.assert_allclose(heights, 7.0, atol=1e-5)
    assert profile["transform"].almost_equals(turned)


def test_a_surface_in_degrees_gets_a_projected_grid(tmp_path):
    """Cells are then squares of the Florida zone, as many as the surface has."""
    to_degrees = Transformer.from_crs(6443, 6318, always_xy=True)
    west, north = to_degrees.transform(X, Y)
    six = Affine(1e-5, 0, west, 0, -1e-5, north)
    files = {
        "surface": raster(
            tmp_path / "s.tif", np.full((40, 60), 9.0), transform=six, crs="EPSG:6318", unit="ft"
        ),
        "ground": raster(
            tmp_path / "g.tif", np.full((400, 400), 1.0), west=X - 80, north=Y + 80, unit="ft"
        ),
    }
    heights, prepared, profile, _ = made(tmp_path, files)
    assert profile["crs"].to_epsg() == 6443 and profile["transform"].a == -profile["transform"].e
    np.testing.assert_allclose(heights[np.isfinite(heights)], 8.0, atol=1e-5)
    n = prepared.figures["n_measured"]
    assert abs(n / 2400 - 1) < 0.1 and "chosen from the position" in texts(prepared, "assumed")


def test_a_stated_coarser_cell_takes_the_highest(tmp_path):
    """A tip of one 1 ft cell must not be lost in a 3 ft cell: heights that read low are unsafe."""
    top = np.full((9, 9), 5.0)
    top[4, 7] = 21.0
    west, north = 279_999.0, 1_180_002.0  # multiples of 3
    files = {
        "surface": raster(tmp_path / "s.tif", top, west=west, north=north, unit="ft"),
        "ground": raster(tmp_path / "g.tif", np.ones((9, 9)), west=west, north=north, unit="ft"),
    }
    cell = 3 * US_FT  # three US survey feet, so that cells lie in cells
    heights, prepared, profile, _ = made(tmp_path, files, {"cell_ft": cell})
    expected = np.full((3, 3), 4.0)
    expected[1, 2] = 20.0
    np.testing.assert_allclose(heights, expected, atol=1e-5)
    assert profile["transform"].a == pytest.approx(3.0)
    assert prepared.figures["cell_width_ft"] == pytest.approx(cell)
    assert "the highest of the smaller cells" in texts(prepared)


def test_a_stated_finer_cell_invents_no_slope(tmp_path):
    files = {
        "surface": raster(tmp_path / "s.tif", [[5.0, 21.0]], unit="ft"),
        "ground": raster(tmp_path / "g.tif", [[1.0, 1.0]], unit="ft"),
    }
    heights, prepared, _, _ = made(tmp_path, files, {"cell_ft": 0.25 * US_FT})
    assert set(np.round(heights[np.isfinite(heights)], 5)) == {4.0, 20.0}
    assert "the cell that holds its middle" in texts(prepared)


def test_only_what_lies_near_the_lots(tmp_path):
    """Lot 10 to 20 ft east, 30 to 35 ft south; 5 US survey feet round it: 20 by 15 cells."""
    x, _ = middles((100, 100))
    files = {
        "surface": raster(tmp_path / "s.tif", x - X, unit="ft"),
        "ground": raster(tmp_path / "g.tif", np.zeros((100, 100)), unit="ft"),
        "lots": polygons(tmp_path / "lots.gpkg", shapely.box(X + 10, Y - 35, X + 20, Y - 30)),
    }
    heights, prepared, profile, _ = made(tmp_path, files, {"margin_ft": 5 * US_FT})
    assert profile["transform"] == Affine(1, 0, X + 5, 0, -1, Y - 25) and heights.shape == (15, 20)
    np.testing.assert_allclose(heights[0], np.arange(5.5, 25))
    assert {item.role for item in prepared.inputs} == {"surface", "ground", "lots"}
    files["lots"] = polygons(tmp_path / "rim.gpkg", shapely.box(X - 5, Y - 1, X + 2, Y + 50))
    heights, _, profile, _ = made(tmp_path, files, {"margin_ft": US_FT})
    assert profile["transform"] == Affine(1, 0, X, 0, -1, Y) and heights.shape == (2, 3)
    files["lots"] = polygons(tmp_path / "far.gpkg", shapely.box(X + 900, Y, X + 910, Y + 5))
    with pytest.raises(RangeError, match="does not reach the lots"):
        made(tmp_path, files)


def test_no_data_of_the_ground_does_not_bleed(tmp_path):
    """A ground of 2 ft cells with a hole of one cell: just the four surface cells in it are lost.

    Those round it keep the level of the rest.
    """
    ground = np.full((5, 5), 3.0)
    ground[2, 2] = NAN
    files = {
        "surface": raster(tmp_path / "s.tif", np.full((10, 10), 9.0), unit="ft"),
        "ground": raster(tmp_path / "g.tif", ground, cell=2.0, unit="ft"),
    }
    heights, prepared, _, _ = made(tmp_path, files)
    expected = np.full((10, 10), 6.0)
    expected[4:6, 4:6] = NAN
    np.testing.assert_allclose(heights, expected)
    assert prepared.figures["n_no_ground"] == 4 and prepared.figures["n_off_ground"] == 0


def test_outside_is_not_the_same_as_no_data(tmp_path):
    ground = np.full((10, 6), 1.0)
    ground[:, 5] = NAN
    surface = np.full((10, 10), 4.0)
    surface[0, :] = NAN
    files = {
        "surface": raster(tmp_path / "s.tif", surface, unit="ft"),
        "ground": raster(tmp_path / "g.tif", ground, unit="ft"),
    }
    _, prepared, _, _ = made(tmp_path, files)
    told = prepared.figures
    assert [told[f"n_{k}"] for k in ("no_surface", "no_ground", "off_ground", "measured")] == [
        10,
        9,
        36,
        45,
    ]
    assert told["n_cells"] == 100


@pytest.mark.parametrize("block", [7, 512])
def test_blocks_make_no_seams(tmp_path, monkeypatch, block):
    """Small windows give what one large one gives, masks and returns at the seams included."""
    rng = np.random.default_rng(11)
    ground = rng.uniform(0, 3, (23, 31))
    ground[rng.random(ground.shape) < 0.1] = NAN
    returns = (rng.random((40, 40)) < 0.02).astype(float)
    files = {
        "surface": raster(tmp_path / "s.tif", rng.uniform(0, 30, (40, 40)), unit="ft"),
        "ground": raster(tmp_path / "g.tif", ground, cell=1.3, unit="ft"),
        "ground_returns": raster(tmp_path / "r.tif", returns),
    }
    whole, one, _, _ = made(tmp_path, files, {"ground_gap_ft": 6.0})
    monkeypatch.setattr(aligned.Grid.blocks, "__defaults__", (block,))
    monkeypatch.setattr(aligned, "MOST_CELLS", 60)  # and the ground in parts
    parts, prepared, _, _ = made(tmp_path, files, {"ground_gap_ft": 6.0})
    np.testing.assert_array_equal(parts, whole)
    assert prepared.figures == one.figures and prepared.figures["n_set_to_0"] > 10
    assert prepared.figures["height_max_ft"] == pytest.approx(np.nanmax(whole), abs=1e-5)
    assert 0 < prepared.figures["n_ground_gap"] < 1600


# --------------------------------------------------------------------------- water and returns


def flat(tmp_path, shape=(10, 10), top=9.0, ground=1.0):
    return {
        "surface": raster(tmp_path / "s.tif", np.full(shape, top), unit="ft"),
        "ground": raster(tmp_path / "g.tif", np.full(shape, ground), unit="ft"),
    }


def test_cells_under_water_by_their_middle(tmp_path):
    """Water from 2.4 to 5.6 ft: middles 2.5, 3.5, 4.5, 5.5 lie in it, four columns of ten."""
    files = flat(tmp_path)
    water = shapely.box(X + 2.4, Y - 20, X + 5.6, Y + 5)
    files["water"] = polygons(tmp_path / "w.gpkg", water)
    heights, prepared, _, _ = made(tmp_path, files)
    assert np.isnan(heights).any(axis=0).tolist() == [False] * 2 + [True] * 4 + [False] * 4
    assert prepared.figures["n_under_water"] == 40
    assert "left out: under water at the time of flight" in prepared.words
    assert "40.0 %" in prepared.words


def test_water_in_another_crs(tmp_path):
    files = flat(tmp_path)
    water = gpd.GeoSeries([shapely.box(X + 2.4, Y - 20, X + 5.6, Y + 5)], crs="EPSG:6443")
    files["water"] = polygons(tmp_path / "w.gpkg", *water.to_crs(6318), crs="EPSG:6318")
    _, prepared, _, _ = made(tmp_path, files)
    assert prepared.figures["n_under_water"] == 40


def test_water_level_in_the_grounds_datum(tmp_path):
    """Ground from -1.9 to -0.1 m in steps of 0.2; level -3.0 ft is -0.914 m: five lie below."""
    ground = np.tile(np.arange(-1.9, 0.0, 0.2), (4, 1))
    files = {
        "surface": raster(tmp_path / "s.tif", np.full((4, 10), 9.0), unit="ft"),
        "ground": raster(tmp_path / "g.tif", ground, unit="m"),
    }
    _, prepared, _, _ = made(tmp_path, files, {"flight_water_level_ft": -3.0})
    assert prepared.figures["n_under_water"] == 4 * 5


def test_cells_without_returns_nearby(tmp_path):
    """Returns in the first column only, 1 ft cells, reach 4 ft: columns 0 to 4 have one near."""
    files = flat(tmp_path)
    returns = np.zeros((10, 10))
    returns[:, 0] = 2
    returns[3, 3] = NAN
    files["ground_returns"] = raster(tmp_path / "r.tif", returns)
    params = {"ground_gap_ft": 4 * US_FT}
    heights, prepared, _, _ = made(tmp_path, files, params)
    assert np.isfinite(heights).all(axis=0).tolist() == [True] * 5 + [False] * 5
    assert np.isnan(heights).all(axis=0).tolist() == [False] * 5 + [True] * 5
    assert prepared.figures["n_ground_gap"] == 50
    assert "where the ground was really seen" not in texts(prepared)


def test_distance_from_the_nearest_return(tmp_path):
    """In metres: 0, 1, 2 ... 9; 10 ft is 3.048 m, so 0 to 3 are near; unknown is far."""
    files = flat(tmp_path)
    away = np.tile(np.arange(10.0), (10, 1))
    away[0, 0] = NAN
    files["ground_distance"] = (raster(tmp_path / "d.tif", away), {"unit": "m"})
    heights, _, _, _ = made(tmp_path, files)
    expected = np.tile(np.arange(10) <= 3, (10, 1))
    expected[0, 0] = False
    np.testing.assert_array_equal(np.isfinite(heights), expected)
    files["ground_distance"] = raster(tmp_path / "d.tif", away)
    with pytest.raises(UnitError, match="ground_distance unit"):
        made(tmp_path, files)


def test_counts_and_distances_both_count(tmp_path):
    """Far by either is far: columns 0 to 2 have no returns, columns 5 to 9 are far by distance."""
    files = flat(tmp_path)
    returns = np.zeros((10, 10))
    returns[:, 3:] = 1
    away = np.where(np.arange(10) < 5, 0.0, 50.0) * np.ones((10, 1))
    files["ground_returns"] = raster(tmp_path / "r.tif", returns)
    files["ground_distance"] = raster(tmp_path / "d.tif", away, unit="ft")
    heights, _, _, _ = made(tmp_path, files, {"ground_gap_ft": 0.5})
    assert np.flatnonzero(np.isfinite(heights).all(axis=0)).tolist() == [3, 4]


@pytest.mark.parametrize("size", [5, 7, 100])
def test_a_thinned_picture_and_the_histogram(monkeypatch, size):
    """Every third cell of the raster, whatever the windows were; all cells in the histogram."""
    monkeypatch.setattr("geotrim.prepare.heights_told.PICTURE_CELLS", 7)
    heights = np.arange(20 * 11.0).reshape(20, 11)
    grid = Grid("EPSG:6443", (1.0, 0.0, X, 0.0, -1.0, Y), (20, 11))
    tally = Tally.of_grid(grid)
    for r0, r1, c0, c1 in grid.blocks(size):
        part = heights[r0:r1, c0:c1]
        reason = (part % 2).astype(np.uint8)
        tally.add(Difference(np.where(reason, NAN, part), reason, part < 0, 0.0), r0, c0)
    shown = heights[::3, ::3]
    np.testing.assert_array_equal(tally.picture_height, np.where(shown % 2, NAN, shown))
    np.testing.assert_array_equal(tally.picture_reason, shown % 2)
    assert tally.bins[:4].tolist() == [1, 0, 1, 0]
    assert tally.bins[199] == 10  # 200, 202 ... 218 ft: the last bin holds what is taller
    assert tally.bins.sum() == tally.counts[0] == 110 and tally.highest_ft == 218.0


def test_finer_counts_are_not_missed(tmp_path):
    """One return in one of nine small cells is a return in the cell."""
    files = flat(tmp_path, (4, 4))
    returns = np.zeros((12, 12))
    returns[0::3, 2::3] = 1
    files["ground_returns"] = raster(tmp_path / "r.tif", returns, cell=1 / 3)
    heights, _, _, _ = made(tmp_path, files, {"ground_gap_ft": 0.0})
    assert np.isfinite(heights).all()


def test_nothing_left_is_an_error_that_counts(tmp_path):
    files = flat(tmp_path)
    files["water"] = polygons(tmp_path / "w.gpkg", shapely.box(X - 9, Y - 99, X + 99, Y + 9))
    with pytest.raises(LayerError, match="100 under water at the time of flight"):
        made(tmp_path, files)
    files = flat(tmp_path) | {"ground": raster(tmp_path / "g.tif", [[1.0]], west=X + 999, unit="m")}
    with pytest.raises(LayerError, match="100 outside the ground model"):
        made(tmp_path, files)
    assert not (tmp_path / "out").exists()


# ------------------------------------------------------------------------- below 0, error, datum


def test_below_the_ground(tmp_path):
    """Limit 2 x 0.5 ft where 0.3 and 0.4 ft are stated (3, 4, 5): -0.98 becomes 0, -1.1 is out."""
    top = np.full((10, 10), 9.0)
    top[0, 0], top[0, 1] = 0.02, -0.1
    files = {
        "surface": (raster(tmp_path / "s.tif", top, unit="ft"), {"rmse_ft": 0.3}),
        "ground": (raster(tmp_path / "g.tif", np.ones((10, 10)), unit="ft"), {"rmse_ft": 0.4}),
    }
    heights, prepared, _, tags = made(tmp_path, files)
    assert heights[0, 0] == 0.0 and np.isnan(heights[0, 1])
    told = prepared.figures
    assert (told["n_set_to_0"], told["n_below_ground"]) == (1, 1)
    assert told["lowest_left_out_ft"] == pytest.approx(-1.1) and told["rmse_ft"] == 0.5
    assert float(tags["rmse_ft"]) == 0.5
    with open_heights(tmp_path / "out" / "heights.tif") as again:
        assert again.rmse_ft == 0.5
    _, prepared, _, _ = made(tmp_path, files, {"below_ground_ft": 0.0})
    assert prepared.figures["n_below_ground"] == 2


@pytest.mark.parametrize(("ground_cm", "expected_ft"), [(10.0, 0.46), (28.2, 0.98)])
def test_error_of_the_two_surfaces(tmp_path, ground_cm, expected_ft):
    """10 & 10 cm: 0.46 ft; 10 & 28.2 cm: 0.98 ft (propagation)."""
    files = {
        "surface": (raster(tmp_path / "s.tif", np.full((2, 2), 9.0), unit="ft"), {"rmse_ft": 0.1}),
        "ground": (raster(tmp_path / "g.tif", np.ones((2, 2)), unit="ft"), {}),
    }
    files["surface"][1]["rmse_ft"] = 10 / 30.48
    files["ground"][1]["rmse_ft"] = ground_cm / 30.48
    _, prepared, _, _ = made(tmp_path, files)
    assert round(prepared.site["heights"]["rmse_ft"], 2) == expected_ft
    assert f"{expected_ft:.2f} ft" in prepared.words


def test_an_error_that_is_half_known_is_not_known(tmp_path):
    files = flat(tmp_path)
    files["surface"] = (files["surface"], {"rmse_ft": 0.3})
    _, prepared, _, tags = made(tmp_path, files)
    assert prepared.figures["rmse_ft"] is None and "rmse_ft" not in tags
    assert "no standard error" in texts(prepared, "missing")
    assert "0.93 ft below the ground" in texts(prepared, "assumed")
    part = tomllib.loads((tmp_path / "out" / "for_site_file.toml").read_text())
    assert part == {"heights": {"file": "heights.tif", "unit": "ft"}}


def test_many_cells_below_the_ground_are_told(tmp_path):
    """A ground in metres said to be in feet, say: 5 % of the cells go far below."""
    ground = np.ones((10, 10))
    ground[0, :5] = 40.0
    files = flat(tmp_path) | {"ground": raster(tmp_path / "g.tif", ground, unit="ft")}
    _, prepared, _, _ = made(tmp_path, files)
    assert "5.0 % of the cells lie more than" in texts(prepared, "assumed")
    ground[0, 1:5] = 1.0
    files["ground"] = raster(tmp_path / "g.tif", ground, unit="ft")
    _, prepared, _, _ = made(tmp_path, files)
    assert "of the cells lie more than" not in texts(prepared)


def test_odd_heights_are_told(tmp_path):
    _, prepared, _, _ = made(tmp_path, flat(tmp_path, top=260.0))
    assert "heights up to 259 ft" in texts(prepared)


def test_two_vertical_datums_are_an_error(tmp_path):
    """NAVD88 (EPSG 6360) and NGVD29 (EPSG 5702): over a foot apart in south Florida."""
    files = {
        "surface": raster(tmp_path / "s.tif", np.full((2, 2), 9.0), crs=NAVD_FT),
        "ground": raster(tmp_path / "g.tif", np.ones((2, 2)), crs="EPSG:6443+5702"),
    }
    with pytest.raises(CRSError, match=r"NGVD29, where the surface is in NAVD88"):
        made(tmp_path, files)


def test_one_datum_in_two_units_is_one(tmp_path):
    """NAVD88 in US survey feet (EPSG 6360) and in metres (EPSG 5703)."""
    files = {
        "surface": raster(tmp_path / "s.tif", np.full((2, 2), 9.0 / US_FT), crs=NAVD_FT),
        "ground": raster(tmp_path / "g.tif", np.full((2, 2), 0.3048), crs="EPSG:6443+5703"),
    }
    heights, prepared, profile, _ = made(tmp_path, files)
    np.testing.assert_allclose(heights, 8.0, atol=1e-5)
    assert "both in NAVD88" in texts(prepared, "info")
    assert profile["crs"].to_epsg() == 6443  # heights above the ground are in no datum


def test_an_unknown_datum_is_told(tmp_path):
    files = flat(tmp_path)
    _, prepared, _, _ = made(tmp_path, files)
    assert "datum of the surface and the ground is not stated" in texts(prepared, "assumed")
    files["ground"] = (files["ground"], {"datum": "NAVD 88"})
    _, prepared, _, _ = made(tmp_path, files)
    assert "datum of the surface is not stated" in texts(prepared, "assumed")
    files["surface"] = (files["surface"], {"datum": "NGVD29"})
    with pytest.raises(CRSError, match="one vertical datum"):
        made(tmp_path, files)


def test_datum_of_a_file(tmp_path):
    path = raster(tmp_path / "a.tif", [[1.0]], crs=NAVD_FT)
    assert settled_datum(path, None, "ground") == "NAVD88"
    assert settled_datum(path, "navd 88", "ground") == "NAVD88"
    with pytest.raises(CRSError, match="NGVD29 as stated, where the file says NAVD88"):
        settled_datum(path, "NGVD29", "ground")
    assert settled_datum(raster(tmp_path / "b.tif", [[1.0]]), None, "ground") is None
    assert settled_datum(raster(tmp_path / "b.tif", [[1.0]]), "MLLW", "ground") == "MLLW"


def test_heights_above_an_ellipsoid_are_not_navd88(tmp_path):
    """They lie some 25 m apart in Florida."""
    files = {
        "surface": raster(tmp_path / "s.tif", [[9.0]], crs="EPSG:4979", transform=SMALL),
        "ground": raster(tmp_path / "g.tif", [[1.0]], crs=NAVD_FT),
    }
    with pytest.raises(CRSError, match="NAVD88, where the surface is in the ellipsoid"):
        made(tmp_path, files)


# ------------------------------------------------------------------------ what is asked for, told


def test_one_of_surface_and_cloud(tmp_path):
    files = flat(tmp_path)
    with pytest.raises(GeotrimError, match="both a surface and a cloud"):
        made(tmp_path, files | {"cloud": "any.laz"})
    with pytest.raises(GeotrimError, match="neither a surface nor a cloud"):
        made(tmp_path, {"ground": files["ground"]})
    with pytest.raises(GeotrimError, match="--ground: found a surface without a ground"):
        made(tmp_path, {"surface": files["surface"]})
    with pytest.raises(GeotrimError, match="tops: found a choice about a cloud"):
        made(tmp_path, files, {"tops": "all"})


def test_from_the_command_line_with_a_picture(tmp_path, monkeypatch, capsys):
    flat(tmp_path)
    monkeypatch.chdir(tmp_path)
    words = "prepare heights --surface s.tif --ground g.tif --surface-rmse-ft 0.3 "
    words += "--ground-rmse-ft 0.4 --ground-datum NAVD88 --flight-water-level-ft -2 --out made"
    assert main(words.split()) == 0
    shown = capsys.readouterr().out
    for text in (
        "10 x 10 cells of 1 ft, EPSG:6443",
        "highest 8.0 ft",
        "error of one height 0.50 ft",
        "heights read low",
        "written: made",
    ):
        assert text in " ".join(shown.split())
    assert all(len(line) <= 80 for line in shown.split("\n\n")[0].splitlines()[1:])
    record = json.loads((tmp_path / "made" / "record.json").read_text())
    assert record["figures"]["n_measured"] == 100
    assert [item["role"] for item in record["inputs"]] == ["surface", "ground"]
    assert record["inputs"][0]["detail"]["vertical_unit"] == "ft"
    assert record["parameters"]["flight_water_level_ft"] == {"value": -2.0, "is_default": False}
    assert (tmp_path / "made" / "heights.png").read_bytes()[:4] == b"\x89PNG"


def test_the_picture_has_a_look_for_every_reason():
    """Of rasters and of clouds; two that are drawn in one picture look different."""
    for reasons in (height_difference.REASONS, cloud_heights.REASONS):
        looks = [LOOKS[text] for text in reasons.values()]
        assert len(set(looks)) == len(looks)


def test_what_is_missing_about_water_and_returns_is_told(tmp_path):
    _, prepared, _, _ = made(tmp_path, flat(tmp_path))
    assert "water stood at the time of flight is not stated" in texts(prepared, "missing")
    assert "where the ground was really seen is not stated" in texts(prepared, "missing")
    _, prepared, _, _ = made(tmp_path, flat(tmp_path), {"flight_water_level_ft": 0.0})
    assert "water stood" not in texts(prepared)


# ---------------------------------------------------------------------------- the aligned reader


def test_a_window_beyond_the_grid(tmp_path):
    path = raster(tmp_path / "a.tif", [[1.0, NAN], [3.0, 4.0]], unit="ft")
    with open_heights(path) as opened:
        values, state = Aligned(opened, own_grid(opened), "bilinear").read(-1, 2, 1, 3)
    np.testing.assert_array_equal(values, [[NAN, NAN], [NAN, NAN], [4.0, NAN]])
    assert state.tolist() == [[OUTSIDE, OUTSIDE], [NO_DATA, OUTSIDE], [KNOWN, OUTSIDE]]


def test_a_shifted_window_is_read_cell_on_cell(tmp_path):
    cells = np.arange(12.0).reshape(3, 4)
    with open_heights(raster(tmp_path / "a.tif", cells, unit="ft")) as opened:
        grid = Grid(opened.crs, (1.0, 0.0, X + 1, 0.0, -1.0, Y - 1), (2, 3))
        one = Aligned(opened, grid, "bilinear")
        assert not one.is_resampled
        np.testing.assert_array_equal(one.read(0, 2, 0, 3)[0], cells[1:, 1:])
        half = Aligned(opened, Grid(opened.crs, (1.0, 0.0, X + 0.5, 0.0, -1.0, Y), (2, 3)), "pick")
        assert half.is_resampled and not half.takes_highest


def test_memory_is_bounded_by_reading_in_parts(tmp_path, monkeypatch):
    """A ground a hundred times finer than the surface is never held whole."""
    rng = np.random.default_rng(2)
    cells = rng.uniform(0, 1, (400, 400))
    largest = []
    with open_heights(raster(tmp_path / "a.tif", cells, cell=0.01, unit="ft")) as opened:
        read = opened.read

        def watched(*window):
            largest.append((window[1] - window[0]) * (window[3] - window[2]))
            return read(*window)

        monkeypatch.setattr(opened, "read", watched)
        monkeypatch.setattr(aligned, "MOST_CELLS", 24_000)
        one = Aligned(opened, Grid(opened.crs, (1.0, 0.0, X, 0.0, -1.0, Y), (4, 4)), "pick")
        values, _ = one.read(0, 4, 0, 4)
    expected = cells.reshape(4, 100, 4, 100).max(axis=(1, 3))
    np.testing.assert_array_equal(values, expected)
    assert max(largest) <= 24_000


def test_grid_of_a_result_lies_on_whole_cells(tmp_path):
    path = raster(tmp_path / "a.tif", np.ones((10, 10)), west=X + 0.7, north=Y + 0.2, unit="ft")
    with open_heights(path) as opened:
        crs, notes = grid_crs(opened)
        grid = result_grid(opened, crs, cell_ft=2 * US_FT)
    assert notes == ()
    a, _, west, _, _, north = grid.transform
    assert a == pytest.approx(2.0) and west == pytest.approx(X) and north == pytest.approx(Y + 2)
    assert grid.shape == (6, 6)  # from Y + 2 to Y - 10 and from X to X + 12


def test_the_surface_is_not_the_ground_too(tmp_path):
    path = tmp_path / "surface.tif"
    with new_raster(path, shape=(4, 4), transform=(3, 0, 9, 0, -3, 9), crs="EPSG:6443") as out:
        out.write(np.ones((4, 4)), 0, 0)
    with pytest.raises(LayerError, match="the raster that is the surface too"):
        prepare_input("heights", {"surface": path, "ground": path}, out=tmp_path / "made")
