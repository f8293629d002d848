"""Whether another reading of an open question would change what comes out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from geotrim.rules.decide import Decision, decide
from geotrim.rules.outcome import UNCUT, outcomes
from geotrim.rules.readings import questions
from geotrim.rules.rule_file import routes
from geotrim.rules.verdict import STATUS

#: What a decision comes to besides its routes: a name -> words, so that two can be compared.
Extras = Callable[[Decision], dict[str, str]]


#: What a reading may decide besides verdicts, so that it is looked at though no verdict changed.
DUTIES = ("share", "stages", "advice")


@dataclass(frozen=True, slots=True)
class Comparison:
    """One other reading against the one that was used.

    changes : what would be different, in words; none if nothing would.
    """

    setting: str
    used: str
    other: str
    changes: tuple[str, ...]


def comparisons(decision: Decision, extras: Extras = lambda _: {}) -> Iterator[Comparison]:
    """Every other reading, and what it would change for the trees that are cut.

    Parameters
    ----------
    decision : Decision
    extras : callable, optional
        Gives what else is compared: caps, years, advice, each under a name in words.
    """
    own = extras(decision)
    is_cut = outcomes(decision).standing != UNCUT
    for setting, other, readings in decision.readings.others():
        new = decide(
            decision.case, decision.rule_set, readings, decision.confidence_frac, like=decision
        )
        changes: list[str] = []
        if new.routes is not decision.routes or questions()[setting].decides in DUTIES:
            changes = [*_route_changes(decision, new, is_cut), *_extra_changes(own, extras(new))]
        yield Comparison(setting, decision.readings[setting], other, tuple(changes))


def _route_changes(old: Decision, new: Decision, is_cut: Any) -> Iterator[str]:
    """Routes that are open, or may be, for other trees than before."""
    names = np.array(STATUS, dtype=object)
    for route, table in routes().items():
        before, after = names[old.routes[route]], names[new.routes[route]]
        changed = np.flatnonzero((before != after) & is_cut)
        pairs = Counter((str(before[k]), str(after[k])) for k in changed)
        for (was, now), n in pairs.items():
            trees = "" if not old.case.tree_ids else f" for {n} tree{'s' if n > 1 else ''}"
            yield f"{table['name']}: {now} instead of {was}{trees}"


def _extra_changes(old: dict[str, str], new: dict[str, str]) -> Iterator[str]:
    for name in {**old, **new}:
        before, after = old.get(name, "none"), new.get(name, "none")
        if before != after:
            yield f"{name}: {after} instead of {before}"


def reading_rows(decision: Decision, extras: Extras) -> list[dict[str, Any]]:
    """One row for each other reading of each question, as a table of results holds it."""
    rows = []
    for one in comparisons(decision, extras):
        question = questions()[one.setting]
        rows.append(
            {
                "lot_id": decision.case.lot_id,
                "setting": one.setting,
                "ambiguity": question.id,
                "question": question.question,
                "used": one.used,
                "used_words": question.choices[one.used].words,
                "is_default": one.used == question.default,
                "other": one.other,
                "other_words": question.choices[one.other].words,
                "is_changing": bool(one.changes),
                "changes": "; ".join(one.changes),
            }
        )
    return rows
