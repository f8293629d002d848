"""What geotrim can put into a submission, in words with figures."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np

from geotrim.model import MHW_ORIGINS
from geotrim.rules.decide import Decision
from geotrim.rules.duties import Stages
from geotrim.rules.outcome import LEFT_ALONE, UNCUT, Outcomes
from geotrim.rules.species import species_key, species_table

#: How a figure says that it is of the heights trees are to be left at, not of a window.
BY_HEIGHTS = "by the planned heights"
#: Most digits behind the point of a length that is near its limit.
MOST_DIGITS = 4


def filled(
    decision: Decision,
    found: Outcomes,
    plan: Stages,
    species: list[Any],
    mhw_origin: str | None,
) -> dict[str, str]:
    """Figure of ``submission.toml`` -> words; what is not known is not there.

    Parameters
    ----------
    decision, found, plan :
        Of one lot.
    species : list
        Species of its trees as the user wrote them, in the decision's order.
    mhw_origin : str, optional
        A key of ``MHW_ORIGINS``.
    """
    out = {"lot_id": f"lot {decision.case.lot_id}"}
    if mhw_origin in MHW_ORIGINS:
        out["mhw_line"] = MHW_ORIGINS[mhw_origin]
    out |= _lengths(decision)
    out |= _statements(decision)
    if decision.case.tree_ids:
        out |= _trees(decision, found, plan, species)
    return out


def _lengths(decision: Decision) -> dict[str, str]:
    out = {}
    for name, words in (("shoreline_length_ft", "shoreline"), ("fringe_depth_ft", "fringe depth")):
        limits = _limits_on(decision, name)
        value = decision.measures[name].value
        known = value[np.isfinite(value)]
        if known.size:
            out[name] = f"{words} {_told_apart(float(known.max()), limits)} ft"
    return out


def _limits_on(decision: Decision, measure: str) -> list[float]:
    """Numbers that conditions of the ways hold a measure against."""
    rules = [rule for route in decision.routes for rule in decision.conditions(route)]
    return [rule.limit.number for rule in rules if rule.limit.measure == measure]


def _told_apart(value: float, limits: list[float]) -> str:
    """A length with digits enough to tell it from every limit it is not at.

    Examples
    --------
    >>> _told_apart(38.0, [50.0]), _told_apart(50.04, [50.0]), _told_apart(50.0, [50.0])
    ('38.0', '50.04', '50.0')
    """
    near = [limit for limit in limits if abs(value - limit) >= 0.5 * 10.0**-MOST_DIGITS]
    digits = 1
    while digits < MOST_DIGITS and any(round(value, digits) == round(x, digits) for x in near):
        digits += 1
    return f"{value:.{digits}f}"


def _statements(decision: Decision) -> dict[str, str]:
    """What the user answered, as a submission states it."""
    facts, out = decision.case.facts, {}
    if facts.get("supervisor") == "owner":
        out["professional"] = "the owner does or supervises the work"
    elif facts.get("supervisor") == "professional" and "professional_credential" in facts:
        credential = facts["professional_credential"].replace("-", " ")
        out["professional"] = f"a professional mangrove trimmer ({credential})"
    if facts.get("uses_herbicide") is False:
        out["chemicals"] = "no herbicide or other chemical is used, as stated in the site file"
    if facts.get("earlier_proof", "none") != "none":
        out["earlier_proof"] = f"shown by: {facts['earlier_proof']}"
    asked = ("is_conservation_land", "is_mitigation_land", "is_uninhabited_island")
    if all(key in facts for key in asked):
        yes = [key.removeprefix("is_").replace("_", " ") for key in asked if facts[key]]
        out["set_aside_check"] = (
            f"stated in the site file: {', '.join(yes)}"
            if yes
            else "stated in the site file: no island, conservation or mitigation land"
        )
    return out


def _trees(decision: Decision, found: Outcomes, plan: Stages, species: list[Any]) -> dict[str, str]:
    """Heights by species, how many trees are cut, and over how many years."""
    n = decision.case.n_judged
    top = np.broadcast_to(decision.measures["top_height_ft"].value, n)
    after = np.broadcast_to(decision.measures["height_after_ft"].value, n)
    after = np.where(found.standing == UNCUT, top, after)
    names = np.array([_name(one) for one in species], dtype=object)
    out = {}
    for key, values in (("heights_before", top), ("heights_after", after)):
        told = [
            f"{name} {_span(values[names == name])}"
            for name in dict.fromkeys(names.tolist())
            if np.isfinite(values[names == name]).any()
        ]
        if told:
            whose = f" {BY_HEIGHTS}" if key == "heights_after" else ""
            out[key] = f"{key.replace('_', ' ')}{whose}: {', '.join(told)}"
    is_mangrove = np.broadcast_to(decision.measures["is_mangrove"].value, n) != 0.0
    if np.isfinite(after[is_mangrove]).any():
        cut = int((is_mangrove & (found.route != LEFT_ALONE)).sum())
        total = int(is_mangrove.sum())
        share = 100 * (total - cut) / total if total else 0.0
        told_of = f"{cut} of {total} mangroves cut, {share:.0f} % left as they are"
        out["trees_to_trim"] = f"{BY_HEIGHTS}: {told_of}"
    years = plan.years[is_mangrove & (plan.is_staged == 1.0)]
    if np.isfinite(years).any():
        counts = Counter(int(y) for y in years[np.isfinite(years)])
        told = [
            f"{k} tree{'s' if k > 1 else ''} over {y} year{'s' if y > 1 else ''}"
            for y, k in sorted(counts.items())
        ]
        out["stage_plan"] = f"{BY_HEIGHTS}: {', '.join(told)}"
    return out


def _name(species: Any) -> str:
    key = species_key(species)
    return "species not known" if key is None else str(species_table()[key]["common"])


def _span(values: Any) -> str:
    known = values[np.isfinite(values)]
    low, high = float(known.min()), float(known.max())
    return f"{low:.1f} ft" if low == high else f"{low:.1f} to {high:.1f} ft"
