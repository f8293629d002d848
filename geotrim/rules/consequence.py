"""What over-cutting may lead to: the trigger for restoration, and its arithmetic. For planning."""

from __future__ import annotations

from dataclasses import dataclass

from geotrim.errors import RangeError
from geotrim.rules.rule_file import Rule
from geotrim.rules.verdict import MET


@dataclass(frozen=True, slots=True)
class Restoration:
    """What is due for canopy area lost.

    is_due : whether the share of trees cut too low reaches the trigger.
    share_frac : that share.
    created_area_ft2 : mangrove wetland to be created, or credits, where replanting is not
        practicable.
    donation_usd : least donation in its place.
    """

    is_due: bool
    share_frac: float
    created_area_ft2: float
    donation_usd: float


def restoration(
    n_trimmed: int, n_cut_low: int, lost_area_ft2: float, rules: dict[str, Rule]
) -> Restoration:
    """Trigger and arithmetic for one area.

    Parameters
    ----------
    n_trimmed, n_cut_low : int
        Trees trimmed, and those of them cut below 6 ft, destroyed, defoliated or removed.
    lost_area_ft2 : float
        Canopy area lost. [ft2]
    rules : dict
        The consequence rules, by id.

    Raises
    ------
    RangeError
        If a count or area is negative, or more trees were cut low than were trimmed.

    Examples
    --------
    >>> from geotrim.rules.rule_file import built_in
    >>> rules = dict(built_in()[0].rules)
    >>> restoration(20, 1, 500.0, rules)
    Restoration(is_due=True, share_frac=0.05, created_area_ft2=1000.0, donation_usd=4000.0)
    """
    if n_trimmed < 0 or not 0 <= n_cut_low <= n_trimmed:
        raise RangeError(
            "n_cut_low",
            f"{n_cut_low} of {n_trimmed} trimmed trees",
            "a count from 0 up to the trees trimmed",
            "correct the counts",
        )
    if not lost_area_ft2 >= 0:
        raise RangeError("lost_area_ft2", f"{lost_area_ft2}", "0 or more", "correct the area")
    share = n_cut_low / n_trimmed if n_trimmed else 0.0
    trigger = rules["restoration-trigger"].limit
    is_due = n_cut_low > 0 and int(trigger.judge(share, 0.0, 0.95)) == MET
    created = lost_area_ft2 * rules["restoration-ratio"].limit.number
    return Restoration(is_due, share, created, created * rules["restoration-price"].limit.number)
