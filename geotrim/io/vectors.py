"""Vector layers in: one reader for every format, fast where it can be, and honest about repairs.

Bulk reading goes through Arrow (pyogrio), GeoParquet through geopandas; layers are listed and
described through fiona (:mod:`geotrim.io.layers`).
"""

from __future__ import annotations

import os
import struct
import warnings
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyarrow as pa
import pyogrio
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError as ProjCRSError

from geotrim.errors import FileError, LayerError
from geotrim.io.arcs import (
    ARC_SAGITTA,
    ARC_STEP_DEG,
    CURVED,
    SURFACES,
    base_code,
    straightened,
)
from geotrim.io.crs import layer_crs
from geotrim.io.fields import find_field, match_where
from geotrim.io.files import local_path
from geotrim.io.layers import PARQUET, choose_layer, layer_schema, list_layers
from geotrim.io.repair import clean_layer, counted, listed
from geotrim.model import Note

__all__ = ["layer_schema", "list_layers", "read_layer", "read_rows"]

_READ_ERRORS = (
    pyogrio.errors.DataSourceError,
    pyogrio.errors.DataLayerError,
    pyogrio.errors.FeatureError,
    pyogrio.errors.GeometryError,
    pa.ArrowException,
    UnicodeDecodeError,
    OSError,
    RuntimeError,
    NotImplementedError,
)


def read_layer(
    path: str | os.PathLike[str],
    *,
    layer: str | None = None,
    where: Mapping[str, Any] | None = None,
    crs: Any = None,
    subject: str = "lots",
    kinds: tuple[str, ...] = ("polygon",),
    id_field: str | None = None,
) -> tuple[Any, tuple[Note, ...]]:
    """One layer of any vector file, its geometry fit to measure.

    Parameters
    ----------
    path : path-like
        GeoPackage, shapefile (zipped too), GeoJSON, FlatGeobuf, GeoParquet, or another format
        that the GDAL behind pyogrio opens.
    layer : str, optional
        Needed only when the file leaves a choice.
    where : mapping, optional
        Field -> value (or list of values); only rows that match all are kept. 12, 12.0 and "12"
        are the same value.
    crs : anything pyproj understands, optional
        What an unlabelled file is in.
    subject : str
        The input, for messages; also the layer name preferred when several would do.
    kinds : tuple of str
        Kinds of geometry needed: ``point``, ``line``, ``polygon``.
    id_field : str, optional
        Field that names the features in messages.

    Returns
    -------
    table : GeoDataFrame
        In the file's own CRS. See :func:`geotrim.io.repair.clean_layer` for what was mended.
    notes : tuple of Note

    Raises
    ------
    FileError, LayerError, CRSError, ShapeError
        For what cannot be read or measured.
    """
    table, notes = read_rows(path, layer=layer, crs=crs, subject=subject, kinds=kinds)
    if where:
        table = table[match_where(table, where, subject)]
    names = None
    if id_field is not None:
        field = find_field(table, id_field, subject)
        names = [f"{subject} {value}" for value in table[field]]
    table, mended = clean_layer(table, subject=subject, kinds=kinds, names=names)
    return table, (*notes, *mended)


def read_rows(
    path: str | os.PathLike[str],
    *,
    layer: str | None = None,
    crs: Any = None,
    subject: str = "lots",
    kinds: tuple[str, ...] = ("polygon",),
    role: str | None = None,
) -> tuple[Any, tuple[Note, ...]]:
    """One layer as it stands in the file, arcs straightened, with its CRS settled.

    ``table.attrs["layer"]`` is the layer that was read. Parameters as for :func:`read_layer`;
    ``role`` is the layer name preferred when several would do.
    """
    found = local_path(path, subject)
    notes: list[Note] = []
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        source, name = choose_layer(found, layer, subject, kinds, role or subject)
        if found.suffix.lower() in PARQUET:
            table = _read_parquet(found, subject)
        else:
            table, notes = _read_gdal(source, name, found, subject)
    texts = {
        " ".join(str(w.message).split()) for w in said if issubclass(w.category, RuntimeWarning)
    }
    notes += [Note(subject, f"the file reader warns: {text}", "info") for text in sorted(texts)]
    _check_whole(source, name, found, len(table), subject)
    if not len(table):
        raise LayerError(
            subject,
            f"layer {name!r} of {found.name} with no features",
            "one feature or more",
            "export the layer again, or name another",
        )
    table.attrs["layer"] = name
    label, told = layer_crs(table.crs, crs, table.total_bounds, subject)
    table = table.set_crs(label, allow_override=True)
    return table, (*notes, *told)


def _check_whole(source: str, name: str, path: Path, n_read: int, subject: str) -> None:
    """Refuse a file that breaks off between two features, where its head says how many it holds."""
    if path.suffix.lower() != ".fgb":
        return
    n_told = int(pyogrio.read_info(source, layer=name)["features"])
    if n_told > n_read:
        raise FileError(
            subject,
            f"{path.name}, which breaks off after {n_read} of {n_told} features",
            "a complete file",
            "copy or export it again",
        )


