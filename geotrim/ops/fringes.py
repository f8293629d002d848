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
from geotrim.core.baselines import baselines_of
from geotrim.core.lot_regions import LotParts, parts_of, unions
from geotrim.core.shoreline import Array, build_shore
from geotrim.model import Note, Result
from geotrim.ops.catalogue import FRINGE
from geotrim.ops.fringe_trees import Stand, Stretch, Trees, lots_again, lots_of, stand, trees_of
from geotrim.ops.tables import plain_table, rows_by, shape_table
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
STRETCH_COLUMNS = ("lot_id", "stretch_id", "station_from_ft", "frontage_length_ft")
TABLES = ("transects", "fringe", "fringe_lots", "fringe_crowns")
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
    trees, notes = trees_of(crowns, trunks, fringe_reference)
    stretches = _stretches(frontage, mhw_line, smoothing_length_ft, feet)
    reach = float(frontage.parameters.get("reach_ft", 5.0)) / feet
    lot = lots_of(trees.point, *_parts(lots, frontage, riparian_lines, reach))
    stands = stand(trees, lot, stretches, search_ft, feet)
    tables, outlines = _tables(lots, trees, stands, stretches, parameters, feet)
    shapes = [
        core.strip_polygon(one.base, *cells) if cells is not None else shapely.Polygon()
        for one, cells in zip(stretches, outlines, strict=True)
    ]
    tables["fringe"] = _outline_table(stretches, shapes, outlines, feet, lots.crs)
    notes += _lot_notes(tables["fringe_lots"], frontage["frontage"]["lot_id"])
    in_order = {name: tables[name] for name in TABLES}
    return Result("fringe", in_order, tuple(notes), parameters)


def fringe_again(
    lots: Any,
    mhw_line: Any,
    crowns: Any,
    frontage: Result,
    fringe: Result,
    *,
    trunks: Any = None,
    keep: Any = None,
    smoothing_length_ft: float | None = None,
) -> Result:
    """Measure the depth of the fringe again, of some of its trees or with other smoothing.

    Parameters
    ----------
    lots, mhw_line, crowns, trunks : GeoDataFrame
        As for :func:`fringe`; they may be fewer. Rows are made for the lots that are measured here.
    frontage, fringe : Result
        Of those operations, with these lots and crowns among theirs. Where each tree belongs is
        read from ``fringe_crowns``; no region is asked again.
    keep : (n,) array of bool, optional
        Crowns that count; all of them if not given.
    smoothing_length_ft : float, optional
        The one ``fringe`` was measured with if not given.

    Returns
    -------
    Result
        ``transects``, ``fringe_lots`` and ``fringe_crowns`` as :func:`fringe` makes them of these
        crowns; no outlines are drawn.
    """
    asked = dict(fringe.parameters)
    if smoothing_length_ft is not None:
        asked["smoothing_length_ft"] = smoothing_length_ft
    parameters: dict[str, Any] = FRINGE.check(asked)
    _check_inputs(lots, mhw_line, crowns, trunks)
    feet = feet_per_map_unit(lots.crs, "lots")
    some = crowns if keep is None else crowns[np.asarray(keep, dtype=bool)]
    trees, notes = trees_of(some, trunks, parameters["fringe_reference"])
    measured = lots.loc[lots["is_measured"], "lot_id"].astype(str)
    smoothing = parameters["smoothing_length_ft"]
    stretches = _stretches(frontage, mhw_line, smoothing, feet, set(measured))
    lot = lots_again(trees, fringe, set(measured))
    stands = stand(trees, lot, stretches, parameters["search_ft"], feet)
    tables, _ = _tables(lots, trees, stands, stretches, parameters, feet)
    notes += _lot_notes(tables["fringe_lots"], [one.lot_id for one in stretches])
    in_order = {name: tables[name] for name in TABLES if name in tables}
    return Result("fringe", in_order, tuple(notes), parameters)


def _check_inputs(lots: Any, mhw_line: Any, crowns: Any, trunks: Any) -> None:
    check_lots(lots)
    check_lines(mhw_line, "MHW line")
    check_columns(crowns, ("crown_id", "species"), "crowns")
    check_kind(crowns, {"Polygon", "MultiPolygon"}, "polygons", "crowns", may_be_empty=True)
    if trunks is not None:
        check_columns(trunks, ("crown_id",), "trunks")
        check_kind(trunks, {"Point"}, "points", "trunks", may_be_empty=True)
    check_same_crs({"lots": lots, "MHW line": mhw_line, "crowns": crowns, "trunks": trunks})


