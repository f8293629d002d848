"""Hatches as plain lines: they print the same from every program, and need no pattern of a file."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely

from geotrim.report.sheets.drawing import Array

#: Pieces of a hatch shorter than this are left out: they would print as dots. [pt]
LEAST_PT = 0.4


def hatch(shape: Any, spacing_pt: float, angle_deg: float) -> list[Array]:
    """Parallel lines that fill a shape, holes left free.

    Lines lie on one grid for the whole paper, so that the hatches of two shapes side by side meet.

    Parameters
    ----------
    shape : shapely geometry
        Polygons on the paper, y down; other kinds of shapes give no line. [pt]
    spacing_pt : float
        Between two lines, square to them. [pt]
    angle_deg : float
        Of the lines, counter-clockwise from a line to the right, as seen on the paper.

    Returns
    -------
    list of (2, 2) arrays
        Ends of each line. [pt]

    Examples
    --------
    >>> [line.tolist() for line in hatch(shapely.box(0, 1, 10, 7), 4.0, 0.0)]
    [[[0.0, 4.0], [10.0, 4.0]]]
    """
    if shape is None or shapely.is_empty(shape) or spacing_pt <= 0.0:
        return []
    turn = math.radians(-angle_deg)  # y grows downwards on paper
    along = np.array([math.cos(turn), math.sin(turn)])
    across = np.array([-along[1], along[0]])
    xy = shapely.get_coordinates(shapely.envelope(shape))
    u, v = xy @ along, xy @ across
    rows = np.arange(math.ceil(v.min() / spacing_pt), math.floor(v.max() / spacing_pt) + 1)
    if not rows.size:
        return []
    offsets = (rows * spacing_pt)[:, None] * across
    ends = np.stack([offsets + (u.min() - 1.0) * along, offsets + (u.max() + 1.0) * along], axis=1)
    cut = shapely.get_parts(shapely.intersection(shapely.linestrings(ends), shape))
    lines = shapely.get_parts(cut[~shapely.is_empty(cut)])
    lines = lines[(shapely.get_type_id(lines) == 1) & (shapely.length(lines) >= LEAST_PT)]
    found = [shapely.get_coordinates(line)[[0, -1]] for line in lines]
    return [line if line[0] @ along <= line[1] @ along else line[::-1] for line in found]
