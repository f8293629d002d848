"""The shore of one lot cut into stations, and the lines of sight a window opens."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core.fringe import OUTLINE_STEP_FT, Baseline, covered_spans, strip_polygon
from geotrim.core.sight_scene import Rays, Scene
from geotrim.model import Result

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]
#: Past the canopy on both sides, so that lines square to the shore begin and end clear of it. [ft]
MARGIN_FT = 1.0
#: The outline of a span follows the shore in steps no longer than this. [ft]
STRIP_STEP_FT = 2.0
#: A crown that reaches into a station no farther than this does not stand along it. [ft]
LEAST_COVER_FT = 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """One stretch of a lot's frontage.

    low_ft, high_ft : how far canopy reaches landward and waterward of its baseline. [ft]
    fringe : polygon of its fringe, in map units.
    """

    stretch_id: str
    station0_ft: float
    length_ft: float
    base: Baseline
    line: Any
    low_ft: float
    high_ft: float
    fringe: Any


@dataclass(frozen=True, slots=True, eq=False)
class Shore:
    """Stations of a lot, stretch by stretch.

    from_ft, length_ft : (n,) [ft]
    is_break : (n,) True where a stretch begins.
    is_allowed : (n,) True where the zone has width, or there is no canopy and no setback.
    stretch : (n,) number of the stretch.
    feet : international feet in one map unit.
    """

    stretches: tuple[Stretch, ...]
    from_ft: Floats
    length_ft: Floats
    is_break: Flags
    is_allowed: Flags
    stretch: Ints
    feet: float

    @property
    def to_ft(self) -> Floats:
        return self.from_ft + self.length_ft

    def place(self, stretch_id: Any, station_ft: Floats) -> Ints:
        """(t,) station each tree stands in; -1 for one of no stretch of this lot."""
        out = np.full(len(station_ft), -1, dtype=np.intp)
        for k, one in enumerate(self.stretches):
            which = np.flatnonzero(self.stretch == k)
            mine = np.flatnonzero((stretch_id == one.stretch_id) & np.isfinite(station_ft))
            at = np.searchsorted(self.from_ft[which], station_ft[mine], side="right") - 1
            out[mine] = which[np.clip(at, 0, len(which) - 1)]
        return out


def shore_of(
    lot_id: str, frontage: Result, lines: list[Baseline], crowns: Any, fringe: Result, zone: Any,
    strips: Any, step_ft: float, feet: float,
) -> Shore:  # fmt: skip
    """Stations of a lot.

    Parameters
    ----------
    lot_id : str
    frontage, fringe : Result
        Of those operations.
    lines : list of Baseline
        One for each stretch of the frontage.
    crowns : GeoDataFrame
    zone : Polygon or MultiPolygon
        Zone of the lot.
    strips : Polygon or MultiPolygon
        Setbacks and exclusions.
    step_ft : float
        Each stretch is divided evenly into stations of about this length. [ft]
    feet : float
        International feet in one map unit.

    Notes
    -----
    A window may be where the zone has width at the middle of a station. Where no canopy stands
    there is no zone, because there is nothing to cut; a window may run over such shore too, but for
    what setbacks and exclusions cover.
    """
    rows = frontage["frontage"]
    mine = (rows["lot_id"] == lot_id).to_numpy(dtype=bool)
    bases = [base for base, is_mine in zip(lines, mine, strict=True) if is_mine]
    shapes = fringe["fringe"].set_index("stretch_id").geometry
    stretches = tuple(
        _stretch(row, base, crowns, fringe, shapes[row.stretch_id], feet)
        for row, base in zip(rows[mine].itertuples(), bases, strict=True)
    )
    starts, lengths, allowed, number = [], [], [], []
    for k, one in enumerate(stretches):
        count = max(1, round(one.length_ft / step_ft))
        edges = np.linspace(0.0, one.length_ft, count + 1)
        starts.append(one.station0_ft + edges[:-1])
        lengths.append(np.diff(edges))
        allowed.append(_allowed(one, (edges[:-1] + edges[1:]) / 2.0, zone, strips, feet))
        number.append(np.full(count, k, dtype=np.intp))
    stretch = _joined(number, np.intp)
    first = np.concatenate([[True], stretch[1:] != stretch[:-1]]) if len(stretch) else stretch > 0
    return Shore(
        stretches,
        _joined(starts, np.float64),
        _joined(lengths, np.float64),
        first,
        _joined(allowed, np.bool_),
        stretch,
        feet,
    )


def _joined(parts: list[Any], kind: Any) -> Any:
    return np.concatenate(parts) if parts else np.zeros(0, dtype=kind)


def _stretch(
    row: Any, base: Baseline, crowns: Any, fringe: Result, shape: Any, feet: float
) -> Stretch:
    """A stretch, and how far the canopy along it reaches."""
    places = fringe["fringe_crowns"]
    here = (places["stretch_id"] == row.stretch_id).to_numpy(dtype=bool)
    along = np.asarray(crowns.geometry.array, dtype=object)[here]
    low = high = 0.0
    if len(along):
        points = shapely.get_coordinates(along)
        _, offset, is_square = base.stand(points)
        offset = offset[is_square] if is_square.any() else offset
        low, high = float(offset.min()) * feet, float(offset.max()) * feet
    return Stretch(
        str(row.stretch_id),
        float(row.station_from_ft),
        float(row.frontage_length_ft),
        base,
        row.geometry,
        low - MARGIN_FT,
        high + MARGIN_FT,
        shape,
    )


def _allowed(one: Stretch, at_ft: Floats, zone: Any, strips: Any, feet: float) -> Flags:
    """Where a window may be: the zone has width, or nothing stands and no setback lies across."""
    has_zone = _width(one, at_ft, shapely.intersection(zone, one.fringe), feet) > 0.0
    is_bare = ~(_width(one, at_ft, one.fringe, feet) > 0.0)
    across = _across(one, at_ft, feet)
    is_free = shapely.length(shapely.difference(across, strips)) > 1e-6 * shapely.length(across)
    out: Flags = has_zone | (is_bare & is_free)
    return out


def _across(one: Stretch, at_ft: Floats, feet: float) -> Any:
    """Lines square to the smoothed shore at stations, through all canopy there."""
    origin, out = one.base.at(at_ft / feet), one.base.normal(at_ft / feet)
    near = origin + out * (one.low_ft / feet)
    far = origin + out * (one.high_ft / feet)
    return shapely.linestrings(np.stack([near, far], axis=1))


def _width(one: Stretch, at_ft: Floats, shape: Any, feet: float) -> Floats:
    """Length of a shape along the square through each station. [map units]."""
    width: Floats = shapely.length(shapely.intersection(_across(one, at_ft, feet), shape))
    return width


def station_rays(shore: Shore, band_ft: tuple[float, float]) -> Rays:
    """A level line square to the smoothed shore at each station, through all canopy there.

    Parameters
    ----------
    shore : Shore
    band_ft : (low, high)
        Heights the view is of. [ft]
    """
    from geotrim.core.sight_rays import shore_rays

    start, way, length = [], [], []
    for k, one in enumerate(shore.stretches):
        which = shore.stretch == k
        at = (shore.from_ft + shore.length_ft / 2.0)[which] - one.station0_ft
        out = one.base.normal(at / shore.feet)
        start.append(one.base.at(at / shore.feet) + out * (one.low_ft / shore.feet))
        way.append(out)
        length.append(np.full(len(at), one.high_ft - one.low_ft))
    xy, d = np.concatenate(start), np.concatenate(way)
    return shore_rays(
        xy[:, 0], xy[:, 1], d[:, 0], d[:, 1], np.concatenate(length), shore.length_ft, band_ft
    )


def rays_of_eyes(
    eyes: Any, elevation_ft: Floats, shore: Shore, scene: Scene, step_deg: float, curvature: float
) -> list[Rays]:
    """Lines of sight from each eye over a lot's frontage.

    Parameters
    ----------
    eyes : GeoDataFrame
        Those that look over the lot.
    elevation_ft : (n,) array
        Their elevations. [ft]
    shore : Shore
    scene : Scene
    step_deg : float
        Between two lines. [deg]
    curvature : float
        See :class:`geotrim.core.sight_scene.Rays`.
    """
    from geotrim.core.sight_rays import eye_rays

    lines = [shapely.get_coordinates(one.line) for one in shore.stretches]
    places = shapely.get_coordinates(eyes.geometry.array)
    return [
        eye_rays(
            float(x), float(y), float(up), lines, scene,
            azimuth_step_deg=step_deg, curvature=curvature,
        )
        for (x, y), up in zip(places, elevation_ft, strict=True)
    ]  # fmt: skip


def crown_stations(shore: Shore, stretch_id: Any, shapes: Any, which: Flags) -> tuple[Ints, Ints]:
    """Stations that trees' crowns stand along, as the cap on the length of fringe counts them.

    Parameters
    ----------
    shore : Shore
    stretch_id, shapes : (n,) arrays
        Stretch and outline of each crown, in map units.
    which : (n,) bool array
        Trees that are looked at; of the others none is told.

    Returns
    -------
    start : (n + 1,) array
    station : (c,) array
        Those of tree t are ``station[start[t]:start[t + 1]]``.

    Notes
    -----
    A station counts whole as soon as a crown reaches into it, so that no plan trims more fringe
    than the cap leaves, whatever the length of a station.
    """
    found: list[Ints] = [np.zeros(0, dtype=np.intp) for _ in which]
    for k, one in enumerate(shore.stretches):
        mine = np.flatnonzero(shore.stretch == k)
        low = shore.from_ft[mine] - one.station0_ft
        high = low + shore.length_ft[mine]
        for t in np.flatnonzero(which & (stretch_id == one.stretch_id)):
            spans = covered_spans(one.base, shapes[t : t + 1], OUTLINE_STEP_FT / shore.feet)
            spans = spans * shore.feet
            reach = np.minimum(spans[:, 1], high[:, None]) - np.maximum(spans[:, 0], low[:, None])
            found[t] = mine[(reach > LEAST_COVER_FT).any(axis=1)]
    start = np.concatenate([[0], np.cumsum([len(one) for one in found])])
    return start.astype(np.intp), _joined(found, np.intp)


def span_shape(shore: Shore, first: int, last: int, zone: Any) -> Any:
    """The zone between two stations of one stretch, both in it; in map units."""
    one = shore.stretches[shore.stretch[first]]
    low = shore.from_ft[first] - one.station0_ft
    high = shore.to_ft[last] - one.station0_ft
    n = max(2, int(np.ceil((high - low) / STRIP_STEP_FT)) + 1)
    edges = np.linspace(low, high, n) / shore.feet
    near = np.full(n - 1, one.low_ft / shore.feet)
    far = np.full(n - 1, one.high_ft / shore.feet)
    strip = strip_polygon(one.base, edges, near, far)
    part = shapely.intersection(shapely.intersection(strip, one.fringe), zone)
    areas = [p for p in shapely.get_parts(part) if shapely.get_type_id(p) == 3]
    return shapely.union_all(areas) if areas else shapely.Polygon()
