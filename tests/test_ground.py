"""The ground surface: by hand, against general-purpose libraries, and the same in every tile."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.tri import LinearTriInterpolator, Triangulation
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import ConvexHull, Delaunay

from geotrim.core import _delaunay
from geotrim.core.ground import GroundSurface
from geotrim.errors import ShapeError
from tests import strategies

#: Corner of the lidar tile in Oregon State Plane (ft) and one in UTM 17N (m): large numbers.
CORNERS = [(0.0, 0.0), (636_001.0, 848_935.0), (403_000.0, 3_284_000.0)]


def scattered(n, seed, side=100.0):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, side, (2, n))
    return x, y, 3.0 * np.sin(x / 9.0) + 0.1 * y + rng.normal(0, 0.1, n)


def triangles(surface):
    """Each triangle as the coordinates of its corners, however numbered or turned."""
    x, y = surface.x + surface.west, surface.y + surface.south
    return {frozenset((x[i], y[i]) for i in corners) for corners in surface.corners}


@pytest.mark.jit
def test_a_triangle_by_hand():
    """Corners (0,0,1), (4,0,5), (0,4,9): z = 1 + x + 2 y. The far side runs from x = 4 to y = 4."""
    surface = GroundSurface([0, 4, 0], [0, 0, 4], [1, 5, 9])
    assert surface.at([1, 2, 0, 4], [1, 2, 4, 0]) == pytest.approx([4.0, 7.0, 9.0, 5.0])
    assert np.isnan(surface.at([2.001, -0.001, 9.0], [2.0, 1.0, 9.0])).all()
    assert np.isnan(surface.at([np.nan, np.inf], [1.0, 1.0])).all()
    assert surface.at([[1.0], [2.0]], [[1.0], [1.0]]).tolist() == [[4.0], [5.0]]
    assert surface.n_returns == 3


@pytest.mark.jit
@pytest.mark.parametrize("corner", CORNERS)
def test_the_sides_of_the_hull_belong_to_the_surface(corner):
    """Points along a side fall off it by the rounding of their own coordinates, and still count."""
    x, y = np.array([0.0, 47.3, 11.1]) + corner[0], np.array([0.0, 13.7, 39.9]) + corner[1]
    surface = GroundSurface(x, y, [1.0, 2.0, 3.0])
    share = np.linspace(0, 1, 41)
    for i, j in ((0, 1), (1, 2), (2, 0)):
        along_x, along_y = x[i] + share * (x[j] - x[i]), y[i] + share * (y[j] - y[i])
        got = surface.at(along_x, along_y)
        np.testing.assert_allclose(got, (i + 1) + share * (j - i), rtol=0, atol=1e-8)


@pytest.mark.jit
def test_four_returns_keep_the_shorter_way_round():
    """A flat diamond: the diagonal is the short one, so the middle is 0 and not 10."""
    surface = GroundSurface([-9, 9, 0, 0], [0, 0, 1, -1], [10, 10, 0, 0])
    assert surface.at(0.0, 0.0) == pytest.approx(0.0)


@pytest.mark.jit
@pytest.mark.parametrize("corner", CORNERS)
def test_exact_on_a_plane(corner):
    x, y, _ = scattered(120, 1)
    z = 7.0 + 0.3 * x - 0.2 * y
    surface = GroundSurface(x + corner[0], y + corner[1], z)
    qx, qy, _ = scattered(120, 2)
    got = surface.at(qx + corner[0], qy + corner[1])
    inside = np.isfinite(got)
    assert inside.sum() > 90
    assert got[inside] == pytest.approx((7.0 + 0.3 * qx - 0.2 * qy)[inside], abs=1e-9)


def test_agrees_with_two_general_purpose_libraries():
    """Linear interpolation over Delaunay triangles, as scipy and matplotlib do it."""
    x, y, z = scattered(2000, 3)
    qx, qy = np.random.default_rng(4).uniform(-3, 103, (2, 3000))
    ours = GroundSurface(x, y, z).at(qx, qy)
    scipys = LinearNDInterpolator(np.column_stack([x, y]), z)(qx, qy)
    matplotlibs = LinearTriInterpolator(Triangulation(x, y), z)(qx, qy).filled(np.nan)
    for theirs in (scipys, matplotlibs):
        assert (np.isnan(ours) == np.isnan(theirs)).all()
        np.testing.assert_allclose(ours, theirs, atol=1e-9, rtol=0)
    assert 0.8 < np.isfinite(ours).mean() < 1.0


@pytest.mark.jit
@pytest.mark.parametrize("seed", range(4))
def test_the_triangulation_is_delaunay(seed):
    """The same triangles as Qhull's, by way of scipy; each beside the right ones."""
    x, y, z = scattered(80, seed)
    surface = GroundSurface(x, y, z)
    known = Delaunay(np.column_stack([surface.x, surface.y]))
    assert {frozenset(t) for t in known.simplices} == {frozenset(t) for t in surface.corners}
    hull = ConvexHull(np.column_stack([surface.x, surface.y]))
    assert len(surface.corners) == 2 * 80 - 2 - len(hull.vertices)  # Euler
    for t, corners in enumerate(surface.corners):
        a, b, c = ((surface.x[i], surface.y[i]) for i in corners)
        assert (b[0] - a[0]) * (c[1] - a[1]) > (b[1] - a[1]) * (c[0] - a[0])  # anticlockwise
        for k, other in enumerate(surface.beyond[t]):
            shared = set(corners) - {corners[k]}
            if other >= 0:
                assert shared == set(corners) & set(surface.corners[other])
                assert t in surface.beyond[other]
            else:
                assert shared <= set(hull.vertices)


