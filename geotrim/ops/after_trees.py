"""Trees of a lot after a year's cut: what they were, what was planned, and what was found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from geotrim.core.coverage import Floats
from geotrim.core.cut_found import FoliageCurve, Strip, is_curve, strips_of
from geotrim.core.solids import FORM_FACTORS
from geotrim.ops.stage_plan import CLEAR_BAND, LOWER_TOP
from geotrim.rules.species import is_mangrove, is_red
from geotrim.rules.verdict import AT_LIMIT_FT, standard_errors

#: By what a height was found.
STICK, RASTER = "stick", "raster"
#: Treatment of a tree that the year's plan leaves.
LEAVE = "leave"
#: How the foliage of a canopy model moves with the height; see ``core/cut_found.py``.
MOVES = {"profile": "lift", **dict.fromkeys(FORM_FACTORS, "stretch")}


def trees_of(tables: Mapping[str, Any], lot_id: str, year: int) -> Any:
    """Every tree of a lot as it was before a year's cut, with what the plan has for it.

    Parameters
    ----------
    tables : mapping
        Layers of a package: ``crowns``, ``stage_cuts``, and where they are there ``window_trees``.
    lot_id : str
    year : int
        Year of the plan, from 1.

    Returns
    -------
    DataFrame
        A row a tree, by station. ``top_ft`` and ``top_error_ft``: height before the first cut;
        ``before_ft`` and ``before_error_ft``: before this year's, that of the plan after the
        earlier years. ``planned_cut_ft``: of a top, the height of the level cut; it is under
        ``planned_height_ft`` where a part of the crown stays (see :func:`stays_in_part`).
        ``is_mangrove``, ``is_red``: 1, 0, NaN. ``later_year``: next year of the
        plan that cuts it, 0 for none.
    """
    crowns = _of_lot(tables["crowns"], lot_id)
    ids = crowns["crown_id"].astype(str).to_numpy(dtype=object)
    top = _first(crowns, "tree_outcomes_top_height_ft", "top_height_ft")
    error = _first(crowns, "tree_outcomes_height_error_ft", "height_error_ft")
    species = crowns["species"] if "species" in crowns else pd.Series([None] * len(ids))
    names = [None if pd.isna(name) else str(name) for name in species]
    table = pd.DataFrame(
        {
            "lot_id": lot_id,
            "crown_id": ids,
            "species": pd.Series(names, dtype=object),
            "is_mangrove": [_yes_no(is_mangrove(name)) for name in names],
            "is_red": [_yes_no(is_red(name)) for name in names],
            "station_ft": _first(crowns, "station_ft"),
            "base_ft": _first(crowns, "base_height_ft"),
            "crown_area_ft2": _first(crowns, "crown_area_ft2"),
            "volume_ft3": np.where(_is_partial(crowns), np.nan, _first(crowns, "volume_ft3")),
            "whole_ft3": _whole_ft3(crowns, tables, lot_id),
            "top_ft": top,
            "top_error_ft": error,
        }
    )
    table = _with_plan(table, tables, lot_id, year)
    return table.sort_values("station_ft", kind="stable").reset_index(drop=True)


def stays_in_part(tree: Mapping[str, Any]) -> bool:
    """Whether the plan lowers a part of a tree only, so that its top tells little of the cut."""
    return bool(tree["planned_height_ft"] > tree["planned_cut_ft"] + AT_LIMIT_FT)


def _is_partial(crowns: Any) -> Any:
    """Crowns of which the first raster showed a part only."""
    if "is_partial" not in crowns.columns:
        return np.zeros(len(crowns), dtype=bool)
    return crowns["is_partial"].fillna(False).to_numpy(dtype=bool)


def _whole_ft3(crowns: Any, tables: Mapping[str, Any], lot_id: str) -> Floats:
    """All foliage of each tree as the plan reckoned it; NaN where no table tells it. [ft3]."""
    known: dict[str, float] = {}
    cuts = tables.get("stage_cuts")
    if cuts is not None and len(cuts):
        mine = _of_lot(cuts, lot_id)
        share = mine["removed_of_original_frac"].to_numpy(float)
        whole = np.divide(
            mine["removed_ft3"].to_numpy(float), share, out=np.full(len(mine), np.nan),
            where=share > 0.0,
        )  # fmt: skip
        known |= dict(zip(mine["crown_id"].astype(str), whole, strict=True))
    trees = tables.get("window_trees")
    if trees is not None and len(trees):
        mine = _of_lot(trees, lot_id)
        known |= dict(zip(mine["crown_id"].astype(str), mine["foliage_ft3"], strict=True))
    return np.array([known.get(tree, np.nan) for tree in crowns["crown_id"].astype(str)])


def _with_plan(table: Any, tables: Mapping[str, Any], lot_id: str, year: int) -> Any:
    cuts = cuts_of(tables, lot_id)
    n = len(table)
    columns: dict[str, Any] = {
        "treatment": np.full(n, LEAVE, dtype=object),
        "later_year": np.zeros(n, dtype=np.int64),
        "planned_on": np.full(n, None, dtype=object),
        "later_on": np.full(n, None, dtype=object),
        "before_ft": table["top_ft"].to_numpy(dtype=np.float64).copy(),
        "before_error_ft": table["top_error_ft"].to_numpy(dtype=np.float64).copy(),
    }
    names = ("height_ft", "cut_ft", "from_ft", "to_ft", "removed_frac")
    for name in [f"planned_{name}" for name in names]:
        columns[name] = np.full(n, np.nan)
    for k, tree in enumerate(table["crown_id"]):
        own = cuts.get(tree, [])
        tops = [cut for cut in own if cut["year"] < year and np.isnan(cut["to_ft"])]
        if tops:
            columns["before_ft"][k] = tops[-1]["height_after_ft"]
            columns["before_error_ft"][k] = np.nan
        later = next((cut for cut in own if cut["year"] > year), None)
        if later is not None:
            columns["later_year"][k], columns["later_on"][k] = later["year"], later["date"]
        for cut in (cut for cut in own if cut["year"] == year):
            is_top = bool(np.isnan(cut["to_ft"]))
            columns["treatment"][k] = LOWER_TOP if is_top else CLEAR_BAND
            columns["planned_on"][k] = cut["date"]
            columns["planned_removed_frac"][k] = cut["removed_of_standing_frac"]
            columns["planned_height_ft"][k] = cut["height_after_ft"]
            if is_top:
                columns["planned_cut_ft"][k] = cut["from_ft"]
            else:
                columns["planned_from_ft"][k] = cut["from_ft"]
                columns["planned_to_ft"][k] = cut["to_ft"]
    for name in ("planned_on", "later_on"):
        columns[name] = texts_of(columns[name])
    return table.assign(**columns, **_of_window(table, tables, lot_id))


def _of_window(table: Any, tables: Mapping[str, Any], lot_id: str) -> dict[str, Any]:
    """Whether each tree is within the window, NA where there is none, and why it is left."""
    rows = tables.get("window_trees")
    known: dict[str, Any] = {}
    if rows is not None and len(rows):
        mine = rows[rows["lot_id"].astype(str) == lot_id]
        known = {str(row["crown_id"]): row for row in mine.to_dict("records")}
    found = [known.get(tree) for tree in table["crown_id"]]
    flags = [None if row is None else bool(row["is_in_span"]) for row in found]
    whys = ["" if row is None or pd.isna(row["why_left"]) else row["why_left"] for row in found]
    return {
        "is_in_window": pd.array(flags, dtype="boolean"),
        "why_left": pd.Series(whys, dtype=object),
    }


def with_found(table: Any, readings: Any, raster: Any, confidence_frac: float) -> tuple[Any, Any]:
    """The trees with what was found of them, and those of which stick and raster disagree.

    Parameters
    ----------
    table : DataFrame
        From :func:`trees_of`.
    readings : DataFrame or None
        As :func:`geotrim.io.cut_readings.read_cut_readings` gives them.
    raster : DataFrame or None
        ``crown_id``, ``height_ft``, ``height_error_ft``, ``volume_ft3``, NaN where a crown was not
        seen whole; ``cell_error_ft`` where that of a cell is not that of a top.
    confidence_frac : float
        Two heights farther apart than their errors at this confidence contradict each other.

    Returns
    -------
    table : DataFrame
        ``found_ft``, ``found_error_ft``, ``found_by`` (``stick``, ``raster`` or ""),
        ``after_ft3``, ``seen_error_ft`` (of its cells), ``cleared_from_ft``, ``cleared_to_ft``,
        ``is_done``, ``reader``, ``cut_on``, ``note``. A height by stick goes before one of the
        raster.
    contradicted : list of (crown_id, stick height, raster height)
    """
    n = len(table)
    of_stick = _rows_by_tree(readings)
    of_raster = _rows_by_tree(raster)
    texts = {name: np.full(n, None, dtype=object) for name in ("is_done", "reader", "cut_on")}
    texts |= {"found_by": np.full(n, "", dtype=object), "note": np.full(n, "", dtype=object)}
    found = ("found_ft", "found_error_ft", "after_ft3", "seen_error_ft")
    cleared = ("cleared_from_ft", "cleared_to_ft")
    values = {name: np.full(n, np.nan) for name in (*found, *cleared)}
    contradicted = []
    for k, tree in enumerate(table["crown_id"]):
        seen, read = of_raster.get(tree), of_stick.get(tree)
        if seen is not None and np.isfinite(seen["height_ft"]):
            values["found_ft"][k] = seen["height_ft"]
            values["found_error_ft"][k] = seen["height_error_ft"]
            values["after_ft3"][k] = seen["volume_ft3"]
            values["seen_error_ft"][k] = seen.get("cell_error_ft", seen["height_error_ft"])
            texts["found_by"][k] = RASTER
        if read is None:
            continue
        for name, column in (("is_done", "is_done"), ("reader", "reader"), ("cut_on", "date")):
            texts[name][k] = None if pd.isna(read[column]) else read[column]
        texts["note"][k] = "" if pd.isna(read["note"]) else read["note"]
        values["cleared_from_ft"][k] = read["cleared_from_ft"]
        values["cleared_to_ft"][k] = read["cleared_to_ft"]
        if np.isfinite(read["height_ft"]):
            stick = np.array([read["height_ft"], read["height_error_ft"]])
            if texts["found_by"][k] == RASTER and _differ(stick, seen, confidence_frac):
                contradicted.append((tree, float(stick[0]), float(values["found_ft"][k])))
            values["found_ft"][k], values["found_error_ft"][k] = stick
            texts["found_by"][k] = STICK
        elif np.isfinite(read["height_error_ft"]) and texts["found_by"][k] == "":
            values["found_error_ft"][k] = read["height_error_ft"]
    band_error = [
        np.nan if tree not in of_stick else of_stick[tree]["height_error_ft"]
        for tree in table["crown_id"]
    ]
    told = {name: texts_of(cells) for name, cells in texts.items()}
    return table.assign(**values, **told, band_error_ft=band_error), contradicted


def _differ(stick: Floats, seen: Any, confidence_frac: float) -> bool:
    errors = np.hypot(*np.nan_to_num([stick[1], seen["height_error_ft"]]))
    gap = abs(float(stick[0]) - float(seen["height_ft"]))
    return bool(gap > standard_errors(confidence_frac) * errors)


def curves_of(tables: Mapping[str, Any], lot_id: str) -> dict[str, FoliageCurve]:
    """Foliage curve of each tree of a lot; none where the package has none."""
    rows = tables.get("foliage_curves")
    out: dict[str, FoliageCurve] = {}
    if rows is None or not len(rows):
        return out
    mine = _of_lot(rows, lot_id)
    ids = mine["crown_id"].astype(str).to_numpy(dtype=object)
    order = np.lexsort((mine["height_ft"].to_numpy(float), ids.astype(str)))
    ids, models = ids[order], mine["canopy_model"].to_numpy(dtype=object)[order]
    height, above = (mine[name].to_numpy(float)[order] for name in ("height_ft", "above_frac"))
    starts = np.flatnonzero(np.r_[True, ids[1:] != ids[:-1]])
    for a, b in pairwise([*starts.tolist(), len(ids)]):
        if is_curve(height[a:b], above[a:b]):
            moves = MOVES.get(str(models[a]), "rise")
            out[str(ids[a])] = FoliageCurve(height[a:b], above[a:b], moves)
    return out


def cuts_of(tables: Mapping[str, Any], lot_id: str) -> dict[str, list[dict[str, Any]]]:
    """Planned cuts of a lot: tree -> its rows of ``stage_cuts``, by year."""
    cuts = tables.get("stage_cuts")
    out: dict[str, list[dict[str, Any]]] = {}
    if cuts is None or not len(cuts):
        return out
    for row in _of_lot(cuts, lot_id).sort_values("year", kind="stable").to_dict("records"):
        date = None if pd.isna(row["date"]) else str(row["date"])[:10]
        out.setdefault(str(row["crown_id"]), []).append({**row, "date": date})
    return out


def earlier_strips(own: Sequence[Mapping[str, Any]], year: int) -> list[Strip]:
    """What the plan has cleared of a tree before a year."""
    rows = [cut for cut in own if cut["year"] < year]
    return strips_of([cut["from_ft"] for cut in rows], [cut["to_ft"] for cut in rows])


def _of_lot(table: Any, lot_id: str) -> Any:
    """Rows of one lot; every row where the table knows no lots."""
    if "lot_id" not in table.columns or table["lot_id"].isna().all():
        return table
    return table[table["lot_id"].astype(str) == lot_id]


def texts_of(cells: Any) -> Any:
    """A column of texts in which None stays None."""
    return pd.Series([None if pd.isna(cell) else cell for cell in cells], dtype=object)


def _rows_by_tree(table: Any) -> dict[str, Any]:
    if table is None:
        return {}
    return {str(row["crown_id"]): row for row in table.to_dict("records")}


def _first(table: Any, *names: str) -> Floats:
    """The first of some columns that is there, NaN throughout if none is."""
    for name in names:
        if name in table.columns:
            column: Floats = table[name].to_numpy(dtype=np.float64, na_value=np.nan)
            return column
    return np.full(len(table), np.nan)


def _yes_no(value: bool | None) -> float:
    return np.nan if value is None else float(value)
