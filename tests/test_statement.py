"""The statement of findings: one content in two forms, safe to open, and true to its tables.

Figures are checked against the act's numbers (ss. 403.9325-403.9328 F.S.) worked out by hand.
"""

from __future__ import annotations

import dataclasses
import datetime
import re
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
import statement_fixtures as made
from hypothesis import given
from strategies import told_trees

from geotrim.io.site_file import read_site
from geotrim.model import Facts, Note, Result
from geotrim.ops.catalogue import CAUTIONS
from geotrim.ops.chain import measure, params_of
from geotrim.ops.plugins import all_operations
from geotrim.ops.route_tables import STILL
from geotrim.report.statement import SECTIONS, statement_html, statement_markdown
from geotrim.report.statement_html import COLOURS
from geotrim.report.statement_parts import Table, cell
from geotrim.rules.rule_file import built_in, read_overlay, routes

SAMPLES = Path(__file__).resolve().parent.parent / "sample_data"
DAY = datetime.date(2026, 11, 25)
NASTY = ('<b>&"lot', "a|b", "*star* _under_ `tick`", "1. one\n# two\u202e", "\\", "[x](http:y)")


def both(site, results, **more):
    """The two statements, read back as plain words, which must be the same."""
    html = statement_html(site, results, made_on=DAY, **more)
    markdown = statement_markdown(site, results, made_on=DAY, **more)
    reader = made.Reader(html)
    assert reader.faults == []
    assert made.markdown_text(markdown) == reader.text
    assert "legal" not in reader.text.lower().replace("not legal advice", "")
    assert "you may" not in reader.text.lower()
    return reader.text


def told(site, **more):
    return both(site, measure(site, ["route"]), **more)


def callout(text):
    """The headline of the first lot: what stands before the main figures."""
    return text.split("Lot A ", 1)[1].split("Main figures", 1)[0].strip()


@pytest.fixture(scope="module", params=["plain_lot", "curved_shore", "canal_corner"])
def sample(request):
    params = params_of(all_operations().values())
    site = read_site(SAMPLES / request.param / "site.toml", params=params)
    return request.param, site, measure(site)


# ---- one content, two forms


def test_samples_say_the_same_in_both_forms(sample):
    _, site, results = sample
    text = both(site, results)
    route = results["route"]
    for name in ("words", "section"):
        assert [v for v in route["findings_by_rule"][name] if str(v).rstrip(".") not in text] == []
    assert [v for v in route["questions"]["question"] if v not in text] == []
    assert [v for v in route["tree_outcomes"]["crown_id"] if str(v) not in text] == []
    assert [v for v in route["readings"]["question"] if v not in text] == []
    assert [v for v in route["checklist"]["words"] if v not in text] == []
    assert [n.text for n in route.notes if " ".join(n.text.split()) not in text] == []


def test_samples_give_three_outcomes(sample):
    """The three invented lots are told in three ways."""
    name, site, results = sample
    leads = {
        "plain_lot": "A way is open for ",
        "curved_shore": "Nothing is settled yet for ",
        "canal_corner": "As planned, no way is open for ",
    }
    assert leads[name] in both(site, results)


def test_what_is_from_memory_stands_out(sample):
    _, site, results = sample
    html = statement_html(site, results, made_on=DAY)
    rules = results["route"]["findings_by_rule"]
    memory = rules[rules["confidence"] == "from memory"]
    marked = re.findall(r"([^>]*)</span><span class=\"warn\">from memory, check", html)
    assert len(memory) > 5
    assert [s for s in memory["section"] if not any(s in one for one in marked)] == []


def test_a_local_rule_is_told_as_one(sample):
    name, site, results = sample
    text = both(site, results)
    assert ("Local rules (" in text) == (name == "canal_corner")
    assert ("invented bank code, article 2" in text) == (name == "canal_corner")


# ---- safe to open, fit to print


