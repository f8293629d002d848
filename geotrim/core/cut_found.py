"""How much of a tree's foliage a cut took that was found afterwards, and how well that is known.

A tree's foliage is a curve: the share of it above each height, falling from 1 at the base to 0 at
the top. A cut is strips of height, ``(low, high)``; a lowered top reaches to infinity. What was
taken is the foliage within the strips over the foliage that stood before:

    R = (m(earlier and found) - m(earlier)) / (1 - m(earlier)),   m = foliage within strips.

Errors. Three things are uncertain and taken to be independent: the height of the tree before
(its whole foliage then stands so much higher or lower, see ``MOVES``), the height found, and each
side of a band that was read. Each is moved by one standard error up and down; the larger of the two
changes of R is that part of its error, and the parts are added in squares. Where R is a straight
line of what is moved this is the usual first-order propagation; where it bends it is never less
than the mean of the two sides.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from geotrim.core.coverage import Floats
from geotrim.errors import ShapeError

#: What becomes of the foliage when the tree turns out taller: cells rise and their base stays
#: (columns), it stretches between base and top (solids), or it is lifted whole (profiles).
MOVES = ("rise", "stretch", "lift")

Strip = tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class FoliageCurve:
    """Share of one tree's foliage above each height.

    height_ft : (n,) rising, the base first and the top last. [ft]
    above_frac : (n,) falling from 1 to 0.
    moves : one of ``MOVES``.
    """

    height_ft: Floats
    above_frac: Floats
    moves: str = "rise"

    def __post_init__(self) -> None:
        heights = np.asarray(self.height_ft)
        is_curve = heights.ndim == 1 and heights.size > 1 and self.moves in MOVES
        if not (is_curve and heights.shape == np.shape(self.above_frac)):
            shapes = f"{heights.shape} and {np.shape(self.above_frac)}, moving by {self.moves!r}"
            need = f"two heights or more, a share for each, and one of {', '.join(MOVES)}"
            raise ShapeError("foliage curve", shapes, need, "read both from one table")
        if (np.diff(heights) < 0).any():
            raise ShapeError("foliage curve", "heights that fall", "rising ones", "sort them")

    def above(self, height_ft: float, rise_ft: float = 0.0) -> float:
        """Share above a height where the tree is so much taller than was thought.

        Notes
        -----
        Columns that rise by e while their base b stays: ``A(z - e) / A(b - e)`` with z at least b,
        and A going on under the base as straight as it begins there (every column is one cell of
        the same width all the way down).

        Examples
        --------
        A column from 0 to 12 ft; and one that proves 1 ft taller.

        >>> box = FoliageCurve(np.array([0.0, 12.0]), np.array([1.0, 0.0]))
        >>> box.above(9.0), round(box.above(9.0, 1.0), 4)
        (0.25, 0.3077)
        """
        if np.isinf(height_ft):
            return 0.0 if height_ft > 0 else 1.0
        base, top = float(self.height_ft[0]), float(self.height_ft[-1])
        if self.moves == "lift":
            return 1.0 if height_ft <= 0.0 else self._at(height_ft - rise_ft)
        if height_ft <= base:
            return 1.0
        if self.moves == "stretch":
            deep = top + rise_ft - base
            return self._at(base + (height_ft - base) * (top - base) / deep) if deep > 0 else 0.0
        whole = self._going_on(base - rise_ft)
        return min(self._going_on(height_ft - rise_ft) / whole, 1.0) if whole > 0 else 0.0

    def _at(self, height_ft: float) -> float:
        return float(np.interp(height_ft, self.height_ft, self.above_frac))

    def _going_on(self, height_ft: float) -> float:
        base, step = self.height_ft[0], np.flatnonzero(np.diff(self.height_ft) > 0)
        if height_ft >= base or not step.size:
            return self._at(height_ft)
        k = step[0]
        run = self.height_ft[k + 1] - self.height_ft[k]
        slope = (self.above_frac[k] - self.above_frac[k + 1]) / run
        return float(1.0 + slope * (base - height_ft))


@dataclass(frozen=True, slots=True)
class Taken:
    """Share of what stood that was taken, and its standard error."""

    share_frac: float
    error_frac: float


def within(curve: FoliageCurve, strips: Iterable[Strip], rise_ft: float = 0.0) -> float:
    """Share of the foliage within strips that may overlap.

    Examples
    --------
    >>> box = FoliageCurve(np.array([0.0, 10.0]), np.array([1.0, 0.0]))
    >>> round(within(box, [(2.0, 4.0), (3.0, 5.0), (9.0, np.inf)]), 9)
    0.4
    """
    total, reached = 0.0, -np.inf
    for low, high in sorted((a, b) for a, b in strips if b > a):
        low = max(low, reached)
        if high > low:
            total += curve.above(low, rise_ft) - curve.above(high, rise_ft)
            reached = high
    return total


def taken_frac(
    curve: FoliageCurve, found: Sequence[Strip], earlier: Sequence[Strip] = (), rise_ft: float = 0.0
) -> float:
    """Share of what stood that strips take; NaN where nothing stood.

    Parameters
    ----------
    curve : FoliageCurve
    found, earlier : strips
        Cleared now, and before. [ft]
    rise_ft : float
        How much taller the tree is than the curve has it. [ft]

    Examples
    --------
    12 ft of even foliage down to the ground, cut to 9 ft: a quarter. A second cut to 6 ft takes 3
    of the 9 ft that stood.

    >>> box = FoliageCurve(np.array([0.0, 12.0]), np.array([1.0, 0.0]))
    >>> taken_frac(box, [(9.0, np.inf)])
    0.25
    >>> round(taken_frac(box, [(6.0, np.inf)], [(9.0, np.inf)]), 9)
    0.333333333
    """
    gone = within(curve, earlier, rise_ft)
    if 1.0 - gone <= 1e-9:
        return np.nan
    both = within(curve, [*earlier, *found], rise_ft)
    return float(np.clip((both - gone) / (1.0 - gone), 0.0, 1.0))


def taken(
    curve: FoliageCurve,
    *,
    top_ft: float = np.nan,
    band_ft: Strip = (np.nan, np.nan),
    stood_to_ft: float = np.inf,
    earlier: Sequence[Strip] = (),
    before_error_ft: float = 0.0,
    top_error_ft: float = 0.0,
    band_error_ft: float = 0.0,
    rise_ft: float = 0.0,
    earlier_error_ft: float = 0.0,
) -> Taken:
    """Share of what stood that a cut took which was found by its heights.

    Parameters
    ----------
    curve : FoliageCurve
        Of the tree as it stood before any cut.
    top_ft : float
        Height found of the top; NaN where the top was left. [ft]
    band_ft : (low, high)
        Band found cleared; NaN where none is. [ft]
    stood_to_ft : float
        Height of the tree before: a top found at it or over it lost nothing, though some foliage of
        the curve may reach higher. [ft]
    earlier : strips
        Cleared in earlier years. [ft]
    before_error_ft, top_error_ft, band_error_ft : float
        Standard errors of the height before, of the height found, and of each side of the band; NaN
        counts as none. [ft]
    rise_ft : float
        How much taller the tree was read than the curve has it. [ft]
    earlier_error_ft : float
        Standard error of the height an earlier cut left: of the low end of the strips in
        ``earlier`` that reach to infinity; NaN counts as none. [ft]

    Notes
    -----
    Column of depth D = t - b cut to c: R = (t - c) / D, and with t moved by e, R is
    (t + e - c) / (D + e). Cone: R = ((t - c) / D)^3, moved ((t + e - c) / (D + e))^3.
    """
    whole = (top_ft, *band_ft, 0.0, 0.0)

    def share(top: float, low: float, high: float, rise: float, left: float) -> float:
        rise += rise_ft
        strips = [(top, np.inf)] if top < stood_to_ft + rise else []
        strips += [(low, high)] if np.isfinite(low) and np.isfinite(high) else []
        gone = [(a + left if np.isinf(b) else a, b) for a, b in earlier]
        return taken_frac(curve, strips, gone, rise)

    value = share(*whole)
    parts = []
    errors = (top_error_ft, band_error_ft, band_error_ft, before_error_ft, earlier_error_ft)
    for at, error in enumerate(errors):
        step = float(np.nan_to_num(error))
        if step <= 0.0:
            continue
        sides = []
        for move in (step, -step):
            moved = [one + move * (k == at) for k, one in enumerate(whole)]
            sides.append(abs(share(*moved) - value))
        parts.append(np.nanmax(sides) if np.isfinite(sides).any() else np.nan)
    return Taken(value, float(np.sqrt(np.sum(np.square(parts)))))


def taken_by_volume(
    before_ft3: float,
    after_ft3: float,
    whole_ft3: float,
    area_ft2: float,
    *,
    before_error_ft: float = 0.0,
    after_error_ft: float = 0.0,
    gone_frac: float = 0.0,
) -> Taken:
    """Share taken off the top by the volumes of one crown in two height rasters.

    Parameters
    ----------
    before_ft3, after_ft3 : float
        Canopy under each raster, over the same crown and from the same height up. [ft3]
    whole_ft3 : float
        All foliage of the tree before the first cut: less than the first volume where that counts
        from under the lowest foliage. [ft3]
    area_ft2 : float
        Of the crown. [ft2]
    before_error_ft, after_error_ft : float
        Standard errors of the heights; each is taken to move all cells of the crown alike, which is
        the most it can do. [ft]
    gone_frac : float
        Of the whole, what earlier cuts took.

    Notes
    -----
    With g gone, R = (Vb - g W - Va) / ((1 - g) W). Moving all cells by e adds e A to the volumes
    and to W, so that to first order

        error(R)^2 = (A ea / ((1 - g) W))^2 + (A eb (1 - R) / ((1 - g) W))^2.

    Examples
    --------
    A 12 ft box cut to 9 ft on 10 ft2, heights good to 0.3 ft each time.

    >>> taken_by_volume(120.0, 90.0, 120.0, 10.0, before_error_ft=0.3, after_error_ft=0.3)
    Taken(share_frac=0.25, error_frac=0.03125)
    """
    stood = (1.0 - gone_frac) * whole_ft3
    if not stood > 0.0:
        return Taken(np.nan, np.nan)
    share = (before_ft3 - gone_frac * whole_ft3 - after_ft3) / stood
    moved = area_ft2 * np.nan_to_num([after_error_ft, before_error_ft * (1.0 - share)]) / stood
    return Taken(float(np.clip(share, 0.0, 1.0)), float(np.hypot(*moved)))


def strips_of(low_ft: Iterable[float], high_ft: Iterable[float]) -> list[Strip]:
    """Strips from two columns; an upper side that is NaN is a top that was lowered.

    Examples
    --------
    >>> strips_of([9.0, 6.0], [float("nan"), 8.0])
    [(9.0, inf), (6.0, 8.0)]
    """
    pairs = zip(low_ft, high_ft, strict=True)
    return [(float(a), np.inf if np.isnan(b) else float(b)) for a, b in pairs if np.isfinite(a)]


def is_curve(height_ft: Floats, above_frac: Floats) -> bool:
    """Whether two columns make a curve: two heights or more, known, rising, shares falling."""
    if len(height_ft) < 2 or not (np.isfinite(height_ft).all() and np.isfinite(above_frac).all()):
        return False
    return bool((np.diff(height_ft) >= 0).all() and (np.diff(above_frac) <= 1e-9).all())
