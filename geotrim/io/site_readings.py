"""Stick readings of a site: from a table or a layer, by crown id or by position."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotrim.errors import CRSError, FileError, LayerError, UnitError
from geotrim.io.crs import choose_site_crs, layer_crs, to_site
from geotrim.io.field_table import split_unit
from geotrim.io.fields import field_names, find_field, text_ids, usual_field
from geotrim.io.files import local_path, sha256_of
from geotrim.io.layers import PARQUET, choose_layer, layer_schema
from geotrim.io.repair import counted, listed
from geotrim.io.site_layers import Loading, code_of, placed, relative, resolved
from geotrim.io.table_points import CRS_NAME, has_positions, points_of, row_names
from geotrim.io.text_numbers import decimal_mark, numbers_of
from geotrim.io.text_table import TEXT_SUFFIXES, read_text_table
from geotrim.io.vectors import read_rows
from geotrim.model import InputFile, Note
from geotrim.units import VERTICAL_UNITS_M, feet_per_vertical_unit

#: Fields taken for the height when none is named, without the unit that is their last word.
HEIGHT_NAMES = ("height", "stick_height", "field_height")


def read_readings(run: Loading) -> Any:
    """The readings of a site in its CRS, as :mod:`geotrim.model` has them; None without any.

    Raises
    ------
    LayerError
        If a field named does not exist, heights are no numbers, a shape is no point, or a table
        tells neither crown nor position.
    UnitError
        If the unit of the heights is not told, or told in two ways.
    CRSError
        If positions are in no CRS that is told.
    """
    spec = run.spec
    given = spec.table("readings")
    if given is None:
        return None
    rows = _rows(run)
    lines = row_names(rows)
    own = _named(run, rows, "crown_id_field", "crown_id")
    owners: list[str | None] = text_ids(rows[own]) if own else [None for _ in range(len(rows))]
    heights = _heights(run, rows, lines)
    points = _positions(run, rows, owners)
    if run.crs is None:
        raise CRSError(
            spec.where("readings", "file"),
            "crown ids without crowns, and no position",
            "the crowns they name, or positions",
            "give the crowns too",
        )
    error = given.get("height_rmse_ft")
    told = {
        "crown_id": pd.Series(owners, dtype=object),
        "height_ft": heights,
        "height_error_ft": np.full(len(rows), np.nan if error is None else float(error)),
        "reader": _texts(run, rows, "reader_field", "reader"),
        "date": _texts(run, rows, "date_field", "date"),
    }
    return gpd.GeoDataFrame(told, geometry=points, crs=run.crs)


def _rows(run: Loading) -> Any:
    """Rows as they stand, with a geometry that is None throughout where there are no shapes."""
    spec, given = run.spec, run.spec.values["readings"]
    source = given["file"]
    digest, layer, detail = "", None, {}
    with placed(spec, "readings"):
        if isinstance(source, str):
            path = local_path(resolved(spec.folder, source, "readings"), "readings")
            digest, how = sha256_of(path)
            detail = {"sha256_of": how}
            rows, notes = _of_file(path, given)
            layer = rows.attrs.get("layer")
            run.notes += notes
        elif hasattr(source, "columns"):
            rows = source.reset_index(drop=True)
        else:
            raise FileError(
                "readings",
                f"a {type(source).__name__}",
                "a table, or a path",
                "make a GeoDataFrame, or a DataFrame with crown ids",
            )
        if not len(rows):
            raise LayerError("readings", "no rows", "one reading or more", "check the table")
        if not isinstance(rows, gpd.GeoDataFrame) or rows.active_geometry_name is None:
            rows = gpd.GeoDataFrame(rows, geometry=[None] * len(rows))
    shown = relative(spec.folder, source) if isinstance(source, str) else "given in memory"
    code = None if rows.crs is None else code_of(rows.crs)
    run.inputs.append(InputFile("readings", shown, digest, layer, len(rows), code, detail))
    return rows


def _of_file(path: Path, given: Any) -> tuple[Any, tuple[Note, ...]]:
    if path.suffix.lower() in TEXT_SUFFIXES:
        return read_text_table(path, subject="readings")
    layer, crs = given.get("layer"), given.get("crs")
    source, name = choose_layer(path, layer, "readings", ("point", "none"), "readings")
    if path.suffix.lower() in PARQUET or layer_schema(path, name).kind != "none":
        return read_rows(path, layer=name, crs=crs, subject="readings", kinds=("point",))
    import pyogrio

    rows = pyogrio.read_dataframe(source, layer=name, read_geometry=False)
    rows.attrs["layer"] = name
    return rows, ()


def _named(run: Loading, rows: Any, key: str, usual: str) -> str | None:
    """The field of a key: the one named, else the one usually so called."""
    field = run.spec.values["readings"].get(key)
    if field is None:
        return usual_field(rows, usual)
    return find_field(rows, field, run.spec.where("readings", key))


def _texts(run: Loading, rows: Any, key: str, usual: str) -> Any:
    name = _named(run, rows, key, usual)
    if name is None:
        return pd.Series([None] * len(rows), dtype=object)
    column = rows[name]
    if pd.api.types.is_datetime64_any_dtype(column.dtype):
        column = [None if pd.isna(day) else day.date().isoformat() for day in column]
    return pd.Series(text_ids(column), dtype=object)


def _heights(run: Loading, rows: Any, lines: list[str]) -> Any:
    """Heights in feet, NaN where there is none."""
    spec, given = run.spec, run.spec.values["readings"]
    where = spec.where("readings", "height_field" if "height_field" in given else "file")
    field = given.get("height_field")
    if field is not None:
        name = find_field(rows, field, where)
    else:
        own = [f for f in field_names(rows) if split_unit(f)[0] in HEIGHT_NAMES]
        found = [f for f in own if split_unit(f)[1] in VERTICAL_UNITS_M]
        if not found and "height_unit" in given:
            found = [f for f in own if split_unit(f)[1] is None]
        if not found and own:
            raise _no_unit(own[0], where)
        if len(found) != 1:
            raise LayerError(
                where,
                f"{len(found) or 'no'} fields that may hold the height, of "
                f"{listed(field_names(rows), 12) or 'no fields'}",
                "to know which one was read by stick",
                "name it with height_field",
            )
        name = found[0]
        run.notes.append(Note("readings", f"heights taken from the field {name!r}", "info"))
    values = [None if pd.isna(value) else value for value in rows[name]]
    mark = decimal_mark(values, where)
    numbers = numbers_of(values, mark, where, lines)
    return numbers * feet_per_vertical_unit(_unit(run, name), where)


def _unit(run: Loading, field: str) -> str:
    """Unit of the heights: stated, or the end of the field's name; never guessed."""
    stated = run.spec.values["readings"].get("height_unit")
    named = split_unit(field)[1]
    where = run.spec.where("readings", "height_unit" if stated else "height_field")
    if (stated is None and named is None) or named not in (None, *VERTICAL_UNITS_M):
        raise _no_unit(field, where)
    if stated is not None and named is not None and (stated == "m") != (named == "m"):
        raise UnitError(
            where,
            f"{stated!r} for the field {field!r}, whose name says {named}",
            "one answer",
            "correct the unit, or rename the field",
        )
    return str(stated or named)


