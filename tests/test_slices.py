"""One pass over a height source: by hand, against numpy, and by the laws of volume."""

from __future__ import annotations

import os
import subprocess
import sys

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geotrim.core.coverage import coverage_fractions, rings_of
from geotrim.core.slices import crowns_by_block, measure_canopy
from geotrim.errors import RangeError, ShapeError
from geotrim.model import CanopyGrid
from tests import strategies
from tests.fakes import north_up
from tests.opendata import ROOT


def measure(polygons, source, **more):
    """All crowns, map units taken for feet."""
    more.setdefault("crown_area_ft2", shapely.area(polygons))
    a, b, _, d, e, _ = source.transform
    more.setdefault("cell_area_ft2", abs(a * e - b * d))
    return measure_canopy(rings_of(polygons), source, **more)


def percentile_99(heights, weights):
    """The definition, read aloud: least height with at most 1 % of the weight above it."""
    for height in np.unique(heights):
        if weights[heights > height].sum() <= 0.01 * weights.sum() * (1 + 1e-9):
            return height
    return np.nan


def by_numpy(polygon, heights, transform, breaks, base, least):
    """The plain numpy line, one crown at a time."""
    share = coverage_fractions(polygon, transform, heights.shape)
    good = np.isfinite(heights) & (share > 0)
    h, w = heights[good], share[good]
    counts = w >= least
    above = [(w * np.maximum(h - max(low, base), 0.0)).sum() for low in breaks]
    return {
        "seen": w.sum(),
        "top": h[counts].max(initial=-np.inf),
        "mean": (w * h).sum() / w.sum() if w.sum() else np.nan,
        "p99": percentile_99(h[counts], w[counts]) if counts.any() else np.nan,
        "above": np.array(above) if w.sum() else np.full(len(breaks), np.nan),
    }


@pytest.mark.jit
def test_flat_canopy_by_hand():
    """A 10 ft square crown, 8 ft tall: 100 ft2 by 6 ft below, by 2 ft above."""
    seen = measure([shapely.box(3, 4, 13, 14)], CanopyGrid(np.full((20, 20), 8.0), 0, 20, 1.0))
    assert seen.over_ft3(0.0) == pytest.approx([800.0])
    assert seen.over_ft3(6.0) == pytest.approx([200.0])
    assert seen.over_ft3(10.0).tolist() == [0.0]
    assert (seen.top_ft[0], seen.p99_ft[0]) == (8.0, 8.0)
    assert seen.mean_ft == pytest.approx([8.0])
    assert seen.covered_frac == pytest.approx([1.0])
    assert seen.is_partial.tolist() == [False]


@pytest.mark.jit
def test_two_heights_by_hand():
    """Left half 4 ft, right half 12 ft, the crown half and half: 2 x 1 ft each.

    Over 0: 2 x 4 + 2 x 12 = 32; over 6: 2 x 6 = 12; over 10: 2 x 2 = 4. Solid from a base of 5 ft:
    only the right half has any, 2 x 7 = 14, 12 and 4.
    """
    source = north_up([[4.0, 4.0, 12.0, 12.0]], north=1.0)
    crown = [shapely.box(0, 0, 4, 1)]
    seen = measure(crown, source)
    assert [float(seen.over_ft3(b)[0]) for b in (0, 6, 10)] == [32.0, 12.0, 4.0]
    assert seen.mean_ft.tolist() == [8.0]
    seen = measure(crown, source, base_ft=5.0)
    assert [float(seen.over_ft3(b)[0]) for b in (0, 6, 10)] == [14.0, 12.0, 4.0]
    assert seen.top_ft.tolist() == [12.0]


