"""Lots held to one another and to the shore: which are fit to measure, and what is told of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import shapely

from geotrim.io.repair import counted, listed
from geotrim.io.site_layers import Loading
from geotrim.io.site_load import check_distance
from geotrim.io.site_parts import NEIGHBOUR_REACH_FT
from geotrim.model import Note
from geotrim.screen.lot_faults import (
    FAR_AWAY,
    LARGEST_FT2,
    LARGEST_SQUARE_MILES,
    REPEATED,
    SAME_SIDES_FT,
    TOO_FAR_FT,
    TOO_LARGE,
    far_away,
    repeated,
    usual_bounds,
    why_far,
)
from geotrim.screen.lot_overlaps import overlap_words, overlaps
from geotrim.screen.reading_lots import RawLots
from geotrim.units import feet_per_map_unit

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(slots=True)
class AllLots:
    """Lots and neighbours in one row of numbers, in file order.

    fit : rows that are measured or take their share of the shore.
    faults : row -> (fault, words); notes : row -> words.
    """

    layers: Sequence[RawLots]
    ids: list[str | None]
    is_reported: npt.NDArray[np.bool_]
    bounds: Floats
    areas: Floats
    faults: dict[int, tuple[str, str]]
    notes: dict[int, str]
    fit: Ints

    @property
    def centres(self) -> Floats:
        found: Floats = (self.bounds[:, :2] + self.bounds[:, 2:]) / 2
        return found

    @property
    def points(self) -> Floats:
        """Centres of the rows that are fit, in their order."""
        return self.centres[self.fit]

    @property
    def fit_reported(self) -> Ints:
        found: Ints = self.fit[self.is_reported[self.fit]]
        return found

    @property
    def unfit(self) -> list[int]:
        """Rows with a fault that would be reported, in file order."""
        return sorted(row for row in self.faults if self.is_reported[row])

    def take(self, rows: Ints) -> pa.Table:
        """Rows as they were set down, in the order asked for."""
        parts, places, first = [], [], 0
        for raw in self.layers:
            here = np.flatnonzero((rows >= first) & (rows < first + raw.n_rows))
            if len(here):
                parts.append(raw.spill.take(rows[here] - first))
                places.append(here)
            first += raw.n_rows
        if len(parts) == 1:
            return parts[0]
        back = np.empty(len(rows), dtype=np.int64)
        back[np.concatenate(places)] = np.arange(len(rows))
        return pa.concat_tables(parts).combine_chunks().take(pa.array(back))

    def shapes(self, rows: Ints) -> Any:
        return shapely.from_wkb(self.take(rows)["wkb"].to_numpy())


def judged(run: Loading, layers: Sequence[RawLots], shore: Any) -> AllLots:
    """Tell fit lots from unfit ones.

    Parameters
    ----------
    layers : sequence of RawLots
        Lots, and neighbours where there are any, in the site's CRS.
    shore : (n,) array of lines

    Raises
    ------
    CRSError
        If all of them lie away from the shore.
    """
    faults: dict[int, tuple[str, str]] = {}
    first = 0
    for raw in layers:
        faults.update({first + row: fault for row, fault in raw.faults.items()})
        first += raw.n_rows
    lots = AllLots(
        layers,
        [lot for raw in layers for lot in raw.ids],
        np.concatenate([raw.is_reported for raw in layers]),
        np.concatenate([raw.bounds for raw in layers]),
        np.concatenate([raw.areas for raw in layers]),
        faults,
        {},
        np.empty(0, np.int64),
    )
    feet = feet_per_map_unit(run.crs, "lots")
    _find_large(lots, feet)
    _find_far(run, lots, shore, feet)
    twins = _find_repeated(lots, feet)
    lots.fit = np.array([row for row in range(first) if row not in lots.faults], dtype=np.int64)
    _leave_far_neighbours(run, lots, feet, twins)
    _tell_ids(lots)
    _tell_overlaps(lots, feet)
    return lots


def _sound(lots: AllLots) -> Ints:
    """Rows without a fault so far."""
    keep = np.ones(len(lots.ids), dtype=bool)
    keep[list(lots.faults)] = False
    return np.flatnonzero(keep)


def _find_large(lots: AllLots, feet: float) -> None:
    rows = _sound(lots)
    for row in rows[lots.areas[rows] * feet**2 > LARGEST_FT2]:
        miles = lots.areas[row] * feet**2 / 5280**2
        words = f"it covers {miles:,.0f} square miles, more than {LARGEST_SQUARE_MILES:g}: no lot"
        lots.faults[int(row)] = (TOO_LARGE, words)


def _find_far(run: Loading, lots: AllLots, shore: Any, feet: float) -> None:
    rows = _sound(lots)
    reach = TOO_FAR_FT / feet
    along = shapely.get_coordinates(shapely.segmentize(shore, reach))
    far = rows[far_away(lots.centres[rows], along, reach)]
    if len(far) == len(rows):  # all of them: the reference systems do not fit
        check_distance(run, shore, shapely.box(*usual_bounds(lots.centres[rows])), "mhw_line")
        return
    given = np.concatenate([raw.given for raw in lots.layers])
    usual = usual_bounds(given[np.setdiff1d(rows, far)])
    units = [unit for raw in lots.layers for unit in [raw.crs.axis_info[0].unit_name] * raw.n_rows]
    tree = shapely.STRtree(shore)
    points = shapely.points(lots.centres[far])
    gaps = shapely.distance(points, shore[tree.nearest(points)]) if len(far) else ()
    for row, gap in zip(far, gaps, strict=True):
        miles = float(gap) * feet / 5280
        words = why_far(lots.centres[row], given[row], usual, units[row], miles)
        lots.faults[int(row)] = (FAR_AWAY, words)


def _find_repeated(lots: AllLots, feet: float) -> int:
    """Twins become unfit; how many neighbours were lots already."""
    rows = _sound(lots)
    rows = rows[np.argsort(~lots.is_reported[rows], kind="stable")]  # a lot goes before a neighbour
    twins = repeated(
        lots.bounds[rows],
        lots.areas[rows],
        lambda some: lots.shapes(rows[some]),
        SAME_SIDES_FT / feet,
    )
    n_neighbours = 0
    for twin, one in twins.items():
        row, other = int(rows[twin]), int(rows[one])
        where = f"{lots.ids[other]!r} (row {other + 1})"
        words = f"it covers the same ground as lot {where}, with which it would share out the shore"
        lots.faults[row] = (REPEATED, words)
        n_neighbours += not lots.is_reported[row]
    return n_neighbours


def _leave_far_neighbours(run: Loading, lots: AllLots, feet: float, n_twins: int) -> None:
    others = lots.fit[~lots.is_reported[lots.fit]]
    n_bad = sum(not lots.is_reported[row] for row in lots.faults) - n_twins
    if n_twins:
        text = f"{counted(n_twins, 'neighbour')} left out, already a lot"
        run.notes.append(Note("neighbours", text, "repaired"))
    if n_bad:
        rows = [row for row in sorted(lots.faults) if not lots.is_reported[row]]
        why = listed(dict.fromkeys(lots.faults[row][0] for row in rows))
        text = f"{counted(n_bad, 'neighbour')} that cannot be measured left out ({why})"
        run.notes.append(Note("neighbours", text, "repaired"))
    if not len(others):
        return
    n_reported = int(lots.is_reported.sum())
    text = f"{n_reported} of {len(lots.ids)} lots are reported, the others are neighbours"
    run.notes.append(Note("lots", text, "info"))
    reported = shapely.box(*lots.bounds[lots.fit_reported].T)
    boxes = shapely.box(*lots.bounds[others].T)
    near, _ = shapely.STRtree(reported).query(
        boxes, predicate="dwithin", distance=NEIGHBOUR_REACH_FT / feet
    )
    lost = np.setdiff1d(others, others[np.unique(near)])
    lots.fit = np.setdiff1d(lots.fit, lost)
    if len(lost):
        text = f"{len(lost)} farther than {NEIGHBOUR_REACH_FT:g} ft from every lot left out"
        run.notes.append(Note("neighbours", text, "info"))


def _tell_overlaps(lots: AllLots, feet: float) -> None:
    """Lots that lie over others are measured, and each is told of the others."""
    rows = lots.fit
    over: dict[int, list[tuple[str, float, float]]] = {}
    areas = lots.areas[rows]
    for a, b, shared in overlaps(lots.bounds[rows], areas, lambda some: lots.shapes(rows[some])):
        for one, other in ((a, b), (b, a)):
            told = (repr(lots.ids[rows[other]]), areas[other] * feet**2, shared * feet**2)
            over.setdefault(one, []).append(told)
    for one, others in over.items():
        row = int(rows[one])
        if lots.is_reported[row]:
            words = [lots.notes.get(row), overlap_words(areas[one] * feet**2, others)]
            lots.notes[row] = "; ".join(text for text in words if text)


def _tell_ids(lots: AllLots) -> None:
    """An id of several lots: all of them are measured, and each is told of the others."""
    by_id: dict[str | None, list[int]] = {}
    for row in lots.fit_reported:
        by_id.setdefault(lots.ids[row], []).append(int(row))
    for rows in by_id.values():
        for row in rows if len(rows) > 1 else ():
            others = listed([f"{other + 1}" for other in rows if other != row])
            lots.notes[row] = f"its id is also that of the lot of row {others}"
