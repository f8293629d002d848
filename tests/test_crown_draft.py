"""Crowns drafted from heights: known canopies, regions, outlines, confidence, blocks."""

from __future__ import annotations

from dataclasses import fields, replace
from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geotrim.core import crown_draft
from geotrim.core.cell_outlines import cell_outlines
from geotrim.core.crown_confidence import (
    REASONS,
    CrownMeasures,
    confidence,
    measure_crowns,
    reasons,
    shares,
)
from geotrim.core.crown_draft import draft_crowns
from geotrim.core.crown_regions import (
    CrownRules,
    cut_to_crowns,
    drop_small,
    fill_holes,
    flood,
    sure_crowns,
)
from geotrim.core.treetops import CellSize
from geotrim.errors import RangeError
from geotrim.model import CanopyGrid

ONE = CellSize(1.0, 1.0)
CLOSED = np.zeros(4, dtype=bool)
WEST, NORTH = 283_000.0, 1_183_000.0


def grid(heights, cell=1.0):
    return CanopyGrid(heights, WEST, NORTH, cell)


class Laid:
    """Heights on a grid laid any way; a height source."""

    def __init__(self, heights, transform):
        self.heights, self.transform = heights, transform
        self.shape = self.block_shape = heights.shape
        self.crs, self.feet_per_unit, self.rmse_ft = None, 1.0, None

    def read(self, row0, row1, col0, col1):
        return self.heights[row0:row1, col0:col1]


def canopy(trees, shape, cell=0.5, ground=0.0):
    """Heights of trees (x, y from the north-west corner, height, radius, kind), highest wins."""
    y, x = (np.mgrid[: shape[0], : shape[1]] + 0.5) * cell
    out = np.full(shape, ground)
    for tx, ty, height, radius, kind in trees:
        r = np.hypot(x - tx, y - ty) / radius
        crown = {
            "cone": height * (1 - r),
            "dome": height * np.sqrt(np.clip(1 - r**2, 0, None)),
            "half up": height * (0.55 + 0.45 * np.sqrt(np.clip(1 - r**2, 0, None))),
        }[kind]
        out = np.maximum(out, np.where(r < 1, crown, 0.0))
    return out


def spaced(kind, step, radius=9.0, n=5):
    """Trees on a lattice, heights from 12 to 30 ft, none in line with the cells."""
    places = [(i, j) for i in range(n) for j in range(n)]
    return [
        (step * (j + 1) + 0.21 * i, step * (i + 1) + 0.13 * j, 12 + 18 * k / (n * n), radius, kind)
        for k, (i, j) in enumerate(places)
    ]


# ------------------------------------------------------------------------------ known canopies


# Share of the ground a tree stands on that lies at half its height or over, where crowns end:
# a cone is half as wide half way up, so a quarter; a half-ellipsoid is sqrt(3)/2 as wide, so three
# quarters (solid geometry); the third kind never falls under 0.55 of its height inside.
@pytest.mark.parametrize(("kind", "share"), [("cone", 0.25), ("dome", 0.75), ("half up", 1.0)])
def test_separate_trees_are_all_found_with_their_area(kind, share):
    trees = spaced(kind, 22.0)
    draft = draft_crowns(grid(canopy(trees, (270, 270)), 0.5), 1.0)
    assert len(draft) == len(trees) == draft.counts.n_tops
    tips = {(x, y): height for x, y, height, *_ in trees}
    for outline, top, height in zip(
        draft.outlines, draft.top_xy, draft.measures.height_ft, strict=True
    ):
        x, y = top[0] - WEST, NORTH - top[1]
        tip = min(tips, key=lambda t: np.hypot(t[0] - x, t[1] - y))
        assert np.hypot(tip[0] - x, tip[1] - y) < 0.75  # within a cell and a half
        # the cell's middle may be half a diagonal off the tip of the steepest tree
        assert height == pytest.approx(tips.pop(tip), abs=0.36 * 30 / 9)
        assert outline.area == pytest.approx(share * np.pi * 9.0**2, rel=0.06)
        assert outline.contains(shapely.Point(top))
    assert not tips
    assert (draft.measures.closed_ft == 0).all()


