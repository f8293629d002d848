"""Small sites built by hand for tests: lots, shores, crowns as the operations take them."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
from shapely import affinity

#: NAD83 / Florida East in US survey feet; measures differ from map units by two parts in a million.
FLORIDA_EAST_USFT = 2236
#: The same zone in metres, and NAD83(2011) / Florida West in US survey feet.
FLORIDA_EAST_M = 26958
FLORIDA_WEST_USFT = 6443
US_FT = 1200 / 3937 / 0.3048


def lots(shapes, crs=FLORIDA_EAST_USFT, measured=True, ids=None):
    """A lots table from polygons: lettered, all measured unless told otherwise."""
    names = ids or [chr(65 + k) if k < 26 else f"L{k}" for k in range(len(shapes))]
    return gpd.GeoDataFrame({"lot_id": names, "is_measured": measured}, geometry=shapes, crs=crs)


def shore(*lines, crs=FLORIDA_EAST_USFT):
    """A shore from lines, each a list of points or a geometry."""
    shapes = [line if hasattr(line, "geom_type") else shapely.LineString(line) for line in lines]
    return gpd.GeoDataFrame(geometry=shapes, crs=crs)


def crowns(shapes, species=None, crs=FLORIDA_EAST_USFT):
    """A crowns table, red mangroves unless told otherwise."""
    names = species if species is not None else ["red mangrove"] * len(shapes)
    ids = [f"t{k}" for k in range(len(shapes))]
    return gpd.GeoDataFrame(
        {"crown_id": ids, "species": names, "base_height_ft": np.nan}, geometry=shapes, crs=crs
    )


def trunks(points, crs=FLORIDA_EAST_USFT):
    """Trunk points, one a crown, in the crowns' order."""
    ids = [f"t{k}" for k in range(len(points))]
    return gpd.GeoDataFrame({"crown_id": ids}, geometry=shapely.points(points), crs=crs)


def arc(radius, start_deg, stop_deg, step=0.5, centre=(0.0, 0.0)):
    """Vertices along a circle, at most ``step`` apart."""
    span = np.radians(stop_deg - start_deg)
    n = max(2, int(np.ceil(abs(span) * radius / step)) + 1)
    t = np.linspace(np.radians(start_deg), np.radians(stop_deg), n)
    return np.stack([centre[0] + radius * np.cos(t), centre[1] + radius * np.sin(t)], axis=1)


def moved(table, angle_deg=0.0, dx=0.0, dy=0.0, scale=1.0, crs=None):
    """The same table turned about the origin, scaled and moved; in another CRS if told."""
    shapes = [
        affinity.translate(
            affinity.scale(
                affinity.rotate(shape, angle_deg, origin=(0, 0)), scale, scale, origin=(0, 0)
            ),
            dx,
            dy,
        )
        for shape in table.geometry
    ]
    out = table.copy()
    out["geometry"] = shapes
    return out.set_crs(crs or table.crs, allow_override=True)


def shape_area(table):
    """Total area of a table's shapes, in map units."""
    return float(shapely.area(table.geometry.array).sum())


def readings(ids, heights_ft, places=None, crs=FLORIDA_EAST_USFT, error_ft=np.nan, **fields):
    """A table of stick readings: by crown id, None for those by position."""
    shapes = np.full(len(ids), None, dtype=object)
    for k, place in enumerate(places or ()):
        shapes[k] = None if place is None else shapely.Point(place)
    told = {"crown_id": ids, "height_ft": heights_ft, "height_error_ft": error_ft}
    told |= {"reader": None, "date": None} | fields
    return gpd.GeoDataFrame(told, geometry=shapes, crs=crs)


def readings_of(table, heights_ft=(9.0, 11.0)):
    """Readings of the first crowns of a table."""
    ids = list(table["crown_id"])[: len(heights_ft)]
    return readings(ids, list(heights_ft), crs=table.crs, reader=["A. Poe", "B. Roe"][: len(ids)])
