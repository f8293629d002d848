"""Make an invented county for benchmarks and tests: nothing in it exists.

    python scripts/make_county.py FOLDER --lots 10000 --crowns 500000 --workers 2

Lots, crowns, the MHW line, exclusions and jurisdictions go into one GeoPackage, or GeoParquet files
with ``--format parquet``; heights into a folder of GeoTIFF tiles of 1024 cells (1.5 ft unless
``--cell-ft`` says otherwise); three invented overlays and a screen file lie beside them. Everything
is a pure function of the seed and the sizes and is written in pieces, so memory stays small.

Every tile is written in full: no tile stands in for another. A tile that is there already is kept,
and ``--tile-squares FROM-TO`` makes those of some squares only, so tens of gigabytes (100,000 lots
at 0.75 ft) can be made in parts.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import county_tiles
import numpy as np
import pyarrow as pa
import pyarrow.parquet
import pyogrio
import shapely
from county_ground import CRS, County, lots_of, plan_county, shore_of
from county_trees import rings_of, trees_of, wkb_of
from pyproj import CRS as ProjCRS

NAME = "Tallowmere County (invented)"
TOWNS = ("Gannet Quay", "Heronswick", "Marlspit")
USES = ("single family", "two families", "condominium", "vacant")

LOTS = pa.schema(
    [
        ("PARCEL", pa.string()),
        ("OWNER", pa.string()),
        ("USE", pa.string()),
        ("UNITS", pa.int32()),
        ("geometry", pa.binary()),
    ]
)
CROWNS = pa.schema(
    [
        ("tree", pa.string()),
        ("species", pa.string()),
        ("base_ft", pa.float64()),
        ("geometry", pa.binary()),
    ]
)

OVERLAY = """# Invented rules of an invented town.

[file]
id = "{id}"
kind = "overlay"
title = "Shore rules of {town} (invented)"
jurisdiction = "{town} (invented)"
version = "1"

