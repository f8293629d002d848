"""A screening that is killed, stopped or disturbed is gone on with: the same answer, nothing twice.

The stages are stood in for by small ones, so that a run takes part of a second and every moment of
it can be hit; what keeps them together is the real thing. ``test_screen_command`` does the same to
a small county, with real measures. ``python tests/test_screen_kills.py 20`` kills the command
itself so often, at random moments.
"""

from __future__ import annotations

import io
import json
import os
import random
import re
import shutil
import signal
import sys
import time
from collections import Counter
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import pyarrow as pa
import pytest
from test_kills import die, ended, in_child, killed

from geotrim.errors import EngineError, FileError, LayerError
from geotrim.io.aside import new_file
from geotrim.model import InputFile, Note
from geotrim.screen import work, workers
from geotrim.screen.defaults import PARENT_MB, THREAD_MB, WORKER_MB
from geotrim.screen.progress import Progress
from geotrim.screen.reading import Reading
from geotrim.screen.state import MEASURING, STATE_VERSION, n_lots_done, read_state, write_state
from geotrim.screen.store import Store, read_table, write_pickle, write_table

N_KILLS, N_TASKS = 6, 12


class MadeUp:
    """Stages that take milliseconds; what they are about is the text of the screen file."""

    n_tasks = N_TASKS
    pause_s = 0.001

    def __init__(self):
        self.contents = {}

    def read_screen_file(self, path):
        told = json.loads(Path(path).read_text())
        return SimpleNamespace(name=told["name"], path=Path(path), told=told)

    def input_key(self, spec):
        files = {role: {"path": f"{role}.tif", "sha256": of} for role, of in self.contents.items()}
        return {"geotrim": "1", "said": {"options": spec.told}, "files": files}

    def read_into(self, spec, store, *, memory_mb, progress, key):
        (store.folder / "reading").mkdir()  # fails if it is not empty
        for number in range(self.n_tasks):
            progress("reading")
            time.sleep(self.pause_s)
            write_table(store.crowns(number), pa.table({"x": [number]}))
        shutil.rmtree(store.folder / "reading")
        inputs = (InputFile("lots", "lots.gpkg", "0" * 64, detail={"n": 1}),)
        notes = (Note("lots", "mended", "repaired"),)
        n_lots = 4 * self.n_tasks
        return Reading(n_lots, n_lots, 0, 0, self.n_tasks, inputs, notes, ("Town",), dict(key))

    def make_tasks(self, store, n_partitions):
        for number in range(n_partitions):
            write_pickle(store.task(number), number)
        return n_partitions

    def gather(self, store, folder, reading, *, memory_mb, progress):
        for number in range(reading.n_partitions):
            time.sleep(self.pause_s)
            lots = read_table(store.done(number))["lot"].to_pylist()
            with (folder / "lots.txt").open("a") as out:
                out.write(f"{number} {lots}\n")
        return SimpleNamespace(n_lots=reading.n_lots)

    def screen_record(self, store, reading, gathered, done, *, screen_file, key, started_utc):
        return {
            "screening": {"jurisdictions": list(reading.jurisdictions)},
            "versions": {"geotrim": "1"},
            "input_key": key,
            "inputs": [item.path for item in reading.inputs],
            "run": {"n_kept": done.n_kept, "memory_mb": done.memory_mb},
            "started_utc": started_utc,
        }


@pytest.fixture
def made_up(monkeypatch, tmp_path):
    stages = MadeUp()
    for name in (
        "read_screen_file", "input_key", "read_into", "make_tasks", "gather", "screen_record",
    ):  # fmt: skip
        monkeypatch.setattr(work, name, getattr(stages, name))
    monkeypatch.setattr(work, "TASK", "screen_tasks:partition")
    (tmp_path / "screen.json").write_text(json.dumps({"name": "A Cove", "reach_ft": 50.0}))
    return stages


def screened(tmp_path, out="out", **how):
    return work.screen(tmp_path / "screen.json", tmp_path / out, **{"workers": 1, **how})


