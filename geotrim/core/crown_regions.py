"""Crown regions: the cells that belong to each treetop, by a flood from the tops down."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotrim.core.coverage import Floats, Ints
from geotrim.core.treetops import CellSize, Flags

Labels = npt.NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class CrownRules:
    """What makes a tree and its crown; the same for the whole raster.

    smooth_ft : standard deviation of the Gaussian the canopy is smoothed with. Cells under
        ``GAP_FT`` are kept out of it, so that a crown ends where it ends. [ft]
    window_base_ft, window_slope_frac : radius of the search window at a height. The defaults run
        within about 1 ft of half the crown width that Popescu and Wynne (2004) give for mixed
        pines and broadleaves, 2.51503 + 0.00901 h2 (metres, from memory), from 10 to 70 ft tall.
    height_min_ft : lowest treetop, and lowest cell of a crown. The default is a tree of 6 ft seen
        over lidar ground that reads 1.1 ft high, give or take 0.9 ft, as measured in the wetlands
        of Collier County: trees under the window still belong to the fringe. [ft]
    edge_frac : a cell lower than this share of its treetop is not of its crown. The default is
        where a rounded crown that reaches the ground is widest: half way up. A cone of leaves
        down to the ground loses three quarters of its area by that, a dome one quarter.
    radius_max_ft : no cell of a crown, and no search window, reaches further. [ft]
    hole_max_ft2 : gaps inside one crown up to this size are filled. [ft2]
    area_min_ft2 : smaller crowns are left out. The default is a circle 4 ft wide. [ft2]
    """

    smooth_ft: float = 1.0
    window_base_ft: float = 3.0
    window_slope_frac: float = 0.1
    height_min_ft: float = 4.0
    edge_frac: float = 0.5
    radius_max_ft: float = 40.0
    hole_max_ft2: float = 25.0
    area_min_ft2: float = 12.5


#: Cells under this are gaps and no canopy, whatever the least height: ground, marsh, seedlings.
#: Common practice, no source. [ft]
GAP_FT = 2.0
#: Fewest cells of a crown: less has no shape.
CELLS_MIN = 4


def flood(smooth_ft: Floats, tops: Ints, height_min_ft: float, open_sides: Flags) -> Labels:
    """Share out the canopy among the treetops, and mark what may belong to trees off the window.

    Parameters
    ----------
    smooth_ft : (rows, cols) array
        Smoothed heights, NaN for no data. [ft]
    tops : (n, 2) array of row, column
    height_min_ft : float
        Lower cells are flooded by nobody. [ft]
    open_sides : (4,) flags
        Whether the raster goes on beyond the window in the north, south, west, east.

    Returns
    -------
    labels : (rows, cols) array
        0 for no crown, k + 1 for ``tops[k]``, -1 for cells that a tree outside could reach first.

    Notes
    -----
    Watershed of the heights turned upside down, with the treetops as markers; cells meet by their
    sides, not by their corners. Cells along an open side start a flood of their own, as if a tree
    stood just outside at their height: no tree that is really there could flood the window sooner.
    A crown that nowhere meets that flood is therefore the same in every larger window.

    References
    ----------
    Meyer and Beucher 1990, Morphological segmentation, Journal of Visual Communication and Image
    Representation 1; Meyer 1994, Signal Processing 38 (from memory).
    """
    from skimage.segmentation import watershed

    outside = len(tops) + 1
    markers: Labels = np.zeros(smooth_ft.shape, dtype=np.int32)
    markers[tops[:, 0], tops[:, 1]] = np.arange(1, len(tops) + 1)
    north, south, west, east = open_sides
    for is_open, side in (
        (north, markers[:1]),
        (south, markers[-1:]),
        (west, markers[:, :1]),
        (east, markers[:, -1:]),
    ):
        if is_open:
            side[...] = outside
    with np.errstate(invalid="ignore"):
        is_canopy = smooth_ft >= height_min_ft
    down = np.where(is_canopy, -smooth_ft, 0.0)
    labels = watershed(  # type: ignore[no-untyped-call]
        down, np.where(is_canopy, markers, 0), mask=is_canopy, connectivity=1
    )
    labels = labels.astype(np.int32)
    labels[labels == outside] = -1
    return labels


def sure_crowns(labels: Labels, n: int) -> Flags:
    """Crowns that no tree outside the window can have changed, nor any crown beside them.

    Returns
    -------
    is_sure : (n + 1,) flags, by label; that of 0 means nothing
    """
    is_sure: Flags = np.ones(n + 1, dtype=np.bool_)
    pairs = touching(labels)
    outside = np.unique(pairs[(pairs < 0).any(axis=1)])
    is_sure[outside[outside > 0]] = False
    between = pairs[(pairs > 0).all(axis=1)]
    beside = between[~is_sure[between].all(axis=1)]
    is_sure[np.unique(beside)] = False
    # a crown whose own top lies in the flood from outside
    present = np.unique(labels[labels > 0])
    is_gone: Flags = np.ones(n + 1, dtype=np.bool_)
    is_gone[present] = False
    return is_sure & ~is_gone


def touching(labels: Labels) -> npt.NDArray[np.int32]:
    """Pairs of different labels of cells that share a side, in no order, some many times."""
    sides = ((labels[:, :-1], labels[:, 1:]), (labels[:-1], labels[1:]))
    found = [np.column_stack([p[p != q], q[p != q]]) for p, q in sides]
    return np.concatenate(found).astype(np.int32)


def cut_to_crowns(
    labels: Labels,
    height_ft: Floats,
    smooth_ft: Floats,
    tops: Ints,
    size: CellSize,
    rules: CrownRules,
) -> tuple[Labels, Ints]:
    """Keep the cells of each flooded region that can be its tree's crown.

    Returns
    -------
    crowns : (rows, cols) array
        As ``labels``, with 0 for what was cut. A crown is one piece, with its treetop in it.
    n_crumbs : (n + 1,) array
        Cells cut from each label because they hang together with its treetop no longer.

    Notes
    -----
    A cell goes if its smoothed height is lower than ``edge_frac`` of the height of the treetop's
    cell, which smoothing would take off a pointed tree, or higher than that of the treetop; or if
    it is further from the treetop than ``radius_max_ft``.
    """
    from skimage.measure import label

    n = len(tops)
    rows, cols = np.nonzero(labels > 0)
    mine = labels[rows, cols] - 1
    here, top = smooth_ft[rows, cols], smooth_ft[tops[mine, 0], tops[mine, 1]]
    edge = np.minimum(rules.edge_frac * height_ft[tops[mine, 0], tops[mine, 1]], top)
    away = np.hypot(
        (rows - tops[mine, 0]) * size.along_col_ft, (cols - tops[mine, 1]) * size.along_row_ft
    )
    stays = (here >= edge) & (here <= top) & (away <= rules.radius_max_ft)
    crowns: Labels = np.zeros_like(labels)
    crowns[rows[stays], cols[stays]] = mine[stays] + 1
    pieces = label(crowns, background=0, connectivity=1)  # type: ignore[no-untyped-call]
    of_top = np.zeros(n + 1, dtype=np.int64)
    of_top[1:] = np.where(labels[tops[:, 0], tops[:, 1]] > 0, pieces[tops[:, 0], tops[:, 1]], -1)
    is_crumb = (crowns > 0) & (pieces != of_top[crowns])
    n_crumbs = np.bincount(crowns[is_crumb], minlength=n + 1)
    crowns[is_crumb] = 0
    return crowns, n_crumbs.astype(np.int64)


def drop_small(crowns: Labels, n: int, size: CellSize, area_min_ft2: float) -> tuple[Labels, Flags]:
    """Take out crowns that are too small to be told; and which ones those were, by label."""
    n_cells = np.bincount(crowns[crowns > 0], minlength=n + 1)
    is_small = (n_cells < CELLS_MIN) | (n_cells * size.area_ft2 < area_min_ft2)
    is_small &= n_cells > 0
    is_small[0] = False
    return np.where(is_small[np.maximum(crowns, 0)], 0, crowns).astype(np.int32), is_small


def fill_holes(crowns: Labels, known: Flags, n: int, hole_max_cells: float) -> tuple[Labels, Ints]:
    """Give gaps inside a crown to it: of up to so many cells, all known, without another crown.

    Returns
    -------
    crowns : (rows, cols) array
    n_filled : (n + 1,) array
        Cells added to each label.
    """
    from scipy import ndimage

    out = crowns.copy()
    n_filled = np.zeros(n + 1, dtype=np.int64)
    for k, place in enumerate(ndimage.find_objects(np.maximum(crowns, 0)), 1):
        if place is None:
            continue
        mine = crowns[place] == k
        # a gap that meets the outside by a corner is open: crowns hang together by sides only
        inside = ndimage.binary_fill_holes(mine, structure=np.ones((3, 3))) & ~mine
        if not inside.any():
            continue
        holes, n_holes = ndimage.label(inside, structure=np.ones((3, 3)))
        is_gap = (crowns[place] == 0) & known[place]
        for hole in range(1, n_holes + 1):
            cells = holes == hole
            if cells.sum() <= hole_max_cells and is_gap[cells].all():
                out[place][cells] = k
                n_filled[k] += int(cells.sum())
    return out, n_filled