def test_nothing_is_fetched(sample):
    _, site, results = sample
    html = statement_html(site, results, made_on=DAY)
    reader = made.Reader(html)
    names = {name for _, attrs in reader.tags for name in attrs}
    assert not {tag for tag, _ in reader.tags} & {"script", "link", "img", "iframe", "object"}
    assert "src" not in names and not [n for n in names if n.startswith("on")]
    assert all(a["href"].startswith("#") for _, a in reader.tags if "href" in a)
    assert not re.search(r"https?:|url\(|@import", html)


def test_a_map_is_embedded(tmp_path):
    png = tmp_path / "overview_map.png"
    png.write_bytes(b"\x89PNG\r\n\x1a\n")
    results = made.result([made.tree("t0", "owner-exemption", "open")])
    html = statement_html(made.site(), results, overview_map=png)
    images = [a for tag, a in made.Reader(html).tags if tag == "img"]
    assert [a["src"] for a in images] == ["data:image/png;base64,iVBORw0KGgo="]
    assert "](overview_map.png)" in statement_markdown(made.site(), results, overview_map=png)


def test_it_prints_on_letter_paper():
    html = statement_html(made.site(), made.result([made.tree("t0", "none", "closed")]))
    rules = re.sub(r"\s", "", html)
    assert "size:8.5in11in" in rules and "thead{display:table-header-group}" in rules
    assert "tr,.callout,img{break-inside:avoid}" in rules


