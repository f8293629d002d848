"""Crown solids against quadrature of their sections, and against handbook formulas.

The formulas under test are those of standard handbooks and mensuration texts, from memory; so every
one is derived again here by numerical integration of the section it belongs to.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geotrim.core.solids import (
    FORM_FACTORS,
    cut_height_ft,
    solid_above_ft3,
    solid_slice_ft3,
)
from geotrim.errors import RangeError
from tests.strategies import numbers

#: Radius of each solid at a depth d under the top (both as shares), by its definition: a straight
#: side, a side whose square or whose 2/3 power is straight, an ellipse.
RADIUS = {
    "cylinder": lambda d: np.ones_like(d),
    "cone": lambda d: d,
    "paraboloid": lambda d: np.sqrt(d),
    "half-ellipsoid": lambda d: np.sqrt(1 - (1 - d) ** 2),
    "ellipsoid": lambda d: np.sqrt(1 - (2 * d - 1) ** 2),
    "neiloid": lambda d: d**1.5,
}
SOLIDS = sorted(FORM_FACTORS)
NODES, WEIGHTS = np.polynomial.legendre.leggauss(20)

# H = 16 ft, B = 4 ft, R = 8 ft. Source: the project's table of crown solids, computed from the
# handbook formulas, exact fractions beside them. Whole and 6-10 ft in ft3, shares in, under and
# over the band, and the level cut that takes a quarter of the volume off the top.
TABLE = {
    "cylinder": (2412.743, 804.2477, 1 / 3, 1 / 6, 1 / 2, 13.0000),
    "cone": (804.248, 364.8902, 49 / 108, 0.421296, 0.125, 8.4405),
    "paraboloid": (1206.372, 536.1651, 4 / 9, 0.305556, 0.25, 10.0000),
    "half-ellipsoid": (1608.495, 707.4401, 95 / 216, 0.247685, 0.3125, 10.6945),
    "ellipsoid": (1608.495, 685.0999, 23 / 54, 2 / 27, 0.5, 12.0838),
    "neiloid": (603.186, 253.1891, 34 / 81, 0.517747, 0.0625, 7.5147),
}
AREA_FT2 = np.pi * 8.0**2

#: Share of the crown's depth that a 25 % top cut takes. Source: the same; roots of 1/4.
DEPTH_OF_A_QUARTER = {
    "cylinder": 0.25,
    "ellipsoid": 0.3264,
    "half-ellipsoid": 0.4421,
    "paraboloid": 0.5,
    "cone": 0.25 ** (1 / 3),
    "neiloid": 0.25**0.25,
}


def by_quadrature(solid, area, base, top, low, high):
    """Integral of the section between two heights; exact for polynomials to degree 39."""
    low, high = np.clip([low, high], base, top)
    z = low + (high - low) * (NODES + 1) / 2
    sections = area * RADIUS[solid]((top - z) / (top - base)) ** 2
    return float((WEIGHTS * sections).sum() * (high - low) / 2)


@pytest.mark.parametrize("solid", SOLIDS)
def test_table_of_solids(solid):
    whole, band, in_it, under, over, cut = TABLE[solid]

    def between(low, high):
        return float(solid_slice_ft3(solid, AREA_FT2, 4.0, 16.0, low, high))

    assert between(0, 99) == pytest.approx(whole, abs=5e-4)
    assert between(6, 10) == pytest.approx(band, abs=5e-5)
    assert between(6, 10) / between(0, 99) == pytest.approx(in_it, abs=5e-7)
    assert between(0, 6) / between(0, 99) == pytest.approx(under, abs=5e-7)
    assert between(10, 99) / between(0, 99) == pytest.approx(over, abs=5e-7)
    assert float(cut_height_ft(solid, 4.0, 16.0, 0.25)) == pytest.approx(cut, abs=5e-5)


@pytest.mark.parametrize("solid", SOLIDS)
def test_form_factors(solid):
    """V = f D^2 L with f = pi/4, pi/12, pi/8, pi/6, pi/6, pi/16. Source: standard handbooks."""
    factors = {
        "cylinder": 0.7854,
        "cone": 0.2618,
        "paraboloid": 0.3927,
        "half-ellipsoid": 0.5236,
        "ellipsoid": 0.5236,
        "neiloid": 0.1963,
    }
    assert np.pi / 4 * FORM_FACTORS[solid] == pytest.approx(factors[solid], abs=5e-5)


@pytest.mark.parametrize("solid", SOLIDS)
def test_depth_of_a_quarter(solid):
    depth = 1.0 - float(cut_height_ft(solid, 0.0, 1.0, 0.25))
    assert depth == pytest.approx(DEPTH_OF_A_QUARTER[solid], abs=5e-5)


@given(
    solid=st.sampled_from(SOLIDS),
    base=numbers(0.0, 20.0),
    depth=numbers(0.5, 60.0),
    cuts=st.tuples(numbers(-0.2, 1.2), numbers(-0.2, 1.2)),
)
def test_slices_are_integrals_of_the_section(solid, base, depth, cuts):
    top = base + depth
    low, high = sorted(base + depth * cut for cut in cuts)
    got = float(solid_slice_ft3(solid, 120.0, base, top, low, high))
    want = by_quadrature(solid, 120.0, base, top, low, high)
    whole = by_quadrature(solid, 120.0, base, top, base, top)
    assert got == pytest.approx(want, rel=1e-9, abs=1e-12 * whole)


@given(solid=st.sampled_from(SOLIDS), share=st.floats(0.0, 1.0))
def test_a_cut_takes_what_it_is_asked_to(solid, share):
    cut = cut_height_ft(solid, 4.0, 16.0, share)
    above = solid_above_ft3(solid, 50.0, 4.0, 16.0, cut) / solid_above_ft3(
        solid, 50.0, 4.0, 16.0, 0.0
    )
    assert float(above) == pytest.approx(share, abs=1e-12)


def test_sphere():
    """R = 5, centre at 9 ft. Spherical segment and cap: standard handbooks, from memory.

    Segment pi h (3 r1^2 + 3 r2^2 + h^2) / 6 with r1 = 4, r2^2 = 24, h = 4; cap pi h^2 (3R - h) / 3.
    """
    segment = np.pi * 4 * (3 * 16 + 3 * 24 + 16) / 6
    cap = np.pi * 4**2 * (15 - 4) / 3
    assert (segment, cap) == pytest.approx((272 * np.pi / 3, 176 * np.pi / 3))
    area = np.pi * 25
    slice_ft3 = float(solid_slice_ft3("ellipsoid", area, 4.0, 14.0, 6.0, 10.0))
    assert slice_ft3 == pytest.approx(segment, rel=1e-12)
    assert slice_ft3 == pytest.approx(284.8377, abs=5e-5)
    assert slice_ft3 / float(solid_above_ft3("ellipsoid", area, 4.0, 14.0, 0.0)) == pytest.approx(
        0.544, rel=1e-12
    )
    above = float(solid_above_ft3("ellipsoid", area, 4.0, 14.0, 10.0))
    assert above == pytest.approx(cap, rel=1e-12)
    assert above == pytest.approx(184.3068, abs=5e-5)


def test_frustum():
    """Radii 8 and 5, 4 ft high: pi h (r1^2 + r1 r2 + r2^2) / 3 = 172 pi (handbook, from memory)."""
    depth = 4 * 8 / 3  # a cone of radius 8 that has shrunk to 5 after 4 ft
    got = float(solid_slice_ft3("cone", np.pi * 64, 0.0, depth, 0.0, 4.0))
    assert got == pytest.approx(172 * np.pi, rel=1e-12)
    assert got == pytest.approx(540.3539, abs=5e-5)


@pytest.mark.parametrize("solid", SOLIDS)
def test_newton_is_exact_for_them_all(solid):
    """Newton's h (A1 + 4 Am + A2) / 6 is exact for sections up to cubic (handbook, from memory)."""
    low, high = 6.0, 10.0
    a1, am, a2 = (
        AREA_FT2 * float(RADIUS[solid](np.array((16.0 - z) / 12.0))) ** 2
        for z in (low, (low + high) / 2, high)
    )
    newton = (high - low) * (a1 + 4 * am + a2) / 6
    assert float(solid_slice_ft3(solid, AREA_FT2, 4.0, 16.0, low, high)) == pytest.approx(newton)


