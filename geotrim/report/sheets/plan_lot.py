"""What the plan view shows of one lot, read from a result package."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely

from geotrim.io.package_read import Package
from geotrim.report.depth_words import between, deepest_row, depth_words
from geotrim.report.facts import riparian_label
from geotrim.report.sheets.plan_told import told_of_plan
from geotrim.report.statement_parts import clean
from geotrim.report.window_facts import Plan, plan_of, span_name, stations


@dataclass(frozen=True, slots=True, eq=False)
class Named:
    """A shape with what is told of it. [map units]."""

    name: str
    shape: Any
    more: str = ""
    id: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Tree:
    """A crown on the plan.

    shape, trunk : in map units; ``trunk`` is None where it was not surveyed.
    kind : ``mangrove``, ``other`` or ``unknown``.
    what : what is planned: ``top``, ``band`` or ``left``.
    is_kept : whether the user named it as a tree to be kept.
    is_own : whether it is counted for this lot.
    """

    number: str
    shape: Any
    trunk: Any
    kind: str
    what: str
    is_kept: bool
    is_own: bool


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """One stretch of the frontage, water on its left. [map units, ft]."""

    name: str
    line: Any
    from_ft: float
    to_ft: float


@dataclass(frozen=True, slots=True, eq=False)
class PlanLot:
    """Everything the plan view may show; what a run does not have is empty.

    told : which plan is drawn, and that no way is open for it where none is.
    """

    lot_id: str
    feet_per_unit: float
    lot: Any
    neighbours: tuple[Named, ...] = ()
    mhw: Any = None
    mhw_label: str = ""
    stretches: tuple[Stretch, ...] = ()
    riparian: tuple[Named, ...] = ()
    fringe: Any = None
    zone: Any = None
    setbacks: tuple[Named, ...] = ()
    exclusions: tuple[Named, ...] = ()
    set_aside: tuple[Named, ...] = ()
    channel: Any = None
    mouth: Any = None
    deepest: Named | None = None
    spans: tuple[Named, ...] = ()
    sections: tuple[Named, ...] = ()
    eyes: tuple[Named, ...] = ()
    trees: tuple[Tree, ...] = ()
    plan: Plan | None = field(default=None)
    told: tuple[str, ...] = ()

    @property
    def own(self) -> list[Tree]:
        """Trees counted for this lot."""
        return [tree for tree in self.trees if tree.is_own]


def plan_lot(package: Package, lot_id: str) -> PlanLot:
    """Read one lot."""
    lots = package.rows("lots")
    is_mine = lots["lot_id"].astype(str) == lot_id
    plan = plan_of(package.results, lot_id)
    return PlanLot(
        lot_id,
        package.feet_per_unit,
        union(lots[is_mine]),
        tuple(
            Named(clean(str(r.lot_id)), r.geometry)
            for r in lots[~is_mine].itertuples()
            if has_shape(r.geometry)
        ),
        union(package.rows("mhw_line")),
        mhw_label(package),
        _stretches(package, lot_id),
        _riparian(package, lot_id),
        union(package.rows("fringe", lot_id)),
        union(package.rows("zone", lot_id)),
        _setbacks(package),
        _named(package, "exclusions"),
        _named(package, "set_aside", "kind"),
        union(package.rows("channel")),
        union(package.rows("mouth_line")),
        _deepest(package, lot_id),
        _spans(package, lot_id),
        _sections(package, lot_id),
        _eyes(package, lot_id),
        _trees(package, lot_id, plan),
        plan,
        _told(package, lot_id),
    )


def union(rows: Any) -> Any:
    """All shapes of a table as one; None where there is none."""
    shapes = shapes_of(rows)
    return shapely.union_all(shapes) if len(shapes) else None


def shapes_of(rows: Any) -> Any:
    """Shapes of a table that are there and not empty."""
    if len(rows) == 0 or "geometry" not in rows.columns:
        return np.empty(0, dtype=object)
    shapes = np.asarray(rows["geometry"].array, dtype=object)
    shapes = shapes[~(shapely.is_missing(shapes) | shapely.is_empty(shapes))]
    return shapely.make_valid(shapes)


def has_shape(shape: Any) -> bool:
    """Whether a table's cell holds a shape with something in it."""
    return isinstance(shape, shapely.Geometry) and not shapely.is_empty(shape)


def mhw_label(package: Package) -> str:
    """The MHW line by its origin, with epoch, datum and elevation as far as they were told."""
    told = package.record["site"].get("mhw_line") or {}
    words = [str(told.get("label") or "MHW line")]
    if told.get("elevation_ft") is not None:
        datum = told.get("vertical_datum")
        words.append(f"{told['elevation_ft']:g} ft" + (f" {datum}" if datum else ""))
    if told.get("epoch"):
        words.append(f"epoch {told['epoch']}")
    return clean(", ".join(words))


