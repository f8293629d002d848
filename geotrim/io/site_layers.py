"""Layers of a site: read, mended, and brought into one CRS; errors get the key and the line."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pyproj import CRS

from geotrim.errors import CRSError, FileError, GeotrimError, LayerError
from geotrim.io import site_parts
from geotrim.io.crs import choose_site_crs, layer_crs, to_site
from geotrim.io.files import local_path, sha256_of
from geotrim.io.repair import clean_layer
from geotrim.io.site_spec import SiteSpec
from geotrim.io.vectors import read_rows
from geotrim.model import InputFile, Note


@dataclass(slots=True)
class Loading:
    """What has been gathered while a site is read.

    digests : hashes of files that are known already.
    """

    spec: SiteSpec
    crs: CRS | None = None
    notes: list[Note] = field(default_factory=list)
    inputs: list[InputFile] = field(default_factory=list)
    digests: dict[Path, tuple[str, str]] = field(default_factory=dict)

    def digest_of(self, path: Path) -> tuple[str, str]:
        """Hash of an input and what went into it; a file of several layers is hashed once."""
        if path not in self.digests:
            self.digests[path] = sha256_of(path)
        return self.digests[path]


def _said(spec: SiteSpec, *place: str | int) -> Mapping[str, Any]:
    """One table of the spec: ("lots") or ("setbacks", 0)."""
    table = spec.values[str(place[0])]
    for part in place[1:]:
        table = table[part]
    said: Mapping[str, Any] = table
    return said


@contextmanager
def placed(spec: SiteSpec, *place: str | int) -> Iterator[None]:
    """Errors of a reader get the key and the line of the site file."""
    try:
        yield
    except GeotrimError as error:
        if error.subject.startswith("["):
            raise
        table, keys = _said(spec, *place), spec.tables[str(place[0])]
        rest = error.subject.removeprefix(role_of(spec, *place)).strip(" ,")
        key = "file"
        if rest in keys:  # "heights unit"
            key, rest = rest, ""
        elif isinstance(error, CRSError) and "crs" in table:
            key = "crs"
        elif isinstance(error, LayerError) and "layer" in table:
            key = "layer"
        subject = ", ".join(part for part in (spec.where(*place, key), rest) if part)
        raise type(error)(subject, error.found, error.need, error.mend) from error


def role_of(spec: SiteSpec, *place: str | int) -> str:
    """What notes call an input."""
    name = str(place[0])
    if len(place) == 1:
        return name
    if name == "eyes":
        return name if len(spec.values[name]) == 1 else f"eyes {int(place[1]) + 1}"
    return f"setback {_said(spec, *place)['name']!r}"


def read_input(run: Loading, *place: str | int, kinds: tuple[str, ...]) -> Any:
    """Rows of one input in its own CRS, and the file in the list of inputs."""
    spec = run.spec
    table = _said(spec, *place)
    role = role_of(spec, *place)
    source = table["file"]
    layer, digest, detail = None, "", {}
    with placed(spec, *place):
        if not isinstance(source, str):
            rows, notes = _given_rows(source, table.get("crs"), role)
        else:
            path = local_path(resolved(spec.folder, source, role), role)
            digest, how = run.digest_of(path)
            rows, notes = read_rows(
                path,
                layer=table.get("layer"),
                crs=table.get("crs"),
                subject=role,
                kinds=kinds,
                role=str(place[0]),
            )
            layer, detail = rows.attrs["layer"], {"sha256_of": how}
    run.notes += notes
    is_file = isinstance(source, str)
    shown = relative(spec.folder, source) if is_file else "given in memory"
    run.inputs.append(InputFile(role, shown, digest, layer, len(rows), code_of(rows.crs), detail))
    return rows


def resolved(folder: Path, text: str, role: str) -> str:
    """A path of the site file, relative to its folder; an address is refused."""
    if "\0" in text or "://" in text or text.lower().startswith("/vsi"):
        local_path(text, role)  # says what is wrong with an address
    return str(folder / Path(text).expanduser())


def relative(folder: Path, text: str) -> str:
    """A path as the record tells it: relative to the site's folder where the file lies in it."""
    path = Path(text).expanduser()
    if path.is_absolute() and path.is_relative_to(folder):
        return path.relative_to(folder).as_posix()
    return text


def code_of(crs: Any) -> str:
    """Code of a CRS, or its name where it has none."""
    authority = crs.to_authority()
    return ":".join(authority) if authority else str(crs.name)


def _given_rows(source: Any, stated: Any, role: str) -> tuple[Any, tuple[Note, ...]]:
    """Rows of a GeoDataFrame (or GeoSeries) given in Python."""
    import geopandas as gpd

    if isinstance(source, gpd.GeoSeries):
        source = source.to_frame("geometry").set_geometry("geometry")
    try:
        own, bounds = source.crs, source.total_bounds
    except AttributeError:
        raise FileError(
            role,
            f"a {type(source).__name__}",
            "a GeoDataFrame with a geometry column, or a path",
            "make one with geopandas",
        ) from None
    if not len(source):
        raise LayerError(role, "no features", "one or more", "check how the table was made")
    crs, notes = layer_crs(own, stated, bounds, role)
    rows = source.rename_geometry("geometry") if source.geometry.name != "geometry" else source
    return rows.reset_index(drop=True).set_crs(crs, allow_override=True), notes


def cleaned(
    run: Loading,
    rows: Any,
    role: str,
    kinds: tuple[str, ...],
    *place: str | int,
    names: Any = None,
) -> Any:
    """Rows mended, brought into the site's CRS, and mended again where that made it needed."""
    with placed(run.spec, *place):
        rows, notes = clean_layer(rows, subject=role, kinds=kinds, names=names)
        run.notes += notes
        if run.crs is None:
            stated = run.spec.values["site"].get("crs")
            where = run.spec.where("site", "crs")
            run.crs, told = choose_site_crs(rows.crs, rows.total_bounds, stated, where, role)
            run.notes += told
        moved, notes = to_site(rows, run.crs, role)
        if not notes:
            return moved
        moved, again = clean_layer(moved, subject=role, kinds=kinds)
        run.notes += (*notes, *again)
    return moved


def read_plain(run: Loading, name: str, kinds: tuple[str, ...]) -> Any:
    """A layer in the site's CRS, with the fields it has."""
    return cleaned(run, read_input(run, name, kinds=kinds), name, kinds, name)


def read_with_ids(
    run: Loading, role: str, usual: str, noun: str, sift: Callable[[Any], Any] | None = None
) -> tuple[Any, bool]:
    """A polygon layer in the site's CRS with its ids in ``usual``; whether the file had them.

    ``sift`` picks and mends rows as the file has them.
    """
    spec = run.spec
    rows = read_input(run, role, kinds=("polygon",))
    rows = rows if sift is None else sift(rows)
    given = spec.values[role].get("id_field")
    where = spec.where(role, "id_field" if given else "file")
    ids, notes = site_parts.feature_ids(rows, given, usual, noun, where, role)
    run.notes += notes
    has_own = not any(note.level == "assumed" for note in notes)
    rows = rows.assign(**{usual: ids})
    names = [f"{noun} {i}" for i in ids]
    return cleaned(run, rows, role, ("polygon",), role, names=names), has_own
