"""The list of delegated local governments, against one typed by hand."""

from __future__ import annotations

import pytest

from geotrim.errors import RuleError
from geotrim.rules.delegated import (
    delegated,
    delegated_list,
    delegated_words,
    mechanics,
    read_delegated,
)

# Seven governments under s. 403.9324 F.S. Source: news and law-firm articles of 2016 to 2021, read
# second-hand; Sarasota County since 1 November 2016.
SEVEN = [
    ("miami-dade", "Miami-Dade County", "county", ""),
    ("broward", "Broward County", "county", ""),
    ("hillsborough", "Hillsborough County", "county", ""),
    ("pinellas", "Pinellas County", "county", ""),
    ("sarasota", "Sarasota County", "county", "2016-11-01"),
    ("jupiter-island", "Town of Jupiter Island", "town", ""),
    ("sanibel", "City of Sanibel", "city", ""),
]


def test_the_list_holds_these_seven_and_no_others():
    assert list(delegated_list()["government"]) == [one[0] for one in SEVEN]


@pytest.mark.parametrize(("key", "name", "kind", "since"), SEVEN)
def test_each_is_found_with_its_date_and_how_sure_it_is(key, name, kind, since):
    found = delegated(name)
    assert (found["key"], found["name"], found["kind"]) == (key, name, kind)
    assert (found["since"], found["as_of"]) == (since, "2021")
    assert (found["confidence"], found["read_on"]) == ("read second-hand", "2026-11")
    assert "403.9324" in found["source"]
    assert f"{name}" in found["words"] and since in found["words"]
    assert (
        "as of 2021: it decides in place of the department; check its own rules" in found["words"]
    )
    assert delegated_words(name) == found["words"]


@pytest.mark.parametrize(
    ("said", "key"),
    [
        ("Pinellas", "pinellas"),
        ("  pinellas   COUNTY ", "pinellas"),
        ("County of Pinellas", "pinellas"),
        ("the County of Pinellas", "pinellas"),
        ("Pinellas Co.", "pinellas"),
        ("Pinellas co", "pinellas"),
        ("Pinellas County.", "pinellas"),
        ("Pinellas County, Florida", "pinellas"),
        ("Pinellas County FL", "pinellas"),
        ("Miami Dade", "miami-dade"),
        ("MIAMI-DADE COUNTY", "miami-dade"),
        ("Miami\N{EN DASH}Dade", "miami-dade"),
        ("Dade County", "miami-dade"),
        ("city of sanibel", "sanibel"),
        ("Sanibel city", "sanibel"),
        ("Sanibel, Fla.", "sanibel"),
        ("Jupiter Island", "jupiter-island"),
        ("town of Jupiter Island", "jupiter-island"),
        ("Sarasota", "sarasota"),
        ("Hillsborough", "hillsborough"),
        ("broward county", "broward"),
    ],
)
def test_common_forms_of_a_name_are_understood(said, key):
    assert delegated(said)["key"] == key


@pytest.mark.parametrize(
    "said",
    [
        "City of Sarasota",  # the county is on the list, the city is not
        "Sarasota city",
        "Town of Jupiter",  # not Jupiter Island
        "Jupiter",
        "Jupiter Inlet Colony",
        "Village of Pinellas",
        "Sanibel County",
        "City of Miami",
        "Miami",
        "Monroe County",
        "Lee",
        "Pinelas",  # a misspelling is not guessed
        "County",
        "",
        "  ",
        None,
        float("nan"),
        7,
    ],
)
def test_others_are_not_on_the_list(said):
    assert delegated(said) is None


def test_words_for_one_that_is_not_on_the_list():
    words = delegated_words("  Monroe  County ")
    assert words.startswith(
        "Monroe County is not on the list of delegated local governments as of 2021; check with "
        "the department"
    )
    assert "decides in place" not in words


@pytest.mark.parametrize("said", [None, "", " "])
def test_words_where_no_name_is_given(said):
    words = delegated_words(said)
    assert "not given" in words and "not known" in words and "department" in words


def test_how_delegation_works_is_told_with_its_source():
    """Source: s. 403.9324 F.S., read second-hand; "cannot cut back" is from memory."""
    rows = mechanics()
    text = " ".join(row["words"] for row in rows)
    for word in ("45 days", "county", "city", "stricter", "cannot cut back", "without delegation"):
        assert word in text
    sure = sorted(row["confidence"] for row in rows)
    assert sure == ["from memory", *["read second-hand"] * 3]
    stricter = next(row for row in rows if "cannot cut back" in row["words"])
    assert (stricter["confidence"], stricter["read_on"]) == ("from memory", "not read")


GOOD = """
[list]
as_of = "2021"

[government.x]
name = "X County"
kind = "county"
names = ["X"]
as_of = "2021"
source = "an article"
confidence = "read second-hand"
read_on = "2026-11"

[mechanics.m]
words = "So it works."
source = "an article"
confidence = "from memory"
read_on = "not read"
"""


def test_a_good_list_is_read():
    assert read_delegated(GOOD, "good")["government"]["x"]["names"] == ["X"]


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('[list]\nas_of = "2021"', "[list]", "no as_of"),
        ('names = ["X"]\nas_of = "2021"', 'names = ["X"]', "missing or unknown keys"),
        ('names = ["X"]', "names = []", "names"),
        ('"county"', '"parish"', "'parish'"),
        ('"read second-hand"', '"sure"', "'sure'"),
        ('"2026-11"', '"not read"', "read_on"),
        ('source = "an article"', 'source = " "', "source"),
        ('words = "So it works."\n', "", "missing or unknown keys"),
        ("[list]", "[list", "no TOML"),
    ],
)
def test_a_faulty_list_is_refused(old, new, told):
    assert old in GOOD
    with pytest.raises(RuleError, match=r"^bad") as error:
        read_delegated(GOOD.replace(old, new, 1), "bad")
    assert told in str(error.value)


def test_two_governments_cannot_share_a_name():
    other = GOOD.split("[mechanics.m]")[0].partition("[government.x]")[2]
    with pytest.raises(RuleError, match="a name of its own"):
        read_delegated(f"{GOOD}\n[government.y]{other}", "bad")
