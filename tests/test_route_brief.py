"""Many lots judged at once: the same as one by one, and the same as the operation ``route``.

What is compared with is the plain way: each lot decided by itself. Limits are those of
ss. 403.9325-403.9328 F.S.
"""

from __future__ import annotations

import dataclasses
import datetime
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from strategies import overlay_texts, readings, rule_cases

from geotrim.model import CanopyGrid, Facts, Site
from geotrim.ops import route_counts as counts
from geotrim.ops.chain import measure
from geotrim.ops.route_brief import BRIEF_COLUMNS, is_of_the_way, route_brief
from geotrim.ops.route_cases import cases
from geotrim.ops.route_trees import Inputs
from geotrim.rules.case import FLAGS, Measured, deciding_facts, fact_values
from geotrim.rules.decide import decide
from geotrim.rules.duties import stages, unmet_by_lot
from geotrim.rules.outcome import judged, outcomes
from geotrim.rules.readings import Readings
from geotrim.rules.rule_file import measures, read_overlay
from geotrim.rules.rule_set import rule_set
from geotrim.rules.side_by_side import Rows
from geotrim.rules.verdict import COMPARISONS, MET, NOT_MET, TOO_CLOSE, UNKNOWN, judge
from tests import sites

NAN = float("nan")


# --- Rules: lots side by side ---


@st.composite
def rows_of_cases(draw):
    """Two to four lots of which the same values are known, with the same facts."""
    some = draw(st.lists(rule_cases(), min_size=2, max_size=4))
    names = sorted({name for case in some for name in case.values})
    out = []
    for k, case in enumerate(some):
        values = {}
        for name in names:
            seen = case.values.get(name, Measured.of(np.full(case.n_judged, NAN)))
            values[name] = replace(
                seen,
                value=np.broadcast_to(seen.value, case.n_judged),
                error=np.broadcast_to(seen.error, case.n_judged),
            )
        ids = tuple(f"{k}-{tree}" for tree in case.tree_ids)
        years = some[0].stage_years
        lot = replace(case, tree_ids=ids, values=values, facts=some[0].facts, stage_years=years)
        out.append(lot)
    return out


def side_by_side(cases):
    """One case of several, put together by hand."""
    values = {
        name: Measured(
            np.concatenate([case.values[name].value for case in cases]),
            np.concatenate([case.values[name].error for case in cases]),
        )
        for name in cases[0].values
    }
    ids = tuple(tree for case in cases for tree in case.tree_ids)
    rows = Rows.of_sizes([case.n_judged for case in cases])
    return replace(cases[0], tree_ids=ids, values=values, side_by_side=rows)


#: The tallest tree of a lot decides for all of it, and for no other lot (A-08).
TALLEST = st.just(Readings({"cap_reading": "tallest-tree"}))


@given(lots=rows_of_cases(), text=overlay_texts(), read=st.one_of(readings(), TALLEST))
def test_lots_side_by_side_are_judged_as_each_by_itself(lots, text, read):
    local = rule_set([read_overlay(text, "local.toml")])
    whole = decide(side_by_side(lots), local, read)
    alone = [decide(case, local, read) for case in lots]
    for name in ("verdicts", "binding", "routes"):
        for key, codes in getattr(whole, name).items():
            each = np.concatenate([getattr(one, name)[key] for one in alone])
            assert codes.tolist() == each.tolist(), (name, key)
    found, each = outcomes(whole), [outcomes(one) for one in alone]
    assert found.route.tolist() == [way for one in each for way in one.route]
    assert found.standing.tolist() == [how for one in each for how in one.standing]
    years = np.concatenate([stages(*pair).years for pair in zip(alone, each, strict=True)])
    assert np.array_equal(stages(whole, found).years, years, equal_nan=True)
    assert unmet_by_lot(whole, found) == [
        duties for pair in zip(alone, each, strict=True) for duties in unmet_by_lot(*pair)
    ]


