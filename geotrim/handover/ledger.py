"""Entries of a ledger, made from a package, from a plan that is in the ledger, or from readings."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from geotrim.errors import GeotrimError, LayerError
from geotrim.io.ledger import Kept, superseded
from geotrim.io.ledger_entry import Entry, TreeEntry
from geotrim.io.package_read import Package
from geotrim.report.furniture import counted
from geotrim.report.window_facts import Cut, Plan, plan_of

NAN = float("nan")


def plan_entry(package: Package, lot_id: str, *, who: str, day: date, words: str = "") -> Entry:
    """The plan of a lot as an entry: every planned cut with its year, earliest day and share.

    ``details`` keeps what a later reader needs without the package: ``yearly_frac`` and who asks
    for it (``yearly_by``), ``floor_ft``, the limit without its margin, of the trees that such a
    limit binds; ``top_height_ft`` and ``top_error_ft`` of all that are cut; ``canopy_model``,
    ``package`` and ``changed_files`` by name.

    Raises
    ------
    LayerError
        If nothing is planned on the lot.
    """
    plan = plan_of(package.results, lot_id)
    if plan is None or not plan.cuts:
        why = "" if plan is None else plan.why_no_window
        raise LayerError(
            f"lot {lot_id}",
            f"no planned cut in {package.folder.name}{f' ({why})' if why else ''}",
            "a window, or planned heights",
            "run with a target, or name another lot with --lot",
        )
    trees = tuple(
        _planned(cut, _row(package, "stage_cuts", lot_id, cut), crown, plan)
        for crown_id in plan.cuts
        for crown in [_one(package.rows("crowns"), "crown_id", crown_id)]
        for cut in plan.cuts[crown_id]
    )
    details = {
        "package": package.folder.name,
        "changed_files": list(package.changed),
        **_limits(package, lot_id, plan.cuts),
    }
    return Entry("plan", day, who, lot_id, trees, package.sha256, words, details=details)


def _planned(
    cut: Cut, staged: Mapping[str, Any], crown: Mapping[str, Any], plan: Plan
) -> TreeEntry:
    """One planned cut; what comes off a tree whose cut is not staged is the window's."""
    is_top = math.isnan(_number(staged, "to_ft")) if staged else math.isinf(cut.high_ft)
    share = _number(staged, "removed_of_standing_frac") if staged else NAN
    if not staged and plan.is_window:
        share = _number(crown, "window_removed_frac", _number(crown, "removed_frac"))
    return TreeEntry(
        cut.crown_id,
        height_ft=_number(staged or crown, "height_after_ft"),
        cut_low_ft=cut.low_ft,
        cut_high_ft=math.inf if is_top else cut.high_ft,
        removed_frac=share,
        year=cut.year,
        date=cut.date,
        species=_text(crown, "species"),
        words="top lowered" if is_top else "band cleared under a kept top",
    )


def _limits(package: Package, lot_id: str, cuts: Iterable[str]) -> dict[str, Any]:
    """Limits of the trees that are cut, and their tops before the first cut."""
    told: dict[str, Any] = {
        name: {} for name in ("yearly_frac", "yearly_by", "floor_ft", "top_height_ft")
    }
    told |= {"top_error_ft": {}, "canopy_model": ""}
    margin = float(package.parameter("stages", "floor_margin_ft", 0.0))
    trees, crowns = package.rows("stage_trees", lot_id), package.rows("crowns")
    for crown_id in cuts:
        tree, crown = _one(trees, "crown_id", crown_id), _one(crowns, "crown_id", crown_id)
        measured = _number(crown, "top_height_ft")
        told["top_height_ft"][crown_id] = _number(tree, "top_height_ft", measured)
        told["top_error_ft"][crown_id] = _number(crown, "height_error_ft")
        if by := _text(tree, "share_binds"):
            told["yearly_frac"][crown_id] = _number(tree, "share_limit_frac")
            told["yearly_by"][crown_id] = by
        if math.isfinite(floor := _number(tree, "floor_ft")):
            told["floor_ft"][crown_id] = floor - margin
        told["canopy_model"] = told["canopy_model"] or _text(tree, "canopy_model")
    return told