def told_of(folder):
    """All that a results' folder holds, but for times and how the work was done.

    A GeoPackage holds the time it was written (OGC 12-128r19, table 1, ``last_change``, from
    memory); its rows are those of the GeoParquet files.
    """
    found = {}
    for path in sorted(folder.rglob("*")):
        if path.is_file() and path.name not in ("record.json", "screening.gpkg"):
            found[path.name] = path.read_bytes()
    told = json.loads((folder / "record.json").read_text(encoding="utf-8"))
    found["record"] = {
        key: value
        for key, value in told.items()
        if key not in ("started_utc", "finished_utc", "run", "files")
    }
    return found


def begun(tmp_path):
    """How often each partition was begun so far."""
    path = tmp_path / "begun.txt"
    return Counter(map(int, path.read_text().split())) if path.exists() else Counter()


def finished(folder):
    """Partitions that are whole in a working folder that measures; none elsewhere."""
    store = Store(folder)
    state = read_state(store) if folder.exists() else None
    if state is None or state.stage != MEASURING:
        return set()
    return {k for k in range(state.n_tasks) if n_lots_done(store, k) is not None}


def names(tmp_path):
    return sorted(p.name for p in tmp_path.iterdir() if p.name not in ("begun.txt", "screen.json"))


def expected_text():
    """Partition k has lots 10 k to 10 k + 3, by the stand-in for its measures."""
    return "".join(f"{k} {[10 * k + j for j in range(4)]}\n" for k in range(N_TASKS))


# --- a plain run


@pytest.mark.parametrize("how", [{}, {"workers": 3, "engine": "threads"}], ids=lambda h: str(h))
def test_a_run_leaves_its_results_and_nothing_else(made_up, tmp_path, how):
    done = screened(tmp_path, **how)
    assert (done.folder / "lots.txt").read_text() == expected_text()
    assert done.record["inputs"] == ["lots.gpkg"]
    assert done.record["screening"]["jurisdictions"] == ["Town"]
    assert names(tmp_path) == ["out"]
    assert begun(tmp_path) == Counter(range(N_TASKS))


# --- killed


def test_kills_at_random_moments(made_up, tmp_path):
    """Each run is killed at some moment of its span, over and over, until one gets to its end."""
    chance = random.Random(20270211)
    assert ended(in_child(lambda: screened(tmp_path, "first"))) is False
    began = time.perf_counter()
    assert ended(in_child(lambda: screened(tmp_path, "second"))) is False
    span = time.perf_counter() - began
    expected = told_of(tmp_path / "first")
    assert told_of(tmp_path / "second") == expected
    n_killed, k = 0, 0
    while n_killed < N_KILLS:
        out = tmp_path / f"out{k}"
        kept, before = finished(work.working_folder(out)), begun(tmp_path)
        pid = in_child(lambda name=out.name: screened(tmp_path, name))
        time.sleep(chance.uniform(0.0, span))
        n_killed += killed(pid)
        assert not any((begun(tmp_path) - before)[one] for one in kept)  # nothing done was redone
        if not out.exists() and n_killed < N_KILLS:
            continue
        if not out.exists() or work.working_folder(out).exists():
            screened(tmp_path, out.name)
        assert told_of(out) == expected
        k += 1
    left = set(names(tmp_path)) - {"first", "second", *(f"out{j}" for j in range(k))}
    assert all(re.fullmatch(r"\.out\d+\.unfinished\.partial-.*", name) for name in left)


def test_killed_with_its_workers_at_work(made_up, tmp_path):
    """Killed twice while two processes are at it; then another engine goes on."""
    store = Store(tmp_path / "out.unfinished")
    for at in (4, 8):
        for number in (at, at + 1):  # both workers are held up there
            (tmp_path / f"hold-{number}").touch()
        before = begun(tmp_path)
        pid = in_child(lambda: screened(tmp_path, workers=2))
        while not {at, at + 1} <= set(begun(tmp_path) - before):
            time.sleep(0.002)
        assert killed(pid)
        assert finished(store.folder) == set(range(at))
        assert set(begun(tmp_path) - before) == set(range(at - 4, at + 2))
        for number in (at, at + 1):
            (tmp_path / f"hold-{number}").unlink()
    before = begun(tmp_path)
    done = screened(tmp_path, workers=2, engine="threads")
    assert (done.folder / "lots.txt").read_text() == expected_text()
    assert begun(tmp_path) - before == Counter(range(8, N_TASKS))


