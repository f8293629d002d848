"""A screening from start to end: read, cut, measured, gathered; stopped at any moment and gone on.

All that is found on the way lies in a working folder beside the results. What has its final name
there is whole, and nothing counts before the file that says so: ``state.json`` for reading, the
rows of its lots for a partition, the results' folder for all of it.
"""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, fields, replace
from functools import partial
from pathlib import Path
from typing import Any

from geotrim.errors import EngineError, FileError, GeotrimError
from geotrim.io import aside, left_over, record
from geotrim.io.names import RESULTS, slug
from geotrim.io.replaceable import SCREENING, check_replaceable
from geotrim.model import InputFile, Note
from geotrim.screen.attempt import TASK, is_full_disk
from geotrim.screen.defaults import ENGINES, LEAST_MEMORY_MB, MEMORY_MB, UNFINISHED
from geotrim.screen.engine import no_room, run_tasks
from geotrim.screen.gather import gather
from geotrim.screen.input_key import input_key
from geotrim.screen.lock import LOCK, locked
from geotrim.screen.plan import make_tasks
from geotrim.screen.progress import Progress
from geotrim.screen.reading import Reading, read_into
from geotrim.screen.record import Work, screen_record
from geotrim.screen.screen_file import ScreenSpec, read_screen_file
from geotrim.screen.state import (
    MEASURING,
    MixedError,
    State,
    as_key,
    changes,
    check_key,
    is_own,
    n_lots_done,
    read_state,
    write_state,
)
from geotrim.screen.store import Store
from geotrim.screen.workers import held


class Kept(KeyboardInterrupt):
    """Stopped by the user or the system; ``words`` tell what is kept."""

    def __init__(self, stopped: KeyboardInterrupt, words: str) -> None:
        super().__init__(words)
        self.exit_code = int(getattr(stopped, "exit_code", 130))
        self.words = words


@dataclass(frozen=True, slots=True, eq=False)
class Screening:
    """A finished screening: its folder, and ``record.json`` as it lies there."""

    folder: Path
    record: Mapping[str, Any]


@dataclass(frozen=True, slots=True, eq=False)
class Job:
    """What was asked for, checked.

    folder : of the results.
    store : the working folder.
    screen_file : the screen file as the record tells it: its hash is of what was read.
    workers : as many as were asked for, if so.
    """

    spec: ScreenSpec
    screen_file: Mapping[str, Any]
    key: Mapping[str, Any]
    folder: Path
    store: Store
    workers: int | None
    engine: str
    scheduler: str | None
    memory_mb: int
    progress: Progress


def screen(
    path: str | Path,
    out: str | Path | None = None,
    *,
    workers: int | None = None,
    engine: str = "processes",
    scheduler: str | None = None,
    memory_mb: int = MEMORY_MB,
    is_fresh: bool = False,
    is_replacing: bool = False,
    progress: Progress | None = None,
) -> Screening:
    """Measure all lots of a screen file; what an earlier run has left unfinished is gone on with.

    Parameters
    ----------
    path : path-like
        The screen file.
    out : path-like, optional
        Folder of the results. By default the first free one of ``results/NAME``,
        ``results/NAME-2`` ... Work goes on in a folder beside it, ``OUT.unfinished``.
    workers : int, optional
        Partitions that are measured at a time. By default one for each processor. Never more than
        the memory allows. The answer does not depend on it.
    engine : str
        ``processes`` or ``threads``.
    scheduler : str, optional
        Address of a dask.distributed scheduler whose workers are used instead.
    memory_mb : int
        Budget of this machine's memory. [MB]
    is_fresh : bool
        Throw away what an earlier run has left unfinished.
    is_replacing : bool
        Whether an earlier screening at ``out`` may be replaced, as geotrim left it.
    progress : Progress, optional
        Told how far it is.

    Raises
    ------
    GeotrimError
        If an input does not do, a worker or the disk fails, or the inputs are no longer those that
        the unfinished work is about. Finished partitions are kept.
    Kept
        If it is stopped.
    """
    tell = progress or Progress(None)
    check_workers(workers, engine, memory_mb)
    tell("looking at the inputs")
    spec = read_screen_file(path)
    screen_file = record.describe_file(spec.path, spec.path.parent)
    if scheduler is not None:
        from geotrim.screen.cluster import check_scheduler

        check_scheduler(scheduler)  # before anything is read for it
    key = as_key(input_key(spec))
    folder, done = place(spec.name, out, key, is_fresh=is_fresh)
    if done is not None:
        return done
    may_replace = None
    if is_replacing:
        read = inputs_of(spec, key)
        may_replace = partial(check_replaceable, kind=SCREENING, inputs=read)
    aside.check_free(folder, may_replace)  # before the work, not after it
    store = Store(working_folder(folder))
    job = Job(spec, screen_file, key, folder, store, workers, engine, scheduler, memory_mb, tell)
    with _opened(store), locked(store.folder):
        state = _begun(job, is_fresh)
        told = _finished(job, state, may_replace)
    tell.end()
    return told


