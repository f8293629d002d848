"""The record of a run: what went in, what was done to it, what came out. Enough to repeat it.

Plain JSON; a value that is not known is null, never NaN.
"""

from __future__ import annotations

import json
import math
import platform
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any

from geotrim.io.files import sha256_of
from geotrim.model import MHW_ORIGINS, SET_ASIDE_KINDS, Facts, Note, Result, Site
from geotrim.units import FOOT_M, feet_per_map_unit

#: Changes when a key of the record changes its meaning.
RECORD_VERSION = 1

LIBRARIES = (
    "numpy",
    "shapely",
    "pyproj",
    "geopandas",
    "pandas",
    "pyogrio",
    "pyarrow",
    "fiona",
    "rasterio",
    "numba",
    "matplotlib",
    "scipy",
    "scikit-image",
    "contourpy",
    "laspy",
    "lazrs",
)
NOTE_LEVELS = ("missing", "assumed", "repaired", "info")

UNITS_TOLD = {
    "length": f"international foot ({FOOT_M} m exactly)",
    "area": "square foot",
    "volume": "cubic foot",
    "angle": "degree",
    "share": "0 to 1",
    "kind_of_length": "grid lengths are reported; ground length = grid length / scale factor",
}


def build_record(
    site: Site,
    results: Mapping[str, Result],
    *,
    cautions: Iterable[str],
    caution_of: Mapping[str, str],
    notes: Iterable[Note],
    started: datetime,
    site_file: Path | None = None,
) -> dict[str, Any]:
    """The record of a run, but for its files (see :func:`write_record`).

    Parameters
    ----------
    site : Site
    results : mapping
        Operation name -> Result.
    cautions : iterable of str
        Those that travel with every result.
    caution_of : mapping
        Operation name -> what a reader of its results must not forget.
    notes : iterable of Note
        Everything the user should be told.
    started : datetime
        With its time zone.
    site_file : Path, optional
    """
    return {
        "record_version": RECORD_VERSION,
        "site": {
            "name": site.name,
            "site_file": None if site_file is None else describe_file(site_file, site_file.parent),
            "measured_lots": [str(lot) for lot in site.measured_lot_ids()],
            "mhw_line": {
                "origin": site.mhw_origin,
                "label": MHW_ORIGINS[site.mhw_origin],
                **site.mhw_facts,
            },
            "setbacks": [describe_setback(setback) for setback in site.setbacks],
        },
        "crs": describe_crs(site),
        "units": UNITS_TOLD,
        "inputs": [asdict(item) for item in site.inputs],
        "options_set_by_user": dict(site.options),
        "facts": _facts(site),
        "set_aside": _set_aside(site),
        "overlays": _overlays(site),
        "operations": [
            _operation(name, result, site.options, caution_of.get(name, ""))
            for name, result in results.items()
        ],
        "notes": by_level(notes),
        "cautions": list(cautions),
        "rule_files": rule_files(),
        "versions": versions(),
        "started_utc": utc(started),
    }


def describe_crs(site: Site) -> dict[str, Any]:
    """The site's CRS, its unit, and how grid lengths stand to lengths on the ground."""
    return crs_facts(site.crs, site.lots.total_bounds)


def crs_facts(given: Any, bounds: Iterable[float]) -> dict[str, Any]:
    """A CRS, its unit, and its scale in the middle of some bounds (west, south, east, north)."""
    from pyproj import CRS

    from geotrim.io.crs import grid_scale_factor

    crs = CRS.from_user_input(given)
    authority = crs.to_authority()
    west, south, east, north = bounds
    factor = grid_scale_factor(crs, (west + east) / 2, (south + north) / 2)
    return {
        "name": crs.name,
        "code": ":".join(authority) if authority else None,
        "wkt": crs.to_wkt(),
        "map_unit": crs.axis_info[0].unit_name,
        "feet_per_map_unit": feet_per_map_unit(crs, "site"),
        "grid_scale_factor_at_site": factor,
    }


def versions() -> dict[str, str | None]:
    """Versions of geotrim, Python, the libraries, and the C libraries under them."""
    import pyogrio
    import pyproj
    import rasterio
    import shapely

    import geotrim

    found: dict[str, str | None] = {
        "geotrim": geotrim.__version__,
        "python": platform.python_version(),
        "platform": f"{platform.system()} {platform.machine()}",
    }
    for name in LIBRARIES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = None
    found["GDAL (vectors)"] = pyogrio.__gdal_version_string__
    found["GDAL (rasters)"] = rasterio.__gdal_version__
    found["PROJ"] = pyproj.proj_version_str
    found["GEOS"] = shapely.geos_version_string
    return found


