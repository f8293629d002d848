"""Two plans in one statement: the planned heights and the window, each told as what it is.

Inputs are written by hand (``report_fixtures``, ``window_fixtures``); what is expected is read off
them.
"""

from __future__ import annotations

import base64
import re
from collections import Counter

import numpy as np
import pandas as pd
import pytest
from test_window_words import both, part, site_and_results

from geotrim.model import Result
from geotrim.ops.route_submission import BY_HEIGHTS
from geotrim.report.statement_two_plans import OF_PLAN, _figures
from geotrim.rules.submission import checklist, submission, with_figures
from geotrim.run import figures_of


@pytest.fixture(scope="module")
def full():
    return site_and_results()


@pytest.fixture(scope="module")
def told(full):
    return both(*full)


def test_parts_name_their_plan(told):
    assert "The ways, one by one, by the planned heights" in told
    for head in ("The cuts year by year", "How surely limits are kept"):
        assert f"{head}, by the window" in told
    assert "The planned heights" in part(told, "Main figures", "The ways")


def test_cuts_to_planned_heights_are_headed_so():
    site, results = site_and_results(spans=(), sight=False)
    results["stages"].tables["stage_lots"]["plan"] = "target-height"
    trees = results["stages"].tables["stage_trees"]
    results["risks"].tables["risk_limits"]["n_trees"] = len(trees)
    text = both(site, results)
    assert "How surely limits are kept, by the planned heights" in text
    assert "by the window" not in text.lower()


def test_without_a_window_nothing_is_headed_by_a_plan():
    site, results = site_and_results()
    for name in ("window", "stages", "risks", "sightlines"):
        results.pop(name)
    text = both(site, results)
    assert "by the planned heights" not in text.lower() and "by the window" not in text.lower()


def test_the_headline_has_a_line_for_the_window(full, told):
    _, results = full
    lot = results["window"].tables["window_lots"].iloc[0]
    head = part(told, "Lot L1", "Main figures")
    for words in (
        f"Window: stations 20-50, 70-85.5 ft; view 8.0 % now, {100 * lot['view_after_frac']:.1f} %",
        f"{lot['n_cut_trees']} trees are cut, over 3 years.",
        "Two plans: Ways, limits, caps, stages and notices are judged by the planned heights; the "
        "window is a plan of its own",
    ):
        assert words in head, words
    assert "breaks" not in head


def test_the_headline_of_a_broken_own_window_and_of_none():
    site, results = site_and_results(status="own window")
    rows = results["window"].tables["window_limits"]
    rows.loc[rows["limit"].isin(["nest", "floor"]), "standing"] = "broken"
    head = part(both(site, results), "Lot L1", "Main figures")
    assert "Your own window: stations 20-50" in head and "It breaks \u2715 2 limits." in head
    head = part(both(*site_and_results(spans=(), sight=False)), "Lot L1", "Main figures")
    assert "Window: none is found. No tree may be cut within the limits." in head


def test_the_table_of_trees_has_a_column_for_the_window():
    site, results = site_and_results()
    trees = results["window"].tables["window_trees"]
    trees.loc[0, ["treatment", "cut_low_ft"]] = ["lower-top", 7.03]
    first = str(trees["crown_id"].iloc[0])
    text = part(both(site, results), "behind the sign", "What a submission")
    assert "By the window By the planned heights: to be left at" in text
    assert re.search(rf"{first} .*? ft top to 7.1 ft", text)
    for how, words in (("clear-band", "6.0 to 10.0 ft cleared"), ("leave", "left")):
        trees.loc[0, ["treatment", "cut_low_ft", "cut_high_ft"]] = [how, 6.0, 10.0]
        assert re.search(rf"{first} .*? ft {words} ", part(both(site, results), "behind", "What a"))


def test_the_list_for_a_submission_is_filled_in_from_the_window():
    """Heights after, trees that are cut and stages change; what stands there otherwise stays."""
    site, results = site_and_results()
    tables = dict(results["route"].tables)
    ready = {
        "mhw_line": "MHW line, from a survey",
        "heights_before": "heights before: red mangrove 12.0 ft",
        "heights_after": f"heights after {BY_HEIGHTS}: red mangrove 9.0 ft",
        "trees_to_trim": f"{BY_HEIGHTS}: 1 of 1 mangroves cut, 0 % left as they are",
        "stage_plan": f"{BY_HEIGHTS}: 1 tree over 9 years",
    }
    rows = [{"lot_id": "L1", **row} for row in checklist(ready)]
    tables["checklist"] = pd.DataFrame(rows)
    results["route"] = Result("route", tables)
    text = part(both(site, results), "What a submission usually contains", "What was assumed")
    assert BY_HEIGHTS not in text and "9 years" not in text and "red mangrove 9.0 ft" not in text
    trees = results["window"].tables["window_trees"]
    mangroves = trees[~trees["species"].isin(["Conocarpus erectus", "Schinus terebinthifolia"])]
    n_cut = int((mangroves["treatment"] != "leave").sum())
    lead = "heights before: red mangrove 12.0 ft; heights after by the window: "
    assert text.lower().count(lead) == 2
    assert f"by the window: {n_cut} of {len(mangroves)} mangroves cut, " in text
    staged = results["stages"].tables["stage_trees"]
    n_act = int((staged["share_binds"] == "act").sum())
    assert f"By the window: {n_act} trees over 3 years." in text
    # and of a lot without a window, it is that of the planned heights
    tables["checklist"] = pd.DataFrame(rows)
    other = {**results, "window": site_and_results(spans=(), sight=False)[1]["window"]}
    assert BY_HEIGHTS in part(both(site, other), "What a submission", "What was assumed")


