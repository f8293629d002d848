"""Cuts over years: the arithmetic of shares, against closed forms and cases worked by hand."""

from __future__ import annotations

import datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geotrim.core import solids
from geotrim.core.staging import (
    READINGS,
    ShareMeasure,
    can_outrun,
    reachable,
    yearly_cuts,
    years_later,
)
from geotrim.errors import RangeError
from geotrim.rules.stages import years_needed

STANDING, ORIGINAL = READINGS
TOP, BAND = np.array([True]), np.array([False])


def layers_above(edges_ft, shares, height_ft):
    """Share above a height of layers with even foliage, from the ground up; plain interpolation."""
    above = np.concatenate([np.cumsum(shares[::-1])[::-1], [0.0]]) / np.sum(shares)
    return np.interp(height_ft, edges_ft, above)


def by_layers(edges_ft, shares, low_ft=None):
    """The measure of one tree in layers: of a top, or of a band that begins at ``low_ft``.

    The way back is by the highest height for a share, as a table of layers read from the top.
    """
    edges, above = np.asarray(edges_ft, float), layers_above(edges_ft, shares, edges_ft)

    def height(share):
        for k in range(len(edges) - 1, 0, -1):
            if share <= above[k - 1] + 1e-12:
                part = above[k - 1] - above[k]
                return (
                    edges[k] - (share - above[k]) / part * (edges[k] - edges[k - 1])
                    if part
                    else edges[k]
                )
        return edges[0]

    if low_ft is None:
        return ShareMeasure(
            lambda h: np.where(np.isnan(h), np.nan, layers_above(edges, shares, h)),
            lambda s: np.array([height(v) for v in s]),
        )
    whole = float(layers_above(edges, shares, low_ft))
    return ShareMeasure(
        lambda h: np.where(np.isnan(h), np.nan, whole - layers_above(edges, shares, h)),
        lambda s: np.array([height(whole - v) if v <= whole else np.inf for v in s]),
    )


def column(top_ft):
    return by_layers([0.0, top_ft], [1.0])


def cut(measures, target_ft, share=0.25, is_top=TOP, start=np.inf, **more):
    return yearly_cuts(measures, is_top, start, np.array([target_ft]), np.array([share]), **more)


def fronts(found):
    return found.front_ft[np.isfinite(found.front_ft[:, 0]), 0].tolist()


# --- the fact sheet's arithmetic


def test_sixty_percent_takes_three_years_of_the_original_and_four_of_what_stands():
    """0.6 / 0.25 = 2.4 -> 3; ln 0.4 / ln 0.75 = 3.19 -> 4 (fact sheet, section 6)."""
    assert cut([column(10.0)], 4.0, reading=ORIGINAL).n_years.tolist() == [3]
    assert cut([column(10.0)], 4.0, reading=STANDING).n_years.tolist() == [4]


def test_what_is_gone_after_each_year_of_a_quarter():
    """25.0, 43.75, 57.81, 68.36 % of what stands each year; 25, 50, 75 % of the original."""
    found = cut([column(100.0)], 20.0)
    gone = 100.0 - np.array(fronts(found))
    assert gone[:4] == pytest.approx([25.0, 43.75, 57.81, 68.36], abs=0.005)
    assert gone[:4] == pytest.approx(100.0 * (1.0 - 0.75 ** np.arange(1, 5)), abs=1e-9)
    assert fronts(cut([column(100.0)], 20.0, reading=ORIGINAL)) == pytest.approx(
        [75.0, 50.0, 25.0, 20.0]
    )


#: Height of the level cut that takes 25 % off the top of a solid 16 ft tall, its base at 4 ft.
#: Source: the fact sheet's table in section 5.4, re-derived by quadrature in test_solids.
QUARTER_CUTS = {
    "cylinder": 13.0000,
    "cone": 8.4405,
    "paraboloid": 10.0000,
    "half-ellipsoid": 10.6945,
    "ellipsoid": 12.0838,
    "neiloid": 7.5147,
}


@pytest.mark.parametrize("solid", QUARTER_CUTS)
def test_the_first_quarter_off_each_solid(solid):
    one = solids.solid_above_ft3(solid, 1.0, 4.0, 16.0, 0.0)
    measure = ShareMeasure(
        lambda h: solids.solid_above_ft3(solid, 1.0, 4.0, 16.0, h) / one,
        lambda s: solids.cut_height_ft(solid, 4.0, 16.0, s),
    )
    found = cut([measure], 4.5)
    assert found.front_ft[0, 0] == pytest.approx(QUARTER_CUTS[solid], abs=5e-5)
    # the second year goes to 43.75 %: by the shares of module solids, inverted by bisection
    low, high = 4.0, 16.0
    for _ in range(60):
        middle = (low + high) / 2.0
        is_over = float(solids.solid_above_ft3(solid, 1.0, 4.0, 16.0, middle) / one) > 0.4375
        low, high = (middle, high) if is_over else (low, middle)
    assert found.front_ft[1, 0] == pytest.approx(low, abs=1e-6)