def check_workers(workers: int | None, engine: str, memory_mb: int) -> None:
    """Refuse workers and budgets that cannot be, before any work."""
    if engine not in ENGINES:
        raise EngineError("--engine", repr(engine), f"one of {', '.join(ENGINES)}", "choose one")
    if workers is not None and workers < 1:
        raise EngineError("--workers", str(workers), "1 or more", "leave it out for a good number")
    if memory_mb < LEAST_MEMORY_MB:
        raise EngineError(
            "--memory-mb",
            str(memory_mb),
            f"{LEAST_MEMORY_MB} or more",
            f"leave it out for {MEMORY_MB}",
        )


def inputs_of(spec: ScreenSpec, key: Mapping[str, Any]) -> list[Path]:
    """The files and folders a screening reads, the screen file first."""
    folder = spec.path.parent
    return [spec.path, *(folder / told["path"] for told in key["files"].values())]


def place(
    name: str, out: str | Path | None, key: Mapping[str, Any], *, is_fresh: bool = False
) -> tuple[Path, Screening | None]:
    """Folder of the results; if a run was killed just after it had made them, the results too."""
    candidates = iter([Path(out)]) if out is not None else aside.numbered(RESULTS / slug(name))
    for folder in candidates:
        check_length(folder)
        done = finished_before(folder, key)
        done = None if is_fresh else done
        if done is not None or out is not None or not os.path.lexists(folder):
            return folder, done
    raise AssertionError("not reached")


def check_length(folder: Path) -> None:
    """Refuse a name so long that the folders beside it could not have theirs."""
    longest = left_over.aside_of(working_folder(folder), "partial")
    try:
        longest.lstat()
    except OSError as error:
        if error.errno == errno.ENAMETOOLONG:
            more = len(longest.name) - len(folder.name)
            raise FileError(
                str(folder),
                f"a name of {len(folder.name)} letters",
                f"one so short that {more} more letters fit behind it, since the work goes on "
                f"in NAME{UNFINISHED}",
                "choose a shorter --out",
            ) from error


def working_folder(folder: Path) -> Path:
    """Where the work on a folder of results goes on; absolute, since workers are elsewhere."""
    return folder.absolute().with_name(folder.name + UNFINISHED)


def finished_before(folder: Path, key: Mapping[str, Any]) -> Screening | None:
    """Results that a run made of the working folder beside them, which it had no time to remove.

    It is removed now; the results are what is asked for only if inputs and options are the same.
    """
    store = Store(working_folder(folder))
    left_over.put_right(store.folder)
    told = read_record(folder)
    if not told or not store.state.exists():
        return None
    try:
        state = read_state(store)
    except FileError:  # told when the work begins, if it still matters then
        return None
    if state is None or told.get("input_key") != state.key:
        return None
    if told.get("started_utc") != state.started_utc:
        return None
    retire(store.folder)
    return Screening(folder, told) if state.key == key else None


