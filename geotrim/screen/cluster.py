"""Partitions on a cluster that runs already: dask.distributed, told by the scheduler's address.

Tasks carry the working folder and a number, nothing else, so every worker has to see that folder
under the same path, and have the same geotrim. Both are looked at before any work is handed out.
"""

from __future__ import annotations

import asyncio
import logging
import os
import queue
import threading
import uuid
from collections.abc import Mapping
from importlib import import_module
from pathlib import Path
from types import TracebackType
from typing import Any

import geotrim
from geotrim.errors import EngineError
from geotrim.screen.attempt import Reply, attempt

#: How long a scheduler may take to answer, and its workers to come. [s]
WAIT_S = 15.0
#: Partitions handed out for each thread of the cluster: one at work, one next.
AHEAD = 2
#: The logger of a client, which tells of every answer that went with its worker.
CHATTER = "distributed.client"


class Cluster:
    """The workers of a scheduler, as a crew."""

    def __init__(self, task: str, folder: str, address: str, *, wait_s: float = WAIT_S) -> None:
        self._task, self._folder, self._address, self._wait_s = task, folder, address, wait_s
        self._replies: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._out: dict[str, tuple[Any, int]] = {}
        self._client: Any = None
        self._known: set[str] = set()
        self._log_level = 0

    def __enter__(self) -> Cluster:
        distributed = library()
        log = logging.getLogger(CHATTER)
        self._log_level = log.level
        log.setLevel(logging.CRITICAL)  # what matters of it is told by us, in one line
        try:
            # asked first: a client that never reached its scheduler is slow to go away
            ask_scheduler(self._address, self._wait_s)
            self._client = distributed.Client(
                self._address, timeout=self._wait_s, set_as_default=False
            )
            self._look()
        except (OSError, ValueError, TimeoutError) as error:
            self._leave()
            if isinstance(error, EngineError):
                raise
            raise silent(self._address, self._wait_s, error) from error
        except BaseException:
            self._leave()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        if error is not None and self._out and self._client.status == "running":
            self._client.cancel([future for future, _ in self._out.values()], force=True)
        self._out.clear()
        self._leave()

    @property
    def room(self) -> int:
        """Twice the threads that are there now: a cluster may grow and shrink."""
        n_threads = sum(int(one.get("nthreads", 1)) for one in self._workers().values())
        return max(AHEAD * n_threads, 1)

    def hand_out(self, number: int) -> None:
        future = self._client.submit(
            attempt,
            self._task,
            self._folder,
            number,
            key=f"geotrim-screen-{number}-{uuid.uuid4().hex}",
            pure=False,
        )
        self._out[future.key] = (future, number)
        future.add_done_callback(self._replies.put)

    def reply(self, patience_s: float) -> Reply | None:
        try:
            future = self._replies.get(timeout=patience_s)
        except queue.Empty:
            if self._client.status != "running":
                raise self._gone() from None
            return None
        if future.status in ("lost", "pending"):  # the answer went with its worker, and is redone
            future.add_done_callback(self._replies.put)
            return None
        _, number = self._out.pop(future.key)
        if future.status == "finished":
            reply: Reply = future.result()
            return reply
        if future.status == "error":
            return self._failed(number, future.exception())
        raise self._gone()

    def news(self) -> tuple[str, ...]:
        """Workers that have gone; the scheduler gives what they were at to others by itself."""
        now = set(self._workers())
        gone, self._known = sorted(self._known - now), now
        return tuple(
            f"a worker of the cluster is gone ({address}); the scheduler gives its partitions to "
            "another"
            for address in gone
        )

    def _failed(self, number: int, error: BaseException) -> Reply:
        from distributed.scheduler import KilledWorker

        if isinstance(error, KilledWorker):
            n_lost = int(error.allowed_failures) + 1
            return Reply(number, "given up", words=f"the scheduler tells of {n_lost}")
        raise error

    def _workers(self) -> Mapping[str, Any]:
        found: Mapping[str, Any] = self._client.scheduler_info(n_workers=-1)["workers"]
        return found

    def _look(self) -> None:
        """Ask every worker whether it can do the work."""
        try:
            self._client.wait_for_workers(1, timeout=self._wait_s)
        except TimeoutError as error:
            raise EngineError(
                "--scheduler",
                f"no worker at {self._address} within {self._wait_s:g} s",
                "a cluster with workers",
                "start workers for that scheduler, then run the same command again",
            ) from error
        mark = Path(self._folder) / f".seen-{uuid.uuid4().hex}"
        mark.write_text("seen", encoding="utf-8")
        try:
            told = self._client.run(look, str(mark), on_error="return")
        finally:
            mark.unlink(missing_ok=True)
        self._known = set(told)
        for worker, found in told.items():
            check(worker, found, self._folder)

    def _gone(self) -> EngineError:
        return EngineError(
            "--scheduler",
            f"that the scheduler at {self._address} is gone, or has dropped the work",
            "a scheduler that runs to the end",
            "start it again, then run the same command: what is finished is kept",
        )

    def _leave(self) -> None:
        if self._client is not None:
            self._client.close()
        logging.getLogger(CHATTER).setLevel(self._log_level)