def cut_entry(
    plan: Entry,
    trees: Sequence[str] | None,
    *,
    year: int | None,
    who: str,
    day: date,
    words: str = "",
    known: Iterable[str] = (),
) -> Entry:
    """What was cut, as the plan has it; how much came off is for readings to tell.

    Parameters
    ----------
    plan : Entry
        The plan that was cut by, of the lot.
    trees : sequence of str, optional
        Ids; None: all that the plan cuts in that year.
    year : int, optional
        Year of the plan; None where the plan has one.
    known : iterable of str
        Ids of trees that are known beside those of the plan.

    Raises
    ------
    LayerError
        If the plan has no such year, or a tree is not known.
    """
    years = sorted({tree.year for tree in plan.trees})
    year = _year(year, years)
    planned = {tree.crown_id: tree for tree in plan.trees if tree.year == year}
    every = {tree.crown_id for tree in plan.trees} | set(known)
    lost = [one for one in trees or () if one not in every]
    if lost:
        raise LayerError(
            "--trees",
            f"no tree {lost[0]!r}",
            f"trees of lot {plan.lot_id}, as {', '.join(sorted(every)[:8])}",
            "check the id, or name the package that has it with --package",
        )
    chosen = [*planned] if trees is None else [*dict.fromkeys(trees)]
    cut = tuple(_cut(one, planned.get(one), year) for one in chosen)
    details = {} if trees is None else {"not_told": [one for one in planned if one not in chosen]}
    return Entry("cut", day, who, plan.lot_id, cut, plan.plan_sha256, words, details=details)


def _cut(crown_id: str, planned: TreeEntry | None, year: int) -> TreeEntry:
    if planned is None:
        words = f"not planned in year {year}" if year else "not in the plan"
        return TreeEntry(crown_id, year=year, is_done=True, words=words)
    return replace(planned, date="", is_done=True, words=f"{planned.words}, as planned")


def _year(year: int | None, years: list[int]) -> int:
    if year is None and len(years) == 1:
        return years[0]
    if year in years:
        return int(year)
    told = ", ".join(map(str, years))
    if years == [0]:
        raise LayerError("--year", f"{year}", "a plan of several years", "leave --year out")
    raise LayerError(
        "--year", "none" if year is None else f"{year}", f"one of {told}", "say which was cut"
    )


def latest_plan(kept: Iterable[Kept], lot_id: str | None) -> Entry:
    """The latest plan in force of a lot, or of the only lot that has one.

    Raises
    ------
    LayerError
        If there is none, or several lots have one and none is named.
    """
    kept = list(kept)
    plans = {one.entry.lot_id: one.entry for one in kept if one.entry.kind == "plan"}
    if lot_id is None and len(plans) == 1:
        return next(iter(plans.values()))
    if lot_id in plans:
        return plans[lot_id]
    if lot_id is None and plans:
        raise LayerError("--lot", "none", f"one of {', '.join(plans)}", "say which lot it is about")
    about = "no plan" if lot_id is None else f"no plan of lot {lot_id}"
    for one in kept:
        if one.entry.details.get("withdraws") == "plan" and lot_id in (None, one.entry.lot_id):
            raise LayerError(
                "ledger",
                f"{about} in it any more: entry {one.number} withdrew it",
                "the plan that was cut by",
                "enter the plan that counts, or name --package",
            )
    raise LayerError(
        "ledger", f"{about} in it", "the plan that was cut by", "enter it, or name --package"
    )


def _read_rows(table: Any) -> list[tuple[TreeEntry, Mapping[str, Any]]]:
    """Readings, as ``io/cut_readings.py`` has them, each with its row; empty rows go."""
    out = []
    for row in table.to_dict("records"):
        heights = [_number(row, f"{name}_ft") for name in ("height", "cleared_from", "cleared_to")]
        note, is_done = _text(row, "note"), row.get("is_done")
        if not note and is_done is None and not any(map(math.isfinite, heights)):
            continue
        tree = TreeEntry(
            str(row["crown_id"]),
            height_ft=heights[0],
            height_error_ft=_number(row, "height_error_ft"),
            cut_low_ft=heights[1],
            cut_high_ft=heights[2],
            year=int(row["year"]),
            date=_text(row, "date"),
            reader=_text(row, "reader"),
            is_done=None if is_done is None else bool(is_done),
            words=note,
        )
        out.append((tree, row))
    return out


def reading_entries(
    table: Any,
    lot_of: Mapping[str, str],
    lot_id: str | None,
    *,
    who: str,
    day: date,
    today: date,
    plan_sha256: str = "",
    words: str = "",
    details: Mapping[str, Any] | None = None,
) -> list[Entry]:
    """Readings as entries, one for each lot and day.

    Parameters
    ----------
    table : DataFrame
        As :func:`geotrim.io.cut_readings.read_cut_readings` gives it.
    lot_of : mapping
        Crown id -> lot id, as far as known; what the table says of a tree goes before it.
    lot_id : str, optional
        The lot of trees of which neither tells it.
    day : date
        Of readings that tell no day.
    plan_sha256 : str
        Of the plan that they were held against, "" where none was named.

    Raises
    ------
    GeotrimError
        If a reading is of a day to come, or nobody knows a tree's lot, or nothing was read.
    """
    parts: dict[tuple[str, date, str], list[TreeEntry]] = {}
    for tree, row in _read_rows(table):
        lot = _text(row, "lot_id") or lot_of.get(tree.crown_id, lot_id or "")
        if not lot:
            found = f"tree {tree.crown_id!r}, whose lot nobody tells"
            raise LayerError("--readings", found, "the lot of each tree", "say --lot")
        when = day_of(tree.date, "date of a reading") if tree.date else day
        check_past(when, today, "date of a reading")
        key = (lot, when, plan_sha256 or _text(row, "plan_sha256"))
        parts.setdefault(key, []).append(tree)
    if not parts:
        raise LayerError("--readings", "no tree that was read", "one or more", "check the table")
    return [
        Entry("reading", when, who, lot, tuple(own), plan, words, details=dict(details or {}))
        for (lot, when, plan), own in sorted(parts.items())
    ]


