"""The commands ``enter`` and ``history``: a site's ledger written and read."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from geotrim.cli import COMMANDS
from geotrim.cli.parser import Parser
from geotrim.errors import GeotrimError

if TYPE_CHECKING:
    from geotrim.io.ledger_entry import Entry

CAUTION = (
    "A ledger tells what was entered, not what is so. Keep copies of the file, and of the last "
    "hash that --check prints."
)


def enter_parser() -> Parser:
    """Parser of ``geotrim enter``."""
    about = (
        f"{COMMANDS['enter']} Entries are only added: with --corrects N the new one stands in the"
        " place of entry N, which stays to be read. What was verified is entered by geotrim verify."
    )
    parser = Parser("enter", about, "enter LEDGER --kind KIND --who NAME [options]")
    add = parser.add_argument
    add("ledger", metavar="LEDGER", help="the site's one file, x.ledger; made where it is new")
    add("--kind", metavar="KIND", required=True, help="what it is: plan, cut, reading, note")
    add("--who", metavar="NAME", required=True, help="who issued, did, read or says it")
    add("--date", metavar="DAY", help="the day of it, such as 2027-01-11 [today]")
    add("--lot", metavar="ID", help="lot it is about [of a plan all, else the only one]")
    add("--package", metavar="FOLDER", help="result package that has the plan")
    add("--year", metavar="N", help="of a cut: which year of the plan")
    several = "of a cut: ids of the trees, or all that year's (may be said again)"
    add("--trees", metavar="ID,ID,...", action="append", help=several)
    add("--readings", metavar="FILE", help="readings, as the crew page exports them")
    unit = "their unit where no column tells it: ft, us-ft, m"
    add("--readings-height-unit", metavar="UNIT", help=unit)
    rmse = "standard error of one reading that states none, ft"
    add("--readings-height-rmse-ft", metavar="FT", help=rmse)
    add("--words", metavar="TEXT", help="what else is to be remembered")
    add("--corrects", metavar="N", help="number of the entry in whose place this one stands")
    add("--site", metavar="NAME", help="name of the site, for a new ledger without a package")
    add("--other-site", action="store_true", help="take a package whose site has another name")
    return parser


def run_enter(words: list[str]) -> int:
    """Enter something; tell what, and under which number."""
    args = enter_parser().parse_args(words)
    from geotrim.cli.ledger_enter import check_words, entries_of, new_lots
    from geotrim.handover.ledger import struck_too
    from geotrim.io import ledger
    from geotrim.io.ledger_open import is_begun
    from geotrim.io.package_read import read_package

    check_words(args)
    path = Path(args.ledger).expanduser()
    is_new = not is_begun(path)
    package = None if args.package is None else read_package(args.package)
    kept = () if is_new else ledger.read(path).entries
    if not is_new:
        ledger.check_holds(path)
    site = args.site or ""
    if package is not None and (is_new or not args.other_site):
        site = site or package.site_name
    entries = entries_of(args, package, kept)
    numbers = ledger.append(path, entries, site=site)
    if is_new:
        print(f"new ledger: {path}, of the site {ledger.read(path).site!r}")
    for number, entry in zip(numbers, entries, strict=True):
        print(_entered(number, entry))
        for told in struck_too(kept, entry.corrects):
            print(told)
    for told in new_lots(entries, package, kept):
        print(told)
    if package is not None and package.changed:
        print(f"changed since geotrim wrote them: {', '.join(package.changed)}")
    _tell_warnings(path, [entry.lot_id for entry in entries])
    return 0


def history_parser() -> Parser:
    """Parser of ``geotrim history``."""
    parser = Parser("history", f"{COMMANDS['history']} {CAUTION}", "history LEDGER [options]")
    add = parser.add_argument
    add("ledger", metavar="LEDGER", help="the site's file, as geotrim enter made it")
    add("--lot", metavar="ID", help="a lot [all]")
    add("--tree", metavar="ID", help="a tree's life, instead of a lot's")
    add("--all", action="store_true", help="what was corrected too, struck out")
    add("--figure", metavar="FILE", help="draw it: .png, .svg or .pdf")
    add("--csv", metavar="FILE", help="the table, a row for each entry and tree")
    add("--replace", action="store_true", help="let files of these names go, at the end")
    add("--check", action="store_true", help="only check that nothing was lost or changed")
    holds = "with --check: a hash noted earlier, which must still be in it"
    add("--holds", metavar="SHA256", help=holds)
    return parser


def run_history(words: list[str]) -> int:
    """Tell what a ledger has of a lot or a tree."""
    args = history_parser().parse_args(words)
    from geotrim.io import ledger

    if args.holds is not None and not args.check:
        raise GeotrimError("--holds", "no --check", "both or none", "say --check too")
    if args.check:
        return _check(args)
    from geotrim.report.history_lines import lines_of
    from geotrim.report.history_text import history_text

    read = ledger.read(args.ledger)
    lines = lines_of(read, args.lot, args.tree, is_all=args.all)
    if args.csv is not None:
        from geotrim.report.history_csv import write_lines

        write_lines(Path(args.csv), lines, is_replacing=args.replace)
    unknown: set[str] = set()
    if args.figure is not None:
        from geotrim.report.history_figure import draw_history

        unknown = draw_history(
            Path(args.figure), read, args.lot, args.tree, is_replacing=args.replace
        )
    print(history_text(read, lines, args.lot, args.tree))
    _tell_warnings(Path(args.ledger), [] if args.lot is None else [args.lot], args.tree)
    written = [str(one) for one in (args.csv, args.figure) if one is not None]
    if written:
        print(f"\nwritten: {', '.join(written)}")
    if unknown:
        print(f"letters the figure cannot show, drawn as boxes: {' '.join(sorted(unknown))}")
    return 0


def _check(args: argparse.Namespace) -> int:
    """Whether a ledger is whole; 2 where it is not."""
    from geotrim.io import ledger

    found = ledger.check(args.ledger)
    faults = list(found.faults)
    if args.holds is not None:
        known = {one.sha256 for one in ledger.read(args.ledger).entries}
        if args.holds.strip().lower() not in known:
            faults.append(f"no entry has the hash {args.holds}")
    if faults:
        raise GeotrimError(
            f"ledger {args.ledger}",
            "; ".join(faults),
            "every entry as it was written",
            "put back a copy from before, and enter anew what is missing in it",
        )
    print(f"whole: {found.n_entries} entries, the last number {found.last_number}")
    if found.last_sha256:
        print(f"hash of the last, which names all before it: {found.last_sha256}")
    return 0


def _entered(number: int, entry: Entry) -> str:
    """What was entered, on one line."""
    from geotrim.report.history_text import entry_words

    return f"entered as {number}: {entry_words(entry)}"


def _tell_warnings(path: Path, lots: list[str], tree: str | None = None) -> None:
    """Print what a reader of the ledger should look at."""
    from geotrim.io import ledger
    from geotrim.report.history_warnings import warnings_of

    read, found = ledger.read(path), ledger.check(path)
    told = warnings_of(ledger.in_force(read.entries))
    told = [one for one in told if not lots or one.lot_id in lots]
    told = [one for one in told if tree is None or tree in one.crown_ids or not one.crown_ids]
    if told or found.faults:
        print()
    for fault in found.faults:
        print(f"warning: the chain of entries is broken: {fault}")
    for one in told:
        print(f"warning: {one.words}")
