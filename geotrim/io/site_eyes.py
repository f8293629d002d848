"""The eyes of a site: single points of the site file, and layers of points."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotrim.errors import CRSError, LayerError, RangeError, SiteFileError, UnitError
from geotrim.io.crs import to_site
from geotrim.io.field_table import split_unit
from geotrim.io.fields import field_names, find_field, text_id, text_ids, usual_field
from geotrim.io.repair import listed
from geotrim.io.site_layers import Loading, cleaned, read_input, role_of
from geotrim.io.site_parts import feature_ids
from geotrim.io.table_points import check_degrees
from geotrim.model import Note
from geotrim.units import VERTICAL_UNITS_M, feet_per_map_unit, feet_per_vertical_unit

#: An eye farther than this from every lot to report does not look over its shore (five miles).
FARTHEST_FT = 5 * 5280.0
#: What longitudes and latitudes of single points are taken to be in.
DEGREES = "EPSG:4326"
#: Column -> key that names its field, and fields taken when none is named, without their unit.
LEVELS = {
    "height_ft": ("height_field", ("height", "eye_height")),
    "elevation_ft": ("elevation_field", ("elevation", "eye_elevation")),
}


def read_eyes(run: Loading, lots: Any) -> Any:
    """The eyes of a site in its CRS, as :mod:`geotrim.model` has them; None without any.

    Parameters
    ----------
    run : Loading
        Its spec is checked; the site's CRS is settled.
    lots : GeoDataFrame or None

    Raises
    ------
    LayerError
        If a layer holds no points, a height is no number, an eye has none or two, or its lot is
        not there.
    SiteFileError
        If two eyes have one name.
    UnitError
        If the unit of a field is not told, or told in two ways.
    CRSError
        If a point lies nowhere, or miles from every lot.
    RangeError
        If a height is under 0.
    """
    tables = run.spec.values.get("eyes") or ()
    parts = [
        _layer(run, i) if "file" in table else _point(run, i, table)
        for i, table in enumerate(tables)
    ]
    if not parts:
        return None
    whole = pd.concat(parts, ignore_index=True)
    eyes = gpd.GeoDataFrame(whole, geometry="geometry", crs=run.crs)
    of = [i for i, part in enumerate(parts) for _ in range(len(part))]
    _check_names(run, eyes, of)
    _check_lots(run, eyes, of, lots)
    _check_near(run, eyes, of, lots)
    _tell_datum(run, eyes)
    return eyes


def _table(ids: list[str], heights: Any, elevations: Any, lots: Any, points: Any) -> Any:
    columns = {
        "eye_id": pd.Series(ids, dtype=object),
        "height_ft": np.asarray(heights, dtype=np.float64),
        "elevation_ft": np.asarray(elevations, dtype=np.float64),
        "lot_id": pd.Series(lots, dtype=object),
        "geometry": np.asarray(points, dtype=object),
    }
    return pd.DataFrame(columns)


def _point(run: Loading, i: int, table: Mapping[str, Any]) -> Any:
    """One point of the site file; degrees are brought into the site's CRS."""
    name = table.get("name") or f"eye {i + 1}"
    if "x" in table:
        point = shapely.Point(float(table["x"]), float(table["y"]))
    else:
        where = run.spec.where("eyes", i, "longitude")
        lon, lat = (np.array([float(table[key])]) for key in ("longitude", "latitude"))
        check_degrees(lon, lat, ("longitude", "latitude"), [f"eye {name!r}"], where)
        given = gpd.GeoDataFrame(geometry=shapely.points(lon, lat), crs=DEGREES)
        moved, notes = to_site(given, run.crs, where)  # type: ignore[arg-type]
        run.notes += [Note(role_of(run.spec, "eyes", i), n.text, n.level) for n in notes]
        point = moved.geometry.iloc[0]
    levels = [float(table.get(key, np.nan)) for key in LEVELS]
    return _table([name], levels[:1], levels[1:], [text_id(table.get("lot"))], [point])


