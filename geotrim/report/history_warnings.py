"""What a reader of a ledger should look at: years that are too short, shares, floors, doubles."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise

from geotrim.core.staging import years_later
from geotrim.io.ledger import Kept
from geotrim.io.ledger_entry import Entry, TreeEntry
from geotrim.report.furniture import counted
from geotrim.report.history_lines import day_of
from geotrim.report.history_text import SHORT, height_words, names, share_words
from geotrim.rules.rule_file import Rule
from geotrim.rules.rule_set import rule_set
from geotrim.rules.species import is_mangrove
from geotrim.rules.verdict import NOT_MET, TOO_CLOSE

#: Rules whose numbers stand in where a plan does not tell a tree's own.
YEARLY_RULE, FLOOR_RULE = "professional-stages", "professional-height-after"
#: Of entries that tell none: how sure a verdict must be, as for verify.
CONFIDENCE_FRAC = 0.95
#: How a value stands to its limit.
OVER, CLOSE = "over", "too close to call"


@dataclass(frozen=True, slots=True)
class Warned:
    """A warning.

    crown_ids : the trees it is about, none where it is about the lot.
    """

    lot_id: str
    crown_ids: tuple[str, ...]
    words: str


@dataclass(frozen=True, slots=True)
class MadeCut:
    """A cut that was made, as one entry tells it."""

    day: date
    number: int
    plan_sha256: str
    year: int


def warnings_of(in_force: Iterable[Kept]) -> list[Warned]:
    """Every warning of the entries that count, lot by lot.

    Parameters
    ----------
    in_force : iterable of Kept
        With corrections applied, as :func:`geotrim.io.ledger.in_force` gives them.
    """
    entries = list(in_force)
    out: list[Warned] = []
    for lot in dict.fromkeys(one.entry.lot_id for one in entries):
        mine = [one for one in entries if one.entry.lot_id == lot]
        cuts = made_cuts(mine)
        for found in (
            _plans_twice(mine),
            _told_twice(mine),
            _before_the_plan(mine, cuts),
            _plan_is_gone(mine),
            _cuts_too_soon(cuts),
            _planned_too_soon(mine, cuts),
            _over_share(mine),
            _under_floor(mine, cuts),
        ):
            out += [Warned(lot, crowns, words) for crowns, words in found]
    return out


def made_cuts(entries: Sequence[Kept]) -> dict[str, list[MadeCut]]:
    """Crown id -> its cuts that were made, by day; one that was entered and verified is one.

    A verification tells of a cut where it says that it was made, and no entry has it for that day:
    a cut that was made in two parts is two, and the year runs from the last. So does a reading
    whose tree is said to be done; its day is that of the reading, so it is none of its own where
    a cut of that year is known.
    """
    out: dict[str, list[MadeCut]] = {}
    for kind in ("cut", "verification", "reading"):
        for one in entries:
            if one.entry.kind != kind:
                continue
            for tree in one.entry.trees:
                mine = out.setdefault(tree.crown_id, [])
                cut = MadeCut(day_of(one.entry, tree), one.number, one.entry.plan_sha256, tree.year)
                is_made = tree.is_done is True or (kind == "cut" and tree.is_done is None)
                is_known = (
                    _is_known(cut, mine) if kind == "reading"
                    else kind != "cut" and _is_told(cut, bool(tree.date), mine)
                )  # fmt: skip
                if is_made and not is_known:
                    mine.append(cut)
    return {
        crown: sorted(cuts, key=lambda cut: (cut.day, cut.number))
        for crown, cuts in out.items()
        if cuts
    }


def _is_told(cut: MadeCut, is_dated: bool, cuts: Iterable[MadeCut]) -> bool:
    """Whether a verified cut is among those that are known: told for that very day.

    A verification that has no day of the tree's cut tells of the one that its plan's year knows.
    """
    return any(
        one.day == cut.day
        or (not is_dated and one.year == cut.year and one.plan_sha256 in ("", cut.plan_sha256))
        for one in cuts
    )


def _is_known(cut: MadeCut, cuts: Iterable[MadeCut]) -> bool:
    """Whether a cut that a reading tells of is among those that are known.

    The day of a reading is none of a cut; what it does not tell of year or plan is held against
    nothing.
    """
    return any(
        (not cut.year or not one.year or one.year == cut.year)
        and (one.plan_sha256 == cut.plan_sha256 or "" in (one.plan_sha256, cut.plan_sha256))
        for one in cuts
    )


def latest_plan(entries: Iterable[Kept]) -> Kept | None:
    """The plan of a lot that counts: the one that was entered last."""
    plans = [one for one in entries if one.entry.kind == "plan"]
    return plans[-1] if plans else None


def still_planned(
    entries: Sequence[Kept], cuts: dict[str, list[MadeCut]]
) -> Iterator[tuple[Kept, TreeEntry]]:
    """Planned cuts of the latest plan that nobody told to be made."""
    plan = latest_plan(entries)
    if plan is None:
        return
    for tree in plan.entry.trees:
        done = cuts.get(tree.crown_id, [])
        if not any(
            cut.year == tree.year and cut.plan_sha256 in ("", plan.entry.plan_sha256)
            for cut in done
        ):
            yield plan, tree


def _before_the_plan(
    entries: Sequence[Kept], cuts: dict[str, list[MadeCut]]
) -> Iterator[tuple[tuple[str, ...], str]]:
    """Cuts that were made before the earliest day that their plan has for them."""
    starts = {
        (one.entry.plan_sha256, tree.crown_id, tree.year): (tree.date, one.number)
        for one in entries
        if one.entry.kind == "plan"
        for tree in one.entry.trees
        if tree.date
    }
    latest = latest_plan(entries)
    own = "" if latest is None else latest.entry.plan_sha256
    groups: dict[tuple[int, date, int, str, int], list[str]] = {}
    for crown, made in cuts.items():
        for cut in made:
            start, plan_no = starts.get((cut.plan_sha256 or own, crown, cut.year), ("", 0))
            if start and cut.day < date.fromisoformat(start):
                key = (cut.number, cut.day, cut.year, start, plan_no)
                groups.setdefault(key, []).append(crown)
    for (number, day, year, start, plan_no), ids in groups.items():
        of = f"year {year} of the plan" if year else "the plan"
        early = counted((date.fromisoformat(start) - day).days, "day")
        yield (
            tuple(ids),
            (
                f"{names(ids)} cut on {day} (entry {number}), {early} before {start}, the earliest "
                f"day that {of} (entry {plan_no}) has"
            ),
        )


def _plan_is_gone(entries: Sequence[Kept]) -> Iterator[tuple[tuple[str, ...], str]]:
    """Cuts and verifications that were entered by a plan after one of the lot was withdrawn."""
    plans = {one.entry.plan_sha256 for one in entries if one.entry.kind == "plan"}
    withdrawn = [one.number for one in entries if one.entry.details.get("withdraws") == "plan"]
    for one in entries:
        told = one.entry
        if told.kind not in ("cut", "verification") or not told.plan_sha256:
            continue
        before = [number for number in withdrawn if number < one.number]
        if before and told.plan_sha256 not in plans:
            yield (
                tuple(dict.fromkeys(tree.crown_id for tree in told.trees)),
                f"the {told.kind} of {told.day} (entry {one.number}) is by plan "
                f"{told.plan_sha256[:SHORT]}, which no entry that counts tells of; entry "
                f"{before[-1]} withdrew a plan of the lot",
            )


def _planned_too_soon(
    entries: Sequence[Kept], cuts: dict[str, list[MadeCut]]
) -> Iterator[tuple[tuple[str, ...], str]]:
    """Planned cuts whose earliest day lies within a year of the tree's last cut."""
    groups: dict[tuple[int, int, date, date, int], list[str]] = {}
    for plan, tree in still_planned(entries, cuts):
        last = cuts.get(tree.crown_id, [])[-1:]
        if not last or not tree.date:
            continue
        start = date.fromisoformat(tree.date)
        if start < years_later(last[0].day, 1):
            key = (plan.number, tree.year, start, last[0].day, last[0].number)
            groups.setdefault(key, []).append(tree.crown_id)
    for (plan_no, year, start, cut_day, cut_no), ids in groups.items():
        of = f"year {year} of the plan" if year else "the plan"
        yield (
            tuple(ids),
            (
                f"{of} (entry {plan_no}) is set for {start} on, {_after(start, cut_day)} "
                f"(entry {cut_no}) of {names(ids)}; a year has passed on "
                f"{years_later(cut_day, 1)}"
            ),
        )


