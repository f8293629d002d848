"""The contour of a ground model at sub-cell accuracy, block by block, joined exactly.

Heights stand at cell centres and the ground between four of them is the surface that is straight
along each side (bilinear). The line crosses a side where straight interpolation meets the level.

Which sides a line crosses, and in which order, is found by contourpy (its serial algorithm). The
crossings themselves are worked out here from the two heights alone, so a crossing on the seam
of two blocks is the same number from both and has the same name: blocks are joined by name.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.errors import RangeError, ShapeError

Array = npt.NDArray[np.float64]

#: Sides of the blocks, in cells, where the caller says nothing.
BLOCK_CELLS = 512
#: Heights this near to the level stand at it. Cells in single precision carry 1 part in 1.7e7.
TIE = 1e-9
SINGLE_TIE = 4 * 2.0**-24
#: What contourpy is shown is kept off the level by this much and within this much, so that no
#: crossing lies so close to a cell centre that it could be of another side.
_LEAST, _MOST = 1e-6, 1e3
#: A crossing this near to a row or column is on it. [cells]
_ON_SIDE = 1e-10


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """One connected piece of a contour, ground above the level on its right.

    at : (n, 2), column and row in pixels from the corner of the first cell. Seen with rows
        running down the page. A closed piece repeats its first vertex.
    gradient : (n, 2), rise of the ground to the next column and to the next row. [height unit]
    """

    at: Array
    gradient: Array
    is_closed: bool


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Heights of one block and one cell around it; NaN where there is no data or no cell.

    row0, col0 : the first cell of the block itself, ``height[1, 1]``.
    """

    height: Array
    row0: int
    col0: int


def at_level_within(level: float, is_single: bool) -> float:
    """How near to the level a height counts as standing at it. [height unit].

    Examples
    --------
    A height of 0.4 that was kept in single precision is still 0.4:

    >>> abs(float(np.float32(0.4)) - 0.4) < at_level_within(0.4, True)
    True
    """
    return max(TIE, SINGLE_TIE * max(abs(level), 1.0)) if is_single else TIE


def blocks_of(
    source: Any,
    *,
    window: tuple[int, int, int, int] | None = None,
    block: tuple[int, int] | None = None,
    is_wanted: Callable[[int, int, int, int], bool] | None = None,
) -> Iterator[Block]:
    """Blocks of a ground model that share their outer cells, so that no square is left out.

    Parameters
    ----------
    source : HeightSource
        Read once a block, with one cell more on every side.
    window : (row0, row1, col0, col1), optional
        Cells to keep to; all by default.
    block : (rows, cols), optional
        Squares between cell centres in a block; the source's own blocks by default.
    is_wanted : callable, optional
        Asked with the cells (row0, row1, col0, col1) of a block before it is read.

    Raises
    ------
    ShapeError
        If there are not two rows and two columns to draw a line between.
    """
    n_rows, n_cols = source.shape
    row0, row1, col0, col1 = window or (0, n_rows, 0, n_cols)
    row0, row1, col0, col1 = max(row0, 0), min(row1, n_rows), max(col0, 0), min(col1, n_cols)
    if row1 - row0 < 2 or col1 - col0 < 2:
        raise ShapeError(
            "ground",
            f"{max(row1 - row0, 0)} x {max(col1 - col0, 0)} cells to look at",
            "at least 2 x 2, since heights stand at cell centres",
            "give a larger ground raster, or check that the lots lie on it",
        )
    rows, cols = block or source.block_shape
    rows, cols = max(int(rows), 1), max(int(cols), 1)
    for r0 in range(row0, row1 - 1, rows):
        for c0 in range(col0, col1 - 1, cols):
            r1, c1 = min(r0 + rows + 1, row1), min(c0 + cols + 1, col1)
            if is_wanted is None or is_wanted(r0, r1, c0, c1):
                yield Block(_read_with_rim(source, r0, r1, c0, c1), r0, c0)


def _read_with_rim(source: Any, r0: int, r1: int, c0: int, c1: int) -> Array:
    """Cells and the ring around them; NaN beyond the grid and where there is no height."""
    n_rows, n_cols = source.shape
    top, bottom = max(r0 - 1, 0), min(r1 + 1, n_rows)
    left, right = max(c0 - 1, 0), min(c1 + 1, n_cols)
    out = np.full((r1 - r0 + 2, c1 - c0 + 2), np.nan)
    inner = np.array(source.read(top, bottom, left, right), dtype=np.float64)
    inner[~np.isfinite(inner)] = np.nan
    at_row, at_col = top - (r0 - 1), left - (c0 - 1)
    out[at_row : at_row + inner.shape[0], at_col : at_col + inner.shape[1]] = inner
    return out


