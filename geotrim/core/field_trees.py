"""Rows of a field table made trees: by tag, and by stem where a tree has several."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, slots=True, eq=False)
class Grouping:
    """Which tree each row belongs to.

    tree_of_row : (rows,) number of the tree, from 0.
    ids : what each tree is called; no two alike.
    is_twice : (trees,) whether rows that are no stems of one tree have its tag.
    """

    tree_of_row: npt.NDArray[np.intp]
    ids: list[str]
    is_twice: npt.NDArray[np.bool_]


def group_rows(tags: Sequence[str], stems: Sequence[str | None]) -> Grouping:
    """Trees of rows: rows of one tag are one tree if each names a stem, and no two the same.

    Otherwise they are trees of their own, called "T1", "T1 (2)" and so on: nothing tells which row
    is meant, or whether a tag was misread. Case makes no difference between tags, nor stems.

    Examples
    --------
    >>> group_rows(["T1", "T1", "T2", "T2"], ["a", "b", None, None]).ids
    ['T1', 'T2', 'T2 (2)']
    """
    rows_of: dict[str, list[int]] = {}
    for row, tag in enumerate(tags):
        rows_of.setdefault(tag.casefold(), []).append(row)
    names = {
        row: _is_one([stems[row] for row in rows]) for rows in rows_of.values() for row in rows
    }
    taken = {tag.casefold() for tag in tags}
    tree_of_row = np.full(len(tags), -1, dtype=np.intp)
    ids: list[str] = []
    twice: list[bool] = []
    for row, tag in enumerate(tags):
        rows = rows_of[tag.casefold()]
        if names[row] and row != rows[0]:
            tree_of_row[row] = tree_of_row[rows[0]]
            continue
        tree_of_row[row] = len(ids)
        ids.append(tag if row == rows[0] else _free(tag, rows.index(row) + 1, taken))
        twice.append(not names[row])
    return Grouping(tree_of_row, ids, np.array(twice, dtype=bool))


def _is_one(stems: list[str | None]) -> bool:
    """Whether rows of one tag are stems of one tree."""
    if len(stems) == 1:
        return True
    named = [stem.casefold() for stem in stems if stem is not None]
    return len(named) == len(stems) and len(set(named)) == len(stems)


def _free(tag: str, number: int, taken: set[str]) -> str:
    while (name := f"{tag} ({number})").casefold() in taken:
        number += 1
    taken.add(name.casefold())
    return name


def first_known(values: Any, tree_of_row: Any, n_trees: int) -> npt.NDArray[np.intp]:
    """First row of each tree in which every value is finite; -1 for a tree without one.

    Parameters
    ----------
    values : (rows, k) array
    tree_of_row : (rows,) array of int
    """
    out = np.full(n_trees, -1, dtype=np.intp)
    known = np.flatnonzero(np.isfinite(values).all(axis=1))[::-1]
    out[np.asarray(tree_of_row)[known]] = known  # the first row is written last
    return out


def over_stems(values: Any, tree_of_row: Any, n_trees: int, *, highest: bool) -> Any:
    """Highest or lowest known value among the stems of each tree; NaN without one.

    Parameters
    ----------
    values : (rows,) array
    tree_of_row : (rows,) array of int

    Examples
    --------
    >>> over_stems(np.array([9.0, 12.0, np.nan]), [0, 0, 1], 2, highest=True)
    array([12., nan])
    """
    out = np.full(n_trees, np.nan)
    take = np.fmax if highest else np.fmin
    take.at(out, np.asarray(tree_of_row, dtype=np.intp), values)
    return out
