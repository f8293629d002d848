"""Crowns drafted from heights, block by block, the same however the blocks are cut."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
import shapely

from geotrim.core.cell_outlines import cell_outlines
from geotrim.core.coverage import Floats, Transform
from geotrim.core.crown_confidence import CrownMeasures, measure_crowns
from geotrim.core.crown_regions import (
    GAP_FT,
    CrownRules,
    cut_to_crowns,
    drop_small,
    fill_holes,
    flood,
    sure_crowns,
)
from geotrim.core.treetops import (
    CellSize,
    Flags,
    cell_size,
    find_treetops,
    flat_tops,
    smooth_heights,
    smoothing_reach,
)
from geotrim.errors import RangeError
from geotrim.model import HeightSource

#: Cells along a side of a block; crowns belong to the block their treetop is in.
BLOCK_CELLS = 1024
#: A block's surroundings are widened until they settle its crowns, up to this many cells in all.
CELLS_MOST = 40_000_000
#: No plant stands taller; the tallest tree known is about 380 ft (common knowledge, from memory).
TALLEST_FT = 400.0
#: A cell so far under the substrate is counted: noise, or elevations.
UNDER_FT = -3.0


@dataclass(slots=True)
class Counts:
    """What happened on the way, counted.

    n_cells, n_known, n_canopy, n_under : cells looked at, with data, over the least height, and
        further under the substrate than ``UNDER_FT``.
    highest_ft : the highest cell looked at, NaN if none is known. [ft]
    n_tops : treetops found.
    n_small : of these, with a crown too small to keep.
    n_unsure : of these, with a crown that a tree outside the widest surroundings might change.
    n_crumb_cells : cells cut from crowns because they hang together with no treetop.
    n_hole_cells : cells of gaps filled.
    """

    n_cells: int = 0
    n_known: int = 0
    n_canopy: int = 0
    n_under: int = 0
    highest_ft: float = float("nan")
    n_tops: int = 0
    n_small: int = 0
    n_unsure: int = 0
    n_crumb_cells: int = 0
    n_hole_cells: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class CrownDraft:
    """Drafted crowns, one entry each, by their treetops from north to south, then west to east.

    outlines : (n,) shapely polygons in the CRS of the heights. [map units]
    top_xy : (n, 2) middle of each treetop's cell. [map units]
    measures : of each crown's cells.
    size : of a cell.
    counts : of what was left out.
    """

    outlines: Any
    top_xy: Floats
    measures: CrownMeasures
    size: CellSize
    counts: Counts

    def __len__(self) -> int:
        return len(self.outlines)


@dataclass(slots=True)
class _Window:
    """Rows and columns of a part of the raster, ``row1`` and ``col1`` not among them."""

    row0: int
    row1: int
    col0: int
    col1: int

    def grown(self, rows: int, cols: int, shape: tuple[int, int]) -> _Window:
        return _Window(
            max(self.row0 - rows, 0),
            min(self.row1 + rows, shape[0]),
            max(self.col0 - cols, 0),
            min(self.col1 + cols, shape[1]),
        )

    def within(self, other: _Window) -> tuple[slice, slice]:
        """Where this window lies in an array of another."""
        rows = slice(self.row0 - other.row0, self.row1 - other.row0)
        return rows, slice(self.col0 - other.col0, self.col1 - other.col0)

    def open_sides(self, shape: tuple[int, int]) -> Flags:
        """Whether the raster goes on in the north, south, west and east (of the array)."""
        ends = (self.row0 > 0, self.row1 < shape[0], self.col0 > 0, self.col1 < shape[1])
        return np.array(ends, dtype=np.bool_)

    @property
    def n_cells(self) -> int:
        return (self.row1 - self.row0) * (self.col1 - self.col0)


@dataclass(slots=True)
class _Found:
    """Crowns gathered so far, a list of arrays for each column."""

    outlines: list[Any] = field(default_factory=list)
    top_xy: list[Floats] = field(default_factory=list)
    measures: list[CrownMeasures] = field(default_factory=list)


def draft_crowns(
    source: HeightSource,
    feet_per_map_unit: float,
    rules: CrownRules | None = None,
    *,
    near: Any = None,
    block_cells: int = BLOCK_CELLS,
    progress: Callable[[str], None] | None = None,
) -> CrownDraft:
    """Draft a crown for every treetop of a height raster.

    Parameters
    ----------
    source : HeightSource
        Heights above the substrate.
    feet_per_map_unit : float
        Of the source's CRS.
    rules : CrownRules, optional
    near : shapely geometry, optional
        In the CRS of the source; only crowns that meet it are kept. Trees around it are still seen.
    block_cells : int
        Cells along a side of a block. It changes memory and time, and no crown.
    progress : callable, optional

    Raises
    ------
    RangeError
        If cells are sheared, or a height is over ``TALLEST_FT``: elevations, or another unit.

    Notes
    -----
    Each block is worked out with its surroundings, and these are widened until no tree beyond them
    could change a crown of the block (see :func:`geotrim.core.crown_regions.flood`).
    """
    rules = rules or CrownRules()
    size = cell_size(source.transform, feet_per_map_unit)
    found, counts = _Found(), Counts()
    blocks = [
        b for b in _blocks(source.shape, block_cells) if _is_near(b, source, near, rules, size)
    ]
    for number, block in enumerate(blocks, 1):
        if progress is not None:
            progress(f"crowns: block {number} of {len(blocks)}")
        _draft_block(source, block, rules, size, found, counts)
    return _in_order(found, counts, near, size)


def _blocks(shape: tuple[int, int], side: int) -> Iterator[_Window]:
    for row in range(0, shape[0], side):
        for col in range(0, shape[1], side):
            yield _Window(row, min(row + side, shape[0]), col, min(col + side, shape[1]))


def _is_near(
    block: _Window, source: HeightSource, near: Any, rules: CrownRules, size: CellSize
) -> bool:
    """Whether a crown whose treetop is in the block could meet the area."""
    if near is None:
        return True
    rows = int(rules.radius_max_ft / size.along_col_ft) + 1
    cols = int(rules.radius_max_ft / size.along_row_ft) + 1
    reach = block.grown(rows, cols, source.shape)
    corners = ((reach.col0, reach.row0), (reach.col1, reach.row0), (reach.col1, reach.row1),
               (reach.col0, reach.row1))  # fmt: skip
    ring = [_place(source.transform, row, col) for col, row in corners]
    return bool(shapely.intersects(shapely.Polygon(ring), near))


def _place(transform: Transform, row: Any, col: Any) -> Any:
    a, b, c, d, e, f = transform
    return a * col + b * row + c, d * col + e * row + f


def _draft_block(
    source: HeightSource,
    block: _Window,
    rules: CrownRules,
    size: CellSize,
    found: _Found,
    counts: Counts,
) -> None:
    """Add the crowns whose treetops are in the block."""
    if not _count(source, block, rules, counts):
        return
    around_ft = 2.0 * rules.radius_max_ft
    while True:
        rows, cols = (int(around_ft / s) + 1 for s in (size.along_col_ft, size.along_row_ft))
        window = block.grown(rows, cols, source.shape)
        piece = _Piece(source, window, rules, size)
        mine = piece.tops_in(block)
        is_last = not window.open_sides(source.shape).any() or window.n_cells >= CELLS_MOST
        if piece.settles(mine) or is_last:
            piece.hand_over(mine, found, counts)
            return
        around_ft *= 2.0


def _count(source: HeightSource, block: _Window, rules: CrownRules, counts: Counts) -> bool:
    """Count the block's cells; whether any could be of a crown."""
    height = _read(source, block)
    known = np.isfinite(height)
    counts.n_cells += height.size
    counts.n_known += int(known.sum())
    if not known.any():
        return False
    highest = float(np.nanmax(height))
    if highest > TALLEST_FT:
        raise RangeError(
            "heights",
            f"a cell of {highest:,.0f} ft",
            f"heights above the substrate, in the right unit, up to {TALLEST_FT:g} ft",
            "take the ground off elevations with geotrim prepare heights, or correct the unit",
        )
    counts.highest_ft = float(np.fmax(counts.highest_ft, highest))
    canopy = height[known] >= rules.height_min_ft
    counts.n_canopy += int(canopy.sum())
    counts.n_under += int((height[known] < UNDER_FT).sum())
    return bool(canopy.any())


