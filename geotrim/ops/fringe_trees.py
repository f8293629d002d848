"""Trees of the fringe: the point each is measured from, its lot, and its place along the shore."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core.fringe import Baseline
from geotrim.core.lot_regions import LotParts, first_holders
from geotrim.core.shoreline import Array
from geotrim.model import Note, Result
from geotrim.ops.tables import rows_by
from geotrim.rules.species import is_mangrove, is_unlisted


@dataclass(frozen=True, slots=True, eq=False)
class Trees:
    """Crowns with the point each is measured from.

    is_out : known not to be a mangrove.
    """

    crown_id: npt.NDArray[np.object_]
    shape: npt.NDArray[np.object_]
    point: Array
    has_trunk: npt.NDArray[np.bool_]
    is_out: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """A stretch of a lot's frontage, its first station and its smoothed line."""

    lot_id: str
    stretch_id: str
    station0_ft: float
    length_ft: float
    base: Baseline


@dataclass(frozen=True, slots=True, eq=False)
class Stand:
    """Where each of n trees stands.

    lot : id, None for none. stretch : number, -1 for none; station and offset are NaN then. [ft]
    of_stretch : for each stretch, the rows of the trees of its fringe.
    """

    lot: npt.NDArray[np.object_]
    stretch: npt.NDArray[np.intp]
    station_ft: Array
    offset_ft: Array
    of_stretch: Sequence[npt.NDArray[np.intp]]


def trees_of(crowns: Any, trunks: Any, reference: str) -> tuple[Trees, list[Note]]:
    """Crowns with their measuring points, and what was assumed about them.

    Parameters
    ----------
    crowns, trunks : GeoDataFrame
        As at the top of :mod:`geotrim.model`; trunks may be None.
    reference : str
        ``fringe_reference`` of the operation.
    """
    ids = crowns["crown_id"].astype(str).to_numpy(dtype=object)
    shape = np.asarray(crowns.geometry.array, dtype=object)
    point = shapely.get_coordinates(shapely.centroid(shape)).reshape(-1, 2)
    has = np.zeros(len(ids), dtype=bool)
    if trunks is not None and reference in ("auto", "trunk"):
        known = trunks.drop_duplicates("crown_id")
        known = known.set_index(known["crown_id"].astype(str))
        where = known.index.get_indexer(ids)
        has = where >= 0
        point[has] = shapely.get_coordinates(known.geometry.array[where[has]])
    names = crowns["species"].to_numpy(dtype=object).tolist()
    mangrove = [is_mangrove(name) for name in names]
    is_out = np.array([known is False for known in mangrove], dtype=bool)
    notes = []
    unknown = sum(known is None for known in mangrove)
    if unknown:
        unlisted = sorted({n for n in names if isinstance(n, str) and is_unlisted(n)})
        named = f" (not in the table of species: {', '.join(unlisted)})" if unlisted else ""
        notes.append(
            Note(
                "crowns",
                f"{unknown} of {len(ids)} have no known species{named}; they are kept as mangroves "
                "here: confirm in the field",
                "assumed",
            )
        )
    lacking = int((~has & ~is_out).sum())
    if reference in ("auto", "trunk") and lacking:
        text = "measured from the crown's centre" if reference == "auto" else "left out of depths"
        notes.append(
            Note("trunks", f"{lacking} of {int((~is_out).sum())} not surveyed: {text}", "assumed")
        )
    return Trees(ids, shape, point, has, is_out), notes


def lots_of(points: Array, parts: LotParts, lot_ids: Sequence[str]) -> npt.NDArray[np.object_]:
    """Lot of each point: the one it stands in first, else the one whose water it stands in."""
    number = first_holders(points, parts)
    out = np.full(len(points), None, dtype=object)
    has = number >= 0
    out[has] = np.asarray(lot_ids, dtype=object)[number[has]]
    return out


def lots_again(trees: Trees, fringe: Result, measured: set[str]) -> npt.NDArray[np.object_]:
    """Lot of each tree as it was found before; None where that lot is not measured now."""
    places = fringe["fringe_crowns"]
    at = places["crown_id"].astype(str).to_numpy(dtype=object)
    found = dict(zip(at, places["lot_id"].to_numpy(dtype=object), strict=True))
    lots = [found[crown_id] for crown_id in trees.crown_id]
    out = np.full(len(lots), None, dtype=object)
    out[:] = [lot_id if lot_id in measured else None for lot_id in lots]
    return out


def stand(
    trees: Trees,
    lot: npt.NDArray[np.object_],
    stretches: Sequence[Stretch],
    search_ft: float,
    feet: float,
) -> Stand:
    """Stretch, station and offset of every tree along the shore of its own lot."""
    n = len(trees.crown_id)
    of_lot = rows_by(lot)
    stretch = np.full(n, -1, dtype=np.intp)
    station, offset = np.full(n, np.nan), np.full(n, np.nan)
    best = np.full(n, np.inf)
    for k, one in enumerate(stretches):
        mine = of_lot.get(one.lot_id)
        if mine is None:
            continue
        s, off, is_square, away = one.base.stand_away(trees.point[mine])
        cost = np.where(is_square, away, away + 1e6)  # a square place beats the end of another
        take = (cost < best[mine]) & (np.abs(off) * feet <= search_ft)
        rows = mine[take]
        stretch[rows], best[rows] = k, cost[take]
        station[rows], offset[rows] = s[take] * feet + one.station0_ft, off[take] * feet
    counts = np.where(trees.is_out, -1, stretch)
    by_number = rows_by(counts)
    none = np.empty(0, dtype=np.intp)
    of_stretch = [by_number.get(k, none) for k in range(len(stretches))]
    return Stand(lot, stretch, station, offset, of_stretch)
