"""What stood just before a year's cut: by readings where there are any, never by the plan's word.

A plan tells what each year should leave. Whether the years before were cut so is for readings to
tell. A share taken of a height that nobody read would be met or not by what was only meant.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from geotrim.core.cut_found import Strip
from geotrim.ops.after_trees import earlier_strips

#: By what a height before the cut is known.
PLAN, UNKNOWN = "plan", ""
#: Of a tree that was told to be cut, and not read since.
UNREAD = "unread"
COLUMNS = (
    "before_ft", "before_error_ft", "before_by", "is_before_known", "rise_ft", "gone_error_ft",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Stood:
    """What was last read of one tree before a year's cut.

    height_ft, error_ft : of its top; NaN where it was not read. [ft]
    bands : cleared in it before; None where that is not known. [ft]
    by : where it is from, in a word or two; ``UNREAD``: cut since it was read, if it was.
    """

    height_ft: float = float("nan")
    error_ft: float = float("nan")
    bands: tuple[Strip, ...] | None = ()
    by: str = "ledger"


@dataclass(frozen=True, slots=True)
class LastCut:
    """The last cut of a tree in another stage than the one looked at.

    day : ISO text; by : where it is told, such as an entry of the ledger.
    """

    day: str
    by: str


@dataclass(frozen=True, slots=True, eq=False)
class Before:
    """What is known of a lot from before a year's cut.

    stood : crown id -> what was read of it.
    cuts : crown id -> its cuts in other stages.
    """

    stood: Mapping[str, Stood] = field(default_factory=dict)
    cuts: Mapping[str, Sequence[LastCut]] = field(default_factory=dict)


def with_before(
    trees: Any,
    cuts: Mapping[str, Sequence[Mapping[str, Any]]],
    year: int,
    before: Before,
) -> tuple[Any, dict[str, list[Strip]]]:
    """The trees with the height each stood at before a year's cut, and what was cleared by then.

    Parameters
    ----------
    trees : DataFrame
        From :func:`geotrim.ops.after_trees.trees_of`.
    cuts : mapping
        From :func:`geotrim.ops.after_trees.cuts_of`.
    year : int
        From 1. Before the first year every tree stood as the plan measured it.
    before : Before

    Returns
    -------
    trees : DataFrame
        ``before_ft``, ``before_error_ft``: as read, NaN where nobody read them after an earlier
        year's cut; ``before_by``; ``is_before_known``; ``rise_ft``: by how much the tree was read
        taller than the plan had it; ``gone_error_ft``: standard error of the upper end of what
        stood, where a cut may have left it.
    earlier : dict
        Tree -> strips cleared before. Of a tree that is not known, those of the plan. [ft]

    Notes
    -----
    A tree that no earlier year of the plan cuts, and of which nothing is told, stands as measured.

    Examples
    --------
    Planned from 20 to 15 ft in year 1, and read at 18 ft: what stood reached to 18 ft.

    >>> trees = pd.DataFrame({"crown_id": ["A"], "top_ft": [20.0], "top_error_ft": [0.4],
    ...     "before_ft": [15.0], "before_error_ft": [np.nan]})
    >>> cuts = {"A": [{"year": 1, "from_ft": 15.0, "to_ft": np.nan}]}
    >>> known, gone = with_before(trees, cuts, 2, Before({"A": Stood(18.0, 0.1)}))
    >>> float(known["before_ft"][0]), gone["A"]
    (18.0, [(18.0, inf)])
    >>> lost, _ = with_before(trees, cuts, 2, Before())
    >>> float(lost["before_ft"][0]), bool(lost["is_before_known"][0])
    (nan, False)
    """
    earlier: dict[str, list[Strip]] = {}
    rows = []
    for tree in trees.to_dict("records"):
        name = str(tree["crown_id"])
        own = [cut for cut in cuts.get(name, ()) if cut["year"] < year]
        row, earlier[name] = _one(tree, own, before.stood.get(name) if year > 1 else None)
        rows.append(row)
    told = pd.DataFrame(rows, columns=list(COLUMNS), index=trees.index)
    return trees.assign(**{name: told[name] for name in COLUMNS}), earlier


def _one(
    tree: Mapping[str, Any], own: Sequence[Mapping[str, Any]], stood: Stood | None
) -> tuple[tuple[Any, ...], list[Strip]]:
    """What is known of one tree, in the order of the columns; and what was cleared of it."""
    top, error = float(tree["top_ft"]), float(tree["top_error_ft"])
    planned = earlier_strips(own, max([0, *(int(cut["year"]) for cut in own)]) + 1)
    is_top_cut = any(np.isnan(cut["to_ft"]) for cut in own)
    if stood is None:
        if not own:
            return (top, error, PLAN, True, 0.0, np.nan), []
        height = np.nan if is_top_cut else top
        return (height, np.nan if is_top_cut else error, UNKNOWN, False, 0.0, np.nan), planned
    is_known = stood.bands is not None
    if not np.isfinite(stood.height_ft):
        if stood.by == UNREAD or is_top_cut:
            return (np.nan, np.nan, UNKNOWN, False, 0.0, np.nan), planned
        return (top, error, PLAN, is_known, 0.0, np.nan), list(stood.bands or planned)
    rise = max(stood.height_ft - top, 0.0) if np.isfinite(top) else 0.0
    strips = [(stood.height_ft, np.inf), *(stood.bands or ())]
    gone_error = np.nan if rise > 0.0 else stood.error_ft  # what is higher was never cut
    row = (stood.height_ft, stood.error_ft, stood.by, is_known, rise, gone_error)
    return row, [strip for strip in strips if strip[1] > strip[0]]


def before_words(trees: Any, year: int) -> list[tuple[str, str]]:
    """What the heights before are taken from, and how much that matters."""
    out = []
    lost = trees["crown_id"][~trees["is_before_known"].astype(bool)].astype(str).tolist()
    if lost:
        some = ", ".join(lost[:8]) + (" ..." if len(lost) > 8 else "")
        of = _trees(len(lost))
        text = (
            f"what stood before the cut of year {year} is not known of {of} "
            f"({some}): no reading since an earlier year's cut, so no share of theirs is told; "
            "name the site's ledger, or give rows of the earlier years with the readings"
        )
        out.append((text, "missing"))
    for by in dict.fromkeys(trees["before_by"]):
        if by not in (PLAN, UNKNOWN):
            n = int((trees["before_by"] == by).sum())
            text = f"heights before the cut of {_trees(n)} are the last read ones of the {by}"
            out.append((f"{text}; no regrowth since is reckoned", "assumed"))
    return out


def _trees(n: int) -> str:
    return f"{n} tree" if n == 1 else f"{n} trees"
