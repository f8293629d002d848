"""The checklist of a submission, against a table typed by hand."""

from __future__ import annotations

from importlib.resources import files

import pytest

from geotrim.errors import RangeError, RuleError
from geotrim.rules.rule_file import CONFIDENCES, routes
from geotrim.rules.submission import PAPERS, checklist, read_submission, submission

# What a submission usually contains: state application form and Hillsborough County form, read in
# source; what is marked "from memory" nobody has read. Item, a word that must be in it, asked for a
# verification / a general permit / an individual permit, confidence of its least sure part.
# "if" stands for any answer that begins with it.
TABLE = [
    ("F-01", "8 1/2", "yes", "yes", "yes", "read in source"),
    ("F-02", "form", "no", "if", "if", "read in source"),
    ("F-03", "agent", "yes", "yes", "yes", "read in source"),
    ("F-04", "credential", "if", "yes", "if", "read in source"),
    ("F-05", "Parcel", "yes", "yes", "yes", "from memory"),
    ("F-06", "Plan view", "yes", "yes", "yes", "from memory"),
    ("F-07", "Cross-section", "yes", "yes", "yes", "from memory"),
    ("F-08", "by species", "yes", "yes", "yes", "from memory"),
    ("F-09", "16 ft", "yes", "yes", "yes", "from memory"),
    ("F-10", "herbicide", "yes", "yes", "yes", "from memory"),
    ("F-11", "photographs", "yes", "yes", "yes", "from memory"),
    ("F-12", "earlier configuration", "if", "no", "no", "from memory"),
    ("F-13", "easement", "yes", "yes", "yes", "read second-hand"),
    ("F-14", "restoration", "no", "no", "yes", "from memory"),
    ("F-15", "Fee", "yes", "yes", "yes", "from memory"),
]
#: Figures that geotrim measures or is told; every one must be asked for by some item.
FIGURES = {
    "lot_id",
    "location",
    "professional",
    "plan_view",
    "section_view",
    "mhw_line",
    "shoreline_length_ft",
    "fringe_depth_ft",
    "heights_before",
    "heights_after",
    "trees_to_trim",
    "stage_plan",
    "chemicals",
    "earlier_proof",
    "set_aside_check",
}
COLUMNS = [
    "item",
    "words",
    "verification",
    "general_permit",
    "individual_permit",
    "filled",
    "source",
    "confidence",
]


def rows(filled=None):
    return {row["item"]: row for row in checklist(filled or {})}


def test_every_item_is_there_once_and_in_order():
    assert [row["item"] for row in checklist({})] == [line[0] for line in TABLE]
    assert all(list(row) == COLUMNS for row in checklist({}))


@pytest.mark.parametrize("line", TABLE, ids=lambda line: line[0])
def test_an_item_is_asked_for_as_the_table_says(line):
    item, word, *asked, confidence = line
    row = rows()[item]
    assert word in row["words"]
    for answer, name in zip(asked, COLUMNS[2:5], strict=True):
        assert row[name] == answer if answer != "if" else row[name].startswith("if "), name
    assert row["confidence"] == confidence and confidence in CONFIDENCES
    assert row["source"]


def test_conditions_are_those_of_the_sources():
    """State form: sections 1-4, 5, 7 for a notice, 1-4, 6, 7 for an individual permit."""
    assert rows()["F-02"]["general_permit"].endswith("1, 2, 3, 4, 5 and 7")
    assert rows()["F-02"]["individual_permit"].endswith("1, 2, 3, 4, 6 and 7")
    assert "over 10 ft" in rows()["F-04"]["verification"]
    assert "(c) or (d)" in rows()["F-12"]["verification"]
    assert "nil" in rows()["F-15"]["words"]


def test_every_figure_is_asked_for_and_explained():
    known, items = submission()
    assert set(known) == FIGURES
    assert {key for item in items for key in item.figures} == FIGURES
    assert all(known.values())


