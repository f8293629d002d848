"""Small lots with trees of one height each, for tests of the window; the shore runs along x.

Land lies under the x axis, water over it. Crowns are squares on whole cells of the heights, so that
every volume is a product that can be worked out by head.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
from pyproj import CRS
from sites import FLORIDA_EAST_USFT, crowns, lots, shore, trunks

from geotrim.model import CanopyGrid, Facts, Site
from geotrim.ops.catalogue import OPERATIONS
from geotrim.ops.chain import closure, run_operation
from geotrim.rules.rule_file import read_overlay

PROFESSIONAL = {
    "supervisor": "professional",
    "professional_credential": "certified-arborist",
    "controls_land": True,
    "uses_herbicide": False,
    "is_uninhabited_island": False,
    "is_conservation_land": False,
    "is_mitigation_land": False,
}
OWNER = {**PROFESSIONAL, "supervisor": "owner"}
#: Room around the lot that the heights cover. [map units]
AROUND = 40


def square(x, y, side):
    """A crown of whole cells around a trunk."""
    return shapely.box(x - side / 2, y - side / 2, x + side / 2, y + side / 2)


_MADE = {}


def make_site(*args, **given):
    """As :func:`_made`; the same lot again where it was made before. Not to be changed in place."""
    key = repr((args, sorted(given.items())))
    if key not in _MADE:
        _MADE[key] = _made(*args, **given)
    return _MADE[key]


def _made(
    trees, length=60.0, *, facts=None, eyes=(), overlays=(), crs=FLORIDA_EAST_USFT, scale=1.0,
    rmse_ft=0.1, with_trunks=True, species=None, bases=None, keep=None, options=None, hole=None,
    setbacks=(), mhw_facts=None, depth=100.0,
):  # fmt: skip
    """A lot with trees (x, y, side, height_ft); lengths in map units times ``scale``.

    eyes : (x, y, elevation_ft). hole : box of no data in the heights.
    """
    rows, cols = AROUND + 60, int(length) + 2 * AROUND
    grid = np.zeros((rows, cols))
    for x, y, side, height in trees:
        col, row = int(x - side / 2) + AROUND, 60 - int(y + side / 2)
        part = grid[row : row + int(side), col : col + int(side)]
        np.maximum(part, height, out=part)
    if hole is not None:
        x0, y0, x1, y1 = (int(v) for v in hole)
        grid[60 - y1 : 60 - y0, x0 + AROUND : x1 + AROUND] = np.nan

    def scaled(shapes):
        return [shapely.transform(shape, lambda xy: xy * scale) for shape in shapes]

    shapes = scaled([square(x, y, side) for x, y, side, _ in trees])
    table = crowns(shapes, species, crs=crs)
    if bases is not None:
        table["base_height_ft"] = np.asarray(bases, dtype=float)
    if keep is not None:
        table["keep"] = np.array(keep, dtype=object)
    points = [(x * scale, y * scale) for x, y, _, _ in trees]
    seen = gpd.GeoDataFrame(
        {
            "eye_id": [f"e{k}" for k in range(len(eyes))],
            "height_ft": np.nan,
            "elevation_ft": [float(up) for _, _, up in eyes],
            "lot_id": np.array([None] * len(eyes), dtype=object),
        },
        geometry=shapely.points([(x * scale, y * scale) for x, y, _ in eyes]) if eyes else [],
        crs=crs,
    )
    return Site(
        name="made",
        crs=CRS.from_user_input(crs),
        lots=lots(scaled([shapely.box(0, -depth, length, 0)]), crs=crs),
        mhw_line=shore(*scaled([shapely.LineString([(-30, 0), (length + 30, 0)])]), crs=crs),
        mhw_origin="survey",
        mhw_facts={"elevation_ft": 0.0, "position_rmse_ft": 0.01, **(mhw_facts or {})},
        crowns=table,
        trunks=trunks(points, crs=crs) if with_trunks and len(points) else None,
        trunks_rmse_ft=0.05,
        heights=CanopyGrid(grid, -AROUND * scale, 60 * scale, scale, rmse_ft=rmse_ft),
        eyes=seen if eyes else None,
        facts=Facts(PROFESSIONAL if facts is None else facts),
        overlays=tuple(read_overlay(text, "local.toml") for text in overlays),
        setbacks=tuple(setbacks),
        options={"solve_seconds": 20.0, "frontier_points": 0, **(options or {})},
    )


_READY = {}


def before(site, options):
    """Results of everything the window builds on; of one site and options once."""
    names = [name for name in closure(["window"]) if name != "window"]
    heard = {param.name for name in names for param in OPERATIONS[name].params}
    given = {**site.options, **options}
    key = (id(site), tuple(sorted((k, v) for k, v in given.items() if k in heard)))
    if key not in _READY:
        results = {}
        for name in names:
            if name != "calibrate" or site.readings is not None:
                results[name] = run_operation(name, site, results, given)
        _READY[key] = (site, results)  # the site is held, so its id stays its own
    return dict(_READY[key][1])


def run(site, **options):
    """Results of everything the window builds on, and of the window."""
    results = before(site, options)
    results["window"] = run_operation("window", site, results, {**site.options, **options})
    return results


def table(results, name, lot_id=None):
    """One table of the window, of one lot where asked."""
    rows = results["window"].tables[name]
    return rows if lot_id is None else rows[rows["lot_id"] == lot_id]
