"""Who does the partitions: this process itself, threads of it, or processes beside it.

A crew is handed numbers and gives replies, in whatever order they come about. It has ``room`` for
so many at a time; who hands out keeps to that.
"""

from __future__ import annotations

import queue
import threading
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from types import TracebackType
from typing import Protocol

from geotrim.screen.attempt import Reply, attempt
from geotrim.screen.worker import Worker


class Crew(Protocol):
    """What hands out partitions to workers of any kind; a context manager."""

    def __enter__(self) -> Crew:
        """Start."""

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        """End: at once when there is an error, which an interrupt is too."""

    @property
    def room(self) -> int:
        """How many partitions may be out at a time."""

    def hand_out(self, number: int) -> None:
        """Have a partition done."""

    def reply(self, patience_s: float) -> Reply | None:
        """The next reply; None where there was none in that time."""

    def news(self) -> tuple[str, ...]:
        """What the user should hear about the workers since it was last asked."""


class Alone:
    """Nobody but this process, one partition after the other."""

    room = 1

    def __init__(self, task: str, folder: str) -> None:
        self._task, self._folder = task, folder
        self._asked: deque[int] = deque()

    def __enter__(self) -> Alone:
        return self

    def __exit__(self, *_: object) -> None:
        self._asked.clear()

    def hand_out(self, number: int) -> None:
        self._asked.append(number)

    def reply(self, patience_s: float) -> Reply | None:
        return attempt(self._task, self._folder, self._asked.popleft()) if self._asked else None

    def news(self) -> tuple[str, ...]:
        return ()


class Hand(Protocol):
    """One worker of a crew."""

    def ask(self, number: int) -> Reply:
        """Have a partition done, and wait for it."""

    def close(self, *, is_now: bool = False) -> None:
        """End; at once where asked to and possible."""


class InThread:
    """A worker that is a thread of this process."""

    def __init__(self, task: str, folder: str) -> None:
        self._task, self._folder = task, folder

    def ask(self, number: int) -> Reply:
        return attempt(self._task, self._folder, number)

    def close(self, *, is_now: bool = False) -> None:
        """What a thread has begun it ends."""


class Hands:
    """Several workers of one kind, each held by a thread of this process."""

    def __init__(self, make: Callable[[], Hand], n_hands: int) -> None:
        self.room = n_hands
        self._hands = [make() for _ in range(n_hands)]
        self._asked: queue.SimpleQueue[int | None] = queue.SimpleQueue()
        self._replies: queue.SimpleQueue[Reply | BaseException] = queue.SimpleQueue()
        self._threads = [
            threading.Thread(target=self._work, args=(hand,), daemon=True) for hand in self._hands
        ]

    def __enter__(self) -> Hands:
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        with suppress(queue.Empty):
            while error is not None:
                self._asked.get_nowait()  # what has not begun need not
        for _ in self._threads:
            self._asked.put(None)
        for hand in self._hands:
            hand.close(is_now=error is not None)
        for thread in self._threads:
            thread.join()
        for hand in self._hands:
            hand.close()

    def hand_out(self, number: int) -> None:
        self._asked.put(number)

    def reply(self, patience_s: float) -> Reply | None:
        try:
            found = self._replies.get(timeout=patience_s)
        except queue.Empty:
            return None
        if isinstance(found, BaseException):
            raise found
        return found

    def news(self) -> tuple[str, ...]:
        return ()

    def _work(self, hand: Hand) -> None:
        while (number := self._asked.get()) is not None:
            try:
                self._replies.put(hand.ask(number))
            except BaseException as error:  # told where it can be seen
                self._replies.put(error)


def threads(task: str, folder: str, n_hands: int) -> Hands:
    """Threads of this process."""
    return Hands(lambda: InThread(task, folder), n_hands)


def processes(task: str, folder: str, n_hands: int) -> Hands:
    """Processes beside this one."""
    return Hands(lambda: Worker(task, folder), n_hands)
