"""Partitions handed out to workers of every kind: the same answer, and what is told of a fault.

Expected contents are squares of numbers and counts of what was asked for.
"""

from __future__ import annotations

import io
import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from geotrim.errors import EngineError, FileError, GeotrimError
from geotrim.screen import crews
from geotrim.screen.attempt import attempt, is_full_disk
from geotrim.screen.engine import MOST_LOSSES, WorkerTraceback, run_tasks
from geotrim.screen.progress import Progress

TESTS = Path(__file__).parent
ENGINES = {
    "alone": {"workers": 1},
    "processes": {"workers": 2},
    "threads": {"workers": 3, "engine": "threads"},
}


@pytest.fixture(params=ENGINES)
def engine(request):
    return ENGINES[request.param]


def planned(folder, *faults):
    (folder / "plan.json").write_text(json.dumps(faults))


def results(folder):
    """Number -> what its file holds."""
    return {int(path.stem): path.read_text() for path in (folder / "done").glob("*.txt")}


def squares(*numbers):
    return {number: str(number * number) for number in numbers}


def listed(folder):
    """Numbers in the order they were done, process ids, and threads."""
    rows = [line.split() for line in (folder / "list.txt").read_text().splitlines()]
    return [int(row[0]) for row in rows], {row[1] for row in rows}, {row[2] for row in rows}


def run(folder, numbers, *, task="screen_tasks:faulty", progress=None, **how):
    run_tasks(folder, numbers, task=task, progress=progress, **how)


# --- what is done


def test_every_engine_does_each_once(tmp_path, engine):
    run(tmp_path, range(3, 30), task="screen_tasks:square", **engine)
    assert results(tmp_path) == squares(*range(3, 30))
    done, _, _ = listed(tmp_path)
    assert sorted(done) == list(range(3, 30))


def test_who_does_them(tmp_path):
    """With one worker this process, with two others, with the other engine its threads."""
    (tmp_path / "alone").mkdir()
    run(tmp_path / "alone", range(5), task="screen_tasks:square")
    assert listed(tmp_path / "alone")[1] == {str(os.getpid())}
    assert listed(tmp_path / "alone")[0] == [0, 1, 2, 3, 4]  # in order
    (tmp_path / "processes").mkdir()
    run(tmp_path / "processes", range(40), task="screen_tasks:square", workers=2)
    pids = listed(tmp_path / "processes")[1]
    assert str(os.getpid()) not in pids
    assert 1 <= len(pids) <= 2
    (tmp_path / "threads").mkdir()
    run(tmp_path / "threads", range(40), task="screen_tasks:square", workers=2, engine="threads")
    _, pids, idents = listed(tmp_path / "threads")
    assert pids == {str(os.getpid())}
    assert 1 <= len(idents) <= 2


def test_nothing_to_do_starts_nobody(tmp_path):
    run(tmp_path, [], workers=2, scheduler="nonsense")
    assert list(tmp_path.iterdir()) == []


class Counting:
    """A crew that only counts how many are out."""

    room = 3

    def __init__(self):
        self.out, self.most, self.order = [], 0, []

    def __enter__(self):
        return self

    def __exit__(self, *_):
        pass

    def hand_out(self, number):
        self.out.append(number)
        self.order.append(number)
        self.most = max(self.most, len(self.out))

    def reply(self, patience_s):
        from geotrim.screen.attempt import Reply

        return Reply(self.out.pop(), "done", n_lots=1)

    def news(self):
        return ()


def test_few_are_out_at_a_time_and_in_order(tmp_path, monkeypatch):
    crew = Counting()
    monkeypatch.setattr("geotrim.screen.engine.crew_of", lambda *_: crew)
    run_tasks(tmp_path, iter(range(50)))
    assert crew.most == 3
    assert crew.order == list(range(50))


def test_a_worker_starts_no_threads_of_its_own(tmp_path):
    """Limits that libraries read from the environment; a worker has them, this process has not."""
    (tmp_path / "asks.py").write_text(
        "import os, pathlib\n"
        "def asks(folder, number):\n"
        "    words = [os.environ.get(n) for n in ('NUMBA_NUM_THREADS', 'GDAL_NUM_THREADS')]\n"
        "    pathlib.Path(folder, f'{number}.env').write_text(repr(words))\n"
        "    return {}\n"
    )
    sys.path.insert(0, str(tmp_path))
    try:
        run(tmp_path, range(4), task="asks:asks", workers=2)
    finally:
        sys.path.remove(str(tmp_path))
    assert {p.read_text() for p in tmp_path.glob("*.env")} == {"['1', '1']"}


