"""What was found after a cut, in words for a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from geotrim.model import Result
from geotrim.ops.after_state import AS_PLANNED, LEFT, OTHER, STATES
from geotrim.report.fold import bullet, fold
from geotrim.report.statement_parts import count, some
from geotrim.report.verification_standing import Standing
from geotrim.report.verification_table import (
    OPEN,
    count_words,
    finding_words,
    limit_reasons,
    note_words,
    to_do_words,
    whose,
)
from geotrim.rules.rule_file import routes

#: States that need no line a tree.
QUIET = (AS_PLANNED, LEFT, OTHER)
#: Most lines of one kind.
MOST = 12


def verification_text(
    results: Mapping[str, Result],
    year: int,
    changed: Sequence[str] = (),
    standings: Mapping[str, Standing] | None = None,
) -> str:
    """What was found on each lot; first of all, files of the package that were changed since.

    Parameters
    ----------
    results : mapping
        Lot -> what was found.
    year : int
    changed : sequence of str
        Files of the package.
    standings : mapping, optional
        Lot -> how its way stands: told before anything that was found.

    Returns
    -------
    str
        Lines of at most 80 columns.
    """
    known = standings or {}
    parts = [
        "\n".join(_lot(lot_id, result, year, known.get(lot_id)))
        for lot_id, result in results.items()
    ]
    if changed:
        parts.insert(0, "\n".join(fold(f"CAUTION: {changed_words(changed)}")))
    return "\n\n".join(parts)


def changed_words(changed: Sequence[str]) -> str:
    """That a plan is not as it was written.

    Examples
    --------
    >>> changed_words(["crowns.csv"])
    'the package was changed since geotrim run wrote it (crowns.csv), so this may be another plan.'
    """
    told = some(changed)
    return (
        f"the package was changed since geotrim run wrote it ({told}), so this may be another plan."
    )


def _lot(lot_id: str, result: Result, year: int, standing: Standing | None) -> Iterator[str]:
    trees, findings = result["after_trees"], result["after_findings"]
    lot = result["after_lots"].iloc[0]
    way = routes().get(str(lot["way"]), {}).get("name", lot["way"])
    yield from fold(f"Lot {lot_id}, year {year} of the plan", "", "  ")
    if standing is not None and standing.lead:
        yield from fold(f"CAUTION: {standing.words()}")
    told = str(way) if standing is None else standing.way
    yield from fold(f"Held against the limits of: {told}.")
    yield from fold(f"{state_words(trees)}.")
    yield from _attention(trees)
    yield from _limits(findings)
    yield from fold(f"Trigger for restoration: {result['after_consequence']['words'].iloc[0]}")
    yield from fold(next_words(lot))


def state_words(trees: Any) -> str:
    """How many trees became what, those that the plan leaves and nobody looked at apart.

    Examples
    --------
    >>> import pandas as pd
    >>> state_words(pd.DataFrame({"state": ["as planned", "not done"], "treatment": "lower-top"}))
    '2 trees planned: 1 not done, 1 as planned'
    """
    planned = trees[trees["treatment"] != "leave"]
    told = [f"{n} {state}" for state in STATES if (n := int((planned["state"] == state).sum()))]
    text = f"{count(len(planned), 'tree')} planned: {', '.join(told) or 'none'}"
    rest = trees[trees["treatment"] == "leave"]
    more = [
        f"{n} {state}"
        for state in STATES
        if state not in (OTHER, "not read") and (n := int((rest["state"] == state).sum()))
    ]
    return text + (f"; of those the plan leaves: {', '.join(more)}" if more else "")


def next_words(lot: Mapping[str, Any]) -> str:
    """When the next stage may begin."""
    if not lot["next_year"]:
        return "The plan has no further year."
    if lot["next_from"] is None:
        return f"Next stage (year {lot['next_year']}): no earliest day; {lot['next_words']}."
    return (
        f"Next stage (year {lot['next_year']}): from {lot['next_from']}, {lot['next_words']}; "
        "tree by tree in the table."
    )


def _attention(trees: Any) -> Iterator[str]:
    for state in STATES:
        mine = trees[(trees["state"] == state) & ~trees["state"].isin(QUIET)]
        if state == "not read":
            mine = mine[mine["treatment"] != "leave"]
        rows = mine.to_dict("records")
        for tree in rows[:MOST]:
            parts = (tree["state_words"], to_do_words(tree), note_words(tree))
            why = "; ".join(part for part in parts if part)
            yield from bullet(f"{tree['crown_id']}: {state}{f' ({why})' if why else ''}")
        if len(rows) > MOST:
            yield from bullet(f"{len(rows) - MOST} more {state}")


def _limits(findings: Any) -> Iterator[str]:
    told = ", ".join(count_words(findings).values())
    yield from fold(f"Limits, one a rule and tree that was cut: {told or 'none to look at'}.")
    for text in limit_reasons(findings):
        yield from fold(text)
    for word in OPEN:
        rows = findings[findings["verdict"] == word]
        if word == "not met":
            same: dict[str, list[str]] = {}
            for row in rows.to_dict("records"):
                same.setdefault(finding_words(row), []).append(whose(row))
            for words, trees in list(same.items())[:MOST]:
                yield from bullet(f"{some(trees)}: {words}")
            if len(same) > MOST:
                yield from bullet(f"{sum(map(len, list(same.values())[MOST:]))} more not met")
            continue
        by_plan = rows["is_by_plan"].astype(bool)
        parts = ((word, rows[~by_plan]), (f"{word} by the plan itself", rows[by_plan]))
        for name, mine in parts:
            if len(mine):
                told = some(dict.fromkeys(whose(row) for row in mine.to_dict("records")))
                yield from bullet(f"{name}: {told}")
