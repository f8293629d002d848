"""The contour of a ground model: where it lies, how it is joined, and what is told of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
import shapely
import strategies
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from geotrim.core.contour import TIE, at_level_within, blocks_of, contour
from geotrim.core.contour_lines import (
    LevelLine,
    band,
    band_parts,
    lengths_at,
    n_crossings,
    placed,
    position_errors,
    quantile,
    smoothed,
    without_short,
)
from geotrim.errors import RangeError, ShapeError

WHOLE = (10_000, 10_000)


@dataclass
class Ground:
    """A ground model in memory, read as a file would be."""

    height: np.ndarray
    block_shape: tuple[int, int] = WHOLE

    @property
    def shape(self):
        return self.height.shape

    def read(self, row0, row1, col0, col1):
        return self.height[row0:row1, col0:col1]


def pieces_of(height, level, block=WHOLE, **more):
    height = np.asarray(height, dtype=np.float64)
    return contour(blocks_of(Ground(height, block), **more), [level], height.shape[1])[0]


def on_plane(transform):
    a, b, c, d, e, f = transform
    return lambda at: np.column_stack(
        [a * at[:, 0] + b * at[:, 1] + c, d * at[:, 0] + e * at[:, 1] + f]
    )


def north_up(cell=1.0, west=0.0, north=0.0):
    return on_plane((cell, 0.0, west, 0.0, -cell, north))


def lines_of(height, level, place=None, **more):
    return placed(pieces_of(height, level, **more), place or north_up(), 1.0, 1.0)


def centres(rows, cols, cell=1.0, west=0.0, north=0.0):
    """Coordinates x and y of the cell centres of a north-up grid."""
    x = west + (np.arange(cols) + 0.5) * cell
    y = north - (np.arange(rows) + 0.5) * cell
    return np.meshgrid(x, y)


# --- where the line lies ---------------------------------------------------------------------


@pytest.mark.parametrize(("cell", "west"), [(1.0, 95.5), (0.7, 96.13), (3.0, 91.0), (2.0, 90.9)])
def test_plane_beach(cell, west):
    """X-02: z = 0.1 (x - 100) ft, MHW +0.40 ft: line at x = 104.00, +-0.328 ft moves it 3.28 ft."""
    x, _ = centres(8, 40, cell, west, 50.0)
    beach = 0.1 * (x - 100.0)
    (line,) = lines_of(beach, 0.40, north_up(cell, west, 50.0))
    np.testing.assert_allclose(line.xy[:, 0], 104.0, atol=1e-6)
    np.testing.assert_allclose(line.slope, 0.1, rtol=1e-9)
    np.testing.assert_allclose(position_errors(line.slope, 0.328, 100.0), 3.28, atol=1e-6)
    for dz, where in ((-0.328, 100.72), (0.328, 107.28)):  # 104 -+ 3.28
        (other,) = lines_of(beach, 0.40 + dz, north_up(cell, west, 50.0))
        np.testing.assert_allclose(other.xy[:, 0], where, atol=1e-6)


def test_plane_beach_of_single_precision():
    """Cells that hold 0.4 in single precision stand at the level 0.4 all the same."""
    x, _ = centres(8, 40, 1.0, 95.5, 0.0)
    beach = (0.1 * (x - 100.0)).astype(np.float32).astype(np.float64)
    assert not (beach == 0.4).any()  # what makes it a case
    tie = at_level_within(0.4, True)
    found = contour(blocks_of(Ground(beach)), [0.4], 40, tie=tie)[0]
    (line,) = placed(found, north_up(1.0, 95.5, 0.0), 1.0, 1.0)
    assert (line.xy[:, 0] == 104.0).all()


@given(
    slope=strategies.numbers(0.01, 2.0),
    turn=strategies.numbers(0.0, 6.28),
    level=strategies.numbers(-1.0, 1.0),
    dz=strategies.numbers(0.01, 0.3),
)
def test_a_higher_level_moves_the_line_of_a_plane_by_dz_over_slope(slope, turn, level, dz):
    """C-16: dx = dz / slope, square to the line, whichever way the plane faces."""
    up = np.array([np.cos(turn), np.sin(turn)])
    size = int(np.ceil(2 * (1.5 / slope) + 12)) if slope > 0.05 else 80
    x, y = centres(size, size, 1.0, -size / 2, size / 2)
    plane = slope * (up[0] * x + up[1] * y)
    place = north_up(1.0, -size / 2, size / 2)
    low, high = (lines_of(plane, at, place) for at in (level, level + dz))
    for lines, at in ((low, level), (high, level + dz)):
        for line in lines:
            np.testing.assert_allclose(line.xy @ up, at / slope, atol=1e-9)
            # a height within TIE of the level is taken as at it, which turns a slope by as much
            np.testing.assert_allclose(line.slope, slope, rtol=1e-9, atol=2 * TIE)
    if low and high:
        moved = high[0].xy[0] @ up - low[0].xy[0] @ up
        assert moved == pytest.approx(position_errors([slope], dz, 1e9)[0], abs=1e-8)


@given(heights=strategies.height_grids(has_gaps=False), level=strategies.numbers(0.0, 50.0))
def test_every_vertex_is_at_the_level(heights, level):
    """Source of the check: scipy's interpolation between cell centres."""
    ground = RegularGridInterpolator(
        (np.arange(heights.shape[0]) + 0.5, np.arange(heights.shape[1]) + 0.5), heights
    )
    for piece in pieces_of(heights, level):
        np.testing.assert_allclose(ground(piece.at[:, ::-1]), level, atol=1e-9)


