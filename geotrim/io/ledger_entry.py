"""What an entry of a site's ledger holds. Plain values: no file is opened here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

#: Kind of entry -> what it is.
KINDS = {
    "plan": "a plan was issued: what each tree is to lose in each year",
    "cut": "trees were cut",
    "reading": "heights were read",
    "verification": "what was cut was held against the plan",
    "note": "something to remember",
    "correction": "an earlier entry is put right",
}


@dataclass(frozen=True, slots=True)
class TreeEntry:
    """What an entry tells of one tree. NaN and "" are unknown.

    height_ft, height_error_ft : of the top, after whatever the entry tells. [ft]
    cut_low_ft, cut_high_ft : heights cleared; an infinite upper one is a top that was lowered. [ft]
    removed_frac, removed_error_frac : of the foliage that stood just before.
    year : year of the plan, 0 where it belongs to none.
    date : ISO text; of a planned cut the earliest day, else "" for the entry's own.
    is_done : of a planned or reported cut, whether it was made; None: unknown.
    words : in plain words: what was found, or why nothing was done.
    """

    crown_id: str
    height_ft: float = float("nan")
    height_error_ft: float = float("nan")
    cut_low_ft: float = float("nan")
    cut_high_ft: float = float("nan")
    removed_frac: float = float("nan")
    removed_error_frac: float = float("nan")
    year: int = 0
    date: str = ""
    species: str = ""
    reader: str = ""
    is_done: bool | None = None
    words: str = ""


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry as it is handed in.

    kind : a key of ``KINDS``.
    day : the day it is about; when it was written down is the ledger's to say.
    who : who did, read or issued it.
    plan_sha256 : which plan it is about (``Package.sha256``), "" for none.
    corrects : number of the entry that this one replaces, for ``correction`` alone. The trees and
        the lot of a correction stand in the place of those of the entry it corrects.
    corrected_kind : of a correction, what the corrected entry is: a key of ``KINDS``.
    details : whatever else is kept, of JSON's own kinds.
    """

    kind: str
    day: date
    who: str
    lot_id: str
    trees: tuple[TreeEntry, ...] = ()
    plan_sha256: str = ""
    words: str = ""
    corrects: int | None = None
    corrected_kind: str = ""
    details: Mapping[str, Any] = field(default_factory=dict)
