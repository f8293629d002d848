"""Height rasters of every kind, and every message about those that cannot be used."""

from __future__ import annotations

import pickle
import re
import warnings

import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from rasterio.control import GroundControlPoint
from rasterio.errors import NotGeoreferencedWarning

from geotrim.core.coverage import rings_of
from geotrim.core.slices import measure_canopy
from geotrim.errors import CRSError, FileError, GeotrimError, LayerError, RangeError, UnitError
from geotrim.io.rasters import open_heights, window_shape

WEST, NORTH = 600_000.0, 1_200_000.0
NORTH_UP = Affine(2.0, 0.0, WEST, 0.0, -2.0, NORTH)
HEIGHTS = np.arange(12.0, dtype=np.float32).reshape(3, 4)


def write(path, heights=HEIGHTS, *, unit=None, scale=None, offset=None, mask=None, **profile):
    """A GeoTIFF of one band, or of as many as the array has; 2 ft cells in EPSG:6443."""
    bands = heights if heights.ndim == 3 else heights[None]
    profile = {
        "driver": "GTiff",
        "count": bands.shape[0],
        "height": bands.shape[1],
        "width": bands.shape[2],
        "dtype": bands.dtype,
        "crs": "EPSG:6443",
        "transform": NORTH_UP,
        **profile,
    }
    profile = {key: value for key, value in profile.items() if value is not None}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        with rasterio.open(path, "w", **profile) as out:
            out.write(bands)
            if unit is not None:
                out.units = [unit] * bands.shape[0]
            if scale is not None:
                out.scales = [scale] * bands.shape[0]
                out.offsets = [offset] * bands.shape[0]
            if mask is not None:
                out.write_mask(mask)
    return path


def everything(raster):
    return raster.read(0, raster.shape[0], 0, raster.shape[1])


def volume_ft3(raster, polygon):
    """Column volume over one polygon, map units taken for feet."""
    a, b, _, d, e, _ = raster.transform
    seen = measure_canopy(
        rings_of([polygon]),
        raster,
        crown_area_ft2=[polygon.area],
        cell_area_ft2=abs(a * e - b * d),
    )
    return float(seen.over_ft3(0.0)[0])


# --- what is read ---------------------------------------------------------------------------------


def test_a_plain_raster(tmp_path):
    path = write(tmp_path / "heights.tif")
    with open_heights(path, unit="ft", rmse_ft=0.5) as raster:
        np.testing.assert_array_equal(everything(raster), HEIGHTS)
        np.testing.assert_array_equal(raster.read(1, 3, 2, 4), HEIGHTS[1:3, 2:4])
        assert raster.shape == (3, 4)
        assert raster.transform == (2.0, 0.0, WEST, 0.0, -2.0, NORTH)
        assert raster.crs.to_epsg() == 6443
        assert raster.feet_per_unit == 1.0
        assert raster.rmse_ft == 0.5
        assert raster.notes == ()
        assert raster.unit_source == "stated by the user"


@pytest.mark.parametrize(
    ("unit", "factor"),
    [("ft", 1.0), ("m", 1 / 0.3048), ("us-ft", 1200 / 3937 / 0.3048)],  # 85 FR 62698; EPSG 9003
)
def test_units(tmp_path, unit, factor):
    raster = open_heights(write(tmp_path / "heights.tif"), unit=unit)
    assert raster.feet_per_unit == pytest.approx(factor, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "unit"), [("metre", "m"), ("Feet", "ft"), ("US survey foot", "us-ft"), ("m", "m")]
)
def test_the_file_says_its_unit(tmp_path, text, unit):
    raster = open_heights(write(tmp_path / "heights.tif", unit=text))
    assert raster.unit == unit
    assert repr(text) in raster.unit_source


