"""One run at a time in a working folder.

The system holds the lock for as long as the process lives, so that one that was killed leaves
nothing to be cleared away. What is written in the file only says whom to look for.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

from geotrim.errors import FileError

LOCK = "lock"


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold a folder alone.

    Raises
    ------
    FileError
        If another process that lives holds it, or it cannot be held at all.
    """
    with _held(folder / LOCK) as file:
        file.seek(0)
        file.truncate()
        since = datetime.now(UTC).isoformat(timespec="seconds")
        file.write(f"process {os.getpid()} on {socket.gethostname()}, since {since}")
        file.flush()
        yield


@contextmanager
def _held(path: Path) -> Iterator[IO[str]]:
    while True:
        try:
            file = path.open("a+", encoding="utf-8")
        except OSError as error:
            raise _closed(path, error) from error
        with file:
            try:
                is_ours = _try_lock(file)
            except OSError as error:
                raise _closed(path, error) from error
            if not is_ours:
                file.seek(0)
                raise FileError(
                    str(path.parent),
                    f"that another run is at work in it ({file.read() or 'it has just begun'})",
                    "one run at a time",
                    "wait for its end, or stop it, or choose another --out",
                )
            if not _is_same(file, path):
                continue  # who held it took the folder away meanwhile
            yield file
            return


def _closed(path: Path, error: OSError) -> FileError:
    """A drive without locks, or a file of somebody else's."""
    return FileError(
        str(path),
        f"that it cannot be locked ({error.strerror or error})",
        "a file of this user's, on a drive that knows locks, so that one run at a time is at work",
        "see to whose it is, or choose another --out",
    )


def _try_lock(file: IO[str]) -> bool:
    """Whether a file could be locked; the lock goes when the file is closed or the process ends."""
    if os.name != "posix":
        return _try_lock_windows(file)
    import fcntl

    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _try_lock_windows(file: IO[str]) -> bool:
    import importlib

    msvcrt = importlib.import_module("msvcrt")
    file.seek(1 << 20)  # far behind the words, which others may read
    try:
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
    except OSError:
        return False
    return True


def _is_same(file: IO[str], path: Path) -> bool:
    """Whether a path still leads to an open file."""
    try:
        return os.path.samestat(os.fstat(file.fileno()), path.stat())
    except OSError:
        return False