def test_what_a_library_prints_is_no_answer(tmp_path, capfd):
    planned(tmp_path, *({"at": k, "how": "prints"} for k in range(6)))
    run(tmp_path, range(6), workers=2)
    assert results(tmp_path) == squares(*range(6))
    assert capfd.readouterr().out == ""


# --- what goes wrong


def test_a_bad_input_stops_its_partitions_only(tmp_path, engine):
    planned(
        tmp_path,
        {"at": 2, "how": "input"},
        {"at": 5, "how": "other input"},
        {"at": 7, "how": "input"},
    )
    with pytest.raises(FileError) as told:
        run(tmp_path, range(10), **engine)
    assert results(tmp_path) == squares(0, 1, 3, 4, 6, 8, 9)
    assert told.value.subject == "tile_7.tif"
    assert "a file cut short (at partitions 2, 7; also at fault: tile_5.tif)" in told.value.found
    assert "3 partitions missing" in told.value.mend
    (tmp_path / "plan.json").write_text("[]")
    run(tmp_path, [2, 5, 7], **engine)
    assert results(tmp_path) == squares(*range(10))


def test_a_bug_keeps_its_traceback_and_the_others(tmp_path, engine):
    planned(tmp_path, {"at": 4, "how": "bug"}, {"at": 1, "how": "input"}, {"at": 6, "how": "bug"})
    with pytest.raises(ZeroDivisionError, match="at 4") as told:
        run(tmp_path, range(8), **engine)
    assert results(tmp_path) == squares(0, 2, 3, 5, 7)
    assert isinstance(told.value.__cause__, WorkerTraceback)
    assert "in _go_wrong" in str(told.value.__cause__)


def test_a_bug_that_cannot_travel_is_told_in_words(tmp_path):
    planned(tmp_path, {"at": 0, "how": "bug of a local kind"})
    with pytest.raises(RuntimeError, match="partition 0 failed") as told:
        run(tmp_path, range(2), workers=2)
    assert "OddError: odd" in str(told.value.__cause__)


@pytest.mark.parametrize(
    ("how", "words"), [("killed", "memory is short (signal 9)"), ("leaves", "exit code 3")]
)
def test_a_lost_worker_is_told_and_its_partition_tried_again(tmp_path, how, words):
    planned(tmp_path, {"at": 2, "how": how, "times": 2}, {"at": 5, "how": how, "times": 1})
    told = io.StringIO()
    run(tmp_path, range(8), workers=2, progress=Progress(told))
    assert results(tmp_path) == squares(*range(8))
    lines = [line for line in told.getvalue().splitlines() if "lost" in line]
    assert len(lines) == 3  # twice over 2, once over 5: the one that was lost, no other
    assert sum("over partition 2" in line and words in line for line in lines) == 2
    assert all("tried again" in line for line in lines)
    assert sorted(listed(tmp_path)[0]) == list(range(8))  # none was done twice


def test_a_partition_that_loses_its_worker_three_times_stops_the_run(tmp_path):
    planned(tmp_path, {"at": 2, "how": "killed"})
    told = io.StringIO()
    with pytest.raises(EngineError) as error:
        run(tmp_path, range(8), workers=2, progress=Progress(told))
    assert results(tmp_path) == squares(0, 1, 3, 4, 5, 6, 7)  # it was the last to be tried again
    assert error.value.subject == "partition 2"
    for word in ("memory", "same command", "fewer --workers", "is kept, 1 partition missing"):
        assert word in error.value.mend
    assert "--fresh" not in error.value.mend  # nothing that is finished hangs on the budget
    assert told.getvalue().count("lost over partition 2") == MOST_LOSSES == 3


def test_memory_that_runs_out_is_like_a_lost_worker(tmp_path, engine):
    planned(tmp_path, {"at": 1, "how": "memory", "times": 2})
    run(tmp_path, range(3), **engine)
    assert results(tmp_path) == squares(*range(3))
    planned(tmp_path, {"at": 1, "how": "memory"})
    with pytest.raises(EngineError, match="ran out of memory"):
        run(tmp_path, range(3), **engine)


