"""Inputs that ``geotrim prepare`` made in folders below: what a starter takes from them.

A prepared folder holds a record that names the preparation, and the tables of a site file that use
what was made. Those are copied, so what a preparation knows (a unit, an origin, an epoch, an error)
is not asked for again.
"""

from __future__ import annotations

import json
import os
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from geotrim.errors import GeotrimError
from geotrim.io.files import sha256_of
from geotrim.io.layers import layer_schema, list_layers
from geotrim.io.repair import listed
from geotrim.io.site_spec import SITE_TABLES
from geotrim.io.starter_find import Found
from geotrim.model import Note

#: Name of the file beside a record that holds tables of a site file.
SITE_PART = "for_site_file.toml"
#: Folders are looked for this deep: ``heights``, and ``prepared/heights``.
DEEPEST = 2


@dataclass(frozen=True, slots=True, eq=False)
class Made:
    """One prepared folder.

    tables : table of a site file -> its keys, paths relative to ``folder``.
    inputs : the files it was made from, as its record tells them.
    places : path as it was typed -> where that was.
    """

    folder: Path
    preparation: str
    caution: str
    started: str
    tables: Mapping[str, Mapping[str, Any]]
    inputs: tuple[Mapping[str, Any], ...]
    places: Mapping[str, str]


def prepared_in(folder: Path, notes: list[Note]) -> list[Made]:
    """Prepared folders below a folder, the newest first; those that cannot be read are told."""
    found = []
    for place in _below(folder, DEEPEST):
        try:
            record = json.loads((place / "record.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            continue
        if not isinstance(record, dict) or not isinstance(record.get("preparation"), str):
            continue
        try:
            tables = tomllib.loads((place / SITE_PART).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            text = f"left out: its {SITE_PART} is missing or damaged; prepare it again"
            notes.append(Note(_shown(place, folder), text, "missing"))
            continue
        found.append(_made(place, record, tables))
    return sorted(found, key=lambda made: (made.started, str(made.folder)), reverse=True)


def _below(folder: Path, depth: int) -> Iterator[Path]:
    """Folders below, hidden ones (a run that is not at its end) left out."""
    for item in sorted(folder.iterdir()):
        if item.is_dir() and not item.name.startswith("."):
            yield item
            if depth > 1:
                yield from _below(item, depth - 1)


def _made(place: Path, record: Mapping[str, Any], tables: Mapping[str, Any]) -> Made:
    inputs = record.get("inputs")
    named = record.get("files_named") or {}
    places = {item["path"]: item["absolute_path"] for many in named.values() for item in many}
    return Made(
        place,
        record["preparation"],
        str(record.get("caution") or ""),
        str(record.get("started_utc") or ""),
        {name: values for name, values in tables.items() if isinstance(values, dict)},
        tuple(item for item in inputs if isinstance(item, dict)) if inputs else (),
        places,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """One table of a site file as a preparation gives it.

    found : the layer or raster it names, None where it is not there.
    values : key -> value; ``file`` is a path that can be opened from here.
    told : which preparation made it, and which others could stand in its place.
    """

    found: Found | None
    values: Mapping[str, Any]
    told: str


def parts_of(made: list[Made], folder: Path) -> dict[str, Part]:
    """Table -> what the newest preparation of it gives.

    Parameters
    ----------
    made : list of Made
        The newest first.
    folder : Path
        What names are told relative to.
    """
    parts: dict[str, Part] = {}
    for one in made:
        for table, values in one.tables.items():
            known = {key: value for key, value in values.items() if key in _keys(table)}
            if table in parts or not known:
                continue
            others = [other for other in made if other is not one and table in other.tables]
            told = f"made by geotrim prepare {one.preparation}"
            if others:
                names = listed(_shown(other.folder, folder) for other in others)
                told += f", the newest; also possible: {names}"
            file = known.get("file")
            if isinstance(file, str):
                known["file"] = str(one.folder / file)
            parts[table] = Part(_found(known), known, told)
    return parts


def _keys(table: str) -> Any:
    from geotrim.ops.catalogue import option_params

    return option_params() if table == "options" else SITE_TABLES.get(table, {})


def _found(values: Mapping[str, Any]) -> Found | None:
    """The layer or raster that a table names."""
    path = Path(str(values.get("file", "")))
    if "file" not in values or not path.exists():
        return None
    try:
        layers = list_layers(path, subject=path.name)
        name = values.get("layer") or layers[0]
        return Found(path, layer_schema(path, name, subject=path.name), len(layers))
    except (GeotrimError, IndexError):
        return Found(path)  # a raster, or a table without shapes


def lots_of(made: list[Made]) -> tuple[Found, str] | None:
    """The lots that a preparation was made for, if that file is still where and what it was.

    Returns
    -------
    found : Found
    told : str
        Which record names it.
    """
    for one in made:
        for item in one.inputs:
            typed = str(item.get("path", ""))
            path = Path(one.places.get(typed, typed))
            if item.get("role") != "lots" or not path.is_file():
                continue
            if sha256_of(path)[0] != item.get("sha256"):
                continue
            try:
                layers = list_layers(path, subject=path.name)
                schema = layer_schema(path, item.get("layer") or layers[0], subject=path.name)
            except (GeotrimError, IndexError):
                continue
            told = f"named in the record of geotrim prepare {one.preparation}"
            return Found(path, schema, len(layers)), told
    return None


def _shown(place: Path, folder: Path) -> str:
    return Path(os.path.relpath(place, folder)).as_posix()
