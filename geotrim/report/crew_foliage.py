"""Trees whose lowest foliage a crew looks for before it cuts to a mark.

No red mangrove is cut below its lowest foliage (below it are the prop roots), and a cut that takes
all foliage is no trimming. Sources: the rules red-not-below-foliage (rules/good_practice.toml) and
trim-leaves-foliage (rules/state_act.toml).

A plan made without that height cannot tell whether the mark keeps it; only a look can.
"""

from __future__ import annotations

import math

from geotrim.report.crew_tree import Cut
from geotrim.report.cut_heights import feet_and_inches, inches_up
from geotrim.rules.species import is_red

NEVER = "nothing of a red mangrove is cut below it (prop roots)"


def foliage_words(species: object, base_ft: float, cut: Cut) -> str:
    """What is looked for at one tree before it is cut, "" where the plan knows enough.

    Parameters
    ----------
    species : object
        As it is told; a tree of unknown species may be a red mangrove.
    base_ft : float
        Height of its own lowest foliage, above the substrate; NaN unknown. [ft]
    cut : Cut

    Examples
    --------
    >>> foliage_words("white mangrove", 3.0, Cut(6.0, 10.0)), foliage_words(None, 3.0, Cut(6.0, 9))
    ('', '')
    >>> foliage_words("white mangrove", float("nan"), Cut(6.5, float("inf")))
    'LOOK FIRST for its lowest foliage (not known). If it hangs over 6 ft 6 in, do not cut to the \
mark: ask.'
    """
    may_be_red = is_red(species) is not False
    mark_in = inches_up(cut.low_ft)
    if math.isnan(base_ft):
        known = "not known"
    elif may_be_red and base_ft * 12 > mark_in:
        known = f"planned: {base_ft:.1f} ft"
    else:
        return ""
    rule = f": {NEVER}" if may_be_red else ""
    return (
        f"LOOK FIRST for its lowest foliage ({known}){rule}. If it hangs over "
        f"{feet_and_inches(mark_in)}, do not cut to the mark: ask."
    )