def oracle_length(height, level):
    """Length of the contour, square by square, written out plainly (marching squares).

    Corners in order; a side is crossed where its ends are on both sides of the level. Squares with
    one corner missing are the triangle of the others. Where four sides are crossed, the mean of
    the corners says whether the high corners or the low ones are cut off.
    """
    total = 0.0
    for r in range(height.shape[0] - 1):
        for c in range(height.shape[1] - 1):
            corners = [(r, c), (r, c + 1), (r + 1, c + 1), (r + 1, c)]
            known = [corner for corner in corners if np.isfinite(height[corner])]
            if len(known) < 3:
                continue
            crossed = []
            for one, other in zip(known, known[1:] + known[:1], strict=True):
                a, b = height[one] - level, height[other] - level
                if (a > 0) != (b > 0):
                    share = a / (a - b)
                    crossed.append(np.array(one) + share * (np.array(other) - np.array(one)))
            if len(crossed) == 2:
                total += np.hypot(*(crossed[1] - crossed[0]))
            elif len(crossed) == 4:
                # side k runs from corner k to k + 1: sides 3 and 0 meet at corner 0
                is_first_cut_off = (height[corners[0]] > level) != (
                    np.mean([height[corner] for corner in corners]) > level
                )
                pairs = ((3, 0), (1, 2)) if is_first_cut_off else ((0, 1), (2, 3))
                total += sum(np.hypot(*(crossed[j] - crossed[i])) for i, j in pairs)
    return total


