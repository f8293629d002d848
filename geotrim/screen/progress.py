"""How far a long run is: one line rewritten on a terminal, now and then a plain line in a log."""

from __future__ import annotations

import re
import time
from collections import deque
from collections.abc import Callable
from typing import TextIO

#: A log gets a line when so much time, and so small a part of the whole, have both passed. [s]
LOG_EVERY_S = 30.0
LOG_EVERY_NTH = 20
#: A terminal is not written to more often. [s]
SCREEN_EVERY_S = 0.1
#: The rate is that of so long a time. [s]
RATE_OVER_S = 120.0
#: The last of so many: "8 of 8".
LAST = re.compile(r"(?<![\d,.])(\d[\d,]*) of \1(?![\d,.])")


class Progress:
    """Told what is being done, and tells it; calling it with words names the stage.

    Parameters
    ----------
    stream : text file or None
        Usually the standard error; None tells nothing.
    clock : callable
        Seconds that only ever rise.
    """

    def __init__(
        self, stream: TextIO | None, *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._stream, self._clock = stream, clock
        self._is_terminal = stream is not None and stream.isatty()
        self._stage = self._words = ""
        self._stage_began = clock()
        self._told_s, self._tasks_told = clock(), 0
        self._is_counting = False
        self._n_tasks = self._tasks_done = self._n_lots = self._lots_done = 0
        self._past: deque[tuple[float, int]] = deque()

    def __call__(self, words: str) -> None:
        """Name what is being done; words that differ in figures alone are the same stage."""
        stage = re.sub(r"[\d][\d.,]*", "#", words)
        is_new = stage != self._stage
        if is_new:
            self._end_stage()
            self._stage, self._stage_began = stage, self._clock()
        self._is_counting = False
        self._tell(words, is_due=is_new or LAST.search(words) is not None)

    def begin(
        self, words: str, *, n_tasks: int, n_lots: int, tasks_done: int, lots_done: int
    ) -> None:
        """A stage that is counted: how many partitions and lots there are, how many are done."""
        self(words)
        self._is_counting, self._words = True, words
        self._n_tasks, self._tasks_done = n_tasks, tasks_done
        self._n_lots, self._lots_done = n_lots, lots_done
        self._tasks_told = tasks_done
        self._past = deque([(self._clock(), lots_done)])
        self._tell(self._counted(), is_due=tasks_done > 0)

    def advance(self, n_lots: int) -> None:
        """One more partition is done, with its lots."""
        self._tasks_done += 1
        self._lots_done += n_lots
        now = self._clock()
        self._past.append((now, self._lots_done))
        while len(self._past) > 2 and now - self._past[0][0] > RATE_OVER_S:
            self._past.popleft()
        self.tick()

    def tick(self) -> None:
        """Time has passed."""
        if self._is_counting:
            self._tell(self._counted())

    def say(self, words: str) -> None:
        """A line of its own, which stays."""
        if self._stream is not None:
            clear = "\r\x1b[K" if self._is_terminal else ""
            print(f"{clear}geotrim: {words}", file=self._stream, flush=True)

    def end(self) -> None:
        """Nothing more is to come."""
        self._end_stage()
        self._stage = ""
        if self._is_terminal:
            print("\r\x1b[K", end="", file=self._stream, flush=True)

    @property
    def kept(self) -> tuple[int, int]:
        """Partitions that are done, and all."""
        return self._tasks_done, self._n_tasks

    def _end_stage(self) -> None:
        """A log is told how a counted stage ended."""
        if self._stage and self._n_tasks and self._is_counting and not self._is_terminal:
            took = self._clock() - self._stage_began
            self.say(f"{self._counted(is_short=True)}, in {duration(took)}")

    def _counted(self, *, is_short: bool = False) -> str:
        words = (
            f"{self._words}: {self._tasks_done:,} of {self._n_tasks:,} partitions, "
            f"{self._lots_done:,} of {self._n_lots:,} lots"
        )
        (began, at_first), now = self._past[0], self._clock()
        n, took = self._lots_done - at_first, now - began
        if is_short or n <= 0 or took <= 0:
            return words
        rate = n / took
        left = (self._n_lots - self._lots_done) / rate
        told = f"{rate:,.0f}" if rate >= 10 else f"{rate:.2g}"
        return f"{words}, {told} lots/s, {duration(left)} left"

    def _tell(self, words: str, *, is_due: bool = False) -> None:
        if self._stream is None:
            return
        now = self._clock()
        if self._is_terminal:
            if is_due or now - self._told_s >= SCREEN_EVERY_S:
                print(f"\r\x1b[K{words} ...", end="", file=self._stream, flush=True)
                self._told_s = now
            return
        is_later = now - self._told_s >= LOG_EVERY_S
        n_new = self._tasks_done - self._tasks_told
        is_further = not self._is_counting or LOG_EVERY_NTH * n_new >= self._n_tasks
        if is_due or (is_later and is_further):
            self.say(words)
            self._told_s, self._tasks_told = now, self._tasks_done


def duration(seconds: float) -> str:
    """A time as people say it.

    Examples
    --------
    >>> duration(4.2), duration(75), duration(3 * 3600 + 65)
    ('4 s', '1 min 15 s', '3 h 1 min')
    """
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    return f"{whole // 3600} h {whole % 3600 // 60} min"