@pytest.mark.parametrize("kind", ["tif", "vrt"])
@pytest.mark.parametrize(
    ("crs", "unit"),
    # NAD83(2011) / Florida West (ftUS) with NAVD88 heights in ftUS; UTM 17N with NAVD88 in metres
    [("EPSG:6443+6360", "us-ft"), ("EPSG:26917+5703", "m")],
)
def test_the_crs_says_the_unit(tmp_path, crs, unit, kind):
    """GDAL hands a GeoTIFF's vertical axis on as the band's unit; other formats' it does not."""
    path = write(tmp_path / "heights.tif", crs="EPSG:6443" if kind == "vrt" else crs)
    if kind == "vrt":
        path = tmp_path / "heights.vrt"
        path.write_text(
            f"""<VRTDataset rasterXSize="4" rasterYSize="3"><SRS>{crs}</SRS>
            <GeoTransform>{WEST}, 2, 0, {NORTH}, 0, -2</GeoTransform>
            <VRTRasterBand dataType="Float32" band="1"><SimpleSource>
            <SourceFilename relativeToVRT="1">heights.tif</SourceFilename>
            </SimpleSource></VRTRasterBand></VRTDataset>"""
        )
    raster = open_heights(path)
    assert raster.unit == unit
    assert ("vertical axis" if kind == "vrt" else "band unit") in raster.unit_source
    assert not raster.crs.is_compound
    np.testing.assert_array_equal(everything(raster), HEIGHTS)


def test_foot_and_survey_foot_do_not_contradict(tmp_path):
    """They differ by 2e-6: 0.00005 ft on a tree of 24 ft."""
    raster = open_heights(write(tmp_path / "heights.tif", unit="US survey foot"), unit="ft")
    assert raster.unit == "ft"


def test_a_unit_that_is_not_understood_is_told(tmp_path):
    raster = open_heights(write(tmp_path / "heights.tif", unit="fathoms"), unit="m")
    assert "'fathoms' is not understood" in str(raster.notes[0])


def test_nodata_nan_and_infinity_are_no_data(tmp_path):
    heights = np.array([[1.0, -9999.0, np.nan, np.inf], [-np.inf, 3e38, 2.0, 0.0]], np.float32)
    raster = open_heights(write(tmp_path / "heights.tif", heights, nodata=-9999.0), unit="ft")
    np.testing.assert_array_equal(
        everything(raster), [[1.0, np.nan, np.nan, np.nan], [np.nan, np.nan, 2.0, 0.0]]
    )


def test_nodata_written_in_double_precision(tmp_path):
    """-3.4e38 is no single-precision number; the cells hold the nearest one."""
    heights = np.array([[np.float32(-3.4e38), 5.0]], np.float32)
    raster = open_heights(write(tmp_path / "heights.tif", heights, nodata=-3.4e38), unit="ft")
    np.testing.assert_array_equal(everything(raster), [[np.nan, 5.0]])
    heights = np.array([[np.float32(-0.1), 5.0]], np.float32)
    raster = open_heights(write(tmp_path / "tenth.tif", heights, nodata=-0.1), unit="ft")
    np.testing.assert_array_equal(everything(raster), [[np.nan, 5.0]])


@pytest.mark.parametrize("dtype", ["uint8", "int16", "uint16", "int32", "float64"])
def test_number_types(tmp_path, dtype):
    heights = np.array([[0, 7, 99], [100, 12, 5]], dtype)
    raster = open_heights(write(tmp_path / "heights.tif", heights, nodata=99), unit="ft")
    got = everything(raster)
    np.testing.assert_array_equal(got, [[0, 7, np.nan], [100, 12, 5]])
    assert got.dtype.kind == "f"


def test_scale_and_offset(tmp_path):
    """Centimetres above -1 m, in whole numbers: 250 stands for 1.50 m. The nodata is unscaled."""
    heights = np.array([[250, 100, -1]], np.int16)
    path = write(tmp_path / "heights.tif", heights, nodata=-1, scale=0.01, offset=-1.0)
    np.testing.assert_allclose(
        everything(open_heights(path, unit="m")), [[1.5, 0.0, np.nan]], atol=1e-15
    )
    raster = open_heights(path, unit="m")
    picture, _ = raster.read_display((WEST, NORTH - 2, WEST + 6, NORTH), 3)
    np.testing.assert_allclose(picture, [[1.5 / 0.3048, 0.0, np.nan]], atol=1e-12)


def test_mask_of_the_dataset(tmp_path):
    mask = np.full((3, 4), 255, np.uint8)
    mask[0, 1] = 0
    want = HEIGHTS.copy()
    want[0, 1] = np.nan
    path = write(tmp_path / "heights.tif", mask=mask)
    np.testing.assert_array_equal(everything(open_heights(path, unit="ft")), want)
    picture, _ = open_heights(path, unit="ft").read_display((WEST, NORTH - 6, WEST + 8, NORTH), 4)
    np.testing.assert_array_equal(picture, want)


