"""What figures and words read of a lot's window, its stages and its sight lines, in one place.

Any of these operations may be missing, or have left the lot without a window.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from geotrim.report import facts
from geotrim.report.statement_figures import figure

#: A station this near to a tenth is one: US survey feet are 2 in a million longer. [ft]
NEAR_TENTH_FT = 0.02
#: What is done to a tree -> words.
TREATMENTS = {
    "clear-band": "band cleared under a kept top",
    "lower-top": "top lowered",
    "leave": "left as it is",
}


@dataclass(frozen=True, slots=True)
class Cut:
    """Heights taken off one tree.

    year : year of the plan, 1 for the first; 0 where the cut is not spread over years.
    low_ft, high_ft : between these heights above the substrate; infinite for the top. [ft]
    date : earliest day of that year's cut, ISO text, "" where none is known.
    """

    crown_id: str
    year: int
    low_ft: float
    high_ft: float
    date: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """What a lot's trees lose.

    cuts : crown id -> its cuts, in the order they are made.
    spans : rows of ``window_spans``; empty where only planned heights are staged.
    is_window : whether it is a window that is planned, not heights.
    why_no_window : why there is no window, where one was looked for; else "".
    """

    cuts: Mapping[str, list[Cut]]
    spans: list[dict[str, Any]]
    is_window: bool
    why_no_window: str = ""

    @property
    def years(self) -> list[int]:
        """Years in which something is cut, rising; 0 for what is not staged."""
        return sorted({cut.year for cuts in self.cuts.values() for cut in cuts})

    def dates(self, year: int) -> str:
        """The earliest day of a year's cuts where all of them have the same, else ""."""
        found = {c.date for cuts in self.cuts.values() for c in cuts if c.year == year}
        return found.pop() if len(found) == 1 else ""


def plan_of(results: facts.Results, lot_id: str) -> Plan | None:
    """What is cut on one lot: the window, staged where it is; else the staged planned heights.

    Returns
    -------
    Plan or None
        None where neither was planned.
    """
    spans = rows_of(results, "window", "window_spans", lot_id)
    staged = staged_cuts(results, lot_id)
    stage = row_of(results, "stages", "stage_lots", lot_id)
    if not spans:
        return Plan(staged, [], False, _why_none(results, lot_id)) if staged else None
    is_staged = stage is not None and stage["plan"] == "window"
    return Plan({**_treated(results, lot_id), **(staged if is_staged else {})}, spans, True)


def _why_none(results: facts.Results, lot_id: str) -> str:
    """Why a window that was looked for is not there, as a sentence without its point."""
    lot = row_of(results, "window", "window_lots", lot_id)
    if lot is None or lot["status"] != "no window":
        return ""
    return text_of(lot["reason"]).rstrip(".") or "no tree may be cut within the limits"


def span_name(span_id: Any) -> str:
    """The short name of a span.

    Examples
    --------
    >>> span_name("SB-07/w1")
    'w1'
    """
    return str(span_id).rpartition("/")[2]


def stations(row: Mapping[str, Any]) -> str:
    """The stations of a span as text.

    Examples
    --------
    >>> stations({"station_from_ft": 43.0, "station_to_ft": 61.5})
    '43-61.5'
    >>> stations({"station_from_ft": 3.0001, "station_to_ft": 1024.001})
    '3-1024'
    """
    return f"{_station(row['station_from_ft'])}-{_station(row['station_to_ft'])}"


def _station(value: Any) -> str:
    """A station to a hundredth of a foot; what is a tenth but for its map unit to the tenth."""
    station, tenth = float(value), round(float(value), 1)
    told = tenth if abs(station - tenth) < NEAR_TENTH_FT else station
    return f"{told + 0.0:.2f}".rstrip("0").rstrip(".")


def rows_of(results: facts.Results, operation: str, name: str, lot_id: str) -> list[dict[str, Any]]:
    """A table's rows of one lot as mappings, none where the table is not there."""
    table = facts.table(results, operation, name)
    if table is None or "lot_id" not in table.columns:
        return []
    mine: list[dict[str, Any]] = table[table["lot_id"].astype(str) == lot_id].to_dict("records")
    return mine


def row_of(results: facts.Results, operation: str, name: str, lot_id: str) -> dict[str, Any] | None:
    """The one row of a lot, or None."""
    rows = rows_of(results, operation, name, lot_id)
    return rows[0] if rows else None


def _treated(results: facts.Results, lot_id: str) -> dict[str, list[Cut]]:
    """Cuts of the window as a whole, not staged."""
    out = {}
    for row in rows_of(results, "window", "window_trees", lot_id):
        if row["treatment"] == "leave" or not np.isfinite(row["cut_low_ft"]):
            continue
        high = float(row["cut_high_ft"])
        high = high if np.isfinite(high) else math.inf
        out[str(row["crown_id"])] = [Cut(str(row["crown_id"]), 0, float(row["cut_low_ft"]), high)]
    return out


def staged_cuts(results: facts.Results, lot_id: str) -> dict[str, list[Cut]]:
    """Cuts year by year; a top cut reaches up to where the year before left it."""
    out: dict[str, list[Cut]] = {}
    rows = rows_of(results, "stages", "stage_cuts", lot_id)
    for row in sorted(rows, key=lambda row: (str(row["crown_id"]), int(row["year"]))):
        crown = str(row["crown_id"])
        mine = out.setdefault(crown, [])
        low, high = float(row["from_ft"]), float(row["to_ft"])
        if not np.isfinite(high):
            tops = [cut.low_ft for cut in mine]
            high = min(tops, default=math.inf)
        if high > low:
            mine.append(Cut(crown, int(row["year"]), low, high, text_of(row.get("date"))))
    return {crown: cuts for crown, cuts in out.items() if cuts}


def amount(value: float, unit: str) -> str:
    """A figure of a limit with its unit, "" where there is none.

    Examples
    --------
    >>> amount(30.0, "ft"), amount(0.25, "frac"), amount(812.4, "ft3"), amount(3.0, "")
    ('30.0 ft', '25 %', '812 cu ft', '3')
    >>> amount(float("nan"), "ft")
    ''
    """
    if not np.isfinite(value):
        return ""
    if unit == "ft3":
        return f"{value:,.0f} cu ft"
    if unit == "frac":
        return f"{round(100.0 * value, 1):g} %"
    return figure(float(value), unit).strip()


def text_of(value: Any) -> str:
    """A text of a table, "" where there is none."""
    return value if isinstance(value, str) else ""
