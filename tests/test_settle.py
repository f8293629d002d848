"""The smallest set of facts that settles what depends, and what another plan could reach."""

from __future__ import annotations

import datetime
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from cases import GENERAL, INDIVIDUAL, OUTSIDE, A, B, C, D, lot, statuses
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from strategies import ANSWERS, overlay_texts, readings, rule_cases

from geotrim.rules.case import Measured
from geotrim.rules.decide import decide
from geotrim.rules.facts import facts
from geotrim.rules.outcome import LEFT_ALONE, NONE, outcomes, with_other_plan
from geotrim.rules.readings import Readings
from geotrim.rules.rule_file import measures, read_overlay, routes
from geotrim.rules.rule_set import RuleSet, rule_set
from geotrim.rules.settle import (
    Needs,
    is_plan,
    needs_by_tree,
    needs_of_lot,
    settle_words,
)
from geotrim.rules.verdict import NOT_MET

RULES = rule_set()
NO_FACTS = dict.fromkeys(ANSWERS)
NAN = float("nan")
HEIGHT = "height of {tree}: measure from the substrate"
TARGET = "height to leave {tree} at"
SPECIES = "species of {tree}: confirm in the field"


def needs(case, route, tree=0, rules=RULES, read=None):
    return needs_by_tree(decide(case, rules, read), route)[tree]


def wants(*keys, words=(), checks=()):
    return Needs(frozenset(keys), frozenset(words), frozenset(checks))


LAND = ("is_uninhabited_island", "is_conservation_land", "is_mitigation_land")


@pytest.mark.parametrize(
    ("changes", "route", "expected"),
    [
        # nothing answered: who, whose land, three kinds of land set aside, and no chemical
        (
            {"facts": NO_FACTS},
            A,
            wants("supervisor", "controls_land", "uses_herbicide", *LAND),
        ),
        (
            {"facts": NO_FACTS, "who": None, "height_ft": 12.0},
            B,
            wants(
                "supervisor", "professional_credential", "controls_land", "uses_herbicide", *LAND
            ),
        ),
        # a low tree needs no professional under (c) and (d)
        (
            {"facts": NO_FACTS, "who": None},
            C,
            wants("earlier_proof", "earlier_height_ft", "uses_herbicide", *LAND),
        ),
        (
            {"facts": NO_FACTS, "who": None},
            D,
            wants("was_lawfully_trimmed", "earlier_height_ft", "uses_herbicide", *LAND),
        ),
        # a tall one does, and its height is known, so measuring it again would settle nothing
        (
            {"who": None, "height_ft": 12.0},
            C,
            wants("supervisor", "professional_credential"),
        ),
        # how tall is not known: one look settles height and who is needed
        ({"who": None, "height_ft": NAN}, C, wants(words=[HEIGHT])),
        ({"who": None, "height_ft": NAN}, D, wants(words=[HEIGHT])),
        # under a permit: who, chemicals, and the land for the authority's check
        (
            {"facts": NO_FACTS, "who": None},
            GENERAL,
            wants("supervisor", "professional_credential", "uses_herbicide", *LAND),
        ),
        ({"facts": NO_FACTS, "who": None}, INDIVIDUAL, wants("uses_herbicide", *LAND)),
        # one answer may do in place of two
        (
            {"facts": {"is_mitigation_land": True, "mitigation_provides_trimming": None}},
            A,
            wants("mitigation_provides_trimming"),
        ),
        (
            {"facts": {"is_mitigation_land": None, "mitigation_provides_trimming": False}},
            A,
            wants("is_mitigation_land"),
        ),
        ({"facts": {"professional_credential": None}, "who": "professional"}, B,
         wants("professional_credential")),
        ({"facts": {"is_uninhabited_island": True, "is_public_land": None}}, INDIVIDUAL,
         wants("is_public_land")),
        # trees
        ({"species": None}, A, wants(words=[SPECIES])),
        ({"species": None}, OUTSIDE, wants(words=[SPECIES])),
        ({"height_ft": NAN}, A, wants(words=[HEIGHT])),
        ({"height_ft": 9.8, "error_ft": 0.5}, A, wants(words=[HEIGHT])),  # D-19
        ({"target_ft": NAN}, A, wants(words=[TARGET])),
        ({"target_ft": NAN, "height_ft": NAN}, A, wants(words=[TARGET, HEIGHT])),
        ({"target_ft": NAN, "error_ft": 0.1}, A, wants(words=[TARGET])),  # sure enough
        ({"target_ft": NAN}, D, wants(words=[TARGET])),
        # earlier height not answered, and how tall is not known either
        (
            {"height_ft": NAN, "facts": {"earlier_height_ft": None}},
            D,
            wants("earlier_height_ft", words=[HEIGHT]),
        ),
        # a tree lower than it is to be left at keeps its own height, which is not sure enough
        ({"height_ft": 6.2, "target_ft": 7.0, "error_ft": 0.5}, A, wants(words=[HEIGHT])),
        ({"height_ft": 4.1, "target_ft": 7.0, "error_ft": 0.5}, D, wants(words=[HEIGHT])),
        ({"depth_ft": NAN}, A, wants(words=[
            "depth of the fringe: survey the innermost and the outermost trunk, "
    "and confirm the species"])),
        ({"values": {"trunk_margin_ft": NAN}}, A, wants(words=[
            "place of {tree} against the lot's side limits: survey it"])),
        # the authority's word
        ({"facts": {"is_conservation_land": True}}, INDIVIDUAL,
         wants(checks=["set-aside-intent"])),
        ({"facts": {"is_conservation_land": True, "uses_herbicide": None}}, INDIVIDUAL,
         wants("uses_herbicide", checks=["set-aside-intent"])),
    ],
)  # fmt: skip
def test_the_fewest_facts(changes, route, expected):
    """Worked out by hand from the conditions of each route."""
    assert needs(lot(**changes), route) == expected


