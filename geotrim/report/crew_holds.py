"""What must be settled before a crew may start: ways that are not open, answers, notices."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

from geotrim.io.package_read import Package
from geotrim.report.window_facts import Plan, row_of, rows_of, text_of
from geotrim.rules.outcome import CLOSED, DEPENDS, OTHER_PLAN

#: Questions that are named; the statement of findings has all.
MOST_ASKED = 6
EARLIER = (
    "These marks hold only where year {} was cut as planned, measured afterwards, and a year has "
    "gone by since the day it was really cut; elsewhere the plan is made anew first."
)


def holds_of(package: Package, lot_id: str, plan: Plan, year: int) -> tuple[str, ...]:
    """What must be settled for the whole lot, each as a sentence; empty if nothing."""
    out = [] if year == 1 else [EARLIER.format(year - 1)]
    if plan.is_window:
        window = row_of(package.results, "window", "window_lots", lot_id)
        if window is not None and window.get("is_way_assumed") is True:
            out.append(
                f"The plan assumes a way that is not settled: {text_of(window['way_words'])}."
            )
            out += _asked(package, lot_id)
        return tuple(out)
    if plan.why_no_window:
        out.append(f"No window is open on this lot: {plan.why_no_window}.")
    standing = Counter(
        text_of(row.get("outcome_standing"))
        for row in package.rows("crowns", lot_id).to_dict("records")
        if str(row["crown_id"]) in plan.cuts
    )
    if standing[OTHER_PLAN]:
        out.append(
            f"As planned, no way is open for {_trees(standing[OTHER_PLAN])} of this list: another "
            "plan, and the authority's consent in writing, come first."
        )
    if standing[DEPENDS]:
        out.append(f"For {_trees(standing[DEPENDS])} of this list the way hangs on open answers.")
        out += _asked(package, lot_id)
    return tuple(out)


def tree_words(plan: Plan, row: Mapping[str, Any]) -> str:
    """What must be settled for one tree, "" for nothing.

    The ways of a window are those of its lot; heights are judged tree by tree.
    """
    if plan.is_window:
        return ""
    standing = text_of(row.get("outcome_standing"))
    if standing == OTHER_PLAN:
        return "not open as planned, see the first page"
    if standing == DEPENDS:
        return f"depends on: {text_of(row.get('settle')) or 'open answers'}"
    return ""


def closed_words(plan: Plan, row: Mapping[str, Any]) -> str:
    """Why a tree that the plan names may not be cut at all, "" where it may."""
    if plan.is_window or text_of(row.get("outcome_standing")) != CLOSED:
        return ""
    return "no way is open for it: do not cut, whatever the plan of heights says"


def notices_of(package: Package, lot_id: str) -> tuple[str, ...]:
    """Notices that the lot's way asks for, each with its day where that is known."""
    window = row_of(package.results, "window", "window_lots", lot_id)
    way = text_of(window["way"]) if window is not None else ""
    lot = package.rows("lots", lot_id).to_dict("records")
    ways = {way, *(text_of(row.get("outcome_route")) for row in lot)}
    if window is not None and way and window["n_cut_trees"] > 0:
        ways = {way}
    out = []
    for row in rows_of(package.results, "route", "notices", lot_id):
        if row["route"] not in ways or row["is_binding"] is False:
            continue
        due = text_of(row["due"])
        when = f" By {due} at the latest." if due else ""
        out.append(f"{text_of(row['words']).rstrip('.')} ({text_of(row['section'])}).{when}")
    return tuple(dict.fromkeys(out))


def _asked(package: Package, lot_id: str) -> list[str]:
    """The questions that are open, as one sentence in a list; none where there is none."""
    rows = rows_of(package.results, "route", "questions", lot_id)
    asked = [text_of(row["settle"]) or text_of(row["question"]) for row in rows]
    asked = list(dict.fromkeys(one for one in asked if one))
    if not asked:
        return []
    more = f", and {len(asked) - MOST_ASKED} more" if len(asked) > MOST_ASKED else ""
    return [f"Not settled: {'; '.join(asked[:MOST_ASKED])}{more} (see the statement of findings)."]


def _trees(n: int) -> str:
    return "1 tree" if n == 1 else f"{n} trees"
