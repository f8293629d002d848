"""Time for a search, and how fine its answer is."""

from __future__ import annotations

import time

from geotrim.errors import RangeError

#: Views that differ by less are the same: the solver and the weight of foliage are no finer.
SAME_VIEW = 2e-6
#: The least time a search is given, however many share what is left. [s]
LEAST_SECONDS = 0.05


class Clock:
    """Time left of a budget. [s].

    Raises
    ------
    RangeError
        If the budget is not over 0 s.
    """

    def __init__(self, seconds: float) -> None:
        if not seconds > 0.0:
            raise RangeError(
                "seconds", f"{seconds:g}", "a time over 0 s", "give the search some time"
            )
        self.end = time.monotonic() + seconds
        self.least = min(0.05 * seconds, 1.0)

    def left(self) -> float:
        """Seconds left, never below 0."""
        return max(self.end - time.monotonic(), 0.0)

    def is_up(self) -> bool:
        """Whether a search would be given the least time rather than its part of what is left."""
        return self.left() < self.least

    def part(self, share: float = 1.0) -> float:
        """A share of what is left, so that every search gets some: 5 % of the budget, or 1 s."""
        return max(share * self.left(), self.least)
