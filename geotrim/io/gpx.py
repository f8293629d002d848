"""Waypoints in and out: GPX 1.1, positions in WGS 84 degrees.

Elevations are of no use here: what a receiver writes as ``ele`` is the height of the receiver above
the sea, not of a tree.
"""

from __future__ import annotations

import os
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from geotrim.io.aside import new_file
from geotrim.io.repair import counted
from geotrim.io.vectors import read_rows
from geotrim.model import Note

NAMESPACE = "http://www.topografix.com/GPX/1/1"
#: Layer of the waypoints in a GPX file, as GDAL calls it.
WAYPOINTS = "waypoints"
#: Fields of a waypoint that are read, and what they become.
FIELDS = {"name": "name", "cmt": "cmt", "desc": "desc", "time": "time"}

#: What a description of ours may tell of a tree. Text but for the last two; lengths in feet.
TOLD = ("tag", "stem", "species", "height_ft", "base_height_ft")
#: Decimals of lengths, as in our tables: a millionth of a foot.
DECIMALS = 6

_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@dataclass(frozen=True, slots=True)
class Waypoint:
    """One waypoint: degrees in WGS 84, and text; "" is left out."""

    lon: float
    lat: float
    name: str
    comment: str = ""
    description: str = ""


def write_gpx(path: Path, waypoints: Iterable[Waypoint], *, title: str = "") -> None:
    """Write waypoints as GPX 1.1, with nine decimals of a degree (0.1 mm).

    Elements stand in the order the schema asks for: ``name``, ``cmt``, ``desc``. Signs that XML
    cannot hold are left out.
    """
    root = ET.Element("gpx", version="1.1", creator="geotrim", xmlns=NAMESPACE)
    if title:
        _text(ET.SubElement(root, "metadata"), "name", title)
    for point in waypoints:
        place = {"lat": f"{point.lat:.9f}", "lon": f"{point.lon:.9f}"}
        element = ET.SubElement(root, "wpt", place)
        _text(element, "name", point.name)
        _text(element, "cmt", point.comment)
        _text(element, "desc", point.description)
    ET.indent(root)
    with new_file(path) as aside:
        ET.ElementTree(root).write(aside, encoding="utf-8", xml_declaration=True)


def description_of(told: Mapping[str, Any]) -> str:
    """A description that :func:`told_by` reads back; what is None or NaN is left out.

    Examples
    --------
    >>> description_of({"species": "red mangrove", "height_ft": 12.3, "base_height_ft": None})
    'species: red mangrove; height_ft: 12.3'
    """
    parts = []
    for name in TOLD:
        value = told.get(name)
        if value is None or value != value:
            continue
        if not isinstance(value, str):
            value = repr(round(float(value), DECIMALS)).removesuffix(".0")
        plain = re.sub(r"([;\\])", r"\\\1", value)
        parts.append(f"{name}: {plain}")
    return "; ".join(parts)


def told_by(description: str) -> dict[str, str] | None:
    """What a description of ours tells; None for any other text.

    Examples
    --------
    >>> told_by("species: red mangrove; height_ft: 12.3")
    {'species': 'red mangrove', 'height_ft': '12.3'}
    >>> told_by("red, leaning"), told_by("species: red; 12 ft")
    (None, None)
    """
    out: dict[str, str] = {}
    for part in _parts(description):
        name, colon, value = part.strip().partition(":")
        if not colon or name not in TOLD or name in out or not value.strip():
            return None
        out[name] = value.strip()
    return out or None


def _parts(text: str) -> list[str]:
    """Text parted at ";", but for one behind a backslash, which stands for itself."""
    parts = [""]
    for mark in re.findall(r"\\.|[^\\]|\\$", text, flags=re.DOTALL):
        if mark == ";":
            parts.append("")
        else:
            parts[-1] += mark[1:] if len(mark) == 2 else mark
    return parts


def _text(parent: ET.Element, name: str, text: str) -> None:
    if text:
        ET.SubElement(parent, name).text = _NOT_XML.sub("", text)


def read_gpx(
    path: str | os.PathLike[str],
    *,
    layer: str | None = None,
    crs: Any = None,
    subject: str = "waypoints",
) -> tuple[Any, tuple[Note, ...]]:
    """Waypoints of a GPX file with ``name``, ``cmt``, ``desc`` and ``time``; elevations dropped.

    Returns
    -------
    table : GeoDataFrame
        Points in WGS 84 degrees.
    notes : tuple of Note

    Raises
    ------
    FileError, LayerError
        If the file cannot be read, or has no waypoints.
    """
    rows, notes = read_rows(
        path, layer=layer or WAYPOINTS, crs=crs, subject=subject, kinds=("point",)
    )
    kept = [name for name in FIELDS if name in rows.columns]
    table = rows[[*kept, "geometry"]].copy()
    if "ele" in rows.columns and (n_told := int(rows["ele"].notna().sum())):
        text = f"{counted(n_told, 'elevation')} left out; they are no heights of trees"
        notes = (*notes, Note(subject, text, "info"))
    table.attrs["layer"] = rows.attrs["layer"]
    return table, notes
