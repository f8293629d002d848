"""Tables of published tidal datums, one station a row, each height with its unit in its heading."""

from __future__ import annotations

import csv
import difflib
import math
import os
from collections.abc import Iterable, Mapping
from pathlib import Path

from geotrim.core.datums import DATUM_NAMES, Station, datum_named, epoch_named
from geotrim.errors import FileError, LayerError, RangeError, UnitError
from geotrim.io.fields import text_id
from geotrim.io.files import local_path
from geotrim.io.repair import listed
from geotrim.units import feet_per_vertical_unit

#: Words at the end of a heading -> unit.
UNIT_WORDS = {"_ft": "ft", "_us-ft": "us-ft", "_usft": "us-ft", "_m": "m"}
#: Headings of what is not a height.
PLACES = {
    "station_id": ("station_id", "station", "id"),
    "lon": ("lon", "longitude"),
    "lat": ("lat", "latitude"),
}
#: Heights given twice may differ by a rounding of this much. [ft]
ROUNDING_FT = 0.02


def read_stations(path: str | os.PathLike[str], *, subject: str = "stations") -> list[Station]:
    """Stations of a CSV table (commas, semicolons or tabs).

    Columns ``station_id``, ``lon``, ``lat`` (degrees), and heights above the station's own
    reference such as ``MHW_ft``, ``MSL_m``, ``NAVD88_ft``; ``ref_datum`` and ``epoch`` where given.
    Empty cells are not published.

    Parameters
    ----------
    path : path-like
    subject : str
        How the user knows the table, for messages.

    Raises
    ------
    FileError, LayerError, UnitError, RangeError
        If it is no such table, a heading has no unit, or a cell contradicts itself.
    """
    found = local_path(path, subject)
    heads, rows = _rows(found, subject)
    places = {key: _heading(heads, key, words, subject) for key, words in PLACES.items()}
    heights = _height_columns(heads, subject)
    out = [
        _station(n, row, places, heights, subject)
        for n, row in enumerate(rows, 2)
        if any(row.values())
    ]
    if not out:
        raise LayerError(subject, f"{found.name} without rows", "one station a row", "export again")
    return out


def chosen_stations(stations: Iterable[Station], names: str, subject: str) -> list[Station]:
    """The stations of these ids, commas between.

    Raises
    ------
    LayerError
        If one is not in the table, or is in it twice.
    """
    stations = list(stations)
    out = []
    for name in (text_id(part) for part in names.split(",")):
        if name is None:
            continue
        fits = [station for station in stations if station.station_id == name]
        if len(fits) != 1:
            near = difflib.get_close_matches(name, [s.station_id for s in stations], n=1)
            raise LayerError(
                subject,
                f"station {name!r} {'twice' if fits else 'not in the table'}",
                f"one row for it, among {listed([s.station_id for s in stations], 30)}",
                f"say {near[0]!r} if you meant that" if near and not fits else "mend the table",
            )
        out += [] if fits[0] in out else fits
    if not out:
        raise LayerError(subject, f"station {names!r}", "the id of a station", "name one")
    return out


def _rows(path: Path, subject: str) -> tuple[list[str], list[dict[str, str]]]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (UnicodeDecodeError, OSError) as error:
        raise FileError(
            subject,
            f"{path.name}, which is no text table in UTF-8",
            "a CSV file",
            "export the sheet as CSV (UTF-8)",
        ) from error
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    if not lines:
        raise LayerError(subject, f"{path.name} without rows", "a heading and rows", "export again")
    mark = max(",;\t", key=lines[0].count)
    table = [[cell.strip() for cell in row] for row in csv.reader(lines, delimiter=mark)]
    heads = table[0]
    twice = sorted({head for head in heads if head and heads.count(head) > 1})
    ragged = [n for n, row in enumerate(table[1:], 2) if len(row) > len(heads)]
    if twice or ragged:
        told = (
            f"the heading {twice[0]!r} twice"
            if twice
            else f"more cells than headings in row {ragged[0]}"
        )
        raise LayerError(subject, told, "one cell for each heading", "mend the table")
    return heads, [dict(zip(heads, row, strict=False)) for row in table[1:]]