# --- by hand: leaves that sit at the top


def test_leaves_at_the_top_bind_before_the_canopy_does():
    """A column of 16 ft whose leaves lie evenly in the top 4 ft, lowered to 14 ft.

    By canopy 2/16 = 12.5 %: one year. By leaves 2/4 = 50 %: of what stands ln 0.5 / ln 0.75 = 2.4,
    three years: 1 ft, then 43.75 % of 4 ft = 1.75 ft, then the rest; of the original two years.
    """
    leaves = by_layers([0.0, 12.0, 16.0], [0.0, 1.0])
    assert fronts(cut([column(16.0)], 14.0)) == [14.0]
    found = cut([column(16.0), leaves], 14.0)
    assert fronts(found) == pytest.approx([15.0, 14.25, 14.0])
    assert found.is_done.all()
    taken = found.before_frac - found.after_frac
    assert taken[0, :, 0] == pytest.approx([1 / 16, 0.75 / 16, 0.25 / 16])
    assert (taken / found.before_frac)[1, :, 0] == pytest.approx([0.25, 0.25, 0.0625 / 0.5625])
    both = cut([column(16.0), leaves], 14.0, reading=ORIGINAL)
    assert fronts(both) == pytest.approx([15.0, 14.0])
    assert fronts(cut([leaves, column(16.0)], 14.0)) == pytest.approx([15.0, 14.25, 14.0])


def test_leaves_bind_first_and_the_canopy_afterwards():
    """Half the leaves in the top 2 of 16 ft, the rest below; of the original, to 4 ft.

    Leaves: a quarter is 1 ft, so 15 and 14 ft; below each quarter of leaves is 7 ft, so the canopy
    binds: a quarter of it is 4 ft, 10 and 6 ft, then the rest.
    """
    leaves = by_layers([0.0, 14.0, 16.0], [0.5, 0.5])
    found = cut([column(16.0), leaves], 4.0, reading=ORIGINAL)
    assert fronts(found) == pytest.approx([15.0, 14.0, 10.0, 6.0, 4.0])


def test_a_gap_in_the_leaves_is_crossed_as_far_as_the_canopy_lets():
    """A quarter of the leaves over 14 ft, none at 10-14 ft: the canopy's quarter is at 12 ft."""
    leaves = by_layers([0.0, 10.0, 14.0, 16.0], [0.75, 0.0, 0.25])
    assert cut([column(16.0), leaves], 2.0).front_ft[0, 0] == pytest.approx(12.0)
    # by leaves alone the cut goes through the gap, and costs none
    alone = cut([leaves], 2.0)
    assert alone.front_ft[0, 0] == pytest.approx(10.0, abs=1e-6)
    assert alone.after_frac[0, 0, 0] == pytest.approx(0.75)
    # a gap that ends before the canopy's share: up to its far side
    short = by_layers([0.0, 13.5, 14.0, 16.0], [0.75, 0.0, 0.25])
    assert cut([column(16.0), short], 2.0).front_ft[0, 0] == pytest.approx(13.5, abs=1e-6)


def test_a_band_is_cleared_from_its_low_side_up():
    """6-14 ft of a 16 ft column, half of it: of what stands 4 ft, 3 ft and the rest."""
    band = by_layers([0.0, 16.0], [1.0], low_ft=6.0)
    how = {"is_top": BAND, "start": np.array([6.0])}
    assert fronts(cut([band], 14.0, **how)) == pytest.approx([10.0, 13.0, 14.0])
    assert fronts(cut([band], 14.0, reading=ORIGINAL, **how)) == pytest.approx([10.0, 14.0])
    leaves = by_layers([0.0, 8.0, 16.0], [0.5, 0.5], low_ft=6.0)  # even too: the same
    assert fronts(cut([band, leaves], 14.0, **how)) == pytest.approx([10.0, 13.0, 14.0])
    low_leaves = by_layers([0.0, 6.0, 8.0, 16.0], [0.0, 0.5, 0.5], low_ft=6.0)
    found = cut([band, low_leaves], 8.0, reading=ORIGINAL, **how)  # half the leaves in 2 ft
    assert fronts(found) == pytest.approx([7.0, 8.0])


