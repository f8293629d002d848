"""Where cross-sections are drawn: stations of the user's own, or those that tell most of a lot."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from geotrim.errors import RangeError
from geotrim.model import Note, Result

#: Spans of a window that get a section each, the longest first. A drawing rule.
MOST_SPANS = 3
#: Two stations nearer than this are one. [ft]
SAME_FT = 1e-6
#: A station of the user's own may lie this far past a shore's end, whose length is no round
#: number. [ft]
PAST_END_FT = 1.0


@dataclass(frozen=True, slots=True)
class Place:
    """One section: its stretch, its station along the lot's shore, and why it is drawn there."""

    stretch_id: str
    station_ft: float
    why: str


def letters(n: int) -> list[str]:
    """Names of n sections: A to Z, then AA, AB ...

    Examples
    --------
    >>> letters(28)[-3:]
    ['Z', 'AA', 'AB']
    """
    names = []
    for k in range(n):
        name, left = "", k + 1
        while left:
            left, digit = divmod(left - 1, 26)
            name = chr(ord("A") + digit) + name
        names.append(name)
    return names


def places_of(
    lot_id: str, fringe: Result, trees: Any, window: Result | None, half_ft: float
) -> list[Place]:
    """Stations of a lot that tell most of it, from left to right.

    Parameters
    ----------
    lot_id : str
    fringe : Result
        Of the operation ``fringe``.
    trees : DataFrame
        The lot's trees that stand along its shore: ``crown_id``, ``stretch_id``, ``station_ft``,
        ``top_ft``, ``is_cut``.
    window : Result or None
        Of the operation ``window``.
    half_ft : float
        Half the width of the strip whose trees a section shows. [ft]

    Notes
    -----
    In this order, each left out that lies in the strip of one before it, whose reason then names
    it: where the fringe is deepest; the middles of the window's spans, the three
    longest; the tallest tree that is cut. Where there is no window: the deepest place, and the
    tallest tree that is cut or, where none is cut, the tallest.
    """
    wanted = [*_deepest(lot_id, fringe), *_spans(lot_id, window)]
    wanted += _tallest(trees, is_any=len(wanted) < 2)
    chosen: list[Place] = []
    for place in wanted:
        near = [k for k, one in enumerate(chosen) if _gap_ft(one, place) <= half_ft + SAME_FT]
        if near:
            k = min(near, key=lambda n: _gap_ft(chosen[n], place))
            why = f"{chosen[k].why}; {place.why}{_beside(place.station_ft - chosen[k].station_ft)}"
            chosen[k] = replace(chosen[k], why=why)
        else:
            chosen.append(place)
    return sorted(chosen, key=lambda one: one.station_ft)


def own_places(
    stations_ft: Sequence[float], lots: Iterable[str], stretches: Any
) -> tuple[dict[str, list[Place]], list[Note]]:
    """Stations the user asked for, on every lot whose shore is long enough.

    Parameters
    ----------
    stations_ft : rising numbers
        Counted along each lot's own shore. [ft]
    lots : ids of the measured lots
    stretches : DataFrame
        The table ``frontage`` of that operation.

    Returns
    -------
    lot id -> places, notes

    Raises
    ------
    RangeError
        If a station lies on no lot's shore.
    """
    ends = stretches.groupby("lot_id")["station_to_ft"].max()
    found: dict[str, list[Place]] = {lot_id: [] for lot_id in lots}
    ends_ft = {lot_id: float(ends[lot_id]) for lot_id in found if lot_id in ends.index}
    past: dict[str, list[str]] = {}
    for station in stations_ft if ends_ft else ():
        if station > max(ends_ft.values()) + PAST_END_FT:
            raise _on_no_shore(station, ends_ft)
        for lot_id, end in ends_ft.items():
            if station > end + PAST_END_FT:
                past.setdefault(lot_id, []).append(f"{station:g}")
                continue
            at = min(station, end)
            is_here = (stretches["lot_id"] == lot_id) & (stretches["station_to_ft"] >= at - SAME_FT)
            place = Place(str(stretches.loc[is_here, "stretch_id"].iloc[0]), at, "asked for")
            found[lot_id] += [place] if place not in found[lot_id] else []
    text = "no cross-section at {} ft, past the end of its shore"
    notes = [
        Note(f"lot {lot_id}", text.format(", ".join(some)), "info") for lot_id, some in past.items()
    ]
    return found, notes


def _on_no_shore(station_ft: float, ends_ft: Mapping[str, float]) -> RangeError:
    told = ", ".join(f"{lot_id}: 0 to {end:.4g}" for lot_id, end in list(ends_ft.items())[:5])
    return RangeError(
        "section_stations_ft",
        f"{station_ft:g}, which lies on no lot's shore",
        f"stations along a frontage ({told} ft)",
        "look stations up in the elevation figure",
    )


def _gap_ft(one: Place, other: Place) -> float:
    """Distance along the shore; infinite between stretches, which face two ways."""
    if one.stretch_id != other.stretch_id:
        return float("inf")
    return abs(one.station_ft - other.station_ft)


def _beside(gap_ft: float) -> str:
    """How far along the shore something stands, and which way stations run to it.

    Not right or left: on a section the right is the water.

    Examples
    --------
    >>> _beside(3.42), _beside(0.04)
    (', 3.4 ft along the shore towards higher stations', '')
    """
    if abs(gap_ft) < 0.05:
        return ""
    way = "along the shore towards higher" if gap_ft > 0 else "along the shore towards lower"
    return f", {abs(gap_ft):.1f} ft {way} stations"


def _deepest(lot_id: str, fringe: Result) -> list[Place]:
    rows = fringe["transects"]
    mine = rows[(rows["lot_id"] == lot_id) & np.isfinite(rows["fringe_depth_ft"])]
    if not len(mine):
        return []
    row = mine.iloc[int(np.argmax(mine["fringe_depth_ft"].to_numpy(dtype=np.float64)))]
    why = "where the fringe is deepest"
    return [Place(str(row["stretch_id"]), float(row["station_ft"]), why)]


def _spans(lot_id: str, window: Result | None) -> list[Place]:
    if window is None or "window_spans" not in window.tables:
        return []
    rows = window["window_spans"]
    mine = rows[rows["lot_id"] == lot_id]
    mine = mine.sort_values("span_length_ft", ascending=False, kind="stable").iloc[:MOST_SPANS]
    return [
        Place(
            str(row.stretch_id),
            (row.station_from_ft + row.station_to_ft) / 2.0,
            f"the middle of the window's span from {row.station_from_ft:.4g} to "
            f"{row.station_to_ft:.4g} ft",
        )
        for row in mine.itertuples()
    ]


def _tallest(trees: Any, *, is_any: bool) -> list[Place]:
    """The tallest tree that is cut; the tallest at all where none is and that is wanted."""
    cut = trees[trees["is_cut"]]
    what = "the tallest tree that is cut"
    if not len(cut):
        if not is_any:
            return []
        cut, what = trees, "the tallest tree"
    cut = cut[np.isfinite(cut["top_ft"])]
    if not len(cut):
        return []
    row = cut.iloc[int(np.argmax(cut["top_ft"].to_numpy(dtype=np.float64)))]
    why = f"at {row['crown_id']}, {what}"
    return [Place(str(row["stretch_id"]), float(row["station_ft"]), why)]
