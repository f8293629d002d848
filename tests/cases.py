"""Lots as rules see them, built for tests, and what comes out of one as plain values."""

from __future__ import annotations

import datetime

import numpy as np

from geotrim.rules.case import Case, Measured
from geotrim.rules.consequence import restoration
from geotrim.rules.decide import decide
from geotrim.rules.duties import caps, notices, stages
from geotrim.rules.outcome import outcomes
from geotrim.rules.rule_set import RuleSet
from geotrim.rules.verdict import MET, NOT_MET, STATUS, WORDS

#: Routes in the order they are tried, under the paragraph that names each.
A, B, C, D = "owner-exemption", "professional-exemption", "earlier-configuration", "maintenance"
OUTSIDE, GENERAL, INDIVIDUAL = "no-mangrove", "general-permit", "individual-permit"

#: Answers of a lot on which no fact stands in the way, and work planned for the advised season.
#: Invented; the dates are far apart, so that no notice is short and no freeze is near.
GOOD_FACTS = {
    "supervisor": "owner",
    "controls_land": True,
    "is_uninhabited_island": False,
    "is_public_land": False,
    "is_conservation_land": False,
    "is_mitigation_land": False,
    "mitigation_provides_trimming": False,
    "uses_herbicide": False,
    "is_first_red_trim": False,
    "earlier_proof": "photographs",
    "earlier_height_ft": 4.0,
    "was_lawfully_trimmed": True,
    "is_multifamily": False,
    "notice_date": datetime.date(2026, 9, 1),
    "start_date": datetime.date(2026, 11, 10),
    "last_freeze_date": datetime.date(2026, 1, 20),
}


def lot(
    *,
    depth_ft=38.0,
    shore_ft=120.0,
    height_ft=9.0,
    target_ft=7.5,
    who="owner",
    species="red",
    error_ft=0.0,
    facts=None,
    values=None,
    years=1,
):
    """One lot; by default every condition of every exemption of an owner is met.

    Parameters
    ----------
    height_ft, target_ft, species : one for all trees, or a list with one a tree
    who : "owner" or "professional"; the latter with a credential
    species : "red", "black", "white", "buttonwood", or None
    error_ft : standard error of the height
    facts : changes of ``GOOD_FACTS``; None takes an answer out
    values : changes of the values: a number, a list, a Measured, or None to take it out
    """
    heights = np.atleast_1d(np.asarray(height_ft, dtype=np.float64))
    targets = np.broadcast_to(np.asarray(target_ft, dtype=np.float64), heights.shape)
    kinds = [species] * heights.size if not isinstance(species, list) else species
    told = {**GOOD_FACTS, "supervisor": who, **(facts or {})}
    if who == "professional":
        told = {"professional_credential": "certified-arborist", **told}
    is_mangrove = [np.nan if kind is None else float(kind != "buttonwood") for kind in kinds]
    is_red = [np.nan if kind is None else float(kind == "red") for kind in kinds]
    seen = {
        "is_mangrove": is_mangrove,
        "is_red": is_red,
        "raster_height_ft": Measured.of(heights, error_ft),
        "target_height_ft": targets,
        # a crown that is a column from the ground up
        "base_height_ft": np.zeros(heights.shape),
        "foliage_removed_frac": np.clip((heights - targets) / heights, 0.0, None),
        "trunk_margin_ft": np.full(heights.shape, 10.0),
        "crown_margin_ft": np.full(heights.shape, 2.0),
        "from_innermost_ft": np.full(heights.shape, depth_ft),
        "on_shore": np.ones(heights.shape),
        "canopy_area_ft2": np.full(heights.shape, 80.0),
        "survey_swath_ft": 3.0,
        "share_of_trees_frac": 0.5,
        "share_of_length_frac": 0.5,
        "share_of_area_frac": 0.5,
        "permit_share_frac": 0.5,
    }
    for name in ("greatest", "local_greatest"):
        seen[f"depth_{name}_ft"] = depth_ft
    for name in ("station", "local_station"):
        seen[f"depth_{name}_ft"] = np.full(heights.shape, depth_ft)
    for name in ("along", "smoothed", "chord"):
        seen[f"shoreline_{name}_ft"] = shore_ft
    seen |= values or {}
    return Case(
        lot_id="lot",
        tree_ids=tuple(f"t{k + 1}" for k in range(heights.size)),
        values={
            name: value if isinstance(value, Measured) else Measured.of(value, 0.0)
            for name, value in seen.items()
            if value is not None
        },
        facts={key: answer for key, answer in told.items() if answer is not None},
        stage_years=years,
    )


def without(rules, *names):
    """A rule set from which rules are taken out."""
    kept = {name: rule for name, rule in rules.rules.items() if name not in names}
    return RuleSet(kept, rules.files)


def statuses(decision, tree=0):
    """Route -> open, depends or closed, for one tree."""
    return {route: STATUS[int(codes[tree])] for route, codes in decision.routes.items()}


def verdict(decision, rule, tree=0):
    """The verdict on one rule in words."""
    return WORDS[int(decision.verdicts[rule][tree])]


def result(case, rules, readings=None):
    """All that an owner or a trimmer is told about a lot, as plain values that can be compared.

    Routes and outcome of each tree; caps that bind; years of each cut; notices that are short;
    warnings and reports that apply, in the words of the rule; what over-cutting would lead to.
    """
    decision = decide(case, rules, readings)
    found = outcomes(decision)
    years = stages(decision, found)
    spoken = {
        (rule.effect, rule.words)
        for rule in rules.rules.values()
        if rule.id in decision.verdicts and rule.effect in ("warning", "told", "consequence")
        if (decision.verdicts[rule.id] == (MET if rule.id == TRIGGER else NOT_MET)).any()
    }
    return {
        "routes": [statuses(decision, k) for k in range(case.n_judged)],
        "outcome": list(zip(found.route, found.standing, strict=True)),
        "caps": [
            (cap.route, cap.share_frac, cap.n_counted_trees, cap.n_allowed_trees)
            for cap in caps(decision)
            if cap.is_binding is not False
        ],
        "years": list(years.years),
        "notices": [
            (note.route, note.words, note.verdict, note.short_days)
            for note in notices(decision)
            if note.verdict != "met"
        ],
        "spoken": spoken,
        "restoration": _restoration(rules),
    }


TRIGGER = "restoration-trigger"


def _restoration(rules):
    """What 500 sq ft lost with 1 of 20 trees cut low comes to; None where a rule is missing."""
    try:
        return restoration(20, 1, 500.0, dict(rules.rules))
    except KeyError:
        return None