def test_trees_are_staged_each_by_itself():
    """A top, a band, one nobody knows, one with nothing to take, in one call."""
    top, low = np.array([True, False, True, True]), np.array([0.0, 6.0, 0.0, 0.0])
    known = np.array([1.0, 1.0, np.nan, 1.0])

    def taken(h):
        return known * np.where(top, 16.0 - np.minimum(h, 16.0), h - low) / 16.0

    measure = ShareMeasure(taken, lambda s: np.where(top, 16.0 * (1.0 - s), low + 16.0 * s))
    target = np.array([12.0, 14.0, 12.0, 20.0])
    found = yearly_cuts([measure], top, np.where(top, np.inf, low), target, np.full(4, 0.25))
    assert found.n_years.tolist() == [1, 3, 0, 0]
    assert found.is_done.tolist() == [True, True, False, True]
    assert found.is_known.tolist() == [True, True, False, True]
    assert found.last_front_ft[:2].tolist() == [12.0, 14.0]
    assert np.isnan(found.last_front_ft[2:]).all()
    assert np.isnan(found.front_ft[1:, 0]).all()


def test_no_tree_no_year():
    none = np.zeros(0)
    measure = ShareMeasure(lambda h: h, lambda s: s)
    found = yearly_cuts([measure], none > 0, none, none, none)
    assert found.n_years.tolist() == [] and found.last_front_ft.tolist() == []


def test_where_no_share_binds_one_year_takes_it_all():
    assert fronts(cut([column(16.0)], 1.0, share=1.0)) == [1.0]
    assert fronts(cut([column(16.0)], 1.0, share=1.0, reading=ORIGINAL)) == [1.0]


@pytest.mark.parametrize("reading", READINGS)
def test_what_whole_years_take_to_the_last_leaf_takes_no_year_more(reading):
    """Targets of just n full shares, with all that rounding does to them: n years."""
    for share in (0.05, 0.1, 0.2, 0.25, 0.3):
        for n in range(1, int(1.0 / share + 1e-9)):
            taken = n * share if reading == ORIGINAL else 1.0 - (1.0 - share) ** n
            for top in (7.3, 16.0, 21.7):
                found = cut([column(top)], top * (1.0 - taken), share=share, reading=reading)
                assert found.n_years.tolist() == [n] and found.is_done.all()
                solid = ShareMeasure(
                    lambda h, t=top: solids.solid_above_ft3("ellipsoid", 1.5 / t, 0.0, t, h),
                    lambda s, t=top: solids.cut_height_ft("ellipsoid", 0.0, t, s),
                )
                target = float(solids.cut_height_ft("ellipsoid", 0.0, top, taken))
                assert cut([solid], target, share=share, reading=reading).n_years.tolist() == [n]


# --- what cannot be reached


def test_all_of_what_stands_is_never_taken():
    """0.75^n is never 0; of the original four years take it."""
    found = cut([column(16.0)], 0.0, most_years=12)
    assert not found.is_done[0] and found.n_years[0] == 12
    assert found.after_frac[0, -1, 0] == pytest.approx(0.75**12)
    assert cut([column(16.0)], 0.0, reading=ORIGINAL).n_years.tolist() == [4]


def test_the_longest_plan_ends_it():
    found = cut([column(10.0)], 4.0, most_years=3)
    assert not found.is_done[0] and found.n_years[0] == 3
    assert found.last_front_ft[0] == pytest.approx(10.0 * 0.75**3)
    assert cut([column(10.0)], 4.0, most_years=4).is_done[0]


@pytest.mark.parametrize("reading", READINGS)
def test_a_share_that_cannot_outrun_regrowth_gains_nothing_after_the_first_cut(reading):
    """0.75 x 4/3 = 1: after a third of regrowth the tree is whole again."""
    found = cut([column(16.0)], 8.0, reading=reading, regrowth_frac=1.0 / 3.0)
    assert fronts(found) == pytest.approx([12.0])
    assert not found.is_done[0]
    assert not can_outrun(0.25, 1.0 / 3.0) and not can_outrun(0.25, 2.0)
    assert can_outrun(0.25, 0.3) and can_outrun(1.0, 5.0)
    assert cut([column(16.0)], 8.0, reading=reading, regrowth_frac=0.3).is_done[0]
    # what one cut reaches is reached
    assert cut([column(16.0)], 12.0, reading=reading, regrowth_frac=5.0).is_done[0]


