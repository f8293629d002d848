"""How often a plan breaks its limits when the heights under it are drawn anew within their error.

The plan stays as it is: the crew cuts at the marks that were handed out, only the trees are higher
or lower than the raster had them, and the stick is held a little off.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotrim.core.coverage import Floats

Flags = npt.NDArray[np.bool_]
#: Share of a tree's foliage above heights when the tree is so much higher: ``(d,), (d,) -> (d,)``.
Above = Callable[[Floats, Floats], Floats]
#: Shares and heights past a limit by less than this are at it; rounding is far smaller.
AT_LIMIT = 1e-9


@dataclass(frozen=True, slots=True)
class YearCut:
    """What one year clears of one tree: heights between ``low_ft`` and ``high_ft``.

    high_ft : infinite for a cut of the top. [ft]
    """

    low_ft: float
    high_ft: float


@dataclass(frozen=True, slots=True, eq=False)
class Draws:
    """Errors drawn for n trees, d times.

    height_ft : (n, d) added to a tree's height. [ft]
    stick_ft : (n, d) added to every mark the crew cuts to on that tree. [ft]
    """

    height_ft: Floats
    stick_ft: Floats


def draw_errors(
    height_error_ft: npt.ArrayLike, stick_error_ft: float, n_draws: int, seed: int
) -> Draws:
    """Normal errors of heights and stick, each tree by itself.

    Parameters
    ----------
    height_error_ft : (n,) array
        Standard error of each tree's height; NaN draws nothing but NaN. [ft]
    stick_error_ft : float
        Standard error of a mark. [ft]
    n_draws, seed : int
        The same seed gives the same draws, tree by tree in their order.

    Notes
    -----
    Every tree has a stream of its own, so that its draws do not depend on how many trees there are
    after it, and heights and marks each have theirs.

    Examples
    --------
    >>> one, two = draw_errors([0.4], 0.2, 3, 7), draw_errors([0.4, 1.0], 0.2, 3, 7)
    >>> bool((one.height_ft[0] == two.height_ft[0]).all())
    True
    """
    errors = np.asarray(height_error_ft, dtype=np.float64)
    heights, sticks = np.empty((2, errors.size, n_draws))
    for k, seeds in enumerate(np.random.SeedSequence(seed).spawn(errors.size)):
        stream = np.random.default_rng(seeds)
        heights[k] = stream.standard_normal(n_draws) * errors[k]
        sticks[k] = stream.standard_normal(n_draws) * stick_error_ft
    return Draws(heights, sticks)


def only_marks(draws: Draws) -> Draws:
    """The same draws with every height as it was read: what a stick reading of heights leaves.

    Examples
    --------
    >>> bool((only_marks(draw_errors([0.4], 0.2, 3, 7)).height_ft == 0.0).all())
    True
    """
    return Draws(np.zeros_like(draws.height_ft), draws.stick_ft)


def year_shares(
    above: Above,
    cuts: tuple[YearCut, ...],
    shift_ft: Floats,
    stick_ft: Floats,
    part_frac: float = 1.0,
    *,
    of_original: bool = False,
) -> Floats:
    """Share of what stands that each year takes, in every draw.

    Parameters
    ----------
    above : callable
        Share of the tree's foliage above heights; see ``Above``.
    cuts : tuple of YearCut
        Year after year; of a top each lower than the one before, of a band each going on where the
        one before ended.
    shift_ft, stick_ft : (d,) arrays
        How much higher the tree is, and how much higher the marks are held. [ft]
    part_frac : float
        Share of the tree that may be cut at all; the rest is not touched.
    of_original : bool
        Shares of what stood before the first year, not of what stands.

    Returns
    -------
    shares : (years, d) array
        NaN where nothing stands any more, or the foliage is not known.

    Examples
    --------
    A crown evenly filled from 0 to 16 ft, cut to 12 and then to 9 ft.

    >>> even = lambda h, e: np.clip((16.0 + e - h) / (16.0 + e), 0.0, 1.0)
    >>> none = np.zeros(1)
    >>> tops = (YearCut(12.0, np.inf), YearCut(9.0, np.inf))
    >>> year_shares(even, tops, none, none)[:, 0].tolist()
    [0.25, 0.25]
    """
    out, before = [], np.zeros_like(shift_ft)
    start = np.full_like(shift_ft, cuts[0].low_ft) + stick_ft
    for cut in cuts:
        if np.isinf(cut.high_ft):
            taken = above(cut.low_ft + stick_ft, shift_ft)
        else:
            taken = above(start, shift_ft) - above(cut.high_ft + stick_ft, shift_ft)
        gone = np.maximum(part_frac * taken, before)
        with np.errstate(invalid="ignore", divide="ignore"):
            share = gone - before if of_original else (gone - before) / (1.0 - before)
        out.append(np.where(before < 1.0, share, np.nan))
        before = gone
    return np.array(out)


def breaks_floor(
    top_ft: Floats, cuts: tuple[YearCut, ...], stick_ft: Floats, floor_ft: float
) -> Flags:
    """Whether the tree ends under the floor by the cut, in every draw.

    Parameters
    ----------
    top_ft : (d,) array
        Its height before. [ft]
    cuts : tuple of YearCut
    stick_ft : (d,) array
    floor_ft : float
        Least height after trimming. [ft]

    Notes
    -----
    A tree that is under the floor before anything is cut breaks nothing. A cleared band lowers a
    tree whose top lies in it.

    Examples
    --------
    >>> tops, off = np.array([20.0, 20.0, 5.5]), np.array([0.0, -0.2, -0.8])
    >>> breaks_floor(tops, (YearCut(6.0, np.inf),), off, 6.0).tolist()
    [False, True, False]
    >>> breaks_floor(np.array([12.0, 9.5]), (YearCut(6.0, 10.0),), np.full(2, -0.2), 6.0).tolist()
    [False, True]
    """
    after = np.array(top_ft, dtype=np.float64)
    low = min(cut.low_ft for cut in cuts) + stick_ft
    for cut in cuts:
        is_lowered = (after > cut.low_ft + stick_ft) & (after <= cut.high_ft + stick_ft)
        after = np.where(is_lowered, cut.low_ft + stick_ft, after)
    after = np.where((after > low) & (after < top_ft), low, after)  # a band's later years follow
    broken: Flags = (after < floor_ft - AT_LIMIT) & (top_ft >= floor_ft - AT_LIMIT)
    return broken


def wilson_interval(n_hits: int, n: int, z: float = 1.959964) -> tuple[float, float]:
    """Interval of a share found in n draws, 95 % by default.

    References
    ----------
    E. B. Wilson, Probable inference, the law of succession, and statistical inference, Journal of
    the American Statistical Association 22 (1927), 209-212; from memory.

    Examples
    --------
    >>> [round(side, 3) for side in wilson_interval(0, 10)]
    [0.0, 0.278]
    """
    share = n_hits / n
    middle = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * np.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    return max(float(middle - half), 0.0), min(float(middle + half), 1.0)
