"""Operation ``calibrate``: stick readings of tree heights against the height raster."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotrim.checks import check_columns, check_height_source, check_same_crs
from geotrim.core.calibration import (
    OUTLIER_Z,
    Agreement,
    agreement,
    correction,
    modified_z,
    trend,
    welch,
    with_reading_error,
)
from geotrim.errors import LayerError
from geotrim.model import HeightSource, Note, Result
from geotrim.ops import canopy, catalogue
from geotrim.ops.calibration_notes import (
    OFF,
    how_many,
    notes_on_figures,
    notes_on_heights,
    notes_on_rows,
    notes_on_trees,
)
from geotrim.ops.tables import plain_table, shape_table
from geotrim.units import feet_per_map_unit

Floats = npt.NDArray[np.float64]
#: Trees of one reader, and of the others, from which they are compared. Common practice, no source.
LEAST_OF_READER = 5
#: How a reading was matched.
BY_ID, BY_PLACE, BY_RADIUS = "crown id", "position in the crown", "highest cell near the position"


def calibrate(
    heights: HeightSource,
    readings: Any,
    crowns: Any = None,
    *,
    reading_radius_ft: float = 5.0,
    min_coverage_frac: float = 0.01,
    leave_out_outliers: bool = False,
    height_correction: str = "none",
) -> Result:
    """Stick readings against the raster's heights of the same trees.

    Parameters
    ----------
    heights : HeightSource
        Heights above the substrate, in any CRS.
    readings : GeoDataFrame
        As in :mod:`geotrim.model`, in the site's CRS.
    crowns : GeoDataFrame, optional
        ``crown_id`` and polygons, in the site's CRS.
    reading_radius_ft : float
        Of a reading whose position lies in no crown, the raster's height is the highest cell this
        near. [ft]
    min_coverage_frac : float
        Cells that a crown, or the circle of that radius, covers less are ignored.
    leave_out_outliers : bool
        Whether the figures are taken without the outliers. They are shown either way.
    height_correction : str
        ``none``, ``error`` or ``bias``; see :func:`geotrim.core.calibration.correction`.

    Returns
    -------
    Result
        Tables ``calibration``, one row; ``stick_readings``, one row a reading, with the reason
        where it was not compared; and ``calibration_readers``, one row a reader where there are
        several. Differences are the raster's height less the stick's.

    Raises
    ------
    GeotrimError
        If a column is missing, a CRS differs, or a correction is asked for of too few trees.

    Notes
    -----
    A reading counts for the crown of its id, else for the crown its position lies in (of several,
    the one whose centre is nearest), else for the place itself. A crown not seen whole is not
    compared: the top of the part seen need not be the tree's. Several readings of one tree are
    averaged to one difference, since they share the raster's error; n counts trees.
    """
    parameters = catalogue.CALIBRATE.check(
        {
            "reading_radius_ft": reading_radius_ft,
            "min_coverage_frac": min_coverage_frac,
            "leave_out_outliers": leave_out_outliers,
            "height_correction": height_correction,
        }
    )
    check_columns(readings, ("crown_id", "height_ft"), "readings")
    check_height_source(heights)
    if not hasattr(readings, "geometry"):
        raise LayerError(
            "readings",
            "a table without a geometry column",
            "a GeoDataFrame, its geometry None where the crown id tells",
            "read them with geotrim.io.site_file.site_from_tables",
        )
    if crowns is not None:
        check_columns(crowns, ("crown_id",), "crowns")
        check_same_crs({"crowns": crowns, "readings": readings})
    matched = _matched(heights, readings, crowns, parameters)
    trees = _trees(matched.rows, parameters)
    table = _calibration(matched.rows, trees, heights, readings, parameters)
    notes = [
        *matched.notes,
        *notes_on_rows(matched.rows),
        *notes_on_heights(matched.rows),
        *notes_on_trees(trees, parameters),
        *notes_on_figures(table.iloc[0], parameters, matched.rows),
    ]
    if not len(trees):
        notes = [notes[-1], *notes[:-1]]  # what it comes to is said first
    readers, told = _readers(matched.rows, trees)
    tables = {
        "calibration": table,
        "stick_readings": _rows_told(matched.rows, trees, readings),
        "calibration_readers": readers,
    }
    return Result("calibrate", tables, (*notes, *told), parameters)


@dataclass(slots=True)
class _Matched:
    """Readings, each with its tree and the raster's height of it, or the reason why not."""

    rows: Any
    notes: list[Note]


