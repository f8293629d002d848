"""Tiles as one grid: against rasterio's own merging of the same files, and every refusal."""

from __future__ import annotations

import pickle
import re
import warnings
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
import rasterio
import rasterio.merge
import shapely
from affine import Affine

from geotrim.core.coverage import rings_of
from geotrim.core.slices import measure_canopy
from geotrim.errors import CRSError, FileError, GeotrimError, LayerError, RangeError, UnitError
from geotrim.io.height_tiles import block_in_tiles, open_height_tiles, open_heights_of
from geotrim.io.rasters import HeightRaster
from geotrim.io.tile_source import MOST_OPEN, HeightTiles
from geotrim.model import HeightSource
from tests.test_rasters import everything, write

FIT: tuple[type[HeightSource], ...] = (HeightTiles,)

WEST, NORTH, CELL = 600_000.0, 1_200_000.0, 1.5
SIDE = 8


def corner(row, col, cell=CELL):
    """Transform of a north-up tile whose corner is at a row and a column of the grid."""
    return Affine(cell, 0.0, WEST + col * CELL, 0.0, -cell, NORTH - row * CELL)


def tile(folder, name, row, col, heights=None, **more):
    """A tile at a row and column of the grid; noise of its own unless heights are given."""
    if heights is None:
        seed = int.from_bytes(name.encode(), "big") % 2**32
        heights = np.random.default_rng(seed).uniform(0, 30, (SIDE, SIDE)).astype(np.float32)
    more = {"unit": "ft", "transform": corner(row, col), "nodata": -9999.0, **more}
    return write(folder / name, np.asarray(heights), **more)


def merged(paths, **more):
    """The same files put together by rasterio, first by name, NaN for no data."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PendingDeprecationWarning)  # of the two libraries' doing
        cells, transform = rasterio.merge.merge(sorted(paths), nodata=-9999.0, **more)
    return np.where(cells[0] == -9999.0, np.nan, cells[0]), tuple(transform)[:6]


@pytest.fixture
def four(tmp_path):
    """Three tiles of a square of four, south-east missing, each with some no data."""
    for name, row, col in (("b.tif", 0, 0), ("a.tif", 0, SIDE), ("c.tif", SIDE, 0)):
        path = tile(tmp_path, name, row, col)
        with rasterio.open(path, "r+") as out:
            cells = out.read(1)
            cells[2, 3] = -9999.0
            out.write(cells, 1)
    return tmp_path


# --- one grid -------------------------------------------------------------------------------------


def test_tiles_are_one_grid(four):
    tiles = open_heights_of(four)
    want, transform = merged(four.glob("*.tif"))
    assert tiles.shape == want.shape == (2 * SIDE, 2 * SIDE)
    np.testing.assert_allclose(tiles.transform, transform, rtol=1e-15)
    np.testing.assert_array_equal(everything(tiles), want)
    assert np.isnan(want[SIDE:, SIDE:]).all()  # the missing one
    for window in ((0, 3, 0, 5), (5, 11, 6, 9), (9, 16, 9, 16), (7, 8, 8, 9), (0, 16, 15, 16)):
        got = tiles.read(*window)
        np.testing.assert_array_equal(got, want[window[0] : window[1], window[2] : window[3]])
    assert tiles.names == ("a.tif", "b.tif", "c.tif")
    assert (tiles.unit, tiles.feet_per_unit, tiles.rmse_ft, tiles.notes) == ("ft", 1.0, None, ())
    assert tiles.crs.to_epsg() == 6443
    assert "3 tiles, 16 x 16 cells, ft" in repr(tiles)


def test_measures_are_those_of_one_file(four):
    """The same crowns on the tiles and on rasterio's merge of them in one file."""
    cells, transform = merged(four.glob("*.tif"))
    one = write(
        four.parent / "one.tif",
        np.nan_to_num(cells, nan=-9999.0),
        nodata=-9999.0,
        transform=Affine(*transform),
        unit="ft",
    )
    rng = np.random.default_rng(3)
    centres = shapely.points(rng.uniform((WEST, NORTH - 24), (WEST + 24, NORTH), (30, 2)))
    crowns = shapely.buffer(centres, 3.0)
    seen = [
        measure_canopy(rings_of(crowns), open_heights_of(path), crown_area_ft2=shapely.area(crowns))
        for path in (four, one)
    ]
    for name in ("top_ft", "p99_ft"):
        np.testing.assert_array_equal(getattr(seen[0], name), getattr(seen[1], name))
    for name in ("covered_frac", "mean_ft", "above_ft3"):
        np.testing.assert_allclose(getattr(seen[0], name), getattr(seen[1], name), rtol=1e-12)


