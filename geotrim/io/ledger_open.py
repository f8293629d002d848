"""Connections to a ledger file, and SQLite's complaints in four parts.

The file keeps SQLite's rollback journal. A write-ahead log would let readers and a writer work at
once, but needs memory that all of them share, so it fails on a drive shared between machines, and
leaves two more files that must be copied along (https://www.sqlite.org/wal.html). Synchronous EXTRA
has every entry, and the end of its journal, on the disk before its number is told.
"""

from __future__ import annotations

import os
import random
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from geotrim.errors import FileError, GeotrimError
from geotrim.io.files import local_path
from geotrim.io.ledger_schema import APPLICATION_ID, SUFFIX, VERSION

#: How long another writer is waited for. [s]
PATIENCE_SECONDS = 30.0
#: Whether SQLite's error of this name, or one that begins with it, means what follows.
COMPLAINTS = (
    ("SQLITE_BUSY", "that it is in use by another program",
     "a moment in which nobody writes to it", "close what holds it open, and try again"),
    ("SQLITE_LOCKED", "that it is in use by another program",
     "a moment in which nobody writes to it", "close what holds it open, and try again"),
    ("SQLITE_READONLY", "that it may not be written to", "a file and a folder that may be",
     "change its permissions, or copy it to a place of your own"),
    ("SQLITE_FULL", "no room on the disk", "room for a new entry; nothing was entered",
     "make room on the disk, and enter it again"),
    ("SQLITE_NOTADB", "no ledger", "a file that geotrim enter wrote", "check the name"),
    ("SQLITE_CORRUPT", "a damaged file", "a whole one",
     "put back a copy, and keep the damaged file: much of it may still be read"),
    ("SQLITE_CANTOPEN", "that it cannot be opened", "a file in a folder that may be written to",
     "check the path and its permissions"),
)  # fmt: skip


@contextmanager
def reading(path: str | os.PathLike[str]) -> Iterator[sqlite3.Connection]:
    """A connection that changes nothing, inside one transaction.

    What a writer that was stopped left behind is rolled back on the way, where that is allowed.

    Raises
    ------
    FileError
        If there is no such file, it is no ledger, or cannot be read.
    """
    found = Path(path).expanduser()
    if found.is_file() and not is_begun(found):  # stopped before the first entry
        raise FileError("ledger", f"{found}, with nothing in it", "an entry", "enter one first")
    found = local_path(path, "ledger")
    with _told(found), closing(_connection(found, "rw")) as connection:
        connection.execute("PRAGMA query_only = ON")
        _check_kind(connection, found)
        connection.execute("BEGIN")
        yield connection
        connection.execute("COMMIT")


@contextmanager
def writing(path: str | os.PathLike[str]) -> Iterator[sqlite3.Connection]:
    """A connection inside a transaction of the only writer; it is made good when the block ends.

    A file that is not there is made, empty: :func:`is_new` tells so.

    Raises
    ------
    FileError
        If the file is no ledger, or cannot be written.
    """
    target = Path(path).expanduser()
    if not target.exists():
        _check_place(target)
    elif target.is_dir():
        raise FileError("ledger", f"the folder {target}", "a file", f"name a file, as x{SUFFIX}")
    with _told(target), closing(_connection(target, "rwc")) as connection:
        connection.execute("PRAGMA synchronous = EXTRA")
        _begin(connection)
        try:
            if not is_new(connection):
                _check_kind(connection, target)
            yield connection
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
        connection.execute("COMMIT")


def _begin(connection: sqlite3.Connection) -> None:
    """Begin as the only writer: numbers are given while nobody else can write.

    SQLite's own waiting soon sleeps a tenth of a second at a time, which leaves most of the time of
    two busy writers unused; here it is a few milliseconds, by chance, so that both get their turn.
    """
    connection.execute("PRAGMA busy_timeout = 0")
    until = time.monotonic() + PATIENCE_SECONDS
    while True:
        try:
            connection.execute("BEGIN IMMEDIATE")
            break
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > until:
                raise
            time.sleep(random.uniform(0.0005, 0.004))
    connection.execute(f"PRAGMA busy_timeout = {round(1000 * PATIENCE_SECONDS)}")


def is_begun(path: str | os.PathLike[str]) -> bool:
    """Whether something is in a ledger's file; of a first write that was stopped it is empty."""
    found = Path(path).expanduser()
    return found.exists() and not (found.is_file() and not found.stat().st_size)


def is_new(connection: sqlite3.Connection) -> bool:
    """Whether nothing at all is in the file yet."""
    (n_tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    (mark,) = connection.execute("PRAGMA application_id").fetchone()
    return n_tables == 0 and mark == 0


def _connection(path: Path, mode: str) -> sqlite3.Connection:
    uri = f"{path.absolute().as_uri()}?mode={mode}"
    return sqlite3.connect(uri, uri=True, isolation_level=None, timeout=PATIENCE_SECONDS)


def _check_place(target: Path) -> None:
    """Refuse a new file where none can be, or of a name that is taken for something else."""
    if target.suffix.lower() != SUFFIX:
        raise FileError(
            "ledger",
            f"no file {target}",
            f"one that is there, or a name that ends in {SUFFIX} for a new one",
            f"check the name, or say {target.name or 'site'}{SUFFIX}",
        )
    if not target.parent.is_dir():
        raise FileError(
            "ledger", f"no folder {target.parent}", "a folder that exists", "make it, or name one"
        )


def _check_kind(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse a database of another kind, or of a version that is not known here."""
    (mark,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if mark != APPLICATION_ID:
        raise FileError(
            "ledger",
            f"{path}, a database of another kind",
            "a ledger that geotrim enter wrote",
            "check the name",
        )
    if version != VERSION:
        raise FileError(
            "ledger",
            f"{path}, a ledger of version {version}",
            f"version {VERSION}",
            "use the geotrim that wrote it, or a newer one",
        )


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """SQLite's errors as those of the family, under the file's name."""
    try:
        yield
    except GeotrimError:
        raise
    except sqlite3.Error as error:
        raise complaint(path, error) from error


def complaint(path: Path, error: sqlite3.Error) -> FileError:
    """What is wrong with a ledger file, by SQLite's own name for it."""
    name = str(getattr(error, "sqlite_errorname", "") or "")
    for start, found, need, mend in COMPLAINTS:
        if name.startswith(start):
            return FileError(f"ledger {path}", found, need, mend)
    return FileError(
        f"ledger {path}",
        f"that it cannot be read or written ({error}{f', {name}' if name else ''})",
        "a file on a disk in order, nothing was entered",
        "look at the disk and its room, and try again",
    )
