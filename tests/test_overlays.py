"""Local rule files: they tighten or are refused; those that other packages bring."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from cases import A, B, lot, statuses, verdict
from hypothesis import given
from hypothesis import strategies as st
from rule_texts import ALL_RULES, RULE, TIGHTEN, refused, text_of, tighten
from strategies import TIGHTENABLE, stricter_number

from geotrim.errors import RuleError
from geotrim.rules import overlays
from geotrim.rules.decide import decide
from geotrim.rules.overlays import overlays_from
from geotrim.rules.readings import Readings
from geotrim.rules.rule_file import (
    Limit,
    RuleFile,
    built_in,
    is_stricter,
    read_overlay,
    read_rule_file,
    tightened,
)
from geotrim.rules.rule_set import rule_set
from geotrim.rules.verdict import COMPARISONS


def loose_number(rule):
    """A number on the loose side of a rule's own."""
    own, strict = rule.limit.number, stricter_number(rule, 1)
    return round(own + (own - strict), 6)


@pytest.mark.parametrize("name", ALL_RULES)
def test_a_looser_number_is_refused_for_every_rule(name):
    rule = ALL_RULES[name]
    number = loose_number(rule) if rule in TIGHTENABLE else 1.0 - rule.limit.number
    message = refused(tighten(name, number=number), name)
    assert "an overlay can only tighten" in message


@pytest.mark.parametrize("name", ALL_RULES)
def test_the_same_number_is_refused_for_every_rule(name):
    refused(tighten(name, number=ALL_RULES[name].limit.number), name, "an overlay can only tighten")


@pytest.mark.parametrize("rule", TIGHTENABLE, ids=lambda rule: rule.id)
def test_a_stricter_number_is_taken_for_every_rule_that_has_one(rule):
    number = stricter_number(rule, 1)
    found = rule_set([read_overlay(tighten(rule.id, number=number), "cay.toml")]).rules[rule.id]
    assert found.limit == Limit(rule.limit.measure, rule.limit.compare, number, rule.limit.unit)
    assert (found.tightens, found.tightened_by) == (rule.limit, "cay")
    assert (found.section, found.confidence) == ("code 7-2", "read second-hand")
    assert (found.effect, found.routes, found.when) == (rule.effect, rule.routes, rule.when)
    # the rule's own words would tell the old number
    assert f"{found.limit.words()} by a local rule" in found.words
    assert ("stricter than the act" in found.words) is (rule.effect != "warning")


@pytest.mark.parametrize("rule", TIGHTENABLE, ids=lambda rule: rule.id)
def test_another_unit_or_direction_is_refused_for_every_rule(rule):
    strict = stricter_number(rule, 1)
    other = "m" if rule.limit.unit != "m" else "ft"
    refused(tighten(rule.id, number=strict, unit=other), rule.id, "unit")
    turned = {"<": ">", ">": "<"}[rule.limit.compare[0]]
    for compare in (turned, f"{turned}=", "=="):
        refused(tighten(rule.id, number=strict, compare=compare), rule.id, "tighten")


@pytest.mark.parametrize("rule", TIGHTENABLE, ids=lambda rule: rule.id)
def test_the_edge_alone_may_be_tightened_and_never_loosened(rule):
    """With the same number: what excludes the edge is stricter than what takes it in."""
    sign, same = rule.limit.compare[0], rule.limit.number
    if rule.limit.compare == sign:  # the edge is out already
        refused(tighten(rule.id, number=same, compare=f"{sign}="), "tighten")
    elif rule.effect == "consequence":
        refused(tighten(rule.id, number=same, compare=sign), "tighten")
    else:
        text = tighten(rule.id, number=same, compare=sign)
        found = rule_set([read_overlay(text, "cay.toml")]).rules[rule.id]
        assert found.limit.compare == sign


@pytest.mark.parametrize("name", [n for n, r in ALL_RULES.items() if r not in TIGHTENABLE])
def test_a_yes_or_a_way_to_count_cannot_be_tightened(name):
    rule = ALL_RULES[name]
    assert rule.limit.compare == "==" or rule.effect == "told"
    for number in (-1.0, 0.0, 1.0, 5.0, 7.0):
        refused(tighten(name, number=number), name)


