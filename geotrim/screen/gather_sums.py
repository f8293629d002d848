"""Summaries of a screening: lots, frontages and trees by jurisdiction and by way."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa

from geotrim.report.screen_stands import KEYS, stand_codes
from geotrim.rules.outcome import LEFT_ALONE, NONE
from geotrim.rules.rule_file import routes
from geotrim.screen.store import route_column

ALL, NOWHERE, UNTOLD = "(all)", "(in none)", "(not told)"
#: How a route may stand for a lot, and the column that counts it.
ROUTE_STANDINGS = ("open", "depends", "other plan", "closed")


def jurisdictions_of(lots: pa.Table) -> Any:
    """(n,) jurisdiction of each lot, with words for lots in none and for unfit ones."""
    names = np.array(lots["jurisdiction"].to_pylist(), dtype=object)
    is_unfit = np.array(lots["status"].to_pylist(), dtype=object) == "unfit"
    names[[not name for name in names]] = NOWHERE
    names[is_unfit & (names == NOWHERE)] = UNTOLD
    return names


def by_jurisdiction(lots: pa.Table) -> Any:
    """A row for all lots and for each jurisdiction.

    Parameters
    ----------
    lots : Table
        All lots, under :func:`geotrim.screen.gather_rows.lot_schema`; shapes are not looked at.

    Returns
    -------
    DataFrame
        ``jurisdiction``, ``n_lots``, how many by status and by how they stand, trees, frontage.
    """
    import pandas as pd

    status = np.array(lots["status"].to_pylist(), dtype=object)
    codes = stand_codes(status, lots["outcome_standing"].to_pylist())
    frontage, trees, mangroves = (
        _numbers(lots, name) for name in ("frontage_length_ft", "n_crowns", "n_mangroves")
    )
    rows = []
    for name, is_in in _groups(lots):
        row: dict[str, Any] = {"jurisdiction": name, "n_lots": int(is_in.sum())}
        row["n_on_shore"] = int((is_in & (frontage > 0)).sum())
        for one in ("measured", "no shore", "failed", "unfit"):
            row[f"n_{_slug(one)}"] = int((is_in & (status == one)).sum())
        row["frontage_length_ft"] = float(np.nansum(frontage[is_in]))
        for place, key in enumerate(KEYS[:6]):
            row[f"n_{_slug(key)}"] = int((is_in & (codes == place)).sum())
        row["n_trees"] = int(np.nansum(trees[is_in]))
        row["n_mangroves"] = int(np.nansum(mangroves[is_in]))
        rows.append(row)
    return pd.DataFrame(rows)


def by_route(lots: pa.Table) -> Any:
    """A row for each way, of all lots on the shore and of those of each jurisdiction.

    Returns
    -------
    DataFrame
        ``n_lots_open``, ``n_lots_depends`` ...: lots for which the way stands so, whatever else is
        open for them. ``n_told_open`` ... : lots that are told by this way, the first of all that
        stands best, with their frontage and trees; these add up to the measured lots.
    """
    import pandas as pd

    told = np.array(lots["outcome_route"].to_pylist(), dtype=object)
    standing = np.array(lots["outcome_standing"].to_pylist(), dtype=object)
    frontage, trees = _numbers(lots, "frontage_length_ft"), _numbers(lots, "n_crowns")
    ways = {name: np.array(lots[route_column(name)].to_pylist(), dtype=object) for name in routes()}
    rows = []
    is_judged = np.array(lots["status"].to_pylist(), dtype=object) == "measured"
    for place, is_there in _groups(lots):
        is_in = is_there & is_judged
        for name in (*routes(), NONE, LEFT_ALONE):
            row: dict[str, Any] = {"jurisdiction": place, "route": name}
            row["route_name"] = str(routes()[name]["name"]) if name in routes() else name
            for how in ROUTE_STANDINGS:
                n = int((is_in & (ways[name] == how)).sum()) if name in ways else 0
                row[f"n_lots_{_slug(how)}"] = n
            mine = is_in & (told == name)
            for how in (*ROUTE_STANDINGS, "not cut"):
                row[f"n_told_{_slug(how)}"] = int((mine & (standing == how)).sum())
            row["n_told"] = int(mine.sum())
            row["told_frontage_length_ft"] = float(np.nansum(frontage[mine]))
            row["n_told_trees"] = int(np.nansum(trees[mine]))
            rows.append(row)
    return pd.DataFrame(rows)


def _groups(lots: pa.Table) -> list[tuple[str, Any]]:
    names = jurisdictions_of(lots)
    every = sorted(
        {str(name) for name in names}, key=lambda name: (name in (NOWHERE, UNTOLD), name)
    )
    return [(ALL, np.ones(len(names), dtype=bool)), *((name, names == name) for name in every)]


def _numbers(lots: pa.Table, name: str) -> Any:
    """A column of numbers, NaN where it is not known."""
    return lots[name].cast(pa.float64()).to_numpy()


def _slug(words: str) -> str:
    return words.replace(" ", "_").replace("-", "_")
