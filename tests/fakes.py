"""Height sources with a known answer, held to the protocol by the type checker."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from geotrim.model import CanopyGrid, FloatArray, HeightSource


@dataclass
class GridSource:
    """An array on any grid, in any blocks, that remembers which blocks were read."""

    heights: FloatArray
    transform: tuple[float, float, float, float, float, float]
    block_shape: tuple[int, int]
    feet_per_unit: float = 1.0
    rmse_ft: float | None = None
    crs: Any = None
    reads: list[tuple[int, int, int, int]] = field(default_factory=list)

    @property
    def shape(self) -> tuple[int, int]:
        rows, cols = self.heights.shape
        return rows, cols

    def read(self, row0: int, row1: int, col0: int, col1: int) -> FloatArray:
        self.reads.append((row0, row1, col0, col1))
        return np.array(self.heights[row0:row1, col0:col1])


def north_up(
    heights: Any, west: float = 0.0, north: float = 0.0, cell: float = 1.0, **more: Any
) -> GridSource:
    """A plain grid; one block unless ``block_shape`` says otherwise."""
    array = np.asarray(heights)
    more.setdefault("block_shape", array.shape)
    return GridSource(array, (cell, 0.0, west, 0.0, -cell, north), **more)


FIT: tuple[type[HeightSource], ...] = (GridSource, CanopyGrid)