def _after(day: date, cut: date) -> str:
    """How far a day is from a cut."""
    n_days = (day - cut).days
    if n_days > 0:
        return f"{counted(n_days, 'day')} after the cut of {cut}"
    if n_days == 0:
        return f"the day of the cut of {cut}"
    return f"{counted(-n_days, 'day')} before the cut that was made on {cut}"


def _cuts_too_soon(
    cuts: dict[str, list[MadeCut]],
) -> Iterator[tuple[tuple[str, ...], str]]:
    """Cuts of one tree that were made within a year of each other."""
    groups: dict[tuple[MadeCut, MadeCut], list[str]] = {}
    for crown, mine in cuts.items():
        for first, second in pairwise(mine):
            if second.day < years_later(first.day, 1):
                groups.setdefault((first, second), []).append(crown)
    for (first, second), ids in groups.items():
        both = ""
        if first.year and _is_one_stage(first, second):
            both = (
                f"; both are of year {first.year} of the plan: if they are one cut, correct the "
                "entry whose day is wrong"
            )
        yield (
            tuple(ids),
            (
                f"{names(ids)} cut twice within a year: {first.day} (entry {first.number}) and "
                f"{second.day} (entry {second.number}), {_after(second.day, first.day)}; a year "
                f"had passed on {years_later(first.day, 1)}{both}"
            ),
        )


