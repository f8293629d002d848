"""Shares of cells: by hand, against other people's code, and by the laws of area."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
import shapely
from hypothesis import given

from geotrim.core.coverage import check_transform, coverage_fractions, pixel_rings, rings_of
from geotrim.errors import RangeError, ShapeError
from tests import strategies
from tests.opendata import open_data

NORTH_UP = (1.0, 0.0, 0.0, 0.0, -1.0, 3.0)


def cell_by_cell(polygon, transform, shape):
    """The slow way: cut the polygon with the box of every cell."""
    a, b, c, d, e, f = transform
    rows, cols = np.mgrid[0 : shape[0], 0 : shape[1]]
    corners = [(cols + i, rows + j) for i, j in ((0, 0), (1, 0), (1, 1), (0, 1))]
    ring = np.stack(
        [np.stack([a * i + b * j + c, d * i + e * j + f], axis=-1) for i, j in corners], axis=-2
    )
    cells = shapely.polygons(ring)
    return shapely.area(shapely.intersection(cells, polygon)) / shapely.area(cells)


@pytest.mark.jit
@pytest.mark.parametrize(
    ("polygon", "expected"),
    [
        (shapely.box(0, 0, 1, 1), [[0, 0, 0], [0, 0, 0], [1, 0, 0]]),
        (shapely.box(0, 0, 3, 3), [[1, 1, 1], [1, 1, 1], [1, 1, 1]]),
        (shapely.box(-9, -9, 9, 9), [[1, 1, 1], [1, 1, 1], [1, 1, 1]]),
        (shapely.box(1.25, 1.25, 1.75, 1.75), [[0, 0, 0], [0, 0.25, 0], [0, 0, 0]]),
        (shapely.box(-5, 1, 0, 2), [[0, 0, 0], [0, 0, 0], [0, 0, 0]]),  # touches the edge only
        (shapely.box(-5, 1, 0.5, 2), [[0, 0, 0], [0.5, 0, 0], [0, 0, 0]]),
        (shapely.box(2.5, 2.5, 7, 7), [[0, 0, 0.25], [0, 0, 0], [0, 0, 0]]),
        # the triangle under the diagonal from the south-west corner
        (
            shapely.Polygon([(0, 0), (3, 0), (3, 3)]),
            [[0, 0, 0.5], [0, 0.5, 1], [0.5, 1, 1]],
        ),
        # one edge across three columns of one row, rising by 1 in 3: means 1/6, 3/6, 5/6
        (
            shapely.Polygon([(0, 0), (3, 0), (3, 1)]),
            [[0, 0, 0], [0, 0, 0], [1 / 6, 3 / 6, 5 / 6]],
        ),
        # the whole grid but its middle cell
        (
            shapely.box(0, 0, 3, 3).difference(shapely.box(1, 1, 2, 2)),
            [[1, 1, 1], [1, 0, 1], [1, 1, 1]],
        ),
        # an island in the hole
        (
            shapely.union(
                shapely.box(0, 0, 3, 3).difference(shapely.box(1, 1, 2, 2)),
                shapely.box(1.25, 1.25, 1.75, 1.75),
            ),
            [[1, 1, 1], [1, 0.25, 1], [1, 1, 1]],
        ),
        (shapely.Polygon(), [[0, 0, 0], [0, 0, 0], [0, 0, 0]]),
        (None, [[0, 0, 0], [0, 0, 0], [0, 0, 0]]),
    ],
)
def test_coverage_by_hand(polygon, expected):
    for shape in (polygon, shapely.reverse(polygon), shapely.normalize(polygon)):
        got = coverage_fractions(shape, NORTH_UP, (3, 3))
        np.testing.assert_allclose(got, expected, atol=1e-15)


def test_published_coverage():
    """Source: expected values of the exactextract project's own tests (test_exact_extract.py)."""
    facts = json.loads((open_data("reference_numbers") / "partial_coverage.json").read_text())
    values = np.array(facts["raster"]["values_row_major_top_first"])
    whole, part = facts["cases"][:2]
    got = coverage_fractions(
        shapely.box(*whole["polygon_box_xmin_ymin_xmax_ymax"]), NORTH_UP, (3, 3)
    )
    np.testing.assert_allclose(got.ravel(), whole["coverage_row_major"], atol=1e-15)
    assert got.sum() == pytest.approx(whole["count"], rel=1e-15)
    assert (got * values).sum() == pytest.approx(whole["sum"], rel=1e-15)
    got = coverage_fractions(
        shapely.box(*part["polygon_box_xmin_ymin_xmax_ymax"]), NORTH_UP, (3, 3)
    )
    assert got.sum() == pytest.approx(part["count"], rel=1e-15)
    assert (got * values).sum() / got.sum() == pytest.approx(part["mean"], rel=1e-15)