def _read(source: HeightSource, window: _Window) -> Floats:
    cells = source.read(window.row0, window.row1, window.col0, window.col1)
    out: Floats = np.asarray(cells, dtype=np.float64) * source.feet_per_unit
    return out


class _Piece:
    """A window of the raster, flooded."""

    def __init__(
        self, source: HeightSource, window: _Window, rules: CrownRules, size: CellSize
    ) -> None:
        self.window, self.rules, self.size, self.transform = window, rules, size, source.transform
        # a search window looks as far as this beyond the flood, and smoothing beyond that
        rows = int(rules.radius_max_ft / size.along_col_ft) + 1
        cols = int(rules.radius_max_ft / size.along_row_ft) + 1
        seen = window.grown(rows, cols, source.shape)
        read = seen.grown(*smoothing_reach(rules.smooth_ft, size), source.shape)
        height = _read(source, read)
        canopy = np.where(height >= GAP_FT, height, np.nan)
        smooth = smooth_heights(canopy, rules.smooth_ft, size)[seen.within(read)]
        flats = flat_tops(smooth, rules.height_min_ft)
        tops = find_treetops(
            smooth,
            flats,
            size,
            base_ft=rules.window_base_ft,
            slope_frac=rules.window_slope_frac,
            most_ft=rules.radius_max_ft,
        )
        tops += np.array([seen.row0 - window.row0, seen.col0 - window.col0])
        n_rows, n_cols = window.row1 - window.row0, window.col1 - window.col0
        is_in = (tops >= 0).all(axis=1) & (tops[:, 0] < n_rows) & (tops[:, 1] < n_cols)
        self.tops = tops[is_in]
        self.height, self.smooth = height[window.within(read)], smooth[window.within(seen)]
        is_open = window.open_sides(source.shape)
        self.labels = flood(self.smooth, self.tops, rules.height_min_ft, is_open)
        # a flat top that runs from the window to the end of what is seen may go on beyond it
        self.has_long_flat = _runs_through(
            flats, seen.open_sides(source.shape), window.within(seen)
        )

    def tops_in(self, block: _Window) -> Any:
        """Numbers of the treetops in a block, from 0."""
        row, col = self.tops[:, 0] + self.window.row0, self.tops[:, 1] + self.window.col0
        is_in = (row >= block.row0) & (row < block.row1) & (col >= block.col0) & (col < block.col1)
        return np.flatnonzero(is_in)

    def sure(self, mine: Any) -> Flags:
        """Whether nothing beyond the window can change these crowns."""
        is_sure = sure_crowns(self.labels, len(self.tops))[mine + 1]
        return is_sure & (not self.has_long_flat)

    def settles(self, mine: Any) -> bool:
        return bool(self.sure(mine).all()) and not self.has_long_flat

    def hand_over(self, mine: Any, found: _Found, counts: Counts) -> None:
        """Cut the regions to crowns and add these of them."""
        n, size = len(self.tops), self.size
        counts.n_tops += len(mine)
        counts.n_unsure += int((~self.sure(mine)).sum())
        if len(mine) == 0:
            return
        crowns, n_crumbs = cut_to_crowns(
            self.labels, self.height, self.smooth, self.tops, size, self.rules
        )
        crowns, is_small = drop_small(crowns, n, size, self.rules.area_min_ft2)
        most_cells = self.rules.hole_max_ft2 / size.area_ft2
        crowns, n_filled = fill_holes(crowns, np.isfinite(self.height), n, most_cells)
        kept = mine[np.bincount(crowns.ravel(), minlength=n + 1)[mine + 1] > 0]
        counts.n_small += int(is_small[mine + 1].sum())
        counts.n_crumb_cells += int(n_crumbs[kept + 1].sum())
        counts.n_hole_cells += int(n_filled[kept + 1].sum())
        measures = measure_crowns(crowns, self.height, self.smooth, n, size)
        found.measures.append(measures.taken(kept))
        row0, col0 = self.window.row0, self.window.col0
        found.outlines.append(cell_outlines(crowns, kept + 1, self.transform, row0, col0))
        tops = self.tops[kept] + np.array([row0 + 0.5, col0 + 0.5])
        found.top_xy.append(np.column_stack(_place(self.transform, tops[:, 0], tops[:, 1])))


