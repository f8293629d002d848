"""Results of the operation ``route`` built by hand, and readers of the two kinds of statement."""

from __future__ import annotations

import re
from collections import Counter
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import shapely

from geotrim.model import CanopyGrid, Facts, Result, Site
from geotrim.ops.route_columns import COLUMNS
from geotrim.rules.rule_file import routes
from geotrim.rules.rule_set import rule_set
from tests import sites

FT = sites.US_FT
#: What an owner of an ordinary lot would answer.
OWNER = {
    "supervisor": "owner",
    "controls_land": True,
    "is_uninhabited_island": False,
    "is_conservation_land": False,
    "is_mitigation_land": False,
    "uses_herbicide": False,
    "earlier_proof": "none",
    "was_lawfully_trimmed": False,
}
PROFESSIONAL = {
    **OWNER,
    "supervisor": "professional",
    "professional_credential": "certified-arborist",
}
#: Elements of HTML that have no end tag.
VOID = {"meta", "col", "img", "br"}


def site(lot_ids=("A",), **more):
    """A site of square lots; only its names are read."""
    shapes = [shapely.box(200 * k, -90, 200 * k + 100, 0) for k in range(len(lot_ids))]
    given = {
        "name": "by hand (invented)",
        "crs": sites.FLORIDA_EAST_USFT,
        "lots": sites.lots(shapes, ids=list(lot_ids)),
        "mhw_line": sites.shore([(-500, 0), (200 * len(lot_ids), 0)]),
        "mhw_origin": "survey",
    }
    return Site(**{**given, **more})


def shore_site(heights_ft, facts=OWNER, *, species=None, width_ft=100.0, rmse_ft=0.0, **more):
    """A lot on a straight shore with trees 4 map units apart, each a disc under a flat top."""
    n, step = len(heights_ft), 4
    grid = np.zeros((60, max(step * n + 40, 80)))
    points = [(step * k + 4.0, 5.0) for k in range(n)]
    for (x, _), height in zip(points, heights_ft, strict=True):
        grid[20:30, int(x) + 18 : int(x) + 22] = height
    given = {
        "name": "straight shore (invented)",
        "crs": sites.FLORIDA_EAST_USFT,
        "lots": sites.lots([shapely.box(0, -90, width_ft / FT, 0)]),
        "mhw_line": sites.shore([(-900, 0), (900, 0)]),
        "mhw_origin": "survey",
        "mhw_facts": {"position_rmse_ft": 0.0},
        "crowns": sites.crowns(
            [shapely.box(x - 1, y - 1, x + 1, y + 1) for x, y in points], species
        )
        if n
        else None,
        "trunks": sites.trunks(points) if n else None,
        "trunks_rmse_ft": 0.0,
        "heights": CanopyGrid(grid, west=-20.0, north=30.0, cell=1.0, rmse_ft=rmse_ft)
        if n
        else None,
        "facts": Facts(facts),
        "options": {"target_height_ft": 6.0},
    }
    return Site(**{**given, **more})


def tree(crown_id, route, standing, **more):
    """A row of ``tree_outcomes``."""
    row = {
        "lot_id": "A",
        "crown_id": crown_id,
        "species": "red mangrove",
        "is_mangrove": True,
        "top_height_ft": 9.0,
        "height_error_ft": 0.5,
        "height_source": "raster",
        "target_height_ft": 6.0,
        "outcome_route": route,
        "outcome_standing": standing,
        "removed_frac": 0.2,
        "n_stage_years": 1,
        "is_staged": False,
        "settle": "",
    }
    for name in routes():
        is_mine = name == route and standing in ("open", "depends")
        row[name.replace("-", "_")] = standing if is_mine else "closed"
    return {**row, **more}


def finding(rule_id, verdict, value, crown_id=None, *, overlays=(), **more):
    """A row of ``findings`` for a rule of geotrim's own, or of an overlay."""
    rules = rule_set(overlays)
    rule = rules.rules[rule_id]
    return {
        "lot_id": "A",
        "crown_id": crown_id,
        "rule_id": rule_id,
        "measure": rule.limit.measure,
        "value": value,
        "standard_error": 0.0,
        "unit": rule.limit.unit,
        "limit": rule.limit.words(),
        "verdict": verdict,
        "margin": np.nan if rule.limit.unit == "yes-no" else rule.limit.number - value,
        "is_binding": True,
        "effect": rule.effect,
        "routes": ", ".join(routes()[name]["name"] for name in rule.routes),
        "words": rule.words,
        "section": rule.section,
        "confidence": rule.confidence,
        "settle": "",
        "is_local": rules.is_local(rule),
        **more,
    }