def test_what_is_open_or_closed_needs_nothing():
    """Where a route is closed no fact that is missing could open it."""
    decision = decide(lot(facts={"is_public_land": None}), RULES)
    assert needs_by_tree(decision, A) == [None]  # open
    assert needs_by_tree(decision, B) == [None]  # closed: the owner supervises
    assert needs_of_lot(decision, A) is None
    closed = decide(lot(height_ft=12.0, facts={"controls_land": None}), RULES)
    assert needs_by_tree(closed, A) == [None]


def test_each_tree_has_its_own_needs():
    case = lot(height_ft=[9.0, NAN, 9.0, 9.8], species=["red", "red", None, "red"], error_ft=0.5)
    found = needs_by_tree(decide(case, RULES), A)
    assert found == [None, wants(words=[HEIGHT]), wants(words=[SPECIES]), wants(words=[HEIGHT])]
    for species in (["red", None], [None, "red"]):  # the tree that needs least opens the route
        case = lot(height_ft=[NAN, NAN], species=species)
        assert needs_of_lot(decide(case, RULES), A) == wants(words=[HEIGHT])
    # under the permit no height closes: one tree lacks its height, the other its plan
    case = lot(who="professional", height_ft=[NAN, 9.0], target_ft=[7.0, NAN])
    found = needs_by_tree(decide(case, RULES), GENERAL)
    assert found == [wants(words=[HEIGHT]), wants(words=[TARGET])]


def test_needs_in_words_name_the_tree_and_keep_the_order_of_asking():
    found = needs(lot(facts={"supervisor": None, "uses_herbicide": None}, species=None), A)
    assert found.words(RULES.rules, "crown 14") == [
        "who will do or supervise the work",
        "whether any chemical will be used to remove leaves",
        "species of crown 14: confirm in the field",
    ]
    asked = wants(checks=["set-aside-intent"])
    assert asked.words(RULES.rules) == [
        "what the department or the local government says on this: On publicly owned uninhabited "
        "islands and land set aside the act wants no trimming, but for public health, safety and "
        "welfare or approved public access [s. 403.9323(2) F.S. (read in source)]"
    ]
    assert len(found) == 3


def test_the_reading_of_islands_decides_what_is_asked():
    """A-14: of every island, or only of publicly owned ones."""
    public = Readings({"island_reading": "public-islands"})
    unknown = lot(facts={"is_uninhabited_island": True, "is_public_land": None})
    assert needs(unknown, A, read=public) == wants("is_public_land")
    assert needs(unknown, A) is None  # closed whoever owns it


