"""What a crew list says before a tree is cut: lowest foliage, orders, changes, why there is none.

Held against the sample's own layers, the rules as the issue and good practice have them, and pages
read back by a library that did not write them.
"""

from __future__ import annotations

import io
import math
from dataclasses import replace

import pdfplumber
import pytest
from packages_made import lot_of, sample_package
from sheet_checks import overlaps, words_of

from geotrim.errors import LayerError
from geotrim.report.crew_foliage import foliage_words
from geotrim.report.crew_html import page_data
from geotrim.report.crew_order import crew_lot
from geotrim.report.crew_sheets import crew_pdf
from geotrim.report.crew_table import crew_table, waypoints
from geotrim.report.crew_tree import OTHER_PLANT, Cut
from geotrim.report.crew_words import CrewHead

HEAD = CrewHead("Invented shore", "0" * 64, "A. Quill", "2026-11-26")
NAN, TOP = math.nan, math.inf
#: Letter paper held upright, less the margin, and where rows begin and end. [pt]
LEFT, RIGHT = 27.0, 585.0


def listed(name):
    package = sample_package(name)
    return crew_lot(package, lot_of(package), 1)


def read(pdf):
    with pdfplumber.open(io.BytesIO(pdf)) as opened:
        return [
            (words_of(page), *(" ".join(one.extract_text().split()) for one in (page, rows(page))))
            for page in opened.pages
        ]


def rows(page):
    """What stands between the boxes to tick and the column to write in."""
    return page.crop((57, 0, 486, 792))


def check(pdf):
    """No word lies on another or out of the margins, and none is a speck."""
    pages = read(pdf)
    for words, _, _ in pages:
        assert not overlaps(words), overlaps(words)[:4]
        for word in words:
            left, _, right, _ = word.box.bounds
            assert left > LEFT - 1 and right < RIGHT + 1, word.text
            assert word.size_pt > 5.9, word.text
    return [text for _, text, _ in pages]


@pytest.mark.parametrize(
    ("species", "base_ft", "cut", "is_asked", "is_red"),
    [
        ("Rhizophora mangle", NAN, Cut(6.0, 9.0), True, True),
        ("Rhizophora mangle", NAN, Cut(6.5, TOP), True, True),
        ("Rhizophora mangle", 3.0, Cut(6.0, 9.0), False, False),
        ("Rhizophora mangle", 7.0, Cut(6.0, 9.0), True, True),  # it hangs a foot over the mark
        (None, NAN, Cut(6.0, 9.0), True, True),  # it may be one
        (None, 6.2, Cut(6.0, 9.0), True, True),
        (None, 6.0, Cut(6.0, 9.0), False, False),
        ("Avicennia germinans", NAN, Cut(8.25, TOP), True, False),
        ("Avicennia germinans", 7.0, Cut(6.0, 9.0), False, False),
    ],
)
def test_lowest_foliage_by_hand(species, base_ft, cut, is_asked, is_red):
    """No red mangrove is cut below its lowest foliage; what may be one is taken for one."""
    words = foliage_words(species, base_ft, cut)
    assert ("LOOK FIRST for its lowest foliage" in words) is is_asked
    assert ("nothing of a red mangrove is cut below it (prop roots)" in words) is is_red
    if is_asked:
        mark = {6.0: "6 ft 0 in", 6.5: "6 ft 6 in", 8.25: "8 ft 3 in"}[cut.low_ft]
        assert f"If it hangs over {mark}, do not cut to the mark: ask." in words


