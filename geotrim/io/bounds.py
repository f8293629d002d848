"""Boxes in one CRS that hold boxes of another."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from pyproj import CRS

from geotrim.io.crs import plan_move, same_crs

#: Points on each side of a box that is taken to another CRS, where its sides bend.
SIDE_POINTS = 21

Bounds = tuple[float, float, float, float]


def moved_bounds(bounds: Bounds, source: Any, target: Any, subject: str) -> Bounds:
    """The box in another CRS that holds a box, its sides followed point by point.

    Parameters
    ----------
    bounds : west, south, east, north
    source, target : anything pyproj understands
    subject : str
        Whose box it is, for messages.

    Examples
    --------
    >>> moved_bounds((0.0, 0.0, 1.0, 2.0), CRS(6443), CRS(6443), "lots")
    (0.0, 0.0, 1.0, 2.0)
    """
    own, other = CRS.from_user_input(source), CRS.from_user_input(target)
    if same_crs(own, other):
        return bounds
    return box_around(bounds, plan_move(own, other, np.array(bounds), subject).apply)


def box_around(bounds: Bounds, move: Callable[[Any], Any]) -> Bounds:
    """The box around a box whose sides are moved point by point.

    move : takes and returns an (n, 2) array of coordinates.

    Examples
    --------
    >>> box_around((0.0, 0.0, 1.0, 2.0), lambda xy: 2.0 * xy)
    (0.0, 0.0, 2.0, 4.0)
    """
    west, south, east, north = bounds
    x, y = np.linspace(west, east, SIDE_POINTS), np.linspace(south, north, SIDE_POINTS)
    sides = np.concatenate(
        [np.column_stack([x, np.full_like(x, at)]) for at in (south, north)]
        + [np.column_stack([np.full_like(y, at), y]) for at in (west, east)]
    )
    there = move(sides)
    (left, low), (right, high) = there.min(axis=0), there.max(axis=0)
    return float(left), float(low), float(right), float(high)
