"""What is known of one lot and its trees, as rules see it: values with their errors.

Yes-no values are 1, 0, and NaN for unknown. Facts the user answered become such values here.
"""

from __future__ import annotations

import calendar
import datetime
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.rules.side_by_side import Rows

Floats = npt.NDArray[np.float64]
#: Months in which birds usually nest. Source: wildlife commission reminder of 2025, read
#: second-hand: mid-February in parts of Florida, through summer.
NESTING_MONTHS = frozenset(range(2, 10))
#: Reading -> first and last month of the season that is advised.
SEASONS = {"october-to-march": (10, 3), "late-spring": (4, 6)}


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """A value and its standard error, for the lot (shape ``()``) or for each tree (``(n,)``).

    value : NaN is unknown.
    error : NaN where nobody stated it.
    most : what an unknown value surely does not pass, if anything is known of that.
    least : where the value is the greatest it can be, the least it can be.
    """

    value: Floats
    error: Floats
    most: Measured | None = None
    least: Measured | None = None

    @staticmethod
    def of(value: npt.ArrayLike, error: npt.ArrayLike = np.nan) -> Measured:
        """A value with its error, as arrays."""
        return Measured(np.asarray(value, np.float64), np.asarray(error, np.float64))

    def is_same(self, other: Measured) -> bool:
        """Whether nothing differs: not the value, not its error, not what it surely passes not."""
        if self is other:
            return True
        pairs = ((self.value, other.value), (self.error, other.error))
        bounds = ((self.most, other.most), (self.least, other.least))
        return all(np.array_equal(a, b, equal_nan=True) for a, b in pairs) and all(
            a is b or (a is not None and b is not None and a.is_same(b)) for a, b in bounds
        )


#: What nobody knows.
NOTHING = Measured.of(np.nan)


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """One lot as rules see it, or several side by side of which the same facts are known.

    tree_ids : ids of its trees; the arrays of trees are in this order.
    values : name -> Measured, of the lot or of each tree. What is not there is unknown:

        ``is_mangrove``, ``is_red``; ``field_height_ft``, ``raster_height_ft``;
        ``is_raster_corrected`` (1 where enough sticks found its bias to take off);
        ``target_height_ft``, ``base_height_ft``, ``foliage_removed_frac`` (share of the foliage
        above the target, as the raster has it); ``trunk_margin_ft``,
        ``crown_margin_ft``, ``from_innermost_ft``; ``depth_greatest_ft``, ``depth_station_ft``
        and both with ``local``; ``shoreline_along_ft``, ``_smoothed_ft``, ``_chord_ft``;
        ``share_of_trees_frac``, ``share_of_length_frac``, ``share_of_area_frac``,
        ``permit_share_frac``; ``on_shore`` (1 where the tree stands in the fringe),
        ``is_to_trim``, ``canopy_area_ft2``, ``fringe_length_ft``; ``in_conservation``,
        ``in_mitigation``, ``in_island``, ``in_public_island``: 1 where a polygon of land set aside
        covers the tree, 0 where none does, NaN where that cannot be told; without polygons the
        facts alone say.
    facts : what the user answered, by the keys of ``facts.toml``.
    stage_years : years the work is planned over.
    leaves_above : where the raster's shares come from profiles of the leaves, what share each
        tree's profile has above heights of the raster's kind, ``(n,) -> (n,)``; NaN without one.
        None where shares come from another model.
    side_by_side : which rows are of which lot, where there are several: then every array of values
        has a row for each tree, or, of lots without trees, one for each lot. None for one lot.
    """

    lot_id: str
    tree_ids: tuple[str, ...] = ()
    values: Mapping[str, Measured] = field(default_factory=dict)
    facts: Mapping[str, Any] = field(default_factory=dict)
    stage_years: int = 1
    leaves_above: Callable[[Floats], Floats] | None = None
    side_by_side: Rows | None = None

    @property
    def n_judged(self) -> int:
        """Trees that are judged; of a lot without any, one of which nothing is known."""
        return max(len(self.tree_ids), 1) if self.side_by_side is None else self.side_by_side.n

    @property
    def rows(self) -> Rows:
        """Which trees are of which lot."""
        if self.side_by_side is None:
            return Rows(np.zeros(1, dtype=np.intp), self.n_judged)
        return self.side_by_side

    def get(self, name: str) -> Measured:
        """A value by name; unknown if nobody gave it."""
        return self.values.get(name, NOTHING)


