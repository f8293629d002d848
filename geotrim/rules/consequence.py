"""What over-cutting may lead to: the trigger for restoration, and its arithmetic. For planning."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotrim.errors import RangeError
from geotrim.rules.rule_file import Limit, Rule
from geotrim.rules.verdict import MET

#: Rules of ``state_act.toml`` that the arithmetic reads, and the floor under which a tree is low.
TRIGGER, RATIO, PRICE, YEARS = (
    "restoration-trigger",
    "restoration-ratio",
    "restoration-price",
    "restoration-years",
)
FLOOR = "owner-height-after"


@dataclass(frozen=True, slots=True)
class Restoration:
    """What is due for canopy area lost.

    is_due : whether the share of trees cut too low reaches the trigger.
    share_frac : that share; NaN where no tree was trimmed.
    margin_frac : the trigger less that share.
    n_more : how many more of the trimmed trees, cut too low, would reach the trigger; None where
        no number of them would.
    created_area_ft2 : mangrove wetland to be created, or credits, where replanting is not
        practicable.
    donation_usd : least donation in its place.
    years : in which replanted canopy must equal the area lost.
    """

    is_due: bool
    share_frac: float
    margin_frac: float
    n_more: int | None
    created_area_ft2: float
    donation_usd: float
    years: float


def restoration(
    n_trimmed: int, n_cut_low: int, lost_area_ft2: float, rules: Mapping[str, Rule]
) -> Restoration:
    """Trigger and arithmetic for one area.

    Parameters
    ----------
    n_trimmed, n_cut_low : int
        Trees trimmed, and those of them cut below 6 ft, destroyed, defoliated or removed. A tree
        cut below 6 ft as paragraph (c), (d), (f), (g) or (h) of s. 403.9326(1) F.S. provides is
        none of these.
    lost_area_ft2 : float
        Canopy area lost; NaN where not known. [ft2]
    rules : mapping
        The consequence rules, by id.

    Raises
    ------
    RangeError
        If a count or area is negative, or more trees were cut low than were trimmed.

    Notes
    -----
    The amounts are those the area would take, whether or not the trigger is reached.

    Source: s. 403.9332(1)(a) F.S.

    Examples
    --------
    >>> from geotrim.rules.rule_file import built_in
    >>> rules = dict(built_in()[0].rules)
    >>> due = restoration(20, 1, 500.0, rules)
    >>> due.is_due, due.share_frac, due.created_area_ft2, due.donation_usd
    (True, 0.05, 1000.0, 4000.0)
    >>> restoration(21, 1, 500.0, rules).n_more
    1
    """
    if n_trimmed < 0 or not 0 <= n_cut_low <= n_trimmed:
        raise RangeError(
            "n_cut_low",
            f"{n_cut_low} of {n_trimmed} trimmed trees",
            "a count from 0 up to the trees trimmed",
            "correct the counts",
        )
    if lost_area_ft2 < 0:
        raise RangeError("lost_area_ft2", f"{lost_area_ft2}", "0 or more", "correct the area")
    trigger = rules[TRIGGER].limit
    share = n_cut_low / n_trimmed if n_trimmed else math.nan
    created = lost_area_ft2 * rules[RATIO].limit.number
    return Restoration(
        is_due=_reaches(trigger, n_cut_low, n_trimmed),
        share_frac=share,
        margin_frac=trigger.number - share,
        n_more=_more(trigger, n_cut_low, n_trimmed),
        created_area_ft2=created,
        donation_usd=created * rules[PRICE].limit.number,
        years=rules[YEARS].limit.number,
    )


def floor_limit(rules: Mapping[str, Rule]) -> Limit:
    """The height the act counts from: that of its own rule, not of a local one that is stricter."""
    return rules[FLOOR].tightens or rules[FLOOR].limit


@dataclass(frozen=True, slots=True)
class Counts:
    """Trees trimmed, and those of them cut low."""

    n_trimmed: int
    n_cut_low: int


def fewest_and_most(is_trimmed: npt.ArrayLike, is_low: npt.ArrayLike) -> tuple[Counts, Counts]:
    """Counts with the smallest and with the greatest share cut low that what is known allows.

    Parameters
    ----------
    is_trimmed, is_low : (n,) arrays
        For each tree 1 for yes, 0 for no, NaN for unknown; the second says whether the tree is cut
        low if it is trimmed.

    Notes
    -----
    A share rises with each tree cut low and falls with each other trimmed tree, and trees do not
    hang on each other, so each is put where it makes the share smallest, or greatest.

    Examples
    --------
    Two trees are trimmed, one of them low; a third may be low, and may not be trimmed at all.

    >>> fewest_and_most([1, 1, float("nan")], [1, 0, float("nan")])
    (Counts(n_trimmed=3, n_cut_low=1), Counts(n_trimmed=3, n_cut_low=2))
    """
    trimmed, low = np.broadcast_arrays(np.asarray(is_trimmed, float), np.asarray(is_low, float))
    sure, may = trimmed == 1.0, trimmed != 0.0
    n_low, n_other = int((sure & (low == 1.0)).sum()), int((may & (low != 1.0)).sum())
    fewest = Counts(n_low + n_other, n_low)
    n_low, n_other = int((may & (low != 0.0)).sum()), int((sure & (low == 0.0)).sum())
    return fewest, Counts(n_low + n_other, n_low)


def _reaches(trigger: Limit, n_cut_low: int, n_trimmed: int) -> bool:
    """Whether some, and enough, of the trimmed trees are cut low."""
    share = n_cut_low / n_trimmed if n_trimmed else 0.0
    return n_cut_low > 0 and int(trigger.judge(share, 0.0, 0.95)) == MET


def _more(trigger: Limit, n_cut_low: int, n_trimmed: int) -> int | None:
    """Fewest further trees of those trimmed that reach the trigger."""
    if _reaches(trigger, n_cut_low, n_trimmed):
        return 0
    first = max(n_cut_low + 1, math.floor(trigger.number * n_trimmed) - 1)  # surely not yet there
    for n_low in range(first, n_trimmed + 1):
        if _reaches(trigger, n_low, n_trimmed):
            return n_low - n_cut_low
    return None
