"""Rule files: what they hold, what is refused, and how it is told."""

from __future__ import annotations

import re
import tomllib
from importlib.resources import files

import pytest
from cases import A
from rule_texts import ALL_RULES, HEAD, RULE, refused, text_of

from geotrim.rules.readings import questions
from geotrim.rules.rule_file import (
    APPLIES_TO,
    CONFIDENCES,
    EFFECTS,
    KINDS,
    UNITS,
    Limit,
    built_in,
    measures,
    number_words,
    read_overlay,
    routes,
)
from geotrim.rules.verdict import COMPARISONS


def test_the_files_that_geotrim_brings_are_read():
    act, practice = built_in()
    assert (act.kind, practice.kind) == ("state", "practice")
    assert act.jurisdiction == "Florida"
    assert not set(act.rules) & set(practice.rules)
    for rule in ALL_RULES.values():
        assert rule.words.endswith(".")
        assert rule.source == f"{rule.section} ({rule.confidence})"
        assert rule.tightens is None and rule.tightened_by == ""


def test_practice_warns_and_decides_nothing():
    """Good practice is no law: the issue asks for warnings."""
    assert {rule.effect for rule in built_in()[1].rules.values()} == {"warning"}


def test_what_rules_name_is_there():
    """Measures by unit and level; a rule of a single tree is not put to a lot-wide measure only."""
    for rule in ALL_RULES.values():
        for limit in (rule.limit, *rule.when):
            assert measures()[limit.measure]["unit"] == limit.unit
    for name, table in measures().items():
        assert table["unit"] in UNITS
        assert table["level"] in ("lot", "tree")
        assert table.get("settle") or table.get("facts"), name
        assert set(table.get("made_of", ())) <= set(measures())


def test_every_route_says_where_it_comes_from():
    assert [table["kind"] for table in routes().values()] == [
        "outside",
        *["exemption"] * 4,
        *["permit"] * 2,
    ]
    for table in routes().values():
        assert table["section"].startswith("s. 403.93")
        assert table["plain"].endswith(".")


def test_a_whole_rule_is_read():
    when = [{"measure": "is_red", "compare": "==", "number": 1, "unit": "yes-no"}]
    found = read_overlay(text_of({"low": {**RULE, "when": when}}), "cay.toml")
    rule = found.rules["low"]
    assert rule.limit == Limit("top_height_ft", "<=", 9.0, "ft")
    assert rule.when == (Limit("is_red", "==", 1.0, "yes-no"),)
    assert (rule.routes, rule.binds, rule.applies_to) == ((A,), "everyone", "tree")
    assert (rule.section, rule.confidence, rule.read_on) == (
        "code 7-1",
        "read in source",
        "2026-11",
    )
    assert (found.id, found.jurisdiction) == ("cay", "Invented Cay")


@pytest.mark.parametrize("key", RULE)
def test_a_rule_that_lacks_a_key_is_refused(key):
    """Number, unit, edge, source and confidence among them."""
    refused(text_of({"low": {**RULE, key: None}}), "'low'", f"no {key}")


@pytest.mark.parametrize("key", HEAD)
@pytest.mark.parametrize("value", [None, "", 3])
def test_a_file_that_does_not_say_what_it_is_is_refused(key, value):
    refused(text_of({"low": RULE}, head={key: value}), "[file]", key)


@pytest.mark.parametrize(
    ("key", "value", "named"),
    [
        ("measure", "top_height", "top_height_ft"),
        ("measure", ["top_height_ft"], "measure"),
        ("compare", "=<", "compare"),
        ("compare", "!=", "compare"),
        ("number", "9", "number"),
        ("number", True, "number"),
        ("number", float("nan"), "number"),
        ("number", float("inf"), "number"),
        ("unit", "m", "unit"),
        ("unit", "days", "unit"),  # a unit, but not of heights
        ("applies_to", "trees", "applies_to"),
        ("binds", "", "binds"),
        ("binds", 3, "binds"),
        ("routes", "owner-exemption", "routes"),
        ("routes", ["owner"], "owner-exemption"),
        ("routes", [["owner-exemption"]], "routes"),
        ("effect", "close", "effect"),
        ("effect", "consequence", "effect"),  # none of a local file
        ("section", "", "section"),
        ("section", "  ", "section"),
        ("confidence", "certain", "confidence"),
        ("read_on", "not read", "read_on"),
        ("read_on", "lately", "read_on"),
        ("read_on", "2026-13", "read_on"),
        ("read_on", 2026, "read_on"),
        ("words", "", "words"),
        ("when", "always", "when"),
        ("when", [3], "when"),
        ("when", {"measure": "is_red"}, "when"),
        ("when", [{"measure": "is_red", "compare": "=="}], "number"),
        ("when", [{"measure": "is_red", "compare": "==", "number": 2, "unit": "yes-no"}], "when"),
        (
            "when",
            [{"measure": "is_red", "compare": "==", "number": 1, "unit": "yes-no", "or": 1}],
            "or",
        ),
        ("wehn", [], "wehn"),
    ],
)
def test_a_rule_that_says_something_unknown_is_refused(key, value, named):
    refused(text_of({"low": {**RULE, key: value}}), "'low'", named)


@pytest.mark.parametrize(("compare", "number"), [("<=", 1), (">=", 1), ("==", 2), ("==", 0.5)])
def test_yes_or_no_is_one_or_nothing(compare, number):
    rule = {**RULE, "measure": "is_red", "unit": "yes-no", "compare": compare, "number": number}
    refused(text_of({"red": rule}), "'red'", "== 1 for yes or == 0 for no")


