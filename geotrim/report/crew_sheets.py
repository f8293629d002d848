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
    changed_words,
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
#: A number is printed no smaller than this; of a longer one the middle is left out. [pt]
LEAST_PT = 9.0
#: Type of a page's title, of the day beside it, of the line under it, of the foot. [pt]
TITLE_PT, DAY_PT, SITE_PT, FOOT_WORDS_PT = 14.0, 11.0, 8.5, 6.5
#: What the words of a page have from margin to margin; between two words on one line. [pt]
LINE_PT, BETWEEN_PT = WIDTH_PT - 2 * MARGIN_PT, 10.0
CUT = "..."
#: What a tree's number has on its line, however long its species is. [pt]
LEAST_NUMBER_PT = 110.0
#: Letters of a word after which its line may be broken: a narrow column has room for so many.
A_BREAK = 10
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
        "prepared": _cut(_prepared(head), FOOT_WORDS_PT, LINE_PT - _room(CAUTION, FOOT_WORDS_PT)),
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
    return ", ".join(part for part in (head.date, by) if part)


def _room(beside: str, size_pt: float, *, is_bold: bool = False) -> float:
    """What words on the same line take, the gap between among it. [pt]."""
    return width_pt(beside, size_pt, is_bold=is_bold) + BETWEEN_PT


def _cut(words: str, size_pt: float, room_pt: float, *, is_bold: bool = False) -> str:
    """Words on one line no wider than a room; of longer ones the end is left out.

    Examples
    --------
    >>> _cut("a pier", 10.0, 100.0), _cut("a very long pier", 10.0, 60.0)
    ('a pier', 'a very...')
    """
    plain = _plain(words)
    if width_pt(plain, size_pt, is_bold=is_bold) <= room_pt:
        return plain
    room_pt -= width_pt(CUT, size_pt, is_bold=is_bold)
    n, wide = 0, 0.0
    while (
        n < len(plain) and (wide := wide + width_pt(plain[n], size_pt, is_bold=is_bold)) <= room_pt
    ):
        n += 1
    return f"{plain[:n].rstrip()}{CUT}"


def _middle_cut(words: str, size_pt: float, room_pt: float) -> str:
    """A number on one line no wider than a room; of a longer one the middle is left out.

    Numbers of one survey are alike in front and differ at the end, so more of the end stays.
    """
    if width_pt(words, size_pt, is_bold=True) <= room_pt:
        return words
    front = _cut(words, size_pt, 0.3 * room_pt, is_bold=True)
    back = _cut(
        words[::-1], size_pt, room_pt - width_pt(front, size_pt, is_bold=True), is_bold=True
    )
    return f"{front}{back.removesuffix(CUT)[::-1]}"


def _lot(lot: CrewLot, head: CrewHead) -> dict[str, Any]:
    drawn = [_tree(tree) for tree in lot.work]
    pages = [drawn[k : k + A_PAGE] for k in range(0, len(drawn), A_PAGE)]
    of = f" of {lot.n_years}" if lot.n_years > 1 else ""
    title, day = f"Crew list, year {lot.year}{of}, lot {lot.lot_id}", day_words(lot)
    plan = f"plan {head.sha256[:12]}"
    shown = {
        "title": _cut(title, TITLE_PT, LINE_PT - _room(day, DAY_PT, is_bold=True), is_bold=True),
        "site": _cut(head.site, SITE_PT, LINE_PT - _room(f"{plan}, page 000 of 000", SITE_PT)),
        "date": day,
        "plan": plan,
    }
    by = _cut(_prepared(head), FOOT_WORDS_PT, LINE_PT - _room(CAUTION, FOOT_WORDS_PT))
    in_full = [
        words
        for words, short in (
            (title, shown["title"]), (f"Site: {head.site}", f"Site: {shown['site']}"),
            (f"Prepared: {_prepared(head)}", f"Prepared: {by}"),
        )
        if _plain(words) != short
    ]  # fmt: skip
    return {
        "head": shown,
        "sections": [*_changed(head), *_sections(lot), *_in_full(in_full)],
        "pages": [[one for one, _ in page] for page in pages],
        "tables": _tables(lot, [rest for _, rest in drawn]),
    }


def _section(
    heading: str, items: Sequence[str], size: float = 9.5, *, boxed: bool = False
) -> dict[str, Any]:
    return {"heading": heading, "items": list(items), "size": size, "boxed": boxed}


def _changed(head: CrewHead) -> list[dict[str, Any]]:
    """A changed package is told before everything else."""
    words = changed_words(head)
    return [_section("CHECK THIS LIST", [words], boxed=True)] if words else []


def _in_full(lines: Sequence[str]) -> list[dict[str, Any]]:
    """What had no room in the head and the foot of a page."""
    return [_section("In full", [breakable(_plain(one)) for one in lines], 8.5)] if lines else []


def breakable(words: str) -> str:
    """Words with a place to break a line in every long one."""
    return " ".join(
        "\u200b".join(word[k : k + A_BREAK] for k in range(0, len(word), A_BREAK))
        for word in words.split()
    )


def _sections(lot: CrewLot) -> list[dict[str, Any]]:
    one = _section
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
    place, whole = degrees(tree.place), _plain(tree.crown_id)
    species = _cut(tree.species, SPECIES_PT, BODY_PT - LEAST_NUMBER_PT - _room(place, SPECIES_PT))
    size = _fitting(whole, f"{species}  {place}")
    number = _middle_cut(whole, size, BODY_PT - _room(f"{species}  {place}", SPECIES_PT))
    used = 2 * PAD_PT + CAPITAL * (NUMBER_PT + n_what * WHAT_PT) + (1 + n_what) * GAP_PT
    small, kept, rest = _detailed(details(tree, on_paper=True), ROW_PT - used)
    shortened = (("Tree", whole, number), ("Species", _plain(tree.species), species))
    full = [f"{label}: {breakable(all_)}." for label, all_, shown in shortened if all_ != shown]
    return {
        "order": f"{tree.number}",
        "is_ordered": tree.kind == OTHER_PLANT,
        "number": number,
        "size": size,
        "species": species,
        "place": place,
        "mark": mark,
        "tail": tail,
        "details": kept,
        "small": small,
        "leading": LEADING_PT * small / SMALL_PT,
        "write": _write(tree),
    }, [*full, *rest]


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
        return ["Ordered by; species", "Date, who"]
    if tree.kind == CLEAR_BAND:
        return ["Top; cleared from - to", "Date, who"]
    return ["Top after the cut (ft, in)", "Date, who"]


def _tables(lot: CrewLot, rests: Sequence[Sequence[str]]) -> list[dict[str, Any]]:
    """What had no room in its row, and the trees that are left."""
    out = []
    pairs = zip(lot.work, rests, strict=True)
    more = [[breakable(tree.crown_id), " ".join(rest)] for tree, rest in pairs if rest]
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
                        breakable(tree.crown_id),
                        breakable(tree.species),
                        _capital(f"{where(tree.place)}; {degrees(tree.place)}"),
                        _capital(tree.what),
                    ]
                    for tree in lot.left
                ],
            }
        )
    return out