def rule_files() -> list[dict[str, Any]]:
    """The rule files of this installation, each with its size and SHA-256."""
    from importlib.resources import as_file, files

    with as_file(files("geotrim.rules")) as folder:
        return [describe_file(path, folder) for path in sorted(folder.glob("*.toml"))]


def describe_file(path: Path, folder: Path) -> dict[str, Any]:
    """A file by its name in a folder, with size and SHA-256."""
    return {
        "file": path.relative_to(folder).as_posix(),
        "n_bytes": path.stat().st_size,
        "sha256": sha256_of(path)[0],
    }


def describe_files(folder: Path) -> list[dict[str, Any]]:
    """Files of a finished package by name, those in its folders too, with size and SHA-256."""
    return [describe_file(path, folder) for path in sorted(folder.rglob("*")) if path.is_file()]


def write_record(folder: Path, record: Mapping[str, Any]) -> None:
    """Write ``record.json`` into a folder, with the files that are there and the time."""
    told = {**record, "files": describe_files(folder), "finished_utc": utc(now())}
    text = json.dumps(plain(told), indent=2, ensure_ascii=False, allow_nan=False)
    (folder / "record.json").write_text(text + "\n", encoding="utf-8", newline="\n")


def plain(value: Any) -> Any:
    """The value in JSON's own kinds: NaN and infinity become null, arrays lists.

    Examples
    --------
    >>> plain({"a": (1.0, float("nan")), "b": None})
    {'a': [1.0, None], 'b': None}
    """
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set)):
        return [plain(item) for item in value]
    if hasattr(value, "tolist"):  # numpy arrays and scalars
        return plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if str(value) == "<NA>":  # pandas' mark for what is missing
        return None
    if value is None or isinstance(value, (str, int, float, bool)):
        return value
    return str(value)


def now() -> datetime:
    """The time, with its time zone."""
    return datetime.now(UTC)


def _operation(
    name: str, result: Result, options: Mapping[str, Any], caution: str
) -> dict[str, Any]:
    return {
        "name": name,
        "is_measured": bool(result.tables),
        "parameters": {
            key: {"value": value, "is_default": key not in options}
            for key, value in result.parameters.items()
        },
        **_found(result),
        "n_rows": {table: len(rows) for table, rows in result.tables.items()},
        "caution": caution,
    }


def _found(result: Result) -> dict[str, Any]:
    """The figures of a calibration, which is one row; nothing for other operations."""
    if "calibration" not in result.tables or not len(result.tables["calibration"]):
        return {}
    return {"figures": result.tables["calibration"].iloc[0].to_dict()}


def _facts(site: Site) -> dict[str, dict[str, Any]]:
    """The facts answered for each lot that is reported; what is not there is unknown."""
    told = site.facts or Facts()
    return {str(lot): told.of(str(lot)) for lot in site.measured_lot_ids()}


def _set_aside(site: Site) -> dict[str, int] | None:
    """How many polygons of each kind of land set aside; None where none were given."""
    if site.set_aside is None:
        return None
    kinds = list(site.set_aside["kind"])
    return {kind: kinds.count(kind) for kind in SET_ASIDE_KINDS if kind in kinds}


def _overlays(site: Site) -> list[dict[str, Any]]:
    """The local rule files, each with the hash of what was read; null if it was given in memory."""
    read = {item.detail["id"]: item for item in site.inputs if item.role == "rules"}
    return [
        {
            "id": overlay.id,
            "title": overlay.title,
            "jurisdiction": overlay.jurisdiction,
            "version": overlay.version,
            "file": read[overlay.id].path if overlay.id in read else None,
            "sha256": (read[overlay.id].sha256 or None) if overlay.id in read else None,
        }
        for overlay in site.overlays
    ]


def describe_setback(setback: Any) -> dict[str, Any]:
    return {
        "name": setback.name,
        "reference": setback.reference,
        "distance_ft": setback.distance_ft,
        "source": setback.source,
    }


def by_level(notes: Iterable[Note]) -> dict[str, list[dict[str, str]]]:
    """Notes under their levels, each level in the order it was told."""
    told = list(notes)
    return {
        level: [{"about": n.about, "text": n.text} for n in told if n.level == level]
        for level in NOTE_LEVELS
    }


def utc(when: datetime) -> str:
    """A time as the record writes it."""
    return when.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
