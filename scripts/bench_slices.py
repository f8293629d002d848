"""Time the canopy pass against decoding alone and against an independent zonal library.

Run it as ``python scripts/bench_slices.py`` (a quick size) or with ``--crowns 100000`` or
``--crowns 1000000`` (which takes 2 GB of disk, 4 GB of memory and minutes). The data is invented,
made in a temporary folder with a fixed seed, and removed at the end. In each round, one after the
other and on one thread but where told:

floor         decode every touched block of the raster once, and nothing else
pipeline      the same blocks with heights and volumes of every crown (the product's own code)
N threads     the same on as many threads as ``--threads`` says (2; 1 leaves it out)
with p99      the 99th percentile of every crown as well
exactextract  the same blocks handed to exactextract with crowns as WKB, its values and coverage
              reduced by numpy to the same measures: the fastest of the set-ups that were tried

"Beyond the floor" is a time less the floor of the same round. Ratios are medians of the ratios of
each round, once by the clock and once by processor time, which other work on the machine disturbs
less. Compare ratios, not seconds, and only those of the same number of crowns: the decoding is
shared among them. What threads gain shows by the clock alone, and only while the machine has
nothing else to do: so the best round is told beside the median, and how many processors it had.
Processor time tells what they cost.

Up to 108,000 crowns lie along six passes across one raster; more of them get more passes, on a
raster as tall as it takes, so that each block holds as many crowns as before.
"""

from __future__ import annotations

import argparse
import math
import shutil
import tempfile
import time
from pathlib import Path

import numpy as np
import rasterio
import shapely
from rasterio.windows import Window

from geotrim.core.coverage import Rings, pixel_rings, rings_of
from geotrim.core.slices import CanopyMeasures, crowns_by_block, measure_canopy
from geotrim.io.rasters import HeightRaster, open_heights

SIDE = 20480  # cells
CELL_FT = 1.5
TILE = 512
WEST, NORTH = 600_000.0, 1_200_000.0
BREAKS_FT = (0.0, 6.0, 10.0)
MIN_COVERAGE = 0.01
#: Heights are rounded to about a centimetre; without that, noise does not compress at all.
GRAIN_FT = 1 / 32


def make_crowns(n: int, rng: np.random.Generator) -> np.ndarray:
    """Rings of 31 points (30 and the first again), about 17 cells across, along a winding shore."""
    span = SIDE * CELL_FT
    # Passes across the raster, 100,000 crowns for 5.5 of them; fewer crowns take the first part,
    # and more go on below: six passes for each square of ``SIDE`` cells.
    along = (np.arange(n) + rng.uniform(0, 1, n)) / 100_000 * 5.5
    lap, x = np.divmod(along, 1.0)
    x = np.where(lap % 2 == 0, x, 1.0 - x)
    y = (lap + 0.5) / 6 + 0.012 * np.sin(x * 40.0)
    x_ft = WEST + (0.02 + 0.96 * x) * span
    y_ft = NORTH - y * span + rng.uniform(-60.0, 60.0, n)
    turn = np.linspace(0.0, 2 * np.pi, 31)[:-1]
    radius = rng.uniform(8.5, 14.2, (n, 1)) * rng.uniform(0.85, 1.15, (n, 30))
    ring = np.empty((n, 31, 2))
    ring[:, :30, 0] = x_ft[:, None] + radius * np.cos(turn)
    ring[:, :30, 1] = y_ft[:, None] + radius * np.sin(turn)
    ring[:, 30] = ring[:, 0]
    return shapely.polygons(ring)


def n_rows(n_crowns: int) -> int:
    """Rows of the raster that holds so many crowns."""
    return SIDE * max(math.ceil(n_crowns / 100_000 * 5.5 / 6), 1)


