"""Random inputs with names, shared by the property tests."""

from __future__ import annotations

import numpy as np
import shapely
from hypothesis import assume
from hypothesis import strategies as st


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    """Finite numbers on a grid of thousandths, so that failures can be read."""
    return st.integers(round(low * 1000), round(high * 1000)).map(lambda i: i / 1000)


@st.composite
def stars(draw, low=-3.0, high=12.0, most=7.0):
    """A ring around a centre, as irregular as a crown drawn by hand; valid, often not convex."""
    n = draw(st.integers(3, 12))
    x, y = draw(numbers(low, high)), draw(numbers(low, high))
    reach = np.array(draw(st.lists(numbers(0.3, most), min_size=n, max_size=n)))
    turn = 2 * np.pi * (np.arange(n) + draw(numbers(0.0, 1.0))) / n
    ring = shapely.Polygon(np.column_stack([x + reach * np.cos(turn), y + reach * np.sin(turn)]))
    assume(ring.is_valid and ring.area > 0.01)
    return ring


@st.composite
def crowns(draw, low=-3.0, high=12.0):
    """A valid polygon or multipolygon, often with holes, its rings running either way."""
    shape = draw(stars(low, high))
    for _ in range(draw(st.integers(0, 2))):
        shape = shapely.difference(shape, draw(stars(low, high, most=3.0)))
    if draw(st.booleans()):
        shape = shapely.union(shape, draw(stars(low, high, most=3.0)))
    parts = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    parts = [part for part in parts if part.area > 1e-6]
    assume(parts)
    shape = parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)
    assume(shape.is_valid)
    return shapely.reverse(shape) if draw(st.booleans()) else shape


@st.composite
def transforms(draw):
    """A grid laid any way: north-up, south-up, turned, with cells of any two sides."""
    turn = draw(st.sampled_from([0.0, 0.3, 1.2, np.pi / 2, 2.5, 4.0]))
    wide, high = draw(numbers(0.4, 2.5)), draw(numbers(0.4, 2.5))
    flip = draw(st.sampled_from([-1.0, 1.0]))
    west, north = draw(numbers(-2.0, 2.0)), draw(numbers(-2.0, 12.0))
    cos, sin = np.cos(turn), np.sin(turn)
    return (wide * cos, -flip * high * sin, west, wide * sin, flip * high * cos, north)


@st.composite
def height_grids(draw, rows=9, cols=11, has_gaps=True):
    """Heights of -2 to 60, ties among them; some NaN or infinite when gaps are wanted."""
    seed = draw(st.integers(0, 2**32 - 1))
    rng = np.random.default_rng(seed)
    heights = np.round(rng.uniform(-2.0, 60.0, (rows, cols)), draw(st.integers(0, 3)))
    if has_gaps:
        heights[rng.random((rows, cols)) < draw(st.sampled_from([0.0, 0.2]))] = np.nan
        if draw(st.booleans()):
            heights[rng.integers(rows), rng.integers(cols)] = np.inf
    return heights


def breaks_to(top: float) -> st.SearchStrategy[list[float]]:
    """Rising heights from 0 up to ``top``, with any others between."""
    inner = st.lists(numbers(0.001, top - 0.001), max_size=6, unique=True)
    return inner.map(lambda values: [0.0, *sorted(values), top])


def errors_of_values() -> st.SearchStrategy[float]:
    """Standard errors as they come: none, not stated, small, great."""
    return st.sampled_from([0.0, float("nan"), 0.01, 0.1, 0.5, 2.0, 20.0])


@st.composite
def cut_low_counts(draw, most=3000):
    """Trees trimmed, at least one, and how many of them were cut too low; often near 5 %."""
    n_trimmed = draw(st.integers(1, most))
    edge = n_trimmed // 20
    near = st.integers(max(edge - 2, 0), min(edge + 2, n_trimmed))
    return n_trimmed, draw(st.one_of(near, st.integers(0, n_trimmed)))


@st.composite
def half_known_trees(draw):
    """Up to five trees: trimmed or not, low or not, each 1, 0 or unknown (NaN)."""
    one = st.sampled_from([1.0, 0.0, float("nan")])
    n = draw(st.integers(1, 5))
    return tuple(np.array(draw(st.lists(one, min_size=n, max_size=n))) for _ in range(2))


@st.composite
def half_known_plans(draw):
    """Up to six trees with a height to be left and a species, either of them not known at times."""
    n = draw(st.integers(1, 6))
    heights = st.sampled_from([4.0, 5.99, 6.0, 8.0, float("nan")])
    kinds = st.sampled_from(["red mangrove", "buttonwood", None])
    return [draw(st.lists(one, min_size=n, max_size=n)) for one in (heights, kinds)]