STEPS = {
    "before the state is written": ("write_state", "before", 1),
    "after the state is written": ("write_state", "after", 1),
    "while the folder is emptied": ("clear", "before", 1),
    "after reading": ("read_into", "after", 1),
    "after planning": ("make_tasks", "after", 1),
    "before reading counts": ("write_state", "before", 2),
    "when reading counts": ("write_state", "after", 2),
    "when all is measured": ("run_tasks", "after", 1),
    "before gathering": ("gather", "before", 1),
    "after gathering": ("gather", "after", 1),
    "before the work is put away": ("retire", "before", 1),
    "after the work is put away": ("retire", "after", 1),
}


def dying(step, when, nth):
    """A function that ends the process before or after its nth call."""
    n_calls = []

    def call(*args, **named):
        n_calls.append(1)
        if when == "before" and len(n_calls) == nth:
            die()
        found = step(*args, **named)
        if when == "after" and len(n_calls) == nth:
            die()
        return found

    return call


@pytest.mark.parametrize("step", STEPS)
def test_killed_at_a_step_it_goes_on(made_up, tmp_path, monkeypatch, step):
    name, when, nth = STEPS[step]
    whole = getattr(work, name)
    monkeypatch.setattr(work, name, dying(whole, when, nth))
    assert ended(in_child(lambda: screened(tmp_path)))
    monkeypatch.setattr(work, name, whole)
    kept, before = finished(tmp_path / "out.unfinished"), begun(tmp_path)
    is_over = (tmp_path / "out").exists()
    assert is_over == (name == "retire")
    if step == "after the work is put away":
        with pytest.raises(FileError, match="it exists"):
            screened(tmp_path)
    else:
        screened(tmp_path)
    assert (tmp_path / "out" / "lots.txt").read_text() == expected_text()
    assert names(tmp_path) == ["out"]
    again = begun(tmp_path) - before
    assert set(again) == (set() if is_over else set(range(N_TASKS)) - kept)


@pytest.mark.parametrize("at", ["crowns", "notes", "lots"])
def test_a_partition_counts_only_when_all_of_it_is_there(made_up, tmp_path, at):
    """Cut to half, as a power cut may leave a file that had its name already."""
    pid = in_child(lambda: screened(tmp_path))
    store = Store(tmp_path / "out.unfinished")
    while not store.done(5).exists():
        time.sleep(0.001)
    killed(pid)
    path = store.done(3, at)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    before = begun(tmp_path)
    screened(tmp_path)
    assert (begun(tmp_path) - before)[3] == 1
    assert (begun(tmp_path) - before)[2] == 0
    assert (tmp_path / "out" / "lots.txt").read_text() == expected_text()


def test_what_was_half_written_goes(made_up, tmp_path, monkeypatch):
    stop_after(monkeypatch, 4)
    with pytest.raises(work.Kept):
        screened(tmp_path)
    monkeypatch.undo()
    left = tmp_path / "out.unfinished" / "done" / ".00004.lots.partial-99.arrow"
    left.write_text("half")
    work.sweep(Store(tmp_path / "out.unfinished"))
    assert not left.exists()


# --- stopped


def stop_after(monkeypatch, n):
    """Ctrl-C once so many partitions are measured."""
    whole = work.run_tasks

    def stopped(folder, numbers, **how):
        whole(folder, list(numbers)[:n], **how)
        raise KeyboardInterrupt

    monkeypatch.setattr(work, "run_tasks", stopped)


def stopped_at(folder, n, **how):
    """A screening that was stopped once so many partitions were measured."""
    with pytest.MonkeyPatch.context() as patch:
        stop_after(patch, n)
        with pytest.raises(work.Kept):
            screened(folder, **how)


def test_stopped_it_tells_what_is_kept(made_up, tmp_path, monkeypatch):
    whole = work.run_tasks
    stop_after(monkeypatch, 5)
    with pytest.raises(work.Kept) as told:
        screened(tmp_path)
    assert told.value.words == (
        f"stopped; 5 of {N_TASKS} partitions are kept; run the same command to go on"
    )
    assert told.value.exit_code == 130
    assert names(tmp_path) == ["out.unfinished"]
    monkeypatch.setattr(work, "run_tasks", whole)
    done = screened(tmp_path)
    assert done.record["run"]["n_kept"] == 5
    assert begun(tmp_path) == Counter(range(N_TASKS))