def test_a_full_disk_stops_the_run_with_what_to_do(tmp_path, engine):
    planned(tmp_path, {"at": 1, "how": "full"})
    with pytest.raises(FileError) as told:
        run(tmp_path, range(1000), **engine)
    assert "No space left on device" in told.value.found
    assert "make room, then run the same command again" in told.value.mend
    done = results(tmp_path)
    assert 0 in done and 1 not in done
    assert len(done) < 900  # the rest was not even begun


def test_a_full_disk_is_known_however_it_is_wrapped(tmp_path):
    """``/dev/full`` refuses every write with ENOSPC (Linux manual, full(4))."""
    import pyarrow as pa

    from geotrim.screen.store import write_table

    with pytest.raises(OSError, match="No space") as raw, Path("/dev/full").open("w") as full:
        full.write("x" * 10)
    assert is_full_disk(raw.value)
    target = tmp_path / "a.arrow"
    aside = tmp_path / f".a.partial-{os.getpid()}.arrow"
    aside.symlink_to("/dev/full")
    with pytest.raises(FileError) as told:
        write_table(target, pa.table({"x": list(range(100000))}))
    assert is_full_disk(told.value)
    assert not target.exists() and list(tmp_path.iterdir()) == []
    assert not is_full_disk(FileError("a", "b", "c", "d"))
    assert not is_full_disk(OSError(13, "Permission denied"))
    assert is_full_disk(RuntimeError("sqlite3_exec() failed: database or disk is full"))
    assert not is_full_disk(RuntimeError("database is locked"))
    assert not is_full_disk(FileError("the disk is full.tif", "nothing", "a raster", "look"))


def test_a_reply_carries_an_error_whole(tmp_path):
    planned(tmp_path, {"at": 0, "how": "input"})
    reply = attempt("screen_tasks:faulty", str(tmp_path), 0)
    kind, *parts = reply.error
    assert kind is FileError
    assert parts == ["tile_7.tif", "a file cut short", "a whole tile", "copy it again"]


@pytest.mark.parametrize(
    ("how", "subject"),
    [({"workers": 0}, "--workers"), ({"engine": "magic"}, "--engine")],
)
def test_workers_that_cannot_be(tmp_path, how, subject):
    with pytest.raises(GeotrimError) as told:
        run(tmp_path, [1], **how)
    assert told.value.subject == subject


# --- stopped


def is_running(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def waited_for(condition, patience_s=10.0):
    end = time.monotonic() + patience_s
    while not condition():
        assert time.monotonic() < end, "it did not come about"
        time.sleep(0.02)


def children_of(pid):
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            parent = stat.read_text().rpartition(")")[2].split()[1]
        except OSError:
            continue
        if int(parent) == pid:
            found.append(int(stat.parent.name))
    return found


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGKILL])
def test_workers_end_with_their_parent(tmp_path, number):
    """Asked to stop, or killed without a chance to tell anybody."""
    code = (
        f"import sys; sys.path.insert(0, {str(TESTS)!r})\n"
        "from geotrim.screen.engine import run_tasks\n"
        f"run_tasks({str(tmp_path)!r}, range(9), workers=2, task='screen_tasks:slow')\n"
    )
    parent = subprocess.Popen([sys.executable, "-c", code], stderr=subprocess.PIPE, text=True)
    try:
        waited_for(lambda: len(list(tmp_path.glob("begun-*"))) == 2)
        workers = children_of(parent.pid)
        assert len(workers) == 2
        # a terminal sends Ctrl-C to all of a session: workers hear of it from their parent alone
        assert os.getsid(parent.pid) not in map(os.getsid, workers)
        parent.send_signal(number)
        _, told = parent.communicate(timeout=10)
    finally:
        parent.kill()
        parent.wait()
    waited_for(lambda: not any(map(is_running, workers)))
    assert not (tmp_path / "done").exists()
    assert told.count("Traceback") == (1 if number == signal.SIGINT else 0)  # the parent's own


def test_an_error_ends_threads_before_it_is_raised(tmp_path):
    """What a thread is at, it ends; what it has not begun, it leaves."""

    def fail():
        with crews.threads("screen_tasks:square", str(tmp_path), 2) as crew:
            for number in range(200):
                crew.hand_out(number)
            raise KeyError

    with pytest.raises(KeyError):
        fail()
    n_then = len(results(tmp_path))
    time.sleep(0.05)
    assert len(results(tmp_path)) == n_then < 200
    assert not list((tmp_path / "done").glob(".*"))


# --- progress


class Terminal(io.StringIO):
    def isatty(self):
        return True