def test_two_equal_domes_meet_half_way():
    """Tips 10 ft apart, radius 9 ft: the saddle is at 20 sqrt(1 - (5 / 9)^2) = 16.63 ft."""
    trees = [(20.0, 20.0, 20.0, 9.0, "dome"), (30.0, 20.0, 20.0, 9.0, "dome")]
    draft = draft_crowns(grid(canopy(trees, (160, 200), 0.25), 0.25), 1.0, CrownRules(smooth_ft=0))
    assert len(draft) == 2
    saddle = 20.0 * np.sqrt(1 - (5 / 9) ** 2)
    np.testing.assert_allclose(draft.measures.saddle_ft, saddle, atol=0.2)
    left, right = draft.outlines
    assert left.area == pytest.approx(right.area, rel=0.02)
    shared = shapely.intersection(left, right)
    assert shared.length > 10
    assert shared.bounds[2] - WEST == pytest.approx(25.0, abs=0.3)


@pytest.mark.parametrize("spacing", [10.0, 14.0, 20.0])
def test_overlapping_domes_are_counted(spacing):
    """Equal crowns of 9 ft radius that stand closer or wider than they are broad."""
    trees = [
        (spacing * (j + 1), spacing * (i + 1), 20.0 + 0.01 * (i + 7 * j), 9.0, "dome")
        for i in range(4)
        for j in range(4)
    ]
    side = int(spacing * 5 / 0.5)
    assert len(draft_crowns(grid(canopy(trees, (side, side)), 0.5), 1.0)) == 16


def test_more_noise_less_confidence():
    trees = [
        (12.0 * (j + 1), 12.0 * (i + 1), 20.0, 9.0, "half up") for i in range(5) for j in range(5)
    ]
    still = canopy(trees, (90, 90), 1.0)
    noise = np.random.default_rng(3).normal(size=still.shape)
    medians = []
    for level in (0.0, 0.5, 1.0, 2.0):
        heights = np.where(still > 0, still + level * noise, 0.0)
        medians.append(np.median(confidence(shares(draft_crowns(grid(heights), 1.0).measures))))
    assert all(one > other for one, other in pairwise(medians))


def test_a_low_hedge_keeps_its_width():
    """A tree of 6 ft, 5 by 20 ft and flat, on bare ground: 100 ft2, whatever the smoothing."""
    heights = np.zeros((60, 80))
    heights[20:30, 20:60] = 6.0
    for smooth_ft in (0.0, 1.0, 3.0):
        draft = draft_crowns(grid(heights, 0.5), 1.0, CrownRules(smooth_ft=smooth_ft))
        assert [o.area for o in draft.outlines] == [pytest.approx(100.0 - 0.5 * 0.25)]
        assert draft.measures.height_ft == 6.0


def test_feet_and_metres_give_the_same_crowns():
    """The same ground in metres: 0.3048 of everything in map units, the same feet."""
    heights = canopy(spaced("half up", 15.0), (180, 180))
    feet = draft_crowns(grid(heights, 0.5), 1.0)
    metres = draft_crowns(grid(heights, 0.5 * 0.3048), 1 / 0.3048)
    assert len(feet) == len(metres) == 25
    np.testing.assert_allclose(
        shapely.area(metres.outlines) / 0.3048**2, shapely.area(feet.outlines), rtol=1e-6
    )
    np.testing.assert_allclose(metres.measures.edge_ft, feet.measures.edge_ft)


@pytest.mark.parametrize(
    "transform",
    [
        (1.0, 0.0, 0.0, 0.0, 1.0, 0.0),  # south-up
        (0.8, 0.6, 50.0, 0.6, -0.8, 70.0),  # turned
        (0.0, 1.0, 0.0, 1.0, 0.0, 0.0),  # rows run east
    ],
)
def test_a_grid_laid_another_way_gives_the_same_crowns_there(transform):
    heights = canopy(spaced("half up", 15.0), (90, 90), 1.0)
    plain = draft_crowns(Laid(heights, (1.0, 0.0, 0.0, 0.0, -1.0, 0.0)), 1.0)
    laid = draft_crowns(Laid(heights, transform), 1.0)
    a, b, c, d, e, f = transform
    moved = [shapely.affinity.affine_transform(o, (a, -b, d, -e, c, f)) for o in plain.outlines]
    for outline in moved:
        assert any(outline.equals_exact(o, 1e-6, normalize=True) for o in laid.outlines)
    order = np.lexsort((laid.top_xy[:, 0], -laid.top_xy[:, 1]))
    assert (order == np.arange(25)).all()  # from north to south, however the grid is laid


