"""What a ledger file is: its marks, its tables, and the triggers that let nothing be changed.

The file is an SQLite database with a mark of its own, so that no other database is taken for one.
Whoever holds the file can of course take the triggers out of it; the chain of hashes
(:mod:`geotrim.io.ledger_check`) shows what was done then.
"""

from __future__ import annotations

import sqlite3

from geotrim.io.ledger_text import canonical, sha256_of_text

#: Mark of the file, "gtlg" in ASCII (https://www.sqlite.org/pragma.html#pragma_application_id).
APPLICATION_ID = 0x67746C67
#: Version of the tables; a higher one is refused.
VERSION = 1
#: What a ledger's file is called.
SUFFIX = ".ledger"

#: AUTOINCREMENT keeps the highest number ever given, so that entries cut off the end are missed.
TABLES = {
    "site": """\
CREATE TABLE site (
    name TEXT NOT NULL,
    created_utc TEXT NOT NULL,
    geotrim TEXT NOT NULL
)""",
    "entries": """\
CREATE TABLE entries (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    written_utc TEXT NOT NULL,
    geotrim TEXT NOT NULL,
    body TEXT NOT NULL,
    previous_sha256 TEXT NOT NULL,
    sha256 TEXT NOT NULL UNIQUE
)""",
}
#: INSERT OR REPLACE deletes without asking a DELETE trigger, so the INSERT triggers look as well.
TRIGGERS = {
    "entries_never_changed": """\
CREATE TRIGGER entries_never_changed BEFORE UPDATE ON entries BEGIN
    SELECT RAISE(ABORT, 'an entry is never changed; enter a correction');
END""",
    "entries_never_deleted": """\
CREATE TRIGGER entries_never_deleted BEFORE DELETE ON entries BEGIN
    SELECT RAISE(ABORT, 'an entry is never deleted; enter a correction');
END""",
    "entries_only_added": """\
CREATE TRIGGER entries_only_added BEFORE INSERT ON entries
WHEN NEW.number IS NOT (SELECT coalesce(max(number), 0) + 1 FROM entries)
    OR EXISTS (SELECT 1 FROM entries WHERE sha256 = NEW.sha256)
BEGIN
    SELECT RAISE(ABORT, 'an entry takes the number after the last');
END""",
    "site_never_changed": """\
CREATE TRIGGER site_never_changed BEFORE UPDATE ON site BEGIN
    SELECT RAISE(ABORT, 'the site of a ledger is never changed');
END""",
    "site_never_deleted": """\
CREATE TRIGGER site_never_deleted BEFORE DELETE ON site BEGIN
    SELECT RAISE(ABORT, 'the site of a ledger is never changed');
END""",
    "site_only_one": """\
CREATE TRIGGER site_only_one BEFORE INSERT ON site WHEN EXISTS (SELECT 1 FROM site) BEGIN
    SELECT RAISE(ABORT, 'a ledger has one site');
END""",
}


def make_tables(connection: sqlite3.Connection, site: str, utc: str, geotrim: str) -> None:
    """Make an empty ledger, inside a transaction that is open."""
    for text in (*TABLES.values(), *TRIGGERS.values()):
        connection.execute(text)
    connection.execute("INSERT INTO site VALUES (?, ?, ?)", (canonical(site), utc, geotrim))
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {VERSION}")


def first_link(site: str, created_utc: str, geotrim: str) -> str:
    """The hash that the first entry takes for that of the one before it: over the site's row."""
    return sha256_of_text(canonical({"site": site, "created_utc": created_utc, "geotrim": geotrim}))


def schema_faults(connection: sqlite3.Connection) -> list[str]:
    """Tables and triggers that are missing, changed or were added, in words."""
    rows = connection.execute("SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL")
    found = {name: (kind, sql) for kind, name, sql in rows if not name.startswith("sqlite_")}
    faults = []
    for kind, wanted in (("table", TABLES), ("trigger", TRIGGERS)):
        for name, sql in wanted.items():
            if name not in found:
                faults.append(f"the {kind} {name} is missing")
            elif found.pop(name) != (kind, sql):
                faults.append(f"the {kind} {name} was changed")
    faults += [f"a {kind} {name} was added" for name, (kind, _) in found.items()]
    return faults
