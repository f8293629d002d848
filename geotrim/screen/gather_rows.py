"""Rows of lots in the order of the input, from all partitions and from reading, piece by piece.

Partitions follow the shore, the input its own order, so every piece takes rows from many files.
They are mapped, not read: only the rows that are taken come into memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from geotrim.errors import FileError
from geotrim.model import Note
from geotrim.screen.gather_fields import FieldColumn, FieldsSeen, unpacked
from geotrim.screen.gather_shapes import as_polygons
from geotrim.screen.store import Store, lot_rows_schema

Ints = npt.NDArray[np.int64]

#: Rows of lots that could not be read, instead of the number of a partition.
UNFIT = -1
#: Rows that no partition reported, which is a fault of the program.
LOST = -2
#: Rows in a piece, at least and at most.
FEWEST, MOST = 500, 20_000
UNFIT_STATUS, FAILED = "unfit", "failed"


@dataclass(frozen=True, slots=True, eq=False)
class LotOrder:
    """Where the row of each lot is, in the order of the input.

    numbers, files, rows : (n,) the lot's number; the partition, or ``UNFIT`` or ``LOST``; the row.
    fields : columns of the lots' own fields.
    notes : what was wrong with the rows and how it was mended.
    n_bytes : of all rows, about.
    """

    numbers: Ints
    files: Ints
    rows: Ints
    fields: tuple[FieldColumn, ...]
    notes: tuple[Note, ...]
    n_bytes: int


def lot_order(store: Store, n_partitions: int) -> LotOrder:
    """Look through all rows of lots once, without their figures and shapes.

    Raises
    ------
    FileError
        If a partition is not measured yet.
    """
    seen = FieldsSeen()
    found = [_keys(store, k, seen) for k in range(n_partitions)]
    found.append(_keys(store, UNFIT, seen))
    files = np.repeat([*range(n_partitions), UNFIT], [len(part) for part in found])
    rows = np.concatenate([np.arange(len(part)) for part in found])
    numbers = np.concatenate(found).astype(np.int64)
    asked = column_of(store.lots, "lot_number")
    is_wanted = column_of(store.lots, "is_reported").astype(bool)
    lost = np.flatnonzero(is_wanted & ~np.isin(asked, numbers))
    numbers = np.concatenate([numbers, asked[lost]])
    files = np.concatenate([files, np.full(len(lost), LOST)])
    rows = np.concatenate([rows, lost])
    # Of a lot that comes twice, the row of the first partition; rows of no partition come last.
    order = np.lexsort((rows, np.where(files < 0, n_partitions, files), numbers))
    is_first = np.diff(numbers[order], prepend=-1) != 0
    notes = told_rows("lot", lost=asked[lost], twice=numbers[order][~is_first])
    keep = order[is_first]
    paths = [*(store.done(k) for k in range(n_partitions)), store.unfit_lots]
    n_bytes = sum(path.stat().st_size for path in paths if path.exists())
    fields = seen.columns([*lot_rows_schema().names, "fault"])
    return LotOrder(numbers[keep], files[keep], rows[keep], fields, notes, n_bytes)


def told_rows(what: str, *, lost: Any, twice: Any) -> tuple[Note, ...]:
    """Notes on rows that are missing or come twice."""
    notes = []
    for which, words in (
        (lost, "reported by no partition; kept without figures. This is a fault of the program"),
        (twice, "reported twice; the first is kept. This is a fault of the program"),
    ):
        if len(which):
            some = ", ".join(str(n) for n in which[:10])
            more = f" and {len(which) - 10} more" if len(which) > 10 else ""
            verb = "was" if len(which) == 1 else "were"
            text = f"number{'s' if len(which) > 1 else ''} {some}{more} {verb} {words}"
            notes.append(Note(f"{what}s", text, "missing"))
    return tuple(notes)


def lot_schema(order: LotOrder) -> pa.Schema:
    """Columns of a lot in the results: ours, why it is unfit, its own fields, its shape."""
    ours = [one for one in lot_rows_schema() if one.name not in ("fields", "wkb")]
    at = [one.name for one in ours].index("reason") + 1
    ours.insert(at, pa.field("fault", pa.string()))
    given = [pa.field(one.name, one.type) for one in order.fields]
    return pa.schema([*ours, *given, pa.field("geometry", pa.binary())])


def lot_tables(store: Store, order: LotOrder, *, most_bytes: int) -> Iterator[pa.Table]:
    """All lots in the order of the input, a piece at a time, under :func:`lot_schema`."""
    n = len(order.numbers)
    size = int(np.clip(most_bytes * max(n, 1) // max(order.n_bytes, 1), FEWEST, MOST))
    schema = lot_schema(order)
    for start in range(0, n, size):
        here = slice(start, start + size)
        rows = _rows_of(store, order.files[here], order.rows[here])
        texts = rows["fields"].to_pylist()
        columns = {one.name: rows[one.name] for one in schema if one.name in rows.column_names}
        columns["geometry"] = as_polygons(rows["wkb"].combine_chunks())
        own = zip(order.fields, unpacked(texts, order.fields), strict=True)
        columns |= {one.name: values for one, values in own}
        yield without_nan(pa.table([columns[name] for name in schema.names], schema=schema))


def without_nan(table: pa.Table) -> pa.Table:
    """What is not known as null, whichever way it was told."""
    for place, one in enumerate(table.schema):
        if pa.types.is_floating(one.type):
            column = table.column(place)
            known = pc.if_else(pc.is_nan(column), pa.scalar(None, one.type), column)
            table = table.set_column(place, one, known)
    return table


def _rows_of(store: Store, files: Ints, rows: Ints) -> pa.Table:
    """Rows out of many files, in the order asked for."""
    by_file = np.argsort(files, kind="stable")
    cuts = np.flatnonzero(np.diff(files[by_file])) + 1
    taken = [_taken(store, int(files[part[0]]), rows[part]) for part in np.split(by_file, cuts)]
    back = np.empty(len(by_file), dtype=np.int64)
    back[by_file] = np.arange(len(by_file))
    return pa.concat_tables(taken).combine_chunks().take(pa.array(back))


def _taken(store: Store, file: int, rows: Ints) -> pa.Table:
    path = {UNFIT: store.unfit_lots, LOST: store.lots}.get(file) or store.done(file)
    with pa.memory_map(str(path)) as source:
        reader = pa.ipc.open_file(source)
        table = reader.read_all().take(pa.array(rows))
    if file == UNFIT:
        return _filled(table, UNFIT_STATUS)
    if file == LOST:
        return _filled(table, FAILED, "no partition reported it; run the screening anew")
    return table.append_column("fault", pa.nulls(len(table), pa.string()))


def _filled(table: pa.Table, status: str, reason: str | None = None) -> pa.Table:
    """Rows of another table under the columns of a lot; nothing where it has none."""
    n, given = len(table), set(table.column_names)
    schema = lot_rows_schema().append(pa.field("fault", pa.string()))
    columns = []
    for one in schema:
        if one.name in ("status", "stand"):
            columns.append(pa.array([status] * n, one.type))
        elif one.name == "reason" and reason is not None:
            columns.append(pa.array([reason] * n, one.type))
        else:
            has_it = one.name in given
            columns.append(table[one.name] if has_it else pa.nulls(n, one.type))
    return pa.table(columns, schema=schema)


def _keys(store: Store, k: int, seen: FieldsSeen) -> Ints:
    """Numbers of the lots in a file; their fields are looked at on the way."""
    path = store.unfit_lots if k == UNFIT else store.done(k)
    if not path.exists():
        if k == UNFIT:
            return np.empty(0, np.int64)
        raise FileError(
            str(store.folder),
            f"that partition {k} is not measured",
            "all of them",
            "resume the run",
        )
    with pa.memory_map(str(path)) as source:
        table = pa.ipc.open_file(source).read_all()
        seen.add(table["fields"].to_pylist())
        return np.asarray(table["lot_number"].to_numpy(), dtype=np.int64)


def column_of(path: Path, name: str) -> Any:
    """One column of an Arrow IPC file as numpy; a file that is not there has no rows."""
    if not path.exists():
        return np.empty(0, np.int64)
    with pa.memory_map(str(path)) as source:
        table = pa.ipc.open_file(source).read_all()
        return np.array(table[name].to_numpy())