def test_stopped_by_the_system_it_tells_so(made_up, tmp_path, monkeypatch):
    from geotrim.cli.stopping import Stopped

    def stopped(*_, **__):
        raise Stopped

    monkeypatch.setattr(work, "run_tasks", stopped)
    with pytest.raises(work.Kept) as told:
        screened(tmp_path)
    assert told.value.exit_code == 143


@pytest.mark.parametrize("error", [KeyboardInterrupt, LayerError("a", "b", "c", "d"), OSError(28)])
def test_reading_that_does_not_end_leaves_nothing(made_up, tmp_path, monkeypatch, error):
    def fails(*_, **__):
        raise error

    monkeypatch.setattr(work, "make_tasks", fails)
    expected = {KeyboardInterrupt: work.Kept}.get(error, type(error))
    expected = FileError if expected is OSError else expected
    with pytest.raises(expected) as told:
        screened(tmp_path, "deep/er/out")
    if error is KeyboardInterrupt:
        assert "no partition is measured yet" in told.value.words
    assert names(tmp_path) == []


# --- another run, other inputs


def test_one_run_at_a_time(made_up, tmp_path):
    made_up.pause_s = 5.0
    pid = in_child(lambda: screened(tmp_path))
    state = tmp_path / "out.unfinished" / "state.json"
    while not state.exists():
        time.sleep(0.002)
    made_up.pause_s = 0.0
    try:
        with pytest.raises(FileError, match=rf"another run is at work in it \(process {pid} on "):
            screened(tmp_path)
    finally:
        killed(pid)
    assert screened(tmp_path).folder == tmp_path / "out"  # its lock ended with it


def changed(tmp_path, **said):
    (tmp_path / "screen.json").write_text(json.dumps({"name": "A Cove", "reach_ft": 50.0, **said}))


def test_other_inputs_are_refused_and_named(made_up, tmp_path):
    stopped_at(tmp_path, 5)
    changed(tmp_path, reach_ft=60.0)
    with pytest.raises(FileError) as told:
        screened(tmp_path)
    assert f"5 of {N_TASKS} partitions" in told.value.found
    assert "[options] reach_ft is 60.0, was 50.0" in told.value.found
    assert "--fresh" in told.value.mend
    changed(tmp_path)
    before = begun(tmp_path)
    screened(tmp_path)  # put back, it goes on
    assert (begun(tmp_path) - before).total() == N_TASKS - 5


def test_fresh_throws_away_what_was_kept(made_up, tmp_path):
    stopped_at(tmp_path, 5)
    changed(tmp_path, reach_ft=60.0)
    (tmp_path / "out.unfinished" / "old").mkdir()
    done = screened(tmp_path, is_fresh=True)
    assert done.record["run"]["n_kept"] == 0
    assert begun(tmp_path)[0] == 2
    assert names(tmp_path) == ["out"]


def test_nothing_measured_is_nothing_to_lose(made_up, tmp_path):
    """Where only reading is done, other inputs are simply read."""
    stopped_at(tmp_path, 0)
    changed(tmp_path, reach_ft=60.0)
    told = io.StringIO()
    done = screened(tmp_path, progress=Progress(told))
    assert done.record["input_key"]["said"]["options"]["reach_ft"] == 60.0
    line = "no partition was measured yet, so reading starts anew: [options] reach_ft is 60.0, was"
    assert line in told.getvalue()


def changing(made_up, monkeypatch, step, role):
    """An input that gets another content once a step is over, the first time."""
    whole = getattr(work, step)

    def changed(*given, **named):
        found = whole(*given, **named)
        made_up.contents = {role: "b"}
        return found

    made_up.contents = {role: "a"}
    monkeypatch.setattr(work, step, changed)


