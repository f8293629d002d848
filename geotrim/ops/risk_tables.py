"""Tables of the operation ``risks``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from geotrim.core.risk_draws import wilson_interval
from geotrim.ops.risk_limits import BEFORE_CUT, FLOOR, Broken
from geotrim.ops.risk_trees import Stakes
from geotrim.ops.tables import plain_table

ANY = "any limit"
COLUMNS = {
    "risk_limits": (
        "lot_id", "limit", "words", "n_trees", "n_draws", "n_broken_draws", "broken_frac",
        "low_frac", "high_frac", "source",
    ),
    "risk_trees": (
        "lot_id", "crown_id", "limit", "top_height_ft", "height_error_ft", "broken_frac",
        "is_stick_first", "words", "share_high_frac",
    ),
}  # fmt: skip


def risk_tables(lots: list[dict[str, Any]], trees: list[dict[str, Any]]) -> dict[str, Any]:
    """Both tables, whatever their number of rows."""
    rows = {"risk_limits": lots, "risk_trees": trees}
    return {name: plain_table(rows[name], columns) for name, columns in COLUMNS.items()}


def lot_rows(stakes: Stakes, broken: list[Broken], used: Mapping[str, Any]) -> list[dict[str, Any]]:
    """How often each limit of a lot breaks at one tree or more, and how often any of them."""
    out = []
    for lot_id in dict.fromkeys(stakes.lot_id):
        mine = [one for one in broken if one.lot_id == lot_id]
        for one in mine:
            out.append(_lot_row(lot_id, one, one.is_broken.any(axis=0), used))
        if mine:
            every = np.array([one.is_broken.any(axis=0) for one in mine]).any(axis=0)
            row = _lot_row(lot_id, mine[0], every, used)
            n = sum(name == lot_id for name in stakes.lot_id)
            words = "One limit or more."
            out.append({**row, "limit": ANY, "words": words, "n_trees": n, "source": ""})
    return out


def _lot_row(lot_id: str, one: Broken, is_broken: Any, used: Mapping[str, Any]) -> dict[str, Any]:
    n, hits = int(used["n_draws"]), int(is_broken.sum())
    low, high = wilson_interval(hits, n)
    return {
        "lot_id": lot_id or None,
        "limit": one.limit,
        "words": one.words,
        "n_trees": one.n_trees,
        "n_draws": n,
        "n_broken_draws": hits,
        "broken_frac": hits / n,
        "low_frac": low,
        "high_frac": high,
        "source": one.source,
    }


def tree_rows(
    stakes: Stakes, broken: list[Broken], used: Mapping[str, Any]
) -> list[dict[str, Any]]:
    """Trees at which a limit breaks in some draw, the most often first within a lot."""
    rows = []
    for one in broken:
        for b, k in enumerate(one.which):
            share = float(one.is_broken[b].mean())
            if share == 0.0:
                continue
            is_first = share > float(used["risk_frac"])
            rows.append(
                {
                    "lot_id": stakes.lot_id[k] or None,
                    "crown_id": stakes.crown_id[k],
                    "limit": one.limit,
                    "top_height_ft": float(stakes.top_ft[k]),
                    "height_error_ft": float(stakes.error_ft[k]),
                    "broken_frac": share,
                    "is_stick_first": is_first,
                    "words": _words(one, b, share, is_first),
                    "share_high_frac": float(one.share_high_frac[b]),
                }
            )
    order = {lot: k for k, lot in enumerate(dict.fromkeys(stakes.lot_id))}
    rows.sort(key=lambda row: (order[row["lot_id"] or ""], -row["broken_frac"]))
    return rows


def _words(one: Broken, b: int, share: float, is_first: bool) -> str:
    """One tree and one limit in words."""
    what = {
        BEFORE_CUT: "taller than its way allows before the cut",
        FLOOR: "left under the least height",
    }.get(one.limit, "more than the year's share taken")
    text = f"{what} in {100 * share:.0f} of 100 draws"
    if one.is_share and np.isfinite(one.share_high_frac[b]):
        text += f"; one in twenty takes {100 * one.share_high_frac[b]:.1f} % or more in a year"
    return text + ("; read it by stick first" if is_first else "")
