"""What may be done to a tree in a window: the menu of cuts, and what fits the years of it."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.core.foliage import Foliage, band_height_ft, cut_height_ft, part_frac

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
#: Canopy a cut must reach to be one. [ft]
LEAST_CUT_FT = 1e-6
#: Heights tops may be lowered to by default, where they are over the least height. [ft]
STEPS_FT = (8.0, 10.0, 12.0, 14.0, 16.0)
#: Of a band of which the years allow only part, no less than this is cleared. [ft]
LEAST_BAND_FT = 0.5
#: A cut that takes this much more than another, of the tree's foliage, takes no more.
SAME_FRAC = 1e-9

Cuts = tuple[Any, Floats, Floats, Floats]


def top_heights_ft(
    lower_to_ft: tuple[float, ...] | None, band_ft: tuple[float, float], least_ft: float
) -> tuple[float, ...]:
    """Heights that tops may be lowered to, rising: those asked for, else our own. [ft].

    Parameters
    ----------
    lower_to_ft : tuple of float or None
        Those asked for; what is under the least height is brought up to it.
    band_ft : (low, high)
    least_ft : float
        The floor of the way and the margin over it.

    Examples
    --------
    >>> top_heights_ft(None, (6.0, 10.0), 6.5)
    (6.5, 8.0, 10.0, 12.0, 14.0, 16.0)
    >>> top_heights_ft((3.0, 12.0), (6.0, 10.0), 6.5)
    (6.5, 12.0)
    """
    if lower_to_ft is not None:
        return tuple(sorted({max(float(h), least_ft) for h in lower_to_ft}))
    ours = (least_ft, *(h for h in (*band_ft, *STEPS_FT) if h > least_ft))
    return tuple(sorted(set(ours)))


def menu(
    may: Flags,
    foliage: Foliage,
    is_clearable: Flags,
    band_ft: tuple[float, float],
    lower_to_ft: tuple[float, ...] | None,
    least_ft: float,
    most_frac: Floats,
) -> Cuts:
    """Cuts that take something, tree by tree.

    Parameters
    ----------
    may : (n,) bool array
        Trees that may be looked at.
    foliage : Foliage
        Of all n trees.
    is_clearable : (k,) bool array
        Cells of the foliage that lie in the zone.
    band_ft, lower_to_ft, least_ft :
        As for :func:`top_heights_ft`.
    most_frac : (n,) array
        Most of its foliage each tree may lose over all the years.

    Returns
    -------
    tree, low_ft, high_ft, share_frac : (m,) arrays
        In order of trees; ``high_ft`` is infinite where a top is lowered.

    Notes
    -----
    The band is cleared under a kept top, of trees taller than it; tops are lowered. Where the band,
    or the deepest lowering, takes more than the years allow, the part that fits is on the menu too:
    the band from its low side up, the top from above, both rounded to the tenth of a foot that
    takes less. A cut under the floor is there to tell what the floor costs.
    """
    lo, hi = band_ft
    top, every = foliage.top_ft, np.ones_like(may)
    heights = dict.fromkeys(top_heights_ft(lower_to_ft, band_ft, least_ft), every)
    under = (lo,) if lower_to_ft is None else lower_to_ft
    heights |= {h: every for h in under if h < least_ft}
    low_top = max(lo, least_ft)  # a tree whose top lies in the band, whatever is asked for
    heights[low_top] = heights.get(low_top, (top > lo) & (top <= hi))
    wanted = [(np.full_like(top, lo), np.full_like(top, hi), top > hi + LEAST_CUT_FT)]
    wanted += [(np.full_like(top, h), np.full_like(top, np.inf), f) for h, f in heights.items()]
    wanted += _fitting(may, foliage, is_clearable, band_ft, least_ft, most_frac, lower_to_ft)
    parts = [_taken(may & f & (top > a + LEAST_CUT_FT), foliage, is_clearable, a, b)
             for a, b, f in wanted]  # fmt: skip
    tree, low, high, share = (np.concatenate(column) for column in zip(*parts, strict=True))
    order = np.lexsort((low, np.where(np.isinf(high), 1.0, 0.0), tree))
    cuts = tree[order], low[order], high[order], np.minimum(share[order], 1.0)
    return _without_twins(cuts)


def _taken(which: Flags, foliage: Foliage, is_clearable: Flags, low: Floats, high: Floats) -> Cuts:
    """What a cut takes of some trees, those of which it takes something. ``low``: (n,)."""
    some = np.flatnonzero(which)
    share = part_frac(foliage, low[some], high[some], is_clearable, tree=some)
    with np.errstate(invalid="ignore"):
        volume = share * foliage.whole_ft3[some]
    good = np.isfinite(volume) & (volume > 0.0)
    return some[good], low[some][good], high[some][good], share[good]


def _fitting(
    may: Flags, foliage: Foliage, is_clearable: Flags, band_ft: tuple[float, float],
    least_ft: float, most_frac: Floats, lower_to_ft: tuple[float, ...] | None,
) -> list[tuple[Floats, Floats, Flags]]:  # fmt: skip
    """Of a cut that takes more than the years allow, the part that fits: low, high, which trees."""
    lo, hi = band_ft
    n = len(may)
    most = np.clip(most_frac, 0.0, 1.0)
    is_over = np.zeros(n, dtype=bool)
    some = np.flatnonzero(may & (foliage.top_ft > hi + LEAST_CUT_FT))
    is_over[some] = part_frac(foliage, lo, hi, is_clearable, tree=some) > most[some] + SAME_FRAC
    up = np.minimum(np.nan_to_num(band_height_ft(foliage, lo, most), nan=lo), hi)
    up = np.round(np.floor(up * 10.0) / 10.0, 1)
    out = [(np.full(n, lo), up, is_over & (up >= lo + LEAST_BAND_FT) & (up < hi))]
    if lower_to_ft is not None:  # tops only to the heights that were asked for
        return out
    is_over = np.zeros(n, dtype=bool)
    some = np.flatnonzero(may)
    share = part_frac(foliage, least_ft, np.inf, is_clearable, tree=some)
    is_over[some] = share > most[some] + SAME_FRAC
    down = np.nan_to_num(cut_height_ft(foliage, most), nan=0.0)
    down = np.round(np.ceil(down * 10.0) / 10.0, 1)
    return [*out, (down, np.full(n, np.inf), is_over & (down > least_ft))]


def _without_twins(cuts: Cuts) -> Cuts:
    """Of lowered tops, none that takes no more than a shallower one of the same tree."""
    tree, low, high, share = cuts
    is_top = np.isinf(high)
    stays = np.ones(len(tree), dtype=bool)
    if len(tree) > 1:
        same = (tree[1:] == tree[:-1]) & is_top[1:] & is_top[:-1]
        stays[:-1] = ~(same & (share[:-1] <= share[1:] + SAME_FRAC))
    return tree[stays], low[stays], high[stays], share[stays]
