"""Lots from their file into the working folder, the bad ones told apart.

The file is read once: shapes are mended batch by batch and set down, so that the layer's place can
be told from most of its lots before any of them is moved to the site's reference system.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
import shapely

from geotrim.errors import LayerError
from geotrim.io.arrow_values import texts_of
from geotrim.io.crs import layer_crs, move_note, plan_move, same_crs
from geotrim.io.fields import text_id, text_ids
from geotrim.io.lot_answers import LotAnswers
from geotrim.io.repair import listed
from geotrim.io.site_layers import Loading, placed
from geotrim.io.vector_stream import Batch, VectorStream
from geotrim.io.wkb_shapes import binary_of, mended_shapes
from geotrim.model import Facts, Note
from geotrim.screen.lot_faults import NO_ID, OFF_MAP, place_words, usual_bounds
from geotrim.screen.reading_layers import centres_of, open_role
from geotrim.screen.spill import Spill
from geotrim.screen.store import BATCH_ROWS, Store

RAW = pa.schema(
    [
        ("lot_number", pa.int64()),
        ("lot_id", pa.string()),
        ("is_reported", pa.bool_()),
        ("facts", pa.string()),
        ("fields", pa.string()),
        ("note", pa.string()),
        ("wkb", pa.binary()),
    ]
)
Tell = Callable[[str], None]


@dataclass(slots=True)
class RawLots:
    """One layer of lots as it was set down.

    crs : of the file, once it is settled.
    first : number of its first lot.
    ids : id of each, None where it has none.
    given : (n, 2) centre of each as the file has it, NaN where there is no shape.
    faults : row of the spill -> (fault, words).
    """

    role: str
    stream: VectorStream
    spill: Spill
    first: int = 0
    crs: Any = None
    ids: list[str | None] = field(default_factory=list)
    is_reported: Any = None
    given: Any = None
    bounds: Any = None
    areas: Any = None
    faults: dict[int, tuple[str, str]] = field(default_factory=dict)

    @property
    def n_rows(self) -> int:
        return len(self.ids)


def set_down(
    run: Loading,
    store: Store,
    role: str,
    told: Facts,
    *,
    first: int = 0,
    batch_rows: int,
    tell: Tell = lambda _: None,
) -> RawLots:
    """Read a layer of lots, mend its shapes, answer its facts, and set all of it down.

    Parameters
    ----------
    role : str
        ``lots`` or ``neighbours``.
    told : Facts
        What the file answers for all lots and for single ones.
    first : int
        Number of the first lot.

    Raises
    ------
    GeotrimError
        If the layer or a field of it is not there, or no lot is chosen.
    """
    stream = open_role(run, role, ("polygon",))
    is_neighbour = role == "neighbours"
    answers = LotAnswers(run.spec, stream, told, is_neighbour)
    wanted = _Wanted.of(run, stream, is_neighbour)
    id_field = _id_field(run, stream, role)
    fields = [*answers.fields, *wanted.fields, *([id_field] if id_field else [])]
    raw = RawLots(role, stream, Spill(store.folder / "reading" / f"{role}.arrow", RAW), first)
    reported, given = [], []
    with placed(run.spec, role), raw.spill.filling() as spill:
        for batch in stream.batches(list(dict.fromkeys(fields)), batch_rows=batch_rows):
            ids = _ids(batch, id_field, is_neighbour)
            mended = mended_shapes(batch.wkb, "polygon", stream.crs)
            _take_faults(raw, batch.first, mended, ids)
            facts, kept, notes = answers.of_rows(batch.columns, ids)
            for row, words in mended.repairs.items():
                notes[row] = "; ".join(text for text in (words, notes[row]) if text)
            is_wanted = wanted.of_rows(batch, ids)
            raw.ids += ids
            reported.append(is_wanted)
            given.append(centres_of(mended.shapes))
            numbers = pa.array(np.arange(batch.n_rows) + first + batch.first)
            columns = [numbers, ids, is_wanted, facts, kept, notes, binary_of(mended, batch.wkb)]
            _add(spill, columns)
            tell(f"reading {role}, {len(raw.ids):,} of {stream.n_features:,}")
    if not raw.ids:
        what = f"layer {stream.layer!r} of {stream.path.name} with no features"
        where = run.spec.where(role, "file")
        raise LayerError(where, what, "one feature or more", "export the layer again")
    run.notes += stream.notes
    raw.is_reported, raw.given = np.concatenate(reported), np.concatenate(given)
    wanted.check(raw)
    if not is_neighbour:
        answers.check_ids(run.spec)
    return raw


def _add(spill: Spill, columns: Sequence[Any]) -> None:
    arrays = [
        one if isinstance(one, pa.Array) else pa.array(one, kind.type)
        for one, kind in zip(columns, RAW, strict=True)
    ]
    batch = pa.RecordBatch.from_arrays(arrays, schema=RAW)
    for start in range(0, batch.num_rows, BATCH_ROWS):
        spill.add(batch.slice(start, BATCH_ROWS))


def _id_field(run: Loading, stream: VectorStream, role: str) -> str | None:
    asked = run.spec.values[role].get("id_field")
    if asked:
        return stream.field(asked, run.spec.where(role, "id_field"))
    name = stream.usual_field("lot_id")
    if name:
        run.notes.append(Note(role, f"ids taken from the field {name!r}", "info"))
    else:
        text = "no id_field named; the lots are numbered from 1 in file order"
        text += f" (the file has {listed(stream.fields, 6)})" if stream.fields else ""
        run.notes.append(Note(role, text, "assumed"))
    return name


def _ids(batch: Batch, id_field: str | None, is_neighbour: bool) -> list[str | None]:
    if id_field is not None:
        ids: list[str | None] = texts_of(batch.columns[id_field]).to_pylist()
        return ids
    head = "neighbour-" if is_neighbour else ""
    return [f"{head}{batch.first + i + 1}" for i in range(batch.n_rows)]


def _take_faults(raw: RawLots, first: int, mended: Any, ids: Sequence[str | None]) -> None:
    raw.faults.update({first + row: fault for row, fault in mended.faults.items()})
    for row, lot in enumerate(ids):
        if lot is None:
            words = "its field of ids is empty, so that nothing could be told of it by name"
            raw.faults.setdefault(first + row, (NO_ID, words))


@dataclass(slots=True)
class _Wanted:
    """Which lots are to be reported: those that ``where`` matches and ``measure`` names."""

    run: Loading
    where: dict[str, set[str | None]]
    ids: set[str] | None
    is_none: bool
    present: set[str] = field(default_factory=set)

    @classmethod
    def of(cls, run: Loading, stream: VectorStream, is_neighbour: bool) -> _Wanted:
        table = {} if is_neighbour else run.spec.values["lots"]
        place = run.spec.where("lots", "where")
        where = {}
        for name, wanted in table.get("where", {}).items():
            many = wanted if isinstance(wanted, (list, tuple)) else [wanted]
            where[stream.field(name, place)] = set(text_ids(many))
        named = table.get("measure")
        ids = None if named is None else {str(text_id(value)) for value in named}
        return cls(run, where, ids, is_neighbour)

    @property
    def fields(self) -> list[str]:
        return list(self.where)

    def of_rows(self, batch: Batch, ids: Sequence[str | None]) -> Any:
        keep = np.full(batch.n_rows, not self.is_none)
        for name, asked in self.where.items():
            have = texts_of(batch.columns[name]).to_pylist()
            keep &= np.array([value in asked for value in have], dtype=bool)
            if len(self.present) < 20:
                self.present |= {value for value in have if value is not None}
        if self.ids is not None:
            keep &= np.array([lot in self.ids for lot in ids], dtype=bool)
        return keep

    def check(self, raw: RawLots) -> None:
        """Refuse a choice of no lot, and of lots that there are not."""
        spec = self.run.spec
        if self.ids is not None and (lost := self.ids - set(raw.ids)):
            where, need = spec.where("lots", "measure"), f"ids of the lots: {listed(raw.ids, 10)}"
            raise LayerError(where, f"no lot {min(lost)!r}", need, "check the id")
        if self.is_none or raw.is_reported.any():
            return
        said = " and ".join(f"{n} is {listed(sorted(map(str, v)))}" for n, v in self.where.items())
        need = f"a value that the fields hold: {listed(sorted(self.present))}"
        where = spec.where("lots", "where")
        raise LayerError(where, f"no lot where {said}", need, "check the value and its spelling")


def settle_crs(run: Loading, raw: RawLots) -> None:
    """The CRS of a layer of lots, from its label, what is said of it, and most of its lots."""
    with placed(run.spec, raw.role):
        stated = run.spec.values[raw.role].get("crs")
        bounds = usual_bounds(raw.given)
        raw.crs, notes = layer_crs(raw.stream.crs, stated, bounds, raw.role)
    run.notes += notes


def move(run: Loading, raw: RawLots) -> None:
    """Bring lots into the site's CRS; bounds and areas are gathered, and what cannot be moved told.

    The spill is written anew where the two CRSs differ.
    """
    step = None
    assert run.crs is not None  # settled with the lots
    if not same_crs(raw.crs, run.crs):
        with placed(run.spec, raw.role):
            step = plan_move(raw.crs, run.crs, usual_bounds(raw.given), raw.role)
        run.notes.append(move_note(raw.crs, run.crs, step, raw.role))
    bounds, areas = [], []
    moved = Spill(raw.spill.path.with_name(f"{raw.role}_moved.arrow"), RAW)
    with moved.filling():
        row = 0
        for batch in raw.spill.batches():
            if step is not None:
                batch = _moved(raw, row, batch, step)
                moved.add(batch)
            shapes = shapely.from_wkb(batch.column("wkb").to_numpy(zero_copy_only=False))
            bounds.append(shapely.bounds(shapes))
            areas.append(shapely.area(shapes))
            row += batch.num_rows
    raw.bounds, raw.areas = np.concatenate(bounds), np.concatenate(areas)
    idle = moved.path
    if step is not None:
        idle, raw.spill = raw.spill.path, moved
    idle.unlink()


def _moved(raw: RawLots, first: int, batch: pa.RecordBatch, step: Any) -> pa.RecordBatch:
    wkb = batch.column("wkb")
    shapes = shapely.from_wkb(wkb.to_numpy(zero_copy_only=False))
    xy = step.apply(shapely.get_coordinates(shapes))
    moved = pa.array(shapely.to_wkb(shapely.set_coordinates(shapes, xy)), pa.binary())
    mended = mended_shapes(moved, "polygon", raw.crs)
    notes = batch.column("note").to_pylist()
    for row, fault in mended.faults.items():
        if not wkb[row].is_valid:
            continue  # told already
        words = "its coordinates have no place in the site's reference system"
        given = raw.given[first + row]
        unit = raw.crs.axis_info[0].unit_name
        words += f": {place_words(given[0], given[1], unit)} in the file"
        off = (OFF_MAP, words)
        raw.faults.setdefault(first + row, off if fault[0] == "not-finite" else fault)
    for row, words in mended.repairs.items():
        notes[row] = "; ".join(text for text in (notes[row], f"moved, and then {words}") if text)
    batch = batch.set_column(RAW.get_field_index("note"), RAW.field("note"), pa.array(notes))
    return batch.set_column(RAW.get_field_index("wkb"), RAW.field("wkb"), binary_of(mended, moved))
