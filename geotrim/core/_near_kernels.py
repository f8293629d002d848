"""Compiled search in boxes around boxes. It checks nothing."""

from __future__ import annotations

import numpy as np

from geotrim.core._kernels import _jit
from geotrim.core._plane_kernels import room, sort_rows

#: Boxes in a box.
FANOUT = 8


@_jit
def boxes_near(boxes, starts, order, asked, reach):  # type: ignore[no-untyped-def]
    """Boxes of the lowest level that come within a reach of each box asked for.

    boxes : (b, 4) west, south, east, north, level after level, the last one box.
    starts : (levels + 1,) first box of each level. order : numbers of the lowest level's boxes.
    asked : (n, 4); one that is NaN is near nothing.

    Returns numbers, rising for each box asked for, and (n + 1,) where those of each start.
    """
    found = np.empty((max(asked.shape[0], 16), 1), np.int64)
    offsets = np.zeros(asked.shape[0] + 1, np.int64)
    n_levels = starts.size - 1
    # a box opened leaves its own on the pile, of which one is taken at once
    pile = np.empty((n_levels * FANOUT + FANOUT, 2), np.int64)
    n = 0
    for i in range(asked.shape[0]):
        west, south = asked[i, 0] - reach, asked[i, 1] - reach
        east, north = asked[i, 2] + reach, asked[i, 3] + reach
        first = n
        n_pile = 0
        if starts[1] > 0:
            pile[0, 0], pile[0, 1] = n_levels, 0  # as if there were one box around the last
            n_pile = 1
        while n_pile > 0:
            n_pile -= 1
            level, number = pile[n_pile, 0] - 1, pile[n_pile, 1]
            start = starts[level]
            last = min(start + (number + 1) * FANOUT, starts[level + 1])
            for box in range(start + number * FANOUT, last):
                if not (boxes[box, 0] <= east and boxes[box, 2] >= west):
                    continue
                if not (boxes[box, 1] <= north and boxes[box, 3] >= south):
                    continue
                if level > 0:
                    pile[n_pile, 0], pile[n_pile, 1] = level, box - start
                    n_pile += 1
                else:
                    found = room(found, n + 1)
                    found[n, 0] = order[box]
                    n += 1
        if n - first > 1:
            sort_rows(found, first, n, 1)
        offsets[i + 1] = n
    return found[:n, 0].copy(), offsets
