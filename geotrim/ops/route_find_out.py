"""What is not known of each lot and would settle what depends, for thousands of lots at once."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.ops.route_counts import trees_words
from geotrim.rules.decide import Decision
from geotrim.rules.derive import COVERS
from geotrim.rules.facts import facts
from geotrim.rules.outcome import DEPENDS, Outcomes
from geotrim.rules.rule_file import Limit, Rule, measures
from geotrim.rules.settle import OF_ALL, limit_codes, unanswered
from geotrim.rules.side_by_side import full
from geotrim.rules.verdict import MET, NOT_MET

Flags = npt.NDArray[np.bool_]
FACT, MEASURE, CHECK = "fact", "measure", "check"
ASK = "what the department or the local government says on "


def find_out(decision: Decision, found: Outcomes, judged: Flags) -> dict[tuple[str, str], Any]:
    """What each lot's outcomes hang on: facts, measures, and what only the authority can say.

    Parameters
    ----------
    decision, found :
        Of m lots side by side.
    judged : (n,) trees that are cut, as :func:`geotrim.rules.outcome.judged` gives them.

    Returns
    -------
    dict
        (``fact``, key), (``measure``, what settles it, with ``{tree}`` for the tree) or (``check``,
        id of a rule) -> (m,) trees of each lot that hang on it. Facts first, then measures, then
        checks, each in the order of its file, whatever the other lots hang on.

    Notes
    -----
    Of each tree that depends, only the way that it is told by is looked at. Every condition of it
    that cannot be told gives whatever is unknown of it, and of whether it binds: no less than is
    needed, and it may be more. The fewest that settle it
    (:func:`geotrim.rules.settle.needs_by_tree`) are sought tree by tree, which takes too long for
    a county.
    """
    doubts = _Doubts(decision)
    depends = judged & (found.standing == DEPENDS)
    for route in dict.fromkeys(found.route[depends].tolist()):
        mine = depends & (found.route == route)
        for rule in decision.conditions(route):
            code = decision.contribution(rule, route)
            held = mine & (code != MET) & (code != NOT_MET)
            if held.any():
                doubts.add_rule(rule, held, decision.rule_set.closes(rule, route))
    count, held = decision.case.rows.count, doubts.held
    return {mark: count(held[mark]) for mark in _order(decision) if mark in held}


def _order(decision: Decision) -> list[tuple[str, str]]:
    """All that may have to be found out, each once, in the order of telling."""
    measured = [table.get("settle", table["words"]) for table in measures().values()]
    every = {FACT: list(facts()), MEASURE: [OF_ALL, *measured], CHECK: list(decision.verdicts)}
    return list(dict.fromkeys((kind, what) for kind, some in every.items() for what in some))


def find_out_words(decision: Decision, found: Outcomes, judged: Flags) -> list[str]:
    """The same in words for each lot, ``;`` between them: facts by their key, trees by number.

    Only what is to be found out of trees has their number; "" where nothing hangs on anything.
    """
    m, has_trees = decision.case.rows.starts.size, bool(decision.case.tree_ids)
    told: list[list[str]] = [[] for _ in range(m)]
    for (kind, text), counts in find_out(decision, found, judged).items():
        words = f"{ASK}{text}" if kind == CHECK else text
        for k in np.flatnonzero(counts).tolist():
            trees = trees_words(int(counts[k])) if has_trees else "a tree"
            told[k].append(words.replace("{tree}", trees))
    return ["; ".join(words) for words in told]


def facts_to_find_out(words: Iterable[str]) -> set[str]:
    """Keys of the facts that are among such words.

    Examples
    --------
    >>> sorted(facts_to_find_out(["supervisor; species of 2 trees: confirm in the field", ""]))
    ['supervisor']
    """
    return {one for text in words for one in text.split("; ")} & facts().keys()


class _Doubts:
    """What is unknown, and the trees that each of it holds up."""

    def __init__(self, decision: Decision) -> None:
        self.decision = decision
        self.n = decision.case.n_judged
        #: (kind, what) -> (n,) flags
        self.held: dict[tuple[str, str], Flags] = {}

    def add_rule(self, rule: Rule, held: Flags, closes: bool) -> None:
        """Whatever is unknown of one condition and of whether it binds.

        One that only asks for a check and is not met is for the authority; besides, what a local
        rule tightened may be in doubt.
        """
        is_missed = self.decision.verdicts[rule.id] == NOT_MET
        asked = held & is_missed & (not closes)
        self._add(CHECK, rule.id, asked)
        rest = held & ~asked
        if rule.id in self.decision.readings.collective():  # others may be in doubt than the tree
            self._add(MEASURE, OF_ALL, rest)
        else:
            doubtful = self._add_limits((rule.limit, *rule.when), rest)
            self._add_unknown(rule.limit, rest & ~doubtful)
        if rule.tightens is not None and asked.any():
            before = asked & self._doubt(rule.tightens)
            if rule.id in self.decision.readings.collective():
                self._add(MEASURE, OF_ALL, before)
            else:
                self._add_limits((rule.tightens, *rule.when), before)

    def _add_limits(self, limits: tuple[Limit, ...], held: Flags) -> Flags:
        """Those of some limits that cannot be told; which trees have any."""
        some = np.zeros(self.n, dtype=bool)
        for limit in limits:
            doubtful = held & self._doubt(limit)
            self._add_limit(limit, doubtful)
            some |= doubtful
        return some

    def _doubt(self, limit: Limit) -> Flags:
        codes = limit_codes(self.decision, limit)
        flags: Flags = (codes != MET) & (codes != NOT_MET)
        return flags

    def _add_limit(self, limit: Limit, doubtful: Flags) -> None:
        """Facts not answered, else what there is to measure; of a sum, its unknown parts."""
        if not doubtful.any():
            return
        keys = unanswered(self.decision, limit)
        for key in keys:
            self._add(FACT, key, doubtful)
        rest = doubtful.copy()
        for part in measures()[limit.measure].get("made_of", ()):
            lost = doubtful & np.isnan(full(self.decision.measures[part].value, self.n))
            self._add(MEASURE, measures()[part]["settle"], lost)
            rest &= ~lost
        if keys:  # the place of a tree is in doubt besides where a polygon may cover it
            table = measures()[limit.measure]
            rest &= self._may_be_covered() & ("settle" in table and "made_of" not in table)
        self._add_measure(limit, rest)

    def _add_unknown(self, limit: Limit, held: Flags) -> None:
        """Everything of a limit that nothing of it tells to be in doubt."""
        for key in unanswered(self.decision, limit):
            self._add(FACT, key, held)
        self._add_measure(limit, held)

    def _add_measure(self, limit: Limit, held: Flags) -> None:
        table = measures()[limit.measure]
        self._add(MEASURE, table.get("settle", table["words"]), held)

    def _may_be_covered(self) -> Flags:
        flags = np.zeros(self.n, dtype=bool)
        for name in COVERS:
            if name in self.decision.case.values:
                flags |= np.isnan(full(self.decision.case.values[name].value, self.n))
        return flags

    def _add(self, kind: str, what: str, held: Flags) -> None:
        if held.any():
            before = self.held.get((kind, what))
            self.held[kind, what] = held if before is None else before | held
