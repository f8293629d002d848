"""What is at stake: every tree that is cut, its cuts year by year, and the limits it is under."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotrim.core.coverage import Floats, Ints
from geotrim.core.risk_draws import YearCut
from geotrim.model import Facts, Result
from geotrim.ops.stage_rules import ANY_HEIGHT
from geotrim.ops.window_rules import ASSUMED_WAY, Way, way_of
from geotrim.rules.rule_set import RuleSet

Flags = npt.NDArray[np.bool_]
#: How a stage table names the cut of a band.
BAND = "clear-band"


@dataclass(frozen=True, slots=True, eq=False)
class Count:
    """A cap that counts the trees of a lot that are over a height.

    over_ft : trees over this count. [ft]
    share_frac : most of them that may be trimmed.
    top_ft, error_ft : (c,) every mangrove of the shore, cut or not, and trees of unknown species
        that are cut. [ft]
    is_cut : (c,) True where the plan cuts it.
    is_sure : (c,) known to be a mangrove. Only such trees raise what may be trimmed; those of
        unknown species that are cut are held against it all the same.
    """

    lot_id: str
    over_ft: float
    share_frac: float
    ids: tuple[str, ...]
    top_ft: Floats
    error_ft: Floats
    is_cut: Flags
    is_sure: Flags


@dataclass(frozen=True, slots=True, eq=False)
class Stakes:
    """Trees that are cut: k of them.

    lot_id, crown_id : (k,)
    tree : (k,) row of the tree in the crowns.
    top_ft, error_ft : (k,) height before the cut, and its standard error. [ft]
    is_assumed_error : (k,) nobody stated it.
    cuts : (k,) what each year clears.
    removed_frac : (k,) share of the foliage that is taken in all.
    ways : (k,) the way whose limits each is under.
    counts : caps that count trees over a height.
    share_from_ft : trees from this height up keep the share of good practice. [ft]
    is_any_height : the act is read to stage trees of any height (A-07).
    is_of_original : the share of a year is of what stood before the first cut.
    """

    lot_id: tuple[str, ...]
    crown_id: tuple[str, ...]
    tree: Ints
    top_ft: Floats
    error_ft: Floats
    is_assumed_error: Flags
    cuts: tuple[tuple[YearCut, ...], ...]
    removed_frac: Floats
    ways: tuple[Way, ...]
    counts: tuple[Count, ...]
    share_from_ft: float
    is_any_height: bool
    is_of_original: bool

    def __len__(self) -> int:
        return len(self.crown_id)


def stakes_of(
    crowns: Any,
    stages: Result,
    route: Result,
    window: Result | None,
    fringe: Result | None,
    facts: Facts,
    rules: RuleSet,
    used: Mapping[str, Any],
) -> Stakes:
    """Trees with cuts, from the tables of ``stages``, and what ``route`` knows of them.

    Parameters
    ----------
    crowns : DataFrame
    stages, route, window, fringe : Result
    facts : Facts
    rules : RuleSet
        Overlays included.
    used : mapping
        ``unstated_height_error_ft``, ``share_from_ft``, ``foliage_reading``, and of ``route``
        ``quarter_reading``.
    """
    told = route["tree_outcomes"]
    by_id = told.set_index(told["crown_id"].astype(str))
    number = {str(i): k for k, i in enumerate(crowns["crown_id"])}
    cuts = _cuts(stages["stage_cuts"])
    rows = [row for row in stages["stage_trees"].to_dict("records") if str(row["crown_id"]) in cuts]
    ids = [str(row["crown_id"]) for row in rows]
    known = by_id.reindex(ids)
    error = known["height_error_ft"].to_numpy(dtype=np.float64)
    assumed = np.isnan(error)
    unstated = float(used["unstated_height_error_ft"])
    lots = tuple("" if row["lot_id"] is None else str(row["lot_id"]) for row in rows)
    routes = _routes(lots, known, window)
    found = {
        key: way_of(key[1], facts.of(key[0]), rules) for key in set(zip(lots, routes, strict=True))
    }
    is_any_height = used["quarter_reading"] == ANY_HEIGHT
    keys = set(zip(lots, routes, strict=True))
    return Stakes(
        lot_id=lots,
        crown_id=tuple(ids),
        tree=np.array([number[i] for i in ids], dtype=np.int64),
        top_ft=np.array([row["top_height_ft"] for row in rows], dtype=np.float64),
        error_ft=np.where(assumed, unstated, error),
        is_assumed_error=assumed,
        cuts=tuple(cuts[i] for i in ids),
        removed_frac=np.array([row["removed_frac"] for row in rows], dtype=np.float64),
        ways=tuple(found[key] for key in zip(lots, routes, strict=True)),
        counts=_counts(keys, set(ids), route, _off_shore(fringe), rules, unstated),
        share_from_ft=0.0 if is_any_height else float(used["share_from_ft"]),
        is_any_height=is_any_height,
        is_of_original=used["foliage_reading"] == "original",
    )


def _cuts(table: Any) -> dict[str, tuple[YearCut, ...]]:
    """Cuts of each tree by year; a table without a top is one of the top."""
    out: dict[str, tuple[YearCut, ...]] = {}
    for crown_id, rows in table.sort_values("year", kind="stable").groupby("crown_id", sort=False):
        high = rows["to_ft"].to_numpy(dtype=np.float64)
        high = np.where(np.isnan(high), np.inf, high)
        low = rows["from_ft"].to_numpy(dtype=np.float64)
        out[str(crown_id)] = tuple(
            YearCut(float(a), float(b)) for a, b in zip(low, high, strict=True)
        )
    return out


def _routes(lots: tuple[str, ...], known: Any, window: Result | None) -> list[str]:
    """The way of each tree: that of its lot's window, else the one it is told by."""
    by_lot: dict[str, str] = {}
    if window is not None and "window_lots" in window.tables:
        for row in window["window_lots"].to_dict("records"):
            if isinstance(row["way"], str) and row["way"] and row["n_cut_trees"] > 0:
                by_lot[str(row["lot_id"])] = row["way"]
    own = [str(name) if isinstance(name, str) else "" for name in known["outcome_route"]]
    usual = {"owner-exemption", "professional-exemption", "general-permit", "individual-permit"}
    return [
        by_lot.get(lot, name if name in usual else ASSUMED_WAY)
        for lot, name in zip(lots, own, strict=True)
    ]


