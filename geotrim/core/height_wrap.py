"""A height source that stands in for another: on its grid, in its unit."""

from __future__ import annotations

from typing import Any

from geotrim.model import HeightSource


class HeightsOf:
    """What a stand-in has from its ``source``; reading and the standard error are its own."""

    __slots__ = ()

    source: HeightSource

    @property
    def crs(self) -> Any:
        return self.source.crs

    @property
    def transform(self) -> tuple[float, float, float, float, float, float]:
        return self.source.transform

    @property
    def shape(self) -> tuple[int, int]:
        return self.source.shape

    @property
    def block_shape(self) -> tuple[int, int]:
        return self.source.block_shape

    @property
    def feet_per_unit(self) -> float:
        return self.source.feet_per_unit

    @property
    def notes(self) -> tuple[Any, ...]:
        """What the source tells of itself."""
        return tuple(getattr(self.source, "notes", ()))
