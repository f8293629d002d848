"""Heights against limits, with the edges of the state's act."""

from __future__ import annotations

import numpy as np
import pytest

from geotrim.core.heights import (
    class_names,
    height_classes,
    nearest_limits,
    quantile_two_sided,
)
from geotrim.ops.canopy import UPWARD_LIMITS_FT

LIMITS = (6.0, 10.0, 16.0, 24.0)

# Source: s. 403.9326(1) F.S. (read in source): not below 6 ft; "may not exceed" 10 and 24 ft;
# staged when 16 ft or greater.
EDGES = [
    (0.0, "under 6 ft"),
    (5.99, "under 6 ft"),
    (6.0, "6-10 ft"),
    (10.0, "6-10 ft"),
    (10.01, "10-16 ft"),
    (15.99, "10-16 ft"),
    (16.0, "16-24 ft"),
    (24.0, "16-24 ft"),
    (24.01, "over 24 ft"),
    (300.0, "over 24 ft"),
]


@pytest.mark.parametrize(("height", "name"), EDGES)
def test_edges_of_the_act(height, name):
    found = height_classes([height], LIMITS, UPWARD_LIMITS_FT)[0]
    assert class_names(LIMITS)[found] == name


@pytest.mark.parametrize(("limit", "name"), [e for e in EDGES if e[0] in LIMITS])
def test_a_limit_stored_in_metres_stays_at_the_limit(limit, name):
    """A limit in metres, in single precision, comes back a hair off; it is still the limit."""
    back = float(np.float32(limit * 0.3048)) / 0.3048
    assert back == pytest.approx(limit, abs=1e-5)
    found = height_classes([back], LIMITS, UPWARD_LIMITS_FT)[0]
    assert class_names(LIMITS)[found] == name


def test_no_height_has_no_class():
    assert height_classes([np.nan, 7.0], LIMITS).tolist() == [-1, 1]
    nearest, margin = nearest_limits([np.nan], LIMITS)
    assert np.isnan(nearest[0]) and np.isnan(margin[0])


def test_nearest_limit_by_hand():
    nearest, margin = nearest_limits([4.0, 8.0, 8.1, 19.0, 90.0], LIMITS)
    assert nearest.tolist() == [6.0, 6.0, 10.0, 16.0, 24.0]
    np.testing.assert_allclose(margin, [-2.0, 2.0, -1.9, 3.0, 66.0])


def test_quantiles():
    """Source: FGDC-STD-007.3-1998 (from memory): 1.9600 at 95 %; tables of the normal: 2.5758."""
    assert quantile_two_sided(0.95) == pytest.approx(1.9600, abs=5e-5)
    assert quantile_two_sided(0.99) == pytest.approx(2.5758, abs=5e-5)
    assert quantile_two_sided(0.682689) == pytest.approx(1.0, abs=5e-6)


def test_other_limits():
    assert class_names([5, 12.5]) == ["under 5 ft", "5-12.5 ft", "over 12.5 ft"]
    assert height_classes([5.0, 12.5], [5, 12.5]).tolist() == [0, 1]
