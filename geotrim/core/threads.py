"""A list of work done by several threads, for code that lets go of the interpreter's lock."""

from __future__ import annotations

import threading
from collections.abc import Callable

from geotrim.errors import RangeError


def each_once(worker: Callable[[], Callable[[int], None]], n: int, n_threads: int) -> None:
    """Do pieces 0 to n - 1 of some work, each once.

    Parameters
    ----------
    worker : callable
        Called once by each thread; returns what does the piece of a given number, with working
        memory of its own.
    n : int
        Pieces. They are begun in their order.
    n_threads : int
        The caller's own thread is one of them.

    Raises
    ------
    RangeError
        If there is no thread.
    Exception
        What a piece raised, of several the one of the lowest number: the same one that a single
        thread would have come upon. No piece is begun after that, and all threads have ended.

    Examples
    --------
    >>> done = []
    >>> each_once(lambda: done.append, 4, 1)
    >>> done
    [0, 1, 2, 3]
    """
    if n_threads < 1:
        raise RangeError("n_threads", f"{n_threads}", "1 or more", "give 1 for a single thread")
    pieces = _Pieces(worker, n)
    others = [threading.Thread(target=pieces.work) for _ in range(min(n_threads, n) - 1)]
    try:
        for thread in others:
            thread.start()
        if n:
            pieces.work()
    finally:
        pieces.stop()  # an interruption ends the others too
        for thread in others:
            if thread.ident is not None:
                thread.join()
    if pieces.failed:
        raise pieces.failed[min(pieces.failed)]


class _Pieces:
    """Numbers handed out one by one to whoever asks, until there are no more or one has failed."""

    def __init__(self, worker: Callable[[], Callable[[int], None]], n: int) -> None:
        self._worker, self._next, self._n = worker, 0, n
        self._lock = threading.Lock()
        self.failed: dict[int, Exception] = {}

    def stop(self) -> None:
        with self._lock:
            self._next = self._n

    def _take(self) -> int | None:
        with self._lock:
            if self._next >= self._n:
                return None
            self._next += 1
            return self._next - 1

    def work(self) -> None:
        number: int | None = -1  # before the first piece
        try:
            do = self._worker()
            while (number := self._take()) is not None:
                do(number)
        except Exception as err:
            self.failed[-1 if number is None else number] = err
            self.stop()