def test_a_tree_whose_place_against_drawn_land_is_unknown():
    """The facts are answered, the polygons are there, but not where the tree stands."""
    place = "place of {tree} against the conservation land drawn: survey it"
    drawn = {"in_conservation": [NAN]}
    assert needs(lot(values=drawn), A) == wants(words=[place])
    unanswered = lot(values=drawn, facts={"is_conservation_land": None})
    assert needs(unanswered, A) == wants("is_conservation_land", words=[place])
    assert needs(lot(values={"in_conservation": [1.0]}), A) is None  # closed
    two = lot(
        height_ft=[9.0, 9.0],
        values={"in_conservation": [NAN, 0.0]},
        facts={"is_conservation_land": None},
    )
    found = needs_by_tree(decide(two, RULES), A)
    assert found == [
        wants("is_conservation_land", words=[place]),
        wants("is_conservation_land"),
    ]


def test_the_fewest_of_many_facts_and_the_trees_place():
    """Who owns an island, or what mitigation papers say, need not be known where there is none."""
    unanswered = dict.fromkeys(
        (*LAND, "is_public_land", "mitigation_provides_trimming", "uses_herbicide")
    )
    case = lot(values={"in_conservation": [NAN]}, facts=unanswered)
    place = "place of {tree} against the land set aside that is drawn: survey it"
    assert needs(case, INDIVIDUAL) == wants("uses_herbicide", *LAND, words=[place])


def test_an_answer_goes_before_a_survey():
    """Whether the island's edge is before or behind the tree is no matter on land not public."""
    case = lot(
        values={"in_island": [NAN]}, facts={"is_uninhabited_island": None, "is_public_land": None}
    )
    assert needs(case, INDIVIDUAL) == wants("is_public_land")


def test_polygons_answer_in_place_of_facts():
    """An island that is drawn needs no answer whether there is one; who owns it is still asked."""
    drawn = lot(
        values={"in_island": [1.0]}, facts={"is_uninhabited_island": None, "is_public_land": None}
    )
    assert needs(drawn, INDIVIDUAL) == wants("is_public_land")


LOCAL = """
[file]
id = "cay"
kind = "overlay"
title = "Code of the Cay"
jurisdiction = "the Cay"
version = "1"
"""
TOLD = 'section = "code 7"\nconfidence = "read in source"\nread_on = "2026-11"\n'


def local(*tables):
    return rule_set([read_overlay(LOCAL + "\n".join(f"{one}\n{TOLD}" for one in tables), "cay")])


EIGHT_FT = local('[tighten.owner-height-before]\nnumber = 8.0\nunit = "ft"')


@pytest.mark.parametrize(
    ("height_ft", "error_ft", "expected"),
    [
        (7.9, 0.0, None),
        (9.0, 0.0, wants(checks=["owner-height-before"])),  # over the local limit only
        (9.5, 0.5, wants(words=[HEIGHT], checks=["owner-height-before"])),  # and near the state's
        (8.2, 0.5, wants(words=[HEIGHT])),  # too close to the local one
        (NAN, 0.0, wants(words=[HEIGHT])),
        (10.01, 0.0, None),  # closed
    ],
)
def test_a_local_limit_on_an_exemption_is_for_the_authority(height_ft, error_ft, expected):
    """M-92: local government cannot cut the act's exemptions back, so it is asked."""
    found = needs(lot(height_ft=height_ft, error_ft=error_ft), A, rules=EIGHT_FT)
    assert found == expected


def test_the_authority_is_asked_only_about_trees_over_the_limit():
    case = lot(height_ft=[9.0, NAN, 7.0])
    found = needs_by_tree(decide(case, EIGHT_FT), A)
    assert found == [wants(checks=["owner-height-before"]), wants(words=[HEIGHT]), None]


def test_a_limit_of_the_state_that_is_in_doubt_besides_is_each_trees_own():
    case = lot(
        height_ft=[9.0, 9.5], values={"raster_height_ft": Measured.of([9.0, 9.5], [0.0, 0.5])}
    )
    found = needs_by_tree(decide(case, EIGHT_FT), A)
    asked = ["owner-height-before"]
    assert found == [wants(checks=asked), wants(words=[HEIGHT], checks=asked)]


