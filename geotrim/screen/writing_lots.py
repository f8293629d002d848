"""Lots written in the order of partitions, and those that are unfit beside them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import shapely

from geotrim.io.places import Places
from geotrim.io.repair import counted
from geotrim.io.site_layers import Loading
from geotrim.model import Note
from geotrim.screen.lot_faults import LARGEST_COORDINATE, NO_PLACE
from geotrim.screen.plan import Order
from geotrim.screen.reading_judged import AllLots
from geotrim.screen.spill import table_writer
from geotrim.screen.store import LOTS, UNFIT_LOTS, Store


def write_lots(
    run: Loading, store: Store, lots: AllLots, order: Order, places: Places, *, rows: int
) -> int:
    """Write lots that are fit, each with its jurisdiction, and those that are not.

    Parameters
    ----------
    rows : int
        Lots in memory at a time.

    Returns
    -------
    int
        How many are unfit.
    """
    n_told, n_homeless = 0, 0
    with table_writer(store.lots, LOTS) as out:
        for some in _chunks(lots.fit[order.rows], rows):
            table = lots.take(some)
            names, told = places.of(shapely.from_wkb(table["wkb"].to_numpy()))
            said = table["note"].to_pylist()
            notes = [
                "; ".join(text for text in (one, lots.notes.get(int(row)), other) if text) or None
                for row, one, other in zip(some, said, told, strict=True)
            ]
            n_told += sum(note is not None for note in notes)
            n_homeless += names.count(None)
            table = table.drop_columns(["note"])
            table = table.append_column("note", pa.array(notes, pa.string()))
            table = table.append_column("jurisdiction", pa.array(names, pa.string()))
            out.add(table)
    unfit = np.array(lots.unfit, dtype=np.int64)
    with table_writer(store.unfit_lots, UNFIT_LOTS) as out:
        for some in _chunks(unfit, rows):
            out.add(_unfit(lots, some))
    _tell(run, lots, places, n_told, n_homeless)
    return len(unfit)


def _chunks(rows: Any, size: int) -> list[Any]:
    return [rows[start : start + size] for start in range(0, len(rows), size)]


def _unfit(lots: AllLots, rows: Any) -> pa.Table:
    table = lots.take(rows)
    faults = [lots.faults[int(row)] for row in rows]
    is_placed = (np.abs(lots.bounds[rows]) < LARGEST_COORDINATE).all(axis=1)
    is_drawn = pa.array(is_placed & [fault not in NO_PLACE for fault, _ in faults])
    wkb = pa.compute.if_else(is_drawn, table["wkb"], pa.scalar(None, pa.binary()))
    columns = {
        "fault": pa.array([fault for fault, _ in faults]),
        "reason": pa.array([reason for _, reason in faults]),
        "wkb": wkb,
    }
    kept = {name: table[name] for name in ("lot_number", "lot_id", "fields")}
    return pa.table({**kept, **columns}).select(UNFIT_LOTS.names).cast(UNFIT_LOTS)


def _tell(run: Loading, lots: AllLots, places: Places, n_told: int, n_homeless: int) -> None:
    n_reported = int(lots.is_reported.sum())
    if lots.unfit:
        kinds = [lots.faults[row][0] for row in lots.unfit]
        told = ", ".join(f"{kind} {kinds.count(kind)}" for kind in dict.fromkeys(kinds))
        text = f"{counted(len(kinds), 'lot')} of {n_reported} cannot be measured ({told}); each has"
        run.notes.append(Note("lots", f"{text} a row with its reason", "missing"))
    if n_told:
        text = f"{counted(n_told, 'lot')} of {n_reported} mended, or in doubt; the note says how"
        run.notes.append(Note("lots", text, "repaired"))
    if places.names and n_homeless:
        text = f"{counted(n_homeless, 'lot')} in no jurisdiction; only rules that hold everywhere "
        run.notes.append(Note("jurisdictions", text + "are asked there", "missing"))