@pytest.mark.jit
@given(polygon=strategies.crowns(), transform=strategies.transforms())
def test_coverage_is_what_cutting_cells_gives(polygon, transform):
    """Source: shapely (GEOS) cutting the box of every cell; holes, parts, turned grids."""
    shape = (9, 11)
    got = coverage_fractions(polygon, transform, shape)
    expected = cell_by_cell(polygon, transform, shape)
    np.testing.assert_allclose(got, expected, rtol=1e-9, atol=1e-10)
    assert got.sum() == pytest.approx(expected.sum(), rel=1e-9, abs=1e-10)


def by_exactextract(polygon):
    """Coverage on 30 by 30 cells around the origin, from the exactextract library."""
    from exactextract import exact_extract
    from exactextract.feature import JSONFeatureSource
    from exactextract.raster import NumPyRasterSource

    raster = NumPyRasterSource(np.arange(900.0).reshape(AROUND), -10, -10, 20, 20)
    feature = {"type": "Feature", "properties": {}, "geometry": shapely.geometry.mapping(polygon)}
    rows = exact_extract(
        raster, JSONFeatureSource([feature]), ["cell_id", "coverage"], output="geojson"
    )
    share = np.zeros(900)
    facts = rows[0]["properties"]
    share[np.asarray(facts["cell_id"], dtype=int)] = facts["coverage"]
    return share.reshape(AROUND)


AROUND = (30, 30)
AROUND_GRID = (1.0, 0.0, -10.0, 0.0, -1.0, 20.0)


def test_crowns_with_holes_are_what_exactextract_gives():
    """Source: the exactextract library, which keeps coverage in single precision. 300 crowns."""
    rng = np.random.default_rng(12)
    for _ in range(300):
        turn = np.linspace(0, 2 * np.pi, 31)[:-1]
        reach = rng.uniform(3.0, 7.0) * rng.uniform(0.8, 1.2, 30)
        middle = rng.uniform(2.0, 8.0, 2)
        ring = middle + np.column_stack([reach * np.cos(turn), reach * np.sin(turn)])
        hole = middle + 0.3 * (ring[::3] - middle)
        crown = shapely.Polygon(ring, [hole])
        got = coverage_fractions(crown, AROUND_GRID, AROUND)
        np.testing.assert_allclose(got, by_exactextract(crown), rtol=0, atol=1e-7)


@given(polygon=strategies.crowns(low=1.0, high=9.0))
def test_coverage_is_what_exactextract_gives(polygon):
    """Source: as above, for shapes with spikes as well.

    Once in some thousand of these, version 0.3.0 was seen to call a covered cell or a few of them
    empty. So where the two differ, shapely must side with us.
    """
    got = coverage_fractions(polygon, AROUND_GRID, AROUND)
    expected = by_exactextract(polygon)
    if np.abs(got - expected).max() > 1e-7:
        cut = cell_by_cell(polygon, AROUND_GRID, AROUND)
        np.testing.assert_allclose(got, cut, rtol=0, atol=1e-10)


@pytest.mark.jit
@given(polygon=strategies.crowns(low=8.0, high=12.0), transform=strategies.transforms())
def test_cells_share_out_the_whole_area(polygon, transform):
    """On a grid large enough to hold it, coverage times cell area is the polygon's area."""
    a, b, _, d, e, _ = transform
    middle = np.array(polygon.centroid.coords[0])
    origin = middle - np.array([[a, b], [d, e]]) @ (40.0, 40.0)
    grid = (a, b, float(origin[0]), d, e, float(origin[1]))
    got = coverage_fractions(polygon, grid, (80, 80))
    assert got.sum() * check_transform(grid) == pytest.approx(polygon.area, rel=1e-9)
    assert got.max() <= 1.0 + 1e-12


