"""Units: the last word of a name, and factors read from where they are defined.

Lengths, areas and volumes leave geotrim in international feet, because limits are written in feet.
Coordinates are never rescaled; only measures are converted, by a factor read from the CRS.
"""

from __future__ import annotations

from typing import Any

from geotrim.errors import CRSError, UnitError

#: International foot. Source: Federal Register 85 FR 62698 (5 Oct 2020), exact.
FOOT_M = 0.3048
#: US survey foot. Source: EPSG unit 9003, exact.
US_SURVEY_FOOT_M = 1200.0 / 3937.0

#: Last words of names that carry a unit, and how a heading writes them.
UNIT_HEADINGS = {
    "ft": "ft",
    "ft2": "ft\N{SUPERSCRIPT TWO}",
    "ft3": "ft\N{SUPERSCRIPT THREE}",
    "perft": "1/ft",
    "deg": "deg",
    "deg2": "square deg",
    "frac": "share",
    "seconds": "s",
    "days": "days",
    "years": "years",
    "usd": "US$",
    "z": "z",
}

#: Vertical units a user may state for a height raster, and their length in metres.
VERTICAL_UNITS_M = {"ft": FOOT_M, "us-ft": US_SURVEY_FOOT_M, "m": 1.0}


def unit_of(name: str) -> str | None:
    """Unit carried by a name, or None for a plain name.

    Examples
    --------
    >>> unit_of("frontage_length_ft"), unit_of("crown_id")
    ('ft', None)
    """
    tail = name.rsplit("_", 1)[-1]
    return tail if tail in UNIT_HEADINGS else None


def heading(name: str) -> str:
    """Column heading of a name: words, then the unit.

    Examples
    --------
    >>> heading("frontage_length_ft"), heading("share_band_frac"), heading("n_stretches")
    ('frontage length, ft', 'share band, share', 'stretches')
    """
    unit = unit_of(name)
    words = name[: -len(unit) - 1] if unit else name.removeprefix("n_").removeprefix("is_")
    text = words.replace("_", " ")
    if unit == "z":  # a score, which has no unit to be told apart from
        return f"{text} z"
    return f"{text}, {UNIT_HEADINGS[unit]}" if unit else text


def feet_per_map_unit(crs: Any, what: str) -> float:
    """International feet in one map unit, read from the CRS itself.

    Parameters
    ----------
    crs : anything pyproj understands
        A projected CRS.
    what : str
        The input, for the message.

    Raises
    ------
    CRSError
        If there is no CRS, or its coordinates are not plane lengths, or it is Web Mercator, whose
        lengths are not ground lengths (13 % long in south Florida).

    Examples
    --------
    >>> round(feet_per_map_unit(6437, "lot"), 6), feet_per_map_unit(6438, "lot") > 1
    (3.28084, True)
    """
    from pyproj import CRS

    if crs is None:
        raise CRSError(
            what,
            "no coordinate reference system",
            "a projected one, in feet or metres",
            "set it, for example .set_crs(6438), if you know what the coordinates are",
        )
    crs = CRS.from_user_input(crs)
    if not crs.is_projected:
        raise CRSError(
            what,
            f"coordinates that are not plane lengths ({crs.name})",
            "a projected CRS in feet or metres",
            "reproject first, for example .to_crs(6438)",
        )
    method = crs.coordinate_operation.method_name if crs.coordinate_operation else ""
    if "Pseudo" in method or "Pseudo-Mercator" in crs.name:
        raise CRSError(
            what,
            f"a web map projection ({crs.name}), whose lengths are not ground lengths",
            "a projected CRS made for measuring",
            "reproject first, for example .to_crs(6438)",
        )
    return float(crs.axis_info[0].unit_conversion_factor) / FOOT_M


def feet_per_vertical_unit(unit: str, what: str) -> float:
    """International feet in one stated vertical unit: ``ft``, ``us-ft`` or ``m``.

    Examples
    --------
    >>> feet_per_vertical_unit("ft", "heights")
    1.0
    """
    if unit not in VERTICAL_UNITS_M:
        raise UnitError(
            what,
            f"vertical unit {unit!r}",
            f"one of {', '.join(VERTICAL_UNITS_M)}",
            "state the unit the raster's maker gives; a guess is not accepted",
        )
    return VERTICAL_UNITS_M[unit] / FOOT_M