# ------------------------------------------------------------------------------ laws


@st.composite
def canopies(draw):
    """Small rough canopies with gaps, missing cells and ties."""
    rows, cols = draw(st.integers(6, 16)), draw(st.integers(6, 16))
    rng = np.random.default_rng(draw(st.integers(0, 10**6)))
    trees = [
        (rng.uniform(0, cols), rng.uniform(0, rows), rng.uniform(5, 30), rng.uniform(2, 6), kind)
        for kind in rng.choice(["cone", "dome", "half up"], draw(st.integers(1, 7)))
    ]
    heights = canopy(trees, (rows, cols), 1.0)
    heights += draw(st.sampled_from([0.0, 0.7])) * rng.normal(size=heights.shape)
    heights[rng.random(heights.shape) < draw(st.sampled_from([0.0, 0.05]))] = np.nan
    return np.round(heights, draw(st.sampled_from([0, 2])))


@given(heights=canopies())
def test_crowns_are_apart_whole_and_known(heights):
    draft = draft_crowns(grid(heights), 1.0)
    outlines = draft.outlines
    assert all(o.geom_type == "Polygon" and o.is_valid for o in outlines)
    assert shapely.coverage_is_valid(outlines)
    assert shapely.union_all(outlines).area == pytest.approx(shapely.area(outlines).sum())
    assert shapely.contains(outlines, shapely.points(draft.top_xy)).all()
    rows, cols = np.nonzero(np.isnan(heights))
    unknown = shapely.points(WEST + cols + 0.5, NORTH - rows - 0.5)
    assert not any(shapely.intersects(o, unknown).any() for o in outlines)
    # the corners cut: half a cell for each shell, and back for each hole
    n_holes = shapely.get_num_interior_rings(outlines)
    cells = shapely.area(outlines) + 0.5 - 0.5 * n_holes
    np.testing.assert_allclose(cells, draft.measures.n_cells)


@given(heights=canopies(), east=st.integers(-999, 999), north=st.integers(-999, 999))
def test_moving_the_raster_moves_the_crowns(heights, east, north):
    here = draft_crowns(grid(heights), 1.0)
    there = draft_crowns(CanopyGrid(heights, WEST + east, NORTH + north, 1.0), 1.0)
    moved = [shapely.affinity.translate(o, east, north) for o in here.outlines]
    assert len(moved) == len(there.outlines)
    assert all(a.equals_exact(b, 1e-6) for a, b in zip(moved, there.outlines, strict=True))


@given(heights=canopies(), more=st.sampled_from([1.0, 3.0, 9.0]))
def test_a_higher_least_height_adds_no_crown(heights, more):
    low = draft_crowns(grid(heights), 1.0)
    high = draft_crowns(grid(heights), 1.0, CrownRules(height_min_ft=4.0 + more))
    assert set(map(tuple, high.top_xy)) <= set(map(tuple, low.top_xy))


@given(heights=canopies(), edge=st.sampled_from([0.6, 0.8]))
def test_a_stricter_edge_only_takes_cells_away(heights, edge):
    rules = CrownRules(hole_max_ft2=0.0)
    wide = draft_crowns(grid(heights), 1.0, rules)
    slim = draft_crowns(grid(heights), 1.0, replace(rules, edge_frac=edge))
    of = {tuple(top): n for top, n in zip(wide.top_xy, wide.measures.n_cells, strict=True)}
    for top, n in zip(slim.top_xy, slim.measures.n_cells, strict=True):
        assert n <= of[tuple(top)]


# ------------------------------------------------------------------------------ blocks