@given(heights=strategies.height_grids(), level=strategies.numbers(0.0, 50.0))
def test_length_as_marching_squares_by_hand(heights, level):
    level += 0.00037  # no height is at the level: those cases have tests of their own
    got = sum(line.length for line in lines_of(heights, level))
    assert got == pytest.approx(oracle_length(heights, level), rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(
    ("level", "joined"), [(0.4, "high"), (0.5, "low"), (0.6, "low")], ids=["below", "at", "above"]
)
def test_saddle(level, joined):
    """Two high corners across from each other, 1, and two low ones, 0; the mean is 0.5.

    Under the mean the high ones are joined, so the lines cut the low corners off; at it and over
    it the low ones are joined.
    """
    lines = lines_of([[1.0, 0.0], [0.0, 1.0]], level)
    middles = sorted(tuple(line.xy.mean(axis=0).round(9)) for line in lines)
    off = (1 - level if joined == "low" else level) / 2  # of a cut's middle from its corner
    low_cut = [(0.5 + off, -1.5 + off), (1.5 - off, -0.5 - off)]
    high_cut = [(0.5 + off, -0.5 - off), (1.5 - off, -1.5 + off)]
    want = high_cut if joined == "low" else low_cut
    np.testing.assert_allclose(middles, sorted(want), atol=1e-9)


def test_a_square_with_a_corner_missing_is_a_triangle():
    """Heights 0, 2 above and 0 below the first: the line crosses the upper side at its middle.

    It ends in the middle of the cut, which runs from the second corner to the third.
    """
    (line,) = lines_of([[0.0, 2.0], [0.0, np.nan]], 1.0)
    np.testing.assert_allclose(np.sort(line.xy, axis=0), [[1.0, -1.0], [1.0, -0.5]])


def test_no_line_along_a_gap():
    """High ground beside a gap, and low ground beside it: nothing to cross on either side."""
    height = np.full((9, 9), 3.0)
    height[:, 4:6] = np.nan
    height[:, 6:] = -3.0
    assert pieces_of(height, 0.0) == []


@given(heights=strategies.height_grids(), level=st.integers(0, 50))
def test_every_vertex_lies_between_two_known_cells_on_both_sides_of_the_level(heights, level):
    heights = np.where(np.isfinite(heights), np.round(heights), np.nan)  # many at the level
    n_rows, n_cols = heights.shape
    for piece in pieces_of(heights, float(level)):
        col, row = (piece.at - 0.5).T
        for r, c in zip(row, col, strict=True):
            ends = [
                heights[i, j]
                for i in {int(np.floor(r)), int(np.ceil(r))}
                for j in {int(np.floor(c)), int(np.ceil(c))}
            ]
            known = [height for height in ends if np.isfinite(height)]
            assert len(known) >= min(len(ends), 3)  # a cut side of three known corners
            if len(ends) == 1:
                assert known == [level]  # through a cell centre: that cell stands at the level
            else:
                assert min(known) <= level <= max(known)
        assert (row >= 0).all() and (row <= n_rows - 1).all()
        assert (col >= 0).all() and (col <= n_cols - 1).all()


# --- joined over blocks ------------------------------------------------------------------------


@given(
    heights=strategies.height_grids(rows=13, cols=12),
    level=st.integers(0, 50),
    rows=st.integers(1, 7),
    cols=st.integers(1, 7),
)
def test_blocks_give_the_same_line_as_the_whole(heights, level, rows, cols):
    """Bit for bit, with many cells at the level and gaps: places, gradients, order, closedness."""
    heights = np.round(heights / 10.0)
    level = float(level // 10)
    whole, blockwise = (pieces_of(heights, level, block) for block in (WHOLE, (rows, cols)))
    assert len(whole) == len(blockwise)
    for one, other in zip(whole, blockwise, strict=True):
        assert one.is_closed == other.is_closed
        np.testing.assert_array_equal(one.at, other.at)
        np.testing.assert_array_equal(one.gradient, other.gradient)


def test_blocks_of_smooth_ground_far_from_the_corner():
    """The same with places that are no round numbers, thousands of cells from the corner."""
    row, col = np.mgrid[0:40, 0:6000]
    height = np.sin(col / 37.1) + np.cos(row / 5.3 + col / 91.0) - 0.123
    whole, blockwise = (pieces_of(height, 0.05, block) for block in (WHOLE, (9, 511)))
    assert len(whole) == len(blockwise) > 10
    for one, other in zip(whole, blockwise, strict=True):
        np.testing.assert_array_equal(one.at, other.at)


@given(heights=strategies.height_grids(), level=st.integers(0, 50), rows=st.integers(1, 9))
def test_open_pieces_end_at_an_edge_or_a_gap_only(heights, level, rows):
    """Nowhere inside known ground does a line break off, so no seam was left open."""
    heights = np.where(np.isfinite(heights), heights, np.nan)
    level += 0.00037
    n_rows, n_cols = heights.shape
    for piece in pieces_of(heights, level, (rows, 3)):
        if piece.is_closed:
            assert (piece.at[0] == piece.at[-1]).all()
            continue
        for col, row in piece.at[[0, -1]] - 0.5:
            r0, r1 = int(np.floor(row)), int(np.ceil(row))
            c0, c1 = int(np.floor(col)), int(np.ceil(col))
            near = heights[max(r0 - (r0 == r1), 0) : r1 + 1 + (r0 == r1)]
            near = near[:, max(c0 - (c0 == c1), 0) : c1 + 1 + (c0 == c1)]
            at_edge = (r0 == r1 and r0 in (0, n_rows - 1)) or (c0 == c1 and c0 in (0, n_cols - 1))
            assert at_edge or np.isnan(near).any()


def test_window_and_unwanted_blocks():
    """Only the blocks asked for are read, with one cell around them; lines stop at the window."""
    height = np.tile(np.arange(20.0), (12, 1))
    reads = []

    class Watched(Ground):
        def read(self, *window):
            reads.append(window)
            return super().read(*window)

    ground = Watched(height, (4, 100))
    blocks = blocks_of(ground, window=(2, 11, 3, 15), is_wanted=lambda r0, r1, c0, c1: r0 >= 6)
    (piece,) = contour(blocks, [7.5], 20)[0]
    assert reads == [(5, 12, 2, 16)]  # one block: rows 6 to 10, columns 3 to 14, and one around
    np.testing.assert_allclose(piece.at[:, 0], 8.0)
    assert sorted(piece.at[[0, -1], 1]) == [6.5, 10.5]


@pytest.mark.parametrize("shape", [(1, 9), (9, 1), (1, 1)])
def test_a_strip_of_one_cell_is_no_ground(shape):
    with pytest.raises(ShapeError, match="at least 2 x 2"):
        list(blocks_of(Ground(np.zeros(shape))))
    assert len(list(blocks_of(Ground(np.zeros((2, 2)))))) == 1


def test_a_window_off_the_raster_is_told():
    with pytest.raises(ShapeError, match="lots lie on it"):
        list(blocks_of(Ground(np.zeros((9, 9))), window=(20, 30, 0, 5)))


@pytest.mark.parametrize("level", [np.nan, np.inf])
def test_level_must_be_a_number(level):
    with pytest.raises(RangeError, match="level"):
        pieces_of(np.zeros((3, 3)), level)


# --- ground that stands at the level -------------------------------------------------------------


def test_a_flat_at_the_level_is_covered():
    """Steps of whole feet 0, 1, 1, 1, 2: the line at 1 keeps to the upper edge of the flat.

    It runs through the centres of the flat's last cells; there is no line on its lower edge.
    """
    height = np.tile([0.0, 1.0, 1.0, 1.0, 2.0], (4, 1))
    (line,) = lines_of(height, 1.0)
    np.testing.assert_array_equal(line.xy[:, 0], 3.5)
    assert line.length == 3.0


@pytest.mark.parametrize(
    "height",
    [
        [[0, 0, 0], [0, 1, 0], [0, 0, 0]],  # a bump whose top just reaches the level
        [[2, 2, 2], [2, 1, 2], [2, 2, 2]],  # a hole whose bottom just does: no width
        [[2, 2, 2, 2], [2, 1, 1, 2], [2, 2, 2, 2]],  # a slot of two such cells
        [[1, 1, 1], [1, 1, 1], [1, 1, 1]],  # all of it at the level
    ],
    ids=["bump", "hole", "slot", "flat"],
)
def test_nothing_without_extent(height):
    assert pieces_of(height, 1.0) == []


def test_a_slot_at_the_level_is_left_out_of_a_line():
    """Water left, land right, and one row of cells at the level running into the land.

    Its two banks are one, so the line passes its mouth.
    """
    height = np.full((5, 6), 2.0)
    height[:, :2] = 0.0
    height[2, 2:5] = 1.0
    (line,) = lines_of(height, 1.0)
    assert shapely.LineString(line.xy).is_simple
    assert line.xy[:, 0].max() == pytest.approx(2.5)
    assert len(np.unique(line.xy, axis=0)) == len(line.xy)


def test_a_ring_that_starts_in_a_slot():
    """A pond with a slot at the cell its ring would start from."""
    height = np.full((6, 6), 2.0)
    height[3:5, 2:5] = 0.0
    height[1:3, 2] = 1.0  # up from the pond's upper left cell
    (line,) = lines_of(height, 1.0)
    assert line.kind == "pond"
    ring = shapely.LinearRing(line.xy)
    assert ring.is_simple
    assert line.xy[:, 1].max() <= -2.5  # row 2's centre


@given(heights=strategies.height_grids(), level=st.integers(-3, 50), raised=st.integers(-20, 20))
def test_ground_and_level_raised_together(heights, level, raised):
    """Heights in eighths, so that sums are exact: the same line, bit for bit."""
    heights = np.round(heights * 8.0) / 8.0
    one, other = pieces_of(heights, level), pieces_of(heights + raised, level + raised)
    assert len(one) == len(other)
    for a, b in zip(one, other, strict=True):
        np.testing.assert_array_equal(a.at, b.at)
        np.testing.assert_array_equal(a.gradient, b.gradient)


# --- on the plane ----------------------------------------------------------------------------


@given(
    heights=strategies.height_grids(), level=strategies.numbers(0, 50), to=strategies.transforms()
)
def test_water_on_the_left_however_the_grid_lies(heights, level, to):
    """Just left of every segment the ground is below the level, just right of it above."""
    heights = np.where(np.isfinite(heights), heights, np.nan)
    level += 0.00037
    rows, cols = (np.arange(n) + 0.5 for n in heights.shape)
    ground = RegularGridInterpolator((rows, cols), heights, bounds_error=False)
    a, b, c, d, e, f = to
    back = np.linalg.inv(np.array([[a, b], [d, e]]))
    for line in placed(pieces_of(heights, level), on_plane(to), 1.0, 1.0):
        step = np.diff(line.xy, axis=0)
        length = np.hypot(*step.T)
        is_long = length > 1e-3
        left = np.column_stack([-step[:, 1], step[:, 0]])[is_long] / length[is_long, None]
        middle = ((line.xy[:-1] + line.xy[1:]) / 2)[is_long]
        sides = []
        for way in (1e-6, -1e-6):
            pixel = (middle + way * left - [c, f]) @ back.T
            sides.append(ground(pixel[:, ::-1]))
        known = np.isfinite(sides[0]) & np.isfinite(sides[1])
        # the surface between four centres bends, so the sign is asked of the difference
        assert (sides[0][known] < sides[1][known] + 1e-9).all()


@given(
    heights=strategies.height_grids(), level=strategies.numbers(0, 50), to=strategies.transforms()
)
def test_the_line_moves_with_the_grid(heights, level, to):
    """Kinds, number and places: the pieces of the grid, taken over by the transform."""
    level += 0.00037
    own = lines_of(heights, level, north_up())
    turned = placed(pieces_of(heights, level), on_plane(to), 1.0, 1.0)
    assert [line.kind for line in own] == [line.kind for line in turned]
    for one, other in zip(own, turned, strict=True):
        pixels = one.xy * [1.0, -1.0]  # a north-up grid of 1 by 1 cells
        want = shapely.LineString(on_plane(to)(pixels))
        assert shapely.hausdorff_distance(want, shapely.LineString(other.xy)) < 1e-9


@given(
    to=strategies.transforms(),
    east=strategies.numbers(-0.5, 0.5),
    north=st.sampled_from([0.2, -0.3]),
)
def test_slope_is_that_of_the_plane_however_the_grid_lies(to, east, north):
    """A plane east x + north y, in feet over metres: slope = |gradient| ft/m = x 0.3048."""
    at = np.stack(np.meshgrid(np.arange(9) + 0.5, np.arange(9) + 0.5), axis=-1).reshape(-1, 2)
    plane = (on_plane(to)(at) @ [east, north]).reshape(9, 9)
    level = float(np.median(plane)) + 1e-4
    feet_per_metre = 1 / 0.3048
    for line in placed(pieces_of(plane, level), on_plane(to), feet_per_metre, 1.0):
        np.testing.assert_allclose(line.slope, np.hypot(east, north) * 0.3048, rtol=1e-6)


def test_slope_beside_a_gap_is_taken_from_the_side_that_is_known():
    x, y = centres(9, 9)
    plane = 0.3 * x + 0.4 * y  # slope 0.5
    plane[4, 4] = np.nan
    for line in lines_of(plane, 0.05 + float(np.nanmedian(plane))):
        np.testing.assert_allclose(line.slope, 0.5, rtol=1e-9)


@pytest.mark.parametrize("is_turned", [False, True])
def test_slope_where_the_ground_bends(is_turned):
    """Heights 0, 1, 5, alike in every row or in every column: between the first two the slope is 1.

    (The mean of the steps on both sides of the second would be 2.5.)
    """
    height = np.tile([0.0, 1.0, 5.0], (3, 1))
    (line,) = lines_of(height.T if is_turned else height, 0.5)
    np.testing.assert_allclose(line.slope, 1.0, rtol=1e-12)


def test_slope_of_a_row_that_stands_alone():
    """Two rows with gaps around: the slope along the side crossed is all there is."""
    height = np.full((4, 3), np.nan)
    height[1:3, 1] = [0.0, 1.0]
    assert pieces_of(height, 0.5) == []  # no square, no line
    height[1:3, 0] = [0.0, 1.0]
    (line,) = lines_of(height, 0.5)
    np.testing.assert_allclose(line.slope, 1.0)


@pytest.mark.parametrize(("sign", "kind"), [(1.0, "island"), (-1.0, "pond")])
def test_cone(sign, kind):
    """Height 10 - r, over the level 4 within r = 6: a ring of 2 pi 6, slope 1."""
    errors = []
    for cell in (1.0, 0.5, 0.25):
        n = int(20 / cell)
        x, y = centres(n, n, cell, -10.0, 10.0)
        cone = sign * (10.0 - np.hypot(x, y))
        (line,) = lines_of(cone, sign * 4.0, north_up(cell, -10.0, 10.0))
        assert line.kind == kind and line.is_closed
        errors.append(abs(line.length - 2 * np.pi * 6.0))
        np.testing.assert_allclose(line.slope, 1.0, atol=0.04 * cell)
    assert errors[1] < errors[0] / 3 and errors[2] < errors[1] / 3
    assert errors[2] < 0.03


def test_sinuous_shore():
    """X-07: shore y = 5 sin(2 pi x / 50) ft over a chord of 150 ft: arc 163.8575 ft."""
    errors = []
    for cell in (2.0, 1.0, 0.5):
        x, y = centres(int(20 / cell), int(160 / cell) + 1, cell, -5.0 - cell / 2, 10.0)
        ground = y - 5.0 * np.sin(2 * np.pi * x / 50.0)
        (line,) = lines_of(ground, 0.0, north_up(cell, -5.0 - cell / 2, 10.0))
        shape = shapely.clip_by_rect(shapely.LineString(line.xy), 0.0, -99.0, 150.0, 99.0)
        errors.append(163.8575 - shape.length)
    assert errors[0] > errors[1] > errors[2] > 0
    assert errors[2] < 0.05


# --- what is kept and told --------------------------------------------------------------------


def line_through(*xy, kind="shore"):
    xy = np.array(xy, dtype=np.float64)
    return LevelLine(xy, np.ones(len(xy)), kind)


def test_short_pieces_are_counted_by_kind():
    lines = [
        line_through((0, 0), (3, 4)),  # 5
        line_through((0, 0), (0, 4.99)),
        line_through((0, 0), (1, 0), (1, 1), (0, 0), kind="pond"),
        line_through((0, 0), (0, 2), kind="island"),
    ]
    kept, dropped = without_short(lines, {"shore": 5.0, "pond": 4.0})
    assert kept == [lines[0], lines[3]]
    assert dropped == {
        "shore": (1, pytest.approx(4.99)),
        "pond": (1, pytest.approx(2 + np.sqrt(2))),
    }
    assert without_short(lines, {}) == (lines, {})


def test_quantile_goes_by_length():
    """Errors 1 to 4 on 10, 20, 30, 40 ft: half of the length is reached within the third."""
    values, lengths = np.array([4.0, 1.0, 3.0, 2.0]), np.array([40.0, 10.0, 30.0, 20.0])
    assert [quantile(values, lengths, share) for share in (0.1, 0.3, 0.5, 0.6, 0.61, 1.0)] == [
        1.0,
        2.0,
        3.0,
        3.0,
        4.0,
        4.0,
    ]


@given(xy=st.lists(st.tuples(strategies.numbers(-9, 9), strategies.numbers(-9, 9)), min_size=2))
def test_vertices_share_the_length_out(xy):
    xy = np.array(xy)
    assert lengths_at(xy).sum() == pytest.approx(shapely.LineString(xy).length, abs=1e-9)
    assert lengths_at(np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 6.0]])).tolist() == [1.0, 4.0, 3.0]


