"""Positions of a table: from longitude and latitude, or easting and northing, by their columns."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely

from geotrim.errors import CRSError, LayerError
from geotrim.io.crs import layer_crs, named
from geotrim.io.fields import one_named
from geotrim.io.repair import counted, listed
from geotrim.io.text_numbers import decimal_mark, numbers_of
from geotrim.model import Note

#: Columns that are positions in degrees, and on a plane, by their usual names (words joined).
LON_NAMES = ("longitude", "lon", "long", "lng")
LAT_NAMES = ("latitude", "lat")
X_NAMES = ("easting", "x", "x_coord", "point_x")
Y_NAMES = ("northing", "y", "y_coord", "point_y")
#: A column in which a table says its own CRS, one for all rows.
CRS_NAME = "crs"
#: Degrees of the state with the water off its coast, to tell a slip of signs or order; generous.
#: Source: the state's outline, from memory.
FLORIDA = (-88.0, 24.0, -79.5, 31.2)

_UNIT_TAIL = re.compile(r"_(deg|dd|wgs84|ft|m|ftus|us_ft)$")


def points_of(
    table: Any,
    *,
    crs: Any = None,
    x_field: str | None = None,
    y_field: str | None = None,
    subject: str,
    decimal: str | None = None,
) -> tuple[Any, tuple[Note, ...]]:
    """A table with points in place of its columns of positions.

    Parameters
    ----------
    table : DataFrame
        Cells are text or numbers. An index named ``line`` is used to name rows in messages.
    crs : anything pyproj understands, optional
        What the positions are in. Without it: what the column ``crs`` says of easting and northing;
        else WGS 84 for columns named longitude and latitude; else it is an error.
    x_field, y_field : str, optional
        Columns; by default those with usual names. Easting and northing go before degrees where
        the table has both and their CRS is known.
    subject : str
        The input, for messages.
    decimal : str, optional
        "point" or "comma", where it cannot be told from the columns.

    Returns
    -------
    GeoDataFrame
        Rows and the other columns as before; ``geometry`` is None where both cells are empty.
    notes : tuple of Note

    Raises
    ------
    LayerError
        If there are no columns of positions, no position in them, or half of one.
    CRSError
        If the CRS is not known, or the positions do not fit it; swapped columns and lost signs
        are told as such.
    """
    import geopandas as gpd

    x_name, y_name, is_degrees = position_columns(table, x_field, y_field, crs, subject)
    names = row_names(table)
    mark = decimal_mark([*table[x_name], *table[y_name]], subject, decimal)
    x = numbers_of(list(table[x_name]), mark, f"{subject}, column {x_name!r}", names)
    y = numbers_of(list(table[y_name]), mark, f"{subject}, column {y_name!r}", names)
    _check_halves(x, y, (x_name, y_name), names, subject)
    said, notes = _said(table, crs, is_degrees, (x_name, y_name), subject)
    bounds = np.array([np.nanmin(x), np.nanmin(y), np.nanmax(x), np.nanmax(y)])
    label, told = layer_crs(None, said, bounds, subject)
    if label.is_projected and np.abs(bounds).max() <= 180.0:
        raise CRSError(
            subject,
            f"{bounds[0]:g}, {bounds[1]:g}, which look like degrees, in {named(label)}",
            "plane coordinates",
            'state what they are in with crs, for example "EPSG:4326"',
        )
    if label.is_geographic:
        check_degrees(x, y, (x_name, y_name), names, subject)
    points = shapely.points(x, y)
    points[np.isnan(x)] = None
    rest = table.drop(columns=[x_name, y_name])
    kept = [note for note in told if note.level != "assumed"] if notes else list(told)
    return gpd.GeoDataFrame(rest, geometry=points, crs=label), (*notes, *kept)


def has_positions(table: Any) -> bool:
    """Whether a table has columns that :func:`points_of` takes for positions by their names."""
    columns = [str(name) for name in table.columns]
    pairs = ((X_NAMES, Y_NAMES), (LON_NAMES, LAT_NAMES))
    return any(_usual(columns, x) is not None and _usual(columns, y) is not None for x, y in pairs)


def row_names(table: Any) -> list[str]:
    """What rows are called in messages: their line in the file, else their number."""
    noun = "line" if table.index.name == "line" else "row"
    numbers = table.index if noun == "line" else range(1, len(table) + 1)
    return [f"{noun} {number}" for number in numbers]


def plain_name(column: str) -> str:
    """A column's name in small letters, its words joined by lines.

    Examples
    --------
    >>> plain_name("Crown Spread-1"), plain_name("Height (ft)")
    ('crown_spread_1', 'height_ft')
    """
    return "_".join(re.findall(r"[^\W_]+", column.casefold()))


def check_degrees(x: Any, y: Any, fields: tuple[str, str], names: Sequence[str], what: str) -> None:
    """Refuse degrees that are none, or that lie in Florida once swapped or given their sign.

    Raises
    ------
    CRSError
        Names the first such row.
    """
    bad = (np.abs(x) > 180) | (np.abs(y) > 90)
    for slip, mend in (
        (_in_florida(y, x), f"swap the columns {fields[0]!r} and {fields[1]!r}"),
        (_in_florida(-y, x), "swap the columns, and give west its minus"),
        (_in_florida(-x, y), f"give {fields[0]!r} its minus: west is negative"),
    ):
        if (at := np.flatnonzero(slip)).size:
            row = at[0]
            raise CRSError(
                what,
                f"longitude {x[row]:g}, latitude {y[row]:g} in {names[row]}, far from here",
                "longitude first (west is negative), latitude second",
                f"{mend}; then it lies in Florida",
            )
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        raise CRSError(
            what,
            f"longitude {x[row]:g}, latitude {y[row]:g} in {names[row]}",
            "longitudes up to 180, latitudes up to 90",
            "name the right columns, or state what they are in with crs",
        )


def _in_florida(lon: Any, lat: Any) -> Any:
    west, south, east, north = FLORIDA
    return (lon >= west) & (lon <= east) & (lat >= south) & (lat <= north)


def position_columns(
    table: Any, x_field: str | None, y_field: str | None, crs: Any, subject: str
) -> tuple[str, str, bool]:
    """Columns of the positions, and whether their names say degrees.

    Raises
    ------
    LayerError
        If there are none; the columns are listed.
    """
    columns = [str(name) for name in table.columns]
    if (x_field is None) != (y_field is None):
        given = "x_field" if x_field else "y_field"
        other = "y_field" if x_field else "x_field"
        raise LayerError(subject, f"{given} alone", "both columns", f"state {other} as well")
    if x_field is not None and y_field is not None:
        x, y = (column_named(table, name, subject) for name in (x_field, y_field))
        return x, y, _plain(x) in LON_NAMES and _plain(y) in LAT_NAMES
    plane = _usual(columns, X_NAMES), _usual(columns, Y_NAMES)
    degrees = _usual(columns, LON_NAMES), _usual(columns, LAT_NAMES)
    if plane[0] and plane[1] and (crs is not None or _own_code(table) or not all(degrees)):
        return plane[0], plane[1], False
    if degrees[0] and degrees[1]:
        return degrees[0], degrees[1], True
    raise LayerError(
        subject,
        f"no columns of positions among {listed(columns, 12)}",
        "longitude and latitude, or easting and northing",
        "name them with x_field and y_field",
    )


def column_named(table: Any, name: str, subject: str) -> str:
    """The column of a name, in either case.

    Raises
    ------
    LayerError
        If there is none; the columns are listed.
    """
    columns = [str(column) for column in table.columns if column != "geometry"]
    return one_named(name, columns, subject, "column", "name one of these")


def _plain(column: str) -> str:
    return _UNIT_TAIL.sub("", plain_name(column))


def _usual(columns: list[str], names: tuple[str, ...]) -> str | None:
    return next((c for name in names for c in columns if _plain(c) == name), None)


def _own_code(table: Any) -> str | None:
    """What the table's column ``crs`` says, if it has one with one answer."""
    column = next((c for c in table.columns if str(c).lower() == CRS_NAME), None)
    if column is None:
        return None
    codes = {str(value).strip() for value in table[column] if value is not None and value == value}
    return codes.pop() if len(codes) == 1 else None