def fact_values(facts: Mapping[str, Any], season: str) -> dict[str, float]:
    """The facts as values that rules compare.

    Parameters
    ----------
    facts : mapping
        Fact -> answer.
    season : str
        A key of ``SEASONS``.

    Examples
    --------
    >>> told = fact_values({"supervisor": "professional"}, "late-spring")
    >>> told["is_owner_supervising"], told["is_professional"]
    (0.0, nan)
    """
    flag = {key: _flag(facts.get(key)) for key in FLAGS}
    mitigation = both(flag["is_mitigation_land"], contrary(flag["mitigation_provides_trimming"]))
    start = facts.get("start_date")
    return {
        **{key: flag[key] for key in FLAGS},
        "is_owner_supervising": _is(facts.get("supervisor"), "owner"),
        "is_professional": _is_professional(facts),
        "is_mitigation_silent": mitigation,
        "has_earlier_proof": contrary(_is(facts.get("earlier_proof"), "none")),
        "earlier_height_ft": float(facts.get("earlier_height_ft", np.nan)),
        "notice_days": _days(facts.get("notice_date"), start),
        "months_since_freeze": _months(facts.get("last_freeze_date"), start),
        "days_out_of_season": days_out_of_season(start, season),
        "is_nesting_season": np.nan if start is None else float(start.month in NESTING_MONTHS),
    }


def deciding_facts() -> frozenset[str]:
    """Facts that values come from: lots with the same answers to these can be judged together."""
    return frozenset(FLAGS) | {
        "supervisor",
        "professional_credential",
        "earlier_proof",
        "earlier_height_ft",
        "notice_date",
        "start_date",
        "last_freeze_date",
    }


FLAGS = (
    "controls_land",
    "is_uninhabited_island",
    "is_public_land",
    "is_conservation_land",
    "is_mitigation_land",
    "mitigation_provides_trimming",
    "uses_herbicide",
    "is_first_red_trim",
    "was_lawfully_trimmed",
    "is_multifamily",
)


def both(one: Any, other: Any) -> Any:
    """*And* of yes-no values: no beats unknown, unknown beats yes."""
    if isinstance(one, float) and isinstance(other, float):
        return 0.0 if one == 0.0 or other == 0.0 else one * other
    low = np.fmin(one, other)
    return _plain(np.where(low == 0.0, 0.0, np.maximum(one, other) * np.minimum(one, other)))


def either(one: Any, other: Any) -> Any:
    """*Or* of yes-no values: yes beats unknown, unknown beats no."""
    return contrary(both(contrary(one), contrary(other)))


def contrary(value: Any) -> Any:
    """*Not* of yes-no values; unknown stays unknown."""
    if isinstance(value, float):
        return 1.0 - value
    return _plain(1.0 - np.asarray(value, dtype=np.float64))


def days_out_of_season(day: datetime.date | None, season: str) -> float:
    """Days from a day to the nearest day of the advised season; 0 within it. [days].

    Examples
    --------
    >>> days_out_of_season(datetime.date(2027, 4, 10), "october-to-march")
    10.0
    """
    if day is None:
        return np.nan
    first, last = SEASONS[season]
    if (day.month - first) % 12 <= (last - first) % 12:
        return 0.0
    opens = datetime.date(day.year + (day.month > first), first, 1)
    after = last % 12 + 1
    closed = datetime.date(day.year - (day.month < after), after, 1)
    return float(min((opens - day).days, (day - closed).days + 1))


def months_between(first: datetime.date, last: datetime.date) -> float:
    """Months of the calendar from one day to another, a begun one by its days. [months].

    Examples
    --------
    >>> months_between(datetime.date(2027, 1, 1), datetime.date(2027, 7, 1))
    6.0
    """
    n = 12 * (last.year - first.year) + last.month - first.month - (last.day < first.day)
    begun, ends = _months_later(first, n), _months_later(first, n + 1)
    return n + (last - begun).days / (ends - begun).days


def _months_later(day: datetime.date, n: int) -> datetime.date:
    """The same day of a later month, or that month's last day if it has no such day."""
    year, month = divmod(12 * day.year + day.month - 1 + n, 12)
    length = calendar.monthrange(year, month + 1)[1]
    return datetime.date(year, month + 1, min(day.day, length))


def _is_professional(facts: Mapping[str, Any]) -> float:
    """Whether a professional mangrove trimmer, with a credential, does or supervises the work."""
    has_credential = contrary(_is(facts.get("professional_credential"), "none"))
    return float(both(_is(facts.get("supervisor"), "professional"), has_credential))


def _is(value: object, wanted: str) -> float:
    return np.nan if value is None else float(value == wanted)


def _flag(value: object) -> float:
    return np.nan if value is None else float(bool(value))


def _days(first: datetime.date | None, last: datetime.date | None) -> float:
    return np.nan if first is None or last is None else float((last - first).days)


def _months(first: datetime.date | None, last: datetime.date | None) -> float:
    return np.nan if first is None or last is None else months_between(first, last)


def _plain(value: Any) -> Any:
    return float(value) if np.ndim(value) == 0 else value
