"""Canopy heights and volumes of many crowns, every block of the height source read once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotrim.core import _kernels
from geotrim.core.coverage import Floats, Ints, PixelRings, Rings, pixel_rings
from geotrim.core.threads import each_once
from geotrim.errors import RangeError, ShapeError
from geotrim.model import FloatArray, HeightSource

#: A crown seen less than this share short of whole is whole; rounding is far smaller.
WHOLE = 1e-9
#: Share of the coverage above the 99th percentile.
ABOVE_P99 = 0.01
#: Slack for the cells kept to find it, so that rounding never drops the one it is.
KEPT = 1e-6

#: Highest cells of crowns that go on in another block: crown, height, weight.
_Spill = tuple[Ints, Floats, Floats]


@dataclass(frozen=True, slots=True, eq=False)
class CanopyMeasures:
    """What one pass over a height source says of n crowns. Feet, square feet, cubic feet.

    crown_area_ft2 : (n,) the whole polygon.
    covered_frac : (n,) share of it that lies on cells with data; NaN for a crown without area.
    top_ft : (n,) highest cell that is covered enough; NaN if none is.
    p99_ft : (n,) 99th percentile, or NaN where not asked for; see :func:`measure_canopy`.
    mean_ft : (n,) mean height weighted by coverage; NaN if nothing was seen.
    breaks_ft : (k,) rising.
    above_ft3 : (n, k) canopy volume above each break; NaN if nothing was seen.
    """

    crown_area_ft2: Floats
    covered_frac: Floats
    top_ft: Floats
    p99_ft: Floats
    mean_ft: Floats
    breaks_ft: Floats
    above_ft3: Floats

    @property
    def is_partial(self) -> npt.NDArray[np.bool_]:
        """(n,) part of the crown was not seen: off the grid, on no data, or without area."""
        return ~(self.covered_frac >= 1.0 - WHOLE)

    def over_ft3(self, break_ft: float) -> Floats:
        """(n,) volume above one of the breaks."""
        at = np.flatnonzero(self.breaks_ft == break_ft)
        if at.size == 0:
            known = ", ".join(f"{b:g}" for b in self.breaks_ft)
            raise RangeError(
                "break", f"{break_ft:g} ft", f"one of {known}", "measure with that break as well"
            )
        column: Floats = self.above_ft3[:, at[0]]
        return column


def measure_canopy(
    rings: Rings,
    source: HeightSource,
    *,
    crown_area_ft2: npt.ArrayLike,
    cell_area_ft2: float | None = None,
    breaks_ft: npt.ArrayLike = (0.0, 6.0, 10.0),
    base_ft: npt.ArrayLike = 0.0,
    min_coverage_frac: float = 0.01,
    want_p99: bool = True,
    n_threads: int = 1,
) -> CanopyMeasures:
    """Heights and volumes of every crown, in one pass over the blocks they touch.

    Parameters
    ----------
    rings : Rings
        n crowns in the CRS of the source.
    source : HeightSource
        Each block is read once, however many crowns it holds; a crown may span blocks.
    crown_area_ft2 : (n,) array
        Area of each crown on the ground. [ft2]
    cell_area_ft2 : float, optional
        Area of a cell on the ground. None when the source has another CRS than the site: each
        crown then brings its own, its area over its cells. [ft2]
    breaks_ft : (k,) array
        Rising heights above the substrate. [ft]
    base_ft : float or (n,) array
        Canopy is solid from here to the height of the cell; 0 is the column model. [ft]
    min_coverage_frac : float
        Cells covered less are ignored for the top and the percentile, never for volumes.
    want_p99 : bool
        Whether to find the 99th percentile as well.
    n_threads : int
        Threads that read and measure blocks; the source must be fit to be read by several at once,
        as those of geotrim are. The result is the same to the last bit whatever their number.

    Raises
    ------
    RangeError, ShapeError
        If breaks do not rise, arrays do not fit the crowns, or there is no thread.

    Notes
    -----
    A cell with height h, covered by a share w of its area A, holds
    ``w A max(h - max(break, base), 0)`` above a break. Heights below the substrate hold nothing.
    A height that is not finite is no data, and adds to nothing but the unseen area.

    The 99th percentile is the least height of a cell such that the cells above it carry at most
    one hundredth of the coverage (weights equal to within 1e-9 are equal), among the cells that
    count for the top. It is exact: no histogram, no interpolation between cells. Each block keeps
    only the highest cells that can matter, about a hundredth of a crown.
    """
    n = len(rings)
    areas = _fit(crown_area_ft2, n, "crown_area_ft2")
    bases = _fit(base_ft, n, "base_ft")
    breaks = _rising(breaks_ft)
    per_ft = 1.0 / source.feet_per_unit
    pixels = pixel_rings(rings, source.transform, source.shape)
    padded = np.full(max(breaks.size, 3), np.inf)  # the kernel keeps three in registers
    padded[: breaks.size] = breaks * per_ft
    work = _Work(
        pixels,
        padded,
        bases * per_ft,
        max(min_coverage_frac - WHOLE, _kernels.LEAST_COVERAGE),
        ABOVE_P99 * (1.0 + KEPT) * pixels.area_cells if want_p99 else np.full(n, -1.0),
        want_p99,
    )
    totals, p99 = _read_blocks(work, source, n_threads)
    with np.errstate(invalid="ignore", divide="ignore"):
        cell_ft2 = areas / pixels.area_cells if cell_area_ft2 is None else cell_area_ft2
        covered = np.clip(totals.seen / pixels.area_cells, 0.0, 1.0)
        mean = totals.height_sum / totals.seen * source.feet_per_unit
        volume = (
            totals.above[:, : breaks.size]
            * (source.feet_per_unit * np.broadcast_to(cell_ft2, n))[:, None]
        )
    nothing = totals.seen == 0.0
    mean[nothing], volume[nothing] = np.nan, np.nan
    top = np.where(np.isfinite(totals.top), totals.top, np.nan) * source.feet_per_unit
    return CanopyMeasures(
        crown_area_ft2=areas,
        covered_frac=covered,
        top_ft=top,
        p99_ft=p99 * source.feet_per_unit,
        mean_ft=mean,
        breaks_ft=breaks,
        above_ft3=volume,
    )


class _Totals:
    """Sums over n crowns, or over n parts of them, in cells and in the source's vertical unit."""

    __slots__ = ("above", "sums", "top")

    def __init__(self, n: int, n_breaks: int) -> None:
        self.sums = np.zeros((3, n))  # one array, so that parts are added up in one go
        self.top = np.full(n, -np.inf)
        self.above = np.zeros((n, n_breaks))

    @property
    def seen(self) -> Floats:
        return self.sums[0]

    @property
    def counted(self) -> Floats:
        return self.sums[1]

    @property
    def height_sum(self) -> Floats:
        return self.sums[2]