def test_heights_changed_while_they_are_measured_are_refused(made_up, tmp_path, monkeypatch):
    """Even when they are put back: what was measured meanwhile may be of the others."""
    whole = work.run_tasks
    changing(made_up, monkeypatch, "run_tasks", "heights")
    with pytest.raises(FileError, match=r"heights: heights\.tif has another content") as told:
        screened(tmp_path)
    assert "--fresh" in told.value.mend and "kept" not in told.value.mend
    assert names(tmp_path) == ["out.unfinished"]
    monkeypatch.setattr(work, "run_tasks", whole)
    made_up.contents = {"heights": "a"}
    with pytest.raises(FileError, match=r"heights: heights\.tif has another content"):
        screened(tmp_path)
    done = screened(tmp_path, is_fresh=True)
    assert done.record["run"]["n_kept"] == 0
    assert set(begun(tmp_path).values()) == {2}


def test_what_was_copied_may_change_afterwards_and_it_is_told(made_up, tmp_path, monkeypatch):
    changing(made_up, monkeypatch, "run_tasks", "lots")
    told = io.StringIO()
    done = screened(tmp_path, progress=Progress(told))
    assert done.record["input_key"]["files"]["lots"]["sha256"] == "a"
    assert "results are of what was read: lots: lots.tif has another content" in told.getvalue()


def test_an_input_changed_while_it_is_read_is_refused(made_up, tmp_path, monkeypatch):
    changing(made_up, monkeypatch, "read_into", "lots")
    with pytest.raises(FileError, match=r"while it was read: lots: lots\.tif has another content"):
        screened(tmp_path)
    assert names(tmp_path) == []


def test_workers_and_engine_may_change(made_up, tmp_path):
    stopped_at(tmp_path, 5, memory_mb=1234)
    done = screened(tmp_path, workers=2, engine="threads", memory_mb=4321)
    assert done.record["run"] == {"n_kept": 5, "memory_mb": 4321}


# --- folders


def test_folders_of_others_are_left_alone(made_up, tmp_path):
    (tmp_path / "out.unfinished").mkdir()
    (tmp_path / "out.unfinished" / "mine.txt").write_text("mine")
    with pytest.raises(FileError, match="none of geotrim's"):
        screened(tmp_path, is_fresh=True)
    assert (tmp_path / "out.unfinished" / "mine.txt").read_text() == "mine"
    (tmp_path / "out").mkdir()
    with pytest.raises(FileError, match="it exists"):
        screened(tmp_path)
    (tmp_path / "out" / "other.txt").write_text("x")
    with pytest.raises(FileError, match="not a screening"):
        screened(tmp_path, is_replacing=True)
    assert begun(tmp_path) == Counter()


@pytest.mark.parametrize("text", ["{", "[]", "{}", f'{{"state_version": {STATE_VERSION}}}'])
def test_a_state_that_is_none_of_ours_is_refused(made_up, tmp_path, text):
    (tmp_path / "out.unfinished").mkdir()
    (tmp_path / "out.unfinished" / "state.json").write_text(text)
    for is_fresh in (False, True):
        with pytest.raises(FileError, match=r"state\.json"):
            screened(tmp_path, is_fresh=is_fresh)
    assert (tmp_path / "out.unfinished" / "state.json").read_text() == text


def test_work_of_another_version_is_told_as_such_and_may_be_thrown_away(made_up, tmp_path):
    """Whatever else it holds: only ``state_version`` is known to be there."""
    (tmp_path / "out.unfinished").mkdir()
    state = tmp_path / "out.unfinished" / "state.json"
    state.write_text('{"state_version": 99, "of": "something"}')
    with pytest.raises(FileError, match=r"another version of geotrim.*say --fresh"):
        screened(tmp_path)
    assert "99" in state.read_text()
    assert screened(tmp_path, is_fresh=True).folder == tmp_path / "out"
    assert names(tmp_path) == ["out"]


def test_an_earlier_screening_is_replaced_only_when_asked(made_up, tmp_path):
    screened(tmp_path)
    with pytest.raises(FileError, match="--replace"):
        screened(tmp_path)
    changed(tmp_path, reach_ft=60.0)
    done = screened(tmp_path, is_replacing=True)
    assert done.record["input_key"]["said"]["options"]["reach_ft"] == 60.0
    assert names(tmp_path) == ["out"]


