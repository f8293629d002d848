"""From the words of ``geotrim enter`` to entries of a ledger."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from geotrim.cli.parser import number_of
from geotrim.errors import GeotrimError
from geotrim.handover import ledger as made
from geotrim.io.ledger import Kept, in_force
from geotrim.io.ledger_entry import Entry

if TYPE_CHECKING:
    from geotrim.io.package_read import Package

#: Kind -> options that only it takes.
OF_KIND = {
    "plan": (),
    "cut": ("year", "trees"),
    "reading": ("readings", "readings_height_unit", "readings_height_rmse_ft"),
    "note": (),
}


def check_words(args: argparse.Namespace) -> None:
    """Refuse options that do not go together, before any file is opened."""
    if args.kind not in OF_KIND:
        mend = "geotrim verify enters it" if args.kind == "verification" else "choose one"
        if args.kind == "correction":
            mend = "say what stands now, and --corrects N"
        raise GeotrimError("--kind", repr(args.kind), f"one of {', '.join(OF_KIND)}", mend)
    for kind, options in OF_KIND.items():
        for option in options:
            if kind != args.kind and getattr(args, option) is not None:
                name = f"--{option.replace('_', '-')}"
                raise GeotrimError(
                    name, f"it beside --kind {args.kind}", f"--kind {kind}", "leave one out"
                )
    needed = {
        "plan": ("package", "the plan's result package"),
        "cut": ("trees", "the trees that were cut, or all"),
        "reading": ("readings", "the table of readings"),
        "note": ("words", "what is to be remembered"),
    }
    option, what = needed[args.kind]
    if not getattr(args, option):
        raise GeotrimError("command line", f"no --{option}", what, f"say --{option}")


def entries_of(
    args: argparse.Namespace, package: Package | None, kept: Sequence[Kept]
) -> list[Entry]:
    """What the words ask to be entered; one entry, or one a lot and day."""
    today = date.today()
    day = today if args.date is None else made.day_of(args.date, "--date")
    if args.kind in ("cut", "reading"):
        made.check_past(day, today, "--date")
    if package is not None and args.lot is not None:
        _lot(package, args.lot)
    make = {"plan": _plans, "cut": _cuts, "reading": _readings, "note": _notes}[args.kind]
    entries = make(args, package, kept, day)
    if args.corrects is None:
        return entries
    if len(entries) > 1:
        lots = ", ".join(dict.fromkeys(entry.lot_id for entry in entries))
        raise GeotrimError(
            "--corrects",
            f"{len(entries)} entries (lots {lots}) for the one that is corrected",
            "one entry in the place of one",
            "choose a lot with --lot, or give readings of one day",
        )
    number = whole(args.corrects, "--corrects")
    first = made.corrected(kept, number, args.ledger)
    if args.kind == "note" and args.lot is None:
        entries = [replace(entries[0], lot_id=first.lot_id)]
    made.check_correction(first, args.kind, entries[0].lot_id)
    return [made.as_correction(entries[0], number, first)]


def new_lots(entries: Sequence[Entry], package: Package | None, kept: Sequence[Kept]) -> list[str]:
    """Lots that neither the package nor the ledger has told of till now, in words.

    A ledger need not know every lot of its site, so such an entry is taken; it may be a slip.
    """
    known = {one.entry.lot_id for one in kept if one.entry.lot_id}
    known |= set() if package is None else {*package.lot_ids()}
    new = dict.fromkeys(one.lot_id for one in entries if one.lot_id and one.lot_id not in known)
    some = ", ".join(sorted(known)[:10])
    return [
        f"lot {lot!r} is new to this ledger, which has told of {some}; if it is a slip, withdraw "
        "the entry: --kind note --corrects N"
        for lot in (new if known else ())
    ]


def whole(text: str, option: str) -> int:
    """A whole number from 1."""
    value = number_of(text, option)
    if value != int(value) or value < 1:
        raise GeotrimError(option, repr(text), "a whole number from 1", "correct it")
    return int(value)


def _plans(
    args: argparse.Namespace, package: Package | None, kept: Sequence[Kept], day: date
) -> list[Entry]:
    """The plan of the lot asked for, or of every lot that has one."""
    assert package is not None
    lots = package.lot_ids() if args.lot is None else [_lot(package, args.lot)]
    words, entries = args.words or "", []
    for lot in lots:
        try:
            entries.append(made.plan_entry(package, lot, who=args.who, day=day, words=words))
        except GeotrimError:
            if lot == lots[-1] and not entries:
                raise
    return entries


def _cuts(
    args: argparse.Namespace, package: Package | None, kept: Sequence[Kept], day: date
) -> list[Entry]:
    """What was cut, by the package's plan, or by the latest one in the ledger."""
    if package is None:
        plan = made.latest_plan(in_force(kept), args.lot)
    else:
        lot = package.lot_ids()[0] if args.lot is None else _lot(package, args.lot)
        if args.lot is None and len(package.lot_ids()) > 1:
            raise _which_lot(package)
        plan = made.plan_entry(package, lot, who=args.who, day=day)
    known = made.known_trees(kept, plan.lot_id)
    if package is not None:
        known |= {str(one) for one in package.rows("crowns", plan.lot_id)["crown_id"]}
    known |= {tree.crown_id for tree in plan.trees}
    cut = made.cut_entry(
        plan,
        _trees(args.trees, known),
        year=None if args.year is None else whole(args.year, "--year"),
        who=args.who,
        day=day,
        words=args.words or "",
        known=known,
    )
    if not cut.trees:
        raise GeotrimError("--trees", "no tree", "one or more", "name what was cut")
    return [cut]


