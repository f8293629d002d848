"""Processes killed in mid-write (SIGKILL): what was told is kept, what has a name is whole.

The moments are random by a fixed seed, over the time that a write takes when nobody disturbs it;
after them come kills at the very steps that a random moment hardly ever hits.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import signal
import sqlite3
import struct
import time
from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path

import pytest

from geotrim import run
from geotrim.io import aside, exchange, ledger, left_over, record
from geotrim.io.ledger_entry import Entry
from geotrim.io.package_read import read_package
from geotrim.io.site_file import read_site
from geotrim.ops.chain import measure

N_KILLS = 50
SAMPLE = Path(__file__).parents[1] / "sample_data" / "plain_lot" / "site.toml"


def in_child(work):
    """Run something in a process of its own, a copy of this one; its number comes back."""
    pid = os.fork()
    if pid:
        return pid
    code = 70
    try:
        work()
        code = 0
    finally:
        os._exit(code)  # no clean-up of the parent's things
    raise AssertionError("not reached")


def killed(pid):
    """Kill a process, and wait for its end; whether it was still running."""
    os.kill(pid, signal.SIGKILL)
    return os.WIFSIGNALED(os.waitpid(pid, 0)[1])


def ended(pid):
    """Wait for the end of a process that is killed by itself or ends well."""
    status = os.waitpid(pid, 0)[1]
    assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0, "the process failed"
    return os.WIFSIGNALED(status)


# --- the ledger


def note(text):
    return Entry("note", date(2027, 1, 11), "A", "L", words=text)


def append_for_ever(path, told):
    """Enter one after the other, and tell each number once it is given."""
    k = 0
    while True:
        k += 1
        (number,) = ledger.append(path, [note(f"{os.getpid()} {k} " + "x" * 400)], site="S")
        os.write(told, struct.pack("<q", number))


def numbers_of(read_end):
    """All numbers that were told, in order."""
    data = b""
    while block := os.read(read_end, 1 << 16):
        data += block
    os.close(read_end)
    return [number for (number,) in struct.iter_unpack("<q", data[: len(data) // 8 * 8])]


def test_fifty_kills_lose_no_entry_of_a_ledger(tmp_path):
    path, journal = tmp_path / "a.ledger", tmp_path / "a.ledger-journal"
    chance = random.Random(20270111)
    n_before, n_cut_short = 0, 0
    began = time.perf_counter()
    for k in range(10):
        ledger.append(path, [note(str(k))], site="S")
    span = (time.perf_counter() - began) / 10
    n_before = 10
    for _ in range(N_KILLS):
        read_end, write_end = os.pipe()
        pid = in_child(lambda end=write_end: append_for_ever(path, end))
        os.close(write_end)
        first = os.read(read_end, 8)  # it is at work
        time.sleep(chance.uniform(0.0, 4.0 * span))
        assert killed(pid)
        told = [struct.unpack("<q", first)[0], *numbers_of(read_end)]
        n_cut_short += journal.exists()

        found = ledger.check(path)  # rolls back what was begun
        with sqlite3.connect(path) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        connection.close()
        assert found.faults == ()
        assert told == [*range(n_before + 1, n_before + 1 + len(told))]  # each after the last
        assert found.n_entries - told[-1] in (0, 1)  # given, and killed before it could be told
        n_before = found.n_entries
    kept = ledger.read(path).entries
    assert [one.number for one in kept] == [*range(1, n_before + 1)]
    assert len({one.entry.words for one in kept}) == n_before
    assert n_cut_short > 0  # some kills did fall into the middle of a write


def test_a_ledger_killed_while_it_is_made_is_none_or_whole(tmp_path):
    chance = random.Random(7)
    n_none = 0
    for k in range(20):
        path = tmp_path / f"{k}.ledger"
        pid = in_child(lambda where=path: ledger.append(where, [note("a")], site="S"))
        time.sleep(chance.uniform(0.0, 0.006))
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        n_none += not path.exists() or not path.stat().st_size
        (number,) = ledger.append(path, [note("b")], site="S")  # goes on in any case
        assert number in (1, 2)
        assert ledger.check(path).faults == ()
        assert ledger.read(path).entries[-1].entry.words == "b"
    assert n_none > 0


# --- packages


@cache
def measured():
    """A lot with its shore alone, so that one write takes part of a second."""
    site = read_site(SAMPLE)
    site = replace(site, crowns=None, heights=None, trunks=None, eyes=None, readings=None)
    return site, measure(site, ["frontage"])


def write(out, may_replace=None):
    site, results = measured()
    with aside.new_folder(out, may_replace=may_replace) as work:
        run.write_package(work, site, results, started=record.now())


def anything(_):
    return True


def name_of(folder):
    """Hash of a package that is whole by its own record; a fault where it is not."""
    told = json.loads((folder / "record.json").read_text(encoding="utf-8"))
    there = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    assert there == {item["file"] for item in told["files"]} | {"record.json"}
    for item in told["files"]:
        data = (folder / item["file"]).read_bytes()
        assert hashlib.sha256(data).hexdigest() == item["sha256"], item["file"]
    return hashlib.sha256((folder / "record.json").read_bytes()).hexdigest()


def undisturbed(out):
    """How long a write takes in a process of its own. [s]."""
    began = time.perf_counter()
    assert ended(in_child(lambda: write(out))) is False
    return time.perf_counter() - began


@pytest.fixture
def figures_drawn(tmp_path, monkeypatch):
    """Figures are drawn once and copied from then on: what takes time is the writing of files."""
    write(tmp_path / "drawn")
    figures = [p for p in (tmp_path / "drawn").iterdir() if p.suffix in (".png", ".svg")]
    assert figures

    def copied(folder, site, results):
        for figure in figures:
            shutil.copyfile(figure, folder / figure.name)
        return ()

    monkeypatch.setattr(run, "draw", copied)


@pytest.mark.usefixtures("figures_drawn")
def test_fifty_kills_leave_a_package_whole_or_none(tmp_path):
    """Every other kill is of a package that takes the place of an earlier one.

    How long a write takes changes with what else the machine does, so the moments are spread over
    the least duration seen, and a write that ended before its kill is not counted.
    """
    chance = random.Random(20270112)
    span = min(undisturbed(tmp_path / f"first{k}") for k in range(3))
    out_of_old = tmp_path / "first0"
    n_killed, n_left = 0, 0
    for k in range(4 * N_KILLS):
        is_new = n_killed % 2 == 0
        out = tmp_path / f"new{k}" if is_new else out_of_old
        pid = in_child(lambda where=out, new=is_new: write(where, None if new else anything))
        time.sleep(chance.uniform(0.0, span))
        os.kill(pid, signal.SIGKILL)
        n_killed += os.WIFSIGNALED(os.waitpid(pid, 0)[1])
        n_left += any(tmp_path.glob(f".{out.name}.partial-*"))
        if not is_new or out.exists():
            name_of(out)  # whole, the old one or the new one
        if n_killed == N_KILLS:
            break
    assert n_killed == N_KILLS
    assert n_left > 0  # some kills did fall into the middle of a write
    write(out_of_old, anything)  # the next one clears what is left of the others
    assert not list(tmp_path.glob(".first0.*"))
    assert read_package(out_of_old).changed == ()


def die():
    os.kill(os.getpid(), signal.SIGKILL)


def fill(out, text, may_replace=None):
    """A small folder in the place of a package."""
    with aside.new_folder(out, may_replace=may_replace) as work:
        (work / "a").write_text(text)
        (work / "b").write_text(text)


def holds(out):
    """The one text that both files hold."""
    texts = {(out / name).read_text() for name in ("a", "b")}
    assert len(texts) == 1
    return texts.pop()


def test_where_the_system_can_names_are_exchanged_at_once(tmp_path):
    one, other = tmp_path / "a", tmp_path / "b"
    one.mkdir()
    other.write_text("b")
    assert exchange.exchange(one, other)
    assert one.read_text() == "b"
    assert other.is_dir()
    with pytest.raises(OSError, match="No such file"):
        exchange.exchange(one, tmp_path / "c")


@pytest.mark.parametrize("is_after", [False, True])
def test_killed_beside_the_exchange_one_of_the_two_stands_whole(tmp_path, monkeypatch, is_after):
    out = tmp_path / "out"
    fill(out, "old")
    whole = exchange.exchange

    def step(one, another):
        if not is_after:
            die()
        whole(one, another)
        die()
        return True

    monkeypatch.setattr(aside, "exchange", step)
    assert ended(in_child(lambda: fill(out, "new", anything)))
    assert holds(out) == ("new" if is_after else "old")
    monkeypatch.undo()
    fill(out, "newest", anything)
    assert holds(out) == "newest"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize(
    ("step", "stands"),
    [("before the first", "old"), ("between", None), ("after the second", "new"),
     ("while the old one goes", "new")],
)  # fmt: skip
def test_without_exchange_a_kill_between_two_renames_is_put_right(
    tmp_path, monkeypatch, step, stands
):
    """As on a drive that knows no exchange: the old folder is aside for a moment."""
    out = tmp_path / "out"
    fill(out, "old")
    rename, n_renames = Path.rename, []

    def counted(self, target):
        n_renames.append(1)
        if step == "before the first" and len(n_renames) == 1:
            die()
        done = rename(self, target)
        if (step, len(n_renames)) in {("between", 1), ("after the second", 2)}:
            die()
        return done

    def removed(path, **how):
        (path / "a").unlink()
        die()

    monkeypatch.setattr(aside, "exchange", lambda one, other: False)
    monkeypatch.setattr(Path, "rename", counted)
    if step == "while the old one goes":
        monkeypatch.setattr(aside.shutil, "rmtree", removed)
    assert ended(in_child(lambda: fill(out, "new", anything)))
    monkeypatch.undo()
    assert out.exists() == (stands is not None)
    left_over.put_right(out)
    assert holds(out) == (stands or "old")
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_without_exchange_a_folder_still_takes_the_place_of_another(tmp_path, monkeypatch):
    monkeypatch.setattr(aside, "exchange", lambda one, other: False)
    out = tmp_path / "out"
    fill(out, "old")
    fill(out, "new", anything)
    assert holds(out) == "new"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_what_others_are_still_writing_is_left_alone(tmp_path):
    """Of a process that lives, of another machine, of this process, of another folder."""
    out = tmp_path / "out"
    alive = os.getppid()
    own = left_over.aside_of(out, "partial")
    start = own.name.rpartition("-")[0]
    names = [
        f"{start}-{alive}",
        f"{start}x-999999999",
        ".outer.partial-here-999999999",
        f"{start}-7b",
    ]
    for name in names:
        (tmp_path / name).mkdir()
    with aside.new_folder(out) as work:
        assert work.name == own.name
        left_over.put_right(out)
        assert work.is_dir()
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([*names, "out"])
    (tmp_path / f"{start}-999999999").mkdir()  # no process has so high a number
    own.mkdir()  # an earlier process of our number
    left_over.put_right(out)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([*names, "out"])