@pytest.mark.parametrize("kind", COLOURS)
def test_colours_can_be_read_on_white(kind):
    """Contrast of 4.5 to 1 for text: WCAG 2.1, criterion 1.4.3; luminance as defined there."""
    parts = [int(COLOURS[kind][k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    assert 1.05 / (luminance + 0.05) >= 4.5


def test_every_mark_is_a_word_too():
    """Grey paper and colour-blind readers: the coloured pieces hold words, not colour alone."""
    results = made.result([made.tree("t0", "owner-exemption", "depends")])
    html = statement_html(made.site(), results)
    pieces = re.findall(rf'<span class="(?:{"|".join(COLOURS)})">([^<]*)</span>', html)
    assert pieces and all(re.fullmatch(r"\S [a-z][\w &;]*.*", piece) for piece in pieces)


@pytest.mark.parametrize("name", NASTY)
def test_names_are_escaped(name):
    """Names a user may give: HTML, Markdown and line breaks in them are shown, never obeyed."""
    trees = [made.tree(name, "owner-exemption", "depends", species=name, lot_id=name)]
    trees[0]["settle"] = f"height of {name}: measure from the substrate"
    outcomes = [made.outcome(trees, name)]
    ways = [{**made.way(route), "lot_id": name} for route in routes()]
    notes = [Note(f"lot {name}", name)]
    results = made.result(trees, outcomes=outcomes, lot_routes=ways, notes=notes)
    site = made.site([name], name=name)
    text = both(site, results)
    plain = " ".join(name.split()).replace("\u202e", "")
    assert f"Lot {plain} " in text and f"given as: {plain}" in text
    tags = {tag for tag, _ in made.Reader(statement_html(site, results)).tags}
    assert "b" not in tags
    markdown = statement_markdown(site, results, made_on=DAY)
    rows = [line for line in markdown.splitlines() if line.startswith("|")]
    tables = markdown.split("\n\n")
    for table in (part for part in tables if part.startswith("|")):
        assert len({len(made.cells(row)) for row in table.splitlines()}) == 1
    assert rows and not [line for line in markdown.splitlines() if re.match(r"# two", line)]


# ---- what is missing


@pytest.mark.parametrize("results", [{}, {"route": Result("route", {})}, made.result(outcomes=[])])
def test_without_a_result_it_says_so(results):
    text = both(made.site(), results)
    assert "Nothing can be stated yet." in text
    assert ("no operation 'route'" in text) == ("route" not in results)


def test_every_table_but_the_first_may_be_empty():
    rows = [made.outcome([made.tree("t0", "none", "closed")])]
    text = both(made.site(), made.result(outcomes=rows, lot_routes=[]))
    assert "No tree is recorded" in text


@pytest.mark.parametrize("section", SECTIONS, ids=lambda f: f.__name__)
def test_no_section_needs_the_tables_of_another(section):
    """Each table left out in turn; the page still reads."""
    tree = made.tree("t0", "owner-exemption", "open")
    whole = made.result([tree], [made.finding("fringe-depth", "met", 38.0)])["route"]
    names = {"trees": "tree_outcomes", "limits": "findings_by_rule", "ways": "lot_routes"}
    left = {k: v for k, v in whole.tables.items() if k != names.get(section.__name__, "findings")}
    assert "Cautions" in both(made.site(), {"route": dataclasses.replace(whole, tables=left)})


def test_a_row_must_fit_its_heads():
    with pytest.raises(AssertionError, match="1 cells under 2 heads"):
        Table(("a", "b"), ((cell("x"),),))


# ---- the headline


def test_many_ways_each_get_their_count():
    trees = [made.tree(f"t{k}", "owner-exemption", "open") for k in range(13)]
    trees += [made.tree(f"p{k}", "professional-exemption", "other plan") for k in range(19)]
    trees += [made.tree(f"g{k}", "general-permit", "other plan") for k in range(2)]
    found = [
        made.finding("owner-height-before", "not met", 15.0, t["crown_id"]) for t in trees[13:]
    ]
    found += [made.finding("professional-height-before", "not met", 25.0, f"g{k}") for k in (0, 1)]
    text = callout(both(made.site(), made.result(trees, found)))
    assert text.startswith(
        "The owner exemption is open for 13 of 34 mangroves: no limit we checked closes it."
    )
    assert "open for 13 of 34: the owner exemption. The owner does or supervises" in text
    assert (
        "open with another plan for 19 of 34, all taller than 10 ft: the professional exemption. "
        "A professional mangrove trimmer has to do or supervise the work." in text
    )
    assert "for 2 of 34, all taller than 24 ft: the general permit." in text


@pytest.mark.parametrize(
    ("trees", "lead"),
    [
        (
            [("none", "closed", True)] * 3,
            "No way we checked is open for any of the 3 mangroves.",
        ),
        (
            [("owner-exemption", "depends", None)] * 2,
            "Nothing is settled yet for any of the 2 possible mangroves: whether the owner "
            "exemption is open hangs on what is not known.",
        ),
        (
            [("general-permit", "open", True)],
            "The way of a general permit is open for the one mangrove here: no limit we checked "
            "closes it. It takes a written notice and a professional mangrove trimmer.",
        ),
        (
            [("left-alone", "not cut", True)] * 4,
            "The plan cuts none of the mangroves here, 4 in all: no way need be open.",
        ),
        (
            [("individual-permit", "other plan", True)] * 2,
            "As planned, no way is open for any of the 2 mangroves. Another plan could open the "
            "way of an individual permit.",
        ),
    ],
)
def test_leads(trees, lead):
    rows = [made.tree(f"t{k}", *one[:2], is_mangrove=one[2]) for k, one in enumerate(trees)]
    assert callout(both(made.site(), made.result(rows))).startswith(lead)


def test_buttonwood_only():
    rows = [
        made.tree(f"t{k}", "no-mangrove", "open", is_mangrove=False, species="buttonwood")
        for k in range(3)
    ]
    text = callout(both(made.site(), made.result(rows)))
    assert text.startswith("None of the 3 plants recorded here is a mangrove under the state act")
    assert "Buttonwood" in text and "one by one, not in opposite pairs" in text


def test_no_trees_and_no_shore():
    ways = [made.way("owner-exemption", "open"), made.way("general-permit", "depends")]
    text = callout(both(made.site(), made.result(lot_routes=ways)))
    assert text == (
        "No tree is recorded on this lot or in front of it, so none is judged. Of the lot itself, "
        "the limits are met by the owner exemption; not settled for the general permit."
    )
    rows = [made.outcome([], shoreline_length_ft=np.nan, reason="no frontage: 80 ft away")]
    text = both(made.site(), made.result(outcomes=rows))
    assert callout(text).startswith(
        "No shoreline was found for this lot, so nothing is judged. No frontage: 80 ft away."
    )
    assert "Limits and figures" not in text


def test_what_the_whole_plan_must_change_is_told():
    """No exemption and no permit where a herbicide is used: s. 403.9326(1) F.S. (D-16)."""
    text = callout(told(made.shore_site([9.0, 30.0], {**made.OWNER, "uses_herbicide": True})))
    assert text.startswith("As planned, no way is open for any of the 2 mangroves.")
    assert text.count("plan otherwise: ") == 1 and "a herbicide or other chemical is used" in text


@given(told_trees())
def test_counts_of_the_headline_are_those_of_the_table(trees):
    rows = [made.tree(f"t{k}", *one[:2], is_mangrove=one[2]) for k, one in enumerate(trees)]
    results = made.result(rows)
    table = results["route"]["tree_outcomes"]
    text = callout(made.Reader(statement_html(made.site(), results)).text)
    maybe = table[table["is_mangrove"].fillna(True)]
    if not len(maybe):
        assert len(table) == 1 or f"None of the {len(table)} plants" in text
        return
    pairs = Counter(zip(maybe["outcome_route"], maybe["outcome_standing"], strict=True))
    groups = re.findall(
        r"(?:open|another plan|depends|closed|not cut)(?: for|:) (\d+) of (\d+)[:.]", text
    )
    if len(pairs) > 1:
        assert sorted(int(n) for n, _ in groups) == sorted(pairs.values())
    assert {int(total) for _, total in groups} <= {len(maybe)}
    n_unknown = int(maybe["is_mangrove"].isna().sum())
    assert (f"{n_unknown} of {len(maybe)} " in text) or not n_unknown
    n_other = len(table) - len(maybe)
    assert (f"{n_other} other plant" in text) == bool(n_other)


def test_land_set_aside_is_told_first():
    trees = [made.tree("t0", "none", "closed"), made.tree("t1", "left-alone", "not cut")]
    found = [made.finding("mitigation-land", "not met", 1.0)]
    site = made.site(facts=Facts({"is_mitigation_land": True}))
    text = callout(both(site, made.result(trees, found)))
    assert (
        "closed for the whole lot: the owner, professional, earlier configuration and maintenance "
        "exemptions. This lot is on land set aside as mitigation whose papers do not provide for "
        "trimming." in text
    )


# ---- figures, by the act's own numbers


def test_a_figure_is_never_rounded_onto_its_limit():
    """10.01 ft and 50.004 ft are over (M-06, M-21); printed with one digit they would not be."""
    trees = [made.tree("t0", "none", "closed", top_height_ft=10.01, height_error_ft=0.0)]
    found = [
        made.finding("owner-height-before", "not met", 10.01, "t0"),
        made.finding("fringe-depth", "not met", 50.004),
    ]
    text = both(made.site(), made.result(trees, found))
    assert text.count("10.01 ft") >= 2 and not re.search(r"\b10\.0 ft", text)
    assert "50.004 ft" in text and "50.0 ft" not in text
    assert "0.01 ft past the limit" in text and "0.004 ft past the limit" in text


def test_too_close_names_the_tree_to_measure():
    """D-19: 9.8 ft with an error of 0.5 ft against 10 ft."""
    text = told(made.shore_site([9.8], rmse_ft=0.5))
    asked = text.split("What to find out next", 1)[1].split("The ways", 1)[0]
    assert "Measure the height of t0 from the substrate" in asked
    assert "too close: 1 tree" in text and "9.8 \u00b1 0.5 ft" in text


def test_under_150_ft_the_cap_is_one_line():
    """120 ft of shore leave 30 ft to the 150 ft of s. 403.9326(1)(a)."""
    text = told(made.shore_site([9.0, 9.0], width_ft=120.0))
    assert "so it does not bind here: 30.0 ft to spare." in text
    assert "230.77" not in text


def test_over_150_ft_the_cap_is_told_by_trees_and_length():
    """X-08 and X-09: 40 mangroves, 30 of them over 6 ft: 26 of 40 and 19 of 30; 151 and 230.77."""
    site = made.shore_site([9.0] * 30 + [5.0] * 10, width_ft=200.0)
    text = told(site)
    cap = text.split("How many of the mangroves: the cap", 1)[1].split("Stages by height", 1)[0]
    read = "s. 403.9326(1)(a) F.S., closing sentences, read in source."
    assert f"owner exemption {read} yes 65 % 26 of 40" in cap
    quoted = "s. 403.9327(1)(a) F.S., read second-hand."
    assert f"general permit {quoted} yes 65 % 19 of 30" in cap
    assert (
        "A shore of 150 ft has no such cap. One of 151 ft is left 98.15 ft, and only from 230.77 ft"
        in cap
    )
    wide = dataclasses.replace(site, options={**site.options, "cliff_reading": "at-least-150"})
    assert "230.77" not in told(wide) and "One of 151 ft is left 150.00 ft." in told(wide)


def test_a_late_notice_is_in_the_headline():
    """D-17: 7 days for the 10 of s. 403.9326(1)(b)4; ten days before January 11 is January 1."""
    dates = {
        "is_first_red_trim": True,
        "notice_date": datetime.date(2027, 1, 4),
        "start_date": datetime.date(2027, 1, 11),
    }
    text = told(made.shore_site([18.0], {**made.PROFESSIONAL, **dates}))
    late = "the notice for the professional exemption comes 3 days too late"
    assert f"{late}; for that start it was due by January 1, 2027." in callout(text)
    on_time = {**made.PROFESSIONAL, **dates, "notice_date": datetime.date(2027, 1, 1)}
    assert "too late" not in told(made.shore_site([18.0], on_time))


def test_open_is_not_read_as_all_is_kept():
    """65 % of 4 mangroves is 2, and 4 are cut: the way stays open, the duty is marked."""
    wide, short = (made.shore_site([9.0] * 4, width_ft=width) for width in (200.0, 120.0))
    wide, short = (
        dataclasses.replace(site, crowns=site.crowns.assign(base_height_ft=1.0))
        for site in (wide, short)
    )
    text = callout(told(wide))
    assert text.startswith("The owner exemption is open for all 4 mangroves")
    assert "Open tells of limits alone. A duty that goes with it is not met as planned" in text
    cap = "under the owner exemption a cap of 65 % leaves 2 of 4 mangroves that count"
    assert f"not met: {cap}; as planned 4 are cut: choose which." in text
    kept = callout(told(short))
    assert kept.startswith("The owner exemption is open for all 4 mangroves")
    assert "tells of limits alone" not in kept and "choose which" not in kept


@pytest.mark.parametrize("years", [1, 2])
def test_stages_are_held_against_the_years_that_are_planned(years):
    """20 ft down to 12 ft takes 8 of 20 ft, 40 %: two years, as 1 - 0.75^2 is 43.75 % (A-06)."""
    site = made.shore_site([20.0], made.PROFESSIONAL)
    crowns = site.crowns.assign(base_height_ft=0.0)
    options = {"target_height_ft": 12.0, "stage_years": years}
    page = told(dataclasses.replace(site, crowns=crowns, options=options))
    text = callout(page)
    assert "1 of 1 comes down in stages, the longest over 2 years" in text
    assert ("too few years" in text) == (years == 1) == ("1 is planned" in text)
    planned = "1 year is planned" if years == 1 else "2 years are planned"
    model = "shares of foliage are by the canopy model column, see A-06."
    assert f"{planned} for the cut; {model}" in page


def test_another_plan_that_hangs_on_the_authority_says_so():
    """By s. 403.9323(2) F.S. the act wants no trimming on land set aside, whatever is planned."""
    set_aside = {"is_mitigation_land": True, "mitigation_provides_trimming": False}
    text = callout(told(made.shore_site([9.0], {**made.OWNER, **set_aside})))
    agreed = ", if the department or the delegated local government agrees."
    assert f"Another plan could open the way of a general permit{agreed}" in text
    assert agreed not in callout(told(made.shore_site([30.0])))
    one = made.way("general-permit", other_plan=f"a; {STILL}b", n_other_plan_trees=1)
    trees = [made.tree("t0", "general-permit", "other plan")]
    trees.append(made.tree("t1", "owner-exemption", "open"))
    text = callout(both(made.site(), made.result(trees, lot_routes=[one])))
    assert f"for 1 of 2: the general permit{agreed}" in text


def test_reasons_say_what_is_from_memory_and_what_a_local_rule_asks():
    """M-34: maintenance is in part from memory. The number of a local rule stands by its words."""
    text = """
        [file]
        id = "cay-town"
        kind = "overlay"
        title = "Rules of Cay Town (invented)"
        jurisdiction = "Cay Town (invented)"
        version = "1"
        [tighten.permit-height-after]
        number = 8.0
        unit = "ft"
        words = "Banks are kept tall."
        section = "invented code 4"
        confidence = "read in source"
        read_on = "2026-11"
    """
    overlays = (read_overlay(text, "cay.toml"),)
    page = told(made.shore_site([9.0], made.PROFESSIONAL, overlays=overlays))
    ways = page.split("The ways, one by one", 1)[1].split("Limits and figures", 1)[0]
    memory = "From memory, check the current text."
    assert f"The mangroves were lawfully trimmed before. {memory}" in ways
    assert "Banks are kept tall (limit: at least 8 ft)." in ways
    assert f"Banks are kept tall (limit: at least 8 ft). {memory}" not in ways


@pytest.mark.parametrize(
    ("route", "is_from_memory"), [("owner-exemption", False), ("general-permit", True)]
)
def test_an_open_way_tells_what_it_rests_on(route, is_from_memory):
    """M-21 to M-23 were read; that a professional does the work of a permit, M-53, was not."""
    tree = made.tree("t0", route, "open")
    ways = [made.way(route, "open", n_open_trees=1)]
    page = both(made.site(), made.result([tree], lot_routes=ways))
    text = page.split("The ways, one by one", 1)[1].split("Trees", 1)[0]
    assert "Every limit that can close this way is met by these figures." in text
    assert ("Some are from memory, check the current text." in text) is is_from_memory


def test_the_straight_line_stands_beside_the_shore():
    """A-03: a lot of 100 ft on a straight shore has both alike."""
    assert "Straight from end to end 100.0 ft" in told(made.shore_site([9.0]))


def test_unknown_facts_are_asked_in_the_words_of_the_list():
    facts = {k: v for k, v in made.OWNER.items() if k != "controls_land"}
    text = told(made.shore_site([9.0], facts))
    asked = text.split("What to find out next", 1)[1].split("The ways", 1)[0]
    first = asked.split("This settles what depends, for 1 tree:", 1)[1].split(" hang on ", 1)[0]
    assert "Does the owner, or the person who contracts the professional, own or control" in first
    assert "Will any herbicide" not in asked


# ---- many trees, many lots


def test_trees_over_sixty_are_counted():
    trees = [made.tree(f"t{k:03d}", "owner-exemption", "open") for k in range(65)]
    text = both(made.site(), made.result(trees))
    assert "And 5 more, in crowns.csv." in text
    assert "t059 red mangrove" in text and "t060 red mangrove" not in text


def test_many_lots_have_a_table_first_and_a_dozen_blocks():
    ids = [f"L{k}" for k in range(14)]
    trees = [made.tree(f"t{k}", "owner-exemption", "open", lot_id=lot) for k, lot in enumerate(ids)]
    outcomes = [made.outcome([one], one["lot_id"]) for one in trees[1:]]
    results = made.result(trees[1:], outcomes=outcomes)
    site = made.site(ids)
    text = both(site, results)
    assert "14 lots" in text and "12 of 14 lots are told one by one" in text
    assert "L0 not judged" in text
    anchors = re.findall(r'id="(lot\d+)"', statement_html(site, results))
    links = re.findall(r'href="#(lot\d+)"', statement_html(site, results))
    assert anchors == links == [f"lot{k}" for k in range(1, 13)]


def test_rule_files_and_versions_are_told():
    text = both(made.site(), made.result([made.tree("t0", "none", "closed")]))
    for file in built_in():
        assert f"{file.title} {file.id} {file.jurisdiction}" in text and file.version in text
    assert [one for one in CAUTIONS if one not in text] == []
    assert "November 25, 2026" in text and "not legal advice" in text
