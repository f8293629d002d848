"""The ledger of a site: what is kept comes back as it was, and nothing kept is ever changed."""

from __future__ import annotations

import hashlib
import json
import math
import resource
import sqlite3
import subprocess
import sys
from dataclasses import fields, replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import geotrim
from geotrim.errors import FileError, GeotrimError, SiteFileError
from geotrim.io import ledger, ledger_open, ledger_schema
from geotrim.io.ledger_entry import KINDS, Entry, TreeEntry
from geotrim.io.ledger_text import canonical, entry_of, entry_text, value_of

DAY = date(2027, 1, 11)
NAN, INF = float("nan"), float("inf")


def note(words="w", **other):
    return Entry("note", DAY, "Ann", "L1", words=words, **other)


def correction(number, words="right", kind="note"):
    return Entry(
        "correction", DAY, "Bea", "L1", words=words, corrects=number, corrected_kind=kind
    )  # fmt: skip


@pytest.fixture
def path(tmp_path):
    return tmp_path / "site.ledger"


@pytest.fixture
def three(path):
    assert ledger.append(path, [note("one"), note("two")], site="Cove") == [1, 2]
    assert ledger.append(path, [note("three")]) == [3]
    return path


def raw(path, *statements):
    """Statements of somebody who opens the file without geotrim."""
    connection = sqlite3.connect(path, isolation_level=None)
    try:
        return [connection.execute(one).fetchall() for one in statements]
    finally:
        connection.close()


def opened(path):
    """The same, with every trigger taken out."""
    return raw(path, *(f"DROP TRIGGER {name}" for name in ledger_schema.TRIGGERS))


# --- what is kept comes back


def same(one, other):
    """Equal, NaN to NaN among it, and of one type."""
    if isinstance(one, float) and math.isnan(one):
        return isinstance(other, float) and math.isnan(other)
    if isinstance(one, dict):
        return isinstance(other, dict) and one.keys() == other.keys() and all(
            same(one[key], other[key]) for key in one
        )  # fmt: skip
    if isinstance(one, (list, tuple)):
        return len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, (Entry, TreeEntry)):
        names = [field.name for field in fields(one)]
        return all(same(getattr(one, name), getattr(other, name)) for name in names)
    return type(one) is type(other) and one == other


TEXT = st.text(st.characters(), max_size=12)  # lone surrogates and zero bytes among them
NUMBER = st.floats(allow_nan=True, allow_infinity=True)
TREE = st.builds(
    TreeEntry, TEXT.filter(bool), NUMBER, NUMBER, NUMBER, NUMBER, NUMBER, NUMBER,
    st.integers(0, 200), TEXT, TEXT, TEXT, st.sampled_from([None, True, False]), TEXT,
)  # fmt: skip
KEY = st.one_of(st.sampled_from(["float", "mapping"]), TEXT)
JSON = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), NUMBER, TEXT),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEY, inner, max_size=3),
    max_leaves=8,
)
ENTRY = st.builds(
    Entry, st.sampled_from(sorted(KINDS)), st.dates(), TEXT, TEXT,
    st.lists(TREE, max_size=3).map(tuple), TEXT, TEXT, st.none() | st.integers(1), TEXT,
    st.dictionaries(KEY, JSON, max_size=3),
)  # fmt: skip


@given(ENTRY)
def test_an_entry_comes_back_exactly(entry):
    text = entry_text(entry)
    assert same(entry_of(text), entry)
    assert text.isascii()
    json.loads(text, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))


@given(JSON)
def test_what_is_kept_has_one_text(value):
    text = canonical(value)
    assert same(value_of(text), value)
    assert canonical(value_of(text)) == text


def test_an_entry_comes_back_from_the_file(path):
    tree = TreeEntry("A\udc80\0'", NAN, 0.25, 6.0, INF, 0.1 + 0.2, -0.0, 3, is_done=None)
    entry = Entry(
        "cut", date(2028, 2, 29), "Zoë", "L", (tree,), "ab", "a\nb", details={"n": [None, -INF]}
    )
    ledger.append(path, [entry], site='Cove "7"')
    read = ledger.read(path)
    assert read.site == 'Cove "7"'
    assert same(read.entries[0].entry, entry)
    assert math.copysign(1.0, read.entries[0].entry.trees[0].removed_error_frac) == -1.0
    assert read.entries[0].geotrim == geotrim.__version__


def test_numbers_of_arrays_are_kept_as_numbers():
    import numpy as np

    kept = value_of(canonical({"a": np.float64(0.1), "b": np.int64(3), "c": np.bool_(True)}))
    assert same(kept, {"a": 0.1, "b": 3, "c": True})
    for wrong in ({1: 2}, {"a": object()}):
        with pytest.raises(TypeError):
            canonical(wrong)


