"""Waypoints as rows of a field table: what their comments and descriptions tell of a tree."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from geotrim.io.fields import text_id
from geotrim.io.gpx import TOLD, told_by
from geotrim.io.repair import counted, listed
from geotrim.model import Note
from geotrim.rules.species import species_key


def with_descriptions(
    rows: Any, stated: Mapping[str, str], subject: str
) -> tuple[Any, tuple[Note, ...]]:
    """Waypoints with columns of a field table beside their own.

    A description as geotrim writes it (:func:`geotrim.io.gpx.description_of`) becomes tag, stem,
    species and heights. One that is the name of a plant and no more is taken for the species. Any
    other is a remark, as a comment is. The time is the date. A column that nothing fills is left
    out.

    Parameters
    ----------
    rows : GeoDataFrame
        From :func:`geotrim.io.gpx.read_gpx`.
    stated : mapping
        Field -> column, as the user named them: a description named there is left as it is.
    subject : str
        The input, for messages.
    """
    texts = {name: _texts(rows, name) for name in ("name", "cmt", "desc")}
    is_free = "desc" not in {column.lower() for column in stated.values()}
    told: list[dict[str, Any]] = []
    plain: list[str] = []
    n_ours = 0
    for name, comment, description in zip(*texts.values(), strict=True):
        ours = told_by(description) if description and is_free else None
        remarks = [comment, description]
        if ours is not None:
            n_ours, remarks = n_ours + 1, [comment]
        elif description and is_free and species_key(description) is not None:
            ours, remarks = {"species": description}, [comment]
            plain.append(description)
        words = "; ".join(dict.fromkeys(part for part in remarks if part)) or None
        told.append({"tag": name, "remarks": words, **_numbers(ours or {})})
    out = rows.copy()
    for field in (*TOLD, "remarks"):
        values = [row.get(field) for row in told]
        is_new = field != "tag" or values != texts["name"]
        if is_new and any(value is not None for value in values):
            out[field] = values
    if "time" in rows.columns and rows["time"].notna().any():
        out["date"] = [None if one is None or one != one else one for one in rows["time"]]
    return out, tuple(_notes(n_ours, plain, subject))


def _texts(rows: Any, name: str) -> list[str | None]:
    if name not in rows.columns:
        return [None] * len(rows)
    return [text_id(value) for value in rows[name]]


def _numbers(told: Mapping[str, str]) -> dict[str, Any]:
    """Lengths as numbers, where they are; others are refused with the rest of the table."""
    out: dict[str, Any] = dict(told)
    for name, text in told.items():
        if name.endswith("_ft"):
            try:
                out[name] = float(text)
            except ValueError:
                out[name] = text
    return out


def _notes(n_ours: int, plain: list[str], subject: str) -> list[Note]:
    notes = []
    if n_ours:
        text = f"species and heights from the descriptions of {counted(n_ours, 'waypoint')}"
        notes.append(Note(subject, text, "info"))
    if plain:
        names = listed([repr(name) for name in dict.fromkeys(plain)], 8)
        text = f"descriptions of {counted(len(plain), 'waypoint')} taken as the species: {names}"
        notes.append(Note(subject, text, "assumed"))
    return notes
