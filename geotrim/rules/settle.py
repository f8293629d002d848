"""What would settle what depends: the fewest facts whose good answer opens a route."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import combinations, product
from typing import Any

import numpy as np

from geotrim.rules.case import fact_values
from geotrim.rules.decide import Decision, held_against
from geotrim.rules.derive import COVERS, land_flags
from geotrim.rules.facts import facts
from geotrim.rules.rule_file import Limit, Rule, measures
from geotrim.rules.verdict import MET, NOT_MET

#: An answer to one of these may be anything, so it is asked for without trying answers out.
_OPEN_KINDS = ("number", "whole", "date", "text")
#: Where all mangroves of a lot are looked at together, others than the tree itself may be in doubt.
OF_ALL = "height and species of the tallest trees: measure from the substrate, confirm in the field"


@dataclass(frozen=True, slots=True)
class Needs:
    """What is missing for a route.

    facts : keys of ``facts.toml``, fewest possible.
    tree_words : what to find out of a single tree, ``{tree}`` standing for its id.
    checks : ids of rules on which the authority must be asked.
    """

    facts: frozenset[str] = frozenset()
    tree_words: frozenset[str] = frozenset()
    checks: frozenset[str] = frozenset()

    def __or__(self, other: Needs) -> Needs:
        return Needs(
            self.facts | other.facts, self.tree_words | other.tree_words, self.checks | other.checks
        )

    def __len__(self) -> int:
        return len(self.facts) + len(self.tree_words) + len(self.checks)

    def words(self, rules: Mapping[str, Rule], tree: str = "the tree") -> list[str]:
        """Everything in words, facts first.

        Parameters
        ----------
        rules : mapping
            Rules by id, for the words of those that ask for a check.
        tree : str
            How to call the tree.
        """
        told = [fact.settle for key, fact in facts().items() if key in self.facts]
        told += sorted(text.replace("{tree}", tree) for text in self.tree_words)
        for name in sorted(self.checks):
            what = f"{rules[name].words.rstrip('.')} [{rules[name].source}]"
            told.append(f"what the department or the local government says on this: {what}")
        return told


def needs_by_tree(decision: Decision, route: str) -> list[Needs | None]:
    """The fewest facts for each tree; None where the route is open or closed.

    Parameters
    ----------
    decision : Decision
    route : str

    Notes
    -----
    Every condition that cannot be told must turn out met. One that binds only under a condition
    may instead turn out not to bind, so each such way is tried and the smallest union is kept.
    """
    rules = decision.conditions(route)
    whole = decision.routes[route]
    marks = _marks(decision, route, rules)
    found: dict[bytes, Needs] = {}  # trees of which the same is known need the same
    out: list[Needs | None] = [None] * decision.case.n_judged
    for k in np.flatnonzero((whole != MET) & (whole != NOT_MET)):
        mark = marks[k].tobytes()
        if mark not in found:
            found[mark] = _of_tree(decision, route, rules, int(k))
        out[k] = found[mark]
    return out


def needs_of_lot(decision: Decision, route: str) -> Needs | None:
    """The fewest facts that would open a route for at least one tree; None if none depends."""
    every = [needs for needs in needs_by_tree(decision, route) if needs is not None]
    return min(every, key=len) if every else None


def settle_words(decision: Decision, rule: Rule, k: int, tree: str) -> list[str]:
    """What would settle a rule for one tree, in words; nothing where it is told already.

    A check that is not met, or a local limit that is not met on an exemption, is for the authority.
    """
    code = decision.verdicts[rule.id][k]
    if code == MET or (code == NOT_MET and rule.effect != "check"):
        return []
    if code == NOT_MET:
        return ["ask the department, or the delegated local government"]
    ways = _ways(decision, rule, rule.limit, k)
    return min(ways, key=len).words(decision.rule_set.rules, tree)


def is_plan(rule: Rule, facts_known: Mapping[str, Any]) -> bool:
    """Whether the owner could choose otherwise, so that another plan may keep the rule."""
    table = measures()[rule.limit.measure]
    answered = [key for key in table.get("facts", ()) if key in facts_known]
    return bool(table.get("is_plan", False)) or any(facts()[key].is_plan for key in answered)


def _marks(decision: Decision, route: str, rules: list[Rule]) -> Any:
    """(n, m) array: trees with the same row are in doubt for the same reasons."""
    n = decision.case.n_judged
    columns: list[Any] = []
    for rule in rules:
        columns += [decision.contribution(rule, route), decision.verdicts[rule.id]]
        limits = [rule.limit, *rule.when, *([] if rule.tightens is None else [rule.tightens])]
        for limit in limits:
            columns.append(limit_codes(decision, limit))
            for part in measures()[limit.measure].get("made_of", ()):
                columns.append(np.isnan(decision.measures[part].value))
    covers = [decision.case.get(name).value for name in COVERS]
    columns += [np.where(np.isnan(cover), 2, cover) for cover in covers]
    whole = [np.broadcast_to(np.asarray(one, dtype=np.int8), n) for one in columns]
    return np.ascontiguousarray(np.array(whole).T)


def limit_codes(decision: Decision, limit: Limit) -> Any:
    """Verdict on a limit by itself for every tree, worked out once."""
    mark = ("codes", limit)
    if mark not in decision.memo:
        seen = decision.measures[limit.measure]
        codes = held_against(limit, seen, decision.confidence_frac)
        decision.memo[mark] = np.broadcast_to(codes, decision.case.n_judged)
    return decision.memo[mark]


def _is_told(decision: Decision, limit: Limit, k: int) -> bool:
    """Whether a limit is surely met or surely not, for one tree."""
    return int(limit_codes(decision, limit)[k]) in (MET, NOT_MET)


def _of_tree(decision: Decision, route: str, rules: list[Rule], k: int) -> Needs:
    """The fewest facts for one tree."""
    ways = []
    for rule in rules:
        if decision.contribution(rule, route)[k] in (MET, NOT_MET):
            continue
        is_check = not decision.rule_set.closes(rule, route)
        if is_check and decision.verdicts[rule.id][k] == NOT_MET:
            check = Needs(checks=frozenset({rule.id}))
            before = rule.tightens  # the rule's own limit may be in doubt besides
            is_doubtful = before is not None and not _is_told(decision, before, k)
            more = _ways(decision, rule, before, k) if before and is_doubtful else [Needs()]
            ways.append([check | one for one in more])
        else:
            ways.append(_ways(decision, rule, rule.limit, k))
    return min((_union(choice) for choice in product(*ways)), key=len)


def _ways(decision: Decision, rule: Rule, limit: Limit, k: int) -> list[Needs]:
    """Each way in which a rule could turn out met: it is kept, or it does not bind."""
    if rule.id in decision.readings.collective():
        return [Needs(tree_words=frozenset({OF_ALL}))]
    doubtful = [] if _is_told(decision, limit, k) else [_for_limit(decision, limit, k)]
    for when in rule.when:
        if not _is_told(decision, when, k):
            doubtful.append(_for_limit(decision, when, k, contrary=True))
    ways = [needs for needs in doubtful if needs is not None]
    if ways:
        return ways
    return [Needs(facts=frozenset(unanswered(decision, limit)), tree_words=_words_for(limit))]


def _union(several: Iterable[Needs]) -> Needs:
    out = Needs()
    for one in several:
        out |= one
    return out


def unanswered(decision: Decision, limit: Limit) -> list[str]:
    """Facts that a limit's measure is read from and that are not answered."""
    keys = measures()[limit.measure].get("facts", ())
    return [key for key in keys if key not in decision.case.facts]


