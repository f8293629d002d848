"""A vector layer read batch by batch through Arrow: no more than one batch is ever in memory.

The same files as :mod:`geotrim.io.vectors` reads. Shapes stay well-known binary in Arrow's buffers
until somebody needs them (:mod:`geotrim.io.wkb_shapes`).
"""

from __future__ import annotations

import json
import os
import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyogrio

from geotrim.errors import FileError, LayerError
from geotrim.io.fields import one_named
from geotrim.io.files import local_path
from geotrim.io.layers import PARQUET, choose_layer
from geotrim.io.vectors import own_crs
from geotrim.model import Note

_READ_ERRORS = (
    pyogrio.errors.DataSourceError,
    pyogrio.errors.DataLayerError,
    pyogrio.errors.FeatureError,
    pyogrio.errors.FieldError,
    pyogrio.errors.GeometryError,
    pa.ArrowException,
    OSError,
    RuntimeError,
    NotImplementedError,
)


@dataclass(frozen=True, slots=True, eq=False)
class Batch:
    """Some rows that follow one another in a file.

    first : number of the first, from 0.
    columns : field -> Arrow array.
    wkb : shapes as they are in the file, Arrow's ``binary``; None where they were not asked for.
    """

    first: int
    n_rows: int
    columns: Mapping[str, Any]
    wkb: Any = None


@dataclass(frozen=True, slots=True, eq=False)
class VectorStream:
    """A layer of a file, as often read as is asked for.

    source : what GDAL opens.
    crs : as the file has it, None where it does not say.
    fields : names of its fields.
    n_features : how many it says it holds; -1 where that is not known before reading.
    subject : the input, for messages.
    notes : what is to be told when it has been read.
    """

    path: Path
    source: str
    layer: str
    crs: Any
    fields: tuple[str, ...]
    n_features: int
    subject: str
    notes: list[Note] = field(default_factory=list)

    def field(self, name: str, where: str) -> str:
        """The field of that name, in either case.

        Raises
        ------
        LayerError
            If there is none.
        """
        mend = "name one of these, or leave it out"
        return one_named(name, list(self.fields), where, "field", mend)

    def usual_field(self, name: str) -> str | None:
        """The field of a usual name, in either case, where the file has it."""
        return next((field for field in self.fields if field.lower() == name), None)

    def batches(
        self, fields: Sequence[str] = (), *, batch_rows: int, with_shapes: bool = True
    ) -> Iterator[Batch]:
        """Rows in file order.

        Raises
        ------
        FileError
            If the file breaks off or is damaged.
        """
        read = _parquet_batches if self._is_parquet else _gdal_batches
        n_read = 0
        for columns, wkb, n_rows in read(self, list(fields), batch_rows, with_shapes):
            yield Batch(n_read, n_rows, columns, wkb)
            n_read += n_rows
        if self.path.suffix.lower() == ".fgb" and n_read < self.n_features:
            found = f"{self.path.name}, which breaks off after {n_read} of {self.n_features}"
            raise FileError(
                self.subject, f"{found} features", "a complete file", "copy or export it again"
            )

    @property
    def _is_parquet(self) -> bool:
        return self.path.suffix.lower() in PARQUET


def open_stream(
    path: str | os.PathLike[str],
    *,
    layer: str | None = None,
    subject: str,
    kinds: tuple[str, ...],
    role: str | None = None,
) -> VectorStream:
    """A layer to stream.

    Parameters
    ----------
    path, layer, subject, kinds
        As for :func:`geotrim.io.vectors.read_layer`.
    role : str, optional
        The layer name preferred when several would do.

    Raises
    ------
    FileError, LayerError
        If the file cannot be opened, has no such layer, or no shapes.
    """
    found = local_path(path, subject)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        source, name = choose_layer(found, layer, subject, kinds, role or subject)
    if found.suffix.lower() in PARQUET:
        return _open_parquet(found, name, subject)
    with _readable(found, subject):
        info = pyogrio.read_info(source, layer=name)
    if info["geometry_type"] is None:
        raise _no_shapes(found, name, subject)
    fields = tuple(str(field) for field in info["fields"])
    crs, n_features = own_crs(info["crs"]), int(info["features"])
    return VectorStream(found, source, name, crs, fields, n_features, subject)


