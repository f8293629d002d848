"""The window as a problem of choice: stations, trees, what may be done to each, and what it opens.

Trees are treated whole: a tree belongs to a window where the station of its trunk lies in one of
the window's spans, and an option takes the same heights off all of its crown that may be cut. What
can be seen is cut into *elements*: parts of the view that open together, as soon as every tree in
their way has an option taken that clears it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from geotrim.core.coverage import Floats, Ints

Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Options:
    """What may be done to trees: m options, tree by tree. An option takes a span of heights away.

    tree : (m,) number of the tree, rising.
    low_ft, high_ft : (m,) canopy of the tree between these heights above the substrate is taken.
        ``high_ft`` is infinite where the top is lowered to ``low_ft``. [ft]
    volume_ft3 : (m,) foliage it takes, under the canopy model. [ft3]
    share_frac : (m,) that foliage as a share of the tree's.
    barred_by : (m,) number of the limit that rules the option out, by itself, -1 where none does;
        see ``WindowProblem.bars``.
    """

    tree: Ints
    low_ft: Floats
    high_ft: Floats
    volume_ft3: Floats
    share_frac: Floats
    barred_by: Ints

    def __len__(self) -> int:
        return len(self.tree)


@dataclass(frozen=True, slots=True, eq=False)
class Elements:
    """Parts of the view that open together.

    open_frac : share of the whole view that is open with nothing cut.
    weight_frac : (v,) share of the whole view that each element adds once it is open.
    group_start : (v + 1,) groups of element j are ``group_start[j]`` to ``group_start[j + 1]``.
    option_start : (g + 1,) options of group g, likewise.
    option : (k,) numbers of options.

    An element is open when of each of its groups at least one option is taken. Options of a group
    are of one tree; an element has one group for each tree in its way. What nothing can open is in
    no element: the shares need not add up to 1.
    """

    open_frac: float
    weight_frac: Floats
    group_start: Ints
    option_start: Ints
    option: Ints

    def __len__(self) -> int:
        return len(self.weight_frac)


@dataclass(frozen=True, slots=True, eq=False)
class WindowProblem:
    """Everything the choice depends on, for one lot.

    station_from_ft : (n,) where each station begins; stations follow each other, stretch by
        stretch. [ft]
    station_length_ft : (n,) [ft]
    is_break : (n,) True where a station does not join on to the one before: a span cannot run on.
    is_allowed : (n,) False where no window may be (nothing of the zone is there).
    tree_station : (t,) station of each tree's trunk; -1: in none, so never treated.
    options, elements : what may be done, what it opens.
    bars : names of the limits that rule single options out (``nest``, ``over 24 ft`` ...); the
        numbers of ``Options.barred_by`` point here.
    span_min_ft, span_max_ft : length of one span; None: no limit. [ft]
    gap_min_ft : shore left between two spans of one stretch. [ft]
    n_spans_max : number of spans, or None.
    is_counted : (t,) trees that count for the allowance of trees and of area.
    area_ft2 : (t,) canopy area of each tree. [ft2]
    trees_max, length_max_ft, area_max_ft2 : the allowance (65 %), each None where it does not bind.
        ``length_max_ft`` holds the shore that crowns of cut trees that count stand along.
    share_max_frac : (t,) most of its foliage a tree may lose over all the years of the plan.
    foliage_max_ft3 : the user's own budget for all trees, or None. [ft3]
    cover_start : (t + 1,) stations that tree t's crown stands along are ``cover_station`` from
        ``cover_start[t]`` to ``cover_start[t + 1]``. Empty: not known; ``length_max_ft`` then holds
        the stations of the window.
    cover_station : (c,) numbers of stations.
    """

    station_from_ft: Floats
    station_length_ft: Floats
    is_break: Flags
    is_allowed: Flags
    tree_station: Ints
    options: Options
    elements: Elements
    bars: tuple[str, ...] = ()
    span_min_ft: float | None = None
    span_max_ft: float | None = None
    gap_min_ft: float = 0.0
    n_spans_max: int | None = None
    is_counted: Flags = field(default_factory=lambda: np.zeros(0, dtype=bool))
    area_ft2: Floats = field(default_factory=lambda: np.zeros(0))
    trees_max: int | None = None
    length_max_ft: float | None = None
    area_max_ft2: float | None = None
    share_max_frac: Floats = field(default_factory=lambda: np.zeros(0))
    foliage_max_ft3: float | None = None
    cover_start: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    cover_station: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))

    @property
    def n_stations(self) -> int:
        return len(self.station_length_ft)

    @property
    def n_trees(self) -> int:
        return len(self.tree_station)


@dataclass(frozen=True, slots=True, eq=False)
class WindowPlan:
    """One choice.

    is_open : (n,) stations in the window.
    option_of : (t,) option taken of each tree, -1 where it is left.
    """

    is_open: Flags
    option_of: Ints

    def taken(self, n_options: int) -> Flags:
        """(m,) options that are taken."""
        out = np.zeros(n_options, dtype=bool)
        out[self.option_of[self.option_of >= 0]] = True
        return out


def opened_frac(elements: Elements, is_taken: Flags) -> float:
    """Share of the view that is open when some options are taken.

    Parameters
    ----------
    elements : Elements
    is_taken : (m,) bool array
        Options.

    Examples
    --------
    One element behind two trees; each can be cleared.

    >>> two = Elements(0.5, np.array([0.25]), np.array([0, 2]), np.array([0, 1, 2]),
    ...                np.array([0, 1]))
    >>> opened_frac(two, np.array([True, False])), opened_frac(two, np.array([True, True]))
    (0.5, 0.75)
    """
    if len(elements) == 0:
        return elements.open_frac
    hit = np.concatenate([[0], np.cumsum(is_taken[elements.option])])
    is_met = hit[elements.option_start[1:]] > hit[elements.option_start[:-1]]
    unmet = np.concatenate([[0], np.cumsum(~is_met)])
    is_open = unmet[elements.group_start[1:]] == unmet[elements.group_start[:-1]]
    return elements.open_frac + float(elements.weight_frac[is_open].sum())


def spans_of(problem: WindowProblem, is_open: Flags) -> list[tuple[int, int]]:
    """First and last station of each span, in order. A span ends at a break.

    Parameters
    ----------
    problem : WindowProblem
    is_open : (n,) bool array

    Returns
    -------
    list of (first, last), both in the span.
    """
    before = np.concatenate([[False], is_open[:-1]]) & ~problem.is_break
    after = np.concatenate([is_open[1:] & ~problem.is_break[1:], [False]])
    firsts = np.flatnonzero(is_open & ~before)
    lasts = np.flatnonzero(is_open & ~after)
    return list(zip(firsts.tolist(), lasts.tolist(), strict=True))