def test_entries_are_numbered_in_order_and_dated_when_written(three):
    from datetime import UTC, datetime

    kept = ledger.read(three).entries
    assert [(one.number, one.entry.words) for one in kept] == [(1, "one"), (2, "two"), (3, "three")]
    age = datetime.now(UTC) - datetime.fromisoformat(kept[0].written_utc)
    assert timedelta(0) <= age < timedelta(minutes=5)


def test_a_batch_is_entered_whole_or_not_at_all(three):
    with pytest.raises(GeotrimError, match="entry 9"):
        ledger.append(three, [note("four"), correction(9)])
    assert len(ledger.read(three).entries) == 3
    assert ledger.append(three, [note("four"), correction(4)]) == [4, 5]  # of one batch


# --- the chain


def test_the_hash_is_that_of_plain_json_and_the_one_before(three):
    """Reckoned anew with hashlib and json alone."""
    for row in raw(three, "SELECT * FROM entries ORDER BY number")[0]:
        number, written, version, body, previous, own = row
        told = {
            "entry": json.loads(body), "geotrim": version, "number": number,
            "previous_sha256": previous, "written_utc": written,
        }  # fmt: skip
        text = json.dumps(told, sort_keys=True, separators=(",", ":"))
        assert hashlib.sha256(text.encode()).hexdigest() == own
    kept = ledger.read(three).entries
    assert [one.previous_sha256 for one in kept[1:]] == [one.sha256 for one in kept[:-1]]
    assert ledger.check(three) == ledger.Checked(3, 3, kept[-1].sha256, ())
    assert ledger.check(three).is_whole


def test_the_first_hash_is_over_the_site(three):
    name, created, version = raw(three, "SELECT * FROM site")[0][0]
    told = {"created_utc": created, "geotrim": version, "site": json.loads(name)}
    text = json.dumps(told, sort_keys=True, separators=(",", ":"))
    first = ledger.read(three).entries[0]
    assert first.previous_sha256 == hashlib.sha256(text.encode()).hexdigest()
    assert told["site"] == "Cove"


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        ("UPDATE entries SET body = replace(body, 'two', 'ten') WHERE number = 2",
         ("entry 2 was changed",)),
        ("UPDATE entries SET written_utc = '2020-01-01T00:00:00Z' WHERE number = 1",
         ("entry 1 was changed",)),
        ("UPDATE entries SET geotrim = '9' WHERE number = 3", ("entry 3 was changed",)),
        ("UPDATE entries SET previous_sha256 = 'x' WHERE number = 2",
         ("entry 2 does not follow the one before it", "entry 2 was changed")),
        ("DELETE FROM entries WHERE number = 2",
         ("before entry 3 the numbers 2 are missing",
          "entry 3 does not follow the one before it")),
        ("DELETE FROM entries WHERE number = 1",
         ("before entry 2 the numbers 1 are missing",
          "entry 2 does not follow the one before it")),
        ("DELETE FROM entries WHERE number = 3",
         ("the last entry is 2, but number 3 was given",)),
        ("DELETE FROM entries", ("the last entry is 0, but number 3 was given",)),
        ("UPDATE entries SET number = 7 WHERE number = 3",
         ("before entry 7 the numbers 3 to 6 are missing", "entry 7 was changed",)),
        ("UPDATE site SET name = '\"Bay\"'", ("entry 1 does not follow the one before it",)),
        ("UPDATE site SET created_utc = 'x'", ("entry 1 does not follow the one before it",)),
        ("DELETE FROM site", ("0 rows tell the site, not 1",)),
        ("UPDATE entries SET body = 'x' WHERE number = 2", ("entry 2 was changed",
          "entry 2 cannot be read")),
        ("UPDATE entries SET body = x'00' WHERE number = 2", ("entry 2 holds what is no text",)),
        ("INSERT INTO entries SELECT 4, written_utc, geotrim, body, sha256, 'x' FROM entries"
         " WHERE number = 3", ("entry 4 was changed",)),
    ],
)  # fmt: skip
def test_what_was_changed_behind_its_back_is_found(three, statement, told):
    opened(three)
    raw(three, statement)
    raw(three, *ledger_schema.TRIGGERS.values())
    faults = [one for one in ledger.check(three).faults if "given" not in one or "given" in told[0]]
    assert len(faults) == len(told)
    assert all(one.startswith(start) for one, start in zip(faults, told, strict=True))


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        ("UPDATE entries SET body = replace(body, 'three', 'ten') WHERE number = 3", "entry 3 was"),
        ("DELETE FROM entries WHERE number = 3", "the last entry is 2, but number 3 was given"),
        ("UPDATE entries SET previous_sha256 = 'x' WHERE number = 3", "entry 3 was changed"),
        ("UPDATE site SET name = 'x'", "a site whose name cannot be read"),
    ],
)
def test_nothing_is_added_to_a_ledger_whose_end_does_not_hold(three, statement, told):
    opened(three)
    raw(three, statement)
    raw(three, *ledger_schema.TRIGGERS.values())
    before = three.read_bytes()
    with pytest.raises(GeotrimError, match=told):
        ledger.append(three, [note("four")])
    assert three.read_bytes() == before