def contour(
    blocks: Iterable[Block], levels: Sequence[float], n_cols: int, *, tie: float = TIE
) -> list[list[Piece]]:
    """Contours at several levels, joined over the blocks.

    Parameters
    ----------
    blocks : iterable of Block
        As :func:`blocks_of` gives them; each is looked at once.
    levels : sequence of float
        In the unit of the heights.
    n_cols : int
        Columns of the whole grid.
    tie : float
        Heights this near to a level stand at it. [height unit]

    Returns
    -------
    list of list of Piece
        One list a level, in an order that does not depend on the blocks.

    Notes
    -----
    Ground exactly at the level counts as covered: the line keeps to the upper edge of a flat,
    through its outermost cell centres. Slots of such ground between higher ground have no width
    and are left out. Where two opposite corners of a square are above the level and the other two
    are not, the mean of the four decides whether the high ones are joined. A square with one
    corner missing is cut to the triangle of the others; with two missing it is left out: the
    line ends there, and never runs on along the gap.
    """
    for level in levels:
        if not np.isfinite(level):
            raise RangeError("level", f"{level}", "a number", "give the elevation in digits")
    found: list[list[_Run]] = [[] for _ in levels]
    for block in blocks:
        known = block.height[np.isfinite(block.height)]
        low, high = (known.min(), known.max()) if known.size else (np.inf, -np.inf)
        is_met = [low <= level + tie and high > level for level in levels]
        rises = _rises(block.height) if any(is_met) else None  # most blocks meet no level
        for k, level in enumerate(levels):
            if rises is not None and is_met[k]:
                found[k] += _trace(block, rises, level, n_cols, tie)
    return [_tidied(_joined(runs)) for runs in found]


@dataclass(frozen=True, slots=True, eq=False)
class _Run:
    """A piece inside one block; every vertex has the name of the side it crosses."""

    names: npt.NDArray[np.int64]
    at: Array
    gradient: Array


def _trace(
    block: Block, rises: tuple[Array, Array], level: float, n_cols: int, tie: float
) -> list[_Run]:
    above = block.height[1:-1, 1:-1] - level
    is_known = np.isfinite(above)
    above[np.abs(above) <= tie] = 0.0
    is_land = above > 0
    from contourpy import LineType, contour_generator

    shown = np.clip(np.abs(above), _LEAST, _MOST) * np.where(is_land, 1.0, -1.0)
    generator: Any = contour_generator(
        z=np.ma.masked_array(shown, ~is_known),
        name="serial",
        corner_mask=True,
        line_type=LineType.ChunkCombinedOffset,
    )
    (points,), (offsets,) = generator.lines(0.0)
    if points is None or offsets is None:
        return []
    names, at, gradient = _crossings(points, above, rises, block, n_cols)
    cuts = np.asarray(offsets, dtype=np.int64)
    return [_Run(names[i:j], at[i:j], gradient[i:j]) for i, j in pairwise(cuts)]


def _crossings(
    points: Array, above: Array, rises: tuple[Array, Array], block: Block, n_cols: int
) -> tuple[npt.NDArray[np.int64], Array, Array]:
    """Name, place and gradient of each vertex, from the two cells at the ends of its side."""
    x, y = points[:, 0], points[:, 1]
    off_x, off_y = np.abs(x - np.rint(x)), np.abs(y - np.rint(y))
    is_slanted = np.minimum(off_x, off_y) > _ON_SIDE  # the cut of a square with a corner missing
    is_upright = ~is_slanted & (off_x <= off_y)
    is_level = ~is_slanted & ~is_upright
    col = np.where(is_upright, np.rint(x), np.floor(x)).astype(np.int64)
    row = np.where(is_level, np.rint(y), np.floor(y)).astype(np.int64)
    last_row, last_col = (n - 1 for n in above.shape)
    to_row, to_col = np.minimum(row + 1, last_row), np.minimum(col + 1, last_col)
    falls = is_slanted & np.isfinite(above[row, col]) & np.isfinite(above[to_row, to_col])
    climbs = is_slanted & ~falls
    kind = np.select([is_level, is_upright, falls], [0, 1, 2], 3)
    name = ((row + block.row0) * n_cols + col + block.col0) * 4 + kind
    row_a, col_a = row, np.where(climbs, to_col, col)
    row_b, col_b = np.where(is_level, row, to_row), np.where(is_upright | climbs, col, to_col)
    a, b = above[row_a, col_a], above[row_b, col_b]
    share = a / (a - b)  # one is above 0, the other is not
    at = np.column_stack(
        [
            (col_a + block.col0 + 0.5) + share * (col_b - col_a),
            (row_a + block.row0 + 0.5) + share * (row_b - row_a),
        ]
    )
    by_col = _between(rises[0], row_a, col_a, row_b, col_b, share)
    by_row = _between(rises[1], row_a, col_a, row_b, col_b, share)
    by_col = np.where(is_level, b - a, by_col)
    by_row = np.where(is_upright, b - a, by_row)
    return name, at, np.column_stack([by_col, by_row])