@pytest.mark.jit
def test_what_is_not_seen_by_hand():
    """Four cells: 8 ft, no data, infinite, and one off the grid. A quarter is seen."""
    source = north_up([[8.0, np.nan, np.inf]], north=1.0)
    off = shapely.box(50, 50, 51, 51)
    blind = shapely.box(1, 0, 2, 1)
    seen = measure([shapely.box(0, 0, 4, 1), off, blind, None], source)
    assert seen.covered_frac[:3].tolist() == [0.25, 0.0, 0.0]
    assert np.isnan(seen.covered_frac[3])
    assert seen.is_partial.all()
    assert seen.over_ft3(0.0)[0] == 8.0
    for column in (seen.top_ft, seen.p99_ft, seen.mean_ft, seen.over_ft3(0.0)):
        assert np.isfinite(column).tolist() == [True, False, False, False]


@pytest.mark.jit
def test_heights_below_the_substrate_hold_nothing():
    seen = measure([shapely.box(0, 0, 2, 1)], north_up([[-3.0, 5.0]], north=1.0))
    assert seen.over_ft3(0.0).tolist() == [5.0]
    assert seen.mean_ft.tolist() == [1.0]


@pytest.mark.jit
def test_a_sliver_does_not_make_the_top():
    """A 40 ft cell covered by 0.5 % counts for the volume and not for the top."""
    source = north_up([[9.0, 40.0]], north=1.0)
    crown = [shapely.box(0, 0, 1.005, 1)]
    seen = measure(crown, source)
    assert seen.top_ft.tolist() == [9.0]
    assert seen.p99_ft.tolist() == [9.0]
    assert seen.over_ft3(0.0) == pytest.approx([9.2])
    assert measure(crown, source, min_coverage_frac=0.005).top_ft.tolist() == [40.0]
    assert measure(crown, source, min_coverage_frac=0.0).top_ft.tolist() == [40.0]
    all_of_it = measure(crown, source, min_coverage_frac=1.0)
    assert all_of_it.top_ft.tolist() == [9.0]
    tiny = measure([shapely.box(0, 0, 0.05, 0.05)], source)
    assert np.isnan(tiny.top_ft[0]) and np.isnan(tiny.p99_ft[0])
    assert tiny.over_ft3(0.0) == pytest.approx([0.0025 * 9.0])


@pytest.mark.jit
def test_percentile_by_hand():
    """Heights 1 to 100 on 100 whole cells: only the 100 lies above 99, which is 1 % exactly."""
    heights = np.random.default_rng(3).permutation(np.arange(1.0, 101.0)).reshape(10, 10)
    crown = [shapely.box(0, 0, 10, 10)]
    for block in ((10, 10), (3, 4), (1, 1)):
        source = north_up(heights, north=10.0, block_shape=block)
        assert measure(crown, source).p99_ft.tolist() == [99.0]
    # 101 cells: 1 % is 1.01 cells, so again one cell may lie above
    source = north_up(np.arange(1.0, 102.0)[None, :], north=1.0)
    assert measure([shapely.box(0, 0, 101, 1)], source).p99_ft.tolist() == [100.0]
    # 99 cells: 0.99 of a cell may, so none
    assert measure([shapely.box(0, 0, 99, 1)], source).p99_ft.tolist() == [99.0]


@pytest.mark.jit
@given(
    polygons=st.lists(strategies.crowns(), min_size=1, max_size=4),
    transform=strategies.transforms(),
    heights=strategies.height_grids(),
    breaks=strategies.breaks_to(70.0),
    base=st.sampled_from([0.0, 0.0, 4.5, 30.0]),
    least=st.sampled_from([0.0, 0.01, 0.5]),
    block=st.tuples(st.integers(1, 9), st.integers(1, 11)),
)
def test_the_pass_is_what_numpy_gives(polygons, transform, heights, breaks, base, least, block):
    """Any crowns, any grid, any blocks: the same as one crown at a time on the whole array."""
    source = north_up(heights, block_shape=block)
    source.transform = transform
    got = measure(polygons, source, breaks_ft=breaks, base_ft=base, min_coverage_frac=least)
    a, b, _, d, e, _ = transform
    cell_area = abs(a * e - b * d)
    for i, polygon in enumerate(polygons):
        want = by_numpy(polygon, heights, transform, breaks, base, max(least - 1e-9, 1e-12))
        seen_frac = want["seen"] * cell_area / polygon.area
        np.testing.assert_allclose(got.covered_frac[i], seen_frac, rtol=1e-9, atol=1e-9)
        if want["seen"] < 1e-9:
            continue
        assert got.top_ft[i] == want["top"] or (np.isnan(got.top_ft[i]) and want["top"] == -np.inf)
        np.testing.assert_equal(got.p99_ft[i], want["p99"])
        np.testing.assert_allclose(got.mean_ft[i], want["mean"], rtol=1e-9, atol=1e-9)
        np.testing.assert_allclose(
            got.above_ft3[i], want["above"] * cell_area, rtol=1e-9, atol=1e-9 * cell_area
        )


