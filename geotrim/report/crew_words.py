"""What stands on every crew list: cautions, how the stick is read, a tree's details in words."""

from __future__ import annotations

import math
from dataclasses import dataclass

from geotrim.report.crew_places import degrees, where
from geotrim.report.crew_tree import LEAVE, OTHER_PLANT, CrewLot, CrewTree

#: On the head of every page.
ALWAYS = (
    "Never cut trunks or prop roots. No herbicide. A tree with a nest is left. Heights are "
    "from the substrate under the trunk."
)
#: Changed files that are named on a list.
MOST_CHANGED = 4
#: Letters of a hold that is told in full beside a tree on paper.
SHORT_HOLD = 45
CAUTION = (
    "Not a survey and no permission. The state department or the delegated local government"
    " decides."
)
#: Told once, before the list. Sources: the cautions of every result (geotrim.ops.catalogue).
BEFORE_START = (
    "Look for active nests before any work, each day anew. A tree with one is left, and "
    "those around it, until a qualified person has said what may be done.",
    "Keep clear of electric conductors: within reach of one only qualified people work.",
    "Saws, boats and ladders: the trade's safety standard (ANSI Z133) is followed, with its"
    " protective gear. Nobody cuts alone, nor from a boat that is not held fast; tide and "
    "weather are known before (the second sentence: common practice, no source).",
    "No herbicide or other chemical on any leaf, branch or stump.",
    "Trunks and prop roots are never cut. Nothing is cut below the mark, nor outside the "
    "two marks of a band. Of a tree that is cut IN PART, what its row names stays as it is. No "
    "tree that is not on this list is touched.",
    "The species of every tree is confirmed in the field. If it is another than the list "
    "says, or in doubt, the tree is left and that is written down.",
    "LOOK FIRST: find the lowest leaves before the saw starts; where they hang over the mark, the "
    "tree is not cut to it. NO MANGROVE: the box says that its work was ordered; without that the "
    "plant is left.",
    "Cuttings are taken away; none stays in the water or on the roots (common practice, no "
    "source).",
    "What is seen on site goes before this list: where a tree, a line or a height does not "
    "fit, stop and ask.",
)
STICK = (
    "Stand the stick on the substrate, the soil or mud under the trunk: not on the water, "
    "not on the prop roots, and do not push it into soft mud.",
    "Marks are in feet and inches; decimal feet in brackets are the same mark for a stick "
    "of tenths. They are rounded so that no more is taken than was planned.",
    "LOWER THE TOP: nothing but what IN PART leaves stays over the mark, nothing under it is "
    "cut. CLEAR THE BAND: twigs and "
    "leaves between the two marks; what is over and under them stays.",
    "READ THE TOP FIRST: hold the stick to the highest leaf before the saw starts. A "
    "reading outside what the list names means that this tree is not cut today.",
    "After the cut read the highest leaf again, from the same foot, and write it down.",
    "Left and right are as one stands on the land and looks to the water; distances along "
    "the shore are counted from its left end.",
)


@dataclass(frozen=True, slots=True)
class CrewHead:
    """What a crew list says of itself.

    sha256 : of the plan: of the package's record.
    date : day that stands on it, ISO text.
    changed : files of the package that are not as geotrim wrote them.
    """

    site: str
    sha256: str
    prepared_by: str
    date: str
    changed: tuple[str, ...] = ()


def changed_words(head: CrewHead) -> str:
    """That the list was made from a package somebody changed, "" where nobody did.

    Examples
    --------
    >>> changed_words(CrewHead("Shore", "0" * 64, "", "2026-11-26"))
    ''
    """
    if not head.changed:
        return ""
    named = ", ".join(head.changed[:MOST_CHANGED])
    more = len(head.changed) - MOST_CHANGED
    named += f" and {more} more" if more > 0 else ""
    return (
        f"THE RESULT PACKAGE WAS CHANGED after geotrim wrote it ({named}): this list follows what "
        "is there now. Ask who made it before anything is cut."
    )


def day_words(lot: CrewLot) -> str:
    """From when on the year's cut may be made.

    Examples
    --------
    >>> day_words(CrewLot("A", 1, 2, "2027-01-11", (), (), (), (), ()))
    'not before 2027-01-11'
    """
    return f"not before {lot.date}" if lot.date else "no earliest day in the plan: ask"


def parts_of(tree: CrewTree) -> tuple[str, str]:
    """What is done, in words that stand out and words that do not.

    A top says how tall the tree stands now.
    """
    mark, _, tail = tree.what.partition(" (")
    tail = f"({tail}" if tail else ""
    if tree.kind != LEAVE and tree.cut is not None and tree.cut.is_top and _known(tree.top_ft):
        tail += f", now {tree.top_ft:.1f} ft"
    return mark, tail


def details(tree: CrewTree, *, on_paper: bool) -> list[tuple[str, bool]]:
    """Sentences of a tree, each with whether it stands out; what matters most comes first.

    Parameters
    ----------
    tree : CrewTree
    on_paper : bool
        Marks of look-alikes stand on the first page there, and degrees beside the species.
    """
    out = [(f"ONLY IN PART: {tree.part}.", True)] if tree.part else []
    out += [(words, True) for words in (tree.foliage, tree.first) if words]
    if tree.kind == OTHER_PLANT:
        out.append((f"{tree.hold[:1].upper()}{tree.hold[1:]}.", True))
    elif tree.hold:
        is_short = len(tree.hold) <= SHORT_HOLD or not on_paper
        out.append((f"HOLD: {tree.hold if is_short else 'see the first page'}.", True))
    words = where(tree.place) if on_paper else f"{where(tree.place)}; {degrees(tree.place)}"
    out.append((f"{words[:1].upper()}{words[1:]}.", False))
    if share := share_words(tree):
        out.append((f"{share}.", False))
    if tree.keep_off:
        out.append((f"Do not touch {'; '.join(tree.keep_off)}.", False))
    checks = tree.short_checks if on_paper else tree.checks
    return out + [(f"{check[:1].upper()}{check[1:]}.", False) for check in checks]


def share_words(tree: CrewTree) -> str:
    """What share the cut takes and may take at most, "" where neither is known."""
    if tree.cut is None or not _known(tree.cut.share_frac):
        return ""
    words = f"Takes {100 * tree.cut.share_frac:.0f} % of its foliage"
    words += " if only that part is cut" if tree.part else ""
    if _known(tree.cut.share_limit_frac):
        words += f", at most {100 * tree.cut.share_limit_frac:g} % in a year"
    return words


def _known(value: float) -> bool:
    return math.isfinite(value)
