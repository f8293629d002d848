"""The share of a lot's mangroves that was trimmed, held against what binds its shore."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from geotrim.ops.after_limits import told_row
from geotrim.rules.rule_set import RuleSet
from geotrim.rules.verdict import MET, TOO_CLOSE, UNKNOWN, WORDS, under_condition

#: Reading of what is counted -> columns of the trees and of ``shares``. A length is not measured
#: tree by tree.
COUNTED = {"trees": ("",), "area": ("crown_area_ft2",), "smallest": ("", "crown_area_ft2")}
COUNTS = {"": "n_counted_trees", "crown_area_ft2": "counted_area_ft2"}
#: Share of the mangroves over 6 ft before trimming, by its measure. s. 403.9327(1)(a) F.S. [ft]
PERMIT, PERMIT_FT = "permit_share_frac", 6.0


def lot_share_rows(
    tables: Mapping[str, Any],
    trees: Any,
    cuts: Mapping[str, Sequence[Mapping[str, Any]]],
    year: int,
    way: str,
    rules: RuleSet,
    reading: str,
) -> list[dict[str, Any]]:
    """A row for each share of the lot's mangroves that binds or may bind under the way.

    Parameters
    ----------
    tables : mapping
        ``shares`` of the package is read: what the plan counted the share of.
    trees : DataFrame
        ``is_mangrove``, ``is_cut``, ``top_ft``, ``crown_area_ft2``.
    cuts : mapping
        Of the plan: trees that it cut in earlier years are trimmed as well.
    year : int
    way : str
    rules : RuleSet
    reading : str
        ``trees``, ``length``, ``area`` or ``smallest``.

    Notes
    -----
    Of trees of which it cannot be told whether they are mangroves, or were cut, the least and the
    most are looked at. Where they disagree the share is too close to call.
    """
    shares = tables.get("shares")
    if shares is None or not len(shares) or not len(trees) or not (trees["is_cut"] != 0.0).any():
        return []
    lot_id = str(trees["lot_id"].iloc[0])
    mine = shares[(shares["lot_id"].astype(str) == lot_id) & (shares["route"] == way)]
    before = np.array(
        [any(cut["year"] < year for cut in cuts.get(tree, ())) for tree in trees["crown_id"]]
    )
    out = []
    for row in mine.to_dict("records"):
        rule = rules.rules.get(str(row["rule_id"]))
        is_binding = None if pd.isna(row["is_binding"]) else bool(row["is_binding"])
        if rule is None or is_binding is False:
            continue
        least, most = _shares(trees, before, row, reading, rule.limit.measure == PERMIT)
        codes = [int(rule.limit.judge(value, 0.0, 0.95)) for value in (least, most)]
        code = codes[0] if codes[0] == codes[1] else TOO_CLOSE
        bound = MET if is_binding else UNKNOWN
        code = int(under_condition(np.asarray(bound, np.int8), np.asarray(code, np.int8)))
        told = {"value": most, "verdict": WORDS[code]}
        out.append(told_row(rule, rules, told, lot_id, None))
    return out


def _shares(
    trees: Any, before: Any, row: Mapping[str, Any], reading: str, is_permit: bool
) -> tuple[float, float]:
    """The least and the greatest share trimmed, of whichever count says most; NaN unknown."""
    mangrove, cut = trees["is_mangrove"].to_numpy(float), trees["is_cut"].to_numpy(float)
    counts = (mangrove != 0.0) & ~(is_permit & (trees["top_ft"].to_numpy(float) <= PERMIT_FT))
    sure = counts & (mangrove == 1.0) & ((cut == 1.0) | before)
    may = counts & ((cut != 0.0) | before)
    pairs = []
    for column in COUNTED.get(reading, ()):
        whole = float(row[COUNTS[column]])
        weight = np.ones(len(trees)) if not column else trees[column].to_numpy(float)
        if whole > 0.0:
            pairs.append([min(float(weight[one].sum()) / whole, 1.0) for one in (sure, may)])
    if not pairs:
        return np.nan, np.nan
    least, most = np.max(pairs, axis=0)
    return float(least), float(most)
