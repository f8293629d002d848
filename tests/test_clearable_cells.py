"""Which cells of a crown a cut may touch: those whose leaves stand in the zone."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely.geometry import Point, box

from geotrim.model import CanopyGrid
from geotrim.ops.canopy_cells import clearable_cells, crown_cells

CRS = "EPSG:6443"
X, Y = 280_000.0, 1_180_000.0


def cells_of(*shapes):
    crowns = gpd.GeoDataFrame(
        {"crown_id": [str(k) for k in range(len(shapes))]}, geometry=list(shapes), crs=CRS
    )
    grid = CanopyGrid(np.full((40, 40), 12.0), X, Y + 40.0, 1.0)
    cells, _ = crown_cells(crowns, grid)
    return cells


@pytest.mark.parametrize("turn", [0.0, 17.0, 45.0])
def test_a_crown_that_lies_in_the_zone_is_in_it_to_the_edge(turn):
    """Cells at its edge have their centre outside of it, and so outside a zone made of it."""
    crown = shapely.affinity.rotate(box(X + 10.6, Y + 8.7, X + 19.4, Y + 17.3), turn)
    cells = cells_of(crown)
    centres = shapely.intersects_xy(crown, cells.x, cells.y)
    assert not centres.all()
    assert clearable_cells(cells, crown).all()
    assert clearable_cells(cells, None).all()


def test_a_crown_across_the_edge_of_the_zone_is_in_it_as_far_as_it_goes():
    """A zone west of x = 20: the cells east of it are out, whichever crown they are of."""
    cells = cells_of(Point(X + 20.0, Y + 20.0).buffer(6.0), Point(X + 30.0, Y + 20.0).buffer(4.0))
    inside = clearable_cells(cells, box(X, Y, X + 20.0, Y + 40.0))
    east = cells.col + 0.5 > 20.0
    assert np.array_equal(inside, ~east)
    assert not inside[cells.crown == 1].any()


def test_places_of_cells_lie_in_their_crown_and_are_centres_where_these_do():
    crown = Point(X + 20.0, Y + 20.0).buffer(6.0)
    cells = cells_of(crown)
    is_in = shapely.intersects_xy(crown, cells.x, cells.y)
    assert np.array_equal(cells.own_x[is_in], cells.x[is_in])
    assert shapely.intersects_xy(crown.buffer(1e-6), cells.own_x, cells.own_y).all()
    moved = np.hypot(cells.own_x - cells.x, cells.own_y - cells.y)
    away = shapely.distance(crown, shapely.points(cells.x, cells.y))
    assert moved == pytest.approx(away, abs=1e-9)
    some = np.array([0, 5, 9])
    half = box(X, Y, X + 20.0, Y + 40.0)
    assert np.array_equal(clearable_cells(cells, half, some), clearable_cells(cells, half)[some])
