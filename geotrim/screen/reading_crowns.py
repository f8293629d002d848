"""Crowns from their file into the files of the partitions they are at home in.

One pass: a batch is mended, moved to the site's reference system, sorted by partition and set down
in one file. Then the pieces of each partition are taken from that file, some partitions at a time,
so that neither the crowns nor an open file for each partition need be held.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import shapely

from geotrim.errors import LayerError
from geotrim.io.arrow_values import hashes_of
from geotrim.io.repair import counted, listed
from geotrim.io.site_layers import Loading, placed
from geotrim.io.site_load import TOO_FAR_FT, check_distance
from geotrim.io.vector_stream import Batch
from geotrim.model import Note
from geotrim.screen.crown_fields import CrownFields
from geotrim.screen.reading_layers import Mover, Streamed, centres_of, open_role
from geotrim.screen.reading_trunks import Trunks
from geotrim.screen.spill import Spill
from geotrim.screen.store import CROWNS, Store, write_table
from geotrim.units import feet_per_map_unit

#: Row numbers of crowns with a fault that a note lists.
SHOWN_ROWS = 5
#: What is said of crowns with a fault.
FAULT_WORDS = {
    "no-shape": "without a shape",
    "damaged": "with a damaged shape",
    "wrong-kind": "that are no polygons",
    "not-finite": "with coordinates that are no numbers, or have no place in the site's CRS",
    "no-extent": "without an area",
    "vanished": "that cross themselves so that a repair leaves little of them",
}
Homes = Callable[[npt.NDArray[np.float64]], npt.NDArray[np.int32]]
Tell = Callable[[str], None]


@dataclass(slots=True)
class CrownsRead:
    """Crowns as they were set down: sorted by partition within each batch.

    pieces : for each batch, the partitions in it and where each begins, with the end.
    sizes : bytes of shapes at home in each partition, about.
    layers : the layers that were read.
    """

    n_crowns: int
    spill: Spill
    columns: tuple[str, ...]
    pieces: list[tuple[Any, Any]] = field(default_factory=list)
    sizes: Any = None
    layers: tuple[Streamed, ...] = ()


@dataclass(slots=True)
class _Told:
    faults: Counter[str] = field(default_factory=Counter)
    rows: dict[str, list[int]] = field(default_factory=dict)
    repairs: Counter[str] = field(default_factory=Counter)
    repaired_rows: list[int] = field(default_factory=list)
    reach: float = np.inf
    nearest: float = np.inf
    n_away: int = 0

    def add(self, mended: Any, first: int) -> None:
        for row, (fault, _) in mended.faults.items():
            self.faults[fault] += 1
            rows = self.rows.setdefault(fault, [])
            if len(rows) < SHOWN_ROWS:
                rows.append(first + row + 1)
        for row in mended.repairs:
            self.repairs["repaired"] += 1
            if len(self.repaired_rows) < SHOWN_ROWS:
                self.repaired_rows.append(first + row + 1)

    def near(self, rows: Any, shapes: Any, around: Any) -> Any:
        """Rows of crowns that are not away from all lots; the others are counted."""
        gaps = _gaps(shapes[rows], around)
        self.nearest = min(self.nearest, float(gaps.min(initial=np.inf)))
        is_near = gaps <= self.reach
        self.n_away += int((~is_near).sum())
        return rows[is_near]

    def notes(self) -> Iterator[Note]:
        if self.n_away:
            miles = f"{TOO_FAR_FT / 5280:g} miles from the lots"
            text = f"{counted(self.n_away, 'crown')} farther than {miles} left out"
            yield Note("crowns", text, "info")
        for fault, n in self.faults.items():
            more = f" and {n - SHOWN_ROWS} more" if n > SHOWN_ROWS else ""
            rows = f"{listed(self.rows[fault])}{more}"
            text = f"{counted(n, 'crown')} {FAULT_WORDS[fault]} left out: row {rows}"
            yield Note("crowns", text, "repaired")
        if n := self.repairs["repaired"]:
            more = f" and {n - SHOWN_ROWS} more" if n > SHOWN_ROWS else ""
            text = f"{counted(n, 'crown')} that crossed themselves or were left open repaired: row "
            yield Note("crowns", f"{text}{listed(self.repaired_rows)}{more}", "repaired")


def read_crowns(
    run: Loading,
    store: Store,
    around: Any,
    homes: Homes,
    n_partitions: int,
    *,
    batch_rows: int,
    tell: Tell = lambda _: None,
) -> CrownsRead:
    """Set the crowns down, each with the partition it is at home in.

    Parameters
    ----------
    around : Polygon
        Box around the lots to report, to which some crown must be near.
    homes : callable
        Takes (n, 2) centres, returns the partition of each.

    Raises
    ------
    GeotrimError
        If the layer or a field of it is not there, or no crown is of this place.
    """
    stream = open_role(run, "crowns", ("polygon",))
    fields = CrownFields(run.spec, stream)
    trunks = Trunks.of(run, stream, around, batch_rows=batch_rows, tell=tell)
    out = CrownsRead(0, Spill(store.folder / "reading" / "crowns.arrow", CROWNS), fields.columns)
    out.sizes = np.zeros(n_partitions)
    reach = TOO_FAR_FT / feet_per_map_unit(run.crs, "lots")
    told, mover, ids_seen = _Told(reach=reach), Mover(run, stream, around), []
    with placed(run.spec, "crowns"), out.spill.filling():
        for batch in stream.batches(fields.fields, batch_rows=batch_rows):
            columns = fields.of_batch(batch)
            mended, wkb = mover.fit(batch, "polygon")
            told.add(mended, batch.first)
            shapes = mended.shapes
            table = _table(batch, columns, wkb)
            ids_seen.append(hashes_of(table["crown_id"]))
            rows = told.near(np.flatnonzero(~shapely.is_missing(shapes)), shapes, around)
            if len(rows):
                table = trunks.joined(table.take(pa.array(rows)))
                _put(out, table, homes(centres_of(shapes[rows])))
            tell(f"reading crowns, {batch.first + batch.n_rows:,} of {stream.n_features:,}")
    run.notes += (*stream.notes, *mover.notes, *fields.notes(), *told.notes(), *_twice(ids_seen))
    run.notes += trunks.notes(run, out.n_crowns)
    out.layers = (mover.streamed(), *trunks.layers)
    _check_some(run, out, told, around)
    return out


def _gaps(shapes: Any, around: Any) -> Any:
    """Distance from a box to the box around each shape; 0 where they meet."""
    west, south, east, north = shapely.bounds(shapes).T
    left, low, right, high = around.bounds
    dx = np.maximum(0.0, np.maximum(west - right, left - east))
    dy = np.maximum(0.0, np.maximum(south - high, low - north))
    return np.hypot(dx, dy)


def _table(batch: Batch, columns: dict[str, Any], wkb: Any) -> pa.Table:
    numbers = pa.array(np.arange(batch.first, batch.first + batch.n_rows))
    given = {**columns, "crown_number": numbers, "wkb": wkb}
    arrays = [
        given[kind.name].cast(kind.type)
        if kind.name in given
        else pa.nulls(batch.n_rows, kind.type)
        for kind in CROWNS
    ]
    return pa.Table.from_arrays(arrays, schema=CROWNS)


def _put(out: CrownsRead, table: pa.Table, home: npt.NDArray[np.int32]) -> None:
    order = np.argsort(home, kind="stable")
    batch = table.take(pa.array(order)).combine_chunks().to_batches()[0]
    out.spill.add(batch)
    partitions, starts = np.unique(home[order], return_index=True)
    out.pieces.append((partitions, np.append(starts, len(order))))
    np.add.at(out.sizes, home, batch.nbytes / len(order))
    out.n_crowns += len(order)


def _twice(seen: list[npt.NDArray[np.uint64]]) -> Iterator[Note]:
    """How many ids come more than once; such crowns are told apart by their rows."""
    every = np.sort(np.concatenate(seen)) if seen else np.empty(0, np.uint64)
    again = every[1:] == every[:-1]
    n_ids = int((again & ~np.append(False, again[:-1])).sum()) if len(again) else 0
    if n_ids:
        rows = np.concatenate(seen)
        first = np.flatnonzero(np.isin(rows, every[1:][again]))[:SHOWN_ROWS]
        text = f"{counted(n_ids, 'id')} used twice or more, told apart by the row of the file: row "
        yield Note("crowns", text + listed([int(row) + 1 for row in first]), "repaired")


def _check_some(run: Loading, out: CrownsRead, told: _Told, around: Any) -> None:
    where = run.spec.where("crowns", "file")
    layer = out.layers[0]
    if not layer.n_rows:
        raise LayerError(
            where,
            f"layer {layer.name!r} with no features",
            "one crown or more",
            "export the layer again, or leave [crowns] out to have crowns drafted from [heights]",
        )
    if not np.isfinite(told.nearest):
        words = [f"{n} {FAULT_WORDS[fault]}" for fault, n in told.faults.items()]
        found = f"{counted(layer.n_rows, 'crown')}, none of them usable: {listed(words)}"
        raise LayerError(where, found, "polygons", "check the layer on a map")
    west, south, *_ = around.bounds
    nearest = shapely.Point(west - told.nearest, south)  # as far away as the nearest crown
    check_distance(run, np.array([nearest]), around, "crowns")


def write_crowns(store: Store, read: CrownsRead, *, memory_mb: int) -> None:
    """Write the crowns of each partition, in file order, and drop what was set down.

    Some partitions at a time, as many as a quarter of the memory holds.
    """
    n = len(read.sizes)
    share = np.cumsum(read.sizes) // max(memory_mb * 1e6 / 8, 1.0)
    for group in np.split(np.arange(n), np.flatnonzero(np.diff(share)) + 1):
        _write_group(store, read, int(group[0]), int(group[-1]) + 1)
    read.spill.path.unlink()


def _write_group(store: Store, read: CrownsRead, first: int, after: int) -> None:
    parts: dict[int, list[Any]] = {number: [] for number in range(first, after)}
    with pa.memory_map(str(read.spill.path)) as source:  # so that only the pieces are read
        reader = pa.ipc.open_file(source)
        for at, (partitions, starts) in enumerate(read.pieces):
            low, high = np.searchsorted(partitions, [first, after])
            if low == high:
                continue
            batch = reader.get_batch(at)
            for k in range(low, high):
                piece = batch.slice(starts[k], starts[k + 1] - starts[k])
                parts[int(partitions[k])].append(piece)
        for number, pieces in parts.items():
            write_table(store.crowns(number), pa.Table.from_batches(pieces, CROWNS))