@given(share=st.floats(0.05, 0.9), regrowth=st.floats(0.0, 2.0))
def test_regrowth_of_what_stands_in_closed_form(share, regrowth):
    """After n cuts (1 - q)^n (1 + r)^(n - 1) stands, where that falls: a geometric series."""
    factor = (1.0 - share) * (1.0 + regrowth)
    if factor > 0.98:
        return
    found = cut([column(100.0)], 0.0, share=share, regrowth_frac=regrowth, most_years=8)
    n = np.arange(1, found.n_years[0] + 1)
    stands = (1.0 - share) ** n * (1.0 + regrowth) ** (n - 1)
    assert found.after_frac[0, :, 0] == pytest.approx(stands, abs=1e-8)
    assert found.front_ft[:, 0] == pytest.approx(100.0 * stands, abs=1e-6)
    grown = np.minimum(1.0, stands[:-1] * (1.0 + regrowth))
    assert found.before_frac[0, 1:, 0] == pytest.approx(grown, abs=1e-8)


@given(share=st.floats(0.05, 0.5), regrowth=st.floats(0.01, 1.0))
def test_regrowth_against_a_share_of_the_original_in_closed_form(share, regrowth):
    """s(n) = q/r - (q/r - (1 - q)) (1 + r)^(n - 1): the solution of s(n) = (1 + r) s(n-1) - q."""
    if regrowth * (1.0 - share) > 0.95 * share:
        return
    how = {"reading": ORIGINAL, "regrowth_frac": regrowth, "most_years": 60}
    found = cut([column(100.0)], 0.0, share=share, **how)
    n, even = np.arange(1, found.n_years[0] + 1), share / regrowth
    stands = even - (even - (1.0 - share)) * (1.0 + regrowth) ** (n - 1)
    assert found.after_frac[0, :, 0] == pytest.approx(np.maximum(stands, 0.0), abs=1e-6)
    assert found.is_done[0] == (stands[-1] <= 1e-9)


def test_regrowth_never_makes_more_than_stood_at_first():
    found = cut([column(16.0)], 15.0, share=0.05, regrowth_frac=5.0)
    assert fronts(found) == pytest.approx([15.2])
    two = cut([column(16.0), by_layers([0.0, 8.0, 16.0], [0.9, 0.1])], 2.0, share=0.5,
              regrowth_frac=0.5)  # fmt: skip
    assert np.nanmax(two.before_frac) <= 1.0
    # 8 ft leaves 0.9 by leaves; half as much again is capped at 1, of which half may go
    assert two.before_frac[1, 1, 0] == pytest.approx(1.0)


# --- laws


@st.composite
def crowns(draw):
    """Layers of a crown up to 24 ft, by canopy and by leaves; some layers of leaves are empty."""
    n = draw(st.integers(1, 5))
    steps = draw(st.lists(st.floats(0.5, 5.0), min_size=n, max_size=n))
    edges = np.concatenate([[0.0], np.cumsum(steps)])
    canopy = draw(st.lists(st.floats(0.05, 1.0), min_size=n, max_size=n))
    some = st.one_of(st.just(0.0), st.floats(0.05, 1.0))
    leaves = draw(st.lists(some, min_size=n, max_size=n))
    return edges, canopy, leaves if sum(leaves) else canopy


@given(
    crown=crowns(),
    share=st.floats(0.05, 0.6),
    at=st.floats(0.05, 0.95),
    low=st.floats(0.0, 0.9),
    is_band=st.booleans(),
    reading=st.sampled_from(READINGS),
    regrowth=st.sampled_from([0.0, 0.0, 0.05, 0.4]),
    is_two=st.booleans(),
)
def test_no_year_takes_more_than_its_share_by_any_measure(
    crown, share, at, low, is_band, reading, regrowth, is_two
):
    edges, canopy, leaves = crown
    top = edges[-1]
    low_ft = low * top if is_band else None
    start = low_ft if is_band else np.inf
    target = low_ft + at * (top - low_ft) if is_band else at * top
    measures = [by_layers(edges, canopy, low_ft)]
    measures += [by_layers(edges, leaves, low_ft)] * is_two
    found = cut(measures, target, share=share, is_top=np.array([not is_band]), start=start,
                reading=reading, regrowth_frac=regrowth, most_years=200)  # fmt: skip
    n = int(found.n_years[0])
    front = np.concatenate([[top if start == np.inf else start], found.front_ft[:, 0]])
    sign = 1.0 if is_band else -1.0
    assert (np.diff(front) * sign > 0.0).all()
    assert ((target - front) * sign >= 0.0).all()  # never past the target
    taken = found.before_frac - found.after_frac
    allowed = share * (found.before_frac if reading == STANDING else 1.0)
    assert (taken <= allowed + 1e-8).all()
    # each year but the last takes all it may, by one of the measures: no plan is shorter
    full = (taken / allowed)[:, : n - 1, 0].max(axis=0, initial=0.0)
    assert full == pytest.approx(np.ones(max(n - 1, 0)), abs=1e-6)
    for measure, before, after in zip(measures, found.before_frac, found.after_frac, strict=True):
        gone = 1.0 - after[:, 0]
        assert gone == pytest.approx(measure.taken_frac(found.front_ft[:, 0]), abs=1e-9)
        grown = np.minimum(1.0, after[:-1, 0] * (1.0 + regrowth))
        assert before[:, 0] == pytest.approx(np.concatenate([[1.0][:n], grown]), abs=1e-12)
        if regrowth == 0.0 and found.is_done[0]:  # the years add up to the whole cut
            whole = measure.taken_frac(np.array([target]))[0]
            assert (before - after).sum() == pytest.approx(whole, abs=1e-8)
    if regrowth == 0.0 and not is_two:
        whole = measures[0].taken_frac(np.array([target]))[0]
        assert n == years_needed(whole, share, reading)
    if regrowth == 0.0:
        assert found.is_done[0] or reading == STANDING
    if not found.is_done[0] and n < 200:
        # the next year has no room by one of the measures
        stands = np.minimum(1.0, found.after_frac[:, -1, 0] * (1.0 + regrowth))
        room = share * (stands if reading == STANDING else 1.0)
        assert (stands - room >= found.after_frac[:, -1, 0] - 1e-5).any()


