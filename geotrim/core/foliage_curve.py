"""Each tree's foliage as a curve: the share above a height, at heights close enough to draw it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geotrim.core.coverage import Floats, Ints
from geotrim.core.foliage import Foliage, above_frac, cut_height_ft

#: Heights of a curve are no farther apart than this. [ft]
STEP_FT = 0.1
#: Straight between its heights a curve misses by no more than this at the middle, so by no more
#: than twice as much anywhere if it bends one way between them.
MISSED_FRAC = 2e-4
#: Times that the space between two heights is halved to get there.
MOST_HALVINGS = 8


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """Curves of trees, one after the other, heights rising.

    tree : (m,) number of the tree. height_ft : (m,) [ft]. above_frac : (m,) from 1 to 0.
    """

    tree: Ints
    height_ft: Floats
    above_frac: Floats


def foliage_curves(foliage: Foliage, trees: Ints) -> Curves:
    """Share of the foliage above heights from where it begins to its highest.

    Parameters
    ----------
    foliage : Foliage
    trees : (n,) array
        Numbers of trees; those without known foliage have no curve.

    Notes
    -----
    Heights are the multiples of ``STEP_FT``, the tree's base and top, and where the curve bends
    between two of them, others halfway, until a straight line misses by less than ``MISSED_FRAC``.
    """
    known = np.asarray(trees, dtype=np.int64)[np.nan_to_num(foliage.whole_ft3[trees]) > 0.0]
    base = np.nan_to_num(foliage.base_ft[known])
    top = foliage.foliage_top_ft[known]
    end = np.fmax(cut_height_ft(foliage, 0.0, tree=known), top)
    parts = [_heights(*ends) for ends in zip(base, top, end, strict=True)]
    tree = np.repeat(known, [len(part) for part in parts])
    height = np.concatenate(parts) if parts else np.zeros(0)
    share = above_frac(foliage, height, tree=tree)
    for _ in range(MOST_HALVINGS):
        same = np.flatnonzero(tree[1:] == tree[:-1])
        middle = (height[same] + height[same + 1]) / 2.0
        found = above_frac(foliage, middle, tree=tree[same])
        bends = np.abs(found - (share[same] + share[same + 1]) / 2.0) > MISSED_FRAC
        if not bends.any():
            break
        at = same[bends] + 1
        tree = np.insert(tree, at, tree[same[bends]])
        height, share = np.insert(height, at, middle[bends]), np.insert(share, at, found[bends])
    return Curves(tree, height, share)


def _heights(base: float, top: float, end: float) -> Floats:
    """Base, top, the highest foliage, and the multiples of the step between them."""
    first, last = int(np.floor(base / STEP_FT)), int(np.ceil(end / STEP_FT))
    steps = np.round(np.arange(first, last + 1) * STEP_FT, 6)
    ends = [base, end, *([top] if base < top < end else [])]
    return np.unique(np.concatenate([steps[(steps > base) & (steps < end)], ends]))