def same(one, other):
    assert len(one) == len(other)
    assert (shapely.to_wkb(one.outlines) == shapely.to_wkb(other.outlines)).all()
    for column in fields(CrownMeasures):
        np.testing.assert_array_equal(
            getattr(one.measures, column.name), getattr(other.measures, column.name)
        )
    assert one.counts == other.counts


@pytest.fixture(scope="module")
def forest():
    """400 trees in 150 by 170 ft: closed canopy, glades, noise and missing cells."""
    rng = np.random.default_rng(11)
    trees = [
        (rng.uniform(0, 170), rng.uniform(0, 150), rng.uniform(8, 40), rng.uniform(3, 9), kind)
        for kind in rng.choice(["cone", "dome", "half up"], 400)
    ]
    heights = canopy(trees, (150, 170), 1.0)
    heights = np.where(heights > 0, heights + rng.normal(0, 0.4, heights.shape), heights)
    heights[rng.random(heights.shape) < 0.002] = np.nan
    return heights


@pytest.mark.parametrize("block", [13, 40, 64, 151])
@pytest.mark.parametrize("radius_ft", [6.0, 40.0])
def test_blocks_change_no_crown(forest, block, radius_ft):
    """Also where surroundings of 12 ft must be widened before they settle the crowns."""
    rules = CrownRules(radius_max_ft=radius_ft)
    whole = draft_crowns(grid(forest), 1.0, rules, block_cells=1000)
    assert len(whole) > 100 and whole.counts.n_unsure == 0
    same(draft_crowns(grid(forest), 1.0, rules, block_cells=block), whole)


def test_a_flat_top_longer_than_the_surroundings_is_one_tree():
    """A hedge 140 ft long and of one height: its middle is its top, whatever the block."""
    heights = np.zeros((9, 160))
    heights[3:6, 10:150] = 12.0
    rules = CrownRules(radius_max_ft=5.0, smooth_ft=0.0)
    whole = draft_crowns(grid(heights), 1.0, rules)
    assert whole.top_xy.tolist() == [[WEST + 79.5, NORTH - 4.5]]
    for block in (7, 20, 33):
        same(draft_crowns(grid(heights), 1.0, rules, block_cells=block), whole)


def bent_flat(seed):
    """One patch of one height along a random walk."""
    rng = np.random.default_rng(seed)
    heights = np.zeros((48, 48))
    row, col = 24, 24
    for _ in range(60):
        heights[row : row + 3, col : col + 3] = 12.0
        step = rng.integers(-3, 4, 2)
        row, col = np.clip((row + step[0], col + step[1]), 2, 42)
    return heights


@pytest.mark.parametrize("seed", range(4))
def test_bent_flat_tops_do_not_depend_on_the_blocks(seed):
    rules = CrownRules(radius_max_ft=5.0, smooth_ft=0.0, window_slope_frac=0.0)
    whole = draft_crowns(grid(bent_flat(seed)), 1.0, rules)
    same(draft_crowns(grid(bent_flat(seed)), 1.0, rules, block_cells=9), whole)


def test_a_wide_smoothing_does_not_depend_on_the_blocks(forest):
    rules = CrownRules(radius_max_ft=5.0, smooth_ft=9.0)  # looks 27 ft far, over 17 of surroundings
    whole = draft_crowns(grid(forest), 1.0, rules, block_cells=1000)
    same(draft_crowns(grid(forest), 1.0, rules, block_cells=25), whole)


def test_a_flat_top_that_goes_on_by_corners(monkeypatch):
    """A chain of 2 by 2 cells from corner to corner: one flat top, so one tree, on 4 cells."""
    heights = np.zeros((62, 62))
    for k in range(0, 60, 2):
        heights[k : k + 2, k : k + 2] = 12.0
    rules = CrownRules(radius_max_ft=5.0, smooth_ft=0.0, area_min_ft2=0.0)
    whole = draft_crowns(grid(heights), 1.0, rules)
    assert [outline.area for outline in whole.outlines] == [3.5]
    same(draft_crowns(grid(heights), 1.0, rules, block_cells=8), whole)
    monkeypatch.setattr(crown_draft, "CELLS_MOST", 1)
    counts = draft_crowns(grid(heights), 1.0, rules, block_cells=8).counts
    assert counts.n_unsure == counts.n_tops > 1


