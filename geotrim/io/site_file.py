"""The site: from a site file, or from the same tables in Python, to one checked value."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from geotrim.errors import SiteFileError
from geotrim.io.files import local_path
from geotrim.io.site_load import load_site
from geotrim.io.site_spec import SiteSpec
from geotrim.io.toml_lines import key_lines
from geotrim.model import Site
from geotrim.ops.registry import Param

__all__ = ["load_site", "read_site", "read_spec", "site_from_tables"]


def read_site(
    path: str | Path,
    *,
    params: Mapping[str, Param] | None = None,
    lots: Iterable[str] | None = None,
) -> Site:
    """Read a site file and every file it names; or a screen file, for a close look at a lot.

    Parameters
    ----------
    path : path-like
        A TOML file; see :data:`geotrim.io.site_spec.SITE_TABLES` for what it may say.
    params : mapping, optional
        Options that it may set, by name, where plug-ins add to geotrim's own.
    lots : iterable of str, optional
        Ids of the lots to report; the others become neighbours. Of a screen file they must lie
        under the same local rules; what their own fields answer holds for them.

    Raises
    ------
    SiteFileError
        If the file says something unknown, wrong or contradictory; names the key and the line.
    GeotrimError
        If a file it names cannot be used; names the key and the line too.
    """
    spec = read_spec(path)
    chosen = None if lots is None else [str(lot) for lot in lots]
    return load_site(spec if params is None else replace(spec, params=params), chosen)


def read_spec(path: str | Path) -> SiteSpec:
    """A site file as it was written, with the line of every key."""
    found = local_path(path, "site file")
    try:
        text = found.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
        values = tomllib.loads(text)
    except UnicodeDecodeError as error:
        raise SiteFileError(
            found.name, "text that is not UTF-8", "a UTF-8 text file", "save it as UTF-8"
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise _syntax(found.name, text, error) from error
    return SiteSpec(values, found.absolute().parent, found.name, key_lines(text))


def _syntax(name: str, text: str, error: tomllib.TOMLDecodeError) -> SiteFileError:
    said = re.sub(r" \(at .*\)$", "", str(error))
    place = re.search(r"at line (\d+)|at end of document", str(error))
    at = place.group(0).removeprefix("at ") if place else "somewhere"
    line = text.split("\n")[int(place[1]) - 1] if place and place[1] else ""
    if key := re.match(r"\s*(\w+)\s*=\s*\.\.\.", line):
        return SiteFileError(
            f"{name}, {at}, {key[1]}",
            "three dots",
            "an answer in their place",
            "write it, or put # before the line if it is not known",
        )
    return SiteFileError(
        f"{name}, {at}",
        f"text that is no TOML ({said})",
        'lines such as file = "lots.gpkg"',
        "put text in quotes, turn \\ in paths into / or put them in single quotes, write yes and "
        "no as true and false, dates as 2026-11-25",
    )


def site_from_tables(
    tables: Mapping[str, Any], folder: str | Path | None = None, *, source: str = "site"
) -> Site:
    """A site from the tables of a site file, given in Python.

    Parameters
    ----------
    tables : mapping
        As in a site file: table -> key -> value. Wherever a site file names a file, a GeoDataFrame
        (or, for heights, a :class:`geotrim.model.HeightSource`) may stand for it; a table that
        would only have the key ``file`` may be given as that value itself.
    folder : path-like, optional
        What relative paths are relative to; by default the current folder.
    source : str
        What to call the whole in messages.

    No table is required here, so that crowns can be measured without a lot; an operation says what
    it misses.

    Raises
    ------
    GeotrimError
        As :func:`read_site`, without line numbers.

    Examples
    --------
    >>> import geopandas as gpd, shapely
    >>> lots = gpd.GeoDataFrame({"lot_id": ["A"]}, geometry=[shapely.box(0, 0, 9, 9)], crs=6443)
    >>> shore = gpd.GeoDataFrame(geometry=[shapely.LineString([(0, 9), (9, 9)])], crs=6443)
    >>> site = site_from_tables({"lots": lots, "mhw_line": {"file": shore, "origin": "survey"}})
    >>> site.crs.to_epsg(), list(site.measured_lot_ids())
    (6443, ['A'])
    """
    values: dict[str, Any] = {"site": {"name": source}}
    for name, value in tables.items():
        plain = isinstance(value, (Mapping, list, tuple, str, int, float, bool)) or value is None
        values[name] = value if plain else {"file": value}
        if name == "eyes" and isinstance(values[name], Mapping):  # one layer, or one point
            values[name] = [values[name]]
    if isinstance(values["site"], Mapping):
        values["site"] = {"name": source, **values["site"]}
    if not {"lots", "crowns", "mhw_line", "readings"} & set(values):
        raise SiteFileError(source, "no input", "lots, crowns or a line", "give one of them")
    return load_site(SiteSpec(values, Path(folder or ".").absolute(), source, needs=()))
