"""When each tree may be cut again, and when a lot's next stage may begin."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from typing import Any

from geotrim.core.staging import years_later


def next_day(tree: Mapping[str, Any]) -> str | None:
    """Earliest day of a tree's next cut: a year after its last, never before the plan's own day.

    None where the plan has no more of it, it was not cut, or nobody knows the day. A tree of which
    it cannot be told whether it was cut waits as if it was.

    Examples
    --------
    >>> cut = {"is_cut": 1.0, "cut_on": "2028-02-29", "later_year": 2, "later_on": None}
    >>> next_day(cut), next_day({**cut, "later_on": "2029-04-01"})
    ('2029-03-01', '2029-04-01')
    """
    if not tree["later_year"] or tree["is_cut"] == 0.0 or tree["cut_on"] is None:
        return None
    day = years_later(datetime.date.fromisoformat(tree["cut_on"]), 1)
    planned = tree["later_on"]
    return max(day.isoformat(), planned) if planned else day.isoformat()


def lot_dates(trees: Any) -> tuple[str | None, str]:
    """Earliest day from which every tree of the lot's next stage may be cut, and why it is so.

    Parameters
    ----------
    trees : DataFrame
        ``later_year``, ``is_cut``, ``cut_on``, ``next_from``, ``state``.

    Notes
    -----
    Each tree waits a year from the day it was cut itself, so the lot waits for the last of them;
    a tree may be cut on its own day before. Trees of this year that were not cut hold up only
    themselves.
    """
    due = trees[trees["later_year"] > 0]
    if not len(due):
        return None, "the plan has no further year"
    days = [day for day in due["next_from"] if day is not None]
    lost = due[(due["is_cut"] == 1.0) & due["next_from"].isna()]
    if len(lost):
        return None, f"the day of the cut is not known for {len(lost)} of the trees that go on"
    unsure = int(due["is_cut"].isna().sum())
    if not days:
        return None, "no tree that goes on is known to have been cut"
    more = f"; of {unsure} it cannot be told whether they were cut" if unsure else ""
    return max(days), f"a year after the last day a tree of the next stage was cut{more}"
