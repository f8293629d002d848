"""Geometry onto axes: polygons with holes, lines with casing, words along a line."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np
import shapely

from geotrim.report.palette import PAPER


def parts_of(shape: Any, dimension: int) -> list[Any]:
    """Simple parts of one dimension, from collections too: 1 for lines, 2 for polygons."""
    if shape is None or shapely.is_empty(shape):
        return []
    parts = shapely.get_parts(shape)
    while any(kind >= 4 for kind in shapely.get_type_id(parts)):  # multiparts in a collection
        parts = shapely.get_parts(parts)
    is_wanted = (shapely.get_dimensions(parts) == dimension) & ~shapely.is_empty(parts)
    return list(parts[is_wanted])


def path_of(shape: Any) -> Any:
    """A matplotlib path of a polygon with its holes, or of several."""
    from matplotlib.path import Path

    vertices, codes = [], []
    for polygon in parts_of(shape, 2):
        for ring in (polygon.exterior, *polygon.interiors):
            xy = shapely.get_coordinates(ring)
            vertices.append(xy)
            codes += [Path.MOVETO, *[Path.LINETO] * (len(xy) - 2), Path.CLOSEPOLY]
    return Path(np.concatenate(vertices), codes) if vertices else None


def draw_area(ax: Any, shape: Any, **look: Any) -> Any:
    """One polygon, or several as one artist; nothing for an empty shape."""
    from matplotlib.patches import PathPatch

    path = path_of(shape)
    if path is None:
        return None
    return ax.add_artist(PathPatch(path, **look))  # not add_patch: it walks every vertex


def draw_line(ax: Any, shape: Any, *, casing: float = 0.0, **look: Any) -> None:
    """A line, or several; with a paper-coloured casing so that it reads over crowns."""
    from matplotlib import patheffects

    for part in parts_of(shape, 1):
        xy = shapely.get_coordinates(part)
        (line,) = ax.plot(xy[:, 0], xy[:, 1], **look)
        if casing:
            wide = look.get("linewidth", 1.0) + 2 * casing
            line.set_path_effects(
                [patheffects.Stroke(linewidth=wide, foreground=PAPER), patheffects.Normal()]
            )


def halo(width: float = 2.0) -> list[Any]:
    """A paper-coloured edge round words."""
    from matplotlib import patheffects

    return [patheffects.withStroke(linewidth=width, foreground=PAPER)]


def words_along(
    ax: Any, line: Any, text: str, share: float, *, lift_pt: float = 4.0, **look: Any
) -> Any:
    """Words beside a line at a share of its length, turned with it, never upside down."""
    here = line.interpolate(share, normalized=True)
    ahead = line.interpolate(min(share + 0.02, 1.0), normalized=True)
    back = line.interpolate(max(share - 0.02, 0.0), normalized=True)
    angle = math.degrees(math.atan2(ahead.y - back.y, ahead.x - back.x))
    angle = (angle + 90.0) % 180.0 - 90.0
    up = math.radians(angle + 90.0)
    return ax.annotate(
        text,
        (here.x, here.y),
        xytext=(lift_pt * math.cos(up), lift_pt * math.sin(up)),
        textcoords="offset points",
        rotation=angle,
        rotation_mode="anchor",
        ha="center",
        va="bottom" if lift_pt >= 0 else "top",
        path_effects=halo(),
        annotation_clip=True,
        **look,
    )


def bounds_of(shapes: Iterable[Any]) -> tuple[float, float, float, float] | None:
    """Bounds of all that is there, or None."""
    boxes = [shape.bounds for shape in shapes if shape is not None and not shapely.is_empty(shape)]
    if not boxes:
        return None
    low, high = np.min(boxes, axis=0), np.max(boxes, axis=0)
    return float(low[0]), float(low[1]), float(high[2]), float(high[3])


def grown_to(
    bounds: tuple[float, float, float, float], margin: float, width: float, height: float
) -> tuple[float, float, float, float]:
    """Bounds with a margin, widened to the shape of a frame so that scales stay equal.

    Examples
    --------
    >>> grown_to((0.0, 0.0, 8.0, 2.0), 1.0, 5.0, 4.0)
    (-1.0, -3.0, 9.0, 5.0)
    """
    x0, y0, x1, y1 = bounds
    w, h = x1 - x0 + 2 * margin, y1 - y0 + 2 * margin
    scale = max(w / width, h / height)
    cx, cy = (x0 + x1) / 2, (y0 + y1) / 2
    return (
        cx - scale * width / 2,
        cy - scale * height / 2,
        cx + scale * width / 2,
        cy + scale * height / 2,
    )