@given(polygon=strategies.crowns(low=2.0, high=8.0))
def test_far_from_the_origin_nothing_is_lost(polygon):
    """State plane coordinates are of the order of 1e6; doubles then step by 1e-10."""
    near = coverage_fractions(polygon, (0.5, 0.0, 0.0, 0.0, -0.5, 10.0), (20, 20))
    move = (600_000.0, 1_200_000.0)
    far = coverage_fractions(
        shapely.transform(polygon, lambda xy: xy + move),
        (0.5, 0.0, move[0], 0.0, -0.5, 10.0 + move[1]),
        (20, 20),
    )
    np.testing.assert_allclose(far, near, atol=1e-8)


def test_overlapping_rings_do_not_break_it():
    """A bow tie is no polygon; its two halves cancel, and the kernel says so without crashing."""
    tie = shapely.Polygon([(0, 0), (2, 2), (2, 0), (0, 2)])
    got = coverage_fractions(tie, NORTH_UP, (3, 3))
    assert np.isfinite(got).all()
    assert (got >= 0).all()


def test_rings_of_everything():
    holed = shapely.box(0, 0, 9, 9).difference(shapely.box(1, 1, 2, 2))
    two = shapely.MultiPolygon([holed, shapely.box(20, 20, 21, 21)])
    rings = rings_of([None, shapely.box(0, 0, 1, 1), shapely.Polygon(), two])
    assert rings.crown_offsets.tolist() == [0, 0, 1, 1, 4]
    assert rings.is_hole.tolist() == [False, False, True, False]
    assert np.diff(rings.ring_offsets).tolist() == [5, 5, 5, 5]
    plain = rings_of([shapely.box(0, 0, 1, 1), None])
    assert len(plain) == 2
    assert plain.xy.shape == (5, 2)
    assert len(rings_of([])) == 0


def test_z_is_dropped():
    flat, raised = shapely.box(0, 0, 1, 1), shapely.force_3d(shapely.box(0, 0, 1, 1), 7.0)
    np.testing.assert_array_equal(rings_of([raised]).xy, rings_of([flat]).xy)


@pytest.mark.parametrize(
    ("shapes", "words"),
    [
        ([shapely.box(0, 0, 1, 1), shapely.Point(0, 0)], "a Point in row 1"),
        ([shapely.LineString([(0, 0), (1, 1)])], "a LineString in row 0"),
        (np.array([[None]], dtype=object), "an array of shape (1, 1)"),
        (
            [shapely.box(0, 0, 1, 1), shapely.Polygon([(0, 0), (1, np.inf), (1, 1)])],
            "a vertex that is not a number in row 1",
        ),
        (
            [
                shapely.MultiPolygon([shapely.box(0, 0, 1, 1)]),
                shapely.Polygon([(0, 0), (1, np.inf), (1, 1)]),
            ],
            "a vertex that is not a number in row 1",
        ),
    ],
)
def test_what_is_no_polygon_is_told(shapes, words):
    with pytest.raises(ShapeError, match=re.escape(f"crowns: found {words}")):
        rings_of(shapes)


@pytest.mark.parametrize(
    "bad",
    [(0.0, 0.0, 5.0, 0.0, 1.0, 5.0), (1.0, 1.0, 0.0, 1.0, 1.0, 0.0), (1.0, 0, np.nan, 0, 1, 0)],
)
def test_a_grid_needs_cells_with_an_area(bad):
    with pytest.raises(RangeError, match="cells have no area"):
        coverage_fractions(shapely.box(0, 0, 1, 1), bad, (2, 2))


def test_a_grid_needs_cells():
    with pytest.raises(ShapeError, match="found \\(0, 3\\); needed a row and a column"):
        coverage_fractions(shapely.box(0, 0, 1, 1), NORTH_UP, (0, 3))


@pytest.mark.jit
def test_a_vertex_out_of_reach_puts_a_crown_off_the_grid():
    """A projection gives infinity for what it cannot reach."""
    rings = rings_of([shapely.box(0, 0, 1, 1)]).moved(lambda x, y: (np.full_like(x, np.inf), y))
    assert pixel_rings(rings, NORTH_UP, (3, 3)).windows.tolist() == [[0, 0, 0, 0]]
