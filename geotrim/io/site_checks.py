"""Contradictions in a site file: things that each make sense, but not together."""

from __future__ import annotations

from collections.abc import Mapping

from geotrim.errors import SiteFileError
from geotrim.io.site_facts import check_facts
from geotrim.io.site_spec import SiteSpec
from geotrim.model import SET_ASIDE_KINDS
from geotrim.units import VERTICAL_UNITS_M


def check_contradictions(spec: SiteSpec, options: Mapping[str, object]) -> None:
    """Things that each make sense but not together.

    Raises
    ------
    SiteFileError
        For the first one, with its key and line.
    """
    for check in (
        _check_base,
        _check_heights,
        _check_line,
        _check_set_aside,
        _check_readings,
        _check_eyes,
        _check_setbacks,
        _check_options,
        check_facts,
    ):
        check(spec, options)


def _check_base(spec: SiteSpec, options: Mapping[str, object]) -> None:
    crowns = spec.table("crowns") or {}
    if "crown_base_ft" in options and "crown_base_frac" in options:
        raise SiteFileError(
            spec.where("options", "crown_base_frac"),
            "a crown base in feet and as a share",
            "one of the two",
            "take one of them out",
        )
    if "base_height_field" in crowns and "base_height_unit" not in crowns:
        raise SiteFileError(
            spec.where("crowns", "base_height_field"),
            "no base_height_unit",
            f"one of {', '.join(VERTICAL_UNITS_M)}",
            "state the unit the field is in",
        )
    if "base_height_unit" in crowns and "base_height_field" not in crowns:
        raise SiteFileError(
            spec.where("crowns", "base_height_unit"),
            "a unit without base_height_field",
            "the field it belongs to",
            "name the field, or take the unit out",
        )


def _check_heights(spec: SiteSpec, options: Mapping[str, object]) -> None:
    crowns = spec.table("crowns") or {}
    fields = [key for key in ("height_field", "target_height_field") if key in crowns]
    if fields and "height_unit" not in crowns:
        raise SiteFileError(
            spec.where("crowns", fields[0]),
            "no height_unit",
            f"one of {', '.join(VERTICAL_UNITS_M)}",
            "state the unit the field is in",
        )
    if "height_unit" in crowns and not fields:
        raise SiteFileError(
            spec.where("crowns", "height_unit"),
            "a unit without height_field or target_height_field",
            "the field it belongs to",
            "name the field, or take the unit out",
        )
    if "height_rmse_ft" in crowns and "height_field" not in crowns:
        raise SiteFileError(
            spec.where("crowns", "height_rmse_ft"),
            "an error without height_field",
            "the field it belongs to",
            "name the field; the error of a raster is rmse_ft in [heights]",
        )


def _check_line(spec: SiteSpec, options: Mapping[str, object]) -> None:
    line = spec.table("mhw_line") or {}
    tidal = [key for key in ("vertical_datum", "elevation_ft", "epoch") if key in line]
    if line.get("origin") == "apparent-shoreline" and tidal:
        raise SiteFileError(
            spec.where("mhw_line", tidal[0]),
            f"{tidal[0]} for an apparent shoreline",
            "none: the outer edge of the plants lies at no tidal datum",
            "take it out, or correct the origin",
        )
    if "elevation_ft" in line and "vertical_datum" not in line:
        raise SiteFileError(
            spec.where("mhw_line", "elevation_ft"),
            "an elevation without vertical_datum",
            "to know what it is above",
            'add vertical_datum, for example "NAVD 88"',
        )


def _check_set_aside(spec: SiteSpec, options: Mapping[str, object]) -> None:
    table = spec.table("set_aside")
    given = [key for key in ("kind", "kind_field") if key in (table or {})]
    if table is not None and len(given) != 1:
        raise SiteFileError(
            spec.where("set_aside", *given[1:]),
            "both kind and kind_field" if given else "neither kind nor kind_field",
            f"one of the two; kinds are {', '.join(SET_ASIDE_KINDS)}",
            "take one of them out" if given else "say kind if all of it is of one kind",
        )


def _check_readings(spec: SiteSpec, options: Mapping[str, object]) -> None:
    table = spec.table("readings") or {}
    given = [key for key in ("x_field", "y_field") if key in table]
    if len(given) == 1:
        raise SiteFileError(
            spec.where("readings", given[0]),
            f"{given[0]} alone",
            "both x_field and y_field, or neither",
            "name the other one too",
        )
    if options.get("height_correction", "none") != "none" and "readings" not in spec.values:
        raise SiteFileError(
            spec.where("options", "height_correction"),
            f"{options['height_correction']!r} without a [readings] table",
            "stick readings to correct by",
            "add [readings] with its file, or say none",
        )


