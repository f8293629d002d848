"""From a site's tables and the results before it to cases, as the rules see them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.model import Note, Result
from geotrim.ops.route_shore import Flags, Lots, Shore
from geotrim.ops.route_trees import Inputs, Trees
from geotrim.ops.tables import rows_by
from geotrim.rules.case import Case, Measured, deciding_facts
from geotrim.rules.side_by_side import Rows
from geotrim.units import feet_per_map_unit


def cases(given: Inputs) -> tuple[list[Case], list[Note]]:
    """One case for each measured lot, and what was taken for granted.

    Parameters
    ----------
    given : Inputs

    Notes
    -----
    Errors of lengths along the shore: each end of a run of shore lies as far off as the line's
    position error, so the length by the square root of two times that. Depth from trunk to trunk
    likewise, with the trunks' error; a crown's centre stands in for a trunk that was not surveyed
    with half the crown's radius as its error.
    """
    known = Known(given)
    return [known.case(k) for k in range(len(known.lots.ids))], known.notes


def cases_side_by_side(
    given: Inputs, wanted: frozenset[str]
) -> tuple[Known, list[tuple[npt.NDArray[np.intp], Case]]]:
    """As few cases as there can be, each of lots of which the same is known.

    Parameters
    ----------
    given : Inputs
    wanted : frozenset of str
        Values of a case that will be looked at; costly ones that are not among them are left out.

    Returns
    -------
    known : Known
    cases : list of (numbers of the measured lots, rising, case)
    """
    known = Known(given, wanted)
    return known, [(lots, known.side_by_side(lots)) for lots in known.alike()]


@dataclass(frozen=True, slots=True, eq=False)
class _Column:
    """A value of every lot, (m,), or of every tree that is of a lot, (k,).

    has : (m,) lots of which it is a value.
    """

    name: str
    seen: Measured
    is_of_trees: bool
    has: Flags


class Known:
    """Everything that is known of the measured lots, in arrays.

    Parameters
    ----------
    given : Inputs
    wanted : frozenset of str, optional
        As for :func:`cases_side_by_side`; everything if not given.
    """

    def __init__(self, given: Inputs, wanted: frozenset[str] | None = None) -> None:
        feet = feet_per_map_unit(given.lots.crs, "lots")
        self.given = given
        self.trees = None if given.fringe is None else Trees(given, given.fringe, feet)
        self.notes: list[Note] = [] if self.trees is None else self.trees.notes
        self.lots = _lots(given, self.trees)
        shore = Shore(
            given, self.lots, self.trees, feet, lambda name: wanted is None or name in wanted
        )
        self.facts = [given.facts.of(lot_id) for lot_id in self.lots.ids]
        self.columns = list(_columns(self.lots, shore, self.trees))
        #: Rows of ``lots.trees`` of each lot
        none = np.empty(0, dtype=np.intp)
        self.places = [none for _ in self.lots.ids]
        for k, first, n in zip(
            self.lots.planted, self.lots.rows.starts, self.lots.rows.sizes, strict=True
        ):
            self.places[k] = np.arange(first, first + n)

    def case(self, k: int) -> Case:
        """The case of one lot."""
        places = self.places[k]
        values = {
            one.name: _at(one.seen, places if one.is_of_trees else k)
            for one in self.columns
            if one.has[k]
        }
        return self._case(self.lots.ids[k], places, values, self.facts[k], None)

    def side_by_side(self, lots: npt.NDArray[np.intp]) -> Case:
        """One case of several lots that are alike."""
        first = int(lots[0])
        if not self.places[first].size:
            rows, places, each = Rows.of_sizes(np.ones(lots.size)), self.places[first], lots
        else:
            rows = Rows.of_sizes([self.places[k].size for k in lots])
            places = np.concatenate([self.places[k] for k in lots])
            each = rows.spread(lots)
        values = {
            one.name: _at(one.seen, places if one.is_of_trees else each)
            for one in self.columns
            if one.has[first]
        }
        return self._case("", places, values, self.facts[first], rows)

    def _case(
        self,
        lot_id: str,
        places: npt.NDArray[np.intp],
        values: Mapping[str, Measured],
        facts: Mapping[str, Any],
        rows: Rows | None,
    ) -> Case:
        trees, years = self.trees, self.given.stage_years
        if trees is None or not places.size:
            return Case(lot_id, (), values, facts, years, side_by_side=rows)
        which = self.lots.trees[places]
        ids, above = tuple(trees.ids[which]), trees.leaves_above(which)
        return Case(lot_id, ids, values, facts, years, above, rows)

    def alike(self) -> list[npt.NDArray[np.intp]]:
        """Lots of which the same values are known and the same facts are told, set by set."""
        has = np.array([one.has for one in self.columns]).T
        deciding = deciding_facts()
        sets: dict[Any, list[int]] = {}
        for k, facts in enumerate(self.facts):
            told = tuple(sorted((key, facts[key]) for key in deciding & facts.keys()))
            mark = (bool(self.places[k].size), has[k].tobytes(), told)
            sets.setdefault(mark, []).append(k)
        return [np.array(lots, dtype=np.intp) for lots in sets.values()]


def _lots(given: Inputs, trees: Trees | None) -> Lots:
    """The measured lots with their trees."""
    measured = given.lots[given.lots["is_measured"].to_numpy(dtype=bool)]
    ids = measured["lot_id"].astype(str).tolist()
    rows = {} if trees is None else rows_by(trees.lot)
    planted = [k for k, lot_id in enumerate(ids) if lot_id in rows]
    mine = [rows[ids[k]] for k in planted]
    return Lots(
        ids=ids,
        shapes=np.asarray(measured.geometry.array, dtype=object),
        trees=np.concatenate([np.empty(0, dtype=np.intp), *mine]),
        rows=Rows.of_sizes([some.size for some in mine]),
        planted=np.array(planted, dtype=np.intp),
    )


def _columns(lots: Lots, shore: Shore, trees: Trees | None) -> Iterator[_Column]:
    """What is known of lots and trees, and of which lots; of a lot without trees, of no tree."""
    for name, seen in shore.lengths().items():
        yield _Column(name, seen, False, shore.has_shore)
    if trees is None or not lots.planted.size:
        return
    m = len(lots.ids)
    has_trees = lots.of_lots(np.ones(lots.planted.size, dtype=bool), missing=False)
    for name, seen in trees.values().items():
        yield _Column(name, _at(seen, lots.trees), True, has_trees)
    corrected = Measured.of(np.full(m, float(trees.is_corrected)), 0.0)
    yield _Column("is_raster_corrected", corrected, False, has_trees)
    for name, seen in shore.depths(trees).items():
        is_of_trees = name not in ("depth_greatest_ft", "depth_local_greatest_ft")
        yield _Column(name, seen, is_of_trees, has_trees)
    if shore.given.riparian_lines is not None:
        margins, is_round = shore.places(trees)
        has_sides = has_trees & shore.has_shore
        for name, seen in margins.items():
            yield _Column(name, seen, True, has_sides & ~is_round)
            nowhere = Measured.of(np.full(m, np.inf), 0.0)
            yield _Column(name, nowhere, False, has_sides & is_round)
    for name, seen in shore.fringe_lengths(trees).items():
        yield _Column(name, seen, False, has_trees)
    shares, is_known = shore.shares(trees)
    for name, seen in shares.items():
        yield _Column(name, seen, False, has_trees & is_known)


def _at(seen: Measured, rows: Any) -> Measured:
    """Some rows of a value; one without rows is the same for all."""
    value, error = (one if one.ndim == 0 else one[rows] for one in (seen.value, seen.error))
    most, least = (None if one is None else _at(one, rows) for one in (seen.most, seen.least))
    return Measured(np.asarray(value), np.asarray(error), most, least)


def lots_without_shore(frontage: Result) -> Iterator[tuple[str, str]]:
    """Ids of lots that have no frontage, with the reason."""
    table = frontage["lots"]
    columns = (table[name].tolist() for name in ("lot_id", "n_stretches", "reason"))
    for lot_id, n_stretches, reason in zip(*columns, strict=True):
        if n_stretches == 0:
            yield str(lot_id), str(reason)