def silent(address: str, wait_s: float, error: BaseException) -> EngineError:
    """The error of a scheduler that does not answer."""
    why = f" ({error})" if str(error) else ""
    return EngineError(
        "--scheduler",
        f"no answer from {address!r} within {wait_s:g} s{why}",
        "the address of a dask.distributed scheduler that runs, tcp://HOST:PORT",
        "check the address, and that this machine reaches it",
    )


def check_scheduler(address: str, wait_s: float = WAIT_S) -> None:
    """Refuse a cluster that cannot be reached, before anything is read for it.

    Raises
    ------
    EngineError
        If the library is not there, or the scheduler does not answer in time.
    """
    library()
    try:
        ask_scheduler(address, wait_s)
    except (OSError, ValueError, TimeoutError) as error:
        raise silent(address, wait_s, error) from error


def ask_scheduler(address: str, wait_s: float) -> None:
    """Have a scheduler tell who it is; an error of the system if it does not in time."""

    async def ask() -> None:
        core, security = import_module("distributed.core"), import_module("distributed.security")
        arguments = security.Security().get_connection_args("client")
        async with core.rpc(address, timeout=wait_s, connection_args=arguments) as scheduler:
            await asyncio.wait_for(scheduler.identity(n_workers=0), wait_s)

    faults: list[Exception] = []

    def in_loop_of_its_own() -> None:
        try:
            asyncio.run(ask())
        except Exception as error:  # raised again where it can be told
            faults.append(error)

    thread = threading.Thread(target=in_loop_of_its_own)  # a notebook has a loop of its own
    thread.start()
    thread.join()
    if faults:
        raise faults[0]


def look(mark: str) -> tuple[str, str]:
    """What a worker sees: its geotrim, and what keeps it from the working folder, if anything."""
    try:
        Path(mark).read_text(encoding="utf-8")
        own = Path(f"{mark}-{uuid.uuid4().hex}-{os.getpid()}")
        own.write_text("", encoding="utf-8")
        own.unlink()
    except OSError as error:
        return geotrim.__version__, error.strerror or str(error)
    return geotrim.__version__, ""


def check(worker: str, found: Any, folder: str) -> None:
    """Refuse a worker that could not do the work, or would do it otherwise.

    Parameters
    ----------
    worker : str
        Its address.
    found : tuple or exception
        What :func:`look` gave there.
    folder : str
    """
    if isinstance(found, BaseException):
        raise EngineError(
            "--scheduler",
            f"a worker that cannot run geotrim ({worker}: {type(found).__name__}: {found})",
            f"geotrim {geotrim.__version__} on every worker",
            "install it there",
        )
    version, hindrance = found
    if version != geotrim.__version__:
        raise EngineError(
            "--scheduler",
            f"geotrim {version} on a worker ({worker})",
            f"geotrim {geotrim.__version__} on every worker, as here",
            "install the same version there",
        )
    if hindrance:
        raise EngineError(
            "--scheduler",
            f"a worker that cannot use the working folder ({worker}: {folder}: {hindrance})",
            "a folder that every worker can read and write under the same path",
            "choose --out on a drive that all of them share",
        )


def library() -> Any:
    """dask.distributed, which comes with the extra ``cluster``."""
    try:
        import distributed
    except ImportError as error:
        raise EngineError(
            "--scheduler",
            f"no dask.distributed ({error})",
            "the library that talks to the cluster",
            "install it with: pip install 'geotrim[cluster]', or say --workers",
        ) from error
    return distributed
