"""Summaries of a screening: lots, frontages and trees by jurisdiction and by way."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa

from geotrim.report.screen_stands import JUDGED, KEYS, NOTHING, route_name, stand_codes
from geotrim.rules.outcome import CLOSED, DEPENDS, LEFT_ALONE, NONE, OPEN, OTHER_PLAN, OUTSIDE
from geotrim.rules.rule_file import routes
from geotrim.screen.store import route_column

ALL, NOWHERE, UNTOLD = "(all)", "(in none)", "(not told)"
#: Column of a sum -> column of the lots, of trees.
TREES = {
    "n_trees": "n_crowns",
    **{
        name: name
        for name in (
            "n_mangroves", "n_mangroves_open", "n_mangroves_depend", "n_mangroves_other_plan",
            "n_mangroves_closed", "n_other_plants", "n_species_unknown", "n_past_setback",
            "n_in_exclusion", "n_open_past_setback", "n_open_in_exclusion",
        )
    },
}  # fmt: skip


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
        ``jurisdiction``, ``n_lots``, how many by status, and of those on the shore by how they
        stand and how many are worth a look (``n_to_check``); frontage; trees, and of the mangroves
        that the plan cuts how many stand how.
    """
    import pandas as pd

    status = np.array(lots["status"].to_pylist(), dtype=object)
    codes = stand_codes(lots["stand"].to_pylist())
    frontage = _numbers(lots, "frontage_length_ft")
    is_to_check = np.array([bool(words) for words in lots["to_check"].to_pylist()], dtype=bool)
    trees = {name: _numbers(lots, column) for name, column in TREES.items()}
    rows = []
    for name, is_in in _groups(lots):
        row: dict[str, Any] = {"jurisdiction": name, "n_lots": int(is_in.sum())}
        row["n_on_shore"] = int((is_in & (frontage > 0)).sum())
        for one in ("measured", "no shore", "failed", "unfit"):
            row[f"n_{_slug(one)}"] = int((is_in & (status == one)).sum())
        row["frontage_length_ft"] = float(np.nansum(frontage[is_in]))
        for key in (*JUDGED, NOTHING):
            row[f"n_{_slug(key)}"] = int((is_in & (codes == KEYS.index(key))).sum())
        row["n_to_check"] = int((is_in & is_to_check).sum())
        for column, values in trees.items():
            row[column] = int(np.nansum(values[is_in]))
        rows.append(row)
    return pd.DataFrame(rows)


def by_route(lots: pa.Table, trees: pa.Table) -> Any:
    """A row for each way, of all lots on the shore and of those of each jurisdiction.

    Parameters
    ----------
    lots : Table
        As for :func:`by_jurisdiction`.
    trees : Table
        ``lot_number``, ``outcome_route``, ``outcome_standing``, ``n``: trees of each lot by what
        they are told by, as :func:`geotrim.screen.gather_crowns.trees_told` counts them.

    Returns
    -------
    DataFrame
        ``n_trees``: trees that are told by the way, ``n_trees_open``, ``n_trees_depends``,
        ``n_trees_other_plan``: how it stands for them. Each tree is told by one way, so these add
        up to the trees of measured lots. ``n_lots_open``, ``n_lots_depends``, ``n_lots_closed``:
        lots with mangroves to cut for whose best tree the way stands so, whatever else is open.
        ``n_told``: of these, lots that are told by the way, with their frontage, and
        ``n_told_open``, ``n_told_open_in_part`` ...: how these lots stand.

    Notes
    -----
    ``no-mangrove`` counts trees outside the act: they are open by no way, and no lot is told by
    them. Lots with nothing to judge are told by no way either.
    """
    import pandas as pd

    told = np.array(lots["outcome_route"].to_pylist(), dtype=object)
    stand = np.array(lots["stand"].to_pylist(), dtype=object)
    frontage, is_judged = _numbers(lots, "frontage_length_ft"), np.isin(stand, JUDGED)
    ways = {
        name: np.array(lots[route_column(name)].to_pylist(), dtype=object)
        for name in routes()
        if name != OUTSIDE
    }
    counts = _trees_of(lots, trees)
    rows = []
    for place, is_there in _groups(lots):
        is_in = is_there & is_judged
        for name in (*routes(), NONE, LEFT_ALONE):
            row: dict[str, Any] = {"jurisdiction": place, "route": name}
            row["route_name"] = route_name(name)
            row["n_trees"] = sum(
                int(n[is_there].sum()) for (way, _), n in counts.items() if way == name
            )
            for how in (OPEN, DEPENDS, OTHER_PLAN):
                is_one = (name, how) in counts and (name, how) != (OUTSIDE, OPEN)
                n = int(counts[name, how][is_there].sum()) if is_one else 0
                row[f"n_trees_{_slug(how)}"] = n
            for how in (OPEN, DEPENDS, CLOSED):
                n = int((is_in & (ways[name] == how)).sum()) if name in ways else 0
                row[f"n_lots_{_slug(how)}"] = n
            mine = is_in & (told == name)
            row["n_told"] = int(mine.sum())
            row["told_frontage_length_ft"] = float(np.nansum(frontage[mine]))
            for key in JUDGED:
                row[f"n_told_{_slug(key)}"] = int((mine & (stand == key)).sum())
            rows.append(row)
    return pd.DataFrame(rows)


def _trees_of(lots: pa.Table, trees: pa.Table) -> dict[tuple[str, str], Any]:
    """Way and standing -> (n,) trees of each lot, of lots that are measured."""
    numbers = lots["lot_number"].to_numpy()
    order = np.argsort(numbers, kind="stable")
    asked = trees["lot_number"].to_numpy()
    at = order[np.minimum(np.searchsorted(numbers, asked, sorter=order), len(order) - 1)]
    status = np.array(lots["status"].to_pylist(), dtype=object)
    is_known = (numbers[at] == asked) & (status[at] == "measured")
    out: dict[tuple[str, str], Any] = {}
    columns = (trees[name].to_pylist() for name in ("outcome_route", "outcome_standing", "n"))
    for row, known, route, how, n in zip(at, is_known, *columns, strict=True):
        if known:
            out.setdefault((route, how), np.zeros(len(numbers), np.int64))[row] += n
    return out


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
