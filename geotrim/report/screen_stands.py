"""How a lot stands after a screening, in words, in colour and in hatch.

Colours differ in lightness too, and each kind that could be mistaken for another on grey paper has
a hatch of its own. Blue and vermilion are of M. Okabe and K. Ito (see ``palette``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.report.palette import BLACK, BLUE, GREY, PAPER
from geotrim.rules.outcome import CLOSED, DEPENDS, LEFT_ALONE, NONE, OPEN, OTHER_PLAN, UNCUT
from geotrim.rules.rule_file import routes

NO_SHORE, UNFIT, UNTOLD = "no shore", "unfit", "untold"


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


#: In the order of telling; the place in this order is the code of a lot.
STANDS = {
    one.key: one
    for one in (
        Stand(
            OPEN,
            "a way is open: no recorded limit closes it, which is no permission",
            "open",
            BLUE,
        ),
        Stand(DEPENDS, "depends on what is not known yet", "depends", "#A9D3EC", "....", "#12466B"),
        Stand(
            OTHER_PLAN,
            "closed as planned, another plan might open a way",
            "another plan",
            "#E0A030",
            "///",
            "#5A3C00",
        ),
        Stand(CLOSED, "no way is open", "closed", "#6B2400", "xxx", "#F2D9CC"),
        Stand(UNCUT, "nothing is cut as planned", "not cut", "#DADAD4", "---", "#6B6B6B"),
        Stand(UNTOLD, "measured, no way was told", "not told", "#DADAD4", "|||", "#6B6B6B"),
        Stand(NO_SHORE, "no shore", "no shore", "#F1EFE8"),
        Stand(UNFIT, "could not be measured: see its reason", "not measured", PAPER, "xxx", GREY),
    )
}
KEYS = tuple(STANDS)
#: What is told of a lot that has no way of its own.
OTHER_ROUTES = {NONE: "no way", LEFT_ALONE: "nothing is cut"}
OPEN_WORDS = (
    "Open means that no recorded limit closes that way. It is no permission: the department or the "
    "delegated local government decides."
)


def stand_codes(status: Any, standing: Any) -> npt.NDArray[np.int8]:
    """Place in ``KEYS`` of each lot.

    Parameters
    ----------
    status : (n,) ``measured``, ``no shore``, ``failed`` or ``unfit``
    standing : (n,) of the outcome; None where there is none

    Examples
    --------
    >>> codes = stand_codes(["measured", "no shore", "failed"], ["open", None, None])
    >>> [KEYS[code] for code in codes]
    ['open', 'no shore', 'unfit']
    """
    known = {key: place for place, key in enumerate(KEYS)}
    out = np.full(len(status), known[UNFIT], dtype=np.int8)
    for k, (how, way) in enumerate(zip(status, standing, strict=True)):
        if how == "no shore":
            out[k] = known[NO_SHORE]
        elif how == "measured":
            out[k] = (
                known[way] if way in (OPEN, DEPENDS, OTHER_PLAN, CLOSED, UNCUT) else known[UNTOLD]
            )
    return out


def route_name(key: str) -> str:
    """A way by its name; what is no way in words.

    Examples
    --------
    >>> route_name("owner-exemption"), route_name("none")
    ('Owner exemption', 'no way')
    """
    return OTHER_ROUTES.get(key) or str(routes().get(key, {}).get("name", key))