def test_crowns_that_cannot_be_settled_are_counted(forest, monkeypatch):
    """With surroundings that may not be widened, closed canopy stays open to the outside."""
    monkeypatch.setattr(crown_draft, "CELLS_MOST", 1)
    draft = draft_crowns(grid(forest), 1.0, CrownRules(radius_max_ft=6.0), block_cells=40)
    assert 0 < draft.counts.n_unsure < draft.counts.n_tops


def test_only_crowns_that_meet_the_area_are_kept(forest):
    near = shapely.Point(WEST + 90.0, NORTH - 70.0).buffer(25.0)
    whole = draft_crowns(grid(forest), 1.0)
    part = draft_crowns(grid(forest), 1.0, near=near, block_cells=20)
    meets = shapely.intersects(whole.outlines, near)
    assert 0 < meets.sum() < len(whole)
    assert (shapely.to_wkb(part.outlines) == shapely.to_wkb(whole.outlines[meets])).all()
    assert part.counts.n_cells < whole.counts.n_cells


def test_a_crown_that_reaches_into_the_area_from_a_block_off_it_is_kept():
    """Treetop at column 4, crown to column 10, area from column 8, blocks of 3."""
    heights = canopy([(4.5, 8.5, 20.0, 5.9, "half up")], (17, 20), 1.0)
    near = shapely.box(WEST + 8, NORTH - 12, WEST + 9, NORTH - 5)
    draft = draft_crowns(grid(heights), 1.0, near=near, block_cells=3)
    assert draft.top_xy.tolist() == [[WEST + 4.5, NORTH - 8.5]]


def test_progress_is_told_block_by_block(forest):
    told = []
    draft_crowns(grid(forest), 1.0, block_cells=100, progress=told.append)
    assert told == [f"crowns: block {k} of 4" for k in (1, 2, 3, 4)]


def test_elevations_are_refused():
    heights = np.full((8, 8), 12.0)
    heights[6, 6] = 400.5
    with pytest.raises(RangeError, match=r"a cell of 40\d ft.*geotrim prepare heights"):
        draft_crowns(grid(heights), 1.0)
    heights[6, 6] = 399.5
    assert draft_crowns(grid(heights), 1.0).counts.highest_ft == 399.5


def test_cells_are_counted():
    heights = np.zeros((8, 8))
    heights[2:6, 2:6] = 10.0
    heights[0, :3], heights[7, 7] = np.nan, -5.0
    counts = draft_crowns(grid(heights), 1.0, block_cells=3).counts
    assert (counts.n_cells, counts.n_known, counts.n_canopy, counts.n_under) == (64, 61, 16, 1)
    assert counts.highest_ft == 10.0


def test_nothing_over_the_least_height_is_no_crown():
    draft = draft_crowns(grid(np.full((5, 5), 3.9)), 1.0)
    assert len(draft) == 0 and draft.counts.n_tops == 0
    assert np.isnan(draft_crowns(grid(np.full((5, 5), np.nan)), 1.0).counts.highest_ft)


# ------------------------------------------------------------------------------ regions


def test_a_flood_by_hand():
    """Two tops with a valley of 5 between: its cell goes to the side that is higher beside it."""
    row = np.array([[9.0, 8.0, 5.0, 7.0, 12.0, 3.0]])
    labels = flood(row, np.array([[0, 0], [0, 4]]), 4.0, CLOSED)
    assert labels.tolist() == [[1, 1, 1, 2, 2, 0]]


def test_the_flood_goes_over_sides_and_down_to_the_least_height():
    smooth = np.array([[9.0, 4.0, 3.99], [3.0, 3.0, 8.0]])
    assert flood(smooth, np.array([[0, 0]]), 4.0, CLOSED).tolist() == [[1, 1, 0], [0, 0, 0]]