def test_the_first_by_name_counts_where_it_has_data(tmp_path):
    """Tile b lies over a by half a tile; a has a hole there, and c lies over both and beyond."""
    a = np.full((SIDE, SIDE), 1.0, np.float32)
    a[:, 5] = -9999.0
    tile(tmp_path, "a.tif", 0, 0, a)
    b = np.full((SIDE, SIDE), 2.0, np.float32)
    b[2, :] = -9999.0
    tile(tmp_path, "b.tif", 0, 4, b)
    tile(tmp_path, "c.tif", 1, 1, np.full((SIDE, 2 * SIDE), 3.0, np.float32))
    tiles = open_heights_of(tmp_path)
    want, _ = merged(tmp_path.glob("*.tif"))
    np.testing.assert_array_equal(everything(tiles), want)
    np.testing.assert_array_equal(want[2], [*[1] * 5, 3, 1, 1, *[3] * 9])
    note = next(note for note in tiles.notes if "lie over" in note.text)
    assert str(note.text).startswith("2 of 3 tiles lie over others (b.tif)")
    assert note.level == "assumed"
    assert tiles.describe()["n_overlapping_tiles"] == 2


def test_tiles_that_only_touch_do_not_lie_over_each_other(four):
    assert open_heights_of(four).describe()["n_overlapping_tiles"] == 0


def test_tiles_of_many_sizes(tmp_path):
    """One large and several small, at places that are no multiples of anything."""
    rng = np.random.default_rng(1)
    for number, (row, col, rows, cols) in enumerate(
        [(3, 5, 40, 50), (0, 0, 4, 7), (43, 11, 5, 5), (20, 55, 6, 3), (41, 2, 9, 9), (9, 56, 4, 4)]
    ):
        cells = rng.uniform(0, 9, (rows, cols)).astype(np.float32)
        tile(tmp_path, f"t{number}.tif", row, col, cells)
    tiles = open_heights_of(tmp_path)
    want, _ = merged(tmp_path.glob("*.tif"))
    np.testing.assert_array_equal(everything(tiles), want)
    # by hand: the second and the fifth share cells with the first, the others touch it at most
    assert tiles.describe()["n_overlapping_tiles"] == 2
    for row in range(0, want.shape[0], 7):
        for col in range(0, want.shape[1], 7):
            got = tiles.read(row, min(row + 7, want.shape[0]), col, min(col + 7, want.shape[1]))
            np.testing.assert_array_equal(got, want[row : row + 7, col : col + 7])


@pytest.mark.parametrize(
    "turn", [Affine(0.0, 1.5, WEST, -1.5, 0.0, NORTH), Affine(1.2, 0.9, WEST, 0.9, -1.2, NORTH),
             Affine(1.5, 0.0, WEST, 0.0, 1.5, NORTH)]
)  # fmt: skip
def test_turned_and_south_up_tiles(tmp_path, turn):
    """By hand: each tile's first cell holds 10 x row + column of its place among the tiles."""
    for row, col in ((0, 1), (1, 0), (2, 2)):
        here = turn @ Affine.translation(col * SIDE, row * SIDE)
        cells = np.full((SIDE, SIDE), 10.0 * row + col, np.float32)
        name = f"{2 - row}{col}.tif"  # the first by name is not at the corner of the grid
        tile(tmp_path, name, 0, 0, cells, transform=here)
    tiles = open_heights_of(tmp_path)
    np.testing.assert_allclose(tiles.transform, tuple(turn)[:6], atol=1e-9)
    got = everything(tiles)[::SIDE, ::SIDE]
    np.testing.assert_array_equal(
        got, [[np.nan, 1, np.nan], [10, np.nan, np.nan], [np.nan, np.nan, 22]]
    )