def test_a_condition_that_need_not_hold_asks_for_the_fewest_answers():
    """That the owner does it is one answer, that a professional does it two."""
    rules = local(
        '[rule.notice]\nwords = "Notice."\nmeasure = "notice_days"\ncompare = ">="\n'
        'number = 20.0\nunit = "days"\napplies_to = "lot"\nbinds = "everyone"\n'
        'routes = ["individual-permit"]\neffect = "condition"\n'
        'when = [{ measure = "is_professional", compare = "==", number = 1, unit = "yes-no" }]'
    )
    unknown = {"supervisor": None, "notice_date": None, "start_date": None}
    assert needs(lot(facts=unknown), INDIVIDUAL, rules=rules) == wants("supervisor")


def test_one_question_asked_both_ways_is_answered_each_its_own_way():
    """A professional needs a credential too; that it is none, only who does the work."""
    rules = local(
        '[rule.notice]\nwords = "Notice."\nmeasure = "notice_days"\ncompare = ">="\n'
        'number = 20.0\nunit = "days"\napplies_to = "lot"\nbinds = "everyone"\n'
        'routes = ["general-permit"]\neffect = "notice"\n'
        'when = [{ measure = "is_professional", compare = "==", number = 1, unit = "yes-no" }]'
    )
    unknown = {"supervisor": None, "notice_date": None, "start_date": None}
    decision = decide(lot(facts=unknown), rules)
    who, credential = "who will do or supervise the work", "the credential of the professional"
    told = settle_words(decision, rules.rules["permit-professional"], 0, "t1")
    assert told == [who, credential]
    assert settle_words(decision, rules.rules["cay:notice"], 0, "t1") == [who]


def test_a_local_condition_that_binds_under_another_is_settled_by_either():
    rules = local(
        '[rule.notice]\nwords = "Notice."\nmeasure = "notice_days"\ncompare = ">="\n'
        'number = 20.0\nunit = "days"\napplies_to = "lot"\nbinds = "everyone"\n'
        'routes = ["owner-exemption"]\neffect = "condition"\n'
        'when = [{ measure = "is_multifamily", compare = "==", number = 1, unit = "yes-no" }]'
    )
    unknown = {"is_multifamily": None, "notice_date": None, "start_date": None}
    assert needs(lot(facts=unknown), A, rules=rules) == wants("is_multifamily")
    settled = {**unknown, "is_multifamily": True}
    assert needs(lot(facts=settled), A, rules=rules) == wants("notice_date", "start_date")


def test_where_the_tallest_decides_other_trees_may_be_in_doubt():
    """A-08: what is missing is not of the tree itself."""
    read = Readings({"cap_reading": "tallest-tree"})
    case = lot(height_ft=[9.0, 12.0], species=["red", None])
    found = needs(case, A, read=read)
    assert found.words(RULES.rules, "t1") == [
        "height and species of the tallest trees: measure from the substrate, confirm in the field"
    ]
    assert needs(case, A) is None


@pytest.mark.parametrize(
    ("changes", "rule", "expected"),
    [
        ({}, "owner-height-before", []),
        ({"height_ft": 12.0}, "owner-height-before", []),
        ({"height_ft": NAN}, "owner-height-before", ["height of t1: measure from the substrate"]),
        ({"facts": {"is_conservation_land": True}}, "set-aside-intent",
         ["ask the department, or the delegated local government"]),
        ({"facts": {"is_first_red_trim": None, "notice_date": datetime.date(2026, 11, 9)}},
         "professional-red-notice",
         ["whether red mangroves are trimmed here for the first time"]),
        ({"facts": {"is_first_red_trim": True, "notice_date": None}}, "professional-red-notice",
         ["the day the written notice is given"]),
        ({"values": {"base_height_ft": NAN}}, "red-not-below-foliage",
         ["height of the lowest foliage of t1"]),
        ({"target_ft": NAN}, "red-not-below-foliage", ["height to leave t1 at"]),
        ({"shore_ft": NAN}, "owner-share", []),  # half the trees: kept whether it binds or not
        ({"shore_ft": NAN, "values": {"share_of_trees_frac": NAN}}, "owner-share",
         ["which trees are to be trimmed"]),
    ],
)  # fmt: skip
def test_what_settles_one_finding(changes, rule, expected):
    decision = decide(lot(**changes), RULES)
    assert settle_words(decision, RULES.rules[rule], 0, "t1") == expected


