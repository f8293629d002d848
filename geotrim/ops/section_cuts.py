"""One cross-section: where it begins and ends, its depth, trunks, ground and canopy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.core.coverage import Floats, Ints
from geotrim.core.foliage import Foliage
from geotrim.core.fringe import Baseline
from geotrim.core.section_line import SectionLine, crossing_ft, highest_along
from geotrim.model import Note, Result
from geotrim.ops.canopy_cells import CrownCells
from geotrim.ops.fringes import depths_at
from geotrim.ops.ground_view import GroundView
from geotrim.ops.section_places import SAME_FT, Place

Flags = npt.NDArray[np.bool_]
#: A section goes on past the last crown or trunk. A drawing rule. [ft]
PAST_FT = 5.0
#: It reaches at least this far to both sides of the MHW line. A drawing rule. [ft]
LEAST_FT = 10.0
#: It goes on at most this far to show crowns whole that are not of the fringe. A drawing rule. [ft]
MORE_FT = 20.0
#: Ends are rounded to whole feet after this, so that digits of coordinates do not matter. [ft]
FUZZ_FT = 1e-3
#: The MHW line is looked for this far from its smoothed line. Common sense, no source. [ft]
SHORE_FT = 50.0


@dataclass(frozen=True, slots=True, eq=False)
class Given:
    """What all sections share.

    places : one row a crown, in the order of the crowns: ``crown_id``, ``lot_id``,
        ``stretch_id``, ``station_ft``, ``offset_ft``, ``is_fringe``, ``has_trunk``.
    frontage : stretches, and ``lines`` their baselines in the same order.
    shore : the MHW line as one shape.
    half_ft, step_ft : half the width of the strip, and the step along it. [ft]
    feet : international feet in one map unit.
    """

    crowns: Any
    places: Any
    frontage: Any
    lines: list[Baseline]
    shore: Any
    fringe: Result
    cells: CrownCells
    foliage: Foliage
    ground: GroundView | None
    water_ft: float
    half_ft: float
    step_ft: float
    feet: float

    @property
    def shapes(self) -> npt.NDArray[np.object_]:
        return np.asarray(self.crowns.geometry.array, dtype=object)


@dataclass(frozen=True, slots=True, eq=False)
class Depth:
    """Depth of the fringe at a section, and the offsets it is measured between. [ft].

    from the smoothed line; NaN where no tree stands.
    """

    depth_ft: float
    landward_ft: float
    waterward_ft: float
    reference: str


@dataclass(frozen=True, slots=True, eq=False)
class Section:
    """One cross-section; offsets from the MHW line, negative to the land. [ft].

    line : its place on the ground. smoothed_ft : where the smoothed shore lies on it.
    land_ft, water_ft : its two ends.
    ground_at_ft, ground_ft : the ground over the water's elevation; empty where unknown.
    columns : crown number -> (offset_ft, top_ft) of its canopy in the strip.
    trunks : numbers of trees, their offset and how far aside they stand.
    """

    lot_id: str
    section_id: str
    place: Place
    line: SectionLine
    smoothed_ft: float
    land_ft: float
    water_ft: float
    depth: Depth
    ground_at_ft: Floats
    ground_ft: Floats
    columns: dict[int, tuple[Floats, Floats]]
    trunks: tuple[Ints, Floats, Floats]
    notes: tuple[Note, ...]


def section_of(given: Given, lot_id: str, section_id: str, place: Place) -> Section:
    """Cut the shore across at one place."""
    number = int(np.flatnonzero(given.frontage["stretch_id"] == place.stretch_id)[0])
    base = given.lines[number]
    at_ft = place.station_ft - float(given.frontage["station_from_ft"].iloc[number])
    smooth = SectionLine(
        base.at([at_ft / given.feet])[0], base.normal([at_ft / given.feet])[0], given.feet
    )
    shift = crossing_ft(smooth, given.shore, SHORE_FT) or 0.0
    line = SectionLine(smooth.at(shift), smooth.out, given.feet)
    depth = _depth(given, base, place, at_ft)
    tree, offset, aside = _trunks(given, place)
    offset = offset - shift
    is_fringe = given.places["is_fringe"].to_numpy(dtype=bool)[tree]
    land, water = _ends(given, line, place, offset[is_fringe])
    shown = (offset >= land) & (offset <= water)
    ground_at, ground = _ground(given, line, land, water)
    columns, notes = _columns(given, line, land, water, f"section {section_id} of lot {lot_id}")
    return Section(
        lot_id, section_id, place, line, -shift, land, water,
        Depth(
            depth.depth_ft, depth.landward_ft - shift, depth.waterward_ft - shift, depth.reference
        ),
        ground_at, ground, columns, (tree[shown], offset[shown], aside[shown]), tuple(notes),
    )  # fmt: skip


def ground_notes(given: Given, made: Sequence[Section]) -> list[Note]:
    """Tell of sections without ground."""
    bare = [f"{one.section_id} of lot {one.lot_id}" for one in made if not len(one.ground_ft)]
    if not bare:
        return []
    why = "none is given" if given.ground is None else "the raster does not reach"
    which = "sections" if len(bare) > 1 else "section"
    some = ", ".join(bare[:5]) + (", ..." if len(bare) > 5 else "")
    text = f"{why}: {which} {some} without the substrate's own level"
    return [Note("ground", text, "missing")]


def _depth(given: Given, base: Baseline, place: Place, at_ft: float) -> Depth:
    """That of the transect at this station; measured the same way where there is none."""
    rows = given.fringe["transects"]
    rows = rows[rows["stretch_id"] == place.stretch_id]
    here = rows[np.abs(rows["station_ft"] - place.station_ft) <= SAME_FT]
    if len(here):
        row = here.iloc[0]
        return Depth(
            float(row["fringe_depth_ft"]), float(row["landward_ft"]), float(row["waterward_ft"]),
            str(row["reference"]),
        )  # fmt: skip
    mine = (given.places["stretch_id"] == place.stretch_id).to_numpy(dtype=bool)
    mine = mine & given.places["is_fringe"].to_numpy()
    stand = given.places[mine]
    found = depths_at(
        base, np.array([at_ft]),
        stand["station_ft"].to_numpy() - (place.station_ft - at_ft),
        stand["offset_ft"].to_numpy(), stand["has_trunk"].to_numpy(), given.shapes[mine],
        given.fringe.parameters, given.feet,
    )  # fmt: skip
    low, high = float(found.landward_ft[0]), float(found.waterward_ft[0])
    return Depth(high - low, low, high, found.reference[0])


def _trunks(given: Given, place: Place) -> tuple[Ints, Floats, Floats]:
    """Trees whose trunk or centre stands near a section: number, offset and distance aside.

    Near is half a swath of the fringe's transects, so that those the depth is measured between are
    among them; or in the strip, where that is wider. Offsets are from the smoothed line.
    """
    near = max(float(given.fringe.parameters["swath_ft"]) / 2.0, given.half_ft)
    aside = given.places["station_ft"].to_numpy(dtype=np.float64) - place.station_ft
    mine = (given.places["stretch_id"] == place.stretch_id).to_numpy(dtype=bool)
    tree = np.flatnonzero(mine & (np.abs(aside) <= near + SAME_FT))
    offset = given.places["offset_ft"].to_numpy(dtype=np.float64)[tree]
    order = np.argsort(offset, kind="stable")
    return tree[order], offset[order], np.abs(aside[tree])[order]


def _ends(
    given: Given, line: SectionLine, place: Place, trunk_offset_ft: Floats
) -> tuple[float, float]:
    """Offsets of the two ends, in whole feet: past the fringe's trees along this stretch.

    Other crowns that reach into the section there are shown whole, where that does not take much.
    """
    mine = (given.places["stretch_id"] == place.stretch_id) & given.places["is_fringe"]
    far = float(given.fringe.parameters["search_ft"]) + 2.0 * LEAST_FT
    strip = line.strip(-far, far, given.half_ft)
    fringe = _reach(line, given.shapes[mine.to_numpy(dtype=bool)], strip)
    reach = np.concatenate([fringe, trunk_offset_ft])
    low, high = (float(reach.min()), float(reach.max())) if reach.size else (0.0, 0.0)
    low, high = min(low, PAST_FT - LEAST_FT), max(high, LEAST_FT - PAST_FT)
    near = shapely.intersects(given.shapes, line.strip(low, high, given.half_ft))
    beyond = _reach(line, given.shapes[near], strip)
    low = max(float(np.min(beyond, initial=low)), low - MORE_FT)
    high = min(float(np.max(beyond, initial=high)), high + MORE_FT)
    return float(np.floor(low - PAST_FT + FUZZ_FT)), float(np.ceil(high + PAST_FT - FUZZ_FT))


def _reach(line: SectionLine, shapes: npt.NDArray[np.object_], strip: Any) -> Floats:
    """Offsets of the corners of crowns in a strip. [ft]."""
    met = shapely.intersection(shapes, strip)
    return line.places(shapely.get_coordinates(met))[0]


def _ground(
    given: Given, line: SectionLine, land_ft: float, water_ft: float
) -> tuple[Floats, Floats]:
    """The ground step by step, both ends among them; nothing where it is not known. [ft]."""
    none = np.zeros(0)
    if given.ground is None:
        return none, none
    first, last = np.ceil(land_ft / given.step_ft), np.floor(water_ft / given.step_ft)
    steps = np.arange(first, last + 1) * given.step_ft
    at = np.unique(np.concatenate([[land_ft], steps, [water_ft]]))
    found = given.ground.along(*line.at(at).T) - given.water_ft
    return (at, found) if np.isfinite(found).any() else (none, none)


def _columns(
    given: Given, line: SectionLine, land_ft: float, water_ft: float, about: str
) -> tuple[dict[int, tuple[Floats, Floats]], list[Note]]:
    """Canopy of every crown that meets the strip, whoever's it is; and what stands in for it."""
    foliage, cells = given.foliage, given.cells
    strip = line.strip(land_ft, water_ft, given.half_ft)
    shapes = given.shapes
    first = np.searchsorted(cells.crown, np.arange(len(shapes) + 1))
    columns: dict[int, tuple[Floats, Floats]] = {}
    flat: list[int] = []
    blank: list[int] = []
    for crown in np.flatnonzero(shapely.intersects(shapes, strip)).tolist():
        mine = np.arange(first[crown], first[crown + 1])
        mine = mine[cells.is_counted[mine]]
        top = foliage.cell_height_ft[mine]
        offset, highest = highest_along(
            line, shapes[crown], cells.transform, cells.row[mine], cells.col[mine], top,
            half_ft=given.half_ft, step_ft=given.step_ft,
        )  # fmt: skip
        inside = (offset >= land_ft) & (offset <= water_ft)
        offset, highest = offset[inside], highest[inside]
        if not len(offset):
            continue  # it only touches the strip
        if foliage.is_even[crown] or np.isnan(highest).all():
            (flat if np.isfinite(foliage.top_ft[crown]) else blank).append(crown)
            highest = np.full(len(offset), foliage.top_ft[crown])
        shows = highest > max(np.nan_to_num(foliage.base_ft[crown]), 0.0)
        if shows.any():
            columns[crown] = offset[shows], highest[shows]
    return columns, [
        *_note(given, flat, f"{about}: drawn with a flat top, since the raster shows none there"),
        *_note(given, blank, f"{about}: left out, since their height is not known"),
    ]


def _note(given: Given, which: list[int], text: str) -> list[Note]:
    """A note about some crowns: how many, and the first few by name."""
    if not which:
        return []
    ids = given.places["crown_id"].to_numpy(dtype=object)[which]
    some = ", ".join(ids[:5]) + (", ..." if len(ids) > 5 else "")
    n = len(which)
    level = "missing" if "left out" in text else "assumed"
    return [Note("crowns", f"{n} {'crown' if n == 1 else 'crowns'} ({some}), {text}", level)]