@dataclass(frozen=True, slots=True, eq=False)
class _Work:
    """What is the same for every block. Everything is in pixels and in the source's unit."""

    pixels: PixelRings
    breaks: Floats
    bases: Floats
    least_coverage: float
    limits: Floats
    want_p99: bool


@dataclass(frozen=True, slots=True, eq=False)
class _Parts:
    """Crowns cut along the blocks: part i is of crown ``crowns[i]``, in block order.

    starts : first part of each touched block, and the end; ``blocks`` are their numbers.
    is_split : (n,) the crown has parts in several blocks.
    """

    crowns: Ints
    blocks: Ints
    across: int
    starts: Ints
    is_split: npt.NDArray[np.bool_]

    @classmethod
    def of(cls, windows: Ints, block_shape: tuple[int, int]) -> _Parts:
        crowns, block_of, across = crowns_by_block(windows, block_shape)
        starts = np.flatnonzero(np.diff(block_of, prepend=-1))
        is_split = np.bincount(crowns, minlength=len(windows)) > 1
        return cls(crowns, block_of[starts], across, np.append(starts, crowns.size), is_split)


def _read_blocks(
    work: _Work, source: HeightSource, n_threads: int
) -> tuple[_Totals, npt.NDArray[np.float64]]:
    """Read each touched block once; sums of each crown, and its percentile.

    What a block holds of a crown has a place of its own, and places are added up at the end in
    block order. So it does not matter which thread reads a block, or when.
    """
    windows = work.pixels.windows
    n, p99 = len(windows), np.full(len(windows), np.nan)
    parts = _Parts.of(windows, source.block_shape)
    totals = _Totals(n, work.breaks.size)
    held = _Totals(parts.crowns.size, work.breaks.size)
    spilled: list[_Spill | None] = [None] * parts.blocks.size

    def worker() -> Callable[[int], None]:
        room = _Room(windows, parts, source.block_shape, work.want_p99)

        def measure(number: int) -> None:
            spilled[number] = _measure_block(work, source, parts, number, room, held, p99)

        return measure

    each_once(worker, parts.blocks.size, n_threads)
    _kernels.add_up(
        parts.crowns, held.sums, held.above, held.top, totals.sums, totals.above, totals.top
    )
    some = [spill for spill in spilled if spill is not None]
    if some:
        _join_split_crowns(some, work.limits, totals, p99)
    return totals, p99


def _measure_block(
    work: _Work,
    source: HeightSource,
    parts: _Parts,
    number: int,
    room: _Room,
    held: _Totals,
    p99: Floats,
) -> _Spill | None:
    """Read one block and write what it holds of each crown; the cells that must wait come back."""
    mine = slice(int(parts.starts[number]), int(parts.starts[number + 1]))
    members = parts.crowns[mine]
    heights, n_cols, row0, col0 = _block(source, *divmod(int(parts.blocks[number]), parts.across))
    spill = room.for_spill(members)
    rings = work.pixels.rings
    n = _kernels.measure_block(
        rings.xy,
        rings.ring_offsets,
        work.pixels.signs,
        rings.crown_offsets,
        work.pixels.windows,
        members,
        heights,
        n_cols,
        row0,
        col0,
        work.breaks,
        work.bases,
        work.least_coverage,
        work.limits,
        room.acc,
        held.seen[mine],
        held.counted[mine],
        held.height_sum[mine],
        held.top[mine],
        held.above[mine],
        ABOVE_P99,
        p99,
        *room.heap,
        *spill,
    )
    return (spill[0][:n].copy(), spill[1][:n].copy(), spill[2][:n].copy()) if n else None