def _is_one_stage(one: MadeCut, two: MadeCut) -> bool:
    """Whether two cuts are of one year of one plan."""
    is_plan = one.plan_sha256 == two.plan_sha256 or "" in (one.plan_sha256, two.plan_sha256)
    return is_plan and one.year == two.year


def _plans_twice(entries: Sequence[Kept]) -> Iterator[tuple[tuple[str, ...], str]]:
    """One plan that was entered more than once."""
    seen: dict[str, list[int]] = {}
    for one in entries:
        if one.entry.kind == "plan" and one.entry.plan_sha256:
            seen.setdefault(one.entry.plan_sha256, []).append(one.number)
    for numbers in seen.values():
        if len(numbers) > 1:
            told = f"{', '.join(map(str, numbers[:-1]))} and {numbers[-1]}"
            yield (), f"one plan was entered {len(numbers)} times: entries {told}"


def _told_twice(entries: Sequence[Kept]) -> Iterator[tuple[tuple[str, ...], str]]:
    """What was cut, read or verified, entered more than once with the same figures and day."""
    seen: dict[str, list[Kept]] = {}
    for one in entries:
        told = one.entry
        if told.kind in ("cut", "reading", "verification"):
            trees = sorted(repr(replace(tree, words="")) for tree in told.trees)
            seen.setdefault(repr((told.kind, told.day, told.plan_sha256, trees)), []).append(one)
    for same in seen.values():
        if len(same) > 1:
            kind, numbers = same[0].entry.kind, [str(one.number) for one in same]
            yield (
                tuple(dict.fromkeys(tree.crown_id for tree in same[0].entry.trees)),
                f"one {kind} was entered {len(same)} times: entries {', '.join(numbers[:-1])} and "
                f"{numbers[-1]} tell the same",
            )


