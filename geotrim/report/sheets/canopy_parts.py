"""Crowns seen from the side, what is taken off them step by step, and what still stands.

Everything is in a plane of distance along x and height above the substrate upward, in feet. Crowns
one behind the other are one silhouette: a view opens only where nothing stands any more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import shapely

from geotrim.report.sheets.drawing import Array
from geotrim.report.statement_figures import day
from geotrim.report.window_facts import Cut, Plan

#: Most steps that are drawn one by one; more years than this are drawn in groups.
MOST_STEPS = 4


@dataclass(frozen=True, slots=True, eq=False)
class SideCrown:
    """One crown from the side.

    crown_id : str
    whole : polygon or polygons as it stands. [ft]
    x_ft : where its stem stands, NaN where that is not known. [ft]
    cuts : what is taken off it, in the order it is taken.
    sign : behind its number: "x" for no mangrove, "?" for an unknown species, else "".
    kept : area that no cut touches, since a part of the crown there stands outside the zone; None
        for nothing. [ft]
    """

    crown_id: str
    whole: Any
    x_ft: float
    cuts: tuple[Cut, ...] = ()
    sign: str = ""
    kept: Any = None


@dataclass(frozen=True, slots=True)
class Step:
    """Years of a plan that are drawn as one.

    years : rising; (0,) for what is not staged.
    dates : earliest days of its cuts, ISO text, rising, each once.
    """

    years: tuple[int, ...]
    dates: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """What is done in it.

        Examples
        --------
        >>> Step((0,)).name, Step((2,)).name, Step((2, 3)).name, Step((2, 3, 4)).name
        ('the cut', 'year 2', 'years 2 and 3', 'years 2 to 4')
        """
        if self.years == (0,):
            return "the cut"
        if len(self.years) == 1:
            return f"year {self.years[0]}"
        joint = "and" if self.years[-1] == self.years[0] + 1 else "to"
        return f"years {self.years[0]} {joint} {self.years[-1]}"

    @property
    def when(self) -> str:
        """The earliest day, in words.

        Examples
        --------
        >>> Step((1,), ("2027-01-11",)).when, Step((1,)).when
        ('not before January 11, 2027', 'no date set')
        >>> Step((2, 3), ("2028-01-11", "2029-01-11")).when
        'not before January 11, 2028, to January 11, 2029'
        """
        if not self.dates:
            return "no date set"
        last = f", to {day(self.dates[-1])}" if len(self.dates) > 1 else ""
        return f"not before {day(self.dates[0])}{last}"


def steps_of(plan: Plan | None, most: int = MOST_STEPS) -> list[Step]:
    """Steps a plan is drawn in: a year each, or as even groups of years where there are many.

    What is not staged comes last. No year is left out.
    """
    if plan is None:
        return []
    years = [year for year in plan.years if year]
    size = math.ceil(len(years) / most) if years else 1
    # the first year stands alone where that costs no further step
    head = 1 if size > 1 and 1 + math.ceil((len(years) - 1) / size) <= most else size
    groups = [years[:head], *(years[k : k + size] for k in range(head, len(years), size))]
    groups += [[0]] if 0 in plan.years else []
    return [Step(tuple(group), _dates(plan, group)) for group in groups if group]


def _dates(plan: Plan, years: Sequence[int]) -> tuple[str, ...]:
    cuts = (cut for mine in plan.cuts.values() for cut in mine)
    return tuple(sorted({cut.date for cut in cuts if cut.year in years and cut.date}))


def standing(crown: SideCrown, steps: Sequence[Step]) -> list[Any]:
    """What stands of one crown: now, and after each step. One shape more than steps. [ft]."""
    out = [crown.whole]
    for step in steps:
        now = out[-1]
        for cut in crown.cuts:
            if cut.year in step.years and not shapely.is_empty(now):
                x0, y0, x1, y1 = shapely.bounds(now)
                strip = shapely.box(x0 - 1.0, cut.low_ft, x1 + 1.0, min(cut.high_ft, y1 + 1.0))
                if crown.kept is not None:
                    strip = shapely.difference(strip, crown.kept)
                if y0 < cut.high_ft and y1 > cut.low_ft:
                    now = areas(shapely.difference(now, strip))
        out.append(now)
    return out


def reached(crown: SideCrown, steps: Sequence[Step]) -> list[Any]:
    """What each step takes off one crown in the zone, whatever else stands there. [ft]."""
    bare = standing(replace(crown, kept=None), steps)
    return [
        shapely.Polygon() if after is before else taken(before, after)
        for before, after in pairwise(bare)
    ]


def silhouettes(crowns: Sequence[SideCrown], steps: Sequence[Step]) -> list[Any]:
    """What stands of all crowns together: now, and after each step. [ft]."""
    each = [standing(crown, steps) for crown in crowns]
    return [areas(shapely.union_all([one[k] for one in each])) for k in range(len(steps) + 1)]


def taken(before: Any, after: Any) -> Any:
    """What of a silhouette is gone after a step. [ft]."""
    return areas(shapely.difference(before, after))


def areas(shape: Any) -> Any:
    """The areas of a shape, without the lines where two touch."""
    parts = [part for part in shapely.get_parts(shape) if shapely.get_dimensions(part) == 2]
    if any(part.geom_type != "Polygon" for part in parts):  # a collection in a collection
        parts = [one for part in parts for one in shapely.get_parts(part)]
    return shapely.union_all(parts) if len(parts) > 1 else (parts or [shapely.Polygon()])[0]


def polygons(shape: Any) -> list[Any]:
    """Polygons of a shape that are more than a sliver."""
    found = shapely.get_parts(shape)
    return [p for p in found if p.geom_type == "Polygon" and p.area > 1e-6]


def solid(x_ft: Any, base_ft: Any, top_ft: Any) -> Any:
    """Area between a lower and an upper line over the same places. [ft].

    Examples
    --------
    >>> solid([0.0, 4.0], [2.0, 2.0], [7.0, 7.0]).area
    20.0
    """
    x, low, high = (np.asarray(part, dtype=float) for part in (x_ft, base_ft, top_ft))
    use = np.isfinite(x) & np.isfinite(low) & np.isfinite(high)
    x, low, high = x[use], low[use], np.maximum(high[use], low[use])
    if x.size < 2 or np.ptp(x) == 0:
        return shapely.Polygon()
    ring: Array = np.column_stack([np.r_[x, x[::-1]], np.r_[high, low[::-1]]])
    return areas(shapely.make_valid(shapely.Polygon(ring)))
