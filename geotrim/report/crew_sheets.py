"""The crew list on paper: letter size held upright, ten trees a page, large type."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import date
from typing import Any

from geotrim.report.crew_places import degrees, where
from geotrim.report.crew_tree import CLEAR_BAND, OTHER_PLANT, CrewLot, CrewTree
from geotrim.report.crew_words import (
    ALWAYS,
    BEFORE_START,
    CAUTION,
    STICK,
    CrewHead,
    day_words,
    details,
    parts_of,
)
from geotrim.report.sheets.compiled import typeset
from geotrim.report.sheets.lettering import FONT, folded, missing_letters, width_pt

#: Template, beside that of the plan set.
TEMPLATE = "crew.typ"
#: Trees on a page.
A_PAGE = 10
#: Letter size, held upright; margins; head and foot of a page. [pt]
WIDTH_PT, HEIGHT_PT, MARGIN_PT, HEAD_PT, FOOT_PT = 612.0, 792.0, 27.0, 45.0, 20.0
#: Height of a tree's row; width of the column to write in; what the text beside it has. [pt]
ROW_PT = (HEIGHT_PT - 2 * MARGIN_PT - HEAD_PT - FOOT_PT - 4.0) / A_PAGE
WRITE_PT = 92.0
BODY_PT = WIDTH_PT - 2 * MARGIN_PT - 30.0 - WRITE_PT - 8.0
#: Type of what is done, of the tree's number, its species, and its details. [pt]
WHAT_PT, NUMBER_PT, SPECIES_PT, SMALL_PT = 11.0, 13.0, 8.5, 8.0
#: Details are printed smaller only where what stands out would have no room else. [pt]
SMALL_SIZES_PT = (8.0, 7.5, 7.0, 6.5)
#: Height of a line in type sizes, its foot apart; between lines of details, between the parts of a
#: row, above and under a row. [pt]
CAPITAL, LEADING_PT, GAP_PT, PAD_PT = 0.73, 3.2, 4.2, 3.0
#: A number is printed no smaller than this; a longer one is broken. [pt]
LEAST_PT = 6.0
MORE = "More at the end."


def crew_pdf(lots: Sequence[CrewLot], head: CrewHead) -> bytes:
    """Crew list of one year as PDF.

    Parameters
    ----------
    lots : sequence of CrewLot
    head : CrewHead
        Site, plan, preparer, date.
    """
    return typeset(TEMPLATE, as_data(lots, head), "pdf")[0]


def unknown_letters(lots: Sequence[CrewLot], head: CrewHead) -> str:
    """Letters of a crew list that the font of its pages does not have, each once; "" for none."""
    return " ".join(missing_letters(json.dumps(as_data(lots, head), ensure_ascii=False)))


def as_data(lots: Sequence[CrewLot], head: CrewHead) -> dict[str, Any]:
    """A crew list as the template reads it."""
    return {
        "title": f"Crew list, year {lots[0].year}, {head.site}",
        "author": head.prepared_by,
        "subject": "Order of work of one year's cut",
        "keywords": ["mangrove", "crew list", *(lot.lot_id for lot in lots)],
        "date": _day(head.date),
        "always": ALWAYS,
        "caution": CAUTION,
        "prepared": _prepared(head),
        "look": {
            "font": FONT,
            "width": WIDTH_PT,
            "height": HEIGHT_PT,
            "margin": MARGIN_PT,
            "head": HEAD_PT,
            "foot": FOOT_PT,
            "row": ROW_PT,
            "write": WRITE_PT,
            "number": NUMBER_PT,
            "species": SPECIES_PT,
            "gap": GAP_PT,
            "pad": PAD_PT,
        },
        "lots": [_lot(lot, head) for lot in lots],
    }


def _day(text: str) -> dict[str, int]:
    day = date.fromisoformat(text)
    return {"year": day.year, "month": day.month, "day": day.day}


def _prepared(head: CrewHead) -> str:
    by = f"Prepared by {head.prepared_by}" if head.prepared_by else ""
    return ", ".join(part for part in (by, head.date) if part)


def _lot(lot: CrewLot, head: CrewHead) -> dict[str, Any]:
    drawn = [_tree(tree) for tree in lot.work]
    pages = [drawn[k : k + A_PAGE] for k in range(0, len(drawn), A_PAGE)]
    of = f" of {lot.n_years}" if lot.n_years > 1 else ""
    return {
        "head": {
            "title": f"Crew list, year {lot.year}{of}, lot {lot.lot_id}",
            "site": head.site,
            "date": day_words(lot),
            "plan": f"plan {head.sha256[:12]}",
        },
        "sections": _sections(lot),
        "pages": [[one for one, _ in page] for page in pages],
        "tables": _tables(lot, [rest for _, rest in drawn]),
    }


def _sections(lot: CrewLot) -> list[dict[str, Any]]:
    def one(heading: str, items: Sequence[str], size: float = 9.5, boxed: bool = False) -> Any:
        return {"heading": heading, "items": list(items), "size": size, "boxed": boxed}

    out = []
    if lot.holds:
        out.append(one("DO NOT START before this is settled", lot.holds, boxed=True))
    if lot.notices:
        out.append(one("Notices", lot.notices))
    out.append(one("Before the first cut", BEFORE_START))
    out.append(one("How the stick is read", STICK))
    if lot.marks:
        out.append(one("Species: how to tell them", [_capital(mark) for mark in lot.marks], 9.0))
    return out


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _tree(tree: CrewTree) -> tuple[dict[str, Any], list[str]]:
    """A tree's row, and the details that have no room in it."""
    mark, tail = parts_of(tree)
    n_what = len(folded(f"{mark} {tail}", WHAT_PT, BODY_PT, is_bold=True))
    n_what = 1 if _width(mark, tail) <= BODY_PT else max(n_what, 2)
    place, number = degrees(tree.place), _plain(tree.crown_id)
    size = _fitting(number, f"{tree.species}  {place}")
    used = 2 * PAD_PT + CAPITAL * (NUMBER_PT + n_what * WHAT_PT) + (1 + n_what) * GAP_PT
    small, kept, rest = _detailed(details(tree, on_paper=True), ROW_PT - used)
    return {
        "order": f"{tree.number}",
        "number": number,
        "size": size,
        "species": tree.species,
        "place": place,
        "mark": mark,
        "tail": tail,
        "details": kept,
        "small": small,
        "leading": LEADING_PT * small / SMALL_PT,
        "write": _write(tree),
    }, rest