def _said(
    table: Any, crs: Any, is_degrees: bool, fields: tuple[str, str], subject: str
) -> tuple[Any, list[Note]]:
    """What the positions are in, and where that is known from."""
    told = f"positions from {fields[0]!r} and {fields[1]!r}"
    if crs is not None:
        return crs, [Note(subject, f"{told}, taken as {crs}, as stated", "assumed")]
    if not is_degrees and (code := _own_code(table)):
        return code, [Note(subject, f"{told}, in {code}, as the table's column crs says", "info")]
    if is_degrees:
        return "EPSG:4326", [Note(subject, f"{told}, taken as WGS 84 by their names", "assumed")]
    raise CRSError(
        subject,
        f"positions in {fields[0]!r} and {fields[1]!r}, in no reference system that is told",
        "to know what they are in",
        'state it with crs, for example "EPSG:6443"',
    )


def _check_halves(
    x: Any, y: Any, fields: tuple[str, str], names: Sequence[str], subject: str
) -> None:
    half = np.isnan(x) != np.isnan(y)
    if half.any():
        row = int(np.flatnonzero(half)[0])
        empty = fields[0] if np.isnan(x[row]) else fields[1]
        raise LayerError(
            subject,
            f"half a position in {names[row]}: {empty!r} is empty",
            "both numbers, or neither",
            "complete the row",
        )
    if np.isnan(x).all():
        raise LayerError(
            subject,
            f"no position in any of {counted(len(x), 'row')}",
            "positions",
            f"fill in {fields[0]!r} and {fields[1]!r}",
        )
