"""How a lot stands after a screening, in words, in colour and in hatch.

Colours differ in lightness too, and each kind that could be mistaken for another on grey paper has
a hatch of its own. Blue and vermilion are of M. Okabe and K. Ito (see ``palette``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.report.palette import BLACK, BLUE, GREY, PAPER
from geotrim.rules.outcome import CLOSED, DEPENDS, LEFT_ALONE, NONE, OPEN, OTHER_PLAN, OUTSIDE
from geotrim.rules.rule_file import routes

IN_PART, NOTHING = "open in part", "nothing to judge"
NO_SHORE, UNFIT, FAILED = "no shore", "unfit", "failed"


@dataclass(frozen=True, slots=True)
class Stand:
    """One way a lot may stand.

    words : for a legend.
    short : for a column.
    hatch : as matplotlib writes it, "" for none.
    """

    key: str
    words: str
    short: str
    colour: str
    hatch: str = ""
    hatch_colour: str = BLACK


#: In the order of telling; the place in this order is the code of a lot. The keys are the words of
#: the column ``stand``.
STANDS = {
    one.key: one
    for one in (
        Stand(
            OPEN,
            "a way is open for every mangrove that the plan cuts, and no duty is told as not met; "
            "this is no permission",
            "open",
            BLUE,
        ),
        Stand(
            IN_PART,
            "open for some trees; others depend or are closed, or a duty is not met as planned",
            "open in part",
            "#5FA8DB",
            "\\\\\\",
            "#08304F",
        ),
        Stand(DEPENDS, "depends on what is not known yet", "depends", "#BFE0F5", "....", "#12466B"),
        Stand(
            OTHER_PLAN,
            "closed as planned, another plan might open a way",
            "another plan",
            "#E0A030",
            "///",
            "#5A3C00",
        ),
        Stand(CLOSED, "no way is open", "closed", "#6B2400", "xxx", "#F2D9CC"),
        Stand(
            NOTHING,
            "nothing to judge: no tree recorded, none cut as planned, or plants outside the act",
            "nothing to judge",
            "#D3D3CD",
            "---",
            "#6B6B6B",
        ),
        Stand(NO_SHORE, "no shore", "no shore", "#F1EFE8"),
        Stand(UNFIT, "could not be measured: see its reason", "not measured", PAPER, "xxx", GREY),
        Stand(FAILED, "measuring it failed: see its reason", "failed", PAPER, "|||", GREY),
    )
}
KEYS = tuple(STANDS)
#: Kinds of lots on the shore that hold a mangrove, or what may be one, that the plan cuts.
JUDGED = (OPEN, IN_PART, DEPENDS, OTHER_PLAN, CLOSED)
#: Kinds that are white, so that they need an edge.
PAPER_KINDS = (UNFIT, FAILED)
#: Column that counts mangroves which the plan cuts, those that may be mangroves among them -> the
#: standing it counts, best first.
COUNTED = {
    "n_mangroves_open": OPEN,
    "n_mangroves_depend": DEPENDS,
    "n_mangroves_other_plan": OTHER_PLAN,
    "n_mangroves_closed": CLOSED,
}
#: Column of counts -> what a look at the place would settle, where it is not 0.
TO_CHECK = {
    "n_too_close": "heights too close to a limit",
    "n_species_unknown": "species unknown",
    "n_unseen": "heights missing",
    "n_in_exclusion": "trees in an exclusion",
}
#: What is told of a lot or of trees that have no way of the act.
OTHER_ROUTES = {NONE: "no way", LEFT_ALONE: "nothing is cut", OUTSIDE: "outside the act"}
OPEN_WORDS = (
    "Open means that no recorded limit closes that way. It is no permission: the department or the "
    "delegated local government decides."
)


def stand_codes(stand: Any) -> npt.NDArray[np.int8]:
    """Place in ``KEYS`` of each lot.

    Parameters
    ----------
    stand : (n,) str
        The column ``stand`` of the lots.

    Examples
    --------
    >>> codes = stand_codes(["closed", "no shore", "open in part"])
    >>> [KEYS[code] for code in codes]
    ['closed', 'no shore', 'open in part']
    """
    known = {key: place for place, key in enumerate(KEYS)}
    return np.array([known[key] for key in stand], dtype=np.int8)


def standings_words(counts: Mapping[str, int]) -> str:
    """Numbers of trees by how they stand, in words; those of which there is none are left out.

    Examples
    --------
    >>> standings_words({"open": 1200, "depends": 1, "other plan": 0})
    '1,200 open, 1 depends'
    """
    verbs = {DEPENDS: "depend", OTHER_PLAN: "with another plan"}
    return ", ".join(
        f"{n:,} {'depends' if how == DEPENDS and n == 1 else verbs.get(how, how)}"
        for how, n in counts.items()
        if n
    )


def route_name(key: str) -> str:
    """A way by its name; what is no way in words.

    Examples
    --------
    >>> route_name("owner-exemption"), route_name("none")
    ('Owner exemption', 'no way')
    """
    return OTHER_ROUTES.get(key) or str(routes().get(key, {}).get("name", key))