@pytest.mark.jit
def test_rows_of_returns():
    """A lattice is nothing but ties: 2 triangles a square, each half a square, the hull whole."""
    x, y = (a.ravel() for a in np.meshgrid(np.arange(9) * 0.7, np.arange(7) * 0.1))
    surface = GroundSurface(x + 600_000, y + 1_200_000, x + y)
    assert len(surface.corners) == 2 * 8 * 6
    corners = np.stack([surface.x, surface.y], axis=-1)[surface.corners]
    edges = corners[:, 1:] - corners[:, :1]
    areas = (edges[:, 0, 0] * edges[:, 1, 1] - edges[:, 0, 1] * edges[:, 1, 0]) / 2
    assert areas == pytest.approx(0.5 * 0.7 * 0.1, rel=1e-6)
    assert surface.at(x + 600_000, y + 1_200_000) == pytest.approx(x + y, abs=1e-8)


@pytest.mark.jit
@given(
    places=st.sets(st.tuples(st.integers(0, 6), st.integers(0, 6)), min_size=3, max_size=30),
    seed=st.integers(0, 99),
    corner=st.sampled_from(CORNERS),
    side=st.sampled_from([1.0, 0.25, 94_906_267.0]),
)
def test_points_in_any_order_and_place_make_one_surface(places, seed, corner, side):
    """Points on a small lattice, so that lines and circles of many points are common.

    On the widest lattice the terms of a circle's test have over a hundred bits, so ties are not 0.
    """
    x, y = np.array(sorted(places), dtype=float).T * side
    z = (x / side * 7 + y / side * 3) % 5
    shuffled = np.random.default_rng(seed).permutation(x.size)
    if np.linalg.matrix_rank(np.column_stack([x - x[0], y - y[0]])) < 2:
        with pytest.raises(ShapeError, match="on one line"):
            GroundSurface(x, y, z)
        return
    one = GroundSurface(x, y, z)
    two = GroundSurface(x[shuffled] + corner[0], y[shuffled] + corner[1], z[shuffled])
    moved = {frozenset((a - corner[0], b - corner[1]) for a, b in t) for t in triangles(two)}
    assert triangles(one) == moved
    assert one.at(x, y) == pytest.approx(z, abs=1e-12)  # every return is on the surface
    area = sum(_area(t) for t in triangles(one))
    assert area == pytest.approx(ConvexHull(np.column_stack([x, y])).volume)


def _area(triangle):
    (ax, ay), (bx, by), (cx, cy) = triangle
    return abs((bx - ax) * (cy - ay) - (by - ay) * (cx - ax)) / 2


@pytest.mark.jit
@pytest.mark.parametrize("side", [1.0, 94_906_267.0])
def test_of_points_on_a_circle_the_first_is_joined_to_all(side):
    """Twelve points on a circle of radius 5, whole numbers: nothing but ties.

    In the order of x + 0.618 y, (-4, -3) is the first: -5.85, before -5.47 at (-3, -4).
    """
    x, y = np.array(
        [[3, 4, 5, 4, 3, 0, -3, -4, -5, -4, -3, 0], [4, 3, 0, -3, -4, -5, -4, -3, 0, 3, 4, 5]]
    )
    surface = GroundSurface(x * side, y * side, np.zeros(12))
    assert len(triangles(surface)) == 10
    assert all((-4.0 * side, -3.0 * side) in triangle for triangle in triangles(surface))