def test_mask_of_transparency(tmp_path):
    bands = np.stack([HEIGHTS, np.full((3, 4), 255, np.float32)])
    bands[1, 2, 3] = 0
    path = write(tmp_path / "heights.tif", bands, alpha="yes")
    want = HEIGHTS.copy()
    want[2, 3] = np.nan
    raster = open_heights(path, unit="ft")
    np.testing.assert_array_equal(everything(raster), want)
    assert raster.notes == ()  # one band of values
    with pytest.raises(LayerError, match=r"band 2 of .* holds transparency, not heights"):
        open_heights(path, unit="ft", band=2)


def test_one_band_of_many(tmp_path):
    path = write(tmp_path / "heights.tif", np.stack([HEIGHTS, HEIGHTS * 2, HEIGHTS * 3]))
    raster = open_heights(path, unit="ft", band=2)
    np.testing.assert_array_equal(everything(raster), HEIGHTS * 2)
    assert "band 2 of 3" in str(raster.notes[0])
    assert raster.notes[0].level == "assumed"


def test_a_picture_is_told(tmp_path):
    path = write(tmp_path / "p.tif", np.ones((3, 4, 4), np.uint8), photometric="RGB")
    assert "looks like a picture" in str(open_heights(path, unit="ft").notes[0])


def test_turned_and_south_up_rasters_measure_the_same(tmp_path):
    """The same heights on the same ground, stored three ways."""
    heights = np.random.default_rng(4).uniform(0, 30, (20, 20)).astype(np.float32)
    polygon = shapely.Point(WEST + 21, NORTH - 19).buffer(11)
    plain = open_heights(write(tmp_path / "plain.tif", heights), unit="ft")
    want = volume_ft3(plain, polygon)
    flipped = Affine(2.0, 0.0, WEST, 0.0, 2.0, NORTH - 40)
    south_up = open_heights(
        write(tmp_path / "south.tif", heights[::-1], transform=flipped), unit="ft"
    )
    assert volume_ft3(south_up, polygon) == pytest.approx(want, rel=1e-12)
    # rows run east, columns run south: a quarter turn
    quarter = Affine(0.0, 2.0, WEST, -2.0, 0.0, NORTH)
    turned = open_heights(write(tmp_path / "turned.tif", heights.T, transform=quarter), unit="ft")
    assert volume_ft3(turned, polygon) == pytest.approx(want, rel=1e-12)
    assert turned.describe()["is_rotated"]
    # turned by 30 degrees about the corner, and the crown with it
    cos, sin = np.cos(np.pi / 6), np.sin(np.pi / 6)
    corner = np.array([WEST, NORTH])
    spin = Affine(2 * cos, 2 * sin, WEST, 2 * sin, -2 * cos, NORTH)
    path = write(tmp_path / "thirty.tif", heights, transform=spin)
    turn = np.array([[cos, -sin], [sin, cos]])
    moved = shapely.transform(polygon, lambda xy: (xy - corner) @ turn.T + corner)
    assert volume_ft3(open_heights(path, unit="ft"), moved) == pytest.approx(want, rel=1e-7)


@pytest.mark.parametrize(
    "layout",
    [
        {},
        {"blockysize": 1},
        {"blockysize": 600},
        {"tiled": True, "blockxsize": 64, "blockysize": 16},
        {"tiled": True, "blockxsize": 256, "blockysize": 256, "compress": "deflate"},
    ],
)
def test_layouts(tmp_path, layout):
    """Striped or tiled: windows are whole blocks, they cover the raster, and give its cells."""
    heights = np.random.default_rng(5).uniform(0, 30, (700, 600)).astype(np.float32)
    raster = open_heights(write(tmp_path / "heights.tif", heights, **layout), unit="ft")
    rows, cols = raster.block_shape
    got = np.full(raster.shape, np.nan)
    for row in range(0, 700, rows):
        for col in range(0, 600, cols):
            window = row, min(row + rows, 700), col, min(col + cols, 600)
            got[window[0] : window[1], window[2] : window[3]] = raster.read(*window)
    np.testing.assert_array_equal(got, heights)
    with rasterio.open(raster.path) as file:
        block = file.block_shapes[0]
    assert rows % block[0] == 0 or rows == 700
    assert cols % block[1] == 0 or cols == 600