def _off_shore(fringe: Result | None) -> set[str]:
    """Trees that do not stand in the fringe of any shore; a cap does not count them."""
    if fringe is None:
        return set()
    trees = fringe["fringe_crowns"]
    return set(trees.loc[trees["stretch_id"].isna(), "crown_id"].astype(str))


def _counts(
    keys: set[tuple[str, str]],
    cut: set[str],
    route: Result,
    off_shore: set[str],
    rules: RuleSet,
    unstated: float,
) -> tuple[Count, ...]:
    """Caps of ways that count only trees over a height: how many may be cut hangs on heights.

    Counted as :func:`geotrim.rules.duties.caps` does, the heights apart.
    """
    counted = rules.rules.get("permit-share-counted")
    out: list[Count] = []
    if counted is None:
        return ()
    for lot_id, name in sorted(keys):
        shares = route["shares"]
        mine = shares[(shares["lot_id"] == lot_id) & (shares["route"] == name)]
        mine = mine[[rules.rules[i].limit.measure == "permit_share_frac" for i in mine["rule_id"]]]
        if not len(mine):
            continue
        trees = route["tree_outcomes"]
        of_lot = trees[trees["lot_id"].astype(str) == lot_id]
        of_lot = of_lot[[str(i) not in off_shore for i in of_lot["crown_id"]]]
        known = [None if pd.isna(flag) else bool(flag) for flag in of_lot["is_mangrove"]]
        may = [flag is True or (flag is None and str(i) in cut)
               for flag, i in zip(known, of_lot["crown_id"], strict=True)]  # fmt: skip
        is_sure = np.array([flag is True for flag in known], dtype=bool)[may]
        of_lot = of_lot[may]
        ids = tuple(of_lot["crown_id"].astype(str))
        error = of_lot["height_error_ft"].to_numpy(dtype=np.float64)
        out.append(
            Count(
                lot_id=lot_id,
                over_ft=counted.limit.number,
                share_frac=float(mine["share_frac"].astype(float).min()),
                ids=ids,
                top_ft=of_lot["top_height_ft"].to_numpy(dtype=np.float64),
                error_ft=np.where(np.isnan(error), unstated, error),
                is_cut=np.array([i in cut for i in ids], dtype=bool),
                is_sure=is_sure,
            )
        )
    return tuple(out)
