"""Tables too large for memory, set down in the working folder while a screening is read."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from geotrim.io.aside import new_file
from geotrim.screen.store import BATCH_ROWS


@dataclass(slots=True)
class Spill:
    """An Arrow IPC file being filled, its batches as they are added.

    starts : first row of each batch, and the end.
    """

    path: Path
    schema: Any
    starts: list[int] = field(default_factory=lambda: [0])
    _writer: Any = None

    @property
    def n_rows(self) -> int:
        return self.starts[-1]

    @contextmanager
    def filling(self) -> Iterator[Spill]:
        """Open the file for :meth:`add`, and close it at the end."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        with (
            pa.OSFile(str(self.path), "wb") as sink,
            pa.ipc.new_file(sink, self.schema) as self._writer,
        ):
            yield self

    def add(self, batch: pa.RecordBatch) -> None:
        if batch.num_rows:
            self._writer.write_batch(batch)
            self.starts.append(self.n_rows + batch.num_rows)

    def batches(self) -> Iterator[pa.RecordBatch]:
        """Each batch, in order."""
        with pa.OSFile(str(self.path), "rb") as source:
            reader = pa.ipc.open_file(source)
            for number in range(reader.num_record_batches):
                yield reader.get_batch(number)

    def take(self, rows: npt.NDArray[np.int64]) -> pa.Table:
        """Some rows in the order asked for, with one batch in memory at a time."""
        order = np.argsort(rows, kind="stable")
        sorted_rows = rows[order]
        edges = np.searchsorted(sorted_rows, self.starts)
        parts = []
        with pa.OSFile(str(self.path), "rb") as source:
            reader = pa.ipc.open_file(source)
            for number in np.flatnonzero(np.diff(edges)):
                here = sorted_rows[edges[number] : edges[number + 1]] - self.starts[number]
                parts.append(reader.get_batch(int(number)).take(pa.array(here)))
        table = pa.Table.from_batches(parts, self.schema).combine_chunks()
        back = np.empty(len(rows), dtype=np.int64)
        back[order] = np.arange(len(rows))
        return table.take(pa.array(back))


@contextmanager
def table_writer(path: Path, schema: Any) -> Iterator[TableWriter]:
    """A table of the working folder written piece by piece, aside and renamed."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with (
        new_file(path) as aside,
        pa.OSFile(str(aside), "wb") as sink,
        pa.ipc.new_file(sink, schema) as writer,
    ):
        out = TableWriter(writer, schema)
        yield out
        out.flush()


class TableWriter:
    """Writes rows as :func:`geotrim.screen.store.write_table` does: ``BATCH_ROWS`` in a batch."""

    def __init__(self, writer: Any, schema: Any) -> None:
        self.writer, self.schema = writer, schema
        self.rest: pa.Table = schema.empty_table()
        self.n_rows = 0

    def add(self, table: pa.Table) -> None:
        self.n_rows += table.num_rows
        table = pa.concat_tables([self.rest, table.select(self.schema.names)]).combine_chunks()
        n_whole = table.num_rows - table.num_rows % BATCH_ROWS
        self.writer.write_table(table.slice(0, n_whole), max_chunksize=BATCH_ROWS)
        self.rest = table.slice(n_whole)

    def flush(self) -> None:
        if self.rest.num_rows:
            self.writer.write_table(self.rest.combine_chunks(), max_chunksize=BATCH_ROWS)
        self.rest = self.schema.empty_table()
