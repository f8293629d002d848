"""From finished partitions to what a planner opens: layers, tables, summaries, map and page."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from geotrim.io.text_table import write_text_table
from geotrim.model import Note
from geotrim.report.layer_styles import write_screen_styles
from geotrim.report.save import letters_watched
from geotrim.report.screen_columns import columns_table
from geotrim.report.screen_map import screen_map
from geotrim.report.screen_outlines import Outlines, OutlinesSeen
from geotrim.report.screen_page import screen_page
from geotrim.report.screen_save import save_screen_map
from geotrim.report.screen_text import screen_text
from geotrim.screen.gather_crowns import (
    CROWN_SCHEMA,
    CrownCheck,
    check_crowns,
    crown_tables,
    trees_told,
)
from geotrim.screen.gather_files import CsvFile, write_geoparquet, write_layer, write_table_layer
from geotrim.screen.gather_notes import gathered_notes
from geotrim.screen.gather_rows import LotOrder, lot_order, lot_schema, lot_tables
from geotrim.screen.gather_sums import by_jurisdiction, by_route
from geotrim.screen.gather_view import view_of
from geotrim.screen.lot_faults import NOT_DRAWN
from geotrim.screen.store import Common, Store

GPKG, PAGE, MAP = "screening.gpkg", "screening.html", "map"
#: Part of the budget that one piece of lots may take: it is there in some four copies.
PIECE_SHARE = 1 / 32
Progress = Callable[[str], None]


class Read(Protocol):
    """What reading hands on, as far as gathering looks at it."""

    @property
    def n_partitions(self) -> int: ...
    @property
    def notes(self) -> Iterable[Note]: ...


@dataclass(frozen=True, slots=True)
class Gathered:
    """What was written.

    by_status : status of lots -> how many.
    by_stand : how lots stand -> how many.
    layers : layer of the GeoPackage -> rows.
    files : names in the folder, in the order they were written.
    notes : what gathering itself has to tell.
    """

    n_lots: int
    n_crowns: int
    by_status: Mapping[str, int]
    by_stand: Mapping[str, int]
    layers: Mapping[str, int]
    files: tuple[str, ...]
    notes: tuple[Note, ...]
    seconds: Mapping[str, float]


def gather(
    store: Store,
    folder: Path,
    reading: Read,
    *,
    memory_mb: int = 2000,
    progress: Progress | None = None,
) -> Gathered:
    """Write all results of a screening but its record.

    Parameters
    ----------
    store : Store
        The working folder; every partition is measured.
    folder : Path
        Empty; it is the caller's to rename.
    reading : Reading
        ``n_partitions`` and ``notes`` are looked at.
    memory_mb : int
        Budget; pieces of lots and crowns are cut to it.
    progress : callable, optional
        Called with what is being done, in words.

    Raises
    ------
    FileError
        If a partition is not measured, or a file cannot be written.

    Notes
    -----
    Lots come in the order of the input, crowns partition by partition, in file order within each.
    What comes out hangs on the working folder alone.
    """
    clock = _Clock(progress)
    common = store.read_common()
    clock.at("lots")
    order = lot_order(store, reading.n_partitions)
    lots, outlines = _write_lots(store, folder, order, common, memory_mb)
    clock.at("crowns")
    check = check_crowns(store, reading.n_partitions, has_input=common.has_crowns)
    n_crowns = _write_crowns(store, folder, reading.n_partitions, common, check)
    clock.at("map layers")
    told_trees = trees_told(store, reading.n_partitions, check)
    sums = {
        "summary_by_route": by_route(lots, told_trees),
        "summary_by_jurisdiction": by_jurisdiction(lots),
    }
    layers = _write_layers(folder, common, {"lots": len(lots), "crowns": n_crowns}, sums)
    clock.at("map, summaries and page")
    notes = [*order.notes, *check.notes]
    counts = gathered_notes(store, reading.n_partitions, [*reading.notes, *notes])
    view = view_of(store, common, lots, outlines, n_crowns, sums)
    with letters_watched() as unknown:
        figure_notes = save_screen_map(screen_map(view), folder / MAP, len(lots))
    if unknown:
        letters = " ".join(sorted(unknown))
        text = f"the map's type has no letter for these, which are drawn as boxes: {letters}"
        figure_notes = (*figure_notes, Note("map", text, "info"))
    for note in figure_notes:
        counts.add(note.about, note.text, note.level)
    told = counts.table()
    write_text_table(folder / "notes.csv", told)
    own = [one.name for one in order.fields]
    columns = columns_table([*lots.column_names, "geometry"], CROWN_SCHEMA.names, own)
    write_text_table(folder / "columns.csv", columns)
    text = screen_text(view, told)
    (folder / "summary.txt").write_text(text + "\n", encoding="utf-8", newline="\n")
    with (folder / PAGE).open("w", encoding="utf-8", newline="\n") as stream:
        stream.writelines(screen_page(view, told))
    clock.at("")
    return Gathered(
        n_lots=len(lots),
        n_crowns=n_crowns,
        by_status=_counted(lots["status"]),
        by_stand=view.by_stand(),
        layers=layers,
        files=tuple(sorted(path.name for path in folder.iterdir())),
        notes=(*notes, *figure_notes),
        seconds=clock.seconds,
    )


def _write_lots(
    store: Store, folder: Path, order: LotOrder, common: Common, memory_mb: int
) -> tuple[pa.Table, Outlines]:
    """Write the lots; their columns without shapes, and their outlines, are kept."""
    schema = lot_schema(order)
    kept: list[pa.Table] = []
    seen = OutlinesSeen(common.crs_wkt, len(order.numbers))
    own = [one.name for one in order.fields]
    with closing(CsvFile(folder / "lots.csv", schema, own)) as csv:

        def look(table: pa.Table, shapes: Any) -> None:
            csv.add(table)
            kept.append(table.drop_columns(["geometry"]))
            seen.add(_on_map(table, shapes))

        pieces = lot_tables(store, order, most_bytes=int(memory_mb * 1e6 * PIECE_SHARE))
        write_geoparquet(folder / "lots.parquet", pieces, schema, common.crs_wkt, look)
    empty = schema.remove(schema.get_field_index("geometry")).empty_table()
    return pa.concat_tables([empty, *kept]), seen.outlines()


def _on_map(table: pa.Table, shapes: Any) -> Any:
    """Shapes without those far away, which would leave the others no room on a map."""
    is_away = pc.is_in(table["fault"], pa.array(NOT_DRAWN)).to_numpy()
    return np.where(is_away, None, shapes)


def _write_crowns(
    store: Store, folder: Path, n_partitions: int, common: Common, check: CrownCheck
) -> int:
    tables = crown_tables(store, n_partitions, check)
    return write_geoparquet(folder / "crowns.parquet", tables, CROWN_SCHEMA, common.crs_wkt)


def _write_layers(
    folder: Path, common: Common, n_rows: Mapping[str, int], sums: Mapping[str, Any]
) -> dict[str, int]:
    """The GeoPackage, its styles, and the summaries as CSV too; rows of each layer."""
    gpkg = folder / GPKG
    for name in n_rows:
        write_layer(gpkg, name, folder / f"{name}.parquet", common.crs_wkt)
    for name, table in sums.items():
        write_table_layer(gpkg, name, table)
        write_text_table(folder / f"{name}.csv", table)
    write_screen_styles(folder)
    return {**n_rows, **{name: len(table) for name, table in sums.items()}}


def _counted(column: Any) -> dict[str, int]:
    counts = column.value_counts().to_pylist()
    return {row["values"]: row["counts"] for row in sorted(counts, key=lambda row: row["values"])}


class _Clock:
    """Stages told to whoever asks, with the processor time they took."""

    def __init__(self, progress: Progress | None) -> None:
        self._progress = progress
        self._now, self._since = "", time.process_time()
        self.seconds: dict[str, float] = {}

    def at(self, stage: str) -> None:
        """A stage begins; "" when all is written."""
        if self._now:
            self.seconds[self._now] = time.process_time() - self._since
        self._now, self._since = stage, time.process_time()
        if self._progress is not None and stage:
            self._progress(f"writing {stage}")