@pytest.mark.parametrize(
    ("block", "shape", "want"),
    [
        ((512, 512), (20480, 20480), (512, 512)),
        ((256, 256), (5000, 5000), (512, 512)),
        ((1024, 1024), (5000, 5000), (1024, 1024)),
        ((1, 2000), (3000, 2000), (131, 2000)),  # a strip a row: 131 x 2000 is about 512 x 512
        ((8, 600_000), (3000, 600_000), (8, 600_000)),
        ((300, 200), (300, 200), (300, 200)),
    ],
)
def test_windows_are_whole_blocks(block, shape, want):
    assert window_shape(block, shape) == want


def test_it_can_be_sent_and_closed(tmp_path):
    with open_heights(write(tmp_path / "heights.tif"), unit="m", rmse_ft=0.3) as raster:
        everything(raster)
    sent = pickle.loads(pickle.dumps(raster))
    np.testing.assert_array_equal(everything(sent), HEIGHTS)
    np.testing.assert_array_equal(everything(raster), HEIGHTS)
    assert (sent.unit, sent.rmse_ft) == ("m", 0.3)
    assert "3 x 4 cells, m" in repr(sent)


def test_description(tmp_path):
    path = write(tmp_path / "heights.tif", nodata=-1.0)
    told = open_heights(path, unit="m", rmse_ft=0.25).describe()
    assert told == {
        "path": str(path),
        "band": 1,
        "n_bands": 1,
        "n_rows": 3,
        "n_cols": 4,
        "cell_size_map_units": [2.0, 2.0],
        "is_rotated": False,
        "dtype": "float32",
        "nodata": -1.0,
        "scale": 1.0,
        "offset": 0.0,
        "crs": "EPSG:6443",
        "vertical_unit": "m",
        "vertical_unit_source": "stated by the user",
        "rmse_ft": 0.25,
    }


def test_picture_for_a_figure(tmp_path):
    """By hand: 8 by 6 ft of ground, and 2 ft beyond it to the west with nothing."""
    raster = open_heights(write(tmp_path / "heights.tif"), unit="m")
    picture, bounds = raster.read_display((WEST - 2, NORTH - 6, WEST + 8, NORTH), 100)
    assert bounds == (WEST - 2, NORTH - 6, WEST + 8, NORTH)
    assert picture.shape == (3, 5)  # never finer than the cells
    assert np.isnan(picture[:, 0]).all()
    np.testing.assert_allclose(picture[:, 1:], HEIGHTS / 0.3048, rtol=1e-6)
    coarse, _ = raster.read_display((WEST, NORTH - 6, WEST + 8, NORTH), 2)
    assert coarse.shape == (2, 2)


def test_picture_in_another_crs(tmp_path):
    from pyproj import Transformer

    heights = np.full((200, 200), 7.0, np.float32)
    raster = open_heights(write(tmp_path / "heights.tif", heights), unit="ft")
    move = Transformer.from_crs(6443, 26917, always_xy=True)
    x, y = move.transform(WEST + 200, NORTH - 200)
    picture, _ = raster.read_display((x - 20, y - 10, x + 20, y + 10), 40, crs=26917)
    assert picture.shape == (20, 40)
    assert (picture == 7.0).all()
    far, _ = raster.read_display((x + 9000, y, x + 9020, y + 10), 40, crs=26917)
    assert np.isnan(far).all()


def test_a_crs_stated_for_an_unlabelled_file(tmp_path):
    raster = open_heights(write(tmp_path / "heights.tif", crs=None), unit="ft", crs="EPSG:6443")
    assert raster.crs.to_epsg() == 6443
    assert raster.notes[0].level == "assumed"
    same = open_heights(write(tmp_path / "labelled.tif"), unit="ft", crs=6443)
    assert same.notes == ()


# --- what is refused ------------------------------------------------------------------------------


def text_file(folder):
    path = folder / "heights.tif"
    path.write_text("crown,height\n1,12\n")
    return path


def without_transform(folder):
    return write(folder / "heights.tif", transform=None)


def with_control_points(folder):
    points = [
        GroundControlPoint(row, col, WEST + col, NORTH - row)
        for row, col in ((0, 0), (0, 4), (3, 0))
    ]
    path = write(folder / "heights.tif", transform=None, crs=None)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        with rasterio.open(path, "r+") as out:
            out.gcps = points, rasterio.crs.CRS.from_epsg(6443)
    return path


