"""A lot's cross-sections as a package tells them: ground, crowns, trunks and what is cut."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geotrim.io.package_read import Package
from geotrim.report.sheets.canopy_kept import Rest, along_section, kept_columns, rests_of
from geotrim.report.sheets.canopy_parts import SideCrown, areas, solid
from geotrim.report.sheets.drawing import Array
from geotrim.report.sheets.elevation_read import sign_of
from geotrim.report.window_facts import Cut, Plan, text_of

#: Step along a section where a package does not tell it. [ft]
STEP_FT = 0.5
#: Places of one crown or of the ground that are farther apart than this many steps do not belong
#: together.
GAP_STEPS = 2.5


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """The substrate along a section, above the MHW level. [ft].

    runs : pieces that are known, each (n, 2) of offset and height, from the land to the water.
    """

    runs: tuple[Array, ...]

    def at(self, offset_ft: Any) -> Array:
        """Height of the substrate; where it is not known the MHW level, 0. [ft]."""
        x = np.atleast_1d(np.asarray(offset_ft, dtype=float))
        out = np.zeros(x.shape)
        for run in self.runs:
            inside = (x >= run[0, 0] - 1e-9) & (x <= run[-1, 0] + 1e-9)
            out[inside] = np.interp(x[inside], run[:, 0], run[:, 1])
        return out

    def line(self, from_ft: float, to_ft: float) -> Array:
        """The substrate between two offsets, (n, 2), steps where it is not known. [ft]."""
        pieces = [np.array([(a, 0.0), (b, 0.0)]) for a, b in self.unknown(from_ft, to_ft)]
        for run in self.runs:
            low, high = np.clip(run[[0, -1], 0], from_ft, to_ft)
            x = np.unique(np.r_[low, run[(run[:, 0] > low) & (run[:, 0] < high), 0], high])
            if high > low:
                pieces.append(np.column_stack([x, self.at(x)]))
        return np.concatenate(sorted(pieces, key=lambda piece: float(piece[0, 0])))

    def unknown(self, from_ft: float, to_ft: float) -> list[tuple[float, float]]:
        """Stretches of a section without known substrate. [ft]."""
        ends = [from_ft, *(x for run in self.runs for x in (run[0, 0], run[-1, 0])), to_ft]
        ends = np.clip(ends, from_ft, to_ft)
        pairs = zip(ends[::2], ends[1::2], strict=True)
        return [(float(a), float(b)) for a, b in pairs if b > a + 1e-6]


@dataclass(frozen=True, slots=True)
class Trunk:
    """Where a tree stands along a section. ``is_known`` is False for the centre of a crown."""

    crown_id: str
    offset_ft: float
    is_known: bool


@dataclass(frozen=True, slots=True, eq=False)
class Section:
    """One cross-section.

    row : of ``sections``.
    crowns : in the order of their numbers along the section; heights above the substrate.
    trunks : trees whose trunk, or crown centre where no trunk is known, stands near; by offset.
    """

    row: dict[str, Any]
    ground: Ground
    crowns: tuple[SideCrown, ...]
    trunks: tuple[Trunk, ...]

    @property
    def section_id(self) -> str:
        return str(self.row["section_id"])

    @property
    def ends_ft(self) -> tuple[float, float]:
        """Offsets of what is drawn, landward end first: the section, and crowns that stick out."""
        low, high = sorted((float(self.row["land_ft"]), float(self.row["water_ft"])))
        shapes = [c.whole for c in self.crowns if not shapely.is_empty(c.whole)]
        bounds = shapely.bounds(np.asarray(shapes, dtype=object)) if shapes else np.empty((0, 4))
        return min([low, *bounds[:, 0]]), max([high, *bounds[:, 2]])

    @property
    def top_ft(self) -> float:
        """Highest place of the canopy above the MHW level, 0 without any. [ft]."""
        tops = [0.0]
        for crown in self.crowns:
            xh = shapely.get_coordinates(crown.whole)
            tops += (xh[:, 1] + self.ground.at(xh[:, 0])).tolist() if len(xh) else []
        return max(tops)


def sections_of(package: Package, lot_id: str, plan: Plan | None) -> list[Section]:
    """Every section of a lot, in their order."""
    rows = package.rows("sections", lot_id)
    parts = {
        name: package.rows(name, lot_id)
        for name in ("section_ground", "section_columns", "section_trunks")
    }
    trees = _Trees(
        {} if plan is None else plan.cuts,
        _signs(package),
        rests_of(package, lot_id, plan),
        package.feet_per_unit,
        float(package.parameter("sections", "section_step_ft", STEP_FT)),
    )
    return [_section(row, parts, trees) for row in rows.to_dict("records")]


@dataclass(frozen=True, slots=True, eq=False)
class _Trees:
    """What sections share of the trees: cuts, species, what stands outside the zone; the step."""

    cuts: Mapping[str, Sequence[Cut]]
    signs: Mapping[str, str]
    rests: Mapping[str, Rest]
    feet: float
    step_ft: float


def _signs(package: Package) -> dict[str, str]:
    rows = package.rows("crowns")
    if "is_mangrove" not in rows.columns:
        return {}
    pairs = zip(rows["crown_id"].astype(str), rows["is_mangrove"], strict=True)
    return {crown: sign_of(is_mangrove) for crown, is_mangrove in pairs}


def _section(row: dict[str, Any], parts: dict[str, Any], trees: _Trees) -> Section:
    mine = {name: _of(table, str(row["section_id"])) for name, table in parts.items()}
    trunks = _trunks(mine["section_trunks"])
    stems = {one.crown_id: one.offset_ft for one in trunks}
    places = along_section(row, trees.feet)
    crowns = []
    for crown, shape in _canopy(mine["section_columns"], trees.step_ft):
        kept = None if places is None else kept_columns(trees.rests.get(crown), places)
        cuts, sign = tuple(trees.cuts.get(crown, ())), trees.signs.get(crown, "")
        crowns.append(SideCrown(crown, shape, stems.get(crown, float("nan")), cuts, sign, kept))
    crowns.sort(key=lambda c: float(shapely.bounds(c.whole)[0]))
    return Section(row, _ground(mine["section_ground"], trees.step_ft), tuple(crowns), trunks)


def _trunks(rows: Any) -> tuple[Trunk, ...]:
    if not len(rows):
        return ()
    rows = rows.sort_values("offset_ft")
    known = rows["has_trunk"] if "has_trunk" in rows.columns else [True] * len(rows)
    values = zip(rows["crown_id"].astype(str), rows["offset_ft"], known, strict=True)
    return tuple(Trunk(crown, float(x), bool(is_known)) for crown, x, is_known in values)


def _of(table: Any, section_id: str) -> Any:
    return table[table["section_id"].astype(str) == section_id] if len(table) else table


def _canopy(columns: Any, step: float) -> Iterator[tuple[str, Any]]:
    """Crown id and the area its columns stand for."""
    if not len(columns):
        return
    for crown, rows in columns.groupby(columns["crown_id"].astype(str), sort=False):
        rows = rows.sort_values("offset_ft")
        xbt = rows[["offset_ft", "base_ft", "top_ft"]].to_numpy(dtype=float)
        xbt = xbt[np.isfinite(xbt).all(axis=1)]
        shapes = [_run(run, step) for run in _runs(xbt, step)]
        whole = areas(shapely.union_all(shapes)) if shapes else shapely.Polygon()
        if not shapely.is_empty(whole):
            yield str(crown), whole


def _run(xbt: Array, step: float) -> Any:
    """Columns side by side; an offset is the middle of a step, so both ends are half a step on."""
    aside = np.array([(step / 2, 0.0, 0.0)])
    return solid(*np.concatenate([xbt[:1] - aside, xbt, xbt[-1:] + aside]).T)


def _ground(rows: Any, step: float) -> Ground:
    if not len(rows):
        return Ground(())
    xz = rows.sort_values("offset_ft")[["offset_ft", "ground_ft"]].to_numpy(dtype=float)
    known = xz[np.isfinite(xz).all(axis=1)]
    return Ground(tuple(run for run in _runs(known, step) if len(run) > 1))


def _runs(rows: Array, step: float) -> list[Array]:
    """Rows cut where two places are too far apart to belong together."""
    if not len(rows):
        return []
    breaks = np.flatnonzero(np.diff(rows[:, 0]) > GAP_STEPS * step) + 1
    return list(np.split(rows, breaks))


@dataclass(frozen=True, slots=True)
class Water:
    """Words of the water's level and of the line offsets are counted from, by its origin.

    line : what the line is. level : its level with the datum. short : the level in a word or two.
    above : what heights on the axis are above. origin : where the line is from, "" unknown.
    """

    line: str
    level: str
    short: str
    above: str
    origin: str


def water_of(package: Package, section: Section) -> Water:
    """The water at a section in words; an apparent shoreline is never called MHW."""
    rows = package.rows("mhw_line")
    row = rows.iloc[0] if len(rows) else {}
    is_apparent = text_of(row.get("origin")) == "apparent-shoreline"
    line = "apparent shoreline" if is_apparent else "MHW line"
    short = f"the {line}" if is_apparent else "MHW"
    level = float(section.row["water_elevation_ft"])
    is_given = package.parameter("sections", "water_elevation_ft") is not None
    is_known = is_given or np.isfinite(float(row.get("elevation_ft", np.nan)))
    drawn = f", drawn at {level:.2f} ft" if section.ground.runs else ""
    if not is_known:
        name = f"level of {short}" if is_apparent else "MHW level"
        words = f"{name} (elevation not known{drawn})"
    else:
        datum, epoch = text_of(row.get("vertical_datum")), text_of(row.get("epoch"))
        words = f"{'water level given:' if is_apparent else 'MHW'} {level:.2f} ft {datum}".rstrip()
        words += f", epoch {epoch}" if epoch else ""
    above = "the level drawn" if not is_known else "the water level given" if is_apparent else "MHW"
    above = above if section.ground.runs else "the substrate, drawn level"
    return Water(line, words, short, above, text_of(row.get("label")))
