"""Heights that trees are judged by: one height a tree, for limits, foliage and the view alike."""

from __future__ import annotations

from typing import Any

import numpy as np

from geotrim.core.coverage import Floats
from geotrim.model import Result


def judged_tops_ft(crowns: Any, route: Result | None) -> Floats:
    """Height by which the operation ``route`` judges each tree. [ft].

    Parameters
    ----------
    crowns : DataFrame
        n crowns with their ``crown_id``.
    route : Result or None
        Of the operation ``route``.

    Returns
    -------
    (n,) array
        ``top_height_ft`` of ``tree_outcomes``: with the readings of the act (A-04, A-05) in it.
        NaN for trees that were not judged, and for all where there is no ``route``.
    """
    found = np.full(len(crowns), np.nan)
    if route is None or not len(route["tree_outcomes"]):
        return found
    table = route["tree_outcomes"]
    ids = table["crown_id"].astype(str).to_numpy(dtype=object)
    tops = table["top_height_ft"].to_numpy(dtype=np.float64, na_value=np.nan)
    known = dict(zip(ids[::-1], tops[::-1], strict=True))  # of two rows the first counts
    for k, crown in enumerate(crowns["crown_id"].astype(str)):
        found[k] = known.get(crown, np.nan)
    return found
