"""How lots stand in a screening: by the mangroves that the plan cuts, and by duties not met.

A tree whose species is unknown may be a mangrove and counts as one. Plants that are known to be
outside the act never make a lot open.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from geotrim.report.screen_stands import COUNTED, IN_PART, NOTHING, standings_words
from geotrim.rules.outcome import OPEN, OUTSIDE

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


def stand_words(
    counts: Mapping[str, int], unmet: str, n_trees: int, n_mangroves: int, n_unknown: int
) -> str:
    """Why a lot on the shore stands as it does.

    Parameters
    ----------
    counts, unmet :
        As for :func:`stand_of`.
    n_trees, n_mangroves, n_unknown : int
        Trees of the lot, those known to be mangroves, and those of unknown species.

    Examples
    --------
    >>> stand_words({"open": 1, "depends": 5}, "cap of the general permit", 7, 6, 0)
    '6 mangroves to cut: 1 open, 5 depend; not met as planned: cap of the general permit'
    >>> stand_words({}, "", 2, 0, 0)
    'only plants outside the act are recorded'
    """
    n, n_maybe = sum(counts.values()), n_mangroves + n_unknown
    if n == 0:
        return NO_TREE if n_trees == 0 else ONLY_OTHERS if n_maybe == 0 else NONE_CUT
    kind = "mangrove" if n_unknown == 0 else "mangrove or tree of unknown species"
    if n > 1:
        kind = "mangroves" if n_unknown == 0 else "mangroves and trees of unknown species"
    told = f"{n} {kind} to cut"
    words = f"{told}: {standings_words(counts)}"
    return f"{words}; not met as planned: {unmet}" if unmet else words