@pytest.mark.jit
@given(
    polygon=strategies.crowns(),
    heights=strategies.height_grids(),
    breaks=strategies.breaks_to(80.0),
    base=st.sampled_from([0.0, 7.0]),
)
def test_slices_add_up_to_the_whole(polygon, heights, breaks, base):
    """However the heights are cut, no volume is made or lost, and no slice is below nothing."""
    source = north_up(heights, north=9.0)
    seen = measure([polygon], source, breaks_ft=breaks, base_ft=base)
    slices = seen.above_ft3[0, :-1] - seen.above_ft3[0, 1:]
    if np.isnan(slices).any():
        assert seen.covered_frac[0] == 0.0
        return
    assert (slices >= 0.0).all()
    assert seen.above_ft3[0, -1] == 0.0
    assert slices.sum() == pytest.approx(seen.above_ft3[0, 0], rel=1e-12, abs=1e-12)


@pytest.mark.jit
@given(
    polygons=st.lists(strategies.crowns(), min_size=1, max_size=3),
    heights=strategies.height_grids(),
    block=st.tuples(st.integers(1, 9), st.integers(1, 11)),
)
def test_blocks_change_nothing_and_are_read_once(polygons, heights, block):
    whole = measure(polygons, north_up(heights, north=9.0))
    source = north_up(heights, north=9.0, block_shape=block)
    cut = measure(polygons, source)
    assert len(set(source.reads)) == len(source.reads)
    np.testing.assert_array_equal(cut.top_ft, whole.top_ft)
    np.testing.assert_array_equal(cut.p99_ft, whole.p99_ft)
    # a sliver in one cut may be below what counts as covered at all
    np.testing.assert_allclose(cut.above_ft3, whole.above_ft3, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(cut.covered_frac, whole.covered_frac, rtol=1e-9, atol=1e-9)


@pytest.mark.jit
@given(
    polygon=strategies.crowns(low=2.0, high=8.0),
    heights=strategies.height_grids(),
    turn=st.floats(0.0, 6.28),
    move=st.tuples(st.floats(-1e4, 1e4), st.floats(-1e4, 1e4)),
)
def test_moving_and_turning_the_site_changes_nothing(polygon, heights, turn, move):
    """Grid and crown go together; so does a grid turned south-up."""
    here = measure([polygon], north_up(heights, north=9.0))
    cos, sin = np.cos(turn), np.sin(turn)
    spin = np.array([[cos, -sin], [sin, cos]])
    moved = shapely.transform(polygon, lambda xy: xy @ spin.T + move)
    source = north_up(heights)
    west, north = spin @ (0.0, 9.0) + move
    source.transform = (cos, sin, float(west), sin, -cos, float(north))
    there = measure([moved], source)
    np.testing.assert_allclose(there.above_ft3, here.above_ft3, rtol=1e-7, atol=1e-7)
    np.testing.assert_allclose(there.covered_frac, here.covered_frac, rtol=1e-7, atol=1e-7)
    source = north_up(heights[::-1])
    source.transform = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0)
    flipped = measure([polygon], source)
    np.testing.assert_allclose(flipped.above_ft3, here.above_ft3, rtol=1e-12, atol=1e-12)
    np.testing.assert_array_equal(flipped.top_ft, here.top_ft)


