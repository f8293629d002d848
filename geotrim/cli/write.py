"""One result into one file; the suffix says which kind."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from geotrim.errors import FileError, LayerError
from geotrim.io import package
from geotrim.io.aside import new_file
from geotrim.io.record import plain, versions
from geotrim.model import Result

SUFFIXES = (".gpkg", ".geojson", ".csv", ".json")


def write_result(path: Path, result: Result, crs: Any, table: str | None = None) -> list[str]:
    """Write a result; names of the tables written come back.

    Parameters
    ----------
    path : Path
        ``.gpkg`` holds every table as a layer, ``.json`` every table with parameters and notes;
        ``.geojson`` (RFC 7946: WGS 84 degrees; the measures stay as they are) and ``.csv`` hold
        one. A file of that name is replaced once the new one is whole.
    table : str, optional
        Which table, for the kinds that hold one. The first that fits by default.

    Raises
    ------
    FileError
        If the suffix is none of these, or the file cannot be written.
    LayerError
        If there is no such table, or GeoJSON is asked of one without shapes.
    """
    check_suffix(path)
    kind = path.suffix.lower()
    tables = dict(result.tables) if table is None else {table: _table(result, table)}
    with new_file(path) as aside:
        if kind == ".gpkg":
            package.write_layers(aside, tables, crs)
        elif kind == ".json":
            text = json.dumps(result_json(result, tables), indent=2, ensure_ascii=False)
            aside.write_text(text + "\n", encoding="utf-8", newline="\n")
        else:
            fits = [n for n, t in tables.items() if kind == ".csv" or "geometry" in t.columns]
            if not fits:
                raise LayerError(
                    f"table {table or result.operation}",
                    "no shapes in it",
                    "shapes, for GeoJSON",
                    "write a .csv file, or choose another table with --table",
                )
            tables = {fits[0]: tables[fits[0]]}
            write = package.write_csv if kind == ".csv" else package.write_geojson
            write(aside, tables[fits[0]])
    return list(tables)


def check_suffix(path: Path) -> None:
    """Refuse a kind of file that cannot be written; asked before the work is done."""
    if path.suffix.lower() not in SUFFIXES:
        raise FileError(
            f"--out {path}",
            f"the ending {path.suffix!r}" if path.suffix else "no ending",
            f"one of {', '.join(SUFFIXES)}",
            "the ending says which kind of file is written",
        )


def result_json(result: Result, tables: dict[str, Any]) -> dict[str, Any]:
    """A result as JSON: rows without shapes, with parameters, notes and versions."""
    rows = {
        name: package.tidy(table.drop(columns="geometry", errors="ignore")).to_dict("records")
        for name, table in tables.items()
    }
    told: dict[str, Any] = plain(
        {
            "operation": result.operation,
            "parameters": dict(result.parameters),
            "tables": rows,
            "notes": [{"level": n.level, "about": n.about, "text": n.text} for n in result.notes],
            "versions": versions(),
        }
    )
    return told


def _table(result: Result, name: str) -> Any:
    if name not in result.tables:
        known = ", ".join(result.tables)
        raise LayerError("--table", f"{name!r}", f"one of {known}", "choose one of these")
    return result.tables[name]
