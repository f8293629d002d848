"""Field tables of trees in: which column is what, in which unit, and every number checked.

A column is found by its usual name in any case, with the unit as its last word (``height_ft``,
``Crown spread 1 (m)``), or by the name the user states. A length whose unit neither its column nor
the user tells is an error.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from geotrim.errors import LayerError, RangeError, UnitError
from geotrim.io.fields import text_id
from geotrim.io.gpx import FIELDS as WAYPOINT
from geotrim.io.gpx import read_gpx
from geotrim.io.gpx_trees import with_descriptions
from geotrim.io.repair import clean_layer, counted, listed
from geotrim.io.table_points import (
    CRS_NAME,
    check_degrees,
    column_named,
    plain_name,
    points_of,
    position_columns,
    row_names,
)
from geotrim.io.text_numbers import decimal_mark, numbers_of
from geotrim.io.text_table import TEXT_SUFFIXES, read_text_table
from geotrim.io.vectors import read_rows
from geotrim.model import Note
from geotrim.units import feet_per_vertical_unit

#: Text of a row -> usual names of its column.
TEXTS: dict[str, tuple[str, ...]] = {
    "tag": ("tag", "tree_tag", "tag_no", "tag_number", "tree_id", "tree_no", "tree_number", "tree",
            "id", "name"),
    "stem": ("stem", "stem_letter", "stem_id"),
    "species": ("species", "tree_species", "plant"),
    "remarks": ("remarks", "remark", "notes", "note", "comments", "comment"),
    "date": ("date", "survey_date", "date_measured"),
    "who": ("who", "surveyor", "measured_by", "crew", "observer", "reader"),
}  # fmt: skip
#: Lengths of a row, without their unit -> usual names of the column, without its unit.
LENGTHS: dict[str, tuple[str, ...]] = {
    "height": ("height", "tree_height", "total_height", "top_height"),
    "base_height": ("base_height", "crown_base", "crown_base_height", "lowest_foliage",
                    "lowest_foliage_height", "height_to_lowest_foliage"),
    "spread_1": ("spread_1", "spread1", "crown_spread_1", "crown_width_1", "width_1"),
    "spread_2": ("spread_2", "spread2", "crown_spread_2", "crown_width_2", "width_2"),
    "radius_n": ("radius_n", "radius_north", "north_radius", "n_radius"),
    "radius_e": ("radius_e", "radius_east", "east_radius", "e_radius"),
    "radius_s": ("radius_s", "radius_south", "south_radius", "s_radius"),
    "radius_w": ("radius_w", "radius_west", "west_radius", "w_radius"),
}  # fmt: skip
BEARING = ("bearing", "bearing_1", "spread_bearing", "spread_1_bearing", "bearing_of_spread_1")
RADII = ("radius_n", "radius_e", "radius_s", "radius_w")
SPREADS = ("spread_1", "spread_2")
#: Columns of a table of trees as it is read, in order; geometry beside them.
COLUMNS = (*TEXTS, *(f"{name}_ft" for name in LENGTHS), "bearing_deg")
#: Every field that may be named by the user.
FIELDS = (*TEXTS, *LENGTHS, "bearing")

_UNITS = {
    "ft": ("ft", "feet", "foot"),
    "us-ft": ("us_ft", "us_feet", "us_foot", "ftus", "usft", "us_survey_feet", "us_survey_foot"),
    "m": ("m", "meter", "meters", "metre", "metres"),
    "deg": ("deg", "degree", "degrees"),
}
_OTHER_UNITS = ("cm", "mm", "in", "inch", "inches", "yd", "yards")


@dataclass(frozen=True, slots=True)
class Column:
    """A column that was found: its name in the file, and the unit the name ends with."""

    name: str
    unit: str | None = None


def split_unit(column: str) -> tuple[str, str | None]:
    """A column's plain name and its unit, the longest that its last words make.

    Examples
    --------
    >>> split_unit("Height (ft)"), split_unit("spread_1_us_ft"), split_unit("Remarks")
    (('height', 'ft'), ('spread_1', 'us-ft'), ('remarks', None))
    """
    plain = plain_name(column)
    tails = [(tail, unit) for unit, words in _UNITS.items() for tail in words]
    tails += [(tail, tail) for tail in _OTHER_UNITS]
    for tail, unit in sorted(tails, key=lambda pair: -len(pair[0])):
        if plain.endswith(f"_{tail}"):
            return plain[: -len(tail) - 1], unit
    return plain, None


def read_field_table(
    path: str | os.PathLike[str],
    *,
    layer: str | None = None,
    crs: Any = None,
    unit: str | None = None,
    fields: Mapping[str, str] | None = None,
    x_field: str | None = None,
    y_field: str | None = None,
    decimal: str | None = None,
    subject: str = "trees",
) -> tuple[Any, tuple[Note, ...]]:
    """Trees as a crew wrote them: CSV, GPX waypoints, or points of any vector file.

    Parameters
    ----------
    path : path-like
    layer, crs
        As for :func:`geotrim.io.vectors.read_layer`.
    unit : str, optional
        Unit of lengths whose column tells none: ``ft``, ``us-ft`` or ``m``.
    fields : mapping, optional
        One of ``FIELDS`` -> column. Others are found by their usual names.
    x_field, y_field, decimal
        As for :func:`geotrim.io.table_points.points_of`.
    subject : str
        The input, for messages.

    Returns
    -------
    table : GeoDataFrame
        One row a row of the file, with ``COLUMNS`` and ``row`` (what the row is called); lengths in
        feet, NaN where empty; text None where empty; geometry None without a position.
    notes : tuple of Note

    Raises
    ------
    GeotrimError
        If the file cannot be read, a row has no tag, a length no unit, or a number is none or
        out of its limits.
    """
    if unit is not None:
        feet_per_vertical_unit(unit, f"{subject} unit")
    table, columns, mark, notes = _read(
        Path(path), layer, crs, dict(fields or {}), x_field, y_field, decimal, subject
    )
    rows = row_names(table) if "_row" not in table.columns else list(table["_row"])
    out: dict[str, Any] = {}
    for name in TEXTS:
        out[name] = _texts(table, columns.get(name))
    _check_tags(out["tag"], rows, subject)
    names = [f"tree {tag} ({row})" for tag, row in zip(out["tag"], rows, strict=True)]
    for name in LENGTHS:
        where = _where(subject, columns.get(name))
        out[f"{name}_ft"] = _lengths(table, columns.get(name), unit, mark, where, names)
    where = _where(subject, columns.get("bearing"))
    out["bearing_deg"] = _numbers(table, columns.get("bearing"), mark, where, names)
    _check_numbers(out, columns, names, subject)
    told = _told(table, columns, unit, subject, is_gpx=Path(path).suffix.lower() == ".gpx")
    return _frame(out, rows, table), (*notes, *told)


def _frame(out: dict[str, Any], rows: list[str], table: Any) -> Any:
    import geopandas as gpd
    import pandas as pd

    texts = {name: pd.Series(out[name], dtype=object) for name in TEXTS}
    data = {**out, **texts, "row": pd.Series(rows, dtype=object)}
    shapes = np.asarray(table.geometry.array, dtype=object)
    frame = gpd.GeoDataFrame(data, geometry=shapes, crs=table.crs)
    frame.attrs["layer"] = table.attrs.get("layer")
    return frame


def _read(
    path: Path,
    layer: str | None,
    crs: Any,
    stated: dict[str, str],
    x_field: str | None,
    y_field: str | None,
    decimal: str | None,
    subject: str,
) -> tuple[Any, dict[str, Column], str, tuple[Note, ...]]:
    """Rows with points, their columns, how numbers are written, and what is told."""
    if path.suffix.lower() in TEXT_SUFFIXES:
        raw, notes = read_text_table(path, subject=subject)
        columns = found_columns(raw, stated, subject)
        x, y, _ = position_columns(raw, x_field, y_field, crs, subject)
        numbers = [columns[k].name for k in (*LENGTHS, "bearing") if k in columns]
        cells = [cell for name in dict.fromkeys((*numbers, x, y)) for cell in raw[name]]
        mark = decimal_mark(cells, subject, decimal)
        table, told = points_of(raw, crs=crs, x_field=x, y_field=y, subject=subject, decimal=mark)
        return table, columns, mark, (*notes, *told)
    if path.suffix.lower() == ".gpx":
        rows, notes = read_gpx(path, layer=layer, crs=crs, subject=subject)
        rows, told_too = with_descriptions(rows, dict(stated), subject)
        notes = (*notes, *told_too)
    else:
        rows, notes = read_rows(
            path, layer=layer, crs=crs, subject=subject, kinds=("point",), role="trunks"
        )
    table, told = _cleaned(rows, subject)
    columns = found_columns(table, stated, subject)
    numbers = [columns[k].name for k in (*LENGTHS, "bearing") if k in columns]
    mark = decimal_mark([cell for name in numbers for cell in table[name]], subject, decimal)
    return table, columns, mark, (*notes, *told)


def _cleaned(rows: Any, subject: str) -> tuple[Any, tuple[Note, ...]]:
    """Rows of points in the order of the file; those without a position stay."""
    import pandas as pd

    rows = rows.assign(_row=[f"row {k}" for k in range(1, len(rows) + 1)])
    shapes = np.asarray(rows.geometry.array, dtype=object)
    bare = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    names = rows.loc[~bare, "_row"]
    placed, notes = clean_layer(rows[~bare], subject=subject, kinds=("point",), names=names)
    lost = rows[bare].set_geometry([None] * int(bare.sum()), crs=rows.crs)
    table = placed
    if len(lost):
        order = {row: k for k, row in enumerate(rows["_row"])}
        table = pd.concat([placed, lost]).sort_values(
            "_row", key=lambda names: names.map(order), kind="stable"
        )
    table = table.reset_index(drop=True)
    if table.crs.is_geographic:
        xy = shapely.get_coordinates(placed.geometry.array)
        fields = ("longitude", "latitude")
        check_degrees(xy[:, 0], xy[:, 1], fields, list(placed["_row"]), subject)
    table.attrs["layer"] = rows.attrs.get("layer")
    return table, notes


def found_columns(table: Any, stated: Mapping[str, str], subject: str) -> dict[str, Column]:
    """Which column holds which field.

    Raises
    ------
    LayerError
        If a stated column does not exist, two columns would do, or there is no tag.
    """
    own = [str(c) for c in table.columns if c not in ("geometry", "_row")]
    found = {}
    for field, usual in {**TEXTS, **LENGTHS, "bearing": BEARING}.items():
        if field in stated:
            name = column_named(table, stated[field], f"{subject} {field}_field")
            found[field] = Column(name, split_unit(name)[1])
            continue
        for want in usual:
            fits = [c for c in own if want in (split_unit(c)[0], plain_name(c))]
            if len(fits) > 1:
                raise LayerError(
                    subject,
                    f"columns {listed(map(repr, fits))}, each of which may be the {_words(field)}",
                    "to know which",
                    f"name it with {field}_field",
                )
            if fits:
                found[field] = Column(fits[0], split_unit(fits[0])[1])
                break
    if "tag" not in found:
        raise LayerError(
            subject,
            f"no column of tags among {listed(own, 12) or 'none'}",
            "a tag for each tree, in a column such as tag",
            "name it with tag_field",
        )
    return found


def _words(field: str) -> str:
    return field.replace("_", " ")


def _where(subject: str, column: Column | None) -> str:
    return f"{subject}, column {column.name!r}" if column else subject


def _texts(table: Any, column: Column | None) -> list[str | None]:
    if column is None:
        return [None] * len(table)
    return [_as_text(value) for value in table[column.name]]


def _as_text(value: Any) -> str | None:
    """Text of a cell; a moment without a time of day is a day."""
    if hasattr(value, "isoformat") and value == value:
        return str(value.isoformat()).removesuffix("T00:00:00")
    return text_id(value)


def _check_tags(tags: list[str | None], rows: Sequence[str], subject: str) -> None:
    lost = [row for tag, row in zip(tags, rows, strict=True) if tag is None]
    if lost:
        raise LayerError(
            subject,
            f"{counted(len(lost), 'tree')} without a tag ({listed(lost)})",
            "a tag for each tree",
            "complete the column",
        )


def _numbers(table: Any, column: Column | None, mark: str, where: str, names: Sequence[str]) -> Any:
    if column is None:
        return np.full(len(table), np.nan)
    return numbers_of(list(table[column.name]), mark, where, names)


def _lengths(
    table: Any,
    column: Column | None,
    unit: str | None,
    mark: str,
    where: str,
    names: Sequence[str],
) -> Any:
    """Lengths of a column in feet."""
    values = _numbers(table, column, mark, where, names)
    if column is None or np.isnan(values).all():
        return values
    return values * feet_per_vertical_unit(_unit_of(column, unit, where), where)


def _unit_of(column: Column, stated: str | None, where: str) -> str:
    own = column.unit if column.unit != "deg" else None
    if own in _OTHER_UNITS:
        raise UnitError(where, f"the unit {own!r}", "ft, us-ft or m", "convert the column")
    if own and stated and own != stated:
        raise UnitError(
            where,
            f"{own} in the column's name, {stated} as stated",
            "one unit",
            "leave unit out where the columns tell it, or rename the column",
        )
    if not own and not stated:
        raise UnitError(
            where,
            "a length without a unit: the column is there, and its name tells none",
            "its unit: ft, us-ft or m",
            f"state unit, or name the column {plain_name(column.name)}_ft or _m",
        )
    return own or str(stated)


def _check_numbers(
    out: Mapping[str, Any], columns: Mapping[str, Column], names: Sequence[str], subject: str
) -> None:
    """Heights and spreads above 0, radii and bases not under it, bases under their top."""
    for name in ("height", *SPREADS):
        bad = out[f"{name}_ft"] <= 0
        _refuse(bad, out[f"{name}_ft"], "a length above 0", columns, name, names, subject)
    for name in ("base_height", *RADII):
        bad = out[f"{name}_ft"] < 0
        _refuse(bad, out[f"{name}_ft"], "0 or more", columns, name, names, subject)
    for pair in (("radius_n", "radius_s"), ("radius_e", "radius_w")):
        width = out[f"{pair[0]}_ft"] + out[f"{pair[1]}_ft"]
        _refuse(width == 0, width, "a crown with a width", columns, pair[0], names, subject)
    bearing = out["bearing_deg"]
    bad = (bearing < 0) | (bearing > 360)
    _refuse(bad, bearing, "0 to 360 degrees from north", columns, "bearing", names, subject)
    high = out["base_height_ft"] >= out["height_ft"]
    need = "a base below the top of the tree"
    _refuse(high, out["base_height_ft"], need, columns, "base_height", names, subject)
    spread = np.fmax(*(out[f"{name}_ft"] for name in SPREADS))
    both = np.isfinite(spread) & np.any([np.isfinite(out[f"{name}_ft"]) for name in RADII], axis=0)
    need = "spreads or radii, not both for one tree"
    _refuse(both, spread, need, columns, "spread_1", names, subject)


def _refuse(
    bad: Any,
    values: Any,
    need: str,
    columns: Mapping[str, Column],
    field: str,
    names: Sequence[str],
    subject: str,
) -> None:
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        where = _where(subject, columns.get(field))
        unit = "" if field == "bearing" else " ft"
        found = f"{values[row]:g}{unit} for {names[row]}"
        raise RangeError(where, found, need, "correct the row, or leave the cell empty")


def _told(
    table: Any, columns: Mapping[str, Column], unit: str | None, subject: str, *, is_gpx: bool
) -> tuple[Note, ...]:
    """Which columns were read as what, and which were not."""
    parts = []
    for field, column in columns.items():
        own = column.unit or unit
        shown = f" [{own}]" if field in LENGTHS and own else ""
        parts.append(f"{_words(field)} from {column.name!r}{shown}")
    notes = [Note(subject, f"read {', '.join(parts)}", "info")]
    used = {column.name for column in columns.values()} | {"geometry", "_row", CRS_NAME}
    used |= set(WAYPOINT) if is_gpx else set()
    if rest := [str(name) for name in table.columns if name not in used]:
        notes.append(Note(subject, f"columns not used: {listed(rest, 12)}", "info"))
    return tuple(notes)
