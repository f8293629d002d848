"""Inputs of small screenings, as files: a row of lots on a straight shore, trees in front.

All is laid out on whole feet of NAD83(2011) / Florida West (EPSG:6443, US survey feet), so that
what must come out can be worked out in the head.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pyarrow as pa
import shapely

from geotrim.screen.reading import read_into
from geotrim.screen.screen_file import read_screen_file
from geotrim.screen.store import Store, read_table

CRS = 6443
#: South-west corner of the first lot; lots are 100 ft wide and deep, the shore is in the north.
X0, Y0, SIDE = 420_000.0, 1_200_000.0, 100.0

SCREEN = """\
[site]
name = "Row"

[lots]
file = "lots.{ending}"
id_field = "PIN"
{lots}

[mhw_line]
file = "shore.parquet"
origin = "survey"
"""
TREES = """
[crowns]
file = "trees_of_row.parquet"
id_field = "tree"
"""


def square(k, side=SIDE, x0=X0, y0=Y0):
    """The lot at place ``k`` of the row."""
    return shapely.box(x0 + k * side, y0, x0 + (k + 1) * side, y0 + side)


def row_of_lots(n=8, **columns):
    """``n`` lots side by side, P0, P1 ..."""
    names = [f"P{k}" for k in range(n)]
    return gpd.GeoDataFrame(
        {"PIN": names, **columns}, geometry=[square(k) for k in range(n)], crs=CRS
    )


def row_of_crowns(n=16, **columns):
    """Two trees a lot, octagons of 10 ft radius (to the corners) over the shore."""
    x = X0 + SIDE / 4 + SIDE / 2 * np.arange(n)
    shapes = shapely.buffer(shapely.points(x, np.full(n, Y0 + SIDE)), 10.0, quad_segs=2)
    names = [f"t{k}" for k in range(n)]
    return gpd.GeoDataFrame({"tree": names, **columns}, geometry=shapes, crs=CRS)


def shore(n=8):
    line = shapely.LineString([(X0 - 500, Y0 + SIDE), (X0 + n * SIDE + 500, Y0 + SIDE)])
    return gpd.GeoDataFrame(geometry=[line], crs=CRS)


def write(table, path: Path):
    """Write a table in the format of its ending."""
    if path.suffix == ".parquet":
        table.to_parquet(path)
    else:
        table.to_file(path)
    return path


def put(
    folder: Path, lots=None, *, ending="parquet", said="", in_lots="", line=None, **tables
) -> Path:
    """Write a screen file with its inputs; ``tables`` are further layers by file name.

    Where nothing is said of trees, two stand in front of each lot.
    """
    write(row_of_lots() if lots is None else lots, folder / f"lots.{ending}")
    write(shore() if line is None else line, folder / "shore.parquet")
    if "[crowns]" not in said and "[heights]" not in said:
        tables["trees_of_row"] = row_of_crowns()
        said += TREES
    for name, table in tables.items():
        write(table, folder / f"{name}.parquet")
    path = folder / "screen.toml"
    path.write_text(SCREEN.format(ending=ending, lots=in_lots) + said, encoding="utf-8")
    return path


def read(path: Path, out: Path | None = None, **more):
    """Read a screen file into a working folder: what was read, and the folder."""
    store = Store(out or path.parent / "work.unfinished")
    return read_into(read_screen_file(path), store, **more), store


def lots_of(store):
    """Lots as a data frame, in file order, with their shapes."""
    return framed(read_table(store.lots)).sort_values("lot_number", ignore_index=True)


def unfit_of(store):
    return framed(read_table(store.unfit_lots))


def crowns_of(store, n_partitions):
    """Crowns of all partitions, in file order."""
    parts = [read_table(store.crowns(k)) for k in range(n_partitions)]
    return framed(pa.concat_tables(parts)).sort_values("crown_number", ignore_index=True)


def framed(table):
    frame = table.to_pandas()
    frame["geometry"] = shapely.from_wkb(table["wkb"].to_numpy())
    return frame


def told(reading, *words):
    """Notes that hold all these words."""
    texts = [str(note) for note in reading.notes]
    return [text for text in texts if all(word in text for word in words)]
