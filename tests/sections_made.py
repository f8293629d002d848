"""Lots drawn by hand for cross-sections: lengths in feet, put into any CRS, turned and south-up.

Land lies under the x axis, water over it; the lot is 100 ft long unless told otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from pyproj import CRS
from shapely import affinity
from sites import FLORIDA_EAST_USFT, crowns, lots, shore, trunks

from geotrim.model import Result, Site
from geotrim.ops.chain import run_operation
from geotrim.units import feet_per_map_unit

WEST, SOUTH, WIDE, HIGH = -60.0, -140.0, 240.0, 240.0
NEEDED = ("frontage", "riparian-lines", "fringe", "heights")


@dataclass(frozen=True)
class Raster:
    """A raster in memory whose rows may run north as well as south: a HeightSource."""

    values: np.ndarray
    transform: tuple[float, float, float, float, float, float]
    feet_per_unit: float = 1.0
    crs: object = None
    rmse_ft: float | None = 0.1

    @property
    def shape(self):
        return self.values.shape

    @property
    def block_shape(self):
        return self.values.shape

    def read(self, row0, row1, col0, col1):
        return self.values[row0:row1, col0:col1]


def raster(height, *, cell=0.5, feet=1.0, south_up=False, unit=1.0):
    """A function of (x, y) in feet at the centres of cells; NaN where it says so."""
    cols, rows = int(WIDE / cell), int(HIGH / cell)
    x, y = WEST + (np.arange(cols) + 0.5) * cell, SOUTH + (np.arange(rows) + 0.5) * cell
    values = np.asarray(height(*np.meshgrid(x, y)), dtype=float) / unit
    side, west, south = cell / feet, WEST / feet, SOUTH / feet
    if south_up:
        return Raster(values, (side, 0, west, 0, side, south), unit)
    return Raster(values[::-1], (side, 0, west, 0, -side, south + HIGH / feet), unit)


def site_of(
    shapes, top, *, ground=None, points=None, species=None, bases=None, fields=None, crs=None,
    turn=0.0, lot=None, line=None, cell=0.5, south_up=False, unit=1.0, water=0.31, lot_ids=None,
):  # fmt: skip
    """A site of crowns (shapes in feet) with a height function and maybe one of the ground.

    turn : degrees that lots, line, crowns and trunks are turned by about the origin.
    unit : feet in one vertical unit of both rasters.
    """
    crs = FLORIDA_EAST_USFT if crs is None else crs
    feet = feet_per_map_unit(crs, "site")

    def put(shape):
        turned = affinity.rotate(shape, turn, origin=(0, 0))
        return affinity.scale(turned, 1 / feet, 1 / feet, origin=(0, 0))

    table = crowns([put(s) for s in shapes], species, crs=crs)
    if bases is not None:
        table["base_height_ft"] = np.asarray(bases, dtype=float)
    if fields is not None:
        table["field_height_ft"] = np.asarray(fields, dtype=float)
    every = lot if isinstance(lot, list) else [lot or shapely.box(0, -100, 100, 0)]
    line = line or shapely.LineString([(-60, 0), (180, 0)])
    spots = [put(shapely.Point(p)).coords[0] for p in points] if points is not None else []
    how = {"cell": cell, "feet": feet, "south_up": south_up, "unit": unit}
    return Site(
        name="made",
        crs=CRS.from_user_input(crs),
        lots=lots([put(s) for s in every], crs=crs, ids=lot_ids),
        mhw_line=shore(put(line), crs=crs),
        mhw_origin="survey",
        mhw_facts={"elevation_ft": water} if water is not None else {},
        crowns=table,
        trunks=trunks(spots, crs=crs) if spots else None,
        heights=raster(top, **how),
        ground=None if ground is None else raster(ground, **how),
    )


_MADE = {}


def before(site, **options):
    """Results that sections need; of one site and options once."""
    key = (id(site), tuple(sorted(options.items())))
    if key not in _MADE:
        results = {}
        given = ("calibrate",) if site.readings is not None else ()
        for name in (*given, *NEEDED):
            results[name] = run_operation(name, site, results, options)
        _MADE[key] = (site, results)  # the site is held, so its id stays its own
    return dict(_MADE[key][1])


def run(site, *, more=None, **options):
    """The result of sections; ``more``: results of other operations, by name."""
    results = {**before(site, **options), **(more or {})}
    return run_operation("sections", site, results, options)


def window_of(*spans, cut=(), lot="A"):
    """A window's spans (stretch, from, to) and the trees it cuts, as that operation tells them."""
    import pandas as pd

    rows = [
        {
            "lot_id": lot, "span_id": f"w{k + 1}", "stretch_id": stretch, "station_from_ft": low,
            "station_to_ft": high, "span_length_ft": high - low,
        }
        for k, (stretch, low, high) in enumerate(spans)
    ]  # fmt: skip
    names = [
        "lot_id", "span_id", "stretch_id", "station_from_ft", "station_to_ft", "span_length_ft",
    ]  # fmt: skip
    trees = [{"lot_id": lot, "crown_id": i, "treatment": "lower-top"} for i in cut]
    left = [i for i in ("t0", "t1", "t2") if i not in cut]
    trees += [{"lot_id": lot, "crown_id": i, "treatment": "leave"} for i in left]
    return Result(
        "window",
        {"window_spans": pd.DataFrame(rows, columns=names), "window_trees": pd.DataFrame(trees)},
    )


def stages_of(*cut, lot="A"):
    """Trees that are cut in some year."""
    import pandas as pd

    rows = pd.DataFrame({"lot_id": lot, "crown_id": list(cut)}, dtype=object)
    return Result("stages", {"stage_cuts": rows})


def of(result, table, section=None, **where):
    """Rows of one table, of one section and with these values."""
    rows = result[table]
    if section is not None:
        rows = rows[rows["section_id"] == section]
    for name, value in where.items():
        rows = rows[rows[name] == value]
    return rows.reset_index(drop=True)


def notes(result, level=None):
    return "\n".join(str(n) for n in result.notes if level is None or n.level == level)
