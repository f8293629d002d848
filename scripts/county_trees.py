"""Trees of the invented county: most along the shore, the rest in yards."""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from county_ground import MARGIN_FT, Array, County, lots_of, shore_of

RING = 30
SHORE_FRAC = 0.75
FRINGE = ("red mangrove", "black mangrove", "white mangrove", "buttonwood", None, "sea grape")
#: Of trees standing in the water, at the line, and behind it.
SHARES = (
    (0.70, 0.08, 0.08, 0.00, 0.14, 0.00),
    (0.30, 0.25, 0.27, 0.08, 0.08, 0.02),
    (0.08, 0.17, 0.30, 0.30, 0.08, 0.07),
)
YARD = ("cabbage palm", "coconut palm", "sea grape", "live oak")


@dataclass(frozen=True, slots=True, eq=False)
class Trees:
    """Trees of one square in its own coordinates.

    centre : (n, 2). radius : (n, 30) of the outline at even angles. top : (n,) [ft].
    species : (n,) names, None where unknown.
    """

    centre: Array
    radius: Array
    top: Array
    species: npt.NDArray[np.object_]


def trees_of(county: County, square: int) -> Trees:
    """Trees of a square, a pure function of the county's seed and size and the square's number."""
    rng = county.rng(square, 4)
    low, high = county.crowns_of(square)
    n = high - low
    n_shore = round(SHORE_FRAC * n)
    places, offset = _along(county, square, rng, n_shore)
    yard = _in_yards(county, square, rng, n - n_shore)
    centre = np.concatenate([places, yard])
    belt = np.digitize(offset, [-3.0, 4.0])  # inland is positive
    species = np.empty(n, dtype=object)
    names = np.array(FRINGE, dtype=object)
    for k, share in enumerate(SHARES):
        here = np.flatnonzero(belt == k)
        species[here] = names[rng.choice(len(FRINGE), here.size, p=share)]
    species[n_shore:] = np.array(YARD, dtype=object)[rng.integers(0, len(YARD), n - n_shore)]
    top = np.clip(rng.lognormal(np.log(11.0), 0.4, n), 3.0, 45.0)
    size = np.clip(rng.uniform(3.0, 6.0, n) * np.sqrt(top / 11.0), 2.5, MARGIN_FT / 1.3)
    radius = size[:, None] * rng.uniform(0.85, 1.15, (n, RING))
    order = rng.permutation(n)  # a survey lists trees in no order of ours
    centre = np.clip(centre, MARGIN_FT, county.side - MARGIN_FT)
    return Trees(centre[order], radius[order], top[order], species[order])


def _along(
    county: County, square: int, rng: np.random.Generator, n: int
) -> tuple[Array, npt.NDArray[np.float64]]:
    """Places along all shores, and how far inland of the line each stands. [ft]."""
    lines = shore_of(county, square)
    a = np.concatenate([line[:-1] for line in lines])
    b = np.concatenate([line[1:] for line in lines])
    step = b - a
    size = np.hypot(step[:, 0], step[:, 1])
    edges = np.concatenate([[0.0], np.cumsum(size)])
    s = rng.uniform(0.0, edges[-1], n)
    k = np.clip(np.searchsorted(edges, s, side="right") - 1, 0, len(size) - 1)
    way = step[k] / size[k][:, None]
    # Every line runs with the land on its left, rings too
    inland = np.stack([-way[:, 1], way[:, 0]], axis=1)
    # Deeper on the open shore than in a canal, and deepest in some places
    is_open = np.abs(way[:, 0]) > 0.6
    width = np.where(is_open, 22.0 + 14.0 * np.sin(s / 210.0), 9.0)
    offset = rng.normal(-0.25 * width, 0.35 * width)
    offset = np.where(is_open, offset, np.maximum(offset, -14.0))
    return a[k] + way * (s - edges[k])[:, None] + inland * offset[:, None], offset


def _in_yards(county: County, square: int, rng: np.random.Generator, n: int) -> Array:
    """Places in lots away from their edges; some crowns still cross a lot line."""
    shapes = lots_of(county, square).shapes
    boxes = np.array([shape.bounds for shape in shapes])
    mine = boxes[rng.integers(0, len(boxes), n)]
    share = rng.uniform(0.1, 0.9, (n, 2))
    return mine[:, :2] + share * (mine[:, 2:] - mine[:, :2])


def rings_of(trees: Trees, corner: tuple[float, float]) -> Array:
    """Outlines in the county's coordinates, (n, 31, 2), rounded to a thousandth of a foot."""
    turn = np.linspace(0.0, 2 * np.pi, RING + 1)[:-1]
    out = np.empty((len(trees.top), RING + 1, 2))
    middle = trees.centre + np.asarray(corner)
    out[:, :RING, 0] = middle[:, :1] + trees.radius * np.cos(turn)
    out[:, :RING, 1] = middle[:, 1:] + trees.radius * np.sin(turn)
    out[:, :RING] = np.round(out[:, :RING], 3)
    out[:, RING] = out[:, 0]
    return out


def wkb_of(rings: Array) -> bytes:
    """Polygons of one ring each as well-known binary, one after the other, all of one length."""
    n, vertices, _ = rings.shape
    head = np.frombuffer(struct.pack("<BIII", 1, 3, 1, vertices), dtype=np.uint8)
    out = np.empty((n, head.size + vertices * 16), dtype=np.uint8)
    out[:, : head.size] = head
    out[:, head.size :] = np.ascontiguousarray(rings).reshape(n, -1).view(np.uint8)
    return out.tobytes()