# --- what a cut is held to whatever the years


def test_a_floor_over_the_target_holds_the_top_and_no_band():
    both, asked = np.array([True, False, True]), np.array([6.0, 5.0, 8.0])
    measure = ShareMeasure(lambda h: np.abs(10.0 - h) / 10.0, lambda s: 10.0 * (1.0 - s))
    found = reachable([measure], both, asked, np.full(3, 6.5), 0.0)
    assert found.target_ft.tolist() == [6.5, 5.0, 8.0]
    assert found.is_floor.tolist() == [True, False, False]
    assert not found.is_kept.any()
    exact = reachable([measure], both[:1], asked[:1], 6.0, 0.0)
    assert not exact.is_floor[0] and exact.target_ft[0] == 6.0


def test_a_tree_keeps_its_least_share_by_canopy_and_by_leaves():
    """A tenth kept: of a 10 ft column 1 ft; of leaves all over 5 ft, a tenth is 5.5 ft."""
    leaves = by_layers([0.0, 5.0, 10.0], [0.0, 1.0])
    found = reachable([column(10.0)], TOP, 0.5, 0.0, 0.1)
    assert found.target_ft[0] == pytest.approx(1.0) and found.is_kept[0]
    found = reachable([column(10.0), leaves], TOP, 2.0, 0.0, 0.1)
    assert found.target_ft[0] == pytest.approx(5.5) and found.is_kept[0]
    found = reachable([column(10.0)], TOP, 1.0, 0.0, 0.1)  # just a tenth is left
    assert found.target_ft[0] == 1.0 and not found.is_kept[0]
    # what must be kept stops it before the floor does: only that is told
    found = reachable([column(10.0), leaves], TOP, 2.0, 3.0, 0.1)
    assert found.target_ft[0] == pytest.approx(5.5)
    assert found.is_kept[0] and not found.is_floor[0]
    found = reachable([column(10.0)], TOP, 0.5, 3.0, 0.1)
    assert found.target_ft[0] == 3.0 and found.is_floor[0] and not found.is_kept[0]


# --- dates


@pytest.mark.parametrize(
    ("day", "years", "expected"),
    [
        ("2027-10-15", 0, "2027-10-15"),
        ("2027-10-15", 3, "2030-10-15"),
        ("2028-02-29", 1, "2029-03-01"),  # 2029 is no leap year: a whole year has passed
        ("2028-02-29", 4, "2032-02-29"),
        ("2096-02-29", 4, "2100-03-01"),  # 2100 is none either
    ],
)
def test_a_year_later(day, years, expected):
    found = years_later(datetime.date.fromisoformat(day), years)
    assert found.isoformat() == expected


# --- what is refused


@pytest.mark.parametrize(
    ("changed", "named"),
    [
        ({"reading": "yearly"}, "foliage_reading"),
        ({"share": 0.0}, "yearly_frac"),
        ({"share": 1.1}, "yearly_frac"),
        ({"share": np.nan}, "yearly_frac"),
        ({"regrowth_frac": -0.1}, "regrowth_frac"),
        ({"regrowth_frac": np.nan}, "regrowth_frac"),
    ],
)
def test_what_is_refused(changed, named):
    with pytest.raises(RangeError, match=named):
        cut([column(10.0)], 4.0, **changed)