def _open_parquet(path: Path, name: str, subject: str) -> VectorStream:
    import pyarrow.parquet as pq

    with _readable(path, subject):
        schema, stands = pq.read_schema(path), pq.read_metadata(path)
        geo = json.loads((stands.metadata or {}).get(b"geo", b"{}"))  # the schema may lack it
    columns = geo.get("columns", {})
    column = columns.get(geo.get("primary_column"))
    if column is None:
        raise _no_shapes(path, name, subject)
    if str(column.get("encoding", "WKB")).upper() != "WKB":
        raise LayerError(
            subject,
            f"shapes of {path.name} encoded as {column['encoding']}",
            "well-known binary (WKB)",
            "write the file with geometry_encoding WKB",
        )
    said = column.get("crs", "OGC:CRS84")  # the standard's own default
    crs = own_crs(json.dumps(said) if isinstance(said, dict) else said)
    boxes = column.get("covering", {}).get("bbox", {})
    not_fields = {*columns, *(path[0] for path in boxes.values())}
    fields = tuple(field.name for field in schema if field.name not in not_fields)
    source = geo["primary_column"]
    return VectorStream(path, source, name, crs, fields, stands.num_rows, subject)


def _no_shapes(path: Path, name: str, subject: str) -> LayerError:
    found = f"layer {name!r} of {path.name}, a plain table without geometry"
    return LayerError(subject, found, "a layer with geometry", "name another layer")


def _gdal_batches(
    stream: VectorStream, fields: list[str], batch_rows: int, with_shapes: bool
) -> Iterator[tuple[dict[str, Any], Any, int]]:
    with (
        warnings.catch_warnings(),
        _readable(stream.path, stream.subject),
        pyogrio.open_arrow(
            stream.source,
            layer=stream.layer,
            columns=fields,
            read_geometry=with_shapes,
            batch_size=batch_rows,
            use_pyarrow=True,
        ) as (meta, reader),
    ):
        warnings.simplefilter("ignore", RuntimeWarning)
        shapes = meta["geometry_name"] or "wkb_geometry"
        for batch in reader:
            yield (
                _columns(stream, batch, fields),
                _binary(batch, shapes, with_shapes),
                batch.num_rows,
            )


def _parquet_batches(
    stream: VectorStream, fields: list[str], batch_rows: int, with_shapes: bool
) -> Iterator[tuple[dict[str, Any], Any, int]]:
    import pyarrow.parquet as pq

    with (
        _readable(stream.path, stream.subject),
        pq.ParquetFile(stream.path, buffer_size=1 << 20, pre_buffer=False) as opened,
    ):
        names = list(dict.fromkeys([*fields, *([stream.source] if with_shapes else [])]))
        for batch in opened.iter_batches(batch_size=batch_rows, columns=names):
            shapes = _binary(batch, stream.source, with_shapes)
            yield _columns(stream, batch, fields), shapes, batch.num_rows


def _columns(stream: VectorStream, batch: Any, fields: list[str]) -> dict[str, Any]:
    return {name: _sound(stream, batch.column(name)) for name in fields}


def _sound(stream: VectorStream, array: Any) -> Any:
    """Text that is not in the encoding it claims is taken as ISO-8859-1, as a run takes it."""
    if pa.types.is_dictionary(array.type):
        array = array.dictionary_decode()
    if not (pa.types.is_string(array.type) or pa.types.is_large_string(array.type)):
        return array
    try:
        array.validate(full=True)
    except pa.ArrowInvalid:
        text = "text is not in the encoding the file claims; read as ISO-8859-1"
        if not stream.notes:
            stream.notes.append(Note(stream.subject, text, "assumed"))
        blobs = array.cast(pa.large_binary()).to_pylist()
        return pa.array([None if b is None else b.decode("latin-1") for b in blobs], pa.string())
    return array


def _binary(batch: Any, name: str, is_asked: bool) -> Any:
    if not is_asked:
        return None
    array = batch.column(name)
    array = getattr(array, "storage", array)
    return array if pa.types.is_binary(array.type) else array.cast(pa.binary())


@contextmanager
def _readable(path: Path, subject: str) -> Iterator[None]:
    try:
        yield
    except _READ_ERRORS as error:
        said = " ".join(str(error).split())[:160]
        raise FileError(
            subject,
            f"{path.name}, which breaks off or is damaged ({said})",
            "a complete vector file",
            "export it again",
        ) from error
