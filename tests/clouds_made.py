"""Clouds made up from formulas: ground, crowns and pulses whose answers are known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Slope:
    """A plane: ``level`` at the origin, rising ``east`` and ``north`` over each unit."""

    level: float = 0.0
    east: float = 0.0
    north: float = 0.0

    def __call__(self, x, y):
        return self.level + self.east * x + self.north * y


@dataclass(frozen=True)
class Hill:
    """A plane with a rounded hill of a height on it; steepest 0.86 height / width."""

    under: Slope
    x: float
    y: float
    height: float
    width: float

    def __call__(self, x, y):
        far2 = ((x - self.x) ** 2 + (y - self.y) ** 2) / self.width**2
        return self.under(x, y) + self.height * np.exp(-far2)


@dataclass(frozen=True)
class Crown:
    """A round crown on the ground. Volumes: handbooks of formulas (facts S-01, S-02, S-04)."""

    x: float
    y: float
    radius: float
    top: float
    shape: str = "cone"

    @property
    def volume(self):
        share = {"column": 1.0, "cone": 1.0 / 3.0, "dome": 2.0 / 3.0}[self.shape]
        return share * np.pi * self.radius**2 * self.top

    def __call__(self, x, y):
        """Height of its skin above the ground; 0 beside it."""
        far = np.hypot(x - self.x, y - self.y) / self.radius
        inner = np.minimum(far, 1.0)
        skin = {
            "column": np.ones_like(inner),
            "cone": 1.0 - inner,
            "dome": np.sqrt(1.0 - inner**2),
        }[self.shape]
        return np.where(far <= 1.0, self.top * skin, 0.0)


@dataclass(frozen=True)
class Box:
    """A flat roof over a rectangle (west, south, east, north)."""

    west: float
    south: float
    east: float
    north: float
    top: float

    def __call__(self, x, y):
        is_in = (x >= self.west) & (x <= self.east) & (y >= self.south) & (y <= self.north)
        return np.where(is_in, self.top, 0.0)


@dataclass(frozen=True)
class Cloud:
    """Returns: place, elevation, height above the ground as made, class (2 ground, else 1)."""

    x: np.ndarray
    y: np.ndarray
    z: np.ndarray
    above: np.ndarray
    code: np.ndarray


def regular(bounds, spacing, offset=0.5):
    """Pulses in rows, each in the middle of its own square."""
    west, south, east, north = bounds
    x = np.arange(west + offset * spacing, east, spacing)
    y = np.arange(south + offset * spacing, north, spacing)
    return tuple(a.ravel() for a in np.meshgrid(x, y))


def cloud_of(ground, things, x, y, *, seen_share=1.0, closed=(), rng=None):
    """One return of the highest skin for each pulse, and a ground return of some.

    ground : function of x, y.
    things : crowns and boxes.
    seen_share : share of the pulses on a thing that also reach the ground.
    closed : things nothing gets through, such as a roof.
    """
    above = np.max([thing(x, y) for thing in things] or [np.zeros_like(x)], axis=0)
    is_on, is_closed = above > 0, np.zeros(x.shape, dtype=bool)
    for thing in closed:
        is_closed |= thing(x, y) > 0
    lucky = np.ones(x.shape, dtype=bool) if rng is None else rng.random(x.size) < seen_share
    seen = ~is_on | (lucky & ~is_closed)
    level = ground(x, y)
    return Cloud(
        np.concatenate([x[is_on], x[seen]]),
        np.concatenate([y[is_on], y[seen]]),
        np.concatenate([(level + above)[is_on], level[seen]]),
        np.concatenate([above[is_on], np.zeros(seen.sum())]),
        np.concatenate([np.full(is_on.sum(), 1), np.full(seen.sum(), 2)]),
    )


def pulses_through(layers_density, k, n_pulses, rng, *, layer=1.0):
    """Height above the ground at which each pulse is stopped; 0 for those that reach the ground.

    layers_density : leaf area density of each layer, from the ground up. [1/length]
    k : share of a leaf's area that stands in the way.
    layer : depth of a layer. [length]

    Beer-Lambert: of the pulses that enter a layer, exp(-k density depth) leave it. A pulse is
    stopped where the optical depth above it passes a number drawn from Exp(1).
    """
    depth = k * np.asarray(layers_density, dtype=float)[::-1] * layer
    below = np.concatenate([[0.0], np.cumsum(depth)])  # optical depth down to each layer's floor
    drawn = rng.exponential(size=n_pulses)
    passed = np.interp(drawn, below, np.arange(below.size))  # layers passed, with a fraction
    height = (below.size - 1 - passed) * layer
    return np.where(drawn >= below[-1], 0.0, height)
