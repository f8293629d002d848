"""Rasters written by windows come back as they were, with their unit and their error."""

from __future__ import annotations

import numpy as np
import pytest
import rasterio

from geotrim.errors import FileError, LayerError
from geotrim.io.raster_write import new_raster
from geotrim.io.rasters import open_heights

GRID = (3.0, 0.0, 400_000.0, 0.0, -3.0, 1_200_000.0)


@pytest.mark.parametrize("shape", [(5, 7), (700, 30), (1030, 1100)])
def test_windows_come_back(tmp_path, shape):
    path = tmp_path / "heights.tif"
    cells = np.arange(np.prod(shape), dtype=np.float32).reshape(shape)
    cells[2, 3] = np.nan
    with new_raster(path, shape=shape, transform=GRID, crs="EPSG:6443+6360", unit="us-ft") as out:
        for row in range(0, shape[0], 400):
            out.write(cells[row : row + 400, :10], row, 0)
            out.write(cells[row : row + 400, 10:].astype(float), row, 10) if shape[1] > 10 else None
    with open_heights(path) as back:
        np.testing.assert_array_equal(back.read(0, shape[0], 0, shape[1]), cells)
        assert (back.unit, back.rmse_ft, back.transform) == ("us-ft", None, GRID)
        assert back.crs.to_epsg() == 6443


def test_cells_never_written_are_no_data(tmp_path):
    path = tmp_path / "heights.tif"
    with new_raster(path, shape=(600, 600), transform=GRID, crs="EPSG:6443") as out:
        out.write(np.full((3, 4), 5.0), 10, 20)
    with open_heights(path) as back:
        cells = back.read(0, 600, 0, 600)
    assert np.isfinite(cells).sum() == 12 and (cells[10:13, 20:24] == 5.0).all()


RMSE = [({"rmse_ft": "0.46"}, None, 0.46), ({"rmse_ft": "0.46"}, 0.9, 0.9), ({}, None, None)]
RMSE += [({"rmse_ft": text}, None, None) for text in ("-1", "nan", "half a foot")]


@pytest.mark.parametrize(("tags", "stated", "expected"), RMSE)
def test_a_file_states_its_own_error(tmp_path, tags, stated, expected):
    path = tmp_path / "heights.tif"
    with new_raster(path, shape=(4, 4), transform=GRID, crs="EPSG:6443", tags=tags) as out:
        out.write(np.ones((4, 4)), 0, 0)
    back = open_heights(path, rmse_ft=stated)
    assert back.rmse_ft == expected
    told = [str(note) for note in back.notes if "rmse_ft" in note.text or "error" in note.text]
    assert len(told) == (1 if tags and stated is None else 0)


def test_a_place_that_cannot_be_written_is_told(tmp_path):
    path = tmp_path / "none" / "heights.tif"
    with (
        pytest.raises(FileError, match="cannot be written"),
        new_raster(path, shape=(4, 4), transform=GRID, crs="EPSG:6443"),
    ):
        pass


def test_the_file_is_tiled_and_says_what_it_is(tmp_path):
    path = tmp_path / "heights.tif"
    with new_raster(path, shape=(1200, 900), transform=GRID, crs="EPSG:6443") as out:
        out.write(np.zeros((1200, 900)), 0, 0)
    with rasterio.open(path) as back:
        assert back.block_shapes == [(512, 512)] and back.units == ("ft",)
        assert np.isnan(back.nodata) and back.compression.value == "DEFLATE"


def labelled(tmp_path, **tags):
    path = tmp_path / "some.tif"
    with new_raster(path, shape=(4, 4), transform=GRID, crs="EPSG:6443", tags=tags) as out:
        out.write(np.ones((4, 4)), 0, 0)
    return path


@pytest.mark.parametrize("own", [None, "heights", "elevations"])
@pytest.mark.parametrize("wanted", ["heights", "elevations", "anything"])
def test_a_file_that_says_it_holds_something_else_is_refused(tmp_path, own, wanted):
    path = labelled(tmp_path, **({} if own is None else {"holds": own}))
    if own is None or wanted in (own, "anything"):
        assert open_heights(path, holds=wanted).notes == ()
    else:
        with pytest.raises(LayerError, match=r"as the file itself says; needed one of "):
            open_heights(path, holds=wanted)


def test_heights_with_a_vertical_datum_are_told(tmp_path):
    """EPSG 6360: NAVD88 height in US survey feet. Heights above the substrate have no datum."""
    path = tmp_path / "surface.tif"
    with new_raster(path, shape=(4, 4), transform=GRID, crs="EPSG:6443+6360", unit="us-ft") as out:
        out.write(np.ones((4, 4)), 0, 0)
    told = [note for note in open_heights(path).notes if "vertical datum (NAVD88" in note.text]
    assert len(told) == 1 and told[0].level == "assumed"
    assert open_heights(path, holds="elevations").notes == ()
    sure = tmp_path / "heights.tif"  # the file says that they are heights
    with new_raster(
        sure,
        shape=(4, 4),
        transform=GRID,
        crs="EPSG:6443+6360",
        unit="us-ft",
        tags={"holds": "heights"},
    ) as out:
        out.write(np.ones((4, 4)), 0, 0)
    assert open_heights(sure).notes == ()