def _layer(run: Loading, i: int) -> Any:
    """A layer of points with the heights, elevations and lots of its fields."""
    spec, place = run.spec, ("eyes", i)
    given, role = spec.values["eyes"][i], role_of(spec, *place)
    rows = read_input(run, *place, kinds=("point",))
    named = given.get("id_field")
    where = spec.where(*place, "id_field" if named else "file")
    ids, notes = feature_ids(rows, named, "eye_id", "eye", where, role)
    run.notes += notes
    levels = {name: _levels(run, i, rows, name, ids) for name in LEVELS}
    _check_one_each(spec.where(*place), levels, ids)
    rows = rows[[rows.geometry.name]].assign(
        _id=ids, _lot=_lots_of(run, i, rows), **{f"_{name}": v for name, v in levels.items()}
    )
    rows = cleaned(run, rows, role, ("point",), *place, names=[f"eye {name}" for name in ids])
    return _table(
        list(rows["_id"]),
        rows["_height_ft"],
        rows["_elevation_ft"],
        list(rows["_lot"]),
        np.asarray(rows.geometry.array),
    )


def _lots_of(run: Loading, i: int, rows: Any) -> Any:
    given, where = run.spec.values["eyes"][i], run.spec.where("eyes", i, "lot_field")
    if "lot" in given:
        return pd.Series([text_id(given["lot"])] * len(rows), dtype=object)
    field = given.get("lot_field")
    name = find_field(rows, field, where) if field else usual_field(rows, "lot_id")
    lots: list[str | None] = text_ids(rows[name]) if name else [None] * len(rows)
    return pd.Series(lots, dtype=object)


