"""The crew list as a page for a phone: one file, no network, what is entered stays in the browser.

Words reach the page as JSON and are set as text, never as markup. The page may run its own script
and its own style and nothing else: both are named by their hash in its security policy.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from html import escape
from typing import Any

from geotrim.report.crew_places import degrees, where
from geotrim.report.crew_table import marks_in
from geotrim.report.crew_tree import CLEAR_BAND, OTHER_PLANT, CrewLot, CrewTree
from geotrim.report.crew_words import (
    ALWAYS,
    BEFORE_START,
    CAUTION,
    STICK,
    CrewHead,
    changed_words,
    day_words,
    details,
    parts_of,
)
from geotrim.report.one_file import page_part, policy_hash


def crew_html(
    lots: Sequence[CrewLot], head: CrewHead, *, stick_error_ft: float | None = None
) -> str:
    """The page, whole.

    Parameters
    ----------
    lots : sequence of CrewLot
    head : CrewHead
    stick_error_ft : float, optional
        Standard error of one reading that the page starts with. [ft]
    """
    data = page_data(lots, head, stick_error_ft)
    script, style = page_part("crew_page.js"), page_part("crew_page.css")
    page = page_part("crew_page.html")
    parts = {
        "@SCRIPT_HASH@": policy_hash(script),
        "@STYLE_HASH@": policy_hash(style),
        "@TITLE@": escape(data["title"]),
        "@STYLE@": style,
        "@DATA@": in_script(data),
        "@SCRIPT@": script,
    }
    out = []
    for mark in parts:  # in the order they stand, so that words in the data are never marks
        before, found, page = page.partition(mark)
        if not found:
            raise ValueError(f"no {mark} left in the page")
        out += [before, parts[mark]]
    return "".join([*out, page])


def in_script(data: Any) -> str:
    r"""JSON that cannot end the element it stands in, nor begin another.

    Examples
    --------
    >>> in_script("</script>")
    '"\\u003c/script\\u003e"'
    """
    text = json.dumps(data, ensure_ascii=False, allow_nan=False)
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def page_data(
    lots: Sequence[CrewLot], head: CrewHead, stick_error_ft: float | None
) -> dict[str, Any]:
    """What the page's script reads."""
    year, n_years = lots[0].year, max(lot.n_years for lot in lots)
    of = f" of {n_years}" if n_years > 1 else ""
    parts = [f"plan {head.sha256[:12]}", f"made {head.date}"]
    if head.prepared_by:
        parts.append(f"prepared by {head.prepared_by}")
    return {
        "plan_sha256": head.sha256,
        "year": year,
        "stick_error_ft": stick_error_ft,
        "title": f"Crew list, year {year}{of}: {head.site}",
        "about": ", ".join(parts),
        "changed": changed_words(head),
        "always": ALWAYS,
        "caution": CAUTION,
        "before": list(BEFORE_START),
        "stick": list(STICK),
        "lots": [_lot(lot) for lot in lots],
    }


def _lot(lot: CrewLot) -> dict[str, Any]:
    return {
        "lot_id": lot.lot_id,
        "date": day_words(lot),
        "holds": list(lot.holds),
        "notices": list(lot.notices),
        "marks": list(lot.marks),
        "work": [_tree(tree, len(lot.work), lot.date) for tree in lot.work],
        "left": [
            {
                "crown_id": tree.crown_id,
                "species": tree.species,
                "why": tree.what,
                "where": f"{where(tree.place)}; {degrees(tree.place)}",
            }
            for tree in lot.left
        ],
    }


def _tree(tree: CrewTree, n_work: int, earliest: str) -> dict[str, Any]:
    mark, tail = parts_of(tree)
    low, high = marks_in(tree)
    return {
        "lot_id": tree.lot_id,
        "crown_id": tree.crown_id,
        "number": tree.number,
        "n_work": n_work,
        "species": tree.species,
        "mark": mark,
        "tail": tail,
        "details": [
            {"text": words, "bold": is_bold} for words, is_bold in details(tree, on_paper=False)
        ],
        "is_band": tree.kind == CLEAR_BAND,
        "needs_reading": tree.kind != OTHER_PLANT,
        "is_other": tree.kind == OTHER_PLANT,
        "earliest": earliest,
        "low_in": low,
        "high_in": high,
    }
