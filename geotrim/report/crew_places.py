"""Where the trees of a package stand: along the shore, off the MHW line, and in degrees."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import shapely

from geotrim.io.package_read import Package
from geotrim.report.crew_tree import Place

#: Words for a place that is nearer to the MHW line than this are "on the MHW line". [ft]
ON_LINE_FT = 0.05


def places_of(package: Package, lot_id: str) -> dict[str, Place]:
    """Crown id -> place, of every crown in the package.

    A tree stands where its trunk does; without one, in the middle of its crown. Degrees are WGS 84,
    by the transformation the projection library holds best for the site.
    """
    crowns = package.rows("crowns")
    points, is_trunk = _points(package, crowns)
    lon, lat = _degrees(points, package.crs)
    stretches = _stretches(package, lot_id)
    return {
        str(row["crown_id"]): Place(
            number_of(row, "station_ft"),
            number_of(row, "offset_ft"),
            float(lon[k]),
            float(lat[k]),
            bool(is_trunk[k]),
            stretches.get(str(row.get("stretch_id")), ""),
        )
        for k, row in enumerate(crowns.drop(columns="geometry").to_dict("records"))
    }


def where(place: Place) -> str:
    """A place in words.

    Examples
    --------
    >>> where(Place(31.4, -2.6, -82.5, 27.3, True))
    '31.4 ft from the left end, 2.6 ft landward of the MHW line'
    >>> where(Place(float("nan"), float("nan"), -82.5, 27.3, False, "stretch 2"))
    'stretch 2, place along the shore not known (middle of its crown, no trunk mapped)'
    """
    words = [place.stretch] if place.stretch else []
    if np.isfinite(place.station_ft):
        words.append(f"{place.station_ft:.1f} ft from the left end")
    else:
        words.append("place along the shore not known")
    if np.isfinite(place.offset_ft):
        words.append(_off(place.offset_ft))
    tail = "" if place.is_trunk else " (middle of its crown, no trunk mapped)"
    return ", ".join(words) + tail


def degrees(place: Place) -> str:
    """Latitude and longitude as people write them.

    Examples
    --------
    >>> degrees(Place(31.4, -2.6, -82.5, 27.3, True))
    '27.300000 N, 82.500000 W'
    """
    north = "N" if place.lat_deg >= 0 else "S"
    east = "E" if place.lon_deg >= 0 else "W"
    return f"{abs(place.lat_deg):.6f} {north}, {abs(place.lon_deg):.6f} {east}"


def number_of(row: Mapping[str, Any], name: str) -> float:
    """A number of a row; NaN where there is none."""
    value = row.get(name)
    return float("nan") if value is None or value != value else float(value)


def _off(offset_ft: float) -> str:
    if abs(offset_ft) < ON_LINE_FT:
        return "on the MHW line"
    side = "landward" if offset_ft < 0 else "waterward"
    return f"{abs(offset_ft):.1f} ft {side} of the MHW line"


def _points(package: Package, crowns: Any) -> tuple[Any, Any]:
    """A point a crown, and whether it is the trunk's."""
    trunks = package.rows("trunks")
    known: dict[str, Any] = {}
    if len(trunks):
        known = dict(zip(trunks["crown_id"].astype(str), trunks.geometry, strict=True))
    ids = crowns["crown_id"].astype(str)
    middle = shapely.centroid(crowns.geometry.to_numpy())
    found = [known.get(one) for one in ids]
    is_trunk = np.array([one is not None and not one.is_empty for one in found], dtype=bool)
    return np.where(is_trunk, np.array(found, dtype=object), middle), is_trunk


def _degrees(points: Any, crs: Any) -> tuple[Any, Any]:
    from pyproj import CRS, Transformer

    change = Transformer.from_crs(CRS.from_user_input(crs), CRS.from_epsg(4326), always_xy=True)
    lon, lat = change.transform(shapely.get_x(points), shapely.get_y(points))
    return np.asarray(lon), np.asarray(lat)


def _stretches(package: Package, lot_id: str) -> dict[str, str]:
    """Stretch id -> words, where a lot has several."""
    rows = package.rows("frontage", lot_id)
    if len(rows) < 2:
        return {}
    ids = [str(one) for one in rows.sort_values("station_from_ft")["stretch_id"]]
    return {one: f"stretch {k} of {len(ids)}" for k, one in enumerate(ids, start=1)}