def test_an_open_side_floods_in():
    row = np.array([[9.0, 8.0, 5.0, 7.0, 12.0, 6.0, 7.0, 3.0, 9.0]])
    tops = np.array([[0, 0], [0, 4]])
    closed = flood(row, tops, 4.0, CLOSED)
    assert closed.tolist() == [[1, 1, 1, 2, 2, 2, 2, 0, 0]]
    west = flood(row, tops, 4.0, np.array([False, False, True, False]))
    assert west.tolist() == [[-1, -1, -1, 2, 2, 2, 2, 0, 0]]  # the top itself may be another's
    assert sure_crowns(west, 2).tolist()[1:] == [False, False]
    east = flood(row, tops, 4.0, np.array([False, False, False, True]))
    assert east.tolist() == [[1, 1, 1, 2, 2, 2, 2, 0, -1]]
    assert sure_crowns(east, 2).tolist()[1:] == [True, True]


def test_a_crown_beside_a_doubtful_one_is_doubtful_too():
    labels = np.array([[1, 1, 0, 2, 2, 3, 3, 4, -1]], dtype=np.int32)
    assert sure_crowns(labels, 4).tolist()[1:] == [True, True, False, False]


def test_cells_that_cannot_be_of_the_tree_are_cut():
    """Edge at half of 12; the cell of 13 is higher than the top; 4 ft is the reach."""
    tops = np.array([[0, 3]])
    smooth = np.array([[5.0, 6.0, 9.0, 12.0, 11.0, 13.0, 9.0, 9.0]])
    labels = np.ones((1, 8), dtype=np.int32)
    rules = CrownRules(edge_frac=0.5, radius_max_ft=4.0)
    crowns, n_crumbs = cut_to_crowns(labels, smooth, smooth, tops, ONE, rules)
    assert crowns.tolist() == [[0, 1, 1, 1, 1, 0, 0, 0]]
    assert n_crumbs.tolist() == [0, 2]  # 9 and 9 beyond the 13: in reach, but parted from the top
    near = replace(rules, radius_max_ft=1.0)
    assert cut_to_crowns(labels, smooth, smooth, tops, ONE, near)[0].sum() == 3
    # smoothing took 7 ft off the tip: the edge is at half of 19, and the top itself stays
    height = np.where(smooth == 12.0, 19.0, smooth)
    assert cut_to_crowns(labels, height, smooth, tops, ONE, rules)[0].sum() == 2
    strict = replace(rules, edge_frac=1.0)
    assert cut_to_crowns(labels, height, smooth, tops, ONE, strict)[0].sum() == 1


def test_small_crowns_are_dropped():
    labels = np.array([[1, 1, 1, 1, 0, 2, 2, 2, -1]], dtype=np.int32)
    crowns, is_small = drop_small(labels, 2, ONE, 0.0)
    assert is_small.tolist() == [False, False, True]  # three cells have no shape
    assert crowns.tolist() == [[1, 1, 1, 1, 0, 0, 0, 0, -1]]
    assert drop_small(labels, 2, CellSize(2.0, 2.0), 16.0)[1].tolist() == [False, False, True]
    assert drop_small(labels, 2, CellSize(2.0, 2.0), 16.1)[1].tolist() == [False, True, True]


RING = np.array(
    [[1, 1, 1, 1, 1], [1, 0, 0, 1, 1], [1, 1, 1, 1, 1], [1, 1, 1, 1, 0], [1, 1, 1, 0, 1]], np.int32
)


def test_holes_are_filled_up_to_a_size():
    known = np.ones((5, 5), dtype=bool)
    filled, n_filled = fill_holes(RING, known, 1, 2.0)
    assert (filled[1, 1:3] == 1).all() and n_filled.tolist() == [0, 2]
    assert filled[3, 4] == filled[4, 3] == 0  # open to the outside
    assert fill_holes(RING, known, 1, 1.9)[1].sum() == 0


def test_holes_of_unknown_cells_or_other_crowns_stay():
    known = np.ones((5, 5), dtype=bool)
    known[1, 2] = False
    assert (fill_holes(RING, known, 1, 9.0)[0] == RING).all()
    other = RING.copy()
    other[1, 1] = 2
    assert (fill_holes(other, np.ones((5, 5), dtype=bool), 2, 9.0)[0] == other).all()


# ------------------------------------------------------------------------------ outlines