def test_a_huge_grid_of_few_tiles(tmp_path):
    """Two corners of a grid of a million by a million cells: neither time nor memory for it."""
    tile(tmp_path, "a.tif", 0, 0, np.full((SIDE, SIDE), 1.0, np.float32))
    far = 1_000_000 - SIDE
    tile(tmp_path, "b.tif", far, far, np.full((SIDE, SIDE), 2.0, np.float32))
    tiles = open_heights_of(tmp_path)
    assert tiles.shape == (1_000_000, 1_000_000)
    assert tiles.read(0, 1, 0, 9).tolist()[0][:8] == [1.0] * 8
    assert tiles.read(999_999, 1_000_000, 999_991, 1_000_000)[0, 1:].tolist() == [2.0] * 8
    assert np.isnan(tiles.read(500_000, 500_008, 500_000, 500_008)).all()
    crowns = shapely.box(
        *(WEST + 1_499_988, NORTH - 1_500_000, WEST + 1_499_990, NORTH - 1_499_998)
    )
    seen = measure_canopy(rings_of([crowns]), tiles, crown_area_ft2=[4.0], n_threads=2)
    assert seen.top_ft.tolist() == [2.0]


# --- what each tile may have of its own -----------------------------------------------------------


def test_each_tile_is_read_by_its_own_marks(tmp_path):
    """By hand: no data marked in two ways and scaled numbers beside plain ones."""
    tile(tmp_path, "a.tif", 0, 0, [[1.0, -1.0]], dtype="float32", nodata=-1.0)
    tile(tmp_path, "b.tif", 0, 2, [[2.0, -1.0]], dtype="float32", nodata=None)
    whole = np.array([[250, 7]], np.int16)
    tile(tmp_path, "c.tif", 0, 4, whole, nodata=7, scale=0.01, offset=-1.0)
    tiles = open_heights_of(tmp_path)
    np.testing.assert_array_equal(everything(tiles), [[1.0, np.nan, 2.0, -1.0, 1.5, np.nan]])
    assert [tiles.read(0, 1, c, c + 2).dtype for c in (0, 2, 4)] == [np.float64] * 3
    text = "the tiles mark no data in different ways (-1.0, 7.0, none); each is read by its own"
    assert [note.text for note in tiles.notes] == [text]
    told = tiles.describe()
    assert told["nodata"] == ["-1.0", "7.0", "None"]
    assert told["dtype"] == ["float32", "int16"]
    assert (told["scale"], told["offset"]) == ([0.01, 1.0], [-1.0, 0.0])


def test_nan_as_the_mark_of_no_data(tmp_path):
    for name, col in (("a.tif", 0), ("b.tif", 2)):
        tile(tmp_path, name, 0, col, [[1.0, np.nan]], dtype="float32", nodata=np.nan)
    tiles = pickle.loads(pickle.dumps(open_heights_of(tmp_path)))
    np.testing.assert_array_equal(everything(tiles), [[1.0, np.nan, 1.0, np.nan]])
    assert tiles.notes == ()
    assert everything(tiles).dtype == np.float32


def with_error(path, value):
    with rasterio.open(path, "r+") as out:
        out.update_tags(rmse_ft=value)


def test_the_greatest_standard_error_counts(four):
    with_error(four / "a.tif", "0.3")
    with_error(four / "b.tif", "0.7")
    with_error(four / "c.tif", "0.5")
    tiles = open_heights_of(four)
    assert tiles.rmse_ft == 0.7
    assert [(str(n.text), n.level) for n in tiles.notes] == [
        (
            "standard error 0.7 ft, as the tiles themselves state (the greatest; the least is "
            "0.3 ft)",
            "info",
        )
    ]
    stated = open_heights_of(four, rmse_ft=0.4)
    assert (stated.rmse_ft, stated.notes) == (0.4, ())


def test_tiles_that_state_no_error_beside_one_that_does(four):
    with_error(four / "b.tif", "0.7")
    tiles = open_heights_of(four)
    assert tiles.rmse_ft == 0.7
    assert tiles.notes[0].text.endswith("themselves state; 2 of 3 tiles state none")
    assert tiles.notes[0].level == "assumed"


