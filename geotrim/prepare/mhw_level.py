"""The MHW elevation in the ground's datum: given, from stations, or from a datum grid."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from pyproj import Geod

from geotrim.core import datums
from geotrim.errors import CRSError, GeotrimError, LayerError, RangeError
from geotrim.io.datum_grid import grid_value, open_datum_grid
from geotrim.io.datum_match import check_same_datum
from geotrim.io.datum_stations import chosen_stations, read_stations
from geotrim.model import InputFile, Note
from geotrim.prepare.places import input_file
from geotrim.prepare.task import GivenFile, Task
from geotrim.units import FOOT_M

#: A station farther than this is told to be far. [ft] Ours: ten statute miles.
FAR_FT = 52_800.0
MILE_FT = 5280.0


@dataclass(frozen=True, slots=True, eq=False)
class MhwLevel:
    """Mean high water as an elevation in the ground's datum.

    error_ft : standard error of the elevation, None when nobody stated it and no stations differ.
    is_error_whole : whether that is all of it, and not a lower bound.
    how : in words, with the numbers it came from.
    """

    elevation_ft: float
    datum: str
    epoch: str
    error_ft: float | None
    is_error_whole: bool
    how: str
    figures: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()
    inputs: tuple[InputFile, ...] = ()


@dataclass(frozen=True, slots=True)
class Place:
    """Where the tide is asked for.

    words : what the place is.
    """

    lon: float
    lat: float
    words: str


def settle_level(task: Task, ground_datum: str, ground_epoch: str | None, at: Place) -> MhwLevel:
    """The MHW elevation, from the one source the user named.

    Raises
    ------
    GeotrimError
        If none or several are named, or datums, epochs or units do not fit each other.
    """
    ways = {
        "--mhw-elevation-ft": task.params["mhw_elevation_ft"] is not None,
        "--mhw-elevation-m": task.params["mhw_elevation_m"] is not None,
        "--stations": task.one("stations") is not None,
        "--datum-grid": task.one("datum_grid") is not None,
    }
    named = [way for way, is_there in ways.items() if is_there]
    if len(named) != 1:
        raise GeotrimError(
            "MHW elevation",
            f"{' and '.join(named)}" if named else "none",
            f"one of {', '.join(ways)}",
            "take the others out" if named else "name where the elevation comes from",
        )
    _refuse_unused(task, named[0])
    epochs = {"--epoch": task.params["epoch"], "the ground": ground_epoch}
    if named[0] == "--stations":
        level = _from_stations(task, ground_datum, epochs, at)
    elif named[0] == "--datum-grid":
        level = _from_grid(task, ground_datum, epochs, at)
    else:
        level = _given(task, ground_datum, epochs)
    return _with_common_notes(level)


#: Parameter -> the ways that it belongs to.
_BELONGS = {
    "mhw_datum": ("--mhw-elevation-ft", "--mhw-elevation-m"),
    "station": ("--stations",),
    "stations_within_ft": ("--stations",),
    "grid_reach_ft": ("--datum-grid",),
    "msl_above_navd88_ft": ("--datum-grid",),
}


def _refuse_unused(task: Task, way: str) -> None:
    for name, ways in _BELONGS.items():
        if task.params[name] is not None and way not in ways:
            option = "--" + name.replace("_", "-")
            raise GeotrimError(
                option, f"it beside {way}", f"it only with {' or '.join(ways)}", "take one out"
            )


def _with_common_notes(level: MhwLevel) -> MhwLevel:
    notes = list(level.notes)
    low, high = datums.USUAL_NAVD88_FT
    if not datums.is_usual(level.elevation_ft, level.datum):
        text = f"{level.elevation_ft:+.2f} ft {level.datum} is outside {low:+g} to {high:+g} ft, "
        text += "usual around Florida (from memory); check datum, unit and sign"
        notes.append(Note("MHW elevation", text, "assumed"))
    if level.datum.startswith(datums.LOCAL):
        text = f"{level.datum} is a datum of the place, taken for one by its name alone; NAVD88 is "
        text += "usual in Florida (state survey bureau), and a surveyor may say when it can be left"
        notes.append(Note("MHW elevation", text, "assumed"))
    if level.epoch != datums.EPOCH_IN_FORCE:
        text = f"epoch {level.epoch} is not {datums.EPOCH_IN_FORCE}, in force when this was written"
        notes.append(Note("epoch", text, "assumed"))
    if level.error_ft is None:
        text = "its standard error is not known: only the ground's goes into the line's "
        text += "(state --datum-error-ft)"
        notes.append(Note("MHW elevation", text, "missing"))
    return replace(level, notes=tuple(notes))


def _given(task: Task, ground_datum: str, epochs: Mapping[str, str | None]) -> MhwLevel:
    feet, metres = (task.params[f"mhw_elevation_{unit}"] for unit in ("ft", "m"))
    said = task.params["mhw_datum"]
    if said is None:
        raise CRSError(
            "--mhw-datum",
            "an MHW elevation above nothing stated",
            "its vertical datum",
            "say --mhw-datum, for example --mhw-datum NAVD88, as the elevation's source does",
        )
    datum = datums.known_datum(said, "--mhw-datum")
    check_same_datum(
        ground_datum,
        datum,
        ("ground", "MHW elevation"),
        "give the MHW elevation in the ground's datum, or name a station that publishes both",
    )
    elevation = float(feet if feet is not None else metres / FOOT_M)
    written = f"{feet:g} ft" if feet is not None else f"{metres:g} m"
    return MhwLevel(
        elevation,
        datum,
        datums.one_epoch(epochs),
        task.params["datum_error_ft"],
        task.params["datum_error_ft"] is not None,
        f"{written} {datum}, as given",
    )


def _from_stations(
    task: Task, ground_datum: str, epochs: Mapping[str, str | None], at: Place
) -> MhwLevel:
    given = _file(task, "stations")
    stations, read_notes = read_stations(given.path, subject=given.subject)
    chosen, away_ft, bearing = _chosen(task, stations, at, given.subject)
    said = {f"station {s.station_id}": s.epoch for s in chosen}
    epoch = datums.one_epoch({**epochs, **said})
    own = [datums.mhw_above_ft(station, ground_datum) for station in chosen]
    elevation, spread = datums.inverse_distance(own, away_ft)
    stated = task.params["datum_error_ft"]
    error, is_whole = datums.error_between(len(own), spread)
    if stated is not None:
        error, is_whole = stated, True
    told = "; ".join(
        f"{s.station_id} {value:+.2f} ft, {away / MILE_FT:,.1f} miles away"
        for s, value, away in zip(chosen, own, away_ft, strict=True)
    )
    text = f"MHW above {ground_datum} at {told}, from {at.words}"
    notes = [*read_notes, Note("stations", text, "info")]
    notes += _station_notes(own, spread, stated, away_ft, bearing, at)
    how = f"MHW less {ground_datum} at station {chosen[0].station_id}"
    if len(chosen) > 1:
        names = ", ".join(s.station_id for s in chosen)
        how = f"between stations {names}, weighted by one over the distance squared"
    figures = {
        "stations": [
            {"station_id": s.station_id, "mhw_above_datum_ft": value, "distance_ft": away}
            for s, value, away in zip(chosen, own, away_ft, strict=True)
        ],
        "station_spread_ft": spread,
    }
    return MhwLevel(
        elevation,
        ground_datum,
        epoch,
        error,
        is_whole,
        how,
        figures,
        tuple(notes),
        (input_file(given, "stations", n_features=len(stations)),),
    )


def _chosen(
    task: Task, stations: list[datums.Station], at: Place, subject: str
) -> tuple[list[datums.Station], list[float], list[float]]:
    """The stations to use, with distance [ft] and bearing [deg] on the ellipsoid."""
    names, within_ft = task.params["station"], task.params["stations_within_ft"]
    if (names is None) == (within_ft is None):
        raise GeotrimError(
            "--station",
            "neither --station nor --stations-within-ft" if names is None else "both of them",
            "which stations to use: by id, or all within a distance",
            "name the station whose tide is the lot's, for example --station 8724580",
        )
    if names is not None:
        stations = chosen_stations(stations, names, "--station")
    away, bearing = seen_from(at, [(s.lon, s.lat) for s in stations])
    if within_ft is not None:
        near = [k for k, distance in enumerate(away) if distance <= within_ft]
        if not near:
            k = int(np.argmin(away))
            raise LayerError(
                subject,
                f"no station within {within_ft:,.0f} ft of {at.words}; the nearest, "
                f"{stations[k].station_id}, is {away[k]:,.0f} ft away",
                "at least one",
                _turned(at, stations[k], max(within_ft, task.params["station_reach_ft"]))
                or "reach farther, or name a station with --station",
            )
        near.sort(key=lambda k: away[k])
        stations = [stations[k] for k in near]
        away, bearing = [away[k] for k in near], [bearing[k] for k in near]
    _refuse_far(stations, away, task.params["station_reach_ft"], at)
    return stations, away, bearing


def seen_from(at: Place, places: list[tuple[float, float]]) -> tuple[list[float], list[float]]:
    """Distance [ft] and bearing [deg] of places on the ellipsoid."""
    geod = Geod(ellps="GRS80")
    measured = [geod.inv(at.lon, at.lat, lon, lat) for lon, lat in places]
    return [float(m) / FOOT_M for _, _, m in measured], [float(b) for b, _, _ in measured]


def _refuse_far(
    stations: list[datums.Station], away: list[float], reach_ft: float, at: Place
) -> None:
    """The tide of a station beyond reach is not that of the place."""
    k = int(np.argmax(away))
    if away[k] <= reach_ft:
        return
    where = f"lon {stations[k].lon:g}, lat {stations[k].lat:g}"
    raise RangeError(
        f"station {stations[k].station_id}",
        f"it at {where}, {away[k] / MILE_FT:,.1f} miles from {at.words}",
        f"a station within {reach_ft:,.0f} ft ({reach_ft / MILE_FT:,.1f} miles)",
        _turned(at, stations[k], reach_ft)
        or f"name a nearer one; if its tide is the tide here, say --station-reach-ft "
        f"{np.ceil(away[k]):.0f}",
    )


def _turned(at: Place, station: datums.Station, reach_ft: float) -> str | None:
    """How a place would come near if it were written otherwise, or None."""
    lon, lat = station.lon, station.lat
    ways = {
        f"check the sign of its longitude: {-lon:g} would be near (west is below 0)": (-lon, lat),
        f"check the sign of its latitude: {-lat:g} would be near": (lon, -lat),
        "check its lon and lat: the other way round they would be near": (lat, lon),
        "check its lon and lat: the other way round, west below 0, they would be near": (-lat, lon),
    }
    for words, (x, y) in ways.items():
        if abs(y) <= 90.0 and seen_from(at, [(x, y)])[0][0] <= reach_ft:
            return words
    return None


def _station_notes(
    own: list[float],
    spread: float,
    stated: float | None,
    away_ft: list[float],
    bearing: list[float],
    at: Place,
) -> list[Note]:
    notes = []
    if len(own) > 1:
        text = f"they differ from the value between them by up to {spread:.2f} ft"
        text += _spread_words(len(own), spread) if stated is None else f"; {stated:g} ft was stated"
        notes.append(Note("stations", text, "assumed" if stated is None else "info"))
        turn = np.radians(bearing)
        offsets = np.column_stack([np.sin(turn), np.cos(turn)]) * np.array(away_ft)[:, None]
        if not datums.is_between(offsets):
            text = f"{at.words} does not lie among the stations: the tide is carried on beyond them"
            notes.append(Note("stations", text, "assumed"))
    else:
        text = f"the tide of one station is taken for that of {at.words}"
        notes.append(Note("stations", text, "assumed"))
    if min(away_ft) > FAR_FT:
        text = f"the nearest is {min(away_ft) / MILE_FT:,.1f} miles away; tides change along a "
        notes.append(Note("stations", text + "coast and behind inlets", "assumed"))
    return notes


def _spread_words(n_stations: int, spread: float) -> str:
    """What the difference of stations is taken for."""
    error, is_whole = datums.error_between(n_stations, spread)
    if error is None:
        return ", no more than published datums are rounded: they tell nothing of its error"
    return "; taken as its error" + ("" if is_whole else ", of which two show only a part")


def _from_grid(
    task: Task, ground_datum: str, epochs: Mapping[str, str | None], at: Place
) -> MhwLevel:
    given = _file(task, "datum_grid")
    epoch = datums.one_epoch(epochs)
    shift = _msl_in(task, ground_datum)
    reach_ft = task.params["grid_reach_ft"] or 0.0
    with open_datum_grid(
        given.path,
        unit=given.get("unit"),
        band=given.get("band", 1),
        crs=given.get("crs"),
        subject=given.subject,
    ) as grid:
        value = grid_value(grid, at.lon, at.lat, reach_ft=reach_ft)
        notes = list(grid.notes)
        told = input_file(given, "datum_grid", crs=grid.crs, detail=grid.describe())
    text = f"MHW {value.value_ft:.2f} ft above local mean sea level at {at.words}"
    level = "info"
    if value.away_ft > 0:
        text += f", taken {value.away_ft:,.0f} ft away, at the nearest value"
        level = "assumed"
    elif value.known_frac < 1.0:
        text += f", from neighbours that hold {value.known_frac:.0%} of the weight"
        level = "assumed"
    notes.append(Note("datum grid", text, level))
    how = "from a datum grid, MHW above local mean sea level"
    if shift:
        how += f" plus {shift:+g} ft, mean sea level above NAVD88 as stated"
    figures = {"grid_value_ft": value.value_ft, "grid_known_frac": value.known_frac}
    figures["grid_away_ft"] = value.away_ft
    return MhwLevel(
        value.value_ft + shift,
        ground_datum,
        epoch,
        task.params["datum_error_ft"],
        task.params["datum_error_ft"] is not None,
        how,
        figures,
        tuple(notes),
        (told,),
    )


def _msl_in(task: Task, ground_datum: str) -> float:
    """Local mean sea level in the ground's datum. [ft]."""
    stated = task.params["msl_above_navd88_ft"]
    if ground_datum == "MSL" and stated is None:
        return 0.0
    if ground_datum == "NAVD88" and stated is not None:
        return float(stated)
    if ground_datum == "NAVD88":
        raise CRSError(
            "--datum-grid",
            "MHW above local mean sea level, and a ground above NAVD88",
            "how far local mean sea level lies above NAVD88",
            "say --msl-above-navd88-ft from a station or a grid of the place; below it is negative",
        )
    raise CRSError(
        "--datum-grid",
        f"MHW above local mean sea level, and a ground above {ground_datum}"
        + ("" if stated is None else ", with --msl-above-navd88-ft"),
        "a ground above MSL, or above NAVD88 with --msl-above-navd88-ft",
        "take a ground model in one of these, or give the MHW elevation itself",
    )


def _file(task: Task, source: str) -> GivenFile:
    given = task.one(source)
    if given is None:
        raise RangeError(source, "nothing", "a file", f"say --{source.replace('_', '-')} FILE")
    return given