def _readings(
    args: argparse.Namespace, package: Package | None, kept: Sequence[Kept], day: date
) -> list[Entry]:
    """Readings from a table."""
    from geotrim.io.cut_readings import check_belongs, read_cut_readings
    from geotrim.io.files import sha256_of

    rmse = args.readings_height_rmse_ft
    table, notes = read_cut_readings(
        args.readings,
        height_unit=args.readings_height_unit,
        height_rmse_ft=None if rmse is None else number_of(rmse, "--readings-height-rmse-ft"),
        subject="--readings",
        is_each_day=True,
    )
    lot_of = {t.crown_id: one.entry.lot_id for one in in_force(kept) for t in one.entry.trees}
    crowns = None if package is None else package.rows("crowns")
    if package is not None:
        owner = check_belongs(table, crowns, plan_sha256=package.sha256, subject="--readings")
        lot_of |= {crown: lot for crown, lot in owner.items() if lot is not None}
    path = Path(args.readings).expanduser()
    return made.reading_entries(
        table,
        lot_of,
        args.lot,
        who=args.who,
        day=day,
        today=date.today(),
        plan_sha256="" if package is None else package.sha256,
        words=args.words or "",
        details={
            "file": path.name,
            "file_sha256": sha256_of(path)[0],
            "notes": [str(note) for note in notes],
        },
    )


def _notes(
    args: argparse.Namespace, package: Package | None, kept: Sequence[Kept], day: date
) -> list[Entry]:
    """Something to remember."""
    lots = {one.entry.lot_id for one in kept} if package is None else {*package.lot_ids()}
    lot = args.lot if args.lot is not None else lots.pop() if len(lots) == 1 else ""
    plan = "" if package is None else package.sha256
    return [Entry("note", day, args.who, lot, plan_sha256=plan, words=args.words)]


def _trees(told: list[str], known: set[str]) -> list[str] | None:
    """Ids of trees as they were typed; None for all. An id may hold a comma itself."""
    out: list[str] = []
    for text in told:
        if text.strip() == "all" and "all" not in known:
            return None
        parts = [text] if text in known else [part.strip() for part in text.split(",")]
        out += [part for part in parts if part]
    return out


def _lot(package: Package, lot: str) -> str:
    if lot in package.lot_ids():
        return lot
    known = ", ".join(package.lot_ids()[:10])
    raise GeotrimError("--lot", f"no lot {lot!r} in the package", f"one of {known}", "check it")


def _which_lot(package: Package) -> GeotrimError:
    known = ", ".join(package.lot_ids()[:10])
    return GeotrimError("--lot", "none", f"one of {known}", "say which lot it is about")
