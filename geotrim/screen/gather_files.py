"""Tables into files, piece by piece: GeoParquet, CSV, the layers of a GeoPackage.

GeoParquet is written first, and the GeoPackage from it, so that rows are put together once. The
metadata follow GeoParquet 1.1.0 (OGC), with the covering box that lets readers skip what lies
elsewhere.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from geotrim.io.package import CSV_DECIMALS
from geotrim.screen.gather_shapes import boxes, shapes_of

GEOMETRY, BOX = "geometry", "bbox"
SIDES = ("xmin", "ymin", "xmax", "ymax")
#: Rows handed to the GeoPackage at a time.
BATCH = 8192
#: Beyond this a double has no decimals that could be rounded.
LARGEST_ROUNDED = 2.0**53
#: Text that a spreadsheet would take for a formula, with any apostrophes before it.
FORMULA = "^'*[=+\\-@\\t\\r]"


def write_geoparquet(
    path: Path,
    tables: Iterable[pa.Table],
    schema: pa.Schema,
    crs_wkt: str,
    look: Callable[[pa.Table, Any], None] | None = None,
) -> int:
    """Write tables with a column ``geometry`` of well-known binary; the number of rows comes back.

    Parameters
    ----------
    path : Path
    tables : iterable of Table
        Each becomes a group of rows.
    schema : Schema
        Of all of them.
    crs_wkt : str
    look : callable, optional
        Called with each table and its shapes, in their order.
    """
    import pyarrow.parquet as pq

    sides = pa.struct([(side, pa.float64()) for side in SIDES])
    whole = schema.append(pa.field(BOX, sides))
    bounds = np.array([np.inf, np.inf, -np.inf, -np.inf])
    n = 0
    with pq.ParquetWriter(path, whole, compression="zstd", write_statistics=True) as writer:
        for table in tables:
            shapes = shapes_of(table[GEOMETRY].combine_chunks())
            box = boxes(shapes)
            for side, best in enumerate((pc.min, pc.min, pc.max, pc.max)):
                here = best(box.field(side).filter(box.is_valid())).as_py()
                if here is not None:
                    bounds[side] = (min if side < 2 else max)(bounds[side], here)
            writer.write_table(
                table.append_column(whole.field(BOX), box), row_group_size=len(table)
            )
            n += len(table)
            if look is not None:
                look(table, shapes)
        writer.add_key_value_metadata({"geo": json.dumps(geo_metadata(crs_wkt, bounds))})
    return n


def geo_metadata(crs_wkt: str, bounds: Any) -> dict[str, Any]:
    """What GeoParquet says of its shapes.

    Parameters
    ----------
    crs_wkt : str
    bounds : (4,) array
        West, south, east, north; not finite where there is no shape. [map units]
    """
    from pyproj import CRS

    column = {
        "encoding": "WKB",
        "geometry_types": ["MultiPolygon"],
        "crs": CRS.from_wkt(crs_wkt).to_json_dict(),
        "edges": "planar",
        "covering": {BOX: {side: [BOX, side] for side in SIDES}},
    }
    if np.isfinite(bounds).all():
        column["bbox"] = [float(side) for side in bounds]
    return {"version": "1.1.0", "primary_column": GEOMETRY, "columns": {GEOMETRY: column}}


def write_layer(gpkg: Path, layer: str, parquet: Path, crs_wkt: str) -> None:
    """Write a GeoParquet file as a layer of a GeoPackage, its spatial index last."""
    import pyarrow.parquet as pq
    import pyogrio

    with pq.ParquetFile(parquet) as source:
        schema = source.schema_arrow.remove(source.schema_arrow.get_field_index(BOX))
        pyogrio.write_arrow(
            pa.RecordBatchReader.from_batches(schema, _batches(source, schema)),
            gpkg,
            layer=layer,
            driver="GPKG",
            geometry_name=GEOMETRY,
            geometry_type="MultiPolygon",
            crs=crs_wkt,
            append=gpkg.exists(),
        )


def _batches(source: Any, schema: pa.Schema) -> Iterator[pa.RecordBatch]:
    """Rows of a GeoParquet file, row group by row group.

    Read in one go by the file's own batches, all of it would stay in memory until the end.
    """
    columns = list(schema.names)
    for number in range(source.num_row_groups):
        table = source.read_row_group(number, columns=columns, use_threads=False)
        for batch in table.select(columns).to_batches(BATCH):
            yield pa.RecordBatch.from_arrays(batch.columns, schema=schema)


def write_table_layer(gpkg: Path, layer: str, table: Any) -> None:
    """Write a table without shapes."""
    import pyogrio

    pyogrio.write_dataframe(table, gpkg, layer=layer, driver="GPKG", append=gpkg.exists())


class CsvFile:
    """A CSV file that grows by tables, without their shapes.

    UTF-8 with its mark, so that a spreadsheet knows it, and text that such a program would run gets
    an apostrophe, as :func:`geotrim.io.text_table.write_text_table` does. Figures are rounded, but
    for those of the columns ``exact``, which are the user's own.
    """

    def __init__(self, path: Path, schema: pa.Schema, exact: Collection[str] = ()) -> None:
        from pyarrow import csv

        self._exact = set(exact)
        self._names = [name for name in schema.names if name not in (GEOMETRY, BOX)]
        kept = pa.schema([schema.field(name) for name in self._names])
        self._file = path.open("wb")
        self._file.write("\N{BYTE ORDER MARK}".encode())
        head = pa.schema([pa.field(_guard(name), kept.field(name).type) for name in self._names])
        self._head = head
        self._writer = csv.CSVWriter(self._file, head)

    def add(self, table: pa.Table) -> None:
        """Write some rows."""
        columns = [_plain(table[name], name in self._exact) for name in self._names]
        self._writer.write_table(pa.table(columns, schema=self._head))

    def close(self) -> None:
        """Finish the file."""
        self._writer.close()
        self._file.close()


def _plain(column: Any, is_exact: bool) -> Any:
    """A column as it is written: rounded unless it is exact, and no text that is a formula."""
    if pa.types.is_floating(column.type):
        if is_exact:
            return column
        is_small = pc.less(pc.abs(column), LARGEST_ROUNDED)
        return pc.if_else(
            is_small, pc.round(pc.if_else(is_small, column, 0.0), CSV_DECIMALS), column
        )
    if pa.types.is_string(column.type):
        is_formula = pc.match_substring_regex(column, FORMULA)
        return pc.if_else(is_formula, pc.binary_join_element_wise("'", column, ""), column)
    return column


def _guard(name: str) -> str:
    from geotrim.io.text_table import guarded

    return str(guarded(name))
