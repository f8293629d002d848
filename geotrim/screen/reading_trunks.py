"""Trunks, joined to crowns as these are read: by the crown's id, or by the crown they stand in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import shapely

from geotrim.errors import LayerError
from geotrim.io.arrow_values import hashes_of, texts_of
from geotrim.io.repair import counted
from geotrim.io.site_layers import Loading, placed
from geotrim.io.vector_stream import VectorStream
from geotrim.model import Note
from geotrim.screen.reading_layers import Mover, Streamed, centres_of, open_role

Floats = npt.NDArray[np.float64]
Keys = npt.NDArray[np.uint64]
Tell = Callable[[str], None]


@dataclass(slots=True)
class Trunks:
    """The first trunk of each crown, by a key of the crown.

    keys : (n,) rising. Hash of the crown's id, or its number where trunks were joined by place.
    xy : (n, 2) in the site's CRS.
    n_lost : trunks of no crown; n_more : further trunks of a crown that has one.
    """

    keys: Keys
    xy: Floats
    is_by_id: bool = True
    n_points: int = 0
    n_lost: int = 0
    n_shared: int = 0
    told: list[Note] = field(default_factory=list)
    is_met: Any = None
    n_met: int = 0
    layers: tuple[Streamed, ...] = ()

    @classmethod
    def of(
        cls, run: Loading, crowns: VectorStream, around: Any, *, batch_rows: int, tell: Tell
    ) -> Trunks:
        """Read the trunks of a spec; none where it has none."""
        if "trunks" not in run.spec.values:
            return cls(np.empty(0, np.uint64), np.empty((0, 2)), is_met=np.empty(0, bool))
        stream = open_role(run, "trunks", ("point",))
        asked = run.spec.values["trunks"].get("crown_id_field")
        where = run.spec.where("trunks", "crown_id_field")
        name = stream.field(asked, where) if asked else stream.usual_field("crown_id")
        mover = Mover(run, stream, around)
        owners, points, n_bad, n_nameless = [], [], 0, 0
        with placed(run.spec, "trunks"):
            for batch in stream.batches([name] if name else [], batch_rows=batch_rows):
                mended, _ = mover.fit(batch, "point")
                keep = ~shapely.is_missing(mended.shapes)
                n_bad += int((~keep).sum())
                if name:
                    ids = texts_of(batch.columns[name])
                    is_named = ids.is_valid().to_numpy(zero_copy_only=False)
                    n_nameless += int((keep & ~is_named).sum())
                    keep &= is_named
                    owners.append(hashes_of(ids.filter(pa.array(keep))))
                points.append(centres_of(mended.shapes[keep]))
                tell(f"reading trunks, {batch.first + batch.n_rows:,} of {stream.n_features:,}")
        xy = np.concatenate([*points, np.empty((0, 2))])
        told = list(mover.notes)
        if n_bad:
            text = f"{counted(n_bad, 'trunk')} without a usable point left out"
            told.append(Note("trunks", text, "repaired"))
        if name:
            made = cls._first_of(np.concatenate([*owners, np.empty(0, np.uint64)]), xy)
            made.n_lost = n_nameless
        else:
            made = cls._by_place(run, crowns, xy, around, batch_rows)
        made.told, made.layers = told, (mover.streamed(),)
        if not made.n_points:
            why = "no crown has their id" if name else "they stand in no crown"
            _refuse(run, why)
        return made

    @classmethod
    def _first_of(cls, keys: Keys, xy: Floats) -> Trunks:
        kept, first = np.unique(keys, return_index=True)
        is_met = np.zeros(len(kept), dtype=bool)
        return cls(kept, xy[first], n_points=len(xy), is_met=is_met)

    @classmethod
    def _by_place(
        cls, run: Loading, crowns: VectorStream, xy: Floats, around: Any, batch_rows: int
    ) -> Trunks:
        """The crown each trunk stands in; of several, the one whose centre is nearest."""
        owner = np.full(len(xy), -1, dtype=np.int64)
        best, n_in = np.full(len(xy), np.inf), np.zeros(len(xy), dtype=np.int32)
        mover = Mover(run, crowns, around)
        with placed(run.spec, "crowns"):
            for batch in crowns.batches(batch_rows=batch_rows):
                shapes = mover.fit(batch, "polygon")[0].shapes
                _claim(batch.first, shapes, xy, batch_rows, owner, best, n_in)
        there = owner >= 0
        made = cls._first_of(owner[there].astype(np.uint64), xy[there])
        made.is_by_id = False
        made.n_lost, made.n_shared = int((~there).sum()), int((n_in > 1).sum())
        return made

    def joined(self, table: pa.Table) -> pa.Table:
        """Crowns with the trunk of each; unknown where it has none."""
        if not len(self.keys):
            return table
        if self.is_by_id:
            keys = hashes_of(table["crown_id"])
        else:
            keys = table["crown_number"].to_numpy().astype(np.uint64)
        at = np.minimum(np.searchsorted(self.keys, keys), len(self.keys) - 1)
        has = self.keys[at] == keys
        self.is_met[at[has]] = True
        self.n_met += int(has.sum())
        for axis, name in enumerate(("trunk_x", "trunk_y")):
            column = pa.array(self.xy[at, axis], mask=~has)
            table = table.set_column(table.schema.get_field_index(name), name, column)
        return table

    def notes(self, run: Loading, n_crowns: int) -> tuple[Note, ...]:
        """What is to be told when all crowns have been read.

        Raises
        ------
        LayerError
            If no trunk belongs to a crown.
        """
        if "trunks" not in run.spec.values:
            return ()
        if not self.n_met:
            _refuse(run, "no crown has their id" if self.is_by_id else "they stand in no crown")
        why = "no crown has their id" if self.is_by_id else "they stand in no crown"
        n_lost = self.n_lost + int((~self.is_met).sum())
        told = list(self.told)
        if n_lost:
            text = f"{counted(n_lost, 'trunk')} left out, {why}"
            told.append(Note("trunks", text, "missing"))
        if self.n_shared:
            text = f"{counted(self.n_shared, 'trunk')} in two crowns or more, given to the crown "
            told.append(Note("trunks", f"{text}whose centre is nearest", "assumed"))
        if n_bare := n_crowns - self.n_met:
            text = f"{counted(n_bare, 'crown')} of {n_crowns} without a trunk point"
            told.append(Note("trunks", text, "missing"))
        if n_more := self.n_points - len(self.keys):
            text = f"{counted(n_more, 'trunk')} of crowns that have one already; the first is taken"
            told.append(Note("trunks", text, "info"))
        return tuple(told)


def _claim(
    first: int, shapes: Any, xy: Floats, at_once: int, owner: Any, best: Any, n_in: Any
) -> None:
    """Give trunks to the crowns of one batch where those are nearer than what they had."""
    if shapely.is_missing(shapes).all():
        return
    tree = shapely.STRtree(shapes)
    west, south, east, north = shapely.total_bounds(shapes)
    inside = (xy >= (west, south)) & (xy <= (east, north))
    rows = np.flatnonzero(inside.all(axis=1))
    for part in np.array_split(rows, -(-max(len(rows), 1) // at_once)):
        points = shapely.points(xy[part])
        at, crown = tree.query(points, predicate="intersects")
        gaps = shapely.distance(points[at], shapely.centroid(shapes[crown]))
        np.add.at(n_in, part[at], 1)
        order = np.lexsort((crown, gaps, at))
        leads = order[np.diff(at[order], prepend=-1) > 0]  # the nearest of each trunk
        won = leads[gaps[leads] < best[part[at[leads]]]]
        best[part[at[won]]] = gaps[won]
        owner[part[at[won]]] = first + crown[won]


def _refuse(run: Loading, why: str) -> None:
    raise LayerError(
        run.spec.where("trunks", "crown_id_field"),
        f"no trunk that belongs to a crown ({why})",
        "trunks of these crowns",
        "check the field, or the CRS of the trunks",
    )