#: Keys of an eye that belong to a single point, and to a file of points.
POINT_KEYS = ("name", "x", "y", "longitude", "latitude")
FILE_KEYS = ("layer", "crs", "id_field", "height_field", "elevation_field", "unit", "lot_field")
#: Two keys of which an eye has one at most.
ONE_OF = (
    ("height_ft", "elevation_ft"),
    ("x", "longitude"),
    ("lot", "lot_field"),
    ("height_ft", "height_field"),
    ("height_ft", "elevation_field"),
    ("elevation_ft", "height_field"),
    ("elevation_ft", "elevation_field"),
    ("height_ft", "unit"),
    ("elevation_ft", "unit"),
)


def _check_eyes(spec: SiteSpec, options: Mapping[str, object]) -> None:
    for i, eye in enumerate(spec.values.get("eyes", ())):
        foreign = POINT_KEYS if "file" in eye else FILE_KEYS
        for key in foreign:
            if key in eye:
                raise SiteFileError(
                    spec.where("eyes", i, key),
                    f"{key} {'beside' if 'file' in eye else 'without'} a file",
                    "one point, or a file of points",
                    "give each its own [[eyes]]" if "file" in eye else "add the file, or drop it",
                )
        for one, other in ONE_OF:
            if one in eye and other in eye:
                raise SiteFileError(
                    spec.where("eyes", i, other),
                    f"{one} and {other}",
                    "one of the two",
                    "take one of them out",
                )
        if "file" not in eye:
            _check_point(spec, i, eye)


def _check_point(spec: SiteSpec, i: int, eye: Mapping[str, object]) -> None:
    pairs = (("x", "y"), ("longitude", "latitude"))
    for pair in pairs:
        given = [key for key in pair if key in eye]
        if len(given) == 1:
            raise SiteFileError(
                spec.where("eyes", i, given[0]),
                f"{given[0]} alone",
                f"both {pair[0]} and {pair[1]}",
                "say the other one too",
            )
    if not any(pair[0] in eye for pair in pairs):
        raise SiteFileError(
            spec.where("eyes", i),
            "an eye at no place",
            "x and y in the site's CRS, longitude and latitude, or a file of points",
            "add one of them",
        )
    if "height_ft" not in eye and "elevation_ft" not in eye:
        raise SiteFileError(
            spec.where("eyes", i),
            "an eye without a height",
            "height_ft above the ground under it, or elevation_ft",
            "add height_ft = 5.5 for somebody standing there, or what it is",
        )


def _check_setbacks(spec: SiteSpec, options: Mapping[str, object]) -> None:
    names: set[str] = set()
    for i, item in enumerate(spec.values.get("setbacks", ())):
        if item["name"] in names:
            raise SiteFileError(
                spec.where("setbacks", i, "name"),
                f"a second setback named {item['name']!r}",
                "a name of its own",
                "rename one of them",
            )
        names.add(item["name"])
        if item["reference"] == "channel" and "channel" not in spec.values:
            raise SiteFileError(
                spec.where("setbacks", i, "reference"),
                "reference 'channel' without a [channel] table",
                "the channel line",
                "add [channel] with its file",
            )
        if (item["reference"] == "file") != ("file" in item):
            has = "file" in item
            raise SiteFileError(
                spec.where("setbacks", i, "file" if has else "reference"),
                f"reference {item['reference']!r} {'with' if has else 'without'} a file",
                "a file for reference 'file', and none otherwise",
                "correct the reference, or the file",
            )


def _check_options(spec: SiteSpec, options: Mapping[str, object]) -> None:
    if options.get("riparian_method") == "square-to-channel" and "channel" not in spec.values:
        raise SiteFileError(
            spec.where("options", "riparian_method"),
            "'square-to-channel' without a [channel] table",
            "the channel line",
            "add [channel] with its file, or choose another method",
        )
    has_base = "crown_base_ft" in options or "crown_base_frac" in options
    has_base |= "base_height_field" in (spec.table("crowns") or {})
    if options.get("canopy_model") == "crown-base" and not has_base:
        raise SiteFileError(
            spec.where("options", "canopy_model"),
            "'crown-base' without a crown base",
            "crown_base_ft, crown_base_frac, or base_height_field in [crowns]",
            "add one of them",
        )
    if options.get("canopy_model") == "profile" and "profiles" not in spec.values:
        raise SiteFileError(
            spec.where("options", "canopy_model"),
            "'profile' without a [profiles] table",
            "leaf-area weights of the crowns",
            "make them with geotrim prepare profiles and add [profiles] with the file",
        )
    if "profiles" in spec.values and "crowns" not in spec.values:
        raise SiteFileError(
            spec.where("profiles"),
            "profiles without a [crowns] table",
            "the crowns they are of",
            "add [crowns] with its file",
        )
    if "trunks" in spec.values and "crowns" not in spec.values:
        raise SiteFileError(
            spec.where("trunks"),
            "trunks without a [crowns] table",
            "the crowns they carry",
            "add [crowns] with its file",
        )