def _over_share(entries: Sequence[Kept]) -> Iterator[tuple[tuple[str, ...], str]]:
    """Trees of which more than the yearly share came off, by what was verified."""
    plans = {one.entry.plan_sha256: one.entry for one in entries if one.entry.kind == "plan"}
    rule, others = _rule(YEARLY_RULE), _no_mangroves(entries)
    for one in entries:
        if one.entry.kind != "verification":
            continue
        own = plans.get(one.entry.plan_sha256)
        for tree in one.entry.trees:
            limit = _of_plan(own, "yearly_frac", tree.crown_id)
            if (own is not None and limit is None) or tree.crown_id in others:
                continue  # the share does not bind on this tree
            share = rule.limit.number if limit is None else limit
            past = _past(rule, share, tree.removed_frac, tree.removed_error_frac, one.entry)
            if not past:
                continue
            words = "more than" if past == OVER else f"{past} against"
            where = f", where the yearly share binds ({rule.section})"
            if own is not None:
                where = f" ({own.details.get('yearly_by', {}).get(tree.crown_id, 'by the plan')})"
            yield (
                (tree.crown_id,),
                f"tree {tree.crown_id}: {share_words(tree)} of the foliage taken, {words} the "
                f"{100 * share:g} % a year{where} (entry {one.number})",
            )


def _past(rule: Rule, number: float, value: float, error: float, entry: Entry) -> str:
    """``OVER``, ``CLOSE`` or "": the verdict as a verification has it, at its own confidence."""
    kept = entry.details.get("confidence_frac")
    confidence = float(kept) if isinstance(kept, (int, float)) else CONFIDENCE_FRAC
    code = replace(rule.limit, number=number).judge(value, error, confidence)
    return {NOT_MET: OVER, TOO_CLOSE: CLOSE}.get(int(code), "")


def _no_mangroves(entries: Iterable[Kept]) -> set[str]:
    """Trees that some entry tells to be of a species that is none: no limit of the act is theirs.

    What was told last counts.
    """
    told = {
        tree.crown_id: tree.species for one in entries for tree in one.entry.trees if tree.species
    }
    return {crown for crown, species in told.items() if is_mangrove(species) is False}


def _under_floor(
    entries: Sequence[Kept], cuts: dict[str, list[MadeCut]]
) -> Iterator[tuple[tuple[str, ...], str]]:
    """Trees whose last reading is under the least height after trimming."""
    plan, rule, others = latest_plan(entries), _rule(FLOOR_RULE), _no_mangroves(entries)
    last: dict[str, tuple[date, int, TreeEntry, Entry]] = {}
    for one in entries:
        if one.entry.kind in ("reading", "verification"):
            for tree in one.entry.trees:
                if math.isfinite(tree.height_ft) and tree.crown_id not in others:
                    told = (day_of(one.entry, tree), one.number, tree, one.entry)
                    if tree.crown_id not in last or last[tree.crown_id][:2] <= told[:2]:
                        last[tree.crown_id] = told
    for crown, (day, number, tree, entry) in last.items():
        own = None if plan is None else _of_plan(plan.entry, "floor_ft", crown)
        floor = rule.limit.number if own is None else own
        past = _past(rule, floor, tree.height_ft, tree.height_error_ft, entry)
        if not past:
            continue
        words = "under" if past == OVER else f"{past} against"
        why = f" ({rule.section})" if own is None else " of its plan"
        cut = "" if crown in cuts else "; no cut of it is entered"
        yield (
            (crown,),
            f"tree {crown}: {height_words(tree)} ft read on {day}, {words} the least height "
            f"{floor:g} ft{why} (entry {number}){cut}",
        )


def _of_plan(plan: Entry | None, what: str, crown_id: str) -> float | None:
    """A figure that a plan's entry keeps of a tree, None where it has none."""
    kept = None if plan is None else plan.details.get(what)
    value = kept.get(crown_id) if isinstance(kept, dict) else None
    return float(value) if isinstance(value, (int, float)) and math.isfinite(value) else None


def _rule(name: str) -> Rule:
    return rule_set().rules[name]
