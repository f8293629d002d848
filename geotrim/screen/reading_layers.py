"""Layers that are streamed: opened by role, and moved to the site's reference system by batches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import shapely

from geotrim.io.bounds import moved_bounds
from geotrim.io.crs import Move, layer_crs, move_note, plan_move, same_crs
from geotrim.io.files import local_path
from geotrim.io.site_layers import Loading, placed, resolved
from geotrim.io.vector_stream import Batch, VectorStream, open_stream
from geotrim.io.wkb_shapes import Mended, binary_of, mended_shapes
from geotrim.model import Note
from geotrim.screen.lot_faults import usual_bounds


@dataclass(frozen=True, slots=True)
class Streamed:
    """What is to be told of a layer that was streamed."""

    role: str
    name: str
    n_rows: int
    crs: Any


def open_role(run: Loading, role: str, kinds: tuple[str, ...]) -> VectorStream:
    """The layer that the file names for a role."""
    table = run.spec.values[role]
    with placed(run.spec, role):
        path = local_path(resolved(run.spec.folder, table["file"], role), role)
        return open_stream(path, layer=table.get("layer"), subject=role, kinds=kinds)


def centres_of(shapes: Any) -> Any:
    """Centres of the bounds of shapes, (n, 2); NaN where there is none."""
    box = shapely.bounds(shapes)
    return (box[:, :2] + box[:, 2:]) / 2


class Mover:
    """The way from a layer's CRS to the site's; it is settled with the first shapes.

    around : box around the lots in the site's CRS. The best transformation there is taken, whatever
        the first shapes are.
    notes : what is to be told of it.
    """

    def __init__(self, run: Loading, stream: VectorStream, around: Any) -> None:
        self.run, self.stream, self.around = run, stream, around
        self.notes: list[Note] = []
        self.crs: Any = None
        self.n_rows = 0
        self._is_settled = False
        self._step: Move | None = None

    def fit(self, batch: Batch, kind: str) -> tuple[Mended, Any]:
        """Shapes of a batch in the site's CRS, those with a fault left out, and their binary."""
        self.n_rows = max(self.n_rows, batch.first + batch.n_rows)
        mended = mended_shapes(batch.wkb, kind, self.stream.crs)
        wkb = binary_of(mended, batch.wkb)
        step = self._step if self._is_settled else self._settle(mended.shapes)
        if step is None:
            return mended, wkb
        xy = step.apply(shapely.get_coordinates(mended.shapes))
        moved = shapely.to_wkb(shapely.set_coordinates(mended.shapes, xy), output_dimension=2)
        again = mended_shapes(pa.array(moved, pa.binary()), kind, self.run.crs)
        again.faults.update(mended.faults)
        again.repairs.update(mended.repairs)
        return again, binary_of(again, pa.array(moved, pa.binary()))

    def streamed(self) -> Streamed:
        """The layer, when it has been read."""
        return Streamed(self.stream.subject, self.stream.layer, self.n_rows, self.crs)

    def _settle(self, shapes: Any) -> Any:
        """What moves coordinates; None where nothing need be moved."""
        bounds = usual_bounds(centres_of(shapes))
        if not np.isfinite(bounds).all():
            return None  # no shape so far
        assert self.run.crs is not None  # settled with the lots
        role = self.stream.subject
        stated = self.run.spec.values[role].get("crs")
        self.crs, notes = layer_crs(self.stream.crs, stated, bounds, role)
        self.notes += notes
        if not same_crs(self.crs, self.run.crs):
            here = np.array(moved_bounds(self.around.bounds, self.run.crs, self.crs, role))
            self._step = plan_move(self.crs, self.run.crs, here, role)
            self.notes.append(move_note(self.crs, self.run.crs, self._step, role))
        self._is_settled = True
        return self._step