def test_what_all_or_some_tiles_assume_is_told_once(tmp_path):
    for number in range(3):
        pair = np.stack([np.full((2, 2), number, np.float32)] * (2 if number else 1))
        tile(tmp_path, f"{number}.tif", 0, 2 * number, pair, unit=None)
    tiles = open_heights_of(tmp_path, unit="m")
    assert tiles.unit == "m"
    assert [n.text for n in tiles.notes] == [
        "2 of 3 tiles (1.tif): band 1 of 2 is taken as the heights"
    ]
    bare = open_heights_of(tmp_path, unit="m", crs="EPSG:6443")
    assert bare.crs.to_epsg() == 6443


# --- which files are tiles ------------------------------------------------------------------------


def test_other_files_are_left_out_and_told(four):
    (four / "a.tfw").write_text("1.5")
    (four / "a.tif.aux.xml").write_text("<PAMDataset/>")
    (four / "a.tif.ovr").write_bytes(b"")
    (four / ".hidden.tif").write_bytes(b"")
    (four / "readme.txt").write_text("1 2 3")
    (four / "below").mkdir()
    tile(four / "below", "d.tif", SIDE, SIDE)
    vrt = """<VRTDataset rasterXSize="4" rasterYSize="3"></VRTDataset>"""
    (four / "all.vrt").write_text(vrt)
    tiles = open_heights_of(four)
    assert tiles.names == ("a.tif", "b.tif", "c.tif")
    assert [note.text for note in tiles.notes] == [
        "1 VRT beside the tiles left out, as a list of them",
        "4 other files beside the tiles left out (a.tfw, a.tif.aux.xml, a.tif.ovr, ...)",
    ]


def test_folders_below_are_searched_where_there_is_nothing_else(four, tmp_path_factory):
    top = tmp_path_factory.mktemp("top")
    (top / "north").mkdir()
    (top / "south").mkdir()
    tile(top / "north", "x.tif", 0, 0, [[1.0, 2.0]], dtype="float32")
    tile(top / "south", "a.tif", 1, 0, [[3.0, 4.0]], dtype="float32")
    tiles = open_heights_of(top)
    assert tiles.names == ("north/x.tif", "south/a.tif")
    assert everything(tiles).tolist() == [[1.0, 2.0], [3.0, 4.0]]
    assert [note.text for note in tiles.notes] == [
        "no rasters in the folder itself: those below it"
    ]


def test_one_file_and_a_list_of_files_are_one_raster(four):
    one = open_heights_of(four / "a.tif", rmse_ft=0.2)
    assert isinstance(one, HeightRaster)
    assert one.rmse_ft == 0.2
    vrt = four / "list.vrt"
    vrt.write_text(
        f"""<VRTDataset rasterXSize="8" rasterYSize="8"><SRS>EPSG:6443</SRS>
        <GeoTransform>{WEST}, 1.5, 0, {NORTH}, 0, -1.5</GeoTransform>
        <VRTRasterBand dataType="Float32" band="1"><SimpleSource>
        <SourceFilename relativeToVRT="1">b.tif</SourceFilename>
        </SimpleSource></VRTRasterBand></VRTDataset>"""
    )
    listed = open_heights_of(vrt, unit="ft")
    want = everything(open_heights_of(four / "b.tif"))
    got = everything(listed)
    assert (got[np.isfinite(want)] == want[np.isfinite(want)]).all()


def test_progress_is_told(four):
    told = []
    open_heights_of(four, progress=lambda done, n: told.append((done, n)))
    assert told == [(1, 3), (2, 3), (3, 3)]


# --- reading --------------------------------------------------------------------------------------


def test_few_files_are_open_and_each_is_opened_once(tmp_path):
    """More tiles than may stay open, read row by row: as many openings as tiles, no more."""
    n = MOST_OPEN + 9
    for col in range(n):
        tile(tmp_path, f"{col:03}.tif", 0, col, [[float(col)]], dtype="float32")
    with open_heights_of(tmp_path) as tiles:
        assert everything(tiles)[0].tolist() == list(range(n))
        assert (tiles._handles.n_opened, tiles._handles.n_idle) == (n, MOST_OPEN)
        tiles.read(0, 1, n - 5, n)  # the last ones are still open
        assert tiles._handles.n_opened == n
        tiles.read(0, 1, 0, 1)  # the first is not
        assert tiles._handles.n_opened == n + 1
    assert tiles._handles.n_idle == 0
    assert tiles.read(0, 1, 3, 5).tolist() == [[3.0, 4.0]]