def test_outlines_of_neighbours_share_their_edge():
    """A corner of one is cut, and given to the other: 4 + 5 cells, half a cell less each."""
    labels = np.array([[1, 1, 2], [1, 2, 2], [1, 2, 2]], dtype=np.int32)
    one, two = cell_outlines(labels, [1, 2], (2.0, 0.0, 10.0, 0.0, -2.0, 50.0), 3, 4)
    assert (one.area, two.area) == (3.5 * 4, 4.5 * 4)
    assert shapely.intersection(one, two).area == 0.0
    assert one.bounds == (18.0, 38.0, 22.0, 44.0)
    assert shapely.coverage_is_valid([one, two])


def test_an_outline_keeps_its_hole_and_parts_at_corners():
    labels = np.ones((5, 5), dtype=np.int32)
    labels[2, 2] = labels[1, 1] = 0  # two gaps that meet at a corner are one
    (outline,) = cell_outlines(labels, [1], (1.0, 0.0, 0.0, 0.0, -1.0, 5.0))
    assert outline.is_valid and len(outline.interiors) == 1
    assert outline.area == 23 - 0.5 + 0.5


# ------------------------------------------------------------------------------ confidence


def measures(**changed):
    plain = {
        "n_cells": 40, "top_ft": 20.0, "height_ft": 20.5, "saddle_ft": 17.0, "rough_ft": 0.5,
        "open_ft": 12.0, "closed_ft": 10.0, "cut_ft": 2.0,
    }  # fmt: skip
    return CrownMeasures(**{k: np.array([v]) for k, v in (plain | changed).items()})


def test_the_shares_by_hand():
    """Depth 3 of a fifth of 20; 3 over 3 + 2 x 0.5; 14 of 24 ft not closed; 40 of 46; 22 of 24."""
    got = shares(measures())[0]
    expected = [3 / 4, 3 / 4, 0.4 + 0.6 * 14 / 24, 40 / 46, 22 / 24]
    np.testing.assert_allclose(got, expected)
    assert confidence([got])[0] == pytest.approx(np.prod(expected) ** 0.2)


@pytest.mark.parametrize(
    ("key", "values"),
    [
        ("saddle_ft", (0.0, 10.0, 17.0, 19.0, 20.0)),
        ("rough_ft", (0.0, 0.5, 2.0, 8.0)),
        ("n_cells", (400, 40, 10, 4)),
        ("cut_ft", (0.0, 2.0, 20.0)),
    ],
)
def test_confidence_falls_with_each(key, values):
    got = [confidence(shares(measures(**{key: value})))[0] for value in values]
    assert got == sorted(got, reverse=True)
    assert 1.0 >= got[0] > got[-1] >= 0.0


def test_confidence_falls_as_the_edge_closes():
    got = [
        confidence(shares(measures(open_ft=22.0 - closed, closed_ft=closed)))[0]
        for closed in (0.0, 5.0, 22.0)
    ]
    assert got == sorted(got, reverse=True) and got[0] > got[-1] > 0.0


def test_each_low_share_has_its_words():
    for k, words in enumerate(REASONS):
        parts = np.ones(5)
        parts[k] = 0.49
        assert reasons([parts]) == [words]
    assert reasons([np.full(5, 0.5)]) == [""]


def test_edges_are_measured_in_feet_and_by_kind():
    """2 by 2 cells of 3 by 2 ft: open in the north, a neighbour east, nothing known south, west."""
    crowns = np.array([[0, 0, 0], [1, 1, 2], [1, 1, 2], [0, 0, 0]], dtype=np.int32)
    smooth = np.array([[1.0, 1.0, 1.0], [8.0, 9.0, 7.0], [7.0, 6.0, 8.0], [np.nan] * 3])
    got = measure_crowns(crowns, smooth + 0.5, smooth, 2, CellSize(3.0, 2.0)).taken([0])
    assert (got.open_ft[0], got.closed_ft[0], got.cut_ft[0]) == (6.0, 4.0, 10.0)
    assert got.edge_ft[0] == 20.0
    assert got.saddle_ft[0] == 7.0  # over 9 and 7; by 6 and 8 it would be 6
    assert (got.top_ft[0], got.height_ft[0], got.n_cells[0]) == (9.0, 9.5, 4)
    assert got.rough_ft[0] == pytest.approx(0.5)
