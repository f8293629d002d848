"""Clouds larger than memory: spooled once into small squares, handed over tile by tile.

The squares are whole cells of the raster to be made, so that a tile's cells are its own. Each
return is written once, into a file that has no name and vanishes with the process, however that
ends. A tile is a rectangle of squares with few enough returns; the returns around it are looked up
among the neighbours when it is read. A cloud small enough for one tile stays in memory.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from geotrim.errors import FileError, LayerError
from geotrim.io.clouds import CHUNK, GROUND, WATER, Cloud, Points, check_same

#: Returns of a tile, about: a tile of them takes some 400 MB with its triangulation.
TILE_POINTS = 2_000_000
#: Cells of a tile, at most: where returns are few it is these that take the memory.
TILE_CELLS = 4_000_000
#: Squares that a tile is made of, on average. More fit a cloud better whose density varies.
SQUARES_A_TILE = 64
#: A square has at least this many cells a side.
LEAST_SQUARE_CELLS = 16
#: Classes that the lowest surface is made of: looked up around a tile.
BASE = (GROUND, WATER)
#: How a return is kept in the file.
RECORD = np.dtype(
    [
        ("x", np.float64),
        ("y", np.float64),
        ("z", np.float64),
        ("kind", np.uint8),
        ("return_number", np.uint8),
        ("n_returns", np.uint8),
        ("flags", np.uint8),
    ]
)

Bounds = tuple[float, float, float, float]
Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True, eq=False)
class Tile:
    """A rectangle of whole cells and its returns.

    row0, row1, col0, col1 : its cells on the lattice of multiples of the cell, rows counted to the
        south from y = 0, columns to the east from x = 0; the last ones not included.
    own : returns inside. One on the side of two cells belongs to the one in the east and the south.
    around : returns outside, up to the reach that was asked for.
    """

    row0: int
    row1: int
    col0: int
    col1: int
    own: Points
    around: Points


@dataclass(slots=True, eq=False)
class Counts:
    """What was read and what was left out, by class.

    read : (256,) returns of each class, as they stand in the files.
    left_out : reason -> (256,) of those.
    n_outside_header : returns outside the box that the header of their file tells.
    """

    read: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros(256, np.int64))
    left_out: dict[str, npt.NDArray[np.int64]] = field(default_factory=dict)

    def leave_out(self, reason: str, kinds: npt.NDArray[np.uint8]) -> None:
        """Count returns left out for one reason."""
        if kinds.size:
            so_far = self.left_out.get(reason, np.zeros(256, np.int64))
            self.left_out[reason] = so_far + np.bincount(kinds, minlength=256)

    @property
    def kept(self) -> npt.NDArray[np.int64]:
        """Returns of each class that were kept."""
        out = self.read.copy()
        for gone in self.left_out.values():
            out -= gone
        return out


#: What to leave out: takes points, gives reason -> mask; the first reason that holds counts.
Sieve = Callable[[Points], dict[str, npt.NDArray[np.bool_]]]


class TiledCloud:
    """Returns of one or several clouds, by tile; made by :func:`tile_clouds`.

    Use it in a ``with`` block: at its end the spooled returns are gone.

    cell : side of a cell. [map units]
    counts : what was read and left out.
    n_kept : returns that were kept.
    bounds : west, south, east, north of them. [map units]
    is_spooled : whether they lie on disk.
    """

    def __init__(self, cell: float, square: int, store: _Store, tile_points: int) -> None:
        self.cell, self._square, self._store = cell, square, store
        self._tile_points = tile_points
        self.counts = Counts()
        self.bounds: Bounds = (np.inf, np.inf, -np.inf, -np.inf)
        self.n_kept = 0
        self._parts: list[npt.NDArray[np.int64]] = []  # (k, 5): row, col, is base, start, length
        self._runs = np.zeros((0, 5), np.int64)

    def __enter__(self) -> TiledCloud:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, err: BaseException | None, tb: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the spooled returns."""
        self._store.close()

    @property
    def is_spooled(self) -> bool:
        return isinstance(self._store, _Disk)

    @property
    def n_ground(self) -> int:
        """Kept returns of the class of ground."""
        return int(self.counts.kept[GROUND])

    def add(self, points: Points) -> None:
        """Spool some returns, sorted by square; within one, ground and water by themselves."""
        n = len(points)
        if n == 0:
            return
        west, south, east, north = self.bounds
        self.bounds = (
            min(west, float(points.x.min())),
            min(south, float(points.y.min())),
            max(east, float(points.x.max())),
            max(north, float(points.y.max())),
        )
        side = self.cell
        col = (np.floor(points.x / side) // self._square).astype(np.int64)
        row = (np.floor(-points.y / side) // self._square).astype(np.int64)
        row0, col0 = int(row.min()), int(col.min())
        wide = int(col.max()) - col0 + 1
        key = ((row - row0) * wide + (col - col0)) * 2 + np.isin(points.kind, BASE)
        if key.max() < 2**16:
            key = key.astype(np.uint16)  # sorted by digits, several times faster
        order = np.argsort(key, kind="stable")
        records = np.empty(n, RECORD)
        for name in Points.__slots__:
            records[name] = getattr(points, name)[order]
        key = key[order]
        starts = np.concatenate([[0], np.flatnonzero(np.diff(key)) + 1])
        sizes = np.diff(np.append(starts, n))
        place = key[starts].astype(np.int64)
        square = place // 2
        self._parts.append(
            np.column_stack(
                [
                    square // wide + row0,
                    square % wide + col0,
                    place % 2,
                    starts + self.n_kept,
                    sizes,
                ]
            )
        )
        self._store.append(records)
        self.n_kept += n

    def tiles(self, reach: float = 0.0, *, only_base: bool = True) -> Iterator[Tile]:
        """Tile by tile, from the north to the south.

        Parameters
        ----------
        reach : float
            How far outside a tile returns are looked up. [map units]
        only_base : bool
            Whether only those of ground and water are (``BASE``).
        """
        self._settle()
        margin = int(np.ceil(reach / (self.cell * self._square)))
        side = self.cell * self._square
        for row0, row1, col0, col1 in self._rectangles():
            own = self._read(self._inside(row0, row1, col0, col1))
            west, east = col0 * side - reach, col1 * side + reach
            south, north = -row1 * side - reach, -row0 * side + reach
            near = self._inside(row0 - margin, row1 + margin, col0 - margin, col1 + margin)
            near &= ~self._inside(row0, row1, col0, col1)
            if only_base:
                near &= self._runs[:, 2] == 1
            around = self._read(near)
            is_near = (around.x >= west) & (around.x <= east)
            is_near &= (around.y >= south) & (around.y <= north)
            k = self._square
            yield Tile(row0 * k, row1 * k, col0 * k, col1 * k, own, around.take(is_near))

    def n_tiles(self) -> int:
        """How many tiles there are."""
        self._settle()
        return len(self._rectangles())

    def _settle(self) -> None:
        if self._parts:
            self._runs = np.concatenate([self._runs, *self._parts])
            self._parts = []

    def _inside(self, row0: int, row1: int, col0: int, col1: int) -> npt.NDArray[np.bool_]:
        row, col = self._runs[:, 0], self._runs[:, 1]
        return (row >= row0) & (row < row1) & (col >= col0) & (col < col1)

    def _read(self, which: npt.NDArray[np.bool_]) -> Points:
        runs = self._runs[which][:, 3:]
        return _points(self._store.read(runs[np.argsort(runs[:, 0], kind="stable")]))

    def _rectangles(self) -> list[tuple[int, int, int, int]]:
        """The whole extent in rectangles of squares, halved across their longer side until each
        holds few returns and not too many cells.
        """  # noqa: D205
        squares, at = np.unique(self._runs[:, :2], axis=0, return_inverse=True)
        n = np.bincount(at.ravel(), self._runs[:, 4], len(squares)).astype(np.int64)
        low, high = squares.min(axis=0), squares.max(axis=0) + 1
        done: list[tuple[int, int, int, int]] = []
        waiting = [(np.arange(len(squares)), low, high)]
        while waiting:
            some, low, high = waiting.pop()
            n_cells = int(np.prod(high - low)) * self._square**2
            is_small = n[some].sum() <= self._tile_points and n_cells <= TILE_CELLS
            if is_small or (high - low == 1).all():
                done.append((int(low[0]), int(high[0]), int(low[1]), int(high[1])))
                continue
            axis = int(np.argmax(high - low))
            middle = (low[axis] + high[axis]) // 2
            is_low = squares[some, axis] < middle
            upper, lower = high.copy(), low.copy()
            upper[axis] = lower[axis] = middle
            waiting += [(some[is_low], low, upper), (some[~is_low], lower, high)]
        return sorted(done)


def tile_clouds(
    clouds: Sequence[Cloud],
    *,
    cell: float,
    sieve: Sieve,
    near: Bounds | None = None,
    near_what: str = "the lots",
    tile_points: int = TILE_POINTS,
    folder: Path | None = None,
    progress: Progress = lambda _: None,
) -> TiledCloud:
    """Read clouds once, and have them ready by tile.

    Parameters
    ----------
    clouds : sequence of Cloud
        In one plane and one unit of height.
    cell : float
        Side of a cell of the raster to be made. [map units]
    sieve : callable
        Which returns to leave out, and why.
    near : west, south, east, north, optional
        Only returns inside are kept. [map units]
    near_what : str
        What that lies around, in words.
    tile_points : int
        Returns of a tile, at most, unless a single square holds more.
    folder : Path, optional
        Where to spool, if the cloud does not fit one tile; with room for 28 bytes a return.
    progress : callable

    Raises
    ------
    LayerError
        If nothing is kept.
    FileError
        If there is no room to spool.
    """
    check_same(list(clouds))
    total = sum(cloud.n_points for cloud in clouds)
    is_small = total <= tile_points
    store = _Memory() if is_small else _Disk(folder)
    tiled = TiledCloud(cell, _square_cells(clouds, cell, tile_points), store, tile_points)
    n_seen = 0
    try:
        for cloud in clouds:
            for points in cloud.chunks(CHUNK):
                n_seen += len(points)
                tiled.add(_sifted(points, sieve, near, near_what, tiled.counts))
                if not is_small:
                    progress(f"reading {cloud.path.name}: {n_seen:,} of {total:,} returns")
        _check_some(tiled, clouds, None if near is None else near_what)
    except BaseException:
        tiled.close()
        raise
    return tiled


def _sifted(
    points: Points, sieve: Sieve, near: Bounds | None, near_what: str, counts: Counts
) -> Points:
    """What is kept of some points; the rest is counted with the first reason that holds."""
    counts.read += np.bincount(points.kind, minlength=256)
    keep = np.ones(len(points), bool)
    if near is not None:
        west, south, east, north = near
        is_far = (points.x < west) | (points.x > east) | (points.y < south) | (points.y > north)
        counts.leave_out(f"far from {near_what}", points.kind[is_far])
        keep &= ~is_far
    for reason, is_out in sieve(points).items():
        counts.leave_out(reason, points.kind[is_out & keep])
        keep &= ~is_out
    return points if keep.all() else points.take(keep)


def _square_cells(clouds: Sequence[Cloud], cell: float, tile_points: int) -> int:
    """Cells a side of a square: a power of two, so that squares fit the blocks of a raster.

    In a thin cloud a square of few returns could be of any size: it holds at most ``TILE_CELLS``.
    """
    west, south = (min(cloud.bounds[k] for cloud in clouds) for k in (0, 1))
    east, north = (max(cloud.bounds[k] for cloud in clouds) for k in (2, 3))
    total = sum(cloud.n_points for cloud in clouds)
    area = max(east - west, cell) * max(north - south, cell)
    wanted = np.sqrt(area / total * tile_points / SQUARES_A_TILE) / cell
    power, most = round(float(np.log2(max(wanted, 1.0)))), int(np.log2(TILE_CELLS) / 2)
    return max(LEAST_SQUARE_CELLS, 2 ** min(power, most))


def _check_some(tiled: TiledCloud, clouds: Sequence[Cloud], near_what: str | None) -> None:
    if tiled.n_kept:
        return
    gone = {reason: int(n.sum()) for reason, n in tiled.counts.left_out.items()}
    told = "; ".join(f"{n:,} {reason}" for reason, n in gone.items())
    place = "" if near_what is None else f"that the cloud and {near_what} lie in one place, and "
    raise LayerError(
        clouds[0].subject,
        f"no return to work with ({told})",
        "a cloud with returns here",
        f"check {place}which returns are left out",
    )


def _points(records: npt.NDArray[Any]) -> Points:
    return Points(*(np.ascontiguousarray(records[name]) for name in Points.__slots__))


class _Store(Protocol):
    """Keeps records, and hands over runs of them."""

    def append(self, records: npt.NDArray[Any]) -> None: ...

    def read(self, runs: npt.NDArray[np.int64]) -> npt.NDArray[Any]:
        """Records of runs (start, length), one run after the other."""

    def close(self) -> None: ...


class _Memory:
    """Records in memory; a :class:`_Store`."""

    def __init__(self) -> None:
        self._parts: list[npt.NDArray[Any]] = []

    def append(self, records: npt.NDArray[Any]) -> None:
        self._parts.append(records)

    def read(self, runs: npt.NDArray[np.int64]) -> npt.NDArray[Any]:
        if len(self._parts) > 1:
            self._parts = [np.concatenate(self._parts)]
        whole = self._parts[0]
        pieces = [whole[start : start + n] for start, n in runs]
        return np.concatenate(pieces) if pieces else np.empty(0, RECORD)

    def close(self) -> None:
        self._parts = []


class _Disk:
    """Records in a file without a name; a :class:`_Store`."""

    def __init__(self, folder: Path | None) -> None:
        try:
            self._file = tempfile.TemporaryFile(dir=folder)  # noqa: SIM115
        except OSError as error:
            raise _no_room(folder, error) from error
        self._folder = folder

    def append(self, records: npt.NDArray[Any]) -> None:
        try:
            self._file.seek(0, 2)
            self._file.write(records.view(np.uint8).data)
            self._file.flush()
        except OSError as error:
            raise _no_room(self._folder, error) from error

    def read(self, runs: npt.NDArray[np.int64]) -> npt.NDArray[Any]:
        out = np.empty(int(runs[:, 1].sum()), RECORD)
        into, at = memoryview(out.view(np.uint8).data), 0
        for start, n in _merged(runs):
            self._file.seek(start * RECORD.itemsize)
            self._file.readinto(into[at : at + n * RECORD.itemsize])
            at += n * RECORD.itemsize
        return out

    def close(self) -> None:
        self._file.close()


def _merged(runs: npt.NDArray[np.int64]) -> list[tuple[int, int]]:
    """Runs, those that touch made one.

    Examples
    --------
    >>> _merged(np.array([[0, 5], [5, 2], [9, 1]]))
    [(0, 7), (9, 1)]
    """
    out: list[tuple[int, int]] = []
    for start, n in runs.tolist():
        if out and out[-1][0] + out[-1][1] == start:
            out[-1] = (out[-1][0], out[-1][1] + n)
        else:
            out.append((start, n))
    return out


def _no_room(folder: Path | None, error: OSError) -> FileError:
    return FileError(
        str(folder or tempfile.gettempdir()),
        f"that returns cannot be spooled there ({error.strerror or error})",
        f"room for {RECORD.itemsize} bytes a return",
        "make room on the disk, or choose another folder",
    )
