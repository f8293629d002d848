"""Setbacks of many parts: each shape is held against the parts near it. Closed forms by hand."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geotrim.core import setback as core


def test_shares_in_two_parts_of_a_strip_add_up():
    """A crown of 10 by 10: 2 wide in the left part, 1 in the right one; others alone."""
    strip = shapely.union_all([shapely.box(-50, -50, 2, 50), shapely.box(9, -50, 60, 50)])
    crowns = np.array(
        [shapely.box(100, 0, 110, 10), shapely.box(0, 0, 10, 10), shapely.box(-30, 0, -20, 10)]
    )
    assert core.inside_shares(crowns, strip).tolist() == pytest.approx([0.0, 0.3, 1.0])


def test_margins_are_to_the_nearest_part_and_gaps_between_parts_are_no_reference():
    """Two lines on the same axis, 100 apart; a shape midway is 50 from both, not 0 from a join."""
    lines = shapely.MultiLineString([[(0, 0), (0, 50)], [(0, 150), (0, 200)]])
    shapes = np.array(
        [shapely.Point(3, 25), shapely.Point(0, 100), shapely.Polygon(), shapely.Point(8, 180)]
    )
    found = core.margins(shapes, lines, 5.0)
    assert found[[0, 1, 3]].tolist() == [-2.0, 45.0, 3.0]
    assert np.isnan(found[2])


def test_what_strips_take_does_not_hang_on_their_parts_elsewhere():
    """A base of 10 by 10: two strips take 3 and 4 wide, 1 wide of it together; the rest is 4."""
    base = shapely.box(0, 0, 10, 10)
    far = shapely.box(500, 500, 600, 600)
    one = shapely.union_all([shapely.box(0, -5, 3, 15), far])
    two = shapely.union_all([shapely.box(2, -5, 6, 15), shapely.box(-90, 0, -80, 9), far])
    none = far
    each, alone, rest = core.taken(base, core.near(base, core.parts_of([one, two, none])))
    assert each == [30.0, 40.0, 0.0]
    assert alone == [20.0, 30.0, 0.0]
    assert shapely.area(rest) == 40.0


def test_a_strip_of_two_near_parts_takes_both():
    base = shapely.box(0, 0, 10, 10)
    strip = shapely.union_all([shapely.box(0, 0, 1, 10), shapely.box(8, 0, 10, 10)])
    each, alone, rest = core.taken(base, core.near(base, core.parts_of([strip])))
    assert (each, alone, shapely.area(rest)) == ([30.0], [30.0], 70.0)
