"""Several lots side by side in one array of trees: the least, the most and the count of each lot.

Thousands of lots are judged at once this way; one lot is the case of one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Which rows belong to which lot.

    starts : (m,) first row of each lot, rising from 0; each lot has at least one row.
    n : number of rows in all.

    Examples
    --------
    >>> rows = Rows(np.array([0, 2]), 3)
    >>> rows.count(np.array([True, True, False])).tolist()
    [2, 0]
    >>> rows.of_all(np.array([True, False, True])).tolist()
    [False, False, True]
    """

    starts: npt.NDArray[np.intp]
    n: int

    @staticmethod
    def of_sizes(sizes: npt.ArrayLike) -> Rows:
        """Lots of so many rows each."""
        size = np.asarray(sizes, dtype=np.intp)
        return Rows(np.cumsum(size) - size, int(size.sum()))

    @property
    def sizes(self) -> npt.NDArray[np.intp]:
        """(m,) rows of each lot."""
        return np.diff(self.starts, append=self.n)

    @property
    def number(self) -> npt.NDArray[np.intp]:
        """(n,) which lot each row is of."""
        return np.repeat(np.arange(self.starts.size), self.sizes)

    def spread(self, values: Any) -> Any:
        """(n,) for each row the value of its lot, of (m,) values."""
        return np.repeat(values, self.sizes)

    def least(self, values: Any) -> Any:
        """(m,) least value of each lot, of (n,) values."""
        return np.minimum.reduceat(values, self.starts)

    def most(self, values: Any) -> Any:
        """(m,) greatest value of each lot, of (n,) values."""
        return np.maximum.reduceat(values, self.starts)

    def count(self, flags: Any) -> npt.NDArray[np.int64]:
        """(m,) how many rows of each lot are so."""
        counts: npt.NDArray[np.int64] = np.add.reduceat(flags, self.starts, dtype=np.int64)
        return counts

    def any(self, flags: Any) -> Any:
        """(m,) whether some row of each lot is so."""
        return np.logical_or.reduceat(flags, self.starts)

    def all(self, flags: Any) -> Any:
        """(m,) whether every row of each lot is so."""
        return np.logical_and.reduceat(flags, self.starts)

    def of_any(self, flags: Any) -> Any:
        """(n,) for each row whether some row of its lot is so."""
        return self.spread(self.any(flags))

    def of_all(self, flags: Any) -> Any:
        """(n,) for each row whether every row of its lot is so."""
        return self.spread(self.all(flags))


def full(values: Any, n: int) -> Any:
    """(n,) values of one a lot or one a row."""
    array = np.asarray(values)
    return array if array.shape == (n,) else np.full(n, array)