def _no_unit(field: str, where: str) -> UnitError:
    """The field is there, and its unit is missing or not one that is known."""
    base, unit = split_unit(field)
    need = "the unit of the heights: ft, us-ft or m"
    if unit is None:
        found = f"the field {field!r}, whose name tells no unit"
        mend = f"say height_unit, or name the field {base}_ft, {base}_us_ft or {base}_m"
    else:
        found = f"the field {field!r}, in a unit not known here ({unit})"
        mend = f"convert the heights, and name the field {base}_ft, {base}_us_ft or {base}_m"
    return UnitError(where, found, need, mend)


def _positions(run: Loading, rows: Any, owners: list[str | None]) -> Any:
    """Points in the site's CRS, None where a reading has none."""
    given = run.spec.values["readings"]
    is_plain = "x_field" not in given and "y_field" not in given
    with placed(run.spec, "readings"):
        if is_plain and rows.geometry.notna().any():
            return _moved(run, _single_points(rows), rows.crs)
        table = pd.DataFrame(rows.drop(columns=rows.geometry.name))
        has_crs = "crs" in given or usual_field(rows, CRS_NAME) is not None
        is_placed = not is_plain or has_positions(table)
        if not is_placed and not any(owners):
            raise LayerError(
                "readings",
                f"neither crown ids nor positions among {listed(field_names(rows), 12)}",
                "one of the two for each reading",
                "name the field with crown_id_field, or those of the position with x_field and "
                "y_field",
            )
        if not is_placed or (is_plain and not has_crs and all(owners)):
            if is_placed:
                text = "crown ids tell where they belong; positions not used, for want of a crs"
                run.notes.append(Note("readings", text, "info"))
            return np.full(len(rows), None, dtype=object)
        if not has_crs:
            raise CRSError(
                "readings",
                "positions, and no crs for them",
                "to know what the positions are in",
                'state it with crs, for example crs = "EPSG:4326" for longitude and latitude',
            )
        placed_rows, notes = points_of(
            table,
            crs=given.get("crs"),
            x_field=given.get("x_field"),
            y_field=given.get("y_field"),
            subject="readings",
        )
        run.notes += notes
        return _moved(run, np.asarray(placed_rows.geometry.array, dtype=object), placed_rows.crs)


def _single_points(rows: Any) -> Any:
    """One point a row; a multipoint of one is that point."""
    shapes = np.asarray(rows.geometry.array, dtype=object).copy()
    for at, shape in enumerate(shapes):
        if shape is None or shape.is_empty:
            shapes[at] = None
        elif shape.geom_type == "MultiPoint" and len(shape.geoms) == 1:
            shapes[at] = shape.geoms[0]
        elif shape.geom_type != "Point":
            raise LayerError(
                "readings",
                f"a {shape.geom_type} in row {at + 1}",
                "one point for each reading",
                "name another layer, or export points",
            )
    shapes = shapely.force_2d(shapes)
    if not np.isfinite(shapely.get_coordinates(shapes)).all():
        raise LayerError("readings", "a point at no place", "finite coordinates", "correct it")
    return shapes


def _moved(run: Loading, points: Any, crs: Any) -> Any:
    """Points brought into the site's CRS, which they decide where nothing else has."""
    has = ~shapely.is_missing(points)
    bounds = shapely.total_bounds(points[has])
    stated = run.spec.values["readings"].get("crs")
    label, notes = layer_crs(crs, None if crs is not None else stated, bounds, "readings")
    run.notes += notes
    if run.crs is None:
        asked = run.spec.values["site"].get("crs")
        where = run.spec.where("site", "crs")
        run.crs, told = choose_site_crs(label, bounds, asked, where, "readings")
        run.notes += told
    moved, notes = to_site(gpd.GeoDataFrame(geometry=points[has], crs=label), run.crs, "readings")
    run.notes += notes
    out = np.full(len(points), None, dtype=object)
    out[has] = np.asarray(moved.geometry.array, dtype=object)
    if not has.all():
        text = f"{counted(int((~has).sum()), 'reading')} without a position"
        run.notes.append(Note("readings", text, "info"))
    return out