def corrected(kept: Sequence[Kept], number: int, path: str) -> Entry:
    """The entry that a correction of some number puts right in the end: what was first entered.

    Raises
    ------
    GeotrimError
        If there is no such entry.
    """
    known = {one.number: one.entry for one in kept}
    if number not in known:
        raise GeotrimError(
            "--corrects",
            f"entry {number}, which is not in {path}",
            "the number of an entry that is there",
            f"look it up: geotrim history {path} --all",
        )
    while known[number].corrects in known:
        number = int(known[number].corrects or 0)
    return known[number]


def struck_too(kept: Sequence[Kept], number: int | None) -> list[str]:
    """What a correction of some entry strikes out beside it: the one that stood there till now.

    Parameters
    ----------
    kept : sequence of Kept
        Before the correction.
    number : int, optional
        Of the entry that it corrects; None: it is no correction.
    """
    standing = None if number is None else superseded(kept).get(number)
    if standing is None:
        return []
    return [
        f"entry {number} was corrected before: entry {standing}, which counted in its place till "
        "now, no longer does; of several corrections the latest counts"
    ]


def check_correction(first: Entry, kind: str, lot_id: str) -> None:
    """Refuse what cannot stand in the place of an entry.

    Only the same kind on the same lot can, or a note, which withdraws it.

    Raises
    ------
    GeotrimError
        If it cannot.
    """
    if kind not in (first.kind, "note"):
        raise GeotrimError(
            "--corrects",
            f"a {kind} in the place of a {first.kind}",
            f"a {first.kind}, or a note, which withdraws the {first.kind}",
            "name the entry you mean, or withdraw this one and enter the other by itself",
        )
    if lot_id != first.lot_id:
        raise GeotrimError(
            "--corrects",
            f"an entry of lot {lot_id or 'none'} in the place of one of {first.lot_id or 'none'}",
            "the same lot",
            "say --lot, or withdraw the entry with --kind note and enter the other by itself",
        )


def as_correction(entry: Entry, number: int, first: Entry | None = None) -> Entry:
    """An entry that stands in the place of an earlier one.

    Parameters
    ----------
    entry : Entry
    number : int
        Of the entry that is put right.
    first : Entry, optional
        What was first entered there: a note in the place of another kind withdraws it, and says so
        in ``details["withdraws"]``.
    """
    details = dict(entry.details)
    if first is not None and entry.kind == "note" and first.kind != "note":
        details["withdraws"] = first.kind
    return replace(
        entry, kind="correction", corrects=number, corrected_kind=entry.kind, details=details
    )


def day_of(text: str, subject: str) -> date:
    """A day from ISO text.

    Raises
    ------
    GeotrimError
        If it is none.
    """
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise GeotrimError(
            subject, repr(text), "a day such as 2027-01-11", "write year, month and day"
        ) from None


def check_past(day: date, today: date, subject: str) -> None:
    """Refuse a day to come for what has happened."""
    if day > today:
        n = counted((day - today).days, "day")
        raise GeotrimError(
            subject,
            f"{day.isoformat()}, {n} from now",
            "the day on which it was done",
            "enter it when it has been done, or correct the day",
        )


def known_trees(kept: Iterable[Kept], lot_id: str) -> set[str]:
    """Ids of the trees of a lot that a ledger tells of."""
    return {tree.crown_id for one in kept if one.entry.lot_id == lot_id for tree in one.entry.trees}


def _row(package: Package, table: str, lot_id: str, cut: Cut) -> Mapping[str, Any]:
    rows = package.rows(table, lot_id)
    if not len(rows) or not cut.year:
        return {}
    return _one(rows[rows["year"] == cut.year], "crown_id", cut.crown_id)


def _one(rows: Any, key: str, value: str) -> Mapping[str, Any]:
    """The row of a table with this id as a mapping, an empty one where there is none."""
    if key not in getattr(rows, "columns", ()):
        return {}
    found = rows[rows[key].astype(str) == value].to_dict("records")
    return found[0] if found else {}


def _number(row: Mapping[str, Any], name: str, default: float = NAN) -> float:
    value = row.get(name)
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return default
    return default if math.isnan(number) else number


def _text(row: Mapping[str, Any], name: str) -> str:
    value = row.get(name)
    return value if isinstance(value, str) else ""