def test_the_whole_chain_is_held_against_what_was_written(three):
    ledger.check_holds(three)
    raw(three, "CREATE TABLE mine (a)")
    ledger.check_holds(three)  # told by the check, but nothing was lost
    opened(three)
    raw(three, "UPDATE entries SET body = replace(body, 'one', 'ten') WHERE number = 1")
    with pytest.raises(GeotrimError, match="does not hold: entry 1 was changed; needed"):
        ledger.check_holds(three)
    raw(three, "DELETE FROM site")
    with pytest.raises(GeotrimError, match="0 rows tell the site"):
        ledger.check_holds(three)


def test_entries_that_changed_places_are_found(three):
    opened(three)
    swap = "UPDATE entries SET number = {} WHERE number = {}"
    raw(three, swap.format(9, 2), swap.format(2, 3), swap.format(3, 9))
    assert "entry 2 does not follow the one before it" in ledger.check(three).faults


def test_an_entry_put_in_between_and_hashed_well_breaks_the_chain(three):
    """Whoever knows how hashes are made can make one, but not for those that follow."""
    from geotrim.io.ledger_text import link

    opened(three)
    number, written, version, body, previous, _ = raw(three, "SELECT * FROM entries")[0][1]
    body = body.replace("two", "ten")
    own = link(number, written, version, body, previous)
    raw(three, f"UPDATE entries SET body = '{body}', sha256 = '{own}' WHERE number = 2")
    raw(three, *ledger_schema.TRIGGERS.values())
    assert ledger.check(three).faults == ("entry 3 does not follow the one before it",)


@pytest.mark.parametrize("name", sorted(ledger_schema.TRIGGERS))
def test_a_trigger_that_is_gone_or_changed_is_found(three, name):
    raw(three, f"DROP TRIGGER {name}")
    assert ledger.check(three).faults == (f"the trigger {name} is missing",)
    raw(three, f"CREATE TRIGGER {name} BEFORE UPDATE ON entries BEGIN SELECT 1; END")
    assert ledger.check(three).faults == (f"the trigger {name} was changed",)


def test_what_was_added_to_the_file_is_told(three):
    raw(three, "CREATE TABLE mine (a)")
    assert ledger.check(three).faults == ("a table mine was added",)


@pytest.mark.parametrize(
    ("statement", "why"),
    [
        ("UPDATE entries SET body = 'x'", "never changed"),
        ("UPDATE entries SET number = 8 WHERE number = 3", "never changed"),
        ("DELETE FROM entries WHERE number = 3", "never deleted"),
        ("INSERT OR REPLACE INTO entries SELECT * FROM entries WHERE number = 2", "after the last"),
        ("INSERT OR REPLACE INTO entries SELECT 4, written_utc, geotrim, body, previous_sha256,"
         " sha256 FROM entries WHERE number = 2", "after the last"),
        ("INSERT INTO entries SELECT 5, written_utc, geotrim, body, previous_sha256, 'y'"
         " FROM entries WHERE number = 2", "after the last"),
        ("UPDATE site SET name = 'x'", "never changed"),
        ("DELETE FROM site", "never changed"),
        ("INSERT INTO site VALUES ('x', 'y', 'z')", "one site"),
    ],
)  # fmt: skip
def test_the_file_itself_refuses_to_be_changed(three, statement, why):
    """By whatever program it is opened with."""
    with pytest.raises(sqlite3.IntegrityError, match=why):
        raw(three, statement)
    assert ledger.check(three).faults == ()
    assert [one.entry.words for one in ledger.read(three).entries] == ["one", "two", "three"]


# --- corrections


def words_in_force(path):
    return {one.number: one.entry.words for one in ledger.in_force(ledger.read(path).entries)}