def tiled(seed, buffer, widest):
    """A cloud, quantised as lidar is, with a pond in it, and one tile of it with its buffer."""
    rng = np.random.default_rng(seed)
    x, y = np.round(rng.uniform(0, 60, (2, 3000)), 1)
    is_dry = np.hypot(x - 40, y - 30) > 9
    x, y = x[is_dry] + 403_000, y[is_dry] + 3_284_000
    z = rng.normal(size=x.size)
    known = (403_020 - buffer, 3_284_020 - buffer, 403_040 + buffer, 3_284_040 + buffer)
    inside = (x >= known[0]) & (x <= known[2]) & (y >= known[1]) & (y <= known[3])
    qx, qy = rng.uniform(20, 40, (2, 4000)) + np.array([[403_000], [3_284_000]])
    whole, tile = GroundSurface(x, y, z), GroundSurface(x[inside], y[inside], z[inside])
    return whole.at(qx, qy, widest=widest), tile.at(qx, qy, widest=widest)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("widest", [2.0, 10.0])
def test_tiles_do_not_show_with_a_buffer_of_twice_the_widest_hole(seed, widest):
    """Holes wider than that are left in both; the pond, 18 across, is one or not."""
    whole, tile = tiled(seed, 2.0 * widest, widest)
    np.testing.assert_allclose(tile, whole, rtol=0, atol=1e-9)
    assert np.isnan(whole).any() == (widest < 9)


def test_a_buffer_narrower_than_the_hole_is_not_enough():
    whole, tile = tiled(0, 2.0, 100.0)
    assert (np.abs(tile - whole) > 1e-6).any()


def test_a_hole_wider_than_stated_is_not_bridged():
    """The same circle, radius 2.8284: bridged when that wide may be, and not when less."""
    surface = GroundSurface([0, 4, 0], [0, 0, 4], [1, 5, 9])
    assert surface.at([1.0, 9.0], [1.0, 9.0], widest=2.829)[0] == pytest.approx(4.0)
    assert np.isnan(surface.at([1.0, 9.0], [1.0, 9.0], widest=2.829)[1])
    assert np.isnan(surface.at([1.0], [1.0], widest=2.828)).all()


def test_of_returns_at_one_place_the_lowest_counts():
    surface = GroundSurface([0, 4, 0, 0, 0], [0, 0, 4, 0, 4], [6, 5, 9, 1, 30])
    assert surface.n_returns == 3
    assert surface.at([0, 0], [0, 4]).tolist() == [1.0, 9.0]


@pytest.mark.jit
@given(
    turn=st.sampled_from([0.0, 0.4, np.pi / 2, 3.0]),
    east=strategies.numbers(-1e5, 1e5),
    up=strategies.numbers(-50, 50),
)
def test_moving_turning_and_raising(turn, east, up):
    """The surface moves with its returns, turns with them and rises with them."""
    x, y, z = scattered(40, 5, side=30.0)
    qx, qy = np.random.default_rng(6).uniform(8, 22, (2, 30))
    cos, sin = np.cos(turn), np.sin(turn)

    def moved(x, y):
        return cos * x - sin * y + east, sin * x + cos * y - 2 * east

    before = GroundSurface(x, y, z).at(qx, qy)
    after = GroundSurface(*moved(x, y), z + up).at(*moved(qx, qy))
    np.testing.assert_allclose(after, before + up, atol=1e-6)


@given(
    seed=st.integers(0, 500),
    extra=st.lists(st.floats(0.0, 9.0), min_size=1, max_size=20),
)
def test_returns_over_the_ground_of_the_same_places_change_nothing(seed, extra):
    x, y, z = scattered(50, 7, side=30.0)
    over = np.random.default_rng(seed).integers(0, 50, len(extra))
    more = [np.append(x, x[over]), np.append(y, y[over]), np.append(z, z[over] + extra)]
    qx, qy, _ = scattered(60, 8, side=30.0)
    np.testing.assert_array_equal(
        GroundSurface(*more).at(qx, qy), GroundSurface(x, y, z).at(qx, qy)
    )


@pytest.mark.jit
@pytest.mark.parametrize("n", range(60, 72))
def test_the_side_of_a_line_is_exact(n):
    """Cassini: F(n)^2 - F(n+1) F(n-1) is 1 or -1 in turn, far below what doubles tell apart."""
    f = [0, 1]
    while len(f) <= n + 1:
        f.append(f[-1] + f[-2])
    a, b = (float(f[n]), float(f[n - 1])), (float(f[n + 1]), float(f[n]))
    assert _delaunay.side(*a, *b, 0.0, 0.0) == f[n] ** 2 - f[n + 1] * f[n - 1] == (-1) ** (n + 1)
    twice = tuple(2 * value for value in b)
    assert _delaunay.side(*b, *twice, 0.0, 0.0) == 0.0