def baselines(
    frontage: Result, mhw_line: Any, smoothing_ft: float, feet: float
) -> list[core.Baseline]:
    """Baseline of every stretch of a frontage, in its order."""
    corner = float(frontage.parameters.get("corner_deg", 60.0))
    lines = frontage["frontage"].geometry.array
    return _baselines(lines, mhw_line, smoothing_ft, feet, corner)


def _baselines(
    lines: Any, mhw_line: Any, smoothing_ft: float, feet: float, corner_deg: float
) -> list[core.Baseline]:
    shore = build_shore(mhw_line.geometry.array, smoothing_ft / feet, corner_deg)
    xy, line = shapely.get_coordinates(np.asarray(lines, dtype=object), return_index=True)
    cuts = np.searchsorted(line, np.arange(1, len(lines)))
    stretches = np.split(xy, cuts) if len(lines) else []
    return baselines_of(stretches, smoothing_ft / feet, 1 / feet, shore)


def _stretches(
    frontage: Result, mhw_line: Any, smoothing_ft: float, feet: float, only: set[str] | None = None
) -> list[Stretch]:
    """Stretches of a frontage, or those of some lots."""
    table = frontage["frontage"]
    if only is not None:
        table = table[table["lot_id"].astype(str).isin(only).to_numpy(dtype=bool)]
    corner = float(frontage.parameters.get("corner_deg", 60.0))
    lines = _baselines(table.geometry.array, mhw_line, smoothing_ft, feet, corner)
    columns = [table[name].tolist() for name in STRETCH_COLUMNS]
    return [
        Stretch(str(lot_id), str(stretch_id), float(first), float(length), line)
        for lot_id, stretch_id, first, length, line in zip(*columns, lines, strict=True)
    ]


def _parts(
    lots: Any, frontage: Result, riparian_lines: Result, reach: float
) -> tuple[LotParts, list[str]]:
    """Parts of the regions of all measured lots, and their ids."""
    measured = lots[lots["is_measured"].to_numpy(dtype=bool)]
    ids = measured["lot_id"].astype(str).tolist()
    number = {lot_id: k for k, lot_id in enumerate(ids)}

    def owned(table: Any) -> tuple[Any, Any]:
        owner = np.array([number.get(str(lot_id), -1) for lot_id in table["lot_id"]], dtype=np.intp)
        return np.asarray(table.geometry.array, dtype=object)[owner >= 0], owner[owner >= 0]

    water, of_water = owned(riparian_lines["riparian_areas"])
    runs, of_run = owned(frontage["frontage"])
    shapes = np.asarray(measured.geometry.array, dtype=object)
    return parts_of(shapes, water, of_water, runs, of_run, reach), ids


def regions_of(
    lots: Any, frontage: Result, riparian_lines: Result, reach: float
) -> dict[str, tuple[Any, Any]]:
    """Lot id -> the lot, and the lot with its water and the strip between them."""
    parts, ids = _parts(lots, frontage, riparian_lines, reach)
    return dict(zip(ids, zip(parts.lots, unions(parts), strict=True), strict=True))


Cells = tuple[Array, Array, Array]


def _tables(
    lots: Any,
    trees: Trees,
    stand: Stand,
    stretches: list[Stretch],
    parameters: Mapping[str, Any],
    feet: float,
) -> tuple[dict[str, Any], list[Cells | None]]:
    """Transects, lots and crowns; and for each stretch the cells its canopy stands in."""
    spacing = float(parameters["transect_spacing_ft"]) / OUTLINE_STEPS / feet
    step = core.OUTLINE_STEP_FT / feet
    rings = core.Rings.of(trees.shape)
    transects, cells = [], []
    for one, mine in zip(stretches, stand.of_stretch, strict=True):
        transects.append(_transects(one, trees, stand, mine, parameters, feet))
        cells.append(core.canopy_cells(one.base, rings, mine, spacing, step) if mine.size else None)
    table = shape_table(_joined(transects), TRANSECT_COLUMNS, lots.crs)
    per_crown = _crown_table(trees, stand, stretches)
    lengths = np.array([_covered_ft(one, feet) for one in cells], dtype=np.float64)
    ids = lots.loc[lots["is_measured"], "lot_id"].astype(str)
    of_lot = rows_by([one.lot_id for one in stretches])
    counts = per_crown["lot_id"][per_crown["is_fringe"]].value_counts()
    columns = {name: table[name].to_numpy() for name in TRANSECT_COLUMNS}
    rows_of = rows_by(table["lot_id"])
    none = np.empty(0, dtype=np.intp)
    rows = [
        _lot_row(i, columns, rows_of.get(i, none))
        | {
            "fringe_length_ft": float(lengths[of_lot.get(i, none)].sum()),
            "n_fringe_trees": int(counts.get(i, 0)),
        }
        for i in ids
    ]
    summary = plain_table(rows, LOT_COLUMNS)
    return {"transects": table, "fringe_lots": summary, "fringe_crowns": per_crown}, cells


