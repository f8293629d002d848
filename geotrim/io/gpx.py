"""Waypoints in and out: GPX 1.1, positions in WGS 84 degrees.

Elevations are of no use here: what a receiver writes as ``ele`` is the height of the receiver above
the sea, not of a tree.
"""

from __future__ import annotations

import os
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterable
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