@given(lots=rows_of_cases(), text=overlay_texts(), read=readings())
def test_what_is_told_of_lots_side_by_side_is_what_is_told_of_each(lots, text, read):
    local = rule_set([read_overlay(text, "local.toml")])
    whole = decide(side_by_side(lots), local, read)
    found = outcomes(whole)
    cut = judged(whole, found)
    for k, case in enumerate(lots):
        one = decide(case, local, read)
        own = outcomes(one)
        mine = judged(one, own)
        assert counts.lot_outcomes(found, whole)[k] == counts.lot_outcomes(own, one)[0]
        assert counts.outcome_words(found, whole)[k] == counts.outcome_words(own, one)[0]
        for rule in counts.rules_told(one):
            row = counts.rule_counts(whole, rule, cut)[k].tolist()
            assert row == counts.rule_counts(one, rule, mine)[0].tolist(), rule.id
            assert sum(row) == case.n_judged
        ways, own_ways = counts.way_counts(whole, cut), counts.way_counts(one, mine)
        for name, way in ways.items():
            seen = [way.best[k], way.n_open[k], way.n_depends[k], way.n_closed[k]]
            own_way = own_ways[name]
            told = [own_way.best, own_way.n_open, own_way.n_depends, own_way.n_closed]
            assert seen == [part[0] for part in told], name


def test_nothing_else_than_the_deciding_facts_is_read():
    """Lots that differ in other facts may be judged together; all facts of measures are among them.

    The facts that measures name decide what another plan may change.
    """
    asked = set()

    class Told(dict):
        def get(self, key, default=None):
            asked.add(key)
            return default

    fact_values(Told(), "october-to-march")
    named = {key for table in measures().values() for key in table.get("facts", ())}
    assert asked | named <= deciding_facts()
    assert set(FLAGS) <= asked


def plain_judge(value, error, compare, number, confidence_frac, at_limit):
    """One value against one limit, step by step; the error's reach from tables of the normal."""
    gap = value - number
    if np.isnan(gap):
        return UNKNOWN
    reach = {0.95: 1.959963984540054, 0.5: 0.6744897501960817}[confidence_frac] * error
    if compare != "==" and error > 0 and abs(gap) <= reach + at_limit:
        return TOO_CLOSE
    is_at = abs(gap) <= at_limit
    holds = {
        "<=": gap < 0 or is_at,
        "<": gap < 0 and not is_at,
        ">=": gap > 0 or is_at,
        ">": gap > 0 and not is_at,
        "==": is_at,
    }
    return MET if holds[compare] else NOT_MET


@given(
    st.lists(
        st.tuples(
            st.sampled_from([8.0, 9.99, 9.996, 10.0, 10.004, 10.006, 12.0, np.inf, -np.inf, NAN]),
            st.sampled_from([0.0, 0.01, 1.0, 9.0, np.inf, NAN]),
        ),
        min_size=1,
        max_size=5,
    ),
    st.sampled_from(COMPARISONS),
    st.sampled_from([0.95, 0.5]),
    st.sampled_from(["each", "one error", "one value", "one"]),
)
def test_values_are_judged_as_one_by_one(pairs, compare, confidence, shape):
    """Whatever is one for all: the values, their errors, or both."""
    value, error = (np.array(one) for one in zip(*pairs, strict=True))
    if shape in ("one error", "one"):
        error = error[0]
    if shape in ("one value", "one"):
        value = value[0]
    codes = judge(value, error, compare, 10.0, confidence_frac=confidence, at_limit=0.005)
    values, errors = np.broadcast_arrays(value, error)
    plain = [
        plain_judge(v, e, compare, 10.0, confidence, 0.005)
        for v, e in zip(values.ravel(), errors.ravel(), strict=True)
    ]
    assert codes.shape == values.shape and codes.ravel().tolist() == plain


# --- The operation: the same tables as of route ---