def _heading(heads: list[str], key: str, words: tuple[str, ...], subject: str) -> str:
    fits = [head for word in words for head in heads if head.lower() == word]
    if not fits:
        raise LayerError(
            subject,
            f"no column {key}, among {listed(heads, 14)}",
            "columns station_id, lon and lat, and heights such as MHW_ft",
            "rename the column that holds it",
        )
    return fits[0]


def _height_columns(heads: list[str], subject: str) -> dict[str, tuple[str, float]]:
    """Heading -> datum and feet in its unit."""
    out = {}
    for head in heads:
        lower = head.lower()
        if datum_named(head) in DATUM_NAMES:
            raise UnitError(
                f"{subject} column {head!r}",
                "heights without a unit",
                f"the unit in the heading: {head}_ft or {head}_m",
                "rename the column as the table's publisher says",
            )
        for word, unit in UNIT_WORDS.items():
            if lower.endswith(word) and datum_named(head[: -len(word)]) in DATUM_NAMES:
                name = datum_named(head[: -len(word)])
                out[head] = (name, feet_per_vertical_unit(unit, subject))
    if not any(name == "MHW" for name, _ in out.values()):
        raise LayerError(
            subject,
            f"no column MHW_ft or MHW_m, among {listed(heads, 14)}",
            "the published height of mean high water",
            "take the column from the station's datum page, or rename it",
        )
    return out


def _station(
    n: int,
    row: Mapping[str, str],
    places: Mapping[str, str],
    heights: Mapping[str, tuple[str, float]],
    subject: str,
) -> Station:
    name = text_id(row.get(places["station_id"]))
    if name is None:
        raise LayerError(f"{subject} row {n}", "no station_id", "an id", "fill it in")
    where = f"{subject} station {name}"
    lon, lat = (_number(row.get(places[key], ""), f"{where} {key}") for key in ("lon", "lat"))
    if lon is None or lat is None or not (-180 <= lon <= 360 and -90 <= lat <= 90):
        raise RangeError(
            where, f"a place at lon {lon}, lat {lat}", "degrees", "west is below 0; check the two"
        )
    above: dict[str, float] = {}
    for head, (datum, factor) in heights.items():
        value = _number(row.get(head, ""), f"{where} {head}")
        if value is None:
            continue
        if datum in above and abs(above[datum] - value * factor) > ROUNDING_FT:
            raise UnitError(
                f"{where} {head}",
                f"{value:g}, which contradicts another column of {datum}",
                "one height",
                "find out which column is right and take the other out",
            )
        above.setdefault(datum, value * factor)
    _check_reference(row, above, where)
    epoch = text_id(_ignoring_case(row, "epoch"))
    return Station(
        name,
        (lon + 180.0) % 360.0 - 180.0,
        lat,
        above,
        epoch and epoch_named(epoch, f"{where} epoch"),
    )


def _number(text: str | None, where: str) -> float | None:
    if text is None or text.strip().lower() in ("", "nan", "na", "n/a", "null", "none"):
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise RangeError(where, f"{text!r}", "a number, or nothing", "mend the cell") from None
    return value


def _check_reference(row: Mapping[str, str], above: Mapping[str, float], where: str) -> None:
    """A datum that heights are above is 0 above itself."""
    said = text_id(_ignoring_case(row, "ref_datum"))
    height = above.get(datum_named(said), 0.0) if said else 0.0
    if abs(height) > ROUNDING_FT:
        raise RangeError(
            where,
            f"heights above {said}, and {said} itself at {height:.2f} ft",
            "0 for the reference",
            "check what the heights are above",
        )


def _ignoring_case(row: Mapping[str, str], key: str) -> str | None:
    return next((value for head, value in row.items() if head.lower() == key), None)
