"""What one year takes off one tree as marks of the stick, and how it stands before."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from geotrim.io.package_read import Package
from geotrim.report.crew_first import Standing, first_words
from geotrim.report.crew_places import number_of
from geotrim.report.crew_tree import Cut
from geotrim.report.cut_heights import INCHES, inches_down, inches_up
from geotrim.report.cut_marks import Taken, by_tree, taken_of, top_marks
from geotrim.report.window_facts import Cut as PlannedCut
from geotrim.report.window_facts import row_of, rows_of, text_of

#: What a package's findings call the height that a way limits before the cut.
BEFORE = "height before trimming, from the substrate"
#: Standard error of a reading and of a mark where the package does not tell it. [ft]
STICK_FT = 0.2
CONFIDENCE = 0.95
#: Shares nearer than this are the same: foliage over height is told every tenth of a foot.
SAME = 5e-4


@dataclass(frozen=True, slots=True)
class PlannedTree:
    """What one year takes off a tree.

    cut : of a top as a mark of the stick; of a band as planned, rounded where it is told.
    top_ft : how tall it stands before, as the marks of earlier years have left it. [ft]
    is_whole : whether no earlier year has lowered its top.
    depth_ft : volume of the foliage that stands over the area of the crown; NaN unknown. [ft]
    """

    cut: Cut
    top_ft: float
    is_whole: bool
    depth_ft: float


@dataclass(frozen=True, slots=True, eq=False)
class PlanTables:
    """Rows of a lot's plan by tree: what stages, risks and sections say of each."""

    package: Package
    lot_id: str
    cuts: Mapping[str, list[dict[str, Any]]]
    trees: Mapping[str, list[dict[str, Any]]]
    risks: Mapping[str, list[dict[str, Any]]]
    curves: Mapping[str, list[dict[str, Any]]]


def tables_of(package: Package, lot_id: str) -> PlanTables:
    """The rows of one lot's plan, read once."""
    of = package.results
    return PlanTables(
        package,
        lot_id,
        by_tree(rows_of(of, "stages", "stage_cuts", lot_id)),
        by_tree(rows_of(of, "stages", "stage_trees", lot_id)),
        by_tree(rows_of(of, "risks", "risk_trees", lot_id)),
        by_tree(rows_of(of, "sections", "foliage_curves", lot_id)),
    )


def planned_tree(
    tables: PlanTables, row: Mapping[str, Any], cuts: Sequence[PlannedCut], year: int
) -> PlannedTree:
    """What a year of the plan takes off a tree.

    Parameters
    ----------
    tables : PlanTables
    row : mapping
        The tree's row of the crowns.
    cuts : sequence of geotrim.report.window_facts.Cut
        All its cuts; one of ``year`` is among them.
    """
    crown_id = str(row["crown_id"])
    staged = {int(one["year"]): one for one in tables.cuts.get(crown_id, [])}
    share = number_of(staged.get(year, {}), "removed_of_standing_frac")
    limit = next(
        (number_of(r, "share_limit_frac") for r in tables.trees.get(crown_id, [])), math.nan
    )
    mine = [cut for cut in cuts if max(cut.year, 1) == year]
    low, high = min(cut.low_ft for cut in mine), max(cut.high_ft for cut in mine)
    top = number_of(row, "top_height_ft")
    depth = _depth_ft(row, staged, year)
    if not any(math.isinf(cut.high_ft) for cut in cuts):  # a band: no cut of it begins at the top
        return PlannedTree(Cut(low, high, share, limit), top, True, depth)
    marks = top_marks(cuts, _taken(tables, crown_id, limit), limit)
    before = [mark for one, mark in marks.items() if one < year]
    stands = min([top, *(mark / INCHES for mark in before)])
    return PlannedTree(Cut(marks[year] / INCHES, math.inf, share, limit), stands, not before, depth)


