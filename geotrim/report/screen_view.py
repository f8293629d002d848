"""What the map, the page and the summary of a screening are made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.report.screen_outlines import Outlines
from geotrim.report.screen_stands import COUNTED, JUDGED, KEYS, TO_CHECK
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
    has_heights: bool
    sums: Mapping[str, Any]

    @property
    def n_lots(self) -> int:
        return len(self.codes)

    def by_stand(self) -> dict[str, int]:
        """How many lots stand how; kinds without a lot are left out."""
        counts = np.bincount(self.codes, minlength=len(KEYS))
        return {key: int(n) for key, n in zip(KEYS, counts, strict=True) if n}

    def trees_by_stand(self) -> dict[str, int]:
        """Mangroves to cut, and trees that may be, on lots of each kind that is judged."""
        n = np.sum([self._numbers(name) for name in COUNTED], axis=0)
        return {key: int(np.sum(n[self.codes == KEYS.index(key)])) for key in JUDGED}

    def by_standing(self) -> dict[str, int]:
        """The same trees by how they stand, whatever their lots."""
        return {how: int(np.sum(self._numbers(name))) for name, how in COUNTED.items()}

    def worth_a_look(self) -> tuple[int, dict[str, tuple[int, int]]]:
        """Lots with something to check on the place; for each kind of it, lots and trees."""
        has_words = np.array([bool(words) for words in self.lots["to_check"].to_pylist()], bool)
        out = {}
        for name, words in TO_CHECK.items():
            n = self._numbers(name) * has_words
            out[words] = int(np.count_nonzero(n)), int(n.sum())
        return int(has_words.sum()), out

    def open_all_the_same(self) -> dict[str, tuple[int, int]]:
        """Trees told as open that the plan may not touch all the same: lots and trees."""
        out = {}
        for name in ("n_open_in_exclusion", "n_open_past_setback"):
            n = self._numbers(name)
            out[name] = int(np.count_nonzero(n)), int(n.sum())
        return out

    def _numbers(self, name: str) -> npt.NDArray[np.float64]:
        """(n,) a column of counts; what was not counted is none."""
        return np.array([value or 0 for value in self.lots[name].to_pylist()], dtype=np.float64)