OVERLAY = """[file]
id = "local"
kind = "overlay"
title = "Local code"
jurisdiction = "a town"
version = "1"
[tighten.owner-height-before]
number = 8.0
unit = "ft"
section = "local code"
confidence = "read in source"
read_on = "2026-11"
[rule.own]
words = "A local rule."
measure = "is_red"
compare = "=="
number = 0.0
unit = "yes-no"
applies_to = "tree"
binds = "everyone"
routes = ["owner-exemption", "general-permit"]
effect = "check"
section = "local code"
confidence = "read in source"
read_on = "2026-11"
"""
PLANTS = ["red mangrove", "white mangrove", "buttonwood", "some shrub", None]


def a_row(seed, n=7, per=9, **more):
    """A row of lots on a winding shore, the last one far from it, trees and facts at random."""
    rng = np.random.default_rng(seed)
    k, wide = n * per, 70.0
    boxes = [shapely.box(i * wide, -120, (i + 1) * wide, -3) for i in range(n)]
    boxes.append(shapely.box(0, -900, 50, -800))
    xs = np.arange(-200.0, n * wide + 200.0, 15.0)
    x, y = rng.uniform(-20, (n - 1) * wide, k), rng.uniform(-20, 70, k)
    table = sites.crowns(
        shapely.buffer(shapely.points(x, y), rng.uniform(3, 8, k), quad_segs=4),
        rng.choice(np.array(PLANTS, dtype=object), k, p=[0.4, 0.25, 0.1, 0.1, 0.15]),
        crs=sites.FLORIDA_WEST_USFT,
    )
    table["base_height_ft"] = np.where(rng.random(k) < 0.5, 2.0, NAN)
    if seed % 2:
        table["is_to_trim"] = rng.choice([True, False], k)
        table["keep"] = rng.choice(np.array(["nest", None], dtype=object), k, p=[0.1, 0.9])
    common = {"supervisor": "owner", "controls_land": True, "uses_herbicide": False}
    start = {"start_date": datetime.date(2027, 1, 10), "notice_date": datetime.date(2027, 1, 5)}
    by_lot = {
        "A": {"is_conservation_land": True},
        "F": {"is_conservation_land": True},
        "B": {"supervisor": "professional", "professional_credential": "certified-arborist"},
        "C": {"n_units": 4, "is_multifamily": True, **start},
        "D": {"earlier_proof": "photographs", "earlier_height_ft": 6.0, **start},
    }
    grid = rng.uniform(3, 28, (110, 220))
    grid[:, 100:125] = NAN  # what is trimmed of lot D and E is not known
    setting = {
        "name": "a row",
        "crs": sites.FLORIDA_WEST_USFT,
        "lots": sites.lots(boxes, crs=sites.FLORIDA_WEST_USFT),
        "mhw_line": sites.shore(
            np.column_stack([xs, 8 * np.sin(xs / 60)]), crs=sites.FLORIDA_WEST_USFT
        ),
        "mhw_origin": "survey",
        "mhw_facts": {"position_rmse_ft": 1.0},
        "crowns": table,
        "heights": CanopyGrid(grid, west=-60.0, north=110.0, cell=3.0, rmse_ft=0.8),
        "facts": Facts(common, by_lot),
        "options": {"target_height_ft": 6.5},
    }
    return Site(**(setting | more))


def both(site):
    """Results of every operation of a site, and what route_brief makes of the same."""
    results = measure(site, ["route"])
    return results, brief(site, results)


def brief(site, results, **changed):
    measured = {name: found for name, found in results.items() if found.tables}
    given = {
        "lots": site.lots,
        "mhw_line": site.mhw_line,
        "frontage": results["frontage"],
        "riparian_lines": results["riparian-lines"],
        "fringe": results["fringe"],
        "heights": measured.get("heights"),
        "slices": measured.get("slices"),
        "crowns": site.crowns,
        "trunks": site.trunks,
        "mhw_facts": site.mhw_facts,
        "mhw_origin": site.mhw_origin,
        "set_aside": site.set_aside,
        "facts": site.facts,
        "overlays": site.overlays,
        **{name: value for name, value in site.options.items() if name != "fringe_reference"},
    }
    return route_brief(**(given | changed))


