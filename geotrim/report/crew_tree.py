"""What a crew is told of one tree, and of one lot's work in one year. Plain values."""

from __future__ import annotations

import math
from dataclasses import dataclass

#: What is done to a tree, in the order of work.
OTHER_PLANT, LOWER_TOP, CLEAR_BAND, LEAVE = "other-plant", "lower-top", "clear-band", "leave"


@dataclass(frozen=True, slots=True)
class Cut:
    """Heights that are taken off a tree in one year.

    low_ft, high_ft : between these heights above the substrate; infinite for the top. [ft]
    share_frac : of the foliage that stands before the cut; NaN unknown.
    share_limit_frac : most that may be taken of it in a year; NaN where no share binds.
    """

    low_ft: float
    high_ft: float
    share_frac: float = math.nan
    share_limit_frac: float = math.nan

    @property
    def is_top(self) -> bool:
        return math.isinf(self.high_ft)


@dataclass(frozen=True, slots=True)
class Place:
    """Where a tree stands.

    station_ft : along the shore, from its left end as one looks to the water; NaN unknown. [ft]
    offset_ft : from the MHW line, negative landward; NaN unknown. [ft]
    lon_deg, lat_deg : WGS 84.
    is_trunk : whether it is the trunk's place, or only the middle of the crown.
    stretch : which stretch of the shore, in words; "" where there is only one.
    """

    station_ft: float
    offset_ft: float
    lon_deg: float
    lat_deg: float
    is_trunk: bool
    stretch: str = ""


@dataclass(frozen=True, slots=True)
class CrewTree:
    """One tree as a crew is told of it.

    number : place in the order of work from 1; 0 for a tree that is left.
    kind : ``other-plant``, ``lower-top``, ``clear-band`` or ``leave``.
    species : names, "species not known" where it is not.
    top_ft, top_error_ft : as it should stand before this year's cut; NaN unknown. [ft]
    cut : None where nothing is taken this year, or where height does not matter.
    what : what is done, in a few words; of a tree that is left, why.
    part : where only a part of the crown is cut, what stays as it is; "" for the whole crown.
    foliage : its lowest foliage is looked for before the cut, and why; "" where it is not.
    first : what is to be read by stick before the cut, "" for nothing.
    hold : what must be settled before this tree is cut, "" for nothing.
    checks : how to tell its species from what looks like it, and what else to look for.
    short_checks : the same in few words.
    keep_off : what must not be touched.
    """

    lot_id: str
    crown_id: str
    number: int
    kind: str
    species: str
    place: Place
    top_ft: float
    top_error_ft: float
    cut: Cut | None
    what: str
    part: str = ""
    foliage: str = ""
    first: str = ""
    hold: str = ""
    checks: tuple[str, ...] = ()
    short_checks: tuple[str, ...] = ()
    keep_off: tuple[str, ...] = ()

    @property
    def is_left(self) -> bool:
        return self.kind == LEAVE


@dataclass(frozen=True, slots=True)
class CrewLot:
    """One lot's work in one year.

    n_years : of its plan.
    date : earliest day of this year's cut, ISO text, "" where the plan has none.
    holds : what must be settled before anything is cut.
    notices : what must be told to whom before.
    marks : field marks of the species on the list and of what looks like them.
    work : trees in the order of work.
    left : trees that stand in the way of a crew and are not cut this year.
    """

    lot_id: str
    year: int
    n_years: int
    date: str
    holds: tuple[str, ...]
    notices: tuple[str, ...]
    marks: tuple[str, ...]
    work: tuple[CrewTree, ...]
    left: tuple[CrewTree, ...]