def test_a_correction_stands_in_the_place_of_what_it_corrects(three):
    ledger.append(three, [correction(1, "one, right", "cut"), note("five")])
    kept = ledger.read(three).entries
    standing = ledger.in_force(kept)
    assert [(one.number, one.entry.kind) for one in standing] == [
        (4, "cut"), (2, "note"), (3, "note"), (5, "note"),
    ]  # fmt: skip
    assert kept[0].entry.words == "one"  # still there
    assert ledger.superseded(kept) == {1: 4}


def test_corrections_of_corrections_and_the_latest_of_several(three):
    ledger.append(three, [correction(1, "a"), correction(4, "b"), correction(1, "c")])
    assert words_in_force(three) == {2: "two", 3: "three", 6: "c"}
    ledger.append(three, [correction(4, "d")])
    assert words_in_force(three) == {2: "two", 3: "three", 7: "d"}
    assert ledger.superseded(ledger.read(three).entries) == {1: 7, 4: 7, 5: 7, 6: 7}


@pytest.mark.parametrize(
    ("entry", "told"),
    [
        (correction(4), "entry 4"),
        (correction(0), "entry 0"),
        (correction(None), "entry None"),
        (correction(1, kind="correction"), "a correction that is correction"),
        (correction(1, kind=""), "a correction that is nothing"),
        (note(corrects=1), "a note that corrects"),
        (note(corrected_kind="cut"), "a note that corrects"),
        (replace(note(), kind="rumour"), "'rumour'"),
        (replace(note(), who="  "), "no name"),
        (note(trees=(TreeEntry(""),)), "a tree without an id"),
    ],
)
def test_an_entry_that_does_not_say_what_it_must_is_refused(three, entry, told):
    with pytest.raises(GeotrimError, match=told):
        ledger.append(three, [entry])
    assert len(ledger.read(three).entries) == 3
    assert ledger.check(three).faults == ()


def test_nothing_is_no_entry(three):
    with pytest.raises(GeotrimError, match="none"):
        ledger.append(three, [])


# --- files


def test_a_ledger_belongs_to_one_site(path, three):
    with pytest.raises(SiteFileError, match="the site 'Cove'; needed that of 'Bay'"):
        ledger.append(three, [note()], site="Bay")
    assert ledger.append(three, [note()], site="Cove") == [4]
    assert ledger.append(three, [note()]) == [5]


def test_a_new_ledger_needs_a_site_and_its_suffix(tmp_path):
    with pytest.raises(SiteFileError, match="no ledger yet"):
        ledger.append(tmp_path / "a.ledger", [note()])
    with pytest.raises(FileError, match=r"ends in \.ledger"):
        ledger.append(tmp_path / "a.db", [note()], site="S")
    with pytest.raises(FileError, match="no folder"):
        ledger.append(tmp_path / "b" / "a.ledger", [note()], site="S")
    with pytest.raises(FileError, match="the folder"):
        ledger.append(tmp_path, [note()], site="S")
    with pytest.raises(GeotrimError, match="no name"):
        ledger.append(tmp_path / "a.ledger", [replace(note(), who="")], site="S")
    assert list(tmp_path.iterdir()) == []


def test_names_with_anything_in_them_are_files(tmp_path):
    path = tmp_path / "a b?c#d%20é.ledger"
    ledger.append(path, [note()], site="S")
    assert [one.name for one in tmp_path.iterdir()] == [path.name]
    assert len(ledger.read(path).entries) == 1


def test_a_missing_or_empty_file_is_told(tmp_path):
    with pytest.raises(FileError, match="no file"):
        ledger.read(tmp_path / "a.ledger")
    (tmp_path / "b.ledger").touch()
    with pytest.raises(FileError, match="nothing in it"):
        ledger.read(tmp_path / "b.ledger")
    assert ledger.append(tmp_path / "b.ledger", [note()], site="S") == [1]


def other_database(path):
    raw(path, "CREATE TABLE a (b)")


def geopackage(path):
    raw(path, "PRAGMA application_id = 0x47504B47", "CREATE TABLE a (b)")  # "GPKG"


def text_file(path):
    path.write_text("number,kind\n" * 100)


def later_version(path):
    ledger.append(path, [note()], site="S")
    raw(path, "PRAGMA user_version = 2")


@pytest.mark.parametrize(
    ("make", "told"),
    [(other_database, "a database of another kind"), (geopackage, "a database of another kind"),
     (text_file, "no ledger"), (later_version, "version 2; needed version 1")],
)  # fmt: skip
@pytest.mark.parametrize("use", [ledger.read, ledger.check, lambda p: ledger.append(p, [note()])])
def test_files_that_are_no_ledger_are_refused_and_left_as_they_are(path, make, told, use):
    make(path)
    before = path.read_bytes()
    with pytest.raises(FileError, match=told):
        use(path)
    assert path.read_bytes() == before


