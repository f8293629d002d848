"""Partitions handed out, and what is done where one fails: the others go on, nothing is lost."""

from __future__ import annotations

import pickle
from collections import Counter, deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from geotrim.errors import EngineError, FileError, GeotrimError
from geotrim.screen.attempt import TASK, Reply
from geotrim.screen.crews import Alone, Crew, processes, threads
from geotrim.screen.defaults import ENGINES
from geotrim.screen.progress import Progress

#: A partition that has lost its worker so many times stops the run.
MOST_LOSSES = 3
#: How often the workers are looked at and the time left is told anew. [s]
LOOK_S = 0.5
#: Partitions and errors that a message names.
MOST_NAMED = 5


class WorkerTraceback(Exception):
    """The traceback of a bug, as it came from another process; shown as the cause of it."""

    def __str__(self) -> str:
        return f"\n\n{self.args[0]}"


@dataclass(slots=True)
class Faults:
    """What went wrong, partition by partition."""

    inputs: list[Reply] = field(default_factory=list)
    bugs: list[Reply] = field(default_factory=list)
    n_lost: Counter[int] = field(default_factory=Counter)
    final: Reply | None = None  # that stops the run: a full disk, a worker lost too often


def run_tasks(
    folder: str | Path,
    numbers: Iterable[int],
    *,
    workers: int = 1,
    engine: str = "processes",
    scheduler: str | None = None,
    progress: Progress | None = None,
    task: str = TASK,
) -> None:
    """Do partitions, in order, few at a time; every finished one stays, whatever the others do.

    Parameters
    ----------
    folder : path-like
        The working folder. Tasks are told by it and their number, and leave their files there.
    numbers : iterable of int
        Partitions to do.
    workers : int
        How many at a time; 1 does them in this process. The answer does not depend on it.
    engine : str
        One of ``ENGINES``: what the workers are.
    scheduler : str, optional
        Address of a dask.distributed scheduler, whose workers are used instead.
    progress : Progress, optional
        Told of each partition that is done.
    task : str
        What does one, as ``module:function`` of (folder, number).

    Raises
    ------
    FileError
        If the disk is full.
    EngineError
        If workers cannot be reached or end over the same partition ``MOST_LOSSES`` times.
    GeotrimError
        If an input does not do for some partitions. The others are done first.
    """
    waiting = deque(numbers)
    n_all = len(waiting)
    if not n_all:
        return
    tell = progress or Progress(None)
    faults, n_out, n_done = Faults(), 0, 0
    with crew_of(str(folder), task, min(workers, n_all), engine, scheduler) as crew:
        while waiting or n_out:
            while waiting and n_out < crew.room:
                crew.hand_out(waiting.popleft())
                n_out += 1
            reply = crew.reply(LOOK_S)
            for news in crew.news():
                tell.say(news)
            if reply is None:
                tell.tick()
                continue
            n_out -= 1
            if reply.kind == "done":
                n_done += 1
                tell.advance(reply.n_lots)
                continue
            note_fault(faults, reply, waiting, tell)
            if faults.final is not None:
                waiting.clear()  # those that are at work may end
    raise_faults(faults, str(folder), n_all - n_done)


def crew_of(folder: str, task: str, workers: int, engine: str, scheduler: str | None) -> Crew:
    """Workers of the kind that was asked for.

    Raises
    ------
    EngineError
        If there is no such kind.
    """
    if engine not in ENGINES:
        raise EngineError("--engine", repr(engine), f"one of {', '.join(ENGINES)}", "choose one")
    if workers < 1:
        raise EngineError("--workers", str(workers), "1 or more", "leave it out for a good number")
    if scheduler is not None:
        from geotrim.screen.cluster import Cluster

        return Cluster(task, folder, scheduler)
    if workers == 1:
        return Alone(task, folder)
    return (processes if engine == "processes" else threads)(task, folder, workers)


def note_fault(faults: Faults, reply: Reply, waiting: deque[int], tell: Progress) -> None:
    """Keep a fault in mind; a partition that has lost its worker waits for its next turn."""
    number = reply.number
    if reply.kind == "input":
        faults.inputs.append(reply)
    elif reply.kind == "bug":
        faults.bugs.append(reply)
    elif reply.kind in ("full", "given up"):
        faults.final = faults.final or reply
    else:
        faults.n_lost[number] += 1
        again = faults.n_lost[number] < MOST_LOSSES
        then = "it is tried again" if again else "it is given up"
        tell.say(f"a worker was lost over partition {number}: {reply.words}; {then}")
        if again:
            waiting.append(number)  # at the end, so that it holds up no other
        else:
            faults.final = faults.final or reply


def raise_faults(faults: Faults, folder: str, n_missing: int) -> None:
    """Raise what has to be told: bugs before anything else, with their traceback."""
    if faults.bugs:
        first = min(faults.bugs, key=lambda reply: reply.number)
        raise _bug(first) from WorkerTraceback(first.words)
    kept = f"what is finished is kept, {n_missing} {_partitions(n_missing)} missing"
    final = faults.final
    if final is not None and final.kind == "full":
        raise no_room(folder, final.words, kept)
    if final is not None:
        told = final.words if final.kind == "given up" else f"{MOST_LOSSES}, the last {final.words}"
        raise EngineError(
            f"partition {final.number}",
            f"that worker after worker was lost over it ({told})",
            "a worker that lives to its end",
            "memory may be short: run the same command again with fewer --workers, 1 at least; "
            f"{kept}",
        )
    if faults.inputs:
        raise _input_error(faults.inputs, kept)


def no_room(folder: str, words: str, kept: str) -> FileError:
    """The error of a full disk: what the system says, and what is kept all the same."""
    return FileError(
        folder,
        f"no room left on the disk ({words})",
        "room for the working folder and the results",
        f"make room, then run the same command again: {kept}",
    )


def _input_error(replies: Sequence[Reply], kept: str) -> GeotrimError:
    """The first error about an input, which partitions it stopped, and what else there is."""
    told = sorted(replies, key=lambda reply: reply.number)
    assert told[0].error is not None
    kind, subject, found, need, mend = told[0].error
    same = [reply.number for reply in told if reply.error == told[0].error]
    others = {reply.error[1]: None for reply in told if reply.error and reply.number not in same}
    found += f" (at {_partitions(len(same))} {_few(same)}"
    found += f"; also at fault: {_few(list(others))})" if others else ")"
    mend += f"; then run the same command again: {kept}; if the input itself changes, say --fresh"
    return kind(subject, found, need, mend)


def _bug(reply: Reply) -> BaseException:
    if reply.exception is not None:
        found = pickle.loads(reply.exception)  # written by this program's own worker
        if isinstance(found, BaseException):
            return found
    return RuntimeError(f"partition {reply.number} failed")


def _few(items: Sequence[object]) -> str:
    named = ", ".join(map(str, items[:MOST_NAMED]))
    return named + (f" and {len(items) - MOST_NAMED} more" if len(items) > MOST_NAMED else "")


def _partitions(n: int) -> str:
    return "partition" if n == 1 else "partitions"
