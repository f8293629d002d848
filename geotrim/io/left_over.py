"""What a killed process left behind beside a folder: taken away, or put back.

A folder that is written aside is called after the final name, the machine and the process. Only
what a process of this machine left that is no longer there is touched: on a shared drive the others
may still be at work.
"""

from __future__ import annotations

import os
import re
import shutil
import socket
from pathlib import Path

#: Folders this process is filling.
OWN: set[Path] = set()


def aside_of(folder: Path, what: str) -> Path:
    """The name of a folder ``partial`` or ``old`` beside its final name.

    Examples
    --------
    >>> aside_of(Path("results/cove"), "partial").name.startswith(".cove.partial-")
    True
    """
    return folder.with_name(f".{folder.name}.{what}-{_machine()}-{os.getpid()}")


def put_right(folder: Path) -> None:
    """Bring a folder back that was set aside by a process that died, and clear what it left.

    Parameters
    ----------
    folder : Path
        The final name. Where nothing stands there and an earlier folder was set aside, that one
        stands there again.
    """
    for old in _of_the_dead(folder, "old"):
        if os.path.lexists(folder):
            shutil.rmtree(old, ignore_errors=True)  # the new one is in place and whole
        else:
            old.rename(folder)
    for partial in _of_the_dead(folder, "partial"):
        shutil.rmtree(partial, ignore_errors=True)


def _of_the_dead(folder: Path, what: str) -> list[Path]:
    """Folders set aside by processes of this machine that are no more."""
    start = f".{folder.name}.{what}-{_machine()}-"
    try:
        beside = sorted(folder.parent.iterdir()) if folder.name else []
    except OSError:
        return []
    return [
        path
        for path in beside
        if path.name.startswith(start)
        and path.absolute() not in OWN
        and _is_dead(path.name.removeprefix(start))
    ]


def _is_dead(number: str) -> bool:
    """Whether no process has a number; where a system does not say, it is taken to be alive."""
    if os.name != "posix" or not number.isdecimal():
        return False
    if int(number) == os.getpid():
        return True  # an earlier process of the same number: what is ours is in OWN
    try:
        os.kill(int(number), 0)
    except ProcessLookupError:
        return True
    except (OSError, OverflowError):
        return False
    return False


def _machine() -> str:
    """Name of the machine, as it may stand in a file's name."""
    return re.sub(r"[^A-Za-z0-9]+", "", socket.gethostname())[:20] or "here"
