"""Threads, lent files and kept blocks: who does what, how often, and what happens when it fails."""

from __future__ import annotations

import os
import pickle
import threading
import time
from concurrent.futures import CancelledError, ThreadPoolExecutor

import numpy as np
import pytest
import shapely

from geotrim.core.block_cache import BlockCache
from geotrim.core.coverage import rings_of
from geotrim.core.slices import measure_canopy
from geotrim.core.threads import each_once
from geotrim.errors import FileError, RangeError
from geotrim.io.raster_handles import Handles
from geotrim.io.rasters import open_heights
from geotrim.model import HeightSource
from tests.fakes import north_up
from tests.test_rasters import NORTH, WEST, write

FIT: tuple[type[HeightSource], ...] = (BlockCache,)


# --- pieces of work -------------------------------------------------------------------------------


@pytest.mark.parametrize(("n", "n_threads"), [(0, 3), (1, 4), (7, 1), (50, 3)])
def test_every_piece_is_done_once(n, n_threads):
    done, makers, before = [], [], threading.active_count()

    def worker():
        makers.append(threading.get_ident())
        return done.append

    each_once(worker, n, n_threads)
    assert sorted(done) == list(range(n))
    assert len(makers) == min(n, n_threads)  # a number may be used again once its thread has ended
    assert threading.active_count() == before


def test_pieces_are_done_at_the_same_time():
    """Two threads meet at a barrier that one alone could never pass."""
    barrier = threading.Barrier(2, timeout=20)
    each_once(lambda: lambda _: barrier.wait(), 2, 2)


def test_the_failure_of_the_lowest_number_is_told():
    """Piece 3 fails late and piece 5 at once: 3 is what one thread would have met."""
    met = threading.Barrier(2, timeout=20)
    done = []

    def do(number):
        done.append(number)
        if number == 3:
            met.wait()
            time.sleep(0.05)
            raise ValueError("3")
        if number == 5:
            met.wait()
            raise ValueError("5")

    with pytest.raises(ValueError, match="3"):
        each_once(lambda: do, 100, 2)
    assert len(done) < 10
    assert not [t for t in threading.enumerate() if t.name.endswith("(work)")]


def test_a_worker_that_cannot_be_made_is_told():
    def worker():
        raise MemoryError("no room")

    with pytest.raises(MemoryError, match="no room"):
        each_once(worker, 5, 2)


def test_an_interruption_ends_all_threads():
    begun = threading.Event()
    done = []

    def do(number):
        done.append(number)
        if threading.current_thread() is threading.main_thread():
            begun.wait(20)
            raise KeyboardInterrupt
        begun.set()
        time.sleep(0.001)

    with pytest.raises(KeyboardInterrupt):
        each_once(lambda: do, 100_000, 2)
    assert len(done) < 10_000
    assert not [t for t in threading.enumerate() if t.name.endswith("(work)")]


def test_there_must_be_a_thread():
    with pytest.raises(RangeError, match="n_threads: found 0; needed 1 or more"):
        each_once(lambda: print, 3, 0)


# --- the canopy pass ------------------------------------------------------------------------------


