"""The depth of a fringe in words: how deep, and what it was measured between.

One table of words for all figures and sheets, so that no two of them name one depth differently.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from geotrim.report.statement_figures import figure

#: What a depth was measured between -> words.
BETWEEN = {
    "trunk": "trunk to trunk",
    "centre": "crown centre to crown centre",
    "edge": "canopy edge to canopy edge",
    "trunk and centre": "trunks, crown centres where none was surveyed",
}


def between(reference: object) -> str:
    """What a depth was measured between; a word that is not known stays as it is.

    Examples
    --------
    >>> between("trunk"), between(None)
    ('trunk to trunk', '')
    """
    word = reference if isinstance(reference, str) else ""
    return BETWEEN.get(word, word)


def depth_words(depth_ft: float, limit_ft: float, reference: object = None) -> str:
    """A depth, with digits enough to tell it from its limit, and what it was measured between.

    Examples
    --------
    >>> depth_words(38.0, 50.0, "trunk"), depth_words(50.04, 50.0)
    ('38.0 ft, trunk to trunk', '50.04 ft')
    """
    return ", ".join(filter(None, [figure(depth_ft, "ft", limit_ft), between(reference)]))


def deepest_row(rows: Any) -> Any:
    """The transect of greatest depth, or None where no depth above 0 has a line.

    Parameters
    ----------
    rows : table with ``fringe_depth_ft`` and ``geometry``, or None
    """
    if rows is None or not len(rows):
        return None
    shapes = np.asarray(rows["geometry"].array, dtype=object)
    has_line = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    depth = rows["fringe_depth_ft"].to_numpy(dtype=float)
    depth = np.where(has_line & np.isfinite(depth) & (depth > 0.0), depth, -np.inf)
    best = int(np.argmax(depth))
    return rows.iloc[best] if np.isfinite(depth[best]) else None