def counted(stream):
    """Progress with a clock of its own, which is a list of one number."""
    clock = [0.0]
    return Progress(stream, clock=lambda: clock[0]), clock


def test_on_a_terminal_one_line_is_rewritten():
    """100 lots in 10 s is 10 a second; of 1000 the other 900 take 90 s."""
    stream = Terminal()
    progress, clock = counted(stream)
    progress("reading")
    progress.begin("measuring", n_tasks=10, n_lots=1000, tasks_done=0, lots_done=0)
    clock[0] = 10.0
    progress.advance(100)
    told = stream.getvalue()
    assert "\n" not in told
    assert told.startswith("\r\x1b[Kreading ...")
    assert told.endswith(
        "\r\x1b[Kmeasuring: 1 of 10 partitions, 100 of 1,000 lots, 10 lots/s, 1 min 30 s left ..."
    )
    progress.say("a worker was lost")
    assert stream.getvalue().endswith("\r\x1b[Kgeotrim: a worker was lost\n")
    progress.end()
    assert stream.getvalue().endswith("\r\x1b[K")


def test_time_left_is_by_what_was_done_now():
    """Half was kept from before: its 500 lots took no time and tell nothing of the rate."""
    stream = Terminal()
    progress, clock = counted(stream)
    progress.begin("measuring", n_tasks=10, n_lots=1000, tasks_done=5, lots_done=500)
    assert "lots/s" not in stream.getvalue()
    clock[0] = 10.0
    progress.advance(100)
    assert "6 of 10 partitions, 600 of 1,000 lots, 10 lots/s, 40 s left" in stream.getvalue()


def test_the_rate_follows_the_last_minutes():
    """10 a second in the end, whatever it was long ago."""
    stream = Terminal()
    progress, clock = counted(stream)
    progress.begin("measuring", n_tasks=1000, n_lots=100_000, tasks_done=0, lots_done=0)
    for k in range(1, 400):
        clock[0] = 10.0 * k if k < 200 else 2000.0 + 1.0 * (k - 200)
        progress.advance(10)
    assert "10 lots/s" in stream.getvalue().rpartition("\r")[2]


def test_a_log_gets_plain_lines_now_and_then():
    """One in 30 s or 5 %, whichever is later; 2 % in 10 s make 30 s and 6 % of every third."""
    stream = io.StringIO()
    progress, clock = counted(stream)
    progress("reading")
    progress.begin("measuring", n_tasks=50, n_lots=50, tasks_done=0, lots_done=0)
    for k in range(1, 51):
        clock[0] = 10.0 * k
        progress.advance(1)
    progress("writing")
    progress.end()
    lines = stream.getvalue().splitlines()
    assert lines[:2] == ["geotrim: reading", "geotrim: measuring"]
    counts = [int(m[1]) for line in lines if (m := re.search(r"(\d+) of 50 partitions", line))]
    assert counts == [*range(3, 49, 3), 50]
    assert lines[-2:] == [
        "geotrim: measuring: 50 of 50 partitions, 50 of 50 lots, in 8 min 20 s",
        "geotrim: writing",
    ]
    assert "\r" not in stream.getvalue() and "\x1b" not in stream.getvalue()


def test_a_log_waits_for_both_time_and_share():
    """1 % in 100 s: a line every 5 %; 50 % in 1 s: none before 30 s."""
    for step_s, n_tasks, expected in ((100.0, 100, 21), (1.0, 20, 1)):
        stream = io.StringIO()
        progress, clock = counted(stream)
        progress.begin("measuring", n_tasks=n_tasks, n_lots=n_tasks, tasks_done=0, lots_done=0)
        for k in range(1, n_tasks + 1):
            clock[0] = step_s * k
            progress.advance(1)
        assert len(stream.getvalue().splitlines()) == expected


def test_words_that_differ_in_figures_are_one_stage():
    stream = io.StringIO()
    progress, clock = counted(stream)
    for k in range(100):
        progress(f"reading crowns: {1000 * k:,}")
        clock[0] += 1.0
    lines = stream.getvalue().splitlines()
    assert lines[0] == "geotrim: reading crowns: 0"
    assert len(lines) == 4  # at 0, 30, 60 and 90 s


def test_nobody_listens():
    progress = Progress(None)
    progress("reading")
    progress.begin("measuring", n_tasks=1, n_lots=1, tasks_done=0, lots_done=0)
    progress.advance(1)
    progress.say("lost")
    progress.end()
    assert progress.kept == (1, 1)