def _read_parquet(path: Path, subject: str) -> Any:
    try:
        return gpd.read_parquet(path)
    except (ValueError, OSError, KeyError, TypeError, ProjCRSError) as error:
        raise _unreadable(path, subject, error) from error


def _unreadable(path: Path, subject: str, error: BaseException) -> FileError:
    said = " ".join(str(error).split())[:160]
    return FileError(
        subject,
        f"{path.name}, which breaks off or is damaged ({said})",
        "a complete vector file",
        "export it again",
    )


def _read_gdal(source: str, name: str, path: Path, subject: str) -> tuple[Any, list[Note]]:
    """Through Arrow; feature by feature where arcs or odd encodings ask for it."""
    try:
        meta, arrow = pyogrio.raw.read_arrow(source, layer=name)
        column = meta["geometry_name"] or "wkb_geometry"
        if column not in arrow.column_names:
            raise LayerError(
                subject,
                f"layer {name!r} of {path.name}, a plain table without geometry",
                "a layer with geometry",
                "name another layer",
            )
        wkb = arrow.column(column).to_numpy(zero_copy_only=False)
        plain = arrow.drop_columns([column])
        plain.validate(full=True)  # text in another encoding shows only here
        attributes = plain.to_pandas()
    except _READ_ERRORS as error:
        return _read_slow(source, name, path, subject, error)
    shapes, notes = _decoded(wkb, subject)
    return gpd.GeoDataFrame(attributes, geometry=shapes, crs=own_crs(meta["crs"])), notes


def _read_slow(
    source: str, name: str, path: Path, subject: str, first: BaseException | None
) -> tuple[Any, list[Note]]:
    """Through pyogrio without Arrow, in latin-1 if the file is not in the encoding it claims."""
    notes: list[Note] = []
    try:
        try:
            table = pyogrio.read_dataframe(source, layer=name)
        except UnicodeDecodeError:
            table = pyogrio.read_dataframe(source, layer=name, encoding="ISO-8859-1")
            text = "text is not in the encoding the file claims; read as ISO-8859-1"
            notes.append(Note(subject, text, "assumed"))
    except _READ_ERRORS as error:
        raise _unreadable(path, subject, error) from (first or error)
    return table.set_crs(own_crs(table.crs), allow_override=True), notes


def own_crs(crs: Any) -> CRS | None:
    """CRS as the file has it; None for a file that says it is undefined."""
    if crs is None or crs == "":
        return None
    try:
        found = CRS.from_user_input(crs)
    except ProjCRSError:
        return None
    return None if "undefined" in found.name.lower() else found


def _decoded(wkb: Any, subject: str) -> tuple[Any, list[Note]]:
    """Shapes of WKB; arcs straightened, open rings closed, the hopeless dropped: all told."""
    codes = np.array([-1 if blob is None else base_code(blob) for blob in wkb])
    is_ours = np.isin(codes, (*CURVED, *SURFACES))
    is_ours[[row for row in np.flatnonzero(codes == 7) if _holds_arcs(wkb[row])]] = True
    shapes = shapely.from_wkb(np.where(is_ours, None, wkb), on_invalid="ignore")
    for row in np.flatnonzero(is_ours):
        with suppress(ValueError, struct.error, shapely.errors.GEOSException):
            shapes[row] = straightened(wkb[row])
    notes: list[Note] = []
    if n_curves := int((is_ours & ~np.isin(codes, SURFACES)).sum()):
        notes.append(_curve_note(subject, n_curves))
    broken = np.flatnonzero(shapely.is_missing(shapes) & (codes >= 0))
    for row in broken[~is_ours[broken]]:
        with suppress(ValueError, shapely.errors.GEOSException):  # ValueError: shapely before 2.1
            shapes[row] = shapely.from_wkb(wkb[row], on_invalid="fix")
    if len(broken):
        rows = listed([f"feature {row + 1}" for row in broken])
        n_closed = int((~shapely.is_missing(shapes[broken])).sum())
        text = f"{counted(len(broken), 'feature')} with an open ring or too few points "
        text += f"({n_closed} closed, the rest unusable): {rows}"
        notes.append(Note(subject, text, "repaired"))
    return shapes, notes


def _holds_arcs(blob: bytes) -> bool:
    """Whether a collection has a part that shapely cannot work with."""
    try:
        shapely.get_coordinates(shapely.from_wkb(blob, on_invalid="ignore"))
    except (NotImplementedError, shapely.errors.GEOSException):
        return True
    return False


def _curve_note(subject: str, n_curves: int) -> Note:
    text = (
        f"{counted(n_curves, 'feature')} with arcs straightened, a vertex each "
        f"{ARC_STEP_DEG:g} deg: off the arc by at most {ARC_SAGITTA:.1e} of its radius "
        f"({100 * ARC_SAGITTA:.3f} ft at 100 ft)"
    )
    return Note(subject, text, "repaired")
