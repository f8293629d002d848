"""How lots stand in a screening: by the mangroves that the plan cuts, and by duties not met.

A tree whose species is unknown may be a mangrove and counts as one. Plants that are known to be
outside the act never make a lot open.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from geotrim.report.screen_stands import IN_PART, NOTHING
from geotrim.rules.outcome import CLOSED, DEPENDS, OPEN, OTHER_PLAN, OUTSIDE

#: Column that counts mangroves -> the standing it counts, best first.
COUNTED = {
    "n_mangroves_open": OPEN,
    "n_mangroves_depend": DEPENDS,
    "n_mangroves_other_plan": OTHER_PLAN,
    "n_mangroves_closed": CLOSED,
}
NO_TREE = "no tree is recorded"
ONLY_OTHERS = "only plants outside the act are recorded"
NONE_CUT = "no mangrove is cut as planned"


def mangroves_by_standing(trees: Any, ids: Any) -> dict[str, Any]:
    """Mangroves that the plan cuts, of each lot, by how they stand.

    Parameters
    ----------
    trees : DataFrame
        ``lot_id``, ``outcome_route``, ``outcome_standing``; a tree a row.
    ids : (n,) lots

    Returns
    -------
    dict of (n,) counts, by the names in ``COUNTED``
    """
    is_outside = (trees["outcome_route"] == OUTSIDE) & (trees["outcome_standing"] == OPEN)
    mine = trees[~is_outside]
    return {
        name: mine.loc[mine["outcome_standing"] == standing, "lot_id"]
        .value_counts()
        .reindex(ids, fill_value=0)
        .to_numpy()
        for name, standing in COUNTED.items()
    }


def stand_of(counts: Mapping[str, int], unmet: str) -> str:
    """How a lot on the shore stands.

    Parameters
    ----------
    counts : mapping
        Standing -> mangroves that the plan cuts.
    unmet : str
        Duties that are not met as planned; "" for none.

    Examples
    --------
    >>> stand_of({"open": 2, "depends": 0}, "")
    'open'
    >>> stand_of({"open": 1, "depends": 5}, "")
    'open in part'
    >>> stand_of({"open": 0, "depends": 0}, "")
    'nothing to judge'
    """
    there = [how for how in COUNTED.values() if counts.get(how, 0) > 0]
    if not there:
        return NOTHING
    if there[0] == OPEN and (len(there) > 1 or unmet):
        return IN_PART
    return there[0]


def stand_words(counts: Mapping[str, int], unmet: str, n_trees: int, n_maybe: int) -> str:
    """Why a lot on the shore stands as it does.

    Parameters
    ----------
    counts, unmet :
        As for :func:`stand_of`.
    n_trees : int
        All trees of the lot.
    n_maybe : int
        Those that are mangroves, or may be.

    Examples
    --------
    >>> stand_words({"open": 1, "depends": 5}, "cap of the general permit", 7, 6)
    '6 mangroves to cut: 1 open, 5 depend; not met as planned: cap of the general permit'
    >>> stand_words({}, "", 2, 0)
    'only plants outside the act are recorded'
    """
    n = sum(counts.values())
    if n == 0:
        return NO_TREE if n_trees == 0 else ONLY_OTHERS if n_maybe == 0 else NONE_CUT
    verb = {OPEN: "open", DEPENDS: "depend" if counts.get(DEPENDS) != 1 else "depends",
            OTHER_PLAN: "with another plan", CLOSED: "closed"}  # fmt: skip
    told = ", ".join(f"{k} {verb[how]}" for how, k in counts.items() if k)
    words = f"{n} mangrove{'s' if n > 1 else ''} to cut: {told}"
    return f"{words}; not met as planned: {unmet}" if unmet else words
