"""What the map, the page and the summary of a screening are made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.report.screen_outlines import Outlines
from geotrim.report.screen_stands import KEYS
from geotrim.rules.rule_file import Rule


@dataclass(frozen=True, slots=True, eq=False)
class ScreenView:
    """A screening to be shown.

    lots : Arrow table without shapes, a lot a row, in the order of the input; columns of
        ``lot_rows_schema`` but ``fields`` and ``wkb``, then ``fault`` and the lots' own fields.
    own_fields : names of the columns of the lots' own fields.
    codes : (n,) how each lot stands, a place in ``screen_stands.KEYS``.
    places : (n,) jurisdiction of each lot, with words for lots in none.
    outlines : of the lots; ``shore`` and ``towns`` are on the same grid.
    town_names : (m,) name of each outline of a jurisdiction.
    rules : jurisdiction -> rules in force there, by id; "" holds those of lots in none.
    sums : by jurisdiction and by route, as they are written.
    """

    name: str
    crs_wkt: str
    mhw_origin: str
    lots: Any
    own_fields: tuple[str, ...]
    codes: npt.NDArray[np.int8]
    places: Any
    outlines: Outlines
    shore: Outlines
    towns: Outlines
    town_names: tuple[str, ...]
    rules: Mapping[str, Mapping[str, Rule]]
    n_crowns: int
    has_crowns: bool
    sums: Mapping[str, Any]

    @property
    def n_lots(self) -> int:
        return len(self.codes)

    def by_stand(self) -> dict[str, int]:
        """How many lots stand how; kinds without a lot are left out."""
        counts = np.bincount(self.codes, minlength=len(KEYS))
        return {key: int(n) for key, n in zip(KEYS, counts, strict=True) if n}