def _matched(
    source: HeightSource, readings: Any, crowns: Any, parameters: dict[str, Any]
) -> _Matched:
    rows = readings.reset_index(drop=True).copy()
    rows["crown_id"] = _objects([None if pd.isna(i) else str(i) for i in rows["crown_id"]])
    for name in ("matched_by", "reason", "tree"):
        rows[name] = _objects([None] * len(rows))
    rows["raster_height_ft"] = np.nan
    notes: list[Note] = []
    stick = rows["height_ft"].to_numpy(dtype=np.float64, na_value=np.nan)
    _refuse(rows, np.isnan(stick), "no height")
    _refuse(rows, stick <= 0.0, "height of 0 or less")
    _match_to_crowns(rows, crowns, notes)
    _match_by_place(rows, crowns, notes)
    _read_crowns(rows, source, crowns, parameters)
    _read_places(rows, source, parameters, notes)
    return _Matched(rows, notes)


def _objects(values: list[Any]) -> Any:
    """A column of text that stays one, with None for nothing."""
    return pd.Series(values, dtype=object)


def _refuse(rows: Any, which: Any, reason: str) -> None:
    """Give a reason to the rows in question that have none yet."""
    rows.loc[np.asarray(which) & rows["reason"].isna().to_numpy(), "reason"] = reason


def _open(rows: Any) -> npt.NDArray[np.bool_]:
    """Rows that are neither matched nor given up."""
    free: npt.NDArray[np.bool_] = (rows["matched_by"].isna() & rows["reason"].isna()).to_numpy()
    return free


def _has_place(rows: Any) -> npt.NDArray[np.bool_]:
    shapes = np.asarray(rows.geometry.array, dtype=object)
    has: npt.NDArray[np.bool_] = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    return has


def _match_to_crowns(rows: Any, crowns: Any, notes: list[Note]) -> None:
    """By the crown's id; a position that lies elsewhere is told, and the id is followed."""
    has_id = rows["crown_id"].notna().to_numpy()
    known = set() if crowns is None else set(crowns["crown_id"].astype(str))
    is_known = np.array([str(i) in known for i in rows["crown_id"]], dtype=bool)
    why = "no crowns to find its crown id in" if crowns is None else "no crown has its crown id"
    _refuse(rows, has_id & ~is_known, why)
    mine = _open(rows) & has_id
    rows.loc[mine, "matched_by"] = BY_ID
    rows.loc[mine, "tree"] = rows.loc[mine, "crown_id"].astype(str)
    placed = np.flatnonzero(mine & _has_place(rows))
    if not placed.size:
        return
    shapes = dict(zip(crowns["crown_id"].astype(str), crowns.geometry.array, strict=True))
    points = np.asarray(rows.geometry.array, dtype=object)[placed]
    own = np.array([shapes[tree] for tree in rows["tree"].iloc[placed]], dtype=object)
    gap_ft = shapely.distance(own, points) * feet_per_map_unit(rows.crs, "readings")
    if (gap_ft > 0.0).any():
        worst = int(placed[int(gap_ft.argmax())])
        text = (
            f"{how_many(int((gap_ft > 0.0).sum()))} outside the crown of their id, the farthest "
            f"{gap_ft.max():.1f} ft off (row {worst + 1}, crown {rows['tree'].iloc[worst]}); the "
            "id was followed: check tags and positions"
        )
        notes.append(Note("readings", text, "assumed"))


def _match_by_place(rows: Any, crowns: Any, notes: list[Note]) -> None:
    """By the crown the position lies in; of several, the one whose centre is nearest."""
    mine, placed = _open(rows), _has_place(rows)
    _refuse(rows, mine & ~placed, "neither a crown id nor a position")
    at = np.flatnonzero(mine & placed)
    if not at.size or crowns is None or not len(crowns):
        return
    shapes = np.asarray(crowns.geometry.array, dtype=object)
    points = np.asarray(rows.geometry.array, dtype=object)[at]
    which, crown = shapely.STRtree(shapes).query(points, predicate="intersects")
    gaps = shapely.distance(points[which], shapely.centroid(shapes[crown]))
    nearest = pd.DataFrame({"row": at[which], "crown": crown, "gap": gaps})
    nearest = nearest.sort_values(["row", "gap", "crown"])
    first = nearest.drop_duplicates("row")
    ids = crowns["crown_id"].astype(str).to_numpy(dtype=object)[first["crown"].to_numpy()]
    for name, values in (("matched_by", BY_PLACE), ("tree", ids), ("crown_id", ids)):
        rows.loc[first["row"], name] = values
    shared = int((nearest["row"].value_counts() > 1).sum())
    if shared:
        text = f"{how_many(shared)} in two crowns or more, taken for the crown whose centre is "
        notes.append(Note("readings", f"{text}nearest", "assumed"))