def assert_same(one, other):
    """The same rows; of figures the same but for the last bits."""
    pd.testing.assert_frame_equal(pd.DataFrame(one), pd.DataFrame(other), rtol=1e-12, atol=0)


SETTINGS = {
    "plain": {},
    "local rules, by station": {
        "overlays": (read_overlay(OVERLAY, "local.toml"),),
        "options": {"target_height_ft": 8.0, "depth_reading": "by-station", "stage_years": 2},
    },
    "other readings": {
        "options": {
            "target_height_ft": 5.0,
            "square_reading": "local",
            "boundary_reading": "whole-crown",
            "shoreline_reading": "smoothed",
            "cap_reading": "tallest-tree",
            "quarter_reading": "any-height",
        }
    },
    "canopy edges, no plan": {"options": {"fringe_reference": "edge"}},
    "nothing but lines": {"heights": None, "facts": None, "mhw_facts": {}},
}


@pytest.mark.parametrize("name", SETTINGS)
def test_the_brief_tells_what_route_tells(name):
    seed = list(SETTINGS).index(name)
    results, found = both(a_row(seed, **SETTINGS[name]))
    whole = results["route"]
    names = {"lot_findings": "findings_by_rule"}
    for table, columns in BRIEF_COLUMNS.items():
        same = [column for column in columns if column not in OWN_COLUMNS]
        assert_same(whole[names.get(table, table)][same], found[table][same])
    assert found.parameters == whole.parameters
    told, own = ([n for n in one.notes if n.about != "facts"] for one in (whole, found))
    assert own == told
    told = whole["lot_outcomes"]["outcome_words"].str.extract("as planned: (.*)[.]$")[0]
    unmet = found["lot_outcomes"]["unmet_duties"].str.replace("; ", ", ")
    assert unmet.tolist() == told.fillna("").tolist()
    n_asked = assert_all_questions_told(whole["questions"], found["lot_outcomes"])
    assert n_asked or name != "nothing but lines"


#: What ``route_brief`` alone tells.
OWN_COLUMNS = ("to_find_out", "unmet_duties", "is_of_the_way")


@pytest.mark.parametrize(
    ("rule", "route", "is_of_it"),
    [
        ("owner-height-before", "owner-exemption", True),
        ("owner-share", "owner-exemption", True),
        ("permit-decision", "general-permit", True),
        ("set-aside-intent", "general-permit", True),
        ("owner-height-before", "general-permit", False),  # of a way that is not taken
        ("permit-decision", "owner-exemption", False),
        ("species-of-the-act", "owner-exemption", False),  # tells plants apart
        ("not-of-the-act", "no-mangrove", False),
        ("multifamily", "owner-exemption", False),  # told, and decides nothing
        ("permit-share-counted", "general-permit", False),
        ("season", "owner-exemption", True),  # a warning goes with every way
        ("season", "none", True),
        ("owner-height-before", "none", True),  # no way is left: what closes them
        ("species-of-the-act", "none", False),
        ("owner-share", "none", False),
        ("owner-height-before", "left-alone", False),
    ],
)
def test_rules_that_bear_on_a_way(rule, route, is_of_it):
    assert is_of_the_way(rule_set(()).rules[rule], route) is is_of_it


def assert_all_questions_told(questions, lots):
    """Facts that some tree's own way hangs on are told of its lot, where it has a shore."""
    words = {
        lot_id: text.split("; ")
        for lot_id, text in lots[["lot_id", "to_find_out"]].itertuples(index=False)
    }
    has_shore = set(lots.loc[~lots["outcome_words"].str.startswith("No shore"), "lot_id"])
    asked = questions[questions["is_for_outcome"].astype(bool)]
    asked = asked[asked["lot_id"].isin(has_shore)]
    for lot_id, key in asked[["lot_id", "fact"]].itertuples(index=False):
        assert key in words[lot_id]
    return len(asked)


