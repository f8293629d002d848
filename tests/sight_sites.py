"""Sites before a straight shore whose view is a closed form: walls of canopy, ridges of ground.

Local feet: the shore is y = 0, the water lies at y > 0. ``turn`` turns the whole site by quarters,
so that cells stay square to the walls.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely import affinity
from shapely.geometry import LineString, Point, box

from geotrim.model import CanopyGrid, Result, Site
from geotrim.ops.catalogue_window import SIGHTLINES
from geotrim.ops.chain import measure, run_operation

USFT, METRES = 2236, 26958
#: International feet in one US survey foot. Source: Federal Register 85 FR 62698, both exact.
US_FT = 1200 / 3937 / 0.3048
EAST, NORTH = 700_000.0, 500_000.0


def placed(shape, turn=0, unit=1.0):
    """Local US survey feet to map units: turned by quarters anticlockwise, scaled, moved."""
    turned = affinity.rotate(shape, 90.0 * turn, origin=(0, 0))
    scaled = affinity.scale(turned, unit, unit, origin=(0, 0))
    return affinity.translate(scaled, EAST, NORTH)


def wall(low_y, high_y, low_x=-100.0, high_x=100.0):
    return box(low_x, low_y, high_x, high_y)


def site_of(
    crowns,
    tops_ft,
    eyes,
    *,
    species=None,
    lots=None,
    is_measured=True,
    shore=None,
    ground=None,
    turn=0,
    crs=USFT,
    mhw=None,
    bases=None,
    **options,
):
    """A site of walls: each crown has one height all over, on cells of 1 US survey foot.

    ``eyes``: (id, x, y, elevation [ft]) or (id, x, y, None, height [ft]); ``ground``: a function of
    local x and y.
    """
    unit = 1.0 if crs == USFT else 1200 / 3937
    lots = lots or {"A": box(-100.0, -80.0, 100.0, 0.0)}
    shapes = [placed(one, turn, unit) for one in crowns]
    names = [f"t{k}" for k in range(len(crowns))]
    table = gpd.GeoDataFrame(
        {
            "crown_id": names,
            "species": species or ["red mangrove"] * len(names),
            "base_height_ft": np.nan if bases is None else bases,
        },
        geometry=shapes,
        crs=crs,
    )
    points = [Point(eye[1], eye[2]) for eye in eyes]
    looks = gpd.GeoDataFrame(
        {
            "eye_id": [eye[0] for eye in eyes],
            "height_ft": [eye[4] if len(eye) > 4 else np.nan for eye in eyes],
            "elevation_ft": [np.nan if eye[3] is None else eye[3] for eye in eyes],
            "lot_id": pd.Series([eye[5] if len(eye) > 5 else None for eye in eyes], dtype=object),
        },
        geometry=[placed(one, turn, unit) for one in points],
        crs=crs,
    )
    line = shore or LineString([(-400.0, 0.0), (400.0, 0.0)])
    return Site(
        "walls",
        gpd.GeoSeries(crs=crs).crs,
        gpd.GeoDataFrame(
            {"lot_id": list(lots), "is_measured": is_measured},
            geometry=[placed(one, turn, unit) for one in lots.values()],
            crs=crs,
        ),
        gpd.GeoDataFrame(geometry=[placed(line, turn, unit)], crs=crs),
        "survey",
        mhw_facts={} if mhw is None else {"elevation_ft": mhw},
        crowns=table,
        heights=heights_of(shapes, tops_ft, unit),
        eyes=looks,
        ground=None if ground is None else ground_of(ground, turn, unit),
        options={"flat_earth": True, "azimuth_step_deg": 1.0, **options},
    )


def grid_of(unit, half=130):
    """Centres of cells of a unit, in map units, and the corner of the first one."""
    side = np.arange(-half, half) + 0.5
    x, y = np.meshgrid(side * unit + EAST, side[::-1] * unit + NORTH)
    return x, y, EAST - half * unit, NORTH + half * unit


def heights_of(shapes, tops_ft, unit):
    """Canopy: the height of the crown each cell's centre lies in."""
    x, y, west, north = grid_of(unit)
    height = np.zeros(x.shape)
    for shape, top in zip(shapes, tops_ft, strict=True):
        height[shapely.contains_xy(shape, x, y)] = top
    return CanopyGrid(height, west, north, unit, rmse_ft=0.1)


def ground_of(elevation, turn, unit):
    """Elevations by local x and y; centres of cells lie on whole feet."""
    x, y, west, north = grid_of(unit)
    dx, dy = (x - EAST) / unit - 0.5, (y - NORTH) / unit - 0.5
    for _ in range(turn % 4):  # back to local: clockwise
        dx, dy = dy, -dx
    return CanopyGrid(elevation(dx, dy), west - 0.5 * unit, north - 0.5 * unit, unit)


def sights(site, window=None):
    """The operation on a site, with all it builds on."""
    results = measure(site, ["zone", "heights"])
    if window is not None:
        results["window"] = window
    return run_operation(SIGHTLINES, site, results)


def window_of(rows, lots=("A",), status="planned"):
    """A window as the operation would hand it over: (lot, crown, treatment, low, high)."""
    columns = ["lot_id", "crown_id", "treatment", "cut_low_ft", "cut_high_ft"]
    lot_table = pd.DataFrame({"lot_id": list(lots), "status": status})
    trees = pd.DataFrame(rows, columns=columns)
    return Result("window", {"window_lots": lot_table, "window_trees": trees})


def clear(low_ft, high_ft, crown="t0", lot="A"):
    return (lot, crown, "clear-band", low_ft, high_ft)


def lower(to_ft, crown="t0", lot="A"):
    return (lot, crown, "lower-top", to_ft, np.nan)
