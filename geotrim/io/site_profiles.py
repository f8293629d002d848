"""The profiles of a site: leaf-area weights of crowns by layers of height, from a plain table."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from geotrim.core.leaf_weights import fault_of_layers
from geotrim.errors import FileError, LayerError
from geotrim.io.fields import text_ids
from geotrim.io.files import local_path, sha256_of
from geotrim.io.layers import choose_layer
from geotrim.io.repair import counted, listed
from geotrim.io.site_layers import Loading, placed, relative, resolved
from geotrim.io.text_numbers import decimal_mark, numbers_of
from geotrim.io.text_table import TEXT_SUFFIXES, read_text_table
from geotrim.model import InputFile, Note

#: Columns a table of profiles must have. ``is_capped`` is read where it is there.
COLUMNS = ("crown_id", "low_ft", "high_ft", "weight_frac")
#: Weights of a crown may miss 1 by this much, as rounded decimals do; they are scaled to it.
ROUNDED = 1e-3
MEND = "make the table with geotrim prepare profiles"
NO_WORDS = {"", "0", "0.0", "false", "no", "none", "nan", "<na>"}


def read_profiles(run: Loading, crowns: Any) -> Any:
    """The profiles of a site's crowns, None where none were given.

    Returns
    -------
    profiles : DataFrame
        ``crown_id``, ``low_ft``, ``high_ft``, ``weight_frac``, ``is_capped``: one row a layer, of
        crowns of the site alone.

    Raises
    ------
    FileError, LayerError
        If the table cannot be read, lacks a column, holds layers that cannot be, or none of the
        site's crowns.
    """
    given = run.spec.values.get("profiles")
    if given is None:
        return None
    source = given["file"]
    with placed(run.spec, "profiles"):
        if isinstance(source, str):
            path = local_path(resolved(run.spec.folder, source, "profiles"), "profiles")
            digest, how = sha256_of(path)
            rows, layer, notes = _rows(path, given.get("layer"))
            run.notes += notes
            shown, detail = relative(run.spec.folder, source), {"sha256_of": how}
        elif hasattr(source, "columns"):
            rows, layer, digest, shown, detail = source, None, "", "given in memory", {}
        else:
            found = f"a {type(source).__name__}"
            raise FileError("profiles", found, "a DataFrame, or a path", "give one of these")
        table = profiles_table(rows)
        n_given = table["crown_id"].nunique()
        if crowns is not None:
            table = _of_site(run, table, set(crowns["crown_id"]))
    detail |= {"n_crowns": n_given}
    run.inputs.append(InputFile("profiles", shown, digest, layer, len(rows), None, detail))
    return table


def _rows(path: Path, layer: str | None) -> tuple[Any, str | None, tuple[Note, ...]]:
    """Rows of a text table, or of a table without shapes in a GeoPackage."""
    if path.suffix.lower() in TEXT_SUFFIXES:
        table, notes = read_text_table(path, subject="profiles")
        return table, None, notes
    import pyogrio

    source, name = choose_layer(path, layer, "profiles", ("none",), "profiles")
    return pyogrio.read_dataframe(source, layer=name, read_geometry=False), name, ()


def profiles_table(rows: Any) -> Any:
    """Layers of crowns, checked; ids as text, weights of a crown adding up to 1.

    Raises
    ------
    LayerError
        If a column is missing, a cell is no number, or the layers of a crown cannot be; names it.
    """
    import pandas as pd

    lost = [name for name in COLUMNS if name not in rows.columns]
    if lost:
        need = f"columns {', '.join(COLUMNS)}"
        raise LayerError("profiles", f"no column {', '.join(lost)}", need, MEND)
    crown, *numbers = (rows[name] for name in COLUMNS)
    ids = text_ids(crown)
    if None in ids:
        n = ids.index(None) + 1
        raise LayerError("profiles crown_id", f"none in row {n}", "an id in each", "complete it")
    names = [f"a layer of crown {one}" for one in ids]
    columns: dict[str, Any] = {"crown_id": pd.Series(ids, dtype=object)}
    for name, values in zip(COLUMNS[1:], numbers, strict=True):
        cells = list(values)
        mark = decimal_mark(cells, f"profiles {name}")
        columns[name] = numbers_of(cells, mark, f"profiles {name}", names)
    is_capped = np.zeros(len(ids), dtype=bool)
    if "is_capped" in rows.columns:
        is_capped = np.array([str(v).strip().lower() not in NO_WORDS for v in rows["is_capped"]])
    table = pd.DataFrame({**columns, "is_capped": is_capped})
    for one, layers in table.groupby("crown_id", sort=False):
        low, high, weight = (layers[name].to_numpy() for name in COLUMNS[1:])
        fault = fault_of_layers(low, high, weight)
        if fault is None and abs(weight.sum() - 1.0) > ROUNDED:
            fault = f"weights that add up to {weight.sum():.4g}", "weights that add up to 1"
        if fault is not None:
            found, need = fault
            raise LayerError(f"profiles, crown {one}", found, need, MEND)
    table["weight_frac"] /= table.groupby("crown_id")["weight_frac"].transform("sum")
    return table


def _of_site(run: Loading, table: Any, known: set[str]) -> Any:
    """Profiles of the site's crowns; others are left out and told."""
    mine = table["crown_id"].isin(known)
    has = set(table["crown_id"])
    if not mine.any():
        raise LayerError(
            "profiles",
            f"profiles of {listed(sorted(has))}, none of which is a crown here",
            f"ids of the crowns: {listed(sorted(known))}",
            "make the profiles of these crowns, with the same id field",
        )
    if others := sorted(has - known):
        text = f"{counted(len(others), 'profile')} left out, of no crown here: {listed(others)}"
        run.notes.append(Note("profiles", text, "info"))
    if n_bare := len(known - has):
        text = f"{counted(n_bare, 'crown')} of {len(known)} without a profile"
        run.notes.append(Note("profiles", text, "missing"))
    return table[mine].reset_index(drop=True)
