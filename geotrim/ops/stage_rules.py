"""What the rules let one year take of each tree, and how low its top may come."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.core.coverage import Floats
from geotrim.errors import RangeError
from geotrim.model import Facts
from geotrim.ops.params import CONFIDENCE
from geotrim.ops.stage_plan import CutPlan
from geotrim.ops.window_rules import QUARTER, Seen, Way, least_height_ft, way_of, yearly_share
from geotrim.rules.rule_file import Rule
from geotrim.rules.rule_set import RuleSet
from geotrim.rules.species import is_mangrove, is_red
from geotrim.rules.verdict import MET

#: Words for what a yearly share binds by.
ACT, PRACTICE, LOCAL = "act", "good practice", "local rule"
#: Ways whose floor is the height of an earlier configuration.
EARLIER = ("earlier-configuration", "maintenance")
#: The floor where a way states none: the strictest of those that do.
FLOOR_MEASURE = "height_after_ft"
#: The reading of A-07 by which the act stages every mangrove.
ANY_HEIGHT = "any-height"


@dataclass(frozen=True, slots=True, eq=False)
class StageLimits:
    """Limits of k trees that are cut.

    yearly_frac : (k,) most one year takes as planned: the share of the rule less the margin under
        it; 1 where no rule binds. most_frac : (k,) the share of the rule itself.
    binds : (k,) ``act``, ``good practice``, ``local rule`` or "".
    rule : the rule of each, None where none binds.
    is_close : (k,) the height is too close to the edge of a rule on stages to tell whether it
        binds; its share is kept. It is told as good practice where that asks for the same share and
        the height by itself does not reach the edge.
    floor_ft : (k,) least height after the cut, the margin over it included. [ft]
    limit_ft : (k,) the limit itself. [ft]
    """

    yearly_frac: Floats
    most_frac: Floats
    binds: npt.NDArray[np.object_]
    rule: tuple[Rule | None, ...]
    is_close: npt.NDArray[np.bool_]
    floor_ft: Floats
    limit_ft: Floats


def stage_limits(
    plan: CutPlan, crowns: Any, facts: Facts, rules: RuleSet, parameters: Mapping[str, Any]
) -> StageLimits:
    """Limits of every tree, by the rules of its own way.

    Parameters
    ----------
    plan : CutPlan
    crowns : DataFrame
        ``species`` is used where given.
    facts : Facts
    rules : RuleSet
        Overlays included.
    parameters : mapping
        ``share_from_ft``, ``share_margin_frac``, ``floor_margin_ft``; and as ``route`` used them,
        where it was run, ``confidence_frac`` and ``quarter_reading``.

    Raises
    ------
    RangeError
        If the margin leaves nothing of a share.

    Notes
    -----
    Where the act is read to stage trees of any height (A-07), every tree keeps its share.

    A tree that is told by no way is held to those of the professional exemption, which stages trees
    of 16 ft and up. An earlier configuration has the floor of its own that the facts tell; where
    they do not, and where a way states no floor, the strictest of all ways stands in.
    """
    k = len(plan)
    share, most, floor, limit = np.ones(k), np.ones(k), np.zeros(k), np.zeros(k)
    by: list[Rule | None] = [None] * k
    close = np.zeros(k, dtype=bool)
    margin = float(parameters["floor_margin_ft"])
    under = float(parameters.get("share_margin_frac", 0.0))
    is_any_height = parameters.get("quarter_reading") == ANY_HEIGHT
    share_from = 0.0 if is_any_height else float(parameters["share_from_ft"])
    confidence = float(parameters.get("confidence_frac", CONFIDENCE.default))
    for number, name in {(int(n), str(w)) for n, w in zip(plan.lot, plan.way, strict=True)}:
        mine = np.flatnonzero((plan.lot == number) & (plan.way == name))
        lot_id = plan.lots[number].lot_id
        known = facts.everywhere if lot_id is None else facts.of(lot_id)
        way = way_of(name or "professional-exemption", known, rules)
        seen = _seen(plan, crowns, mine, confidence)
        most[mine], found = yearly_share(way, seen, share_from)
        share[mine], _ = yearly_share(way, seen, share_from, under)
        close[mine] = _is_close(seen, found)
        told = _told(seen, way, most[mine], found, share_from)
        for at, rule in zip(mine, told, strict=True):
            by[at] = rule
        limit[mine] = _limit_ft(way, known, rules)
        has_own = way.floor is not None
        floor[mine] = least_height_ft(way, margin) if has_own else limit[mine] + margin
    _check_margin(share, most, under)
    binds = np.array([_binds(rule, rules, is_any_height) for rule in by], dtype=object)
    return StageLimits(share, most, binds, tuple(by), close, floor, limit)


def _check_margin(share: Floats, most: Floats, margin_frac: float) -> None:
    """A margin as large as a share lets no year take anything."""
    lost = share <= 0.0
    if lost.any():
        raise RangeError(
            "share_margin_frac",
            f"{margin_frac:g}, of a yearly share of {most[lost].min():g}",
            "a margin smaller than every yearly share that binds",
            "choose a smaller margin, such as 0.03",
        )


def _seen(plan: CutPlan, crowns: Any, mine: Any, confidence_frac: float) -> Seen:
    """What rules compare of some trees."""
    names = crowns["species"].to_numpy(dtype=object) if "species" in crowns.columns else None
    species = [None if names is None else names[row] for row in plan.row[mine]]
    unknown = np.full(len(mine), np.nan)
    return Seen(
        top_ft=plan.top_ft[mine],
        error_ft=plan.error_ft[mine],
        is_red=_yes_no([is_red(name) for name in species]),
        is_mangrove=_yes_no([is_mangrove(name) for name in species]),
        base_ft=unknown,
        shoreline_ft=np.nan,
        shoreline_error_ft=np.nan,
        confidence_frac=confidence_frac,
    )


def _yes_no(values: list[bool | None]) -> Floats:
    return np.array([np.nan if v is None else float(v) for v in values], dtype=np.float64)


def _is_close(seen: Seen, found: list[Rule | None]) -> npt.NDArray[np.bool_]:
    """Where a rule is kept though it cannot be told whether it binds."""
    bound = {one.id: seen.bound(one) for one in found if one is not None}
    close = [rule is not None and bound[rule.id][k] != MET for k, rule in enumerate(found)]
    return np.array(close, dtype=bool)


def _told(
    seen: Seen, way: Way, share: Floats, found: list[Rule | None], share_from_ft: float
) -> list[Rule | None]:
    """The rule each tree is told by: that of its height as it was read, errors apart."""
    exact = replace(seen, error_ft=np.zeros_like(seen.error_ft))
    is_practice = (share == way.quarter.limit.number) & (seen.top_ft >= share_from_ft)
    bound = {one.id: exact.bound(one) for one in found if one is not None}
    return [
        way.quarter if rule is not None and may and bound[rule.id][k] != MET else rule
        for k, (rule, may) in enumerate(zip(found, is_practice, strict=True))
    ]


def _limit_ft(way: Way, known: Mapping[str, Any], rules: RuleSet) -> float:
    """The floor of a way, without a margin. [ft]."""
    if way.floor is not None:
        return float(way.floor.limit.number)
    earlier = known.get("earlier_height_ft")
    if way.route in EARLIER and earlier is not None:
        return float(earlier)
    every = [
        rule.limit.number
        for rule in rules.rules.values()
        if rule.effect == "condition" and rule.limit.measure == FLOOR_MEASURE
    ]
    return float(max(every, default=0.0))


def _binds(rule: Rule | None, rules: RuleSet, is_any_height: bool) -> str:
    """Whose rule it is."""
    if rule is None:
        return ""
    if is_any_height and rule.id == QUARTER:
        return ACT
    kind = rules.file(rule.file_id).kind
    return {"state": ACT, "practice": PRACTICE}.get(kind, LOCAL)
