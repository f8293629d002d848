"""Layers of a vector file: listed, described and written through fiona, one at a time."""

from __future__ import annotations

import difflib
import os
import shutil
import uuid
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import fiona
import pyogrio

from geotrim.errors import FileError, LayerError
from geotrim.io.files import local_path, zipped_members
from geotrim.io.repair import listed

PARQUET = (".parquet", ".geoparquet")
#: What is looked for inside a zip archive.
ZIPPED = (".shp", ".gpkg", ".geojson", ".json", ".fgb", ".gml", ".kml")

_READ_ERRORS = (fiona.errors.FionaError, ValueError, OSError, RuntimeError)


@dataclass(frozen=True, slots=True)
class LayerSchema:
    """What one layer holds.

    kind : ``point``, ``line``, ``polygon``, ``mixed`` (or not said) or ``none`` (a plain table).
    fields : field name -> type, as fiona writes it (``str:80``).
    source : what GDAL is given to open it.
    """

    name: str
    kind: str
    fields: Mapping[str, str]
    crs: str | None
    n_features: int
    source: str


def kind_of(geometry: str | None) -> str:
    """Kind of an OGR geometry type name.

    Examples
    --------
    >>> kind_of("3D MultiPolygon"), kind_of("CompoundCurve"), kind_of("Unknown"), kind_of(None)
    ('polygon', 'line', 'mixed', 'none')
    """
    name = (geometry or "none").lower()
    for kind, words in {
        "none": ("none",),
        "polygon": ("polygon", "surface", "triangle", "tin"),
        "line": ("line", "curve", "circularstring"),
        "point": ("point",),
    }.items():
        if any(word in name for word in words):
            return kind
    return "mixed"


def sources_of(path: Path, subject: str) -> list[str]:
    """What GDAL is given to open a file: the path itself, or the data files inside a zip."""
    if path.suffix.lower() != ".zip":
        return [str(path)]
    members = zipped_members(path, ZIPPED, subject)
    if not members:
        raise FileError(
            subject,
            f"{path}, which holds no vector file",
            f"a {', '.join(ZIPPED)} file inside",
            "unpack it and name the file itself",
        )
    return [f"/vsizip/{path.absolute()}/{member}" for member in members]


def _names(source: str, path: Path, subject: str) -> list[str]:
    if path.suffix.lower() in PARQUET:
        return [path.stem]
    try:
        return list(fiona.listlayers(source))
    except _READ_ERRORS:  # formats that fiona's GDAL was built without
        try:
            return [str(name) for name in pyogrio.list_layers(source)[:, 0]]
        except (pyogrio.errors.DataSourceError, ValueError, RuntimeError) as error:
            raise _unreadable(path, subject, error) from error


def _unreadable(path: Path, subject: str, error: Exception) -> FileError:
    said = " ".join(str(error).split("; It might")[0].split(". ")[0].split())
    return FileError(
        subject,
        f"{path.name}, which cannot be read as vector data ({said})",
        "a GeoPackage, shapefile, GeoJSON, FlatGeobuf, GeoParquet or another GDAL vector",
        "open it in the program that made it and export it again",
    )


def list_layers(path: str | os.PathLike[str], *, subject: str = "layer") -> list[str]:
    """Names of the layers in a vector file, plain tables included.

    Raises
    ------
    FileError
        If the file is missing or cannot be read.
    """
    found = local_path(path, subject)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return [n for source in sources_of(found, subject) for n in _names(source, found, subject)]


def layer_schema(
    path: str | os.PathLike[str], layer: str | None = None, *, subject: str = "layer"
) -> LayerSchema:
    """Fields, geometry kind, CRS and length of one layer; the first if none is named.

    Raises
    ------
    FileError, LayerError
        If the file cannot be read, or has no such layer.
    """
    found = local_path(path, subject)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pairs = _pairs(found, subject)
        if not pairs:
            raise LayerError(subject, f"{found.name} without layers", "one or more", "export again")
        source, name = pairs[0] if layer is None else _named(pairs, layer, found, subject)
        return _schema(source, name, found, subject)


def first_values(path: Path, schema: LayerSchema, field: str, n: int = 3) -> list[Any]:
    """Values of one field in the first features of a layer; none where fiona cannot read it."""
    if path.suffix.lower() in PARQUET:
        return []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            with fiona.open(schema.source, layer=schema.name) as opened:
                return [
                    item["properties"][field] for item, _ in zip(opened, range(n), strict=False)
                ]
        except (*_READ_ERRORS, KeyError):
            return []


def _pairs(path: Path, subject: str) -> list[tuple[str, str]]:
    return [(s, n) for s in sources_of(path, subject) for n in _names(s, path, subject)]


def _named(pairs: list[tuple[str, str]], layer: str, path: Path, subject: str) -> tuple[str, str]:
    names = [name for _, name in pairs]
    same = [n for n in names if n == layer] or [n for n in names if n.lower() == layer.lower()]
    if len(same) == 1:
        return pairs[names.index(same[0])]
    near = difflib.get_close_matches(layer, names, n=1, cutoff=0.5)
    raise LayerError(
        subject,
        f"no layer {layer!r} in {path.name}",
        f"one of its layers: {listed(names, 12)}",
        f"say {near[0]!r} if you meant that" if near else "name one of these",
    )


