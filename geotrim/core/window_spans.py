"""The rules of spans on the station grid, and the shortest spans that hold some stations."""

from __future__ import annotations

import numpy as np

from geotrim.core.coverage import Ints
from geotrim.core.window_cover import has_cover
from geotrim.core.window_limits import TOLERANCE, over
from geotrim.core.window_problem import Flags, WindowProblem


def reaches(problem: WindowProblem) -> tuple[Ints, Ints, Ints]:
    """For each station: last one a span from here must hold, and may hold; last barred start.

    The first is -1 where a span from here cannot be long enough before the stretch ends, the
    second below the station where the station alone is too long. After a span that ends here none
    may start at the stations up to the third.
    """
    n = problem.n_stations
    end = np.cumsum(problem.station_length_ft)
    begin = end - problem.station_length_ft
    is_last = np.append(problem.is_break[1:], True) if n else np.zeros(0, dtype=bool)
    last = np.minimum.accumulate(np.where(is_last, np.arange(n), n)[::-1])[::-1]
    least = problem.span_min_ft or 0.0
    # A length of span_min, less rounding, is enough; the span holds its first station anyway.
    enough = np.searchsorted(end, begin + least - _slack(least))
    enough = np.maximum(enough, np.arange(n))
    must = np.where(enough <= last, enough, -1)
    most = np.inf if problem.span_max_ft is None else problem.span_max_ft
    may = np.searchsorted(end, begin + most + _slack(most), side="right") - 1
    # A start at k after s leaves begin[k] - end[s] of shore between.
    gap = problem.gap_min_ft
    barred = np.searchsorted(begin, end + gap - _slack(gap)) - 1
    return must, np.minimum(may, last), np.clip(barred, np.minimum(np.arange(n) + 1, last), last)


def _slack(limit: float) -> float:
    return TOLERANCE * max(1.0, limit) if np.isfinite(limit) else 0.0


def shortest_spans(problem: WindowProblem, stations: Ints) -> Flags | None:
    """(n,) the shortest window within the rules of spans that holds some stations, or None.

    Of equally short ones, one with the fewest spans.

    Notes
    -----
    Dynamic programming along the shore, exact. A span without any of the stations only adds
    length, so there are no more spans than stations to hold.
    """
    is_open = np.zeros(problem.n_stations, dtype=bool)
    wanted = np.unique(stations)
    if len(wanted) == 0:
        return is_open
    n_max = problem.n_spans_max
    is_few = n_max is not None and n_max < len(wanted)
    table = _Table(problem, wanted, (n_max or 0) if is_few else None)
    for first, last in table.spans():
        is_open[first : last + 1] = True
    length = float(problem.station_length_ft[is_open].sum())
    most = None if has_cover(problem) else problem.length_max_ft
    is_over = most is not None and over(length, most)
    return None if is_over or not is_open[wanted].all() else is_open


class _Table:
    """What the cheapest spans cost up to each station, by how many there are.

    Row k of ``ended`` is of plans of k spans; where their number does not matter there is one row.
    A span costs its length, and a little for itself.
    """

    def __init__(self, problem: WindowProblem, wanted: Ints, n_spans_max: int | None) -> None:
        n = problem.n_stations
        self.wanted, self.step = wanted, 0 if n_spans_max is None else 1
        self.ended = np.full(((n_spans_max or 0) + 1, n), np.inf)
        self.start = np.full(self.ended.shape, -1)
        self.before = np.full(self.ended.shape, -1)
        must, may, barred = reaches(problem)
        end = np.cumsum(problem.station_length_ft)
        self.begin = end - problem.station_length_ft
        length = problem.station_length_ft
        # A span costs little beside the least station, so that length always comes first.
        self.end = end + 1e-6 * length[length > 0.0].min(initial=1.0)
        closed = np.append(np.flatnonzero(~problem.is_allowed), n)
        stop = np.minimum(may, closed[np.searchsorted(closed, np.arange(n))] - 1)
        held = np.append(-1, wanted)[np.searchsorted(wanted, np.arange(n))]
        free = np.searchsorted(barred, np.arange(n)) - 1
        for s in np.flatnonzero((must >= 0) & (must <= stop)).tolist():
            self._start(
                s, slice(must[s], stop[s] + 1), slice(max(held[s], 0), free[s] + 1), held[s]
            )

    def _start(self, s: int, lasts: slice, before: slice, held: int) -> None:
        """Spans from one station to any of some, after one that ended at any of some others."""
        cost = np.full(len(self.ended), np.inf)
        behind = np.full(len(self.ended), -1)
        if before.start < before.stop:
            one = self.ended[:, before]
            behind = before.start + one.argmin(axis=1)
            cost = one.min(axis=1)
        if held < 0:  # the first span of all
            cost[0], behind[0] = 0.0, -1
        n = len(cost) - self.step
        new = cost[:n, None] + (self.end[lasts] - self.begin[s])
        is_less = new < self.ended[self.step :, lasts]
        self.ended[self.step :, lasts][is_less] = new[is_less]
        self.start[self.step :, lasts][is_less] = s
        self.before[self.step :, lasts] = np.where(
            is_less, behind[:n, None], self.before[self.step :, lasts]
        )

    def spans(self) -> list[tuple[int, int]]:
        """First and last stations of the cheapest; none where nothing holds all."""
        out: list[tuple[int, int]] = []
        tail = self.ended[:, self.wanted[-1] :]
        k, last = (int(one) for one in np.unravel_index(int(tail.argmin()), tail.shape))
        last += int(self.wanted[-1])
        if not np.isfinite(self.ended[k, last]):
            return out
        while last >= 0:
            out.append((int(self.start[k, last]), last))
            k, last = k - self.step, int(self.before[k, last])
        return out