def by_rule(findings):
    """Rows of ``findings_by_rule``, counted from findings of one lot each."""
    rows = []
    for key in dict.fromkeys((one["lot_id"], one["rule_id"]) for one in findings):
        same = [one for one in findings if (one["lot_id"], one["rule_id"]) == key]
        names = ("lot_id", "rule_id", "effect", "routes", "words", "limit", "section")
        names = (*names, "confidence", "is_local", "unit")
        n = Counter(one["verdict"] for one in same)
        rows.append(
            {
                **{name: same[0][name] for name in names},
                "n_met": n["met"],
                "n_not_met": n["not met"],
                "n_too_close": n["too close"],
                "n_unknown": n["unknown"],
                "n_not_binding": 0,
                "value_low": min(one["value"] for one in same),
                "value_high": max(one["value"] for one in same),
                "least_margin": min(one["margin"] for one in same),
                "settle": "; ".join(one["settle"] for one in same if one["settle"]),
            }
        )
    return rows


def outcome(trees, lot_id="A", **more):
    """The row of ``lot_outcomes`` of some trees."""
    kinds = Counter(one["is_mangrove"] for one in trees)
    row = {
        "lot_id": lot_id,
        "outcome_route": trees[0]["outcome_route"] if trees else "none",
        "outcome_standing": trees[0]["outcome_standing"] if trees else "closed",
        "outcome_words": "As the trees have it.",
        "n_trees": len(trees),
        "n_mangroves": kinds[True],
        "n_other_plants": kinds[False],
        "n_species_unknown": kinds[None],
        "shoreline_length_ft": 120.0,
        "shoreline_error_ft": 0.5,
        "shoreline_chord_ft": 120.0,
        "fringe_depth_ft": 38.0,
        "fringe_depth_error_ft": np.nan,
        "n_staged_trees": 0,
        "reason": "" if trees else "no tree is recorded on this lot or before it",
    }
    return {**row, **more}


def way(route, status="closed", **more):
    """A row of ``lot_routes``."""
    row = {
        "lot_id": "A",
        "route": route,
        "route_name": routes()[route]["name"] if route in routes() else "No way is open",
        "status": status,
        "n_open_trees": 0,
        "n_depends_trees": 0,
        "n_closed_trees": 0,
        "n_other_plan_trees": 0,
        "decided_by": "",
        "settle": "",
        "other_plan": "",
        "section": "",
    }
    return {**row, **more}


def result(trees=(), findings=(), *, outcomes=None, notes=(), **tables):
    """A result of ``route`` from rows; tables that are not given are empty."""
    trees, findings = list(trees), list(findings)
    rows = {
        "lot_outcomes": [outcome(trees)] if outcomes is None else outcomes,
        "lot_routes": [way(name) for name in routes()],
        "tree_outcomes": trees,
        "findings": findings,
        "findings_by_rule": by_rule(findings),
        **tables,
    }
    found = {name: frame(rows.get(name, []), columns) for name, columns in COLUMNS.items()}
    return {"route": Result("route", found, tuple(notes), {"confidence_frac": 0.95})}


def frame(rows, columns):
    """A table with exactly these columns."""
    wrong = [row for row in rows if set(row) != set(columns)]
    assert not wrong, f"columns {sorted(set(wrong[0]) ^ set(columns))}"
    table = pd.DataFrame(rows, columns=list(columns))
    for name in ("is_mangrove", "is_staged", "is_binding"):
        if name in table:
            table[name] = pd.array(table[name].tolist(), dtype="boolean")
    if "n_stage_years" in table:
        table["n_stage_years"] = pd.array(table["n_stage_years"].tolist(), dtype="Int64")
    return table


class Reader(HTMLParser):
    """Reads a page: its text, its tags with their attributes, and what does not close."""

    def __init__(self, page):
        super().__init__(convert_charrefs=True)
        self.words, self.tags, self.stack, self.faults, self.ids = [], [], [], [], []
        self.feed(page)
        self.close()
        self.faults += [f"<{tag}> is not closed" for tag in self.stack]

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self.words += [] if tag in ("span", "a") else [" "]
        if tag not in VOID:
            self.stack.append(tag)

    def handle_endtag(self, tag):
        if not self.stack or self.stack.pop() != tag:
            self.faults.append(f"</{tag}> closes nothing")
        self.words += [] if tag in ("span", "a") else [" "]

    def handle_data(self, data):
        if not {"style", "title"} & set(self.stack):
            self.words.append(data)

    @property
    def text(self):
        return " ".join("".join(self.words).replace("\u00a0", " ").split())


def markdown_text(text):
    """What Markdown of our own kind says, without its signs."""
    lines = []
    for line in text.splitlines():
        if re.fullmatch(r"\|( --- \|)+", line):
            continue
        line = re.sub(r"^(> ?)?(#+ |- )?", "", line)
        if line.startswith("|"):
            line = " ".join(cells(line))
        lines.append(re.sub(r"\\([!-/:-@\[-`{-~])|\*+|(<br>)", _plain, line))
    return " ".join(" ".join(lines).split())


def _plain(sign):
    """An escaped sign itself, a blank for a line break, nothing for emphasis."""
    return sign[1] or (" " if sign[2] else "")


def cells(line):
    """Cells of a row of a Markdown table."""
    return re.findall(r"((?:\\.|[^\\|])*)\|", line[1:])