@pytest.mark.jit
def test_the_canopy_pass_is_the_same_to_the_last_bit():
    """Crowns over up to nine blocks of noise, added up in block order whoever reads the blocks.

    The source answers late for early blocks, so that threads end in another order than they begin.
    """
    rng = np.random.default_rng(2)
    heights = rng.uniform(0, 30, (64, 64))
    heights[rng.uniform(size=heights.shape) < 0.1] = np.nan
    source = north_up(heights, north=64.0, block_shape=(8, 8))
    read = source.read

    def late(row0, row1, col0, col1):
        time.sleep(0.002 if (row0 // 8 + col0 // 8) % 2 else 0.0)
        return read(row0, row1, col0, col1)

    source.read = late
    crowns = shapely.buffer(shapely.points(rng.uniform(0, 64, (60, 2))), rng.uniform(1, 9, 60))
    seen = [
        measure_canopy(
            rings_of(crowns),
            source,
            crown_area_ft2=shapely.area(crowns),
            breaks_ft=(0.0, 3.0, 6.0, 10.0, 16.0),
            n_threads=n,
        )
        for n in (1, 2, 5)
    ]
    for other in seen[1:]:
        for name in ("covered_frac", "top_ft", "p99_ft", "mean_ft", "above_ft3"):
            np.testing.assert_array_equal(getattr(other, name), getattr(seen[0], name))
    assert len(source.reads) == 3 * 64


def test_the_operations_take_threads(tmp_path):
    import geopandas as gpd
    import pandas as pd

    from geotrim.ops.canopy import heights, heights_and_slices, slices

    rng = np.random.default_rng(7)
    cells = rng.uniform(0, 30, (600, 600)).astype(np.float32)
    path = write(tmp_path / "h.tif", cells, tiled=True, blockxsize=128, blockysize=128)
    centres = rng.uniform((WEST, NORTH - 1200), (WEST + 1200, NORTH), (40, 2))
    shapes = shapely.buffer(shapely.points(centres), 40.0)
    crowns = gpd.GeoDataFrame({"crown_id": range(40)}, geometry=shapes, crs="EPSG:6443")
    with open_heights(path, unit="ft") as source:
        alone = heights(crowns, source), slices(crowns, source)
        together = heights_and_slices(crowns, source, n_threads=3)
        for one, other in zip(alone, together, strict=True):
            assert one.parameters == other.parameters
            for name in one.tables:
                pd.testing.assert_frame_equal(one[name], other[name], check_exact=True)
    with pytest.raises(RangeError, match="n_threads"):
        heights_and_slices(crowns, source, n_threads=0)


def test_a_damaged_file_is_told_from_any_thread(tmp_path, capfd):
    """The first place that fails, and nothing printed past Python."""
    rng = np.random.default_rng(6)
    cells = rng.uniform(0, 30, (1536, 1536)).astype(np.float32)
    layout = {"tiled": True, "blockxsize": 256, "blockysize": 256, "compress": "deflate"}
    path = write(tmp_path / "h.tif", cells, **layout)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    crown = shapely.box(WEST, NORTH - 3072, WEST + 3072, NORTH)
    source = open_heights(path, unit="ft")
    found = set()
    for n in (1, 2, 4):
        with pytest.raises(FileError) as caught:
            measure_canopy(rings_of([crown]), source, crown_area_ft2=[1.0], n_threads=n)
        found.add(str(caught.value))
    assert len(found) == 1
    assert capfd.readouterr() == ("", "")


# --- lent files -----------------------------------------------------------------------------------


class File:
    """Stands for an open dataset."""

    def __init__(self, path):
        self.path, self.is_open = path, True

    def close(self):
        assert self.is_open
        self.is_open = False


@pytest.fixture
def files():
    return []


@pytest.fixture
def handles(files):
    def open_file(path):
        files.append(File(path))
        return files[-1]

    return Handles(open_file, most_idle=2)


def test_a_handle_has_one_borrower_and_is_used_again(handles, files):
    with handles.of("a") as one, handles.of("a") as two:
        assert one is not two
    with handles.of("a") as again:
        assert again in (one, two)
    assert len(files) == handles.n_opened == 2


def test_the_one_used_longest_ago_is_closed(handles, files):
    for path in ("a", "b", "a", "c"):
        with handles.of(path):
            pass
    assert [(f.path, f.is_open) for f in files] == [("a", True), ("b", False), ("c", True)]
    assert handles.n_idle == 2
    with handles.of("b"):
        pass
    assert [f.path for f in files if f.is_open] == ["c", "b"]


def test_closing_closes_what_is_lent_when_it_comes_back(handles, files):
    with handles.of("a"):
        with handles.of("b"):
            pass
        handles.close()
        assert [f.is_open for f in files] == [True, False]
    assert [f.is_open for f in files] == [False, False]
    assert handles.n_idle == 0
    with handles.of("a"):
        pass
    assert (handles.n_opened, handles.n_idle) == (3, 1)


def test_one_that_failed_is_not_used_again(handles, files):
    with pytest.raises(ValueError, match="bad"), handles.of("a"):
        raise ValueError("bad")
    assert not files[0].is_open
    assert handles.n_idle == 0


def test_a_process_split_off_opens_its_own(handles, files, monkeypatch):
    with handles.of("a"):
        pass
    here = os.getpid()
    monkeypatch.setattr(os, "getpid", lambda: here + 1)
    with handles.of("a") as other:
        assert other is files[1]
    assert files[0].is_open  # it is the other process's to close


def test_a_raster_is_closed_in_all_threads(tmp_path):
    raster = open_heights(write(tmp_path / "h.tif"), unit="ft")
    barrier = threading.Barrier(3, timeout=20)

    def read(_):
        with raster._handles.of(raster.path):
            barrier.wait()

    with ThreadPoolExecutor(3) as pool:
        list(pool.map(read, range(3)))
    assert (raster._handles.n_opened, raster._handles.n_idle) == (3, 3)
    raster.close()
    assert raster._handles.n_idle == 0
    assert raster.read(0, 3, 0, 4).shape == (3, 4)


# --- kept blocks ----------------------------------------------------------------------------------


def blocks(**more):
    """Rows and columns of a hundred times the row and the column, in blocks of 4 by 4."""
    row, col = np.mgrid[0:10, 0:14]
    return north_up(100.0 * row + col, north=10.0, block_shape=(4, 4), **more)


def test_a_block_is_read_once():
    source = blocks(rmse_ft=0.5, feet_per_unit=2.0, crs="EPSG:6443")
    cache = BlockCache(source, 10_000)
    for window in ((0, 4, 0, 4), (1, 3, 1, 2), (2, 9, 3, 13), (8, 10, 12, 14), (0, 10, 0, 14)):
        row0, row1, col0, col1 = window
        np.testing.assert_array_equal(cache.read(*window), source.heights[row0:row1, col0:col1])
    assert len(source.reads) == len(set(source.reads)) == 12
    assert cache.n_decoded == 12
    assert cache.n_hits == 0 + 1 + 1 + 1 + 12
    assert (cache.rmse_ft, cache.feet_per_unit, cache.crs) == (0.5, 2.0, "EPSG:6443")
    assert (cache.shape, cache.block_shape) == ((10, 14), (4, 4))
    assert cache.transform == source.transform
    assert cache.notes == ()


def test_what_is_handed_out_cannot_be_written_to():
    cache = BlockCache(blocks(), 10_000)
    with pytest.raises(ValueError, match="read-only"):
        cache.read(0, 4, 0, 4)[0, 0] = 7.0


def test_the_budget_is_kept_and_the_oldest_goes():
    """A whole block holds 16 numbers of 8 bytes."""
    source = blocks()
    cache = BlockCache(source, 2 * 128)
    for col in (0, 4, 0, 8, 0, 4):  # 4 is let go of when 8 comes, since 0 was asked for after it
        cache.read(0, 4, col, col + 4)
    assert [read[2] for read in source.reads] == [0, 4, 8, 4]
    assert cache.kept_bytes == 256
    assert (cache.n_decoded, cache.n_hits) == (4, 2)
    cache.clear()
    assert cache.kept_bytes == 0
    cache.read(0, 4, 0, 4)
    assert len(source.reads) == 5


def test_a_block_larger_than_the_budget_is_read_and_not_kept():
    source = blocks()
    cache = BlockCache(source, 100)
    for _ in range(2):
        assert cache.read(0, 4, 0, 4)[1, 2] == 102.0
    assert (len(source.reads), cache.kept_bytes) == (2, 0)
    cache.read(8, 10, 0, 4)  # 8 numbers, which fit
    assert cache.kept_bytes == 64


def test_two_who_ask_at_once_wait_for_one_reading():
    source = blocks()
    asked, go = threading.Semaphore(0), threading.Event()
    read = source.read

    def slow(*window):
        asked.release()
        assert go.wait(20)
        return read(*window)

    source.read = slow
    cache = BlockCache(source, 10_000)
    with ThreadPoolExecutor(4) as pool:
        coming = [pool.submit(cache.read, 0, 4, 0, 4) for _ in range(4)]
        assert asked.acquire(timeout=20)
        assert not asked.acquire(timeout=0.05)
        go.set()
        assert [c.result()[1, 1] for c in coming] == [101.0] * 4
    assert (len(source.reads), cache.n_decoded, cache.n_hits) == (1, 1, 3)


def test_what_goes_wrong_is_told_to_all_and_tried_again():
    source = blocks()
    read, go = source.read, threading.Event()

    def broken(*window):
        assert go.wait(20)
        raise FileError("heights", "a", "b", "c")

    source.read = broken
    cache = BlockCache(source, 10_000)
    with ThreadPoolExecutor(2) as pool:
        coming = [pool.submit(cache.read, 0, 4, 0, 4) for _ in range(2)]
        go.set()
        for one in coming:
            assert isinstance(one.exception(), FileError)
    source.read = read
    assert cache.read(0, 4, 0, 4)[0, 3] == 3.0
    assert (cache.n_decoded, cache.n_hits) == (1, 0)


def test_one_who_waits_for_an_interrupted_reading_reads_himself():
    source = blocks()
    read, begun, go = source.read, threading.Event(), threading.Event()

    def interrupted(*window):
        source.read = read
        begun.set()
        assert go.wait(20)
        raise KeyboardInterrupt

    source.read = interrupted
    cache = BlockCache(source, 10_000)

    def first():
        with pytest.raises(KeyboardInterrupt):
            cache.read(0, 4, 0, 4)

    with ThreadPoolExecutor(2) as pool:
        one = pool.submit(first)
        assert begun.wait(20)
        other = pool.submit(cache.read, 0, 4, 0, 4)
        time.sleep(0.02)
        go.set()
        one.result()
        assert other.result()[2, 2] == 202.0
        assert not isinstance(other.exception(), CancelledError)


def test_a_cache_is_sent_without_its_blocks():
    cache = BlockCache(blocks(), 10_000)
    cache.read(0, 4, 0, 4)
    sent = pickle.loads(pickle.dumps(cache))
    assert (sent.budget_bytes, sent.kept_bytes, sent.n_decoded) == (10_000, 0, 0)
    assert sent.read(3, 5, 3, 5).tolist() == [[303, 304], [403, 404]]


def test_a_budget_is_a_number_of_bytes():
    for bad in (-1, float("nan")):
        with pytest.raises(RangeError, match=r"budget_bytes: found .*; needed 0 or more"):
            BlockCache(blocks(), bad)


@pytest.mark.jit
def test_the_canopy_pass_through_a_cache_is_the_same():
    source = blocks()
    cache = BlockCache(source, 10_000)
    crowns = [shapely.Point(6, 5).buffer(4), shapely.Point(2, 2).buffer(1.5)]
    seen = [
        measure_canopy(rings_of(crowns), s, crown_area_ft2=shapely.area(crowns), n_threads=2)
        for s in (source, cache, cache)
    ]
    for other in seen[1:]:
        np.testing.assert_array_equal(other.above_ft3, seen[0].above_ft3)
        np.testing.assert_array_equal(other.p99_ft, seen[0].p99_ft)
    assert cache.n_hits == cache.n_decoded