def test_position_error_never_passes_its_cap():
    """C-16's table, dz 0.328 ft: 1:2, 1:10, 1:20, 1:50; then a slope of 1:1000 and a flat."""
    got = position_errors([0.5, 0.1, 0.05, 0.02, 0.001, 0.0], 0.328, 50.0)
    np.testing.assert_allclose(got, [0.656, 3.28, 6.56, 16.4, 50.0, 50.0], rtol=1e-12)
    assert position_errors([0.0, 1.0], 0.0, 50.0).tolist() == [50.0, 0.0]


# --- smoothing --------------------------------------------------------------------------------


def circle(radius, n=720):
    turn = np.linspace(0.0, -2 * np.pi, n + 1)
    ring = radius * np.column_stack([np.cos(turn), np.sin(turn)])
    ring[-1] = ring[0]
    return LevelLine(ring, np.ones(n + 1), "island")


@pytest.mark.parametrize("start", [0, 100, 500])
def test_smoothing_draws_a_circle_in_as_the_formula_says(start):
    """The mean of a circle's points under a normal weight of the arc is r exp(-s2 / 2 r2).

    Source: the characteristic function of the normal distribution.
    """
    ring = circle(20.0)
    turned = np.roll(ring.xy[:-1], start, axis=0)
    ring = replace(ring, xy=np.vstack([turned, turned[:1]]))
    got, moved = smoothed(ring, 5.0)
    want = 20.0 * np.exp(-(5.0**2) / (2 * 20.0**2))
    np.testing.assert_allclose(np.hypot(*got.xy.T), want, atol=1e-3)
    assert moved == pytest.approx(20.0 - want, abs=1e-3)
    assert (got.xy[0] == got.xy[-1]).all() and len(got.xy) == len(ring.xy)