# ---- laws


CONDITION_RULES = RuleSet(
    {k: r for k, r in RULES.rules.items() if r.effect in ("condition", "check")}, RULES.files
)
ASKED = sorted(
    {
        key
        for rule in CONDITION_RULES.rules.values()
        for limit in (rule.limit, *rule.when)
        for key in measures()[limit.measure].get("facts", ())
    }
)


def answered(case, keys):
    """The case with every answer that some facts may have."""
    domains = [[a for a in ANSWERS[key] if a is not None] for key in keys]
    for some in product(*domains):
        yield replace(case, facts={**case.facts, **dict(zip(keys, some, strict=True))})


def opens(case, keys, read):
    """(tree, route) that some answer to these facts opens."""
    found = set()
    for one in answered(case, keys):
        decision = decide(one, CONDITION_RULES, read)
        for k in range(case.n_judged):
            found |= {(k, r) for r, status in statuses(decision, k).items() if status == "open"}
    return found


def subsets(keys):
    return [tuple(k for k, is_in in zip(keys, mask, strict=True) if is_in)
            for mask in product((False, True), repeat=len(keys))]  # fmt: skip


def may_come_close(decision, found):
    """Whether the earlier height, once it is told, may be too close to a height with an error."""
    has_error = (decision.measures["height_after_ft"].error > 0).any()
    return "earlier_height_ft" in found.facts and has_error


@settings(max_examples=60)
@given(
    case=rule_cases(most_trees=2),
    read=readings(),
    out=st.lists(st.sampled_from(ASKED), min_size=1, max_size=3, unique=True),
)
def test_the_fewest_facts_suffice_and_no_fewer_do(case, read, out):
    """Tried out: every answer to every set of facts that are missing."""
    case = replace(case, facts={k: v for k, v in case.facts.items() if k not in out})
    missing = [key for key in ASKED if key not in case.facts]
    assume(len(missing) <= 4)
    decision = decide(case, CONDITION_RULES, read)
    by_set = {some: opens(case, some, read) for some in subsets(missing)}
    for route in routes():
        for k, found in enumerate(needs_by_tree(decision, route)):
            if found is None:
                is_open = statuses(decision, k)[route] == "open"
                assert all(((k, route) in opened) == is_open for opened in by_set.values())
                continue
            for some, opened in by_set.items():
                if len(some) < len(found):
                    assert (k, route) not in opened, (route, some, found)
            if not found.tree_words and not found.checks and not may_come_close(decision, found):
                key = tuple(key for key in missing if key in found.facts)
                assert (k, route) in by_set[key], (route, found)


DEPTHS = ("depth_greatest_ft", "depth_station_ft", "depth_local_greatest_ft",
          "depth_local_station_ft")  # fmt: skip
#: Words of what is to be found out -> values of the case that are then known, each with what may
#: come out.
FOUND = {
    HEIGHT: {
        "raster_height_ft": (8.0, 3.0),
        "field_height_ft": (8.0, 3.0),
        "foliage_removed_frac": (0.2,),  # it follows from the heights
    },
    TARGET: {"target_height_ft": (7.5,), "foliage_removed_frac": (0.2,)},
    "height of the lowest foliage of {tree}": {"base_height_ft": (0.0,)},
    SPECIES: {"is_mangrove": (1.0, 0.0)},
    measures()["foliage_removed_frac"]["settle"]: {"foliage_removed_frac": (0.2,)},
    measures()["limit_margin_ft"]["settle"]: {"trunk_margin_ft": (5.0,), "crown_margin_ft": (5.0,)},
    measures()["from_innermost_ft"]["settle"]: {"from_innermost_ft": (10.0,)},
    measures()["fringe_depth_ft"]["settle"]: dict.fromkeys(DEPTHS, (30.0,)),
    measures()["is_conservation_land"]["settle"]: {"in_conservation": (0.0,)},
    measures()["is_mitigation_silent"]["settle"]: {"in_mitigation": (0.0,)},
    measures()["is_island_out"]["settle"]: {"in_island": (0.0,), "in_public_island": (0.0,)},
    measures()["is_set_aside"]["settle"]: dict.fromkeys(
        ("in_conservation", "in_mitigation", "in_island", "in_public_island"), (0.0,)
    ),
}


