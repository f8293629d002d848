"""Tables of results: the same columns of the same kinds, however few rows they have."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from geotrim.units import unit_of


def plain_table(rows: Any, columns: Sequence[str]) -> Any:
    """DataFrame of rows, the kind of each column read from its name.

    A name with a unit holds numbers, ``n_`` counts, ``is_`` and ``has_`` flags; so an empty table
    joins others and is written to a file like a full one. Columns that already have a kind of their
    own (flags that may be unknown) keep it.

    Parameters
    ----------
    rows : list of dict, or DataFrame
    columns : sequence of str

    Examples
    --------
    >>> plain_table([], ["span_ft", "n_trees", "is_over_limit"]).dtypes.astype(str).tolist()
    ['float64', 'int64', 'bool']
    """
    frame = pd.DataFrame(rows, columns=list(columns))
    kinds = {name: kind_of(name) for name in frame.columns if len(frame) == 0 or unit_of(name)}
    return frame.astype({name: kind for name, kind in kinds.items() if kind is not None})


def shape_table(rows: Any, columns: Sequence[str], crs: Any) -> Any:
    """The same with a ``geometry`` column at the end, in a CRS."""
    frame = plain_table(rows, [*columns, "geometry"])
    return gpd.GeoDataFrame(frame, geometry="geometry", crs=crs)


def join_tables(parts: Sequence[Any], columns: Sequence[str]) -> Any:
    """Tables one under the other; the empty ones add nothing, not even a kind of column."""
    full = [part for part in parts if len(part)]
    return pd.concat(full, ignore_index=True) if full else plain_table([], columns)


def rows_by(names: Any) -> dict[Any, npt.NDArray[np.intp]]:
    """Rows that hold each name, rising, found in one pass; rows without a name are in none.

    Parameters
    ----------
    names : (n,) array or Series

    Examples
    --------
    >>> {name: rows.tolist() for name, rows in rows_by(["b", "a", None, "b"]).items()}
    {'b': [0, 3], 'a': [1]}
    """
    codes, found = pd.factorize(np.asarray(names, dtype=object))
    order = np.argsort(codes, kind="stable")
    starts = np.searchsorted(codes[order], np.arange(len(found) + 1))
    return {name: order[starts[k] : starts[k + 1]] for k, name in enumerate(found)}


#: Flags that may be unknown.
_MAY_BE_UNKNOWN: Mapping[str, str] = dict.fromkeys(
    ("is_trunk_past_setback", "is_mangrove", "is_staged", "is_binding"), "boolean"
)


def kind_of(name: str) -> str | None:
    """Kind of a column by its name; None for geometry."""
    if name == "geometry":
        return None
    if unit_of(name):
        return "float64"
    if name.startswith("n_"):
        return "int64"
    if name.startswith(("is_", "has_")):
        return _MAY_BE_UNKNOWN.get(name, "bool")
    return "str"