def test_smoothing_damps_a_small_wave_as_the_formula_says():
    """A wave of small height along a straight shore loses the share 1 - exp(-(2 pi s / w)2 / 2)."""
    x = np.linspace(0.0, 400.0, 4001)
    wave = LevelLine(
        np.column_stack([x, 0.01 * np.sin(2 * np.pi * x / 50)]), np.ones(4001), "shore"
    )
    got, _ = smoothed(wave, 6.0)
    inner = slice(1000, 3000)
    want = np.exp(-((2 * np.pi * 6.0 / 50.0) ** 2) / 2)
    np.testing.assert_allclose(got.xy[inner, 1], want * wave.xy[inner, 1], atol=2e-5)


@given(
    seed=st.integers(0, 2**32 - 1),
    scale=strategies.numbers(0.1, 60.0),
    most=strategies.numbers(0.0, 3.0),
    is_closed=st.booleans(),
)
def test_smoothing_keeps_ends_and_its_word(seed, scale, most, is_closed):
    rng = np.random.default_rng(seed)
    if is_closed:
        line = circle(80.0, 60)
        rough = line.xy + rng.normal(0, 0.3, line.xy.shape)
        rough[-1] = rough[0]
    else:
        rough = np.column_stack([np.arange(50.0), rng.normal(0, 1.0, 50)])
    line = LevelLine(rough, np.arange(len(rough), dtype=float), "island" if is_closed else "shore")
    got, moved = smoothed(line, scale, most)
    far = np.hypot(*(got.xy - line.xy).T)
    assert far.max() == pytest.approx(moved) and moved <= most + 1e-9
    assert (got.slope == line.slope).all() and got.kind == line.kind
    if is_closed:
        assert (got.xy[0] == got.xy[-1]).all()
    else:
        assert (got.xy[[0, -1]] == line.xy[[0, -1]]).all()