def _words_for(limit: Limit) -> frozenset[str]:
    table = measures()[limit.measure]
    return frozenset({table.get("settle", table["words"])})


def _for_limit(decision: Decision, limit: Limit, k: int, contrary: bool = False) -> Needs | None:
    """The fewest facts that would decide one limit well for one tree; None if none can."""
    keys, parts = unanswered(decision, limit), _parts(decision, limit, k)
    if not keys:  # a matter of measuring, or of the plan
        return Needs(tree_words=parts or _words_for(limit))
    if any(facts()[key].kind in _OPEN_KINDS for key in keys):
        return Needs(facts=frozenset(keys), tree_words=parts)
    covers = _covers(decision, k)
    mark = (limit, contrary, tuple((name, str(cover)) for name, cover in covers.items()))
    if mark not in decision.memo:  # the same for every tree that the same land covers
        wanted = NOT_MET if contrary else MET
        decision.memo[mark] = _by_answers(decision, limit, keys, covers, wanted)
    found: Needs | None = decision.memo[mark]
    return found


def _by_answers(
    decision: Decision, limit: Limit, keys: list[str], covers: Mapping[str, float], wanted: int
) -> Needs | None:
    """The fewest facts of which some answer gives the wanted verdict, found by trying them out.

    Where it cannot be told whether a polygon covers a tree, its place may have to be surveyed too.
    """
    measure = decision.readings.stands_for(limit.measure)
    outside = {name: float(np.nan_to_num(cover)) for name, cover in covers.items()}
    found: Needs | None = None
    for size in range(len(keys) + 1):
        for some in combinations(keys, size):
            for known in _answered(decision, some):
                as_drawn, if_outside = (
                    int(limit.judge(_told(decision, known, measure, land), 0.0, 0.95))
                    for land in (covers, outside)
                )
                if as_drawn == wanted:
                    return Needs(facts=frozenset(some))
                if if_outside == wanted:
                    found = found or Needs(facts=frozenset(some), tree_words=_words_for(limit))
        if found is not None:  # a further fact is no less than the survey
            return found
    return None


def _parts(decision: Decision, limit: Limit, k: int) -> frozenset[str]:
    """What would settle the unknown parts of a measure."""
    return frozenset(
        measures()[name]["settle"]
        for name in measures()[limit.measure].get("made_of", ())
        if np.isnan(_of(decision.measures[name].value, k))
    )


def _of(value: Any, k: int) -> float:
    """What a value is for one tree."""
    return float(value if value.ndim == 0 else value[k])


def _answered(decision: Decision, some: tuple[str, ...]) -> Iterable[dict[str, Any]]:
    """The facts with every answer that some of them may have."""
    answers = [facts()[key].choices or (False, True) for key in some]
    for values in product(*answers):
        yield {**decision.case.facts, **dict(zip(some, values, strict=True))}


def _covers(decision: Decision, k: int) -> dict[str, float]:
    """Which polygons of land set aside cover a tree."""
    values = decision.case.values
    return {name: _of(values[name].value, k) for name in COVERS if name in values}


def _told(
    decision: Decision, known: Mapping[str, Any], measure: str, covers: Mapping[str, float]
) -> float:
    """A yes-no measure by these facts, on land covered so."""
    told: dict[str, Any] = fact_values(known, decision.readings["season_reading"])
    return float({**told, **land_flags(told, covers)}[measure])
