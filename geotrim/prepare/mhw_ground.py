"""The ground model of an MHW line: opened, its datum made sure of, and placed on a plane."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from pyproj import CRS

from geotrim.core import datums
from geotrim.errors import CRSError, LayerError, RangeError
from geotrim.io.crs import choose_site_crs, plan_move, same_crs, to_degrees
from geotrim.io.datum_match import settled_datum
from geotrim.io.rasters import HeightRaster, open_heights
from geotrim.model import Note
from geotrim.prepare.mhw_level import MILE_FT, Place, seen_from
from geotrim.prepare.places import Shapes, bounds_near, read_shapes
from geotrim.prepare.task import GivenFile, Task
from geotrim.units import feet_per_map_unit

#: A contour needs so many cells each way.
LEAST_CELLS = 2


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """The ground model with its datum, and the plane the line is measured on.

    place : pixel coordinates to map coordinates of ``crs``.
    cell : side of a cell on the plane, about. [map units]
    """

    raster: HeightRaster
    datum: str
    epoch: str | None
    crs: CRS
    place: Callable[[Any], Any]
    cell: float
    lots: Shapes | None
    notes: tuple[Note, ...]

    @property
    def feet(self) -> float:
        return feet_per_map_unit(self.crs, "MHW line")


def open_ground(task: Task) -> Ground:
    """The ground model, its datum made sure of, and the plane to measure on.

    Raises
    ------
    GeotrimError
        If the raster does not open, or its unit, CRS or vertical datum is unknown or contradicted.
    """
    given = task.files["ground"][0]
    raster = open_heights(
        given.path,
        unit=given.get("unit"),
        band=given.get("band", 1),
        rmse_ft=given.get("rmse_ft"),
        crs=given.get("crs"),
        subject=given.subject,
        holds="elevations",
    )
    datum = _ground_datum(given)
    epoch = _ground_epoch(datum, given.get("epoch"), given.subject)
    lots_file = task.one("lots")
    lots = None if lots_file is None else read_shapes(lots_file, "lots")
    bounds = _bounds(raster) if lots is None else lots.table.total_bounds
    own = raster.crs if lots is None else CRS.from_user_input(lots.table.crs)
    role = "ground" if lots is None else "lots"
    crs, notes = choose_site_crs(own, bounds, task.params["crs"], "--crs", role)
    place = _placing(raster, crs, given.subject)
    rows, cols = raster.shape
    middle = np.array([[cols / 2, rows / 2]])
    side = np.hypot(*(place(middle + np.array([1.0, 0.0])) - place(middle))[0])
    if lots_file is not None:
        lots = read_shapes(lots_file, "lots", crs=crs)
        notes = (*notes, *lots.notes)
    notes = (*raster.notes, *notes)
    ground = Ground(raster, datum, epoch, crs, place, float(side), lots, notes)
    _check_lots_on(task, ground)
    return ground


def _ground_datum(given: GivenFile) -> str:
    name = settled_datum(given.path, given.get("datum"), given.subject)
    if name is None:
        raise CRSError(
            f"{given.subject}-datum",
            "a ground model that does not say what its elevations are above",
            "its vertical datum",
            "say --ground-datum NAVD88, MSL or another, as its maker does; a guess is not accepted",
        )
    return datums.known_datum(name, f"{given.subject} datum")


def _ground_epoch(datum: str, said: str | None, subject: str) -> str | None:
    if said is not None:
        return datums.epoch_named(said, f"{subject}-epoch")
    if datums.is_tidal(datum):
        raise RangeError(
            f"{subject}-epoch",
            f"a ground above {datum}, which belongs to a tidal epoch, and none stated",
            "the epoch its datum was taken for",
            f"say --ground-epoch, for example --ground-epoch {datums.EPOCH_IN_FORCE} if that is "
            "what its maker says",
        )
    return None


def _bounds(raster: HeightRaster) -> Any:
    rows, cols = raster.shape
    a, b, c, d, e, f = raster.transform
    x = [a * col + b * row + c for col in (0, cols) for row in (0, rows)]
    y = [d * col + e * row + f for col in (0, cols) for row in (0, rows)]
    return np.array([min(x), min(y), max(x), max(y)])


def _placing(raster: HeightRaster, crs: CRS, subject: str) -> Callable[[Any], Any]:
    """Pixel coordinates to coordinates of the plane."""
    a, b, c, d, e, f = raster.transform

    def on_grid(at: Any) -> Any:
        col, row = at[:, 0], at[:, 1]
        return np.column_stack([a * col + b * row + c, d * col + e * row + f])

    if same_crs(raster.crs, crs):
        return on_grid
    move = plan_move(raster.crs, crs, _bounds(raster), subject)
    return lambda at: move.apply(on_grid(at))


def place_of(ground: Ground) -> Place:
    """The middle of the lots, or of the ground model, in degrees."""
    if ground.lots is None:
        return _middle(ground)
    west, south, east, north = ground.lots.table.total_bounds
    lon, lat = to_degrees(ground.crs, (west + east) / 2, (south + north) / 2)
    return Place(lon, lat, "the middle of the lots")


def _middle(ground: Ground) -> Place:
    rows, cols = ground.raster.shape
    corners = ground.place(np.array([[0.0, 0.0], [cols, rows], [0.0, rows], [cols, 0.0]]))
    (west, south), (east, north) = corners.min(axis=0), corners.max(axis=0)
    lon, lat = to_degrees(ground.crs, (west + east) / 2, (south + north) / 2)
    return Place(lon, lat, "the middle of the ground model")


def _check_lots_on(task: Task, ground: Ground) -> None:
    """Some of the ground must lie within the margin of the lots."""
    window = window_near_lots(task, ground)
    if window is None:
        return
    n_rows, n_cols = ground.raster.shape
    n_down = min(window[1], n_rows) - max(window[0], 0)
    n_right = min(window[3], n_cols) - max(window[2], 0)
    if min(n_down, n_right) >= LEAST_CELLS:
        return
    lots, middle = place_of(ground), _middle(ground)
    away = seen_from(middle, [(lots.lon, lots.lat)])[0][0] / MILE_FT
    raise LayerError(
        "lots",
        f"lots around lon {lots.lon:.4f}, lat {lots.lat:.4f}, and a ground model around lon "
        f"{middle.lon:.4f}, lat {middle.lat:.4f}, {away:,.1f} miles away: the lots do not lie on "
        "it",
        f"ground within {task.params['margin_ft']:,g} ft of a lot",
        "check both CRSs, or name the ground model of the lots' own place",
    )


def window_near_lots(task: Task, ground: Ground) -> tuple[int, int, int, int] | None:
    """Rows and columns around the lots and the margin; None for the whole raster."""
    if ground.lots is None:
        return None
    west, south, east, north = bounds_near(ground.lots, task.params["margin_ft"], ground.raster.crs)
    a, b, c, d, e, f = ground.raster.transform
    det = a * e - b * d
    x, y = (np.array([west, west, east, east]) - c, np.array([south, north, south, north]) - f)
    cols, rows = (e * x - b * y) / det, (a * y - d * x) / det
    return (
        int(np.floor(rows.min() - 0.5)),
        int(np.ceil(rows.max() + 0.5)) + 1,
        int(np.floor(cols.min() - 0.5)),
        int(np.ceil(cols.max() + 0.5)) + 1,
    )


def near_lots(task: Task, ground: Ground) -> Callable[[int, int, int, int], bool] | None:
    """Whether a block lies within the margin of any lot."""
    if ground.lots is None:
        return None
    tree = shapely.STRtree(np.asarray(ground.lots.table.geometry.array, dtype=object))
    margin = task.params["margin_ft"] / ground.feet

    def is_near(row0: int, row1: int, col0: int, col1: int) -> bool:
        corners = [[col0, row0], [col1, row0], [col1, row1], [col0, row1]]
        shape = shapely.Polygon(ground.place(np.array(corners, dtype=np.float64)))
        return bool(len(tree.query(shape, predicate="dwithin", distance=margin)))

    return is_near