def _runs_through(flats: Any, is_open: Flags, inner: tuple[slice, slice]) -> bool:
    """Whether a flat top meets both an open side of an array and a window in it."""
    north, south, west, east = is_open
    sides = ((north, flats[0]), (south, flats[-1]), (west, flats[:, 0]), (east, flats[:, -1]))
    at_end = [np.unique(side) for is_there, side in sides if is_there]
    if not at_end:
        return False
    ends = np.concatenate(at_end)
    return bool(np.isin(ends[ends > 0], flats[inner]).any())


def _in_order(found: _Found, counts: Counts, near: Any, size: CellSize) -> CrownDraft:
    """Crowns of all blocks, those that meet the area, from north to south."""
    outlines = np.concatenate([np.empty(0, dtype=object), *found.outlines])
    top_xy = np.concatenate([np.empty((0, 2)), *found.top_xy])
    measures = CrownMeasures(
        *(
            np.concatenate([np.empty(0), *(getattr(m, column.name) for m in found.measures)])
            for column in fields(CrownMeasures)
        )
    )
    kept = np.arange(len(outlines))
    if near is not None and len(kept):
        shapely.prepare(near)
        kept = kept[shapely.intersects(near, outlines)]
    kept = kept[np.lexsort((top_xy[kept, 0], -top_xy[kept, 1]))]
    return CrownDraft(outlines[kept], top_xy[kept], measures.taken(kept), size, counts)