def _block(source: HeightSource, row: int, col: int) -> tuple[FloatArray, int, int, int]:
    """Cells of one block row by row, their number in a row, and the block's corner."""
    high, wide = source.block_shape
    row0, col0 = row * high, col * wide
    row1, col1 = min(row0 + high, source.shape[0]), min(col0 + wide, source.shape[1])
    heights = source.read(row0, row1, col0, col1)
    if heights.shape != (row1 - row0, col1 - col0):
        raise ShapeError(
            "heights",
            f"a block of shape {heights.shape}",
            f"{(row1 - row0, col1 - col0)}",
            "read exactly the rows and columns that were asked for",
        )
    # a read-only array would be compiled for again
    cells = np.require(heights, requirements=["C", "W"]).reshape(-1)
    return cells, col1 - col0, row0, col0


class _Room:
    """Memory the kernel works in, made once by each thread for all its blocks."""

    def __init__(
        self, windows: Ints, parts: _Parts, block_shape: tuple[int, int], want_p99: bool
    ) -> None:
        tall = np.minimum(windows[:, 1] - windows[:, 0], block_shape[0])
        wide = np.minimum(windows[:, 3] - windows[:, 2], block_shape[1])
        self.acc = np.zeros(int((tall * (wide + 2)).max()))
        size = int((tall * wide).max()) if want_p99 else 0
        self.heap = np.empty(size), np.empty(size)
        self.want_p99 = want_p99
        self.n_cells = tall * wide
        self.is_split = parts.is_split

    def for_spill(self, members: Ints) -> _Spill:
        """Room for cells of the crowns that go on in another block."""
        split = members[self.is_split[members]] if self.want_p99 else members[:0]
        n = int(self.n_cells[split].sum())
        return np.empty(n, np.int64), np.empty(n), np.empty(n)


def _join_split_crowns(spilled: list[_Spill], limits: Floats, totals: _Totals, p99: Floats) -> None:
    """The 99th percentile of crowns whose highest cells came from more than one block."""
    crown, height, weight = (np.concatenate(parts) for parts in zip(*spilled, strict=True))
    order = np.argsort(crown, kind="stable")
    crown, height, weight = crown[order], height[order], weight[order]
    starts = np.append(np.flatnonzero(np.diff(crown, prepend=-1)), crown.size)
    _kernels.percentiles(starts, crown, height, weight, totals.counted, ABOVE_P99, limits, p99)


def crowns_by_block(windows: Ints, block_shape: tuple[int, int]) -> tuple[Ints, Ints, int]:
    """Which crowns to measure in which block.

    Returns
    -------
    crowns, blocks : (m,) arrays
        One entry for each crown and block that meet, in block order.
    across : int
        Block b is in block row ``b // across`` and block column ``b % across``.

    Examples
    --------
    A crown over rows 0 to 3 and columns 3 to 5, in blocks of 4 by 4, meets two of them.

    >>> crowns_by_block(np.array([[0, 3, 3, 5]]), (4, 4))
    (array([0, 0]), array([0, 1]), 2)
    """
    high, wide = block_shape
    used = np.flatnonzero((windows[:, 1] > windows[:, 0]) & (windows[:, 3] > windows[:, 2]))
    row0, row1 = windows[used, 0] // high, (windows[used, 1] - 1) // high
    col0, col1 = windows[used, 2] // wide, (windows[used, 3] - 1) // wide
    across = int(col1.max(initial=0)) + 1
    n_cols = col1 - col0 + 1
    n_blocks = (row1 - row0 + 1) * n_cols
    which = np.repeat(np.arange(used.size), n_blocks)
    step = np.arange(which.size) - np.repeat(np.cumsum(n_blocks) - n_blocks, n_blocks)
    blocks = (row0[which] + step // n_cols[which]) * across + col0[which] + step % n_cols[which]
    order = np.argsort(blocks, kind="stable")
    return used[which][order], blocks[order], across


def _fit(values: npt.ArrayLike, n: int, name: str) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim == 0:
        array = np.full(n, float(array))
    if array.shape != (n,):
        raise ShapeError(
            name, f"an array of shape {array.shape}", f"one number for each of {n} crowns", "fit it"
        )
    return np.ascontiguousarray(array)


def _rising(breaks_ft: npt.ArrayLike) -> Floats:
    breaks = np.asarray(breaks_ft, dtype=np.float64)
    is_list = breaks.ndim == 1 and breaks.size > 0
    if not (is_list and np.isfinite(breaks).all() and (np.diff(breaks) > 0).all()):
        raise RangeError(
            "breaks_ft",
            f"{breaks.tolist()}",
            "heights that rise",
            "put the lowest first, each once",
        )
    return breaks
