"""Lots after a cut, worked out by head: every tree a box of foliage from the substrate up."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd

from geotrim.ops.after_cut import AfterGiven, after_cut
from geotrim.ops.after_limits import after_rules
from geotrim.ops.package_rules import rules_of
from geotrim.ops.window_rules import way_of

NAN = float("nan")
RED = "Rhizophora mangle"
CUTS = (
    "lot_id", "crown_id", "year", "date", "from_ft", "to_ft", "height_after_ft", "removed_ft3",
    "removed_of_standing_frac", "removed_of_original_frac", "canopy_model",
)  # fmt: skip
READ = (
    "crown_id", "is_done", "height_ft", "height_error_ft", "cleared_from_ft", "cleared_to_ft",
    "reader", "date", "note",
)  # fmt: skip


def lot(tops, cuts=(), *, error=0.0, species=RED, bases=None, left=None, staged=None):
    """Tables of a lot of trees t0, t1 ... of 10 ft2 each.

    cuts : (tree, year, from_ft, to_ft, date); to_ft NaN for a top.
    left : tree -> why the window leaves it; without it there is no window.
    """
    ids = [f"t{k}" for k in range(len(tops))]
    names = [species] * len(ids) if isinstance(species, str) or species is None else species
    tops = np.asarray(tops, dtype=float)
    crowns = pd.DataFrame(
        {
            "crown_id": ids,
            "lot_id": "L",
            "species": pd.Series(names, dtype=object),
            "station_ft": np.arange(len(ids), dtype=float),
            "base_height_ft": NAN if bases is None else np.asarray(bases, dtype=float),
            "tree_outcomes_top_height_ft": tops,
            "tree_outcomes_height_error_ft": error,
            "crown_area_ft2": 10.0,
            "volume_ft3": 10.0 * tops,
        }
    )
    rows = []
    for tree, year, low, high, *day in cuts:
        top = tops[int(tree[1:])]
        after = low if np.isnan(high) else top
        share = ((top if np.isnan(high) else high) - low) / top
        date = day[0] if day else None
        rows.append(
            ("L", tree, year, date, low, high, after, share * top * 10, NAN, share, "column")
        )
    curves = pd.DataFrame(
        {
            "lot_id": "L",
            "crown_id": np.repeat(ids, 2),
            "canopy_model": "column",
            "height_ft": [z for top in tops for z in (0.0, top)],
            "above_frac": [1.0, 0.0] * len(ids),
        }
    )
    tables = {
        "crowns": crowns,
        "stage_cuts": pd.DataFrame(rows, columns=list(CUTS)),
        "foliage_curves": curves,
    }
    if left is not None:
        tables["window_trees"] = pd.DataFrame(
            {
                "lot_id": "L",
                "crown_id": ids,
                "is_in_span": [tree not in left for tree in ids],
                "why_left": [left.get(tree, "") for tree in ids],
                "foliage_ft3": 10.0 * tops,
            }
        )
    if staged is not None:
        tables["stage_trees"] = pd.DataFrame(
            [("L", tree, *own) for tree, own in staged.items()],
            columns=["lot_id", "crown_id", "share_rule", "yearly_frac"],
        )
    return tables


def judged(
    route="professional-exemption", *, findings=None, facts=None, reading="", share_from=0.0
):
    """What a lot is judged by, under geotrim's own rules."""
    findings = pd.DataFrame() if findings is None else findings
    rules = rules_of(findings)
    limits = after_rules(
        way_of(route, facts or {}, rules),
        facts or {},
        rules,
        findings,
        share_from_ft=share_from,
        quarter_reading=reading,
        confidence_frac=0.95,
    )
    return AfterGiven(limits, rules, route, False, "column", 0.95)


@cache
def _usual():
    return judged()


def read(**trees):
    """Readings: tree = height, or a mapping of columns."""
    rows = []
    for tree, told in trees.items():
        told = told if isinstance(told, dict) else {"height_ft": told}
        row = dict.fromkeys(READ) | {"crown_id": tree, "height_error_ft": 0.0}
        row |= dict.fromkeys(("height_ft", "cleared_from_ft", "cleared_to_ft"), NAN)
        rows.append({**row, **told})
    return pd.DataFrame(rows, columns=list(READ))


def after(tables, readings=None, *, year=1, given=None, raster=None, **more):
    """The result for lot L."""
    return after_cut(tables, "L", year, given or judged(), readings=readings, raster=raster, **more)


def tree(result, name="t0"):
    """One row of the trees."""
    rows = result["after_trees"]
    return rows[rows["crown_id"] == name].iloc[0]


def verdict(result, rule, name="t0"):
    """Verdict on one rule for one tree, None where it is not looked at."""
    rows = result["after_findings"]
    mine = rows[(rows["crown_id"] == name) & (rows["rule_id"] == rule)]
    assert len(mine) < 2
    return None if mine.empty else mine["verdict"].iloc[0]