def test_heights_after_by_the_window_are_those_a_crew_is_told():
    _, results = site_and_results()
    trees = results["window"].tables["window_trees"]
    trees["species"], trees["treatment"] = "Rhizophora mangle", "lower-top"
    trees["cut_low_ft"], trees["cut_high_ft"] = 9.02, np.nan
    trees["height_after_ft"] = 9.02  # 108.24 in: a mark of 109 in, 9.083 ft
    stages = results["stages"].tables
    stages["stage_cuts"] = stages["stage_cuts"].iloc[:0]
    told = _figures(results, "L1")
    assert told["heights_after"] == "heights after by the window: red mangrove 9.09 ft"
    assert told["trees_to_trim"].endswith(f"{len(trees)} mangroves cut, 0 % left as they are")
    trees["height_after_ft"], trees["treatment"] = np.nan, "leave"
    assert "heights_after" not in _figures(results, "L1")


@pytest.mark.parametrize("item_id", ["F-06", "F-07", "F-08", "F-09"])
def test_figures_that_the_other_plan_lacks_are_still_to_add(item_id):
    """Every figure of an item is either there or still to add, and none is in both."""
    known, items = submission()
    item = next(one for one in items if one.id == item_id)
    ready = {key: f"planned: {key}" for key in item.figures}
    was = {row["item"]: row["filled"] for row in checklist(ready)}[item_id]
    new = with_figures(was, item_id, {"heights_after": "window: heights"}, OF_PLAN, "planned:")
    if item_id == "F-06":
        assert new == was, "a plan view hangs on no plan of cuts"
        return
    have, _, still = new.partition(". Still to add: ")
    lacking = Counter(still.split("; ") if still else [])
    if item_id == "F-09":
        assert new == "", "nothing of it is known any more"
        return
    assert "window: heights" in have and known["heights_after"] not in lacking
    assert (known["trees_to_trim"] in lacking) == ("trees_to_trim" in item.figures)
    assert max(lacking.values(), default=1) == 1


def test_figures_are_shown_of_the_first_lots_and_named_of_the_others(tmp_path):
    """In the page itself, so that it stands alone; in Markdown by the name beside it."""
    from geotrim.report.statement import MOST_PICTURED, statement_html, statement_markdown

    site, results = site_and_results(n_lots=4, length_ft=400.0)
    lots = [str(lot) for lot in site.measured_lot_ids()]
    figures = {}
    for lot in lots:
        path = tmp_path / f"frontier_{lot.lower()}.png"
        path.write_bytes(b"\x89PNG " + lot.encode())
        figures[lot] = [("Plans to choose from", path)]
    page = statement_html(site, results, figures=figures)
    assert page.count("data:image/png;base64,") == MOST_PICTURED == 2
    assert base64.b64encode(b"\x89PNG L1").decode() in page
    assert "Beside this page: Plans to choose from: frontier_l3.png." in page
    text = statement_markdown(site, results, figures=figures)
    assert "(frontier_l1.png)" in text and str(tmp_path) not in text + page
    assert "data:image" not in statement_html(site, results)


def test_the_marks_of_a_window_are_explained(told):
    legend = part(told, "Marks:", "Words are explained")
    window = (
        "\u25c7 other plan or a limit that binds the window",
        "\u25cb not cut or not in force",
    )
    for words in (*window, "\u25cf open", "\u25d0 depends", "\u2715 not met"):
        assert words in legend


def test_figures_of_a_run_go_to_their_lots(tmp_path):
    site, results = site_and_results()
    for name in ("shoreline_elevation", "frontier", "panorama_porch"):
        (tmp_path / f"{name}.png").write_bytes(b"x")
    found = figures_of(tmp_path, site, results)
    names = [path.name for _, path in found.pop("L1")]
    assert names == ["shoreline_elevation.png", "frontier.png", "panorama_porch.png"]
    assert found == {}, "the other eye's panorama was not drawn"
