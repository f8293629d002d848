"""Blocks of a height source kept once they are decoded, for all who ask within one process."""

from __future__ import annotations

import threading
from collections import OrderedDict
from concurrent.futures import CancelledError, Future
from contextlib import suppress
from typing import Any

import numpy as np

from geotrim.core.height_wrap import HeightsOf
from geotrim.errors import RangeError
from geotrim.model import FloatArray, HeightSource

#: Block row, block column.
Place = tuple[int, int]


class BlockCache(HeightsOf):
    """A height source that keeps the blocks of another; a :class:`~geotrim.model.HeightSource`.

    Those asked for longest ago are let go of. Several threads may read at once: a block that two
    of them want is decoded by one while the other waits. What is handed out cannot be written to.

    Parameters
    ----------
    source : HeightSource
        If threads share the cache, it must be fit to be read by several at once.
    budget_bytes : int
        What is kept is never more than this. A block that is larger is read and not kept.

    Attributes
    ----------
    n_decoded : blocks read from the source.
    n_hits : times a block was there already, or was waited for.

    Notes
    -----
    Sent to another process it starts there empty, with the same budget.
    """

    def __init__(self, source: HeightSource, budget_bytes: int) -> None:
        if not budget_bytes >= 0:
            raise RangeError(
                "budget_bytes", f"{budget_bytes}", "0 or more", "give a number of bytes"
            )
        self.source = source
        self.budget_bytes = int(budget_bytes)
        self.n_decoded, self.n_hits, self.kept_bytes = 0, 0, 0
        self._lock = threading.Lock()
        self._kept: OrderedDict[Place, FloatArray] = OrderedDict()
        self._coming: dict[Place, Future[FloatArray]] = {}

    def __reduce__(self) -> tuple[Any, ...]:
        return BlockCache, (self.source, self.budget_bytes)

    @property
    def rmse_ft(self) -> float | None:
        return self.source.rmse_ft

    def read(self, row0: int, row1: int, col0: int, col1: int) -> FloatArray:
        """Heights of one window in the source's unit, put together from whole blocks."""
        high, wide = self.block_shape
        rows, cols = range(row0 // high, -(-row1 // high)), range(col0 // wide, -(-col1 // wide))
        if len(rows) == len(cols) == 1:
            block = self._block((rows[0], cols[0]))
            top, left = rows[0] * high, cols[0] * wide
            return block[row0 - top : row1 - top, col0 - left : col1 - left]
        return np.block(
            [[self._within((row, col), (row0, row1, col0, col1)) for col in cols] for row in rows]
        )

    def clear(self) -> None:
        """Let go of everything that is kept."""
        with self._lock:
            self._kept.clear()
            self.kept_bytes = 0

    def _within(self, place: Place, window: tuple[int, int, int, int]) -> FloatArray:
        """The part of one block that lies in a window."""
        block = self._block(place)
        top, left = place[0] * self.block_shape[0], place[1] * self.block_shape[1]
        row0, row1, col0, col1 = window
        return block[
            max(row0 - top, 0) : max(row1 - top, 0), max(col0 - left, 0) : max(col1 - left, 0)
        ]

    def _block(self, place: Place) -> FloatArray:
        while True:
            with self._lock:
                kept = self._kept.get(place)
                if kept is not None:
                    self._kept.move_to_end(place)
                    self.n_hits += 1
                    return kept
                coming = self._coming.get(place)
                if coming is None:
                    mine = self._coming[place] = Future()
                    break
            with suppress(CancelledError):  # who decoded it was interrupted: ask again
                block = coming.result()
                with self._lock:
                    self.n_hits += 1
                return block
        return self._fill(place, mine)

    def _fill(self, place: Place, mine: Future[FloatArray]) -> FloatArray:
        """Decode a block for all who wait for it; what goes wrong is theirs as well."""
        try:
            block = self._decode(place)
        except BaseException as err:
            with self._lock:
                del self._coming[place]  # the next to ask tries again
            if isinstance(err, Exception):
                mine.set_exception(err)
            else:
                mine.cancel()
            raise
        with self._lock:
            del self._coming[place]
            self.n_decoded += 1
            self._keep(place, block)
        mine.set_result(block)
        return block

    def _decode(self, place: Place) -> FloatArray:
        (high, wide), (n_rows, n_cols) = self.block_shape, self.shape
        row0, col0 = place[0] * high, place[1] * wide
        heights = self.source.read(row0, min(row0 + high, n_rows), col0, min(col0 + wide, n_cols))
        block = heights.view()
        block.flags.writeable = False
        return block

    def _keep(self, place: Place, block: FloatArray) -> None:
        if block.nbytes > self.budget_bytes:
            return
        self._kept[place] = block
        self.kept_bytes += block.nbytes
        while self.kept_bytes > self.budget_bytes:
            _, old = self._kept.popitem(last=False)
            self.kept_bytes -= old.nbytes
