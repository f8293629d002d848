"""Findings with their sources: ways to an authorisation, limits, and how questions were read."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from geotrim.io.package_read import Package
from geotrim.report.sheets.choices import Choices
from geotrim.report.sheets.from_statement import runs, sheet_blocks
from geotrim.report.sheets.lot_read import judged_lot, records
from geotrim.report.sheets.sheet import Block, Cell, Column, Run, Sheet, Table, Words
from geotrim.report.statement_limits import limits, source
from geotrim.report.statement_lot import Lot, text
from geotrim.report.statement_parts import clean, line, mark, sentence
from geotrim.report.statement_plan import caps, stages
from geotrim.report.statement_tables import readings
from geotrim.report.statement_two_plans import by_heights, by_staged
from geotrim.report.statement_ways import find_out
from geotrim.report.statement_window import limits_of_window
from geotrim.report.statement_window_years import risks
from geotrim.rules.outcome import NONE, OTHER_PLAN

SIZE_PT = 7.0
#: Kind of a statement's table -> shares of its columns.
SHARES = {
    "limits": (60.0, 20.0, 24.0, 12.0),
    "window-limits": (52.0, 20.0, 18.0, 28.0),
    "cap": (34.0, 10.0, 7.0, 14.0, 20.0, 20.0),
    "stages": (34.0, 14.0, 16.0, 46.0),
    "notices": (58.0, 18.0, 18.0, 22.0),
    "changing": (26.0, 26.0, 26.0, 42.0),
    "readings": (56.0, 56.0),
    "risks": (54.0, 8.0, 32.0, 16.0),
}
WAYS = (
    Column("Way", 16.0),
    Column("How it stands", 18.0),
    Column("Why, and what would settle it", 78.0),
    Column("Section", 16.0),
)
#: A reason as ``lot_routes`` tells it: verdict, how many trees, the rule's words, its source.
REASON = re.compile(
    r"(not met|too close|unknown|met)(?: for (\d+) trees?)?: (.*?) \[(.*?) \(([^()]*)\)\](?:; |$)"
)


def findings_sheets(package: Package, lot_id: str, choices: Choices) -> list[Sheet]:
    """What was found against each limit; none where the package does not judge the lot.

    Parameters
    ----------
    package : Package
    lot_id : str
    choices : Choices
    """
    lot = judged_lot(package, lot_id)
    if lot is None:
        return []
    words = by_heights(package.results, lot_id)
    note = words.strip() or "no permission"
    found = [
        Sheet(f"Findings: ways to an authorisation, lot {clean(lot_id)}", tuple(_ways(lot)), note),
    ]
    more = {
        "Findings: limits and figures, with sources": (_blocks(limits(lot)[1:]), note),
        _of_window(package, lot_id): (
            _window(package, lot_id), by_staged(package.results, lot_id) or "by the window"
        ),
        "Findings: what follows a cut that is too low": (_consequence(package, lot_id), note),
        "Findings: how open questions were read": (_open_questions(package, lot), note),
    }  # fmt: skip
    for title, (blocks, whose) in more.items():
        if told := tuple(blocks):
            found.append(Sheet(title, told, whose, is_run_on=True))
    return found


def _of_window(package: Package, lot_id: str) -> str:
    """Title of what is told of the plan that is drawn: of a window, or of planned heights."""
    if records(package, "window_spans", lot_id) or not records(package, "stage_lots", lot_id):
        return "Findings: the window and its risks"
    return "Findings: the window, and the risks of the stages that are drawn"


def _blocks(blocks: Any) -> Iterator[Block]:
    return sheet_blocks(blocks, SHARES, SIZE_PT)


def _ways(lot: Lot) -> Iterator[Block]:
    """The ways one by one, then what to find out, caps, stages and notices."""
    told = (
        "Open means that no limit we checked closes a way by these figures. It is no permission. "
        "Words of limits are ours, not the act's. Trees are counted under each way by itself, so "
        "one tree may stand under several; the summary counts each tree once, under the way that "
        "is open for it or comes nearest to it."
    )
    yield Words((told,), size_pt=8.0)
    yield Table(WAYS, tuple(_way(way) for way in lot.ways if way["route"] != NONE), SIZE_PT)
    yield from _blocks(find_out(lot))
    yield from _blocks(caps(lot))
    yield from _blocks(stages(lot))


def _way(way: Mapping[str, Any]) -> tuple[Cell, ...]:
    status, other = way["status"], int(way["n_other_plan_trees"])
    status = OTHER_PLAN if status == "closed" and other else status
    counts = {
        "open": way["n_open_trees"], "depends": way["n_depends_trees"],
        "closed": way["n_closed_trees"], "with another plan": other,
    }  # fmt: skip
    trees = "; ".join(f"{how} for {int(n)}" for how, n in counts.items() if n)
    sign = mark(status, "open with another plan" if status == OTHER_PLAN else "")
    return (
        (Run(str(way["route_name"]), is_bold=True),),
        (*runs(line(sign)), Run(f"\n{trees} trees" if trees else "", is_small=True)),
        tuple(_why(way)),
        (Run(text(way["section"]), is_small=True),),
    )


def _why(way: Mapping[str, Any]) -> Iterator[Run]:
    """Reasons with their sources, each on a line of its own."""
    is_first = True
    for verdict, n, words, section, sure in REASON.findall(text(way["decided_by"])):
        whom = f" for {n}" if n else ""
        yield Run("" if is_first else "\n")
        yield from runs(line(mark(verdict), f"{whom}: {sentence(words)} "))
        yield from runs(tuple(source({"section": section, "confidence": sure})))
        is_first = False
    for lead, told in (("To settle it: ", way["settle"]), ("Another plan: ", way["other_plan"])):
        if text(told):
            yield Run(("" if is_first else "\n") + lead, is_bold=True)
            yield Run(sentence(told))
            is_first = False
    if is_first:
        yield Run("No limit we checked keeps this way from being open by these figures.")


def _window(package: Package, lot_id: str) -> Iterator[Block]:
    """Limits of the window, and how surely limits are kept."""
    yield from _blocks(limits_of_window(records(package, "window_limits", lot_id)))
    told = list(_blocks(risks(package.results, lot_id)))
    if told:
        by = by_staged(package.results, lot_id)
        yield Words((), f"How surely limits are kept{', ' * bool(by)}{by}", SIZE_PT + 0.5)
        yield from told


def _consequence(package: Package, lot_id: str) -> Iterator[Block]:
    """What cuts that are too low lead to: by the heights trees are to be left at."""
    rows = records(package, "consequence", lot_id)
    if not rows:
        return
    lines = [
        (Run(sentence(one["words"])), Run(" "), *runs(tuple(source(one))))
        for one in [*rows, *package.rows("consequence_rules").to_dict("records")]
    ]
    heading = "The trigger, if the planned heights were cut"
    yield Words(tuple(lines), heading, SIZE_PT, is_list=True)


def _open_questions(package: Package, lot: Lot) -> Iterator[Block]:
    """Readings of what the act leaves open."""
    yield from _blocks(readings(lot)[1:])
