"""How the way stands that a cut is held against, by the findings of the plan."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from geotrim.io.package_read import Package
from geotrim.report.statement_parts import count
from geotrim.report.window_facts import plan_of, row_of, text_of
from geotrim.rules.outcome import CLOSED, DEPENDS, OPEN, OTHER_PLAN
from geotrim.rules.rule_file import routes
from geotrim.rules.species import is_mangrove
from geotrim.rules.verdict import NOT_MET, WORDS

#: Effects of rules that close a way, or leave it to the authority.
DECIDE = ("condition", "check")
#: Most reasons that a terminal tells; the page has all.
MOST = 3


@dataclass(frozen=True, slots=True)
class Standing:
    """What is told of the way before anything that was found.

    way : the way whose limits are used, and how it stands.
    lead : that no way is open to what was cut, or not to all of it, or that it is not settled; ""
        where one is open.
    reasons : what stands against the way that is nearest, each with its source; that of the whole
        lot first.
    nearest : name of that way.
    """

    way: str
    lead: str = ""
    reasons: tuple[str, ...] = ()
    nearest: str = ""

    def words(self, most: int = MOST) -> str:
        """The lead and its reasons as one text, "" where a way is open."""
        if not self.lead or not self.reasons:
            return self.lead
        more = len(self.reasons) - most
        told = [*self.reasons[:most], *([f"and {more} more"] if more > 0 else [])]
        return f"{self.lead} {self.against}: {'; '.join(told)}."

    @property
    def against(self) -> str:
        """Heading of the reasons."""
        return f"Against the {self.nearest.lower()}"


def standing_of(package: Package, lot_id: str, year: int, way: str) -> Standing:
    """How the plan's findings have it for the trees that one year cuts.

    Parameters
    ----------
    package : Package
    lot_id : str
    year : int
        Of the plan.
    way : str
        Key of ``routes.toml``: the way whose limits are used.
    """
    name = _name(way)
    plan = plan_of(package.results, lot_id)
    window = row_of(package.results, "window", "window_lots", lot_id)
    if plan is not None and plan.is_window and window is not None:
        if window.get("is_way_assumed") is not True:
            return Standing(f"{name} (the way that the plan's window takes)")
        lead = (
            "By the plan's findings it is not settled that any way is open to this cut: the plan's "
            f"window assumes one ({name}), and what it hangs on is asked in the statement of "
            "findings."
        )
        return Standing(f"{name} (assumed by the plan's window, not settled)", lead)
    trees = _cut_trees(package, lot_id, year)
    if not trees or "outcome_standing" not in trees[0]:
        return Standing(name)
    return _of_heights(package, lot_id, way, trees)


def _of_heights(package: Package, lot_id: str, way: str, trees: list[dict[str, Any]]) -> Standing:
    """Of planned heights, which are judged tree by tree."""
    told = f"{_name(way)} ({_judged(package, lot_id, way)})"
    stand = Counter(text_of(tree["outcome_standing"]) for tree in trees)
    n_open, n_may, n = stand[OPEN], stand[DEPENDS], len(trees)
    if n_open == n:
        return Standing(told)
    whom = f"the {count(n, 'tree')} that it cuts in this year"
    hangs = f"; for {n_may} it hangs on what is not known" if n_may else ""
    if n_open:
        lead = f"By the plan's findings a way is open for {n_open} of {whom} only{hangs}."
    elif n_may:
        lead = f"By the plan's findings no way is settled for any of {whom}{hangs}."
    else:
        lead = f"No way is open to this cut by the plan's findings: not for any of {whom}."
    shut = [tree for tree in trees if tree["outcome_standing"] in (OTHER_PLAN, CLOSED)]
    near = Counter(text_of(tree["outcome_route"]) for tree in shut if _is_way(tree))
    if not near:
        return Standing(told, lead)
    nearest = near.most_common(1)[0][0]
    lead += f" The nearest to one is the {_name(nearest).lower()}, closed as planned"
    lead += f" for {count(near[nearest], 'tree')}; another plan could open it."
    lead += _shut_ways(package, lot_id)
    reasons = tuple(_reasons(package, lot_id, nearest, shut))
    return Standing(told, lead, reasons, _name(nearest))


def _shut_ways(package: Package, lot_id: str) -> str:
    """What closes several ways at once for the whole lot, as sentences; "" for nothing."""
    told = ""
    for row in _of_lot(package, lot_id):
        several = str(row["routes"]).split(", ")
        if row["effect"] == "condition" and len(several) > 1:
            names = ", ".join(name.lower() for name in several)
            told += f" Closed for the whole lot ({names}): {str(row['words']).rstrip('.')} "
            told += f"[{row['section']}]."
    return told


def _of_lot(package: Package, lot_id: str) -> Iterator[Mapping[str, Any]]:
    """Findings of the whole lot that are not met and bind."""
    for row in package.rows("findings", lot_id).to_dict("records"):
        if pd.isna(row["crown_id"]) and _is_against(row):
            yield row


def _is_against(row: Mapping[str, Any]) -> bool:
    if row["verdict"] != WORDS[NOT_MET] or row["effect"] not in DECIDE:
        return False
    return bool(pd.isna(row["is_binding"]) or row["is_binding"])


def _is_way(tree: Mapping[str, Any]) -> bool:
    return text_of(tree["outcome_route"]) in routes()


def _cut_trees(package: Package, lot_id: str, year: int) -> list[dict[str, Any]]:
    """Trees that a year of the plan cuts and that may be mangroves."""
    cuts = package.rows("stage_cuts", lot_id)
    mine = set(cuts[cuts["year"] == year]["crown_id"].astype(str)) if len(cuts) else set()
    return [
        row
        for row in package.rows("crowns", lot_id).to_dict("records")
        if str(row["crown_id"]) in mine
        and is_mangrove(text_of(row.get("species")) or None) is not False
    ]


def _judged(package: Package, lot_id: str, way: str) -> str:
    """How a way stands for the lot."""
    for row in package.rows("lot_routes", lot_id).to_dict("records"):
        if row["route"] == way:
            told = f"{row['status']} as the plan was judged"
            n = int(row["n_other_plan_trees"])
            return told + (f", another plan could open it for {count(n, 'tree')}" if n else "")
    return "not judged with the plan"


def _reasons(package: Package, lot_id: str, way: str, trees: list[dict[str, Any]]) -> Iterator[str]:
    """Conditions of a way that the plan does not meet, each once; of the lot, then of trees."""
    findings = package.rows("findings", lot_id)
    if not len(findings):
        return
    name, mine = _name(way), {str(tree["crown_id"]) for tree in trees}
    known: dict[tuple[str, str], set[str]] = {}
    for row in findings.to_dict("records"):
        is_lot = pd.isna(row["crown_id"])
        is_of_way = name in str(row["routes"]).split(", ")
        if is_of_way and _is_against(row) and (is_lot or str(row["crown_id"]) in mine):
            key = (str(row["words"]).rstrip("."), str(row["section"]))
            known.setdefault(key, set()).update(() if is_lot else {str(row["crown_id"])})
    for (words, section), whose in sorted(known.items(), key=lambda one: len(one[1]) > 0):
        of = f" ({count(len(whose), 'tree')})" if whose else ""
        yield f"{words}{of} [{section}]"


def _name(way: str) -> str:
    return str(routes().get(way, {}).get("name", way))