def _plain(words: str) -> str:
    """Words on one line, whatever the file they came from had between them."""
    return " ".join(words.split())


def _width(mark: str, tail: str) -> float:
    return width_pt(f"{mark} ", WHAT_PT, is_bold=True) + width_pt(tail, WHAT_PT)


def _fitting(number: str, beside: str) -> float:
    """Type size of a tree's number, so that what stands beside it has room on its line. [pt]."""
    room = BODY_PT - width_pt(f"  {beside}", SPECIES_PT) - 6.0
    wide = width_pt(number, NUMBER_PT, is_bold=True)
    return max(min(NUMBER_PT, NUMBER_PT * room / wide), LEAST_PT) if wide else NUMBER_PT


def _detailed(
    parts: Sequence[tuple[str, bool]], room_pt: float
) -> tuple[float, list[Any], list[str]]:
    """Type size of a row's details, those that fit, and those that do not.

    What stands out is never put off to the end of the list while a smaller type has room for it.
    """
    found = None
    for size in SMALL_SIZES_PT:
        leading = LEADING_PT * size / SMALL_PT
        n_lines = max(int((room_pt + leading) / (CAPITAL * size + leading)), 1)
        kept, rest = _filled(parts, n_lines, BODY_PT * SMALL_PT / size)
        put_off = any(bold and words in rest for words, bold in parts)
        found = size, kept, rest
        if not put_off:
            break
    assert found is not None
    return found


def _filled(
    parts: Sequence[tuple[str, bool]], n_lines: int, room_pt: float
) -> tuple[list[Any], list[str]]:
    """Details that fit on so many lines so wide at the usual type, and those that do not."""
    kept: list[tuple[str, bool]] = []
    for k, part in enumerate(parts):
        rest = [words for words, _ in parts[k:]]
        tail = [] if k == len(parts) - 1 else [(MORE, True)]
        if _lines([*kept, part, *tail], room_pt) > n_lines:
            shown = [*kept, (MORE, True)]
            return [{"text": words, "bold": bold} for words, bold in shown], rest
        kept.append(part)
    return [{"text": words, "bold": bold} for words, bold in kept], []


def _lines(parts: Sequence[tuple[str, bool]], room_pt: float) -> int:
    """Lines that details take, all reckoned as wide as they are printed at the usual type."""
    total, lines = 0.0, 1
    for words, bold in parts:
        for word in words.split():
            wide = width_pt(f"{word} ", SMALL_PT, is_bold=bold)
            if total + wide > room_pt and total > 0:
                total, lines = 0.0, lines + 1
            total += wide
    return lines


def _write(tree: CrewTree) -> list[str]:
    if tree.kind == OTHER_PLANT:
        return ["Species found", "Date, who"]
    if tree.kind == CLEAR_BAND:
        return ["Top; cleared from - to", "Date, who"]
    return ["Top after the cut (ft, in)", "Date, who"]


def _tables(lot: CrewLot, rests: Sequence[Sequence[str]]) -> list[dict[str, Any]]:
    """What had no room in its row, and the trees that are left."""
    out = []
    pairs = zip(lot.work, rests, strict=True)
    more = [[_plain(tree.crown_id), " ".join(rest)] for tree, rest in pairs if rest]
    if more:
        out.append(
            {
                "heading": "More about single trees",
                "shares": [1.2, 6.0],
                "heads": ["Tree", "What else to mind"],
                "rows": more,
            }
        )
    if lot.left:
        out.append(
            {
                "heading": "Leave as they are",
                "shares": [1.2, 1.9, 2.5, 2.6],
                "heads": ["Tree", "Species", "Where", "Why"],
                "rows": [
                    [
                        _plain(tree.crown_id),
                        tree.species,
                        _capital(f"{where(tree.place)}; {degrees(tree.place)}"),
                        _capital(tree.what),
                    ]
                    for tree in lot.left
                ],
            }
        )
    return out
