"""Open raster files, lent out so that no two threads ever use one at a time."""

from __future__ import annotations

import os
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import count
from typing import Any


class Handles:
    """Open files that are lent out and kept open in between.

    Whoever reads borrows a handle that nobody else has; where there is none a new one is opened.
    So there are at most as many as are in use at once, and ``most_idle`` besides, of which those
    used longest ago are closed.

    Parameters
    ----------
    open_file : callable
        Takes a path and returns an open dataset.
    most_idle : int
        Handles kept open while nobody uses them.

    Notes
    -----
    A process that was split off the one that opened them begins without any: two processes would
    move about in one open file.
    """

    def __init__(self, open_file: Callable[[str], Any], most_idle: int = 64) -> None:
        self._open, self._most_idle = open_file, most_idle
        self._lock = threading.Lock()
        self._idle: OrderedDict[tuple[str, int], Any] = OrderedDict()
        self._of_path: dict[str, list[int]] = {}
        self._numbers = count()
        self._round = 0  # of closings, so that what was lent before one is not kept after it
        self._process = os.getpid()
        self.n_opened = 0

    @property
    def n_idle(self) -> int:
        return len(self._idle)

    def close(self) -> None:
        """Close all; those that are in use are closed when they come back."""
        with self._lock:
            idle = [*self._idle.values()]
            self._forget()
        for dataset in idle:
            dataset.close()

    @contextmanager
    def of(self, path: str) -> Iterator[Any]:
        """A dataset to read from; one that reading failed on is not used again."""
        dataset, number = self._borrow(path)
        try:
            yield dataset
        except BaseException:
            dataset.close()
            raise
        for old in self._give_back(path, dataset, number):
            old.close()

    def _forget(self) -> None:
        self._idle.clear()
        self._of_path.clear()
        self._round += 1

    def _borrow(self, path: str) -> tuple[Any, int]:
        """A dataset and the round of closings it belongs to."""
        if self._process != os.getpid():
            self._lock = threading.Lock()  # another thread may have held it in the other process
            self._process = os.getpid()
            self._forget()
        with self._lock:
            numbers = self._of_path.get(path)
            if numbers:
                return self._take(path, numbers[-1]), self._round
            lent = self._round
            self.n_opened += 1
        return self._open(path), lent

    def _take(self, path: str, number: int) -> Any:
        numbers = self._of_path[path]
        numbers.remove(number)
        if not numbers:
            del self._of_path[path]
        return self._idle.pop((path, number))

    def _give_back(self, path: str, dataset: Any, lent: int) -> list[Any]:
        """Keep a dataset; returns those to be closed in its place."""
        with self._lock:
            if lent != self._round:
                return [dataset]
            number = next(self._numbers)
            self._idle[path, number] = dataset
            self._of_path.setdefault(path, []).append(number)
            n_over = len(self._idle) - self._most_idle
            return [self._take(*next(iter(self._idle))) for _ in range(n_over)]