def _covered_ft(cells: Cells | None, feet: float) -> float:
    """Length of shore that the canopy of one stretch covers. [ft]."""
    if cells is None:
        return 0.0
    edges, low, _ = cells
    return float(np.diff(edges)[np.isfinite(low)].sum()) * feet


def _joined(parts: list[dict[str, Any]]) -> dict[str, Any]:
    """Columns one under the other."""
    names = [*TRANSECT_COLUMNS, "geometry"]
    return {name: np.concatenate([part[name] for part in parts]) for name in names} if parts else {}


def _transects(
    stretch: Stretch,
    trees: Trees,
    stand: Stand,
    mine: npt.NDArray[np.intp],
    parameters: Mapping[str, Any],
    feet: float,
) -> dict[str, Any]:
    """Columns of the transects of one stretch, one a station."""
    at, edges = core.stations(stretch.length_ft, parameters["transect_spacing_ft"])
    local = stand.station_ft[mine] - stretch.station0_ft
    found = depths_at(
        stretch.base, at, local, stand.offset_ft[mine], trees.has_trunk[mine],
        trees.shape[mine], parameters, feet,
    )  # fmt: skip
    origin, out = stretch.base.at(at / feet), stretch.base.normal(at / feet)
    low, high = found.landward_ft, found.waterward_ft
    is_any = np.isfinite(low)
    ends = [origin + out * np.where(is_any, offset, 0.0)[:, None] / feet for offset in (low, high)]
    return {
        "lot_id": np.full(at.size, stretch.lot_id, dtype=object),
        "stretch_id": np.full(at.size, stretch.stretch_id, dtype=object),
        "station_ft": at + stretch.station0_ft,
        "span_ft": np.diff(edges),
        "reference": np.asarray(found.reference, dtype=object),
        "fringe_depth_ft": high - low,
        "landward_ft": low,
        "waterward_ft": high,
        "n_trees": found.n_trees,
        "is_over_limit": high - low > parameters["fringe_limit_ft"],
        "geometry": shapely.linestrings(np.stack(ends, axis=1)),
    }


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


def _outline_table(
    stretches: list[Stretch], shapes: list[Any], cells: list[Cells | None], feet: float, crs: Any
) -> Any:
    rows = {
        "lot_id": [one.lot_id for one in stretches],
        "stretch_id": [one.stretch_id for one in stretches],
        "fringe_area_ft2": shapely.area(shapes) * feet**2,
        "fringe_length_ft": [_covered_ft(one, feet) for one in cells],
        "geometry": shapes,
    }
    return shape_table(rows, ["lot_id", "stretch_id", "fringe_area_ft2", "fringe_length_ft"], crs)


def _crown_table(trees: Trees, stand: Stand, stretches: list[Stretch]) -> Any:
    names = np.array([s.stretch_id for s in stretches] + [None], dtype=object)
    return pd.DataFrame(
        {
            "crown_id": trees.crown_id,
            "lot_id": stand.lot,
            "stretch_id": names[stand.stretch],
            "station_ft": stand.station_ft,
            "offset_ft": stand.offset_ft,
            "is_fringe": (stand.stretch >= 0) & ~trees.is_out,
            "has_trunk": trees.has_trunk,
        }
    )


def _lot_row(
    lot_id: str, transects: Mapping[str, Any], mine: npt.NDArray[np.intp]
) -> dict[str, Any]:
    """What the transects of a lot say of it."""
    depth = transects["fringe_depth_ft"][mine]
    is_any = bool(np.isfinite(depth).any())
    top = int(np.nanargmax(depth)) if is_any else -1
    over = transects["is_over_limit"][mine].astype(bool)
    references = sorted(set(transects["reference"][mine]) - {"none"})
    return {
        "lot_id": lot_id,
        "fringe_depth_max_ft": float(depth[top]) if is_any else np.nan,
        "fringe_depth_mean_ft": float(np.nanmean(depth)) if is_any else np.nan,
        "fringe_depth_max_station_ft": (
            float(transects["station_ft"][mine[top]]) if is_any else np.nan
        ),
        "fringe_over_limit_length_ft": float(transects["span_ft"][mine[over]].sum()),
        "fringe_reference": " / ".join(references) or "none",
    }


def _lot_notes(summary: Any, fronting: Any) -> list[Note]:
    """Lots that front the shore and have no mangroves along it."""
    fronting = set(fronting)
    return [
        Note(f"lot {lot_id}", "no mangroves found along its frontage", "missing")
        for lot_id, depth in zip(summary["lot_id"], summary["fringe_depth_max_ft"], strict=True)
        if lot_id in fronting and not np.isfinite(depth)
    ]