REFUSED = [
    # how the file is made, what is asked of it, the error, words of its message
    (lambda f: f / "none.tif", {}, FileError, "no file .*none.tif; needed a raster file"),
    (text_file, {}, FileError, "does not open as a raster .*needed a raster file such as a Geo"),
    (lambda f: f, {}, FileError, "does not open as a raster"),
    (without_transform, {}, FileError, "has no georeference; needed a raster whose grid is tied"),
    (with_control_points, {}, FileError, "placed by 3 ground control points only"),
    (lambda f: write(f / "a.tif"), {"band": 2}, LayerError, "band 2, where .* has 1 band; needed"),
    (
        lambda f: write(f / "a.tif", np.stack([HEIGHTS] * 3)),
        {"band": 0},
        LayerError,
        "band 0, where .* has 3 bands; needed a band from 1 to 3",
    ),
    (lambda f: write(f / "a.tif"), {"band": True}, LayerError, "band True, where"),
    (
        lambda f: write(f / "a.tif", HEIGHTS.astype(np.complex64)),
        {},
        LayerError,
        "holds complex numbers, not heights",
    ),
    (lambda f: write(f / "a.tif"), {"unit": None}, UnitError, "no vertical unit, neither stated"),
    (lambda f: write(f / "a.tif"), {"unit": "yards"}, UnitError, "'yards'; needed one of ft, us"),
    (
        lambda f: write(f / "a.tif", unit="fathoms"),
        {"unit": None},
        UnitError,
        "band unit 'fathoms' in the file; needed ft, us-ft or m",
    ),
    (
        lambda f: write(f / "a.tif", unit="metre"),
        {},
        UnitError,
        r"ft \(stated by the user\) and m \(the file's band unit 'metre'\); needed one",
    ),
    (
        lambda f: write(f / "a.tif", unit="metre", crs="EPSG:6443+6360"),
        {"unit": None},
        UnitError,
        r"m \(the file's band unit 'metre'\) and us-ft \(the vertical axis of the file's CRS",
    ),
    (lambda f: write(f / "a.tif", crs=None), {}, CRSError, "without a coordinate reference sys"),
    (
        lambda f: write(f / "a.tif"),
        {"crs": 26917},
        CRSError,
        r"a raster in NAD83\(2011\) / Florida West \(ftUS\), where NAD83 / UTM zone 17N was stated",
    ),
    (lambda f: write(f / "a.tif"), {"crs": "EPSG:0"}, CRSError, "found 'EPSG:0'; needed a CRS"),
    (lambda f: write(f / "a.tif"), {"rmse_ft": -1.0}, RangeError, "found -1.0; needed a number of"),
    (lambda f: write(f / "a.tif"), {"rmse_ft": np.nan}, RangeError, "found nan; needed a number"),
]


@pytest.mark.parametrize(("make", "asked", "kind", "words"), REFUSED)
def test_what_cannot_be_used_is_told(tmp_path, make, asked, kind, words):
    asked = {"unit": "ft", **asked}
    with pytest.raises(kind, match=words) as caught:
        open_heights(make(tmp_path), subject="[heights]", **asked)
    assert str(caught.value).startswith("[heights]")
    assert "To mend: " in str(caught.value)
    assert "previous exception" not in str(caught.value)


def test_a_file_cut_short_names_the_place(tmp_path):
    heights = np.random.default_rng(6).uniform(0, 30, (512, 512)).astype(np.float32)
    path = write(
        tmp_path / "heights.tif",
        heights,
        tiled=True,
        blockxsize=128,
        blockysize=128,
        compress="deflate",
    )
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    raster = open_heights(path, unit="ft")
    with pytest.raises(FileError, match="rows 384 to 512, columns 384 to 512") as caught:
        raster.read(384, 512, 384, 512)
    assert str(path) in str(caught.value)
    assert "may be cut short or damaged" in str(caught.value)


def test_a_file_that_goes_away(tmp_path):
    path = write(tmp_path / "heights.tif")
    raster = open_heights(path, unit="ft")
    path.unlink()
    with pytest.raises(FileError, match="no file"):
        everything(raster)


@pytest.mark.parametrize("bad", [(5.0, 0.0, 5.0, 1.0), (0.0, 2.0, 5.0, 1.0)])
def test_a_picture_needs_an_area(tmp_path, bad):
    raster = open_heights(write(tmp_path / "heights.tif"), unit="ft")
    with pytest.raises(RangeError, match=re.escape(f"a window of bounds {bad}")):
        raster.read_display(bad)


def test_every_error_is_of_the_family():
    assert all(issubclass(kind, GeotrimError) for _, _, kind, _ in REFUSED)