def touched_blocks(rings: Rings) -> list[tuple[int, int]]:
    transform = (CELL_FT, 0.0, WEST, 0.0, -CELL_FT, NORTH)
    windows = pixel_rings(rings, transform, (n_rows(len(rings)), SIDE)).windows
    _, blocks, across = crowns_by_block(windows, (TILE, TILE))
    return [(int(b) // across * TILE, int(b) % across * TILE) for b in np.unique(blocks)]


def make_raster(
    path: Path, blocks: list[tuple[int, int]], rng: np.random.Generator, rows: int = SIDE
) -> None:
    """Canopy of 0 to 40 ft with noise, in the touched tiles; the others are left empty."""
    profile = {
        "driver": "GTiff",
        "width": SIDE,
        "height": rows,
        "count": 1,
        "dtype": "float32",
        "crs": "EPSG:6443",
        "transform": rasterio.transform.from_origin(WEST, NORTH, CELL_FT, CELL_FT),
        "nodata": -9999.0,
        "tiled": True,
        "blockxsize": TILE,
        "blockysize": TILE,
        "compress": "deflate",
        "predictor": 3,
        "sparse_ok": True,
        "num_threads": "all_cpus",
        "bigtiff": "if_safer",
    }
    row, col = np.mgrid[0:TILE, 0:TILE]
    with rasterio.open(path, "w", **profile) as out:
        out.set_band_unit(1, "ft")
        for row0, col0 in blocks:
            wave = np.sin((row + row0) / 9.0) * np.sin((col + col0) / 7.0)
            height = 18.0 + 14.0 * wave + rng.normal(0.0, 2.0, (TILE, TILE))
            height = np.round(np.clip(height, 0.0, 60.0) / GRAIN_FT) * GRAIN_FT
            out.write(height.astype(np.float32), 1, window=Window(col0, row0, TILE, TILE))


class Watch:
    """Seconds since it was made, by the clock and of processor time."""

    def __init__(self) -> None:
        self.start = np.array([time.perf_counter(), time.process_time()])

    def __call__(self) -> np.ndarray:
        return np.array([time.perf_counter(), time.process_time()]) - self.start


def floor(path: Path, blocks: list[tuple[int, int]]) -> np.ndarray:
    watch = Watch()
    with rasterio.open(path) as source:
        for row0, col0 in blocks:
            source.read(1, window=Window(col0, row0, TILE, TILE))
    return watch()


def pipeline(
    raster: HeightRaster,
    rings: Rings,
    areas_ft2: np.ndarray,
    want_p99: bool,
    n_threads: int = 1,
) -> tuple[np.ndarray, CanopyMeasures]:
    watch = Watch()
    seen = measure_canopy(
        rings,
        raster,
        crown_area_ft2=areas_ft2,
        cell_area_ft2=CELL_FT**2,
        breaks_ft=BREAKS_FT,
        min_coverage_frac=MIN_COVERAGE,
        want_p99=want_p99,
        n_threads=n_threads,
    )
    raster.close()
    return watch(), seen


def exactextract_setup():
    """Feature and writer classes that hand WKB in and arrays out, without GeoJSON between."""
    from exactextract.feature import Feature, FeatureSource
    from exactextract.writer import Writer

    class WkbFeature(Feature):
        def __init__(self, number: int, wkb: bytes) -> None:
            super().__init__()
            self.number, self.wkb = number, wkb

        def geometry(self):
            return self.wkb

        def get(self, name):
            return self.number

        def set(self, name, value):
            raise NotImplementedError

        def fields(self):
            return ["number"]

    class WkbSource(FeatureSource):
        def __init__(self, numbers, wkbs) -> None:
            super().__init__()
            self.numbers, self.wkbs = numbers, wkbs

        def count(self):
            return len(self.numbers)

        def __iter__(self):
            for number, wkb in zip(self.numbers, self.wkbs, strict=True):
                yield WkbFeature(number, wkb)

        def srs_wkt(self):
            return None

    class Row(Feature):
        def __init__(self) -> None:
            super().__init__()
            self.row = {}

        def set(self, name, value):
            self.row[name] = value

        def set_geometry(self, wkb):
            pass

        def set_geometry_format(self):
            return "wkb"

    class Rows(Writer):
        def __init__(self) -> None:
            super().__init__()
            self.rows = []

        def add_operation(self, op):
            pass

        def write(self, feature):
            row = Row()
            feature.copy_to(row)
            self.rows.append(row.row)

    return WkbSource, Rows


def exactextract_run(
    path: Path, wkbs: np.ndarray, members: list[tuple[tuple[int, int], np.ndarray]], n: int
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    from exactextract.operation import Operation
    from exactextract.processor import FeatureSequentialProcessor
    from exactextract.raster import NumPyRasterSource

    source_class, rows_class = exactextract_setup()
    watch = Watch()
    area, total, top = np.zeros(n), np.zeros(n), np.full(n, -np.inf)
    above = np.zeros((n, len(BREAKS_FT)))
    with rasterio.open(path) as source:
        for (row0, col0), crowns in members:
            heights = source.read(1, window=Window(col0, row0, TILE, TILE))
            west, north = WEST + col0 * CELL_FT, NORTH - row0 * CELL_FT
            side = TILE * CELL_FT
            block = NumPyRasterSource(
                heights, west, north - side, west + side, north, nodata=-9999.0
            )
            rows = rows_class()
            operations = [
                Operation("values", "values", block),
                Operation("coverage", "coverage", block),
            ]
            features = source_class(crowns.tolist(), wkbs[crowns])  # it must outlive the run
            processor = FeatureSequentialProcessor(features, rows, operations, ["number"])
            processor.process()
            number = np.array([row["number"] for row in rows.rows])
            sizes = np.array([row["values"].size for row in rows.rows])
            values = np.concatenate([row["values"] for row in rows.rows]).astype(np.float64)
            share = np.concatenate([row["coverage"] for row in rows.rows])
            owner = np.repeat(np.arange(number.size), sizes)
            area[number] += np.bincount(owner, share, number.size)
            total[number] += np.bincount(owner, share * values, number.size)
            for k, low in enumerate(BREAKS_FT):
                part = share * np.maximum(values - low, 0.0)
                above[number, k] += np.bincount(owner, part, number.size)
            enough = np.where(share >= MIN_COVERAGE, values, -np.inf)
            some, starts = number[sizes > 0], (np.cumsum(sizes) - sizes)[sizes > 0]
            top[some] = np.maximum(top[some], np.maximum.reduceat(enough, starts))
    return watch(), {"area": area, "mean": total / area, "top": top, "above": above}


def agreement(ours: CanopyMeasures, theirs: dict[str, np.ndarray]) -> dict[str, float]:
    """Greatest relative difference of each measure; coverage there is in single precision."""
    volume = theirs["above"] * CELL_FT**2
    whole = volume[:, :1]
    area = ours.covered_frac * ours.crown_area_ft2 / CELL_FT**2
    return {
        "area": float(np.max(np.abs(area / theirs["area"] - 1))),
        "mean height": float(np.max(np.abs(ours.mean_ft / theirs["mean"] - 1))),
        "volumes": float(np.max(np.abs(ours.above_ft3 - volume) / whole)),
        "crowns with another top": float(np.sum(ours.top_ft != theirs["top"])),
    }


def check_same(one: CanopyMeasures, other: CanopyMeasures) -> None:
    """Threads must not change a bit."""
    for name in ("covered_frac", "top_ft", "p99_ft", "mean_ft", "above_ft3"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))


def report_threads(one: np.ndarray, many: np.ndarray, n_threads: int) -> None:
    gained, cost = one[:, 0] / many[:, 0], many[:, 1] / one[:, 1]
    best = int(np.argmax(gained))
    had = many[best, 1] / many[best, 0]
    print(f"\n{n_threads} threads (results the same to the last bit):")
    words = "one / threads, by the clock: median"
    print(f"  {words:46s} {np.median(gained):6.2f}   (goal for two: at least 1.7)")
    words = "one / threads, by the clock: best round"
    print(f"  {words:46s} {gained[best]:6.2f}   (it had {had:.2f} processors)")
    print(f"  {'threads / one, processor time':46s} {np.median(cost):6.2f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--crowns", type=int, default=10_000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--threads", type=int, default=2, help="compared with one; 1: not at all")
    parser.add_argument("--quick", action="store_true", help="2,000 crowns, once")
    parser.add_argument("--folder", type=Path, help="where to make the data (removed afterwards)")
    asked = parser.parse_args()
    if asked.quick:
        asked.crowns, asked.rounds = 2_000, 1
    rng = np.random.default_rng(20)
    polygons = make_crowns(asked.crowns, rng)
    start = time.perf_counter()
    rings = rings_of(polygons)
    to_rings = time.perf_counter() - start
    blocks = touched_blocks(rings)
    need_mb = math.ceil(len(blocks) * TILE * TILE * 4 * 0.6 / 1e6)
    print(f"{asked.crowns:,} crowns touch {len(blocks)} blocks; disk needed: {need_mb} MB at most")
    folder = Path(tempfile.mkdtemp(prefix="bench-slices-", dir=asked.folder))
    try:
        if shutil.disk_usage(folder).free < need_mb * 1e6:
            raise SystemExit(f"not enough room in {folder}; choose another with --folder")
        path = folder / "heights.tif"
        start = time.perf_counter()
        make_raster(path, blocks, rng, n_rows(asked.crowns))
        size_mb, rows = path.stat().st_size / 1e6, n_rows(asked.crowns)
        print(
            f"raster of {rows} x {SIDE} cells made in {time.perf_counter() - start:.1f} s, "
            f"{size_mb:.0f} MB, {size_mb * 1e6 / (len(blocks) * TILE * TILE * 4):.2f} of its bytes"
        )
        report(path, polygons, rings, blocks, to_rings, asked.rounds, asked.threads)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def report(path, polygons, rings, blocks, to_rings, n_rounds, n_threads):
    n = len(polygons)
    areas_ft2 = shapely.area(polygons)  # the benchmark takes map units for feet
    wkbs = shapely.to_wkb(polygons)
    transform = (CELL_FT, 0.0, WEST, 0.0, -CELL_FT, NORTH)
    windows = pixel_rings(rings, transform, (n_rows(n), SIDE)).windows
    cells = np.mean((windows[:, 1] - windows[:, 0]) * (windows[:, 3] - windows[:, 2]))
    crowns, block_of, across = crowns_by_block(windows, (TILE, TILE))
    numbers, starts = np.unique(block_of, return_index=True)
    members = [
        ((int(b) // across * TILE, int(b) % across * TILE), inside)
        for b, inside in zip(numbers, np.split(crowns, starts[1:]), strict=True)
    ]
    print(f"{cells:.0f} window cells a crown; polygons to arrays once: {to_rings:.2f} s\n")
    raster = open_heights(path)
    few = rings_of(polygons[:10])
    pipeline(raster, few, areas_ft2[:10], True)  # compile outside the clock
    threaded = f"{n_threads} threads"
    names = ("floor", "pipeline", threaded, "with p99", "exactextract")
    if n_threads == 1:
        names = tuple(name for name in names if name != threaded)
    seconds = {name: [] for name in names}
    for number in range(n_rounds):
        seconds["floor"].append(floor(path, blocks))
        spent, seen = pipeline(raster, rings, areas_ft2, False)
        seconds["pipeline"].append(spent)
        if n_threads > 1:
            spent, same = pipeline(raster, rings, areas_ft2, False, n_threads)
            seconds[threaded].append(spent)
            check_same(seen, same)
        seconds["with p99"].append(pipeline(raster, rings, areas_ft2, True)[0])
        spent, theirs = exactextract_run(path, wkbs, members, n)
        seconds["exactextract"].append(spent)
        told = "  ".join(f"{name} {seconds[name][-1][0]:.3f} s" for name in names)
        print(f"round {number + 1}: {told}")
    times = {name: np.array(seconds[name]) for name in names}  # (round, clock or processor)
    for k, kind in enumerate(("by the clock", "processor time")):
        base = times["floor"][:, k]
        ours, p99, zonal = (times[name][:, k] for name in ("pipeline", "with p99", "exactextract"))
        print(f"\n{kind}: " + ", ".join(f"{n} {np.median(times[n][:, k]):.3f} s" for n in names))
        rows = [
            ("pipeline / floor", ours / base, "at most", 1.5),
            ("pipeline with p99 / floor", p99 / base, "", None),
            ("exactextract / pipeline", zonal / ours, "at least", 5.0),
            (
                "exactextract / kernel, both beyond the floor",
                (zonal - base) / (ours - base),
                "at least",
                15.0,
            ),
        ]
        for name, ratios, words, goal in rows:
            goal_text = f"   (goal: {words} {goal:g})" if goal else ""
            print(f"  {name:46s} {np.median(ratios):6.2f}{goal_text}")
    if n_threads > 1:
        report_threads(times["pipeline"], times[threaded], n_threads)
    print(f"\ncrowns a second, whole pipeline: {n / np.median(times['pipeline'][:, 0]):,.0f}")
    print("\ngreatest relative difference from exactextract:")
    for name, value in agreement(seen, theirs).items():
        print(f"  {name:24s} {value:.2g}")


if __name__ == "__main__":
    main()
