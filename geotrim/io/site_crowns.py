"""The crowns of a site: species, heights and the plan, from the fields the user named."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from geotrim.errors import LayerError, RangeError
from geotrim.io.fields import find_field, text_id, text_ids, usual_field
from geotrim.io.repair import counted, listed
from geotrim.io.site_spec import SiteSpec
from geotrim.model import Note
from geotrim.units import feet_per_vertical_unit

#: Key of a field of heights, key of its unit, column it becomes.
HEIGHTS = (
    ("base_height_field", "base_height_unit", "base_height_ft"),
    ("height_field", "height_unit", "field_height_ft"),
    ("target_height_field", "height_unit", "target_height_ft"),
)
#: Field that marks crowns drawn by a machine.
DRAFT = "is_draft"
#: Why a tree is left as it is where its field says yes and no more.
KEPT = "marked to be kept"
#: What a field of yes and no may say, whatever the case.
YES_NO = {"true": True, "1": True, "yes": True, "false": False, "0": False, "no": False}


def crowns_table(spec: SiteSpec, table: Any, ids: list[str]) -> tuple[Any, tuple[Note, ...]]:
    """Crowns with ``crown_id``, ``species``, ``base_height_ft`` and what else the user named.

    Raises
    ------
    LayerError
        If a field named does not exist, heights are no numbers, or a yes or no is neither.
    RangeError
        If a height is under 0.
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
    columns: dict[str, Any] = {
        "crown_id": ids,
        "species": pd.Series(species, dtype=object),
        "base_height_ft": np.full(len(table), np.nan),
    }
    for key, unit, name in HEIGHTS:
        if key in given:
            columns[name] = _heights(spec, key, unit, table, ids)
    _tell_field_heights(columns, given, notes)
    if "trim_field" in given:
        columns["is_to_trim"] = _to_trim(spec, given["trim_field"], table, ids)
        n_open = int(columns["is_to_trim"].isna().sum())
        if n_open:
            text = f"not said of {counted(n_open, 'crown')} of {len(ids)} whether to trim"
            notes.append(Note("crowns", text, "missing"))
    if "keep_field" in given:
        columns["keep"] = _kept(spec, given["keep_field"], table, notes)
    _tell_drafts(columns, table, notes)
    shapes = np.asarray(table.geometry.array)
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=table.crs), tuple(notes)


def _tell_drafts(columns: dict[str, Any], table: Any, notes: list[Note]) -> None:
    """Crowns that a machine drew, as ``geotrim prepare crowns`` marks them in ``is_draft``."""
    if DRAFT not in table.columns:
        return
    is_draft = [YES_NO.get((text or "").lower(), False) for text in text_ids(table[DRAFT])]
    n = sum(is_draft)
    if not n:
        return
    columns[DRAFT] = np.array(is_draft, dtype=bool)
    text = (
        f"{n} of {len(table)} are a draft made from heights ({DRAFT}): how many trees there are, "
        "their outlines, and the depths and shares that rest on them are to be confirmed in the "
        f"field; set {DRAFT} to false where that is done"
    )
    notes.append(Note("crowns", text, "assumed"))


def _tell_field_heights(
    columns: dict[str, Any], given: Mapping[str, Any], notes: list[Note]
) -> None:
    """Heights measured on site: their error beside them, and how many there are."""
    if "field_height_ft" not in columns:
        return
    known = np.isfinite(columns["field_height_ft"])
    if "height_rmse_ft" in given:
        error_ft = np.where(known, float(given["height_rmse_ft"]), np.nan)
        columns["field_height_error_ft"] = error_ft
    else:
        text = "no standard error of the heights measured on site; say it as height_rmse_ft"
        notes.append(Note("crowns", text, "missing"))
    text = f"{int(known.sum())} of {len(known)} have a height measured on site"
    notes.append(Note("crowns", text, "info"))


def _heights(spec: SiteSpec, key: str, unit: str, table: Any, ids: list[str]) -> Any:
    """Heights of one field in feet; NaN where it is empty."""
    given, where = spec.table("crowns") or {}, spec.where("crowns", key)
    raw = table[find_field(table, given[key], where)]
    heights = pd.to_numeric(raw, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    blank = [text_id(value) is None for value in raw]
    bad = np.flatnonzero(~np.isfinite(heights) & ~np.array(blank))
    if len(bad):
        raise LayerError(
            where,
            f"{str(raw.iloc[bad[0]])!r} for crown {ids[bad[0]]}",
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
    return heights * feet_per_vertical_unit(given[unit], where)


def _to_trim(spec: SiteSpec, field: str, table: Any, ids: list[str]) -> Any:
    """True, False or None for each crown."""
    where = spec.where("crowns", "trim_field")
    told = text_ids(table[find_field(table, field, where)])
    for crown, text in zip(ids, told, strict=True):
        if text is not None and text.lower() not in YES_NO:
            raise LayerError(
                where,
                f"{text!r} for crown {crown}",
                "true or false, 1 or 0, yes or no, or nothing where it is not known",
                "correct the field",
            )
    answers = [None if text is None else YES_NO[text.lower()] for text in told]
    return pd.Series(answers, dtype=object)


def _kept(spec: SiteSpec, field: str, table: Any, notes: list[Note]) -> Any:
    """Why each crown is to be left as it is, None where nothing is said or no.

    A word that is neither yes nor no is a reason: what is not understood leaves the tree standing.
    """
    where = spec.where("crowns", "keep_field")
    told = text_ids(table[find_field(table, field, where)])
    answers = [YES_NO.get((text or "no").lower(), text) for text in told]
    why = [KEPT if a is True else None if a is False else a for a in answers]
    reasons = [text for text in why if text is not None]
    if reasons:
        words = listed([f"{text} ({reasons.count(text)})" for text in dict.fromkeys(reasons)], 6)
        text = f"{len(reasons)} of {len(why)} are to be left as they are: {words}"
        notes.append(Note("crowns", text, "info"))
    return pd.Series(why, dtype=object)
