"""Columns of many rows as short text for a page: numbers in as few bytes as they need.

A number is a count of the last decimal shown. It is written seven bits to a byte, lowest first, the
eighth bit telling that more follow (LEB128), signs folded in (0, -1, 1, -2 ... as 0, 1, 2, 3 ...),
and one more than that, since 0 is a gap. The bytes are written in base 64 (RFC 4648).
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt


def packed(values: Any, decimals: int = 0) -> str:
    """Numbers as text; NaN is a gap.

    Parameters
    ----------
    values : (n,) array
    decimals : int
        Kept; halves are rounded to even, as numpy does.

    Examples
    --------
    >>> import base64
    >>> list(base64.b64decode(packed([0.0, -1.0, float("nan"), 100.0])))
    [1, 2, 0, 201, 1]
    """
    given = np.asarray(values, dtype=np.float64)
    gap = ~np.isfinite(given)
    whole = np.round(np.where(gap, 0.0, given) * 10.0**decimals).astype(np.int64)
    code = np.where(whole < 0, -2 * whole - 1, 2 * whole) + 1
    code[gap] = 0
    return base64.b64encode(_bytes(code.astype(np.uint64))).decode("ascii")


def _bytes(code: npt.NDArray[np.uint64]) -> bytes:
    """Whole numbers in groups of seven bits."""
    groups = [code & np.uint64(127)]
    rest = code >> np.uint64(7)
    while rest.any():
        groups.append(rest & np.uint64(127))
        rest = rest >> np.uint64(7)
    table = np.stack(groups, axis=1).astype(np.uint8) if code.size else np.empty((0, 1), np.uint8)
    n_groups = np.ones(code.size, dtype=np.int64)
    for k in range(1, table.shape[1]):
        n_groups[code >> np.uint64(7 * k) > 0] = k + 1
    place = np.arange(table.shape[1])
    is_used = place < n_groups[:, None]
    table[place < n_groups[:, None] - 1] |= 128
    return table[is_used].tobytes()


def text_column(values: Sequence[str | None]) -> dict[str, Any]:
    """Text as a list, or as places in a list of words where that is shorter.

    Returns
    -------
    dict
        ``kind`` ``"choice"`` with ``words`` and ``data`` (packed places), or ``"text"`` with
        ``data``, a list in which a gap is null.
    """
    words = list(dict.fromkeys(value for value in values if value is not None))
    if len(words) > max(len(values) // 2, 1):
        return {"kind": "text", "data": list(values)}
    place = {word: k for k, word in enumerate(words)}
    codes = [np.nan if value is None else place[value] for value in values]
    return {"kind": "choice", "words": words, "data": packed(codes)}
