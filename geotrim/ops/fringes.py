"""Operation ``fringe``: how deep the mangroves stand along each frontage."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotrim.checks import check_columns, check_kind, check_lines, check_lots, check_same_crs
from geotrim.core import fringe as core
from geotrim.core.shoreline import Array, build_shore
from geotrim.core.stretches import lot_region
from geotrim.model import Note, Result
from geotrim.ops.catalogue import FRINGE
from geotrim.ops.tables import plain_table, shape_table
from geotrim.rules.species import is_mangrove, is_unlisted
from geotrim.units import feet_per_map_unit

#: The outline of the fringe is drawn in steps this many times finer than the transects.
OUTLINE_STEPS = 4
TRANSECT_COLUMNS = [
    "lot_id",
    "stretch_id",
    "station_ft",
    "span_ft",
    "reference",
    "fringe_depth_ft",
    "landward_ft",
    "waterward_ft",
    "n_trees",
    "is_over_limit",
]
LOT_COLUMNS = [
    "lot_id",
    "fringe_depth_max_ft",
    "fringe_depth_mean_ft",
    "fringe_depth_max_station_ft",
    "fringe_over_limit_length_ft",
    "fringe_length_ft",
    "n_fringe_trees",
    "fringe_reference",
]


@dataclass(frozen=True, slots=True, eq=False)
class _Trees:
    """Crowns with the point each is measured from."""

    crown_id: npt.NDArray[np.object_]
    shape: npt.NDArray[np.object_]
    point: Array
    has_trunk: npt.NDArray[np.bool_]
    is_out: npt.NDArray[np.bool_]  # known not to be a mangrove


@dataclass(frozen=True, slots=True, eq=False)
class _Stretch:
    lot_id: str
    stretch_id: str
    station0_ft: float
    length_ft: float
    base: core.Baseline


def fringe(
    lots: Any,
    mhw_line: Any,
    crowns: Any,
    frontage: Result,
    riparian_lines: Result,
    *,
    trunks: Any = None,
    transect_spacing_ft: float = 10.0,
    swath_ft: float = 20.0,
    fringe_reference: str = "auto",
    fringe_limit_ft: float = 50.0,
    search_ft: float = 500.0,
    smoothing_length_ft: float = 50.0,
) -> Result:
    """Measure the depth of the fringe square to the smoothed shore, station by station.

    Parameters
    ----------
    lots, mhw_line, crowns, trunks : GeoDataFrame
        As at the top of :mod:`geotrim.model`. Crowns known not to be mangroves are left out;
        unknown species are kept and told.
    frontage, riparian_lines : Result
        Of those operations: a tree belongs to a lot if it stands in the lot or in the water
        between its limits.
    transect_spacing_ft, swath_ft : float
        Trunks within half a swath of a transect count there.
    fringe_reference : str
        ``trunk``, ``centre``, ``edge``, or ``auto``: trunk where known, else centre.
    fringe_limit_ft, search_ft, smoothing_length_ft : float

    Returns
    -------
    Result
        ``transects``: one a station, ``fringe_depth_ft`` NaN where no tree stands. ``fringe``: the
        outline, from the innermost to the outermost canopy edge. ``fringe_lots``: maximum, mean
        and where. ``fringe_crowns``: lot, station and offset of every crown.

    Notes
    -----
    Depth runs from the trunk of the innermost to that of the outermost mangrove, square to the
    shore: s. 403.9325(7) F.S. The mean is over the stations where trees stand.
    """
    parameters = FRINGE.check(
        {
            "transect_spacing_ft": transect_spacing_ft,
            "swath_ft": swath_ft,
            "fringe_reference": fringe_reference,
            "fringe_limit_ft": fringe_limit_ft,
            "search_ft": search_ft,
            "smoothing_length_ft": smoothing_length_ft,
        }
    )
    _check_inputs(lots, mhw_line, crowns, trunks)
    feet = feet_per_map_unit(lots.crs, "lots")
    trees, notes = _trees(crowns, trunks, fringe_reference)
    stretches = _stretches(frontage, mhw_line, smoothing_length_ft, feet)
    reach = float(frontage.parameters.get("reach_ft", 5.0)) / feet
    regions = regions_of(lots, frontage, riparian_lines, reach)
    stand = _stand(trees, stretches, regions, search_ft, feet)
    transects, outlines = [], []
    for k, stretch in enumerate(stretches):
        mine = (stand["stretch"] == k) & ~trees.is_out
        transects += _transects(stretch, trees, stand, mine, parameters, feet)
        outlines.append(_outline(stretch, trees, mine, transect_spacing_ft, feet))
    table = shape_table(transects, TRANSECT_COLUMNS, lots.crs)
    shapes = shape_table(
        [
            {
                "lot_id": stretch.lot_id,
                "stretch_id": stretch.stretch_id,
                "fringe_area_ft2": float(shapely.area(shape)) * feet**2,
                "fringe_length_ft": length,
                "geometry": shape,
            }
            for stretch, (shape, length) in zip(stretches, outlines, strict=True)
        ],
        ["lot_id", "stretch_id", "fringe_area_ft2", "fringe_length_ft"],
        lots.crs,
    )
    per_crown = _crown_table(trees, stand, stretches)
    ids = lots.loc[lots["is_measured"], "lot_id"].astype(str)
    rows = [_lot_row(i, table, shapes, per_crown) for i in ids]
    summary = plain_table(rows, LOT_COLUMNS)
    notes += _lot_notes(summary, frontage)
    tables = {
        "transects": table,
        "fringe": shapes,
        "fringe_lots": summary,
        "fringe_crowns": per_crown,
    }
    return Result("fringe", tables, tuple(notes), parameters)


def _check_inputs(lots: Any, mhw_line: Any, crowns: Any, trunks: Any) -> None:
    check_lots(lots)
    check_lines(mhw_line, "MHW line")
    check_columns(crowns, ("crown_id", "species"), "crowns")
    check_kind(crowns, {"Polygon", "MultiPolygon"}, "polygons", "crowns", may_be_empty=True)
    if trunks is not None:
        check_columns(trunks, ("crown_id",), "trunks")
        check_kind(trunks, {"Point"}, "points", "trunks", may_be_empty=True)
    check_same_crs({"lots": lots, "MHW line": mhw_line, "crowns": crowns, "trunks": trunks})


def _trees(crowns: Any, trunks: Any, reference: str) -> tuple[_Trees, list[Note]]:
    """Crowns with their measuring points, and what was assumed about them."""
    ids = crowns["crown_id"].astype(str).to_numpy(dtype=object)
    shape = np.asarray(crowns.geometry.array, dtype=object)
    point = shapely.get_coordinates(shapely.centroid(shape)).reshape(-1, 2)
    has = np.zeros(len(ids), dtype=bool)
    if trunks is not None and reference in ("auto", "trunk"):
        known = trunks.drop_duplicates("crown_id").set_index(
            trunks.drop_duplicates("crown_id")["crown_id"].astype(str)
        )
        where = known.index.get_indexer(ids)
        has = where >= 0
        point[has] = shapely.get_coordinates(known.geometry.array[where[has]])
    mangrove = [is_mangrove(name) for name in crowns["species"]]
    is_out = np.array([known is False for known in mangrove], dtype=bool)
    notes = []
    unknown = sum(known is None for known in mangrove)
    if unknown:
        unlisted = sorted({n for n in crowns["species"] if isinstance(n, str) and is_unlisted(n)})
        named = f" (not in the table of species: {', '.join(unlisted)})" if unlisted else ""
        notes.append(
            Note(
                "crowns",
                f"{unknown} of {len(ids)} have no known species{named}; they are kept as mangroves "
                "here: confirm in the field",
                "assumed",
            )
        )
    lacking = int((~has & ~is_out).sum())
    if reference in ("auto", "trunk") and lacking:
        text = "measured from the crown's centre" if reference == "auto" else "left out of depths"
        notes.append(
            Note("trunks", f"{lacking} of {int((~is_out).sum())} not surveyed: {text}", "assumed")
        )
    return _Trees(ids, shape, point, has, is_out), notes


def baselines(
    frontage: Result, mhw_line: Any, smoothing_ft: float, feet: float
) -> list[core.Baseline]:
    """Baseline of every stretch of a frontage, in its order."""
    corner = float(frontage.parameters.get("corner_deg", 60.0))
    shore = build_shore(mhw_line.geometry.array, smoothing_ft / feet, corner)
    return [
        core.baseline_of(shapely.get_coordinates(line), smoothing_ft / feet, 1 / feet, shore)
        for line in frontage["frontage"].geometry
    ]


def _stretches(frontage: Result, mhw_line: Any, smoothing_ft: float, feet: float) -> list[_Stretch]:
    out = []
    lines = baselines(frontage, mhw_line, smoothing_ft, feet)
    for row, line in zip(frontage["frontage"].itertuples(), lines, strict=True):
        out.append(
            _Stretch(
                str(row.lot_id),
                str(row.stretch_id),
                float(row.station_from_ft),
                float(row.frontage_length_ft),
                line,
            )
        )
    return out


def regions_of(
    lots: Any, frontage: Result, riparian_lines: Result, reach: float
) -> dict[str, tuple[Any, Any]]:
    """Lot id -> the lot, and the lot with its water and the strip between them."""
    water = riparian_lines["riparian_areas"]
    stretches = frontage["frontage"]
    out = {}
    for row in lots[lots["is_measured"]].itertuples():
        lot_id = str(row.lot_id)
        mine = shapely.union_all(water.geometry.array[(water["lot_id"] == lot_id).to_numpy()])
        runs = stretches.geometry.array[(stretches["lot_id"] == lot_id).to_numpy()]
        lines = [shapely.get_coordinates(line) for line in runs]
        out[lot_id] = (row.geometry, lot_region(row.geometry, mine, lines, reach))
    return out


def _stand(
    trees: _Trees,
    stretches: list[_Stretch],
    regions: dict[str, tuple[Any, Any]],
    search_ft: float,
    feet: float,
) -> dict[str, Any]:
    """Lot, stretch, station and offset of every tree. Stretch -1 is none."""
    n = len(trees.crown_id)
    lot = np.full(n, None, dtype=object)
    for choice in (0, 1):  # the lot it stands in first, then the water in front of a lot
        for lot_id, shapes in regions.items():
            inside = shapely.intersects_xy(shapes[choice], trees.point[:, 0], trees.point[:, 1])
            lot[pd.isna(lot) & inside] = lot_id
    stretch = np.full(n, -1)
    station, offset = np.full(n, np.nan), np.full(n, np.nan)
    best = np.full(n, np.inf)
    for k, one in enumerate(stretches):
        s, off, is_square = one.base.stand(trees.point)
        away = shapely.distance(shapely.points(trees.point), shapely.LineString(one.base.xy))
        cost = np.where(is_square, away, away + 1e6)  # a square place beats the end of another
        take = (lot == one.lot_id) & (cost < best) & (np.abs(off) * feet <= search_ft)
        stretch[take], best[take] = k, cost[take]
        station[take], offset[take] = s[take] * feet + one.station0_ft, off[take] * feet
    return {"lot": lot, "stretch": stretch, "station_ft": station, "offset_ft": offset}


def _transects(
    stretch: _Stretch,
    trees: _Trees,
    stand: dict[str, Any],
    mine: Any,
    parameters: Any,
    feet: float,
) -> list[dict[str, Any]]:
    """One row a station of one stretch."""
    at, edges = core.stations(stretch.length_ft, parameters["transect_spacing_ft"])
    local = stand["station_ft"][mine] - stretch.station0_ft
    found = depths_at(
        stretch.base, at, local, stand["offset_ft"][mine], trees.has_trunk[mine],
        trees.shape[mine], parameters, feet,
    )  # fmt: skip
    origin, out = stretch.base.at(at / feet), stretch.base.normal(at / feet)
    low, high = found.landward_ft, found.waterward_ft
    rows = []
    for k, s in enumerate(at):
        a, b = (low[k], high[k]) if np.isfinite(low[k]) else (0.0, 0.0)
        rows.append(
            {
                "lot_id": stretch.lot_id,
                "stretch_id": stretch.stretch_id,
                "station_ft": float(s) + stretch.station0_ft,
                "span_ft": float(edges[k + 1] - edges[k]),
                "reference": found.reference[k],
                "fringe_depth_ft": float(high[k] - low[k]),
                "landward_ft": float(low[k]),
                "waterward_ft": float(high[k]),
                "n_trees": int(found.n_trees[k]),
                "is_over_limit": bool(high[k] - low[k] > parameters["fringe_limit_ft"]),
                "geometry": shapely.LineString(
                    [origin[k] + out[k] * a / feet, origin[k] + out[k] * b / feet]
                ),
            }
        )
    return rows


@dataclass(frozen=True, slots=True, eq=False)
class Depths:
    """What stands at m stations of one stretch, square to its smoothed line.

    landward_ft, waterward_ft : (m,) offsets of the innermost and the outermost; NaN for none. [ft]
    n_trees : (m,) trees that were looked at.
    reference : m words for what was measured between.
    """

    landward_ft: Array
    waterward_ft: Array
    n_trees: npt.NDArray[np.intp]
    reference: list[str]


def depths_at(
    base: core.Baseline,
    at_ft: Array,
    station_ft: Array,
    offset_ft: Array,
    has_trunk: npt.NDArray[np.bool_],
    shapes: npt.NDArray[np.object_],
    parameters: Mapping[str, Any],
    feet: float,
) -> Depths:
    """Depth of the fringe at stations of one stretch.

    Parameters
    ----------
    base : Baseline
        Of the stretch.
    at_ft : (m,) array
        Stations asked about, from the stretch's own start. [ft]
    station_ft, offset_ft, has_trunk, shapes : (n,) arrays
        Trees of the stretch's fringe: station from the stretch's own start, offset from its
        smoothed line, whether their trunk was surveyed, and crowns in map units. [ft]
    parameters : mapping
        ``fringe_reference``, ``swath_ft``, ``search_ft`` as of the operation.
    feet : float
        International feet in one map unit.
    """
    asked, swath = str(parameters["fringe_reference"]), float(parameters["swath_ft"])
    if asked == "edge":
        crowns = shapely.union_all(shapes) if len(shapes) else shapely.Polygon()
        low, high = core.edge_depths(base, at_ft / feet, crowns, parameters["search_ft"] / feet)
        low, high = low * feet, high * feet
    else:
        use = has_trunk if asked == "trunk" else np.ones(len(has_trunk), dtype=bool)
        low, high, count = core.swath_depths(at_ft, station_ft[use], offset_ft[use], swath)
    near = [np.abs(station_ft - s) <= swath / 2 for s in at_ft]
    if asked == "edge":
        count = np.array([int(which.sum()) for which in near], dtype=np.intp)
    return Depths(low, high, count, [_reference(asked, has_trunk[which]) for which in near])


def _reference(asked: str, has_trunk: Any) -> str:
    """What a depth was really measured between."""
    if asked != "auto":
        return asked
    if has_trunk.size == 0:
        return "none"
    if has_trunk.all():
        return "trunk"
    return "trunk and centre" if has_trunk.any() else "centre"


def _outline(
    stretch: _Stretch, trees: _Trees, mine: Any, spacing_ft: float, feet: float
) -> tuple[Any, float]:
    """The fringe of one stretch as a polygon, and the length of shore it covers. [ft]."""
    if not mine.any():
        return shapely.Polygon(), 0.0
    edges, low, high = core.canopy_extent(
        stretch.base,
        trees.shape[mine],
        spacing_ft / OUTLINE_STEPS / feet,
        core.OUTLINE_STEP_FT / feet,
    )
    covered = float(np.diff(edges)[np.isfinite(low)].sum()) * feet
    return core.strip_polygon(stretch.base, edges, low, high), covered


def _crown_table(trees: _Trees, stand: dict[str, Any], stretches: list[_Stretch]) -> Any:
    names = np.array([s.stretch_id for s in stretches] + [None], dtype=object)
    return pd.DataFrame(
        {
            "crown_id": trees.crown_id,
            "lot_id": stand["lot"],
            "stretch_id": names[stand["stretch"]],
            "station_ft": stand["station_ft"],
            "offset_ft": stand["offset_ft"],
            "is_fringe": (stand["stretch"] >= 0) & ~trees.is_out,
            "has_trunk": trees.has_trunk,
        }
    )


def _lot_row(lot_id: str, transects: Any, outlines: Any, per_crown: Any) -> dict[str, Any]:
    mine = transects[transects["lot_id"] == lot_id]
    depth = mine["fringe_depth_ft"].to_numpy(dtype=float)
    is_any = bool(np.isfinite(depth).any())
    top = int(np.nanargmax(depth)) if is_any else -1
    return {
        "lot_id": lot_id,
        "fringe_depth_max_ft": float(depth[top]) if is_any else np.nan,
        "fringe_depth_mean_ft": float(np.nanmean(depth)) if is_any else np.nan,
        "fringe_depth_max_station_ft": float(mine["station_ft"].iloc[top]) if is_any else np.nan,
        "fringe_over_limit_length_ft": float(
            mine.loc[mine["is_over_limit"].astype(bool), "span_ft"].sum()
        ),
        "fringe_length_ft": float(
            outlines.loc[outlines["lot_id"] == lot_id, "fringe_length_ft"].sum()
        ),
        "n_fringe_trees": int(((per_crown["lot_id"] == lot_id) & per_crown["is_fringe"]).sum()),
        "fringe_reference": " / ".join(sorted(set(mine["reference"]) - {"none"})) or "none",
    }


def _lot_notes(summary: Any, frontage: Result) -> list[Note]:
    fronting = set(frontage["frontage"]["lot_id"])
    return [
        Note(f"lot {row.lot_id}", "no mangroves found along its frontage", "missing")
        for row in summary.itertuples()
        if row.lot_id in fronting and not np.isfinite(row.fringe_depth_max_ft)
    ]