def test_every_tree_without_a_lowest_foliage_is_looked_at_first():
    """On its own row, on paper, on the phone, in the table and in the waypoint."""
    package, lot = sample_package("plain_lot"), listed("plain_lot")
    rows = package.rows("crowns").set_index("crown_id")
    mangroves = [tree for tree in lot.work if tree.kind != OTHER_PLANT]
    bare = {t.crown_id for t in mangroves if math.isnan(rows.loc[t.crown_id, "base_height_ft"])}
    assert {"SB-14", "SB-24", "SB-26", "SB-33", "SB-40"} <= bare  # reds of the sample's layer
    asked = {tree.crown_id: tree for tree in lot.work if tree.foliage}
    assert bare <= set(asked) and "SB-41" not in asked  # a red one whose foliage begins at 6.0 ft
    pages = read(crew_pdf([lot], HEAD))
    lists = [text for _, whole, text in pages if "Date, who" in whole]
    phone = {one["crown_id"]: one for one in page_data([lot], HEAD, None)["lots"][0]["work"]}
    table = crew_table([lot]).set_index("crown_id")
    points = {one.name: one for one in waypoints([lot])}
    for crown_id, tree in asked.items():
        assert tree.foliage in lists[(tree.number - 1) // 10], crown_id
        assert {"text": tree.foliage, "bold": True} in phone[crown_id]["details"]
        assert table.loc[crown_id, "look_first"] == tree.foliage
        assert tree.foliage.rstrip(".") in " ".join(str(v) for v in vars_of(points[crown_id]))


def vars_of(point):
    return [getattr(point, name) for name in point.__dataclass_fields__]


def test_what_is_no_mangrove_is_left_unless_ordered():
    lot = listed("plain_lot")
    others = [tree for tree in lot.work if tree.kind == OTHER_PLANT]
    assert [tree.number for tree in others] == [1, 2, 3, 4]
    lists = [text for text in check(crew_pdf([lot], HEAD)) if "Date, who" in text]
    assert lists[0].count("NO MANGROVE: LEAVE UNLESS ORDERED") == 4
    assert lists[0].count("Only if the owner orders it and the local code allows") == 4
    assert lists[0].count("Ordered by") == 4 and sum(one.count("Ordered by") for one in lists) == 4
    table = crew_table([lot])
    for row in table[table["kind"] == OTHER_PLANT].to_dict("records"):
        assert "LEAVE UNLESS ORDERED" in row["what"] and "else leave it" in row["hold"]


@pytest.mark.parametrize(
    "long", ["Quill and daughters, surveyors of " * 14, "Q" * 480], ids=["words", "one word"]
)
def test_a_long_name_pushes_nothing_away(long):
    """What has no room in head or foot ends in three points and stands in full before the list."""
    lot = listed("plain_lot")
    lot = replace(lot, lot_id=f"lot of {long}")
    pdf = crew_pdf([lot], replace(HEAD, prepared_by=f"P {long}", site=f"S {long}"))
    pages = check(pdf)
    for text in pages:
        assert "..." in text and "not before 2027-01-11" in text and "Never cut trunks" in text
        assert "2026-11-26" in text
    with pdfplumber.open(io.BytesIO(pdf)) as opened:  # between head and foot
        told = [page.crop((0, 72, 612, 742)).extract_text() for page in opened.pages]
    squeezed = "".join("".join(told[:2]).split()).replace("\u200b", "")
    for name in ("Crewlist,year1of2,lotlotof", "Site:S", "byP"):
        assert name + "".join(long.split()) in squeezed
    assert "In full" not in check(crew_pdf([listed("plain_lot")], HEAD))[0]


def test_long_ids_stay_readable():
    lot = listed("plain_lot")
    ids = [
        f"tree-of-the-invented-survey-of-the-whole-shore-0000000000000000-{k}" for k in range(99)
    ]
    work = tuple(replace(tree, crown_id=ids[k]) for k, tree in enumerate(lot.work))
    left = tuple(replace(tree, crown_id=ids[k + 50]) for k, tree in enumerate(lot.left))
    species = "a very long name of a plant nobody knows " * 6
    work = (replace(work[0], species=species), *work[1:])
    pdf = crew_pdf([replace(lot, work=work, left=left)], HEAD)
    lists = [text for text in check(pdf) if "Date, who" in text]
    for tree in work:
        assert f"-{tree.number - 1} " in lists[(tree.number - 1) // 10]  # its end tells it apart
    with pdfplumber.open(io.BytesIO(pdf)) as opened:  # the first column of the tables at the end
        first = "".join(page.crop((0, 70, 108, 760)).extract_text() for page in opened.pages)
    whole = "".join(first.split()).replace("\u200b", "").replace("Tree", "")
    for tree in left:
        assert tree.crown_id in whole


def test_a_changed_package_is_told_on_the_first_page():
    head = replace(HEAD, changed=("summary.txt", "b.csv", "c.csv", "d.csv", "e.csv"))
    pages = check(crew_pdf([listed("plain_lot")], head))
    assert "THE RESULT PACKAGE WAS CHANGED" in pages[0] and "summary.txt" in pages[0]
    assert "and 1 more" in pages[0]
    assert "CHANGED" not in check(crew_pdf([listed("plain_lot")], HEAD))[0]


def bare(package, **tables):
    """A package without a plan, with some tables of its own in place of the others."""
    results = {
        name: replace(one, tables={k: tables.get(k, t.iloc[:0]) for k, t in one.tables.items()})
        for name, one in package.results.items()
        if name in ("window", "stages")
    }
    own = {name: table for name, table in package.tables.items() if name in ("crowns", "lots")}
    return replace(package, tables={**own, **tables}, results=results)


def test_why_there_is_no_list_is_the_packages_own_reason():
    package = sample_package("plain_lot")
    lot = lot_of(package)
    crowns, lots = package.rows("crowns"), package.rows("lots")
    window = package.results["window"].tables["window_lots"].copy()
    window["status"], window["reason"] = "no window", "an invented reason."
    cases = [
        (bare(package, lots=lots.assign(is_measured=False, reason="no MHW line")), "no MHW line"),
        (bare(package, crowns=crowns.assign(keep="nest")), "every tree is marked to be kept"),
        (bare(package, crowns=crowns.iloc[:0]), "no crown stands on the lot"),
        (bare(package, window_lots=window), "an invented reason"),
    ]
    for spoilt, why in cases:
        with pytest.raises(LayerError, match=why) as told:
            crew_lot(spoilt, lot, 1)
        assert "eyes or a target height" not in str(told.value)
    with pytest.raises(LayerError, match="eyes or a target height"):
        crew_lot(bare(package), lot, 1)
