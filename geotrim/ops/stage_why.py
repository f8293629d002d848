"""Which cuts can be reached, and in plain words why not."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.core.staging import SAME_FRAC, can_outrun
from geotrim.ops.stage_cuts import Staged


def is_reached(staged: Staged) -> npt.NDArray[np.bool_]:
    """(k,) the cut is done as far as it was asked for."""
    held = staged.reach.is_floor | staged.reach.is_kept
    return staged.cuts.is_known & staged.cuts.is_done & ~held


def whys(staged: Staged, used: Mapping[str, Any]) -> list[str]:
    """Why a tree's cut is not reached, with the nearest that is; "" where it is reached.

    Parameters
    ----------
    staged : Staged
    used : mapping
        Parameters of the operation.
    """
    done = is_reached(staged)
    return ["" if done[k] else "; ".join(_why(staged, used, k)) for k in range(len(done))]


def _why(staged: Staged, used: Mapping[str, Any], k: int) -> list[str]:
    """Reasons of one tree, and what is reached."""
    if not staged.cuts.is_known[k]:
        model = staged.foliage.model
        lacking = "it has no profile" if model == "profile" else "no height or base is known"
        return [f"what share of its foliage the cut takes is not known: {lacking}"]
    told = []
    reach, plan = staged.reach, staged.plan
    if reach.is_floor[k]:
        told.append(
            f"{plan.low_ft[k]:.1f} ft is under the {staged.limits.floor_ft[k]:.1f} ft that is kept "
            f"({_floor_words(staged, used, k)})"
        )
    if reach.is_kept[k]:
        share = float(np.nanmax(staged.asked_frac[:, k]))
        told.append(
            f"it would take {_percent(share)} of the foliage, and at least "
            f"{_percent(used['least_kept_frac'])} is kept"
        )
    if not staged.cuts.is_done[k]:
        told.append(_why_not_done(staged, used, k))
    return [*told, _nearest(staged, k)]


def _floor_words(staged: Staged, used: Mapping[str, Any], k: int) -> str:
    limit = f"the floor of {staged.limits.limit_ft[k]:g} ft"
    margin = used["floor_margin_ft"]
    return f"{limit} and {margin:g} ft over it" if margin else limit


def _why_not_done(staged: Staged, used: Mapping[str, Any], k: int) -> str:
    """Why the years do not get there."""
    share, regrowth = float(staged.limits.yearly_frac[k]), float(used["regrowth_frac"])
    years = used["stage_limit_years"]
    if staged.cuts.n_years[k] < years:
        if can_outrun(share, regrowth):
            return "a further cut would gain nothing that can be measured"
        return (
            f"{_percent(share)} a year cannot outrun a regrowth of {_percent(regrowth)} between "
            "two cuts"
        )
    whole = float(np.nanmax([m.taken_frac(staged.reach.target_ft)[k] for m in staged.measures]))
    if whole >= 1.0 - SAME_FRAC and used["foliage_reading"] == "standing-each-year":
        return "all of its foliage would go, which a share of what stands each year never reaches"
    return f"it takes more than {years} years, the longest plan that is looked for"


def _nearest(staged: Staged, k: int) -> str:
    """The nearest that can be reached."""
    if not staged.cuts.n_years[k]:
        return "nothing can be cut"
    front, n = staged.cuts.last_front_ft[k], int(staged.cuts.n_years[k])
    when = f"in {n} year{'s' if n > 1 else ''}"
    if staged.plan.is_top[k]:
        return f"nearest: a height of {_up(front, 0.1):.1f} ft {when}"
    return f"nearest: cleared from {staged.plan.low_ft[k]:.1f} to {_down(front):.1f} ft {when}"


def _up(height_ft: float, step: float) -> float:
    """A height rounded to the safe side, which for a lowered top is up. [ft]."""
    return float(np.ceil(height_ft / step - 1e-6) * step)


def _down(height_ft: float) -> float:
    return float(np.floor(height_ft / 0.1 + 1e-6) * 0.1)


def _percent(share: float) -> str:
    """A share in words: no more decimals than it needs, and never 100 % for less."""
    text = f"{100.0 * share:.1f}".removesuffix(".0")
    return "99.9 %" if text == "100" and share < 1.0 - SAME_FRAC else f"{text} %"