def first_of(tables: PlanTables, row: Mapping[str, Any], tree: PlannedTree) -> str:
    """What is read by stick before the cut, "" where the plan asks for no reading."""
    risks = tables.risks.get(str(row["crown_id"]), [])
    asked = {text_of(one["limit"]) for one in risks if one["is_stick_first"]}
    if not asked:
        return ""
    package = tables.package
    stick = float(package.parameter("risks", "stick_error_ft") or STICK_FT)
    error = number_of(risks[0], "height_error_ft")
    standing = Standing(
        tree.top_ft,
        error if tree.is_whole and math.isfinite(error) else stick,
        tree.depth_ft,
        _most_ft(package, tables.lot_id, row) if "height-before" in asked else math.inf,
        stick,
    )
    confidence = package.parameter("route", "confidence_frac") or CONFIDENCE
    return first_words(tree.cut, standing, float(confidence))


def is_whole_over(tables: PlanTables, crown_id: str, tree: PlannedTree, year: int) -> bool:
    """Whether a year's cut, made on the whole crown, takes a greater share than it may.

    The plan's own share is that of the part it cuts. The whole crown's is reckoned from the
    foliage over height at the marks of the stick, and by the plan's own proportion of what is
    taken to what stands.
    """
    curve = sorted(tables.curves.get(crown_id, []), key=lambda one: float(one["height_ft"]))
    staged = {int(one["year"]): one for one in tables.cuts.get(crown_id, [])}
    planned = number_of(staged.get(year, {}), "removed_of_original_frac")
    share, limit = tree.cut.share_frac, tree.cut.share_limit_frac
    if not curve or not planned > 0 or not (math.isfinite(share) and math.isfinite(limit)):
        return False
    top = min(tree.top_ft if tree.cut.is_top else tree.cut.high_ft, float(curve[-1]["height_ft"]))
    at = [inches_up(tree.cut.low_ft) / INCHES, top]
    if not tree.cut.is_top:
        at[1] = inches_down(tree.cut.high_ft) / INCHES
    heights = [float(one["height_ft"]) for one in curve]
    low, high = np.interp(at, heights, [float(one["above_frac"]) for one in curve])
    return bool(low - high > planned + SAME and share * (low - high) / planned > limit + SAME)


def _taken(tables: PlanTables, crown_id: str, limit: float) -> Taken | None:
    """Share of a year that lowering a top takes; None where the package does not hold it."""
    is_of_original = tables.package.parameter("stages", "foliage_reading") == "original"
    curve, staged = tables.curves.get(crown_id, []), tables.cuts.get(crown_id, [])
    return taken_of(curve, staged, limit, is_of_original)


def _depth_ft(row: Mapping[str, Any], staged: Mapping[int, Mapping[str, Any]], year: int) -> float:
    """Volume of what stands before a year's cut over the crown's area. [ft]."""
    earlier = sum(float(one["removed_ft3"]) for when, one in staged.items() if when < year)
    area = number_of(row, "crown_area_ft2")
    return (number_of(row, "volume_ft3") - earlier) / area if area > 0 else math.nan


def _most_ft(package: Package, lot_id: str, row: Mapping[str, Any]) -> float:
    """Most that the way allows before the cut; infinite where no finding names it. [ft]."""
    window = row_of(package.results, "window", "window_lots", lot_id)
    way = text_of(window["way"]) if window is not None else ""
    way = way or text_of(row.get("outcome_route"))
    routes = rows_of(package.results, "route", "lot_routes", lot_id)
    name = next((text_of(one["route_name"]) for one in routes if one["route"] == way), way)
    found = rows_of(package.results, "route", "findings", lot_id)
    limits = [
        float(number[1])
        for one in found
        if str(one["crown_id"]) == str(row["crown_id"])
        and one["measure"] == BEFORE
        and name in str(one["routes"])
        and (number := re.fullmatch(r"at most ([\d.]+) ft", str(one["limit"])))
    ]
    return min(limits, default=math.inf)
