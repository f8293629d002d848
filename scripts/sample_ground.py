"""The invented ground of a sample lot, by formula, and the eyes that look over it.

The ground falls from a yard through a bank to mean high water at the line, and on under the trees:
straight between the corners of ``PROFILE``, the same at every station, with a slow swell along the
shore that ends at the line. So the line is a contour of the ground, and heights above the substrate
stand on it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from sample_parts import Frame

#: Mean high water above NAVD 88, invented. [ft]
MHW_FT = 0.31
#: Offset over the water [map units] and elevation [ft above NAVD 88] of the ground, inland first.
PROFILE = (
    (-200.0, 4.1),
    (-60.0, 3.6),
    (-26.0, 3.0),
    (-12.0, 1.6),
    (0.0, MHW_FT),
    (36.0, -0.5),
    (70.0, -2.2),
    (200.0, -5.0),
)
#: Height of the swell [ft], and its length along the shore [map units].
SWELL_FT, SWELL_LENGTH = 0.15, 70.0
#: Elevations are stored to this. [ft]
ROUNDED_FT = 0.01


@dataclass(frozen=True)
class Eye:
    """Where somebody looks from: station and offset, and its height or its elevation. [ft]."""

    name: str
    station: float
    offset: float
    height_ft: float | None = None
    elevation_ft: float | None = None
    why: str = ""

    def toml(self, frame_world) -> str:
        """The eye as a site file says it."""
        x, y = frame_world(self.station, self.offset)
        key = "elevation_ft" if self.height_ft is None else "height_ft"
        value = self.elevation_ft if self.height_ft is None else self.height_ft
        lines = ["[[eyes]]", f'name = "{self.name}"', f"x = {x}", f"y = {y}"]
        level = f"{key} = {value}"
        return "\n".join([*lines, f"{level:<34} # {self.why}" if self.why else level]) + "\n"


def ground_ft(station, offset):
    """Elevation of the ground, before it is rounded. [ft above NAVD 88]."""
    offsets, levels = zip(*PROFILE, strict=True)
    plain = np.interp(offset, offsets, levels)
    swell = SWELL_FT * np.sin(2 * math.pi * np.asarray(station) / SWELL_LENGTH)
    return plain + swell * np.clip(-np.asarray(offset) / 30.0, 0.0, 1.0)


def paint_ground(
    frame: Frame, west: float, north: float, cell: float, shape: tuple[int, int]
) -> np.ndarray:
    """The ground at the centre of each cell, row 0 in the north. [ft above NAVD 88]."""
    rows, cols = shape
    x, y = np.meshgrid(
        west + (np.arange(cols) + 0.5) * cell - frame.east,
        north - (np.arange(rows) + 0.5) * cell - frame.north,
    )
    turn = math.radians(frame.turn_deg)
    station = math.cos(turn) * x + math.sin(turn) * y
    offset = -math.sin(turn) * x + math.cos(turn) * y
    return np.round(ground_ft(station, offset) / ROUNDED_FT) * ROUNDED_FT
