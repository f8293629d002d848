"""Which trees are cut, and how far: as the window has it, or as heights were planned."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotrim.core.coverage import Floats, Ints
from geotrim.errors import RangeError
from geotrim.model import Note, Result
from geotrim.ops.canopy import targets_ft
from geotrim.ops.kept import is_kept
from geotrim.ops.window_trees import AND
from geotrim.rules.rule_file import routes
from geotrim.rules.species import is_mangrove

#: Lots of the table ``window_lots`` that have a window.
HAS_WINDOW = ("planned", "own window")
LEAVE, LOWER_TOP, CLEAR_BAND = "leave", "lower-top", "clear-band"
WINDOW, HEIGHTS = "window", "target-height"
#: Name of the limit that keeps a tree the user asked to be kept.
KEEP_BAR = "keep"


@dataclass(frozen=True, slots=True, eq=False)
class LotPlan:
    """What is staged on one lot.

    lot_id : None where nobody said which lot the trees are on.
    plan : ``window`` or ``target-height``.
    way : route of the window, "" if there is none.
    reason : why nothing is cut, "" if something is.
    """

    lot_id: str | None
    plan: str
    way: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class CutPlan:
    """Trees to be cut: k of them, lot by lot.

    lot : (k,) number of the lot in ``lots``.
    row : (k,) number of the crown: its row in the table.
    way : (k,) route each tree is told by, "" if none.
    treatment : (k,) ``lower-top`` or ``clear-band``.
    low_ft : (k,) height a top is lowered to, or the band's low side. [ft]
    high_ft : (k,) the band's high side; infinite for a top. [ft]
    top_ft, error_ft : (k,) height before the cut, by which limits are judged. [ft]
    """

    lots: tuple[LotPlan, ...]
    lot: Ints
    row: Ints
    way: npt.NDArray[np.object_]
    treatment: npt.NDArray[np.object_]
    low_ft: Floats
    high_ft: Floats
    top_ft: Floats
    error_ft: Floats

    def __len__(self) -> int:
        return len(self.row)

    @property
    def is_top(self) -> npt.NDArray[np.bool_]:
        """(k,) the top is lowered."""
        return np.asarray(self.treatment == LOWER_TOP, dtype=bool)


@dataclass(frozen=True, slots=True, eq=False)
class _Trees:
    """Every crown, in the order of the table; lot and way as ``route`` has them."""

    ids: npt.NDArray[np.object_]
    lot: npt.NDArray[np.object_]
    way: npt.NDArray[np.object_]
    top: Floats
    error: Floats
    target: Floats
    other: npt.NDArray[np.bool_]
    kept: npt.NDArray[np.bool_]
    chosen: Floats
    row_of: Mapping[str, int] = field(default_factory=dict)


def cut_plan(
    crowns: Any,
    top_ft: Floats,
    *,
    heights: Result | None = None,
    route: Result | None = None,
    window: Result | None = None,
    stage_plan: str = "auto",
    target_height_ft: float | None = None,
) -> tuple[CutPlan, list[Note]]:
    """Trees that are cut, lot by lot.

    Parameters
    ----------
    crowns : DataFrame
        n crowns; ``target_height_ft``, ``is_to_trim`` and ``keep`` are used where given.
    top_ft : (n,) array
        Height of each tree where ``route`` does not tell one. [ft]
    heights, route, window : Result, optional
        Of those operations. Without ``route`` nobody knows which lot a tree is on.
    stage_plan : str
        ``window``, ``target-height``, or ``auto``: the window of a lot that has one.
    target_height_ft : float, optional
        Height mangroves are to be left at, where they have none of their own. [ft]

    Raises
    ------
    RangeError
        If the window is asked for and none was looked for.

    Notes
    -----
    By planned heights a tree is cut as ``route`` counts it: as the user chose; without a choice
    where it is taller than it is to be left. Plants that are known to be no mangroves, and trees
    marked to be kept, are not.
    """
    if stage_plan == WINDOW and window is None:
        raise RangeError(
            "stage_plan 'window'",
            "no result of the operation window",
            "a window to spread over years",
            "run window first, or choose stage_plan auto or target-height",
        )
    trees = _trees(crowns, top_ft, heights, route, target_height_ft)
    lots: list[LotPlan] = []
    rows: list[pd.DataFrame] = []
    kept: list[str] = []
    for name, own in _lots(route, window):
        has_window = own is not None and own["status"] in HAS_WINDOW
        if stage_plan == WINDOW or (stage_plan == "auto" and has_window):
            cut, reason, spared = _by_window(trees, window, name, own)
            kept += spared
            way = "" if own is None else str(own["way"])
            lots.append(LotPlan(name, WINDOW, way, reason))
        else:
            cut, reason = _by_height(trees, name, is_any_lot=route is None)
            lots.append(LotPlan(name, HEIGHTS, "", reason))
        rows.append(cut.assign(lot=len(lots) - 1))
    table = pd.concat(rows, ignore_index=True) if rows else _none().assign(lot=[])
    by_height = {lot.lot_id for lot in lots if lot.plan == HEIGHTS}
    return _as_plan(tuple(lots), table), [*_notes(trees, by_height), *_kept_note(kept)]


def _lots(route: Result | None, window: Result | None) -> list[tuple[str | None, Any]]:
    """Lots in order, each with its row of ``window_lots``."""
    mine = {} if window is None else {
        str(row["lot_id"]): row for row in window["window_lots"].to_dict("records")
    }  # fmt: skip
    if route is not None:
        names = [str(name) for name in route["lot_outcomes"]["lot_id"]]
        return [(name, mine.get(name)) for name in dict.fromkeys([*names, *mine])]
    return list(mine.items()) if mine else [(None, None)]


def _trees(
    crowns: Any,
    top_ft: Floats,
    heights: Result | None,
    route: Result | None,
    target_height_ft: float | None,
) -> _Trees:
    n, ids = len(crowns), crowns["crown_id"].astype(str).to_numpy(dtype=object)
    top: Floats = np.array(top_ft, dtype=np.float64)
    error: Floats = np.full(n, np.nan)
    lot: Any = np.full(n, None, dtype=object)
    way: Any = np.full(n, "", dtype=object)
    if heights is not None:
        rows = heights["heights"].set_index(heights["heights"]["crown_id"].astype(str))
        error = rows["height_error_ft"].reindex(ids).to_numpy(dtype=np.float64)
    if route is not None and len(route["tree_outcomes"]):
        found = route["tree_outcomes"]
        found = found.set_index(found["crown_id"].astype(str)).reindex(ids)
        is_told = found["lot_id"].notna().to_numpy()
        lot = np.where(is_told, found["lot_id"].to_numpy(dtype=object), None)
        way = np.where(is_told, found["outcome_route"].to_numpy(dtype=object), "")
        top = np.where(is_told, found["top_height_ft"].to_numpy(dtype=np.float64), top)
        error = np.where(is_told, found["height_error_ft"].to_numpy(dtype=np.float64), error)
    names = crowns["species"] if "species" in crowns.columns else [None] * n
    return _Trees(
        ids=ids,
        lot=lot,
        way=np.array([w if w in routes() else "" for w in way], dtype=object),
        top=top,
        error=error,
        target=targets_ft(crowns, target_height_ft),
        other=np.array([is_mangrove(name) is False for name in names], dtype=bool),
        kept=is_kept(crowns),
        chosen=_choices(crowns, n),
        row_of={name: k for k, name in enumerate(ids)},
    )


def _choices(crowns: Any, n: int) -> Floats:
    """1 where a tree is chosen to be trimmed, 0 where not, NaN where nobody chose."""
    if "is_to_trim" not in crowns.columns:
        return np.full(n, np.nan)
    return np.array([np.nan if pd.isna(v) else float(bool(v)) for v in crowns["is_to_trim"]])


_COLUMNS = ("row", "way", "treatment", "low_ft", "high_ft", "top_ft", "error_ft")


def _none() -> pd.DataFrame:
    return pd.DataFrame({name: [] for name in _COLUMNS})


def _by_window(
    trees: _Trees, window: Result | None, lot_id: str | None, own: Any
) -> tuple[pd.DataFrame, str, list[str]]:
    """Trees of one lot as its window cuts them, and those it cuts though they are to be kept."""
    if window is None or own is None or own["status"] not in HAS_WINDOW:
        why = "" if own is None else str(own["reason"] or "")
        return _none(), why or "there is no window here", []
    rows = window["window_trees"]
    rows = rows[(rows["lot_id"].astype(str) == lot_id) & (rows["treatment"] != LEAVE)]
    if not len(rows):
        return _none(), "the window cuts no tree", []
    is_spared = _is_spared(trees, rows)
    spared = [str(name) for name in rows["crown_id"].to_numpy()[is_spared]]
    rows = rows[~is_spared]
    if not len(rows):
        return _none(), "every tree the window cuts is to be kept", spared
    row = np.array([trees.row_of[str(name)] for name in rows["crown_id"]], dtype=np.int64)
    is_top = (rows["treatment"] == LOWER_TOP).to_numpy()
    high = rows["cut_high_ft"].to_numpy(dtype=np.float64)
    top = trees.top[row]
    cut = {
        "row": row,
        "way": str(own["way"]),
        "treatment": rows["treatment"].to_numpy(dtype=object),
        "low_ft": rows["cut_low_ft"].to_numpy(dtype=np.float64),
        "high_ft": np.where(is_top, np.inf, high),
        "top_ft": np.where(np.isnan(top), rows["top_height_ft"].to_numpy(dtype=np.float64), top),
        "error_ft": trees.error[row],
    }
    return pd.DataFrame(cut), "", spared


def _is_spared(trees: _Trees, rows: Any) -> npt.NDArray[np.bool_]:
    """Trees of a window of the user's own that are to be kept, by their mark or by ``keep``."""
    marked = [trees.kept[trees.row_of[str(name)]] for name in rows["crown_id"]]
    bars = rows["bar"] if "bar" in rows.columns else [""] * len(rows)
    asked = [KEEP_BAR in str(bar).split(AND) for bar in bars]
    return np.array(marked, dtype=bool) | np.array(asked, dtype=bool)