def _read_crowns(rows: Any, source: HeightSource, crowns: Any, parameters: dict[str, Any]) -> None:
    """The top of each crown with a reading, as the operation ``heights`` measures it."""
    mine = rows["matched_by"].notna().to_numpy()
    if not mine.any():
        return
    ids = crowns["crown_id"].astype(str)
    wanted = crowns[ids.isin(set(rows.loc[mine, "tree"])).to_numpy()]
    seen = _tops(wanted, source, parameters)
    seen = seen.set_index(seen["crown_id"].astype(str)).loc[list(rows.loc[mine, "tree"])]
    _take(rows, np.flatnonzero(mine), seen, "the crown")


def _read_places(
    rows: Any, source: HeightSource, parameters: dict[str, Any], notes: list[Note]
) -> None:
    """The highest cell around each position that lies in no crown."""
    at = np.flatnonzero(_open(rows))
    if not at.size:
        return
    radius_ft = parameters["reading_radius_ft"]
    radius = radius_ft / feet_per_map_unit(rows.crs, "readings")
    points = np.asarray(rows.geometry.array, dtype=object)[at]
    discs = gpd.GeoDataFrame(
        {"crown_id": at}, geometry=shapely.buffer(points, radius, quad_segs=16), crs=rows.crs
    )
    rows.loc[at, "matched_by"] = BY_RADIUS
    seen = _tops(discs, source, parameters)
    _take(rows, at, seen, f"the {radius_ft:g} ft around it")
    tops = rows["raster_height_ft"].to_numpy()[at]
    first = np.arange(at.size)
    for i, j in _pairs(points, 2.0 * radius):
        if tops[i] == tops[j]:  # one cell, seen from two positions
            first[j] = min(first[j], first[i])
    rows.loc[at, "tree"] = [f"reading {at[k] + 1}, in no crown" for k in first]
    n = int(rows["reason"].iloc[at].isna().sum())
    if n:
        text = f"{how_many(n)} in no crown, compared with the highest cell within {radius_ft:g} ft"
        notes.append(Note("readings", text, "assumed"))


def _pairs(points: Any, reach: float) -> list[tuple[int, int]]:
    """Pairs of points this near to each other, the first of a pair coming first."""
    one, other = shapely.STRtree(points).query(points, predicate="dwithin", distance=reach)
    return sorted((int(i), int(j)) for i, j in zip(one, other, strict=True) if i < j)


def _tops(shapes: Any, source: HeightSource, parameters: dict[str, Any]) -> Any:
    least = parameters["min_coverage_frac"]
    return canopy.heights(shapes, source, min_coverage_frac=least)["heights"]


def _take(rows: Any, at: Any, seen: Any, what: str) -> None:
    """Tops into the rows, or the reason why there is none."""
    covered = seen["covered_frac"].to_numpy(dtype=np.float64)
    top = seen["top_height_ft"].to_numpy(dtype=np.float64)
    reasons = np.full(len(at), None, dtype=object)
    reasons[np.isnan(top)] = f"no cell that counts in {what}"
    reasons[seen["is_partial"].to_numpy(dtype=bool)] = f"part of {what} off the raster or no data"
    reasons[~(covered > 0.0)] = f"{what} {OFF}"
    is_free = rows["reason"].iloc[at].isna().to_numpy()
    rows.loc[at[is_free], "reason"] = reasons[is_free]
    rows.loc[at, "raster_height_ft"] = top


def _trees(rows: Any, parameters: dict[str, Any]) -> Any:
    """One row a tree that was compared: heights, difference, and whether it is an outlier."""
    good = rows[rows["reason"].isna()]
    by_tree = good.groupby("tree", sort=False)
    trees = pd.DataFrame(
        {
            "height_ft": by_tree["height_ft"].mean(),
            "raster_height_ft": by_tree["raster_height_ft"].mean(),
            "n_readings": by_tree.size(),
            "least_ft": by_tree["height_ft"].min(),
            "most_ft": by_tree["height_ft"].max(),
        }
    )
    trees["difference_ft"] = trees["raster_height_ft"] - trees["height_ft"]
    trees["modified_z"] = modified_z(trees["difference_ft"].to_numpy(dtype=np.float64))
    trees["is_outlier"] = trees["modified_z"].abs() > OUTLIER_Z
    trees["is_counted"] = ~trees["is_outlier"] | (not parameters["leave_out_outliers"])
    return trees


