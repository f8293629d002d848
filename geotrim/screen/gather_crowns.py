"""Rows of crowns from all partitions, each crown once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from geotrim.model import Note
from geotrim.screen.gather_rows import column_of, told_rows, without_nan
from geotrim.screen.gather_shapes import as_polygons
from geotrim.screen.store import CROWN_ROWS, Store, read_batches

#: Rows in a piece: some tens of megabytes with their shapes.
PIECE = 50_000
CROWN_SCHEMA = pa.schema(
    [*(one for one in CROWN_ROWS if one.name != "wkb"), pa.field("geometry", pa.binary())]
)


@dataclass(frozen=True, slots=True, eq=False)
class CrownCheck:
    """Which rows of crowns are kept, and which crowns have none.

    n_rows : rows that are kept, those put in for lost crowns among them.
    dropped : partition -> rows that are left out, since the crown comes again.
    lost : partition -> rows of its input whose crowns no partition reported.
    notes : how that was told.
    """

    n_rows: int
    dropped: dict[int, npt.NDArray[np.int64]]
    lost: dict[int, npt.NDArray[np.int64]]
    notes: tuple[Note, ...]


def check_crowns(store: Store, n_partitions: int, *, has_input: bool) -> CrownCheck:
    """Hold the numbers of the reported crowns against those that were read.

    Parameters
    ----------
    has_input : bool
        Crowns were read, not drafted by the partitions; then every one of them must come out.

    Notes
    -----
    Of a crown that comes twice the first row on a lot is kept, or the first of all.
    """
    mine = [column_of(store.done(k, "crowns"), "crown_number") for k in range(n_partitions)]
    numbers = np.concatenate([np.empty(0, np.int64), *mine]).astype(np.int64)
    files = np.repeat(np.arange(n_partitions), [len(part) for part in mine])
    ordered = np.sort(numbers)
    again = _again(store, numbers, files, ordered)
    starts = np.cumsum([0, *(len(part) for part in mine)])
    dropped = {int(k): again[files[again] == k] - starts[k] for k in np.unique(files[again])}
    lost: dict[int, npt.NDArray[np.int64]] = {}
    lost_numbers = [np.empty(0, np.int64)]
    for k in range(n_partitions if has_input else 0):
        given = column_of(store.crowns(k), "crown_number").astype(np.int64)
        gone = np.flatnonzero(~_is_in(given, ordered))
        if len(gone):
            lost[k] = gone
            lost_numbers.append(given[gone])
    every = np.sort(np.concatenate(lost_numbers))
    notes = told_rows("crown", lost=every, twice=np.unique(numbers[again]))
    return CrownCheck(len(numbers) - len(again) + len(every), dropped, lost, notes)


def _is_in(given: npt.NDArray[np.int64], ordered: npt.NDArray[np.int64]) -> Any:
    """Whether numbers are among others, which are in order."""
    if not len(ordered):
        return np.zeros(len(given), dtype=bool)
    at = np.minimum(np.searchsorted(ordered, given), len(ordered) - 1)
    return ordered[at] == given


def _again(store: Store, numbers: Any, files: Any, ordered: Any) -> npt.NDArray[np.int64]:
    """Places of rows to leave out: all of a crown but one."""
    is_again = np.diff(ordered, prepend=np.iinfo(np.int64).min) == 0
    if not is_again.any():
        return np.empty(0, np.int64)
    twice = np.flatnonzero(_is_in(numbers, ordered[is_again]))
    on_lot = np.zeros(len(numbers), dtype=bool)
    for k in np.unique(files[twice]):  # only the files that hold such rows
        lots = np.concatenate(
            [batch["lot_number"].is_valid() for batch in read_batches(store.done(int(k), "crowns"))]
        )
        on_lot[files == k] = lots
    order = twice[np.lexsort((twice, ~on_lot[twice], numbers[twice]))]
    is_first = np.diff(numbers[order], prepend=np.iinfo(np.int64).min) != 0
    return np.sort(order[~is_first])


def crown_tables(store: Store, n_partitions: int, check: CrownCheck) -> Iterator[pa.Table]:
    """All crowns, partition by partition, in pieces, under ``CROWN_SCHEMA``."""
    waiting: list[pa.Table] = []
    n_waiting = 0
    for k in range(n_partitions):
        for table in _of_partition(store, k, check):
            waiting.append(table)
            n_waiting += len(table)
            if n_waiting >= PIECE:
                yield _piece(waiting)
                waiting, n_waiting = [], 0
    if waiting:
        yield _piece(waiting)


def trees_told(store: Store, n_partitions: int, check: CrownCheck) -> pa.Table:
    """Trees of each lot by the way they are told by and how it stands: ``n`` of each kind."""
    keys = ["lot_number", "outcome_route", "outcome_standing"]
    schema = pa.schema([*(CROWN_ROWS.field(name) for name in keys), ("n", pa.int64())])
    parts = [schema.empty_table()]
    for k in range(n_partitions):
        for table in _of_partition(store, k, check):
            mine = table.select(keys).drop_null()
            counted = mine.group_by(keys).aggregate([([], "count_all")])
            parts.append(counted.rename_columns({"count_all": "n"}).select(schema.names))
    return pa.concat_tables(parts)


def _of_partition(store: Store, k: int, check: CrownCheck) -> Iterator[pa.Table]:
    path, start = store.done(k, "crowns"), 0
    for batch in read_batches(path) if path.exists() else ():
        table = pa.Table.from_batches([batch])
        if (out := check.dropped.get(k)) is not None:
            keep = np.setdiff1d(np.arange(len(table)), out - start)
            table = table.take(pa.array(keep))
        start += batch.num_rows
        yield table
    if (gone := check.lost.get(k)) is not None:
        given = pa.Table.from_batches(read_batches(store.crowns(k))).take(pa.array(gone))
        yield pa.table(
            [
                given[one.name] if one.name in _KNOWN else pa.nulls(len(given), one.type)
                for one in CROWN_ROWS
            ],
            schema=CROWN_ROWS,
        )


#: What is known of a crown that was not measured.
_KNOWN = ("crown_number", "crown_id", "species", "wkb")


def _piece(tables: list[pa.Table]) -> pa.Table:
    table = pa.concat_tables(tables).combine_chunks()
    columns = [
        as_polygons(table["wkb"].combine_chunks()) if one.name == "geometry" else table[one.name]
        for one in CROWN_SCHEMA
    ]
    return without_nan(pa.table(columns, schema=CROWN_SCHEMA))