def _kept_note(ids: list[str]) -> list[Note]:
    if not ids:
        return []
    shown = ", ".join(ids[:5]) + (", ..." if len(ids) > 5 else "")
    text = (
        f"{len(ids)} of the window are to be kept ({shown}): no cut of them is staged, whatever "
        "the window says"
    )
    return [Note("crowns", text, "assumed")]


def _by_height(trees: _Trees, lot_id: str | None, *, is_any_lot: bool) -> tuple[pd.DataFrame, str]:
    """Trees of one lot that are taller than they are to be left, or chosen."""
    mine = np.ones(len(trees.ids), dtype=bool) if is_any_lot else trees.lot == lot_id
    may = mine & ~trees.other & ~trees.kept
    if not np.isfinite(trees.target[may]).any():
        return _none(), "no height is planned: give target_height_ft, or run window"
    with np.errstate(invalid="ignore"):
        tall = trees.top > trees.target
    row: Ints = np.flatnonzero(may & tall & (trees.chosen != 0.0)).astype(np.int64)
    if not row.size:
        return _none(), "no tree is taller than it is to be left"
    cut = {
        "row": row,
        "way": trees.way[row],
        "treatment": LOWER_TOP,
        "low_ft": trees.target[row],
        "high_ft": np.inf,
        "top_ft": trees.top[row],
        "error_ft": trees.error[row],
    }
    return pd.DataFrame(cut), ""


def _as_plan(lots: tuple[LotPlan, ...], table: pd.DataFrame) -> CutPlan:
    floats = {
        name: table[name].to_numpy(dtype=np.float64)
        for name in ("low_ft", "high_ft", "top_ft", "error_ft")
    }
    return CutPlan(
        lots=lots,
        lot=table["lot"].to_numpy(dtype=np.int64),
        row=table["row"].to_numpy(dtype=np.int64),
        way=table["way"].to_numpy(dtype=object),
        treatment=table["treatment"].to_numpy(dtype=object),
        **floats,
    )


def _notes(trees: _Trees, lots: set[str | None]) -> list[Note]:
    """Trees taller than planned that are not cut, and why."""
    notes = []
    with np.errstate(invalid="ignore"):
        tall = trees.top > trees.target
    if None not in lots:
        tall &= np.array([lot in lots for lot in trees.lot], dtype=bool)
    for which, text in (
        (tall & trees.other, "are known to be no mangroves; planned heights are for mangroves"),
        (tall & ~trees.other & trees.kept, "are marked to be left as they are"),
    ):
        if which.any():
            n = int(which.sum())
            words = f"{n} taller than the planned height {text}, so no cut of them is staged"
            notes.append(Note("crowns", words, "info"))
    return notes
