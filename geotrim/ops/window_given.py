"""What the operation ``window`` is given, with what all lots share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import shapely

from geotrim.core.foliage import Foliage
from geotrim.core.fringe import Baseline
from geotrim.errors import RangeError
from geotrim.model import Facts, HeightSource, Note, Result
from geotrim.ops.canopy_cells import CrownCells
from geotrim.ops.eyes import eyes_of_lots
from geotrim.ops.window_spans import Spans, beyond
from geotrim.ops.window_view import Shore, shore_of
from geotrim.rules.readings import Readings
from geotrim.rules.rule_set import RuleSet

PLANNED, NO_WINDOW, OWN, NOT_PLANNED = "planned", "no window", "own window", "not planned"


@dataclass(frozen=True, slots=True, eq=False)
class Given:
    """What the operation was given, with what all lots share."""

    lots: Any
    lines: list[Baseline]
    crowns: Any
    trunks: Any
    ground: HeightSource | None
    facts: Facts
    rules: RuleSet
    readings: Readings
    frontage: Result
    fringe: Result
    zone: Result
    strips: Any
    route: Result
    cells: CrownCells
    foliage: Foliage
    eyes: Any
    mhw_facts: Mapping[str, Any]
    keep: Mapping[str, str]
    own: Spans | None
    asked: Mapping[str, Any]
    feet: float
    notes: tuple[Note, ...] = ()

    def with_eyes(self, eyes: Any) -> Given:
        """The same with the eyes of measured lots."""
        if eyes is None or not len(eyes):
            return self
        mine, notes = eyes_of_lots(self.lots, eyes)
        return replace(self, eyes=mine, notes=(*self.notes, *notes))

    def zone_of(self, lot_id: str) -> Any:
        """Zone of a lot, in map units."""
        rows = self.zone["zone"]
        return shapely.union_all(rows.geometry.array[(rows["lot_id"] == lot_id).to_numpy()])

    def shore(self, lot_id: str) -> Shore:
        """Stations of a lot."""
        return shore_of(
            lot_id, self.frontage, self.lines, self.crowns, self.fringe, self.zone_of(lot_id),
            self.strips, float(self.asked["station_step_ft"]), self.feet,
        )  # fmt: skip

    def lacking(self, lot_id: str) -> tuple[str, str] | None:
        """Status and reason of a lot that cannot be planned for; None for the others."""
        rows = self.frontage["lots"]
        lot = rows[rows["lot_id"] == lot_id].iloc[0]
        if lot["n_stretches"] == 0:
            return NOT_PLANNED, str(lot["reason"])
        places = self.fringe["fringe_crowns"]
        mine = (places["lot_id"] == lot_id) & places["is_fringe"].astype(bool)
        if not mine.any():
            return NOT_PLANNED, "no tree stands in a fringe along this shore"
        zone = self.zone["zone"]
        row = zone[zone["lot_id"] == lot_id].iloc[0]
        if row["status"] != "ok":
            return NO_WINDOW, str(row["reason"])
        if self.own is not None and beyond(self.own, self.shore(lot_id)) is not None:
            return NOT_PLANNED, "the window asked for does not lie on this lot's shore"
        return None

    def check_own(self, ids: list[str]) -> None:
        """Refuse a window of the user's own that lies on no lot's shore."""
        if self.own is None:
            return
        fronts = self.frontage["lots"]
        ids = [i for i in ids if fronts.loc[fronts["lot_id"] == i, "n_stretches"].iloc[0] > 0]
        shores = {lot_id: self.shore(lot_id) for lot_id in ids}
        off = {lot_id: beyond(self.own, shore) for lot_id, shore in shores.items()}
        if not off or not all(off.values()):
            return
        ends = ", ".join(
            f"{lot_id}: {shore.from_ft.min():.4g} to {shore.to_ft.max():.4g}"
            for lot_id, shore in list(shores.items())[:5]
        )
        low, high = next(span for span in off.values() if span is not None)
        end = max(float(shore.to_ft.max()) for shore in shores.values())
        where = f"ends past {end:.4g}" if low < end else "lies on no lot's shore"
        raise RangeError(
            "window_spans_ft", f"{low:g}-{high:g}, which {where}",
            f"stations along a frontage ({ends} ft)", "look stations up in the elevation figure",
        )  # fmt: skip