def read_record(folder: Path) -> dict[str, Any]:
    """The record in a folder; empty where there is none that can be read."""
    import json

    try:
        told = json.loads((folder / "record.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return told if isinstance(told, dict) else {}


def retire(folder: Path) -> None:
    """Remove a working folder: it loses its name first, so that no half of it is gone on with."""
    gone = left_over.aside_of(folder, "partial")
    with suppress(FileNotFoundError):  # somebody else saw first that it is of no use any more
        folder.rename(gone)
    shutil.rmtree(gone, ignore_errors=True)


@contextmanager
def _opened(store: Store) -> Iterator[None]:
    """The working folder, made if it is not there; taken back if nothing came of it."""
    left_over.put_right(store.folder)
    made = [p for p in store.folder.parents if not p.exists()]
    is_new = not store.folder.exists()
    try:
        store.folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _not_written(store.folder, error) from error
    if not store.state.exists() and not is_own(store.folder):
        raise FileError(
            str(store.folder),
            "a folder that is none of geotrim's",
            "that name for the work that goes on beside the results",
            "move it, or choose another --out",
        )
    try:
        yield
    except BaseException:
        if is_new and not store.state.exists():
            shutil.rmtree(store.folder, ignore_errors=True)
            aside.take_back(made)
        raise


def _not_written(folder: Path, error: OSError) -> FileError:
    return FileError(
        str(folder),
        f"that it cannot be written ({error.strerror or error})",
        "a place that can be written to",
        "choose another --out, or make room on the disk",
    )


def _begun(job: Job, is_fresh: bool) -> State:
    """The state to go on from, inputs read and tasks written."""
    store, state = job.store, read_state(job.store, is_fresh=is_fresh)
    if state is not None and state.stage == MEASURING and not is_fresh:
        n_done = sum(n_lots_done(store, k) is not None for k in range(state.n_tasks))
        if n_done or state.key == job.key:  # what is thrown away is asked for, not guessed
            check_key(store, state, job.key, n_done)
            return state
        told = changes(state.key, job.key)
        job.progress.say(f"no partition was measured yet, so reading starts anew: {told}")
    state = State(job.key, record.utc(record.now()))
    write_state(store, state)  # before anything goes: what is left counts as begun
    try:
        clear(store)
        reading = read_into(
            job.spec,
            store,
            memory_mb=job.memory_mb,
            progress=job.progress,
            key=dict(job.key),
        )
        _check_unchanged(job)
        job.progress("cutting into partitions")
        n_tasks = make_tasks(store, reading.n_partitions)
    except BaseException as error:
        retire(store.folder)  # nothing is worth keeping of a reading that was not ended
        if isinstance(error, KeyboardInterrupt):
            words = "stopped; no partition is measured yet; run the same command to begin again"
            raise Kept(error, words) from error
        if isinstance(error, OSError):
            raise _not_written(store.folder, error) from error
        raise
    shutil.rmtree(store.folder / "done", ignore_errors=True)
    read = as_key(asdict(reading))
    state = replace(state, stage=MEASURING, n_tasks=n_tasks, reading=read)
    write_state(store, state)
    return state


def _check_unchanged(job: Job) -> None:
    """Refuse what was read if an input was changed meanwhile.

    The screen file itself is in memory, and what its keys say with it.
    """
    now = as_key(input_key(job.spec))
    if now != job.key:
        raise FileError(
            str(job.spec.path),
            f"that an input was changed while it was read: {changes(job.key, now)}",
            "inputs that stay as they are meanwhile",
            "run the same command again once they do: nothing was measured yet",
        )


def _check_measured(job: Job, state: State) -> None:
    """Refuse partitions if the heights, which they read themselves, were changed meanwhile.

    All else was copied when it was read; that it is no longer so is told, and changes nothing.
    """
    now = as_key(input_key(job.spec))
    if now == job.key:
        return
    told, of = changes(job.key, now), "heights"
    if now["files"].get(of) == job.key["files"].get(of):
        job.progress.say(f"changed since it was read, results are of what was read: {told}")
        return
    write_state(job.store, replace(state, mixed=told))  # lest they are gone on with once put back
    raise MixedError(str(job.store.folder), told)


def clear(store: Store) -> None:
    """Empty a working folder, but for its state and its lock."""
    for path in store.folder.iterdir():
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        elif path.name not in (LOCK, store.state.name):
            path.unlink()


def _finished(job: Job, state: State, may_replace: Any) -> Screening:
    """All partitions measured, and the results in their place."""
    store, reading = job.store, reading_of(state.reading)
    n_kept = begin_measuring(store, state, reading, job.progress)
    missing = [k for k in range(state.n_tasks) if n_lots_done(store, k) is None]
    workers, engine = 0, "dask.distributed"
    if job.scheduler is None:
        engine = job.engine
        workers, why = held(job.workers, engine, job.memory_mb, len(missing))
        if why:
            job.progress.say(why)
    work = Work(workers, engine, job.memory_mb, state.n_tasks, n_kept)
    try:
        run_tasks(
            store.folder,
            missing,
            workers=max(workers, 1),
            engine=job.engine,
            scheduler=job.scheduler,
            progress=job.progress,
            task=TASK,
        )
        sweep(store)
        with _kept_all_the_same(store):
            if missing:
                _check_measured(job, state)
            return _written(job, state, reading, work, may_replace)
    except KeyboardInterrupt as stopped:
        sweep(store)
        n_done = sum(n_lots_done(store, k) is not None for k in range(state.n_tasks))
        words = (
            f"stopped; {n_done} of {state.n_tasks} partitions are kept; "
            "run the same command to go on"
        )
        raise Kept(stopped, words) from stopped


@contextmanager
def _kept_all_the_same(store: Store) -> Iterator[None]:
    """Where results cannot be written, say so, and that all that was measured is kept."""
    kept = "all partitions are measured and kept, the same command goes on from there"
    try:
        yield
    except Exception as error:
        if is_full_disk(error):
            raise no_room(str(store.folder), str(error), kept) from error
        if not isinstance(error, GeotrimError) or isinstance(error, MixedError):
            raise
        mend = f"{error.mend}; {kept}"
        raise type(error)(error.subject, error.found, error.need, mend) from error


def begin_measuring(store: Store, state: State, reading: Reading, progress: Progress) -> int:
    """Clear what was half written, tell what is there; the number of finished partitions."""
    sweep(store)
    done = [n for k in range(state.n_tasks) if (n := n_lots_done(store, k)) is not None]
    if done:
        progress.say(f"going on: {len(done)} of {state.n_tasks} partitions are kept")
    progress.begin(
        "measuring",
        n_tasks=state.n_tasks,
        n_lots=reading.n_fit,
        tasks_done=len(done),
        lots_done=sum(done),
    )
    return len(done)


def sweep(store: Store) -> None:
    """Remove what a killed worker left half written."""
    for path in (store.folder / "done").glob(".*.partial-*"):
        path.unlink(missing_ok=True)


def _written(job: Job, state: State, reading: Reading, work: Work, may_replace: Any) -> Screening:
    """The results in their place, and the working folder gone."""
    with aside.new_folder(job.folder, may_replace=may_replace) as folder:
        gathered = gather(
            job.store, folder, reading, memory_mb=job.memory_mb, progress=job.progress
        )
        told = screen_record(
            job.store,
            reading,
            gathered,
            work,
            screen_file=job.screen_file,
            key=job.key,
            started_utc=state.started_utc,
        )
        record.write_record(folder, told)
        job.progress("putting the results in their place")
    retire(job.store.folder)
    return Screening(job.folder, read_record(job.folder))


def reading_of(told: Mapping[str, Any]) -> Reading:
    """What reading found, from the state file."""
    values = {one.name: told[one.name] for one in fields(Reading)}
    values["inputs"] = tuple(InputFile(**item) for item in told["inputs"])
    values["notes"] = tuple(Note(**item) for item in told["notes"])
    values["jurisdictions"] = tuple(told["jurisdictions"])
    return Reading(**values)