def _stretches(package: Package, lot_id: str) -> tuple[Stretch, ...]:
    rows = package.rows("frontage", lot_id)
    return tuple(
        Stretch(
            clean(str(r["stretch_id"])), shapely.line_merge(r["geometry"]),
            float(r["station_from_ft"]), float(r["station_to_ft"]),
        )
        for r in rows.to_dict("records") if shapely.get_dimensions(r["geometry"]) == 1
    )  # fmt: skip


def _riparian(package: Package, lot_id: str) -> tuple[Named, ...]:
    rows = package.rows("riparian_lines", lot_id)
    if not len(rows):
        return ()
    label = clean(riparian_label(rows))
    return tuple(
        Named(label, r.geometry, id=str(r.side)) for r in rows.itertuples() if has_shape(r.geometry)
    )


def _setbacks(package: Package) -> tuple[Named, ...]:
    rows = package.rows("setbacks")
    return tuple(
        Named(
            f"{clean(str(r['setback_name']))}, {float(r['distance_ft']):g} ft", r["geometry"],
            clean(str(r["source"])),
        )
        for r in rows.to_dict("records")
        if has_shape(r["geometry"]) and str(r["reference"]) != "exclusion"
    )  # fmt: skip


def _named(package: Package, table: str, more: str = "") -> tuple[Named, ...]:
    rows = package.rows(table)
    found = []
    for row in rows.to_dict("records"):
        if has_shape(row.get("geometry")):
            kind = clean(str(row.get(more) or "")).replace("-", " ")
            found.append(Named(clean(str(row.get("name") or "")), row["geometry"], kind))
    return tuple(found)


def _deepest(package: Package, lot_id: str) -> Named | None:
    """The transect of greatest depth, with its length and station."""
    row = deepest_row(package.rows("transects", lot_id))
    if row is None:
        return None
    limit = float(package.parameter("fringe", "fringe_limit_ft", 50.0))
    depth = depth_words(float(row["fringe_depth_ft"]), limit)
    at = f"{depth} at station {float(row['station_ft']):.0f}"
    return Named(at, row["geometry"], clean(between(row["reference"])))


def _spans(package: Package, lot_id: str) -> tuple[Named, ...]:
    rows = package.rows("window_spans", lot_id)
    return tuple(
        Named(clean(span_name(r["span_id"])), r["geometry"], stations(r), str(r["stretch_id"]))
        for r in rows.to_dict("records") if has_shape(r["geometry"])
    )  # fmt: skip


def _sections(package: Package, lot_id: str) -> tuple[Named, ...]:
    rows = package.rows("sections", lot_id)
    return tuple(
        Named(clean(str(r["section_id"])), r["geometry"], f"station {float(r['station_ft']):.0f}")
        for r in rows.to_dict("records")
        if has_shape(r["geometry"])
    )


def _eyes(package: Package, lot_id: str) -> tuple[Named, ...]:
    """Eyes of the lot: as they were used, else as they were given."""
    used = package.rows("sight_eyes", lot_id)
    rows = used if len(used) else package.rows("eyes")
    found = []
    for row in rows.to_dict("records"):
        mine = row.get("lot_id")
        if has_shape(row["geometry"]) and (not isinstance(mine, str) or mine == lot_id):
            found.append(Named(clean(str(row["eye_id"])), row["geometry"]))
    return tuple(found)


def _trees(package: Package, lot_id: str, plan: Plan | None) -> tuple[Tree, ...]:
    """Crowns, low ones first, so that the tips of high ones show."""
    rows = package.rows("crowns")
    if not len(rows):
        return ()
    trunks = package.rows("trunks")
    at = {}
    if len(trunks):
        at = dict(zip(trunks["crown_id"].astype(str), trunks["geometry"], strict=True))
    if "top_height_ft" in rows.columns:
        rows = rows.sort_values("top_height_ft", na_position="first", kind="stable")
    found = []
    for row in rows.to_dict("records"):
        if not has_shape(row["geometry"]):
            continue
        number = str(row["crown_id"])
        is_own = str(row.get("lot_id")) == lot_id
        found.append(
            Tree(
                clean(number), shapely.make_valid(row["geometry"]), at.get(number), _kind(row),
                _what(number, plan) if is_own else "left",
                isinstance(row.get("keep"), str) and bool(row["keep"]), is_own,
            )
        )  # fmt: skip
    return tuple(found)


def _kind(row: dict[str, Any]) -> str:
    """Mangrove, other plant or species unknown."""
    told = row.get("is_mangrove")
    if told is None or told != told:
        return "unknown"
    return "mangrove" if bool(told) else "other"


def _told(package: Package, lot_id: str) -> tuple[str, ...]:
    """Which plan is drawn and how it stands, in the set's own sentences."""
    told = told_of_plan(package, lot_id)
    return () if told is None else tuple(filter(None, (told.standing, told.drawn)))


def _what(number: str, plan: Plan | None) -> str:
    """What is planned for a tree: its top lowered, a band cleared, or nothing."""
    cuts = plan.cuts.get(number, []) if plan is not None else []
    if not cuts:
        return "left"
    return "top" if any(np.isinf(cut.high_ft) for cut in cuts) else "band"
