"""Trees beside one that is cut and must not be touched themselves."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import shapely

from geotrim.io.package_read import Package
from geotrim.report.crew_tree import Place

#: Crowns nearer than this to each other are told to a crew, and those marked to be kept. [ft]
TOUCHING_FT, KEPT_FT = 2.0, 10.0
#: Neighbours that are told of one tree; those marked to be kept come first.
MOST = 4
#: A way along or off the shore that is shorter than this is left out. [ft]
SHORT_FT = 0.5


def neighbours(
    package: Package, lot_id: str, places: Mapping[str, Place], cut: set[str]
) -> dict[str, tuple[str, ...]]:
    """Crown id of a tree that is cut -> the trees beside it that are left, in words.

    Parameters
    ----------
    package : Package
    lot_id : str
    places : mapping
        Crown id -> place.
    cut : set of str
        Ids of all crowns that are cut this year.
    """
    crowns = package.rows("crowns")
    shapes = crowns.geometry.to_numpy()
    rows = crowns.drop(columns="geometry").to_dict("records")
    ids = [str(row["crown_id"]) for row in rows]
    tree = shapely.STRtree(shapes)
    reach = KEPT_FT / package.feet_per_unit
    out = {}
    for k, one in enumerate(ids):
        if one not in cut:
            continue
        near = [int(n) for n in tree.query(shapes[k], predicate="dwithin", distance=reach)]
        told = []
        for n in near:
            gap_ft = float(shapely.distance(shapes[k], shapes[n])) * package.feet_per_unit
            if ids[n] == one or ids[n] in cut:
                continue
            rank, why = _why(rows[n], lot_id)
            if gap_ft <= (KEPT_FT if rank == 0 else TOUCHING_FT):
                way = _way(places[one], places[ids[n]])
                told.append((rank, gap_ft, f"{ids[n]}{way}: {why}"))
        told.sort()
        names = [words for _, _, words in told[:MOST]]
        if len(told) > MOST:
            names.append(f"and {len(told) - MOST} more crowns that touch it")
        out[one] = tuple(names)
    return out


def keep_word(row: Mapping[str, Any]) -> str:
    """Why the user wants a tree left, "" where it may be cut."""
    why = row.get("keep")
    return why.strip() if isinstance(why, str) else ""


def _why(row: Mapping[str, Any], lot_id: str) -> tuple[int, str]:
    """How much it matters that a neighbour is left alone (0 most), and why it is."""
    if kept := keep_word(row):
        return 0, f"kept ({kept})"
    own = row.get("lot_id")
    if not isinstance(own, str) or own != lot_id:
        return 1, "not of this lot"
    if "outside the zone" in str(row.get("why_left")):
        return 2, "outside the zone"
    return 3, "left this year"


def _way(one: Place, other: Place) -> str:
    """Which way the other stands, as one looks to the water.

    Examples
    --------
    >>> nowhere = {"lon_deg": 0.0, "lat_deg": 0.0, "is_trunk": True}
    >>> _way(Place(10.0, 0.0, **nowhere), Place(14.2, -3.0, **nowhere))
    ', 4 ft to the right and 3 ft landward'
    """
    along, off = other.station_ft - one.station_ft, other.offset_ft - one.offset_ft
    parts = []
    if np.isfinite(along) and abs(along) >= SHORT_FT:
        parts.append(f"{abs(along):.0f} ft to the {'right' if along > 0 else 'left'}")
    if np.isfinite(off) and abs(off) >= SHORT_FT:
        parts.append(f"{abs(off):.0f} ft {'waterward' if off > 0 else 'landward'}")
    return f", {' and '.join(parts)}" if parts else ""
