"""Whether a ledger is whole: its chain of hashes, its numbers, its corrections, its file."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass, replace

from geotrim.errors import GeotrimError
from geotrim.io.ledger_entry import KINDS, Entry
from geotrim.io.ledger_schema import first_link, schema_faults
from geotrim.io.ledger_text import entry_of, link, value_of


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check found.

    n_entries : entries that are there.
    last_number, last_sha256 : of the last one; its hash names everything before it. A copy of it
        kept elsewhere shows whether the file was written anew from start to end.
    faults : what is wrong, in words; none where the ledger is whole.
    chain_faults : those of them after which no entry may follow: something was lost or changed. The
        others are about the file's own tables and triggers.
    """

    n_entries: int
    last_number: int
    last_sha256: str
    faults: tuple[str, ...]
    chain_faults: tuple[str, ...] = ()

    @property
    def is_whole(self) -> bool:
        """Whether nothing was lost, changed or put in between."""
        return not self.faults


def check_connection(connection: sqlite3.Connection) -> Checked:
    """Check every entry of an open ledger against the chain."""
    faults = [str(row[0]) for row in connection.execute("PRAGMA integrity_check")]
    faults = [] if faults == ["ok"] else [f"the file is damaged: {one}" for one in faults]
    schema = schema_faults(connection)
    sites = connection.execute("SELECT name, created_utc, geotrim FROM site").fetchall()
    if len(sites) != 1:
        faults.append(f"{len(sites)} rows tell the site, not 1")
        return Checked(0, 0, "", (*schema, *faults), tuple(faults))
    previous, number = _first(sites[0]), 0
    seen: list[int] = []
    columns = "number, written_utc, geotrim, body, previous_sha256, sha256"
    for row in connection.execute(f"SELECT {columns} FROM entries ORDER BY number"):
        at, own = int(row[0]), str(row[5])
        if at != number + 1:
            lost = f"{number + 1}" if at == number + 2 else f"{number + 1} to {at - 1}"
            faults.append(f"before entry {at} the numbers {lost} are missing")
        faults += _entry_faults(row, previous, seen)
        seen.append(at)
        number, previous = at, own
    faults += _cut_off(connection, number)
    last = previous if seen else ""
    return Checked(len(seen), number, last, (*schema, *faults), tuple(faults))


def last_link(
    connection: sqlite3.Connection, site: tuple[str, str, str], where: str
) -> tuple[int, str]:
    """Number and hash of the last entry, which the next one follows; checked by themselves.

    The whole chain takes long where there are many entries; a writer looks at its end.

    Raises
    ------
    GeotrimError
        If the last entry was changed, or one after it is missing.
    """
    columns = "number, written_utc, geotrim, body, previous_sha256, sha256"
    row = connection.execute(
        f"SELECT {columns} FROM entries ORDER BY number DESC LIMIT 1"
    ).fetchone()
    if row is None:
        number, own, faults = 0, _first(site), []
    else:
        number, own = int(row[0]), str(row[5])
        faults = _entry_faults(row, str(row[4]), [*range(1, number)])
    refuse_broken((*faults, *_cut_off(connection, number)), where)
    return number, own


def refuse_broken(faults: Iterable[str], where: str) -> None:
    """Refuse to add to a chain that does not hold.

    Raises
    ------
    GeotrimError
        If there are faults.
    """
    if told := "; ".join(faults):
        raise GeotrimError(
            where,
            f"that its chain does not hold: {told}",
            "every entry as it was written, before another follows; nothing was entered",
            "put back a copy from before, and enter anew what is missing in it; keep this file, "
            "which geotrim history still reads as far as it goes",
        )


def _first(site: tuple[str, str, str]) -> str:
    name, created, geotrim = site
    try:
        return first_link(value_of(name), created, geotrim)
    except (ValueError, TypeError):
        return "no name"


def _entry_faults(row: tuple[object, ...], previous: str, seen: list[int]) -> list[str]:
    at, written, geotrim, body, told_previous, own = row
    if not all(isinstance(part, str) for part in row[1:]):
        return [f"entry {at} holds what is no text"]
    faults = []
    if told_previous != previous:
        faults.append(f"entry {at} does not follow the one before it")
    if link(int(str(at)), str(written), str(geotrim), str(body), str(told_previous)) != own:
        faults.append(f"entry {at} was changed")
    try:
        entry = entry_of(str(body))
        check_entry(entry, seen)
    except (GeotrimError, ValueError, TypeError, KeyError) as error:
        faults.append(f"entry {at} cannot be read ({error})")
    return faults


def _cut_off(connection: sqlite3.Connection, last: int) -> list[str]:
    """Entries missing at the end, by the highest number that was ever given."""
    row = connection.execute("SELECT seq FROM sqlite_sequence WHERE name = 'entries'").fetchone()
    highest = 0 if row is None else int(row[0])
    if highest == last:
        return []
    return [f"the last entry is {last}, but number {highest} was given"]


def check_entry(entry: Entry, known: Iterable[int]) -> None:
    """Refuse an entry that does not say what an entry must.

    Parameters
    ----------
    entry : Entry
    known : iterable of int
        Numbers of the entries before it.

    Raises
    ------
    GeotrimError
        If its kind is unknown, nobody signed it, a tree has no id, or it corrects what is not
        there.
    """
    kinds = ", ".join(KINDS)
    if entry.kind not in KINDS:
        raise GeotrimError("kind", repr(entry.kind), f"one of {kinds}", "choose one")
    if not entry.who.strip():
        raise GeotrimError("who", "no name", "who did, read or issued it", "say the name")
    if any(not tree.crown_id for tree in entry.trees):
        raise GeotrimError("trees", "a tree without an id", "an id for each", "name the tree")
    if entry.kind != "correction":
        if entry.corrects is not None or entry.corrected_kind:
            raise GeotrimError(
                "kind", f"a {entry.kind} that corrects", "a correction", "say what it corrects"
            )
        return
    if entry.corrected_kind not in KINDS or entry.corrected_kind == "correction":
        raise GeotrimError(
            "kind",
            f"a correction that is {entry.corrected_kind or 'nothing'}",
            f"one of {kinds}, but a correction",
            "say what stands in the place of the corrected entry",
        )
    if entry.corrects is None or entry.corrects not in known:
        raise GeotrimError(
            "corrects",
            f"entry {entry.corrects}, which is not there",
            "the number of an earlier entry",
            "look it up with geotrim history",
        )


def as_it_stands(entry: Entry) -> Entry:
    """A correction as what it puts in the place of the corrected entry; others as they are."""
    if entry.kind != "correction":
        return entry
    return replace(entry, kind=entry.corrected_kind)
