"""Tables of the operation ``risks``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from geotrim.core.risk_draws import wilson_interval
from geotrim.ops.risk_limits import BEFORE_CUT, FLOOR, PRACTICE, YEARLY, Broken
from geotrim.ops.risk_trees import Stakes
from geotrim.ops.tables import plain_table

ANY = "any limit"
#: End of the words on a tree to be read by stick first.
STICK = "read it by stick first"
COLUMNS = {
    "risk_limits": (
        "lot_id", "limit", "words", "n_trees", "n_draws", "n_broken_draws", "broken_frac",
        "low_frac", "high_frac", "source",
    ),
    "risk_trees": (
        "lot_id", "crown_id", "limit", "top_height_ft", "height_error_ft", "broken_frac",
        "is_stick_first", "words", "share_high_frac", "marks_only_frac",
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


#: Of one tree and one limit: (name of the limit, its source, number of the tree).
Key = tuple[str, str, int]


def by_tree(broken: list[Broken]) -> dict[Key, float]:
    """Share of the draws in which each tree breaks each limit; see ``Key``."""
    return {
        (one.limit, one.source, int(k)): float(one.is_broken[b].mean())
        for one in broken
        for b, k in enumerate(one.which)
    }


def tree_rows(
    stakes: Stakes, broken: list[Broken], marks: Mapping[Key, float], used: Mapping[str, Any]
) -> list[dict[str, Any]]:
    """Trees at which a limit breaks in some draw, the most often first within a lot; then others.

    Parameters
    ----------
    stakes : Stakes
    broken : list of Broken
    marks : mapping
        How often the marks alone break it; see :func:`by_tree`.
    used : mapping
        ``n_draws``, ``risk_frac``.

    Notes
    -----
    A tree is to be read by stick first where a limit breaks too often and less often, beyond
    chance, when only the marks are off: 95 % intervals that do not meet. Good practice asks for the
    share of trees too low for the act's: there the marks count by whichever of the two, since a
    tree that a stick shows to be taller goes from the one to the other.
    """
    rows, n = [], int(used["n_draws"])
    named, by_share = set[int](), _by_share(marks)
    for one in broken:
        for b, k in enumerate(one.which):
            share = float(one.is_broken[b].mean())
            if share == 0.0:
                continue
            named.add(int(k))
            alone = _alone(one, int(k), marks, by_share)
            is_often = share > float(used["risk_frac"])
            is_first = is_often and _is_less(alone, share, n)
            row = _tree_row(stakes, int(k), one.limit, share, alone, is_first)
            words = _words(one, b, share, n)
            if is_often:
                words += f"; {STICK if is_first else _another_plan(one, alone, n)}"
            rows.append({**row, "words": words, "share_high_frac": float(one.share_high_frac[b])})
    for k in range(len(stakes)):
        if k not in named:
            row = _tree_row(stakes, k, "", 0.0, 0.0, False)
            rows.append({**row, "words": "breaks no limit in any draw", "share_high_frac": np.nan})
    order = {lot: k for k, lot in enumerate(dict.fromkeys(stakes.lot_id))}
    rows.sort(key=lambda row: (order[row["lot_id"] or ""], -row["broken_frac"]))
    return rows


def _tree_row(
    stakes: Stakes, k: int, limit: str, share: float, alone: float, is_first: bool
) -> dict[str, Any]:
    return {
        "lot_id": stakes.lot_id[k] or None,
        "crown_id": stakes.crown_id[k],
        "limit": limit,
        "top_height_ft": float(stakes.top_ft[k]),
        "height_error_ft": float(stakes.error_ft[k]),
        "broken_frac": share,
        "is_stick_first": is_first,
        "marks_only_frac": alone,
    }


def _by_share(marks: Mapping[Key, float]) -> dict[int, float]:
    """Share of the draws in which the marks alone break each tree's yearly share, by any rule."""
    out: dict[int, float] = {}
    for (limit, _, k), share in marks.items():
        if limit in (YEARLY, PRACTICE):
            out[k] = min(out.get(k, 0.0) + share, 1.0)
    return out


def _alone(one: Broken, k: int, marks: Mapping[Key, float], by_share: Mapping[int, float]) -> float:
    if one.limit == PRACTICE:
        return by_share.get(k, 0.0)
    return marks.get((one.limit, one.source, k), 0.0)


def _is_less(alone: float, share: float, n: int) -> bool:
    """Whether a share of n draws is less than another beyond chance."""
    return wilson_interval(round(alone * n), n)[1] < wilson_interval(round(share * n), n)[0]


def _words(one: Broken, b: int, share: float, n: int) -> str:
    """One tree and one limit in words."""
    what = {
        BEFORE_CUT: "taller than its way allows before the cut",
        FLOOR: "left under the least height",
    }.get(one.limit, "more than the year's share taken")
    text = f"{what} in {round(share * n)} of {n} draws"
    if one.is_share and np.isfinite(one.share_high_frac[b]):
        text += f"; one in twenty takes {100 * one.share_high_frac[b]:.1f} % or more in a year"
    return text


def _another_plan(one: Broken, alone: float, n: int) -> str:
    """What helps where a stick reading does not."""
    if one.limit == BEFORE_CUT:
        return "over it as it is read now too: plan another way for it"
    does = (
        "plan a smaller share (share_margin_frac)"
        if one.is_share
        else "keep more over the floor (floor_margin_ft)"
    )
    return f"the marks alone: {round(alone * n)} of {n}: {does}"