@pytest.mark.parametrize(
    ("name", "number", "is_taken"),
    [
        ("restoration-trigger", 0.04, True),  # reached sooner: stricter
        ("restoration-trigger", 0.06, False),
        ("restoration-ratio", 3.0, True),
        ("restoration-ratio", 1.5, False),
        ("restoration-price", 5.0, True),
        ("restoration-price", 3.0, False),
        ("restoration-years", 4.0, True),
        ("restoration-years", 6.0, False),
        ("owner-height-before", 8.0, True),
        ("owner-height-before", 12.0, False),
        ("owner-height-after", 7.0, True),
        ("owner-height-after", 5.0, False),
        ("permit-share", 0.5, True),
        ("permit-share", 0.7, False),
        ("professional-red-notice", 14.0, True),
        ("professional-red-notice", 7.0, False),
    ],
)
def test_which_way_is_stricter(name, number, is_taken):
    """By hand: a lower cap, a higher floor, a longer notice; a trigger that is reached sooner."""
    if is_taken:
        found = rule_set([read_overlay(tighten(name, number=number), "cay.toml")])
        assert found.rules[name].limit.number == number
    else:
        refused(tighten(name, number=number), name)


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"number": None}, "no number"),
        ({"unit": None}, "no unit"),
        ({"section": None}, "no section"),
        ({"confidence": None}, "no confidence"),
        ({"read_on": None}, "no read_on"),
        ({"number": "8"}, "number"),
        ({"number": True}, "number"),
        ({"compare": "=<"}, "compare"),
        ({"confidence": "sure"}, "confidence"),
        ({"read_on": "not read"}, "read_on"),
        ({"section": ""}, "section"),
        ({"words": ""}, "words"),
        ({"effect": "warning"}, "effect"),  # only the number, its edge, source and words
        ({"routes": []}, "routes"),
        ({"when": []}, "when"),
    ],
)
def test_a_tightening_says_all_it_must_and_nothing_else(changes, named):
    refused(tighten("owner-height-before", **changes), "owner-height-before", named)


def test_a_tightening_may_have_words_of_its_own():
    text = tighten("owner-height-before", words="Eight feet here.")
    assert rule_set([read_overlay(text, "x")]).rules["owner-height-before"].words == (
        "Eight feet here."
    )


def test_a_rule_of_geotrims_is_not_replaced():
    refused(text_of({"owner-height-before": RULE}), "owner-height-before", "[tighten]")


def test_a_rule_that_does_not_exist_is_not_tightened():
    message = refused(text_of(tighten={"owner-hight-before": TIGHTEN}))
    assert "'owner-height-before'" in message


@pytest.mark.parametrize("file", built_in(), ids=lambda file: file.id)
def test_a_file_of_geotrims_is_not_impersonated(file):
    """A local file under the state's id would make every state rule a local one."""
    refused(text_of({"low": RULE}, head={"id": file.id}), "id of its own")
    fake = RuleFile(file.id, "overlay", "x", "x", "1", {}, {})
    with pytest.raises(RuleError, match="id"):
        rule_set([fake])


def test_a_colon_in_an_id_is_refused():
    """It parts a local file's id from a rule's."""
    refused(text_of({"low": RULE}, head={"id": "cay:low"}), "colon")


def test_two_local_files_of_one_id_are_refused():
    one = read_overlay(text_of({"low": RULE}), "one.toml")
    two = read_overlay(text_of({"low": {**RULE, "number": 30.0}}), "two.toml")
    with pytest.raises(RuleError, match="'cay'"):
        rule_set([one, two])


@pytest.mark.parametrize("kind", ["state", "practice"])
def test_only_overlays_are_laid_over(kind):
    refused(text_of({"low": RULE}, head={"kind": kind}), "overlay")


def test_only_an_overlay_may_tighten():
    text = text_of(tighten={"owner-height-before": TIGHTEN}, head={"kind": "state"})
    refused(text, "tighten", "overlay", read=read_rule_file)


