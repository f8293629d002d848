"""What makes a lot unfit to measure, and the words it is told in.

A lot has one fault, the first of these that is found; all others go on as if it were not there:

no-shape      no geometry, or an empty one
damaged       bytes that are no shape, a ring of too few points
wrong-kind    a point or a line
not-finite    a coordinate that is no number, or infinite
no-extent     no area, before or after a repair
vanished      crosses itself so that a repair leaves less than half of what it enclosed
no-id         the field of ids is empty
off-map       coordinates that have no place in the site's reference system
too-large     larger than ``LARGEST_SQUARE_MILES``
far-away      farther than ``TOO_FAR_FT`` from any shore line, and from any lot that is not: such as
              degrees in a file of feet, or x and y in the wrong order
repeated      covers the same ground as an earlier lot, with which it would share out one shore

Not a fault: a lot that crosses itself otherwise (repaired, and told), the id of another lot
(measured, and told), a lot that holds another one, a lot without a shore.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.io.site_load import TOO_FAR_FT
from geotrim.io.site_parts import SAME_LOT_FRAC

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

NO_ID, OFF_MAP, TOO_LARGE, FAR_AWAY, REPEATED = (
    "no-id",
    "off-map",
    "too-large",
    "far-away",
    "repeated",
)
#: Their shape has no place in the site's reference system.
NO_PLACE = (OFF_MAP,)
#: Shown on no map, which they would make too wide: their place is wrong.
NOT_DRAWN = (OFF_MAP, FAR_AWAY)
#: A lot larger than this is a county's outline, or drawn in another unit. Our choice, no source.
LARGEST_SQUARE_MILES = 20.0
LARGEST_FT2 = LARGEST_SQUARE_MILES * 5280.0**2
#: Sides of two outlines this near to each other may be one lot's, drawn twice. Our choice, no
#: source. [ft]
SAME_SIDES_FT = 1.0
#: Typical distances from the middle beyond which a lot does not help to tell where the layer is.
#: Our choice, no source.
ODD_DEVIATIONS = 20.0
#: Beyond this a coordinate lies on no map of the Earth in any unit. [map units]
LARGEST_COORDINATE = 1e9
_PAIRS_AT_ONCE = 2000


def usual_bounds(centres: Floats) -> Floats:
    """Bounds of most of the points: those that lie wildly away are not asked.

    Parameters
    ----------
    centres : (n, 2) array

    Returns
    -------
    (4,) array
        West, south, east, north; NaN where no point is finite.

    Notes
    -----
    Left out is what lies more than ``ODD_DEVIATIONS`` median deviations from the median, on either
    axis.
    """
    good = centres[np.isfinite(centres).all(axis=1)]
    if not len(good):
        return np.full(4, np.nan)
    middle = np.median(good, axis=0)
    away = np.abs(good - middle)
    usual = good[(away <= ODD_DEVIATIONS * np.median(away, axis=0)).all(axis=1)]
    usual = usual if len(usual) else good
    return np.concatenate([usual.min(axis=0), usual.max(axis=0)])


def far_away(centres: Floats, shore: Floats, reach: float) -> Flags:
    """Which lots no chain of lots joins to the shore.

    Parameters
    ----------
    centres : (n, 2) array
        Of the lots; NaN where there is none.
    shore : (m, 2) array
        Points along the shore, no farther apart than ``reach``.
    reach : float
        What one step of the chain may bridge. [map units]

    Notes
    -----
    Points are joined where they lie in the same square of that side or in two that touch, so every
    step up to ``reach`` is seen, and none of more than 2.83 times that.
    """
    there = np.isfinite(centres).all(axis=1) & (np.abs(centres) < LARGEST_COORDINATE).all(axis=1)
    cells = np.floor(centres[there] / reach).astype(np.int64)
    kinds, which = np.unique(cells, axis=0, return_inverse=True)
    occupied = {(int(x), int(y)): k for k, (x, y) in enumerate(kinds)}
    joined = np.zeros(len(kinds), dtype=bool)
    stack = {(int(x), int(y)) for x, y in np.floor(shore / reach)}
    while stack:
        x, y = stack.pop()
        for dx in (-1, 0, 1):
            for dy in (-1, 0, 1):
                near = (x + dx, y + dy)
                k = occupied.get(near)
                if k is not None and not joined[k]:
                    joined[k] = True
                    stack.add(near)
    far = np.ones(len(centres), dtype=bool)
    far[there] = ~joined[which.reshape(-1)]
    return far


def why_far(centre: Any, given: Any, usual: Floats, unit: str, gap_miles: float) -> str:
    """Why a lot may be where it is.

    Parameters
    ----------
    centre : (2,) array
        In the site's reference system.
    given : (2,) array
        As the file has it.
    usual : (4,) array
        Bounds of the other lots, as the file has them.
    unit : str
        Of the file's coordinates.
    gap_miles : float
        To the nearest shore line; NaN where it has no place.
    """
    x, y = (float(value) for value in given)
    west, south, east, north = usual
    wide, high = max(east - west, 1e-9), max(north - south, 1e-9)
    told = "it has no place in the site's reference system"
    if np.isfinite(centre).all():
        told = f"it lies {gap_miles:,.0f} miles from any shore line, and no lots stand between"
    if west - wide <= y <= east + wide and south - high <= x <= north + high:
        return f"{told}; with x and y exchanged it would lie among the others"
    if "degree" not in unit and abs(x) <= 180 and abs(y) <= 90:
        return f"{told}; its coordinates ({x:.5g}, {y:.5g}) look like degrees"
    low, high_end = place_words(west, south, ""), place_words(east, north, unit)
    return f"{told}: at {place_words(x, y, '')}, the others between {low} and {high_end}"


def place_words(x: float, y: float, unit: str) -> str:
    """A place in whole units, or in degrees to about a foot; the unit once behind it.

    Examples
    --------
    >>> place_words(360040.2, 1180050.0, "US survey foot"), place_words(-82.7, 27.8, "")
    ('(360,040, 1,180,050) US survey foot', '(-82.700000, 27.800000)')
    """
    size = max(abs(x), abs(y))
    form = ".6g" if size >= LARGEST_COORDINATE else ",.0f" if size > 360.0 else ".6f"
    return f"({x:{form}}, {y:{form}}) {unit}".rstrip()


def repeated(bounds: Floats, areas: Floats, shapes_of: Any, reach: float) -> dict[int, int]:
    """Rows that cover the same ground as another -> that other, which comes first.

    Parameters
    ----------
    bounds : (n, 4) array
    areas : (n,) array
    shapes_of : callable
        Takes rows, returns their shapes.
    reach : float
        How far the sides of one outline may lie from those of its twin. [map units]

    Notes
    -----
    Twins share more than ``SAME_LOT_FRAC`` of the larger of the two.
    """
    from scipy.spatial import cKDTree

    found: dict[int, int] = {}
    keys = np.column_stack([bounds, areas])
    _, first, which = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    one = first[which.reshape(-1)]
    other = np.flatnonzero(one != np.arange(len(bounds)))
    alike = np.column_stack([one[other], other])
    found.update({int(b): int(a) for a, b in alike[_same(alike, areas, shapes_of)]})
    alone = np.setdiff1d(np.arange(len(bounds)), list(found))
    near = cKDTree(bounds[alone]).query_pairs(reach, p=np.inf, output_type="ndarray")
    pairs = alone[np.sort(near, axis=1)] if len(near) else np.empty((0, 2), np.int64)
    pairs = pairs[np.lexsort(pairs.T[::-1])]
    for a, b in pairs[_same(pairs, areas, shapes_of)]:
        if int(a) not in found and int(b) not in found:
            found[int(b)] = int(a)
    return found


def _same(pairs: Ints, areas: Floats, shapes_of: Any) -> Flags:
    """Which pairs of rows share more than ``SAME_LOT_FRAC`` of the larger of the two."""
    larger, smaller = areas[pairs].max(axis=1), areas[pairs].min(axis=1)
    is_same = smaller > SAME_LOT_FRAC * larger
    for rows in np.array_split(np.flatnonzero(is_same), max(1, len(pairs) // _PAIRS_AT_ONCE)):
        wanted, at = np.unique(pairs[rows], return_inverse=True)
        if not len(wanted):
            continue
        shapes = shapes_of(wanted)[at.reshape(-1, 2)]
        shared = shapely.area(shapely.intersection(shapes[:, 0], shapes[:, 1]))
        is_same[rows] = shared > SAME_LOT_FRAC * larger[rows]
    return is_same


__all__ = [
    "FAR_AWAY",
    "LARGEST_FT2",
    "LARGEST_SQUARE_MILES",
    "NOT_DRAWN",
    "NO_ID",
    "NO_PLACE",
    "OFF_MAP",
    "REPEATED",
    "SAME_SIDES_FT",
    "TOO_FAR_FT",
    "TOO_LARGE",
    "far_away",
    "repeated",
    "usual_bounds",
    "why_far",
]