def _levels(run: Loading, i: int, rows: Any, column: str, ids: list[str]) -> Any:
    """Heights or elevations of a layer in feet, NaN where there is none."""
    given = run.spec.values["eyes"][i]
    if any(name in given for name in LEVELS):  # one number for all of them
        return np.full(len(rows), float(given.get(column, np.nan)))
    key, usual = LEVELS[column]
    where = run.spec.where("eyes", i, key if key in given else "file")
    name = find_field(rows, given[key], where) if key in given else None
    if name is None and not any(key in given for key, _ in LEVELS.values()):
        name = _usual(run, i, rows, usual, where)
    if name is None:
        return np.full(len(rows), np.nan)
    raw = rows[name]
    values = pd.to_numeric(raw, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    blank = np.array([text_id(value) is None for value in raw])
    if len(bad := np.flatnonzero(~np.isfinite(values) & ~blank)):
        raise LayerError(
            where,
            f"{str(raw.iloc[bad[0]])!r} for eye {ids[bad[0]]}",
            "a number, or nothing",
            "correct the field",
        )
    if column == "height_ft" and len(bad := np.flatnonzero(values < 0)):
        raise RangeError(
            where,
            f"{values[bad[0]]:g} for eye {ids[bad[0]]}",
            "0 or more, above the ground under it",
            "correct the field; what is counted from a datum is an elevation (elevation_field)",
        )
    return values * feet_per_vertical_unit(_unit(run, i, name), where)


def _usual(run: Loading, i: int, rows: Any, usual: tuple[str, ...], where: str) -> str | None:
    """The one field that is usually so called, whatever its unit."""
    found = [name for name in field_names(rows) if split_unit(name)[0] in usual]
    if len(found) > 1:
        raise LayerError(
            where,
            f"{len(found)} fields that may hold the {usual[0]} of the eyes: {listed(found)}",
            "one of them",
            f"name it with {usual[0]}_field",
        )
    if not found:
        return None
    role = role_of(run.spec, "eyes", i)
    run.notes.append(Note(role, f"{usual[0]}s taken from the field {found[0]!r}", "info"))
    return found[0]


def _unit(run: Loading, i: int, field: str) -> str:
    """Unit of a field: stated, or the end of its name; never guessed."""
    stated, named = run.spec.values["eyes"][i].get("unit"), split_unit(field)[1]
    where = run.spec.where("eyes", i, "unit" if stated else "file")
    if named not in (None, *VERTICAL_UNITS_M) or (stated is None and named is None):
        unit = "no unit" if named is None else f"a unit not known here ({named})"
        raise UnitError(
            where,
            f"the field {field!r}, whose name tells {unit}",
            "the unit of the eyes' heights: ft, us-ft or m",
            "say unit, or name the field so that it ends in _ft or _m",
        )
    if stated is not None and named is not None and (stated == "m") != (named == "m"):
        raise UnitError(
            where,
            f"{stated!r} for the field {field!r}, whose name says {named}",
            "one answer",
            "correct the unit, or rename the field",
        )
    return str(stated or named)


def _check_one_each(where: str, levels: Mapping[str, Any], ids: list[str]) -> None:
    """Every eye has a height above the ground or an elevation, and not both."""
    n = sum(np.isfinite(values).astype(int) for values in levels.values())
    for wrong, found, mend in (
        (0, "no height", "name height_field or elevation_field, or say height_ft for all of them"),
        (2, "a height above the ground and an elevation", "leave one of the two empty"),
    ):
        if len(rows := np.flatnonzero(n == wrong)):
            raise LayerError(
                where,
                f"{found} for eye {listed([ids[row] for row in rows])}",
                "one of the two for each: height above the ground under it, or elevation",
                mend,
            )


def _check_names(run: Loading, eyes: Any, of: list[int]) -> None:
    twice = np.flatnonzero(eyes["eye_id"].duplicated())
    if len(twice):
        i = of[twice[0]]
        key = "id_field" if "file" in run.spec.values["eyes"][i] else "name"
        raise SiteFileError(
            run.spec.where("eyes", i, key),
            f"a second eye named {eyes['eye_id'].iloc[twice[0]]!r}",
            "a name of its own for each",
            "rename one of them, or name the field that tells them apart",
        )


def _check_lots(run: Loading, eyes: Any, of: list[int], lots: Any) -> None:
    if lots is None:
        return
    known = list(lots["lot_id"])
    measured = set(lots["lot_id"][lots["is_measured"].to_numpy()])
    for row, lot in enumerate(eyes["lot_id"]):
        if lot is None:
            continue
        eye = eyes["eye_id"].iloc[row]
        if lot not in known:
            i = of[row]
            key = "lot" if "lot" in run.spec.values["eyes"][i] else "lot_field"
            raise LayerError(
                run.spec.where("eyes", i, key),
                f"no lot {lot!r}, which eye {eye!r} is to look over",
                f"one of {listed(known, 10)}",
                "check the id, or leave it out and its place tells",
            )
        if lot not in measured:
            text = f"{eye} looks over lot {lot}, which is not reported"
            run.notes.append(Note("eyes", text, "info"))


def _check_near(run: Loading, eyes: Any, of: list[int], lots: Any) -> None:
    """Refuse an eye miles from the lots: its coordinates are almost surely of another CRS."""
    if lots is None:
        return
    reported = np.asarray(lots.geometry.array)[lots["is_measured"].to_numpy()]
    around = shapely.box(*shapely.total_bounds(reported))
    gap = shapely.distance(np.asarray(eyes.geometry.array), around)
    gap_ft = gap * feet_per_map_unit(run.crs, "lots")
    far = np.flatnonzero(~(gap_ft <= FARTHEST_FT))
    if len(far):
        i = of[far[0]]
        given = run.spec.values["eyes"][i]
        key = next(key for key in ("file", "x", "longitude") if key in given)
        raise CRSError(
            run.spec.where("eyes", i, key),
            f"eye {eyes['eye_id'].iloc[far[0]]!r}, {gap_ft[far[0]] / 5280:,.1f} miles off the lots",
            f"a place within {FARTHEST_FT / 5280:g} miles",
            _place_mend(run, i, key),
        )


def _place_mend(run: Loading, i: int, key: str) -> str:
    """How to mend a place, by the CRS it was taken to be in."""
    if key == "longitude":
        return "check longitude and latitude"
    if key == "x":
        name = run.crs.name if run.crs else ""
        return f"x and y are in the site's CRS ({name}); check them, or give longitude and latitude"
    role = role_of(run.spec, "eyes", i)
    read = [one.crs for one in run.inputs if one.role == role and one.crs]
    named = f" as {read[0]}" if read else ""
    return f"the file's coordinates were taken{named}; check them, and its CRS (crs says another)"


def _tell_datum(run: Loading, eyes: Any) -> None:
    """An elevation is of use only above the datum that the water's elevation is above."""
    line, ground = run.spec.table("mhw_line") or {}, run.spec.table("ground")
    if np.isfinite(eyes["elevation_ft"]).any() and "vertical_datum" not in line and ground is None:
        text = "elevations are taken to be above the datum of the water's elevation, which is not "
        run.notes.append(Note("eyes", f"{text}stated", "assumed"))