[tighten.permit-height-after]
number = {number}
unit = "ft"
words = "After trimming no mangrove is under {number:g} ft tall, from the substrate (invented)."
section = "invented code {section}"
confidence = "read in source"
read_on = "2026-11"
"""


def lot_batches(county: County) -> Iterator[pa.RecordBatch]:
    """Lots square by square, cut off at the number asked for."""
    made = 0
    for square in range(county.n_squares):
        lots = lots_of(county, square)
        n = min(len(lots.shapes), county.n_lots - made)
        rng = county.rng(square, 5)
        use = rng.choice(4, n, p=[0.75, 0.1, 0.1, 0.05])
        units = np.array([1, 2, 0, 0])[use] + (use == 2) * rng.integers(5, 40, n)
        shapes = shapely.transform(lots.shapes[:n], lambda xy: xy + county.corner(square))  # noqa: B023
        columns = [
            pa.array([f"TC-{made + k + 1:06d}" for k in range(n)]),
            pa.array([f"Owner {number} (invented)" for number in rng.integers(1, 10**6, n)]),
            pa.array([USES[k] for k in use]),
            pa.array(units, type=pa.int32()),
            pa.array(shapely.to_wkb(shapes, byte_order=1), type=pa.binary()),
        ]
        made += n
        yield pa.RecordBatch.from_arrays(columns, schema=LOTS)


def crown_batches(county: County) -> Iterator[pa.RecordBatch]:
    """Crowns square by square."""
    for square in range(county.n_squares):
        first, last = county.crowns_of(square)
        if last == first:
            continue
        trees = trees_of(county, square)
        n = last - first
        data = wkb_of(rings_of(trees, county.corner(square)))
        size = len(data) // n
        ends = pa.py_buffer(np.arange(0, (n + 1) * size, size, dtype=np.int32))
        base = county.rng(square, 6).uniform(0.5, 3.0, n)
        base[county.rng(square, 7).random(n) < 0.8] = np.nan  # rarely measured
        columns = [
            pa.array([f"t{k}" for k in range(first + 1, last + 1)]),
            pa.array(trees.species, type=pa.string()),
            pa.array(base, from_pandas=True),
            pa.Array.from_buffers(pa.binary(), n, [None, ends, pa.py_buffer(data)]),
        ]
        yield pa.RecordBatch.from_arrays(columns, schema=CROWNS)


def named_batch(names: list[str], shapes: list[Any]) -> pa.RecordBatch:
    """A small layer of names and shapes."""
    wkb = pa.array(shapely.to_wkb(np.asarray(shapes, dtype=object)), type=pa.binary())
    return pa.RecordBatch.from_pydict({"name": pa.array(names), "geometry": wkb})


def shore_batch(county: County) -> pa.RecordBatch:
    """Lines of the shore, one a square and one an island."""
    shapes = [
        shapely.LineString(np.round(line + county.corner(square), 3))
        for square in range(county.n_squares)
        for line in shore_of(county, square)
    ]
    return named_batch([f"line {k}" for k in range(len(shapes))], shapes)


def exclusion_batch(county: County) -> pa.RecordBatch:
    """One easement a square, 20 ft wide, across the open shore."""
    shapes = []
    for square in range(county.n_squares):
        x, y = shore_of(county, square)[0][8] + county.corner(square)
        shapes.append(shapely.box(x - 10.0, y - 80.0, x + 10.0, y + 150.0))
    return named_batch([f"outfall easement {k + 1}" for k in range(len(shapes))], shapes)


def town_batch(county: County) -> pa.RecordBatch:
    """Three towns side by side; their limits run through lots, and the east end is in none."""
    west, south, east, north = county.bounds()
    share = np.array([0.0, 0.31, 0.64, 0.93])
    x = west + share * (east - west)
    shapes = [shapely.box(a, south, b, north) for a, b in pairwise(x)]
    return named_batch(list(TOWNS), shapes)


LAYERS = {
    "lots": (LOTS, lot_batches, "Polygon"),
    "crowns": (CROWNS, crown_batches, "Polygon"),
}
SMALL_LAYERS = {
    "mhw_line": (shore_batch, "LineString"),
    "exclusions": (exclusion_batch, "Polygon"),
    "jurisdictions": (town_batch, "Polygon"),
}


def write_vectors(county: County, folder: Path, kind: str) -> dict[str, str]:
    """Write all layers in pieces and return the file of each."""
    files = {}
    for name in (*LAYERS, *SMALL_LAYERS):
        if name in LAYERS:
            schema, batches, shape = LAYERS[name]
            reader = pa.RecordBatchReader.from_batches(schema, batches(county))
        else:
            make, shape = SMALL_LAYERS[name]
            batch = make(county)
            reader = pa.RecordBatchReader.from_batches(batch.schema, [batch])
        if kind == "parquet":
            files[name] = f"{name}.parquet"
            _write_parquet(reader, folder / files[name], shape)
        else:
            files[name] = "county.gpkg"
            pyogrio.write_arrow(
                reader,
                folder / files[name],
                layer=name,
                driver="GPKG",
                geometry_type=shape,
                geometry_name="geometry",
                crs=CRS,
                append=(folder / files[name]).exists(),
            )
    return files


def _write_parquet(reader: pa.RecordBatchReader, path: Path, shape: str) -> None:
    """GeoParquet 1.0: well-known binary and the CRS in the file's own metadata."""
    column = {
        "encoding": "WKB",
        "geometry_types": [shape],
        "crs": json.loads(ProjCRS(CRS).to_json()),
    }
    about = {"version": "1.0.0", "primary_column": "geometry", "columns": {"geometry": column}}
    schema = reader.schema.with_metadata({b"geo": json.dumps(about).encode()})
    with pa.parquet.ParquetWriter(path, schema, compression="zstd") as out:
        for batch in reader:
            out.write_batch(batch.replace_schema_metadata(schema.metadata))


