"""From what the user said to a site: every file read, mended, and brought into one CRS."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from pyproj import CRS

from geotrim.errors import CRSError, FileError, GeotrimError, LayerError
from geotrim.io import site_parts
from geotrim.io.crs import (
    choose_site_crs,
    layer_crs,
    move_note,
    parse_crs,
    plan_move,
    same_crs,
    to_site,
)
from geotrim.io.fields import match_where
from geotrim.io.files import local_path, sha256_of
from geotrim.io.repair import clean_layer
from geotrim.io.site_checks import check_contradictions
from geotrim.io.site_spec import MANY, SITE_TABLES, SiteSpec, check_spec, checked_options
from geotrim.io.vectors import read_rows
from geotrim.model import InputFile, Note, Setback, Site
from geotrim.units import feet_per_map_unit

#: An input no part of which is this near to the lots is not of this site (five miles).
TOO_FAR_FT = 5 * 5280.0
NAMED_LAYERS = {"channel": ("line",), "mouth_line": ("line",), "exclusions": ("polygon",)}
LINE_FACTS = ("epoch", "vertical_datum", "elevation_ft", "position_rmse_ft")
ANY_KIND = ("polygon", "line", "point")


@dataclass(slots=True)
class _Loading:
    """What has been gathered while a site is read."""

    spec: SiteSpec
    crs: CRS | None = None
    notes: list[Note] = field(default_factory=list)
    inputs: list[InputFile] = field(default_factory=list)


def load_site(spec: SiteSpec) -> Site:
    """Check a spec, read what it names, and bring all of it into one CRS.

    Raises
    ------
    GeotrimError
        If anything does not fit; see :func:`read_site`.
    """
    check_spec(spec)
    options = checked_options(spec)
    check_contradictions(spec, options)
    run = _Loading(spec)
    lots = _lots(run)
    line = None
    if "mhw_line" in spec.values:
        line = _layer(run, "mhw_line", ("line",))[["geometry"]]
    crowns = _crowns(run)
    trunks = _trunks(run, crowns)
    named = {name: _named(run, name, kinds) for name, kinds in NAMED_LAYERS.items()}
    given = spec.table("mhw_line") or {}
    _tell_line_gaps(run, given)
    site = Site(
        name=spec.values["site"]["name"],
        crs=run.crs,
        lots=lots,
        mhw_line=line,
        mhw_origin=given.get("origin", ""),
        mhw_facts={key: given[key] for key in LINE_FACTS if key in given},
        crowns=crowns,
        trunks=trunks,
        heights=_heights(run, crowns),
        setbacks=_setbacks(run),
        options=options,
        inputs=tuple(run.inputs),
        notes=tuple(run.notes),
        **named,
    )
    _check_near(run, site)
    return site


def _said(spec: SiteSpec, *place: str | int) -> Mapping[str, Any]:
    """One table of the spec: ("lots") or ("setbacks", 0)."""
    table = spec.values[str(place[0])]
    for part in place[1:]:
        table = table[part]
    said: Mapping[str, Any] = table
    return said


@contextmanager
def _placed(spec: SiteSpec, *place: str | int) -> Iterator[None]:
    """Errors of a reader get the key and the line of the site file."""
    try:
        yield
    except GeotrimError as error:
        if error.subject.startswith("["):
            raise
        table, keys = _said(spec, *place), SITE_TABLES[str(place[0])]
        rest = error.subject.removeprefix(_role(spec, *place)).strip(" ,")
        key = "file"
        if rest in keys:  # "heights unit"
            key, rest = rest, ""
        elif isinstance(error, CRSError) and "crs" in table:
            key = "crs"
        elif isinstance(error, LayerError) and "layer" in table:
            key = "layer"
        subject = ", ".join(part for part in (spec.where(*place, key), rest) if part)
        raise type(error)(subject, error.found, error.need, error.mend) from error


def _role(spec: SiteSpec, *place: str | int) -> str:
    """What notes call an input."""
    return str(place[0]) if len(place) == 1 else f"setback {_said(spec, *place)['name']!r}"


def _rows(run: _Loading, *place: str | int, kinds: tuple[str, ...]) -> Any:
    """Rows of one input in its own CRS, and the file in the list of inputs."""
    spec = run.spec
    table = _said(spec, *place)
    role = _role(spec, *place)
    source = table["file"]
    layer, digest, detail = None, "", {}
    with _placed(spec, *place):
        if not isinstance(source, str):
            rows, notes = _given_rows(source, table.get("crs"), role)
        else:
            path = local_path(_resolved(spec.folder, source, role), role)
            digest, how = sha256_of(path)
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
    shown = _relative(spec.folder, source) if is_file else "given in memory"
    run.inputs.append(InputFile(role, shown, digest, layer, len(rows), _code(rows.crs), detail))
    return rows


def _resolved(folder: Path, text: str, role: str) -> str:
    if "\0" in text or "://" in text or text.lower().startswith("/vsi"):
        local_path(text, role)  # says what is wrong with an address
    return str(folder / Path(text).expanduser())


def _relative(folder: Path, text: str) -> str:
    """A path as the record tells it: relative to the site's folder where the file lies in it."""
    path = Path(text).expanduser()
    if path.is_absolute() and path.is_relative_to(folder):
        return path.relative_to(folder).as_posix()
    return text