def test_papers_are_those_the_routes_name():
    assert {route["paper"] for route in routes().values()} - {""} == set(PAPERS)


def test_with_nothing_known_nothing_is_filled_in():
    assert {row["filled"] for row in checklist({})} == {""}
    assert {row["filled"] for row in checklist(dict.fromkeys(FIGURES, "  "))} == {""}


def test_an_item_says_what_is_there_and_what_is_still_missing():
    """F-08 asks for five figures; two are given."""
    got = rows({"fringe_depth_ft": "fringe 38.0 ft.", "shoreline_length_ft": "shore 120.0 ft"})
    assert got["F-08"]["filled"] == (
        "shore 120.0 ft; fringe 38.0 ft. Still to add: heights before, by species; heights after, "
        "by species; how many trees, or what share, are trimmed and what share is not"
    )
    assert got["F-07"]["filled"].startswith("fringe 38.0 ft. Still to add: section square to")
    assert got["F-06"]["filled"].endswith("where the MHW line comes from; structures")
    filled = {item for item, row in got.items() if row["filled"]}
    assert filled == {"F-06", "F-07", "F-08"}


def test_with_every_figure_only_what_the_user_adds_is_open():
    got = rows({key: f"<{key}>" for key in FIGURES})
    whole = {item for item, row in got.items() if row["filled"] and "Still" not in row["filled"]}
    partly = {item for item, row in got.items() if "Still to add" in row["filled"]}
    empty = {item for item, row in got.items() if not row["filled"]}
    assert whole == {"F-07", "F-08", "F-09", "F-13"}
    assert partly == {"F-04", "F-05", "F-06", "F-10", "F-12"}
    assert empty == {"F-01", "F-02", "F-03", "F-11", "F-14", "F-15"}
    assert got["F-06"]["filled"].endswith("Still to add: structures")


def test_one_figure_fills_only_the_items_that_ask_for_it():
    _, items = submission()
    for key in FIGURES:
        got = rows({key: "there"})
        assert {i for i, row in got.items() if row["filled"]} == {
            item.id for item in items if key in item.figures
        }


def test_a_figure_nobody_asks_for_is_refused_by_name():
    with pytest.raises(RangeError, match="say 'stage_plan' if you meant that"):
        checklist({"stage_plans": "two years"})


GOOD = """
[figure]
a = "an a"

[item.X-1]
words = "An item."
verification = "yes"
general-permit = "no"
individual-permit = "if asked"
figures = ["a"]
to_add = []
source = "somewhere"
confidence = "read in source"
read_on = "2026-11"
"""


def test_a_good_list_is_read():
    figures, (item,) = read_submission(GOOD, "good")
    assert figures == {"a": "an a"}
    assert item.asked == {
        "verification": "yes",
        "general-permit": "no",
        "individual-permit": "if asked",
    }


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('source = "somewhere"\n', "", "missing or unknown: source"),
        ('source = "somewhere"', 'source = " "', "source"),
        ("verification =", "verify =", "verification, verify"),
        ('"no"', '"perhaps"', "'perhaps'; needed yes, no"),
        ('"if asked"', '"iffy"', "'iffy'"),
        ('"read in source"', '"sure"', "confidence: found 'sure'"),
        ('"2026-11"', '"not read"', "read_on"),
        ('confidence = "read in source"', 'confidence = "from memory"', "read_on"),
        ('["a"]', '["b"]', "figures: found 'b'"),
        ("[figure]", "[figure", "no TOML"),
    ],
)
def test_a_faulty_list_is_refused(old, new, told):
    assert old in GOOD
    with pytest.raises(RuleError, match=r"bad") as error:
        read_submission(GOOD.replace(old, new), "bad")
    assert told in str(error.value)


def test_the_list_is_one_of_words_and_no_money():
    """No amount of any county's fee is printed: they go out of date."""
    text = files("geotrim.rules").joinpath("submission.toml").read_text(encoding="utf-8")
    assert "$" not in text
