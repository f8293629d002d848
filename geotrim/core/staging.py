"""A cut spread over years: each year as much as a share lets go, until the cut is done.

A cut has a *front*: the height of the level cut for a top that is lowered, which falls from year
to year; the height up to which a band is cleared, which rises from the band's low side. Foliage is
measured one way or several (canopy volume, leaf area); a year's cut keeps within the yearly share
by each of them, so the front stops where the first of them is at its share.

Each year takes the full share until the cut is done, and the last year what is left. That is the
fewest years a share allows; it puts the lightest cut last; and a plan that is broken off on the way
has still kept within the share in each of its years. Spreading the same cut evenly needs as many
years and leaves the tree with more to lose in the last of them.

Regrowth: between two cuts a share of what stands grows back, above the front of a lowered top, or
within the cleared band, and never to more than stood at first. With a yearly share q of what stands
and regrowth r a tree keeps ``(1 - q)^n (1 + r)^(n - 1)`` after n cuts, so that nothing is gained
after the first where ``(1 - q) (1 + r) >= 1``.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotrim.core.coverage import Floats
from geotrim.errors import RangeError

Flags = npt.NDArray[np.bool_]
#: Readings of "of the foliage": of what stands at the start of each year, or of the original.
READINGS = ("standing-each-year", "original")
#: Shares this near each other are the same; rounding is far smaller.
SAME_FRAC = 1e-9
#: A front that moves by less has not moved. [ft]
SAME_FT = 1e-6
#: A step a front is tried on by, to find gaps in the foliage. [ft]
TRIAL_FT = 1e-3
#: Halvings of the search for the far side of a gap: 100 ft to less than a billionth of a foot.
N_HALVINGS = 45


@dataclass(frozen=True, slots=True, eq=False)
class ShareMeasure:
    """One way to measure the foliage of n trees; of a tree it does not know it says NaN.

    taken_frac : fronts (n,) -> (n,) share of the tree's original foliage taken with it. [ft]
    front_ft : shares (n,) -> (n,) the front at which so much is taken. [ft]
    """

    taken_frac: Callable[[Floats], Floats]
    front_ft: Callable[[Floats], Floats]


@dataclass(frozen=True, slots=True, eq=False)
class YearlyCuts:
    """Cuts of n trees in y years, by m measures.

    front_ft : (y, n) front after each year's cut; NaN in years without one. [ft]
    before_frac, after_frac : (m, y, n) foliage that stands before and after the cut, as a share of
        the original; NaN in years without a cut.
    is_done : (n,) the cut was done.
    is_known : (n,) by at least one measure.
    """

    front_ft: Floats
    before_frac: Floats
    after_frac: Floats
    is_done: Flags
    is_known: Flags

    @property
    def n_years(self) -> npt.NDArray[np.int64]:
        """(n,) years with a cut."""
        return np.isfinite(self.front_ft).sum(axis=0).astype(np.int64)

    @property
    def last_front_ft(self) -> Floats:
        """(n,) front after the last cut; NaN where there is none. [ft]."""
        last = np.maximum(self.n_years - 1, 0)
        if not len(self.front_ft):
            return np.full(self.is_done.shape, np.nan)
        out: Floats = np.take_along_axis(self.front_ft, last[None, :], axis=0)[0]
        return out


def yearly_cuts(
    measures: Sequence[ShareMeasure],
    is_top: Flags,
    start_ft: npt.ArrayLike,
    target_ft: npt.ArrayLike,
    yearly_frac: npt.ArrayLike,
    *,
    reading: str = "standing-each-year",
    regrowth_frac: float = 0.0,
    most_years: int = 25,
) -> YearlyCuts:
    """Cut each tree down to its target, the full yearly share each year until it is done.

    Parameters
    ----------
    measures : sequence of ShareMeasure
        A year's cut keeps within the share by each that knows the tree.
    is_top : (n,) bool array
        The top is lowered; else a band is cleared from its low side up.
    start_ft : (n,) array
        Front before the first cut: the tree's top, or the band's low side. [ft]
    target_ft : (n,) array
        Front at which the cut is done; NaN: nothing is to be done. [ft]
    yearly_frac : (n,) array
        Most that one year takes; 1 where no share binds.
    reading : str
        What that is of: ``standing-each-year`` or ``original``.
    regrowth_frac : float
        Of what stands, grows back before the next cut.
    most_years : int
        Cuts that are looked for.

    Returns
    -------
    YearlyCuts
        A tree whose next cut would gain nothing is left there, and is not done.

    Raises
    ------
    RangeError
        If the reading is not one of the two, or a share does not lie between 0 and 1.

    Examples
    --------
    An even column 16 ft tall, lowered to 6.4 ft (60 %) at a quarter of what stands each year.

    >>> column = ShareMeasure(lambda h: 1.0 - h / 16.0, lambda s: 16.0 * (1.0 - s))
    >>> one = np.ones(1)
    >>> found = yearly_cuts([column], one > 0, 16.0 * one, 6.4 * one, 0.25 * one)
    >>> found.front_ft[:4, 0].round(4).tolist(), found.n_years.tolist()
    ([12.0, 9.0, 6.75, 6.4], [4])
    """
    top = np.asarray(is_top, dtype=bool)
    front, target, share = (
        np.broadcast_to(np.asarray(a, dtype=np.float64), top.shape).copy()
        for a in (start_ft, target_ft, yearly_frac)
    )
    _check(reading, share, regrowth_frac)
    known = _known(measures, target)
    is_known: Flags = np.asarray(known.any(axis=0))
    nothing = np.zeros(known.shape)
    is_done = is_known & _within(measures, known, nothing)(target)
    standing, live = np.where(known, 1.0, np.nan), is_known & ~is_done
    rows: list[tuple[Floats, Floats, Floats]] = []
    for _ in range(most_years):
        allowed = share * standing if reading == "standing-each-year" else share
        most = np.clip(1.0 - standing + allowed, 0.0, 1.0)
        new = _front(measures, known, top, target, most)
        live &= np.where(top, front - new, new - front) > SAME_FT
        if not live.any():
            break
        front = np.where(live, new, front)
        after = 1.0 - np.array([m.taken_frac(front) for m in measures])
        rows.append(
            (np.where(live, front, np.nan), np.where(live, standing, np.nan),
             np.where(live, after, np.nan))
        )  # fmt: skip
        is_done |= live & (front == target)
        live &= ~is_done
        standing = np.minimum(1.0, after * (1.0 + regrowth_frac))
    return _joined(rows, known.shape, is_done, is_known)


def _joined(
    rows: list[tuple[Floats, Floats, Floats]],
    shape: tuple[int, ...],
    is_done: Flags,
    is_known: Flags,
) -> YearlyCuts:
    """Years put on top of each other."""
    m, n = shape
    fronts = np.array([row[0] for row in rows]).reshape(len(rows), n)
    before, after = (
        np.array([row[k] for row in rows]).reshape(len(rows), m, n).transpose(1, 0, 2)
        for k in (1, 2)
    )
    return YearlyCuts(fronts, before, after, is_done, is_known)


def _known(measures: Sequence[ShareMeasure], front_ft: Floats) -> Flags:
    """(m, n) which measure knows which tree."""
    flags: Flags = np.array([np.isfinite(m.taken_frac(front_ft)) for m in measures], dtype=bool)
    return flags.reshape(len(measures), front_ft.size)


def _check(reading: str, share: Floats, regrowth_frac: float) -> None:
    if reading not in READINGS:
        raise RangeError(
            "foliage_reading", f"{reading!r}", f"one of {', '.join(READINGS)}", "choose one"
        )
    if not ((share > 0.0) & (share <= 1.0)).all():
        raise RangeError(
            "yearly_frac", "a share outside 0 to 1", "shares above 0, up to 1", "correct it"
        )
    if not regrowth_frac >= 0.0:
        raise RangeError("regrowth_frac", f"{regrowth_frac}", "0 or more", "correct it")


def _front(
    measures: Sequence[ShareMeasure], known: Flags, is_top: Flags, target: Floats, most: Floats
) -> Floats:
    """(n,) farthest front, no farther than the target, that no measure has over its share.

    ``most`` (m, n): share of the original that may be gone by the end of the year.
    """
    sign = np.where(is_top, -1.0, 1.0)  # along it a front moves on
    is_within = _within(measures, known, most)
    near = sign * target
    for measure, mine, share in zip(measures, known, most, strict=True):
        reached = measure.front_ft(np.where(mine, share, 0.0))
        near = np.where(mine, np.fmin(near, sign * reached), near)
    near = np.where(is_within(target), sign * target, near)
    # Where foliage has a gap the same share is taken all through it: go to its far side
    gap = (near < sign * target) & is_within(sign * (near + TRIAL_FT))
    if not gap.any():
        return sign * near
    low, high = near, sign * target
    for _ in range(N_HALVINGS):
        middle = (low + high) / 2.0
        good = gap & is_within(sign * middle)
        low, high = np.where(good, middle, low), np.where(good, high, middle)
    return sign * np.where(gap, low, near)


def _within(
    measures: Sequence[ShareMeasure], known: Flags, most: Floats
) -> Callable[[Floats], Flags]:
    """Whether fronts take no more than the shares, by every measure that knows the tree."""

    def is_within(front_ft: Floats) -> Flags:
        out = np.ones(front_ft.shape, dtype=bool)
        for measure, mine, share in zip(measures, known, most, strict=True):
            out &= ~mine | (measure.taken_frac(front_ft) <= share + SAME_FRAC)
        return out

    return is_within


@dataclass(frozen=True, slots=True, eq=False)
class Reachable:
    """How far n cuts may go at all.

    target_ft : (n,) the target, or the front nearest to it that keeps every bound. [ft]
    is_floor : (n,) the floor stops it. is_kept : (n,) what a tree must keep of its foliage does.
    """

    target_ft: Floats
    is_floor: Flags
    is_kept: Flags


def reachable(
    measures: Sequence[ShareMeasure],
    is_top: Flags,
    target_ft: npt.ArrayLike,
    floor_ft: npt.ArrayLike,
    least_kept_frac: float,
) -> Reachable:
    """Hold targets to the floor, and to what a tree must keep of its foliage whatever the years.

    Parameters
    ----------
    measures, is_top, target_ft :
        As for :func:`yearly_cuts`.
    floor_ft : (n,) array
        No top is lowered under it. A band under a kept top does not lower the tree. [ft]
    least_kept_frac : float
        Share of its original foliage a tree keeps, by every measure.

    Examples
    --------
    >>> column = ShareMeasure(lambda h: 1.0 - h / 10.0, lambda s: 10.0 * (1.0 - s))
    >>> found = reachable([column], np.array([True, True]), np.array([6.0, 8.0]), 6.5, 0.1)
    >>> found.target_ft.tolist(), found.is_floor.tolist()
    ([6.5, 8.0], [True, False])
    """
    top = np.asarray(is_top, dtype=bool)
    asked, floor = (
        np.broadcast_to(np.asarray(a, dtype=np.float64), top.shape) for a in (target_ft, floor_ft)
    )
    is_floor = top & (asked < floor - SAME_FT)
    target = np.where(is_floor, floor, asked)
    known = _known(measures, target)
    most = np.full(known.shape, 1.0 - least_kept_frac)
    is_kept = ~_within(measures, known, most)(target)
    nearest = _front(measures, known, top, target, most)
    is_deeper = is_kept & is_floor  # what must be kept stops it before the floor does
    return Reachable(np.where(is_kept, nearest, target), is_floor & ~is_deeper, is_kept)


def can_outrun(yearly_frac: npt.ArrayLike, regrowth_frac: float) -> Flags:
    """Whether a second cut gains anything on the first, under either reading.

    Examples
    --------
    A quarter a year gains on regrowth of less than a third.

    >>> [bool(can_outrun(0.25, r)) for r in (0.0, 0.33, 0.34)]
    [True, True, False]
    """
    share = np.asarray(yearly_frac, dtype=np.float64)
    return np.asarray((1.0 - share) * (1.0 + np.asarray(regrowth_frac)) < 1.0 - SAME_FRAC)


def years_later(day: datetime.date, n_years: int) -> datetime.date:
    """The same day some years on; of 29 February the day after the month's end in other years.

    A whole year has then passed by every count.

    Examples
    --------
    >>> years_later(datetime.date(2028, 2, 29), 1).isoformat()
    '2029-03-01'
    >>> years_later(datetime.date(2028, 2, 29), 4).isoformat()
    '2032-02-29'
    """
    try:
        return day.replace(year=day.year + n_years)
    except ValueError:  # 29 February
        return datetime.date(day.year + n_years, 3, 1)
