"""A screening on a dask.distributed cluster that runs already: two worker processes, in the test.

Expected contents are squares of numbers (``screen_tasks``).
"""

from __future__ import annotations

import builtins
import io
import json
import socket
import sys
from collections import Counter
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import distributed
import pytest

import geotrim
from geotrim.errors import EngineError, FileError
from geotrim.screen import cluster
from geotrim.screen.engine import run_tasks
from geotrim.screen.progress import Progress

TESTS = Path(__file__).parent


@pytest.fixture(scope="module")
def address():
    """A scheduler with two worker processes, which find the stand-in tasks."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", str(TESTS))
        with distributed.LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            processes=True,
            dashboard_address=":0",
            host="127.0.0.1",
        ) as running:
            yield running.scheduler_address


def results(folder):
    return {int(path.stem): path.read_text() for path in (folder / "done").glob("*.txt")}


def squares(numbers):
    return {number: str(number * number) for number in numbers}


def run(folder, numbers, address, *, faults=(), progress=None):
    (folder / "plan.json").write_text(json.dumps(list(faults)))
    run_tasks(folder, numbers, scheduler=address, task="screen_tasks:faulty", progress=progress)


def test_a_cluster_does_each_once(tmp_path, address):
    run(tmp_path, range(30), address)
    assert results(tmp_path) == squares(range(30))
    rows = [line.split() for line in (tmp_path / "list.txt").read_text().splitlines()]
    assert Counter(int(row[0]) for row in rows) == Counter(range(30))
    assert 1 <= len({row[1] for row in rows}) <= 2
    assert not list(tmp_path.glob(".seen-*"))


def test_faults_are_told_as_on_one_machine(tmp_path, address):
    with pytest.raises(FileError, match=r"a file cut short \(at partition 3\)"):
        run(tmp_path, range(8), address, faults=[{"at": 3, "how": "input"}])
    assert results(tmp_path) == squares([0, 1, 2, 4, 5, 6, 7])
    with pytest.raises(FileError, match="No space left on device"):
        run(tmp_path, [3], address, faults=[{"at": 3, "how": "full"}])
    with pytest.raises(ZeroDivisionError, match="at 3"):
        run(tmp_path, [3], address, faults=[{"at": 3, "how": "bug"}])


def test_a_lost_worker_is_told_and_its_work_done_by_another(tmp_path, address):
    told = io.StringIO()
    run(
        tmp_path,
        range(12),
        address,
        faults=[{"at": 4, "how": "killed", "times": 1}],
        progress=Progress(told),
    )
    assert results(tmp_path) == squares(range(12))
    assert told.getvalue().count("a worker of the cluster is gone") == 1


def test_a_worker_that_cannot_see_the_folder_is_refused(tmp_path, address, monkeypatch):
    """As if the mark were elsewhere: it is looked for where nobody put it."""
    (tmp_path / "plan.json").write_text("[]")
    monkeypatch.setattr(Path, "write_text", lambda *_, **__: 0)
    with pytest.raises(EngineError) as told:
        run_tasks(tmp_path, [1], scheduler=address, task="screen_tasks:faulty")
    assert "cannot use the working folder" in told.value.found
    assert str(tmp_path) in told.value.found
    assert "No such file" in told.value.found
    assert "--out" in told.value.mend


def test_what_workers_are_refused_for():
    good = (geotrim.__version__, "")
    cluster.check("w", good, "/f")
    with pytest.raises(EngineError, match=r"geotrim 0\.0\.7 on a worker"):
        cluster.check("w", ("0.0.7", ""), "/f")
    with pytest.raises(EngineError, match="cannot run geotrim"):
        cluster.check("w", ModuleNotFoundError("no module geotrim"), "/f")
    with pytest.raises(EngineError, match="Permission denied"):
        cluster.check("w", (geotrim.__version__, "Permission denied"), "/f")


def test_a_worker_looks_and_leaves_nothing(tmp_path):
    mark = tmp_path / ".seen"
    assert cluster.look(str(mark)) == (geotrim.__version__, "No such file or directory")
    mark.write_text("seen")
    assert cluster.look(str(mark)) == (geotrim.__version__, "")
    assert [path.name for path in tmp_path.iterdir()] == [".seen"]


@pytest.mark.parametrize("kind", ["nobody", "somebody else", "no address"])
def test_a_scheduler_that_does_not_answer(tmp_path, kind):
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        if kind == "nobody":
            other.close()
        address = "nonsense" if kind == "no address" else f"tcp://127.0.0.1:{port}"
        with pytest.raises(EngineError) as told:
            with_cluster(tmp_path, address, wait_s=0.5)
    assert told.value.subject == "--scheduler"
    assert f"no answer from {address!r} within 0.5 s" in told.value.found


def with_cluster(folder, address, **how):
    with cluster.Cluster("screen_tasks:square", str(folder), address, **how):
        pass


def test_a_scheduler_without_workers(tmp_path):
    with (
        distributed.LocalCluster(
            n_workers=0, processes=False, dashboard_address=":0", host="127.0.0.1", protocol="tcp"
        ) as empty,
        pytest.raises(EngineError, match=r"no worker at tcp:.* within 0\.3 s"),
    ):
        with_cluster(tmp_path, empty.scheduler_address, wait_s=0.3)


def test_without_the_library(tmp_path, monkeypatch):
    whole = builtins.__import__

    def lacking(name, *more, **named):
        if name == "distributed":
            raise ImportError("No module named 'distributed'")
        return whole(name, *more, **named)

    monkeypatch.setattr(builtins, "__import__", lacking)
    for ask in (partial(with_cluster, tmp_path), cluster.check_scheduler):
        with pytest.raises(EngineError) as told:
            ask("tcp://127.0.0.1:1")
        assert "geotrim[cluster]" in told.value.mend


class Client:
    """A client whose scheduler tells what it is told to."""

    def __init__(self, *futures):
        self.futures, self.status, self.cancelled = list(futures), "running", []

    def submit(self, *_, key, **__):
        future = self.futures.pop(0)
        future.key = key
        return future

    def cancel(self, futures, force):
        self.cancelled += futures

    def close(self):
        self.status = "closed"


class Future:
    """A future that comes back at once, with one status after the other."""

    def __init__(self, *statuses, error=None):
        self.statuses, self.error = list(statuses), error

    @property
    def status(self):
        return self.statuses[0]

    def add_done_callback(self, tell):
        self.statuses = self.statuses[1:] or self.statuses
        tell(self)

    def exception(self):
        return self.error

    def result(self):
        return "the reply"


def crew_with(*futures):
    crew = cluster.Cluster("a:b", "/f", "tcp://x:1")
    crew._client = Client(*futures)
    return crew


def test_an_answer_that_went_with_its_worker_is_waited_for_again():
    crew = crew_with(Future("", "lost", "finished"))
    crew.hand_out(7)
    assert crew.reply(0.0) is None
    assert crew.reply(0.0) == "the reply"


def test_a_partition_that_kills_worker_after_worker_is_given_up():
    from distributed.scheduler import KilledWorker

    error = KilledWorker("t", SimpleNamespace(address="w"), 3)
    crew = crew_with(Future("", "error", error=error))
    crew.hand_out(7)
    reply = crew.reply(0.0)
    assert (reply.number, reply.kind, reply.words) == (7, "given up", "the scheduler tells of 4")


def test_a_scheduler_that_goes_away():
    crew = crew_with(Future("", "cancelled"))
    crew.hand_out(7)
    with pytest.raises(EngineError, match="is gone, or has dropped the work"):
        crew.reply(0.0)
    crew = crew_with()
    assert crew.reply(0.0) is None
    crew._client.status = "closed"
    with pytest.raises(EngineError, match="is gone"):
        crew.reply(0.0)


def test_stopped_it_takes_back_what_was_handed_out():
    future = Future("", "pending")
    crew = crew_with(future)
    crew.hand_out(7)
    crew.__exit__(KeyboardInterrupt, KeyboardInterrupt(), None)
    assert crew._client.cancelled == [future]
    assert crew._client.status == "closed"
    assert "distributed" in sys.modules