def test_a_damaged_file_is_told(three):
    """Pages in the middle overwritten; only the head is as it was."""
    ledger.append(three, [note("x" * 3000) for _ in range(20)])
    data = bytearray(three.read_bytes())
    data[4096:-4096] = b"\xff" * (len(data) - 8192)
    three.write_bytes(data)
    with pytest.raises(FileError, match="a damaged file"):
        ledger.read(three)


def test_a_file_that_was_cut_off_is_told(three):
    ledger.append(three, [note("x" * 3000) for _ in range(20)])
    three.write_bytes(three.read_bytes()[: 5 * 4096])
    with pytest.raises(FileError, match="a damaged file"):
        ledger.read(three)


def test_a_file_that_somebody_holds_is_waited_for_and_then_named(three, monkeypatch):
    monkeypatch.setattr(ledger_open, "PATIENCE_SECONDS", 0.05)
    holder = sqlite3.connect(three, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    with pytest.raises(FileError, match=r"site\.ledger: found that it is in use"):
        ledger.append(three, [note()])
    assert len(ledger.read(three).entries) == 3  # readers go on
    holder.execute("ROLLBACK")
    holder.close()
    assert ledger.append(three, [note()]) == [4]


def test_sync_and_journal_are_what_the_words_say(three):
    with ledger_open.writing(three) as connection:
        told = [connection.execute(f"PRAGMA {name}").fetchone()[0]
                for name in ("synchronous", "journal_mode")]  # fmt: skip
    assert told == [3, "delete"]  # 3 is EXTRA: https://www.sqlite.org/pragma.html


def test_reading_can_write_nothing(three):
    with ledger_open.reading(three) as connection, pytest.raises(sqlite3.OperationalError):
        connection.execute("INSERT INTO site VALUES ('x', 'y', 'z')")


def small_files():
    """No file of this process may grow beyond 24 kB."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (24_576, 24_576))


FILL = """
import sys
from datetime import date
from geotrim.io import ledger
from geotrim.io.ledger_entry import Entry
entry = Entry("note", date(2027, 1, 1), "A", "L", words="x" * 900)
try:
    while True:
        numbers = ledger.append(sys.argv[1], [entry], site="S")
        print(numbers[0], flush=True)
except Exception as error:
    print(type(error).__name__, error)
"""


def test_a_full_disk_is_told_and_loses_nothing(path):
    """A limit on the size of files stands in for a full disk: SQLite's writes fail alike."""
    done = subprocess.run(
        [sys.executable, "-c", FILL, str(path)],
        capture_output=True, text=True, check=True, preexec_fn=small_files,
    )  # fmt: skip
    *numbers, last = done.stdout.splitlines()
    assert last.startswith("FileError ledger")
    assert "To mend: " in last
    assert len(numbers) >= 3
    assert ledger.check(path).n_entries == int(numbers[-1]) == len(numbers)
    assert ledger.check(path).faults == ()


def test_a_folder_in_which_nothing_can_be_made_is_told():
    if not Path("/proc/self").is_dir():
        return  # no such folder on this system
    with pytest.raises(FileError, match="cannot be opened"):
        ledger.append("/proc/self/a.ledger", [note()], site="S")


@pytest.mark.parametrize(
    ("name", "told"),
    [("SQLITE_READONLY", "may not be written to"), ("SQLITE_READONLY_DIRECTORY", "may not be"),
     ("SQLITE_FULL", "no room on the disk"), ("SQLITE_BUSY_SNAPSHOT", "in use"),
     ("SQLITE_IOERR_FSYNC", "SQLITE_IOERR_FSYNC"), ("SQLITE_CORRUPT_INDEX", "damaged")],
)  # fmt: skip
def test_complaints_of_the_database_are_told_by_their_names(path, name, told):
    """Names as at https://www.sqlite.org/rescode.html."""
    error = sqlite3.OperationalError("as it is")
    error.sqlite_errorname = name
    assert told in str(ledger_open.complaint(path, error))


def test_a_file_that_may_not_be_written_is_told(three):
    """A connection that may only read stands in for a file without the permission."""
    connection = sqlite3.connect(f"file:{three}?mode=ro", uri=True, isolation_level=None)
    with pytest.raises(sqlite3.OperationalError) as told:
        connection.execute("INSERT INTO site VALUES ('x', 'y', 'z')")
    connection.close()
    assert "may not be written to" in str(ledger_open.complaint(three, told.value))