def test_smoothing_leaves_a_straight_line_and_asks_for_no_less_than_nothing():
    straight = line_through(*[(k * 1.7, 3.0 - k * 0.4) for k in range(30)])
    got, _ = smoothed(straight, 4.0)
    np.testing.assert_allclose(got.xy, straight.xy, atol=1e-9)
    assert smoothed(straight, 0.0) == (straight, 0.0)
    for scale, most in ((-1.0, 1.0), (1.0, -1.0)):
        with pytest.raises(RangeError):
            smoothed(straight, scale, most)


def test_small_rings_are_not_smoothed_to_dots():
    """A ring of 2 pi 3 ft: smoothed over 2.99 ft, left alone over 3.01 ft."""
    ring = circle(3.0)
    assert smoothed(ring, 2.99)[1] > 1.0
    assert smoothed(ring, 3.01) == (ring, 0.0)


def test_crossings_are_counted():
    cross = line_through((0, 0), (2, 2))
    other = line_through((0, 2), (2, 0))
    eight = line_through((5, 0), (7, 2), (7, 0), (5, 2))
    assert n_crossings([cross, line_through((0, 5), (9, 5))]) == 0
    assert n_crossings([cross, other]) == 1
    assert n_crossings([cross, other, eight]) == 2
    assert n_crossings([]) == 0