def test_shift_of_the_slice():
    """Ground read 34.3 cm too high moves a true 6-10 ft slice up by as much.

    Source: the bias measured for the corrected Collier County ground model (USGS data, 2019),
    and arithmetic on it: full ellipsoid, top 16, base 4: 0.4259 becomes 0.4709; cone 0.4537
    becomes 0.3375.
    """
    for solid, true, seen in (("ellipsoid", 0.4259, 0.4709), ("cone", 0.4537, 0.3375)):
        whole = float(solid_above_ft3(solid, 1.0, 4.0, 16.0, 0.0))
        for shift, share in ((0.0, true), (0.343 / 0.3048, seen)):
            got = float(solid_slice_ft3(solid, 1.0, 4.0, 16.0, 6.0 + shift, 10.0 + shift)) / whole
            assert got == pytest.approx(share, abs=5e-5)


@pytest.mark.parametrize("solid", SOLIDS)
def test_a_solid_without_depth_holds_nothing(solid):
    got = solid_above_ft3(solid, 100.0, [4.0, 5.0, np.nan, 1.0], [4.0, 4.0, 4.0, np.nan], 0.0)
    assert got[:2].tolist() == [0.0, 0.0]
    assert np.isnan(got[2:]).all()


def test_unknown_solid():
    with pytest.raises(RangeError, match="solid: found 'egg'; needed one of cylinder, cone"):
        solid_above_ft3("egg", 1.0, 0.0, 1.0, 0.0)


@pytest.mark.parametrize("bad", [-0.01, 1.01, [0.5, 25.0]])
def test_a_share_is_from_0_to_1(bad):
    with pytest.raises(RangeError, match=r"removed_frac: found .*; needed shares from 0 to 1"):
        cut_height_ft("cone", 0.0, 1.0, bad)
