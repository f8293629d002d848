"""One partition tried: whatever happens comes back as a plain value, the same in every engine."""

from __future__ import annotations

import errno
import pickle
import time
import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib import import_module
from typing import Any, cast

from geotrim.errors import GeotrimError

#: What measures one partition, as ``module:function`` of (working folder, number).
TASK = "geotrim.screen.partition:run_partition"
FULL_DISK = (errno.ENOSPC, errno.EDQUOT)
#: What libraries say of it that tell no number: SQLite (its result code SQLITE_FULL), and the C
#: library's words for ENOSPC and EDQUOT, which others hand on.
FULL_WORDS = ("disk is full", "no space left", "quota exceeded")


@dataclass(frozen=True, slots=True)
class Reply:
    """What became of one partition.

    kind : ``done``; ``input`` (bad input), ``full`` (no room on the disk), ``lost`` (the worker is
        gone, or memory ran out), ``given up`` (a cluster lost one worker after the other over it),
        ``bug`` (anything else).
    error : class and the four parts of an error about an input.
    words : how a worker was lost, or the traceback of a bug.
    exception : a bug itself, pickled; None where it cannot be.
    cpu_s : processor time it took.
    """

    number: int
    kind: str
    n_lots: int = 0
    n_crowns: int = 0
    cpu_s: float = 0.0
    error: tuple[type[GeotrimError], str, str, str, str] | None = None
    words: str = ""
    exception: bytes | None = None


def attempt(task: str, folder: str, number: int) -> Reply:
    """Do one partition by the function of this name; an exception becomes a reply."""
    began = time.thread_time()
    try:
        found = load(task)(folder, number)
    except GeotrimError as error:
        if is_full_disk(error):
            return Reply(number, "full", words=str(error))
        parts = (error.subject, error.found, error.need, error.mend)
        return Reply(number, "input", error=(type(error), *parts))
    except MemoryError:
        return Reply(number, "lost", words="ran out of memory")
    except Exception as error:
        if is_full_disk(error):
            return Reply(number, "full", words=str(error))
        told = "".join(traceback.format_exception(error))
        return Reply(number, "bug", words=told, exception=_pickled(error))
    took = time.thread_time() - began
    counts = (int(found.get("n_lots", 0)), int(found.get("n_crowns", 0)))
    return Reply(number, "done", *counts, cpu_s=took)


def load(task: str) -> Callable[[str, int], dict[str, Any]]:
    """The function a name like ``module:function`` stands for."""
    module, _, name = task.partition(":")
    return cast("Callable[[str, int], dict[str, Any]]", getattr(import_module(module), name))


def is_full_disk(error: BaseException) -> bool:
    """Whether an error comes of a disk without room, however it was wrapped."""
    return any(_tells_full(one) for one in _causes(error))


def _tells_full(error: BaseException) -> bool:
    if isinstance(error, OSError) and error.errno is not None:
        return error.errno in FULL_DISK
    if isinstance(error, GeotrimError):
        return False  # its words may be the user's
    return any(words in str(error).lower() for words in FULL_WORDS)


def _causes(error: BaseException) -> Iterator[BaseException]:
    """An error and what it came of, each once."""
    seen: set[int] = set()
    now: BaseException | None = error
    while now is not None and id(now) not in seen:
        seen.add(id(now))
        yield now
        now = now.__cause__ or now.__context__


def _pickled(error: Exception) -> bytes | None:
    """An exception for another process; None where it does not survive the journey."""
    try:
        data = pickle.dumps(error)
        pickle.loads(data)
    except Exception:  # an exception of any make may fail in any way
        return None
    return data