def test_some_lots_and_their_trees_alone_are_told_the_same():
    """Results hold more lots and trees than are judged; order of lots makes no difference."""
    site = a_row(7)
    results, whole = both(site)
    places = results["fringe"]["fringe_crowns"].set_index("crown_id")["lot_id"]
    mine = ["B", "D", "E", "H"]
    lots = site.lots[::-1].reset_index(drop=True)
    is_mine = site.crowns["crown_id"].map(places).isin(mine).to_numpy()
    some = brief(
        site,
        results,
        lots=lots.assign(is_measured=lots["lot_id"].isin(mine)),
        crowns=site.crowns[is_mine].reset_index(drop=True),
    )
    assert some["lot_outcomes"]["lot_id"].tolist() == mine[::-1]
    for table in BRIEF_COLUMNS:
        one, other = (pd.DataFrame(found[table]) for found in (whole, some))
        for lot_id in mine:
            assert_same(
                one[one["lot_id"] == lot_id].reset_index(drop=True),
                other[other["lot_id"] == lot_id].reset_index(drop=True),
            )
    assert some["tree_outcomes"]["crown_id"].isin(site.crowns["crown_id"][is_mine]).all()


def test_no_lot_and_no_tree_at_all_give_tables_without_rows():
    site = a_row(2)
    results = measure(site, ["fringe", "riparian-lines"])
    none = brief(site, results, lots=site.lots.assign(is_measured=False))
    assert [len(none[name]) for name in BRIEF_COLUMNS] == [0, 0, 0, 0]
    bare = brief(site, results, crowns=None, fringe=None)
    assert len(bare["tree_outcomes"]) == 0 and len(bare["lot_outcomes"]) == len(site.lots)
    assert (bare["lot_outcomes"]["n_trees"] == 0).all()
    assert (bare["lot_routes"][["n_open_trees", "n_closed_trees"]] == 0).all(axis=None)


def test_a_share_of_length_counts_shore_once_where_crowns_stand_abreast():
    """Discs of radius 4 at 20, 26, 50 and 80 on a straight shore: those at 20 and 50 are cut.

    They stand along 16-24, 22-30, 46-54 and 76-84; of the last two the species is not known. At
    most, the one at 50 counts and the other does not: 16 of 22 units of the fringe. At least, it
    is the other way round: 8 of 22.
    """
    shapes = [shapely.Point(x, 8).buffer(4, quad_segs=32) for x in (20, 26, 50, 80)]
    table = sites.crowns(shapes, ["red mangrove", "white mangrove", None, None])
    table["is_to_trim"] = [True, False, True, False]
    site = Site(
        name="by hand",
        crs=sites.FLORIDA_EAST_USFT,
        lots=sites.lots([shapely.box(0, -90, 100, 0)]),
        mhw_line=sites.shore([(-500, 0), (900, 0)]),
        mhw_origin="survey",
        mhw_facts={"position_rmse_ft": 0.0},
        crowns=table,
        facts=Facts({"supervisor": "owner"}),
        options={"share_measure_reading": "length"},
    )
    results = measure(site, ["route"])
    blank = dict.fromkeys(field.name for field in dataclasses.fields(Inputs))
    known = {
        "lots": site.lots,
        "mhw_line": site.mhw_line,
        "frontage": results["frontage"],
        "riparian_lines": results["riparian-lines"],
        "fringe": results["fringe"],
        "crowns": table,
        "mhw_facts": site.mhw_facts,
        "facts": site.facts,
        "confidence_frac": 0.95,
    }
    (case,), _ = cases(Inputs(**(blank | known)))
    share = case.values["share_of_length_frac"]
    assert float(share.value) == pytest.approx(16 / 22, abs=1e-6)
    assert float(share.least.value) == pytest.approx(8 / 22, abs=1e-6)
    assert float(case.values["fringe_length_ft"].value) == pytest.approx(30 * sites.US_FT, abs=1e-6)
    assert float(case.values["share_of_trees_frac"].value) == pytest.approx(2 / 3)
    assert float(case.values["share_of_trees_frac"].least.value) == pytest.approx(1 / 3)