def _code(crs: Any) -> str:
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


def _cleaned(
    run: _Loading,
    rows: Any,
    role: str,
    kinds: tuple[str, ...],
    *place: str | int,
    names: Any = None,
) -> Any:
    """Rows mended, brought into the site's CRS, and mended again where that made it needed."""
    with _placed(run.spec, *place):
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


def _layer(run: _Loading, name: str, kinds: tuple[str, ...]) -> Any:
    return _cleaned(run, _rows(run, name, kinds=kinds), name, kinds, name)


def _with_ids(run: _Loading, role: str, usual: str, noun: str) -> tuple[Any, bool]:
    """A polygon layer in the site's CRS with its ids in ``usual``; whether the file had them."""
    spec = run.spec
    rows = _rows(run, role, kinds=("polygon",))
    given = spec.values[role].get("id_field")
    where = spec.where(role, "id_field" if given else "file")
    ids, notes = site_parts.feature_ids(rows, given, usual, noun, where, role)
    run.notes += notes
    has_own = not any(note.level == "assumed" for note in notes)
    rows = rows.assign(**{usual: ids})
    names = [f"{noun} {i}" for i in ids]
    return _cleaned(run, rows, role, ("polygon",), role, names=names), has_own


def _lots(run: _Loading) -> Any:
    spec = run.spec
    if "lots" not in spec.values:
        return None
    lots, _ = _with_ids(run, "lots", "lot_id", "lot")
    where = spec.values["lots"].get("where")
    matches = match_where(lots, where, spec.where("lots", "where")) if where else None
    measured, notes = site_parts.is_measured(spec, lots, list(lots["lot_id"]), matches)
    run.notes += notes
    lots = lots[["lot_id", "geometry"]].assign(is_measured=measured)
    if "neighbours" in spec.values:
        others, has_own = _with_ids(run, "neighbours", "lot_id", "neighbour")
        place = spec.where(
            "neighbours", "id_field" if "id_field" in spec.values["neighbours"] else "file"
        )
        lots, notes = site_parts.add_neighbours(
            lots, others[["lot_id", "geometry"]], has_own, place
        )
        run.notes += notes
    lots, notes = site_parts.near_lots(lots, run.crs)
    run.notes += notes
    return lots[["lot_id", "is_measured", "geometry"]]


def _crowns(run: _Loading) -> Any:
    if "crowns" not in run.spec.values:
        return None
    rows, _ = _with_ids(run, "crowns", "crown_id", "crown")
    crowns, notes = site_parts.crowns_table(run.spec, rows, list(rows["crown_id"]))
    run.notes += notes
    return crowns


def _trunks(run: _Loading, crowns: Any) -> Any:
    if "trunks" not in run.spec.values:
        return None
    rows = _layer(run, "trunks", ("point",))
    trunks, notes = site_parts.trunks_table(run.spec, rows, crowns)
    run.notes += notes
    return trunks


def _named(run: _Loading, name: str, kinds: tuple[str, ...]) -> Any:
    if name not in run.spec.values:
        return None
    rows = _layer(run, name, kinds)
    field = run.spec.values[name].get("name_field")
    noun = name.replace("_", " ").removesuffix("s")
    return site_parts.named_table(rows, field, noun, run.spec.where(name, "name_field"))


def _setbacks(run: _Loading) -> tuple[Setback, ...]:
    made = []
    for i, item in enumerate(run.spec.values.get(MANY, ())):
        shape = None
        if "file" in item:
            role = _role(run.spec, MANY, i)
            rows = _rows(run, MANY, i, kinds=ANY_KIND)
            rows = _cleaned(run, rows, role, ANY_KIND, MANY, i)
            shape = shapely.union_all(np.asarray(rows.geometry.array))
        distance_ft = float(item["distance_ft"])
        made.append(Setback(item["name"], item["reference"], distance_ft, item["source"], shape))
    return tuple(made)


def _heights(run: _Loading, crowns: Any) -> Any:
    given = run.spec.values.get("heights")
    if given is None:
        return None
    with _placed(run.spec, "heights"):
        source, notes, told = _open_heights(run, given)
        run.notes += notes
        run.inputs.append(told)
        _check_under_crowns(run, source, crowns)
    if source.rmse_ft is None:
        text = "no standard error stated; if its maker gives one, say it as rmse_ft"
        run.notes.append(Note("heights", text, "missing"))
    return source