@given(polygon=strategies.crowns(low=2.0, high=8.0), heights=strategies.height_grids())
def test_feet_and_metres_give_the_same(polygon, heights):
    """Source: one foot is 0.3048 m exactly (85 FR 62698)."""
    in_ft = measure([polygon], north_up(heights, north=9.0))
    in_m = measure([polygon], north_up(heights * 0.3048, north=9.0, feet_per_unit=1 / 0.3048))
    np.testing.assert_allclose(in_m.above_ft3, in_ft.above_ft3, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(in_m.top_ft, in_ft.top_ft, rtol=1e-12)
    np.testing.assert_allclose(in_m.mean_ft, in_ft.mean_ft, rtol=1e-9, atol=1e-12)


@given(polygon=strategies.crowns(low=2.0, high=8.0), heights=strategies.height_grids())
def test_single_precision_is_measured_as_it_stands(polygon, heights):
    rounded = heights.astype(np.float32)
    single = measure([polygon], north_up(rounded, north=9.0))
    double = measure([polygon], north_up(rounded.astype(np.float64), north=9.0))
    np.testing.assert_array_equal(single.above_ft3, double.above_ft3)
    np.testing.assert_array_equal(single.top_ft, double.top_ft)


@pytest.mark.jit
def test_dome_matches_spherical_cap():
    """The part of a ball above a flat cut: V = pi h^2 (3 R - h) / 3.

    Source: Weisstein, "Spherical Cap", MathWorld; standard handbooks. The error must shrink as
    the cells do.
    """
    radius_ft, cap_ft = 20.0, 6.0
    expected = np.pi * cap_ft**2 * (3 * radius_ft - cap_ft) / 3
    crown = shapely.Point(0.0, 0.0).buffer(radius_ft, quad_segs=400)
    errors = []
    for cell in (2.0, 1.0, 0.5):
        n = round(2 * radius_ft / cell)
        x, y = np.meshgrid(
            (np.arange(n) + 0.5) * cell - radius_ft, (np.arange(n) + 0.5) * cell - 20
        )
        dome = np.sqrt(np.maximum(radius_ft**2 - x**2 - y**2, 0.0))
        source = north_up(dome, west=-radius_ft, north=radius_ft, cell=cell, block_shape=(7, 9))
        seen = measure([crown], source, breaks_ft=[0.0, radius_ft - cap_ft])
        errors.append(abs(float(seen.over_ft3(radius_ft - cap_ft)[0]) / expected - 1))
    assert errors == sorted(errors, reverse=True)
    assert errors[-1] < 1e-3


def test_a_crown_brings_its_own_cell_area():
    """Where the grid has no area in feet: 100 ft2 of crown over 4 cells is 25 ft2 a cell."""
    source = north_up([[8.0, 8.0], [8.0, 8.0]], north=2.0)
    seen = measure([shapely.box(0, 0, 2, 2)], source, crown_area_ft2=[100.0], cell_area_ft2=None)
    assert seen.over_ft3(0.0).tolist() == [800.0]


def test_leaving_out_the_percentile_leaves_the_rest():
    heights = np.random.default_rng(1).uniform(0, 30, (20, 20))
    crowns = [shapely.Point(10, 10).buffer(6), shapely.Point(3, 4).buffer(2)]
    full, short = (
        measure(crowns, north_up(heights, north=20.0), want_p99=want) for want in (True, False)
    )
    assert np.isnan(short.p99_ft).all()
    assert (full.p99_ft <= full.top_ft).all()
    np.testing.assert_array_equal(short.above_ft3, full.above_ft3)


def test_no_crowns():
    seen = measure([], north_up([[1.0]]), crown_area_ft2=[])
    assert seen.top_ft.shape == (0,)
    assert seen.above_ft3.shape == (0, 3)


def test_only_touched_blocks_are_read():
    source = north_up(np.ones((40, 40)), north=40.0, block_shape=(10, 10))
    measure([shapely.box(11, 11, 12, 12), shapely.box(13, 11, 14, 12)], source)
    assert source.reads == [(20, 30, 10, 20)]


@given(
    windows=st.lists(
        st.tuples(st.integers(0, 30), st.integers(0, 9), st.integers(0, 30), st.integers(0, 9)),
        max_size=6,
    ),
    block=st.tuples(st.integers(1, 8), st.integers(1, 8)),
)
def test_every_crown_meets_its_blocks(windows, block):
    """Against a loop over cells."""
    array = np.array([(r, r + h, c, c + w) for r, h, c, w in windows], dtype=np.int64)
    array = array.reshape(-1, 4)
    crowns, blocks, across = crowns_by_block(array, block)
    got = {(int(i), int(b) // across, int(b) % across) for i, b in zip(crowns, blocks, strict=True)}
    want = {
        (i, row // block[0], col // block[1])
        for i, (row0, row1, col0, col1) in enumerate(array)
        for row in range(row0, row1)
        for col in range(col0, col1)
    }
    assert got == want
    assert len(got) == crowns.size
    assert (np.diff(blocks) >= 0).all()


@pytest.mark.parametrize("bad", [[0.0, 10.0, 6.0], [0.0, 6.0, 6.0], [], [0.0, np.nan], 6.0])
def test_breaks_must_rise(bad):
    with pytest.raises(RangeError, match=r"breaks_ft: found .*; needed heights that rise"):
        measure([shapely.box(0, 0, 1, 1)], north_up([[1.0]]), breaks_ft=bad)


def test_a_break_that_was_not_measured_is_told():
    seen = measure([shapely.box(0, 0, 1, 1)], north_up([[1.0]], north=1.0))
    with pytest.raises(RangeError, match="found 7 ft; needed one of 0, 6, 10"):
        seen.over_ft3(7.0)


def test_shapes_must_fit():
    crowns = [shapely.box(0, 0, 1, 1)]
    with pytest.raises(ShapeError, match="base_ft: found an array of shape \\(2,\\); needed one"):
        measure(crowns, north_up([[1.0]]), base_ft=[1.0, 2.0])
    source = north_up([[1.0, 2.0]], north=1.0)
    source.read = lambda *window: np.zeros((1, 1))
    with pytest.raises(ShapeError, match="a block of shape \\(1, 1\\); needed \\(1, 2\\)"):
        measure(crowns, source)


def test_the_compiler_changes_no_bit():
    """One fixed case, in a process of its own with the compiler on and with it off."""
    code = (
        "import numpy as np, shapely\n"
        "from geotrim.core.slices import measure_canopy\n"
        "from geotrim.core.coverage import rings_of\n"
        "from tests.fakes import north_up\n"
        "rng = np.random.default_rng(11)\n"
        "heights = rng.uniform(-1, 40, (30, 40)).astype(np.float32)\n"
        "heights[rng.random(heights.shape) < 0.1] = np.nan\n"
        "source = north_up(heights, 5e5, 1.2e6, 1.7, block_shape=(16, 16))\n"
        "middles = rng.uniform((5e5, 1.2e6 - 50), (5e5 + 70, 1.2e6), (12, 2))\n"
        "crowns = shapely.buffer(shapely.points(middles), rng.uniform(2, 9, 12), quad_segs=5)\n"
        "holes = shapely.buffer(shapely.points(middles[:3]), 1)\n"
        "crowns[:3] = shapely.difference(crowns[:3], holes)\n"
        "seen = measure_canopy(rings_of(crowns), source, crown_area_ft2=shapely.area(crowns),\n"
        "    cell_area_ft2=1.7**2, breaks_ft=[0, 6, 10, 16, 24], base_ft=2.0)\n"
        "for name in ('covered_frac', 'top_ft', 'p99_ft', 'mean_ft', 'above_ft3'):\n"
        "    print(name, getattr(seen, name).tobytes().hex())\n"
    )
    told = []
    for switch in ("0", "1"):
        done = subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "NUMBA_DISABLE_JIT": switch},
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=True,
        )
        told.append(done.stdout)
    assert "above_ft3" in told[0]
    assert told[0] == told[1]
