"""A window of the user's own: spans of stations as text, and the stations they are."""

from __future__ import annotations

import re
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from geotrim.errors import RangeError
from geotrim.ops.window_view import Shore

#: Two ends nearer than this are one. [ft]
SAME_FT = 1e-6
#: A span may reach this far past the shore's end, whose length is no round number. [ft]
PAST_END_FT = 1.0
_SPAN = re.compile(r"\s*(\d+(?:\.\d*)?|\.\d+)\s*(?:-|to)\s*(\d+(?:\.\d*)?|\.\d+)\s*")
_NEED = "spans of stations in feet, each from a lower to a higher one, apart from each other"
_MEND = "write them as in 43-61,80-95"

Spans = tuple[tuple[float, float], ...]


def spans_asked(text: str | None) -> Spans | None:
    """Spans of a text, in order along the shore; None where there is none.

    Parameters
    ----------
    text : str or None
        ``43-61,80-95``: stations in feet.

    Raises
    ------
    RangeError
        Names the part that cannot be read, runs backwards, or overlaps another.

    Examples
    --------
    >>> spans_asked("80-95, 43-61.5")
    ((43.0, 61.5), (80.0, 95.0))
    """
    if text is None:
        return None
    out = []
    for part in text.split(","):
        found = _SPAN.fullmatch(part)
        if found is None:
            raise RangeError("window_spans_ft", f"{part.strip()!r}", _NEED, _MEND)
        low, high = float(found[1]), float(found[2])
        if not high > low:
            raise RangeError("window_spans_ft", f"{part.strip()!r}, no length", _NEED, _MEND)
        out.append((low, high))
    out.sort()
    for (a, b), (c, d) in pairwise(out):
        if c < b - SAME_FT:
            raise RangeError("window_spans_ft", f"{a:g}-{b:g} over {c:g}-{d:g}", _NEED, _MEND)
    return tuple(out)


def beyond(spans: Spans, shore: Shore) -> tuple[float, float] | None:
    """The first span that does not lie on a lot's shore; None where all do."""
    for low, high in spans:
        ends = (shore.from_ft.min() - SAME_FT, shore.to_ft.max() + PAST_END_FT)
        if not len(shore.from_ft) or low < ends[0] or high > ends[1]:
            return low, high
    return None


def open_stations(spans: Spans, shore: Shore) -> npt.NDArray[np.bool_]:
    """(n,) stations of the spans: those with more than half of their length inside, at least one.

    Parameters
    ----------
    spans : tuple of (low, high)
        Stations. [ft]
    shore : Shore
    """
    middle = shore.from_ft + shore.length_ft / 2.0
    out = np.zeros(len(middle), dtype=bool)
    for low, high in spans:
        mine = (middle > low - SAME_FT) & (middle < high - SAME_FT)
        if not mine.any():
            mine[np.argmin(np.abs(middle - (low + high) / 2.0))] = True
        out |= mine
    return out
