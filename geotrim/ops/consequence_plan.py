"""The plan of the operation ``consequence``: what it would do to each tree."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotrim.checks import check_columns, check_kind
from geotrim.model import Note, Result
from geotrim.ops.canopy import targets_ft
from geotrim.ops.kept import is_kept
from geotrim.rules.case import both, contrary, either
from geotrim.rules.consequence import floor_limit
from geotrim.rules.rule_file import Limit
from geotrim.rules.rule_set import RuleSet
from geotrim.rules.species import is_mangrove
from geotrim.rules.verdict import AT_LIMIT_FT, MET, NOT_MET, TOO_CLOSE, judge
from geotrim.units import feet_per_map_unit

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

TREE_COLUMNS = (
    "lot_id",
    "crown_id",
    "species",
    "is_cut_low",
    "reason",
    "top_height_ft",
    "target_height_ft",
    "crown_area_ft2",
)
#: Routes under which a tree cut below 6 ft does not count: paragraphs (c) and (d).
NOT_COUNTED = ("earlier_configuration", "maintenance")


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """Every tree with what the plan would do to it; yes-no values are 1, 0 and NaN.

    is_planned : whether the plan says anything of the tree.
    is_low : whether it would count as cut low, if it is trimmed.
    why : words on a tree cut low -> whether they hold, for each tree.
    """

    lot_id: Any
    crown_id: Any
    species: Any
    top_ft: Floats
    target_ft: Floats
    area_ft2: Floats
    is_planned: Flags
    is_trimmed: Floats
    is_low: Floats
    why: Mapping[str, Flags]
    notes: list[Note]

    def tree_row(self, k: int, *, is_sure: bool) -> dict[str, Any]:
        """A tree that counts as cut low, or may."""
        return {
            "lot_id": self.lot_id[k],
            "crown_id": self.crown_id[k],
            "species": self.species[k],
            "is_cut_low": True if is_sure else None,
            "reason": "; ".join(words for words, holds in self.why.items() if holds[k]),
            "top_height_ft": self.top_ft[k],
            "target_height_ft": self.target_ft[k],
            "crown_area_ft2": self.area_ft2[k],
        }


@dataclass(frozen=True, slots=True, eq=False)
class _Trees:
    """What is known of each tree before the plan is looked at."""

    crowns: Any  # rows in the order of the arrays
    lot_id: Any
    is_mangrove: Floats
    is_exempt: Floats  # left low under paragraph (c) or (d)
    top_ft: Floats
    error_ft: Floats


def plan_of(
    crowns: Any,
    heights: Result | None,
    route: Result | None,
    rules: RuleSet,
    parameters: Mapping[str, Any],
) -> Plan:
    """The plan, tree by tree.

    Parameters
    ----------
    crowns, heights, route :
        As for :func:`geotrim.ops.consequences.consequence`.
    rules : RuleSet
    parameters : mapping
        Those of the operation, checked.
    """
    check_columns(crowns, ("crown_id",), "crowns")
    check_kind(crowns, {"Polygon", "MultiPolygon"}, "polygons", "crowns", may_be_empty=True)
    feet = feet_per_map_unit(crowns.crs, "crowns")
    trees = _of_crowns(crowns, heights) if route is None else _of_route(crowns, route)
    target = targets_ft(trees.crowns, parameters["target_height_ft"])
    base = _column(trees.crowns, "base_height_ft")
    confidence = parameters["confidence_frac"]
    floor = floor_limit(rules.rules)
    under = _is_under(floor, target, confidence)
    bare = (target <= base + AT_LIMIT_FT).astype(np.float64)
    cut, unseen = _is_cut(trees, target, bare, confidence), np.isnan(trees.top_ft)
    wanted, trimmed = _is_trimmed(trees.crowns, target, cut)
    trimmed = np.where(is_kept(trees.crowns), 0.0, both(trimmed, trees.is_mangrove))
    counts = both(under, contrary(trees.is_exempt))  # the exception is from "below 6 ft" alone
    is_planned = (trimmed != 0.0) & ((wanted == 1.0) | ~np.isnan(target))
    return Plan(
        lot_id=trees.lot_id,
        crown_id=trees.crowns["crown_id"].astype(str).to_numpy(dtype=object),
        species=_species(trees.crowns),
        top_ft=trees.top_ft,
        target_ft=target,
        area_ft2=np.nan_to_num(shapely.area(np.asarray(trees.crowns.geometry.array))) * feet**2,
        is_planned=is_planned,
        is_trimmed=trimmed,
        is_low=both(either(counts, bare), cut),
        why={
            f"left under {floor.number:g} ft": under == 1.0,
            "no foliage left": bare == 1.0,
            "planned height not known": np.isnan(under),
            "too close to the planned height to say whether it is cut": np.isnan(cut) & ~unseen,
            "height not known": np.isnan(cut) & unseen,
            "not known whether it is to be trimmed": np.isnan(wanted),
            "species not known": np.isnan(trees.is_mangrove),
            "does not count if paragraph (c) or (d) covers it": np.isnan(trees.is_exempt),
        },
        notes=_notes(trees, is_planned, base, both(under, cut) * (bare == 0.0)),
    )


def _is_cut(trees: _Trees, target: Floats, bare: Floats, confidence: float) -> Floats:
    """Whether the planned height is under the tree's; a plan nobody knows leaves it at its word.

    NaN where the two are too close, or the tree's height is not known, unless its foliage begins
    above the planned height.
    """
    gap = trees.top_ft - target
    code = judge(gap, trees.error_ft, ">", 0.0, confidence_frac=confidence)
    unseen = np.isnan(trees.top_ft) & (bare != 1.0)
    return np.select([code == NOT_MET, (code == TOO_CLOSE) | unseen], [0.0, np.nan], 1.0)


def _is_under(floor: Limit, target: Floats, confidence: float) -> Floats:
    """Whether the planned height is under the floor; NaN where none is planned."""
    code = floor.judge(target, 0.0, confidence)
    return np.select([code == NOT_MET, code == MET], [1.0, 0.0], np.nan)


def _is_trimmed(crowns: Any, target: Floats, cut: Floats) -> tuple[Floats, Floats]:
    """Whether each tree is to be trimmed: as the plan says, and as far as anything is cut.

    A tree that is to be trimmed but stands under its planned height may be trimmed otherwise.
    """
    if "is_to_trim" not in crowns.columns:
        is_told = ~np.isnan(target)
        return is_told.astype(np.float64), np.where(is_told, cut, 0.0)
    wanted = _yes_no(crowns["is_to_trim"])
    return wanted, np.where((wanted == 1.0) & (cut == 0.0), np.nan, wanted)


def _of_route(crowns: Any, route: Result) -> _Trees:
    """Trees of the measured lots, as the routes were judged."""
    table = route["tree_outcomes"]
    at = pd.Index(crowns["crown_id"].astype(str)).get_indexer(table["crown_id"].astype(str))
    kinds = {"open": 1.0, "closed": 0.0}
    status = [table[name].map(kinds).to_numpy(dtype=np.float64) for name in NOT_COUNTED]
    return _Trees(
        crowns=crowns.iloc[at],
        lot_id=table["lot_id"].to_numpy(dtype=object),
        is_mangrove=_yes_no(table["is_mangrove"]),
        is_exempt=either(*status),
        top_ft=table["top_height_ft"].to_numpy(dtype=np.float64),
        error_ft=table["height_error_ft"].to_numpy(dtype=np.float64),
    )


def _of_crowns(crowns: Any, heights: Result | None) -> _Trees:
    """Every crown, where no routes were judged: heights from the field, else from the raster."""
    n = len(crowns)
    top, error = _column(crowns, "field_height_ft"), _column(crowns, "field_height_error_ft")
    if heights is not None:
        table = heights["heights"]
        seen = table.set_index(table["crown_id"].astype(str)).reindex(
            crowns["crown_id"].astype(str)
        )
        is_part = seen["is_partial"].to_numpy(dtype=bool)
        raster = np.where(is_part, np.nan, seen["top_height_ft"].to_numpy(dtype=np.float64))
        error = np.where(np.isnan(top), seen["height_error_ft"].to_numpy(dtype=np.float64), error)
        top = np.where(np.isnan(top), raster, top)
    return _Trees(
        crowns=crowns,
        lot_id=np.array([None] * n, dtype=object),
        is_mangrove=_yes_no([is_mangrove(name) for name in _species(crowns)]),
        is_exempt=np.zeros(n),
        top_ft=top,
        error_ft=error,
    )


def _notes(trees: _Trees, is_planned: Flags, base: Floats, under: Floats) -> list[Note]:
    """What was taken for granted about the plan, and what does not count."""
    notes = []
    if is_planned.any() and "is_to_trim" not in trees.crowns.columns:
        text = "is_to_trim is not given; mangroves over their planned height are taken as planned"
        notes.append(Note("plan", text, "assumed"))
    if n := int((np.isnan(base) & is_planned).sum()):
        text = f"planned trees without a base height: {n}; foliage is taken to be left on them"
        notes.append(Note("plan", text, "assumed"))
    if n := int((is_planned & (under == 1.0) & (trees.is_exempt == 1.0)).sum()):
        text = f"planned trees cut low as paragraph (c) or (d) provides, not counted: {n}"
        notes.append(Note("plan", text, "info"))
    return notes


def _species(crowns: Any) -> Any:
    """Species as given, None where it is not."""
    names = crowns["species"] if "species" in crowns.columns else [None] * len(crowns)
    return np.array([*names, None], dtype=object)[:-1]  # an array even of none


def _column(table: Any, name: str) -> Floats:
    if name not in table.columns:
        return np.full(len(table), np.nan)
    column: Floats = table[name].to_numpy(dtype=np.float64, na_value=np.nan)
    return column


def _yes_no(values: Iterable[Any]) -> Floats:
    """1, 0 and NaN for True, False and what is neither."""
    known = {True: 1.0, False: 0.0}
    return np.array([known.get(value, np.nan) for value in values], dtype=np.float64)
