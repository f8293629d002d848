"""Tidal datums: what mean high water is above another datum. Arithmetic only.

Every value of a station is a height above one reference of its own, so the height of mean high
water above a datum is the difference of the two, on one tidal epoch.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.errors import CRSError, LayerError, RangeError

#: Datums -> how files and people write them, letters and digits only.
#: Source: EPSG registry for NAVD 88 (5703 m, 6360 US survey ft, 8228 ft) and the tidal heights.
DATUM_NAMES = {
    "NAVD88": ("navd88", "northamericanverticaldatum1988", "northamericanverticaldatumof1988"),
    "NGVD29": ("ngvd29", "nationalgeodeticverticaldatum1929"),
    "MHHW": ("mhhw", "meanhigherhighwater"),
    "MHW": ("mhw", "meanhighwater"),
    "MTL": ("mtl", "meantidelevel"),
    "MSL": ("msl", "lmsl", "meansealevel", "localmeansealevel"),
    "MLW": ("mlw", "meanlowwater"),
    "MLLW": ("mllw", "meanlowerlowwater"),
}
#: How a tidal datum of one place is written: this, and its name. Such a datum may stand where
#: NAVD 88 is impractical. Source: state survey bureau, epoch notice.
LOCAL = "local:"
#: Words for geoid models, ellipsoids and horizontal datums, which no tide is counted from.
_NO_TIDE = re.compile(r"egm|geoid|ellips|\bhae\b|wgs|nad.?(27|83)|grs|itrf|igs", re.IGNORECASE)
#: Datums that are means of the tide, so that they belong to an epoch.
TIDAL = ("MHHW", "MHW", "MTL", "MSL", "MLW", "MLLW")
#: From high to low, as the tide makes them (mean tide level may lie on either side of MSL).
HIGH_TO_LOW = ("MHHW", "MHW", "MSL", "MLW", "MLLW")
#: The epoch in force, and the one to come. Source: NOAA tidal-datum notice, effective 28 May 2003;
#: the next is planned for 2027 (NOAA staff webinar, 2023).
EPOCH_IN_FORCE, EPOCH_TO_COME = "1983-2001", "2002-2020"
#: MHW above NAVD 88 that is usual around Florida. [ft] From memory, no source.
USUAL_NAVD88_FT = (-1.0, 4.0)
#: Published datums are rounded to this. [ft] Source: NOAA datum pages give two decimals.
ROUNDED_FT = 0.01
#: From so many stations on how far they differ is taken for the whole error. Ours, no source.
ENOUGH_STATIONS = 3
#: Power of the distance by which nearer stations count more (D. Shepard, 1968).
POWER = 2.0


@dataclass(frozen=True, slots=True)
class Station:
    """Published tidal datums of one tide station.

    lon, lat : degrees.
    above_ref_ft : datum -> height above the station's own reference [ft]; only what is published.
    epoch : tidal epoch, or None where the table does not say.
    """

    station_id: str
    lon: float
    lat: float
    above_ref_ft: Mapping[str, float]
    epoch: str | None = None


def datum_named(text: str) -> str:
    """The short name of a vertical datum; one that is not known keeps the name it has.

    Examples
    --------
    >>> datum_named("NAVD 88"), datum_named("lmsl"), datum_named("NAVD88 height (ftUS)")
    ('NAVD88', 'MSL', 'NAVD88')
    >>> datum_named("EGM2008 height"), datum_named("NAVD88 depth"), datum_named("Local: Pass A")
    ('EGM2008 height', 'NAVD88 depth', 'local:Pass A')
    """
    if text.strip().lower().startswith(LOCAL):
        return LOCAL + text.strip()[len(LOCAL) :].strip()
    short = re.sub(r"\(.*?\)|\b(height|geoid\w*)\b", "", text.lower())
    short = re.sub(r"[^a-z0-9]", "", short)
    for name, words in DATUM_NAMES.items():
        if short in words:
            return name
    return text.strip()


def known_datum(text: str, subject: str) -> str:
    """The short name of a datum that elevations of the shore may be above.

    Known are those of ``DATUM_NAMES``, and ``local:NAME`` for a tidal datum of one place.

    Raises
    ------
    CRSError
        If it is another, or says depths.

    Examples
    --------
    >>> known_datum("NAVD 88", "datum"), known_datum("local:Pass A", "datum")
    ('NAVD88', 'local:Pass A')
    """
    name = datum_named(text)
    if re.search(r"\b(depths?|soundings?)\b", text, re.IGNORECASE):
        raise CRSError(
            subject,
            f"depths, which grow downwards ({text.strip()})",
            "elevations, which grow upwards",
            "turn the sign and label them as heights",
        )
    if name in DATUM_NAMES or (name.startswith(LOCAL) and name != LOCAL):
        return name
    if _NO_TIDE.search(text):
        raise CRSError(
            subject,
            f"{text.strip()!r}, a geoid model or an ellipsoid",
            "a datum that MHW is published above, such as NAVD88",
            "have the elevations brought to NAVD88 by whoever made them; a name will not do it",
        )
    raise CRSError(
        subject,
        f"{text.strip()!r}, which is no datum known here",
        f"one of {', '.join(DATUM_NAMES)}, or {LOCAL}NAME for a tidal datum of the place",
        "write it as the elevations' maker does; a local one must have one name everywhere",
    )


def epoch_named(text: str, subject: str = "epoch") -> str:
    """A tidal epoch as two years with a hyphen.

    Examples
    --------
    >>> epoch_named("1983 \N{EN DASH} 2001")
    '1983-2001'

    Raises
    ------
    RangeError
        If it is not two years, the first before the second.
    """
    years = re.fullmatch(r"\s*(\d{4})\s*(?:-|\N{EN DASH}|\N{EM DASH}|to)\s*(\d{4})\s*", str(text))
    if years is None or int(years[1]) >= int(years[2]):
        raise RangeError(
            subject,
            f"{text!r}",
            f"two years, such as {EPOCH_IN_FORCE}",
            "write the epoch that the datums were published for",
        )
    return f"{years[1]}-{years[2]}"


def one_epoch(said: Mapping[str, str | None]) -> str:
    """The epoch that all agree on.

    Parameters
    ----------
    said : mapping
        Who says it -> the epoch, or None where it says none.

    Raises
    ------
    RangeError
        If none is said, or two differ.
    """
    known = {who: epoch_named(text, who) for who, text in said.items() if text is not None}
    if not known:
        raise RangeError(
            "epoch",
            "no tidal epoch",
            "the epoch the MHW elevation was published for",
            f"say --epoch, for example --epoch {EPOCH_IN_FORCE} if that is what its source says",
        )
    if len(set(known.values())) > 1:
        told = "; ".join(f"{epoch} ({who})" for who, epoch in known.items())
        raise RangeError(
            "epoch",
            f"tidal epochs that differ: {told}",
            "one epoch: a difference of datums of two epochs is no height",
            "take datums of one epoch, from the same publication",
        )
    return next(iter(known.values()))


def are_one_datum(one: str, other: str) -> bool:
    """Whether two names mean one datum.

    Examples
    --------
    >>> are_one_datum("NAVD 88", "navd88"), are_one_datum("EGM96", "egm96 height")
    (True, False)
    """
    return datum_named(one).casefold() == datum_named(other).casefold()


def is_tidal(datum: str) -> bool:
    """Whether a datum is a mean of the tide, and so belongs to an epoch.

    Examples
    --------
    >>> is_tidal("LMSL"), is_tidal("local:Pass A"), is_tidal("NAVD 88")
    (True, True, False)
    """
    name = datum_named(datum)
    return name in TIDAL or name.startswith(LOCAL)


def mhw_above_ft(station: Station, datum: str) -> float:
    """Mean high water above a datum at a station: the difference of two published values. [ft].

    Raises
    ------
    LayerError
        If the station publishes no MHW, or not the datum.
    RangeError
        If its high waters are below its low ones: a sign or a column is wrong.

    Examples
    --------
    Key West (NOAA 8724580), published above MLLW:

    >>> key_west = Station("8724580", -81.8081, 24.55083, {"MHW": 1.52, "NAVD88": 1.76})
    >>> round(mhw_above_ft(key_west, "NAVD88"), 2)
    -0.24
    """
    above = station.above_ref_ft
    name = next((key for key in above if are_one_datum(key, datum)), datum_named(datum))
    missing = [key for key in ("MHW", name) if key not in above]
    if missing:
        offer = "name another station"
        if missing == ["NAVD88"] and "MSL" in above:
            offer += ", or take a ground model above local mean sea level (--ground-datum MSL): "
            offer += "the station publishes MSL"
        raise LayerError(
            f"station {station.station_id}",
            f"no published {' and no '.join(missing)}",
            f"its MHW and its {name}, above one reference",
            offer,
        )
    _check_order(station)
    return float(above["MHW"] - above[name])


def _check_order(station: Station) -> None:
    above = station.above_ref_ft
    for high, low in pairwise([name for name in HIGH_TO_LOW if name in above]):
        if above[high] < above[low]:
            raise RangeError(
                f"station {station.station_id}",
                f"{high} {above[high]:.2f} ft below {low} {above[low]:.2f} ft",
                "heights above one reference, high waters above low ones",
                "check signs and columns against the station's datum page",
            )


def inverse_distance(values: npt.ArrayLike, distances: npt.ArrayLike) -> tuple[float, float]:
    """A value between stations, nearer ones counting more, and its farthest station value away.

    Parameters
    ----------
    values, distances : (n,) array_like
        Distances in any one unit; at a station, its own value holds.

    Returns
    -------
    value : float
        Weighted by one over the distance squared (D. Shepard, 1968, *A two-dimensional
        interpolation function for irregularly-spaced data*).
    spread : float
        Largest difference between it and a station's own value; 0 for one station.

    Examples
    --------
    Twice as far counts a quarter: (4 x 1.0 + 1 x 2.0) / 5.

    >>> inverse_distance([1.0, 2.0], [10.0, 20.0])
    (1.2, 0.8)
    """
    value, away = (np.asarray(part, dtype=np.float64) for part in (values, distances))
    nearest = away.min()
    weight = (away == 0.0).astype(np.float64) if nearest == 0.0 else (nearest / away) ** POWER
    mean = float(np.sum(weight * value) / np.sum(weight))
    return mean, float(np.abs(value - mean).max())


def error_between(n_stations: int, spread_ft: float) -> tuple[float | None, bool]:
    """What stations tell of the error of a value between them, and whether it is the whole of it.

    Two may agree by chance, so their difference is a lower bound; stations that differ by no more
    than the rounding of what is published, and one alone, tell nothing.

    Examples
    --------
    >>> error_between(3, 0.2), error_between(2, 0.2), error_between(3, 0.01), error_between(1, 0.0)
    ((0.2, True), (0.2, False), (None, False), (None, False))
    """
    if n_stations < 2 or spread_ft <= ROUNDED_FT + 1e-9:
        return None, False
    return spread_ft, n_stations >= ENOUGH_STATIONS


def is_between(offsets: npt.ArrayLike) -> bool:
    """Whether a place lies among stations: in their hull, or beside the line between two.

    Parameters
    ----------
    offsets : (n, 2) array_like
        Stations seen from the place, east and north, in any one unit.

    Examples
    --------
    >>> is_between([[-3.0, 1.0], [4.0, 1.0]]), is_between([[2.0, 1.0], [4.0, 1.0]])
    (True, False)
    """
    points = np.asarray(offsets, dtype=np.float64)
    if (points == 0.0).all(axis=1).any():
        return True
    hull = shapely.convex_hull(shapely.MultiPoint(points))
    if hull.geom_type == "Polygon":
        return bool(shapely.covers(hull, shapely.Point(0.0, 0.0)))
    ends = shapely.get_coordinates(hull)
    if len(ends) < 2:
        return False
    run = ends[1] - ends[0]
    share = float(-ends[0] @ run / (run @ run))
    return 0.0 <= share <= 1.0


def is_usual(elevation_ft: float, datum: str) -> bool:
    """Whether an MHW elevation is in the range usual around Florida; True for other datums.

    Examples
    --------
    >>> is_usual(-0.24, "NAVD88"), is_usual(7.8, "NAVD 88"), is_usual(7.8, "MLLW")
    (True, False, True)
    """
    low, high = USUAL_NAVD88_FT
    return datum_named(datum) != "NAVD88" or low <= elevation_ft <= high


def within_grid(corners: npt.ArrayLike, col: float, row: float) -> tuple[float | None, float]:
    """Value between four cell centres, from those that have one.

    Parameters
    ----------
    corners : (2, 2) array_like
        Upper row first; NaN where there is no value.
    col, row : float
        Place between the centres, 0 to 1, right and down.

    Returns
    -------
    value : float or None
        Weighted by nearness (bilinear), the weights of the known corners brought to a sum of 1.
        None where they hold less than half of the weight: the nearest value is then no neighbour.
    known : float
        Share of the weight that the known corners hold.

    Examples
    --------
    >>> within_grid([[1.0, 2.0], [3.0, 4.0]], 0.5, 0.5), within_grid([[1.0, 2.0]] * 2, 0.25, 0.0)
    ((2.5, 1.0), (1.25, 1.0))
    >>> within_grid([[1.0, np.nan], [1.0, np.nan]], 0.75, 0.0)
    (None, 0.25)
    """
    value = np.asarray(corners, dtype=np.float64)
    weight = np.outer([1.0 - row, row], [1.0 - col, col])
    is_known = np.isfinite(value)
    known = float(weight[is_known].sum())
    if known < 0.5:
        return None, known
    return float((weight[is_known] * value[is_known]).sum() / known), known


def combined_error(*errors: float | None) -> float | None:
    """Independent standard errors together: root of the sum of squares; None where all are.

    Examples
    --------
    >>> combined_error(0.3, 0.4), combined_error(None, 0.2), combined_error(None)
    (0.5, 0.2, None)
    """
    known: Sequence[float] = [error for error in errors if error is not None]
    return float(np.sqrt(np.sum(np.square(known)))) if known else None
