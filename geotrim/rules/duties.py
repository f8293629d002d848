"""What goes with a route that is open: stages over years, the cap of 65 %, notices with dates."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotrim.rules.case import Floats
from geotrim.rules.decide import Decision
from geotrim.rules.outcome import DEPENDS, OPEN, OUTSIDE, Outcomes, judged
from geotrim.rules.rule_file import Rule, number_words, routes
from geotrim.rules.shares import allowed_trees, capped_share
from geotrim.rules.stages import years_needed
from geotrim.rules.verdict import MET, NOT_MET, TOO_CLOSE, UNKNOWN, WORDS

Flags = npt.NDArray[np.bool_]
#: The rule whose share is taken where every mangrove is staged, whatever its height (A-07).
ANY_HEIGHT = "quarter-a-year"


@dataclass(frozen=True, slots=True, eq=False)
class Stages:
    """Years each tree's cut takes.

    is_staged : (n,) 1 where stages bind, 0 where not, NaN where it cannot be told.
    years : (n,) fewest years; NaN where not known.
    """

    is_staged: Floats
    years: Floats


def stages(decision: Decision, found: Outcomes) -> Stages:
    """Stages by the rules of each tree's own route.

    Parameters
    ----------
    decision : Decision
    found : Outcomes
        Of the same decision.

    Notes
    -----
    A tree that no stage binds takes one year if anything is cut. Of several rules of one route,
    the one that takes longest decides. A height too close to 16 ft cannot be told.
    """
    n = decision.case.n_judged
    removed = np.broadcast_to(decision.measures["foliage_removed_frac"].value, n)
    staged = np.zeros(n)
    years = np.where(np.isnan(removed), np.nan, (removed > 0.0).astype(np.float64))
    for rule in _stage_rules(decision):
        bound = _bound(decision, rule)
        mine = np.isin(found.route, [name for name in routes() if _binds_way(rule, name)])
        needed = years_needed(removed, rule.limit.number, decision.readings["foliage_reading"])
        binds = mine & (bound == MET)
        unsure = mine & ((bound == UNKNOWN) | (bound == TOO_CLOSE))
        staged = np.where(binds, 1.0, np.where(unsure & (staged != 1.0), np.nan, staged))
        years = np.where(binds, np.maximum(needed, years), years)
        years = np.where(unsure & ~binds & ~(needed <= years), np.nan, years)
    return Stages(staged, years)


def _binds_way(rule: Rule, route: str) -> bool:
    """Whether a rule of stages is one of a route; good practice is one of each way of the act."""
    return route != OUTSIDE if rule.id == ANY_HEIGHT else route in rule.routes


def _stage_rules(decision: Decision) -> list[Rule]:
    """Stage rules in force; where every mangrove is staged, good practice is one of them."""
    rules = _in_force(decision, "stages")
    if decision.readings["quarter_reading"] == "any-height":
        rules += [rule for rule in decision.rule_set.rules.values() if rule.id == ANY_HEIGHT]
    return rules


@dataclass(frozen=True, slots=True)
class Cap:
    """How much of a shoreline's mangroves a rule lets be trimmed, counted three ways.

    is_binding : None where it cannot be told; the allowances are then those of a cap that binds.
    verdict : on the plan; "unknown" where the share it trims cannot be told.
    planned_share_frac : the greatest share the plan can come to, measured as the reading says.
    n_planned_trees : of the counted trees, those the plan trims.
    n_uncertain_trees : trees that may count or not; they are not counted.
    """

    route: str
    rule_id: str
    share_frac: float
    is_binding: bool | None
    verdict: str
    planned_share_frac: float
    n_planned_trees: int
    n_counted_trees: int
    n_allowed_trees: int
    counted_length_ft: float
    allowed_length_ft: float
    counted_area_ft2: float
    allowed_area_ft2: float
    n_uncertain_trees: int
    words: str
    section: str
    confidence: str


def caps(decision: Decision) -> list[Cap]:
    """Every cap on the share of mangroves, by rule and route.

    Notes
    -----
    Only trees that are known to be mangroves, and known to be tall enough where that counts, are
    in the denominator: what is uncertain never raises an allowance.
    """
    rules = _in_force(decision, "share")
    return [_cap(decision, rule, route) for rule in rules for route in rule.routes]


def _cap(decision: Decision, rule: Rule, route: str) -> Cap:
    case, n = decision.case, decision.case.n_judged
    sure, unsure = _counted(decision, rule)
    bound = int(np.max(_bound(decision, rule)))
    shore = float(decision.measures["shoreline_length_ft"].value)
    fringe = float(case.get("fringe_length_ft").value)
    length = fringe if np.isfinite(fringe) else shore
    share = rule.limit.number if bound != NOT_MET else 1.0
    if bound != NOT_MET and rule.when:
        reading = decision.readings["cliff_reading"]
        share = capped_share(shore, rule.limit.number, rule.when[0].number, reading)
    area = np.broadcast_to(case.get("canopy_area_ft2").value, n)
    total = float(area[sure].sum()) if case.tree_ids else np.nan
    return Cap(
        route=route,
        rule_id=rule.id,
        share_frac=share,
        is_binding={MET: True, NOT_MET: False}.get(bound),
        verdict=WORDS[int(decision.verdicts[rule.id].min())],
        planned_share_frac=float(np.max(decision.measures[rule.limit.measure].value)),
        n_planned_trees=int((sure & _planned(decision)).sum()),
        n_counted_trees=int(sure.sum()),
        n_allowed_trees=allowed_trees(int(sure.sum()), share),
        counted_length_ft=length,
        allowed_length_ft=share * length,
        counted_area_ft2=total,
        allowed_area_ft2=share * total,
        n_uncertain_trees=int(unsure.sum()),
        words=rule.words,
        section=rule.section,
        confidence=rule.confidence,
    )


def _planned(decision: Decision) -> Flags:
    """Trees the plan trims: as chosen; without a choice, those taller than they are to be left."""
    case, n = decision.case, decision.case.n_judged
    chosen = np.broadcast_to(case.get("is_to_trim").value, n)
    tall = decision.measures["top_height_ft"].value > case.get("target_height_ft").value
    flags: Flags = np.where(np.isnan(chosen), tall, chosen == 1.0)
    return flags


def _counted(decision: Decision, rule: Rule) -> tuple[Flags, Flags]:
    """Trees that count for a cap for sure, and those that may."""
    n = decision.case.n_judged
    if not decision.case.tree_ids:
        nobody = np.zeros(n, dtype=bool)
        return nobody, nobody
    mangrove = np.broadcast_to(decision.measures["is_mangrove"].value, n)
    shore = np.broadcast_to(decision.case.get("on_shore").value, n) != 0.0
    sure, possible = (mangrove == 1.0) & shore, (mangrove != 0.0) & shore
    if rule.limit.measure == "permit_share_frac":
        tall = decision.verdicts.get("permit-share-counted", np.full(n, MET, dtype=np.int8))
        sure, possible = sure & (tall == MET), possible & (tall != NOT_MET)
    return sure, possible & ~sure


@dataclass(frozen=True, slots=True)
class Notice:
    """A notice that goes before the work.

    due : latest day for it, None where the start is not known. short_days : days it comes late.
    """

    route: str
    rule_id: str
    words: str
    days: float
    notice_date: datetime.date | None
    start_date: datetime.date | None
    due: datetime.date | None
    short_days: float
    verdict: str
    is_binding: bool | None
    section: str
    confidence: str


def notices(decision: Decision, is_cut: Flags | None = None) -> list[Notice]:
    """Every notice of every route, with the day it is due.

    Parameters
    ----------
    decision : Decision
    is_cut : (n,) bool array, optional
        Trees that are looked at: a notice that only some trees ask for binds where one of these
        does. Every tree if not given.
    """
    rules = _in_force(decision, "notice")
    which = np.ones(decision.case.n_judged, dtype=bool) if is_cut is None else is_cut
    return [_notice(decision, rule, route, which) for rule in rules for route in rule.routes]


def _notice(decision: Decision, rule: Rule, route: str, which: Flags) -> Notice:
    facts = decision.case.facts
    start, given = facts.get("start_date"), facts.get("notice_date")
    days = rule.limit.number
    is_days = rule.limit.unit == "days"
    due = start - datetime.timedelta(days=days) if start is not None and is_days else None
    seen = float(np.max(decision.measures[rule.limit.measure].value))
    bound = _bound(decision, rule)[which]
    return Notice(
        route=route,
        rule_id=rule.id,
        words=rule.words,
        days=days if is_days else np.nan,
        notice_date=given,
        start_date=start,
        due=due,
        short_days=max(days - seen, 0.0) if np.isfinite(seen) and is_days else np.nan,
        verdict=WORDS[int(decision.verdicts[rule.id][which].min())],
        is_binding={MET: True, NOT_MET: False}.get(int(bound.max())),
        section=rule.section,
        confidence=rule.confidence,
    )


def _bound(decision: Decision, rule: Rule) -> npt.NDArray[np.int8]:
    """(n,) verdict on whether a rule binds; *met* for one that always does."""
    bound = decision.binding.get(rule.id)
    return np.full(decision.case.n_judged, MET, dtype=np.int8) if bound is None else bound


def _in_force(decision: Decision, effect: str) -> list[Rule]:
    """Rules in force that have an effect."""
    every = decision.rule_set.rules.values()
    return [rule for rule in every if rule.effect == effect and rule.id in decision.verdicts]


def unmet_by_lot(decision: Decision, found: Outcomes) -> list[list[str]]:
    """Duties that are surely not kept as planned, of the ways trees are told by as open, or may be.

    Parameters
    ----------
    decision : Decision
        Of one lot, or of m side by side.
    found : Outcomes
        Of the same decision.

    Returns
    -------
    list of m lists of str
        A few words each: ``cap of the general permit``.
    """
    rows = decision.case.rows
    may_be = (found.standing == OPEN) | (found.standing == DEPENDS)
    mine = {name: may_be & (found.route == name) for name in routes()}
    ways = {name: rows.any(flags) for name, flags in mine.items() if flags.any()}
    out: list[list[str]] = [[] for _ in rows.starts]

    def tell(rule: Rule, words: str, which: Flags) -> None:
        for route in rule.routes:
            for k in np.flatnonzero(which & ways[route] if route in ways else ()):
                out[k].append(f"{words} the {str(routes()[route]['name']).lower()}")

    for rule in _in_force(decision, "share"):
        over = rows.any(decision.verdicts[rule.id] == NOT_MET)
        tell(rule, "cap of", over & rows.any(_bound(decision, rule) == MET))
    n_late = rows.count(_late(decision, mine))
    for k in np.flatnonzero(n_late):
        out[k].append(f"years of the stages for {n_late[k]} tree{'s' if n_late[k] > 1 else ''}")
    is_cut = judged(decision, found)
    for rule in _in_force(decision, "notice"):
        short = rows.any(is_cut & (decision.verdicts[rule.id] == NOT_MET))
        tell(rule, "notice for", short & rows.any(is_cut & (_bound(decision, rule) == MET)))
    return [list(dict.fromkeys(words)) for words in out]


def _late(decision: Decision, mine: Mapping[str, Flags]) -> Flags:
    """(n,) trees whose stages take more years than planned, by the trees of each way."""
    late = np.zeros(decision.case.n_judged, dtype=bool)
    for rule in _stage_rules(decision):
        which = np.any([mine[name] for name in routes() if _binds_way(rule, name)], axis=0)
        not_kept = decision.verdicts[rule.id] == NOT_MET
        late |= which & (_bound(decision, rule) == MET) & not_kept
    return late


def told(decision: Decision, found: Outcomes) -> dict[str, str]:
    """Caps, years and advice in words, so that two readings can be compared."""
    out: dict[str, str] = {}
    for cap in caps(decision):
        if cap.is_binding is not False:
            out[f"cap of the {routes()[cap.route]['name'].lower()}"] = (
                f"{number_words(round(cap.share_frac, 4), 'frac')}"
                f"{' if it binds' if cap.is_binding is None else ''}"
            )
    years = stages(decision, found).years
    known = years[np.isfinite(years)]
    if known.size:
        out["most years for one tree"] = f"{known.max():g}"
        out["trees that take more than a year"] = f"{int((known > 1).sum())}"
    for rule in decision.rule_set.rules.values():
        is_idle = bool((_bound(decision, rule) == NOT_MET).all())
        if rule.effect not in ("warning", "share") or rule.id not in decision.verdicts or is_idle:
            continue
        counts = np.bincount(decision.verdicts[rule.id], minlength=4)
        out[f"rule {rule.id}"] = ", ".join(
            f"{WORDS[code]} for {counts[code]}" if decision.case.tree_ids else WORDS[code]
            for code in np.flatnonzero(counts)
        )
    return out
