"""What of a crown no cut touches, since it stands outside the zone, as it is seen from the side.

A column of a section or of an elevation is the highest of what stands across it. Where any of that
stands outside the zone, the column stays: up to the height in which the plan leaves the tree, so
that neither more nor less is drawn than the tree schedule tells.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geotrim.io.package_read import Package
from geotrim.report.sheets.canopy_parts import areas
from geotrim.report.sheets.drawing import Array
from geotrim.report.window_facts import Cut, Plan

#: Cells of a height raster count by their middle, so a tree whose outline ends at the zone's edge
#: may have cells beyond it. It is looked for this far inside the edge, as it is known that the tree
#: has some. A drawing rule. [ft]
CELL_FT = 1.0
#: Less than this of a crown outside the zone is an edge drawn in steps. [ft]
LEAST_FT = 0.5
#: A height above another by less than this is the same figure. [ft]
SAME_FT = 0.05
#: Height over every tree. [ft]
HIGH_FT = 1000.0


@dataclass(frozen=True, slots=True)
class Rest:
    """What of one crown stands outside the zone.

    shape : that part of the crown, in map units.
    stays_ft : how tall it stays; infinite where the plan does not tell.
    """

    shape: Any
    stays_ft: float


def stays_ft(row: Mapping[str, Any], cuts: Sequence[Cut]) -> float:
    """How tall the part of a tree outside the zone stays, NaN where its top is cut as a whole.

    Parameters
    ----------
    row : mapping
        Of the layer ``crowns``.
    cuts : sequence of Cut
        Of the tree.

    Examples
    --------
    >>> top = [Cut("7", 1, 15.7, math.inf)]
    >>> stays_ft({"height_after_ft": 20.2}, top), stays_ft({"height_after_ft": 15.7}, top)
    (20.2, nan)
    """
    after = row.get("height_after_ft")
    after = math.nan if after is None else float(after)
    if not any(math.isinf(cut.high_ft) for cut in cuts):
        return math.nan
    return after if after > min(cut.low_ft for cut in cuts) + SAME_FT else math.nan


def rests_of(package: Package, lot_id: str, plan: Plan | None) -> dict[str, Rest]:
    """Parts of crowns outside the zone, by tree; of trees that a window cuts.

    Heights that are planned without a window are cut on whole trees.
    """
    zones = package.rows("zone", lot_id)
    crowns = package.rows("crowns", lot_id)
    if plan is None or not plan.is_window or not len(zones) or "geometry" not in crowns.columns:
        return {}
    unit = 1.0 / package.feet_per_unit
    zone = shapely.union_all(np.asarray(zones["geometry"].array, dtype=object))
    inner = {k: shapely.buffer(zone, -k * unit) for k in (CELL_FT, 0.0)}
    out = {}
    for row in crowns.to_dict("records"):
        crown_id = str(row["crown_id"])
        cuts = plan.cuts.get(crown_id, ())
        if not cuts or shapely.is_empty(row["geometry"]):
            continue
        stays = stays_ft(row, cuts)
        is_top = any(math.isinf(cut.high_ft) for cut in cuts)
        if is_top and math.isnan(stays):
            continue
        shape = shapely.make_valid(row["geometry"])
        rest = areas(shapely.difference(shape, inner[CELL_FT if is_top else 0.0]))
        if not is_top:  # as narrow as that is an edge drawn in steps
            rest = _wide_parts(rest, LEAST_FT * unit)
        if not shapely.is_empty(rest):
            out[crown_id] = Rest(rest, stays if is_top else math.inf)
    return out


def _wide_parts(rest: Any, least: float) -> Any:
    """Pieces that are somewhere wider than the least, in map units."""
    parts = shapely.get_parts(rest)
    return shapely.union_all(parts[~shapely.is_empty(shapely.buffer(parts, -least / 2))])


def kept_columns(rest: Rest | None, places: Any) -> Any:
    """The area of a side view that stays.

    Parameters
    ----------
    rest : Rest or None
    places : callable
        A part of the crown, in map units, to the lowest and highest place it has along x; None
        where it is not seen. [ft]
    """
    if rest is None:
        return None
    parts = [part for part in shapely.get_parts(rest.shape) if part.geom_type == "Polygon"]
    ends = [found for found in map(places, parts) if found is not None]
    high = min(rest.stays_ft, HIGH_FT)
    boxes = [shapely.box(low, -1.0, last, high) for low, last in _joined(ends)]
    return shapely.union_all(boxes) if boxes else None


def _joined(ends: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Stretches along x, those with less than a cell between them as one."""
    out: list[tuple[float, float]] = []
    for low, high in sorted(ends):
        if out and low <= out[-1][1] + 2 * CELL_FT:
            out[-1] = out[-1][0], max(out[-1][1], high)
        else:
            out.append((low, high))
    return [(low, high) for low, high in out if high > low]


def along_section(row: Mapping[str, Any], feet: float) -> Any:
    """How a part of a crown lies along a section: offsets of its piece in the strip. [ft].

    Parameters
    ----------
    row : mapping
        Of ``sections``; its geometry runs from the land end.
    feet : float
        In one map unit.
    """
    line = row.get("geometry")
    if line is None or shapely.is_empty(line):
        return None
    first, last = shapely.get_coordinates(line)[[0, -1]]
    way = (last - first) / float(np.hypot(*(last - first)))
    turn: Array = np.array([way, (-way[1], way[0])]).T
    half = float(row["half_width_ft"])
    strip = shapely.box(float(row["land_ft"]), -half, float(row["water_ft"]), half)

    def places(part: Any) -> tuple[float, float] | None:
        local = shapely.transform(
            part, lambda xy: (xy - first) @ turn * feet + (float(row["land_ft"]), 0.0)
        )
        met = shapely.intersection(shapely.make_valid(local), strip)
        low, _, high, _ = shapely.bounds(met)
        return None if math.isnan(low) else (float(low), float(high))

    return places


def along_shore(line: Any, crown: Any, ends_ft: tuple[float, float]) -> Any:
    """How a part of a crown lies along the shore: on the drawing, as the whole crown does. [ft].

    Parameters
    ----------
    line : LineString
        The stretch, in map units, along its stations.
    crown : shapely geometry
        The whole crown, in map units.
    ends_ft : (float, float)
        Where the whole crown lies on the drawing.
    """

    def located(shape: Any) -> Array:
        ring = shapely.segmentize(shape, 0.5)
        found: Array = shapely.line_locate_point(
            line, shapely.points(shapely.get_coordinates(ring))
        )
        return found

    whole = located(crown)
    low, wide = float(whole.min()), float(np.ptp(whole))

    def places(part: Any) -> tuple[float, float] | None:
        if wide <= 0.0:
            return ends_ft
        found = located(part)
        per = (ends_ft[1] - ends_ft[0]) / wide
        x0, x1 = (ends_ft[0] + (float(x) - low) * per for x in (found.min(), found.max()))
        return x0, x1

    return places