@pytest.mark.parametrize("confidence", CONFIDENCES)
def test_the_day_of_reading_fits_how_sure_a_rule_is(confidence):
    """What was read has a month; what nobody read is "not read"."""
    is_read = confidence in ("read in source", "read second-hand")
    good, bad = ("2026-11", "not read") if is_read else ("not read", "2026-11")
    told = {**RULE, "confidence": confidence}
    rule = read_overlay(text_of({"low": {**told, "read_on": good}}), "x").rules["low"]
    assert rule.read_on == good
    refused(text_of({"low": {**told, "read_on": bad}}), "read_on")


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("[file", "no TOML"),
        ("file = 3", "file"),
        ("", "id"),
        (text_of(head={"kind": "country"}), "kind"),
        (text_of(head={"date": "today"}), "date"),
        (text_of() + "\n[rules.low]\nwords = 'x'", "rules"),
        (text_of() + "\n[rule]\nlow = 3", "a table for each rule"),
        (text_of() + "\n[[rule]]\nlow = 3", "a table for each rule"),
        (text_of() + "\n[tighten]\nlow = 3", "a table for each rule"),
    ],
)
def test_a_file_of_another_shape_is_refused(text, named):
    refused(text, named)


def test_a_near_miss_is_named():
    message = refused(text_of({"low": {**RULE, "effect": "conditon"}}))
    assert "'condition'" in message


def test_what_may_be_said_is_what_is_judged():
    """The lists that readers check against, against what the code knows."""
    assert {file.kind for file in built_in()} < set(KINDS)
    assert {rule.applies_to for rule in ALL_RULES.values()} == set(APPLIES_TO)
    assert {rule.effect for rule in ALL_RULES.values()} == set(EFFECTS)
    assert {rule.limit.compare for rule in ALL_RULES.values()} == set(COMPARISONS) - {"<"}


@pytest.mark.parametrize(
    ("limit", "words"),
    [
        (Limit("top_height_ft", "<", 9.0, "ft"), "under 9 ft"),
        (Limit("top_height_ft", ">", 9.5, "ft"), "over 9.5 ft"),
        (Limit("notice_days", ">=", 10.0, "days"), "at least 10 days"),
        (Limit("share_trimmed_frac", "<=", 0.65, "frac"), "at most 65 %"),
        (Limit("months_since_freeze", "==", 6.0, "months"), "exactly 6 months"),
        (Limit("is_red", "==", 1.0, "yes-no"), "yes"),
        (Limit("is_red", "==", 0.0, "yes-no"), "no"),
    ],
)
def test_a_limit_in_words(limit, words):
    assert limit.words() == words


@pytest.mark.parametrize(
    ("number", "unit", "words"),
    [
        (0.05, "frac", "5 %"),
        (2.0, "ratio", "2 to 1"),
        (4.0, "usd-per-ft2", "$4 per sq ft"),
        (80.0, "ft2", "80 sq ft"),
        (5.0, "years", "5 years"),
        (0.0, "yes-no", "no"),
        (1.0, "yes-no", "yes"),
    ],
)
def test_a_number_in_words(number, unit, words):
    assert number_words(number, unit) == words


def test_shares_are_judged_closer_than_feet():
    """A hundred-thousandth of a share is a difference, of a foot it is not."""
    assert int(Limit("share_trimmed_frac", "<=", 0.65, "frac").judge(0.650005, 0, 0.95)) == 0
    assert int(Limit("top_height_ft", "<=", 10.0, "ft").judge(10.000005, 0, 0.95)) == 3
    assert int(Limit("cut_low_frac", ">=", 0.05, "frac").judge(1 / 20, 0, 0.95)) == 3


def test_the_files_say_in_toml_what_the_reader_found():
    """Nothing that a file holds is dropped by the reader."""
    for name, file in zip(("state_act.toml", "good_practice.toml"), built_in(), strict=True):
        data = tomllib.loads(files("geotrim.rules").joinpath(name).read_text(encoding="utf-8"))
        assert list(data["rule"]) == list(file.rules)
        assert set(data) == {"file", "rule"}


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"measure": "share_trimmed_frac", "unit": "frac", "number": 25.0}, "write 25 % as 0.25"),
        ({"measure": "notice_days", "unit": "days", "number": 1e9}, "-3660 to 3660, in days"),
        ({"effect": "share"}, "for the effect 'share'"),
        ({"effect": "notice"}, "for the effect 'notice'"),
    ],
)
def test_a_number_out_of_all_reason_is_refused(changes, named):
    refused(text_of({"low": {**RULE, **changes}}), named)


def test_no_text_reads_as_a_permission():
    """The act's limits are told, no leave is given: nobody "may" do anything to a mangrove."""
    texts = [rule.words for rule in ALL_RULES.values()]
    texts += [one["plain"] for one in routes().values()]
    for one in questions().values():
        texts += [one.question, *(choice.words for choice in one.choices.values())]
    verbs = r"(trim|cut|be (trimmed|cut|taken|at most|up to)|have|do|use|take|leave)"
    leave = re.compile(rf"\b(may(?! (not|still))|can) {verbs}\b|without asking|allowed|legal")
    assert [text for text in texts if leave.search(text)] == []
