"""Long lines cut down to a box, many boxes after one another.

Lines are held as runs of up to ``RUN_SEGMENTS`` segments with a bounding box each, so that a box
looks at the vertices of the runs it meets and at no others. Segments are never cut: what comes out
has the vertices of the input, to the last bit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Segments in a run: few enough to be looked at one by one, enough that runs are few.
RUN_SEGMENTS = 64


@dataclass(frozen=True, slots=True, eq=False)
class LineIndex:
    """Lines as runs of segments.

    xy : (v, 2) vertices of all lines, one after another. [map units]
    first, last : (r,) first and last vertex of each run; a run starts where the one before ends.
    bounds : (r, 4) west, south, east, north of each run.
    """

    xy: Floats
    first: Ints
    last: Ints
    bounds: Floats

    @classmethod
    def of(cls, xy: Floats, starts: npt.ArrayLike) -> LineIndex:
        """Index lines of which line i has the vertices ``starts[i]`` up to ``starts[i + 1]``."""
        edges = np.asarray(starts, dtype=np.int64)
        n_segments = np.diff(edges) - 1
        n_runs = -(-np.maximum(n_segments, 0) // RUN_SEGMENTS)
        line = np.repeat(np.arange(n_runs.size), n_runs)
        step = np.arange(line.size) - np.repeat(np.cumsum(n_runs) - n_runs, n_runs)
        first = edges[:-1][line] + step * RUN_SEGMENTS
        last = np.minimum(first + RUN_SEGMENTS, edges[1:][line] - 1)
        if not first.size:
            return cls(xy, first, last, np.empty((0, 4)))
        ends = np.column_stack([first, last + 1]).reshape(-1)
        padded = np.vstack([xy, xy[-1:]])  # the last run may end at the very last vertex
        low = np.minimum.reduceat(padded, ends, axis=0)[::2]
        high = np.maximum.reduceat(padded, ends, axis=0)[::2]
        return cls(xy, first, last, np.hstack([low, high]))

    def lines(self) -> npt.NDArray[np.object_]:
        """(r,) each run as a LineString."""
        if not self.first.size:
            return np.empty(0, dtype=object)
        n = self.last - self.first + 1
        run = np.repeat(np.arange(n.size), n)
        at = np.arange(run.size) - np.repeat(np.cumsum(n) - n, n) + np.repeat(self.first, n)
        lines: npt.NDArray[np.object_] = shapely.linestrings(self.xy[at], indices=run)
        return lines

    def clip(self, box: tuple[float, float, float, float], runs: Any = ()) -> list[Floats]:
        """Pieces of the lines made of all segments whose box meets ``box``.

        Parameters
        ----------
        box : west, south, east, north
            [map units]
        runs : whole numbers
            Runs that come whole, wherever they are.

        Returns
        -------
        list of (k, 2) arrays
            In the order of the lines; segments that follow one another are one piece.
        """
        west, south, east, north = box
        bounds = self.bounds
        meets = (
            (bounds[:, 0] <= east)
            & (bounds[:, 2] >= west)
            & (bounds[:, 1] <= north)
            & (bounds[:, 3] >= south)
        )
        whole = np.zeros(meets.size, dtype=bool)
        whole[np.asarray(runs, dtype=np.int64)] = True
        chosen = np.flatnonzero(meets | whole)
        n = self.last[chosen] - self.first[chosen]
        run = np.repeat(chosen, n)
        a = np.arange(run.size) - np.repeat(np.cumsum(n) - n, n) + np.repeat(self.first[chosen], n)
        low = np.minimum(self.xy[a], self.xy[a + 1])
        high = np.maximum(self.xy[a], self.xy[a + 1])
        touches = (low <= (east, north)).all(axis=1) & (high >= (west, south)).all(axis=1)
        a = a[touches | whole[run]]
        if not a.size:
            return []
        # Runs of different lines never share a vertex, so a gap of one tells pieces apart.
        new = np.flatnonzero(np.diff(a) > 1) + 1
        return [self.xy[part[0] : part[-1] + 2] for part in np.split(a, new)]
