"""Laws of deciding: stricter rules, missing facts and greater errors never open a route."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from cases import statuses
from hypothesis import given
from hypothesis import strategies as st
from strategies import overlay_texts, readings, rule_cases

from geotrim.rules.case import Case, Measured
from geotrim.rules.decide import decide
from geotrim.rules.rule_file import read_overlay
from geotrim.rules.rule_set import rule_set
from geotrim.rules.verdict import MET, NOT_MET

RULES = rule_set()
RANK = {"closed": 0, "depends": 1, "open": 2}


def ranks(decision):
    """(tree, route) -> how open the route is."""
    n = decision.case.n_judged
    return {(k, r): RANK[s] for k in range(n) for r, s in statuses(decision, k).items()}


def assert_never_more_open(before, after):
    old, new = ranks(before), ranks(after)
    assert {key: (old[key], new[key]) for key in old if new[key] > old[key]} == {}


def assert_only_doubt_is_added(before, after):
    """Every route stays as it was, or depends."""
    old, new = ranks(before), ranks(after)
    changed = {key: (old[key], new[key]) for key in old if new[key] not in (old[key], 1)}
    assert changed == {}


@given(case=rule_cases(), text=overlay_texts(), read=readings())
def test_a_local_rule_file_never_opens_a_route(case, text, read):
    """Local government may be stricter, s. 403.9324 F.S.; its file says nothing that is looser."""
    local = rule_set([read_overlay(text, "local.toml")])
    assert_never_more_open(decide(case, RULES, read), decide(case, local, read))


@given(case=rule_cases(), text=overlay_texts(), other=overlay_texts("other"), read=readings())
def test_a_second_local_rule_file_never_opens_one_either(case, text, other, read):
    one, two = read_overlay(text, "local.toml"), read_overlay(other, "other.toml")
    before = decide(case, rule_set([one]), read)
    after, turned = (decide(case, rule_set(both), read) for both in ([one, two], [two, one]))
    assert_never_more_open(before, after)
    assert ranks(after) == ranks(turned)


@given(case=rule_cases(), text=overlay_texts(), read=readings(), data=st.data())
def test_taking_a_fact_out_never_opens_a_route(case, text, read, data):
    local = rule_set([read_overlay(text, "local.toml")])
    out = data.draw(st.sets(st.sampled_from(sorted(case.facts) or [""])))
    fewer = replace(case, facts={k: v for k, v in case.facts.items() if k not in out})
    assert_only_doubt_is_added(decide(case, local, read), decide(fewer, local, read))


@given(case=rule_cases(), text=overlay_texts(), read=readings(), data=st.data())
def test_a_value_that_becomes_unknown_never_opens_a_route(case, text, read, data):
    """A raster's height stands in for one from the field, so it is made unknown with it."""
    local = rule_set([read_overlay(text, "local.toml")])
    out = data.draw(st.sets(st.sampled_from(sorted(case.values)), min_size=1))
    out |= {"raster_height_ft"} if "field_height_ft" in out else set()
    trees = np.array(data.draw(st.lists(st.booleans(), min_size=case.n_judged)))[: case.n_judged]
    values = dict(case.values)
    for name in out:
        old = values[name]
        gone = trees if old.value.ndim else True
        values[name] = replace(old, value=np.where(gone, np.nan, old.value))
    less = replace(case, values=values)
    assert_only_doubt_is_added(decide(case, local, read), decide(less, local, read))


@given(case=rule_cases(), text=overlay_texts(), read=readings(), data=st.data())
def test_a_greater_error_never_turns_a_verdict_round(case, text, read, data):
    local = rule_set([read_overlay(text, "local.toml")])
    more = data.draw(st.sampled_from([0.05, 0.5, 3.0, 50.0]))
    raised = data.draw(st.sets(st.sampled_from(sorted(case.values)), min_size=1))
    values = {
        name: replace(seen, error=np.nan_to_num(seen.error) + more) if name in raised else seen
        for name, seen in case.values.items()
    }
    before = decide(case, local, read)
    after = decide(replace(case, values=values), local, read)
    for rule, codes in before.verdicts.items():
        new = after.verdicts[rule]
        assert not ((codes == NOT_MET) & (new == MET)).any(), rule
        assert not ((codes == MET) & (new == NOT_MET)).any(), rule
    assert_only_doubt_is_added(before, after)


@given(case=rule_cases(), read=readings(), confidence=st.sampled_from([0.5, 0.9, 0.99]))
def test_asking_for_more_confidence_only_adds_doubt(case, read, confidence):
    before = decide(case, RULES, read, confidence)
    assert_only_doubt_is_added(before, decide(case, RULES, read, 0.999))


@given(case=rule_cases(), read=readings())
def test_a_tree_is_judged_as_if_it_stood_alone(case, read):
    """Each tree by itself, but where the tallest decides for all (A-08)."""
    whole = decide(case, RULES, read)
    for k in range(case.n_judged):
        alone = decide(one_tree(case, k), RULES, read)
        told, seen = statuses(whole, k), statuses(alone)
        if read["cap_reading"] == "each-tree":
            assert told == seen
        else:
            assert all(RANK[told[route]] <= RANK[seen[route]] for route in seen)


def one_tree(case, k):
    values = {
        name: Measured.of(
            seen.value[k] if seen.value.ndim else seen.value,
            seen.error[k] if seen.error.ndim else seen.error,
        )
        for name, seen in case.values.items()
    }
    return replace(case, tree_ids=case.tree_ids[k : k + 1], values=values)


def test_where_nothing_is_known_everything_depends():
    """Missing means unknown, never a default yes."""
    told = decide(Case("lot"), RULES)
    assert {told.status(route) for route in told.routes} == {"depends"}
    told = decide(Case("lot", ("a", "b")), RULES)
    assert all(set(statuses(told, k).values()) == {"depends"} for k in (0, 1))


@given(case=rule_cases(), text=overlay_texts(), read=readings(), other=readings())
def test_what_another_reading_does_not_touch_may_be_taken_over(case, text, read, other):
    """Judged again from the start, or only where the readings differ: the same comes out."""
    local = rule_set([read_overlay(text, "local.toml")])
    fresh = decide(case, local, other)
    quick = decide(case, local, other, like=decide(case, local, read))
    for name in ("verdicts", "binding", "routes"):
        one, two = getattr(fresh, name), getattr(quick, name)
        assert list(one) == list(two)
        assert all(np.array_equal(one[key], two[key]) for key in one), name