def write_texts(county: County, folder: Path, files: dict[str, str], heights: str) -> Path:
    """Write the overlays and the screen file, and say that all is invented."""
    numbers = (7.0, 8.0, 6.5)
    for k, (town, number) in enumerate(zip(TOWNS, numbers, strict=True), start=1):
        name = town.lower().replace(" ", "-")
        text = OVERLAY.format(id=name, town=town, number=number, section=k)
        (folder / f"{name}.toml").write_text(text, encoding="utf-8")
    path = folder / "screen.toml"
    path.write_text(screen_text(files, heights), encoding="utf-8")
    (folder / "INVENTED.txt").write_text(
        f"{NAME}: {county.n_lots} lots, {county.n_crowns} crowns in {county.n_squares} squares of "
        f"{county.side:g} ft, seed {county.seed}. Made by a script; nothing here exists. Every "
        "height tile is drawn in full from its own trees.\n",
        encoding="utf-8",
    )
    return path


def screen_text(files: dict[str, str], heights: str) -> str:
    """A screen file for the county."""

    def source(name: str) -> str:
        layer = f'\nlayer = "{name}"' if files[name].endswith(".gpkg") else ""
        return f'file = "{files[name]}"{layer}'

    towns = "\n".join(f'"{town}" = ["{town.lower().replace(" ", "-")}.toml"]' for town in TOWNS)
    return f"""# Invented: nothing in this county exists.

[site]
name = "{NAME}"
crs = "{CRS}"

[lots]
{source("lots")}
id_field = "PARCEL"
facts = {{ n_units = "UNITS" }}
keep_fields = ["OWNER", "USE"]

[mhw_line]
{source("mhw_line")}
origin = "survey"
position_rmse_ft = 0.5

[crowns]
{source("crowns")}
id_field = "tree"
species_field = "species"
base_height_field = "base_ft"
base_height_unit = "ft"

[heights]
file = "{heights}"
unit = "ft"
rmse_ft = 0.6

[exclusions]
{source("exclusions")}
name_field = "name"

[jurisdictions]
{source("jurisdictions")}
name_field = "name"

[jurisdictions.overlays]
{towns}

[[setbacks]]
name = "side limits"
reference = "riparian-lines"
distance_ft = 5.0
source = "invented county code, 12"

[options]
target_height_ft = 10.0
riparian_length_ft = 35.0          # half of a canal

[facts]
supervisor = "professional"
professional_credential = "certified-arborist"
controls_land = true
is_uninhabited_island = false
is_conservation_land = false
is_mitigation_land = false
uses_herbicide = false
was_lawfully_trimmed = false
earlier_proof = "none"
"""


def make_county(
    folder: Path,
    n_lots: int,
    n_crowns: int,
    *,
    seed: int = 1,
    cell: float = 1.5,
    kind: str = "gpkg",
    workers: int = 1,
    compress: str = "deflate",
    squares: range | None = None,
) -> Path:
    """Make a county in a folder and return its screen file."""
    county = plan_county(n_lots, n_crowns, seed, cell)
    folder.mkdir(parents=True, exist_ok=True)
    files = write_vectors(county, folder, kind)
    which = range(county.n_squares) if squares is None else squares
    county_tiles.make_tiles(county, folder / "heights", which, workers, compress)
    return write_texts(county, folder, files, "heights")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, help="a new folder")
    parser.add_argument("--lots", type=int, default=1000)
    parser.add_argument("--crowns", type=int, help="50 times the lots unless told")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cell-ft", type=float, default=1.5)
    parser.add_argument("--format", choices=("gpkg", "parquet"), default="gpkg")
    parser.add_argument("--compress", choices=("deflate", "zstd"), default="deflate")
    parser.add_argument("--workers", type=int, default=1, help="processes that write tiles")
    parser.add_argument("--tile-squares", help="FROM-TO: only the tiles of these squares, from 0")
    asked = parser.parse_args()
    squares = None
    if asked.tile_squares:
        low, high = map(int, asked.tile_squares.split("-"))
        squares = range(low, high + 1)
    start = time.perf_counter()
    path = make_county(
        asked.folder,
        asked.lots,
        50 * asked.lots if asked.crowns is None else asked.crowns,
        seed=asked.seed,
        cell=asked.cell_ft,
        kind=asked.format,
        workers=asked.workers,
        compress=asked.compress,
        squares=squares,
    )
    size = sum(file.stat().st_size for file in asked.folder.rglob("*") if file.is_file())
    print(f"{path}: invented; {size / 1e6:.0f} MB in {time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