def _schema(source: str, name: str, path: Path, subject: str) -> LayerSchema:
    if path.suffix.lower() in PARQUET:
        return _parquet_schema(path, name, subject)
    try:
        with fiona.open(source, layer=name) as opened:
            schema, crs = opened.schema, opened.crs_wkt or None
            kind = kind_of(schema["geometry"])
            return LayerSchema(name, kind, dict(schema["properties"]), crs, len(opened), source)
    except _READ_ERRORS:
        try:
            info = pyogrio.read_info(source, layer=name)
        except (pyogrio.errors.DataSourceError, ValueError, RuntimeError) as error:
            raise _unreadable(path, subject, error) from error
        fields = {str(f): str(d) for f, d in zip(info["fields"], info["dtypes"], strict=True)}
        kind = kind_of(info["geometry_type"])
        return LayerSchema(name, kind, fields, info["crs"], int(info["features"]), source)


def _parquet_schema(path: Path, name: str, subject: str) -> LayerSchema:
    import json

    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        described = pq.read_schema(path)
        stands = pq.read_metadata(path)
    except (pa.ArrowInvalid, OSError) as error:
        raise _unreadable(path, subject, error) from error
    geo = json.loads((stands.metadata or {}).get(b"geo", b"{}"))  # the schema may lack it
    column = geo.get("columns", {}).get(geo.get("primary_column"), {})
    kinds = {kind_of(text) for text in column.get("geometry_types", [])}
    kind = kinds.pop() if len(kinds) == 1 else "mixed" if column else "none"
    fields = {f.name: str(f.type) for f in described if f.name not in geo.get("columns", {})}
    crs = column.get("crs", "OGC:CRS84")  # the standard's own default
    return LayerSchema(
        name,
        kind,
        fields,
        json.dumps(crs) if isinstance(crs, dict) else crs,
        stands.num_rows,
        str(path),
    )


def _plain(name: str) -> str:
    return name.lower().replace(" ", "_").replace("-", "_").rstrip("s")


def choose_layer(
    path: Path, layer: str | None, subject: str, kinds: tuple[str, ...], role: str
) -> tuple[str, str]:
    """Pick the layer to read: (what GDAL opens, layer name).

    A named layer wins; else the only one; else the one called like the role; else the only one
    with the kind of geometry needed.

    Raises
    ------
    LayerError
        If the choice is the user's to make; the layers are listed.
    """
    pairs = _pairs(path, subject)
    if not pairs:
        raise LayerError(subject, f"{path.name} without layers", "one layer", "export it again")
    if layer is not None:
        return _named(pairs, layer, path, subject)
    if len(pairs) == 1:
        return pairs[0]
    alike = [pair for pair in pairs if _plain(pair[1]) == _plain(role)]
    if len(alike) == 1:
        return alike[0]
    found = {pair: _schema(*pair, path, subject) for pair in pairs}
    fits = [pair for pair, schema in found.items() if schema.kind in kinds]
    if len(fits) == 1:
        return fits[0]
    told = listed([f"{s.name} ({s.kind}, {s.n_features})" for s in found.values()], 12)
    raise LayerError(
        subject,
        f"{len(pairs)} layers in {path.name}: {told}",
        f"to know which one holds the {role.replace('_', ' ')}",
        "name it with layer",
    )


_FIELD_TYPES = {"i": "int", "u": "int", "f": "float", "b": "bool", "M": "datetime"}


def write_layer(
    table: Any, path: str | os.PathLike[str], *, layer: str, driver: str = "GPKG"
) -> Path:
    """Write one layer through fiona; other layers of the same file stay.

    The file is written aside and then renamed, so it is never half written.

    Parameters
    ----------
    table : GeoDataFrame
        Missing values become nulls.
    path : path-like
    layer : str
        Replaced where the file has it already.
    driver : str
        A fiona driver of one-file formats (``GPKG``, ``GeoJSON``, ``FlatGeobuf``).
    """
    target = Path(path)
    aside = target.with_name(f".{uuid.uuid4().hex}{target.suffix}")
    try:
        if target.exists():
            shutil.copyfile(target, aside)
        _write(table, aside, layer, driver)
        aside.replace(target)
    finally:
        aside.unlink(missing_ok=True)
    return target


def _write(table: Any, path: Path, layer: str, driver: str) -> None:
    import pandas as pd

    columns = [name for name in table.columns if name != table.geometry.name]
    kinds = set(table.geometry.geom_type.dropna())
    schema = {
        "geometry": kinds.pop() if len(kinds) == 1 else "Unknown",
        "properties": {n: _FIELD_TYPES.get(table[n].dtype.kind, "str") for n in columns},
    }
    rows = table[columns].astype(object).where(pd.notna(table[columns]), None)
    crs = table.crs.to_wkt() if table.crs is not None else None
    with fiona.open(path, "w", driver=driver, layer=layer, schema=schema, crs_wkt=crs) as out:
        out.writerecords(
            {
                "geometry": None if shape is None else shape.__geo_interface__,
                "properties": dict(zip(columns, values, strict=True)),
            }
            for shape, values in zip(
                table.geometry, rows.itertuples(index=False, name=None), strict=True
            )
        )