def test_rules_of_two_local_files_keep_apart():
    """One name in both; the rule's full name says whose it is."""
    one = read_overlay(text_of({"low": RULE}), "one.toml")
    two = read_overlay(text_of({"low": {**RULE, "number": 7.0}}, head={"id": "key"}), "two.toml")
    found = rule_set([one, two])
    assert found.rules["cay:low"].limit.number == 9.0
    assert found.rules["key:low"].limit.number == 7.0
    assert [file.id for file in found.files[-2:]] == ["cay", "key"]
    assert found.file("key").title == "Code of the Cay"
    assert found.is_local(found.rules["cay:low"])
    assert not found.is_local(found.rules["owner-height-before"])


@given(
    rule=st.sampled_from(TIGHTENABLE),
    steps=st.lists(st.integers(1, 8), min_size=2, max_size=4),
    is_open=st.lists(st.booleans(), min_size=4, max_size=4),
    data=st.data(),
)
def test_of_several_local_numbers_the_strictest_wins_in_any_order(rule, steps, is_open, data):
    files = []
    for k, step in enumerate(steps):
        sign = rule.limit.compare[0]
        compare = sign if is_open[k] else rule.limit.compare
        table = {**TIGHTEN, "unit": rule.limit.unit, "number": stricter_number(rule, step)}
        text = text_of(tighten={rule.id: {**table, "compare": compare}}, head={"id": f"town-{k}"})
        files.append(read_overlay(text, "x"))
    found = rule_set(data.draw(st.permutations(files))).rules[rule.id]
    most = max(steps)
    assert found.limit.number == stricter_number(rule, most)
    ways = [is_open[k] for k, step in enumerate(steps) if step == most]
    if rule.effect != "consequence":
        assert found.limit.compare == (rule.limit.compare[0] if any(ways) else rule.limit.compare)
    assert found.tightens == rule.limit


@given(
    rule=st.sampled_from(TIGHTENABLE),
    compare=st.sampled_from(COMPARISONS),
    number=st.integers(-20, 20).map(lambda n: n / 2),
    values=st.lists(st.integers(-40, 40).map(lambda n: n / 4), min_size=5, max_size=30),
)
def test_stricter_means_that_whatever_keeps_the_new_keeps_the_old(rule, compare, number, values):
    """The law itself, on values tried out; what reached the old trigger reaches the new."""
    limit = rule.limit
    if not is_stricter(limit, rule.effect, compare, number):
        return
    new = Limit(limit.measure, compare, number, limit.unit)
    for value in values:
        old_met, new_met = (int(one.judge(value, 0.0, 0.95)) == 3 for one in (limit, new))
        if rule.id == "restoration-trigger":
            assert new_met or not old_met
        else:
            assert old_met or not new_met


def test_a_local_limit_leaves_an_exemption_to_the_authority_and_closes_a_permit():
    """M-92: delegated governments cannot cut the exemptions back, from memory; permits they may."""
    text = text_of(
        {"low": {**RULE, "routes": ["owner-exemption", "general-permit"], "number": 8.0}},
        {
            "professional-height-after": {**TIGHTEN, "number": 8.0},
            "permit-height-after": {**TIGHTEN, "number": 8.0},
        },
    )
    rules = rule_set([read_overlay(text, "cay.toml")])
    owner = statuses(decide(lot(), rules))
    assert owner[A] == "depends"
    by_professional = statuses(decide(lot(who="professional", height_ft=7.9), rules))
    assert (by_professional[B], by_professional["general-permit"]) == ("depends", "closed")
    tall = statuses(decide(lot(who="professional", target_ft=8.0), rules))
    assert (tall[B], tall["general-permit"]) == ("open", "closed")  # 9 ft is over the local 8
    assert statuses(decide(lot(height_ft=12.0), rules))[A] == "closed"  # the state's own 10 ft


def test_a_local_check_never_closes_even_a_permit():
    rule = {**RULE, "effect": "check", "routes": ["general-permit", "individual-permit"]}
    rules = rule_set([read_overlay(text_of({"ask": {**rule, "number": 8.0}}), "cay.toml")])
    told = statuses(decide(lot(who="professional"), rules))
    assert (told["general-permit"], told["individual-permit"]) == ("depends", "depends")


