"""The ledger of a site: what was planned, cut and read over the years. Entries are only added.

One file a site. A number is given inside the transaction that writes the entry, so two writers
never share one, and a number that was told is on the disk. Each entry carries the hash of the one
before it.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import geotrim
from geotrim.errors import FileError, GeotrimError, SiteFileError
from geotrim.io.ledger_check import (
    Checked,
    as_it_stands,
    check_connection,
    check_entry,
    last_link,
    refuse_broken,
)
from geotrim.io.ledger_entry import Entry
from geotrim.io.ledger_open import is_new, reading, writing
from geotrim.io.ledger_schema import make_tables
from geotrim.io.ledger_text import entry_of, entry_text, link, value_of
from geotrim.io.record import now, utc


@dataclass(frozen=True, slots=True)
class Kept:
    """An entry as it is kept.

    number : from 1, in the order of writing.
    written_utc : when it was written down, ISO text.
    sha256, previous_sha256 : its hash, over all of it and the hash of the entry before.
    geotrim : version that wrote it.
    """

    number: int
    written_utc: str
    sha256: str
    previous_sha256: str
    entry: Entry
    geotrim: str = ""


@dataclass(frozen=True, slots=True)
class Ledger:
    """A ledger as it was read.

    site : name of the site, fixed when the file was made.
    entries : in the order of their numbers.
    """

    site: str
    entries: tuple[Kept, ...]
    created_utc: str = ""


def append(path: str | os.PathLike[str], entries: Sequence[Entry], *, site: str = "") -> list[int]:
    """Add entries, all of them or none; a file that is not there is made.

    Parameters
    ----------
    path : path-like
    entries : sequence of Entry
    site : str
        Name of the site: needed for a new file, held against that of an old one. Where it is not
        told nothing is held against it.

    Returns
    -------
    numbers : list of int
        They are on the disk when they are told.

    Raises
    ------
    FileError
        If the file is no ledger, is held by another program for half a minute, or cannot be
        written. Nothing was entered then.
    SiteFileError
        If it is the ledger of another site.
    GeotrimError
        If an entry lacks what an entry must say, or the last one is not as it was written. The
        chain before it is for :func:`check_holds`.
    """
    _check_before(path, entries, site)
    with writing(path) as connection:
        if is_new(connection):
            _need_site(path, site)
            make_tables(connection, site, utc(now()), geotrim.__version__)
        row = _site_row(connection, path)
        name = _name(row[0], path)
        if site and site != name:
            raise SiteFileError(
                f"ledger {path}", f"the site {name!r}", f"that of {site!r}", "name its own ledger"
            )
        number, previous = last_link(connection, row, f"ledger {path}")
        numbers = []
        for entry in entries:
            check_entry(entry, range(1, number + 1))
            number, previous = _insert(connection, number + 1, previous, entry)
            numbers.append(number)
    return numbers


def read(path: str | os.PathLike[str]) -> Ledger:
    """Read a whole ledger.

    Raises
    ------
    FileError
        If the file is no ledger, or cannot be read. A chain that is broken is told by
        :func:`check`, and is no hindrance here.
    """
    with reading(path) as connection:
        name, created, _ = _site_row(connection, path)
        name = _name(name, path)
        rows = connection.execute(
            "SELECT number, written_utc, sha256, previous_sha256, body, geotrim FROM entries"
            " ORDER BY number"
        ).fetchall()
    entries = []
    for number, written, own, previous, body, version in rows:
        try:
            entry = entry_of(body)
        except (ValueError, TypeError, KeyError) as error:
            raise FileError(
                f"ledger {path}",
                f"entry {number}, which cannot be read ({error})",
                "an entry as geotrim wrote it",
                "see geotrim history --check, and put back a copy",
            ) from error
        entries.append(Kept(number, written, own, previous, entry, version))
    return Ledger(name, tuple(entries), created)


def in_force(kept: Iterable[Kept]) -> list[Kept]:
    """Entries with corrections applied, in the order of what they first were.

    A correction stands in the place of what it corrects, as an entry of its ``corrected_kind``,
    with its own number. A correction of a correction corrects what that one did; of several
    corrections of one entry the latest counts.
    """
    entries = sorted(kept, key=lambda item: item.number)
    first = _firsts(entries)
    latest = {first[one.number]: one for one in entries}
    return [
        replace(latest[number], entry=as_it_stands(latest[number].entry))
        for number in sorted(latest)
    ]


def superseded(kept: Iterable[Kept]) -> dict[int, int]:
    """Number of each entry that no longer counts -> number of the one that does in its place."""
    first = _firsts(sorted(kept, key=lambda item: item.number))
    last = {root: number for number, root in first.items()}
    return {number: last[root] for number, root in first.items() if last[root] != number}


def _firsts(entries: Iterable[Kept]) -> dict[int, int]:
    """Number of each entry, in rising order -> number of the entry that it corrects in the end."""
    first: dict[int, int] = {}
    for one in entries:
        corrects = one.entry.corrects
        first[one.number] = one.number if corrects is None else first.get(corrects, corrects)
    return first


def check(path: str | os.PathLike[str]) -> Checked:
    """Check that nothing was lost, changed or put in between.

    Raises
    ------
    FileError
        If the file is no ledger, or is damaged so far that it cannot be read.
    """
    with reading(path) as connection:
        return check_connection(connection)


def check_holds(path: str | os.PathLike[str]) -> None:
    """Refuse a ledger to which nothing should be added, by its whole chain.

    Raises
    ------
    GeotrimError
        If an entry was lost, changed or put in between.
    """
    refuse_broken(check(path).chain_faults, f"ledger {path}")


def _check_before(path: str | os.PathLike[str], entries: Sequence[Entry], site: str) -> None:
    """What can be refused before a file is touched."""
    if not entries:
        raise GeotrimError("entries", "none", "one or more", "say what is to be entered")
    if not Path(path).exists():
        _need_site(path, site)
        for entry in entries:
            check_entry(entry, range(1, len(entries)))


def _need_site(path: str | os.PathLike[str], site: str) -> None:
    if not site.strip():
        raise SiteFileError(
            f"ledger {path}", "no ledger yet", "the site's name to begin one", "say which site"
        )


def _site_row(connection: sqlite3.Connection, path: str | os.PathLike[str]) -> tuple[str, str, str]:
    row = connection.execute("SELECT name, created_utc, geotrim FROM site").fetchone()
    if row is None:
        raise FileError(f"ledger {path}", "no site in it", "a whole ledger", "put back a copy")
    return str(row[0]), str(row[1]), str(row[2])


def _name(text: str, path: str | os.PathLike[str]) -> str:
    """The site's name, of the text that is kept of it."""
    try:
        return str(value_of(text))
    except ValueError as error:
        raise FileError(
            f"ledger {path}",
            "a site whose name cannot be read",
            "the name as geotrim wrote it",
            "put back a copy",
        ) from error


def _insert(
    connection: sqlite3.Connection, number: int, previous: str, entry: Entry
) -> tuple[int, str]:
    """Write one entry; its number and its hash."""
    body, written = entry_text(entry), utc(now())
    own = link(number, written, geotrim.__version__, body, previous)
    connection.execute(
        "INSERT INTO entries (number, written_utc, geotrim, body, previous_sha256, sha256)"
        " VALUES (?, ?, ?, ?, ?, ?)",
        (number, written, geotrim.__version__, body, previous, own),
    )
    return number, own