#: 1265 times this is 1 more than a multiple of 2048, so x + SLANT y can come as near 0 as 1/2048.
NEARLY_LEVEL = pow(1265, -1, 2048)


@pytest.mark.jit
@pytest.mark.parametrize("off", [-9, -2, -1, 0, 1, 2, 9])
@pytest.mark.parametrize("many", [2**39 + 1, 2**39 + 77_777])
def test_the_order_along_the_slant_is_exact(off, many):
    """Here x + SLANT y is off/2048, with both so large that doubles see it as 0; then x decides."""
    dy = NEARLY_LEVEL * off + 2048 * many
    dx = -(1265 * dy - off) // 2048
    assert Fraction(_delaunay.SLANT) * dy + dx == Fraction(off, 2048)
    comes_first = _delaunay._comes_before(float(dx), float(dy), 0.0, 0.0)
    assert comes_first == (off <= 0)
    assert _delaunay._comes_before(0.0, 0.0, float(dx), float(dy)) != comes_first


@pytest.mark.jit
def test_points_are_sorted_exactly():
    """Points all but level across the slant, by fractions; an order by doubles is another."""
    rng = np.random.default_rng(13)
    y = rng.integers(2**49, 2**50, 300)
    x = np.array([-round(Fraction(_delaunay.SLANT) * int(v)) for v in y]) + rng.integers(0, 3, 300)
    x, y = x.astype(float), y.astype(float)
    rough = np.argsort(x + _delaunay.SLANT * y)
    order = rough.copy()
    _delaunay.sort(order, x, y)
    keys = [
        (Fraction(a) + Fraction(_delaunay.SLANT) * Fraction(b), a)
        for a, b in zip(x, y, strict=True)
    ]
    known = sorted(range(300), key=keys.__getitem__)
    assert order.tolist() == known
    assert rough.tolist() != known
    surface = GroundSurface(x, y, np.zeros(300))
    assert len(surface.corners) == 2 * 300 - 2 - (surface.beyond < 0).sum()  # Euler, by hull sides


def test_differences_of_coordinates_are_exact():
    """Coordinates with far more digits than their differences could hold lose the last of them."""
    x = np.array([1e-18, 1 / 3, np.pi * 1e-6, 100 / 7, 99.9])
    surface = GroundSurface(x, x**2, x)
    for axis in (surface.x, surface.y):
        for a in axis:
            for b in axis:
                assert Fraction(a) - Fraction(b) == Fraction(a - b)
    np.testing.assert_allclose(np.sort(surface.x), np.sort(x), rtol=0, atol=1e-13)


@pytest.mark.jit
def test_a_needle_of_a_hull_is_not_lost():
    """Returns a hair off a line, far from the origin: all are kept, and the hull is theirs."""
    x = 600_000 + np.arange(30.0)
    y = 3_000_000 + np.arange(30.0) / 4
    y[11] += 2.0**-20
    surface = GroundSurface(x, y, np.arange(30.0))
    assert len(surface.corners) == 28
    assert surface.n_returns == 30


@pytest.mark.parametrize(
    ("x", "y", "found"),
    [
        ([0.0, 1.0], [0.0, 1.0], "2 points"),
        ([0.0, 1.0, 1.0], [0.0, 1.0, 1.0], "2 places"),
        ([0.0, 1.0, 2.0, 3.0], [0.0, 1.0, 2.0, 3.0], "4 places on one line"),
        ([0.0, np.nan, 2.0], [0.0, 1.0, 0.0], "not finite"),
        ([0.0, 1.0, 2.0], [0.0, 1.0], "shapes"),
        ([], [], "0 points"),
    ],
)
def test_what_makes_no_surface(x, y, found):
    with pytest.raises(ShapeError, match=found) as told:
        GroundSurface(x, y, np.zeros(len(x)), what="class 2 returns")
    assert told.value.subject == "class 2 returns"
    assert told.value.mend


def test_queries_that_do_not_fit():
    with pytest.raises(ShapeError, match="one y for each x"):
        GroundSurface([0, 4, 0], [0, 0, 4], [1, 5, 9]).at([1.0, 2.0], [1.0])


def test_a_large_extent_still_finds_its_way():
    """A strip 40,000 long and 2 wide, and queries that jump about in it."""
    rng = np.random.default_rng(12)
    x, y = rng.uniform(0, 40_000, 5000), rng.uniform(0, 2, 5000)
    surface = GroundSurface(x, y, x / 1000 + y)
    qx, qy = rng.uniform(100, 39_900, 4000), rng.uniform(0.5, 1.5, 4000)
    got = surface.at(qx, qy)
    assert np.isfinite(got).all()
    np.testing.assert_allclose(got, qx / 1000 + qy, atol=1e-6)
