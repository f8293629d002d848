"""A lot's shore from the land as a package tells it: stretches, crowns from the side, spans."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geotrim.io.package_read import Package
from geotrim.report.crown_marks import MARKS
from geotrim.report.sheets.canopy_kept import Rest, along_shore, kept_columns, rests_of
from geotrim.report.sheets.canopy_parts import SideCrown, solid
from geotrim.report.sheets.drawing import Array
from geotrim.report.statement_parts import clean
from geotrim.report.window_facts import Plan, span_name, stations

#: Free paper between two stretches that stand side by side, and their crowns. [ft]
BREAK_FT = 12.0


@dataclass(frozen=True, slots=True)
class Stretch:
    """One stretch of shore; it lies on the drawing at station + ``shift_ft``. [ft].

    from_ft, to_ft : its two stations. low_ft, high_ft : stations its crowns reach.
    """

    stretch_id: str
    from_ft: float
    to_ft: float
    low_ft: float
    high_ft: float
    shift_ft: float

    @property
    def ends_ft(self) -> tuple[float, float]:
        """Both ends on the drawing, crowns included. [ft]."""
        return self.low_ft + self.shift_ft, self.high_ft + self.shift_ft


@dataclass(frozen=True, slots=True)
class Span:
    """One span of the window: both ends on the drawing, its words. [ft]."""

    from_ft: float
    to_ft: float
    words: str


@dataclass(frozen=True, slots=True, eq=False)
class Shore:
    """What is seen of a lot from its land.

    stretches : from left to right.
    crowns : the farthest from the land first, at their places on the drawing.
    spans : of the window.
    """

    stretches: tuple[Stretch, ...]
    crowns: tuple[SideCrown, ...]
    spans: tuple[Span, ...]

    @property
    def top_ft(self) -> float:
        """Highest place of a crown, 0 without any. [ft]."""
        return max((float(shapely.bounds(c.whole)[3]) for c in self.crowns), default=0.0)


def shore_of(package: Package, lot_id: str, plan: Plan | None) -> Shore | None:
    """The shore of a lot; None where no crown is seen from the side."""
    sides, rows = package.rows("crown_sides", lot_id), package.rows("frontage", lot_id)
    if not len(sides) or not len(rows):
        return None
    stretches = _stretches(rows, sides)
    shifts = {one.stretch_id: one.shift_ft for one in stretches}
    crowns = package.rows("crowns", lot_id)
    crowns = crowns.set_index(crowns["crown_id"].astype(str))
    cuts = {} if plan is None else plan.cuts
    rests, lines = rests_of(package, lot_id, plan), _lines(rows)
    found: list[tuple[float, SideCrown]] = []
    for (stretch, crown), outline in sides.groupby(["stretch_id", "crown_id"], sort=False):
        if stretch in shifts and str(crown) in crowns.index:
            row = crowns.loc[str(crown)]
            whole = _side(outline, shifts[stretch], base_ft(row))
            mine = tuple(cuts.get(str(crown), ()))
            x = float(row["station_ft"]) + shifts[stretch]
            offset = float(row["offset_ft"])
            if not shapely.is_empty(whole):
                kept = _kept(rests.get(str(crown)), lines.get(stretch), row, whole)
                sign = sign_of(row["is_mangrove"])
                found.append((offset, SideCrown(str(crown), whole, x, mine, sign, kept)))
    found.sort(key=lambda one: -np.nan_to_num(one[0]))
    return Shore(stretches, tuple(one for _, one in found), _spans(plan, shifts))


def base_ft(row: Any) -> float:
    """Where a crown begins above the substrate: as known, else as it was reckoned. [ft]."""
    for name in ("base_height_ft", "crown_base_ft"):
        value = row.get(name)
        if value is not None and np.isfinite(float(value)):
            return max(float(value), 0.0)
    return 0.0


def _stretches(rows: Any, sides: Any) -> tuple[Stretch, ...]:
    """Stretches side by side, far enough apart for the crowns that reach past their ends."""
    out: list[Stretch] = []
    for row in rows.sort_values("station_from_ft").to_dict("records"):
        name, low, high = str(row["stretch_id"]), row["station_from_ft"], row["station_to_ft"]
        mine = sides.loc[sides["stretch_id"].astype(str) == name, "station_ft"]
        reach = min([low, *mine]), max([high, *mine])
        shift = 0.0
        if out:
            past = out[-1].high_ft - out[-1].to_ft + low - reach[0]
            shift = out[-1].shift_ft + BREAK_FT + past
        out.append(
            Stretch(name, float(low), float(high), float(reach[0]), float(reach[1]), float(shift))
        )
    return tuple(out)


def _side(outline: Any, shift_ft: float, base: float) -> Any:
    xt: Array = outline[["station_ft", "top_ft"]].to_numpy(dtype=float)
    top = np.maximum(xt[:, 1], base)
    return solid(xt[:, 0] + shift_ft, np.full(len(top), base), top)


def _lines(rows: Any) -> dict[str, Any]:
    """The shore of every stretch along its stations, in map units."""
    if "geometry" not in rows.columns:
        return {}
    return {
        str(row["stretch_id"]): shapely.line_merge(row["geometry"]) for _, row in rows.iterrows()
    }


def _kept(rest: Rest | None, line: Any, row: Any, whole: Any) -> Any:
    """What of a crown from the side stays, since it stands outside the zone."""
    if rest is None or line is None or line.geom_type != "LineString":
        return None
    low, _, high, _ = shapely.bounds(whole)
    return kept_columns(rest, along_shore(line, row["geometry"], (float(low), float(high))))


def sign_of(is_mangrove: Any) -> str:
    """What stands behind a tree's number: "x" for no mangrove, "?" for an unknown species."""
    if is_mangrove is None or is_mangrove != is_mangrove:
        return MARKS["unknown"]
    return "" if bool(is_mangrove) else MARKS["other"]


def _spans(plan: Plan | None, shifts: dict[str, float]) -> tuple[Span, ...]:
    out = []
    for row in [] if plan is None else plan.spans:
        shift = shifts.get(str(row["stretch_id"]))
        if shift is not None:
            ends = float(row["station_from_ft"]) + shift, float(row["station_to_ft"]) + shift
            words = f"{clean(span_name(row['span_id']))}: {stations(row)} ft"
            out.append(Span(*ends, words))
    return tuple(sorted(out, key=lambda one: one.from_ft))
