"""How clearly a drafted crown stands apart: measures of its cells, and a confidence from them."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from geotrim.core.coverage import Floats, Ints
from geotrim.core.crown_regions import Labels
from geotrim.core.treetops import CellSize

#: A saddle this share of the treetop's height deep parts two trees as clearly as can be told.
DEEP_FRAC = 0.2
#: With so many cells a crown is half as well told as a large one.
CELLS_HALF = 6.0
#: A crown closed in by neighbours all round keeps this share of what an open one has.
CLOSED_FRAC = 0.4
#: A share under this is told as a reason.
LOW_FRAC = 0.5
#: What a low share means, in words; the order is that of the columns of :func:`shares`.
REASONS = (
    "hardly parted from its neighbour",
    "rough heights beside the parting",
    "closed in by neighbours",
    "few cells",
    "cut by missing data",
)


@dataclass(frozen=True, slots=True, eq=False)
class CrownMeasures:
    """What the cells of each crown say, one entry a crown.

    n_cells : cells of the crown.
    top_ft : its treetop in smoothed heights. [ft]
    height_ft : its highest cell, not smoothed. [ft]
    saddle_ft : the highest way from it into a neighbour, in smoothed heights; 0 with no neighbour
        at its side. [ft]
    rough_ft : root mean square of what smoothing took from, or gave to, its cells. [ft]
    open_ft, closed_ft, cut_ft : length of its edge, along cell sides, against cells of no crown,
        neighbours, and no data. [ft]
    """

    n_cells: Ints
    top_ft: Floats
    height_ft: Floats
    saddle_ft: Floats
    rough_ft: Floats
    open_ft: Floats
    closed_ft: Floats
    cut_ft: Floats

    @property
    def edge_ft(self) -> Floats:
        return self.open_ft + self.closed_ft + self.cut_ft

    def taken(self, which: npt.ArrayLike) -> CrownMeasures:
        """The measures of some crowns, in that order."""
        return CrownMeasures(*(getattr(self, column.name)[which] for column in fields(self)))


def measure_crowns(
    crowns: Labels, height_ft: Floats, smooth_ft: Floats, n: int, size: CellSize
) -> CrownMeasures:
    """Measures of crowns 1 to ``n``; NaN heights for a label without cells.

    Parameters
    ----------
    crowns : (rows, cols) array
        Label of each cell, 0 or less for none. What lies off the array counts as no data.
    height_ft : (rows, cols) array
        As read, NaN for no data. [ft]
    smooth_ft : (rows, cols) array
        The canopy, smoothed; NaN where there is none. [ft]
    """
    rows, cols = np.nonzero(crowns > 0)
    mine, height, smooth = crowns[rows, cols], height_ft[rows, cols], smooth_ft[rows, cols]
    n_cells = np.bincount(mine, minlength=n + 1)
    top, high = np.full(n + 1, -np.inf), np.full(n + 1, -np.inf)
    np.maximum.at(top, mine, np.nan_to_num(smooth))
    np.maximum.at(high, mine, height)
    taken = np.nan_to_num(height - smooth)  # a gap that was filled has no smoothed height
    squares = np.bincount(mine, taken**2, minlength=n + 1)
    saddle, edges = np.zeros(n + 1), np.zeros((3, n + 1))
    around = np.pad(crowns, 1)
    known = np.pad(np.isfinite(height_ft), 1)
    lifted = np.pad(np.nan_to_num(smooth_ft), 1)
    for row, col in ((0, 1), (0, -1), (1, 0), (-1, 0)):
        there = rows + 1 + row, cols + 1 + col
        other = around[there]
        is_closed = (other > 0) & (other != mine)
        is_cut, is_open = ~known[there], (other <= 0) & known[there]
        side_ft = size.along_row_ft if row else size.along_col_ft
        for part, flags in zip(edges, (is_open, is_closed, is_cut), strict=True):
            part += np.bincount(mine[flags], minlength=n + 1) * side_ft
        ways = np.minimum(lifted[rows + 1, cols + 1], lifted[there])
        np.maximum.at(saddle, mine[is_closed], ways[is_closed])
    with np.errstate(invalid="ignore"):
        rough = np.sqrt(squares / n_cells)
    top, high = (np.where(n_cells > 0, value, np.nan)[1:] for value in (top, high))
    open_ft, closed_ft, cut_ft = edges[:, 1:]
    return CrownMeasures(
        n_cells[1:].astype(np.int64), top, high, saddle[1:], rough[1:], open_ft, closed_ft, cut_ft
    )


def shares(crowns: CrownMeasures) -> Floats:
    """Five shares from 0 to 1 for each crown, of which the confidence is made.

    Returns
    -------
    shares : (n, 5) array
        parted : depth of the saddle under the treetop, as a share of the treetop's height; 1 from
            ``DEEP_FRAC`` up.
        clear : that depth over itself and twice the roughness of the crown's heights.
        open : share of the edge that is open, from ``CLOSED_FRAC`` for none to 1 for all.
        large : cells over cells and ``CELLS_HALF``.
        whole : share of the edge that is not on missing data or the raster's end.
    """
    depth = np.maximum(crowns.top_ft - crowns.saddle_ft, 0.0)
    parted = np.minimum(depth / (DEEP_FRAC * crowns.top_ft), 1.0)
    noise = depth + 2.0 * crowns.rough_ft
    clear = np.divide(depth, noise, out=np.zeros_like(depth), where=noise > 0)
    edge = crowns.edge_ft
    is_open = CLOSED_FRAC + (1.0 - CLOSED_FRAC) * (1.0 - crowns.closed_ft / edge)
    large = crowns.n_cells / (crowns.n_cells + CELLS_HALF)
    whole = 1.0 - crowns.cut_ft / edge
    return np.column_stack([parted, clear, is_open, large, whole])


def confidence(parts: npt.ArrayLike) -> Floats:
    """The geometric mean of the shares: 1 where all are, 0 where one is, rising in each.

    It orders crowns by how clearly the heights show them. It is no chance of being right.

    Examples
    --------
    >>> confidence([[1.0, 1.0, 1.0, 1.0, 1.0], [0.0, 1.0, 1.0, 1.0, 1.0]]).tolist()
    [1.0, 0.0]
    """
    values = np.asarray(parts, dtype=np.float64)
    return np.asarray(np.prod(values, axis=1) ** (1.0 / values.shape[1]))


def reasons(parts: npt.ArrayLike) -> list[str]:
    """Why each crown is not told more surely: every share under ``LOW_FRAC``, lowest first.

    Examples
    --------
    >>> reasons([[0.9, 0.4, 1.0, 0.2, 1.0], [1.0, 1.0, 1.0, 1.0, 1.0]])
    ['few cells; rough heights beside the parting', '']
    """
    values = np.asarray(parts, dtype=np.float64)
    told = []
    for row in values:
        low = [k for k in np.argsort(row, kind="stable") if row[k] < LOW_FRAC]
        told.append("; ".join(REASONS[k] for k in low))
    return told