def test_what_is_read_is_not_replaced_by_what_comes_of_it(made_up, tmp_path):
    """Said before anything is measured: the lots are those of the screening at --out."""
    made_up.contents = {"../out/lots": "a"}
    screened(tmp_path)
    (tmp_path / "below").mkdir()
    (tmp_path / "screen.json").rename(tmp_path / "below" / "screen.json")
    before = begun(tmp_path)
    with pytest.raises(FileError, match=r"lots\.tif in it, which is read"):
        work.screen(
            tmp_path / "below" / "screen.json", tmp_path / "out", workers=1, is_replacing=True
        )
    assert begun(tmp_path) == before


@pytest.mark.parametrize("n", [236, 250, 300])
def test_a_name_too_long_is_told_before_anything_is_made(made_up, tmp_path, n):
    """255 bytes: POSIX leaves it to the system (NAME_MAX); that of Linux's usual drives."""
    with pytest.raises(FileError, match=f"a name of {n} letters.*choose a shorter --out"):
        screened(tmp_path, "n" * n)
    assert names(tmp_path) == []


def test_a_lock_that_cannot_be_had_is_told(made_up, tmp_path, monkeypatch):
    (tmp_path / "out.unfinished" / "lock").mkdir(parents=True)  # cannot be opened as a file
    with pytest.raises(FileError, match="that it cannot be locked"):
        screened(tmp_path)
    (tmp_path / "out.unfinished" / "lock").rmdir()

    def no_locks(*_):
        raise OSError(37, "No locks available")

    monkeypatch.setattr("fcntl.flock", no_locks)
    with pytest.raises(FileError, match="No locks available"):
        screened(tmp_path)
    assert begun(tmp_path) == Counter()


def test_a_scheduler_is_asked_before_anything_is_read(made_up, tmp_path, monkeypatch):
    def silent(*_):
        raise ConnectionRefusedError("nobody")

    monkeypatch.setattr("geotrim.screen.cluster.ask_scheduler", silent)
    monkeypatch.setattr(work, "input_key", lambda _: pytest.fail("inputs were looked at"))
    with pytest.raises(EngineError, match=r"no answer from 'tcp://127\.0\.0\.1:9'"):
        screened(tmp_path, scheduler="tcp://127.0.0.1:9")
    assert names(tmp_path) == []


def test_results_of_another_run_are_not_taken_for_ours(made_up, tmp_path, monkeypatch):
    """Results stand there, and beside them unfinished work that did not make them."""
    screened(tmp_path)
    stop_after(monkeypatch, 3)
    with pytest.raises(work.Kept):
        screened(tmp_path, is_replacing=True)
    store = Store(tmp_path / "out.unfinished")
    write_state(store, replace(read_state(store), started_utc="2027-01-01T00:00:00Z"))
    with pytest.raises(FileError, match="it exists"):
        screened(tmp_path)
    assert len(finished(store.folder)) == 3