def _calibration(
    rows: Any, trees: Any, source: HeightSource, readings: Any, parameters: dict[str, Any]
) -> Any:
    """The one row of figures."""
    used = trees[trees["is_counted"].astype(bool)]
    found: Agreement = agreement(used["difference_ft"].to_numpy(dtype=np.float64))
    slope = trend(used["height_ft"].to_numpy(float), used["difference_ft"].to_numpy(float))
    reading_error = _reading_error(readings)
    stated = np.nan if source.rmse_ft is None else source.rmse_ft
    choice = parameters["height_correction"]
    done = correction(
        choice,
        n=found.n,
        bias_ft=found.bias_ft,
        sd_ft=found.sd_ft,
        rmse_ft=found.rmse_ft,
        reading_error_ft=reading_error,
        stated_error_ft=stated,
    )
    row = {
        "n_trees": found.n,
        "n_readings": int(trees.loc[trees["is_counted"].astype(bool), "n_readings"].sum()),
        "n_not_compared": int(rows["reason"].notna().sum()),
        "n_outliers": int(trees["is_outlier"].sum()),
        "n_left_out": int((~trees["is_counted"].astype(bool)).sum()),
        "bias_ft": found.bias_ft,
        "bias_error_ft": found.bias_error_ft,
        "bias_low_ft": found.bias_low_ft,
        "bias_high_ft": found.bias_high_ft,
        "sd_ft": found.sd_ft,
        "rmse_ft": found.rmse_ft,
        "mean_absolute_ft": found.mae_ft,
        "median_ft": found.median_ft,
        "reading_error_ft": reading_error,
        "rmse_with_reading_error_ft": with_reading_error(found.rmse_ft, reading_error),
        "stated_error_ft": stated,
        "trend_frac": slope.slope_frac,
        "trend_low_frac": slope.low_frac,
        "trend_high_frac": slope.high_frac,
        "height_correction": choice,
        "shift_ft": np.nan if done is None else done.shift_ft,
        "corrected_error_ft": np.nan if done is None else done.error_ft,
    }
    return plain_table([row], list(row))


def _reading_error(readings: Any) -> float:
    """Error of one reading, NaN where it is not stated of every one; of several, their RMS."""
    if "height_error_ft" not in readings.columns or not len(readings):
        return float("nan")
    errors = readings["height_error_ft"].to_numpy(dtype=np.float64, na_value=np.nan)
    return float(np.sqrt(np.mean(errors**2)))


def _rows_told(rows: Any, trees: Any, readings: Any) -> Any:
    """One row a reading, in the order they were given."""
    at = trees.reindex(rows["tree"])
    good = rows["reason"].isna().to_numpy()
    raster = np.where(good, rows["raster_height_ft"], np.nan)
    z = np.where(good, at["modified_z"].to_numpy(dtype=np.float64), np.nan)
    outlier = np.abs(z) > OUTLIER_Z
    told = {
        "reading_id": np.arange(1, len(rows) + 1).astype(str),
        "crown_id": rows["crown_id"],
        "reader": rows["reader"] if "reader" in rows.columns else None,
        "date": rows["date"] if "date" in rows.columns else None,
        "height_ft": rows["height_ft"].astype("float64"),
        "raster_height_ft": raster,
        "difference_ft": raster - rows["height_ft"].astype("float64"),
        "modified_z": z,
        "is_outlier": outlier,
        "is_compared": good & at["is_counted"].eq(True).to_numpy(),
        "matched_by": rows["matched_by"].where(good, None),
        "reason": rows["reason"],
        "geometry": np.asarray(rows.geometry.array, dtype=object),
    }
    columns = [name for name in told if name != "geometry"]
    return shape_table(pd.DataFrame(told), columns, readings.crs)


def _readers(rows: Any, trees: Any) -> tuple[Any, list[Note]]:
    """Figures of each reader, where several are named, and those who read unlike the others."""
    columns = ["reader", "n_trees", "bias_ft", "sd_ft", "rmse_ft"]
    good = rows[rows["reason"].isna() & rows["tree"].isin(trees.index[trees["is_counted"]])]
    if "reader" not in rows.columns or good["reader"].nunique() < 2:
        named = sorted(good["reader"].dropna().unique()) if "reader" in rows.columns else []
        who = f"one reader, {named[0]}" if named else "no reader is named"
        told_why = Note("readings", f"{who}, so readers are not compared", "info")
        return plain_table([], columns), [told_why] if len(good) else []
    differences = good.assign(difference_ft=good["raster_height_ft"] - good["height_ft"])
    means = differences.groupby(["reader", "tree"], sort=True)["difference_ft"].mean()
    told, notes = [], []
    for reader in sorted(good["reader"].dropna().unique()):
        is_own = means.index.get_level_values("reader") == reader
        own, others = means[is_own].to_numpy(), means[~is_own].to_numpy()
        found = agreement(own)
        figures = (found.n, found.bias_ft, found.sd_ft, found.rmse_ft)
        told.append(dict(zip(columns, (reader, *figures), strict=True)))
        gap, reach = welch(own, others)
        if min(own.size, others.size) >= LEAST_OF_READER and abs(gap) > reach:
            text = (
                f"reader {reader}: {found.n} trees, raster less stick {found.bias_ft:+.2f} ft, "
                f"{gap:+.2f} ft from the other readers (95 % interval +-{reach:.2f} ft)"
            )
            notes.append(Note("readings", text, "assumed"))
    return plain_table(told, columns), notes