# --- the band ---------------------------------------------------------------------------------


def band_of(height, low, high, cell=1.0, west=0.0, north=0.0, block=WHOLE):
    blocks = blocks_of(Ground(np.asarray(height, dtype=np.float64), block))
    parts = [part for one in blocks for part in band_parts(one, low, high)]
    return band(parts, north_up(cell, west, north), 1e-7 * cell)


@pytest.mark.parametrize("block", [WHOLE, (3, 4), (1, 1)])
def test_band_of_the_plane_beach(block):
    """X-02 again: the band is the strip from 100.72 to 107.28 ft, as long as the grid's centres."""
    x, _ = centres(8, 40, 1.0, 90.3, 0.0)
    shape = band_of(0.1 * (x - 100.0), 0.4 - 0.328, 0.4 + 0.328, 1.0, 90.3, 0.0, block)
    want = shapely.box(100.72, -7.5, 107.28, -0.5)
    assert len(shape.geoms) == 1 and shape.is_valid
    assert shape.symmetric_difference(want).area < 1e-5
    np.testing.assert_allclose(shape.bounds, want.bounds, atol=1e-6)


def test_band_of_a_flat_is_the_flat_and_leaves_gaps_out():
    height = np.full((11, 11), 0.1)
    height[5, 5] = np.nan
    shape = band_of(height, -0.2, 0.2)
    assert shape.area == pytest.approx(10 * 10 - 4 * 0.5)  # four squares lose their half
    assert not shape.contains(shapely.Point(5.5, -5.5))
    for off in (5.0, -5.0):
        (block,) = blocks_of(Ground(height + off))
        assert band_parts(block, -0.2, 0.2) == []


@given(heights=strategies.height_grids(), rows=st.integers(1, 6), cols=st.integers(1, 6))
def test_band_does_not_depend_on_blocks_and_holds_what_lies_between(heights, rows, cols):
    low, high = 20.00037, 30.00041
    whole = band_of(heights, low, high)
    blockwise = band_of(heights, low, high, block=(rows, cols))
    assert whole.symmetric_difference(blockwise).area < 1e-5
    for is_in in (True, False):
        between = (heights > low) & (heights < high)
        row, col = np.nonzero(np.isfinite(heights) & (between == is_in))
        has_square = [
            np.isfinite(heights[max(r - 1, 0) : r + 2, max(c - 1, 0) : c + 2]).sum() == 9
            for r, c in zip(row, col, strict=True)
        ]
        points = shapely.points(col[has_square] + 0.5, -(row[has_square] + 0.5))
        assert (shapely.intersects(whole, points) == is_in).all()
