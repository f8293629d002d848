"""How the cut of each year is drawn: a colour and a hatch of its own, for grey paper too."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from geotrim.report.furniture import Entry
from geotrim.report.palette import BLACK, BLUE, GREY, PURPLE, VERMILION
from geotrim.report.statement_figures import day
from geotrim.report.window_facts import Plan

#: Parts that stay: of trees that are cut, and of trees that are left.
KEPT, LEFT = "#9CB79A", "#DFE5DC"
#: Outline of what is cut; behind other trees it is fainter.
CUT_DASH, BEHIND = (0, (2.2, 1.4)), "#7A7A7A"


@dataclass(frozen=True, slots=True)
class YearStyle:
    """How one year's cut is drawn: ``colour`` for hatch and edge, ``tint`` under them."""

    colour: str
    tint: str
    hatch: str


#: The first three years; every later one is drawn as the last.
YEARS = (
    YearStyle(VERMILION, "#F6DCCC", "/////"),
    YearStyle(BLUE, "#D5E6F2", "...."),
    YearStyle(PURPLE, "#EFD8E7", "xxxx"),
    YearStyle(GREY, "#EAEAEA", "-----"),
)


def year_style(year: int) -> YearStyle:
    """Look of a year's cut; of what is not staged (year 0), that of the first.

    Examples
    --------
    >>> [year_style(n).hatch for n in (0, 1, 2, 3, 4, 9)]
    ['/////', '/////', '....', 'xxxx', '-----', '-----']
    """
    return YEARS[min(max(year, 1), len(YEARS)) - 1]


def year_words(years: Sequence[int]) -> list[tuple[int, str]]:
    """Years that have a look of their own, and how the legend calls them; later ones together.

    Examples
    --------
    >>> year_words([0]), year_words([1, 2, 3, 4, 6])[2:]
    ([(0, 'cut')], [(3, 'cut in year 3'), (4, 'cut in years 4 to 6')])
    >>> year_words([0, 1])
    [(0, 'cut, year not planned'), (1, 'cut in year 1')]
    """
    last = len(YEARS)
    out = []
    if 0 in years:
        out.append((0, "cut, year not planned" if len(years) > 1 else "cut"))
    out += [(year, f"cut in year {year}") for year in years if 0 < year < last]
    later = [year for year in years if year >= last]
    if len(later) == 1:
        out.append((later[0], f"cut in year {later[0]}"))
    elif later:
        out.append((later[0], f"cut in years {later[0]} to {later[-1]}"))
    return out


def cut_entries(plan: Plan) -> list[Entry]:
    """Legend entries of the cuts, year by year."""
    from matplotlib.patches import Patch

    entries: list[Entry] = []
    for year, words in year_words(plan.years):
        look = year_style(year)
        fill = Patch(facecolor=look.tint, edgecolor=look.colour, hatch=look.hatch, lw=0.0)
        edge = Patch(facecolor="none", edgecolor=BLACK, lw=0.8, ls=CUT_DASH)
        when = day(plan.dates(year)) if year and "years" not in words else ""
        entries.append(((fill, edge), f"{words}, from {when}" if when else words))
    return entries


def kept_entries(*, is_outlined: bool) -> list[Entry]:
    """Legend entries of what stays, and of the outlines of what is cut where they are drawn."""
    from matplotlib.patches import Patch

    def patch(face: str, **more: Any) -> Any:
        return Patch(facecolor=face, **{"lw": 0.8, "edgecolor": BLACK, **more})

    entries: list[Entry] = [
        (patch(KEPT), "stays, of a tree that is cut"),
        (patch(LEFT), "stays, a tree left as it is"),
    ]
    if not is_outlined:
        return entries
    return [
        *entries,
        (patch("none", lw=0.6, ls=CUT_DASH, edgecolor=BLACK), "outline of what is cut"),
        (patch("none", lw=0.5, ls=CUT_DASH, edgecolor=BEHIND), "the same, behind other trees"),
    ]