def _open_heights(
    run: _Loading, given: Mapping[str, Any]
) -> tuple[Any, tuple[Note, ...], InputFile]:
    source = given["file"]
    if not isinstance(source, str):
        crs = "" if getattr(source, "crs", None) is None else _code(CRS.from_user_input(source.crs))
        return source, (), InputFile("heights", "given in memory", "", crs=crs or None)
    from geotrim.io.rasters import open_heights

    path = local_path(_resolved(run.spec.folder, source, "heights"), "heights")
    digest, how = sha256_of(path)
    opened = open_heights(
        path,
        unit=given.get("unit"),
        band=given.get("band", 1),
        rmse_ft=given.get("rmse_ft"),
        crs=given.get("crs"),
    )
    detail = {"sha256_of": how, **opened.describe()}
    detail.pop("path", None)
    shown = _relative(run.spec.folder, source)
    told = InputFile("heights", shown, digest, crs=_code(opened.crs), detail=detail)
    return opened, tuple(opened.notes), told


def _check_under_crowns(run: _Loading, source: Any, crowns: Any) -> None:
    """Refuse a raster that lies under no crown; tell when crowns must be moved to its CRS."""
    assert run.crs is not None  # settled with the lots
    rows, cols = source.shape
    a, b, c, d, e, f = source.transform
    at = np.array([(0, 0), (cols, 0), (cols, rows), (0, rows)], dtype=float)
    corners = np.column_stack([a * at[:, 0] + b * at[:, 1] + c, d * at[:, 0] + e * at[:, 1] + f])
    own = run.crs if source.crs is None else parse_crs(source.crs, "heights crs")
    if not same_crs(own, run.crs):
        bounds = np.concatenate([corners.min(axis=0), corners.max(axis=0)])
        move = plan_move(own, run.crs, bounds, "heights")
        corners = move.apply(corners)
        note = move_note(own, run.crs, move, "heights")
        text = note.text.replace("reprojected from", "the raster stays in", 1)
        text = text.replace(" to the site's", ", and crowns are moved to it from the site's", 1)
        run.notes.append(Note("heights", text, note.level))
    if crowns is None:
        return
    if (
        not np.isfinite(corners).all()
        or not shapely.intersects(shapely.Polygon(corners), np.asarray(crowns.geometry.array)).any()
    ):
        raise LayerError(
            "heights",
            "a raster that lies under no crown",
            "heights under the crowns",
            "check the CRS of the raster and of the crowns, or choose another tile",
        )


def _tell_line_gaps(run: _Loading, given: Mapping[str, Any]) -> None:
    if not given:
        return
    if given["origin"] == "apparent-shoreline":
        text = "an apparent shoreline, not an MHW line: lengths along it may differ from those"
        run.notes.append(Note("mhw_line", f"{text} along mean high water", "assumed"))
        return
    gaps = {
        "epoch": "tidal epoch",
        "vertical_datum": "vertical datum",
        "position_rmse_ft": "standard error of its position",
    }
    lost = [words for key, words in gaps.items() if key not in given]
    if lost:
        run.notes.append(Note("mhw_line", f"not stated: {', '.join(lost)}", "missing"))


def _check_near(run: _Loading, site: Site) -> None:
    """Refuse an input that lies wholly away from the lots: its CRS is almost surely wrong."""
    if site.lots is None:
        return
    lots = np.asarray(site.lots.geometry.array)[site.lots["is_measured"].to_numpy()]
    around = shapely.box(*shapely.total_bounds(lots))
    ft = feet_per_map_unit(site.crs, "lots")
    for role in ("mhw_line", "crowns", "trunks", "channel", "mouth_line", "exclusions"):
        table = getattr(site, role)
        if table is not None:
            _check_distance(run, np.asarray(table.geometry.array), around, ft, role)
    for i, setback in enumerate(site.setbacks):
        if setback.geometry is not None:
            _check_distance(run, np.array([setback.geometry]), around, ft, MANY, i)


def _check_distance(run: _Loading, shapes: Any, around: Any, ft: float, *place: str | int) -> None:
    gap_ft = float(shapely.distance(shapes, around).min()) * ft
    if gap_ft > TOO_FAR_FT:
        what = str(place[0]).replace("_", " ")
        raise CRSError(
            run.spec.where(*place, "file"),
            f"{what} no nearer than {gap_ft / 5280:,.1f} miles to the lots",
            f"something within {TOO_FAR_FT / 5280:g} miles",
            "check the reference system of both files, and that they are of the same place",
        )