def found_out(case, words):
    """The case with what words speak of found out, one way after another; surely, not about."""
    ways = [FOUND[word] for word in sorted(words)]
    n_kinds = max((len(some) for way in ways for some in way.values()), default=1)
    for k in range(n_kinds):
        values = dict(case.values)
        for way in ways:
            for name, some in way.items():
                if name.startswith("in_") and name not in values:
                    continue
                seen = values.get(name, Measured.of(NAN))
                if name == "foliage_removed_frac" and not np.isnan(seen.value).all():
                    continue
                values[name] = Measured.of(np.full(seen.value.shape, some[min(k, len(some) - 1)]))
        yield replace(case, values=values)


@given(
    case=rule_cases(most_trees=1),
    read=readings().filter(lambda one: one["cap_reading"] == "each-tree"),
    out=st.sets(st.sampled_from(ASKED), max_size=3),
)
def test_what_is_asked_of_trees_and_facts_together_suffices(case, read, out):
    """One tree: whatever is asked is found out well, and the route is open."""
    case = replace(case, facts={k: v for k, v in case.facts.items() if k not in out})
    decision = decide(case, CONDITION_RULES, read)
    for route in routes():
        (found,) = needs_by_tree(decision, route)
        if found is None or found.checks:
            continue
        if may_come_close(decision, found):
            continue
        keys = sorted(found.facts)
        assert any(
            (0, route) in opens(one, keys, read) for one in found_out(case, found.tree_words)
        ), (route, found)


# ---- other plans


def plans(case):
    """What an owner may choose otherwise: who, no chemical, dates, how much is cut of each tree."""
    n = case.n_judged
    uncut = np.full(n, 40.0)  # no tree here is taller
    planned = np.broadcast_to(case.get("target_height_ft").value, n)
    dates = {
        "notice_date": datetime.date(2027, 9, 1),
        "start_date": datetime.date(2027, 11, 10),
    }
    for who in ("owner", "professional"):
        for target in (uncut, planned):
            told = {"supervisor": who, "professional_credential": "certified-arborist"}
            values = {
                **case.values,
                "target_height_ft": Measured.of(target),
                "foliage_removed_frac": Measured.of(np.full(n, 0.1)),
            }
            known = {**case.facts, **told, **dates, "uses_herbicide": False}
            yield replace(case, facts=known, values=values)


@given(case=rule_cases(most_trees=2), text=overlay_texts(), read=readings())
def test_another_plan_is_put_forward_where_one_would_do(case, text, read):
    """A plan then opens the route, or leaves it to depend; else none does."""
    local_rules = rule_set([read_overlay(text, "local.toml")])
    decision = decide(case, local_rules, read)
    found = outcomes(decision)
    others = [decide(plan, local_rules, read) for plan in plans(case)]
    for k in range(case.n_judged):
        ways = [statuses(other, k) for other in others]
        if found.standing[k] == "other plan":
            assert any(way[found.route[k]] != "closed" for way in ways)
            assert statuses(decision, k)[found.route[k]] == "closed"
        for route in routes():
            if with_other_plan(decision, route)[k] == NOT_MET:
                assert all(way[route] == "closed" for way in ways), route


@given(case=rule_cases(most_trees=2), read=readings())
def test_an_outcome_is_one_of_the_routes_as_it_stands(case, read):
    decision = decide(case, RULES, read)
    found = outcomes(decision)
    for k in range(case.n_judged):
        told, route, standing = statuses(decision, k), found.route[k], found.standing[k]
        if standing in ("open", "depends"):
            assert told[route] == standing
        elif standing == "closed":
            assert route == NONE
            assert set(told.values()) == {"closed"}
        elif standing == "not cut":
            assert route == LEFT_ALONE
        else:
            assert told[route] == "closed"
        exemptions = [told[route] for route in (OUTSIDE, A, B, C, D, GENERAL)]
        if "open" in exemptions and standing != "not cut":
            assert standing == "open"


