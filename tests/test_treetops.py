"""Treetops: smoothing that keeps out what is not known, and maxima in a window that grows."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geotrim.core.treetops import (
    CellSize,
    cell_size,
    find_treetops,
    flat_tops,
    middles,
    smooth_heights,
    smoothing_reach,
    window_radius,
)
from geotrim.errors import RangeError

ONE = CellSize(1.0, 1.0)


@st.composite
def rasters(draw, most=9):
    """Small heights with many ties, and cells without data."""
    rows, cols = draw(st.integers(1, most)), draw(st.integers(1, most))
    values = st.sampled_from([0.0, 2.0, 5.0, 8.0, 8.0, 11.0, 14.0, np.nan])
    cells = draw(st.lists(values, min_size=rows * cols, max_size=rows * cols))
    return np.array(cells).reshape(rows, cols)


def tops_of(heights, size=ONE, base_ft=1.5, slope_frac=0.1, most_ft=40.0, least=4.0):
    flats = flat_tops(heights, least)
    found = find_treetops(
        heights, flats, size, base_ft=base_ft, slope_frac=slope_frac, most_ft=most_ft
    )
    return [tuple(cell) for cell in found.tolist()]


# ------------------------------------------------------------------------------ cells


def test_sides_of_a_turned_cell():
    """2 by 3 map units of 0.5 ft, turned by 30 degrees."""
    cos, sin = np.cos(np.pi / 6), np.sin(np.pi / 6)
    size = cell_size((2 * cos, 3 * sin, 7.0, 2 * sin, -3 * cos, 9.0), 0.5)
    assert (size.along_row_ft, size.along_col_ft) == pytest.approx((1.0, 1.5))
    assert size.area_ft2 == pytest.approx(1.5)


def test_a_sheared_grid_is_refused():
    with pytest.raises(RangeError, match="sheared"):
        cell_size((1.0, 0.2, 0.0, 0.0, -1.0, 0.0), 1.0)


# ------------------------------------------------------------------------------ smoothing


def naive_smooth(heights, sigma, size):
    """The definition, cell by cell: known cells weighted by a Gaussian of their distance."""
    rows, cols = heights.shape
    reach = int(3 * sigma / size.along_col_ft + 0.5), int(3 * sigma / size.along_row_ft + 0.5)
    out = np.full(heights.shape, np.nan)
    for r in range(rows):
        for c in range(cols):
            if np.isnan(heights[r, c]):
                continue
            total = weights = 0.0
            for i in range(max(r - reach[0], 0), min(r + reach[0] + 1, rows)):
                for j in range(max(c - reach[1], 0), min(c + reach[1] + 1, cols)):
                    if not np.isnan(heights[i, j]):
                        d2 = ((i - r) * size.along_col_ft) ** 2 + ((j - c) * size.along_row_ft) ** 2
                        weight = np.exp(-d2 / (2 * sigma**2))
                        total += weight * heights[i, j]
                        weights += weight
            out[r, c] = total / weights
    return out


@given(heights=rasters(), sigma=st.sampled_from([0.4, 1.0, 1.7]), wide=st.sampled_from([1.0, 2.5]))
def test_smoothing_is_its_definition(heights, sigma, wide):
    size = CellSize(wide, 1.0)
    np.testing.assert_allclose(
        smooth_heights(heights, sigma, size), naive_smooth(heights, sigma, size), atol=1e-6, rtol=0
    )


def test_an_even_canopy_stays_even_beside_a_gap():
    heights = np.full((9, 9), 12.0)
    heights[3:5, 2:8] = np.nan
    smooth = smooth_heights(heights, 2.0, ONE)
    assert (np.isnan(smooth) == np.isnan(heights)).all()
    assert (smooth[~np.isnan(heights)] == 12.0).all()  # level to the last digit: one flat top


def test_no_smoothing_is_none():
    heights = np.array([[3.0, np.nan, 9.0]])
    np.testing.assert_array_equal(smooth_heights(heights, 0.0, ONE), heights)
    assert smoothing_reach(0.0, ONE) == (0, 0)


def test_smoothing_looks_three_sigma_far():
    assert smoothing_reach(2.0, CellSize(3.0, 1.0)) == (6, 2)  # rows of 1 ft, columns of 3 ft


# ------------------------------------------------------------------------------ the window


def test_default_window_is_half_a_published_crown_width():
    """Within 1 ft of half of 2.51503 + 0.00901 h2 (m) from 10 to 70 ft.

    Source: Popescu and Wynne 2004, pines and broadleaves together (from memory).
    """
    from geotrim.core.crown_regions import CrownRules

    rules = CrownRules()
    height_ft = np.arange(10.0, 70.5, 0.5)
    published_ft = (2.51503 + 0.00901 * (height_ft * 0.3048) ** 2) / 2.0 / 0.3048
    ours = window_radius(
        height_ft, rules.window_base_ft, rules.window_slope_frac, rules.radius_max_ft
    )
    assert np.abs(ours - published_ft).max() < 1.0


def test_a_taller_tree_takes_a_wider_window():
    """Beside a top of 20 ft another of 30 ft, 4.5 ft off. Radii: 1 + 0.1 h, 3 and 4 ft."""
    row = np.full((1, 20), 5.0)
    row[0, 4], row[0, 8] = 20.0, 30.0
    assert tops_of(row, base_ft=1.0) == [(0, 4), (0, 8)]
    assert tops_of(row, base_ft=2.0) == [(0, 8)]  # 2 + 2 = 4 ft: the taller is within


def test_the_edge_of_the_window_counts():
    """A window of exactly 3 ft sees what is 3 ft off."""
    row = np.full((1, 9), 5.0)
    row[0, 2], row[0, 5] = 10.0, 11.0
    assert tops_of(row, base_ft=3.0, slope_frac=0.0) == [(0, 5)]
    assert tops_of(row, base_ft=2.9, slope_frac=0.0) == [(0, 2), (0, 5)]


def test_the_window_is_round_and_in_feet():
    """Cells of 3 by 1 ft: a cell 2 columns off is 6 ft away, one 2 rows off 2 ft."""
    heights = np.full((9, 9), 5.0)
    heights[4, 2], heights[4, 4], heights[1, 4] = 10.0, 11.0, 9.0
    size = CellSize(3.0, 1.0)
    assert tops_of(heights, size, base_ft=5.9, slope_frac=0.0) == [(4, 2), (4, 4)]
    assert tops_of(heights, size, base_ft=6.0, slope_frac=0.0) == [(4, 4)]
    assert tops_of(heights, size, base_ft=2.9, slope_frac=0.0) == [(1, 4), (4, 2), (4, 4)]


def test_the_window_is_no_wider_than_stated():
    row = np.full((1, 40), 5.0)
    row[0, 2], row[0, 22] = 100.0, 101.0
    assert tops_of(row, base_ft=20.0, most_ft=40.0) == [(0, 22)]
    assert tops_of(row, base_ft=20.0, most_ft=19.0) == [(0, 2), (0, 22)]


def test_lowest_treetop():
    heights = np.array([[4.0, 0.0, 0.0, 0.0, 3.99]])
    assert tops_of(heights, base_ft=1.0, slope_frac=0.0) == [(0, 0)]
    assert tops_of(np.full((3, 3), np.nan)) == []
    assert tops_of(np.zeros((3, 3))) == []


# ------------------------------------------------------------------------------ ties


def test_a_plateau_gives_one_top_at_its_middle():
    heights = np.full((7, 9), 4.5)
    heights[2:5, 2:7] = 9.0
    assert tops_of(heights) == [(3, 4)]


def test_canopy_of_one_height_all_over_is_one_top():
    assert tops_of(np.full((3, 5), 9.0)) == [(1, 2)]


def test_a_ledge_below_a_higher_cell_is_no_top():
    heights = np.array([[9.0, 9.0, 9.0, 9.0, 9.0, 9.0, 10.0]])
    assert tops_of(heights, base_ft=1.0, slope_frac=0.0) == [(0, 6)]


def test_of_two_equal_tops_the_first_is_kept():
    heights = np.full((5, 5), 5.0)
    heights[3, 0] = heights[1, 3] = 9.0  # row 1 comes before row 3
    assert tops_of(heights, base_ft=4.0, slope_frac=0.0) == [(1, 3)]
    assert tops_of(heights, base_ft=3.0, slope_frac=0.0) == [(1, 3), (3, 0)]


def test_middles_of_bent_patches_are_in_them():
    labels = np.array([[1, 1, 1, 0], [1, 0, 0, 0], [1, 0, 2, 2]])
    cells = middles(labels)
    assert [labels[tuple(cell)] for cell in cells] == [1, 2]


def test_of_cells_as_near_to_the_middle_the_first_row_by_row_is_taken():
    assert middles(np.array([[0, 1], [1, 0]])).tolist() == [[0, 1]]
    assert middles(np.array([[1, 1], [1, 1]])).tolist() == [[0, 0]]


def naive_tops(heights, least, radius_of):
    """The rule, spelled out: patches of one height, their middles, then every window."""
    rows, cols = heights.shape
    cells = [(r, c) for r in range(rows) for c in range(cols) if not np.isnan(heights[r, c])]
    patch_of, patches = {}, []
    for start in cells:
        if start in patch_of:
            continue
        patch, open_ends, is_top = [], [start], True
        patch_of[start] = len(patches)
        while open_ends:
            r, c = open_ends.pop()
            patch.append((r, c))
            for near in [(r + i, c + j) for i in (-1, 0, 1) for j in (-1, 0, 1) if i or j]:
                if near not in cells:
                    continue
                if heights[near] > heights[start]:
                    is_top = False
                elif heights[near] == heights[start] and near not in patch_of:
                    patch_of[near] = len(patches)
                    open_ends.append(near)
        patches.append((sorted(patch), is_top and heights[start] >= least))
    middle = []
    for patch, is_top in patches:
        if is_top:
            r0 = sum(r for r, _ in patch) / len(patch)
            c0 = sum(c for _, c in patch) / len(patch)
            off = [round((r - r0) ** 2 + (c - c0) ** 2, 9) for r, c in patch]
            middle.append(patch[off.index(min(off))])
    return sorted(
        (r, c)
        for r, c in middle
        if not any(
            (heights[i, j] > heights[r, c] or (heights[i, j] == heights[r, c] and (i, j) in middle
             and (i, j) < (r, c)))
            and np.hypot(i - r, j - c) <= radius_of(heights[r, c])
            for i, j in cells
        )
    )  # fmt: skip


@given(heights=rasters(), base_ft=st.sampled_from([0.5, 1.5, 2.5, 4.0]))
def test_treetops_are_their_definition(heights, base_ft):
    expected = naive_tops(heights, 4.0, lambda h: base_ft + 0.1 * h)
    assert tops_of(heights, base_ft=base_ft) == expected


@given(heights=rasters(), rows=st.integers(0, 3), cols=st.integers(0, 3))
def test_moving_the_canopy_moves_its_tops(heights, rows, cols):
    moved = np.full((heights.shape[0] + 5, heights.shape[1] + 5), np.nan)
    moved[rows : rows + heights.shape[0], cols : cols + heights.shape[1]] = heights
    assert tops_of(moved) == [(r + rows, c + cols) for r, c in tops_of(heights)]


@given(heights=rasters(), low=st.sampled_from([1.0, 4.0, 8.0]), more=st.sampled_from([0.5, 4.0]))
def test_a_higher_least_height_adds_no_top(heights, low, more):
    assert set(tops_of(heights, least=low + more)) <= set(tops_of(heights, least=low))
