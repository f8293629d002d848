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
from geotrim.ops.catalogue import OPERATIONS
from geotrim.ops.registry import Operation

SUFFIXES = (".gpkg", ".geojson", ".csv", ".json")


def write_result(
    path: Path,
    result: Result,
    crs: Any,
    table: str | None = None,
    *,
    crowns: Any = None,
    is_replacing: bool = False,
) -> list[str]:
    """Write a result; names of the tables written come back.

    Parameters
    ----------
    path : Path
        ``.gpkg`` holds every table as a layer, ``.json`` every table with parameters and notes;
        ``.geojson`` (RFC 7946: WGS 84 degrees; the measures stay as they are) and ``.csv`` hold
        one.
    table : str, optional
        Which table, for the kinds that hold one. The first that fits by default.
    crowns : GeoDataFrame, optional
        Gives tables of crowns their shapes, in the kinds of file that hold shapes.
    is_replacing : bool
        Whether a file of that name may go, once the new one is whole.

    Raises
    ------
    FileError
        If the suffix is none of these, or the file cannot be written.
    LayerError
        If there is no such table, or GeoJSON is asked of one without shapes.
    """
    check_target(path, is_replacing=is_replacing)
    kind = path.suffix.lower()
    tables = dict(result.tables) if table is None else {table: _table(result, table)}
    if kind in (".gpkg", ".geojson") and crowns is not None:
        tables = {name: _with_shapes(one, crowns) for name, one in tables.items()}
    with new_file(path, overwrite=is_replacing) as aside:
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


def check_target(path: Path, *, is_replacing: bool) -> None:
    """Refuse what cannot be written, or must not be; asked before the work is done."""
    if path.suffix.lower() not in SUFFIXES:
        raise FileError(
            f"--out {path}",
            f"the ending {path.suffix!r}" if path.suffix else "no ending",
            f"one of {', '.join(SUFFIXES)}",
            "the ending says which kind of file is written",
        )
    if path.exists() and not is_replacing:
        raise FileError(
            f"--out {path}",
            "a file of that name",
            "a free name",
            "choose another, or say --replace",
        )
    if not path.parent.is_dir():
        raise FileError(
            f"--out {path}", "no folder to write it in", "a folder that exists", "make it first"
        )


def check_table(operation: Operation, name: str | None) -> None:
    """Refuse a table the operation does not make; asked before the work is done.

    Of a plug-in the result is asked, which may hold more tables than it declares.
    """
    if name is None or name in operation.outputs or operation.name not in OPERATIONS:
        return
    raise _no_table(name, list(operation.outputs))


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


def _with_shapes(table: Any, crowns: Any) -> Any:
    """A table of crowns with the crowns' shapes; any other table as it is."""
    if "crown_id" not in table.columns or "geometry" in table.columns:
        return table
    shapes = dict(zip(crowns["crown_id"].astype(str), crowns.geometry, strict=True))
    column = [shapes.get(str(crown_id)) for crown_id in table["crown_id"]]
    return type(crowns)(table.assign(geometry=column), geometry="geometry", crs=crowns.crs)


def _table(result: Result, name: str) -> Any:
    if name not in result.tables:
        raise _no_table(name, list(result.tables))
    return result.tables[name]


def _no_table(name: str, known: list[str]) -> LayerError:
    near = [one for one in known if name in one] if name else []
    mend = f"say {near[0]!r} if you meant that" if len(near) == 1 else "choose one of these"
    return LayerError("--table", f"{name!r}", f"one of {', '.join(known)}", mend)