@pytest.mark.parametrize(
    ("changes", "outcome"),
    [
        # the owner may leave the tree taller than planned
        ({"target_ft": 3.0, "facts": {"earlier_proof": "none"}}, (A, "other plan")),
        ({"target_ft": 3.0, "height_ft": 11.0}, (B, "other plan")),
        ({"target_ft": 3.0, "height_ft": 11.0, "facts": {"controls_land": False}},
         (C, "other plan")),
        # a tree of 5 ft stays under 6 ft whatever the plan
        ({"target_ft": 4.5, "height_ft": 5.0, "facts": {"earlier_proof": "none",
          "was_lawfully_trimmed": False}}, (INDIVIDUAL, "open")),
        # nor does one of 3.5 ft come up to the 4 ft it had before
        ({"target_ft": 3.0, "height_ft": 3.5}, (INDIVIDUAL, "open")),
        # too far out for every other way, and a chemical besides
        ({"depth_ft": 600.0, "facts": {"uses_herbicide": True, "was_lawfully_trimmed": False}},
         (INDIVIDUAL, "other plan")),
        ({"species": "buttonwood", "target_ft": 9.0}, (OUTSIDE, "open")),
        # nothing is cut
        ({"target_ft": 9.0, "height_ft": 9.0}, (LEFT_ALONE, "not cut")),
        ({"values": {"is_to_trim": [0.0]}}, (LEFT_ALONE, "not cut")),
        ({"target_ft": 9.0, "height_ft": 8.9, "error_ft": 1.0, "facts": {"earlier_proof": "none",
          "was_lawfully_trimmed": False}}, (A, "depends")),
        # no plan opens an exemption where the land is another's
        ({"facts": {"controls_land": False, "earlier_proof": "none",
          "was_lawfully_trimmed": False}}, (GENERAL, "other plan")),
        # proof that nobody spoke of is not put forward before what is known
        ({"height_ft": 12.0, "facts": {"earlier_proof": None, "was_lawfully_trimmed": None}},
         (B, "other plan")),
        ({"facts": {"controls_land": False, "earlier_proof": None, "was_lawfully_trimmed": None}},
         (GENERAL, "other plan")),
        ({"facts": {"controls_land": False, "earlier_proof": None,
          "was_lawfully_trimmed": False}}, (GENERAL, "other plan")),
        ({"facts": {"controls_land": False, "earlier_proof": "none",
          "was_lawfully_trimmed": None}}, (GENERAL, "other plan")),
        # a chemical closes every route, but need not be used
        ({"facts": {"uses_herbicide": True}}, (A, "other plan")),
        # as planned, if something is found out, goes before another plan
        ({"who": "professional", "height_ft": NAN}, (B, "depends")),
        ({"target_ft": 5.0, "facts": {"earlier_height_ft": None}}, (C, "depends")),
        # species unknown: told by the ways of mangroves
        ({"species": None}, (A, "depends")),
        ({"species": None, "height_ft": 12.0, "facts": {"earlier_proof": "none",
          "was_lawfully_trimmed": False}}, (B, "other plan")),
        ({"species": None, "facts": {"uses_herbicide": True, "is_conservation_land": True}},
         (GENERAL, "other plan")),
    ],
)  # fmt: skip
def test_outcomes_of_single_lots(changes, outcome):
    found = outcomes(decide(lot(**changes), RULES))
    assert (found.route[0], found.standing[0]) == outcome


@pytest.mark.parametrize(
    ("rule", "known", "expected"),
    [
        ("owner-height-after", {}, True),
        ("earlier-height-after", {"earlier_height_ft": 4.0}, True),  # the cut is chosen
        ("owner-supervises", {"supervisor": "owner"}, True),
        ("no-chemicals", {"uses_herbicide": True}, True),
        ("after-a-freeze", {"last_freeze_date": 0, "start_date": 0}, True),  # start later
        ("island", {"is_uninhabited_island": True}, False),
        ("owner-height-before", {}, False),
        ("fringe-depth", {}, False),
        ("controls-land", {}, False),
    ],
)
def test_what_an_owner_may_choose(rule, known, expected):
    rule = RULES.rules[{"controls-land": "land-controlled"}.get(rule, rule)]
    assert is_plan(rule, known) is expected


def test_facts_that_are_a_plan():
    """Chosen by the owner; the others are what the land is and was."""
    assert {key for key, fact in facts().items() if fact.is_plan} == {
        "supervisor",
        "professional_credential",
        "uses_herbicide",
        "notice_date",
        "start_date",
    }