def test_tiles_can_be_sent_and_read_by_threads(four):
    tiles = pickle.loads(pickle.dumps(open_heights_of(four, rmse_ft=0.3)))
    want = everything(open_heights_of(four))
    assert tiles.rmse_ft == 0.3
    windows = [(r, r + 4, c, c + 4) for r in range(0, 13, 3) for c in range(0, 13, 3)] * 4
    with ThreadPoolExecutor(4) as pool:
        got = list(pool.map(lambda w: tiles.read(*w), windows))
    for (row0, row1, col0, col1), cells in zip(windows, got, strict=True):
        np.testing.assert_array_equal(cells, want[row0:row1, col0:col1])


def test_a_tile_that_is_gone_or_cut_short_is_named_with_its_place(tmp_path):
    heights = np.random.default_rng(6).uniform(0, 30, (256, 256)).astype(np.float32)
    layout = {"tiled": True, "blockxsize": 64, "blockysize": 64, "compress": "deflate"}
    for name, col in (("a.tif", 0), ("b.tif", 256)):
        tile(tmp_path, name, 0, col, heights, **layout)
    tiles = open_heights_of(tmp_path)
    assert tiles.read(0, 8, 250, 256).shape == (8, 6)
    cut = tmp_path / "b.tif"
    octets = cut.read_bytes()
    cut.write_bytes(octets[:1000] + bytes(len(octets) - 2000) + octets[-1000:])
    words = r"b\.tif cannot be read at rows 200 to 256, columns 192 to 256 \(.*\); needed a whole"
    with pytest.raises(FileError, match=words):
        tiles.read(200, 256, 448, 512)
    cut.write_bytes(octets[: len(octets) // 2])
    words = r"b\.tif, which does not open .*, when rows 200 to 256, columns 192 to 256 of it were"
    with pytest.raises(FileError, match=words):
        tiles.read(200, 256, 448, 512)
    tiles.close()
    cut.unlink()
    words = r"no file .*b\.tif, when rows 3 to 9, columns 0 to 4 of it were to be read"
    with pytest.raises(FileError, match=words) as caught:
        tiles.read(3, 9, 250, 260)
    assert caught.value.subject == "heights"
    assert tiles.read(3, 9, 250, 256).shape == (6, 6)  # the others go on


@pytest.mark.parametrize(
    ("tile_size", "block", "corners", "want"),
    [
        # whole parts of a tile that are made of the file's own blocks
        ((1024, 2048), (512, 512), [(0, 0), (1024, 2048)], (512, 512)),
        # small tiles whole, since 512 is no part of 1000
        ((1000, 1000), (512, 512), [(0, 0), (1000, 3000)], (1000, 1000)),
        # large ones in even parts: 5000 / 10, 10000 / 20
        ((5000, 10000), (512, 512), [(0, 0)], (500, 500)),
        # very small ones together: 5 of 100 are nearest to 512
        ((100, 100), (100, 100), [(0, 0), (900, 900)], (500, 500)),
        # corners that are no multiples of a tile's size: the file's blocks
        ((1000, 1000), (512, 512), [(0, 0), (990, 0)], (512, 512)),
        # a side that is prime has no even part
        ((10007, 10007), (512, 512), [(0, 0)], (512, 512)),
    ],
)
def test_blocks_lie_in_few_tiles(tile_size, block, corners, want):
    windows = np.array([[r, r + tile_size[0], c, c + tile_size[1]] for r, c in corners])
    assert block_in_tiles(tile_size, block, windows) == want


# --- what is refused ------------------------------------------------------------------------------


REFUSED = [
    # what is done to the second tile of two, the error, words of its message
    ({"crs": "EPSG:26917"}, CRSError, r"heights tile b.tif: found a raster in NAD83 / UTM zone 17N"
     r", where a.tif is in NAD83\(2011\) / Florida West \(ftUS\); needed one CRS"),
    ({"crs": None}, CRSError, "heights tile b.tif: found a raster without a coordinate ref"),
    ({"unit": "m"}, UnitError, r"heights tile b.tif: found heights in m \(the file's band unit 'm'"
     r"\), where a.tif has them in ft; needed one vertical unit"),
    ({"unit": None}, UnitError, "heights tile b.tif unit: found no vertical unit"),
    ({"transform": corner(0, SIDE, 1.6)}, FileError, "heights tile b.tif: found cells of 1.6 by 1.6"
     ", where a.tif has cells of 1.5 by 1.5, or turned another way; needed tiles that lie on one"),
    ({"transform": corner(0, SIDE, 1.5005)}, FileError, "found cells of 1.5005 by 1.5005, where"),
    ({"transform": corner(0, SIDE) @ Affine.rotation(1.0)}, FileError, "or turned another way"),
    ({"transform": corner(0, SIDE) @ Affine.scale(1, -1)}, FileError, "or turned another way"),
    ({"transform": corner(0.5, SIDE)}, FileError, "heights tile b.tif: found a corner that is 0.5 "
     "of a cell off the grid of a.tif; needed tiles that lie on one grid"),
    ({"transform": corner(0, SIDE + 0.002)}, FileError, "a corner that is 0.002 of a cell off"),
    ({"transform": None}, FileError, "heights tile b.tif: found .*b.tif, which has no georef"),
]  # fmt: skip


@pytest.mark.parametrize(("change", "kind", "words"), REFUSED)
def test_a_tile_that_does_not_fit_is_named(tmp_path, change, kind, words):
    tile(tmp_path, "a.tif", 0, 0)
    tile(tmp_path, "b.tif", 0, SIDE, **change)
    with pytest.raises(kind, match=words) as caught:
        open_heights_of(tmp_path)
    assert isinstance(caught.value, GeotrimError)


def test_a_hair_off_the_grid_is_on_it(tmp_path):
    """0.0005 of a cell, and cells longer by 0.0005 of a cell over the whole tile."""
    tile(tmp_path, "a.tif", 0, 0)
    tile(tmp_path, "b.tif", 0, 0, transform=corner(0.0005, SIDE - 0.0005))
    tile(tmp_path, "c.tif", 0, 0, transform=corner(SIDE, 0, CELL * (1 + 0.0005 / SIDE)))
    assert open_heights_of(tmp_path).shape == (2 * SIDE, 2 * SIDE)


def test_foot_and_survey_foot_do_not_contradict(tmp_path):
    tile(tmp_path, "a.tif", 0, 0)
    tile(tmp_path, "b.tif", 0, SIDE, unit="US survey foot")
    assert open_heights_of(tmp_path).unit == "ft"


def test_a_folder_without_tiles_and_a_tile_that_is_none(tmp_path):
    (tmp_path / "notes.txt").write_text("none")
    words = f"heights: found no rasters in the folder {re.escape(str(tmp_path))}; needed a folder"
    for opening in (open_heights_of, open_height_tiles):
        with pytest.raises(FileError, match=words):
            opening(tmp_path)
    with pytest.raises(FileError, match="no rasters in the folder"):
        open_height_tiles(tmp_path / "nowhere")
    tile(tmp_path, "a.tif", 0, 0)
    (tmp_path / "b.tif").write_text("no raster")
    with pytest.raises(FileError, match=r"dem tile b\.tif: found .*does not open as a raster"):
        open_heights_of(tmp_path, subject="dem")
    with pytest.raises(LayerError, match=r"heights tile a\.tif band: found band 4"):
        open_heights_of(tmp_path, band=4)
    with pytest.raises(RangeError, match="rmse_ft"):
        open_heights_of(tmp_path, rmse_ft=-1.0)


def test_double_precision_is_kept(tmp_path):
    """A third of a foot beside a tile in single precision."""
    tile(tmp_path, "a.tif", 0, 0, [[1 / 3]], dtype="float64")
    tile(tmp_path, "b.tif", 0, 1, [[1 / 3]], dtype="float32")
    assert everything(open_heights_of(tmp_path)).tolist() == [[1 / 3, float(np.float32(1 / 3))]]