def test_folders_without_a_name_follow_the_screening(made_up, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    one = work.screen("screen.json", workers=1)
    other = work.screen("screen.json", workers=1)
    assert (one.folder, other.folder) == (Path("results/a-cove"), Path("results/a-cove-2"))
    whole = work.run_tasks
    stop_after(monkeypatch, 3)
    with pytest.raises(work.Kept):
        work.screen("screen.json", workers=1)
    assert (tmp_path / "results" / "a-cove-3.unfinished").is_dir()
    monkeypatch.setattr(work, "run_tasks", whole)
    third = work.screen("screen.json", workers=1)
    assert third.folder == Path("results/a-cove-3")
    assert third.record["run"]["n_kept"] == 3
    assert names(tmp_path / "results") == ["a-cove", "a-cove-2", "a-cove-3"]


def test_killed_before_the_work_was_put_away_without_a_name(made_up, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    whole = work.retire
    monkeypatch.setattr(work, "retire", dying(whole, "before", 1))
    assert ended(in_child(lambda: work.screen("screen.json", workers=1)))
    monkeypatch.setattr(work, "retire", whole)
    done = work.screen("screen.json", workers=1)
    assert done.folder == Path("results/a-cove")
    assert names(tmp_path / "results") == ["a-cove"]
    assert begun(tmp_path / "results") == Counter(range(N_TASKS))


@pytest.mark.parametrize("is_fresh", [False, True])
def test_work_that_was_not_put_away_is_when_something_else_is_asked(
    made_up, tmp_path, monkeypatch, is_fresh
):
    monkeypatch.chdir(tmp_path)
    whole = work.retire
    monkeypatch.setattr(work, "retire", dying(whole, "before", 1))
    assert ended(in_child(lambda: work.screen("screen.json", workers=1)))
    monkeypatch.setattr(work, "retire", whole)
    changed(tmp_path, reach_ft=60.0)
    done = work.screen("screen.json", workers=1, is_fresh=is_fresh)
    assert done.folder == Path("results/a-cove-2")
    assert names(tmp_path / "results") == ["a-cove", "a-cove-2"]


def gdal_on_a_full_disk(*_, **__):
    """As pyogrio hands on what SQLite says of a full disk (result code SQLITE_FULL)."""
    from pyogrio.errors import DataLayerError

    raise DataLayerError("failed to execute insert : database or disk is full")


def file_on_a_full_disk(store, folder, *_, **__):
    with new_file(folder / "notes.csv"):
        raise OSError(28, "No space left on device")


@pytest.mark.parametrize(
    ("step", "fails", "words"),
    [
        ("gather", gdal_on_a_full_disk, "disk is full"),
        ("gather", file_on_a_full_disk, "No space left"),
        ("screen_record", file_on_a_full_disk, "No space left"),
    ],
)
def test_a_full_disk_while_writing_tells_what_is_kept(
    made_up, tmp_path, monkeypatch, step, fails, words
):
    if step == "screen_record":  # its record goes into the folder that is filled
        fails = partial(fails, None, tmp_path)
        monkeypatch.setattr(work, step, lambda *_, **__: fails())
    else:
        monkeypatch.setattr(work, step, fails)
    with pytest.raises(FileError) as told:
        screened(tmp_path)
    assert told.value.subject == str(tmp_path / "out.unfinished")
    assert "no room left on the disk" in told.value.found and words in told.value.found
    assert "make room, then run the same command again: all partitions" in told.value.mend
    assert names(tmp_path) == ["out.unfinished"]
    assert finished(tmp_path / "out.unfinished") == set(range(N_TASKS))


def test_a_bug_while_writing_keeps_its_traceback(made_up, tmp_path, monkeypatch):
    monkeypatch.setattr(work, "gather", lambda *_, **__: 1 // 0)
    with pytest.raises(ZeroDivisionError):
        screened(tmp_path)


def test_a_failure_while_writing_keeps_what_was_measured(made_up, tmp_path, monkeypatch):
    whole = work.gather

    def full(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(work, "gather", full)
    with pytest.raises(FileError, match="make room, then run the same command again"):
        screened(tmp_path)
    assert names(tmp_path) == ["out.unfinished"]
    monkeypatch.setattr(work, "gather", whole)
    assert screened(tmp_path).record["run"]["n_kept"] == N_TASKS
    assert begun(tmp_path) == Counter(range(N_TASKS))


# --- workers and memory


def test_as_many_workers_as_processors_and_memory_allow(monkeypatch):
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: set(range(8)), raising=False)
    assert workers.held(None, "processes", 100_000, 99) == (8, "")
    assert workers.held(None, "processes", 100_000, 5) == (5, "")  # nobody asked for 8
    assert workers.held(3, "processes", PARENT_MB + 3 * WORKER_MB, 99) == (3, "")
    assert workers.held(3, "threads", PARENT_MB + 3 * THREAD_MB, 3) == (3, "")
    assert workers.held(1, "processes", 500, 99) == (1, "")
    assert workers.held(2, "processes", 100_000, 0)[0] == 1
    monkeypatch.delattr(os, "sched_getaffinity")
    monkeypatch.setattr(os, "cpu_count", lambda: None)
    assert workers.held(None, "processes", 100_000, 99) == (1, "")


@pytest.mark.parametrize(
    ("engine", "each", "kind"),
    [("processes", WORKER_MB, "worker"), ("threads", THREAD_MB, "thread")],
)
def test_more_workers_than_can_be_are_held_and_told(engine, each, kind):
    budget, wanted = PARENT_MB + 3 * each - 1, PARENT_MB + 1000 * each
    assert workers.held(1000, engine, budget, 99) == (
        2,
        f"2 {kind}s, not 1,000: {budget:,} MB bear no more, 1,000 ask for --memory-mb {wanted}",
    )
    enough = f"7 {kind}s, not 1,000: partitions to measure: 7"
    assert workers.held(1000, engine, 10**9, 7) == (7, enough)
    assert workers.held(7, engine, 10**9, 1)[1].startswith(f"1 {kind}, not 7: ")


def test_workers_that_are_held_are_those_that_work(made_up, tmp_path, monkeypatch):
    asked = []
    monkeypatch.setattr(work, "run_tasks", lambda *_, workers, **__: asked.append(workers))
    monkeypatch.setattr(work, "gather", lambda *_, **__: pytest.fail("far enough"))
    for how in ({"workers": 1000, "memory_mb": PARENT_MB + 2 * WORKER_MB}, {"workers": 1}):
        with pytest.raises(pytest.fail.Exception, match="far enough"):
            screened(tmp_path, **how)
    assert asked == [2, 1]


@pytest.mark.parametrize(
    ("how", "subject"),
    [({"workers": 0}, "--workers"), ({"engine": "x"}, "--engine"), ({"memory_mb": 10}, "--memory")],
)
def test_what_cannot_be_is_refused_before_anything_is_read(tmp_path, how, subject):
    with pytest.raises(EngineError) as told:
        work.screen(tmp_path / "none.toml", tmp_path / "out", **how)
    assert told.value.subject.startswith(subject)


def test_going_on_is_told(made_up, tmp_path):
    stopped_at(tmp_path, 5)
    stream = io.StringIO()
    screened(tmp_path, progress=Progress(stream), workers=2, memory_mb=PARENT_MB + WORKER_MB)
    lines = stream.getvalue().splitlines()
    assert f"geotrim: going on: 5 of {N_TASKS} partitions are kept" in lines
    assert f"geotrim: measuring: 5 of {N_TASKS} partitions, 20 of 48 lots" in lines
    assert any(line.startswith("geotrim: 1 worker, not 2: 1,440 MB bear no more") for line in lines)
    assert any(f"{N_TASKS} of {N_TASKS} partitions, 48 of 48 lots, in" in line for line in lines)


# --- by hand: the command itself, killed over and over


def main(n_kills):
    """Kill ``geotrim screen`` on a small county, each run anew, and compare the results."""
    import subprocess
    import tempfile

    from county_made import small_county

    folder = Path(tempfile.mkdtemp())
    site = small_county(folder / "county", 80, 1600)
    start = (
        "import sys; from geotrim.screen import plan;"
        "plan.partition_lots.__kwdefaults__['per_partition'] = 8;"
        "from geotrim.cli import main; sys.exit(main(sys.argv[1:]))"
    )

    def run(out):
        words = [sys.executable, "-c", start, "screen", site, "--out", out, "--workers", "2"]
        return subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    began = time.monotonic()
    assert run(folder / "whole").wait() == 0
    span, expected, chance = time.monotonic() - began, told_of(folder / "whole"), random.Random(5)
    n_killed = n_whole = 0
    while n_killed < n_kills or n_whole == 0:
        out = folder / f"out{n_whole}"
        process = run(out)
        time.sleep(chance.uniform(0.0, span))
        process.send_signal(signal.SIGKILL)
        is_killed = process.wait() == -signal.SIGKILL
        n_killed += is_killed
        kept = len(finished(work.working_folder(out)))
        sys.stdout.write(f"{n_killed}: {'killed' if is_killed else 'ended'}, {kept} kept\n")
        if not is_killed or n_killed == n_kills:
            assert run(out).wait() == 0 or out.exists()
            assert told_of(out) == expected
            n_whole += 1
            sys.stdout.write(f"  whole: the same as undisturbed, {len(expected)} files\n")
    shutil.rmtree(folder)


if __name__ == "__main__":
    main(int(sys.argv[1]))
