"""Two names on the disk exchanged in one step, where the system can."""

from __future__ import annotations

import ctypes
import errno
import os
import sys
from pathlib import Path

#: "Relative to the current folder" and "exchange"; linux/fcntl.h, linux/fs.h, man 2 renameat2.
AT_FDCWD, RENAME_EXCHANGE = -100, 2
#: What systems, C libraries and drives answer that do not know how.
NOT_KNOWN = (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP)


def exchange(one: Path, other: Path) -> bool:
    """Let each of two names stand for what the other stood for, with no moment in between.

    Returns
    -------
    is_done : bool
        False where the system or the drive has no such step; nothing was changed then.

    Raises
    ------
    OSError
        If it has, and it failed.

    Notes
    -----
    Linux from 3.15 on, with most local file systems; elsewhere never.
    """
    rename = _renameat2()
    if rename is None:
        return False
    names = os.fsencode(one.absolute()), os.fsencode(other.absolute())
    if rename(AT_FDCWD, names[0], AT_FDCWD, names[1], RENAME_EXCHANGE) == 0:
        return True
    number = ctypes.get_errno()
    if number in NOT_KNOWN:
        return False
    raise OSError(number, os.strerror(number), str(one))


def _renameat2() -> ctypes._NamedFuncPointer | None:
    """The C library's function, None where it has none."""
    if not sys.platform.startswith("linux"):
        return None
    try:
        function = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError):
        return None
    name = ctypes.c_char_p
    function.argtypes = [ctypes.c_int, name, ctypes.c_int, name, ctypes.c_uint]
    function.restype = ctypes.c_int
    return function