def _rises(height: Array) -> tuple[Array, Array]:
    """Rise to the next column and row at each cell of a block, from its neighbours' heights.

    The mean of the steps on both sides, the one step where only one neighbour is known, NaN where
    none is.
    """
    middle = height[1:-1, 1:-1]
    by_col = _mean_known(middle - height[1:-1, :-2], height[1:-1, 2:] - middle)
    by_row = _mean_known(middle - height[:-2, 1:-1], height[2:, 1:-1] - middle)
    return by_col, by_row


def _mean_known(one: Array, other: Array) -> Array:
    mean = (one + other) / 2
    return np.where(np.isnan(one), other, np.where(np.isnan(other), one, mean))


def _between(rise: Array, row_a: Any, col_a: Any, row_b: Any, col_b: Any, share: Array) -> Array:
    """A rise between two cells; that of one where the other's is not known.

    A side that is crossed belongs to a square with a third known corner, so one of them is known.
    """
    a, b = rise[row_a, col_a], rise[row_b, col_b]
    a, b = np.where(np.isnan(a), b, a), np.where(np.isnan(b), a, b)
    return a + share * (b - a)


def _joined(runs: list[_Run]) -> list[Piece]:
    """Pieces over all blocks: where one run ends on a side and another starts there, they meet."""
    closed = [run for run in runs if len(run.names) > 2 and run.names[0] == run.names[-1]]
    whole = {id(run) for run in closed}
    loose = [run for run in runs if id(run) not in whole]
    starts = {int(run.names[0]): k for k, run in enumerate(loose)}
    ends = {int(run.names[-1]): k for k, run in enumerate(loose)}
    heads = [k for k, run in enumerate(loose) if int(run.names[0]) not in ends]
    is_used = np.zeros(len(loose), dtype=bool)
    joined = [_one(chain, False) for chain in _chains(loose, starts, heads, is_used)]
    rings = [k for k in range(len(loose)) if not is_used[k]]
    closed += [_one(chain, True) for chain in _chains(loose, starts, rings, is_used)]
    closed = [_from_the_least(run) for run in closed]
    joined.sort(key=lambda run: int(run.names[0]))
    closed.sort(key=lambda run: int(run.names[0]))
    return [
        *(Piece(run.at, run.gradient, False) for run in joined),
        *(Piece(run.at, run.gradient, True) for run in closed),
    ]


def _chains(
    runs: list[_Run], starts: dict[int, int], heads: list[int], is_used: npt.NDArray[np.bool_]
) -> Iterator[list[_Run]]:
    for head in heads:
        chain, here = [], head
        while here is not None and not is_used[here]:
            is_used[here] = True
            chain.append(runs[here])
            here = starts.get(int(runs[here].names[-1]))  # type: ignore[assignment]
        if chain:
            yield chain


def _one(chain: list[_Run], is_closed: bool) -> _Run:
    """Runs end to end; the vertex they share is kept once."""
    parts = [slice(0 if k == 0 else 1, None) for k in range(len(chain))]
    return _Run(
        np.concatenate([run.names[part] for run, part in zip(chain, parts, strict=True)]),
        np.concatenate([run.at[part] for run, part in zip(chain, parts, strict=True)]),
        np.concatenate([run.gradient[part] for run, part in zip(chain, parts, strict=True)]),
    )


def _from_the_least(run: _Run) -> _Run:
    """A closed run started at its vertex of the least name, whatever block it was found in."""
    first = int(np.argmin(run.names[:-1]))
    order = np.r_[first : len(run.names) - 1, 0 : first + 1]
    return _Run(run.names[order], run.at[order], run.gradient[order])


def _tidied(pieces: list[Piece]) -> list[Piece]:
    """Without repeated vertices, slots of no width, and pieces of no extent."""
    out = []
    for piece in pieces:
        keep = _kept(piece.at, piece.is_closed)
        if len(keep) >= (4 if piece.is_closed else 2):
            out.append(Piece(piece.at[keep], piece.gradient[keep], piece.is_closed))
    return out


def _kept(at: Array, is_closed: bool) -> npt.NDArray[np.int64]:
    """Places of the vertices that are left when every there-and-back is taken out."""
    is_same = (at[1:] == at[:-1]).all(axis=1)
    is_back = (at[2:] == at[:-2]).all(axis=1)
    turns_at_start = is_closed and bool((at[1] == at[-2]).all())
    if not is_same.any() and not is_back.any() and not turns_at_start:
        return np.arange(len(at))
    places = [(float(x), float(y)) for x, y in at]
    kept: list[int] = []
    for k, place in enumerate(places):
        if kept and places[kept[-1]] == place:
            continue
        if len(kept) > 1 and places[kept[-2]] == place:
            kept.pop()
            continue
        kept.append(k)
    if is_closed:
        low, high = 0, len(kept) - 1
        while high - low > 1 and places[kept[low + 1]] == places[kept[high - 1]]:
            low, high = low + 1, high - 1
        kept = kept[low : high + 1]
    return np.array(kept, dtype=np.int64)
