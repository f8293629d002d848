"""Tables of published tidal datums, one station a row, each height with its unit in its heading."""

from __future__ import annotations

import difflib
import os
from collections.abc import Iterable, Mapping
from typing import Any

from geotrim.core.datums import DATUM_NAMES, LOCAL, Station, datum_named, epoch_named
from geotrim.errors import LayerError, RangeError, UnitError
from geotrim.io.fields import text_id
from geotrim.io.repair import listed
from geotrim.io.text_numbers import COMMA, POINT, decimal_mark, value_of
from geotrim.io.text_table import read_text_table
from geotrim.model import Note
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
#: What is written for a height that is not published.
NOTHING = ("nan", "na", "n/a", "null", "none")
#: Begins a line about the table.
COMMENT = "#"


def read_stations(
    path: str | os.PathLike[str], *, subject: str = "stations"
) -> tuple[list[Station], tuple[Note, ...]]:
    """Stations of a table as text, and what is to be told of the file.

    Columns ``station_id``, ``lon``, ``lat`` (degrees), and heights above the station's own
    reference such as ``MHW_ft``, ``MSL_m``, ``NAVD88_ft``; ``ref_datum`` and ``epoch`` where given.
    Empty cells are not published. Decimal points and decimal commas are told apart.

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
    table, notes = read_text_table(path, subject=subject, comment=COMMENT)
    heads = [str(name) for name in table.columns]
    places = {key: _heading(heads, key, words, subject) for key, words in PLACES.items()}
    heights = _height_columns(heads, subject)
    degrees, numbers = (
        [text for head in some for text in table[head] if not _is_nothing(text)]
        for some in ([places["lon"], places["lat"]], heights)
    )
    mark = decimal_mark(degrees + numbers, subject, _mark_of_degrees(degrees))
    out = [
        _station(line, row, places, heights, mark, subject)
        for line, row in zip(table.index, table.to_dict("records"), strict=True)
    ]
    return out, notes


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
        if len(fits) > 1:
            raise LayerError(
                subject,
                f"station {name!r} twice in the table",
                "one row for it",
                "take one of its rows out of the table",
            )
        if not fits:
            ids = [station.station_id for station in stations]
            near = difflib.get_close_matches(name, ids, n=3)
            raise LayerError(
                subject,
                f"station {name!r}, which is not in the table",
                f"an id of it: {listed(ids, 30)}",
                f"say {subject} {' or '.join(near)} if you meant that"
                if near
                else f"say {subject} with one of these ids, or name a table that holds {name}",
            )
        out += [] if fits[0] in out else fits
    if not out:
        raise LayerError(subject, f"station {names!r}", "the id of a station", "name one")
    return out


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
    line: int,
    row: Mapping[str, Any],
    places: Mapping[str, str],
    heights: Mapping[str, tuple[str, float]],
    mark: str,
    subject: str,
) -> Station:
    name = text_id(row.get(places["station_id"]))
    if name is None:
        raise LayerError(f"{subject} line {line}", "no station_id", "an id", "fill it in")
    where = f"{subject} station {name}"
    lon, lat = (_number(row[places[key]], mark, f"{where} {key}") for key in ("lon", "lat"))
    if lon is None or lat is None or not (-180 <= lon <= 360 and -90 <= lat <= 90):
        raise RangeError(
            where, f"a place at lon {lon}, lat {lat}", "degrees", "west is below 0; check the two"
        )
    above: dict[str, float] = {}
    for head, (datum, factor) in heights.items():
        value = _number(row[head], mark, f"{where} {head}")
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
    _add_reference(row, above, where)
    epoch = text_id(_ignoring_case(row, "epoch"))
    return Station(
        name,
        (lon + 180.0) % 360.0 - 180.0,
        lat,
        above,
        epoch and epoch_named(epoch, f"{where} epoch"),
    )


def _mark_of_degrees(texts: Iterable[str]) -> str | None:
    """Decimal commas where a comma for thousands would make degrees that there are not."""
    is_comma = any("," in text and abs(value_of(text, POINT) or 0.0) > 360.0 for text in texts)
    return COMMA if is_comma else None


def _is_nothing(text: Any) -> bool:
    return text is None or str(text).strip().lower() in NOTHING


def _number(text: Any, mark: str, where: str) -> float | None:
    if _is_nothing(text):
        return None
    value = value_of(text, mark)
    if value is None:
        raise RangeError(where, f"{text!r}", "a number, or nothing", "mend the cell")
    return value


def _add_reference(row: Mapping[str, Any], above: dict[str, float], where: str) -> None:
    """A datum that heights are above is 0 above itself, whether or not it has a column.

    One that is not known here (a station's own zero, say) adds nothing.
    """
    said = text_id(_ignoring_case(row, "ref_datum"))
    name = datum_named(said) if said else ""
    if name not in DATUM_NAMES and not name.startswith(LOCAL):
        return
    if abs(above.setdefault(name, 0.0)) > ROUNDING_FT:
        raise RangeError(
            where,
            f"heights above {said}, and {said} itself at {above[name]:.2f} ft",
            "0 for the reference",
            "check what the heights are above",
        )


def _ignoring_case(row: Mapping[str, Any], key: str) -> Any:
    return next((value for head, value in row.items() if head.lower() == key), None)
