"""The crowns of a site: species, heights and the plan, from the fields the user named."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from geotrim.errors import LayerError, RangeError
from geotrim.io.fields import find_field, text_id, text_ids, usual_field
from geotrim.io.repair import counted
from geotrim.io.site_spec import SiteSpec
from geotrim.model import Note
from geotrim.units import feet_per_vertical_unit


def crowns_table(spec: SiteSpec, table: Any, ids: list[str]) -> tuple[Any, tuple[Note, ...]]:
    """Crowns with ``crown_id``, ``species`` and ``base_height_ft``.

    Raises
    ------
    LayerError
        If a field named does not exist, or base heights are no numbers.
    RangeError
        If a base height is under 0.
    """
    given = spec.table("crowns") or {}
    notes: list[Note] = []
    field = given.get("species_field")
    name = find_field(table, field, spec.where("crowns", "species_field")) if field else None
    name = name or usual_field(table, "species")
    species = [None] * len(table) if name is None else text_ids(table[name])
    n_unknown = species.count(None)
    if name is None:
        notes.append(Note("crowns", "no species_field named; every species is unknown", "missing"))
    elif n_unknown:
        text = f"{counted(n_unknown, 'crown')} of {len(species)} without a species"
        notes.append(Note("crowns", text, "missing"))
    columns = {
        "crown_id": ids,
        "species": pd.Series(species, dtype=object),
        "base_height_ft": _base_heights(spec, given, table, ids),
    }
    shapes = np.asarray(table.geometry.array)
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=table.crs), tuple(notes)


def _base_heights(spec: SiteSpec, given: Mapping[str, Any], table: Any, ids: list[str]) -> Any:
    if "base_height_field" not in given:
        return np.full(len(table), np.nan)
    where = spec.where("crowns", "base_height_field")
    name = find_field(table, given["base_height_field"], where)
    raw = table[name]
    heights = pd.to_numeric(raw, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    blank = [text_id(value) is None for value in raw]
    bad = np.flatnonzero(~np.isfinite(heights) & ~np.array(blank))
    if len(bad):
        raise LayerError(
            where,
            f"{raw.iloc[bad[0]]!r} for crown {ids[bad[0]]}",
            "a number, or nothing",
            "correct the field",
        )
    if (heights < 0).any():
        row = int(np.flatnonzero(heights < 0)[0])
        raise RangeError(
            where,
            f"{heights[row]:g} for crown {ids[row]}",
            "0 or more, above the substrate",
            "correct the field; it is a height, not an elevation",
        )
    return heights * feet_per_vertical_unit(given["base_height_unit"], where)
