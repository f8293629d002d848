"""Cuts of a plan as marks of the stick: one rounding for the crew list and for every paper.

A mark is a whole inch. A top and the lower side of a band go up to the next one, the upper side of
a band down to the last, and what one year leaves by that, no later year takes besides.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from geotrim.report import facts
from geotrim.report.cut_heights import INCHES, decimal_down, decimal_up, inches_down, inches_up
from geotrim.report.window_facts import Cut, plan_of, rows_of

#: A share above another by less than this is error of arithmetic.
NOTHING = 1e-6
#: Foliage that stands this far over the cut is outside the zone. [ft]
OUTSIDE_FT = 0.05
#: Share of a year that lowering a top to a height takes, by the height of the year before. [ft]
Taken = Callable[[float, float], float]


@dataclass(frozen=True, slots=True)
class Mark:
    """What one year takes off one tree, as it is told.

    year : of the plan; 0 where the cut is not spread over years.
    low_in : the height a top is lowered to, or the lower side of a band. [in]
    high_in : the upper side of a band; None of a top. [in]
    is_nothing : whether the rounding leaves nothing to cut.
    """

    year: int
    low_in: int
    high_in: int | None
    date: str = ""
    is_nothing: bool = False

    @property
    def words(self) -> str:
        """The cut in decimal feet, as the crew list has them beside its inches.

        Examples
        --------
        >>> Mark(1, 150, None).words, Mark(1, 73, 119).words
        ('top to 12.50 ft', '6.09 to 9.91 ft')
        """
        if self.high_in is None:
            return f"top to {decimal_up(self.low_in)} ft"
        if self.is_nothing:
            return f"less than an inch at {decimal_up(self.low_in)} ft"
        return f"{decimal_up(self.low_in)} to {decimal_down(self.high_in)} ft"


def marks_of(
    results: facts.Results, lot_id: str, cuts: Mapping[str, Sequence[Cut]] | None = None
) -> dict[str, tuple[Mark, ...]]:
    """Every cut of a lot's plan as marks, by tree; in the order of its cuts.

    Parameters
    ----------
    results : mapping
        Of a run, or of a package that was read back.
    lot_id : str
    cuts : mapping, optional
        Crown id -> its cuts; by default those of the plan that is drawn.
    """
    if cuts is None:
        plan = plan_of(results, lot_id)
        cuts = {} if plan is None else plan.cuts
    staged, limits, curves = _tables(results, lot_id) if _is_staged(cuts) else ({}, {}, {})
    is_original = facts.parameter(results, "stages", "foliage_reading", "") == "original"
    out = {}
    for crown, mine in cuts.items():
        limit = limits.get(crown, math.nan)
        taken = None
        if len(mine) > 1:
            taken = taken_of(curves.get(crown, []), staged.get(crown, []), limit, is_original)
        out[crown] = marks(mine, taken, limit)
    return out


def marks(
    cuts: Sequence[Cut], taken: Taken | None = None, limit_frac: float = math.nan
) -> tuple[Mark, ...]:
    """Cuts of one tree as marks; see :func:`top_marks` for the parameters.

    Examples
    --------
    >>> [one.words for one in marks([Cut("7", 1, 6.0, 7.84), Cut("7", 2, 7.84, 9.1)])]
    ['6.00 to 7.83 ft', '7.92 to 9.08 ft']
    >>> [one.words for one in marks([Cut("7", 1, 12.44, math.inf), Cut("7", 2, 10.0, 12.44)])]
    ['top to 12.50 ft', 'top to 10.09 ft']
    """
    if not any(math.isinf(cut.high_ft) for cut in cuts):
        bands = [(inches_up(cut.low_ft), inches_down(cut.high_ft)) for cut in cuts]
        return tuple(
            Mark(cut.year, low, high, cut.date, high <= low)
            for cut, (low, high) in zip(cuts, bands, strict=True)
        )
    lows = top_marks(cuts, taken, limit_frac)
    out: list[Mark] = []
    for cut in cuts:
        low = lows[max(cut.year, 1)]
        is_nothing = bool(out) and low >= min(one.low_in for one in out)
        out.append(Mark(cut.year, low, None, cut.date, is_nothing))
    return tuple(out)


def top_marks(
    cuts: Sequence[Cut], taken: Taken | None = None, limit_frac: float = math.nan
) -> dict[int, int]:
    """Year -> mark to which a top is lowered. [in].

    Parameters
    ----------
    cuts : sequence of geotrim.report.window_facts.Cut
        Of one tree's top, in any order.
    taken : callable, optional
        (height, height of the year before) -> share of a year that lowering to it takes.
    limit_frac : float
        Most of a year; NaN where none binds.

    Notes
    -----
    A mark goes up to the next inch, so a year leaves the top up to an inch above the plan, and the
    next year would take that inch besides. So a later mark is raised as far as the share of its
    year asks for; where foliage over height is not known, by as much as the mark before it was:
    that takes no more from columns of foliage, of which fewer reach a greater height.
    """
    out: dict[int, int] = {}
    before, raised = math.inf, 0.0
    for cut in sorted(cuts, key=lambda cut: cut.year):
        if taken is None or not math.isfinite(limit_frac):
            mark = inches_up(cut.low_ft + raised)
        else:
            mark = inches_up(cut.low_ft)
            while (
                math.isfinite(before)
                and mark < before * INCHES
                and taken(mark / INCHES, before) > limit_frac + NOTHING
            ):
                mark += 1
        out[max(cut.year, 1)] = mark
        before, raised = mark / INCHES, mark / INCHES - cut.low_ft
    return out


def taken_of(
    curve: Sequence[Mapping[str, Any]],
    staged: Sequence[Mapping[str, Any]],
    limit_frac: float,
    is_of_original: bool,
) -> Taken | None:
    """Share of a year that lowering a top takes, from the tree's foliage over height.

    Parameters
    ----------
    curve, staged : sequence of mapping
        The tree's rows of ``foliage_curves`` and of ``stage_cuts``.
    limit_frac : float
    is_of_original : bool
        Whether a share is of what stood at first.

    Returns
    -------
    callable or None
        None where the package does not hold it. Of a tree that is cut only in part the share is
        that of the part, as the stages found it.
    """
    if not curve or not staged or not math.isfinite(limit_frac):
        return None
    curve = sorted(curve, key=lambda one: float(one["height_ft"]))
    at = np.array([float(one["height_ft"]) for one in curve])
    above = np.array([float(one["above_frac"]) for one in curve])

    def whole(low_ft: float, high_ft: float) -> float:
        low, high = np.interp([low_ft, min(high_ft, at[-1])], at, above)
        return float((low - high) / (1.0 if is_of_original else max(1.0 - high, NOTHING)))

    first = min(staged, key=lambda one: int(one["year"]))
    name = "removed_of_original_frac" if is_of_original else "removed_of_standing_frac"
    planned, full = float(first.get(name, math.nan)), whole(float(first["from_ft"]), math.inf)
    part = min(planned / full, 1.0) if full > 0 and math.isfinite(planned) else 1.0
    return lambda low_ft, high_ft: part * whole(low_ft, high_ft)


def _is_staged(cuts: Mapping[str, Sequence[Cut]]) -> bool:
    return any(len(mine) > 1 for mine in cuts.values())


def _tables(results: facts.Results, lot_id: str) -> tuple[Any, Any, Any]:
    """Rows of the stages and of the foliage by tree, and the share that binds each."""
    staged = by_tree(rows_of(results, "stages", "stage_cuts", lot_id))
    trees = rows_of(results, "stages", "stage_trees", lot_id)
    limits = {str(one["crown_id"]): float(one.get("share_limit_frac", math.nan)) for one in trees}
    return staged, limits, by_tree(rows_of(results, "sections", "foliage_curves", lot_id))


def by_tree(rows: Sequence[dict[str, Any]]) -> dict[str, list[dict[str, Any]]]:
    """Rows of a table by the tree they are of."""
    out: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        out.setdefault(str(row["crown_id"]), []).append(row)
    return out


@dataclass(frozen=True, slots=True)
class After:
    """How a tree that is cut stands when the plan is done.

    ft : NaN where the plan does not know it. [ft]
    is_mark : whether it is the lowest mark; else its highest foliage is none of the cut's.
    """

    ft: float
    is_mark: bool

    @property
    def words(self) -> str:
        """Decimal feet: of a mark those the crew is told, else to the nearest tenth.

        Examples
        --------
        >>> After(188 / 12, True).words, After(8.64, False).words
        ('15.67', '8.6')
        """
        return decimal_up(round(self.ft * INCHES)) if self.is_mark else f"{self.ft:.1f}"


def heights_after(results: facts.Results, lot_id: str) -> dict[str, After]:
    """How each tree stands that the plan cuts, when all its cuts are made."""
    plan = plan_of(results, lot_id)
    if plan is None:
        return {}
    rows = rows_of(results, "stages", "stage_cuts", lot_id)
    staged = by_tree(sorted(rows, key=lambda row: int(row["year"])))
    whole = by_tree(rows_of(results, "window", "window_trees", lot_id))
    out = {}
    for crown, mine in marks_of(results, lot_id).items():
        cuts = plan.cuts[crown]
        last = (staged if any(cut.year for cut in cuts) else whole).get(crown, [{}])[-1]
        after = float(last.get("height_after_ft", math.nan))
        is_top = any(one.high_in is None for one in mine)
        mark = min(one.low_in for one in mine) / INCHES
        if is_top and not after > max(min(cut.low_ft for cut in cuts) + OUTSIDE_FT, mark):
            out[crown] = After(mark, True)
        else:
            out[crown] = After(after, False)
    return out
