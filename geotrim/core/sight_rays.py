"""Lines of sight: from an eye over the frontage to the horizon, or level and square to the shore.

The view of an eye is what lies between the water's near edge and the horizon, over the azimuths
whose ray comes from the land and crosses the frontage. A ray may cross it more than once; the first
crossing counts, and a ray that first meets the frontage from the water has no view.

The earth is a parabola: a point at distance d lies ``curvature * d**2`` lower. The water, h below
the eye, has its horizon where ``h / d + curvature * d`` is least: at ``sqrt(h / curvature)``, under
a slope of ``2 sqrt(h curvature)``, which is the dip ``sqrt(2 h (1 - k) / R)``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotrim.core.coverage import Floats, Transform
from geotrim.core.sight_scene import Rays, Scene
from geotrim.errors import RangeError, ShapeError

#: Two azimuths nearer than this are one. [deg]
SAME_AZIMUTH = 1e-9
#: An eye nearer to the frontage than this stands on it. [map units]
ON_THE_LINE = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Fan:
    """Azimuths under which an eye looks over the frontage, in narrow cells.

    azimuth_deg : (r,) middle of each cell, clockwise from the north of the grid, in [0, 360). They
        run clockwise and begin after the widest gap.
    width_deg : (r,) width of each cell.
    edge_ft : (r,) distance of the water's near edge. [ft]
    low_deg, high_deg : (r,) elevation angle of the near edge and of the horizon.
    reason : why there is no view; empty where there is one.
    """

    azimuth_deg: Floats
    width_deg: Floats
    edge_ft: Floats
    low_deg: Floats
    high_deg: Floats
    reason: str = ""

    def __len__(self) -> int:
        return len(self.azimuth_deg)

    @property
    def view_deg2(self) -> float:
        """Size of the whole view: azimuth times elevation angle, plain degrees. [deg2]."""
        return float((self.width_deg * (self.high_deg - self.low_deg)).sum())


def _no_fan(reason: str) -> Fan:
    none = np.zeros(0)
    return Fan(none, none, none, none, none, reason)


def pixel_rates(
    transform: Transform, feet: float, x: Floats, y: Floats, dx: Floats, dy: Floats
) -> tuple[Floats, Floats]:
    """Column and row where each ray begins, and what a foot along it adds to them; (r, 2) each.

    Raises
    ------
    ShapeError
        If the transform has no inverse.
    """
    a, b, c, d, e, f = transform
    det = a * e - b * d
    if not (math.isfinite(det) and det != 0.0 and math.isfinite(feet) and feet > 0.0):
        raise ShapeError(
            "transform", f"{transform}", "cells with a size", "look at the raster's georeference"
        )
    inverse = np.array([[e, -d], [-b, a]]) / det
    start = np.column_stack([x - c, y - f]) @ inverse
    return start, np.column_stack([dx, dy]) @ inverse / feet


def _segments(x: float, y: float, shore_xy: Sequence[npt.ArrayLike]) -> tuple[Floats, Floats]:
    """Ends of all segments, (s, 2) each, seen from the eye. [map units]."""
    starts, ends = [np.zeros((0, 2))], [np.zeros((0, 2))]
    for line in shore_xy:
        xy = np.asarray(line, np.float64)
        if xy.ndim != 2 or xy.shape[1] < 2 or not np.isfinite(xy[:, :2]).all():
            raise ShapeError(
                "shore",
                f"an array of shape {xy.shape}",
                "lines of finite (x, y)",
                "repair the line",
            )
        xy = xy[:, :2] - (x, y)
        starts.append(xy[:-1])
        ends.append(xy[1:])
    p, q = np.concatenate(starts), np.concatenate(ends)
    is_long = (p != q).any(axis=1)
    return p[is_long], q[is_long]


def _distance(p: Floats, q: Floats) -> float:
    """Distance of the origin from segments."""
    along = q - p
    share = np.clip(-(p * along).sum(axis=1) / (along**2).sum(axis=1), 0.0, 1.0)
    return float(np.hypot(*(p + share[:, None] * along).T).min())


def _hits(azimuth_deg: Floats, p: Floats, q: Floats) -> tuple[npt.NDArray[np.int64], Floats]:
    """First segment each ray meets, -1: none, and how far off. [map units]."""
    from geotrim.core import _sight_kernels

    turn = np.radians(azimuth_deg)
    segment, distance = np.empty(turn.size, np.int64), np.empty(turn.size)
    _sight_kernels.first_hits(np.sin(turn), np.cos(turn), p, q, segment, distance)
    return segment, distance


def _spans(p: Floats, q: Floats) -> list[list[float]]:
    """Spans of azimuth whose rays meet the segments first from their right, which is the land.

    Between two neighbouring vertices, by azimuth, every ray meets the same segment first. Spans
    are [from, to] in degrees, clockwise, the first one after the widest gap.
    """
    ends = np.concatenate([p, q])
    marks = np.unique(np.degrees(np.arctan2(ends[:, 0], ends[:, 1])) % 360.0 % 360.0)
    after = np.append(marks[1:], marks[0] + 360.0)
    middle = 0.5 * (marks + after)
    segment, _ = _hits(middle, p, q)
    along = (q - p)[segment]
    turn = np.radians(middle)
    is_from_land = along[:, 0] * np.cos(turn) - along[:, 1] * np.sin(turn) > 0.0
    spans: list[list[float]] = []
    for i in np.flatnonzero((segment >= 0) & is_from_land & (after - marks > SAME_AZIMUTH)):
        if spans and marks[i] - spans[-1][1] <= SAME_AZIMUTH:
            spans[-1][1] = float(after[i])
        else:
            spans.append([float(marks[i]), float(after[i])])
    if len(spans) > 1 and spans[0][0] + 360.0 - spans[-1][1] <= SAME_AZIMUTH:
        spans[0][0] = spans.pop()[0] - 360.0
    gaps = [(spans[i][0] - spans[i - 1][1]) % 360.0 for i in range(len(spans))]
    first = int(np.argmax(gaps)) if spans else 0
    return spans[first:] + spans[:first]


def _cells(spans: list[list[float]], step_deg: float) -> tuple[Floats, Floats]:
    """Middles and widths of azimuth cells, none wider than the step."""
    middles, widths = [], []
    for start, end in spans:
        n = max(1, math.ceil((end - start) / step_deg - SAME_AZIMUTH))
        width = (end - start) / n
        middles.append(start + width * (np.arange(n) + 0.5))
        widths.append(np.full(n, width))
    return np.concatenate(middles) % 360.0, np.concatenate(widths)


def _check_eye(x: float, y: float, eye_ft: float, step_deg: float, curvature: float) -> None:
    if not (math.isfinite(x) and math.isfinite(y) and math.isfinite(eye_ft)):
        raise RangeError(
            "eye", f"({x}, {y}) at {eye_ft} ft", "a place and an elevation", "give finite numbers"
        )
    if not 0.0 < step_deg <= 360.0:
        raise RangeError(
            "azimuth_step_deg", f"{step_deg}", "more than 0 and at most 360", "use 0.25"
        )
    if not (math.isfinite(curvature) and curvature >= 0.0):
        raise RangeError(
            "curvature", f"{curvature}", "0 (a flat earth) or more", "use curvature_per_ft"
        )


def shore_fan(
    x: float,
    y: float,
    eye_ft: float,
    shore_xy: Sequence[npt.ArrayLike],
    scene: Scene,
    *,
    azimuth_step_deg: float,
    curvature: float = 0.0,
) -> Fan:
    """Under which azimuths an eye looks over the frontage, and what it could see there.

    Parameters
    ----------
    x, y : float
        Place of the eye. [map units]
    eye_ft : float
        Its elevation. [ft]
    shore_xy : sequence of (n, 2) arrays
        Frontage lines with the water on their left. [map units]
    scene : Scene
        For the water's elevation and the feet of a map unit.
    azimuth_step_deg : float
        Greatest width of an azimuth cell; each is seen along its middle. [deg]
    curvature : float
        See :class:`~geotrim.core.sight_scene.Rays`. [1/ft]

    Returns
    -------
    Fan
        Without azimuths, and with a reason, where nothing can be seen: the eye is not above the
        water, stands on the frontage or on its water side, or has its horizon before the edge.
        Single azimuths whose edge is beyond the horizon are left out.

    Raises
    ------
    RangeError, ShapeError
        If a number is out of its limits or a line is none.
    """
    _check_eye(x, y, eye_ft, azimuth_step_deg, curvature)
    above_ft = eye_ft - scene.water_ft
    if not above_ft > 0.0:
        return _no_fan("the eye is not above the water")
    p, q = _segments(x, y, shore_xy)
    if len(p) == 0:
        return _no_fan("there is no frontage")
    if _distance(p, q) <= ON_THE_LINE:
        return _no_fan("the eye stands on the frontage line")
    spans = _spans(p, q)
    if not spans:
        return _no_fan("the eye is not on the land side of the frontage")
    azimuth, width = _cells(spans, azimuth_step_deg)
    edge = _hits(azimuth, p, q)[1] * scene.feet
    is_seen = np.isfinite(edge) & (curvature * edge**2 < above_ft)
    if not is_seen.any():
        return _no_fan("the water begins beyond the horizon")
    azimuth, width, edge = azimuth[is_seen], width[is_seen], edge[is_seen]
    low = -np.degrees(np.arctan2(above_ft + curvature * edge**2, edge))
    dip = -math.degrees(math.atan(2.0 * math.sqrt(above_ft * curvature)))
    return Fan(azimuth, width, edge, low, np.full(edge.size, dip))


def _leaves(
    transform: Transform, feet: float, low: Floats, high: Floats, rays_at: tuple[Floats, ...]
) -> Floats:
    """Distance at which each ray leaves a box of columns and rows; 0: it never meets it. [ft]."""
    start, rate = pixel_rates(transform, feet, *rays_at)
    with np.errstate(divide="ignore", invalid="ignore"):
        a, b = (low - start) / rate, (high - start) / rate
    is_still = rate == 0.0
    is_outside = (is_still & ((start < low) | (start > high))).any(axis=1)
    enters = np.where(is_still, -np.inf, np.fmin(a, b)).max(axis=1)
    leaves = np.where(is_still, np.inf, np.fmax(a, b)).min(axis=1)
    return np.where(is_outside | (enters > leaves), 0.0, np.maximum(leaves, 0.0))


def _to_the_last(scene: Scene, x: Floats, y: Floats, dx: Floats, dy: Floats) -> Floats:
    """How far each ray may meet something: to the last canopy, and the end of the ground. [ft]."""
    reach, at = np.zeros(x.size), (x, y, dx, dy)
    rows, cols = np.nonzero(scene.tree >= 0)
    if rows.size:
        low = np.array([cols.min(), rows.min()], np.float64)
        high = np.array([cols.max(), rows.max()], np.float64) + 1.0
        reach = _leaves(scene.transform, scene.feet, low, high, at)
    if scene.ground is not None:
        n_rows, n_cols = scene.ground.elevation_ft.shape
        end = np.array([n_cols, n_rows], np.float64)
        land = _leaves(scene.ground.transform, scene.feet, np.zeros(2), end, at)
        reach = np.maximum(reach, land)
    return reach


def fan_rays(x: float, y: float, eye_ft: float, fan: Fan, scene: Scene, curvature: float) -> Rays:
    """The rays of a fan: one for each azimuth cell, weighted by its width."""
    turn = np.radians(fan.azimuth_deg)
    dx, dy = np.sin(turn), np.cos(turn)
    xs, ys = np.full(len(fan), float(x)), np.full(len(fan), float(y))
    length = np.maximum(fan.edge_ft, _to_the_last(scene, xs, ys, dx, dy))
    if curvature > 0.0 and len(fan):  # what stands beyond the horizon shows over it, if at all
        length = np.minimum(length, math.sqrt((eye_ft - scene.water_ft) / curvature))
    weight = fan.width_deg / fan.view_deg2 if len(fan) else np.zeros(0)
    return Rays(
        xs, ys, dx, dy, length, float(eye_ft), fan.low_deg, fan.high_deg, weight, float(curvature)
    )


def eye_rays(
    x: float,
    y: float,
    eye_ft: float,
    shore_xy: Sequence[npt.ArrayLike],
    scene: Scene,
    *,
    azimuth_step_deg: float,
    curvature: float = 0.0,
) -> Rays:
    """Lines of sight from an eye over the frontage; none where there is no view.

    Parameters are those of :func:`shore_fan`, which also tells why there is no view.

    Returns
    -------
    Rays
        With weights such that ``sum(weight * (high - low))`` is 1. Each reaches to the water's near
        edge and past it to the last canopy of the scene and the end of its ground, but not past
        the horizon.

    Raises
    ------
    RangeError, ShapeError
        As :func:`shore_fan`.

    Examples
    --------
    A straight shore 100 ft off, 200 ft long, seen under 90 degrees from 10 ft over the water.

    >>> none = np.zeros((1, 1))
    >>> bare = Scene(none * np.nan, np.full((1, 1), -1), none > 0, np.zeros(0), none,
    ...              (1.0, 0.0, 0.0, 0.0, -1.0, 0.0), 1.0)
    >>> rays = eye_rays(0.0, 0.0, 10.0, [[(-100.0, 100.0), (100.0, 100.0)]], bare,
    ...                 azimuth_step_deg=30.0)
    >>> len(rays), rays.low.round(2).tolist(), rays.high.tolist()
    (3, [-4.95, -5.71, -4.95], [-0.0, -0.0, -0.0])
    """
    fan = shore_fan(
        x, y, eye_ft, shore_xy, scene, azimuth_step_deg=azimuth_step_deg, curvature=curvature
    )
    return fan_rays(x, y, eye_ft, fan, scene, curvature)


def shore_rays(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    dx: npt.ArrayLike,
    dy: npt.ArrayLike,
    length_ft: npt.ArrayLike,
    lengths_along_ft: npt.ArrayLike,
    band_ft: tuple[float, float],
) -> Rays:
    """Level lines square to the shore, one a station: the view is the band, by its height.

    Parameters
    ----------
    x, y : (r,) arrays
        Where each line begins. [map units]
    dx, dy : (r,) arrays
        Its direction, of any length.
    length_ft : float or (r,) array
        How far canopy is looked for. [ft]
    lengths_along_ft : float or (r,) array
        Length of shore each line stands for. [ft]
    band_ft : (low, high)
        Heights above the substrate. [ft]

    Returns
    -------
    Rays
        With weights such that ``sum(weight * (high - low))`` is 1.

    Raises
    ------
    ShapeError, RangeError
        If the arrays do not fit each other, or a direction, a length or the band is void.
    """
    given = [np.asarray(v, np.float64) for v in (x, y, dx, dy, length_ft, lengths_along_ft)]
    n = given[0].size
    try:
        xs, ys, dxs, dys, length, along = (np.broadcast_to(v, (n,)).copy() for v in given)
    except ValueError:
        shapes = ", ".join(str(v.shape) for v in given)
        raise ShapeError(
            "shore rays", f"shapes {shapes}", "one row each", "give arrays of one length"
        ) from None
    low, high = (float(v) for v in band_ft)
    if not (math.isfinite(low) and math.isfinite(high) and low < high):
        raise RangeError("band_ft", f"{band_ft}", "a low and a higher height", "use 6 and 10")
    norm = np.hypot(dxs, dys)
    is_good = np.isfinite(xs) & np.isfinite(ys) & np.isfinite(norm) & (norm > 0.0)
    is_good &= (length >= 0.0) & np.isfinite(length) & (along > 0.0) & np.isfinite(along)
    if not is_good.all():
        raise RangeError(
            "shore rays",
            f"{np.count_nonzero(~is_good)} of {n} without a place, a direction or a length",
            "finite places, directions and lengths",
            "leave these stations out",
        )
    weight = along / (along.sum() * (high - low)) if n else np.zeros(0)
    lows, highs = np.full(n, low), np.full(n, high)
    return Rays(xs, ys, dxs / norm, dys / norm, length, math.nan, lows, highs, weight)
