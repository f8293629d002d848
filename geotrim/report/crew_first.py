"""Trees whose top is read by stick before the cut: which readings the planned cut stands.

The plan was made from a height with an error. A crew is told the readings between which the planned
cut keeps its limits, and what to do at any other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

from geotrim.report.crew_tree import Cut
from geotrim.report.cut_heights import feet_and_inches, inches_down, inches_up

NEW_PLAN = "Do not cut: write the reading down, a new plan is needed."
#: Readings that are narrower than this are told as none: a stick is not read finer. [in]
LEAST_IN = 2


@dataclass(frozen=True, slots=True)
class Standing:
    """What stands of a tree before this year's cut, as the plan has it.

    top_ft, error_ft : height and its standard error. [ft]
    depth_ft : volume of the foliage that stands over the area of the crown; NaN unknown. [ft]
    most_ft : most that a height before the cut may be; infinite where no such limit binds. [ft]
    stick_error_ft : standard error of a reading and of a mark. [ft]
    """

    top_ft: float
    error_ft: float
    depth_ft: float
    most_ft: float
    stick_error_ft: float


def readings(cut: Cut, tree: Standing, confidence_frac: float) -> tuple[float, float]:
    """Lowest and highest reading of the top at which the planned cut keeps its limits. [ft].

    Notes
    -----
    All columns of foliage are taken to be off by as much as the top, by d. With V what is taken, T
    what stands, A the area, r = V / T and L the share that is allowed in a year:

    - a top that reads lower, d < 0: what is taken never grows, so V / (T - A |d|) <= L keeps the
      share, |d| <= (T / A) (1 - r / L). Where the cut is no deeper than T / A, the share falls by
      itself and no bound is needed: what is taken falls by |d| over every column that reaches the
      mark.
    - a top that reads higher: the crew raises the mark by the difference; V stays, T grows.
    - a band, whose marks stay: V grows by no more than A d, so d <= (T / A) (L - r) / (1 - L).

    Beyond what chance explains at the confidence, something else is wrong: another tree, or another
    substrate. A limit on the height before the cut is kept by as much as the stick may be off.
    """
    z = NormalDist().inv_cdf((1 + confidence_frac) / 2)
    wide = z * math.hypot(tree.error_ft, tree.stick_error_ft)
    down, up = wide, wide
    limit, share = cut.share_limit_frac, cut.share_frac
    if math.isfinite(limit) and math.isfinite(share):
        room = max(limit - share, 0.0)
        depth = tree.depth_ft if math.isfinite(tree.depth_ft) else 0.0
        is_shallow = cut.is_top and tree.top_ft - cut.low_ft <= depth
        if not is_shallow:
            down = min(down, depth * room / limit)
        if not cut.is_top:
            up = min(up, depth * room / (1 - limit))
    side_ft = cut.low_ft if cut.is_top else cut.high_ft  # what is left of the top is over it
    low = max(tree.top_ft - down, side_ft)
    most = tree.most_ft - NormalDist().inv_cdf(confidence_frac) * tree.stick_error_ft
    return low, min(tree.top_ft + up, most)


def first_words(cut: Cut, tree: Standing, confidence_frac: float) -> str:
    """What is read before the cut, and what follows from it."""
    low, high = readings(cut, tree, confidence_frac)
    from_in, to_in = inches_up(low), inches_down(high)
    head = f"READ THE TOP FIRST (planned: {tree.top_ft:.1f} ft): "
    if to_in - from_in < LEAST_IN:
        return f"{head}no reading leaves room for this cut. {NEW_PLAN}"
    words = f"{head}cut only at {feet_and_inches(from_in)} to {feet_and_inches(to_in)}"
    planned_in = inches_down(tree.top_ft)
    if cut.is_top and to_in > planned_in:
        words += f"; over {feet_and_inches(planned_in)} raise the mark by the difference"
    return f"{words}. Else {NEW_PLAN[0].lower()}{NEW_PLAN[1:]}"
