"""What is told to be found out of each lot: no less than what would settle it, and no more ways.

What is compared with is the fewest that settle each tree's own way (rules/settle.py), found the
slow way; expected words are worked out by hand from rules/measures.toml and the conditions of
s. 403.9326(1)(a) F.S.
"""

from __future__ import annotations

import datetime
from dataclasses import replace

import numpy as np
import pytest
from cases import lot
from hypothesis import given, settings
from strategies import ANSWERS, overlay_texts, readings, rule_cases
from test_route_brief import brief, rows_of_cases, side_by_side

from geotrim.io.site_file import read_site
from geotrim.ops.chain import measure
from geotrim.ops.route_find_out import facts_to_find_out, find_out, find_out_words
from geotrim.ops.route_notes import facts_named, facts_note
from geotrim.rules.decide import decide
from geotrim.rules.facts import facts
from geotrim.rules.outcome import DEPENDS, judged, outcomes
from geotrim.rules.rule_file import read_overlay
from geotrim.rules.rule_set import rule_set
from geotrim.rules.settle import needs_by_tree
from geotrim.screen.gather_notes import gathered_notes
from geotrim.screen.partition_rows import note_rows
from geotrim.screen.store import Store, write_table
from tests.packages_made import ROOT

NAN = float("nan")
#: An answer to each fact that is asked for as it comes, by its kind.
ANSWER = {"number": 3.0, "whole": 1, "text": "a town", "date": datetime.date(2026, 12, 1)}


def judge(case, local=None, read=None):
    """A decision with its outcomes and the trees that are cut."""
    decision = decide(case, local or rule_set(), read)
    found = outcomes(decision)
    return decision, found, judged(decision, found)


def words_of(case, **more):
    return find_out_words(*judge(case, **more))


@given(case=rule_cases(), text=overlay_texts(), read=readings())
def test_no_less_is_told_than_would_settle_each_tree(case, text, read):
    """The fewest that settle a tree's own way are told, and nothing where nothing depends."""
    decision, found, cut = judge(case, rule_set([read_overlay(text, "local.toml")]), read)
    told = find_out(decision, found, cut)
    depends = cut & (found.standing == DEPENDS)
    assert bool(told) == bool(depends.any())
    for route in set(found.route[depends]):
        every = needs_by_tree(decision, route)
        for k in np.flatnonzero(depends & (found.route == route)):
            needs = every[k]
            marks = {("fact", key) for key in needs.facts}
            marks |= {("measure", words) for words in needs.tree_words}
            marks |= {("check", rule) for rule in needs.checks}
            assert marks <= set(told)
    assert all(0 < counts[0] <= depends.sum() for counts in told.values())


@settings(max_examples=25)
@given(lots=rows_of_cases(), text=overlay_texts(), read=readings())
def test_lots_side_by_side_are_told_as_each_by_itself(lots, text, read):
    local = rule_set([read_overlay(text, "local.toml")])
    whole = find_out_words(*judge(side_by_side(lots), local, read))
    assert whole == [words_of(case, local=local, read=read)[0] for case in lots]


@settings(max_examples=25)
@given(case=rule_cases())
def test_answering_all_facts_named_leaves_none(case):
    """Another way may then hang on other facts, but each answer is asked for once only."""
    asked = set()
    for _ in range(len(facts())):
        named = facts_to_find_out(words_of(case))
        if not named:
            return
        assert not named & asked
        asked |= named
        told = {key: ANSWER.get(facts()[key].kind, True) for key in named}
        told |= {key: facts()[key].choices[0] for key in named if facts()[key].choices}
        case = replace(case, facts={**case.facts, **told})
    raise AssertionError("facts are asked for without end")


LAND = (
    "is_uninhabited_island; is_public_land; is_conservation_land; is_mitigation_land; "
    "mitigation_provides_trimming"
)
SPECIES = "species of {}: confirm in the field"


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        # all of it known: nothing hangs on anything
        ({}, ""),
        # who does the work, whose land it is, what it was set aside for, and chemicals: in the
        # order of facts.toml
        (
            {"facts": dict.fromkeys(ANSWERS)},
            f"supervisor; controls_land; {LAND}; uses_herbicide",
        ),
        # two of three trees without a height, one of them without a species
        (
            {"height_ft": [NAN, 9.0, NAN], "species": [None, "red", "red"]},
            f"{SPECIES.format('1 tree')}; height of 2 trees: measure from the substrate",
        ),
    ],
)
def test_words_by_hand(changes, expected):
    assert words_of(lot(**{"height_ft": [9.0] * 3, **changes})) == [expected]


@pytest.mark.parametrize("name", ["plain_lot", "canal_corner"])
def test_facts_that_route_asks_for_are_told_on_the_samples(name):
    """Without the answers of the sample."""
    site = replace(read_site(ROOT / "sample_data" / name / "site.toml"), facts=None, options={})
    results = measure(site, ["route"])
    found = brief(site, results)
    words = dict(found["lot_outcomes"][["lot_id", "to_find_out"]].itertuples(index=False))
    asked = results["route"]["questions"]
    asked = asked[asked["is_for_outcome"].astype(bool)]
    for lot_id, key in asked[["lot_id", "fact"]].itertuples(index=False):
        assert key in words[lot_id].split("; ")
    (note,) = [note for note in found.notes if note.about == "facts"]
    named = facts_to_find_out(words.values())
    assert facts_named(note.about, note.text) == named >= set(asked["fact"]) > set()


def test_missing_facts_of_all_partitions_are_told_once(tmp_path):
    """Each partition names its own; together they are one note, each fact once, by name."""
    store = Store(tmp_path)
    for number, keys in enumerate((["supervisor"], ["n_units", "supervisor"])):
        write_table(store.done(number, "notes"), note_rows(facts_note(keys)))
    (row,) = gathered_notes(store, 2, []).table().to_dict("records")
    assert row["n"] == 1 and row["level"] == "missing"
    assert row["text"] == "2 facts a map cannot give are unknown: n_units, supervisor"