def test_under_the_tallest_tree_reading_a_tightened_cap_keeps_the_states():
    """A-08: the tallest decides for all, by the state's own 10 ft too."""
    read = Readings({"cap_reading": "tallest-tree"})
    rules = rule_set([read_overlay(tighten("owner-height-before", number=8.0), "cay.toml")])
    tall = lot(height_ft=[7.0, 12.0])
    assert statuses(decide(tall, rule_set(), read))[A] == "closed"
    assert statuses(decide(tall, rules, read))[A] == "closed"
    assert statuses(decide(lot(height_ft=[7.0, 9.0]), rules, read))[A] == "depends"


def test_the_number_that_is_tightened_is_judged():
    rules = rule_set([read_overlay(tighten("owner-height-before", number=8.0), "cay.toml")])
    assert verdict(decide(lot(height_ft=8.0), rules), "owner-height-before") == "met"
    assert verdict(decide(lot(height_ft=8.01), rules), "owner-height-before") == "not met"


def test_a_reading_does_not_undo_a_local_number():
    """A-01: whoever reads the act's own cap as the owner's only still keeps a town's cap."""
    read = Readings({"share_cap_reading": "owner-only"})
    local = rule_set([read_overlay(tighten("professional-share", number=0.4), "cay.toml")])
    case = lot(who="professional", shore_ft=200.0)
    assert "professional-share" not in decide(case, rule_set(), read).verdicts
    assert verdict(decide(case, local, read), "professional-share") == "not met"  # half of them


def test_tightened_takes_a_table_by_itself():
    rule = ALL_RULES["owner-height-before"]
    assert tightened(rule, TIGHTEN, "cay", "here").limit.words() == "at most 8 ft"
    with pytest.raises(RuleError, match="here"):
        tightened(rule, {**TIGHTEN, "number": 11.0}, "cay", "here")


# ---- overlays of other packages


def point(name, loads, value="some.package:thing"):
    def load():
        if isinstance(loads, Exception):
            raise loads
        return loads

    return SimpleNamespace(name=name, value=value, load=load)


class PathLike:
    def __init__(self, text):
        self.text = text

    def read_text(self, encoding):
        assert encoding == "utf-8"
        return self.text


GOOD = text_of({"low": RULE})


@pytest.mark.parametrize(
    "thing",
    [GOOD, PathLike(GOOD), lambda: GOOD, lambda: PathLike(GOOD)],
    ids=["text", "path", "callable", "callable of a path"],
)
def test_an_entry_point_may_name_text_a_path_or_a_callable(thing):
    found, faults = overlays_from([point("cay", thing)])
    assert faults == ()
    overlay, text = found["cay"]
    assert (overlay.id, text) == ("cay", GOOD)


@pytest.mark.parametrize(
    ("thing", "named"),
    [
        (ImportError("no module named code"), "ImportError: no module named code"),
        (3, "TypeError: a int"),
        (lambda: 1 / 0, "ZeroDivisionError"),
        ("[file", "RuleError: broken (some.package:thing)"),
        (text_of({"owner-height-before": RULE}), "RuleError"),
        (tighten("owner-height-before", number=12.0), "can only tighten"),
    ],
)
def test_a_broken_entry_point_is_told_and_the_others_are_kept(thing, named):
    found, faults = overlays_from([point("a", GOOD), point("broken", thing), point("z", GOOD)])
    assert set(found) == {"a", "z"}
    ((label, what),) = faults
    assert label == "broken (some.package:thing)"
    assert named in what


def test_of_two_entry_points_of_one_name_the_first_in_order_is_kept():
    other = text_of({"low": RULE}, head={"title": "Another"})
    points = [point("cay", other, "b:thing"), point("cay", GOOD, "a:thing")]
    for some in (points, points[::-1]):
        found, faults = overlays_from(some)
        assert found["cay"][0].title == "Code of the Cay"
        assert [label for label, _ in faults] == ["cay (b:thing)"]
        assert "name that another package has taken" in faults[0][1]


def test_installed_overlays_are_looked_up_once_under_their_group(monkeypatch):
    asked = []

    def entry_points(group):
        asked.append(group)
        return [point("cay", GOOD)]

    monkeypatch.setattr("importlib.metadata.entry_points", entry_points)
    overlays.installed.cache_clear()
    try:
        assert set(overlays.installed()[0]) == {"cay"}
        assert set(overlays.installed()[0]) == {"cay"}
    finally:
        overlays.installed.cache_clear()
    assert asked == ["geotrim.rules"]
