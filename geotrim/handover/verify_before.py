"""What a ledger, or rows of earlier years with the readings, tell from before a year's cut."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np

from geotrim.core.cut_found import Strip
from geotrim.io.ledger import Kept
from geotrim.io.ledger_entry import Entry, TreeEntry
from geotrim.ops.after_before import UNREAD, Before, LastCut, Stood
from geotrim.report.history_lines import day_of
from geotrim.report.history_warnings import made_cuts

NAN = float("nan")
#: Kinds that tell what became of a tree; of one day the cut goes before what was read after it.
TELL = ("cut", "reading", "verification")


@dataclass(frozen=True, slots=True, eq=False)
class Stage:
    """The year's cut that is looked at.

    cuts : crown id -> its planned cuts, by :func:`geotrim.ops.after_trees.cuts_of`.
    days : crown id -> day of this year's cut, as far as it is told, ISO text.
    day : of trees that tell none, "" where that is not known either.
    """

    lot_id: str
    plan_sha256: str
    year: int
    cuts: Mapping[str, Sequence[Mapping[str, Any]]] = field(default_factory=dict)
    days: Mapping[str, str] = field(default_factory=dict)
    day: str = ""

    def has(self, plan_sha256: str, year: int) -> bool:
        """Whether something is of this stage."""
        return year == self.year and plan_sha256 in ("", self.plan_sha256)


def before_of(kept: Iterable[Kept], read: Any, stage: Stage) -> Before:
    """What is known of a lot's trees from before a cut.

    Parameters
    ----------
    kept : iterable of Kept
        Entries of the ledger that are in force.
    read : DataFrame or None
        Rows of earlier years, by :func:`geotrim.io.cut_readings.of_earlier_years`: of trees whose
        height before is not in the ledger.
    stage : Stage

    Notes
    -----
    The last height that was read counts. A cut that somebody entered without a height read after it
    makes the height unknown: how it was made is for readings to tell. Entries of another plan count
    where this plan's own entry tells that they are later than it.
    """
    mine = [one for one in kept if one.entry.lot_id == stage.lot_id]
    stood: dict[str, Stood] = {}
    heard: dict[str, set[int]] = {}
    for entry, tree in _told(mine, stage):
        known = stood.get(tree.crown_id, Stood(NAN, NAN, ()))
        stood[tree.crown_id] = _next(known, entry, tree, stage)
        if tree.is_done is False or (_is_band(tree) and entry.kind != "cut"):
            heard.setdefault(tree.crown_id, set()).add(tree.year)
    stood = {
        crown: _with_bands(one, stage, crown, heard.get(crown, set()))
        for crown, one in stood.items()
        if not _is_nothing(one)
    }
    cuts = {
        crown: [
            LastCut(one.day.isoformat(), f"entry {one.number}")
            for one in own
            if not stage.has(one.plan_sha256, one.year)
        ]
        for crown, own in made_cuts(mine).items()
    }
    for row in [] if read is None else read.to_dict("records"):
        _add_row(row, stage, stood, cuts)
    return Before(stood, {crown: own for crown, own in cuts.items() if own})


def _told(kept: Sequence[Kept], stage: Stage) -> Iterator[tuple[Entry, TreeEntry]]:
    """What was told of trees before this stage's cut, in the order in which it came to be."""
    plans = [one.entry for one in kept if one.entry.kind == "plan"]
    own = [plan.day for plan in plans if plan.plan_sha256 == stage.plan_sha256]
    found: list[tuple[date, int, int, Entry, TreeEntry]] = []
    for one in kept:
        entry = one.entry
        if entry.kind not in TELL:
            continue
        is_own = entry.plan_sha256 in ("", stage.plan_sha256)
        if not is_own and not (own and entry.day > max(own)):
            continue
        for tree in entry.trees:
            day = day_of(entry, tree)
            until = stage.days.get(tree.crown_id, stage.day)
            is_later = is_own and tree.year >= stage.year
            if not is_later and not (until and day.isoformat() >= until):
                found.append((day, int(entry.kind != "cut"), one.number, entry, tree))
    for *_, entry, tree in sorted(found, key=lambda one: one[:3]):
        yield entry, tree


def _next(known: Stood, entry: Entry, tree: TreeEntry, stage: Stage) -> Stood:
    """What is known of a tree once one more entry is looked at."""
    bands = known.bands or ()
    if _is_band(tree) and entry.kind != "cut":
        bands = (*bands, (tree.cut_low_ft, tree.cut_high_ft))
    if math.isfinite(tree.height_ft) and entry.kind != "cut":
        return Stood(tree.height_ft, tree.height_error_ft, bands)
    is_uncut = tree.is_done is False or (entry.kind == "reading" and tree.is_done is None)
    if is_uncut or _is_band(tree) or not _may_lower(tree, stage):
        return Stood(known.height_ft, known.error_ft, bands)
    return Stood(NAN, NAN, bands, by=UNREAD)


def _may_lower(tree: TreeEntry, stage: Stage) -> bool:
    """Whether a cut that was told, and not read, may have lowered the top."""
    planned = [cut for cut in stage.cuts.get(tree.crown_id, ()) if cut["year"] == tree.year]
    is_band = bool(planned) and all(np.isfinite(cut["to_ft"]) for cut in planned)
    return not is_band or math.isinf(tree.cut_high_ft)


def _is_nothing(one: Stood) -> bool:
    """Whether nothing came of what was told: no height, no band and no cut."""
    return math.isnan(one.height_ft) and not one.bands and one.by != UNREAD


def _is_band(tree: TreeEntry) -> bool:
    return math.isfinite(tree.cut_low_ft) and math.isfinite(tree.cut_high_ft)


def _with_bands(one: Stood, stage: Stage, crown: str, heard: set[int]) -> Stood:
    """Bands that earlier years planned, and of which nobody told, make them unknown."""
    planned = {
        int(cut["year"])
        for cut in stage.cuts.get(crown, ())
        if cut["year"] < stage.year and np.isfinite(cut["to_ft"])
    }
    bands: tuple[Strip, ...] | None = one.bands if planned <= heard else None
    return Stood(one.height_ft, one.error_ft, bands, one.by)


def _add_row(
    row: Mapping[str, Any],
    stage: Stage,
    stood: dict[str, Stood],
    cuts: dict[str, list[LastCut]],
) -> None:
    """A reading of an earlier year, from the table of readings."""
    crown, day, is_done = str(row["crown_id"]), row["date"], row["is_done"]
    until = stage.days.get(crown, stage.day)
    if isinstance(day, str):
        if until and day >= until and row["year"] >= stage.year:
            return
        known = {one.day for one in cuts.get(crown, [])}
        if is_done is True and day not in known:
            cuts.setdefault(crown, []).append(LastCut(day, "the readings"))
    if crown in stood and math.isfinite(stood[crown].height_ft):
        return
    low, high = float(row["cleared_from_ft"]), float(row["cleared_to_ft"])
    band = ((low, high),) if math.isfinite(high) else ()
    heard = {int(row["year"])} if band or is_done is False else set()
    one = Stood(float(row["height_ft"]), float(row["height_error_ft"]), band)
    known_bands = _with_bands(one, stage, crown, heard).bands
    stood[crown] = Stood(one.height_ft, one.error_ft, known_bands, "readings")
