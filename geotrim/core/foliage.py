"""How much of each tree's foliage lies where: above a height, between two, and the other way round.

Three ways to hold foliage, by canopy model:

``column``, ``crown-base``
    Every cell is a column of foliage from the tree's base to the cell's height. (Under ``column``
    the base is the one that is known, else the substrate.)
a solid
    A solid of :mod:`geotrim.core.solids` between base and top, as wide as the crown.
``profile``
    The volume of the columns down to the substrate, spread over heights as leaf-area layers are.

Heights may be drawn anew (``shift_ft``): every cell of a tree then stands so much higher. The base
stays where it is, since it was measured or stated by itself; leaf-area layers go along as a whole,
since they were made from the same ground as the heights. A cell that shows no canopy (a height of 0
or less) shows none however the others are moved.

Functions take heights of all n trees, or of the trees ``tree`` names; the last axis runs over
trees, and axes before it (draws, say) are free.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.core import solids
from geotrim.core.coverage import Floats, Ints
from geotrim.core.ragged_lines import RaggedLines, above_at, height_at, slack_of
from geotrim.errors import RangeError, ShapeError

Flags = npt.NDArray[np.bool_]
#: Canopy models whose foliage is columns of cells.
IN_COLUMNS = ("column", "crown-base")


@dataclass(frozen=True, slots=True, eq=False)
class Foliage:
    """Foliage of n trees under one canopy model.

    model : name of the canopy model.
    top_ft : (n,) height of the tree, for limits: measured in the field where it was, else that of
        the raster; NaN where nobody knows. [ft]
    foliage_top_ft : (n,) up to where its foliage reaches here: ``top_ft``, unless the raster's
        heights are left as they are. [ft]
    base_ft : (n,) where its foliage begins; NaN where that is unknown and the model needs it. [ft]
    whole_ft3 : (n,) all its foliage; NaN where unknown. [ft3]
    area_ft2 : (n,) the crown's own area. [ft2]
    columns : volume above a height of each tree's cells, down to no base.
    leaves : share of leaf area above a height, for ``profile``, else None.
    leaves_up_ft : (n,) how much higher the layers lie than they say. [ft]
    moved_ft : (n,) what was added to the raster's heights to reach a height measured in the field;
        0 where nothing was. [ft]
    is_even : (n,) True where the raster shows no canopy and the foliage is taken to stand evenly
        over the crown, up to a height measured in the field.
    is_partial : (n,) the raster shows part of the crown only, or nothing of it.
    cell_tree, cell_height_ft, cell_area_ft2 : (k,) the cells, tree by tree in rising order, heights
        moved; NaN where none is known. [ft, ft2]
    """

    model: str
    top_ft: Floats
    foliage_top_ft: Floats
    base_ft: Floats
    whole_ft3: Floats
    area_ft2: Floats
    columns: RaggedLines
    leaves: RaggedLines | None
    leaves_up_ft: Floats
    moved_ft: Floats
    is_even: Flags
    is_partial: Flags
    cell_tree: Ints
    cell_height_ft: Floats
    cell_area_ft2: Floats

    def __len__(self) -> int:
        return len(self.whole_ft3)

    @property
    def is_solid(self) -> bool:
        return self.model in solids.FORM_FACTORS


def whole_ft3(
    foliage: Foliage, shift_ft: npt.ArrayLike = 0.0, *, tree: npt.ArrayLike | None = None
) -> Floats:
    """All foliage of each tree, its cells raised; NaN where unknown. [ft3].

    Parameters
    ----------
    foliage : Foliage
    shift_ft : float or (..., m) array
        Added to the height of every cell, and to the top of a solid. [ft]
    tree : (m,) array, optional
        Numbers of trees; all of them by default.
    """
    which, shift = _fitted(foliage, tree, shift_ft)
    return _whole(foliage, which, shift)


def above_frac(
    foliage: Foliage,
    height_ft: npt.ArrayLike,
    shift_ft: npt.ArrayLike = 0.0,
    *,
    tree: npt.ArrayLike | None = None,
) -> Floats:
    """Share of each tree's foliage above a height.

    Parameters
    ----------
    foliage : Foliage
    height_ft : float or (..., m) array
        Above the substrate. [ft]
    shift_ft : float or (..., m) array
        Added to the height of every cell. [ft]
    tree : (m,) array, optional
        Numbers of trees; all of them by default.

    Returns
    -------
    share_frac : (..., m) array
        NaN where the foliage is unknown, or there is none.

    Notes
    -----
    Columns, from base b, of cells with height h and area A: ``sum A max(h - max(z, b), 0)`` over
    the same at z = b.
    """
    which, height, shift = _fitted(foliage, tree, height_ft, shift_ft)
    whole = _whole(foliage, which, shift)
    share: Floats = np.full(whole.shape, np.nan)
    if foliage.is_solid:
        base, top = foliage.base_ft[which], foliage.foliage_top_ft[which] + shift
        area = foliage.area_ft2[which]
        part = solids.solid_above_ft3(foliage.model, area, base, top, height)
    elif foliage.leaves is not None:
        at = height - foliage.leaves_up_ft[which] - shift
        frac = np.minimum(above_at(foliage.leaves, which, at), 1.0)
        # leaves that a lower ground would put under the substrate are the tree's all the same
        part = np.where(height <= 0.0, 1.0, frac) * whole
    else:
        floor = np.maximum(height, foliage.base_ft[which])
        part = above_at(foliage.columns, which, floor - shift)
    np.divide(part, whole, out=share, where=whole > 0.0)
    return np.clip(share, 0.0, 1.0)


def between_frac(
    foliage: Foliage,
    low_ft: npt.ArrayLike,
    high_ft: npt.ArrayLike,
    shift_ft: npt.ArrayLike = 0.0,
    *,
    tree: npt.ArrayLike | None = None,
) -> Floats:
    """Share of each tree's foliage between two heights; ``high_ft`` may be infinite.

    Parameters and the value are as of :func:`above_frac`; 0 where ``low_ft`` is over ``high_ft``.
    """
    low = above_frac(foliage, low_ft, shift_ft, tree=tree)
    return np.maximum(low - above_frac(foliage, high_ft, shift_ft, tree=tree), 0.0)


def cut_height_ft(
    foliage: Foliage,
    removed_frac: npt.ArrayLike,
    shift_ft: npt.ArrayLike = 0.0,
    *,
    tree: npt.ArrayLike | None = None,
) -> Floats:
    """Height of the level cut that takes a share of each tree's foliage off its top. [ft].

    The other way round from :func:`above_frac`, exactly. Where a gap in the foliage leaves a choice
    the highest cut is told; a share of 0 gives the highest foliage.

    Parameters
    ----------
    foliage : Foliage
    removed_frac : float or (..., m) array
        0 to 1; NaN gives NaN.
    shift_ft, tree :
        As for :func:`above_frac`.

    Raises
    ------
    RangeError
        If a share is outside 0 to 1.
    """
    which, removed, shift = _fitted(foliage, tree, removed_frac, shift_ft)
    if ((removed < 0.0) | (removed > 1.0)).any():
        raise RangeError(
            "removed_frac",
            f"{removed[(removed < 0.0) | (removed > 1.0)].flat[0]:g}",
            "shares from 0 to 1",
            "divide a percentage by 100",
        )
    whole = _whole(foliage, which, shift)
    if foliage.is_solid:
        base, top = foliage.base_ft[which], foliage.foliage_top_ft[which] + shift
        found = solids.cut_height_ft(foliage.model, base, top, removed)
    elif foliage.leaves is not None:
        up = foliage.leaves_up_ft[which] + shift
        slack = slack_of(np.ones_like(removed))
        found = np.maximum(height_at(foliage.leaves, which, removed, slack) + up, 0.0)
    else:
        found = height_at(foliage.columns, which, removed * whole, slack_of(whole)) + shift
        found = np.maximum(found, foliage.base_ft[which])
    return np.where(whole > 0.0, found, np.nan)


def band_height_ft(
    foliage: Foliage,
    low_ft: npt.ArrayLike,
    removed_frac: npt.ArrayLike,
    shift_ft: npt.ArrayLike = 0.0,
    *,
    tree: npt.ArrayLike | None = None,
) -> Floats:
    """Height up to which a tree is cleared from a height, to take a share of its foliage. [ft].

    Parameters
    ----------
    foliage : Foliage
    low_ft : float or (..., m) array
        Where clearing begins. [ft]
    removed_frac : float or (..., m) array
        0 to 1.
    shift_ft, tree :
        As for :func:`above_frac`.

    Returns
    -------
    high_ft : (..., m) array
        Infinite where less than the share lies above ``low_ft``; never under ``low_ft``.
    """
    which, low, removed, shift = _fitted(foliage, tree, low_ft, removed_frac, shift_ft)
    left = above_frac(foliage, low, shift, tree=which) - removed
    is_short = left < -float(slack_of(1.0))
    high = cut_height_ft(foliage, np.clip(left, 0.0, 1.0), shift, tree=which)
    return np.where(is_short, np.inf, np.maximum(high, low))


def part_frac(
    foliage: Foliage,
    low_ft: npt.ArrayLike,
    high_ft: npt.ArrayLike,
    is_in_part: Flags,
    *,
    tree: npt.ArrayLike | None = None,
) -> Floats:
    """Share of each tree's foliage between two heights on some of its cells.

    Parameters
    ----------
    foliage : Foliage
    low_ft, high_ft : float or (m,) array
        [ft]
    is_in_part : (k,) bool array
        Cells that count, in the order of the cells.
    tree : (m,) array, optional
        Numbers of trees, any of them more than once; all of them by default.

    Returns
    -------
    share_frac : (m,) array
        Of all the tree's foliage. Of a tree without cells nothing lies in any part.

    Notes
    -----
    Columns are counted cell by cell. A solid, and foliage that stands evenly, are divided as the
    area of their cells is; leaves of a profile as the volume of their columns is.
    """
    if np.shape(is_in_part) != foliage.cell_tree.shape:
        raise ShapeError(
            "is_in_part",
            f"an array of shape {np.shape(is_in_part)}",
            f"one flag for each of {len(foliage.cell_tree)} cells",
            "pass flags in the order of the cells",
        )
    which, low, high = _fitted(foliage, tree, low_ft, high_ft)
    between = between_frac(foliage, low, high, tree=which)
    row, cell = _cells_of(foliage, which)
    area = foliage.cell_area_ft2[cell]
    inside = is_in_part[cell]
    by_area = _part_of(row, area, inside, len(which))
    if foliage.is_solid:
        return between * by_area
    height = np.nan_to_num(np.maximum(foliage.cell_height_ft[cell], 0.0))
    if foliage.leaves is not None:
        part = between * _part_of(row, area * height, inside, len(which))
    else:
        base = foliage.base_ft[which]
        low, high = np.maximum(low, base)[row], np.maximum(high, base)[row]
        cut = np.maximum(np.minimum(height, high) - low, 0.0) * area * inside
        whole = foliage.whole_ft3[which]
        part = np.full(len(which), np.nan)
        sums = np.bincount(row, weights=cut, minlength=len(which))
        np.divide(sums, whole, out=part, where=whole > 0.0)
    return np.where(foliage.is_even[which], between * by_area, part)


def _whole(foliage: Foliage, which: Ints, shift: Floats) -> Floats:
    """All foliage, cells raised; NaN where it is unknown."""
    if foliage.is_solid:
        base, top = foliage.base_ft[which], foliage.foliage_top_ft[which] + shift
        found = solids.solid_above_ft3(foliage.model, foliage.area_ft2[which], base, top, base)
    else:
        base = np.zeros(len(foliage)) if foliage.leaves is not None else foliage.base_ft
        found = above_at(foliage.columns, which, base[which] - shift)
    return np.where(np.isnan(foliage.whole_ft3[which]), np.nan, found)


def _cells_of(foliage: Foliage, which: Ints) -> tuple[Ints, Ints]:
    """Cells of trees, tree by tree: the place of the tree among those asked for, and the cell."""
    first = np.searchsorted(foliage.cell_tree, which)
    n = np.searchsorted(foliage.cell_tree, which, side="right") - first
    row = np.repeat(np.arange(len(which)), n)
    return row, np.arange(row.size) + np.repeat(first - (np.cumsum(n) - n), n)


def _part_of(row: Ints, amount: Floats, inside: Flags, n: int) -> Floats:
    """Share of each row's amount that lies inside; 0 where there is none."""
    whole = np.bincount(row, weights=amount, minlength=n)
    out = np.zeros(n)
    np.divide(
        np.bincount(row, weights=amount * inside, minlength=n), whole, out=out, where=whole > 0
    )
    return out


def _fitted(foliage: Foliage, tree: npt.ArrayLike | None, *values: npt.ArrayLike) -> list[Any]:
    """Numbers of trees and values, all of one shape whose last axis runs over trees."""
    which = np.arange(len(foliage)) if tree is None else np.asarray(tree, dtype=np.int64)
    arrays = [np.asarray(value, dtype=np.float64) for value in values]
    try:
        return [np.array(a) for a in np.broadcast_arrays(which, *arrays)]
    except ValueError:
        shapes = ", ".join(str(a.shape) for a in arrays)
        raise ShapeError(
            "heights or shares",
            f"arrays of shape {shapes}",
            f"a last axis over {len(which)} trees",
            "pass one value a tree, or one for all",
        ) from None
